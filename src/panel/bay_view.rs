//! The bay seen from above, to scale: car, wheels, thrust line, floor sheets, where photographs were taken, the stand and where it must be.

use crate::panel::bay_plan::{BayPlan, SheetSpot, Viewpoint};
use crate::panel::style::{self, ORANGE, Palette};
use crate::record::result::Verdict;
use eframe::egui;
use egui::{Align2, Color32, FontId, Pos2, Rect, Sense, Shape, Stroke, Ui, Vec2};

/// What else is to be shown.
#[derive(Clone, Copy, Debug, Default)]
pub struct Shown<'a> {
    /// The chosen photograph.
    pub photograph: Option<&'a str>,
    /// The chosen station.
    pub station: Option<&'a str>,
    /// Nothing that is shown need still be so: greyed, and the stands' states are said to be old.
    pub old: bool,
    /// Cameras are drawn.
    pub cameras: bool,
    /// Viewpoints that would help most.
    pub viewpoints: &'a [Viewpoint],
}

/// From metres to the screen.
struct Map {
    centre: Pos2,
    middle: [f64; 2],
    scale: f32,
}

impl Map {
    fn new(rect: Rect, reach: [[f64; 2]; 2]) -> Self {
        let [low, high] = reach;
        // x is up, y is to the left.
        let (tall, wide) = ((high[0] - low[0]).max(0.1) as f32, (high[1] - low[1]).max(0.1) as f32);
        let scale = (rect.width() / wide).min(rect.height() / tall);
        Self { centre: rect.center(), middle: [0.5 * (low[0] + high[0]), 0.5 * (low[1] + high[1])], scale }
    }

    fn at(&self, p: [f64; 2]) -> Pos2 {
        let ahead = (p[0] - self.middle[0]) as f32;
        let left = (p[1] - self.middle[1]) as f32;
        self.centre + self.scale * Vec2::new(-left, -ahead)
    }

    fn all(&self, points: &[[f64; 2]]) -> Vec<Pos2> {
        points.iter().map(|p| self.at(*p)).collect()
    }
}

/// Draws the bay into the space that is left; gives the photograph whose camera was clicked.
pub fn bay_ui(ui: &mut Ui, plan: &BayPlan, shown: Shown) -> Option<String> {
    if shown.old {
        ui.multiply_opacity(0.5);
    }
    let (rect, response) = ui.allocate_exact_size(ui.available_size().max(Vec2::splat(120.0)), Sense::click());
    let words = describe(plan, &shown);
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, &words));
    let palette = style::palette(ui.visuals());
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 4.0, palette.ground);
    let map = Map::new(rect.shrink2(Vec2::new(14.0, 22.0)), plan.reach);

    car(&painter, &map, plan, &palette);
    for sheet in &plan.sheets {
        draw_sheet(&painter, &map, sheet, &palette);
    }
    for body in &plan.bodies {
        draw_sheet(&painter, &map, body, &palette);
    }
    thrust_line(&painter, &map, plan, &palette);
    let pointer = response.hover_pos();
    let mut hovered = None;
    if shown.cameras {
        hovered = cameras(&painter, &map, plan, &shown, &palette, pointer);
    }
    stands(&painter, &map, plan, &shown, &palette);
    viewpoints(&painter, &map, &shown, &palette);
    furniture(&painter, rect, &map, plan, &palette);
    let under = hovered.clone().or_else(|| sheet_under(plan, &map, pointer));
    let clicked = hovered.filter(|_| response.clicked());
    if let Some(text) = under {
        response.on_hover_text_at_pointer(text);
    }
    clicked
}

/// The drawing in words.
fn describe(plan: &BayPlan, shown: &Shown) -> String {
    let mut out = format!("Plan of the bay: {} floor sheets, {} cameras", plan.sheets.len(), plan.cameras.len());
    for stand in &plan.stands {
        out.push_str(&format!("; stand {}: {}", stand.station, state_of(stand.verdict, shown.old).1));
    }
    for viewpoint in shown.viewpoints {
        out.push_str(&format!("; advised viewpoint: {}", viewpoint.words));
    }
    out
}

/// A stand's mark and word: its verdict, as far as that is still so.
fn state_of(verdict: Verdict, old: bool) -> (Verdict, String) {
    if old {
        (Verdict::NotMeasured, format!("old: {}", verdict.words()))
    } else {
        (verdict, verdict.words().to_owned())
    }
}

fn car(painter: &egui::Painter, map: &Map, plan: &BayPlan, palette: &Palette) {
    if !plan.outline.is_empty() {
        painter.add(Shape::convex_polygon(map.all(&plan.outline), palette.area, Stroke::new(1.0, palette.faint)));
    }
    for wheel in &plan.wheels {
        // A wheel of 0.64 m by 0.2 m, inside of its hub. A sketch; its direction is measured.
        let ([fx, fy], inward) = (wheel.rolling, -wheel.hub[1].signum());
        let corner = |along: f64, across: f64| {
            [
                wheel.hub[0] + 0.32 * along * fx - inward * across * fy,
                wheel.hub[1] + 0.32 * along * fy + inward * across * fx,
            ]
        };
        let tyre = [corner(1.0, 0.0), corner(1.0, 0.2), corner(-1.0, 0.2), corner(-1.0, 0.0)];
        let (fill, line) = if wheel.measured {
            (palette.faint, Stroke::new(1.0, palette.ink))
        } else {
            (Color32::TRANSPARENT, Stroke::new(1.0, palette.faint))
        };
        painter.add(Shape::convex_polygon(map.all(&tyre), fill, line));
    }
}

