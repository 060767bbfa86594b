//! Our own line drawings of what is in a bay. Each is drawn in its own units, mostly metres, in the canvas's present frame: x right, y down.

use crate::paper::{Align, Canvas, Ink, Look, Outline};
use std::f64::consts::{FRAC_PI_2, PI, TAU};

/// Thin and ordinary lines, mm.
pub const THIN: f64 = 0.18;
pub const LINE: f64 = 0.3;

/// A sign for a tag: black frame, white inside, one black cell. It cannot be read as a tag.
pub fn tag_sign(c: &mut Canvas, left: f64, top: f64, side: f64) {
    c.paint(&Outline::rectangle(left, top, side, side), Look::filled(Ink::BLACK));
    let cell = side / 5.0;
    c.paint(&Outline::rectangle(left + cell, top + cell, 3.0 * cell, 3.0 * cell), Look::filled(Ink::WHITE));
    c.paint(&Outline::rectangle(left + cell, top + 2.0 * cell, cell, cell), Look::filled(Ink::BLACK));
    c.paint(&Outline::rectangle(left + 2.0 * cell, top + cell, 2.0 * cell, cell), Look::filled(Ink::BLACK));
}

/// A sheet with a tag on it, its middle here; `side` is the tag's.
pub fn sheet_sign(c: &mut Canvas, x: f64, y: f64, side: f64) {
    let paper = 1.4 * side;
    let look = Look::both(Ink::WHITE, Ink::GREY, THIN);
    c.paint(&Outline::rectangle(x - paper / 2.0, y - paper / 2.0, paper, paper), look);
    tag_sign(c, x - side / 2.0, y - side / 2.0, side);
}

/// A car seen from above, nose up, metres; origin in the middle of the front axle. 4.3 m long, wheelbase 2.6 m.
pub fn car_plan(c: &mut Canvas) {
    let tyre = Look::both(Ink::GREY, Ink::BLACK, THIN);
    for x in [-0.88, 0.66] {
        for y in [-0.31, 2.29] {
            c.paint(&Outline::rounded(x, y, 0.22, 0.62, 0.06), tyre);
        }
    }
    let body = Outline(vec![
        crate::paper::Step::Move([-0.86, 0.4]),
        crate::paper::Step::Curve([-0.88, -0.3], [-0.80, -0.72], [-0.45, -0.82]),
        crate::paper::Step::Curve([-0.2, -0.87], [0.2, -0.87], [0.45, -0.82]),
        crate::paper::Step::Curve([0.80, -0.72], [0.88, -0.3], [0.86, 0.4]),
        crate::paper::Step::Line([0.87, 2.7]),
        crate::paper::Step::Curve([0.86, 3.2], [0.75, 3.42], [0.5, 3.44]),
        crate::paper::Step::Line([-0.5, 3.44]),
        crate::paper::Step::Curve([-0.75, 3.42], [-0.86, 3.2], [-0.87, 2.7]),
        crate::paper::Step::Close,
    ]);
    c.paint(&body, Look::both(Ink::WHITE, Ink::BLACK, LINE));
    let glass = Look::both(Ink::PALE, Ink::BLACK, THIN);
    c.paint(&Outline::polygon(&[[-0.70, 0.55], [0.70, 0.55], [0.58, 1.05], [-0.58, 1.05]]), glass);
    c.paint(&Outline::polygon(&[[-0.56, 2.55], [0.56, 2.55], [0.66, 2.95], [-0.66, 2.95]]), glass);
    for side in [-1.0, 1.0] {
        let mirror = [[0.86, 0.62], [1.02, 0.66], [1.00, 0.80], [0.86, 0.76]].map(|[x, y]: [f64; 2]| [side * x, y]);
        c.paint(&Outline::polygon(&mirror), Look::both(Ink::WHITE, Ink::BLACK, THIN));
        c.line([side * 0.60, 1.1], [side * 0.60, 2.5], Ink::BLACK, THIN);
    }
}

