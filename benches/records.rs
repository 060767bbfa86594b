//! The index over a folder of records: how long it takes to make, to refresh, to search, beside what is wanted.
//!
//! `cargo bench --bench records` (10,000 records; `-- 500` for so many). The records are made from one real result, each with its own car, day and
//! technician; nothing in their folders is large but `result.json`, because nothing else but `record.json` and the manifest is read.
//! `PLUMBSIGHT_RECORDS=10000 cargo test --test records timed -- --nocapture` prints the same.

#[path = "../tests/made/mod.rs"]
mod made;

use plumbsight::record::{Purpose, read_job};
use plumbsight::session;
use std::path::Path;

fn main() {
    let n = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(10_000);
    let bay = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a");
    made::timed(n, &session::check(&read_job(&bay, Purpose::Verdict).unwrap(), &|_| {}));
}
