//! Page 3: the walk around the car, heights, and what spoils a photograph.

use super::{Area, points};
use crate::paper::{Align, Canvas, Frame, Ink, Look, Outline};
use crate::sheets::picture::{
    LINE, THIN, camera_plan, car_plan, car_side, photographer, sheet_sign, stand_plan, tag_sign,
};
use std::f64::consts::TAU;

pub(super) fn page(c: &mut Canvas, area: Area) {
    let small = Area { top: area.bottom() - 42.0, height: 42.0, ..area };
    let heights = Area { top: small.top - 62.0, height: 58.0, ..area };
    let walk = Area { height: heights.top - 3.0 - area.top, ..area };
    around(c, Area { width: 0.5 * walk.width, ..walk });
    let left = area.left + 0.5 * area.width + 4.0;
    let width = area.right() - left;
    c.bold([left, area.top + 4.0], 4.2, Align::Left, Ink::BLACK, "Once around car and stand");
    points(
        c,
        left,
        area.top + 10.5,
        width,
        if walk.height > 150.0 { 4.0 } else { 3.7 },
        &[
            "One camera, one lens, one focus, one zoom: lock the focus; no digital zoom, no \"portrait\" mode, no cropping afterwards. Hold it the same way round in all of them.",
            "15 to 30 photographs, a step or two apart, 1.5 to 4 m from what they show. Close the ring.",
            "Each shows two things with tags at least, better four: a plate and floor sheets, the stand and floor sheets.",
            "Neighbours overlap: half of what one shows is in the next one too.",
            "Each rear plate in five or more, from clearly different directions; the stand from left, middle and right, together with floor sheets between it and the car.",
            "Nothing moves meanwhile: no door, no sheet, nobody in the car or leaning on it.",
        ],
    );
    up_and_down(c, heights);
    spoilers(c, small);
}

fn around(c: &mut Canvas, a: Area) {
    // From 1.6 m behind the stand to 1.6 m behind the car: 10.7 m.
    let scale = (a.height / 10.7).min(a.width / 6.6);
    let origin = [a.left + a.width / 2.0, a.top + (a.height - 10.7 * scale) / 2.0 + 5.5 * scale];
    c.within(Frame::at(origin[0], origin[1], scale), |c| {
        car_plan(c);
        c.within_part([0.0, -3.1], stand_plan);
        for [x, y] in [
            [-1.1, -3.2],
            [1.1, -3.2],
            [-0.6, -1.9],
            [0.6, -1.9],
            [-1.35, -0.1],
            [1.35, -0.1],
            [-1.35, 2.6],
            [1.35, 2.6],
            [0.0, 3.9],
        ] {
            sheet_sign(c, x, y, 0.17);
        }
        // Places on an oval around both, each looking at what is near the middle line abreast of it.
        let (rx, ry, cy) = (2.75, 4.55, 0.0);
        let n = 18;
        for k in 0..n {
            let t = TAU * (f64::from(k) + 0.5) / f64::from(n);
            let at = [rx * t.cos(), cy - ry * t.sin()];
            let goal = [0.0, cy - 0.62 * ry * t.sin()];
            let angle = (at[1] - goal[1]).atan2(goal[0] - at[0]);
            camera_plan(c, at, angle, 1.0, Ink::LIGHT);
        }
        c.arrow([1.8, 1.25], [0.92, 1.25], Ink::BLACK, THIN, 2.0);
        c.arrow([1.8, 1.25], [2.66, 1.25], Ink::BLACK, THIN, 2.0);
        c.text([1.78, 1.6], 2.8, Align::Centre, Ink::BLACK, "1.5 to 4 m");
    });
}

fn up_and_down(c: &mut Canvas, a: Area) {
    c.bold([a.left, a.top + 4.0], 4.2, Align::Left, Ink::BLACK, "From low, from eye height, from above");
    let ground = a.bottom() - 11.0;
    let scale = (a.height - 18.5) / 2.15;
    c.line([a.left, ground], [a.right(), ground], Ink::BLACK, 0.5);
    let car = a.left + a.width - 5.1 * scale;
    c.within(Frame::at(car, ground, scale), |c| {
        car_side(c, 0.2);
        // A plate on the rear wheel, and the stand before the nose.
        c.paint(&Outline::rectangle(-0.2, -0.51, 0.4, 0.4), Look::both(Ink::WHITE, Ink::BLACK, LINE));
        tag_sign(c, -0.13, -0.44, 0.26);
        c.paint(&Outline::rectangle(4.5, -1.5, 0.06, 1.5), Look::both(Ink::PALE, Ink::BLACK, LINE));
        c.paint(&Outline::rectangle(4.38, -1.45, 0.1, 0.9), Look::both(Ink::WHITE, Ink::BLACK, LINE));
        c.line([4.25, -0.03], [4.85, -0.03], Ink::BLACK, 0.8);
        for x in [-1.0, 1.3, 3.8] {
            c.line([x - 0.12, -0.02], [x + 0.12, -0.02], Ink::BLACK, 0.9);
        }
    });
    let people =
        [(0.75, "0.7 m: plates and stand head-on"), (1.5, "1.5 m: most of them"), (1.98, "arms up, 2 m: floor sheets")];
    let step = (car - 0.9 * scale - a.left) / 3.0;
    for (k, (eye, words)) in people.into_iter().enumerate() {
        let x = a.left + step * (k as f64 + 0.45);
        c.within(Frame::at(x, ground, scale), |c| photographer(c, eye));
        let camera = [x + 0.47 * scale, ground - eye * scale];
        for (dx, dy) in [(0.5, -0.09), (0.5, 0.22)] {
            c.line(camera, [camera[0] + dx * scale, camera[1] + dy * scale], Ink::LIGHT, THIN);
        }
        c.column([a.left + step * k as f64, ground + 4.2], 2.9, step - 1.0, Ink::BLACK, words);
    }
    c.text(
        [car + 1.6 * scale, ground + 4.2],
        2.9,
        Align::Centre,
        Ink::BLACK,
        "look down on floor sheets: never flatter than about 25°",
    );
}

