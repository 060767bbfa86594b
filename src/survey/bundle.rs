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

use super::LensFreedom;
use super::network::right_step;
use super::problem::{Problem, View};
use crate::body::{TagPlace, UNIT_CORNERS};
use crate::camera::{Lens, N_LENS};
use crate::frames::{Body, Camera, Pose, Tag, World};
use crate::pose::left_step;
use nalgebra::{DMatrix, DVector, Matrix3, Matrix6, SMatrix, SVector, Vector3, Vector6};

/// Most columns one view can have besides its photograph's: body, tag, two scales, lens.
const MAX_COLUMNS: usize = 6 + 6 + 2 + N_LENS;

/// All unknowns.
#[derive(Clone, Debug)]
pub(super) struct State {
    /// By photograph; meaningful only for those in the adjustment.
    pub camera_from_world: Vec<Pose<Camera, World>>,
    /// By instance; meaningful only for those in the adjustment.
    pub world_from_instance: Vec<Pose<World, Body>>,
    /// By body and tag.
    pub body_from_tag: Vec<Vec<Pose<Body, Tag>>>,
    /// Relative scale error by print group.
    pub common_scale: Vec<f64>,
    /// Relative scale error of each tag, by body and tag.
    pub tag_scale: Vec<Vec<f64>>,
    /// By lens.
    pub lenses: Vec<Lens>,
}

/// Which unknown has which column among the unknowns that stay after the photographs are eliminated.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub instance_at: Vec<Option<usize>>,
    pub place_at: Vec<Vec<Option<usize>>>,
    pub common_at: Vec<Option<usize>>,
    pub scale_at: Vec<Vec<Option<usize>>>,
    /// By lens: (parameter, column).
    pub lens_at: Vec<Vec<(usize, usize)>>,
    pub n_columns: usize,
    /// Number of measured values besides the corners.
    pub n_measured: usize,
}

/// What takes part: the views, the photographs they are in, and the instance that is held.
#[derive(Clone, Debug)]
pub(super) struct Extent {
    pub views: Vec<usize>,
    pub photos: Vec<usize>,
    pub reference: usize,
}

impl Layout {
    /// `lenses_may_move`: false holds all lenses, whatever the input allows.
    pub fn new(problem: &Problem, extent: &Extent, lenses_may_move: bool) -> Self {
        let kit = &problem.input.kit;
        let mut used_tags: Vec<Vec<bool>> = kit.bodies.iter().map(|b| vec![false; b.tags.len()]).collect();
        let mut used_instances = vec![false; problem.instances.len()];
        let mut used_prints = vec![false; kit.prints.len()];
        let mut used_lenses = vec![false; problem.input.lenses.len()];
        for &v in &extent.views {
            let view = &problem.views[v];
            used_tags[view.body][view.tag] = true;
            used_instances[view.instance] = true;
            used_lenses[problem.input.photos[view.photo].lens] = true;
            let print = kit.bodies[view.body].tags[view.tag].print;
            if let Some(used) = used_prints.get_mut(print) {
                *used = true;
            }
        }
        let mut next = 0;
        let mut n_measured = 0;
        let mut take = |count: usize| {
            next += count;
            next - count
        };
        let instance_at = used_instances
            .iter()
            .enumerate()
            .map(|(i, used)| (*used && i != extent.reference).then(|| take(6)))
            .collect();
        let mut place_at: Vec<Vec<Option<usize>>> = kit.bodies.iter().map(|b| vec![None; b.tags.len()]).collect();
        let mut scale_at = place_at.clone();
        for (b, body) in kit.bodies.iter().enumerate() {
            for (t, tag) in body.tags.iter().enumerate() {
                if !used_tags[b][t] {
                    continue;
                }
                match &tag.place {
                    TagPlace::Known(_) => {}
                    TagPlace::Measured { .. } => {
                        place_at[b][t] = Some(take(6));
                        n_measured += 6;
                    }
                    TagPlace::Free => place_at[b][t] = Some(take(6)),
                }
                if kit.prints.get(tag.print).is_some_and(|p| p.sigma_each > 0.0) {
                    scale_at[b][t] = Some(take(1));
                    n_measured += 1;
                }
            }
        }
        let common_at = kit
            .prints
            .iter()
            .zip(&used_prints)
            .map(|(print, used)| {
                (*used && print.sigma_common > 0.0).then(|| {
                    n_measured += 1;
                    take(1)
                })
            })
            .collect();
        let lens_at = problem
            .input
            .lenses
            .iter()
            .zip(&used_lenses)
            .map(|(lens, used)| {
                if !*used || !lenses_may_move {
                    return Vec::new();
                }
                match &lens.freedom {
                    LensFreedom::Held => Vec::new(),
                    LensFreedom::Measured(cov) => {
                        let moving: Vec<usize> = (0..N_LENS).filter(|&k| cov[(k, k)] > 0.0).collect();
                        n_measured += moving.len();
                        moving.into_iter().map(|k| (k, take(1))).collect()
                    }
                    LensFreedom::Free(free) => (0..N_LENS).filter(|&k| free[k]).map(|k| (k, take(1))).collect(),
                }
            })
            .collect();
        Self { instance_at, place_at, common_at, scale_at, lens_at, n_columns: next, n_measured }
    }
}

