use super::*;
use crate::frames::{Body, World};
use crate::units::deg_from_rad;
use crate::verdict::State;
use crate::verdict::test_bay::*;
use nalgebra::{Rotation3, Unit};

/// Makes a move as hands would, written independently of the plan: the stand turns about its pivot, which stays where it is.
fn by_hand(stand: Pose<World, Body>, pivot: Vector3<f64>, m: &Move) -> Pose<World, Body> {
    let t = stand.translation();
    let about = |axis: Vector3<f64>| {
        let turn = Rotation3::from_axis_angle(&Unit::new_normalize(axis), m.amount).into_inner();
        let fixed = t + stand.rotation() * pivot;
        Pose::claim_matrix(&(turn * stand.rotation()), fixed + turn * (t - fixed))
    };
    let slid = |by: Vector3<f64>| Pose::claim_matrix(&stand.rotation(), t + by * m.amount);
    match m.kind {
        MoveKind::LevelPitch => about(Vector3::y()),
        MoveKind::LevelRoll => about(Vector3::x()),
        MoveKind::Turn => about(Vector3::z()),
        MoveKind::SlideSideways => slid(Vector3::y()),
        MoveKind::SlideAlong => slid(Vector3::x()),
        MoveKind::RaiseLower => slid(Vector3::z()),
    }
}

/// A bay whose target's own place alone is uncertain.
fn bay(e: [f64; 6], pivot: Option<Point<Target>>) -> Bay {
    let mut bay = Bay::new().displaced(e);
    bay.stands[0].u_origin_m = 0.0005;
    bay.stands[0].u_angle_rad = rad_from_deg(0.02);
    bay.stands[0].pivot = pivot;
    bay
}

fn moves(bay: &Bay) -> Vec<Move> {
    bay.assess().unwrap().stations[0].moves.clone()
}

#[test]
fn moves_made_by_hand_bring_the_stand_to_zero() {
    let e = [0.020, -0.030, 0.011, rad_from_deg(1.3), rad_from_deg(-0.9), rad_from_deg(0.7)];
    // A stand that turns 0.4 m behind and 0.3 m beside the target, and one that turns below it.
    for pivot in [target_point(0.4, -0.3, -1.0), None] {
        let mut bay = bay(e, pivot);
        let at = bay.bodies[STAND].world_from_body;
        let below = at.rotation().transpose() * Vector3::new(0.0, 0.0, -at.translation().z);
        let pivot = pivot.map_or(below, |p| p.coords);
        let plan = moves(&bay);
        assert_eq!(plan.iter().map(|m| m.kind).collect::<Vec<_>>(), ORDER);
        for m in &plan {
            bay.bodies[STAND].world_from_body = by_hand(bay.bodies[STAND].world_from_body, pivot, m);
        }
        let after = bay.assess().unwrap();
        for (k, left) in six(&after).into_iter().enumerate() {
            // Half a step of rounding, and what turning about the car's instead of the stand's own tipped axes leaves (angles are of order 0.02
            // rad: their product 0.0003 rad, on a 1 m arm 0.4 mm).
            let limit = if k < 3 { 0.0005 + 0.0005 } else { rad_from_deg(0.025) + 0.0003 };
            near(Component::ALL[k].name(), left, 0.0, limit);
        }
        assert_eq!(after.verdict, State::InTolerance);
        assert!(after.stations[0].moves.is_empty(), "{:?}", after.stations[0].moves);
    }
}

#[test]
fn a_turn_carries_the_target_along_and_the_slide_includes_it() {
    // One degree too far counter-clockwise about a pivot 0.5 m to the target's right, nothing else wrong: turning back clockwise moves the target
    // about that pivot by 0.5 sin 1° = 8.7 mm forward. 0.5 (1 - cos 1°) is nothing.
    let plan = moves(&bay([0.0, 0.0, 0.0, rad_from_deg(1.0), 0.0, 0.0], target_point(0.0, -0.5, -1.0)));
    assert_eq!(
        plan.iter().map(|m| m.words.as_str()).collect::<Vec<_>>(),
        [
            "Turn the stand 1.00° clockwise seen from above (17 mm at the end of a 1 m arm).",
            "Slide the stand 9 mm towards the car."
        ]
    );
    near("turn", deg_from_rad(plan[0].amount), -1.0, 1e-9);
    near("slide", plan[1].amount, -0.009, 1e-9);
    // Its uncertainty holds the angle's, over the lever arm.
    near("u of the slide", plan[1].u, 0.0005f64.hypot(0.5 * rad_from_deg(0.02)), 1e-6);
    // The same turn about the point below the target needs no slide.
    assert_eq!(moves(&bay([0.0, 0.0, 0.0, rad_from_deg(1.0), 0.0, 0.0], None)).len(), 1);
}

