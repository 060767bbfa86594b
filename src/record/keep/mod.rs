//! The record: one folder, complete in itself, that says what was measured, from what, by whom and when, and can be measured again.
//!
//! ```text
//! 2026-03-01_141530_VIN/       UTC, then what names the car
//!   record.json                who, when, verdict, what came after, which record it corrects
//!   result.json survey.json    the measurement with everything in between
//!   job/                       inputs and photographs, byte by byte as they were
//!   SHA256SUMS                 `sha256sum -c SHA256SUMS`
//!   SHA256SUMS.sig             the shop's signature over it, and public-key.pem, where the shop signs
//! ```

pub mod manifest;
pub mod sign;
mod staging;

pub use staging::Staging;

use crate::record::outcome::OutcomePart;
use crate::record::problem::Problem;
use crate::record::result::{PlacementPart, ResultFile, Verdict};
use crate::record::result_brief::ResultBrief;
use crate::record::result_words::differs;
use jiff::ZonedDateTime;
use jiff::tz::TimeZone;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The format line of a record.
pub const RECORD_FORMAT: &str = "plumbsight/record/1";

/// Names of the files of a record.
pub const RECORD_FILE: &str = "record.json";
/// The result.
pub const RESULT_FILE: &str = "result.json";
/// The survey.
pub const SURVEY_FILE: &str = "survey.json";
/// The folder of inputs and photographs.
pub const JOB_FOLDER: &str = "job";

/// Longest part of a folder's name that comes from what names the car.
const LONGEST_NAME: usize = 40;

/// `record.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RecordFile {
    /// [`RECORD_FORMAT`].
    pub format: String,
    /// Name and version of the program that measured.
    pub program: String,
    /// Processor and system it ran on.
    pub machine: String,
    /// When, in universal time (RFC 3339).
    pub made_utc: String,
    /// The same in the machine's local time, with its offset.
    pub made_local: String,
    /// Who kept it.
    pub by: String,
    /// What was to be said to it.
    pub note: Option<String>,
    /// 1, or one more than that of the record it corrects.
    pub revision: u32,
    /// The record that this one corrects.
    pub corrects: Option<CorrectsPart>,
    /// The job's title.
    pub title: Option<String>,
    /// The car's identification number.
    pub vin: Option<String>,
    /// The car as the job names it.
    pub vehicle: Option<String>,
    /// The job's own id of the car.
    pub vehicle_id: Option<String>,
    /// The verdict.
    pub verdict: Verdict,
    /// What was asked.
    pub placement: PlacementPart,
    /// Number of photographs kept.
    pub photographs: usize,
    /// The kit that measured; records of before this was kept have none.
    #[serde(default)]
    pub kit: Option<KitPart>,
    /// Open items of the readiness list; `null` where no list was kept.
    pub readiness_open: Option<usize>,
    /// Alarms in the log of the hold watch; `null` where there is no log, or none that can be read.
    #[serde(default)]
    pub hold_alarms: Option<usize>,
    /// Why more alarms may stand in that log than were read; `null` where all of it was read, and where there is none.
    #[serde(default)]
    pub hold_doubt: Option<String>,
    /// What the scan tool said and how the road test went, where that was typed in.
    pub outcome: Option<OutcomePart>,
}

impl RecordFile {
    /// True where something moved after the measurement, or may have.
    pub fn moved_since(&self) -> bool {
        self.hold_alarms.is_some_and(|n| n > 0) || self.hold_doubt.is_some()
    }
}

/// Which kit measured: the same file, the same kit.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KitPart {
    /// The bodies file, relative to the job.
    pub file: String,
    /// Its SHA-256.
    pub sha256: String,
}

/// The record that another one corrects.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CorrectsPart {
    /// Name of its folder.
    pub record: String,
    /// SHA-256 of its manifest, so that it cannot be exchanged.
    pub manifest_sha256: String,
    /// Why it was corrected.
    pub reason: String,
    /// Manifests' sums of the records that one corrected in its turn, the newest first: the chain holds where a link of it is lost. Empty in older records.
    #[serde(default)]
    pub earlier: Vec<String>,
}

impl CorrectsPart {
    /// Manifests' sums of all records before this one, the newest first.
    pub fn sums(&self) -> impl Iterator<Item = &String> {
        std::iter::once(&self.manifest_sha256).chain(&self.earlier)
    }
}

/// A moment, as it is written down.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Moment {
    /// Universal time, RFC 3339: `2026-03-01T14:15:30Z`.
    pub utc: String,
    /// Local time with its offset: `2026-03-01T15:15:30+01:00`.
    pub local: String,
}

impl Moment {
    /// Now.
    pub fn now() -> Self {
        let now = jiff::Timestamp::now();
        let written = |zone: TimeZone| ZonedDateTime::new(now, zone).strftime("%Y-%m-%dT%H:%M:%S%:z").to_string();
        Self {
            utc: ZonedDateTime::new(now, TimeZone::UTC).strftime("%Y-%m-%dT%H:%M:%SZ").to_string(),
            local: written(TimeZone::system()),
        }
    }

    /// Local time of day: `15:15`.
    pub fn time_of_day(&self) -> &str {
        self.local.get(11..16).unwrap_or_default()
    }

