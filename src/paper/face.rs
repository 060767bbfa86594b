//! The one typeface, carried inside the program: glyphs and their widths.

use crate::paper::PaperError;
use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, MetadataProvider};
use std::collections::BTreeMap;

/// DejaVu Sans 2.37 from Debian's package fonts-dejavu-core; licence in `font/LICENSE.txt`.
const SHIPPED: &[u8] = include_bytes!("font/DejaVuSans.ttf");

/// Signs in use besides ASCII.
#[cfg(test)]
const CHARACTERS: &str = "°±·×÷–—‘’“”•…→←↑↓≤≥≈µ²³½¼ÄÖÜäöüßéèàçñ▲△▼▶◀●○◆✓✗☐□";

/// First and last characters of the scripts that are written one sign after the other from left to right, as this program does it (Unicode blocks: Latin,
/// Greek, Cyrillic, Armenian, punctuation, signs). Scripts that need joining or another direction would come out wrong and count as lacking.
const WRITTEN: [(char, char); 5] =
    [(' ', '~'), ('\u{a1}', '\u{2ff}'), ('\u{370}', '\u{58f}'), ('\u{1e00}', '\u{1fff}'), ('\u{2010}', '\u{27bf}')];

/// Characters that would act on what is around them, or are not seen at all: soft hyphen, line and paragraph marks, marks of direction.
fn is_written(c: char) -> bool {
    !matches!(c, '\u{ad}' | '\u{483}'..='\u{489}' | '\u{2028}'..='\u{202f}' | '\u{205f}'..='\u{206f}' | '\u{20d0}'..='\u{20ff}')
}

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
        let glyphs = WRITTEN
            .iter()
            .flat_map(|(first, last)| *first..=*last)
            .filter(|c| is_written(*c))
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

    /// The text with every character that cannot be written replaced by its code, as in `[U+6F22]`; line breaks stay, and a tab is a space.
    pub fn writable(&self, text: &str) -> String {
        let mut out = String::with_capacity(text.len());
        for c in text.chars() {
            match c {
                '\n' => out.push('\n'),
                '\t' | '\u{a0}' | '\u{202f}' => out.push(' '),
                '\r' => {}
                c if self.glyphs.contains_key(&c) => out.push(c),
                c => out.push_str(&format!("[U+{:04X}]", u32::from(c))),
            }
        }
        out
    }

    /// Lines no longer than `width_mm`, broken between words, and within a word where it alone is longer.
    pub fn fitted(&self, text: &str, em_mm: f64, width_mm: f64) -> Vec<String> {
        let mut lines = Vec::new();
        for line in self.wrapped(text, em_mm, width_mm) {
            if self.width_em(&line) * em_mm <= width_mm {
                lines.push(line);
                continue;
            }
            let (mut part, mut width) = (String::new(), 0.0);
            for c in line.chars() {
                let advance = self.glyph(c).1 * em_mm;
                if width + advance > width_mm && !part.is_empty() {
                    lines.push(std::mem::take(&mut part));
                    width = 0.0;
                }
                part.push(c);
                width += advance;
            }
            lines.push(part);
        }
        lines
    }

    /// Lines no longer than `width_mm`, broken between words; a single longer word stands alone. `\n` breaks as well.
    pub fn wrapped(&self, text: &str, em_mm: f64, width_mm: f64) -> Vec<String> {
        let mut lines = Vec::new();
        for paragraph in text.split('\n') {
            let mut line = String::new();
            for word in words(paragraph) {
                let word = word.as_str();
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

/// The words of a text; a number and its unit are one.
fn words(text: &str) -> Vec<String> {
    let mut out: Vec<String> = Vec::new();
    for word in text.split(' ') {
        let unit = word.trim_end_matches([',', ';', '.', ':', ')', '?']);
        match out.last_mut() {
            Some(before)
                if ["%", "mm", "px", "m"].contains(&unit) && before.ends_with(|c: char| c.is_ascii_digit()) =>
            {
                before.push(' ');
                before.push_str(word);
            }
            _ => out.push(word.to_owned()),
        }
    }
    out
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
        let broken = face.fitted("an incomprehensibilities", 4.0, 20.0);
        assert!(broken.iter().all(|l| face.width_em(l) * 4.0 <= 20.0), "{broken:?}");
        assert_eq!(broken.concat(), "anincomprehensibilities");
    }

    #[test]
    fn what_cannot_be_written_is_shown_by_its_code() {
        let face = Typeface::shipped().unwrap();
        assert_eq!(face.writable("Čápek Иван Ελ\t漢\u{7}\r\n\u{202e}"), "Čápek Иван Ελ [U+6F22][U+0007]\n[U+202E]");
        assert!(face.can_write(&face.writable("مرحبا e\u{301}").replace('\n', "")));
    }
}
