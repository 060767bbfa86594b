//! What lies beyond the white margin: the fit takes the paper to go on, and blur carries in whatever is there instead.
//!
//! A tag has a white margin of one cell (the sheets that this program prints have that much). Where the blur is small against a cell nothing from beyond reaches the border. Where it is not, the outer
//! edge is seen before a white that grows darker outwards, and is placed too far out: nothing in the picture tells by how much, because the blur of the margin's own edge and that
//! of the border run into each other. So this is an uncertainty, which stays small until the blur is a third of a cell and then grows faster than everything else.
//!
//! It is outward only, and what lies beyond is much the same for all tags: one floor, one kind of board. Every tag is then seen too large, in every photograph, and no number of photographs averages that
//! away. So the larger part is one vector for all eight coordinates ([`Doubt::outward`]), which the survey's covariance holds as common to all views. What is left, in which sides differ, is a covariance.

use crate::fit::normal_cdf;
use crate::tags::quads::Quad;
use nalgebra::{Matrix2, SMatrix, SVector, Vector2};

/// The least white margin, cells.
const MARGIN: f64 = 1.0;

/// How much less light than the paper comes from beyond, as a part of the paper's: anything from 0 to 1 is as likely, and 0 is assumed. Of such a number the mean square, 1/3, is that of the mean, 1/2, and the
/// variance, 1/12. This is the mean: what is alike beyond all sides of all tags.
const ALIKE: f64 = 0.5;

/// The standard deviation, 1/√12: what one side has for itself.
const UNLIKE: f64 = 0.288_675_134_594_812_9;

/// What the margin leaves open of one tag's corners (x0, y0, x1, ...).
#[derive(Clone, Debug)]
pub(super) struct Doubt {
    /// By how much all corners together may lie too far out, px: one standard uncertainty.
    pub outward: SVector<f64, 8>,
    /// Covariance of what sides have for themselves, px².
    pub sides: SMatrix<f64, 8, 8>,
}

impl Doubt {
    /// Covariance of all of it, px².
    pub fn cov(&self) -> SMatrix<f64, 8, 8> {
        self.sides + self.outward * self.outward.transpose()
    }
}

/// By how much (cells) a side is placed too far out where beyond the margin everything is black and the blur's standard deviation is `blur` cells.
///
/// An edge at 0 has the slope φ(x/s)/s; what is missing is Φ((x - m)/s). The shift that explains most of it, by least squares, is s ∫Φ(z - m/s)φ(z) dz / ∫φ(z)² dz, and these integrals
/// are Φ(-m/(s√2)) and 1/(2√π). Source: own derivation; the other unknowns of the fit take up a part, so that it is an upper bound.
fn most_shift(blur: f64) -> f64 {
    2.0 * std::f64::consts::PI.sqrt() * blur * normal_cdf(-MARGIN / (blur * std::f64::consts::SQRT_2))
}

/// What the margin leaves open. `blur`: covariance of the blur, px².
pub(super) fn doubt(corners: &Quad, blur: &Matrix2<f64>) -> Doubt {
    let mut doubt = Doubt { outward: SVector::zeros(), sides: SMatrix::zeros() };
    for k in 0..4 {
        let [before, a, b, after] = [3, 0, 1, 2].map(|i| corners[(k + i) % 4]);
        // A cell's width outwards at both ends of the side from a to b.
        let (out_a, out_b) = ((a - before) / 8.0, (b - after) / 8.0);
        let along = (b - a).normalize();
        let normal = Vector2::new(-along.y, along.x);
        let width = (0.5 * (out_a + out_b)).dot(&normal).abs();
        let blur = normal.dot(&(blur * normal)).max(0.0).sqrt() / width.max(1e-3);
        let most = most_shift(blur.clamp(1e-3, 10.0));
        let mut moved = SVector::<f64, 8>::zeros();
        moved.fixed_rows_mut::<2>(2 * k).copy_from(&(out_a * most));
        moved.fixed_rows_mut::<2>(2 * ((k + 1) % 4)).copy_from(&(out_b * most));
        doubt.outward += moved * ALIKE;
        doubt.sides += moved * moved.transpose() * (UNLIKE * UNLIKE);
    }
    doubt
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The closed form against the sums that it stands for.
    #[test]
    fn the_shift_is_that_of_least_squares() {
        for blur in [0.2, 0.4, 0.7, 1.5] {
            let (mut both, mut own) = (0.0, 0.0);
            for k in -8000..=8000 {
                let z = f64::from(k) * 1e-3;
                let slope = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt() / blur;
                both += slope * normal_cdf(z - MARGIN / blur);
                own += slope * slope;
            }
            assert!((most_shift(blur) - both / own).abs() < 1e-6, "{blur}: {} {}", most_shift(blur), both / own);
        }
        // 1.44e-4 cells: 2 √π · 0.2 · Φ(-3.54), with Φ from printed tables.
        assert!(most_shift(0.2) < 2e-4, "a sharp picture has no such doubt: {}", most_shift(0.2));
    }

    #[test]
    fn each_side_moves_along_its_normal() {
        // 8 by 4 px a cell, blurred along x only: the left and right sides are in doubt, the others are not.
        let corners = [[0.0, 32.0], [64.0, 32.0], [64.0, 0.0], [0.0, 0.0]].map(|[x, y]| Vector2::new(x, y));
        let doubt = doubt(&corners, &Matrix2::new(16.0, 0.0, 0.0, 0.01));
        let (cov, expected) = (doubt.sides, (UNLIKE * 8.0 * most_shift(0.5)).powi(2));
        for k in 0..4 {
            assert!((cov[(2 * k, 2 * k)] - expected).abs() < 1e-9 && cov[(2 * k + 1, 2 * k + 1)] < 1e-9, "{cov}");
        }
        // Both ends of a side move together, and the two sides independently.
        assert!((cov[(0, 6)] - expected).abs() < 1e-9 && cov[(0, 2)].abs() < 1e-9, "{cov}");
        // What both have in common makes the tag wider: by half of what black beyond would.
        let out = 0.5 * 8.0 * most_shift(0.5);
        let wider = SVector::<f64, 8>::from([-out, 0.0, out, 0.0, out, 0.0, -out, 0.0]);
        assert!((doubt.outward - wider).amax() < 1e-9, "{}", doubt.outward);
        // Together the mean square of an even distribution from 0 to 1, a third.
        assert!((doubt.cov()[(0, 0)] - (8.0 * most_shift(0.5)).powi(2) / 3.0).abs() < 1e-9, "{}", doubt.cov());
    }
}
