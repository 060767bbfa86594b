//! The use cases, top to bottom as named steps: read the photographs, find the tags, survey, judge.
//!
//! Knows no screen: photographs are searched in parallel, progress goes to a callback, what a person should know comes back as data.

mod advice;
mod drift;
mod explain;
pub mod hold;
mod integrity;
mod judge;
pub mod keep;
pub mod later;
pub mod learn;
pub mod lengths;
pub mod lens;
pub mod live;
mod look;
mod monte_carlo;
mod notices;
mod print_size;
pub mod ready;
pub mod rehearsal;
pub mod repeat;
pub mod replay;
mod result;
mod roll;
mod rough;
mod stray;
mod survey_file;
mod swapped;
mod table;
mod touch;
mod turned;

pub use judge::{decision_bodies, judge};
pub use look::{Look, look, look_until, other_camera};
pub use monte_carlo::USUAL_TRIALS;
pub use result::station as station_part;
pub use survey_file::{SURVEY_FORMAT, SeenTag, seen_tags};

use crate::record::result::{NoticePart, Verdict};
use crate::record::{Job, Notice, Problem, ResultFile};
use crate::sheets::id_ranges;
use crate::survey::{LensFreedom, LensInput, NO_BODY, Survey, SurveyInput, SurveyOptions};
use crate::verdict::words;

/// A body of whose views one in this many was rejected is mentioned. Common practice, no source.
const DOUBTFUL_SHARE: f64 = 4.0;

/// Fewer redundant measurements than this check too little. Common practice, no source.
const FEW_CHECKS: f64 = 20.0;

/// Corner noise beyond the detector's own that is worth a warning, px. Common practice, no source.
const ROUGH_FIT_PX: f64 = 0.5;

/// How far a long piece of work has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// So many of so many photographs have been read and searched.
    Photographs {
        /// Done.
        done: usize,
        /// In all.
        of: usize,
    },
    /// The survey is being adjusted.
    Surveying,
    /// The stations are being judged.
    Judging,
}

/// Where progress goes. Called from several photographs at once.
pub type Watch<'a> = &'a (dyn Fn(Progress) + Sync);

