//! Text, tables and drawings from page to page: what does not fit goes on to the next one, and nothing is cut off.

use crate::paper::{Align, Canvas, Ink, LINE_EMS, Look, Outline, Page, Paper, Typeface};

use std::collections::BTreeSet;

/// Left and right margin, mm.
pub const SIDE_MM: f64 = 15.0;
/// First line of a page's content, mm from above.
const TOP_MM: f64 = 22.0;
/// Lowest line of content, mm from below.
const FOOT_MM: f64 = 17.0;
/// Size of running text.
pub const BODY_MM: f64 = 3.0;
/// Size of text in tables.
pub const SMALL_MM: f64 = 2.6;
/// Room between the columns of a table.
const GAP_MM: f64 = 3.0;

/// What stands at the head of every page.
const HEAD: &str = "plumbsight: place of a calibration target";

/// A column of a table.
#[derive(Clone, Copy, Debug)]
pub struct Column<'a> {
    /// Its heading.
    pub title: &'a str,
    /// Its share of the width.
    pub share: f64,
    /// How its cells stand.
    pub align: Align,
}

/// A column of text, from its left edge.
pub const fn words(title: &str, share: f64) -> Column<'_> {
    Column { title, share, align: Align::Left }
}

/// A column of numbers, to its right edge.
pub const fn number(title: &str, share: f64) -> Column<'_> {
    Column { title, share, align: Align::Right }
}

/// Pages being filled.
pub struct Flow<'a> {
    face: &'a Typeface,
    size_mm: [f64; 2],
    name: String,
    done: Vec<Canvas<'a>>,
    /// The page being filled.
    pub canvas: Canvas<'a>,
    /// Where the next thing begins, mm from above.
    pub y: f64,
    /// True where a text held characters that the typeface lacks.
    lacking: bool,
    /// Texts that were cut short: what they are, and all of them.
    pub in_full: Vec<(String, String)>,
    /// Those of them that stand in full already.
    stands: BTreeSet<(String, String)>,
}

impl<'a> Flow<'a> {
    /// The first page, empty.
    pub fn new(face: &'a Typeface, paper: Paper, name: &str) -> Self {
        let size_mm = paper.upright_mm();
        let mut flow = Self {
            face,
            size_mm,
            name: String::new(),
            done: Vec::new(),
            canvas: Canvas::new(face, size_mm),
            y: TOP_MM,
            lacking: false,
            in_full: Vec::new(),
            stands: BTreeSet::new(),
        };
        flow.name = flow.clean(name);
        flow
    }

    /// Left edge of the content.
    pub fn left(&self) -> f64 {
        SIDE_MM
    }

    /// Width of the content.
    pub fn width(&self) -> f64 {
        self.size_mm[0] - 2.0 * SIDE_MM
    }

    /// Lowest line of the content.
    pub fn bottom(&self) -> f64 {
        self.size_mm[1] - FOOT_MM
    }

    /// Width of a text in its size.
    pub fn width_em(&self, text: &str) -> f64 {
        self.face.width_em(text)
    }

    /// Texts that were cut short and do not stand in full yet, each once; they count as said from now on.
    pub fn take_in_full(&mut self) -> Vec<(String, String)> {
        let mut out = std::mem::take(&mut self.in_full);
        out.retain(|text| self.stands.insert(text.clone()));
        out
    }

    /// True where nothing has been put on this page yet.
    fn is_fresh(&self) -> bool {
        self.y <= TOP_MM
    }

    /// Goes on to the next page.
    pub fn break_page(&mut self) {
        if self.is_fresh() {
            return;
        }
        self.done.push(std::mem::replace(&mut self.canvas, Canvas::new(self.face, self.size_mm)));
        self.y = TOP_MM;
    }

    /// Makes room for so much height in one piece.
    pub fn need(&mut self, height: f64) {
        if self.y + height > self.bottom() {
            self.break_page();
        }
    }

    /// Text as the typeface can write it; where it cannot, the last page says so.
    pub fn clean(&mut self, text: &str) -> String {
        let out = self.face.writable(text.trim());
        self.lacking |= out.contains("[U+") && !text.contains("[U+");
        out
    }

    /// Lines of a text in a column; `most` lines at most, the last one then ending in "…". True where it was cut short.
    pub fn lines(&mut self, text: &str, em: f64, width: f64, most: usize) -> (Vec<String>, bool) {
        let text = self.clean(text);
        let mut lines = self.face.fitted(&text, em, width);
        if lines.len() <= most {
            return (lines, false);
        }
        lines.truncate(most);
        if let Some(last) = lines.last_mut() {
            while !last.is_empty() && self.face.width_em(&format!("{last}…")) * em > width {
                last.pop();
            }
            last.push('…');
        }
        (lines, true)
    }

