//! What a camera wrote into a photograph's file (EXIF): which camera, which lens, which zoom, when.
//!
//! Nothing here moves a pixel: geometry uses the pixels as they are stored, and the orientation note is only reported. Serial numbers are left unread on
//! purpose: they are personal data. Tag meanings: CIPA DC-008 (Exif 2.32), as named in the exif crate's documentation.

use exif::{Exif, In, Reader, Tag, Value};

/// Focal lengths (relative) that differ by more than this are different zooms. Common practice, no source: cameras round to about a thousandth.
const SAME_FOCAL: f64 = 0.005;

/// Which camera took a photograph, through which lens and at which zoom; what is not known is `None`.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct CameraIdentity {
    /// Maker as written.
    pub make: Option<String>,
    /// Model as written.
    pub model: Option<String>,
    /// Lens as written.
    pub lens: Option<String>,
    /// Focal length as written, mm.
    pub focal_mm: Option<f64>,
    /// Focal length of a 36 x 24 mm camera with the same view, mm; rounded to 1 mm by most cameras.
    pub focal_35mm: Option<f64>,
    /// Digital zoom; 1 is none.
    pub digital_zoom: Option<f64>,
}

/// All that is read.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ExifFacts {
    /// The camera.
    pub identity: CameraIdentity,
    /// How a viewer should turn the picture, 1..=8; 1 is as stored, 2, 4, 5 and 7 are mirrored.
    pub orientation: Option<u32>,
    /// Size the camera wrote, pixels.
    pub size: Option<(u32, u32)>,
    /// When it was taken, by the camera's clock, where it wrote a moment that can be one: `2026-11-25 15:04:05`. When a file was saved does not count.
    pub taken: Option<String>,
    /// The camera put the picture together from several: its geometry may have been changed.
    pub composite: bool,
}

/// What a file holds of EXIF.
#[derive(Clone, Debug, PartialEq)]
pub enum ExifState {
    /// None.
    Missing,
    /// Something that cannot be read, and why.
    Damaged(String),
    /// Read.
    Read(Box<ExifFacts>),
}

impl ExifState {
    /// The facts, where there are any.
    pub fn facts(&self) -> Option<&ExifFacts> {
        match self {
            ExifState::Read(facts) => Some(facts),
            _ => None,
        }
    }
}

/// Reads the EXIF of an image file in memory. Never fails: what cannot be read is said.
pub fn read_exif(bytes: &[u8]) -> ExifState {
    let mut reader = Reader::new();
    reader.continue_on_error(true);
    let read = reader.read_from_container(&mut std::io::Cursor::new(bytes));
    // A field that cannot be read costs that field only.
    let exif = match read {
        Ok(exif) => exif,
        Err(exif::Error::NotFound(_)) => return ExifState::Missing,
        Err(exif::Error::PartialResult(partial)) => partial.into_inner().0,
        Err(other) => return ExifState::Damaged(other.to_string()),
    };
    let taken = text(&exif, Tag::DateTimeOriginal).and_then(|t| moment(&t));
    let positive = |v: Option<f64>| v.filter(|v| v.is_finite() && *v > 0.0);
    ExifState::Read(Box::new(ExifFacts {
        identity: CameraIdentity {
            make: text(&exif, Tag::Make),
            model: text(&exif, Tag::Model),
            lens: text(&exif, Tag::LensModel),
            focal_mm: positive(number(&exif, Tag::FocalLength)),
            // 0 means "not known" (CIPA DC-008).
            focal_35mm: positive(number(&exif, Tag::FocalLengthIn35mmFilm)),
            // 0 means "not used".
            digital_zoom: number(&exif, Tag::DigitalZoomRatio)
                .filter(|v| v.is_finite())
                .map(|z| if z > 0.0 { z } else { 1.0 }),
        },
        orientation: number(&exif, Tag::Orientation).map(|v| v as u32).filter(|v| (1..=8).contains(v)),
        size: number(&exif, Tag::PixelXDimension)
            .zip(number(&exif, Tag::PixelYDimension))
            .map(|(w, h)| (w as u32, h as u32))
            .filter(|(w, h)| *w > 0 && *h > 0),
        taken,
        composite: number(&exif, Tag::CompositeImage).is_some_and(|v| v >= 2.0),
    }))
}

