//! The printed cells of a tag with white all round, and what of them lies near a point.

use crate::tags::family::Cells;

/// Lines of the tag's grid across one axis.
pub(super) const LINES: usize = 9;

/// Most lines across one axis that a [`Window`] holds.
pub(super) const MOST_LINES: usize = 4;

/// White cells kept beyond the ring round the tag, so that a window may lie half outside.
const MARGIN: usize = 4;

/// Bits of one row of a window's cells.
pub(super) const WINDOW_ROW: usize = MOST_LINES + 1;

/// The printed cells as bits, with white round them.
#[derive(Clone, Debug)]
pub struct Pattern {
    /// Row `MARGIN` is just below the tag, row `MARGIN + 9` just above; bits likewise from left to right. A set bit is white.
    rows: [u32; 10 + 2 * MARGIN],
}

/// The lines of the grid nearest to a point and the cells between and around them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Window {
    /// Number of the first line across u: line 0 is the left side of the black square, line 8 its right side. May lie outside.
    pub first_u: i32,
    /// Number of the first line across v, likewise from below.
    pub first_v: i32,
    /// Bit `WINDOW_ROW * row + column`: whether that cell is white; row 0 is below the first line, column 0 left of it.
    pub white: u32,
}

impl Window {
    /// The cells of a window of one line, all from the column that `u` lies in.
    #[inline(always)]
    pub(super) fn one_column(&self, u: f32) -> u32 {
        let column = u32::from(u + 4.0 > self.first_u as f32);
        let rows = (self.white >> column) & (1 | 1 << WINDOW_ROW);
        rows | rows << 1
    }

    /// The cells of a window of one line, all from the row that `v` lies in.
    #[inline(always)]
    pub(super) fn one_row(&self, v: f32) -> u32 {
        let row = u32::from(v + 4.0 > self.first_v as f32) * WINDOW_ROW as u32;
        let columns = (self.white >> row) & 3;
        columns | columns << WINDOW_ROW
    }
}

impl Pattern {
    /// The pattern of a tag's cells.
    pub fn new(cells: Cells) -> Self {
        let mut rows = [u32::MAX; 10 + 2 * MARGIN];
        for (row, bits) in cells.to_le_bytes().into_iter().enumerate() {
            rows[MARGIN + 8 - row] = !(0xff << (MARGIN + 1)) | u32::from(bits) << (MARGIN + 1);
        }
        Pattern { rows }
    }

    /// Whether a cell is white: columns 1 to 8 and rows 1 to 8 (from below) are the tag's, those around are white.
    #[inline]
    pub(super) fn white(&self, column: usize, row: usize) -> bool {
        (self.rows[row + MARGIN] >> (column + MARGIN)) & 1 != 0
    }

    /// Whether the cell that holds a point is white.
    pub fn is_white(&self, u: f64, v: f64) -> bool {
        let index = |c: f64| (c + 5.0).clamp(0.0, 9.0) as usize;
        self.white(index(u), index(v))
    }

    /// The cells around `lines` lines of either direction, of which these are the first: see [`first_line`].
    #[inline(always)]
    pub(super) fn window(&self, first_u: i32, first_v: i32, lines: usize) -> Window {
        let (column, row) = ((first_u + MARGIN as i32) as u32, (first_v + MARGIN as i32) as usize);
        let bits = |k: usize| self.rows.get(row + k).map_or(u32::MAX, |bits| bits >> (column & 31));
        let white = if lines == 1 {
            (bits(0) & 3) | (bits(1) & 3) << WINDOW_ROW
        } else {
            let mask = (1 << (lines + 1)) - 1;
            (0..=lines).fold(0, |white, k| white | (bits(k) & mask) << (WINDOW_ROW * k))
        };
        Window { first_u, first_v, white }
    }
}

/// The first of the `lines` lines of one direction that are nearest to a coordinate (cells).
#[inline(always)]
pub(super) fn first_line(coordinate: f32, lines: u32) -> i32 {
    // Rounds down without a call: the number is made positive first.
    ((coordinate + 4.0 - 0.5 * lines as f32 + 1.0 + 16.0) as i32).wrapping_sub(16).clamp(-(MARGIN as i32), 9)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tags::family::cells_of;

    #[test]
    fn the_upright_print_has_its_cells_where_the_family_says() {
        let cells = cells_of(3).unwrap();
        let pattern = Pattern::new(cells);
        for row in 0..8 {
            for column in 0..8 {
                let (u, v) = (f64::from(column) - 3.5, 3.5 - f64::from(row));
                assert_eq!(pattern.is_white(u, v), (cells >> (8 * row + column)) & 1 != 0);
            }
        }
        assert!(pattern.is_white(-4.5, 0.0) && pattern.is_white(9.0, 9.0) && !pattern.is_white(-3.9, 3.9));
    }

    #[test]
    fn a_window_holds_the_lines_and_cells_around_its_point() {
        let pattern = Pattern::new(cells_of(77).unwrap());
        for (u, v) in [(0.3, -1.2), (-3.9, 3.8), (-4.6, -4.7), (4.4, 0.6), (1.49, 2.51), (-6.0, 8.5)] {
            for lines in 1..=MOST_LINES {
                let first = |c: f64| first_line(c as f32, lines as u32);
                let window = pattern.window(first(u), first(v), lines);
                let middle = |first: i32| f64::from(first) - 4.0 + 0.5 * (lines as f64 - 1.0);
                assert!((middle(window.first_u) - u).abs() <= 0.5 || u.abs() > 5.0, "{u} {lines}");
                assert!((middle(window.first_v) - v).abs() <= 0.5 || v.abs() > 5.0, "{v} {lines}");
                for row in 0..=lines {
                    for column in 0..=lines {
                        let at = |first: i32, k: usize| f64::from(first) - 4.5 + k as f64;
                        let white = (window.white >> (WINDOW_ROW * row + column)) & 1 != 0;
                        assert_eq!(white, pattern.is_white(at(window.first_u, column), at(window.first_v, row)));
                    }
                }
            }
        }
    }
}
