//! The car: from wheel plates and floor sheets to the thrust line and the vehicle frame.
//!
//! This file holds what is declared about the car and its floor, what the survey hands over, and the results;
//! [`geometry`] holds the calculation.

pub mod geometry;
mod rolled;
mod thrust;

pub use rolled::{DecisionBodies, rolled_bodies, rolled_wheels};
pub use thrust::{Printout, ThrustChecks, ThrustLine, ThrustSource, travel_heading};

use crate::body::{BodyKind, Kit};
use crate::frames::{Body, Direction, Point, Pose, Vehicle, World};
use crate::survey::{BodyEstimate, Survey, Touched, Touching};
use crate::uncertainty::Estimate;

/// Which wheel.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Corner {
    /// Rear, on the driver's left when facing forward (+Y).
    RearLeft,
    /// Rear right (-Y).
    RearRight,
    /// Front left (+Y).
    FrontLeft,
    /// Front right (-Y).
    FrontRight,
}

impl Corner {
    /// All four.
    pub const ALL: [Corner; 4] = [Corner::RearLeft, Corner::RearRight, Corner::FrontLeft, Corner::FrontRight];

    /// The name people read: "rear left".
    pub fn name(self) -> &'static str {
        match self {
            Corner::RearLeft => "rear left",
            Corner::RearRight => "rear right",
            Corner::FrontLeft => "front left",
            Corner::FrontRight => "front right",
        }
    }

    /// True on the car's left.
    pub fn is_left(self) -> bool {
        matches!(self, Corner::RearLeft | Corner::FrontLeft)
    }

    /// True at the rear axle.
    pub fn is_rear(self) -> bool {
        matches!(self, Corner::RearLeft | Corner::RearRight)
    }
}

/// Where the wheel's centre is, as seen from its plate.
#[derive(Clone, Copy, Debug)]
pub enum HubPlace {
    /// This far (m) behind the plate's origin along the wheel's axis: hub = origin - stand-off * axis.
    /// The plate's unknown tilt therefore moves the hub too.
    StandOff(f64),
    /// At this point of the plate's frame (m), whatever the axis.
    InPlate(Point<Body>),
}

/// One wheel with its plate, as declared.
#[derive(Clone, Copy, Debug)]
pub struct WheelModel {
    /// Which wheel.
    pub corner: Corner,
    /// Index of the plate in the kit's bodies.
    pub plate: usize,
    /// The wheel's axis, pointing away from the car, in the plate's frame; unit length.
    pub axis_in_plate: Direction<Body>,
    /// Limit (rad) of the plate's tilt against the wheel, its direction unknown. Each of the two tilt components then has
    /// the standard uncertainty limit/√2: the component r cos(direction) with uniform direction is arcsine
    /// distributed (JCGM 101:2008, 6.4.6). 0 where the axis is known exactly.
    pub run_out_rad: f64,
    /// Where the wheel's centre is.
    pub hub: HubPlace,
    /// Limit (m) of how far the plate's centre may sit from the wheel's axis, direction unknown (treated as the run-out is).
    pub eccentricity_m: f64,
    /// Standard uncertainty (m) of the hub's place along the axis.
    pub u_stand_off_m: f64,
}

/// A declared length with its standard uncertainty, metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DeclaredLength {
    /// The length, m.
    pub value_m: f64,
    /// Its standard uncertainty, m.
    pub u_m: f64,
}

/// The car, as declared.
#[derive(Clone, Debug)]
pub struct VehicleModel {
    /// Free text.
    pub name: Option<String>,
    /// Free text.
    pub id: Option<String>,
    /// The wheels that carry plates. Both rear ones are needed; front ones are used in pairs.
    pub wheels: Vec<WheelModel>,
    /// Needed only for the datum "front axle" without front plates.
    pub wheelbase: Option<DeclaredLength>,
    /// What else is known of the thrust line.
    pub checks: ThrustChecks,
}

