//! Faults put into made bays: the survey must name the culprit and keep the rest right.

mod bays;

use nalgebra::Vector2;
use plumbsight::placement::Station;
use plumbsight::scene::{Bay, BayOptions};
use plumbsight::survey::integrity::{Fault, Suspect};
use plumbsight::survey::{Photo, Survey, SurveyError, SurveyInput, SurveyOptions, adjust};

fn bay() -> (Bay, SurveyInput) {
    let bay = Bay::new(&BayOptions { seed: 7, ..BayOptions::default() }).unwrap();
    let input = bay.survey_input();
    (bay, input)
}

fn solve(input: &SurveyInput) -> Survey {
    adjust(input, &SurveyOptions::default()).unwrap()
}

/// Largest distance (m) and angle (rad) between a body's place against the stand and its true one, over all bodies tied in.
fn worst_error(bay: &Bay, survey: &Survey) -> (f64, f64) {
    let stand = bay.layout.stand;
    let stand_from_world = survey.bodies[survey.find(stand, 0).unwrap()].world_from_body.inverse();
    let true_stand_from_world = bay.layout.world_from_body[stand].inverse();
    survey
        .bodies
        .iter()
        .map(|b| {
            let got = stand_from_world * b.world_from_body;
            let wanted = true_stand_from_world * bay.layout.world_from_body[b.body];
            let (angle, distance) = got.difference(&wanted);
            (distance, angle)
        })
        .fold((0.0, 0.0), |a: (f64, f64), b| (a.0.max(b.0), a.1.max(b.1)))
}

/// A network of these bays, without a fault, is this good; a fault that is dealt with must leave it so (metres and radians, about 5 sigma).
const GOOD: (f64, f64) = (0.006, 0.004);

#[test]
fn without_a_fault_nothing_is_rejected() {
    let (bay, input) = bay();
    let survey = solve(&input);
    assert!(survey.views.iter().all(|v| v.used));
    assert_eq!(survey.unmodelled_px, 0.0);
    let (distance, angle) = worst_error(&bay, &survey);
    assert!(distance < GOOD.0 && angle < GOOD.1, "{distance} m, {angle} rad");
}

#[test]
fn redundancy_numbers_add_up_to_what_is_redundant() {
    let (_, input) = bay();
    let survey = solve(&input);
    // Σ r = n - u over all observations (Baarda 1968); the measured values' own share is what the views lack.
    let views: f64 = survey.views.iter().map(|v| v.redundancy).sum();
    let measured = survey.redundancy - views;
    let n_measured = (1 + survey.views.iter().map(|v| v.id).collect::<std::collections::BTreeSet<_>>().len()) as f64;
    assert!((0.0..=n_measured).contains(&measured), "measured values take {measured} of {n_measured}");
    assert!(survey.views.iter().all(|v| (0.0..=8.0 + 1e-9).contains(&v.redundancy)));
}

#[test]
fn one_bad_corner_is_found_by_photograph_and_tag() {
    let (bay, mut input) = bay();
    let photo = input.photos.iter().position(|p| p.tags.len() > 6).unwrap();
    let id = input.photos[photo].tags[3].id;
    input.photos[photo].tags[3].corners[1] += Vector2::new(2.0, -1.0);
    let survey = solve(&input);
    let rejected: Vec<(usize, u16)> = survey.views.iter().filter(|v| !v.used).map(|v| (v.photo, v.id)).collect();
    assert_eq!(rejected, [(photo, id)]);
    let (distance, angle) = worst_error(&bay, &survey);
    assert!(distance < GOOD.0 && angle < GOOD.1, "{distance} m, {angle} rad");
}

