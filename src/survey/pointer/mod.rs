//! Points by touch: a pointer with tags is held so that its tip sits on a point, and photographed together with other bodies.
//!
//! Every hold of the pointer has a pose of its own, found by the survey like any body's. What ties the holds together is that the tip is the
//! same place on the pointer in all of them, and the same place in the world in all that touch one point; [`solve`] has the equations. Pivoting
//! about a fixed point is nothing but touching a point that nobody asks for: it finds the tip. The ties are solved after the adjustment, on the
//! joint covariance of all holds and bodies, so that a tip that slipped cannot spoil the network.

mod solve;

use super::covariance::PoseMap;
use super::{JointCovariance, Source, Survey};
use crate::frames::{Body, Point, World};
use nalgebra::{DMatrix, Vector3};
use thiserror::Error;

/// Fewest holds of a point: with one nothing shows a slipped tip. Common practice, no source.
pub const FEWEST_HOLDS: usize = 2;

/// Fewest holds beyond one for each point that must go into a tip that is not measured otherwise. Common practice, no source: four tilts.
pub const FEWEST_TILTS: usize = 3;

/// How much (rad, root mean square) even the direction on the pointer that moves least must move over the holds of a tip that is not measured
/// otherwise. Common practice, no source: the tip is known along a direction about as well as the pointer's own place divided by this.
pub const LEAST_TILT_RAD: f64 = crate::units::rad_from_deg(8.0);

/// The tip as measured beforehand.
#[derive(Clone, Copy, Debug)]
pub struct MeasuredTip {
    /// Its place in the pointer's frame, m.
    pub at: Point<Body>,
    /// Standard uncertainty of each coordinate, m; greater than 0.
    pub u_m: f64,
}

/// A pointer.
#[derive(Clone, Copy, Debug)]
pub struct Pointer {
    /// Index into the kit's bodies, of kind [`crate::body::BodyKind::Pointer`].
    pub body: usize,
    /// Its tip, where it was measured; else the holds find it.
    pub tip: Option<MeasuredTip>,
    /// Standard uncertainty (m, each coordinate) of where the tip sits on the point, anew in each hold; greater than 0.
    pub u_touch_m: f64,
    /// Radius of the tip, m: the point touched is somewhere on that ball, in all holds of one point alike.
    pub radius_m: f64,
}

impl Pointer {
    /// Standard uncertainty (m) of each coordinate that the tip's radius leaves: a vector of that length in an unknown direction of space has
    /// components evenly distributed within ± radius (Archimedes: equal zones of a sphere), with the standard deviation radius/√3
    /// (JCGM 100:2008, 4.3.7).
    pub fn u_radius_m(&self) -> f64 {
        self.radius_m / 3f64.sqrt()
    }
}

/// A point to be touched.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TouchPoint {
    /// The name people read.
    pub name: String,
    /// Its index in the kit's bodies (a body without tags); `None` for a point that only serves to pivot about.
    pub body: Option<usize>,
}

/// One hold: the pointer sat still with its tip on a point. [`super::Photo::hold`] says which photographs show it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hold {
    /// Index into [`Touching::points`].
    pub point: usize,
    /// Its photograph, for people.
    pub photograph: String,
}

/// Everything that the survey is told of a pointer.
#[derive(Clone, Debug)]
pub struct Touching {
    /// The pointer.
    pub pointer: Pointer,
    /// The points.
    pub points: Vec<TouchPoint>,
    /// The holds.
    pub holds: Vec<Hold>,
}

/// Why a point or the tip could not be had.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum TouchFault {
    /// Not enough usable holds of a point.
    #[error(
        "{got} usable hold(s) of the pointer touch it and {needed} are needed, better 4 or more: a single touch shows no slip. Touch it again with the pointer held \
         otherwise, and photograph each hold together with at least two other tags"
    )]
    TooFewHolds {
        /// Usable holds.
        got: usize,
        /// Holds needed.
        needed: usize,
    },
    /// Not enough holds to find the tip.
    #[error(
        "the pointer's tip is not measured and its {got} usable hold(s) are {short} too few to find it: photograph at least {needed} holds, better 12, with the \
         tip in one hollow and the pointer tilted to all sides (pivoting), or enter the tip's place as at_mm with u_mm"
    )]
    TooFewTilts {
        /// Usable holds.
        got: usize,
        /// Holds needed where all pivot about one point.
        needed: usize,
        /// How many are missing.
        short: usize,
    },
    /// Tilted too little, or about one axis only.
    #[error(
        "the pointer's tip cannot be found from holds that are so alike: over {n} holds the pointer moved by only {tilt_deg:.1} deg (root mean square) in the \
         direction in which it moved least, and {least_deg:.0} deg are needed. Pivot again, tilting it by 30 deg and more forwards, backwards and to both sides"
    )]
    TiltedTooLittle {
        /// Usable holds.
        n: usize,
        /// Root mean square movement, degrees.
        tilt_deg: f64,
        /// Needed, degrees.
        least_deg: f64,
    },
    /// Holds that contradict each other.
    #[error(
        "its holds contradict each other (the tip is {off_mm:.1} mm off in {photograph}; test value {statistic:.1}, limit {limit:.1}), and too few agree to say which \
         slipped: touch it again in at least three more holds"
    )]
    HoldsDisagree {
        /// Distance of the tip from where the others put it, mm.
        off_mm: f64,
        /// The photograph of the worst hold.
        photograph: String,
        /// Test value.
        statistic: f64,
        /// Limit.
        limit: f64,
    },
    /// The equations do not determine something.
    #[error("the touched points cannot be worked out from these holds: {0}")]
    NotSolved(String),
}

