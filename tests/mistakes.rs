//! What people declare wrongly about photographs, sheets and plates, judged as a whole: each mistake is named by what it is, and nothing is called in tolerance.

mod bays;

use bays::job::{job_of, judged, rolled_job};
use bays::shots::{Put, Shots};
use nalgebra::{UnitQuaternion, Vector3};
use plumbsight::body::TagPlace;
use plumbsight::frames::{Body, Direction, Pose, Tag};
use plumbsight::record::result::{IntegrityPart, Verdict};
use plumbsight::record::{Job, ResultFile};
use plumbsight::scene::{Bay, BayOptions, RollOptions};
use plumbsight::survey::integrity::{Fault, Suspect};
use plumbsight::units::{m_from_mm, rad_from_deg};
use plumbsight::vehicle::Corner;

/// So wide that a sound job is in tolerance.
fn tolerance() -> [Option<f64>; 6] {
    let angle = rad_from_deg(3.0);
    [m_from_mm(200.0), m_from_mm(200.0), m_from_mm(80.0), angle, angle, angle].map(Some)
}

fn bay(front_plates: bool) -> Bay {
    Bay::new(&BayOptions { seed: 7, front_plates, ..BayOptions::default() }).unwrap()
}

fn job(bay: &Bay) -> Job {
    job_of(bay, &bay.noisy_photos(0), bays::placement_of(bay, tolerance()))
}

/// The failed test of this name, of a result that calls nothing in tolerance.
#[track_caller]
fn named<'a>(result: &'a ResultFile, test: &str) -> Vec<&'a IntegrityPart> {
    assert!(matches!(result.verdict, Verdict::NotProven | Verdict::NotMeasured), "{:?}", result.verdict);
    let found: Vec<_> = result.integrity.iter().filter(|t| t.test == test && !t.passed).collect();
    let failed: Vec<_> = result.integrity.iter().filter(|t| !t.passed).map(|t| &t.sentence).collect();
    assert!(!found.is_empty(), "{test} is not named: {:?} {failed:?}", result.not_measured);
    assert!(found.iter().all(|t| t.statistic > t.threshold), "{found:?}");
    found
}

#[test]
fn a_sound_job_names_no_mistake() {
    for front_plates in [false, true] {
        let bay = bay(front_plates);
        let result = judged(&job(&bay), &bay.noisy_photos(0));
        let failed: Vec<_> = result.integrity.iter().filter(|t| !t.passed).collect();
        assert!(result.verdict == Verdict::In && failed.is_empty(), "{:?} {failed:?}", result.verdict);
    }
}

#[test]
fn a_photograph_under_another_roll_position_is_named() {
    let roll = RollOptions::default();
    let options = BayOptions { seed: 1, n_photos: 16, run_out_limit_rad: rad_from_deg(1.0), ..BayOptions::default() };
    let stops = Bay::new(&options).unwrap().rolled(&roll).unwrap();
    let (job, photos) = rolled_job(&stops, &roll, bays::placement_of(&stops[2], tolerance()));
    let shows: Vec<usize> = (0..photos.len()).filter(|p| photos[*p].tags.iter().any(|t| t.id == 10)).collect();
    for p in [shows[0], shows[shows.len() / 2]] {
        let (mut job, mut photos) = (job.clone(), photos.clone());
        let (listed, truly) = ((photos[p].position + 1) % 3, photos[p].position);
        (photos[p].position, job.photos[p].position) = (listed, listed);
        let result = judged(&job, &photos);
        let found = named(&result, "photograph under another roll position");
        assert_eq!(found.len(), 1, "{found:?}");
        let wanted =
            format!("listed under roll position \"{}\" and shows the car as it stood at \"{}\"", listed + 1, truly + 1);
        assert!(found[0].sentence.contains(&photos[p].name) && found[0].sentence.contains(&wanted), "{found:?}");
        // The numbers are those of the others.
        assert!(result.not_measured.is_none(), "{:?}", result.not_measured);
    }
}

