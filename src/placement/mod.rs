//! What the published procedure asks: where a target must stand, relative to which datum, within which tolerances.

mod face;
mod learn;

pub use face::{FaceCorner, FaceError, FittedFace, fit_face};
pub use learn::{FaceMark, LearnError, LearnedBody, LearnedFace, LearnedTag, learn_body};

use crate::frames::{Body, Point, Pose, Target, Vehicle};

/// One of the six deviations.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Component {
    /// Target origin ahead of the datum along the thrust line.
    Distance,
    /// To the left of the thrust line (or of the datum).
    Lateral,
    /// Above the floor.
    Height,
    /// About vehicle Z, counter-clockwise seen from above.
    Yaw,
    /// About vehicle Y: the target's top leans forward (as the car points).
    Pitch,
    /// About vehicle X: the target's top leans to the car's right.
    Roll,
}

impl Component {
    /// All six, in the order of every six-vector and 6 × 6 matrix of this module.
    pub const ALL: [Component; 6] =
        [Component::Distance, Component::Lateral, Component::Height, Component::Yaw, Component::Pitch, Component::Roll];

    /// Place in six-vectors.
    pub fn index(self) -> usize {
        self as usize
    }

    /// True for yaw, pitch and roll (rad); the others are lengths (m).
    pub fn is_angle(self) -> bool {
        matches!(self, Component::Yaw | Component::Pitch | Component::Roll)
    }

    /// The name people read.
    pub fn name(self) -> &'static str {
        match self {
            Component::Distance => "distance",
            Component::Lateral => "lateral",
            Component::Height => "height",
            Component::Yaw => "yaw",
            Component::Pitch => "pitch",
            Component::Roll => "roll",
        }
    }
}

/// What height, pitch and roll are counted against.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// The floor plane through the sheets: vehicle Z is its normal.
    Floor,
    /// The vertical: vehicle Z is the plumb line where one was seen, else the floor's normal with the stated levelness as its
    /// uncertainty. Height then counts from the level through the floor below the rear axle.
    Vertical,
}

/// What a station's distance counts from.
#[derive(Clone, Copy, Debug)]
pub enum Datum {
    /// The midpoint of the rear hub centres.
    RearAxle,
    /// The midpoint of the front hub centres where both carry plates, else the stated wheelbase ahead of the rear axle.
    FrontAxle,
    /// A point of the car, in the vehicle frame.
    Point {
        /// The point, m.
        in_vehicle: Point<Vehicle>,
        /// Standard uncertainty of each coordinate, m.
        u_m: f64,
    },
    /// The origin of a measured body: a tag on the sensor's face or on the bumper.
    Body {
        /// Index into the kit's bodies.
        body: usize,
        /// Standard uncertainty, per coordinate, of how well that origin marks the datum, m; 0 where it is the datum.
        u_m: f64,
    },
}

/// What a station's lateral position counts from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LateralFrom {
    /// The thrust line.
    ThrustLine,
    /// The datum point or body (parallel to the thrust line).
    Datum,
}

/// One placement of the target.
#[derive(Clone, Debug)]
pub struct Station {
    /// The name people read.
    pub name: String,
    /// Index, in the kit's bodies, of the body that carries the target.
    pub target: usize,
    /// What distance counts from.
    pub datum: Datum,
    /// What lateral counts from.
    pub lateral_from: LateralFrom,
    /// Required values in the order of [`Component::ALL`], metres and radians.
    pub required: [f64; 6],
    /// Tolerances, plus/minus, in the same order; `None` = the procedure does not ask: reported without a verdict.
    pub tolerance: [Option<f64>; 6],
    /// Distance from the sensor to the target, m, for "what it means at the sensor's range"; where it is not stated, the required
    /// distance is used if the datum is a point or a body, and nothing is said otherwise.
    pub sensor_to_target_m: Option<f64>,
}

/// The published procedure's demand.
#[derive(Clone, Debug)]
pub struct Placement {
    /// Its title.
    pub title: String,
    /// Where it is published.
    pub source: String,
    /// Which revision of it.
    pub revision: String,
    /// What height, pitch and roll are counted against.
    pub reference: Reference,
    /// The stations, in the procedure's order; a body moved between stations carries the index into this list.
    pub stations: Vec<Station>,
}

/// How the target sits on the body that carries it.
#[derive(Clone, Copy, Debug)]
pub struct StandModel {
    /// Index into the kit's bodies.
    pub body: usize,
    /// The target's frame in the body's frame.
    pub body_from_target: Pose<Body, Target>,
    /// Standard uncertainty of each coordinate of the target's origin, m.
    pub u_origin_m: f64,
    /// Standard uncertainty of each of the target's three angles, rad.
    pub u_angle_rad: f64,
    /// Where the stand turns on the floor, in the target's frame, m; `None` = directly below the target's origin.
    pub pivot: Option<Point<Target>>,
}

impl StandModel {
    /// A stand whose body frame is the target's frame, exactly, and that turns below the target's origin.
    pub fn plain(body: usize) -> Self {
        Self {
            body,
            body_from_target: Pose::claim(*Pose::<Body, Body>::identity().iso()),
            u_origin_m: 0.0,
            u_angle_rad: 0.0,
            pivot: None,
        }
    }
}
