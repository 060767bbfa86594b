//! Fourth stage: moves the sides of a quadrilateral onto the steepest grey change nearby.
//!
//! This makes the sampling of small cells safe and starts the fit in light near its answer. It works on coded grey values and is only as
//! good as that: a fraction of a pixel.

use crate::raster::Gray;
use crate::tags::quads::Quad;
use nalgebra::Vector2;

/// Bilinear sample of the coded grey values; `None` outside the image.
#[inline]
pub(super) fn sample(image: &Gray, x: f64, y: f64) -> Option<f32> {
    if !image.holds(x, y) {
        return None;
    }
    let (x0, y0) = (x as usize, y as usize);
    let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    let x1 = (x0 + 1).min(image.width() - 1);
    let [upper, lower] = [y0, (y0 + 1).min(image.height() - 1)].map(|y| image.row(y)).map(|row| [row[x0], row[x1]]);
    Some(mixed(upper, lower, fx, fy))
}

/// The value between four pixels, two of a row and the two below them.
#[inline(always)]
fn mixed(upper: [u8; 2], lower: [u8; 2], fx: f32, fy: f32) -> f32 {
    let [top, bottom] = [upper, lower].map(|[a, b]| f32::from(a) + (f32::from(b) - f32::from(a)) * fx);
    top + (bottom - top) * fy
}

/// The whole number not above a coordinate of less than 2³¹ pixels.
#[inline(always)]
pub(super) fn floor(v: f64) -> i64 {
    // Adding 1.5 · 2⁵² rounds to the nearest whole number, which then stands in the low bits.
    const ROUND: f64 = 6_755_399_441_055_744.0;
    let shifted = v + ROUND;
    i64::from(shifted.to_bits() as i32) - i64::from(shifted - ROUND > v)
}

/// Whether all points between these lie so far within the image that [`sample_inside`] may be asked.
pub(super) fn well_inside(image: &Gray, points: &[Vector2<f64>]) -> bool {
    let (most_x, most_y) = (image.width() as f64 - 1.5, image.height() as f64 - 1.5);
    points.iter().all(|p| p.x >= 0.5 && p.y >= 0.5 && p.x <= most_x && p.y <= most_y)
}

/// The same as [`sample`] for a point that is known to be inside.
#[inline(always)]
pub(super) fn sample_inside(image: &Gray, x: f64, y: f64) -> f32 {
    let (x0, y0) = (floor(x), floor(y));
    let (fx, fy) = ((x - x0 as f64) as f32, (y - y0 as f64) as f32);
    let at = y0 as usize * image.width() + x0 as usize;
    let two = |at: usize| image.data()[at..].first_chunk::<2>().copied().unwrap_or_default();
    mixed(two(at), two(at + image.width()), fx, fy)
}

/// The quadrilateral with every side moved to where the image changes most from dark (inside) to bright (outside).
///
/// Returns `None` where a side shows no such change.
pub fn align_sides(image: &Gray, quad: &Quad) -> Option<Quad> {
    let mut lines = [(Vector2::zeros(), Vector2::zeros()); 4];
    for s in 0..4 {
        lines[s] = align_side(image, quad[s], quad[(s + 1) % 4], side_room(quad, s))?;
    }
    let mut moved = *quad;
    for s in 0..4 {
        let ((p, d), (q, e)) = (lines[(s + 3) % 4], lines[s]);
        let cross = d.perp(&e);
        if cross.abs() < 0.05 {
            return None;
        }
        let corner = p + d * ((q - p).perp(&e) / cross);
        // A corner that runs off shows that the sides were not followed.
        if (corner - quad[s]).norm() > 3.0 + 0.1 * (quad[(s + 1) % 4] - quad[(s + 3) % 4]).norm() {
            return None;
        }
        moved[s] = corner;
    }
    Some(moved)
}

/// How far from side s another edge can be: about the width of one cell, pixels.
fn side_room(quad: &Quad, s: usize) -> f64 {
    let (a, b, c, d) = (quad[s], quad[(s + 1) % 4], quad[(s + 2) % 4], quad[(s + 3) % 4]);
    let direction = (b - a).normalize();
    let across = |p: Vector2<f64>| direction.perp(&(p - a)).abs();
    across(c).min(across(d)) / 8.0
}

/// A point and the direction of the side from a to b after alignment.
fn align_side(image: &Gray, a: Vector2<f64>, b: Vector2<f64>, room: f64) -> Option<(Vector2<f64>, Vector2<f64>)> {
    let length = (b - a).norm();
    let along = (b - a) / length;
    let outward = Vector2::new(-along.y, along.x); // counter-clockwise on the screen (y down)
    let reach = (room * 0.9).clamp(1.5, 4.0);
    let steps = (reach * 2.0).ceil() as i32; // half pixels
    let n = ((length / 2.0) as usize).clamp(6, 16);
    let widest = outward * (f64::from(steps) * 0.5);
    let inside = well_inside(image, &[a + widest, a - widest, b + widest, b - widest]);
    // Weighted sums for offset = c + m t over samples, t from -1 to 1 along the side.
    let (mut sw, mut st, mut stt, mut so, mut sto) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for k in 0..n {
        let t = -0.85 + 1.7 * (k as f64 + 0.5) / n as f64;
        let foot = a + along * (length * (t + 1.0) / 2.0);
        let (mut weight, mut moment) = (0.0, 0.0);
        let mut before = None;
        for step in -steps..=steps {
            let off = f64::from(step) * 0.5;
            let p = foot + outward * off;
            let value = if inside { Some(sample_inside(image, p.x, p.y)) } else { sample(image, p.x, p.y) };
            if let (Some(before), Some(value)) = (before, value) {
                let rise = f64::from(value - before).max(0.0);
                let rise = rise * rise;
                weight += rise;
                moment += rise * (off - 0.25);
            }
            before = value;
        }
        if weight > 8.0 {
            let (offset, w) = (moment / weight, weight.sqrt());
            sw += w;
            st += w * t;
            stt += w * t * t;
            so += w * offset;
            sto += w * t * offset;
        }
    }
    let det = sw * stt - st * st;
    if det <= 1e-3 * sw * sw {
        return None;
    }
    let (c, m) = ((so * stt - st * sto) / det, (sw * sto - st * so) / det);
    let (p, q) = (a + outward * (c - m), b + outward * (c + m));
    Some((p, (q - p).normalize()))
}
