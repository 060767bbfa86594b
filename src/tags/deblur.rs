//! Fifth stage, second try: reads the cells of a tag whose blur is as wide as its cells.
//!
//! A cell's value is then a mixture of its neighbours: a single bright cell among dark ones can be darker than a single dark one among
//! bright ones, and no threshold parts them. How wide the blur is shows at the border, where the picture is known. With it the mixture is undone step by step (Van Cittert
//! 1931), with what is known held fast: border black, surround white, nothing darker than black or brighter than white. Levels are then fitted anew to the
//! picture that was read, and the reading is repeated.

use crate::fit::normal_cdf;
use crate::raster::Gray;
use crate::tags::align::sample;
use crate::tags::decode::Grid;
use crate::tags::homography::Homography;
use nalgebra::{Matrix2, SMatrix, SVector};

/// The grid with one more cell of surround on every side: 12 × 12.
type Wide = [[f64; 12]; 12];

/// How much of each neighbour a cell's value holds: rows and columns -1, 0, 1 about the cell.
type Kernel = [[f64; 3]; 3];

/// Repetitions of the whole, and steps of undoing the mixture in each.
const ROUNDS: usize = 3;
const STEPS: usize = 15;

/// What was read.
#[derive(Clone, Copy, Debug)]
pub struct Clear {
    /// The bright cells, as in [`crate::tags::family::Cells`].
    pub cells: u64,
    /// Least distance of a cell from the middle between black and white, as a part of half the step.
    pub margin: f64,
    /// Coded grey step from black to white in the middle.
    pub contrast: f64,
    kernel: Kernel,
}

/// Reads the cells. `grid` holds the values as sampled; those of the surround may be missing (NaN).
///
/// Returns `None` where no two levels can be told apart.
pub fn read(image: &Gray, map: &Homography, grid: &Grid) -> Option<Clear> {
    let (mut black, mut white) = first_levels(grid)?;
    let kernel = kernel(image, map, white - black)?;
    let mut levels = SVector::<f64, 6>::from_column_slice(&[black, 0.0, 0.0, white - black, 0.0, 0.0]);
    let mut wide = known();
    for _ in 0..ROUNDS {
        undo(grid, &levels, &kernel, &mut wide);
        levels = fit_levels(grid, &kernel, &hardened(&wide))?;
        (black, white) = (levels[0], levels[0] + levels[3]);
        if white - black < 1.0 || levels[4].abs() + levels[5].abs() > 0.7 * levels[3] {
            return None;
        }
    }
    let (mut cells, mut margin) = (0u64, f64::MAX);
    for r in 1..9 {
        for c in 1..9 {
            let value = 2.0 * wide[r + 1][c + 1] - 1.0;
            if inner(r, c) {
                margin = margin.min(value.abs());
                if value > 0.0 {
                    cells |= 1 << (8 * (r - 1) + c - 1);
                }
            }
        }
    }
    Some(Clear { cells, margin, contrast: white - black, kernel })
}

impl Clear {
    /// Root mean square of what a tag's picture leaves unexplained on its 64 cells, as a part of the step; `None` where its levels cannot be fitted.
    pub fn unexplained(&self, grid: &Grid, cells: u64) -> Option<f64> {
        let mut wide = known();
        for (r, c) in (1..9).flat_map(|r| (1..9).map(move |c| (r, c))) {
            wide[r + 1][c + 1] = ((cells >> (8 * (r - 1) + c - 1)) & 1) as f64;
        }
        let levels = fit_levels(grid, &self.kernel, &wide)?;
        let mut sum = 0.0;
        for (r, c) in (1..9).flat_map(|r| (1..9).map(move |c| (r, c))) {
            let (black, step) = levels_at(&levels, r, c);
            sum += ((grid[r][c] - black) / step - mixed(&wide, &self.kernel, r, c)).powi(2);
        }
        Some((sum / 64.0).sqrt())
    }
}

/// Whether a cell of the 10 × 10 grid carries the code.
fn inner(r: usize, c: usize) -> bool {
    (2..8).contains(&r) && (2..8).contains(&c)
}

/// What is known beforehand: surround 1, border 0, the cells in the middle between.
fn known() -> Wide {
    let mut wide = [[1.0; 12]; 12];
    for r in 1..9 {
        for c in 1..9 {
            wide[r + 1][c + 1] = if inner(r, c) { 0.5 } else { 0.0 };
        }
    }
    wide
}