#[test]
fn a_sheet_of_another_size_is_named_with_its_size() {
    let (bay, mut input) = bay();
    let (body, tag) = input.kit.find_tag(104).unwrap();
    input.kit.bodies[body].tags[tag].side_m *= 0.97;
    let survey = solve(&input);
    let failed: Vec<_> = survey.integrity.iter().filter(|t| !t.passed()).collect();
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert_eq!((&failed[0].suspect, failed[0].fault), (&Suspect::Tag { body, id: 104 }, Fault::Size));
    // Declared at 0.97 of its true size: it is 1/0.97 of what is declared.
    let found = failed[0].found.as_ref().unwrap();
    let (relative, wanted) = (found.relative.unwrap(), 1.0 / 0.97 - 1.0);
    assert!((relative - wanted).abs() < 0.2 * wanted && (relative - wanted).abs() < 4.0 * found.u, "{found:?}");
    let (distance, angle) = worst_error(&bay, &survey);
    assert!(distance < GOOD.0 && angle < GOOD.1, "{distance} m, {angle} rad");
}

#[test]
fn an_id_twice_in_one_photograph_is_used_in_neither_place() {
    let (_, mut input) = bay();
    let again = input.photos[0].tags[0].clone();
    input.photos[0].tags.push(again.clone());
    let survey = solve(&input);
    let dropped: Vec<(usize, u16)> = survey.dropped.iter().map(|d| (d.photo, d.id)).collect();
    assert_eq!(dropped, [(0, again.id), (0, again.id)]);
    assert!(survey.dropped[0].reason.contains("twice"));
}

#[test]
fn a_network_in_two_pieces_is_said_and_the_larger_one_is_used() {
    let (_, mut input) = bay();
    // Sheet 112 is only ever seen without anything else but sheet 113, and nothing else sees these two.
    for photo in &mut input.photos {
        let behind = photo.tags.iter().filter(|t| t.id == 112 || t.id == 113).count();
        if behind == 2 && photo.tags.len() % 2 == 0 {
            photo.tags.retain(|t| t.id == 112 || t.id == 113);
        } else {
            photo.tags.retain(|t| t.id != 112 && t.id != 113);
        }
    }
    let split = input.photos.iter().filter(|p| p.tags.iter().any(|t| t.id == 112)).count();
    assert!(split > 0, "the seed gives photographs that show both sheets");
    let survey = solve(&input);
    let mut named: Vec<usize> = survey.untied_bodies.iter().map(|(b, _)| *b).collect();
    named.sort_unstable();
    let wanted = [112, 113].map(|id| input.kit.find_tag(id).unwrap().0);
    assert_eq!(named, wanted, "{:?}", survey.untied_bodies);
    assert!(survey.untied_bodies.iter().all(|(_, why)| why.contains("no photograph ties it to the rest")));
    assert_eq!(survey.untied_photos.len(), split);
}

#[test]
fn a_stand_that_moved_half_way_is_named_with_photograph_and_size() {
    let (bay, mut input) = bay();
    // The stand is pushed 30 mm after half of the photographs.
    let mut moved = bay.clone();
    for (_, pose) in moved.layout.world_from_body.iter_mut().enumerate().filter(|(b, _)| *b == bay.layout.stand) {
        let step = nalgebra::Vector6::new(0.0, 0.0, 0.0, 0.03, 0.0, 0.0);
        *pose = pose.moved_left(&step);
    }
    for tag in moved.layout.tags.iter_mut().filter(|t| t.body == bay.layout.stand) {
        tag.world_from_tag = tag.world_from_tag.moved_left(&nalgebra::Vector6::new(0.0, 0.0, 0.0, 0.03, 0.0, 0.0));
    }
    let later = moved.noisy_photos(0);
    for (photo, later) in input.photos.iter_mut().zip(later).skip(bay.options.n_photos / 2) {
        *photo = later;
    }
    let survey = solve(&input);
    let failed: Vec<_> = survey.integrity.iter().filter(|t| !t.passed()).collect();
    assert_eq!(failed.len(), 1, "{failed:?}");
    let stand = Suspect::Body { body: bay.layout.stand, station: None, position: None };
    assert_eq!(failed[0].suspect, stand);
    let found = failed[0].found.as_ref().unwrap();
    let half = bay.options.n_photos / 2;
    let (low, high) = found.from_photos.unwrap();
    // The stand need not show in the very first photograph after the move.
    let shows = |p: &usize| input.photos[*p].tags.iter().any(|t| (40..49).contains(&t.id));
    let first = (half..bay.options.n_photos).find(shows).unwrap();
    assert!((low..=high).contains(&first), "{low} to {high} for {first}");
    let shift = found.shift_m.unwrap().norm();
    assert!((shift - 0.03).abs() < 0.2 * 0.03 && (shift - 0.03).abs() < 5.0 * found.u, "{found:?}");
}

