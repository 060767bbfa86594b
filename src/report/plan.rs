//! The bay seen from above, to scale: car, thrust line, the place that is required and the one that was found.

use crate::paper::{Align, Canvas, Frame, Ink, Look, Outline};
use crate::record::result::{ResultFile, StationPart};
use crate::report::figures::rounded;
use crate::report::page_parts::{inks, mark, round_below};

/// Width and length of a wheel as drawn, mm. For orientation only.
const WHEEL_MM: [f64; 2] = [200.0, 620.0];
/// How far the car's outline reaches beyond the wheels as drawn: sides, front, rear; mm. For orientation only.
const BODY_MM: [f64; 3] = [110.0, 850.0, 750.0];
/// Wheelbase where it was not measured, mm. For orientation only.
const USUAL_WHEELBASE_MM: f64 = 2700.0;
/// Half the width of the target's face as drawn, mm. For orientation only.
const FACE_MM: f64 = 350.0;

/// Where the procedure asks a station's target to stand, in the vehicle's plane, mm.
fn required(station: &StationPart) -> [f64; 2] {
    let found = station.vehicle_from_target.translation_mm;
    let d = &station.deviations;
    [found[0] - d.distance_mm.deviation, found[1] - d.lateral_mm.deviation]
}

/// Draws the plan into a box on the page; with the places of the cameras where `cameras` is true. Nothing without a vehicle.
pub fn draw(c: &mut Canvas, result: &ResultFile, at: [f64; 2], size: [f64; 2], cameras: bool) {
    let Some(vehicle) = &result.vehicle else { return };
    // The page's right is the car's right (-Y), up is ahead (X).
    let on = |[x, y]: [f64; 2]| [-y, -x];
    let half_track = vehicle.rear_track_mm.value / 2.0;
    let wheelbase = vehicle.wheelbase_mm.as_ref().map_or(USUAL_WHEELBASE_MM, |v| v.value);
    let [side, front, rear] = BODY_MM;
    let half = half_track + WHEEL_MM[0] / 2.0 + side;
    let [nose, tail] = [wheelbase + front, -rear];
    let mut points = vec![[nose, half], [tail, -half]];
    for s in &result.stations {
        let found = s.vehicle_from_target.translation_mm;
        for p in [required(s), [found[0], found[1]]] {
            points.extend([[p[0] + 350.0, p[1] + FACE_MM], [p[0] - 100.0, p[1] - FACE_MM]]);
        }
    }
    if cameras {
        points.extend(result.photographs.iter().filter_map(|p| p.camera_mm).map(|[x, y, _]| [x, y]));
        points.extend(floor_sheets(result).map(|(_, p)| p));
    }
    let range =
        |k: usize| points.iter().fold([f64::INFINITY, f64::NEG_INFINITY], |r, p| [r[0].min(p[k]), r[1].max(p[k])]);
    let ([low_x, high_x], [low_y, high_y]) = (range(0), range(1));
    let scale = (size[0] / (high_y - low_y)).min((size[1] - 6.0) / (high_x - low_x));
    if !(scale.is_finite() && scale > 0.0) {
        return;
    }
    let centre = [
        at[0] + size[0] / 2.0 + scale * (low_y + high_y) / 2.0,
        at[1] + (size[1] - 6.0) / 2.0 + scale * (low_x + high_x) / 2.0,
    ];
    c.within(Frame::at(centre[0], centre[1], scale), |c| {
        let body: Vec<[f64; 2]> = [
            [tail, half * 0.9],
            [tail + 250.0, half],
            [nose - 700.0, half],
            [nose - 120.0, half * 0.8],
            [nose, half * 0.45],
        ]
        .into();
        let mut around = body.clone();
        around.extend(body.iter().rev().map(|[x, y]| [*x, -y]));
        let around: Vec<[f64; 2]> = around.into_iter().map(on).collect();
        c.paint(&Outline::polygon(&around), Look::both(Ink::grey(240), Ink::LIGHT, 0.25));
        for x in [0.0, wheelbase] {
            for y in [half_track, -half_track] {
                let [px, py] = on([x, y]);
                let wheel =
                    Outline::rectangle(px - WHEEL_MM[0] / 2.0, py - WHEEL_MM[1] / 2.0, WHEEL_MM[0], WHEEL_MM[1]);
                let measured = vehicle.wheels.iter().any(|w| (w.hub_mm[0] - x).abs() < 500.0 && w.hub_mm[1] * y > 0.0);
                let look =
                    if measured { Look::filled(Ink::grey(70)) } else { Look::line(Ink::LIGHT, 0.2).dashed(0.8, 0.6) };
                c.paint(&wheel, look);
            }
        }
        c.paint(
            &Outline::polyline(&[on([low_x, 0.0]), on([high_x, 0.0])]),
            Look::line(Ink::BLACK, 0.25).dashed(3.0, 1.0),
        );
        c.paint(&Outline::circle(on([0.0, 0.0]), 0.9 / scale), Look::both(Ink::WHITE, Ink::BLACK, 0.25));
        if cameras {
            for (_, p) in floor_sheets(result) {
                let [px, py] = on(p);
                c.paint(&Outline::rectangle(px - 100.0, py - 140.0, 200.0, 280.0), Look::line(Ink::GREY, 0.2));
            }
            for [x, y, _] in result.photographs.iter().filter_map(|p| p.camera_mm) {
                c.paint(&Outline::circle(on([x, y]), 0.7 / scale), Look::filled(Ink::GREY));
            }
        }
        for s in &result.stations {
            let want = on(required(s));
            let [x, y, _] = s.vehicle_from_target.translation_mm;
            let found = on([x, y]);
            let (window_x, window_y) = (
                s.deviations.lateral_mm.tolerance.unwrap_or(0.0).max(1.6 / scale),
                s.deviations.distance_mm.tolerance.unwrap_or(0.0).max(1.6 / scale),
            );
            c.paint(
                &Outline::rectangle(want[0] - window_x, want[1] - window_y, 2.0 * window_x, 2.0 * window_y),
                Look::line(Ink::BLACK, 0.3),
            );
            // The face as it stands: its normal looks along -x of the target frame, so that its breadth is the frame's y.
            let r = s.vehicle_from_target.rotation;
            let ends = [FACE_MM, -FACE_MM].map(|b| on([x + b * r[0][1], y + b * r[1][1]]));
            let (ink, _) = inks(s.verdict);
            // With a dark edge: grey is seen on white too.
            c.line(ends[0], ends[1], Ink::BLACK, 1.2);
            c.line(ends[0], ends[1], ink, 0.8);
            mark(c, found, 1.1 / scale, s.verdict, 0.2);
        }
    });
    let bar = round_below(0.35 * size[0] / scale);
    let y = at[1] + size[1] - 1.5;
    c.line([at[0], y], [at[0] + bar * scale, y], Ink::BLACK, 0.4);
    for x in [at[0], at[0] + bar * scale] {
        c.line([x, y - 0.8], [x, y + 0.8], Ink::BLACK, 0.3);
    }
    let text = format!("{} m", crate::units::m_from_mm(bar));
    c.text([at[0] + bar * scale + 1.5, y + 0.8], 2.3, Align::Left, Ink::BLACK, &text);
    let scale_text = format!("about 1 : {}", rounded(1.0 / scale, 0));
    c.text([at[0] + size[0], y + 0.8], 2.3, Align::Right, Ink::GREY, &scale_text);
}

fn floor_sheets(result: &ResultFile) -> impl Iterator<Item = (&str, [f64; 2])> {
    result.bodies.iter().filter(|b| b.kind == "floor sheet").filter_map(|b| {
        let t = b.vehicle_from_body.as_ref()?.translation_mm;
        Some((b.name.as_str(), [t[0], t[1]]))
    })
}
