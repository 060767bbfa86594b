//! From loose corners to a chessboard's grid: neighbours along the edges, colours alternating, whatever the perspective and even where part of the board
//! is hidden.

use crate::calibrate::board::{Board, Pattern};
use crate::calibrate::model::{BoardPoint, BoardView, Group};
use crate::calibrate::saddle::{Saddle, candidates, locate};
use crate::calibrate::seen::SeenBoard;
use crate::fit::median;
use crate::raster::Gray;
use nalgebra::{DMatrix, Vector2};
use std::collections::BTreeMap;

/// The picture is searched at a size of at most this many pixels across; corners are then located in the picture itself. Common practice, no source.
const SEARCH_WIDTH: usize = 1300;

/// Fewer corners in a row or column than this are no grid.
const FEWEST: i32 = 3;

/// A chessboard as found in a photograph.
#[derive(Clone, Debug)]
pub struct FoundGrid {
    /// Corners by column and row, counted from 0; gaps where a corner was not found.
    pub corners: BTreeMap<(i32, i32), Saddle>,
    /// Columns of the rectangle around them.
    pub columns: i32,
    /// Rows.
    pub rows: i32,
}

/// All chessboard grids in a picture, the largest first.
pub fn find_grids(image: &Gray) -> Vec<FoundGrid> {
    let mut scale = 1;
    let mut small = image.clone();
    while small.width().max(small.height()) > SEARCH_WIDTH {
        small = halved(&small);
        scale *= 2;
    }
    let mut grids = search(&small);
    // A blurred or very large board shows better at half the size.
    if grids.first().is_none_or(|g| g.corners.len() < 20) && small.width().min(small.height()) > 300 {
        let half = halved(&small);
        let other = search(&half);
        if other.first().map_or(0, |g| g.corners.len()) > grids.first().map_or(0, |g| g.corners.len()) {
            grids = other;
            scale *= 2;
        }
    }
    grids.iter().map(|g| located(image, g, scale)).filter(|g| g.columns >= FEWEST && g.rows >= FEWEST).collect()
}

/// Half the size: means of four pixels.
fn halved(image: &Gray) -> Gray {
    let (w, h) = (image.width() / 2, image.height() / 2);
    let mut data = Vec::with_capacity(w * h);
    for y in 0..h {
        let (a, b) = (image.row(2 * y), image.row(2 * y + 1));
        data.extend((0..w).map(|x| {
            let sum = u16::from(a[2 * x]) + u16::from(a[2 * x + 1]) + u16::from(b[2 * x]) + u16::from(b[2 * x + 1]);
            ((sum + 2) / 4) as u8
        }));
    }
    Gray::new(w, h, data).unwrap_or_else(|| image.clone())
}

fn search(image: &Gray) -> Vec<FoundGrid> {
    let saddles: Vec<Saddle> = candidates(image)
        .into_iter()
        .filter_map(|(x, y)| locate(image, &Vector2::new(x as f64, y as f64), 5))
        .collect();
    let mut used = vec![false; saddles.len()];
    let mut grids = Vec::new();
    while grids.len() < 3 {
        // Several seeds: one that lies beside the board, or next to a gap, leads nowhere.
        let seeds: Vec<usize> = (0..saddles.len()).filter(|k| !used[*k]).take(60).collect();
        let mut best: BTreeMap<(i32, i32), usize> = BTreeMap::new();
        for seed in seeds {
            if best.values().any(|k| *k == seed) {
                continue;
            }
            let grid = grow(&saddles, &used, seed);
            // By whole squares: what wanders from clutter into the board has many corners and few squares.
            if (squares(&grid), grid.len()) > (squares(&best), best.len()) {
                best = grid;
            }
        }
        if best.len() < (FEWEST * FEWEST) as usize {
            break;
        }
        best.values().for_each(|k| used[*k] = true);
        let corners = best.into_iter().map(|(at, k)| (at, saddles[k])).collect();
        grids.push(FoundGrid { corners, columns: 0, rows: 0 });
    }
    grids.sort_by_key(|g| std::cmp::Reverse(g.corners.len()));
    grids
}

