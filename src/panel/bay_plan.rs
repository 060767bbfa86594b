//! The bay seen from above and from the side, as plain data in the vehicle frame: wheels, thrust line, floor sheets, cameras, stands as they are and
//! as they are required. Nothing here draws.

use crate::body::BodyKind;
use crate::frames::{Body, Point, Pose, Tag, Target};
use crate::record::Job;
use crate::record::result::{BodyPart, PosePart, ResultFile, StationPart, Verdict};
use crate::units::m_from_mm;
use nalgebra::{Matrix3, Vector3};

/// Half the width of a stand of which no tags are known, m. For the drawing only.
const HALF_FACE_M: f64 = 0.6;

/// Half the side of a sheet of which no tag is known, m. For the drawing only.
const HALF_SHEET_M: f64 = 0.1;

/// How far the sketched body of a car reaches beyond its axles and its hubs, m. For the drawing only.
const OVERHANG_M: f64 = 0.85;
const BESIDE_M: f64 = 0.02;

/// The wheelbase of the sketch where none is known, m. For the drawing only; the drawing says so.
const SKETCHED_WHEELBASE_M: f64 = 2.7;

/// One wheel.
#[derive(Clone, Debug, PartialEq)]
pub struct WheelSpot {
    /// Which, as the result names it.
    pub at: String,
    /// Its hub, m.
    pub hub: [f64; 3],
    /// Its rolling direction seen from above, unit length.
    pub rolling: [f64; 2],
    /// False where it is only sketched.
    pub measured: bool,
}

/// One stand at its station.
#[derive(Clone, Debug, PartialEq)]
pub struct StandSpot {
    /// The station.
    pub station: String,
    /// Its verdict.
    pub verdict: Verdict,
    /// Where the target's centre is, m.
    pub at: [f64; 3],
    /// Where it must be, m.
    pub required: [f64; 3],
    /// The ends of its face seen from above, left and right, m.
    pub face: [[f64; 2]; 2],
    /// The same as required.
    pub required_face: [[f64; 2]; 2],
    /// Lower and upper edge seen from the side: ahead and height, m.
    pub edge: [[f64; 2]; 2],
}

/// A camera's place.
#[derive(Clone, Debug, PartialEq)]
pub struct CameraSpot {
    /// The photograph's name.
    pub photograph: String,
    /// Where it was, m.
    pub at: [f64; 3],
}

/// A viewpoint that is advised, in the vehicle frame.
#[derive(Clone, Debug, PartialEq)]
pub struct Viewpoint {
    /// Where to hold the camera, m.
    pub at: [f64; 3],
    /// Where to look, m.
    pub towards: [f64; 2],
    /// In words.
    pub words: String,
}

/// A flat thing on the floor or on the car.
#[derive(Clone, Debug, PartialEq)]
pub struct SheetSpot {
    /// Its name.
    pub name: String,
    /// In how many photographs it is.
    pub photographs: usize,
    /// Its outline seen from above, m.
    pub corners: Vec<[f64; 2]>,
}

/// All of it. Metres, vehicle frame: x ahead, y to the car's left, z up.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BayPlan {
    /// The wheels, rear ones first; front ones that carry no plate are sketched.
    pub wheels: Vec<WheelSpot>,
    /// True where the distance between the axles is neither measured nor stated.
    pub wheelbase_sketched: bool,
    /// The sketched outline of the car, m.
    pub outline: Vec<[f64; 2]>,
    /// The floor sheets.
    pub sheets: Vec<SheetSpot>,
    /// Other bodies: plates, plumb lines, what rides on the car.
    pub bodies: Vec<SheetSpot>,
    /// Where photographs were taken.
    pub cameras: Vec<CameraSpot>,
    /// The stands.
    pub stands: Vec<StandSpot>,
    /// The thrust line's ends, m.
    pub thrust: [[f64; 2]; 2],
    /// Smallest and largest x and y of all, m.
    pub reach: [[f64; 2]; 2],
}

impl BayPlan {
    /// From a result, with the shapes that the job knows. `None` where there is no car to draw.
    pub fn of(result: &ResultFile, job: Option<&Job>) -> Option<Self> {
        let vehicle = result.vehicle.as_ref()?;
        let mut plan = BayPlan::default();
        for wheel in &vehicle.wheels {
            let hub = wheel.hub_mm.map(m_from_mm);
            // The axis points outward; turned by a quarter it points ahead on both sides.
            let side = if wheel.axis[1] >= 0.0 { 1.0 } else { -1.0 };
            let rolling = unit([side * wheel.axis[1], -side * wheel.axis[0]]);
            plan.wheels.push(WheelSpot { at: wheel.at.clone(), hub, rolling, measured: true });
        }
        sketch_car(&mut plan, vehicle.wheelbase_mm.map(|v| m_from_mm(v.value)), job);
        for body in &result.bodies {
            let Some(pose) = &body.vehicle_from_body else { continue };
            if body.kind == "stand" || body.kind == "touched point" {
                continue;
            }
            let spot = SheetSpot {
                name: body.name.clone(),
                photographs: body.photographs,
                corners: seen_from_above(body, pose, job),
            };
            if body.kind == "floor sheet" { plan.sheets.push(spot) } else { plan.bodies.push(spot) }
        }
        for photo in &result.photographs {
            if let Some(at) = photo.camera_mm {
                plan.cameras.push(CameraSpot { photograph: photo.name.clone(), at: at.map(m_from_mm) });
            }
        }
        plan.stands = result.stations.iter().map(|s| stand_spot(s, result, job)).collect();
        plan.close();
        Some(plan)
    }