/// Black and white to start with: means of the darkest and the brightest fifth of the tag's own cells.
fn first_levels(grid: &Grid) -> Option<(f64, f64)> {
    let mut values: Vec<f64> = (1..9).flat_map(|r| grid[r][1..9].iter().copied()).collect();
    values.sort_by(f64::total_cmp);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (black, white) = (mean(&values[..13]), mean(&values[values.len() - 7..]));
    (white - black > 1.0).then_some((black, white))
}

/// The mixture that the blur at the border tells of.
fn kernel(image: &Gray, map: &Homography, step: f64) -> Option<Kernel> {
    const OFF: f64 = 0.25;
    // How much the picture rises from a quarter cell inside to a quarter cell outside: across the left and right sides, across the others.
    let mut rise = [(0.0, 0.0); 2];
    for side in 0..4 {
        for k in 0..8 {
            let along = f64::from(k) - 3.5;
            let at = |out: f64| {
                let (u, v) = match side {
                    0 => (out, along),
                    1 => (along, out),
                    2 => (-out, along),
                    _ => (along, -out),
                };
                let p = map.apply(u, v);
                sample(image, p.x, p.y).map(f64::from)
            };
            if let (Some(inside), Some(outside)) = (at(4.0 - OFF), at(4.0 + OFF)) {
                rise[side % 2].0 += (outside - inside) / step;
                rise[side % 2].1 += 1.0;
            }
        }
    }
    // Of a step blurred by s, a part 2 Φ(OFF / s) - 1 lies between the two places.
    let sigma = |(sum, n): (f64, f64)| {
        let part = (sum / n).clamp(0.2, 0.98);
        let (mut narrow, mut wide) = (0.05, 1.2);
        for _ in 0..24 {
            let middle = 0.5 * (narrow + wide);
            if 2.0 * normal_cdf(OFF / middle) - 1.0 > part { narrow = middle } else { wide = middle }
        }
        0.5 * (narrow + wide)
    };
    if rise.iter().any(|r| r.1 < 4.0) {
        return None;
    }
    let (su, sv) = (sigma(rise[0]), sigma(rise[1]));
    // Blur that is round in the image is slanted in cells: its correlation there.
    let cells_from_px = map.jacobian(0.0, 0.0).try_inverse()?;
    let round = cells_from_px * cells_from_px.transpose();
    let correlation = (round.m12 / (round.m11 * round.m22).sqrt()).clamp(-0.95, 0.95);
    // The five samples of a cell spread by 0.16 cells themselves.
    let (uu, vv) = (su * su + 0.026, sv * sv + 0.026);
    // v counts upwards and rows downwards: the other sign.
    let uv = -correlation * su * sv;
    let inverse = Matrix2::new(uu, uv, uv, vv).try_inverse()?;
    // Each neighbour's share: the blur's weight over its area, by 6 × 6 points.
    let mut kernel = [[0.0; 3]; 3];
    for (row, shares) in kernel.iter_mut().enumerate() {
        for (column, share) in shares.iter_mut().enumerate() {
            for i in 0..36 {
                let u = column as f64 - 1.5 + (f64::from(i % 6) + 0.5) / 6.0;
                let v = row as f64 - 1.5 + (f64::from(i / 6) + 0.5) / 6.0;
                let q = inverse.m11 * u * u + 2.0 * inverse.m12 * u * v + inverse.m22 * v * v;
                *share += (-0.5 * q).exp();
            }
        }
    }
    let sum: f64 = kernel.iter().flatten().sum();
    Some(kernel.map(|row| row.map(|share| share / sum)))
}

/// What a cell shows: itself and its neighbours by their shares. `r`, `c` count in the 10 × 10 grid.
fn mixed(wide: &Wide, kernel: &Kernel, r: usize, c: usize) -> f64 {
    let mut sum = 0.0;
    for (dr, shares) in kernel.iter().enumerate() {
        for (dc, share) in shares.iter().enumerate() {
            sum += share * wide[r + dr][c + dc];
        }
    }
    sum
}

/// Black level and step at a cell.
fn levels_at(levels: &SVector<f64, 6>, r: usize, c: usize) -> (f64, f64) {
    let (x, y) = ((c as f64 - 4.5) / 4.0, (r as f64 - 4.5) / 4.0);
    let step = levels[3] + levels[4] * x + levels[5] * y;
    (levels[0] + levels[1] * x + levels[2] * y, step.max(0.2 * levels[3]))
}

