//! Fifth stage: reads the cells of a quadrilateral and looks the pattern up in the family.
//!
//! Black and white levels come from the tag itself: a plane through the border cells, and a plane through the bright cells over it, so
//! that a lamp's fall-off over the tag does not turn cells. What is blurred from cell to cell is undone before the decision.
//!
//! How many wrong cells are accepted is a budget of false finds: of the 2³⁶ patterns 587 · 4 · (1 + 36) are within one cell of a tag, so a
//! random pattern passes with 1.3e-6, and 587 · 4 · (1 + 36 + 630) within two, 2.3e-5. Real pictures are not random patterns (a tag with a wider
//! border, read one cell off, is close to other tags), so these figures are the least, and wrong cells are believed only where the levels are clearly apart.

use crate::raster::Gray;
use crate::tags::align::{sample, sample_inside, well_inside};
use crate::tags::deblur;
use crate::tags::family::{self, CELLS};
use crate::tags::homography::{CORNERS, HALF, Homography};
use crate::tags::quads::Quad;
use nalgebra::{Matrix3, Vector2, Vector3};

/// Most wrong cells.
const MOST_WRONG: u32 = 2;

/// Most that the picture of a tag read through blur may leave unexplained, as a part of the step from black to white.
const MOST_UNEXPLAINED: f64 = 0.15;

/// A quadrilateral that was read as a tag.
#[derive(Clone, Copy, Debug)]
pub struct Reading {
    /// Id in the family.
    pub id: u16,
    /// Cells that differ from the id's code.
    pub wrong_cells: u32,
    /// Corners in the order of [`crate::tags::Detection::corners`], pixels.
    pub corners: Quad,
    /// Least distance of a cell from the decision threshold, as a part of half the black-to-white step (1: perfectly clear).
    pub margin: f64,
    /// Coded grey step from black to white at the centre.
    pub contrast: f64,
}

/// Why a quadrilateral was not read as a tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Refusal {
    /// The four corners are no perspective view of a square, or it leaves the image.
    Shape,
    /// Black and white cannot be told apart.
    Contrast,
    /// The border is not black all round.
    Border,
    /// What surrounds the border is not white.
    Surround,
    /// The pattern is not one of the family.
    Pattern,
}

/// 10 × 10 coded grey values: the 8 × 8 cells and, half a cell outside the border, what surrounds it. Row 0 is the upper row.
pub type Grid = [[f64; CELLS + 2]; CELLS + 2];

/// Reads one quadrilateral (counter-clockwise on the screen). The grid that was read comes along where there is one; what of the surround lies
/// outside the image is NaN in it.
pub fn read(image: &Gray, quad: &Quad, least_contrast: f64) -> (Option<Grid>, Result<Reading, Refusal>) {
    let Some(map) = Homography::from_corners(quad) else { return (None, Err(Refusal::Shape)) };
    let Some(grid) = sample_grid(image, &map) else { return (None, Err(Refusal::Shape)) };
    let mut sharp = grid;
    sharpen(&mut sharp, &map);
    let first = read_grid(&sharp, quad, least_contrast);
    let read = match first {
        Ok(reading) if reading.wrong_cells < 2 => first,
        Err(Refusal::Shape | Refusal::Contrast | Refusal::Surround) => first,
        // Blur may have turned cells.
        _ => read_blurred(image, &map, &grid, quad, least_contrast).or(first),
    };
    (Some(grid), read)
}

