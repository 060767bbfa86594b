//! A TOML file read with the line of every key kept, so that each later message can name the line.

use crate::capture::{ReadFault, read_file};
use crate::limits::LARGEST_WRITTEN_BYTES;
use crate::record::problem::Problem;
use crate::record::{document_words, paths};
use serde::de::DeserializeOwned;
use std::collections::BTreeMap;
use std::path::Path;
use toml::de::{DeTable, DeValue};

/// Endings of keys whose values are numbers; a text there is a slip of the pen (a decimal comma, a unit inside the quotes).
const NUMBER_ENDINGS: [&str; 5] = ["_mm", "_deg", "_px", "_mm_per_m", "side_mm"];

/// Keys of lists of numbers: how many, and in how many rows where there are several. A surplus number is mostly a decimal comma: 0,4 is two.
const LISTS: [(&str, usize, Option<usize>); 19] = [
    ("at_mm", 3, None),
    ("axis", 3, None),
    ("centre_mm", 3, None),
    ("corners_mm", 3, Some(4)),
    ("covariance", 9, Some(9)),
    ("datum_point_mm", 3, None),
    ("from_mm", 3, None),
    ("hub_mm", 3, None),
    ("image_size", 2, None),
    ("mark_mm", 2, None),
    ("origin_mm", 3, None),
    ("pivot_mm", 3, None),
    ("regions", 6, None),
    ("right", 3, None),
    ("sigma", 9, None),
    ("target_mm", 2, None),
    ("to_mm", 3, None),
    ("up", 3, None),
    ("volume_mm", 3, None),
];

/// A TOML file: its text and where each key stands.
#[derive(Clone, Debug)]
pub struct Document {
    name: String,
    text: String,
    /// Line of each key by its path: `body[2].tags[0].side_mm`.
    lines: BTreeMap<String, usize>,
}

impl Document {
    /// Reads a file and checks what every file of this program has in common: it is TOML, its `format` line says
    /// `plumbsight/<kind>/1`, and every number in it is finite.
    ///
    /// `name` is how messages call the file.
    pub fn read(path: &Path, name: &str, kind: &str) -> Result<Self, Problem> {
        let bytes = read_file(path, LARGEST_WRITTEN_BYTES).map_err(|fault| match fault {
            ReadFault::NoFile("folder") => {
                Problem::of_file(name, "this is a folder, a file is needed", "Name the file itself.")
            }
            ReadFault::Io(e) => cannot_read(path, name, &e, kind),
            _ => Problem::of_file(
                name,
                fault.to_string(),
                "A file that a person writes is needed: check that the right one is named here.",
            ),
        })?;
        let text = String::from_utf8(bytes).map_err(|e| {
            let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
            if ["jpg", "jpeg", "png", "heic", "tif", "tiff", "webp", "pdf"].contains(&ending.as_str()) {
                return Problem::of_file(
                    name,
                    format!("this is a picture, and no {kind} file"),
                    "Name the job folder; photographs are named in its job.toml.",
                );
            }
            let line = 1 + e.as_bytes()[..e.utf8_error().valid_up_to()].iter().filter(|&&b| b == b'\n').count();
            Problem {
                file: name.into(),
                line: Some(line),
                what: "this is not UTF-8 text".into(),
                remedy: "Save the file as UTF-8 (plain text) and try again.".into(),
            }
        })?;
        Self::parse(text, name, kind)
    }

    /// The same for a text that is already in memory.
    pub fn parse(text: String, name: &str, kind: &str) -> Result<Self, Problem> {
        let text = text.trim_start_matches('\u{feff}').to_owned();
        let mut lines = BTreeMap::new();
        let table = DeTable::parse(&text).map_err(|e| syntax_problem(&e, &text, name))?;
        let format = table.get_ref().get("format").and_then(|v| v.get_ref().as_str().map(str::to_owned));
        let mut faults = Vec::new();
        note_table(table.get_ref(), "", &line_starts(&text), &mut lines, &mut faults);
        drop(table);
        let document = Self { name: name.into(), text, lines };
        document.check_format(format.as_deref(), kind)?;
        match faults.into_iter().next() {
            Some((key, what, remedy)) => Err(document.problem(&key, what, remedy)),
            None => Ok(document),
        }
    }

