//! The field guide: four pages of drawings that say how to print, mount, lay out, photograph and roll.
//!
//! Figures in it (numbers of photographs, distances, heights) are common practice, without a source, except where the page names one.

mod care;
mod place;
mod print;
mod walk;

use crate::paper::{Align, Canvas, Ink, LINE_EMS, Look, MARGIN_MM, Outline, Page, Paper, Typeface};

/// The pages, on an upright sheet of this paper.
pub fn draw(face: &Typeface, paper: Paper) -> Vec<Page> {
    // Small drawings do not gain from large paper.
    let paper = match paper {
        Paper::A3 => Paper::A4,
        Paper::Tabloid => Paper::Letter,
        same => same,
    };
    let titles = ["Print, measure, mount", "Where the sheets go", "Walk and photograph", "Roll, take care, write down"];
    let pages = [print::page, place::page, walk::page, care::page];
    titles
        .into_iter()
        .zip(pages)
        .enumerate()
        .map(|(k, (title, page))| {
            let mut canvas = Canvas::new(face, paper.upright_mm());
            let c = &mut canvas;
            // Lines on the edge are up to 0.7 mm thick.
            let (left, right) = (MARGIN_MM + 0.4, c.width() - MARGIN_MM - 0.4);
            c.bold([left, 15.5], 6.6, Align::Left, Ink::BLACK, &format!("{}  {title}", k + 1));
            c.text(
                [right, 15.5],
                3.2,
                Align::Right,
                Ink::GREY,
                &format!("field guide, page {} of {}", k + 1, titles.len()),
            );
            c.line([left, 18.0], [right, 18.0], Ink::BLACK, 0.4);
            page(c, Area { left, top: 21.0, width: right - left, height: c.height() - MARGIN_MM - 21.0 });
            canvas.finish()
        })
        .collect()
}

/// A rectangle on the page, mm.
#[derive(Clone, Copy, Debug)]
struct Area {
    left: f64,
    top: f64,
    width: f64,
    height: f64,
}

impl Area {
    fn right(&self) -> f64 {
        self.left + self.width
    }

    fn bottom(&self) -> f64 {
        self.top + self.height
    }

    fn middle(&self) -> [f64; 2] {
        [self.left + self.width / 2.0, self.top + self.height / 2.0]
    }

    /// The cells of a grid with 5 mm between them, row by row.
    fn grid(&self, columns: usize, rows: usize) -> Vec<Area> {
        let gap = 5.0;
        let width = (self.width - gap * (columns as f64 - 1.0)) / columns as f64;
        let height = (self.height - gap * (rows as f64 - 1.0)) / rows as f64;
        (0..columns * rows)
            .map(|k| Area {
                left: self.left + (k % columns) as f64 * (width + gap),
                top: self.top + (k / columns) as f64 * (height + gap),
                width,
                height,
            })
            .collect()
    }
}

/// Size of the type of running text, mm.
const EM: f64 = 3.4;

/// A framed cell with a title, a drawing and words below it; the drawing gets the room that the words leave.
fn panel(c: &mut Canvas, cell: Area, title: &str, words: &str, draw: impl FnOnce(&mut Canvas, Area)) {
    c.paint(&Outline::rounded(cell.left, cell.top, cell.width, cell.height, 2.0), Look::line(Ink::LIGHT, 0.25));
    let inner = cell.width - 7.0;
    c.bold([cell.left + 3.5, cell.top + 5.6], 3.9, Align::Left, Ink::BLACK, title);
    let lines = c.face.wrapped(words, EM, inner).len() as f64;
    let words_top = cell.bottom() - 2.6 - (lines - 1.0) * EM * LINE_EMS;
    c.column([cell.left + 3.5, words_top], EM, inner, Ink::BLACK, words);
    let top = cell.top + 8.5;
    draw(c, Area { left: cell.left + 3.5, top, width: inner, height: words_top - EM - 1.0 - top });
}

/// A list of points with a dot before each.
fn points(c: &mut Canvas, left: f64, top: f64, width: f64, em: f64, list: &[&str]) {
    let mut y = top;
    for text in list {
        c.paint(&Outline::circle([left + 1.0, y - 0.35 * em], 0.6), Look::filled(Ink::BLACK));
        y = c.column([left + 3.6, y], em, width - 3.6, Ink::BLACK, text) + 0.4 * em;
    }
}
