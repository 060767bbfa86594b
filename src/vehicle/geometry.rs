//! From plates and sheets to hubs, floor, thrust line and vehicle frame: plain geometry on one set of numbers. Uncertainty is not known
//! here; [`crate::verdict::assess()`] runs this calculation many times with its inputs stepped.

use crate::fit::plane_through;
use crate::frames::{Body, Direction, Point, Pose, Vehicle, World};
use crate::placement::Reference;
use crate::units::{deg_from_rad, mm_from_m};
use crate::vehicle::{Corner, HubPlace, Unmeasurable, WheelModel};
use nalgebra::{Matrix3, UnitQuaternion, Vector3};

/// Least distance (m, root mean square) of floor sheets from their best line. Common practice, no source.
const MIN_SHEET_SPREAD_M: f64 = 0.15;
/// Largest tilt of a sheet against the floor, rad: more is no sheet on the floor (a small tag's own tilt is uncertain by a few degrees).
const MAX_SHEET_TILT_RAD: f64 = 0.35;
/// Largest angle between a plumb line and the floor's normal, rad. Common practice, no source.
const MAX_PLUMB_TILT_RAD: f64 = 0.17;
/// Largest angle between a rear wheel's axis and the line through the hubs, rad: toe and camber of a car stay far below.
const MAX_AXIS_SKEW_RAD: f64 = 0.26;
/// Tracks that cars have, m (wide on purpose). Common practice, no source.
const TRACK_M: [f64; 2] = [0.8, 3.0];
/// Wheelbases that cars have, m. Common practice, no source.
const WHEELBASE_M: [f64; 2] = [1.0, 6.0];

/// Small errors of one wheel's declared geometry; all zero at the best estimate.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct WheelError {
    /// Tilt of the axis about two directions square to it, rad.
    pub tilt: [f64; 2],
    /// Shift of the hub along two directions square to the axis, m.
    pub shift: [f64; 2],
    /// Shift of the hub along the axis, m.
    pub stand_off_m: f64,
}

/// Hub centre and outward axis in the frame of the plate or of anything the plate is in.
#[derive(Clone, Copy, Debug)]
pub struct Wheel<F> {
    /// Which wheel.
    pub corner: Corner,
    /// Hub centre, m.
    pub hub: Point<F>,
    /// Axis away from the car, unit length.
    pub axis: Direction<F>,
}

/// Two unit vectors square to `axis` (unit) and to each other.
fn square_to(axis: &Vector3<f64>) -> [Vector3<f64>; 2] {
    let least = axis.iamin();
    let mut other = Vector3::zeros();
    other[least] = 1.0;
    let first = axis.cross(&other).normalize();
    [first, axis.cross(&first)]
}

/// The wheel that carries this plate, with the declared geometry in error by `error`.
pub fn wheel(model: &WheelModel, error: &WheelError, world_from_plate: &Pose<World, Body>) -> Wheel<World> {
    let nominal = model.axis_in_plate.coords.normalize();
    let [e1, e2] = square_to(&nominal);
    let tilt = UnitQuaternion::from_scaled_axis(e1 * error.tilt[0] + e2 * error.tilt[1]);
    let axis = tilt * nominal;
    let hub = match model.hub {
        HubPlace::StandOff(s) => -axis * s,
        HubPlace::InPlate(p) => p.coords,
    };
    let hub = hub + e1 * error.shift[0] + e2 * error.shift[1] + nominal * error.stand_off_m;
    Wheel {
        corner: model.corner,
        hub: *world_from_plate * Point::claim(hub),
        axis: *world_from_plate * Direction::claim(axis),
    }
}

/// The floor: a point of it and its unit normal, up.
#[derive(Clone, Copy, Debug)]
pub struct Floor {
    /// A point of the floor, m.
    pub point: Point<World>,
    /// Unit normal, up.
    pub normal: Direction<World>,
}

impl Floor {
    /// Height (m) of a point above the floor, along the floor's normal.
    pub fn height_m(&self, p: &Point<World>) -> f64 {
        self.normal.coords.dot(&(p.coords - self.point.coords))
    }
}

