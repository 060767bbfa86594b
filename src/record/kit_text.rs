//! Files that are made from a kit: the kit itself, the bodies file that goes with it, the board file. Nobody types an id or a side twice.

use crate::calibrate::Pattern;
use crate::paper::Paper;
use crate::record::bodies::{USUAL_PLACE_DEG, USUAL_PLACE_MM};
use crate::sheets::{KitBoard, SheetGroup, SheetKit, SheetUse, bars_mm, centre_from_edges_mm, corner_of};
use crate::units::mm_from_m;
use std::fmt::Write;

/// Ids as a file says them: a range in quotes, or a list.
fn ids_value(ids: &[u16]) -> String {
    match ids {
        [first, .., last] if ids.windows(2).all(|w| w[0] + 1 == w[1]) => format!("\"{first}-{last}\""),
        _ => format!("[{}]", ids.iter().map(u16::to_string).collect::<Vec<_>>().join(", ")),
    }
}

fn kind_value(sheet_use: SheetUse) -> &'static str {
    match sheet_use {
        SheetUse::Floor => "floor",
        SheetUse::Plate => "plate",
        SheetUse::Stand => "stand",
        SheetUse::TargetCorner => "target-corner",
        SheetUse::PlumbLine => "plumb-line",
    }
}

/// A number with a point, as TOML wants it.
fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    let text = text.trim_end_matches('0');
    if text.ends_with('.') { format!("{text}0") } else { text.to_owned() }
}

/// `kit.toml` of a kit whose usual paper is this one.
pub fn kit_text(kit: &SheetKit, usual: Paper) -> String {
    let mut out = format!(
        "# What is printed for one shop: every tag id once, with its size and paper. `plumbsight sheets` prints it and writes the bodies file to it.\n\
         # Lengths are in millimetres. A tag's side is the outer edge of its black square. Ids are those of the 36h11 family, 0 to 586.\n\
         format = \"plumbsight/kit/1\"\n\
         name = \"{}\"                 # printed on every sheet\n\
         paper = \"{}\"                   # A4, Letter, A3, Tabloid; a table below may say another one\n",
        kit.name,
        usual.name()
    );
    for group in &kit.groups {
        let _ = write!(out, "\n[[sheets]]\nkind = \"{}\"\n", kind_value(group.sheet_use));
        if let Some(body) = &group.body {
            let _ = writeln!(out, "body = \"{body}\"");
        }
        let _ = writeln!(out, "ids = {}\nside_mm = {}", ids_value(&group.ids), number(group.side_mm));
        if group.paper != usual {
            let _ = writeln!(out, "paper = \"{}\"", group.paper.name());
        }
        match (group.sheet_use, group.target_mm) {
            (_, Some([w, h])) => {
                let _ = writeln!(out, "target_mm = [{}, {}]", number(w), number(h));
            }
            (SheetUse::TargetCorner, None) => {
                out += "# target_mm = [600.0, 400.0]   # width and height of the target: the bodies file then says where these tags are\n";
            }
            _ => {}
        }
    }
    if let Some(board) = &kit.board
        && let Pattern::Tags { first_id, side_m } = board.board.pattern
    {
        let _ = write!(
            out,
            "\n# The board that a lens is calibrated with: a grid of tags with ids from first_id on, row by row.\n[board]\n{}{}",
            name_line(board),
            grid_lines(board, first_id, side_m)
        );
        if board.paper != usual {
            let _ = writeln!(out, "paper = \"{}\"", board.paper.name());
        }
    }
    out
}

/// The board file of a kit's lens board.
pub fn board_text(board: &KitBoard) -> String {
    let Pattern::Tags { first_id, side_m } = board.board.pattern else { return String::new() };
    format!(
        "# The lens board as printed from kit.toml.\nformat = \"plumbsight/board/1\"\n{}pattern = \"tags\"\n{}",
        name_line(board),
        grid_lines(board, first_id, side_m)
    )
}

fn name_line(board: &KitBoard) -> String {
    format!("name = \"{}\"\n", board.board.name)
}

/// The keys of a board's grid, the same in a kit and in a board file.
fn grid_lines(board: &KitBoard, first_id: u16, side_m: f64) -> String {
    format!(
        "columns = {}\nrows = {}\nfirst_id = {first_id}\nside_mm = {}\npitch_mm = {}\n",
        board.board.columns,
        board.board.rows,
        number(mm_from_m(side_m)),
        number(mm_from_m(board.board.pitch_m)),
    )
}

/// Tags of a stand whose places have to be measured, so that a mistake in one of them shows in the others: with one nothing checks it, with two or three
/// nothing checks the size of the print or the tilt of a tag well enough. Found with the demonstration bay's photographs (tests/kit.rs).
pub const MEASURED_TAGS: usize = 4;

/// What stands above the tags of a stand.
fn how_to_measure_a_stand() -> String {
    format!(
        "\
# MEASURE the places of four tags that lie far apart and not in one line: the ones marked here, or change MEASURE and \"free\" about. With fewer
# nothing would show a mistake in one of them, and every verdict stays not proven. With a tape instead of a steel rule or a drawing let the
# program find the places: `plumbsight learn`.
u_place_mm = {USUAL_PLACE_MM:<14} # standard uncertainty of each measured place: steel rule {USUAL_PLACE_MM}, tape 1.0 (common practice, no source)
u_place_deg = {USUAL_PLACE_DEG:<13} # and of its direction: how flat and upright the print sits (common practice, no source)
"
    )
}

