//! Monte Carlo of the whole calculation (JCGM 101:2008): every declared input drawn from the distribution that is stated for it, together with a draw of the
//! survey, through the same function that the first order is taken of.
//!
//! Distributions: a standard uncertainty is a normal distribution (JCGM 101, 6.4.7); a limit of unknown direction (run-out, centring) is a point on the
//! rim of a circle, so that each of its two components is arcsine distributed (6.4.6), and both belong together.

use crate::scene::draw::{Draw, Purpose};
use crate::uncertainty::monte_carlo::{Adaptive, Summary, adaptive};
use crate::uncertainty::{Propagated, propagate};
use crate::vehicle::Unmeasurable;
use crate::verdict::model::Model;
use crate::verdict::{AssessInput, BudgetSource};
use nalgebra::{DMatrix, DVector};

/// Limits that add less than this part to the variance of all else leave it normal: the ends then move by less than a thousandth of that part of u.
const EXACTLY_NORMAL: f64 = 1e-3;

/// Part of the numerical tolerance where a first order is validated (JCGM 101, 8.2).
const VALIDATING: f64 = 0.2;

/// How some inputs vary together.
#[derive(Clone, Debug)]
enum Law {
    /// Normal, from this input on: values · standard normal numbers.
    Normal { first: usize, factor: DMatrix<f64> },
    /// On the rim of a circle: two inputs, radius.
    Rim { at: [usize; 2], radius: f64 },
}

/// A calculation that is ready for trials.
pub struct Trials<'a> {
    model: Model<'a>,
    first_order: Propagated<BudgetSource>,
    /// Inputs that the survey draws: six for each body.
    n_steps: usize,
    declared: Vec<Law>,
    /// A factor of the survey's joint covariance.
    joint: DMatrix<f64>,
}

/// The deviations of one trial, six a station.
#[derive(Clone, Debug, PartialEq)]
pub struct Trial {
    /// By the whole calculation.
    pub full: Vec<f64>,
    /// To first order, of the same errors.
    pub first_order: Vec<f64>,
}

impl<'a> Trials<'a> {
    /// Errors: as [`crate::verdict::assess()`].
    pub fn new(input: &AssessInput<'a>) -> Result<Self, Unmeasurable> {
        let (model, _) = Model::new(input)?;
        let first_order = propagate(|x| model.outputs(x), &model.inputs)?;
        let n_steps = 6 * input.bodies.len();
        let of_survey = |source: &BudgetSource| matches!(source, BudgetSource::Survey(_) | BudgetSource::SurveyRest);
        let mut declared = Vec::new();
        let mut groups = model.inputs.groups.iter().peekable();
        while let Some(group) = groups.next() {
            if group.first < n_steps && of_survey(&group.source) {
                continue;
            }
            let rim = matches!(group.source, BudgetSource::RunOut(_) | BudgetSource::PlateCentre(_));
            match groups.peek().filter(|other| rim && other.source == group.source && other.first == group.first + 1) {
                Some(_) => {
                    groups.next();
                    let radius = group.cov[(0, 0)].max(0.0).sqrt() * std::f64::consts::SQRT_2;
                    declared.push(Law::Rim { at: [group.first, group.first + 1], radius });
                }
                None => declared.push(Law::Normal { first: group.first, factor: factor(&group.cov) }),
            }
        }
        Ok(Self { joint: factor(&input.joint.cov), model, first_order, n_steps, declared })
    }

    /// Steps of the bodies drawn from the survey's joint covariance: for surveys that cannot be drawn from their observations.
    pub fn from_joint(&self, draw: &mut Draw) -> DVector<f64> {
        &self.joint * DVector::from_fn(self.joint.ncols(), |_, _| draw.normal(1.0))
    }

