//! Third stage: quadrilaterals from outlines.
//!
//! An outline is simplified to a polygon; of its vertices the four are chosen whose sides, as straight lines through the outline between
//! them, leave the least scatter. So a tag is still found where a stain, a clip or a neighbour grew onto its border.

use crate::tags::outline::Outline;
use nalgebra::Vector2;

/// Most vertices of the simplified outline that are combined.
const MOST_VERTICES: usize = 12;

/// A convex quadrilateral, counter-clockwise as seen on the screen (y down), pixels.
pub type Quad = [Vector2<f64>; 4];

/// Sums over the outline's points up to each one: x, y, xx, xy, yy in half pixels. They are whole numbers, kept exact.
struct Sums(Vec<[i64; 5]>);

/// A straight line: centre, the second moments of its points about it, and their mean square distance from it.
#[derive(Clone, Copy)]
struct Line {
    centre: Vector2<f64>,
    half_difference: f64,
    mixed: f64,
    mean_square: f64,
}

impl Line {
    /// The unit vector along the line.
    fn direction(&self) -> Vector2<f64> {
        let angle = self.mixed.atan2(self.half_difference) / 2.0;
        Vector2::new(angle.cos(), angle.sin())
    }
}

impl Sums {
    fn new(points: &[[i32; 2]]) -> Self {
        let origin = points[0];
        let mut total = [0i64; 5];
        let mut all = Vec::with_capacity(points.len() + 1);
        all.push(total);
        for p in points {
            let (x, y) = (i64::from(p[0] - origin[0]), i64::from(p[1] - origin[1]));
            for (sum, value) in total.iter_mut().zip([x, y, x * x, x * y, y * y]) {
                *sum += value;
            }
            all.push(total);
        }
        Sums(all)
    }

    /// The line through the points first..first + count of the closed outline (in half pixels, from its first point).
    fn line(&self, first: usize, count: usize) -> Line {
        let n = self.0.len() - 1;
        let (start, end) = (first % n, first % n + count);
        let sums: [f64; 5] = std::array::from_fn(|k| {
            (if end <= n {
                self.0[end][k] - self.0[start][k]
            } else {
                self.0[n][k] - self.0[start][k] + self.0[end - n][k]
            }) as f64
        });
        let scale = 1.0 / count as f64;
        let (mx, my) = (sums[0] * scale, sums[1] * scale);
        let (xx, xy, yy) = (sums[2] * scale - mx * mx, sums[3] * scale - mx * my, sums[4] * scale - my * my);
        let (half_difference, half_sum) = ((xx - yy) / 2.0, (xx + yy) / 2.0);
        let root = (half_difference * half_difference + xy * xy).sqrt();
        Line { centre: Vector2::new(mx, my), half_difference, mixed: xy, mean_square: (half_sum - root).max(0.0) }
    }
}

