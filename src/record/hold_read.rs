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
    /// Why the log as a whole cannot be read, where it is there.
    pub fault: Option<String>,
}

impl HoldRead {
    /// Lines that say that something moved.
    pub fn alarms(&self) -> usize {
        self.entries.iter().filter(|e| e.alarm).count()
    }

    /// Why more may stand in the log than was read; `None` where all of it was.
    pub fn doubt(&self) -> Option<String> {
        match (&self.fault, self.unreadable) {
            (Some(why), _) => {
                Some(format!("The log of the hold watch cannot be read ({why}): an alarm may stand in it."))
            }
            (None, 0) => None,
            (None, 1) => Some("A line of the log of the hold watch cannot be read: an alarm may stand in it.".into()),
            (None, n) => {
                Some(format!("{n} lines of the log of the hold watch cannot be read: an alarm may stand in them."))
            }
        }
    }

    /// The lines watch by watch: each begins where a watch was opened.
    pub fn watches(&self) -> Vec<&[HoldEntry]> {
        let mut starts: Vec<usize> = (1..self.entries.len()).filter(|k| self.entries[*k].event == "opened").collect();
        starts.insert(0, 0);
        starts.push(self.entries.len());
        starts.windows(2).map(|w| &self.entries[w[0]..w[1]]).filter(|w| !w.is_empty()).collect()
    }
}

/// Reads the log of a job folder; `None` where there is none. A line that was cut off is counted and passed over; one that says `alarm` and is otherwise not as it
/// should be is an alarm.
pub fn read_hold_log(folder: &Path) -> Option<HoldRead> {
    let mut out = HoldRead::default();
    let bytes = match read_file(&folder.join(HOLD_LOG), LARGEST_LOG_BYTES) {
        Ok(bytes) => bytes,
        Err(fault) if fault.is_missing() => return None,
        Err(fault) => {
            out.fault = Some(fault.to_string());
            return Some(out);
        }
    };
    for line in String::from_utf8_lossy(&bytes).lines().filter(|l| !l.trim().is_empty()) {
        match serde_json::from_str(line) {
            Ok(entry) => out.entries.push(entry),
            Err(_) if says_alarm(line) => out.entries.push(HoldEntry {
                event: "alarm".into(),
                alarm: true,
                sentence: format!("The rest of this line is not as it should be: {line}"),
                ..HoldEntry::default()
            }),
            Err(_) => out.unreadable += 1,
        }
    }
    Some(out)
}

fn says_alarm(line: &str) -> bool {
    let read = serde_json::from_str::<serde_json::Value>(line);
    read.is_ok_and(|v| v.get("alarm").and_then(serde_json::Value::as_bool) == Some(true))
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
        assert!(log.doubt().unwrap().starts_with("A line"));

        // A time that is no number, signs that are no text: an alarm stays one.
        let mut bytes = b"{\"event\":\"moved\",\"time_s\":null,\"alarm\":true}\n{\"sentence\":\"".to_vec();
        bytes.extend([0xff, 0xfe]);
        bytes.extend(b"\",\"alarm\":true}\n");
        std::fs::write(dir.path().join(HOLD_LOG), bytes).unwrap();
        let log = read_hold_log(dir.path()).unwrap();
        assert_eq!((log.alarms(), log.unreadable, log.doubt()), (2, 0, None));

        // There, and not to be read: not the same as none.
        std::fs::remove_file(dir.path().join(HOLD_LOG)).unwrap();
        std::fs::create_dir(dir.path().join(HOLD_LOG)).unwrap();
        let log = read_hold_log(dir.path()).unwrap();
        assert!(log.doubt().unwrap().contains("cannot be read (it is no file"), "{log:?}");
    }
}
