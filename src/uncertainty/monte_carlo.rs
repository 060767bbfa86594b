//! Monte Carlo for a coverage interval, with the adaptive procedure that stops when the numbers stand, and the comparison with the first order.
//!
//! Source: JCGM 101:2008, 7.7 (coverage interval), 7.9 (adaptive procedure), 8 (validation of the first order).

use nalgebra::DVector;

/// Coverage probability of every interval.
pub const COVERAGE: f64 = 0.95;

/// Trials of one batch of the adaptive procedure (JCGM 101, 7.9.4: at least 10⁴).
pub const BATCH: usize = 10_000;

/// One output as the trials show it.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct Summary {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub u: f64,
    /// Ends of the probabilistically symmetric 95 % interval.
    pub low: f64,
    /// The other end.
    pub high: f64,
}

impl Summary {
    /// The four numbers.
    fn parts(&self) -> [f64; 4] {
        [self.mean, self.u, self.low, self.high]
    }

    fn from_parts([mean, u, low, high]: [f64; 4]) -> Self {
        Self { mean, u, low, high }
    }

    /// A normal distribution: mean and u, its ends exactly.
    pub fn normal(mean: f64, u: f64) -> Self {
        Self { mean, u, low: mean - super::K_95 * u, high: mean + super::K_95 * u }
    }

    /// Of trials of one output; they come back sorted. All zero for fewer than two.
    pub fn of(trials: &mut [f64]) -> Self {
        let n = trials.len();
        if n < 2 {
            return Self::default();
        }
        let mean = trials.iter().sum::<f64>() / n as f64;
        let variance = trials.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1) as f64;
        trials.sort_by(f64::total_cmp);
        // JCGM 101, 7.7.2: q trials inside, r of the others below.
        let q = ((COVERAGE * n as f64 + 0.5).floor() as usize).min(n - 1);
        let r = (((n - q) as f64 / 2.0 + 0.5).floor() as usize).clamp(1, n - q);
        Self { mean, u: variance.sqrt(), low: trials[r - 1], high: trials[r + q - 1] }
    }
}

/// What the adaptive procedure found.
#[derive(Clone, Debug, PartialEq)]
pub struct Adaptive {
    /// By output, over all trials.
    pub outputs: Vec<Summary>,
    /// By output: twice the standard deviation of the average of each of the four numbers over the batches.
    pub numerical: Vec<Summary>,
    /// Trials made.
    pub trials: usize,
    /// True where all numbers stand within the numerical tolerance; false where `most` trials were not enough.
    pub stable: bool,
}

/// Runs batches of trials until mean, u and both ends of every output stand within the numerical tolerance of `u` with this many significant
/// digits, or until `most` trials are made. `units`: by output, the unit that the digits count in. `share`: the part of the tolerance that is allowed: 1, or 1/5 where
/// the first order is to be validated (JCGM 101, 8.2).
pub fn adaptive(
    mut trial: impl FnMut() -> DVector<f64>,
    units: &[f64],
    digits: u32,
    share: f64,
    most: usize,
) -> Adaptive {
    let m = units.len();
    let mut all: Vec<Vec<f64>> = vec![Vec::new(); m];
    let mut batches: Vec<Vec<Summary>> = vec![Vec::new(); m];
    loop {
        for _ in 0..BATCH {
            let y = trial();
            all.iter_mut().zip(y.iter()).for_each(|(list, v)| list.push(*v));
        }
        for (k, list) in all.iter().enumerate() {
            let from = list.len() - BATCH;
            batches[k].push(Summary::of(&mut list[from..].to_vec()));
        }
        let h = batches.first().map_or(0, Vec::len);
        let numerical: Vec<Summary> = batches.iter().map(|list| scatter(list)).collect();
        let enough = h >= 2
            && (0..m).all(|k| {
                let u = batches[k].iter().map(|b| b.u).sum::<f64>() / h as f64;
                let tolerance = share * numerical_tolerance(u / units[k], digits) * units[k];
                numerical[k].parts().iter().all(|s| *s <= tolerance)
            });
        let trials = h * BATCH;
        if enough || trials + BATCH > most.max(2 * BATCH) || m == 0 {
            let outputs = all.iter_mut().map(|list| Summary::of(list)).collect();
            return Adaptive { outputs, numerical, trials, stable: enough };
        }
    }
}

/// Twice the standard deviation of the average over batches, of each number.
fn scatter(batches: &[Summary]) -> Summary {
    let h = batches.len() as f64;
    Summary::from_parts(std::array::from_fn(|part| {
        let mean = batches.iter().map(|b| b.parts()[part]).sum::<f64>() / h;
        let square: f64 = batches.iter().map(|b| (b.parts()[part] - mean).powi(2)).sum();
        2.0 * (square / (h * (h - 1.0).max(1e-9))).sqrt()
    }))
}

