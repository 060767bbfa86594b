//! Who moved: the simplest explanation of how all bodies seem to have moved.
//!
//! The camera and each body may have moved. Tried is first one thing that moved, then two, up to the camera and [`MOST_MOVED`] bodies; of those that leave
//! every other body where it was the one that fits best is taken.

use super::apparent::{motion_of, transform};
use crate::fit::chi_square;
use nalgebra::{Isometry3, Matrix6, Vector3, Vector6};

/// Bodies that are named at most; where more moved, all that do not fit are. Common practice, no source.
const MOST_MOVED: usize = 2;

/// Chance that a body that did not move spoils the true explanation. Common practice, no source.
const SPOILED: f64 = 1e-5;

/// A body's apparent motion, filtered, with all of its covariance.
#[derive(Clone, Copy, Debug)]
pub(super) struct Evidence {
    pub middle: Vector3<f64>,
    pub motion: Vector6<f64>,
    pub cov: Matrix6<f64>,
}

/// Who moved.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Explanation {
    /// The apparent motion of everything, because the camera moved.
    pub camera: Option<Isometry3<f64>>,
    /// Places in the list of evidence of the bodies that moved.
    pub bodies: Vec<usize>,
    /// True where the camera or the body: only one body is seen.
    pub open: bool,
}

pub(super) fn chi2(motion: &Vector6<f64>, cov: &Matrix6<f64>) -> f64 {
    cov.cholesky().map_or(0.0, |c| motion.dot(&c.solve(motion)))
}

/// The common motion that fits these bodies best.
fn common(all: &[Evidence], moved: &[usize]) -> Option<Isometry3<f64>> {
    let mut g = Isometry3::identity();
    for _ in 0..6 {
        let (mut normal, mut pull) = (Matrix6::zeros(), Vector6::zeros());
        for (_, e) in all.iter().enumerate().filter(|(k, _)| !moved.contains(k)) {
            let left = motion_of(&e.middle, &(g.inverse() * transform(&e.middle, &e.motion)));
            let weight = e.cov.try_inverse()?;
            // A step of g about the origin moves the body about its middle by this.
            let mut by_step = Matrix6::identity();
            by_step.fixed_view_mut::<3, 3>(3, 0).copy_from(&-crate::frames::skew(&e.middle));
            normal += by_step.transpose() * weight * by_step;
            pull += by_step.transpose() * weight * left;
        }
        let step = normal.try_inverse()? * pull;
        g *= transform(&Vector3::zeros(), &step);
        if step.norm() < 1e-12 {
            break;
        }
    }
    Some(g)
}

/// A body's motion once the camera's is taken out.
pub(super) fn without(camera: Option<&Isometry3<f64>>, e: &Evidence) -> Vector6<f64> {
    match camera {
        Some(g) => motion_of(&e.middle, &(g.inverse() * transform(&e.middle, &e.motion))),
        None => e.motion,
    }
}

/// The places of bodies that an explanation leaves unexplained.
fn left_over(all: &[Evidence], camera: Option<&Isometry3<f64>>, moved: &[usize]) -> Vec<usize> {
    let limit = chi_square::limit(f64::ln(SPOILED), 6);
    (0..all.len()).filter(|k| !moved.contains(k) && chi2(&without(camera, &all[*k]), &all[*k].cov) > limit).collect()
}

/// The simplest explanation of what is seen; something moved.
pub(super) fn explain(all: &[Evidence]) -> Explanation {
    let n = all.len();
    if n == 1 {
        return Explanation { camera: None, bodies: vec![0], open: true };
    }
    let sets = |size: usize| -> Vec<Vec<usize>> {
        match size {
            0 => vec![vec![]],
            1 => (0..n).map(|k| vec![k]).collect(),
            _ => (0..n).flat_map(|a| (a + 1..n).map(move |b| vec![a, b])).collect(),
        }
    };
    let rest = |camera: Option<&Isometry3<f64>>, moved: &[usize]| -> f64 {
        let others = all.iter().enumerate().filter(|(k, _)| !moved.contains(k));
        others.map(|(_, e)| chi2(&without(camera, e), &e.cov)).sum()
    };
    for things in 1..=MOST_MOVED + 1 {
        let mut best: Option<(f64, Explanation)> = None;
        let mut offer = |camera: Option<Isometry3<f64>>, bodies: Vec<usize>| {
            if !left_over(all, camera.as_ref(), &bodies).is_empty() {
                return;
            }
            let cost = rest(camera.as_ref(), &bodies);
            if best.as_ref().is_none_or(|(least, _)| cost < *least) {
                best = Some((cost, Explanation { camera, bodies, open: false }));
            }
        };
        if things <= MOST_MOVED {
            for moved in sets(things).into_iter().filter(|m| m.len() < n) {
                offer(None, moved);
            }
        }
        // Two bodies that must agree on the camera's motion are the least.
        for moved in sets(things - 1).into_iter().filter(|m| n - m.len() >= 2) {
            if let Some(g) = common(all, &moved) {
                offer(Some(g), moved);
            }
        }
        if let Some((_, found)) = best {
            return found;
        }
    }
    Explanation { camera: None, bodies: left_over(all, None, &[]), open: false }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::{m_from_mm, rad_from_deg};

    fn still(at: [f64; 3]) -> Evidence {
        let (t, r) = (m_from_mm(0.05).powi(2), rad_from_deg(0.01).powi(2));
        Evidence {
            middle: Vector3::from(at),
            motion: Vector6::zeros(),
            cov: Matrix6::from_diagonal(&Vector6::new(r, r, r, t, t, t)),
        }
    }

    fn bay() -> Vec<Evidence> {
        vec![still([4.0, 0.0, 1.0]), still([1.0, 1.0, 0.0]), still([3.0, 0.8, 0.0]), still([0.0, 0.9, 0.3])]
    }

    #[test]
    fn one_body_that_moved_is_named_alone() {
        let mut all = bay();
        all[2].motion[3] = m_from_mm(2.0);
        assert_eq!(explain(&all), Explanation { camera: None, bodies: vec![2], open: false });
        all[0].motion[5] = m_from_mm(-3.0);
        let both = explain(&all);
        assert_eq!((both.camera, both.bodies), (None, vec![0, 2]));
    }

    #[test]
    fn everything_together_is_the_camera_and_a_body_beside_it_is_found() {
        let g = transform(&Vector3::new(1.0, 2.7, 1.4), &Vector6::new(0.001, -0.002, 0.003, 0.002, 0.001, -0.001));
        let mut all = bay();
        for e in &mut all {
            e.motion = motion_of(&e.middle, &g);
        }
        let found = explain(&all);
        assert!(found.bodies.is_empty());
        let (turn, shift) = {
            let d = found.camera.unwrap().inverse() * g;
            (d.rotation.angle(), d.translation.vector.norm())
        };
        assert!(turn < 1e-9 && shift < 1e-9, "{turn} {shift}");
        all[1].motion[4] += m_from_mm(1.5);
        let found = explain(&all);
        assert!(found.camera.is_some());
        assert_eq!(found.bodies, vec![1]);
    }

    #[test]
    fn a_single_body_leaves_open_whether_it_was_the_camera() {
        let mut one = vec![still([4.0, 0.0, 1.0])];
        one[0].motion[3] = m_from_mm(2.0);
        assert!(explain(&one).open);
    }
}
