//! Which pixels take part in the fit of a tag: those that say something about its edges, and few of the others.
//!
//! Along every edge between a black and a white cell a strip of pixels is taken. An edge blurred by σ tells about its place through the square of the
//! blur's density: pixels within 1.3 σ hold erf(1.3) = 93 % of that. Farther out every fifth pixel is enough for the levels of black and
//! white and for the blur, and one in the middle of each cell tells whether the cell has the colour it should have. On large tags the strips
//! are thinned by leaving out whole rows across them.

use crate::raster::Gray;
use crate::tags::flatten::Flatten;
use crate::tags::pattern::{LINES, MOST_LINES, Pattern};
use crate::tags::predict::{BLOCK, Block, View};
use nalgebra::{Matrix2, Matrix3, Vector2};

/// From how many standard deviations of the blur on a line no longer counts for a pixel.
const REACH: f32 = 2.9;

/// Of the pixels in the outer part of a strip one in this many is taken.
const OUTER: usize = 5;

/// How pixels are chosen.
pub(super) struct Choice {
    /// Half the width of the strip in which all pixels are taken: standard deviations of the blur, and pixels more than that.
    pub near: (f64, f64),
    /// Half the width of the whole strip, likewise.
    pub far: (f64, f64),
    /// About how many pixels are wanted at most within the near strips.
    pub most: usize,
    /// Pixels farther out than this from the middle of the tag (cells) are left alone: another tag may begin there.
    pub reach: f64,
}

/// What places a tag in the image.
pub(super) struct Placed<'a> {
    pub image: &'a Gray,
    pub pattern: &'a Pattern,
    pub flatten: &'a Flatten,
    /// Undistorted pixel of place (0, 0), and undistorted pixels per unit of place.
    pub centre: Vector2<f64>,
    pub size: f64,
}

impl Placed<'_> {
    /// The pixel as seen of a tag point in half sides.
    fn seen(&self, map: &Matrix3<f64>, s: f64, t: f64) -> Vector2<f64> {
        let w = 1.0 / (map.m31 * s + map.m32 * t + map.m33);
        let place = Vector2::new(map.m11 * s + map.m12 * t + map.m13, map.m21 * s + map.m22 * t + map.m23) * w;
        self.flatten.seen(place * self.size + self.centre)
    }

    /// The pixels as seen of the grid's crossings, first index across u.
    fn crossings(&self, map: &Matrix3<f64>) -> [[Vector2<f64>; LINES]; LINES] {
        let at = |k: usize| 0.25 * k as f64 - 1.0;
        std::array::from_fn(|i| std::array::from_fn(|j| self.seen(map, at(i), at(j))))
    }

    /// Mean grey value at the middle of the black and of the white cells.
    pub fn levels(&self, map: &Matrix3<f64>) -> Option<(f64, f64)> {
        let mut means = [[0.0f64; 2]; 2];
        for column in 0..8 {
            for row in 0..8 {
                let middle = |k: usize| 0.25 * k as f64 - 0.875;
                let p = self.seen(map, middle(column), middle(row));
                if self.image.holds(p.x, p.y) {
                    let code = self.image.at((p.x + 0.5) as usize, (p.y + 0.5) as usize);
                    let group = &mut means[usize::from(self.pattern.white(column + 1, row + 1))];
                    group[0] += 1.0;
                    group[1] += f64::from(code);
                }
            }
        }
        let (black, white) = (means[0][1] / means[0][0], means[1][1] / means[1][0]);
        (means[0][0] > 0.0 && means[1][0] > 0.0 && white > black).then_some((black, white))
    }

    /// Chooses pixels. `blur` is the blur's covariance in pixels as seen.
    pub fn choose(&self, map: &Matrix3<f64>, view: &View<'_>, blur: &Matrix2<f64>, choice: &Choice) -> Vec<Block> {
        let crossings = self.crossings(map);
        let mut edges = Vec::with_capacity(2 * LINES * 8);
        for line in 0..LINES {
            for cell in 1..=8 {
                if self.pattern.white(line, cell) != self.pattern.white(line + 1, cell) {
                    edges.push((crossings[line][cell - 1], crossings[line][cell]));
                }
                if self.pattern.white(cell, line) != self.pattern.white(cell, line + 1) {
                    edges.push((crossings[cell - 1][line], crossings[cell][line]));
                }
            }
        }
        let width = |(a, b): &(Vector2<f64>, Vector2<f64>), (sigmas, more): (f64, f64)| {
            let d = b - a;
            let across = Vector2::new(-d.y, d.x) / d.norm().max(1e-9);
            sigmas * across.dot(&(blur * across)).max(0.0).sqrt() + more
        };
        let area: f64 = edges.iter().map(|e| 2.0 * width(e, choice.near) * (e.1 - e.0).norm()).sum();
        if !(area.is_finite() && area < 1e8) {
            return Vec::new();
        }
        let mut taken = Taken::new(self, &crossings, choice);
        let every = (area / choice.most as f64).ceil().max(1.0) as usize;
        for (number, edge) in edges.iter().enumerate() {
            let walk = Walk { every, number, near: width(edge, choice.near), far: width(edge, choice.far) };
            walk.along(*edge, |x, y| taken.take(view, x, y));
        }
        for (i, column) in crossings.windows(2).enumerate() {
            for j in 0..8 {
                let _ = i;
                let middle = (column[0][j] + column[0][j + 1] + column[1][j] + column[1][j + 1]) / 4.0;
                taken.take(view, middle.x.round() as i64, middle.y.round() as i64);
            }
        }
        taken.blocks
    }
}

