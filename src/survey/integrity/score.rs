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

/// Directions of θ of which less than this share is checked by the rest of the network are not tested. A share of standard deviations: the eigenvalues of M, information
/// and so their squares, are compared with its square.
const LEAST_SHARE: f64 = 1e-3;

/// A direction that nothing checks counts as checked by this share of what its views alone would say: faults of metres then hide in it, while
/// rounding (in what they do to the unknowns) stays far below a micrometre.
const NOTHING: f64 = 1e-6;

/// Whitened derivatives of one view by what might be wrong with it.
pub(in crate::survey) struct Suspicion {
    /// By a motion of its body in the world's axes (turn about the origin, shift).
    pub by_motion: SMatrix<f64, 8, 6>,
    /// By the relative size of its tag.
    pub by_scale: SVector<f64, 8>,
    /// By the relative focal length.
    pub by_focal: SVector<f64, 8>,
}

impl Suspicion {
    /// Of a view that says nothing.
    pub fn none() -> Self {
        Self { by_motion: SMatrix::zeros(), by_scale: SVector::zeros(), by_focal: SVector::zeros() }
    }
}

/// `None` where a corner lies behind the camera.
pub(in crate::survey) fn suspicion(
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
///
/// A'B of the columns is `own − cross' · gain`: a few columns of the views that θ acts on, and what comes through the photograph's pose, which reaches all
/// columns. The second part is never written out; see [`Sum`].
#[derive(Clone)]
pub(super) struct Block<const Q: usize> {
    /// Which photograph.
    k: usize,
    raw: SMatrix<f64, Q, Q>,
    info: SMatrix<f64, Q, Q>,
    pull: SVector<f64, Q>,
    /// (column, its row of A'B with the photograph's pose held), in order.
    own: Vec<(usize, SVector<f64, Q>)>,
    with_camera: SMatrix<f64, 6, Q>,
    gain: SMatrix<f64, 6, Q>,
}

impl<const Q: usize> Block<Q> {
    /// From the views of photograph block `k` that θ acts on: the index of each one's row, and its whitened derivatives.
    pub fn new(covariance: &Covariance, k: usize, views: &[(usize, SMatrix<f64, 8, Q>)]) -> Self {
        let mut raw = SMatrix::<f64, Q, Q>::zeros();
        let mut pull = SVector::<f64, Q>::zeros();
        let mut with_camera = SMatrix::<f64, 6, Q>::zeros();
        let mut all: Vec<(usize, SVector<f64, Q>)> = Vec::new();
        for (at, b) in views {
            let (row, weight) = &covariance.normal.rows[*at];
            let weighted = b.transpose() * *weight;
            raw += weighted * b;
            pull += weighted * row.residual;
            with_camera += row.by_camera.transpose() * weighted.transpose();
            all.extend(row.columns.iter().enumerate().map(|(j, c)| (*c, weighted * row.by_column.column(j))));
        }
        all.sort_unstable_by_key(|(c, _)| *c);
        let mut own: Vec<(usize, SVector<f64, Q>)> = Vec::with_capacity(all.len());
        for (c, value) in all {
            match own.last_mut().filter(|(last, _)| *last == c) {
                Some((_, sum)) => *sum += value,
                None => own.push((c, value)),
            }
        }
        let gain = covariance.inverses[k] * with_camera;
        Self { k, raw, info: raw - with_camera.transpose() * gain, pull, own, with_camera, gain }
    }
}

/// Photographs' blocks added up, each with its weight.
///
/// With S the sum of the blocks' own parts and U that of what comes through the photographs' poses, A'B = S − U. Kept are S (few columns), N⁻¹U and
/// U'N⁻¹U, which grow by one photograph in a number of steps that goes with the number of columns and not with its square.
#[derive(Clone)]
pub(super) struct Sum<const Q: usize> {
    raw: SMatrix<f64, Q, Q>,
    info: SMatrix<f64, Q, Q>,
    pull: SVector<f64, Q>,
    /// S: (column, row), in order.
    own: Vec<(usize, SVector<f64, Q>)>,
    /// N⁻¹U, by column.
    reached: Vec<SVector<f64, Q>>,
    /// U'N⁻¹U.
    through: SMatrix<f64, Q, Q>,
}

impl<const Q: usize> Sum<Q> {
    pub fn new(covariance: &Covariance) -> Self {
        Self {
            raw: SMatrix::zeros(),
            info: SMatrix::zeros(),
            pull: SVector::zeros(),
            own: Vec::new(),
            reached: vec![SVector::zeros(); covariance.columns.nrows()],
            through: SMatrix::zeros(),
        }
    }

    pub fn add(&mut self, covariance: &Covariance, block: &Block<Q>, weight: f64) {
        self.raw += block.raw * (weight * weight);
        self.info += block.info * (weight * weight);
        self.pull += block.pull * weight;
        for (c, value) in &block.own {
            match self.own.binary_search_by_key(c, |(known, _)| *known) {
                Ok(at) => self.own[at].1 += value * weight,
                Err(at) => self.own.insert(at, (*c, value * weight)),
            }
        }
        let (photo, toward) = (&covariance.normal.photos[block.k], &covariance.toward[block.k]);
        let gain = block.gain.transpose() * weight;
        let with_camera = block.with_camera.transpose() * weight;
        // u'N⁻¹U before this photograph's u = cross' · gain is added to U.
        let mut seen = SMatrix::<f64, 6, Q>::zeros();
        for &c in &photo.active {
            seen += photo.cross.column(c) * self.reached[c].transpose();
        }
        let mixed = gain * seen;
        self.through += mixed + mixed.transpose() + with_camera * covariance.through[block.k] * gain.transpose();
        for (reached, toward) in self.reached.iter_mut().zip(toward.column_iter()) {
            *reached += with_camera * toward;
        }
    }

    /// (A'B)' N⁻¹ A'B.
    fn explained(&self, covariance: &Covariance) -> SMatrix<f64, Q, Q> {
        let mut own = SMatrix::<f64, Q, Q>::zeros();
        let mut mixed = SMatrix::<f64, Q, Q>::zeros();
        for (c, value) in &self.own {
            let column = covariance.columns.column(*c);
            let reached = self.own.iter().fold(SVector::<f64, Q>::zeros(), |sum, (r, other)| sum + other * column[*r]);
            own += value * reached.transpose();
            mixed += value * self.reached[*c].transpose();
        }
        own - mixed - mixed.transpose() + self.through
    }

    pub fn score(&self, covariance: &Covariance) -> Score<Q> {
        let info = self.info - self.explained(covariance);
        let info = (info + info.transpose()) * 0.5;
        // In the metric of what the views alone would say, eigenvalues are shares 0..1 that the rest of the network checks.
        let scale = SVector::<f64, Q>::from_fn(|i, _| self.raw[(i, i)].max(1e-300).sqrt().recip());
        let balanced = SMatrix::<f64, Q, Q>::from_fn(|i, j| info[(i, j)] * scale[i] * scale[j]);
        let eigen = DMatrix::from_iterator(Q, Q, balanced.iter().copied()).symmetric_eigen();
        let largest = eigen.eigenvalues.amax().max(1e-300);
        let mut statistic = 0.0;
        let mut dof = 0;
        let mut inverse = SMatrix::<f64, Q, Q>::zeros();
        let mut reachable = SMatrix::<f64, Q, Q>::zeros();
        for k in 0..Q {
            let axis = SVector::<f64, Q>::from_fn(|i, _| eigen.eigenvectors[(i, k)] * scale[i]);
            reachable += axis * axis.transpose() / eigen.eigenvalues[k].max(NOTHING * NOTHING);
            if eigen.eigenvalues[k] < LEAST_SHARE * LEAST_SHARE * largest.max(1.0) {
                continue;
            }
            let along = axis.dot(&self.pull);
            statistic += along * along / eigen.eigenvalues[k];
            inverse += axis * axis.transpose() / eigen.eigenvalues[k];
            dof += 1;
        }
        Score { statistic, dof, step: -(inverse * self.pull), info, inverse, reachable }
    }

    /// n × Q: change of the columns for each unit of θ that is left out, N⁻¹ A'B.
    pub fn reach(&self, covariance: &Covariance) -> DMatrix<f64> {
        let mut reach = DMatrix::from_fn(self.reached.len(), Q, |c, q| -self.reached[c][q]);
        for (c, value) in &self.own {
            for q in 0..Q {
                reach.column_mut(q).axpy(value[q], &covariance.columns.column(*c), 1.0);
            }
        }
        reach
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
    /// The same with them: there it is as good as infinite.
    pub reachable: SMatrix<f64, Q, Q>,
}
