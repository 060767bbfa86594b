//! What the survey's tests of its own assumptions mean for the job: sentences that name the culprit, and verdicts that are withheld.

use super::Measured;
use super::table::MORE_THAN_A_PRINTER;
use crate::advice::CouldHide;
use crate::body::{BodyKind, Kit};
use crate::placement::Component;
use crate::record::Job;
use crate::record::result::{DeviationPart, IntegrityPart, ResultFile, StationPart, Verdict};
use crate::survey::integrity::{Detectable, Fault, Hidden, Suspect, Tested};
use crate::units::{deg_from_rad, mm_from_m};
use crate::vehicle::DecisionBodies;
use crate::verdict::words::capital;
use crate::verdict::{Assessment, StationResult};
use nalgebra::{DMatrix, Matrix6};

/// Names of what a survey talks about.
struct Names<'a> {
    job: &'a Job,
    measured: &'a Measured,
}

impl Names<'_> {
    /// The kit as it was surveyed: where a batch of sheets has another size than declared it has a print group more than the job's.
    fn kit(&self) -> &Kit {
        &self.measured.input.kit
    }

    fn body(&self, body: usize) -> String {
        format!("\"{}\"", self.job.kit.bodies[body].name)
    }

    fn photo(&self, photo: usize) -> &str {
        self.measured.look.photos.get(photo).map_or("?", |p| p.name.as_str())
    }

    fn of(&self, suspect: &Suspect) -> String {
        match suspect {
            Suspect::Body { body, .. } => self.body(*body),
            Suspect::Car { .. } => "the car (all plates together)".into(),
            Suspect::Tag { body, id } => match self.job.kit.bodies[*body].tags.len() {
                1 => format!("tag {id}"),
                _ => format!("tag {id} on {}", self.body(*body)),
            },
            Suspect::Print(print) => format!("print group \"{}\"", self.kit().prints[*print].name),
            Suspect::Photo(photo) => format!("photograph {}", self.photo(*photo)),
        }
    }

    /// The photographs between which something can have moved: the last that shows it before, the first that shows it after.
    fn between(&self, suspect: &Suspect, (low, high): (usize, usize)) -> String {
        let bodies: Vec<usize> = match suspect {
            Suspect::Body { body, .. } => vec![*body],
            _ => (0..self.job.kit.bodies.len()).filter(|b| self.job.kit.bodies[*b].kind == BodyKind::Plate).collect(),
        };
        let shows = |p: usize| {
            let photo = &self.measured.look.photos[p];
            photo.tags.iter().any(|t| self.job.kit.find_tag(t.id).is_some_and(|(b, _)| bodies.contains(&b)))
        };
        let before = (0..low).rev().find(|p| shows(*p));
        match before {
            Some(before) => format!("between photographs {} and {}", self.photo(before), self.photo(high)),
            None => format!("before photograph {}", self.photo(high)),
        }
    }
}

fn length(m: f64) -> String {
    let mm = mm_from_m(m);
    if mm >= 10.0 { format!("{mm:.0} mm") } else { format!("{mm:.1} mm") }
}

/// The name of a kind of test, as it stands in the result.
fn test_name(suspect: &Suspect, fault: &Fault) -> &'static str {
    match (fault, suspect) {
        (Fault::Moved { .. }, _) => "moved between photographs",
        (Fault::Crept, _) => "crept",
        (Fault::Displaced, _) => "tag elsewhere on its body",
        (Fault::Size, Suspect::Print(_)) => "size of a print group",
        (Fault::Size, _) => "size of a tag",
        (Fault::Focal, _) => "another focal length",
    }
}

