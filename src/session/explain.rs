//! Gross mistakes in what a job says of its photographs and tags, each tried as a hypothesis of its own where the survey does not fit: a photograph under
//! another roll position, a whole batch of sheets in another size, an id in two places, a tag that is turned or exchanged on its body.
//!
//! A mistake is named only where it explains the misfit far better than chance or any other reading does; the survey then goes on without it.

use crate::body::{BodyKind, Kit, PrintScale};
use crate::frames::{Camera, Point, Pose, Tag, World};
use crate::pose::planar_poses;
use crate::record::result::IntegrityPart;
use crate::survey::integrity::{Fault, Suspect};
use crate::survey::{Survey, SurveyError, SurveyInput, SurveyOptions, TagView, adjust};
use crate::units::mm_from_m;
use nalgebra::{UnitQuaternion, Vector3};

/// A tag seen further than this from where it should be is somewhere else, m. Common practice, no source: ten times what a single view of a tag is worth.
const ELSEWHERE_M: f64 = crate::units::m_from_mm(50.0);

/// Nearer than this (m) it is where it should be. Common practice, no source: half of it, so that no place is both.
const THERE_M: f64 = crate::units::m_from_mm(25.0);

/// A batch of sheets that explains the misfit leaves at most one in so many of the failed tests and rejected views. Common practice, no source.
pub(super) const LEFT_OVER: usize = 4;

/// A reading that explains a tag's views leaves residuals below this, px, and another one at least so many times as large. Common practice, no source.
const FITS_PX: f64 = 3.0;
const FAR_WORSE: f64 = 5.0;

/// A batch, or a table, has another size from this many standard uncertainties of what is declared (two-sided 0.01 % of a normal distribution).
pub(super) const SIZE_IN_U: f64 = 3.89;

/// Tags left out in turn at most where there is no solution, and rejected views that chance may leave in one. Common practice, no source.
const MOST_TRIED: usize = 24;
pub(super) const ACCIDENTS: usize = 2;

/// A named mistake.
pub struct Mistake {
    /// Name of the test, as it stands in the result.
    pub(super) test: &'static str,
    pub(super) subject: String,
    pub(super) statistic: f64,
    pub(super) threshold: f64,
    pub(super) unit: &'static str,
    pub(super) sentence: String,
}

impl Mistake {
    /// True where it says that this body's table of tag places is wrong.
    pub(super) fn is_table_of(&self, body: &str) -> bool {
        self.test == super::table::TABLE_TEST && self.subject == format!("\"{body}\"")
    }

    /// As it goes into the result.
    pub(super) fn part(&self) -> IntegrityPart {
        IntegrityPart {
            test: self.test.into(),
            subject: self.subject.clone(),
            statistic: self.statistic,
            threshold: self.threshold,
            minimal_detectable: None,
            unit: self.unit.into(),
            passed: false,
            sentence: self.sentence.clone(),
        }
    }
}

pub(super) type Solved = Result<Survey, SurveyError>;

/// The survey, solved again where a mistake explains its misfit, and the mistakes.
pub(super) fn explained(mut input: SurveyInput, mut solved: Solved) -> (SurveyInput, Solved, Vec<Mistake>) {
    let mut mistakes = Vec::new();
    // A picture the wrong way round makes everything in it suspect.
    if let Some((corrected, again, found)) = super::turned::turned_photos(&input, &solved) {
        (input, solved) = (corrected, again);
        mistakes.push(found);
    }
    if let Some((corrected, again, found)) = wrong_positions(&input, &solved) {
        (input, solved) = (corrected, again);
        mistakes.extend(found);
    }
    if let Some((corrected, again, found)) = super::table::wrong_tables(&input, &solved) {
        (input, solved) = (corrected, again);
        mistakes.extend(found);
    }
    if let Some((corrected, again, found)) = batch_in_another_size(&input, &solved) {
        (input, solved) = (corrected, again);
        mistakes.push(found);
    }
    mistakes.extend(id_twice(&input, &solved));
    match &solved {
        Ok(survey) => mistakes.extend(misplaced_tags(&input, survey, &suspects(&input, survey))),
        Err(_) => {
            let tag = one_tag_too_many(&input);
            // Where any of several tags may be the one, it is rather a photograph that shows them all.
            let stray = match &tag {
                Some((_, _, _, 0)) => None,
                _ => super::stray::stray_photos(&input),
            };
            let tag = tag.map(|(without, again, found, _)| (without, again, vec![found]));
            if let Some((without, again, found)) = stray.or(tag) {
                (input, solved) = (without, again);
                mistakes.extend(found);
            }
        }
    }
    (input, solved, mistakes)
}