/// The quadrilateral that an outline's points show, or `None`.
pub fn quad_from_outline(outline: &Outline) -> Option<Quad> {
    let points = &outline.points;
    let n = points.len();
    if n < 16 {
        return None;
    }
    let vertices = vertices(points)?;
    let k = vertices.len();
    let sums = Sums::new(points);
    // Every side between two vertices i < j (cyclic), with some points left out at both ends, where the corner is rounded.
    let side = |i: usize, j: usize| {
        let (first, last) = (vertices[i], vertices[j % k] + if j >= k { n } else { 0 });
        let length = last - first;
        let margin = (length / 12).clamp(1, 8);
        if length < 2 * margin + 3 {
            return None;
        }
        Some((sums.line(first + margin, length - 2 * margin), length))
    };
    let mut table = [[None; MOST_VERTICES]; MOST_VERTICES];
    for i in 0..k {
        for step in 1..=(k - 3) {
            table[i][(i + step) % k] = side(i, i + step);
        }
    }
    let mut best: Option<(f64, [Line; 4])> = None;
    for a in 0..k - 3 {
        for b in a + 1..k - 2 {
            let Some((ab, n_ab)) = table[a][b] else { continue };
            for c in b + 1..k - 1 {
                let Some((bc, n_bc)) = table[b][c] else { continue };
                #[allow(clippy::needless_range_loop)] // d is a vertex, and indexes rows and columns alike
                for d in c + 1..k {
                    let (Some((cd, n_cd)), Some((da, n_da))) = (table[c][d], table[d][a]) else { continue };
                    let lines = [ab, bc, cd, da];
                    let counts = [n_ab, n_bc, n_cd, n_da];
                    // A side may be off by its bow, which grows with its length, and by the raster.
                    let straight = lines.iter().zip(counts).all(|(line, count)| {
                        let limit = 2.0 * (0.8 + 0.02 * count as f64); // half pixels
                        line.mean_square < limit * limit
                    });
                    let cost: f64 = lines.iter().zip(counts).map(|(l, c)| l.mean_square * c as f64).sum();
                    if straight && best.as_ref().is_none_or(|(least, _)| cost < *least) {
                        best = Some((cost, lines));
                    }
                }
            }
        }
    }
    let (_, lines) = best?;
    let origin = Vector2::new(f64::from(points[0][0]), f64::from(points[0][1]));
    let mut corners = [Vector2::zeros(); 4];
    for s in 0..4 {
        // Corner s lies between side s - 1 and side s; the outline runs clockwise, the quadrilateral counter-clockwise.
        let corner = intersection(&lines[(s + 3) % 4], &lines[s])?;
        corners[(4 - s) % 4] = (corner + origin) / 2.0 - Vector2::new(0.5, 0.5);
    }
    plausible(&corners, outline).then_some(corners)
}

fn intersection(a: &Line, b: &Line) -> Option<Vector2<f64>> {
    let (u, v) = (a.direction(), b.direction());
    let cross = u.perp(&v);
    if cross.abs() < 0.05 {
        return None; // Less than 3 degrees between neighbouring sides.
    }
    let along = (b.centre - a.centre).perp(&v) / cross;
    Some(a.centre + u * along)
}

/// Convex, counter-clockwise on the screen, near the outline, of a size that can be read.
fn plausible(corners: &Quad, outline: &Outline) -> bool {
    let [left, top, right, bottom] = outline.bounds.map(f64::from);
    let slack = 3.0 + 0.1 * (right - left).max(bottom - top);
    let inside =
        corners.iter().all(|c| c.x > left - slack && c.x < right + slack && c.y > top - slack && c.y < bottom + slack);
    let mut area = 0.0;
    let mut convex = true;
    for s in 0..4 {
        let (a, b, c) = (corners[s], corners[(s + 1) % 4], corners[(s + 2) % 4]);
        convex &= (b - a).perp(&(c - b)) < 0.0;
        area -= a.perp(&b) / 2.0;
    }
    inside && convex && area > 30.0
}

/// Vertices of the outline simplified until at most [`MOST_VERTICES`] are left, as indices in rising order; at least 4.
fn vertices(points: &[[i32; 2]]) -> Option<Vec<usize>> {
    let n = points.len();
    let squared = |a: [i32; 2], b: [i32; 2]| {
        let (x, y) = (i64::from(a[0] - b[0]), i64::from(a[1] - b[1]));
        x * x + y * y
    };
    let farthest = |from: [i32; 2]| (0..n).max_by_key(|&i| squared(points[i], from)).unwrap_or(0);
    let first = farthest(points[0]);
    let second = farthest(points[first]);
    let (a, b) = (first.min(second), first.max(second));
    // Half pixels. A raster line wavers by one half pixel; a bowed or blurred one by more, in proportion to its size.
    let mut tolerance = 2.2 + 0.012 * n as f64;
    for _ in 0..3 {
        let mut kept = vec![a, b];
        simplify(points, a, b, tolerance, &mut kept);
        simplify(points, b, a + n, tolerance, &mut kept);
        if kept.len() < 4 {
            return None;
        }
        if kept.len() <= MOST_VERTICES {
            kept.sort_unstable();
            return Some(kept);
        }
        tolerance *= 1.7;
    }
    None
}

