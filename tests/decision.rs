//! The decision step on the exact body poses of a path-traced bay: the truth goes in, the truth must come out.
//!
//! Source of all figures: the truth file of bay A, made by an independent renderer with its own conventions (world = vehicle frame; wheel centres
//! and axes, plate and stand poses, tag centres), invented scenario. Nothing here was computed by this program.

use nalgebra::{DMatrix, Matrix3, Vector3};
use plumbsight::body::BodyKind;
use plumbsight::frames::{Direction, Point, Pose};
use plumbsight::placement::{Datum, LateralFrom, Placement, Reference, StandModel, Station};
use plumbsight::survey::JointCovariance;
use plumbsight::units::{deg_from_rad, m_from_mm, mm_from_m, rad_from_deg};
use plumbsight::vehicle::{Corner, DeclaredLength, FloorModel, HubPlace, MeasuredBody, VehicleModel, WheelModel};
use plumbsight::verdict::{AssessInput, Assessment, State, assess};

const STAND: usize = 2;

/// Columns and origin of a pose.
fn body(body: usize, kind: BodyKind, axes: [[f64; 3]; 3], origin: [f64; 3]) -> MeasuredBody {
    let rotation = Matrix3::from_columns(&axes.map(Vector3::from));
    let world_from_body = Pose::claim_matrix(&rotation, Vector3::from(origin));
    MeasuredBody { body, name: format!("body {body}"), kind, station: None, position: None, world_from_body }
}

fn bodies() -> Vec<MeasuredBody> {
    let left = [
        [-0.9994920535079411, -0.00021743867323397795, 0.03186828666406058],
        [0.03186219179330186, -0.02752981671347243, 0.9991130616330914],
        [0.0006600822723017484, 0.9996209591200788, 0.02752276111235565],
    ];
    let right = [
        [0.9900781391709995, 0.008695788778045168, 0.1402485707350293],
        [-0.14037582256442283, 0.016337652814321653, 0.989963488993347],
        [0.006317180941889045, -0.9998287175101774, 0.017396231399389995],
    ];
    let stand = [
        [0.9999999657305405, 0.0002617993848085749, 0.0],
        [-0.0002617993848085749, 0.9999999657305405, 0.0],
        [0.0, 0.0, 1.0],
    ];
    let mut all = vec![
        body(0, BodyKind::Plate, left, [0.0004111143353248874, 0.9548120760837067, 0.3153399492963859]),
        body(1, BodyKind::Plate, right, [-0.0010889200484769522, -0.954900085352863, 0.31729280226614376]),
        body(STAND, BodyKind::Stand, stand, [4.249494624318804, 0.0007, 1.0]),
    ];
    let sheets = [
        [-0.78256, 1.53130, 0.001642],
        [0.74067, 1.57026, 0.001717],
        [1.89172, 1.54172, 0.001174],
        [2.99862, 1.42354, 0.001558],
        [3.92045, 1.00543, 0.001553],
        [3.84672, 0.07456, 0.001254],
        [3.98126, -0.96756, 0.001102],
        [3.04580, -1.43030, 0.001644],
        [1.87528, -1.54961, 0.001395],
        [0.74625, -1.59027, 0.001753],
        [-0.81399, -1.56210, 0.001054],
        [-1.32112, -0.82300, 0.001529],
        [-1.28811, 0.04934, 0.001115],
        [-1.25372, 0.84113, 0.001288],
    ];
    for (k, at) in sheets.into_iter().enumerate() {
        all.push(body(3 + k, BodyKind::FloorSheet, [[1.0, 0.0, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]], at));
    }
    all
}

