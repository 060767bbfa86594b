//! The F distribution: how likely chance alone makes one variance so much larger than another.

use super::chi_square::ln_gamma_half;

/// Chance that the ratio of two independent estimates of the same variance, with `above` and `below` degrees of freedom, exceeds `f`.
///
/// NaN where an argument makes no sense. Source: the continued fraction of the incomplete beta function, Abramowitz and Stegun, 26.5.8, and 26.6.2
/// for the tie to F (numbers from memory; checked against a published table below).
pub fn f_tail(f: f64, above: usize, below: usize) -> f64 {
    if f.is_nan() || above == 0 || below == 0 {
        return f64::NAN;
    }
    if f <= 0.0 {
        return 1.0;
    }
    let (d1, d2) = (above as f64, below as f64);
    let x = d2 / (d2 + d1 * f);
    // Q(F) = I_x(d2/2, d1/2); the fraction converges fast on the near side of the mean only.
    if x < (d2 + 2.0) / (d1 + d2 + 4.0) {
        incomplete_beta(x, below, above)
    } else {
        1.0 - incomplete_beta(1.0 - x, above, below)
    }
}

/// I_x(a/2, b/2) by Lentz's rule.
fn incomplete_beta(x: f64, twice_a: usize, twice_b: usize) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    let (a, b) = (0.5 * twice_a as f64, 0.5 * twice_b as f64);
    let ln_beta = ln_gamma_half(twice_a) + ln_gamma_half(twice_b) - ln_gamma_half(twice_a + twice_b);
    let front = (a * x.ln() + b * (-x).ln_1p() - ln_beta).exp() / a;
    let tiny = 1e-300;
    let (mut c, mut d) = (1.0, 1.0 - (a + b) * x / (a + 1.0));
    d = 1.0 / if d.abs() < tiny { tiny } else { d };
    let mut value = d;
    for m in 1..2000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        let before = value;
        for term in [even, odd] {
            d = 1.0 + term * d;
            d = 1.0 / if d.abs() < tiny { tiny } else { d };
            c = 1.0 + term / c;
            c = if c.abs() < tiny { tiny } else { c };
            value *= d * c;
        }
        if (value / before - 1.0).abs() < 1e-15 {
            break;
        }
    }
    front * value
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source of the tabled values: NIST/SEMATECH e-Handbook, 1.3.6.7.3 (upper critical values of the F distribution).
    #[test]
    fn nist_table() {
        for (chance, above, below, tabled) in [
            (0.05, 1, 10, 4.965),
            (0.05, 4, 20, 2.866),
            (0.05, 10, 10, 2.978),
            (0.01, 4, 20, 4.431),
            (0.01, 1, 100, 6.895),
            (0.10, 5, 30, 2.049),
        ] {
            let got = f_tail(tabled, above, below);
            assert!((got / chance - 1.0).abs() < 0.002, "{above} {below}: {got} against {chance}");
        }
    }

    /// Source: values recomputed with a general-purpose numerical library (scipy.stats.f.sf).
    #[test]
    fn tails() {
        for (f, above, below, expected) in [
            (1.18046237440255, 4, 20, 0.34944749340219294),
            (2.2615192699707953, 9, 40, 0.03739682514493523),
            (0.3, 3, 7, 0.8246586338993611),
            (25.0, 2, 60, 1.266942651181384e-08),
        ] {
            let got = f_tail(f, above, below);
            assert!((got / expected - 1.0).abs() < 1e-10, "{f} {above} {below}: {got} against {expected}");
        }
        assert_eq!(f_tail(0.0, 3, 3), 1.0);
        assert!(f_tail(f64::NAN, 3, 3).is_nan() && f_tail(1.0, 0, 3).is_nan());
    }

    /// With two degrees of freedom above the tail is (1 + 2f/n)^(-n/2) exactly.
    #[test]
    fn two_degrees_above_have_a_closed_form() {
        for (f, n) in [(0.1, 5), (1.0, 8), (3.0, 40), (400.0, 12)] {
            let exact = (1.0 + 2.0 * f / n as f64).powf(-0.5 * n as f64);
            assert!((f_tail(f, 2, n) / exact - 1.0).abs() < 1e-12, "{f} {n}");
        }
    }
}
