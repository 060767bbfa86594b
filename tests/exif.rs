//! Photographs by what the camera wrote into them: the right camera passes, another is refused with both values, and no damage makes the program fall over.
//!
//! The EXIF segments are written here byte by byte after CIPA DC-008 (Exif 2.32) and TIFF 6.0.

mod common;

use common::{bay_with, edit};
use plumbsight::capture::exif::{mismatches, read_exif, start_focal_px};
use plumbsight::capture::{CameraIdentity, ExifState};
use plumbsight::record::{Purpose, read_job};

/// One field of a directory: its tag, type (2 text, 3 short, 5 rational), and its bytes.
type Field = (u16, u16, u32, Vec<u8>);

/// A writer of one EXIF block, in either byte order.
struct Writer {
    big: bool,
}

impl Writer {
    fn u16(&self, v: u16) -> [u8; 2] {
        if self.big { v.to_be_bytes() } else { v.to_le_bytes() }
    }
    fn u32(&self, v: u32) -> [u8; 4] {
        if self.big { v.to_be_bytes() } else { v.to_le_bytes() }
    }
    fn text(&self, tag: u16, text: &str) -> Field {
        let bytes: Vec<u8> = text.bytes().chain([0]).collect();
        (tag, 2, bytes.len() as u32, bytes)
    }
    fn short(&self, tag: u16, v: u16) -> Field {
        (tag, 3, 1, self.u16(v).to_vec())
    }
    fn long(&self, tag: u16, v: u32) -> Field {
        (tag, 4, 1, self.u32(v).to_vec())
    }
    fn rational(&self, tag: u16, a: u32, b: u32) -> Field {
        (tag, 5, 1, [self.u32(a), self.u32(b)].concat())
    }
    /// A directory that begins at `at` in the block.
    fn directory(&self, fields: &[Field], at: usize) -> Vec<u8> {
        let mut out = self.u16(fields.len() as u16).to_vec();
        let mut beyond = Vec::new();
        let start = at + 2 + 12 * fields.len() + 4;
        for (tag, kind, count, bytes) in fields {
            out.extend(self.u16(*tag));
            out.extend(self.u16(*kind));
            out.extend(self.u32(*count));
            if bytes.len() <= 4 {
                let mut inline = bytes.clone();
                inline.resize(4, 0);
                out.extend(inline);
            } else {
                out.extend(self.u32((start + beyond.len()) as u32));
                beyond.extend(bytes);
                if beyond.len() % 2 == 1 {
                    beyond.push(0);
                }
            }
        }
        out.extend([0; 4]);
        out.extend(beyond);
        out
    }
    /// The block: header, main directory with a pointer, the camera's own directory.
    fn block(&self, mut main: Vec<Field>, own: &[Field]) -> Vec<u8> {
        let mut out: Vec<u8> = if self.big { b"MM\0\x2a".to_vec() } else { b"II\x2a\0".to_vec() };
        out.extend(self.u32(8));
        main.push((0x8769, 4, 1, self.u32(0).to_vec()));
        let length = self.directory(&main, 8).len();
        main.last_mut().unwrap().3 = self.u32(8 + length as u32).to_vec();
        out.extend(self.directory(&main, 8));
        let at = out.len();
        out.extend(self.directory(own, at));
        out
    }
}

/// What the made camera writes: a phone's main lens at 4.25 mm, unless told otherwise.
struct Written {
    big: bool,
    model: &'static str,
    focal: (u32, u32),
    film: u16,
    zoom: (u32, u32),
    orientation: u16,
}

impl Default for Written {
    fn default() -> Self {
        Written { big: true, model: "Made-up 5", focal: (425, 100), film: 26, zoom: (1, 1), orientation: 1 }
    }
}

impl Written {
    fn block(&self) -> Vec<u8> {
        let w = Writer { big: self.big };
        w.block(
            vec![w.text(0x010f, "Invented"), w.text(0x0110, self.model), w.short(0x0112, self.orientation)],
            &[
                w.text(0x9003, "2026:11:25 15:04:05"),
                w.rational(0x920a, self.focal.0, self.focal.1),
                w.long(0xa002, 1920),
                w.long(0xa003, 1080),
                w.rational(0xa404, self.zoom.0, self.zoom.1),
                w.short(0xa405, self.film),
                w.text(0xa434, "main lens"),
            ],
        )
    }
    /// A JPEG with the block in its first segment (any JPEG that begins with its start marker).
    fn put_into(&self, jpeg: &[u8]) -> Vec<u8> {
        with_block(jpeg, &self.block())
    }
}

