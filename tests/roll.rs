//! Made bays whose car was rolled, with clamps of which nothing is known: stated uncertainty against known truth, and what can go wrong while rolling.
//!
//! `cargo test --release --test roll -- --nocapture` prints the table; `PLUMBSIGHT_BAYS=2000` runs a longer campaign.

mod bays;

use nalgebra::SMatrix;
use plumbsight::camera::N_LENS;
use plumbsight::placement::{Component, Placement, StandModel};
use plumbsight::scene::rolled::noisy_photos;
use plumbsight::scene::{Bay, BayOptions, LensKnowledge, LimitLaw, RollOptions, SixOffsets};
use plumbsight::survey::{RollCheck, RolledCar, Survey, SurveyInput, SurveyOptions, adjust};
use plumbsight::units::{m_from_mm, rad_from_deg};
use plumbsight::vehicle::{Corner, Unmeasurable, VehicleModel, rolled_bodies, rolled_wheels};
use plumbsight::verdict::{AssessInput, Assessment, assess};
use rayon::prelude::*;

fn options(seed: u64) -> BayOptions {
    let sigma = [0.8, 0.8, 0.8, 0.8, 5e-4, 1e-3, 5e-5, 5e-5, 0.0];
    let cov = SMatrix::<f64, N_LENS, N_LENS>::from_fn(|r, c| if r == c { sigma[r] * sigma[r] } else { 0.0 });
    BayOptions {
        seed,
        n_photos: 16,
        lens_knowledge: LensKnowledge::Measured(Box::new(cov)),
        run_out_limit_rad: rad_from_deg(1.0),
        eccentricity_limit_m: m_from_mm(2.0),
        limit_law: LimitLaw::Normal,
        stand_spread: SixOffsets { lateral_m: m_from_mm(40.0), yaw_rad: rad_from_deg(0.8), ..SixOffsets::default() },
        ..BayOptions::default()
    }
}

/// A rolled bay: its stops, the car as declared, and what the survey is told.
struct Rolled {
    stops: Vec<Bay>,
    vehicle: VehicleModel,
    car: RolledCar,
    input: SurveyInput,
}

impl Rolled {
    fn new(options: &BayOptions, roll: &RollOptions) -> Self {
        let bay = Bay::new(options).expect("the options are possible");
        let stops = bay.rolled(roll).expect("the car can be photographed at every stop");
        let mut vehicle = bays::vehicle_of(&bay);
        // Nothing is known of the axes.
        for wheel in &mut vehicle.wheels {
            wheel.run_out_rad = rad_from_deg(10.0);
        }
        vehicle.checks.u_crab_rad = roll.sigma_crab_rad;
        let car = RolledCar {
            positions: (1..=stops.len()).map(|k| k.to_string()).collect(),
            wheels: rolled_wheels(&vehicle),
            riders: Vec::new(),
            steadiness: roll.steadiness,
        };
        let mut input = bay.survey_input();
        input.photos = noisy_photos(&stops);
        input.rolled = Some(car.clone());
        Self { stops, vehicle, car, input }
    }

    fn survey(&self) -> Survey {
        adjust(&self.input, &SurveyOptions::default()).expect("a made bay can be surveyed")
    }

    fn bay(&self) -> &Bay {
        self.stops.last().expect("at least one stop")
    }

    fn judge(&self, survey: &Survey, placement: &Placement) -> Result<Assessment, Unmeasurable> {
        let kit = &self.bay().layout.kit;
        let rolled = rolled_bodies(kit, &self.vehicle, &self.car, survey, self.stops.len() - 1)?;
        assess(&AssessInput {
            bodies: &rolled.bodies,
            joint: &rolled.joint,
            vehicle: &rolled.vehicle,
            floor: &bays::floor_of(self.bay()),
            stands: &[StandModel::plain(self.bay().layout.stand)],
            placement,
        })
    }

    fn check(&self, survey: &Survey) -> RollCheck {
        survey.roll.clone().expect("asked for").expect("solved").check
    }
}

/// Errors in units of u: the six, toe and camber of both rear wheels, the direction of travel against the truth; and the roll's test passed.
struct Outcome {
    errors: Vec<(String, f64, f64)>,
    passed: bool,
    roll_ratio: f64,
}

