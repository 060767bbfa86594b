//! Tests: other ways to the thrust line and to the vertical, the floor's steepest part, set-back.

use crate::body::BodyKind;
use crate::frames::{Pose, World};
use crate::placement::Reference;
use crate::units::{deg_from_rad, m_from_mm, rad_from_deg};
use crate::vehicle::{Corner, LevelReading, Printout, ThrustSource, Unmeasurable};
use crate::verdict::test_bay::*;
use nalgebra::{Matrix3, Vector3};

/// A bay whose rear wheels point 0.2 degrees to the left of the centreline (toe RL -0.10, RR 0.30), with a printout.
fn with_printout(right_deg: f64, u_deg: f64) -> Bay {
    let wheel = |toe| ToeCamber { toe: rad_from_deg(toe), camber: 0.0 };
    let mut bay = Bay::with_wheels([wheel(-0.10), wheel(0.30), wheel(0.0), wheel(0.0)]).with_front_plates();
    bay.vehicle.checks.printout =
        Some(Printout { right_rad: rad_from_deg(right_deg), u_rad: rad_from_deg(u_deg), source: "invented".into() });
    bay
}

/// Signs by own derivation (trade usage counts right positive): toe RL -0.10, RR +0.30 gives a thrust angle of -0.20.
#[test]
fn a_printout_agrees_only_with_its_own_sign() {
    let a = with_printout(-0.20, 0.03).assess().unwrap();
    let line = a.vehicle.thrust_lines[0];
    assert_eq!(line.source, ThrustSource::Printout);
    near("difference", deg_from_rad(line.heading.value), 0.0, 1e-6);
    near("its u", deg_from_rad(line.heading.u), 0.03, 1e-6);
    let a = with_printout(-0.14, 0.03).assess().unwrap();
    near("0.06 degrees further right", deg_from_rad(a.vehicle.thrust_lines[0].heading.value), -0.06, 1e-6);
    match with_printout(0.20, 0.03).assess() {
        Err(error @ Unmeasurable::ThrustLinesDisagree { .. }) => {
            let told = error.to_string();
            assert!(told.contains("0.40 deg to the right") && told.contains("counts its sign the other way"), "{told}");
        }
        other => panic!("{other:?}"),
    }
    // It enters no deviation.
    let (with, mut without) = (with_printout(-0.20, 0.03), with_printout(-0.20, 0.03));
    without.vehicle.checks.printout = None;
    let (with, without) = (with.assess().unwrap(), without.assess().unwrap());
    assert_eq!((six(&with), six_u(&with)), (six(&without), six_u(&without)));
}

#[test]
fn without_front_plates_a_printout_cannot_be_compared_and_that_is_said() {
    let mut bay = with_printout(-0.20, 0.03);
    bay.vehicle.wheels.truncate(2);
    let a = bay.assess().unwrap();
    assert!(a.vehicle.thrust_lines.is_empty());
    assert!(a.notes.iter().any(|n| n.contains("printout's thrust angle was not compared")), "{:?}", a.notes);
}

#[test]
fn set_back_is_told_along_the_centreline_left_ahead_positive() {
    for ahead in [0.010, -0.004] {
        let mut bay = Bay::new().with_front_plates();
        let left = bay.vehicle.wheels.iter().find(|w| w.corner == Corner::FrontLeft).unwrap().plate;
        let moved: Pose<World, World> = Pose::claim_rotvec(Vector3::zeros(), Vector3::new(ahead, 0.0, 0.0));
        bay.bodies[left].world_from_body = moved * bay.bodies[left].world_from_body;
        let car = bay.assess().unwrap().vehicle;
        near("set-back", car.front_set_back.unwrap().value, ahead, 1e-6);
    }
    assert!(Bay::new().assess().unwrap().vehicle.front_set_back.is_none());
}

/// The rear wheels at an earlier stop of a rolled car: moved by this, in the vehicle frame.
fn earlier(bay: &mut Bay, position: usize, moved: Pose<World, World>) {
    for k in 0..2 {
        let now = bay.bodies[k].clone();
        let at = bay.add(&now.name, BodyKind::Plate, moved * now.world_from_body);
        bay.bodies[at].body = now.body;
        bay.bodies[at].position = Some(position);
    }
}

/// Wheels whose frame has its origin in the hub, as the roll hands them over.
fn hubs_at_origin() -> Bay {
    let mut bay = Bay::new();
    for (k, wheel) in bay.vehicle.wheels.iter_mut().enumerate() {
        let pose = bay.bodies[k].world_from_body;
        let in_hub = Pose::claim_rotvec(Vector3::zeros(), Vector3::new(0.0, 0.0, -STAND_OFF_M));
        bay.bodies[k].world_from_body = pose * in_hub;
        wheel.hub = crate::vehicle::HubPlace::InPlate(crate::frames::Point::claim(Vector3::zeros()));
    }
    bay
}

#[test]
fn the_way_of_the_rear_wheels_is_compared_with_their_planes() {
    for (yaw_deg, agrees) in [(0.05, true), (0.2, false), (-0.2, false)] {
        let mut bay = hubs_at_origin();
        let way = rad_from_deg(yaw_deg);
        for (p, s) in [(0, -0.65), (1, -0.31)] {
            let back = Pose::claim_rotvec(Vector3::zeros(), Vector3::new(s * way.cos(), s * way.sin(), 0.0));
            earlier(&mut bay, p, back);
        }
        bay.vehicle.checks.u_crab_rad = rad_from_deg(0.03);
        match bay.assess() {
            Ok(a) => {
                assert!(agrees, "{yaw_deg}");
                let line = a.vehicle.thrust_lines[0];
                assert_eq!(line.source, ThrustSource::Travel);
                near("way", deg_from_rad(line.heading.value), yaw_deg, 1e-9);
                near("u", deg_from_rad(line.heading.u), 0.03, 1e-9);
            }
            Err(error) => {
                assert!(!agrees, "{error}");
                let side = if yaw_deg > 0.0 { "0.20 deg to the left" } else { "0.20 deg to the right" };
                assert!(error.to_string().contains(side), "{error}");
            }
        }
    }
}

