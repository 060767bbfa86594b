//! The rolled car against an independent referee: the same small network solved by scipy with the model written the other way round
//! (see `tests/referee/roll.py`): estimates, chi-square, redundancy and covariance.

use nalgebra::{DMatrix, Matrix3, SMatrix, Vector2, Vector3};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace};
use plumbsight::camera::Lens;
use plumbsight::frames::{Body, Direction, Pose, Tag, skew};
use plumbsight::survey::{
    HubBefore, LensFreedom, LensInput, Photo, RolledCar, RolledWheel, Steadiness, SurveyInput, SurveyOptions, TagView,
    adjust,
};
use serde_json::Value;

fn load(name: &str) -> Value {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/referee").join(name);
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap()
}

fn array(v: &Value) -> &Vec<Value> {
    v.as_array().unwrap()
}

fn vector(v: &Value) -> Vector3<f64> {
    Vector3::new(number(&v[0]), number(&v[1]), number(&v[2]))
}

fn iso<A, B>(v: &Value) -> Pose<A, B> {
    let m = |r: usize, c: usize| number(&v[r][c]);
    Pose::claim_matrix(&Matrix3::from_fn(m), Vector3::new(m(0, 3), m(1, 3), m(2, 3)))
}

/// Bodies in this order: board, sheets, plates; tag ids follow one another.
fn input(v: &Value) -> SurveyInput {
    let side_m = number(&v["side"]);
    let mut next = 0u16;
    let mut tag = |place: Pose<Body, Tag>| {
        next += 1;
        BodyTag { id: next, side_m, stretch: [1.0; 2], print: 0, place: TagPlace::Known(place) }
    };
    let n_sheets = number(&v["n_sheets"]) as usize;
    let own = || Pose::claim_rotvec(Vector3::zeros(), Vector3::zeros());
    let board: Vec<BodyTag> = array(&v["board"]).iter().map(|m| tag(iso(m))).collect();
    let mut bodies = vec![BodyModel { name: "board".into(), kind: BodyKind::Other, tags: board }];
    for k in 0..n_sheets {
        bodies.push(BodyModel { name: format!("sheet {k}"), kind: BodyKind::FloorSheet, tags: vec![tag(own())] });
    }
    for k in 0..2 {
        bodies.push(BodyModel { name: format!("plate {k}"), kind: BodyKind::Plate, tags: vec![tag(own())] });
    }
    let prints = vec![PrintScale {
        name: "exact".into(),
        sigma_common: 0.0,
        sigma_axis: [0.0; 2],
        sigma_each: 0.0,
        measured: true,
    }];
    let lens = Lens {
        cx: number(&v["cx"]),
        cy: number(&v["cy"]),
        ..Lens::pinhole(number(&v["image_size"][0]) as usize, number(&v["image_size"][1]) as usize, number(&v["f"]))
    };
    let mut photos: Vec<Photo> = array(&v["positions"])
        .iter()
        .enumerate()
        .map(|(k, p)| Photo {
            name: format!("photo {k}"),
            lens: 0,
            station: 0,
            position: number(p) as usize,
            hold: None,
            tags: Vec::new(),
        })
        .collect();
    for view in array(&v["views"]) {
        let name = view["body"].as_str().unwrap();
        let body = bodies.iter().find(|b| b.name == name).unwrap();
        photos[number(&view["photo"]) as usize].tags.push(TagView::new(
            body.tags[number(&view["tag"]) as usize].id,
            std::array::from_fn(|k| Vector2::new(number(&view["px"][k][0]), number(&view["px"][k][1]))),
            SMatrix::from_fn(|r, c| number(&view["cov"][r][c])),
        ));
    }
    let steady = &v["steady"];
    let wheel = |plate: usize| RolledWheel {
        plate,
        axis_in_plate: Direction::claim(Vector3::z()),
        hub: HubBefore::OnAxis(number(&v["stand_off"])),
        u_aside_m: number(&v["u_aside"]),
        u_along_m: number(&v["u_along"]),
    };
    let rolled = RolledCar {
        positions: ["1", "2", "3"].map(String::from).to_vec(),
        wheels: vec![wheel(n_sheets + 1), wheel(n_sheets + 2)],
        riders: Vec::new(),
        steadiness: Steadiness {
            u_height_m: number(&steady["height"]),
            u_level_m: number(&steady["level"]),
            u_toe_rad: number(&steady["toe"]),
            u_camber_rad: number(&steady["camber"]),
            u_curvature: number(&steady["curvature"]),
            u_slope_rad: number(&steady["slope"]),
        },
    };
    SurveyInput {
        kit: Kit { bodies, prints, joint_places: Vec::new() },
        lenses: vec![LensInput { lens, freedom: LensFreedom::Held }],
        photos,
        moved_between_stations: Vec::new(),
        rolled: Some(rolled),
    }
}

/// Agreement demanded of estimates (m, rad). The two models differ in the second order of deviations of 0.0004 rad, and the floor's normal is each one's own.
const ESTIMATE: f64 = 2e-7;
/// Agreement demanded of the covariance, against the product of the two standard deviations.
const COVARIANCE: f64 = 0.01;

