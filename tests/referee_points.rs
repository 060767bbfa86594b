//! Points by touch against an independent referee: photographs, holds, tip and points as one adjustment in scipy (see `tests/referee/points.py`). The survey
//! solves the ties after the photographs, on their joint covariance.

use nalgebra::{DMatrix, Matrix3, SMatrix, Vector2, Vector3};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace};
use plumbsight::camera::Lens;
use plumbsight::frames::{Body, Pose, Tag, World, skew};
use plumbsight::survey::{
    Hold, LensFreedom, LensInput, Photo, Pointer, SurveyInput, SurveyOptions, TagView, TouchPoint, Touching, adjust,
};
use serde_json::Value;

/// Largest difference of an estimate, in its standard uncertainties; of a covariance, in those of its row and column. The two ways differ in second order.
const ESTIMATE: f64 = 0.02;
const COVARIANCE: f64 = 0.01;

fn load(name: &str) -> Value {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/referee").join(name);
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap()
}

fn vector(v: &Value) -> Vector3<f64> {
    Vector3::new(number(&v[0]), number(&v[1]), number(&v[2]))
}

fn pose<A, B>(v: &Value) -> Pose<A, B> {
    let m = |r: usize, c: usize| number(&v[r][c]);
    Pose::claim_matrix(&Matrix3::from_fn(m), Vector3::new(m(0, 3), m(1, 3), m(2, 3)))
}

fn input(v: &Value) -> (SurveyInput, Touching) {
    let tag = |id: usize, side: &str, place: Pose<Body, Tag>| BodyTag {
        id: id as u16,
        side_m: number(&v[side]),
        stretch: [1.0; 2],
        print: 0,
        place: TagPlace::Known(place),
    };
    let n_sheets = number(&v["n_sheets"]) as usize;
    let mut bodies: Vec<BodyModel> = (0..n_sheets)
        .map(|k| BodyModel {
            name: format!("sheet {k}"),
            kind: BodyKind::FloorSheet,
            tags: vec![tag(k, "sheet", Pose::coincident())],
        })
        .collect();
    let places = v["places"].as_array().unwrap();
    let tags = places.iter().enumerate().map(|(k, p)| tag(50 + k, "small", pose(p))).collect();
    bodies.push(BodyModel { name: "pointer".into(), kind: BodyKind::Pointer, tags });
    let holds: Vec<usize> = v["holds"].as_array().unwrap().iter().map(|h| number(h) as usize).collect();
    let n_photos = number(&v["n_photos"]) as usize;
    let first_hold = n_photos - holds.len();
    let sigma = number(&v["sigma_px"]);
    let photos = (0..n_photos)
        .map(|k| Photo {
            name: format!("photo {k}"),
            lens: 0,
            station: 0,
            position: 0,
            hold: k.checked_sub(first_hold),
            tags: v["views"]
                .as_array()
                .unwrap()
                .iter()
                .filter(|view| number(&view["photo"]) as usize == k)
                .map(|view| {
                    TagView::new(
                        number(&view["id"]) as u16,
                        std::array::from_fn(|c| {
                            Vector2::new(number(&view["corners"][c][0]), number(&view["corners"][c][1]))
                        }),
                        SMatrix::identity() * sigma * sigma,
                    )
                })
                .collect(),
        })
        .collect();
    let [w, h] = [0, 1].map(|k| number(&v["image_size"][k]) as usize);
    let lens = Lens { cx: number(&v["cx"]), cy: number(&v["cy"]), ..Lens::pinhole(w, h, number(&v["f"])) };
    let prints = vec![PrintScale {
        name: "exact".into(),
        sigma_common: 0.0,
        sigma_axis: [0.0; 2],
        sigma_each: 0.0,
        measured: true,
    }];
    let touching = Touching {
        pointer: Pointer { body: n_sheets, tip: None, u_touch_m: number(&v["u_touch"]), radius_m: 0.0 },
        points: (0..2).map(|k| TouchPoint { name: format!("point {k}"), body: None }).collect(),
        holds: holds.iter().map(|point| Hold { point: *point, photograph: String::new() }).collect(),
    };
    let input = SurveyInput {
        kit: Kit { bodies, prints, joint_places: Vec::new() },
        lenses: vec![LensInput { lens, freedom: LensFreedom::Held }],
        photos,
        moved_between_stations: Vec::new(),
        rolled: None,
    };
    (input, touching)
}

#[test]
fn tip_and_points_agree_with_one_adjustment_of_everything() {
    let (network, expected) = (load("points_network.json"), load("points_expected.json"));
    let (input, touching) = input(&network);
    let survey = adjust(&input, &SurveyOptions::default()).unwrap();
    assert!(survey.views.iter().all(|v| v.used) && survey.unmodelled_px == 0.0, "{}", survey.unmodelled_px);
    let touched = survey.touch(&touching);
    assert!(touched.not_found.is_empty() && touched.holds.iter().all(|h| h.left_out.is_none()), "{touched:?}");
    let u = |k: usize| number(&expected["cov_tip_points"][k][k]).sqrt();
    let mut worst = 0.0f64;
    let tip = touched.tip.as_ref().unwrap();
    for k in 0..3 {
        worst = worst.max((tip.at.coords[k] - number(&expected["tip"][k])).abs() / u(k));
    }
    // The points on the first sheet, whose frame scipy holds, by the joint covariance of sheet and points.
    let first = survey.find(0, 0).unwrap();
    let sheet: Pose<World, Body> = pose(&network["first_sheet"]);
    let world_from_survey = sheet * survey.bodies[first].world_from_body.inverse();
    let joint = survey.joint_with_points(&[first], &[], &touched, &[0, 1]);
    let mut by_step = DMatrix::<f64>::zeros(6, 18);
    for point in 0..2 {
        let at = world_from_survey * touched.points[point].in_world;
        let wanted = vector(&expected["points"][point]);
        for k in 0..3 {
            worst = worst.max((at.coords - wanted)[k].abs() / u(3 + 3 * point + k));
        }
        let on_sheet = (sheet.inverse() * at).coords;
        let r = sheet.rotation();
        by_step.view_mut((3 * point, 0), (3, 3)).copy_from(&(r * skew(&on_sheet)));
        by_step.view_mut((3 * point, 3), (3, 3)).copy_from(&-r);
        by_step.view_mut((3 * point, 9 + 6 * point), (3, 3)).copy_from(&world_from_survey.rotation());
    }
    let cov = &by_step * &joint.cov * by_step.transpose();
    let mut off = 0.0f64;
    for i in 0..6 {
        for j in 0..6 {
            let wanted = number(&expected["cov_tip_points"][3 + i][3 + j]);
            off = off.max((cov[(i, j)] - wanted).abs() / (u(3 + i) * u(3 + j)));
        }
    }
    for k in 0..3 {
        off = off.max((tip.u_m[k] / u(k) - 1.0).abs());
    }
    println!("estimates within {worst:.4} of their u, covariance within {:.2} %", 100.0 * off);
    assert!(worst < ESTIMATE, "an estimate differs by {worst} of its u");
    assert!(off < COVARIANCE, "a covariance differs by {off}");
}
