//! Third stage, the other way: the quadrilateral around an outline's convex hull.
//!
//! Where blur or a glint breaks a tag's border the outline runs through the gap and along the cells inside, and no four of its vertices bound
//! the tag; its convex hull is still the tag's. The hull's sides are dropped one after the other, each time the one whose neighbours, made longer until
//! they meet, add the least area, until four are left.

use crate::tags::quads::Quad;
use nalgebra::Vector2;

/// Most sides of a hull that is looked at; one with more is round.
const MOST_SIDES: usize = 48;

/// Least area of a hull, pixels.
const LEAST_HULL: f64 = 30.0;

/// By how much the quadrilateral may be larger than the hull. Blurred and raster corners cost a tag of 8 pixels' side a tenth.
const MOST_ADDED: f64 = 0.16;

/// The convex hull of a dark area; kept from area to area for its memory.
#[derive(Clone, Debug, Default)]
pub struct Hull {
    corners: Vec<[i32; 2]>,
    sides: Vec<Side>,
    /// Enclosed area, pixels.
    pub area: f64,
    /// Pixels between the outermost cracks of every row; the area's outline encloses no more.
    pub filled: u32,
}

/// A corner of the hull and the side that begins there.
#[derive(Clone, Copy, Debug)]
struct Side {
    corner: Vector2<f64>,
    /// Where this side's neighbours meet when it is dropped, and the area that this adds; infinite where they do not meet.
    meeting: Vector2<f64>,
    added: f64,
}

impl Hull {
    /// Becomes the hull of an area: for each of its rows from `top` the outermost cracks to the left and to the right. Only these can be on the hull.
    pub fn wrap(&mut self, top: u32, ends: &[[u16; 2]]) {
        let top = top as i32;
        // Up along the left, down along the right: clockwise on the screen.
        self.corners.clear();
        self.filled = 0;
        for (k, end) in ends.iter().enumerate().rev() {
            extend(&mut self.corners, 0, [i32::from(end[0]), k as i32 + top]);
        }
        let start = self.corners.len();
        for (k, end) in ends.iter().enumerate() {
            extend(&mut self.corners, start, [i32::from(end[1]), k as i32 + top]);
            self.filled += u32::from(end[1] - end[0]);
        }
        let cross = |a: [i32; 2], b: [i32; 2]| i64::from(a[0]) * i64::from(b[1]) - i64::from(a[1]) * i64::from(b[0]);
        let mut doubled: i64 = self.corners.windows(2).map(|side| cross(side[0], side[1])).sum();
        if let (Some(last), Some(first)) = (self.corners.last(), self.corners.first()) {
            doubled += cross(*last, *first);
        }
        self.area = doubled as f64 / 2.0;
    }

    /// Bytes of memory held.
    pub fn bytes(&self) -> usize {
        self.corners.capacity() * size_of::<[i32; 2]>() + self.sides.capacity() * size_of::<Side>()
    }

    /// The quadrilateral around the hull, counter-clockwise on the screen, or `None` where the hull is of another shape.
    pub fn quad(&mut self) -> Option<Quad> {
        if self.corners.len() > MOST_SIDES || self.corners.len() < 4 || self.area < LEAST_HULL {
            return None;
        }
        // A crack is half a pixel left of the centre of the pixel on its right.
        self.sides.clear();
        for &[x, y] in &self.corners {
            let corner = Vector2::new(f64::from(x) - 0.5, f64::from(y));
            self.sides.push(Side { corner, meeting: corner, added: f64::MAX });
        }
        for k in 0..self.sides.len() {
            self.weigh(k);
        }
        let mut added = 0.0;
        while self.sides.len() > 4 {
            let n = self.sides.len();
            let mut k = 0;
            for other in 1..n {
                if self.sides[other].added < self.sides[k].added {
                    k = other;
                }
            }
            added += self.sides[k].added;
            if added > MOST_ADDED * self.area {
                return None;
            }
            self.sides[k].corner = self.sides[k].meeting;
            let gone = around(k + 1, n);
            self.sides.remove(gone);
            let n = n - 1;
            let k = if gone < k { k - 1 } else { k };
            for step in [n - 2, n - 1, 0, 1] {
                self.weigh(around(k + step, n));
            }
        }
        // The hull runs clockwise on the screen.
        let [a, b, c, d] = [0, 1, 2, 3].map(|k| self.sides[k].corner);
        Some([a, d, c, b])
    }

