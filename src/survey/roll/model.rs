//! What ties the plates of a rolled car together, as unknowns and rows of the adjustment.
//!
//! ```text
//! world_from_car(p) = world_from_lane · tilt · planar(x_p, y_p, ψ_p)          planar(0, 0, 0) at the first position
//! wheel w at p:   world_from_plate(w, p) · hub_w   =  world_from_car(p) · (centre_w + height, level)
//!                 world_from_plate(w, p) · axis_w  =  world_from_car(p) · (direction_w + toe, camber)
//! before rolling: hub_w = where the declaration has it, within its uncertainty
//! between positions: ψ_p − ψ_(p-1) = (curvature + its own small part) · way
//! ```
//!
//! `axis_w`, `hub_w` (clamp) and `centre_w`, `direction_w` (car) are one each for all positions; height, level, toe and camber are small and
//! independent ([`Steadiness`]). Nothing is said about the angle that a wheel turned by: the two rows about the spin itself are left
//! out, which is the same as one free angle for each wheel and position. How a plate sits on its wheel is not asked: run-out cancels.

use super::{HubBefore, RolledCar};
use crate::frames::{Body, Pose, World};
use crate::survey::Source;
use crate::survey::rows::MeasuredBlock;
use nalgebra::{DMatrix, DVector, Isometry3, Translation3, UnitQuaternion, Vector3};

/// Step of the central differences, rad and m: residuals of order one metre keep ten digits.
const STEP: f64 = 1e-6;

/// Between two positions the steering may be this part of its uncertainty off what it is on the whole. Common practice, no source.
const OWN_PART: f64 = 0.5;

/// However short the way between two positions, the turn between them is not held better than this, rad: tyres slip.
const LEAST_TURN_RAD: f64 = 5e-5;

/// A hub that is declared as exactly known is held this well, m.
const EXACT_M: f64 = 1e-6;

/// The unknowns of one wheel.
#[derive(Clone, Debug)]
pub(crate) struct WheelState {
    /// Unit, in the plate's frame, away from the car.
    pub axis_in_plate: Vector3<f64>,
    /// m, in the plate's frame.
    pub hub_in_plate: Vector3<f64>,
    /// m, in the car's frame.
    pub centre_in_car: Vector3<f64>,
    /// Unit, in the car's frame.
    pub axis_in_car: Vector3<f64>,
}

/// The unknowns of the rolled car. The car's frame: the lane's, at the first position.
#[derive(Clone, Debug)]
pub(crate) struct RollState {
    /// Fixed: x along the way, z = the normal of the floor through all sheets, origin between the wheels.
    pub world_from_lane: Isometry3<f64>,
    /// Tilt of the floor under the wheels about x and y, rad.
    pub tilt: [f64; 2],
    /// By position: x, y (m) and turn about z (rad) of the car; zero at the first.
    pub motion: Vec<[f64; 3]>,
    /// Curvature of the car's way, 1/m: steering not quite straight.
    pub curvature: f64,
    /// Fixed: the way from each position to the next, m, negative where it leads against the lane's x.
    pub ways_m: Vec<f64>,
    pub wheels: Vec<WheelState>,
    /// By wheel: standard uncertainty of the declared centre square to the axis as it counts here, m.
    pub u_aside_m: Vec<f64>,
    /// By rider.
    pub car_from_rider: Vec<Isometry3<f64>>,
}

/// What a block of rows is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Tie {
    /// A wheel at a position.
    Wheel { wheel: usize, position: usize },
    /// A rider (index among those that were seen) at a position.
    Rider { rider: usize, position: usize },
}

impl Tie {
    pub fn position(self) -> usize {
        match self {
            Tie::Wheel { position, .. } | Tie::Rider { position, .. } => position,
        }
    }

    fn rows(self) -> usize {
        match self {
            Tie::Wheel { .. } => 5,
            Tie::Rider { .. } => 6,
        }
    }
}

/// Where the unknowns of the roll are among the columns, and which ties are in use.
#[derive(Clone, Debug)]
pub(crate) struct RollLayout {
    /// First column.
    pub first: usize,
    pub n_positions: usize,
    pub n_wheels: usize,
    pub n_riders: usize,
    /// Each with the instance of its body.
    pub ties: Vec<(Tie, usize)>,
}

