//! The lens board: a grid of tags on paper that lies on its long side.

use crate::calibrate::{Board, Pattern};
use crate::paper::{Align, Canvas, Ink, MARGIN_MM, Page, Typeface};
use crate::sheets::furniture::{FULL_SIZE, bar_length_mm, level_bar, tag, up_arrow, upright_bar};
use crate::sheets::kit::{BOARD_WORDS_MM, KitBoard, STRIP_MM, SheetKit, id_ranges};
use crate::sheets::tag_sheet::{SheetPlan, upright_bar_plan};
use crate::units::mm_from_m;

/// Where the grid and the bars are; `tag_mm` is the upper left tag's.
pub fn plan_of(board: &KitBoard) -> SheetPlan {
    let [width, height] = board.paper.lying_mm();
    let (span, _) = spans_mm(&board.board);
    let room = height - 2.0 * MARGIN_MM - BOARD_WORDS_MM;
    let level = bar_length_mm(0.62 * (width - 2.0 * MARGIN_MM));
    SheetPlan {
        tag_mm: [
            MARGIN_MM + STRIP_MM + (width - 2.0 * MARGIN_MM - STRIP_MM - span[0]) / 2.0,
            MARGIN_MM + (room - span[1]) / 2.0,
        ],
        level_bar_mm: [MARGIN_MM, height - MARGIN_MM - BOARD_WORDS_MM + 6.5, level],
        upright_bar_mm: upright_bar_plan(height, BOARD_WORDS_MM),
    }
}

/// Extent of the grid and side of a tag, mm.
fn spans_mm(board: &Board) -> ([f64; 2], f64) {
    let side = match board.pattern {
        Pattern::Tags { side_m, .. } => mm_from_m(side_m),
        Pattern::Chessboard => 0.0,
    };
    let span = |n: usize| (n as f64 - 1.0) * mm_from_m(board.pitch_m) + side;
    ([span(board.columns), span(board.rows)], side)
}

/// The board's page.
pub fn draw(face: &Typeface, kit: &SheetKit, board: &KitBoard) -> Page {
    let mut canvas = Canvas::new(face, board.paper.lying_mm());
    let c = &mut canvas;
    let plan = plan_of(board);
    let (_, side) = spans_mm(&board.board);
    let pitch = mm_from_m(board.board.pitch_m);
    for (n, id) in kit.board_ids().into_iter().enumerate() {
        let (column, row) = (n % board.board.columns, n / board.board.columns);
        tag(c, id, plan.tag_mm[0] + column as f64 * pitch, plan.tag_mm[1] + row as f64 * pitch, side);
    }
    let [x, y, length] = plan.upright_bar_mm;
    upright_bar(c, x, y, length);
    let [x, y, length] = plan.level_bar_mm;
    level_bar(c, x, y, length);

    let beside = x + length + 6.0;
    let top = c.height() - MARGIN_MM - BOARD_WORDS_MM;
    up_arrow(c, beside + 2.5, top + 8.0, 7.0);
    let name = &board.board.name;
    let room = c.width() - MARGIN_MM - beside - 7.0;
    let em = (5.0f64).min(room / (c.face.width_em(name) + 1.0));
    c.bold([beside + 7.0, top + 7.0], em, Align::Left, Ink::BLACK, name);
    let facts = format!(
        "UP · ids {} · squares {side:.1} mm, {pitch:.1} mm apart · {} · {}",
        id_ranges(&kit.board_ids()),
        kit.name,
        board.paper.name()
    );
    c.column([beside, top + 11.5], 2.7, room + 7.0, Ink::BLACK, &facts);
    let width = c.width() - 2.0 * MARGIN_MM;
    let words = "Glue it to glass or a stiff flat board: flatness matters, size does not.";
    let used = c.bold([MARGIN_MM, top + 18.5], 3.0, Align::Left, Ink::BLACK, &format!("{words} {FULL_SIZE}"));
    debug_assert!(used <= width, "{used}");
    c.column([MARGIN_MM, top + 22.5], 2.3, width, Ink::GREY, &format!("Ids used in this kit: {}", kit.taken()));
    canvas.finish()
}