    /// The stand at a station.
    pub fn stand(&self, station: &str) -> Option<&StandSpot> {
        self.stands.iter().find(|s| s.station == station)
    }

    /// What the drawing must hold, and the thrust line across it.
    fn close(&mut self) {
        let mut points: Vec<[f64; 2]> = self.outline.clone();
        points.extend(self.sheets.iter().chain(&self.bodies).flat_map(|s| s.corners.iter().copied()));
        points.extend(self.stands.iter().flat_map(|s| s.face.into_iter().chain(s.required_face)));
        points.extend(self.cameras.iter().map(|c| [c.at[0], c.at[1]]));
        points.retain(|p| p.iter().all(|v| v.is_finite()));
        let range = |k: usize| {
            let values = points.iter().map(|p| p[k]);
            (values.clone().fold(f64::MAX, f64::min), values.fold(f64::MIN, f64::max))
        };
        let ((x0, x1), (y0, y1)) = if points.is_empty() { ((-1.0, 1.0), (-1.0, 1.0)) } else { (range(0), range(1)) };
        self.reach = [[x0 - 0.2, y0 - 0.2], [x1 + 0.2, y1 + 0.2]];
        self.thrust = [[self.reach[0][0], 0.0], [self.reach[1][0], 0.0]];
    }
}

fn unit(v: [f64; 2]) -> [f64; 2] {
    let n = v[0].hypot(v[1]);
    if n > 0.0 { [v[0] / n, v[1] / n] } else { [1.0, 0.0] }
}

/// Front wheels where none were measured, and the outline. Both axles' hubs stand in the drawing; the rest of the car is a sketch.
fn sketch_car(plan: &mut BayPlan, wheelbase: Option<f64>, job: Option<&Job>) {
    let declared = job.and_then(|j| j.vehicle.wheelbase).map(|w| w.value_m);
    plan.wheelbase_sketched = wheelbase.or(declared).is_none();
    let wheelbase = wheelbase.or(declared).unwrap_or(SKETCHED_WHEELBASE_M);
    let rear: Vec<WheelSpot> = plan.wheels.iter().filter(|w| w.at.starts_with("rear")).cloned().collect();
    if !plan.wheels.iter().any(|w| w.at.starts_with("front")) {
        for wheel in &rear {
            let at = wheel.at.replacen("rear", "front", 1);
            let hub = [wheel.hub[0] + wheelbase, wheel.hub[1], wheel.hub[2]];
            plan.wheels.push(WheelSpot { at, hub, rolling: [1.0, 0.0], measured: false });
        }
    }
    if rear.is_empty() {
        return;
    }
    let half = rear.iter().fold(0.0_f64, |most, w| most.max(w.hub[1].abs())) + BESIDE_M;
    let (back, front) = (-OVERHANG_M, wheelbase + OVERHANG_M);
    // A plain outline with slightly tapered ends.
    let (taper, corner) = (0.14, 0.35);
    plan.outline = vec![
        [back, -(half - taper)],
        [back + corner, -half],
        [front - 2.0 * corner, -half],
        [front - 0.3 * corner, -(half - taper)],
        [front, -(half - 4.0 * taper)],
        [front, half - 4.0 * taper],
        [front - 0.3 * corner, half - taper],
        [front - 2.0 * corner, half],
        [back + corner, half],
        [back, half - taper],
    ];
}

