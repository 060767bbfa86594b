use crate::body::BodyKind;
use crate::frames::{Pose, rotation_from_yaw_pitch_roll};
use crate::placement::{Component, Datum, LateralFrom, Reference};
use crate::uncertainty::{K_95, propagate};
use crate::units::{deg_from_rad, m_from_mm, rad_from_deg};
use crate::vehicle::{Corner, DeclaredLength, Unmeasurable};
use crate::verdict::model::Model;
use crate::verdict::test_bay::*;
use crate::verdict::{BudgetSource, State};
use nalgebra::{DVector, Matrix3, Vector3};

const E: [f64; 6] = [0.012, -0.014, 0.004, 0.010, -0.006, 0.003];

fn assert_six(got: [f64; 6], expected: [f64; 6], tolerance: f64) {
    for c in Component::ALL {
        near(c.name(), got[c.index()], expected[c.index()], tolerance);
    }
}

fn turned(yaw: f64, pitch: f64, roll: f64) -> Matrix3<f64> {
    rotation_from_yaw_pitch_roll(yaw, pitch, roll).into_inner()
}

#[test]
fn deviations_of_an_axis_aligned_bay() {
    let a = Bay::new().displaced(E).assess().unwrap();
    assert_six(six(&a), E, 1e-12);
    near("origin", a.vehicle.world_from_vehicle.translation().norm(), 0.0, 1e-12);
    near("track", a.vehicle.rear_track.value, 2.0 * HALF_TRACK_M, 1e-12);
    near("measured distance", a.stations[0].deviations[0].measured, 4.262, 1e-12);
    assert_eq!(a.verdict, State::OutOfTolerance);
    assert!(a.unmeasured.is_empty() && a.notes.is_empty(), "{:?}", a.notes);
    let words = a.stations[0].deviations.each_ref().map(|d| d.words.as_str());
    assert_eq!(
        words,
        [
            "12 mm too far from the car",
            "14 mm too far to the car's right",
            "4.0 mm too high",
            "turned 0.57° counter-clockwise seen from above",
            "top leans 0.34° towards the car",
            "top leans 0.17° to the car's right",
        ]
    );
}

#[test]
fn a_nominal_attitude_other_than_square_is_taken_off_first() {
    // A corner target: 30 degrees of yaw asked; the deviation is the rotation from that attitude, about the vehicle's axes.
    let mut bay = Bay::new();
    bay.station().required[3] = rad_from_deg(30.0);
    let r = turned(0.01, -0.02, 0.005) * turned(rad_from_deg(30.0), 0.0, 0.0);
    bay.bodies[STAND].world_from_body = Pose::claim_matrix(&r, Vector3::new(4.25, 0.0, 1.0));
    assert_six(six(&bay.assess().unwrap()), [0.0, 0.0, 0.0, 0.01, -0.02, 0.005], 1e-12);
}

#[test]
fn the_world_frame_does_not_matter() {
    let bay = || Bay::new().with_front_plates().displaced(E).with_survey_noise().with_declared();
    let one = bay().assess().unwrap();
    let move_all = Pose::claim_rotvec(Vector3::new(1.1, -0.7, 2.0), Vector3::new(3.0, -5.0, 1.0));
    let two = bay().moved(move_all).assess().unwrap();
    assert_six(six(&two), six(&one), 1e-9);
    let scale = |i: usize| one.stations[0].cov[(i, i)].sqrt();
    for i in 0..6 {
        for j in 0..6 {
            let difference = two.stations[0].cov[(i, j)] - one.stations[0].cov[(i, j)];
            near("relative difference of covariance", difference / (scale(i) * scale(j)), 0.0, 1e-5);
        }
    }
    assert_eq!(one.verdict, two.verdict);
    assert_eq!(one.stations[0].moves.len(), two.stations[0].moves.len());
}

