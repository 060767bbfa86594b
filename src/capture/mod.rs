//! Image files to grey images: JPEG and PNG, recognised by their content, refused by name where they cannot be trusted. And pictures one after the
//! other from cameras and folders: [`address`] names a source, [`feed`] runs it, [`source`] is what all of them are.
//!
//! Geometry uses the stored pixels: the orientation note some cameras add is left alone, because the lens profile belongs to the
//! sensor and not to the way a viewer turns the picture.

pub mod address;
mod bounded;
pub mod exif;
pub mod feed;
pub mod folder;
pub mod formats;
pub mod http;
mod jpeg;
mod other_kinds;
pub mod preview;
pub mod replay;
pub mod source;
#[cfg(feature = "webcam")]
mod webcam;

pub use crate::limits::{LARGEST_IMAGE_BYTES, LARGEST_IMAGE_PIXELS, LONGEST_SIDE_PIXELS};
use crate::raster::Gray;
pub use bounded::{ReadFault, read_file, read_text};
pub use exif::{CameraIdentity, ExifFacts, ExifState};
pub use jpeg::write_jpeg;
use std::io::Cursor;
use std::path::Path;

/// What kind of image a file's content is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ImageKind {
    /// JPEG.
    Jpeg,
    /// PNG.
    Png,
}

impl ImageKind {
    /// The word for messages.
    pub fn word(self) -> &'static str {
        match self {
            ImageKind::Jpeg => "JPEG",
            ImageKind::Png => "PNG",
        }
    }

    /// The usual ending of its files.
    pub fn ending(self) -> &'static str {
        self.endings()[0]
    }

    /// The file endings that belong to it.
    fn endings(self) -> &'static [&'static str] {
        match self {
            ImageKind::Jpeg => &["jpg", "jpeg", "jpe", "jfif"],
            ImageKind::Png => &["png"],
        }
    }
}

/// Why an image is not used; the text says what to do.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CaptureError {
    /// No such file.
    #[error("there is no such file. Put the photograph there or take its name out of the list.")]
    Missing,
    /// A folder where a photograph is needed.
    #[error("it is a folder. Name the photographs in it: FOLDER/*.jpg.")]
    Folder,
    /// The system refuses.
    #[error("it cannot be read ({0}). Check the file and its permissions.")]
    Unreadable(String),
    /// Neither JPEG nor PNG.
    #[error("it is neither a JPEG nor a PNG image ({0}). Save the photograph as the camera's own JPEG.")]
    UnknownKind(String),
    /// Something else that is known by how it begins.
    #[error("it is {what}, and photographs are read as JPEG or PNG. {remedy}")]
    OtherKind {
        /// What it is, with its article.
        what: &'static str,
        /// What to do.
        remedy: &'static str,
    },
    /// More pixels or bytes than the limit.
    #[error("{0}. Photographs of up to {max} megapixels and {LONGEST_SIDE_PIXELS} pixels along a side are read.", max = LARGEST_IMAGE_PIXELS / 1_000_000)]
    TooLarge(String),
    /// The file stops before the image does.
    #[error("the {0} file is cut off before the image ends. Copy it from the camera again.")]
    Truncated(&'static str),
    /// The decoder refuses.
    #[error("the {kind} file is damaged ({why}). Copy it from the camera again.")]
    Damaged {
        /// JPEG or PNG.
        kind: &'static str,
        /// The decoder's words.
        why: String,
    },
}

/// An image as read.
#[derive(Clone, Debug)]
pub struct Picture {
    /// Grey values, stored pixels.
    pub gray: Gray,
    /// What the content is.
    pub kind: ImageKind,
    /// What the reader should know although the image was read (a PNG with a .jpg name).
    pub note: Option<String>,
    /// What the camera wrote beside the pixels.
    pub exif: ExifState,
}

/// Reads one image file to grey values.
///
/// JPEG gives the luma plane as coded (no detour over colours); PNG gives luma by the weights of ITU-R BT.709; 16 bits become 8.
pub fn read_image(path: &Path) -> Result<Picture, CaptureError> {
    read_image_bytes(path).map(|(picture, _)| picture)
}

/// The same, with the bytes of the file (to hash exactly what was decoded).
pub fn read_image_bytes(path: &Path) -> Result<(Picture, Vec<u8>), CaptureError> {
    let bytes = read_image_file(path)?;
    let mut picture = decode(&bytes)?;
    let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
    if !picture.kind.endings().contains(&ending.as_str()) {
        picture.note = Some(format!(
            "its name ends in .{ending} but its content is {}; it was read as {}. Rename it so that others read it too",
            picture.kind.word(),
            picture.kind.word()
        ));
    }
    Ok((picture, bytes))
}

