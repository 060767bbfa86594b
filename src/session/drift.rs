//! Says where a lens profile no longer fits the photographs of a survey.

use crate::record::result::IntegrityPart;
use crate::record::{Job, LensChoice};
use crate::survey::{
    LensDrift, LensFreedom, LensInput, Survey, SurveyInput, SurveyOptions, adjust, lens_drift, lens_drift_of_free,
};

/// A drift that moves rays by less than this, px, is of no consequence even where it is real. Common practice, no source.
const LEAST_SHIFT_PX: f64 = 0.05;

/// A lens whose profile the photographs contradict.
pub struct Misfit {
    /// The profile's file.
    pub file: String,
    /// True where the profile was taken as exact, so that its error went into the bodies' places.
    pub held: bool,
    /// What the photographs want.
    pub drift: LensDrift,
    /// The same in words.
    pub sentence: String,
}

impl Misfit {
    /// As it goes into the result.
    pub(super) fn part(&self) -> IntegrityPart {
        IntegrityPart {
            test: "the lens profile still fits".into(),
            subject: self.file.clone(),
            statistic: self.drift.statistic,
            threshold: self.drift.critical,
            minimal_detectable: None,
            unit: "px".into(),
            passed: false,
            sentence: self.sentence.clone(),
        }
    }
}

/// Every lens whose profile the photographs contradict.
///
/// A lens that was corrected within its profile is judged by that correction; one that was taken as exact by a second adjustment in which it is free. A lens that was free
/// from the start has no profile to judge.
pub(super) fn misfits(job: &Job, input: &SurveyInput, survey: &Survey) -> Vec<Misfit> {
    if job.lens_choice == LensChoice::Free {
        return Vec::new();
    }
    let freed =
        input.lenses.iter().any(|l| l.freedom == LensFreedom::Held).then(|| with_held_lenses_free(input)).flatten();
    let mut out = Vec::new();
    for (k, lens) in input.lenses.iter().enumerate() {
        let drift = match (&lens.freedom, &freed) {
            (LensFreedom::Held, Some(free)) => {
                lens_drift_of_free(&lens.lens, job.lenses[k].cov.as_deref(), &free.lenses[k], &free.lens_cov[k])
            }
            _ => lens_drift(lens, &survey.lenses[k], &survey.lens_cov[k]),
        };
        if let Some(drift) = drift.filter(|d| d.is_real() && d.shift_px > LEAST_SHIFT_PX) {
            let sentence = sentence(&job.lenses[k].file, &lens.lens, &drift);
            out.push(Misfit {
                file: job.lenses[k].file.clone(),
                held: lens.freedom == LensFreedom::Held,
                drift,
                sentence,
            });
        }
    }
    out
}

/// The same photographs with every held lens free (all but k3, which a bay's photographs determine poorly).
fn with_held_lenses_free(input: &SurveyInput) -> Option<Survey> {
    let mut free = [true; crate::camera::N_LENS];
    free[crate::camera::N_LENS - 1] = false;
    let lenses = input
        .lenses
        .iter()
        .map(|l| match l.freedom {
            LensFreedom::Held => LensInput { lens: l.lens, freedom: LensFreedom::Free(free) },
            _ => l.clone(),
        })
        .collect();
    adjust(&SurveyInput { lenses, ..input.clone() }, &SurveyOptions::default()).ok()
}

fn sentence(file: &str, lens: &crate::camera::Lens, drift: &LensDrift) -> String {
    let zoom = 100.0 * (drift.correction[0] / lens.fx + drift.correction[1] / lens.fy) / 2.0;
    format!(
        "The lens profile {file} no longer fits the camera: the photographs want it changed by up to {:.2} px at the edge of the picture (focal length {zoom:+.2} %), more than the profile's \
             uncertainty allows (test value {:.0}, limit {:.0} at 99.9 %). Focus, zoom or the camera's own straightening may have changed, or it is another camera's profile. Make a new one \
             with `plumbsight lens`; until then set lens = \"free\" under [adjustment].",
        drift.shift_px, drift.statistic, drift.critical
    )
}
