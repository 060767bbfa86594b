//! The survey with its observations drawn anew: what Monte Carlo (JCGM 101:2008, clause 5) asks for, with the adjustment itself as the model.
//!
//! Every corner (with what all corners share) and every value known beforehand (print sizes, lens profile, places of tags, ties of a rolled car) gets an error from the
//! distribution that is stated for it, about the value that was observed, and the adjustment is solved again to its minimum: by Gauss-Newton steps with the
//! exact gradient at every step and the normal matrix of the one solution. The first of them, from the solution, is the first-order answer to the same
//! errors, so that each draw comes with what a linear calculation makes of it.

use super::bundle::{Damped, Normal, linearise};
use super::problem::Problem;
use super::roll::wheel_steps;
use super::rows::{MeasuredBlock, Weights, measured_blocks};
use super::shared::Shared;
use super::unknowns::{State, Step, moved};
use super::{Survey, SurveyError, SurveyInput};
use nalgebra::{DMatrix, DVector, SVector, Vector6};

/// Steps at most.
const MOST_STEPS: usize = 12;

/// Solved when a step is shorter than this, in standard deviations of what is adjusted.
const SHORT: f64 = 1e-3;

/// The adjustment, ready to be solved again.
pub struct Redraw<'a> {
    survey: &'a Survey,
    problem: Problem<'a>,
    weights: Weights,
    shared: Option<Shared>,
    normal: Normal,
    measured: Vec<(MeasuredBlock, DMatrix<f64>)>,
    /// By photograph of the input.
    block_of: Vec<usize>,
}

/// The same with its normal matrix factored; one for each thread.
pub struct Redrawing<'a> {
    of: &'a Redraw<'a>,
    damped: Damped<'a>,
    /// 6n × columns.
    steps_by_column: DMatrix<f64>,
    bodies: Vec<usize>,
    places: Vec<usize>,
}

/// One draw: steps of the poses asked for, six numbers each as in [`super::JointCovariance`].
#[derive(Clone, Debug, PartialEq)]
pub struct Redrawn {
    /// Adjusted again.
    pub steps: DVector<f64>,
    /// To first order.
    pub first_order: DVector<f64>,
}

/// The errors of one draw.
struct Errors {
    /// Whitened, in the order of the views.
    corners: Vec<SVector<f64, 8>>,
    /// In the order of the measured values' blocks.
    measured: Vec<DVector<f64>>,
}

impl Survey {
    /// Makes the survey ready for draws. `input`: what it was solved from.
    pub fn redraw<'a>(&'a self, input: &'a SurveyInput) -> Result<Redraw<'a>, SurveyError> {
        let problem = Problem::new(input, &mut Vec::new())?;
        let weights = Weights::new(&problem, self.unmodelled_px, None);
        let layout = &self.covariance.layout;
        let normal =
            linearise(&problem, layout, &self.state, &weights, &self.extent, true).ok_or(SurveyError::BehindCamera)?;
        let measured = measured_blocks(&problem, layout, &self.state)
            .into_iter()
            .filter_map(|block| {
                // F with F F' = weight⁻¹.
                let upper = block.weight.clone().cholesky()?.l().transpose();
                let n = upper.nrows();
                let spread = upper.solve_upper_triangular(&DMatrix::identity(n, n))?;
                Some((block, spread))
            })
            .collect();
        let mut block_of = vec![usize::MAX; input.photos.len()];
        for (k, photo) in self.extent.photos.iter().enumerate() {
            block_of[*photo] = k;
        }
        let shared = Shared::new(&problem, &weights, &self.extent);
        Ok(Redraw { survey: self, problem, weights, shared, normal, measured, block_of })
    }
}

impl Redraw<'_> {
    /// For draws of these bodies (indices into [`Survey::bodies`]) and, after them, wheels at roll positions (indices into [`super::Roll::places`]).
    pub fn of(&self, bodies: &[usize], places: &[usize]) -> Option<Redrawing<'_>> {
        Some(Redrawing {
            of: self,
            damped: Damped::new(&self.normal, 0.0)?,
            steps_by_column: self.survey.steps_by_column(bodies, places),
            bodies: bodies.to_vec(),
            places: places.to_vec(),
        })
    }
}

