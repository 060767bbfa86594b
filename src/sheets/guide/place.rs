//! Page 2: plates, stand, target corners, floor sheets, plumb line.

use super::{Area, panel};
use crate::paper::{Align, Canvas, Frame, Ink, Look, Outline};
use crate::sheets::picture::{LINE, THIN, mark, sheet_sign, stand_front, tag_sign, wheel};

pub(super) fn page(c: &mut Canvas, area: Area) {
    let cells = area.grid(2, 3);
    panel(
        c,
        cells[0],
        "Wheel plate: centred",
        "A rigid plate clamped to the rim, as near to the wheel's centre as you can: the ends of the cross on the middle lines of the clamp. Mark where the clamp sits, \
         and put it back the same way round every time.",
        plate_front,
    );
    panel(
        c,
        cells[1],
        "Wheel plate: stand-off and run-out",
        "Measure the stand-off: from the print to the wheel's centre, along its axis. Know the run-out (how far the plate tilts against the wheel), or roll the car, \
         which finds it: page 4.",
        plate_above,
    );
    panel(
        c,
        cells[2],
        "Stand",
        "Sheets spread as wide as the stand allows, some low, some high, one or two on each side turned by 20° to 40°. Arrow up. They hide nothing that the \
         sensor looks at. For four of them, far apart and not in one line, measure where each centre is from the target's centre.",
        stand,
    );
    panel(
        c,
        cells[3],
        "Target corners",
        "Cut out, the two solid edges exactly on the target's edges. With the target's width and height in kit.toml the bodies file says where they are, and \
         nothing need be measured.",
        corners,
    );
    panel(
        c,
        cells[4],
        "Floor sheets",
        "At least three, better six or more, around car and stand, also between the two. Flat, on thin boards all of one thickness or taped down at all edges; not \
         over a joint, a drain or a slope's edge. Nobody steps on them.",
        floor,
    );
    panel(
        c,
        cells[5],
        "Plumb line",
        "Only where height and tilt count from the vertical. String and weight on the middle line of the tag, the board free of everything, no draught. Wait until \
         it hangs still, and photograph it from several sides together with floor sheets.",
        plumb,
    );
}

fn plate_front(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let r = 0.49 * a.height;
    wheel(c, x, y, r, 0.3);
    let half = 0.5 * r;
    c.paint(&Outline::rectangle(x - half, y - half, 2.0 * half, 2.0 * half), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    tag_sign(c, x - 0.6 * half, y - 0.6 * half, 1.2 * half);
    // Three claws of the clamp, and the middle lines.
    for turn in [0.5f64, 2.6, 4.7] {
        let at = |d: f64| [x + d * turn.cos(), y - d * turn.sin()];
        c.line(at(1.05 * half), at(0.74 * r), Ink::BLACK, 1.0);
    }
    for (dx, dy) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
        let at = |d: f64| [x + dx * d, y + dy * d];
        c.line(at(0.72 * half), at(0.95 * half), Ink::BLACK, LINE);
    }
    c.paint(
        &Outline::polygon(&[
            [x + half - 4.0, y - half + 3.4],
            [x + half - 1.0, y - half + 3.4],
            [x + half - 2.5, y - half + 0.6],
        ]),
        Look::filled(Ink::BLACK),
    );
    let label = a.top + 3.0;
    c.line([x + half - 1.5, y - half + 1.6], [x + 0.82 * r, label + 1.0], Ink::BLACK, THIN);
    for (k, words) in ["clocking", "mark"].into_iter().enumerate() {
        c.text([x + 0.82 * r + 1.0, label + 4.0 * k as f64], 3.0, Align::Left, Ink::BLACK, words);
    }
    mark(c, x - r - 8.0, y, true);
}

