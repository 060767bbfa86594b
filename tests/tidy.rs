//! Rules of the repository, kept by a test: the module table is one-directional, rows 0 to 3 are pure, nothing panics on what a person gave, files
//! stay readable at one sitting, units are converted in one place.

mod common;

use common::repository;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// All files below a folder with one of these endings, in order.
fn files_below(folder: &Path, endings: &[&str]) -> Vec<PathBuf> {
    let mut out = Vec::new();
    let mut entries: Vec<PathBuf> =
        std::fs::read_dir(folder).into_iter().flatten().flatten().map(|e| e.path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            out.extend(files_below(&path, endings));
        } else if endings.iter().any(|e| path.extension().is_some_and(|x| x == *e)) {
            out.push(path);
        }
    }
    out
}

/// The module that a file of `src/` belongs to; `None` for `lib.rs` and `main.rs`.
fn module_of(path: &Path) -> Option<String> {
    let inner = path.strip_prefix(repository("src")).unwrap();
    let first = inner.components().next().unwrap().as_os_str().to_string_lossy().trim_end_matches(".rs").to_owned();
    (first != "lib" && first != "main").then_some(first)
}

/// The rows of the table in DEVELOPERS.md.
fn rows() -> BTreeMap<String, u32> {
    let text = std::fs::read_to_string(repository("DEVELOPERS.md")).unwrap();
    let mut out = BTreeMap::new();
    for line in text.lines() {
        let cells: Vec<&str> = line.split('|').map(str::trim).collect();
        let Some(Ok(row)) = cells.get(1).map(|c| c.parse::<u32>()) else { continue };
        for name in cells[2].split('`').skip(1).step_by(2) {
            out.insert(name.to_owned(), row);
        }
    }
    out
}

/// The lines of a source file up to its tests (none of a file that is all tests), numbered from 1, comments cut off.
fn code_lines<'a>(path: &Path, text: &'a str) -> Vec<(usize, &'a str)> {
    let text = if path.ends_with("tests.rs") { "" } else { text };
    text.lines()
        .enumerate()
        .take_while(|(_, line)| line.trim() != "#[cfg(test)]")
        .map(|(k, line)| (k + 1, line.split("//").next().unwrap_or("")))
        .collect()
}

/// Collects what is wrong, all of it, then fails.
#[track_caller]
fn none(wrong: &[String]) {
    assert!(wrong.is_empty(), "\n{}", wrong.join("\n"));
}

fn sources() -> Vec<(PathBuf, String)> {
    let all: Vec<_> = files_below(&repository("src"), &["rs"])
        .into_iter()
        .map(|p| {
            let text = std::fs::read_to_string(&p).unwrap();
            (p, text)
        })
        .collect();
    assert!(all.len() > 20, "only {} source files found", all.len());
    all
}

#[test]
fn modules_name_only_lower_rows() {
    let rows = rows();
    let mut wrong = Vec::new();
    let mut links = 0;
    for (path, text) in sources() {
        if text.contains("use crate::{") {
            wrong.push(format!("{}: grouped `use crate::{{` hides modules from a search", path.display()));
        }
        let Some(module) = module_of(&path) else { continue };
        let Some(row) = rows.get(&module) else {
            wrong.push(format!("{}: module `{module}` is not in the table of DEVELOPERS.md", path.display()));
            continue;
        };
        for (k, line) in text.lines().enumerate() {
            for named in line.split("crate::").skip(1) {
                let named: String = named.chars().take_while(|c| c.is_alphanumeric() || *c == '_').collect();
                let Some(other) = rows.get(&named) else { continue };
                links += 1;
                if other > row {
                    wrong.push(format!(
                        "{}:{}: row {row} `{module}` names row {other} `{named}`",
                        path.display(),
                        k + 1
                    ));
                }
            }
        }
    }
    assert!(links > 50, "only {links} links between modules were found: the search is broken");
    none(&wrong);
}

#[test]
fn rows_0_to_3_are_pure() {
    let rows = rows();
    let impure = [
        "std::fs",
        "std::env",
        "std::time",
        "std::net",
        "std::process",
        "std::thread",
        "println!",
        "print!",
        "dbg!",
        "rand::rng(",
    ];
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        if module_of(&path).and_then(|m| rows.get(&m).copied()).is_none_or(|row| row > 3) {
            continue;
        }
        for (k, line) in code_lines(&path, &text) {
            for word in impure.iter().filter(|w| line.contains(**w)) {
                wrong.push(format!("{}:{k}: `{word}` in a pure module", path.display()));
            }
        }
    }
    none(&wrong);
}

#[test]
fn nothing_panics_on_what_a_person_gave() {
    let rows = rows();
    // Nothing is allowed so far; a line that cannot fail would be listed here with its reason.
    let allowed: [(&str, &str); 0] = [];
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let row = module_of(&path).and_then(|m| rows.get(&m).copied()).unwrap_or(6);
        // In the pure rows an invariant of our own may be asserted; left-over stubs are wrong everywhere.
        let words: &[&str] = if row >= 4 {
            &[".unwrap()", ".expect(", "panic!(", "unreachable!(", "todo!(", "unimplemented!("]
        } else {
            &["todo!(", "unimplemented!("]
        };
        for (k, line) in code_lines(&path, &text) {
            for word in words.iter().filter(|w| line.contains(**w)) {
                if !allowed.iter().any(|(file, part)| path.ends_with(file) && line.contains(part)) {
                    wrong.push(format!("{}:{k}: `{word}`", path.display()));
                }
            }
        }
    }
    none(&wrong);
}