/// The tag of a body with several without which there is a solution that leaves nothing unexplained, where there is none with it.
///
/// The number is how many others are as likely.
fn one_tag_too_many(input: &SurveyInput) -> Option<(SurveyInput, Solved, Mistake, usize)> {
    let several = input.kit.bodies.iter().enumerate().filter(|(_, body)| body.tags.len() > 1);
    let all = several.flat_map(|(b, body)| (0..body.tags.len()).map(move |t| (b, t)));
    let seen = |b: usize, t: usize| {
        let id = input.kit.bodies[b].tags[t].id;
        input.photos.iter().any(|p| p.tags.iter().any(|view| view.id == id))
    };
    let tried = all.filter(|(b, t)| seen(*b, *t)).take(MOST_TRIED).map(|(b, t)| {
        let id = input.kit.bodies[b].tags[t].id;
        let mut without = input.clone();
        without.photos.iter_mut().for_each(|p| p.tags.retain(|view| view.id != id));
        let again = adjust(&without, &SurveyOptions::default());
        (unexplained(&again), b, t, without, again)
    });
    let mut all: Vec<_> = tried.filter(|tried| tried.0 <= ACCIDENTS).collect();
    all.sort_by_key(|tried| tried.0);
    let mut all = all.into_iter();
    let (left, b, t, without, again) = all.next()?;
    // Another one without which everything fits as well is as likely.
    let equals: Vec<String> =
        all.filter(|other| other.0 == left).map(|(_, b, t, _, _)| input.kit.bodies[b].tags[t].id.to_string()).collect();
    let or = match equals.as_slice() {
        [] => String::new(),
        ids => format!(
            " It may as well be tag {}: without it everything fits too, so look at all of them.",
            ids.join(" or ")
        ),
    };
    let survey = again.as_ref().ok()?;
    let off = match &input.kit.bodies[b].tags[t].place {
        crate::body::TagPlace::Known(place) | crate::body::TagPlace::Measured { body_from_tag: place, .. } => {
            misfit(input, survey, b, t, place)
        }
        crate::body::TagPlace::Free => None,
    };
    let reading = misplaced_tags(input, survey, &[(b, t)]).into_iter().next();
    let body = &input.kit.bodies[b];
    let mistake = reading.unwrap_or_else(|| Mistake {
        test: "tag elsewhere on its body",
        subject: format!("tag {} on \"{}\"", body.tags[t].id, body.name),
        // How far it is from where it is declared, in the pictures; nothing is known of a tag that no photograph shows with something else.
        statistic: off.unwrap_or(1e4).min(1e4),
        threshold: FITS_PX,
        unit: "px",
        sentence: format!(
            "Tag {} does not sit on \"{}\" where it is declared, or its id is there twice: without it everything fits. Measure its place again.{or}",
            body.tags[t].id, body.name
        ),
    });
    Some((without, again, mistake, equals.len()))
}

/// How much a solution leaves unexplained: failed tests and views that are not used.
pub(super) fn unexplained(solved: &Solved) -> usize {
    let Ok(survey) = solved else { return usize::MAX };
    let failed = survey.integrity.iter().filter(|t| !t.passed()).count();
    failed + survey.views.iter().filter(|v| !v.used).count()
}

