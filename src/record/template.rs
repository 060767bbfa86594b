//! The commented job folder that a new job starts from.

use crate::record::problem::Problem;
use crate::record::write::write_atomically;
use std::path::{Path, PathBuf};

/// The files of the template: name and content.
pub const TEMPLATE: [(&str, &str); 4] = [
    ("job.toml", include_str!("template/job.toml")),
    ("bodies.toml", include_str!("template/bodies.toml")),
    ("placement.toml", include_str!("template/placement.toml")),
    ("lens.toml", include_str!("template/lens.toml")),
];

/// Writes the template job into a new or empty folder; returns the files written.
///
/// Refuses a folder that holds any of these files already: nothing is ever overwritten.
pub fn write_template(folder: &Path) -> Result<Vec<PathBuf>, Problem> {
    make_folder(&folder.join("photos"))?;
    if let Some((name, _)) = TEMPLATE.iter().find(|(name, _)| folder.join(name).exists()) {
        return Err(Problem::of_file(
            folder.join(name).display().to_string(),
            "it is there already",
            "Nothing was written. Choose a folder that holds no job yet.",
        ));
    }
    let mut written = Vec::new();
    for (name, content) in TEMPLATE {
        let path = folder.join(name);
        write_atomically(&path, content.as_bytes())?;
        written.push(path);
    }
    Ok(written)
}

/// A file of the template with its invented examples entered as values, which is what nobody may measure by: for tests.
///
/// `key = ENTER   # e.g. 12.5; words` becomes `key = 12.5   # words`.
pub fn with_examples(text: &str) -> String {
    let filled = |line: &str| {
        let waiting = ["ENTER", "MEASURE"].iter().find_map(|word| {
            let (key, rest) = line.split_once(&format!(" = {word} "))?;
            Some((key, rest.trim_start().strip_prefix("# e.g. ")?))
        });
        let Some((key, example)) = waiting else { return line.to_owned() };
        match example.split_once("; ") {
            Some((value, words)) => format!("{:<30} # {words}", format!("{key} = {value}")),
            None => format!("{key} = {example}"),
        }
    };
    text.lines().map(|line| filled(line) + "\n").collect()
}

/// Makes a folder and those above it.
pub fn make_folder(folder: &Path) -> Result<(), Problem> {
    std::fs::create_dir_all(folder).map_err(|e| {
        Problem::of_file(
            folder.display().to_string(),
            format!("the folder cannot be made ({e})"),
            "Choose a place where you may write.",
        )
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::{Purpose, read_job};

    #[test]
    fn the_template_is_a_job_once_photographs_are_there() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("a/new");
        assert_eq!(write_template(&folder).unwrap().len(), TEMPLATE.len());
        fill(&folder);
        // Without photographs it says so and nothing else.
        let problem = read_job(&folder, Purpose::Verdict).unwrap_err();
        assert!(problem.what.contains("no photographs") && problem.remedy.contains("photos/*"), "{problem}");
        std::fs::write(folder.join("photos/1.jpg"), "x").unwrap();
        let job = read_job(&folder, Purpose::Verdict).unwrap();
        assert_eq!((job.photos.len(), job.kit.bodies.len(), job.placement.stations.len()), (1, 11, 1));
        // The template's stated defaults are the defaults.
        assert_eq!(job.floor, crate::vehicle::FloorModel::default());
        // And it is never overwritten.
        assert!(write_template(&folder).unwrap_err().what.contains("already"));
    }

    fn fill(folder: &Path) {
        for (name, text) in TEMPLATE {
            std::fs::write(folder.join(name), with_examples(text)).unwrap();
        }
    }

    /// No figure of the template passes for the user's own: with all others entered, each one alone has the job refused, and is named with its line.
    #[test]
    fn no_example_counts_until_it_is_entered() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("new");
        write_template(&folder).unwrap();
        std::fs::write(folder.join("photos/1.jpg"), "x").unwrap();
        let mut waiting = 0;
        for (name, text) in TEMPLATE {
            for (n, line) in text.lines().enumerate() {
                if !["= ENTER ", "= MEASURE "].iter().any(|word| line.contains(word)) {
                    // A figure that is in force as the template stands is one of those that the text calls a default.
                    let figure = line.split('#').next().unwrap_or("").split_once("_mm = ").is_some();
                    assert!(!figure || line.contains("[0, 0, 0]") || name == "bodies.toml", "{name}: {line}");
                    continue;
                }
                waiting += 1;
                fill(&folder);
                let mut lines: Vec<String> = with_examples(text).lines().map(str::to_owned).collect();
                lines[n] = line.to_owned();
                std::fs::write(folder.join(name), lines.join("\n")).unwrap();
                let problem = read_job(&folder, Purpose::Verdict).unwrap_err();
                let key = line.split_once(" =").unwrap().0;
                assert!(problem.what.contains(&format!("`{key} = ")) && problem.what.contains("waits"), "{problem}");
                assert_eq!((problem.line, problem.file.ends_with(name)), (Some(n + 1), true), "{problem}");
            }
        }
        assert!(waiting >= 36, "{waiting}");
        for key in ["distance_mm", "lateral_mm", "height_mm", "yaw_deg", "pitch_deg", "roll_deg"] {
            let all = TEMPLATE[2].1.matches(&format!("\n{key} = ENTER ")).count();
            assert_eq!(all, 2, "{key}: what is asked, and its tolerance");
        }
    }
}
