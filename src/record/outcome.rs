//! `outcome.toml`: what the scan tool said and how the road test went, typed in by a person.

use crate::record::document::Document;
use crate::record::problem::Problem;
use crate::record::write::write_atomically;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The file's name in a job folder.
pub const OUTCOME_FILE: &str = "outcome.toml";

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct OutcomeFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    scan_tool: String,
    routine: Routine,
    message: Option<String>,
    fault_codes: Option<String>,
    road_test: Option<RoadTest>,
    note: Option<String>,
}

/// How the scan tool's routine ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
pub enum Routine {
    /// It said that it is done.
    #[serde(rename = "completed")]
    Completed,
    /// It broke off.
    #[serde(rename = "failed")]
    Failed,
    /// It was not started.
    #[serde(rename = "not run")]
    NotRun,
}

impl Routine {
    /// All of them.
    pub const ALL: [Routine; 3] = [Routine::Completed, Routine::Failed, Routine::NotRun];

    /// The word in the file.
    pub fn word(self) -> &'static str {
        match self {
            Routine::Completed => "completed",
            Routine::Failed => "failed",
            Routine::NotRun => "not run",
        }
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct RoadTest {
    driven: bool,
    words: String,
}

/// What came after the measurement, as it stands in a record.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutcomePart {
    /// Which scan tool, in the shop's words.
    pub scan_tool: String,
    /// `completed`, `failed` or `not run`.
    pub routine: String,
    /// What it said.
    pub message: Option<String>,
    /// Fault codes afterwards.
    pub fault_codes: Option<String>,
    /// True where a road test was driven; `null` where nothing is said.
    pub road_test_driven: Option<bool>,
    /// How it went, or why none was driven.
    pub road_test: Option<String>,
    /// Anything else.
    pub note: Option<String>,
}

/// Reads the outcome of a job folder; `None` where there is no such file.
///
/// # Errors
/// The file is not in order.
pub fn read_outcome(folder: &Path) -> Result<Option<OutcomePart>, Problem> {
    let path = folder.join(OUTCOME_FILE);
    if !path.exists() {
        return Ok(None);
    }
    let document = Document::read(&path, &path.display().to_string(), "outcome")?;
    let file: OutcomeFile = document.typed()?;
    for (key, text) in
        [("scan_tool", Some(&file.scan_tool)), ("road_test.words", file.road_test.as_ref().map(|r| &r.words))]
    {
        if text.is_some_and(|t| t.trim().is_empty()) {
            return Err(document.problem(key, "nothing is written there", "Say it in a few words."));
        }
    }
    Ok(Some(OutcomePart {
        scan_tool: file.scan_tool,
        routine: file.routine.word().into(),
        message: file.message,
        fault_codes: file.fault_codes,
        road_test_driven: file.road_test.as_ref().map(|r| r.driven),
        road_test: file.road_test.map(|r| r.words),
        note: file.note,
    }))
}

/// Writes an outcome into a job folder, in the place of what was there.
///
/// # Errors
/// It says something that the file cannot hold, or cannot be written; what was there then stays.
pub fn write_outcome(folder: &Path, part: &OutcomePart) -> Result<(), Problem> {
    let path = folder.join(OUTCOME_FILE);
    let quoted = |text: &str| toml::Value::String(text.to_owned()).to_string();
    let mut text = format!("format = \"plumbsight/outcome/1\"\nscan_tool = {}\n", quoted(&part.scan_tool));
    text.push_str(&format!("routine = {}\n", quoted(&part.routine)));
    for (key, value) in [("message", &part.message), ("fault_codes", &part.fault_codes), ("note", &part.note)] {
        if let Some(value) = value {
            text.push_str(&format!("{key} = {}\n", quoted(value)));
        }
    }
    if let (Some(driven), Some(words)) = (part.road_test_driven, &part.road_test) {
        text.push_str(&format!("\n[road_test]\ndriven = {driven}\nwords = {}\n", quoted(words)));
    }
    // What could not be read again must not replace what can.
    Document::parse(text.clone(), &path.display().to_string(), "outcome")?.typed::<OutcomeFile>()?;
    write_atomically(&path, text.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_outcome_is_read_and_slips_are_named() {
        let dir = tempfile::tempdir().unwrap();
        assert_eq!(read_outcome(dir.path()).unwrap(), None);
        let write = |text: &str| {
            let text = format!("format = \"plumbsight/outcome/1\"\n{text}");
            std::fs::write(dir.path().join(OUTCOME_FILE), text).unwrap();
            read_outcome(dir.path())
        };
        let good = write(
            "scan_tool = \"the shop's\"\nroutine = \"completed\"\n[road_test]\ndriven = true\nwords = \"20 km, nothing odd\"\n",
        );
        let good = good.unwrap().unwrap();
        assert_eq!((good.routine.as_str(), good.road_test_driven), ("completed", Some(true)));
        assert_eq!(write("scan_tool = \"x\"\nroutine = \"fine\"\n").unwrap_err().line, Some(3));
        assert_eq!(write("scan_tool = \" \"\nroutine = \"failed\"\n").unwrap_err().line, Some(2));
    }

    #[test]
    fn what_is_written_is_read_again() {
        let dir = tempfile::tempdir().unwrap();
        let part = OutcomePart {
            scan_tool: "the \"old\" one \\ 2".into(),
            routine: "failed".into(),
            message: Some("line one\nline two".into()),
            fault_codes: None,
            road_test_driven: Some(false),
            road_test: Some("rain".into()),
            note: Some("#1 = later".into()),
        };
        write_outcome(dir.path(), &part).unwrap();
        assert_eq!(read_outcome(dir.path()).unwrap(), Some(part.clone()));
        let wrong = OutcomePart { routine: "fine".into(), ..part.clone() };
        assert!(write_outcome(dir.path(), &wrong).is_err());
        assert_eq!(read_outcome(dir.path()).unwrap(), Some(part), "what was there stays");
    }
}