fn lens_of(input: &SurveyInput, survey: &Survey, photo: usize) -> crate::camera::Lens {
    survey.lenses[input.photos[photo].lens]
}

fn camera_of(survey: &Survey, photo: usize) -> Option<Pose<Camera, World>> {
    survey.photos.iter().find(|p| p.photo == photo).map(|p| p.camera_from_world)
}

/// Where a single view alone puts a tag's centre; both planar solutions have it in the same place but for their small difference.
fn centre_by_view(input: &SurveyInput, survey: &Survey, photo: usize, view: &TagView) -> Option<Vector3<f64>> {
    let (body, tag) = input.kit.find_tag(view.id)?;
    let side_m = input.kit.bodies[body].tags[tag].mean_side_m();
    let camera_from_tag: Pose<Camera, Tag> =
        planar_poses(&lens_of(input, survey, photo), side_m, &view.corners).into_iter().next()?;
    Some((camera_of(survey, photo)?.inverse() * camera_from_tag).translation())
}

/// The point that lies nearest to all others, summed.
fn middle(points: &[Vector3<f64>]) -> Option<Vector3<f64>> {
    let far = |p: &Vector3<f64>| points.iter().map(|q| (p - q).norm()).sum::<f64>();
    points.iter().min_by(|a, b| far(a).total_cmp(&far(b))).copied()
}

/// Photographs that show the car as it stood at another roll position than the one they are listed under.
fn wrong_positions(input: &SurveyInput, solved: &Solved) -> Option<(SurveyInput, Solved, Vec<Mistake>)> {
    let car = input.rolled.as_ref()?;
    let rides = |id: u16| input.kit.find_tag(id).is_some_and(|(body, _)| car.carries(body));
    let rejected = |s: &Survey| s.views.iter().any(|v| !v.used && rides(v.id));
    let fails =
        |s: &Survey| s.integrity.iter().any(|t| !t.passed()) || !matches!(&s.roll, Some(Ok(r)) if r.check.passed());
    if matches!(solved, Ok(survey) if !rejected(survey) && !fails(survey)) {
        return None;
    }
    // What stood still gives the photographs' places; each then shows where it has the plates.
    let mut still = input.clone();
    still.rolled = None;
    still.photos.iter_mut().for_each(|photo| photo.tags.retain(|t| !rides(t.id)));
    let still_survey = adjust(&still, &SurveyOptions::default()).ok()?;
    let mut seen: Vec<(usize, u16, usize, Vector3<f64>)> = Vec::new(); // photograph, tag, position, centre
    for (p, photo) in input.photos.iter().enumerate() {
        for view in photo.tags.iter().filter(|t| rides(t.id)) {
            if let Some(centre) = centre_by_view(input, &still_survey, p, view) {
                seen.push((p, view.id, photo.position, centre));
            }
        }
    }
    let elsewhere = |p: usize, id: u16, position: usize| {
        let others: Vec<_> = seen.iter().filter(|s| s.0 != p && s.1 == id && s.2 == position).map(|s| s.3).collect();
        middle(&others)
    };
    let mut found = Vec::new();
    let mut corrected = input.clone();
    for (p, photo) in input.photos.iter().enumerate() {
        let own: Vec<_> = seen.iter().filter(|s| s.0 == p).collect();
        let off_from = |position: usize| -> Option<f64> {
            let offs = own.iter().filter_map(|s| Some((elsewhere(p, s.1, position)? - s.3).norm()));
            offs.reduce(f64::max)
        };
        let Some(off) = off_from(photo.position).filter(|off| *off > ELSEWHERE_M) else { continue };
        let others = (0..car.positions.len()).filter(|q| *q != photo.position);
        let mut there: Vec<(f64, usize)> =
            others.filter_map(|q| Some((off_from(q)?, q))).filter(|(near, _)| *near < THERE_M).collect();
        there.sort_by(|a, b| a.0.total_cmp(&b.0));
        let Some(&(near, q)) = there.first() else { continue };
        // Positions nearer to each other than a view can tell.
        let or = match there.get(1) {
            Some((_, other)) => format!(" (\"{}\" fits as well.)", car.positions[*other]),
            None => String::new(),
        };
        corrected.photos[p].tags.retain(|t| !rides(t.id));
        found.push(Mistake {
            test: "photograph under another roll position",
            subject: format!("photograph {}", photo.name),
            statistic: mm_from_m(off),
            threshold: mm_from_m(ELSEWHERE_M),
            unit: "mm",
            sentence: format!(
                "Photograph {} is listed under roll position \"{}\" and shows the car as it stood at \"{}\": the plates are {:.0} mm from where the other photographs of \
                 \"{}\" have them and {:.0} mm from where those of \"{}\" do. What it shows of the car was left out: correct roll_position in job.toml.{or}",
                photo.name,
                car.positions[photo.position],
                car.positions[q],
                mm_from_m(off),
                car.positions[photo.position],
                mm_from_m(near),
                car.positions[q],
            ),
        });
    }
    if found.is_empty() {
        return None;
    }
    let again = adjust(&corrected, &SurveyOptions::default());
    (unexplained(&again) <= unexplained(solved)).then_some((corrected, again, found))
}

