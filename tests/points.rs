//! Points by touch: made scenes with known truth (coverage, slipped tips, refusals), the closed-form pivot calibration. The whole written as one
//! adjustment in scipy is in `tests/referee_points.rs`.

use nalgebra::{DMatrix, DVector, Matrix3, SMatrix, Vector3};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace, tag_corners_m};
use plumbsight::camera::Lens;
use plumbsight::frames::{Body, Camera, Point, Pose, Tag, World, skew};
use plumbsight::scene::draw::{Draw, Purpose};
use plumbsight::survey::{
    Hold, LensFreedom, LensInput, MeasuredTip, Photo, Pointer, Survey, SurveyInput, SurveyOptions, TagView, TouchFault,
    TouchPoint, Touched, Touching, adjust,
};

const SHEETS: usize = 6;
/// The pointer's place among the bodies.
const POINTER: usize = SHEETS;
const SIGMA_PX: f64 = 0.1;
const U_TOUCH_M: f64 = 0.0005;
const RADIUS_M: f64 = 0.0006;
const U_SIZE: f64 = 0.0005;

/// How a scene is made.
#[derive(Clone)]
struct Recipe {
    seed: u64,
    /// Holds of each point; the first is pivoted about.
    holds: Vec<usize>,
    /// Largest tilt, rad.
    tilt: f64,
    /// (hold, slip in m).
    slips: Vec<(usize, Vector3<f64>)>,
    measured_tip: Option<f64>,
    /// False: corners, touch and sizes are exact.
    noise: bool,
}

impl Recipe {
    fn new(seed: u64) -> Self {
        Self { seed, holds: vec![12, 4, 3], tilt: 0.6, slips: Vec::new(), measured_tip: None, noise: true }
    }
}

struct Scene {
    input: SurveyInput,
    touching: Touching,
    tip: Vector3<f64>,
    points: Vec<Vector3<f64>>,
    sheets: Vec<Pose<World, Body>>,
}

fn look_at(eye: Vector3<f64>, at: Vector3<f64>) -> Pose<Camera, World> {
    let z = (at - eye).normalize();
    let x = z.cross(&Vector3::z()).normalize();
    let y = z.cross(&x);
    Pose::<World, Camera>::claim_matrix(&Matrix3::from_columns(&[x, y, z]), eye).inverse()
}

