//! A made hall for questions of size: sixty tags that every one of many photographs shows whole, so that nothing about the network is sparse. Invented.
#![allow(dead_code)] // each test binary uses its own part

use nalgebra::{Isometry3, SMatrix, SVector, Translation3, UnitQuaternion, Vector2, Vector3};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace, rectangle_corners_m};
use plumbsight::camera::{Lens, N_LENS};
use plumbsight::frames::{Body, Camera, Point, Pose, Tag, World};
use plumbsight::scene::CornerNoise;
use plumbsight::scene::cameras::look;
use plumbsight::scene::corners::corner_cov;
use plumbsight::scene::draw::{Draw, Purpose};
use plumbsight::scene::options::factor;
use plumbsight::survey::{LensFreedom, LensInput, Photo, SurveyInput, TagView};

/// Tags of the hall.
pub const N_TAGS: usize = 60;

/// Standard deviations of the lens as stated, in the order of `LENS_PARAMETERS`.
const LENS_SIGMA: [f64; N_LENS] = [0.8, 0.8, 0.6, 0.6, 3e-4, 5e-4, 3e-5, 3e-5, 2e-4];
const SIGMA_COMMON: f64 = 3e-4;
const SIGMA_EACH: f64 = 1e-4;

/// The network as the survey gets it, and the truth.
pub struct Hall {
    pub input: SurveyInput,
    pub world_from_body: Vec<Pose<World, Body>>,
    pub camera_from_world: Vec<Pose<Camera, World>>,
}

/// Everything that is not a photograph: a stand with nine tags, four plates, 47 single sheets.
fn bodies(draw: &mut Draw) -> (Kit, Vec<Pose<World, Body>>) {
    let mut bodies = Vec::new();
    let mut world_from_body = Vec::new();
    let mut id = 0;
    let mut body = |name: String, kind, side_m, places: Vec<Pose<Body, Tag>>, pose: Pose<World, Body>| {
        let tags = places.into_iter().map(|place| {
            id += 1;
            BodyTag { id: id - 1, side_m, stretch: [1.0; 2], print: 0, place: TagPlace::Known(place) }
        });
        bodies.push(BodyModel { name, kind, tags: tags.collect() });
        world_from_body.push(pose);
    };
    let tilted = |draw: &mut Draw, spot: Vector3<f64>, tilt_rad: f64| {
        let heading = draw.uniform(-std::f64::consts::PI, std::f64::consts::PI);
        let across = draw.uniform(-std::f64::consts::PI, std::f64::consts::PI);
        let tilt = Vector3::new(across.cos(), across.sin(), 0.0) * tilt_rad;
        let rotation =
            UnitQuaternion::from_scaled_axis(tilt) * UnitQuaternion::from_scaled_axis(Vector3::z() * heading);
        Pose::claim(Isometry3::from_parts(Translation3::from(spot), rotation))
    };
    let on_stand = (0..9).map(|k| {
        let (x, y) = (f64::from(k % 3) - 1.0, f64::from(k / 3) - 1.0);
        Pose::claim_rotvec(Vector3::new(0.15 * y, -0.1 * x, 0.0), Vector3::new(0.35 * x, 0.35 * y, 0.05 * x * y))
    });
    let pose = tilted(draw, Vector3::new(0.3, -0.2, 0.9), 0.3);
    body("stand".into(), BodyKind::Stand, 0.16, on_stand.collect(), pose);
    for k in 0..4 {
        let spot = Vector3::new([-1.9, 1.9][k % 2], [-1.9, 1.9][k / 2], 0.35);
        let pose = tilted(draw, spot, 0.5);
        body(
            format!("plate {k}"),
            BodyKind::Plate,
            0.20,
            vec![Pose::claim_rotvec(Vector3::zeros(), Vector3::zeros())],
            pose,
        );
    }
    let sheets = (0..8).flat_map(|x| (0..8).map(move |y| (f64::from(x) - 3.5, f64::from(y) - 3.5)));
    // Not under the stand, not where the plates are.
    let free = sheets.filter(|(x, y)| x.abs() > 1.0 || y.abs() > 1.0).filter(|(x, y)| x.abs() != 2.5 || y.abs() != 2.5);
    for (k, (x, y)) in free.take(N_TAGS - 13).enumerate() {
        let spot = Vector3::new(
            0.75 * x + draw.uniform(-0.1, 0.1),
            0.75 * y + draw.uniform(-0.1, 0.1),
            draw.uniform(0.0, 0.02),
        );
        let pose = tilted(draw, spot, 0.02);
        let place = vec![Pose::claim_rotvec(Vector3::zeros(), Vector3::zeros())];
        body(format!("sheet {k}"), BodyKind::FloorSheet, 0.16, place, pose);
    }
    let print = PrintScale {
        name: "made print".into(),
        sigma_common: SIGMA_COMMON,
        sigma_axis: [0.0; 2],
        sigma_each: SIGMA_EACH,
        measured: true,
    };
    (Kit { bodies, prints: vec![print], joint_places: Vec::new() }, world_from_body)
}