/// `bodies.toml` to start from: ids, sides and print groups are there, what must be measured is left to be filled in.
///
/// Where the word MEASURE stands no number does: the file is refused there until somebody has measured, so that no guess passes for a measurement.
pub fn bodies_text(kit: &SheetKit) -> String {
    let mut out = format!(
        "# Made from kit.toml (\"{}\"): ids, sides and print groups are as printed. What must be measured is marked with MEASURE.\n\
         format = \"plumbsight/bodies/1\"\n",
        kit.name
    );
    let papers: Vec<Paper> = kit.papers().into_iter().filter(|p| kit.groups.iter().any(|g| g.paper == *p)).collect();
    for paper in &papers {
        let [x, y] = bars_mm(*paper);
        let _ = write!(
            out,
            "\n# MEASURE both scale bars of one sheet, end to end.\n[[prints]]\nname = \"{}\"\n\
             bar_x_nominal_mm = {}\nbar_x_mm = MEASURE\nbar_y_nominal_mm = {}\nbar_y_mm = MEASURE\nu_bar_mm = 0.1              # standard uncertainty of each reading (common practice, no source)\n\
             u_each_mm_per_m = 0.2       # how much single sheets differ (common practice, no source)\n",
            kit.print_name(*paper),
            number(x),
            number(y),
        );
    }
    let several = papers.len() > 1;
    let print = |paper: Paper| if several { format!("print = \"{}\"\n", kit.print_name(paper)) } else { String::new() };
    for group in kit.groups.iter().filter(|g| g.sheet_use == SheetUse::Floor) {
        let ids = ids_value(&group.ids);
        let _ = write!(out, "\n[[floor]]\nids = {ids}\nside_mm = {}\n{}", number(group.side_mm), print(group.paper));
    }
    if kit.groups.iter().any(|g| g.sheet_use == SheetUse::Floor) {
        out += "\n# How the floor sheets touch the floor: measure the boards and correct both. As they stand they are common practice, without a source.\n\
                [floor_contact]\nthickness_mm = 1.0          # height of the print above the floor\nu_thickness_mm = 0.6\n";
    }
    let mut done: Vec<&str> = Vec::new();
    for group in &kit.groups {
        let Some(body) = group.body.as_deref().filter(|body| !done.contains(body)) else { continue };
        done.push(body);
        let own: Vec<&SheetGroup> = kit.groups.iter().filter(|g| g.body.as_deref() == Some(body)).collect();
        out += &body_text(body, &own, &print);
    }
    out
}

fn body_text(body: &str, groups: &[&SheetGroup], print: &dyn Fn(Paper) -> String) -> String {
    let kind = groups.first().map_or(SheetUse::Stand, |g| g.sheet_use);
    let (kind, frame) = match kind {
        SheetUse::Plate => {
            ("plate", "its frame is the print's: x right, y up, z away from the car, origin in the tag's centre")
        }
        SheetUse::PlumbLine => ("plumb-line", "its frame is the print's: y up along the string"),
        _ => (
            "stand",
            "its frame is the target's: origin in the target's centre, x away from the car, y to the car's left, z up",
        ),
    };
    let mut out = format!("\n[[body]]\nname = \"{body}\"\nkind = \"{kind}\"\n# {frame}\n");
    if kind == "stand" && groups.iter().any(|g| g.target_mm.is_none()) {
        let _ = write!(out, "{}", how_to_measure_a_stand());
    }
    let tag = |out: &mut String, group: &SheetGroup, id: u16, place: &str| {
        let _ = write!(
            out,
            "\n[[body.tags]]\nid = {id}\nside_mm = {}\n{}{place}",
            number(group.side_mm),
            print(group.paper)
        );
    };
    // Tags whose place is known from the kit come first: a body's first tag must have one.
    let mut first = true;
    let mut known = 0;
    for group in groups {
        if let Some([width, height]) = group.target_mm {
            let off = centre_from_edges_mm(group.side_mm);
            for (n, id) in group.ids.iter().enumerate() {
                let corner = corner_of(n);
                let y = (width / 2.0 - off) * if corner.left { 1.0 } else { -1.0 };
                let z = (height / 2.0 - off) * if corner.top { 1.0 } else { -1.0 };
                let place = format!(
                    "centre_mm = [0.0, {}, {}]   # {} corner of the target, seen from the car\nright = [0, -1, 0]\nup = [0, 0, 1]\n",
                    number(y),
                    number(z),
                    corner.name()
                );
                tag(&mut out, group, *id, &place);
                first = false;
                known += 1;
            }
        }
    }
    for group in groups.iter().filter(|g| g.target_mm.is_none()) {
        for id in &group.ids {
            let place = match (kind, first) {
                ("stand", _) if known < MEASURED_TAGS => {
                    "centre_mm = MEASURE             # [x, y, z] of the tag's centre from the target's centre\nright = [0, -1, 0]              # the print faces the car\nup = [0, 0, 1]\n"
                }
                (_, true) => "centre_mm = [0.0, 0.0, 0.0]\nright = [1, 0, 0]\nup = [0, 1, 0]\n",
                (_, false) => "place = \"free\"                  # the survey finds it\n",
            };
            tag(&mut out, group, *id, place);
            first = false;
            known += 1;
        }
    }
    out
}
