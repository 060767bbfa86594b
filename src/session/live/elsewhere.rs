//! A reading against the photographs that the survey was made from: whether the stand is still where they have it.

use super::base::Base;
use super::camera::Place;
use super::steady::Motion;
use crate::fit::chi_square;
use crate::placement::Component;
use crate::uncertainty::digits::LastDigit;
use crate::units::{deg_from_rad, mm_from_m};
use crate::verdict::{Deviation, StationResult};
use nalgebra::{Matrix3, Matrix6, Vector6};
use std::sync::Arc;

/// Readings in a row that must find the stand elsewhere before they count. Common practice, no source.
pub const ELSEWHERE_IN_A_ROW: usize = 3;

/// Chance that a stand that is where it was surveyed is taken to be elsewhere, for each reading. Common practice, no source.
const CHANCE: f64 = 1e-6;

/// A shift or turn is named only where it is more than so many standard uncertainties (two-sided 0.1 % of a normal distribution).
const CLEARLY: f64 = 3.29;

/// How far the stand is from where it was surveyed: step on the right of the surveyed pose (turn rad, shift m, in the stand's axes), and its covariance with what both
/// places share through the survey.
pub(super) fn off(base: &Base, place: &Place) -> (Vector6<f64>, Matrix6<f64>) {
    let step = base.world_from_stand().right_step_to(&place.world_from_stand);
    let gain = &place.gain - base.stand_by_ground();
    (step, place.noise + base.spread(&gain))
}

/// A stand that rests elsewhere than the photographs have it.
#[derive(Clone, Debug)]
pub struct Elsewhere {
    /// As they have it.
    pub before: Arc<StationResult>,
    /// Which of the six tells it most clearly.
    pub component: Component,
}

/// The reading of a stand that rests elsewhere: further than chance explains, and so far that what the photographs say of one of the six with its U does not hold any more; `None` where
/// that is not shown.
pub(super) fn elsewhere(
    base: &Base,
    place: &Place,
    before: &Arc<StationResult>,
    now: &StationResult,
) -> Option<Elsewhere> {
    if place.motion != Motion::Still || place.camera_moves {
        return None;
    }
    let outside = |k: usize| {
        let (was, is) = (&before.deviations[k].deviation, &now.deviations[k].deviation);
        (was.value - is.value).abs() > was.expanded
    };
    if !(0..6).any(outside) {
        return None;
    }
    let (step, cov) = off(base, place);
    let statistic = (step.transpose() * cov.try_inverse()? * step)[(0, 0)];
    if statistic <= chi_square::limit(CHANCE.ln(), 6) {
        return None;
    }
    // In the car's axes: what all places share drops out, and a shift or turn that is only scatter is not the one to be named.
    let rotation: Matrix3<f64> = (base.vehicle.world_from_vehicle.inverse() * base.world_from_stand()).rotation();
    let mut turn = Matrix6::zeros();
    turn.fixed_view_mut::<3, 3>(0, 0).copy_from(&rotation);
    turn.fixed_view_mut::<3, 3>(3, 3).copy_from(&rotation);
    let (motion, cov) = (turn * step, turn * cov * turn.transpose());
    let clearly = |component: &Component| {
        let along = match component {
            Component::Roll => 0,
            Component::Pitch => 1,
            Component::Yaw => 2,
            Component::Distance => 3,
            Component::Lateral => 4,
            Component::Height => 5,
        };
        motion[along].abs() / cov[(along, along)].sqrt()
    };
    let told = Component::ALL.into_iter().filter(|c| outside(c.index()) && clearly(c) > CLEARLY);
    let component = told.max_by(|a, b| clearly(a).total_cmp(&clearly(b)))?;
    Some(Elsewhere { before: before.clone(), component })
}

impl Elsewhere {
    /// What a reading found against the photographs, to be put behind "A live reading"; millimetres and degrees in the words.
    pub fn found(&self, now: &StationResult) -> String {
        let k = self.component.index();
        let one = |d: &Deviation| {
            let angle = d.component.is_angle();
            let (edge, unit) = if angle { (deg_from_rad as fn(f64) -> f64, "°") } else { (mm_from_m as _, " mm") };
            let (value, expanded) = (edge(d.deviation.value), edge(d.deviation.expanded));
            let last = LastDigit::of(expanded);
            format!("{}{unit} U {}{unit}", last.signed(value), last.up(expanded))
        };
        words(self.component.name(), &one(&now.deviations[k]), &one(&self.before.deviations[k]))
    }
}

/// The same from texts: the one of the six, as it reads now and as the photographs have it.
pub fn words(name: &str, now: &str, before: &str) -> String {
    format!("found the stand elsewhere than the photographs: {name} {now} instead of {before}.")
}
