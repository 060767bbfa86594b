//! One picture against known corners: a pose, how it scatters, and how it hangs on the survey's unknowns.
//!
//! Weights are the inverse of the residuals' whole covariance, corners and survey together, so that a sheet whose place is known less well pulls less.
//! The pose's error is split: what is new in every picture ([`ViewFit::noise`]), and what is the same in every picture ([`ViewFit::gain`]): what the survey's errors do, and
//! what lies beyond the tags' white margins ([`TagView::beyond`]), which no number of pictures averages away.

use crate::camera::Lens;
use crate::fit::chi_square;
use crate::fit::spd_inverse;
use crate::frames::{Camera, Point, Pose};
use crate::pose::left_step;
use crate::survey::{Ground, TagView};
use crate::tags::margin::{self, ALIKE, UNLIKE};
use nalgebra::{DMatrix, DVector, Matrix3x6, Matrix6, Matrix6xX, SMatrix, SVector, Vector3, Vector6};

/// Tags used at most, the largest in the picture first: more than this cost time and add nothing (three or four printed sheets). Common practice, no source.
pub(super) const MOST_TAGS: usize = 24;

/// Chance that a sound picture fails the test of its residuals. Common practice, no source.
const FALSE_ALARM: f64 = 1e-4;

/// Pictures after which the weights are made anew even where nothing changed: some seconds. Common practice, no source.
const WEIGHTS_LAST: usize = 100;

/// Turn of the view (rad) and relative change of distance up to which weights are kept: weights need not be exact, the error is propagated for those used. Common practice, no source.
const SAME_VIEW: f64 = 0.03;

/// A tag whose corners are known in some frame.
#[derive(Clone, Debug)]
pub(super) struct KnownTag {
    pub id: u16,
    /// Index into the survey's bodies.
    pub body: usize,
    pub corners: [Vector3<f64>; 4],
    /// Columns of the ground that the corners hang on.
    pub columns: Vec<usize>,
    /// 12 × k.
    pub by_column: DMatrix<f64>,
    /// First of the four columns, among those behind the ground's, of what lies beyond its sides; column 0 there is what is alike beyond all.
    pub beyond_at: usize,
}

/// A tag view with what is known of the tag.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sight<'a> {
    pub known: &'a KnownTag,
    pub seen: &'a TagView,
}

/// The lens and what the survey knows.
#[derive(Clone, Copy, Debug)]
pub(super) struct Through<'a> {
    pub ground: &'a Ground,
    /// Index into the ground's lenses.
    pub lens: usize,
    /// How many columns behind the ground's hold what lies beyond the margins, each with a variance of 1.
    pub n_beyond: usize,
}

impl Through<'_> {
    pub fn lens(&self) -> &Lens {
        &self.ground.lenses[self.lens]
    }
}

/// A pose from one picture.
#[derive(Clone, Debug)]
pub(super) struct ViewFit<F> {
    pub camera_from_frame: Pose<Camera, F>,
    /// Covariance of its left step from the corners alone.
    pub noise: Matrix6<f64>,
    /// 6 × n: its left step by the ground's columns and those of what lies beyond the margins.
    pub gain: Matrix6xX<f64>,
    /// Ids used, in rising order.
    pub used: Vec<u16>,
    /// Ids that contradict the others and were left out, with their bodies.
    pub rejected: Vec<(u16, usize)>,
    /// What was used still contradicts itself.
    pub contradicted: bool,
}

/// Weights kept from picture to picture.
#[derive(Clone, Debug)]
pub(super) struct Weights<F> {
    ids: Vec<u16>,
    camera_from_frame: Pose<Camera, F>,
    /// Inverse of the residuals' covariance, 8m × 8m.
    inverse: DMatrix<f64>,
    uses: usize,
}

/// Residuals and derivatives of one tag.
struct Row {
    residual: SVector<f64, 8>,
    by_pose: SMatrix<f64, 8, 6>,
    by_corner: [SMatrix<f64, 2, 3>; 4],
    by_lens: [SMatrix<f64, 2, { crate::camera::N_LENS }>; 4],
}

fn row<F>(lens: &Lens, pose: &Pose<Camera, F>, sight: &Sight) -> Option<Row> {
    let mut out = Row {
        residual: SVector::zeros(),
        by_pose: SMatrix::zeros(),
        by_corner: [SMatrix::zeros(); 4],
        by_lens: [SMatrix::zeros(); 4],
    };
    let rotation = pose.rotation();
    for k in 0..4 {
        let in_camera = *pose * Point::<F>::claim(sight.known.corners[k]);
        let p = lens.project_with_derivatives(&in_camera)?;
        out.residual.fixed_rows_mut::<2>(2 * k).copy_from(&(p.pixel - sight.seen.corners[k]));
        let step: Matrix3x6<f64> = left_step(&in_camera.coords);
        out.by_pose.fixed_view_mut::<2, 6>(2 * k, 0).copy_from(&(p.d_point * step));
        out.by_corner[k] = p.d_point * rotation;
        out.by_lens[k] = p.d_lens;
    }
    Some(out)
}