/// Tags that were declared alike: of the same kind of body, print group and side. Lists of (body, tag), those with two or more that are not a whole
/// print group.
fn batches(kit: &Kit) -> Vec<Vec<(usize, usize)>> {
    let all: Vec<(usize, usize)> =
        (0..kit.bodies.len()).flat_map(|b| (0..kit.bodies[b].tags.len()).map(move |t| (b, t))).collect();
    let like = |a: &(usize, usize), b: &(usize, usize)| {
        let (x, y) = (&kit.bodies[a.0], &kit.bodies[b.0]);
        let (s, t) = (&x.tags[a.1], &y.tags[b.1]);
        x.kind == y.kind && s.print == t.print && (s.side_m - t.side_m).abs() < 1e-9
    };
    let mut batches: Vec<Vec<(usize, usize)>> = Vec::new();
    for tag in &all {
        match batches.iter_mut().find(|batch| like(&batch[0], tag)) {
            Some(batch) => batch.push(*tag),
            None => batches.push(vec![*tag]),
        }
    }
    let print = |&(b, t): &(usize, usize)| kit.bodies[b].tags[t].print;
    batches.retain(|batch| {
        batch.len() > 1 && all.iter().filter(|tag| print(tag) == print(&batch[0])).count() > batch.len()
    });
    batches
}

