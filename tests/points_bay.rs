//! A touched point all the way to the verdict: a made bay whose bumper is touched, the point in the vehicle frame with U, and a distance that counts from it.

mod bays;

use bays::{floor_of, placement_of, vehicle_of};
use nalgebra::{Matrix3, SMatrix, Vector2, Vector3};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, TagPlace, tag_corners_m};
use plumbsight::frames::{Body, Camera, Point, Pose, Tag, World};
use plumbsight::placement::{Datum, LateralFrom, Placement, StandModel};
use plumbsight::scene::draw::{Draw, Purpose};
use plumbsight::scene::{Bay, BayOptions};
use plumbsight::survey::{Hold, MeasuredTip, Photo, Pointer, SurveyOptions, TagView, TouchPoint, Touching, adjust};
use plumbsight::vehicle::{measured_bodies, touched_bodies};
use plumbsight::verdict::{AssessInput, Assessment, BudgetSource, assess};

const SIDE_M: f64 = 0.12;
const U_TIP_M: f64 = 0.0005;
const U_TOUCH_M: f64 = 0.0005;
const SIGMA_PX: f64 = 0.15;

fn camera(eye: Vector3<f64>, at: Vector3<f64>) -> Pose<Camera, World> {
    let z = (at - eye).normalize();
    let x = z.cross(&Vector3::z()).normalize();
    Pose::<World, Camera>::claim_matrix(&Matrix3::from_columns(&[x, z.cross(&x), z]), eye).inverse()
}

/// A made bay whose bumper is touched four times; the truth of the point is `bumper`.
fn judged(seed: u64) -> (Bay, Vector3<f64>, Assessment) {
    let options = BayOptions { seed, ..BayOptions::default() };
    let bay = Bay::new(&options).unwrap();
    let mut draw = Draw::new(seed, Purpose::Photo(77));
    let bumper = Vector3::new(bay.layout.wheelbase_m + 0.8, 0.05, 0.55);
    let tip = Vector3::new(0.0, -0.4, -0.02);
    let mut input = bay.survey_input();
    let tags = [
        (400u16, Pose::coincident()),
        (401, Pose::claim_rotvec(Vector3::new(0.0, 0.8, 0.0), Vector3::new(0.14, 0.0, -0.05))),
    ];
    let tag = |(id, place): (u16, Pose<Body, Tag>)| BodyTag {
        id,
        side_m: SIDE_M,
        stretch: [1.0; 2],
        print: 0,
        place: TagPlace::Known(place),
    };
    let pointer = input.kit.bodies.len();
    input.kit.bodies.push(BodyModel { name: "pointer".into(), kind: BodyKind::Pointer, tags: tags.map(tag).into() });
    input.kit.bodies.push(BodyModel { name: "bumper".into(), kind: BodyKind::TouchedPoint, tags: Vec::new() });
    let lens = bay.lens;
    for hold in 0..4 {
        let eye = bumper + Vector3::new(2.4, draw.uniform(-1.0, 1.0), draw.uniform(0.6, 1.1));
        let camera_from_world = camera(eye, bumper + Vector3::new(0.3, 0.0, -0.3));
        // Facing the camera's side, upright, tilted.
        let lean = Vector3::new(draw.uniform(-0.5, 0.5), draw.uniform(-0.4, 0.4), draw.uniform(-0.5, 0.5));
        let upright = Matrix3::from_columns(&[Vector3::y(), Vector3::z(), Vector3::x()]);
        let r = Pose::<World, Body>::claim_rotvec(lean, Vector3::zeros()).rotation() * upright;
        let at = bumper + Vector3::new(draw.normal(U_TOUCH_M), draw.normal(U_TOUCH_M), draw.normal(U_TOUCH_M));
        let held: Pose<World, Body> = Pose::claim_matrix(&r, at - r * tip);
        let mut seen = Vec::new();
        // Sheets on the floor and the pointer; what the car hides does not matter here.
        let sheets = bay.layout.tags.iter().filter(|t| input.kit.bodies[t.body].kind == BodyKind::FloorSheet);
        let sheets = sheets.map(|t| {
            let corners = [0, 1, 2, 3].map(|k| bay.tag_corners(t.id).unwrap()[k]);
            (t.id, corners, t.world_from_tag)
        });
        let own = tags.map(|(id, place)| {
            let world_from_tag = held * place;
            (id, tag_corners_m(SIDE_M).map(|c| world_from_tag * Point::claim(c)), world_from_tag)
        });
        for (id, corners, world_from_tag) in sheets.chain(own) {
            let camera_from_tag = camera_from_world * world_from_tag;
            let t = camera_from_tag.translation();
            let faces = (camera_from_tag.rotation() * Vector3::z()).dot(&t) < -0.2 * t.norm();
            let pixels = corners.map(|c| lens.project(&(camera_from_world * c)));
            let (w, h) = (lens.width as f64 - 3.0, lens.height as f64 - 3.0);
            let inside = |p: &Vector2<f64>| p.x > 2.0 && p.y > 2.0 && p.x < w && p.y < h;
            if faces && t.norm() < 5.0 && pixels.iter().all(|p| p.as_ref().is_some_and(inside)) {
                let corners = pixels.map(|p| p.unwrap() + Vector2::new(draw.normal(SIGMA_PX), draw.normal(SIGMA_PX)));
                seen.push(TagView::new(id, corners, SMatrix::identity() * SIGMA_PX * SIGMA_PX));
            }
        }
        let name = format!("hold {hold}.jpg");
        input.photos.push(Photo { name, lens: 0, station: 0, position: 0, hold: Some(hold), tags: seen });
    }
    let measured = tip + Vector3::new(draw.normal(U_TIP_M), draw.normal(U_TIP_M), draw.normal(U_TIP_M));
    let touching = Touching {
        pointer: Pointer {
            body: pointer,
            tip: Some(MeasuredTip { at: Point::claim(measured), u_m: U_TIP_M }),
            u_touch_m: U_TOUCH_M,
            radius_m: 0.0,
        },
        points: vec![TouchPoint { name: "bumper".into(), body: Some(pointer + 1) }],
        holds: (0..4).map(|k| Hold { point: 0, photograph: format!("hold {k}.jpg") }).collect(),
    };
    let survey = adjust(&input, &SurveyOptions::default()).unwrap();
    let touched = survey.touch(&touching);
    assert!(touched.not_found.is_empty(), "seed {seed}: {:?}", touched.not_found);
    let all = measured_bodies(&input.kit, &survey);
    let kept: Vec<usize> = (0..all.len()).filter(|k| survey.bodies[*k].hold.is_none()).collect();
    let mut bodies: Vec<_> = kept.iter().map(|k| all[*k].clone()).collect();
    let (points, more) = touched_bodies(&input.kit, &touching, &touched);
    let joint = survey.joint_with_points(&kept, &[], &touched, &points);
    bodies.extend(more);
    let mut placement: Placement = placement_of(&bay, [None; 6]);
    let station = &mut placement.stations[0];
    station.datum = Datum::Body { body: pointer + 1, u_m: 0.0 };
    station.lateral_from = LateralFrom::Datum;
    // The stand's true place, counted from the bumper.
    let stand = bay.vehicle_from_body(bay.layout.stand).translation();
    station.required[0] = stand.x - bumper.x;
    station.required[1] = stand.y - bumper.y;
    let judged = assess(&AssessInput {
        bodies: &bodies,
        joint: &joint,
        vehicle: &vehicle_of(&bay),
        floor: &floor_of(&bay),
        stands: &[StandModel::plain(bay.layout.stand)],
        placement: &placement,
    })
    .expect("a made bay can be judged");
    (bay, bumper, judged)
}

