//! From the survey's bodies to the assessment.

use crate::placement::{Component, Datum, LateralFrom, Placement, StandModel, Station};
use crate::survey::JointCovariance;
use crate::uncertainty::{Estimate, Propagated, propagate};
use crate::units::{deg_from_rad, mm_from_m};
use crate::vehicle::{
    FloorModel, MeasuredBody, ThrustLine, ThrustSource, Unmeasurable, VehicleModel, VehicleResult, WheelResult,
};
use crate::verdict::model::{CAR_OUTPUTS, Evaluated, Model, StationPlan};
use crate::verdict::moves::{Swing, plan};
use crate::verdict::words::{self, End};
use crate::verdict::{
    Assessment, AtRange, BudgetSource, Deviation, Share, State, StationResult, UnmeasuredStation, rule,
};
use nalgebra::Matrix6;

/// Ranges at which deviations are spelled out, m.
const RANGES_M: [f64; 2] = [50.0, 100.0];
/// A floor sheet this many standard uncertainties off the common plane is named (two-sided 0.1 % of a normal distribution).
const SHEET_OFF_IN_U: f64 = 3.29;
/// Floor sheets nearer to each other than this are not compared for steepness, m: their own heights would make it. Common practice, no source.
const NEAREST_SHEETS_M: f64 = 0.5;
/// Less than this (m) off the plane is never named: it would read as nothing. Common practice, no source.
const SHEET_OFF_LEAST_M: f64 = 0.0002;
/// Where the second order adds more than this part of the first, the first order is called in doubt.
const SECOND_ORDER_PART: f64 = 0.2;
/// Total rear toe beyond which the plates are doubted, rad. Common practice, no source.
const ODD_TOE_RAD: f64 = 0.035;
/// How far on the other side of its datum (m) a target must come out before the car is taken to be the wrong way round.
const WRONG_END_M: f64 = 0.5;

/// Everything the decision is made from.
#[derive(Clone, Copy, Debug)]
pub struct AssessInput<'a> {
    /// The bodies as found: rear plates, front plates, floor sheets, targets' bodies, datum bodies, plumb lines, touched points. Others are ignored.
    pub bodies: &'a [MeasuredBody],
    /// Their joint covariance, six rows a body in the order of `bodies`.
    pub joint: &'a JointCovariance,
    /// The car as declared.
    pub vehicle: &'a VehicleModel,
    /// The floor as declared.
    pub floor: &'a FloorModel,
    /// How targets sit on their stands; a target body that is not in this list is taken as [`StandModel::plain`].
    pub stands: &'a [StandModel],
    /// What is asked.
    pub placement: &'a Placement,
}

/// Judges every station of the placement.
///
/// The calculation is [`Model::evaluate`], propagated to first order over every input: the poses' joint covariance and every declared
/// quantity. Nothing depends on which frame the world is.
///
/// Errors: the vehicle frame itself cannot be had ([`Unmeasurable`] says why and what to do). A single station that cannot be judged is
/// listed in [`Assessment::unmeasured`] instead.
pub fn assess(input: &AssessInput) -> Result<Assessment, Unmeasurable> {
    let (model, missing) = Model::new(input)?;
    let best = model.evaluate(&model.inputs.values)?;
    let propagated = propagate(|x| model.outputs(x), &model.inputs)?;

    let mut unmeasured: Vec<UnmeasuredStation> = missing
        .into_iter()
        .map(|(station, reason)| UnmeasuredStation {
            station,
            name: input.placement.stations[station].name.clone(),
            reason,
        })
        .collect();
    let vehicle = vehicle_result(&model, &best, &propagated);
    vehicle.thrust_lines.iter().try_for_each(ThrustLine::check)?;
    let level = level_difference(&model, &best, &propagated)?;
    let mut notes = notes(input, &vehicle);
    notes.extend(level);
    let mut stations = Vec::new();
    for (k, station_plan) in model.stations.iter().enumerate() {
        let deviation_m = propagated.values[6 * k];
        let required_m = station_plan.station.required[0];
        let distance_m = deviation_m + required_m;
        if required_m != 0.0 && distance_m * required_m.signum() < -WRONG_END_M {
            let name = station_plan.station.name.clone();
            let reason = Unmeasurable::WrongEnd { station: name.clone(), ahead: distance_m > 0.0 };
            unmeasured.push(UnmeasuredStation { station: station_plan.index, name, reason });
            continue;
        }
        let n_steps = 6 * input.bodies.len();
        stations.push(station_result(station_plan, &best, &propagated, (k, n_steps), &mut notes));
    }
    unmeasured.sort_by_key(|u| u.station);
    let mut verdict = stations.iter().map(|s| s.verdict).max().unwrap_or(State::NotProven);
    if !unmeasured.is_empty() {
        verdict = verdict.max(State::NotProven);
    }
    Ok(Assessment { vehicle, stations, unmeasured, verdict, notes })
}

