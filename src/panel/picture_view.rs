//! A photograph or live picture with the tags that were found outlined and their bodies named.

use crate::panel::seen::{Seen, SeenTag};
use crate::panel::style::{ORANGE, SKY};
use crate::raster::Gray;
use eframe::egui;
use egui::{
    Align2, Color32, ColorImage, FontId, Pos2, Rect, Sense, Shape, Stroke, TextureHandle, TextureOptions, Ui, Vec2,
};
use std::sync::Arc;

/// A picture on its way to the screen: the texture is filled again only where the picture is another one.
#[derive(Default)]
pub struct Screen {
    texture: Option<TextureHandle>,
    /// What the texture shows; kept so that no other picture can have its address.
    shown: Option<Arc<Seen>>,
}

impl Screen {
    /// Draws the picture as large as fits, with its tags.
    pub fn picture_ui(&mut self, ui: &mut Ui, seen: &Arc<Seen>) {
        if !self.shown.as_ref().is_some_and(|s| Arc::ptr_eq(s, seen)) {
            let image = coloured(&seen.gray);
            match &mut self.texture {
                Some(texture) => texture.set(image, TextureOptions::LINEAR),
                None => self.texture = Some(ui.ctx().load_texture("picture", image, TextureOptions::LINEAR)),
            }
            self.shown = Some(seen.clone());
        }
        let (rect, response) = ui.allocate_exact_size(ui.available_size().max(Vec2::splat(80.0)), Sense::hover());
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, describe(seen)));
        let size = Vec2::new(seen.gray.width() as f32, seen.gray.height() as f32);
        let scale = (rect.width() / size.x).min(rect.height() / size.y);
        let place = Rect::from_center_size(rect.center(), scale * size);
        let painter = ui.painter_at(rect);
        if let Some(texture) = &self.texture {
            let whole = Rect::from_min_max(Pos2::ZERO, Pos2::new(1.0, 1.0));
            painter.image(texture.id(), place, whole, Color32::WHITE);
        }
        // The centre of the top left pixel is (0, 0).
        let at = |p: [f32; 2]| place.min + scale * Vec2::new(p[0] + 0.5, p[1] + 0.5);
        outlines(&painter, &seen.tags, at);
    }
}

/// Grey values as a picture for the screen.
fn coloured(gray: &Gray) -> ColorImage {
    ColorImage::from_gray([gray.width(), gray.height()], gray.data())
}

fn describe(seen: &Seen) -> String {
    let bodies = seen.bodies();
    let of = if bodies.is_empty() { "none of the job's bodies".to_owned() } else { bodies.join(", ") };
    format!("Picture {}: {} tags; {of}", seen.name, seen.tags.len())
}

/// Each tag's outline with a dark edge below, so that it shows on black and on white; then the name of its body.
fn outlines(painter: &egui::Painter, tags: &[SeenTag], at: impl Fn([f32; 2]) -> Pos2) {
    for tag in tags {
        let corners: Vec<Pos2> = tag.corners.iter().map(|c| at(*c)).collect();
        let colour = if tag.body.is_some() { SKY } else { ORANGE };
        painter.add(Shape::closed_line(corners.clone(), Stroke::new(4.0, Color32::from_black_alpha(160))));
        painter.add(Shape::closed_line(corners.clone(), Stroke::new(2.0, colour)));
    }
    // One name for each body, below its lowest tag; each tag that belongs to nothing has its own.
    let lowest = |tag: &SeenTag| tag.corners.iter().map(|c| c[1]).fold(f32::MIN, f32::max);
    for tag in tags {
        let below = |other: &SeenTag| (lowest(other), other.id) > (lowest(tag), tag.id);
        let words = match &tag.body {
            Some(body) if tags.iter().any(|other| other.body.as_ref() == Some(body) && below(other)) => continue,
            Some(body) => body.clone(),
            None => format!("{} belongs to nothing", tag.id),
        };
        let outline = Rect::from_points(&tag.corners.map(&at));
        let galley = painter.layout_no_wrap(words, FontId::proportional(12.0), Color32::WHITE);
        let place = Align2::CENTER_TOP.anchor_size(outline.center_bottom() + Vec2::new(0.0, 2.0), galley.size());
        painter.rect_filled(place.expand2(Vec2::new(3.0, 1.0)), 2.0, Color32::from_black_alpha(190));
        painter.galley(place.min, galley, Color32::WHITE);
    }
}
