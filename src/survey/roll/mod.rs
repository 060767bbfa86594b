//! The rolled car: its wheels turned and the car moved between roll positions, everything else stood still.
//!
//! The plates are bodies of their own at each position while the network is put together and its outliers are found. The last
//! adjustment then ties them together: one clamp pose for each wheel, one place of the car for each position ([`model`] has the equations).
//! What this costs in chi-square is the test of the assumption that nothing slipped and the steering was not turned.

pub(crate) mod model;
mod solve;
mod start;

pub(super) use model::{RollLayout, RollState, blocks};
pub(super) use solve::{WheelMap, wheel_steps};

use crate::frames::{Body, Direction, Point, Pose, Vehicle, World};
use thiserror::Error;

/// Where a wheel's centre is believed to be before the car is rolled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HubBefore {
    /// This far (m) behind the plate's origin along the wheel's axis, whichever way that turns out to point.
    OnAxis(f64),
    /// At this point of the plate's frame, m.
    InPlate(Point<Body>),
}

/// A wheel whose plate turned with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RolledWheel {
    /// Index of the plate in the kit's bodies.
    pub plate: usize,
    /// The wheel's axis as declared, away from the car, in the plate's frame, unit length; only its side is used.
    pub axis_in_plate: Direction<Body>,
    /// The wheel's centre as declared.
    pub hub: HubBefore,
    /// Standard uncertainty (m) of the declared centre along each of two directions square to the axis.
    pub u_aside_m: f64,
    /// Standard uncertainty (m) of the declared centre along the axis: rolling cannot see it.
    pub u_along_m: f64,
}

/// How steadily a car rolls: standard uncertainties by which each wheel sits elsewhere at each roll position than a rigid car on a
/// plane would have it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steadiness {
    /// Height of a wheel's centre: suspension, tyre out of round, floor under it, m.
    pub u_height_m: f64,
    /// Fore and aft, and sideways: rubber in the suspension, m.
    pub u_level_m: f64,
    /// Direction of the axis seen from above (toe), rad.
    pub u_toe_rad: f64,
    /// Tilt of the axis against the floor (camber), rad.
    pub u_camber_rad: f64,
    /// Curvature of the car's way between two positions: steering that is not quite straight, 1/m.
    pub u_curvature: f64,
    /// Slope of the floor under the wheels against the floor through all sheets, for each of two directions, rad.
    pub u_slope_rad: f64,
}

impl Default for Steadiness {
    /// Common practice, no source: tyres run true within half a millimetre, rubber gives a tenth of one, a wheel that is rolled straight and let go
    /// keeps its toe within 0.005 and its camber within 0.02 degrees, front wheels held straight by eye point 0.3 degrees off (about 5 at the
    /// steering wheel, 0.002 1/m), a workshop floor slopes 1 mm/m over a metre.
    fn default() -> Self {
        Self {
            u_height_m: crate::units::m_from_mm(0.4),
            u_level_m: crate::units::m_from_mm(0.1),
            u_toe_rad: crate::units::rad_from_deg(0.005),
            u_camber_rad: crate::units::rad_from_deg(0.02),
            u_curvature: 0.002,
            u_slope_rad: 0.001,
        }
    }
}

/// A car that was rolled between roll positions.
#[derive(Clone, Debug, PartialEq)]
pub struct RolledCar {
    /// Names of the positions, in the order of [`super::Photo::position`]; at least two.
    pub positions: Vec<String>,
    /// The wheels with plates.
    pub wheels: Vec<RolledWheel>,
    /// Other bodies (indices into the kit's) that ride on the car.
    pub riders: Vec<usize>,
    /// How steadily it rolls.
    pub steadiness: Steadiness,
}

impl RolledCar {
    /// True for a body that moves with the car.
    pub fn carries(&self, body: usize) -> bool {
        self.riders.contains(&body) || self.wheels.iter().any(|w| w.plate == body)
    }
}

