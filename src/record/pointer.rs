//! The pointer and what it touches, as the job's files say it.

use crate::body::{BodyKind, BodyModel, Kit};
use crate::frames::Point;
use crate::placement::{Datum, Placement};
use crate::record::bodies::not_negative;
use crate::record::document::Document;
use crate::record::files::{JobFile, PhotographSet, TipTable};
use crate::record::job::JobPhoto;
use crate::record::problem::Problem;
use crate::record::roll::JobRoll;
use crate::survey::{Hold, MeasuredTip, Pointer, TouchPoint, Touching};
use crate::units::m_from_mm;
use nalgebra::Vector3;

/// Where the tip sits on a point, anew in each hold, mm: a steady hand on a marked point. Common practice, no source.
const USUAL_TOUCH_MM: f64 = 0.5;

/// Radius of a turned or filed point, mm. Common practice, no source.
const USUAL_RADIUS_MM: f64 = 0.5;

/// No hand-held pointer is longer, mm. Common practice, no source.
const LONGEST_MM: f64 = 5000.0;

/// A job's pointer: what the survey is told, and which photograph shows which hold.
#[derive(Clone, Debug)]
pub struct JobTouch {
    /// For the survey.
    pub touching: Touching,
    /// By photograph of the job: index into the holds.
    pub hold_of: Vec<Option<usize>>,
    /// By point: the roll position at which it was touched; 0 where the car was not rolled.
    pub position_of: Vec<usize>,
}

/// The `[body.tip]` table of the pointer that is body `body`.
pub(super) fn tip(
    document: &Document,
    path: &str,
    table: Option<&TipTable>,
    body: usize,
    name: &str,
) -> Result<Pointer, Problem> {
    let usual = TipTable::default();
    let table = table.unwrap_or(&usual);
    let at = |key: &str| format!("{path}.{key}");
    let measured = match (table.at_mm, table.u_mm) {
        (None, None) => None,
        (Some(mm), Some(u)) => {
            if mm.iter().any(|v| !v.is_finite() || v.abs() > LONGEST_MM) {
                return Err(document.problem(
                    &at("at_mm"),
                    format!(
                        "the tip of \"{name}\" is more than {} m from the origin of its body",
                        m_from_mm(LONGEST_MM)
                    ),
                    "It is in millimetres, in the frame that the pointer's tags are written in.",
                ));
            }
            Some(MeasuredTip {
                at: Point::claim(Vector3::from(mm.map(m_from_mm))),
                u_m: above_zero(document, &at("u_mm"), u)?,
            })
        }
        _ => {
            return Err(document.problem(
                path,
                format!("of the tip of \"{name}\" one of at_mm and u_mm is missing"),
                "Give both where the tip was measured, or neither: then the photographs of it pivoting about one point find it.",
            ));
        }
    };
    Ok(Pointer {
        body,
        tip: measured,
        u_touch_m: above_zero(document, &at("u_touch_mm"), table.u_touch_mm.unwrap_or(USUAL_TOUCH_MM))?,
        radius_m: m_from_mm(not_negative(
            document,
            &at("radius_mm"),
            table.radius_mm.unwrap_or(USUAL_RADIUS_MM),
            50.0,
        )?),
    })
}

/// A standard uncertainty in mm that enters the adjustment as a weight.
fn above_zero(document: &Document, path: &str, mm: f64) -> Result<f64, Problem> {
    let value = not_negative(document, path, mm, 50.0)?;
    let key = path.rsplit('.').next().unwrap_or(path);
    // A thousandth of a millimetre: whatever is better known does not matter here.
    match value >= 0.001 {
        true => Ok(m_from_mm(value)),
        false => Err(document.problem(
            path,
            format!("`{key} = {mm}` is smaller than anything that a hand can do"),
            "State the standard uncertainty, at least 0.001 mm.",
        )),
    }
}

/// What a set of photographs says of the pointer: the name, and whether the pointer only pivots there.
fn mark(set: &PhotographSet) -> Option<(&str, bool)> {
    match (&set.touching, &set.pivoting) {
        (Some(name), _) => Some((name.trim(), false)),
        (None, Some(name)) => Some((name.trim(), true)),
        (None, None) => None,
    }
}

/// True where two sets say the same of the pointer, so that a photograph may be in both.
pub(super) fn same_mark(a: &PhotographSet, b: &PhotographSet) -> bool {
    mark(a) == mark(b) && a.one_hold == b.one_hold
}