fn plate_above(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let (tyre_w, tyre_h) = (0.36 * a.height, 0.8 * a.height);
    let left = x - tyre_w / 2.0 - 12.0;
    c.paint(&Outline::rounded(left, y - tyre_h / 2.0, tyre_w, tyre_h, 3.0), Look::both(Ink::PALE, Ink::BLACK, LINE));
    let centre = left + tyre_w / 2.0;
    let plate = left + tyre_w + 14.0;
    c.paint(&Outline::polyline(&[[centre - 14.0, y], [plate + 16.0, y]]), Look::line(Ink::GREY, THIN).dashed(2.2, 1.0));
    c.paint(&Outline::circle([centre, y], 0.8), Look::filled(Ink::BLACK));
    for s in [-1.0, 1.0] {
        c.line([left + tyre_w, y + s * 6.0], [plate, y + s * 6.0], Ink::BLACK, 0.8);
    }
    c.paint(&Outline::rectangle(plate, y - 12.0, 1.4, 24.0), Look::filled(Ink::BLACK));
    // As a tilted plate would stand.
    let tilted = Frame::at(plate + 0.7, y, 1.0).turned(0.16);
    c.within(tilted, |c| {
        c.paint(&Outline::rectangle(-0.7, -13.0, 1.4, 26.0), Look::line(Ink::GREY, THIN).dashed(1.2, 0.9))
    });
    let dim = y + tyre_h / 2.0 - 1.0;
    let print = plate + 1.4;
    for at in [centre, print] {
        c.line([at, y + if at == centre { 1.5 } else { 12.5 }], [at, dim + 1.5], Ink::GREY, THIN);
    }
    let middle = [(centre + print) / 2.0, dim];
    c.arrow(middle, [centre, dim], Ink::BLACK, THIN, 2.2);
    c.arrow(middle, [print, dim], Ink::BLACK, THIN, 2.2);
    c.text([print + 2.5, dim + 1.0], 3.2, Align::Left, Ink::BLACK, "stand-off");
    c.text([plate + 6.0, y - 11.0], 3.2, Align::Left, Ink::GREY, "run-out");
    c.text([plate + 6.0, y - 1.2], 3.0, Align::Left, Ink::GREY, "wheel's axis");
    c.text([a.left, a.top + 3.0], 3.0, Align::Left, Ink::GREY, "from above");
}

fn stand(c: &mut Canvas, a: Area) {
    let scale = (a.height - 2.0) / 1.7;
    let [x, _] = a.middle();
    c.within(Frame::at(x, a.bottom() - 1.0, scale), |c| {
        stand_front(c);
        for [x, y] in [[-0.6, -1.3], [0.6, -1.3], [-0.6, -0.72], [0.6, -0.72], [0.0, -0.38]] {
            sheet_sign(c, x, y, 0.15);
        }
        // Turned ones are seen narrower.
        for side in [-1.0, 1.0] {
            let x = side * 0.88;
            let wing = [[x - 0.07, -1.12], [x + 0.07, -1.08], [x + 0.07, -0.84], [x - 0.07, -0.88]];
            let wing = if side < 0.0 { wing } else { wing.map(|[px, py]| [2.0 * x - px, py]) };
            c.paint(&Outline::polygon(&wing), Look::both(Ink::WHITE, Ink::BLACK, LINE));
            let inner = wing.map(|[px, py]| [x + 0.65 * (px - x), -0.98 + 0.65 * (py + 0.98)]);
            c.paint(&Outline::polygon(&inner), Look::filled(Ink::BLACK));
        }
    });
    let s = 0.88 * scale;
    c.text([x + s + 4.0, a.bottom() - 0.62 * scale], 3.0, Align::Left, Ink::GREY, "turned");
    c.arrow([x - s - 8.0, a.bottom() - 0.9 * scale], [x - s - 8.0, a.bottom() - 1.25 * scale], Ink::BLACK, 0.6, 3.0);
    c.text([x - s - 8.0, a.bottom() - 0.75 * scale], 3.0, Align::Centre, Ink::GREY, "up");
}

