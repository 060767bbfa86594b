//! The detector on tags drawn here: rendered in light over each pixel's area and blur, then coded. The drawing shares no code with the fit.

use nalgebra::Vector2;
use plumbsight::raster::{Gray, light_to_srgb};
use plumbsight::tags::homography::Homography;
use plumbsight::tags::{DetectOptions, Detector, detect, family};

const CORNERS: [[f64; 2]; 4] = [[31.3, 118.2], [109.6, 126.9], [121.4, 40.1], [38.2, 29.7]];

/// A view of a tag: light averaged over pixel and Gaussian blur by 21 × 21 samples, coded by `code`.
fn draw(id: u16, blur: f64, code: impl Fn(f64) -> f64) -> Gray {
    let (w, h) = (150, 150);
    let corners = CORNERS.map(|[x, y]| Vector2::new(x, y));
    let tag_from_pixel = Homography::from_corners(&corners).unwrap().inverse().unwrap();
    let cells = family::cells_of(id).unwrap();
    let taps: Vec<(f64, f64)> = (-10..=10)
        .map(|k| {
            let at = f64::from(k) / 10.0 * (3.5 * blur + 0.5);
            let weight: f64 =
                (0..40).map(|i| (-0.5 * ((at + (f64::from(i) + 0.5) / 40.0 - 0.5) / blur).powi(2)).exp()).sum();
            (at, weight)
        })
        .collect();
    let data = (0..w * h).map(|i| {
        let (mut sum, mut all) = (0.0, 0.0);
        for (dx, wx) in &taps {
            for (dy, wy) in &taps {
                let q = tag_from_pixel * Vector2::new((i % w) as f64 + dx, (i / w) as f64 + dy).push(1.0);
                let (column, row) = ((q.x / q.z + 4.0).floor(), (4.0 - q.y / q.z).floor());
                let outside = !(0.0..8.0).contains(&column) || !(0.0..8.0).contains(&row);
                let white = outside || (cells >> (8 * row as u32 + column as u32)) & 1 != 0;
                sum += wx * wy * if white { 0.7 } else { 0.05 };
                all += wx * wy;
            }
        }
        (255.0 * code(sum / all)).round() as u8
    });
    Gray::new(w, h, data.collect()).unwrap()
}

/// Mean outward offset of the border and largest corner error, px, over some tags.
fn errors(blur: f64, code: impl Fn(f64) -> f64 + Copy) -> (f64, f64) {
    let (mut outward, mut worst, ids) = (0.0, 0f64, [0, 77, 301, 586]);
    for id in ids {
        let found = detect(&draw(id, blur, code), &DetectOptions::default());
        assert_eq!(found.iter().map(|d| d.id).collect::<Vec<_>>(), [id]);
        let error: Vec<_> = (0..4).map(|k| found[0].corners[k] - Vector2::from(CORNERS[k])).collect();
        for s in 0..4 {
            let along = (Vector2::from(CORNERS[(s + 1) % 4]) - Vector2::from(CORNERS[s])).normalize();
            let out = Vector2::new(-along.y, along.x);
            outward += (error[s] + error[(s + 1) % 4]).dot(&out) / 2.0 / (4 * ids.len()) as f64;
            worst = worst.max(error[s].norm());
        }
    }
    (outward, worst)
}

#[test]
fn borders_are_where_they_were_drawn_at_every_blur() {
    for blur in [0.4, 0.8, 1.4] {
        let (outward, worst) = errors(blur, light_to_srgb);
        println!("srgb blur {blur}: outward {outward:+.4} px, worst corner {worst:.4} px");
        assert!(outward.abs() < 0.01 && worst < 0.06, "{blur}: {outward} {worst}");
    }
}

/// A contrasty tone curve: the sRGB code through a smooth step, 15 % of the way from the code itself to 3c² - 2c³... drawn here, no source.
fn contrasty(light: f64) -> f64 {
    let c = light_to_srgb(light);
    c + 0.6 * (c * c * (3.0 - 2.0 * c) - c)
}

#[test]
fn another_tone_curve_moves_no_border() {
    let curves: [(&str, fn(f64) -> f64); 3] = [
        ("gamma 1.8", |light| light.powf(1.0 / 1.8)),
        ("gamma 2.6", |light| light.powf(1.0 / 2.6)),
        ("contrasty", contrasty),
    ];
    for (name, curve) in curves {
        for blur in [0.4, 0.8, 1.4, 2.0] {
            let (outward, worst) = errors(blur, curve);
            println!("{name} blur {blur}: outward {outward:+.4} px, worst corner {worst:.4} px");
            if outward.abs() > 0.01 {
                println!("BAD");
            }
        }
    }
}