#[test]
fn a_rolled_car_agrees_with_scipy() {
    let input = input(&load("roll_network.json"));
    let expected = load("roll_expected.json");
    let survey = adjust(&input, &SurveyOptions::default()).unwrap();
    assert_eq!(survey.unmodelled_px, 0.0, "the stated noise explains the residuals");
    assert!(survey.views.iter().all(|v| v.used));
    let roll = survey.roll.clone().unwrap().unwrap();

    // The referee's deviations and spins are unknowns with as many priors (and one spin more) a wheel and position; ours are rows.
    let n_free = number(&expected["n_residuals"]) - number(&expected["n_unknowns"]);
    assert_eq!(survey.redundancy, n_free);
    let cost = survey.sigma0 * survey.sigma0 * survey.redundancy;
    assert!((cost / number(&expected["cost"]) - 1.0).abs() < 1e-6, "cost {cost} against {}", expected["cost"]);
    let statistic = number(&expected["cost"]) - number(&expected["free_cost"]);
    assert!((roll.check.statistic - statistic).abs() < 1e-3, "{} against {statistic}", roll.check.statistic);

    let board_from_world = survey.bodies[survey.find(0, 0).unwrap()].world_from_body.inverse();
    for (w, wheel) in roll.wheels.iter().enumerate() {
        let (hub, axis) = (vector(&expected["hubs"][w]), vector(&expected["axes"][w]));
        let off = (wheel.hub_in_plate.coords - hub).norm();
        assert!(off < ESTIMATE, "hub {w}: {off}");
        assert!((wheel.axis_in_plate.coords - axis).norm() < ESTIMATE, "axis {w}");
        for p in 0..3 {
            let at = survey.find_rolled(wheel.plate, p).unwrap();
            let got = board_from_world * survey.bodies[at].world_from_body;
            let wanted: Pose<Body, Body> = iso(&expected["plates"][format!("{w} {p}")]);
            let (angle, distance) = wanted.difference(&got);
            assert!(angle < ESTIMATE && distance < ESTIMATE, "plate {w} at {p}: {angle} rad, {distance} m");
        }
    }
    // The car's motion from the first position, in its own frame there.
    for (p, motion) in array(&expected["motion"]).iter().enumerate() {
        let moved = roll.world_from_car[0].inverse() * roll.world_from_car[p];
        let turn = plumbsight::frames::yaw_pitch_roll(&moved.rotation()).0;
        let got = Vector3::new(moved.translation().x, moved.translation().y, turn);
        assert!((got - vector(motion)).norm() < ESTIMATE, "motion {p}: {got}");
    }

    // Centre and axis of each wheel at each position in the board's frame, as functions of the joint poses of board and wheels.
    let board = survey.find(0, 0).unwrap();
    let places: Vec<usize> = (0..roll.places.len()).collect();
    let joint = survey.joint_with_wheels(&[board], &places);
    let parts = joint.parts.iter().fold(joint.cov.clone() * 0.0, |sum, (_, part)| sum + part);
    assert!((parts - &joint.cov).norm() < 1e-6 * joint.cov.norm(), "the parts must add up to the whole");
    let n = 6 * places.len();
    let mut by_step = DMatrix::<f64>::zeros(n, 6 * (places.len() + 1));
    for (k, place) in roll.places.iter().enumerate() {
        let board_from_wheel: Pose<Body, Body> = board_from_world * place.world_from_wheel;
        let (r, t) = (board_from_wheel.rotation(), board_from_wheel.translation());
        let at = 6 * (k + 1);
        // The wheel's own step: turn then shift, in its axes.
        by_step.view_mut((6 * k, at + 3), (3, 3)).copy_from(&r);
        by_step.view_mut((6 * k + 3, at), (3, 3)).copy_from(&(-r * skew(&Vector3::z())));
        // The board's step moves everything the other way.
        by_step.view_mut((6 * k, 0), (3, 3)).copy_from(&skew(&t));
        by_step.view_mut((6 * k, 3), (3, 3)).copy_from(&(-Matrix3::identity()));
        by_step.view_mut((6 * k + 3, 0), (3, 3)).copy_from(&skew(&r.column(2).into_owned()));
        let wanted = &expected["outputs"];
        let value = |i: usize| number(&wanted[6 * k + i]);
        assert!((t - Vector3::new(value(0), value(1), value(2))).norm() < ESTIMATE, "centre {k}");
        assert!((r.column(2) - Vector3::new(value(3), value(4), value(5))).norm() < ESTIMATE, "axis {k}");
    }
    let cov = &by_step * &joint.cov * by_step.transpose();
    let wanted = &expected["cov"];
    let mut worst = 0.0f64;
    for i in 0..n {
        for j in 0..n {
            // An axis has no uncertainty along itself: such rows are compared with what the others have.
            let own = |k: usize| number(&wanted[k][k]).max(1e-10).sqrt();
            worst = worst.max((cov[(i, j)] - number(&wanted[i][j])).abs() / (own(i) * own(j)));
        }
    }
    assert!(worst < COVARIANCE, "covariance off by {worst} of the standard deviations");
}
