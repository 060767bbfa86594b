//! Whether a lens profile still fits the photographs of a survey: the correction that the survey found, against what the profile promised.

use super::{LensFreedom, LensInput};
use crate::calibrate::quality::RayGrid;
use crate::camera::{Lens, N_LENS};
use crate::fit::chi_square_quantile;
use nalgebra::{DMatrix, DVector, SMatrix, SVector, SymmetricEigen};

/// Standard normal quantile of the level (99.9 %) at which a profile is said not to fit.
const DRIFT_Z: f64 = 3.0902;

/// A direction of which the photographs know less than this share of what the profile knows cannot be tested by them. Common practice, no source.
const LEAST_LEARNT: f64 = 0.05;

/// A profile against a survey.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LensDrift {
    /// The correction found, in the order of [`crate::camera::LENS_PARAMETERS`].
    pub correction: SVector<f64, N_LENS>,
    /// Its squared size in units of its own covariance.
    pub statistic: f64,
    /// How many independent directions the photographs could test.
    pub directions: usize,
    /// What the statistic must stay below (chi-square, 99.9 %).
    pub critical: f64,
    /// Most that a ray moves by the correction, px (a turn of the whole picture taken out).
    pub shift_px: f64,
}

impl LensDrift {
    /// True where the profile does not fit.
    pub fn is_real(&self) -> bool {
        self.statistic > self.critical
    }
}

/// Tests the correction of a lens that was observed with its profile's covariance.
///
/// If the profile holds, the correction has the covariance P − C: what the profile allowed, less what is left after the survey. `posterior`: C, zero for what was
/// held. `None` where the lens was held or free, or the photographs say too little.
pub fn lens_drift(input: &LensInput, corrected: &Lens, posterior: &SMatrix<f64, N_LENS, N_LENS>) -> Option<LensDrift> {
    let LensFreedom::Measured(prior) = &input.freedom else { return None };
    let moving: Vec<usize> = (0..N_LENS).filter(|k| prior[(*k, *k)] > 0.0 && posterior[(*k, *k)] > 0.0).collect();
    let part = |m: &SMatrix<f64, N_LENS, N_LENS>| {
        DMatrix::from_fn(moving.len(), moving.len(), |i, j| m[(moving[i], moving[j])])
    };
    let correction = corrected.parameters() - input.lens.parameters();
    let l = scaled_factor(&part(prior))?;
    let change = DVector::from_fn(moving.len(), |i, _| correction[moving[i]]);
    // In units in which the profile's covariance is the identity: I − L⁻¹ C L⁻ᵀ has eigenvalues from 0 (nothing learnt) to 1 (all).
    let half = l.solve_lower_triangular(&part(posterior))?;
    let left = l.solve_lower_triangular(&half.transpose())?;
    let learnt = SymmetricEigen::new(DMatrix::identity(moving.len(), moving.len()) - (&left + left.transpose()) / 2.0);
    let y = l.solve_lower_triangular(&change)?;
    test(correction, &learnt.eigenvalues, &(learnt.eigenvectors.transpose() * y), &input.lens)
}

/// Tests a profile against the same photographs' own lens, found without it; `free_cov`: its covariance, zero for what was not free; `profile_cov`: the profile's,
/// where it states one.
pub fn lens_drift_of_free(
    profile: &Lens,
    profile_cov: Option<&SMatrix<f64, N_LENS, N_LENS>>,
    free: &Lens,
    free_cov: &SMatrix<f64, N_LENS, N_LENS>,
) -> Option<LensDrift> {
    let moving: Vec<usize> = (0..N_LENS).filter(|k| free_cov[(*k, *k)] > 0.0).collect();
    let whole = free_cov + profile_cov.copied().unwrap_or_else(SMatrix::zeros);
    let correction = free.parameters() - profile.parameters();
    let l = scaled_factor(&DMatrix::from_fn(moving.len(), moving.len(), |i, j| whole[(moving[i], moving[j])]))?;
    let y = l.solve_lower_triangular(&DVector::from_fn(moving.len(), |i, _| correction[moving[i]]))?;
    test(correction, &DVector::repeat(moving.len(), 1.0), &y, profile)
}

/// Cholesky's factor; `None` for an empty or singular matrix.
fn scaled_factor(m: &DMatrix<f64>) -> Option<DMatrix<f64>> {
    (m.nrows() > 0).then(|| m.clone().cholesky().map(|c| c.unpack()))?
}