#[test]
fn a_mirrored_bay_swaps_the_signs_of_lateral_yaw_and_roll() {
    let wheels =
        [0.3, -0.1, 0.2, 0.05].map(|toe| ToeCamber { toe: rad_from_deg(toe), camber: rad_from_deg(-2.0 * toe) });
    let swapped = [wheels[1], wheels[0], wheels[3], wheels[2]];
    let mirrored_e = [E[0], -E[1], E[2], -E[3], E[4], -E[5]];
    let one = Bay::with_wheels(wheels).displaced(E).assess().unwrap();
    let two = Bay::with_wheels(swapped).displaced(mirrored_e).assess().unwrap();
    let (a, b) = (six(&one), six(&two));
    assert_six(b, [a[0], -a[1], a[2], -a[3], a[4], -a[5]], 1e-12);
    for (left, right) in [(0, 1), (1, 0)] {
        near("toe", one.vehicle.wheels[left].toe.value, two.vehicle.wheels[right].toe.value, 1e-12);
        near("camber", one.vehicle.wheels[left].camber.value, two.vehicle.wheels[right].camber.value, 1e-12);
    }
}

/// Signs: toe after ISO 8855:2011, 7.1.6; thrust figures by own derivation: toe RL 0.20, RR 0.10 points the thrust line 0.05° to the right, equal
/// toe nowhere, RL -0.10 and RR 0.30 0.20° to the left.
#[test]
fn toe_camber_and_thrust_signs() {
    for (left, right, heading) in [(0.20, 0.10, -0.05), (0.15, 0.15, 0.0), (-0.10, 0.30, 0.20)] {
        let wheel = |toe, camber| ToeCamber { toe: rad_from_deg(toe), camber: rad_from_deg(camber) };
        let bay = Bay::with_wheels([wheel(left, -1.1), wheel(right, 0.7), wheel(0.0, 0.0), wheel(0.1, 0.0)]);
        let car = bay.with_front_plates().assess().unwrap().vehicle;
        near("heading", deg_from_rad(car.thrust_heading.unwrap().value), heading, 1e-6);
        near("toe left", deg_from_rad(car.wheels[0].toe_centreline.unwrap().value), left, 1e-6);
        near("toe right", deg_from_rad(car.wheels[1].toe_centreline.unwrap().value), right, 1e-6);
        near("toe against the thrust line", deg_from_rad(car.wheels[0].toe.value), (left + right) / 2.0, 1e-6);
        near("both alike", car.wheels[0].toe.value, car.wheels[1].toe.value, 1e-9);
        near("camber left", deg_from_rad(car.wheels[0].camber.value), -1.1, 1e-6);
        near("camber right", deg_from_rad(car.wheels[1].camber.value), 0.7, 1e-6);
        near("wheelbase", car.wheelbase.unwrap().value, WHEELBASE_M, 1e-4);
    }
}

/// Own derivation: a reference that is pitched by p turns a wheel's rolling direction by camber times p; the thrust line only by half the difference.
/// Camber 1.5°, pitch 0.5° gives 0.0131°; -1.5° and -0.5° move the thrust line by 0.0044°.
#[test]
fn camber_leaks_into_toe_only_through_a_tilted_reference() {
    let p = rad_from_deg(0.5);
    let heading = |left: f64, right: f64, pitch: f64| {
        let wheel = |camber| ToeCamber { toe: 0.0, camber: rad_from_deg(camber) };
        let mut bay = Bay::with_wheels([wheel(left), wheel(right), wheel(0.0), wheel(0.0)]);
        bay.placement.reference = Reference::Vertical;
        // A plumb line that is pitched against the floor makes the reference.
        let upright = turned(0.0, pitch, 0.0) * Matrix3::from_columns(&[Vector3::x(), Vector3::z(), -Vector3::y()]);
        bay.add("plumb", BodyKind::PlumbLine, Pose::claim_matrix(&upright, Vector3::new(3.0, 2.0, 1.0)));
        let a = bay.assess().unwrap();
        let x = a.vehicle.world_from_vehicle.rotation().column(0).into_owned();
        (deg_from_rad(x.y.atan2(x.x)), deg_from_rad(a.vehicle.wheels[0].toe.value))
    };
    near("toe moved", (heading(1.5, 1.5, p).1 - heading(1.5, 1.5, 0.0).1).abs(), 0.0131, 1e-4);
    near("thrust kept", heading(1.5, 1.5, p).0, 0.0, 1e-6);
    near("thrust moved", heading(-1.5, -0.5, p).0.abs(), 0.0044, 1e-4);
}

