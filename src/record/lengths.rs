//! Known lengths between points of a job's bodies.

use crate::body::Kit;
use crate::frames::{Body, Point};
use crate::record::document::Document;
use crate::record::files_lengths::{LengthTable, LengthsFile};
use crate::record::problem::Problem;
use crate::units::m_from_mm;
use nalgebra::Vector3;
use std::path::Path;

/// The file's name in a job folder.
pub const LENGTHS_FILE: &str = "lengths.toml";

/// Beyond this a number is a slip, m. Common practice, no source.
const LONGEST_M: f64 = 100.0;

/// A tape of which less than this is known is none. Common practice, no source.
const MOST_SCALE_MM_PER_M: f64 = 10.0;

/// A point of a body.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct End {
    /// Index into the kit's bodies.
    pub body: usize,
    /// Where on it.
    pub in_body: Point<Body>,
}

/// One known length.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownLength {
    /// The measuring line it belongs to.
    pub line: String,
    /// Between these points.
    pub ends: [End; 2],
    /// What it is known to be, m.
    pub known_m: f64,
    /// Standard uncertainty of that, m.
    pub u_known_m: f64,
}

/// A checked `lengths.toml`.
#[derive(Clone, Debug, PartialEq)]
pub struct KnownLengths {
    /// What they were measured with.
    pub instrument: String,
    /// Standard uncertainty of the instrument's scale, relative: an error that all lengths have in common.
    pub u_instrument: f64,
    /// Largest error allowed, m.
    pub limit_m: Option<f64>,
    /// Sides of the volume to be covered, m.
    pub volume_m: Option<[f64; 3]>,
    /// The lengths.
    pub lengths: Vec<KnownLength>,
}

/// Reads and checks the known lengths of a job folder, whose bodies are `kit`.
///
/// # Errors
/// The file is not there, a key is unknown or missing, a body is not in the kit, a number is out of its range: named with the line.
pub fn read_lengths(folder: &Path, kit: &Kit) -> Result<KnownLengths, Problem> {
    let path = folder.join(LENGTHS_FILE);
    if !path.is_file() {
        return Err(Problem::of_file(
            path.display().to_string(),
            "there is no such file",
            "Write the lengths that you know into it; the README shows one (\"Known lengths\").",
        ));
    }
    let document = Document::read(&path, &path.display().to_string(), "lengths")?;
    let file: LengthsFile = document.typed()?;
    let positive = |key: &str, mm: f64| match m_from_mm(mm) {
        m if m > 0.0 && m <= LONGEST_M => Ok(m),
        _ => Err(document.problem(
            key,
            format!("{mm} mm is not possible here"),
            format!("Write a length in millimetres, more than 0 and at most {:.0} m.", LONGEST_M),
        )),
    };
    if file.length.is_empty() {
        return Err(document.problem("length", "there is no length in it", "Add a [[length]] table for each."));
    }
    let u_instrument = match file.u_instrument_mm_per_m {
        None => 0.0,
        // Millimetres of a metre are the same thing as metres of a thousand.
        Some(mm) if (0.0..=MOST_SCALE_MM_PER_M).contains(&mm) => m_from_mm(mm),
        Some(mm) => {
            return Err(document.problem(
                "u_instrument_mm_per_m",
                format!("{mm} mm per metre is not possible here"),
                format!(
                    "Write the standard uncertainty of the instrument's scale, 0 to {MOST_SCALE_MM_PER_M} mm per metre."
                ),
            ));
        }
    };
    let limit_m = file.limit_mm.map(|mm| positive("limit_mm", mm)).transpose()?;
    let volume_m = match file.volume_mm {
        None => None,
        Some([x, y, z]) => {
            let side = |mm| positive("volume_mm", mm);
            Some([side(x)?, side(y)?, side(z)?])
        }
    };
    let mut lengths: Vec<KnownLength> = Vec::new();
    for (k, table) in file.length.iter().enumerate() {
        lengths.push(resolve(&document, kit, k, table, &positive)?);
        let same = |a: &KnownLength, b: &KnownLength| {
            (a.ends[0] == b.ends[0] && a.ends[1] == b.ends[1]) || (a.ends[0] == b.ends[1] && a.ends[1] == b.ends[0])
        };
        if let Some(first) = lengths[..k].iter().position(|other| same(other, &lengths[k])) {
            return Err(document.problem(
                &format!("length[{k}]"),
                format!("the same two points as in length number {}", first + 1),
                "A length counts once: remove one, or correct `from` and `to`.",
            ));
        }
    }
    Ok(KnownLengths { instrument: file.instrument, u_instrument, limit_m, volume_m, lengths })
}

fn resolve(
    document: &Document,
    kit: &Kit,
    k: usize,
    table: &LengthTable,
    positive: &dyn Fn(&str, f64) -> Result<f64, Problem>,
) -> Result<KnownLength, Problem> {
    let key = |name: &str| format!("length[{k}].{name}");
    let end = |name: &str, body: &str, at: Option<[f64; 3]>| match kit.find_body(body) {
        Some(found) => {
            Ok(End { body: found, in_body: Point::claim(Vector3::from(at.unwrap_or_default().map(m_from_mm))) })
        }
        None => {
            Err(document.problem(&key(name), format!("no body is called \"{body}\""), "Use a name of the bodies file."))
        }
    };
    let ends = [end("from", &table.from, table.from_mm)?, end("to", &table.to, table.to_mm)?];
    if ends[0].body == ends[1].body {
        return Err(document.problem(
            &key("to"),
            format!("both ends are on \"{}\": its own geometry is declared, not measured", table.to),
            "Name two different bodies.",
        ));
    }
    Ok(KnownLength {
        line: table.line.clone(),
        ends,
        known_m: positive(&key("known_mm"), table.known_mm)?,
        u_known_m: positive(&key("u_known_mm"), table.u_known_mm)?,
    })
}
