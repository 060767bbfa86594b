//! What the adjustment minimises, row by row: the views, whitened, and the values known beforehand.

use super::LensFreedom;
use super::network::right_step;
use super::pieces::each;
use super::problem::{Problem, View};
use super::unknowns::{Layout, State};
use crate::body::{JointPlaces, ScaleOf, TagPlace};
use crate::camera::N_LENS;
use crate::frames::{Body, Pose, Tag};
use crate::pose::left_step;
use nalgebra::{DMatrix, DVector, Matrix3, Matrix6, SMatrix, SVector, Vector3, Vector6};

/// Most columns one view can have besides its photograph's: body, tag, four scales, lens, a motion.
const MAX_COLUMNS: usize = 6 + 6 + 4 + N_LENS + 6;

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
        let whiten = each(problem.views.len(), 500, |v| {
            let identity = SMatrix::<f64, 8, 8>::identity();
            // `Problem::new` has refused covariances without a factor.
            (problem.views[v].seen.cov + extra)
                .cholesky()
                .and_then(|c| c.l().solve_lower_triangular(&identity))
                .unwrap_or_else(|| identity * f64::NAN)
        });
        Self { whiten, robust_limit }
    }

    /// Loss and weight at d².
    pub fn loss(&self, d2: f64) -> (f64, f64) {
        match self.robust_limit {
            Some(limit) => crate::fit::cauchy_loss(d2, limit),
            None => (d2, 1.0),
        }
    }
}

/// One view's whitened residual and its derivatives.
#[derive(Clone, Debug)]
pub(super) struct ViewRow {
    pub residual: SVector<f64, 8>,
    pub by_camera: SMatrix<f64, 8, 6>,
    pub columns: Columns,
    /// 8 × MAX_COLUMNS, the first `columns.len()` filled.
    pub by_column: SMatrix<f64, 8, MAX_COLUMNS>,
}

/// A short list of columns.
#[derive(Clone, Copy, Debug)]
pub(super) struct Columns {
    at: [usize; MAX_COLUMNS],
    len: usize,
}

impl Columns {
    fn empty() -> Self {
        Self { at: [0; MAX_COLUMNS], len: 0 }
    }

    fn extend(&mut self, columns: impl Iterator<Item = usize>) {
        for column in columns {
            self.at[self.len] = column;
            self.len += 1;
        }
    }
}

impl std::ops::Deref for Columns {
    type Target = [usize];

    fn deref(&self) -> &[usize] {
        &self.at[..self.len]
    }
}

/// The corners of a view's tag, metres, in the tag's frame, at the current print scale.
pub(super) fn corners(problem: &Problem, state: &State, view: &View) -> [Vector3<f64>; 4] {
    let tag = problem.tag(view);
    let scale = state.common_scale.get(tag.print).copied().unwrap_or(0.0) + state.tag_scale[view.body][view.tag];
    let by_axis = state.axis_scale.get(tag.print).copied().unwrap_or_default();
    tag.corners_m(by_axis.map(|axis| scale + axis))
}

