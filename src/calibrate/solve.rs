//! Least squares over all photographs of a board: the model's free parameters and one pose for each photograph.
//!
//! The poses are eliminated photograph by photograph (Schur complement), so that what is solved has only the free parameters of the model.

use crate::calibrate::model::{BoardView, Free, Group, Model, N_MODEL};
use crate::fit::{cauchy_loss, spd_inverse};
use crate::frames::{Body, Camera, Pose};
use nalgebra::{DMatrix, DVector, Matrix6, SMatrix, SVector, Vector6};

/// Unknowns of one photograph: its pose, then the model.
const N_VIEW: usize = 6 + N_MODEL;

/// How a fit is run.
#[derive(Clone, Copy, Debug)]
pub struct SolveOptions {
    /// Which parameters of the model are adjusted.
    pub free: Free,
    /// Standard deviation added to each coordinate's own, px: what the located points' own covariance leaves out.
    pub added_px: f64,
    /// Groups whose squared normalised residual exceeds this pull less (Cauchy's loss); `None`: plain least squares.
    pub limit: Option<f64>,
    /// Most steps tried.
    pub max_iterations: usize,
}

/// A fit.
#[derive(Clone, Debug)]
pub struct Solution {
    /// The model.
    pub model: Model,
    /// Camera from board of each photograph.
    pub poses: Vec<Pose<Camera, Body>>,
    /// Which parameters were adjusted.
    pub free: Free,
    /// Σ of the squared normalised residuals (after the loss, where there is one).
    pub cost: f64,
    /// Redundancy: observations less unknowns.
    pub dof: f64,
    /// Covariance of the free parameters, rows and columns of the others zero; for the stated variances, not scaled.
    pub cov: SMatrix<f64, N_MODEL, N_MODEL>,
    /// Each photograph's own share of the reduced normal matrix (what it says about the parameters when its pose is free).
    pub shares: Vec<SMatrix<f64, N_MODEL, N_MODEL>>,
    /// Each photograph's own share of the reduced gradient Jᵀr; they sum to zero.
    pub pulls: Vec<SVector<f64, N_MODEL>>,
    /// True where the steps came to an end by themselves.
    pub converged: bool,
}

/// Why there is no fit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum SolveError {
    /// The start can't be evaluated: a point lies behind the camera.
    #[error("the start puts a point of the board behind the camera")]
    BadStart,
    /// The photographs do not determine this parameter (index in [`crate::calibrate::model::MODEL_PARAMETERS`]).
    #[error("the photographs do not determine parameter {0}")]
    Undetermined(usize),
}

/// Residuals of a group (predicted − seen), x0 y0 x1 y1 ..., and where asked their derivatives.
fn residuals(model: &Model, pose: &Pose<Camera, Body>, group: &Group) -> Option<DVector<f64>> {
    let mut r = DVector::zeros(2 * group.points.len());
    for (k, (point, seen)) in group.points.iter().zip(&group.pixels).enumerate() {
        r.fixed_rows_mut::<2>(2 * k).copy_from(&(model.pixel(pose, point)? - seen));
    }
    Some(r)
}

/// The lower factor L of a group's covariance with the added variance: cov + added² I = L Lᵀ.
fn factor(group: &Group, added_px: f64) -> Option<DMatrix<f64>> {
    let n = group.cov.nrows();
    let whole = &group.cov + DMatrix::identity(n, n) * (added_px * added_px);
    whole.cholesky().map(|c| c.unpack())
}

/// Squared normalised residual of a group; infinite where it cannot be evaluated.
pub fn group_d2(model: &Model, pose: &Pose<Camera, Body>, group: &Group, added_px: f64) -> f64 {
    let found = factor(group, added_px).and_then(|l| l.solve_lower_triangular(&residuals(model, pose, group)?));
    found.map_or(f64::INFINITY, |w| w.norm_squared())
}

/// Normal equations of one photograph: cost, gradient, matrix; order [pose, model].
type ViewNormal = (f64, SVector<f64, N_VIEW>, SMatrix<f64, N_VIEW, N_VIEW>);

fn view_normal(
    model: &Model,
    pose: &Pose<Camera, Body>,
    view: &BoardView,
    factors: &[DMatrix<f64>],
    limit: Option<f64>,
) -> Option<ViewNormal> {
    let mut cost = 0.0;
    let mut gradient = SVector::<f64, N_VIEW>::zeros();
    let mut normal = SMatrix::<f64, N_VIEW, N_VIEW>::zeros();
    for (group, l) in view.groups.iter().zip(factors) {
        let n = 2 * group.points.len();
        // n × (1 + N_VIEW): residual, then derivatives; whitened in one go.
        let mut rows = DMatrix::<f64>::zeros(n, 1 + N_VIEW);
        for (k, (point, seen)) in group.points.iter().zip(&group.pixels).enumerate() {
            let (pixel, d) = model.pixel_with_derivatives(pose, point)?;
            rows.fixed_view_mut::<2, 1>(2 * k, 0).copy_from(&(pixel - seen));
            rows.fixed_view_mut::<2, N_VIEW>(2 * k, 1).copy_from(&d);
        }
        l.solve_lower_triangular_mut(&mut rows);
        let d2 = rows.column(0).norm_squared();
        let (loss, weight) = limit.map_or((d2, 1.0), |limit| cauchy_loss(d2, limit));
        cost += loss;
        let (r, j) = (rows.column(0), rows.columns(1, N_VIEW));
        gradient += j.tr_mul(&r) * weight;
        normal += j.tr_mul(&j) * weight;
    }
    Some((cost, gradient, normal))
}

