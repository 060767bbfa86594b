//! JPEG files: the luma plane, and whether the file is whole.

use crate::capture::{CaptureError, check_size};
use crate::raster::Gray;
use std::borrow::Cow;
use zune_jpeg::JpegDecoder;
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

/// The colours, for people to look at: three bytes a pixel.
pub(super) fn decode_rgb(bytes: &[u8]) -> Result<Vec<u8>, CaptureError> {
    let options = DecoderOptions::default()
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_out_colorspace(ColorSpace::RGB);
    JpegDecoder::new_with_options(ZCursor::new(&with_tables(bytes)[..]), options)
        .decode()
        .map_err(|e| CaptureError::Damaged { kind: "JPEG", why: e.to_string() })
}

/// Decodes the luma plane. Decoders fill what is missing with grey and call it a success, so wholeness is checked first.
pub(super) fn decode_luma(bytes: &[u8]) -> Result<Gray, CaptureError> {
    let damaged = |why: String| CaptureError::Damaged { kind: "JPEG", why };
    let options = DecoderOptions::default()
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        .jpeg_set_out_colorspace(ColorSpace::Luma);
    let coded = with_tables(bytes);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&coded[..]), options);
    let whole = end_of(bytes).is_some();
    let cut_or = |why: String| if whole { damaged(why) } else { CaptureError::Truncated("JPEG") };
    decoder.decode_headers().map_err(|e| cut_or(e.to_string()))?;
    let (width, height) = decoder.dimensions().ok_or_else(|| cut_or("it has no size".into()))?;
    check_size(width as u64, height as u64)?;
    if !whole {
        return Err(CaptureError::Truncated("JPEG"));
    }
    let luma = decoder.decode().map_err(|e| damaged(e.to_string()))?;
    Gray::new(width, height, luma).ok_or_else(|| damaged("its size is not its content's".into()))
}

/// Webcams leave out the Huffman tables, which are then those of ITU-T T.81, annex K.3. The decoder fills them in where the file says so in the way of
/// Motion JPEG in AVI files (an APP0 segment that begins with `AVI1`); many cameras do not, so that it is said here.
fn with_tables(bytes: &[u8]) -> Cow<'_, [u8]> {
    let mut at = 2;
    // The segments before the coded data; anything odd is left to the decoder.
    while let (Some(0xff), Some(&code), Some(&high), Some(&low)) =
        (bytes.get(at), bytes.get(at + 1), bytes.get(at + 2), bytes.get(at + 3))
    {
        match code {
            0xff => at += 1,
            0xc4 => break,
            0xda => {
                let segment = [0xff, 0xe0, 0, 10, b'A', b'V', b'I', b'1', 0, 0, 0, 0];
                return Cow::Owned([&bytes[..2], &segment, &bytes[2..]].concat());
            }
            _ => at += 2 + (usize::from(high) << 8 | usize::from(low)),
        }
    }
    Cow::Borrowed(bytes)
}

/// How many bytes the image has up to and with its own end marker (not the one of a thumbnail inside it); `None` where it is cut off.
///
/// Walks the marker segments by their lengths and the coded data by its own rule (0xff is followed by 0x00 or a restart
/// marker). Source: ITU-T T.81, annex B.
pub(super) fn end_of(bytes: &[u8]) -> Option<usize> {
    let mut at = 2; // past the start marker
    loop {
        // Find the next marker: 0xff, possibly repeated as filling, then its code.
        while bytes.get(at).is_some_and(|&b| b != 0xff) {
            at += 1;
        }
        while bytes.get(at) == Some(&0xff) {
            at += 1;
        }
        let &code = bytes.get(at)?;
        at += 1;
        match code {
            0xd9 => return Some(at),
            0x00 | 0x01 | 0xd0..=0xd8 => {} // stuffed byte or a marker without a segment
            _ => {
                let (&high, &low) = (bytes.get(at)?, bytes.get(at + 1)?);
                at += usize::from(high) << 8 | usize::from(low);
            }
        }
    }
}

/// A grey image as a baseline JPEG; `quality` in percent.
///
/// # Errors
/// The image cannot be coded: a JPEG has at most 65,535 pixels along a side.
pub fn write_jpeg(image: &Gray, quality: u8) -> Result<Vec<u8>, CaptureError> {
    let mut bytes = Vec::new();
    image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality)
        .encode(image.data(), image.width() as u32, image.height() as u32, image::ExtendedColorType::L8)
        .map_err(|e| CaptureError::Damaged { kind: "JPEG", why: e.to_string() })?;
    Ok(bytes)
}