fn with_block(jpeg: &[u8], block: &[u8]) -> Vec<u8> {
    assert_eq!(&jpeg[..2], [0xff, 0xd8]);
    let length = (2 + 6 + block.len()) as u16;
    [&jpeg[..2], &[0xff, 0xe1], &length.to_be_bytes()[..], b"Exif\0\0", block, &jpeg[2..]].concat()
}

fn small_jpeg() -> Vec<u8> {
    let mut out = Vec::new();
    let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, 90);
    encoder.encode(&[128; 16 * 16], 16, 16, image::ExtendedColorType::L8).unwrap();
    out
}

#[test]
fn both_byte_orders_are_read() {
    for big in [true, false] {
        let bytes = Written { big, orientation: 6, ..Written::default() }.put_into(&small_jpeg());
        let ExifState::Read(facts) = read_exif(&bytes) else { panic!("not read") };
        assert_eq!(
            facts.identity,
            CameraIdentity {
                make: Some("Invented".into()),
                model: Some("Made-up 5".into()),
                lens: Some("main lens".into()),
                focal_mm: Some(4.25),
                focal_35mm: Some(26.0),
                digital_zoom: Some(1.0),
            }
        );
        assert_eq!((facts.orientation, facts.size, facts.composite), (Some(6), Some((1920, 1080)), false));
        assert_eq!(facts.taken.as_deref(), Some("2026-11-25 15:04:05"));
        // Turned for display or not: the same pixels.
        let plain = plumbsight::capture::decode(&small_jpeg()).unwrap().gray;
        assert_eq!(plumbsight::capture::decode(&bytes).unwrap().gray, plain);
    }
    assert_eq!(read_exif(&small_jpeg()), ExifState::Missing);
    assert!(read_exif(b"").facts().is_none() && read_exif(b"neither one nor the other").facts().is_none());
}

/// Only the moment at which the camera took it counts, in the form that CIPA DC-008 asks for (DateTimeOriginal, 0x9003), not when a file was saved (DateTime, 0x0132). Blanks stand for
/// "not known" there; cameras whose clock was never set write zeros (from memory).
#[test]
fn only_a_moment_is_a_time() {
    let taken = |saved: &str, written: &str| {
        let w = Writer { big: true };
        let block = w.block(vec![w.text(0x0132, saved)], &[w.text(0x9003, written)]);
        let ExifState::Read(facts) = read_exif(&with_block(&small_jpeg(), &block)) else { panic!("not read") };
        facts.taken
    };
    let saved = "2026:11:26 09:00:00";
    assert_eq!(taken(saved, "2026:02:28 23:59:59").as_deref(), Some("2026-02-28 23:59:59"));
    for no_moment in [
        "",
        "    :  :     :  :  ",
        "0000:00:00 00:00:00",
        "2026:13:01 10:00:00",
        "2026:11:00 10:00:00",
        "2026:11:25 24:00:00",
        "2026-11-25 10:00:00",
        "2026:11:25T10:00:00",
        "2026:11:25 10:00",
        "yesterday, at noon!",
        "2026:11:2\u{663} 10:00:0",
    ] {
        assert_eq!(taken(saved, no_moment), None, "{no_moment:?}");
    }
}

/// 0 means "not known" or "not used" (CIPA DC-008), and a zero denominator means nothing.
#[test]
fn zeros_are_not_values() {
    let written = Written { film: 0, zoom: (0, 1), focal: (0, 0), ..Written::default() };
    let bytes = written.put_into(&small_jpeg());
    let state = read_exif(&bytes);
    let identity = &state.facts().unwrap().identity;
    assert_eq!((identity.focal_35mm, identity.digital_zoom, identity.focal_mm), (None, Some(1.0), None));
}

#[test]
fn identities_are_compared_with_care() {
    let main = CameraIdentity {
        make: Some("Invented".into()),
        model: Some("Made-up 5".into()),
        lens: None,
        focal_mm: Some(4.25),
        focal_35mm: Some(26.0),
        digital_zoom: Some(1.0),
    };
    assert_eq!(mismatches(&main, &main), []);
    // What one of them does not know contradicts nothing; no digital zoom written is none used.
    assert_eq!(mismatches(&main, &CameraIdentity::default()), []);
    assert_eq!(
        mismatches(&main, &CameraIdentity { make: Some("INVENTED".into()), focal_mm: Some(4.26), ..main.clone() }),
        []
    );
    let what = |other: CameraIdentity| {
        mismatches(&main, &other).into_iter().map(|m| (m.what, m.of_profile, m.of_photo)).collect::<Vec<_>>()
    };
    assert_eq!(
        what(CameraIdentity { focal_mm: Some(1.54), ..main.clone() }),
        [("focal length", "4.25 mm".to_owned(), "1.54 mm".to_owned())]
    );
    assert_eq!(what(CameraIdentity { digital_zoom: Some(2.0), ..main.clone() })[0].0, "digital zoom");
    assert_eq!(what(CameraIdentity { focal_35mm: Some(28.0), ..main.clone() })[0].0, "focal length for 35 mm film");
    assert_eq!(what(CameraIdentity { model: Some("Made-up 6".into()), ..main.clone() })[0].2, "Made-up 6");
}

