//! Second stage: which dark pixels hang together, and which of these areas may be a tag's.
//!
//! One pass over the rows joins runs of dark pixels with those of the row above and keeps a few sums of every area, so that texture and noise cost little: only
//! of areas whose sums allow a tag a second pass over the runs finds the outermost pixels of each row, which is all that their convex hull needs. Areas are taken twice,
//! hanging together along sides only (neighbours that touch at a corner stay apart) and across corners too (a thin slanted border breaks into such steps).

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
    /// Pairs of its runs, one above the other, that touch along their sides.
    pub contacts: u32,
    /// Whether it hangs together across corners only.
    pub across_corners: bool,
    /// Where its rows begin among [`Scratch::ends`]; set by [`find`].
    first_row: u32,
}

impl Component {
    /// How many holes it has, if it hangs together along sides: runs less contacts is one less for each (Euler's number of the graph of runs).
    pub fn holes(&self) -> u32 {
        (self.contacts + 1).saturating_sub(self.runs)
    }

    /// Whether its rows are broken often enough for something bright inside, as a tag has. A row crosses a tag's border twice, but for the outermost eighths
    /// once: seven times in four rows. Five (common practice, no source) leave room for gaps in the border and for what grew onto
    /// the tag; dark spots mostly have four.
    pub fn is_broken(&self) -> bool {
        4 * self.runs >= 5 * (self.bounds[3] - self.bounds[1])
    }
}

/// Working memory of [`find`], kept from image to image.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    /// Columns where runs begin and end, in turn, row by row.
    cracks: Vec<u16>,
    /// How many runs begin before each row.
    row_starts: Vec<u32>,
    /// The label of each run.
    labels: Vec<u32>,
    parents: Vec<u32>,
    sums: Vec<Component>,
    contacts: Vec<[u32; 2]>,
    /// For each label where row 0 of the image would be in `ends`: for the area that hangs together along sides, and the one across corners.
    places: Vec<[u32; 2]>,
    ends: Vec<[u16; 2]>,
}

impl Scratch {
    /// Bytes of memory held.
    pub fn bytes(&self) -> usize {
        self.cracks.capacity() * size_of::<u16>()
            + (self.row_starts.capacity() + self.labels.capacity() + self.parents.capacity()) * size_of::<u32>()
            + self.sums.capacity() * size_of::<Component>()
            + (self.contacts.capacity() + self.places.capacity()) * size_of::<[u32; 2]>()
            + self.ends.capacity() * size_of::<[u16; 2]>()
    }

    /// For every row of one of the areas found last, from its top: its outermost cracks to the left and to the right, pixels.
    pub fn ends(&self, component: &Component) -> &[[u16; 2]] {
        let first = component.first_row as usize;
        &self.ends[first..first + (component.bounds[3] - component.bounds[1]) as usize]
    }
}

/// The image has more separate dark areas than are worth following: it is noise at the contrast that was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct TooManyAreas;

/// Finds the areas of a map that may be tags, in the order of their first rows; those hanging together across corners follow the others.
///
/// `most`: how many provisional areas are followed before giving up, and a quarter of how many runs; bounds the memory. A map wider than 65535 pixels holds none.
pub fn find(map: &DarkMap, most: usize, s: &mut Scratch, found: &mut Vec<Component>) -> Result<(), TooManyAreas> {
    found.clear();
    s.parents.clear();
    s.sums.clear();
    s.contacts.clear();
    if map.width() > usize::from(u16::MAX) {
        return Ok(());
    }
    runs(map, 4 * most, s)?;
    for y in 0..map.height() {
        join_row(y, s);
        if s.parents.len() > most || s.contacts.len() > most {
            return Err(TooManyAreas);
        }
    }
    // Rows of what no area was made of go to the first places, which nobody reads.
    let mut rows = map.height() as u32;
    let mut may_be = |c: &mut Component| {
        c.first_row = rows;
        let may_be = may_be_a_tag(c);
        rows += if may_be { c.bounds[3] - c.bounds[1] } else { 0 };
        may_be
    };
    s.places.clear();
    s.places.resize(s.parents.len(), [0, 0]);
    for k in 0..s.parents.len() {
        // Every parent comes before its children.
        let parent = s.parents[s.parents[k] as usize];
        s.parents[k] = parent;
        if parent == k as u32 {
            let mut sum = s.sums[k];
            if may_be(&mut sum) {
                s.places[k][0] = sum.first_row - sum.bounds[1];
                found.push(sum);
            }
        } else {
            s.places[k][0] = s.places[parent as usize][0];
        }
    }
    // The same again with the contacts across corners; what they changed is new.
    for k in 0..s.contacts.len() {
        let [a, b] = s.contacts[k];
        let (a, b) = (root(&mut s.parents, a), root(&mut s.parents, b));
        if a != b {
            let merged = join(&mut s.parents, &mut s.sums, a, b);
            s.sums[merged as usize].across_corners = true;
        }
    }
    for k in 0..s.parents.len() {
        let parent = s.parents[s.parents[k] as usize];
        s.parents[k] = parent;
        if parent == k as u32 {
            let mut sum = s.sums[k];
            if sum.across_corners && may_be(&mut sum) {
                s.places[k][1] = sum.first_row - sum.bounds[1];
                found.push(sum);
            }
        } else {
            s.places[k][1] = s.places[parent as usize][1];
        }
    }
    s.ends.clear();
    s.ends.resize(rows as usize, [u16::MAX, 0]);
    let (cracks, labels, places, ends) = (s.cracks.as_chunks::<2>().0, &s.labels[..], &s.places[..], &mut s.ends[..]);
    for (y, row) in s.row_starts.windows(2).enumerate() {
        let row = row[0] as usize..row[1] as usize;
        for (run, label) in cracks[row.clone()].iter().zip(&labels[row]) {
            let [along, across] = places[*label as usize];
            // Runs come from left to right.
            let end = &mut ends[along as usize + y];
            *end = [end[0].min(run[0]), run[1]];
            if across != 0 {
                let end = &mut ends[across as usize + y];
                *end = [end[0].min(run[0]), run[1]];
            }
        }
    }
    Ok(())
}