/// True where two corners can be neighbours: edges in the same directions, colours exchanged.
fn are_neighbours(a: &Saddle, b: &Saddle) -> bool {
    let parallel = |u: &Vector2<f64>, v: &Vector2<f64>| u.dot(v).abs() > 0.87; // within 30 degrees
    let straight = parallel(&a.edges[0], &b.edges[0]) && parallel(&a.edges[1], &b.edges[1]);
    let crossed = parallel(&a.edges[0], &b.edges[1]) && parallel(&a.edges[1], &b.edges[0]);
    let between = a.edges[0] + a.edges[1];
    let contrast = (a.step / b.step).abs();
    (straight || crossed) && a.bright(&between) != b.bright(&between) && (0.25..4.0).contains(&contrast)
}

/// Number of squares all four corners of which are there.
fn squares(grid: &BTreeMap<(i32, i32), usize>) -> usize {
    let whole =
        |(c, r): &(i32, i32)| [(1, 0), (0, 1), (1, 1)].iter().all(|(dc, dr)| grid.contains_key(&(c + dc, r + dr)));
    grid.keys().filter(|at| whole(at)).count()
}

/// Grows a grid from one corner; columns along its first edge, rows along its second.
fn grow(saddles: &[Saddle], used: &[bool], seed: usize) -> BTreeMap<(i32, i32), usize> {
    let mut grid = BTreeMap::from([((0, 0), seed)]);
    let mut queue = std::collections::VecDeque::from([(0, 0)]);
    while let Some(at) = queue.pop_front() {
        for direction in [(1, 0), (0, 1), (-1, 0), (0, -1)] {
            let next = (at.0 + direction.0, at.1 + direction.1);
            if grid.contains_key(&next) {
                continue;
            }
            let Some(found) = neighbour(saddles, used, &grid, at, direction) else { continue };
            if !grid.values().any(|k| *k == found) {
                grid.insert(next, found);
                queue.push_back(next);
            }
        }
    }
    grid
}

fn neighbour(
    saddles: &[Saddle],
    used: &[bool],
    grid: &BTreeMap<(i32, i32), usize>,
    at: (i32, i32),
    direction: (i32, i32),
) -> Option<usize> {
    let place = |c: i32, r: i32| grid.get(&(c, r)).map(|k| saddles[*k].at);
    let here = &saddles[*grid.get(&at)?];
    let (dc, dr) = direction;
    // The step expected: as the last one in this direction, or as the same step in the row or column beside.
    let behind = place(at.0 - dc, at.1 - dr).map(|p| here.at - p);
    let beside = [(dr, dc), (-dr, -dc)]
        .into_iter()
        .find_map(|(sc, sr)| Some(place(at.0 + sc + dc, at.1 + sr + dr)? - place(at.0 + sc, at.1 + sr)?));
    let fits = |k: usize| !used[k] && are_neighbours(here, &saddles[k]);
    if let Some(step) = beside.or(behind) {
        let expected = here.at + step;
        let reach = 0.35 * step.norm();
        return (0..saddles.len())
            .filter(|k| (saddles[*k].at - expected).norm() < reach && fits(*k))
            .min_by(|a, b| (saddles[*a].at - expected).norm().total_cmp(&(saddles[*b].at - expected).norm()));
    }
    // Nothing known yet: the nearest along the edge of this corner that belongs to this direction.
    let seed = &saddles[*grid.get(&(0, 0))?];
    let wanted = seed.edges[if dc != 0 { 0 } else { 1 }] * f64::from(dc + dr);
    let edge = here.edges.iter().max_by(|a, b| a.dot(&wanted).abs().total_cmp(&b.dot(&wanted).abs()))?;
    let along = edge * edge.dot(&wanted).signum();
    // Beside a corner with a neighbour, another one is not three times as far away.
    let known = [(1, 0), (0, 1), (-1, 0), (0, -1)].into_iter().filter_map(|(c, r)| place(at.0 + c, at.1 + r));
    let farthest = known.map(|p| 3.0 * (p - here.at).norm()).fold(f64::INFINITY, f64::min);
    (0..saddles.len())
        .filter(|k| {
            let v = saddles[*k].at - here.at;
            let d = v.norm();
            d > 4.0 && d < farthest && v.dot(&along) > 0.97 * d && fits(*k) // within 14 degrees
        })
        .min_by(|a, b| (saddles[*a].at - here.at).norm().total_cmp(&(saddles[*b].at - here.at).norm()))
}