/// Undoes the mixture in the cells that carry the code.
fn undo(grid: &Grid, levels: &SVector<f64, 6>, kernel: &Kernel, wide: &mut Wide) {
    let cells = || (2..8).flat_map(|r| (2..8).map(move |c| (r, c)));
    let mut target = [[0.0; 10]; 10];
    for (r, c) in cells() {
        let (black, step) = levels_at(levels, r, c);
        target[r][c] = (grid[r][c] - black) / step;
        wide[r + 1][c + 1] = target[r][c].clamp(0.0, 1.0);
    }
    for _ in 0..STEPS {
        let before = *wide;
        for (r, c) in cells() {
            let missing = target[r][c] - mixed(&before, kernel, r, c);
            wide[r + 1][c + 1] = (before[r + 1][c + 1] + missing).clamp(0.0, 1.0);
        }
    }
}

/// Every cell either black or white.
fn hardened(wide: &Wide) -> Wide {
    wide.map(|row| row.map(|value| if value > 0.5 { 1.0 } else { 0.0 }))
}

/// Black level and step, each a plane over the tag, that explain the values best, given which cells are bright.
fn fit_levels(grid: &Grid, kernel: &Kernel, wide: &Wide) -> Option<SVector<f64, 6>> {
    let mut normal = SMatrix::<f64, 6, 6>::zeros();
    let mut right = SVector::<f64, 6>::zeros();
    for (r, c) in (1..9).flat_map(|r| (1..9).map(move |c| (r, c))) {
        let (x, y) = ((c as f64 - 4.5) / 4.0, (r as f64 - 4.5) / 4.0);
        let share = mixed(wide, kernel, r, c);
        let row = SVector::<f64, 6>::from_column_slice(&[1.0, x, y, share, share * x, share * y]);
        normal += row * row.transpose();
        right += row * grid[r][c];
    }
    normal.cholesky().map(|c| c.solve(&right)).filter(|levels| levels.iter().all(|v| v.is_finite()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tags::family::cells_of;
    use nalgebra::Vector2;

    /// Tags of 2.5 pixels a cell whose blur has a standard deviation of 0.45 cells: every one is read with no more wrong cells than decoding accepts, where a threshold alone
    /// reads several times as many.
    #[test]
    fn cells_as_small_as_the_blur_are_read() {
        let (side, at) = (20.0, 15.3);
        let corners = [[at, at + side], [at + side, at + side], [at + side, at], [at, at]].map(Vector2::from);
        let map = Homography::from_corners(&corners).unwrap();
        let sigma = 0.45 * side / 8.0;
        let (mut wrong, mut wrong_by_threshold) = (0, 0);
        // One axis at a time: the blur of a cell at a pixel is a difference of two distribution functions.
        let share = |pixel: usize, cell: usize| {
            let edge = |k: usize| normal_cdf((at + side / 8.0 * k as f64 - pixel as f64) / sigma);
            edge(cell + 1) - edge(cell)
        };
        for id in (0..587).step_by(23) {
            let cells = cells_of(id).unwrap();
            let data = (0..50 * 50).map(|i| {
                let mut black = 0.0;
                for k in (0..64).filter(|k| (cells >> k) & 1 == 0) {
                    black += share(i % 50, k % 8) * share(i / 50, k / 8);
                }
                (200.0 - 160.0 * black).round() as u8
            });
            let image = Gray::new(50, 50, data.collect()).unwrap();
            let mut grid = [[0.0; 10]; 10];
            for (r, row) in grid.iter_mut().enumerate() {
                for (c, value) in row.iter_mut().enumerate() {
                    let p = map.apply(c as f64 - 4.5, 4.5 - r as f64);
                    *value = f64::from(sample(&image, p.x, p.y).unwrap());
                }
            }
            let clear = read(&image, &map, &grid).unwrap();
            assert!((clear.cells ^ cells).count_ones() <= 2, "{id}");
            wrong += (clear.cells ^ cells).count_ones();
            for (r, c) in (2..8).flat_map(|r| (2..8).map(move |c| (r, c))) {
                wrong_by_threshold += u32::from((grid[r][c] > 120.0) != ((cells >> (8 * (r - 1) + c - 1)) & 1 != 0));
            }
            // Mixtures from beyond the next cell are not in the model.
            assert!(clear.unexplained(&grid, cells).unwrap() < 0.15, "{id}: {:?}", clear.unexplained(&grid, cells));
            let other = cells_of((id + 1) % 587).unwrap();
            assert!(clear.unexplained(&grid, other).is_none_or(|rms| rms > 0.15), "{id} taken for another");
        }
        assert!(3 * wrong < wrong_by_threshold, "{wrong} against {wrong_by_threshold}");
    }
}
