//! The score test: would the adjustment fit better if something were allowed to differ, and by how much? Answered from the residuals and
//! the covariance of the one solution there is, without adjusting again.
//!
//! With the whitened residuals r, their derivatives B by the q numbers θ that might differ, A by everything adjusted, and N = A'A (known values
//! included): information M = B'B − B'A N⁻¹ A'B, statistic T = (B'r)' M⁻¹ (B'r), chi-square with q degrees of freedom where θ = 0; estimate
//! θ = −M⁻¹ B'r; change of the adjusted unknowns for each unit of θ that is wrongly left out: N⁻¹ A'B.
//!
//! Source: W. Baarda, "A testing procedure for use in geodetic networks", 1968, in the form for several parameters at once (P. J. G.
//! Teunissen, "Testing theory", 2000; from memory).

use super::super::covariance::Covariance;
use super::super::problem::{Problem, View};
use super::super::rows::corners;
use super::super::unknowns::State;
use crate::frames::{Point, Tag, skew};
use nalgebra::{DMatrix, Matrix3x6, SMatrix, SVector};

/// Directions of θ of which less than this share is checked by the rest of the network are not tested.
const LEAST_SHARE: f64 = 1e-3;

/// Whitened derivatives of one view by what might be wrong with it.
pub(super) struct Suspicion {
    /// By a motion of its body in the world's axes (turn about the origin, shift).
    pub by_motion: SMatrix<f64, 8, 6>,
    /// By the relative size of its tag.
    pub by_scale: SVector<f64, 8>,
    /// By the relative focal length.
    pub by_focal: SVector<f64, 8>,
}

/// `None` where a corner lies behind the camera.
pub(super) fn suspicion(
    problem: &Problem,
    state: &State,
    whiten: &SMatrix<f64, 8, 8>,
    view: &View,
) -> Option<Suspicion> {
    let camera_from_world = state.camera_from_world[view.photo];
    let world_from_tag = state.world_from_body(view) * state.body_from_tag[view.body][view.tag];
    let lens = &state.lenses[problem.input.photos[view.photo].lens];
    let (into_camera, into_world) = (camera_from_world.rotation(), world_from_tag.rotation());
    let mut by_motion = SMatrix::<f64, 8, 6>::zeros();
    let mut by_scale = SVector::<f64, 8>::zeros();
    let mut by_focal = SVector::<f64, 8>::zeros();
    for (k, corner) in corners(problem, state, view).into_iter().enumerate() {
        let in_world = world_from_tag * Point::<Tag>::claim(corner);
        let projection = lens.project_with_derivatives(&(camera_from_world * in_world))?;
        let by_point = projection.d_point * into_camera;
        let mut step = Matrix3x6::zeros();
        step.fixed_view_mut::<3, 3>(0, 0).copy_from(&(-skew(&in_world.coords)));
        step.fixed_view_mut::<3, 3>(0, 3).fill_with_identity();
        by_motion.fixed_rows_mut::<2>(2 * k).copy_from(&(by_point * step));
        by_scale.fixed_rows_mut::<2>(2 * k).copy_from(&(by_point * (into_world * corner)));
        let focal = projection.d_lens.column(0) * lens.fx + projection.d_lens.column(1) * lens.fy;
        by_focal.fixed_rows_mut::<2>(2 * k).copy_from(&focal);
    }
    Some(Suspicion { by_motion: whiten * by_motion, by_scale: whiten * by_scale, by_focal: whiten * by_focal })
}

/// What one photograph adds to a test of Q numbers, its own pose already taken out.
#[derive(Clone)]
pub(super) struct Block<const Q: usize> {
    raw: SMatrix<f64, Q, Q>,
    info: SMatrix<f64, Q, Q>,
    pull: SVector<f64, Q>,
    columns: Vec<usize>,
    /// One row for each of `columns`.
    cross: DMatrix<f64>,
}