/// What a test has to say.
fn sentence(names: &Names, test: &Tested) -> String {
    let who = names.of(&test.suspect);
    let Some(size) = &test.found else {
        return match test.fault {
            Fault::Moved { .. } => format!("No sign that {who} moved."),
            Fault::Crept => format!("No sign that {who} crept."),
            Fault::Displaced => format!("No sign that {who} sits elsewhere than declared."),
            Fault::Size => format!("No sign that {who} has another size than declared."),
            Fault::Focal => format!("No sign that {who} was taken with another focal length."),
        };
    };
    let shift = size.shift_m.map_or(0.0, |v| v.norm());
    let turn = size.turn_rad.map_or(0.0, |v| v.norm());
    let by = format!("by {} (u {}), turned {:.2}°", length(shift), length(size.u), deg_from_rad(turn));
    let percent = 100.0 * size.relative.unwrap_or(0.0);
    let more = if percent < 0.0 { "smaller" } else { "larger" };
    match (test.fault, &test.suspect) {
        (Fault::Moved { from_photo }, suspect) => {
            let range = size.from_photos.unwrap_or((from_photo, from_photo));
            format!(
                "{who} moved {}, {by}. Photographs from before and after belong in separate jobs: secure it and take all of them again.",
                names.between(suspect, range)
            )
        }
        (Fault::Crept, _) => format!(
            "{who} crept while the photographs were taken, in all {by}: let it settle (suspension, tyres, a soft clamp or foot), then take all of \
             them again; or the photographs are not in the order in which they were taken."
        ),
        (Fault::Displaced, _) => format!(
            "{who} sits elsewhere than declared, {by}: measure its place again, or look for its id in two places."
        ),
        (Fault::Size, _) if percent.abs() > 100.0 * MORE_THAN_A_PRINTER => format!(
            "{who} is {:.0} % {more} than declared (u {:.2} %). No printer is off by so much: side_mm is wrong, or the table of a body with several tags; measure \
             both and correct bodies.toml.",
            percent.abs(),
            100.0 * size.u
        ),
        (Fault::Size, Suspect::Print(_)) => format!(
            "{who} is {:.2} % {more} than declared (u {:.2} %): measure these tags again; the printer probably scaled the page.",
            percent.abs(),
            100.0 * size.u
        ),
        (Fault::Size, _) => format!(
            "{who} is {:.2} % {more} than declared (u {:.2} %): measure its black square again; it was probably printed to another scale.",
            percent.abs(),
            100.0 * size.u
        ),
        (Fault::Focal, _) => format!(
            "{who} was taken with a focal length {:.2} % {} (u {:.2} %): another camera, zoom, focus or a cropped copy. It was left out; take it again.",
            percent.abs(),
            if percent < 0.0 { "shorter" } else { "longer" },
            100.0 * size.u
        ),
    }
}

/// Value and unit of a minimal detectable size.
fn detectable(size: &Detectable) -> (Option<f64>, &'static str) {
    match (size.relative, size.shift_m, size.turn_rad) {
        (Some(relative), _, _) => (Some(100.0 * relative), "%"),
        (_, Some(shift), _) => (Some(mm_from_m(shift)), "mm"),
        (_, _, Some(turn)) => (Some(deg_from_rad(turn)), "deg"),
        _ => (None, "mm"),
    }
}

/// A floor sheet's corners that went less far than this, m, are paper on a floor and no fault. Common practice, no source.
const PAPER_M: f64 = 0.0003;

/// True for a floor sheet that was found to lie a little elsewhere than before, by less than paper does: the adjustment has given it unknowns of its own
/// for that, so that nothing else hangs on it.
fn too_little_to_matter(job: &Job, test: &Tested) -> bool {
    let (Suspect::Body { body, .. }, Fault::Moved { .. } | Fault::Crept, Some(size)) =
        (&test.suspect, test.fault, &test.found)
    else {
        return false;
    };
    let model = &job.kit.bodies[*body];
    let (Some(tag), true) = (model.tags.first(), model.kind == crate::body::BodyKind::FloorSheet) else { return false };
    // Half the diagonal of the square: as far as a corner is from its middle.
    let reach = tag.side_m * std::f64::consts::FRAC_1_SQRT_2;
    let shift = size.shift_m.map_or(0.0, |v| v.norm());
    let turn = size.turn_rad.map_or(0.0, |v| v.norm());
    shift + turn * reach < PAPER_M
}

/// All tests of a survey as they go into the result.
pub(super) fn parts(job: &Job, measured: &Measured) -> Vec<IntegrityPart> {
    let names = Names { job, measured };
    let misfits = measured.misfits.iter().map(super::drift::Misfit::part);
    let tests = measured.survey.integrity.iter();
    misfits
        .chain(measured.mistakes.iter().map(super::explain::Mistake::part))
        .chain(tests.map(|test| {
            let (smallest, unit) = test.detectable.as_ref().map_or((None, "mm"), detectable);
            let little = too_little_to_matter(job, test);
            IntegrityPart {
                test: test_name(&test.suspect, &test.fault).into(),
                subject: names.of(&test.suspect),
                statistic: test.statistic,
                threshold: test.limit,
                minimal_detectable: smallest,
                unit: unit.into(),
                passed: test.passed() || little,
                sentence: match little {
                    true => format!(
                        "{} lies elsewhere than before by less than {:.1} mm at its corners: too little to matter, and allowed for.",
                        capital(&names.of(&test.suspect)),
                        mm_from_m(PAPER_M)
                    ),
                    false => capital(&sentence(&names, test)),
                },
            }
        }))
        .collect()
}

