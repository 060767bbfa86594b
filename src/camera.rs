//! The lens: a pinhole with Brown-Conrady distortion, its derivatives, and its inverse.
//!
//! With a point (X, Y, Z) in the camera frame, x = X/Z, y = Y/Z, r² = x² + y²:
//!
//! ```text
//! radial = 1 + k1 r² + k2 r⁴ + k3 r⁶
//! x' = x radial + 2 p1 x y + p2 (r² + 2 x²)
//! y' = y radial + p1 (r² + 2 y²) + 2 p2 x y
//! u  = fx x' + cx        v = fy y' + cy            (centre of the top-left pixel = (0, 0))
//! ```
//!
//! Source: D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37(8), 1971, in the parameter order
//! that general-purpose vision libraries use.

use crate::frames::{Camera, Point};
use nalgebra::{Matrix2, Matrix2x3, Matrix3, SMatrix, SVector, Vector2, Vector3};

/// Number of lens parameters.
pub const N_LENS: usize = 9;

/// Names of the lens parameters, in the order every lens vector and covariance uses.
pub const LENS_PARAMETERS: [&str; N_LENS] = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"];

/// A camera's lens in the image size it was calibrated at.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lens {
    /// Image width the parameters belong to, pixels.
    pub width: usize,
    /// Image height the parameters belong to, pixels.
    pub height: usize,
    /// Focal length along x, pixels.
    pub fx: f64,
    /// Focal length along y, pixels.
    pub fy: f64,
    /// Principal point, pixels.
    pub cx: f64,
    /// Principal point, pixels.
    pub cy: f64,
    /// Radial distortion, r².
    pub k1: f64,
    /// Radial distortion, r⁴.
    pub k2: f64,
    /// Tangential distortion.
    pub p1: f64,
    /// Tangential distortion.
    pub p2: f64,
    /// Radial distortion, r⁶.
    pub k3: f64,
}

/// A projected point with its derivatives.
#[derive(Clone, Copy, Debug)]
pub struct Projection {
    /// Pixel as seen (distorted).
    pub pixel: Vector2<f64>,
    /// 2 × 3: d pixel / d point in the camera frame (px/m).
    pub d_point: Matrix2x3<f64>,
    /// 2 × 9: d pixel / d lens parameters, in the order of [`LENS_PARAMETERS`].
    pub d_lens: SMatrix<f64, 2, N_LENS>,
}

impl Lens {
    /// A lens without distortion, principal point at the image centre.
    pub fn pinhole(width: usize, height: usize, f_px: f64) -> Self {
        Lens {
            width,
            height,
            fx: f_px,
            fy: f_px,
            cx: (width as f64 - 1.0) / 2.0,
            cy: (height as f64 - 1.0) / 2.0,
            k1: 0.0,
            k2: 0.0,
            p1: 0.0,
            p2: 0.0,
            k3: 0.0,
        }
    }

    /// The parameters as a vector, in the order of [`LENS_PARAMETERS`].
    pub fn parameters(&self) -> SVector<f64, N_LENS> {
        SVector::from([self.fx, self.fy, self.cx, self.cy, self.k1, self.k2, self.p1, self.p2, self.k3])
    }

    /// The same image size with other parameters, in the order of [`LENS_PARAMETERS`].
    pub fn with_parameters(&self, p: &SVector<f64, N_LENS>) -> Self {
        Lens {
            width: self.width,
            height: self.height,
            fx: p[0],
            fy: p[1],
            cx: p[2],
            cy: p[3],
            k1: p[4],
            k2: p[5],
            p1: p[6],
            p2: p[7],
            k3: p[8],
        }
    }

    /// Distorts a normalised point (x, y at Z = 1); also gives the 2 × 2 derivative.
    pub fn distort(&self, n: &Vector2<f64>) -> (Vector2<f64>, Matrix2<f64>) {
        let (x, y) = (n.x, n.y);
        let r2 = x * x + y * y;
        let radial = 1.0 + r2 * (self.k1 + r2 * (self.k2 + r2 * self.k3));
        let d_radial = self.k1 + r2 * (2.0 * self.k2 + 3.0 * self.k3 * r2); // d radial / d r²
        let distorted = Vector2::new(
            x * radial + 2.0 * self.p1 * x * y + self.p2 * (r2 + 2.0 * x * x),
            y * radial + self.p1 * (r2 + 2.0 * y * y) + 2.0 * self.p2 * x * y,
        );
        let cross = 2.0 * x * y * d_radial + 2.0 * self.p1 * x + 2.0 * self.p2 * y;
        let jacobian = Matrix2::new(
            radial + 2.0 * x * x * d_radial + 2.0 * self.p1 * y + 6.0 * self.p2 * x,
            cross,
            cross,
            radial + 2.0 * y * y * d_radial + 6.0 * self.p1 * y + 2.0 * self.p2 * x,
        );
        (distorted, jacobian)
    }