#[test]
fn run_out_gives_the_analytic_uncertainty_of_yaw_lateral_and_distance() {
    let r = rad_from_deg(0.5);
    let mut bay = Bay::new();
    bay.vehicle.wheels.iter_mut().for_each(|w| w.run_out_rad = r);
    let a = bay.assess().unwrap();
    // Each axis turns in plan by u = r/√2, the bisector by that over √2; the thrust line carries the lateral position along; a tilted plate
    // pushes its hub by stand-off times tilt.
    let u_yaw = r / 2.0;
    let u = six_u(&a);
    near("yaw", u[3] / u_yaw, 1.0, 1e-4);
    near("lateral", u[1] / (4.25 * u_yaw), 1.0, 1e-4);
    near("distance", u[0] / (STAND_OFF_M * u_yaw), 1.0, 1e-4);
    near("height", u[2], 0.0, 1e-9);
    near("pitch", u[4], 0.0, 1e-9);
    let r_yaw_lateral = a.stations[0].cov[(1, 3)] / (u[1] * u[3]);
    near("a thrust line turned left shows the stand turned and shifted to the right", r_yaw_lateral, 1.0, 1e-4);
    let yaw = &a.stations[0].deviations[3];
    assert_eq!(yaw.shares.len(), 2);
    for share in &yaw.shares {
        assert!(matches!(share.source, BudgetSource::RunOut(_)));
        near("half the variance each", share.u * share.u / (u[3] * u[3]), 0.5, 1e-4);
    }
}

#[test]
fn floor_wheelbase_eccentricity_and_target_uncertainties_are_analytic() {
    let mut bay = Bay::new();
    bay.floor.u_thickness_m = 0.0006;
    bay.station().datum = Datum::FrontAxle;
    bay.station().required[0] = 4.25 - 2.6;
    bay.vehicle.wheelbase = Some(DeclaredLength { value_m: 2.6, u_m: 0.002 });
    bay.vehicle.wheels.iter_mut().for_each(|w| w.u_stand_off_m = 0.001);
    bay.stands[0].u_angle_rad = 0.003;
    let a = bay.assess().unwrap();
    assert_six(six(&a), [0.0; 6], 1e-9);
    assert_six(six_u(&a), [0.002, 0.001 / 2f64.sqrt(), 0.0006, 0.003, 0.003, 0.003], 1e-8);
    let mut bay = Bay::new();
    bay.vehicle.wheels.iter_mut().for_each(|w| w.eccentricity_m = 0.001);
    bay.stands[0].u_origin_m = 0.002;
    // Two hubs, each u = limit/√2, their mean that over √2, beside the target's own 2 mm; height sees only the target (the hubs' height only
    // shifts the origin along the floor's normal, which ends on the floor).
    let u = six_u(&bay.assess().unwrap());
    near("distance", u[0], 0.002f64.hypot(0.0005), 1e-8);
    near("lateral", u[1], 0.002, 1e-8);
    near("height", u[2], 0.002, 1e-8);
}

#[test]
fn uneven_sheets_tilt_the_reference_as_a_regression_does() {
    let mut bay = Bay::new();
    bay.floor.u_uneven_m = 0.001;
    let u = six_u(&bay.assess().unwrap());
    // Independent formula: regression of height on (1, x, y); the height at the target and the two slopes.
    let rows = bay.bodies.iter().filter(|b| b.kind == BodyKind::FloorSheet).map(|b| b.world_from_body.translation());
    let normal: Matrix3<f64> = rows.map(|t| Vector3::new(1.0, t.x, t.y)).map(|r| r * r.transpose()).sum();
    let q = normal.try_inverse().unwrap() * 1e-6;
    near("pitch", u[4], q[(1, 1)].sqrt(), 1e-8);
    near("roll", u[5], q[(2, 2)].sqrt(), 1e-8);
    // The frame turns about the floor below the rear axle, so the height at the target is the regression's height there.
    let at = Vector3::new(1.0, 4.25, 0.0);
    near("height", u[2], (at.transpose() * q * at)[0].sqrt(), 1e-8);
}