/// All sheets that were declared with one figure, where that figure is wrong: with their size found from the photographs everything fits.
fn batch_in_another_size(input: &SurveyInput, solved: &Solved) -> Option<(SurveyInput, Solved, Mistake)> {
    let sizes = |s: &Survey| s.integrity.iter().filter(|t| !t.passed() && t.fault == Fault::Size).count();
    let before = unexplained(solved);
    let suspicious = match solved {
        Ok(survey) => sizes(survey) > 1 || before * LEFT_OVER > survey.views.len(),
        Err(_) => true,
    };
    if !suspicious {
        return None;
    }
    let tried = batches(&input.kit).into_iter().filter_map(|batch| {
        let mut freed = input.clone();
        let (first_body, first_tag) = batch[0];
        let group = freed.kit.prints.len();
        let declared = freed.kit.prints[input.kit.bodies[first_body].tags[first_tag].print].clone();
        let sigma = declared.sigma_common.hypot(declared.sigma_each).max(1e-4);
        let side_mm = mm_from_m(input.kit.bodies[first_body].tags[first_tag].side_m);
        let name = format!("{} with side_mm = {side_mm:.1}", declared.name);
        freed.kit.prints.push(PrintScale { name, sigma_common: 0.3, measured: false, ..declared });
        for (b, t) in &batch {
            freed.kit.bodies[*b].tags[*t].print = group;
        }
        let again = adjust(&freed, &SurveyOptions::default());
        let scale = again.as_ref().ok()?.print_scale[group];
        let relative = (scale[0] + scale[1]) / 2.0;
        Some((unexplained(&again), batch, freed, again, relative, sigma))
    });
    let (left, batch, freed, again, relative, sigma) = tried.min_by_key(|t| t.0)?;
    // Where there was no solution before, nearly everything must fit now.
    let explains = if before == usize::MAX { left <= ACCIDENTS } else { left.saturating_mul(LEFT_OVER) <= before };
    if !explains || relative.abs() < SIZE_IN_U * sigma {
        return None;
    }
    let (b, t) = batch[0];
    let body = &input.kit.bodies[b];
    let who = match body.kind {
        BodyKind::FloorSheet => "floor sheets",
        BodyKind::Plate => "plates' tags",
        _ => "tags",
    };
    let who = match batch.iter().all(|(other, _)| *other == b) {
        true => format!("all tags of \"{}\" with side_mm = {:.1}", body.name, mm_from_m(body.tags[t].side_m)),
        false => format!("all {who} with side_mm = {:.1}", mm_from_m(body.tags[t].side_m)),
    };
    let sentence = format!(
        "{} are {:.2} % {} than declared, {:.2} mm: with that size everything else fits. Measure them again and correct the figure in bodies.toml.",
        crate::verdict::words::capital(&who),
        100.0 * relative.abs(),
        if relative < 0.0 { "smaller" } else { "larger" },
        mm_from_m(body.tags[t].side_m * (1.0 + relative)),
    );
    let mistake = Mistake {
        test: "size of a batch of sheets",
        subject: who,
        statistic: 100.0 * relative.abs(),
        threshold: 100.0 * SIZE_IN_U * sigma,
        unit: "%",
        sentence,
    };
    Some((freed, again, mistake))
}

/// Ids that are in the bay twice: seen twice in one photograph, or in two places in turn.
fn id_twice(input: &SurveyInput, solved: &Solved) -> Vec<Mistake> {
    let mut out = Vec::new();
    for body in &input.kit.bodies {
        for tag in &body.tags {
            let count = |tags: &[TagView]| tags.iter().filter(|t| t.id == tag.id).count();
            let twice: Vec<&str> =
                input.photos.iter().filter(|p| count(&p.tags) > 1).map(|p| p.name.as_str()).collect();
            let apart = solved.as_ref().ok().and_then(|survey| in_turn(input, survey, tag.id));
            let why = match (twice.first(), &apart) {
                (Some(first), _) => format!("photograph {first} shows it twice"),
                (None, Some((apart_m, here, there))) => format!(
                    "photographs {here} and {there} show it {:.0} mm apart, and others in between show it in the first place again",
                    mm_from_m(*apart_m)
                ),
                (None, None) => continue,
            };
            out.push(Mistake {
                test: "id in two places",
                subject: format!("tag {}", tag.id),
                statistic: apart.as_ref().map_or(twice.len() as f64, |(apart_m, _, _)| mm_from_m(*apart_m)),
                threshold: if apart.is_some() { mm_from_m(2.0 * ELSEWHERE_M) } else { 0.0 },
                unit: if apart.is_some() { "mm" } else { "photographs" },
                sentence: format!(
                    "Tag {} (\"{}\") is in two places: {why}. Take one of the two sheets away or cover it, and take the photographs that show it again; or a photograph is out of order.",
                    tag.id, body.name
                ),
            });
        }
    }
    out
}

/// A photograph and where it puts a tag's centre, m.
type Placed = (usize, Vector3<f64>);