fn scene(recipe: &Recipe) -> Scene {
    let draw = std::cell::RefCell::new(Draw::new(recipe.seed, Purpose::Bodies));
    let normal = |sigma: f64| if recipe.noise { draw.borrow_mut().normal(sigma) } else { 0.0 };
    let uniform = |low: f64, high: f64| draw.borrow_mut().uniform(low, high);
    let vector = |sigma: f64| Vector3::new(normal(sigma), normal(sigma), normal(sigma));
    let size = 1.0 + normal(U_SIZE);
    let lens = Lens::pinhole(2400, 1800, 2000.0);
    let tip = Vector3::new(0.012, -0.31, -0.025);
    // Two sheets at an angle on a rod; the tip below them.
    let places: [Pose<Body, Tag>; 2] =
        [Pose::coincident(), Pose::claim_rotvec(Vector3::new(0.0, 0.8, 0.0), Vector3::new(0.075, 0.0, -0.03))];
    let tag = |id: usize, side_m: f64, place| BodyTag {
        id: id as u16,
        side_m,
        stretch: [1.0; 2],
        print: 0,
        place: TagPlace::Known(place),
    };
    let mut bodies: Vec<BodyModel> = (0..SHEETS)
        .map(|k| BodyModel {
            name: format!("floor sheet {k}"),
            kind: BodyKind::FloorSheet,
            tags: vec![tag(k, 0.16, Pose::coincident())],
        })
        .collect();
    bodies.push(BodyModel {
        name: "pointer".into(),
        kind: BodyKind::Pointer,
        tags: places.iter().enumerate().map(|(k, p)| tag(50 + k, 0.06, *p)).collect(),
    });
    let mut points: Vec<TouchPoint> = vec![TouchPoint { name: "hollow".into(), body: None }];
    for k in 1..recipe.holds.len() {
        bodies.push(BodyModel { name: format!("point {k}"), kind: BodyKind::TouchedPoint, tags: Vec::new() });
        points.push(TouchPoint { name: format!("point {k}"), body: Some(bodies.len() - 1) });
    }
    let prints = vec![PrintScale {
        name: "all".into(),
        sigma_common: if recipe.noise { U_SIZE } else { 0.0 },
        sigma_axis: [0.0; 2],
        sigma_each: 0.0,
        measured: true,
    }];
    let sheets: Vec<Pose<World, Body>> = (0..SHEETS)
        .map(|k| {
            let at = Vector3::new(-0.3 + 0.6 * (k / 3) as f64, -0.5 + 0.5 * (k % 3) as f64, 0.001);
            Pose::claim_rotvec(Vector3::new(0.0, 0.0, 0.5 * k as f64), at)
        })
        .collect();
    let truth: Vec<Vector3<f64>> = (0..recipe.holds.len())
        .map(|k| Vector3::new(0.05 * k as f64, -0.25 + 0.3 * k as f64, 0.15 * k as f64))
        .collect();
    let photo = |name: String, hold, eye: Vector3<f64>, at: Vector3<f64>, pointer: Option<Pose<World, Body>>| {
        let camera_from_world = look_at(eye, at);
        let mut tags = Vec::new();
        let seen = (0..SHEETS).map(|k| (k, 0.16, sheets[k] * Pose::<Body, Tag>::coincident()));
        let held = pointer.into_iter().flat_map(|p| places.map(|place| p * place).into_iter().enumerate());
        for (id, side_m, world_from_tag) in seen.chain(held.map(|(k, pose)| (50 + k, 0.06, pose))) {
            let camera_from_tag = camera_from_world * world_from_tag;
            let corners = tag_corners_m(side_m * size).map(|c| lens.project(&(camera_from_tag * Point::claim(c))));
            let faces = (camera_from_tag.rotation() * Vector3::z()).dot(&camera_from_tag.translation())
                < -0.2 * camera_from_tag.translation().norm();
            let inside = |p: &nalgebra::Vector2<f64>| p.x > 5.0 && p.y > 5.0 && p.x < 2395.0 && p.y < 1795.0;
            if faces && corners.iter().all(|c| c.as_ref().is_some_and(inside)) {
                let corners = corners.map(|c| c.unwrap() + nalgebra::Vector2::new(normal(SIGMA_PX), normal(SIGMA_PX)));
                tags.push(TagView::new(id as u16, corners, SMatrix::identity() * SIGMA_PX * SIGMA_PX));
            }
        }
        Photo { name, lens: 0, station: 0, position: 0, hold, tags }
    };
    let mut photos: Vec<Photo> = (0..6)
        .map(|k| {
            let eye = Vector3::new(1.5 + 0.1 * k as f64, -1.0 + 0.4 * k as f64, 1.0 + 0.1 * (k % 3) as f64);
            photo(format!("view {k}"), None, eye, Vector3::zeros(), None)
        })
        .collect();
    let mut holds = Vec::new();
    for (point, n) in recipe.holds.iter().enumerate() {
        // A ball touches a surface in one direction, the same in all holds.
        let radius = if recipe.noise { RADIUS_M } else { 0.0 };
        let (rise, around) = (uniform(-1.0, 1.0), uniform(0.0, std::f64::consts::TAU));
        let level = (1.0f64 - rise * rise).sqrt();
        let ball = Vector3::new(level * around.cos(), level * around.sin(), rise) * radius;
        for k in 0..*n {
            let hold = holds.len();
            let name = format!("hold {hold}.jpg");
            // Facing +X, upright, tilted to all sides and turned a little.
            let upright = Matrix3::from_columns(&[Vector3::y(), Vector3::z(), Vector3::x()]);
            let around = std::f64::consts::TAU * (k as f64 + uniform(0.0, 0.3)) / *n as f64;
            let tilt = recipe.tilt * uniform(0.7, 1.0);
            let lean = Pose::<World, World>::claim_rotvec(
                Vector3::new(tilt * around.cos(), tilt * around.sin(), 0.3 * recipe.tilt * around.cos()),
                Vector3::zeros(),
            );
            let r = lean.rotation() * upright;
            let slip = recipe.slips.iter().find(|(h, _)| *h == hold).map_or(Vector3::zeros(), |(_, s)| *s);
            let at = truth[point] + ball + vector(U_TOUCH_M) + slip;
            let pointer = Pose::claim_matrix(&r, at - r * tip);
            let eye = Vector3::new(1.5, uniform(-0.5, 0.5), uniform(0.7, 1.1));
            photos.push(photo(name.clone(), Some(hold), eye, Vector3::new(0.0, 0.0, 0.15), Some(pointer)));
            holds.push(Hold { point, photograph: name });
        }
    }
    let measured = recipe.measured_tip.map(|u_m| MeasuredTip { at: Point::claim(tip + vector(u_m)), u_m });
    let pointer = Pointer { body: POINTER, tip: measured, u_touch_m: U_TOUCH_M, radius_m: RADIUS_M };
    Scene {
        input: SurveyInput {
            kit: Kit { bodies, prints, joint_places: Vec::new() },
            lenses: vec![LensInput { lens, freedom: LensFreedom::Held }],
            photos,
            moved_between_stations: Vec::new(),
            rolled: None,
        },
        touching: Touching { pointer, points, holds },
        tip,
        points: truth,
        sheets,
    }
}

