//! A photograph or live picture with the tags that were found outlined and their bodies named.

use crate::panel::seen::{Seen, SeenTag};
use crate::panel::style::{ORANGE, SKY};
use crate::raster::Gray;
use eframe::egui;
use egui::{
    Align2, Color32, ColorImage, FontId, Pos2, Rect, Sense, Shape, Stroke, TextureHandle, TextureOptions, Ui, Vec2,
};
use std::sync::Arc;

/// Largest factor by which a picture is reduced: the sums of so many grey values squared still fit into 16 bits.
const MOST_REDUCED: usize = 16;

/// Pictures on their way to the screen, one for each camera; photographs are shown in the first one's place.
#[derive(Default)]
pub struct Screens(Vec<Screen>);

impl Screens {
    /// The screen of this number.
    pub fn of(&mut self, k: usize) -> &mut Screen {
        if self.0.len() <= k {
            self.0.resize_with(k + 1, Screen::default);
        }
        &mut self.0[k]
    }

    /// Draws the cameras' pictures beside each other into the space there is.
    pub fn pictures_ui(&mut self, ui: &mut Ui, pictures: &[(usize, &Arc<Seen>)], height: f32) {
        let n = pictures.len().max(1) as f32;
        let gap = ui.spacing().item_spacing.x;
        let width = ((ui.available_width() - (n - 1.0) * gap) / n).max(80.0);
        ui.horizontal(|ui| {
            for (k, seen) in pictures {
                ui.allocate_ui(Vec2::new(width, height), |ui| {
                    ui.set_max_height(height);
                    ui.set_max_width(width);
                    self.of(*k).picture_ui(ui, seen);
                });
            }
        });
    }
}

/// A picture on its way to the screen: the texture is filled again only where the picture is another one, or its size on the screen.
#[derive(Default)]
pub struct Screen {
    texture: Option<TextureHandle>,
    /// What the texture shows, and by how much it is reduced; kept so that no other picture can have its address.
    shown: Option<(Arc<Seen>, usize)>,
}

impl Screen {
    /// Draws the picture as large as fits, with its tags.
    pub fn picture_ui(&mut self, ui: &mut Ui, seen: &Arc<Seen>) {
        let (rect, response) = ui.allocate_exact_size(ui.available_size().max(Vec2::splat(80.0)), Sense::hover());
        response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, describe(seen)));
        let size = Vec2::new(seen.gray.width() as f32, seen.gray.height() as f32);
        let scale = (rect.width() / size.x).min(rect.height() / size.y);
        let place = Rect::from_center_size(rect.center(), scale * size);
        // No more pixels go to the screen than it shows: filling a texture is most of what a live picture costs.
        let by = (1.0 / (scale * ui.ctx().pixels_per_point())).floor().clamp(1.0, MOST_REDUCED as f32) as usize;
        if !self.shown.as_ref().is_some_and(|(s, before)| Arc::ptr_eq(s, seen) && *before == by) {
            let image = reduced(&seen.gray, by);
            match &mut self.texture {
                Some(texture) => texture.set(image, TextureOptions::LINEAR),
                None => self.texture = Some(ui.ctx().load_texture("picture", image, TextureOptions::LINEAR)),
            }
            self.shown = Some((seen.clone(), by));
        }
        let painter = ui.painter_at(rect);
        if let Some(texture) = &self.texture {
            let whole = Rect::from_min_max(Pos2::ZERO, Pos2::new(1.0, 1.0));
            // What is left over at the right and lower edge by reducing is not in the texture.
            let held = Vec2::new(texture.size()[0] as f32, texture.size()[1] as f32) * by as f32;
            painter.image(texture.id(), Rect::from_min_size(place.min, scale * held), whole, Color32::WHITE);
        }
        // The centre of the top left pixel is (0, 0).
        let at = |p: [f32; 2]| place.min + scale * Vec2::new(p[0] + 0.5, p[1] + 0.5);
        outlines(&painter, &seen.tags, at);
    }
}

/// Grey values as a picture for the screen, each pixel the mean of `by` x `by`; what is left over at the right and lower edge is dropped.
fn reduced(gray: &Gray, by: usize) -> ColorImage {
    let by = by.clamp(1, MOST_REDUCED.min(gray.width()).min(gray.height()).max(1));
    if by == 1 {
        return ColorImage::from_gray([gray.width(), gray.height()], gray.data());
    }
    let (width, height) = (gray.width() / by, gray.height() / by);
    let mut out = Vec::with_capacity(width * height);
    let mut sums = vec![0u16; width * by];
    let n = (by * by) as u32;
    for rows in gray.data().chunks_exact(gray.width() * by).take(height) {
        sums.fill(0);
        for row in rows.chunks_exact(gray.width()) {
            for (sum, value) in sums.iter_mut().zip(row) {
                *sum += u16::from(*value);
            }
        }
        out.extend(sums.chunks_exact(by).map(|part| {
            let sum: u32 = part.iter().map(|v| u32::from(*v)).sum();
            Color32::from_gray(((sum + n / 2) / n) as u8)
        }));
    }
    ColorImage::new([width, height], out)
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
    // One name for each body, inside of the picture, below its lowest tag; each tag that belongs to nothing has its own.
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
        let below = painter.clip_rect().bottom() - 2.0 - place.bottom();
        let place = place.translate(Vec2::new(0.0, below.min(0.0)));
        painter.rect_filled(place.expand2(Vec2::new(3.0, 1.0)), 2.0, Color32::from_black_alpha(190));
        painter.galley(place.min, galley, Color32::WHITE);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_reduced_picture_holds_the_means_of_its_squares() {
        // 7 x 5 grey values, by 2: 3 x 2 means, the last column and row dropped.
        let gray = Gray::new(7, 5, (0..35).map(|k| (7 * k) as u8).collect()).unwrap();
        let image = reduced(&gray, 2);
        assert_eq!(image.size, [3, 2]);
        let mean = |x: usize, y: usize| {
            let sum: u32 = [(0, 0), (1, 0), (0, 1), (1, 1)]
                .iter()
                .map(|(i, j)| u32::from(gray.data()[(2 * y + j) * 7 + 2 * x + i]))
                .sum();
            (f64::from(sum) / 4.0).round() as u8
        };
        for (x, y) in [(0, 0), (2, 0), (1, 1), (2, 1)] {
            assert_eq!(image.pixels[y * 3 + x].r(), mean(x, y), "{x} {y}");
        }
        // White stays white at the largest factor: nothing overflows.
        let white = Gray::new(40, 40, vec![255; 1600]).unwrap();
        assert!(reduced(&white, 99).pixels.iter().all(|p| p.r() == 255));
        assert_eq!(reduced(&gray, 1).size, [7, 5]);
    }
}
