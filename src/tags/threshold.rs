//! First stage: which pixels are dark against their surroundings.
//!
//! The image is cut into tiles of 4 × 4 pixels. A tile's threshold is the middle between the darkest and the brightest value in it and its
//! eight neighbours; where those differ too little the area is flat and nothing in it counts as dark. This bounds the later work to the
//! image's structure without ever halving its resolution.

use crate::raster::Gray;

/// Side of a tile, pixels.
const TILE: usize = 4;

/// A one-bit image: set where the image is dark against its surroundings.
#[derive(Clone, Debug)]
pub struct DarkMap {
    width: usize,
    height: usize,
    words_per_row: usize,
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

    /// Words of 64 pixels per row; bit `x % 64` of word `x / 64`.
    pub fn words_per_row(&self) -> usize {
        self.words_per_row
    }

    /// One row of bits.
    pub fn row(&self, y: usize) -> &[u64] {
        &self.bits[y * self.words_per_row..(y + 1) * self.words_per_row]
    }

    /// Whether a pixel is dark; what lies outside the image is not.
    #[inline]
    pub fn is_dark(&self, x: i32, y: i32) -> bool {
        let (x, y) = (x as usize, y as usize); // negative values become huge ones
        x < self.width && y < self.height && (self.bits[y * self.words_per_row + (x >> 6)] >> (x & 63)) & 1 != 0
    }
}

/// Marks the dark pixels of an image.
///
/// `least_contrast`: grey values by which a neighbourhood must vary to count as structure.
pub fn dark_map(image: &Gray, least_contrast: u8) -> DarkMap {
    let (width, height) = (image.width(), image.height());
    let words_per_row = width.div_ceil(64);
    let mut map = DarkMap { width, height, words_per_row, bits: vec![0; words_per_row * height] };
    let (tiles_x, tiles_y) = (width / TILE, height / TILE);
    if tiles_x < 2 || tiles_y < 2 {
        return map; // No tag of 8 cells fits.
    }
    let (low, high) = tile_extremes(image, tiles_x, tiles_y);
    let mut row_low = vec![0u8; tiles_x];
    let mut row_high = vec![0u8; tiles_x];
    let mut thresholds = vec![0u8; words_per_row * 64];
    for tile_y in 0..tiles_y {
        let rows = tile_y.saturating_sub(1)..=(tile_y + 1).min(tiles_y - 1);
        row_low.fill(u8::MAX);
        row_high.fill(0);
        for neighbour in rows {
            for (a, &b) in row_low.iter_mut().zip(&low[neighbour * tiles_x..(neighbour + 1) * tiles_x]) {
                *a = (*a).min(b);
            }
            for (a, &b) in row_high.iter_mut().zip(&high[neighbour * tiles_x..(neighbour + 1) * tiles_x]) {
                *a = (*a).max(b);
            }
        }
        let mut structured = false;
        for tile_x in 0..tiles_x {
            let (left, right) = (tile_x.saturating_sub(1), (tile_x + 1).min(tiles_x - 1));
            let lowest = row_low[left].min(row_low[tile_x]).min(row_low[right]);
            let highest = row_high[left].max(row_high[tile_x]).max(row_high[right]);
            // A pixel is dark below the threshold; below 0 there is none.
            let threshold = if highest - lowest < least_contrast { 0 } else { lowest + (highest - lowest).div_ceil(2) };
            structured |= threshold != 0;
            let end = if tile_x + 1 == tiles_x { width } else { (tile_x + 1) * TILE };
            thresholds[tile_x * TILE..end].fill(threshold);
        }
        if !structured {
            continue;
        }
        let end = if tile_y + 1 == tiles_y { height } else { (tile_y + 1) * TILE };
        for y in tile_y * TILE..end {
            let bits = &mut map.bits[y * words_per_row..(y + 1) * words_per_row];
            mark_row(image.row(y), &thresholds, bits);
        }
    }
    map
}

/// Darkest and brightest value of every whole tile; the pixels right of and below the last whole tile belong to no extreme.
fn tile_extremes(image: &Gray, tiles_x: usize, tiles_y: usize) -> (Vec<u8>, Vec<u8>) {
    let used = tiles_x * TILE;
    let mut low = vec![0u8; tiles_x * tiles_y];
    let mut high = vec![0u8; tiles_x * tiles_y];
    let mut column_low = vec![0u8; used];
    let mut column_high = vec![0u8; used];
    for tile_y in 0..tiles_y {
        let y = tile_y * TILE;
        let [a, b, c, d] = [0, 1, 2, 3].map(|k| &image.row(y + k)[..used]);
        for x in 0..used {
            column_low[x] = a[x].min(b[x]).min(c[x].min(d[x]));
            column_high[x] = a[x].max(b[x]).max(c[x].max(d[x]));
        }
        let tiles = tile_y * tiles_x..(tile_y + 1) * tiles_x;
        for (tile, four) in low[tiles.clone()].iter_mut().zip(column_low.chunks_exact(TILE)) {
            *tile = four[0].min(four[1]).min(four[2].min(four[3]));
        }
        for (tile, four) in high[tiles].iter_mut().zip(column_high.chunks_exact(TILE)) {
            *tile = four[0].max(four[1]).max(four[2].max(four[3]));
        }
    }
    (low, high)
}

/// Sets the bits of one row: pixel below threshold.
fn mark_row(pixels: &[u8], thresholds: &[u8], bits: &mut [u64]) {
    for ((word, pixels), thresholds) in bits.iter_mut().zip(pixels.chunks(64)).zip(thresholds.chunks_exact(64)) {
        let mut flags = [0u8; 64];
        for ((flag, &pixel), &threshold) in flags.iter_mut().zip(pixels).zip(thresholds) {
            *flag = u8::from(pixel < threshold);
        }
        let mut packed = 0u64;
        for (k, eight) in flags.as_chunks::<8>().0.iter().enumerate() {
            // Gathers the lowest bit of eight bytes into one byte: every product bit that lands in the top byte comes from exactly one byte.
            let byte = u64::from_le_bytes(*eight).wrapping_mul(0x0102_0408_1020_4080) >> 56;
            packed |= byte << (8 * k);
        }
        *word = packed;
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
                // More than a tile inside the square the image is flat again, and either answer will do.
                let deep_inside = (24..36).contains(&y) && (64..76).contains(&x);
                if !deep_inside {
                    assert_eq!(map.is_dark(x as i32, y as i32), inside, "{x} {y}");
                }
            }
        }
        assert!(map.is_dark(60, 20) && map.is_dark(79, 39) && !map.is_dark(59, 20) && !map.is_dark(80, 39));
        assert!(!map.is_dark(-1, 20) && !map.is_dark(0, h as i32));
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