fn solved(scene: &Scene) -> (Survey, Touched) {
    let survey = adjust(&scene.input, &SurveyOptions::default()).unwrap();
    let touched = survey.touch(&scene.touching);
    (survey, touched)
}

/// The point in the frame of the first sheet: its error and that error's covariance.
fn error_on_sheet(scene: &Scene, survey: &Survey, touched: &Touched, k: usize) -> (Vector3<f64>, Matrix3<f64>) {
    let first = survey.find(0, 0).unwrap();
    let sheet_from_world = survey.bodies[first].world_from_body.inverse();
    let at = (sheet_from_world * touched.points[k].in_world).coords;
    let wanted = scene.sheets[0].inverse() * Point::<World>::claim(scene.points[touched.points[k].point]);
    let joint = survey.joint_with_points(&[first], &[], touched, &[k]);
    let parts = joint.parts.iter().fold(joint.cov.clone() * 0.0, |sum, (_, part)| sum + part);
    assert!((parts - &joint.cov).norm() < 1e-6 * joint.cov.norm(), "the parts must add up to the whole");
    let mut by_step = SMatrix::<f64, 3, 12>::zeros();
    by_step.fixed_view_mut::<3, 3>(0, 0).copy_from(&skew(&at));
    by_step.fixed_view_mut::<3, 3>(0, 3).copy_from(&-Matrix3::identity());
    by_step.fixed_view_mut::<3, 3>(0, 9).copy_from(&sheet_from_world.rotation());
    let cov = by_step * &joint.cov * by_step.transpose();
    (at - wanted.coords, cov.fixed_view::<3, 3>(0, 0).into_owned())
}

/// 95 % of a chi-square with three degrees of freedom (any table of it), and the binomial band in which the count of runs must fall.
const CHI2_3_95: f64 = 7.8147;