#[test]
fn levelling_moves_a_high_target_and_the_slide_includes_it() {
    // The top leans 1° away from the car: 1 m above the floor that is 17 mm; the target's centre is where it should be.
    let plan = moves(&bay([0.0, 0.0, 0.0, 0.0, rad_from_deg(1.0), 0.0], None));
    assert_eq!(plan.iter().map(|m| m.kind).collect::<Vec<_>>(), [MoveKind::LevelPitch, MoveKind::SlideAlong]);
    assert_eq!(plan[0].words, "Tip the top of the stand 1.00° towards the car (17 mm at the end of a 1 m arm).");
    assert_eq!(plan[1].words, "Slide the stand 17 mm away from the car.");
}

#[test]
fn what_is_in_tolerance_and_stays_so_is_left_alone() {
    assert!(moves(&bay([0.001, -0.002, 0.001, rad_from_deg(0.1), 0.0, rad_from_deg(-0.1)], None)).is_empty());
    // In tolerance now, but not after the turn that another component needs (by 0.7 m times 1°, 12 mm).
    let plan = moves(&bay([0.0, 0.001, 0.0, rad_from_deg(1.0), 0.0, 0.0], target_point(0.7, 0.0, -1.0)));
    assert_eq!(plan.iter().map(|m| m.kind).collect::<Vec<_>>(), [MoveKind::Turn, MoveKind::SlideSideways]);
    // Out of tolerance now, but brought in by the turn: no slide.
    let plan = moves(&bay([0.0, -0.0122, 0.0, rad_from_deg(1.0), 0.0, 0.0], target_point(0.7, 0.0, -1.0)));
    assert_eq!(plan.iter().map(|m| m.kind).collect::<Vec<_>>(), [MoveKind::Turn]);
}

#[test]
fn a_move_smaller_than_its_own_uncertainty_is_not_advised() {
    let with_u = |lateral: f64| {
        let mut bay = bay([0.0, lateral, 0.0, 0.0, 0.0, 0.0], None);
        bay.stands[0].u_origin_m = 0.003; // U 5.9 mm: a tolerance of 5 mm cannot be shown
        (bay.assess().unwrap().stations[0].deviations[1].state, moves(&bay).len())
    };
    assert_eq!(with_u(0.0028), (Some(State::NotProven), 0));
    assert_eq!(with_u(0.0042), (Some(State::NotProven), 1));
}

#[test]
fn amounts_are_rounded_to_what_hands_can_do() {
    let mm = |component, amount_mm, tolerance_mm| {
        crate::units::mm_from_m(rounded(component, m_from_mm(amount_mm), m_from_mm(tolerance_mm)))
    };
    near("1 mm", mm(Component::Lateral, 13.6, 5.0), 14.0, 1e-9);
    near("1 mm at exactly 2 mm", mm(Component::Lateral, 13.6, 2.0), 14.0, 1e-9);
    near("0.1 mm for a tight tolerance", mm(Component::Lateral, -13.64, 1.0), -13.6, 1e-9);
    let deg = |amount, tolerance| deg_from_rad(rounded(Component::Yaw, rad_from_deg(amount), rad_from_deg(tolerance)));
    near("0.05 deg", deg(0.413, 0.5), 0.40, 1e-9);
    near("0.05 deg at exactly 0.1 deg", deg(0.413, 0.1), 0.40, 1e-9);
    near("0.01 deg for a tight tolerance", deg(-0.413, 0.05), -0.41, 1e-9);
}
