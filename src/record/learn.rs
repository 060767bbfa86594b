//! The `[learn]` table of a job: which body is to be learned, and where its target's corners are marked.

use crate::body::{BodyKind, Kit};
use crate::placement::{FaceCorner, FaceMark};
use crate::record::bodies::not_negative;
use crate::record::document::Document;
use crate::record::files::{BodiesFile, CornerName, FaceTable, JobFile};
use crate::record::job::Purpose;
use crate::record::problem::Problem;
use crate::units::m_from_mm;

/// How well a cut sheet sits on a target's corner, each direction, mm. Common practice, no source.
const U_MARK_MM: f64 = 0.5;

/// How flat a glued sheet lies on the target, mm. Common practice, no source.
const U_FLAT_MM: f64 = 0.2;

/// A mark further from its tag's centre than this is a slip of the unit, mm. Common practice, no source.
const FURTHEST_MARK_MM: f64 = 1000.0;

/// What is to be learned.
#[derive(Clone, Debug, PartialEq)]
pub struct JobLearn {
    /// Index into the kit's bodies.
    pub body: usize,
    /// The target's corners; empty for what carries no target.
    pub face: Vec<FaceMark>,
}

/// Checks the table.
pub(super) fn resolve(
    document: &Document,
    raw: &JobFile,
    bodies: &Document,
    kit: &Kit,
    purpose: Purpose,
) -> Result<Option<JobLearn>, Problem> {
    let Some(table) = &raw.learn else {
        if purpose == Purpose::Learn {
            return Err(document.problem(
                "",
                "no [learn] table says which body is to be learned",
                "Add [learn] with body = \"NAME\", the name of a body of the bodies file.",
            ));
        }
        return Ok(None);
    };
    let Some(body) = kit.find_body(&table.body) else {
        return Err(document.problem(
            "learn.body",
            format!("{} has no body \"{}\"", bodies.name(), table.body),
            "Give the name of a [[body]]: its first tag with any place (centre_mm = [0, 0, 0], right = [1, 0, 0], up = [0, 1, 0]), all others place = \"free\".",
        ));
    };
    let model = &kit.bodies[body];
    if model.kind == BodyKind::FloorSheet || model.kind == BodyKind::PlumbLine {
        return Err(document.problem(
            "learn.body",
            format!("\"{}\" is a single sheet: there is nothing to learn", model.name),
            "Name a stand, a plate or another rigid thing with several tags.",
        ));
    }
    if model.tags.len() < 2 {
        return Err(document.problem(
            "learn.body",
            format!("\"{}\" has one tag only, which sets its frame: there is nothing to learn", model.name),
            "Declare its other tags with place = \"free\".",
        ));
    }
    first_by_centre(document, bodies, &model.name)?;
    let mut face: Vec<FaceMark> = Vec::new();
    for (k, written) in table.face.iter().enumerate() {
        let path = format!("learn.face[{k}]");
        let mark = mark(document, &path, written, kit, body)?;
        if face.iter().any(|m| m.corner == mark.corner || m.tag == mark.tag) {
            return Err(document.problem(
                &path,
                format!("the {} corner or tag {} is there twice", mark.corner.name(), written.tag),
                "Give each corner one tag of its own.",
            ));
        }
        face.push(mark);
    }
    let needs_face = model.kind == BodyKind::Stand;
    if needs_face == face.is_empty() || (needs_face && face.len() < 3) {
        let what = if needs_face {
            format!("\"{}\" is a stand, and {} of its target's corners are marked", model.name, face.len())
        } else {
            format!("\"{}\" is no stand and has [[learn.face]] tables", model.name)
        };
        return Err(document.problem(
            "learn",
            what,
            "A stand needs [[learn.face]] tables for three corners of its target at least, better all four; nothing else has any.",
        ));
    }
    Ok(Some(JobLearn { body, face }))
}

/// Corners measured on the first tag would be lost: the learned file gives centres and directions.
fn first_by_centre(document: &Document, bodies: &Document, name: &str) -> Result<(), Problem> {
    let file: BodiesFile = bodies.typed()?;
    let by_corners =
        file.body.iter().find(|b| b.name == name).is_some_and(|b| b.tags.iter().any(|t| t.corners_mm.is_some()));
    if by_corners {
        return Err(document.problem(
            "learn.body",
            format!("a tag of \"{name}\" is given by corners_mm"),
            "Give the first tag by centre_mm, right and up, and leave its printed size to the scale bars or to side_mm; the others are place = \"free\".",
        ));
    }
    Ok(())
}

fn mark(document: &Document, path: &str, written: &FaceTable, kit: &Kit, body: usize) -> Result<FaceMark, Problem> {
    let model = &kit.bodies[body];
    let Some(tag) = model.tags.iter().position(|t| i64::from(t.id) == written.tag) else {
        return Err(document.problem(
            &format!("{path}.tag"),
            format!("\"{}\" has no tag {}", model.name, written.tag),
            "Declare it in the bodies file, on this body, with place = \"free\".",
        ));
    };
    if written.mark_mm.iter().any(|v| v.abs() > FURTHEST_MARK_MM) {
        return Err(document.problem(
            &format!("{path}.mark_mm"),
            format!("the corner is more than {FURTHEST_MARK_MM} mm from the centre of tag {}", written.tag),
            "mark_mm is [x, y] of the target's corner in millimetres, from the tag's centre, along the print's right and up.",
        ));
    }
    let u = |key: &str, value: Option<f64>, usual: f64| {
        not_negative(document, &format!("{path}.{key}"), value.unwrap_or(usual), 100.0).map(m_from_mm)
    };
    Ok(FaceMark {
        tag,
        corner: match written.corner {
            CornerName::UpperLeft => FaceCorner { left: true, top: true },
            CornerName::UpperRight => FaceCorner { left: false, top: true },
            CornerName::LowerLeft => FaceCorner { left: true, top: false },
            CornerName::LowerRight => FaceCorner { left: false, top: false },
        },
        in_tag_m: written.mark_mm.map(m_from_mm),
        u_m: u("u_mark_mm", written.u_mark_mm, U_MARK_MM)?,
        u_flat_m: u("u_flat_mm", written.u_flat_mm, U_FLAT_MM)?,
        stays: written.stays,
    })
}