/// A seeded generator of standard normal numbers (splitmix64, Box-Muller), for the test below only.
struct Normal(u64);
impl Normal {
    fn uniform(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }
    fn draw(&mut self) -> f64 {
        (-2.0 * (1.0 - self.uniform()).ln()).sqrt() * (std::f64::consts::TAU * self.uniform()).cos()
    }
}

/// Monte Carlo over all inputs (correlated survey, arcsine run-out drawn as a limit in a random direction) against the first order.
#[test]
fn first_order_agrees_with_monte_carlo() {
    const RUNS: usize = 20_000; // standard error of a standard deviation 0.5 %, so 3 % is six of them
    let mut bay = Bay::new().with_front_plates().displaced(E).with_survey_noise().with_declared();
    bay.station().datum = Datum::FrontAxle;
    bay.stands[0].u_angle_rad = 0.0005;
    let input = bay.input();
    let (model, _) = Model::new(&input).unwrap();
    let first_order = propagate(|x| model.outputs(x), &model.inputs).unwrap();
    let n = 6 * bay.bodies.len();
    let cholesky = bay.joint.cov.clone().cholesky().unwrap().l();
    let variances = model.inputs.variances();
    let mut normal = Normal(7);
    let m = 6 + 3 * 4 + 3; // deviations, the wheels' angles, track, wheelbase, thrust heading
    let (mut sum, mut square) = (vec![0.0; m], vec![0.0; m]);
    for _ in 0..RUNS {
        let mut x = model.inputs.values.clone();
        let step = &cholesky * DVector::from_fn(n, |_, _| normal.draw());
        x[..n].copy_from_slice(step.as_slice());
        for k in n..x.len() {
            x[k] += variances[k].sqrt() * normal.draw();
        }
        for (k, name) in model.inputs.names.iter().enumerate() {
            // The pair "tilt 1", "tilt 2": of fixed size, in a random direction.
            if name.starts_with("tilt 1") {
                let (s, c) = (std::f64::consts::TAU * normal.uniform()).sin_cos();
                x[k] = rad_from_deg(0.3) * c;
                x[k + 1] = rad_from_deg(0.3) * s;
            }
        }
        let out = model.outputs(&x).unwrap();
        for k in 0..m {
            let d = out[k] - first_order.values[k];
            sum[k] += d;
            square[k] += d * d;
        }
    }
    for k in 0..m {
        let u = first_order.estimate(k).u;
        let mean = sum[k] / RUNS as f64;
        let sd = (square[k] / RUNS as f64 - mean * mean).sqrt();
        near(&format!("output {k}: standard deviation over u"), sd / u, 1.0, 0.03);
        near(&format!("output {k}: mean shift over u"), mean / u, 0.0, 0.04);
    }
}

#[test]
fn shares_add_up_and_a_covariance_without_parts_is_not_lost() {
    let mut bay = Bay::new().with_survey_noise().with_declared();
    let split = bay.assess().unwrap();
    for d in &split.stations[0].deviations {
        let sum: f64 = d.shares.iter().map(|s| s.u * s.u).sum();
        near(d.component.name(), sum / (d.deviation.u * d.deviation.u), 1.0, 2e-3);
        near("U", d.deviation.expanded, K_95 * d.deviation.u, 1e-15);
        assert!(d.shares.is_sorted_by(|a, b| a.u >= b.u));
        assert!(d.shares.iter().all(|s| s.source != BudgetSource::SurveyRest));
    }
    bay.joint.parts.remove(0);
    let part = bay.assess().unwrap();
    assert_six(six_u(&part), six_u(&split), 1e-12);
    assert!(part.stations[0].deviations[2].shares.iter().any(|s| s.source == BudgetSource::SurveyRest));
}