fn vehicle_result(model: &Model, best: &Evaluated, p: &Propagated<BudgetSource>) -> VehicleResult {
    let first = model.car_outputs();
    let has_front = best.front.is_some();
    let wheels: Vec<_> = best
        .wheels
        .iter()
        .enumerate()
        .map(|(k, wheel)| WheelResult {
            corner: wheel.corner,
            hub: wheel.hub,
            axis: wheel.axis,
            toe: p.estimate(first + 3 * k),
            camber: p.estimate(first + 3 * k + 1),
            toe_centreline: has_front.then(|| p.estimate(first + 3 * k + 2)),
        })
        .collect();
    let car = first + 3 * wheels.len();
    let sheets = car + CAR_OUTPUTS;
    VehicleResult {
        world_from_vehicle: best.world_from_vehicle,
        wheels,
        rear_track: p.estimate(car),
        wheelbase: has_front.then(|| p.estimate(car + 1)),
        thrust_heading: has_front.then(|| p.estimate(car + 2)),
        floor_slope: best.floor_slope.map(|_| [p.estimate(car + 3), p.estimate(car + 4)]),
        sheet_heights: model
            .sheets
            .iter()
            .enumerate()
            .map(|(k, s)| (model.body_of(*s), p.estimate(sheets + k)))
            .collect(),
        touched: model
            .touched
            .iter()
            .enumerate()
            .map(|(k, position)| {
                let first = sheets + model.sheets.len() + 3 * k;
                (model.body_of(*position), [0, 1, 2].map(|axis| p.estimate(first + axis)))
            })
            .collect(),
        front_set_back: has_front.then(|| p.estimate(car + 5)),
        thrust_lines: thrust_lines(model, best, p, car),
        steepest: steepest(model, p, sheets),
    }
}

/// The other ways to the thrust line that this job has.
fn thrust_lines(model: &Model, best: &Evaluated, p: &Propagated<BudgetSource>, car: usize) -> Vec<ThrustLine> {
    let mut lines = Vec::new();
    if best.travel.is_some() {
        lines.push(ThrustLine { source: ThrustSource::Travel, heading: p.estimate(car + 6) });
    }
    if best.front.is_some() && model.has_printout() {
        lines.push(ThrustLine { source: ThrustSource::Printout, heading: p.estimate(car + 7) });
    }
    lines
}

/// The two sheets between which the floor rises most steeply.
fn steepest(model: &Model, p: &Propagated<BudgetSource>, first: usize) -> Option<(usize, usize, Estimate)> {
    let mut worst: Option<(usize, usize, Estimate)> = None;
    for a in 0..model.sheets.len() {
        for b in a + 1..model.sheets.len() {
            let apart_m = model.apart_m(model.sheets[a], model.sheets[b]);
            if apart_m < NEAREST_SHEETS_M {
                continue;
            }
            let (i, j) = (first + a, first + b);
            let u2 = p.cov[(i, i)] + p.cov[(j, j)] - 2.0 * p.cov[(i, j)];
            let rise = Estimate::new((p.values[j] - p.values[i]) / apart_m, u2.max(0.0).sqrt() / apart_m);
            if worst.as_ref().is_none_or(|(_, _, w)| rise.value.abs() > w.value.abs()) {
                // From the lower to the higher one.
                let (low, high) = if rise.value < 0.0 { (b, a) } else { (a, b) };
                let rise = Estimate { value: rise.value.abs(), ..rise };
                worst = Some((model.body_of(model.sheets[low]), model.body_of(model.sheets[high]), rise));
            }
        }
    }
    worst
}

