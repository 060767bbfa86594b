//! The start: choose a job, or learn what one is.

use crate::panel::model::Command;
use eframe::egui;
use egui::{RichText, ScrollArea, Ui};
use std::path::PathBuf;

/// Where the demonstration is unpacked if nothing else is said.
const DEMONSTRATION: &str = "plumbsight-demo";

/// What is typed into the fields.
#[derive(Debug)]
pub struct Start {
    /// The job's folder; the last one at first.
    pub folder: String,
    demonstration: String,
}

impl Default for Start {
    fn default() -> Self {
        Self { folder: String::new(), demonstration: DEMONSTRATION.into() }
    }
}

/// Draws the place.
pub fn start_place(ui: &mut Ui, start: &mut Start, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        ui.add_space(10.0);
        ui.heading("Where is the stand, relative to the car's thrust line, and how sure is that?");
        ui.label("A job is one folder: what the procedure asks, what is known of car, plates and sheets, and the photographs.");
        ui.add_space(12.0);
        let label = ui.label(RichText::new("Job folder").strong());
        ui.horizontal(|ui| {
            let width = (ui.available_width() - 120.0).clamp(160.0, 620.0);
            let field = egui::TextEdit::singleline(&mut start.folder).desired_width(width).hint_text("path of the folder, or drop it onto this window");
            let field = ui.add(field).labelled_by(label.id);
            let entered = field.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
            let can = !start.folder.trim().is_empty();
            if (ui.add_enabled(can, egui::Button::new("Open the job")).clicked() || entered) && can {
                out.push(Command::Open(PathBuf::from(start.folder.trim())));
            }
        });
        ui.label(RichText::new("`plumbsight new FOLDER` writes one with every key explained; `plumbsight sheets FOLDER` what to print.").small());
        ui.add_space(16.0);
        let label = ui.label(RichText::new("No car at hand? An invented bay to try everything on").strong());
        ui.horizontal(|ui| {
            let width = (ui.available_width() - 240.0).clamp(160.0, 500.0);
            ui.add(egui::TextEdit::singleline(&mut start.demonstration).desired_width(width)).labelled_by(label.id);
            let can = !start.demonstration.trim().is_empty();
            if ui.add_enabled(can, egui::Button::new("Unpack and open it")).clicked() {
                out.push(Command::Demonstration(PathBuf::from(start.demonstration.trim())));
            }
        });
        ui.add_space(16.0);
        ui.label(RichText::new("The work, place by place").strong());
        for (k, line) in [
            "Bay and car: what is ready, what is missing, what the procedure asks.",
            "Photographs: taken in as they arrive; what they tie together, how sure it is so far.",
            "Placing: where the stand is, and one move at a time, readable from where it is pushed.",
            "Hold: watching that nothing moves until the routine is done.",
            "Record: the result with all that it rests on.",
        ]
        .into_iter()
        .enumerate()
        {
            ui.label(format!("{}  {line}", k + 1));
        }
        ui.add_space(10.0);
        ui.label("plumbsight calibrates no sensor and releases no car. The carmaker's procedure, local rules and licensed practice decide.");
    });
}
