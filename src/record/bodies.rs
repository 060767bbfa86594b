//! `bodies.toml` checked and turned into known geometry.

use crate::body::{BodyKind, BodyModel, BodyTag, Kit, TagPlace, place_from_corners, spans_m, tag_corners_m};
use crate::frames::{Body, Point, Pose, Tag, rotation_from_yaw_pitch_roll};
use crate::placement::StandModel;
use crate::record::document::Document;
use crate::record::files::{BodiesFile, BodyKindName, BodyTable, FloorTable, Ids, TagTable, TargetTable};
use crate::record::job::Notice;
use crate::record::pointer;
use crate::record::prints::{self, PrintGroup};
use crate::record::problem::Problem;
use crate::survey::Pointer;
use crate::units::{m_from_mm, mm_from_m, rad_from_deg};
use crate::vehicle::FloorModel;
use nalgebra::{Matrix3, Matrix6, Vector3, Vector6};
use std::collections::BTreeMap;
use std::ops::RangeInclusive;

/// Highest id of the 36h11 family. Source: the family's published code table has 587 entries.
pub const HIGHEST_TAG_ID: i64 = 586;

/// Sides outside this range are a slip of the pen or of the unit. Common practice, no source.
const SIDES_MM: RangeInclusive<f64> = 5.0..=2000.0;

/// Nothing on a body is further from its origin than this. Common practice, no source.
const FURTHEST_MM: f64 = 20_000.0;

/// Corners of a body and the scale bars of its print may differ by this share of a side: 0.5 mm on 200 mm. Common practice, no source.
const CORNERS_AGAINST_BARS: f64 = 0.0025;

/// Everything `bodies.toml` says.
#[derive(Clone, Debug)]
pub struct Bodies {
    /// Known geometry.
    pub kit: Kit,
    /// Where the target sits on each stand.
    pub stands: Vec<StandModel>,
    /// How the floor sheets touch the floor.
    pub floor: FloorModel,
    /// The pointer, where there is one.
    pub pointer: Option<Pointer>,
    /// What was noticed while reading.
    pub notices: Vec<Notice>,
}

/// What the tags of the file are checked against.
struct Context {
    groups: Vec<PrintGroup>,
    /// Where each id was declared: on what, and in which line.
    seen: BTreeMap<u16, (String, Option<usize>)>,
    /// By print group: tags whose corners contradict the scale bars.
    against_bars: BTreeMap<usize, Vec<AgainstBars>>,
}

/// A tag whose corners contradict the scale bars of its print.
struct AgainstBars {
    id: i64,
    /// What the corners span, right and up, mm.
    spans_mm: [f64; 2],
    /// What the bars make of its sides, mm.
    by_bars_mm: [f64; 2],
}

/// Checks a bodies file.
pub(crate) fn resolve(document: &Document) -> Result<Bodies, Problem> {
    let file: BodiesFile = document.typed()?;
    let floor = floor_contact(document, &file)?;
    let mut out = Bodies { kit: Kit::default(), stands: Vec::new(), floor, pointer: None, notices: Vec::new() };
    let groups = prints::groups(document, &file.prints, &mut out.notices)?;
    let mut context = Context { groups, seen: BTreeMap::new(), against_bars: BTreeMap::new() };
    out.kit.prints = context.groups.iter().map(|g| g.scale.clone()).collect();
    for (k, table) in file.floor.iter().enumerate() {
        add_floor(document, table, &format!("floor[{k}]"), &mut out, &mut context)?;
    }
    for (k, table) in file.body.iter().enumerate() {
        add_body(document, table, &format!("body[{k}]"), &mut out, &mut context)?;
    }
    out.notices.extend(notes_against_bars(document, &context));
    if out.kit.bodies.is_empty() {
        return Err(document.problem(
            "",
            "no body is declared",
            "Declare the stand and the wheel plates with [[body]] and the sheets on the floor with [[floor]].",
        ));
    }
    Ok(out)
}

