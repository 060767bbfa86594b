//! Second stage: which dark pixels hang together, and which of these areas may be a tag's.
//!
//! One pass over the rows joins runs of dark pixels with those of the row above. Nothing is kept of an area but a few sums, so that texture
//! and noise cost little: only areas whose sums allow a tag are walked around later. Areas are taken twice, hanging together along sides only
//! (neighbours that touch at a corner stay apart) and across corners too (a thin slanted border breaks into such steps).

use crate::tags::threshold::DarkMap;

/// Fewest dark pixels of a tag. A tag of 7 pixels' side has 30 or more.
const LEAST_AREA: u32 = 24;

/// A dark area.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Component {
    /// Left, top, right and bottom crack, pixels: the pixels `left..right` and `top..bottom`.
    pub bounds: [u32; 4],
    /// Column of its leftmost run in its top row.
    pub start: u32,
    /// Dark pixels.
    pub area: u32,
    /// Runs of dark pixels in rows.
    pub runs: u32,
    /// Whether it hangs together across corners only.
    pub across_corners: bool,
}

/// Working memory of [`find`], kept from image to image.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    above: Vec<Run>,
    here: Vec<Run>,
    parents: Vec<u32>,
    sums: Vec<Component>,
    contacts: Vec<[u32; 2]>,
}

impl Scratch {
    /// Bytes of memory held.
    pub fn bytes(&self) -> usize {
        (self.above.capacity() + self.here.capacity()) * size_of::<Run>()
            + self.parents.capacity() * size_of::<u32>()
            + self.sums.capacity() * size_of::<Component>()
            + self.contacts.capacity() * size_of::<[u32; 2]>()
    }
}

#[derive(Clone, Copy, Debug)]
struct Run {
    from: u32,
    to: u32,
    label: u32,
}

/// The image has more separate dark areas than are worth following: it is noise at the contrast that was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TooManyAreas;

/// Finds the areas of a map that may be tags, in the order of their first rows; those hanging together across corners follow the others.
///
/// `most`: how many provisional areas are followed before giving up; bounds the memory.
pub fn find(map: &DarkMap, most: usize, s: &mut Scratch, found: &mut Vec<Component>) -> Result<(), TooManyAreas> {
    found.clear();
    s.above.clear();
    s.parents.clear();
    s.sums.clear();
    s.contacts.clear();
    for y in 0..map.height() {
        s.here.clear();
        runs_of(map.row(y), map.width() as u32, &mut s.here);
        join_row(y as u32, s);
        if s.parents.len() > most || s.contacts.len() > most {
            return Err(TooManyAreas);
        }
        std::mem::swap(&mut s.above, &mut s.here);
    }
    let is_root = |(k, parent): (usize, &u32)| (*parent == k as u32).then_some(k);
    found.extend(s.parents.iter().enumerate().filter_map(is_root).map(|k| s.sums[k]).filter(may_be_a_tag));
    // The same again with the contacts across corners; what they changed is new.
    for k in 0..s.contacts.len() {
        let [a, b] = s.contacts[k];
        let (a, b) = (root(&mut s.parents, a), root(&mut s.parents, b));
        if a != b {
            let merged = join(&mut s.parents, &mut s.sums, a, b);
            s.sums[merged as usize].across_corners = true;
        }
    }
    let across = s.parents.iter().enumerate().filter_map(is_root).map(|k| s.sums[k]).filter(|c| c.across_corners);
    found.extend(across.filter(may_be_a_tag));
    Ok(())
}

/// The runs of set bits of one row.
fn runs_of(words: &[u64], width: u32, runs: &mut Vec<Run>) {
    let mut before = 0u64;
    let mut from = 0;
    let mut open = false;
    for (k, &word) in words.iter().enumerate() {
        // Set where a pixel differs from its left neighbour.
        let mut changes = word ^ ((word << 1) | before);
        before = word >> 63;
        while changes != 0 {
            let x = (k * 64) as u32 + changes.trailing_zeros();
            changes &= changes - 1;
            if open {
                runs.push(Run { from, to: x, label: u32::MAX });
            } else {
                from = x;
            }
            open = !open;
        }
    }
    if open {
        runs.push(Run { from, to: width, label: u32::MAX });
    }
}

/// Gives every run of a row its label, joining those that it connects.
fn join_row(y: u32, s: &mut Scratch) {
    let mut first = 0;
    for run in &mut s.here {
        while first < s.above.len() && s.above[first].to < run.from {
            first += 1;
        }
        let mut label = u32::MAX;
        let mut touches: [u32; 2] = [u32::MAX; 2];
        for above in &s.above[first..] {
            if above.from > run.to {
                break;
            }
            if above.to == run.from {
                touches[0] = above.label;
            } else if above.from == run.to {
                touches[1] = above.label;
            } else if above.label == label {
                // The same area again.
            } else if label == u32::MAX {
                label = root(&mut s.parents, above.label);
            } else {
                let other = root(&mut s.parents, above.label);
                if other != label {
                    label = join(&mut s.parents, &mut s.sums, label, other);
                }
            }
        }
        if label == u32::MAX {
            label = s.parents.len() as u32;
            s.parents.push(label);
            s.sums.push(Component {
                bounds: [run.from, y, run.to, y + 1],
                start: run.from,
                area: 0,
                runs: 0,
                across_corners: false,
            });
        }
        let sum = &mut s.sums[label as usize];
        sum.bounds[0] = sum.bounds[0].min(run.from);
        sum.bounds[2] = sum.bounds[2].max(run.to);
        sum.bounds[3] = y + 1;
        sum.area += run.to - run.from;
        sum.runs += 1;
        run.label = label;
        for touched in touches {
            if touched != u32::MAX && root(&mut s.parents, touched) != label {
                s.contacts.push([touched, label]);
            }
        }
    }
}

