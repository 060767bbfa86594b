//! Bodies whose tables of tag places have another scale than their tags: found by which bodies' tags contradict the others.

use super::explain::{ACCIDENTS, LEFT_OVER, Mistake, SIZE_IN_U, Solved, unexplained};
use crate::body::{BodyTag, TagPlace};
use crate::camera::Lens;
use crate::pose::planar_poses;
use crate::survey::{Survey, SurveyInput, SurveyOptions, adjust};
use crate::uncertainty::digits::LastDigit;
use crate::units::mm_from_m;
use nalgebra::{DVector, Vector3};

/// Printers scale by less than this; what is off by more is a wrong figure in a file. Common practice, no source.
pub(super) const MORE_THAN_A_PRINTER: f64 = 0.10;

/// Name of the test in the result.
pub(super) const TABLE_TEST: &str = "table of tag places";

/// Pairs of tags seen in one photograph before their distance is believed. Common practice, no source.
const FEWEST_PAIRS: usize = 3;

/// Bodies whose tags sit clearly nearer or further apart than their tables say, while those of other bodies sit as declared: the survey without those tables,
/// and each of them by name.
pub(super) fn wrong_tables(input: &SurveyInput, solved: &Solved) -> Option<(SurveyInput, Solved, Vec<Mistake>)> {
    let before = unexplained(solved);
    if before == 0 {
        return None;
    }
    let tables: Vec<(usize, f64)> =
        (0..input.kit.bodies.len()).filter_map(|b| Some((b, ratio_by_views(input, b)?))).collect();
    let (wrong, right): (Vec<_>, Vec<_>) = tables.into_iter().partition(|(_, ratio)| off(*ratio, 0.0).is_some());
    // Tables that are all off in the same way are right, and the sides of the tags are not.
    if wrong.is_empty() || (right.is_empty() && wrong.len() > 1) {
        return None;
    }
    let suspected: Vec<usize> = wrong.iter().map(|(b, _)| *b).collect();
    let (mut corrected, mut again) = without_tables(input, &suspected);
    let left = unexplained(&again);
    if left > ACCIDENTS && left.saturating_mul(LEFT_OVER) > before {
        return None;
    }
    let with_others = !right.is_empty();
    let named = |survey: &Survey| -> Vec<(usize, Mistake)> {
        suspected.iter().filter_map(|b| Some((*b, mistake(input, survey, *b, with_others)?))).collect()
    };
    let mut found = named(again.as_ref().ok()?);
    if found.is_empty() {
        return None;
    }
    // What single views made suspect and the survey found right keeps its table.
    if found.len() < suspected.len() {
        let bodies: Vec<usize> = found.iter().map(|(b, _)| *b).collect();
        (corrected, again) = without_tables(input, &bodies);
        if unexplained(&again) >= before {
            return None;
        }
        let survey = again.as_ref().ok()?;
        found.retain_mut(|(b, named)| mistake(input, survey, *b, with_others).map(|new| *named = new).is_some());
        if found.len() < bodies.len() {
            return None;
        }
    }
    Some((corrected, again, found.into_iter().map(|(_, mistake)| mistake).collect()))
}

/// The survey with the tags of these bodies wherever the photographs have them; the first of each stays and holds its body's frame.
fn without_tables(input: &SurveyInput, bodies: &[usize]) -> (SurveyInput, Solved) {
    let mut corrected = input.clone();
    for b in bodies {
        let tags = corrected.kit.bodies[*b].tags.iter_mut();
        tags.filter(|t| t.place != TagPlace::Free).skip(1).for_each(|t| t.place = TagPlace::Free);
        corrected.kit.joint_places.retain(|joint| joint.body != *b);
    }
    let again = adjust(&corrected, &SurveyOptions::default());
    (corrected, again)
}

/// The body's table as a mistake, where a survey without it finds its tags clearly nearer or further apart; `with_others`: other bodies' tags sit as declared.
fn mistake(input: &SurveyInput, survey: &Survey, b: usize, with_others: bool) -> Option<Mistake> {
    let found = as_found(input, survey, b)?;
    let (statistic, threshold) = off(found.ratio, found.u)?;
    let body = &input.kit.bodies[b];
    let or = match with_others {
        false => " (or side_mm of its tags: no other body has several tags to tell the two apart)",
        true => "",
    };
    Some(Mistake {
        test: TABLE_TEST,
        subject: format!("\"{}\"", body.name),
        statistic,
        threshold,
        unit: "%",
        sentence: format!(
            "The table of \"{}\" in bodies.toml does not fit its tags: they sit {:.2} times as far apart as it says (u {}; {}). No printer is off by so much: \
             measure the places again (centre_mm or corners_mm, in mm) and correct the table{or}. The survey went on without it.",
            body.name,
            found.ratio,
            LastDigit::of(found.u).up(found.u),
            found.example
        ),
    })
}

