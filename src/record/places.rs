//! The places of a learned body's tags: the table for `bodies.toml`, and beside it the covariance that goes with them.

use crate::body::{BodyKind, BodyModel, JointPlaces, Kit, PlaceSlope, ScaleOf, TagPlace};
use crate::frames::{Body, Pose, Tag};
use crate::placement::LearnedBody;
use crate::record::bodies::Bodies;
use crate::record::document::Document;
use crate::record::files::BodiesFile;
use crate::record::job::part_path;
use crate::record::problem::Problem;
use crate::record::write::json_text;
use crate::units::mm_from_m;
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};
use std::fmt::Write;
use std::path::Path;

/// The format line of a places file.
pub const PLACES_FORMAT: &str = "plumbsight/places/1";

/// Places and sides that differ from the covariance's by more than this were edited: a micrometre, a millionth.
const SAME: f64 = 1e-6;

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PlacesFile {
    format: String,
    program: String,
    body: String,
    tags: Vec<PlacedTag>,
    /// What the rows of the matrix are.
    order: String,
    /// 6n rows of 6n, for given print scales.
    covariance_rad_m: Vec<Vec<f64>>,
    print_scales: Vec<Scale>,
}

/// A tag with its place, so that a table that was edited later is noticed.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct PlacedTag {
    id: u16,
    print: String,
    /// As declared, right and up, what the scale bars say included.
    sides_mm: [f64; 2],
    centre_mm: [f64; 3],
    right: [f64; 3],
    up: [f64; 3],
}

/// A print scale that the places hang on.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Scale {
    /// The print group, where it is the group's.
    print: Option<String>,
    /// The tag, where it is a tag's own.
    tag: Option<u16>,
    /// `"right"` or `"up"`, where it is of that direction alone.
    direction: Option<Direction>,
    /// What was found for it.
    found: f64,
    /// 6n numbers: how the places' steps change with it.
    slope_rad_m: Vec<f64>,
}

#[derive(Clone, Copy, Serialize, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
enum Direction {
    Right,
    Up,
}

fn placed(kit: &Kit, body: &BodyModel, tag: usize, place: &Pose<Body, Tag>) -> PlacedTag {
    let declared = &body.tags[tag];
    let rotation = place.rotation();
    PlacedTag {
        id: declared.id,
        print: kit.prints[declared.print].name.clone(),
        sides_mm: declared.stretch.map(|s| mm_from_m(declared.side_m * s)),
        centre_mm: place.translation().map(mm_from_m).into(),
        right: rotation.column(0).into_owned().into(),
        up: rotation.column(1).into_owned().into(),
    }
}

/// The two texts of a learned body: its table for `bodies.toml`, headed by `remarks`, and the places file that the table names as `places_name`.
///
/// `kit` is the one that the body was learned with.
pub fn learned_texts(
    kit: &Kit,
    learned: &LearnedBody,
    places_name: &str,
    remarks: &[String],
) -> Result<(String, String), Problem> {
    let body = &kit.bodies[learned.joint.body];
    let tags: Vec<PlacedTag> = learned.tags.iter().map(|t| placed(kit, body, t.tag, &t.body_from_tag)).collect();
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let mut out = String::new();
    // Writing to a text cannot fail; the results are dropped for that reason.
    for remark in remarks {
        let _ = writeln!(out, "# {remark}");
    }
    let _ = writeln!(out, "[[body]]\nname = {}", quoted(&body.name));
    let kind = match body.kind {
        BodyKind::Stand => "stand",
        BodyKind::Plate => "plate",
        BodyKind::PlumbLine => "plumb-line",
        BodyKind::Pointer => "pointer",
        BodyKind::FloorSheet | BodyKind::TouchedPoint | BodyKind::Other => "other",
    };
    let _ = writeln!(out, "kind = \"{kind}\"\nplaces_covariance = {}", quoted(places_name));
    for (tag, learned) in tags.iter().zip(&learned.tags) {
        let declared = &body.tags[learned.tag];
        let _ = writeln!(out, "\n[[body.tags]]\nid = {}\nside_mm = {}", tag.id, mm_from_m(declared.side_m));
        let _ = writeln!(out, "print = {}", quoted(&tag.print));
        // A nanometre and a thousandth of a microradian: far below what is known, and below what counts as edited.
        let rounded = |v: [f64; 3], digits: usize| v.map(|x| format!("{x:.digits$}")).join(", ");
        let _ = writeln!(
            out,
            "centre_mm = [{}]  # u {:.2} mm, {:.3} deg in the worst direction",
            rounded(tag.centre_mm, 6),
            mm_from_m(learned.u_m),
            crate::units::deg_from_rad(learned.u_rad)
        );
        let _ = writeln!(out, "right = [{}]\nup = [{}]", rounded(tag.right, 9), rounded(tag.up, 9));
    }
    let joint = &learned.joint;
    let file = PlacesFile {
        format: PLACES_FORMAT.into(),
        program: concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")).into(),
        body: body.name.clone(),
        tags,
        order: "for each tag in the order of `tags`: rotation x y z (rad), translation x y z (m), the step on the right of body_from_tag, in the tag's \
                own axes; for given print scales"
            .into(),
        covariance_rad_m: joint.cov.row_iter().map(|row| row.iter().copied().collect()).collect(),
        print_scales: joint
            .slopes
            .iter()
            .map(|s| {
                let print = |k: usize| Some(kit.prints[k].name.clone());
                let (print, tag, direction) = match s.of {
                    ScaleOf::Common(k) => (print(k), None, None),
                    ScaleOf::Axis(k, 0) => (print(k), None, Some(Direction::Right)),
                    ScaleOf::Axis(k, _) => (print(k), None, Some(Direction::Up)),
                    ScaleOf::Tag(t) => (None, Some(body.tags[t].id), None),
                };
                Scale { print, tag, direction, found: s.found, slope_rad_m: s.slope.iter().copied().collect() }
            })
            .collect(),
    };
    Ok((out, json_text(&file, places_name)?))
}

