//! Writing files so that a reader never sees half of one: written beside, synced, renamed.

use crate::record::keep::RECORD_FILE;
use crate::record::keep::manifest::MANIFEST;
use crate::record::paths::folder_of;
use crate::record::problem::Problem;
use std::io::Write;
use std::path::{Path, PathBuf};

/// JSON text of what the program writes, indented, with a line break at its end.
pub fn json_text<T: serde::Serialize>(value: &T, what: &str) -> Result<String, Problem> {
    serde_json::to_string_pretty(value).map(|text| text + "\n").map_err(|e| {
        Problem::of_file(
            what,
            format!("it cannot be written as JSON ({e})"),
            "This is a fault of the program: please report it.",
        )
    })
}

/// The record that a file or folder lies in, itself included: a folder with `record.json` and `SHA256SUMS`, up to two levels above. Nothing is written into a record once it is kept.
pub fn record_around(path: &Path) -> Option<PathBuf> {
    let whole = std::path::absolute(path).ok()?;
    let is_record = |folder: &&Path| folder.join(RECORD_FILE).is_file() && folder.join(MANIFEST).is_file();
    whole.ancestors().take(4).find(is_record).map(Path::to_owned)
}

/// Refuses what would be written into a record.
pub(super) fn outside_of_records(path: &Path) -> Result<(), Problem> {
    match record_around(path) {
        None => Ok(()),
        Some(record) => Err(Problem::of_file(
            path.display().to_string(),
            format!("it would be written into the record {}, and a record is never changed", record.display()),
            "Work in the job folder that the record was made of, or in a copy of the record's job folder elsewhere; `plumbsight recheck` measures a record again.",
        )),
    }
}

/// Writes `bytes` to `path` atomically: either the old file stays or the new one is complete.
///
/// # Errors
/// It cannot be written, or lies in a record.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> Result<(), Problem> {
    outside_of_records(path)?;
    let shown = path.display().to_string();
    let fail = |e: std::io::Error| {
        Problem::of_file(
            shown.clone(),
            format!("it cannot be written ({e})"),
            "Check that the folder exists, that you may write there and that the disk is not full.",
        )
    };
    let folder = folder_of(path);
    let Some(name) = path.file_name() else {
        return Err(Problem::of_file(shown, "this names no file", "Give a file name."));
    };
    // The process number keeps two runs on one folder from writing into the same file.
    let beside = folder.join(format!(".{}.{}.part", name.to_string_lossy(), std::process::id()));
    let written = (|| {
        let mut file = std::fs::File::create(&beside)?;
        file.write_all(bytes)?;
        file.sync_all()?;
        std::fs::rename(&beside, path)?;
        // The rename itself is safe on disk only once the folder is; where a system cannot sync folders, go without.
        if let Ok(folder) = std::fs::File::open(folder) {
            let _ = folder.sync_all();
        }
        Ok(())
    })();
    if written.is_err() {
        let _ = std::fs::remove_file(&beside);
    }
    written.map_err(fail)
}

/// Writes a file that is not there yet; one that is `secret` only its owner can read, where the system knows owners.
///
/// # Errors
/// It is there already, or cannot be written.
pub fn write_new(path: &Path, bytes: &[u8], secret: bool) -> Result<(), Problem> {
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    if secret {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o600);
    }
    let written = options.open(path).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    written.map_err(|e| {
        let shown = path.display().to_string();
        match e.kind() {
            std::io::ErrorKind::AlreadyExists => {
                Problem::of_file(shown, "it is there already", "Nothing was written. Name another file.")
            }
            _ => Problem::of_file(
                shown,
                format!("it cannot be written ({e})"),
                "Check that the folder exists and that you may write there.",
            ),
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn replaces_the_file_and_leaves_nothing_beside() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("result.json");
        write_atomically(&path, b"one").unwrap();
        write_atomically(&path, b"two").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"two");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn a_folder_that_is_not_there_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let problem = write_atomically(&dir.path().join("no/result.json"), b"x").unwrap_err();
        assert!(problem.file.contains("result.json") && problem.remedy.contains("folder"), "{problem}");
    }
}