/// A stand that is moved between two stations gets one place at each, from one survey.
#[test]
fn a_stand_moved_between_stations_is_measured_at_each() {
    let (bay, mut input) = bay();
    let stand = bay.layout.stand;
    let step = nalgebra::Vector6::new(0.0, 0.0, 0.05, -0.1, 0.4, 0.0);
    let mut second = bay.clone();
    second.layout.world_from_body[stand] = second.layout.world_from_body[stand].moved_left(&step);
    for tag in second.layout.tags.iter_mut().filter(|t| t.body == stand) {
        tag.world_from_tag = tag.world_from_tag.moved_left(&step);
    }
    let later = second.noisy_photos(1).into_iter().map(|photo| Photo { station: 1, ..photo });
    input.photos.extend(later);
    input.moved_between_stations = vec![stand];
    let survey = solve(&input);
    assert_eq!(survey.bodies.iter().filter(|b| b.body == stand).count(), 2);
    // Against a sheet that lay still: each station's stand where it truly stood.
    let (sheet, _) = input.kit.find_tag(103).unwrap();
    for (station, truth) in [(0, &bay), (1, &second)] {
        let at = |body: usize| survey.bodies[survey.find(body, station).unwrap()].world_from_body;
        let got = at(sheet).inverse() * at(stand);
        let wanted = truth.layout.world_from_body[sheet].inverse() * truth.layout.world_from_body[stand];
        let (angle, distance) = got.difference(&wanted);
        assert!(distance < GOOD.0 && angle < GOOD.1, "station {station}: {distance} m, {angle} rad");
    }
    // And each is judged at its own station.
    let mut placement = bays::placement_of(&bay, [None; 6]);
    placement.stations.push(Station { name: "beside".into(), ..placement.stations[0].clone() });
    let assessment = bays::assessment_of(&bay, &survey, &placement);
    let six = |k: usize| assessment.stations[k].deviations.clone().map(|d| d.deviation);
    let (first, beside) = (six(0), six(1));
    let moved = second.layout.world_from_body[stand].translation() - bay.layout.world_from_body[stand].translation();
    for (k, by) in [(0, moved.x), (1, moved.y), (2, moved.z), (3, 0.05)] {
        let difference = beside[k].value - first[k].value;
        assert!((difference - by).abs() < GOOD.0, "component {k}: {difference} for {by}");
    }
}

#[test]
fn nothing_linked_is_an_error_with_a_remedy() {
    let (_, mut input) = bay();
    for photo in &mut input.photos {
        photo.tags.truncate(1);
    }
    let error = adjust(&input, &SurveyOptions::default()).unwrap_err();
    assert!(matches!(error, SurveyError::NothingLinked { .. }), "{error}");
    assert!(error.to_string().contains("each show at least two bodies"));
    input.photos.clear();
    assert!(matches!(adjust(&input, &SurveyOptions::default()), Err(SurveyError::NothingLinked { .. })));
}

#[test]
fn numbers_that_are_none_are_dropped_not_believed() {
    let (_, mut input) = bay();
    input.photos[1].tags[0].corners[0].x = f64::NAN;
    input.photos[1].tags[1].cov[(0, 0)] = -1.0;
    let survey = solve(&input);
    assert_eq!(survey.dropped.len(), 2);
    assert!(survey.bodies.iter().all(|b| b.world_from_body.is_finite()));
}
