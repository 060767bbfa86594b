//! From the survey's bodies to the decision: the step that hands the one to the other.

use crate::record::Job;
use crate::survey::Survey;
use crate::vehicle::{MeasuredBody, Unmeasurable};
use crate::verdict::{AssessInput, Assessment, assess};

/// Judges every station of a job.
pub(super) fn judge(job: &Job, survey: &Survey) -> Result<Assessment, Unmeasurable> {
    let bodies: Vec<MeasuredBody> = survey
        .bodies
        .iter()
        .map(|estimate| MeasuredBody {
            body: estimate.body,
            name: job.kit.bodies[estimate.body].name.clone(),
            kind: job.kit.bodies[estimate.body].kind,
            station: estimate.station,
            world_from_body: estimate.world_from_body,
        })
        .collect();
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