/// Checks that a number is zero or positive and below `most`.
pub(crate) fn not_negative(document: &Document, path: &str, value: f64, most: f64) -> Result<f64, Problem> {
    if (0.0..=most).contains(&value) {
        return Ok(value);
    }
    let key = path.rsplit('.').next().unwrap_or(path);
    Err(document.problem(
        path,
        format!("`{key} = {value}` is not possible"),
        format!("Give a number between 0 and {most} in the unit that the key names."),
    ))
}

/// Thinnest paper or film that is printed on, mm: less was written in metres. Common practice, no source.
const THINNEST_MM: f64 = 0.03;

/// Standard uncertainty of a height on a floor, mm, below which it was written in metres. Common practice, no source.
const SURER_THAN_ANY_MM: f64 = 0.005;

fn floor_contact(document: &Document, file: &BodiesFile) -> Result<FloorModel, Problem> {
    let table = &file.floor_contact;
    let metres = |key: &str, value: Option<f64>, default_m: f64, most: f64| match value {
        Some(v) => not_negative(document, &format!("floor_contact.{key}"), v, most).map(m_from_mm),
        None => Ok(default_m),
    };
    for (key, u) in [("u_thickness_mm", table.u_thickness_mm), ("u_uneven_mm", table.u_uneven_mm)] {
        if let Some(mm) = u.filter(|mm| *mm > 0.0 && *mm < SURER_THAN_ANY_MM) {
            return Err(document.problem(
                &format!("floor_contact.{key}"),
                format!("{key} = {mm}: nobody knows a floor that well"),
                "It is a standard uncertainty in millimetres: multiply metres by 1000, inches by 25.4; 0 where it is to count as exactly known.",
            ));
        }
    }
    if let Some(mm) = table.thickness_mm.filter(|mm| *mm > 0.0 && *mm < THINNEST_MM) {
        return Err(document.problem(
            "floor_contact.thickness_mm",
            format!("thickness_mm = {mm}: no paper is that thin"),
            "It is the height of the print above the floor in millimetres, of paper about 0.1: multiply metres by 1000, inches by 25.4.",
        ));
    }
    let usual = FloorModel::default();
    // A slope of so many mm per m is, at these sizes, the same number of metres per metre and of radians.
    Ok(FloorModel {
        level_reading: None,
        thickness_m: metres("thickness_mm", table.thickness_mm, usual.thickness_m, 200.0)?,
        u_thickness_m: metres("u_thickness_mm", table.u_thickness_mm, usual.u_thickness_m, 50.0)?,
        u_uneven_m: metres("u_uneven_mm", table.u_uneven_mm, usual.u_uneven_m, 50.0)?,
        u_level_rad: metres("u_level_mm_per_m", table.u_level_mm_per_m, usual.u_level_rad, 100.0)?,
        u_plumb_rad: metres("u_plumb_mm_per_m", table.u_plumb_mm_per_m, usual.u_plumb_rad, 100.0)?,
    })
}

fn side_m(document: &Document, path: &str, side_mm: f64) -> Result<f64, Problem> {
    if SIDES_MM.contains(&side_mm) {
        return Ok(m_from_mm(side_mm));
    }
    Err(document.problem(
        &format!("{path}.side_mm"),
        format!("side_mm = {side_mm}: that is {} m", m_from_mm(side_mm)),
        format!(
            "Sides are in millimetres, the outer edge of the black square, between {} and {}.",
            SIDES_MM.start(),
            SIDES_MM.end()
        ),
    ))
}

/// Checks a tag id and that it was not declared before; `seen` holds where each was.
pub(crate) fn tag_id(
    document: &Document,
    path: &str,
    id: i64,
    owner: &str,
    seen: &mut BTreeMap<u16, (String, Option<usize>)>,
) -> Result<u16, Problem> {
    let checked = u16::try_from(id).ok().filter(|_| id <= HIGHEST_TAG_ID).ok_or_else(|| {
        document.problem(
            path,
            format!("there is no tag {id} in the 36h11 family"),
            format!("Ids run from 0 to {HIGHEST_TAG_ID}; read the number printed beside the tag."),
        )
    })?;
    let here = (owner.to_owned(), document.line(path));
    if let Some((first, line)) = seen.insert(checked, here) {
        let line = line.map(|l| format!(" (line {l})")).unwrap_or_default();
        return Err(document.problem(
            path,
            format!("tag {id} is declared twice: on {first}{line} and on {owner}"),
            "Every tag is on one body only; print another id for one of them or correct the list.",
        ));
    }
    Ok(checked)
}

