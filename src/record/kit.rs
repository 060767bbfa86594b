//! `kit.toml`: what is printed for one shop.

use crate::calibrate::{Board, Pattern};
use crate::paper::{Paper, Typeface};
use crate::record::bodies::{listed_ids, tag_id};
use crate::record::document::Document;
use crate::record::files::{KitBoardTable, KitFile, SheetKindName, SheetsTable};
use crate::record::problem::Problem;
use crate::sheets::{KitBoard, SheetGroup, SheetKit, SheetUse, board_too_large, largest_side_mm};
use crate::units::m_from_mm;
use std::collections::BTreeMap;
use std::path::Path;

/// More pages than this in one kit are a slip of the pen. Common practice, no source.
pub const MOST_PAGES: usize = 200;

/// Smaller tags cannot be read from where one stands. Common practice, no source.
const SMALLEST_MM: f64 = 20.0;

/// Longest name of a kit or body that fits on a sheet.
const LONGEST_NAME: usize = 40;

/// Reads and checks a kit file. `name` is how messages call it.
pub fn read_kit(path: &Path, name: &str) -> Result<SheetKit, Problem> {
    resolve(&Document::read(path, name, "kit")?)
}

/// The same for a text that is already in memory.
pub fn parse_kit(text: String, name: &str) -> Result<SheetKit, Problem> {
    resolve(&Document::parse(text, name, "kit")?)
}

fn resolve(document: &Document) -> Result<SheetKit, Problem> {
    let file: KitFile = document.typed()?;
    let name = printable(document, "name", &file.name)?;
    let usual = paper(document, "paper", &file.paper)?;
    let mut seen = BTreeMap::new();
    let mut groups = Vec::new();
    for (k, table) in file.sheets.iter().enumerate() {
        groups.push(group(document, &format!("sheets[{k}]"), table, usual, &groups, &mut seen)?);
    }
    if groups.is_empty() && file.board.is_none() {
        return Err(document.problem(
            "",
            "nothing is to be printed",
            "Add [[sheets]] tables; the README lists their keys.",
        ));
    }
    let pages: usize = groups
        .iter()
        .map(|g: &SheetGroup| if g.sheet_use == SheetUse::TargetCorner { g.ids.len().div_ceil(4) } else { g.ids.len() })
        .sum();
    if pages > MOST_PAGES {
        return Err(document.problem(
            "sheets",
            format!("{pages} pages are more than anybody prints for one bay"),
            format!("Shorten the lists of ids; {MOST_PAGES} pages is the most."),
        ));
    }
    let board = file.board.as_ref().map(|table| board(document, table, usual, &mut seen)).transpose()?;
    Ok(SheetKit { name, groups, board })
}

/// A name that can be printed on a sheet.
fn printable(document: &Document, path: &str, name: &str) -> Result<String, Problem> {
    let trimmed = name.trim();
    let problem = |what: String| {
        Err(document.problem(
            path,
            what,
            format!("Give a name of 1 to {LONGEST_NAME} plain letters, digits and signs."),
        ))
    };
    if trimmed.is_empty() {
        return problem("the name is empty".into());
    }
    if trimmed.chars().count() > LONGEST_NAME {
        return problem(format!("\"{trimmed}\" is too long for a sheet"));
    }
    // The program's own typeface prints it; a quotation mark would end the text in the files made from it.
    let face =
        Typeface::shipped().map_err(|e| Problem::of_file(document.name(), e.to_string(), "Please report this."))?;
    match trimmed.chars().find(|c| !face.can_write(&c.to_string()) || matches!(c, '"' | '\\')) {
        Some(c) => problem(format!("the character {c:?} in \"{trimmed}\" cannot be printed")),
        None => Ok(trimmed.to_owned()),
    }
}

fn paper(document: &Document, path: &str, name: &str) -> Result<Paper, Problem> {
    Paper::named(name).ok_or_else(|| {
        let known = Paper::ALL.map(|p| format!("\"{}\"", p.name())).join(", ");
        document.problem(path, format!("the paper \"{name}\" is not known"), format!("Choose one of {known}."))
    })
}

