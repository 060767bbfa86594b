//! Path-traced bays against their truth: errors, stated uncertainties, times and memory.
//!
//! `cargo bench --bench bays` runs the shipped bay; `cargo bench --bench bays -- FOLDER...` any folder with `layout.json`, `truth.json` and photographs. For
//! each roll position: clamps declared by limits, then with their true run-out.

#[path = "../tests/traced/mod.rs"]
mod traced;

use plumbsight::placement::Component;
use plumbsight::units::{deg_from_rad, mm_from_m};
use std::path::{Path, PathBuf};
use traced::{Clamps, run};

fn main() {
    let mut folders: Vec<PathBuf> =
        std::env::args().skip(1).filter(|a| !a.starts_with("--")).map(PathBuf::from).collect();
    if folders.is_empty() {
        folders.push(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a"));
    }
    for folder in &folders {
        let photos = folder.join("photos");
        let photos = if photos.is_dir() { photos } else { folder.clone() };
        for position in 0..positions(folder) {
            for clamps in [Clamps::Limits, Clamps::Known] {
                show(folder, &photos, position, clamps);
            }
        }
    }
}

fn positions(folder: &Path) -> usize {
    let text = std::fs::read(folder.join("truth.json")).expect("a truth.json in the folder");
    let truth: serde_json::Value = serde_json::from_slice(&text).expect("truth.json is JSON");
    truth["positions"].as_array().map_or(0, Vec::len)
}

fn show(folder: &Path, photos: &Path, position: usize, clamps: Clamps) {
    let bay = run(folder, photos, position, clamps);
    let survey = &bay.measured.survey;
    let rejected = survey.views.iter().filter(|v| !v.used).count();
    println!(
        "{} position {position}, clamps {}: {} photographs, {} tag views, {rejected} rejected, unmodelled noise {:.3} px",
        folder.display(),
        if clamps == Clamps::Known { "known" } else { "by limits" },
        survey.photos.len(),
        survey.views.len(),
        survey.unmodelled_px
    );
    for component in Component::ALL {
        let k = component.index();
        let (edge, unit): (fn(f64) -> f64, _) =
            if component.is_angle() { (deg_from_rad, "deg") } else { (mm_from_m, "mm") };
        let estimate = bay.assessment.stations[0].deviations[k].deviation;
        let (truth, got, u) = (edge(bay.truth[k]), edge(estimate.value), edge(estimate.expanded));
        let inside = if (got - truth).abs() <= u { "inside U" } else { "OUTSIDE U" };
        println!(
            "  {:9} truth {truth:+8.3} measured {got:+8.3} error {:+7.3} U {u:7.3} {unit:3} {inside}",
            component.name(),
            got - truth
        );
    }
    let s = &bay.stand_on_sheets;
    println!(
        "  stand against the floor sheets alone: {:+.3} {:+.3} {:+.3} mm, {:+.4} {:+.4} {:+.4} deg",
        mm_from_m(s[0]),
        mm_from_m(s[1]),
        mm_from_m(s[2]),
        deg_from_rad(s[3]),
        deg_from_rad(s[4]),
        deg_from_rad(s[5])
    );
    println!(
        "  photographs and tags {:.2} s, survey and judging {:.2} s, peak memory of the process {}",
        bay.seconds[0],
        bay.seconds[1],
        peak_memory().unwrap_or_else(|| "not known here".into())
    );
}

/// The process's peak resident memory as Linux tells it.
fn peak_memory() -> Option<String> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find(|l| l.starts_with("VmHWM"))?;
    Some(line.trim_start_matches("VmHWM:").trim().to_owned())
}
