//! Which pixels take part in the fit of a tag: those that say something about its edges, and few of the others.
//!
//! Along every edge between a black and a white cell a strip of pixels is taken. An edge blurred by σ tells about its place through the square of the
//! blur's density: pixels within 1.3 σ hold erf(1.3) = 93 % of that. Farther out every fifth pixel is enough for the levels of black and
//! white and for the blur, and one in the middle of each cell tells whether the cell has the colour it should have. On large tags the strips
//! are thinned by leaving out whole rows across them.

use crate::raster::Gray;
use crate::tags::align::floor;
use crate::tags::flatten::Flatten;
use crate::tags::pattern::{LINES, MOST_LINES, Pattern, first_line};
use crate::tags::predict::{Around, BLOCK, Block, View};
use crate::tags::widest::widest;
use nalgebra::{Matrix2, Matrix3, Vector2};

/// From how many standard deviations of the blur on a line no longer counts for a pixel.
const REACH: f32 = 3.0;

/// Of the pixels in the outer part of a strip one in this many is taken.
const OUTER: i64 = 5;

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

    /// The ends of all edges between a black and a white cell, pixels as seen.
    fn edges(&self, crossings: &[[Vector2<f64>; LINES]; LINES]) -> Vec<(Vector2<f64>, Vector2<f64>)> {
        let white = |column, row| self.pattern.white(column, row);
        let lines = (0..LINES).flat_map(|line| (1..LINES).map(move |cell| (line, cell)));
        let mut edges = Vec::with_capacity(2 * LINES * (LINES - 1));
        for (line, cell) in lines {
            if white(line, cell) != white(line + 1, cell) {
                edges.push((crossings[line][cell - 1], crossings[line][cell]));
            }
            if white(cell, line) != white(cell, line + 1) {
                edges.push((crossings[cell - 1][line], crossings[cell][line]));
            }
        }
        edges
    }

    /// Chooses pixels. `blur` is the blur's covariance in pixels as seen.
    pub fn choose(&self, map: &Matrix3<f64>, view: &View<'_>, blur: &Matrix2<f64>, choice: &Choice) -> Vec<Block> {
        let crossings = self.crossings(map);
        let edges = self.edges(&crossings);
        // The blur's standard deviation across each edge, and its length.
        let sizes = edges.iter().map(|(a, b)| {
            let d = b - a;
            let length = d.norm();
            let across = Vector2::new(-d.y, d.x) / length.max(1e-9);
            (across.dot(&(blur * across)).max(0.0).sqrt(), length)
        });
        let sizes: Vec<(f64, f64)> = sizes.collect();
        let width = |sigma: f64, (sigmas, more): (f64, f64)| sigmas * sigma + more;
        let area: f64 = sizes.iter().map(|(sigma, length)| 2.0 * width(*sigma, choice.near) * length).sum();
        if !(area.is_finite() && area < 1e8) {
            return Vec::new();
        }
        let mut taken = Taken::new(self.image, &crossings, choice, 3 * choice.most);
        let share = (choice.most as f64 / area.max(1.0)).min(1.0);
        for (number, (edge, (sigma, _))) in edges.iter().zip(&sizes).enumerate() {
            let walk = Walk {
                share,
                phase: (0.618 * number as f64).fract(),
                near: width(*sigma, choice.near),
                far: width(*sigma, choice.far),
            };
            walk.along(*edge, &mut taken);
        }
        for columns in crossings.windows(2) {
            for j in 0..8 {
                let middle = (columns[0][j] + columns[0][j + 1] + columns[1][j] + columns[1][j + 1]) / 4.0;
                taken.make_room(1);
                taken.row(true, floor(middle.y + 0.5)).offer(floor(middle.x + 0.5), true);
            }
        }
        self.blocks(&taken.pixels[..taken.count], view, choice.reach as f32)
    }

    /// Two pixels of every white cell beside the border, neighbours along the border and a quarter of a cell from it: a border that is wider than a cell covers them.
    pub fn beside_border(&self, map: &Matrix3<f64>) -> Vec<(u16, u16)> {
        let mut pixels = Vec::with_capacity(48);
        let middle = |k: usize| 0.25 * (k as f64 - 4.5);
        for (k, side) in (2..=7).flat_map(|k| (0..4).map(move |side| (k, side))) {
            let near = 0.25 * (3.0 - 0.25);
            let (column, row, s, t) = match side {
                0 => (2, k, -near, middle(k)),
                1 => (7, k, near, middle(k)),
                2 => (k, 2, middle(k), -near),
                _ => (k, 7, middle(k), near),
            };
            if !self.pattern.white(column, row) {
                continue;
            }
            let p = self.seen(map, s, t);
            let along =
                self.seen(map, s + if side < 2 { 0.0 } else { 0.01 }, t + if side < 2 { 0.01 } else { 0.0 }) - p;
            let step = if along.x.abs() > along.y.abs() { Vector2::new(1.0, 0.0) } else { Vector2::new(0.0, 1.0) };
            let pair = [p - step / 2.0, p + step / 2.0];
            if pair.iter().all(|p| self.image.holds(p.x, p.y)) {
                pixels.extend(pair.map(|p| ((p.x + 0.5) as u16, (p.y + 0.5) as u16)));
            }
        }
        pixels
    }

    /// Sorts pixels into blocks by the number of lines near them.
    pub fn blocks(&self, pixels: &[(u16, u16)], view: &View<'_>, reach: f32) -> Vec<Block> {
        let mut blocks: Vec<Block> = Vec::with_capacity(pixels.len() / BLOCK + MOST_LINES + 1);
        let mut open = [usize::MAX; MOST_LINES + 1];
        let scale = 1.0 / self.size;
        for part in pixels.chunks(BLOCK) {
            let (mut x, mut y) = ([0.0f32; BLOCK], [0.0f32; BLOCK]);
            for (k, (column, row)) in part.iter().enumerate() {
                let flat = self.flatten.apply(Vector2::new(f64::from(*column), f64::from(*row)));
                x[k] = ((flat.x - self.centre.x) * scale) as f32;
                y[k] = ((flat.y - self.centre.y) * scale) as f32;
            }
            let near = widest(
                #[inline(always)]
                || Near::new(&Around::new(&x, &y, view), view, reach),
            );
            for (k, &(column, row)) in part.iter().enumerate() {
                let (u, v, lines) = (near.u[k], near.v[k], near.lines[k] as usize);
                if lines == 0 {
                    continue;
                }
                let window = self.pattern.window(near.first_u[k], near.first_v[k], lines);
                // Away from the line across u (or v) both columns (or rows) are the one that the pixel lies in.
                let (white, kind) = match near.away[k] {
                    1 => (window.one_column(u), 0),
                    2 => (window.one_row(v), 0),
                    _ => (window.white, lines),
                };
                let mut index = open[kind];
                if index == usize::MAX || blocks[index].n == BLOCK {
                    index = blocks.len();
                    open[kind] = index;
                    blocks.push(Block::empty(kind));
                }
                let block = &mut blocks[index];
                let at = block.n;
                block.x[at] = x[k];
                block.y[at] = y[k];
                block.code[at] = f32::from(self.image.at(usize::from(column), usize::from(row)));
                block.line_u[at] = window.first_u as f32 - 4.0;
                block.line_v[at] = window.first_v as f32 - 4.0;
                block.white[at] = white;
                block.seen[at] = (column, row);
                block.n += 1;
            }
        }
        blocks
    }
}

