//! Sheets with one tag: floor, wheel plate, stand, plumb line.

use crate::paper::{Align, Canvas, Ink, Look, MARGIN_MM, Outline, Page, Typeface};
use crate::sheets::furniture::{Foot, bar_length_mm, foot, level_bar_length_mm, tag, up_arrow, upright_bar};
use crate::sheets::kit::{CROSS_MM, FOOT_MM, HEAD_MM, SheetGroup, SheetKit, SheetUse, quiet_mm};

/// Where things are on a sheet, mm from its upper left corner: what a test can hold the print against.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SheetPlan {
    /// Left and upper edge of the black square.
    pub tag_mm: [f64; 2],
    /// Left end and upper edge of the level bar, and its length.
    pub level_bar_mm: [f64; 3],
    /// Left edge and upper end of the upright bar, and its length.
    pub upright_bar_mm: [f64; 3],
}

/// Room between the margin and the foot of a sheet for the upright bar.
pub(super) fn upright_bar_plan(height: f64, foot_mm: f64) -> [f64; 3] {
    let (top, bottom) = (MARGIN_MM + 2.0, height - MARGIN_MM - foot_mm - 2.0);
    [MARGIN_MM, top, bar_length_mm(bottom - top)]
}

/// Where things are on the sheets of a group.
pub fn plan_of(group: &SheetGroup) -> SheetPlan {
    let [width, height] = group.paper.upright_mm();
    let cross = if group.sheet_use == SheetUse::Plate { CROSS_MM } else { 0.0 };
    SheetPlan {
        tag_mm: [(width - group.side_mm) / 2.0, MARGIN_MM + HEAD_MM + cross + quiet_mm(group.side_mm)],
        level_bar_mm: [MARGIN_MM, height - MARGIN_MM - FOOT_MM + 29.0, level_bar_length_mm(width)],
        upright_bar_mm: upright_bar_plan(height, FOOT_MM),
    }
}

/// What to do with a sheet, in two or three lines.
fn instruction(sheet_use: SheetUse) -> &'static str {
    match sheet_use {
        SheetUse::Floor => {
            "Lay it flat on the floor, print up, any way round, glued to a thin flat board or taped down at all four edges, so that no foot and no draught \
             moves it. Never fold it, never cut into the white margin."
        }
        SheetUse::Plate => {
            "Glue it flat to a rigid plate, the ends of the centring cross on the plate's middle lines. Clamp it always the same way round: clocking mark to the \
             mark on the clamp. Measure its stand-off from the wheel's centre and its run-out."
        }
        SheetUse::Stand => {
            "Glue it flat to the stand, arrow up, spread wide over it; some facing the car, some to the sides. Measure where its centre is from the target's \
             centre, or let the survey find it (place = \"free\")."
        }
        SheetUse::PlumbLine => {
            "Glue it to a flat, stiff board. Hang the board on a string through the upper hole and the weight on the lower one: both lie on the middle line of \
             the tag. It hangs free of wall and wind, and still."
        }
        SheetUse::TargetCorner => "",
    }
}

/// One page.
pub fn draw(face: &Typeface, kit: &SheetKit, group: &SheetGroup, id: u16) -> Page {
    let mut canvas = Canvas::new(face, group.paper.upright_mm());
    let c = &mut canvas;
    let plan = plan_of(group);
    let side = group.side_mm;
    let quiet = quiet_mm(side);
    let [left, top] = plan.tag_mm;
    let middle = [left + side / 2.0, top + side / 2.0];
    tag(c, id, left, top, side);
    let [x, y, length] = plan.upright_bar_mm;
    upright_bar(c, x, y, length);

    // Which way is up, left of the middle, which crosses and holes need.
    let arrow = c.width() / 2.0 - 0.25 * c.width();
    up_arrow(c, arrow, MARGIN_MM + HEAD_MM, HEAD_MM);
    let words = match group.sheet_use {
        SheetUse::Floor => "TOP (any way round on the floor)",
        _ => "UP",
    };
    c.bold([arrow + 5.0, MARGIN_MM + HEAD_MM - 1.8], 5.0, Align::Left, Ink::BLACK, words);

    match group.sheet_use {
        SheetUse::Plate => plate_marks(c, middle, side / 2.0 + quiet),
        SheetUse::PlumbLine => plumb_marks(c, middle, side / 2.0 + quiet),
        _ => {}
    }
    let title = match &group.body {
        Some(body) if body != group.sheet_use.name() => format!("{}: {body}", group.sheet_use.name()),
        _ => group.sheet_use.name().to_owned(),
    };
    let facts = format!(
        "black square {side:.1} mm nominal · tag family 36h11, id {id}\n{} · {} · top of this page is the top of the tag",
        kit.name,
        group.paper.name()
    );
    foot(
        c,
        c.height() - MARGIN_MM - FOOT_MM,
        &Foot {
            id: &id.to_string(),
            title: &title,
            facts: &facts,
            instruction: instruction(group.sheet_use),
            taken: &format!("Ids used in this kit: {}", kit.taken()),
        },
    );
    canvas.finish()
}

/// The ends of the centring cross around the white margin, and the clocking mark.
fn plate_marks(c: &mut Canvas, [x, y]: [f64; 2], half: f64) {
    for (dx, dy) in [(1.0, 0.0), (-1.0, 0.0), (0.0, 1.0), (0.0, -1.0)] {
        let at = |d: f64| [x + dx * d, y + dy * d];
        c.line(at(half), at(half + CROSS_MM), Ink::BLACK, 0.3);
    }
    let right = c.width() - MARGIN_MM;
    c.text([right - 8.0, MARGIN_MM + HEAD_MM - 1.8], 3.4, Align::Right, Ink::BLACK, "CLOCKING MARK");
    let (tip, foot) = (MARGIN_MM, MARGIN_MM + HEAD_MM);
    let mark = Outline::polygon(&[[right - 3.0, tip], [right, foot], [right - 6.0, foot]]);
    c.paint(&mark, Look::filled(Ink::BLACK));
}

/// Two holes on the tag's middle line, above and below it.
fn plumb_marks(c: &mut Canvas, [x, y]: [f64; 2], half: f64) {
    let holes = [MARGIN_MM + 3.5, y + half + 7.5];
    for (hole, words) in holes.into_iter().zip(["string", "weight"]) {
        c.paint(&Outline::circle([x, hole], 1.5), Look::line(Ink::BLACK, 0.3));
        c.line([x - 3.5, hole], [x + 3.5, hole], Ink::BLACK, 0.2);
        c.line([x, hole - 3.5], [x, hole + 3.5], Ink::BLACK, 0.2);
        c.text([x + 5.0, hole + 1.2], 3.4, Align::Left, Ink::BLACK, words);
    }
    c.line([x, holes[0] + 3.5], [x, y - half], Ink::LIGHT, 0.2);
    c.line([x, y + half], [x, holes[1] - 3.5], Ink::LIGHT, 0.2);
}
