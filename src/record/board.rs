//! Board files: what a lens is calibrated with.

use crate::calibrate::{Board, Pattern};
use crate::record::document::Document;
use crate::record::files::{BoardFile, PatternName};
use crate::record::problem::Problem;
use crate::units::m_from_mm;
use std::path::Path;

/// The boards that are shipped, by the name that stands for their file.
const SHIPPED: [(&str, &str); 3] = [
    ("a4", include_str!("../../calib/board-a4.toml")),
    ("a3", include_str!("../../calib/board-a3.toml")),
    ("chessboard-9x6", include_str!("../../calib/chessboard-9x6.toml")),
];

/// The names of the boards that are shipped.
pub const BOARD_NAMES: [&str; SHIPPED.len()] = [SHIPPED[0].0, SHIPPED[1].0, SHIPPED[2].0];

/// The text of a shipped board's file by its name (`a4`, `a3`, `chessboard-9x6`).
pub fn shipped_board(name: &str) -> Option<&'static str> {
    SHIPPED.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// Reads a board from the text of its file.
pub fn parse_board(text: &str, name: &str) -> Result<Board, Problem> {
    resolve(&Document::parse(text.to_owned(), name, "board")?)
}

/// Reads and checks a board file. `name` is how messages call the file.
pub fn read_board(path: &Path, name: &str) -> Result<Board, Problem> {
    resolve(&Document::read(path, name, "board")?)
}

fn resolve(document: &Document) -> Result<Board, Problem> {
    let file: BoardFile = document.typed()?;
    let missing = |key: &str, of: &str| {
        document.problem(
            "pattern",
            format!("a board of {of} needs the key `{key}`"),
            "Add this key; the README lists every key of this file.",
        )
    };
    // A key of the other kind of board is a misunderstanding that would otherwise pass in silence.
    let foreign = |keys: &[(&str, bool)], of: &str| match keys.iter().find(|(_, given)| *given) {
        Some((key, _)) => Err(document.problem(
            key,
            format!("the key `{key}` does not belong to a board of {of}"),
            "Remove it, or correct `pattern`.",
        )),
        None => Ok(()),
    };
    let board = match file.pattern {
        PatternName::Tags => {
            foreign(
                &[
                    ("inner_columns", file.inner_columns.is_some()),
                    ("inner_rows", file.inner_rows.is_some()),
                    ("square_mm", file.square_mm.is_some()),
                ],
                "tags",
            )?;
            let pattern = Pattern::Tags {
                first_id: file.first_id.ok_or_else(|| missing("first_id", "tags"))?,
                side_m: m_from_mm(file.side_mm.ok_or_else(|| missing("side_mm", "tags"))?),
            };
            Board {
                name: file.name,
                pattern,
                columns: file.columns.ok_or_else(|| missing("columns", "tags"))?,
                rows: file.rows.ok_or_else(|| missing("rows", "tags"))?,
                pitch_m: m_from_mm(file.pitch_mm.ok_or_else(|| missing("pitch_mm", "tags"))?),
            }
        }
        PatternName::Chessboard => {
            foreign(
                &[
                    ("columns", file.columns.is_some()),
                    ("rows", file.rows.is_some()),
                    ("first_id", file.first_id.is_some()),
                    ("side_mm", file.side_mm.is_some()),
                    ("pitch_mm", file.pitch_mm.is_some()),
                ],
                "chessboard squares",
            )?;
            Board {
                name: file.name,
                pattern: Pattern::Chessboard,
                columns: file.inner_columns.ok_or_else(|| missing("inner_columns", "chessboard squares"))?,
                rows: file.inner_rows.ok_or_else(|| missing("inner_rows", "chessboard squares"))?,
                pitch_m: m_from_mm(file.square_mm.ok_or_else(|| missing("square_mm", "chessboard squares"))?),
            }
        }
    };
    match board.implausible() {
        Some(why) => Err(document.problem(
            "pattern",
            format!("this cannot be a board: {why}"),
            "Count and measure the board again, in millimetres.",
        )),
        None => Ok(board),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const TAGS: &str = "format = \"plumbsight/board/1\"\nname = \"b\"\npattern = \"tags\"\ncolumns = 6\nrows = 4\nfirst_id = 540\nside_mm = 32\npitch_mm = 42\n";

    fn read(text: &str) -> Result<Board, Problem> {
        resolve(&Document::parse(text.into(), "board.toml", "board")?)
    }

    #[test]
    fn shipped_boards_are_read() {
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("calib");
        for (file, points) in [("board-a4.toml", 96), ("board-a3.toml", 160), ("chessboard-9x6.toml", 54)] {
            assert_eq!(read_board(&folder.join(file), file).unwrap().n_points(), points, "{file}");
        }
    }

    #[test]
    fn wrong_boards_are_named() {
        assert_eq!(read(TAGS).unwrap().pitch_m, 0.042);
        for (from, to, line, says) in [
            ("pitch_mm = 42", "pitch_mm = 32", 3, "smaller than the distance"),
            ("pitch_mm = 42", "", 3, "needs the key `pitch_mm`"),
            ("first_id = 540", "first_id = 580", 3, "go beyond 586"),
            ("rows = 4", "rows = 4\nsquare_mm = 3.0", 6, "does not belong to a board of tags"),
            ("\"tags\"", "\"dots\"", 3, "dots"),
            ("\"tags\"", "\"chessboard\"", 4, "`columns` does not belong"),
        ] {
            let problem = read(&TAGS.replace(from, to)).unwrap_err();
            assert!(problem.to_string().contains(says) && problem.line == Some(line), "{problem}");
        }
    }
}
