//! Colours, type and marks: light and dark, and a state never by colour alone.
//!
//! Colours are those of Okabe and Ito, "Color universal design" (2002, 2008). Contrast by WCAG: blue 5.19 on white, vermilion 3.87; on the dark ground
//! 3.4 and 4.6: enough for shapes (3 is asked), not for words, which are therefore always in the colour of text.

use crate::panel::basis::Strength;
use crate::panel::model::{Look, Settings};
use crate::paper::Typeface;
use crate::record::result::Verdict;
use eframe::egui;
use egui::{Color32, FontData, FontDefinitions, FontFamily, FontId, Pos2, Shape, Stroke, TextStyle, Vec2};
use std::sync::Arc;

/// In tolerance: blue 0072B2.
pub const BLUE: Color32 = Color32::from_rgb(0x00, 0x72, 0xB2);
/// Out of tolerance: vermilion D55E00.
pub const VERMILION: Color32 = Color32::from_rgb(0xD5, 0x5E, 0x00);
/// Outlines over photographs: sky blue 56B4E9.
pub const SKY: Color32 = Color32::from_rgb(0x56, 0xB4, 0xE9);
/// What is advised or asked: orange E69F00.
pub const ORANGE: Color32 = Color32::from_rgb(0xE6, 0x9F, 0x00);

/// Size of a line of text, in points at scale 1.
pub const BODY: f32 = 15.0;
/// Size of the sentence to act on.
pub const SENTENCE: f32 = 25.0;

/// Colours of one of the two looks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Palette {
    /// Behind drawings.
    pub ground: Color32,
    /// Text and firm lines.
    pub ink: Color32,
    /// Lines that stand back.
    pub faint: Color32,
    /// Areas that stand back: a tolerance window, a car.
    pub area: Color32,
    /// In tolerance.
    pub good: Color32,
    /// Out of tolerance.
    pub bad: Color32,
    /// Not proven: a grey with a contrast above 4.5 on its ground.
    pub unsure: Color32,
}

/// The colours that go with the visuals in use.
pub fn palette(visuals: &egui::Visuals) -> Palette {
    if visuals.dark_mode {
        Palette {
            ground: Color32::from_gray(0x16),
            ink: Color32::from_gray(0xEE),
            faint: Color32::from_gray(0x6A),
            area: Color32::from_gray(0x2C),
            // Blue alone is dim on a dark ground: the sky blue of the same list stands for it, the shape stays.
            good: SKY,
            bad: Color32::from_rgb(0xF0, 0x7A, 0x1E),
            unsure: Color32::from_gray(0xB0),
        }
    } else {
        Palette {
            ground: Color32::from_gray(0xFC),
            ink: Color32::from_gray(0x11),
            faint: Color32::from_gray(0x9A),
            area: Color32::from_gray(0xE8),
            good: BLUE,
            bad: VERMILION,
            unsure: Color32::from_gray(0x6E),
        }
    }
}

impl Palette {
    /// The colour that goes with a verdict's shape.
    pub fn verdict(&self, verdict: Verdict) -> Color32 {
        match verdict {
            Verdict::In => self.good,
            Verdict::Out => self.bad,
            Verdict::NotProven | Verdict::NotMeasured => self.unsure,
        }
    }
}

/// The shape that stands for how sure the ground is: the same as for verdicts.
pub fn shape_of(state: Strength) -> Verdict {
    match state {
        Strength::There => Verdict::In,
        Strength::Weak => Verdict::NotProven,
        Strength::Missing => Verdict::Out,
    }
}

/// The mark of a verdict: filled circle, triangle, diamond, ring.
pub fn mark(verdict: Verdict, at: Pos2, radius: f32, palette: &Palette) -> Shape {
    let colour = palette.verdict(verdict);
    let polygon = |corners: &[[f32; 2]]| {
        let points = corners.iter().map(|[x, y]| at + radius * Vec2::new(*x, *y)).collect();
        Shape::convex_polygon(points, colour, Stroke::NONE)
    };
    match verdict {
        Verdict::In => Shape::circle_filled(at, 0.95 * radius, colour),
        Verdict::Out => polygon(&[[0.0, -1.05], [1.1, 0.85], [-1.1, 0.85]]),
        Verdict::NotProven => polygon(&[[0.0, -1.15], [1.15, 0.0], [0.0, 1.15], [-1.15, 0.0]]),
        Verdict::NotMeasured => Shape::circle_stroke(at, 0.8 * radius, Stroke::new(0.25 * radius, colour)),
    }
}

/// Puts a mark into a line of widgets. It has no name of its own: the word beside it says the same.
pub fn mark_ui(ui: &mut egui::Ui, verdict: Verdict, size: f32) {
    let (rect, _) = ui.allocate_exact_size(Vec2::splat(1.2 * size), egui::Sense::hover());
    let palette = palette(ui.visuals());
    ui.painter().add(mark(verdict, rect.center(), 0.5 * size, &palette));
}

/// Mark and word.
pub fn verdict_ui(ui: &mut egui::Ui, verdict: Verdict, size: f32) {
    ui.horizontal(|ui| {
        mark_ui(ui, verdict, 0.8 * size);
        ui.label(egui::RichText::new(verdict.words()).size(size).strong());
    });
}

