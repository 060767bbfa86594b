//! One page that says which sheet goes where: the bay from above, with the ids of the kit.

use crate::paper::{Align, Canvas, Frame, Ink, LINE_EMS, Look, MARGIN_MM, Outline, Page, Paper, Typeface};
use crate::sheets::kit::{SheetKit, SheetUse, id_ranges};
use crate::sheets::picture::{THIN, car_plan, sheet_sign, stand_plan};

/// Places for floor sheets, metres from the middle of the front axle, x to the car's right, y backwards, in the order in which they help most.
const FLOOR_SPOTS: [[f64; 2]; 22] = [
    [-1.15, -3.2],
    [1.15, -3.2],
    [-1.55, -0.1],
    [1.55, -0.1],
    [-0.55, -1.9],
    [0.55, -1.9],
    [-1.55, 2.5],
    [1.55, 2.5],
    [-0.7, -4.3],
    [0.7, -4.3],
    [-1.55, 1.2],
    [1.55, 1.2],
    [-0.6, 3.95],
    [0.6, 3.95],
    [-1.9, -1.9],
    [1.9, -1.9],
    [-2.0, -3.9],
    [2.0, -3.9],
    [-2.1, 3.8],
    [2.1, 3.8],
    [-2.15, 0.6],
    [2.15, 0.6],
];

/// Where the target's centre is drawn; the procedure says where it really is.
const STAND: [f64; 2] = [0.0, -3.1];

/// A wheel plate's place, from the words in its body's name: left or right, front or rear.
fn plate_spot(body: &str, k: usize) -> [f64; 2] {
    let says = |word: &str| body.to_lowercase().contains(word);
    let left = says("left") || (!says("right") && k.is_multiple_of(2));
    let front = says("front") || (!says("rear") && k >= 2);
    [if left { -1.0 } else { 1.0 }, if front { 0.0 } else { 2.6 }]
}

/// Draws the page.
pub fn draw(face: &Typeface, kit: &SheetKit, paper: Paper) -> Page {
    let mut canvas = Canvas::new(face, paper.upright_mm());
    let c = &mut canvas;
    let (left, right) = (MARGIN_MM, c.width() - MARGIN_MM);
    c.bold([left, 16.0], 7.0, Align::Left, Ink::BLACK, "Which sheet goes where");
    c.text([right, 16.0], 3.4, Align::Right, Ink::GREY, &format!("{}: {}", kit.name, paper.name()));
    c.line([left, 19.0], [right, 19.0], Ink::BLACK, 0.4);

    // The bay: 9.2 m from behind the stand to behind the car.
    let scale = ((c.height() - 2.0 * MARGIN_MM - 32.0) / 9.6).min(0.6 * (right - left) / 5.0);
    let width = 5.0 * scale;
    let origin = [left + width / 2.0, 24.0 + 4.9 * scale];
    c.within(Frame::at(origin[0], origin[1], scale), |c| bay(c, kit));
    words(c, kit, left + width + 6.0, 29.0, right);
    canvas.finish()
}