/// Names of the places files that a bodies file speaks of, as written.
pub(super) fn names(document: &Document) -> Result<Vec<String>, Problem> {
    let file: BodiesFile = document.typed()?;
    Ok(file.body.iter().filter_map(|table| table.places_covariance.clone()).collect())
}

/// Reads the places files that the bodies name, checks them against the tables, and gives the tags' places their covariance.
pub(super) fn attach(document: &Document, folder: &Path, bodies: &mut Bodies) -> Result<(), Problem> {
    let file: BodiesFile = document.typed()?;
    for (k, table) in file.body.iter().enumerate() {
        let Some(written) = &table.places_covariance else { continue };
        let key = format!("body[{k}].places_covariance");
        if table.u_place_mm.is_some_and(|u| u > 0.0) || table.u_place_deg.is_some_and(|u| u > 0.0) {
            return Err(document.problem(
                &key,
                format!("\"{}\" has both u_place_mm or u_place_deg and places_covariance", table.name),
                "Keep one of them.",
            ));
        }
        let path = part_path(document, folder, &key, written)?;
        let places = read(&path)?;
        let name = path.display().to_string();
        let Some(body) = bodies.kit.find_body(&table.name) else { continue };
        let joint = check(&places, &name, &bodies.kit, body)?;
        let sigmas: Vec<f64> = joint.slopes.iter().map(|s| bodies.kit.scale_sigma(body, s.of)).collect();
        for (n, &t) in joint.tags.iter().enumerate() {
            let tag = &mut bodies.kit.bodies[body].tags[t];
            if let TagPlace::Known(body_from_tag) = tag.place {
                tag.place = TagPlace::Measured { body_from_tag, cov: Box::new(joint.marginal(n, &sigmas)) };
            }
        }
        bodies.kit.joint_places.push(joint);
    }
    Ok(())
}

fn read(path: &Path) -> Result<PlacesFile, Problem> {
    let name = path.display().to_string();
    let remedy = "Take the file that `plumbsight learn` wrote, unchanged, or learn the body again.";
    let fail = |what: String| Problem::of_file(name.clone(), what, remedy);
    let bytes =
        crate::capture::read_file(path, crate::limits::LARGEST_PLACES_BYTES).map_err(|e| fail(e.to_string()))?;
    let file: PlacesFile = serde_json::from_slice(&bytes).map_err(|e| fail(format!("this is no places file ({e})")))?;
    if file.format != PLACES_FORMAT {
        return Err(fail(format!("its format is \"{}\" and this program knows \"{PLACES_FORMAT}\"", file.format)));
    }
    Ok(file)
}