/// The ids that a table at `path` lists; at least one.
pub(crate) fn listed_ids(document: &Document, path: &str, ids: &Ids) -> Result<Vec<i64>, Problem> {
    let ids = match ids {
        Ids::List(ids) => ids.clone(),
        Ids::Range(text) => range(text).ok_or_else(|| {
            document.problem(
                &format!("{path}.ids"),
                format!("\"{text}\" is not a range of tag ids"),
                "Write a range as \"100-113\" or a list as [100, 101].",
            )
        })?,
    };
    if ids.is_empty() {
        return Err(document.problem(
            &format!("{path}.ids"),
            "the list of ids is empty",
            "List the ids of the sheets.",
        ));
    }
    Ok(ids)
}

fn add_floor(
    document: &Document,
    table: &FloorTable,
    path: &str,
    out: &mut Bodies,
    context: &mut Context,
) -> Result<(), Problem> {
    let ids = listed_ids(document, path, &table.ids)?;
    let side_m = side_m(document, path, table.side_mm)?;
    let print = prints::index_of(document, path, table.print.as_deref(), &context.groups)?;
    for id in ids {
        let name = format!("floor sheet {id}");
        let id = tag_id(document, &format!("{path}.ids"), id, &name, &mut context.seen)?;
        let stretch = context.groups[print].bars.unwrap_or([1.0; 2]);
        let tag = BodyTag { id, side_m, stretch, print, place: TagPlace::Known(Pose::coincident()) };
        out.kit.bodies.push(BodyModel { name, kind: BodyKind::FloorSheet, tags: vec![tag] });
    }
    Ok(())
}

/// The ids of `100-113`.
fn range(text: &str) -> Option<Vec<i64>> {
    let (from, to) = text.split_once('-')?;
    let (from, to): (i64, i64) = (from.trim().parse().ok()?, to.trim().parse().ok()?);
    // An absurd upper end is stopped here, before it becomes a long list; `tag_id` names the rest.
    (from <= to && to - from <= HIGHEST_TAG_ID).then(|| (from..=to).collect())
}

