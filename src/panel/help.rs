//! The help: every key, and how the marks are to be read.

use crate::panel::keys::{OF_THE_WINDOW, SHORTCUTS};
use crate::panel::model::{Command, Model};
use crate::panel::style;
use crate::record::result::Verdict;
use eframe::egui;
use egui::{RichText, ScrollArea};

/// Shows the help where it is open.
pub fn help_window(ctx: &egui::Context, model: &Model, out: &mut Vec<Command>) {
    if !model.help {
        return;
    }
    let mut open = true;
    let height = (ctx.content_rect().height() - 90.0).max(120.0);
    egui::Window::new("Help").open(&mut open).collapsible(false).resizable(false).default_width(560.0).anchor(egui::Align2::CENTER_CENTER, [0.0, 0.0]).show(ctx, |ui| {
        ScrollArea::vertical().min_scrolled_height(height).max_height(height).show(ui, |ui| {
            ui.label(RichText::new("Keys").strong());
            egui::Grid::new("keys").num_columns(2).striped(true).spacing([24.0, 3.0]).show(ui, |ui| {
                let own = SHORTCUTS.iter().map(|s| (s.shown, s.does));
                for (key, does) in own.chain(OF_THE_WINDOW) {
                    ui.label(RichText::new(key).strong());
                    ui.label(does);
                    ui.end_row();
                }
            });
            ui.add_space(8.0);
            ui.label(RichText::new("Marks").strong());
            for (verdict, means) in [
                (Verdict::In, "|deviation| + U is within the tolerance: proven"),
                (Verdict::Out, "|deviation| - U is beyond the tolerance: proven"),
                (Verdict::NotProven, "neither: U is too large to say; the text says what helps"),
                (Verdict::NotMeasured, "there is no measurement, or none of the job as it is now"),
            ] {
                ui.horizontal_wrapped(|ui| {
                    style::mark_ui(ui, verdict, 13.0);
                    ui.label(RichText::new(verdict.words()).strong());
                    ui.label(means);
                });
            }
            ui.add_space(8.0);
            ui.label("U is the expanded uncertainty: in 95 of 100 cases the true deviation lies within deviation ± U. The ellipse holds the target's centre in 95 of 100 cases.");
        });
    });
    if !open {
        out.push(Command::Help(false));
    }
}
