//! The chi-square distribution, central and shifted: how unlikely a test value is, and how large a fault must be to show.

/// ln Γ(dof/2), exact by its recursion down to Γ(1/2) = √π or Γ(1) = 1.
pub(super) fn ln_gamma_half(dof: usize) -> f64 {
    let (mut twice, mut sum) = (dof as f64, 0.0);
    while twice > 2.0 {
        twice -= 2.0;
        sum += (0.5 * twice).ln();
    }
    if twice < 1.5 { sum + 0.5 * std::f64::consts::PI.ln() } else { sum }
}

/// ln of the chance that a chi-square value with `dof` (at least 1) degrees of freedom exceeds `x`; finite far out, where the chance itself is
/// no longer a number.
///
/// Source: the series and the continued fraction of the incomplete gamma function, Abramowitz and Stegun, 6.5.29 and 6.5.31 (numbers from memory).
pub fn ln_tail(x: f64, dof: usize) -> f64 {
    if x.is_nan() || dof == 0 {
        return f64::NAN;
    }
    if x <= 0.0 {
        return 0.0;
    }
    if x.is_infinite() {
        return f64::NEG_INFINITY;
    }
    let (a, h) = (0.5 * dof as f64, 0.5 * x);
    let front = -h + a * h.ln() - ln_gamma_half(dof);
    if h < a + 1.0 {
        // P = e^front Σ hⁿ / (a (a+1) … (a+n))
        let (mut term, mut sum, mut n) = (1.0 / a, 1.0 / a, 0.0);
        while term > 1e-17 * sum {
            n += 1.0;
            term *= h / (a + n);
            sum += term;
        }
        return (-(front.exp() * sum)).ln_1p();
    }
    // Q = e^front / (h + 1 − a − 1(1−a)/(h + 3 − a − …)), by Lentz's rule.
    let mut b = h + 1.0 - a;
    let mut c = 1e300;
    let mut d = 1.0 / b;
    let mut value = d;
    for i in 1..500 {
        let i = f64::from(i);
        let an = -i * (i - a);
        b += 2.0;
        d = 1.0 / (an * d + b);
        c = b + an / c;
        let factor = d * c;
        value *= factor;
        if (factor - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front + value.ln()
}

/// The value that is exceeded with the chance exp(`ln_chance`).
pub fn limit(ln_chance: f64, dof: usize) -> f64 {
    let (mut low, mut high) = (0.0, 10.0);
    while ln_tail(high, dof) > ln_chance && high < 1e9 {
        high *= 2.0;
    }
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if ln_tail(middle, dof) > ln_chance { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Chance that a chi-square value with `dof` degrees of freedom, shifted by the noncentrality `lambda`, exceeds `x`: a Poisson mixture of
/// central ones.
pub fn shifted_tail(x: f64, dof: usize, lambda: f64) -> f64 {
    let half = 0.5 * lambda;
    // Terms around the mean carry everything: ten standard deviations to both sides.
    let first = (half - 10.0 * half.sqrt() - 10.0).max(0.0).floor() as usize;
    let last = (half + 10.0 * half.sqrt() + 20.0).ceil() as usize;
    let ln_weight = |j: usize| j as f64 * half.max(1e-300).ln() - half - ln_gamma_half(2 * j + 2);
    (first..=last).map(|j| (ln_weight(j) + ln_tail(x, dof + 2 * j)).exp()).sum::<f64>().min(1.0)
}

/// The noncentrality at which a test with this `limit` is passed with the chance `power` only: the square of the smallest fault that shows, in
/// standard deviations (Baarda's δ0² for one degree of freedom).
pub fn noncentrality(limit: f64, dof: usize, power: f64) -> f64 {
    let (mut low, mut high) = (0.0, 10.0);
    while shifted_tail(limit, dof, high) < power && high < 1e7 {
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if shifted_tail(limit, dof, middle) < power { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source of the tabled values: NIST/SEMATECH e-Handbook, 1.3.6.7.4 (upper critical values of chi-square).
    #[test]
    fn nist_table() {
        for (chance, dof, tabled) in [
            (0.10, 1, 2.706),
            (0.05, 1, 3.841),
            (0.001, 1, 10.828),
            (0.05, 6, 12.592),
            (0.001, 6, 22.458),
            (0.001, 8, 26.124),
            (0.01, 30, 50.892),
            (0.01, 100, 135.807),
        ] {
            let got = limit(f64::ln(chance), dof);
            assert!((got - tabled).abs() < 0.0006, "{chance} {dof}: {got} against {tabled}");
        }
    }

    /// With two degrees of freedom the tail is e^{-x/2} exactly, however far out.
    #[test]
    fn two_degrees_of_freedom_are_exponential() {
        for x in [0.1, 1.0, 10.0, 700.0, 1e5] {
            assert!((ln_tail(x, 2) + 0.5 * x).abs() < 1e-12 * (1.0 + x), "{x}: {}", ln_tail(x, 2));
        }
    }

    /// Source: Baarda's numbers, "A testing procedure for use in geodetic networks", 1968 (from memory, recomputed): alpha 0.001, power 0.80:
    /// lambda0 17.07, delta0 4.1321; alpha 0.05: delta0 2.802.
    #[test]
    fn baardas_numbers() {
        let delta0 = |alpha: f64| noncentrality(limit(alpha.ln(), 1), 1, 0.80).sqrt();
        assert!((delta0(0.001) - 4.1321).abs() < 1e-4, "{}", delta0(0.001));
        assert!((delta0(0.05) - 2.802).abs() < 1e-3, "{}", delta0(0.05));
        assert!((noncentrality(limit(f64::ln(0.001), 1), 1, 0.80) - 17.075).abs() < 0.005);
        // Minimal detectable bias in sigmas for redundancy numbers 0.8, 0.5, 0.3, 0.1 (same source).
        for (r, tabled) in [(0.8f64, 4.62), (0.5, 5.84), (0.3, 7.54), (0.1, 13.07)] {
            assert!((delta0(0.001) / r.sqrt() - tabled).abs() < 0.006);
        }
    }

    /// Source: values recomputed with a general-purpose numerical library (scipy.stats.ncx2.sf).
    #[test]
    fn shifted_tails() {
        for (x, dof, lambda, expected) in
            [(12.592, 6, 10.0, 0.64382), (35.0, 6, 75.0, 0.99901), (26.12448, 8, 0.0, 0.001)]
        {
            let got = shifted_tail(x, dof, lambda);
            assert!((got - expected).abs() < 1e-5, "{x} {dof} {lambda}: {got} against {expected}");
        }
    }
}
