//! The hold watch's log read back, for people to look at.

use crate::capture::read_file;
use crate::limits::LARGEST_LOG_BYTES;
use crate::record::keep::manifest::sha256_of;
use crate::record::{HOLD_LOG, Job};
use serde::Deserialize;
use std::path::Path;

/// Hexadecimal digits of a photograph's mark: 64 bits, by which no two photographs of a shop are alike.
const MARK: usize = 16;

/// The event of the line that says that the job has new photographs: the alarms before it are answered.
pub const NEW_PHOTOGRAPHS: &str = "new photographs";

/// The event of a watch's last line.
pub const CLOSED: &str = "closed";

/// The event of the line that says that a live reading found the stand elsewhere than the photographs had it: an alarm, though no watch was kept.
pub const STAND_ELSEWHERE: &str = "stand elsewhere";

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
    /// The photographs that the verdict rests on, as marks.
    pub photographs: Vec<String>,
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

impl HoldEntry {
    /// True where a watch wrote it; a live reading and new photographs are noted without one.
    pub fn is_of_a_watch(&self) -> bool {
        self.event != STAND_ELSEWHERE && self.event != NEW_PHOTOGRAPHS
    }
}

impl HoldRead {
    /// How many alarms are not answered by new photographs, as far as the log itself says.
    pub fn alarms(&self) -> usize {
        self.unanswered().count()
    }

    fn unanswered(&self) -> impl Iterator<Item = &HoldEntry> {
        let answered = self.entries.iter().rposition(|e| e.event == NEW_PHOTOGRAPHS).map_or(0, |k| k + 1);
        self.entries[answered..].iter().filter(|e| e.alarm)
    }

    /// The alarms that speak against photographs with these marks: those of watches over any of them, and those that nothing answers.
    ///
    /// A watch speaks against the photographs that were in the job when it was opened, and against those that came while it went on. Of one that does not say
    /// which, every photograph could be.
    pub fn alarms_against(&self, marks: &[String]) -> Vec<&HoldEntry> {
        let said: Vec<&HoldEntry> = self.unanswered().collect();
        let mut out = Vec::new();
        for watch in self.watches() {
            let known = !watch[0].photographs.is_empty() && !marks.is_empty();
            let mut over = false;
            for entry in watch {
                over |= entry.photographs.iter().any(|mark| marks.contains(mark));
                let against = match known {
                    true => over,
                    false => said.iter().any(|s| std::ptr::eq(*s, entry)),
                };
                if entry.alarm && against {
                    out.push(entry);
                }
            }
        }
        out
    }

    /// True where nothing but live readings is in it: no watch was kept.
    pub fn is_without_a_watch(&self) -> bool {
        self.unreadable == 0 && self.fault.is_none() && !self.entries.iter().any(HoldEntry::is_of_a_watch)
    }

    /// True where the last watch is still going on, as far as the log says, and does not know some of these photographs.
    pub fn goes_on_without(&self, marks: &[String]) -> bool {
        let watches = self.watches();
        let opened = |w: &&&[HoldEntry]| w[0].event == "opened" && !w[0].photographs.is_empty();
        let Some(last) = watches.last().filter(opened) else { return false };
        let known = |mark| last.iter().any(|e| e.photographs.contains(mark));
        !last.iter().any(|e| e.event == CLOSED) && !marks.iter().all(known)
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

/// A mark of each photograph of a job, by which it is known again whatever it is called: the head of its SHA-256. One that cannot be read has none.
pub fn photo_marks(job: &Job) -> Vec<String> {
    let sums = job.photos.iter().filter_map(|photo| sha256_of(&photo.path).ok());
    sums.map(|sum| sum.chars().take(MARK).collect()).collect()
}

/// Date and time, local, of a moment so many seconds after another: `2026-03-01 14:15:30`.
pub fn time_of(started_unix_s: u64, after_s: f64) -> Option<String> {
    let start = jiff::Timestamp::from_second(i64::try_from(started_unix_s).ok()?).ok()?;
    let then = start.checked_add(jiff::SignedDuration::try_from_secs_f64(after_s).ok()?).ok()?;
    Some(jiff::ZonedDateTime::new(then, jiff::tz::TimeZone::system()).strftime("%Y-%m-%d %H:%M:%S").to_string())
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

        // Live readings and new photographs are no watch that could go on.
        let lines = "{\"event\":\"stand elsewhere\",\"alarm\":true,\"photographs\":[\"a\"]}\n{\"event\":\"new photographs\",\"photographs\":[\"b\"]}\n";
        std::fs::write(dir.path().join(HOLD_LOG), lines).unwrap();
        let log = read_hold_log(dir.path()).unwrap();
        assert!(log.is_without_a_watch() && !log.goes_on_without(&["b".into(), "c".into()]), "{log:?}");
        let watch = "{\"event\":\"opened\",\"photographs\":[\"b\"]}\n";
        std::fs::write(dir.path().join(HOLD_LOG), format!("{lines}{watch}")).unwrap();
        let log = read_hold_log(dir.path()).unwrap();
        assert!(!log.is_without_a_watch() && log.goes_on_without(&["b".into(), "c".into()]), "{log:?}");

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
