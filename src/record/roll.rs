//! The roll positions of a job: which photographs belong to which, what rides on the car, how steadily it rolls.

use crate::body::{BodyKind, Kit};
use crate::placement::{Datum, Placement};
use crate::record::bodies::not_negative;
use crate::record::car::body_named;
use crate::record::document::Document;
use crate::record::files::{JobFile, PhotographSet, RollName, RollingTable};
use crate::record::problem::Problem;
use crate::survey::{RolledCar, Steadiness};
use crate::units::{m_from_mm, rad_from_deg};
use crate::vehicle::{VehicleModel, rolled_wheels};

/// A job whose car was rolled.
#[derive(Clone, Debug)]
pub struct JobRoll {
    /// What the survey is told.
    pub car: RolledCar,
    /// Index of the roll position in which the car stands for the verdict.
    pub judged: usize,
}

fn name(written: &RollName) -> String {
    match written {
        RollName::Number(n) => n.to_string(),
        RollName::Text(text) => text.trim().to_owned(),
    }
}

/// The names of the roll positions in the order in which the photograph sets name them first; empty where none is named.
pub(super) fn positions(document: &Document, raw: &JobFile) -> Result<Vec<String>, Problem> {
    let mut names: Vec<String> = Vec::new();
    let mut unnamed = None;
    for (k, set) in raw.photographs.iter().enumerate() {
        match &set.roll_position {
            None => unnamed = unnamed.or(Some(k)),
            Some(written) => {
                let name = name(written);
                if name.is_empty() {
                    return Err(document.problem(
                        &format!("photographs[{k}].roll_position"),
                        "the name of the roll position is empty",
                        "Give it a name or a number, the same for all photographs taken while the car stood so.",
                    ));
                }
                if !names.contains(&name) {
                    names.push(name);
                }
            }
        }
    }
    match unnamed {
        Some(k) if !names.is_empty() => Err(document.problem(
            &format!("photographs[{k}]"),
            "these photographs name no roll position while others do",
            "Add roll_position = \"NAME\": the position in which the car stood when they were taken.",
        )),
        _ => Ok(names),
    }
}

/// Index of the roll position of a photograph set.
pub(super) fn position_of(set: &PhotographSet, positions: &[String]) -> usize {
    let named = set.roll_position.as_ref().map(name);
    named.and_then(|n| positions.iter().position(|p| *p == n)).unwrap_or(0)
}

/// What the survey is told of the rolled car; `None` where it stood in one place.
pub(super) fn resolve(
    document: &Document,
    raw: &JobFile,
    positions: &[String],
    vehicle: &VehicleModel,
    placement: &Placement,
    kit: &Kit,
    bodies_file: &str,
) -> Result<Option<JobRoll>, Problem> {
    let Some(table) = &raw.vehicle else { return Ok(None) };
    let mut riders: Vec<usize> = Vec::new();
    for (k, written) in table.on_car.iter().enumerate() {
        let path = format!("vehicle.on_car[{k}]");
        let body = body_named(document, &path, written, kit, bodies_file)?;
        if !matches!(kit.bodies[body].kind, BodyKind::Other) {
            return Err(document.problem(
                &path,
                format!("\"{written}\" is not a body that can ride on the car"),
                "Name bodies of kind \"other\" that are fixed to the car's body. Wheel plates belong to the car without being named here.",
            ));
        }
        riders.push(body);
    }
    let judged = match &table.judged_at {
        None => positions.len().saturating_sub(1),
        Some(written) => {
            let wanted = name(written);
            positions.iter().position(|p| *p == wanted).ok_or_else(|| {
                let known =
                    if positions.is_empty() { "none".into() } else { format!("\"{}\"", positions.join("\", \"")) };
                document.problem(
                    "vehicle.judged_at",
                    format!("no photographs name the roll position \"{wanted}\""),
                    format!("Name one of the positions that photographs were taken in: {known}."),
                )
            })?
        }
    };
    if positions.len() < 2 {
        return Ok(None);
    }
    // A tag on the sensor's face moves with the car whether or not it is named.
    for station in &placement.stations {
        if let Datum::Body { body, .. } = station.datum
            && kit.bodies[body].kind == BodyKind::Other
        {
            riders.push(body);
        }
    }
    riders.sort_unstable();
    riders.dedup();
    let steadiness = steadiness(document, &table.rolling)?;
    let car = RolledCar { positions: positions.to_vec(), wheels: rolled_wheels(vehicle), riders, steadiness };
    Ok(Some(JobRoll { car, judged }))
}

/// Curvature of the way of a car whose front wheels point this far off straight, for a wheelbase of 2.65 m (1/m).
fn curvature_from_deg(deg: f64) -> f64 {
    rad_from_deg(deg).tan() / 2.65
}

fn steadiness(document: &Document, table: &RollingTable) -> Result<Steadiness, Problem> {
    let usual = Steadiness::default();
    // Nothing rolls exactly: these enter the adjustment as weights, so zero is refused.
    let positive = |key: &str, value: Option<f64>, most: f64, inside: fn(f64) -> f64, usual: f64| match value {
        None => Ok(usual),
        Some(v) => {
            let path = format!("vehicle.rolling.{key}");
            let v = not_negative(document, &path, v, most)?;
            if v == 0.0 {
                return Err(document.problem(
                    &path,
                    format!("`{key}` is zero"),
                    "No car rolls exactly: state a standard uncertainty above zero, or leave the key out.",
                ));
            }
            Ok(inside(v))
        }
    };
    Ok(Steadiness {
        u_height_m: positive("u_hub_height_mm", table.u_hub_height_mm, 20.0, m_from_mm, usual.u_height_m)?,
        u_level_m: positive("u_hub_level_mm", table.u_hub_level_mm, 20.0, m_from_mm, usual.u_level_m)?,
        u_toe_rad: positive("u_toe_deg", table.u_toe_deg, 2.0, rad_from_deg, usual.u_toe_rad)?,
        u_camber_rad: positive("u_camber_deg", table.u_camber_deg, 2.0, rad_from_deg, usual.u_camber_rad)?,
        u_curvature: positive("u_steer_deg", table.u_steer_deg, 20.0, curvature_from_deg, usual.u_curvature)?,
        u_slope_rad: positive("u_slope_mm_per_m", table.u_slope_mm_per_m, 50.0, m_from_mm, usual.u_slope_rad)?,
    })
}
