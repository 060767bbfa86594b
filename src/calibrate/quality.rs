//! How good a lens is: residuals by region of the picture, rays, and what each photograph contributes.

use crate::calibrate::choose::Calibration;
use crate::calibrate::model::{BoardView, N_MODEL};
use crate::camera::{Lens, N_LENS};
use crate::fit::{chi_square_quantile, spd_inverse};
use crate::frames::Point;
use crate::pose::left_step;
use nalgebra::{DMatrix, DVector, Matrix2, SMatrix, SVector, SymmetricEigen, Vector2};

/// Columns and rows of the residual map. Common practice, no source.
pub const REGIONS: (usize, usize) = (6, 4);

/// Rays that move by less than this, px, are not worth a word. Common practice, no source.
const LEAST_PULL_PX: f64 = 0.05;

/// What the residuals say in one region of the picture.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Region {
    /// Middle of the region, pixels.
    pub centre: Vector2<f64>,
    /// Points in it.
    pub n: usize,
    /// Mean residual (predicted − seen), px.
    pub mean: Vector2<f64>,
    /// Root mean square of the residuals' lengths, px.
    pub rms: f64,
    /// The mean's length over its standard deviation, counting the points of one photograph in one region as one: they share much of their error.
    pub significance: f64,
}

/// What one photograph contributes.
#[derive(Clone, Debug, PartialEq)]
pub struct ViewEffect {
    /// Points used.
    pub n_points: usize,
    /// Root mean square length of the residuals, px.
    pub rms_px: f64,
    /// Its share of what is known about the lens; all shares sum to 1.
    pub share: f64,
    /// How far rays would move at most, px, if it were left out (rotation of the whole picture taken out).
    pub removal_px: f64,
    /// The same movement against what chance explains: chi-square with as many degrees of freedom as free parameters.
    pub statistic: f64,
    /// True where the statistic is beyond 99.9 % and rays move by more than 0.05 px: the photograph pulls the lens its own way.
    pub hurts: bool,
    /// Tilt of the board from square on, rad.
    pub tilt: f64,
}

/// How well rays are known at a pixel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RayQuality {
    /// Where, pixels.
    pub pixel: Vector2<f64>,
    /// Standard uncertainty in the worse direction, px; rotation of the whole picture taken out, because no measurement with this lens can tell it
    /// from a turned camera.
    pub sd_px: f64,
}

/// A grid of pixels over the picture with the derivative of each by the lens (2 × 9), a rotation of the whole picture taken out of all together.
pub struct RayGrid {
    pixels: Vec<Vector2<f64>>,
    by_lens: Vec<SMatrix<f64, 2, N_LENS>>,
}

impl RayGrid {
    /// `nx` × `ny` pixels, the outermost on the edge of the picture.
    pub fn new(lens: &Lens, nx: usize, ny: usize) -> Self {
        let mut pixels = Vec::new();
        let mut by_lens = Vec::new();
        let mut by_turn = Vec::new();
        for j in 0..ny {
            for i in 0..nx {
                let at = |k: usize, n: usize, size: usize| (size as f64 - 1.0) * k as f64 / (n as f64 - 1.0).max(1.0);
                let pixel = Vector2::new(at(i, nx, lens.width), at(j, ny, lens.height));
                let Some(n) = lens.normalized_from_pixel(&pixel) else { continue };
                let ray = n.push(1.0);
                let Some(p) = lens.project_with_derivatives(&Point::claim(ray)) else { continue };
                pixels.push(pixel);
                by_lens.push(p.d_lens);
                by_turn.push((p.d_point * left_step(&ray)).fixed_view::<2, 3>(0, 0).into_owned());
            }
        }
        // The rotation that takes up as much as possible of each parameter's effect, by least squares over the grid.
        let (mut normal, mut right) = (SMatrix::<f64, 3, 3>::zeros(), SMatrix::<f64, 3, N_LENS>::zeros());
        for (r, j) in by_turn.iter().zip(&by_lens) {
            normal += r.transpose() * r;
            right += r.transpose() * j;
        }
        if let Some(inverse) = normal.try_inverse() {
            let taken = inverse * right;
            by_lens.iter_mut().zip(&by_turn).for_each(|(j, r)| *j -= r * taken);
        }
        Self { pixels, by_lens }
    }

