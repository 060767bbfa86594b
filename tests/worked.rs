//! Published and hand-worked examples that several parts of the program must reproduce together; each with its source. Examples that belong to one
//! part are in that part's own tests.

use nalgebra::{Rotation3, Vector2, Vector3};
use plumbsight::fit::plane_map;
use plumbsight::frames::{Body, Direction, Point, Pose, Vehicle, World, rotation_from_yaw_pitch_roll, yaw_pitch_roll};
use plumbsight::uncertainty::{Estimate, K_95};
use plumbsight::units::{deg_from_rad, rad_from_deg};
use plumbsight::vehicle::Corner;
use plumbsight::vehicle::geometry::{Wheel, rolling_direction, toe_and_camber};
use plumbsight::verdict::State;
use plumbsight::verdict::rule::{conformance_between, judge};

#[track_caller]
fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
}

/// Source: general-purpose rotation library, recomputed (rotation vectors and quaternions of well-known turns); the turn by 120° about (1, 1, 1) by hand.
#[test]
fn rotation_vectors() {
    let turned = |rotvec: Vector3<f64>| Pose::<World, Body>::claim_rotvec(rotvec, Vector3::zeros());
    let third = turned(Vector3::repeat(1.0).normalize() * rad_from_deg(120.0));
    for (axis, image) in [(Vector3::x(), Vector3::y()), (Vector3::y(), Vector3::z()), (Vector3::z(), Vector3::x())] {
        assert!(((third * Point::<Body>::claim(axis)).coords - image).norm() < 1e-12);
    }
    let rotation = rotation_from_yaw_pitch_roll(rad_from_deg(30.0), rad_from_deg(20.0), rad_from_deg(10.0));
    let rotvec = rotation.scaled_axis();
    assert!((rotvec - Vector3::new(0.077525317, 0.384851569, 0.486479230)).norm() < 1e-9, "{rotvec}");
    let q = nalgebra::UnitQuaternion::from_rotation_matrix(&rotation).coords;
    let expected = nalgebra::Vector4::new(0.038134576, 0.189307857, 0.239298338, 0.951548525);
    assert!((q - expected).norm() < 1e-9, "{q}");
    // Round trips at the edges: next to nothing, nearly half a turn, half a turn (whose axis has no sign).
    for angle in [1e-9, 1.0, std::f64::consts::PI - 1e-6, std::f64::consts::PI] {
        for axis in [Vector3::x(), Vector3::new(1.0, -2.0, 0.5).normalize()] {
            let pose = turned(axis * angle);
            let back = turned(pose.iso().rotation.scaled_axis());
            assert!(pose.difference(&back).0 < 1e-9, "{angle} {axis}");
            let (yaw, pitch, roll) = yaw_pitch_roll(&pose.rotation());
            let again = rotation_from_yaw_pitch_roll(yaw, pitch, roll).into_inner();
            assert!((again - pose.rotation()).norm() < 1e-9, "{angle} {axis}");
        }
    }
}

/// Source: OpenCV, samples/data/H1to3p.xml (the plane map between two pictures of one wall); images of three points recomputed from it.
#[test]
fn published_plane_map() {
    let published = nalgebra::Matrix3::new(
        7.6285898e-01,
        -2.9922929e-01,
        2.2567123e+02, //
        3.3443473e-01,
        1.0143901e+00,
        -7.6999973e+01, //
        3.4663091e-04,
        -1.4364524e-05,
        1.0,
    );
    let map = |h: &nalgebra::Matrix3<f64>, p: &Vector2<f64>| {
        let image = h * Vector3::new(p.x, p.y, 1.0);
        image.xy() / image.z
    };
    let from = [[0.0, 0.0], [799.0, 0.0], [799.0, 639.0], [0.0, 639.0]].map(|[x, y]| Vector2::new(x, y));
    let found = plane_map(&from, &from.map(|p| map(&published, &p))).unwrap();
    for (point, image) in [
        ([0.0, 0.0], [225.671230, -76.999973]),
        ([400.0, 320.0], [383.633223, 336.296308]),
        ([799.0, 639.0], [507.965469, 661.320735]),
    ] {
        let got = map(&found, &Vector2::from(point));
        assert!((got - Vector2::from(image)).norm() < 1e-6, "{point:?}: {got}");
    }
}

