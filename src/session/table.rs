//! A body whose table of tag places has another scale than its tags: found by which body's tags contradict the others.

use super::explain::{ACCIDENTS, LEFT_OVER, Mistake, Solved, unexplained};
use crate::body::{BodyTag, TagPlace};
use crate::camera::Lens;
use crate::pose::planar_poses;
use crate::survey::{Survey, SurveyInput, SurveyOptions, adjust};
use crate::units::mm_from_m;
use nalgebra::Vector3;

/// Printers scale by less than this; what is off by more is a wrong figure in a file. Common practice, no source.
pub(super) const MORE_THAN_A_PRINTER: f64 = 0.10;

/// Pairs of tags seen in one photograph before their distance is believed. Common practice, no source.
const FEWEST_PAIRS: usize = 3;

/// A body whose tags sit clearly nearer or further apart than its table says, while those of other bodies sit as declared: the survey without that table, and its name.
pub(super) fn wrong_table(input: &SurveyInput, solved: &Solved) -> Option<(SurveyInput, Solved, Mistake)> {
    let before = unexplained(solved);
    if before == 0 {
        return None;
    }
    let tables: Vec<(usize, f64)> =
        (0..input.kit.bodies.len()).filter_map(|b| Some((b, ratio_by_views(input, b)?))).collect();
    let (wrong, right): (Vec<_>, Vec<_>) = tables.into_iter().partition(|(_, ratio)| is_off(*ratio));
    // Tables that are all off in the same way are right, and the sides of the tags are not.
    if wrong.is_empty() || (right.is_empty() && wrong.len() > 1) {
        return None;
    }
    let mut corrected = input.clone();
    for (b, _) in &wrong {
        let tags = corrected.kit.bodies[*b].tags.iter_mut();
        tags.filter(|t| t.place != TagPlace::Free).skip(1).for_each(|t| t.place = TagPlace::Free);
        corrected.kit.joint_places.retain(|joint| joint.body != *b);
    }
    let again = adjust(&corrected, &SurveyOptions::default());
    let left = unexplained(&again);
    let explains = left <= ACCIDENTS || left.saturating_mul(LEFT_OVER) <= before;
    let survey = again.as_ref().ok().filter(|_| explains)?;
    let (b, _) = wrong[0];
    let (ratio, example) = as_found(input, survey, b)?;
    if !is_off(ratio) {
        return None;
    }
    let body = &input.kit.bodies[b];
    let or = match right.is_empty() {
        true => " (or side_mm of its tags: no other body has several tags to tell the two apart)",
        false => "",
    };
    let mistake = Mistake {
        test: "table of tag places",
        subject: format!("\"{}\"", body.name),
        statistic: 100.0 * (ratio - 1.0).abs(),
        threshold: 100.0 * MORE_THAN_A_PRINTER,
        unit: "%",
        sentence: format!(
            "The table of \"{}\" in bodies.toml does not fit its tags: they sit {ratio:.2} times as far apart as it says ({example}). No printer is off by so much: \
             measure the places again (centre_mm or corners_mm, in mm) and correct the table{or}. The survey went on without it.",
            body.name
        ),
    };
    Some((corrected, again, mistake))
}

fn is_off(ratio: f64) -> bool {
    ratio.ln().abs() > (1.0 + MORE_THAN_A_PRINTER).ln()
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

/// The same as a survey found them, and the pair that is furthest apart in words.
fn as_found(input: &SurveyInput, survey: &Survey, b: usize) -> Option<(f64, String)> {
    let at = survey.bodies.iter().position(|found| found.body == b)?;
    let placed: Vec<(u16, Vector3<f64>, Vector3<f64>)> = survey
        .standing_tags(input, &[at])
        .iter()
        .filter_map(|found| {
            let tag = &input.kit.bodies[b].tags[found.tag];
            let seen = survey.views.iter().any(|v| v.used && v.id == tag.id);
            Some((tag.id, declared(tag).filter(|_| seen)?, found.world_from_tag.translation()))
        })
        .collect();
    let (mut found, mut stated, mut widest) = (0.0, 0.0, (0.0, String::new()));
    for (k, one) in placed.iter().enumerate() {
        for other in &placed[k + 1..] {
            let (is, says) = ((one.2 - other.2).norm(), (one.1 - other.1).norm());
            found += is;
            stated += says;
            if says > widest.0 {
                let (is, says) = (mm_from_m(is), mm_from_m(says));
                widest.0 = (one.1 - other.1).norm();
                widest.1 = format!("tags {} and {}: {is:.0} mm, {says:.0} mm in the table", one.0, other.0);
            }
        }
    }
    (stated > 0.0).then(|| (found / stated, widest.1))
}
