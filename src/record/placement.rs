//! `placement.toml` checked and turned into what is asked.

use crate::body::{BodyKind, Kit};
use crate::frames::Point;
use crate::placement::{Component, Datum, LateralFrom, Placement, Reference, Station};
use crate::record::bodies::not_negative;
use crate::record::car::body_named;
use crate::record::document::Document;
use crate::record::files::{DatumName, LateralName, PlacementFile, ReferenceName, StationTable};
use crate::record::problem::Problem;
use crate::units::{m_from_mm, mm_from_m, rad_from_deg};
use crate::vehicle::{Corner, VehicleModel};
use nalgebra::Vector3;

/// No target stands further away than this, mm. Common practice, no source.
const FURTHEST_MM: f64 = 100_000.0;

/// No target stands nearer to what its distance counts from, mm: smaller figures are metres, or a slip. Zero is taken as meant: no unit changes it. Common practice, no source.
const NEAREST_MM: f64 = 50.0;

/// No target's centre is lower above the floor, mm. Common practice, no source.
const LOWEST_MM: f64 = 10.0;

/// A sideways figure that is not zero is at least so large, mm. Common practice, no source.
const LEAST_ASIDE_MM: f64 = 1.0;

/// Smallest tolerance that makes sense, mm and degrees: 10 mm in metres and half a degree in radians are smaller. Common practice, no source.
const NARROWEST: (f64, f64) = (0.05, 0.01);

/// Largest tolerance that makes sense, mm and degrees: arc minutes taken for degrees are larger. Common practice, no source.
const WIDEST: (f64, f64) = (300.0, 6.0);

/// Checks a placement file against the bodies and the car it speaks of.
pub(crate) fn resolve(
    document: &Document,
    kit: &Kit,
    vehicle: &VehicleModel,
    bodies_file: &str,
) -> Result<Placement, Problem> {
    let file: PlacementFile = document.typed()?;
    for (key, value, meaning) in [
        ("source", &file.source, "where the procedure is published"),
        ("revision", &file.revision, "which revision or date of the procedure this is"),
    ] {
        if value.trim().is_empty() {
            return Err(document.problem(
                key,
                format!("`{key}` is empty"),
                format!("State {meaning}: without it nobody can check the figures."),
            ));
        }
    }
    if file.stations.is_empty() {
        return Err(document.problem(
            "",
            "no [[stations]] table says where the target must stand",
            "Add one for each placement.",
        ));
    }
    let mut stations: Vec<Station> = Vec::new();
    for (k, table) in file.stations.iter().enumerate() {
        let path = format!("stations[{k}]");
        if table.name.trim().is_empty() || stations.iter().any(|s| s.name == table.name) {
            return Err(document.problem(
                &format!("{path}.name"),
                format!("the station name \"{}\" is empty or used twice", table.name),
                "Give every station a name of its own.",
            ));
        }
        stations.push(resolve_station(document, table, &path, kit, vehicle, bodies_file)?);
    }
    Ok(Placement {
        title: file.title.unwrap_or_default(),
        source: file.source,
        revision: file.revision,
        reference: match file.reference.unwrap_or(ReferenceName::Floor) {
            ReferenceName::Floor => Reference::Floor,
            ReferenceName::Vertical => Reference::Vertical,
        },
        stations,
    })
}