fn outcome(seed: u64, roll: &RollOptions) -> Outcome {
    let rolled = Rolled::new(&options(seed), roll);
    let survey = rolled.survey();
    let check = rolled.check(&survey);
    let Ok(judged) = rolled.judge(&survey, &bays::placement_of(rolled.bay(), [None; 6])) else {
        return Outcome { errors: Vec::new(), passed: false, roll_ratio: check.statistic / check.dof as f64 };
    };
    let truth = rolled.bay().stand_offsets().to_array();
    let mut errors: Vec<(String, f64, f64)> = Component::ALL
        .into_iter()
        .map(|c| {
            let d = judged.stations[0].deviations[c.index()].deviation;
            (c.name().to_owned(), d.value - truth[c.index()], d.u)
        })
        .collect();
    for wheel in &judged.vehicle.wheels {
        let true_wheel = rolled.bay().layout.wheels[usize::from(wheel.corner == Corner::RearRight)];
        let axis = true_wheel.axis_in_vehicle.coords;
        let side = true_wheel.wheel.side();
        let toe = side * (axis.x * side).atan2(axis.y * side);
        errors.push((format!("{} toe", wheel.corner.name()), wheel.toe.value - toe, wheel.toe.u));
        errors.push((format!("{} camber", wheel.corner.name()), wheel.camber.value + axis.z.asin(), wheel.camber.u));
        let hub = wheel.hub.coords - true_wheel.hub_in_vehicle.coords;
        assert!(hub.norm() < m_from_mm(12.0), "seed {seed}: hub {hub}");
    }
    let travel = judged.vehicle.thrust_lines[0].heading;
    errors.push(("travel less bisector".into(), travel.value, travel.u));
    Outcome { errors, passed: check.passed(), roll_ratio: check.statistic / check.dof as f64 }
}

fn campaign(name: &str, roll: &RollOptions, usual: u64) {
    let n: u64 = std::env::var("PLUMBSIGHT_BAYS").ok().and_then(|n| n.parse().ok()).unwrap_or(usual);
    let all: Vec<Outcome> = (1..=n).into_par_iter().map(|seed| outcome(seed, roll)).collect();
    let failed = all.iter().filter(|o| !o.passed).count();
    let judged: Vec<&Outcome> = all.iter().filter(|o| !o.errors.is_empty()).collect();
    let ratio = all.iter().map(|o| o.roll_ratio).sum::<f64>() / n as f64;
    println!("{name}: {n} bays, roll test failed in {failed}, mean test value over degrees of freedom {ratio:.3}");
    // A false alarm of 0.1 % each for the test of the roll and that of the thrust lines; what is allowed is four standard deviations above.
    let expected = 0.002 * n as f64;
    let refused = n as usize - judged.len();
    assert!(refused as f64 <= expected + 4.0 * expected.max(0.25).sqrt(), "{refused} of {n} refused");
    assert!((0.5..=1.4).contains(&ratio), "the roll's test value is {ratio} a degree of freedom");
    for k in 0..judged[0].errors.len() {
        let label = &judged[0].errors[k].0;
        let m = judged.len() as f64;
        let covered = judged.iter().filter(|o| o.errors[k].1.abs() <= 1.959964 * o.errors[k].2).count() as f64 / m;
        let rms = (judged.iter().map(|o| (o.errors[k].1 / o.errors[k].2).powi(2)).sum::<f64>() / m).sqrt();
        let mut us: Vec<f64> = judged.iter().map(|o| 1.959964 * o.errors[k].2).collect();
        us.sort_by(f64::total_cmp);
        println!(
            "  {label:20} covered {:5.1} %  rms error/u {rms:.3}  median U {:.5} (m or rad)",
            100.0 * covered,
            us[us.len() / 2]
        );
        // Three standard deviations of a count below 95 %; above, too large a U is told apart by the size of the errors.
        let low = 0.95 - 3.0 * (0.95 * 0.05 / m).sqrt();
        assert!(covered >= low, "{name}, {label}: covered {covered}");
        assert!(rms > 0.75, "{name}, {label}: U is too large, rms error/u {rms}");
    }
}

#[test]
fn u95_covers_with_three_positions() {
    campaign("three positions", &RollOptions::default(), 120);
}

