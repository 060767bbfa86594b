//! Tags drawn with exact edges: light averaged over each pixel's area and a Gaussian blur. Shares no code with the fit.
#![allow(dead_code)] // each user takes its own part

pub mod steep;

use nalgebra::{Matrix3, Vector2};
use plumbsight::raster::Gray;
use plumbsight::scene::draw::{Draw, Purpose};
use plumbsight::tags::family;
use plumbsight::tags::homography::Homography;

pub type Corners = [Vector2<f64>; 4];

/// A view of one tag on white.
#[derive(Clone)]
pub struct Tag {
    pub id: u16,
    pub corners: Corners,
    /// Standard deviation of the blur, px, without the pixel's own area.
    pub blur: f64,
    /// Light of black and of white.
    pub black: f64,
    pub white: f64,
    pub width: usize,
    pub height: usize,
}

/// Lines of light that are drawn for each row of pixels.
const LINES: usize = 12;

/// The normal distribution function. Source: Abramowitz and Stegun 1964, 7.1.26 would do for pictures; this is its series and continued fraction
/// to full precision by way of numerical integration of the density, tabulated once.
pub struct NormalTable(Vec<f64>);

impl NormalTable {
    const STEPS: usize = 4096;
    const END: f64 = 8.0;

    pub fn new() -> Self {
        let h = Self::END / Self::STEPS as f64;
        let density = |z: f64| (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
        let mut table = vec![0.5];
        for k in 0..=Self::STEPS {
            let z = k as f64 * h;
            // Simpson's rule over one step.
            let more = h / 6.0 * (density(z) + 4.0 * density(z + h / 2.0) + density(z + h));
            table.push(table[k] + more);
        }
        NormalTable(table)
    }

    /// Its integral from below: z Φ(z) + φ(z), for averaging over a pixel.
    fn ramp(&self, z: f64) -> f64 {
        z * self.phi(z) + (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt()
    }

    pub fn phi(&self, z: f64) -> f64 {
        let at = z.abs().min(Self::END - 1e-9) / Self::END * Self::STEPS as f64;
        let k = at as usize;
        let upper = self.0[k] + (self.0[k + 1] - self.0[k]) * (at - k as f64);
        if z < 0.0 { 1.0 - upper } else { upper }
    }

    /// A step from 0 to 1 at distance `d` to the left of a pixel's centre, blurred by `s` and averaged over the pixel.
    fn step(&self, d: f64, s: f64) -> f64 {
        s * (self.ramp((d + 0.5) / s) - self.ramp((d - 0.5) / s))
    }
}

/// A printed square of n × n cells, whatever is on it; white all round.
#[derive(Clone)]
pub struct Print {
    n: usize,
    white: Vec<bool>,
}

impl Print {
    /// `white` says whether the cell in a column and a row (from the top) is white.
    pub fn new(n: usize, white: impl Fn(usize, usize) -> bool) -> Self {
        Print { n, white: (0..n * n).map(|k| white(k % n, k / n)).collect() }
    }

    /// A tag of the family.
    pub fn of_tag(id: u16) -> Self {
        Self::of_cells(family::cells_of(id).expect("an id of the family"))
    }

    /// Eight by eight cells in the family's order.
    pub fn of_cells(cells: u64) -> Self {
        Print::new(8, |column, row| (cells >> (8 * row + column)) & 1 != 0)
    }

    fn is_white(&self, print_from_pixel: &Matrix3<f64>, x: f64, y: f64) -> bool {
        let q = print_from_pixel * Vector2::new(x, y).push(1.0);
        let (column, row) = ((q.x / q.z).floor(), (q.y / q.z).floor());
        let n = self.n as f64;
        let outside = !(0.0..n).contains(&column) || !(0.0..n).contains(&row);
        outside || self.white[row as usize * self.n + column as usize]
    }

    /// White's share in the light of all pixels of an image, row by row; `corners` are those of the whole square.
    ///
    /// Along x every edge of the print is met exactly and blurred in closed form; along y the blur is a weighted sum over lines a twelfth of a pixel apart.
    pub fn share(&self, corners: &Corners, blur: f64, [width, height]: [usize; 2], table: &NormalTable) -> Vec<f64> {
        let tag_from_pixel = Homography::from_corners(corners).expect("corners of a tag").inverse().expect("a map");
        // From the tag's -4 to 4, up, to 0 to n, down.
        let scale = self.n as f64 / 8.0;
        let g = Matrix3::new(scale, 0.0, 4.0 * scale, 0.0, -scale, 4.0 * scale, 0.0, 0.0, 1.0) * tag_from_pixel;
        let reach = 5.0 * blur + 1.0;
        let margin = (reach * LINES as f64).ceil() as i64;
        let mut light = vec![0.0; width * height];
        for line in -margin..(height * LINES) as i64 + margin {
            let y = (line as f64 + 0.5) / LINES as f64 - 0.5;
            // Where the line meets the tag's grid: (row of g) · (x, y, 1) = k (last row of g) · (x, y, 1).
            let mut meets = Vec::new();
            for axis in 0..2 {
                for k in 0..=self.n {
                    let k = k as f64;
                    let slope = g[(axis, 0)] - k * g[(2, 0)];
                    let x = -((g[(axis, 1)] - k * g[(2, 1)]) * y + g[(axis, 2)] - k * g[(2, 2)]) / slope;
                    if x.is_finite() && x.abs() < 1e6 {
                        meets.push(x);
                    }
                }
            }
            meets.sort_by(f64::total_cmp);
            let mut steps = Vec::new();
            for (i, x) in meets.iter().enumerate() {
                let before = if i == 0 { x - 1.0 } else { (meets[i - 1] + x) / 2.0 };
                let after = meets.get(i + 1).map_or(x + 1.0, |next| (next + x) / 2.0);
                let (a, b) = (self.is_white(&g, before, y), self.is_white(&g, after, y));
                if a != b {
                    steps.push((*x, if b { 1.0 } else { -1.0 }));
                }
            }
            let mut row = vec![1.0; width];
            for (x, sign) in steps {
                for (column, value) in row.iter_mut().enumerate() {
                    let d = column as f64 - x;
                    if d > reach {
                        *value += sign;
                    } else if d > -reach {
                        *value += sign * table.step(d, blur);
                    }
                }
            }
            for pixel_row in 0..height {
                let d = y - pixel_row as f64;
                if d.abs() < reach {
                    // The blur and the pixel's height, over this line's share.
                    let half = 0.5 / LINES as f64;
                    let weight = table.step(d + half, blur) - table.step(d - half, blur);
                    // d/dd of the averaged step is the weight's density: the difference is the share of this line.
                    for (sum, value) in light[pixel_row * width..].iter_mut().zip(&row) {
                        *sum += weight * value;
                    }
                }
            }
        }
        light
    }
}

impl Tag {
    /// Light of all pixels, row by row.
    pub fn light(&self, table: &NormalTable) -> Vec<f64> {
        let share = Print::of_tag(self.id).share(&self.corners, self.blur, [self.width, self.height], table);
        share.iter().map(|white| self.black + (self.white - self.black) * white).collect()
    }
}

/// Draws numbers for a campaign.
pub fn draws(seed: u64) -> Draw {
    Draw::new(seed, Purpose::Corners)
}

/// A tag of about the given side, turned and tilted at random, its corners near the middle of the image.
pub fn random_tag(draw: &mut Draw, side: f64, blur: f64) -> Tag {
    let (corners, size) = random_view(draw, side);
    let id = (draw.uniform(0.0, 587.0) as u16).min(586);
    Tag { id, corners, blur, black: Paper::BLACK, white: Paper::WHITE, width: size, height: size }
}

/// A square of about the given side, turned and tilted at random, near the middle of a square image; the image's side comes along.
pub fn random_view(draw: &mut Draw, side: f64) -> (Corners, usize) {
    let size = (1.7 * side + 16.0) as usize;
    let middle = Vector2::new(size as f64 / 2.0 + draw.uniform(-0.5, 0.5), size as f64 / 2.0 + draw.uniform(-0.5, 0.5));
    let turn = draw.uniform(0.0, std::f64::consts::TAU);
    let (tilt, towards) = (draw.uniform(0.0, 0.9), draw.uniform(0.0, std::f64::consts::TAU));
    let corners = [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]].map(|[a, b]: [f64; 2]| {
        // In the plane, with y up; then tilted about an axis and seen from five sides away.
        let p = Vector2::new(a * turn.cos() - b * turn.sin(), a * turn.sin() + b * turn.cos());
        let along = p.x * towards.cos() + p.y * towards.sin();
        let rest = p - Vector2::new(towards.cos(), towards.sin()) * along;
        let depth = 5.0 + along * tilt.sin();
        let seen = (rest + Vector2::new(towards.cos(), towards.sin()) * (along * tilt.cos())) * (5.0 / depth);
        middle + Vector2::new(seen.x, -seen.y) * side
    });
    (corners, size)
}

/// An image of grey values: coded, with noise of a standard deviation of `sigma` grey values, rounded.
pub fn photograph(tag: &Tag, light: &[f64], code: impl Fn(f64) -> f64, sigma: f64, draw: &mut Draw) -> Gray {
    let data = light.iter().map(|l| (255.0 * code(*l) + draw.normal(sigma)).round().clamp(0.0, 255.0) as u8);
    Gray::new(tag.width, tag.height, data.collect()).expect("as many values as pixels")
}

/// The same after compression as a JPEG of a quality.
pub fn compressed(image: &Gray, quality: u8) -> Gray {
    let mut bytes = Vec::new();
    let (w, h) = (image.width(), image.height());
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality)
        .encode(image.data(), w as u32, h as u32, image::ExtendedColorType::L8)
        .expect("an image");
    let back = image::load_from_memory(&bytes).expect("what was written").into_luma8();
    Gray::new(w, h, back.into_raw()).expect("as many values as pixels")
}