/// How views are weighted: the whitening of each view's eight numbers, and the loss.
#[derive(Clone, Debug)]
pub(super) struct Weights {
    /// By view: L⁻¹ with L L' = covariance of the eight numbers, the unmodelled part included.
    pub whiten: Vec<SMatrix<f64, 8, 8>>,
    /// The d² at which a view starts to count less; `None` for plain least squares.
    pub robust_limit: Option<f64>,
}

impl Weights {
    /// Adds `unmodelled_px`² to the variance of every coordinate.
    pub fn new(problem: &Problem, unmodelled_px: f64, robust_limit: Option<f64>) -> Self {
        let extra = SMatrix::<f64, 8, 8>::identity() * (unmodelled_px * unmodelled_px);
        let whiten = problem
            .views
            .iter()
            .map(|view| {
                let identity = SMatrix::<f64, 8, 8>::identity();
                // `Problem::new` has refused covariances without a factor.
                (view.seen.cov + extra)
                    .cholesky()
                    .and_then(|c| c.l().solve_lower_triangular(&identity))
                    .unwrap_or_else(|| identity * f64::NAN)
            })
            .collect();
        Self { whiten, robust_limit }
    }

    /// Loss and weight at d².
    fn loss(&self, d2: f64) -> (f64, f64) {
        match self.robust_limit {
            Some(limit) => (limit * (d2 / limit).ln_1p(), 1.0 / (1.0 + d2 / limit)),
            None => (d2, 1.0),
        }
    }
}

/// One view's whitened residual and its derivatives.
#[derive(Clone, Debug)]
pub(super) struct ViewRow {
    pub residual: SVector<f64, 8>,
    pub by_camera: SMatrix<f64, 8, 6>,
    pub columns: Vec<usize>,
    /// 8 × MAX_COLUMNS, the first `columns.len()` filled.
    pub by_column: SMatrix<f64, 8, MAX_COLUMNS>,
}

/// The corners of a view's tag, metres, in the tag's frame, at the current print scale.
fn corners(problem: &Problem, state: &State, view: &View) -> [Vector3<f64>; 4] {
    let print = problem.input.kit.bodies[view.body].tags[view.tag].print;
    let scale = state.common_scale.get(print).copied().unwrap_or(0.0) + state.tag_scale[view.body][view.tag];
    super::network::scaled_corners(problem.side_m(view), scale)
}

/// Predicted − seen, pixels; `None` where a corner lies behind the camera.
pub(super) fn view_residual(problem: &Problem, state: &State, view: &View) -> Option<SVector<f64, 8>> {
    let camera_from_tag = state.camera_from_world[view.photo]
        * state.world_from_instance[view.instance]
        * state.body_from_tag[view.body][view.tag];
    let lens = &state.lenses[problem.input.photos[view.photo].lens];
    let mut r = SVector::<f64, 8>::zeros();
    for (k, corner) in corners(problem, state, view).iter().enumerate() {
        let pixel = lens.project(&(camera_from_tag * crate::frames::Point::<Tag>::claim(*corner)))?;
        r.fixed_rows_mut::<2>(2 * k).copy_from(&(pixel - view.seen.corners[k]));
    }
    Some(r)
}

