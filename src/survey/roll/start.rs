//! Start values for the rolled car from the plates' poses, and why there may be none.

use super::model::{RollLayout, RollState, Tie, WheelState, square_to};
use super::{HubBefore, RollFault, RolledCar, RolledWheel, Steadiness};
use crate::body::BodyKind;
use crate::frames::{Body, Pose, World};
use crate::survey::problem::Problem;
use crate::survey::unknowns::{Layout, State};
use crate::units::deg_from_rad;
use nalgebra::{Isometry3, Matrix2, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector2, Vector3};

/// Smallest turn of a wheel between two of its positions, rad. The error of an axis is that of a pose over 2 sin(angle/2) (own derivation):
/// at 20 degrees nearly three times as much as a single pose.
const LEAST_TURN_RAD: f64 = crate::units::rad_from_deg(20.0);

/// An axis further from the declared one than this is no run-out, rad.
const FARTHEST_AXIS_RAD: f64 = crate::units::rad_from_deg(20.0);

/// One body at the roll positions where it was seen: (position, instance, pose).
type Seen = Vec<(usize, usize, Pose<World, Body>)>;

fn seen(problem: &Problem, layout: &Layout, state: &State, reference: usize, body: usize) -> Seen {
    let mut all: Seen = problem
        .instances
        .iter()
        .enumerate()
        .filter(|(i, instance)| instance.body == body && (*i == reference || layout.instance_at[*i].is_some()))
        .filter_map(|(i, instance)| Some((instance.position?, i, state.world_from_instance[i])))
        // A position without a name is none of this roll's.
        .filter(|(position, _, _)| problem.input.rolled.as_ref().is_some_and(|car| *position < car.positions.len()))
        .collect();
    all.sort_by_key(|(position, _, _)| *position);
    all
}

/// The largest turn (rad) of a wheel between two of its positions, a whole turn counting as none.
pub(crate) fn largest_turn(poses: &[Pose<World, Body>]) -> f64 {
    let mut largest = 0.0f64;
    for (k, a) in poses.iter().enumerate() {
        for b in &poses[k + 1..] {
            largest = largest.max((a.iso().rotation.inverse() * b.iso().rotation).angle());
        }
    }
    largest
}

/// The direction of the plate's frame that all its positions agree on: the smallest eigenvector of Σ (R_p − R_q)ᵀ (R_p − R_q).
///
/// Exact where the car only slides; its own turning is left to the adjustment.
fn axis_in_plate(poses: &[Pose<World, Body>], outward: &Vector3<f64>) -> Vector3<f64> {
    let mut scatter = Matrix3::zeros();
    for (k, a) in poses.iter().enumerate() {
        for b in &poses[k + 1..] {
            let difference = a.rotation() - b.rotation();
            scatter += difference.transpose() * difference;
        }
    }
    let eigen = scatter.symmetric_eigen();
    let axis = eigen.eigenvectors.column(eigen.eigenvalues.imin()).into_owned();
    if axis.dot(outward) < 0.0 { -axis } else { axis }
}

/// The plane motion that takes points to points, least squares: (x, y, turn).
///
/// Source: the two-dimensional case of Kabsch, Acta Cryst. A32, 1976. One pair alone gives no turn.
fn plane_motion(pairs: &[(Vector3<f64>, Vector3<f64>)]) -> [f64; 3] {
    let n = pairs.len().max(1) as f64;
    let from = pairs.iter().map(|p| p.0).sum::<Vector3<f64>>() / n;
    let to = pairs.iter().map(|p| p.1).sum::<Vector3<f64>>() / n;
    let (mut sin, mut cos) = (0.0, 0.0);
    for (a, b) in pairs {
        let (a, b): (Vector2<f64>, Vector2<f64>) = ((a - from).xy(), (b - to).xy());
        cos += a.dot(&b);
        sin += a.perp(&b);
    }
    let turn = if pairs.len() < 2 { 0.0 } else { sin.atan2(cos) };
    let shift = to - Rotation3::from_axis_angle(&Vector3::z_axis(), turn) * from;
    [shift.x, shift.y, turn]
}