/// A car seen from its right side, nose to the right, metres; origin on the floor below the rear wheel's centre. The wheels are `turned` (radians).
pub fn car_side(c: &mut Canvas, turned: f64) {
    use crate::paper::Step::{Close, Curve, Line, Move};
    let body = Outline(vec![
        Move([-0.75, -0.42]),
        Curve([-0.82, -0.75], [-0.78, -0.95], [-0.62, -1.00]),
        Line([-0.35, -1.05]),
        Curve([0.05, -1.38], [0.35, -1.45], [0.85, -1.45]),
        Curve([1.35, -1.45], [1.65, -1.32], [2.05, -1.02]),
        Curve([2.65, -0.95], [3.15, -0.88], [3.35, -0.70]),
        Curve([3.45, -0.60], [3.45, -0.40], [3.40, -0.30]),
        Line([3.02, -0.26]),
        Curve([3.0, -0.72], [2.2, -0.72], [2.18, -0.26]),
        Line([0.42, -0.26]),
        Curve([0.4, -0.72], [-0.4, -0.72], [-0.42, -0.26]),
        Close,
    ]);
    c.paint(&body, Look::both(Ink::WHITE, Ink::BLACK, LINE));
    let glass = Look::both(Ink::PALE, Ink::BLACK, THIN);
    c.paint(
        &Outline(vec![Move([-0.12, -1.05]), Curve([0.2, -1.3], [0.4, -1.36], [0.8, -1.36]), Line([0.8, -1.05]), Close]),
        glass,
    );
    c.paint(
        &Outline(vec![Move([0.9, -1.36]), Curve([1.3, -1.36], [1.5, -1.27], [1.85, -1.02]), Line([0.9, -1.05]), Close]),
        glass,
    );
    for x in [0.0, 2.6] {
        wheel(c, x, -0.31, 0.31, turned);
    }
}

/// A wheel seen from the side, with spokes that show how far it turned.
pub fn wheel(c: &mut Canvas, x: f64, y: f64, radius: f64, turned: f64) {
    c.paint(&Outline::circle([x, y], radius), Look::both(Ink::LIGHT, Ink::BLACK, LINE));
    c.paint(&Outline::circle([x, y], 0.66 * radius), Look::both(Ink::WHITE, Ink::BLACK, THIN));
    for k in 0..5 {
        let a = FRAC_PI_2 + turned + TAU * f64::from(k) / 5.0;
        c.line([x, y], [x + 0.62 * radius * a.cos(), y - 0.62 * radius * a.sin()], Ink::BLACK, LINE);
    }
    c.paint(&Outline::circle([x, y], 0.14 * radius), Look::filled(Ink::BLACK));
}

