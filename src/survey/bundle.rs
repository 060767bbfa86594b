//! Bundle adjustment: all photographs, bodies, uncertain tag places, print scales and lenses in one least-squares solution.
//!
//! ```text
//! minimise   Σ_views ρ( r' C⁻¹ r )  +  Σ_measured (x - x0)' P (x - x0)
//! r = project(lens, camera_from_world · world_from_body · body_from_tag · side (1 + e_print + e_tag) · unit corner) - seen
//! ```
//!
//! The poses of the photographs are eliminated first (a 6 × 6 block each, the Schur complement); what remains is dense and small.
//! Photographs step on the left, bodies and tags on the right (see [`Pose::moved_left`], [`Pose::moved_right`]).
//! Source of the elimination: Triggs et al., "Bundle adjustment: a modern synthesis", 2000, section 6.

use super::problem::Problem;
use super::rows::{MeasuredBlock, ViewRow, Weights, measured_blocks, view_residual, view_row};
use super::unknowns::{Extent, Layout, State, Step, moved};
use nalgebra::{DMatrix, DVector, Matrix6, Vector6};

/// A photograph's share of the normal equations.
#[derive(Clone, Debug)]
pub(super) struct PhotoBlock {
    pub photo: usize,
    pub normal: Matrix6<f64>,
    pub gradient: Vector6<f64>,
    /// 6 × n_columns.
    pub cross: DMatrix<f64>,
    /// Columns of `cross` that are not zero.
    pub active: Vec<usize>,
}

/// The normal equations at one state, photographs kept apart.
#[derive(Clone, Debug)]
pub(super) struct Normal {
    pub cost: f64,
    pub photos: Vec<PhotoBlock>,
    /// Corner part of the normal matrix of the columns.
    pub corners: DMatrix<f64>,
    /// Measured values' part, each with what it belongs to.
    pub measured: Vec<(super::Source, DMatrix<f64>)>,
    pub gradient: DVector<f64>,
    /// The views' rows, in the order of [`Extent::views`], each with its weight.
    pub rows: Vec<(ViewRow, f64)>,
}

impl Normal {
    /// Corner and measured parts together.
    pub fn columns(&self) -> DMatrix<f64> {
        self.measured.iter().fold(self.corners.clone(), |sum, (_, part)| sum + part)
    }
}

/// Cost alone; `None` where a corner lies behind its camera.
pub(super) fn cost(
    problem: &Problem,
    layout: &Layout,
    state: &State,
    weights: &Weights,
    extent: &Extent,
) -> Option<f64> {
    let mut sum: f64 = measured_blocks(problem, layout, state).iter().map(MeasuredBlock::cost).sum();
    for &v in &extent.views {
        let r = weights.whiten[v] * view_residual(problem, state, &problem.views[v])?;
        sum += weights.loss(r.norm_squared()).0;
    }
    sum.is_finite().then_some(sum)
}

/// The normal equations; `None` where a corner lies behind its camera.
pub(super) fn linearise(
    problem: &Problem,
    layout: &Layout,
    state: &State,
    weights: &Weights,
    extent: &Extent,
) -> Option<Normal> {
    let m = layout.n_columns;
    let mut block_of = vec![usize::MAX; problem.input.photos.len()];
    let mut photos: Vec<PhotoBlock> = extent
        .photos
        .iter()
        .enumerate()
        .map(|(k, &photo)| {
            block_of[photo] = k;
            PhotoBlock {
                photo,
                normal: Matrix6::zeros(),
                gradient: Vector6::zeros(),
                cross: DMatrix::zeros(6, m),
                active: Vec::new(),
            }
        })
        .collect();
    let mut corners = DMatrix::<f64>::zeros(m, m);
    let mut gradient = DVector::<f64>::zeros(m);
    let mut total = 0.0;
    let mut rows = Vec::with_capacity(extent.views.len());
    for &v in &extent.views {
        let view = &problem.views[v];
        let row = view_row(problem, layout, state, &weights.whiten[v], view)?;
        let (value, w) = weights.loss(row.residual.norm_squared());
        total += value;
        let block = &mut photos[block_of[view.photo]];
        let jct = row.by_camera.transpose() * w;
        block.normal += jct * row.by_camera;
        block.gradient += jct * row.residual;
        let cross = jct * row.by_column;
        let own = row.by_column.transpose() * row.by_column * w;
        let own_gradient = row.by_column.transpose() * row.residual * w;
        for (i, &ci) in row.columns.iter().enumerate() {
            let mut target = block.cross.column_mut(ci);
            target += cross.column(i);
            gradient[ci] += own_gradient[i];
            for (j, &cj) in row.columns.iter().enumerate() {
                corners[(ci, cj)] += own[(i, j)];
            }
        }
        block.active.extend(&row.columns);
        rows.push((row, w));
    }
    for block in &mut photos {
        block.active.sort_unstable();
        block.active.dedup();
    }
    let mut measured: Vec<(super::Source, DMatrix<f64>)> = Vec::new();
    for block in measured_blocks(problem, layout, state) {
        total += block.cost();
        let pull = &block.weight * &block.difference;
        let (pull, normal) = match &block.by_step {
            Some(j) => (j.tr_mul(&pull), j.tr_mul(&block.weight) * j),
            None => (pull, block.weight.clone()),
        };
        let k = measured.iter().position(|(source, _)| *source == block.source).unwrap_or_else(|| {
            measured.push((block.source, DMatrix::zeros(m, m)));
            measured.len() - 1
        });
        for (i, &ci) in block.columns.iter().enumerate() {
            gradient[ci] += pull[i];
            for (j, &cj) in block.columns.iter().enumerate() {
                measured[k].1[(ci, cj)] += normal[(i, j)];
            }
        }
    }
    total.is_finite().then_some(Normal { cost: total, photos, corners, measured, gradient, rows })
}

