//! The survey against an independent referee: the same small network solved by scipy (see `fixtures/referee/README.md`).

use nalgebra::{Matrix3, Matrix6, SMatrix, SVector, Vector2, Vector3, Vector6};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace};
use plumbsight::camera::{Lens, N_LENS};
use plumbsight::frames::{Body, Pose, Tag, World};
use plumbsight::survey::{LensFreedom, LensInput, Photo, SurveyInput, SurveyOptions, TagView, adjust};
use serde_json::Value;

fn load(name: &str) -> Value {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/referee").join(name);
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap()
}

fn list(v: &Value) -> Vec<f64> {
    v.as_array().unwrap().iter().map(number).collect()
}

fn iso<A, B>(v: &Value) -> Pose<A, B> {
    let m = |r: usize, c: usize| number(&v[r][c]);
    Pose::claim_matrix(&Matrix3::from_fn(m), Vector3::new(m(0, 3), m(1, 3), m(2, 3)))
}

fn input(v: &Value) -> SurveyInput {
    let place_sigma = Vector6::from_column_slice(&list(&v["place_sigma"]));
    let bodies = v["bodies"].as_array().unwrap().iter().map(|body| {
        let tags = body["tags"].as_array().unwrap().iter().map(|tag| {
            let pose: Pose<Body, Tag> = iso(&tag["place"]);
            let place = match tag["how"].as_str().unwrap() {
                "known" => TagPlace::Known(pose),
                "measured" => TagPlace::Measured {
                    body_from_tag: pose,
                    cov: Box::new(Matrix6::from_diagonal(&place_sigma.component_mul(&place_sigma))),
                },
                _ => TagPlace::Free,
            };
            BodyTag { id: number(&tag["id"]) as u16, side_m: number(&tag["side"]), stretch: [1.0; 2], print: 0, place }
        });
        BodyModel { name: body["name"].as_str().unwrap().into(), kind: BodyKind::Other, tags: tags.collect() }
    });
    let prints = vec![PrintScale {
        name: "all".into(),
        sigma_common: number(&v["sigma_common"]),
        sigma_axis: [0.0; 2],
        sigma_each: number(&v["sigma_each"]),
        measured: true,
    }];
    let lens = Lens::pinhole(number(&v["image_size"][0]) as usize, number(&v["image_size"][1]) as usize, 900.0)
        .with_parameters(&SVector::from_column_slice(&list(&v["lens"])));
    let sigma = SVector::<f64, N_LENS>::from_column_slice(&list(&v["lens_sigma"]));
    let cov = SMatrix::<f64, N_LENS, N_LENS>::from_diagonal(&sigma.component_mul(&sigma));
    let mut photos: Vec<Photo> = (0..number(&v["n_photos"]) as usize)
        .map(|k| Photo { name: format!("photo {k}"), lens: 0, station: 0, position: 0, hold: None, tags: Vec::new() })
        .collect();
    for view in v["views"].as_array().unwrap() {
        let corner = |k: usize| Vector2::new(number(&view["px"][k][0]), number(&view["px"][k][1]));
        photos[number(&view["photo"]) as usize].tags.push(TagView::new(
            number(&view["id"]) as u16,
            std::array::from_fn(corner),
            SMatrix::from_fn(|r, c| number(&view["cov"][r][c])),
        ));
    }
    SurveyInput {
        kit: Kit { bodies: bodies.collect(), prints, joint_places: Vec::new() },
        lenses: vec![LensInput { lens, freedom: LensFreedom::Measured(Box::new(cov)) }],
        photos,
        moved_between_stations: Vec::new(),
        rolled: None,
    }
}

/// Relative agreement demanded of estimates: metres and radians of order one, so also absolute.
const ESTIMATE: f64 = 1e-6;
/// Relative agreement demanded of the covariance, against the product of the two standard deviations.
const COVARIANCE: f64 = 0.01;