#[test]
fn units_are_converted_in_one_place() {
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        if path.ends_with("units.rs") {
            continue;
        }
        for (k, line) in code_lines(&path, &text) {
            let packed: String = line.chars().filter(|c| !c.is_whitespace()).collect();
            for word in
                ["*1000.0", "/1000.0", "*1e3", "/1e3", "*1e-3", "to_degrees()", "to_radians()", "/180.0", "180.0/"]
            {
                if packed.contains(word) {
                    wrong.push(format!("{}:{k}: `{word}`: use crate::units", path.display()));
                }
            }
        }
    }
    none(&wrong);
}

#[test]
fn files_stay_readable() {
    let mut wrong = Vec::new();
    for (path, text) in sources() {
        let n = text.lines().count();
        if n > 600 {
            wrong.push(format!("{}: {n} lines", path.display()));
        }
        if !text.starts_with("//!") && !path.ends_with("tests.rs") {
            wrong.push(format!("{}: does not begin by saying what it is", path.display()));
        }
    }
    none(&wrong);
}

#[test]
fn nothing_speaks_of_one_persons_machine() {
    // Put together here, so that this file does not find itself.
    let forbidden: Vec<String> =
        [["/", "work/"], ["/", "tmp/"], ["../", "shared"], ["/", "home/"], ["FIX", "ME"], ["XX", "X"], ["TO", "DO"]]
            .iter()
            .map(|parts| parts.concat())
            .collect();
    let mut seen = 0;
    let mut wrong = Vec::new();
    let folders = ["src", "tests", "benches", "examples", "calib", "fixtures", ".ci"];
    let mut files: Vec<PathBuf> = folders
        .iter()
        .flat_map(|f| files_below(&repository(f), &["rs", "md", "toml", "py", "json", "txt", "sh"]))
        .collect();
    files.extend(["README.md", "DEVELOPERS.md", "Cargo.toml", ".ci/run", ".ci/setup"].map(repository));
    for path in files {
        let text = std::fs::read_to_string(&path).unwrap();
        seen += 1;
        for (k, line) in text.lines().enumerate() {
            for word in forbidden.iter().filter(|w| line.contains(w.as_str())) {
                wrong.push(format!("{}:{}: {word}", path.display(), k + 1));
            }
        }
    }
    assert!(seen > 40, "only {seen} files were read");
    none(&wrong);
}

/// Every key that a person may write is in the README, so that a job can be written from the documentation alone.
#[test]
fn every_key_is_documented() {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let files: String = [
        "src/record/files.rs",
        "src/record/files_readiness.rs",
        "src/record/files_lengths.rs",
        "src/record/panel_file.rs",
    ]
    .map(|file| std::fs::read_to_string(repository(file)).unwrap())
    .concat();
    let mut keys = 0;
    let mut wrong = Vec::new();
    for line in files.lines() {
        let Some(rest) = line.trim().strip_prefix("pub ") else { continue };
        let Some((key, _)) = rest.split_once(':') else { continue };
        // A function, not a key.
        if key.contains(' ') {
            continue;
        }
        keys += 1;
        if !readme.contains(&format!("`{key}`"))
            && !readme.contains(&format!("`[{key}]`"))
            && !readme.contains(&format!("`[[{key}]]`"))
        {
            let table = ["wheels", "rolling", "tags", "target", "tip", "tolerance"]
                .iter()
                .any(|t| *t == key && readme.contains(&format!(".{t}]")));
            if !table {
                wrong.push(format!("the key `{key}` is not in README.md"));
            }
        }
    }
    assert!(keys > 60, "only {keys} keys found");
    none(&wrong);
}

/// Every name in the result file is in the README.
#[test]
fn every_name_of_the_result_is_documented() {
    let readme = std::fs::read_to_string(repository("README.md")).unwrap();
    let structs: String =
        ["src/record/result.rs", "src/record/result_touch.rs", "src/record/result_more.rs", "src/record/result_six.rs"]
            .map(|file| std::fs::read_to_string(repository(file)).unwrap())
            .concat();
    // What the tables describe together: a value's parts, a pose's parts, a lens's parameters, an outlier's and a sheet's parts.
    let together = ["about", "text", "body", "height_mm", "name", "found_mm_per_m", "id"];
    let mut wrong = Vec::new();
    for line in structs.lines() {
        let Some(rest) = line.trim().strip_prefix("pub ") else { continue };
        let Some((name, _)) = rest.split_once(':') else { continue };
        if name.contains(' ')
            || together.contains(&name)
            || readme.contains(&format!("`{name}`"))
            || readme.contains(&format!("`{name}[]`"))
        {
            continue;
        }
        if !readme.contains(&format!("stations[].{name}")) {
            wrong.push(format!("the name `{name}` is not in README.md"));
        }
    }
    none(&wrong);
}
