//! What noise that neighbouring pixels share does to the corners' covariance.

use crate::tags::normal::{Noise, Weights};
use crate::tags::predict::{BLOCK, Block, N, Prediction, View, predict};
use crate::tags::products::{self, NOTHING, Parts, total};
use fearless_simd::{Level, Simd, SimdBase, dispatch, f32x8};
use nalgebra::{SMatrix, SVector};

/// What the remainders at a state show.
pub(super) struct TiedNoise {
    /// By what the covariance of the corners has to be multiplied.
    pub factor: f64,
    /// Right side of the normal equations: sum of all pulls.
    pub right: SVector<f64, N>,
    /// Cost of all remainders.
    pub cost: f64,
}

/// By what the covariance of the corners has to be multiplied for the noise that the remainders show, where neighbours may err alike.
///
/// Compression keeps the slow part of the noise and drops the fast part; a camera's own filters do the like; an edge that is not quite straight pulls
/// all its pixels to one side. So a sum over neighbours errs more than independent noise would. Each pixel's pull on the corners
/// (`standard` · weighted gradient × remainder, scaled so that independent noise gives unit variance to all eight coordinates) is summed over
/// each block of 8 × 8 image pixels, the blocks of JPEG; the scatter of these sums s_b stands for the true one:
///
/// ```text
/// factor = (1 + v) Σ |s_b|² / (8 - Σ tr V_b²)       V_b: the part of the information that lies in block b, Σ V_b = 1
/// ```
///
/// The denominator is what independent noise gives: the fit has taken part of the remainders away, the more so where few blocks carry
/// the information. The scatter itself is known to a relative variance v that the blocks show; a variance that is too small by chance does more
/// harm to normalised errors than one too large, which 1 + v makes good on average (as the tails of Student's distribution do). Source of the
/// method: the cluster-robust covariance of Liang and Zeger 1986, the correction after Bell and McCaffrey 2002.
///
/// `standard` (8 × unknowns) takes weighted derivatives to corners in units of what independent noise does to them; only the first `unknowns` count.
pub(super) fn tied_noise(
    blocks: &[Block],
    view: &View<'_>,
    noise: &Noise,
    standard: &SMatrix<f64, 8, N>,
    unknowns: usize,
) -> Option<TiedNoise> {
    let standard: [Parts; N] = std::array::from_fn(|j| std::array::from_fn(|i| standard[(i, j)] as f32));
    let (mut low, mut most) = ([u16::MAX; 2], [0; 2]);
    for (x, y) in blocks.iter().flat_map(|b| &b.seen[..b.n]) {
        low = [low[0].min(*x), low[1].min(*y)];
        most = [most[0].max(*x), most[1].max(*y)];
    }
    let (low, most) = (low.map(|v| v / TIED), most.map(|v| v / TIED));
    let [wide, high] = [0, 1].map(|axis| usize::from(most[axis].saturating_sub(low[axis])) + 1);
    let mut sums = vec![Tied::default(); wide * high];
    let mut prediction = Prediction::EMPTY;
    let mut right = [NOTHING; N];
    let used = ..unknowns.min(N);
    let mut cost = NOTHING;
    for block in blocks {
        predict(block, view, &mut prediction);
        let place =
            |(column, row): (u16, u16)| usize::from(row / TIED - low[1]) * wide + usize::from(column / TIED - low[0]);
        dispatch!(Level::new(), simd => {
            let weights = Weights::new(block, &prediction, noise);
            products::add(simd, &mut cost, &weights.loss, &[1.0; BLOCK]);
            for (sum, gradient) in right[used].iter_mut().zip(&prediction.gradient) {
                products::add(simd, sum, gradient, &weights.pull);
            }
            for (k, seen) in block.seen[..block.n].iter().enumerate() {
                let q = products::mix(simd, |unknown| prediction.gradient[unknown][k], &standard[used]);
                sums[place(*seen)].add(simd, q, weights.weight[k], weights.pull[k]);
            }
        });
    }
    let right = SVector::from(right.map(total));
    let (mut scatter, mut squares, mut count) = (0.0, 0.0, 0.0);
    let mut independent = 8.0;
    for tied in &sums {
        let part = tied.pull.iter().map(|v| f64::from(v * v)).sum::<f64>();
        let squared = tied.information.iter().flatten().map(|v| f64::from(v * v)).sum::<f64>();
        if squared > 0.0 {
            scatter += part;
            squares += part * part;
            count += 1.0;
            independent -= squared;
        }
    }
    let spread = (squares / (scatter * scatter) - 1.0 / count).max(0.0);
    let factor = scatter / independent.max(0.5) * (1.0 + spread);
    factor.is_finite().then_some(TiedNoise { factor, right, cost: total(cost) })
}

/// Pixels along the side of a block of image pixels whose noise is tied together: that of JPEG's blocks.
const TIED: u16 = 8;

/// Sums over one block of image pixels.
#[derive(Clone, Default)]
struct Tied {
    pull: [f32; 8],
    information: [[f32; 8]; 8],
}

impl Tied {
    /// Adds a pixel: its derivatives on the corners' standard scale, weight, and weight times remainder.
    #[inline(always)]
    fn add<S: Simd>(&mut self, simd: S, q: f32x8<S>, weight: f32, pull: f32) {
        (f32x8::from_slice(simd, &self.pull) + q * f32x8::splat(simd, pull)).store_slice(&mut self.pull);
        let mut weighted = NOTHING;
        (q * f32x8::splat(simd, weight)).store_slice(&mut weighted);
        for (row, weighted) in self.information.iter_mut().zip(weighted) {
            (f32x8::from_slice(simd, row) + f32x8::splat(simd, weighted) * q).store_slice(row);
        }
    }
}