    /// A text at a place, at most so many lines; what was cut short is remembered under `what`. Returns the height.
    pub fn short(&mut self, at: [f64; 2], em: f64, width: f64, most: usize, what: &str, text: &str) -> f64 {
        let (lines, cut) = self.lines(text, em, width, most);
        if cut {
            self.in_full.push((what.to_owned(), text.to_owned()));
        }
        for (k, line) in lines.iter().enumerate() {
            self.canvas.text([at[0], at[1] + em * (0.8 + LINE_EMS * k as f64)], em, Align::Left, Ink::BLACK, line);
        }
        lines.len() as f64 * em * LINE_EMS
    }

    /// A heading that stays with at least `with` mm of what follows.
    pub fn heading(&mut self, text: &str, with: f64) {
        if !self.is_fresh() {
            self.y += 4.0;
        }
        let (lines, cut) = self.lines(text, 4.2, self.width(), 2);
        if cut {
            self.in_full.push(("Heading".into(), text.to_owned()));
        }
        let step = 4.2 * LINE_EMS;
        let more = step * lines.len().saturating_sub(1) as f64;
        self.need(9.0 + more + with);
        for (k, line) in lines.iter().enumerate() {
            self.canvas.bold([SIDE_MM, self.y + 3.6 + step * k as f64], 4.2, Align::Left, Ink::BLACK, line);
        }
        self.y += more;
        let y = self.y + 5.6;
        self.canvas.line([SIDE_MM, y], [self.size_mm[0] - SIDE_MM, y], Ink::BLACK, 0.25);
        self.y += 8.0;
    }

    /// A smaller heading.
    pub fn subheading(&mut self, text: &str, with: f64) {
        let (lines, cut) = self.lines(text, 3.2, self.width(), 3);
        if cut {
            self.in_full.push(("Heading".into(), text.to_owned()));
        }
        self.y += 1.0;
        self.need(5.0 * lines.len() as f64 + with);
        for line in lines {
            self.canvas.bold([SIDE_MM, self.y + 2.8], 3.2, Align::Left, Ink::BLACK, &line);
            self.y += 4.8;
        }
    }

    /// Running text over the whole width.
    pub fn paragraph(&mut self, text: &str) {
        self.block(text, BODY_MM, 0.0, Ink::BLACK);
        self.y += 1.2;
    }

    /// An item of a list.
    pub fn item(&mut self, text: &str) {
        self.need(BODY_MM * LINE_EMS);
        self.canvas.text([SIDE_MM + 0.5, self.y + 0.8 * BODY_MM], BODY_MM, Align::Left, Ink::BLACK, "•");
        self.block(text, BODY_MM, 4.0, Ink::BLACK);
        self.y += 0.6;
    }

    /// Text line by line.
    pub fn block(&mut self, text: &str, em: f64, indent: f64, ink: Ink) {
        let (lines, _) = self.lines(text, em, self.width() - indent, usize::MAX);
        for line in lines {
            self.need(em * LINE_EMS);
            self.canvas.text([SIDE_MM + indent, self.y + 0.8 * em], em, Align::Left, ink, &line);
            self.y += em * LINE_EMS;
        }
    }

    /// Names on the left, what they are on the right.
    pub fn facts(&mut self, rows: &[(&str, String)]) {
        let rows: Vec<Vec<String>> = rows.iter().map(|(name, text)| vec![(*name).to_owned(), text.clone()]).collect();
        self.table(&[words("", 0.22), words("", 0.78)], &rows);
    }

