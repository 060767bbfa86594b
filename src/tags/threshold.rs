//! First stage: which pixels are dark against their surroundings.
//!
//! The image is cut into tiles of 4 × 4 pixels. A tile's threshold is the middle between the darkest and the brightest value in it and its
//! eight neighbours; where those differ too little the area is flat and nothing in it counts as dark. This bounds the later work to the
//! image's structure without ever halving its resolution.
//!
//! Too little is: less than asked for; less than a printed tag could have in such light; less than the picture's own noise reaches by chance. The noise
//! is read off the calmest tiles, so that a noisy picture costs hardly more than a clean one and is searched as deep as its noise allows.
//!
//! What is compared with the threshold is not the pixel but twice the pixel less the mean of the four that are two pixels away: blur makes a
//! thin dark line between bright areas paler than the threshold (and a thin bright one darker), and this undoes it, while a long edge stays where it is.

use crate::raster::Gray;
use fearless_simd::{Level, Simd, SimdBase, SimdMask, dispatch, u8x32};

/// Side of a tile, pixels.
const TILE: usize = 4;

/// A one-bit image: set where the image is dark against its surroundings. A frame of clear bits lies around it.
#[derive(Clone, Debug, Default)]
pub struct DarkMap {
    width: usize,
    height: usize,
    /// Words of 64 pixels that a row needs.
    words_per_row: usize,
    /// Rows, with one before the first and one after the last; each is followed by a word that stays clear.
    bits: Vec<u64>,
}

impl DarkMap {
    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.width
    }

    /// Height in pixels.
    pub fn height(&self) -> usize {
        self.height
    }

    /// Bytes of memory held.
    pub fn bytes(&self) -> usize {
        self.bits.capacity() * size_of::<u64>()
    }

    /// One row of bits: bit `x % 64` of word `x / 64`.
    pub fn row(&self, y: usize) -> &[u64] {
        let start = self.start(y);
        &self.bits[start..start + self.words_per_row]
    }

    /// The row above one, without a dark pixel above the first.
    pub fn row_above(&self, y: usize) -> &[u64] {
        let start = self.start(y) - (self.words_per_row + 1);
        &self.bits[start..start + self.words_per_row]
    }

    /// Number of runs of set bits in all rows.
    #[inline(always)]
    pub fn runs(&self) -> usize {
        // The word between two rows is clear: a run that goes on to the end of a row ends there.
        let mut before = 0u64;
        let mut runs = 0;
        for &word in &self.bits {
            runs += (word & !((word << 1) | before)).count_ones() as usize;
            before = word >> 63;
        }
        runs
    }

    /// Index of a row's first word.
    fn start(&self, y: usize) -> usize {
        (y + 1) * (self.words_per_row + 1)
    }

    fn row_mut(&mut self, y: usize) -> &mut [u64] {
        let start = self.start(y);
        &mut self.bits[start..start + self.words_per_row]
    }

    /// Becomes an empty map of a size.
    fn clear(&mut self, width: usize, height: usize) {
        (self.width, self.height, self.words_per_row) = (width, height, width.div_ceil(64));
        self.bits.clear();
        self.bits.resize((height + 2) * (self.words_per_row + 1), 0);
    }

    /// Whether a pixel is dark; one step outside the image nothing is. Further outside the answer means nothing.
    #[inline]
    pub fn is_dark(&self, x: i32, y: i32) -> bool {
        // Left of a row is the clear word behind the row above.
        let word = (y + 1) as isize * (self.words_per_row as isize + 1) + (x >> 6) as isize;
        self.bits.get(word as usize).is_some_and(|bits| (bits >> (x & 63)) & 1 != 0)
    }
}

/// Working memory of [`fill`], kept from image to image.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    low: Vec<u8>,
    high: Vec<u8>,
    column: Vec<u8>,
    row_low: Vec<u8>,
    row_high: Vec<u8>,
    row_thresholds: Vec<u8>,
    thresholds: Vec<u8>,
    busy: Vec<bool>,
    rows: [Vec<u64>; 2],
}

