//! Stated uncertainty against known truth: over many made bays, U95 must cover 95 % of the errors, and the decision rule must keep its promise.
//!
//! `cargo test --release --test coverage -- --nocapture` prints the table; `PLUMBSIGHT_BAYS=5000` runs a longer campaign.

mod bays;

use nalgebra::SMatrix;
use plumbsight::camera::N_LENS;
use plumbsight::fit::normal_cdf;
use plumbsight::placement::Component;
use plumbsight::scene::{Bay, BayOptions, LensKnowledge, LimitLaw, SixOffsets};
use plumbsight::uncertainty::K_95;
use plumbsight::units::{m_from_mm, rad_from_deg};
use plumbsight::verdict::State;
use rayon::prelude::*;

/// One bay: for each component whether the truth lay inside U, the error in units of u, the truth against the tolerance, and the verdict.
struct Outcome {
    seed: u64,
    covered: [bool; 6],
    error_in_u: [f64; 6],
    u: [f64; 6],
    truth: [f64; 6],
    tolerance: [f64; 6],
    states: [State; 6],
}

fn options(seed: u64, law: LimitLaw) -> BayOptions {
    // fx fy cx cy k1 k2 p1 p2 k3: what a careful lens profile states.
    let sigma = [0.8, 0.8, 0.8, 0.8, 5e-4, 1e-3, 5e-5, 5e-5, 0.0];
    let cov = SMatrix::<f64, N_LENS, N_LENS>::from_fn(|r, c| if r == c { sigma[r] * sigma[r] } else { 0.0 });
    BayOptions {
        seed,
        lens_knowledge: LensKnowledge::Measured(Box::new(cov)),
        limit_law: law,
        stand_spread: SixOffsets {
            distance_m: m_from_mm(14.0),
            lateral_m: m_from_mm(40.0),
            height_m: m_from_mm(8.0),
            yaw_rad: rad_from_deg(0.8),
            pitch_rad: rad_from_deg(0.3),
            roll_rad: rad_from_deg(0.3),
        },
        sigma_place_m: m_from_mm(0.2),
        sigma_place_rad: rad_from_deg(0.05),
        ..BayOptions::default()
    }
}

fn outcome(seed: u64, law: LimitLaw) -> Outcome {
    let bay = Bay::new(&options(seed, law)).expect("the options are possible");
    let tolerance =
        [m_from_mm(8.0), m_from_mm(25.0), m_from_mm(4.0), rad_from_deg(0.5), rad_from_deg(0.2), rad_from_deg(0.2)];
    let survey = bays::survey_of(&bay).expect("a made bay can be surveyed");
    let assessment = bays::assessment_of(&bay, &survey, &bays::placement_of(&bay, tolerance.map(Some)));
    let station = &assessment.stations[0];
    let truth = bay.stand_offsets().to_array();
    let error = |k: usize| station.deviations[k].deviation.value - truth[k];
    Outcome {
        seed,
        covered: std::array::from_fn(|k| error(k).abs() <= station.deviations[k].deviation.expanded),
        error_in_u: std::array::from_fn(|k| error(k) / station.deviations[k].deviation.u),
        u: std::array::from_fn(|k| station.deviations[k].deviation.u),
        truth,
        tolerance,
        states: std::array::from_fn(|k| station.deviations[k].state.expect("every component has a tolerance")),
    }
}

fn outcomes(law: LimitLaw) -> Vec<Outcome> {
    let n: u64 = std::env::var("PLUMBSIGHT_BAYS").ok().and_then(|n| n.parse().ok()).unwrap_or(500);
    (1..=n).into_par_iter().map(|seed| outcome(seed, law)).collect()
}

#[test]
fn u95_covers_95_percent_and_no_bad_stand_passes_more_often_than_promised() {
    let all = outcomes(LimitLaw::Normal);
    let n = all.len() as f64;
    for component in Component::ALL {
        let k = component.index();
        let covered = all.iter().filter(|o| o.covered[k]).count() as f64 / n;
        let rms = (all.iter().map(|o| o.error_in_u[k] * o.error_in_u[k]).sum::<f64>() / n).sqrt();
        let bad: Vec<&Outcome> = all.iter().filter(|o| o.truth[k].abs() > o.tolerance[k]).collect();
        let passed: Vec<u64> = bad.iter().filter(|o| o.states[k] == State::InTolerance).map(|o| o.seed).collect();
        let good: Vec<&Outcome> = all.iter().filter(|o| o.truth[k].abs() <= o.tolerance[k]).collect();
        let failed = good.iter().filter(|o| o.states[k] == State::OutOfTolerance).count();
        let proven = all.iter().filter(|o| o.states[k] != State::NotProven).count();
        println!(
            "{:9} covered {:.1} %  rms error/u {:.3}  truly out {:3}, called in {}  truly in {:3}, called out {failed}  decided {proven}",
            component.name(),
            100.0 * covered,
            rms,
            bad.len(),
            passed.len(),
            good.len(),
        );
        assert!((0.93..=0.97).contains(&covered), "{} is covered {covered}", component.name());
        assert!(
            bad.len() > 20 && good.len() > 20,
            "{}: the bays must lie on both sides of the tolerance",
            component.name()
        );
        // |e| + U <= T promises, for a stand at t outside its tolerance, a chance of at most Φ((T - U - |t|)/u) of being called in; the promises of all
        // these stands add up to the count to expect, and three of its standard deviations are allowed.
        let promised: f64 = bad.iter().map(|o| normal_cdf((o.tolerance[k] - o.truth[k].abs()) / o.u[k] - K_95)).sum();
        println!("          promised {promised:.2}");
        assert!(
            passed.len() as f64 <= promised + 3.0 * promised.max(0.1).sqrt(),
            "{}: {} of {} stands that are truly out were called in (seeds {passed:?})",
            component.name(),
            passed.len(),
            bad.len(),
        );
    }
}

/// With a limit whose direction is unknown the errors have a sharp rim instead of a tail: U is then never too small.
#[test]
fn a_stated_limit_is_covered_too() {
    let all = outcomes(LimitLaw::Rim);
    let n = all.len() as f64;
    for component in Component::ALL {
        let k = component.index();
        let covered = all.iter().filter(|o| o.covered[k]).count() as f64 / n;
        println!("{:9} covered {:.1} %", component.name(), 100.0 * covered);
        assert!(covered >= 0.93, "{} is covered {covered}", component.name());
    }
}
