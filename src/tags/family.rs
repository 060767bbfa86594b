//! The family 36h11 as a printed pattern, and the look-up of a read pattern.

use crate::tags::codes::{BIT_CELLS, CODES};
use crate::tags::widest::widest;

/// Number of tags in the family.
pub const N_IDS: usize = CODES.len();

/// Cells along one side of the black square, border included.
pub const CELLS: usize = 8;

/// The cells that carry a tag's code: bit `8 * row + column` of the word is set where the cell is white.
///
/// Columns run to the right and rows downwards on the upright print, both 0..=7 over the black square; the border is 0.
pub type Cells = u64;

/// The cells of a tag of the family, or `None` where the id is not in it.
pub fn cells_of(id: u16) -> Option<Cells> {
    CODES.get(usize::from(id)).map(|&code| cells_from_code(code))
}

fn cells_from_code(code: u64) -> Cells {
    BIT_CELLS.iter().enumerate().fold(0, |cells, (bit, &(column, row))| {
        cells | ((code >> (35 - bit)) & 1) << (8 * u32::from(row) + u32::from(column))
    })
}

/// The 36 bits of a code, in the order of the published table, from a pattern of cells.
pub fn code_from_cells(cells: Cells) -> u64 {
    BIT_CELLS
        .iter()
        .fold(0, |code, &(column, row)| (code << 1) | ((cells >> (8 * u32::from(row) + u32::from(column))) & 1))
}

/// The pattern turned by a quarter turn: what was the right side comes to the top (counter-clockwise).
pub fn quarter_turn(cells: Cells) -> Cells {
    let mut turned = 0;
    for row in 0..8 {
        for column in 0..8 {
            // The cell at (column, row) after the turn was at (7 - row, column) before.
            turned |= ((cells >> (8 * column + (7 - row))) & 1) << (8 * row + column);
        }
    }
    turned
}

/// A read pattern's nearest tag.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Match {
    /// Id in the family.
    pub id: u16,
    /// Quarter turns (counter-clockwise) that make the read pattern upright, 0..=3.
    pub turns: usize,
    /// Cells that differ from the tag's code.
    pub wrong_cells: u32,
}

/// The tag nearest to a read pattern, if it differs in at most `most_wrong` cells.
///
/// Any two codes of the family differ in at least 11 cells in every rotation, so that an answer with at most 5 wrong cells is the only one.
pub fn nearest(cells: Cells, most_wrong: u32) -> Option<Match> {
    // Processors count bits in one step, but for the oldest.
    widest(
        #[inline(always)]
        || nearest_of_all(cells, most_wrong),
    )
}

#[inline(always)]
fn nearest_of_all(cells: Cells, most_wrong: u32) -> Option<Match> {
    let mut best: Option<Match> = None;
    let mut turned = cells;
    for turns in 0..4 {
        let code = code_from_cells(turned);
        for (id, &known) in CODES.iter().enumerate() {
            let wrong_cells = (code ^ known).count_ones();
            if wrong_cells <= most_wrong && best.is_none_or(|b| wrong_cells < b.wrong_cells) {
                best = Some(Match { id: id as u16, turns, wrong_cells });
            }
        }
        turned = quarter_turn(turned);
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_keep_the_familys_distance_in_every_rotation() {
        // Source of the 11: the family's name and its publication (Olson 2011, "AprilTag: A robust and flexible visual fiducial system").
        let all: Vec<[u64; 4]> = CODES
            .iter()
            .map(|&code| {
                let mut cells = cells_from_code(code);
                std::array::from_fn(|_| {
                    let code = code_from_cells(cells);
                    cells = quarter_turn(cells);
                    code
                })
            })
            .collect();
        let mut least = u32::MAX;
        for (i, a) in all.iter().enumerate() {
            for turned in &a[1..] {
                least = least.min((a[0] ^ turned).count_ones());
            }
            for b in &all[i + 1..] {
                for turned in b {
                    least = least.min((a[0] ^ turned).count_ones());
                }
            }
        }
        assert_eq!(least, 11);
    }

    #[test]
    fn every_tag_is_found_again_turned_and_damaged() {
        for id in 0..N_IDS as u16 {
            let cells = cells_of(id).unwrap();
            assert_eq!(cells & 0xff818181818181ff, 0, "the border of {id} is black");
            let mut turned = cells;
            for turns in 0..4 {
                let back = (4 - turns) % 4;
                assert_eq!(nearest(turned, 2), Some(Match { id, turns: back, wrong_cells: 0 }));
                let damaged = turned ^ (1 << (8 * 3 + 4)) ^ (1 << (8 * 6 + 1));
                assert_eq!(nearest(damaged, 2), Some(Match { id, turns: back, wrong_cells: 2 }));
                assert_eq!(nearest(damaged, 1), None);
                turned = quarter_turn(turned);
            }
        }
        assert_eq!(cells_of(N_IDS as u16), None);
    }

    #[test]
    fn a_mirrored_tag_is_not_in_the_family() {
        for id in 0..N_IDS as u16 {
            let cells = cells_of(id).unwrap();
            let mirrored = cells.to_be_bytes().map(u8::reverse_bits);
            assert_eq!(nearest(u64::from_be_bytes(mirrored), 2), None, "{id}");
        }
    }
}