fn add_body(
    document: &Document,
    table: &BodyTable,
    path: &str,
    out: &mut Bodies,
    context: &mut Context,
) -> Result<(), Problem> {
    if table.name.trim().is_empty() {
        return Err(document.problem(
            &format!("{path}.name"),
            "the name is empty",
            "Give every body a name of its own.",
        ));
    }
    if out.kit.find_body(&table.name).is_some() {
        return Err(document.problem(
            &format!("{path}.name"),
            format!("the body \"{}\" is declared twice", table.name),
            "Give every body a name of its own.",
        ));
    }
    if table.tags.is_empty() {
        return Err(document.problem(
            path,
            format!("the body \"{}\" has no tags", table.name),
            "Add a [[body.tags]] table for each tag on it.",
        ));
    }
    if table.target.is_some() && table.kind != BodyKindName::Stand {
        return Err(document.problem(
            &format!("{path}.target"),
            format!("\"{}\" is no stand and has a [body.target] table", table.name),
            "Only kind = \"stand\" carries a target.",
        ));
    }
    if table.tip.is_some() && table.kind != BodyKindName::Pointer {
        return Err(document.problem(
            &format!("{path}.tip"),
            format!("\"{}\" is no pointer and has a [body.tip] table", table.name),
            "Only kind = \"pointer\" has a tip.",
        ));
    }
    let assumed = places_assumed(table);
    let (u_place_mm, u_place_deg) = match assumed {
        true => (USUAL_PLACE_MM, USUAL_PLACE_DEG),
        false => (table.u_place_mm.unwrap_or(0.0), table.u_place_deg.unwrap_or(0.0)),
    };
    let u_place_m = m_from_mm(not_negative(document, &format!("{path}.u_place_mm"), u_place_mm, 100.0)?);
    let u_place_rad = rad_from_deg(not_negative(document, &format!("{path}.u_place_deg"), u_place_deg, 45.0)?);
    if assumed {
        out.notices.push(Notice {
            about: format!("{}, body \"{}\"", document.name(), table.name),
            text: format!(
                "{PLACES_ASSUMED}: {USUAL_PLACE_MM} mm and {USUAL_PLACE_DEG}° are assumed, as for a steel rule (common practice, no \
                 source). State u_place_mm and u_place_deg (0 where they are exact), or have the table found by `plumbsight learn`."
            ),
        });
    }
    let mut tags = Vec::new();
    for (k, tag) in table.tags.iter().enumerate() {
        let path = format!("{path}.tags[{k}]");
        let id = tag_id(document, &format!("{path}.id"), tag.id, &format!("\"{}\"", table.name), &mut context.seen)?;
        let side_m = side_m(document, &path, tag.side_mm)?;
        let print = match &tag.print {
            Some(name) => prints::index_of(document, &path, Some(name), &context.groups)?,
            None => {
                let body = format!("body[{}]", path_index(&path));
                prints::index_of(document, &body, table.print.as_deref(), &context.groups)?
            }
        };
        let place = match place_of(document, &path, tag, side_m, context.groups[print].bars)? {
            None if k == 0 => {
                return Err(document.problem(
                    &format!("{path}.place"),
                    format!("the first tag of \"{}\" is \"free\"", table.name),
                    "The first tag sets the body's frame: give its corners_mm, or centre_mm with right and up.",
                ));
            }
            None => TagPlace::Free,
            Some(body_from_tag) if u_place_m > 0.0 || u_place_rad > 0.0 => {
                // Stated in one respect only, it is known exactly in the other; the survey still needs a covariance that can be inverted: a
                // microradian, a micrometre.
                let (r, t) = (u_place_rad.max(1e-6).powi(2), u_place_m.max(1e-6).powi(2));
                TagPlace::Measured {
                    body_from_tag,
                    cov: Box::new(Matrix6::from_diagonal(&Vector6::new(r, r, r, t, t, t))),
                }
            }
            Some(body_from_tag) => TagPlace::Known(body_from_tag),
        };
        let stretch = stretch(tag, side_m, print, context);
        tags.push(BodyTag { id, side_m, stretch, print, place });
    }
    let kind = match table.kind {
        BodyKindName::Stand => BodyKind::Stand,
        BodyKindName::Plate => BodyKind::Plate,
        BodyKindName::PlumbLine => BodyKind::PlumbLine,
        BodyKindName::Pointer => BodyKind::Pointer,
        BodyKindName::Other => BodyKind::Other,
    };
    if kind == BodyKind::Pointer {
        if let Some(first) = out.pointer {
            let first = &out.kit.bodies[first.body].name;
            return Err(document.problem(
                &format!("{path}.kind"),
                format!("\"{}\" is a second pointer beside \"{first}\"", table.name),
                "A job has one pointer: keep the one that was used.",
            ));
        }
        let body = out.kit.bodies.len();
        out.pointer = Some(pointer::tip(document, &format!("{path}.tip"), table.tip.as_ref(), body, &table.name)?);
    }
    if kind == BodyKind::Stand {
        let body = out.kit.bodies.len();
        out.stands.push(match &table.target {
            Some(target) => stand(document, &format!("{path}.target"), target, body)?,
            None => StandModel::plain(body),
        });
    }
    out.kit.bodies.push(BodyModel { name: table.name.clone(), kind, tags });
    Ok(())
}

/// Begins the notice of a body for whose tags' places these count.
pub const PLACES_ASSUMED: &str = "Nothing says how well the places of its tags are known";

/// Standard uncertainty of a tag's place on its body where nobody states one: that of a steel rule, and how flat and upright a print sits. Common practice, no source.
pub const USUAL_PLACE_MM: f64 = 0.3;
/// The same of its direction, deg.
pub const USUAL_PLACE_DEG: f64 = 0.1;

