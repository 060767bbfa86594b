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

/// The deviations of the stand, m and rad, in each frame of `fixtures/live-a`, from its maker's truth: 4 x 4 matrix, and where the stand is asked to be.
pub fn live_truths() -> Vec<[f64; 6]> {
    let read = |path: &str| -> serde_json::Value {
        serde_json::from_str(&std::fs::read_to_string(repository(path)).unwrap()).unwrap()
    };
    let (truth, bay) = (read("fixtures/live-a/truth.json"), read("fixtures/bay-a/truth.json"));
    let front = |side: &str| -> f64 {
        let centre = &bay["positions"][0]["wheels"][side]["centre"];
        centre[0].as_f64().unwrap()
    };
    let front_x = (front("front_left") + front("front_right")) / 2.0;
    let asked = &bay["setup"];
    let at = |v: &serde_json::Value, i: usize, j: usize| v[i][j].as_f64().unwrap();
    truth["stand_poses"]
        .as_array()
        .unwrap()
        .iter()
        .map(|m| {
            let yaw = at(m, 1, 0).atan2(at(m, 0, 0));
            [
                at(m, 0, 3) - front_x - asked["distance_front_axle_m"].as_f64().unwrap(),
                at(m, 1, 3) - asked["lateral_m"].as_f64().unwrap(),
                at(m, 2, 3) - asked["height_m"].as_f64().unwrap(),
                yaw,
                0.0,
                0.0,
            ]
        })
        .collect()
}

/// The template of a new job with its examples entered as values.
pub fn write_template(folder: &Path) {
    for path in plumbsight::record::write_template(folder).unwrap() {
        let text = std::fs::read_to_string(&path).unwrap();
        std::fs::write(&path, plumbsight::record::with_examples(&text)).unwrap();
    }
}