/// The bytes of an image file, not yet decoded.
fn read_image_file(path: &Path) -> Result<Vec<u8>, CaptureError> {
    read_file(path, LARGEST_IMAGE_BYTES).map_err(|fault| match fault {
        ReadFault::Io(e) if e.kind() == std::io::ErrorKind::NotFound => CaptureError::Missing,
        ReadFault::Io(e) => CaptureError::Unreadable(e.to_string()),
        ReadFault::NoFile("folder") => CaptureError::Folder,
        ReadFault::NoFile(_) => CaptureError::Unreadable(fault.to_string()),
        ReadFault::TooLarge(_) => CaptureError::TooLarge(fault.to_string()),
    })
}

/// Reads an image that is already in memory.
pub fn decode(bytes: &[u8]) -> Result<Picture, CaptureError> {
    let (gray, kind) = match bytes {
        [] => return Err(CaptureError::UnknownKind("the file is empty".into())),
        [0xff, 0xd8, 0xff, ..] => (jpeg::decode_luma(bytes)?, ImageKind::Jpeg),
        [0x89, b'P', b'N', b'G', b'\r', b'\n', 0x1a, b'\n', ..] => (decode_png(bytes)?, ImageKind::Png),
        _ => {
            return Err(match other_kinds::named(bytes) {
                Some((what, remedy)) => CaptureError::OtherKind { what, remedy },
                None => {
                    CaptureError::UnknownKind(format!("it begins with the bytes {:02x?}", &bytes[..bytes.len().min(4)]))
                }
            });
        }
    };
    Ok(Picture { gray, kind, note: None, exif: exif::read_exif(bytes) })
}

/// Refuses a size over the limit.
fn check_size(width: u64, height: u64) -> Result<(), CaptureError> {
    match width.checked_mul(height) {
        Some(n) if n <= LARGEST_IMAGE_PIXELS && n > 0 && width.max(height) <= LONGEST_SIDE_PIXELS => Ok(()),
        Some(0) => Err(CaptureError::Damaged { kind: "image", why: "it has no pixels".into() }),
        _ => Err(CaptureError::TooLarge(format!("it has {width} x {height} pixels"))),
    }
}

fn decode_png(bytes: &[u8]) -> Result<Gray, CaptureError> {
    let damaged = |e: image::ImageError| match &e {
        image::ImageError::IoError(io) if io.kind() == std::io::ErrorKind::UnexpectedEof => {
            CaptureError::Truncated("PNG")
        }
        image::ImageError::Decoding(_) if e.to_string().contains("unexpected end") => CaptureError::Truncated("PNG"),
        _ => CaptureError::Damaged { kind: "PNG", why: e.to_string() },
    };
    let reader = || image::ImageReader::with_format(Cursor::new(bytes), image::ImageFormat::Png);
    // The size as the file's first chunk states it, before the decoder's own limits see it (ISO/IEC 15948, 11.2.2: bytes 16 to 23).
    if let Some([a, b, c, d, e, f, g, h]) = bytes.get(16..24) {
        check_size(u32::from_be_bytes([*a, *b, *c, *d]).into(), u32::from_be_bytes([*e, *f, *g, *h]).into())?;
    }
    let (width, height) = reader().into_dimensions().map_err(damaged)?;
    check_size(width.into(), height.into())?;
    let mut reader = reader();
    let mut limits = image::Limits::default();
    limits.max_alloc = Some(LARGEST_IMAGE_PIXELS * 8);
    reader.limits(limits);
    let luma = reader.decode().map_err(damaged)?.into_luma8();
    Gray::new(width as usize, height as usize, luma.into_raw())
        .ok_or_else(|| CaptureError::Damaged { kind: "PNG", why: "its size is not its content's".into() })
}

/// A colour picture (three bytes a pixel, row by row) as a PNG file's bytes; an error says why it cannot be coded.
pub fn encode_png(width: usize, height: usize, rgb: &[u8]) -> Result<Vec<u8>, String> {
    encode(width, height, rgb, image::ExtendedColorType::Rgb8)
}

/// A grey picture as a PNG file's bytes: [`decode`] gives the same grey values back.
pub fn encode_gray_png(gray: &Gray) -> Result<Vec<u8>, String> {
    encode(gray.width(), gray.height(), gray.data(), image::ExtendedColorType::L8)
}