impl Redrawing<'_> {
    /// One draw. `normal`: independent numbers from the standard normal distribution. `None` where the adjustment did not settle.
    pub fn draw(&self, normal: &mut dyn FnMut() -> f64) -> Option<Redrawn> {
        let Redraw { survey, problem, weights, .. } = self.of;
        let (layout, extent) = (&survey.covariance.layout, &survey.extent);
        let wider = survey.spread.sqrt();
        let mut errors = Errors {
            corners: extent.views.iter().map(|_| SVector::from_fn(|_, _| wider * normal())).collect(),
            measured: self
                .of
                .measured
                .iter()
                .map(|(_, spread)| spread * DVector::from_fn(spread.nrows(), |_, _| normal()))
                .collect(),
        };
        if let Some(shared) = &self.of.shared {
            errors.corners.iter_mut().zip(shared.draw(normal)).for_each(|(own, shared)| *own += shared);
        }
        let at_best: Vec<&MeasuredBlock> = self.of.measured.iter().map(|(block, _)| block).collect();
        // At the solution the gradient of what was observed is zero: what is left is the draw's.
        let (columns, photos) = self.pull(&self.of.normal, &at_best, &errors);
        let mut step = self.damped.answer(columns, &photos);
        let first_order = &self.steps_by_column * &step.columns;
        let mut state = moved(problem, layout, &survey.state, extent, &step);
        for _ in 0..MOST_STEPS {
            let there = linearise(problem, layout, &state, weights, extent, true)?;
            let blocks = measured_blocks(problem, layout, &state);
            let (mut columns, mut photos) = self.pull(&there, &blocks.iter().collect::<Vec<_>>(), &errors);
            columns += &there.gradient;
            for (own, block) in photos.iter_mut().zip(&there.photos) {
                *own += block.gradient;
            }
            step = self.damped.answer(columns.clone(), &photos);
            state = moved(problem, layout, &state, extent, &step);
            if length(&step, &columns, &photos) < SHORT {
                return Some(Redrawn { steps: self.steps(&state), first_order });
            }
        }
        None
    }

    /// What the errors add to the gradient at a state: columns' part and photographs' parts.
    fn pull(&self, at: &Normal, blocks: &[&MeasuredBlock], errors: &Errors) -> (DVector<f64>, Vec<Vector6<f64>>) {
        let extent = &self.of.survey.extent;
        let mut columns = DVector::zeros(at.gradient.len());
        let mut photos = vec![Vector6::zeros(); extent.photos.len()];
        for ((v, (row, weight)), error) in extent.views.iter().zip(&at.rows).zip(&errors.corners) {
            let k = self.of.block_of[self.of.problem.views[*v].photo];
            photos[k] -= row.by_camera.tr_mul(error) * *weight;
            let pull = row.by_column.tr_mul(error) * *weight;
            for (i, c) in row.columns.iter().enumerate() {
                columns[*c] -= pull[i];
            }
        }
        for (block, error) in blocks.iter().zip(&errors.measured) {
            let pull = &block.weight * error;
            let pull = block.by_step.as_ref().map_or_else(|| pull.clone(), |by_step| by_step.tr_mul(&pull));
            for (i, c) in block.columns.iter().enumerate() {
                columns[*c] -= pull[i];
            }
        }
        (columns, photos)
    }

    /// Steps of the poses asked for, from the solution to a state.
    fn steps(&self, state: &State) -> DVector<f64> {
        let survey = self.of.survey;
        let mut out = Vec::with_capacity(6 * (self.bodies.len() + self.places.len()));
        for b in &self.bodies {
            let instance = survey.instances[*b];
            let by =
                survey.state.world_from_instance[instance].inverse().iso() * state.world_from_instance[instance].iso();
            out.extend(by.rotation.scaled_axis().iter());
            out.extend(by.translation.vector.iter());
        }
        if !self.places.is_empty() {
            let wheels = wheel_steps(&survey.covariance.layout, &survey.state, state);
            self.places.iter().for_each(|p| out.extend(wheels[*p].iter()));
        }
        DVector::from_vec(out)
    }
}

/// Length of a step in standard deviations: the root of the cost that it gains.
fn length(step: &Step, columns: &DVector<f64>, photos: &[Vector6<f64>]) -> f64 {
    let own: f64 = step.photos.iter().zip(photos).map(|(s, g)| s.dot(g)).sum();
    (-(step.columns.dot(columns) + own)).max(0.0).sqrt()
}