fn draw_sheet(painter: &egui::Painter, map: &Map, sheet: &SheetSpot, palette: &Palette) {
    if sheet.corners.len() >= 3 {
        // Hardly tied ones are hollow.
        let fill = if sheet.photographs >= 3 { palette.faint } else { palette.ground };
        painter.add(Shape::convex_polygon(map.all(&sheet.corners), fill, Stroke::new(1.0, palette.ink)));
    } else if sheet.corners.len() == 2 {
        painter.line_segment([map.at(sheet.corners[0]), map.at(sheet.corners[1])], Stroke::new(3.0, palette.ink));
    }
}

fn thrust_line(painter: &egui::Painter, map: &Map, plan: &BayPlan, palette: &Palette) {
    let ends = plan.thrust.map(|p| map.at(p));
    painter.extend(Shape::dashed_line(&ends, Stroke::new(1.5, palette.ink), 12.0, 5.0));
}

fn stands(painter: &egui::Painter, map: &Map, plan: &BayPlan, shown: &Shown, palette: &Palette) {
    for stand in &plan.stands {
        let chosen = shown.station.is_none_or(|s| s == stand.station);
        let (verdict, word) = state_of(stand.verdict, shown.old);
        let width = if chosen { 5.0 } else { 3.0 };
        painter.line_segment(stand.required_face.map(|p| map.at(p)), Stroke::new(width + 5.0, palette.area));
        painter.line_segment(stand.face.map(|p| map.at(p)), Stroke::new(width, palette.verdict(verdict)));
        let at = map.at([stand.at[0], stand.at[1]]);
        painter.add(style::mark(verdict, at, if chosen { 9.0 } else { 6.0 }, palette));
        let label = format!("{}: {word}", stand.station);
        let galley = painter.layout_no_wrap(label, FontId::proportional(13.0), palette.ink);
        let place = Align2::CENTER_BOTTOM.anchor_size(at + Vec2::new(0.0, -14.0), galley.size());
        painter.rect_filled(place.expand(2.0), 2.0, palette.ground.gamma_multiply(0.85));
        painter.galley(place.min, galley, palette.ink);
    }
}

/// Draws the cameras; gives the one under the pointer.
fn cameras(
    painter: &egui::Painter,
    map: &Map,
    plan: &BayPlan,
    shown: &Shown,
    palette: &Palette,
    pointer: Option<Pos2>,
) -> Option<String> {
    let mut nearest: Option<(f32, &str)> = None;
    for camera in &plan.cameras {
        let at = map.at([camera.at[0], camera.at[1]]);
        let chosen = shown.photograph == Some(camera.photograph.as_str());
        let radius = if chosen { 6.0 } else { 3.5 };
        painter.circle(at, radius, if chosen { ORANGE } else { palette.ground }, Stroke::new(1.2, palette.ink));
        if let Some(distance) = pointer.map(|p| p.distance(at)).filter(|d| *d < 9.0)
            && nearest.is_none_or(|(best, _)| distance < best)
        {
            nearest = Some((distance, &camera.photograph));
        }
    }
    nearest.map(|(_, name)| name.to_owned())
}

fn viewpoints(painter: &egui::Painter, map: &Map, shown: &Shown, palette: &Palette) {
    for (k, viewpoint) in shown.viewpoints.iter().enumerate() {
        let at = map.at([viewpoint.at[0], viewpoint.at[1]]);
        let to = map.at(viewpoint.towards);
        let way = (to - at).normalized();
        painter.arrow(at, 34.0 * way, Stroke::new(2.5, ORANGE));
        painter.circle(at, 9.0, ORANGE, Stroke::new(1.2, palette.ink));
        painter.text(at, Align2::CENTER_CENTER, (k + 1).to_string(), FontId::proportional(12.0), Color32::BLACK);
    }
}

/// The sheet under the pointer, and how well it is tied.
fn sheet_under(plan: &BayPlan, map: &Map, pointer: Option<Pos2>) -> Option<String> {
    let pointer = pointer?;
    plan.sheets.iter().chain(&plan.bodies).find_map(|sheet| {
        let rect = Rect::from_points(&map.all(&sheet.corners)).expand(3.0);
        rect.contains(pointer).then(|| format!("{}: in {} photographs", sheet.name, sheet.photographs))
    })
}

/// Directions, scale bar, what is only a sketch.
fn furniture(painter: &egui::Painter, rect: Rect, map: &Map, plan: &BayPlan, palette: &Palette) {
    let font = FontId::proportional(12.0);
    let text = |at: Pos2, align: Align2, words: &str| {
        painter.text(at, align, words, font.clone(), palette.ink);
    };
    let inner = rect.shrink(6.0);
    text(inner.center_top(), Align2::CENTER_TOP, "ahead");
    text(inner.left_top(), Align2::LEFT_TOP, "car's left");
    text(inner.right_top(), Align2::RIGHT_TOP, "car's right");
    let end = inner.right_bottom();
    let start = end - Vec2::new(map.scale, 0.0);
    let stroke = Stroke::new(2.0, palette.ink);
    painter.line_segment([start, end], stroke);
    for p in [start, end] {
        painter.line_segment([p - Vec2::new(0.0, 5.0), p + Vec2::new(0.0, 1.0)], stroke);
    }
    text(start.lerp(end, 0.5) - Vec2::new(0.0, 6.0), Align2::CENTER_BOTTOM, "1 m");
    let sketch = match (plan.outline.is_empty(), plan.wheelbase_sketched) {
        (true, _) => "",
        (false, true) => "car: sketch, its length is not known",
        (false, false) => "car: sketch; hubs and thrust line (dashed) measured",
    };
    text(inner.left_bottom(), Align2::LEFT_BOTTOM, sketch);
}