/// A body that was shifted along its own x axis between two photographs.
#[derive(Clone, Copy)]
pub struct Change {
    pub body: usize,
    /// The first photograph afterwards.
    pub from_photo: usize,
    pub shift_m: f64,
}

/// A hall in `n_photos` photographs from a gallery round it. Lens, print scales and corners carry errors drawn from what is stated of them.
pub fn hall(seed: u64, n_photos: usize) -> Hall {
    hall_with(seed, n_photos, None)
}

/// The same with something moved.
pub fn hall_with(seed: u64, n_photos: usize, change: Option<Change>) -> Hall {
    let mut draw = Draw::new(seed, Purpose::Bodies);
    let (kit, world_from_body) = bodies(&mut draw);
    let common = draw.normal(SIGMA_COMMON);
    let each: Vec<f64> = (0..N_TAGS).map(|_| draw.normal(SIGMA_EACH)).collect();
    let lens = Lens { k1: -0.08, k2: 0.02, p1: 3e-4, p2: -2e-4, ..Lens::pinhole(4000, 3000, 1600.0) };
    let error = SVector::<f64, N_LENS>::from_fn(|k, _| LENS_SIGMA[k] * draw.normal(1.0));
    let true_lens = lens.with_parameters(&(lens.parameters() + error));
    let sigma = SVector::<f64, N_LENS>::from(LENS_SIGMA);
    let cov = SMatrix::<f64, N_LENS, N_LENS>::from_diagonal(&sigma.component_mul(&sigma));

    let mut cameras = Draw::new(seed, Purpose::Cameras);
    let mut noise = Draw::new(seed, Purpose::Corners);
    let mut camera_from_world = Vec::new();
    let mut photos = Vec::new();
    for k in 0..n_photos {
        let angle = k as f64 / n_photos as f64 * std::f64::consts::TAU;
        let out = cameras.uniform(1.0, 2.6);
        let eye = Vector3::new(out * angle.cos(), out * angle.sin(), cameras.uniform(5.2, 6.0));
        let at = Vector3::new(cameras.uniform(-0.2, 0.2), cameras.uniform(-0.2, 0.2), 0.1);
        let camera = look(eye, at, cameras.normal(0.1));
        let mut tags = Vec::new();
        for (b, body) in kit.bodies.iter().enumerate() {
            for tag in &body.tags {
                let TagPlace::Known(place) = &tag.place else { continue };
                let side = tag.side_m * (1.0 + common + each[usize::from(tag.id)]);
                let moved = change.filter(|c| c.body == b && k >= c.from_photo).map_or(0.0, |c| c.shift_m);
                let aside = Pose::claim_rotvec(Vector3::zeros(), Vector3::x() * moved);
                let camera_from_tag = camera * world_from_body[b] * aside * *place;
                let seen = rectangle_corners_m([side; 2]).map(|c| {
                    true_lens.project(&(camera_from_tag * Point::<Tag>::claim(c))).expect("in front of the camera")
                });
                let inside = |p: &Vector2<f64>| p.x > 4.0 && p.y > 4.0 && p.x < 3995.0 && p.y < 2995.0;
                let facing = -camera_from_tag.rotation().column(2).dot(&camera_from_tag.translation().normalize());
                if !seen.iter().all(inside) || facing < 0.15 {
                    continue;
                }
                let cov = corner_cov(&CornerNoise { sigma_px: 0.05, outward_px: 0.02 }, &seen);
                let unit = SVector::<f64, 8>::from_fn(|_, _| noise.normal(1.0));
                let error = factor(&cov).expect("positive definite") * unit;
                let corners = std::array::from_fn(|c| seen[c] + Vector2::new(error[2 * c], error[2 * c + 1]));
                tags.push(TagView::new(tag.id, corners, cov));
            }
        }
        camera_from_world.push(camera);
        photos.push(Photo { name: format!("{:03}", k + 1), lens: 0, station: 0, position: 0, hold: None, tags });
    }
    let lenses = vec![LensInput { lens, freedom: LensFreedom::Measured(Box::new(cov)) }];
    let input = SurveyInput { kit, lenses, photos, moved_between_stations: Vec::new(), rolled: None };
    Hall { input, world_from_body, camera_from_world }
}
