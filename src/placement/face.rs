//! The target's frame from marks at the corners of its face.

use crate::fit::plane_through;
use crate::frames::{Body, Pose, Target};
use nalgebra::{Matrix2, Matrix3, Vector2, Vector3};

/// A corner of the target, as seen by somebody who looks at its face.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct FaceCorner {
    /// At its left, else at its right.
    pub left: bool,
    /// At its top, else at its bottom.
    pub top: bool,
}

impl FaceCorner {
    /// All four.
    pub const ALL: [FaceCorner; 4] = [
        FaceCorner { left: true, top: true },
        FaceCorner { left: false, top: true },
        FaceCorner { left: true, top: false },
        FaceCorner { left: false, top: false },
    ];

    /// The name people read.
    pub fn name(self) -> &'static str {
        match (self.top, self.left) {
            (true, true) => "upper left",
            (true, false) => "upper right",
            (false, true) => "lower left",
            (false, false) => "lower right",
        }
    }

    /// Where the corner is on a target of size 1: y and z of the target's frame.
    fn sides(self) -> [f64; 2] {
        [if self.left { 0.5 } else { -0.5 }, if self.top { 0.5 } else { -0.5 }]
    }
}

/// A rectangle fitted to the corners of a target.
#[derive(Clone, Debug, PartialEq)]
pub struct FittedFace {
    /// Origin in the rectangle's middle; x out of its back, y to the left and z to the top as seen by somebody who looks at the face.
    pub body_from_target: Pose<Body, Target>,
    /// Width, m.
    pub width_m: f64,
    /// Height, m.
    pub height_m: f64,
    /// By how much the angle between its height and its width differs from a right angle, rad; positive where the top is displaced to the left.
    pub skew_rad: f64,
    /// Where each mark is, less where a perfect rectangle has it, m, in the target's frame.
    pub off_m: Vec<Vector3<f64>>,
}

/// Why marks give no face.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FaceError {
    /// Fewer than three corners.
    #[error("{given} corners of the target are marked; three are needed, and four check themselves")]
    TooFew {
        /// Different corners given.
        given: usize,
    },
    /// The marks do not span a rectangle in the order of their names.
    #[error("the marked corners do not span a rectangle: two of them have each other's names, or lie in one line")]
    NoRectangle,
}

