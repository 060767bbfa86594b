//! Printable sheets from a kit, the lens board, the plan of which sheet goes where, and the field guide.

mod board_sheet;
mod corner_sheet;
mod furniture;
mod guide;
mod kit;
mod picture;
mod plan;
mod tag_sheet;

pub use corner_sheet::{centre_from_edges_mm, corner_of};
pub use furniture::BAR_MM;
pub use kit::{KitBoard, SheetGroup, SheetKit, SheetUse, board_too_large, id_ranges, largest_side_mm, quiet_mm};
pub use tag_sheet::SheetPlan;

use crate::paper::{Page, Paper, PaperError, Typeface, pdf};

/// Tags and scale bars that a page was drawn with: what its print is held against.
#[derive(Clone, Debug, PartialEq)]
pub struct PrintedPage {
    /// The page.
    pub page: Page,
    /// Its tags: id, left and upper edge of the black square, side; mm.
    pub tags: Vec<(u16, [f64; 2], f64)>,
    /// Left end, upper edge and length of the level bar, mm.
    pub level_bar_mm: [f64; 3],
    /// Left edge, upper end and length of the upright bar, mm.
    pub upright_bar_mm: [f64; 3],
}

/// Lengths of the level and the upright scale bar on every sheet of a paper, mm.
pub fn bars_mm(paper: Paper) -> [f64; 2] {
    let [width, height] = paper.upright_mm();
    [furniture::level_bar_length_mm(width), tag_sheet::upright_bar_plan(height, kit::FOOT_MM)[2]]
}

/// The sheets of a kit that are printed on one paper, in the order of the kit.
pub fn sheets(face: &Typeface, kit: &SheetKit, paper: Paper) -> Vec<PrintedPage> {
    let mut pages = Vec::new();
    for group in kit.groups.iter().filter(|g| g.paper == paper) {
        let plan = tag_sheet::plan_of(group);
        let bars = |page, tags| PrintedPage {
            page,
            tags,
            level_bar_mm: plan.level_bar_mm,
            upright_bar_mm: plan.upright_bar_mm,
        };
        if group.sheet_use == SheetUse::TargetCorner {
            for ids in group.ids.chunks(4) {
                let at = |(n, id): (usize, &u16)| (*id, corner_sheet::tag_mm(group, n), group.side_mm);
                let tags = ids.iter().enumerate().map(at).collect();
                pages.push(bars(corner_sheet::draw(face, kit, group, ids), tags));
            }
        } else {
            for id in &group.ids {
                let tags = vec![(*id, plan.tag_mm, group.side_mm)];
                pages.push(bars(tag_sheet::draw(face, kit, group, *id), tags));
            }
        }
    }
    pages
}

/// The lens board's page.
pub fn board(face: &Typeface, kit: &SheetKit) -> Option<PrintedPage> {
    let board = kit.board.as_ref()?;
    let plan = board_sheet::plan_of(board);
    let ids = kit.board_ids();
    let columns = board.board.columns;
    let pitch = crate::units::mm_from_m(board.board.pitch_m);
    let side = match board.board.pattern {
        crate::calibrate::Pattern::Tags { side_m, .. } => crate::units::mm_from_m(side_m),
        crate::calibrate::Pattern::Chessboard => return None,
    };
    let at = |n: usize| [plan.tag_mm[0] + (n % columns) as f64 * pitch, plan.tag_mm[1] + (n / columns) as f64 * pitch];
    Some(PrintedPage {
        page: board_sheet::draw(face, kit, board),
        tags: ids.iter().enumerate().map(|(n, id)| (*id, at(n), side)).collect(),
        level_bar_mm: plan.level_bar_mm,
        upright_bar_mm: plan.upright_bar_mm,
    })
}

/// A file to be written: its name and its bytes.
pub type Printout = (String, Vec<u8>);

/// All PDF files of a kit: the sheets, one file for each paper, the lens board, the field guide.
pub fn printouts(kit: &SheetKit) -> Result<Vec<Printout>, PaperError> {
    let face = Typeface::shipped()?;
    let mut out: Vec<Printout> = Vec::new();
    for paper in kit.papers() {
        let mut pages: Vec<Page> = sheets(&face, kit, paper).into_iter().map(|p| p.page).collect();
        if !pages.is_empty() {
            // The plan comes first, once.
            if out.is_empty() {
                pages.insert(0, plan::draw(&face, kit, paper));
            }
            let title = format!("{}: sheets on {}", kit.name, paper.name());
            out.push((format!("sheets-{}.pdf", paper.name().to_lowercase()), pdf::write(&pages, &title, &face)?));
        }
    }
    if let Some(board) = board(&face, kit) {
        let title = format!("{}: lens board", kit.name);
        out.push(("lens-board.pdf".into(), pdf::write(&[board.page], &title, &face)?));
    }
    let paper = kit.papers().first().copied().unwrap_or(Paper::A4);
    out.push(("field-guide.pdf".into(), pdf::write(&guide::draw(&face, paper), "field guide", &face)?));
    Ok(out)
}

#[cfg(test)]
mod tests;