/// What lies near a block's pixels.
struct Near {
    u: [f32; BLOCK],
    v: [f32; BLOCK],
    /// How many lines across either axis count; 0 where a pixel is beyond what is wanted.
    lines: [u32; BLOCK],
    /// Numbers of the first of these lines across u and across v: see [`crate::tags::pattern::Window`].
    first_u: [i32; BLOCK],
    first_v: [i32; BLOCK],
    /// Where one line counts across either axis, whether the pixel is away from the one across u (1), or else across v (2).
    away: [u32; BLOCK],
}

impl Near {
    /// `reach`: cells from the middle of the tag.
    #[inline(always)]
    fn new(around: &Around, view: &View<'_>, reach: f32) -> Self {
        let [blur_u, blur_v] = around.blurs(view);
        let mut near = Near {
            u: around.u,
            v: around.v,
            lines: [0; BLOCK],
            first_u: [0; BLOCK],
            first_v: [0; BLOCK],
            away: [0; BLOCK],
        };
        for k in 0..BLOCK {
            let (u, v) = (around.u[k], around.v[k]);
            let (off_u, off_v) = (off_line(u), off_line(v));
            let (far_u, far_v) = (REACH * blur_u[k], REACH * blur_v[k]);
            let (across_u, across_v) = (lines_for(off_u, far_u), lines_for(off_v, far_v));
            let lines = if across_u > across_v { across_u } else { across_v };
            let wanted = (around.depth[k] > 0.0) & (u.abs() <= reach) & (v.abs() <= reach);
            near.lines[k] = if wanted { lines } else { 0 };
            near.first_u[k] = first_line(u, lines);
            near.first_v[k] = first_line(v, lines);
            let away = if off_u > far_u {
                1
            } else if off_v > far_v {
                2
            } else {
                0
            };
            near.away[k] = if lines == 1 { away } else { 0 };
        }
        near
    }
}

/// How far a coordinate is from the nearest line of the grid, cells.
#[inline(always)]
fn off_line(coordinate: f32) -> f32 {
    let at = coordinate + 4.5 + 16.0;
    (at - (at as i32) as f32 - 0.5).abs()
}

/// How many lines across one axis count for a pixel that is `off` from the nearest one where lines count up to `far`, cells.
#[inline(always)]
fn lines_for(off: f32, far: f32) -> u32 {
    // Up to MOST_LINES: the places of the second to the fourth.
    1 + u32::from(far >= 1.0 - off) + u32::from(far >= 1.0 + off) + u32::from(far >= 2.0 - off)
}

