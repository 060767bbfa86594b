//! How each body seems to have moved in one frame against where it was before, seen by a camera that is taken to stand still.
//!
//! Compared is with the corners as they were, not with the survey: whatever is wrong with lens, tags and sheets is the same before and after and drops out.

use crate::camera::Lens;
use crate::fit::chi_square;
use crate::frames::{Body, Camera, Point, Pose, Vehicle};
use crate::survey::TagView;
use nalgebra::{
    Isometry3, Matrix3x6, Matrix6, SMatrix, SVector, Translation3, UnitQuaternion, Vector2, Vector3, Vector6,
};

/// Chance that a sound view of a body is left out because its tags do not look as they did: in hours of frames it then is hidden in a few. Common practice, no source.
const UNLIKE: f64 = 1e-6;

/// A watched body: its tags where they are, in the vehicle frame.
#[derive(Clone, Debug)]
pub(super) struct Watched {
    /// Index into the kit's bodies.
    pub body: usize,
    pub tags: Vec<WatchedTag>,
    /// Middle of the tags: turns are about it.
    pub middle: Vector3<f64>,
}

/// A tag of a watched body.
#[derive(Clone, Debug)]
pub(super) struct WatchedTag {
    pub id: u16,
    pub corners: [Vector3<f64>; 4],
    /// `None` where it was not seen before anything moved.
    pub before: Option<Before>,
}

/// A tag before anything moved.
#[derive(Clone, Debug)]
pub(super) struct Before {
    /// Seen minus predicted corners, px.
    pub corners: [Vector2<f64>; 4],
    /// From how many frames.
    pub frames: usize,
    /// Mean covariance of the corners in one of them, px².
    pub cov: SMatrix<f64, 8, 8>,
}

/// A body's apparent motion: turn about its middle (rad) and shift (m), in the vehicle's axes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Apparent {
    pub motion: Vector6<f64>,
    /// Scatter of the corners.
    pub cov: Matrix6<f64>,
    /// What light may do.
    pub light: Matrix6<f64>,
    /// What the corners before were worth.
    pub before: Matrix6<f64>,
}

/// The transform of the vehicle's space that a motion about a middle is.
pub(super) fn transform(middle: &Vector3<f64>, motion: &Vector6<f64>) -> Isometry3<f64> {
    let turn = UnitQuaternion::from_scaled_axis(motion.fixed_rows::<3>(0).into_owned());
    let shift = middle + motion.fixed_rows::<3>(3) - turn * middle;
    Isometry3::from_parts(Translation3::from(shift), turn)
}

/// The motion about a middle that a transform of the vehicle's space is.
pub(super) fn motion_of(middle: &Vector3<f64>, transform: &Isometry3<f64>) -> Vector6<f64> {
    let w = transform.rotation.scaled_axis();
    let shift = transform * nalgebra::Point3::from(*middle) - nalgebra::Point3::from(*middle);
    Vector6::new(w.x, w.y, w.z, shift.x, shift.y, shift.z)
}

fn middle_of(tags: &[WatchedTag]) -> Vector3<f64> {
    let n = 4.0 * tags.len().max(1) as f64;
    tags.iter().flat_map(|t| t.corners).sum::<Vector3<f64>>() / n
}

impl Watched {
    /// A body's tags, given in its own frame.
    pub fn new(body: usize, vehicle_from_body: &Pose<Vehicle, Body>, tags: &[(u16, [Vector3<f64>; 4])]) -> Self {
        let tags: Vec<WatchedTag> = tags
            .iter()
            .map(|(id, corners)| WatchedTag {
                id: *id,
                corners: corners.map(|c| (*vehicle_from_body * Point::claim(c)).coords),
                before: None,
            })
            .collect();
        let middle = middle_of(&tags);
        Self { body, tags, middle }
    }

    /// Takes the corners of some frames as those before anything moves.
    pub fn learn(&mut self, lens: &Lens, camera: &Pose<Camera, Vehicle>, frames: &[&[TagView]]) {
        for tag in &mut self.tags {
            let mut sum = [Vector2::zeros(); 4];
            let mut n = 0;
            let mut cov = SMatrix::<f64, 8, 8>::zeros();
            for view in frames.iter().flat_map(|f| f.iter()).filter(|v| v.id == tag.id) {
                let predicted = tag.corners.map(|c| lens.project(&(*camera * Point::claim(c))));
                if predicted.iter().any(Option::is_none) {
                    continue;
                }
                for k in 0..4 {
                    sum[k] += view.corners[k] - predicted[k].unwrap_or_default();
                }
                cov += view.cov;
                n += 1;
            }
            let each = 1.0 / n.max(1) as f64;
            tag.before = (n > 0).then(|| Before { corners: sum.map(|s| s * each), frames: n, cov: cov * each });
        }
    }

    /// Keeps only the tags that were seen before, with the middle among them; false where there is none.
    pub fn keep_seen(&mut self) -> bool {
        self.tags.retain(|t| t.before.is_some());
        self.middle = middle_of(&self.tags);
        !self.tags.is_empty()
    }

