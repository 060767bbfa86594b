//! Target-corner sheets: four small tags on a page, to be cut out, each with two edges that go on the edges of the target.

use crate::paper::{Align, Canvas, Ink, Look, MARGIN_MM, Outline, Page, Typeface};
use crate::placement::FaceCorner;
use crate::sheets::furniture::{Foot, foot, tag, up_arrow, upright_bar};
use crate::sheets::kit::{
    CORNER_GAP_MM, CORNER_WORDS_MM, CORNERS_ON_A_PAGE, FOOT_MM, STRIP_MM, SheetGroup, SheetKit, id_ranges, quiet_mm,
};
use crate::sheets::tag_sheet::upright_bar_plan;

/// The corner that the n-th tag of a group is for.
pub fn corner_of(n: usize) -> FaceCorner {
    FaceCorner::ALL[n % FaceCorner::ALL.len()]
}

/// How far the centre of a tag is from the two cut edges, mm.
pub fn centre_from_edges_mm(side_mm: f64) -> f64 {
    side_mm / 2.0 + quiet_mm(side_mm)
}

/// Upper left corner of the n-th cut-out of a page.
fn cut_out_mm(group: &SheetGroup, n: usize) -> [f64; 2] {
    let [width, _] = group.paper.upright_mm();
    let size = [
        group.side_mm + 2.0 * quiet_mm(group.side_mm),
        group.side_mm + 2.0 * quiet_mm(group.side_mm) + CORNER_WORDS_MM,
    ];
    let columns = CORNERS_ON_A_PAGE[0];
    let span = columns as f64 * size[0] + (columns as f64 - 1.0) * CORNER_GAP_MM;
    let left = (MARGIN_MM + STRIP_MM + (width - MARGIN_MM - STRIP_MM) - span) / 2.0;
    let place = [n % columns, n / columns];
    [left + place[0] as f64 * (size[0] + CORNER_GAP_MM), MARGIN_MM + place[1] as f64 * (size[1] + CORNER_GAP_MM)]
}

/// Left and upper edge of the black square of the n-th tag of a page, mm.
pub fn tag_mm(group: &SheetGroup, n: usize) -> [f64; 2] {
    let [left, top] = cut_out_mm(group, n);
    let quiet = quiet_mm(group.side_mm);
    let words = if corner_of(n).top { 0.0 } else { CORNER_WORDS_MM };
    [left + quiet, top + words + quiet]
}

/// One page with up to four tags.
pub fn draw(face: &Typeface, kit: &SheetKit, group: &SheetGroup, ids: &[u16]) -> Page {
    let mut canvas = Canvas::new(face, group.paper.upright_mm());
    let c = &mut canvas;
    for (n, id) in ids.iter().enumerate() {
        cut_out(c, group, n, *id);
    }
    let [x, y, length] = upright_bar_plan(c.height(), FOOT_MM);
    upright_bar(c, x, y, length);
    let body = group.body.as_deref().unwrap_or("stand");
    let facts = format!(
        "black squares {:.1} mm nominal · tag family 36h11\n{} · {} · centre of a tag {:.2} mm in from both solid edges",
        group.side_mm,
        kit.name,
        group.paper.name(),
        centre_from_edges_mm(group.side_mm)
    );
    foot(
        c,
        c.height() - MARGIN_MM - FOOT_MM,
        &Foot {
            id: &id_ranges(ids),
            title: &format!("target-corner sheets: {body}"),
            facts: &facts,
            instruction: "Cut along the lines with a knife and a rule. Glue each on its corner of the target, seen from the car: arrow up, the two solid edges exactly on \
                          the target's edges, where they hide nothing that the sensor looks at. Take them off before the sensor is calibrated if the procedure asks for it.",
            taken: &format!("Ids used in this kit: {}", kit.taken()),
        },
    );
    canvas.finish()
}

fn cut_out(c: &mut Canvas, group: &SheetGroup, n: usize, id: u16) {
    let corner = corner_of(n);
    let [left, top] = cut_out_mm(group, n);
    let wide = group.side_mm + 2.0 * quiet_mm(group.side_mm);
    let high = wide + CORNER_WORDS_MM;
    let (right, bottom) = (left + wide, top + high);
    let [tag_left, tag_top] = tag_mm(group, n);
    tag(c, id, tag_left, tag_top, group.side_mm);
    // The two edges that go on the target's edges are solid, the others dashed.
    c.paint(&Outline::rectangle(left, top, wide, high), Look::line(Ink::LIGHT, 0.2).dashed(2.0, 1.5));
    let x = if corner.left { left } else { right };
    let y = if corner.top { top } else { bottom };
    let (to_x, to_y) = (if corner.left { right } else { left }, if corner.top { bottom } else { top });
    c.paint(&Outline::polyline(&[[to_x, y], [x, y], [x, to_y]]), Look::line(Ink::BLACK, 0.3));
    let words = if corner.top { bottom - 2.5 } else { top + 6.5 };
    up_arrow(c, left + 5.0, words + 0.5, 6.0);
    let width = c.bold([left + 9.0, words], 5.5, Align::Left, Ink::BLACK, &id.to_string());
    let room = wide - width - 13.0;
    let name = corner.name();
    let em = (3.4f64).min(room / c.face.width_em(name));
    c.text([right - 2.0, words], em, Align::Right, Ink::BLACK, name);
}
