//! Least squares in a few unknowns, small statistics, and the quantiles that tests need.

pub mod chi_square;
pub mod f_ratio;

use nalgebra::{DMatrix, Matrix3, SMatrix, SVector, Vector2, Vector3};

/// How a small fit is run.
#[derive(Clone, Copy, Debug)]
pub struct FitOptions {
    /// Most steps tried.
    pub max_iterations: usize,
    /// Stops where a step is expected to lower the cost by less than this share of it.
    pub relative_gain: f64,
}

impl Default for FitOptions {
    fn default() -> Self {
        Self { max_iterations: 50, relative_gain: 1e-10 }
    }
}

/// A linearised cost at one state: cost = Σ (weighted residual)², its half gradient Jᵀr and its Gauss-Newton matrix JᵀJ.
#[derive(Clone, Copy, Debug)]
pub struct Linearised<const N: usize> {
    /// Sum of squared weighted residuals, after any robust loss.
    pub cost: f64,
    /// Jᵀ r.
    pub gradient: SVector<f64, N>,
    /// Jᵀ J.
    pub normal: SMatrix<f64, N, N>,
}

impl<const N: usize> Linearised<N> {
    /// Nothing observed yet.
    pub fn zero() -> Self {
        Self { cost: 0.0, gradient: SVector::zeros(), normal: SMatrix::zeros() }
    }
}

/// Levenberg-Marquardt in a few unknowns.
///
/// `linearise` gives the cost and its derivatives at a state (`None` where it can't be evaluated, say a point behind the
/// camera); `step` moves a state. Returns the best state with its linearisation, or `None` where even the start can't be
/// evaluated. Never panics on finite input; a fit that stalls returns its best state.
///
/// Source: D. W. Marquardt, "An algorithm for least-squares estimation of nonlinear parameters", SIAM J. 11(2), 1963.
pub fn levenberg_marquardt<S: Clone, const N: usize>(
    start: &S,
    options: &FitOptions,
    linearise: impl Fn(&S) -> Option<Linearised<N>>,
    step: impl Fn(&S, &SVector<f64, N>) -> S,
) -> Option<(S, Linearised<N>)> {
    let mut state = start.clone();
    let mut at = linearise(&state).filter(|l| l.cost.is_finite())?;
    let mut lambda = 1e-4;
    for _ in 0..options.max_iterations {
        let mut damped = at.normal;
        for k in 0..N {
            damped[(k, k)] += lambda * at.normal[(k, k)].max(1e-12);
        }
        let Some(inverse) = damped.try_inverse() else {
            lambda *= 10.0;
            if lambda > 1e12 {
                break;
            }
            continue;
        };
        let delta = -(inverse * at.gradient);
        let candidate = step(&state, &delta);
        match linearise(&candidate).filter(|l| l.cost.is_finite() && l.cost <= at.cost) {
            Some(next) => {
                let gain = at.cost - next.cost;
                let done = gain <= options.relative_gain * at.cost;
                state = candidate;
                at = next;
                lambda = (lambda * 0.2).max(1e-12);
                if done {
                    break;
                }
            }
            None => {
                lambda *= 10.0;
                if lambda > 1e12 {
                    break;
                }
            }
        }
    }
    Some((state, at))
}

/// Cauchy's loss `limit · ln(1 + d²/limit)` of a squared residual, and its derivative, the weight: what is far off pulls little.
///
/// Source: Hartley and Zisserman, "Multiple View Geometry", appendix 6.
pub fn cauchy_loss(d2: f64, limit: f64) -> (f64, f64) {
    (limit * (d2 / limit).ln_1p(), 1.0 / (1.0 + d2 / limit))
}

