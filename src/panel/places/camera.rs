//! The line with which a live reading is started and ended.

use crate::panel::live::LiveState;
use crate::panel::model::{Command, Model};
use crate::panel::style;
use crate::record::result::Verdict;
use crate::session::Progress;
use crate::session::live::Mount;
use eframe::egui;
use egui::Ui;

/// Source, mounting, start or end; and how it is going.
/// `hold`: started with the watch.
pub(super) fn camera_ui(ui: &mut Ui, model: &Model, hold: bool, out: &mut Vec<Command>) {
    let running = matches!(model.live, LiveState::Preparing(_) | LiveState::On(_));
    let mut choice = model.camera.clone();
    ui.horizontal_wrapped(|ui| {
        let label = ui.label("Camera");
        ui.add_enabled_ui(!running, |ui| {
            let hint = "camera 0; http://...; a folder";
            let field = egui::TextEdit::singleline(&mut choice.source).desired_width(250.0).hint_text(hint);
            ui.add(field).labelled_by(label.id).on_hover_text(
                "camera 0 is the first webcam, http://... a phone. Several, with a semicolon between them, are read together.",
            );
            ui.checkbox(&mut choice.replay, "play a saved folder again");
            ui.radio_value(&mut choice.mount, Mount::Apart, "on a tripod");
            ui.radio_value(&mut choice.mount, Mount::OnStand, "riding on the stand");
        });
        let can = model.ready().is_some() && !choice.source.trim().is_empty();
        if running {
            if ui.add(egui::Button::new("End the reading").shortcut_text(if hold { "H" } else { "C" })).clicked() {
                out.push(Command::Live(false));
            }
        } else if hold {
            if ui.add_enabled(can, egui::Button::new("Watch").shortcut_text("H")).clicked() {
                out.push(Command::Hold(true));
            }
        } else if ui.add_enabled(can, egui::Button::new("Read live").shortcut_text("C")).clicked() {
            out.push(Command::Live(true));
        }
    });
    if choice != model.camera {
        // Before anything that uses it.
        out.insert(0, Command::Camera(choice));
    }
    let text = match &model.live {
        LiveState::Off => return,
        LiveState::Preparing(progress) => match progress {
            None => "Preparing: the job is surveyed once more, as the ground for the live reading.".to_owned(),
            Some(Progress::Photographs { done, of }) => {
                format!("Preparing: finding tags in photographs, {done} of {of}.")
            }
            Some(Progress::Surveying) => "Preparing: tying the photographs together.".to_owned(),
            Some(Progress::Judging) => "Preparing: working out the deviations.".to_owned(),
        },
        LiveState::On(view) => {
            for camera in &view.cameras {
                ui.horizontal_wrapped(|ui| {
                    style::mark_ui(ui, if camera.live { Verdict::In } else { Verdict::NotMeasured }, 11.0);
                    ui.label(&camera.words);
                });
            }
            return;
        }
        LiveState::Over(why) => {
            ui.horizontal_wrapped(|ui| {
                style::mark_ui(ui, Verdict::Out, 13.0);
                ui.label(format!("The live reading ended. {}", crate::verdict::words::capital(why)));
            });
            return;
        }
    };
    ui.label(text);
}
