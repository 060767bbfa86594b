//! Networks of many photographs: still right, still honest, still able to name what is wrong. (How long they take: `cargo bench --bench scale`.)

mod hall;

use hall::{Change, Hall, hall, hall_with};
use nalgebra::{DVector, SMatrix, Vector2};
use plumbsight::body::Kit;
use plumbsight::fit::chi_square::ln_tail;
use plumbsight::survey::integrity::{Fault, Suspect};
use plumbsight::survey::{LensFreedom, Survey, SurveyInput, SurveyOptions, adjust};

fn survey_of(input: &SurveyInput) -> Survey {
    adjust(input, &SurveyOptions::default()).unwrap()
}

/// Chi-square of all bodies' places against the truth, relative to the reference, with the joint covariance; and its degrees of freedom.
fn against_truth(hall: &Hall, survey: &Survey) -> (f64, usize) {
    let others: Vec<usize> = (0..survey.bodies.len()).filter(|k| *k != survey.reference).collect();
    let reference_from_world = hall.world_from_body[survey.bodies[survey.reference].body].inverse();
    let mut error = DVector::zeros(6 * others.len());
    for (row, k) in others.iter().enumerate() {
        let found = &survey.bodies[*k];
        let truth = reference_from_world * hall.world_from_body[found.body];
        let off = found.world_from_body.inverse().iso() * truth.iso();
        error.fixed_rows_mut::<3>(6 * row).copy_from(&off.rotation.scaled_axis());
        error.fixed_rows_mut::<3>(6 * row + 3).copy_from(&off.translation.vector);
    }
    let cov = survey.joint(&others).cov;
    (error.dot(&cov.cholesky().unwrap().solve(&error)), error.len())
}

/// 130 photographs of 60 tags are worked on in several pieces. All 51 bodies together lie as far from the truth as their joint covariance says.
#[test]
fn the_joint_covariance_of_all_bodies_is_honest() {
    let (mut sum, mut dof) = (0.0, 0);
    for seed in 1..=3 {
        let hall = hall(seed, 130);
        assert!(hall.input.photos.iter().all(|p| p.tags.len() == hall::N_TAGS), "every photograph shows every tag");
        let survey = survey_of(&hall.input);
        assert_eq!((survey.photos.len(), survey.bodies.len()), (130, 52));
        assert!(survey.views.iter().filter(|v| !v.used).count() <= 1 && survey.integrity.iter().all(|t| t.passed()));
        let (statistic, n) = against_truth(&hall, &survey);
        sum += statistic;
        dof += n;
    }
    // Both tails at a ten thousandth.
    let above = ln_tail(sum, dof);
    assert!(above > 1e-4f64.ln() && above < (1.0 - 1e-4f64).ln(), "chi-square {sum} with {dof} degrees of freedom");
}

/// The redundancy numbers of all views add up to observations minus unknowns (W. Baarda 1968; from memory), where nothing else was observed.
#[test]
fn redundancy_numbers_add_up() {
    let mut input = hall(4, 70).input;
    input.lenses[0].freedom = LensFreedom::Held;
    input.kit = Kit { prints: input.kit.prints.into_iter().map(without_scale).collect(), ..input.kit };
    let survey = survey_of(&input);
    let sum: f64 = survey.views.iter().filter(|v| v.used).map(|v| v.redundancy).sum();
    assert!((sum / survey.redundancy - 1.0).abs() < 1e-9, "{sum} against {}", survey.redundancy);
}

fn without_scale(print: plumbsight::body::PrintScale) -> plumbsight::body::PrintScale {
    plumbsight::body::PrintScale { sigma_common: 0.0, sigma_each: 0.0, ..print }
}

