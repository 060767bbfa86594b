//! Second stage: the outlines of dark areas.
//!
//! An outline runs along the cracks between dark and other pixels, dark on its right, so that the middles of the cracks scatter evenly
//! around the true edge. Dark pixels hang together along sides only (not across corners), so tags that touch at a corner stay apart.

use crate::tags::threshold::DarkMap;

/// The outer outline of one dark area, clockwise as seen on the screen.
#[derive(Clone, Debug, Default)]
pub struct Outline {
    /// Middles of the cracks in half pixels: pixel coordinate = value / 2 - 0.5.
    pub points: Vec<[i32; 2]>,
    /// Enclosed area, pixels; holes count as filled.
    pub area: i64,
    /// Left, top, right and bottom crack, pixels.
    pub bounds: [i32; 4],
}

/// Walks along every outline of the map and hands each outer one that may be a tag's to `visit`.
///
/// An outline that may be a tag's encloses at least `least_area` pixels, is not much longer than that of a convex figure with its bounds
/// (`most_excess` times), and does not exceed `most_points` cracks (which bounds memory on noise).
pub fn for_each_outline(
    map: &DarkMap,
    least_area: i64,
    most_excess: f64,
    most_points: usize,
    mut visit: impl FnMut(&Outline),
) {
    let words = map.words_per_row();
    // Set where the crack on a pixel's left side has been walked along.
    let mut walked = vec![0u64; words * map.height()];
    let mut outline = Outline::default();
    for y in 0..map.height() {
        let mut carry = 0u64;
        for word in 0..words {
            let dark = map.row(y)[word];
            let left_cracks = dark & !((dark << 1) | carry);
            carry = dark >> 63;
            loop {
                let open = left_cracks & !walked[y * words + word];
                if open == 0 {
                    break;
                }
                let x = word * 64 + open.trailing_zeros() as usize;
                walk(map, x as i32, y as i32, most_points, &mut walked, &mut outline);
                let [left, top, right, bottom] = outline.bounds;
                let convex = 2 * ((right - left) + (bottom - top));
                if outline.area >= least_area
                    && outline.points.len() <= most_points
                    && (outline.points.len() as f64) < most_excess * f64::from(convex)
                {
                    visit(&outline);
                }
            }
        }
    }
}

/// Walks once around from the left side of pixel (x, y), upwards. The area comes out negative for the outline of a hole.
fn walk(map: &DarkMap, x: i32, y: i32, most_points: usize, walked: &mut [u64], outline: &mut Outline) {
    let words = map.words_per_row();
    outline.points.clear();
    outline.area = 0;
    // Position: the crack corner (i, j) is the upper left corner of pixel (i, j). Start at the lower end of the left side, going up.
    let start = (x, y + 1);
    let (mut i, mut j) = start;
    let (mut dx, mut dy) = (0, -1);
    let (mut left, mut top, mut right, mut bottom) = (x, y, x, y + 1);
    loop {
        if dy < 0 {
            let pixel = (j - 1) as usize * words + (i as usize >> 6);
            walked[pixel] |= 1 << (i & 63);
            outline.area -= i64::from(i); // Green's theorem: area = closed integral of x dy, positive when clockwise on the screen.
        } else if dy > 0 {
            outline.area += i64::from(i);
        }
        if outline.points.len() <= most_points {
            outline.points.push([2 * i + dx, 2 * j + dy]);
        }
        i += dx;
        j += dy;
        left = left.min(i);
        right = right.max(i);
        top = top.min(j);
        bottom = bottom.max(j);
        // The two pixels ahead, to the right and to the left of the direction of travel.
        let (ahead_right, ahead_left) = match (dx, dy) {
            (0, -1) => ((i, j - 1), (i - 1, j - 1)),
            (1, 0) => ((i, j), (i, j - 1)),
            (0, 1) => ((i - 1, j), (i, j)),
            _ => ((i - 1, j - 1), (i - 1, j)),
        };
        if !map.is_dark(ahead_right.0, ahead_right.1) {
            (dx, dy) = (-dy, dx); // turn right
        } else if map.is_dark(ahead_left.0, ahead_left.1) {
            (dx, dy) = (dy, -dx); // turn left
        }
        if (i, j) == start && (dx, dy) == (0, -1) {
            break;
        }
    }
    outline.bounds = [left, top, right, bottom];
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Gray;
    use crate::tags::threshold::dark_map;

    fn outlines(rows: &[&str]) -> Vec<Outline> {
        // Each character becomes 4 × 4 pixels, so that the tiles cannot smear the drawing.
        let (w, h) = (rows[0].len() * 4, rows.len() * 4);
        let data = (0..h)
            .flat_map(|y| (0..w).map(move |x| (x, y)))
            .map(|(x, y)| if rows[y / 4].as_bytes()[x / 4] == b'#' { 0 } else { 200 })
            .collect();
        let map = dark_map(&Gray::new(w, h, data).unwrap(), 12);
        let mut all = Vec::new();
        for_each_outline(&map, 1, 10.0, 10_000, |o| all.push(o.clone()));
        all
    }

    #[test]
    fn area_and_bounds_of_a_ring_and_its_island() {
        let all = outlines(&[".......", ".#####.", ".#...#.", ".#.#.#.", ".#...#.", ".#####.", "......."]);
        assert_eq!(all.len(), 2);
        assert_eq!((all[0].area, all[0].bounds), (400, [4, 4, 24, 24]));
        assert_eq!((all[1].area, all[1].bounds), (16, [12, 12, 16, 16]));
        assert_eq!(all[0].points.len(), 80);
    }

    #[test]
    fn areas_that_touch_at_a_corner_stay_apart() {
        let all = outlines(&[".....", ".#...", "..#..", ".#...", "....."]);
        assert_eq!(all.iter().map(|o| o.area).collect::<Vec<_>>(), [16, 16, 16]);
    }

    #[test]
    fn dark_at_the_image_border_is_closed_there() {
        let all = outlines(&["#..", "...", "..."]);
        assert_eq!((all[0].area, all[0].bounds), (16, [0, 0, 4, 4]));
    }
}
