//! Hold: watching that nothing moves between the verdict and the end of the routine.

use crate::panel::far::minutes;
use crate::panel::figures::Lengths;
use crate::panel::live::LiveState;
use crate::panel::model::{Command, Model};
use crate::panel::picture_view::Screens;
use crate::panel::places::camera::camera_ui;
use crate::panel::places::{beside_ui, empty_ui, line_ui, part_ui};
use crate::panel::settling_view::settling_ui;
use crate::panel::style::{self, SENTENCE};
use crate::panel::watching::{BodyLine, HoldView};
use crate::record::result::Verdict;
use crate::session::hold::{AFTER_ALARM, Standing};
use eframe::egui;
use egui::{RichText, ScrollArea, Ui};

/// Draws the place.
pub fn hold_place(ui: &mut Ui, model: &Model, screens: &mut Screens, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        camera_ui(ui, model, true, out);
        if model.alarms() > 0 && model.hold_view().is_none_or(|hold| !hold.broken) {
            alarm_ui(ui, model);
        }
        match (model.hold_view(), &model.live) {
            (Some(hold), _) => watch_ui(ui, model, hold, screens, out),
            (None, LiveState::Off | LiveState::Over(_)) => {
                for (sound, words) in &model.watched {
                    let verdict = if *sound { Verdict::In } else { Verdict::NotProven };
                    line_ui(
                        ui,
                        |ui| style::mark_ui(ui, verdict, 16.0),
                        |ui| {
                            ui.label(RichText::new(format!("The last watch: {words}")).strong());
                        },
                    );
                }
                empty_ui(
                ui,
                "Nothing is watched",
                &[
                    "Between the verdict and the end of the routine the stand is locked, doors are shut, somebody walks past: each can move what was measured.",
                    "A camera on a tripod that sees the stand and floor sheets or a wheel plate notices a move and says which body, when and by how much. A body that is hidden for a while is not seen, which is no alarm.",
                    "Start the watch when the stand is locked, and leave camera and bay alone until the routine is done.",
                ],
                )
            }
            (None, LiveState::On(_)) if !model.holding => {
                ui.label("The camera is read for placing. End that, then start the watch.");
            }
            (None, _) => {
                ui.label("The watch is being prepared.");
            }
        }
    });
}

/// An alarm of a watch that is over, or that began anew: it stays until there are new photographs.
fn alarm_ui(ui: &mut Ui, model: &Model) {
    ui.horizontal_wrapped(|ui| {
        style::mark_ui(ui, Verdict::Out, 20.0);
        ui.label(RichText::new("moved during hold").size(22.0).strong());
    });
    if let Some(why) = model.later.why(model.settings.lengths) {
        ui.label(RichText::new(why).strong());
    }
    ui.label(AFTER_ALARM);
}

fn watch_ui(ui: &mut Ui, model: &Model, hold: &HoldView, screens: &mut Screens, out: &mut Vec<Command>) {
    let (verdict, word, sentence) = match (hold.broken, hold.watching_for) {
        (true, _) => (Verdict::Out, "moved", "Something moved: do not rely on the verdict. Stop the routine as its procedure allows, then measure again.".to_owned()),
        (false, _) if hold.blind => (
            Verdict::NotMeasured,
            "not seen",
            "Not everything is seen just now: nothing is said of what is hidden. Clear the camera's view.".to_owned(),
        ),
        (false, Some(d)) => (Verdict::In, "nothing moved", format!("Watching for {}.", minutes(d))),
        (false, None) => (Verdict::NotProven, "settling", "Hands off: the watch begins once everything has come to rest.".to_owned()),
    };
    ui.horizontal_wrapped(|ui| {
        style::mark_ui(ui, verdict, 20.0);
        ui.label(RichText::new(word).size(22.0).strong());
        if ui.add(egui::Button::new("Far view").shortcut_text("F")).clicked() {
            out.push(Command::Far(true));
        }
    });
    ui.label(RichText::new(sentence).size(SENTENCE).strong());
    ui.label("Keep people and metal out of the sensor's view.");
    if let Some(trouble) = &hold.trouble {
        line_ui(
            ui,
            |ui| style::mark_ui(ui, Verdict::NotProven, 13.0),
            |ui| {
                ui.label(trouble);
            },
        );
    }
    let lengths = model.settings.lengths;
    let left = |ui: &mut Ui| {
        bodies_ui(ui, hold, lengths);
        part_ui(ui, "Noticed");
        match &hold.log {
            Ok(path) => {
                ui.label(RichText::new(format!("Log: {}", path.display())).small());
            }
            Err(why) => line_ui(
                ui,
                |ui| style::mark_ui(ui, Verdict::Out, 13.0),
                |ui| {
                    ui.label(format!("No log is written. {why}"));
                },
            ),
        }
        if hold.news.is_empty() {
            ui.label("Nothing so far.");
        }
        for (alarm, words) in hold.news.iter().rev() {
            let mark = if *alarm { Verdict::Out } else { Verdict::NotMeasured };
            line_ui(
                ui,
                |ui| style::mark_ui(ui, mark, 12.0),
                |ui| {
                    ui.label(lengths.sentence(words));
                },
            );
        }
    };
    // The table of bodies needs so much.
    beside_ui(ui, 1200.0, 0.64, left, |ui| {
        if let Some(view) = model.live_view().filter(|v| !v.pictures().is_empty()) {
            let height = (0.62 * ui.available_width()).min(420.0);
            screens.pictures_ui(ui, &view.pictures(), height);
        }
        if !hold.curves.is_empty() {
            settling_ui(ui, &hold.curves, lengths);
        }
    });
}

fn bodies_ui(ui: &mut Ui, hold: &HoldView, lengths: Lengths) {
    part_ui(ui, "Bodies");
    egui::Grid::new("watched").num_columns(6).min_col_width(0.0).striped(true).spacing([12.0, 4.0]).show(ui, |ui| {
        for heading in ["", "", "ahead", "left", "up", "noticed from"] {
            ui.label(RichText::new(heading).small());
        }
        ui.end_row();
        for body in &hold.bodies {
            line(ui, body, hold.watching_for.is_some(), lengths);
            ui.end_row();
        }
    });
}

/// One body: what it does, its shift with U, and the shift that would be noticed.
fn line(ui: &mut Ui, body: &BodyLine, watching: bool, lengths: Lengths) {
    let (verdict, word) = match body.standing {
        // Nothing is called still before the watch has begun.
        Standing::Holds if !watching => (Verdict::NotProven, "settling"),
        Standing::Holds => (Verdict::In, "holds"),
        Standing::Moved => (Verdict::Out, "moved"),
        Standing::NotSeen => (Verdict::NotMeasured, "not seen"),
    };
    style::mark_ui(ui, verdict, 12.0);
    ui.label(format!("{}: {word}", body.name));
    for (shift, expanded) in body.shift_mm {
        let text = if shift.is_finite() && expanded.is_finite() {
            lengths.with_u(shift, expanded)
        } else {
            "not known".to_owned()
        };
        ui.label(if body.standing == Standing::NotSeen { RichText::new(text).weak() } else { RichText::new(text) });
    }
    ui.label(if body.detectable_mm.is_finite() { lengths.plain(body.detectable_mm) } else { "not yet".into() });
}
