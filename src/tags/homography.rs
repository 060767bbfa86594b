//! The plane map between a tag and the image.

use nalgebra::{Matrix2, Matrix3, Vector2};

/// Half the side of the black square in cells: tag coordinates run from -4 to 4 over it, x right and y up on the upright print.
pub const HALF: f64 = 4.0;

/// The corners of the black square in tag coordinates (cells), in the order of [`crate::tags::Detection::corners`].
pub const CORNERS: [[f64; 2]; 4] = [[-HALF, -HALF], [HALF, -HALF], [HALF, HALF], [-HALF, HALF]];

/// A plane map from tag coordinates (cells) to image points, scaled so that its lower right element is 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Homography(pub Matrix3<f64>);

impl Homography {
    /// The map that takes the tag's corners to four image points.
    ///
    /// Returns `None` where three of the points are on a line or the tag would lie across its own horizon.
    pub fn from_corners(corners: &[Vector2<f64>; 4]) -> Option<Self> {
        // The unit square's map in closed form (Heckbert, "Fundamentals of texture mapping and image warping", 1989, section 2.2.3).
        let [p0, p1, p2, p3] = corners;
        let (d1, d2, s) = (p1 - p2, p3 - p2, p0 - p1 + p2 - p3);
        let den = d1.perp(&d2);
        let (g, h) = (s.perp(&d2) / den, d1.perp(&s) / den);
        let (along, up) = (p1 - p0 + p1 * g, p3 - p0 + p3 * h);
        // The tag's coordinates are 8 times as long and count from its centre, where the third coordinate is to be 1.
        let centre = 1.0 + (g + h) / 2.0;
        if !(den.abs() > 1e-12 && centre.abs() > 1e-12) {
            return None;
        }
        let (along, up, g, h) = (along / (8.0 * centre), up / (8.0 * centre), g / (8.0 * centre), h / (8.0 * centre));
        let origin = p0 / centre + (along + up) * HALF;
        let map = Homography(Matrix3::new(along.x, up.x, origin.x, along.y, up.y, origin.y, g, h, 1.0));
        CORNERS.iter().all(|[u, v]| map.depth(*u, *v) > 0.05).then_some(map)
    }

    /// The homogeneous third coordinate; proportional to the distance from the camera.
    #[inline]
    pub fn depth(&self, u: f64, v: f64) -> f64 {
        let m = &self.0;
        m.m31 * u + m.m32 * v + m.m33
    }

    /// The image point of a tag point.
    #[inline]
    pub fn apply(&self, u: f64, v: f64) -> Vector2<f64> {
        let m = &self.0;
        let w = 1.0 / self.depth(u, v);
        Vector2::new((m.m11 * u + m.m12 * v + m.m13) * w, (m.m21 * u + m.m22 * v + m.m23) * w)
    }

    /// 2 × 2: d image point / d tag point, at a tag point.
    pub fn jacobian(&self, u: f64, v: f64) -> Matrix2<f64> {
        let m = &self.0;
        let w = 1.0 / self.depth(u, v);
        let p = self.apply(u, v);
        Matrix2::new(
            (m.m11 - p.x * m.m31) * w,
            (m.m12 - p.x * m.m32) * w,
            (m.m21 - p.y * m.m31) * w,
            (m.m22 - p.y * m.m32) * w,
        )
    }

    /// The image points of the tag's four corners.
    pub fn corners(&self) -> [Vector2<f64>; 4] {
        CORNERS.map(|[u, v]| self.apply(u, v))
    }

    /// The inverse map, scaled so that its third coordinate is positive on the tag.
    pub fn inverse(&self) -> Option<Matrix3<f64>> {
        self.0.try_inverse()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn corners_there_and_back() {
        let corners = [[10.0, 50.0], [60.0, 55.0], [58.0, 12.0], [14.0, 8.0]].map(|[x, y]| Vector2::new(x, y));
        let map = Homography::from_corners(&corners).unwrap();
        for (a, b) in map.corners().iter().zip(&corners) {
            assert_abs_diff_eq!(a, b, epsilon = 1e-9);
        }
        let back = map.inverse().unwrap() * map.apply(1.3, -2.1).push(1.0);
        assert_abs_diff_eq!(back.x / back.z, 1.3, epsilon = 1e-9);
        let h = 1e-6;
        let numeric = (map.apply(1.0 + h, 2.0) - map.apply(1.0 - h, 2.0)) / (2.0 * h);
        assert_abs_diff_eq!(numeric, map.jacobian(1.0, 2.0).column(0).into_owned(), epsilon = 1e-6);
    }

    #[test]
    fn degenerate_corners_are_refused() {
        let line = [[0.0, 0.0], [10.0, 0.0], [20.0, 0.0], [0.0, 10.0]].map(|[x, y]| Vector2::new(x, y));
        assert!(Homography::from_corners(&line).is_none());
        let crossed = [[0.0, 0.0], [10.0, 10.0], [10.0, 0.0], [0.0, 10.0]].map(|[x, y]| Vector2::new(x, y));
        assert!(Homography::from_corners(&crossed).is_none());
    }

    #[test]
    fn the_closed_form_is_the_solution_of_the_equations() {
        let corners =
            [[310.5, 250.0], [360.0, 255.25], [338.0, 112.0], [304.0, 128.5]].map(|[x, y]| Vector2::new(x, y));
        let solved = crate::fit::plane_map(&CORNERS.map(Vector2::from), &corners).unwrap();
        assert_abs_diff_eq!(Homography::from_corners(&corners).unwrap().0, solved, epsilon = 1e-9);
    }
}
