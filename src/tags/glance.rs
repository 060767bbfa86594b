//! Fourth stage: a glance at a quadrilateral, a hundred single pixels, that sends most of what is no tag away before anything costly.
//!
//! Asked is only what every tag shows even where the corners are a pixel off: on all four sides the border is darker than what surrounds it, the
//! border is dark nearly all round, and inside there is some bright and some dark. All 587 codes have 10 to 25 bright cells of 36.

use crate::raster::Gray;
use crate::tags::homography::Homography;
use crate::tags::quads::Quad;

/// Fewest and most bright cells that are let through; the family's 10 to 25 and room for blur and misplaced samples.
const BRIGHT: std::ops::RangeInclusive<usize> = 4..=32;

/// Most of the 28 border samples that may look bright.
const MOST_BRIGHT_BORDER: usize = 8;

/// Whether a quadrilateral may be a tag's.
pub fn may_be_a_tag(image: &Gray, quad: &Quad, least_contrast: f32) -> bool {
    let Some(map) = Homography::from_corners(quad) else { return false };
    let pixel = |u: f64, v: f64| {
        let p = map.apply(u, v);
        // What lies outside the image is taken from its edge.
        let x = (p.x + 0.5).clamp(0.0, image.width() as f64 - 1.0) as usize;
        let y = (p.y + 0.5).clamp(0.0, image.height() as f64 - 1.0) as usize;
        f32::from(image.at(x, y))
    };
    // Sides: below, right, above, left of the tag. A point at `along`, `out` cells from the middle.
    let at = |side: usize, along: f64, out: f64| match side {
        0 => pixel(along, -out),
        1 => pixel(out, along),
        2 => pixel(along, out),
        _ => pixel(-out, along),
    };
    let mut border = [0f32; 28];
    let (mut dark, mut bright) = ([0f32; 4], [0f32; 4]);
    for side in 0..4 {
        for k in 0..7 {
            // Seven cells for each side: the corner cells belong to one side each.
            let value = at(side, k as f64 - 3.5, 3.5);
            border[7 * side + k] = value;
            dark[side] += value / 7.0;
            bright[side] += at(side, k as f64 - 3.0, 4.7) / 7.0;
        }
        // A side that is not brighter outside settles it; the step is asked for below.
        if bright[side] <= dark[side] {
            return false;
        }
    }
    let black = dark.iter().sum::<f32>() / 4.0;
    let step = bright.iter().sum::<f32>() / 4.0 - black;
    if step < 0.5 * least_contrast || (0..4).any(|s| bright[s] - dark[s] < 0.15 * step) {
        return false;
    }
    let is_bright = |value: f32| value > black + 0.5 * step;
    if border.iter().filter(|&&v| is_bright(v)).count() > MOST_BRIGHT_BORDER {
        return false;
    }
    let cells = (0..36).map(|k| pixel(f64::from(k % 6) - 2.5, f64::from(k / 6) - 2.5));
    BRIGHT.contains(&cells.filter(|&v| is_bright(v)).count())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tags::family::cells_of;
    use nalgebra::Vector2;

    /// A tag of 8 pixels a cell with its upper left corner at (20, 20), drawn without blur.
    fn drawn(cells: u64, dark: u8, bright: u8) -> Gray {
        let inside = |x: usize, y: usize| (20..84).contains(&x) && (20..84).contains(&y);
        let is_bright = |x: usize, y: usize| !inside(x, y) || (cells >> (8 * ((y - 20) / 8) + (x - 20) / 8)) & 1 != 0;
        let data = (0..104 * 104).map(|i| if is_bright(i % 104, i / 104) { bright } else { dark }).collect();
        Gray::new(104, 104, data).unwrap()
    }

    fn quad(shift: f64) -> Quad {
        [[19.5, 83.5], [83.5, 83.5], [83.5, 19.5], [19.5, 19.5]].map(|[x, y]| Vector2::new(x + shift, y))
    }

    #[test]
    fn every_tag_passes_and_what_is_none_does_not() {
        for id in 0..587 {
            let image = drawn(cells_of(id).unwrap(), 40, 160);
            assert!(may_be_a_tag(&image, &quad(0.0), 16.0) && may_be_a_tag(&image, &quad(2.0), 16.0), "{id}");
        }
        let tag = cells_of(7).unwrap();
        assert!(!may_be_a_tag(&drawn(tag, 40, 160), &quad(30.0), 16.0), "half beside the tag");
        assert!(!may_be_a_tag(&drawn(tag, 160, 40), &quad(0.0), 16.0), "black and white exchanged");
        assert!(!may_be_a_tag(&drawn(0, 40, 160), &quad(0.0), 16.0), "a black square");
        assert!(!may_be_a_tag(&drawn(tag, 40, 46), &quad(0.0), 16.0), "hardly any contrast");
        assert!(!may_be_a_tag(&drawn(!0, 40, 160), &quad(0.0), 16.0), "nothing");
    }
}
