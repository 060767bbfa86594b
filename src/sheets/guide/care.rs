//! Page 4: rolling the car, cautions, and what to write down.

use super::{Area, points};
use crate::paper::{Align, Canvas, Frame, Ink, Look, Outline};
use crate::sheets::picture::{LINE, THIN, car_side, tag_sign, warning};

pub(super) fn page(c: &mut Canvas, area: Area) {
    let roll = Area { height: 91.0, ..area };
    rolling(c, roll);
    let care = Area { top: roll.bottom() + 4.0, height: 84.0, ..area };
    cautions(c, care);
    write_down(c, Area { top: care.bottom() + 4.0, height: area.bottom() - care.bottom() - 4.0, ..area });
}

/// How far the wheels of the drawn car turn from place to place, radians: 0.6 m on a wheel of 0.31 m.
const TURN: f64 = 0.6 / 0.31;

fn rolling(c: &mut Canvas, a: Area) {
    c.bold(
        [a.left, a.top + 4.0],
        4.2,
        Align::Left,
        Ink::BLACK,
        "Rolling the car finds the wheels' axes, whatever the clamps do",
    );
    let ground = a.top + 46.0;
    let scale = a.width / 7.4;
    c.line([a.left, ground], [a.right(), ground], Ink::BLACK, 0.5);
    // Earlier places of the car, lightly, and where it stands now.
    for k in [2.0, 1.0] {
        c.within(Frame::at(a.left + (1.0 + 0.6 * (2.0 - k)) * scale, ground, scale), |c| {
            for x in [0.0, 2.6] {
                c.paint(&Outline::circle([x, -0.31], 0.31), Look::line(Ink::LIGHT, LINE).dashed(1.4, 1.0));
            }
        });
    }
    let car = Frame::at(a.left + 2.2 * scale, ground, scale);
    c.within(car, |c| {
        car_side(c, -2.0 * TURN);
        c.within_part([0.0, -0.31], |c| {
            let [x, y] = c.on_page([0.0, 0.0]);
            c.within(Frame::at(x, y, scale).turned(-0.5), |c| {
                c.paint(&Outline::rectangle(-0.2, -0.2, 0.4, 0.4), Look::both(Ink::WHITE, Ink::BLACK, LINE));
                tag_sign(c, -0.13, -0.13, 0.26);
            });
        });
        // A chock before the front wheel, on its cord.
        c.paint(&Outline::polygon(&[[3.02, 0.0], [3.24, 0.0], [2.99, -0.14]]), Look::filled(Ink::BLACK));
    });
    for k in [0.0, 1.0, 2.0] {
        let x = a.left + (1.0 + 0.6 * k) * scale;
        c.text([x, ground + 4.4], 3.2, Align::Centre, Ink::BLACK, &format!("{:.0}", k + 1.0));
        c.line([x, ground], [x, ground + 1.2], Ink::BLACK, LINE);
    }
    c.arrow(
        [a.left + 0.1 * scale, ground - 0.31 * scale],
        [a.left + 0.62 * scale, ground - 0.31 * scale],
        Ink::BLACK,
        0.6,
        3.0,
    );
    c.text([a.left + 0.1 * scale, ground - 0.42 * scale], 3.0, Align::Left, Ink::BLACK, "by hand");
    c.text(
        [a.left + 4.0 * scale, ground + 4.4],
        3.0,
        Align::Centre,
        Ink::GREY,
        "floor sheets and stand stay where they are",
    );
    for x in [5.95, 6.35] {
        c.within(Frame::at(a.left + x * scale, ground - 1.0, 1.0), |c| {
            c.paint(&Outline::rectangle(-3.5, 0.0, 7.0, 0.6), Look::filled(Ink::BLACK));
        });
    }
    c.within(Frame::at(a.left + 6.9 * scale, ground, scale), |c| {
        c.paint(&Outline::rectangle(0.0, -1.5, 0.06, 1.5), Look::both(Ink::PALE, Ink::BLACK, LINE));
        c.paint(&Outline::rectangle(-0.12, -1.45, 0.1, 0.9), Look::both(Ink::WHITE, Ink::BLACK, LINE));
        c.line([-0.25, -0.03], [0.35, -0.03], Ink::BLACK, 0.8);
    });
    points(
        c,
        a.left,
        ground + 12.0,
        a.width,
        super::EM,
        &[
            "Photograph the car where it stands (1): both rear plates, floor sheets, and the stand if it is there already. Roll it by 0.3 to 1 m, steering straight ahead, let it come to rest without the brake, and photograph again (2). Three or four places at unequal turns are far better than two; a whole turn of the wheels counts as none.",
            "Plates stay clamped as they are from the first photograph to the last. Leave the car in the last place: the stand is judged against it there.",
            "Write down which photographs belong to which place (roll_position in job.toml).",
        ],
    );
}

