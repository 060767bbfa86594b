//! Pages to PDF, at exact scale.

use crate::paper::{Item, Look, Outline, Page, PaperError, Step, Typeface};
use crate::units::pt_from_mm;
use krilla::color::{luma, rgb};
use krilla::configure::{Archival, ConfigurationBuilder};
use krilla::geom::{Path, PathBuilder, Point, Size, Transform};
use krilla::image::Image;
use krilla::metadata::{DateTime, Metadata};
use krilla::num::NormalizedF32;
use krilla::page::PageSettings;
use krilla::paint::{Fill, FillRule, LineCap, LineJoin, Stroke, StrokeDash};
use krilla::surface::Surface;
use krilla::text::{Font, GlyphId, KrillaGlyph};
use krilla::{Document, SerializeSettings};

/// How much of its size a bold text is stroked with.
const BOLD_SHARE: f64 = 0.035;

/// A moment in universal time: year, month, day, hour, minute, second.
pub type Moment = (u16, [u8; 5]);

/// Writes pages as one PDF with this title. The same pages give the same bytes: there is no date in the file.
///
/// Lengths come out true to better than 0.001 mm: they are written as 32-bit numbers of 1/72 in.
pub fn write(pages: &[Page], title: &str, face: &Typeface) -> Result<Vec<u8>, PaperError> {
    let settings = SerializeSettings { enable_tagging: false, ..SerializeSettings::default() };
    at_full_size(filled(settings, metadata(title), pages, face)?)
        .ok_or_else(|| PaperError::Pdf("its catalogue is not where it should be".into()))
}

/// Writes pages as one PDF for keeping: PDF/A-2b (ISO 19005-2), which the writer checks while it writes. The same pages, title and moment give the same
/// bytes.
pub fn write_archival(pages: &[Page], title: &str, made: Moment, face: &Typeface) -> Result<Vec<u8>, PaperError> {
    let configuration = ConfigurationBuilder::new()
        .with_archival_validator(Archival::A2_B)
        .finish()
        .map_err(|e| PaperError::Pdf(format!("{e:?}")))?;
    let settings = SerializeSettings { enable_tagging: false, configuration, ..SerializeSettings::default() };
    let (year, [month, day, hour, minute, second]) = made;
    let date = DateTime::new(year).month(month).day(day).hour(hour).minute(minute).second(second);
    let date = date.utc_offset_hour(0).utc_offset_minute(0);
    filled(settings, metadata(title).creation_date(date), pages, face)
}

fn metadata(title: &str) -> Metadata {
    Metadata::new()
        .title(title.to_owned())
        .language("en".to_owned())
        .creator(concat!("plumbsight ", env!("CARGO_PKG_VERSION")).to_owned())
        .producer(concat!("plumbsight ", env!("CARGO_PKG_VERSION")).to_owned())
}

fn filled(
    settings: SerializeSettings,
    metadata: Metadata,
    pages: &[Page],
    face: &Typeface,
) -> Result<Vec<u8>, PaperError> {
    let font = Font::new(face.data().to_vec().into(), 0).ok_or(PaperError::Font)?;
    let mut document = Document::new_with(settings);
    document.set_metadata(metadata);
    for page in pages {
        let [width, height] = page.size_mm.map(|mm| pt_from_mm(mm) as f32);
        let settings =
            PageSettings::from_wh(width, height).ok_or_else(|| PaperError::Pdf("a page without size".into()))?;
        let mut sheet = document.start_page_with(settings);
        let mut surface = sheet.surface();
        for item in &page.items {
            match item {
                Item::Shape { outline, look } => shape(&mut surface, outline, look),
                Item::Picture { at_mm, size_mm, jpeg } => picture(&mut surface, *at_mm, *size_mm, jpeg)?,
                Item::Text { at_mm, angle_rad, em_mm, ink, bold, text, .. } => {
                    let line = bold.then_some((*ink, em_mm * BOLD_SHARE));
                    paint(&mut surface, &Look { fill: Some(*ink), line, dash_mm: None });
                    line_of_text(&mut surface, face, &font, *at_mm, *angle_rad, *em_mm, text);
                }
            }
        }
        surface.finish();
        sheet.finish();
    }
    document.finish().map_err(|e| PaperError::Pdf(format!("{e:?}")))
}

/// Not interpolated by readers, as keeping asks.
fn picture(surface: &mut Surface, at_mm: [f64; 2], size_mm: [f64; 2], jpeg: &[u8]) -> Result<(), PaperError> {
    let image = Image::from_jpeg(jpeg.to_vec().into(), false).map_err(PaperError::Pdf)?;
    let size = Size::from_wh(pt(size_mm[0]), pt(size_mm[1]))
        .ok_or_else(|| PaperError::Pdf("a picture without size".into()))?;
    surface.push_transform(&Transform::from_translate(pt(at_mm[0]), pt(at_mm[1])));
    surface.draw_image(image, size);
    surface.pop();
    Ok(())
}

