//! From the survey's bodies to the decision: the step that hands the one to the other.

use crate::record::Job;
use crate::survey::Survey;
use crate::vehicle::{Unmeasurable, measured_bodies};
use crate::verdict::{AssessInput, Assessment, assess};

/// Judges every station of a job.
pub(super) fn judge(job: &Job, survey: &Survey) -> Result<Assessment, Unmeasurable> {
    let bodies = measured_bodies(&job.kit, survey);
    let all: Vec<usize> = (0..bodies.len()).collect();
    assess(&AssessInput {
        bodies: &bodies,
        joint: &survey.joint(&all),
        vehicle: &job.vehicle,
        floor: &job.floor,
        stands: &job.stands,
        placement: &job.placement,
    })
}
