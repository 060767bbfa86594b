//! One view to one pose: where a flat tag, or a body with several, stands before the camera.
//!
//! A flat target seen nearly without perspective has two poses that fit almost equally well. Both are kept until something else decides.

use crate::body::tag_corners_m;
use crate::camera::Lens;
use crate::fit::{FitOptions, Linearised, cauchy_loss, levenberg_marquardt, plane_map};
use crate::frames::{Camera, Point, Pose, Tag, skew};
use nalgebra::{Matrix2, Matrix3, Matrix3x2, Matrix3x6, SMatrix, SVector, Vector2, Vector3};

/// Four corners known in some frame and seen in an image.
#[derive(Clone, Debug)]
pub struct SeenTag {
    /// Corners in the frame whose pose is wanted, metres.
    pub corners_m: [Vector3<f64>; 4],
    /// The same corners as seen, pixels (distorted).
    pub pixels: [Vector2<f64>; 4],
}

/// A pose with the cost it was found at.
pub struct ViewPose<F> {
    /// Camera from the tags' frame.
    pub camera_from_frame: Pose<Camera, F>,
    /// Σ of the loss of each tag; see [`ViewLoss`].
    pub cost: f64,
}

impl<F> Clone for ViewPose<F> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<F> Copy for ViewPose<F> {}

/// The loss of one tag view with squared normalised residual d² (8 numbers): `limit · ln(1 + d²/limit)`, so that a wrong tag pulls little
/// ([`cauchy_loss`]).
#[derive(Clone, Copy, Debug)]
pub struct ViewLoss {
    /// Standard deviation of one corner coordinate, pixels.
    pub sigma_px: f64,
    /// The d² at which a view starts to count less.
    pub limit: f64,
}

impl ViewLoss {
    /// Loss and weight (the derivative of the loss) at d².
    pub fn at(&self, d2: f64) -> (f64, f64) {
        cauchy_loss(d2, self.limit)
    }
}

/// Pixel residuals (seen from predicted: predicted − seen) of four points, with derivatives by the point in the camera frame.
///
/// `None` where a corner lies behind the camera.
pub fn residuals(
    lens: &Lens,
    corners_in_camera: &[Vector3<f64>; 4],
    pixels: &[Vector2<f64>; 4],
) -> Option<(SVector<f64, 8>, [SMatrix<f64, 2, 3>; 4])> {
    let mut r = SVector::<f64, 8>::zeros();
    let mut d = [SMatrix::<f64, 2, 3>::zeros(); 4];
    for k in 0..4 {
        let projection = lens.project_with_derivatives(&Point::claim(corners_in_camera[k]))?;
        r.fixed_rows_mut::<2>(2 * k).copy_from(&(projection.pixel - pixels[k]));
        d[k] = projection.d_point;
    }
    Some((r, d))
}

/// Finds the pose that minimises the summed loss of all tags, starting from `start`; stays in the basin of the start.
///
/// Returns `None` where the start puts a corner behind the camera or nothing is seen.
pub fn refine_view_pose<F>(
    lens: &Lens,
    start: &Pose<Camera, F>,
    tags: &[SeenTag],
    loss: &ViewLoss,
) -> Option<ViewPose<F>> {
    if tags.is_empty() {
        return None;
    }
    let linearise = |pose: &Pose<Camera, F>| {
        let mut sum = Linearised::<6>::zero();
        for tag in tags {
            let in_camera = tag.corners_m.map(|c| (*pose * Point::<F>::claim(c)).coords);
            let (r, d) = residuals(lens, &in_camera, &tag.pixels)?;
            let inverse_variance = 1.0 / (loss.sigma_px * loss.sigma_px);
            let (value, weight) = loss.at(r.norm_squared() * inverse_variance);
            sum.cost += value;
            for k in 0..4 {
                let j = d[k] * left_step(&in_camera[k]); // 2 × 6: d pixel / d δ
                let rk = r.fixed_rows::<2>(2 * k);
                sum.gradient += j.transpose() * rk * (weight * inverse_variance);
                sum.normal += j.transpose() * j * (weight * inverse_variance);
            }
        }
        Some(sum)
    };
    let (pose, at) = levenberg_marquardt(
        start,
        &FitOptions { max_iterations: 40, relative_gain: 1e-6 },
        linearise,
        |pose, delta| pose.moved_left(delta),
    )?;
    pose.is_finite().then_some(ViewPose { camera_from_frame: pose, cost: at.cost })
}