/// Why there is no result.
#[derive(Debug, thiserror::Error)]
pub enum Failure {
    /// A file is wrong.
    #[error(transparent)]
    Problem(#[from] Problem),
    /// The photographs do not allow a measurement; the text says why and what to do.
    #[error("{reason}")]
    NotMeasurable {
        /// Why, and what to do.
        reason: String,
        /// What else was noticed on the way.
        notices: Vec<Notice>,
    },
}

/// Photographs searched and tied together.
pub struct Measured {
    /// What was seen.
    pub look: Look,
    /// What was surveyed.
    pub input: SurveyInput,
    /// The solution.
    pub survey: Survey,
    /// Lenses whose profile the photographs contradict.
    pub misfits: Vec<drift::Misfit>,
    /// Gross mistakes in what the job says, which the survey went on without.
    pub mistakes: Vec<explain::Mistake>,
    /// All notices so far.
    pub notices: Vec<Notice>,
}

/// Reads the photographs of a job and ties them together.
pub fn measure(job: &Job, watch: Watch) -> Result<Measured, Failure> {
    measure_look(job, look(job, watch), watch)
}

/// The same from photographs that have been searched already.
fn measure_look(job: &Job, mut look: Look, watch: Watch) -> Result<Measured, Failure> {
    let mut notices = job.notices.clone();
    notices.append(&mut look.notices);
    measure_seen(job, look, notices, watch)
        .map_err(|untied| Failure::NotMeasurable { reason: untied.reason, notices: notices::together(untied.notices) })
}

/// Photographs that could not be tied together, with why.
struct Untied {
    reason: String,
    notices: Vec<Notice>,
    look: Look,
}

/// The same from tags already found; a failure gives back what was seen.
fn measure_seen(job: &Job, look: Look, mut notices: Vec<Notice>, watch: Watch) -> Result<Measured, Box<Untied>> {
    let usable: Vec<&str> = look.photos.iter().map(|p| p.name.as_str()).collect();
    let too_few = match usable.as_slice() {
        [] => Some(none_used(job, &look)),
        [one] => Some(format!(
            "Only one photograph can be used ({one}), and one photograph cannot check itself. Take more, from several sides: 15 to 30 that \
             each show at least two bodies."
        )),
        _ => nothing_seen(job, &look),
    };
    if let Some(reason) = too_few {
        // What is said of all is not said once more.
        if let Some(same) = look.refused.first().map(|(_, why)| why).filter(|why| reason.ends_with(why.as_str())) {
            let said = format!("Not used: {same}");
            notices.retain(|n| n.text != said);
        }
        return Err(Box::new(Untied { reason, notices, look }));
    }
    watch(Progress::Surveying);
    let input = SurveyInput {
        kit: job.kit.clone(),
        lenses: lens_inputs(job, &mut notices),
        photos: with_holds(job, &look),
        moved_between_stations: job.moved_between_stations.clone(),
        rolled: job.rolled.as_ref().map(|r| r.car.clone()),
    };
    let solved = crate::survey::adjust(&input, &SurveyOptions::default());
    let (input, solved, mistakes) = explain::explained(input, solved);
    match solved {
        Ok(survey) => {
            notices.extend(survey_notices(job, &look, &survey));
            let misfits = drift::misfits(job, &input, &survey);
            notices.extend(misfits.iter().map(|m| Notice { about: m.file.clone(), text: m.sentence.clone() }));
            Ok(Measured { look, input, survey, misfits, mistakes, notices })
        }
        Err(error) => {
            let named: String = mistakes.iter().map(|m| format!(" {}", m.part().sentence)).collect();
            let reason = format!("The photographs could not be tied together: {error}.{named}");
            Err(Box::new(Untied { reason, notices, look }))
        }
    }
}

/// Why no photograph is used: the one reason where all have the same.
fn none_used(job: &Job, look: &Look) -> String {
    let n = look.refused.len();
    match look.refused.as_slice() {
        [(_, first), rest @ ..] if !rest.is_empty() && rest.iter().all(|(_, reason)| reason == first) => {
            format!("None of the {n} photographs can be used. Of each: {first}")
        }
        [(at, only)] => format!("The only photograph, {}, cannot be used: {only}", job.photos[*at].name),
        _ => "None of the photographs can be used. The notices say why for each.".to_owned(),
    }
}

/// What to look at where the photographs show no tag at all, or none of the kit; `None` where they show some.
fn nothing_seen(job: &Job, look: &Look) -> Option<String> {
    let (n, first) = (look.photos.len(), &look.photos.first()?.name);
    let seen: std::collections::BTreeSet<u16> = look.photos.iter().flat_map(|p| p.tags.iter().map(|t| t.id)).collect();
    if seen.is_empty() {
        return Some(format!(
            "No tag at all was found in any of the {n} photographs. `plumbsight tags --trace DIR {first}`, run in the job folder, draws what the search made of one of them: the tags must be sharp, whole with the \
             white margin around them, not too small in the picture, and of the family 36h11."
        ));
    }
    if seen.iter().any(|id| job.kit.find_tag(*id).is_some()) {
        return None;
    }
    let ids: Vec<u16> = seen.into_iter().collect();
    Some(format!(
        "Tags were found in the photographs, and {} declares none of them: {}. Photograph the sheets that belong to this job, or declare these in {}.",
        job.bodies_file,
        id_ranges(&ids),
        job.bodies_file
    ))
}

/// The photographs, each with the hold of the pointer that the job says it shows.
fn with_holds(job: &Job, look: &Look) -> Vec<crate::survey::Photo> {
    let mut photos = look.photos.clone();
    if let Some(touch) = &job.touch {
        for photo in &mut photos {
            let at = job.photos.iter().position(|p| p.name == photo.name);
            photo.hold = at.and_then(|k| touch.hold_of[k]);
        }
    }
    photos
}

/// What a check works out besides the verdict.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Extras {
    /// Advice whatever the verdict; without, only where something is not proven.
    pub advice: bool,
    /// So many trials of Monte Carlo.
    pub monte_carlo: Option<usize>,
}

