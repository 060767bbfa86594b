//! Second stage: which dark pixels hang together, and which of these areas may be a tag's.
//!
//! One pass over the rows joins runs of dark pixels with those of the row above and keeps a few sums of every area, so that texture and noise cost little: only
//! of areas whose sums allow a tag a second pass over the runs finds the outermost pixels of each row, which is all that their convex hull needs. Areas are taken twice,
//! hanging together along sides only (neighbours that touch at a corner stay apart) and across corners too (a thin slanted border breaks into such steps).

use crate::tags::threshold::DarkMap;
use crate::tags::widest::widest;

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
    /// Runs of the row above and of the row itself that touch at a corner only.
    touches: Vec<[u32; 2]>,
}

impl Scratch {
    /// Bytes of memory held.
    pub fn bytes(&self) -> usize {
        self.cracks.capacity() * size_of::<u16>()
            + (self.row_starts.capacity() + self.labels.capacity() + self.parents.capacity()) * size_of::<u32>()
            + self.sums.capacity() * size_of::<Component>()
            + (self.contacts.capacity() + self.places.capacity() + self.touches.capacity()) * size_of::<[u32; 2]>()
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
    widest(
        #[inline(always)]
        || runs(map, 4 * most, s),
    )?;
    widest(
        #[inline(always)]
        || {
            for y in 0..map.height() {
                join_row(map, y, s);
                if s.parents.len() > most || s.contacts.len() > most {
                    return Err(TooManyAreas);
                }
            }
            Ok(())
        },
    )?;
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
        let (cracks, labels) = (&cracks[row.clone()], &labels[row]);
        // Runs come from left to right: the last one written, going either way, is the outermost. So nothing waits for what stood there.
        for ((run, label), (first, first_label)) in cracks.iter().zip(labels).zip(cracks.iter().zip(labels).rev()) {
            let [along, across] = places[*label as usize];
            ends[along as usize + y][1] = run[1];
            ends[across as usize + y][1] = run[1];
            let [along, across] = places[*first_label as usize];
            ends[along as usize + y][0] = first[0];
            ends[across as usize + y][0] = first[0];
        }
    }
    Ok(())
}

