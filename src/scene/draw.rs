//! Seeded random numbers. The same seed gives the same numbers on every machine and with every later version.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// What a stream of random numbers is for. Each purpose has its own stream, so that a change of one thing (the noise, say) leaves
/// everything else of a bay as it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Purpose {
    /// Car, stand, sheets, prints, clamps.
    Bodies,
    /// Where the photographs are taken from.
    Cameras,
    /// The error of the stated lens.
    Lens,
    /// Errors of the corners.
    Corners,
    /// Trials of a Monte Carlo calculation.
    Trials,
    /// What happens in a rehearsal.
    Rehearsal,
    /// Sub-sample positions and sensor noise of photograph number `.0`.
    Photo(u32),
}

/// A stream of random numbers.
pub struct Draw {
    rng: ChaCha8Rng,
    spare_normal: Option<f64>,
}

impl Draw {
    /// The stream of a seed for a purpose.
    pub fn new(seed: u64, purpose: Purpose) -> Self {
        let stream = match purpose {
            Purpose::Bodies => 1,
            Purpose::Cameras => 2,
            Purpose::Lens => 3,
            Purpose::Corners => 4,
            Purpose::Trials => 5,
            Purpose::Rehearsal => 6,
            Purpose::Photo(n) => 1000 + u64::from(n),
        };
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(stream);
        Self { rng, spare_normal: None }
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.rng.next_u64()
    }

    /// Evenly distributed in [0, 1): 53 random bits.
    pub fn unit(&mut self) -> f64 {
        (self.bits() >> 11) as f64 * (1.0 / (1u64 << 53) as f64)
    }

    /// Evenly distributed in [low, high).
    pub fn uniform(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Normally distributed with mean 0 and the standard deviation `sigma` (Box and Muller 1958).
    pub fn normal(&mut self, sigma: f64) -> f64 {
        if let Some(spare) = self.spare_normal.take() {
            return sigma * spare;
        }
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.unit()).sin_cos();
        self.spare_normal = Some(radius * sin);
        sigma * radius * cos
    }
}

/// Scrambles 64 bits one-to-one: a random number for a place (a pixel's sub-sample, say) that does not depend on the order of work.
///
/// Source: the finaliser of SplitMix64, Steele, Lea and Flood 2014, "Fast splittable pseudorandom number generators"; constants from memory.
pub fn scramble(bits: u64) -> u64 {
    let mut z = bits.wrapping_add(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn same_seed_same_numbers_other_purpose_other_numbers() {
        let take = |seed, purpose| -> Vec<u64> {
            let mut draw = Draw::new(seed, purpose);
            (0..8).map(|_| draw.bits()).collect()
        };
        assert_eq!(take(7, Purpose::Corners), take(7, Purpose::Corners));
        assert_ne!(take(7, Purpose::Corners), take(8, Purpose::Corners));
        assert_ne!(take(7, Purpose::Corners), take(7, Purpose::Cameras));
        assert_ne!(take(7, Purpose::Photo(0)), take(7, Purpose::Photo(1)));
    }

    /// Source: first output of SplitMix64 from state 0, value from memory.
    #[test]
    fn scrambling_is_the_published_one() {
        assert_eq!(scramble(0), 0xe220_a839_7b1d_cdaf);
    }

    #[test]
    fn moments_are_right() {
        let n = 200_000;
        let mut draw = Draw::new(3, Purpose::Bodies);
        let normals: Vec<f64> = (0..n).map(|_| draw.normal(2.0)).collect();
        let mean = |f: &dyn Fn(f64) -> f64| normals.iter().map(|&v| f(v)).sum::<f64>() / n as f64;
        // Standard errors: mean 2/sqrt(n) = 0.0045; variance 4 sqrt(2/n) = 0.0126; fourth moment 16 sqrt(96/n) = 0.35. Five of each.
        assert!(mean(&|v| v).abs() < 0.023, "{}", mean(&|v| v));
        assert!((mean(&|v| v * v) - 4.0).abs() < 0.064);
        assert!((mean(&|v| v.powi(4)) - 48.0).abs() < 1.8);
        let uniform: f64 = (0..n).map(|_| draw.uniform(-1.0, 1.0).powi(2)).sum::<f64>() / n as f64;
        assert!((uniform - 1.0 / 3.0).abs() < 0.004, "{uniform}");
    }
}