/// Tells the print window to begin with "actual size" instead of "fit to page": `/PrintScaling /None`. Source: ISO 32000-1:2008, table 150.
///
/// The writer in use has no call for it. Its catalogue is the file's last object, so that a few bytes more in it move nothing but the cross-reference
/// table, whose place stands at the end. `None` where the file is built in another way.
fn at_full_size(bytes: Vec<u8>) -> Option<Vec<u8>> {
    const CATALOGUE: &[u8] = b"<</Type/Catalog";
    const WISH: &[u8] = b"/ViewerPreferences<</PrintScaling/None>>";
    const START: &[u8] = b"startxref\n";
    let last = |part: &[u8], within: &[u8]| within.windows(part.len()).rposition(|w| w == part);
    let start = last(START, &bytes)? + START.len();
    let digits = bytes[start..].iter().take_while(|b| b.is_ascii_digit()).count();
    let table: usize = std::str::from_utf8(&bytes[start..start + digits]).ok()?.parse().ok()?;
    let catalogue = last(CATALOGUE, bytes.get(..table)?)? + CATALOGUE.len();
    // Only one object begins there, the last.
    let rest = &bytes[catalogue..table];
    let alone = rest.ends_with(b"endobj\n") && rest.windows(4).filter(|w| *w == b" obj").count() == 0;
    if !alone || !bytes[table..].starts_with(b"xref\n") {
        return None;
    }
    let mut out = bytes[..catalogue].to_vec();
    out.extend_from_slice(WISH);
    out.extend_from_slice(&bytes[catalogue..start]);
    out.extend_from_slice((table + WISH.len()).to_string().as_bytes());
    out.extend_from_slice(&bytes[start + digits..]);
    Some(out)
}

fn pt(mm: f64) -> f32 {
    pt_from_mm(mm) as f32
}

fn colour(ink: crate::paper::Ink) -> krilla::paint::Paint {
    match ink.0 {
        [r, g, b] if r == g && g == b => luma::Color::new(r).into(),
        [r, g, b] => rgb::Color::new(r, g, b).into(),
    }
}

fn paint(surface: &mut Surface, look: &Look) {
    surface.set_fill(look.fill.map(|ink| Fill {
        paint: colour(ink),
        opacity: NormalizedF32::ONE,
        rule: FillRule::NonZero,
    }));
    surface.set_stroke(look.line.map(|(ink, width_mm)| Stroke {
        paint: colour(ink),
        width: pt(width_mm),
        miter_limit: 4.0,
        line_cap: LineCap::Butt,
        line_join: LineJoin::Miter,
        opacity: NormalizedF32::ONE,
        dash: look.dash_mm.map(|dash| StrokeDash { array: dash.map(pt).to_vec(), offset: 0.0 }),
    }));
}

fn shape(surface: &mut Surface, outline: &Outline, look: &Look) {
    if let Some(path) = path(outline) {
        paint(surface, look);
        surface.draw_path(&path);
    }
}

/// `None` for an outline without length.
fn path(outline: &Outline) -> Option<Path> {
    let mut builder = PathBuilder::new();
    for step in &outline.0 {
        match step {
            Step::Move([x, y]) => builder.move_to(pt(*x), pt(*y)),
            Step::Line([x, y]) => builder.line_to(pt(*x), pt(*y)),
            Step::Curve(a, b, c) => builder.cubic_to(pt(a[0]), pt(a[1]), pt(b[0]), pt(b[1]), pt(c[0]), pt(c[1])),
            Step::Close => builder.close(),
        }
    }
    builder.finish()
}

fn line_of_text(
    surface: &mut Surface,
    face: &Typeface,
    font: &Font,
    at_mm: [f64; 2],
    angle_rad: f64,
    em_mm: f64,
    text: &str,
) {
    let glyphs: Vec<KrillaGlyph> = text
        .char_indices()
        .map(|(k, c)| {
            let (id, advance) = face.glyph(c);
            KrillaGlyph::new(GlyphId::new(id), advance as f32, 0.0, 0.0, 0.0, k..k + c.len_utf8(), None)
        })
        .collect();
    if glyphs.is_empty() {
        return;
    }
    let (sin, cos) = angle_rad.sin_cos();
    let (sin, cos) = (sin as f32, cos as f32);
    surface.push_transform(&Transform::from_row(cos, -sin, sin, cos, pt(at_mm[0]), pt(at_mm[1])));
    surface.draw_glyphs(Point::from_xy(0.0, 0.0), &glyphs, font.clone(), text, pt(em_mm), false);
    surface.pop();
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::paper::{Align, Canvas, Ink};

    #[test]
    fn the_same_pages_give_the_same_bytes() {
        let face = Typeface::shipped().unwrap();
        let page = || {
            let mut canvas = Canvas::new(&face, [210.0, 297.0]);
            canvas.paint(&Outline::rectangle(10.0, 10.0, 100.0, 50.0), Look::filled(Ink::BLACK));
            canvas.text([20.0, 100.0], 5.0, Align::Left, Ink::BLACK, "150.0 mm ± 0.1 mm");
            canvas.finish()
        };
        let [a, b] = [0, 1].map(|_| write(&[page(), page()], "test", &face).unwrap());
        assert!(a == b && a.starts_with(b"%PDF-1."));
        let text = String::from_utf8_lossy(&a);
        assert!(text.contains("/PrintScaling/None"));
        let start: usize = text.rsplit("startxref\n").next().unwrap().lines().next().unwrap().parse().unwrap();
        assert!(a[start..].starts_with(b"xref\n"), "the cross-reference table is where the file says");
        assert!(text.contains("/Count 2") && !text.contains("CreationDate"));
        // A4 in points: 210/25.4 × 72 and 297/25.4 × 72.
        assert!(text.contains("595.2756") && text.contains("841.8898"), "{text:.2000}");
    }
}
