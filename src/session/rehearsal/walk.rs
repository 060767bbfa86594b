//! The order in which a careful walker takes the photographs of a rehearsal, and the folder in which they are painted.

use crate::record::{Problem, make_folder, write_atomically};
use std::path::{Path, PathBuf};

/// The file that says of a folder that a rehearsal was being painted in it.
const CUT_OFF: &str = "unfinished.txt";

/// Where a rehearsal is painted: beside its folder, or within it where that is there already (the parent of a stick or of a link is not ours to write in).
fn place_of_unfinished(folder: &Path) -> PathBuf {
    match folder.file_name() {
        Some(name) if !folder.exists() => {
            let mut name = name.to_os_string();
            name.push(".unfinished");
            folder.with_file_name(name)
        }
        _ => folder.join("rehearsal.unfinished"),
    }
}

/// Whether the folder holds anything but a painting of ours that was cut off.
pub(super) fn holds_something(folder: &Path) -> bool {
    let ours = place_of_unfinished(folder);
    let cut_off = |path: &Path| path == ours && path.join(CUT_OFF).is_file();
    std::fs::read_dir(folder)
        .is_ok_and(|mut entries| entries.any(|entry| !entry.is_ok_and(|entry| cut_off(&entry.path()))))
}

/// The folder in which a rehearsal is painted, new and empty but for a file that says so: a painting that is cut off never looks like a job.
/// What an earlier one left there is removed.
///
/// # Errors
/// Something else is there, or it cannot be written.
pub(super) fn unfinished(folder: &Path) -> Result<PathBuf, Problem> {
    let beside = place_of_unfinished(folder);
    if beside.join(CUT_OFF).is_file() {
        std::fs::remove_dir_all(&beside)
            .map_err(|e| failed(&beside, "it is left from before and cannot be removed", &e))?;
    } else if beside.exists() {
        return Err(Problem::of_file(
            beside.display().to_string(),
            "a rehearsal is painted here before it gets its name, and something else is there",
            "Move it away, or name another folder.",
        ));
    }
    make_folder(&beside)?;
    let text = "A rehearsal is being painted here. If no plumbsight is at work, it was cut off: delete this folder.\n";
    write_atomically(&beside.join(CUT_OFF), text.as_bytes())?;
    Ok(beside)
}

/// Gives a painted folder its name.
///
/// # Errors
/// It cannot be renamed.
pub(super) fn finish(unfinished: &Path, folder: &Path) -> Result<(), Problem> {
    let moved =
        |from: &Path, to: &Path| std::fs::rename(from, to).map_err(|e| failed(to, "it cannot be given its name", &e));
    if unfinished.parent() == Some(folder) {
        let entries = std::fs::read_dir(unfinished).map_err(|e| failed(unfinished, "it cannot be read", &e))?;
        for entry in entries.filter_map(Result::ok).filter(|entry| entry.file_name() != CUT_OFF) {
            moved(&entry.path(), &folder.join(entry.file_name()))?;
        }
        return std::fs::remove_dir_all(unfinished).map_err(|e| failed(unfinished, "it cannot be removed", &e));
    }
    moved(unfinished, folder)?;
    std::fs::remove_file(folder.join(CUT_OFF)).map_err(|e| failed(folder, "it cannot be finished", &e))
}

fn failed(path: &Path, what: &str, e: &std::io::Error) -> Problem {
    Problem::of_file(path.display().to_string(), format!("{what} ({e})"), "Choose a place where you may write.")
}

/// Puts what was taken on one round into the order of two: every second place on the first round, those between on the second.
///
/// One round shows each wheel once, on its own stretch of the way: a car that creeps meanwhile looks like a car whose wheels are elsewhere, and the
/// program rightly says that nothing checks it. On two rounds each wheel is seen early and late.
pub(super) fn in_two_rounds<T: Clone>(one_round: &[T]) -> Vec<T> {
    let every_second = |from: usize| one_round.iter().skip(from).step_by(2).cloned();
    every_second(0).chain(every_second(1)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_cut_off_has_another_name_and_is_swept() {
        let dir = tempfile::tempdir().unwrap();
        let folder = dir.path().join("monday");
        let first = unfinished(&folder).unwrap();
        std::fs::write(first.join("job.toml"), "half").unwrap();
        assert!(!folder.exists(), "nothing that looks like a rehearsal");
        let second = unfinished(&folder).unwrap();
        assert!(second == first && !second.join("job.toml").exists());
        std::fs::write(second.join("job.toml"), "whole").unwrap();
        finish(&second, &folder).unwrap();
        let names: Vec<_> = std::fs::read_dir(&folder).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert!(names == ["job.toml"] && !second.exists(), "{names:?}");
        // What is not ours is not touched.
        let other = dir.path().join("tuesday");
        let mine = dir.path().join("tuesday.unfinished");
        std::fs::create_dir(&mine).unwrap();
        std::fs::write(mine.join("mine.txt"), "x").unwrap();
        assert!(unfinished(&other).is_err() && mine.join("mine.txt").exists());
        // A folder that is there stays, and is painted in; a painting of ours that was cut off there is nothing.
        let there = dir.path().join("there");
        std::fs::create_dir(&there).unwrap();
        let within = unfinished(&there).unwrap();
        assert!(within.starts_with(&there) && !holds_something(&there));
        std::fs::write(within.join("job.toml"), "whole").unwrap();
        finish(&within, &there).unwrap();
        let names: Vec<_> = std::fs::read_dir(&there).unwrap().map(|e| e.unwrap().file_name()).collect();
        assert!(names == ["job.toml"] && holds_something(&there), "{names:?}");
    }

    #[test]
    fn nothing_is_lost_and_both_halves_go_round() {
        assert_eq!(in_two_rounds(&[0, 1, 2, 3, 4]), [0, 2, 4, 1, 3]);
        assert!(in_two_rounds::<u8>(&[]).is_empty());
    }
}
