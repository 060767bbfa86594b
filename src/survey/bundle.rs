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

use super::pieces::in_pieces;
use super::problem::Problem;
use super::rows::{MeasuredBlock, ViewRow, Weights, measured_blocks, view_residual, view_row};
use super::unknowns::{Extent, Layout, State, Step, moved};
use nalgebra::{DMatrix, DVector, Matrix6, Matrix6xX, Vector6};

/// Fewest photographs that are worth a piece of work of their own.
pub(super) const PIECE: usize = 32;

/// A photograph's share of the normal equations.
#[derive(Clone, Debug)]
pub(super) struct PhotoBlock {
    pub photo: usize,
    pub normal: Matrix6<f64>,
    pub gradient: Vector6<f64>,
    /// 6 × n_columns.
    pub cross: Matrix6xX<f64>,
    /// Columns of `cross` that are not zero, in order.
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
    /// The views' rows, in the order of [`Extent::views`], each with its weight; empty unless asked for.
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
    let of_views = in_pieces(extent.views.len(), 16 * PIECE, |piece| {
        extent.views[piece].iter().try_fold(0.0, |sum, &v| {
            let r = weights.whiten[v] * view_residual(problem, state, &problem.views[v])?;
            Some(sum + weights.loss(r.norm_squared()).0)
        })
    });
    let known: f64 = measured_blocks(problem, layout, state).iter().map(MeasuredBlock::cost).sum();
    let sum = of_views.into_iter().try_fold(known, |sum: f64, part| Some(sum + part?))?;
    sum.is_finite().then_some(sum)
}

/// The normal equations; `None` where a corner lies behind its camera. `keep_rows`: with the views' rows, which take much memory.
pub(super) fn linearise(
    problem: &Problem,
    layout: &Layout,
    state: &State,
    weights: &Weights,
    extent: &Extent,
    keep_rows: bool,
) -> Option<Normal> {
    let m = layout.n_columns;
    let by_photo = extent.by_photo(problem);
    let pieces = in_pieces(extent.photos.len(), PIECE, |piece| -> Option<Normal> {
        let mut sum = Normal::empty(m);
        for k in piece {
            let mut block = PhotoBlock {
                photo: extent.photos[k],
                normal: Matrix6::zeros(),
                gradient: Vector6::zeros(),
                cross: Matrix6xX::zeros(m),
                active: Vec::new(),
            };
            for &v in &extent.views[by_photo[k].clone()] {
                let row = view_row(problem, layout, state, &weights.whiten[v], &problem.views[v])?;
                let (value, w) = weights.loss(row.residual.norm_squared());
                sum.cost += value;
                sum.add(&mut block, &row, w);
                if keep_rows {
                    sum.rows.push((row, w));
                }
            }
            block.active.sort_unstable();
            block.active.dedup();
            sum.photos.push(block);
        }
        Some(sum)
    });
    let mut sum: Option<Normal> = None;
    for piece in pieces {
        let mut piece = piece?;
        match &mut sum {
            None => sum = Some(piece),
            Some(sum) => {
                sum.cost += piece.cost;
                sum.photos.append(&mut piece.photos);
                sum.rows.append(&mut piece.rows);
                sum.corners += piece.corners;
                sum.gradient += piece.gradient;
            }
        }
    }
    let mut sum = sum?;
    sum.corners.fill_upper_triangle_with_lower_triangle();
    for block in measured_blocks(problem, layout, state) {
        sum.add_measured(&block);
    }
    sum.cost.is_finite().then_some(sum)
}

impl Normal {
    fn empty(m: usize) -> Self {
        Self {
            cost: 0.0,
            photos: Vec::new(),
            corners: DMatrix::zeros(m, m),
            measured: Vec::new(),
            gradient: DVector::zeros(m),
            rows: Vec::new(),
        }
    }

    /// A view's row, with its weight; of `corners` only the lower triangle.
    fn add(&mut self, block: &mut PhotoBlock, row: &ViewRow, w: f64) {
        let jct = row.by_camera.transpose() * w;
        block.normal += jct * row.by_camera;
        block.gradient += jct * row.residual;
        for (i, &ci) in row.columns.iter().enumerate() {
            let by_i = row.by_column.column(i);
            let mut target = block.cross.column_mut(ci);
            target += jct * by_i;
            self.gradient[ci] += by_i.dot(&row.residual) * w;
            for (j, &cj) in row.columns[..=i].iter().enumerate() {
                self.corners[(ci.max(cj), ci.min(cj))] += by_i.dot(&row.by_column.column(j)) * w;
            }
        }
        block.active.extend_from_slice(&row.columns);
    }

