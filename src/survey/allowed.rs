//! What the adjustment lets differ from the declaration once a fault was named, so that one fault does not spoil the rest.

use super::problem::View;
use crate::frames::{Body, Pose, World, skew};
use nalgebra::{Matrix3, Matrix3x6, Vector3, Vector6};

/// Everything that is allowed; empty where no fault was named.
#[derive(Clone, Debug, Default)]
pub(super) struct Allowed {
    /// Things that moved. Where two apply to a view, one of them counts.
    pub motions: Vec<Motion>,
    /// Tags, (body, tag), whose stated side is not believed.
    pub tags: Vec<(usize, usize)>,
    /// Print groups of which the same is true.
    pub prints: Vec<usize>,
}

/// One motion of one or several bodies together: in photograph p they stand `weight_of_photo[p]` times `step` away from where the adjustment has
/// them.
#[derive(Clone, Debug)]
pub(super) struct Motion {
    pub instances: Vec<usize>,
    /// Only this tag of the (single) instance, where it is not the whole body.
    pub tag: Option<usize>,
    /// By photograph: 0 before and 1 after a sudden move, growing evenly for a creeping one.
    pub weight_of_photo: Vec<f64>,
    /// In the world's axes: a turn about its origin (rotation vector, rad), then a shift (m).
    pub step: Vector6<f64>,
}

impl Allowed {
    /// The motion that applies to a view, with its weight: the tag's own before its body's, then the one that began last.
    pub fn motion_of(&self, view: &View) -> Option<(usize, f64)> {
        let applies = |motion: &Motion| {
            motion.weight_of_photo[view.photo] != 0.0
                && motion.instances.contains(&view.instance)
                && motion.tag.is_none_or(|tag| tag == view.tag)
        };
        let (k, motion) = self
            .motions
            .iter()
            .enumerate()
            .filter(|(_, motion)| applies(motion))
            .max_by_key(|(k, motion)| (motion.tag.is_some(), motion.first_photo(), *k))?;
        Some((k, motion.weight_of_photo[view.photo]))
    }
}

impl Motion {
    /// The first photograph in which it shows.
    fn first_photo(&self) -> usize {
        self.weight_of_photo.iter().position(|w| *w != 0.0).unwrap_or(usize::MAX)
    }

    /// A pose moved by `weight` times the step.
    pub fn moved(&self, weight: f64, pose: &Pose<World, Body>) -> Pose<World, Body> {
        pose.moved_left(&(self.step * weight))
    }

    /// 3 × 6: derivative of a point, given where it is after the motion, by the step.
    pub fn by_step(&self, weight: f64, after: &Vector3<f64>) -> Matrix3x6<f64> {
        let turn = self.step.fixed_rows::<3>(0) * weight;
        let shift = self.step.fixed_rows::<3>(3) * weight;
        let mut j = Matrix3x6::zeros();
        j.fixed_view_mut::<3, 3>(0, 0).copy_from(&(-skew(&(after - shift)) * left_jacobian(&turn) * weight));
        j.fixed_view_mut::<3, 3>(0, 3).copy_from(&(Matrix3::identity() * weight));
        j
    }
}

/// d exp(ω + δ) = exp(J δ) exp(ω): the left Jacobian of rotation vectors. Source: Chirikjian, "Stochastic models, information theory, and Lie groups", 2,
/// 10.86 (number from memory); checked against differences below.
fn left_jacobian(w: &Vector3<f64>) -> Matrix3<f64> {
    let angle2 = w.norm_squared();
    let (a, b) = if angle2 < 1e-8 {
        (0.5 - angle2 / 24.0, 1.0 / 6.0 - angle2 / 120.0)
    } else {
        let angle = angle2.sqrt();
        ((1.0 - angle.cos()) / angle2, (angle - angle.sin()) / (angle2 * angle))
    };
    Matrix3::identity() + skew(w) * a + skew(w) * skew(w) * b
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::Point;

    #[test]
    fn derivatives_of_a_motion_agree_with_differences() {
        let pose: Pose<World, Body> = Pose::claim_rotvec(Vector3::new(0.3, -0.2, 1.1), Vector3::new(1.0, 0.4, -0.3));
        let point = Point::<Body>::claim(Vector3::new(0.2, -0.5, 0.1));
        let step = Vector6::new(0.4, -0.7, 0.2, 0.3, 0.1, -0.2);
        let motion = |step| Motion { instances: vec![0], tag: None, weight_of_photo: vec![1.0], step };
        for weight in [1.0, -0.37] {
            let at = |step: Vector6<f64>| (motion(step).moved(weight, &pose) * point).coords;
            let j = motion(step).by_step(weight, &at(step));
            let h = 1e-6;
            for k in 0..6 {
                let mut d = Vector6::zeros();
                d[k] = h;
                let numeric = (at(step + d) - at(step - d)) / (2.0 * h);
                assert!((numeric - j.column(k)).norm() < 1e-8, "column {k}: {numeric} against {}", j.column(k));
            }
        }
    }
}