/// The whole job: photographs in, verdict out. A job that cannot be measured gives a result that says so.
pub fn check(job: &Job, watch: Watch) -> ResultFile {
    check_with(job, Extras::default(), watch)
}

/// The same with more worked out.
pub fn check_with(job: &Job, extras: Extras, watch: Watch) -> ResultFile {
    check_seen(job, look(job, watch), extras, watch)
}

/// The same from photographs that have been searched already.
pub fn check_seen(job: &Job, look: Look, extras: Extras, watch: Watch) -> ResultFile {
    let mut out = judged(job, look, extras, watch);
    let said = out.notices.into_iter().map(|n| Notice { about: n.about, text: n.text }).collect();
    out.notices = notices::together(said).into_iter().map(|n| NoticePart { about: n.about, text: n.text }).collect();
    out.readiness = job.readiness.as_ref().map(|list| ready::parts(list, Some(&out))).unwrap_or_default();
    out
}

fn judged(job: &Job, mut look: Look, extras: Extras, watch: Watch) -> ResultFile {
    let mut notices = job.notices.clone();
    notices.append(&mut look.notices);
    let mut measured = match measure_seen(job, look, notices, watch) {
        Ok(measured) => measured,
        Err(untied) => return result::not_measured(job, &untied.look, None, untied.reason, untied.notices),
    };
    watch(Progress::Judging);
    if let Some(reason) = obstacle(job, &measured) {
        let mut out =
            result::not_measured(job, &measured.look, Some(&measured.survey), reason, measured.notices.clone());
        out.integrity = integrity::parts(job, &measured);
        return out;
    }
    let touched = touch::touched(job, &measured.survey);
    measured.notices.extend(touch::notices(job, touched.as_ref()));
    let from = decision_bodies(job, &measured.survey);
    let judged = from.and_then(|from| judge::judge_bodies(job, &from).map(|judged| (from, judged)));
    let outcome = judged.as_ref().map(|(_, judged)| judged.clone()).map_err(Clone::clone);
    let exchanged = swapped::exchanged(job, &measured.survey, &outcome);
    match judged {
        Ok((from, judged)) => {
            measured.notices.extend(print_size::notice(job, &measured.survey, &judged));
            measured.notices.extend(roll::notices(job, &measured.survey, &measured.mistakes));
            let mut out = result::build(job, &measured, &judged, touched.as_ref());
            out.integrity = integrity::parts(job, &measured);
            let could_hide = integrity::could_hide(job, &measured, &from, &judged);
            out.integrity.extend(integrity::hidden(job, &measured, &judged, &could_hide));
            swapped::say(&mut out, exchanged);
            integrity::withhold(&mut out);
            if job.rough_lens {
                rough::cap(&mut out);
            }
            if let Some(n) = extras.monte_carlo {
                out.monte_carlo = monte_carlo::run(job, &measured.input, &measured.survey, &from, &judged, n);
                out.notices.extend(monte_carlo::notice(out.monte_carlo.as_ref()));
            }
            // A fault has its own remedy, and so has a lens that is only guessed.
            let sound = !job.rough_lens && integrity::no_fault(&out.integrity);
            if sound && (extras.advice || out.verdict == Verdict::NotProven) {
                let advised = advice::advise(job, &measured, &from, &judged, &could_hide);
                if let Some(advised) = advised {
                    advice::say(&mut out, &advised);
                    out.advice = Some(advice::part(job, &judged, &advised));
                }
            }
            out
        }
        Err(reason) => {
            let reason = words::sentence(&reason.to_string());
            let notices = measured.notices.clone();
            let mut out = result::not_measured(job, &measured.look, Some(&measured.survey), reason, notices);
            out.integrity = integrity::parts(job, &measured);
            swapped::say(&mut out, exchanged);
            out
        }
    }
}

