//! Settings of the screen. Nothing here changes a number inside.

use crate::panel::far::BAR_UNITS;
use crate::panel::figures::Lengths;
use crate::panel::model::{Command, Look, Model, TEXT_SCALE};
use crate::panel::style;
use crate::record::Problem;
use crate::record::result::Verdict;
use crate::units::{inch_from_mm, mm_from_inch};
use eframe::egui;
use egui::{Sense, Stroke, Vec2};

/// Shows the settings where they are open. `problem`: why they are not kept.
pub fn settings_window(ctx: &egui::Context, model: &Model, problem: Option<&Problem>, out: &mut Vec<Command>) {
    if !model.settings_open {
        return;
    }
    let mut open = true;
    let mut settings = model.settings;
    egui::Window::new("Settings")
        .open(&mut open)
        .collapsible(false)
        .resizable(false)
        .anchor(egui::Align2::CENTER_CENTER, [0.0, 0.0])
        .show(ctx, |ui| {
            ui.horizontal(|ui| {
                ui.label("Look:");
                for look in [Look::System, Look::Light, Look::Dark] {
                    ui.radio_value(&mut settings.look, look, look.name());
                }
            });
            ui.horizontal(|ui| {
                ui.label("Lengths:");
                ui.radio_value(&mut settings.lengths, Lengths::Millimetres, "millimetres");
                ui.radio_value(&mut settings.lengths, Lengths::Inches, "inches");
            });
            ui.horizontal(|ui| {
                let label = ui.label("Size of everything:");
                let slider = egui::Slider::new(&mut settings.text_scale, TEXT_SCALE.0..=TEXT_SCALE.1).step_by(0.05);
                ui.add(slider).labelled_by(label.id);
            });
            ui.checkbox(&mut settings.by_itself, "Measure and check by itself when photographs or files change");
            ui.checkbox(&mut settings.sound, "A sound when the verdict changes or something moved");
            if let Some(problem) = problem {
                ui.horizontal_wrapped(|ui| {
                    style::mark_ui(ui, Verdict::Out, 12.0);
                    ui.label(format!("What is chosen here is not kept. {problem}"));
                });
            }
            ui.separator();
            ui.label("For the far view: how long is this bar on your screen?");
            let zoom = settings.text_scale;
            let (rect, response) = ui.allocate_exact_size(Vec2::new(BAR_UNITS, 16.0), Sense::hover());
            response
                .widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, "a bar to be measured with a rule"));
            let ink = style::palette(ui.visuals()).ink;
            let stroke = Stroke::new(2.0, ink);
            ui.painter().hline(rect.x_range(), rect.center().y, stroke);
            for x in [rect.left(), rect.right()] {
                ui.painter().vline(x, rect.y_range(), stroke);
            }
            ui.horizontal(|ui| {
                let label = ui.label("It measures");
                // The bar is drawn with the zoom in use, its length is kept without.
                let shown = f64::from(settings.bar_mm * zoom);
                let mut value = match settings.lengths {
                    Lengths::Millimetres => shown,
                    Lengths::Inches => inch_from_mm(shown),
                };
                let drag = egui::DragValue::new(&mut value)
                    .speed(0.1)
                    .range(1.0..=2000.0)
                    .suffix(format!(" {}", settings.lengths.unit()));
                if ui.add(drag).labelled_by(label.id).changed() {
                    let mm = match settings.lengths {
                        Lengths::Millimetres => value,
                        Lengths::Inches => mm_from_inch(value),
                    };
                    settings.bar_mm = mm as f32 / zoom;
                    settings.bar_measured = true;
                }
                ui.label(if settings.bar_measured { "measured" } else { "assumed: 96 units to the inch" });
            });
        });
    if settings != model.settings {
        out.push(Command::Set(settings));
    }
    if !open {
        out.push(Command::ShowSettings(false));
    }
}
