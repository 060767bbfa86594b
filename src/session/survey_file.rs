//! The survey alone as JSON: bodies, photographs, residuals and the full covariance.

use crate::capture::read_text;
use crate::limits::LARGEST_RESULT_BYTES;
use crate::record::result::{LensPart, NoticePart, PointerPart, SurveyPart};
use crate::record::{Job, Problem, json_text};
use crate::session::result::{kind_word, lenses, survey_part};
use crate::session::{Measured, touch};
use crate::survey::{Photo, Survey, Touched};
use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

/// The format line of a survey file.
pub const SURVEY_FORMAT: &str = "plumbsight/survey/1";

#[derive(Serialize)]
struct SurveyFile {
    format: &'static str,
    program: &'static str,
    /// The body whose frame is the world.
    reference: String,
    fit: SurveyPart,
    lenses: Vec<LensPart>,
    bodies: Vec<Body>,
    covariance: Covariance,
    photographs: Vec<Photograph>,
    views: Vec<View>,
    /// The pointer and its holds, where there is one.
    pointer: Option<PointerPart>,
    /// What it touched, in the frame of `reference`.
    touched: Vec<TouchedPoint>,
    notices: Vec<NoticePart>,
}

#[derive(Serialize)]
struct TouchedPoint {
    name: String,
    at_world_m: [f64; 3],
    /// 3 x 3, row by row; of the point alone.
    covariance_m2: Vec<Vec<f64>>,
}

#[derive(Serialize)]
struct Body {
    name: String,
    kind: &'static str,
    station: Option<String>,
    roll_position: Option<String>,
    /// The pointer's hold: its photograph.
    hold: Option<String>,
    photographs: usize,
    /// How much worse the mirror pose fits, where it has one.
    mirror_margin: Option<f64>,
    world_from_body: PoseMetres,
}

/// In metres, so that it goes with the covariance.
#[derive(Serialize)]
struct PoseMetres {
    rotation: [[f64; 3]; 3],
    translation_m: [f64; 3],
}

#[derive(Serialize)]
struct Covariance {
    order: &'static str,
    /// 6n x 6n, row by row, in the order of `bodies`.
    matrix_rad_m: Vec<Vec<f64>>,
}

#[derive(Serialize)]
struct Photograph {
    name: String,
    lens: usize,
    rms_px: f64,
    tags: usize,
    camera_from_world: PoseMetres,
}

#[derive(Serialize)]
struct View {
    photograph: String,
    tag: u16,
    body: String,
    used: bool,
    /// As seen in the photograph, counter-clockwise from the print's lower left.
    corners_px: Option<[[f64; 2]; 4]>,
    /// Predicted minus seen, four corners.
    residual_px: [[f64; 2]; 4],
    redundancy: f64,
    statistic: Option<f64>,
    degrees_of_freedom: usize,
}

fn pose<A, B>(p: &crate::frames::Pose<A, B>) -> PoseMetres {
    let r = p.rotation();
    PoseMetres {
        rotation: std::array::from_fn(|i| std::array::from_fn(|j| r[(i, j)])),
        translation_m: p.translation().into(),
    }
}

fn rows(m: &DMatrix<f64>) -> Vec<Vec<f64>> {
    m.row_iter().map(|row| row.iter().copied().collect()).collect()
}

/// A tag seen in a photograph, as a survey file keeps it.
#[derive(Clone, Debug, PartialEq, Deserialize)]
pub struct SeenTag {
    /// The photograph's name in its job.
    pub photograph: String,
    /// The tag's id.
    pub tag: u16,
    /// The body that carries it.
    pub body: String,
    /// False where the survey's test rejected it.
    pub used: bool,
    /// Its corners in pixels; `None` in files of versions that did not keep them.
    #[serde(default)]
    pub corners_px: Option<[[f64; 2]; 4]>,
}