/// Why the roll positions give no wheel axes.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum RollFault {
    /// A plate that was not seen at two positions.
    #[error(
        "the plate \"{plate}\" was measured at {n} of the roll positions and needs two: photograph it at each, together with floor sheets"
    )]
    SeenOnce {
        /// The plate.
        plate: String,
        /// Positions at which it was measured.
        n: usize,
    },
    /// Positions that are (nearly) one and the same turn of the wheel.
    #[error(
        "the wheel with the plate \"{plate}\" stands nearly alike at all roll positions: the largest difference is {turn_deg:.1} deg (a whole turn counts \
         as none), and its axis needs {least_deg:.0} deg, better 60 to 180. Roll the car further, by a quarter to half a turn of the wheels"
    )]
    TurnedTooLittle {
        /// The plate.
        plate: String,
        /// Largest turn, degrees.
        turn_deg: f64,
        /// Least turn, degrees.
        least_deg: f64,
    },
    /// The plate turned about something that is not the wheel's axis.
    #[error(
        "the plate \"{plate}\" turned between the roll positions about an axis {off_deg:.0} deg off the declared one: the clamp slipped, or `axis` is wrong"
    )]
    AxisFar {
        /// The plate.
        plate: String,
        /// Angle, degrees.
        off_deg: f64,
    },
    /// No plate ties this position to the others.
    #[error(
        "no plate was measured at roll position \"{position}\": photograph the plates there, together with floor sheets"
    )]
    PositionEmpty {
        /// The position.
        position: String,
    },
    /// No floor.
    #[error("{n} floor sheet(s) measured: at least 3 are needed to roll a car over")]
    NoFloor {
        /// Sheets.
        n: usize,
    },
    /// The adjustment does not determine something of it.
    #[error("the roll positions cannot be put together: {0}")]
    NotSolved(String),
}

/// A wheel as found by rolling.
#[derive(Clone, Debug, PartialEq)]
pub struct WheelFound {
    /// Index of the plate in the kit's bodies.
    pub plate: usize,
    /// Axis, outward, unit, in the plate's frame.
    pub axis_in_plate: Direction<Body>,
    /// Wheel's centre in the plate's frame, m.
    pub hub_in_plate: Point<Body>,
    /// Angle (rad) between the axis as found and as declared.
    pub run_out_rad: f64,
    /// By position where it was seen: (position, turn (rad) since the first of them, counter-clockwise seen from outside, ±π).
    pub turns: Vec<(usize, f64)>,
}

/// A wheel at a roll position: its frame has z along the axis outward and its origin in the wheel's centre.
#[derive(Clone, Debug, PartialEq)]
pub struct WheelPlace {
    /// Index of the plate in the kit's bodies.
    pub plate: usize,
    /// The position.
    pub position: usize,
    /// Where the wheel is.
    pub world_from_wheel: Pose<World, Body>,
}

/// One tie of the rolled car (a body at a position) that does not hold as well as the others.
#[derive(Clone, Debug, PartialEq)]
pub struct RollSuspect {
    /// Index into the kit's bodies.
    pub body: usize,
    /// The position.
    pub position: usize,
    /// By how much chi-square falls without this tie.
    pub statistic: f64,
    /// Degrees of freedom of that.
    pub dof: usize,
    /// How far the body is from where the rest says it should be: turn about the car's z (rad), then x (along the way), y, z (m) of its
    /// centre.
    pub off: [f64; 4],
}

/// The test of the assumption that the car rolled as one rigid thing and no plate slipped.
#[derive(Clone, Debug, PartialEq)]
pub struct RollCheck {
    /// Chi-square that the ties cost.
    pub statistic: f64,
    /// Degrees of freedom.
    pub dof: usize,
    /// Limit of the statistic.
    pub limit: f64,
    /// Only where the test fails: the ties whose removal helps most, first the most.
    pub suspects: Vec<RollSuspect>,
}

impl RollCheck {
    /// True where nothing speaks against the assumption.
    pub fn passed(&self) -> bool {
        self.statistic <= self.limit
    }
}

/// The rolled car as found.
#[derive(Clone, Debug, PartialEq)]
pub struct Roll {
    /// By position: where the car is. Its frame has z square to the floor under the wheels; only differences of these poses mean anything.
    pub world_from_car: Vec<Pose<World, Vehicle>>,
    /// The wheels, in the order of [`RolledCar::wheels`].
    pub wheels: Vec<WheelFound>,
    /// Every wheel at every position where its plate was seen.
    pub places: Vec<WheelPlace>,
    /// The test.
    pub check: RollCheck,
}