#[test]
fn a_point_a_body_and_the_front_wheels_as_datum() {
    // A point of the car, lateral from it.
    let mut bay = Bay::new().displaced(E);
    bay.station().datum = Datum::Point { in_vehicle: car_point(3.5, 0.6, 0.5), u_m: 0.003 };
    bay.station().lateral_from = LateralFrom::Datum;
    bay.station().required[0] = 0.75;
    bay.station().required[1] = -0.6;
    let a = bay.assess().unwrap();
    assert_six(six(&a), E, 1e-12);
    assert_six(six_u(&a), [0.003, 0.003, 0.0, 0.0, 0.0, 0.0], 1e-8);
    // A body there, lateral from the thrust line.
    let mut bay = Bay::new().displaced(E);
    let r = turned(2.0, 0.3, 1.0);
    let body = bay.add("sensor face", BodyKind::Other, Pose::claim_matrix(&r, Vector3::new(3.5, 0.6, 0.5)));
    bay.station().datum = Datum::Body { body, u_m: 0.0 };
    bay.station().required[0] = 0.75;
    assert_six(six(&bay.assess().unwrap()), E, 1e-12);
    // The front hubs win over a stated wheelbase.
    let mut bay = Bay::new().with_front_plates().displaced(E);
    bay.vehicle.wheelbase = Some(DeclaredLength { value_m: 2.0, u_m: 0.0 });
    bay.station().datum = Datum::FrontAxle;
    bay.station().required[0] = 4.25 - WHEELBASE_M;
    assert_six(six(&bay.assess().unwrap()), E, 1e-12);
}

#[test]
fn against_the_vertical_the_floor_slope_is_told_and_the_plumb_line_beats_the_stated_level() {
    // The world is level; the floor rises 3 mm/m to the front and 2 mm/m to the left, and the car with it; the stand is level.
    let (px, py) = (0.003f64.atan(), 0.002f64.atan());
    let floor_from_level = turned(0.0, -px, 0.0) * turned(0.0, 0.0, py);
    let mut bay = Bay::new().moved(Pose::claim_matrix(&floor_from_level, Vector3::zeros()));
    bay.bodies[STAND].world_from_body = target_pose([0.0; 6]);
    bay.floor.u_level_rad = 0.001;
    let floor = bay.assess().unwrap();
    near("pitch against the floor", six(&floor)[4], px, 1e-5);
    near("roll against the floor", six(&floor)[5], -py, 1e-5);
    assert!(floor.vehicle.floor_slope.is_none());
    assert!(six_u(&floor)[4] < 1e-9, "against the floor its levelness does not count");
    bay.placement.reference = Reference::Vertical;
    let stated = bay.assess().unwrap();
    near("u of pitch is the stated levelness", six_u(&stated)[4], 0.001, 1e-6);
    assert_eq!(stated.stations[0].deviations[4].shares[0].source, BudgetSource::FloorLevel);
    let upright = Matrix3::from_columns(&[Vector3::x(), Vector3::z(), -Vector3::y()]);
    bay.add("plumb", BodyKind::PlumbLine, Pose::claim_matrix(&upright, Vector3::new(3.0, 2.0, 1.0)));
    bay.floor.u_plumb_rad = 0.0002;
    let hung = bay.assess().unwrap();
    near("pitch against the vertical", six(&hung)[4], 0.0, 1e-9);
    near("roll against the vertical", six(&hung)[5], 0.0, 1e-9);
    near("u of pitch is the plumb line's", six_u(&hung)[4], 0.0002, 1e-8);
    let slope = hung.vehicle.floor_slope.unwrap();
    near("rise to the front", slope[0].value, px, 1e-5);
    near("rise to the left", slope[1].value, py, 1e-5);
    assert_eq!(
        hung.notes,
        [
            "Against the plumb line the floor rises 3.0 mm/m along the car, towards its front (U 0.4 mm/m).",
            "Against the plumb line the floor rises 2.0 mm/m across the car, towards its left (U 0.4 mm/m).",
        ]
    );
}