/// Residual and all derivatives of one view, whitened.
pub(super) fn view_row(
    problem: &Problem,
    layout: &Layout,
    state: &State,
    whiten: &SMatrix<f64, 8, 8>,
    view: &View,
) -> Option<ViewRow> {
    let photo = &problem.input.photos[view.photo];
    let body_from_tag = state.body_from_tag[view.body][view.tag];
    let world_from_body = state.world_from_instance[view.instance];
    let camera_from_body = state.camera_from_world[view.photo] * world_from_body;
    let camera_from_tag = camera_from_body * body_from_tag;
    let (rotation_body, rotation_tag) = (camera_from_body.rotation(), camera_from_tag.rotation());
    let lens = &state.lenses[photo.lens];
    let side_m = problem.side_m(view);
    let print = problem.input.kit.bodies[view.body].tags[view.tag].print;

    let mut columns = Vec::with_capacity(MAX_COLUMNS);
    let instance_at = layout.instance_at[view.instance];
    let place_at = layout.place_at[view.body][view.tag];
    let scales = [layout.common_at.get(print).copied().flatten(), layout.scale_at[view.body][view.tag]];
    columns.extend(instance_at.iter().flat_map(|at| *at..*at + 6));
    columns.extend(place_at.iter().flat_map(|at| *at..*at + 6));
    columns.extend(scales.iter().flatten());
    columns.extend(layout.lens_at[photo.lens].iter().map(|(_, column)| *column));

    let mut residual = SVector::<f64, 8>::zeros();
    let mut by_camera = SMatrix::<f64, 8, 6>::zeros();
    let mut by_column = SMatrix::<f64, 8, MAX_COLUMNS>::zeros();
    for (k, corner) in corners(problem, state, view).iter().enumerate() {
        let corner_in_body = body_from_tag * crate::frames::Point::<Tag>::claim(*corner);
        let corner_in_camera = camera_from_body * corner_in_body;
        let projection = lens.project_with_derivatives(&corner_in_camera)?;
        let row = 2 * k;
        residual.fixed_rows_mut::<2>(row).copy_from(&(projection.pixel - view.seen.corners[k]));
        by_camera.fixed_view_mut::<2, 6>(row, 0).copy_from(&(projection.d_point * left_step(&corner_in_camera.coords)));
        let mut at = 0;
        if instance_at.is_some() {
            let j = projection.d_point * right_step(&rotation_body, &corner_in_body.coords);
            by_column.fixed_view_mut::<2, 6>(row, at).copy_from(&j);
            at += 6;
        }
        if place_at.is_some() {
            let j = projection.d_point * right_step(&rotation_tag, corner);
            by_column.fixed_view_mut::<2, 6>(row, at).copy_from(&j);
            at += 6;
        }
        let unit = Vector3::new(UNIT_CORNERS[k][0] * side_m, UNIT_CORNERS[k][1] * side_m, 0.0);
        let by_scale = projection.d_point * (rotation_tag * unit);
        for _ in scales.iter().flatten() {
            by_column.fixed_view_mut::<2, 1>(row, at).copy_from(&by_scale);
            at += 1;
        }
        for (parameter, _) in &layout.lens_at[photo.lens] {
            by_column.fixed_view_mut::<2, 1>(row, at).copy_from(&projection.d_lens.column(*parameter));
            at += 1;
        }
    }
    Some(ViewRow { residual: whiten * residual, by_camera: whiten * by_camera, columns, by_column: whiten * by_column })
}

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

