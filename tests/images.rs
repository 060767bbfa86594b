//! One picture in every kind of file that is read, and files that are refused with a reason: through the command line.

mod drawn;

use drawn::{NormalTable, Paper, draws, square};
use image::{DynamicImage, GrayImage, ImageBuffer, Luma, Rgb, Rgba};
use nalgebra::Vector2;
use plumbsight::raster::{Gray, light_to_srgb};
use plumbsight::tags::{DetectOptions, Detector, family};
use serde_json::Value;
use std::path::Path;
use std::process::Command;

const ID: u64 = 42;

/// A tag on white, 230 x 130 pixels: not square, so that a turned picture shows.
fn picture() -> Gray {
    let mut paper = Paper::new(230, 130);
    paper.add(ID as u16, &square(Vector2::new(80.3, 64.8), 70.0, 0.3), 0.6, &NormalTable::new());
    paper.photograph(light_to_srgb, 1.0, &mut draws(7))
}

/// What `plumbsight tags` prints for one file, and its exit code and error output.
fn tags(path: &Path) -> (Value, i32, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_plumbsight")).arg("tags").arg(path).output().unwrap();
    let json: Value = serde_json::from_slice(&output.stdout).unwrap();
    let error = String::from_utf8(output.stderr).unwrap();
    (json[path.to_str().unwrap()].clone(), output.status.code().unwrap(), error)
}

fn corners(found: &Value) -> Vec<Vector2<f64>> {
    let tags = found["detections"].as_array().unwrap();
    assert_eq!(tags.len(), 1, "{found}");
    assert_eq!(tags[0]["id"], ID);
    let point = |c: &Value| Vector2::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap());
    tags[0]["corners"].as_array().unwrap().iter().map(point).collect()
}

#[test]
fn one_picture_in_every_kind_of_file() {
    let dir = tempfile::tempdir().unwrap();
    let gray = picture();
    let (w, h) = (gray.width() as u32, gray.height() as u32);
    let at = |x: u32, y: u32| gray.at(x as usize, y as usize);
    let expected = Detector::new().detect(&gray, &DetectOptions::default())[0].corners;
    let kinds: Vec<(&str, DynamicImage, f64)> = vec![
        ("gray.png", GrayImage::from_fn(w, h, |x, y| Luma([at(x, y)])).into(), 1e-9),
        (
            "gray-alpha.png",
            DynamicImage::ImageLuma8(GrayImage::from_fn(w, h, |x, y| Luma([at(x, y)]))).into_luma_alpha8().into(),
            1e-9,
        ),
        ("colour.png", ImageBuffer::from_fn(w, h, |x, y| Rgb([at(x, y); 3])).into(), 0.01),
        (
            "alpha.png",
            ImageBuffer::from_fn(w, h, |x, y| {
                let v = at(x, y);
                Rgba([v, v, v, 255])
            })
            .into(),
            0.01,
        ),
        // Half transparent: the values count, not what shows through.
        (
            "glass.png",
            ImageBuffer::from_fn(w, h, |x, y| {
                let v = at(x, y);
                Rgba([v, v, v, 90])
            })
            .into(),
            0.01,
        ),
        ("sixteen.png", ImageBuffer::from_fn(w, h, |x, y| Luma([u16::from(at(x, y)) * 257])).into(), 0.01),
        ("colour-sixteen.png", ImageBuffer::from_fn(w, h, |x, y| Rgb([u16::from(at(x, y)) * 257; 3])).into(), 0.01),
        ("colour.jpg", ImageBuffer::from_fn(w, h, |x, y| Rgb([at(x, y); 3])).into(), 0.1),
    ];
    for (name, image, most) in kinds {
        let path = dir.path().join(name);
        image.save(&path).unwrap();
        let (found, code, error) = tags(&path);
        assert_eq!((code, &found["width"], &found["height"]), (0, &w.into(), &h.into()), "{name}: {error}");
        let off = corners(&found).iter().zip(expected).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
        println!("{name}: {off:.6} px from the grey picture");
        assert!(off <= most, "{name}: {off}");
    }
}

