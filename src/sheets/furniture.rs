//! What every sheet carries besides its tag: scale bars, the arrow that says which way is up, large id, words.

use crate::paper::{Align, Canvas, Frame, Ink, LINE_EMS, Look, MARGIN_MM, Outline};
use crate::tags::family;

/// Thickness of a scale bar, mm.
pub const BAR_MM: f64 = 1.2;

/// Lengths of the scale bars are whole multiples of this, mm.
const BAR_STEP_MM: f64 = 50.0;

/// The longest bar, in whole steps, that fits into this length, mm.
pub fn bar_length_mm(room_mm: f64) -> f64 {
    BAR_STEP_MM * (room_mm / BAR_STEP_MM).floor().max(1.0)
}

/// Room beside the level bar where what it measures is written in, mm.
const WRITE_IN_MM: f64 = 38.0;

/// Length of the level bar on a page of this width, mm.
pub fn level_bar_length_mm(page_width: f64) -> f64 {
    bar_length_mm(page_width - 2.0 * MARGIN_MM - WRITE_IN_MM)
}

/// What is said on every page.
pub const FULL_SIZE: &str = "Print at 100 % (\"actual size\"), never \"fit to page\".";

/// The black cells of a tag with its upper left corner here, as one outline; `None` for an id that is not in the family.
///
/// Runs of cells of a row are one rectangle, and all belong to one filled outline, so that no printer leaves hairlines between them.
pub fn tag_outline(id: u16, left: f64, top: f64, side_mm: f64) -> Option<Outline> {
    let cells = family::cells_of(id)?;
    let n = family::CELLS;
    let at = |k: usize| side_mm * k as f64 / n as f64;
    let black = |column: usize, row: usize| column < n && (cells >> (8 * row + column)) & 1 == 0;
    let mut outline = Outline::default();
    for row in 0..n {
        let mut column = 0;
        while column < n {
            let start = column;
            while black(column, row) {
                column += 1;
            }
            if column > start {
                outline.add_rectangle(left + at(start), top + at(row), at(column) - at(start), at(row + 1) - at(row));
            }
            column += 1;
        }
    }
    Some(outline)
}

/// Draws a tag, black on the paper's white.
pub fn tag(canvas: &mut Canvas, id: u16, left: f64, top: f64, side_mm: f64) {
    if let Some(outline) = tag_outline(id, left, top, side_mm) {
        canvas.paint(&outline, Look::filled(Ink::BLACK));
    }
}

/// A bar in two halves that touch: some PDF readers snap a single rectangle to whole dots, which would make it too long or too short.
fn bar_outline(left: f64, top: f64, width: f64, height: f64) -> Outline {
    let (half_width, half_height) = if width > height { (width / 2.0, height) } else { (width, height / 2.0) };
    let mut outline = Outline::rectangle(left, top, half_width, half_height);
    outline.add_rectangle(left + width - half_width, top + height - half_height, half_width, half_height);
    outline
}

/// The level scale bar: black, `length_mm` from end to end, its left end and upper edge here. 7 mm above it are taken by the numbers, 5 mm below by the words.
pub fn level_bar(canvas: &mut Canvas, left: f64, top: f64, length_mm: f64) {
    canvas.paint(&bar_outline(left, top, length_mm, BAR_MM), Look::filled(Ink::BLACK));
    let steps = (length_mm / BAR_STEP_MM).round() as usize;
    for k in 0..=steps {
        let x = left + BAR_STEP_MM * k as f64;
        // The end marks stay inside, so that the bar's own ends are what is measured.
        let from = if k == 0 {
            x
        } else if k == steps {
            x - 0.3
        } else {
            x - 0.15
        };
        canvas.paint(&Outline::rectangle(from, top - 2.0, 0.3, 2.0), Look::filled(Ink::BLACK));
        let align = if k == 0 {
            Align::Left
        } else if k == steps {
            Align::Right
        } else {
            Align::Centre
        };
        canvas.text([x, top - 2.8], 2.6, align, Ink::BLACK, &format!("{:.0}", BAR_STEP_MM * k as f64));
    }
    let y = top + BAR_MM + 1.3;
    measure_line(canvas, [left, y], [left + length_mm, y]);
    let words = format!("measure me: {length_mm:.1} mm from end to end of the black bar (bar_x)");
    canvas.text([left + length_mm / 2.0, y + 3.2], 2.8, Align::Centre, Ink::GREY, &words);
}