/// Reads a grid whose cells are mixed by blur.
fn read_blurred(
    image: &Gray,
    map: &Homography,
    grid: &Grid,
    quad: &Quad,
    least_contrast: f64,
) -> Result<Reading, Refusal> {
    let clear = deblur::read(image, map, grid).filter(|c| c.contrast >= least_contrast).ok_or(Refusal::Contrast)?;
    let found = family::nearest(clear.cells, MOST_WRONG).ok_or(Refusal::Pattern)?;
    let mut upright = family::cells_of(found.id).ok_or(Refusal::Pattern)?;
    for _ in 0..(4 - found.turns) % 4 {
        upright = family::quarter_turn(upright);
    }
    if clear.unexplained(grid, upright).is_none_or(|rms| rms > MOST_UNEXPLAINED) {
        return Err(Refusal::Pattern);
    }
    Ok(Reading {
        id: found.id,
        wrong_cells: found.wrong_cells,
        corners: std::array::from_fn(|k| quad[(k + 4 - found.turns) % 4]),
        margin: clear.margin,
        contrast: clear.contrast,
    })
}

/// The values of the cells and what surrounds them, or `None` where a part of the tag itself lies outside the image.
fn sample_grid(image: &Gray, map: &Homography) -> Option<Grid> {
    let mut grid = [[0f64; CELLS + 2]; CELLS + 2];
    let farthest = MOST_OUT + SPREAD;
    let corners = CORNERS.map(|[u, v]| map.apply(u / HALF * farthest, v / HALF * farthest));
    let inside = CORNERS.iter().all(|[u, v]| map.depth(u / HALF * farthest, v / HALF * farthest) > 0.0)
        && well_inside(image, &corners);
    for (row, values) in grid.iter_mut().enumerate() {
        for (column, value) in values.iter_mut().enumerate() {
            let u = (column as f64 - 4.5).clamp(-MOST_OUT, MOST_OUT);
            let v = (4.5 - row as f64).clamp(-MOST_OUT, MOST_OUT);
            let surround = ring(row, column) == 0;
            if inside {
                *value = cell_mean(map, u, v, |p| Some(sample_inside(image, p.x, p.y)))?;
                continue;
            }
            *value = cell_mean(map, u, v, |p| sample(image, p.x, p.y)).or(surround.then_some(f64::NAN))?;
        }
    }
    Some(grid)
}

/// How many cells lie between a cell of the grid and its edge: 0 for the surround, 1 for the border.
fn ring(row: usize, column: usize) -> usize {
    row.min(column).min(9 - row).min(9 - column)
}

/// Tells black from white cells and looks the pattern up.
fn read_grid(grid: &Grid, quad: &Quad, least_contrast: f64) -> Result<Reading, Refusal> {
    let cells = || (0..10).flat_map(|row| (0..10).map(move |column| (row, column)));
    let place = |row: usize, column: usize| Vector3::new(1.0, (column as f64 - 4.5) / 4.0, (4.5 - row as f64) / 4.0);

    let black = plane(cells().filter(|&(r, c)| ring(r, c) == 1).map(|(r, c)| (place(r, c), grid[r][c])))
        .ok_or(Refusal::Contrast)?;
    let over = |row: usize, column: usize| grid[row][column] - black.dot(&place(row, column));
    // White: first the mean of the brighter half of what is not border, then a plane through what lies over half of that.
    let mut inner: Vec<f64> = cells().filter(|&(r, c)| ring(r, c) >= 2).map(|(r, c)| over(r, c)).collect();
    inner.sort_by(f64::total_cmp);
    let (dark, bright) = two_means(&inner);
    if bright < least_contrast || bright - dark < least_contrast {
        return Err(Refusal::Contrast);
    }
    let half = (dark.max(0.0) + bright) / 2.0;
    let white =
        plane(cells().filter(|&(r, c)| ring(r, c) >= 2 && over(r, c) > half).map(|(r, c)| (place(r, c), over(r, c))))
            .filter(|w| w[1].abs() + w[2].abs() < 0.7 * w[0])
            .unwrap_or(Vector3::new(bright, 0.0, 0.0));
    // -1: black, 1: white.
    let signed = |row: usize, column: usize| {
        let step = white.dot(&place(row, column)).max(0.3 * bright);
        2.0 * over(row, column) / step - 1.0
    };

    let border_bright = cells().filter(|&(r, c)| ring(r, c) == 1 && signed(r, c) > 0.0).count();
    if border_bright > 0 {
        return Err(Refusal::Border);
    }
    // The surround may be cut short by a neighbour or an edge of the sheet, but no whole side may be black: that would be the inner part of
    // a wider border.
    for side in 0..4 {
        let dark = (1..9)
            .filter(|&k| {
                let (r, c) = [(0, k), (k, 9), (9, k), (k, 0)][side];
                signed(r, c) < -0.4
            })
            .count();
        if dark > 4 {
            return Err(Refusal::Surround);
        }
    }
    let mut pattern = 0u64;
    let mut margin = f64::MAX;
    for (r, c) in cells().filter(|&(r, c)| ring(r, c) >= 2) {
        let value = signed(r, c);
        margin = margin.min(value.abs());
        if value > 0.0 {
            pattern |= 1 << (8 * (r - 1) + (c - 1));
        }
    }
    let found = family::nearest(pattern, MOST_WRONG).ok_or(Refusal::Pattern)?;
    let corners = std::array::from_fn(|k| quad[(k + 4 - found.turns) % 4]);
    Ok(Reading { id: found.id, wrong_cells: found.wrong_cells, corners, margin, contrast: bright })
}