    fn check_format(&self, format: Option<&str>, kind: &str) -> Result<(), Problem> {
        let wanted = format!("plumbsight/{kind}/1");
        let remedy = format!("Its first line must be: format = \"{wanted}\"");
        let Some(format) = format else {
            return Err(Problem { line: None, ..self.problem("", "the line `format` is missing", remedy) });
        };
        if format == wanted {
            return Ok(());
        }
        let parts: Vec<&str> = format.split('/').collect();
        let (what, remedy) = match parts.as_slice() {
            ["plumbsight", k, version] if *k == kind => match version.parse::<u32>() {
                Ok(v) if v > 1 => (
                    format!("it is written in version {v} of this format, and this program knows version 1"),
                    "Use a newer plumbsight, or write the file in version 1.".to_owned(),
                ),
                _ => (format!("`{format}` is no version of this format"), remedy),
            },
            ["plumbsight", k, _] => (format!("this is a {k} file and a {kind} file is needed here"), remedy),
            _ => (format!("`{format}` is not a format of this program"), remedy),
        };
        Err(self.problem("format", what, remedy))
    }

    /// Turns the text into a struct; an unknown key, a missing key or a value of the wrong kind is named with its line.
    pub fn typed<T: DeserializeOwned>(&self) -> Result<T, Problem> {
        // The reader of texts passes over what is behind the last number of a list that it needs; the one of values does not.
        let surplus = toml::from_str::<toml::Value>(&self.text).ok().and_then(|value| T::deserialize(value).err());
        if let Some(e) = surplus.filter(|e| e.message().contains("invalid length")) {
            let what = format!("a list has another number of entries than it needs ({})", one_line(e.message()));
            return Err(self.problem(
                "",
                what,
                "Write decimals with a point: 0.4, not 0,4; the README lists the keys of this file.",
            ));
        }
        toml::from_str(&self.text).map_err(|e| {
            let message = one_line(e.message());
            // A key that is missing at the top of a file has no line: the parser blames the first one.
            let span = e.span().filter(|s| !(s.start == 0 && message.starts_with("missing field")));
            let line = span.map(|s| line_at(&self.text, s.start));
            let written = line.and_then(|n| self.text.lines().nth(n - 1)).unwrap_or("");
            let (what, remedy) = document_words::misfit(written, &message);
            Problem { file: self.name.clone(), line, what, remedy }
        })
    }

    /// How messages call this file.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// A fault of the key at `path` (`body[2].tags[0].side_mm`), or of the nearest enclosing table that is written down.
    pub fn problem(&self, path: &str, what: impl Into<String>, remedy: impl Into<String>) -> Problem {
        Problem { file: self.name.clone(), line: self.line(path), what: what.into(), remedy: remedy.into() }
    }

    /// The line of a key, or of the nearest enclosing table that is written down.
    pub fn line(&self, path: &str) -> Option<usize> {
        let mut path = path;
        loop {
            if let Some(line) = self.lines.get(path) {
                return Some(*line);
            }
            let cut = path.rfind(['.', '['])?;
            path = &path[..cut];
        }
    }
}

fn cannot_read(path: &Path, name: &str, error: &std::io::Error, kind: &str) -> Problem {
    if error.kind() == std::io::ErrorKind::NotFound
        && let (Some(alike), Some(meant)) = (paths::alike(path), path.file_name())
    {
        let remedy = format!("Rename it to {}.", meant.display());
        return Problem::of_file(name, format!("there is no such file, but \"{alike}\" is there"), remedy);
    }
    let what = match error.kind() {
        std::io::ErrorKind::NotFound => "there is no such file".to_owned(),
        _ => format!("it cannot be read ({error})"),
    };
    let remedy = match kind {
        "job" | "bodies" | "placement" => {
            "Check the name and the folder; `plumbsight new DIR` writes a complete job folder to start from."
        }
        "kit" => "Check the name and the folder; `plumbsight sheets DIR` writes a kit file to start from.",
        "lens" => {
            "Check the name and the folder; `plumbsight lens` makes a profile, and `plumbsight new DIR` writes one to fill in."
        }
        _ => "Check the name and the folder.",
    };
    Problem::of_file(name, what, remedy)
}

/// The text of a parser's message without line breaks.
fn one_line(message: &str) -> String {
    message.trim().split('\n').map(str::trim).collect::<Vec<_>>().join(", ")
}

fn line_at(text: &str, offset: usize) -> usize {
    1 + text.as_bytes()[..offset.min(text.len())].iter().filter(|&&b| b == b'\n').count()
}

/// Where each line starts; found once, so that a long list is not counted from the top for each of its entries.
fn line_starts(text: &str) -> Vec<usize> {
    std::iter::once(0).chain(text.bytes().enumerate().filter(|(_, b)| *b == b'\n').map(|(k, _)| k + 1)).collect()
}

