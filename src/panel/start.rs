//! The start: choose a job, or learn what one is.

use crate::panel::model::Command;
use crate::panel::style;
use crate::record::Problem;
use crate::record::result::Verdict;
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
    /// The cursor was put into the field of the folder.
    cursor: bool,
}

impl Default for Start {
    fn default() -> Self {
        Self { folder: String::new(), demonstration: DEMONSTRATION.into(), cursor: false }
    }
}

impl Start {
    /// The place was left: the next time the cursor is put into the field again. True the first time it is told so.
    pub fn left(&mut self) -> bool {
        std::mem::take(&mut self.cursor)
    }
}

/// Draws the place. `no_job`: why there is none where one was to be opened or made.
pub fn start_place(ui: &mut Ui, start: &mut Start, no_job: Option<&Problem>, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        ui.add_space(10.0);
        ui.heading("Where is the stand, relative to the car's thrust line, and how sure is that?");
        ui.label("A job is one folder: what the procedure asks, what is known of car, plates and sheets, and the photographs.");
        ui.add_space(12.0);
        let label = ui.label(RichText::new("Job folder").strong());
        ui.horizontal(|ui| {
            let width = (ui.available_width() - 270.0).clamp(160.0, 620.0);
            let field = egui::TextEdit::singleline(&mut start.folder).desired_width(width).hint_text("path of the folder, or drop it onto this window");
            let field = ui.add(field).labelled_by(label.id);
            if !std::mem::replace(&mut start.cursor, true) {
                field.request_focus();
            }
            let entered = field.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
            let can = !start.folder.trim().is_empty();
            if (ui.add_enabled(can, egui::Button::new("Open the job")).clicked() || entered) && can {
                out.push(Command::Open(PathBuf::from(start.folder.trim())));
            }
            let new = ui.add_enabled(can, egui::Button::new("New job folder"));
            if new.on_hover_text("Writes a new job's files there, every key explained; nothing is ever overwritten").clicked() {
                out.push(Command::NewJob(PathBuf::from(start.folder.trim())));
            }
        });
        if let Some(problem) = no_job {
            ui.horizontal_wrapped(|ui| {
                style::mark_ui(ui, Verdict::Out, 14.0);
                ui.label(RichText::new(format!("{}: {}.", problem.file, problem.what)).strong());
                ui.label(&problem.remedy);
            });
        }
        ui.label(RichText::new("A new job folder holds commented files to fill in. `plumbsight sheets FOLDER` writes what to print.").small());
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
