//! The places of the work, one file each. Each draws the model and gives back what the user wants.

pub mod bay;
mod camera;
pub mod hold;
mod keep;
pub mod photographs;
pub mod placing;
pub mod record;

use crate::panel::model::{Command, Model, Origin};
use crate::panel::style;
use crate::record::result::Verdict;
use eframe::egui;
use egui::{RichText, Ui};

/// Text that teaches where there is nothing to show yet.
pub(super) fn empty_ui(ui: &mut Ui, heading: &str, lines: &[&str]) {
    ui.add_space(12.0);
    ui.heading(heading);
    ui.add_space(4.0);
    for line in lines {
        ui.label(*line);
    }
}

/// A small heading inside a place.
pub(super) fn part_ui(ui: &mut Ui, text: &str) {
    ui.add_space(6.0);
    ui.label(RichText::new(text).strong().size(16.0));
}

/// A line with something before it (a number, a dot, a mark); the text breaks within what is left.
pub(super) fn line_ui(ui: &mut Ui, before: impl FnOnce(&mut Ui), text: impl FnOnce(&mut Ui)) {
    ui.horizontal_top(|ui| {
        before(ui);
        ui.vertical(text);
    });
}

/// Two parts beside each other where there is room for both, else one below the other. `share` is the left one's part of the width.
pub(super) fn beside_ui(ui: &mut Ui, least: f32, share: f32, left: impl FnOnce(&mut Ui), right: impl FnOnce(&mut Ui)) {
    let width = ui.available_width();
    if width < least {
        left(ui);
        right(ui);
        return;
    }
    let gap = 2.0 * ui.spacing().item_spacing.x;
    let wide = (width * share - 0.5 * gap).floor();
    let down = egui::Layout::top_down(egui::Align::LEFT);
    ui.horizontal_top(|ui| {
        ui.spacing_mut().item_spacing.x = gap;
        ui.allocate_ui_with_layout(egui::vec2(wide, 0.0), down, |ui| {
            ui.spacing_mut().item_spacing.x = 0.5 * gap;
            ui.set_width(wide);
            left(ui);
        });
        ui.allocate_ui_with_layout(egui::vec2(width - wide - gap, 0.0), down, |ui| {
            ui.spacing_mut().item_spacing.x = 0.5 * gap;
            ui.set_width(width - wide - gap);
            right(ui);
        });
    });
}

/// A button that asks for a check, or what runs and how to stop it.
pub(super) fn check_ui(ui: &mut Ui, model: &Model, out: &mut Vec<Command>) {
    let can = model.ready().is_some_and(|job| job.still_template().is_none()) && model.work.is_none();
    let button = egui::Button::new("Measure and check").shortcut_text("M");
    if ui.add_enabled(can, button).clicked() {
        out.push(Command::Check);
    }
}

/// Where the shown result comes from, said where it could be taken for another.
pub(super) fn origin_ui(ui: &mut Ui, model: &Model) {
    if let Some(why) = model.later.why(model.settings.lengths) {
        ui.horizontal_wrapped(|ui| {
            style::mark_ui(ui, Verdict::Out, 16.0);
            ui.label(RichText::new(why).strong());
        });
    }
    let Some(outcome) = &model.outcome else { return };
    let text = match (&outcome.origin, outcome.outdated) {
        (Origin::Earlier(_), _) => {
            "This is the result of an earlier check; the job may have changed since. Measure again."
        }
        (Origin::Checked(_), true) => "Photographs or files changed after this check. Measure again.",
        (Origin::Checked(Err(problem)), false) => {
            ui.horizontal_wrapped(|ui| {
                style::mark_ui(ui, Verdict::Out, 12.0);
                ui.label(format!("The result could not be written. {problem}"));
            });
            return;
        }
        (Origin::Checked(Ok(_)), false) => return,
    };
    ui.horizontal_wrapped(|ui| {
        style::mark_ui(ui, Verdict::NotProven, 12.0);
        ui.label(text);
    });
}

/// Why there is no measurement, in full.
pub(super) fn not_measured_ui(ui: &mut Ui, model: &Model) -> bool {
    let Some(result) = model.result().filter(|r| r.verdict == Verdict::NotMeasured) else { return false };
    style::verdict_ui(ui, Verdict::NotMeasured, 22.0);
    ui.label(model.settings.lengths.sentence(result.not_measured.as_deref().unwrap_or("No reason was given.")));
    true
}
