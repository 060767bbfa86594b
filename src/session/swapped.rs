//! Plates that are declared on the wrong wheels, or with an axis of the wrong sign: every exchange that people make is tried where the car as declared is
//! impossible, and named where the car with it is possible and the stand comes out near where it is asked.

use crate::frames::Direction;
use crate::record::Job;
use crate::record::result::{IntegrityPart, ResultFile};
use crate::survey::Survey;
use crate::units::mm_from_m;
use crate::vehicle::{Corner, Unmeasurable, WheelModel};
use crate::verdict::Assessment;

/// A stand nearer than this (m) to where it is asked speaks for a reading. Common practice, no source: nobody begins further away.
const NEAR_M: f64 = 1.0;

/// True for a car that is impossible in a way that exchanged plates explain.
fn impossible(judged: &Result<Assessment, Unmeasurable>) -> bool {
    let of_plates = |why: &Unmeasurable| {
        matches!(
            why,
            Unmeasurable::AxisInward(_)
                | Unmeasurable::AxisSkew { .. }
                | Unmeasurable::FrontNotAhead { .. }
                | Unmeasurable::Track { .. }
                | Unmeasurable::WrongEnd { .. }
        )
    };
    match judged {
        Ok(judged) => judged.unmeasured.iter().any(|u| of_plates(&u.reason)),
        Err(why) => of_plates(why),
    }
}

/// How far (m) the stands come out from where they are asked, the worst; `None` where the car or a station is impossible.
fn farthest_m(judged: &Result<Assessment, Unmeasurable>) -> Option<f64> {
    let judged = judged.as_ref().ok().filter(|j| j.unmeasured.is_empty() && !j.stations.is_empty())?;
    let off = judged.stations.iter().map(|s| {
        let d = &s.deviations;
        d[0].deviation.value.hypot(d[1].deviation.value)
    });
    off.reduce(f64::max)
}

type Change = fn(Corner) -> Corner;

fn left_right(corner: Corner) -> Corner {
    match corner {
        Corner::RearLeft => Corner::RearRight,
        Corner::RearRight => Corner::RearLeft,
        Corner::FrontLeft => Corner::FrontRight,
        Corner::FrontRight => Corner::FrontLeft,
    }
}

fn rear_only(corner: Corner) -> Corner {
    if corner.is_rear() { left_right(corner) } else { corner }
}

fn front_only(corner: Corner) -> Corner {
    if corner.is_rear() { corner } else { left_right(corner) }
}

fn front_rear(corner: Corner) -> Corner {
    match corner {
        Corner::RearLeft => Corner::FrontLeft,
        Corner::RearRight => Corner::FrontRight,
        Corner::FrontLeft => Corner::RearLeft,
        Corner::FrontRight => Corner::RearRight,
    }
}

fn turned_round(corner: Corner) -> Corner {
    front_rear(left_right(corner))
}

const CHANGES: [(&str, Change); 5] = [
    ("the plates of the left and the right wheels are exchanged", left_right),
    ("the plates of the two rear wheels are exchanged", rear_only),
    ("the plates of the two front wheels are exchanged", front_only),
    ("the plates of the front and the rear wheels are exchanged", front_rear),
    ("the car is declared the wrong way round (front left for rear right, front right for rear left)", turned_round),
];

/// The exchange that makes an impossible car possible, where there is one.
pub(super) fn exchanged(
    job: &Job,
    survey: &Survey,
    judged: &Result<Assessment, Unmeasurable>,
) -> Option<IntegrityPart> {
    if !impossible(judged) {
        return None;
    }
    let fronts = job.vehicle.wheels.iter().filter(|w| !w.corner.is_rear()).count();
    let mut tried: Vec<(f64, String, &str)> = Vec::new();
    let mut attempt = |words: String, remedy: &'static str, wheels: Vec<WheelModel>| {
        let mut other = job.clone();
        other.vehicle.wheels = wheels;
        if let Some(off) = farthest_m(&super::judge(&other, survey)).filter(|off| *off < NEAR_M) {
            tried.push((off, words, remedy));
        }
    };
    for (k, (words, change)) in CHANGES.iter().enumerate() {
        // With rear plates alone there is one way to exchange them.
        if k == 0 || fronts == 2 {
            let wheels = job.vehicle.wheels.iter().map(|w| WheelModel { corner: change(w.corner), ..*w }).collect();
            attempt((*words).to_owned(), "Correct `at` or `plate` under [[vehicle.wheels]]", wheels);
        }
    }
    for k in 0..job.vehicle.wheels.len() {
        let mut wheels = job.vehicle.wheels.clone();
        wheels[k].axis_in_plate = Direction::claim(-wheels[k].axis_in_plate.coords);
        let words =
            format!("`axis` of the {} wheel has the wrong sign (it points away from the car)", wheels[k].corner.name());
        attempt(words, "Correct `axis` (and hub_mm) under [[vehicle.wheels]]", wheels);
    }
    tried.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (off, words, remedy) = tried.first()?.clone();
    let as_declared = match judged {
        Ok(judged) => judged.unmeasured.first().map(|u| u.reason.to_string()),
        Err(why) => Some(why.to_string()),
    }?;
    Some(IntegrityPart {
        test: "plates on their wheels".into(),
        subject: "vehicle.wheels".into(),
        statistic: 1.0,
        threshold: 0.0,
        minimal_detectable: None,
        unit: "impossible car".into(),
        passed: false,
        sentence: format!(
            "It looks as if {words} in the job: read so, the stand comes out {:.0} mm from where it is asked; as declared, {}. {remedy}.",
            mm_from_m(off),
            as_declared.trim_end_matches('.')
        ),
    })
}

/// Puts what was found first among the tests, and into the reason where there is no measurement.
pub(super) fn say(out: &mut ResultFile, found: Option<IntegrityPart>) {
    let Some(found) = found else { return };
    if let Some(reason) = &mut out.not_measured {
        reason.clone_from(&found.sentence);
    }
    out.integrity.insert(0, found);
}