/// The upright scale bar: its left edge and upper end here; 6 mm to the right of it are taken by the words.
pub fn upright_bar(canvas: &mut Canvas, left: f64, top: f64, length_mm: f64) {
    canvas.paint(&bar_outline(left, top, BAR_MM, length_mm), Look::filled(Ink::BLACK));
    let x = left + BAR_MM + 1.3;
    measure_line(canvas, [x, top + length_mm], [x, top]);
    let words = format!("measure me: {length_mm:.1} mm from end to end of the black bar (bar_y)");
    let middle = [x + 3.2, top + length_mm / 2.0];
    canvas.write(middle, std::f64::consts::FRAC_PI_2, 2.8, Align::Centre, Ink::GREY, false, &words);
}

/// The light line that shows what to measure: an arrow at both ends.
fn measure_line(canvas: &mut Canvas, from: [f64; 2], to: [f64; 2]) {
    let middle = [(from[0] + to[0]) / 2.0, (from[1] + to[1]) / 2.0];
    canvas.arrow(middle, from, Ink::LIGHT, 0.25, 2.5);
    canvas.arrow(middle, to, Ink::LIGHT, 0.25, 2.5);
}

/// A fat arrow that points up, this high, the middle of its foot here.
pub fn up_arrow(canvas: &mut Canvas, x: f64, foot: f64, height_mm: f64) {
    let w = 0.32 * height_mm;
    let points = [
        [-0.45 * w, 0.0],
        [-0.45 * w, -0.5 * height_mm],
        [-w, -0.5 * height_mm],
        [0.0, -height_mm],
        [w, -0.5 * height_mm],
        [0.45 * w, -0.5 * height_mm],
        [0.45 * w, 0.0],
    ];
    canvas.within(Frame::at(x, foot, 1.0), |c| c.paint(&Outline::polygon(&points), Look::filled(Ink::BLACK)));
}

/// The words at the foot of a sheet.
pub struct Foot<'a> {
    /// In the largest letters.
    pub id: &'a str,
    /// What the sheet is.
    pub title: &'a str,
    /// Size, family, kit, paper.
    pub facts: &'a str,
    /// What to do with it.
    pub instruction: &'a str,
    /// Which ids the kit uses.
    pub taken: &'a str,
}

/// Draws the foot of a sheet from this height down.
pub fn foot(canvas: &mut Canvas, top: f64, foot: &Foot) {
    let left = MARGIN_MM;
    let width = canvas.width() - 2.0 * MARGIN_MM;
    // The id as large as its length allows.
    let id_em = (24.0f64).min(0.42 * width / canvas.face.width_em(foot.id));
    let id_width = canvas.bold([left, top + 18.5], id_em, Align::Left, Ink::BLACK, foot.id);
    let beside = left + id_width + 6.0;
    let room = canvas.width() - MARGIN_MM - beside;
    let title_em = (5.5f64).min(room / (canvas.face.width_em(foot.title) + 1.0));
    canvas.bold([beside, top + 6.5], title_em, Align::Left, Ink::BLACK, foot.title);
    canvas.column([beside, top + 12.5], 3.3, room, Ink::BLACK, foot.facts);

    let length = level_bar_length_mm(canvas.width());
    level_bar(canvas, left, top + 29.0, length);
    let write_in = [left + length + 4.0, top + 27.5];
    let room = WRITE_IN_MM + 20.0;
    let room = room.min(canvas.width() - MARGIN_MM - write_in[0]);
    for (k, words) in ["bar_x:", "bar_y:", "date:"].into_iter().enumerate() {
        let y = write_in[1] - 3.0 + 5.2 * k as f64;
        let after = write_in[0] + canvas.text([write_in[0], y], 2.8, Align::Left, Ink::GREY, words) + 1.0;
        canvas.line([after, y + 0.6], [write_in[0] + room, y + 0.6], Ink::LIGHT, 0.2);
    }

    let mut y = top + 41.0;
    y = canvas.column([left, y], 3.5, width, Ink::BLACK, foot.instruction);
    canvas.bold([left, y + 0.6], 3.8, Align::Left, Ink::BLACK, FULL_SIZE);
    y += 0.6 + 3.6 * LINE_EMS;
    canvas.column([left, y], 2.8, width, Ink::GREY, foot.taken);
}