    fn add_measured(&mut self, block: &MeasuredBlock) {
        self.cost += block.cost();
        let m = self.gradient.len();
        let pull = &block.weight * &block.difference;
        let (pull, normal) = match &block.by_step {
            Some(j) => (j.tr_mul(&pull), j.tr_mul(&block.weight) * j),
            None => (pull, block.weight.clone()),
        };
        let k = self.measured.iter().position(|(source, _)| *source == block.source).unwrap_or_else(|| {
            self.measured.push((block.source, DMatrix::zeros(m, m)));
            self.measured.len() - 1
        });
        for (i, &ci) in block.columns.iter().enumerate() {
            self.gradient[ci] += pull[i];
            for (j, &cj) in block.columns.iter().enumerate() {
                self.measured[k].1[(ci, cj)] += normal[(i, j)];
            }
        }
    }
}

/// `L⁻¹` of a photograph's own block `L L'`, damped by `lambda`: half of its inverse. `None` where its views do not determine its pose.
pub(super) fn photo_half(block: &PhotoBlock, lambda: f64) -> Option<Matrix6<f64>> {
    let mut normal = block.normal;
    for k in 0..6 {
        normal[(k, k)] *= 1.0 + lambda;
    }
    normal.cholesky()?.l_dirty().solve_lower_triangular(&Matrix6::identity())
}

/// What eliminating the photographs' poses takes from the normal matrix of the columns: Σ cross' (half' half) cross.
///
/// The halves of a piece of photographs side by side make one product of two large matrices.
pub(super) fn eliminated(normal: &Normal, halves: &[Matrix6<f64>]) -> DMatrix<f64> {
    let m = normal.gradient.len();
    let parts = in_pieces(normal.photos.len(), PIECE, |piece| {
        let blocks = &normal.photos[piece.clone()];
        let mut columns: Vec<usize> = blocks.iter().flat_map(|b| b.active.iter().copied()).collect();
        columns.sort_unstable();
        columns.dedup();
        let mut side_by_side = DMatrix::<f64>::zeros(columns.len(), 6 * blocks.len());
        for (k, (block, half)) in blocks.iter().zip(&halves[piece]).enumerate() {
            let mut at = 0;
            for &c in &block.active {
                at += columns[at..].partition_point(|known| *known < c);
                let weighted = half * block.cross.column(c);
                for r in 0..6 {
                    side_by_side[(at, 6 * k + r)] = weighted[r];
                }
            }
        }
        (&side_by_side * side_by_side.transpose(), columns)
    });
    let mut out = DMatrix::<f64>::zeros(m, m);
    for (part, columns) in parts {
        for (j, &cj) in columns.iter().enumerate() {
            for (i, &ci) in columns.iter().enumerate() {
                out[(ci, cj)] += part[(i, j)];
            }
        }
    }
    out
}

/// The damped normal equations, ready to be solved for several right sides.
pub(super) struct Damped<'a> {
    normal: &'a Normal,
    inverses: Vec<Matrix6<f64>>,
    factor: nalgebra::Cholesky<f64, nalgebra::Dyn>,
}

impl<'a> Damped<'a> {
    pub fn new(normal: &'a Normal, lambda: f64) -> Option<Self> {
        let mut columns = normal.columns();
        for k in 0..columns.nrows() {
            columns[(k, k)] *= 1.0 + lambda;
        }
        let halves: Vec<Matrix6<f64>> = normal.photos.iter().map(|b| photo_half(b, lambda)).collect::<Option<_>>()?;
        let inverses = halves.iter().map(|half| half.tr_mul(half)).collect();
        let reduced = columns - eliminated(normal, &halves);
        Some(Self { normal, inverses, factor: reduced.cholesky()? })
    }

    /// The step that answers a gradient (columns' part and photographs' parts).
    pub fn answer(&self, mut columns: DVector<f64>, photos: &[Vector6<f64>]) -> Step {
        for ((block, inverse), gradient) in self.normal.photos.iter().zip(&self.inverses).zip(photos) {
            let pull = inverse * gradient;
            for &c in &block.active {
                columns[c] -= block.cross.column(c).dot(&pull);
            }
        }
        let columns = -self.factor.solve(&columns);
        let photos = self
            .normal
            .photos
            .iter()
            .zip(&self.inverses)
            .zip(photos)
            .map(|((block, inverse), gradient)| {
                let sum = block.active.iter().fold(*gradient, |sum, &c| sum + block.cross.column(c) * columns[c]);
                -(inverse * sum)
            })
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
    let mut normal = linearise(problem, layout, &state, weights, extent, false)?;
    let mut lambda = 1e-5;
    let mut growth = 4.0;
    // Bending costs half as much again as a plain step, and needs the rows: only once a plain one has failed.
    let mut curved = false;
    let mut steps = 0;
    for _ in 0..max_iterations {
        steps += 1;
        if curved && normal.rows.is_empty() {
            normal = linearise(problem, layout, &state, weights, extent, true)?;
        }
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
                if gain <= relative_gain * normal.cost.max(1e-12) {
                    return Some((state, cost, steps));
                }
                normal = linearise(problem, layout, &state, weights, extent, curved)?;
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