/// The corners of a body's tags, seen from above: its first tag's square for a sheet, the ends of all tags for anything else.
fn seen_from_above(body: &BodyPart, pose: &PosePart, job: Option<&Job>) -> Vec<[f64; 2]> {
    let to_vehicle = typed(pose);
    let corners = tag_corners(job, &body.name).unwrap_or_else(|| {
        [[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]
            .map(|[x, y]| Vector3::new(x * HALF_SHEET_M, y * HALF_SHEET_M, 0.0))
            .to_vec()
    });
    let from_above: Vec<[f64; 2]> = corners
        .into_iter()
        .map(|c| {
            let p = to_vehicle * nalgebra::Point3::from(c);
            [p.x, p.y]
        })
        .collect();
    hull(from_above)
}

/// All tag corners of a body in its own frame, m.
fn tag_corners(job: Option<&Job>, name: &str) -> Option<Vec<Vector3<f64>>> {
    let kit = &job?.kit;
    let model = &kit.bodies[kit.find_body(name)?];
    let mut out = Vec::new();
    for tag in &model.tags {
        let place: Pose<Body, Tag> = match &tag.place {
            crate::body::TagPlace::Known(pose) => *pose,
            crate::body::TagPlace::Measured { body_from_tag, .. } => *body_from_tag,
            crate::body::TagPlace::Free => continue,
        };
        out.extend(tag.corners_m([0.0; 2]).map(|c| (place * Point::claim(c)).coords));
    }
    // A sheet's own tag is its frame.
    if out.is_empty() && model.kind == BodyKind::FloorSheet {
        out.extend(model.tags.first()?.corners_m([0.0; 2]));
    }
    (!out.is_empty()).then_some(out)
}

fn typed(pose: &PosePart) -> nalgebra::Isometry3<f64> {
    let rotation = Matrix3::from_fn(|i, j| pose.rotation[i][j]);
    let translation = Vector3::from(pose.translation_mm.map(m_from_mm));
    *Pose::<crate::frames::Vehicle, Body>::claim_matrix(&rotation, translation).iso()
}

/// The convex hull (Andrew's monotone chain), counter-clockwise.
fn hull(mut points: Vec<[f64; 2]>) -> Vec<[f64; 2]> {
    points.retain(|p| p.iter().all(|v| v.is_finite()));
    points.sort_by(|a, b| a[0].total_cmp(&b[0]).then(a[1].total_cmp(&b[1])));
    let cross = |o: [f64; 2], a: [f64; 2], b: [f64; 2]| (a[0] - o[0]) * (b[1] - o[1]) - (a[1] - o[1]) * (b[0] - o[0]);
    let chain = |points: &mut dyn Iterator<Item = [f64; 2]>| {
        let mut out: Vec<[f64; 2]> = Vec::new();
        for p in points {
            while out.len() >= 2 && cross(out[out.len() - 2], out[out.len() - 1], p) <= 0.0 {
                out.pop();
            }
            out.push(p);
        }
        out.pop();
        out
    };
    let mut lower = chain(&mut points.iter().copied());
    lower.extend(chain(&mut points.iter().rev().copied()));
    lower
}

fn stand_spot(station: &StationPart, result: &ResultFile, job: Option<&Job>) -> StandSpot {
    let pose = typed(&station.vehicle_from_target);
    let (half, low, high) = face_size(station, result, job).unwrap_or((HALF_FACE_M, -0.3, 0.3));
    let at: [f64; 3] = pose.translation.vector.into();
    let d = &station.deviations;
    let off = [d.distance_mm.deviation, d.lateral_mm.deviation, d.height_mm.deviation].map(m_from_mm);
    let required = [0, 1, 2].map(|k| at[k] - off[k]);
    let end = |side: f64| {
        let p = pose * nalgebra::Point3::new(0.0, side * half, 0.0);
        [p.x, p.y]
    };
    let edge = [low, high].map(|z| {
        let p = pose * nalgebra::Point3::new(0.0, 0.0, z);
        [p.x, p.z]
    });
    let (sin, cos) = crate::units::rad_from_deg(d.yaw_deg.required).sin_cos();
    let required_end = |side: f64| [required[0] - side * half * sin, required[1] + side * half * cos];
    StandSpot {
        station: station.name.clone(),
        verdict: station.verdict,
        at,
        required,
        face: [end(1.0), end(-1.0)],
        required_face: [required_end(1.0), required_end(-1.0)],
        edge,
    }
}

/// Half the width of the target's face, and its lower and upper edge, as its tags show them, m.
fn face_size(station: &StationPart, result: &ResultFile, job: Option<&Job>) -> Option<(f64, f64, f64)> {
    let job = job?;
    let asked = job.placement.stations.iter().find(|s| s.name == station.name)?;
    let name = &job.kit.bodies[asked.target].name;
    result.bodies.iter().find(|b| &b.name == name)?;
    let stand = job.stands.iter().find(|s| s.body == asked.target)?;
    let target_from_body: Pose<Target, Body> = stand.body_from_target.inverse();
    let corners: Vec<Vector3<f64>> =
        tag_corners(Some(job), name)?.into_iter().map(|c| (target_from_body * Point::claim(c)).coords).collect();
    let half = corners.iter().fold(0.0_f64, |most, c| most.max(c.y.abs()));
    let low = corners.iter().fold(f64::MAX, |least, c| least.min(c.z));
    let high = corners.iter().fold(f64::MIN, |most, c| most.max(c.z));
    Some((half, low, high))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_hull_leaves_out_what_is_inside() {
        let square = [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0], [1.0, 1.0], [1.0, 0.0]];
        assert_eq!(hull(square.to_vec()), vec![[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]]);
        assert!(hull(Vec::new()).is_empty());
    }
}
