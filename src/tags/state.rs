//! The unknowns of a tag's fit, where they put its corners, and what is known of them beforehand.

use crate::tags::homography::CORNERS;
use crate::tags::pixels::Placed;
use crate::tags::predict::{BLUR, GROWTH, N, TONE};
use nalgebra::{Matrix2, Matrix3, SMatrix, SVector, Vector2};

/// Least variance of the blur, px²: a pixel's own area, 1/12, and next to no optics.
pub(super) const LEAST_BLUR: f64 = 0.09;

/// Most growth in standard deviations of the blur: up to there the series of [`crate::tags::predict`] for moved edges is good to 0.03 of the step.
const MOST_GROWTH: f64 = 1.5;

/// Most of each of the three ways in which the tone curve is bent. Common practice, no source: a plain power of 1/2.6 and sRGB made steeper by a third in the
/// middle (tests/detect.rs) are within half of it.
pub(super) const MOST_BENT: f64 = 0.8;

/// The unknowns.
#[derive(Clone)]
pub(super) struct State {
    /// In the order that `predict` gives them.
    pub p: [f64; N],
}

impl State {
    /// From tag coordinates in half sides to places.
    pub fn map(&self) -> Matrix3<f64> {
        let p = &self.p;
        Matrix3::new(p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], 1.0)
    }

    /// Places of the corners, if all lie on the near side of the tag's horizon.
    pub fn corners(&self) -> Option<[Vector2<f64>; 4]> {
        let map = self.map();
        let mut places = [Vector2::zeros(); 4];
        for (place, [u, v]) in places.iter_mut().zip(CORNERS) {
            let q = map * nalgebra::Vector3::new(u / 4.0, v / 4.0, 1.0);
            *place = if q.z > 0.05 { q.xy() / q.z } else { return None };
        }
        places.iter().all(|p| p.iter().all(|v| v.is_finite())).then_some(places)
    }

    /// What is known beforehand, weakly: blur near 0.6 px² and about the same in all directions, growth within half a pixel, the
    /// tone curve within a tenth of the step of the stated one. For each such unknown how far
    /// off it is and with what weight that counts. Common practice, no source; it only decides where the pixels say nothing.
    pub fn beforehand(&self) -> [(usize, f64, f64); 7] {
        let p = &self.p;
        let mean = ((p[BLUR] + p[BLUR + 2]) / 2.0).max(0.3);
        let bent = 0.1;
        let known = |index: usize, value: f64, sigma: f64| (index, value - p[index], 1.0 / (sigma * sigma));
        [
            known(BLUR, 0.6, 4.0 * mean),
            known(BLUR + 1, 0.0, 0.5 * mean),
            known(BLUR + 2, 0.6, 4.0 * mean),
            known(GROWTH, 0.0, 0.5),
            known(TONE, 0.0, bent),
            known(TONE + 1, 0.0, bent),
            known(TONE + 2, 0.0, bent),
        ]
    }

    /// The state a step away. The blur stays a blur: at least the pixel's own area in every direction.
    pub fn moved(&self, step: &SVector<f64, N>) -> State {
        let mut next = self.clone();
        for (value, step) in next.p.iter_mut().zip(step) {
            *value += step;
        }
        for i in [BLUR, BLUR + 2] {
            next.p[i] = next.p[i].max(LEAST_BLUR);
        }
        let limit = 0.9 * ((next.p[BLUR] - 0.5 * LEAST_BLUR) * (next.p[BLUR + 2] - 0.5 * LEAST_BLUR)).sqrt();
        next.p[BLUR + 1] = next.p[BLUR + 1].clamp(-limit, limit);
        let most = next.most_growth();
        next.p[GROWTH] = next.p[GROWTH].clamp(-most, most);
        for bent in &mut next.p[TONE..] {
            *bent = bent.clamp(-MOST_BENT, MOST_BENT);
        }
        next
    }

    /// The most by which black may outgrow white or white black, px.
    pub fn most_growth(&self) -> f64 {
        MOST_GROWTH * ((self.p[BLUR] + self.p[BLUR + 2]) / 2.0).sqrt()
    }

    pub fn blur(&self) -> Matrix2<f64> {
        Matrix2::new(self.p[BLUR], self.p[BLUR + 1], self.p[BLUR + 1], self.p[BLUR + 2])
    }
}

/// The corners in pixels as seen, and 8 × N: d corner / d unknown.
pub(super) fn seen_corners(state: &State, placed: &Placed<'_>) -> ([Vector2<f64>; 4], SMatrix<f64, 8, N>) {
    let map = state.map();
    let size = placed.size;
    let mut per_unknown = SMatrix::<f64, 8, N>::zeros();
    let mut seen = [Vector2::zeros(); 4];
    for (k, [u, v]) in CORNERS.into_iter().enumerate() {
        let (s, t) = (u / 4.0, v / 4.0);
        let q = map * nalgebra::Vector3::new(s, t, 1.0);
        let w = 1.0 / q.z;
        let local = q.xy() * w;
        let x_row = [s * w, t * w, w, 0.0, 0.0, 0.0, -local.x * s * w, -local.x * t * w];
        let y_row = [0.0, 0.0, 0.0, s * w, t * w, w, -local.y * s * w, -local.y * t * w];
        let (pixel, per_flat) = placed.flatten.undo(&(local * size + placed.centre));
        seen[k] = pixel;
        for i in 0..8 {
            per_unknown[(2 * k, i)] = size * (per_flat.m11 * x_row[i] + per_flat.m12 * y_row[i]);
            per_unknown[(2 * k + 1, i)] = size * (per_flat.m21 * x_row[i] + per_flat.m22 * y_row[i]);
        }
    }
    (seen, per_unknown)
}

/// How far four places are from four others at most.
pub(super) fn way(a: &[Vector2<f64>; 4], b: &[Vector2<f64>; 4]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max)
}
