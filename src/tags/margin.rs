//! What lies beyond the white margin: the fit takes the paper to go on, and blur carries in whatever is there instead.
//!
//! A tag has a white margin of one cell (the sheets that this program prints have that much). Where the blur is small against a cell nothing from beyond reaches the border. Where it is not, the outer
//! edge is seen before a white that grows darker outwards, and seems to lie too far out: nothing in the picture tells by how much, because the blur of the margin's own edge and that
//! of the border run into each other. So this is an uncertainty, which stays small until the blur is a third of a cell and then grows faster than everything else.
//!
//! The fit answers with more than that one side. It has one growth of black for all edges: what makes one side seem farther out makes the growth seem larger, and that is taken out of all sides, so that
//! the opposite side follows and the two others move inwards. A tag that is seen flattened, with few pixels a cell in one direction, comes out too high and too narrow.
//!
//! And it does not average out. What lies beyond a side of a tag is the same in every photograph, and much the same for all tags: one floor, one kind of board. So the doubt is kept by side
//! ([`Beyond`]), for the survey to carry it as what its views share.

use crate::fit::normal_cdf;
use crate::tags::quads::Quad;
use nalgebra::{Matrix2, SMatrix, Vector2};

/// By how much the corners (x0, y0, x1, ...; px) are seen elsewhere where no light at all comes from beyond one side; a column for each side, first that from the first corner to the second.
pub type Beyond = SMatrix<f64, 8, 4>;

/// The least white margin, cells.
const MARGIN: f64 = 1.0;

/// How much less light than the paper comes from beyond, as a part of the paper's: anything from 0 to 1 is as likely, and 0 is assumed. Of such a number the mean square, 1/3, is that of the mean, 1/2, and the
/// variance, 1/12. This is the mean: what is alike beyond all sides of all tags.
pub const ALIKE: f64 = 0.5;

/// The standard deviation, 1/√12: what one side of one tag has for itself.
pub const UNLIKE: f64 = 0.288_675_134_594_812_9;

/// By how much (cells) an edge alone is placed too far out where beyond the margin everything is black and the blur's standard deviation is `blur` cells.
///
/// An edge at 0 has the slope φ(x/s)/s; what is missing is Φ((x - m)/s). The shift that explains most of it, by least squares, is s ∫Φ(z - m/s)φ(z) dz / ∫φ(z)² dz, and these integrals
/// are Φ(-m/(s√2)) and 1/(2√π). Source: own derivation.
fn of_edge(blur: f64) -> f64 {
    2.0 * std::f64::consts::PI.sqrt() * blur * normal_cdf(-MARGIN / (blur * std::f64::consts::SQRT_2))
}

/// Parts of [`of_edge`] that the fit of the whole tag makes of it: the side itself, the opposite one, and (inwards) each of the two others. `blur`: cells.
///
/// Found by the fit on tags drawn with exact edges, black beyond one, two or all margins, cells from 3 by 10 to 10 by 10 px, blurs from 0.3 to 0.8 cells; these lie above what came out there (`tests/corners.rs` shows it).
fn of_fit(blur: f64) -> [f64; 3] {
    let both = (0.04 + 2.0 * blur.powi(3)).min(2.0);
    [both * 2.0 / 3.0, both / 3.0, 0.15 * blur.min(1.0)]
}

/// What the margin leaves open of a tag with these corners. `blur`: covariance of the blur, px².
pub fn beyond(corners: &Quad, blur: &Matrix2<f64>) -> Beyond {
    // Of each side a cell's width outwards: at both ends, and along its normal.
    let sides: [(Vector2<f64>, Vector2<f64>, f64, f64); 4] = std::array::from_fn(|k| {
        let [before, a, b, after] = [3, 0, 1, 2].map(|i| corners[(k + i) % 4]);
        let (out_a, out_b) = ((a - before) / 8.0, (b - after) / 8.0);
        let along = (b - a).normalize();
        let normal = Vector2::new(-along.y, along.x);
        let width = (0.5 * (out_a + out_b)).dot(&normal).abs().max(1e-3);
        (out_a, out_b, width, normal.dot(&(blur * normal)).max(0.0).sqrt() / width)
    });
    let mut out = Beyond::zeros();
    for (dark, (_, _, width, blur)) in sides.iter().enumerate() {
        let blur = blur.clamp(1e-3, 10.0);
        let edge_px = of_edge(blur) * width;
        let [own, opposite, aside] = of_fit(blur);
        for (side, part) in [(dark, own), (dark + 1, -aside), (dark + 2, opposite), (dark + 3, -aside)] {
            let side = side % 4;
            let (out_a, out_b, width, _) = sides[side];
            let cells = part * edge_px / width;
            for (corner, by) in [(side, out_a), ((side + 1) % 4, out_b)] {
                let mut moved = out.fixed_view_mut::<2, 1>(2 * corner, dark);
                moved += by * cells;
            }
        }
    }
    out
}

/// Its covariance for one view alone, px².
pub(super) fn cov(beyond: &Beyond) -> SMatrix<f64, 8, 8> {
    let alike = beyond.column_sum() * ALIKE;
    alike * alike.transpose() + beyond * beyond.transpose() * (UNLIKE * UNLIKE)
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
            assert!((of_edge(blur) - both / own).abs() < 1e-6, "{blur}: {} {}", of_edge(blur), both / own);
        }
        // 1.44e-4 cells: 2 √π · 0.2 · Φ(-3.54), with Φ from printed tables.
        assert!(of_edge(0.2) < 2e-4, "a sharp picture has no such doubt: {}", of_edge(0.2));
    }

    #[test]
    fn each_side_moves_along_its_normal() {
        // 8 by 4 px a cell, blurred along x only: what is beyond the left and right sides counts, the rest does not.
        let corners = [[0.0, 32.0], [64.0, 32.0], [64.0, 0.0], [0.0, 0.0]].map(|[x, y]| Vector2::new(x, y));
        let beyond = beyond(&corners, &Matrix2::new(16.0, 0.0, 0.0, 0.01));
        let [own, opposite, aside] = of_fit(0.5).map(|part| part * 8.0 * of_edge(0.5));
        // From the lower left counter-clockwise; dark beyond the right side.
        let right = [-opposite, -aside, own, -aside, own, aside, -opposite, aside];
        for (k, expected) in right.into_iter().enumerate() {
            assert!((beyond[(k, 1)] - expected).abs() < 1e-9, "{k}: {beyond}");
        }
        assert!(beyond.column(0).amax() < 1e-9 && beyond.column(2).amax() < 1e-9, "{beyond}");
        // Of an even distribution from 0 to 1 the mean square is a third; two sides have 1/4 in common.
        let expected = 0.25 * (own + opposite).powi(2) + (own * own + opposite * opposite) / 12.0;
        assert!((cov(&beyond)[(0, 0)] - expected).abs() < 1e-9, "{}", cov(&beyond));
    }
}