/// A small picture.
type Drawing = fn(&mut Canvas, Area);

fn spoilers(c: &mut Canvas, a: Area) {
    c.bold([a.left, a.top + 4.0], 4.2, Align::Left, Ink::BLACK, "What spoils a photograph");
    let cells = Area { top: a.top + 7.0, height: a.height - 7.0, ..a }.grid(6, 1);
    let list: [(&str, Drawing); 6] = [
        ("Blurred: hold still, more light", blurred),
        ("Light spot on the tag", shiny),
        ("Cut by the edge, margin too", cut),
        ("Seen too flat", slanted),
        ("Too small: under 1/40 of the width", tiny),
        ("Something in front of it", hidden),
    ];
    for (cell, (words, draw)) in cells.into_iter().zip(list) {
        let photo = Area { height: 0.68 * cell.width, ..cell };
        draw(c, photo);
        c.paint(&Outline::rectangle(photo.left, photo.top, photo.width, photo.height), Look::line(Ink::BLACK, 0.5));
        crate::sheets::picture::mark(c, photo.right() - 3.4, photo.bottom() - 3.4, false);
        c.column([cell.left, photo.bottom() + 4.2], 2.9, cell.width, Ink::BLACK, words);
    }
}

/// Size of the tag in the small pictures.
fn side(a: Area) -> f64 {
    0.5 * a.height
}

fn blurred(c: &mut Canvas, a: Area) {
    let ([x, y], s) = (a.middle(), side(a));
    for k in (0..6).rev() {
        let shade = Ink::grey(60 + 32 * k as u8);
        let off = 0.9 * f64::from(k) - 2.5;
        c.paint(&Outline::rectangle(x - s / 2.0 + off, y - s / 2.0, s, s), Look::filled(shade));
    }
    c.paint(&Outline::rectangle(x - 0.12 * s, y - 0.2 * s, 0.5 * s, 0.4 * s), Look::filled(Ink::grey(190)));
}

fn shiny(c: &mut Canvas, a: Area) {
    let ([x, y], s) = (a.middle(), side(a));
    tag_sign(c, x - s / 2.0, y - s / 2.0, s);
    c.paint(&Outline::circle([x + 0.25 * s, y - 0.25 * s], 0.36 * s), Look::filled(Ink::grey(245)));
    for k in 0..8 {
        let t = TAU * f64::from(k) / 8.0;
        let at = |d: f64| [x + 0.25 * s + d * s * t.cos(), y - 0.25 * s - d * s * t.sin()];
        c.line(at(0.40), at(0.52), Ink::GREY, THIN);
    }
}

fn cut(c: &mut Canvas, a: Area) {
    let s = side(a);
    let (left, top) = (a.left, a.top + 0.25 * a.height);
    // What the edge leaves of a tag.
    c.paint(&Outline::rectangle(left, top, 0.6 * s, s), Look::filled(Ink::BLACK));
    c.paint(&Outline::rectangle(left, top + 0.2 * s, 0.4 * s, 0.6 * s), Look::filled(Ink::WHITE));
    c.paint(&Outline::rectangle(left, top + 0.4 * s, 0.2 * s, 0.2 * s), Look::filled(Ink::BLACK));
}

fn slanted(c: &mut Canvas, a: Area) {
    let ([x, y], s) = (a.middle(), side(a));
    let outer = [
        [x - 0.9 * s, y + 0.12 * s],
        [x + 0.5 * s, y + 0.16 * s],
        [x + 0.8 * s, y - 0.02 * s],
        [x - 0.4 * s, y - 0.04 * s],
    ];
    c.paint(&Outline::polygon(&outer), Look::filled(Ink::BLACK));
    let inner = outer.map(|[px, py]| [x - 0.02 * s + 0.6 * (px - x), y + 0.055 * s + 0.6 * (py - y - 0.055 * s)]);
    c.paint(&Outline::polygon(&inner), Look::filled(Ink::WHITE));
}

fn tiny(c: &mut Canvas, a: Area) {
    let [x, y] = a.middle();
    c.line([a.left, y + 2.0], [a.right(), y + 1.0], Ink::LIGHT, THIN);
    sheet_sign(c, x, y, 1.3);
}

fn hidden(c: &mut Canvas, a: Area) {
    let ([x, y], s) = (a.middle(), side(a));
    tag_sign(c, x - s / 2.0, y - s / 2.0, s);
    // A hose across it.
    use crate::paper::Step::{Curve, Move};
    let hose = Outline(vec![
        Move([a.left + 1.0, y + 0.75 * s]),
        Curve([x - 0.2 * s, y + 0.7 * s], [x, y - 0.6 * s], [a.right() - 2.0, y - 0.7 * s]),
    ]);
    c.paint(&hose, Look::line(Ink::BLACK, 2.4));
    c.paint(&hose, Look::line(Ink::grey(235), 1.7));
}