/// The covariance as the survey takes it.
fn check(file: &PlacesFile, name: &str, kit: &Kit, body: usize) -> Result<JointPlaces, Problem> {
    let model = &kit.bodies[body];
    let fail = |what: String| {
        Err(Problem::of_file(
            name,
            what,
            "The table in the bodies file and this file belong together: take both as `plumbsight learn` wrote them, or learn the body again.",
        ))
    };
    if file.body != model.name {
        return fail(format!("it is of the body \"{}\" and \"{}\" names it", file.body, model.name));
    }
    let mut tags = Vec::new();
    for placed_tag in &file.tags {
        let Some(t) = model.tags.iter().position(|t| t.id == placed_tag.id) else {
            return fail(format!("it holds tag {}, which \"{}\" does not have", placed_tag.id, model.name));
        };
        if tags.contains(&t) {
            return fail(format!("it holds tag {} twice", placed_tag.id));
        }
        let TagPlace::Known(place) = &model.tags[t].place else {
            return fail(format!("tag {} has a place here and is \"free\" in the bodies file", placed_tag.id));
        };
        let now = placed(kit, model, t, place);
        if now.print != placed_tag.print {
            return fail(format!(
                "tag {} was learned in print group \"{}\" and is now in \"{}\"",
                now.id, placed_tag.print, now.print
            ));
        }
        let sides = (0..2).any(|k| {
            (now.sides_mm[k] / placed_tag.sides_mm[k] - 1.0).abs() > SAME || !placed_tag.sides_mm[k].is_finite()
        });
        if sides {
            return fail(format!(
                "tag {} was learned with sides of {:.3} mm by {:.3} mm and now has {:.3} mm by {:.3} mm (side_mm, or the scale bars of its print group)",
                now.id, placed_tag.sides_mm[0], placed_tag.sides_mm[1], now.sides_mm[0], now.sides_mm[1]
            ));
        }
        let off = |a: &[f64; 3], b: &[f64; 3]| (0..3).map(|k| (a[k] - b[k]).abs()).fold(0.0, f64::max);
        let moved = off(&now.centre_mm, &placed_tag.centre_mm) > mm_from_m(SAME)
            || off(&now.right, &placed_tag.right).max(off(&now.up, &placed_tag.up)) > SAME;
        if moved {
            return fail(format!("tag {} has another place in the bodies file than here", now.id));
        }
        tags.push(t);
    }
    if let Some(other) =
        (0..model.tags.len()).find(|t| !tags.contains(t) && matches!(model.tags[*t].place, TagPlace::Known(_)))
    {
        return fail(format!("\"{}\" has tag {}, which is not in it", model.name, model.tags[other].id));
    }
    let n = 6 * tags.len();
    let rows = &file.covariance_rad_m;
    if n == 0 || rows.len() != n || rows.iter().any(|row| row.len() != n) {
        return fail(format!("its covariance is not {n} rows of {n} numbers"));
    }
    let cov = DMatrix::from_fn(n, n, |i, j| rows[i][j]);
    let largest = cov.amax();
    if !cov.iter().all(|v| v.is_finite()) || (&cov - cov.transpose()).amax() > 1e-9 * largest {
        return fail("its covariance is not symmetric".into());
    }
    if crate::fit::spd_inverse(&cov).is_err() {
        return fail("its covariance is not positive definite".into());
    }
    let mut slopes = Vec::new();
    for scale in &file.print_scales {
        let group = scale.print.as_ref().and_then(|print| kit.prints.iter().position(|p| p.name == *print));
        let tag = scale.tag.and_then(|id| model.tags.iter().position(|t| t.id == id));
        let of = match (group, tag, scale.direction) {
            (Some(k), None, None) => ScaleOf::Common(k),
            (Some(k), None, Some(Direction::Right)) => ScaleOf::Axis(k, 0),
            (Some(k), None, Some(Direction::Up)) => ScaleOf::Axis(k, 1),
            (None, Some(t), None) => ScaleOf::Tag(t),
            _ => {
                return fail(format!(
                    "it hangs on the print scale of {}, which the bodies file does not have",
                    scale
                        .print
                        .as_ref()
                        .map_or_else(|| format!("tag {}", scale.tag.unwrap_or_default()), |p| format!("\"{p}\""))
                ));
            }
        };
        if scale.slope_rad_m.len() != n || !scale.found.is_finite() || !scale.slope_rad_m.iter().all(|v| v.is_finite())
        {
            return fail(format!("a print scale's slope is not {n} numbers"));
        }
        slopes.push(PlaceSlope { of, found: scale.found, slope: DVector::from_column_slice(&scale.slope_rad_m) });
    }
    Ok(JointPlaces { body, tags, cov: (&cov + cov.transpose()) * 0.5, slopes })
}
