//! The rolled car's part of the result file.

use super::explain::Mistake;
use crate::body::BodyKind;
use crate::record::result::{ClampPart, RollPart, RollPositionPart, ThrustLinePart};
use crate::record::{Job, Notice};
use crate::session::result::{value, vector_mm};
use crate::survey::Survey;
use crate::units::{deg_from_rad, mm_from_m};
use crate::vehicle::{Corner, HubPlace, ThrustSource, VehicleResult};

/// A centre that is further beyond its limit than this is told: less may be noise, m. Common practice, no source.
const CLEARLY_OFF_M: f64 = crate::units::m_from_mm(1.0);

/// A car that moved by less was not rolled, m. Common practice, no source.
const LEAST_ROLL_M: f64 = crate::units::m_from_mm(50.0);

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

/// The name of a roll position.
pub(super) fn position_name(job: &Job, position: Option<usize>) -> Option<String> {
    job.rolled.as_ref()?.car.positions.get(position?).cloned()
}

/// Clamps that sit worse than was declared: rolling takes that out, but the declaration is wrong. Where a plate's own table is, nothing is known of its centre.
pub(super) fn notices(job: &Job, survey: &Survey, mistakes: &[Mistake]) -> Vec<Notice> {
    let (Some(rolled), Some(Ok(roll))) = (&job.rolled, &survey.roll) else { return Vec::new() };
    let mut out = Vec::new();
    if let (Some(judged), Some(name)) =
        (roll.world_from_car.get(rolled.judged), rolled.car.positions.get(rolled.judged))
    {
        let ways = roll.world_from_car.iter().map(|c| judged.inverse() * *c).map(|moved| moved.translation());
        let (mut back, mut ahead) = (0.0f64, 0.0f64);
        // Along the axis in which the car went furthest.
        let along = ways
            .clone()
            .max_by(|a, b| a.norm().total_cmp(&b.norm()))
            .map_or_else(nalgebra::Vector3::x, |w| w.normalize());
        for way in ways {
            let at = way.dot(&along);
            (back, ahead) = (back.min(at), ahead.max(at));
        }
        if back < -LEAST_ROLL_M && ahead > LEAST_ROLL_M {
            out.push(Notice {
                about: format!("roll position \"{name}\""),
                text: format!(
                    "The car is judged here, between its other positions ({:.0} mm to one side, {:.0} mm to the other). If it stands elsewhere now, roll_position or judged_at is \
                     wrong and the stand would be moved by that much.",
                    mm_from_m(ahead),
                    mm_from_m(-back)
                ),
            });
        }
    }
    for (wheel, found) in job.vehicle.wheels.iter().zip(&roll.wheels) {
        let about = job.kit.bodies[wheel.plate].name.clone();
        if found.run_out_rad > wheel.run_out_rad {
            out.push(Notice {
                about: about.clone(),
                text: format!(
                    "Rolling shows it tilted by {:.2}° against its wheel; run_out_deg states a limit of {:.2}°. Rolling takes the tilt out, but correct the limit, \
                     and look at the clamp before a job without rolling relies on it.",
                    deg_from_rad(found.run_out_rad),
                    deg_from_rad(wheel.run_out_rad)
                ),
            });
        }
        let aside_m = match wheel.hub {
            HubPlace::StandOff(m) => {
                (found.hub_in_plate.coords + found.axis_in_plate.coords * m).cross(&found.axis_in_plate.coords)
            }
            HubPlace::InPlate(p) => (found.hub_in_plate.coords - p.coords).cross(&found.axis_in_plate.coords),
        }
        .norm();
        let wrong_table = mistakes.iter().any(|m| m.is_table_of(&about));
        if aside_m > wheel.eccentricity_m + CLEARLY_OFF_M && !wrong_table {
            out.push(Notice {
                about,
                text: format!(
                    "Rolling shows the wheel's centre {:.1} mm beside where it is declared; eccentricity_mm states a limit of {:.1} mm. U may be too small: \
                     correct the limit and check again.",
                    mm_from_m(aside_m),
                    mm_from_m(wheel.eccentricity_m)
                ),
            });
        }
    }
    out
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