/// Start values and the columns they go with.
pub(crate) fn start(
    problem: &Problem,
    car: &RolledCar,
    layout: &Layout,
    state: &State,
    reference: usize,
) -> Result<(RollLayout, RollState), RollFault> {
    let name = |body: usize| problem.input.kit.bodies[body].name.clone();
    let n_positions = car.positions.len();
    let mut wheels_seen: Vec<Seen> = Vec::new();
    let mut axes: Vec<Vector3<f64>> = Vec::new();
    for wheel in &car.wheels {
        let seen = seen(problem, layout, state, reference, wheel.plate);
        if seen.len() < 2 {
            return Err(RollFault::SeenOnce { plate: name(wheel.plate), n: seen.len() });
        }
        let poses: Vec<Pose<World, Body>> = seen.iter().map(|s| s.2).collect();
        let turn = largest_turn(&poses);
        if turn.is_nan() || turn < LEAST_TURN_RAD {
            return Err(RollFault::TurnedTooLittle {
                plate: name(wheel.plate),
                turn_deg: deg_from_rad(turn),
                least_deg: deg_from_rad(LEAST_TURN_RAD),
            });
        }
        let axis = axis_in_plate(&poses, &wheel.axis_in_plate.coords);
        let off = axis.angle(&wheel.axis_in_plate.coords);
        if off.is_nan() || off > FARTHEST_AXIS_RAD {
            return Err(RollFault::AxisFar { plate: name(wheel.plate), off_deg: deg_from_rad(off) });
        }
        wheels_seen.push(seen);
        axes.push(axis);
    }
    let hubs: Vec<Vector3<f64>> = car
        .wheels
        .iter()
        .zip(&axes)
        .map(|(wheel, axis)| match wheel.hub {
            HubBefore::OnAxis(stand_off_m) => -axis * stand_off_m,
            HubBefore::InPlate(point) => point.coords,
        })
        .collect();
    let world_from_lane = lane(problem, layout, state, reference, &wheels_seen, &axes, &hubs)?;
    let lane_from_world = world_from_lane.inverse();

    // Position by position: the car's motion from the wheels known so far, then the wheels seen there for the first time.
    let mut motion = vec![[0.0; 3]; n_positions];
    let mut centres: Vec<Option<Vector3<f64>>> = vec![None; car.wheels.len()];
    for (p, moved) in motion.iter_mut().enumerate() {
        let at = |w: usize| {
            let (_, _, pose) = wheels_seen[w].iter().find(|(position, _, _)| *position == p)?;
            Some(lane_from_world * (pose.iso() * nalgebra::Point3::from(hubs[w])))
        };
        let pairs: Vec<_> = (0..hubs.len()).filter_map(|w| Some((centres[w]?, at(w)?.coords))).collect();
        if p > 0 && pairs.is_empty() {
            return Err(RollFault::PositionEmpty { position: car.positions[p].clone() });
        }
        if p > 0 {
            *moved = plane_motion(&pairs);
        }
        let [x, y, turn] = *moved;
        let back = Isometry3::from_parts(
            Translation3::new(x, y, 0.0),
            UnitQuaternion::from_scaled_axis(Vector3::new(0.0, 0.0, turn)),
        )
        .inverse();
        for (w, centre) in centres.iter_mut().enumerate() {
            if let (None, Some(found)) = (&centre, at(w)) {
                *centre = Some((back * found).coords);
            }
        }
    }
    let u_aside_m = (0..hubs.len())
        .map(|w| u_aside(&car.wheels[w], &axes[w], &wheels_seen[w], &car.steadiness, &lane_from_world))
        .collect();
    let wheels: Vec<WheelState> = (0..hubs.len())
        .map(|w| WheelState {
            axis_in_plate: axes[w],
            hub_in_plate: hubs[w],
            centre_in_car: centres[w].unwrap_or_default(),
            axis_in_car: (lane_from_world.rotation * (wheels_seen[w][0].2.iso().rotation * axes[w])).normalize(),
        })
        .collect();
    let way_m = |m: &[[f64; 3]]| {
        let (x, y) = (m[1][0] - m[0][0], m[1][1] - m[0][1]);
        x.hypot(y) * x.signum()
    };
    let ways_m = motion.windows(2).map(way_m).collect();
    let mut roll = RollState {
        ways_m,
        curvature: 0.0,
        world_from_lane,
        tilt: [0.0; 2],
        motion,
        wheels,
        u_aside_m,
        car_from_rider: Vec::new(),
    };
    let mut ties: Vec<(Tie, usize)> = Vec::new();
    for (wheel, list) in wheels_seen.iter().enumerate() {
        ties.extend(list.iter().map(|(position, i, _)| (Tie::Wheel { wheel, position: *position }, *i)));
    }
    for body in &car.riders {
        let list = seen(problem, layout, state, reference, *body);
        // A rider that was never seen would have columns that nothing determines: it takes no part.
        let Some((position, _, pose)) = list.first() else { continue };
        let rider = roll.car_from_rider.len();
        roll.car_from_rider.push(roll.world_from_car(*position).inverse() * pose.iso());
        ties.extend(list.iter().map(|(position, i, _)| (Tie::Rider { rider, position: *position }, *i)));
    }
    let columns = RollLayout {
        first: layout.n_columns,
        n_positions,
        n_wheels: roll.wheels.len(),
        n_riders: roll.car_from_rider.len(),
        ties,
    };
    Ok((columns, roll))
}

