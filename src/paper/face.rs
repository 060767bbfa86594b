//! The one typeface, carried inside the program: glyphs and their widths.

use crate::paper::PaperError;
use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider};
use std::collections::BTreeMap;

/// DejaVu Sans 2.37 from Debian's package fonts-dejavu-core; licence in `font/LICENSE.txt`.
const SHIPPED: &[u8] = include_bytes!("font/DejaVuSans.ttf");

/// Printable characters that texts are made of: Latin and the signs in use.
const CHARACTERS: &str = "°±·×÷–—‘’“”•…→←↑↓≤≥≈µ²³½¼ÄÖÜäöüßéèàçñ▲△▼▶◀●○◆✓✗☐□";

/// A typeface with the widths of its characters.
#[derive(Clone, Debug)]
pub struct Typeface {
    data: &'static [u8],
    /// By character: glyph and advance in ems.
    glyphs: BTreeMap<char, (u32, f64)>,
}

impl Typeface {
    /// The shipped one.
    pub fn shipped() -> Result<Self, PaperError> {
        let font = FontRef::new(SHIPPED).map_err(|_| PaperError::Font)?;
        let charmap = font.charmap();
        let metrics = font.glyph_metrics(Size::new(1.0), LocationRef::default());
        let characters = (' '..='~').chain(CHARACTERS.chars());
        let glyphs = characters
            .filter_map(|c| {
                let id = charmap.map(c)?;
                Some((c, (id.to_u32(), f64::from(metrics.advance_width(id)?))))
            })
            .collect();
        Ok(Self { data: SHIPPED, glyphs })
    }

    /// The font file.
    pub fn data(&self) -> &'static [u8] {
        self.data
    }

    /// Glyph and advance (in ems) of a character; what the typeface or our list lacks is shown as a question mark.
    pub fn glyph(&self, c: char) -> (u32, f64) {
        let known = |c: char| self.glyphs.get(&c).copied();
        known(c).or_else(|| known('?')).unwrap_or((0, 0.5))
    }

    /// True where every character has a glyph.
    pub fn can_write(&self, text: &str) -> bool {
        text.chars().all(|c| self.glyphs.contains_key(&c))
    }

    /// Length of a line of text in ems.
    pub fn width_em(&self, text: &str) -> f64 {
        text.chars().map(|c| self.glyph(c).1).sum()
    }

    /// Lines no longer than `width_mm`, broken between words; a single longer word stands alone. `\n` breaks as well.
    pub fn wrapped(&self, text: &str, em_mm: f64, width_mm: f64) -> Vec<String> {
        let mut lines = Vec::new();
        for paragraph in text.split('\n') {
            let mut line = String::new();
            for word in paragraph.split(' ') {
                let longer = if line.is_empty() { word.to_owned() } else { format!("{line} {word}") };
                if line.is_empty() || self.width_em(&longer) * em_mm <= width_mm {
                    line = longer;
                } else {
                    lines.push(std::mem::replace(&mut line, word.to_owned()));
                }
            }
            lines.push(line);
        }
        lines
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shipped_typeface_has_every_character_in_use() {
        let face = Typeface::shipped().unwrap();
        for c in (' '..='~').chain(CHARACTERS.chars()) {
            assert!(face.can_write(&c.to_string()), "{c:?}");
        }
        assert!(!face.can_write("漢"));
        // Widths from the font's own table, as any font viewer shows them: 2048 units per em, "0" is 1303 wide, "i" is 569.
        assert!((face.width_em("0") - 1303.0 / 2048.0).abs() < 1e-6, "{}", face.width_em("0"));
        assert!((face.width_em("i") - 569.0 / 2048.0).abs() < 1e-6, "{}", face.width_em("i"));
    }

    #[test]
    fn lines_are_broken_between_words() {
        let face = Typeface::shipped().unwrap();
        let text = "one two three four\nfive";
        let lines = face.wrapped(text, 4.0, 25.0);
        assert!(lines.iter().all(|l| face.width_em(l) * 4.0 <= 25.0), "{lines:?}");
        assert_eq!(lines.join(" "), "one two three four five");
        assert_eq!(lines.last().map(String::as_str), Some("five"));
        assert_eq!(face.wrapped("incomprehensibilities", 4.0, 5.0), ["incomprehensibilities"]);
    }
}
