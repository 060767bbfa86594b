//! Hold: watching that nothing moves between the verdict and the end of the routine.

use crate::panel::places::empty_ui;
use eframe::egui;
use egui::Ui;

/// Draws the place.
pub fn hold_place(ui: &mut Ui) {
    empty_ui(
        ui,
        "Nothing is watched",
        &[
            "Between the verdict and the end of the routine the stand is locked, doors are shut, somebody walks past: each can move what was measured.",
            "A camera on a tripod that sees the stand and floor sheets or a wheel plate notices a move and says which body, when and by how much.",
        ],
    );
}