impl<const Q: usize> Block<Q> {
    /// From the views of photograph block `k` that θ acts on: the index of each one's row, and its whitened derivatives.
    pub fn new(covariance: &Covariance, k: usize, views: &[(usize, SMatrix<f64, 8, Q>)]) -> Self {
        let photo = &covariance.normal.photos[k];
        let mut raw = SMatrix::<f64, Q, Q>::zeros();
        let mut pull = SVector::<f64, Q>::zeros();
        let mut with_camera = SMatrix::<f64, 6, Q>::zeros();
        for (at, b) in views {
            let (row, weight) = &covariance.normal.rows[*at];
            let weighted = b * *weight;
            raw += weighted.transpose() * b;
            pull += weighted.transpose() * row.residual;
            with_camera += row.by_camera.transpose() * weighted;
        }
        let gain = covariance.inverses[k] * with_camera;
        let columns = photo.active.clone();
        let mut cross = DMatrix::<f64>::zeros(columns.len(), Q);
        for (r, c) in columns.iter().enumerate() {
            cross.row_mut(r).copy_from(&(-(photo.cross.column(*c).transpose() * gain)));
        }
        for (at, b) in views {
            let (row, weight) = &covariance.normal.rows[*at];
            for (j, c) in row.columns.iter().enumerate() {
                // Every column of a view is among its photograph's.
                if let Ok(r) = columns.binary_search(c) {
                    let mut target = cross.row_mut(r);
                    target += row.by_column.column(j).transpose() * b * *weight;
                }
            }
        }
        Self { raw, info: raw - with_camera.transpose() * gain, pull, columns, cross }
    }
}

/// Photographs' blocks added up, each with its weight.
#[derive(Clone)]
pub(super) struct Sum<const Q: usize> {
    raw: SMatrix<f64, Q, Q>,
    info: SMatrix<f64, Q, Q>,
    pull: SVector<f64, Q>,
    /// n × Q: A'B of the columns.
    cross: DMatrix<f64>,
    /// n × Q: N⁻¹ A'B.
    reach: DMatrix<f64>,
}

impl<const Q: usize> Sum<Q> {
    pub fn new(covariance: &Covariance) -> Self {
        let n = covariance.columns.nrows();
        let zero = DMatrix::zeros(n, Q);
        Self { raw: SMatrix::zeros(), info: SMatrix::zeros(), pull: SVector::zeros(), cross: zero.clone(), reach: zero }
    }

    pub fn add(&mut self, covariance: &Covariance, block: &Block<Q>, weight: f64) {
        self.raw += block.raw * (weight * weight);
        self.info += block.info * (weight * weight);
        self.pull += block.pull * weight;
        for (r, &c) in block.columns.iter().enumerate() {
            for q in 0..Q {
                let value = block.cross[(r, q)] * weight;
                self.cross[(c, q)] += value;
                self.reach.column_mut(q).axpy(value, &covariance.columns.column(c), 1.0);
            }
        }
    }

    pub fn score(&self) -> Score<Q> {
        let mut info = self.info;
        for i in 0..Q {
            for j in 0..Q {
                info[(i, j)] -= self.cross.column(i).dot(&self.reach.column(j));
            }
        }
        let info = (info + info.transpose()) * 0.5;
        // In the metric of what the views alone would say, eigenvalues are shares 0..1 that the rest of the network checks.
        let scale = SVector::<f64, Q>::from_fn(|i, _| self.raw[(i, i)].max(1e-300).sqrt().recip());
        let balanced = SMatrix::<f64, Q, Q>::from_fn(|i, j| info[(i, j)] * scale[i] * scale[j]);
        let eigen = DMatrix::from_iterator(Q, Q, balanced.iter().copied()).symmetric_eigen();
        let largest = eigen.eigenvalues.amax().max(1e-300);
        let mut statistic = 0.0;
        let mut dof = 0;
        let mut inverse = SMatrix::<f64, Q, Q>::zeros();
        for k in 0..Q {
            if eigen.eigenvalues[k] < LEAST_SHARE * LEAST_SHARE * largest.max(1.0) {
                continue;
            }
            let axis = SVector::<f64, Q>::from_fn(|i, _| eigen.eigenvectors[(i, k)] * scale[i]);
            let along = axis.dot(&self.pull);
            statistic += along * along / eigen.eigenvalues[k];
            inverse += axis * axis.transpose() / eigen.eigenvalues[k];
            dof += 1;
        }
        Score { statistic, dof, step: -(inverse * self.pull), info, inverse }
    }

    /// n × Q: change of the columns for each unit of θ that is left out.
    pub fn reach(&self) -> &DMatrix<f64> {
        &self.reach
    }
}

/// The outcome of a test.
#[derive(Clone, Debug)]
pub(super) struct Score<const Q: usize> {
    pub statistic: f64,
    pub dof: usize,
    pub step: SVector<f64, Q>,
    pub info: SMatrix<f64, Q, Q>,
    /// Covariance of `step`, without the directions that nothing checks.
    pub inverse: SMatrix<f64, Q, Q>,
}