impl Scratch {
    /// Bytes of memory held.
    pub fn bytes(&self) -> usize {
        let lists = [
            &self.low,
            &self.high,
            &self.column,
            &self.row_low,
            &self.row_high,
            &self.row_thresholds,
            &self.thresholds,
        ];
        lists.iter().map(|list| list.capacity()).sum::<usize>()
            + self.busy.capacity()
            + self.rows.iter().map(|row| row.capacity() * size_of::<u64>()).sum::<usize>()
    }
}

/// Marks the dark pixels of an image.
///
/// `least_contrast`: grey values by which a neighbourhood must vary to count as structure.
pub fn dark_map(image: &Gray, least_contrast: u8) -> DarkMap {
    let mut map = DarkMap::default();
    fill(&mut map, image, least_contrast, &mut Scratch::default());
    map
}

/// The same into an existing map.
pub fn fill(map: &mut DarkMap, image: &Gray, least_contrast: u8, s: &mut Scratch) {
    dispatch!(Level::new(), simd => fill_map(simd, map, image, least_contrast, s));
}

#[inline(always)]
fn fill_map<S: Simd>(simd: S, map: &mut DarkMap, image: &Gray, least_contrast: u8, s: &mut Scratch) {
    let (width, height) = (image.width(), image.height());
    let words_per_row = width.div_ceil(64);
    map.clear(width, height);
    let (tiles_x, tiles_y) = (width / TILE, height / TILE);
    if tiles_x < 2 || tiles_y < 2 {
        return; // No tag of 8 cells fits.
    }
    tile_extremes(image, tiles_x, tiles_y, s);
    let least_contrast = least_contrast.max(over_noise(&s.low, &s.high));
    // Rows of tiles with one more at each end.
    s.row_low.resize(tiles_x + 2, 0);
    s.row_high.resize(tiles_x + 2, 0);
    s.row_thresholds.resize(tiles_x, 0);
    s.thresholds.clear();
    s.thresholds.resize(words_per_row * 64, 0);
    s.busy.resize(words_per_row, false);
    for tile_y in 0..tiles_y {
        let rows = [tile_y.saturating_sub(1), tile_y, (tile_y + 1).min(tiles_y - 1)];
        combine_rows(rows.map(|r| &s.low[r * tiles_x..(r + 1) * tiles_x]), u8::min, &mut s.row_low);
        combine_rows(rows.map(|r| &s.high[r * tiles_x..(r + 1) * tiles_x]), u8::max, &mut s.row_high);
        tile_thresholds(&s.row_low, &s.row_high, least_contrast, &mut s.row_thresholds);
        for (four, &threshold) in s.thresholds.as_chunks_mut::<TILE>().0.iter_mut().zip(&s.row_thresholds) {
            *four = [threshold; TILE];
        }
        s.thresholds[tiles_x * TILE..width].fill(s.row_thresholds[tiles_x - 1]);
        for (busy, tiles) in s.busy.iter_mut().zip(s.row_thresholds.chunks(64 / TILE)) {
            *busy = tiles.iter().any(|&t| t != 0);
        }
        // A last word of less than a tile.
        if let (true, Some(last)) = (words_per_row * 64 - 64 >= tiles_x * TILE, s.busy.last_mut()) {
            *last = s.row_thresholds[tiles_x - 1] != 0;
        }
        let end = if tile_y + 1 == tiles_y { height } else { (tile_y + 1) * TILE };
        for y in tile_y * TILE..end {
            mark_row(simd, image, y, &s.thresholds, &s.busy, map.row_mut(y));
        }
    }
    clear_specks(map, &mut s.rows);
}

/// Combines three rows of tiles into one, whose ends are repeated.
#[inline(always)]
fn combine_rows(rows: [&[u8]; 3], pick: impl Fn(u8, u8) -> u8, out: &mut [u8]) {
    let [a, b, c] = rows;
    let n = out.len() - 2;
    for (((out, &a), &b), &c) in out[1..=n].iter_mut().zip(a).zip(b).zip(c) {
        *out = pick(pick(a, b), c);
    }
    out[0] = out[1];
    out[n + 1] = out[n];
}

