//! From the survey's bodies to the decision: the step that hands the one to the other.

use crate::record::Job;
use crate::survey::Survey;
use crate::vehicle::{Unmeasurable, measured_bodies, rolled_bodies};
use crate::verdict::{AssessInput, Assessment, assess};

/// Judges every station of a job.
///
/// Errors: the vehicle frame cannot be had; the reason names the thing and the remedy.
pub fn judge(job: &Job, survey: &Survey) -> Result<Assessment, Unmeasurable> {
    if let Some(rolled) = &job.rolled {
        let rolled = rolled_bodies(&job.kit, &job.vehicle, &rolled.car, survey, rolled.judged)?;
        return assess(&AssessInput {
            bodies: &rolled.bodies,
            joint: &rolled.joint,
            vehicle: &rolled.vehicle,
            floor: &job.floor,
            stands: &job.stands,
            placement: &job.placement,
        });
    }
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
