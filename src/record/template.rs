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
}