/// Half a unit of the last of so many significant digits of u (JCGM 101, 7.9.2); 0 for u = 0.
pub fn numerical_tolerance(u: f64, digits: u32) -> f64 {
    if !(u.is_finite() && u > 0.0) {
        return 0.0;
    }
    let last = |u: f64| 10f64.powi(u.log10().floor() as i32 + 1 - digits as i32);
    // 0.0996 with two digits is 0.10.
    let rounded = (u / last(u)).round() * last(u);
    0.5 * last(rounded.max(u))
}

/// Trials of a costly calculation, each with the first-order answer to the same errors.
///
/// Source of the idea: the paired difference as a control variate (general Monte Carlo practice): full and first-order trials share
/// their errors, so that the chance in them is nearly the same and falls out of the difference; `reference` is the first order's distribution from many
/// cheap trials.
#[derive(Clone, Debug, PartialEq)]
pub struct Paired {
    /// The full calculation.
    pub full: Summary,
    /// Standard deviation of each of its numbers, by resampling.
    pub scatter: Summary,
}

/// Corrects the reference by what the pairs show: means and ends by their difference, u by the ratio. `pick(n)` draws an index below n.
pub fn paired(full: &[f64], first_order: &[f64], reference: &Summary, mut pick: impl FnMut(usize) -> usize) -> Paired {
    const RESAMPLED: usize = 100;
    let n = full.len().min(first_order.len());
    let estimate = |of: &mut dyn FnMut(usize) -> usize| -> [f64; 4] {
        let at: Vec<usize> = (0..n).map(of).collect();
        let a = Summary::of(&mut at.iter().map(|k| full[*k]).collect::<Vec<_>>());
        let b = Summary::of(&mut at.iter().map(|k| first_order[*k]).collect::<Vec<_>>());
        let ratio = if b.u > 0.0 { a.u / b.u } else { 1.0 };
        [
            reference.mean + a.mean - b.mean,
            reference.u * ratio,
            reference.low + a.low - b.low,
            reference.high + a.high - b.high,
        ]
    };
    let full_estimate = estimate(&mut |k| k);
    let again: Vec<[f64; 4]> = (0..RESAMPLED).map(|_| estimate(&mut |_| pick(n))).collect();
    let scatter = std::array::from_fn(|part| {
        let mean = again.iter().map(|e| e[part]).sum::<f64>() / RESAMPLED as f64;
        (again.iter().map(|e| (e[part] - mean).powi(2)).sum::<f64>() / (RESAMPLED - 1) as f64).sqrt()
    });
    Paired { full: Summary::from_parts(full_estimate), scatter: Summary::from_parts(scatter) }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::draw::{Draw, Purpose};

    /// Runs a model of one output until it stands, with this many digits.
    fn run(digits: u32, most: usize, mut model: impl FnMut(&mut Draw) -> f64) -> (Summary, Adaptive) {
        let mut draw = Draw::new(7, Purpose::Trials);
        let found = adaptive(|| DVector::from_element(1, model(&mut draw)), &[1.0], digits, 1.0, most);
        (found.outputs[0], found)
    }

    fn near(what: &str, got: f64, should: f64, within: f64) {
        assert!((got - should).abs() <= within, "{what}: {got} instead of {should}");
    }

    /// Source: JCGM 101:2008, 9.2.2: sum of four standard normal quantities, u 2.0, 95 % interval ±3.92.
    #[test]
    fn jcgm_101_four_normals() {
        let (y, found) = run(2, 400_000, |draw| (0..4).map(|_| draw.normal(1.0)).sum());
        assert!(found.stable, "{found:?}");
        near("u", y.u, 2.0, 0.01);
        near("low", y.low, -3.92, 0.03);
        near("high", y.high, 3.92, 0.03);
    }

    /// Source: JCGM 101:2008, 9.2.3: the same with rectangular quantities of unit standard deviation: the sum of four has the ends
    /// ±2√3 (2 − (3/5)^(1/4)) = ±3.88 (the expression from memory; it is exact: the tail of the sum of four rectangular quantities is a fourth power).
    /// The first order's ±3.92 is off by 0.04, below δ = 0.05 of two digits of u = 2.0.
    #[test]
    fn jcgm_101_four_rectangular_quantities() {
        let (y, found) = run(2, 400_000, |draw| {
            let half = 3f64.sqrt();
            (0..4).map(|_| draw.uniform(-half, half)).sum()
        });
        let exact = 2.0 * 3f64.sqrt() * (2.0 - 0.6f64.powf(0.25));
        near("exact", exact, 3.88, 0.005);
        near("u", y.u, 2.0, 0.01);
        near("low", y.low, -exact, 0.03);
        near("high", y.high, exact, 0.03);
        let delta = numerical_tolerance(y.u, 2);
        near("delta", delta, 0.05, 1e-12);
        assert!((3.92 - exact).abs() < delta && found.trials >= 20_000);
    }

    /// Source: JCGM 101:2008, 9.2.4 (from memory): one of the four is ten times as wide: u 10.1, ends ±17.0, where the first order has ±19.9 and is
    /// not validated.
    #[test]
    fn jcgm_101_one_wide_rectangular_quantity() {
        let (y, _) = run(2, 200_000, |draw| {
            let half = 3f64.sqrt();
            let three: f64 = (0..3).map(|_| draw.uniform(-half, half)).sum();
            three + draw.uniform(-10.0 * half, 10.0 * half)
        });
        near("u", y.u, 103f64.sqrt(), 0.05);
        near("low", y.low, -17.0, 0.1);
        near("high", y.high, 17.0, 0.1);
        let first_order = crate::uncertainty::K_95 * 103f64.sqrt();
        near("first order", first_order, 19.9, 0.05);
        assert!(first_order - y.high > numerical_tolerance(y.u, 2), "not validated");
    }

    /// Source: JCGM 101:2008, 9.4 (comparison loss y = x1² + x2², u 0.005 each; exact moments), where the first order lies near the minimum.
    #[test]
    fn jcgm_101_comparison_loss() {
        for (x1, mean, u) in [(0.0, 50e-6, 50e-6), (0.010, 150e-6, 111.8e-6), (0.050, 2550e-6, 502.5e-6)] {
            let (y, _) = run(2, 100_000, |draw| (x1 + draw.normal(0.005)).powi(2) + draw.normal(0.005).powi(2));
            // Four standard errors of a mean and of a standard deviation (with its heavier tail) of 20,000 trials.
            near("mean", y.mean, mean, 4.0 * u / 20_000f64.sqrt());
            near("u", y.u, u, 4.0 * u * 1.5 / 20_000f64.sqrt());
        }
        // At the minimum the distribution is exponential: its 95 % ends are −ln(0.975) and −ln(0.025) times the mean.
        let (y, _) = run(2, 200_000, |draw| draw.normal(0.005).powi(2) + draw.normal(0.005).powi(2));
        near("low", y.low, -(0.975f64.ln()) * 50e-6, 0.15e-6);
        near("high", y.high, -(0.025f64.ln()) * 50e-6, 4e-6);
    }

    /// JCGM 101, 7.9.2, examples there (from memory): u = 0.000 35 g with two digits: 0.000 005 g; 0.000 4 g with one: 0.000 05 g; 2 K with one: 0.5 K.
    #[test]
    fn tolerances_of_digits() {
        for (u, digits, tolerance) in [
            (0.00035, 2, 0.000005),
            (0.0004, 1, 0.00005),
            (2.0, 1, 0.5),
            (0.0996, 2, 0.005),
            (10.0, 2, 0.5),
            (9.94, 2, 0.05),
        ] {
            near("tolerance", numerical_tolerance(u, digits), tolerance, 1e-12);
        }
        assert_eq!(numerical_tolerance(0.0, 2), 0.0);
    }

    /// y = x + 0.02 x²: mean 0.02, variance 1 + 2 · 0.02²; a thousand pairs find both, and the skew of the ends, far better than a thousand
    /// plain trials (whose ends scatter by 0.08) could.
    #[test]
    fn pairs_see_small_differences() {
        let mut draw = Draw::new(3, Purpose::Trials);
        let x: Vec<f64> = (0..1000).map(|_| draw.normal(1.0)).collect();
        let y: Vec<f64> = x.iter().map(|x| x + 0.02 * x * x).collect();
        let k = crate::uncertainty::K_95;
        let reference = Summary { mean: 0.0, u: 1.0, low: -k, high: k };
        let found = paired(&y, &x, &reference, |n| (draw.unit() * n as f64) as usize);
        near("mean", found.full.mean, 0.02, 4.0 * 0.02 * 2f64.sqrt() / 1000f64.sqrt());
        near("u", found.full.u, (1.0f64 + 2.0 * 0.0004).sqrt(), 0.004);
        near("high", found.full.high, k + 0.02 * k * k, 0.012);
        near("low", found.full.low, -k + 0.02 * k * k, 0.012);
        assert!(found.scatter.high < 0.02 && found.scatter.high > 0.0, "{:?}", found.scatter);
    }
}
