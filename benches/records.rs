//! The index over a folder of records: how long it takes to make, to refresh, to search; beside it the bytes that were read.
//!
//! `cargo bench --bench records` (10,000 records; `-- 500` for so many). The records are made from one real result, each with its own car, day and
//! technician; nothing in their folders is large but `result.json`, because nothing else but `record.json` and the manifest is read.

#[path = "../tests/made/mod.rs"]
mod made;

use plumbsight::index::{Index, Kind, Query};
use plumbsight::record::result::Verdict;
use plumbsight::record::{Purpose, read_job};
use plumbsight::session;
use std::path::Path;
use std::time::Instant;

const MOST_REBUILD_S: f64 = 20.0;
const MOST_SEARCH_MS: f64 = 50.0;

fn main() {
    let n = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(10_000);
    let bay = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a");
    let result = session::check(&read_job(&bay, Purpose::Verdict).unwrap(), &|_| {});
    let dir = tempfile::tempdir().unwrap();
    let folders = made::many(dir.path(), n, &result);
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