/// The threshold of every tile of a row from the extremes above, at and below it; 0 where it is flat.
#[inline(always)]
fn tile_thresholds(low: &[u8], high: &[u8], least_contrast: u8, thresholds: &mut [u8]) {
    let n = thresholds.len();
    let (l0, l1, l2) = (&low[..n], &low[1..=n], &low[2..n + 2]);
    let (h0, h1, h2) = (&high[..n], &high[1..=n], &high[2..n + 2]);
    for k in 0..n {
        let lowest = l0[k].min(l1[k]).min(l2[k]);
        let highest = h0[k].max(h1[k]).max(h2[k]);
        // A threshold is above the darkest value and so never 0.
        let structured = highest - lowest >= least_contrast.max(least_of_print(highest));
        thresholds[k] = if structured { middle(lowest, highest) } else { 0 };
    }
}

/// Fewest tiles among which the calmest tell of noise: in a small picture all of them may lie on a tag, and it is searched quickly enough anyway.
const NOISE_TILES: usize = 4000;

/// The part of the tiles that is calmer than the one whose range counts.
const CALMEST: f64 = 0.05;

/// By what the range of that tile is exceeded in the noise of a neighbourhood of nine tiles, nearly nowhere.
///
/// For normal noise of standard deviation σ the range of 16 values is 3.53 σ on average with a standard deviation of 0.75 σ (Tippett 1925), so the calmest
/// twentieth has less than 2.3 σ; 144 values, one neighbourhood, span more than 7 σ once in a hundred times. A tag with less contrast than that could not be read: see
/// what the comparison below does to noise.
const OVER_NOISE: f64 = 3.2;

/// Most that noise may ask for, grey values.
const MOST_OVER_NOISE: f64 = 96.0;

/// The contrast that the picture's noise asks for, from the extremes of its tiles.
#[inline(always)]
fn over_noise(low: &[u8], high: &[u8]) -> u8 {
    if low.len() < NOISE_TILES {
        return 0;
    }
    // A fifth of the tiles is plenty; 5 has no factor in common with usual numbers of tiles in a row.
    let mut counts = [0usize; 256];
    for (low, high) in low.iter().zip(high).step_by(5) {
        counts[usize::from(high - low)] += 1;
    }
    let mut left = (CALMEST * counts.iter().sum::<usize>() as f64) as usize;
    let calm = counts.iter().position(|&n| {
        let here = left < n;
        left = left.saturating_sub(n);
        here
    });
    (OVER_NOISE * calm.unwrap_or(0) as f64).min(MOST_OVER_NOISE) as u8
}

/// The least contrast of a print whose surroundings have grey values up to `highest`: three sixteenths of that.
///
/// Toner on paper reflects less than a tenth of what the paper does, and its coded grey value is less than four tenths of the paper's. Haze, glare and blur
/// take from that; below three sixteenths there was no readable tag among our photographs (the least was a quarter). Common practice, no source.
#[inline(always)]
fn least_of_print(highest: u8) -> u8 {
    (highest >> 3) + (highest >> 4)
}

/// Darkest and brightest value of every whole tile; the pixels right of and below the last whole tile belong to no extreme.
#[inline(always)]
fn tile_extremes(image: &Gray, tiles_x: usize, tiles_y: usize, s: &mut Scratch) {
    let used = tiles_x * TILE;
    s.low.resize(tiles_x * tiles_y, 0);
    s.high.resize(tiles_x * tiles_y, 0);
    s.column.resize(used, 0);
    for tile_y in 0..tiles_y {
        let y = tile_y * TILE;
        let [a, b, c, d] = [0, 1, 2, 3].map(|k| &image.row(y + k)[..used]);
        let tiles = tile_y * tiles_x..(tile_y + 1) * tiles_x;
        tile_row([a, b, c, d], u8::min, &mut s.column, &mut s.low[tiles.clone()]);
        tile_row([a, b, c, d], u8::max, &mut s.column, &mut s.high[tiles]);
    }
}