/// The least-squares plane through the sheets' origins, lowered by the print's height; its normal points to the side the prints face.
///
/// `heights_m[i]` is how far sheet `i`'s print lies above the floor. At least three sheets, not on one line.
pub fn floor(sheets: &[(&str, Pose<World, Body>)], heights_m: &[f64]) -> Result<Floor, Unmeasurable> {
    let n = sheets.len();
    if n < 3 {
        return Err(Unmeasurable::TooFewSheets(n));
    }
    let faces: Vector3<f64> = sheets.iter().map(|(_, s)| s.rotation().column(2).into_owned()).sum();
    let (_, along, first) = plane_through(&sheets.iter().map(|(_, s)| s.translation()).collect::<Vec<_>>());
    let spread_m = (along / n as f64).max(0.0).sqrt();
    if spread_m.is_nan() || spread_m <= MIN_SHEET_SPREAD_M {
        return Err(Unmeasurable::SheetsOnALine { n, spread_mm: mm_from_m(spread_m) });
    }
    let up_from = |normal: Vector3<f64>| if normal.dot(&faces) < 0.0 { -normal } else { normal };
    // Lower each print along the first normal, then fit again: the heights are millimetres, so that one pass is exact enough that
    // a further one changes nothing visible (height times the square of the change of the normal).
    let up = up_from(first);
    let lowered: Vec<_> = sheets.iter().zip(heights_m).map(|((_, s), h)| s.translation() - up * *h).collect();
    let (centre, _, normal) = plane_through(&lowered);
    let normal = up_from(normal);
    for (name, sheet) in sheets {
        let tilt = sheet.rotation().column(2).angle(&normal);
        if tilt.is_nan() || tilt >= MAX_SHEET_TILT_RAD {
            return Err(Unmeasurable::SheetTilted { name: (*name).into(), tilt_deg: deg_from_rad(tilt) });
        }
    }
    Ok(Floor { point: Point::claim(centre), normal: Direction::claim(normal) })
}

/// A unit direction tipped by two small angles about directions square to it.
pub fn tipped(direction: &Direction<World>, tilt: [f64; 2]) -> Direction<World> {
    let [e1, e2] = square_to(&direction.coords);
    Direction::claim(UnitQuaternion::from_scaled_axis(e1 * tilt[0] + e2 * tilt[1]) * direction.coords)
}

/// The vertical, up, from a plumb-line body (its y axis, printed upright), checked against the floor's normal.
pub fn plumb(
    name: &str,
    world_from_plumb: &Pose<World, Body>,
    floor: &Floor,
) -> Result<Direction<World>, Unmeasurable> {
    let up = world_from_plumb.rotation().column(1).into_owned();
    let tilt = up.angle(&floor.normal.coords);
    if tilt.is_nan() || tilt >= MAX_PLUMB_TILT_RAD {
        return Err(Unmeasurable::PlumbOff { name: name.into(), tilt_deg: deg_from_rad(tilt) });
    }
    Ok(Direction::claim(up))
}

/// The rolling direction of a wheel: level, square to its axis, forward. Unit length.
pub fn rolling_direction(wheel: &Wheel<World>, up: &Direction<World>) -> Vector3<f64> {
    // Left wheels' outward axis points to +Y and Y × Z = X; right wheels' to -Y and Z × (-Y) = X.
    let forward = wheel.axis.coords.cross(&up.coords);
    (if wheel.corner.is_left() { forward } else { -forward }).normalize()
}

/// The vehicle frame: X along the bisector of the rear wheels' rolling directions, Z = `up`, origin on the floor below (along `up`) the
/// midpoint of the rear hubs.
///
/// Errors: rear wheels that cannot be a car's rear wheels, each with the reason.
pub fn vehicle_frame(
    wheels: &[Wheel<World>],
    floor: &Floor,
    up: &Direction<World>,
) -> Result<Pose<World, Vehicle>, Unmeasurable> {
    let find = |corner| wheels.iter().find(|w| w.corner == corner).ok_or(Unmeasurable::PlateNotMeasured(corner));
    let (left, right) = (find(Corner::RearLeft)?, find(Corner::RearRight)?);
    let across = left.hub.coords - right.hub.coords;
    let track_m = across.norm();
    if !(TRACK_M[0]..=TRACK_M[1]).contains(&track_m) {
        return Err(Unmeasurable::Track { track_mm: mm_from_m(track_m) });
    }
    for (w, outward) in [(left, across), (right, -across)] {
        let angle = w.axis.coords.angle(&outward);
        if angle.is_nan() || angle >= std::f64::consts::FRAC_PI_2 {
            return Err(Unmeasurable::AxisInward(w.corner));
        }
        if angle > MAX_AXIS_SKEW_RAD {
            return Err(Unmeasurable::AxisSkew { corner: w.corner, angle_deg: deg_from_rad(angle) });
        }
    }
    let x = (rolling_direction(left, up) + rolling_direction(right, up)).normalize();
    let y = up.coords.cross(&x);
    let middle = (left.hub.coords + right.hub.coords) / 2.0;
    // Down along `up` to the floor plane.
    let down = floor.height_m(&Point::claim(middle)) / floor.normal.coords.dot(&up.coords);
    let origin = middle - up.coords * down;
    Ok(Pose::claim_matrix(&Matrix3::from_columns(&[x, y, up.coords]), origin))
}