    /// How well rays are known with this covariance of the lens.
    pub fn quality(&self, cov: &SMatrix<f64, N_LENS, N_LENS>) -> Vec<RayQuality> {
        let sd = |j: &SMatrix<f64, 2, N_LENS>| {
            let c: Matrix2<f64> = j * cov * j.transpose();
            SymmetricEigen::new(c).eigenvalues.max().max(0.0).sqrt()
        };
        self.pixels.iter().zip(&self.by_lens).map(|(p, j)| RayQuality { pixel: *p, sd_px: sd(j) }).collect()
    }

    /// Mean variance of a ray over the picture, px² (sum of both directions).
    pub fn mean_variance(&self, cov: &SMatrix<f64, N_LENS, N_LENS>) -> f64 {
        self.by_lens.iter().map(|j| (j * cov * j.transpose()).trace()).sum::<f64>() / self.by_lens.len().max(1) as f64
    }

    /// Most that rays move with a change of the lens, px.
    pub fn largest_shift(&self, change: &SVector<f64, N_LENS>) -> f64 {
        self.by_lens.iter().map(|j| (j * change).norm()).fold(0.0, f64::max)
    }

    /// Root mean square of how far rays move, px.
    pub fn rms_shift(&self, change: &SVector<f64, N_LENS>) -> f64 {
        (self.by_lens.iter().map(|j| (j * change).norm_squared()).sum::<f64>() / self.by_lens.len().max(1) as f64)
            .sqrt()
    }
}

/// Residuals (predicted − seen) of a view's points with where they were seen.
fn residuals(c: &Calibration, k: usize) -> impl Iterator<Item = (Vector2<f64>, Vector2<f64>)> {
    let (model, pose) = (&c.solution.model, &c.solution.poses[k]);
    c.views[k].points().filter_map(move |(p, seen)| Some((*seen, model.pixel(pose, p)? - seen)))
}

/// The residual map: [`REGIONS`] columns and rows, row by row.
pub fn regions(c: &Calibration) -> Vec<Region> {
    let lens = &c.solution.model.lens;
    let (nx, ny) = REGIONS;
    let (w, h) = (lens.width as f64 / nx as f64, lens.height as f64 / ny as f64);
    let mut sums = vec![(0usize, Vector2::zeros(), 0.0, Vec::<Vector2<f64>>::new()); nx * ny];
    for k in 0..c.views.len() {
        let mut of_view = vec![(0usize, Vector2::zeros()); nx * ny];
        for (seen, r) in residuals(c, k) {
            let cell = |v: f64, size: f64, n: usize| (((v + 0.5) / size).max(0.0) as usize).min(n - 1);
            let at = cell(seen.y, h, ny) * nx + cell(seen.x, w, nx);
            of_view[at].0 += 1;
            of_view[at].1 += r;
            sums[at].2 += r.norm_squared();
        }
        for (sum, (n, r)) in sums.iter_mut().zip(of_view) {
            if n > 0 {
                sum.0 += n;
                sum.1 += r;
                sum.3.push(r / n as f64);
            }
        }
    }
    sums.iter()
        .enumerate()
        .map(|(at, (n, r, square, means))| {
            let mean = if *n > 0 { r / *n as f64 } else { Vector2::zeros() };
            let m = means.len() as f64;
            // The spread of the photographs' own means about their mean.
            let middle = means.iter().sum::<Vector2<f64>>() / m.max(1.0);
            let spread = means.iter().map(|v| (v - middle).norm_squared()).sum::<f64>();
            let sd = if means.len() >= 3 { (spread / (m - 1.0) / m).sqrt() } else { f64::INFINITY };
            Region {
                centre: Vector2::new((at % nx) as f64 * w + w / 2.0 - 0.5, (at / nx) as f64 * h + h / 2.0 - 0.5),
                n: *n,
                mean,
                rms: if *n > 0 { (square / *n as f64).sqrt() } else { 0.0 },
                significance: middle.norm() / sd.max(1e-12),
            }
        })
        .collect()
}

