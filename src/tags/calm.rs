//! A calmer picture for the search where noise breaks the dark areas apart: each pixel with its neighbours.
//!
//! Only the search reads it, the cells of a tag included; the corners are always fitted on the picture as it came. A cell of a tag that can be read has several pixels, and their
//! mean is told from its neighbour's long after single pixels are not.

use crate::raster::Gray;
use crate::tags::widest::widest;

/// Replaces every pixel by the mean of the 3 × 3 around it with the weights 1 2 1 both ways: a blur of 0.7 px, after which independent noise is 3/8 of what it was. The border
/// is repeated outwards.
pub fn smooth(image: &mut Gray) {
    let (width, height) = (image.width(), image.height());
    if width == 0 || height == 0 {
        return;
    }
    // Sums along the row above, along this one, along the one below.
    let mut sums = [vec![0u16; width], vec![0u16; width], vec![0u16; width]];
    along(image.row(0), &mut sums[1]);
    let [above, here, _] = &mut sums;
    above.copy_from_slice(here);
    for y in 0..height {
        let [above, here, below] = &mut sums;
        along(image.row((y + 1).min(height - 1)), below);
        let row = &mut image.data_mut()[y * width..(y + 1) * width];
        widest(
            #[inline(always)]
            || {
                for (((out, &a), &b), &c) in row.iter_mut().zip(above.iter()).zip(here.iter()).zip(below.iter()) {
                    *out = ((a + 2 * b + c + 8) >> 4) as u8;
                }
            },
        );
        sums.rotate_left(1);
    }
}

/// Weights 1 2 1 along a row.
fn along(row: &[u8], sums: &mut [u16]) {
    let n = row.len();
    let at = |x: usize| u16::from(row[x]);
    sums[0] = 3 * at(0) + at(1.min(n - 1));
    sums[n - 1] = 3 * at(n - 1) + at(n.saturating_sub(2));
    widest(
        #[inline(always)]
        || {
            for (sum, three) in sums[1..].iter_mut().zip(row.windows(3)) {
                *sum = u16::from(three[0]) + 2 * u16::from(three[1]) + u16::from(three[2]);
            }
        },
    );
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_the_mean_with_weights_one_two_one() {
        let (w, h) = (5, 4);
        let before = Gray::new(w, h, (0..20).map(|i| (i * 53 % 251) as u8).collect()).unwrap();
        let mut after = before.clone();
        smooth(&mut after);
        let at = |x: isize, y: isize| {
            f64::from(before.at(x.clamp(0, w as isize - 1) as usize, y.clamp(0, h as isize - 1) as usize))
        };
        for y in 0..h as isize {
            for x in 0..w as isize {
                let mut sum = 0.0;
                for (dy, v) in [(-1, 1.0), (0, 2.0), (1, 1.0)] {
                    for (dx, u) in [(-1, 1.0), (0, 2.0), (1, 1.0)] {
                        sum += u * v * at(x + dx, y + dy) / 16.0;
                    }
                }
                assert!((f64::from(after.at(x as usize, y as usize)) - sum).abs() <= 0.5, "{x} {y}");
            }
        }
        for (w, h) in [(1, 1), (1, 7), (7, 1), (2, 2)] {
            let mut even = Gray::filled(w, h, 77);
            smooth(&mut even);
            assert_eq!(even, Gray::filled(w, h, 77));
        }
    }
}