/// An image of white paper with tags on it, in light.
pub struct Paper {
    pub width: usize,
    pub height: usize,
    pub light: Vec<f64>,
}

impl Paper {
    pub const WHITE: f64 = 0.7;
    pub const BLACK: f64 = 0.05;

    pub fn new(width: usize, height: usize) -> Self {
        Paper { width, height, light: vec![Self::WHITE; width * height] }
    }

    /// Adds a tag; it, and all round it 5 blurs and some pixels of white, may lie partly outside.
    pub fn add(&mut self, id: u16, corners: &Corners, blur: f64, table: &NormalTable) {
        self.add_print(&Print::of_tag(id), corners, blur, table);
    }

    /// The same for any print.
    pub fn add_print(&mut self, print: &Print, corners: &Corners, blur: f64, table: &NormalTable) {
        let room = 5.0 * blur + 3.0;
        let low = corners.iter().fold(corners[0], |a, b| a.inf(b)).map(|v| (v - room).floor());
        let high = corners.iter().fold(corners[0], |a, b| a.sup(b)).map(|v| (v + room).ceil());
        let (width, height) = ((high.x - low.x) as usize, (high.y - low.y) as usize);
        let share = print.share(&corners.map(|c| c - low), blur, [width, height], table);
        for (k, white) in share.into_iter().enumerate() {
            let (x, y) = (low.x as i64 + (k % width) as i64, low.y as i64 + (k / width) as i64);
            if (0..self.width as i64).contains(&x) && (0..self.height as i64).contains(&y) {
                let pixel = &mut self.light[y as usize * self.width + x as usize];
                *pixel = pixel.min(Self::BLACK + (Self::WHITE - Self::BLACK) * white);
            }
        }
    }

    /// The photograph: coded, with noise of a standard deviation of `sigma` grey values, rounded.
    pub fn photograph(&self, code: impl Fn(f64) -> f64, sigma: f64, draw: &mut Draw) -> Gray {
        let data = self.light.iter().map(|l| (255.0 * code(*l) + draw.normal(sigma)).round().clamp(0.0, 255.0) as u8);
        Gray::new(self.width, self.height, data.collect()).expect("as many values as pixels")
    }
}

/// An upright square of a side about a middle, turned by an angle (counter-clockwise on the screen).
pub fn square(middle: Vector2<f64>, side: f64, angle: f64) -> Corners {
    let (c, s) = (angle.cos(), angle.sin());
    [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]
        .map(|[a, b]: [f64; 2]| middle + Vector2::new(a * c - b * s, -(a * s + b * c)) * side)
}
