//! The `[vehicle]` part of a job checked and turned into the declared car.

use crate::body::{BodyKind, Kit};
use crate::frames::{Direction, Point};
use crate::readiness::vin::{VinFault, check_form, check_vin, tidy_vin};
use crate::record::bodies::not_negative;
use crate::record::document::Document;
use crate::record::files::{LevelTable, VehicleTable, WheelName, WheelTable};
use crate::record::problem::Problem;
use crate::units::{m_from_mm, rad_from_deg};
use crate::vehicle::{
    Corner, DeclaredLength, HubPlace, LevelReading, Printout, ThrustChecks, VehicleModel, WheelModel,
};
use nalgebra::Vector3;

/// Default limit of a plate's eccentricity, mm. Common practice, no source: what a self-centring clamp keeps.
const ECCENTRICITY_MM: f64 = 1.0;

/// The same where the car is rolled, which finds the wheel's centre itself. Common practice, no source: what a careless eye keeps.
const ROLLED_ECCENTRICITY_MM: f64 = 5.0;

/// Default standard uncertainty of a stand-off read off a clamp with a rule, mm. Common practice, no source.
const U_STAND_OFF_MM: f64 = 0.5;

/// Least distance of a wheel's centre from the plate, mm. Common practice, no source.
const LEAST_HUB_MM: f64 = 10.0;

/// Largest run-out that may be declared, degrees.
const MAX_RUN_OUT_DEG: f64 = 10.0;

/// Wheelbases that cars and vans have, mm. Common practice, no source.
const WHEELBASES_MM: std::ops::RangeInclusive<f64> = 1000.0..=6000.0;

/// Checks the `[vehicle]` table of a job.
pub(crate) fn resolve(
    document: &Document,
    table: &VehicleTable,
    kit: &Kit,
    bodies_file: &str,
    rolled: bool,
) -> Result<VehicleModel, Problem> {
    let mut wheels: Vec<WheelModel> = Vec::new();
    for (k, wheel) in table.wheels.iter().enumerate() {
        let path = format!("vehicle.wheels[{k}]");
        let model = resolve_wheel(document, wheel, &path, kit, bodies_file, rolled)?;
        if wheels.iter().any(|w| w.corner == model.corner) {
            return Err(document.problem(
                &format!("{path}.at"),
                format!("the {} wheel is declared twice", model.corner.name()),
                "Keep one [[vehicle.wheels]] table for each wheel.",
            ));
        }
        if let Some(other) = wheels.iter().find(|w| w.plate == model.plate) {
            return Err(document.problem(
                &format!("{path}.plate"),
                format!("the plate \"{}\" is on the {} wheel already", wheel.plate, other.corner.name()),
                "Every wheel carries its own plate.",
            ));
        }
        wheels.push(model);
    }
    for corner in [Corner::RearLeft, Corner::RearRight] {
        if !wheels.iter().any(|w| w.corner == corner) {
            return Err(document.problem(
                "vehicle",
                format!("no plate is declared on the {} wheel", corner.name()),
                "Both rear wheels need one, because they make the thrust line: add a [[vehicle.wheels]] table with at, plate, stand_off_mm and run_out_deg.",
            ));
        }
    }
    Ok(VehicleModel {
        name: table.name.clone(),
        id: table.id.clone(),
        wheels,
        wheelbase: wheelbase(document, table)?,
        checks: thrust_checks(document, table)?,
    })
}

/// The vehicle identification number, its check digit looked at unless the job says why not.
pub(super) fn vin(document: &Document, table: &VehicleTable) -> Result<Option<String>, Problem> {
    let unchecked = table.vin_unchecked.as_deref().map(str::trim);
    if unchecked == Some("") {
        return Err(document.problem(
            "vehicle.vin_unchecked",
            "no reason is given",
            "Write why this number's check digit does not count: \"market without check digits\".",
        ));
    }
    let Some(written) = &table.vin else { return Ok(None) };
    let vin = tidy_vin(written);
    let checked = if unchecked.is_some() { check_form(&vin) } else { check_vin(&vin) };
    match checked {
        Ok(()) => Ok(Some(vin)),
        Err(fault) => {
            let remedy = match fault {
                VinFault::CheckDigit { .. } => {
                    "Read the number again from the car; where the market has no check digits, say so: vin_unchecked = \"reason\"."
                }
                _ => "Read the number again from the car; any other number of your own goes into `id`.",
            };
            Err(document.problem("vehicle.vin", format!("the VIN \"{written}\" cannot be right: {fault}"), remedy))
        }
    }
}

