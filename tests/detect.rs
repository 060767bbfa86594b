//! The detector on tags drawn here: rendered in light over each pixel's area and blur, then coded. The drawing shares no code with the fit.

use nalgebra::{SVector, Vector2};
use plumbsight::camera::Lens;
use plumbsight::raster::{Gray, light_to_srgb};
use plumbsight::tags::homography::Homography;
use plumbsight::tags::{DetectOptions, Detector, detect, family};

const CORNERS: [[f64; 2]; 4] = [[31.3, 118.2], [109.6, 126.9], [121.4, 40.1], [38.2, 29.7]];

/// A view of a tag: light averaged over pixel and Gaussian blur by 21 × 21 samples, coded by `code`.
fn draw(id: u16, blur: f64, code: impl Fn(f64) -> f64) -> Gray {
    draw_at(id, &CORNERS.map(|[x, y]| Vector2::new(x, y)), (150, 150), (blur, 0.0), code)
}

/// The same with corners of one's own, where black has grown over white at every edge by a part of a cell.
fn draw_at(
    id: u16,
    corners: &[Vector2<f64>; 4],
    (w, h): (usize, usize),
    (blur, grown): (f64, f64),
    code: impl Fn(f64) -> f64,
) -> Gray {
    let tag_from_pixel = Homography::from_corners(corners).unwrap().inverse().unwrap();
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
                let printed = |u: f64, v: f64| {
                    let (column, row) = ((u + 4.0).floor(), (4.0 - v).floor());
                    let outside = !(0.0..8.0).contains(&column) || !(0.0..8.0).contains(&row);
                    outside || (cells >> (8 * row as u32 + column as u32)) & 1 != 0
                };
                let (u, v) = (q.x / q.z, q.y / q.z);
                let white = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)]
                    .iter()
                    .all(|(a, b)| printed(u + a * grown, v + b * grown));
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

/// A contrasty tone curve: sRGB, then six tenths of the way to the smooth step 3c² - 2c³. Its slope in the middle is 1.3 times that of sRGB. Made up.
fn contrasty(light: f64) -> f64 {
    let c = light_to_srgb(light);
    c + 0.6 * (c * c * (3.0 - 2.0 * c) - c)
}

/// The fit takes every curve for sRGB here: how far they differ from it, it finds itself.
#[test]
fn another_tone_curve_moves_no_border() {
    type Curve = fn(f64) -> f64;
    let curves: [(&str, Curve); 3] = [
        ("gamma 1.8", |light| light.powf(1.0 / 1.8)),
        ("gamma 2.6", |light| light.powf(1.0 / 2.6)),
        ("contrasty", contrasty),
    ];
    for (name, curve) in curves {
        for blur in [0.4, 0.8, 1.4, 2.0] {
            let (outward, worst) = errors(blur, curve);
            println!("{name} blur {blur}: outward {outward:+.4} px, worst corner {worst:.4} px");
            assert!(outward.abs() < 0.01 && worst < 0.06, "{name} {blur}: {outward} {worst}");
        }
    }
}

/// Sharpened as cameras do: the coded picture plus `amount` times its difference from its mean over three by three pixels.
fn sharpened(image: &Gray, amount: f64) -> Gray {
    let (w, h) = (image.width(), image.height());
    let code = |x: usize, y: usize| f64::from(image.at(x.min(w - 1), y.min(h - 1)));
    let data = (0..w * h).map(|i| {
        let (x, y) = (i % w, i / w);
        let mean =
            (0..9).map(|k| code((x + k % 3).saturating_sub(1), (y + k / 3).saturating_sub(1))).sum::<f64>() / 9.0;
        let own = code(x, y);
        (own + amount * (own - mean)).round().clamp(0.0, 255.0) as u8
    });
    Gray::new(w, h, data.collect()).unwrap()
}