/// Why a survey gives no measurement.
fn obstacle(job: &Job, measured: &Measured) -> Option<String> {
    // A lens wrongly taken as exact bends the whole survey, and bodies then seem to move: it is named first.
    let wrong_lens = measured.misfits.iter().find(|m| m.held).map(|m| m.sentence.clone());
    wrong_lens.or_else(|| undecided_pose(job, &measured.survey)).or_else(|| integrity::moved(job, measured))
}

/// True for a body whose place the verdict hangs on: a plate, a target's stand, a datum.
fn carries_the_answer(job: &Job, body: usize) -> bool {
    use crate::placement::Datum;
    job.vehicle.wheels.iter().any(|w| w.plate == body)
        || job
            .placement
            .stations
            .iter()
            .any(|s| s.target == body || matches!(s.datum, Datum::Body { body: datum, .. } if datum == body))
}

/// A flat body seen from one side only can have two poses that fit almost equally well. Where that body carries the answer there is none.
fn undecided_pose(job: &Job, survey: &Survey) -> Option<String> {
    let open = survey.bodies.iter().find(|b| {
        carries_the_answer(job, b.body)
            && b.mirror_margin.is_some_and(|margin| margin < crate::survey::CLEAR_MIRROR_MARGIN)
    })?;
    Some(format!(
        "Two different poses of \"{}\" fit the photographs almost equally well ({} show it). Take two more photographs of it together with its \
         surroundings, clearly from the left and from the right.",
        job.kit.bodies[open.body].name,
        match open.n_photos {
            1 => "1 photograph".to_owned(),
            n => format!("{n} photographs"),
        }
    ))
}

/// The survey of a job alone, as JSON text, with what should be said beside it.
pub fn survey(job: &Job, watch: Watch) -> Result<(String, Vec<Notice>), Failure> {
    survey_seen(job, look(job, watch), watch)
}

/// The same from photographs that have been searched already.
pub fn survey_seen(job: &Job, look: Look, watch: Watch) -> Result<(String, Vec<Notice>), Failure> {
    let measured = measure_look(job, look, watch)?;
    let mut notices = measured.notices.clone();
    let touched = touch::touched(job, &measured.survey);
    notices.extend(touch::notices(job, touched.as_ref()));
    // A lens that does not fit is among the notices already.
    let failed = integrity::parts(job, &measured).into_iter().skip(measured.misfits.len()).filter(|test| !test.passed);
    notices.extend(failed.map(|test| Notice { about: test.subject, text: test.sentence }));
    Ok((survey_file::to_json(job, &measured, touched.as_ref())?, notices::together(notices)))
}

/// Tags that no body declares, in one notice.
fn foreign_tags(look: &Look, survey: &Survey) -> Option<Notice> {
    let foreign = || survey.dropped.iter().filter(|d| d.reason == NO_BODY);
    let mut ids: Vec<u16> = foreign().map(|d| d.id).collect();
    ids.sort_unstable();
    ids.dedup();
    let photos: std::collections::BTreeSet<&str> = foreign().map(|d| look.photos[d.photo].name.as_str()).collect();
    let about = match ids.as_slice() {
        [] => return None,
        [one] => format!("tag {one}"),
        several => format!("tags {}", id_ranges(several)),
    };
    let named = match photos.len() {
        1 => photos.first()?.to_string(),
        n => format!("{} and {} more", photos.first()?, n - 1),
    };
    Some(Notice { about, text: format!("Left out in {named}: {NO_BODY}.") })
}

