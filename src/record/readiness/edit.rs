//! Answers written into `readiness.toml` line by line, so that a person's comments and order stay.

use crate::readiness::{Answer, Group, Readiness};
use crate::record::document::Document;
use crate::record::files_readiness::ReadinessFile;
use crate::record::problem::Problem;
use crate::record::write::write_atomically;
use std::path::Path;

/// The file's name in a job folder.
pub const READINESS_FILE: &str = "readiness.toml";

/// A new answer to one item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    /// The item.
    pub id: String,
    /// The answer.
    pub answer: Answer,
    /// What is written to it; `None` leaves a note that is there.
    pub note: Option<String>,
}

/// A commented file in which nothing is answered yet.
pub fn readiness_text(readiness: &Readiness) -> String {
    let mut out = String::from(HEAD);
    for group in Group::ALL {
        out.push_str(&format!("\n# ---- {} ----\n", group.name()));
        for item in readiness.items.iter().filter(|i| i.group == group) {
            out.push_str(&format!("\n# {}\n", item.text));
            if let Some(asked) = &item.note_needed {
                out.push_str(&format!("# Write as note: {asked}.\n"));
            }
            out.push_str(&format!("[[item]]\nid = \"{}\"\nstate = \"open\"\n", item.id));
        }
    }
    out
}

const HEAD: &str = "\
# Is the car ready, and the bay? The carmaker's procedure comes first; this list only helps to forget nothing.
# state = \"done\", \"not applicable\" (with reason = \"...\") or \"open\"; note = \"...\" for anything worth keeping.
format = \"plumbsight/readiness/1\"
# checked_by = \"...\"
# checked_at = \"...\"
# list = \"our-list.toml\"            # items of your own, see README
# floor_limit_mm_per_m = ...        # the steepest floor that the procedure allows; plumbsight then answers floor-level from its own measurement

# [tyres]                           # answers tyre-pressures
# unit = \"kPa\"                      # kPa, bar or psi
# placard_front = 230
# placard_rear = 230
# front_left = 230
# front_right = 230
# rear_left = 230
# rear_right = 230
";

/// Writes an answer into the file of a job folder, which is made from the shipped list if it is not there.
///
/// # Errors
/// There is no such item, the file is not in order, or it cannot be written; the file is then as it was.
pub fn apply_change(folder: &Path, change: &Change) -> Result<(), Problem> {
    let path = folder.join(READINESS_FILE);
    let name = path.display().to_string();
    let readiness = super::read_readiness(folder)?;
    if !readiness.items.iter().any(|i| i.id == change.id) {
        return Err(Problem::of_file(
            name,
            format!("there is no item \"{}\"", change.id),
            "`plumbsight ready JOB` lists the items with their names.",
        ));
    }
    let text = if path.exists() {
        crate::capture::read_text(&path, crate::limits::LARGEST_WRITTEN_BYTES)
            .map_err(|e| Problem::of_file(&name, e.to_string(), "Check the file."))?
    } else {
        readiness_text(&readiness)
    };
    let changed = changed_text(&text, &name, change)?;
    // What would not be read again must not replace what can.
    super::resolve(&Document::parse(changed.clone(), &name, "readiness")?, folder)?;
    write_atomically(&path, changed.as_bytes())
}

/// The text with one answer changed; every other line stays as it is.
fn changed_text(text: &str, name: &str, change: &Change) -> Result<String, Problem> {
    let document = Document::parse(text.to_owned(), name, "readiness")?;
    let raw: ReadinessFile = document.typed()?;
    let mut lines: Vec<String> = text.trim_start_matches('\u{feff}').lines().map(str::to_owned).collect();
    let (state, reason) = match &change.answer {
        Answer::Open => ("open", None),
        Answer::Done => ("done", None),
        Answer::NotApplicable(reason) => ("not applicable", Some(reason.as_str())),
    };
    let Some(k) = raw.item.iter().position(|i| i.id == change.id) else {
        lines.push(String::new());
        lines.push("[[item]]".into());
        lines.push(assignment("id", &change.id));
        lines.push(assignment("state", state));
        lines.extend(reason.map(|r| assignment("reason", r)));
        lines.extend(change.note.as_deref().map(|n| assignment("note", n)));
        return Ok(lines.join("\n") + "\n");
    };
    // From the last line to the first, so that the numbers of the lines before stay right.
    let at = |key: &str| document.line(&format!("item[{k}].{key}")).filter(|_| has_key(&raw, k, key));
    let state_line = at("state").unwrap_or(1);
    let mut edits: Vec<(usize, Edit)> = vec![(state_line, Edit::Replace(assignment("state", state)))];
    match (reason, at("reason")) {
        (Some(r), Some(line)) => edits.push((line, Edit::Replace(assignment("reason", r)))),
        (Some(r), None) => edits.push((state_line, Edit::After(assignment("reason", r)))),
        (None, Some(line)) => edits.push((line, Edit::Comment)),
        (None, None) => {}
    }
    match (change.note.as_deref(), at("note")) {
        (Some(n), Some(line)) => edits.push((line, Edit::Replace(assignment("note", n)))),
        (Some(n), None) => edits.push((state_line, Edit::After(assignment("note", n)))),
        (None, _) => {}
    }
    edits.sort_by_key(|(line, edit)| (std::cmp::Reverse(*line), matches!(edit, Edit::Replace(_) | Edit::Comment)));
    for (line, edit) in edits {
        let index = line - 1;
        match edit {
            Edit::After(new) => lines.insert(index + 1, new),
            Edit::Replace(_) | Edit::Comment if !stands_alone(&lines[index]) => {
                return Err(Problem {
                    file: name.into(),
                    line: Some(line),
                    what: format!("the answer to \"{}\" is written in a way that is left to a person", change.id),
                    remedy: "Change it in an editor, or put each key on a line of its own.".into(),
                });
            }
            Edit::Replace(new) => lines[index] = new,
            Edit::Comment => lines[index].insert_str(0, "# "),
        }
    }
    Ok(lines.join("\n") + "\n")
}

enum Edit {
    Replace(String),
    After(String),
    /// What a person wrote and no longer counts stays readable.
    Comment,
}

fn has_key(raw: &ReadinessFile, k: usize, key: &str) -> bool {
    match key {
        "reason" => raw.item[k].reason.is_some(),
        "note" => raw.item[k].note.is_some(),
        _ => true,
    }
}

/// True where a line is one of the keys of an answer with its whole value.
fn stands_alone(line: &str) -> bool {
    let keys = ["state", "reason", "note"];
    line.parse::<toml::Table>().is_ok_and(|table| table.len() == 1 && keys.iter().any(|k| table.contains_key(*k)))
}

/// `key = "value"` as TOML.
fn assignment(key: &str, value: &str) -> String {
    // One line, whatever was typed: the line-by-line editing rests on it.
    let value: String = value.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    format!("{key} = {}", toml::Value::String(value))
}
