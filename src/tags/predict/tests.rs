//! The prediction against differences, a sum over the blur, and moved edges.

use super::*;
use crate::raster::ToneCurve;
use crate::tags::family::cells_of;
use crate::tags::pattern::{Pattern, first_line};
use nalgebra::Vector3;

/// Unknowns of a view from the side: places are in units of `SIZE` pixels.
fn unknowns(blur: [f64; 3]) -> [f64; N] {
    let mut p = [0.0; N];
    p[..8].copy_from_slice(&[1.1, 0.35, 0.02, -0.2, -0.6, 0.01, 0.06, -0.11]);
    (p[BLACK], p[BLACK + 1], p[BLACK + 2]) = (0.05, 0.004, -0.003);
    (p[STEP], p[STEP + 1], p[STEP + 2]) = (0.6, 0.05, 0.03);
    p[BLUR..BLUR + 3].copy_from_slice(&blur);
    p[GROWTH] = 0.08;
    p
}

const SIZE: f64 = 25.0;

fn map(p: &[f64; N]) -> Matrix3<f64> {
    Matrix3::new(p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], 1.0)
}

fn view<'a>(p: &[f64; N], tone: &'a Tone) -> View<'a> {
    View::new(p, &map(p), &(Matrix2::identity() / SIZE), tone, [60.0, 212.0]).unwrap()
}

/// A block of pixels at tag points (cells).
fn block(pattern: &Pattern, p: &[f64; N], points: &[(f64, f64)], lines: usize) -> Block {
    let mut block = Block::empty(lines);
    for (k, (u, v)) in points.iter().enumerate() {
        let q = map(p) * Vector3::new(u / 4.0, v / 4.0, 1.0);
        let first = |c: f64| first_line(c as f32, lines as u32);
        let window = pattern.window(first(*u), first(*v), lines);
        block.x[k] = (q.x / q.z) as f32;
        block.y[k] = (q.y / q.z) as f32;
        block.line_u[k] = window.first_u as f32 - 4.0;
        block.line_v[k] = window.first_v as f32 - 4.0;
        block.white[k] = window.white;
        block.n = k + 1;
    }
    block
}

const POINTS: [(f64, f64); 8] =
    [(0.2, -1.1), (-3.9, 3.9), (2.1, 2.8), (-4.3, 0.1), (3.1, -3.9), (1.45, 0.55), (-2.0, -2.0), (4.2, 4.1)];

/// Beside lines, in the middle between corners of cells.
const EDGES: [(f64, f64); 8] =
    [(-4.1, 0.5), (-4.0, -2.5), (4.05, 1.5), (-3.95, 3.5), (0.5, 4.1), (-2.5, 3.95), (1.5, -4.05), (3.5, -4.0)];

#[test]
fn derivatives_match_differences() {
    let tone = Tone::new(&ToneCurve::Srgb);
    let pattern = Pattern::new(cells_of(77).unwrap());
    // Round, moved along a slant, and so large that cells run together.
    let views = [([0.6, 0.02, 0.6], 1), ([1.9, 1.1, 2.6], 2), ([1.9, 1.1, 2.6], 3), ([7.0, -4.0, 6.0], 4)];
    // Of growth's own derivatives those along the lines are left out, which matter at corners only: there with no growth, with it between corners.
    let with_growth = ([0.6, 0.02, 0.6], 1, 0.3, &EDGES);
    for (blur, lines, growth, points) in
        views.map(|(blur, lines)| (blur, lines, 0.0, &POINTS)).into_iter().chain([with_growth])
    {
        let mut p = unknowns(blur);
        p[GROWTH] = growth;
        (p[TONE], p[TONE + 1], p[TONE + 2]) = (0.08, -0.1, 0.12);
        let block = block(&pattern, &p, points, lines);
        let mut at = Prediction::EMPTY;
        predict(&block, &view(&p, &tone), &mut at);
        for unknown in 0..N {
            let h = if unknown < 8 { 2e-3 } else { 0.02 * p[unknown].abs().max(0.5) };
            let coded = |h: f64| {
                let mut q = p;
                q[unknown] += h;
                let mut out = Prediction::EMPTY;
                predict(&block, &view(&q, &tone), &mut out);
                out.code
            };
            let (plus, minus) = (coded(h), coded(-h));
            let largest = at.gradient[unknown][..block.n].iter().fold(0.0f32, |a, b| a.max(b.abs()));
            for k in 0..block.n {
                let numeric = (plus[k] - minus[k]) / (2.0 * h) as f32;
                let off = (numeric - at.gradient[unknown][k]).abs();
                assert!(
                    off < 0.08 * largest + 0.2,
                    "{lines} lines, growth {growth}, unknown {unknown}, point {k}: {numeric} {} of {largest}",
                    at.gradient[unknown][k]
                );
            }
        }
    }
}