/// The slope (2) and the curvature.
const COMMON: usize = 3;

const PER_WHEEL: usize = 10;

impl RollLayout {
    pub fn tilt(&self) -> usize {
        self.first
    }

    pub fn curvature(&self) -> usize {
        self.first + 2
    }

    /// First column of a position's motion; `None` for the first position, which is held.
    pub fn motion(&self, position: usize) -> Option<usize> {
        (position > 0).then(|| self.first + COMMON + 3 * (position - 1))
    }

    /// First column of a wheel: axis in plate (2), hub in plate (3), centre in car (3), axis in car (2).
    pub fn wheel(&self, wheel: usize) -> usize {
        self.first + COMMON + 3 * (self.n_positions - 1) + PER_WHEEL * wheel
    }

    pub fn rider(&self, rider: usize) -> usize {
        self.wheel(self.n_wheels) + 6 * rider
    }

    pub fn n_columns(&self) -> usize {
        self.rider(self.n_riders) - self.first
    }

    /// Number of values known beforehand and of ties, as rows.
    pub fn n_measured(&self) -> usize {
        COMMON + (self.n_positions - 1) + 3 * self.n_wheels + self.ties.iter().map(|(tie, _)| tie.rows()).sum::<usize>()
    }

    /// What a column stands for, where it is one of these; `name` says an instance's body.
    pub fn name_of(&self, column: usize, name: impl Fn(usize) -> String) -> Option<String> {
        let within = |first: usize, n: usize| (first..first + n).contains(&column);
        if within(self.tilt(), 2) {
            return Some("the slope of the floor under the wheels".into());
        }
        if column == self.curvature() {
            return Some("the curvature of the car's way".into());
        }
        if let Some(p) = (1..self.n_positions).find(|p| self.motion(*p).is_some_and(|at| within(at, 3))) {
            return Some(format!("where the car stood in roll position {}", p + 1));
        }
        let of = |tie: &Tie| match tie {
            Tie::Wheel { wheel, .. } => within(self.wheel(*wheel), PER_WHEEL),
            Tie::Rider { rider, .. } => within(self.rider(*rider), 6),
        };
        let (_, instance) = self.ties.iter().find(|(tie, _)| of(tie))?;
        Some(format!("how \"{}\" sits on the car", name(*instance)))
    }
}

/// A unit vector turned by small angles about two directions square to it.
fn tipped(unit: &Vector3<f64>, by: [f64; 2]) -> Vector3<f64> {
    let [e1, e2] = square_to(unit);
    UnitQuaternion::from_scaled_axis(e1 * by[0] + e2 * by[1]) * unit
}

/// Two unit vectors square to `unit` and to each other.
pub(crate) fn square_to(unit: &Vector3<f64>) -> [Vector3<f64>; 2] {
    let mut other = Vector3::zeros();
    other[unit.iamin()] = 1.0;
    let first = unit.cross(&other).normalize();
    [first, unit.cross(&first)]
}

impl RollState {
    pub fn world_from_car(&self, position: usize) -> Isometry3<f64> {
        let [x, y, turn] = self.motion[position];
        let tilt = UnitQuaternion::from_scaled_axis(Vector3::new(self.tilt[0], self.tilt[1], 0.0));
        let planar = Isometry3::from_parts(
            Translation3::new(x, y, 0.0),
            UnitQuaternion::from_scaled_axis(Vector3::new(0.0, 0.0, turn)),
        );
        self.world_from_lane * Isometry3::from_parts(Translation3::identity(), tilt) * planar
    }

