//! What a webcam offers, which of it suits a measurement, and how its bytes become grey values. No camera library here: this is plain data.

use crate::capture::exif::ExifState;
use crate::capture::source::{Frame, Taken};
use crate::capture::{CaptureError, ImageKind, jpeg};
use crate::raster::Gray;
use std::fmt;
use std::time::Duration;

/// The largest picture that is taken of itself, pixels: 1920 x 1080. Larger ones cost the search more time than they win for a live reading; a lens
/// profile of another size overrules it.
const LIVE_PIXELS: usize = 1920 * 1080;

/// The least rate that is live, pictures in a second. Common practice, no source.
const LIVE_HZ: u32 = 10;

/// The rate beyond which nothing is won: the reading is worked out 30 times a second at most.
const ENOUGH_HZ: u32 = 30;

/// How a camera codes its pixels.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Coding {
    /// One JPEG file for each picture.
    Mjpeg,
    /// Y0 U Y1 V.
    Yuyv,
    /// All Y, then U and V in turn, at half the size.
    Nv12,
    /// Grey, a byte each.
    Gray,
    /// Red, green, blue.
    Rgb,
    /// Blue, green, red.
    Bgr,
}

impl fmt::Display for Coding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Coding::Mjpeg => "MJPEG",
            Coding::Yuyv => "YUYV",
            Coding::Nv12 => "NV12",
            Coding::Gray => "grey",
            Coding::Rgb => "RGB",
            Coding::Bgr => "BGR",
        })
    }
}

/// One of the ways a camera can send pictures.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Format {
    /// Pixels in a row.
    pub width: usize,
    /// Rows.
    pub height: usize,
    /// How pixels are coded.
    pub coding: Coding,
    /// Pictures in a second.
    pub rate_hz: u32,
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} x {} {} at {} a second", self.width, self.height, self.coding, self.rate_hz)
    }
}

/// A camera of this machine.
#[derive(Clone, Debug)]
pub struct CameraEntry {
    /// The number it is chosen by.
    pub number: u32,
    /// What it calls itself.
    pub name: String,
    /// What it offers; empty where that could not be asked.
    pub formats: Vec<Format>,
    /// What would be used, and why.
    pub chosen: Option<(Format, String)>,
    /// Why it could not be asked.
    pub trouble: Option<String>,
}

/// What is asked of a webcam beyond its number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CameraWish {
    /// The size of the lens profile it will be used with.
    pub size: Option<(usize, usize)>,
    /// The focus setting (in the driver's own steps) with which that profile was made.
    pub focus: Option<i64>,
}

/// The format that suits a measurement, and why; `None` where there is none. What counts, in this order: the size of the lens profile where one is given; at
/// least 10 pictures a second; the most pixels up to 1920 x 1080 (never "the highest", which is often two pictures a second); pixels as they are rather
/// than JPEG, whose blocks blur edges, as long as they come 10 times a second; the rate nearest to 30.
pub fn choose(formats: &[Format], size: Option<(usize, usize)>) -> Option<(Format, String)> {
    let fits = |f: &Format| size.is_none_or(|s| s == (f.width, f.height));
    let live = |f: &Format| f.rate_hz >= LIVE_HZ;
    let small = |f: &Format| f.width * f.height <= LIVE_PIXELS;
    let pixels = |f: &Format| f.width * f.height;
    let plain = |f: &Format| match f.coding {
        Coding::Gray | Coding::Yuyv => 2,
        Coding::Nv12 | Coding::Mjpeg => 1,
        // Three bytes for each pixel: the slowest way to the same grey values.
        Coding::Rgb | Coding::Bgr => 0,
    };
    let best = formats
        .iter()
        .filter(|f| f.width > 0 && f.height > 0)
        .max_by_key(|f| {
            let size_rank = if small(f) { pixels(f) as i64 } else { -(pixels(f) as i64) };
            (fits(f), live(f), small(f), size_rank, plain(f), -i64::from(f.rate_hz.abs_diff(ENOUGH_HZ)))
        })
        .copied()?;
    let mut why = match size {
        Some((w, h)) if fits(&best) => format!("the size of the lens profile, {w} x {h}"),
        Some((w, h)) => {
            format!("the camera does not offer the lens profile's {w} x {h}: that profile cannot be used with it")
        }
        None if small(&best) => "the most pixels up to 1920 x 1080".to_owned(),
        None => "nothing smaller is offered".to_owned(),
    };
    why += &if live(&best) {
        format!(" at {LIVE_HZ} pictures a second or more")
    } else {
        format!("; slower than {LIVE_HZ} a second, so that a moving stand is followed late")
    };
    if best.coding != Coding::Mjpeg && formats.iter().any(|f| f.coding == Coding::Mjpeg && pixels(f) == pixels(&best)) {
        why += "; pixels as they are rather than JPEG";
    }
    Some((best, why))
}

