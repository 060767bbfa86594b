//! The uncertainty budget: inputs with their covariance and the name of its source, propagated to first order through any function, the
//! result split by source.
//!
//! Source of the method: JCGM 100:2008 (GUM), 5.1 and 5.2 (law of propagation of uncertainty, correlated inputs), several outputs as in
//! its H.2. The derivatives are central differences (GUM 5.1.4, note 2), so the function itself stays the only place where the
//! geometry is written.

pub mod digits;
mod ellipse;
pub mod lengths;
pub mod repeat;
pub mod trend;

pub use ellipse::ellipse_95;

use nalgebra::{DMatrix, DVector};

pub mod monte_carlo;

/// Coverage factor for 95 %, normal distribution.
pub const K_95: f64 = 1.959964;

/// Step of the central differences, in standard uncertainties of the input.
const STEP_IN_U: f64 = 0.1;

/// A value with its standard and its expanded uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Expanded uncertainty U = k u, k = [`K_95`].
    pub expanded: f64,
}

impl Estimate {
    /// From a value and its standard uncertainty.
    pub fn new(value: f64, u: f64) -> Self {
        Self { value, u, expanded: K_95 * u }
    }
}

/// A block of covariance over consecutive inputs. Several groups may cover the same inputs (parts of one covariance by their
/// source): they add up.
#[derive(Clone, Debug, PartialEq)]
pub struct Group<S> {
    /// Where it comes from.
    pub source: S,
    /// Index of the first input it covers.
    pub first: usize,
    /// Its covariance, n × n.
    pub cov: DMatrix<f64>,
}

/// The inputs of a calculation: best values, names and the groups of their covariance.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Inputs<S> {
    /// Best values.
    pub values: Vec<f64>,
    /// What each is, for people.
    pub names: Vec<String>,
    /// Their uncertainty.
    pub groups: Vec<Group<S>>,
}

impl<S> Inputs<S> {
    /// No inputs yet.
    pub fn new() -> Self {
        Self { values: Vec::new(), names: Vec::new(), groups: Vec::new() }
    }

    /// Adds one input with the standard uncertainty `u`, independent of all others; returns its index.
    pub fn add(&mut self, name: impl Into<String>, value: f64, u: f64, source: S) -> usize {
        let first = self.add_exact(name, value);
        self.groups.push(Group { source, first, cov: DMatrix::from_element(1, 1, u * u) });
        first
    }

    /// Adds one input that no group covers yet; returns its index.
    pub fn add_exact(&mut self, name: impl Into<String>, value: f64) -> usize {
        self.values.push(value);
        self.names.push(name.into());
        self.values.len() - 1
    }

    /// Variance of every input, all groups together.
    pub fn variances(&self) -> DVector<f64> {
        let mut total = DVector::zeros(self.values.len());
        for group in &self.groups {
            for k in 0..group.cov.nrows() {
                total[group.first + k] += group.cov[(k, k)];
            }
        }
        total
    }
}

/// One source's part of the outputs' covariance.
#[derive(Clone, Debug, PartialEq)]
pub struct Contribution<S> {
    /// Where it comes from.
    pub source: S,
    /// m × m.
    pub cov: DMatrix<f64>,
}

/// The outputs of a calculation.
#[derive(Clone, Debug, PartialEq)]
pub struct Propagated<S> {
    /// m values, the function at the best inputs.
    pub values: DVector<f64>,
    /// Their covariance, m × m.
    pub cov: DMatrix<f64>,
    /// The same by source, in the order in which the sources first appear; the parts add up to `cov`.
    pub contributions: Vec<Contribution<S>>,
    /// d output / d input, m × n; zero for inputs without uncertainty.
    pub jacobian: DMatrix<f64>,
    /// Standard deviation that the curvature along each single input adds, m values: sqrt(Σ ½ (∂²f/∂x² u²)²) (GUM 5.1.2, note, for
    /// normal inputs, without its cross terms). Where it is not small beside the first order, the first order does not hold.
    pub second_order: DVector<f64>,
}

impl<S> Propagated<S> {
    /// Value and standard uncertainty of one output.
    pub fn estimate(&self, output: usize) -> Estimate {
        Estimate::new(self.values[output], self.cov[(output, output)].max(0.0).sqrt())
    }
}

/// Propagates the inputs' covariance through `f` to first order.
///
/// `f` takes the n inputs and returns m outputs (the same m every time); units are its own. Inputs of zero variance are held.
///
/// Errors: whatever `f` returns, at the best inputs or one step beside them.
pub fn propagate<S: Clone + PartialEq, E>(
    f: impl Fn(&[f64]) -> Result<DVector<f64>, E>,
    inputs: &Inputs<S>,
) -> Result<Propagated<S>, E> {
    let values = f(&inputs.values)?;
    let (m, n) = (values.len(), inputs.values.len());
    let variances = inputs.variances();
    let mut jacobian = DMatrix::zeros(m, n);
    let mut second = DVector::zeros(m);
    let mut x = inputs.values.clone();
    for k in 0..n {
        let u = variances[k].max(0.0).sqrt();
        if u == 0.0 {
            continue;
        }
        let h = STEP_IN_U * u;
        x[k] = inputs.values[k] + h;
        let above = f(&x)?;
        x[k] = inputs.values[k] - h;
        let below = f(&x)?;
        x[k] = inputs.values[k];
        let slope = (&above - &below) / (2.0 * h);
        jacobian.set_column(k, &slope);
        let curvature = (above + below - &values * 2.0) / (STEP_IN_U * STEP_IN_U);
        second += curvature.map(|c| 0.5 * c * c);
    }
    let mut cov = DMatrix::zeros(m, m);
    let mut contributions: Vec<Contribution<S>> = Vec::new();
    for group in &inputs.groups {
        let j = jacobian.columns(group.first, group.cov.nrows());
        let part = j * &group.cov * j.transpose();
        cov += &part;
        match contributions.iter_mut().find(|c| c.source == group.source) {
            Some(known) => known.cov += part,
            None => contributions.push(Contribution { source: group.source.clone(), cov: part }),
        }
    }
    Ok(Propagated { values, cov, contributions, jacobian, second_order: second.map(f64::sqrt) })
}

/// Standard uncertainty of each of the two components of an offset of fixed size `limit` in an unknown direction: limit/√2, the
/// standard deviation of the arcsine (U-shaped) distribution on (-limit, limit). Source: JCGM 101:2008, 6.4.6.
pub fn u_of_unknown_direction(limit: f64) -> f64 {
    limit / std::f64::consts::SQRT_2
}

#[cfg(test)]
mod tests;
