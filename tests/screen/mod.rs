//! Pictures of the window without a screen: egui's own triangles filled in software, the same on every machine; and how two pictures are compared.
//!
//! Blending as egui's painters do it: colours are premultiplied and multiplied in gamma space, alpha over what is there.

use eframe::egui;
use egui::epaint::{ImageData, Primitive, Vertex};
use egui::{Color32, ColorImage, Context, FullOutput, Pos2, RawInput, Rect, TextureId, Ui, Vec2};
use std::collections::HashMap;

/// A window that is drawn into memory.
pub struct Screen {
    ctx: Context,
    size: [usize; 2],
    textures: HashMap<TextureId, ColorImage>,
    time: f64,
}

impl Screen {
    /// Of this many points, a pixel each.
    pub fn new(size: [f32; 2]) -> Self {
        let ctx = Context::default();
        Self { ctx, size: size.map(|v| v as usize), textures: HashMap::new(), time: 0.0 }
    }

    /// What the window's contents are drawn with.
    pub fn context(&self) -> &Context {
        &self.ctx
    }

    /// Runs the window until it has settled and gives what it then shows.
    pub fn picture(&mut self, mut contents: impl FnMut(&mut Ui)) -> ColorImage {
        let mut output = None;
        for _ in 0..8 {
            self.time += 0.1;
            let size = Vec2::new(self.size[0] as f32, self.size[1] as f32);
            let screen_rect = Some(Rect::from_min_size(Pos2::ZERO, size));
            let input = RawInput { screen_rect, time: Some(self.time), ..RawInput::default() };
            let mut now = self.ctx.run_ui(input, |ui| contents(ui));
            self.take_textures(&mut now);
            output = Some(now);
        }
        let output = output.expect("it ran");
        self.paint(output)
    }

    fn take_textures(&mut self, output: &mut FullOutput) {
        for (id, deltas) in &output.textures_delta.set {
            for delta in deltas {
                let ImageData::Color(image) = &delta.image;
                let Some([left, top]) = delta.pos else {
                    self.textures.insert(*id, (**image).clone());
                    continue;
                };
                let whole = self.textures.get_mut(id).expect("a patch of a texture that is there");
                let [width, height] = image.size;
                for row in 0..height {
                    let from = (top + row) * whole.size[0] + left;
                    whole.pixels[from..from + width].copy_from_slice(&image.pixels[row * width..(row + 1) * width]);
                }
            }
        }
        // What is freed is not painted any more, and costs nothing here.
        output.textures_delta.clear();
    }

    fn paint(&self, output: FullOutput) -> ColorImage {
        let per_point = output.pixels_per_point;
        let size = self.size.map(|v| (v as f32 * per_point) as usize);
        // As the window is cleared (`PanelApp::clear_color`).
        let mut image = ColorImage::filled(size, self.ctx.global_style().visuals.panel_fill);
        for clipped in self.ctx.tessellate(output.shapes, per_point) {
            let Primitive::Mesh(mesh) = clipped.primitive else { panic!("something that is no mesh") };
            let texture = &self.textures[&mesh.texture_id];
            let clip = clipped.clip_rect;
            let edge = |v: f32, most: usize| ((v * per_point).round().max(0.0) as usize).min(most);
            let x = edge(clip.min.x, size[0])..edge(clip.max.x, size[0]);
            let y = edge(clip.min.y, size[1])..edge(clip.max.y, size[1]);
            for corners in mesh.indices.chunks_exact(3) {
                let corners = [0, 1, 2].map(|k| mesh.vertices[corners[k] as usize]);
                triangle(&mut image, texture, &corners, per_point, (&x, &y));
            }
        }
        image
    }
}

impl Drop for Screen {
    /// What was freed since the last picture is handed over too: egui insists that nothing of that gets lost.
    fn drop(&mut self) {
        self.ctx.run_ui(RawInput::default(), |_| {}).textures_delta.clear();
    }
}

type Range = std::ops::Range<usize>;

/// Sub-pixel steps of a corner: edges are decided in whole numbers, so that triangles that share one neither overlap nor leave a gap.
const STEPS: f32 = 256.0;