#[test]
fn a_touched_bumper_is_a_datum_and_is_told_in_the_vehicle_frame() {
    let runs = 24;
    let (mut inside, mut all, mut widest, mut sum2) = (0, 0, 0.0f64, 0.0);
    for seed in 0..runs {
        let (_, bumper, judged) = judged(500 + seed);
        let [(_, at)] = judged.vehicle.touched.as_slice() else { panic!("{:?}", judged.vehicle.touched) };
        let station = &judged.stations[0];
        let deviations = [&station.deviations[0].deviation, &station.deviations[1].deviation];
        let errors = (0..3).map(|k| (at[k].value - bumper[k], at[k].u));
        for (error, u) in errors.chain(deviations.iter().map(|d| (d.value, d.u))) {
            inside += usize::from(error.abs() <= 1.96 * u);
            sum2 += (error / u).powi(2);
            all += 1;
            widest = widest.max(u);
        }
        let share = station.deviations[0]
            .shares
            .iter()
            .find(|s| s.source == BudgetSource::Survey(plumbsight::survey::Source::Touch));
        // Four touches of 0.5 mm and a tip known to 0.5 mm: at least the mean touch, at most both together and some more.
        let u = share.expect("touching has a share").u;
        assert!(u > 0.0002 && u < 0.0009, "{u}");
    }
    println!(
        "{inside} of {all} within U (95 %); mean (error/u)2 {:.2}; largest u {:.2} mm",
        sum2 / all as f64,
        widest * 1e3
    );
    // Five numbers a run that share much of their error: 24 independent runs decide the spread.
    assert!(inside as f64 > 0.86 * all as f64, "{inside} of {all}");
    assert!(sum2 / (all as f64) < 1.8 && sum2 / all as f64 > 0.5, "{}", sum2 / all as f64);
}