/// A JPEG with a note on its orientation in its first segment: TIFF header, one directory with one field. Source: Exif 2.32, tag 0x0112.
fn noted(jpeg: &[u8], orientation: u8) -> Vec<u8> {
    let mut block = b"Exif\0\0II\x2a\0\x08\0\0\0\x01\0\x12\x01\x03\0\x01\0\0\0".to_vec();
    block.extend([orientation, 0, 0, 0, 0, 0, 0, 0]);
    let length = (2 + block.len()) as u16;
    [&jpeg[..2], &[0xff, 0xe1], &length.to_be_bytes()[..], &block, &jpeg[2..]].concat()
}

/// Whatever the note says, corners are in the pixels as stored: the lens profile belongs to the sensor, not to how a picture is shown.
#[test]
fn corners_are_in_the_pixels_as_stored() {
    let dir = tempfile::tempdir().unwrap();
    let gray = picture();
    let mut jpeg = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut jpeg, 95)
        .encode(gray.data(), gray.width() as u32, gray.height() as u32, image::ExtendedColorType::L8)
        .unwrap();
    let mut all = Vec::new();
    for orientation in 1..=8 {
        let path = dir.path().join(format!("turned-{orientation}.jpg"));
        std::fs::write(&path, noted(&jpeg, orientation)).unwrap();
        let facts = plumbsight::capture::read_image(&path).unwrap().exif;
        assert_eq!(facts.facts().unwrap().orientation, Some(orientation.into()));
        let (found, code, _) = tags(&path);
        assert_eq!((code, &found["width"], &found["height"]), (0, &230.into(), &130.into()));
        all.push(corners(&found));
    }
    assert!(all.iter().all(|c| *c == all[0]));
    assert!((all[0][0] - square(Vector2::new(80.3, 64.8), 70.0, 0.3)[0]).norm() < 0.1);
}

/// The check value of a PNG chunk. Source: ISO/IEC 15948 (PNG), annex D, bit by bit.
fn check_value(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(u32::MAX, |mut crc, byte| {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 != 0 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 };
        }
        crc
    })
}

/// The head of a PNG of a size, and next to nothing else.
fn png_head(width: u32, height: u32) -> Vec<u8> {
    let mut png = b"\x89PNG\r\n\x1a\n".to_vec();
    let mut chunk = |name: &[u8; 4], data: &[u8]| {
        let body = [&name[..], data].concat();
        png.extend((data.len() as u32).to_be_bytes());
        png.extend(&body);
        png.extend(check_value(&body).to_be_bytes());
    };
    chunk(b"IHDR", &[&width.to_be_bytes()[..], &height.to_be_bytes()[..], &[8, 0, 0, 0, 0]].concat());
    chunk(b"IDAT", b"\x78\x9c\x03\x00\x00\x00\x00\x01");
    chunk(b"IEND", b"");
    png
}

#[test]
fn what_is_too_large_or_empty_is_refused_with_a_reason() {
    let dir = tempfile::tempdir().unwrap();
    let mut jpeg = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new(&mut jpeg);
    encoder.encode(&[128; 64], 8, 8, image::ExtendedColorType::L8).unwrap();
    let at = jpeg.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
    jpeg[at + 5..at + 9].copy_from_slice(&[15000u16.to_be_bytes(), 20000u16.to_be_bytes()].concat());
    for (name, bytes, says) in [
        ("giant.png", png_head(20_000, 15_000), ["20000 x 15000 pixels", "up to 100 megapixels"]),
        ("giant.jpg", jpeg, ["20000 x 15000 pixels", "up to 100 megapixels"]),
        ("long.png", png_head(70_000, 100), ["70000 x 100 pixels", "65535 pixels along a side"]),
        (
            "most.png",
            png_head(u32::MAX >> 1, u32::MAX >> 1),
            ["2147483647 x 2147483647 pixels", "up to 100 megapixels"],
        ),
        ("nothing.png", png_head(0, 7), ["no pixels", "again"]),
        ("head.png", png_head(7, 7), ["PNG", "again"]),
    ] {
        let path = dir.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let (found, code, error) = tags(&path);
        let reason = found["error"].as_str().unwrap_or_else(|| panic!("{name} was read: {found}"));
        assert_eq!(code, 3, "{name}");
        assert!(says.iter().all(|s| reason.contains(s)), "{name}: {reason}");
        assert!(error.contains(name), "{name}: {error}");
    }
}