/// The first label of what a label belongs to.
fn root(parents: &mut [u32], mut label: u32) -> u32 {
    while parents[label as usize] != label {
        let grandparent = parents[parents[label as usize] as usize];
        parents[label as usize] = grandparent;
        label = grandparent;
    }
    label
}

/// Joins two roots; the older one, which holds the topmost leftmost run, stays.
fn join(parents: &mut [u32], sums: &mut [Component], a: u32, b: u32) -> u32 {
    let (old, new) = (a.min(b), a.max(b));
    parents[new as usize] = old;
    let other = sums[new as usize];
    let sum = &mut sums[old as usize];
    sum.bounds = [
        sum.bounds[0].min(other.bounds[0]),
        sum.bounds[1].min(other.bounds[1]),
        sum.bounds[2].max(other.bounds[2]),
        sum.bounds[3].max(other.bounds[3]),
    ];
    sum.area += other.area;
    sum.runs += other.runs;
    sum.across_corners |= other.across_corners;
    old
}

/// Whether an area's sums allow it to be a tag, possibly with something grown onto it.
fn may_be_a_tag(c: &Component) -> bool {
    let [left, top, right, bottom] = c.bounds;
    let (width, height) = (right - left, bottom - top);
    // A row crosses at most five dark cells of a tag, six where it is slanted; more is texture.
    c.area >= LEAST_AREA && width.min(height) >= 4 && width.max(height) >= 7 && c.runs <= 6 * height
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::raster::Gray;
    use crate::tags::threshold::dark_map;

    fn found(rows: &[&str]) -> Vec<Component> {
        // Each character becomes 8 × 8 pixels, so that the tiles cannot smear the drawing.
        let (w, h) = (rows[0].len() * 8, rows.len() * 8);
        let data = (0..h)
            .flat_map(|y| (0..w).map(move |x| (x, y)))
            .map(|(x, y)| if rows[y / 8].as_bytes()[x / 8] == b'#' { 0 } else { 200 })
            .collect();
        let mut all = Vec::new();
        find(&dark_map(&Gray::new(w, h, data).unwrap(), 12), 1000, &mut Scratch::default(), &mut all).unwrap();
        all
    }

    #[test]
    fn a_ring_and_its_island_are_two() {
        let all = found(&[".......", ".#####.", ".#...#.", ".#.#.#.", ".#...#.", ".#####.", "......."]);
        assert_eq!(all.len(), 2);
        assert_eq!((all[0].bounds, all[0].area, all[0].start), ([8, 8, 48, 48], 16 * 64, 8));
        assert_eq!((all[1].bounds, all[1].area), ([24, 24, 32, 32], 64));
        assert!(!all[0].across_corners);
    }

    #[test]
    fn parts_that_meet_late_are_one() {
        let all = found(&["......", ".#..#.", ".#..#.", ".####.", "......"]);
        assert_eq!(all.len(), 1);
        assert_eq!((all[0].bounds, all[0].area, all[0].runs), ([8, 8, 40, 32], 8 * 64, 16 * 2 + 8));
    }

    #[test]
    fn areas_that_touch_at_a_corner_are_taken_apart_and_together() {
        let all = found(&[".....", ".#...", "..#..", ".#...", "....."]);
        assert_eq!(all.iter().filter(|c| !c.across_corners).map(|c| c.area).collect::<Vec<_>>(), [64, 64, 64]);
        let together: Vec<_> = all.iter().filter(|c| c.across_corners).collect();
        assert_eq!(together.len(), 1);
        assert_eq!((together[0].bounds, together[0].area), ([8, 8, 24, 32], 3 * 64));
    }

    #[test]
    fn noise_is_given_up_within_bounds() {
        let mut seed = 48271u64;
        let data = (0..256 * 256).map(|_| {
            seed = seed * 48271 % 0x7fff_ffff;
            (seed >> 8) as u8
        });
        let map = dark_map(&Gray::new(256, 256, data.collect()).unwrap(), 12);
        let mut scratch = Scratch::default();
        assert_eq!(find(&map, 500, &mut scratch, &mut Vec::new()), Err(TooManyAreas));
        assert!(scratch.parents.len() < 500 + 256 && scratch.contacts.len() < 500 + 2 * 256);
    }
}
