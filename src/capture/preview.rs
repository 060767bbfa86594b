//! A frame in colour and in the size of a window, for people to look at; nothing is measured in it.

use crate::capture::source::{Frame, Taken};
use crate::capture::{CaptureError, ImageKind, jpeg};
use std::io::Cursor;

/// A picture to show.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Preview {
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// Red, green, blue of each pixel, row by row, sRGB.
    pub rgb: Vec<u8>,
    /// Pixels of the frame, in each direction, that one of these stands for.
    pub shrunk: usize,
}

/// The frame in colour, shrunk by a whole number so that it is no wider than `widest`; grey where there is no colour.
pub fn preview(frame: &Frame, widest: usize) -> Result<Preview, CaptureError> {
    let (width, height) = (frame.gray.width(), frame.gray.height());
    let shrunk = width.div_ceil(widest.max(1)).max(1);
    let rgb = match &frame.taken {
        Taken::File(ImageKind::Jpeg, bytes) => jpeg::decode_rgb(bytes)?,
        Taken::File(ImageKind::Png, bytes) => png_rgb(bytes)?,
        Taken::Yuyv(bytes) => yuyv_rgb(bytes),
        Taken::Gray => frame.gray.data().iter().flat_map(|&v| [v; 3]).collect(),
    };
    if rgb.len() != 3 * width * height {
        return Err(CaptureError::Damaged { kind: "preview", why: "its size is not the frame's".into() });
    }
    Ok(shrink(&rgb, width, height, shrunk))
}

/// Means over blocks; what does not fill a block at the right and lower edge is left out.
fn shrink(rgb: &[u8], width: usize, height: usize, by: usize) -> Preview {
    if by == 1 {
        return Preview { width, height, rgb: rgb.to_vec(), shrunk: 1 };
    }
    let (w, h) = ((width / by).max(1), (height / by).max(1));
    let mut out = Vec::with_capacity(3 * w * h);
    let mut sums = vec![0u32; 3 * w];
    for y in 0..h {
        sums.fill(0);
        let rows = (y * by..((y + 1) * by).min(height)).len() as u32;
        let columns = by.min(width) as u32;
        for row in (y * by..((y + 1) * by).min(height)).map(|r| &rgb[3 * r * width..3 * (r + 1) * width]) {
            for (x, block) in row.chunks(3 * by).take(w).enumerate() {
                for pixel in block.chunks_exact(3) {
                    for c in 0..3 {
                        sums[3 * x + c] += u32::from(pixel[c]);
                    }
                }
            }
        }
        out.extend(sums.iter().map(|s| ((s + rows * columns / 2) / (rows * columns)).min(255) as u8));
    }
    Preview { width: w, height: h, rgb: out, shrunk: by }
}

fn png_rgb(bytes: &[u8]) -> Result<Vec<u8>, CaptureError> {
    image::ImageReader::with_format(Cursor::new(bytes), image::ImageFormat::Png)
        .decode()
        .map(|picture| picture.into_rgb8().into_raw())
        .map_err(|e| CaptureError::Damaged { kind: "PNG", why: e.to_string() })
}

/// Colours of packed 4:2:2 pixels by ITU-R BT.601 with codes from 16 to 235 (what V4L2 takes as default for this format).
fn yuyv_rgb(bytes: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(bytes.len() / 2 * 3);
    for four in bytes.chunks_exact(4) {
        let [u, v] = [four[1], four[3]].map(|c| f32::from(c) - 128.0);
        for y in [four[0], four[2]] {
            let y = 1.164 * (f32::from(y) - 16.0);
            // Rounded and kept to 0..=255 by the conversion.
            out.extend([y + 1.596 * v, y - 0.392 * u - 0.813 * v, y + 2.017 * u].map(|c| (c + 0.5) as u8));
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::exif::ExifState;
    use crate::raster::Gray;
    use std::time::Duration;

    fn frame(gray: Gray, taken: Taken) -> Frame {
        Frame { number: 0, time: Duration::ZERO, name: "a".into(), gray, taken, exif: ExifState::Missing }
    }

    #[test]
    fn packed_pixels_have_their_colours() {
        // 75 % colour bars as 8-bit codes: ITU-R BT.801 (white, yellow, red, blue), from memory; they decode to 191 and 0.
        for (code, rgb) in [
            ([180, 128, 128], [191, 191, 191]),
            ([162, 44, 142], [191, 191, 0]),
            ([65, 100, 212], [191, 0, 0]),
            ([35, 212, 114], [0, 0, 191]),
        ] {
            let [y, u, v] = code;
            let got = preview(&frame(Gray::filled(2, 1, y), Taken::Yuyv(vec![y, u, y, v])), 100).unwrap();
            assert_eq!((got.width, got.height, got.shrunk), (2, 1, 1));
            for (a, b) in got.rgb.iter().zip(rgb.repeat(2)) {
                assert!(a.abs_diff(b) <= 2, "{code:?}: {:?}", got.rgb);
            }
        }
    }

    #[test]
    fn shrinking_takes_means_and_tells_by_how_much() {
        let gray = Gray::new(5, 4, (0..20).map(|k| 10 * k).collect()).unwrap();
        let got = preview(&frame(gray, Taken::Gray), 3).unwrap();
        assert_eq!((got.width, got.height, got.shrunk), (2, 2, 2));
        // Mean of 0 10 50 60, and of 20 30 70 80.
        assert_eq!(&got.rgb[..6], &[30, 30, 30, 50, 50, 50]);
    }

    #[test]
    fn a_jpeg_keeps_its_colours() {
        let rgb: Vec<u8> = [200, 100, 50].repeat(32 * 16);
        let mut bytes = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 98)
            .encode(&rgb, 32, 16, image::ExtendedColorType::Rgb8)
            .unwrap();
        let frame = Frame::from_file(0, Duration::ZERO, "a.jpg".into(), bytes).unwrap();
        let got = preview(&frame, 8).unwrap();
        assert_eq!((got.width, got.height, got.shrunk), (8, 4, 4));
        for (a, b) in got.rgb.iter().zip([200, 100, 50].iter().cycle()) {
            assert!(a.abs_diff(*b) <= 3, "{:?}", got.rgb);
        }
    }
}