    /// The state after a step of its own columns.
    pub fn stepped(&self, layout: &RollLayout, step: &dyn Fn(usize) -> f64) -> RollState {
        let mut next = self.clone();
        for k in 0..2 {
            next.tilt[k] += step(layout.tilt() + k);
        }
        next.curvature += step(layout.curvature());
        for (p, motion) in next.motion.iter_mut().enumerate() {
            if let Some(at) = layout.motion(p) {
                for (k, value) in motion.iter_mut().enumerate() {
                    *value += step(at + k);
                }
            }
        }
        for (w, wheel) in next.wheels.iter_mut().enumerate() {
            let at = layout.wheel(w);
            wheel.axis_in_plate = tipped(&wheel.axis_in_plate, [step(at), step(at + 1)]);
            for k in 0..3 {
                wheel.hub_in_plate[k] += step(at + 2 + k);
                wheel.centre_in_car[k] += step(at + 5 + k);
            }
            wheel.axis_in_car = tipped(&wheel.axis_in_car, [step(at + 8), step(at + 9)]);
        }
        for (r, pose) in next.car_from_rider.iter_mut().enumerate() {
            let at = layout.rider(r);
            let turn = Vector3::new(step(at), step(at + 1), step(at + 2));
            let shift = Translation3::new(step(at + 3), step(at + 4), step(at + 5));
            *pose *= Isometry3::from_parts(shift, UnitQuaternion::from_scaled_axis(turn));
        }
        next
    }

    /// What a tie lacks to be met, in the car's axes: for a wheel its centre (m, x y z) and its axis (along x, then z); for a rider turn and shift.
    pub fn residual(&self, tie: Tie, world_from_body: &Pose<World, Body>) -> DVector<f64> {
        let car_from_body = self.world_from_car(tie.position()).inverse() * world_from_body.iso();
        match tie {
            Tie::Wheel { wheel, .. } => {
                let wheel = &self.wheels[wheel];
                let centre = car_from_body.rotation * wheel.hub_in_plate + car_from_body.translation.vector
                    - wheel.centre_in_car;
                let axis = car_from_body.rotation * wheel.axis_in_plate - wheel.axis_in_car;
                DVector::from_column_slice(&[centre.x, centre.y, centre.z, axis.x, axis.z])
            }
            Tie::Rider { rider, .. } => {
                let believed = &self.car_from_rider[rider];
                let turn = (car_from_body.rotation * believed.rotation.inverse()).scaled_axis();
                let shift = car_from_body.translation.vector - believed.translation.vector;
                DVector::from_column_slice(&[turn.x, turn.y, turn.z, shift.x, shift.y, shift.z])
            }
        }
    }

    /// How far a wheel's centre is from where its declaration has it (m): along two directions square to the declared axis, then along it.
    fn beside_declaration(&self, car: &RolledCar, wheel: usize) -> DVector<f64> {
        let (declared, found) = (&car.wheels[wheel], &self.wheels[wheel]);
        let nominal = declared.axis_in_plate.coords;
        let before = match declared.hub {
            HubBefore::OnAxis(stand_off_m) => -found.axis_in_plate * stand_off_m,
            HubBefore::InPlate(point) => point.coords,
        };
        let off = found.hub_in_plate - before;
        let [e1, e2] = square_to(&nominal);
        DVector::from_column_slice(&[off.dot(&e1), off.dot(&e2), off.dot(&nominal)])
    }
}

