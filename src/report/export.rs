//! Records as a table for spreadsheets and as one JSON file for other programs.

use crate::record::{HoldRead, Problem, json_text};
use crate::report::evidence::{Evidence, Kept};
use crate::report::later::corrected_by;
use crate::session::keep::SignatureState;
use crate::uncertainty::digits::as_written;
use serde::Serialize;

/// The format line of an export.
pub const EXPORT_FORMAT: &str = "plumbsight/export/1";

#[derive(Serialize)]
struct ExportFile<'a> {
    format: &'static str,
    records: Vec<Exported<'a>>,
}

#[derive(Serialize)]
struct Exported<'a> {
    name: &'a str,
    /// `null` for a job folder.
    manifest_sha256: Option<&'a str>,
    /// Files that are not as they were recorded, in words.
    damage: Vec<String>,
    /// What the record says otherwise than its own result.
    contradictions: &'a [String],
    /// `none`, `good`, `BAD`; `null` for a job folder.
    signature: Option<&'static str>,
    /// The newest of the given records that corrects it.
    corrected_by: Option<String>,
    /// Why the log of the hold watch may hold more alarms than could be read.
    hold_log_unreadable: Option<String>,
    record: Option<&'a crate::record::keep::RecordFile>,
    result: Option<&'a crate::record::ResultFile>,
    /// Why there is no result.
    result_unreadable: Option<&'a str>,
}

fn manifest(evidence: &Evidence) -> Option<&str> {
    match &evidence.kept {
        Kept::Record { manifest_sha256, .. } => Some(manifest_sha256),
        Kept::Job => None,
    }
}

/// All records with everything they say, as JSON.
///
/// # Errors
/// It cannot be written as JSON.
pub fn export_json(all: &[Evidence]) -> Result<String, Problem> {
    let records = all
        .iter()
        .zip(corrected_by(all))
        .map(|(e, corrected_by)| Exported {
            corrected_by,
            name: &e.name,
            manifest_sha256: manifest(e),
            contradictions: match &e.kept {
                Kept::Record { contradictions, .. } => contradictions,
                Kept::Job => &[],
            },
            signature: e.signature().map(SignatureState::word),
            hold_log_unreadable: e.hold.as_ref().and_then(HoldRead::doubt),
            damage: e.damage().iter().map(|d| format!("{} {}", d.file, d.what.words())).collect(),
            record: e.record.as_ref(),
            result: e.result.as_ref().ok(),
            result_unreadable: e.result.as_ref().err().map(String::as_str),
        })
        .collect();
    json_text(&ExportFile { format: EXPORT_FORMAT, records }, "the export")
}

/// Headings of the table, a line for each deviation of each station.
const COLUMNS: [&str; 26] = [
    "record",
    "manifest_sha256",
    "as_recorded",
    "signature",
    "revision",
    "corrects",
    "corrected_by",
    "made_utc",
    "by",
    "vin",
    "vehicle",
    "title",
    "placement",
    "placement_source",
    "placement_revision",
    "verdict",
    "hold_alarms",
    "routine",
    "station",
    "component",
    "unit",
    "required",
    "deviation",
    "expanded_95",
    "tolerance",
    "component_verdict",
];

/// All records as a table (RFC 4180: commas, quoted where needed, CR LF): a line for each deviation of each station, one line for a record without
/// a measurement. A text that a spreadsheet would take for a formula gets an apostrophe before it.
pub fn csv_text(all: &[Evidence]) -> String {
    let mut out = String::new();
    line(&mut out, COLUMNS.map(str::to_owned).as_slice());
    for (e, corrected_by) in all.iter().zip(corrected_by(all)) {
        let record = e.record.as_ref();
        let result = e.result.as_ref().ok();
        let of = |text: Option<&String>| text.map(|t| harmless(t)).unwrap_or_default();
        let placement = result.map(|r| &r.placement).or(record.map(|r| &r.placement));
        let head = vec![
            harmless(&e.name),
            manifest(e).unwrap_or_default().to_owned(),
            match &e.kept {
                Kept::Record { .. } => if e.against().is_empty() { "yes" } else { "NO" }.to_owned(),
                Kept::Job => "no record".to_owned(),
            },
            e.signature().map_or(String::new(), |s| s.word().to_owned()),
            record.map_or(String::new(), |r| r.revision.to_string()),
            of(record.and_then(|r| r.corrects.as_ref()).map(|c| &c.record)),
            of(corrected_by.as_ref()),
            of(record.map(|r| &r.made_utc)),
            of(record.map(|r| &r.by)),
            of(result.and_then(|r| r.vin.as_ref())),
            of(record.and_then(|r| r.vehicle.as_ref())),
            of(result.and_then(|r| r.title.as_ref())),
            of(placement.map(|p| &p.title)),
            of(placement.map(|p| &p.source)),
            of(placement.map(|p| &p.revision)),
            result.map_or("cannot be read".to_owned(), |r| r.verdict.words().to_owned()),
            match e.hold.as_ref().map(HoldRead::doubt) {
                None if e.hold_alarms() == 0 => String::new(),
                None | Some(None) => e.hold_alarms().to_string(),
                Some(Some(_)) => format!("{} and lines that cannot be read", e.hold_alarms()),
            },
            of(e.outcome.as_ref().map(|o| &o.routine)),
        ];
        let stations = result.map_or(&[][..], |r| r.stations.as_slice());
        if stations.is_empty() {
            let mut all = head.clone();
            all.resize(COLUMNS.len(), String::new());
            line(&mut out, &all);
        }
        for station in stations {
            for (name, unit, d) in station.deviations.each() {
                let mut all = head.clone();
                all.extend([
                    harmless(&station.name),
                    name.to_owned(),
                    unit.to_owned(),
                    as_written(d.required),
                    d.deviation.to_string(),
                    d.expanded.to_string(),
                    d.tolerance.map_or(String::new(), as_written),
                    d.verdict.map_or("not asked", |v| v.words()).to_owned(),
                ]);
                line(&mut out, &all);
            }
        }
    }
    out
}

fn harmless(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

fn line(out: &mut String, cells: &[String]) {
    for (k, cell) in cells.iter().enumerate() {
        if k > 0 {
            out.push(',');
        }
        if cell.contains([',', '"', '\n', '\r']) {
            out.push('"');
            out.push_str(&cell.replace('"', "\"\""));
            out.push('"');
        } else {
            out.push_str(cell);
        }
    }
    out.push_str("\r\n");
}