/// Where a tag's views lie in two places that do not follow each other in time: their distance and a photograph of each.
fn in_turn<'a>(input: &'a SurveyInput, survey: &Survey, id: u16) -> Option<(f64, &'a str, &'a str)> {
    let (body, _) = input.kit.find_tag(id)?;
    if input.rolled.as_ref().is_some_and(|car| car.carries(body)) || input.moved_between_stations.contains(&body) {
        return None;
    }
    if survey.views.iter().filter(|v| v.id == id).all(|v| v.used) && survey.views.iter().any(|v| v.id == id) {
        return None;
    }
    let seen: Vec<(usize, Vector3<f64>)> = input
        .photos
        .iter()
        .enumerate()
        .flat_map(|(p, photo)| photo.tags.iter().filter(|t| t.id == id).map(move |t| (p, t)))
        .filter_map(|(p, view)| Some((p, centre_by_view(input, survey, p, view)?)))
        .collect();
    let first = middle(&seen.iter().map(|s| s.1).collect::<Vec<_>>())?;
    let far: Vec<&(usize, Vector3<f64>)> = seen.iter().filter(|s| (s.1 - first).norm() > 2.0 * ELSEWHERE_M).collect();
    let second = middle(&far.iter().map(|s| s.1).collect::<Vec<_>>())?;
    let is_second = |s: &(usize, Vector3<f64>)| (s.1 - second).norm() < ELSEWHERE_M;
    let is_first = |s: &(usize, Vector3<f64>)| (s.1 - first).norm() < ELSEWHERE_M;
    if far.iter().filter(|s| is_second(s)).count() < 2 || seen.iter().filter(|s| is_first(s)).count() < 2 {
        return None;
    }
    let order: Vec<bool> = seen.iter().filter(|s| is_first(s) || is_second(s)).map(is_first).collect();
    let changes = order.windows(2).filter(|w| w[0] != w[1]).count();
    let name = |test: &dyn Fn(&Placed) -> bool| seen.iter().find(|s| test(s)).map(|s| input.photos[s.0].name.as_str());
    // Once is a move, which has a test of its own.
    (changes > 1).then_some(((second - first).norm(), name(&is_first)?, name(&is_second)?))
}

/// The eight ways in which a square's corners can be listed: turned by quarters, and listed the other way round (which turns the declared face away).
fn readings() -> Vec<(UnitQuaternion<f64>, String)> {
    let quarter = std::f64::consts::FRAC_PI_2;
    let mut all = Vec::new();
    for flip in [false, true] {
        for k in 0..4u8 {
            let turn = UnitQuaternion::from_scaled_axis(Vector3::z() * (f64::from(k) * quarter));
            let over = if flip {
                UnitQuaternion::from_scaled_axis(Vector3::x() * std::f64::consts::PI)
            } else {
                UnitQuaternion::identity()
            };
            let words = match (flip, k) {
                (false, _) => format!("turned by {} degrees", 90 * u32::from(k)),
                (true, _) => "with its corners listed the other way round (clockwise)".to_owned(),
            };
            all.push((turn * over, words));
        }
    }
    all
}

/// Tags of a body with several that may sit on it in another way than declared.
fn suspects(input: &SurveyInput, survey: &Survey) -> Vec<(usize, usize)> {
    let displaced = |body: usize, id: u16| {
        survey
            .integrity
            .iter()
            .any(|t| !t.passed() && t.fault == Fault::Displaced && t.suspect == Suspect::Tag { body, id })
    };
    let mut suspects: Vec<(usize, usize)> = Vec::new();
    for (b, body) in input.kit.bodies.iter().enumerate().filter(|(_, body)| body.tags.len() > 1) {
        for (t, tag) in body.tags.iter().enumerate() {
            let views = survey.views.iter().filter(|v| v.id == tag.id);
            let (all, used) = views.fold((0, 0), |(all, used), v| (all + 1, used + usize::from(v.used)));
            if displaced(b, tag.id) || (all > 0 && 2 * used < all) {
                suspects.push((b, t));
            }
        }
    }
    suspects
}

