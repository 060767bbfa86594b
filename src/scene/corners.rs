//! Photographs as the tags seen in them: true corners plus errors drawn from the covariance that is stated with them.

use crate::scene::Bay;
use crate::scene::cameras::Viewer;
use crate::scene::draw::{Draw, Purpose};
use crate::scene::options::{CornerNoise, factor};
use crate::survey::{Photo, TagView};
use nalgebra::{SMatrix, SVector, Vector2};

/// Side of the tag that [`CornerNoise::sigma_px`] is stated for, px.
pub const NOISE_SIDE_PX: f64 = 60.0;

/// What is added to stated variances so that a covariance can always be inverted, px²: (0.0001 px)².
const FLOOR_PX2: f64 = 1e-8;

/// Covariance of the corners (x0, y0, x1, y1, ..., px²) of a tag with these true corners.
///
/// `σ² I + s² g gᵀ`: σ from [`CornerNoise::sigma_px`] and the mean side, s from [`CornerNoise::outward_px`], g = how the corners move when every
/// side moves outward by one pixel.
pub fn corner_cov(noise: &CornerNoise, corners: &[Vector2<f64>; 4]) -> SMatrix<f64, 8, 8> {
    let side = (0..4).map(|k| (corners[(k + 1) % 4] - corners[k]).norm()).sum::<f64>() / 4.0;
    let variance = noise.sigma_px.powi(2) * NOISE_SIDE_PX / side;
    let g = outward(corners) * noise.outward_px;
    SMatrix::identity() * (variance + FLOOR_PX2) + g * g.transpose()
}

/// How the corners move when every side of the quadrilateral moves outward by one pixel.
pub fn outward(corners: &[Vector2<f64>; 4]) -> SVector<f64, 8> {
    let area: f64 = (0..4).map(|k| corners[k].perp(&corners[(k + 1) % 4])).sum();
    let turn = area.signum();
    // Outward normal of the side from corner k to the next.
    let normal = |k: usize| {
        let along = (corners[(k + 1) % 4] - corners[k % 4]).normalize();
        Vector2::new(along.y, -along.x) * turn
    };
    let mut all = SVector::<f64, 8>::zeros();
    for k in 0..4 {
        let (n1, n2) = (normal((k + 3) % 4), normal(k));
        // n1 · d = n2 · d = 1.
        let d = (n1 + n2) / (1.0 + n1.dot(&n2));
        all[2 * k] = d.x;
        all[2 * k + 1] = d.y;
    }
    all
}

impl Bay {
    /// The tags that each photograph shows, true corners and the covariance a detector would state.
    pub fn perfect_photos(&self) -> Vec<Photo> {
        let viewer = Viewer::new(&self.lens, &self.solids);
        let photo = |(k, camera)| {
            let tags = self.layout.tags.iter().filter_map(|tag| {
                let corners = viewer.corners(camera, tag)?;
                Some(TagView::new(tag.id, corners, corner_cov(&self.options.noise, &corners)))
            });
            Photo { name: photo_name(k), lens: 0, station: 0, position: 0, hold: None, tags: tags.collect() }
        };
        self.camera_from_world.iter().enumerate().map(photo).collect()
    }

    /// The same with an error added to every corner, drawn from exactly the covariance stated with it.
    ///
    /// `noise_seed` makes other errors for the same bay; 0 is the one of [`Bay::survey_input`].
    pub fn noisy_photos(&self, noise_seed: u64) -> Vec<Photo> {
        // Distinct streams for all pairs of seeds that anybody will use: an odd multiplier keeps the map one-to-one in `noise_seed`.
        let mixed = self.options.seed ^ noise_seed.wrapping_mul(0x9e37_79b9_7f4a_7c15);
        let mut draw = Draw::new(mixed, Purpose::Corners);
        let mut photos = self.perfect_photos();
        for view in photos.iter_mut().flat_map(|photo| photo.tags.iter_mut()) {
            let unit = SVector::<f64, 8>::from_fn(|_, _| draw.normal(1.0));
            // A sum of squares and a positive diagonal: always positive definite.
            let error = factor(&view.cov).map_or_else(SVector::zeros, |l| l * unit);
            for (k, corner) in view.corners.iter_mut().enumerate() {
                *corner += Vector2::new(error[2 * k], error[2 * k + 1]);
            }
        }
        photos
    }
}

/// Name of a made photograph.
pub fn photo_name(k: usize) -> String {
    format!("{:03}", k + 1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_square_grows_by_its_corners() {
        // Counter-clockwise as seen with y down: lower left first.
        let corners = [[10.0, 50.0], [50.0, 50.0], [50.0, 10.0], [10.0, 10.0]].map(|[x, y]| Vector2::new(x, y));
        let expected = SVector::<f64, 8>::from([-1.0, 1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0]);
        assert_abs_diff_eq!(outward(&corners), expected, epsilon = 1e-12);
        let noise = CornerNoise { sigma_px: 0.1, outward_px: 0.02 };
        let cov = corner_cov(&noise, &corners);
        assert_abs_diff_eq!(cov[(0, 0)], 0.01 * 60.0 / 40.0 + 4e-4, epsilon = 1e-7);
        assert_abs_diff_eq!(cov[(0, 1)], -4e-4, epsilon = 1e-12);
    }

    #[test]
    fn moved_sides_meet_in_the_moved_corners() {
        let corners = [[12.0, 60.0], [55.0, 47.0], [61.0, 12.0], [9.0, 20.0]].map(|[x, y]| Vector2::new(x, y));
        let g = outward(&corners);
        for k in 0..4 {
            let next = (k + 1) % 4;
            let along = (corners[next] - corners[k]).normalize();
            for end in [k, next] {
                let moved = Vector2::new(g[2 * end], g[2 * end + 1]);
                assert_abs_diff_eq!(moved.perp(&along).abs(), 1.0, epsilon = 1e-12);
            }
        }
        let grown: [Vector2<f64>; 4] = std::array::from_fn(|k| corners[k] + Vector2::new(g[2 * k], g[2 * k + 1]));
        let area = |c: &[Vector2<f64>; 4]| (0..4).map(|k| c[k].perp(&c[(k + 1) % 4])).sum::<f64>().abs();
        assert!(area(&grown) > area(&corners));
    }
}
