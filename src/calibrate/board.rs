//! What a calibration board is: a flat grid of tags, or a plain chessboard.

use crate::body::UNIT_CORNERS;
use crate::tags::family::N_IDS;
use nalgebra::Vector2;

/// What the grid consists of.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pattern {
    /// Tags with consecutive ids, row by row from the upper left, each row from left to right, all upright.
    Tags {
        /// Id of the upper left tag.
        first_id: u16,
        /// Side of each black square, metres.
        side_m: f64,
    },
    /// A chessboard; what is located are its inner corners, where four squares meet.
    Chessboard,
}

/// A flat calibration board.
///
/// Its frame is a body's: origin in the middle of the grid, x right and y up as printed upright, z out of the paper, metres. The absolute size does not
/// matter for a lens (a board twice as large, twice as far away, looks the same); the ratio of side to pitch and its flatness do.
#[derive(Clone, Debug, PartialEq)]
pub struct Board {
    /// What people call it.
    pub name: String,
    /// What the grid consists of.
    pub pattern: Pattern,
    /// Tags, or inner corners, in a row.
    pub columns: usize,
    /// Rows of tags, or of inner corners.
    pub rows: usize,
    /// Distance from one tag's centre (or inner corner) to the next, in both directions, metres.
    pub pitch_m: f64,
}

impl Board {
    /// Number of points it has in all.
    pub fn n_points(&self) -> usize {
        let cells = self.columns * self.rows;
        match self.pattern {
            Pattern::Tags { .. } => 4 * cells,
            Pattern::Chessboard => cells,
        }
    }

    /// Centre of the tag, or place of the inner corner, at a column (from the left) and a row (from the top), metres.
    pub fn cell_m(&self, column: usize, row: usize) -> Vector2<f64> {
        Vector2::new(
            (column as f64 - (self.columns as f64 - 1.0) / 2.0) * self.pitch_m,
            ((self.rows as f64 - 1.0) / 2.0 - row as f64) * self.pitch_m,
        )
    }

    /// The four corners of a tag, counter-clockwise from the lower left as seen on the upright print, metres; `None` where the board has no such tag.
    pub fn tag_corners_m(&self, id: u16) -> Option<[Vector2<f64>; 4]> {
        let Pattern::Tags { first_id, side_m } = self.pattern else { return None };
        let k = usize::from(id.checked_sub(first_id)?);
        if k >= self.columns * self.rows {
            return None;
        }
        let centre = self.cell_m(k % self.columns, k / self.columns);
        Some(UNIT_CORNERS.map(|[x, y]| centre + Vector2::new(x, y) * side_m))
    }

    /// Half the diagonal of the grid's points, metres: the length that bend is stated over.
    pub fn half_diagonal_m(&self) -> f64 {
        let margin = match self.pattern {
            Pattern::Tags { side_m, .. } => side_m / 2.0,
            Pattern::Chessboard => 0.0,
        };
        let half = |n: usize| (n as f64 - 1.0) / 2.0 * self.pitch_m + margin;
        half(self.columns).hypot(half(self.rows))
    }

    /// Why this cannot be a board, in words; `None` where it can.
    pub fn implausible(&self) -> Option<String> {
        if !(self.pitch_m.is_finite() && self.pitch_m > 1e-3 && self.pitch_m < 2.0) {
            return Some("the distance between neighbours must lie between 1 mm and 2 m".into());
        }
        if self.columns > 100 || self.rows > 100 {
            return Some("more than 100 rows or columns cannot be told apart in a photograph".into());
        }
        match self.pattern {
            Pattern::Tags { first_id, side_m } => {
                let n = self.columns * self.rows;
                if self.columns < 2 || self.rows < 2 {
                    Some("it needs at least 2 rows and 2 columns of tags".into())
                } else if !(side_m > 0.0 && side_m < self.pitch_m) {
                    Some("the side of a tag must be smaller than the distance from one tag to the next".into())
                } else if usize::from(first_id) + n > N_IDS {
                    Some(format!(
                        "the ids {first_id} to {} go beyond {}, the last of the family",
                        usize::from(first_id) + n - 1,
                        N_IDS - 1
                    ))
                } else {
                    None
                }
            }
            Pattern::Chessboard if self.columns < 3 || self.rows < 3 => {
                Some("it needs at least 3 rows and 3 columns of inner corners (one fewer than squares)".into())
            }
            Pattern::Chessboard => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    fn tags() -> Board {
        let pattern = Pattern::Tags { first_id: 10, side_m: 0.06 };
        Board { name: "made up".into(), pattern, columns: 3, rows: 2, pitch_m: 0.08 }
    }

    #[test]
    fn tags_count_from_the_upper_left() {
        let board = tags();
        let lower_left = |id| board.tag_corners_m(id).unwrap()[0];
        assert_abs_diff_eq!(lower_left(10), Vector2::new(-0.08 - 0.03, 0.04 - 0.03), epsilon = 1e-12);
        assert_abs_diff_eq!(lower_left(12), Vector2::new(0.08 - 0.03, 0.04 - 0.03), epsilon = 1e-12);
        assert_abs_diff_eq!(lower_left(13), Vector2::new(-0.08 - 0.03, -0.04 - 0.03), epsilon = 1e-12);
        assert_eq!(board.tag_corners_m(9), None);
        assert_eq!(board.tag_corners_m(16), None);
        assert_eq!(board.n_points(), 24);
        assert_abs_diff_eq!(board.half_diagonal_m(), 0.11f64.hypot(0.07), epsilon = 1e-12);
    }

    #[test]
    fn impossible_boards_are_named() {
        assert_eq!(tags().implausible(), None);
        assert!(Board { pitch_m: 0.05, ..tags() }.implausible().unwrap().contains("smaller"));
        assert!(Board { columns: 1, ..tags() }.implausible().is_some());
        assert!(Board { pitch_m: f64::NAN, ..tags() }.implausible().is_some());
        let late = Pattern::Tags { first_id: 582, side_m: 0.06 };
        assert!(Board { pattern: late, ..tags() }.implausible().unwrap().contains("586"));
        assert!(Board { pattern: Pattern::Chessboard, ..tags() }.implausible().unwrap().contains("inner corners"));
    }
}