/// Locates every corner in the full picture and numbers columns and rows from 0, columns to the right of rows' direction as on the board seen from its
/// front.
fn located(image: &Gray, grid: &FoundGrid, scale: usize) -> FoundGrid {
    let s = scale as f64;
    let mut steps = Vec::new();
    for ((c, r), a) in &grid.corners {
        for next in [(c + 1, *r), (*c, r + 1)] {
            if let Some(b) = grid.corners.get(&next) {
                steps.push((b.at - a.at).norm() * s);
            }
        }
    }
    let smallest = crate::fit::quantile_of(&steps, 0.1).unwrap_or(10.0);
    // Well inside the squares around, and enough pixels where they are large.
    let reach = ((0.4 * smallest) as usize).clamp(3, 12);
    // The first edge to the second is clockwise as seen: columns right, rows down.
    let mut corners: BTreeMap<(i32, i32), Saddle> = BTreeMap::new();
    for (at, corner) in &grid.corners {
        let near = corner.at * s + Vector2::repeat((s - 1.0) / 2.0);
        if let Some(found) = locate(image, &near, reach)
            && (found.at - near).norm() < 1.5 * s
        {
            corners.insert(*at, found);
        }
    }
    let range = |pick: fn(&(i32, i32)) -> i32| {
        let low = corners.keys().map(pick).min().unwrap_or(0);
        (low, corners.keys().map(pick).max().unwrap_or(-1) - low + 1)
    };
    let ((c0, columns), (r0, rows)) = (range(|k| k.0), range(|k| k.1));
    FoundGrid { corners: corners.into_iter().map(|((c, r), v)| ((c - c0, r - r0), v)).collect(), columns, rows }
}

/// How a found grid goes with the board.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum GridMatch {
    /// Every corner of the board.
    Whole,
    /// Part of it: which part cannot be told.
    Part,
    /// More columns or rows than the board has (inner corners found).
    Larger(i32, i32),
}

/// The chessboard in a photograph as board points, and how it goes with what the board's file says; `None` where there is no chessboard.
///
/// Of a board that is only partly seen nobody can tell which part: its points count from a corner of what is seen, which is as good for a lens. Two boards of full
/// size are reported as tags that are there twice.
pub fn chessboard_view(board: &Board, name: &str, image: &Gray) -> Option<(SeenBoard, GridMatch)> {
    if !matches!(board.pattern, Pattern::Chessboard) {
        return None;
    }
    let grids = find_grids(image);
    let grid = grids.first()?;
    let (nc, nr) = (board.columns as i32, board.rows as i32);
    let turned = (grid.columns > grid.rows) != (nc > nr) && nc != nr;
    let fits = if turned { grid.columns <= nr && grid.rows <= nc } else { grid.columns <= nc && grid.rows <= nr };
    let whole = fits && grid.corners.len() == board.columns * board.rows;
    let matched = match (fits, whole) {
        (false, _) => GridMatch::Larger(grid.columns.max(grid.rows), grid.columns.min(grid.rows)),
        (true, true) => GridMatch::Whole,
        (true, false) => GridMatch::Part,
    };
    let mut groups = Vec::new();
    for ((c, r), corner) in &grid.corners {
        // A quarter turn keeps left and right: columns become rows counted from the other end.
        let (column, row) = if turned { (*r, grid.columns - 1 - *c) } else { (*c, *r) };
        let (column, row) = (column.max(0) as usize, row.max(0) as usize);
        groups.push(Group {
            label: row * board.columns + column,
            points: vec![BoardPoint { centre: board.cell_m(column, row), offset: Vector2::zeros() }],
            pixels: vec![corner.at],
            cov: DMatrix::from_fn(2, 2, |i, j| corner.cov[(i, j)]),
        });
    }
    let blurs: Vec<f64> = grid.corners.values().map(|c| c.blur_px).collect();
    // Clutter grows ragged grids: a second board is dense and not much smaller.
    let dense = |g: &&FoundGrid| {
        let n = g.corners.len();
        10 * n >= 9 * (g.columns * g.rows) as usize && 10 * n >= 6 * grid.corners.len()
    };
    let twice = if grids.get(1).filter(dense).is_some() { vec![0] } else { Vec::new() };
    let view = BoardView { name: name.into(), groups };
    Some((SeenBoard { view, foreign: Vec::new(), twice, blur_px: median(&blurs) }, matched))
}
