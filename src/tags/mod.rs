//! Tags of the public 36h11 family: what they look like and where they are in an image.

mod align;
mod codes;
pub mod decode;
pub mod family;
pub mod flatten;
mod gauss;
pub mod homography;
pub mod light;
mod normal;
pub mod outline;
pub mod pattern;
mod pixels;
mod predict;
mod products;
pub mod quads;
pub mod refine;
pub mod threshold;
mod tied;

use crate::camera::Lens;
use crate::raster::{Gray, ToneCurve};
use nalgebra::{SMatrix, Vector2};

/// One tag found in an image.
#[derive(Clone, Debug, PartialEq)]
pub struct Detection {
    /// Id in the 36h11 family, 0..=586.
    pub id: u16,
    /// Number of cells that were read differently from the family's code.
    pub wrong_cells: u32,
    /// Corners of the outer border of the black square, pixels as seen (distorted), counter-clockwise from the lower left as seen on the
    /// upright print.
    pub corners: [Vector2<f64>; 4],
    /// Covariance of the eight corner coordinates (x0, y0, x1, y1, ...), px².
    pub cov: SMatrix<f64, 8, 8>,
    /// Standard deviation of the blur that the tag's edges show, mean over directions, px.
    pub blur_px: f64,
    /// By how much black outgrows white at each of the tag's edges, px; already taken out of the corners.
    pub growth_px: f64,
    /// Coded grey step from black to white.
    pub contrast: f64,
    /// Root mean square of what the fitted picture of the tag leaves unexplained, grey values.
    pub rms: f64,
}

/// How to look for tags.
#[derive(Clone, Debug)]
pub struct DetectOptions {
    /// The lens, where it is known: sides are then straight lines in undistorted space.
    pub lens: Option<Lens>,
    /// How grey values code light.
    pub tone: ToneCurve,
    /// Grey values by which a neighbourhood must vary to be looked at.
    pub least_contrast: u8,
}

impl Default for DetectOptions {
    fn default() -> Self {
        Self { lens: None, tone: ToneCurve::Srgb, least_contrast: 12 }
    }
}

/// Finds every tag of the family in an image.
pub fn detect(image: &Gray, options: &DetectOptions) -> Vec<Detection> {
    let map = threshold::dark_map(image, options.least_contrast);
    let most_points = 8 * (image.width() + image.height());
    let mut readings: Vec<decode::Reading> = Vec::new();
    outline::for_each_outline(&map, 36, 1.8, most_points, |outline| {
        if let Some(reading) = read_outline(image, outline, options) {
            readings.push(reading);
        }
    });
    let lens = options.lens.as_ref().filter(|l| (l.width, l.height) == (image.width(), image.height()));
    let mut found: Vec<Detection> = Vec::new();
    let tone = if readings.is_empty() { None } else { Some(light::Tone::new(&options.tone)) };
    for (reading, tone) in readings.iter().zip(tone.iter().cycle()) {
        let Some(cells) = family::cells_of(reading.id) else { continue };
        let pattern = pattern::Pattern::new(cells);
        let Some(fit) = refine::refine(image, &reading.corners, &pattern, tone, lens) else { continue };
        // A pattern with wrong cells is believed only where the picture fits well otherwise: the inside of a wider border does not.
        let most_unexplained = [0.3, 0.15, 0.1][reading.wrong_cells.min(2) as usize];
        if fit.rms > most_unexplained * fit.contrast {
            continue;
        }
        found.push(Detection {
            id: reading.id,
            wrong_cells: reading.wrong_cells,
            corners: fit.corners,
            cov: fit.cov,
            blur_px: fit.blur_px,
            growth_px: fit.growth_px,
            contrast: fit.contrast,
            rms: fit.rms,
        });
    }
    without_repeats(found)
}

/// Reads the tag that an outline shows, if any.
fn read_outline(image: &Gray, outline: &outline::Outline, options: &DetectOptions) -> Option<decode::Reading> {
    let quad = quads::quad_from_outline(outline)?;
    let quad = align::align_sides(image, &quad)?;
    decode::read(image, &quad, f64::from(options.least_contrast)).ok()
}

/// Keeps the best of detections of the same id at the same place.
fn without_repeats(mut found: Vec<Detection>) -> Vec<Detection> {
    let centre = |d: &Detection| d.corners.iter().sum::<Vector2<f64>>() / 4.0;
    found.sort_by(|a, b| {
        (a.id, a.wrong_cells).cmp(&(b.id, b.wrong_cells)).then((a.rms / a.contrast).total_cmp(&(b.rms / b.contrast)))
    });
    let mut kept: Vec<Detection> = Vec::new();
    for d in found {
        let size = (d.corners[2] - d.corners[0]).norm().min((d.corners[3] - d.corners[1]).norm());
        if !kept.iter().any(|k| k.id == d.id && (centre(k) - centre(&d)).norm() < 0.5 * size) {
            kept.push(d);
        }
    }
    kept
}