/// Predicted − seen, pixels; `None` where a corner lies behind the camera.
pub(super) fn view_residual(problem: &Problem, state: &State, view: &View) -> Option<SVector<f64, 8>> {
    let camera_from_tag =
        state.camera_from_world[view.photo] * state.world_from_body(view) * state.body_from_tag[view.body][view.tag];
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
    let world_from_body = state.world_from_body(view);
    let camera_from_body = state.camera_from_world[view.photo] * world_from_body;
    let camera_from_tag = camera_from_body * body_from_tag;
    let (rotation_body, rotation_tag) = (camera_from_body.rotation(), camera_from_tag.rotation());
    let lens = &state.lenses[photo.lens];
    let tag = problem.tag(view);
    let print = tag.print;
    // d corner / d scale, in the tag's frame: the corners as declared.
    let unit_corners = tag.corners_m([0.0; 2]);

    let mut columns = Columns::empty();
    let instance_at = layout.instance_at[view.instance];
    let place_at = layout.place_at[view.body][view.tag];
    let scales = [layout.common_at.get(print).copied().flatten(), layout.scale_at[view.body][view.tag]];
    let axes = layout.axis_at.get(print).copied().unwrap_or_default();
    columns.extend(instance_at.iter().flat_map(|at| *at..*at + 6));
    columns.extend(place_at.iter().flat_map(|at| *at..*at + 6));
    columns.extend(scales.iter().flatten().copied());
    columns.extend(axes.iter().flatten().copied());
    columns.extend(layout.lens_at[photo.lens].iter().map(|(_, column)| *column));
    let motion = state.allowed.motion_of(view).filter(|(k, _)| layout.motion_at.get(*k).is_some());
    columns.extend(motion.iter().flat_map(|(k, _)| layout.motion_at[*k]..layout.motion_at[*k] + 6));
    let rotation_world = state.camera_from_world[view.photo].rotation();

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
        let unit = unit_corners[k];
        let by_scale = projection.d_point * (rotation_tag * unit);
        for _ in scales.iter().flatten() {
            by_column.fixed_view_mut::<2, 1>(row, at).copy_from(&by_scale);
            at += 1;
        }
        for (axis, _) in axes.iter().enumerate().filter(|(_, column)| column.is_some()) {
            let mut along = Vector3::zeros();
            along[axis] = unit[axis];
            by_column.fixed_view_mut::<2, 1>(row, at).copy_from(&(projection.d_point * (rotation_tag * along)));
            at += 1;
        }
        for (parameter, _) in &layout.lens_at[photo.lens] {
            by_column.fixed_view_mut::<2, 1>(row, at).copy_from(&projection.d_lens.column(*parameter));
            at += 1;
        }
        if let Some((k, weight)) = motion {
            let in_world = world_from_body * corner_in_body;
            let j = projection.d_point * rotation_world * state.allowed.motions[k].by_step(weight, &in_world.coords);
            by_column.fixed_view_mut::<2, 6>(row, at).copy_from(&j);
        }
    }
    for mut column in by_column.column_iter_mut().take(columns.len()) {
        let whitened = whiten * &column;
        column.copy_from(&whitened);
    }
    Some(ViewRow { residual: whiten * residual, by_camera: whiten * by_camera, columns, by_column })
}

/// What the measured values add at a state: (source, column, weight, difference) blocks.
pub(super) fn measured_blocks(problem: &Problem, layout: &Layout, state: &State) -> Vec<MeasuredBlock> {
    let kit = &problem.input.kit;
    let mut blocks = Vec::new();
    for (print, column) in layout.common_at.iter().enumerate() {
        if let Some(column) = column
            && !state.allowed.prints.contains(&print)
        {
            blocks.push(MeasuredBlock::scalar(
                super::Source::SheetScale,
                *column,
                kit.prints[print].sigma_common,
                state.common_scale[print],
            ));
        }
    }
    for (print, axes) in layout.axis_at.iter().enumerate() {
        for (axis, column) in axes.iter().enumerate() {
            if let Some(column) = column {
                blocks.push(MeasuredBlock::scalar(
                    super::Source::SheetScale,
                    *column,
                    kit.prints[print].sigma_axis[axis],
                    state.axis_scale[print][axis],
                ));
            }
        }
    }
    for (b, body) in kit.bodies.iter().enumerate() {
        for (t, tag) in body.tags.iter().enumerate() {
            if let Some(column) = layout.scale_at[b][t]
                && !state.allowed.tags.contains(&(b, t))
            {
                let sigma = kit.prints[tag.print].sigma_each;
                blocks.push(MeasuredBlock::scalar(super::Source::SheetScale, column, sigma, state.tag_scale[b][t]));
            }
            let jointly = kit.joint_places.iter().any(|joint| joint.body == b && joint.tags.contains(&t));
            if let (Some(column), TagPlace::Measured { body_from_tag, cov }) = (layout.place_at[b][t], &tag.place)
                && !jointly
                && let Some(weight) = cov.try_inverse()
            {
                let (difference, by_step) = step_from(body_from_tag, &state.body_from_tag[b][t]);
                blocks.push(MeasuredBlock {
                    source: super::Source::TagPlaces,
                    columns: (column..column + 6).collect(),
                    weight: DMatrix::from_iterator(6, 6, weight.iter().copied()),
                    difference: DVector::from_column_slice(difference.as_slice()),
                    by_step: Some(DMatrix::from_iterator(6, 6, by_step.iter().copied())),
                });
            }
        }
    }
    blocks.extend(kit.joint_places.iter().filter_map(|joint| joint_block(problem, layout, state, joint)));
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
    if let (Some(car), Some(columns), Some(roll)) = (&problem.input.rolled, &layout.roll, &state.roll) {
        let pose_of = |instance: usize| state.world_from_instance[instance];
        let column_of = |instance: usize| layout.instance_at[instance];
        blocks.extend(super::roll::blocks(car, columns, roll, &pose_of, &column_of));
    }
    blocks
}