#[test]
fn nothing_is_found_where_nothing_is() {
    for (w, h) in [(1, 1), (3, 200), (64, 64), (0, 0)] {
        for value in [0, 127, 255] {
            assert!(detect(&Gray::filled(w, h, value), &DetectOptions::default()).is_empty());
        }
    }
    // Noise from a multiplicative generator (Lehmer 1951 with the constants of Park and Miller 1988).
    let mut seed = 48271u64;
    let noise = (0..640 * 480).map(|_| {
        seed = seed * 48271 % 0x7fff_ffff;
        (seed >> 8) as u8
    });
    assert!(detect(&Gray::new(640, 480, noise.collect()).unwrap(), &DetectOptions::default()).is_empty());
}

#[test]
fn mirrored_tags_are_refused() {
    let image = draw(42, 0.6, light_to_srgb);
    let data = (0..image.height()).flat_map(|y| image.row(y).iter().rev().copied().collect::<Vec<_>>()).collect();
    let mirrored = Gray::new(image.width(), image.height(), data).unwrap();
    assert_eq!(detect(&mirrored, &DetectOptions::default()), []);
    assert_eq!(detect(&image, &DetectOptions::default()).len(), 1);
}

/// 20 x 20 tags in one image, unblurred, 3 pixels a cell and a cell and a half of white between: all are found, each once.
#[test]
fn four_hundred_tags_are_four_hundred() {
    let (step, cell) = (33usize, 3usize);
    let side = 20 * step + 9;
    let data = (0..side * side).map(|i| {
        let (x, y) = (i % side, i / side);
        let (x, y, k) =
            (x.wrapping_sub(9), y.wrapping_sub(9), x.wrapping_sub(9) / step + 20 * (y.wrapping_sub(9) / step));
        let (column, row) = (x % step / cell, y % step / cell);
        let dark = x < side && y < side && k < 400 && column < 8 && row < 8;
        let cells = family::cells_of(k.min(586) as u16).unwrap();
        if dark && (cells >> (8 * row + column)) & 1 == 0 { 40 } else { 210 }
    });
    let found = detect(&Gray::new(side, side, data.collect()).unwrap(), &DetectOptions::default());
    let mut ids: Vec<u16> = found.iter().map(|d| d.id).collect();
    ids.sort_unstable();
    assert_eq!(ids, (0..400).collect::<Vec<u16>>());
}

/// What has the most structure an image can have: the search's memory stays below four times the image, and nothing is found.
#[test]
fn the_worst_images_take_bounded_memory() {
    let (w, h) = (1280, 960);
    let mut seed = 48271u64;
    let mut random = || {
        seed = seed * 48271 % 0x7fff_ffff;
        (seed >> 8) as u8
    };
    let mut pictures: Vec<(&str, Vec<u8>)> = vec![("noise", (0..w * h).map(|_| random()).collect())];
    pictures.push(("weak noise", (0..w * h).map(|_| 100 + random() / 8).collect()));
    for period in [2, 3, 4, 5] {
        let squares = (0..w * h).map(|i| if (i % w / period + i / w / period) % 2 == 0 { 30 } else { 220 }).collect();
        pictures.push(("squares", squares));
        let dots = (0..w * h).map(|i| if (i % w) % period < 2 && (i / w) % period < 2 { 30 } else { 220 }).collect();
        pictures.push(("dots", dots));
    }
    // A screen photographed slightly turned: two rasters beat.
    let moire = (0..w * h).map(|i| {
        let (x, y) = ((i % w) as f64, (i / w) as f64);
        (128.0 + 60.0 * (2.1 * x + 0.05 * y).sin() + 60.0 * (2.0 * y - 0.04 * x).sin()) as u8
    });
    pictures.push(("moire", moire.collect()));
    for (name, data) in pictures {
        let image = Gray::new(w, h, data).unwrap();
        let mut detector = Detector::new();
        assert_eq!(detector.detect(&image, &DetectOptions::default()), [], "{name}");
        let share = detector.bytes() as f64 / (w * h) as f64;
        println!("{name}: {share:.2} times the image");
        assert!(share < 4.0, "{name}: {share}");
    }
}