/// By how many percent the longer is longer than the shorter, and the limit that it exceeds: more than a printer by more than chance; `None` where it does not.
/// `u`: standard uncertainty of the ratio.
fn off(ratio: f64, u: f64) -> Option<(f64, f64)> {
    let is = ratio.ln().abs();
    let limit = (1.0 + MORE_THAN_A_PRINTER).ln() + SIZE_IN_U * u / ratio;
    (is > limit).then(|| (100.0 * is.exp_m1(), 100.0 * limit.exp_m1()))
}

/// Where a tag's centre is declared, in its body's frame.
fn declared(tag: &BodyTag) -> Option<Vector3<f64>> {
    match &tag.place {
        TagPlace::Known(place) | TagPlace::Measured { body_from_tag: place, .. } => Some(place.translation()),
        TagPlace::Free => None,
    }
}

/// Distance between tags of a body in single photographs, against the table's: the middle of all pairs. Only the tags' sides go into it, no survey.
fn ratio_by_views(input: &SurveyInput, b: usize) -> Option<f64> {
    let tags = &input.kit.bodies[b].tags;
    let mut ratios = Vec::new();
    for photo in &input.photos {
        let lens: &Lens = &input.lenses[photo.lens].lens;
        let seen: Vec<(Vector3<f64>, Vector3<f64>)> = photo
            .tags
            .iter()
            .filter_map(|view| {
                let tag = tags.iter().find(|t| t.id == view.id)?;
                let pose = planar_poses(lens, tag.mean_side_m(), &view.corners).into_iter().next()?;
                Some((declared(tag)?, pose.translation()))
            })
            .collect();
        for (k, one) in seen.iter().enumerate() {
            for other in &seen[k + 1..] {
                let apart = (one.0 - other.0).norm();
                if apart > 0.0 {
                    ratios.push((one.1 - other.1).norm() / apart);
                }
            }
        }
    }
    (ratios.len() >= FEWEST_PAIRS).then(|| crate::fit::median(&ratios))?
}

/// Distances between a body's tags against its table's, as a survey found them.
struct AsFound {
    /// All distances together against all of the table's.
    ratio: f64,
    /// Its standard uncertainty, from the joint covariance of the places.
    u: f64,
    /// The pair that the table has furthest apart, in words.
    example: String,
}

fn as_found(input: &SurveyInput, survey: &Survey, b: usize) -> Option<AsFound> {
    let body = &input.kit.bodies[b];
    let found = survey.places(b, body);
    // Row of the covariance, id, where it is declared and where it was found.
    let placed: Vec<(usize, u16, Vector3<f64>, Vector3<f64>)> = found
        .places
        .iter()
        .enumerate()
        .filter_map(|(k, place)| {
            let tag = &body.tags[place.tag];
            Some((6 * k, tag.id, declared(tag)?, place.body_from_tag.translation()))
        })
        .collect();
    let (mut is_sum, mut says_sum, mut widest) = (0.0, 0.0, (0.0, String::new()));
    let mut by_step = DVector::zeros(found.cov.nrows());
    for (k, one) in placed.iter().enumerate() {
        for other in &placed[k + 1..] {
            let (apart, says) = (one.3 - other.3, (one.2 - other.2).norm());
            let is = apart.norm();
            is_sum += is;
            says_sum += says;
            for (row, sign) in [(one.0, 1.0), (other.0, -1.0)] {
                // A step of a place is in the tag's own axes.
                let turn = found.places[row / 6].body_from_tag.iso().rotation;
                let by = turn.inverse() * (apart * (sign / is.max(f64::MIN_POSITIVE)));
                let mut at = by_step.rows_mut(row + 3, 3);
                at += by;
            }
            if says > widest.0 {
                let words = format!(
                    "tags {} and {}: {:.0} mm, {:.0} mm in the table",
                    one.1,
                    other.1,
                    mm_from_m(is),
                    mm_from_m(says)
                );
                widest = (says, words);
            }
        }
    }
    let u = by_step.dot(&(&found.cov * &by_step)).max(0.0).sqrt() / says_sum;
    (says_sum > 0.0).then_some(AsFound { ratio: is_sum / says_sum, u, example: widest.1 })
}