    /// One trial: `steps` of the bodies' poses as the survey drew them, and the same to first order. `None` where these errors leave no measurement.
    pub fn trial(&self, draw: &mut Draw, steps: &DVector<f64>, first_order: &DVector<f64>) -> Option<Trial> {
        let best = &self.model.inputs.values;
        let mut error = DVector::<f64>::zeros(best.len());
        for law in &self.declared {
            match law {
                Law::Normal { first, factor } => {
                    let own = factor * DVector::from_fn(factor.ncols(), |_, _| draw.normal(1.0));
                    let mut target = error.rows_mut(*first, own.len());
                    target += own;
                }
                Law::Rim { at, radius } => {
                    let (sin, cos) = draw.uniform(0.0, std::f64::consts::TAU).sin_cos();
                    error[at[0]] += radius * cos;
                    error[at[1]] += radius * sin;
                }
            }
        }
        let m = self.model.car_outputs();
        let mut x: Vec<f64> = best.iter().zip(error.iter()).map(|(b, e)| b + e).collect();
        x[..self.n_steps].copy_from_slice(steps.as_slice());
        let full: Vec<f64> =
            self.model.evaluate(&x).ok()?.stations.iter().flat_map(|(_, d)| d.iter().copied()).collect();
        error.rows_mut(0, self.n_steps).copy_from(first_order);
        let linear = self.first_order.values.rows(0, m) + self.first_order.jacobian.rows(0, m) * error;
        Some(Trial { full, first_order: linear.iter().copied().collect() })
    }

    /// The distribution of the first order itself: normal where no limit takes part, else from many cheap trials, until its ends stand within a fifth of the
    /// numerical tolerance: what the inputs' shapes alone do. `units`: by deviation, the unit that significant digits count in.
    pub fn first_order(&self, seed: u64, units: &[f64], digits: u32, most: usize) -> Adaptive {
        let m = self.model.car_outputs();
        let slopes = self.first_order.jacobian.rows(0, m).into_owned();
        let by_steps = slopes.columns(0, self.n_steps) * &self.joint;
        let mut normal = &by_steps * by_steps.transpose();
        let mut rims = Vec::new();
        let mut of_rims = DVector::<f64>::zeros(m);
        for law in &self.declared {
            match law {
                Law::Normal { first, factor } => {
                    let by = slopes.columns(*first, factor.nrows()) * factor;
                    normal += &by * by.transpose();
                }
                Law::Rim { at, radius } => {
                    let by = at.map(|k| slopes.column(k) * *radius);
                    by.iter().for_each(|by| of_rims += by.component_mul(by) * 0.5);
                    rims.push(by);
                }
            }
        }
        let centre = self.first_order.values.rows(0, m).into_owned();
        let u = |k: usize| (normal[(k, k)] + of_rims[k]).max(0.0).sqrt();
        let mut outputs: Vec<Summary> = (0..m).map(|k| Summary::normal(centre[k], u(k))).collect();
        let mut numerical = vec![Summary::default(); m];
        let shaped: Vec<usize> = (0..m).filter(|k| of_rims[*k] > EXACTLY_NORMAL * normal[(*k, *k)]).collect();
        if shaped.is_empty() {
            return Adaptive { outputs, numerical, trials: 0, stable: true };
        }
        let factor = factor(&normal.select_rows(&shaped).select_columns(&shaped));
        let rims: Vec<[DVector<f64>; 2]> = rims.iter().map(|by| [0, 1].map(|k| by[k].select_rows(&shaped))).collect();
        let centre = centre.select_rows(&shaped);
        let mut draw = Draw::new(seed, Purpose::Trials);
        let trial = || {
            let mut y = &centre + &factor * DVector::from_fn(shaped.len(), |_, _| draw.normal(1.0));
            for [a, b] in &rims {
                let (sin, cos) = draw.uniform(0.0, std::f64::consts::TAU).sin_cos();
                y += a * cos + b * sin;
            }
            y
        };
        let units: Vec<f64> = shaped.iter().map(|k| units[*k]).collect();
        let found = adaptive(trial, &units, digits, VALIDATING, most);
        for (k, at) in shaped.iter().enumerate() {
            (outputs[*at], numerical[*at]) = (found.outputs[k], found.numerical[k]);
        }
        Adaptive { outputs, numerical, ..found }
    }
}

/// F with F F' = the covariance, also where it is singular: eigenvectors of it with its diagonal scaled to one.
fn factor(cov: &DMatrix<f64>) -> DMatrix<f64> {
    let n = cov.nrows();
    let scale = DVector::from_fn(n, |k, _| if cov[(k, k)] > 0.0 { cov[(k, k)].sqrt() } else { 1.0 });
    let even = DMatrix::from_fn(n, n, |i, j| 0.5 * (cov[(i, j)] + cov[(j, i)]) / (scale[i] * scale[j]));
    let eigen = even.symmetric_eigen();
    DMatrix::from_fn(n, n, |i, k| scale[i] * eigen.eigenvectors[(i, k)] * eigen.eigenvalues[k].max(0.0).sqrt())
}
