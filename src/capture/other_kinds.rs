//! Files that are no JPEG and no PNG, named by how they begin, so that a person knows what came off the phone and what to do.
//!
//! Sources of the marks: ISO/IEC 14496-12 (`ftyp` and its brands), ISO/IEC 23008-12 annex B (HEIF and HEIC brands), AV1 Image File Format 1.1 (`avif`, `avis`), RFC 9649 (WebP),
//! ISO 32000-2 7.5.2 (PDF), TIFF 6.0 section 2, ISO/IEC 18181-2 (JPEG XL), RFC 1952 and PKWARE's APPNOTE (archives). Marks of raw formats are common practice, without a source.

/// What to do where the camera chose a format of its own.
const SET_TO_JPEG: &str = "Set the camera to JPEG (some phones call it \"most compatible\") and photograph again; where that is too late, have the camera's own program save it as JPEG in full size, which may lose what the camera wrote into it.";

/// What to do where it is no photograph.
const NO_PHOTOGRAPH: &str = "Put the camera's own JPEG there, or take the file out of the list.";

/// What a file is and what to do, by its first bytes; `None` where that is not known.
pub(super) fn named(bytes: &[u8]) -> Option<(&'static str, &'static str)> {
    let starts = |mark: &[u8]| bytes.starts_with(mark);
    let at = |k: usize, mark: &[u8]| bytes.get(k..).is_some_and(|rest| rest.starts_with(mark));
    if at(4, b"ftyp") {
        return Some(boxed(bytes.get(8..12)?, bytes));
    }
    let text = String::from_utf8_lossy(&bytes[..bytes.len().min(64)]).trim_start().to_lowercase();
    Some(match () {
        _ if starts(b"RIFF") && at(8, b"WEBP") => ("a WebP image", SET_TO_JPEG),
        _ if starts(b"RIFF") && at(8, b"AVI ") => ("a film", NO_PHOTOGRAPH),
        _ if starts(b"%PDF-") => ("a PDF document", NO_PHOTOGRAPH),
        // A raw file of most makers is a TIFF of its own kind.
        _ if starts(b"II*\0") && at(8, b"CR") => ("a raw file", SET_TO_JPEG),
        _ if starts(b"II*\0") || starts(b"MM\0*") => ("a raw file (DNG or the like) or a TIFF image", SET_TO_JPEG),
        _ if starts(b"IIU\0") || starts(b"IIRO") || starts(b"IIRS") || starts(b"MMOR") => ("a raw file", SET_TO_JPEG),
        _ if starts(b"\0\0\0\x0cJXL ") || starts(&[0xff, 0x0a]) => ("a JPEG XL image", SET_TO_JPEG),
        _ if starts(b"\0\0\0\x0cjP  ") => ("a JPEG 2000 image", SET_TO_JPEG),
        _ if starts(b"GIF8") => ("a GIF image", SET_TO_JPEG),
        _ if starts(b"BM") && bytes.len() > 26 => ("a BMP image", SET_TO_JPEG),
        _ if starts(b"PK\x03\x04") || starts(&[0x1f, 0x8b]) => {
            ("an archive (ZIP or the like)", "Unpack it and put the photographs themselves there.")
        }
        _ if text.starts_with("<!doctype html") || text.starts_with("<html") => {
            ("a web page", "It was saved in place of the picture: save the picture itself, as the camera wrote it.")
        }
        _ => return None,
    })
}

/// A file in boxes: images of newer phones, and films, told by their brands.
fn boxed(brand: &[u8], bytes: &[u8]) -> (&'static str, &'static str) {
    // The main brand of some is a general one; what it is then stands among the compatible ones, up to the end of the box.
    let length = bytes.first_chunk::<4>().map_or(0, |b| u32::from_be_bytes(*b) as usize);
    let others = bytes.get(16..length.min(bytes.len()).max(16)).unwrap_or_default();
    let has = |names: &[&[u8]]| names.contains(&brand) || others.chunks_exact(4).any(|b| names.contains(&b));
    let heic: [&[u8]; 6] = [b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx"];
    match () {
        _ if has(&[b"avif", b"avis"]) => ("an AVIF image", SET_TO_JPEG),
        _ if has(&heic) => ("a HEIC image", SET_TO_JPEG),
        _ if has(&[b"mif1", b"msf1"]) => ("a HEIF image", SET_TO_JPEG),
        _ if brand == b"crx " => ("a raw file", SET_TO_JPEG),
        _ => ("a film", NO_PHOTOGRAPH),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The first bytes of files that OpenCV 5.0.0 wrote (AVIF, WebP, TIFF, BMP, JPEG 2000), and heads made by the standards, which `file` 5.44 names in the same way.
    #[test]
    fn what_came_off_a_phone_is_named() {
        let boxed = |main: &[u8; 4], others: &[&[u8; 4]]| {
            let mut out = (16 + 4 * others.len() as u32).to_be_bytes().to_vec();
            out.extend(b"ftyp");
            out.extend(main);
            out.extend([0; 4]);
            others.iter().for_each(|o| out.extend(*o));
            out.extend(b"\0\0\x01\0meta and more");
            out
        };
        for (bytes, what) in [
            (b"\0\0\0\x1cftypavif\0\0\0\0avifmif1miaf\0\0\0\xe9meta\0\0\0\0".to_vec(), "an AVIF image"),
            (b"RIFF \0\0\0WEBPVP8L\x14\0\0\0/?\xc0\x0f".to_vec(), "a WebP image"),
            (b"II*\0r\0\0\0\x80\0 P8$\x16\r".to_vec(), "a raw file (DNG or the like) or a TIFF image"),
            (b"BM6\x14\0\0\0\0\0\x006\x04\0\0(\0\0\0@\0\0\0@\0\0\0\x01\0".to_vec(), "a BMP image"),
            (b"\0\0\0\x0cjP  \r\n\x87\n\0\0\0\x14ftypjp2 ".to_vec(), "a JPEG 2000 image"),
            (boxed(b"heic", &[b"mif1", b"heic"]), "a HEIC image"),
            (boxed(b"mif1", &[b"mif1", b"heic"]), "a HEIC image"),
            (boxed(b"mif1", &[b"mif1"]), "a HEIF image"),
            (boxed(b"crx ", &[b"isom"]), "a raw file"),
            (boxed(b"qt  ", &[]), "a film"),
            (boxed(b"isom", &[b"mp41"]), "a film"),
            (b"%PDF-1.7\n".to_vec(), "a PDF document"),
            (b"MM\0*\0\0\0\x08".to_vec(), "a raw file (DNG or the like) or a TIFF image"),
            (b"II*\0\x10\0\0\0CR\x02\0".to_vec(), "a raw file"),
            (b"PK\x03\x04\x14\0".to_vec(), "an archive (ZIP or the like)"),
            (b"\n <!DOCTYPE html><html>".to_vec(), "a web page"),
        ] {
            assert_eq!(named(&bytes).map(|(what, _)| what), Some(what), "{bytes:02x?}");
        }
        for unknown in [&b"no picture at all"[..], b"", b"\0\0\0\x18ftyp", b"RIFF", b"BMW"] {
            assert_eq!(named(unknown), None, "{unknown:02x?}");
        }
    }
}
