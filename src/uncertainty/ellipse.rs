//! The 95 % ellipse of two values, for drawings.

/// Corners of the polygon that it is drawn with.
const CORNERS: usize = 64;

/// The 95 % ellipse about zero of two values with this covariance. Source: chi-square with two degrees of freedom, whose 95 % point is -2 ln 0.05 = 5.991.
pub fn ellipse_95(cov: [[f64; 2]; 2]) -> Vec<[f64; 2]> {
    let k = (-2.0 * 0.05_f64.ln()).sqrt();
    // Cholesky factor of the 2 x 2 matrix; rounding may make a variance slightly negative.
    let a = cov[0][0].max(0.0).sqrt();
    let b = if a > 0.0 { cov[0][1] / a } else { 0.0 };
    let c = (cov[1][1] - b * b).max(0.0).sqrt();
    (0..CORNERS)
        .map(|i| {
            let (sin, cos) = (std::f64::consts::TAU * i as f64 / CORNERS as f64).sin_cos();
            [k * a * cos, k * (b * cos + c * sin)]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 95 of 100 draws of the distribution lie inside the polygon (seeded; 4 standard errors of a share of 0.95 over 20,000 draws are 0.0062).
    #[test]
    fn the_ellipse_holds_95_in_100() {
        use rand_chacha::ChaCha8Rng;
        use rand_chacha::rand_core::{Rng, SeedableRng};
        let cov = [[4.0, 1.5], [1.5, 1.0]];
        let polygon = ellipse_95(cov);
        let mut rng = ChaCha8Rng::seed_from_u64(11);
        let mut uniform = || (rng.next_u64() >> 11) as f64 / (1u64 << 53) as f64;
        let n = 20_000;
        let inside = (0..n)
            .filter(|_| {
                // Box and Muller.
                let (r, turn) = ((-2.0 * (1.0 - uniform()).ln()).sqrt(), std::f64::consts::TAU * uniform());
                let (s, t) = (r * turn.cos(), r * turn.sin());
                let point = [2.0 * s, 0.75 * s + (1.0_f64 - 0.75 * 0.75).sqrt() * t];
                let edges = polygon.iter().zip(polygon.iter().cycle().skip(1));
                edges.fold(true, |in_all, (a, b)| {
                    in_all && (b[0] - a[0]) * (point[1] - a[1]) - (b[1] - a[1]) * (point[0] - a[0]) >= 0.0
                })
            })
            .count();
        // A polygon of 64 corners inside its ellipse lacks 0.16 % of the area.
        let share = inside as f64 / f64::from(n);
        assert!((share - 0.95).abs() < 0.0075, "{share}");
    }
}