/// What else the job says of the thrust line.
fn thrust_checks(document: &Document, table: &VehicleTable) -> Result<ThrustChecks, Problem> {
    let mut checks = ThrustChecks::default();
    if let Some(deg) = table.rolling.u_crab_deg {
        checks.u_crab_rad = rad_from_deg(not_negative(document, "vehicle.rolling.u_crab_deg", deg, 5.0)?);
    }
    if let Some(printout) = &table.printout {
        let deg = printout.thrust_angle_deg;
        if !(-5.0..=5.0).contains(&deg) {
            return Err(document.problem(
                "vehicle.printout.thrust_angle_deg",
                format!("thrust_angle_deg = {deg} is not a thrust angle that cars have"),
                "Give it in degrees, between -5 and 5, positive where the thrust line points to the car's right of the centreline.",
            ));
        }
        let u = not_negative(document, "vehicle.printout.u_thrust_angle_deg", printout.u_thrust_angle_deg, 5.0)?;
        checks.printout =
            Some(Printout { right_rad: rad_from_deg(deg), u_rad: rad_from_deg(u), source: printout.source.clone() });
    }
    Ok(checks)
}

/// The floor's slope as read off an instrument.
pub(crate) fn level_reading(document: &Document, table: Option<&LevelTable>) -> Result<Option<LevelReading>, Problem> {
    let Some(table) = table else { return Ok(None) };
    for (key, value) in
        [("rises_forward_mm_per_m", table.rises_forward_mm_per_m), ("rises_left_mm_per_m", table.rises_left_mm_per_m)]
    {
        if !(-50.0..=50.0).contains(&value) {
            return Err(document.problem(
                &format!("level.{key}"),
                format!("{key} = {value} is no workshop floor"),
                "Give the slope in millimetres per metre, between -50 and 50; 0.1 degrees are 1.75 mm/m.",
            ));
        }
    }
    Ok(Some(LevelReading {
        rises_forward_rad: m_from_mm(table.rises_forward_mm_per_m).atan(),
        rises_left_rad: m_from_mm(table.rises_left_mm_per_m).atan(),
        u_rad: m_from_mm(not_negative(document, "level.u_mm_per_m", table.u_mm_per_m, 50.0)?),
    }))
}

fn wheelbase(document: &Document, table: &VehicleTable) -> Result<Option<DeclaredLength>, Problem> {
    match (table.wheelbase_mm, table.u_wheelbase_mm) {
        (None, None) => Ok(None),
        (None, Some(_)) => Err(document.problem(
            "vehicle.u_wheelbase_mm",
            "`u_wheelbase_mm` is given without `wheelbase_mm`",
            "Give both or neither.",
        )),
        (Some(_), None) => Err(document.problem(
            "vehicle.wheelbase_mm",
            "`wheelbase_mm` is given without its uncertainty",
            "Add u_wheelbase_mm, the standard uncertainty in millimetres (2.0 where nothing better is known).",
        )),
        (Some(mm), Some(_)) if !WHEELBASES_MM.contains(&mm) => Err(document.problem(
            "vehicle.wheelbase_mm",
            format!("wheelbase_mm = {mm}: that is {} m", m_from_mm(mm)),
            format!("Wheelbases are in millimetres, between {} and {}.", WHEELBASES_MM.start(), WHEELBASES_MM.end()),
        )),
        (Some(mm), Some(u)) => Ok(Some(DeclaredLength {
            value_m: m_from_mm(mm),
            u_m: m_from_mm(not_negative(document, "vehicle.u_wheelbase_mm", u, 100.0)?),
        })),
    }
}