/// Combines the pixels of each tile of a row of tiles.
#[inline(always)]
fn tile_row(rows: [&[u8]; TILE], pick: impl Fn(u8, u8) -> u8, column: &mut [u8], tiles: &mut [u8]) {
    // Written as plain passes over whole rows, which the compiler turns into vector instructions.
    let [a, b, c, d] = rows;
    for ((((out, &a), &b), &c), &d) in column.iter_mut().zip(a).zip(b).zip(c).zip(d) {
        *out = pick(pick(a, b), pick(c, d));
    }
    let n = column.len() - 3;
    for k in 0..n {
        column[k] = pick(pick(column[k], column[k + 1]), pick(column[k + 2], column[k + 3]));
    }
    for (tile, four) in tiles.iter_mut().zip(column.as_chunks::<TILE>().0) {
        *tile = four[0];
    }
}

/// The middle of two grey values, rounded up.
#[inline(always)]
fn middle(a: u8, b: u8) -> u8 {
    ((u16::from(a) + u16::from(b) + 1) >> 1) as u8
}

/// Sets the bits of one row, 64 pixels at a time and only where something varies.
#[inline(always)]
fn mark_row<S: Simd>(simd: S, image: &Gray, y: usize, thresholds: &[u8], busy: &[bool], bits: &mut [u64]) {
    let width = image.width();
    let row = image.row(y);
    let (above, below) = (image.row(y.saturating_sub(2)), image.row((y + 2).min(image.height() - 1)));
    for (k, word) in bits.iter_mut().enumerate() {
        if !busy[k] {
            continue;
        }
        let from = 64 * k;
        let Some(thresholds) = thresholds[from..].first_chunk() else { continue };
        // The row's pixels with two more at each end.
        let around = row.get(from.wrapping_sub(2)..).and_then(|row| row.first_chunk::<68>());
        *word = match (around, above[from..].first_chunk(), below[from..].first_chunk()) {
            (Some(pixels), Some(above), Some(below)) => dark_word(simd, pixels, above, below, thresholds),
            _ => {
                // Repeated where the image ends.
                let pixels = std::array::from_fn(|i| row[(from + i).saturating_sub(2).min(width - 1)]);
                let part = |row: &[u8]| std::array::from_fn(|i| row.get(from + i).copied().unwrap_or(0));
                dark_word(simd, &pixels, &part(above), &part(below), thresholds)
                    & (!0 >> (from + 64).saturating_sub(width))
            }
        };
    }
}

/// Which of 64 pixels are dark: a pixel's value is `pixels[2 + x]`.
#[inline(always)]
fn dark_word<S: Simd>(simd: S, pixels: &[u8; 68], above: &[u8; 64], below: &[u8; 64], thresholds: &[u8; 64]) -> u64 {
    let mut flags = [0u8; 64];
    for x in 0..64 {
        let around = middle(middle(pixels[x], pixels[x + 4]), middle(above[x], below[x]));
        // 2 p - around < threshold.
        let dark = pixels[x + 2] < middle(thresholds[x], around);
        flags[x] = if dark && thresholds[x] != 0 { 255 } else { 0 };
    }
    let bits = |flags: &[u8]| u8x32::from_slice(simd, flags).simd_eq(255).to_bitmask();
    bits(&flags[..32]) | bits(&flags[32..]) << 32
}