#[test]
fn stated_uncertainty_covers_points_and_tip() {
    let runs: u64 = std::env::var("POINTS_RUNS").ok().and_then(|n| n.parse().ok()).unwrap_or(150);
    let (mut d2, mut tip_d2, mut left_out) = (Vec::new(), Vec::new(), 0);
    for seed in 0..runs {
        let recipe = Recipe { measured_tip: (seed % 3 == 0).then_some(0.0008), ..Recipe::new(seed) };
        let scene = scene(&recipe);
        let (survey, touched) = solved(&scene);
        assert!(touched.not_found.is_empty(), "seed {seed}: {:?}", touched.not_found);
        left_out += touched.holds.iter().filter(|h| h.left_out.is_some()).count();
        for k in 1..touched.points.len() {
            let (error, cov) = error_on_sheet(&scene, &survey, &touched, k);
            d2.push(error.dot(&(cov.try_inverse().unwrap() * error)));
        }
        let tip = touched.tip.unwrap();
        let error = tip.at.coords - scene.tip;
        tip_d2.extend([0, 1, 2].map(|k| (error[k] / tip.u_m[k]).powi(2)));
    }
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let inside = d2.iter().filter(|d| **d <= CHI2_3_95).count() as f64 / d2.len() as f64;
    println!(
        "{} points: mean d2 {:.2} (3 wanted), {:.1} % within 95 %; tip: mean {:.2} (1 wanted); {left_out} of {} holds left out",
        d2.len(),
        mean(&d2),
        100.0 * inside,
        mean(&tip_d2),
        runs * 19
    );
    let n = d2.len() as f64;
    // Mean of n chi-squares of 3: standard deviation sqrt(6/n); the two points of a run share the tip, hence twice that and 4 sigma.
    assert!((mean(&d2) - 3.0).abs() < 4.0 * (12.0 / n).sqrt(), "mean d2 {}", mean(&d2));
    assert!(inside > 0.95 - 4.0 * (2.0 * 0.95 * 0.05 / n).sqrt(), "{inside} within 95 %");
    assert!((mean(&tip_d2) - 1.0).abs() < 4.0 * (2.0 / runs as f64).sqrt(), "tip {}", mean(&tip_d2));
    // The tests are run at 0.1 % a survey.
    assert!(left_out as u64 <= 1 + runs / 100, "{left_out} sound holds left out");
}

/// With exact corners the tip is the closed-form pivot calibration: stack `[R_i, -I] (tip, point) = -t_i` and solve by SVD (the "algebraic one step"
/// method; Yaniv, "Which pivot calibration?", SPIE Medical Imaging 2015, from memory).
#[test]
fn exact_poses_give_the_closed_form_pivot() {
    let recipe = Recipe { holds: vec![8], noise: false, ..Recipe::new(3) };
    let scene = scene(&recipe);
    let (survey, touched) = solved(&scene);
    let poses: Vec<_> = survey.bodies.iter().filter(|b| b.hold.is_some()).map(|b| b.world_from_body).collect();
    assert_eq!(poses.len(), 8);
    let mut a = DMatrix::<f64>::zeros(24, 6);
    let mut t = DVector::<f64>::zeros(24);
    for (k, pose) in poses.iter().enumerate() {
        a.view_mut((3 * k, 0), (3, 3)).copy_from(&pose.rotation());
        a.view_mut((3 * k, 3), (3, 3)).copy_from(&-Matrix3::identity());
        t.rows_mut(3 * k, 3).copy_from(&-pose.translation());
    }
    let x = a.svd(true, true).solve(&t, 1e-12).unwrap();
    let tip = touched.tip.unwrap().at.coords;
    let closed = Vector3::new(x[0], x[1], x[2]);
    assert!((tip - closed).norm() < 1e-7 && (tip - scene.tip).norm() < 1e-6, "{tip} for {closed}");
    let point = touched.points[0].in_world.coords;
    assert!((point - Vector3::new(x[3], x[4], x[5])).norm() < 1e-7);
}