fn resolve_wheel(
    document: &Document,
    wheel: &WheelTable,
    path: &str,
    kit: &Kit,
    bodies_file: &str,
    rolled: bool,
) -> Result<WheelModel, Problem> {
    let at = |key: &str| format!("{path}.{key}");
    let corner = match wheel.at {
        WheelName::RearLeft => Corner::RearLeft,
        WheelName::RearRight => Corner::RearRight,
        WheelName::FrontLeft => Corner::FrontLeft,
        WheelName::FrontRight => Corner::FrontRight,
    };
    let plate = body_named(document, &at("plate"), &wheel.plate, kit, bodies_file)?;
    if kit.bodies[plate].kind != BodyKind::Plate {
        return Err(document.problem(
            &at("plate"),
            format!("\"{}\" is not a wheel plate", wheel.plate),
            format!("Name a body with kind = \"plate\", or correct its kind in {bodies_file}."),
        ));
    }
    let axis = Vector3::from(wheel.axis.unwrap_or([0.0, 0.0, 1.0]));
    // The numbers may be given with three or four digits: any length near 1 is meant as a direction.
    if !(0.9..=1.1).contains(&axis.norm()) {
        return Err(document.problem(
            &at("axis"),
            format!("`axis` has length {:.3}", axis.norm()),
            "Give a direction of length 1 in the plate's frame, pointing away from the car: [0, 0, 1] where the plate sits square.",
        ));
    }
    let hub = match (wheel.stand_off_mm, wheel.hub_mm) {
        // A wheel's centre lies a hand's breadth behind the plate: what is nearer than this was written in metres or inches. Common practice, no source.
        (None, Some(mm)) if Vector3::from(mm).norm() < LEAST_HUB_MM => {
            return Err(document.problem(
                &at("hub_mm"),
                format!(
                    "hub_mm = [{}, {}, {}] is only {:.1} mm from the plate's middle",
                    mm[0],
                    mm[1],
                    mm[2],
                    Vector3::from(mm).norm()
                ),
                "It is the wheel's centre in the plate's frame in millimetres: multiply metres by 1000, inches by 25.4.",
            ));
        }
        (Some(mm), None) if (LEAST_HUB_MM..=1000.0).contains(&mm) => HubPlace::StandOff(m_from_mm(mm)),
        (Some(mm), None) => {
            return Err(document.problem(
                &at("stand_off_mm"),
                format!("stand_off_mm = {mm}: that is {:.4} m", m_from_mm(mm)),
                "It is the distance from the plate's printed face to the centre of the wheel, in millimetres, between 10 and 1000: multiply metres by 1000, inches by 25.4.",
            ));
        }
        // The axis points away from the car and the wheel's centre lies behind the printed face: on the other side is a sign mistaken.
        (None, Some(mm)) if mm.iter().all(|v| v.abs() <= 1000.0) && Vector3::from(mm).dot(&axis) > 0.0 => {
            return Err(document.problem(
                &at("hub_mm"),
                format!("hub_mm = [{}, {}, {}] lies outside the car", mm[0], mm[1], mm[2]),
                "The wheel's centre is behind the plate, against `axis`, which points away from the car: with axis = [0, 0, 1] its third number is \
                 negative. Correct the sign of hub_mm, or of axis.",
            ));
        }
        (None, Some(mm)) if mm.iter().all(|v| v.abs() <= 1000.0) => {
            HubPlace::InPlate(Point::claim(Vector3::from(mm.map(m_from_mm))))
        }
        (None, Some(_)) => {
            return Err(document.problem(
                &at("hub_mm"),
                "`hub_mm` is more than a metre from the plate",
                "It is the wheel's centre in the plate's frame, in millimetres.",
            ));
        }
        (given, _) => {
            return Err(document.problem(
                path,
                format!("{} of `stand_off_mm` and `hub_mm` given", if given.is_some() { "both" } else { "neither" }),
                "Give stand_off_mm (printed face to wheel centre), or hub_mm (the wheel's centre in the plate's frame).",
            ));
        }
    };
    // A rolled car shows the run-out itself; whatever is declared then only has to be possible.
    let run_out_deg = match wheel.run_out_deg {
        Some(deg) => not_negative(document, &at("run_out_deg"), deg, MAX_RUN_OUT_DEG)?,
        None if rolled => MAX_RUN_OUT_DEG,
        None => {
            return Err(document.problem(
                path,
                "missing key `run_out_deg`",
                "State the limit of the plate's tilt against the wheel in degrees, or photograph the car in two or more roll positions \
                 (roll_position in [[photographs]]): then it is not needed.",
            ));
        }
    };
    let eccentricity_mm =
        wheel.eccentricity_mm.unwrap_or(if rolled { ROLLED_ECCENTRICITY_MM } else { ECCENTRICITY_MM });
    let u_stand_off_mm = wheel.u_stand_off_mm.unwrap_or(U_STAND_OFF_MM);
    Ok(WheelModel {
        corner,
        plate,
        axis_in_plate: Direction::claim(axis.normalize()),
        run_out_rad: rad_from_deg(run_out_deg),
        hub,
        eccentricity_m: m_from_mm(not_negative(document, &at("eccentricity_mm"), eccentricity_mm, 100.0)?),
        u_stand_off_m: m_from_mm(not_negative(document, &at("u_stand_off_mm"), u_stand_off_mm, 100.0)?),
    })
}

/// The index of a body by its name.
pub(crate) fn body_named(
    document: &Document,
    path: &str,
    name: &str,
    kit: &Kit,
    bodies_file: &str,
) -> Result<usize, Problem> {
    kit.find_body(name).ok_or_else(|| {
        let names: Vec<String> =
            kit.bodies.iter().filter(|b| b.kind != BodyKind::FloorSheet).map(|b| format!("\"{}\"", b.name)).collect();
        let declared = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        document.problem(
            path,
            format!("there is no body \"{name}\""),
            format!("Declare it with [[body]] in {bodies_file}, or use one of the names there: {declared}."),
        )
    })
}