/// How far from the middle the surround is looked at, and how far from the middle of a cell its samples are, cells.
const MOST_OUT: f64 = 4.45;
const SPREAD: f64 = 0.18;

/// Mean of five samples in the middle of a cell.
#[inline(always)]
fn cell_mean(map: &Homography, u: f64, v: f64, sample: impl Fn(Vector2<f64>) -> Option<f32>) -> Option<f64> {
    let mut sum = 0.0;
    for (du, dv) in [(0.0, 0.0), (-SPREAD, -SPREAD), (SPREAD, -SPREAD), (SPREAD, SPREAD), (-SPREAD, SPREAD)] {
        sum += f64::from(sample(map.apply(u + du, v + dv))?);
    }
    Some(sum / 5.0)
}

/// Undoes what blur carried over from cell to cell; the smaller the cells in the image, the more.
fn sharpen(grid: &mut [[f64; 10]; 10], map: &Homography) {
    let j = map.jacobian(0.0, 0.0);
    // Share of a cell's value that comes from each neighbour, for a blur of about one pixel.
    let share = |cell_px: f64| (0.22 / cell_px.max(1.0)).min(0.16);
    let (across, down) = (share(j.column(0).norm()), share(j.column(1).norm()));
    let before = *grid;
    for r in 1..9 {
        for c in 1..9 {
            let centre = before[r][c];
            // What is not known carries nothing over.
            let known = |value: f64| if value.is_nan() { centre } else { value };
            grid[r][c] = centre
                + across * (2.0 * centre - known(before[r][c - 1]) - known(before[r][c + 1]))
                + down * (2.0 * centre - known(before[r - 1][c]) - known(before[r + 1][c]));
        }
    }
}

/// Least-squares plane through values at places.
fn plane(values: impl Iterator<Item = (Vector3<f64>, f64)>) -> Option<Vector3<f64>> {
    let (mut normal, mut right) = (Matrix3::zeros(), Vector3::zeros());
    for (place, value) in values {
        normal += place * place.transpose();
        right += place * value;
    }
    normal.cholesky().filter(|c| c.l().diagonal().min() > 0.3).map(|c| c.solve(&right))
}

/// Means of the two groups that rising values fall into with the least scatter (Otsu 1979).
fn two_means(rising: &[f64]) -> (f64, f64) {
    let total: f64 = rising.iter().sum();
    let n = rising.len();
    let mut lower = 0.0;
    let mut best = (f64::MIN, 0.0, 0.0);
    for k in 1..n {
        lower += rising[k - 1];
        let (a, b) = (lower / k as f64, (total - lower) / (n - k) as f64);
        let between = (k * (n - k)) as f64 * (b - a) * (b - a);
        if between > best.0 {
            best = (between, a, b);
        }
    }
    (best.1, best.2)
}
