//! How things come to rest: each body's shift over time with its uncertainty, until the watch begins.

use crate::panel::figures::Lengths;
use crate::panel::style;
use crate::panel::watching::Curve;
use eframe::egui;
use egui::{Align2, Color32, FontId, Pos2, Rect, Sense, Shape, Stroke, Ui, Vec2};

/// Directions of a shift, as the table of bodies names them.
const ALONG: [&str; 3] = ["ahead", "left", "up"];

/// Curves that are drawn: more are not told apart. Those that moved most come first.
const MOST_CURVES: usize = 4;

/// Draws the curves, each in the direction in which its body moved most.
pub fn settling_ui(ui: &mut Ui, curves: &[Curve], lengths: Lengths) {
    let mut drawn: Vec<(&Curve, usize)> = curves.iter().map(|c| (c, c.liveliest())).collect();
    let range = |(curve, k): &(&Curve, usize)| {
        let values = curve.points.iter().map(|(_, s)| s[*k].0);
        values.clone().fold(f64::MIN, f64::max) - values.fold(f64::MAX, f64::min)
    };
    drawn.sort_by(|a, b| range(b).total_cmp(&range(a)));
    drawn.truncate(MOST_CURVES);
    let (rect, response) = ui.allocate_exact_size(Vec2::new(ui.available_width(), 170.0), Sense::hover());
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, spoken(&drawn, lengths)));
    let palette = style::palette(ui.visuals());
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 4.0, palette.ground);
    let times = drawn.iter().flat_map(|(c, _)| c.points.iter().map(|p| p.0));
    let (from, to) = (times.clone().fold(f64::MAX, f64::min), times.fold(f64::MIN, f64::max));
    let bounds = drawn.iter().flat_map(|(c, k)| c.points.iter().map(move |p| p.1[*k]));
    let reach = bounds.fold(0.0_f64, |most, (v, u)| most.max(v.abs() + u));
    if !(to > from && reach > 0.0 && reach.is_finite()) {
        return;
    }
    let inner = Rect::from_min_max(rect.min + Vec2::new(8.0, 22.0), rect.max - Vec2::new(150.0, 22.0));
    let at = |t: f64, mm: f64| {
        Pos2::new(
            inner.left() + inner.width() * ((t - from) / (to - from)) as f32,
            inner.center().y - 0.5 * inner.height() * (mm / reach) as f32,
        )
    };
    let thin = Stroke::new(1.0, palette.faint);
    painter.hline(inner.x_range(), inner.center().y, thin);
    let text = |place: Pos2, align: Align2, words: String| {
        painter.text(place, align, words, FontId::proportional(12.0), palette.ink);
    };
    text(rect.left_top() + Vec2::new(6.0, 4.0), Align2::LEFT_TOP, "shift ± U (95 %) while coming to rest".to_owned());
    text(rect.left_bottom() + Vec2::new(6.0, -4.0), Align2::LEFT_BOTTOM, format!("{:.0} s", 0.0));
    text(inner.right_bottom() + Vec2::new(0.0, 18.0), Align2::RIGHT_BOTTOM, format!("{:.0} s", to - from));
    // The height of the drawing's upper half, as a length.
    text(rect.right_top() + Vec2::new(-6.0, 4.0), Align2::RIGHT_TOP, format!("top: {}", lengths.signed(reach)));
    let mut lowest = f32::MIN;
    for (n, (curve, k)) in drawn.iter().enumerate() {
        let points: Vec<(Pos2, f32)> = curve
            .points
            .iter()
            .map(|(t, s)| (at(*t, s[*k].0), 0.5 * inner.height() * (s[*k].1 / reach) as f32))
            .collect();
        for pair in points.windows(2) {
            let [(a, ua), (b, ub)] = pair else { continue };
            let band = vec![*a - Vec2::Y * *ua, *b - Vec2::Y * *ub, *b + Vec2::Y * *ub, *a + Vec2::Y * *ua];
            painter.add(Shape::convex_polygon(band, palette.faint.gamma_multiply(0.25), Stroke::NONE));
        }
        // Told apart by dashes, never by colour alone.
        let line: Vec<Pos2> = points.iter().map(|p| p.0).collect();
        let stroke = Stroke::new(2.0, palette.ink);
        match n {
            0 => {
                painter.add(Shape::line(line.clone(), stroke));
            }
            n => painter.extend(Shape::dashed_line(&line, stroke, 12.0 / n as f32, 4.0)),
        }
        let Some((end, _)) = points.last() else { continue };
        let galley = painter.layout(label(curve, *k), FontId::proportional(11.5), palette.ink, 138.0);
        let y = end.y.max(lowest).min(rect.bottom() - galley.size().y).max(rect.top());
        lowest = y + galley.size().y + 1.0;
        painter.galley(Pos2::new(inner.right() + 6.0, y), galley, Color32::PLACEHOLDER);
    }
}

fn label(curve: &Curve, k: usize) -> String {
    format!("{}, {}", curve.name, ALONG[k])
}

fn spoken(drawn: &[(&Curve, usize)], lengths: Lengths) -> String {
    let lines: Vec<String> = drawn
        .iter()
        .filter_map(|(curve, k)| {
            let (_, shift) = curve.points.last()?;
            let (value, u) = shift[*k];
            Some(format!("{} {}", label(curve, *k), lengths.with_u(value, u)))
        })
        .collect();
    format!("Coming to rest: {}", lines.join("; "))
}