#[test]
fn estimates_and_covariance_agree_with_scipy() {
    let input = input(&load("network.json"));
    let expected = load("expected.json");
    let survey = adjust(&input, &SurveyOptions::default()).unwrap();
    assert_eq!(survey.unmodelled_px, 0.0, "the stated noise explains the residuals");
    assert!(survey.views.iter().all(|v| v.used));
    let find = |name: &str| survey.find(input.kit.find_body(name).unwrap(), 0).unwrap();
    let n_free = number(&expected["n_residuals"]) - number(&expected["n_unknowns"]);
    assert_eq!(survey.redundancy, n_free);
    let cost = survey.sigma0 * survey.sigma0 * survey.redundancy;
    assert!((cost / number(&expected["cost"]) - 1.0).abs() < ESTIMATE, "cost {cost}");

    let board_from_world = survey.bodies[find("board")].world_from_body.inverse();
    for (name, pose) in expected["bodies"].as_object().unwrap() {
        let wanted: Pose<Body, Body> = iso(pose);
        let got = board_from_world * survey.bodies[find(name)].world_from_body;
        let (angle, distance) = wanted.difference(&got);
        assert!(angle < ESTIMATE && distance < ESTIMATE, "{name}: {angle} rad, {distance} m");
    }
    assert!((survey.print_scale[0][0] - number(&expected["common_scale"])).abs() < 1e-9);
    for (k, (wanted, sigma)) in list(&expected["lens"]).iter().zip(list(&expected["lens_sigma"])).enumerate() {
        let got = survey.lenses[0].parameters()[k];
        assert!((got - wanted).abs() <= ESTIMATE * wanted.abs().max(1.0), "lens {k}: {got} against {wanted}");
        assert!((survey.lens_sigma[0][k] - sigma).abs() <= COVARIANCE * sigma, "lens sigma {k}");
    }

    // The board is the referee's reference; whatever ours is, the covariance relative to the board must be the same.
    let names: Vec<&str> = expected["cov_bodies"].as_array().unwrap().iter().map(|n| n.as_str().unwrap()).collect();
    let all: Vec<usize> = std::iter::once("board").chain(names.iter().copied()).map(find).collect();
    let joint = survey.joint(&all);
    let n = 6 * names.len();
    let mut by_step = nalgebra::DMatrix::<f64>::zeros(n, 6 * all.len());
    let world_from_board: Pose<World, Body> = survey.bodies[all[0]].world_from_body;
    for (k, &body) in all[1..].iter().enumerate() {
        // board_from_body exp(δ') with δ' = δ_body − Ad(body_from_board) δ_board.
        let body_from_board = survey.bodies[body].world_from_body.inverse() * world_from_board;
        let r = body_from_board.rotation();
        let mut adjoint = Matrix6::<f64>::zeros();
        adjoint.fixed_view_mut::<3, 3>(0, 0).copy_from(&r);
        adjoint.fixed_view_mut::<3, 3>(3, 3).copy_from(&r);
        let cross = plumbsight::frames::skew(&body_from_board.translation()) * r;
        adjoint.fixed_view_mut::<3, 3>(3, 0).copy_from(&cross);
        by_step.view_mut((6 * k, 0), (6, 6)).copy_from(&-adjoint);
        by_step.view_mut((6 * k, 6 * (k + 1)), (6, 6)).fill_with_identity();
    }
    let cov = &by_step * &joint.cov * by_step.transpose();
    let parts: nalgebra::DMatrix<f64> = joint.parts.iter().fold(joint.cov.clone() * 0.0, |sum, (_, part)| sum + part);
    assert!((parts - &joint.cov).norm() < 1e-6 * joint.cov.norm(), "the parts must add up to the whole");
    let wanted = &expected["cov"];
    for i in 0..n {
        for j in 0..n {
            let scale = (number(&wanted[i][i]) * number(&wanted[j][j])).sqrt();
            let off = (cov[(i, j)] - number(&wanted[i][j])).abs() / scale;
            assert!(off < COVARIANCE, "cov[{i},{j}] {} against {} ({off})", cov[(i, j)], wanted[i][j]);
        }
    }
}

#[test]
fn the_order_of_photographs_and_tags_does_not_matter() {
    let first = input(&load("network.json"));
    let mut second = first.clone();
    second.photos.reverse();
    for photo in &mut second.photos {
        photo.tags.reverse();
    }
    let a = adjust(&first, &SurveyOptions::default()).unwrap();
    let b = adjust(&second, &SurveyOptions::default()).unwrap();
    for name in ["board", "plate", "sheet", "frame"] {
        let body = first.kit.find_body(name).unwrap();
        let relative = |s: &plumbsight::survey::Survey| {
            s.bodies[s.find(0, 0).unwrap()].world_from_body.inverse()
                * s.bodies[s.find(body, 0).unwrap()].world_from_body
        };
        let (angle, distance) = relative(&a).difference(&relative(&b));
        assert!(angle < 1e-8 && distance < 1e-8, "{name}: {angle} rad, {distance} m");
    }
}
