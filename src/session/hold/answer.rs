//! What the log of the hold watch says against a job's photographs as they are now, and what answers an alarm: new photographs, and nothing else.

use crate::record::{
    HoldEntry, HoldLine, HoldLog, HoldRead, Job, NEW_PHOTOGRAPHS, Problem, STAND_ELSEWHERE, photo_marks, read_hold_log,
};
use std::path::Path;

/// How one goes on after an alarm, everywhere in the same words.
pub const AFTER_ALARM: &str = "To go on: put everything right, take the photographs again, take ALL of the old ones out of the job folder, and check. An alarm is answered once none of them is left.";

/// What speaks against the photographs of a job.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Against {
    /// Alarms of the watch that no new photographs answer.
    pub alarms: usize,
    /// The newest of them in words.
    pub newest: Option<String>,
    /// A live reading found the stand elsewhere, and no new photographs answer that: the newest in words.
    pub elsewhere: Option<String>,
    /// Why more may stand in the log than was read.
    pub doubt: Option<String>,
}

impl Against {
    /// True where a verdict from these photographs may no longer hold.
    pub fn speaks(&self) -> bool {
        self.doubts_the_bay() || self.elsewhere.is_some()
    }

    /// True where something other than the stand may have moved, which a live reading counts from: that follows the stand itself.
    pub fn doubts_the_bay(&self) -> bool {
        self.alarms > 0 || self.doubt.is_some()
    }

    /// All alarms, the newest live reading's among them: how many lines of the log speak against the verdict.
    pub fn in_all(&self) -> usize {
        self.alarms + usize::from(self.elsewhere.is_some())
    }
}

/// What the log of a job's hold watches says against its photographs.
pub fn against(job: &Job) -> Against {
    read_hold_log(&job.folder).map_or_else(Against::default, |log| said(&log, &photo_marks(job)))
}

/// The same, and adds a line to the log of a job whose photographs answer every alarm in it, so that whoever reads the log alone later sees that too, and to that of a watch
/// that goes on while the photographs change, so that its later alarms speak against the new ones. A log that cannot be written costs that line only.
pub fn answer(job: &Job) -> Against {
    read_hold_log(&job.folder).map_or_else(Against::default, |log| answered(job, &log, &photo_marks(job)))
}

/// [`answer`] where the marks of the job's photographs are known already: making them reads every photograph.
pub fn answer_marked(job: &Job, marks: &[String]) -> Against {
    read_hold_log(&job.folder).map_or_else(Against::default, |log| answered(job, &log, marks))
}

/// What a log says against photographs with these marks; without marks, as far as the log alone says it.
pub fn said(log: &HoldRead, marks: &[String]) -> Against {
    let (live, open): (Vec<&HoldEntry>, Vec<&HoldEntry>) =
        log.alarms_against(marks).into_iter().partition(|e| e.event == STAND_ELSEWHERE);
    Against {
        alarms: open.len(),
        newest: open.last().map(|e| words(log, e)),
        elsewhere: live.last().map(|e| words(log, e)),
        doubt: log.doubt(),
    }
}

fn answered(job: &Job, log: &HoldRead, marks: &[String]) -> Against {
    let against = said(log, marks);
    let sentence = match (log.alarms(), log.goes_on_without(marks)) {
        _ if marks.is_empty() || against.in_all() > 0 => return against,
        (0, false) => return against,
        (0, true) => "The job has other photographs from here on, and the watch goes on.",
        _ => {
            "None of the photographs that the lines above are about is in the job any more: what is measured from here on comes from others."
        }
    };
    let photographs = marks.to_vec();
    let line = HoldLine { sentence: sentence.into(), photographs, ..HoldLine::new(NEW_PHOTOGRAPHS, 0.0) };
    let _ = HoldLog::open(&job.folder).and_then(|mut log| log.add(&line));
    against
}

/// Notes in the log of a job that a live reading found the stand elsewhere than the photographs with these marks: it then speaks against them wherever the job is opened.
///
/// `sentence`: what was found, with its U; `at_unix_s`: when, seconds since 1970 (UTC), where that is known.
///
/// # Errors
/// The log cannot be written.
pub fn note_elsewhere(folder: &Path, marks: &[String], sentence: &str, at_unix_s: Option<u64>) -> Result<(), Problem> {
    let line = HoldLine {
        alarm: true,
        started_unix_s: at_unix_s,
        photographs: marks.to_vec(),
        sentence: sentence.to_owned(),
        ..HoldLine::new(STAND_ELSEWHERE, 0.0)
    };
    HoldLog::open(folder)?.add(&line)
}

/// An alarm in words, with the time of day where the log knows it.
fn words(log: &HoldRead, entry: &HoldEntry) -> String {
    let opened = log.watches().into_iter().find(|w| w.iter().any(|e| std::ptr::eq(e, entry)));
    // A live reading says when it was itself.
    let started = entry.started_unix_s.or(opened.and_then(|w| w[0].started_unix_s));
    match started.and_then(|s| crate::record::time_of(s, entry.time_s)) {
        Some(when) => format!("{when}: {}", entry.sentence),
        None => entry.sentence.clone(),
    }
}