/// Takes away dark pixels that no other touches even at a corner, and fills bright ones that are shut in along all four sides.
#[inline(always)]
fn clear_specks(map: &mut DarkMap, rows: &mut [Vec<u64>; 2]) {
    let n = map.words_per_row;
    let [above, here] = rows;
    above.clear();
    above.resize(n, 0);
    for y in 0..map.height {
        here.clear();
        here.extend_from_slice(map.row(y));
        let (upto, after) = map.bits.split_at_mut((y + 2) * (n + 1));
        let row = &mut upto[(y + 1) * (n + 1)..][..n];
        let below = &after[..n];
        for k in 0..n {
            // A word with its neighbours to the left and right of every bit.
            let shifted = |words: &[u64]| {
                let left = (words[k] << 1) | if k > 0 { words[k - 1] >> 63 } else { 0 };
                let right = (words[k] >> 1) | if k + 1 < n { words[k + 1] << 63 } else { 0 };
                (left, words[k], right)
            };
            let (a, b) = (shifted(above), shifted(below));
            let (left, this, right) = shifted(here);
            let touching = a.0 | a.1 | a.2 | b.0 | b.1 | b.2 | left | right;
            row[k] = (this & touching) | (left & right & a.1 & b.1);
        }
        std::mem::swap(above, here);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dark_square_is_dark_and_flat_areas_are_not() {
        let (w, h) = (131, 57);
        let mut image = Gray::filled(w, h, 200);
        for y in 20..40 {
            for x in 60..80 {
                image.data_mut()[y * w + x] = 50;
            }
        }
        let map = dark_map(&image, 12);
        for y in 0..h {
            for x in 0..w {
                let inside = (20..40).contains(&y) && (60..80).contains(&x);
                // More than a tile inside the square the image is flat again, and nothing counts as dark there.
                let deep_inside = (24..36).contains(&y) && (64..76).contains(&x);
                if !deep_inside {
                    assert_eq!(map.is_dark(x as i32, y as i32), inside, "{x} {y}");
                }
            }
        }
        assert!(map.is_dark(60, 20) && map.is_dark(79, 39) && !map.is_dark(59, 20) && !map.is_dark(80, 39));
        assert!(!map.is_dark(-1, 20) && !map.is_dark(0, h as i32));
    }

    /// Dark pixels of a map.
    fn count(map: &DarkMap) -> u32 {
        (0..map.height()).flat_map(|y| map.row(y)).map(|word| word.count_ones()).sum()
    }

    #[test]
    fn noise_is_no_structure_and_a_square_in_it_is() {
        // A sum of four even draws: close to normal, with a standard deviation of 10.4.
        let (w, h, mut seed) = (400, 320, 48271u64);
        let mut draw = || {
            seed = seed * 48271 % 0x7fff_ffff;
            (seed >> 8) as f64 % 19.0 - 9.0
        };
        let mut image = Gray::filled(w, h, 0);
        for value in image.data_mut() {
            *value = (150.0 + draw() + draw() + draw() + draw()) as u8;
        }
        let share = |map: &DarkMap| f64::from(count(map)) / (w * h) as f64;
        assert!(share(&dark_map(&image, 16)) < 0.02, "{}", share(&dark_map(&image, 16)));
        for y in 100..160 {
            for value in &mut image.data_mut()[y * w + 100..y * w + 160] {
                *value -= 110;
            }
        }
        let map = dark_map(&image, 16);
        let along = (105..155).filter(|&x| map.is_dark(x, 102)).count();
        assert!(along > 40, "{along} of 50 pixels along the square's side");
        // In a small picture the calmest tiles may be the tag's: nothing is concluded from them.
        assert_eq!(over_noise(&[0; 300], &[200; 300]), 0);
    }

    #[test]
    fn what_shows_less_than_a_print_would_is_flat() {
        let step = |dark: u8, bright: u8| {
            let data = (0..64 * 64).map(|i| if i % 64 < 32 { dark } else { bright }).collect();
            count(&dark_map(&Gray::new(64, 64, data).unwrap(), 16))
        };
        assert!(step(60, 85) > 0 && step(150, 225) > 0);
        assert_eq!((step(200, 225), step(60, 75)), (0, 0));
    }

    #[test]
    fn odd_sizes_are_covered_to_the_last_pixel() {
        for (w, h) in [(8, 8), (9, 11), (64, 8), (65, 13), (127, 10)] {
            let mut image = Gray::filled(w, h, 220);
            image.data_mut()[w * h - 1] = 10;
            image.data_mut()[(h - 1) * w - 2 + w] = 10;
            let map = dark_map(&image, 12);
            let inside_whole_tiles = w % 4 == 0 && h % 4 == 0;
            assert_eq!(map.is_dark(w as i32 - 1, h as i32 - 1), inside_whole_tiles, "{w} {h}");
            assert_eq!(map.row(h - 1).len(), w.div_ceil(64));
        }
        assert_eq!(dark_map(&Gray::filled(1, 1, 0), 12).row(0), &[0]);
    }
}