fn syntax_problem(error: &toml::de::Error, text: &str, name: &str) -> Problem {
    let line = error.span().map(|s| line_at(text, s.start));
    let written = line.and_then(|n| text.lines().nth(n - 1)).unwrap_or("");
    let (what, remedy) = match waits(written) {
        Some((_, word)) => waiting(text, written, word),
        None => document_words::syntax(written, &one_line(error.message())),
    };
    Problem { file: name.into(), line, what, remedy }
}

/// Words that stand in a file we hand out where a value has to be measured, or copied from the procedure, before anything is judged by it.
const WAITING: [&str; 2] = ["MEASURE", "ENTER"];

/// The key and the word of a line that still waits for its value.
fn waits(written: &str) -> Option<(&str, &'static str)> {
    let (key, value) = written.split('#').next()?.split_once('=')?;
    let word = WAITING.into_iter().find(|word| value.trim() == *word)?;
    Some((key.trim(), word))
}

/// What is said of a line that waits, and of all others of the file that do, so that they can be filled in at once.
fn waiting(text: &str, written: &str, word: &str) -> (String, String) {
    let others: Vec<String> = text
        .lines()
        .enumerate()
        .filter_map(|(n, line)| waits(line).map(|(key, _)| format!("{key} (line {})", n + 1)))
        .collect();
    let kind = if word == "MEASURE" { "measured value" } else { "value of your own" };
    let mut what = format!("`{}` waits for a {kind}", written.split('#').next().unwrap_or("").trim());
    if others.len() > 1 {
        what.push_str(&format!("; in this file {} wait: {}", others.len(), others.join(", ")));
    }
    let both = WAITING.iter().all(|word| text.lines().any(|line| waits(line).is_some_and(|(_, w)| w == *word)));
    let remedy = match word {
        _ if both => {
            "Measure what waits with MEASURE, write what the published procedure, the car's data or your own lens profile says in place of ENTER; figures behind \"e.g.\" are examples and count for \
             nothing."
        }
        "MEASURE" => {
            "Measure it and write the number in place of MEASURE; figures behind \"e.g.\" are examples and count for nothing."
        }
        _ => {
            "Write what the published procedure, the car's data or your own lens profile says in place of ENTER; figures behind \"e.g.\" are \
             examples and count for nothing."
        }
    };
    (what, remedy.into())
}

/// A key's path, what is wrong, the remedy.
type Fault = (String, String, String);

fn note_table(
    table: &DeTable<'_>,
    path: &str,
    starts: &[usize],
    lines: &mut BTreeMap<String, usize>,
    faults: &mut Vec<Fault>,
) {
    for (key, value) in table {
        let child = if path.is_empty() { key.get_ref().to_string() } else { format!("{path}.{}", key.get_ref()) };
        lines.insert(child.clone(), starts.partition_point(|s| *s <= key.span().start));
        note_value(value.get_ref(), key.get_ref(), &child, starts, lines, faults);
    }
}

