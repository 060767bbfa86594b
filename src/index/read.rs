//! One record, read for the index: what it says of itself, what may change over the years, and whether its own files agree.
//!
//! `record.json`, `result.json` and the manifest are read and compared with their sums, the signature with the manifest. Photographs are not: that is `recheck`.

use super::store::Row;
use super::{Kind, SeriesValue};
use crate::capture::read_file;
use crate::limits::{LARGEST_RESULT_BYTES, LARGEST_WRITTEN_BYTES};
use crate::record::brief_of;
use crate::record::keep::manifest::{MANIFEST, SIGNATURE, read_manifest, sha256_hex};
use crate::record::keep::sign::PUBLIC_KEY;
use crate::record::keep::{JOB_FOLDER, RECORD_FILE, RESULT_FILE, RecordFile, contradictions, record_of};
use crate::record::{Problem, ResultBrief, json_text};
use crate::session::keep::{SignatureState, signature_of};
use std::path::Path;
use std::time::UNIX_EPOCH;

/// Files whose size and time tell whether a record must be read again; the first two make a folder a record.
const STAMPED: [&str; 5] = [RECORD_FILE, MANIFEST, RESULT_FILE, SIGNATURE, PUBLIC_KEY];

/// Sums that are taken from a damaged description: no record was corrected more often.
const MOST_CLAIMS: usize = 1000;

/// Size and time of the files that the index looks at, as one text; `None` where the folder holds neither a record's description nor a manifest.
///
/// # Errors
/// The folder cannot be looked into; what it holds is then not known.
pub(super) fn stamp(folder: &Path) -> std::io::Result<Option<String>> {
    let mut out = String::new();
    let mut there = false;
    for (k, name) in STAMPED.into_iter().enumerate() {
        match std::fs::metadata(folder.join(name)) {
            Ok(data) => {
                let time = data.modified().ok().and_then(|t| t.duration_since(UNIX_EPOCH).ok()).unwrap_or_default();
                out.push_str(&format!("{} {};", data.len(), time.as_nanos()));
                there |= k < 2;
            }
            Err(e) if e.kind() == std::io::ErrorKind::NotFound => out.push_str("-;"),
            Err(e) => return Err(e),
        }
        // Most folders on the way to the records are none.
        if k == 1 && !there {
            return Ok(None);
        }
    }
    Ok(Some(out))
}

/// Reads the record in `path`; `folder` is its name below the root.
///
/// A file that is there and cannot be read now (a share that stumbled, rights) is said to be so, and the row gets no stamp, so that it is tried again the next time.
pub(super) fn read(path: &Path, folder: String, stamp: String) -> Row {
    let mut damage: Vec<String> = Vec::new();
    let mut stamp = stamp;
    let mut bytes_of = |name: &str, most: u64| match read_file(&path.join(name), most) {
        Ok(bytes) => Ok(bytes),
        Err(fault) if fault.is_missing() => Err(format!("{name} is missing")),
        Err(fault) => {
            stamp.clear();
            Err(format!("{name}: {fault}"))
        }
    };
    let [manifest, record_bytes, result_bytes] =
        [(MANIFEST, LARGEST_WRITTEN_BYTES), (RECORD_FILE, LARGEST_RESULT_BYTES), (RESULT_FILE, LARGEST_RESULT_BYTES)]
            .map(|(name, most)| bytes_of(name, most));
    let mut kept = |read: Result<Vec<u8>, String>| read.map_err(|why| damage.push(why)).ok();
    let (manifest, record_bytes, result_bytes) = (kept(manifest), kept(record_bytes), kept(result_bytes));
    let sums = manifest.as_deref().and_then(read_manifest);
    if manifest.is_some() && sums.is_none() {
        damage.push(format!("{MANIFEST} was altered"));
    }
    let mut summed = |name: &str, bytes: Option<Vec<u8>>| {
        let bytes = bytes?;
        let sum = sha256_hex(&bytes);
        let as_kept = sums.as_ref().map(|s| s.get(name) == Some(&sum));
        if as_kept == Some(false) {
            damage.push(format!("{name} was altered"));
        }
        Some((bytes, sum, as_kept == Some(true)))
    };
    let (record_bytes, result_bytes) = (summed(RECORD_FILE, record_bytes), summed(RESULT_FILE, result_bytes));
    let vouched = record_bytes.as_ref().is_some_and(|(_, _, as_kept)| *as_kept);
    let (signature, signer) = signature_of(path, None).unwrap_or((SignatureState::Unreadable, None));
    damage.extend(signature.against().map(str::to_owned));
    if signature == SignatureState::Unreadable {
        stamp.clear();
    }
    let mut noted = |problem: Problem| damage.push(problem.what);
    let record = record_bytes.as_ref().and_then(|(bytes, ..)| record_of(bytes, RECORD_FILE).map_err(&mut noted).ok());
    let vouched = vouched && record.is_some();
    let claims = record_bytes.filter(|_| !vouched).map(|(bytes, ..)| sums_in(&bytes)).unwrap_or_default();
    let result = result_bytes.as_ref().and_then(|(bytes, ..)| brief_of(bytes, RESULT_FILE).map_err(&mut noted).ok());
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
        result_sha: result_bytes.map(|(_, sum, _)| sum),
        vouched,
        whole_manifest: sums.is_some(),
        claims,
        signer,
        by_result: result.map(|r| (r.vin, r.placement.title, r.verdict)),
        haystack: haystack(&folder, record.as_ref()),
        record,
        series,
        folder,
    }
}

/// Whatever in a damaged description may be the sum of a manifest: 64 hexadecimal digits in a row.
fn sums_in(bytes: &[u8]) -> Vec<String> {
    let text = String::from_utf8_lossy(bytes);
    let runs = text.split(|c: char| !c.is_ascii_hexdigit());
    runs.filter(|run| run.len() == 64).take(MOST_CLAIMS).map(str::to_lowercase).collect()
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
