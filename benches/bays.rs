//! Path-traced bays against their truth: errors, stated uncertainties, times and memory.
//!
//! `cargo bench --bench bays` runs the shipped bays (of the rolled one as many photographs as are shipped); `cargo bench --bench bays -- FOLDER...` any folder with `layout.json`, `truth.json` and photographs. For
//! each roll position: clamps declared by limits, then with their true run-out.

#[path = "../tests/traced/mod.rs"]
mod traced;

use plumbsight::placement::Component;
use plumbsight::units::{deg_from_rad, mm_from_m};
use std::path::{Path, PathBuf};
use traced::{Clamps, Traced, run, run_rolled, true_toe};

fn main() {
    let mut folders: Vec<PathBuf> =
        std::env::args().skip(1).filter(|a| !a.starts_with("--")).map(PathBuf::from).collect();
    if folders.is_empty() {
        folders.extend(["bay-a", "bay-d"].map(|f| Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures").join(f)));
    }
    for folder in &folders {
        let photos = folder.join("photos");
        let photos = if photos.is_dir() { photos } else { folder.clone() };
        // Of a rolled bay that is shipped in part, single positions have too few photographs.
        let whole = photos != folder.join("photos") || positions(folder) == 1;
        for position in 0..if whole { positions(folder) } else { 0 } {
            for clamps in [Clamps::Limits, Clamps::Known] {
                let title = format!(
                    "position {position}, clamps {}",
                    if clamps == Clamps::Known { "known" } else { "by limits" }
                );
                show(folder, &title, run(folder, &photos, position, clamps));
            }
        }
        if positions(folder) > 1 {
            show(folder, "all positions as one job, nothing said about run-out", run_rolled(folder, &photos));
        }
    }
}

fn positions(folder: &Path) -> usize {
    let text = std::fs::read(folder.join("truth.json")).expect("a truth.json in the folder");
    let truth: serde_json::Value = serde_json::from_slice(&text).expect("truth.json is JSON");
    truth["positions"].as_array().map_or(0, Vec::len)
}

fn show(folder: &Path, title: &str, bay: Traced) {
    let survey = &bay.measured.survey;
    let rejected = survey.views.iter().filter(|v| !v.used).count();
    println!(
        "{} {title}: {} photographs, {} tag views, {rejected} rejected, unmodelled noise {:.3} px",
        folder.display(),
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
    for wheel in &bay.assessment.vehicle.wheels {
        let truth = true_toe(&bay.job, wheel.corner);
        println!(
            "  {} toe against the thrust line {:+.4} deg, error {:+.4}, U {:.4}; camber error {:+.4}, U {:.4}",
            wheel.corner.name(),
            deg_from_rad(wheel.toe.value),
            deg_from_rad(wheel.toe.value - truth[0]),
            deg_from_rad(wheel.toe.expanded),
            deg_from_rad(wheel.camber.value - truth[1]),
            deg_from_rad(wheel.camber.expanded)
        );
    }
    if let Some(Ok(roll)) = &survey.roll {
        println!(
            "  roll test {:.1} of {:.1} with {} degrees of freedom",
            roll.check.statistic, roll.check.limit, roll.check.dof
        );
        for wheel in &roll.wheels {
            println!(
                "  clamp tilt found {:.3} deg, hub in plate {:+.2} {:+.2} {:+.2} mm, turns {:?}",
                deg_from_rad(wheel.run_out_rad),
                mm_from_m(wheel.hub_in_plate.coords.x),
                mm_from_m(wheel.hub_in_plate.coords.y),
                mm_from_m(wheel.hub_in_plate.coords.z),
                wheel.turns.iter().map(|(p, t)| (*p, deg_from_rad(*t).round())).collect::<Vec<_>>()
            );
        }
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
