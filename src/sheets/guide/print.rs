//! Page 1: printing at full size, measuring the bars, gluing flat.

use super::{Area, panel};
use crate::paper::{Align, Canvas, Frame, Ink, Look, Outline};
use crate::sheets::picture::{LINE, THIN, mark, sheet_sign, tag_sign};
use std::f64::consts::PI;

pub(super) fn page(c: &mut Canvas, area: Area) {
    let cells = area.grid(2, 3);
    panel(
        c,
        cells[0],
        "Print at 100 %",
        "In the print window choose \"actual size\" or 100 %, never \"fit\" or \"shrink\": A4 fitted to Letter paper comes out 6 % too small. Laser on matt paper, \
         120 g/m² or heavier, all sheets in one go and the same way round.",
        choices,
    );
    panel(
        c,
        cells[1],
        "Measure both scale bars",
        "Steel rule or calliper, end to end of the black bar, on one sheet of each batch: level (bar_x) and upright (bar_y). Printers are off by up to half a \
         percent, differently in the two directions. Enter both in bodies.toml with your reading's uncertainty.",
        measure,
    );
    panel(
        c,
        cells[2],
        "Glue flat on something stiff",
        "Spray glue or double-sided film over the whole sheet, on aluminium composite, glass or thick board. A bubble or a curl bends the tag, and the \
         measurement with it.",
        flat,
    );
    panel(
        c,
        cells[3],
        "Matt, no lamination",
        "A shiny surface mirrors the lamp into the camera and wipes out the black. If a photograph shows a light spot on a tag, step aside and take another one.",
        glare,
    );
    panel(
        c,
        cells[4],
        "Keep the white margin",
        "The detector needs white around the black square: one eighth of its side at least, all round. Cut, tape and clamps stay outside of it. Keep tags clean.",
        margin,
    );
    panel(
        c,
        cells[5],
        "Measure again after storage",
        "Paper grows when it is damp, mostly across its grain. Keep sheets dry and flat, glued to their boards; measure the bars again when the season changes or \
         after a wet day, and write the date on the sheet.",
        damp,
    );
}

/// Two choices of a print window.
fn choices(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let (w, h) = (62.0f64.min(a.width - 12.0), 27.0);
    let (left, top) = (x - w / 2.0 - 4.0, y - h / 2.0);
    c.paint(&Outline::rounded(left, top, w, h, 1.5), Look::line(Ink::BLACK, LINE));
    for (k, (words, chosen)) in [("actual size, 100 %", true), ("fit to page", false)].into_iter().enumerate() {
        let line = top + 8.5 + 11.0 * k as f64;
        c.paint(&Outline::circle([left + 7.0, line], 2.0), Look::line(Ink::BLACK, LINE));
        if chosen {
            c.paint(&Outline::circle([left + 7.0, line], 1.1), Look::filled(Ink::BLACK));
        }
        c.text([left + 12.0, line + 1.4], 4.0, Align::Left, Ink::BLACK, words);
        mark(c, left + w + 6.0, line, chosen);
    }
}

