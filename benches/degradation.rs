//! Photographs made worse step by step, and what the program says of them: verdict, U, whether the truth stayed inside U.
//!
//! `cargo bench --bench degradation` runs a made bay and the shipped path-traced ones; `-- FOLDER...` any folder with `layout.json`, `truth.json` and photographs. `--only=WORDS` runs the
//! steps whose words begin so, `--corners` prints every tag's corner error against its stated uncertainty.

#[path = "../tests/bays/mod.rs"]
mod bays;
#[path = "../tests/degrade/mod.rs"]
mod degrade;
#[path = "../tests/traced/mod.rs"]
mod traced;

use degrade::scenes::{made, painted, traced as traced_scene, with_second_car};
use degrade::worse::Worse;
use degrade::{Outcome, Scene};
use plumbsight::record::result::Verdict;
use plumbsight::tags::{DetectOptions, Detection, detect};
use rayon::prelude::*;
use std::path::{Path, PathBuf};

use degrade::scenes::SEED;

#[derive(Default)]
struct Tally {
    cases: usize,
    figures: usize,
    outside: usize,
    false_in: usize,
    false_out: usize,
    strange: usize,
}

/// What `--NAME=` on the command line says.
fn said(name: &str) -> Option<String> {
    std::env::args().find_map(|a| a.strip_prefix(&format!("--{name}=")).map(str::to_owned))
}

fn main() {
    let only = said("only");
    let mut folders: Vec<PathBuf> =
        std::env::args().skip(1).filter(|a| !a.starts_with("--")).map(PathBuf::from).collect();
    let mut tally = Tally::default();
    let (bay, scene) = made(SEED);
    let clean = table(&scene, &mut tally);
    for other_ids in if only.is_none() { &[true, false][..] } else { &[] }.iter().copied() {
        let words = format!("second car, {}", if other_ids { "its own ids" } else { "the same ids" });
        let lens = DetectOptions { lens: Some(bay.lens), ..DetectOptions::default() };
        let found: Vec<Option<Vec<Detection>>> =
            painted(&with_second_car(&bay, other_ids)).par_iter().map(|p| Some(detect(p, &lens))).collect();
        row(&words, &scene.judge(found, Vec::new(), Some(&clean), 3), &clean, &mut tally);
    }
    if folders.is_empty() {
        folders.push(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a"));
        folders.push(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-d"));
    }
    for folder in &folders {
        let several = folder.join("truth.json");
        let truth: serde_json::Value =
            serde_json::from_slice(&std::fs::read(several).expect("a truth.json")).expect("JSON");
        let rolled = truth["positions"].as_array().map_or(0, Vec::len) > 1;
        table(&traced_scene(folder, (!rolled).then_some(0)), &mut tally);
    }
    println!(
        "{} cases, {} deviations judged: {} truths outside U ({:.1} %; 5 % by definition), {} called in tolerance that are just out, {} called out that are in, {} tags where none is",
        tally.cases,
        tally.figures,
        tally.outside,
        100.0 * tally.outside as f64 / tally.figures.max(1) as f64,
        tally.false_in,
        tally.false_out,
        tally.strange
    );
}

fn table(scene: &Scene, tally: &mut Tally) -> Outcome {
    println!("{}: {} photographs", scene.name, scene.pictures.len());
    println!(
        "{:<30} {:>5} {:>7} {:>8}  {:<16} {:<16} {:>11} {:>9}",
        "photographs", "tags", "strange", "corners", "well inside", "just out", "U / clean U", "|error|/U"
    );
    let clean = scene.outcome(Worse::Nothing, None, 3);
    if let Some([least, most]) = clean.growth(&scene.without_margin(3)) {
        println!(
            "(as they are U is {least:.4} to {most:.4} times what it would be without the doubt about the tags' margins)"
        );
    }
    let only = said("only").unwrap_or_default();
    for (case, worse) in Worse::all().into_iter().enumerate().filter(|(_, w)| w.words().starts_with(&only)) {
        let outcome = scene.outcome(worse, Some(&clean), case);
        row(&worse.words(), &outcome, &clean, tally);
        if std::env::args().any(|a| a == "--corners") {
            for c in &outcome.corners {
                println!(
                    "    cell {:.2} px, blur {:.2} px ({:.2} cells), error {:.3} px, d²/8 {:.1}",
                    c.cell_px,
                    c.blur_px,
                    c.blur_px / c.cell_px,
                    c.error_px,
                    c.d2
                );
            }
        }
    }
    clean
}

fn row(words: &str, outcome: &Outcome, clean: &Outcome, tally: &mut Tally) {
    let growth = outcome.growth(clean).map_or("-".into(), |[a, b]| format!("{a:.2}-{b:.2}"));
    let worst = outcome.worst().map_or("-".into(), |w| format!("{w:.2}"));
    let corners = outcome.corner_ratio().map_or("-".into(), |r| format!("{r:.2}"));
    println!(
        "{words:<30} {:>5} {:>7} {corners:>8}  {:<16} {:<16} {growth:>11} {worst:>9}  {}",
        outcome.tags,
        outcome.strange.len(),
        outcome.verdict.words(),
        outcome.just_out.words(),
        outcome.reason.chars().take(90).collect::<String>()
    );
    tally.cases += 1;
    tally.strange += outcome.strange.len();
    for one in &outcome.strange {
        println!("    {one}");
    }
    tally.false_in += usize::from(outcome.just_out == Verdict::In);
    tally.false_out += usize::from(outcome.verdict == Verdict::Out);
    if let Some(six) = outcome.six {
        tally.figures += 6;
        tally.outside += six.iter().filter(|[e, u]| e.abs() > *u).count();
    }
}