/// Middle corner residual (px) of a tag's views, were it at this place of its body.
fn misfit(
    input: &SurveyInput,
    survey: &Survey,
    b: usize,
    t: usize,
    body_from_tag: &Pose<crate::frames::Body, Tag>,
) -> Option<f64> {
    let tag = &input.kit.bodies[b].tags[t];
    let mut off = Vec::new();
    for (p, photo) in input.photos.iter().enumerate() {
        let body = survey.find_rolled(b, photo.position).or_else(|| survey.find(b, photo.station));
        let (Some(camera), Some(body), Some(seen)) =
            (camera_of(survey, p), body, photo.tags.iter().find(|s| s.id == tag.id))
        else {
            continue;
        };
        let camera_from_tag = camera * survey.bodies[body].world_from_body * *body_from_tag;
        for (corner, pixel) in tag.corners_m([0.0; 2]).iter().zip(&seen.corners) {
            let there = lens_of(input, survey, p).project(&(camera_from_tag * Point::<Tag>::claim(*corner)));
            off.push(there.map_or(f64::MAX, |at| (at - pixel).norm()));
        }
    }
    crate::fit::median(&off)
}

/// Which of these tags sit on their bodies turned, listed the other way round or exchanged with each other. The survey need not have used them.
fn misplaced_tags(input: &SurveyInput, survey: &Survey, suspects: &[(usize, usize)]) -> Vec<Mistake> {
    let place = |b: usize, t: usize| match &input.kit.bodies[b].tags[t].place {
        crate::body::TagPlace::Known(place) | crate::body::TagPlace::Measured { body_from_tag: place, .. } => {
            Some(*place)
        }
        crate::body::TagPlace::Free => None,
    };
    let mut out: Vec<Mistake> = Vec::new();
    for &(b, t) in suspects {
        let Some(declared) = place(b, t) else { continue };
        let Some(as_declared) = misfit(input, survey, b, t, &declared) else { continue };
        let turned = readings().into_iter().skip(1).map(|(turn, words)| {
            let turn = nalgebra::Isometry3::from_parts(nalgebra::Translation3::identity(), turn);
            (Pose::claim(declared.iso() * turn), words, None)
        });
        let exchanged = suspects.iter().filter(|other| other.0 == b && other.1 != t).filter_map(|&(_, other)| {
            let words = format!("where tag {} is declared", input.kit.bodies[b].tags[other].id);
            Some((place(b, other)?, words, Some(other)))
        });
        let mut all: Vec<_> = turned
            .chain(exchanged)
            .filter_map(|(pose, words, other)| Some((misfit(input, survey, b, t, &pose)?, words, other)))
            .collect();
        all.sort_by(|x, y| x.0.total_cmp(&y.0));
        // Another reading that fits as well is as likely: it is said too.
        let or = match all.get(1).filter(|second| second.0 < FITS_PX) {
            Some((off, words, _)) => format!(" Or it sits {words}, which fits to {off:.1} px: look."),
            None => String::new(),
        };
        let best = all.into_iter().next();
        let Some((left, words, other)) = best.filter(|(left, _, _)| *left < FITS_PX && FAR_WORSE * left < as_declared)
        else {
            continue;
        };
        let body = &input.kit.bodies[b];
        let remedy = match other {
            Some(_) => "The sheets are exchanged: correct the ids in bodies.toml or put the sheets where they belong",
            None => "Correct its corners, or right and up, in bodies.toml",
        };
        out.push(Mistake {
            test: "tag turned or exchanged on its body",
            subject: format!("tag {} on \"{}\"", body.tags[t].id, body.name),
            statistic: as_declared.min(1e4),
            threshold: FITS_PX,
            unit: "px",
            sentence: format!(
                "Tag {} sits on \"{}\" {words}: so its corners fit to {left:.1} px, as declared they are {:.0} px off. {remedy}.{or}",
                body.tags[t].id,
                body.name,
                as_declared.min(1e4)
            ),
        });
    }
    out
}
