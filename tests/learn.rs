//! Learning a stand: against made stands of known truth, and what a later survey makes of the learned table.
//!
//! `PLUMBSIGHT_BAYS=2000 cargo test --release --test learn -- --nocapture` runs a longer campaign.

mod bays;

use nalgebra::{DVector, Vector6};
use plumbsight::body::{JointPlaces, TagPlace};
use plumbsight::fit::chi_square_quantile;
use plumbsight::placement::{Component, LearnError, LearnedBody, learn_body};
use plumbsight::scene::stand::{StandOptions, StandScene};
use plumbsight::scene::{Bay, BayOptions, LensKnowledge, LimitLaw, SixOffsets};
use plumbsight::survey::{SurveyOptions, adjust};
use plumbsight::units::{m_from_mm, rad_from_deg};
use rayon::prelude::*;

fn campaign(usual: u64) -> u64 {
    std::env::var("PLUMBSIGHT_BAYS").ok().and_then(|n| n.parse().ok()).unwrap_or(usual)
}

fn bay(seed: u64) -> Bay {
    // fx fy cx cy k1 k2 p1 p2 k3: what a careful lens profile states.
    let sigma = [0.8, 0.8, 0.8, 0.8, 5e-4, 1e-3, 5e-5, 5e-5, 0.0];
    let cov = nalgebra::SMatrix::from_fn(|r, c| if r == c { sigma[r] * sigma[r] } else { 0.0 });
    Bay::new(&BayOptions {
        seed,
        lens_knowledge: LensKnowledge::Measured(Box::new(cov)),
        limit_law: LimitLaw::Normal,
        stand_spread: SixOffsets { yaw_rad: rad_from_deg(0.5), lateral_m: m_from_mm(20.0), ..Default::default() },
        // The stand's tags were glued by eye: nobody knows where they are but the learning.
        sigma_place_m: m_from_mm(0.2),
        sigma_place_rad: rad_from_deg(0.05),
        ..BayOptions::default()
    })
    .expect("the options are possible")
}

/// `None` where the marks are refused, which one sound set in a thousand is.
fn learned(scene: &StandScene) -> Option<LearnedBody> {
    let survey = adjust(&scene.bay.survey_input(), &SurveyOptions::default()).expect("a made stand can be surveyed");
    let body = &scene.bay.layout.kit.bodies[0];
    match learn_body(0, body, &survey.places(0, body), &scene.marks) {
        Ok(learned) => Some(learned),
        Err(LearnError::Misfit { .. }) => None,
        Err(other) => panic!("{other}"),
    }
}

/// The error of every tag's place as the step that leads from the learned to the true one.
fn errors(scene: &StandScene, learned: &LearnedBody) -> DVector<f64> {
    let truth = scene.true_places();
    let steps = learned.tags.iter().flat_map(|found| {
        let d = found.body_from_tag.inverse().iso() * truth[found.tag].iso();
        let (w, v) = (d.rotation.scaled_axis(), d.translation.vector);
        [w.x, w.y, w.z, v.x, v.y, v.z]
    });
    DVector::from_vec(steps.collect())
}

/// The joint covariance with the print scales' own scatter put back in.
fn whole(joint: &JointPlaces, scene: &StandScene) -> nalgebra::DMatrix<f64> {
    joint.slopes.iter().fold(joint.cov.clone(), |sum, s| {
        let sigma = scene.bay.layout.kit.scale_sigma(0, s.of);
        sum + &s.slope * s.slope.transpose() * (sigma * sigma)
    })
}

#[test]
fn stated_covariance_of_a_learned_stand_is_the_true_scatter() {
    let n = campaign(200);
    let all: Vec<(f64, usize, usize)> = (1..=n)
        .into_par_iter()
        .filter_map(|seed| {
            let scene = StandScene::new(&bay(seed), &StandOptions::default()).expect("the stand can be photographed");
            let learned = learned(&scene)?;
            let (error, cov) = (errors(&scene, &learned), whole(&learned.joint, &scene));
            let solved = cov.clone().cholesky().expect("positive definite").solve(&error);
            let inside = (0..error.len()).filter(|&k| error[k].abs() <= 1.959964 * cov[(k, k)].sqrt()).count();
            Some((error.dot(&solved), inside, error.len()))
        })
        .collect();
    let refused = n as usize - all.len();
    // 0.2 of 200 are expected.
    assert!(refused <= 2 + n as usize / 500, "{refused} sound sets of marks refused");
    let complete = all.iter().filter(|a| a.2 == 54).count() as f64 / all.len() as f64;
    assert!(complete >= 0.97, "all nine tags that stay on are learned in {complete}");
    let dofs = all.iter().map(|a| a.2).sum::<usize>() as f64;
    let mean = all.iter().map(|a| a.0).sum::<f64>() / dofs;
    let below = all.iter().filter(|a| a.0 <= chi_square_quantile(1.6449, a.2 as f64)).count() as f64 / all.len() as f64;
    let inside = all.iter().map(|a| a.1).sum::<usize>() as f64 / dofs;
    println!("{refused} refused, all nine tags learned in {complete:.3}");
    println!(
        "{n} stands: joint chi-square / dof {mean:.3}, below its 95 % quantile {below:.3}, coordinates inside U {inside:.4}"
    );
    // Standard error of the mean: sqrt(2 / (200 * 54)) = 0.014; of the share below: 0.015. Coordinates of one stand are correlated.
    assert!((mean - 1.0).abs() < 0.07, "joint chi-square / dof {mean}");
    assert!(below > 0.89, "joint chi-square below its 95 % quantile in {below}");
    assert!((0.93..0.97).contains(&inside), "coordinates inside U: {inside}");
}

