//! Normal equations of the fit: how each pixel counts, and the sums over all of them.

use crate::tags::predict::{BLOCK, Block, N, Prediction};
use crate::tags::products::{self, NOTHING as NOTHING_SUMMED, Parts, total};
use fearless_simd::{Level, Simd, dispatch};
use nalgebra::{SMatrix, SVector};

/// Noise of a grey value: variance in the dark and in the bright, linear between.
#[derive(Clone, Copy, Debug)]
pub(super) struct Noise {
    /// Grey values that the two variances belong to.
    pub dark_code: f64,
    pub bright_code: f64,
    /// Variances.
    pub dark: f64,
    pub bright: f64,
}

/// Remainders up to this many standard deviations count in full, as noise does.
const PLAIN: f32 = 3.0;
/// Remainders beyond this many do not count at all: dirt, a reflection, something in front.
const NOTHING: f32 = 10.0;

/// How a block's pixels count.
pub(super) struct Weights {
    /// Hampel's weight over the variance: 1 up to 3 sigmas, a remainder's pull then fades to nothing at 10.
    ///
    /// Source: F. R. Hampel, "The influence curve and its role in robust estimation", JASA 69, 1974 (the part that stays level left out).
    pub weight: [f32; BLOCK],
    /// Weight times remainder.
    pub pull: [f32; BLOCK],
    /// What the pixel adds to the cost.
    pub loss: [f32; BLOCK],
    /// Squared remainder.
    pub square: [f32; BLOCK],
    /// 1 in the bright half.
    pub bright: [f32; BLOCK],
}

impl Weights {
    #[inline(always)]
    pub fn new(block: &Block, prediction: &Prediction, noise: &Noise) -> Self {
        let scale = 1.0 / (noise.bright_code - noise.dark_code);
        let [dark, more, dark_code, scale] =
            [noise.dark, noise.bright - noise.dark, noise.dark_code, scale].map(|v| v as f32);
        let zero = [0.0f32; BLOCK];
        let mut w = Weights { weight: zero, pull: zero, loss: zero, square: zero, bright: zero };
        let mut used = zero;
        used[..block.n].fill(1.0);
        for (k, used) in used.iter().enumerate() {
            let remainder = block.code[k] - prediction.code[k];
            let part = (prediction.code[k] - dark_code) * scale;
            let part = if part > 0.0 { part } else { 0.0 };
            let part = if part < 1.0 { part } else { 1.0 };
            let variance = dark + more * part;
            let size = (remainder * remainder / variance).sqrt();
            // Pull over remainder and twice its integral; beyond the end both stay as they are there.
            let within = if size < NOTHING { size } else { NOTHING };
            let fade = PLAIN / (NOTHING - PLAIN);
            let faded = fade * (NOTHING - within) / (within + 1e-9);
            let lost =
                PLAIN * PLAIN + 2.0 * fade * (NOTHING * (within - PLAIN) - 0.5 * (within * within - PLAIN * PLAIN));
            w.weight[k] = used * if size <= PLAIN { 1.0 } else { faded } / variance;
            w.pull[k] = w.weight[k] * remainder;
            w.loss[k] = used * if size <= PLAIN { size * size } else { lost };
            w.square[k] = remainder * remainder;
            w.bright[k] = if part > 0.5 { 1.0 } else { 0.0 };
        }
        w
    }
}

/// Normal equations at a state.
#[derive(Clone)]
pub(super) struct Normal {
    pub matrix: SMatrix<f64, N, N>,
    pub right: SVector<f64, N>,
    pub cost: f64,
    /// Squared remainders, those in the bright half with their sign turned.
    squares: Vec<f32>,
}

/// Unknowns are summed in tiles of this many by this many: what the registers hold.
const TILE: usize = 3;

/// Tiles along all unknowns, and on and above the diagonal.
const TILES: usize = N / TILE;
const UPPER_TILES: usize = TILES * (TILES + 1) / 2;

/// Running sums of the normal equations.
///
/// They are kept in single precision, eight parts each: a part sums a few hundred products, whose own rounding is as large.
pub(super) struct Sums {
    /// Tiles along the unknowns that are summed.
    used: usize,
    tiles: [[[Parts; TILE]; TILE]; UPPER_TILES],
    right: [Parts; N],
    cost: Parts,
    squares: Vec<f32>,
}

impl Sums {
    /// Sums of this many blocks for the first `unknowns`, a multiple of three; the equations of the others stay empty.
    pub fn new(unknowns: usize, blocks: usize) -> Self {
        Sums {
            used: (unknowns / TILE).min(TILES),
            tiles: [[[NOTHING_SUMMED; TILE]; TILE]; UPPER_TILES],
            right: [NOTHING_SUMMED; N],
            cost: NOTHING_SUMMED,
            squares: Vec::with_capacity(blocks * BLOCK),
        }
    }

