//! The normal distribution in one and two variables, written so that loops over pixels compile to vector instructions.

/// exp(x) for x ≤ 0, to single precision of x: relative error below 2e-7 (2 + |x|); nothing below -80.
#[inline(always)]
pub(super) fn exp(x: f32) -> f32 {
    // 1.5 · 2²³: adding it rounds to a whole number, which then stands in the low bits.
    const ROUND: f32 = 12_582_912.0;
    let x = if x > -80.0 { x } else { -80.0 };
    let scaled = x * std::f32::consts::LOG2_E;
    let shifted = scaled + ROUND;
    let part = (scaled - (shifted - ROUND)) * std::f32::consts::LN_2;
    // Taylor's series to the sixth power on ±ln 2 / 2.
    let series = 1.0
        + part
            * (1.0
                + part
                    * (0.5 + part * (1.0 / 6.0 + part * (1.0 / 24.0 + part * (1.0 / 120.0 + part * (1.0 / 720.0))))));
    let power = f32::from_bits((shifted.to_bits() << 23).wrapping_add(1.0f32.to_bits()));
    series * power
}

/// Distribution function and density of the standard normal distribution.
///
/// Source: Abramowitz and Stegun 1964, 26.2.17 (error below 7.5e-8; single precision adds about as much).
#[inline(always)]
pub(super) fn normal(z: f32) -> (f32, f32) {
    let density = exp(-0.5 * z * z) * 0.398_942_3;
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let tail =
        density * t * (0.319_381_53 + t * (-0.356_563_78 + t * (1.781_477_9 + t * (-1.821_255_9 + t * 1.330_274_4))));
    (if z > 0.0 { 1.0 - tail } else { tail }, density)
}

/// Places and weights of Gauss and Legendre's quadrature over 0..1.
pub(super) type Nodes = &'static [(f32, f32)];

/// Up to this correlation the tetrachoric series to the fourth power is good enough: what is left out is below 3e-4.
pub(super) const MOST_OF_SERIES: f64 = 0.45;

/// Quadrature that integrates [`density_of_two`] over the angle from 0 to the correlation's arc sine well enough for a grey value: the error
/// stays below 4e-4 (test `two_variables`); none where the series will do.
///
/// Source of the nodes: Abramowitz and Stegun 1964, table 25.4, carried over from -1..1 to 0..1.
pub(super) fn nodes_for(correlation: f64) -> Nodes {
    match correlation.abs() {
        c if c <= MOST_OF_SERIES => &[],
        c if c < 0.7 => &[(0.112_701_67, 0.277_777_8), (0.5, 0.444_444_44), (0.887_298_35, 0.277_777_8)],
        c if c < 0.9 => &[
            (0.046_910_08, 0.118_463_44),
            (0.230_765_34, 0.239_314_34),
            (0.5, 0.284_444_44),
            (0.769_234_66, 0.239_314_34),
            (0.953_089_9, 0.118_463_44),
        ],
        _ => &[
            (0.019_855_07, 0.050_614_27),
            (0.101_666_76, 0.111_190_52),
            (0.237_233_8, 0.156_853_32),
            (0.408_282_68, 0.181_341_89),
            (0.591_717_3, 0.181_341_89),
            (0.762_766_2, 0.156_853_32),
            (0.898_333_24, 0.111_190_52),
            (0.980_144_9, 0.050_614_27),
        ],
    }
}

/// The arc sine. Source: Abramowitz and Stegun 1964, 4.4.45 (error below 7e-5).
#[inline(always)]
pub(super) fn arcsin(r: f32) -> f32 {
    let x = r.abs();
    let series = 1.570_728_8 + x * (-0.212_114_4 + x * (0.074_261 - x * 0.018_729_3));
    let angle = std::f32::consts::FRAC_PI_2 - (1.0 - x).sqrt() * series;
    if r < 0.0 { -angle } else { angle }
}

/// Density at (a, b) of two standard normal variables with correlation sin(`angle`), times the cosine of the angle.
///
/// Integrated over the angle from 0 it is what correlation adds to the product of the two distribution functions (Plackett 1954; the angle in place
/// of the correlation, which tames it near 1, after Drezner and Wesolowsky 1990).
#[inline(always)]
pub(super) fn density_of_two(a: f32, b: f32, angle: f32) -> f32 {
    let s = angle * angle;
    let r = angle * (1.0 + s * (-1.0 / 6.0 + s * (1.0 / 120.0 + s * (-1.0 / 5040.0 + s / 362_880.0))));
    0.159_154_94 * exp(-0.5 * (a * a - 2.0 * r * a * b + b * b) / (1.0 - r * r))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn exponential() {
        for k in 0..2000 {
            let x = -f64::from(k) / 50.0;
            let got = f64::from(exp(x as f32));
            assert!((got / f64::from(x as f32).exp() - 1.0).abs() < 2e-7 * (2.0 - x), "{x}");
        }
        assert!(exp(-1000.0) < 1e-30);
    }

    #[test]
    fn one_variable() {
        // Source: the normal table, Phi(1) = 0.841344746, Phi(-2) = 0.022750132.
        assert_abs_diff_eq!(normal(1.0).0, 0.841_344_8, epsilon = 3e-7);
        assert_abs_diff_eq!(normal(-2.0).0, 0.022_750_1, epsilon = 3e-7);
        assert_abs_diff_eq!(normal(0.0).0, 0.5, epsilon = 3e-7);
        assert_abs_diff_eq!(normal(0.0).1, 0.398_942_3, epsilon = 3e-7);
    }

    #[test]
    fn two_variables() {
        let joint = |a: f32, b: f32, r: f32| {
            let more: f32 = nodes_for(f64::from(r)).iter().map(|(x, w)| w * density_of_two(a, b, arcsin(r) * x)).sum();
            normal(a).0 * normal(b).0 + arcsin(r) * more
        };
        for r in [-0.97f32, -0.9, -0.89, -0.69, -0.46, 0.5, 0.6, 0.8, 0.95] {
            // Source: Sheppard 1899, the share of the first quadrant is 1/4 + arcsin(r) / 2 pi.
            let sheppard = 0.25 + r.asin() / std::f32::consts::TAU;
            assert_abs_diff_eq!(joint(0.0, 0.0, r), sheppard, epsilon = 4e-4);
            // Elsewhere against a sum of one variable's density times the other's conditional distribution.
            for (a, b) in [(0.5f32, -0.3f32), (-1.2, -1.0), (1.4, 0.2), (-0.4, 2.0)] {
                let rest = (1.0 - r * r).sqrt();
                let steps = 4000;
                let sum: f64 = (0..steps)
                    .map(|k| -6.0 + (f64::from(a) + 6.0) * (f64::from(k) + 0.5) / f64::from(steps))
                    .map(|x| {
                        let inner = normal((b - r * x as f32) / rest).0;
                        f64::from(normal(x as f32).1 * inner) * (f64::from(a) + 6.0) / f64::from(steps)
                    })
                    .sum();
                assert_abs_diff_eq!(f64::from(joint(a, b, r)), sum, epsilon = 4e-4);
            }
        }
    }
}
