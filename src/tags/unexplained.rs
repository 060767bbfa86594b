//! What the fit's own model leaves open where a picture is outside of what it can draw: black grown by as much as the blur is wide, and edges that are sharper
//! than a pixel's area allows, as cameras make them that sharpen.

use crate::tags::quads::Quad;
use nalgebra::{SMatrix, SVector, Vector2};

/// How the corners move when every side moves outward by one pixel.
fn growing(corners: &Quad) -> SVector<f64, 8> {
    let mut all = SVector::<f64, 8>::zeros();
    for k in 0..4 {
        let [before, at, after] = [3, 0, 1].map(|i| corners[(k + i) % 4]);
        let normal = |from: Vector2<f64>, to: Vector2<f64>| {
            let along = (to - from).normalize();
            Vector2::new(-along.y, along.x)
        };
        // The corner's way has the component 1 along both sides' normals.
        let (m, n) = (normal(before, at), normal(at, after));
        all.fixed_rows_mut::<2>(2 * k).copy_from(&((m + n) / (1.0 + m.dot(&n)).max(0.02)));
    }
    all
}

/// Standard uncertainty (px) of a place for a growth of black (px), its limit (px), and the blur's mean variance over the least that it may have.
///
/// Two parts. Growth is worked out as a series, which fails at the limit; there the border may be off by as much as black has grown, a uniform distribution's
/// share of which is its standard uncertainty up to a factor near one. It rises with the fourth power: where growth is half the limit, a sixteenth of that share of it. And where the blur is at its
/// least value the picture was sharpened, and what sharpening leaves beside an edge is taken for growth. Common practice, no source: the sizes and powers are such
/// that drawn tags from 0 to 0.7 px of growth and of two sizes, sharpened not at all to twice, err by no more than is stated (tests/detect.rs).
fn unexplained(growth: f64, most: f64, blur_over_least: f64) -> f64 {
    let growth = growth.abs();
    let part = (growth / most).min(1.0);
    let grown = std::f64::consts::FRAC_1_SQRT_2 * growth * part.powi(4);
    let sharp = (SHARP_PX + SHARP_GROWN * growth * part) / blur_over_least.max(1.0).powi(4);
    grown.hypot(sharp)
}

/// Standard uncertainty of a sharpened picture's edges, px, and what comes to it for growth: see [`unexplained`].
const SHARP_PX: f64 = 0.012;
const SHARP_GROWN: f64 = 0.22;

/// What is left open, px: the part that all sides have in common, outward (other tags of the camera will have it too; the survey does not know that), and the standard uncertainty of each coordinate besides.
pub(super) struct Unexplained {
    pub outward: SVector<f64, 8>,
    pub own: f64,
}

impl Unexplained {
    /// For a tag's corners and the arguments of [`unexplained`].
    pub fn new(corners: &Quad, growth: f64, most: f64, blur_over_least: f64) -> Self {
        let own = unexplained(growth, most, blur_over_least);
        Unexplained { outward: growing(corners) * own, own }
    }

    /// Covariance of all of it, px².
    pub fn cov(&self) -> SMatrix<f64, 8, 8> {
        SMatrix::identity() * (self.own * self.own) + self.outward * self.outward.transpose()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Corners of a tag that is a pixel larger on every side, by the sides' lines themselves.
    #[test]
    fn every_side_moves_out_by_a_pixel() {
        let corners = [[3.0, 40.0], [50.0, 44.0], [46.0, 5.0], [8.0, 2.0]].map(|[x, y]| Vector2::new(x, y));
        let moved = growing(&corners);
        let out = [0, 1, 2, 3].map(|k| corners[k] + moved.fixed_rows::<2>(2 * k));
        let middle = corners.iter().sum::<Vector2<f64>>() / 4.0;
        for k in 0..4 {
            let (a, b) = (corners[k], corners[(k + 1) % 4]);
            let along = (b - a).normalize();
            let away = Vector2::new(-along.y, along.x);
            let away = if away.dot(&(middle - a)) < 0.0 { away } else { -away };
            for p in [out[k], out[(k + 1) % 4]] {
                assert!((away.dot(&(p - a)) - 1.0).abs() < 1e-12, "{k}: {p}");
            }
        }
    }

    /// An ordinary photograph (blur of 0.6 px or more, growth of a tenth of a pixel) has next to none of it, and it grows without steps up to the limit.
    #[test]
    fn it_is_nothing_for_ordinary_photographs() {
        let ordinary = unexplained(0.1, 0.9, 0.36 / 0.09);
        assert!(ordinary < 3e-4, "{ordinary}");
        let mut before = 0.0;
        for k in 0..=100 {
            let now = unexplained(-0.009 * f64::from(k), 0.9, 4.0);
            // The slope of g (g/most)⁴ / √2 is at most 5/√2, at the limit: 0.032 for a step of 0.009.
            assert!(now >= before && now - before < 0.033, "{k}: {before} {now}");
            before = now;
        }
        assert!((before - 0.9 * 0.5f64.sqrt()).abs() < 1e-3, "{before}");
    }
}
