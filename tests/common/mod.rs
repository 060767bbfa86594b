//! Helpers shared by the tests that use the library or the program from outside.

#![allow(dead_code)] // each test file uses its part

use std::path::{Path, PathBuf};

/// A folder of the repository.
pub fn repository(part: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(part)
}

/// Copies the demonstration job into a temporary folder with only these photographs (numbers); returns the folder.
pub fn bay_with(photographs: &[usize]) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    let bay = repository("fixtures/bay-a");
    for name in ["job.toml", "bodies.toml", "placement.toml", "lens.toml"] {
        std::fs::copy(bay.join(name), dir.path().join(name)).unwrap();
    }
    std::fs::create_dir(dir.path().join("photos")).unwrap();
    for k in photographs {
        let name = format!("photos/{k:03}.jpg");
        std::fs::copy(bay.join(&name), dir.path().join(&name)).unwrap();
    }
    dir
}

/// Replaces `from` by `to` in a file; fails where `from` is not there, so that a test cannot pass by changing nothing.
#[track_caller]
pub fn edit(path: &Path, from: &str, to: &str) {
    let text = std::fs::read_to_string(path).unwrap();
    assert!(text.contains(from), "{} does not contain {from:?}", path.display());
    std::fs::write(path, text.replacen(from, to, 1)).unwrap();
}

/// The line, counted from 1, that holds `marker` first.
#[track_caller]
pub fn line_of(path: &Path, marker: &str) -> usize {
    let text = std::fs::read_to_string(path).unwrap();
    1 + text.lines().position(|l| l.contains(marker)).unwrap_or_else(|| panic!("no line holds {marker:?}"))
}