#[test]
fn the_three_states_near_the_limit() {
    // Only the target's own place is uncertain: u 1 mm, U 1.96 mm, tolerance 5 mm.
    let at = |lateral_mm: f64| {
        let mut bay = Bay::new().displaced([0.0, m_from_mm(lateral_mm), 0.0, 0.0, 0.0, 0.0]);
        bay.stands[0].u_origin_m = 0.001;
        let a = bay.assess().unwrap();
        (a.stations[0].deviations[1].clone(), a.verdict)
    };
    for (mm, state) in [
        (3.03, State::InTolerance),
        (-3.03, State::InTolerance),
        (3.05, State::NotProven),
        (6.95, State::NotProven),
        (-6.95, State::NotProven),
        (6.97, State::OutOfTolerance),
        (-6.97, State::OutOfTolerance),
    ] {
        let (lateral, verdict) = at(mm);
        assert_eq!((lateral.state, verdict), (Some(state), state), "{mm}");
        assert_eq!(lateral.decidable, Some(true));
        assert_eq!(lateral.remedy.is_some(), state == State::NotProven);
    }
    near("probability at the limit", at(5.0).0.conformance.unwrap(), 0.5, 1e-6);
}

#[test]
fn a_tolerance_below_u_cannot_be_decided_and_says_why() {
    let mut bay = Bay::new();
    bay.vehicle.wheels.iter_mut().for_each(|w| w.run_out_rad = rad_from_deg(0.5));
    bay.station().tolerance[3] = Some(rad_from_deg(0.3));
    let a = bay.assess().unwrap();
    let yaw = &a.stations[0].deviations[3];
    assert_eq!((yaw.state, yaw.decidable), (Some(State::NotProven), Some(false)));
    assert_eq!(
        yaw.remedy.as_deref().unwrap(),
        "This set-up cannot decide this tolerance: U of yaw is 0.49°, the tolerance only 0.3°. Most of U comes from the run-out of the plates \
         (100 % of the variance): roll the car and photograph it in several positions, or measure the clamp's run-out more closely (turn the wheel, or put the clamp on a spindle) and enter the wheel's axis with what remains as run_out_deg."
    );
    assert_eq!(a.verdict, State::NotProven);
}

#[test]
fn a_component_that_is_not_asked_gets_no_verdict() {
    let mut bay = Bay::new().displaced([0.0, 0.0, 0.5, 0.0, 0.0, 0.0]);
    bay.station().tolerance[2] = None;
    let a = bay.assess().unwrap();
    let height = &a.stations[0].deviations[2];
    assert_eq!((height.state, height.conformance, height.tolerance), (None, None, None));
    near("still reported", height.deviation.value, 0.5, 1e-12);
    assert_eq!(a.verdict, State::InTolerance);
    assert!(a.stations[0].moves.is_empty());
    bay.station().tolerance = [None; 6];
    let nothing = bay.assess().unwrap();
    assert_eq!(nothing.verdict, State::NotProven);
    assert!(nothing.notes[0].contains("states no tolerance at all"), "{:?}", nothing.notes);
}

/// Own derivation: offset = D tan(angle), 0.5° at 50 and 100 m 0.436 and 0.873 m; 5 mm beside a target at 1.5 m is 0.333 m at 100 m.
#[test]
fn what_it_means_at_the_sensors_range() {
    let mut bay = Bay::new().displaced([0.0, 0.005, 0.0, rad_from_deg(0.5), 0.0, 0.0]);
    bay.stands[0].u_angle_rad = rad_from_deg(0.1);
    let range = |bay: &Bay| bay.assess().unwrap().stations[0].at_range.clone();
    let yaw = range(&bay);
    assert_eq!(yaw.len(), 2, "without the sensor's distance nothing is said of the lateral position");
    near("50 m", yaw[0].offset.value, 0.436, 0.0005);
    near("100 m", yaw[1].offset.value, 0.873, 0.0005);
    near("U at 100 m", yaw[1].offset.expanded, K_95 * 0.1745, 0.0005);
    bay.station().sensor_to_target_m = Some(1.5);
    let both = range(&bay);
    assert_eq!(both[3].component, Component::Lateral);
    near("lateral at 100 m", both[3].offset.value, 0.333, 0.0005);
}

