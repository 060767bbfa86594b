//! From the survey's bodies to the decision: the step that hands the one to the other.

use crate::record::Job;
use crate::survey::Survey;
use crate::vehicle::{DecisionBodies, Unmeasurable, measured_bodies, rolled_bodies};
use crate::verdict::{AssessInput, Assessment, assess};

/// The survey's bodies as the decision takes them, whether the car was rolled or not.
///
/// Errors: the roll positions do not give the wheels, or contradict each other.
pub fn decision_bodies(job: &Job, survey: &Survey) -> Result<DecisionBodies, Unmeasurable> {
    if let Some(rolled) = &job.rolled {
        return rolled_bodies(&job.kit, &job.vehicle, &rolled.car, survey, rolled.judged);
    }
    let bodies = measured_bodies(&job.kit, survey);
    let all: Vec<usize> = (0..bodies.len()).collect();
    Ok(DecisionBodies { joint: survey.joint(&all), bodies, vehicle: job.vehicle.clone() })
}

/// Judges every station of a job.
///
/// Errors: the vehicle frame cannot be had; the reason names the thing and the remedy.
pub fn judge(job: &Job, survey: &Survey) -> Result<Assessment, Unmeasurable> {
    let from = decision_bodies(job, survey)?;
    assess(&AssessInput {
        bodies: &from.bodies,
        joint: &from.joint,
        vehicle: &from.vehicle,
        floor: &job.floor,
        stands: &job.stands,
        placement: &job.placement,
    })
}
