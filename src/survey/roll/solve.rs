//! The last adjustment with the rolled car in it, its test, and the wheels with what carries their covariance.

use super::model::{RollLayout, RollState, Tie, square_to};
use super::start::start;
use super::{Roll, RollCheck, RollFault, RollSuspect, WheelFound, WheelPlace};
use crate::fit::{chi_square_quantile, normal_quantile};
use crate::frames::{Body, Direction, Point, Pose};
use crate::survey::adjust::{FINAL_GAIN, Run};
use crate::survey::covariance::PoseMap;
use crate::survey::rows::Weights;
use crate::survey::unknowns::{Layout, State};
use nalgebra::{DMatrix, Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector3};

/// Chance that the test fails a sound roll.
const FALSE_ALARM: f64 = 0.001;

/// Step of central differences, rad and m.
const STEP: f64 = 1e-6;

/// Most steps of an adjustment with the roll in it, and of one without a single tie.
const STEPS: usize = 40;
const SUSPECT_STEPS: usize = 15;

/// How the pose of [`Roll::places`] follows from the adjustment's columns, in the same order.
pub(crate) type WheelMap = PoseMap;

impl Run<'_> {
    /// Adjusts with the rolled car tied together. `layout` and `cost`: of the adjustment without. On a fault the state is left as it was.
    pub(crate) fn roll(
        &mut self,
        layout: &Layout,
        weights: &Weights,
        cost: f64,
    ) -> Option<Result<(Roll, Layout, f64), RollFault>> {
        let car = self.problem.input.rolled.as_ref()?;
        let before = self.state.clone();
        let started = start(self.problem, car, layout, &self.state, self.extent.reference);
        let (columns, roll) = match started {
            Ok(started) => started,
            Err(fault) => return Some(Err(fault)),
        };
        self.state.roll = Some(roll);
        let tied = layout.clone().with_roll(columns.clone());
        let solved = self.solve(&tied, weights, STEPS, FINAL_GAIN);
        let (new_cost, Some(found)) = (
            match solved {
                Ok(new_cost) => new_cost,
                Err(error) => {
                    self.state = before;
                    return Some(Err(RollFault::NotSolved(error.to_string())));
                }
            },
            self.state.roll.clone(),
        ) else {
            return Some(Err(RollFault::NotSolved("no start values".into())));
        };
        let dof = (self.redundancy(&tied) - self.redundancy(layout)).max(0.0) as usize;
        let z = normal_quantile(1.0 - FALSE_ALARM);
        let mut check = RollCheck {
            statistic: (new_cost - cost).max(0.0),
            dof,
            limit: chi_square_quantile(z, dof.max(1) as f64),
            suspects: Vec::new(),
        };
        if !check.passed() {
            check.suspects = self.suspects(layout, &columns, weights, new_cost);
        }
        Some(Ok((self.report(&columns, &found, check), tied, new_cost)))
    }

    /// Every tie left out in turn: by how much chi-square falls. The most first.
    fn suspects(&mut self, layout: &Layout, columns: &RollLayout, weights: &Weights, cost: f64) -> Vec<RollSuspect> {
        let held = self.state.clone();
        let mut found = Vec::new();
        for (k, (tie, instance)) in columns.ties.iter().enumerate() {
            let mut fewer = columns.clone();
            fewer.ties.remove(k);
            let without = layout.clone().with_roll(fewer);
            self.state = held.clone();
            let Ok(lower) = self.solve(&without, weights, SUSPECT_STEPS, 1e-8) else { continue };
            let Some(roll) = &self.state.roll else { continue };
            let off = roll.residual(*tie, &self.state.world_from_instance[*instance]);
            let off = match tie {
                // The axis of a wheel on the left points along +y: its x falls when it turns counter-clockwise.
                Tie::Wheel { wheel, .. } => {
                    let side = roll.wheels[*wheel].axis_in_car.y;
                    [-off[3] * side.signum(), off[0], off[1], off[2]]
                }
                Tie::Rider { .. } => [off[2], off[3], off[4], off[5]],
            };
            found.push(RollSuspect {
                body: self.problem.instances[*instance].body,
                position: tie.position(),
                statistic: cost - lower,
                dof: match tie {
                    Tie::Wheel { .. } => 5,
                    Tie::Rider { .. } => 6,
                },
                off,
            });
        }
        self.state = held;
        found.sort_by(|a, b| b.statistic.total_cmp(&a.statistic));
        found
    }

    fn report(&self, columns: &RollLayout, roll: &RollState, check: RollCheck) -> Roll {
        let Some(car) = &self.problem.input.rolled else {
            return Roll { world_from_car: Vec::new(), wheels: Vec::new(), places: Vec::new(), check };
        };
        let mut places = Vec::new();
        let mut wheels = Vec::new();
        for (w, (declared, found)) in car.wheels.iter().zip(&roll.wheels).enumerate() {
            let mut turns = Vec::new();
            let mut first: Option<UnitQuaternion<f64>> = None;
            for (tie, instance) in &columns.ties {
                let Tie::Wheel { wheel, position } = tie else { continue };
                if *wheel != w {
                    continue;
                }
                let pose = &self.state.world_from_instance[*instance];
                let start = *first.get_or_insert(pose.iso().rotation);
                let turn = (start.inverse() * pose.iso().rotation).scaled_axis();
                turns.push((*position, turn.dot(&found.axis_in_plate)));
                places.push(WheelPlace {
                    plate: declared.plate,
                    position: *position,
                    world_from_wheel: Pose::claim(
                        pose.iso() * wheel_in_plate(&found.axis_in_plate, &found.hub_in_plate, [0.0; 2]),
                    ),
                });
            }
            wheels.push(WheelFound {
                plate: declared.plate,
                axis_in_plate: Direction::claim(found.axis_in_plate),
                hub_in_plate: Point::claim(found.hub_in_plate),
                run_out_rad: found.axis_in_plate.angle(&declared.axis_in_plate.coords),
                turns,
            });
        }
        Roll {
            world_from_car: (0..roll.motion.len()).map(|p| Pose::claim(roll.world_from_car(p))).collect(),
            wheels,
            places,
            check,
        }
    }

    /// The maps of [`Roll::places`], in their order.
    pub(crate) fn wheel_maps(&self, layout: &Layout) -> Vec<WheelMap> {
        let (Some(columns), Some(roll)) = (&layout.roll, &self.state.roll) else { return Vec::new() };
        let mut maps = Vec::new();
        for w in 0..roll.wheels.len() {
            for (tie, instance) in &columns.ties {
                if matches!(tie, Tie::Wheel { wheel, .. } if *wheel == w) {
                    let pose = &self.state.world_from_instance[*instance];
                    maps.push(wheel_map(columns.wheel(w), layout.instance_at[*instance], roll, w, pose));
                }
            }
        }
        maps
    }
}

