//! Known geometry: which tags sit where on which rigid thing, and how well that is known.

use crate::frames::{Body, Pose, Tag};
use nalgebra::{DMatrix, DVector, Matrix6, Vector3};

/// Corners of a tag of side 1 in its own frame, counter-clockwise from the lower left as seen on the upright print.
pub const UNIT_CORNERS: [[f64; 2]; 4] = [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]];

/// What a body is for. Decides only how the later stages use it; the survey treats all alike, but for a pointer, which has a pose of its own in
/// each hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BodyKind {
    /// A loose sheet that lies on the floor.
    FloorSheet,
    /// A rigid board clamped to a wheel.
    Plate,
    /// What holds the calibration target.
    Stand,
    /// A sheet on a plumb line: its y axis hangs along the vertical.
    PlumbLine,
    /// A rod with tags and a tip that points are touched with.
    Pointer,
    /// A point that was touched with a pointer; it has no tags.
    TouchedPoint,
    /// Anything else rigid that ties the network together or serves as a datum.
    Other,
}

/// How a tag's place on its body is known.
#[derive(Clone, Debug, PartialEq)]
pub enum TagPlace {
    /// Exactly (or so well that it does not matter).
    Known(Pose<Body, Tag>),
    /// Measured: the survey treats the place as an observation with this covariance of the step
    /// `body_from_tag · exp(δ)`, δ = [rotation (rad), translation (m)] in the tag's own axes.
    Measured {
        /// The place as measured.
        body_from_tag: Pose<Body, Tag>,
        /// Its covariance, 6 × 6.
        cov: Box<Matrix6<f64>>,
    },
    /// Not known: the survey finds it. The first tag of a body can never be free.
    Free,
}

/// One tag of a body.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyTag {
    /// Id in the 36h11 family.
    pub id: u16,
    /// Side of the black square as declared, metres.
    pub side_m: f64,
    /// What the print made of it along its right and its up: the sides are `side_m · stretch`; 1 where `side_m` itself was measured.
    pub stretch: [f64; 2],
    /// Which entry of [`Kit::prints`] tells how well the side is known; tags of one entry share its common error.
    pub print: usize,
    /// Where it sits on the body.
    pub place: TagPlace,
}

impl BodyTag {
    /// Corners in the tag's own frame, metres, where the print is larger by these shares along its right and its up.
    pub fn corners_m(&self, larger: [f64; 2]) -> [Vector3<f64>; 4] {
        rectangle_corners_m([0, 1].map(|k| self.side_m * self.stretch[k] * (1.0 + larger[k])))
    }

    /// Mean of the two sides, metres.
    pub fn mean_side_m(&self) -> f64 {
        self.side_m * 0.5 * (self.stretch[0] + self.stretch[1])
    }
}

/// One rigid thing.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyModel {
    /// The name people read.
    pub name: String,
    /// What it is for.
    pub kind: BodyKind,
    /// Its tags; empty only for a touched point.
    pub tags: Vec<BodyTag>,
}

/// How well the printed size of a group of tags is known: what one printer made and one rule measured.
///
/// The relative error of a tag's side along its right is c + x + e, along its up c + y + e: c common to all of the group, x and y too (printers
/// stretch the two directions differently), e the tag's own. Each is independent of the others.
#[derive(Clone, Debug, PartialEq)]
pub struct PrintScale {
    /// The name people read.
    pub name: String,
    /// Standard uncertainty of the common relative scale error (0.0005 = 0.1 mm on 200 mm); 0 where it is held fixed.
    pub sigma_common: f64,
    /// Standard uncertainty of the relative error of one direction alone, right and up; 0 where it is held fixed.
    pub sigma_axis: [f64; 2],
    /// Standard uncertainty of each tag's own relative scale error; 0 where it is held fixed.
    pub sigma_each: f64,
    /// False where nobody measured the printed size and the uncertainties are a guess.
    pub measured: bool,
}

/// All bodies of a job.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Kit {
    /// The bodies. Names and tag ids are unique.
    pub bodies: Vec<BodyModel>,
    /// The print groups that the tags name.
    pub prints: Vec<PrintScale>,
    /// Places that were measured together, with their correlation. At most one entry a body; every tag it names has a [`TagPlace::Measured`] place.
    pub joint_places: Vec<JointPlaces>,
}

/// A relative print scale error, one of the unknowns of [`PrintScale`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ScaleOf {
    /// Common to a print group.
    Common(usize),
    /// Of a print group, along the print's right (0) or up (1) alone.
    Axis(usize, usize),
    /// Of the n-th tag of the body alone.
    Tag(usize),
}

/// A print scale error that places hang on.
#[derive(Clone, Debug, PartialEq)]
pub struct PlaceSlope {
    /// Which.
    pub of: ScaleOf,
    /// What was found for it when the places were measured.
    pub found: f64,
    /// By how much the places' steps change with it: 6n numbers, rad and m.
    pub slope: DVector<f64>,
}

/// The places of several tags of a body, measured together by means of these very tags.
///
/// The steps δ of `body_from_tag · exp(δ)` of all tags, δ = [rotation (rad), translation (m)] in each tag's own axes, are normally distributed about
/// `Σ slope · (scale − found)` with the covariance `cov`: places that were measured with prints of unknown size grow with that size, and the survey that
/// uses them sees the same prints again. Stating the places' whole uncertainty instead would count as a second, independent measurement of the size.
#[derive(Clone, Debug, PartialEq)]
pub struct JointPlaces {
    /// Index into [`Kit::bodies`].
    pub body: usize,
    /// Indices of the body's tags, in the order of `cov`.
    pub tags: Vec<usize>,
    /// 6n × 6n, for given print scales; positive definite.
    pub cov: DMatrix<f64>,
    /// The print scales that the places hang on.
    pub slopes: Vec<PlaceSlope>,
}