fn corners(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let h = 0.86 * a.height;
    let w = 1.4 * h;
    c.paint(&Outline::rectangle(x - w / 2.0, y - h / 2.0, w, h), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    c.paint(&Outline::circle([x, y], 0.2 * h), Look::line(Ink::GREY, THIN));
    c.line([x - 0.3 * h, y], [x + 0.3 * h, y], Ink::GREY, THIN);
    c.line([x, y - 0.3 * h], [x, y + 0.3 * h], Ink::GREY, THIN);
    let paper = 0.32 * h;
    for (sx, sy) in [(-1.0, -1.0), (1.0, -1.0), (-1.0, 1.0), (1.0, 1.0)] {
        let centre = [x + sx * (w - paper) / 2.0, y + sy * (h - paper) / 2.0];
        let corner = [centre[0] - paper / 2.0, centre[1] - paper / 2.0];
        c.paint(&Outline::rectangle(corner[0], corner[1], paper, paper), Look::line(Ink::GREY, THIN).dashed(1.0, 0.8));
        let outer = [x + sx * w / 2.0, y + sy * h / 2.0];
        let edges = [[outer[0] - sx * paper, outer[1]], outer, [outer[0], outer[1] - sy * paper]];
        c.paint(&Outline::polyline(&edges), Look::line(Ink::BLACK, 0.8));
        tag_sign(c, centre[0] - 0.34 * paper, centre[1] - 0.34 * paper, 0.68 * paper);
    }
    c.text([x, y + 0.38 * h], 3.0, Align::Centre, Ink::GREY, "seen from the car");
}

fn floor(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    let w = 60.0f64.min(a.width - 16.0);
    let left = x - w / 2.0 - 4.0;
    for (k, good) in [true, false].into_iter().enumerate() {
        let ground = y - 3.0 + 15.0 * k as f64;
        c.line([left, ground], [left + w, ground], Ink::BLACK, 0.5);
        for n in 0..12 {
            let at = left + 1.0 + (w - 4.0) * f64::from(n) / 11.0;
            c.line([at, ground + 2.0], [at + 1.6, ground + 0.3], Ink::GREY, THIN);
        }
        let (from, to) = (x - 20.0, x + 12.0);
        if good {
            c.paint(&Outline::rectangle(from, ground - 1.6, to - from, 1.4), Look::both(Ink::PALE, Ink::BLACK, THIN));
            c.line([from + 1.0, ground - 1.9], [to - 1.0, ground - 1.9], Ink::BLACK, 0.6);
        } else {
            use crate::paper::Step::{Curve, Move};
            // A joint in the floor, and the sheet sagging and curling over it.
            c.paint(&Outline::rectangle(x - 5.0, ground - 0.3, 2.4, 2.0), Look::filled(Ink::BLACK));
            let curl = Outline(vec![
                Move([from, ground - 4.6]),
                Curve([from + 4.0, ground - 0.6], [x - 8.0, ground - 0.6], [x - 3.8, ground + 0.2]),
                Curve([x + 2.0, ground - 0.8], [to - 6.0, ground - 0.6], [to, ground - 3.6]),
            ]);
            c.paint(&curl, Look::line(Ink::BLACK, 0.6));
        }
        mark(c, left + w + 6.0, ground - 1.0, good);
    }
    c.text([left, y - 9.0], 3.0, Align::Left, Ink::GREY, "seen from the edge");
}

fn plumb(c: &mut Canvas, a: Area) {
    let [x, _] = a.middle();
    let (w, h) = (0.42 * a.height, 0.52 * a.height);
    let top = a.top + 0.2 * a.height;
    c.line([x - 0.4 * a.height, a.top + 0.6], [x + 0.4 * a.height, a.top + 0.6], Ink::BLACK, 0.9);
    c.line([x, a.top + 0.6], [x, top + 2.0], Ink::BLACK, LINE);
    c.paint(&Outline::rectangle(x - w / 2.0, top, w, h), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    let side = 0.6 * w;
    tag_sign(c, x - side / 2.0, top + (h - side) / 2.0, side);
    for hole in [top + 2.0, top + h - 2.0] {
        c.paint(&Outline::circle([x, hole], 0.7), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    }
    let weight = top + h + 0.1 * a.height;
    c.line([x, top + h - 2.0], [x, weight], Ink::BLACK, LINE);
    c.paint(
        &Outline::polygon(&[
            [x - 2.2, weight],
            [x + 2.2, weight],
            [x + 1.4, weight + 3.6],
            [x, weight + 5.4],
            [x - 1.4, weight + 3.6],
        ]),
        Look::filled(Ink::BLACK),
    );
    c.text([x + w / 2.0 + 3.0, top + h / 2.0], 3.0, Align::Left, Ink::GREY, "free of the wall");
    c.text([x + 5.0, weight + 3.0], 3.0, Align::Left, Ink::GREY, "weight");
    c.text([x + 3.0, a.top + 5.0], 3.0, Align::Left, Ink::GREY, "string");
}