/// Fits the free parameters and the poses from a start. `poses`: one for each view.
pub fn solve(
    start: &Model,
    poses: &[Pose<Camera, Body>],
    views: &[BoardView],
    options: &SolveOptions,
) -> Result<Solution, SolveError> {
    let factors: Vec<Vec<DMatrix<f64>>> = views
        .iter()
        .map(|v| v.groups.iter().map(|g| factor(g, options.added_px)).collect::<Option<Vec<_>>>())
        .collect::<Option<Vec<_>>>()
        .ok_or(SolveError::BadStart)?;
    let linearise = |model: &Model, poses: &[Pose<Camera, Body>]| -> Option<(f64, Vec<ViewNormal>)> {
        let normals: Vec<ViewNormal> = views
            .iter()
            .zip(poses)
            .zip(&factors)
            .map(|((v, p), f)| view_normal(model, p, v, f, options.limit))
            .collect::<Option<_>>()?;
        let cost: f64 = normals.iter().map(|n| n.0).sum();
        cost.is_finite().then_some((cost, normals))
    };
    let free: Vec<usize> = (0..N_MODEL).filter(|k| options.free[*k]).collect();
    let (mut model, mut poses) = (*start, poses.to_vec());
    let (mut cost, mut normals) = linearise(&model, &poses).ok_or(SolveError::BadStart)?;
    let mut lambda = 1e-4;
    let mut converged = false;
    for _ in 0..options.max_iterations {
        let step = damped_step(&normals, &free, lambda).and_then(|(d_model, d_poses)| {
            let next_model = model.with_parameters(&(model.parameters() + d_model));
            let next_poses: Vec<_> = poses.iter().zip(&d_poses).map(|(p, d)| p.moved_left(d)).collect();
            let (next_cost, next) = linearise(&next_model, &next_poses)?;
            (next_cost <= cost).then_some((next_model, next_poses, next_cost, next))
        });
        match step {
            Some((next_model, next_poses, next_cost, next)) => {
                let gain = cost - next_cost;
                (model, poses, cost, normals) = (next_model, next_poses, next_cost, next);
                lambda = (lambda * 0.1).max(1e-12);
                if gain <= 1e-12 * cost || cost < 1e-18 {
                    converged = true;
                    break;
                }
            }
            None => {
                lambda *= 10.0;
                if lambda > 1e10 {
                    converged = true;
                    break;
                }
            }
        }
    }
    finish(model, poses, views, options, &free, cost, &normals, converged)
}

/// The reduced matrix and gradient of one photograph, its pose eliminated; `None` where its pose is not determined.
fn reduced(
    normal: &ViewNormal,
    lambda: f64,
) -> Option<(SMatrix<f64, N_MODEL, N_MODEL>, SVector<f64, N_MODEL>, Matrix6<f64>)> {
    let (_, gradient, matrix) = normal;
    let mut of_pose: Matrix6<f64> = matrix.fixed_view::<6, 6>(0, 0).into_owned();
    for k in 0..6 {
        of_pose[(k, k)] *= 1.0 + lambda;
    }
    let inverse = of_pose.cholesky()?.inverse();
    let cross = matrix.fixed_view::<6, N_MODEL>(0, 6);
    let carried = inverse * cross; // 6 × N_MODEL
    let m = matrix.fixed_view::<N_MODEL, N_MODEL>(6, 6) - cross.transpose() * carried;
    let g = gradient.fixed_rows::<N_MODEL>(6) - carried.transpose() * gradient.fixed_rows::<6>(0);
    Some((m, g, inverse))
}

