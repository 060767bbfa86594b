//! Third stage: the outline of a dark area.
//!
//! An outline runs along the cracks between dark and other pixels, dark on its right, so that the middles of the cracks scatter evenly
//! around the true edge.

use crate::tags::components::Component;
use crate::tags::threshold::DarkMap;

/// The outer outline of one dark area, clockwise as seen on the screen.
#[derive(Clone, Debug, Default)]
pub struct Outline {
    /// Left, top, right and bottom crack, pixels.
    pub bounds: [i32; 4],
    /// Enclosed area, pixels; holes count as filled.
    pub area: i64,
    /// Dark pixels in it.
    pub dark: u32,
    /// Middles of the cracks in half pixels: pixel coordinate = value / 2 - 0.5.
    pub points: Vec<[i32; 2]>,
}

/// Walks once around a component; says whether it was closed within `longest` cracks.
pub fn walk(map: &DarkMap, component: &Component, longest: usize, outline: &mut Outline) -> bool {
    outline.bounds = component.bounds.map(|b| b as i32);
    outline.dark = component.area;
    let mut area = 0i64;
    let points = &mut outline.points;
    points.clear();
    let closed = follow(map, component, |i, j, dx, dy| {
        // Green's theorem: area = closed integral of x dy, positive when clockwise on the screen.
        area += i64::from(i * dy);
        points.push([2 * i + dx, 2 * j + dy]);
        points.len() <= longest
    });
    outline.area = area;
    closed
}

/// Walks around a component, telling `step` where each crack begins and in which direction it runs, until it is closed (true) or `step` says
/// that it is enough (false).
#[inline]
fn follow(map: &DarkMap, component: &Component, mut step: impl FnMut(i32, i32, i32, i32) -> bool) -> bool {
    // Position: the crack corner (i, j) is the upper left corner of pixel (i, j). Start at the lower end of the left side of the topmost
    // leftmost pixel, going up.
    let start = (component.start as i32, component.bounds[1] as i32 + 1);
    let (mut i, mut j) = start;
    let (mut dx, mut dy) = (0, -1);
    loop {
        if !step(i, j, dx, dy) {
            return false;
        }
        i += dx;
        j += dy;
        // The two pixels ahead, to the right and to the left of the direction of travel: pixel (i, j) is the lower right of the four around the corner.
        let (rx, ry) = ((dx - dy - 1) >> 1, (dx + dy - 1) >> 1);
        let (lx, ly) = ((dx + dy - 1) >> 1, (dy - dx - 1) >> 1);
        let right = map.is_dark(i + rx, j + ry);
        let left = map.is_dark(i + lx, j + ly);
        // Only where both diagonals differ does it matter what hangs together.
        if left && (right || component.across_corners) {
            (dx, dy) = (dy, -dx); // turn left
        } else if !right {
            (dx, dy) = (-dy, dx); // turn right
        }
        if (i, j) == start && (dx, dy) == (0, -1) {
            return true;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Gray;
    use crate::tags::components::{Scratch, find};
    use crate::tags::threshold::dark_map;

    fn outlines(rows: &[&str]) -> Vec<(Component, Outline)> {
        // Each character becomes 8 × 8 pixels, so that the tiles cannot smear the drawing.
        let (w, h) = (rows[0].len() * 8, rows.len() * 8);
        let data = (0..h)
            .flat_map(|y| (0..w).map(move |x| (x, y)))
            .map(|(x, y)| if rows[y / 8].as_bytes()[x / 8] == b'#' { 0 } else { 200 })
            .collect();
        let map = dark_map(&Gray::new(w, h, data).unwrap(), 12);
        let mut components = Vec::new();
        find(&map, 1000, &mut Scratch::default(), &mut components).unwrap();
        components
            .into_iter()
            .map(|c| {
                let mut outline = Outline::default();
                assert!(walk(&map, &c, 10_000, &mut outline));
                assert!(!walk(&map, &c, outline.points.len() - 1, &mut Outline::default()));
                (c, outline)
            })
            .collect()
    }

    #[test]
    fn area_and_length_of_a_ring_and_its_island() {
        let all = outlines(&[".......", ".#####.", ".#...#.", ".#.#.#.", ".#...#.", ".#####.", "......."]);
        assert_eq!(all.len(), 2);
        assert_eq!((all[0].1.area, all[0].1.points.len()), (1600, 160));
        assert_eq!((all[1].1.area, all[1].1.points.len()), (64, 32));
    }

    #[test]
    fn corners_that_touch_are_crossed_or_not() {
        let all = outlines(&["....", ".#..", "..#.", "...."]);
        let lengths: Vec<_> = all.iter().map(|(c, o)| (c.across_corners, o.points.len(), o.area)).collect();
        assert_eq!(lengths, [(false, 32, 64), (false, 32, 64), (true, 64, 128)]);
    }

    #[test]
    fn dark_at_the_image_border_is_closed_there() {
        let all = outlines(&["#..", "...", "..."]);
        // The tile in the corner sees nothing bright: it is flat, and so not dark.
        assert_eq!((all[0].1.area, all[0].1.bounds), (48, [0, 0, 8, 8]));
    }
}