/// The bay's survey with the learned stand in place of the declared one.
fn with_learned(bay: &Bay, learned: &LearnedBody) -> plumbsight::survey::SurveyInput {
    let mut input = bay.survey_input();
    let stand = bay.layout.stand;
    let joint = JointPlaces { body: stand, ..learned.joint.clone() };
    let sigmas: Vec<f64> = joint.slopes.iter().map(|s| input.kit.scale_sigma(stand, s.of)).collect();
    for (n, tag) in learned.tags.iter().enumerate() {
        let cov = Box::new(joint.marginal(n, &sigmas));
        input.kit.bodies[stand].tags[tag.tag].place = TagPlace::Measured { body_from_tag: tag.body_from_tag, cov };
    }
    input.kit.joint_places.push(joint);
    input
}

#[test]
fn deviations_measured_with_a_learned_stand_are_inside_u() {
    let n = campaign(120);
    let all: Vec<[f64; 6]> = (1..=n)
        .into_par_iter()
        .filter_map(|seed| {
            let bay = bay(seed);
            let scene = StandScene::new(&bay, &StandOptions::default()).expect("the stand can be photographed");
            let learned = learned(&scene)?;
            let survey = adjust(&with_learned(&bay, &learned), &SurveyOptions::default()).expect("a survey");
            let assessment = bays::assessment_of(&bay, &survey, &bays::placement_of(&bay, [None; 6]));
            let truth = bay.stand_offsets().to_array();
            Some(std::array::from_fn(|k| {
                let d = &assessment.stations[0].deviations[k].deviation;
                (d.value - truth[k]) / d.u
            }))
        })
        .collect();
    assert!(all.len() as u64 + 2 >= n, "{} of {n} learned", all.len());
    for component in Component::ALL {
        let k = component.index();
        let inside = all.iter().filter(|e| e[k].abs() <= 1.959964).count() as f64 / all.len() as f64;
        let rms = (all.iter().map(|e| e[k] * e[k]).sum::<f64>() / all.len() as f64).sqrt();
        println!("{:<9} inside U {inside:.3}, rms error / u {rms:.3}", component.name());
        // 95 % of 120: standard error 0.020; of the rms: 0.065.
        assert!(inside > 0.88, "{}: {inside}", component.name());
        assert!((0.75..1.22).contains(&rms), "{}: rms error / u {rms}", component.name());
    }
}

/// Noise away, the learned places are the true ones.
#[test]
fn without_noise_the_learned_places_are_the_true_ones() {
    let mut bay = bay(7);
    bay.options.sigma_print_common = 0.0;
    let options = StandOptions { sigma_mark_m: 1e-9, sigma_flat_m: 1e-9, ..Default::default() };
    let mut scene = StandScene::new(&bay, &options).expect("the stand can be photographed");
    // The very print: what the kit declares is what the tags have.
    let sides: Vec<f64> = scene.bay.layout.tags.iter().map(|t| t.side_m).collect();
    for (tag, side_m) in scene.bay.layout.kit.bodies[0].tags.iter_mut().zip(sides) {
        tag.side_m = side_m;
    }
    for mark in &mut scene.marks {
        let tag = &scene.bay.layout.kit.bodies[0].tags[mark.tag];
        mark.in_tag_m = mark.in_tag_m.map(|v| v * tag.side_m / options.side_m);
    }
    let mut input = scene.bay.survey_input();
    input.photos = scene.bay.perfect_photos();
    input.lenses[0].lens = scene.bay.lens;
    let survey = adjust(&input, &SurveyOptions::default()).expect("a survey");
    let body = &scene.bay.layout.kit.bodies[0];
    let learned = learn_body(0, body, &survey.places(0, body), &scene.marks).expect("a stand");
    let worst = errors(&scene, &learned).amax();
    assert!(worst < 1e-6, "worst step {worst:.2e}");
    let face = learned.face.expect("a face");
    assert!((face.width.value - 0.56).abs() < 1e-6 && (face.height.value - 0.30).abs() < 1e-6, "{face:?}");
    assert!(Vector6::from_row_slice(&[face.u_place.0, face.u_place.1].concat()).iter().all(|u| *u > 0.0));
}