#[test]
fn several_stations_each_with_its_own_place_of_the_stand() {
    let mut bay = Bay::new();
    let mut second = bay.placement.stations[0].clone();
    second.name = "left".into();
    second.required[1] = 1.0;
    let mut third = second.clone();
    third.name = "right".into();
    bay.placement.stations.extend([second, third]);
    bay.bodies[STAND].station = Some(0);
    let at = bay.add("stand", BodyKind::Stand, target_pose([0.0, 1.003, 0.0, 0.0, 0.0, 0.0]));
    bay.bodies[at].body = STAND;
    bay.bodies[at].station = Some(1);
    let a = bay.assess().unwrap();
    assert_eq!(a.stations.len(), 2);
    near("second station", a.stations[1].deviations[1].deviation.value, 0.003, 1e-12);
    assert_eq!(a.unmeasured.len(), 1);
    assert_eq!(a.unmeasured[0].reason, Unmeasurable::TargetNotMeasured { station: "right".into() });
    assert_eq!(a.verdict, State::NotProven, "in tolerance only when every station is");
}

#[test]
fn what_cannot_be_measured_says_why() {
    let reason = |change: &dyn Fn(&mut Bay)| {
        let mut bay = Bay::new().with_front_plates();
        change(&mut bay);
        bay.assess().unwrap_err()
    };
    let sheets = |keep: usize| {
        move |bay: &mut Bay| bay.bodies.iter_mut().skip(FIRST_SHEET + keep).for_each(|b| b.kind = BodyKind::Other)
    };
    assert_eq!(reason(&sheets(0)), Unmeasurable::TooFewSheets(0));
    assert_eq!(reason(&sheets(2)), Unmeasurable::TooFewSheets(2));
    let on_a_line = reason(&|bay| {
        let sheets = bay.bodies.iter_mut().skip(FIRST_SHEET).enumerate();
        sheets.for_each(|(k, b)| {
            b.world_from_body = Pose::claim_rotvec(Vector3::zeros(), Vector3::new(0.5 * k as f64, 1.2, 0.0))
        });
    });
    assert!(matches!(on_a_line, Unmeasurable::SheetsOnALine { n: 8, spread_mm } if spread_mm < 1.0), "{on_a_line}");
    let tilted = reason(&|bay| {
        let on_the_wall = turned(0.0, 1.4, 0.0);
        let b = &mut bay.bodies[FIRST_SHEET + 1];
        b.world_from_body = Pose::claim_matrix(&on_the_wall, b.world_from_body.translation());
    });
    assert!(matches!(&tilted, Unmeasurable::SheetTilted { name, .. } if name == "sheet 1"), "{tilted}");
    assert_eq!(reason(&|bay| bay.vehicle.wheels.truncate(1)), Unmeasurable::NoPlate(Corner::RearRight));
    assert_eq!(reason(&|bay| bay.vehicle.wheels[0].plate = 99), Unmeasurable::PlateNotMeasured(Corner::RearLeft));
    assert_eq!(
        reason(&|bay| bay.vehicle.wheels[2].corner = Corner::RearLeft),
        Unmeasurable::WheelTwice(Corner::RearLeft)
    );
    // A plate mounted the wrong way round: its axis points inward and its hub lies outside.
    let inward = reason(&|bay| bay.vehicle.wheels[1].axis_in_plate.coords = -Vector3::z());
    assert_eq!(inward, Unmeasurable::AxisInward(Corner::RearRight));
    let skew = reason(&|bay| bay.vehicle.wheels[0].axis_in_plate.coords = Vector3::new(0.5, 0.0, 1.0));
    assert!(matches!(skew, Unmeasurable::AxisSkew { corner: Corner::RearLeft, .. }), "{skew}");
    let track = reason(&|bay| bay.vehicle.wheels[0].hub = crate::vehicle::HubPlace::StandOff(1.85));
    assert!(matches!(track, Unmeasurable::Track { .. }), "{track}");
    let front = reason(&|bay| {
        let [w0, w1, w2, w3] = [0, 1, 2, 3].map(|k| bay.vehicle.wheels[k].plate);
        for (k, plate) in [w2, w3, w0, w1].into_iter().enumerate() {
            bay.vehicle.wheels[k].plate = plate;
        }
    });
    assert!(matches!(front, Unmeasurable::FrontNotAhead { ahead_mm } if ahead_mm < 0.0), "{front}");
    let plumb = reason(&|bay| {
        bay.add("plumb", BodyKind::PlumbLine, target_pose([0.0; 6]));
    });
    assert!(matches!(plumb, Unmeasurable::PlumbOff { .. }), "{plumb}");
    assert!(matches!(
        reason(&|bay| bay.joint.cov = nalgebra::DMatrix::zeros(6, 6)),
        Unmeasurable::CovarianceShape { .. }
    ));
    assert!(matches!(reason(&|bay| bay.joint.cov[(3, 3)] = f64::NAN), Unmeasurable::BadNumber { .. }));
    assert!(matches!(reason(&|bay| bay.vehicle.wheels[0].run_out_rad = -0.1), Unmeasurable::BadNumber { .. }));
    assert!(matches!(reason(&|bay| bay.station().tolerance[0] = Some(0.0)), Unmeasurable::BadNumber { .. }));
}