/// The points that the job's sets name. Those that are asked for become bodies without tags.
pub(super) fn points(
    document: &Document,
    raw: &JobFile,
    pointer: Option<&Pointer>,
    kit: &mut Kit,
    bodies_file: &str,
) -> Result<Vec<TouchPoint>, Problem> {
    let mut points: Vec<TouchPoint> = Vec::new();
    for (k, set) in raw.photographs.iter().enumerate() {
        let path = |key: &str| format!("photographs[{k}].{key}");
        let Some((name, pivots)) = mark(set) else {
            if set.one_hold {
                return Err(document.problem(
                    &path("one_hold"),
                    "`one_hold` belongs to a set that is `touching` or `pivoting`",
                    "Remove it, or say what the pointer touches in these photographs.",
                ));
            }
            continue;
        };
        let key = if pivots { "pivoting" } else { "touching" };
        if set.touching.is_some() && set.pivoting.is_some() {
            return Err(document.problem(
                &path("pivoting"),
                "the set is both `touching` and `pivoting`",
                "A point that is touched helps to find the tip as well: `touching` alone is enough.",
            ));
        }
        if pointer.is_none() {
            return Err(document.problem(
                &path(key),
                format!("the pointer touches \"{name}\", and no pointer is declared"),
                format!("Declare it with [[body]] and kind = \"pointer\" in {bodies_file}."),
            ));
        }
        if name.is_empty() {
            return Err(document.problem(
                &path(key),
                "the name of the point is empty",
                "Give every point a name of its own; sets with one name touch one point.",
            ));
        }
        match points.iter().find(|p| p.name == name) {
            Some(known) if known.body.is_none() == pivots => continue,
            Some(_) => {
                return Err(document.problem(
                    &path(key),
                    format!("\"{name}\" is `touching` in one set and `pivoting` in another"),
                    "Write touching = in both where the point is wanted, else pivoting = in both.",
                ));
            }
            None => {}
        }
        if !pivots && kit.find_body(name).is_some() {
            return Err(document.problem(
                &path(key),
                format!("\"{name}\" is the name of a body already"),
                "Give the point a name of its own.",
            ));
        }
        let body = (!pivots).then(|| {
            kit.bodies.push(BodyModel { name: name.into(), kind: BodyKind::TouchedPoint, tags: Vec::new() });
            kit.bodies.len() - 1
        });
        points.push(TouchPoint { name: name.into(), body });
    }
    Ok(points)
}

/// The holds. `set_of`: for each photograph the set that it is from.
pub(super) fn holds(
    document: &Document,
    raw: &JobFile,
    pointer: Option<Pointer>,
    points: Vec<TouchPoint>,
    photos: &[JobPhoto],
    set_of: &[usize],
) -> Result<Option<JobTouch>, Problem> {
    let Some(pointer) = pointer.filter(|_| !points.is_empty()) else { return Ok(None) };
    let mut holds: Vec<Hold> = Vec::new();
    let mut hold_of = vec![None; photos.len()];
    let mut position_of: Vec<Option<usize>> = vec![None; points.len()];
    let mut held: Vec<Option<usize>> = vec![None; raw.photographs.len()];
    for ((photo, set), hold) in photos.iter().zip(set_of).zip(&mut hold_of) {
        let table = &raw.photographs[*set];
        let Some((name, pivots)) = mark(table) else { continue };
        let Some(point) = points.iter().position(|p| p.name == name) else { continue };
        let position = *position_of[point].get_or_insert(photo.position);
        if position != photo.position {
            return Err(document.problem(
                &format!("photographs[{set}].{}", if pivots { "pivoting" } else { "touching" }),
                format!("\"{name}\" is touched in two roll positions"),
                "A point is where it was when it was touched: give it another name for each position of the car.",
            ));
        }
        let known = held[*set].filter(|_| table.one_hold);
        let index = known.unwrap_or_else(|| {
            holds.push(Hold { point, photograph: photo.name.clone() });
            holds.len() - 1
        });
        held[*set] = Some(index);
        *hold = Some(index);
    }
    let position_of = position_of.into_iter().map(|p| p.unwrap_or(0)).collect();
    Ok(Some(JobTouch { touching: Touching { pointer, points, holds }, hold_of, position_of }))
}

/// A datum on the car must have been touched where the car is judged.
pub(super) fn check_datums(
    document: &Document,
    touch: Option<&JobTouch>,
    rolled: Option<&JobRoll>,
    placement: &Placement,
) -> Result<(), Problem> {
    let (Some(touch), Some(rolled)) = (touch, rolled) else { return Ok(()) };
    for station in &placement.stations {
        let Datum::Body { body, .. } = station.datum else { continue };
        let Some(point) = touch.touching.points.iter().position(|p| p.body == Some(body)) else { continue };
        let position = touch.position_of[point];
        if position != rolled.judged {
            return Err(document.problem(
                "photographs",
                format!(
                    "\"{}\" is the datum of station \"{}\" and was touched in roll position \"{}\", and the car is judged in \"{}\"",
                    touch.touching.points[point].name,
                    station.name,
                    rolled.car.positions[position],
                    rolled.car.positions[rolled.judged]
                ),
                "A point on the car moves with it: touch the datum while the car stands where it is judged.",
            ));
        }
    }
    Ok(())
}
