//! What a kit consists of: which tag is printed on which sheet, how large, on what paper.

use crate::calibrate::{Board, Pattern};
use crate::paper::{MARGIN_MM, Paper};
use crate::tags::family::CELLS;
use crate::units::mm_from_m;

/// What a sheet is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum SheetUse {
    /// Lies loose on the floor.
    Floor,
    /// Glued to a board that is clamped to a wheel.
    Plate,
    /// Glued to the stand.
    Stand,
    /// Small tags for the corners of the target itself, several on a page, to be cut out.
    TargetCorner,
    /// Glued to a board that hangs on a string.
    PlumbLine,
}

impl SheetUse {
    /// What it is called on the sheet.
    pub fn name(self) -> &'static str {
        match self {
            SheetUse::Floor => "floor sheet",
            SheetUse::Plate => "wheel-plate sheet",
            SheetUse::Stand => "stand sheet",
            SheetUse::TargetCorner => "target-corner sheet",
            SheetUse::PlumbLine => "plumb-line sheet",
        }
    }
}

/// Sheets of one use, on one body, with tags of one size.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetGroup {
    /// What they are for.
    pub sheet_use: SheetUse,
    /// The body they belong to; floor sheets are bodies of their own.
    pub body: Option<String>,
    /// The tags, in order.
    pub ids: Vec<u16>,
    /// Side of each black square, mm.
    pub side_mm: f64,
    /// What they are printed on.
    pub paper: Paper,
    /// Width and height of the target whose corners they mark, mm.
    pub target_mm: Option<[f64; 2]>,
}

/// The lens board of a kit.
#[derive(Clone, Debug, PartialEq)]
pub struct KitBoard {
    /// What it is: a grid of tags.
    pub board: Board,
    /// What it is printed on, lying on its long side.
    pub paper: Paper,
}

/// Everything that is printed for one shop, so that no id is there twice.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetKit {
    /// The name people read; it is on every sheet.
    pub name: String,
    /// The sheets, in order.
    pub groups: Vec<SheetGroup>,
    /// The lens board, where there is one.
    pub board: Option<KitBoard>,
}

/// Width of the strip at the left edge that holds the upright scale bar, and of nothing at the right, mm.
pub(super) const STRIP_MM: f64 = 7.0;

/// Height at the top for the arrow that says which way is up, and at the bottom for id, level bar and words, mm.
pub(super) const HEAD_MM: f64 = 8.0;
pub(super) const FOOT_MM: f64 = 66.0;

/// Room at each side of a wheel-plate sheet for the ends of its centring cross, mm.
pub(super) const CROSS_MM: f64 = 6.0;

/// Room below the tag of a plumb-line sheet for its lower hole, mm.
pub(super) const HOLE_MM: f64 = 12.0;

/// Target-corner sheets on one page: columns and rows.
pub const CORNERS_ON_A_PAGE: [usize; 2] = [2, 2];

/// Height inside a target-corner sheet for its words, mm.
pub(super) const CORNER_WORDS_MM: f64 = 9.0;

/// The white margin that every tag keeps around it: one of its cells, which is an eighth of its side. The detector needs no more.
pub fn quiet_mm(side_mm: f64) -> f64 {
    side_mm / CELLS as f64
}

/// The largest side that fits, mm, rounded down to half millimetres.
///
/// White margin, scale bars, words and the part of the page that printers leave blank included.
pub fn largest_side_mm(sheet_use: SheetUse, paper: Paper) -> f64 {
    let [width, height] = paper.upright_mm();
    let cells = 1.0 + 2.0 / CELLS as f64;
    let side = match sheet_use {
        SheetUse::TargetCorner => {
            let [columns, rows] = CORNERS_ON_A_PAGE.map(|n| n as f64);
            let across = (width - 2.0 * (MARGIN_MM + STRIP_MM)) / columns - CORNER_GAP_MM;
            let down = (height - 2.0 * MARGIN_MM - FOOT_MM) / rows - CORNER_GAP_MM - CORNER_WORDS_MM;
            across.min(down) / cells
        }
        _ => {
            let cross = if sheet_use == SheetUse::Plate { CROSS_MM } else { 0.0 };
            let across = width - 2.0 * (MARGIN_MM + STRIP_MM + cross);
            let holes = if sheet_use == SheetUse::PlumbLine { HOLE_MM } else { 0.0 };
            let down = height - 2.0 * MARGIN_MM - HEAD_MM - FOOT_MM - 2.0 * cross - holes;
            across.min(down) / cells
        }
    };
    (2.0 * side).floor() / 2.0
}

/// Space between target-corner sheets on a page, mm.
pub(super) const CORNER_GAP_MM: f64 = 6.0;

/// Ids of a list as people write it: "10-13, 20".
pub fn id_ranges(ids: &[u16]) -> String {
    let mut sorted = ids.to_vec();
    sorted.sort_unstable();
    let mut runs: Vec<(u16, u16)> = Vec::new();
    for id in sorted {
        match runs.last_mut() {
            Some((_, last)) if *last + 1 == id => *last = id,
            _ => runs.push((id, id)),
        }
    }
    let run = |(a, b): &(u16, u16)| if a == b { a.to_string() } else { format!("{a}-{b}") };
    runs.iter().map(run).collect::<Vec<_>>().join(", ")
}