    /// Adds a block.
    pub fn add(&mut self, block: &Block, prediction: &Prediction, noise: &Noise) {
        dispatch!(Level::new(), simd => self.add_block(simd, block, prediction, noise));
    }

    #[inline(always)]
    fn add_block<S: Simd>(&mut self, simd: S, block: &Block, prediction: &Prediction, noise: &Noise) {
        let one = [1.0f32; BLOCK];
        let Weights { weight, pull, loss, square, bright } = Weights::new(block, prediction, noise);
        products::add(simd, &mut self.cost, &loss, &one);
        let signed = square.iter().zip(&bright).map(|(square, bright)| if *bright > 0.5 { -square } else { *square });
        self.squares.extend(signed.take(block.n));
        let g = &prediction.gradient;
        let mut weighted = [[0.0f32; BLOCK]; N];
        for ((row, sum), gradient) in weighted.iter_mut().zip(&mut self.right).zip(g).take(TILE * self.used) {
            for k in 0..BLOCK {
                row[k] = gradient[k] * weight[k];
            }
            products::add(simd, sum, gradient, &pull);
        }
        let mut tiles = self.tiles.iter_mut();
        for (a, left) in weighted.as_chunks::<TILE>().0[..self.used].iter().enumerate() {
            for (right, tile) in g.as_chunks::<TILE>().0[a..self.used].iter().zip(&mut tiles) {
                products::add_tile(simd, tile, left.each_ref(), right.each_ref());
            }
        }
    }

    pub fn normal(self) -> Normal {
        let mut matrix = SMatrix::zeros();
        let mut tiles = self.tiles.iter();
        for a in 0..self.used {
            for (b, tile) in (a..self.used).zip(&mut tiles) {
                for (i, row) in tile.iter().enumerate() {
                    for (j, sum) in row.iter().enumerate() {
                        let (i, j) = (TILE * a + i, TILE * b + j);
                        if i <= j {
                            let sum = total(*sum);
                            (matrix[(i, j)], matrix[(j, i)]) = (sum, sum);
                        }
                    }
                }
            }
        }
        Normal { matrix, right: SVector::from(self.right.map(total)), cost: total(self.cost), squares: self.squares }
    }
}

/// Mean of squares, each counted with at most nine times that mean: a few large ones do not matter.
///
/// This is Huber's proposal 2 (1964) without its factor for normal noise, 0.995. Starts from the plain mean and goes down.
fn limited_mean(squares: &[f32]) -> f64 {
    let mean = |limit: f32| {
        let mut lanes = [0.0f32; 8];
        for part in squares.chunks(8) {
            for (lane, v) in lanes.iter_mut().zip(part) {
                *lane += if *v < limit { *v } else { limit };
            }
        }
        lanes.iter().sum::<f32>() / squares.len().max(1) as f32
    };
    let mut variance = mean(f32::MAX);
    for _ in 0..30 {
        let next = mean(9.0 * variance);
        let rests = next > 0.98 * variance;
        variance = next;
        if rests {
            break;
        }
    }
    f64::from(variance)
}

impl Normal {
    /// Mean square remainder in the dark and in the bright half; also over all.
    pub fn noise(&self, before: &Noise) -> (Noise, f64) {
        // Each is written to both groups, and stays where it belongs: nothing to guess.
        let mut halves = [0, 1].map(|_| vec![0.0f32; self.squares.len()]);
        let mut lengths = [0, 0];
        for square in &self.squares {
            for (half, (group, length)) in halves.iter_mut().zip(&mut lengths).enumerate() {
                group[*length] = square.abs();
                *length += usize::from(square.is_sign_negative() == (half == 1));
            }
        }
        let [dark, bright] = [0, 1].map(|half| (lengths[half] as f64, limited_mean(&halves[half][..lengths[half]])));
        let n = dark.0 + bright.0;
        // Part of the noise has gone into the unknowns. Grey values are whole numbers: rounding leaves 1/12.
        let of_noise = |mean: f64| (mean * n / (n - N as f64).max(1.0)).max(1.0 / 12.0);
        let all = of_noise((dark.0 * dark.1 + bright.0 * bright.1) / n.max(1.0));
        // A group with few pixels takes over what all show.
        let of = |(n, mean)| if n < 30.0 { all } else { of_noise(mean) };
        (Noise { dark: of(dark), bright: of(bright), ..*before }, all)
    }
}
