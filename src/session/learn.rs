//! Learning a body: photographs of a stand or plate to its table for `bodies.toml`, with the covariance of its tags' places.

use crate::placement::{FaceMark, LearnError, LearnedBody, learn_body};
use crate::record::{Job, JobLearn, LensChoice, Notice, learned_texts};
use crate::session::{Failure, Measured, Watch, integrity, measure};
use crate::survey::{FoundPlaces, Survey};

/// A tag seen in fewer photographs than this is not learned: two cannot check each other. Common practice, no source.
const FEWEST_PHOTOS: usize = 3;

/// Where this share of the views of the body is rejected, it changed its shape or was moved. Common practice, no source.
const REJECTED_SHARE: f64 = 0.15;

/// A body as learned, with what goes with it.
pub struct Learned {
    /// Index into the job's bodies.
    pub body: usize,
    /// What was found.
    pub learned: LearnedBody,
    /// Photographs used.
    pub n_photos: usize,
    /// A-posteriori standard deviation of unit weight.
    pub sigma0: f64,
    /// Measurements less unknowns.
    pub redundancy: f64,
    /// What should be known.
    pub notices: Vec<Notice>,
}

/// Learns the body that a job names. A job read for [`crate::record::Purpose::Learn`] names one.
pub fn learn(job: &Job, watch: Watch) -> Result<Learned, Failure> {
    let Some(asked) = &job.learn else {
        return Err(fail(
            "The job has no [learn] table that says which body is to be learned.".into(),
            job.notices.clone(),
        ));
    };
    if job.lens_choice == LensChoice::Free {
        return Err(fail(
            "A body is learned with a lens profile only: what a lens found from the same photographs gets wrong would go into the body without a trace. Make a \
             profile with `plumbsight lens`, name it in job.toml and leave `lens` out under [adjustment]."
                .into(),
            job.notices.clone(),
        ));
    }
    let measured = measure(job, watch)?;
    // A fault that the survey named is adjusted away in its own results: what moved or was misprinted must not be learned.
    let faults: Vec<String> =
        integrity::parts(job, &measured).into_iter().filter(|test| !test.passed).map(|test| test.sentence).collect();
    let result = match faults.as_slice() {
        [] => learn_surveyed(job, asked, &measured.survey),
        some => Err(some.join(" ")),
    };
    let Measured { survey, mut notices, .. } = measured;
    match result {
        Ok((learned, more)) => {
            notices.extend(more);
            Ok(Learned {
                body: asked.body,
                learned,
                n_photos: survey.photos.len(),
                sigma0: survey.sigma0,
                redundancy: survey.redundancy,
                notices,
            })
        }
        Err(reason) => Err(fail(reason, notices)),
    }
}

fn fail(reason: String, notices: Vec<Notice>) -> Failure {
    Failure::NotMeasurable { reason, notices }
}

/// The same from a survey: what was learned and what should be known, or why not.
fn learn_surveyed(job: &Job, asked: &JobLearn, survey: &Survey) -> Result<(LearnedBody, Vec<Notice>), String> {
    let body = &job.kit.bodies[asked.body];
    let name = &body.name;
    still_one(survey, asked.body, name)?;
    let found = survey.places(asked.body, body);
    let mut notices = Vec::new();
    let known = |tag: usize| found.places.iter().find(|p| p.tag == tag).map_or(0, |p| p.n_photos);
    let mut used = Vec::new();
    for (t, tag) in body.tags.iter().enumerate() {
        let n = known(t);
        if n >= FEWEST_PHOTOS {
            used.push(t);
            continue;
        }
        let often = match n {
            0 => "in no photograph".to_owned(),
            1 => "in one photograph only".to_owned(),
            n => format!("in {n} photographs only"),
        };
        if let Some(mark) = asked.face.iter().find(|m| m.tag == t) {
            return Err(format!(
                "Tag {}, which marks the target's {} corner, is seen {often}. Take at least {FEWEST_PHOTOS}, better 6, that show it together with other tags of \"{name}\", \
                 from clearly different directions.",
                tag.id,
                mark.corner.name()
            ));
        }
        notices.push(Notice {
            about: format!("tag {}", tag.id),
            text: format!(
                "It is seen {often} (of those that agree with the rest) and was left out of \"{name}\"; {FEWEST_PHOTOS} are needed. Later jobs must not declare it on \
                 this body."
            ),
        });
    }
    let found = only(&found, &used);
    let learned = learn_body(asked.body, body, &found, &asked.face).map_err(|error| reason(&error))?;
    if learned.tags.len() < 2 {
        return Err(format!(
            "Only one tag of \"{name}\" would be known: there is nothing to learn. Take photographs that show several of its tags, from different directions."
        ));
    }
    if let Some(face) = &learned.face {
        if face.dof < 4 {
            notices.push(Notice {
                about: name.clone(),
                text: "Three corners are marked: the face's flatness stays unchecked. With the fourth the marks check each other.".into(),
            });
        }
        let turned: Vec<String> = face
            .turned
            .iter()
            .filter_map(|n| asked.face.get(*n))
            .map(|m: &FaceMark| body.tags[m.tag].id.to_string())
            .collect();
        if !turned.is_empty() {
            notices.push(Notice {
                about: name.clone(),
                text: format!(
                    "The print of tag {} does not stand upright on the target: check that its corner is named as seen by somebody who looks at the face, and that \
                     mark_mm is along the print's own right and up.",
                    turned.join(", ")
                ),
            });
        }
    }
    Ok((learned, notices))
}