/// A rule along the level bar of a sheet.
fn measure(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let length = 62.0f64.min(a.width - 14.0);
    let (left, bar) = (x - length / 2.0 + 3.0, y - 4.0);
    // The sheet behind: its lower left corner with both bars.
    c.paint(
        &Outline::polyline(&[[left - 7.0, a.top], [left - 7.0, bar + 5.0], [left + length + 4.0, bar + 5.0]]),
        Look::line(Ink::LIGHT, LINE),
    );
    c.paint(&Outline::rectangle(left - 4.0, a.top + 0.5, 1.2, bar - a.top - 4.0), Look::filled(Ink::BLACK));
    c.text([left, a.top + 4.0], 3.0, Align::Left, Ink::GREY, "upright bar (bar_y): the same way");
    c.paint(&Outline::rectangle(left, bar, length, 1.2), Look::filled(Ink::BLACK));
    for end in [left, left + length] {
        c.paint(
            &Outline::polyline(&[[end, bar - 3.5], [end, bar + 6.5]]),
            Look::line(Ink::GREY, THIN).dashed(0.8, 0.6),
        );
    }
    let rule = bar + 6.5;
    c.paint(&Outline::rectangle(left - 4.0, rule, length + 8.0, 9.0), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    let n = 30;
    for k in 0..=n {
        let at = left + length * f64::from(k) / f64::from(n);
        let long = if k % 10 == 0 {
            3.4
        } else if k % 5 == 0 {
            2.6
        } else {
            1.7
        };
        c.line([at, rule], [at, rule + long], Ink::BLACK, THIN);
        if k % 10 == 0 {
            c.text([at, rule + 7.4], 2.8, Align::Centre, Ink::BLACK, &format!("{}", 5 * k));
        }
    }
    c.text([left + length / 2.0, bar - 2.0], 3.2, Align::Centre, Ink::BLACK, "reads 149.6: bar_x_mm = 149.6");
}

fn flat(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let w = 54.0f64.min(a.width - 16.0);
    let left = x - w / 2.0 - 4.0;
    for (k, good) in [true, false].into_iter().enumerate() {
        let board = y - 6.0 + 17.0 * k as f64;
        c.paint(&Outline::rectangle(left, board, w, 3.2), Look::both(Ink::PALE, Ink::BLACK, LINE));
        let paper = if good {
            Outline::polyline(&[[left + 2.0, board - 0.6], [left + w - 2.0, board - 0.6]])
        } else {
            use crate::paper::Step::{Curve, Move};
            Outline(vec![
                Move([left + 2.0, board - 3.6]),
                Curve([left + 6.0, board - 1.2], [left + 10.0, board - 0.5], [left + 16.0, board - 0.5]),
                Curve([left + 24.0, board - 0.5], [left + 26.0, board - 4.5], [left + 33.0, board - 4.5]),
                Curve([left + 40.0, board - 4.5], [left + 42.0, board - 0.5], [left + w - 2.0, board - 0.5]),
            ])
        };
        c.paint(&paper, Look::line(Ink::BLACK, 0.7));
        mark(c, left + w + 6.0, board + 0.5, good);
    }
    c.text([left, y - 11.5], 3.0, Align::Left, Ink::GREY, "seen from the edge");
}

fn glare(c: &mut Canvas, a: Area) {
    let [x, _] = a.middle();
    let floor = a.bottom() - 3.0;
    let lamp = [x - 26.0, a.top + 5.0];
    c.paint(&Outline::circle(lamp, 2.6), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    for k in 0..8 {
        let t = PI * f64::from(k) / 4.0;
        let at = |d: f64| [lamp[0] + d * t.cos(), lamp[1] + d * t.sin()];
        c.line(at(3.2), at(4.6), Ink::BLACK, THIN);
    }
    c.paint(&Outline::rectangle(x - 16.0, floor, 32.0, 1.6), Look::both(Ink::PALE, Ink::BLACK, LINE));
    c.line([x - 11.0, floor - 0.4], [x + 11.0, floor - 0.4], Ink::BLACK, 0.8);
    let spot = [x, floor - 0.9];
    let bad = [x + 26.0, lamp[1] + 1.0];
    c.arrow([lamp[0] + 4.5, lamp[1] + 3.6], spot, Ink::GREY, THIN, 2.2);
    c.arrow(spot, [bad[0] - 3.0, bad[1] + 2.6], Ink::GREY, THIN, 2.2);
    let good = [x + 3.0, a.top + 4.0];
    c.paint(
        &Outline::polyline(&[[x, floor - 2.0], [good[0], good[1] + 3.0]]),
        Look::line(Ink::GREY, THIN).dashed(1.2, 0.9),
    );
    for (at, right) in [(bad, false), (good, true)] {
        c.paint(&Outline::rounded(at[0] - 3.0, at[1] - 2.0, 6.0, 4.0, 0.8), Look::filled(Ink::BLACK));
        c.paint(&Outline::circle(at, 1.2), Look::filled(Ink::WHITE));
        mark(c, at[0] + 7.0, at[1], right);
    }
}

fn margin(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let side = 22.0f64.min(a.height * 0.62);
    let cell = side / 8.0;
    for (k, good) in [true, false].into_iter().enumerate() {
        let centre = [x - 24.0 + 44.0 * k as f64, y];
        if good {
            let around = side + 3.2 * cell;
            let corner = [centre[0] - around / 2.0, centre[1] - around / 2.0];
            c.paint(
                &Outline::rectangle(corner[0], corner[1], around, around),
                Look::both(Ink::WHITE, Ink::BLACK, THIN),
            );
        } else {
            let corner = [centre[0] - side / 2.0 - 0.4, centre[1] - side / 2.0 - 0.4];
            c.paint(
                &Outline::rectangle(corner[0], corner[1], side + 0.8, side + 0.8),
                Look::both(Ink::WHITE, Ink::BLACK, THIN),
            );
        }
        tag_sign(c, centre[0] - side / 2.0, centre[1] - side / 2.0, side);
        if !good {
            // Tape across a corner.
            c.within(Frame::at(centre[0] + side * 0.42, centre[1] - side * 0.42, 1.0).turned(-PI / 4.0), |c| {
                c.paint(&Outline::rectangle(-5.0, -2.0, 10.0, 4.0), Look::both(Ink::PALE, Ink::GREY, THIN));
            });
        }
        mark(c, centre[0] + side / 2.0 + 9.0, centre[1], good);
    }
}

fn damp(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let h = 25.0f64.min(a.height - 4.0);
    let w = 0.72 * h;
    c.paint(
        &Outline::rectangle(x - w / 2.0 - 3.0, y - h / 2.0, w + 6.0, h),
        Look::line(Ink::GREY, THIN).dashed(1.2, 0.9),
    );
    c.paint(&Outline::rectangle(x - w / 2.0, y - h / 2.0, w, h), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    sheet_sign(c, x, y, 0.5 * w);
    for s in [-1.0, 1.0] {
        c.arrow([x + s * (w / 2.0 + 5.0), y], [x + s * (w / 2.0 + 14.0), y], Ink::BLACK, LINE, 2.6);
    }
    c.text([x - w / 2.0 - 16.0, y + 1.2], 3.0, Align::Right, Ink::GREY, "damp");
    c.text([x + w / 2.0 + 16.0, y + 1.2], 3.0, Align::Left, Ink::GREY, "damp");
}