/// Type for the whole program; called once.
pub fn set_up(ctx: &egui::Context) {
    let mut fonts = FontDefinitions::default();
    if let Ok(face) = Typeface::shipped() {
        fonts.font_data.insert("DejaVu Sans".into(), Arc::new(FontData::from_static(face.data())));
        for family in [FontFamily::Proportional, FontFamily::Monospace] {
            fonts.families.entry(family).or_default().insert(0, "DejaVu Sans".into());
        }
    }
    ctx.set_fonts(fonts);
    ctx.all_styles_mut(|style| {
        for (which, size) in [
            (TextStyle::Small, 12.5),
            (TextStyle::Body, BODY),
            (TextStyle::Button, BODY),
            (TextStyle::Monospace, BODY),
            (TextStyle::Heading, 20.0),
        ] {
            style.text_styles.insert(which, FontId::proportional(size));
        }
        style.spacing.item_spacing = Vec2::new(8.0, 6.0);
        style.spacing.button_padding = Vec2::new(10.0, 5.0);
        style.spacing.interact_size.y = 28.0;
        // Nothing in the work needs movement on the screen.
        style.animation_time = 0.0;
        let dark = style.visuals.dark_mode;
        let text = Color32::from_gray(if dark { 0xE6 } else { 0x18 });
        style.visuals.override_text_color = None;
        style.visuals.widgets.noninteractive.fg_stroke.color = text;
        style.visuals.widgets.inactive.fg_stroke.color = text;
        // Boxes and fields are seen by their edges: 3 to 1 against the ground at least.
        let edge = Stroke::new(1.0, Color32::from_gray(0x80));
        style.visuals.widgets.inactive.bg_stroke = edge;
        style.visuals.widgets.hovered.bg_stroke = Stroke::new(1.5, text);
        // A ring around what has the keyboard, plain to see on both grounds.
        style.visuals.widgets.active.bg_stroke = Stroke::new(2.0, ORANGE);
        style.visuals.selection.bg_fill =
            if dark { Color32::from_rgb(0x1C, 0x4B, 0x6B) } else { Color32::from_rgb(0xBF, 0xDD, 0xF2) };
        style.visuals.selection.stroke = Stroke::new(1.5, text);
    });
}

/// Takes the user's settings over.
pub fn apply(ctx: &egui::Context, settings: &Settings) {
    ctx.set_theme(match settings.look {
        Look::System => egui::ThemePreference::System,
        Look::Light => egui::ThemePreference::Light,
        Look::Dark => egui::ThemePreference::Dark,
    });
    ctx.set_zoom_factor(settings.text_scale);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::srgb_to_light;

    /// Contrast of two colours by WCAG 2: (L1 + 0.05) / (L2 + 0.05), L = 0.2126 R + 0.7152 G + 0.0722 B in light.
    fn contrast(a: Color32, b: Color32) -> f64 {
        let light = |c: Color32| {
            let of = |v: u8| srgb_to_light(f64::from(v) / 255.0);
            0.2126 * of(c.r()) + 0.7152 * of(c.g()) + 0.0722 * of(c.b())
        };
        let (a, b) = (light(a), light(b));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// Worked values of the WCAG formula for the colours of Okabe and Ito on white and on black.
    #[test]
    fn the_colours_are_those_of_the_list() {
        for (colour, on_white, on_black) in
            [(BLUE, 5.19, 4.05), (VERMILION, 3.87, 5.43), (SKY, 2.31, 9.10), (ORANGE, 2.25, 9.32)]
        {
            assert!((contrast(colour, Color32::WHITE) - on_white).abs() < 0.01, "{colour:?}");
            assert!((contrast(colour, Color32::BLACK) - on_black).abs() < 0.01, "{colour:?}");
        }
    }

    /// WCAG 2: 3 to 1 for shapes, 4.5 to 1 for text.
    #[test]
    fn shapes_and_text_stand_out_on_both_grounds() {
        for visuals in [egui::Visuals::light(), egui::Visuals::dark()] {
            let p = palette(&visuals);
            for ground in [p.ground, p.area, visuals.panel_fill] {
                for shape in [p.good, p.bad, p.unsure] {
                    assert!(contrast(shape, ground) >= 3.0, "{shape:?} on {ground:?}: {}", contrast(shape, ground));
                }
                assert!(contrast(p.ink, ground) >= 4.5);
            }
        }
    }

    #[test]
    fn each_verdict_has_a_shape_of_its_own() {
        let p = palette(&egui::Visuals::light());
        let shapes = [Verdict::In, Verdict::Out, Verdict::NotProven, Verdict::NotMeasured]
            .map(|v| mark(v, Pos2::ZERO, 10.0, &p));
        let corners = shapes.each_ref().map(|s| match s {
            Shape::Circle(c) if c.stroke.is_empty() => 0,
            Shape::Circle(_) => 1,
            Shape::Path(path) => path.points.len(),
            _ => 99,
        });
        assert_eq!(corners, [0, 3, 4, 1]);
    }
}