/// Photographs in another order are other pieces: nothing changes beyond rounding.
#[test]
fn the_order_of_the_photographs_does_not_matter() {
    let forward = hall(5, 100).input;
    let mut backward = forward.clone();
    backward.photos.reverse();
    backward.photos.iter_mut().for_each(|p| p.tags.reverse());
    let (a, b) = (survey_of(&forward), survey_of(&backward));
    assert_eq!(
        forward.kit.bodies[a.bodies[a.reference].body].name,
        backward.kit.bodies[b.bodies[b.reference].body].name
    );
    for (k, found) in a.bodies.iter().enumerate() {
        let other = b.find(found.body, 0).unwrap();
        let (angle, distance) = found.world_from_body.difference(&b.bodies[other].world_from_body);
        let sigma = |s: &Survey, k: usize, i: usize| s.joint(&[k]).cov[(i, i)].sqrt();
        assert!(
            angle <= 1e-3 * sigma(&a, k, 0) + 1e-12 && distance <= 1e-3 * sigma(&a, k, 3) + 1e-12,
            "{angle} {distance}"
        );
        for i in 0..6 {
            let (one, two) = (sigma(&a, k, i), sigma(&b, other, i));
            assert!((one - two).abs() <= 1e-6 * one, "{one} {two}");
        }
    }
}

/// A sheet that was kicked 0.6 mm aside between photographs 79 and 80 of 120 is named, with the photograph and the size.
#[test]
fn a_moved_sheet_among_many_photographs_is_named() {
    let shift_m = 0.0006;
    let hall = hall_with(6, 120, Some(Change { body: 30, from_photo: 80, shift_m }));
    let survey = survey_of(&hall.input);
    let found: Vec<_> = survey.integrity.iter().filter(|t| !t.passed()).collect();
    assert_eq!(found.len(), 1, "{found:?}");
    assert!(matches!(found[0].suspect, Suspect::Body { body: 30, .. }), "{found:?}");
    let Fault::Moved { from_photo } = found[0].fault else { panic!("{found:?}") };
    let size = found[0].found.as_ref().unwrap();
    let (low, high) = size.from_photos.unwrap();
    assert!(low <= 80 && 80 <= high && from_photo.abs_diff(80) <= 2, "{size:?}");
    let moved = size.shift_m.unwrap().norm();
    assert!((moved - shift_m).abs() < 0.2 * shift_m, "{moved}");
    let (statistic, dof) = against_truth(&hall, &survey);
    assert!(ln_tail(statistic, dof) > 1e-4f64.ln(), "{statistic} {dof}");
}

/// One view in a hundred is wrong by 2 to 6 px at one corner: all of them are rejected, with hardly any other, and the rest is as good as without them.
#[test]
fn wrong_views_among_many_are_rejected() {
    let mut hall = hall(7, 90);
    let mut wrong = Vec::new();
    let mut count = 0usize;
    for (p, photo) in hall.input.photos.iter_mut().enumerate() {
        for tag in &mut photo.tags {
            count += 1;
            if count.is_multiple_of(101) {
                let size = 2.0 + (count % 5) as f64;
                tag.corners[count % 4] +=
                    Vector2::new(size, if count.is_multiple_of(2) { size } else { -size }) / 2f64.sqrt();
                wrong.push((p, tag.id));
            }
        }
    }
    assert!(wrong.len() > 50);
    let survey = survey_of(&hall.input);
    let rejected: Vec<(usize, u16)> = survey.views.iter().filter(|v| !v.used).map(|v| (v.photo, v.id)).collect();
    assert!(wrong.iter().all(|v| rejected.contains(v)), "{} of {} rejected", rejected.len(), wrong.len());
    assert!(rejected.len() <= wrong.len() + 2, "{} rejected, {} wrong", rejected.len(), wrong.len());
    let (statistic, dof) = against_truth(&hall, &survey);
    assert!(ln_tail(statistic, dof) > 1e-4f64.ln(), "{statistic} {dof}");
}

/// The stated covariance of a corner in the hall is one that can be inverted; a hall is the same every time.
#[test]
fn halls_are_made_the_same_every_time() {
    let (a, b) = (hall(9, 3).input, hall(9, 3).input);
    assert_eq!(a, b);
    let cov: SMatrix<f64, 8, 8> = a.photos[0].tags[0].cov;
    assert!(cov.cholesky().is_some());
}

