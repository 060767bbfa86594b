//! The survey: one least-squares solution of all photographs together, with the covariance of every body relative to every other.

mod adjust;
mod allowed;
mod bundle;
mod covariance;
mod drift;
mod expected;
mod ground;
mod grow;
pub mod integrity;
mod mirrors;
mod network;
mod outcome;
mod pieces;
mod places;
mod planned;
mod pointer;
mod problem;
mod redraw;
mod roll;
mod rows;
mod shared;
mod unknowns;

pub use adjust::{adjust, adjust_watched};
pub use drift::{LensDrift, lens_drift, lens_drift_of_free};
pub use expected::ExpectedCorners;
pub use ground::{Ground, GroundTag};
pub use places::{FoundPlace, FoundPlaces};
pub use planned::{PlannedPhoto, Planner, StandingTag};
pub use pointer::{
    FEWEST_HOLDS, Hold, HoldResult, LEAST_TILT_RAD, MeasuredTip, PointFound, Pointer, TipFound, TouchFault, TouchPoint,
    Touched, Touching,
};
pub use redraw::{Redraw, Redrawing, Redrawn};
pub use roll::{
    HubBefore, Roll, RollCheck, RollFault, RollSuspect, RolledCar, RolledWheel, Steadiness, WheelFound, WheelPlace,
};

use crate::body::Kit;
use crate::camera::{Lens, N_LENS};
use crate::frames::{Body, Camera, Pose, World};
use crate::tags::Detection;
use crate::tags::margin::Beyond;
use nalgebra::{DMatrix, SMatrix, Vector2};
use thiserror::Error;

/// One tag as seen in one photograph.
#[derive(Clone, Debug, PartialEq)]
pub struct TagView {
    /// Id in the 36h11 family.
    pub id: u16,
    /// Corners, pixels as seen, counter-clockwise from the lower left as seen on the upright print.
    pub corners: [Vector2<f64>; 4],
    /// Covariance of (x0, y0, x1, y1, ...), px².
    pub cov: SMatrix<f64, 8, 8>,
    /// What may be beyond the tag's white margin, by side: an error that is the same in all views of the tag and alike for all tags. `cov` holds it as for one view alone.
    pub beyond: Beyond,
}

impl TagView {
    /// A view that shares no error with others.
    pub fn new(id: u16, corners: [Vector2<f64>; 4], cov: SMatrix<f64, 8, 8>) -> Self {
        Self { id, corners, cov, beyond: Beyond::zeros() }
    }
}

impl From<Detection> for TagView {
    fn from(d: Detection) -> Self {
        Self { id: d.id, corners: d.corners, cov: d.cov, beyond: d.beyond }
    }
}

/// One photograph, reduced to the tags seen in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Photo {
    /// The name people read (the file's).
    pub name: String,
    /// Index into [`SurveyInput::lenses`].
    pub lens: usize,
    /// Which placement of the movable bodies it shows; 0 where there is only one.
    pub station: usize,
    /// The roll position in which the car stood; 0 where it was not rolled.
    pub position: usize,
    /// Which hold of the pointer it shows (index into [`Touching::holds`]); a pointer seen in a photograph without one is left out.
    pub hold: Option<usize>,
    /// The tags seen.
    pub tags: Vec<TagView>,
}

/// What the survey may do to a lens.
#[derive(Clone, Debug, PartialEq)]
pub enum LensFreedom {
    /// Taken as exact.
    Held,
    /// Corrected within this covariance (its profile's), in the order of [`crate::camera::LENS_PARAMETERS`].
    Measured(Box<SMatrix<f64, N_LENS, N_LENS>>),
    /// The parameters marked `true` are found from these photographs alone.
    Free([bool; N_LENS]),
}

/// A lens and what may be done to it.
#[derive(Clone, Debug, PartialEq)]
pub struct LensInput {
    /// Start values.
    pub lens: Lens,
    /// What the survey may change.
    pub freedom: LensFreedom,
}

/// Everything the survey works on.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyInput {
    /// Known geometry. Tags seen that belong to no body are reported and left out.
    pub kit: Kit,
    /// The lenses the photographs name.
    pub lenses: Vec<LensInput>,
    /// The photographs.
    pub photos: Vec<Photo>,
    /// Bodies (indices into `kit.bodies`) that stand elsewhere at each station: each gets one pose a station.
    pub moved_between_stations: Vec<usize>,
    /// The car was rolled between roll positions: what moved with it. `None`: it stood still.
    pub rolled: Option<RolledCar>,
}

/// Mirror margins below this leave open which of the two poses is the true one.
pub const CLEAR_MIRROR_MARGIN: f64 = 15.0;

/// A body as found: one for each body, or for each body and station where it was moved in between.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyEstimate {
    /// Index into `kit.bodies`.
    pub body: usize,
    /// The station, where this body has one pose a station.
    pub station: Option<usize>,
    /// The roll position, where this body moves with the car.
    pub position: Option<usize>,
    /// The hold, where this body is a pointer.
    pub hold: Option<usize>,
    /// Its pose.
    pub world_from_body: Pose<World, Body>,
    /// Number of photographs that hold it.
    pub n_photos: usize,
    /// How much worse (chi-square) its mirror pose fits, where it has one; see [`CLEAR_MIRROR_MARGIN`].
    pub mirror_margin: Option<f64>,
}