/// The floor under the sheets, as declared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct FloorModel {
    /// Height of the print above the floor, common to all sheets, m.
    pub thickness_m: f64,
    /// Its standard uncertainty, m.
    pub u_thickness_m: f64,
    /// Standard uncertainty of each sheet's own height against the mean floor, m.
    pub u_uneven_m: f64,
    /// Standard uncertainty of each of the floor's two slopes against level, rad (1 mm/m = 0.001 rad). Counts only where
    /// the placement refers to the vertical and no plumb line was seen.
    pub u_level_rad: f64,
    /// The floor's slopes as read off an inclinometer or a bubble, where somebody did; takes the place of `u_level_rad`.
    pub level_reading: Option<LevelReading>,
    /// Standard uncertainty of each of the two tilts of a plumb-line sheet's y axis against the vertical, rad.
    pub u_plumb_rad: f64,
}

/// The slope of the floor as read off an instrument laid on it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LevelReading {
    /// How the floor rises towards the car's front, rad.
    pub rises_forward_rad: f64,
    /// How it rises towards the car's left, rad.
    pub rises_left_rad: f64,
    /// Standard uncertainty of each, as of the whole floor under car and stand, rad.
    pub u_rad: f64,
}

impl Default for FloorModel {
    /// Common practice, no source: prints lie 0 to 2 mm above the floor (1.0 mm, u 0.6 mm), sheets follow a workshop floor within
    /// 0.5 mm, a floor called level slopes 1 mm/m, and a sheet hangs square to its line within 1 mm/m.
    fn default() -> Self {
        Self {
            thickness_m: crate::units::m_from_mm(1.0),
            u_thickness_m: crate::units::m_from_mm(0.6),
            u_uneven_m: crate::units::m_from_mm(0.5),
            u_level_rad: 0.001,
            level_reading: None,
            u_plumb_rad: 0.001,
        }
    }
}

/// A body as the survey found it. A list of these goes with a [`crate::survey::JointCovariance`] in the same order.
#[derive(Clone, Debug, PartialEq)]
pub struct MeasuredBody {
    /// Index into the kit's bodies.
    pub body: usize,
    /// The name people read.
    pub name: String,
    /// What it is for.
    pub kind: BodyKind,
    /// The station at which it stood so, where it was moved between stations.
    pub station: Option<usize>,
    /// The roll position at which it was so, where it moves with the car.
    pub position: Option<usize>,
    /// Its pose.
    pub world_from_body: Pose<World, Body>,
}

/// The survey's bodies as the decision step takes them, in the survey's order.
pub fn measured_bodies(kit: &Kit, survey: &Survey) -> Vec<MeasuredBody> {
    let measured = |estimate: &BodyEstimate| MeasuredBody {
        body: estimate.body,
        name: kit.bodies[estimate.body].name.clone(),
        kind: kit.bodies[estimate.body].kind,
        station: estimate.station,
        position: estimate.position,
        world_from_body: estimate.world_from_body,
    };
    survey.bodies.iter().map(measured).collect()
}

/// The touched points that are bodies of the kit, as the decision step takes them: their places among the points found, and the bodies.
pub fn touched_bodies(kit: &Kit, touching: &Touching, touched: &Touched) -> (Vec<usize>, Vec<MeasuredBody>) {
    let found = touched.points.iter().enumerate();
    let asked = found.filter_map(|(k, point)| Some((k, point, touching.points[point.point].body?)));
    asked
        .map(|(k, point, body)| {
            let measured = MeasuredBody {
                body,
                name: kit.bodies[body].name.clone(),
                kind: kit.bodies[body].kind,
                station: None,
                position: None,
                world_from_body: Pose::claim_rotvec(nalgebra::Vector3::zeros(), point.in_world.coords),
            };
            (k, measured)
        })
        .unzip()
}

/// One wheel as found.
#[derive(Clone, Debug)]
pub struct WheelResult {
    /// Which wheel.
    pub corner: Corner,
    /// Hub centre, m.
    pub hub: Point<Vehicle>,
    /// Axis pointing away from the car, unit length.
    pub axis: Direction<Vehicle>,
    /// Toe against the thrust line, rad, toe-in positive (ISO 8855:2011, 7.1.6, with X along the thrust line: both rear
    /// wheels then show half the total toe).
    pub toe: Estimate,
    /// Toe against the geometric centreline, rad, toe-in positive; only where both front wheels carry plates.
    pub toe_centreline: Option<Estimate>,
    /// Camber, rad, positive when the wheel's top leans outward.
    pub camber: Estimate,
}

