//! A hand-checkable bay for the tests of this module: axis-aligned car, sheets, stand, everything exact; each test changes what it is about.

use crate::body::BodyKind;
use crate::frames::{Body, Direction, Point, Pose, Target, Vehicle, World, rotation_from_yaw_pitch_roll};
use crate::placement::{Datum, LateralFrom, Placement, Reference, StandModel, Station};
use crate::survey::{JointCovariance, Source};
use crate::units::{m_from_mm, rad_from_deg};
use crate::vehicle::{Corner, FloorModel, HubPlace, MeasuredBody, Unmeasurable, VehicleModel, WheelModel};
use crate::verdict::{AssessInput, Assessment, assess};
use nalgebra::{DMatrix, Matrix3, Vector3};

pub const STAND_OFF_M: f64 = 0.185;
pub const HALF_TRACK_M: f64 = 0.77;
pub const HUB_HEIGHT_M: f64 = 0.31;
pub const WHEELBASE_M: f64 = 2.65;
/// The stand's own body, and the first sheet.
pub const STAND: usize = 4;
pub const FIRST_SHEET: usize = 5;

/// A wheel's true toe and camber, radians.
#[derive(Clone, Copy, Default)]
pub struct ToeCamber {
    pub toe: f64,
    pub camber: f64,
}

pub struct Bay {
    pub bodies: Vec<MeasuredBody>,
    pub joint: JointCovariance,
    pub vehicle: VehicleModel,
    pub floor: FloorModel,
    pub stands: Vec<StandModel>,
    pub placement: Placement,
}

/// A floor without any uncertainty.
pub fn exact_floor() -> FloorModel {
    FloorModel {
        thickness_m: 0.001,
        u_thickness_m: 0.0,
        u_uneven_m: 0.0,
        u_level_rad: 0.0,
        u_plumb_rad: 0.0,
        level_reading: None,
    }
}

/// Outward axis of a wheel with this toe and camber in a frame with X along the reference direction: written from the words of the definitions
/// (toe-in turns the front of the wheel inward, positive camber leans its top outward), not from the code under test.
pub fn outward_axis(corner: Corner, w: ToeCamber) -> Vector3<f64> {
    let side = if corner.is_left() { 1.0 } else { -1.0 };
    // Toe-in: the outward axis of either wheel swings forward. Camber: it dips.
    Vector3::new(w.toe.sin() * w.camber.cos(), side * w.toe.cos() * w.camber.cos(), -w.camber.sin())
}

/// Pose of a plate whose z is the wheel's axis, turned by `spin` about it, its origin `STAND_OFF_M` outside the hub.
fn plate(hub: Vector3<f64>, axis: Vector3<f64>, spin: f64) -> Pose<World, Body> {
    let x0 = Vector3::z().cross(&axis).normalize();
    let y0 = axis.cross(&x0);
    let (s, c) = spin.sin_cos();
    Pose::claim_matrix(&Matrix3::from_columns(&[x0 * c + y0 * s, y0 * c - x0 * s, axis]), hub + axis * STAND_OFF_M)
}

pub fn hub(corner: Corner) -> Vector3<f64> {
    let y = if corner.is_left() { HALF_TRACK_M } else { -HALF_TRACK_M };
    Vector3::new(if corner.is_rear() { 0.0 } else { WHEELBASE_M }, y, HUB_HEIGHT_M)
}

/// A target at a deviation (m, m, m, rad, rad, rad) from 4.25 m ahead of the rear axle, on the thrust line, 1 m high, square.
pub fn target_pose(e: [f64; 6]) -> Pose<World, Body> {
    let r = rotation_from_yaw_pitch_roll(e[3], e[4], e[5]).into_inner();
    Pose::claim_matrix(&r, Vector3::new(4.25 + e[0], e[1], 1.0 + e[2]))
}

pub fn wheel_model(corner: Corner, plate: usize) -> WheelModel {
    WheelModel {
        corner,
        plate,
        axis_in_plate: Direction::claim(Vector3::z()),
        run_out_rad: 0.0,
        hub: HubPlace::StandOff(STAND_OFF_M),
        eccentricity_m: 0.0,
        u_stand_off_m: 0.0,
    }
}

impl Bay {
    /// World = vehicle frame; four plates, one stand, eight sheets; nothing uncertain; datum rear axle.
    pub fn new() -> Self {
        Self::with_wheels([ToeCamber::default(); 4])
    }