/// How well a hub's declaration counts, square to the axis (m).
///
/// A declared eccentricity is a limit, not a normal deviate about zero: as an observation it draws the hub towards the plate's middle by its
/// share of the weight, and the limit is often a guess. Where the heights of the hub at the positions alone fix it at least half as well as the
/// declaration does, in every direction, the declaration therefore steps back to a ninth of its weight. This asks only how far the wheel turned, never what was measured, so that nothing
/// is selected by its outcome.
fn u_aside(
    wheel: &RolledWheel,
    axis: &Vector3<f64>,
    seen: &Seen,
    steady: &Steadiness,
    lane_from_world: &Isometry3<f64>,
) -> f64 {
    // Height of the hub = sum of the plate's two directions square to the axis, each times the hub's coordinate there, plus a constant.
    let up = lane_from_world.rotation.inverse() * Vector3::z();
    let [e1, e2] = square_to(axis);
    let rows: Vec<Vector2<f64>> = seen
        .iter()
        .map(|(_, _, pose)| {
            let up_in_plate = pose.iso().rotation.inverse() * up;
            Vector2::new(up_in_plate.dot(&e1), up_in_plate.dot(&e2))
        })
        .collect();
    let mean = rows.iter().sum::<Vector2<f64>>() / rows.len().max(1) as f64;
    let normal: Matrix2<f64> = rows.iter().map(|r| (r - mean) * (r - mean).transpose()).sum();
    let weakest = normal.symmetric_eigenvalues().min().max(0.0);
    let by_heights = steady.u_height_m / weakest.sqrt().max(1e-9);
    if by_heights < 2.0 * wheel.u_aside_m { 3.0 * wheel.u_aside_m } else { wheel.u_aside_m }
}