/// Writes down the runs of set bits of all rows.
fn runs(map: &DarkMap, most: usize, s: &mut Scratch) -> Result<(), TooManyAreas> {
    let count = map.runs();
    if count > most {
        return Err(TooManyAreas);
    }
    // Room for eight more, as many as are written at once.
    s.cracks.clear();
    s.cracks.reserve_exact(2 * count + 8);
    s.cracks.resize(2 * count + 8, 0);
    s.labels.clear();
    s.labels.reserve_exact(count);
    s.labels.resize(count, 0);
    s.row_starts.clear();
    s.row_starts.push(0);
    let mut n = 0;
    for y in 0..map.height() {
        let mut before = 0u64;
        for (k, &word) in map.row(y).iter().enumerate() {
            // Set where a pixel differs from its left neighbour.
            let mut changes = word ^ ((word << 1) | before);
            before = word >> 63;
            if changes == 0 {
                continue;
            }
            let total = changes.count_ones() as usize;
            let mut done = 0;
            while done < total {
                // Always eight at a time, which no branch has to be guessed for; what is too much is written over.
                if let Some(eight) = s.cracks[n + done..].first_chunk_mut::<8>() {
                    for crack in eight {
                        *crack = (64 * k) as u16 + changes.trailing_zeros() as u16;
                        changes &= changes.wrapping_sub(1);
                    }
                }
                done += 8;
            }
            n += total;
        }
        if n % 2 != 0 {
            s.cracks[n] = map.width() as u16;
            n += 1;
        }
        s.row_starts.push((n / 2) as u32);
    }
    Ok(())
}

/// Gives every run of a row its label, joining those that it connects.
fn join_row(y: usize, s: &mut Scratch) {
    let Scratch { cracks, row_starts, labels, parents, sums, contacts: across, .. } = s;
    let begin = row_starts[y] as usize;
    let end = row_starts[y + 1] as usize;
    let above_begin = if y > 0 { row_starts[y - 1] as usize } else { begin };
    let cracks = cracks.as_chunks::<2>().0;
    let (above, here) = (&cracks[above_begin..begin], &cracks[begin..end]);
    let (labels_above, labels_here) = labels[above_begin..end].split_at_mut(begin - above_begin);
    let mut first = 0;
    for (&[from, to], own) in here.iter().zip(labels_here) {
        while first < above.len() && above[first][1] < from {
            first += 1;
        }
        let mut label = u32::MAX;
        let mut touches: [u32; 2] = [u32::MAX; 2];
        let mut contacts = 0;
        for (other, &other_label) in above[first..].iter().zip(&labels_above[first..]) {
            if other[0] > to {
                break;
            }
            if other[1] == from {
                touches[0] = other_label;
                continue;
            }
            if other[0] == to {
                touches[1] = other_label;
                continue;
            }
            contacts += 1;
            if other_label == label {
                // The same area again.
            } else if label == u32::MAX {
                label = root(parents, other_label);
            } else {
                let other = root(parents, other_label);
                if other != label {
                    label = join(parents, sums, label, other);
                }
            }
        }
        let (left, right, row) = (u32::from(from), u32::from(to), y as u32);
        if label == u32::MAX {
            label = parents.len() as u32;
            parents.push(label);
            sums.push(Component {
                bounds: [left, row, right, row + 1],
                start: left,
                area: right - left,
                runs: 1,
                contacts: 0,
                across_corners: false,
                first_row: 0,
            });
        } else {
            let sum = &mut sums[label as usize];
            sum.bounds[0] = sum.bounds[0].min(left);
            sum.bounds[2] = sum.bounds[2].max(right);
            sum.bounds[3] = row + 1;
            sum.area += right - left;
            sum.runs += 1;
            sum.contacts += contacts;
        }
        *own = label;
        for touched in touches {
            if touched != u32::MAX && root(parents, touched) != label {
                across.push([touched, label]);
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
    sum.contacts += other.contacts;
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
    fn holes_and_the_ends_of_rows() {
        let drawing = ["........", ".#####..", ".#...#..", ".#####..", "......#.", ".....#..", "........"];
        let (w, h) = (drawing[0].len() * 8, drawing.len() * 8);
        let dark = |i: usize| drawing[i / w / 8].as_bytes()[i % w / 8] == b'#';
        let data = (0..w * h).map(|i| if dark(i) { 0 } else { 200 }).collect();
        let (mut scratch, mut all) = (Scratch::default(), Vec::new());
        find(&dark_map(&Gray::new(w, h, data).unwrap(), 12), 1000, &mut scratch, &mut all).unwrap();
        let holes: Vec<_> = all.iter().map(|c| (c.across_corners, c.bounds, c.holes())).collect();
        assert_eq!(holes[..1], [(false, [8, 8, 48, 32], 1)]);
        assert!(holes[1..3].iter().all(|(across, _, holes)| !across && *holes == 0), "{holes:?}");
        assert_eq!((holes.len(), holes[3].0, holes[3].1), (4, true, [8, 8, 56, 48]));
        assert_eq!(scratch.ends(&all[0]), [[8, 48]; 24]);
        let ends: Vec<_> = scratch.ends(&all[3]).iter().step_by(8).copied().collect();
        assert_eq!(ends, [[8, 48], [8, 48], [8, 48], [48, 56], [40, 48]]);
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