/// The step from a measured to the current place (small by construction), and its derivative by the current place's step: to second order in the
/// small rotation, exact in the translation.
fn step_from(measured: &Pose<Body, Tag>, current: &Pose<Body, Tag>) -> (Vector6<f64>, Matrix6<f64>) {
    let d = measured.inverse().iso() * current.iso();
    let step = crate::frames::step_of(&d);
    let w = step.fixed_rows::<3>(0).into_owned();
    let mut by_step = Matrix6::identity();
    by_step.fixed_view_mut::<3, 3>(0, 0).copy_from(&(Matrix3::identity() + crate::frames::skew(&w) * 0.5));
    by_step.fixed_view_mut::<3, 3>(3, 3).copy_from(d.rotation.to_rotation_matrix().matrix());
    (step, by_step)
}

/// Places that were measured together: of the tags in use, the steps less what the print scales explain of them.
fn joint_block(problem: &Problem, layout: &Layout, state: &State, joint: &JointPlaces) -> Option<MeasuredBlock> {
    let b = joint.body;
    let body = &problem.input.kit.bodies[b];
    let kept: Vec<usize> = (0..joint.tags.len()).filter(|&n| layout.place_at[b][joint.tags[n]].is_some()).collect();
    let rows: Vec<usize> = kept.iter().flat_map(|n| 6 * n..6 * n + 6).collect();
    // A part of a positive definite matrix is one; `Problem::new` has refused others.
    let weight = crate::fit::spd_inverse(&joint.cov.select_rows(&rows).select_columns(&rows)).ok()?;
    let mut columns: Vec<usize> = Vec::with_capacity(rows.len() + joint.slopes.len());
    let mut difference = DVector::zeros(rows.len());
    let mut by_step = DMatrix::zeros(rows.len(), rows.len() + joint.slopes.len());
    for (n, t) in kept.iter().map(|n| joint.tags[*n]).enumerate() {
        let (TagPlace::Measured { body_from_tag, .. }, Some(at)) = (&body.tags[t].place, layout.place_at[b][t]) else {
            return None;
        };
        let (step, by_own) = step_from(body_from_tag, &state.body_from_tag[b][t]);
        difference.fixed_rows_mut::<6>(6 * n).copy_from(&step);
        by_step.fixed_view_mut::<6, 6>(6 * n, 6 * n).copy_from(&by_own);
        columns.extend(at..at + 6);
    }
    for slope in &joint.slopes {
        let (column, scale) = match slope.of {
            ScaleOf::Common(print) => (*layout.common_at.get(print)?, state.common_scale[print]),
            ScaleOf::Axis(print, axis) => (layout.axis_at.get(print)?[axis], state.axis_scale[print][axis]),
            ScaleOf::Tag(tag) => (layout.scale_at[b][tag], state.tag_scale[b][tag]),
        };
        let along = DVector::from_fn(rows.len(), |i, _| slope.slope[rows[i]]);
        // A scale that is held is as good as known: what it says still counts.
        difference -= &along * (scale - slope.found);
        if let Some(column) = column {
            by_step.set_column(columns.len(), &-along);
            columns.push(column);
        }
    }
    (!rows.is_empty()).then(|| MeasuredBlock {
        source: super::Source::TagPlaces,
        weight,
        difference,
        by_step: Some(by_step.columns(0, columns.len()).into_owned()),
        columns,
    })
}

pub(crate) struct MeasuredBlock {
    pub source: super::Source,
    pub columns: Vec<usize>,
    pub weight: DMatrix<f64>,
    pub difference: DVector<f64>,
    /// d difference / d columns; `None` for the identity.
    pub by_step: Option<DMatrix<f64>>,
}

impl MeasuredBlock {
    pub fn scalar(source: super::Source, column: usize, sigma: f64, difference: f64) -> Self {
        Self {
            source,
            columns: vec![column],
            weight: DMatrix::from_element(1, 1, 1.0 / (sigma * sigma)),
            difference: DVector::from_element(1, difference),
            by_step: None,
        }
    }

    pub fn cost(&self) -> f64 {
        (self.difference.transpose() * &self.weight * &self.difference)[(0, 0)]
    }
}