/// 3 × 6: d (exp(δ) x) / d δ at δ = 0.
pub fn left_step(x: &Vector3<f64>) -> Matrix3x6<f64> {
    let mut j = Matrix3x6::zeros();
    j.fixed_view_mut::<3, 3>(0, 0).copy_from(&-skew(x));
    j.fixed_view_mut::<3, 3>(0, 3).copy_from(&Matrix3::identity());
    j
}

/// Both poses of one flat tag, in closed form, before any refinement; fewer where the view is degenerate.
///
/// `side_m`: side of the black square; `pixels`: its corners as seen. Source: T. Collins and A. Bartoli, "Infinitesimal
/// plane-based pose estimation", IJCV 109(3), 2014 (own code after the paper).
pub fn planar_poses(lens: &Lens, side_m: f64, pixels: &[Vector2<f64>; 4]) -> Vec<Pose<Camera, Tag>> {
    let mut normalized = [Vector2::zeros(); 4];
    for k in 0..4 {
        match lens.normalized_from_pixel(&pixels[k]) {
            Some(n) => normalized[k] = n,
            None => return Vec::new(),
        }
    }
    let corners = tag_corners_m(side_m);
    let plane = corners.map(|c| Vector2::new(c.x, c.y));
    let Some(h) = homography(&plane, &normalized) else { return Vec::new() };
    // Image of the tag's centre and the derivative of the homography there.
    let v = Vector2::new(h[(0, 2)], h[(1, 2)]);
    let j = Matrix2::new(
        h[(0, 0)] - h[(2, 0)] * v.x,
        h[(0, 1)] - h[(2, 1)] * v.x,
        h[(1, 0)] - h[(2, 0)] * v.y,
        h[(1, 1)] - h[(2, 1)] * v.y,
    );
    let Some(rotation_to_ray) =
        nalgebra::Rotation3::rotation_between(&Vector3::z(), &Vector3::new(v.x, v.y, 1.0)).map(|r| r.into_inner())
    else {
        return Vec::new();
    };
    let b = SMatrix::<f64, 2, 3>::new(1.0, 0.0, -v.x, 0.0, 1.0, -v.y)
        * rotation_to_ray.fixed_view::<3, 2>(0, 0).into_owned();
    let Some(b_inverse) = b.try_inverse() else { return Vec::new() };
    let a = b_inverse * j;
    let gamma = a.singular_values().max();
    if !(gamma.is_finite() && gamma > 1e-12) {
        return Vec::new();
    }
    let r = a / gamma;
    // The third row (b0, b1) completes the two columns to unit length; its overall sign is the ambiguity.
    let b0 = (1.0 - r.column(0).norm_squared()).max(0.0).sqrt();
    let b1_size = (1.0 - r.column(1).norm_squared()).max(0.0).sqrt();
    let b1 = if r.column(0).dot(&r.column(1)) > 0.0 { -b1_size } else { b1_size };
    let mut poses = Vec::new();
    for sign in [1.0, -1.0] {
        let mut columns = Matrix3x2::zeros();
        columns.fixed_view_mut::<2, 2>(0, 0).copy_from(&r);
        columns[(2, 0)] = sign * b0;
        columns[(2, 1)] = sign * b1;
        let (c0, c1) = (columns.column(0).into_owned(), columns.column(1).into_owned());
        let rotation = rotation_to_ray * Matrix3::from_columns(&[c0, c1, c0.cross(&c1)]);
        if let Some(t) = translation_for(&rotation, &corners, &normalized) {
            let pose = Pose::claim_matrix(&rotation, t);
            if pose.is_finite() {
                poses.push(pose);
            }
        }
    }
    poses
}