#[test]
fn swapped_left_and_right_plates_are_found_by_the_stand_behind_the_car() {
    let mut bay = Bay::new();
    bay.vehicle.wheels[0].plate = 1;
    bay.vehicle.wheels[1].plate = 0;
    let a = bay.assess().unwrap();
    assert_eq!(a.unmeasured[0].reason, Unmeasurable::WrongEnd { station: "centre".into(), ahead: false });
    assert!(a.unmeasured[0].reason.to_string().contains("probably swapped"));
    assert_eq!(a.verdict, State::NotProven);
}

#[test]
fn station_reasons_and_notes_name_the_thing() {
    let mut bay = Bay::new();
    bay.station().datum = Datum::FrontAxle;
    assert!(matches!(bay.assess().unwrap().unmeasured[0].reason, Unmeasurable::NoFrontAxle { .. }));
    bay.station().datum = Datum::Body { body: 77, u_m: 0.0 };
    assert!(matches!(bay.assess().unwrap().unmeasured[0].reason, Unmeasurable::DatumNotMeasured { .. }));
    // A sheet that lies 9 mm high on a floor that is called even within 0.5 mm.
    let mut bay = Bay::new();
    bay.floor.u_uneven_m = 0.0005;
    let raised = bay.bodies[FIRST_SHEET + 3].world_from_body.translation() + Vector3::new(0.0, 0.0, 0.009);
    bay.bodies[FIRST_SHEET + 3].world_from_body = Pose::claim_rotvec(Vector3::zeros(), raised);
    let notes = bay.assess().unwrap().notes;
    assert!(
        notes.iter().any(|n| n.starts_with("Floor sheet \"sheet 3\" lies") && n.contains("above the plane")),
        "{notes:?}"
    );
    // One front plate alone.
    let mut bay = Bay::new().with_front_plates();
    bay.vehicle.wheels.pop();
    assert!(bay.assess().unwrap().notes[0].contains("only in pairs"));
    // A stand that faces the other way.
    let a = Bay::new().displaced([0.0, 0.0, 0.0, 3.0, 0.0, 0.0]).assess().unwrap();
    assert!(a.notes[0].contains("turned by 172°"), "{:?}", a.notes);
    // Rear wheels with 4 degrees of toe-in between them.
    let w = ToeCamber { toe: rad_from_deg(2.0), camber: 0.0 };
    let a = Bay::with_wheels([w; 4]).assess().unwrap();
    assert!(a.notes[0].contains("differ by 4.00° (toe-in)"), "{:?}", a.notes);
}