/// The lane: z = normal of the plane through all floor sheets, x square to the first wheel's axis, origin between the wheels.
fn lane(
    problem: &Problem,
    layout: &Layout,
    state: &State,
    reference: usize,
    wheels: &[Seen],
    axes: &[Vector3<f64>],
    hubs: &[Vector3<f64>],
) -> Result<Isometry3<f64>, RollFault> {
    let sheets: Vec<&Pose<World, Body>> = (0..problem.instances.len())
        .filter(|&i| i == reference || layout.instance_at[i].is_some())
        .filter(|&i| problem.input.kit.bodies[problem.instances[i].body].kind == BodyKind::FloorSheet)
        .map(|i| &state.world_from_instance[i])
        .collect();
    if sheets.len() < 3 {
        return Err(RollFault::NoFloor { n: sheets.len() });
    }
    let (_, _, normal) = crate::fit::plane_through(&sheets.iter().map(|s| s.translation()).collect::<Vec<_>>());
    let faces: Vector3<f64> = sheets.iter().map(|s| s.rotation().column(2).into_owned()).sum();
    let up = if normal.dot(&faces) < 0.0 { -normal } else { normal };
    let origins: Vec<Vector3<f64>> =
        wheels.iter().zip(hubs).map(|(seen, hub)| (seen[0].2.iso() * nalgebra::Point3::from(*hub)).coords).collect();
    let origin = origins.iter().sum::<Vector3<f64>>() / origins.len().max(1) as f64;
    let axis = wheels.first().zip(axes.first()).map(|(seen, axis)| seen[0].2.iso().rotation * axis);
    let along = axis.unwrap_or_else(|| square_to(&up)[0]).cross(&up);
    let x = along.try_normalize(1e-6).unwrap_or_else(|| square_to(&up)[0]);
    let turn = Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[x, up.cross(&x), up]));
    Ok(Isometry3::from_parts(Translation3::from(origin), UnitQuaternion::from_rotation_matrix(&turn)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::rad_from_deg;

    fn turned(by_deg: f64, tilt: Vector3<f64>) -> Pose<World, Body> {
        let spin = UnitQuaternion::from_scaled_axis(Vector3::y() * rad_from_deg(by_deg));
        let r = spin * UnitQuaternion::from_scaled_axis(tilt);
        Pose::claim(Isometry3::from_parts(Translation3::identity(), r))
    }

    /// Source: the rotation between two poses on one wheel has the spin axis as its axis, whatever the tag's tilt; a tag tilted 5 degrees and
    /// a roll of 60 degrees (worked case, own derivation).
    #[test]
    fn a_tilted_plate_still_turns_about_the_axis() {
        let tilt = Vector3::new(rad_from_deg(5.0), rad_from_deg(3.0), rad_from_deg(-4.0));
        for angles in [vec![0.0, 60.0], vec![0.0, 62.0, 118.0], vec![10.0, 200.0], vec![0.0, 359.0, 90.0]] {
            let poses: Vec<_> = angles.iter().map(|a| turned(*a, tilt)).collect();
            // The spin axis in the plate: what turns to y.
            let wanted = poses[0].iso().rotation.inverse() * Vector3::y();
            for outward in [wanted, -wanted] {
                let axis = axis_in_plate(&poses, &outward);
                assert!((axis - outward).norm() < 1e-9, "{angles:?}: {axis}");
            }
        }
    }

    /// Source: a tag on a wheel reads e(φ) = t + A cos(φ - p); worked case t 0.20, A 0.15, p 40 degrees (own derivation, published in any text on
    /// run-out compensation). Whatever angles are read, the axis is t.
    #[test]
    fn the_run_out_sinusoid() {
        let deg = rad_from_deg;
        let read = |phi: f64| {
            // A wheel on the left, toe-in 0.20: its axis turns clockwise from +y. The tag's normal is tipped by 0.15 towards what faces 40 degrees.
            let axis_to_world = UnitQuaternion::from_scaled_axis(-Vector3::z() * deg(0.20));
            let spin = UnitQuaternion::from_scaled_axis(Vector3::y() * deg(phi - 40.0));
            // z of the tag to y of the world, tipped by the run-out towards +x.
            let upright = UnitQuaternion::from_scaled_axis(-Vector3::x() * deg(90.0));
            let tip = UnitQuaternion::from_scaled_axis(-Vector3::z() * deg(0.15));
            let pose = Pose::<World, Body>::claim(Isometry3::from_parts(
                Translation3::identity(),
                axis_to_world * spin * tip * upright,
            ));
            let normal = pose.rotation().column(2).into_owned();
            (pose, deg_from_rad(normal.x.atan2(normal.y)))
        };
        for (phi, e) in [
            (0.0, 0.314907),
            (90.0, 0.296418),
            (120.0, 0.226047),
            (180.0, 0.085093),
            (240.0, 0.059046),
            (270.0, 0.103582),
        ] {
            let (_, got) = read(phi);
            assert!((got - e).abs() < 1e-5, "{phi}: {got} for {e}");
        }
        for angles in [vec![0.0, 180.0], vec![0.0, 120.0, 240.0], vec![0.0, 62.0, 118.0], vec![0.0, 30.0]] {
            let poses: Vec<_> = angles.iter().map(|phi| read(*phi).0).collect();
            let axis = axis_in_plate(&poses, &Vector3::z());
            let in_world = poses[0].rotation() * axis;
            let toe = deg_from_rad(in_world.x.atan2(in_world.y));
            assert!((toe - 0.20).abs() < 1e-9, "{angles:?}: {toe}");
        }
    }

    /// Source: axis error = pose error / (2 sin(φ/2)); table for 30 to 180 degrees (own derivation).
    #[test]
    fn how_the_turn_amplifies_an_error_of_pose() {
        for (phi, factor) in [(30.0, 1.93), (45.0, 1.31), (60.0, 1.00), (90.0, 0.707), (120.0, 0.577), (180.0, 0.500)] {
            let spin = |by: f64| UnitQuaternion::from_scaled_axis(Vector3::y() * by);
            let error = 1e-5;
            for direction in [Vector3::x(), Vector3::z(), Vector3::new(0.6, 0.0, -0.8)] {
                let wrong = UnitQuaternion::from_scaled_axis(direction * error);
                let pose = |r| Pose::<World, Body>::claim(Isometry3::from_parts(Translation3::identity(), r));
                let poses = [pose(spin(0.0)), pose(wrong * spin(rad_from_deg(phi)))];
                let off = axis_in_plate(&poses, &Vector3::y()).angle(&Vector3::y());
                assert!((off / error / factor - 1.0).abs() < 0.005, "{phi}: {}", off / error);
            }
        }
    }

    #[test]
    fn a_whole_turn_is_no_turn() {
        let poses = [0.0, 350.0].map(|a| turned(a, Vector3::zeros()));
        assert!((deg_from_rad(largest_turn(&poses)) - 10.0).abs() < 1e-9);
    }

    #[test]
    fn the_plane_motion_of_two_points() {
        let turn = 0.01;
        let r = Rotation3::from_axis_angle(&Vector3::z_axis(), turn);
        let shift = Vector3::new(0.6, -0.02, 0.0);
        let pairs: Vec<_> =
            [Vector3::new(0.0, 0.77, 0.3), Vector3::new(0.0, -0.77, 0.3)].iter().map(|a| (*a, r * a + shift)).collect();
        let [x, y, t] = plane_motion(&pairs);
        assert!((x - 0.6).abs() < 1e-12 && (y + 0.02).abs() < 1e-12 && (t - turn).abs() < 1e-12);
        assert_eq!(plane_motion(&pairs[..1])[2], 0.0);
    }
}