/// A photograph as found.
#[derive(Clone, Debug, PartialEq)]
pub struct PhotoEstimate {
    /// Index into `SurveyInput::photos`.
    pub photo: usize,
    /// Its pose.
    pub camera_from_world: Pose<Camera, World>,
    /// Root mean square length of the corner residuals of the tags used, pixels.
    pub rms_px: f64,
    /// Number of tags used.
    pub n_tags: usize,
}

/// Where a part of the survey's uncertainty comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// Where the corners were found in the images.
    Corners,
    /// The lens profile.
    Lens,
    /// The printed size of the tags.
    SheetScale,
    /// Where the tags sit on their bodies.
    TagPlaces,
    /// Where the wheels' centres sit in their plates, as declared.
    Hubs,
    /// How steadily the car rolled.
    Rolling,
    /// How well the pointer's tip sits on what it touches, and the tip as measured beforehand.
    Touch,
}

/// Why a tag is not used that the kit does not have.
pub const NO_BODY: &str = "no body declares this id";

/// A tag view that is not used, and why.
#[derive(Clone, Debug, PartialEq)]
pub struct Dropped {
    /// Index into `SurveyInput::photos`.
    pub photo: usize,
    /// The tag's id.
    pub id: u16,
    /// Why, in words.
    pub reason: String,
}

/// One tag view after the adjustment.
#[derive(Clone, Debug, PartialEq)]
pub struct ViewResult {
    /// Index into `SurveyInput::photos`.
    pub photo: usize,
    /// Index into `Survey::bodies`.
    pub body: usize,
    /// The tag's id.
    pub id: u16,
    /// Predicted − seen for each corner, pixels.
    pub residual_px: [Vector2<f64>; 4],
    /// Sum of the redundancy numbers of its eight coordinates (0..8): how far the rest of the network checks it.
    pub redundancy: f64,
    /// Test value: chi-square with `dof` degrees of freedom if the view is as good as its covariance says.
    pub statistic: f64,
    /// Degrees of freedom of the test.
    pub dof: usize,
    /// False where the test rejected it; its residual is then against the network without it.
    pub used: bool,
}

/// How the survey is run.
#[derive(Clone, Debug, PartialEq)]
pub struct SurveyOptions {
    /// Chance that the outlier test rejects any good view at all, over the whole survey. It is shared out evenly over the views (Bonferroni).
    pub false_alarm: f64,
    /// Largest share of views that may be rejected before the survey gives up explaining them as outliers.
    pub max_rejected: f64,
}

impl Default for SurveyOptions {
    fn default() -> Self {
        Self { false_alarm: 0.001, max_rejected: 0.3 }
    }
}

/// What [`adjust_watched`] has just finished. A stage can come more than once.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stage {
    /// Each body's poses in each photograph.
    Poses,
    /// The network put together.
    Network,
    /// The robust adjustment that may still hold gross errors.
    Rough,
    /// Mirror poses tried again.
    Mirrors,
    /// Noise level and adjustment brought together.
    Weighing,
    /// The covariance.
    Covariance,
    /// The test of every view.
    ViewTests,
    /// The tests of the survey's assumptions.
    FaultTests,
    /// The last adjustment.
    Final,
    /// Everything written out.
    Result,
}

impl Stage {
    /// In a word or two.
    pub fn name(self) -> &'static str {
        match self {
            Stage::Poses => "single poses",
            Stage::Network => "network",
            Stage::Rough => "robust adjustment",
            Stage::Mirrors => "mirror poses",
            Stage::Weighing => "weighing",
            Stage::Covariance => "covariance",
            Stage::ViewTests => "tests of views",
            Stage::FaultTests => "tests for faults",
            Stage::Final => "last adjustment",
            Stage::Result => "result",
        }
    }
}