#[test]
fn u95_covers_with_two_positions() {
    campaign("two positions", &RollOptions { stops_m: vec![-0.5], ..RollOptions::default() }, 80);
}

/// More than half a turn between two positions: which way the axis points is fixed by the car's side, not by the sense of the turn.
#[test]
fn turns_of_more_than_half_are_no_trouble() {
    let options = BayOptions { front_plates: true, ..options(3) };
    let rolled = Rolled::new(&options, &RollOptions { stops_m: vec![-1.25, -0.45], ..RollOptions::default() });
    let survey = rolled.survey();
    let judged = rolled.judge(&survey, &bays::placement_of(rolled.bay(), [None; 6])).expect("judged");
    let truth = rolled.bay().stand_offsets().to_array();
    for c in Component::ALL {
        let d = judged.stations[0].deviations[c.index()].deviation;
        assert!((d.value - truth[c.index()]).abs() <= 1.3 * d.expanded, "{}: {d:?} for {}", c.name(), truth[c.index()]);
    }
}

/// Moves a plate at one stop as if it had slipped on its wheel: turned about its own x (rad) and shifted along its y (m).
fn slip(bay: &mut Bay, plate: usize, turn_rad: f64, shift_m: f64) {
    let step = nalgebra::Vector6::new(turn_rad, 0.0, 0.0, 0.0, shift_m, 0.0);
    bay.layout.world_from_body[plate] = bay.layout.world_from_body[plate].moved_right(&step);
    for tag in bay.layout.tags.iter_mut().filter(|t| t.body == plate) {
        tag.world_from_tag = bay.layout.world_from_body[plate] * tag.body_from_tag;
    }
}

fn contradiction(rolled: &Rolled) -> String {
    let survey = rolled.survey();
    let check = rolled.check(&survey);
    assert!(!check.passed(), "{check:?}");
    let refused = rolled.judge(&survey, &bays::placement_of(rolled.bay(), [None; 6])).unwrap_err();
    assert!(matches!(refused, Unmeasurable::RollContradicts { .. }), "{refused}");
    refused.to_string()
}

#[test]
fn a_plate_that_slipped_is_named() {
    for (seed, wheel) in [(1, 0), (2, 1), (3, 0)] {
        let mut rolled = Rolled::new(&options(seed), &RollOptions::default());
        let plate = rolled.bay().layout.wheels[wheel].plate.expect("a plate").body;
        // It slipped between the second stop and the last.
        for stop in &mut rolled.stops[..2] {
            slip(stop, plate, rad_from_deg(1.0), 0.003);
        }
        rolled.input.photos = noisy_photos(&rolled.stops);
        let told = contradiction(&rolled);
        let name = ["plate rear left", "plate rear right"][wheel];
        assert!(told.contains(&format!("\"{name}\" slipped")), "seed {seed}: {told}");
    }
}

#[test]
fn steering_that_was_turned_is_named() {
    let options = BayOptions { front_plates: true, ..options(4) };
    let mut rolled = Rolled::new(&options, &RollOptions::default());
    let vertical = nalgebra::Vector3::z();
    let bay = &mut rolled.stops[0];
    for wheel in &bay.layout.wheels[2..] {
        // The front wheels, steered by a degree about their own hubs.
        let plate = wheel.plate.expect("front plates").body;
        let hub = wheel.hub_in_vehicle.coords;
        let turn = nalgebra::UnitQuaternion::from_scaled_axis(vertical * rad_from_deg(1.0));
        let old = *bay.layout.world_from_body[plate].iso();
        let moved =
            nalgebra::Isometry3::from_parts((hub + turn * (old.translation.vector - hub)).into(), turn * old.rotation);
        bay.layout.world_from_body[plate] = plumbsight::frames::Pose::claim(moved);
        for tag in bay.layout.tags.iter_mut().filter(|t| t.body == plate) {
            tag.world_from_tag = bay.layout.world_from_body[plate] * tag.body_from_tag;
        }
    }
    rolled.input.photos = noisy_photos(&rolled.stops);
    let told = contradiction(&rolled);
    assert!(told.contains("the steering was turned while rolling"), "{told}");
}

