//! The survey: one least-squares solution of all photographs together, with the covariance of every body relative to every other.

use crate::body::Kit;
use crate::camera::{Lens, N_LENS};
use crate::frames::{Body, Camera, Pose, World};
use nalgebra::{DMatrix, SMatrix, Vector2};

/// One tag as seen in one photograph.
#[derive(Clone, Debug, PartialEq)]
pub struct TagView {
    /// Id in the 36h11 family.
    pub id: u16,
    /// Corners, pixels as seen, counter-clockwise from the lower left as seen on the upright print.
    pub corners: [Vector2<f64>; 4],
    /// Covariance of (x0, y0, x1, y1, ...), px².
    pub cov: SMatrix<f64, 8, 8>,
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
}

/// A body as found: one for each body, or for each body and station where it was moved in between.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyEstimate {
    /// Index into `kit.bodies`.
    pub body: usize,
    /// The station, where this body has one pose a station.
    pub station: Option<usize>,
    /// Its pose.
    pub world_from_body: Pose<World, Body>,
    /// Number of photographs that hold it.
    pub n_photos: usize,
}

/// A photograph as found.
#[derive(Clone, Debug, PartialEq)]
pub struct PhotoEstimate {
    /// Index into `SurveyInput::photos`.
    pub photo: usize,
    /// Its pose.
    pub camera_from_world: Pose<Camera, World>,
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