/// The translation that fits a known rotation best, by linear least squares; `None` where it would put the tag behind the camera.
fn translation_for(
    rotation: &Matrix3<f64>,
    corners: &[Vector3<f64>; 4],
    normalized: &[Vector2<f64>; 4],
) -> Option<Vector3<f64>> {
    let mut normal = Matrix3::zeros();
    let mut right = Vector3::zeros();
    for (c, n) in corners.iter().zip(normalized) {
        let p = rotation * c;
        // x (p.z + t.z) = p.x + t.x, likewise y.
        for (row, value) in
            [(Vector3::new(1.0, 0.0, -n.x), n.x * p.z - p.x), (Vector3::new(0.0, 1.0, -n.y), n.y * p.z - p.y)]
        {
            normal += row * row.transpose();
            right += row * value;
        }
    }
    let t = normal.try_inverse()? * right;
    (t.z > 0.0 && t.iter().all(|v| v.is_finite())).then_some(t)
}

/// The homography that takes four points to four points, scaled so that its last entry is 1; `None` where three points lie on a line.
pub fn homography(from: &[Vector2<f64>; 4], to: &[Vector2<f64>; 4]) -> Option<Matrix3<f64>> {
    plane_map(from, to).filter(|h| h.determinant().abs() > 1e-14)
}

/// Starts refined at most, those of least cost: a start that fits far worse leads to a pose that is no rival.
pub const MAX_STARTS: usize = 6;

/// Tags that starts are compared by at most.
const MOST_JUDGES: usize = 24;

/// The loss of one tag at a pose; `None` where a corner lies behind the camera.
pub fn tag_loss<F>(lens: &Lens, camera_from_frame: &Pose<Camera, F>, tag: &SeenTag, loss: &ViewLoss) -> Option<f64> {
    tag_d2(lens, camera_from_frame, tag).map(|d2| loss.at(d2 / (loss.sigma_px * loss.sigma_px)).0)
}

/// Sum of the squared residuals of one tag at a pose, px²; `None` where a corner lies behind the camera.
pub fn tag_d2<F>(lens: &Lens, camera_from_frame: &Pose<Camera, F>, tag: &SeenTag) -> Option<f64> {
    let mut d2 = 0.0;
    for (corner, pixel) in tag.corners_m.iter().zip(&tag.pixels) {
        d2 += (lens.project(&(*camera_from_frame * Point::<F>::claim(*corner)))? - pixel).norm_squared();
    }
    Some(d2)
}

/// True where two poses differ by less than `limit`: radians in direction, a share of the distance in place.
fn near<F>(a: &Pose<Camera, F>, b: &Pose<Camera, F>, limit: f64) -> bool {
    let (angle, distance) = a.difference(b);
    angle < limit && distance < limit * b.translation().norm()
}