    /// Undoes the distortion of a normalised point by Newton's method.
    ///
    /// Returns `None` where no undistorted point maps there within the model's one-to-one region (far outside the image).
    pub fn undistort(&self, d: &Vector2<f64>) -> Option<Vector2<f64>> {
        let mut n = *d;
        for _ in 0..30 {
            let (value, jacobian) = self.distort(&n);
            let error = d - value;
            // A determinant that is no longer positive means that the radial polynomial folds back: no unique answer.
            if jacobian.determinant() <= 1e-6 {
                return None;
            }
            let delta = jacobian.try_inverse()? * error;
            n += delta;
            if !n.iter().all(|v| v.is_finite()) || n.norm() > 20.0 {
                return None;
            }
            if delta.norm() < 1e-15 {
                break;
            }
        }
        let (value, jacobian) = self.distort(&n);
        ((value - d).norm() < 1e-10 && jacobian.determinant() > 1e-6).then_some(n)
    }

    /// The normalised, undistorted point (x, y at Z = 1) seen at a pixel.
    pub fn normalized_from_pixel(&self, pixel: &Vector2<f64>) -> Option<Vector2<f64>> {
        self.undistort(&Vector2::new((pixel.x - self.cx) / self.fx, (pixel.y - self.cy) / self.fy))
    }

    /// The pixel (as seen) of a normalised, undistorted point.
    pub fn pixel_from_normalized(&self, n: &Vector2<f64>) -> Vector2<f64> {
        let (d, _) = self.distort(n);
        Vector2::new(self.fx * d.x + self.cx, self.fy * d.y + self.cy)
    }

    /// d pixel / d normalised point, 2 × 2.
    pub fn pixel_per_normalized(&self, n: &Vector2<f64>) -> Matrix2<f64> {
        let (_, j) = self.distort(n);
        Matrix2::new(self.fx * j.m11, self.fx * j.m12, self.fy * j.m21, self.fy * j.m22)
    }

    /// The pixel of a point, or `None` where it lies behind the camera (or closer than a millimetre).
    pub fn project(&self, point: &Point<Camera>) -> Option<Vector2<f64>> {
        let p = &point.coords;
        (p.z > 1e-3).then(|| self.pixel_from_normalized(&Vector2::new(p.x / p.z, p.y / p.z)))
    }

    /// The pixel of a point with all derivatives, or `None` where it lies behind the camera.
    pub fn project_with_derivatives(&self, point: &Point<Camera>) -> Option<Projection> {
        let p: &Vector3<f64> = &point.coords;
        if p.z <= 1e-3 {
            return None;
        }
        let n = Vector2::new(p.x / p.z, p.y / p.z);
        let (d, jd) = self.distort(&n);
        let d_n = Matrix2::new(self.fx * jd.m11, self.fx * jd.m12, self.fy * jd.m21, self.fy * jd.m22);
        let iz = 1.0 / p.z;
        let n_point = Matrix2x3::new(iz, 0.0, -n.x * iz, 0.0, iz, -n.y * iz);
        let (x, y) = (n.x, n.y);
        let r2 = x * x + y * y;
        let (r4, r6) = (r2 * r2, r2 * r2 * r2);
        #[rustfmt::skip]
        let d_lens = SMatrix::<f64, 2, N_LENS>::from_row_slice(&[
            d.x, 0.0, 1.0, 0.0, self.fx * x * r2, self.fx * x * r4, self.fx * 2.0 * x * y, self.fx * (r2 + 2.0 * x * x), self.fx * x * r6,
            0.0, d.y, 0.0, 1.0, self.fy * y * r2, self.fy * y * r4, self.fy * (r2 + 2.0 * y * y), self.fy * 2.0 * x * y, self.fy * y * r6,
        ]);
        Some(Projection {
            pixel: Vector2::new(self.fx * d.x + self.cx, self.fy * d.y + self.cy),
            d_point: d_n * n_point,
            d_lens,
        })
    }

    /// The pinhole matrix.
    pub fn matrix(&self) -> Matrix3<f64> {
        Matrix3::new(self.fx, 0.0, self.cx, 0.0, self.fy, self.cy, 0.0, 0.0, 1.0)
    }