fn note_value(
    value: &DeValue<'_>,
    key: &str,
    path: &str,
    starts: &[usize],
    lines: &mut BTreeMap<String, usize>,
    faults: &mut Vec<Fault>,
) {
    match value {
        DeValue::Table(table) => note_table(table, path, starts, lines, faults),
        DeValue::Array(array) => {
            let number = |v: &DeValue<'_>| matches!(v, DeValue::Integer(_) | DeValue::Float(_));
            let row = !array.is_empty() && array.iter().all(|item| number(item.get_ref()));
            let lists = LISTS.iter().filter(|(name, n, _)| *name == key && row && array.len() != *n);
            faults.extend(lists.map(|(_, n, _)| {
                (
                    path.to_owned(),
                    format!("`{key}` has {} numbers here and needs {n}", array.len()),
                    format!("Write {n} numbers with a comma between them, and decimals with a point: 0.4, not 0,4."),
                )
            }));
            let rows =
                LISTS.iter().filter_map(|(name, _, rows)| rows.filter(|n| *name == key && !row && array.len() != *n));
            faults.extend(rows.map(|n| {
                let what = format!("`{key}` has {} rows here and needs {n}", array.len());
                (path.to_owned(), what, format!("Write {n} lists in one, each in brackets."))
            }));
            for (k, item) in array.iter().enumerate() {
                let child = format!("{path}[{k}]");
                lines.insert(child.clone(), starts.partition_point(|s| *s <= item.span().start));
                note_value(item.get_ref(), key, &child, starts, lines, faults);
            }
        }
        DeValue::Float(number) if !number.as_str().replace('_', "").parse::<f64>().is_ok_and(f64::is_finite) => {
            faults.push((
                path.into(),
                format!("`{key}` is {}, which is not a finite number", number.as_str()),
                "Write a plain number.".into(),
            ));
        }
        DeValue::String(written) if NUMBER_ENDINGS.iter().any(|e| key.ends_with(e)) => {
            faults.push((
                path.into(),
                format!("`{key}` is the text \"{written}\" and must be a number"),
                "Write numbers without quotes and unit, with a decimal point: 12.5.".into(),
            ));
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A decimal comma in a list makes two numbers of one; what is behind the last one that is needed would be passed over.
    #[test]
    fn a_list_has_as_many_numbers_as_it_needs() {
        for (key, n, rows) in LISTS {
            for off in [n - 1, n + 1] {
                let row = format!("[{}]", vec!["1"; off].join(", "));
                let value = rows.map_or(row.clone(), |rows| format!("[{}]", vec![row.as_str(); rows].join(", ")));
                let text = format!("format = \"plumbsight/job/1\"\n{key} = {value}\n");
                let problem = Document::parse(text, "job.toml", "job").unwrap_err();
                assert_eq!(problem.line, Some(2), "{problem}");
                assert!(problem.what.contains(&format!("has {off} numbers here and needs {n}")), "{problem}");
            }
        }
        let rows = "format = \"plumbsight/job/1\"\ncorners_mm = [[1, 2, 3], [1, 2, 3]]\n";
        assert!(Document::parse(rows.into(), "job.toml", "job").unwrap_err().what.contains("2 rows here and needs 4"));
        // And what is in no table of this module.
        #[derive(serde::Deserialize, Debug)]
        struct Pair {
            #[allow(dead_code)]
            pair: [f64; 2],
        }
        let of = |list: &str| {
            let text = format!("format = \"plumbsight/job/1\"\npair = {list}\n");
            Document::parse(text, "job.toml", "job").unwrap().typed::<Pair>()
        };
        assert!(of("[1, 2]").is_ok());
        assert!(of("[1, 2, 5]").unwrap_err().what.contains("another number of entries"));
    }

    #[derive(serde::Deserialize, Debug)]
    #[serde(deny_unknown_fields)]
    struct Small {
        #[allow(dead_code)]
        format: String,
        side_mm: f64,
    }

    #[track_caller]
    fn check(text: &str, line: Option<usize>, says: &str) {
        let problem = Document::parse(text.into(), "x.toml", "job").and_then(|d| d.typed::<Small>()).unwrap_err();
        assert!(problem.to_string().contains(says), "{problem}");
        assert_eq!(problem.line, line, "{problem}");
        assert!(!problem.remedy.is_empty());
    }

    #[test]
    fn faults_are_named_with_their_line() {
        let head = "format = \"plumbsight/job/1\"\n";
        check("side_mm = 1.0", None, "`format` is missing");
        check("# a\nformat = \"plumbsight/bodies/1\"", Some(2), "this is a bodies file and a job file is needed");
        check("format = \"plumbsight/job/2\"", Some(1), "version 2");
        check("format = \"other\"", Some(1), "not a format of this program");
        check(&format!("{head}side_mm = 1.0\nwidth = 3"), Some(3), "unknown key `width`");
        check(head, None, "missing key `side_mm`");
        check(&format!("{head}side_mm = \"160,0\""), Some(2), "\"160,0\" and must be a number");
        check(&format!("{head}\nside_mm = 160,0"), Some(3), "decimal comma");
        check(&format!("{head}side_mm = nan"), Some(2), "finite");
        check(&format!("{head}side_mm = 1e999"), Some(2), "finite");
        check(&format!("{head}side_mm = 1\nside_mm = 2"), Some(3), "`side_mm` is written twice");
        check(&format!("{head}side_mm = true"), Some(2), "`side_mm`: true stands there, and a number is needed");
    }

    #[test]
    fn whole_numbers_are_numbers_and_lines_are_found() {
        let text = "format = \"plumbsight/job/1\"\nside_mm = 160\n";
        let document = Document::parse(text.into(), "x.toml", "job").unwrap();
        assert_eq!(document.typed::<Small>().unwrap().side_mm, 160.0);
        assert_eq!(document.line("side_mm"), Some(2));
        let nested = "format = \"plumbsight/job/1\"\n[[a]]\nb = 1\n[[a]]\nb = [1,\n 2]\n";
        let document = Document::parse(nested.into(), "x.toml", "job").unwrap();
        assert_eq!(document.line("a[1].b[1]"), Some(6));
        assert_eq!(document.line("a[1].missing"), Some(4));
    }
}
