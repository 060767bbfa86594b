//! A path-traced bay with exact truth (`layout.json`, `truth.json` and its photographs in one folder) through the whole measurement.
#![allow(dead_code)] // each user takes its own part

use nalgebra::{Matrix3, SMatrix, Vector2, Vector3};
use plumbsight::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace, place_from_corners};
use plumbsight::camera::{Lens, N_LENS};
use plumbsight::frames::{Body, Direction, Point, Pose, World, yaw_pitch_roll};
use plumbsight::placement::{Datum, LateralFrom, Placement, Reference, StandModel, Station};
use plumbsight::raster::ToneCurve;
use plumbsight::record::{Job, JobPhoto, JobRoll, LensChoice, LensProfile};
use plumbsight::session::{Measured, judge, measure};
use plumbsight::survey::{Photo, RolledCar, Steadiness, TagView};
use plumbsight::units::{m_from_mm, rad_from_deg};
use plumbsight::vehicle::{
    Corner, DeclaredLength, FloorModel, HubPlace, MeasuredBody, VehicleModel, WheelModel, measured_bodies,
    rolled_wheels,
};
use plumbsight::verdict::Assessment;
use serde_json::Value;
use std::path::Path;

/// How the clamps are declared.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Clamps {
    /// As somebody would who knows only that they wobble: limits of 1 degree and 2.5 mm.
    Limits,
    /// With their true run-out, so that only the photogrammetry is judged.
    Known,
}

/// One roll position of a traced bay, measured.
pub struct Traced {
    pub job: Job,
    pub measured: Measured,
    pub assessment: Assessment,
    /// True deviations, metres and radians.
    pub truth: [f64; 6],
    /// Error of the stand against the floor sheets alone: metres x 3, then yaw, pitch, roll in radians.
    pub stand_on_sheets: [f64; 6],
    /// Seconds: photographs and tags, survey and judging.
    pub seconds: [f64; 2],
}

/// True toe against the true thrust line and true camber of a wheel, rad.
pub fn true_toe(job: &Job, corner: Corner) -> [f64; 2] {
    let truth = json(&job.folder.join("truth.json"));
    let name = match corner {
        Corner::RearLeft => "rear_left",
        Corner::RearRight => "rear_right",
        Corner::FrontLeft => "front_left",
        Corner::FrontRight => "front_right",
    };
    let side = if corner.is_left() { 1.0 } else { -1.0 };
    let axis = vector(&truth["positions"][0]["wheels"][name]["axis"]) * side;
    // World X is the true thrust line; toe-in turns the left wheel to the right; a top that leans outward dips the outward axis.
    [side * (axis.x * side).atan2(axis.y * side), -axis.z.asin()]
}

/// True deviations (m, rad) of the stand from what the job asks, with the car at a roll position.
pub fn true_deviation(job: &Job, position: usize) -> [f64; 6] {
    let truth = json(&job.folder.join("truth.json"));
    let bay_from_stand: Pose<World, Body> = pose(&truth["stand_poses"][0]);
    let front = &truth["positions"][position]["wheels"];
    let front_x = (vector(&front["front_left"]["centre"]).x + vector(&front["front_right"]["centre"]).x) / 2.0;
    let (yaw, pitch, roll) = yaw_pitch_roll(&bay_from_stand.rotation());
    let required = job.placement.stations[0].required;
    let t = bay_from_stand.translation();
    [t.x - front_x - required[0], t.y - required[1], t.z - required[2], yaw - required[3], pitch, roll]
}

/// Tags as a detector found them, stored beside a scene instead of its photographs.
pub fn stored_photos(path: &Path) -> Vec<Photo> {
    let photo = |p: &Value| Photo {
        name: p["file"].as_str().expect("a name").to_owned(),
        lens: 0,
        station: 0,
        position: number(&p["position"]) as usize,
        hold: None,
        tags: p["tags"]
            .as_array()
            .expect("tags")
            .iter()
            .map(|t| {
                TagView::new(
                    number(&t["id"]) as u16,
                    std::array::from_fn(|k| Vector2::new(number(&t["corners"][k][0]), number(&t["corners"][k][1]))),
                    SMatrix::from_fn(|r, c| number(&t["cov"][r][c])),
                )
            })
            .collect(),
    };
    json(path).as_array().expect("photographs").iter().map(photo).collect()
}