/// The wheel's frame in its plate: z along the axis (tipped by `by` as the adjustment tips it), origin in the hub.
fn wheel_in_plate(axis: &Vector3<f64>, hub: &Vector3<f64>, by: [f64; 2]) -> Isometry3<f64> {
    let [e1, e2] = square_to(axis);
    let frame = Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[e1, e2, *axis]));
    let turn = UnitQuaternion::from_scaled_axis(e1 * by[0] + e2 * by[1]) * UnitQuaternion::from_rotation_matrix(&frame);
    Isometry3::from_parts(Translation3::from(*hub), turn)
}

/// The steps of [`Roll::places`], in their order, from one state to another.
pub(crate) fn wheel_steps(layout: &Layout, from: &State, to: &State) -> Vec<nalgebra::Vector6<f64>> {
    let (Some(columns), Some(before), Some(after)) = (&layout.roll, &from.roll, &to.roll) else { return Vec::new() };
    let mut out = Vec::new();
    for (w, (was, is)) in before.wheels.iter().zip(&after.wheels).enumerate() {
        let nominal = wheel_in_plate(&was.axis_in_plate, &was.hub_in_plate, [0.0; 2]);
        // Two unit vectors this near to each other always have a rotation between them.
        let tip = UnitQuaternion::rotation_between(&was.axis_in_plate, &is.axis_in_plate).unwrap_or_default();
        let now = Isometry3::from_parts(Translation3::from(is.hub_in_plate), tip * nominal.rotation);
        for (_, instance) in
            columns.ties.iter().filter(|(tie, _)| matches!(tie, Tie::Wheel { wheel, .. } if *wheel == w))
        {
            let there = (from.world_from_instance[*instance].iso() * nominal).inverse()
                * (to.world_from_instance[*instance].iso() * now);
            out.push(crate::frames::step_of(&there));
        }
    }
    out
}

/// d (world_from_wheel · exp(δ)) / d (axis, hub, plate), by central differences.
fn wheel_map(
    first: usize,
    plate: Option<usize>,
    roll: &RollState,
    w: usize,
    pose: &Pose<crate::frames::World, Body>,
) -> WheelMap {
    let wheel = &roll.wheels[w];
    let best = pose.iso() * wheel_in_plate(&wheel.axis_in_plate, &wheel.hub_in_plate, [0.0; 2]);
    let stepped = |step: &[f64; 11]| {
        let hub = wheel.hub_in_plate + Vector3::new(step[2], step[3], step[4]);
        let plate = pose.moved_right(&nalgebra::Vector6::from_column_slice(&step[5..11]));
        let there = best.inverse() * (plate.iso() * wheel_in_plate(&wheel.axis_in_plate, &hub, [step[0], step[1]]));
        crate::frames::step_of(&there)
    };
    let mut columns: Vec<usize> = (first..first + 5).collect();
    columns.extend(plate.iter().flat_map(|at| *at..*at + 6));
    let mut by_column = DMatrix::zeros(6, columns.len());
    for k in 0..columns.len() {
        let at = |h: f64| {
            let mut step = [0.0; 11];
            step[k] = h;
            stepped(&step)
        };
        by_column.set_column(k, &((at(STEP) - at(-STEP)) / (2.0 * STEP)));
    }
    PoseMap { columns, by_column }
}