/// Plumb line against inclinometer, where there are both: an error where they disagree and the placement refers to the vertical, else a note.
fn level_difference(
    model: &Model,
    best: &Evaluated,
    p: &Propagated<BudgetSource>,
) -> Result<Option<String>, Unmeasurable> {
    let input = model.input();
    if best.level_difference.is_none() || input.floor.level_reading.is_none() {
        return Ok(None);
    }
    let car = model.car_outputs() + 3 * best.wheels.len();
    for (k, axis) in [(8, "along the car"), (9, "across the car")] {
        let difference = p.estimate(car + k);
        if difference.value.abs() > SHEET_OFF_IN_U * difference.u {
            let disagree = Unmeasurable::VerticalsDisagree {
                by_mm_per_m: mm_from_m(difference.value.abs()),
                axis,
                expanded_mm_per_m: mm_from_m(difference.expanded),
            };
            return match input.placement.reference {
                crate::placement::Reference::Vertical => Err(disagree),
                crate::placement::Reference::Floor => Ok(Some(format!("Not used for the verdict, but {disagree}."))),
            };
        }
    }
    Ok(None)
}

/// What the reader should know about car and floor.
fn notes(input: &AssessInput, vehicle: &VehicleResult) -> Vec<String> {
    let mut notes = Vec::new();
    let name_of = |body: usize| input.bodies.iter().find(|b| b.body == body).map_or("?", |b| b.name.as_str());
    for (body, height) in &vehicle.sheet_heights {
        if height.value.abs() > (SHEET_OFF_IN_U * height.u).max(SHEET_OFF_LEAST_M) {
            notes.push(format!(
                "Floor sheet \"{}\" lies {} {} the plane through all sheets (U {}): flatten or move it, or the floor is more uneven than stated.",
                name_of(*body),
                words::length(height.value),
                if height.value > 0.0 { "above" } else { "below" },
                words::uncertainty(Component::Height, height.expanded),
            ));
        }
    }
    if input.vehicle.checks.printout.is_some() && vehicle.wheelbase.is_none() {
        notes.push(
            "The printout's thrust angle was not compared: it counts from the centreline, which only plates on both front wheels show.".into(),
        );
    }
    let declared_front = input.vehicle.wheels.iter().filter(|w| !w.corner.is_rear()).count();
    if declared_front > 0 && vehicle.wheelbase.is_none() {
        notes.push(
            "Plates of the front wheels are used only in pairs, and one of the two is not declared or was not measured: photograph or mount it."
                .into(),
        );
    }
    let toe: f64 = vehicle.wheels.iter().filter(|w| w.corner.is_rear()).map(|w| w.toe.value).sum();
    if toe.abs() > ODD_TOE_RAD {
        notes.push(format!(
            "The rear wheels' rolling directions differ by {} (toe-{}), more than cars are set to: check that both plates are seated.",
            words::angle(toe),
            if toe > 0.0 { "in" } else { "out" },
        ));
    }
    if let Some(slope) = vehicle.floor_slope {
        for (estimate, axis, plus, minus) in
            [(slope[0], "along the car", "front", "rear"), (slope[1], "across the car", "left", "right")]
        {
            if estimate.value.abs() > estimate.expanded {
                notes.push(format!(
                    "Against the plumb line the floor rises {:.1} mm/m {axis}, towards its {} (U {:.1} mm/m).",
                    mm_from_m(estimate.value.tan().abs()),
                    if estimate.value > 0.0 { plus } else { minus },
                    mm_from_m(estimate.expanded),
                ));
            }
        }
    }
    notes
}