/// The inverse of a photograph's own block, damped by `lambda`; `None` where its views do not determine its pose.
pub(super) fn photo_inverse(block: &PhotoBlock, lambda: f64) -> Option<Matrix6<f64>> {
    let mut normal = block.normal;
    for k in 0..6 {
        normal[(k, k)] *= 1.0 + lambda;
    }
    normal.cholesky().map(|c| c.inverse())
}

/// Removes the photographs' poses from `columns`, the whole normal matrix of the columns or its corner part.
pub(super) fn reduce(normal: &Normal, inverses: &[Matrix6<f64>], mut columns: DMatrix<f64>) -> DMatrix<f64> {
    for (block, inverse) in normal.photos.iter().zip(inverses) {
        let n = block.active.len();
        let cross =
            nalgebra::OMatrix::<f64, nalgebra::U6, nalgebra::Dyn>::from_fn(n, |r, c| block.cross[(r, block.active[c])]);
        let weighted = inverse * &cross; // 6 × n
        let take = cross.tr_mul(&weighted); // n × n
        for (i, &ci) in block.active.iter().enumerate() {
            for (j, &cj) in block.active.iter().enumerate() {
                columns[(ci, cj)] -= take[(i, j)];
            }
        }
    }
    columns
}

/// The damped normal equations, ready to be solved for several right sides.
struct Damped<'a> {
    normal: &'a Normal,
    inverses: Vec<Matrix6<f64>>,
    factor: nalgebra::Cholesky<f64, nalgebra::Dyn>,
}

impl<'a> Damped<'a> {
    fn new(normal: &'a Normal, lambda: f64) -> Option<Self> {
        let mut columns = normal.columns();
        for k in 0..columns.nrows() {
            columns[(k, k)] *= 1.0 + lambda;
        }
        let inverses: Vec<Matrix6<f64>> =
            normal.photos.iter().map(|b| photo_inverse(b, lambda)).collect::<Option<_>>()?;
        let reduced = reduce(normal, &inverses, columns);
        Some(Self { normal, inverses, factor: reduced.cholesky()? })
    }

    /// The step that answers a gradient (columns' part and photographs' parts).
    fn answer(&self, mut columns: DVector<f64>, photos: &[Vector6<f64>]) -> Step {
        for ((block, inverse), gradient) in self.normal.photos.iter().zip(&self.inverses).zip(photos) {
            let pull = block.cross.tr_mul(&(inverse * gradient));
            columns -= pull;
        }
        let columns = -self.factor.solve(&columns);
        let photos = self
            .normal
            .photos
            .iter()
            .zip(&self.inverses)
            .zip(photos)
            .map(|((block, inverse), gradient)| -(inverse * (gradient + &block.cross * &columns)))
            .collect();
        Step { columns, photos }
    }

    fn step(&self) -> Step {
        let photos: Vec<Vector6<f64>> = self.normal.photos.iter().map(|b| b.gradient).collect();
        self.answer(self.normal.gradient.clone(), &photos)
    }
}