    /// Works out what dropping side k would add. Side k runs from corner k to corner k + 1.
    fn weigh(&mut self, k: usize) {
        let n = self.sides.len();
        let [a, b, c, d] = [n - 1, 0, 1, 2].map(|step| self.sides[around(k + step, n)].corner);
        let side = &mut self.sides[k];
        (side.meeting, side.added) = match meeting(a, b, d, c) {
            Some(meeting) => (meeting, (meeting - b).perp(&(c - b)).abs() / 2.0),
            None => (b, f64::MAX),
        };
    }
}

/// An index below 2 n counted on from the beginning after the last of n.
#[inline(always)]
fn around(k: usize, n: usize) -> usize {
    if k >= n { k - n } else { k }
}

/// Adds a point to the chain of corners that begins at `start`, taking out those that are then inside.
fn extend(corners: &mut Vec<[i32; 2]>, start: usize, p: [i32; 2]) {
    while let [.., a, b] = corners[start..] {
        let turn = i64::from(b[0] - a[0]) * i64::from(p[1] - b[1]) - i64::from(b[1] - a[1]) * i64::from(p[0] - b[0]);
        if turn > 0 {
            break;
        }
        corners.pop();
    }
    corners.push(p);
}

/// Where the line from a over b, going on beyond b, meets the line from d over c, going on beyond c.
fn meeting(a: Vector2<f64>, b: Vector2<f64>, d: Vector2<f64>, c: Vector2<f64>) -> Option<Vector2<f64>> {
    let (u, v) = (b - a, c - d);
    let (cross, bridge) = (u.perp(&v), c - b);
    let (from_b, from_c) = (bridge.perp(&v), bridge.perp(&u));
    // Both ahead; the signs tell, and one division is enough.
    (cross.abs() > 1e-9 && from_b * cross > 0.0 && from_c * cross > 0.0).then(|| b + u * (from_b / cross))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Gray;
    use crate::tags::components::{Scratch, find};
    use crate::tags::quads::tests::in_polygon;
    use crate::tags::threshold::dark_map;

    /// The quadrilaterals around the dark areas that `inside` draws.
    fn quads(inside: impl Fn(f64, f64) -> bool) -> Vec<Option<Quad>> {
        let (w, h) = (160, 120);
        let data = (0..w * h).map(|i| if inside((i % w) as f64, (i / w) as f64) { 30 } else { 220 }).collect();
        let map = dark_map(&Gray::new(w, h, data).unwrap(), 12);
        let mut all = Vec::new();
        let mut scratch = Scratch::default();
        find(&map, 1000, &mut scratch, &mut all).unwrap();
        all.iter()
            .map(|c| {
                let mut hull = Hull::default();
                hull.wrap(c.bounds[1], scratch.ends(c));
                hull.quad()
            })
            .collect()
    }

    #[test]
    fn a_broken_ring_is_closed() {
        let outer = [[20.3, 90.2], [110.7, 70.9], [95.1, 15.4], [30.8, 25.6]];
        let inner = [[28.0, 80.0], [103.0, 64.0], [89.0, 23.0], [38.0, 31.0]];
        let found = quads(|x, y| {
            in_polygon(&outer, x, y) && !in_polygon(&inner, x, y) && !((60.0..64.0).contains(&x) && y > 50.0)
        });
        assert_eq!(found.len(), 1);
        let quad = found[0].expect("a quadrilateral");
        for [x, y] in outer {
            let nearest = quad.iter().map(|c| (c - Vector2::new(x, y)).norm()).fold(f64::MAX, f64::min);
            assert!(nearest < 1.5, "{nearest} {quad:?}");
        }
        // Counter-clockwise on the screen.
        assert!((quad[1] - quad[0]).perp(&(quad[2] - quad[1])) < 0.0);
    }

    #[test]
    fn discs_and_hexagons_have_other_hulls() {
        assert_eq!(quads(|x, y| (x - 80.0).hypot(y - 60.0) < 40.0), [None]);
        let hexagon: Vec<[f64; 2]> =
            (0..6).map(|k| -f64::from(k)).map(|a| [80.0 + 40.0 * a.cos(), 60.0 + 40.0 * a.sin()]).collect();
        assert_eq!(quads(|x, y| in_polygon(&hexagon, x, y)), [None]);
    }
}