/// Adds the vertices between two (Ramer 1972; Douglas and Peucker 1973); gives up past some dozen vertices.
fn simplify(points: &[[i32; 2]], from: usize, to: usize, tolerance: f64, kept: &mut Vec<usize>) {
    let n = points.len();
    let mut open = vec![(from, to)];
    while let Some((from, to)) = open.pop() {
        if kept.len() > 3 * MOST_VERTICES {
            return;
        }
        let (p, q) = (points[from % n], points[to % n]);
        let (dx, dy) = (i64::from(q[0] - p[0]), i64::from(q[1] - p[1]));
        let length = ((dx * dx + dy * dy) as f64).sqrt().max(1e-9);
        let mut worst = (0i64, from);
        for i in from + 1..to {
            let r = points[if i < n { i } else { i - n }];
            let off = (dx * i64::from(r[1] - p[1]) - dy * i64::from(r[0] - p[0])).abs();
            if off > worst.0 {
                worst = (off, i);
            }
        }
        if worst.0 as f64 > tolerance * length {
            kept.push(worst.1 % n);
            open.push((from, worst.1));
            open.push((worst.1, to));
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::raster::Gray;
    use crate::tags::components::{Scratch, find};
    use crate::tags::outline::walk;
    use crate::tags::threshold::dark_map;

    /// Draws where `inside` says so and gives the quadrilaterals of what is drawn.
    fn quads(inside: impl Fn(f64, f64) -> bool) -> Vec<Quad> {
        let (w, h) = (160, 120);
        let data = (0..w * h).map(|i| if inside((i % w) as f64, (i / w) as f64) { 30 } else { 220 }).collect();
        let map = dark_map(&Gray::new(w, h, data).unwrap(), 12);
        let mut all = Vec::new();
        find(&map, 1000, &mut Scratch::default(), &mut all).unwrap();
        let mut outline = Outline::default();
        all.iter()
            .filter_map(|c| {
                walk(&map, c, 10_000, &mut outline);
                quad_from_outline(&outline)
            })
            .collect()
    }

    /// True inside a convex polygon whose corners run counter-clockwise on the screen.
    pub(in crate::tags) fn in_polygon(corners: &[[f64; 2]], x: f64, y: f64) -> bool {
        (0..corners.len()).all(|i| {
            let ([ax, ay], [bx, by]) = (corners[i], corners[(i + 1) % corners.len()]);
            (bx - ax) * (y - ay) - (by - ay) * (x - ax) < 0.0
        })
    }

    #[test]
    fn a_drawn_quadrilateral_is_found_to_half_a_pixel() {
        let drawn = [[20.3, 90.2], [110.7, 70.9], [95.1, 15.4], [30.8, 25.6]];
        let found = quads(|x, y| in_polygon(&drawn, x, y));
        assert_eq!(found.len(), 1);
        for [x, y] in drawn {
            let nearest = found[0].iter().map(|c| (c - Vector2::new(x, y)).norm()).fold(f64::MAX, f64::min);
            assert!(nearest < 0.5, "{nearest}");
        }
    }

    #[test]
    fn a_growth_on_one_side_does_not_hide_it() {
        let drawn = [[20.3, 90.2], [110.7, 90.9], [109.1, 15.4], [20.8, 15.6]];
        let found = quads(|x, y| in_polygon(&drawn, x, y) || ((60.0..70.0).contains(&x) && (10.0..16.0).contains(&y)));
        assert_eq!(found.len(), 1);
        for [x, y] in drawn {
            let nearest = found[0].iter().map(|c| (c - Vector2::new(x, y)).norm()).fold(f64::MAX, f64::min);
            assert!(nearest < 2.5, "{nearest}");
        }
    }

    #[test]
    fn discs_and_triangles_are_no_quadrilaterals() {
        assert!(quads(|x, y| in_polygon(&[[20.0, 100.0], [120.0, 90.0], [60.0, 15.0]], x, y)).is_empty());
        assert!(
            quads(|x, y| (x - 80.0).hypot(y - 60.0) < 12.0).len() <= 1,
            "a small disc may pass, decoding refuses it"
        );
    }
}