/// Root mean square length of all residuals, px.
pub fn rms_px(c: &Calibration) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for k in 0..c.views.len() {
        for (_, r) in residuals(c, k) {
            sum += r.norm_squared();
            n += 1.0;
        }
    }
    if n > 0.0 { f64::sqrt(sum / n) } else { 0.0 }
}

/// Tilt of a board from square on to the line of sight to its middle, rad.
pub fn tilt(c: &Calibration, k: usize) -> f64 {
    let pose = &c.solution.poses[k];
    let cosine = pose.rotation().column(2).dot(&pose.translation().normalize()).abs();
    cosine.clamp(0.0, 1.0).acos()
}

/// What each photograph contributes, and what leaving it out would do (one Newton step).
pub fn view_effects(c: &Calibration) -> Vec<ViewEffect> {
    let s = &c.solution;
    let free: Vec<usize> = (0..N_MODEL).filter(|k| s.free[*k]).collect();
    let small =
        |m: &SMatrix<f64, N_MODEL, N_MODEL>| DMatrix::from_fn(free.len(), free.len(), |i, j| m[(free[i], free[j])]);
    let whole = small(&s.shares.iter().sum());
    let cov = small(&s.cov);
    let grid = RayGrid::new(&s.model.lens, 9, 7);
    let variance = (c.sigma0 * c.disagreement).powi(2);
    (0..c.views.len())
        .map(|k| {
            let own = small(&s.shares[k]);
            let share = (&cov * &own).trace() / free.len() as f64;
            let pull = DVector::from_fn(free.len(), |i, _| s.pulls[k][free[i]]);
            // Without it: the matrix loses its share; the gradient, which was zero in all, lacks its pull.
            let (removal_px, statistic) = match spd_inverse(&(&whole - &own)) {
                Ok(without) => {
                    let change = &without * &pull;
                    let mut lens = SVector::<f64, N_LENS>::zeros();
                    for (i, k) in free.iter().enumerate().filter(|(_, k)| **k < N_LENS) {
                        lens[*k] = change[i];
                    }
                    // Chance moves the answer by the difference of the two covariances.
                    let chance = (&without - &cov) * variance;
                    let statistic = spd_inverse(&chance).map_or(0.0, |i| (change.transpose() * i * &change)[(0, 0)]);
                    (grid.largest_shift(&lens), statistic)
                }
                // The others alone determine no lens: everything hangs on this one.
                Err(_) => (f64::INFINITY, 0.0),
            };
            let (mut sum, mut n) = (0.0, 0.0);
            for (_, r) in residuals(c, k) {
                sum += r.norm_squared();
                n += 1.0;
            }
            ViewEffect {
                n_points: c.views[k].n_points(),
                rms_px: if n > 0.0 { f64::sqrt(sum / n) } else { 0.0 },
                share,
                removal_px,
                statistic,
                hurts: statistic > chi_square_quantile(3.0902, free.len() as f64) && removal_px > LEAST_PULL_PX,
                tilt: tilt(c, k),
            }
        })
        .collect()
}

/// The median variance of one coordinate as located, px², without what was added.
pub fn typical_variance(views: &[BoardView]) -> f64 {
    let all: Vec<f64> = views
        .iter()
        .flat_map(|v| v.groups.iter().flat_map(|g| g.cov.diagonal().iter().copied().collect::<Vec<_>>()))
        .collect();
    crate::fit::median(&all).unwrap_or(0.0)
}