/// A small tag, printed with much ink, that the camera sharpened: its edges are no wider than black has grown. It is found, its corners are good to a tenth of
/// a pixel (two where black has grown by nearly half a pixel), and what the fit cannot explain is in the covariance: for either group on its own, normalised errors
/// have no more than unit variance but for what chance makes of so few.
#[test]
fn small_sharpened_tags_are_found() {
    let (mut found, mut all) = (0, 0);
    let mut groups = [("grown little", 0.1, 0, 0.0, 0f64), ("grown by half a pixel", 0.2, 0, 0.0, 0.0)];
    for (number, id) in [0, 3, 77, 150, 301, 402, 480, 586].into_iter().enumerate() {
        let turn = 0.08 + 0.05 * number as f64;
        let (c, s) = (13.5 * turn.cos(), 13.5 * turn.sin());
        let at = Vector2::new(32.3 + 0.13 * number as f64, 31.7 - 0.21 * number as f64);
        let corners = [[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]
            .map(|[x, y]: [f64; 2]| at + Vector2::new(c * x - s * y, s * x + c * y));
        for (grown, amount) in [(0.0, 1.2), (0.08, 0.6), (0.08, 1.2), (0.12, 1.2)] {
            let image = sharpened(&draw_at(id, &corners, (64, 64), (0.35, grown), light_to_srgb), amount);
            all += 1;
            let tags = detect(&image, &DetectOptions::default());
            assert!(tags.iter().all(|t| t.id == id));
            let Some(tag) = tags.first() else { continue };
            let off = SVector::<f64, 8>::from_fn(|k, _| tag.corners[k / 2][k % 2] - corners[k / 2][k % 2]);
            found += 1;
            let (_, _, n, chi, worst) = &mut groups[usize::from(grown > 0.1)];
            *n += 1;
            *worst = worst.max(off.amax());
            *chi += off.dot(&tag.cov.cholesky().unwrap().solve(&off)) / 8.0;
        }
    }
    assert_eq!(found, all);
    for (name, most, n, chi, worst) in groups {
        let (n, chi) = (f64::from(n), chi / f64::from(n));
        println!("sharpened, {name}: worst {worst:.3} px, mean chi-square per coordinate {chi:.2}");
        // Of n times eight coordinates the mean square has the standard deviation √(2/8n).
        assert!(worst < most && chi < 1.0 + 3.0 * (0.25 / n).sqrt(), "{name}: {worst}, {chi}");
    }
}

/// A strongly distorting wide lens. Source of the numbers: EuRoC MAV dataset, cam0 `sensor.yaml` (published intrinsics), 752 x 480.
fn wide_lens() -> Lens {
    Lens {
        width: 752,
        height: 480,
        fx: 458.654,
        fy: 457.296,
        cx: 367.215,
        cy: 248.375,
        k1: -0.28340811,
        k2: 0.07395907,
        p1: 0.00019359,
        p2: 1.76187114e-05,
        k3: 0.0,
    }
}

/// Where the lens puts a normalised point: Brown's model, written out here again so that the drawing does not rest on the program's own.
fn bowed(l: &Lens, n: Vector2<f64>) -> Vector2<f64> {
    let (x, y, r2) = (n.x, n.y, n.norm_squared());
    let radial = 1.0 + l.k1 * r2 + l.k2 * r2 * r2;
    let dx = x * radial + 2.0 * l.p1 * x * y + l.p2 * (r2 + 2.0 * x * x);
    let dy = y * radial + l.p1 * (r2 + 2.0 * y * y) + 2.0 * l.p2 * x * y;
    Vector2::new(l.fx * dx + l.cx, l.fy * dy + l.cy)
}

/// The normalised point that is seen at a pixel, by plain iteration.
fn straightened(l: &Lens, pixel: Vector2<f64>) -> Vector2<f64> {
    let mut n = Vector2::new((pixel.x - l.cx) / l.fx, (pixel.y - l.cy) / l.fy);
    for _ in 0..60 {
        let off = pixel - bowed(l, n);
        n += Vector2::new(off.x / l.fx, off.y / l.fy);
    }
    n
}

/// A tag seen through the lens, light averaged as in [`draw`]; over the blur's reach the lens counts as linear. `corners` are normalised points.
fn bowed_tag(l: &Lens, id: u16, corners: &[Vector2<f64>; 4], blur: f64) -> Gray {
    let tag_from_normalised = Homography::from_corners(corners).unwrap().inverse().unwrap();
    let cells = family::cells_of(id).unwrap();
    let seen = corners.map(|c| bowed(l, c));
    let low = seen.iter().fold(seen[0], |a, b| a.inf(b));
    let high = seen.iter().fold(seen[0], |a, b| a.sup(b));
    let taps: Vec<(f64, f64)> = (-10..=10)
        .map(|k| {
            let at = f64::from(k) / 10.0 * (3.5 * blur + 0.5);
            let box_and_blur =
                (0..40).map(|i| (-0.5 * ((at + (f64::from(i) + 0.5) / 40.0 - 0.5) / blur).powi(2)).exp());
            (at, box_and_blur.sum::<f64>())
        })
        .collect();
    let data = (0..l.width * l.height).map(|i| {
        let p = Vector2::new((i % l.width) as f64, (i / l.width) as f64);
        // Sides bow by some pixels beyond the box of the corners.
        let near = |v: f64, a: f64, b: f64| v > a - 25.0 && v < b + 25.0;
        if !near(p.x, low.x, high.x) || !near(p.y, low.y, high.y) {
            return (255.0 * light_to_srgb(0.7)).round() as u8;
        }
        let n = straightened(l, p);
        let by = |d: Vector2<f64>| (straightened(l, p + d) - straightened(l, p - d)) / 2.0;
        let (by_x, by_y) = (by(Vector2::new(1.0, 0.0)), by(Vector2::new(0.0, 1.0)));
        let (mut sum, mut all) = (0.0, 0.0);
        for (dx, wx) in &taps {
            for (dy, wy) in &taps {
                let q = tag_from_normalised * (n + by_x * *dx + by_y * *dy).push(1.0);
                let (column, row) = ((q.x / q.z + 4.0).floor(), (4.0 - q.y / q.z).floor());
                let outside = !(0.0..8.0).contains(&column) || !(0.0..8.0).contains(&row);
                let white = outside || (cells >> (8 * row as u32 + column as u32)) & 1 != 0;
                sum += wx * wy * if white { 0.7 } else { 0.05 };
                all += wx * wy;
            }
        }
        (255.0 * light_to_srgb(sum / all)).round() as u8
    });
    Gray::new(l.width, l.height, data.collect()).unwrap()
}

/// Sides bowed by a lens: with the lens known the corners are where they were drawn, without it they are not.
#[test]
fn a_known_lens_straightens_bowed_tags() {
    let lens = wide_lens();
    let with_lens = DetectOptions { lens: Some(lens), ..DetectOptions::default() };
    let (mut known, mut unknown) = (Vec::new(), Vec::new());
    // Middles of tags near the corners and the edges of the image, in normalised coordinates, and how large and how turned they are.
    for (k, (x, y)) in [
        (-0.62, -0.38),
        (0.66, -0.36),
        (0.68, 0.33),
        (-0.6, 0.34),
        (0.05, -0.36),
        (-0.72, 0.02),
        (0.74, 0.0),
        (0.1, 0.33),
    ]
    .into_iter()
    .enumerate()
    {
        let (half, turn, id) = (0.08 + 0.004 * k as f64, 0.35 * k as f64, (71 * k + 5) as u16);
        let (c, s) = (half * turn.cos(), half * turn.sin());
        // A little nearer on one side: a view from the side.
        let corners = [[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]]
            .map(|[a, b]: [f64; 2]| Vector2::new(x, y) + Vector2::new(a * c - b * s, a * s + b * c) / (1.0 + 0.1 * a));
        let image = bowed_tag(&lens, id, &corners, 0.6);
        for (options, errors) in [(&with_lens, &mut known), (&DetectOptions::default(), &mut unknown)] {
            let found = detect(&image, options);
            // Without the lens a tag may be refused for its bowed sides, but not taken for another.
            assert!(found.iter().all(|d| d.id == id) && found.len() <= 1, "{id}");
            assert!(found.len() == 1 || options.lens.is_none(), "{id} is not found with the lens known");
            let off = found.iter().flat_map(|d| (0..4).map(|k| (d.corners[k] - bowed(&lens, corners[k])).norm()));
            errors.extend(off.collect::<Vec<_>>());
        }
    }
    let middle = |errors: &mut Vec<f64>| {
        errors.sort_by(f64::total_cmp);
        (errors[errors.len() / 2], errors[errors.len() - 1], errors.len())
    };
    let (known, unknown) = (middle(&mut known), middle(&mut unknown));
    println!("corner errors, median and most, px: lens known {known:.4?}, not known {unknown:.4?}");
    assert!(known.0 <= 0.03 && known.1 <= 0.1, "{known:?}");
    assert!(unknown.0 > 5.0 * known.0, "{unknown:?} {known:?}");
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