/// Tags all seen too large by up to 1.4 % of their size, because something is missing beyond their white margins that nobody knows. In a hall of single tags the size of everything hangs on theirs, and no number of
/// photographs averages it away. Stated as what the views share it is in U; stated as each view's own it would be lost.
#[test]
fn what_all_tags_have_in_common_is_not_averaged_away() {
    // By how many cells a side is seen too far out where no light comes from beyond it.
    let most = 0.0546;
    // The distance of two far sheets, its error and U, m; `truly`: how dark it is, 0 to 1.
    let distance = |n_photos: usize, truly: f64, in_common: bool| {
        let mut hall = hall(7, n_photos);
        // Without the stand, whose nine tags know their distances.
        let stand = hall.input.kit.bodies.remove(0);
        hall.world_from_body.remove(0);
        for photo in &mut hall.input.photos {
            photo.tags.retain(|tag| stand.tags.iter().all(|own| own.id != tag.id));
        }
        for tag in hall.input.photos.iter_mut().flat_map(|photo| &mut photo.tags) {
            let c = tag.corners;
            let mut beyond = SMatrix::<f64, 8, 4>::zeros();
            for k in 0..4 {
                let [before, a, b, after] = [3, 0, 1, 2].map(|i| c[(k + i) % 4]);
                beyond.fixed_view_mut::<2, 1>(2 * k, k).copy_from(&((a - before) / 8.0 * most));
                beyond.fixed_view_mut::<2, 1>(2 * ((k + 1) % 4), k).copy_from(&((b - after) / 8.0 * most));
            }
            let all = beyond.column_sum();
            tag.corners = std::array::from_fn(|k| c[k] + all.fixed_rows::<2>(2 * k) * truly);
            // Even from 0 to all of it: mean 1/2, 1/√12 about it, 1/√3 about nothing.
            if in_common {
                tag.beyond = beyond;
                tag.cov += beyond * beyond.transpose() / 12.0 + all * all.transpose() / 4.0;
            } else {
                tag.cov += beyond * beyond.transpose() / 3.0;
            }
        }
        let survey = survey_of(&hall.input);
        let [a, b] = ["sheet 0", "sheet 46"].map(|name| {
            let body = hall.input.kit.bodies.iter().position(|b| b.name == name).unwrap();
            survey.bodies.iter().position(|found| found.body == body).unwrap()
        });
        let place = |k: usize| survey.bodies[k].world_from_body;
        let along = place(b).translation() - place(a).translation();
        let truth = [a, b].map(|k| hall.world_from_body[survey.bodies[k].body].translation());
        let unit = along.normalize();
        let mut by = DVector::zeros(12);
        by.fixed_rows_mut::<3>(3).copy_from(&-place(a).rotation().tr_mul(&unit));
        by.fixed_rows_mut::<3>(9).copy_from(&place(b).rotation().tr_mul(&unit));
        let u = by.dot(&(survey.joint(&[a, b]).cov * &by)).sqrt();
        let (error, u) = (along.norm() - (truth[1] - truth[0]).norm(), 1.96 * u);
        (along.norm(), error, u)
    };
    // In the dark the distance is off by 1.3 %, and U is 1.96 times the half of it and more: what each side has for itself hardly counts among so many.
    for truly in [0.0, 0.5, 1.0] {
        let (length, error, u) = distance(6, truly, true);
        let half = 1.96 * 0.5 * length * most / 4.0;
        assert!(error.abs() < u && (0.95..1.2).contains(&(u / half)), "black by {truly}: {error} {u} {half}");
    }
    // U is as large from more photographs.
    let (few, many) = (distance(6, 0.5, true).2, distance(18, 0.5, true).2);
    assert!(many > 0.98 * few, "{few} {many}");
    let (_, error, lost) = distance(6, 1.0, false);
    assert!(error.abs() > 10.0 * lost, "the test shows nothing: {error} {lost}");
}