/// A car that went elsewhere than its rear wheels point is no car whose thrust line is known.
#[test]
fn a_way_that_disagrees_with_the_wheels_gives_no_verdict() {
    let roll = RollOptions { sigma_crab_rad: rad_from_deg(1.5), ..RollOptions::default() };
    let mut refused = 0;
    for seed in 1..=4 {
        let mut rolled = Rolled::new(&options(seed), &roll);
        // Whoever declares it believes in three hundredths of a degree.
        rolled.vehicle.checks.u_crab_rad = rad_from_deg(0.03);
        let survey = rolled.survey();
        assert!(rolled.check(&survey).passed(), "the car rolled as one rigid thing");
        match rolled.judge(&survey, &bays::placement_of(rolled.bay(), [None; 6])) {
            Err(error @ Unmeasurable::ThrustLinesDisagree { .. }) => {
                assert!(error.to_string().contains("the way the rear wheels went"), "{error}");
                refused += 1;
            }
            // A draw of hardly any crab may pass.
            Ok(judged) => assert!(judged.vehicle.thrust_lines[0].agrees()),
            Err(error) => panic!("{error}"),
        }
    }
    assert!(refused >= 2, "{refused} of 4");
}

/// A tag on the car's body settles how much the car turned between the stops, which two rear plates alone know only as well as their wheels run true.
#[test]
fn a_sheet_on_the_car_makes_the_thrust_line_sharper() {
    let (mut with, without) =
        (Rolled::new(&options(9), &RollOptions::default()), Rolled::new(&options(9), &RollOptions::default()));
    // Two sheets on the doors, in the frame of the car: seen from the left and from the right.
    let kit_body = with.bay().layout.kit.bodies.len();
    for (k, side) in [(0u16, 1.0), (1, -1.0)] {
        let right = nalgebra::Vector3::new(-side, 0.0, 0.0);
        let up = nalgebra::Vector3::z();
        let turn = nalgebra::Matrix3::from_columns(&[right, up, right.cross(&up)]);
        let in_car = plumbsight::frames::Pose::<plumbsight::frames::World, plumbsight::frames::Body>::claim_matrix(
            &turn,
            nalgebra::Vector3::new(1.3, side * 0.9, 0.55),
        );
        let model = with.bay().layout.kit.bodies[with.bay().layout.wheels[0].plate.expect("a plate").body].clone();
        for stop in &mut with.stops {
            let body = plumbsight::body::BodyModel {
                name: format!("door sheet {k}"),
                kind: plumbsight::body::BodyKind::Other,
                tags: vec![plumbsight::body::BodyTag { id: 200 + k, ..model.tags[0].clone() }],
            };
            let world = plumbsight::frames::Pose::claim(stop.layout.world_from_car.iso() * in_car.iso());
            stop.layout.kit.bodies.push(body);
            stop.layout.world_from_body.push(world);
            let like = *stop.layout.tags.iter().find(|t| t.id == model.tags[0].id).expect("the plate's tag");
            let tag = plumbsight::scene::TrueTag {
                body: kit_body + usize::from(k),
                id: 200 + k,
                world_from_tag: world * like.body_from_tag,
                ..like
            };
            stop.layout.tags.push(tag);
        }
        with.car.riders.push(kit_body + usize::from(k));
    }
    with.input.kit = with.bay().layout.kit.clone();
    with.input.rolled = Some(with.car.clone());
    with.input.photos = noisy_photos(&with.stops);
    let judged = |rolled: &Rolled| {
        let survey = rolled.survey();
        assert!(rolled.check(&survey).passed(), "{:?}", rolled.check(&survey));
        rolled.judge(&survey, &bays::placement_of(rolled.bay(), [None; 6])).expect("judged").stations[0].deviations[3]
            .deviation
    };
    let (with_yaw, without_yaw) = (judged(&with), judged(&without));
    let truth = with.bay().stand_offsets().yaw_rad;
    println!("U of yaw {} without, {} with sheets on the doors (rad)", without_yaw.expanded, with_yaw.expanded);
    assert!(
        with_yaw.expanded < 0.6 * without_yaw.expanded,
        "{} with, {} without",
        with_yaw.expanded,
        without_yaw.expanded
    );
    assert!((with_yaw.value - truth).abs() <= 1.3 * with_yaw.expanded, "{with_yaw:?} for {truth}");
}