fn wheel(corner: Corner, axis: Vector3<f64>) -> Wheel<Vehicle> {
    Wheel { corner, hub: Point::claim(Vector3::zeros()), axis: Direction::claim(axis.normalize()) }
}

/// The outward axis of a rear wheel with this toe and camber (deg; toe-in and a top that leans outward are positive).
fn axis(corner: Corner, toe_deg: f64, camber_deg: f64) -> Vector3<f64> {
    let side = if corner.is_left() { 1.0 } else { -1.0 };
    let (toe, camber) = (rad_from_deg(toe_deg), rad_from_deg(camber_deg));
    // Toe-in turns the rolling direction towards the car's middle: clockwise on the left.
    Vector3::new(toe.sin() * camber.cos(), side * toe.cos() * camber.cos(), -camber.sin())
}

/// A clamp that sits crooked on its wheel reads toe + A cos(φ − p) as the wheel turns; readings spread evenly over a turn average to the toe. Toe 0.20°, A 0.15°,
/// p 40°. Source: own derivation, first order; figures recomputed.
#[test]
fn run_out_is_a_sinusoid() {
    let corner = Corner::RearLeft;
    let spin = axis(corner, 0.20, 0.0);
    near("toe of the spin axis", deg_from_rad(toe_and_camber(&wheel(corner, spin)).0), 0.20, 1e-9);
    // Square to the spin axis: level, in the direction that adds toe; then a quarter turn on.
    let across = Vector3::new(spin.y, -spin.x, 0.0).normalize();
    let tilted = spin + across * rad_from_deg(0.15);
    let reading = |phi_deg: f64| {
        let turn = Rotation3::from_axis_angle(&nalgebra::Unit::new_normalize(spin), rad_from_deg(phi_deg - 40.0));
        deg_from_rad(toe_and_camber(&wheel(corner, turn * tilted)).0)
    };
    let worked =
        [(0.0, 0.314907), (90.0, 0.296418), (120.0, 0.226047), (180.0, 0.085093), (240.0, 0.059046), (270.0, 0.103582)];
    for (phi, expected) in worked {
        near("reading", reading(phi), expected, 3e-6);
    }
    for scheme in [&[0.0, 180.0][..], &[0.0, 120.0, 240.0], &[0.0, 90.0, 180.0, 270.0]] {
        let mean = scheme.iter().map(|phi| reading(*phi)).sum::<f64>() / scheme.len() as f64;
        near("mean", mean, 0.20, 3e-6);
    }
    // The amplitude from three: 2/N Σ e cos φ and 2/N Σ e sin φ.
    let sum = |f: fn(f64) -> f64| {
        [0.0f64, 120.0, 240.0].iter().map(|p| reading(*p) * f(rad_from_deg(*p))).sum::<f64>() * 2.0 / 3.0
    };
    near("amplitude", sum(f64::cos).hypot(sum(f64::sin)), 0.15, 3e-6);
}

/// The thrust line bisects the rear wheels' rolling directions. Signs and figures: own derivation (toe-in positive: ISO 8855:2011, 7.1.6; heading positive to
/// the left, ISO 8855 axes).
#[test]
fn thrust_direction_from_the_rear_toes() {
    for (left, right, heading_deg) in [(0.20, 0.10, -0.05), (0.15, 0.15, 0.0), (-0.10, 0.30, 0.20)] {
        let mut sum = Vector3::zeros();
        for (corner, toe) in [(Corner::RearLeft, left), (Corner::RearRight, right)] {
            let wheel = Wheel::<World> {
                corner,
                hub: Point::claim(Vector3::zeros()),
                axis: Direction::claim(axis(corner, toe, 0.7)),
            };
            let rolling = rolling_direction(&wheel, &Direction::claim(Vector3::z()));
            let own = deg_from_rad(rolling.y.atan2(rolling.x));
            near("heading of a wheel", own, if corner.is_left() { -toe } else { toe }, 1e-9);
            sum += rolling.normalize();
        }
        near("bisector", deg_from_rad(sum.y.atan2(sum.x)), heading_deg, 1e-9);
    }
}

