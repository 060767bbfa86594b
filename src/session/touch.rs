//! The pointer's part of the result: its tip, the points that it touched, and what slipped.

use crate::record::result::{HoldPart, PointPart, PointerPart};
use crate::record::{Job, JobTouch, Notice};
use crate::session::result::{value, vector_mm};
use crate::survey::{Survey, Touched};
use crate::uncertainty::Estimate;
use crate::units::{deg_from_rad, mm_from_m};
use crate::vehicle::VehicleResult;

/// What touching gave; `None` where the job has no touched point.
pub(super) fn touched(job: &Job, survey: &Survey) -> Option<Touched> {
    job.touch.as_ref().map(|touch| survey.touch(&touch.touching))
}

/// What a person should know of it: holds that were left out, points that were not found and why.
pub(super) fn notices(job: &Job, touched: Option<&Touched>) -> Vec<Notice> {
    let (Some(touch), Some(touched)) = (&job.touch, touched) else { return Vec::new() };
    let points = &touch.touching.points;
    let mut out = Vec::new();
    for hold in &touched.holds {
        let Some(reason) = &hold.left_out else { continue };
        let declared = &touch.touching.holds[hold.hold];
        out.push(Notice {
            about: declared.photograph.clone(),
            text: format!(
                "Left out as a hold of \"{}\": {}.",
                points[declared.point].name,
                reason.trim_end_matches('.')
            ),
        });
    }
    for (point, fault) in &touched.not_found {
        let point = &points[*point];
        let what = match point.body {
            Some(_) => "touched point",
            None => "pivot point",
        };
        out.push(Notice { about: point.name.clone(), text: format!("Not measured ({what}): {fault}.") });
    }
    out
}

/// The pointer and its holds.
pub(super) fn pointer_part(job: &Job, touched: Option<&Touched>) -> Option<PointerPart> {
    let (touch, touched) = (job.touch.as_ref()?, touched?);
    let touching = &touch.touching;
    let tip = touched.tip.as_ref().ok();
    Some(PointerPart {
        name: job.kit.bodies[touching.pointer.body].name.clone(),
        tip_mm: tip.map(|t| [0, 1, 2].map(|k| value(&Estimate::new(t.at.coords[k], t.u_m[k]), mm_from_m))),
        not_found: touched.tip.as_ref().err().map(ToString::to_string),
        least_tilt_deg: tip.map(|t| deg_from_rad(t.least_tilt_rad)),
        holds: touched
            .holds
            .iter()
            .map(|h| HoldPart {
                photograph: touching.holds[h.hold].photograph.clone(),
                point: touching.points[touching.holds[h.hold].point].name.clone(),
                used: h.left_out.is_none(),
                reason: h.left_out.clone(),
                off_mm: vector_mm(&h.off_m).iter().map(|v| v * v).sum::<f64>().sqrt(),
                statistic: h.statistic,
                degrees_of_freedom: h.dof,
                limit: h.limit,
            })
            .collect(),
    })
}

/// The points asked for, in the vehicle frame.
pub(super) fn point_parts(job: &Job, touched: Option<&Touched>, vehicle: &VehicleResult) -> Vec<PointPart> {
    let (Some(touch), Some(touched)) = (&job.touch, touched) else { return Vec::new() };
    let holds = |body| {
        let found = touched.points.iter().find(|p| touch.touching.points[p.point].body == Some(body));
        found.map_or(0, |p| p.n_holds)
    };
    vehicle
        .touched
        .iter()
        .map(|(body, at)| PointPart {
            name: job.kit.bodies[*body].name.clone(),
            at_mm: [0, 1, 2].map(|axis| value(&at[axis], mm_from_m)),
            holds: holds(*body),
            roll_position: position(touch, *body).and_then(|p| super::roll::position_name(job, Some(p))),
        })
        .collect()
}

/// The roll position at which a point was touched.
fn position(touch: &JobTouch, body: usize) -> Option<usize> {
    let point = touch.touching.points.iter().position(|p| p.body == Some(body))?;
    touch.position_of.get(point).copied()
}