/// Why there is no measurement although there is a survey: something that carries the answer moved.
pub(super) fn moved(job: &Job, measured: &Measured) -> Option<String> {
    let names = Names { job, measured };
    let moved: Vec<String> = measured
        .survey
        .integrity
        .iter()
        .filter(|t| !t.passed() && matches!(t.fault, Fault::Moved { .. } | Fault::Crept))
        .filter(|t| match &t.suspect {
            Suspect::Body { body, .. } => super::carries_the_answer(job, *body),
            Suspect::Car { .. } => true,
            _ => false,
        })
        .map(|t| capital(&sentence(&names, t)))
        .collect();
    if !moved.is_empty() {
        return Some(moved.join(" "));
    }
    contradicted(job, measured)
}

/// Photographs in which no tag of a body fits, and that no named fault explains, before there is no measurement: chance rejects one in a thousand
/// surveys' views.
const CONTRADICTING_PHOTOGRAPHS: usize = 3;

/// A plate or stand that several photographs show elsewhere, in no order that a single move would explain.
fn contradicted(job: &Job, measured: &Measured) -> Option<String> {
    let survey = &measured.survey;
    survey.bodies.iter().enumerate().filter(|(_, b)| super::carries_the_answer(job, b.body)).find_map(|(k, b)| {
        let mut by_photo: std::collections::BTreeMap<usize, bool> = std::collections::BTreeMap::new();
        for view in survey.views.iter().filter(|v| v.body == k) {
            *by_photo.entry(view.photo).or_default() |= view.used;
        }
        let against: Vec<usize> = by_photo.iter().filter(|(_, fits)| !**fits).map(|(photo, _)| *photo).collect();
        (against.len() >= CONTRADICTING_PHOTOGRAPHS).then(|| {
            format!(
                "{} photographs (the first is {}) show \"{}\" elsewhere than the others, and no single move explains it: it, or the car, was moved more \
                 than once, its id is in two places, or the photographs are not in the order in which they were taken.",
                against.len(),
                measured.look.photos[against[0]].name,
                job.kit.bodies[b.body].name,
            )
        })
    })
}

/// Beyond this (m, rad) a fault that could hide is as large as anybody likes: nothing checks it.
const ANY_AMOUNT: f64 = 0.5;

/// By how much a unit of a motion (turn about the world's origin, shift, in the world's axes) changes what a station's deviations are to say of the
/// time after it: 6 × 6; `None` where the motion is of nothing that the verdict is about. A plate that is knocked leaves its wheel where it was.
fn after_a_motion(job: &Job, from: &DecisionBodies, station: &StationResult, hidden: &Hidden) -> Option<DMatrix<f64>> {
    let asked = &job.placement.stations[station.station];
    let wanted = |body: usize| {
        asked.target == body
            || matches!(asked.datum, crate::placement::Datum::Body { body: datum, .. } if datum == body)
    };
    if !matches!(hidden.fault, Fault::Moved { .. } | Fault::Crept) {
        return None;
    }
    let judged = job.rolled.as_ref().map(|r| r.judged);
    let elsewhere = |position: Option<usize>| position.filter(|p| Some(*p) != judged);
    let moves: Vec<usize> = (0..from.bodies.len())
        .filter(|k| {
            let b = &from.bodies[*k];
            match &hidden.suspect {
                Suspect::Body { body, station, position } => {
                    b.body == *body && wanted(b.body) && b.station == *station && b.position == elsewhere(*position)
                }
                Suspect::Car { position } => b.kind == BodyKind::Plate && b.position == elsewhere(*position),
                _ => false,
            }
        })
        .collect();
    if moves.is_empty() {
        return None;
    }
    let part = |k: usize| {
        let step = right_step_of_motion(&from.bodies[k].world_from_body);
        Matrix6::from_fn(|i, j| station.by_body_step[(i, 6 * k + j)]) * step
    };
    let sum = |of: &mut dyn Iterator<Item = usize>| of.map(part).fold(Matrix6::<f64>::zeros(), |sum, by| sum + by);
    // The body that the world is fixed to has no step, and no derivatives by one. A motion of everything changes nothing, so that what moves does what all
    // others would do that move the other way.
    let is_fixed = |k: &usize| from.by_column.rows(6 * k, 6).iter().all(|v| *v == 0.0);
    let after = match moves.iter().any(is_fixed) {
        true => -sum(&mut (0..from.bodies.len()).filter(|k| !moves.contains(k))),
        false => sum(&mut moves.iter().copied()),
    };
    Some(DMatrix::from_fn(6, 6, |i, j| after[(i, j)]))
}