/// A frame from the bytes a camera sent. Drivers hand out their whole buffer, so that what lies behind the picture is cut off: at the end marker of a JPEG,
/// at the picture's size otherwise. Raw red, green and blue become luma by the weights that JPEG uses (ITU-T T.871).
pub fn frame_of(
    format: Format,
    bytes: &[u8],
    number: u64,
    time: Duration,
    name: String,
) -> Result<Frame, CaptureError> {
    let (width, height) = (format.width, format.height);
    let pixels = width * height;
    let (needed, kind) = match format.coding {
        Coding::Mjpeg => {
            let end = if bytes.starts_with(&[0xff, 0xd8, 0xff]) { jpeg::end_of(bytes) } else { None };
            let file = bytes[..end.ok_or(CaptureError::Truncated(ImageKind::Jpeg.word()))?].to_vec();
            return Frame::from_file(number, time, name, file);
        }
        Coding::Yuyv => (2 * pixels, "YUYV"),
        Coding::Nv12 => (pixels, "NV12"),
        Coding::Gray => (pixels, "grey"),
        Coding::Rgb | Coding::Bgr => (3 * pixels, "RGB"),
    };
    let bytes = bytes.get(..needed).filter(|b| !b.is_empty()).ok_or(CaptureError::Truncated(kind))?;
    let luma =
        |r: u8, g: u8, b: u8| ((299 * u32::from(r) + 587 * u32::from(g) + 114 * u32::from(b) + 500) / 1000) as u8;
    let (values, taken) = match format.coding {
        Coding::Yuyv => (bytes.chunks_exact(2).map(|two| two[0]).collect(), Taken::Yuyv(bytes.to_vec())),
        Coding::Rgb => (bytes.chunks_exact(3).map(|c| luma(c[0], c[1], c[2])).collect(), Taken::Gray),
        Coding::Bgr => (bytes.chunks_exact(3).map(|c| luma(c[2], c[1], c[0])).collect(), Taken::Gray),
        Coding::Gray | Coding::Nv12 | Coding::Mjpeg => (bytes.to_vec(), Taken::Gray),
    };
    let gray = Gray::new(width, height, values).ok_or(CaptureError::Truncated(kind))?;
    Ok(Frame { number, time, name, gray, taken, exif: ExifState::Missing })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn f(width: usize, height: usize, coding: Coding, rate_hz: u32) -> Format {
        Format { width, height, coding, rate_hz }
    }

    /// What an ordinary webcam offers (common practice, no source): large pictures only as MJPEG or slowly.
    fn ordinary() -> Vec<Format> {
        let mut all = vec![
            f(3840, 2160, Coding::Mjpeg, 30),
            f(3840, 2160, Coding::Yuyv, 1),
            f(1920, 1080, Coding::Yuyv, 5),
            f(1920, 1080, Coding::Mjpeg, 30),
            f(1920, 1080, Coding::Mjpeg, 60),
        ];
        for (w, h) in [(1280, 720), (640, 480)] {
            all.extend([f(w, h, Coding::Yuyv, 10), f(w, h, Coding::Yuyv, 30), f(w, h, Coding::Mjpeg, 30)]);
        }
        all
    }

    #[test]
    fn the_choice_suits_a_measurement() {
        let all = ordinary();
        assert_eq!(choose(&all, None).unwrap().0, f(1920, 1080, Coding::Mjpeg, 30));
        let (format, why) = choose(&all, Some((1280, 720))).unwrap();
        assert_eq!(format, f(1280, 720, Coding::Yuyv, 30));
        assert!(why.contains("lens profile") && why.contains("rather than JPEG"), "{why}");
        // A profile's size is kept even where it is slow; where it is not offered that is said.
        assert_eq!(choose(&all, Some((3840, 2160))).unwrap().0.coding, Coding::Mjpeg);
        let (format, why) = choose(&all, Some((800, 600))).unwrap();
        assert!(format.width == 1920 && why.contains("cannot be used"), "{format} {why}");
        // Only slow and only large ones.
        let (format, why) = choose(&[f(4000, 3000, Coding::Rgb, 2), f(3840, 2160, Coding::Rgb, 2)], None).unwrap();
        assert!(format.width == 3840 && why.contains("slower"), "{format} {why}");
        assert!(choose(&[], None).is_none() && choose(&[f(0, 0, Coding::Gray, 30)], None).is_none());
    }

    #[test]
    fn the_order_of_the_list_does_not_matter() {
        let mut all = ordinary();
        let best = choose(&all, None).unwrap();
        for _ in 0..all.len() {
            all.rotate_left(1);
            assert_eq!(choose(&all, None).unwrap(), best);
        }
    }

    fn frame(coding: Coding, bytes: &[u8]) -> Result<Frame, CaptureError> {
        frame_of(f(4, 2, coding, 30), bytes, 7, Duration::from_secs(1), "camera 0, picture 7".into())
    }

    #[test]
    fn raw_pixels_become_grey_values() {
        let gray: Vec<u8> = (10..18).collect();
        let yuyv: Vec<u8> = gray.iter().flat_map(|v| [*v, 128]).collect();
        // Drivers hand out more than the picture.
        let longer = |bytes: &[u8]| [bytes, &[99; 50]].concat();
        let rgb: Vec<u8> = gray.iter().flat_map(|v| [*v; 3]).collect();
        for (coding, bytes) in [
            (Coding::Gray, gray.clone()),
            (Coding::Yuyv, yuyv.clone()),
            (Coding::Nv12, gray.clone()),
            (Coding::Rgb, rgb),
        ] {
            let got = frame(coding, &longer(&bytes)).unwrap();
            assert_eq!((got.gray.data(), got.number), (&gray[..], 7), "{coding}");
            let short = frame(coding, &bytes[..bytes.len() - 1]).unwrap_err();
            assert!(matches!(short, CaptureError::Truncated(_)), "{coding}: {short}");
        }
        assert_eq!(frame(Coding::Yuyv, &longer(&yuyv)).unwrap().taken, Taken::Yuyv(yuyv));
        // Pure colours: ITU-T T.871 gives 76, 150 and 29 for red, green and blue.
        let colours = [[255, 0, 0], [0, 255, 0], [0, 0, 255], [255, 255, 255]].concat().repeat(2);
        assert_eq!(&frame(Coding::Rgb, &colours).unwrap().gray.data()[..4], &[76, 150, 29, 255]);
        assert_eq!(&frame(Coding::Bgr, &colours).unwrap().gray.data()[..4], &[29, 150, 76, 255]);
    }

    #[test]
    fn a_jpeg_is_cut_at_its_end_and_a_cut_one_refused() {
        let mut bytes = Vec::new();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 90)
            .encode(&[90; 16 * 16], 16, 16, image::ExtendedColorType::L8)
            .unwrap();
        let buffer = [&bytes[..], &[0; 5000], &[0xff, 0xd9, 1]].concat();
        let got = frame(Coding::Mjpeg, &buffer).unwrap();
        assert_eq!(got.file().unwrap().0.as_ref(), bytes, "saved as taken");
        assert_eq!((got.gray.width(), got.gray.height()), (16, 16), "the picture's own size counts");
        assert!(frame(Coding::Mjpeg, &bytes[..bytes.len() - 2]).is_err());
        assert!(frame(Coding::Mjpeg, &[]).is_err() && frame(Coding::Mjpeg, &[0; 9]).is_err());
    }

    #[test]
    fn a_jpeg_without_its_code_tables_is_read() {
        // Webcams leave out the Huffman tables, which then are those of ITU-T T.81, annex K.3; the encoder here writes just these.
        let mut bytes = Vec::new();
        let values: Vec<u8> = (0..32 * 32).map(|k| (k % 32 * 7) as u8).collect();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, 90)
            .encode(&values, 32, 32, image::ExtendedColorType::L8)
            .unwrap();
        let whole = frame(Coding::Mjpeg, &bytes).unwrap();
        let mut at = 2;
        let mut without = bytes[..2].to_vec();
        let mut tables = 0;
        loop {
            let length = 2 + (usize::from(bytes[at + 2]) << 8 | usize::from(bytes[at + 3]));
            match bytes[at + 1] {
                0xda => break,
                0xc4 => tables += 1,
                _ => without.extend_from_slice(&bytes[at..at + length]),
            }
            at += length;
        }
        without.extend_from_slice(&bytes[at..]);
        assert!(tables > 0);
        assert_eq!(frame(Coding::Mjpeg, &without).unwrap().gray, whole.gray);
    }
}