impl JointPlaces {
    /// The covariance of the n-th tag's step alone where the scales scatter with these standard deviations (one for each of `slopes`).
    pub fn marginal(&self, n: usize, sigmas: &[f64]) -> Matrix6<f64> {
        let mut cov = Matrix6::from_fn(|i, j| self.cov[(6 * n + i, 6 * n + j)]);
        for (slope, sigma) in self.slopes.iter().zip(sigmas) {
            let along = slope.slope.fixed_rows::<6>(6 * n) * *sigma;
            cov += along * along.transpose();
        }
        cov
    }
}

impl Kit {
    /// Body and tag index of a tag id.
    pub fn find_tag(&self, id: u16) -> Option<(usize, usize)> {
        self.bodies
            .iter()
            .enumerate()
            .find_map(|(b, body)| body.tags.iter().position(|tag| tag.id == id).map(|t| (b, t)))
    }

    /// Standard deviation of a print scale error of a body before any measurement.
    pub fn scale_sigma(&self, body: usize, of: ScaleOf) -> f64 {
        let print = |k: usize| self.prints.get(k);
        match of {
            ScaleOf::Common(k) => print(k).map_or(0.0, |p| p.sigma_common),
            ScaleOf::Axis(k, axis) => print(k).map_or(0.0, |p| p.sigma_axis[axis]),
            ScaleOf::Tag(tag) => print(self.bodies[body].tags[tag].print).map_or(0.0, |p| p.sigma_each),
        }
    }

    /// Index of the body with this name.
    pub fn find_body(&self, name: &str) -> Option<usize> {
        self.bodies.iter().position(|body| body.name == name)
    }
}

/// Corners of a tag of side `side_m` in its own frame, metres.
pub fn tag_corners_m(side_m: f64) -> [Vector3<f64>; 4] {
    rectangle_corners_m([side_m; 2])
}

/// The same for a tag that the print made as wide and as high as this.
pub fn rectangle_corners_m(sides_m: [f64; 2]) -> [Vector3<f64>; 4] {
    UNIT_CORNERS.map(|[x, y]| Vector3::new(x * sides_m[0], y * sides_m[1], 0.0))
}

/// Lengths that four corners (lower left, lower right, upper right, upper left) span along the print's right and up, each the mean of two sides.
pub fn spans_m(corners: &[Vector3<f64>; 4]) -> [f64; 2] {
    let [right, up] = span_vectors(corners);
    [right.norm(), up.norm()]
}

fn span_vectors(corners: &[Vector3<f64>; 4]) -> [Vector3<f64>; 2] {
    [
        (corners[1] - corners[0] + corners[2] - corners[3]) / 2.0,
        (corners[3] - corners[0] + corners[2] - corners[1]) / 2.0,
    ]
}

/// The place of a tag from its four measured corners (lower left, lower right, upper right, upper left, metres, in the body frame).
///
/// Returns the pose and the mean side, or what is wrong: a corner more than `tolerance_m` from a square of that side.
pub fn place_from_corners(corners: &[Vector3<f64>; 4], tolerance_m: f64) -> Result<(Pose<Body, Tag>, f64), String> {
    let [right, up] = span_vectors(corners);
    let side_m = (right.norm() + up.norm()) / 2.0;
    if !(side_m.is_finite() && side_m > 1e-6) {
        return Err("the four corners do not span a square".into());
    }
    let normal = right.cross(&up);
    if normal.norm() < 0.5 * side_m * side_m {
        return Err("the four corners do not span a square".into());
    }
    let z = normal.normalize();
    // Split what is left of a right angle evenly between the two sides.
    let (r, u) = (right.normalize(), up.normalize());
    let x = (r + u.cross(&z)).normalize();
    let y = z.cross(&x);
    let centre = (corners[0] + corners[1] + corners[2] + corners[3]) / 4.0;
    let rotation = nalgebra::Matrix3::from_columns(&[x, y, z]);
    let pose = Pose::claim_matrix(&rotation, centre);
    for (k, local) in tag_corners_m(side_m).iter().enumerate() {
        let off = (centre + rotation * local - corners[k]).norm();
        if off > tolerance_m {
            return Err(format!(
                "corner {} lies {:.2} mm from a square of {:.2} mm side",
                k + 1,
                crate::units::mm_from_m(off),
                crate::units::mm_from_m(side_m)
            ));
        }
    }
    Ok((pose, side_m))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::Point;

    #[test]
    fn place_from_corners_recovers_the_pose() {
        let truth: Pose<Body, Tag> = Pose::claim_rotvec(Vector3::new(0.4, -1.2, 0.3), Vector3::new(0.2, 0.5, -0.1));
        let corners = tag_corners_m(0.16).map(|c| (truth * Point::claim(c)).coords);
        let (pose, side) = place_from_corners(&corners, 1e-6).unwrap();
        let (angle, distance) = pose.difference(&truth);
        assert!(angle < 1e-7 && distance < 1e-12 && (side - 0.16).abs() < 1e-12, "{angle} {distance} {side}");
    }

    #[test]
    fn corners_that_are_no_square_are_refused() {
        let mut corners = tag_corners_m(0.16);
        corners[2].x += 0.01;
        assert!(place_from_corners(&corners, 0.0005).unwrap_err().contains("mm from a square"));
        assert!(place_from_corners(&[Vector3::zeros(); 4], 0.0005).is_err());
    }
}
