//! A dark, dirty, busy bay: photographs of a made bay made worse, through detector, survey and verdict. What is said stays true: nothing that is out is called in
//! tolerance, the truth stays inside U, no tag is found where none is. `cargo bench --bench degradation` shows the whole table, path-traced bays too.

mod bays;
mod degrade;
mod traced;

use degrade::scenes::{SEED, made, painted, with_second_car};
use degrade::worse::Worse;
use degrade::{Outcome, Scene};
use plumbsight::record::result::Verdict;
use plumbsight::tags::{DetectOptions, detect};
use rayon::prelude::*;
use std::sync::OnceLock;

fn scene() -> &'static (plumbsight::scene::Bay, Scene) {
    static SCENE: OnceLock<(plumbsight::scene::Bay, Scene)> = OnceLock::new();
    SCENE.get_or_init(|| made(SEED))
}

fn clean() -> &'static Outcome {
    static CLEAN: OnceLock<Outcome> = OnceLock::new();
    CLEAN.get_or_init(|| scene().1.outcome(Worse::Nothing, None, 3))
}

/// What must hold however bad the photographs are.
#[track_caller]
fn honest(words: &str, outcome: &Outcome) {
    assert_ne!(outcome.just_out, Verdict::In, "{words}: a stand that is out was called in tolerance");
    assert_ne!(outcome.verdict, Verdict::Out, "{words}: a stand well inside was called out of tolerance");
    assert!(outcome.strange.is_empty(), "{words}: tags were found where none is: {:?}", outcome.strange);
    if let Some(worst) = outcome.worst() {
        // 95 % per figure: one in twenty may lie beyond U, none far beyond.
        assert!(worst < 1.5, "{words}: error of {worst:.2} U");
    }
    if outcome.verdict == Verdict::NotMeasured {
        assert!(outcome.reason.len() > 20, "{words}: no reason given: {}", outcome.reason);
    }
}

#[test]
fn the_clean_bay_is_proven() {
    assert_eq!(clean().verdict, Verdict::In, "{}", clean().reason);
    honest("as they are", clean());
}

#[test]
fn made_worse_in_every_way_it_stays_honest() {
    let steps = Worse::all();
    let (mut inside, mut figures) = (0, 0);
    // Every third step: each way is met, mild, middling or hopeless.
    for (case, worse) in steps.into_iter().enumerate().skip(1).step_by(3) {
        let outcome = scene().1.outcome(worse, Some(clean()), case);
        honest(&worse.words(), &outcome);
        if let Some(six) = outcome.six {
            figures += 6;
            inside += six.iter().filter(|[e, u]| e.abs() <= *u).count();
        }
    }
    assert!(figures >= 30, "{figures} figures only");
    assert!(10 * inside >= 9 * figures, "{inside} of {figures} inside U");
}

#[test]
fn uncertainty_grows_with_what_is_lost() {
    for (mild, strong) in [
        (Worse::Noise(5.0), Worse::Noise(25.0)),
        (Worse::SheetsMissing(2), Worse::SheetsMissing(9)),
        (Worse::PhotosKept(1), Worse::PhotosKept(2)),
    ] {
        let [mild, strong] = [mild, strong].map(|w| scene().1.outcome(w, Some(clean()), 1));
        let (Some(mild), Some(strong)) = (mild.growth(clean()), strong.growth(clean())) else { continue };
        assert!(strong[1] >= mild[1], "{mild:?} then {strong:?}");
        assert!(strong[1] > 1.01, "{strong:?}");
    }
}

/// A cell of several pixels is told from its neighbour in noise that breaks single pixels apart.
#[test]
fn tags_are_found_in_noise() {
    for (noise, least) in [(12.0, 0.9), (25.0, 0.75)] {
        let outcome = scene().1.outcome(Worse::Noise(noise), Some(clean()), 2);
        honest("noise", &outcome);
        let share = outcome.tags as f64 / clean().tags as f64;
        assert!(share > least, "noise of {noise}: {} of {} tags", outcome.tags, clean().tags);
        let ratio = outcome.corner_ratio().unwrap();
        assert!((0.6..1.3).contains(&ratio), "noise of {noise}: corners err by {ratio:.2} of what is stated");
    }
}

/// However far it is out of focus, the corners lie within what is stated: what blur carries in from beyond the white margin is part of it. The truth is where the sharp photographs
/// show the corners, because a round blur moves no edge.
#[test]
fn blur_never_outgrows_the_stated_uncertainty() {
    let (mut inside, mut figures) = (0, 0);
    for blur in [1.0, 2.0, 3.0, 4.0] {
        let outcome = scene().1.outcome(Worse::Blur(blur), Some(clean()), 2);
        honest("blur", &outcome);
        let ratio = outcome.corner_ratio().unwrap();
        println!("blur {blur} px: {} of what is stated, {:?}, {:?} U", ratio, outcome.verdict, outcome.worst());
        assert!(
            outcome.corners.len() > 20 && ratio < 1.3,
            "blur of {blur} px: corners err by {ratio:.2} of what is stated"
        );
        figures += outcome.six.map_or(0, |six| six.len());
        inside += outcome.six.iter().flatten().filter(|[e, u]| e.abs() <= *u).count();
    }
    assert!(figures >= 12 && 10 * inside >= 9 * figures, "{inside} of {figures} inside U");
}

#[test]
fn mirrored_tags_never_count() {
    for contrast in [0.3, 1.0] {
        let outcome = scene().1.outcome(Worse::Mirrored(contrast), Some(clean()), 2);
        honest("mirrored", &outcome);
    }
}

#[test]
fn a_second_car_with_tags_fools_nobody() {
    let (bay, scene) = scene();
    for other_ids in [true, false] {
        let options = DetectOptions { lens: Some(bay.lens), ..DetectOptions::default() };
        let found: Vec<_> =
            painted(&with_second_car(bay, other_ids)).par_iter().map(|p| Some(detect(p, &options))).collect();
        let n: usize = found.iter().flatten().map(Vec::len).sum();
        assert!(n > clean().tags + 5, "the second car is not seen: {n} tags, {} without it", clean().tags);
        honest("second car", &scene.judge(found, Vec::new(), Some(clean()), 3));
    }
}