fn group(
    document: &Document,
    path: &str,
    table: &SheetsTable,
    usual: Paper,
    before: &[SheetGroup],
    seen: &mut BTreeMap<u16, (String, Option<usize>)>,
) -> Result<SheetGroup, Problem> {
    let sheet_use = match table.kind {
        SheetKindName::Floor => SheetUse::Floor,
        SheetKindName::Plate => SheetUse::Plate,
        SheetKindName::Stand => SheetUse::Stand,
        SheetKindName::TargetCorner => SheetUse::TargetCorner,
        SheetKindName::PlumbLine => SheetUse::PlumbLine,
    };
    let key = |key: &str| format!("{path}.{key}");
    let body = body_of(document, path, table, sheet_use, before)?;
    let mut ids = Vec::new();
    for id in listed_ids(document, path, &table.ids)? {
        let owner = body.as_ref().map_or_else(|| format!("a {}", sheet_use.name()), |body| format!("\"{body}\""));
        ids.push(tag_id(document, &key("ids"), id, &owner, seen)?);
    }
    let paper = match &table.paper {
        Some(name) => paper(document, &key("paper"), name)?,
        None => usual,
    };
    let most = largest_side_mm(sheet_use, paper);
    if !(SMALLEST_MM..=most).contains(&table.side_mm) {
        return Err(document.problem(
            &key("side_mm"),
            format!("a {} of side_mm = {} cannot be printed on {}", sheet_use.name(), table.side_mm, paper.name()),
            format!(
                "The largest that fits with its white margin and scale bars is {most} mm, the smallest of use {SMALLEST_MM} mm; larger ones need larger \
                 paper (paper = \"A3\" in this table)."
            ),
        ));
    }
    if let Some(target) = table.target_mm {
        if sheet_use != SheetUse::TargetCorner {
            return Err(document.problem(
                &key("target_mm"),
                format!("`target_mm` says nothing about a {}", sheet_use.name()),
                "Only kind = \"target-corner\" has it: width and height of the target whose corners these sheets mark.",
            ));
        }
        let least = 2.0 * table.side_mm;
        if !target.iter().all(|mm| (least..=5000.0).contains(mm)) || ids.len() > 4 {
            return Err(document.problem(
                &key("target_mm"),
                format!("target_mm = [{}, {}] with {} tags of {} mm is not possible", target[0], target[1], ids.len(), table.side_mm),
                format!("Give width and height of one target in millimetres, {least} to 5000, and up to four tags: upper left, upper right, lower left, lower right."),
            ));
        }
    }
    Ok(SheetGroup { sheet_use, body, ids, side_mm: table.side_mm, paper, target_mm: table.target_mm })
}

/// The body that sheets belong to: none for the floor's, named for all others, and of one kind.
fn body_of(
    document: &Document,
    path: &str,
    table: &SheetsTable,
    sheet_use: SheetUse,
    before: &[SheetGroup],
) -> Result<Option<String>, Problem> {
    let key = format!("{path}.body");
    let body = match (&table.body, sheet_use) {
        (None, SheetUse::Floor) => return Ok(None),
        (Some(_), SheetUse::Floor) => {
            return Err(document.problem(
                &key,
                "floor sheets lie loose, each is a body of its own",
                "Take `body` away, or choose another kind.",
            ));
        }
        (None, _) => {
            return Err(document.problem(
                path,
                format!("it is not said which body the {}s belong to", sheet_use.name()),
                "Add body, for example body = \"plate rear left\" or body = \"stand\".",
            ));
        }
        (Some(body), _) => printable(document, &key, body)?,
    };
    let rigid = |sheet_use| if sheet_use == SheetUse::TargetCorner { SheetUse::Stand } else { sheet_use };
    match before.iter().find(|g| g.body.as_ref() == Some(&body) && rigid(g.sheet_use) != rigid(sheet_use)) {
        Some(other) => Err(document.problem(
            &key,
            format!("\"{body}\" has {}s already and cannot have {}s too", other.sheet_use.name(), sheet_use.name()),
            "Give this body a name of its own.",
        )),
        None => Ok(Some(body)),
    }
}

