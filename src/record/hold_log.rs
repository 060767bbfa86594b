//! The hold watch's log in the job folder: one JSON object a line, only ever added to.

use crate::record::paths::lies_inside;
use crate::record::problem::Problem;
use serde::Serialize;
use std::fs::{File, OpenOptions};
use std::io::{Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

/// The format of every line.
pub const HOLD_FORMAT: &str = "plumbsight/hold/1";

/// The log's name in a job folder.
pub const HOLD_LOG: &str = "hold.jsonl";

/// One line.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct HoldLine {
    /// [`HOLD_FORMAT`].
    pub format: &'static str,
    /// What happened, one word or two.
    pub event: String,
    /// When it was sure, seconds since the watch was opened.
    pub time_s: f64,
    /// When it began.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub since_s: Option<f64>,
    /// When the watch was opened, seconds since 1970 (UTC).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub started_unix_s: Option<u64>,
    /// The photographs that the verdict rests on: [`photo_mark`](crate::record::photo_mark) of each; on the first line of a watch, and on the line that says that there are new ones.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub photographs: Vec<String>,
    /// Number of the camera that saw it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub camera: Option<usize>,
    /// True where the verdict may no longer hold.
    pub alarm: bool,
    /// The body's name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub body: Option<String>,
    /// Shift along the car's X, Y, Z.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shift_mm: Option<[f64; 3]>,
    /// Standard uncertainties.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u_shift_mm: Option<[f64; 3]>,
    /// Turn about the car's X, Y, Z.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub turn_deg: Option<[f64; 3]>,
    /// Standard uncertainties.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub u_turn_deg: Option<[f64; 3]>,
    /// In words.
    pub sentence: String,
}

impl HoldLine {
    /// A line with nothing but its event and time.
    pub fn new(event: impl Into<String>, time_s: f64) -> Self {
        Self {
            format: HOLD_FORMAT,
            event: event.into(),
            time_s,
            since_s: None,
            started_unix_s: None,
            photographs: Vec::new(),
            camera: None,
            alarm: false,
            body: None,
            shift_mm: None,
            u_shift_mm: None,
            turn_deg: None,
            u_turn_deg: None,
            sentence: String::new(),
        }
    }
}

/// An open log.
pub struct HoldLog {
    file: File,
    path: PathBuf,
}

impl HoldLog {
    /// Opens the log of a job folder to add to it. A last line that was cut off (the machine went down while it was written) is closed, so that the next one
    /// begins on a line of its own.
    pub fn open(folder: &Path) -> Result<Self, Problem> {
        let path = folder.join(HOLD_LOG);
        crate::record::write::outside_of_records(&path)?;
        // Through a link it would write into a file of somebody else.
        if path.is_symlink() && !lies_inside(folder, &path) {
            return Err(Problem::of_file(
                path.display().to_string(),
                "it is a link that leads out of the job folder",
                "Take the link away: the log is written into the job folder itself.",
            ));
        }
        let file = OpenOptions::new().create(true).read(true).append(true).open(&path).map_err(|e| fault(&path, &e))?;
        let mut log = Self { file, path };
        log.close_torn().map_err(|e| fault(&log.path, &e))?;
        Ok(log)
    }

    fn close_torn(&mut self) -> std::io::Result<()> {
        if self.file.seek(SeekFrom::End(0))? == 0 {
            return Ok(());
        }
        self.file.seek(SeekFrom::End(-1))?;
        let mut last = [0u8];
        self.file.read_exact(&mut last)?;
        if last != *b"\n" { self.file.write_all(b"\n") } else { Ok(()) }
    }

    /// Adds a line: written in one piece and on the disk when this returns.
    pub fn add(&mut self, line: &HoldLine) -> Result<(), Problem> {
        let mut text = serde_json::to_string(line).map_err(|e| {
            Problem::of_file(
                self.path.display().to_string(),
                format!("a line cannot be written as JSON ({e})"),
                "This is a fault of the program: please report it.",
            )
        })?;
        text.push('\n');
        self.file.write_all(text.as_bytes()).and_then(|()| self.file.sync_data()).map_err(|e| fault(&self.path, &e))
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

fn fault(path: &Path, error: &std::io::Error) -> Problem {
    Problem::of_file(
        path.display().to_string(),
        format!("it cannot be written ({error})"),
        "Check that the folder exists, that you may write there and that the disk is not full.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_are_added_and_a_torn_one_is_closed() {
        let dir = tempfile::tempdir().unwrap();
        let mut log = HoldLog::open(dir.path()).unwrap();
        log.add(&HoldLine { alarm: true, ..HoldLine::new("moved", 1.5) }).unwrap();
        drop(log);
        let path = dir.path().join(HOLD_LOG);
        let mut text = std::fs::read_to_string(&path).unwrap();
        text.push_str("{\"format\":\"plumb");
        std::fs::write(&path, &text).unwrap();
        let mut log = HoldLog::open(dir.path()).unwrap();
        log.add(&HoldLine::new("begins", 2.0)).unwrap();
        let text = std::fs::read_to_string(log.path()).unwrap();
        let lines: Vec<&str> = text.lines().collect();
        assert_eq!(lines.len(), 3, "{text}");
        for (k, event) in [(0, "moved"), (2, "begins")] {
            let value: serde_json::Value = serde_json::from_str(lines[k]).unwrap();
            assert_eq!((&value["format"], &value["event"]), (&HOLD_FORMAT.into(), &event.into()));
        }
        assert!(HoldLog::open(&dir.path().join("none")).err().unwrap().file.contains("hold.jsonl"));
    }
}