/// Bends a step along the curved valley of the cost: `δ + a/2`, where `a` answers the second derivative of the residuals along `δ`.
///
/// A long chain of photographs gives such valleys: everything far from the reference has to move along an arc when the lens changes a little.
/// `None` where the bend is as large as the step, so that the expansion means nothing. Source: M. K. Transtrum and J. P. Sethna, "Geodesic
/// acceleration and the small-curvature approximation for nonlinear least squares", 2012.
fn bent(
    problem: &Problem,
    layout: &Layout,
    state: &State,
    weights: &Weights,
    extent: &Extent,
    damped: &Damped,
    step: &Step,
) -> Option<Step> {
    /// Share of the step over which the second derivative is taken.
    const H: f64 = 0.1;
    /// A bend longer than this part of the step is no longer small.
    const LARGEST_BEND: f64 = 1.5;
    let mut block_of = vec![usize::MAX; problem.input.photos.len()];
    for (k, &photo) in extent.photos.iter().enumerate() {
        block_of[photo] = k;
    }
    let ahead = moved(
        problem,
        layout,
        state,
        extent,
        &Step { columns: &step.columns * H, photos: step.photos.iter().map(|p| p * H).collect() },
    );
    let mut columns = DVector::<f64>::zeros(layout.n_columns);
    let mut photos = vec![Vector6::zeros(); extent.photos.len()];
    for (&v, (row, w)) in extent.views.iter().zip(&damped.normal.rows) {
        let view = &problem.views[v];
        let k = block_of[view.photo];
        let there = weights.whiten[v] * view_residual(problem, &ahead, view)?;
        let mut slope = row.by_camera * step.photos[k];
        for (i, &c) in row.columns.iter().enumerate() {
            slope += row.by_column.column(i) * step.columns[c];
        }
        let second = ((there - row.residual) / H - slope) * (2.0 / H);
        photos[k] += row.by_camera.tr_mul(&second) * *w;
        let pull = row.by_column.tr_mul(&second) * *w;
        for (i, &c) in row.columns.iter().enumerate() {
            columns[c] += pull[i];
        }
    }
    let bend = damped.answer(columns, &photos);
    let size = |s: &Step| s.columns.norm_squared() + s.photos.iter().map(|p| p.norm_squared()).sum::<f64>();
    (size(&bend) < LARGEST_BEND * LARGEST_BEND * size(step)).then(|| Step {
        columns: &step.columns + &bend.columns * 0.5,
        photos: step.photos.iter().zip(&bend.photos).map(|(p, b)| p + b * 0.5).collect(),
    })
}

/// Levenberg-Marquardt until a step lowers the cost by less than `relative_gain` of it; the best state reached, its cost and the number of steps.
pub(super) fn solve(
    problem: &Problem,
    layout: &Layout,
    start: &State,
    weights: &Weights,
    extent: &Extent,
    max_iterations: usize,
    relative_gain: f64,
) -> Option<(State, f64, usize)> {
    let mut state = start.clone();
    let mut normal = linearise(problem, layout, &state, weights, extent)?;
    let mut lambda = 1e-5;
    let mut growth = 4.0;
    // Bending costs half as much again as a plain step: only once a plain one has failed.
    let mut curved = false;
    let mut steps = 0;
    for _ in 0..max_iterations {
        steps += 1;
        let better = Damped::new(&normal, lambda).and_then(|damped| {
            let plain = damped.step();
            let step = if curved { bent(problem, layout, &state, weights, extent, &damped, &plain)? } else { plain };
            let candidate = moved(problem, layout, &state, extent, &step);
            let cost = cost(problem, layout, &candidate, weights, extent)?;
            (cost <= normal.cost).then_some((candidate, cost))
        });
        match better {
            Some((candidate, cost)) => {
                let gain = normal.cost - cost;
                state = candidate;
                lambda = (lambda * 0.2).max(1e-12);
                growth = 4.0;
                let done = gain <= relative_gain * normal.cost.max(1e-12);
                normal = linearise(problem, layout, &state, weights, extent)?;
                if done {
                    break;
                }
            }
            None => {
                curved = true;
                lambda *= growth;
                growth *= 2.0;
                if lambda > 1e8 {
                    break;
                }
            }
        }
    }
    Some((state, normal.cost, steps))
}