    /// Why these numbers cannot be a lens, in words; `None` where they can.
    ///
    /// Besides plain nonsense it checks that the distortion is one-to-one out to the image corners.
    pub fn implausible(&self) -> Option<String> {
        let all = self.parameters();
        if !all.iter().all(|v| v.is_finite()) {
            return Some("a parameter is not a finite number".into());
        }
        if self.width == 0 || self.height == 0 {
            return Some("the image size is zero".into());
        }
        let size = self.width.max(self.height) as f64;
        for (name, f) in [("fx", self.fx), ("fy", self.fy)] {
            if f < 0.2 * size || f > 100.0 * size {
                return Some(format!("{name} = {f} px is not a focal length of a {size:.0} px wide image"));
            }
        }
        if (self.fx / self.fy - 1.0).abs() > 0.1 {
            return Some(format!("fx = {} and fy = {} differ by more than 10 %", self.fx, self.fy));
        }
        let (w, h) = (self.width as f64, self.height as f64);
        if self.cx < 0.0 || self.cy < 0.0 || self.cx > w || self.cy > h {
            return Some(format!("the principal point ({}, {}) lies outside the image", self.cx, self.cy));
        }
        for corner in [(-0.5, -0.5), (w - 0.5, -0.5), (-0.5, h - 0.5), (w - 0.5, h - 0.5)] {
            if self.normalized_from_pixel(&Vector2::new(corner.0, corner.1)).is_none() {
                return Some("the distortion folds back inside the image: these coefficients cannot be used".into());
            }
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    /// Source: EuRoC MAV dataset, cam0 `sensor.yaml` (published intrinsics); pixels recomputed independently from the published model.
    fn euroc() -> Lens {
        Lens {
            width: 752,
            height: 480,
            fx: 458.654,
            fy: 457.296,
            cx: 367.215,
            cy: 248.375,
            k1: -0.28340811,
            k2: 0.07395907,
            p1: 0.00019359,
            p2: 1.76187114e-05,
            k3: 0.0,
        }
    }

    #[test]
    fn published_lens_projects_to_the_published_pixels() {
        for (point, u, v) in [
            ([0.0, 0.0, 1.0], 367.215, 248.375),
            ([0.5, 0.3, 1.0], 576.438430, 373.565828),
            ([-0.6, -0.4, 1.0], 127.127510, 88.833821),
            ([0.7, 0.45, 1.0], 636.718541, 421.172023),
        ] {
            let pixel = euroc().project(&Point::claim(Vector3::from(point))).unwrap();
            assert_abs_diff_eq!(pixel, Vector2::new(u, v), epsilon = 1e-6);
            let back = euroc().normalized_from_pixel(&pixel).unwrap();
            assert_abs_diff_eq!(back, Vector2::new(point[0], point[1]), epsilon = 1e-9);
        }
    }

    #[test]
    fn derivatives_match_differences() {
        let lens = Lens { k3: 0.02, ..euroc() };
        let p = Vector3::new(0.4, -0.3, 1.7);
        let got = lens.project_with_derivatives(&Point::claim(p)).unwrap();
        assert_eq!(got.pixel, lens.project(&Point::claim(p)).unwrap());
        let h = 1e-6;
        for k in 0..3 {
            let mut d = Vector3::zeros();
            d[k] = h;
            let numeric =
                (lens.project(&Point::claim(p + d)).unwrap() - lens.project(&Point::claim(p - d)).unwrap()) / (2.0 * h);
            assert_abs_diff_eq!(numeric, got.d_point.column(k).into_owned(), epsilon = 1e-5);
        }
        for k in 0..N_LENS {
            let mut d = SVector::<f64, N_LENS>::zeros();
            d[k] = h;
            let at = |s: f64| lens.with_parameters(&(lens.parameters() + d * s)).project(&Point::claim(p)).unwrap();
            let numeric = (at(1.0) - at(-1.0)) / (2.0 * h);
            assert_abs_diff_eq!(numeric, got.d_lens.column(k).into_owned(), epsilon = 1e-5);
        }
    }

    #[test]
    fn behind_the_camera_is_not_projected() {
        assert!(euroc().project(&Point::claim(Vector3::new(0.1, 0.1, -1.0))).is_none());
        assert!(euroc().project_with_derivatives(&Point::claim(Vector3::new(0.1, 0.1, 0.0))).is_none());
    }

    #[test]
    fn folding_distortion_is_refused() {
        assert_eq!(euroc().implausible(), None);
        let folded = Lens { k1: -0.9, k2: 0.0, ..euroc() };
        assert!(folded.implausible().unwrap().contains("folds back"));
        assert!(Lens { fx: f64::NAN, ..euroc() }.implausible().is_some());
        assert!(Lens { fx: 4.0, ..euroc() }.implausible().is_some());
    }
}
