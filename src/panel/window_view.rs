//! The placement as a window, to scale in millimetres, with the stand's 95 % ellipse in it: from above and from the side, as a stake-out is drawn.

use crate::panel::figures::Lengths;
use crate::panel::stake::{View, Window};
use crate::panel::standing::Standing;
use crate::panel::style::{self, Palette};
use eframe::egui;
use egui::{Align2, Color32, FontId, Pos2, Rect, Sense, Shape, Stroke, Ui, Vec2};

/// Draws one window into a square of this size.
pub fn window_ui(ui: &mut Ui, standing: &Standing, view: View, size: Vec2, lengths: Lengths) {
    let (rect, response) = ui.allocate_exact_size(size, Sense::hover());
    let window = Window::of(standing, view);
    let words = match view {
        View::Above => "Tolerance window seen from above",
        View::Side => "Tolerance window seen from the car's right side",
    };
    response.widget_info(|| {
        egui::WidgetInfo::labeled(egui::Role::Image, true, format!("{words}. {}", standing.spoken(lengths)))
    });
    let palette = style::palette(ui.visuals());
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 4.0, palette.ground);
    // Room for the words at the edges.
    let inner = rect.shrink2(Vec2::new(10.0, 22.0));
    let scale = 0.5 * inner.width().min(inner.height()) / window.reach as f32;
    let centre = inner.center();
    let at = |p: [f64; 2]| centre + scale * Vec2::new(p[0] as f32, -(p[1] as f32));

    tolerance(&painter, &window, inner, centre, scale, &palette);
    // Words below, so that what is measured is never covered by them.
    furniture(&painter, rect, &window, scale, lengths, &palette);
    lean(&painter, &window, at(window.at), 0.42 * inner.width().min(inner.height()), &palette);
    let colour = palette.verdict(standing.verdict);
    let ellipse: Vec<Pos2> = window.ellipse.iter().map(|p| at(*p)).collect();
    painter.add(Shape::convex_polygon(ellipse, colour.gamma_multiply(0.25), Stroke::new(2.0, colour)));
    painter.add(style::mark(standing.verdict, at(window.at), 6.0, &palette));
}

/// The window where the target's centre must be; a direction that is not asked for has no edge.
fn tolerance(painter: &egui::Painter, window: &Window, inner: Rect, centre: Pos2, scale: f32, palette: &Palette) {
    let half = |k: usize, most: f32| window.half[k].map_or(most, |h| (h as f32 * scale).min(most));
    let size = Vec2::new(half(0, 0.5 * inner.width()), half(1, 0.5 * inner.height()));
    let area = Rect::from_center_size(centre, 2.0 * size);
    painter.rect_filled(area, 0.0, palette.area);
    let stroke = Stroke::new(2.0, palette.ink);
    if window.half[0].is_some() {
        painter.line_segment([area.left_top(), area.left_bottom()], stroke);
        painter.line_segment([area.right_top(), area.right_bottom()], stroke);
    }
    if window.half[1].is_some() {
        painter.line_segment([area.left_top(), area.right_top()], stroke);
        painter.line_segment([area.left_bottom(), area.right_bottom()], stroke);
    }
    let thin = Stroke::new(1.0, palette.faint);
    painter.hline(inner.x_range(), centre.y, thin);
    painter.vline(centre.x, inner.y_range(), thin);
}

/// The face through the target's centre with its lean drawn larger, and the wedge that the tolerance leaves it.
fn lean(painter: &egui::Painter, window: &Window, at: Pos2, length: f32, palette: &Palette) {
    // Seen from above the face lies across; from the side it stands up.
    let along = |deg: f64| {
        let turn = crate::units::rad_from_deg(window.drawn_deg(deg)) as f32;
        match window.view {
            View::Above => Vec2::new(turn.cos(), -turn.sin()),
            View::Side => Vec2::new(-turn.sin(), -turn.cos()),
        }
    };
    if let Some(t) = window.lean_tolerance_deg {
        for side in [1.0, -1.0] {
            let ends = [t, -t].map(|deg| at + side * length * along(deg));
            let colour = palette.faint.gamma_multiply(0.35);
            painter.add(Shape::convex_polygon(vec![at, ends[0], ends[1]], colour, Stroke::new(1.0, palette.faint)));
        }
    }
    let face = along(window.lean_deg);
    painter.line_segment([at - length * face, at + length * face], Stroke::new(3.0, palette.ink));
}

fn furniture(painter: &egui::Painter, rect: Rect, window: &Window, scale: f32, lengths: Lengths, palette: &Palette) {
    let font = FontId::proportional(12.0);
    let text = |at: Pos2, align: Align2, words: String| {
        let galley = painter.layout_no_wrap(words, font.clone(), palette.ink);
        let place = align.anchor_size(at, galley.size());
        // Kept inside of the drawing.
        let place = place.translate(Vec2::new((rect.right() - 4.0 - place.right()).min(0.0), 0.0));
        painter.rect_filled(place, 2.0, palette.ground.gamma_multiply(0.8));
        painter.galley(place.min, galley, Color32::PLACEHOLDER);
    };
    let inner = rect.shrink(5.0);
    let (title, left, right, lean) = match window.view {
        View::Above => ("from above, ahead is up", "← car's left", "car's right →", "yaw"),
        View::Side => ("from the car's right side", "← towards the rear", "ahead →", "pitch"),
    };
    text(inner.center_top(), Align2::CENTER_TOP, title.into());
    // Below the title rather than beside the axis, where the mark often lies.
    let line = Vec2::new(0.0, 16.0);
    text(inner.left_top() + line, Align2::LEFT_TOP, left.into());
    text(inner.right_top() + line, Align2::RIGHT_TOP, right.into());
    let times = if window.lean_times > 1.0 { format!(" (drawn × {:.0})", window.lean_times) } else { String::new() };
    let deviation = match window.view {
        View::Above => window.lean_deg,
        // As the table says it: positive with the top ahead.
        View::Side => -window.lean_deg,
    };
    let u = window.lean_expanded_deg;
    let edge = lengths.edge(true);
    let deviation = format!("{} {}", edge.signed(deviation, u), edge.expanded(u));
    let bar = window.scale_bar_mm(lengths.unit_mm());
    let end = inner.right_bottom() - Vec2::new(2.0, 2.0);
    let start = end - Vec2::new(bar as f32 * scale, 0.0);
    let width = |words: &str| painter.layout_no_wrap(words.to_owned(), font.clone(), palette.ink).size().x;
    let words = format!("{lean} {deviation}{times}");
    // Up to the scale bar and its length, whichever begins further left; else in two lines.
    let bar_words = lengths.short(bar);
    let free = start.x.min(start.lerp(end, 0.5).x.min(rect.right() - 4.0) - 0.5 * width(&bar_words)) - 10.0;
    let words = match inner.left() + width(&words) > free {
        true => format!("{lean} {deviation}\n{}", times.trim_start_matches(' ').trim_matches(['(', ')'])),
        false => words,
    };
    text(inner.left_bottom(), Align2::LEFT_BOTTOM, words.trim_end().to_owned());
    let stroke = Stroke::new(2.0, palette.ink);
    painter.line_segment([start, end], stroke);
    for p in [start, end] {
        painter.line_segment([p - Vec2::new(0.0, 4.0), p + Vec2::new(0.0, 1.0)], stroke);
    }
    text(start.lerp(end, 0.5) - Vec2::new(0.0, 5.0), Align2::CENTER_BOTTOM, bar_words);
}
