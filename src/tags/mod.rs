//! Tags of the public 36h11 family: what they look like and where they are in an image.

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
}

/// How to look for tags.
#[derive(Clone, Debug)]
pub struct DetectOptions {
    /// The lens, where it is known: sides are then straight lines in undistorted space.
    pub lens: Option<Lens>,
    /// How grey values code light.
    pub tone: ToneCurve,
}

impl Default for DetectOptions {
    fn default() -> Self {
        Self { lens: None, tone: ToneCurve::Srgb }
    }
}

/// Finds every tag of the family in an image.
pub fn detect(_image: &Gray, _options: &DetectOptions) -> Vec<Detection> {
    Vec::new()
}