    /// A table; its head is repeated on every page, and a row is kept together where a page can hold it.
    pub fn table(&mut self, columns: &[Column], rows: &[Vec<String>]) {
        let step = SMALL_MM * LINE_EMS;
        let room = self.width() - GAP_MM * (columns.len() - 1) as f64;
        let whole: f64 = columns.iter().map(|c| c.share).sum();
        let widths: Vec<f64> = columns.iter().map(|c| room * c.share / whole).collect();
        let titled = columns.iter().any(|c| !c.title.is_empty());
        let mut cells: Vec<Vec<Vec<String>>> = Vec::new();
        for row in rows {
            let wrapped = row.iter().zip(&widths).map(|(text, width)| self.lines(text, SMALL_MM, *width, usize::MAX).0);
            cells.push(wrapped.collect());
        }
        let heads: Vec<Vec<String>> =
            columns.iter().zip(&widths).map(|(c, w)| self.lines(c.title, SMALL_MM, *w, usize::MAX).0).collect();
        let height = |cells: &[Vec<String>]| cells.iter().map(Vec::len).max().unwrap_or(0).max(1) as f64 * step;
        let head_height = if titled { height(&heads) + 1.6 } else { 0.0 };
        let page = self.bottom() - TOP_MM - head_height;
        let mut head_is_due = titled;
        for row in &cells {
            let tall = height(row) + 0.8;
            if self.y + tall + if head_is_due { head_height } else { 0.0 } > self.bottom() && tall <= page {
                self.break_page();
                head_is_due = titled;
            }
            if head_is_due {
                self.need(head_height + step);
                self.head(columns, &widths, &heads);
                self.y += head_height;
                head_is_due = false;
            }
            for k in 0..row.iter().map(Vec::len).max().unwrap_or(0) {
                if self.y + step > self.bottom() {
                    self.break_page();
                    if titled {
                        self.head(columns, &widths, &heads);
                        self.y += head_height;
                    }
                }
                let line: Vec<&str> = row.iter().map(|c| c.get(k).map_or("", String::as_str)).collect();
                self.cells(columns, &widths, &line, false);
                self.y += step;
            }
            self.canvas.line([SIDE_MM, self.y + 0.3], [self.size_mm[0] - SIDE_MM, self.y + 0.3], Ink::PALE, 0.15);
            self.y += 0.8;
        }
        self.y += 1.5;
    }

    fn head(&mut self, columns: &[Column], widths: &[f64], heads: &[Vec<String>]) {
        let at = self.y;
        for k in 0..heads.iter().map(Vec::len).max().unwrap_or(0) {
            let line: Vec<&str> = heads.iter().map(|h| h.get(k).map_or("", String::as_str)).collect();
            self.cells(columns, widths, &line, true);
            self.y += SMALL_MM * LINE_EMS;
        }
        let y = self.y + 0.5;
        self.canvas.line([SIDE_MM, y], [self.size_mm[0] - SIDE_MM, y], Ink::GREY, 0.2);
        self.y = at;
    }

    fn cells(&mut self, columns: &[Column], widths: &[f64], line: &[&str], bold: bool) {
        let mut x = SIDE_MM;
        for ((column, width), text) in columns.iter().zip(widths).zip(line) {
            let at = match column.align {
                Align::Left => x,
                Align::Centre => x + width / 2.0,
                Align::Right => x + width,
            };
            if !text.is_empty() {
                let y = self.y + 0.8 * SMALL_MM;
                self.canvas.write([at, y], 0.0, SMALL_MM, column.align, Ink::BLACK, bold, text);
            }
            x += width + GAP_MM;
        }
    }

    /// The pages with their heads and feet.
    pub fn finish(mut self) -> Vec<Page> {
        if self.lacking {
            let text = "Signs that the typeface of this report lacks are shown by their code, as in [U+6F22]; the record has them as they were written.";
            self.y += 2.0;
            self.block(text, SMALL_MM, 0.0, Ink::GREY);
        }
        self.done.push(self.canvas);
        let of = self.done.len();
        let [width, height] = self.size_mm;
        let room = width - 2.0 * SIDE_MM - 30.0;
        let mut name = self.name.clone();
        while self.face.width_em(&format!("{name}…")) * SMALL_MM > room && !name.is_empty() {
            name.pop();
        }
        if name != self.name {
            name.push('…');
        }
        let pages = self.done.into_iter().enumerate().map(|(k, mut page)| {
            page.text([SIDE_MM, 13.0], SMALL_MM, Align::Left, Ink::GREY, HEAD);
            page.line([SIDE_MM, 15.0], [width - SIDE_MM, 15.0], Ink::LIGHT, 0.15);
            page.line([SIDE_MM, height - 14.5], [width - SIDE_MM, height - 14.5], Ink::LIGHT, 0.15);
            let number = format!("page {} of {of}", k + 1);
            page.text([width - SIDE_MM, height - 11.0], SMALL_MM, Align::Right, Ink::GREY, &number);
            page.text([SIDE_MM, height - 11.0], SMALL_MM, Align::Left, Ink::GREY, &name);
            page.finish()
        });
        pages.collect()
    }
}

/// A box with rounded corners.
pub fn panel(canvas: &mut Canvas, at: [f64; 2], size: [f64; 2], look: Look) {
    canvas.paint(&Outline::rounded(at[0], at[1], size[0], size[1], 1.5), look);
}
