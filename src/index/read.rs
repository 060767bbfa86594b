//! One record, read for the index: what it says of itself, what may change over the years, and whether its own files agree.
//!
//! `record.json`, `result.json` and the manifest are read and compared with their sums. Photographs are not: that is `recheck`.

use super::store::Row;
use super::{Kind, SeriesValue};
use crate::capture::read_file;
use crate::limits::{LARGEST_RESULT_BYTES, LARGEST_WRITTEN_BYTES};
use crate::record::brief_of;
use crate::record::keep::manifest::{MANIFEST, read_manifest, sha256_hex};
use crate::record::keep::{JOB_FOLDER, RECORD_FILE, RESULT_FILE, RecordFile, contradictions, record_of};
use crate::record::{Problem, ResultBrief, json_text};
use std::path::Path;
use std::time::UNIX_EPOCH;

/// Files whose size and time tell whether a record must be read again.
const STAMPED: [&str; 3] = [RECORD_FILE, RESULT_FILE, MANIFEST];

/// Size and time of the files that the index looks at, as one text; `None` where the folder holds neither a record's description nor a manifest.
pub(super) fn stamp(folder: &Path) -> Option<String> {
    let mut out = String::new();
    let mut there = false;
    for name in STAMPED {
        match std::fs::metadata(folder.join(name)) {
            Ok(data) => {
                let time = data.modified().ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok()).unwrap_or_default();
                out.push_str(&format!("{} {};", data.len(), time.as_nanos()));
                there |= name != RESULT_FILE;
            }
            Err(_) => out.push_str("-;"),
        }
    }
    there.then_some(out)
}

/// Reads the record in `path`; `folder` is its name below the root.
pub(super) fn read(path: &Path, folder: String, stamp: String) -> Row {
    let mut damage: Vec<String> = Vec::new();
    let manifest = read_file(&path.join(MANIFEST), LARGEST_WRITTEN_BYTES).ok();
    let sums = manifest.as_deref().map(read_manifest);
    match &sums {
        None => damage.push(format!("{MANIFEST} is missing")),
        Some(None) => damage.push(format!("{MANIFEST} was altered")),
        Some(Some(_)) => {}
    }
    let sums = sums.flatten();
    let mut file = |name: &str| -> Option<(Vec<u8>, String)> {
        let Ok(bytes) = read_file(&path.join(name), LARGEST_RESULT_BYTES) else {
            damage.push(format!("{name} is missing"));
            return None;
        };
        let sum = sha256_hex(&bytes);
        if sums.as_ref().is_some_and(|s| s.get(name) != Some(&sum)) {
            damage.push(format!("{name} was altered"));
        }
        Some((bytes, sum))
    };
    let (record_bytes, result_bytes) = (file(RECORD_FILE), file(RESULT_FILE));
    let mut noted = |problem: Problem| damage.push(problem.what);
    let record = record_bytes.and_then(|(bytes, _)| record_of(&bytes, RECORD_FILE).map_err(&mut noted).ok());
    let result = result_bytes.as_ref().and_then(|(bytes, _)| brief_of(bytes, RESULT_FILE).map_err(&mut noted).ok());
    if let (Some(record), Some(result)) = (&record, &result) {
        damage.extend(contradictions(record, result));
    }
    let kit = record
        .as_ref()
        .and_then(|r| r.kit.as_ref().map(|k| k.sha256.clone()))
        .or_else(|| sums.as_ref()?.get(&format!("{JOB_FOLDER}/bodies.toml")).cloned());
    let series = result.as_ref().map(|r| series(r, kit.as_deref())).unwrap_or_default();
    Row {
        stamp,
        damage: (!damage.is_empty()).then(|| damage.join("; ")),
        manifest_sha: manifest.map(|bytes| sha256_hex(&bytes)),
        result_sha: result_bytes.map(|(_, sum)| sum),
        haystack: haystack(&folder, record.as_ref()),
        record,
        series,
        folder,
    }
}

/// All that free text is looked for in, in small letters.
fn haystack(folder: &str, record: Option<&RecordFile>) -> String {
    let mut out = folder.to_owned();
    if let Some(r) = record {
        let outcome = r.outcome.as_ref();
        let texts = [
            Some(r.by.as_str()),
            r.note.as_deref(),
            r.title.as_deref(),
            r.vin.as_deref(),
            r.vehicle.as_deref(),
            r.vehicle_id.as_deref(),
            Some(&r.placement.title),
            Some(&r.placement.source),
            Some(&r.placement.revision),
            Some(r.verdict.words()),
            r.corrects.as_ref().map(|c| c.reason.as_str()),
            outcome.map(|o| o.scan_tool.as_str()),
            outcome.map(|o| o.routine.as_str()),
            outcome.and_then(|o| o.message.as_deref()),
            outcome.and_then(|o| o.fault_codes.as_deref()),
            outcome.and_then(|o| o.road_test.as_deref()),
            outcome.and_then(|o| o.note.as_deref()),
        ];
        for text in texts.into_iter().flatten() {
            out.push('\n');
            out.push_str(text);
        }
    }
    out.to_lowercase()
}

/// What may change over the years, by kind: the kit (or lens profile) it belongs to, and the values.
fn series(result: &ResultBrief, kit: Option<&str>) -> Vec<(Kind, String, Vec<SeriesValue>)> {
    let mut out = Vec::new();
    for lens in &result.lenses {
        let (Some(found), Some(u)) = (lens.corrected, lens.u) else { continue };
        // The same numbers, the same profile: a profile made anew begins a series of its own.
        let Ok(profile) = json_text(&lens.profile, "a lens") else { continue };
        let [width, height] = lens.image_size;
        let name = format!("{} ({}, {width} x {height})", lens.camera, lens.file);
        let value = SeriesValue { name, part: "focal length".into(), value: found.fx_px, u: u.fx_px };
        out.push((Kind::Lens, sha256_hex(profile.as_bytes()), vec![value]));
    }
    let Some(kit) = kit else { return out };
    let heights: Vec<SeriesValue> = result
        .vehicle
        .iter()
        .flat_map(|v| &v.sheet_heights)
        .map(|s| SeriesValue {
            name: s.body.clone(),
            part: "height".into(),
            value: s.height_mm.value,
            u: s.height_mm.u,
        })
        .collect();
    out.push((Kind::Floor, kit.to_owned(), heights));
    for (kind, word) in [(Kind::Plates, "plate"), (Kind::Stand, "stand")] {
        let of_kind = |body: &str| result.bodies.iter().any(|b| b.name == body && b.kind == word);
        let mut values = Vec::new();
        for tag in result.tag_places.iter().filter(|t| of_kind(&t.body)) {
            for (k, axis) in ["x", "y", "z"].into_iter().enumerate() {
                values.push(SeriesValue {
                    name: format!("{}, tag {}", tag.body, tag.tag),
                    part: axis.into(),
                    value: tag.shift_mm[k],
                    u: tag.u_shift_mm[k],
                });
            }
        }
        out.push((kind, kit.to_owned(), values));
    }
    out.retain(|(_, _, values)| !values.is_empty());
    out
}