/// Up to two distinct poses of a body from all its tags seen in one photograph, best first.
///
/// `singles`: for each tag in `tags`, the two closed-form poses of the *body* that this tag alone suggests. Each is refined on
/// all tags; near-equal results are merged.
pub fn distinct_poses<F>(
    lens: &Lens,
    singles: &[Pose<Camera, F>],
    tags: &[SeenTag],
    loss: &ViewLoss,
) -> Vec<ViewPose<F>> {
    // Enough of many tags tell which starts are the better ones.
    let judges: Vec<&SeenTag> = tags.iter().step_by(tags.len().div_ceil(MOST_JUDGES).max(1)).collect();
    let cost = |start: &Pose<Camera, F>| judges.iter().map(|tag| tag_loss(lens, start, tag, loss)).sum::<Option<f64>>();
    let mut starts: Vec<(f64, &Pose<Camera, F>)> =
        singles.iter().filter_map(|start| cost(start).map(|cost| (cost, start))).collect();
    starts.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut found: Vec<ViewPose<F>> = Vec::new();
    for (_, start) in starts.into_iter().take(MAX_STARTS) {
        // A start this close to a pose already found leads back to it: twin minima lie much farther apart.
        if found.iter().any(|known| near(&known.camera_from_frame, start, 0.05)) {
            continue;
        }
        let Some(view) = refine_view_pose(lens, start, tags, loss) else { continue };
        let twin = found.iter_mut().find(|other| near(&other.camera_from_frame, &view.camera_from_frame, 2e-3));
        match twin {
            Some(other) if view.cost < other.cost => *other = view,
            Some(_) => {}
            None => found.push(view),
        }
    }
    found.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    found.truncate(2);
    found
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{deg_from_rad, rad_from_deg};
    use approx::assert_abs_diff_eq;

    const EXACT: ViewLoss = ViewLoss { sigma_px: 1.0, limit: 1e12 };

    fn lens() -> Lens {
        Lens::pinhole(4000, 3000, 3000.0)
    }

    fn tilted(side_m: f64, tilt_deg: f64) -> (Pose<Camera, Tag>, SeenTag) {
        // Tag facing the camera (its z towards the camera), then turned about the vertical.
        let facing = Matrix3::new(1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0, -1.0);
        let turn = nalgebra::Rotation3::from_axis_angle(&Vector3::y_axis(), rad_from_deg(tilt_deg)).into_inner();
        let pose = Pose::claim_matrix(&(turn * facing), Vector3::new(0.0, 0.0, 3.0));
        let corners_m = tag_corners_m(side_m);
        let pixels = corners_m.map(|c| lens().project(&(pose * Point::claim(c))).unwrap());
        (pose, SeenTag { corners_m, pixels })
    }

    fn tilt_deg(pose: &Pose<Camera, Tag>) -> f64 {
        let z = pose.rotation().column(2).into_owned();
        deg_from_rad((-z.x).atan2(-z.z))
    }

    /// Own exact case: [1 .2 10; .1 1.1 20; .001 .002 1] takes (50, 50) to (1400/23, 1600/23).
    #[test]
    fn homography_predicts_a_fifth_point() {
        let from =
            [Vector2::new(0.0, 0.0), Vector2::new(100.0, 0.0), Vector2::new(100.0, 100.0), Vector2::new(0.0, 100.0)];
        let to = [
            Vector2::new(10.0, 20.0),
            Vector2::new(100.0, 300.0 / 11.0),
            Vector2::new(100.0, 1400.0 / 13.0),
            Vector2::new(25.0, 325.0 / 3.0),
        ];
        let h = homography(&from, &to).unwrap();
        let p = h * Vector3::new(50.0, 50.0, 1.0);
        assert_abs_diff_eq!(p.xy() / p.z, Vector2::new(1400.0 / 23.0, 1600.0 / 23.0), epsilon = 1e-9);
        assert!(homography(&[from[0]; 4], &to).is_none());
    }

    /// The noise-free second minimum of a tilted tag at f 3000 px, 3 m, computed with a general-purpose optimiser:
    /// (side m, tilt, second tilt, rms px per coordinate).
    #[test]
    fn both_planar_minima_are_found() {
        for (side, tilt, second, rms) in [
            (0.1, 20.0, -19.80, 0.402),
            (0.2, 20.0, -19.20, 1.594),
            (0.1, 45.0, -44.90, 0.833),
            (0.4, 20.0, -16.38, 6.148),
        ] {
            let (truth, seen) = tilted(side, tilt);
            let starts = planar_poses(&lens(), side, &seen.pixels);
            assert_eq!(starts.len(), 2);
            let found = distinct_poses(&lens(), &starts, std::slice::from_ref(&seen), &EXACT);
            assert_eq!(found.len(), 2, "side {side} tilt {tilt}");
            let (angle, distance) = found[0].camera_from_frame.difference(&truth);
            assert!(angle < 1e-6 && distance < 1e-6, "{angle} {distance}");
            let got = tilt_deg(&found[1].camera_from_frame) / tilt_deg(&truth).signum();
            assert_abs_diff_eq!(got, second, epsilon = 0.02);
            assert_abs_diff_eq!((found[1].cost / 8.0).sqrt(), rms, epsilon = 0.005);
        }
    }

    #[test]
    fn degenerate_views_give_no_pose() {
        let line = [Vector2::new(0.0, 0.0), Vector2::new(1.0, 1.0), Vector2::new(2.0, 2.0), Vector2::new(3.0, 3.0)];
        for pose in planar_poses(&lens(), 0.1, &line) {
            assert!(pose.is_finite());
        }
        let behind = Pose::<Camera, Tag>::claim_rotvec(Vector3::zeros(), Vector3::new(0.0, 0.0, -1.0));
        let (_, seen) = tilted(0.1, 20.0);
        assert!(refine_view_pose(&lens(), &behind, &[seen], &EXACT).is_none());
    }
}