impl SheetKit {
    /// The kit that a new shop starts from: two upright sizes of paper give the same ids and sides, the larger papers larger tags.
    pub fn usual(paper: Paper) -> Self {
        let (large, plate, board) = match paper {
            Paper::A4 | Paper::Letter => (140.0, 125.0, (6, 4, 540, 0.032, 0.042)),
            Paper::A3 | Paper::Tabloid => (190.0, 180.0, (8, 5, 500, 0.038, 0.048)),
        };
        let group = |sheet_use, body: Option<&str>, ids: std::ops::RangeInclusive<u16>, side_mm| SheetGroup {
            sheet_use,
            body: body.map(str::to_owned),
            ids: ids.collect(),
            side_mm,
            paper,
            target_mm: None,
        };
        let plates =
            [("plate rear left", 10), ("plate rear right", 11), ("plate front left", 12), ("plate front right", 13)];
        let mut groups: Vec<SheetGroup> =
            plates.iter().map(|(body, id)| group(SheetUse::Plate, Some(body), *id..=*id, plate)).collect();
        groups.push(group(SheetUse::Stand, Some("stand"), 40..=47, large));
        groups.push(group(SheetUse::TargetCorner, Some("stand"), 60..=63, 60.0));
        groups.push(group(SheetUse::PlumbLine, Some("plumb line"), 30..=30, large));
        groups.push(group(SheetUse::Floor, None, 100..=113, large));
        let (columns, rows, first_id, side_m, pitch_m) = board;
        let pattern = Pattern::Tags { first_id, side_m };
        let board = Board { name: format!("lens board {}", paper.name()), pattern, columns, rows, pitch_m };
        Self { name: "kit 1".into(), groups, board: Some(KitBoard { board, paper }) }
    }

    /// The papers it is printed on, in order, each once.
    pub fn papers(&self) -> Vec<Paper> {
        let mut papers: Vec<Paper> =
            self.groups.iter().map(|g| g.paper).chain(self.board.as_ref().map(|b| b.paper)).collect();
        papers.sort_unstable();
        papers.dedup();
        papers
    }

    /// Name of the print group that the sheets on a paper belong to.
    pub fn print_name(&self, paper: Paper) -> String {
        format!("{} {}", self.name, paper.name())
    }

    /// The ids of all groups of one use.
    pub fn ids_of(&self, sheet_use: SheetUse) -> Vec<u16> {
        self.groups.iter().filter(|g| g.sheet_use == sheet_use).flat_map(|g| g.ids.iter().copied()).collect()
    }

    /// The ids of the lens board.
    pub fn board_ids(&self) -> Vec<u16> {
        match &self.board {
            Some(KitBoard { board: Board { pattern: Pattern::Tags { first_id, .. }, columns, rows, .. }, .. }) => {
                (*first_id..).take(columns * rows).collect()
            }
            _ => Vec::new(),
        }
    }

    /// Which ids are taken, in words for every sheet: "floor 100-113 · plates 10-13".
    pub fn taken(&self) -> String {
        let uses = [
            (SheetUse::Plate, "plates"),
            (SheetUse::PlumbLine, "plumb line"),
            (SheetUse::Stand, "stand"),
            (SheetUse::TargetCorner, "target corners"),
            (SheetUse::Floor, "floor"),
        ];
        let mut parts: Vec<String> = uses
            .iter()
            .map(|(sheet_use, name)| (name, self.ids_of(*sheet_use)))
            .filter(|(_, ids)| !ids.is_empty())
            .map(|(name, ids)| format!("{name} {}", id_ranges(&ids)))
            .collect();
        if !self.board_ids().is_empty() {
            parts.push(format!("lens board {}", id_ranges(&self.board_ids())));
        }
        parts.join(" · ")
    }
}

/// Why a board does not fit on a paper lying on its long side; `None` where it does.
pub fn board_too_large(board: &Board, paper: Paper) -> Option<String> {
    let Pattern::Tags { side_m, .. } = board.pattern else {
        return Some("only boards of tags are printed".into());
    };
    let [width, height] = paper.lying_mm();
    let (side, pitch) = (mm_from_m(side_m), mm_from_m(board.pitch_m));
    let span = |n: usize| (n as f64 - 1.0) * pitch + side + 2.0 * quiet_mm(side);
    let [across, down] = [span(board.columns), span(board.rows)];
    let most = [width - 2.0 * MARGIN_MM - STRIP_MM, height - 2.0 * MARGIN_MM - BOARD_WORDS_MM];
    (across > most[0] || down > most[1]).then(|| {
        format!(
            "the grid with its white margin is {across:.0} x {down:.0} mm, and {} has room for {:.0} x {:.0} mm",
            paper.name(),
            most[0].floor(),
            most[1].floor()
        )
    })
}

/// Height on the lens board's page for its bar and words, mm.
pub(super) const BOARD_WORDS_MM: f64 = 23.0;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_kits_hold_no_id_twice_and_fit() {
        for paper in Paper::ALL {
            let kit = SheetKit::usual(paper);
            let mut ids: Vec<u16> = kit.groups.iter().flat_map(|g| g.ids.clone()).chain(kit.board_ids()).collect();
            let n = ids.len();
            ids.sort_unstable();
            ids.dedup();
            assert_eq!(ids.len(), n);
            assert!(ids.iter().all(|id| usize::from(*id) < crate::tags::family::N_IDS));
            for group in &kit.groups {
                assert!(
                    group.side_mm <= largest_side_mm(group.sheet_use, group.paper),
                    "{:?} on {paper:?}",
                    group.sheet_use
                );
            }
            let board = kit.board.unwrap();
            assert_eq!(board_too_large(&board.board, paper), None);
        }
        assert!(
            board_too_large(&SheetKit::usual(Paper::A3).board.unwrap().board, Paper::A4)
                .unwrap()
                .contains("A4 has room")
        );
    }

    #[test]
    fn ids_are_written_as_ranges() {
        assert_eq!(id_ranges(&[12, 10, 11, 20]), "10-12, 20");
        assert_eq!(id_ranges(&[]), "");
        assert!(SheetKit::usual(Paper::A4).taken().starts_with("plates 10-13 · plumb line 30"));
    }
}