/// Goes along an edge and over the strip round it.
struct Walk {
    /// Which share of the rows across the edge is taken.
    share: f64,
    /// Where to begin with that, 0 to 1.
    phase: f64,
    near: f64,
    far: f64,
}

impl Walk {
    fn along(&self, (a, b): (Vector2<f64>, Vector2<f64>), taken: &mut Taken) {
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
        let from = floor(a_main.min(a_main + d_main) - beyond) + 1;
        let to = floor(a_main.max(a_main + d_main) + beyond);
        let (near, far) = (self.near / foreshortened, self.far / foreshortened);
        // Each outer part holds one pixel at most, or several.
        let one = far - near <= (OUTER - 1) as f64;
        let most_of_row = ((2.0 * (near + far)) as usize + 8).min(taken.width.max(taken.height) + 1);
        let mut share = self.phase;
        for main in from..=to {
            share += self.share;
            if share < 1.0 {
                continue;
            }
            share -= 1.0;
            let middle = a_across + (main as f64 - a_main) * slope;
            let [begin, low, high, end] = [-far, -near, near, far].map(|off| floor(middle + off) + 1);
            taken.make_room(most_of_row);
            let mut row = taken.row(upright, main);
            for across in (low..high).step_by(2) {
                row.offer(across, true);
                row.offer(across + 1, across + 1 < high);
            }
            // In the outer parts pixels are staggered from row to row.
            let stagger = |from: i64| from + (-(from + 2 * main)).rem_euclid(OUTER);
            for (from, to) in [(stagger(begin), low), (stagger(high), end)] {
                if one {
                    row.offer(from, from < to);
                } else {
                    (from..to).step_by(OUTER as usize).for_each(|across| row.offer(across, true));
                }
            }
        }
    }
}

/// The pixels that are taken, each once.
struct Taken {
    /// The first `count` are.
    pixels: Vec<(u16, u16)>,
    count: usize,
    marks: Vec<bool>,
    low: (i64, i64),
    width: usize,
    height: usize,
}

impl Taken {
    fn new(image: &Gray, crossings: &[[Vector2<f64>; LINES]; LINES], choice: &Choice, about: usize) -> Self {
        let (mut low, mut high) = (crossings[0][0], crossings[0][0]);
        for corner in [crossings[0][0], crossings[8][0], crossings[8][8], crossings[0][8]] {
            low = low.inf(&corner);
            high = high.sup(&corner);
        }
        // Room for the strips outside; what lies farther out is not taken.
        let room = 0.1 * (high - low).amax() + 3.0 + choice.far.1;
        let clamp = |v: f64, size: usize| v.clamp(0.0, size as f64 - 1.0) as i64;
        let low = (clamp(low.x - room, image.width()), clamp(low.y - room, image.height()));
        let high = (clamp(high.x + room, image.width()), clamp(high.y + room, image.height()));
        let (width, height) = ((high.0 - low.0 + 1) as usize, (high.1 - low.1 + 1) as usize);
        Taken { pixels: vec![(0, 0); about], count: 0, marks: vec![false; width * height], low, width, height }
    }

    /// Makes room for so many more.
    #[inline(always)]
    fn make_room(&mut self, more: usize) {
        if self.count + more > self.pixels.len() {
            self.pixels.resize(2 * (self.count + more), (0, 0));
        }
    }

    /// The row of pixels (upright) or the column with this number.
    #[inline(always)]
    fn row(&mut self, upright: bool, main: i64) -> TakenRow<'_> {
        let (low, number) = if upright { (self.low.0, main - self.low.1) } else { (self.low.1, main - self.low.0) };
        let (across, along) = if upright { (self.width, self.height) } else { (self.height, self.width) };
        // One left of or above the box becomes a huge number.
        let inside = (number as usize) < along;
        let (first, stride) =
            if upright { ((number as usize).wrapping_mul(self.width), 1) } else { (number as usize, self.width) };
        TakenRow {
            taken: self,
            upright,
            main: main as u16,
            low,
            length: if inside { across } else { 0 },
            first,
            stride,
        }
    }
}

/// One row, or column, of the box.
struct TakenRow<'a> {
    taken: &'a mut Taken,
    upright: bool,
    main: u16,
    /// The part of it that lies in the box.
    low: i64,
    length: usize,
    /// Where its marks begin, and how far apart they are.
    first: usize,
    stride: usize,
}

impl TakenRow<'_> {
    /// Takes a pixel if it is wanted, lies in the box and is not taken yet. Without a branch: where a strip ends no processor can guess.
    #[inline(always)]
    fn offer(&mut self, across: i64, wanted: bool) {
        let Taken { pixels, count, marks, .. } = &mut *self.taken;
        let place = (across - self.low) as usize;
        let wanted = wanted & (place < self.length);
        let mark = &mut marks[if wanted { self.first + place * self.stride } else { 0 }];
        let new = wanted & !*mark;
        *mark |= wanted;
        pixels[*count] = if self.upright { (across as u16, self.main) } else { (self.main, across as u16) };
        *count += usize::from(new);
    }
}