/// The plane map (3 × 3, last entry 1) that takes four points to four points; `None` where the eight equations do not determine it.
///
/// Source: Hartley and Zisserman, "Multiple View Geometry", 4.1, direct linear transform.
pub fn plane_map(from: &[Vector2<f64>; 4], to: &[Vector2<f64>; 4]) -> Option<Matrix3<f64>> {
    let mut m = SMatrix::<f64, 8, 8>::zeros();
    let mut right = SVector::<f64, 8>::zeros();
    for k in 0..4 {
        let (x, y, u, v) = (from[k].x, from[k].y, to[k].x, to[k].y);
        m.row_mut(2 * k).copy_from_slice(&[x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y]);
        m.row_mut(2 * k + 1).copy_from_slice(&[0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y]);
        right[2 * k] = u;
        right[2 * k + 1] = v;
    }
    let h = m.lu().solve(&right)?;
    h.iter().all(|v| v.is_finite()).then(|| Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], 1.0))
}

/// Centroid, middle eigenvalue of the scatter (m²) and unit normal of the least-squares plane through points.
pub fn plane_through(points: &[Vector3<f64>]) -> (Vector3<f64>, f64, Vector3<f64>) {
    let centre = points.iter().sum::<Vector3<f64>>() / points.len() as f64;
    let scatter: Matrix3<f64> = points.iter().map(|p| (p - centre) * (p - centre).transpose()).sum();
    let eigen = scatter.symmetric_eigen();
    let mut order = [0, 1, 2];
    order.sort_by(|a, b| eigen.eigenvalues[*a].total_cmp(&eigen.eigenvalues[*b]));
    (centre, eigen.eigenvalues[order[1]], eigen.eigenvectors.column(order[0]).into_owned())
}

/// The median; `None` for an empty list. NaN sorts last.
pub fn median(values: &[f64]) -> Option<f64> {
    quantile_of(values, 0.5)
}

/// The empirical quantile `p` (0..1), linear between order statistics; `None` for an empty list.
pub fn quantile_of(values: &[f64], p: f64) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let at = p.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let low = at.floor() as usize;
    let high = at.ceil() as usize;
    Some(sorted[low] + (sorted[high] - sorted[low]) * (at - low as f64))
}

/// Quantile of the chi-square distribution with `dof` degrees of freedom, given the standard normal quantile `z` of the
/// same probability. Wilson and Hilferty, "The distribution of chi-square", PNAS 17, 1931: within 1 % for dof >= 4.
pub fn chi_square_quantile(z: f64, dof: f64) -> f64 {
    let a = 2.0 / (9.0 * dof);
    dof * (1.0 - a + z * a.sqrt()).max(0.0).powi(3)
}

/// Distribution function Φ of the standard normal distribution, to about 1e-15.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z / std::f64::consts::SQRT_2)
}

/// Inverse of [`normal_cdf`]; `p` strictly between 0 and 1, otherwise NaN.
pub fn normal_quantile(p: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) {
        return f64::NAN;
    }
    // Work in the lower tail, where the distribution function keeps its relative accuracy; bisection cannot fail.
    let tail = p.min(1.0 - p);
    let (mut low, mut high) = (-39.0, 0.0);
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if normal_cdf(middle) < tail { low = middle } else { high = middle }
    }
    let z = 0.5 * (low + high);
    if p < 0.5 { z } else { -z }
}

/// Complementary error function: the power series with positive terms only where |x| is small (no cancellation), the continued fraction
/// in the tail. Both are classical (Abramowitz and Stegun, 7.1.6 and 7.1.14, from memory); no fitted coefficients, so nothing to
/// mistype, and no further crate for one function.
fn erfc(x: f64) -> f64 {
    if x.is_nan() {
        return f64::NAN;
    }
    let size = x.abs();
    let gauss = (-size * size).exp() / std::f64::consts::PI.sqrt();
    let upper = if size < 2.0 {
        // erf x = 2/√π e^{-x²} Σ 2ⁿ x^{2n+1} / (1·3·…·(2n+1))
        let (mut term, mut sum, mut n) = (size, size, 0.0);
        while term > 1e-17 * sum {
            n += 1.0;
            term *= 2.0 * size * size / (2.0 * n + 1.0);
            sum += term;
        }
        1.0 - 2.0 * gauss * sum
    } else {
        // √π e^{x²} erfc x = 1/(x + (1/2)/(x + 1/(x + (3/2)/(x + …)))), evaluated from the far end.
        let mut fraction = size;
        for k in (1..=120).rev() {
            fraction = size + 0.5 * f64::from(k) / fraction;
        }
        gauss / fraction
    };
    if x < 0.0 { 2.0 - upper } else { upper }
}