/// A single pixel, all black, all white: an answer, which is that no tag is there.
#[test]
fn empty_pictures_are_answered() {
    let dir = tempfile::tempdir().unwrap();
    for (name, w, h, value) in
        [("1.png", 1, 1, 0), ("row.png", 4000, 1, 255), ("black.png", 900, 700, 0), ("white.png", 700, 900, 255)]
    {
        let path = dir.path().join(name);
        GrayImage::from_pixel(w, h, Luma([value])).save(&path).unwrap();
        let (found, code, error) = tags(&path);
        assert_eq!((code, found["detections"].as_array().map(Vec::len)), (0, Some(0)), "{name}: {error}");
    }
}

/// Noise of every strength in a file: an answer, and no tag. 400 tags in a file: 400 tags.
#[test]
fn noise_and_crowds_are_answered() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("noise.png");
    // A multiplicative generator (Lehmer 1951 with the constants of Park and Miller 1988).
    let mut seed = 48271u64;
    let mut noise = |x: u32, _| {
        seed = seed * 48271 % 0x7fff_ffff;
        Luma([(128 + (((seed >> 8) & 255) as i64 - 128) * i64::from(x) / 900) as u8])
    };
    GrayImage::from_fn(900, 700, &mut noise).save(&path).unwrap();
    let (found, code, error) = tags(&path);
    assert_eq!((code, found["detections"].as_array().map(Vec::len)), (0, Some(0)), "{error}");
    let (step, cell) = (33, 3);
    let side = 20 * step + 9;
    let crowd = GrayImage::from_fn(side, side, |x, y| {
        let (x, y) = (x.wrapping_sub(9), y.wrapping_sub(9));
        let (column, row) = (x % step / cell, y % step / cell);
        let cells = family::cells_of((x / step).min(19) as u16 + 20 * (y / step).min(19) as u16).unwrap();
        let dark = x < side && y < side && column < 8 && row < 8 && (cells >> (8 * row + column)) & 1 == 0;
        Luma([if dark { 40 } else { 210 }])
    });
    let path = dir.path().join("crowd.png");
    crowd.save(&path).unwrap();
    let (found, code, error) = tags(&path);
    assert_eq!((code, found["detections"].as_array().map(Vec::len)), (0, Some(400)), "{error}");
}

/// The largest pictures that are read, a tag in their far corner: found where it is, with memory in proportion.
#[test]
fn the_largest_pictures_are_searched_to_their_corners() {
    let small = picture();
    let expected = Detector::new().detect(&small, &DetectOptions::default())[0].corners;
    for (w, h) in [(12_500, 8_000), (65_535, 1_500), (1_500, 65_535)] {
        let mut image = Gray::filled(w, h, small.at(0, 0));
        // At a whole number of tiles from the upper left, so that all is as in the small picture.
        let (left, top) = ((w - 230) / 4 * 4, (h - 130) / 4 * 4);
        for y in 0..small.height() {
            let start = (top + y) * w + left;
            image.data_mut()[start..start + small.width()].copy_from_slice(small.row(y));
        }
        let mut detector = Detector::new();
        let found = detector.detect(&image, &DetectOptions::default());
        assert_eq!(found.len(), 1, "{w} x {h}");
        let shift = Vector2::new(left as f64, top as f64);
        let off = found[0].corners.iter().zip(expected).map(|(a, b)| (a - shift - b).norm()).fold(0.0, f64::max);
        println!("{w} x {h}: {off:.5} px, {:.2} times the image's memory", detector.bytes() as f64 / (w * h) as f64);
        assert!(off < 0.01, "{w} x {h}: {off}");
        assert!(detector.bytes() < 4 * w * h);
    }
}