    /// The same with toe and camber of [`Corner::ALL`], against the geometric centreline.
    pub fn with_wheels(wheels: [ToeCamber; 4]) -> Self {
        let mut bodies = Vec::new();
        let mut add = |name: String, kind, world_from_body| {
            bodies.push(MeasuredBody {
                body: bodies.len(),
                name,
                kind,
                station: None,
                position: None,
                world_from_body,
            });
        };
        for (k, corner) in Corner::ALL.into_iter().enumerate() {
            let pose = plate(hub(corner), outward_axis(corner, wheels[k]), 0.4 + k as f64);
            add(format!("plate {}", corner.name()), BodyKind::Plate, pose);
        }
        add("stand".into(), BodyKind::Stand, target_pose([0.0; 6]));
        let spots =
            [(-0.6, 1.3), (-0.7, -1.2), (0.9, 1.2), (1.0, -1.3), (2.2, 1.25), (2.1, -1.2), (4.6, 0.9), (4.5, -1.0)];
        for (k, (x, y)) in spots.into_iter().enumerate() {
            let turn = rotation_from_yaw_pitch_roll(0.7 * k as f64, 0.0, 0.0).into_inner();
            add(format!("sheet {k}"), BodyKind::FloorSheet, Pose::claim_matrix(&turn, Vector3::new(x, y, 0.001)));
        }
        let n = 6 * bodies.len();
        Self {
            bodies,
            joint: JointCovariance { cov: DMatrix::zeros(n, n), parts: Vec::new() },
            vehicle: VehicleModel {
                name: None,
                id: None,
                wheels: vec![wheel_model(Corner::RearLeft, 0), wheel_model(Corner::RearRight, 1)],
                wheelbase: None,
                checks: Default::default(),
            },
            floor: exact_floor(),
            stands: vec![StandModel::plain(STAND)],
            placement: Placement {
                title: "invented".into(),
                source: "invented for a test".into(),
                revision: "1".into(),
                reference: Reference::Floor,
                stations: vec![Station {
                    name: "centre".into(),
                    target: STAND,
                    datum: Datum::RearAxle,
                    lateral_from: LateralFrom::ThrustLine,
                    required: [4.25, 0.0, 1.0, 0.0, 0.0, 0.0],
                    tolerance: [5.0, 5.0, 5.0]
                        .map(m_from_mm)
                        .map(Some)
                        .into_iter()
                        .chain([0.5; 3].map(rad_from_deg).map(Some))
                        .collect::<Vec<_>>()
                        .try_into()
                        .unwrap(),
                    sensor_to_target_m: None,
                }],
            },
        }
    }

    pub fn station(&mut self) -> &mut Station {
        &mut self.placement.stations[0]
    }

    /// Uses the front plates too.
    pub fn with_front_plates(mut self) -> Self {
        self.vehicle.wheels.extend([wheel_model(Corner::FrontLeft, 2), wheel_model(Corner::FrontRight, 3)]);
        self
    }

    /// Moves the target to this deviation.
    pub fn displaced(mut self, e: [f64; 6]) -> Self {
        self.bodies[STAND].world_from_body = target_pose(e);
        self
    }

    /// Adds a body with its (zero) covariance; returns its index.
    pub fn add(&mut self, name: &str, kind: BodyKind, world_from_body: Pose<World, Body>) -> usize {
        let body = self.bodies.len();
        self.bodies.push(MeasuredBody {
            body,
            name: name.into(),
            kind,
            station: None,
            position: None,
            world_from_body,
        });
        let n = 6 * self.bodies.len();
        self.joint.cov = self.joint.cov.clone().resize(n, n, 0.0);
        for (_, part) in &mut self.joint.parts {
            *part = part.clone().resize(n, n, 0.0);
        }
        body
    }

    /// A covariance with correlations between all bodies: 0.02 deg and 0.2 mm of each body's own (corners) and a common scale error (sheets' print).
    pub fn with_survey_noise(mut self) -> Self {
        let n = 6 * self.bodies.len();
        let own = |k: usize| if k % 6 < 3 { rad_from_deg(0.02) } else { m_from_mm(0.2) };
        let corners = DMatrix::from_fn(n, n, |i, j| {
            let r = if i == j {
                1.0
            } else if i / 6 == j / 6 {
                0.3
            } else {
                0.05
            };
            r * own(i) * own(j)
        });
        let mut scale = DMatrix::zeros(n, 1);
        for (b, body) in self.bodies.iter().enumerate() {
            let shift = body.world_from_body.rotation().transpose() * body.world_from_body.translation() * 0.0003;
            scale.fixed_view_mut::<3, 1>(6 * b + 3, 0).copy_from(&shift);
        }
        let scale = &scale * scale.transpose();
        self.joint.cov = &corners + &scale;
        self.joint.parts = vec![(Source::Corners, corners), (Source::SheetScale, scale)];
        self
    }

    /// Realistic declared uncertainties.
    pub fn with_declared(mut self) -> Self {
        for wheel in &mut self.vehicle.wheels {
            wheel.run_out_rad = rad_from_deg(0.3);
            wheel.eccentricity_m = 0.001;
            wheel.u_stand_off_m = 0.0005;
        }
        self.floor = FloorModel::default();
        self
    }

    /// The whole bay seen from another world frame.
    pub fn moved(mut self, new_from_old: Pose<World, World>) -> Self {
        for body in &mut self.bodies {
            body.world_from_body = new_from_old * body.world_from_body;
        }
        self
    }

    pub fn input(&self) -> AssessInput<'_> {
        AssessInput {
            bodies: &self.bodies,
            joint: &self.joint,
            vehicle: &self.vehicle,
            floor: &self.floor,
            stands: &self.stands,
            placement: &self.placement,
        }
    }

    pub fn assess(&self) -> Result<Assessment, Unmeasurable> {
        assess(&self.input())
    }
}

/// The six deviations of the first station.
pub fn six(a: &Assessment) -> [f64; 6] {
    a.stations[0].deviations.each_ref().map(|d| d.deviation.value)
}

/// Their standard uncertainties.
pub fn six_u(a: &Assessment) -> [f64; 6] {
    a.stations[0].deviations.each_ref().map(|d| d.deviation.u)
}

pub fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
}

/// A point below the target's origin, or anywhere, in the target's frame.
pub fn target_point(x: f64, y: f64, z: f64) -> Option<Point<Target>> {
    Some(Point::claim(Vector3::new(x, y, z)))
}

/// A point of the car.
pub fn car_point(x: f64, y: f64, z: f64) -> Point<Vehicle> {
    Point::claim(Vector3::new(x, y, z))
}
