//! From the survey's bodies to the decision: the step that hands the one to the other.

use crate::record::Job;
use crate::survey::Survey;
use crate::vehicle::{DecisionBodies, Unmeasurable, measured_bodies, rolled_bodies, touched_bodies};
use crate::verdict::{AssessInput, Assessment, assess};

/// The survey's bodies as the decision takes them, whether the car was rolled or not; touched points come last.
///
/// Errors: the roll positions do not give the wheels, or contradict each other.
pub fn decision_bodies(job: &Job, survey: &Survey) -> Result<DecisionBodies, Unmeasurable> {
    let mut from = match &job.rolled {
        Some(rolled) => rolled_bodies(&job.kit, &job.vehicle, &rolled.car, survey, rolled.judged)?,
        None => {
            // A pointer's poses carry the points that it touched and nothing else.
            let kept: Vec<usize> = (0..survey.bodies.len()).filter(|k| survey.bodies[*k].hold.is_none()).collect();
            let all = measured_bodies(&job.kit, survey);
            let bodies = kept.iter().map(|k| all[*k].clone()).collect();
            DecisionBodies {
                joint: survey.joint(&kept),
                by_column: survey.steps_by_column(&kept, &[]),
                bodies,
                kept,
                vehicle: job.vehicle.clone(),
            }
        }
    };
    if let (Some(touch), Some(touched)) = (&job.touch, super::touch::touched(job, survey)) {
        let (points, bodies) = touched_bodies(&job.kit, &touch.touching, &touched);
        let places: Vec<usize> = (0..from.bodies.len() - from.kept.len()).collect();
        from.joint = survey.joint_with_points(&from.kept, &places, &touched, &points);
        from.by_column = survey.steps_with_points_by_column(&from.kept, &places, &touched, &points);
        from.bodies.extend(bodies);
    }
    Ok(from)
}

/// Judges every station of a job.
///
/// Errors: the vehicle frame cannot be had; the reason names the thing and the remedy.
pub fn judge(job: &Job, survey: &Survey) -> Result<Assessment, Unmeasurable> {
    judge_bodies(job, &decision_bodies(job, survey)?)
}

/// The same where the bodies are at hand.
pub(super) fn judge_bodies(job: &Job, from: &DecisionBodies) -> Result<Assessment, Unmeasurable> {
    assess(&assess_input(job, from))
}

/// What the decision is made from.
pub(super) fn assess_input<'a>(job: &'a Job, from: &'a DecisionBodies) -> AssessInput<'a> {
    AssessInput {
        bodies: &from.bodies,
        joint: &from.joint,
        vehicle: &from.vehicle,
        floor: &job.floor,
        stands: &job.stands,
        placement: &job.placement,
    }
}