/// Columns that a tag's residual hangs on, lens last, with the derivative: 8 × k.
fn by_columns(through: &Through, row: &Row, known: &KnownTag) -> (Vec<usize>, DMatrix<f64>) {
    let lens_at = &through.ground.lens_at[through.lens];
    let own = known.columns.len();
    let mut columns = known.columns.clone();
    columns.extend(lens_at.iter().map(|(_, at)| *at));
    let mut by = DMatrix::zeros(8, columns.len());
    for k in 0..4 {
        let corner = row.by_corner[k] * known.by_column.rows(3 * k, 3);
        by.view_mut((2 * k, 0), (2, own)).copy_from(&corner);
        for (j, (parameter, _)) in lens_at.iter().enumerate() {
            by.view_mut((2 * k, own + j), (2, 1)).copy_from(&row.by_lens[k].column(*parameter));
        }
    }
    (columns, by)
}

/// Covariance of one view's corners with what the survey had to add.
fn corner_cov(through: &Through, seen: &TagView) -> SMatrix<f64, 8, 8> {
    let extra = through.ground.unmodelled_px;
    seen.cov + SMatrix::identity() * (extra * extra)
}

/// What one standard uncertainty of what is alike beyond all margins changes in a view, px.
fn alike(seen: &TagView) -> SVector<f64, 8> {
    seen.beyond.column_sum() * ALIKE
}

/// The part of it that is new in every picture; all of it where a caller's covariance does not hold what is beyond the margins.
fn new_cov(through: &Through, seen: &TagView) -> SMatrix<f64, 8, 8> {
    let whole = corner_cov(through, seen);
    let new = whole - margin::cov(&seen.beyond);
    if new.cholesky().is_some() { new } else { whole }
}

/// Inverse of the whole covariance of all residuals; `None` where it has none.
fn whole_weights(through: &Through, sights: &[Sight], hang: &[(Vec<usize>, DMatrix<f64>)]) -> Option<DMatrix<f64>> {
    let m = sights.len();
    let cov = &through.ground.cov;
    let mut whole = DMatrix::zeros(8 * m, 8 * m);
    for i in 0..m {
        let (ci, ji) = &hang[i];
        for (j, (cj, jj)) in hang.iter().enumerate().take(i + 1) {
            let between = DMatrix::from_fn(ci.len(), cj.len(), |a, b| cov[(ci[a], cj[b])]);
            let mut block = ji * between * jj.transpose();
            block += match i == j {
                true => corner_cov(through, sights[i].seen),
                // What is alike beyond all margins pulls all tags the same way.
                false => alike(sights[i].seen) * alike(sights[j].seen).transpose(),
            };
            whole.view_mut((8 * i, 8 * j), (8, 8)).copy_from(&block);
            if i != j {
                whole.view_mut((8 * j, 8 * i), (8, 8)).copy_from(&block.transpose());
            }
        }
    }
    spd_inverse(&whole).ok()
}

/// Everything a solution at fixed weights needs.
struct Solved<F> {
    pose: Pose<Camera, F>,
    rows: Vec<Row>,
    /// P J, 8m × 6.
    weighted: DMatrix<f64>,
    normal_inverse: Matrix6<f64>,
    /// P r.
    pull: DVector<f64>,
    chi2: f64,
}

fn rows_at<F>(through: &Through, pose: &Pose<Camera, F>, sights: &[Sight]) -> Option<Vec<Row>> {
    sights.iter().map(|s| row(through.lens(), pose, s)).collect()
}

/// Gauss-Newton at fixed weights; the start is near.
fn solve<F>(through: &Through, sights: &[Sight], inverse: &DMatrix<f64>, start: &Pose<Camera, F>) -> Option<Solved<F>> {
    let mut pose = *start;
    for step in 0..12 {
        let rows = rows_at(through, &pose, sights)?;
        let mut j = DMatrix::zeros(8 * rows.len(), 6);
        let mut r = DVector::zeros(8 * rows.len());
        for (k, row) in rows.iter().enumerate() {
            j.view_mut((8 * k, 0), (8, 6)).copy_from(&row.by_pose);
            r.rows_mut(8 * k, 8).copy_from(&row.residual);
        }
        let weighted = inverse * &j;
        let pull = inverse * &r;
        let normal: DMatrix<f64> = j.tr_mul(&weighted);
        let normal = Matrix6::from_fn(|a, b| 0.5 * (normal[(a, b)] + normal[(b, a)]));
        let normal_inverse = normal.try_inverse()?;
        let gradient = j.tr_mul(&pull);
        let delta: Vector6<f64> = -(normal_inverse * Vector6::from_fn(|k, _| gradient[k]));
        if !delta.iter().all(|v| v.is_finite()) {
            return None;
        }
        // In units of the pose's own scatter.
        let size = delta.dot(&(normal * delta));
        if size < 1e-6 || step == 11 {
            return Some(Solved { pose, rows, weighted, normal_inverse, chi2: r.dot(&pull), pull });
        }
        pose = pose.moved_left(&delta);
    }
    None
}

