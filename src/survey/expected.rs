//! What a tag's corners will be worth in a photograph that is still to be taken, from what the photographs so far achieved.
//!
//! A corner is where two fitted edges meet, so the covariance is carried over in edge coordinates: how far each of the four sides is off,
//! square to itself, at each of its two ends. In these it hardly depends on how the tag lies in the picture, and it falls with the length of the edges
//! as the fit of a line to more pixels does (variance as one over the length).

use super::TagView;
use crate::fit::quantile_of;
use nalgebra::{SMatrix, Vector2};

/// Earlier views that an expectation is the mean of. Common practice, no source.
const NEIGHBOURS: usize = 8;

/// Of more earlier views than this only some, evenly taken, are kept: they are searched for every tag of every photograph that is planned.
const MOST_EARLIER: usize = 600;

/// Bounds of the shortest edge that is expected to be found, px, whatever the earlier photographs showed. Common practice, no source.
const SHORTEST_EDGE_PX: [f64; 2] = [14.0, 40.0];

/// The same of how much shorter than the longest edge the shortest one may be (75 to 60 degrees of tilt).
const FLATTEST: [f64; 2] = [0.26, 0.5];

/// What was achieved.
#[derive(Clone, Debug)]
pub struct ExpectedCorners {
    earlier: Vec<Earlier>,
    /// px².
    unmodelled: f64,
    spread: f64,
    /// No tag with a shorter edge than this is expected to be found, px.
    pub shortest_edge_px: f64,
    /// No tag whose edges differ more than this (shortest over longest) is expected to be found.
    pub flattest: f64,
}

#[derive(Clone, Debug)]
struct Earlier {
    shape: [f64; 2],
    side_px: f64,
    /// In edge coordinates, the mean over the four ways to turn the tag; px².
    edges: SMatrix<f64, 8, 8>,
}

impl ExpectedCorners {
    /// From the views that a survey used, the noise that it had to add (px), and the factor by which it widened the corners' variance.
    pub fn new<'a>(used: impl Iterator<Item = &'a TagView>, unmodelled_px: f64, spread: f64) -> Self {
        let earlier: Vec<Earlier> = used
            .filter_map(|view| {
                let map = edge_map(&view.corners)?;
                let there = map * view.cov * map.transpose();
                let mut edges = SMatrix::<f64, 8, 8>::zeros();
                for turn in 0..4 {
                    edges +=
                        SMatrix::<f64, 8, 8>::from_fn(|i, j| there[((i + 2 * turn) % 8, (j + 2 * turn) % 8)]) * 0.25;
                }
                let (shortest, longest, side_px) = lengths(&view.corners);
                Some(Earlier { shape: [side_px.ln(), (shortest / longest).ln()], side_px, edges })
            })
            .filter(|e| e.edges.iter().all(|v| v.is_finite()))
            .collect();
        let every = earlier.len().div_ceil(MOST_EARLIER).max(1);
        let earlier: Vec<Earlier> = earlier.into_iter().step_by(every).collect();
        let low =
            |values: Vec<f64>, [least, most]: [f64; 2]| quantile_of(&values, 0.05).unwrap_or(most).clamp(least, most);
        let shortest = |e: &Earlier| e.side_px * (0.5 * e.shape[1]).exp();
        Self {
            shortest_edge_px: low(earlier.iter().map(shortest).collect(), SHORTEST_EDGE_PX),
            flattest: low(earlier.iter().map(|e| e.shape[1].exp()).collect(), FLATTEST),
            earlier,
            unmodelled: unmodelled_px * unmodelled_px,
            spread: spread.max(1.0),
        }
    }

    /// Covariance (x0, y0, x1, y1, ..., px²) of a tag with these corners; `None` where it is not expected to be found.
    pub fn of(&self, corners: &[Vector2<f64>; 4]) -> Option<SMatrix<f64, 8, 8>> {
        let (shortest, longest, side_px) = lengths(corners);
        if !(shortest >= self.shortest_edge_px && shortest >= self.flattest * longest) {
            return None;
        }
        let back = edge_map(corners)?.try_inverse()?;
        let shape = [side_px.ln(), (shortest / longest).ln()];
        let far = |e: &Earlier| (e.shape[0] - shape[0]).powi(2) + (e.shape[1] - shape[1]).powi(2);
        let mut near: Vec<(f64, &Earlier)> = self.earlier.iter().map(|e| (far(e), e)).collect();
        let n = NEIGHBOURS.min(near.len());
        if n == 0 {
            return None;
        }
        if n < near.len() {
            near.select_nth_unstable_by(n - 1, |a, b| a.0.total_cmp(&b.0));
        }
        let mut edges = SMatrix::<f64, 8, 8>::zeros();
        for (_, e) in &near[..n] {
            edges += e.edges * (e.side_px / side_px / n as f64);
        }
        let cov = (back * edges * back.transpose() + SMatrix::identity() * self.unmodelled) * self.spread;
        Some((cov + cov.transpose()) * 0.5)
    }
}

/// Shortest and longest edge, and their geometric mean, px.
fn lengths(corners: &[Vector2<f64>; 4]) -> (f64, f64, f64) {
    let edges = [0, 1, 2, 3].map(|k| (corners[(k + 1) % 4] - corners[k]).norm());
    let (low, high) = (edges.iter().copied().fold(f64::INFINITY, f64::min), edges.iter().copied().fold(0.0, f64::max));
    (low, high, (low * high).sqrt())
}

/// 8 × 8: offsets of the sides, square to themselves, at each corner (of the side before it, then of the side after it) by the corners' coordinates.
fn edge_map(corners: &[Vector2<f64>; 4]) -> Option<SMatrix<f64, 8, 8>> {
    let normal = |k: usize| {
        let along = (corners[(k + 1) % 4] - corners[k % 4]).try_normalize(1e-9)?;
        Some(Vector2::new(along.y, -along.x))
    };
    let mut map = SMatrix::<f64, 8, 8>::zeros();
    for k in 0..4 {
        for (row, n) in [normal(k + 3)?, normal(k)?].into_iter().enumerate() {
            map[(2 * k + row, 2 * k)] = n.x;
            map[(2 * k + row, 2 * k + 1)] = n.y;
        }
    }
    Some(map)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(side: f64, turn: f64) -> [Vector2<f64>; 4] {
        let (sin, cos) = turn.sin_cos();
        [[-0.5, 0.5], [0.5, 0.5], [0.5, -0.5], [-0.5, -0.5]]
            .map(|[x, y]| Vector2::new(x * cos - y * sin, x * sin + y * cos) * side)
    }

    /// Of squares with independent coordinates the expectation for another square is the same again, at any turn, scaled with its side.
    #[test]
    fn squares_give_squares_of_any_turn_and_size() {
        let view = |side: f64| TagView::new(1, square(side, 0.3), SMatrix::identity() * (0.0025 * 60.0 / side));
        let earlier: Vec<TagView> = (0..20).map(|k| view(40.0 + 4.0 * k as f64)).collect();
        let expected = ExpectedCorners::new(earlier.iter(), 0.1, 2.0);
        for (side, turn) in [(60.0, 0.3), (60.0, 1.1), (45.0, -2.0), (200.0, 0.7)] {
            let cov = expected.of(&square(side, turn)).unwrap();
            let should = SMatrix::<f64, 8, 8>::identity() * 2.0 * (0.0025 * 60.0 / side + 0.01);
            assert!((cov - should).amax() < 1e-9, "{side} {turn}: {cov}");
        }
        assert!(expected.of(&square(10.0, 0.0)).is_none(), "too small to be found");
    }
}