fn triangle(
    image: &mut ColorImage,
    texture: &ColorImage,
    corners: &[Vertex; 3],
    per_point: f32,
    clip: (&Range, &Range),
) {
    let mut order = [0, 1, 2];
    let at = |k: usize| {
        let p = corners[k].pos;
        [(p.x * per_point * STEPS).round() as i64, (p.y * per_point * STEPS).round() as i64]
    };
    let edge = |a: [i64; 2], b: [i64; 2], p: [i64; 2]| (b[0] - a[0]) * (p[1] - a[1]) - (b[1] - a[1]) * (p[0] - a[0]);
    let mut area = edge(at(0), at(1), at(2));
    if area == 0 {
        return;
    }
    if area < 0 {
        order.swap(1, 2);
        area = -area;
    }
    let points = order.map(at);
    // A pixel on an edge belongs to the triangle of which that is a left or upper edge.
    let mine = |a: [i64; 2], b: [i64; 2]| if (a[1] == b[1] && b[0] > a[0]) || b[1] < a[1] { 0 } else { -1 };
    let step = STEPS as i64;
    let range = |axis: usize, clip: &Range| {
        let of = points.map(|p| p[axis]);
        let (least, most) = (of.iter().min().copied().unwrap_or(0), of.iter().max().copied().unwrap_or(0));
        let from = least.div_euclid(step).max(clip.start as i64) as usize;
        from..((most.div_euclid(step) + 1).clamp(0, clip.end as i64) as usize).max(from)
    };
    let (columns, rows) = (range(0, clip.0), range(1, clip.1));
    for y in rows {
        for x in columns.clone() {
            let p = [x as i64 * step + step / 2, y as i64 * step + step / 2];
            let w = [0, 1, 2].map(|k| edge(points[(k + 1) % 3], points[(k + 2) % 3], p));
            let inside = (0..3).all(|k| w[k] + mine(points[(k + 1) % 3], points[(k + 2) % 3]) >= 0);
            if !inside {
                continue;
            }
            let share = w.map(|v| v as f32 / area as f32);
            let mixed = |of: &dyn Fn(&Vertex) -> f32| (0..3).map(|k| share[k] * of(&corners[order[k]])).sum::<f32>();
            let uv = [mixed(&|v| v.uv.x), mixed(&|v| v.uv.y)];
            let texel = sample(texture, uv);
            let colour: [f32; 4] = std::array::from_fn(|c| mixed(&|v| f32::from(v.color[c])) * texel[c] / 255.0);
            let under = &mut image.pixels[y * image.size[0] + x];
            let over = |c: usize| {
                (colour[c] + f32::from(under[c]) * (1.0 - colour[3] / 255.0)).round().clamp(0.0, 255.0) as u8
            };
            *under = Color32::from_rgb(over(0), over(1), over(2));
        }
    }
}

/// The texture's colour, linear between its pixels, its edge beyond it.
fn sample(texture: &ColorImage, uv: [f32; 2]) -> [f32; 4] {
    let at = |axis: usize| {
        let n = texture.size[axis];
        let v = (uv[axis] * n as f32 - 0.5).clamp(0.0, (n - 1) as f32);
        let low = v.floor();
        (low as usize, (low as usize + 1).min(n - 1), v - low)
    };
    let ((left, right, fx), (top, bottom, fy)) = (at(0), at(1));
    let pixel = |x: usize, y: usize, c: usize| f32::from(texture.pixels[y * texture.size[0] + x][c]);
    std::array::from_fn(|c| {
        let upper = pixel(left, top, c) * (1.0 - fx) + pixel(right, top, c) * fx;
        let lower = pixel(left, bottom, c) * (1.0 - fx) + pixel(right, bottom, c) * fx;
        upper * (1.0 - fy) + lower * fy
    })
}

/// Side of the squares in which pictures are compared, px: about a letter.
const SQUARE: usize = 12;

/// The largest difference of two pictures of the same size: mean difference of the colours of a square, over all squares, of 255; and where (left, top).
pub fn difference(a: &ColorImage, b: &ColorImage) -> (f64, [usize; 2]) {
    assert_eq!(a.size, b.size, "pictures of the same size");
    let mut worst = (0.0, [0, 0]);
    for top in (0..a.size[1]).step_by(SQUARE) {
        for left in (0..a.size[0]).step_by(SQUARE) {
            let (mut sum, mut n) = (0.0, 0.0);
            for y in top..(top + SQUARE).min(a.size[1]) {
                for k in (y * a.size[0] + left)..(y * a.size[0] + (left + SQUARE).min(a.size[0])) {
                    sum += (0..3).map(|c| f64::from(a.pixels[k][c].abs_diff(b.pixels[k][c]))).sum::<f64>();
                    n += 3.0;
                }
            }
            if sum / n > worst.0 {
                worst = (sum / n, [left, top]);
            }
        }
    }
    worst
}