/// The most doubtful of the tags: its place in the list.
///
/// Source: W. Baarda, "A testing procedure for use in geodetic networks", 1968: (P r)_i' [(P Q_v P)_ii]⁻ (P r)_i, chi-square where nothing is wrong.
fn worst<F>(solved: &Solved<F>, inverse: &DMatrix<f64>) -> Option<usize> {
    let m = solved.rows.len();
    let chance = |k: usize| -> f64 {
        let pj = solved.weighted.rows(8 * k, 8).into_owned();
        let reduced = &pj * solved.normal_inverse * pj.transpose();
        let own = inverse.view((8 * k, 8 * k), (8, 8));
        let block = SMatrix::<f64, 8, 8>::from_fn(|a, b| own[(a, b)] - reduced[(a, b)]);
        let eigen = ((block + block.transpose()) * 0.5).symmetric_eigen();
        let pull = SVector::<f64, 8>::from_fn(|a, _| solved.pull[8 * k + a]);
        let largest = eigen.eigenvalues.amax();
        let (mut statistic, mut dof) = (0.0, 0);
        for (value, vector) in eigen.eigenvalues.iter().zip(eigen.eigenvectors.column_iter()) {
            if *value > 1e-6 * largest {
                statistic += vector.dot(&pull).powi(2) / value;
                dof += 1;
            }
        }
        if dof == 0 { 0.0 } else { chi_square::ln_tail(statistic, dof) }
    };
    (0..m).map(|k| (k, chance(k))).min_by(|a, b| a.1.total_cmp(&b.1)).map(|(k, _)| k)
}

/// Fits a pose to what is seen of known tags, from a start near the solution. Tags that contradict the others are left out; where only two are left
/// nobody can say which of them is wrong.
pub(super) fn fit_view<F>(
    through: &Through,
    all: &[Sight],
    start: &Pose<Camera, F>,
    kept: &mut Option<Weights<F>>,
) -> Option<ViewFit<F>> {
    let mut sights: Vec<Sight> = all.to_vec();
    sights.sort_by_key(|s| s.known.id);
    let mut rejected = Vec::new();
    let mut start = *start;
    loop {
        let ids: Vec<u16> = sights.iter().map(|s| s.known.id).collect();
        let fresh = kept.as_mut().is_some_and(|w| {
            let (turn, shift) = w.camera_from_frame.difference(&start);
            w.uses += 1;
            let near = turn < SAME_VIEW && shift < SAME_VIEW * start.translation().norm();
            w.ids == ids && w.uses < WEIGHTS_LAST && near
        });
        if !fresh {
            let rows = rows_at(through, &start, &sights)?;
            let hang: Vec<_> = rows.iter().zip(&sights).map(|(r, s)| by_columns(through, r, s.known)).collect();
            let inverse = whole_weights(through, &sights, &hang)?;
            *kept = Some(Weights { ids: ids.clone(), camera_from_frame: start, inverse, uses: 0 });
        }
        let inverse = &kept.as_ref()?.inverse;
        let solved = solve(through, &sights, inverse, &start)?;
        let dof = 8 * sights.len() - 6;
        let passed = solved.chi2 <= chi_square::limit(FALSE_ALARM.ln(), dof);
        let may_drop = sights.len() > 2 && rejected.len() < all.len() / 2;
        if !passed && may_drop {
            let k = worst(&solved, inverse)?;
            rejected.push((sights[k].known.id, sights[k].known.body));
            start = solved.pose;
            sights.remove(k);
            continue;
        }
        // Rejected views are tested again on the solution without them only by the next picture.
        return Some(finish(through, &sights, &solved, rejected, !passed, dof));
    }
}

fn finish<F>(
    through: &Through,
    sights: &[Sight],
    solved: &Solved<F>,
    rejected: Vec<(u16, usize)>,
    contradicted: bool,
    dof: usize,
) -> ViewFit<F> {
    let mut noise = Matrix6::zeros();
    let n = through.ground.n_columns();
    let mut gain = Matrix6xX::zeros(n + through.n_beyond);
    for (k, (row, sight)) in solved.rows.iter().zip(sights).enumerate() {
        // - N⁻¹ J' P, the columns of this view: 6 × 8.
        let pj = solved.weighted.fixed_view::<8, 6>(8 * k, 0);
        let by_residual: SMatrix<f64, 6, 8> = -(solved.normal_inverse * pj.transpose());
        noise += by_residual * new_cov(through, sight.seen) * by_residual.transpose();
        // Seen farther out is a smaller residual.
        let mut common = gain.column_mut(n);
        common -= by_residual * alike(sight.seen);
        let mut own = gain.columns_mut(n + sight.known.beyond_at, 4);
        own -= by_residual * sight.seen.beyond * UNLIKE;
        let (columns, by) = by_columns(through, row, sight.known);
        let part = by_residual * by;
        for (c, column) in columns.iter().enumerate() {
            let mut target = gain.column_mut(*column);
            target += part.column(c);
        }
    }
    // Residuals larger than stated make the scatter larger.
    noise *= (solved.chi2 / dof as f64).max(1.0);
    ViewFit {
        camera_from_frame: solved.pose,
        noise,
        gain,
        used: sights.iter().map(|s| s.known.id).collect(),
        rejected,
        contradicted,
    }
}