fn run(run_out_known: bool) -> Assessment {
    let bodies = bodies();
    let wheel = |corner, plate, axis: [f64; 3], hub: [f64; 3]| WheelModel {
        corner,
        plate,
        axis_in_plate: Direction::claim(if run_out_known { Vector3::from(axis) } else { Vector3::z() }),
        run_out_rad: rad_from_deg(if run_out_known { 0.0 } else { 0.5 }),
        hub: if run_out_known {
            HubPlace::InPlate(Point::claim(Vector3::from(hub)))
        } else {
            HubPlace::StandOff(0.185)
        },
        eccentricity_m: if run_out_known { 0.0 } else { 0.002 },
        u_stand_off_m: if run_out_known { 0.0 } else { 0.0005 },
    };
    let left = [-0.00030325739005283533, -0.008322081237826635, 0.999965324898232];
    let right = [-0.004820655367762373, 0.006028212645926477, 0.9999702105233538];
    let vehicle = VehicleModel {
        name: None,
        id: None,
        wheels: vec![
            wheel(Corner::RearLeft, 0, left, [0.0004197374878233622, 0.0017353452367957173, -0.18483362489431207]),
            wheel(Corner::RearRight, 1, right, [0.002018032535122982, -0.002382261709950832, -0.18495249097032504]),
        ],
        wheelbase: Some(DeclaredLength { value_m: 2.65, u_m: 0.0 }),
        checks: Default::default(),
    };
    let mm = |v: f64| Some(m_from_mm(v));
    let deg = |v: f64| Some(rad_from_deg(v));
    let placement = Placement {
        title: "invented".into(),
        source: "invented scenario of bay A".into(),
        revision: "1".into(),
        reference: Reference::Floor,
        stations: vec![Station {
            name: "centre".into(),
            target: STAND,
            datum: Datum::FrontAxle,
            lateral_from: LateralFrom::ThrustLine,
            required: [1.6, 0.0, 1.0, 0.0, 0.0, 0.0],
            tolerance: [mm(5.0), mm(5.0), mm(5.0), deg(0.5), deg(0.5), deg(0.5)],
            sensor_to_target_m: None,
        }],
    };
    let n = 6 * bodies.len();
    let joint = JointCovariance { cov: DMatrix::zeros(n, n), parts: Vec::new() };
    // The prints lie 1.41 mm above the floor on average.
    let floor = FloorModel { thickness_m: 0.00141, ..FloorModel::default() };
    let stands = [StandModel::plain(STAND)];
    let input = AssessInput {
        bodies: &bodies,
        joint: &joint,
        vehicle: &vehicle,
        floor: &floor,
        stands: &stands,
        placement: &placement,
    };
    assess(&input).unwrap()
}

fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
}

/// Truth: distance -0.5 mm, lateral +0.7 mm, height 0, yaw +0.015°, pitch and roll 0; camber angles -1.1 and -1.3°; rolling directions -0.04 and +0.04°.
#[test]
fn true_poses_give_the_true_offsets() {
    let a = run(true);
    let value = |k: usize| a.stations[0].deviations[k].deviation.value;
    near("distance, mm", mm_from_m(value(0)), -0.5, 0.02);
    near("lateral, mm", mm_from_m(value(1)), 0.7, 0.02);
    // The sheets' own heights scatter by a quarter of a millimetre: height and the two tilts follow them.
    near("height, mm", mm_from_m(value(2)), 0.0, 0.2);
    near("yaw, deg", deg_from_rad(value(3)), 0.015, 0.0005);
    near("pitch, deg", deg_from_rad(value(4)), 0.0, 0.01);
    near("roll, deg", deg_from_rad(value(5)), 0.0, 0.01);
    for (wheel, camber) in a.vehicle.wheels.iter().zip([-1.1, -1.3]) {
        near("camber, deg", deg_from_rad(wheel.camber.value), camber, 0.01);
        near("toe, deg", deg_from_rad(wheel.toe.value), 0.04, 0.0005);
    }
    near("track, mm", mm_from_m(a.vehicle.rear_track.value), 1540.0, 0.01);
    assert_eq!(a.verdict, State::InTolerance);
    assert!(a.notes.is_empty(), "{:?}", a.notes);
}

/// With the clamps' true run-out (0.48° and 0.44°) unknown but inside its stated limit of 0.5°, the truth lies inside every U and the yaw tolerance cannot be
/// proven closer than the run-out allows.
#[test]
fn unknown_run_out_stays_inside_its_stated_uncertainty() {
    let a = run(false);
    let truth = [m_from_mm(-0.5), m_from_mm(0.7), 0.0, rad_from_deg(0.015), 0.0, 0.0];
    for (d, truth) in a.stations[0].deviations.iter().zip(truth) {
        let off = (d.deviation.value - truth).abs();
        assert!(off <= d.deviation.expanded, "{}: off by {off}, U {}", d.component.name(), d.deviation.expanded);
    }
    near("U of yaw, deg", deg_from_rad(a.stations[0].deviations[3].deviation.expanded), 0.49, 0.005);
    assert_eq!(a.stations[0].deviations[1].state, Some(State::NotProven));
}