/// A reference whose up leans by th reads toe wrong by camber · th. Source: own derivation, figures recomputed.
#[test]
fn toe_against_a_leaning_reference() {
    for (camber, pitch, error) in [(1.5, 0.5, 0.0131), (3.0, 1.0, 0.0524)] {
        for corner in [Corner::RearLeft, Corner::RearRight] {
            let truth = axis(corner, 0.1, camber);
            let seen = Rotation3::from_axis_angle(&Vector3::y_axis(), rad_from_deg(pitch)) * truth;
            let read = |axis: Vector3<f64>| deg_from_rad(toe_and_camber(&wheel(corner, axis)).0);
            near("toe", read(truth), 0.1, 1e-9);
            near("error", (read(seen) - read(truth)).abs(), error, 1e-4);
        }
    }
}

/// Chances that a bad one is accepted and a good one is not (consumer's and producer's risk), by quadrature over the process, with the acceptance decided as
/// `accepted` says of (truth, u): the chance that the measured value is accepted.
fn risks(limit: f64, process_sd: f64, accepted: impl Fn(f64) -> f64) -> (f64, f64) {
    let (mut consumer, mut producer) = (0.0, 0.0);
    let n = 40_000;
    let step = 16.0 * process_sd / f64::from(n);
    for k in 0..n {
        let truth = -8.0 * process_sd + (f64::from(k) + 0.5) * step;
        let density = (-0.5 * (truth / process_sd).powi(2)).exp() / (process_sd * std::f64::consts::TAU.sqrt()) * step;
        let accepted = accepted(truth);
        if truth.abs() <= limit { producer += density * (1.0 - accepted) } else { consumer += density * accepted }
    }
    (consumer, producer)
}

/// Source: JCGM 106:2012, 9.5 (resistors of 1500 Ω within 0.2 Ω, process sd 0.12, u 0.04), inputs from memory; figures recomputed by quadrature elsewhere
/// (with a guard of 0.02: remembered as printed, 1 % and 7 %).
#[test]
fn jcgm_106_global_risks() {
    let (limit, u) = (0.2, 0.04);
    for (guard, consumer, producer) in [
        (0.0, 0.01894, 0.03721),
        (0.02, 0.00988, 0.06903),
        (0.04, 0.00433, 0.1147),
        (0.06, 0.00158, 0.1744),
        (0.08, 0.00047, 0.2477),
    ] {
        let (c, p) = risks(limit, 0.12, |truth| conformance_between(truth, u, -(limit - guard), limit - guard));
        near("consumer's risk", c, consumer, 0.00005);
        near("producer's risk", p, producer, 0.0001);
    }
    let bad = 1.0 - conformance_between(0.0, 0.12, -limit, limit);
    near("nonconforming", bad, 0.0956, 0.00005);
}

/// What the program's own rule (in where |e| + U <= T) makes of these risks: T 1, process sd 0.5. Own derivation, recomputed by quadrature elsewhere for guards of
/// 1.645 u and 2 u; ours, 1.96 u, lies between, and it is the rule itself that is asked.
#[test]
fn risks_of_the_guarded_rule() {
    for (u, at_1645, at_2) in [(0.1, (0.00039, 0.0562), (0.00016, 0.0713)), (0.25, (0.00080, 0.248), (0.00034, 0.326))]
    {
        // The largest value that the rule accepts.
        let (mut low, mut high) = (0.0, 1.0);
        for _ in 0..60 {
            let middle = 0.5 * (low + high);
            if judge(&Estimate::new(middle, u), 1.0) == State::InTolerance { low = middle } else { high = middle }
        }
        near("acceptance limit", low, 1.0 - K_95 * u, 1e-9);
        let guarded = |guard: f64| risks(1.0, 0.5, |truth| conformance_between(truth, u, -(1.0 - guard), 1.0 - guard));
        for (guard, (consumer, producer)) in [(1.645 * u, at_1645), (2.0 * u, at_2)] {
            let (c, p) = guarded(guard);
            near("consumer's risk", c, consumer, 0.00001);
            near("producer's risk", p, producer, 0.0006);
        }
        let (c, p) = risks(1.0, 0.5, |truth| conformance_between(truth, u, -low, low));
        assert!(c < at_1645.0 && c > at_2.0 && p > at_1645.1 && p < at_2.1, "{c} {p}");
    }
}
