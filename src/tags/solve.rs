//! The least-squares problem of a tag's fit: its normal equations, and steps with them.

use crate::tags::light::Tone;
use crate::tags::normal::{Noise, Normal, Sums};
use crate::tags::predict::{Block, N, Prediction, TONE, View, predict};
use crate::tags::state::{State, way};
use nalgebra::{Matrix2, SMatrix, SVector};

/// Unknowns of the tone curve.
pub(super) const CURVE: usize = N - TONE;

/// Pixels to be explained, and what does not change from step to step.
pub(super) struct Problem<'a> {
    pub blocks: Vec<Block>,
    pub tone: &'a Tone,
    pub place_per_pixel: Matrix2<f64>,
    /// About the grey values of black and white.
    pub levels: [f64; 2],
    /// How many of the unknowns are looked for; the others stay as they are.
    pub unknowns: usize,
}

impl Problem<'_> {
    /// Normal equations from all pixels.
    pub fn normal(&self, state: &State, noise: &Noise) -> Option<Normal> {
        let mut view = View::new(&state.p, &state.map(), &self.place_per_pixel, self.tone, self.levels)?;
        view.curve = self.unknowns == N;
        let mut sums = Sums::new(self.unknowns, self.blocks.len());
        let mut prediction = Prediction::EMPTY;
        for block in &self.blocks {
            predict(block, &view, &mut prediction);
            sums.add(block, &prediction, noise);
        }
        let mut normal = sums.normal();
        for (index, off, weight) in state.beforehand() {
            normal.matrix[(index, index)] += weight;
            normal.right[index] += off * weight;
            normal.cost += off * off * weight;
        }
        normal.cost.is_finite().then_some(normal)
    }
}

/// Inverse of the leading part of the normal equations' matrix, the rest zero: unknowns beyond `unknowns` stay as they are.
pub(super) fn inverse(normal: &Normal, unknowns: usize) -> Option<SMatrix<f64, N, N>> {
    if unknowns == N {
        return Some(normal.matrix.cholesky()?.inverse());
    }
    let plain = normal.matrix.fixed_view::<TONE, TONE>(0, 0).clone_owned().cholesky()?.inverse();
    let mut all = SMatrix::<f64, N, N>::zeros();
    all.fixed_view_mut::<TONE, TONE>(0, 0).copy_from(&plain);
    Some(all)
}

/// What the tone curve's own unknowns add to a solution without them: the inverse of the whole matrix in blocks (Schur's complement), so that it costs little.
pub(super) struct Curve {
    /// How all unknowns move with the curve's, with the sign turned.
    pub unknowns: SMatrix<f64, N, CURVE>,
    /// Covariance of the curve's unknowns.
    pub inverse: SMatrix<f64, CURVE, CURVE>,
    /// The right side for them.
    pub pull: SVector<f64, CURVE>,
}

impl Curve {
    /// `by`: inverse for the other unknowns alone.
    pub fn new(normal: &Normal, by: &SMatrix<f64, N, N>) -> Option<Self> {
        let mixed = normal.matrix.fixed_view::<TONE, CURVE>(0, TONE);
        let along = by.fixed_view::<TONE, TONE>(0, 0) * mixed;
        let own = normal.matrix.fixed_view::<CURVE, CURVE>(TONE, TONE) - mixed.tr_mul(&along);
        let mut unknowns = SMatrix::<f64, N, CURVE>::zeros();
        unknowns.fixed_view_mut::<TONE, CURVE>(0, 0).copy_from(&along);
        for k in 0..CURVE {
            unknowns[(TONE + k, k)] = -1.0;
        }
        Some(Curve { pull: unknowns.tr_mul(&normal.right), inverse: own.cholesky()?.inverse(), unknowns })
    }
}

/// Marquardt's step: the diagonal grows by `damping` of itself. The curve's unknowns stay where they are if they are not looked for.
fn damped_step(normal: &Normal, damping: f64, unknowns: usize) -> Option<SVector<f64, N>> {
    let mut damped = normal.matrix;
    for i in 0..N {
        damped[(i, i)] *= 1.0 + damping;
    }
    if unknowns == N {
        return Some(damped.cholesky()?.solve(&normal.right));
    }
    let mut step = SVector::<f64, N>::zeros();
    let plain = damped.fixed_view::<TONE, TONE>(0, 0).clone_owned().cholesky()?;
    step.fixed_rows_mut::<TONE>(0).copy_from(&plain.solve(&normal.right.fixed_rows::<TONE>(0)));
    Some(step)
}

/// Levenberg-Marquardt from `state`, at most `most` steps, until no corner moves by more than `rest` px; leaves the best state there.
///
/// Returns the normal equations there and how far the corners are from where they began, px.
pub(super) fn minimise(
    problem: &Problem<'_>,
    state: &mut State,
    noise: &Noise,
    size: f64,
    most: usize,
    rest: f64,
) -> Option<(Normal, f64)> {
    let mut damping = 1e-3;
    let began = state.corners()?;
    let mut corners = began;
    let mut normal = problem.normal(state, noise)?;
    for _ in 0..most {
        let step = damped_step(&normal, damping, problem.unknowns)?;
        let next = state.moved(&step);
        let trial = next.corners().and_then(|c| Some((c, problem.normal(&next, noise)?)));
        match trial {
            Some((places, trial)) if trial.cost <= normal.cost => {
                let moved = way(&corners, &places) * size;
                *state = next;
                corners = places;
                normal = trial;
                damping *= 0.1;
                if moved < rest {
                    break;
                }
            }
            _ => {
                damping *= 10.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
    }
    let moved = way(&began, &corners) * size;
    Some((normal, moved))
}