/// Goes along an edge and over the strip round it.
struct Walk {
    every: usize,
    number: usize,
    near: f64,
    far: f64,
}

impl Walk {
    fn along(&self, (a, b): (Vector2<f64>, Vector2<f64>), mut take: impl FnMut(i64, i64)) {
        let d = b - a;
        let length = d.norm();
        if length < 1e-6 {
            return;
        }
        // The main direction is the one in which the edge goes on fastest: (main, across).
        let upright = d.y.abs() > d.x.abs();
        let turn = |p: Vector2<f64>| if upright { (p.y, p.x) } else { (p.x, p.y) };
        let ((a_main, a_across), (d_main, d_across)) = (turn(a), turn(d));
        let (slope, foreshortened) = (d_across / d_main, d_main.abs() / length);
        // A little beyond both ends: corners are rounded by the blur.
        let beyond = 0.7 * self.near * foreshortened;
        let from = (a_main.min(a_main + d_main) - beyond).ceil() as i64;
        let to = (a_main.max(a_main + d_main) + beyond).floor() as i64;
        let half = self.far / foreshortened;
        for main in from..=to {
            let near_row = (main as usize).wrapping_add(self.number).is_multiple_of(self.every);
            let middle = a_across + (main as f64 - a_main) * slope;
            for across in (middle - half).ceil() as i64..=(middle + half).floor() as i64 {
                let (x, y) = if upright { (across, main) } else { (main, across) };
                let off = (across as f64 - middle).abs() * foreshortened;
                let wanted = if off <= self.near {
                    near_row
                } else {
                    (x + 2 * y).rem_euclid((OUTER * self.every) as i64) == 0
                };
                if wanted {
                    take(x, y);
                }
            }
        }
    }
}

/// The blocks as they fill, and which pixels are in them.
struct Taken<'a> {
    placed: &'a Placed<'a>,
    reach: f32,
    blocks: Vec<Block>,
    open: [Option<usize>; MOST_LINES],
    marks: Vec<bool>,
    low: (i64, i64),
    width: usize,
}

impl<'a> Taken<'a> {
    fn new(placed: &'a Placed<'a>, crossings: &[[Vector2<f64>; LINES]; LINES], choice: &Choice) -> Self {
        let (mut low, mut high) = (crossings[0][0], crossings[0][0]);
        for corner in [crossings[0][0], crossings[8][0], crossings[8][8], crossings[0][8]] {
            low = low.inf(&corner);
            high = high.sup(&corner);
        }
        // Room for the strips outside; what lies farther out is not taken.
        let room = 0.1 * (high - low).amax() + 3.0 + choice.far.1;
        let clamp = |v: f64, size: usize| v.clamp(0.0, size as f64 - 1.0) as i64;
        let image = placed.image;
        let low = (clamp(low.x - room, image.width()), clamp(low.y - room, image.height()));
        let high = (clamp(high.x + room, image.width()), clamp(high.y + room, image.height()));
        let (width, height) = ((high.0 - low.0 + 1) as usize, (high.1 - low.1 + 1) as usize);
        Taken {
            placed,
            reach: choice.reach as f32,
            blocks: Vec::with_capacity(64),
            open: [None; MOST_LINES],
            marks: vec![false; width * height],
            low,
            width,
        }
    }

    fn take(&mut self, view: &View<'_>, x: i64, y: i64) {
        let (column, row) = ((x - self.low.0) as usize, (y - self.low.1) as usize);
        if x < self.low.0 || y < self.low.1 || column >= self.width || row >= self.marks.len() / self.width {
            return;
        }
        let mark = &mut self.marks[row * self.width + column];
        if std::mem::replace(mark, true) {
            return;
        }
        let placed = self.placed;
        let flat = placed.flatten.apply(Vector2::new(x as f64, y as f64)) - placed.centre;
        let (px, py) = ((flat.x / placed.size) as f32, (flat.y / placed.size) as f32);
        let at = view.local(px, py);
        if !(at.depth > 0.0 && at.u.abs() <= self.reach && at.v.abs() <= self.reach) {
            return;
        }
        let lines = lines_for(at.u, at.inverse_u).max(lines_for(at.v, at.inverse_v));
        let window = placed.pattern.window(f64::from(at.u), f64::from(at.v), lines);
        let index = match self.open[lines - 1] {
            Some(index) if self.blocks[index].n < BLOCK => index,
            _ => {
                self.blocks.push(Block::empty(lines));
                self.open[lines - 1] = Some(self.blocks.len() - 1);
                self.blocks.len() - 1
            }
        };
        let block = &mut self.blocks[index];
        let k = block.n;
        block.x[k] = px;
        block.y[k] = py;
        block.code[k] = f32::from(placed.image.at(x as usize, y as usize));
        block.line_u[k] = window.first_u as f32 - 4.0;
        block.line_v[k] = window.first_v as f32 - 4.0;
        block.white[k] = window.white;
        block.seen[k] = (x as u16, y as u16);
        block.n += 1;
    }
}

/// How many lines across one axis count for a pixel.
#[inline]
fn lines_for(coordinate: f32, inverse: f32) -> usize {
    let at = coordinate + 4.0;
    for lines in 1..MOST_LINES {
        let first = (at - 0.5 * lines as f32 + 1.0).floor();
        let before = if first >= 1.0 { at - (first - 1.0) } else { f32::MAX };
        let after = if first + lines as f32 <= 8.0 { first + lines as f32 - at } else { f32::MAX };
        if before.min(after) * inverse > REACH {
            return lines;
        }
    }
    MOST_LINES
}
