//! The six numbers: value, U and tolerance together, a bar that shows all three, and the state as shape and word.

use crate::panel::figures::Lengths;
use crate::panel::standing::{Figure, Standing};
use crate::panel::style;
use crate::record::result::Verdict;
use crate::verdict::words::capital;
use eframe::egui;
use egui::{RichText, Sense, Shape, Stroke, Ui, Vec2};

/// Draws the table; narrow leaves the bars out.
pub fn six_ui(ui: &mut Ui, standing: &Standing, lengths: Lengths, stale: bool) {
    let wide = ui.available_width() > 660.0;
    ui.scope(|ui| {
        if stale {
            ui.multiply_opacity(0.55);
        }
        egui::Grid::new("six").num_columns(6).striped(true).spacing([14.0, 8.0]).show(ui, |ui| {
            for heading in ["", "deviation", "U (95 %)", "tolerance"] {
                ui.label(RichText::new(heading).small());
            }
            if wide {
                ui.label(RichText::new("deviation ± U in its tolerance").small());
            }
            ui.end_row();
            for figure in &standing.six {
                let name = ui.label(RichText::new(capital(figure.name)).strong());
                name.on_hover_text(format!(
                    "required {}, measured {}. {}",
                    figure.required_text(lengths),
                    figure.measured_text(lengths),
                    capital(&lengths.sentence(&figure.words))
                ));
                number(ui, &figure.deviation_text(lengths), true);
                number(ui, &figure.expanded_text(lengths), false);
                number(ui, &figure.tolerance_text(lengths), false);
                if wide {
                    bar(ui, figure, lengths);
                }
                match figure.verdict {
                    Some(verdict) => {
                        ui.horizontal(|ui| {
                            style::mark_ui(ui, verdict, 13.0);
                            ui.label(short(verdict));
                        });
                    }
                    None => {
                        ui.label(RichText::new("not asked").weak());
                    }
                }
                ui.end_row();
            }
        });
    });
}

fn short(verdict: Verdict) -> &'static str {
    verdict.words().trim_end_matches(" of tolerance").trim_end_matches(" tolerance")
}

fn number(ui: &mut Ui, text: &str, strong: bool) {
    let text = RichText::new(text);
    ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
        ui.label(if strong { text.strong() } else { text });
    });
}

/// The interval deviation ± U over the tolerance zone.
fn bar(ui: &mut Ui, figure: &Figure, lengths: Lengths) {
    let (rect, response) = ui.allocate_exact_size(Vec2::new(150.0, 20.0), Sense::hover());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, figure.spoken(lengths)));
    let palette = style::palette(ui.visuals());
    let painter = ui.painter_at(rect);
    let far = (figure.deviation.abs() + figure.expanded).max(1.25 * figure.tolerance.unwrap_or(0.0));
    let far = if far > 0.0 { 1.05 * far } else { 1.0 };
    let x = |value: f64| rect.center().x + (0.5 * f64::from(rect.width()) * (value / far).clamp(-1.0, 1.0)) as f32;
    if let Some(t) = figure.tolerance {
        let zone = egui::Rect::from_x_y_ranges(x(-t)..=x(t), rect.y_range().shrink(3.0));
        painter.rect_filled(zone, 0.0, palette.area);
        for edge in [zone.left(), zone.right()] {
            painter.vline(edge, rect.y_range(), Stroke::new(1.5, palette.ink));
        }
    }
    painter.vline(x(0.0), rect.y_range(), Stroke::new(1.0, palette.faint));
    let verdict = figure.verdict.unwrap_or(Verdict::NotMeasured);
    let colour = if figure.verdict.is_some() { palette.verdict(verdict) } else { palette.faint };
    let (from, to, y) = (x(figure.deviation - figure.expanded), x(figure.deviation + figure.expanded), rect.center().y);
    painter.hline(from..=to, y, Stroke::new(3.0, colour));
    for end in [from, to] {
        painter.vline(end, (y - 5.0)..=(y + 5.0), Stroke::new(2.0, colour));
    }
    let at = egui::pos2(x(figure.deviation), y);
    painter.add(match figure.verdict {
        Some(verdict) => style::mark(verdict, at, 5.0, &palette),
        None => Shape::circle_stroke(at, 4.0, Stroke::new(1.5, palette.ink)),
    });
}