/// The rows that the roll adds at a state. `pose_of` gives an instance's pose, `column_of` its first column (`None`: held).
pub(crate) fn blocks(
    car: &RolledCar,
    layout: &RollLayout,
    state: &RollState,
    pose_of: &dyn Fn(usize) -> Pose<World, Body>,
    column_of: &dyn Fn(usize) -> Option<usize>,
) -> Vec<MeasuredBlock> {
    let steady = &car.steadiness;
    let mut all = Vec::new();
    for (k, value) in state.tilt.iter().enumerate() {
        all.push(MeasuredBlock::scalar(Source::Rolling, layout.tilt() + k, steady.u_slope_rad, *value));
    }
    all.push(MeasuredBlock::scalar(Source::Rolling, layout.curvature(), steady.u_curvature, state.curvature));
    for (k, way_m) in state.ways_m.iter().enumerate() {
        let at = |p: usize| layout.motion(p).map(|first| first + 2);
        let ends: Vec<(usize, f64)> = [(at(k), -1.0), (at(k + 1), 1.0), (Some(layout.curvature()), -way_m)]
            .into_iter()
            .filter_map(|(column, by)| Some((column?, by)))
            .collect();
        let sigma = OWN_PART * steady.u_curvature * way_m.abs() + LEAST_TURN_RAD;
        all.push(MeasuredBlock {
            source: Source::Rolling,
            columns: ends.iter().map(|(column, _)| *column).collect(),
            weight: DMatrix::from_element(1, 1, 1.0 / (sigma * sigma)),
            difference: DVector::from_element(1, state.motion[k + 1][2] - state.motion[k][2] - state.curvature * way_m),
            by_step: Some(DMatrix::from_fn(1, ends.len(), |_, c| ends[c].1)),
        });
    }
    for (w, declared) in car.wheels.iter().enumerate() {
        let columns: Vec<usize> = (layout.wheel(w)..layout.wheel(w) + 5).collect();
        let rows = |state: &RollState, _: &Pose<World, Body>| state.beside_declaration(car, w);
        let [aside, along] = [state.u_aside_m[w], declared.u_along_m].map(|u| u.max(EXACT_M));
        all.push(block(
            Source::Hubs,
            layout,
            state,
            &columns,
            None,
            &Pose::coincident(),
            &[aside, aside, along],
            &rows,
        ));
    }
    let (height, level) = (steady.u_height_m, steady.u_level_m);
    for (tie, instance) in &layout.ties {
        let mut columns: Vec<usize> = vec![layout.tilt(), layout.tilt() + 1];
        columns.extend(layout.motion(tie.position()).iter().flat_map(|at| *at..*at + 3));
        let sigma: Vec<f64> = match tie {
            Tie::Wheel { wheel, .. } => {
                columns.extend(layout.wheel(*wheel)..layout.wheel(*wheel) + PER_WHEEL);
                vec![level, level, height, steady.u_toe_rad, steady.u_camber_rad]
            }
            Tie::Rider { rider, .. } => {
                columns.extend(layout.rider(*rider)..layout.rider(*rider) + 6);
                vec![steady.u_camber_rad, steady.u_camber_rad, steady.u_toe_rad, level, level, height]
            }
        };
        let rows = |state: &RollState, pose: &Pose<World, Body>| state.residual(*tie, pose);
        let own = column_of(*instance);
        all.push(block(Source::Rolling, layout, state, &columns, own, &pose_of(*instance), &sigma, &rows));
    }
    all
}

/// What is to be zero, from the roll's state and a body's pose.
type Rows<'a> = &'a dyn Fn(&RollState, &Pose<World, Body>) -> DVector<f64>;

/// One block with its derivatives by central differences: `columns` of the roll, and six of the body's pose where it has any.
#[allow(clippy::too_many_arguments)] // private, called in two places; a struct for it would only rename the arguments
fn block(
    source: Source,
    layout: &RollLayout,
    state: &RollState,
    columns: &[usize],
    own: Option<usize>,
    pose: &Pose<World, Body>,
    sigma: &[f64],
    rows: Rows,
) -> MeasuredBlock {
    let difference = rows(state, pose);
    let mut all: Vec<usize> = columns.to_vec();
    let mut derivatives: Vec<DVector<f64>> = columns
        .iter()
        .map(|column| {
            let at = |h: f64| rows(&state.stepped(layout, &|c| if c == *column { h } else { 0.0 }), pose);
            (at(STEP) - at(-STEP)) / (2.0 * STEP)
        })
        .collect();
    if let Some(first) = own {
        for k in 0..6 {
            let at = |h: f64| {
                let mut step = nalgebra::Vector6::zeros();
                step[k] = h;
                rows(state, &pose.moved_right(&step))
            };
            all.push(first + k);
            derivatives.push((at(STEP) - at(-STEP)) / (2.0 * STEP));
        }
    }
    let weights: Vec<f64> = sigma.iter().map(|s| 1.0 / (s * s)).collect();
    MeasuredBlock {
        source,
        columns: all,
        weight: DMatrix::from_diagonal(&DVector::from_vec(weights)),
        difference,
        by_step: Some(DMatrix::from_columns(&derivatives)),
    }
}