fn test(
    correction: SVector<f64, N_LENS>,
    learnt: &DVector<f64>,
    along: &DVector<f64>,
    lens: &Lens,
) -> Option<LensDrift> {
    let (mut statistic, mut directions) = (0.0, 0);
    for (share, y) in learnt.iter().zip(along.iter()) {
        if *share > LEAST_LEARNT {
            statistic += y * y / share;
            directions += 1;
        }
    }
    (directions > 0 && statistic.is_finite()).then(|| LensDrift {
        correction,
        statistic,
        directions,
        critical: chi_square_quantile(DRIFT_Z, directions as f64),
        shift_px: RayGrid::new(lens, 9, 7).largest_shift(&correction),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand_chacha::ChaCha8Rng;
    use rand_chacha::rand_core::{Rng, SeedableRng};
    use std::ops::AddAssign;

    fn normal(rng: &mut ChaCha8Rng) -> f64 {
        // Twelve uniform numbers: nearly normal.
        (0..12).map(|_| f64::from(rng.next_u32()) / f64::from(u32::MAX)).sum::<f64>() - 6.0
    }

    /// Prior and photographs both measure the lens; their weighted mean is the corrected lens. The statistic's mean must be its degrees of freedom, and a real change
    /// must be seen.
    #[test]
    fn the_statistic_is_chi_square_and_sees_a_change() {
        let profile = Lens { k1: -0.1, ..Lens::pinhole(1920, 1080, 1400.0) };
        let mut prior = SMatrix::<f64, N_LENS, N_LENS>::zeros();
        let mut photographs = SMatrix::<f64, N_LENS, N_LENS>::zeros();
        for (k, (a, b)) in [(0.5, 1.0), (0.5, 0.7), (0.6, 2.0), (0.6, 3.0), (5e-4, 1e-3)].into_iter().enumerate() {
            prior[(k, k)] = a * a;
            photographs[(k, k)] = b * b;
        }
        prior[(0, 1)] = 0.2;
        prior[(1, 0)] = 0.2;
        let small = |m: &SMatrix<f64, N_LENS, N_LENS>| m.fixed_view::<5, 5>(0, 0).into_owned();
        let (p, m) = (small(&prior).try_inverse().unwrap(), small(&photographs).try_inverse().unwrap());
        let c = (p + m).try_inverse().unwrap();
        let mut posterior = SMatrix::<f64, N_LENS, N_LENS>::zeros();
        posterior.fixed_view_mut::<5, 5>(0, 0).copy_from(&c);
        let input = LensInput { lens: profile, freedom: LensFreedom::Measured(Box::new(prior)) };
        let l = small(&prior).cholesky().unwrap().unpack();
        let mut rng = ChaCha8Rng::seed_from_u64(7);
        let (mut sum, mut false_alarms) = (0.0, 0);
        for _ in 0..1000 {
            // The true lens differs from the profile as the profile says; the photographs see the true lens with their own noise.
            let truth = l * SVector::<f64, 5>::from_fn(|_, _| normal(&mut rng));
            let seen = SVector::<f64, 5>::from_fn(|k, _| truth[k] + photographs[(k, k)].sqrt() * normal(&mut rng));
            let correction = c * m * seen;
            let mut parameters = profile.parameters();
            parameters.fixed_rows_mut::<5>(0).add_assign(&correction);
            let drift = lens_drift(&input, &profile.with_parameters(&parameters), &posterior).unwrap();
            // Of cy these photographs know too little to test it.
            assert_eq!(drift.directions, 4);
            sum += drift.statistic;
            false_alarms += usize::from(drift.is_real());
        }
        // Mean 4, standard deviation of the mean 0.1; one false alarm in 1000 is promised.
        assert!((sum / 1000.0 - 4.0).abs() < 0.4, "{}", sum / 1000.0);
        assert!(false_alarms <= 6, "{false_alarms}");
        // A zoom of 1 %: 14 px at the edge's focal length.
        let mut parameters = profile.parameters();
        parameters.fixed_rows_mut::<5>(0).add_assign(&(c * m * SVector::<f64, 5>::from([14.0, 14.0, 0.0, 0.0, 0.0])));
        let drift = lens_drift(&input, &profile.with_parameters(&parameters), &posterior).unwrap();
        assert!(drift.is_real() && drift.shift_px > 1.0, "{drift:?}");
    }

    #[test]
    fn what_was_held_or_free_is_not_tested() {
        let lens = Lens::pinhole(640, 480, 600.0);
        let zero = SMatrix::zeros();
        for freedom in [LensFreedom::Held, LensFreedom::Free([true; N_LENS]), LensFreedom::Measured(Box::new(zero))] {
            assert_eq!(lens_drift(&LensInput { lens, freedom }, &lens, &zero), None);
        }
        let mut cov = SMatrix::<f64, N_LENS, N_LENS>::zeros();
        cov[(0, 0)] = 4.0;
        cov[(1, 1)] = 4.0;
        let other = Lens { fx: 610.0, fy: 610.0, ..lens };
        let drift = lens_drift_of_free(&lens, None, &other, &cov).unwrap();
        assert!((drift.statistic - 50.0).abs() < 1e-9 && drift.is_real());
        let near = Lens { fx: 602.0, ..lens };
        assert!(!lens_drift_of_free(&lens, Some(&cov), &near, &cov).unwrap().is_real());
    }
}