/// Fits the target's frame to marks, given by corner and place in the body's frame (m); each corner at most once.
///
/// The plane is the least-squares plane; the rectangle in it the least-squares one: with A the mean vector from right to left and B the mean from bottom
/// to top, its direction y maximises (A·y)² + (B·z)², z = x × y. Of three marks the fourth is completed to a parallelogram first. Nothing says here on
/// which side the face is: x comes out of the names alone, and a mirrored order turns it towards the viewer.
pub fn fit_face(marks: &[(FaceCorner, Vector3<f64>)]) -> Result<FittedFace, FaceError> {
    let given = |corner: FaceCorner| marks.iter().find(|(c, _)| *c == corner).map(|(_, at)| *at);
    let known: Vec<Vector3<f64>> = FaceCorner::ALL.iter().filter_map(|c| given(*c)).collect();
    if known.len() < 3 {
        return Err(FaceError::TooFew { given: known.len() });
    }
    let opposite = |c: FaceCorner| FaceCorner { left: !c.left, top: !c.top };
    let corner = |c: FaceCorner| {
        given(c).or_else(|| {
            let beside = FaceCorner { left: !c.left, ..c };
            Some(given(beside)? + given(opposite(beside))? - given(opposite(c))?)
        })
    };
    let [upper_left, upper_right, lower_left, lower_right] = FaceCorner::ALL.map(corner);
    let (Some(upper_left), Some(upper_right), Some(lower_left), Some(lower_right)) =
        (upper_left, upper_right, lower_left, lower_right)
    else {
        return Err(FaceError::TooFew { given: known.len() });
    };
    let across = (upper_left - upper_right + lower_left - lower_right) / 2.0;
    let up = (upper_left - lower_left + upper_right - lower_right) / 2.0;
    let (centre, _, normal) = plane_through(&[upper_left, upper_right, lower_left, lower_right]);
    let area = across.cross(&up);
    // A crossed order leaves one of the two vectors short or makes them parallel.
    let longest = (upper_left - lower_right).norm().max((upper_right - lower_left).norm());
    if !(longest > 0.0 && area.norm() > 0.02 * longest * longest && area.dot(&normal).abs() > 0.5 * area.norm()) {
        return Err(FaceError::NoRectangle);
    }
    let x = normal * area.dot(&normal).signum();
    let e1 = (across - x * across.dot(&x)).normalize();
    let e2 = x.cross(&e1);
    let in_plane = |v: &Vector3<f64>| Vector2::new(v.dot(&e1), v.dot(&e2));
    let (a, b) = (in_plane(&across), in_plane(&up));
    // B turned back by a right angle.
    let b_turned = Vector2::new(b.y, -b.x);
    let spread: Matrix2<f64> = a * a.transpose() + b_turned * b_turned.transpose();
    let eigen = spread.symmetric_eigen();
    let largest = if eigen.eigenvalues[0] >= eigen.eigenvalues[1] { 0 } else { 1 };
    let direction = eigen.eigenvectors.column(largest).into_owned();
    let y2 = direction * direction.dot(&a).signum();
    let y = e1 * y2.x + e2 * y2.y;
    let z = x.cross(&y);
    let (width_m, height_m) = (across.dot(&y), up.dot(&z));
    if !(width_m > 0.0 && height_m > 0.0) {
        return Err(FaceError::NoRectangle);
    }
    let rotation = Matrix3::from_columns(&[x, y, z]);
    let off_m = marks
        .iter()
        .map(|(corner, at)| {
            let [side, top] = corner.sides();
            rotation.transpose() * (at - centre) - Vector3::new(0.0, side * width_m, top * height_m)
        })
        .collect();
    let skew_rad = up.dot(&y).atan2(up.dot(&z)) + across.dot(&z).atan2(across.dot(&y));
    Ok(FittedFace { body_from_target: Pose::claim_matrix(&rotation, centre), width_m, height_m, skew_rad, off_m })
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn marks(place: &Pose<Body, Target>, size: [f64; 2]) -> Vec<(FaceCorner, Vector3<f64>)> {
        FaceCorner::ALL
            .iter()
            .map(|corner| {
                let [y, z] = corner.sides();
                let at = crate::frames::Point::<Target>::claim(Vector3::new(0.0, y * size[0], z * size[1]));
                (*corner, (*place * at).coords)
            })
            .collect()
    }

    #[test]
    fn an_exact_rectangle_is_found_from_four_and_from_any_three_marks() {
        let truth = Pose::claim_rotvec(Vector3::new(0.4, -1.2, 2.3), Vector3::new(0.2, 0.5, -0.1));
        let all = marks(&truth, [0.9, 0.6]);
        for left_out in 0..5 {
            let some: Vec<_> = all.iter().enumerate().filter(|(k, _)| *k != left_out).map(|(_, m)| *m).collect();
            let face = fit_face(&some).unwrap();
            let (angle, distance) = face.body_from_target.difference(&truth);
            assert!(angle < 1e-7 && distance < 1e-12, "{left_out}: {angle} {distance}");
            assert_abs_diff_eq!(face.width_m, 0.9, epsilon = 1e-12);
            assert_abs_diff_eq!(face.height_m, 0.6, epsilon = 1e-12);
            assert_abs_diff_eq!(face.skew_rad, 0.0, epsilon = 1e-12);
            assert!(face.off_m.iter().all(|off| off.norm() < 1e-12));
        }
    }

    /// By hand: the upper edge of a 1 m square shifted 10 mm to the left leans its height by 10 mrad; both sides share it, 5 mrad each.
    #[test]
    fn a_sheared_square_is_split_evenly() {
        let mut all = marks(&Pose::coincident(), [1.0, 1.0]);
        for (_, at) in all.iter_mut().filter(|(c, _)| c.top) {
            at.y += 0.010;
        }
        let face = fit_face(&all).unwrap();
        assert_abs_diff_eq!(face.skew_rad, 0.010, epsilon = 1e-6);
        let turn = face.body_from_target.iso().rotation.scaled_axis();
        // The top displaced to the left (+y) is a turn about x of minus 10 mrad for the height alone.
        assert_abs_diff_eq!(turn, Vector3::new(-0.005, 0.0, 0.0), epsilon = 1e-4);
    }

    #[test]
    fn wrong_names_are_noticed() {
        let mut all = marks(&Pose::coincident(), [0.9, 0.6]);
        (all[0].0, all[1].0) = (all[1].0, all[0].0);
        assert_eq!(fit_face(&all), Err(FaceError::NoRectangle));
        assert_eq!(fit_face(&all[..2]), Err(FaceError::TooFew { given: 2 }));
        // Left and right exchanged throughout turn the face round.
        let mut mirrored = marks(&Pose::coincident(), [0.9, 0.6]);
        mirrored.iter_mut().for_each(|(c, _)| c.left = !c.left);
        let x = fit_face(&mirrored).unwrap().body_from_target.rotation().column(0).into_owned();
        assert_abs_diff_eq!(x, -Vector3::x(), epsilon = 1e-12);
    }
}