/// Writes down the runs of set bits of all rows.
#[inline(always)]
fn runs(map: &DarkMap, most: usize, s: &mut Scratch) -> Result<(), TooManyAreas> {
    let count = map.runs();
    if count > most {
        return Err(TooManyAreas);
    }
    // Room for eight more, as many as are written at once.
    at_least(&mut s.cracks, 2 * count + 8);
    at_least(&mut s.labels, count);
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
                        // What comes after the last change, in a row of nearly 65536 pixels, goes round.
                        *crack = ((64 * k) as u16).wrapping_add(changes.trailing_zeros() as u16);
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

/// Makes a list as long as that, if it is shorter; what stands in it is written over.
fn at_least<T: Clone + Default>(list: &mut Vec<T>, length: usize) {
    if list.len() < length {
        list.reserve_exact(length - list.len());
        list.resize(length, T::default());
    }
}

/// Gives every run of a row its label, joining those that it connects.
///
/// Which runs touch is read off the bits, a word at a time: no processor guesses where the next run of a texture begins. A run's number is how many have begun up to it.
#[inline(always)]
fn join_row(map: &DarkMap, y: usize, s: &mut Scratch) {
    let Scratch { cracks, row_starts, labels, parents, sums, contacts: across, touches, .. } = s;
    let begin = row_starts[y] as usize;
    let end = row_starts[y + 1] as usize;
    let above_begin = if y > 0 { row_starts[y - 1] as usize } else { begin };
    let cracks = &cracks.as_chunks::<2>().0[begin..end];
    let (labels_above, labels_here) = labels[above_begin..end].split_at_mut(begin - above_begin);
    labels_here.fill(NO_LABEL);
    touches.clear();
    let mut here = Begun::default();
    let mut above = Begun::default();
    let mut before = 0u64;
    for (&word, &word_above) in map.row(y).iter().zip(map.row_above(y)) {
        let (here_left, above_left) = (here.next(word), above.next(word_above));
        // Two runs have one stretch of columns in common, or none.
        let both = word & word_above;
        let mut stretches = both & !((both << 1) | before);
        before = both >> 63;
        while stretches != 0 {
            let (own, other) = (&mut labels_here[here.number(stretches)], labels_above[above.number(stretches)]);
            stretches &= stretches - 1;
            if *own == NO_LABEL {
                *own = root(parents, other);
            } else if *own != other {
                let (a, b) = (root(parents, *own), root(parents, other));
                *own = if a == b { a } else { join(parents, sums, a, b) };
            }
            sums[*own as usize].contacts += 1;
        }
        // Where one begins just behind the end of another.
        let mut corners = (here.begins & above_left & !word_above) | (above.begins & here_left & !word);
        while corners != 0 {
            touches.push([above.number(corners) as u32, here.number(corners) as u32]);
            corners &= corners - 1;
        }
    }
    let row = y as u32;
    for (&[from, to], own) in cracks.iter().zip(&mut *labels_here) {
        let (left, right) = (u32::from(from), u32::from(to));
        if *own == NO_LABEL {
            *own = parents.len() as u32;
            parents.push(*own);
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
            let label = root(parents, *own);
            *own = label;
            let sum = &mut sums[label as usize];
            sum.bounds[0] = sum.bounds[0].min(left);
            sum.bounds[2] = sum.bounds[2].max(right);
            sum.bounds[3] = row + 1;
            sum.area += right - left;
            sum.runs += 1;
        }
    }
    for &[touched, own] in &*touches {
        let (touched, own) = (labels_above[touched as usize], labels_here[own as usize]);
        if root(parents, touched) != own {
            across.push([touched, own]);
        }
    }
}

/// A run without a label yet.
const NO_LABEL: u32 = u32::MAX;

/// The runs of a row that have begun up to a word.
#[derive(Default)]
struct Begun {
    /// How many began in the words before.
    earlier: usize,
    /// Where some begin in this word.
    begins: u64,
    /// Whether the last pixel of this word is dark.
    last: u64,
}

impl Begun {
    /// Goes on to the next word; gives the word moved up by a pixel: set where the left neighbour is dark.
    #[inline(always)]
    fn next(&mut self, word: u64) -> u64 {
        self.earlier += self.begins.count_ones() as usize;
        let left = (word << 1) | self.last;
        self.last = word >> 63;
        self.begins = word & !left;
        left
    }

    /// The number of the last run that has begun up to the lowest set bit of a word.
    #[inline(always)]
    fn number(&self, bits: u64) -> usize {
        (self.earlier + (self.begins & (bits ^ (bits - 1))).count_ones() as usize).wrapping_sub(1)
    }
}

/// The first label of what a label belongs to.
#[inline(always)]
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

    /// Areas of drawn blots against a flood from pixel to pixel, along sides and across corners.
    #[test]
    fn areas_of_blots_are_those_of_a_flood() {
        let (w, h, mut seed) = (203, 90, 48271u64);
        let mut draw = || {
            seed = seed * 48271 % 0x7fff_ffff;
            seed >> 16 & 7
        };
        let blots: Vec<bool> = (0..w * h).map(|_| draw() < 3).collect();
        let data = (0..w * h).map(|i| if blots[(i / w / 2) * w + i % w / 3] { 30 } else { 200 }).collect();
        let map = dark_map(&Gray::new(w, h, data).unwrap(), 12);
        let (mut scratch, mut all) = (Scratch::default(), Vec::new());
        find(&map, 100_000, &mut scratch, &mut all).unwrap();
        let dark = |x: usize, y: usize| map.is_dark(x as i32, y as i32);
        let flood = |start: (usize, usize), across: bool| {
            let mut seen = std::collections::BTreeSet::from([start]);
            let mut open = vec![start];
            while let Some((x, y)) = open.pop() {
                for (dx, dy) in [(1i32, 0i32), (-1, 0), (0, 1), (0, -1), (1, 1), (1, -1), (-1, 1), (-1, -1)] {
                    let next = ((x as i32 + dx) as usize, (y as i32 + dy) as usize);
                    let joined = across || dx == 0 || dy == 0;
                    if joined && next.0 < w && next.1 < h && dark(next.0, next.1) && seen.insert(next) {
                        open.push(next);
                    }
                }
            }
            seen
        };
        let mut counts = [0, 0];
        for c in &all {
            let [left, top, right, bottom] = c.bounds.map(|b| b as usize);
            let seen = flood((c.start as usize, top), c.across_corners);
            let row = |y: usize| seen.iter().filter(|p| p.1 == y).map(|p| p.0 as u16).collect::<Vec<_>>();
            let ends: Vec<[u16; 2]> = (top..bottom).map(row).map(|r| [r[0], r[r.len() - 1] + 1]).collect();
            assert_eq!(scratch.ends(c), ends, "{c:?}");
            assert_eq!((seen.len(), seen.iter().map(|p| p.0).min()), (c.area as usize, Some(left)), "{c:?}");
            assert_eq!(seen.iter().map(|p| p.0 + 1).max(), Some(right), "{c:?}");
            let begins = seen.iter().filter(|(x, y)| *x == 0 || !dark(x - 1, *y)).count();
            let contacts = seen
                .iter()
                .filter(|(x, y)| *y > 0 && dark(*x, y - 1) && !(*x > 0 && dark(x - 1, *y) && dark(x - 1, y - 1)));
            assert_eq!((begins, contacts.count()), (c.runs as usize, c.contacts as usize), "{c:?}");
            counts[usize::from(c.across_corners)] += 1;
        }
        assert!(counts[0] > 20 && counts[1] > 3, "{counts:?}");
        // Nothing that is large enough is left out.
        let mut left: std::collections::BTreeSet<(usize, usize)> =
            (0..w * h).map(|i| (i % w, i / w)).filter(|(x, y)| dark(*x, *y)).collect();
        let mut large = 0;
        while let Some(start) = left.first().copied() {
            let seen = flood(start, false);
            let extent = |axis: fn(&(usize, usize)) -> usize| {
                seen.iter().map(axis).max().unwrap_or(0) + 1 - seen.iter().map(axis).min().unwrap_or(0)
            };
            let (wide, high) = (extent(|p| p.0), extent(|p| p.1));
            let runs = seen.iter().filter(|(x, y)| *x == 0 || !dark(x - 1, *y)).count();
            let enough = seen.len() >= LEAST_AREA as usize && wide.min(high) >= 4 && wide.max(high) >= 7;
            large += usize::from(enough && runs <= 6 * high);
            left.retain(|p| !seen.contains(p));
        }
        assert_eq!(large, counts[0]);
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