/// A text field, trimmed, readable characters only, of a length that can be shown.
fn text(exif: &Exif, tag: Tag) -> Option<String> {
    let Value::Ascii(parts) = &exif.get_field(tag, In::PRIMARY)?.value else { return None };
    let joined = parts.iter().map(|p| String::from_utf8_lossy(p)).collect::<Vec<_>>().join(" ");
    let clean: String = joined.chars().filter(|c| !c.is_control() && *c != '\u{fffd}').take(120).collect();
    let clean = clean.split_whitespace().collect::<Vec<_>>().join(" ");
    (!clean.is_empty()).then_some(clean)
}

/// `2026:11:25 15:04:05` (CIPA DC-008) as `2026-11-25 15:04:05`; `None` for what is no moment: blanks and zeros stand for a clock that was never set.
fn moment(written: &str) -> Option<String> {
    let form = |(b, like): (u8, u8)| if like == b'0' { b.is_ascii_digit() } else { b == like };
    if written.len() != 19 || !written.bytes().zip(*b"0000:00:00 00:00:00").all(form) {
        return None;
    }
    let part = |from: usize, to: usize| written.get(from..to)?.parse::<u32>().ok();
    let (year, month, day) = (part(0, 4)?, part(5, 7)?, part(8, 10)?);
    let (hour, minute, second) = (part(11, 13)?, part(14, 16)?, part(17, 19)?);
    let possible =
        year > 0 && (1..=12).contains(&month) && (1..=31).contains(&day) && hour < 24 && minute < 60 && second <= 60;
    possible.then(|| format!("{}{}", written[..10].replace(':', "-"), &written[10..]))
}

/// The first number of a field, of whatever kind.
fn number(exif: &Exif, tag: Tag) -> Option<f64> {
    let field = exif.get_field(tag, In::PRIMARY)?;
    match &field.value {
        Value::Rational(v) => v.first().map(exif::Rational::to_f64),
        _ => field.value.get_uint(0).map(f64::from),
    }
}

/// A fact in which a photograph and its lens profile differ.
#[derive(Clone, Debug, PartialEq)]
pub struct Mismatch {
    /// What.
    pub what: &'static str,
    /// In the profile.
    pub of_profile: String,
    /// In the photograph.
    pub of_photo: String,
}

/// In what two identities contradict each other; what one of them does not know contradicts nothing.
pub fn mismatches(profile: &CameraIdentity, photo: &CameraIdentity) -> Vec<Mismatch> {
    let mut out = Vec::new();
    for (what, a, b) in [
        ("camera maker", &profile.make, &photo.make),
        ("camera model", &profile.model, &photo.model),
        ("lens", &profile.lens, &photo.lens),
    ] {
        if let (Some(a), Some(b)) = (a, b)
            && !a.eq_ignore_ascii_case(b)
        {
            out.push(Mismatch { what, of_profile: a.clone(), of_photo: b.clone() });
        }
    }
    for (what, unit, a, b, tolerance) in [
        ("focal length", " mm", profile.focal_mm, photo.focal_mm, SAME_FOCAL),
        // Whole numbers: half a millimetre is no difference.
        (
            "focal length for 35 mm film",
            " mm",
            profile.focal_35mm,
            photo.focal_35mm,
            0.5 / profile.focal_35mm.unwrap_or(36.0),
        ),
        // Not written is not used.
        ("digital zoom", "", profile.digital_zoom.or(Some(1.0)), photo.digital_zoom.or(Some(1.0)), SAME_FOCAL),
    ] {
        if let (Some(a), Some(b)) = (a, b)
            && (a - b).abs() > tolerance * a.abs().max(1e-9)
        {
            out.push(Mismatch { what, of_profile: format!("{a}{unit}"), of_photo: format!("{b}{unit}") });
        }
    }
    out
}

/// The focal length in pixels that the 35 mm figure suggests for an image of this size, by the diagonal: good to about 5 %, for a start only.
///
/// 43.2666 mm is the diagonal of 36 x 24 mm. A picture cropped to another shape than the sensor's is off by more.
pub fn start_focal_px(identity: &CameraIdentity, width: usize, height: usize) -> Option<f64> {
    let diagonal_mm = 36.0f64.hypot(24.0);
    let focal = identity.focal_35mm? / diagonal_mm * (width as f64).hypot(height as f64);
    (focal > 0.2 * width.max(height) as f64 && focal < 100.0 * width.max(height) as f64).then_some(focal)
}