    /// As the head of a folder's name: `2026-03-01_141530`.
    fn stamp(&self) -> String {
        self.utc.trim_end_matches('Z').replace('T', "_").replace(':', "")
    }
}

/// The name of a record's folder: when, and what names the car: its VIN, else `named` (the job's own id or name of it), else the job's title.
pub fn record_name(at: &Moment, result: &ResultFile, named: Option<&str>) -> String {
    let car = result.vin.as_deref().or(named).or(result.title.as_deref()).unwrap_or("car");
    let mut plain = String::new();
    for c in car.chars() {
        match c {
            c if c.is_alphanumeric() => plain.push(c),
            _ if plain.ends_with('-') || plain.is_empty() => {}
            _ => plain.push('-'),
        }
    }
    let mut short: String = plain.chars().take(LONGEST_NAME).collect();
    // Where it is too long it ends with a word, not within one.
    if short.len() < plain.len()
        && !plain[short.len()..].starts_with('-')
        && let Some(end) = short.rfind('-')
    {
        short.truncate(end);
    }
    format!("{}_{}", at.stamp(), short.trim_end_matches('-'))
}

/// What is to be said where a record stands for another one that is of another car; `None` where both are of one, or one of them names none.
pub fn of_another_car(vin: Option<&str>, corrected: &str, its_vin: Option<&str>) -> Option<String> {
    another_car(&format!("It stands for {corrected}, which is of"), vin, its_vin)
}

/// The same, said of a record that a correction of another car stands for.
pub fn corrected_for_another_car(vin: Option<&str>, its_vin: Option<&str>) -> Option<String> {
    another_car("THAT CORRECTION IS OF", vin, its_vin)
}

fn another_car(head: &str, vin: Option<&str>, its_vin: Option<&str>) -> Option<String> {
    let (vin, its_vin) = (vin?, its_vin?);
    (!vin.eq_ignore_ascii_case(its_vin)).then(|| {
        format!(
            "{head} ANOTHER CAR: VIN {its_vin} there, {vin} here. Unless the number was mistyped, the wrong record was corrected: ask who made it before you rely on either."
        )
    })
}

/// What `record.json` says otherwise than the result beside it, in words; empty where they agree.
pub fn contradictions(record: &RecordFile, result: &ResultBrief) -> Vec<String> {
    let mut out = Vec::new();
    let mut same = |what: &str, of_record: Option<&str>, of_result: Option<&str>| {
        let differs = differs(what, of_record, of_result);
        out.extend(differs.map(|words| format!("record.json contradicts result.json: {words}")));
    };
    same("verdict", Some(record.verdict.words()), Some(result.verdict.words()));
    same("VIN", record.vin.as_deref(), result.vin.as_deref());
    same("title", record.title.as_deref(), result.title.as_deref());
    same("program", Some(&record.program), Some(&result.program));
    same("placement", Some(&record.placement.title), Some(&result.placement.title));
    same("placement's source", Some(&record.placement.source), Some(&result.placement.source));
    same("placement's revision", Some(&record.placement.revision), Some(&result.placement.revision));
    // Where nothing was measured the result has no car.
    if let Some(vehicle) = &result.vehicle {
        same("vehicle", record.vehicle.as_deref(), vehicle.name.as_deref());
        same("vehicle id", record.vehicle_id.as_deref(), vehicle.id.as_deref());
    }
    let (a, b) = (record.photographs.to_string(), result.photographs().to_string());
    same("number of photographs", Some(&a), Some(&b));
    out
}

/// Reads a record's `record.json`.
///
/// # Errors
/// It is not there or is no record of a version that this program knows.
pub fn read_record(folder: &Path) -> Result<RecordFile, Problem> {
    let path = folder.join(RECORD_FILE);
    let name = path.display().to_string();
    let bytes = crate::capture::read_file(&path, crate::limits::LARGEST_RESULT_BYTES)
        .map_err(|e| Problem::of_file(&name, e.to_string(), NO_RECORD))?;
    record_of(&bytes, &name)
}

/// What to do about a file that is no record.
const NO_RECORD: &str = "Name the folder of a record, the one that holds record.json and SHA256SUMS.";

/// The same from the file's bytes; `name` is the file in messages.
///
/// # Errors
/// They are no record of a version that this program knows.
pub fn record_of(bytes: &[u8], name: &str) -> Result<RecordFile, Problem> {
    let record: RecordFile = serde_json::from_slice(bytes)
        .map_err(|e| Problem::of_file(name, format!("this is no record of this version ({e})"), NO_RECORD))?;
    if record.format != RECORD_FORMAT {
        return Err(Problem::of_file(name, format!("\"{}\" is not the format of a record", record.format), NO_RECORD));
    }
    Ok(record)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_is_the_same_in_both_times() {
        let now = Moment::now();
        let utc: jiff::Timestamp = now.utc.parse().unwrap();
        let local: jiff::Timestamp = now.local.parse().unwrap();
        assert_eq!(utc, local);
        assert_eq!(Moment { utc: "2026-03-01T14:15:30Z".into(), local: String::new() }.stamp(), "2026-03-01_141530");
    }
}
