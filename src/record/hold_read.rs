//! The hold watch's log read back, for people to look at.

use crate::capture::read_file;
use crate::limits::LARGEST_LOG_BYTES;
use crate::record::HOLD_LOG;
use serde::Deserialize;
use std::path::Path;

/// One line of the log; what a line lacks is empty.
#[derive(Clone, Debug, Default, PartialEq, Deserialize)]
#[serde(default)]
pub struct HoldEntry {
    /// What happened, one word or two.
    pub event: String,
    /// When it was sure, seconds since the watch was opened.
    pub time_s: f64,
    /// When the watch was opened, seconds since 1970 (UTC); on its first line.
    pub started_unix_s: Option<u64>,
    /// True where the verdict may no longer hold.
    pub alarm: bool,
    /// The body's name.
    pub body: Option<String>,
    /// Shift along the car's X, Y, Z.
    pub shift_mm: Option<[f64; 3]>,
    /// Its standard uncertainties.
    pub u_shift_mm: Option<[f64; 3]>,
    /// In words.
    pub sentence: String,
}

/// A log.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct HoldRead {
    /// Its lines in order.
    pub entries: Vec<HoldEntry>,
    /// Lines that cannot be read.
    pub unreadable: usize,
}

impl HoldRead {
    /// Lines that say that something moved.
    pub fn alarms(&self) -> usize {
        self.entries.iter().filter(|e| e.alarm).count()
    }

    /// The lines watch by watch: each begins where a watch was opened.
    pub fn watches(&self) -> Vec<&[HoldEntry]> {
        let mut starts: Vec<usize> = (1..self.entries.len()).filter(|k| self.entries[*k].event == "opened").collect();
        starts.insert(0, 0);
        starts.push(self.entries.len());
        starts.windows(2).map(|w| &self.entries[w[0]..w[1]]).filter(|w| !w.is_empty()).collect()
    }
}

/// Reads the log of a job folder; `None` where there is none. A line that was cut off is counted and passed over.
pub fn read_hold_log(folder: &Path) -> Option<HoldRead> {
    let bytes = read_file(&folder.join(HOLD_LOG), LARGEST_LOG_BYTES).ok()?;
    let mut out = HoldRead::default();
    for line in String::from_utf8_lossy(&bytes).lines().filter(|l| !l.trim().is_empty()) {
        match serde_json::from_str(line) {
            Ok(entry) => out.entries.push(entry),
            Err(_) => out.unreadable += 1,
        }
    }
    Some(out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn watches_are_told_apart_and_torn_lines_counted() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(read_hold_log(dir.path()), None);
        let text = "{\"event\":\"opened\",\"time_s\":0.0}\n{\"event\":\"moved\",\"time_s\":2.5,\"alarm\":true}\n{\"event\":\"op\n\
                    {\"event\":\"opened\",\"time_s\":0.0}\n";
        std::fs::write(dir.path().join(HOLD_LOG), text).unwrap();
        let log = read_hold_log(dir.path()).unwrap();
        assert_eq!((log.alarms(), log.unreadable), (1, 1));
        assert_eq!(log.watches().iter().map(|w| w.len()).collect::<Vec<_>>(), [2, 1]);
    }
}