fn json(path: &Path) -> Value {
    let text = std::fs::read(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_slice(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn number(v: &Value) -> f64 {
    v.as_f64().expect("a number")
}

fn vector(v: &Value) -> Vector3<f64> {
    Vector3::new(number(&v[0]), number(&v[1]), number(&v[2]))
}

fn pose<A, B>(v: &Value) -> Pose<A, B> {
    let m = |r: usize, c: usize| number(&v[r][c]);
    Pose::claim_matrix(&Matrix3::from_fn(m), Vector3::new(m(0, 3), m(1, 3), m(2, 3)))
}

fn tags(list: &Value, corners: &str) -> Vec<BodyTag> {
    list.as_array()
        .expect("a list of tags")
        .iter()
        .map(|tag| {
            let corners: [Vector3<f64>; 4] = std::array::from_fn(|k| vector(&tag[corners][k]));
            let (place, _) = place_from_corners(&corners, m_from_mm(0.5)).expect("a square");
            BodyTag {
                id: number(&tag["id"]) as u16,
                side_m: number(&tag["side_m"]),
                stretch: [1.0; 2],
                print: 0,
                place: TagPlace::Known(place),
            }
        })
        .collect()
}

fn kit(layout: &Value) -> Kit {
    let body = |name: &str, kind: BodyKind, tags: Vec<BodyTag>| BodyModel { name: name.into(), kind, tags };
    let mut bodies = vec![
        body("stand", BodyKind::Stand, tags(&layout["stand"]["tags"], "corners_stand_m")),
        body("rear_left", BodyKind::Plate, tags(&layout["plates"]["rear_left"], "corners_plate_m")),
        body("rear_right", BodyKind::Plate, tags(&layout["plates"]["rear_right"], "corners_plate_m")),
    ];
    for sheet in layout["floor_tags"].as_array().expect("floor tags") {
        let place = TagPlace::Known(Pose::coincident());
        let tag = BodyTag {
            id: number(&sheet["id"]) as u16,
            side_m: number(&sheet["side_m"]),
            stretch: [1.0; 2],
            print: 0,
            place,
        };
        bodies.push(body(&tag.id.to_string(), BodyKind::FloorSheet, vec![tag]));
    }
    // What a good steel rule and one printer leave open.
    Kit {
        bodies,
        prints: vec![PrintScale {
            name: "kit".into(),
            sigma_common: 0.0003,
            sigma_axis: [0.0; 2],
            sigma_each: 0.0001,
            measured: true,
        }],
        joint_places: Vec::new(),
    }
}

fn lens(truth: &Value) -> LensProfile {
    let i = &truth["intrinsics"];
    let p = |k: &str| number(&i[k]);
    let lens = Lens {
        width: p("width") as usize,
        height: p("height") as usize,
        fx: p("fx"),
        fy: p("fy"),
        cx: p("cx"),
        cy: p("cy"),
        k1: p("k1"),
        k2: p("k2"),
        p1: p("p1"),
        p2: p("p2"),
        k3: p("k3"),
    };
    let sigma = [0.5, 0.5, 0.5, 0.5, 5e-4, 1e-3, 5e-5, 5e-5, 0.0];
    let cov = SMatrix::<f64, N_LENS, N_LENS>::from_fn(|r, c| if r == c { sigma[r] * sigma[r] } else { 0.0 });
    LensProfile {
        file: "truth.json".into(),
        camera: "path-traced".into(),
        made: None,
        lens,
        cov: Some(Box::new(cov)),
        tone: ToneCurve::Srgb,
        focus: None,
        identity: Default::default(),
        made_from: None,
    }
}

fn vehicle(kit: &Kit, position: &Value, clamps: Clamps) -> VehicleModel {
    let wheels = [(Corner::RearLeft, "rear_left"), (Corner::RearRight, "rear_right")].map(|(corner, name)| {
        let wheel = &position["wheels"][name];
        let known = clamps == Clamps::Known;
        let plate_from_world = pose::<World, Body>(&wheel["plate_pose"]).inverse();
        // The truth's axes point left; a wheel's axis points away from the car.
        let outward = vector(&wheel["axis"]) * if corner.is_left() { 1.0 } else { -1.0 };
        let axis = plate_from_world * Direction::<World>::claim(outward);
        let hub = plate_from_world * Point::<World>::claim(vector(&wheel["centre"]));
        WheelModel {
            corner,
            plate: kit.find_body(name).expect("a plate"),
            axis_in_plate: if known { axis } else { Direction::claim(Vector3::z()) },
            run_out_rad: if known { 0.0 } else { rad_from_deg(1.0) },
            hub: if known { HubPlace::InPlate(hub) } else { HubPlace::StandOff(m_from_mm(185.0)) },
            eccentricity_m: if known { 0.0 } else { m_from_mm(2.5) },
            u_stand_off_m: m_from_mm(if known { 0.0 } else { 0.5 }),
        }
    });
    let axle = |left: &str, right: &str| {
        (vector(&position["wheels"][left]["centre"]) + vector(&position["wheels"][right]["centre"])) / 2.0
    };
    let wheelbase = (axle("front_left", "front_right") - axle("rear_left", "rear_right")).x;
    VehicleModel {
        name: None,
        id: None,
        wheels: wheels.into(),
        wheelbase: Some(DeclaredLength { value_m: wheelbase, u_m: m_from_mm(0.1) }),
        checks: Default::default(),
    }
}

/// Measures the photographs of one roll position. `photos`: the folder that holds them.
pub fn run(folder: &Path, photos: &Path, position: usize, clamps: Clamps) -> Traced {
    measure_and_judge(job_of(folder, photos, Some(position), clamps), position)
}

/// Measures all roll positions as one job, judged at the last. Nothing is said about the run-out of the clamps.
pub fn run_rolled(folder: &Path, photos: &Path) -> Traced {
    let job = job_of(folder, photos, None, Clamps::Limits);
    let last = job.rolled.as_ref().expect("several positions").judged;
    measure_and_judge(job, last)
}

/// The job of a traced bay: the photographs of one roll position, or of all.
pub fn job_of(folder: &Path, photos: &Path, position: Option<usize>, clamps: Clamps) -> Job {
    let (layout, truth) = (json(&folder.join("layout.json")), json(&folder.join("truth.json")));
    let kit = kit(&layout);
    let setup = &layout["setup"];
    let stand = kit.find_body("stand").expect("a stand");
    let placement = Placement {
        title: "invented".into(),
        source: "invented".into(),
        revision: "1".into(),
        reference: Reference::Floor,
        stations: vec![Station {
            name: "centre".into(),
            target: stand,
            datum: Datum::FrontAxle,
            lateral_from: LateralFrom::ThrustLine,
            required: [
                number(&setup["distance_front_axle_m"]),
                number(&setup["lateral_m"]),
                number(&setup["height_m"]),
                rad_from_deg(number(&setup["yaw_deg"])),
                0.0,
                0.0,
            ],
            tolerance: [None; 6],
            sensor_to_target_m: None,
        }],
    };
    let names = layout["photos"].as_array().expect("photographs");
    let n_positions = truth["positions"].as_array().expect("positions").len();
    let vehicle = vehicle(&kit, &truth["positions"][position.unwrap_or(0)], clamps);
    let rolled = position.is_none().then(|| JobRoll {
        car: RolledCar {
            positions: (0..n_positions).map(|p| p.to_string()).collect(),
            wheels: rolled_wheels(&vehicle),
            riders: Vec::new(),
            steadiness: Steadiness::default(),
        },
        judged: n_positions - 1,
    });
    Job {
        vin: None,
        file: std::path::PathBuf::new(),
        bodies_file: String::new(),
        inputs: Vec::new(),
        vin_unchecked: None,
        readiness: None,
        folder: folder.to_owned(),
        title: None,
        stands: vec![StandModel::plain(stand)],
        // The prints lie 1.1 to 1.8 mm above the floor in these bays: thin boards, measured with a calliper.
        floor: FloorModel {
            thickness_m: m_from_mm(1.4),
            u_thickness_m: m_from_mm(0.3),
            u_uneven_m: m_from_mm(0.3),
            ..FloorModel::default()
        },
        vehicle,
        placement,
        lenses: vec![lens(&truth)],
        lens_choice: LensChoice::WithinProfile,
        rough_lens: false,
        learn: None,
        photos: names
            .iter()
            .filter(|p| position.is_none_or(|wanted| number(&p["position"]) as usize == wanted))
            // A shipped scene may hold some of its photographs only.
            .filter(|p| photos.join(p["file"].as_str().expect("a name")).exists())
            .map(|p| {
                let name = p["file"].as_str().expect("a name").to_owned();
                let at = if position.is_none() { number(&p["position"]) as usize } else { 0 };
                JobPhoto { path: photos.join(&name), name, lens: 0, station: 0, position: at }
            })
            .collect(),
        moved_between_stations: Vec::new(),
        rolled,
        touch: None,
        notices: Vec::new(),
        kit,
    }
}

fn measure_and_judge(job: Job, position: usize) -> Traced {
    let truth = json(&job.folder.join("truth.json"));
    let start = std::time::Instant::now();
    let tags_done = std::sync::Mutex::new(None);
    let measured = measure(&job, &|progress| {
        if progress == plumbsight::session::Progress::Surveying {
            *tags_done.lock().expect("no panic before") = Some(start.elapsed().as_secs_f64());
        }
    })
    .expect("a traced bay can be surveyed");
    let survey = &measured.survey;
    let bodies = measured_bodies(&job.kit, survey);
    let assessment = judge(&job, survey).expect("a traced bay can be judged");
    let total = start.elapsed().as_secs_f64();
    let tags = tags_done.into_inner().expect("no panic before").expect("the survey was reached");

    let bay_from_stand: Pose<World, Body> = pose(&truth["stand_poses"][0]);
    let truth_deviation = true_deviation(&job, position);
    let stand_on_sheets = against_sheets(&job.kit, &bodies, &truth, &bay_from_stand);
    Traced { measured, assessment, truth: truth_deviation, stand_on_sheets, seconds: [tags, total - tags], job }
}

/// The stand's error in the frame of the floor sheets: their centres are laid on the true ones by a rigid motion (Kabsch, Acta Cryst. A32, 1976).
fn against_sheets(kit: &Kit, bodies: &[MeasuredBody], truth: &Value, bay_from_stand: &Pose<World, Body>) -> [f64; 6] {
    let pairs: Vec<(Vector3<f64>, Vector3<f64>)> = bodies
        .iter()
        .filter(|b| b.kind == BodyKind::FloorSheet)
        .map(|b| {
            let id = kit.bodies[b.body].tags[0].id.to_string();
            (b.world_from_body.translation(), pose::<World, Body>(&truth["floor_poses"][id.as_str()]).translation())
        })
        .collect();
    let n = pairs.len() as f64;
    let from = pairs.iter().map(|p| p.0).sum::<Vector3<f64>>() / n;
    let to = pairs.iter().map(|p| p.1).sum::<Vector3<f64>>() / n;
    let h: Matrix3<f64> = pairs.iter().map(|p| (p.0 - from) * (p.1 - to).transpose()).sum();
    let svd = h.svd(true, true);
    let (u, vt) = (svd.u.expect("asked for"), svd.v_t.expect("asked for"));
    let sign = (vt.transpose() * u.transpose()).determinant().signum();
    let r = vt.transpose() * Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, sign)) * u.transpose();
    let bay_from_world = Pose::<World, World>::claim_matrix(&r, to - r * from);
    let stand = bodies.iter().find(|b| b.kind == BodyKind::Stand).expect("the stand");
    let got = bay_from_world * stand.world_from_body;
    let off = got.translation() - bay_from_stand.translation();
    let (yaw, pitch, roll) = yaw_pitch_roll(&(got.rotation() * bay_from_stand.rotation().transpose()));
    [off.x, off.y, off.z, yaw, pitch, roll]
}