/// What the measured values add at a state: (source, column, weight, difference) blocks.
fn measured_blocks(problem: &Problem, layout: &Layout, state: &State) -> Vec<MeasuredBlock> {
    let kit = &problem.input.kit;
    let mut blocks = Vec::new();
    for (print, column) in layout.common_at.iter().enumerate() {
        if let Some(column) = column {
            blocks.push(MeasuredBlock::scalar(
                super::Source::SheetScale,
                *column,
                kit.prints[print].sigma_common,
                state.common_scale[print],
            ));
        }
    }
    for (b, body) in kit.bodies.iter().enumerate() {
        for (t, tag) in body.tags.iter().enumerate() {
            if let Some(column) = layout.scale_at[b][t] {
                let sigma = kit.prints[tag.print].sigma_each;
                blocks.push(MeasuredBlock::scalar(super::Source::SheetScale, column, sigma, state.tag_scale[b][t]));
            }
            if let (Some(column), TagPlace::Measured { body_from_tag, cov }) = (layout.place_at[b][t], &tag.place)
                && let Some(weight) = cov.try_inverse()
            {
                // The step from the measured to the current place, small by construction.
                let d = body_from_tag.inverse().iso() * state.body_from_tag[b][t].iso();
                let (w, v) = (d.rotation.scaled_axis(), d.translation.vector);
                // d difference / d step: to second order in the small rotation, exact in the translation.
                let mut by_step = Matrix6::identity();
                by_step.fixed_view_mut::<3, 3>(0, 0).copy_from(&(Matrix3::identity() + crate::frames::skew(&w) * 0.5));
                by_step.fixed_view_mut::<3, 3>(3, 3).copy_from(d.rotation.to_rotation_matrix().matrix());
                blocks.push(MeasuredBlock {
                    source: super::Source::TagPlaces,
                    columns: (column..column + 6).collect(),
                    weight: DMatrix::from_iterator(6, 6, weight.iter().copied()),
                    difference: DVector::from_column_slice(&[w.x, w.y, w.z, v.x, v.y, v.z]),
                    by_step: Some(DMatrix::from_iterator(6, 6, by_step.iter().copied())),
                });
            }
        }
    }
    for (l, columns) in layout.lens_at.iter().enumerate() {
        if let LensFreedom::Measured(cov) = &problem.input.lenses[l].freedom
            && !columns.is_empty()
        {
            let n = columns.len();
            let sub = DMatrix::from_fn(n, n, |i, j| cov[(columns[i].0, columns[j].0)]);
            if let Ok(weight) = crate::fit::spd_inverse(&sub) {
                let all = state.lenses[l].parameters() - problem.input.lenses[l].lens.parameters();
                blocks.push(MeasuredBlock {
                    source: super::Source::Lens,
                    columns: columns.iter().map(|(_, c)| *c).collect(),
                    weight,
                    difference: DVector::from_fn(n, |i, _| all[columns[i].0]),
                    by_step: None,
                });
            }
        }
    }
    blocks
}

struct MeasuredBlock {
    source: super::Source,
    columns: Vec<usize>,
    weight: DMatrix<f64>,
    difference: DVector<f64>,
    /// d difference / d columns; `None` for the identity.
    by_step: Option<DMatrix<f64>>,
}

impl MeasuredBlock {
    fn scalar(source: super::Source, column: usize, sigma: f64, difference: f64) -> Self {
        Self {
            source,
            columns: vec![column],
            weight: DMatrix::from_element(1, 1, 1.0 / (sigma * sigma)),
            difference: DVector::from_element(1, difference),
            by_step: None,
        }
    }

    fn cost(&self) -> f64 {
        (self.difference.transpose() * &self.weight * &self.difference)[(0, 0)]
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

/// The state after a step.
fn moved(problem: &Problem, layout: &Layout, state: &State, extent: &Extent, step: &Step) -> State {
    let mut next = state.clone();
    let columns = &step.columns;
    let six = |at: usize| Vector6::from_fn(|k, _| columns[at + k]);
    for (photo, delta) in extent.photos.iter().zip(&step.photos) {
        next.camera_from_world[*photo] = state.camera_from_world[*photo].moved_left(delta);
    }
    for (i, at) in layout.instance_at.iter().enumerate() {
        if let Some(at) = at {
            next.world_from_instance[i] = state.world_from_instance[i].moved_right(&six(*at));
        }
    }
    for (b, tags) in layout.place_at.iter().enumerate() {
        for (t, at) in tags.iter().enumerate() {
            if let Some(at) = at {
                next.body_from_tag[b][t] = state.body_from_tag[b][t].moved_right(&six(*at));
            }
            if let Some(at) = layout.scale_at[b][t] {
                next.tag_scale[b][t] += columns[at];
            }
        }
    }
    for (print, at) in layout.common_at.iter().enumerate() {
        if let Some(at) = at {
            next.common_scale[print] += columns[*at];
        }
    }
    for (l, list) in layout.lens_at.iter().enumerate() {
        let mut p = state.lenses[l].parameters();
        for (parameter, at) in list {
            p[*parameter] += columns[*at];
        }
        next.lenses[l] = problem.input.lenses[l].lens.with_parameters(&p);
    }
    next
}

/// A step of all unknowns.
#[derive(Clone, Debug)]
struct Step {
    columns: DVector<f64>,
    /// In the order of [`Extent::photos`].
    photos: Vec<Vector6<f64>>,
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
    const H: f64 = 0.1;
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
    (size(&bend) < 4.0 * 0.75 * 0.75 * size(step)).then(|| Step {
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