/// Pictures that a program turned by half a turn without a word: named, turned back, and the numbers are those of the pictures as they were taken.
#[test]
fn photographs_turned_by_half_a_turn_are_named() {
    let bay = bay(false);
    let job = job(&bay);
    let lens = &job.lenses[0].lens;
    let off = 2.0 * (lens.cx - (lens.width as f64 - 1.0) / 2.0).hypot(lens.cy - (lens.height as f64 - 1.0) / 2.0);
    assert!(off > 4.0, "this lens is not to be told from itself turned: {off:.1} px");
    let photos = bay.noisy_photos(0);
    let sound = judged(&job, &photos);
    let n = photos.len();
    let choices: [(&dyn Fn(usize) -> bool, &str); 5] = [
        (&|_| true, "all"),
        (&|p| p == 4, "photograph "),
        (&|p| p % 2 == 0, " of the "),
        (&|p| 3 * p >= 2 * n, "photographs"),
        (&|p| p != 4, " of the "),
    ];
    for (which, who) in choices {
        let mut all = photos.clone();
        for (_, photo) in all.iter_mut().enumerate().filter(|(p, _)| which(*p)) {
            for view in &mut photo.tags {
                for corner in &mut view.corners {
                    corner.x = lens.width as f64 - 1.0 - corner.x;
                    corner.y = lens.height as f64 - 1.0 - corner.y;
                }
                view.beyond = -view.beyond;
            }
        }
        let result = judged(&job, &all);
        let found = named(&result, "photograph turned by half a turn");
        let failed = result.integrity.iter().filter(|t| !t.passed).count();
        assert!(found.len() == 1 && failed == 1 && found[0].subject.contains(who), "{who}: {:?}", result.integrity);
        let (a, b) = (&result.stations[0].deviations, &sound.stations[0].deviations);
        for ((name, _, x), (_, _, y)) in a.each().into_iter().zip(b.each()) {
            // A photograph that hardly minds may have stayed as it is.
            let off = (x.deviation - y.deviation).abs() / y.expanded;
            println!("{}: {name} {off:.4} U", found[0].subject);
            assert!(off < 0.1, "{who} {name}: {} {}", x.deviation, y.deviation);
        }
    }
}

/// Photographs of another bay with the same sheets, that let nothing be tied together: named and left out, wherever they lie among the others.
#[test]
fn photographs_of_another_bay_are_named() {
    use plumbsight::survey::{SurveyInput, SurveyOptions, adjust};
    let bay = bay(false);
    let job = job(&bay);
    let photos = bay.noisy_photos(0);
    let mut named = 0;
    for seed in 14..17 {
        let other = Bay::new(&BayOptions { seed, ..BayOptions::default() }).unwrap().noisy_photos(0);
        for strays in [&[0][..], &[13], &[5, 21]] {
            let mut all = photos.clone();
            for p in strays {
                all[*p].tags = other[*p].tags.clone();
            }
            let input = SurveyInput { photos: all.clone(), ..bay.survey_input() };
            if adjust(&input, &SurveyOptions::default()).is_ok() {
                continue;
            }
            let result = judged(&job, &all);
            let found: Vec<_> =
                result.integrity.iter().filter(|t| t.test == "photograph that does not belong").collect();
            let names: Vec<String> = strays.iter().map(|p| format!("photograph {}", photos[*p].name)).collect();
            assert_eq!(found.iter().map(|t| t.subject.clone()).collect::<Vec<_>>(), names);
            assert_eq!(result.verdict, Verdict::NotProven, "{:?}", result.not_measured);
            named += 1;
        }
    }
    assert!(named > 0);
}