/// What errors that all photographs have in common do to the parameters: every point within one region of the picture is displaced alike.
///
/// The picture is cut into `cells.0` × `cells.1` regions, each with an unknown displacement of standard deviation `sd_px` in x and in y. Returns the covariance
/// this adds to the free parameters. No comparison of photographs can show such errors, because all of them agree on them.
pub fn common_errors(
    at: &Solution,
    views: &[BoardView],
    added_px: f64,
    cells: (usize, usize),
    sd_px: f64,
) -> SMatrix<f64, N_MODEL, N_MODEL> {
    let lens = &at.model.lens;
    let mut pulls = vec![SMatrix::<f64, N_MODEL, 2>::zeros(); cells.0 * cells.1];
    for (view, pose) in views.iter().zip(&at.poses) {
        let Some(factors) = view.groups.iter().map(|g| factor(g, added_px)).collect::<Option<Vec<_>>>() else {
            continue;
        };
        let Some(normal) = view_normal(&at.model, pose, view, &factors, None) else { continue };
        let Some((_, _, inverse)) = reduced(&normal, 0.0) else { continue };
        let carried = inverse * normal.2.fixed_view::<6, N_MODEL>(0, 6);
        for (group, l) in view.groups.iter().zip(&factors) {
            let n = 2 * group.points.len();
            let mut rows = DMatrix::<f64>::zeros(n, N_VIEW);
            let mut ones = DMatrix::<f64>::zeros(n, 2);
            for (k, point) in group.points.iter().enumerate() {
                let Some((_, d)) = at.model.pixel_with_derivatives(pose, point) else { continue };
                rows.fixed_view_mut::<2, N_VIEW>(2 * k, 0).copy_from(&d);
                ones[(2 * k, 0)] = 1.0;
                ones[(2 * k + 1, 1)] = 1.0;
            }
            l.solve_lower_triangular_mut(&mut rows);
            l.solve_lower_triangular_mut(&mut ones);
            let pull = rows.tr_mul(&ones); // N_VIEW × 2
            let own = pull.fixed_view::<N_MODEL, 2>(6, 0) - carried.transpose() * pull.fixed_view::<6, 2>(0, 0);
            let middle = group.pixels.iter().sum::<nalgebra::Vector2<f64>>() / group.pixels.len() as f64;
            let cell = |v: f64, size: usize, n: usize| ((v / size as f64 * n as f64).max(0.0) as usize).min(n - 1);
            pulls[cell(middle.y, lens.height, cells.1) * cells.0 + cell(middle.x, lens.width, cells.0)] += own;
        }
    }
    let spread = pulls.iter().map(|p| p * p.transpose()).sum::<SMatrix<f64, N_MODEL, N_MODEL>>() * (sd_px * sd_px);
    at.cov * spread * at.cov
}

type Step = (SVector<f64, N_MODEL>, Vec<Vector6<f64>>);

fn damped_step(normals: &[ViewNormal], free: &[usize], lambda: f64) -> Option<Step> {
    let mut matrix = SMatrix::<f64, N_MODEL, N_MODEL>::zeros();
    let mut gradient = SVector::<f64, N_MODEL>::zeros();
    let mut inverses = Vec::with_capacity(normals.len());
    for normal in normals {
        let (mut m, g, inverse) = reduced(normal, lambda)?;
        for k in 0..N_MODEL {
            m[(k, k)] += lambda * normal.2[(6 + k, 6 + k)];
        }
        matrix += m;
        gradient += g;
        inverses.push(inverse);
    }
    let n = free.len();
    let mut d_model = SVector::<f64, N_MODEL>::zeros();
    if n > 0 {
        let scale: Vec<f64> = free.iter().map(|k| 1.0 / matrix[(*k, *k)].max(1e-30).sqrt()).collect();
        let scaled = DMatrix::from_fn(n, n, |i, j| matrix[(free[i], free[j])] * scale[i] * scale[j]);
        let right = DVector::from_fn(n, |i, _| -gradient[free[i]] * scale[i]);
        let step = scaled.cholesky()?.solve(&right);
        for (i, k) in free.iter().enumerate() {
            d_model[*k] = step[i] * scale[i];
        }
    }
    let d_poses = normals
        .iter()
        .zip(&inverses)
        .map(|((_, g, m), inverse)| -inverse * (g.fixed_rows::<6>(0) + m.fixed_view::<6, N_MODEL>(0, 6) * d_model))
        .collect();
    Some((d_model, d_poses))
}

#[allow(clippy::too_many_arguments)] // the loose ends of one function, tied up
fn finish(
    model: Model,
    poses: Vec<Pose<Camera, Body>>,
    views: &[BoardView],
    options: &SolveOptions,
    free: &[usize],
    cost: f64,
    normals: &[ViewNormal],
    converged: bool,
) -> Result<Solution, SolveError> {
    let mut shares = Vec::with_capacity(normals.len());
    let mut pulls = Vec::with_capacity(normals.len());
    for normal in normals {
        let (m, g, _) = reduced(normal, 0.0).ok_or(SolveError::Undetermined(0))?;
        shares.push(m);
        pulls.push(g);
    }
    let whole = shares.iter().sum::<SMatrix<f64, N_MODEL, N_MODEL>>();
    let small = DMatrix::from_fn(free.len(), free.len(), |i, j| whole[(free[i], free[j])]);
    let inverse = spd_inverse(&small).map_err(|k| SolveError::Undetermined(free[k]))?;
    let mut cov = SMatrix::<f64, N_MODEL, N_MODEL>::zeros();
    for (i, a) in free.iter().enumerate() {
        for (j, b) in free.iter().enumerate() {
            cov[(*a, *b)] = inverse[(i, j)];
        }
    }
    let observed: usize = views.iter().map(|v| 2 * v.n_points()).sum();
    let dof = observed as f64 - (6 * views.len() + free.len()) as f64;
    Ok(Solution { model, poses, free: options.free, cost, dof, cov, shares, pulls, converged })
}