/// A stand with a target seen from above, metres, origin in the target's centre; its face looks down the page.
pub fn stand_plan(c: &mut Canvas) {
    c.paint(&Outline::rectangle(-0.65, -0.04, 1.3, 0.08), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    for x in [-0.35, 0.35] {
        c.line([x, -0.04], [x, -0.45], Ink::BLACK, LINE);
        c.line([x, 0.04], [x, 0.25], Ink::BLACK, LINE);
    }
    c.line([-0.45, -0.45], [0.45, -0.45], Ink::BLACK, LINE);
    // Wings that turn a tag to the side.
    for side in [-1.0, 1.0] {
        c.line([side * 0.65, 0.0], [side * 0.82, -0.16], Ink::BLACK, 2.0 * LINE);
    }
}

/// A stand seen from the car, metres, origin on the floor below its middle.
pub fn stand_front(c: &mut Canvas) {
    c.paint(&Outline::rectangle(-0.03, -1.6, 0.06, 1.55), Look::both(Ink::PALE, Ink::BLACK, THIN));
    c.paint(&Outline::rounded(-0.55, -0.06, 1.1, 0.06, 0.02), Look::both(Ink::PALE, Ink::BLACK, THIN));
    c.paint(&Outline::rectangle(-0.75, -1.45, 1.5, 0.9), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    c.paint(&Outline::rectangle(-0.22, -1.22, 0.44, 0.44), Look::both(Ink::PALE, Ink::BLACK, LINE));
    c.line([-0.26, -1.0], [0.26, -1.0], Ink::BLACK, THIN);
    c.line([0.0, -1.26], [0.0, -0.74], Ink::BLACK, THIN);
}

/// Somebody with a camera, seen from the side and looking to the right, metres, feet at the origin. `eye` is the camera's height.
pub fn photographer(c: &mut Canvas, eye: f64) {
    let bent = ((1.45 - eye) / 0.9).clamp(-0.3, 1.0);
    let hip = [-0.25 * bent.max(0.0), -0.92 + 0.35 * bent.max(0.0)];
    let shoulder = [-0.02 + 0.12 * bent.max(0.0), hip[1] - 0.52];
    let line = 0.55;
    for foot in [[-0.12, 0.0], [0.12, 0.0]] {
        let knee = [0.5 * (hip[0] + foot[0]) + 0.10 * bent.max(0.0) + 0.03, 0.5 * (hip[1] + foot[1])];
        c.paint(&Outline::polyline(&[hip, knee, foot]), Look::line(Ink::BLACK, line));
    }
    c.line(hip, shoulder, Ink::BLACK, line * 1.3);
    let camera = [0.42, -eye];
    let elbow = [0.5 * (shoulder[0] + camera[0]) - 0.02, 0.5 * (shoulder[1] + camera[1]) + 0.14];
    c.paint(&Outline::polyline(&[shoulder, elbow, camera]), Look::line(Ink::BLACK, line));
    let head = [shoulder[0] + 0.05, shoulder[1] - 0.19];
    c.paint(&Outline::circle(head, 0.11), Look::both(Ink::WHITE, Ink::BLACK, LINE));
    c.paint(&Outline::rounded(camera[0] - 0.03, camera[1] - 0.09, 0.08, 0.18, 0.02), Look::filled(Ink::BLACK));
}

/// A camera from above, looking along `angle` (radians, counter-clockwise from "to the right"), with its field of view `reach` long.
pub fn camera_plan(c: &mut Canvas, [x, y]: [f64; 2], angle: f64, reach: f64, ink: Ink) {
    let at = |a: f64, d: f64| [x + d * a.cos(), y - d * a.sin()];
    let half = PI / 6.5;
    for side in [-half, half] {
        c.line(at(angle + side, 0.12), at(angle + side, reach), ink, THIN);
    }
    let s = 0.13;
    let body = [at(angle + 0.6, s), at(angle - 0.6, s), at(angle + PI + 0.6, s), at(angle + PI - 0.6, s)];
    c.paint(&Outline::polygon(&body), Look::filled(Ink::BLACK));
}

/// A mark in a round field: right or wrong.
pub fn mark(c: &mut Canvas, x: f64, y: f64, right: bool) {
    // Shape and sign, not colour: the right one is a full circle, the wrong one a cross in a square.
    let r = 2.6;
    if right {
        c.paint(&Outline::circle([x, y], r), Look::both(Ink::WHITE, Ink::BLACK, 0.45));
        let tick = [[x - 1.3, y + 0.1], [x - 0.3, y + 1.2], [x + 1.4, y - 1.2]];
        c.paint(&Outline::polyline(&tick), Look::line(Ink::BLACK, 0.6));
    } else {
        c.paint(&Outline::rectangle(x - r, y - r, 2.0 * r, 2.0 * r), Look::filled(Ink::BLACK));
        for s in [-1.0, 1.0] {
            c.line([x - 1.5, y - s * 1.5], [x + 1.5, y + s * 1.5], Ink::WHITE, 0.6);
        }
    }
}

/// A warning triangle of this height, its tip here.
pub fn warning(c: &mut Canvas, x: f64, tip: f64, height: f64) {
    let half = 0.58 * height;
    c.paint(
        &Outline::polygon(&[[x, tip], [x + half, tip + height], [x - half, tip + height]]),
        Look::both(Ink::WHITE, Ink::BLACK, 0.7),
    );
    c.bold([x, tip + 0.86 * height], 0.62 * height, Align::Centre, Ink::BLACK, "!");
}