/// The car as found.
#[derive(Clone, Debug)]
pub struct VehicleResult {
    /// The vehicle frame (ISO 8855, X along the thrust line, origin on the floor below the midpoint of the rear hubs).
    pub world_from_vehicle: Pose<World, Vehicle>,
    /// The wheels with plates, in the order of [`VehicleModel::wheels`].
    pub wheels: Vec<WheelResult>,
    /// Distance between the rear hub centres, m.
    pub rear_track: Estimate,
    /// Distance of the front axle's midpoint ahead of the rear one's, m; only where both front wheels carry plates.
    pub wheelbase: Option<Estimate>,
    /// Heading of the thrust line against the geometric centreline, rad, positive to the car's left (ISO axes; the trade's "thrust
    /// angle" usually counts right positive: the negative of this). Only where both front wheels carry plates.
    pub thrust_heading: Option<Estimate>,
    /// Slope of the floor against the plumb line, rad: along X (positive: rises forward) and along Y (positive: rises to the left); only
    /// where a plumb line was seen.
    pub floor_slope: Option<[Estimate; 2]>,
    /// How far the front left hub is ahead of the front right one along the geometric centreline, m; only where both front wheels carry plates.
    pub front_set_back: Option<Estimate>,
    /// The thrust line found in other ways, against the bisector of the rear wheels; all agree with it.
    pub thrust_lines: Vec<ThrustLine>,
    /// The two floor sheets between which the floor rises most steeply (indices into the kit's bodies), and how steeply (m/m). Only sheets half a
    /// metre apart or more are compared.
    pub steepest: Option<(usize, usize, Estimate)>,
    /// Each floor sheet's height above the plane through all of them, m: (index into the kit's bodies, height).
    pub sheet_heights: Vec<(usize, Estimate)>,
    /// Each touched point, m: (index into the kit's bodies, x, y and z; z is its height above the floor, or above the level through the floor
    /// below the rear axle where the placement refers to the vertical).
    pub touched: Vec<(usize, [Estimate; 3])>,
}