/// True where a body's table says where several tags sit and not how well that is known. A single one sets the body's frame, and is exact by that.
fn places_assumed(table: &BodyTable) -> bool {
    let stated = table.u_place_mm.is_some() || table.u_place_deg.is_some() || table.places_covariance.is_some();
    !stated && table.tags.iter().filter(|t| t.place.is_none()).count() > 1
}

/// What the printer made of a tag's sides, as shares of `side_mm`.
///
/// Where the scale bars of its group were measured, `side_mm` is what was meant to be printed. Corners that were measured on the body show the tag as it
/// is: what they span counts then, and not the bars; where the two contradict each other the tag is noted in `context`.
fn stretch(tag: &TagTable, side_m: f64, print: usize, context: &mut Context) -> [f64; 2] {
    let Some(bars) = context.groups[print].bars else { return [1.0; 2] };
    let Some(corners) = tag.corners_mm else { return bars };
    let stretch = spans_m(&corners.map(|c| Vector3::from(c.map(m_from_mm)))).map(|span_m| span_m / side_m);
    if (0..2).any(|k| (stretch[k] - bars[k]).abs() > CORNERS_AGAINST_BARS) {
        let [spans_mm, by_bars_mm] = [stretch, bars].map(|s| s.map(|share| mm_from_m(share * side_m)));
        context.against_bars.entry(print).or_default().push(AgainstBars { id: tag.id, spans_mm, by_bars_mm });
    }
    stretch
}

/// One notice for each print group whose scale bars contradict corners of its tags.
fn notes_against_bars(document: &Document, context: &Context) -> Vec<Notice> {
    context
        .against_bars
        .iter()
        .filter_map(|(print, tags)| {
            let AgainstBars { id: first, spans_mm: [right, up], by_bars_mm: [bar_right, bar_up] } = tags.first()?;
            let ids: Vec<String> = tags.iter().map(|tag| tag.id.to_string()).collect();
            Some(Notice {
                about: format!("{}, print group \"{}\"", document.name(), context.groups[*print].scale.name),
                text: format!(
                    "The corners_mm of tag {first} span {right:.2} mm by {up:.2} mm, and the scale bars make it {bar_right:.2} mm by {bar_up:.2} mm \
                     (likewise: {}). The corners are taken as measured. If they come from a drawing, give centre_mm, right and up instead.",
                    ids.join(", ")
                ),
            })
        })
        .collect()
}

/// The number in `body[3].tags[1]` that belongs to the body.
fn path_index(path: &str) -> &str {
    path.split(['[', ']']).nth(1).unwrap_or("0")
}