fn station_result(
    plan_of: &StationPlan,
    best: &Evaluated,
    p: &Propagated<BudgetSource>,
    (k, n_steps): (usize, usize),
    notes: &mut Vec<String>,
) -> StationResult {
    let station = plan_of.station;
    let (vehicle_from_target, six) = best.stations[k];
    let end = End::of(station.required[0]);
    let cov: Matrix6<f64> = p.cov.fixed_view::<6, 6>(6 * k, 6 * k).into_owned();
    let moves = plan(station, &six, &cov, Swing::new(station, &vehicle_from_target, plan_of.stand.pivot));
    let deviations = Component::ALL.map(|component| {
        let i = component.index();
        let row = 6 * k + i;
        let estimate = p.estimate(row);
        let measured = station.required[i] + six[i];
        let mut shares: Vec<Share> = p
            .contributions
            .iter()
            .filter(|c| (0..6).any(|i| c.cov[(6 * k + i, 6 * k + i)] > 0.0))
            .map(|c| Share { source: c.source, u: c.cov[(row, row)].max(0.0).sqrt() })
            .collect();
        shares.sort_by(|a, b| b.u.total_cmp(&a.u));
        let tolerance = station.tolerance[i];
        let state = tolerance.map(|t| rule::judge(&estimate, t));
        let unproven = tolerance.filter(|_| state == Some(State::NotProven));
        let remedy = unproven.map(|t| words::remedy_sentence(component, &estimate, t, &shares, &moves));
        Deviation {
            component,
            required: station.required[i],
            measured,
            deviation: estimate,
            tolerance,
            state,
            conformance: tolerance.map(|t| rule::conformance(&estimate, t)),
            decidable: tolerance.map(|t| rule::can_decide(&estimate, t)),
            shares,
            words: words::deviation(component, estimate.value, end),
            remedy,
        }
    });
    let worst = deviations.iter().filter_map(|d| d.state).max();
    if worst.is_none() {
        notes.push(format!(
            "Station \"{}\" states no tolerance at all, so nothing can be proven: enter the procedure's tolerances.",
            station.name
        ));
    }
    let doubtful: Vec<_> = deviations
        .iter()
        .filter(|d| p.second_order[6 * k + d.component.index()] > SECOND_ORDER_PART * d.deviation.u)
        .map(|d| d.component.name())
        .collect();
    if !doubtful.is_empty() {
        notes.push(format!(
            "Station \"{}\": the uncertainty of {} is so large that its calculation (first order) is in doubt; reduce it before relying on U.",
            station.name,
            doubtful.join(", ")
        ));
    }
    if yaw_turned_round(&deviations) {
        notes.push(format!(
            "Station \"{}\": the target comes out turned by {:.0}°: check which way the stand faces and how its frame is declared.",
            station.name,
            deg_from_rad(deviations[3].deviation.value).abs()
        ));
    }
    StationResult {
        station: plan_of.index,
        name: station.name.clone(),
        vehicle_from_target,
        by_body_step: p.jacobian.view((6 * k, 0), (6, n_steps)).into_owned(),
        at_range: at_range(station, &deviations),
        deviations,
        cov,
        verdict: worst.unwrap_or(State::NotProven),
        moves,
    }
}

/// A target that looks away from where it should is a wrong frame, not a deviation.
fn yaw_turned_round(deviations: &[Deviation; 6]) -> bool {
    deviations[3..].iter().any(|d| d.deviation.value.abs() > std::f64::consts::FRAC_PI_4)
}

/// What yaw and lateral mean at the sensor's range, towards the car's left: D tan(yaw) for a target ahead, the other side for one behind; a target e beside its place at the distance L from the sensor turns a sensor
/// that is aimed at it by e/L (own derivation).
fn at_range(station: &Station, deviations: &[Deviation; 6]) -> Vec<AtRange> {
    let yaw = deviations[Component::Yaw.index()].deviation;
    let lateral = deviations[Component::Lateral.index()].deviation;
    let from_datum = match (station.datum, station.lateral_from) {
        (Datum::Point { .. } | Datum::Body { .. }, LateralFrom::Datum) => {
            Some(station.required[0].hypot(station.required[1]))
        }
        _ => None,
    };
    // The target's nominal heading says which way the sensor looks; what it sees far off moves to its own left, the car's right when it looks back.
    let side = if station.required[3].cos() < 0.0 { -1.0 } else { 1.0 };
    let to_sensor_m = station.sensor_to_target_m.or(from_datum).filter(|l| *l > 0.0);
    let mut all = Vec::new();
    for range_m in RANGES_M {
        let slope = range_m * (1.0 + yaw.value.tan().powi(2));
        let offset = Estimate::new(side * range_m * yaw.value.tan(), slope * yaw.u);
        all.push(AtRange { component: Component::Yaw, range_m, offset });
    }
    for range_m in RANGES_M {
        if let Some(l) = to_sensor_m {
            let offset = Estimate::new(range_m * lateral.value / l, range_m * lateral.u / l);
            all.push(AtRange { component: Component::Lateral, range_m, offset });
        }
    }
    all
}

#[cfg(test)]
mod other_ways;
#[cfg(test)]
mod tests;