/// The inverse of a symmetric positive definite matrix by Cholesky, after scaling its diagonal to one.
///
/// Returns `Err(k)` with the index of an unknown that the equations do not determine where it isn't positive definite
/// (a scaled pivot below 1e-13).
pub fn spd_inverse(matrix: &DMatrix<f64>) -> Result<DMatrix<f64>, usize> {
    let n = matrix.nrows();
    if n == 0 {
        return Ok(DMatrix::zeros(0, 0));
    }
    let mut scale = Vec::with_capacity(n);
    for k in 0..n {
        let d = matrix[(k, k)];
        if !(d.is_finite() && d > 0.0) {
            return Err(k);
        }
        scale.push(1.0 / d.sqrt());
    }
    let scaled = DMatrix::from_fn(n, n, |i, j| matrix[(i, j)] * scale[i] * scale[j]);
    let weakest = |l: &DMatrix<f64>| {
        (0..n).map(|k| (k, l[(k, k)])).min_by(|a, b| a.1.total_cmp(&b.1)).map_or((0, 0.0), |found| found)
    };
    let Some(cholesky) = scaled.clone().cholesky() else {
        // Find the culprit with a little on the diagonal, so that the factor exists.
        let eased = scaled + DMatrix::identity(n, n) * 1e-9;
        return Err(eased.cholesky().map_or(0, |c| weakest(&c.l()).0));
    };
    let (k, pivot) = weakest(cholesky.l_dirty());
    if pivot * pivot < 1e-13 {
        return Err(k);
    }
    let inverse = cholesky.inverse();
    Ok(DMatrix::from_fn(n, n, |i, j| 0.5 * (inverse[(i, j)] + inverse[(j, i)]) * scale[i] * scale[j]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Matrix2;

    /// Source: JCGM 100:2008 (GUM), H.3, Table H.6: calibration of a thermometer, a straight line.
    #[test]
    fn gum_h3_calibration_line() {
        let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
        let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
        let (state, at) = levenberg_marquardt(
            &Vector2::zeros(),
            &FitOptions::default(),
            |y: &Vector2<f64>| {
                let mut l = Linearised::<2>::zero();
                for (t, b) in t.iter().zip(b) {
                    let j = Vector2::new(1.0, t - 20.0);
                    let r = j.dot(y) - b;
                    l.cost += r * r;
                    l.gradient += j * r;
                    l.normal += j * j.transpose();
                }
                Some(l)
            },
            |y, d| y + d,
        )
        .unwrap();
        let s2 = at.cost / 9.0;
        let cov: Matrix2<f64> = at.normal.try_inverse().unwrap() * s2;
        assert!((state[0] - -0.1712).abs() < 5e-5, "{state}");
        assert!((state[1] - 0.00218).abs() < 5e-6, "{state}");
        assert!((cov[(0, 0)].sqrt() - 0.0029).abs() < 5e-5);
        assert!((cov[(1, 1)].sqrt() - 0.00067).abs() < 5e-6);
        assert!((cov[(0, 1)] / (cov[(0, 0)] * cov[(1, 1)]).sqrt() - -0.930).abs() < 5e-4);
        assert!((s2.sqrt() - 0.0035).abs() < 5e-5);
    }

    /// Rosenbrock's valley: the published minimum is (1, 1) with value 0 (Rosenbrock, Computer Journal 3, 1960).
    #[test]
    fn rosenbrock() {
        let (state, at) = levenberg_marquardt(
            &Vector2::new(-1.2, 1.0),
            &FitOptions { max_iterations: 200, relative_gain: 0.0 },
            |x: &Vector2<f64>| {
                let r = Vector2::new(10.0 * (x[1] - x[0] * x[0]), 1.0 - x[0]);
                let j = Matrix2::new(-20.0 * x[0], 10.0, -1.0, 0.0);
                Some(Linearised { cost: r.norm_squared(), gradient: j.transpose() * r, normal: j.transpose() * j })
            },
            |x, d| x + d,
        )
        .unwrap();
        assert!((state - Vector2::new(1.0, 1.0)).norm() < 1e-6 && at.cost < 1e-12, "{state} {}", at.cost);
    }

    /// Source of the tabled values: any chi-square table (NIST/SEMATECH e-Handbook, 1.3.6.7.4).
    #[test]
    fn chi_square_table() {
        for (z, dof, tabled) in
            [(3.0902, 8.0, 26.124), (2.3263, 8.0, 20.090), (1.6449, 30.0, 43.773), (2.3263, 100.0, 135.807)]
        {
            let got = chi_square_quantile(z, dof);
            assert!((got / tabled - 1.0).abs() < 0.01, "{dof}: {got} against {tabled}");
        }
    }

    /// Source of the tabled values: one-sided normal quantiles as in JCGM 106:2012, Table 1, and any normal table.
    #[test]
    fn normal_table() {
        for (tail, z) in [(0.2, 0.8416), (0.1, 1.2816), (0.05, 1.6449), (0.01, 2.3263), (0.001, 3.0902), (1e-6, 4.7534)]
        {
            assert!((-normal_quantile(tail) - z).abs() < 5e-5, "{tail}");
        }
    }

    #[test]
    fn order_statistics() {
        assert_eq!(median(&[]), None);
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(quantile_of(&[1.0, 2.0, 3.0, 4.0], 0.5), Some(2.5));
    }

    #[test]
    fn inverse_names_the_undetermined_unknown() {
        let good = DMatrix::from_row_slice(2, 2, &[4e6, 1.0, 1.0, 2e-6]);
        let inverse = spd_inverse(&good).unwrap();
        assert!((good * inverse - DMatrix::identity(2, 2)).norm() < 1e-9);
        let bad = DMatrix::from_row_slice(3, 3, &[1.0, 0.0, 0.0, 0.0, 1.0, 1.0, 0.0, 1.0, 1.0]);
        assert_eq!(spd_inverse(&bad).unwrap_err(), 2);
        assert_eq!(spd_inverse(&DMatrix::zeros(2, 2)).unwrap_err(), 0);
    }

    fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
        assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
    }

    /// Source: values recomputed with a general-purpose numerical library (scipy.special.erfc, ndtr).
    #[test]
    fn normal_distribution_function() {
        for (x, expected) in [
            (-3.0, 1.9999779095030015),
            (-0.5, 1.5204998778130465),
            (0.0, 1.0),
            (0.1, 0.8875370839817152),
            (1.2, 0.08968602177036462),
            (2.4999, 0.0004071699003334512),
            (2.5, 0.00040695201744495886),
            (4.0, 1.541725790028002e-08),
            (8.0, 1.1224297172982928e-29),
        ] {
            near("relative error of erfc", erfc(x) / expected, 1.0, 1e-12);
        }
        for (z, expected) in [(-8.0, 6.22096057427174e-16), (-1.2, 0.11506967022170822), (2.0, 0.9772498680518208)] {
            near("relative error of the distribution", normal_cdf(z) / expected, 1.0, 1e-12);
        }
        assert_eq!(normal_cdf(f64::INFINITY), 1.0);
        assert_eq!(normal_cdf(f64::NEG_INFINITY), 0.0);
        assert!(normal_cdf(f64::NAN).is_nan());
    }

    /// Source: JCGM 106:2012, Table 1 (z to two decimals; numbers recomputed); the coverage factor of 95 %.
    #[test]
    fn normal_quantiles() {
        for (p, z) in [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)] {
            near("z", normal_quantile(p), z, 0.005);
            near("mirror", normal_quantile(1.0 - p), -normal_quantile(p), 1e-9);
        }
        near("k", normal_quantile(0.975), 1.959964, 1e-6);
        assert!(normal_quantile(0.0).is_nan() && normal_quantile(1.0).is_nan() && normal_quantile(f64::NAN).is_nan());
    }
}
