//! A job's known lengths against what its photographs measure.

use super::{Failure, Measured, Watch, measure};
use crate::frames::skew;
use crate::record::{Job, KnownLengths, Notice};
use crate::survey::Survey;
use crate::uncertainty::lengths::{Length, LengthCheck, check_lengths};
use crate::units::mm_from_m;
use nalgebra::{DMatrix, Matrix3x6};

/// The outcome with what it was made from.
pub struct LengthsChecked {
    /// Names of the two ends, for each length.
    pub names: Vec<[String; 2]>,
    /// The lengths.
    pub lengths: Vec<Length>,
    /// What they show.
    pub check: LengthCheck,
    /// Lengths left out, and everything else that was noticed.
    pub notices: Vec<Notice>,
}

/// Measures the job and compares.
///
/// # Errors
/// The photographs allow no survey, or none of the lengths could be measured.
pub fn lengths(job: &Job, known: &KnownLengths, watch: Watch) -> Result<LengthsChecked, Failure> {
    let Measured { survey, mut notices, .. } = measure(job, watch)?;
    let name = |body: usize| job.kit.bodies[body].name.clone();
    let mut kept = Vec::new();
    for length in &known.lengths {
        let found = length.ends.map(|end| only_place(&survey, end.body));
        match found {
            [Ok(from), Ok(to)] => kept.push((length, [from, to])),
            [Err(why), _] | [_, Err(why)] => notices.push(Notice {
                about: format!("{} to {}", name(length.ends[0].body), name(length.ends[1].body)),
                text: format!("This length is left out: {why}."),
            }),
        }
    }
    let (measured, cov) = measured_lengths(&survey, &kept);
    let u_instrument = known.u_instrument;
    let lengths: Vec<Length> = kept
        .iter()
        .zip(measured)
        .map(|((known, _), measured_m)| Length {
            line: known.line.clone(),
            measured_m,
            known_m: known.known_m,
            u_known_m: known.u_known_m,
            u_scale: u_instrument,
        })
        .collect();
    match check_lengths(&lengths, &cov, known.limit_m, known.volume_m) {
        Some(check) => {
            let names = kept.iter().map(|(known, _)| known.ends.map(|end| name(end.body))).collect();
            Ok(LengthsChecked { names, lengths, check, notices })
        }
        None => {
            let reason =
                "None of the known lengths could be measured. Take photographs that show both ends of each.".into();
            Err(Failure::NotMeasurable { reason, notices })
        }
    }
}

/// The one place in the survey where a body stood, or why there is not one.
fn only_place(survey: &Survey, body: usize) -> Result<usize, &'static str> {
    let mut places = (0..survey.bodies.len()).filter(|k| survey.bodies[*k].body == body);
    match (places.next(), places.next()) {
        (Some(place), None) => Ok(place),
        (None, _) => Err("one of its ends is not tied to the survey"),
        (Some(_), Some(_)) => Err("one of its ends stood in several places"),
    }
}

/// Lengths, m, and their covariance, m², by the law of propagation from the joint covariance of all ends' bodies.
fn measured_lengths(survey: &Survey, kept: &[(&crate::record::KnownLength, [usize; 2])]) -> (Vec<f64>, DMatrix<f64>) {
    let mut bodies: Vec<usize> = kept.iter().flat_map(|(_, places)| *places).collect();
    bodies.sort_unstable();
    bodies.dedup();
    let mut by_step = DMatrix::zeros(kept.len(), 6 * bodies.len());
    let mut measured = Vec::new();
    for (row, (known, places)) in kept.iter().enumerate() {
        let at = |k: usize| survey.bodies[places[k]].world_from_body * known.ends[k].in_body;
        let along = at(1).coords - at(0).coords;
        measured.push(along.norm());
        let unit = along.try_normalize(1e-9).unwrap_or_default();
        for (k, sign) in [(0, -1.0), (1, 1.0)] {
            // d (T exp(δ) p) / d δ = R [−p×, 1].
            let mut step = Matrix3x6::zeros();
            step.fixed_view_mut::<3, 3>(0, 0).copy_from(&-skew(&known.ends[k].in_body.coords));
            step.fixed_view_mut::<3, 3>(0, 3).fill_with_identity();
            let by = (survey.bodies[places[k]].world_from_body.rotation().transpose() * unit).transpose() * step * sign;
            // Every end's body is in the list.
            if let Ok(b) = bodies.binary_search(&places[k]) {
                let mut target = by_step.view_mut((row, 6 * b), (1, 6));
                target += by;
            }
        }
    }
    let cov = &by_step * survey.joint(&bodies).cov * by_step.transpose();
    (measured, cov)
}

/// Whether errors as large as these are to be expected from the stated uncertainties, in a sentence.
pub fn consistency(check: &LengthCheck) -> String {
    let n = check.errors.len();
    let covered = check.errors.iter().filter(|e| e.error.value.abs() <= e.error.expanded).count();
    let worst = &check.errors[check.worst].error;
    let fits = if check.ln_chance > 0.01f64.ln() {
        "no larger than the stated uncertainties let expect"
    } else {
        "larger than the stated uncertainties let expect (chance below 1 %): look for a print of another size, a lens of another zoom, or a slip with the \
         tape"
    };
    format!(
        "{covered} of {n} errors lie within their U; the largest is {:+.2} mm (U {:.2} mm). Together they are {fits}.",
        mm_from_m(worst.value),
        mm_from_m(worst.expanded)
    )
}