/// What a survey file says of the tags that were seen; the rest of it is passed over.
///
/// # Errors
/// The file is no survey.
pub fn seen_tags(path: &std::path::Path) -> Result<Vec<SeenTag>, Problem> {
    #[derive(Deserialize)]
    struct Part {
        views: Vec<SeenTag>,
    }
    let fail = |what: String| {
        Problem::of_file(path.display().to_string(), what, "`plumbsight recheck RECORD` says what is damaged.")
    };
    let text = read_text(path, LARGEST_RESULT_BYTES).map_err(|e| fail(e.to_string()))?;
    let part: Part = serde_json::from_str(&text).map_err(|e| fail(format!("this is no survey ({e})")))?;
    Ok(part.views)
}

fn seen_corners(photo: &Photo, id: u16) -> Option<[[f64; 2]; 4]> {
    photo.tags.iter().find(|t| t.id == id).map(|t| t.corners.map(|c| [c.x, c.y]))
}

/// The points found, those that only serve to pivot about included.
fn touched(job: &Job, survey: &Survey, found: Option<&Touched>) -> Vec<TouchedPoint> {
    let (Some(touch), Some(found)) = (&job.touch, found) else { return Vec::new() };
    let point = |(k, p): (usize, &crate::survey::PointFound)| TouchedPoint {
        name: touch.touching.points[p.point].name.clone(),
        at_world_m: p.in_world.coords.into(),
        covariance_m2: rows(&survey.joint_with_points(&[], &[], found, &[k]).cov.view((3, 3), (3, 3)).into_owned()),
    };
    found.points.iter().enumerate().map(point).collect()
}

/// The survey of a job as JSON text.
pub(super) fn to_json(job: &Job, measured: &Measured, found: Option<&Touched>) -> Result<String, Problem> {
    let (look, survey) = (&measured.look, &measured.survey);
    let name = |body: usize| job.kit.bodies[survey.bodies[body].body].name.clone();
    let all: Vec<usize> = (0..survey.bodies.len()).collect();
    let file = SurveyFile {
        format: SURVEY_FORMAT,
        program: concat!(env!("CARGO_PKG_NAME"), " ", env!("CARGO_PKG_VERSION")),
        reference: name(survey.reference),
        fit: survey_part(job, survey),
        lenses: lenses(job, Some(survey)),
        bodies: survey
            .bodies
            .iter()
            .enumerate()
            .map(|(k, b)| Body {
                name: name(k),
                kind: kind_word(job.kit.bodies[b.body].kind),
                station: b.station.and_then(|s| job.placement.stations.get(s)).map(|s| s.name.clone()),
                roll_position: crate::session::roll::position_name(job, b.position),
                hold: b.hold.and_then(|h| Some(job.touch.as_ref()?.touching.holds.get(h)?.photograph.clone())),
                photographs: b.n_photos,
                mirror_margin: b.mirror_margin.filter(|m| m.is_finite()),
                world_from_body: pose(&b.world_from_body),
            })
            .collect(),
        covariance: Covariance {
            order: "for each body in the order of `bodies`: rotation x y z (rad), translation x y z (m), the step on the right of \
                    world_from_body, in the body's own axes",
            matrix_rad_m: rows(&survey.joint(&all).cov),
        },
        photographs: survey
            .photos
            .iter()
            .map(|p| Photograph {
                name: look.photos[p.photo].name.clone(),
                lens: look.photos[p.photo].lens,
                rms_px: p.rms_px,
                tags: p.n_tags,
                camera_from_world: pose(&p.camera_from_world),
            })
            .collect(),
        views: survey
            .views
            .iter()
            .map(|v| View {
                photograph: look.photos[v.photo].name.clone(),
                tag: v.id,
                body: name(v.body),
                used: v.used,
                corners_px: seen_corners(&look.photos[v.photo], v.id),
                residual_px: v.residual_px.map(|r| [r.x, r.y]),
                redundancy: v.redundancy,
                statistic: Some(v.statistic).filter(|s| s.is_finite()),
                degrees_of_freedom: v.dof,
            })
            .collect(),
        pointer: touch::pointer_part(job, found),
        touched: touched(job, survey, found),
        notices: measured
            .notices
            .iter()
            .chain(&touch::notices(job, found))
            .map(|n| NoticePart { about: n.about.clone(), text: n.text.clone() })
            .collect(),
    };
    json_text(&file, "the survey")
}