    /// The tags as they were, as if seen in one more frame.
    pub fn as_before(&self, lens: &Lens, camera: &Pose<Camera, Vehicle>) -> Vec<TagView> {
        let view = |t: &WatchedTag| {
            let before = t.before.as_ref()?;
            let mut corners = before.corners;
            for (pixel, corner) in corners.iter_mut().zip(&t.corners) {
                *pixel += lens.project(&(*camera * Point::claim(*corner)))?;
            }
            Some(TagView::new(t.id, corners, before.cov))
        };
        self.tags.iter().filter_map(view).collect()
    }

    /// The apparent motion in a frame (`light_px`: see [`super::HoldOptions`]); `None` where none of its tags is seen that was seen before, or they do not determine it.
    pub fn apparent(
        &self,
        lens: &Lens,
        camera: &Pose<Camera, Vehicle>,
        seen: &[TagView],
        light_px: f64,
    ) -> Option<Apparent> {
        let views: Vec<(&WatchedTag, &TagView, &[Vector2<f64>; 4], usize)> = self
            .tags
            .iter()
            .filter_map(|t| {
                let before = t.before.as_ref()?;
                let mut all = seen.iter().filter(|v| v.id == t.id);
                let view = all.next().filter(|_| all.next().is_none())?;
                Some((t, view, &before.corners, before.frames))
            })
            .collect();
        if views.is_empty() {
            return None;
        }
        let weights: Vec<SMatrix<f64, 8, 8>> =
            views.iter().map(|(_, v, _, _)| v.cov.cholesky().map(|c| c.inverse())).collect::<Option<_>>()?;
        let rotation = camera.rotation();
        let mut motion = Vector6::zeros();
        for round in 0..8 {
            let moved = transform(&self.middle, &motion);
            let mut normal = Matrix6::zeros();
            let mut pull = Vector6::zeros();
            let mut rows = Vec::with_capacity(views.len());
            let mut spread = Vec::with_capacity(views.len());
            for ((tag, view, before, n), weight) in views.iter().zip(&weights) {
                let mut r = SVector::<f64, 8>::zeros();
                let mut j = SMatrix::<f64, 8, 6>::zeros();
                for k in 0..4 {
                    let at = (moved * nalgebra::Point3::from(tag.corners[k])).coords;
                    let p = lens.project_with_derivatives(&(*camera * Point::claim(at)))?;
                    r.fixed_rows_mut::<2>(2 * k).copy_from(&(p.pixel + before[k] - view.corners[k]));
                    let arm = at - self.middle - motion.fixed_rows::<3>(3);
                    let mut step = Matrix3x6::zeros();
                    step.fixed_view_mut::<3, 3>(0, 0).copy_from(&-crate::frames::skew(&arm));
                    step.fixed_view_mut::<3, 3>(0, 3).fill_with_identity();
                    j.fixed_view_mut::<2, 6>(2 * k, 0).copy_from(&(p.d_point * rotation * step));
                }
                let jw = j.transpose() * weight;
                normal += jw * j;
                pull += jw * r;
                rows.push((jw, *n));
                // What is left over counts at the corners' scatter, before and now, and what light may do.
                let whole = view.cov * (1.0 + 1.0 / *n as f64) + SMatrix::identity() * (light_px * light_px);
                spread.push((r, whole.cholesky()?.inverse()));
            }
            let inverse = normal.try_inverse()?;
            let step = -(inverse * pull);
            let squares: f64 = spread.iter().map(|(r, w)| r.dot(&(w * r))).sum();
            if !step.iter().all(|v| v.is_finite()) || step.fixed_rows::<3>(0).norm() > 0.5 {
                return None;
            }
            let turn = UnitQuaternion::from_scaled_axis(step.fixed_rows::<3>(0).into_owned())
                * UnitQuaternion::from_scaled_axis(motion.fixed_rows::<3>(0).into_owned());
            motion.fixed_rows_mut::<3>(0).copy_from(&turn.scaled_axis());
            let shift = motion.fixed_rows::<3>(3) + step.fixed_rows::<3>(3);
            motion.fixed_rows_mut::<3>(3).copy_from(&shift);
            if step.dot(&(normal * step)) < 1e-6 || round == 7 {
                // A tag that is half covered does not look like the one that was there.
                if squares > chi_square::limit(f64::ln(UNLIKE), (8 * views.len() - 6).max(1)) {
                    return None;
                }
                let (mut light, mut before) = (Matrix6::zeros(), Matrix6::zeros());
                for ((jw, n), (_, view, _, _)) in rows.iter().zip(&views) {
                    let k = inverse * jw;
                    light += k * k.transpose() * (light_px * light_px);
                    before += k * view.cov * k.transpose() / *n as f64;
                }
                return Some(Apparent { motion, cov: inverse, light, before });
            }
        }
        None
    }
}

/// Turn (rad) and shift (m) of a motion, as sizes.
pub(super) fn sizes(motion: &Vector6<f64>) -> (f64, f64) {
    (motion.fixed_rows::<3>(0).norm(), motion.fixed_rows::<3>(3).norm())
}