/// Where a tag sits on its body, or `None` where the survey is to find it.
fn place_of(
    document: &Document,
    path: &str,
    tag: &TagTable,
    side_m: f64,
    bars: Option<[f64; 2]>,
) -> Result<Option<Pose<Body, Tag>>, Problem> {
    let problem = |key: &str, what: String, remedy: &str| Err(document.problem(&format!("{path}.{key}"), what, remedy));
    let by_centre = (tag.centre_mm, tag.right, tag.up);
    let ways = usize::from(tag.corners_mm.is_some())
        + usize::from(by_centre != (None, None, None))
        + usize::from(tag.place.is_some());
    if ways != 1 {
        return problem(
            "id",
            format!("the place of tag {} is given in {ways} ways", tag.id),
            "Give exactly one: corners_mm; or centre_mm with right and up; or place = \"free\".",
        );
    }
    if tag.place.is_some() {
        return Ok(None);
    }
    if let Some(corners) = tag.corners_mm {
        if corners.iter().flatten().any(|v| v.abs() > FURTHEST_MM) {
            return problem(
                "corners_mm",
                format!("a corner of tag {} is more than {} m from the body's origin", tag.id, m_from_mm(FURTHEST_MM)),
                "Corners are in millimetres.",
            );
        }
        let corners = corners.map(|c| Vector3::from(c.map(m_from_mm)));
        // What people measure with a rule on a rigid board; more is a wrong digit. Common practice, no source.
        let tolerance_m = m_from_mm(0.5).max(0.005 * side_m);
        let (pose, mean_side_m) = match place_from_corners(&corners, tolerance_m) {
            Ok(found) => found,
            Err(why) => {
                return problem(
                    "corners_mm",
                    format!("tag {}: {why}", tag.id),
                    "List lower left, lower right, upper right, upper left of the black square as seen on the upright print.",
                );
            }
        };
        // With scale bars, side_mm is what was meant to be printed and the corners are what came out.
        let printed_m = bars.map_or(side_m, |[x, y]| side_m * 0.5 * (x + y));
        if (mean_side_m - side_m).abs().min((mean_side_m - printed_m).abs()) > tolerance_m {
            return problem(
                "side_mm",
                format!(
                    "tag {}: side_mm is {} but its corners are {:.2} mm apart",
                    tag.id,
                    tag.side_mm,
                    mm_from_m(mean_side_m)
                ),
                "Correct side_mm or corners_mm; both mean the outer edge of the black square.",
            );
        }
        return Ok(Some(pose));
    }
    let (Some(centre), Some(right), Some(up)) = by_centre else {
        return problem(
            "id",
            format!("tag {}: centre_mm, right and up belong together and one is missing", tag.id),
            "Give all three; right and up are directions on the upright print, in the body's frame.",
        );
    };
    if centre.iter().any(|v| v.abs() > FURTHEST_MM) {
        return problem(
            "centre_mm",
            format!("the centre of tag {} is more than {} m from the body's origin", tag.id, m_from_mm(FURTHEST_MM)),
            "Places are in millimetres.",
        );
    }
    let (right, up) = (Vector3::from(right), Vector3::from(up));
    // One degree off square is more than anybody means.
    let square = right.norm() > 1e-9 && up.norm() > 1e-9 && right.normalize().dot(&up.normalize()).abs() < 0.0175;
    if !square {
        return problem(
            "right",
            format!("tag {}: `right` and `up` are not at a right angle", tag.id),
            "Both are directions in the body's frame, for example right = [1, 0, 0], up = [0, 1, 0].",
        );
    }
    let z = right.cross(&up).normalize();
    let x = (right.normalize() + up.normalize().cross(&z)).normalize();
    let rotation = Matrix3::from_columns(&[x, z.cross(&x), z]);
    let pose = Pose::claim_matrix(&rotation, Vector3::from(centre.map(m_from_mm)));
    // The corners are what the rest of the program works with: they must come out finite.
    let finite = tag_corners_m(side_m).iter().all(|c| (rotation * c).iter().all(|v| v.is_finite()));
    if !finite {
        return problem("right", format!("tag {}: `right` and `up` do not span a plane", tag.id), "Correct them.");
    }
    Ok(Some(pose))
}

fn stand(document: &Document, path: &str, table: &TargetTable, body: usize) -> Result<StandModel, Problem> {
    for (key, values) in [("origin_mm", Some(table.origin_mm)), ("pivot_mm", table.pivot_mm)] {
        if values.is_some_and(|v| v.iter().any(|x| x.abs() > FURTHEST_MM)) {
            return Err(document.problem(
                &format!("{path}.{key}"),
                format!("`{key}` is more than {} m away", m_from_mm(FURTHEST_MM)),
                "Places are in millimetres.",
            ));
        }
    }
    let rotation = rotation_from_yaw_pitch_roll(
        rad_from_deg(table.yaw_deg),
        rad_from_deg(table.pitch_deg),
        rad_from_deg(table.roll_deg),
    );
    Ok(StandModel {
        body,
        body_from_target: Pose::claim_matrix(rotation.matrix(), Vector3::from(table.origin_mm.map(m_from_mm))),
        u_origin_m: m_from_mm(not_negative(document, &format!("{path}.u_origin_mm"), table.u_origin_mm, 100.0)?),
        u_angle_rad: rad_from_deg(not_negative(document, &format!("{path}.u_angle_deg"), table.u_angle_deg, 10.0)?),
        pivot: table.pivot_mm.map(|p| Point::claim(Vector3::from(p.map(m_from_mm)))),
    })
}