/// A table of a stand in another scale (a diameter for a radius, inches for centimetres) is no printer's doing: the table is named, with what its tags really span.
#[test]
fn a_table_in_another_scale_is_named_and_not_the_printer() {
    let bay = bay(false);
    for factor in [2.0, 1.0 / 2.54, 1.2] {
        let mut job = job(&bay);
        let stand = bay.layout.stand;
        let name = job.kit.bodies[stand].name.clone();
        for tag in &mut job.kit.bodies[stand].tags {
            if let TagPlace::Known(place) | TagPlace::Measured { body_from_tag: place, .. } = &mut tag.place {
                let mut iso = *place.iso();
                iso.translation.vector *= factor;
                *place = Pose::claim(iso);
            }
        }
        let result = judged(&job, &bay.noisy_photos(0));
        let found = named(&result, "table of tag places");
        assert_eq!(found.len(), 1, "{factor}: {found:?}");
        let wanted = format!("they sit {:.2} times as far apart", 1.0 / factor);
        assert!(found[0].subject.contains(&name) && found[0].sentence.contains(&wanted), "{factor}: {found:?}");
        // Neither printer nor clamps are blamed beside it.
        let all = result.integrity.iter().filter(|t| !t.passed).map(|t| &t.sentence);
        let blamed: Vec<_> =
            all.filter(|s| s.contains("printer probably") || s.contains("printed to another")).collect();
        assert!(blamed.is_empty() && result.not_measured.is_none(), "{factor}: {blamed:?} {:?}", result.not_measured);
    }
}

#[test]
fn sheets_that_were_all_declared_wrongly_are_named_together() {
    let bay = bay(false);
    let mut job = job(&bay);
    for body in job.kit.bodies.iter_mut().filter(|b| b.kind == plumbsight::body::BodyKind::FloorSheet) {
        body.tags[0].side_m *= 0.97;
    }
    let result = judged(&job, &bay.noisy_photos(0));
    let found = named(&result, "size of a batch of sheets");
    // Declared at 0.97 of their size, they are 3.09 % larger.
    assert!(found[0].subject.contains("floor sheets") && (found[0].statistic - 3.09).abs() < 0.2, "{found:?}");
    let others: Vec<_> = result.integrity.iter().filter(|t| !t.passed).map(|t| &t.subject).collect();
    assert_eq!(others.len(), 1, "{others:?}");
}

#[test]
fn an_id_in_two_places_is_named() {
    let bay = bay(false);
    let stops = [bay.clone()];
    let shots = Shots::new(&stops, true);
    let (body, _) = bay.layout.kit.find_tag(103).unwrap();
    let put = Put {
        suspect: Suspect::Tag { body, id: 103 },
        fault: Fault::Displaced,
        shift_m: Vector3::new(0.3, -0.25, 0.0),
        relative: 0.0,
        factor: 1.0,
    };
    let elsewhere = shots.with(&put);
    let shows: Vec<usize> =
        (0..elsewhere.len()).filter(|p| shots.photos[*p].tags.iter().any(|t| t.id == 103)).collect();
    // Every second photograph happens to show the other sheet.
    let mut in_turn = shots.photos.clone();
    for p in shows.iter().skip(1).step_by(2) {
        in_turn[*p] = elsewhere[*p].clone();
    }
    let result = judged(&job(&bay), &in_turn);
    let found = named(&result, "id in two places");
    assert!(found[0].subject == "tag 103" && (found[0].statistic - 390.5).abs() < 40.0, "{found:?}");
    // Both in one photograph.
    let mut both = shots.photos.clone();
    let again = elsewhere[shows[0]].tags.iter().find(|t| t.id == 103).unwrap().clone();
    both[shows[0]].tags.push(again);
    let result = judged(&job(&bay), &both);
    let found = named(&result, "id in two places");
    assert!(found[0].sentence.contains(&format!("photograph {} shows it twice", both[shows[0]].name)), "{found:?}");
}