/// The solution.
#[derive(Clone, Debug)]
pub struct Survey {
    /// Every body (and station) that is tied in.
    pub bodies: Vec<BodyEstimate>,
    /// Every photograph that is tied in.
    pub photos: Vec<PhotoEstimate>,
    /// The lenses as corrected.
    pub lenses: Vec<Lens>,
    /// Standard uncertainties of the lens parameters after the survey; zero for those held.
    pub lens_sigma: Vec<[f64; N_LENS]>,
    /// Covariance of the lens parameters after the survey; zero for those held.
    pub lens_cov: Vec<SMatrix<f64, N_LENS, N_LENS>>,
    /// Relative print scale error found for each print group, along the print's right and its up.
    pub print_scale: Vec<[f64; 2]>,
    /// Every view of the tied-in part, used or rejected.
    pub views: Vec<ViewResult>,
    /// Views that could not take part.
    pub dropped: Vec<Dropped>,
    /// Photographs that are not tied in, with the reason.
    pub untied_photos: Vec<(usize, String)>,
    /// Bodies of the kit that are not tied in, with the reason.
    pub untied_bodies: Vec<(usize, String)>,
    /// Index into `bodies` of the one that is held.
    pub reference: usize,
    /// Number of observed values (corner coordinates and measured values) minus number of unknowns.
    pub redundancy: f64,
    /// A-posteriori standard deviation of unit weight; 1 where the stated covariances explain the residuals.
    pub sigma0: f64,
    /// Corner noise, pixels, that had to be added to the detector's own covariance to explain the residuals.
    pub unmodelled_px: f64,
    /// Levenberg-Marquardt steps, all rounds together.
    pub iterations: usize,
    /// The rolled car, or why the roll positions do not give it; `None` where it was not rolled.
    pub roll: Option<Result<Roll, RollFault>>,
    /// Every test of the survey's assumptions with its outcome; named faults first.
    pub integrity: Vec<integrity::Tested>,
    /// By how much the variance of what whole photographs say exceeds what their corners' own covariances explain (errors that the corners of
    /// one photograph share); 1 where it does not clearly. The corners' part of the covariance is larger by it.
    pub spread: f64,
    /// What faults that just escape these tests could do.
    pub hidden: Vec<integrity::Hidden>,
    covariance: covariance::Covariance,
    instances: Vec<usize>,
    wheel_maps: Vec<roll::WheelMap>,
    state: unknowns::State,
    extent: unknowns::Extent,
}

impl Survey {
    /// Index into `bodies` of a body of the kit at a station.
    pub fn find(&self, body: usize, station: usize) -> Option<usize> {
        self.bodies.iter().position(|b| b.body == body && b.station.is_none_or(|s| s == station))
    }

    /// Index into `bodies` of a body that moves with the car, at a roll position.
    pub fn find_rolled(&self, body: usize, position: usize) -> Option<usize> {
        self.bodies.iter().position(|b| b.body == body && b.position == Some(position))
    }

    /// Joint covariance of several bodies' poses, in the order given (indices into `bodies`).
    pub fn joint(&self, bodies: &[usize]) -> JointCovariance {
        let instances: Vec<usize> = bodies.iter().map(|b| self.instances[*b]).collect();
        self.covariance.joint(&instances)
    }

    /// The same for bodies and, after them, for wheels at roll positions (indices into [`Roll::places`]).
    pub fn joint_with_wheels(&self, bodies: &[usize], places: &[usize]) -> JointCovariance {
        let mut maps: Vec<_> = bodies.iter().map(|b| self.covariance.map_of(self.instances[*b])).collect();
        maps.extend(places.iter().map(|p| self.wheel_maps[*p].clone()));
        self.covariance.joint_of(&maps)
    }

    /// Lengths of all used corner residuals, pixels.
    pub fn residual_lengths_px(&self) -> Vec<f64> {
        self.views.iter().filter(|v| v.used).flat_map(|v| v.residual_px.iter().map(|r| r.norm())).collect()
    }
}

/// Why there is no survey.
#[derive(Clone, Debug, PartialEq, Error)]
pub enum SurveyError {
    /// A photograph names a lens that is not there.
    #[error("photograph {photo} names a lens that the survey was not given")]
    NoSuchLens {
        /// The photograph.
        photo: String,
    },
    /// Start values that are no lens.
    #[error("the lens profile cannot be used: {reason}")]
    Lens {
        /// Why.
        reason: String,
    },
    /// Fewer than two things linked.
    #[error(
        "no two bodies are linked by a photograph ({n_photos} photographs, {n_views} tags of known bodies seen): \
         take photographs that each show at least two bodies"
    )]
    NothingLinked {
        /// Photographs given.
        n_photos: usize,
        /// Usable tag views.
        n_views: usize,
    },
    /// Something the photographs do not determine.
    #[error("the photographs do not determine {what}: take more photographs of it, from other directions")]
    Undetermined {
        /// What.
        what: String,
    },
    /// The solution has a tag behind a camera.
    #[error("the network could not be put together: a tag came out behind a camera. Look for one tag id in two places")]
    BehindCamera,
    /// No convergence, or too much rejected.
    #[error(
        "the photographs contradict each other: {rejected} of {views} tag views had to be rejected. Look for a body that was moved between \
         photographs, a tag id in two places, or a wrong side length"
    )]
    Contradiction {
        /// Views rejected.
        rejected: usize,
        /// Views in all.
        views: usize,
    },
}

/// The joint covariance of several bodies' poses.
///
/// Order: for each body six numbers, the step δ of `world_from_body · exp(δ)`, δ = [rotation (rad), translation (m)] in the body's
/// own axes ([`Pose::moved_right`]). The survey's reference body has zero covariance: only functions of the bodies' places relative to each
/// other make sense, and for these the choice of the reference does not matter.
#[derive(Clone, Debug, PartialEq)]
pub struct JointCovariance {
    /// 6n × 6n.
    pub cov: DMatrix<f64>,
    /// The same, split by where it comes from; the parts add up to `cov`.
    pub parts: Vec<(Source, DMatrix<f64>)>,
}