/// Why the vehicle frame, or a station, could not be had. Not a fault of the program: each names the thing and the remedy.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Unmeasurable {
    /// A rear wheel has no plate declared.
    #[error("no plate is declared for the {} wheel: both rear wheels need one, name it in the job's vehicle.wheels", .0.name())]
    NoPlate(Corner),
    /// A wheel is declared twice.
    #[error("the {} wheel is declared twice: keep one entry in the job's vehicle.wheels", .0.name())]
    WheelTwice(Corner),
    /// A plate was not tied into the survey.
    #[error("the plate of the {} wheel was not measured: photograph it together with floor sheets from several sides", .0.name())]
    PlateNotMeasured(Corner),
    /// Fewer than three floor sheets.
    #[error(
        "{0} floor sheet(s) measured: at least 3, better 6 spread around the car, are needed for the floor plane; lay more or photograph them"
    )]
    TooFewSheets(usize),
    /// The floor sheets lie on one line.
    #[error(
        "the {n} floor sheets lie nearly on one line ({spread_mm:.0} mm across it): lay some on the other side of the car"
    )]
    SheetsOnALine {
        /// Number of sheets.
        n: usize,
        /// Their root-mean-square distance from the best line, mm.
        spread_mm: f64,
    },
    /// A floor sheet that does not face up.
    #[error(
        "floor sheet \"{name}\" is tilted {tilt_deg:.0} deg against the floor through all sheets: lay it flat, or declare it as another kind of body"
    )]
    SheetTilted {
        /// Name of the sheet.
        name: String,
        /// Tilt, degrees.
        tilt_deg: f64,
    },
    /// The plumb line and the floor disagree.
    #[error(
        "the plumb line \"{name}\" leans {tilt_deg:.0} deg against the floor's normal: its sheet's upright direction must hang along the line"
    )]
    PlumbOff {
        /// Name of the plumb-line body.
        name: String,
        /// Angle, degrees.
        tilt_deg: f64,
    },
    /// A wheel's axis points towards the other wheel.
    #[error("the axis of the {} wheel points towards the other side of the car: the plates of the two sides are swapped, or `axis` has the wrong sign", .0.name())]
    AxisInward(Corner),
    /// A wheel's axis is far from horizontal or from the line through the hubs.
    #[error("the axis of the {} wheel is {angle_deg:.0} deg off the line through both rear hubs: the plate is not seated, or `axis` is wrong", corner.name())]
    AxisSkew {
        /// Which wheel.
        corner: Corner,
        /// Angle, degrees.
        angle_deg: f64,
    },
    /// The rear hubs are impossibly near or far.
    #[error(
        "the rear hub centres come out {track_mm:.0} mm apart, which no car has (800 to 3000 mm): check stand-off, tag sides, the tables of bodies with several tags, and which plate is on which wheel"
    )]
    Track {
        /// Distance of the hub centres, mm.
        track_mm: f64,
    },
    /// The front wheels are not in front.
    #[error(
        "the front hubs come out {ahead_mm:.0} mm ahead of the rear ones (1000 to 6000 mm expected): check which plate is on which wheel"
    )]
    FrontNotAhead {
        /// Distance ahead, mm.
        ahead_mm: f64,
    },
    /// The target's body was not tied into the survey at this station.
    #[error(
        "station \"{station}\": the body that carries the target was not measured: photograph it together with floor sheets and rear plates"
    )]
    TargetNotMeasured {
        /// Name of the station.
        station: String,
    },
    /// The datum body was not tied into the survey.
    #[error(
        "station \"{station}\": the body or touched point that is its datum was not measured: photograph it together with floor sheets or the stand"
    )]
    DatumNotMeasured {
        /// Name of the station.
        station: String,
    },
    /// The datum is the front axle, but nothing says where that is.
    #[error(
        "station \"{station}\": its datum is the front axle: put plates on both front wheels or state the wheelbase in the job's vehicle table"
    )]
    NoFrontAxle {
        /// Name of the station.
        station: String,
    },
    /// The target stands on the wrong side of the datum: left and right plates swapped.
    #[error("station \"{station}\": the stand comes out {} the datum, where the placement wants it {} of it: the plates of the left and the right wheels are probably swapped in the job's vehicle.wheels, or distance_mm has the wrong sign in the placement", if *.ahead { "ahead of" } else { "behind" }, if *.ahead { "behind" } else { "ahead" })]
    WrongEnd {
        /// Name of the station.
        station: String,
        /// True where it was found ahead of the datum.
        ahead: bool,
    },
    /// The roll positions give no wheel axes.
    #[error("{0}")]
    Roll(crate::survey::RollFault),
    /// The car did not roll as one rigid thing, or a plate slipped.
    #[error(
        "the roll positions contradict each other (test value {statistic:.0}, limit {limit:.0}): {cause}. Mount the plates firmly, hold the steering straight, and \
         photograph all roll positions again"
    )]
    RollContradicts {
        /// Chi-square of the test.
        statistic: f64,
        /// Its limit.
        limit: f64,
        /// What it most likely means.
        cause: String,
    },
    /// Another way to the thrust line contradicts the rear wheels.
    #[error(
        "the rear wheels' planes and {other} disagree: it points {by_deg:.2} deg to the {side} of their bisector, where U (95 %) of the difference is \
         {expanded_deg:.2} deg. Probably {cause}"
    )]
    ThrustLinesDisagree {
        /// The other way.
        other: &'static str,
        /// Size of the difference, degrees.
        by_deg: f64,
        /// To which side.
        side: &'static str,
        /// Its expanded uncertainty, degrees.
        expanded_deg: f64,
        /// Likely causes and the remedy.
        cause: &'static str,
    },
    /// Two ways to the vertical contradict each other.
    #[error(
        "the plumb line and the inclinometer reading disagree: by {by_mm_per_m:.1} mm/m {axis}, where U (95 %) of the difference is {expanded_mm_per_m:.1} \
         mm/m. Check that the plumb line hangs free and still, and the signs and places of the reading"
    )]
    VerticalsDisagree {
        /// Difference, mm/m.
        by_mm_per_m: f64,
        /// Along which axis.
        axis: &'static str,
        /// Its expanded uncertainty, mm/m.
        expanded_mm_per_m: f64,
    },
    /// A number that is not finite, or a negative uncertainty.
    #[error("{what} is not a usable number: check the entry")]
    BadNumber {
        /// What it is.
        what: String,
    },
    /// The covariance does not go with the list of bodies.
    #[error("the survey's covariance is {got} x {got}, but {bodies} bodies need {} x {}", bodies * 6, bodies * 6)]
    CovarianceShape {
        /// Rows of the covariance.
        got: usize,
        /// Number of bodies.
        bodies: usize,
    },
}
