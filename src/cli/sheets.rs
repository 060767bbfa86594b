//! `plumbsight sheets`: printable sheets, lens board, plan, field guide and the bodies file, all from one kit.

use crate::cli::say;
use crate::paper::Paper;
use crate::record::{Problem, board_text, bodies_text, kit_text, make_folder, parse_kit, read_kit, write_atomically};
use crate::session::Failure;
use crate::sheets::{SheetKit, printouts};
use std::path::{Path, PathBuf};

pub(super) const HELP: &str = "\
A kit is a file, kit.toml: which tag is printed on which sheet, how large, on
what paper, and no id twice. The first run writes the usual kit into DIR;
change it and run again with --replace. Written into DIR:
  field-guide.pdf      how to mount, lay out, walk around and photograph
  sheets-a4.pdf        the plan of which sheet goes where, and every sheet
  lens-board.pdf       the board for `plumbsight lens`, with lens-board.toml
  bodies.toml          the bodies file of these sheets: ids and sides filled in
                       (bodies-from-kit.toml where there is another bodies.toml)

Print at 100 % (\"actual size\"), never \"fit to page\". Then measure the two
scale bars of one sheet and enter them in bodies.toml.

Examples:
  plumbsight sheets my-sheets
  plumbsight sheets my-sheets --paper Letter
  plumbsight sheets my-job --kit shop/kit.toml";

/// What the command was given.
pub(super) struct Request<'a> {
    /// Where everything goes.
    pub folder: &'a Path,
    /// The kit, where it is not the folder's own.
    pub kit: Option<&'a Path>,
    /// The paper of a new kit.
    pub paper: Option<&'a str>,
    /// Files that differ are replaced.
    pub replace: bool,
}

/// The new bodies file where another one is there already.
const BODIES_FROM_KIT: &str = "bodies-from-kit.toml";

/// Runs the command.
pub(super) fn run(request: &Request) -> Result<u8, Failure> {
    let (kit, own) = kit_of(request)?;
    let mut files: Vec<(PathBuf, Vec<u8>)> = Vec::new();
    let mut add = |name: &str, bytes: Vec<u8>| files.push((request.folder.join(name), bytes));
    if let Some(text) = own {
        add("kit.toml", text.into_bytes());
    }
    let made = printouts(&kit).map_err(|e| {
        Problem::of_file("kit.toml", e.to_string(), "This is a fault of the program: please report it.")
    })?;
    for (name, bytes) in made {
        add(&name, bytes);
    }
    if let Some(board) = &kit.board {
        add("lens-board.toml", board_text(board).into_bytes());
    }
    if !kit.groups.is_empty() {
        // A bodies file that somebody has filled in stays, whatever is asked.
        let bodies = bodies_text(&kit).into_bytes();
        let there = std::fs::read(request.folder.join("bodies.toml"));
        let name = if there.is_ok_and(|t| t != bodies) { BODIES_FROM_KIT } else { "bodies.toml" };
        add(name, bodies);
    }
    write_all(request, &files)?;
    if files.iter().any(|(path, _)| path.ends_with(BODIES_FROM_KIT)) {
        say(&format!(
            "bodies.toml there stays as it is. To use the new one write `bodies = \"{BODIES_FROM_KIT}\"` in {} instead of the line `bodies = \"bodies.toml\"`.\n",
            request.folder.join("job.toml").display()
        ));
    }
    say(&format!(
        "Ids used: {}\nNext: print at 100 %, never \"fit to page\"; measure both scale bars of one sheet and enter them in the bodies file; \
         the field guide shows the rest.\n",
        kit.taken()
    ));
    Ok(0)
}

/// The kit, and its text where it is new and has to be written.
fn kit_of(request: &Request) -> Result<(SheetKit, Option<String>), Problem> {
    let own = request.folder.join("kit.toml");
    let path = request.kit.map(Path::to_owned).or_else(|| own.exists().then(|| own.clone()));
    match (path, request.paper) {
        (Some(path), Some(_)) => Err(Problem::of_file(
            path.display().to_string(),
            "this kit says itself which paper it is for, and --paper is given too",
            "Leave --paper away, or change `paper` in the kit.",
        )),
        (Some(path), None) => Ok((read_kit(&path, &path.display().to_string())?, None)),
        (None, named) => {
            let named = named.unwrap_or("A4");
            let paper = Paper::named(named).ok_or_else(|| {
                Problem::of_file(
                    "--paper",
                    format!("the paper \"{named}\" is not known"),
                    format!("Choose one of {}.", Paper::ALL.map(Paper::name).join(", ")),
                )
            })?;
            let text = kit_text(&SheetKit::usual(paper), paper);
            // Read back, so that what the file says and what is printed cannot differ.
            Ok((parse_kit(text.clone(), "kit.toml")?, Some(text)))
        }
    }
}

/// Writes all files, or none where one is there already and differs.
fn write_all(request: &Request, files: &[(PathBuf, Vec<u8>)]) -> Result<(), Problem> {
    make_folder(request.folder)?;
    let same = |(path, bytes): &&(PathBuf, Vec<u8>)| std::fs::read(path).is_ok_and(|there| there == *bytes);
    let differs = |file: &&(PathBuf, Vec<u8>)| file.0.exists() && !same(file);
    if let Some((path, _)) = files.iter().find(|f| differs(f)).filter(|_| !request.replace) {
        return Err(Problem::of_file(
            path.display().to_string(),
            "it is there already and is not what this kit gives",
            "Nothing was written. Add --replace to replace it, or choose another folder.",
        ));
    }
    for file in files {
        let verb = match (same(&file), file.0.exists()) {
            (true, _) => "unchanged",
            (false, true) => "replaced",
            (false, false) => "wrote",
        };
        if verb != "unchanged" {
            write_atomically(&file.0, &file.1)?;
        }
        say(&format!("{verb} {}\n", file.0.display()));
    }
    Ok(())
}