/// The step `pose · exp(δ)` that a motion in the world's axes (turn about the origin, then shift) makes of a pose, by the motion: 6 × 6.
fn right_step_of_motion<A, B>(pose: &crate::frames::Pose<A, B>) -> Matrix6<f64> {
    let back = pose.rotation().transpose();
    let mut step = Matrix6::zeros();
    step.fixed_view_mut::<3, 3>(0, 0).copy_from(&back);
    step.fixed_view_mut::<3, 3>(3, 0).copy_from(&(-back * crate::frames::skew(&pose.translation())));
    step.fixed_view_mut::<3, 3>(3, 3).copy_from(&back);
    step
}

/// What every fault that is just not found could do to each station.
pub(super) fn could_hide<'a>(
    job: &Job,
    measured: &'a Measured,
    from: &DecisionBodies,
    judged: &Assessment,
) -> Vec<CouldHide<'a>> {
    let mut out = Vec::new();
    for (at, station) in judged.stations.iter().enumerate() {
        let by_column = &station.by_body_step * &from.by_column;
        out.extend(measured.survey.hidden.iter().map(|hidden| {
            let after = after_a_motion(job, from, station, hidden);
            let effect = hidden.effect(&by_column, after.as_ref());
            CouldHide { station: at, hidden, after, effect }
        }));
    }
    out
}

/// Faults of the size of a tolerance that could hide: one test for each component that is asked.
pub(super) fn hidden(
    job: &Job,
    measured: &Measured,
    judged: &Assessment,
    could_hide: &[CouldHide],
) -> Vec<IntegrityPart> {
    let names = Names { job, measured };
    let mut out = Vec::new();
    for (at, station) in judged.stations.iter().enumerate() {
        for component in Component::ALL {
            let deviation = &station.deviations[component.index()];
            let Some(tolerance) = deviation.tolerance else { continue };
            let worst = could_hide
                .iter()
                .filter(|h| h.station == at)
                .map(|h| (h.effect[component.index()], h.hidden))
                .max_by(|a, b| a.0.total_cmp(&b.0));
            let Some((effect, h)) = worst else { continue };
            let (outside, unit) = if component.is_angle() {
                (deg_from_rad as fn(f64) -> f64, "deg")
            } else {
                (mm_from_m as fn(f64) -> f64, "mm")
            };
            // What is no number proves nothing.
            let passed = effect <= tolerance;
            let what = what_could_hide(&names, h);
            let sentence = if passed {
                let shown = crate::verdict::words::size(component, effect);
                format!("A fault that is just not found changes {} by {shown} at most ({what}).", component.name())
            } else {
                let by = match effect > ANY_AMOUNT {
                    true => "by any amount".to_owned(),
                    false => format!("by {}", crate::verdict::words::size(component, effect)),
                };
                format!(
                    "Too little checks {}: {what} could change it {by} (tolerance {}){NOT_FOUND} {}",
                    component.name(),
                    crate::verdict::words::asked(component, tolerance),
                    what_would_check(&names, h)
                )
            };
            let shown = if effect.is_finite() { outside(effect) } else { f64::MAX };
            out.push(IntegrityPart {
                test: HIDDEN.into(),
                subject: format!("{} of {}", component.name(), station.name),
                statistic: shown,
                threshold: outside(tolerance),
                minimal_detectable: Some(shown),
                unit: unit.into(),
                passed,
                sentence,
            });
        }
    }
    out
}