/// Source: the diagonal of 36 x 24 mm is 43.2666 mm; 26 mm on 4032 x 3024 pixels gives 3028.66 px (worked by hand).
#[test]
fn a_start_from_the_film_focal_length() {
    let identity = CameraIdentity { focal_35mm: Some(26.0), ..CameraIdentity::default() };
    assert!((start_focal_px(&identity, 4032, 3024).unwrap() - 3028.66).abs() < 0.01);
    assert_eq!(start_focal_px(&CameraIdentity::default(), 4032, 3024), None);
    assert_eq!(start_focal_px(&CameraIdentity { focal_35mm: Some(1e6), ..identity }, 4032, 3024), None);
}

/// Every cut and thousands of changed bytes: an answer each time, and the pixels stay readable.
#[test]
fn damage_never_stops_the_program() {
    let block = Written::default().block();
    let jpeg = small_jpeg();
    for keep in 0..block.len() {
        let _ = read_exif(&with_block(&jpeg, &block[..keep]));
    }
    let mut state = 1u32;
    let mut unread = 0;
    for _ in 0..20_000 {
        let mut damaged = block.clone();
        for _ in 0..3 {
            state = state.wrapping_mul(1664525).wrapping_add(1013904223);
            let at = (state >> 8) as usize % damaged.len();
            damaged[at] = (state >> 3) as u8;
        }
        let found = read_exif(&with_block(&jpeg, &damaged));
        unread += usize::from(!matches!(found, ExifState::Read(_)));
        if let Some(facts) = found.facts() {
            assert!(facts.identity.focal_mm.is_none_or(|f| f.is_finite() && f > 0.0));
            assert!(facts.orientation.is_none_or(|o| (1..=8).contains(&o)));
        }
    }
    assert!(unread > 0, "no damage was noticed at all");
    // The rest of the picture is read whatever the segment holds.
    assert!(plumbsight::capture::decode(&with_block(&jpeg, &block[..20])).is_ok());
}

/// A job whose profile names its camera: photographs of another zoom are refused with both values, photographs without EXIF are said once.
#[test]
fn a_job_refuses_another_zoom_and_says_what_is_silent() {
    let dir = bay_with(&[1, 2, 3, 4]);
    let lens = dir.path().join("lens.toml");
    let text = std::fs::read_to_string(&lens).unwrap();
    std::fs::write(&lens, text + "\n[taken_with]\nmake = \"Invented\"\nmodel = \"Made-up 5\"\nfocal_mm = 4.25\n")
        .unwrap();
    let put = |k: usize, written: Written| {
        let path = dir.path().join(format!("photos/{k:03}.jpg"));
        let jpeg = std::fs::read(&path).unwrap();
        std::fs::write(&path, written.put_into(&jpeg)).unwrap();
    };
    put(1, Written::default());
    put(2, Written { focal: (154, 100), film: 13, ..Written::default() });
    put(3, Written { orientation: 2, ..Written::default() });
    let job = read_job(dir.path(), Purpose::Verdict).unwrap();
    let look = plumbsight::session::look(&job, &|_| {});
    let names: Vec<&str> = look.photos.iter().map(|p| p.name.as_str()).collect();
    assert_eq!(names, ["photos/001.jpg", "photos/003.jpg", "photos/004.jpg"]);
    let said = |about: &str, text: &str| look.notices.iter().any(|n| n.about == about && n.text.contains(text));
    assert!(said("photos/002.jpg", "focal length 1.54 mm instead of 4.25 mm"), "{:?}", look.notices);
    assert!(said("photos/003.jpg", "mirrored for display"), "{:?}", look.notices);
    assert!(said("photographs", "1 of 4 do not say which camera"), "{:?}", look.notices);
    // A profile that names no camera asks nothing.
    edit(&lens, "[taken_with]\nmake = \"Invented\"\nmodel = \"Made-up 5\"\nfocal_mm = 4.25\n", "");
    let look = plumbsight::session::look(&read_job(dir.path(), Purpose::Verdict).unwrap(), &|_| {});
    assert_eq!((look.photos.len(), look.refused.len()), (4, 0));
    assert!(!look.notices.iter().any(|n| n.about == "photographs"), "{:?}", look.notices);
}