fn bay(c: &mut Canvas, kit: &SheetKit) {
    // Thrust line and directions.
    c.paint(&Outline::polyline(&[[0.0, -0.95], [0.0, -2.75]]), Look::line(Ink::GREY, THIN).dashed(3.0, 1.5));
    c.text([0.08, -1.25], 2.8, Align::Left, Ink::GREY, "thrust line");
    c.text([-2.5, 4.6], 3.0, Align::Left, Ink::GREY, "the car's left");
    c.text([2.5, 4.6], 3.0, Align::Right, Ink::GREY, "the car's right");
    car_plan(c);
    c.text([0.0, 1.75], 3.4, Align::Centre, Ink::GREY, "forward ↑");
    for (k, id) in kit.ids_of(SheetUse::Floor).iter().zip(FLOOR_SPOTS).map(|(id, spot)| (spot, id)) {
        sheet_sign(c, k[0], k[1], 0.2);
        c.text([k[0], k[1] + 0.34], 3.0, Align::Centre, Ink::BLACK, &id.to_string());
    }
    let plates = kit.groups.iter().filter(|g| g.sheet_use == SheetUse::Plate);
    for (k, group) in plates.enumerate() {
        let [side, y] = plate_spot(group.body.as_deref().unwrap_or(""), k);
        // The plate on its edge, outside the wheel.
        c.paint(&Outline::rectangle(side * 1.06 - 0.03, y - 0.2, 0.06, 0.4), Look::filled(Ink::BLACK));
        c.line([side * 0.9, y], [side * 1.05, y], Ink::BLACK, 0.5);
        c.bold([side * 1.06, y - 0.26], 3.4, Align::Centre, Ink::BLACK, &id_ranges(&group.ids));
    }
    let on_stand = [SheetUse::Stand, SheetUse::TargetCorner].map(|u| kit.ids_of(u)).concat();
    c.within_part(STAND, |c| stand_plan(c));
    if !on_stand.is_empty() {
        c.bold([STAND[0], STAND[1] - 0.62], 3.4, Align::Centre, Ink::BLACK, &id_ranges(&on_stand));
    }
    if let Some(id) = kit.ids_of(SheetUse::PlumbLine).first() {
        let spot = [-2.1, -2.75];
        c.paint(&Outline::circle(spot, 0.07), Look::filled(Ink::BLACK));
        c.line([spot[0] - 0.17, spot[1] - 0.02], [spot[0] + 0.17, spot[1] - 0.02], Ink::BLACK, 0.5);
        c.text([spot[0], spot[1] + 0.32], 3.0, Align::Centre, Ink::BLACK, &id.to_string());
    }
}

/// What is what, beside the drawing.
fn words(c: &mut Canvas, kit: &SheetKit, left: f64, top: f64, right: f64) {
    let width = right - left;
    let mut y = top;
    let mut entry = |c: &mut Canvas, title: &str, ids: &[u16], text: &str| {
        if ids.is_empty() {
            return;
        }
        c.bold([left, y], 4.0, Align::Left, Ink::BLACK, title);
        y += 5.4;
        for line in c.face.wrapped(&id_ranges(ids), 4.0, width) {
            c.text([left, y], 4.0, Align::Left, Ink::BLACK, &line);
            y += 4.0 * LINE_EMS;
        }
        y = c.column([left, y + 0.2], 3.5, width, Ink::BLACK, text) + 4.4;
    };
    let floor = kit.ids_of(SheetUse::Floor);
    let more = if floor.len() > FLOOR_SPOTS.len() { " Those not drawn lie anywhere between." } else { "" };
    entry(
        c,
        "Floor sheets",
        &floor,
        &format!(
            "Flat on the floor, print up, any way round: beside and behind the stand, between stand and car, beside every wheel. The places need not be \
             exact; no line of sight may be blocked.{more}"
        ),
    );
    let plates: Vec<String> = kit
        .groups
        .iter()
        .filter(|g| g.sheet_use == SheetUse::Plate)
        .map(|g| format!("{}: {}", g.body.as_deref().unwrap_or("plate"), id_ranges(&g.ids)))
        .collect();
    entry(
        c,
        "Wheel plates",
        &kit.ids_of(SheetUse::Plate),
        &format!("{}. Both rear wheels at least; front wheels in pairs.", plates.join(", ")),
    );
    entry(
        c,
        "Stand",
        &kit.ids_of(SheetUse::Stand),
        "Spread wide over the stand, most facing the car, some turned to the sides so that they are seen from beside the car too.",
    );
    entry(
        c,
        "Target corners",
        &kit.ids_of(SheetUse::TargetCorner),
        "On the target's own corners, seen from the car: upper left, upper right, lower left, lower right.",
    );
    entry(
        c,
        "Plumb line",
        &kit.ids_of(SheetUse::PlumbLine),
        "Only where height and tilt count from the vertical: on a string, where several photographs show it together with floor sheets.",
    );
    entry(c, "Lens board", &kit.board_ids(), "Not in the bay: for the lens profile, once for each camera.");
    c.column(
        [left, y + 1.0],
        3.5,
        width,
        Ink::GREY,
        "Not to scale: the stand's place is what the carmaker's procedure says. Every id is there once; a sheet that is lost is printed again from the same kit, \
         never copied.",
    );
}
