//! Made records: one real result in many folders, each with its own car, day, technician and values. Used by `tests/records.rs` and `benches/records.rs`.

#![allow(dead_code)] // each user takes its part

use plumbsight::index::{Index, Kind, Query};
use plumbsight::record::ResultFile;
use plumbsight::record::keep::manifest::{MANIFEST, manifest_text, sha256_hex};
use plumbsight::record::keep::{KitPart, RECORD_FILE, RECORD_FORMAT, RESULT_FILE, RecordFile};
use plumbsight::record::result::Verdict;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

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
        hold_doubt: None,
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

const MOST_REBUILD_S: f64 = 20.0;
const MOST_SEARCH_MS: f64 = 50.0;

/// Makes `n` records, indexes, refreshes and searches them, and prints how long each took beside what is wanted of 10,000.
pub fn timed(n: usize, result: &ResultFile) {
    let dir = tempfile::tempdir().unwrap();
    let folders = many(dir.path(), n, result);
    let bytes = std::fs::metadata(folders[0].join("result.json")).unwrap().len();
    println!("{n} made records, result.json of {} kB each", bytes / 1000);

    let begin = Instant::now();
    let index = Index::open(dir.path(), true).unwrap();
    let rebuilt = begin.elapsed().as_secs_f64();
    assert_eq!(index.refreshed.read, n);
    println!("rebuilt                      {rebuilt:8.2} s    (wanted: {MOST_REBUILD_S} s or less for 10,000)");
    drop(index);
    let begin = Instant::now();
    let index = Index::open(dir.path(), false).unwrap();
    assert_eq!(index.refreshed.read, 0);
    println!("opened, nothing changed      {:8.1} ms", begin.elapsed().as_secs_f64() * 1e3);

    let of = |text: &str| Some(text.to_owned());
    let first = Query { limit: 50, ..Query::default() };
    let searches = [
        ("the newest 50", first.clone()),
        ("whole VIN", Query { vin: of("1M8GDM9A000004711"), ..first.clone() }),
        ("part of a VIN", Query { vin: of("471"), ..first.clone() }),
        ("a month", Query { since: of("2024-03"), until: of("2024-03"), ..first.clone() }),
        ("placement", Query { placement: of("radar"), ..first.clone() }),
        ("verdict", Query { verdict: Some(Verdict::NotProven), ..first.clone() }),
        ("technician", Query { by: of("o'neil \"chip\" 100%"), ..first.clone() }),
        ("free text", Query { text: of("note number 777"), ..first.clone() }),
        ("nothing like it", Query { text: of("no such text anywhere"), ..first.clone() }),
        ("damaged", Query { damaged: true, ..first.clone() }),
        (
            "all asked at once",
            Query {
                vin: of("1m8"),
                since: of("2020"),
                until: of("2029"),
                verdict: Some(Verdict::In),
                by: of("müller"),
                text: of("invented"),
                ..first
            },
        ),
    ];
    for (name, query) in searches {
        let mut times = Vec::new();
        let mut total = 0;
        for _ in 0..5 {
            let begin = Instant::now();
            total = index.search(&query).unwrap().total;
            times.push(begin.elapsed().as_secs_f64() * 1e3);
        }
        let most = times.iter().copied().fold(0.0, f64::max);
        let least = times.iter().copied().fold(f64::INFINITY, f64::min);
        println!(
            "search: {name:<20} {least:8.2} ms    slowest of 5 {most:.2} ms (wanted: {MOST_SEARCH_MS} ms or less); {total} found"
        );
    }
    for kind in Kind::ALL {
        let begin = Instant::now();
        let trends = index.trends(kind, &Query::default()).unwrap();
        let (series, of) = (trends.series.len(), trends.measurements);
        println!(
            "trend:  {:<20} {:8.1} ms    {series} series of {of} measurements",
            kind.word(),
            begin.elapsed().as_secs_f64() * 1e3
        );
    }
}