/// Why nothing that is measured later from this survey is proven, and which components of a station it checks too weakly; the same as [`withhold`] says
/// of the job's own result.
pub(super) fn doubts(job: &Job, measured: &Measured, station: usize) -> (Option<String>, Vec<Component>) {
    let failed = parts(job, measured).into_iter().find(|t| !t.passed);
    let doubt = failed.map(|t| format!("{} Until then nothing is proven.", t.sentence));
    let Ok(from) = super::decision_bodies(job, &measured.survey) else { return (doubt, Vec::new()) };
    let Ok(mut judged) = super::judge::judge_bodies(job, &from) else { return (doubt, Vec::new()) };
    judged.stations.retain(|s| s.station == station);
    let could_hide = could_hide(job, measured, &from, &judged);
    let weak: Vec<String> =
        hidden(job, measured, &judged, &could_hide).into_iter().filter(|t| !t.passed).map(|t| t.subject).collect();
    let name = judged.stations.first().map_or("", |s| s.name.as_str());
    let is_weak = |c: &Component| weak.contains(&format!("{} of {name}", c.name()));
    (doubt, Component::ALL.into_iter().filter(is_weak).collect())
}

/// True where no fault was found; checks that are too weak are none.
pub(super) fn no_fault(all: &[IntegrityPart]) -> bool {
    all.iter().all(|t| t.passed || t.test == HIDDEN)
}

/// "a move of "stand" between photographs 007.jpg and 008.jpg", for a fault that could hide.
fn what_could_hide(names: &Names, hidden: &Hidden) -> String {
    let what = match hidden.fault {
        Fault::Moved { .. } => "a move",
        Fault::Crept => "a creep",
        Fault::Displaced => "another place",
        Fault::Focal => "another focal length",
        Fault::Size => "another size",
    };
    let who = names.of(&hidden.suspect);
    match hidden.fault {
        Fault::Moved { from_photo } => {
            format!("{what} of {who} {}", names.between(&hidden.suspect, (from_photo, from_photo)))
        }
        _ => format!("{what} of {who}"),
    }
}

/// Tags of a body whose places are known, so that a mistake in one of them shows in the others; see [`crate::record::MEASURED_TAGS`].
fn known_tags(job: &Job, body: usize) -> usize {
    job.kit.bodies[body].tags.iter().filter(|t| !matches!(t.place, crate::body::TagPlace::Free)).count()
}

/// What to do so that a fault could no longer hide: measure where no photograph could show it, photograph where one can.
fn what_would_check(names: &Names, hidden: &Hidden) -> String {
    let job = names.job;
    let who = names.of(&hidden.suspect);
    let together = "together with several other bodies, neighbouring ones sharing at least two";
    let enough = crate::record::MEASURED_TAGS;
    let places = |body: usize| {
        format!(
            "More photographs do not help: measure the places of more tags of {} in the bodies file (centre_mm or corners_mm; at least {enough} that do \
             not lie in one line, {} now), or have its table found by `plumbsight learn`.",
            names.body(body),
            known_tags(job, body)
        )
    };
    let exact = |body: usize| {
        format!(
            "Measure the places of the tags of {} more exactly or of more tags (u_place_mm, u_place_deg, a table found by `plumbsight learn`), or \
             photograph {who} more often {together}.",
            names.body(body)
        )
    };
    match (hidden.fault, &hidden.suspect) {
        (Fault::Moved { .. }, _) => {
            format!("Photograph {who} again at the beginning and at the end of the walk, {together}.")
        }
        (Fault::Crept, _) => format!(
            "Walk around a second time in the same order and add these photographs, so that {who} is seen early and late, {together}."
        ),
        (Fault::Displaced, Suspect::Tag { body, .. }) => match known_tags(job, *body) {
            known if known < enough && job.kit.bodies[*body].tags.len() > 1 => places(*body),
            _ => exact(*body),
        },
        // A size is told by lengths that are known apart from the print: a stand's table is the longest of them.
        (Fault::Size, Suspect::Print(_)) => {
            let stand = (0..job.kit.bodies.len())
                .filter(|b| job.kit.bodies[*b].kind == BodyKind::Stand && job.kit.bodies[*b].tags.len() > 1)
                .min_by_key(|b| known_tags(job, *b));
            match stand {
                Some(body) if known_tags(job, body) < enough => places(body),
                Some(body) => format!(
                    "Known lengths would show it: measure the places of the tags of {} more exactly or of more tags (u_place_mm, a table found by \
                     `plumbsight learn`).",
                    names.body(body)
                ),
                None => "Known lengths would show it: a body with several tags whose places are measured.".into(),
            }
        }
        _ => format!("Take more photographs that show {who} {together}."),
    }
}

