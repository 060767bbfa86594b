//! Several cameras, one stand: their places weighted by what each is worth, with what they share through the survey.

use super::base::Base;
use super::camera::{Eye, Place};
use super::steady::Motion;
use crate::fit::{chi_square, spd_inverse};
use crate::units::{deg_from_rad, mm_from_m};
use nalgebra::{DMatrix, Matrix6, Matrix6xX, Vector6};
use std::time::Duration;

/// Frames of other cameras are used up to this age, and only while nothing moves.
const TOGETHER: Duration = Duration::from_millis(400);

/// What another camera saw at rest this long ago still contradicts. Common practice, no source.
const REMEMBERED: Duration = Duration::from_secs(5);

/// Cameras whose places differ with less than this chance contradict each other. Common practice, no source.
const DISAGREEMENT: f64 = 1e-4;

/// The stand from all cameras that have something to say now; `camera` is the one whose frame just came.
///
/// # Errors
/// Cameras that both see it at rest contradict each other: which of them is right cannot be told. In words.
pub(super) fn place(base: &Base, eyes: &[Eye], camera: usize, time: Duration) -> Result<Option<Place>, String> {
    let Some(own) = eyes[camera].place() else { return Ok(None) };
    if own.motion != Motion::Still {
        return Ok(Some(own));
    }
    let others = || {
        let others = eyes.iter().enumerate().filter(|(k, _)| *k != camera);
        let aged = others.filter_map(|(k, eye)| Some((k, time.saturating_sub(eye.newest()?), eye.place()?)));
        aged.filter(|(_, _, place)| place.motion == Motion::Still)
    };
    // What is too old to be taken together is not too old to be contradicted: slow sources come in turn.
    for (k, _, place) in others().filter(|(_, age, _)| *age <= REMEMBERED) {
        let both = [own.clone(), place];
        if matches!(blend(base, &both), Blend::Contradiction) {
            return Err(contradiction(&both, &[camera, k]));
        }
    }
    let mut from = vec![camera];
    let mut all = vec![own];
    for (k, _, place) in others().filter(|(_, age, _)| *age <= TOGETHER) {
        from.push(k);
        all.push(place);
    }
    if all.len() == 1 {
        return Ok(all.pop());
    }
    match blend(base, &all) {
        Blend::One(place) => Ok(Some(*place)),
        Blend::NoWeights => Ok(all.into_iter().next()),
        Blend::Contradiction => Err(contradiction(&all, &from)),
    }
}

/// Which two see the stand furthest apart, with the remedy.
fn contradiction(all: &[Place], from: &[usize]) -> String {
    let step = |a: usize, b: usize| all[a].world_from_stand.right_step_to(&all[b].world_from_stand);
    let pairs = (0..all.len()).flat_map(|a| (0..a).map(move |b| (b, a)));
    let furthest = pairs.max_by(|x, y| {
        let shift = |(a, b): &(usize, usize)| step(*a, *b).fixed_rows::<3>(3).norm();
        shift(x).total_cmp(&shift(y))
    });
    let (a, b) = furthest.unwrap_or_default();
    let step = step(a, b);
    let (mut one, mut other) = (from[a] + 1, from[b] + 1);
    if one > other {
        std::mem::swap(&mut one, &mut other);
    }
    format!(
        "Cameras {one} and {other} contradict each other: they see the stand {:.1} mm and {:.2}° apart. One of them has another lens profile, or slipped, or counts from a body that was moved: \
         nothing is said until they agree. Look with each alone.",
        mm_from_m(step.fixed_rows::<3>(3).norm()),
        deg_from_rad(step.fixed_rows::<3>(0).norm())
    )
}

/// What comes of several places.
enum Blend {
    One(Box<Place>),
    /// The covariance cannot be inverted.
    NoWeights,
    /// They contradict each other.
    Contradiction,
}

/// Best linear unbiased estimate.
fn blend(base: &Base, all: &[Place]) -> Blend {
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
    let Ok(inverse) = spd_inverse(&((cov.transpose() + cov) * 0.5)) else { return Blend::NoWeights };
    let mut summed = DMatrix::zeros(6, 6 * m);
    for k in 0..m {
        summed += inverse.rows(6 * k, 6);
    }
    let mut normal = Matrix6::zeros();
    for k in 0..m {
        normal += summed.fixed_view::<6, 6>(0, 6 * k);
    }
    let Some(inverse_normal) = normal.try_inverse() else { return Blend::NoWeights };
    let weights = inverse_normal * summed;
    let weights = Matrix6xX::from_fn(6 * m, |r, c| weights[(r, c)]);
    let step = &weights * &steps;
    // Cameras that contradict each other (another lens, a mount that slipped) have no place in common.
    let left = DMatrix::from_fn(6 * m, 1, |r, _| steps[(r, 0)] - step[(r % 6, 0)]);
    let statistic = (left.transpose() * &inverse * &left)[(0, 0)];
    if statistic > chi_square::limit(DISAGREEMENT.ln(), 6 * (m - 1)) {
        return Blend::Contradiction;
    }
    let mut noise = Matrix6::zeros();
    for (k, place) in all.iter().enumerate() {
        let w = weights.fixed_view::<6, 6>(0, 6 * k);
        noise += w * place.noise * w.transpose();
    }
    Blend::One(Box::new(Place {
        world_from_stand: all[0].world_from_stand.moved_right(&Vector6::from_fn(|k, _| step[k])),
        noise: (noise + noise.transpose()) * 0.5,
        gain: weights * gains,
        motion: Motion::Still,
        camera_moves: false,
        frames: all.iter().map(|p| p.frames).sum(),
    }))
}
