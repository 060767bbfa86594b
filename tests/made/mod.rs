//! Made records: one real result in many folders, each with its own car, day, technician and values. Used by `tests/records.rs` and `benches/records.rs`.

#![allow(dead_code)] // each user takes its part

use plumbsight::record::ResultFile;
use plumbsight::record::keep::manifest::{MANIFEST, manifest_text, sha256_hex};
use plumbsight::record::keep::{KitPart, RECORD_FILE, RECORD_FORMAT, RESULT_FILE, RecordFile};
use plumbsight::record::result::Verdict;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// What every made record begins as: record `k` of a shop that keeps three records a day.
pub fn record(k: usize, result: &ResultFile) -> RecordFile {
    let day: jiff::civil::Date = "2020-01-01".parse().unwrap();
    let day = day.checked_add(jiff::Span::new().days((k / 3) as i64)).unwrap();
    let hour = 8 + 3 * (k % 3);
    let vehicle = result.vehicle.as_ref();
    RecordFile {
        format: RECORD_FORMAT.into(),
        program: result.program.clone(),
        machine: "invented".into(),
        made_utc: format!("{day}T{hour:02}:00:00Z"),
        made_local: format!("{day}T{:02}:00:00+01:00", hour + 1),
        by: ["A. Invented", "B. Müller-Ørsted", "C. O'Neil \"Chip\" 100%"][k % 3].into(),
        note: k.is_multiple_of(10).then(|| format!("note number {k}")),
        revision: 1,
        corrects: None,
        title: result.title.clone(),
        vin: Some(format!("1M8GDM9A{k:09}")),
        vehicle: vehicle.and_then(|v| v.name.clone()),
        vehicle_id: vehicle.and_then(|v| v.id.clone()),
        verdict: [Verdict::In, Verdict::Out, Verdict::NotProven][k % 7 % 3],
        placement: result.placement.clone(),
        photographs: result.photographs.len(),
        kit: Some(KitPart { file: "bodies.toml".into(), sha256: sha256_hex(b"invented kit") }),
        readiness_open: None,
        hold_alarms: None,
        outcome: None,
    }
}

/// Writes a record: the smallest folder that has everything the index looks at. Title, car, verdict and placement of the result are made those of the record.
pub fn write(root: &Path, name: &str, record: &RecordFile, result: &ResultFile) -> PathBuf {
    let folder = root.join(name);
    std::fs::create_dir_all(folder.join("job")).unwrap();
    let mut result = result.clone();
    result.vin = record.vin.clone();
    result.verdict = record.verdict;
    result.title = record.title.clone();
    result.placement = record.placement.clone();
    let mut sums = BTreeMap::new();
    for (file, bytes) in [
        (RECORD_FILE, serde_json::to_vec_pretty(record).unwrap()),
        (RESULT_FILE, serde_json::to_vec_pretty(&result).unwrap()),
        ("job/bodies.toml", b"invented kit".to_vec()),
    ] {
        std::fs::write(folder.join(file), &bytes).unwrap();
        sums.insert(file.to_owned(), sha256_hex(&bytes));
    }
    std::fs::write(folder.join(MANIFEST), manifest_text(&sums)).unwrap();
    folder
}

/// `n` of them, as the shop would have kept them; returns their folders.
pub fn many(root: &Path, n: usize, result: &ResultFile) -> Vec<PathBuf> {
    (0..n)
        .map(|k| {
            let record = record(k, result);
            let name =
                format!("{}_{}", record.made_utc.replace(':', "").trim_end_matches('Z'), record.vin.as_ref().unwrap());
            write(root, &name, &record, result)
        })
        .collect()
}