fn cautions(c: &mut Canvas, a: Area) {
    c.paint(&Outline::rounded(a.left, a.top, a.width, a.height, 2.0), Look::line(Ink::BLACK, 0.7));
    warning(c, a.left + 11.0, a.top + 4.0, 13.0);
    c.bold([a.left + 22.0, a.top + 8.0], 4.6, Align::Left, Ink::BLACK, "Take care");
    c.column([a.left + 22.0, a.top + 14.0], super::EM, a.width - 27.0, Ink::BLACK, "The carmaker's procedure, local rules and licensed practice decide; where they differ from this page, they win.");
    points(
        c,
        a.left + 4.0,
        a.top + 25.5,
        a.width - 8.0,
        super::EM,
        &[
            "Before a car is rolled: slope checked, floor clear, doors shut, ignition and gear as the procedure says, somebody at the brake, chocks ready. Hands and feet away from wheels. Push at the body, never at a wheel plate.",
            "Never roll a car on a lift, with people between car and stand, or with the engine running. Nobody stands before or behind a car that can roll; chock it as soon as it rests.",
            "On a lift only if the procedure says so: then locked, and checked to be level.",
            "Clamps and plates come off before the car is driven.",
            "Airbag and high-voltage parts are for qualified staff. Keep people and metal out of the sensor's view while it is being calibrated; a measured stand shortens no road test.",
            "A measured stand says where the stand is, nothing else: it calibrates no sensor and releases no car.",
            "Number plates and faces get into photographs: keep them local and delete what is not needed.",
        ],
    );
}

fn write_down(c: &mut Canvas, a: Area) {
    c.bold([a.left, a.top + 4.0], 4.2, Align::Left, Ink::BLACK, "Write down");
    let rows: [&[(&str, f64)]; 4] = [
        &[("date", 1.0), ("camera, lens, focus", 2.0), ("vehicle", 1.5)],
        &[("bar_x mm", 1.0), ("bar_y mm", 1.0), ("± reading mm", 1.0), ("read with", 1.5)],
        &[("stand-off rear left mm", 1.0), ("rear right", 0.7), ("front left", 0.7), ("front right", 0.7)],
        &[("run-out limit of the clamps °", 1.2), ("thickness of the floor boards mm", 1.2)],
    ];
    let gap = 4.0;
    let step = ((a.height - 7.0) / 4.0).min(13.0);
    for (k, row) in rows.into_iter().enumerate() {
        let y = a.top + 8.0 + step * (k as f64 + 0.75);
        let labels: f64 = row.iter().map(|(words, _)| c.face.width_em(words) * 3.0 + 1.0).sum();
        let room = a.width - labels - gap * (row.len() as f64 - 1.0);
        let all: f64 = row.iter().map(|(_, share)| share).sum();
        let mut x = a.left;
        for (words, share) in row {
            x += c.text([x, y], 3.0, Align::Left, Ink::BLACK, words) + 1.0;
            let line = room * share / all;
            c.line([x, y + 0.7], [x + line, y + 0.7], Ink::GREY, THIN);
            x += line + gap;
        }
    }
}