/// A wheel in the vehicle frame.
pub fn in_vehicle(wheel: &Wheel<World>, vehicle_from_world: &Pose<Vehicle, World>) -> Wheel<Vehicle> {
    Wheel { corner: wheel.corner, hub: *vehicle_from_world * wheel.hub, axis: *vehicle_from_world * wheel.axis }
}

/// Toe against the vehicle's X axis (rad, toe-in positive) and camber (rad, positive when the top leans outward).
///
/// Source of the signs: ISO 8855:2011, 7.1.6 (toe); camber from memory.
pub fn toe_and_camber(wheel: &Wheel<Vehicle>) -> (f64, f64) {
    let a = wheel.axis.coords;
    // Heading of the rolling direction, counter-clockwise positive. Toe-in turns the left wheel to the right and the right one to the left.
    let (toe, z) = if wheel.corner.is_left() {
        let heading = (-a.x).atan2(a.y);
        (-heading, a.z)
    } else {
        (a.x.atan2(-a.y), a.z)
    };
    // The outward axis of a wheel whose top leans outward dips towards the floor.
    (toe, -z.clamp(-1.0, 1.0).asin())
}

/// Midpoint of the front hubs where both front wheels are there; an error where it is not ahead of the rear axle.
pub fn front_middle(wheels: &[Wheel<Vehicle>]) -> Result<Option<Point<Vehicle>>, Unmeasurable> {
    let find = |corner| wheels.iter().find(|w| w.corner == corner);
    let (Some(left), Some(right)) = (find(Corner::FrontLeft), find(Corner::FrontRight)) else {
        return Ok(None);
    };
    let middle = (left.hub.coords + right.hub.coords) / 2.0;
    if !(WHEELBASE_M[0]..=WHEELBASE_M[1]).contains(&middle.x) {
        return Err(Unmeasurable::FrontNotAhead { ahead_mm: mm_from_m(middle.x) });
    }
    for w in [left, right] {
        let outward = if w.corner.is_left() { w.axis.coords.y } else { -w.axis.coords.y };
        if outward.is_nan() || outward <= 0.0 {
            return Err(Unmeasurable::AxisInward(w.corner));
        }
    }
    Ok(Some(Point::claim(middle)))
}

/// The vertical, up, from the floor's slopes along the vehicle's X and Y (rad, positive: rises that way).
pub fn level(
    wheels: &[Wheel<World>],
    floor: &Floor,
    rises_forward: f64,
    rises_left: f64,
) -> Result<Direction<World>, Unmeasurable> {
    // The car's axes as they lie in the floor: turning them by the floor's slope changes them only to second order.
    let axes = vehicle_frame(wheels, floor, &floor.normal)?.rotation();
    let up = floor.normal.coords + axes.column(0) * rises_forward.tan() + axes.column(1) * rises_left.tan();
    Ok(Direction::claim(up.normalize()))
}

/// Which direction is up: the floor's normal or, for [`Reference::Vertical`], the plumb line or the floor's normal tipped by its unlevelness.
pub fn up(reference: Reference, floor: &Floor, plumb: Option<Direction<World>>, slope: [f64; 2]) -> Direction<World> {
    match (reference, plumb) {
        (Reference::Floor, _) => floor.normal,
        (Reference::Vertical, Some(vertical)) => vertical,
        (Reference::Vertical, None) => tipped(&floor.normal, slope),
    }
}