/// Withholds verdicts: what was judged from a survey with a fault in it proves nothing either way; a component whose check is too weak is not called
/// in tolerance.
pub(super) fn withhold(result: &mut ResultFile) {
    let failed: Vec<&IntegrityPart> = result.integrity.iter().filter(|t| !t.passed).collect();
    let Some(first) = failed.iter().find(|t| t.test != HIDDEN).or(failed.first()) else { return };
    let all = first.test != HIDDEN;
    let why = first.sentence.clone();
    let weak: Vec<String> = failed.iter().filter(|t| t.test == HIDDEN).map(|t| t.subject.clone()).collect();
    let mut worst = None;
    for station in &mut result.stations {
        let name = station.name.clone();
        if all {
            // Moves worked out from figures that prove nothing are no help.
            station.moves.clear();
        }
        for (component, deviation) in components(station) {
            let subject = format!("{component} of {name}");
            let doubted = all && deviation.verdict.is_some();
            let weak = weak.contains(&subject) && deviation.verdict == Some(Verdict::In);
            if doubted || weak {
                deviation.verdict = Some(Verdict::NotProven);
                deviation.decidable = Some(false);
                deviation.remedy = Some(match all {
                    true => format!("{why} Until then nothing is proven."),
                    false => failed_sentence(&result.integrity, &subject),
                });
            }
        }
        station.verdict =
            [&station.deviations.distance_mm, &station.deviations.lateral_mm, &station.deviations.height_mm]
                .into_iter()
                .chain([&station.deviations.yaw_deg, &station.deviations.pitch_deg, &station.deviations.roll_deg])
                .filter_map(|d| d.verdict)
                .max_by_key(|v| rank(*v))
                .unwrap_or(station.verdict);
        worst = worst.max(Some(rank(station.verdict)));
    }
    if let Some(worst) = worst
        && result.verdict != Verdict::NotMeasured
    {
        let unmeasured = !result.stations_not_measured.is_empty();
        result.verdict = match worst {
            0 if !unmeasured => Verdict::In,
            2 => Verdict::Out,
            _ => Verdict::NotProven,
        };
    }
}

const HIDDEN: &str = "fault that could hide";

/// Ends what is said of a fault that could hide; what to do about it follows.
const NOT_FOUND: &str = " and not be found.";

/// Of a component that is checked too little, says `doing` in place of what is usually done against such a fault: as the test's sentence and as the remedy.
pub(super) fn do_instead(result: &mut ResultFile, station: usize, component: Component, doing: &str) {
    let Some(part) = result.stations.get_mut(station) else { return };
    let subject = format!("{} of {}", component.name(), part.name);
    let mut tests = result.integrity.iter_mut().filter(|t| t.test == HIDDEN && t.subject == subject && !t.passed);
    let Some(test) = tests.next() else { return };
    let Some((what, _)) = test.sentence.split_once(NOT_FOUND) else { return };
    test.sentence = format!("{what}{NOT_FOUND} {doing}");
    let sentence = test.sentence.clone();
    do_this(result, station, component, &sentence);
}

/// Says `doing` as the remedy of a component that is not proven.
pub(super) fn do_this(result: &mut ResultFile, station: usize, component: Component, doing: &str) {
    let parts = result.stations.get_mut(station).into_iter().flat_map(components);
    if let Some((_, deviation)) = parts.into_iter().nth(component.index())
        && deviation.remedy.is_some()
    {
        deviation.remedy = Some(doing.to_owned());
    }
}

fn failed_sentence(all: &[IntegrityPart], subject: &str) -> String {
    all.iter().find(|t| t.test == HIDDEN && t.subject == subject).map(|t| t.sentence.clone()).unwrap_or_default()
}

fn rank(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::In => 0,
        Verdict::NotProven | Verdict::NotMeasured => 1,
        Verdict::Out => 2,
    }
}

fn components(station: &mut StationPart) -> [(&'static str, &mut DeviationPart); 6] {
    let d = &mut station.deviations;
    [
        ("distance", &mut d.distance_mm),
        ("lateral", &mut d.lateral_mm),
        ("height", &mut d.height_mm),
        ("yaw", &mut d.yaw_deg),
        ("pitch", &mut d.pitch_deg),
        ("roll", &mut d.roll_deg),
    ]
}
