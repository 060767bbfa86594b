//! Tags of the public 36h11 family: what they look like and where they are in an image.

pub mod align;
pub mod calm;
mod codes;
pub mod components;
mod deblur;
pub mod decode;
mod detector;
pub mod family;
pub mod flatten;
mod gauss;
pub mod glance;
pub mod homography;
pub mod hull;
pub mod light;
pub mod margin;
mod motion;
mod normal;
pub mod outline;
pub mod pattern;
mod pixels;
mod predict;
mod products;
pub mod quads;
pub mod refine;
mod sights;
mod solve;
mod state;
pub mod threshold;
mod tied;
pub mod trace;
pub mod track;
mod unexplained;
mod widest;

pub use detector::Detector;

use crate::camera::Lens;
use crate::raster::{Gray, ToneCurve};
use margin::Beyond;
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
    /// What blur may carry in from beyond the white margin, by side; `cov` holds it as for one view alone.
    pub beyond: Beyond,
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
        Self { lens: None, tone: ToneCurve::Srgb, least_contrast: 16 }
    }
}

/// Finds every tag of the family in an image, whose sides have up to 65,535 pixels: a tag beyond is not found. Where many images are searched, a [`Detector`] saves asking for memory each time.
pub fn detect(image: &Gray, options: &DetectOptions) -> Vec<Detection> {
    Detector::new().detect(image, options)
}