fn encode(width: usize, height: usize, values: &[u8], color: image::ExtendedColorType) -> Result<Vec<u8>, String> {
    use image::ImageEncoder;
    let mut out = Vec::new();
    let (w, h) = (u32::try_from(width).map_err(|e| e.to_string())?, u32::try_from(height).map_err(|e| e.to_string())?);
    image::codecs::png::PngEncoder::new(&mut out).write_image(values, w, h, color).map_err(|e| e.to_string())?;
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use image::{ImageEncoder, codecs::jpeg::JpegEncoder, codecs::png::PngEncoder};

    /// A smooth picture whose grey values tell rows from columns.
    fn ramp(width: usize, height: usize) -> Vec<u8> {
        (0..width * height).map(|k| (40 + (k % width) * 3 + (k / width) * 2) as u8).collect()
    }

    fn jpeg(width: usize, height: usize) -> Vec<u8> {
        let mut out = Vec::new();
        let mut encoder = JpegEncoder::new_with_quality(&mut out, 95);
        encoder.encode(&ramp(width, height), width as u32, height as u32, image::ExtendedColorType::L8).unwrap();
        out
    }

    fn png(width: usize, height: usize) -> Vec<u8> {
        let mut out = Vec::new();
        PngEncoder::new(&mut out)
            .write_image(&ramp(width, height), width as u32, height as u32, image::ExtendedColorType::L8)
            .unwrap();
        out
    }

    #[test]
    fn jpeg_and_png_give_the_same_picture() {
        let a = decode(&png(40, 24)).unwrap();
        assert_eq!((a.gray.data(), a.kind), (&ramp(40, 24)[..], ImageKind::Png));
        let b = decode(&jpeg(40, 24)).unwrap();
        assert_eq!((b.gray.width(), b.gray.height(), b.kind), (40, 24, ImageKind::Jpeg));
        for (x, y) in a.gray.data().iter().zip(b.gray.data()) {
            assert!(x.abs_diff(*y) <= 3, "{x} {y}");
        }
    }

    #[test]
    fn colour_jpeg_gives_its_luma() {
        // A uniform colour: luma by JPEG's own definition (ITU-T T.871): 0.299 R + 0.587 G + 0.114 B.
        let rgb: Vec<u8> = [200, 100, 50].repeat(32 * 32);
        let mut out = Vec::new();
        JpegEncoder::new_with_quality(&mut out, 98).encode(&rgb, 32, 32, image::ExtendedColorType::Rgb8).unwrap();
        let picture = decode(&out).unwrap();
        let expected = 0.299 * 200.0 + 0.587 * 100.0 + 0.114 * 50.0;
        assert_eq!(picture.gray.data().len(), 32 * 32);
        assert!(
            picture.gray.data().iter().all(|&v| (f64::from(v) - expected).abs() <= 2.0),
            "{:?}",
            picture.gray.row(0)
        );
    }

    #[test]
    fn sixteen_bits_become_eight() {
        let values: Vec<u8> = (0..64u16).flat_map(|k| (k * 1000).to_ne_bytes()).collect();
        let mut out = Vec::new();
        PngEncoder::new(&mut out).write_image(&values, 8, 8, image::ExtendedColorType::L16).unwrap();
        let picture = decode(&out).unwrap();
        for (k, v) in picture.gray.data().iter().enumerate() {
            assert!((f64::from(*v) - k as f64 * 1000.0 / 257.0).abs() <= 0.51, "{k} {v}");
        }
    }

    #[test]
    fn every_cut_of_a_file_is_refused() {
        for (whole, word) in [(jpeg(64, 64), "JPEG"), (png(64, 64), "PNG")] {
            for keep in [whole.len() * 9 / 10, whole.len() / 2, whole.len() / 4, 30, 12] {
                let error = decode(&whole[..keep]).unwrap_err();
                assert!(
                    matches!(error, CaptureError::Truncated(_) | CaptureError::Damaged { .. }),
                    "{word} cut to {keep}: {error:?}"
                );
            }
            assert_eq!(decode(&whole[..whole.len() / 2]).unwrap_err(), CaptureError::Truncated(word));
        }
        // Only the two bytes of the end marker are missing.
        let whole = jpeg(64, 64);
        assert_eq!(decode(&whole[..whole.len() - 2]).unwrap_err(), CaptureError::Truncated("JPEG"));
    }

    #[test]
    fn bytes_after_the_end_do_no_harm() {
        let mut whole = jpeg(64, 64);
        whole.extend_from_slice(b"some cameras append a film here");
        assert!(decode(&whole).is_ok());
    }

    #[test]
    fn giants_are_refused_before_memory_is_taken() {
        let mut whole = jpeg(64, 64);
        // The frame header holds height and width in two bytes each; 0xffff x 0xffff is 4.3 gigapixels.
        let at = whole.windows(2).position(|w| w == [0xff, 0xc0]).unwrap();
        whole[at + 5..at + 9].fill(0xff);
        assert!(matches!(decode(&whole).unwrap_err(), CaptureError::TooLarge(_)));
    }

    #[test]
    fn names_and_contents_are_compared() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("a.jpg");
        std::fs::write(&path, png(16, 16)).unwrap();
        let picture = read_image(&path).unwrap();
        assert_eq!(picture.kind, ImageKind::Png);
        assert!(picture.note.unwrap().contains(".jpg"));
        std::fs::write(&path, jpeg(16, 16)).unwrap();
        assert_eq!(read_image(&path).unwrap().note, None);
        std::fs::write(&path, "text").unwrap();
        assert!(matches!(read_image(&path).unwrap_err(), CaptureError::UnknownKind(_)));
        std::fs::write(&path, "").unwrap();
        assert!(matches!(read_image(&path).unwrap_err(), CaptureError::UnknownKind(_)));
        assert_eq!(read_image(&dir.path().join("b.jpg")).unwrap_err(), CaptureError::Missing);
        assert_eq!(read_image(dir.path()).unwrap_err(), CaptureError::Folder);
    }
}