/// A floor that rises 3 mm/m forward and 2 mm/m to the left, as an inclinometer laid on it reads; the target hangs true to the vertical.
fn sloping(reference: Reference) -> Bay {
    let mut bay = Bay::new();
    bay.placement.reference = reference;
    bay.floor.level_reading =
        Some(LevelReading { rises_forward_rad: 0.003f64.atan(), rises_left_rad: 0.002f64.atan(), u_rad: 0.0003 });
    bay
}

#[test]
fn an_inclinometer_gives_the_vertical_where_no_plumb_line_hangs() {
    // World = vehicle frame on the floor. The vertical leans backward and to the right in it, and so does a target that hangs true.
    let up = Vector3::new(0.003, 0.002, 1.0).normalize();
    let x = (Vector3::x() - up * up.x).normalize();
    let upright = Matrix3::from_columns(&[x, up.cross(&x), up]);
    let true_target = Pose::claim_matrix(&upright, target_pose([0.0; 6]).translation());
    let stand = |reference| {
        let mut bay = sloping(reference);
        bay.bodies[STAND].world_from_body = true_target;
        bay.assess().unwrap()
    };
    let (vertical, floor) = (stand(Reference::Vertical), stand(Reference::Floor));
    near("pitch against the vertical", six(&vertical)[4], 0.0, 1e-9);
    near("roll against the vertical", six(&vertical)[5], 0.0, 1e-9);
    near("u of pitch is the reading's", six_u(&vertical)[4], 0.0003, 1e-8);
    near("u of roll is the reading's", six_u(&vertical)[5], 0.0003, 1e-8);
    near("pitch against the floor", six(&floor)[4], 0.003, 1e-6);
    near("roll against the floor", six(&floor)[5], -0.002, 1e-6);
    near("no u against the floor", six_u(&floor)[4], 0.0, 1e-12);
    // Stated levelness alone: the slope is not known, u is as stated.
    let mut stated = sloping(Reference::Vertical);
    stated.floor.level_reading = None;
    stated.floor.u_level_rad = 0.001;
    near("u as stated", six_u(&stated.assess().unwrap())[4], 0.001, 1e-8);
}

#[test]
fn plumb_line_and_inclinometer_must_agree_where_the_vertical_counts() {
    let hung = |reference, forward_mm_per_m: f64| {
        let mut bay = sloping(reference);
        // The plumb line's sheet: y up along the vertical.
        let up = Vector3::new(m_from_mm(forward_mm_per_m), 0.002, 1.0).normalize();
        let z = Vector3::y().cross(&up).normalize();
        let sheet = Matrix3::from_columns(&[up.cross(&z), up, z]);
        bay.add("plumb", BodyKind::PlumbLine, Pose::claim_matrix(&sheet, Vector3::new(3.0, 2.0, 1.0)));
        bay.floor.u_plumb_rad = 0.0002;
        bay.assess()
    };
    assert!(hung(Reference::Vertical, 3.0).is_ok());
    assert!(hung(Reference::Vertical, 2.0).is_ok(), "1 mm/m apart at u 0.36 mm/m is no contradiction");
    let told = hung(Reference::Vertical, 0.0).unwrap_err();
    assert!(matches!(told, Unmeasurable::VerticalsDisagree { .. }), "{told}");
    assert!(told.to_string().contains("3.0 mm/m along the car"), "{told}");
    let floor = hung(Reference::Floor, 0.0).unwrap();
    assert!(floor.notes.iter().any(|n| n.contains("Not used for the verdict")), "{:?}", floor.notes);
}

#[test]
fn the_steepest_part_of_the_floor_is_named() {
    let mut bay = Bay::new();
    let sheets: Vec<usize> = (0..bay.bodies.len()).filter(|k| bay.bodies[*k].kind == BodyKind::FloorSheet).collect();
    let lifted = sheets[2];
    let lift: Pose<World, World> = Pose::claim_rotvec(Vector3::zeros(), Vector3::new(0.0, 0.0, 0.004));
    bay.bodies[lifted].world_from_body = lift * bay.bodies[lifted].world_from_body;
    bay.floor.u_uneven_m = m_from_mm(0.5);
    let a = bay.assess().unwrap();
    let (low, high, rise) = a.vehicle.steepest.unwrap();
    assert_eq!(high, lifted);
    // Against every other sheet it rises by 4 mm over their distance (less what it tilts the plane by); the nearest at half a metre or more is steepest.
    let at = |k: usize| bay.bodies[k].world_from_body.translation();
    let nearest = sheets
        .iter()
        .filter(|k| **k != lifted && (at(**k) - at(lifted)).norm() >= 0.5)
        .map(|k| (at(*k) - at(lifted)).norm())
        .fold(f64::INFINITY, f64::min);
    assert!((at(low) - at(high)).norm() < 1.5 * nearest, "{low} to {high}");
    assert!(rise.value * nearest > 0.0025 && rise.value * nearest < 0.0045, "{rise:?} over {nearest}");
    // u: two sheets' own heights, 0.5 mm each, and their pull on the plane.
    let apart = (at(low) - at(high)).norm();
    assert!((0.0005..0.0009).contains(&(rise.u * apart)), "{}", rise.u * apart);
}