#[test]
fn a_tip_that_slipped_is_named_and_left_out() {
    let (mut named, mut wrong, runs) = (0, 0, 30);
    for seed in 0..runs {
        let slip = Vector3::new(0.0, 0.006, 0.004);
        let mut recipe = Recipe { holds: vec![12, 4], ..Recipe::new(1000 + seed) };
        recipe.slips = vec![(13, slip)];
        let scene = scene(&recipe);
        let (survey, touched) = solved(&scene);
        let out: Vec<usize> = touched.holds.iter().filter(|h| h.left_out.is_some()).map(|h| h.hold).collect();
        let found = &touched.holds[13];
        named += usize::from(out == [13] && (found.off_m.norm() - slip.norm()).abs() < 0.003);
        wrong += usize::from(out.iter().any(|h| *h != 13));
        if out == [13] {
            // Without it the point is as good as with three sound holds.
            let at = touched.points.iter().position(|p| p.point == 1).unwrap();
            let (error, cov) = error_on_sheet(&scene, &survey, &touched, at);
            assert!(error.dot(&(cov.try_inverse().unwrap() * error)) < 25.0, "seed {seed}: {error}");
            assert_eq!(touched.points[at].n_holds, 3);
        }
    }
    println!("a slip of 7.2 mm named in {named} of {runs} scenes, a sound hold blamed in {wrong}");
    assert!(named as f64 >= 0.95 * runs as f64 && wrong == 0, "{named} named, {wrong} wrong");
}

#[test]
fn two_holds_that_disagree_are_refused_and_others_stay() {
    let recipe = Recipe { holds: vec![12, 2, 3], slips: vec![(12, Vector3::new(0.0, 0.02, 0.0))], ..Recipe::new(7) };
    let (_, touched) = solved(&scene(&recipe));
    let [(1, TouchFault::HoldsDisagree { off_mm, photograph, statistic, limit })] = touched.not_found.as_slice() else {
        panic!("{:?}", touched.not_found)
    };
    assert!(
        (*off_mm - 20.0).abs() < 4.0 && photograph.starts_with("hold 1") && statistic > limit,
        "{off_mm} {photograph}"
    );
    assert!(touched.points.iter().any(|p| p.point == 2) && touched.tip.is_ok());
}

#[test]
fn too_little_is_refused_with_numbers_and_remedy() {
    let fault = |recipe: &Recipe| solved(&scene(recipe)).1;
    // Three pivots: one short.
    let few = fault(&Recipe { holds: vec![3], ..Recipe::new(1) });
    assert_eq!(few.tip.unwrap_err(), TouchFault::TooFewTilts { got: 3, needed: 4, short: 1 });
    // Tilted by 3 degrees.
    let alike = fault(&Recipe { holds: vec![12, 3], tilt: 0.05, ..Recipe::new(1) });
    let text = alike.tip.as_ref().unwrap_err().to_string();
    assert!(
        matches!(alike.tip, Err(TouchFault::TiltedTooLittle { n: 15, .. })) && text.contains("Pivot again"),
        "{text}"
    );
    assert_eq!(alike.not_found.len(), 2);
    // One touch of a point with a known tip.
    let once = fault(&Recipe { holds: vec![2, 1], measured_tip: Some(0.0005), ..Recipe::new(1) });
    assert_eq!(once.not_found, [(1, TouchFault::TooFewHolds { got: 1, needed: 2 })]);
    assert!(once.not_found[0].1.to_string().contains("Touch it again"));
    assert_eq!(once.points.len(), 1);
}

/// A pointer in a photograph that says nothing of it is left out, and said.
#[test]
fn a_pointer_without_a_hold_ties_nothing() {
    let mut scene = scene(&Recipe { holds: vec![8], ..Recipe::new(2) });
    let last = scene.input.photos.len() - 1;
    scene.input.photos[last].hold = None;
    let (survey, touched) = solved(&scene);
    assert!(survey.dropped.iter().any(|d| d.photo == last && d.id >= 50 && d.reason.contains("pivoting")));
    assert!(touched.holds[7].left_out.is_some() && touched.tip.unwrap().n_holds == 7);
}