/// What the survey may do to each lens, as the job and the profiles allow.
fn lens_inputs(job: &Job, notices: &mut Vec<Notice>) -> Vec<LensInput> {
    use crate::record::LensChoice;
    job.lenses
        .iter()
        .map(|profile| {
            let freedom = match (job.lens_choice, &profile.cov) {
                (LensChoice::Held, _) => LensFreedom::Held,
                (LensChoice::WithinProfile, Some(cov)) => LensFreedom::Measured(cov.clone()),
                (LensChoice::WithinProfile, None) => {
                    notices.push(Notice {
                        about: profile.file.clone(),
                        text: "The lens profile states no uncertainty, so the lens is taken as exact and its share is missing from every U. \
                               Add sigma or covariance to the profile, or set lens = \"free\" under [adjustment]."
                            .into(),
                    });
                    LensFreedom::Held
                }
                // The third radial term is poorly determined by a bay's photographs: it stays where the profile has none.
                (LensChoice::Free, _) => {
                    let mut free = [true; crate::camera::N_LENS];
                    free[crate::camera::N_LENS - 1] = profile.lens.k3 != 0.0;
                    LensFreedom::Free(free)
                }
            };
            LensInput { lens: profile.lens, freedom }
        })
        .collect()
}

/// What the survey left out, said once for each photograph, body and kind of tag.
fn survey_notices(job: &Job, look: &Look, survey: &Survey) -> Vec<Notice> {
    let mut out = Vec::new();
    for (photo, reason) in &survey.untied_photos {
        out.push(Notice {
            about: look.photos[*photo].name.clone(),
            text: format!(
                "Not used: {}. If it is of another day, another car or another bay, take it out of the job.",
                reason.trim_end_matches('.')
            ),
        });
    }
    for (body, reason) in &survey.untied_bodies {
        out.push(Notice {
            about: job.kit.bodies[*body].name.clone(),
            text: format!("Not measured: {}.", reason.trim_end_matches('.')),
        });
    }
    for (k, body) in survey.bodies.iter().enumerate() {
        let views = survey.views.iter().filter(|v| v.body == k).count();
        let rejected = survey.views.iter().filter(|v| v.body == k && !v.used).count();
        if rejected >= 2 && DOUBTFUL_SHARE * rejected as f64 >= views as f64 {
            out.push(Notice {
                about: job.kit.bodies[body.body].name.clone(),
                text: format!(
                    "{rejected} of {views} views of it contradict the rest and were left out: it may have been moved between photographs. If nothing was \
                     touched, look at these photographs for glare, dirt or a tag partly hidden."
                ),
            });
        }
    }
    if survey.redundancy < FEW_CHECKS {
        out.push(Notice {
            about: "photographs".into(),
            text: format!(
                "Only {:.0} measurements check the others, so faults can hide and U may be too small: take more photographs that each show several bodies.",
                survey.redundancy
            ),
        });
    }
    if survey.spread > 1.0 {
        out.push(Notice {
            about: "photographs".into(),
            text: format!(
                "The corners of one photograph err together more than their scatter explains (variance {:.1} times as large): U has been made larger for it. \
                 Motion blur, a lens profile that fits badly, or sheets that are not flat do this.",
                survey.spread
            ),
        });
    }
    if survey.unmodelled_px > ROUGH_FIT_PX {
        out.push(Notice {
            about: "photographs".into(),
            text: format!(
                "The photographs fit together only to {:.2} px; sharp photographs with the right lens profile fit to 0.1 px or better. Check the lens profile, \
                 the sides of the tags, and that nothing was moved.",
                survey.unmodelled_px
            ),
        });
    }
    // The same tag in ten photographs is one sentence.
    let mut by_kind: std::collections::BTreeMap<(u16, &str), Vec<&str>> = std::collections::BTreeMap::new();
    for dropped in survey.dropped.iter().filter(|d| d.reason != NO_BODY) {
        by_kind.entry((dropped.id, &dropped.reason)).or_default().push(&look.photos[dropped.photo].name);
    }
    for ((id, reason), mut photos) in by_kind {
        // An id twice in one photograph is left out twice.
        photos.dedup();
        let named = match photos.as_slice() {
            [one] => one.to_string(),
            [one, rest @ ..] => format!("{one} and {} more", rest.len()),
            [] => continue,
        };
        out.push(Notice {
            about: format!("tag {id}"),
            text: format!("Left out in {named}: {}.", reason.trim_end_matches('.')),
        });
    }
    out.extend(foreign_tags(look, survey));
    out
}