fn resolve_station(
    document: &Document,
    table: &StationTable,
    path: &str,
    kit: &Kit,
    vehicle: &VehicleModel,
    bodies_file: &str,
) -> Result<Station, Problem> {
    let at = |key: &str| format!("{path}.{key}");
    let target = body_named(document, &at("target"), &table.target, kit, bodies_file)?;
    if kit.bodies[target].kind != BodyKind::Stand {
        return Err(document.problem(
            &at("target"),
            format!("\"{}\" is not a stand", table.target),
            format!("Name the body that carries the target, with kind = \"stand\" in {bodies_file}."),
        ));
    }
    let datum = datum(document, table, path, kit, vehicle, bodies_file)?;
    let lateral_from = match table.lateral_from.unwrap_or(LateralName::ThrustLine) {
        LateralName::ThrustLine => LateralFrom::ThrustLine,
        LateralName::Datum if matches!(datum, Datum::Point { .. } | Datum::Body { .. }) => LateralFrom::Datum,
        LateralName::Datum => {
            return Err(document.problem(
                &at("lateral_from"),
                "`lateral_from = \"datum\"` needs a datum that is a point or a body",
                "The midpoints of the axles count as the thrust line: leave lateral_from out.",
            ));
        }
    };
    for (key, mm) in
        [("distance_mm", table.distance_mm), ("lateral_mm", table.lateral_mm), ("height_mm", table.height_mm)]
    {
        if mm.abs() > FURTHEST_MM {
            return Err(document.problem(
                &at(key),
                format!("{key} = {mm}: that is {} m", m_from_mm(mm)),
                "Lengths are in millimetres.",
            ));
        }
    }
    for (key, mm, least) in [
        ("distance_mm", table.distance_mm, NEAREST_MM),
        ("lateral_mm", table.lateral_mm, LEAST_ASIDE_MM),
        ("height_mm", table.height_mm, LOWEST_MM),
        ("sensor_to_target_mm", table.sensor_to_target_mm.unwrap_or(0.0), NEAREST_MM),
    ] {
        if mm != 0.0 && mm.abs() < least {
            return Err(metres(document, &at(key), key, mm));
        }
    }
    for (key, deg) in [("yaw_deg", table.yaw_deg), ("pitch_deg", table.pitch_deg), ("roll_deg", table.roll_deg)] {
        if deg.abs() > 180.0 || (key == "pitch_deg" && deg.abs() > 80.0) {
            return Err(document.problem(&at(key), format!("{key} = {deg} is not possible"), "Angles are in degrees."));
        }
    }
    let sensor_to_target_m = match table.sensor_to_target_mm {
        Some(mm) if mm > 0.0 && mm <= FURTHEST_MM => Some(m_from_mm(mm)),
        Some(mm) => {
            return Err(document.problem(
                &at("sensor_to_target_mm"),
                format!("sensor_to_target_mm = {mm} is not possible"),
                "It is a distance in millimetres, greater than zero.",
            ));
        }
        None => None,
    };
    Ok(Station {
        name: table.name.clone(),
        target,
        datum,
        lateral_from,
        required: [
            m_from_mm(table.distance_mm),
            m_from_mm(table.lateral_mm),
            m_from_mm(table.height_mm),
            rad_from_deg(table.yaw_deg),
            rad_from_deg(table.pitch_deg),
            rad_from_deg(table.roll_deg),
        ],
        tolerance: tolerances(document, table, path)?,
        sensor_to_target_m,
    })
}

/// A length that is too small to be meant in millimetres.
fn metres(document: &Document, path: &str, key: &str, mm: f64) -> Problem {
    document.problem(
        path,
        format!("{key} = {mm}: that is {mm} mm"),
        format!("Lengths are in millimetres: {mm} m would be {:.0}.", mm_from_m(mm)),
    )
}

fn tolerances(document: &Document, table: &StationTable, path: &str) -> Result<[Option<f64>; 6], Problem> {
    let t = &table.tolerance;
    let given = [t.distance_mm, t.lateral_mm, t.height_mm, t.yaw_deg, t.pitch_deg, t.roll_deg];
    let mut out = [None; 6];
    for (component, given) in Component::ALL.into_iter().zip(given) {
        let Some(value) = given else { continue };
        let (unit, most) = if component.is_angle() { ("deg", WIDEST.1) } else { ("mm", WIDEST.0) };
        let key = format!("{}_{unit}", component.name());
        if !(value > 0.0 && value <= most) {
            return Err(document.problem(
                &format!("{path}.tolerance.{key}"),
                format!("the tolerance {key} = {value} is not possible"),
                format!(
                    "Tolerances are plus/minus, greater than zero, at most {most} {unit}{}; leave the line out where the procedure does not ask.",
                    if component.is_angle() { " (60 arc minutes are one degree)" } else { "" }
                ),
            ));
        }
        let least = if component.is_angle() { NARROWEST.1 } else { NARROWEST.0 };
        if value < least {
            let (unit, other) = if component.is_angle() { ("degrees", "radians") } else { ("millimetres", "metres") };
            return Err(document.problem(
                &format!("{path}.tolerance.{key}"),
                format!("the tolerance {key} = {value} is narrower than any procedure's"),
                format!("Tolerances are in {unit}, {least} at least; this looks like {other}."),
            ));
        }
        out[component.index()] = Some(if component.is_angle() { rad_from_deg(value) } else { m_from_mm(value) });
    }
    Ok(out)
}