/// A hold after the solution.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldResult {
    /// Index into [`Touching::holds`].
    pub hold: usize,
    /// How far (m, world axes) the tip sat beside the point where this hold alone is at fault; zero where the hold could not be used at all.
    pub off_m: Vector3<f64>,
    /// Test value: chi-square with `dof` degrees of freedom where tip, corners and declared uncertainties are as stated.
    pub statistic: f64,
    /// Degrees of freedom; 0 where the other holds do not check it.
    pub dof: usize,
    /// Limit of the test value.
    pub limit: f64,
    /// Why it was left out; `None` where it is used.
    pub left_out: Option<String>,
}

/// A point as found.
#[derive(Clone, Debug)]
pub struct PointFound {
    /// Index into [`Touching::points`].
    pub point: usize,
    /// Where it is.
    pub in_world: Point<World>,
    /// Holds used.
    pub n_holds: usize,
}

/// The tip as found.
#[derive(Clone, Debug)]
pub struct TipFound {
    /// Where it is on the pointer, m.
    pub at: Point<Body>,
    /// Standard uncertainties of its coordinates, m.
    pub u_m: Vector3<f64>,
    /// Holds used, of all points.
    pub n_holds: usize,
    /// Root mean square movement (rad) of the direction on the pointer that moved least, over these holds.
    pub least_tilt_rad: f64,
}

/// What touching gave.
#[derive(Clone, Debug)]
pub struct Touched {
    /// The tip, or why it is not known.
    pub tip: Result<TipFound, TouchFault>,
    /// The points that were found, in the order of [`Touching::points`]; those that only serve to pivot about included.
    pub points: Vec<PointFound>,
    /// Points that were not found (index into [`Touching::points`]), and why.
    pub not_found: Vec<(usize, TouchFault)>,
    /// Every hold.
    pub holds: Vec<HoldResult>,
    /// By point found: how it follows from the adjustment's columns.
    maps: Vec<PoseMap>,
    /// Covariance (m²) of the points found, three rows each, from what is no part of the adjustment: touch, tip as measured, radius.
    own: DMatrix<f64>,
}

impl Touched {
    /// How points (indices into `points`) follow from the adjustment's columns.
    pub(super) fn point_maps<'a>(&'a self, points: &'a [usize]) -> impl Iterator<Item = PoseMap> + 'a {
        points.iter().map(|p| self.maps[*p].clone())
    }
}

impl Survey {
    /// The tip and every touched point from the pointer's poses and their joint covariance.
    ///
    /// Holds that contradict the others beyond a chance of 0.1 % over all holds are left out, or, where too few agree, the point is refused.
    pub fn touch(&self, touching: &Touching) -> Touched {
        solve::solve(self, touching)
    }

    /// Joint covariance of bodies (indices into `bodies`), wheels at roll positions (indices into [`super::Roll::places`]) and, after them, of
    /// points (indices into [`Touched::points`]), as bodies whose axes are the world's and do not turn.
    pub fn joint_with_points(
        &self,
        bodies: &[usize],
        places: &[usize],
        touched: &Touched,
        points: &[usize],
    ) -> JointCovariance {
        let first = bodies.len() + places.len();
        let mut joint = self.covariance.joint_of(&self.maps(bodies, places, touched, points));
        let row = |k: usize| 6 * (first + k / 3) + 3 + k % 3;
        let mut own = DMatrix::zeros(joint.cov.nrows(), joint.cov.ncols());
        let from = |k: usize| 3 * points[k / 3] + k % 3;
        for i in 0..3 * points.len() {
            for j in 0..3 * points.len() {
                own[(row(i), row(j))] = touched.own[(from(i), from(j))];
            }
        }
        joint.cov += &own;
        joint.parts.push((Source::Touch, own));
        joint
    }

    /// How bodies, wheels and points follow from the adjustment's columns.
    fn maps(&self, bodies: &[usize], places: &[usize], touched: &Touched, points: &[usize]) -> Vec<PoseMap> {
        let mut maps: Vec<_> = bodies.iter().map(|b| self.covariance.map_of(self.instances[*b])).collect();
        maps.extend(places.iter().map(|p| self.wheel_maps[*p].clone()));
        maps.extend(touched.point_maps(points));
        maps
    }

    /// 6m × n: derivatives of the steps of bodies, wheels and points (as in [`Survey::joint_with_points`]) by the adjustment's columns, for
    /// [`super::integrity::Hidden::effect`].
    pub fn steps_with_points_by_column(
        &self,
        bodies: &[usize],
        places: &[usize],
        touched: &Touched,
        points: &[usize],
    ) -> DMatrix<f64> {
        self.covariance.stacked(&self.maps(bodies, places, touched, points))
    }
}