fn reason(error: &LearnError) -> String {
    let text = error.to_string();
    let text = crate::verdict::words::sentence(&text);
    let remedy = match error {
        LearnError::Face(_) | LearnError::Mirrored => "Correct `corner` in the [[learn.face]] tables.",
        LearnError::Misfit { .. } => {
            "Look at that sheet first: is it on its corner, is mark_mm right, does the sheet belong to that corner? Where the target itself is no better than that, \
             say so with a larger u_mark_mm or u_flat_mm."
        }
        LearnError::NothingStays => {
            "Put tags on the stand that stay, and photograph them together with the target-corner sheets."
        }
        LearnError::Singular => "Take more photographs of the body, from other directions.",
    };
    format!("{text} {remedy}")
}

/// A body many of whose views contradict the rest was bent, moved or taken apart between photographs.
fn still_one(survey: &Survey, body: usize, name: &str) -> Result<(), String> {
    let views = || survey.views.iter().filter(|v| survey.bodies[v.body].body == body);
    let (all, rejected) = (views().count(), views().filter(|v| !v.used).count());
    if all == 0 {
        return Err(format!(
            "\"{name}\" is in no photograph that can be used. Take 10 to 20 photographs of it from all around, each showing several of its tags."
        ));
    }
    if rejected >= 3 && rejected as f64 >= REJECTED_SHARE * all as f64 {
        let mut ids: Vec<u16> = views().filter(|v| !v.used).map(|v| v.id).collect();
        ids.sort_unstable();
        ids.dedup();
        let ids: Vec<String> = ids.iter().map(u16::to_string).collect();
        return Err(format!(
            "{rejected} of {all} views of \"{name}\" contradict the rest (tags {}): a sheet was shifted or a part of it moved between photographs, a side_mm is wrong, \
             or an id is there twice. Nothing on it may move until the last photograph.",
            ids.join(", ")
        ));
    }
    Ok(())
}

/// The places of these tags alone.
fn only(found: &FoundPlaces, used: &[usize]) -> FoundPlaces {
    use crate::body::ScaleOf;
    let at: Vec<usize> = (0..found.places.len()).filter(|&k| used.contains(&found.places[k].tag)).collect();
    let n = 6 * found.places.len();
    let scales: Vec<usize> = (0..found.scales.len())
        .filter(|&k| !matches!(found.scales[k].0, ScaleOf::Tag(tag) if !used.contains(&tag)))
        .collect();
    let rows: Vec<usize> = at.iter().flat_map(|k| 6 * k..6 * k + 6).chain(scales.iter().map(|k| n + k)).collect();
    FoundPlaces {
        places: at.iter().map(|k| found.places[*k].clone()).collect(),
        scales: scales.iter().map(|k| found.scales[*k]).collect(),
        cov: found.cov.select_rows(&rows).select_columns(&rows),
    }
}

/// The learned body as two texts: the table for `bodies.toml` and the places file that it names as `places_name`.
pub fn texts(job: &Job, done: &Learned, places_name: &str) -> Result<(String, String), Failure> {
    let body = &job.kit.bodies[done.body];
    let mut prints: Vec<&str> =
        done.learned.tags.iter().map(|t| job.kit.prints[body.tags[t.tag].print].name.as_str()).collect();
    prints.sort_unstable();
    prints.dedup();
    let mut remarks = vec![
        format!(
            "Learned by {} {} from {} photographs{}.",
            env!("CARGO_PKG_NAME"),
            env!("CARGO_PKG_VERSION"),
            done.n_photos,
            job.title.as_ref().map(|t| format!(" ({})", t.replace(['\n', '\r'], " "))).unwrap_or_default()
        ),
        format!(
            "Put this table into the bodies.toml of a job, and {places_name} beside it. The print group{} {} must be there as the",
            if prints.len() == 1 { "" } else { "s" },
            prints.iter().map(|p| format!("\"{p}\"")).collect::<Vec<_>>().join(", ").replace(['\n', '\r'], " ")
        ),
        "body was learned with. Learn again where a sheet or a part of it was replaced, bent or dropped.".to_owned(),
    ];
    if let Some(face) = &done.learned.face {
        use crate::units::mm_from_m;
        remarks.push(format!(
            "The frame is the target's: its face measures {:.1} mm (U {:.1}) by {:.1} mm (U {:.1}).",
            mm_from_m(face.width.value),
            mm_from_m(face.width.expanded),
            mm_from_m(face.height.value),
            mm_from_m(face.height.expanded)
        ));
    }
    Ok(learned_texts(&job.kit, &done.learned, places_name, &remarks)?)
}