#[test]
fn values_match_a_sum_over_the_blur() {
    // The blur by brute force: the print, seen through the plane map, averaged over a fine grid of normally distributed offsets in the image
    // and over the pixel.
    let tone = Tone::new(&ToneCurve::Linear);
    let pattern = Pattern::new(cells_of(19).unwrap());
    for (blur, lines) in [([0.5, 0.05, 0.45], 1), ([2.2, 1.7, 2.6], 4), ([0.4, -0.1, 1.9], 3)] {
        let mut p = unknowns(blur);
        p[GROWTH] = 0.0;
        let block = block(&pattern, &p, &POINTS, lines);
        let mut at = Prediction::EMPTY;
        predict(&block, &view(&p, &tone), &mut at);
        let back = map(&p).try_inverse().unwrap();
        // The pixel's own area is part of the stated blur.
        let (a, b, c) = (blur[0] - 1.0 / 12.0, blur[1], blur[2] - 1.0 / 12.0);
        let (l11, l21) = (a.sqrt(), b / a.sqrt());
        let l22 = (c - l21 * l21).sqrt();
        for k in 0..block.n {
            let (x, y) = (f64::from(block.x[k]), f64::from(block.y[k]));
            let (mut white, mut total) = (0.0, 0.0);
            let steps = 400;
            for i in 0..steps {
                for j in 0..steps {
                    // Every offset is moved a little of its own and gets its own place within the pixel (irrational steps).
                    let n = f64::from(i * steps + j);
                    let own = |step: f64| (n * step).fract();
                    let [r, s] = [(i, 0.856_674_883_9), (j, 0.733_891_856_6)]
                        .map(|(k, step)| 8.0 * (f64::from(k) + own(step)) / f64::from(steps) - 4.0);
                    let (px, py) = (own(0.628_706_720_7) - 0.5, own(0.538_596_749_2) - 0.5);
                    let weight = (-0.5 * (r * r + s * s)).exp();
                    let (dx, dy) = (l11 * r + px, l21 * r + l22 * s + py);
                    let q = back * Vector3::new(x + dx / SIZE, y + dy / SIZE, 1.0);
                    let is_white = pattern.is_white(4.0 * q.x / q.z, 4.0 * q.y / q.z);
                    white += if is_white { weight } else { 0.0 };
                    total += weight;
                }
            }
            let light = p[BLACK]
                + p[BLACK + 1] * x
                + p[BLACK + 2] * y
                + (p[STEP] + p[STEP + 1] * x + p[STEP + 2] * y) * white / total;
            let off = f64::from(at.code[k]) - 255.0 * light;
            assert!(off.abs() < 0.25, "{lines} lines, point {k}: {} {off}", at.code[k]);
        }
    }
}

#[test]
fn growth_of_black_moves_every_edge_into_white() {
    // In the middle of a long edge, growth by g changes grey values as moving the edge by g does.
    let tone = Tone::new(&ToneCurve::Linear);
    let pattern = Pattern::new(cells_of(0).unwrap());
    let mut p = unknowns([0.5, 0.0, 0.5]);
    p[..8].copy_from_slice(&[1.0, 0.0, 0.0, 0.0, -1.0, 0.0, 0.0, 0.0]);
    p[GROWTH] = 0.0;
    let block = block(&pattern, &p, &[(-4.0, 0.5), (4.0, 0.5), (0.5, 4.0), (0.5, -4.0)], 1);
    let mut at = Prediction::EMPTY;
    predict(&block, &view(&p, &tone), &mut at);
    // Unknown 2 moves the picture to the right, 5 down; both in units of SIZE.
    for (k, unknown, sign) in [(0, 2, -1.0), (1, 2, 1.0), (2, 5, -1.0), (3, 5, 1.0)] {
        let (grown, moved) = (at.gradient[GROWTH][k], sign * at.gradient[unknown][k] / SIZE as f32);
        assert!(grown < -20.0 && (grown - moved).abs() < 0.01 * grown.abs(), "{k}: {grown} {moved}");
    }

    // Also where it is as large as the blur: a moved edge is the same edge elsewhere, not a steeper one.
    for (growth, most) in [(0.2, 0.05), (-0.4, 0.1), (0.6, 0.7), (-0.8, 4.0)] {
        let mut grown = p;
        grown[GROWTH] = growth;
        let mut at = Prediction::EMPTY;
        for (k, unknown, sign) in [(0, 2, -1.0), (1, 2, 1.0), (2, 5, -1.0), (3, 5, 1.0)] {
            let mut moved = p;
            moved[unknown] += sign * growth / SIZE;
            predict(&block, &view(&grown, &tone), &mut at);
            let grown = at.code[k];
            predict(&block, &view(&moved, &tone), &mut at);
            let step = 255.0 * 0.6;
            assert!((grown - at.code[k]).abs() < most / 100.0 * step, "{growth} {k}: {grown} {}", at.code[k]);
        }
    }
}