/// Turns a tag about its own middle in the declaration.
fn turn(job: &mut Job, id: u16, by: Vector3<f64>) {
    let (body, tag) = job.kit.find_tag(id).unwrap();
    let turn = Pose::<Tag, Tag>::claim(nalgebra::Isometry3::from_parts(
        nalgebra::Translation3::identity(),
        UnitQuaternion::from_scaled_axis(by),
    ));
    if let TagPlace::Known(place) = &mut job.kit.bodies[body].tags[tag].place {
        *place = *place * turn;
    }
}

#[test]
fn corners_in_another_order_are_named() {
    let bay = bay(false);
    for (by, says) in [
        (Vector3::z() * std::f64::consts::FRAC_PI_2, "turned by 270 degrees"),
        (Vector3::x() * std::f64::consts::PI, "listed the other way round"),
    ] {
        let mut job = job(&bay);
        turn(&mut job, 41, by);
        let result = judged(&job, &bay.noisy_photos(0));
        let found = named(&result, "tag turned or exchanged on its body");
        assert!(found[0].subject.contains("tag 41 on \"stand\"") && found[0].sentence.contains(says), "{found:?}");
    }
}

#[test]
fn two_exchanged_tags_are_named() {
    let bay = bay(false);
    let mut job = job(&bay);
    let places = |job: &Job, id: u16| -> (usize, usize, Pose<Body, Tag>) {
        let (b, t) = job.kit.find_tag(id).unwrap();
        let TagPlace::Known(place) = job.kit.bodies[b].tags[t].place else { panic!("known") };
        (b, t, place)
    };
    let (one, two) = (places(&job, 41), places(&job, 42));
    job.kit.bodies[one.0].tags[one.1].place = TagPlace::Known(two.2);
    job.kit.bodies[two.0].tags[two.1].place = TagPlace::Known(one.2);
    let result = judged(&job, &bay.noisy_photos(0));
    let found = named(&result, "tag turned or exchanged on its body");
    assert!(
        found.iter().any(|t| t.sentence.contains("Tag 41 sits on \"stand\" where tag 42 is declared")),
        "{found:?}"
    );
}

#[test]
fn plates_on_the_wrong_wheels_are_named() {
    use Corner::{FrontLeft, FrontRight, RearLeft, RearRight};
    let exchange = |job: &mut Job, pairs: &[(Corner, Corner)]| {
        for wheel in &mut job.vehicle.wheels {
            if let Some((a, b)) = pairs.iter().find(|(a, b)| *a == wheel.corner || *b == wheel.corner) {
                wheel.corner = if wheel.corner == *a { *b } else { *a };
            }
        }
    };
    type Exchange = (Corner, Corner);
    let cases: [(bool, &[Exchange], &str); 5] = [
        (false, &[(RearLeft, RearRight)], "left and the right wheels are exchanged"),
        (true, &[(RearLeft, RearRight), (FrontLeft, FrontRight)], "left and the right wheels are exchanged"),
        (true, &[(RearLeft, RearRight)], "two rear wheels are exchanged"),
        (true, &[(FrontLeft, FrontRight)], "two front wheels are exchanged"),
        (true, &[(RearLeft, FrontLeft), (RearRight, FrontRight)], "front and the rear wheels are exchanged"),
    ];
    for (front_plates, pairs, says) in cases {
        let bay = bay(front_plates);
        let mut job = job(&bay);
        exchange(&mut job, pairs);
        let result = judged(&job, &bay.noisy_photos(0));
        let found = named(&result, "plates on their wheels");
        assert!(found[0].sentence.contains(says), "{pairs:?}: {found:?}");
        assert_eq!(result.not_measured.as_ref(), Some(&found[0].sentence), "{pairs:?}");
    }
    let bay = bay(false);
    let mut job = job(&bay);
    job.vehicle.wheels[1].axis_in_plate = Direction::claim(-job.vehicle.wheels[1].axis_in_plate.coords);
    let result = judged(&job, &bay.noisy_photos(0));
    let found = named(&result, "plates on their wheels");
    assert!(found[0].sentence.contains("`axis` of the rear right wheel has the wrong sign"), "{found:?}");
}
