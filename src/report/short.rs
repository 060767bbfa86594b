//! The short version: a few lines of plain text to mail.

use crate::report::evidence::{Evidence, Kept};
use crate::report::figures::{Lengths, SixLine};
use crate::report::first::warnings;
use std::fmt::Write;

/// Widest line; mail programs leave lines up to 78 characters as they are (RFC 5322, 2.1.1).
const WIDTH: usize = 78;

/// The text, one page at most for one station.
pub fn short_text(evidence: &Evidence, lengths: Lengths) -> String {
    let mut out = String::new();
    // Writing to a text cannot fail; the results of `writeln!` are dropped for that reason.
    let result = match &evidence.result {
        Ok(result) => result,
        Err(why) => {
            wrap(&mut out, "", &format!("Record {}: the result cannot be read. {why}", evidence.name));
            warnings(evidence).iter().for_each(|w| wrap(&mut out, "! ", w));
            return out;
        }
    };
    let _ = writeln!(out, "Place of the calibration target: {}", evidence.said(result.verdict).to_uppercase());
    wrap(&mut out, "", evidence.meaning(result.verdict));
    let _ = writeln!(out);
    for warning in warnings(evidence) {
        wrap(&mut out, "! ", &warning);
    }
    let record = evidence.record.as_ref();
    let vehicle =
        result.vehicle.as_ref().and_then(|v| v.name.clone()).or_else(|| record.and_then(|r| r.vehicle.clone()));
    let p = &result.placement;
    let facts = [
        ("Vehicle", vehicle),
        ("VIN", result.vin.clone()),
        ("Job", result.title.clone()),
        ("Procedure", Some(format!("{}; published in {}; revision {}", p.title, p.source, p.revision))),
        ("Kept by", record.map(|r| format!("{}, {}", r.by, r.made_local))),
        ("Record", record.map(|r| format!("{}, revision {}", evidence.name, r.revision))),
    ];
    for (what, text) in facts {
        wrap(&mut out, "", &format!("{what}: {}", text.unwrap_or_else(|| "not stated".into())));
    }
    if let Some(why) = &result.not_measured {
        wrap(&mut out, "", &format!("Why there is no measurement: {why}"));
    }
    for station in &result.stations {
        let _ = writeln!(out);
        wrap(&mut out, "", &format!("{}: {}", station.name, evidence.said(station.verdict)));
        let _ = writeln!(out, "{:<10}{:>12}{:>12}{:>12}{:>12}", "", "required", "deviation", "U (95 %)", "tolerance");
        for (name, unit, d) in station.deviations.each() {
            let line = SixLine::of(d, lengths.of(unit));
            let state = d.verdict.map_or("", |v| v.words());
            let SixLine { required, deviation, expanded, tolerance, .. } = line;
            let tolerance = tolerance.unwrap_or_else(|| "not asked".into());
            let _ = writeln!(out, "{name:<10}{required:>12}{deviation:>12}{expanded:>12}{tolerance:>12}  {state}");
        }
    }
    let _ = writeln!(out);
    wrap(&mut out, "", &result.caution);
    if let Kept::Record { manifest_sha256, .. } = &evidence.kept {
        let _ = writeln!(out, "\nSHA-256 of the record's manifest (sha256sum SHA256SUMS):\n{manifest_sha256}");
    }
    out
}

/// Broken at spaces; control characters, which could act on a terminal or a mail, are shown by their code.
fn wrap(out: &mut String, first: &str, text: &str) {
    let mut line = first.to_owned();
    let rest = " ".repeat(first.len());
    let mut empty = true;
    for word in text.split_whitespace() {
        let shown: String = word
            .chars()
            .map(|c| if c.is_control() { format!("[U+{:04X}]", u32::from(c)) } else { c.to_string() })
            .collect();
        if !empty && line.chars().count() + 1 + shown.chars().count() > WIDTH {
            out.push_str(line.trim_end());
            out.push('\n');
            line.clone_from(&rest);
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(&shown);
        empty = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
}