fn board(
    document: &Document,
    table: &KitBoardTable,
    usual: Paper,
    seen: &mut BTreeMap<u16, (String, Option<usize>)>,
) -> Result<KitBoard, Problem> {
    let paper = match &table.paper {
        Some(name) => paper(document, "board.paper", name)?,
        None => usual,
    };
    let name = match &table.name {
        Some(name) => printable(document, "board.name", name)?,
        None => format!("lens board {}", paper.name()),
    };
    let pattern = Pattern::Tags { first_id: table.first_id, side_m: m_from_mm(table.side_mm) };
    let board = Board { name, pattern, columns: table.columns, rows: table.rows, pitch_m: m_from_mm(table.pitch_mm) };
    if let Some(why) = board.implausible() {
        return Err(document.problem(
            "board",
            format!("this cannot be a board: {why}"),
            "Correct the numbers of [board].",
        ));
    }
    let gap = table.pitch_mm - table.side_mm;
    if gap < crate::sheets::quiet_mm(table.side_mm) {
        return Err(document.problem(
            "board.pitch_mm",
            format!("only {gap} mm are white between tags of {} mm", table.side_mm),
            format!("Leave at least an eighth of the side: pitch_mm = {} or more.", table.side_mm * 1.125),
        ));
    }
    if let Some(why) = board_too_large(&board, paper) {
        return Err(document.problem(
            "board",
            format!("the lens board is too large: {why}"),
            "Use fewer rows or columns, smaller tags or larger paper.",
        ));
    }
    for n in 0..table.columns * table.rows {
        tag_id(document, "board.first_id", i64::from(table.first_id) + n as i64, "the lens board", seen)?;
    }
    Ok(KitBoard { board, paper })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{MEASURED_TAGS, board_text, bodies_text, kit_text};

    const HEAD: &str = "format = \"plumbsight/kit/1\"\nname = \"k\"\npaper = \"A4\"\n";

    #[track_caller]
    fn refused(text: &str, line: usize, what: &str, remedy: &str) {
        let problem = parse_kit(format!("{HEAD}{text}"), "kit.toml").unwrap_err();
        assert!(problem.what.contains(what) && problem.remedy.contains(remedy), "{problem}");
        assert_eq!(problem.line, Some(line), "{problem}");
    }

    #[test]
    fn slips_are_named_with_line_and_remedy() {
        let floor = "[[sheets]]\nkind = \"floor\"\nside_mm = 140\n";
        refused(&format!("{floor}ids = [7, 8, 7]\n"), 7, "tag 7 is declared twice", "another id");
        refused(&format!("{floor}ids = \"580-590\"\n"), 7, "no tag 587", "0 to 586");
        refused(&format!("{floor}ids = [-1]\n"), 7, "no tag -1", "0 to 586");
        refused(&format!("{floor}ids = []\n"), 7, "empty", "List");
        refused(
            &floor.replace("140", "150\nids = [1]"),
            6,
            "side_mm = 150 cannot be printed on A4",
            "largest that fits",
        );
        refused(&floor.replace("140", "144.5\nids = [1]"), 6, "144.5", "is 144 mm");
        refused(&floor.replace("140", "140\nids = [1]\npaper = \"A5\""), 8, "\"A5\" is not known", "\"Tabloid\"");
        refused(&floor.replace("140", "140\nids = [1]\nbody = \"x\""), 8, "lie loose", "Take `body` away");
        refused(
            &floor.replace("140", "140\nids = [1]\ntarget_mm = [1, 1]"),
            8,
            "says nothing about a floor sheet",
            "target-corner",
        );
        refused(&format!("{}ids = \"0-250\"\n", floor), 4, "251 pages", "200 pages");
        refused(
            "[[sheets]]\nkind = \"plate\"\nside_mm = 100\nids = [1]\n",
            4,
            "which body the wheel-plate sheets",
            "body = ",
        );
        refused(
            "[[sheets]]\nkind = \"plate\"\nbody = \"漢\"\nside_mm = 100\nids = [1]\n",
            6,
            "cannot be printed",
            "plain",
        );
        let board = "[board]\ncolumns = 6\nrows = 4\nfirst_id = 540\nside_mm = 32\npitch_mm = 42\n";
        refused(&format!("{floor}ids = [550]\n{board}"), 11, "tag 550 is declared twice", "another id");
        refused(&board.replace("columns = 6", "columns = 7"), 4, "A4 has room for", "fewer rows");
        refused(&board.replace("pitch_mm = 42", "pitch_mm = 33"), 9, "only 1 mm are white", "36");
        let twice = "[[sheets]]\nkind = \"stand\"\nbody = \"s\"\nside_mm = 100\nids = [1]\n[[sheets]]\nkind = \"plate\"\nbody = \"s\"\nside_mm = 100\nids = [2]\n";
        refused(twice, 11, "\"s\" has stand sheets already", "name of its own");
        let problem = parse_kit(HEAD.into(), "kit.toml").unwrap_err();
        assert!(problem.what.contains("nothing is to be printed"), "{problem}");
    }

    #[test]
    fn what_the_program_writes_it_reads() {
        for paper in Paper::ALL {
            let kit = SheetKit::usual(paper);
            let again = parse_kit(kit_text(&kit, paper), "kit.toml").unwrap_or_else(|p| panic!("{p}"));
            assert_eq!(again, kit);
            // The bodies made from it are a bodies file, with every tag but the lens board's.
            let dir = tempfile::tempdir().unwrap();
            let text = bodies_text(&kit);
            // As long as the stand's tag is not measured the file is refused, and says why.
            let problem = Document::parse(text.clone(), "bodies.toml", "bodies").unwrap_err();
            assert!(problem.what.contains("`bar_x_mm = MEASURE` waits") && problem.line.is_some(), "{problem}");
            // Both bars of every paper, and four tags of the stand: all are named at once.
            assert_eq!(problem.what.matches("centre_mm (line").count(), MEASURED_TAGS, "{problem}");
            let [level, nominal] = crate::sheets::bars_mm(paper);
            let filled = text
                .replace("\ncentre_mm = MEASURE", "\ncentre_mm = [0, 400, 300]")
                .replace("bar_x_mm = MEASURE", &format!("bar_x_mm = {level}"))
                .replace("bar_y_mm = MEASURE", &format!("bar_y_mm = {nominal}"));
            let document = Document::parse(filled.clone(), "bodies.toml", "bodies").unwrap();
            let bodies = crate::record::bodies::resolve(&document).unwrap_or_else(|p| panic!("{p}"));
            for group in &kit.groups {
                for id in &group.ids {
                    let (b, t) = bodies.kit.find_tag(*id).unwrap();
                    assert!((bodies.kit.bodies[b].tags[t].side_m - m_from_mm(group.side_mm)).abs() < 1e-12);
                }
            }
            assert!(bodies.kit.prints[0].measured);
            let bars = filled
                .replace(&format!("bar_x_mm = {level}"), "bar_x_mm = 149.6")
                .replace(&format!("bar_y_mm = {nominal}"), "bar_y_mm = 149.6");
            let problem = Document::parse(bars, "b", "bodies").and_then(|d| crate::record::bodies::resolve(&d));
            // Both bars read 149.6 mm: right for one of 150 mm, a slip for a longer one.
            assert_eq!(problem.is_ok(), level < 160.0 && nominal < 160.0, "{problem:?}");
            // And the board is a board file.
            let board = kit.board.as_ref().unwrap();
            std::fs::write(dir.path().join("b.toml"), board_text(board)).unwrap();
            assert_eq!(crate::record::read_board(&dir.path().join("b.toml"), "b.toml").unwrap(), board.board);
        }
    }

    /// The boards of the usual kits are the boards that `plumbsight lens` knows by name.
    #[test]
    fn the_usual_lens_boards_are_the_shipped_ones() {
        for (paper, name) in [(Paper::A4, "a4"), (Paper::Letter, "a4"), (Paper::A3, "a3"), (Paper::Tabloid, "a3")] {
            let shipped = crate::record::parse_board(crate::record::shipped_board(name).unwrap(), name).unwrap();
            let printed = SheetKit::usual(paper).board.unwrap().board;
            assert_eq!(Board { name: shipped.name.clone(), ..printed }, shipped);
        }
    }

    /// Corners of a target 600 mm wide and 400 mm high, tags of 60 mm: centres lie 37.5 mm in. Seen from the car, left is the car's left (+y).
    #[test]
    fn target_corners_are_placed_from_the_targets_size() {
        let text = format!(
            "{HEAD}[[sheets]]\nkind = \"target-corner\"\nbody = \"stand\"\nids = [60, 61, 62, 63]\nside_mm = 60\ntarget_mm = [600, 400]\n"
        );
        let kit = parse_kit(text, "kit.toml").unwrap();
        let [level, upright] = crate::sheets::bars_mm(Paper::A4);
        let measured = bodies_text(&kit)
            .replace("bar_x_mm = MEASURE", &format!("bar_x_mm = {level}"))
            .replace("bar_y_mm = MEASURE", &format!("bar_y_mm = {upright}"));
        let document = Document::parse(measured, "bodies.toml", "bodies").unwrap();
        let bodies = crate::record::bodies::resolve(&document).unwrap();
        for (id, y, z) in [(60, 0.2625, 0.1625), (61, -0.2625, 0.1625), (62, 0.2625, -0.1625), (63, -0.2625, -0.1625)] {
            let (b, t) = bodies.kit.find_tag(id).unwrap();
            // Nobody measured how well they sit on the corners: that counts as usual.
            let crate::body::TagPlace::Measured { body_from_tag: pose, .. } = &bodies.kit.bodies[b].tags[t].place
            else {
                panic!("tag {id}")
            };
            assert!((pose.translation() - nalgebra::Vector3::new(0.0, y, z)).norm() < 1e-12, "{id}");
            // The print faces the car: its normal is -x.
            assert!((pose.rotation().column(2) + nalgebra::Vector3::x()).norm() < 1e-12);
        }
    }
}
