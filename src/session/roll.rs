//! The rolled car's part of the result file.

use crate::body::BodyKind;
use crate::record::Job;
use crate::record::result::{ClampPart, RollPart, RollPositionPart, ThrustLinePart};
use crate::session::result::{value, vector_mm};
use crate::survey::Survey;
use crate::units::{deg_from_rad, mm_from_m};
use crate::vehicle::{Corner, ThrustSource, VehicleResult};

/// How the plate sits on this wheel, as found by rolling.
pub(super) fn clamp(job: &Job, survey: &Survey, corner: Corner) -> Option<ClampPart> {
    let (rolled, roll) = (job.rolled.as_ref()?, survey.roll.as_ref()?.as_ref().ok()?);
    let plate = job.vehicle.wheels.iter().find(|w| w.corner == corner)?.plate;
    let wheel = roll.wheels.iter().find(|w| w.plate == plate)?;
    let turned = |p: usize| wheel.turns.iter().find(|(at, _)| *at == p).map(|(_, turn)| deg_from_rad(*turn));
    Some(ClampPart {
        run_out_deg: deg_from_rad(wheel.run_out_rad),
        axis_in_plate: wheel.axis_in_plate.coords.into(),
        hub_in_plate_mm: vector_mm(&wheel.hub_in_plate.coords),
        turned_deg: (0..rolled.car.positions.len()).map(turned).collect(),
    })
}

/// The other ways to the thrust line.
pub(super) fn thrust_lines(vehicle: &VehicleResult) -> Vec<ThrustLinePart> {
    let part = |line: &crate::vehicle::ThrustLine| ThrustLinePart {
        from: match line.source {
            ThrustSource::Travel => "travel".into(),
            ThrustSource::Printout => "printout".into(),
        },
        heading_deg: value(&line.heading, deg_from_rad),
        statistic: line.statistic(),
        limit: line.limit(),
    };
    vehicle.thrust_lines.iter().map(part).collect()
}

/// How the car was rolled, seen from where it is judged.
pub(super) fn roll(job: &Job, survey: &Survey, vehicle: &VehicleResult) -> Option<RollPart> {
    let (rolled, roll) = (job.rolled.as_ref()?, survey.roll.as_ref()?.as_ref().ok()?);
    let vehicle_from_world = vehicle.world_from_vehicle.inverse();
    let judged = roll.world_from_car.get(rolled.judged)?;
    let place = |name: &String, world_from_car: &crate::frames::Pose<_, _>| {
        // What takes the car from where it is judged to this position, in the vehicle frame.
        let moved = *world_from_car * judged.inverse();
        let there = vehicle_from_world * moved * vehicle.world_from_vehicle;
        let (turn, _, _) = crate::frames::yaw_pitch_roll(&there.rotation());
        RollPositionPart {
            name: name.clone(),
            ahead_mm: mm_from_m(there.translation().x),
            left_mm: mm_from_m(there.translation().y),
            turn_deg: deg_from_rad(turn),
        }
    };
    Some(RollPart {
        positions: rolled.car.positions.iter().zip(&roll.world_from_car).map(|(n, c)| place(n, c)).collect(),
        judged_at: rolled.car.positions.get(rolled.judged)?.clone(),
        statistic: roll.check.statistic,
        degrees_of_freedom: roll.check.dof,
        limit: roll.check.limit,
    })
}

/// What the vertical comes from.
pub(super) fn vertical_from(job: &Job, survey: &Survey) -> &'static str {
    let hangs = survey.bodies.iter().any(|b| job.kit.bodies[b.body].kind == BodyKind::PlumbLine);
    match (hangs, job.floor.level_reading) {
        (true, _) => "plumb line",
        (false, Some(_)) => "inclinometer",
        (false, None) => "declared levelness",
    }
}
