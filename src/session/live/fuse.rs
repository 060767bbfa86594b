//! Several cameras, one stand: their places weighted by what each is worth, with what they share through the survey.

use super::base::Base;
use super::camera::{Eye, Place};
use super::steady::Motion;
use crate::fit::{chi_square, spd_inverse};
use nalgebra::{DMatrix, Matrix6, Matrix6xX, Vector6};
use std::time::Duration;

/// Frames of other cameras are used up to this age, and only while nothing moves.
const TOGETHER: Duration = Duration::from_millis(400);

/// Cameras whose places differ with less than this chance are not taken together: each speaks for itself. Common practice, no source.
const DISAGREEMENT: f64 = 1e-4;

/// The stand from all cameras that have something to say now; `camera` is the one whose frame just came.
pub(super) fn place(base: &Base, eyes: &[Eye], camera: usize, time: Duration) -> Option<Place> {
    let own = eyes[camera].place()?;
    if own.motion != Motion::Still {
        return Some(own);
    }
    let mut all = vec![own];
    for (k, eye) in eyes.iter().enumerate() {
        let fresh = eye.newest().is_some_and(|t| time.saturating_sub(t) <= TOGETHER);
        if k != camera
            && fresh
            && let Some(place) = eye.place()
            && place.motion == Motion::Still
        {
            all.push(place);
        }
    }
    if all.len() == 1 {
        return all.pop();
    }
    blend(base, &all).or_else(|| all.into_iter().next())
}

/// Best linear unbiased estimate; `None` where the covariance cannot be inverted or the cameras contradict each other.
fn blend(base: &Base, all: &[Place]) -> Option<Place> {
    let m = all.len();
    let mut gains = DMatrix::zeros(6 * m, base.n_columns());
    let mut steps = DMatrix::zeros(6 * m, 1);
    for (k, place) in all.iter().enumerate() {
        gains.rows_mut(6 * k, 6).copy_from(&place.gain);
        steps.rows_mut(6 * k, 6).copy_from(&all[0].world_from_stand.right_step_to(&place.world_from_stand));
    }
    let mut cov = base.spread_of(&gains);
    for (k, place) in all.iter().enumerate() {
        let mut block = cov.view_mut((6 * k, 6 * k), (6, 6));
        block += place.noise;
    }
    let inverse = spd_inverse(&((cov.transpose() + cov) * 0.5)).ok()?;
    let mut summed = DMatrix::zeros(6, 6 * m);
    for k in 0..m {
        summed += inverse.rows(6 * k, 6);
    }
    let mut normal = Matrix6::zeros();
    for k in 0..m {
        normal += summed.fixed_view::<6, 6>(0, 6 * k);
    }
    let weights = normal.try_inverse()? * summed;
    let weights = Matrix6xX::from_fn(6 * m, |r, c| weights[(r, c)]);
    let step = &weights * &steps;
    // Cameras that contradict each other (another lens, a mount that slipped) have no place in common.
    let left = DMatrix::from_fn(6 * m, 1, |r, _| steps[(r, 0)] - step[(r % 6, 0)]);
    let statistic = (left.transpose() * &inverse * &left)[(0, 0)];
    if statistic > chi_square::limit(DISAGREEMENT.ln(), 6 * (m - 1)) {
        return None;
    }
    let mut noise = Matrix6::zeros();
    for (k, place) in all.iter().enumerate() {
        let w = weights.fixed_view::<6, 6>(0, 6 * k);
        noise += w * place.noise * w.transpose();
    }
    Some(Place {
        world_from_stand: all[0].world_from_stand.moved_right(&Vector6::from_fn(|k, _| step[k])),
        noise: (noise + noise.transpose()) * 0.5,
        gain: weights * gains,
        motion: Motion::Still,
        camera_moves: false,
        frames: all.iter().map(|p| p.frames).sum(),
    })
}