fn datum(
    document: &Document,
    table: &StationTable,
    path: &str,
    kit: &Kit,
    vehicle: &VehicleModel,
    bodies_file: &str,
) -> Result<Datum, Problem> {
    let at = |key: &str| format!("{path}.{key}");
    let stray = |key: &str, given: bool, only: &str| match given {
        true => Err(document.problem(
            &at(key),
            format!("`{key}` belongs to datum = \"{only}\""),
            "Remove it or correct the datum.",
        )),
        false => Ok(()),
    };
    if table.datum != DatumName::Point {
        stray("datum_point_mm", table.datum_point_mm.is_some(), "point")?;
    }
    if table.datum != DatumName::Body {
        stray("datum_body", table.datum_body.is_some(), "body")?;
    }
    if table.datum != DatumName::Touched {
        stray("datum_touched", table.datum_touched.is_some(), "touched")?;
    }
    if !matches!(table.datum, DatumName::Point | DatumName::Body | DatumName::Touched) {
        stray("u_datum_mm", table.u_datum_mm.is_some(), "point")?;
    }
    let u = |default: Option<f64>| match table.u_datum_mm.or(default) {
        Some(u) => not_negative(document, &at("u_datum_mm"), u, 1000.0).map(m_from_mm),
        None => Err(document.problem(
            &at("datum"),
            "`u_datum_mm` is missing",
            "State the standard uncertainty of each coordinate of the datum point, in millimetres.",
        )),
    };
    match table.datum {
        DatumName::RearAxle => Ok(Datum::RearAxle),
        DatumName::FrontAxle => {
            let front = |corner| vehicle.wheels.iter().any(|w| w.corner == corner);
            if vehicle.wheelbase.is_none() && !(front(Corner::FrontLeft) && front(Corner::FrontRight)) {
                return Err(document.problem(
                    &at("datum"),
                    "the datum is the front axle, and the job says nothing of where that is",
                    "Put plates on both front wheels, or give wheelbase_mm and u_wheelbase_mm in the job's [vehicle] table.",
                ));
            }
            Ok(Datum::FrontAxle)
        }
        DatumName::Point => match table.datum_point_mm {
            // The axles and the middle of the car are all further apart.
            Some(mm) if mm.iter().any(|v| *v != 0.0) && mm.iter().all(|v| v.abs() < NEAREST_MM) => Err(document.problem(
                &at("datum_point_mm"),
                format!("datum_point_mm = {mm:?}: that is a point beside the rear axle's middle, on the floor"),
                "Coordinates are in millimetres; these look like metres.",
            )),
            Some(mm) if mm.iter().all(|v| v.abs() <= FURTHEST_MM) => {
                Ok(Datum::Point { in_vehicle: Point::claim(Vector3::from(mm.map(m_from_mm))), u_m: u(None)? })
            }
            Some(_) => Err(document.problem(&at("datum_point_mm"), "the datum point is too far away", "It is in millimetres.")),
            None => Err(document.problem(
                &at("datum"),
                "`datum_point_mm` is missing",
                "Give the datum point in the vehicle frame: [forward, left, up] from the floor below the rear axle's middle.",
            )),
        },
        DatumName::Body => match &table.datum_body {
            Some(name) => {
                Ok(Datum::Body { body: body_named(document, &at("datum_body"), name, kit, bodies_file)?, u_m: u(Some(0.0))? })
            }
            None => Err(document.problem(&at("datum"), "`datum_body` is missing", "Name the body whose origin is the datum.")),
        },
        DatumName::Touched => match &table.datum_touched {
            Some(name) => Ok(Datum::Body { body: touched(document, &at("datum_touched"), name.trim(), kit)?, u_m: u(Some(0.0))? }),
            None => Err(document.problem(
                &at("datum"),
                "`datum_touched` is missing",
                "Name the point: what a set of photographs in job.toml says after touching =.",
            )),
        },
    }
}

/// The body that stands for a touched point.
fn touched(document: &Document, path: &str, name: &str, kit: &Kit) -> Result<usize, Problem> {
    let is_point = |b: &usize| kit.bodies[*b].kind == BodyKind::TouchedPoint;
    kit.find_body(name).filter(is_point).ok_or_else(|| {
        let names: Vec<String> =
            (0..kit.bodies.len()).filter(is_point).map(|b| format!("\"{}\"", kit.bodies[b].name)).collect();
        let known = if names.is_empty() { "none".to_owned() } else { names.join(", ") };
        document.problem(
            path,
            format!("no photographs touch a point \"{name}\""),
            format!("Give the photographs of it touching = \"{name}\" in job.toml; the points touched there: {known}."),
        )
    })
}
