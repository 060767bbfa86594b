//! Photographs that a program turned by half a turn without saying so in the file: the lens profile, which belongs to the picture as the camera took it, then sits the wrong way round
//! on them, and bodies seem to move.

use super::explain::{ACCIDENTS, LEFT_OVER, Mistake, Solved, unexplained};
use crate::camera::Lens;
use crate::frames::{Camera, Pose, Tag, World};
use crate::pose::{SeenTag, ViewLoss, distinct_poses, planar_poses};
use crate::survey::{Photo, Survey, SurveyInput, SurveyOptions, adjust};
use crate::verdict::words::capital;
use nalgebra::{Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector2, Vector3};

/// A lens whose principal point is nearer to the middle of the picture than this, px, hardly minds. Common practice, no source.
const LEAST_OFF_PX: f64 = 1.0;

/// Loss of a view against the survey as it stands: corners of sharp photographs scatter less. Common practice, no source.
const LOSS: ViewLoss = ViewLoss { sigma_px: 0.1, limit: 72.0 };

/// A photograph fits better the other way round where its loss is less by this. Common practice, no source: one that hardly minds stays as it is known.
const CLEARLY: f64 = 2.0;
const BEYOND_DOUBT: f64 = 50.0;

/// How often the photographs are sorted anew by the survey of the last sorting.
const ROUNDS: usize = 4;

/// Photographs that a sentence names at most.
const NAMED: usize = 6;

/// How far apart the principal points of a picture and of the same picture turned by half a turn are, px.
fn off_px(lens: &Lens) -> f64 {
    let middle = |size: usize| (size as f64 - 1.0) / 2.0;
    2.0 * (lens.cx - middle(lens.width)).hypot(lens.cy - middle(lens.height))
}

/// The same photograph turned by half a turn.
fn turned(photo: &Photo, lens: &Lens) -> Photo {
    let last = Vector2::new(lens.width as f64 - 1.0, lens.height as f64 - 1.0);
    let mut out = photo.clone();
    for view in &mut out.tags {
        view.corners.iter_mut().for_each(|corner| *corner = last - *corner);
        // Both coordinates change their sign: a covariance of two of them does not, an error does.
        view.beyond = -view.beyond;
    }
    out
}

/// The photographs with these turned back.
fn with_turned(input: &SurveyInput, which: &[bool]) -> SurveyInput {
    let mut out = input.clone();
    for (photo, _) in out.photos.iter_mut().zip(which).filter(|(_, turn)| **turn) {
        *photo = turned(photo, &input.lenses[photo.lens].lens);
    }
    out
}

/// Photographs of which the survey explains far more once they are turned by half a turn: the survey with these turned back, and the mistake.
pub(super) fn turned_photos(input: &SurveyInput, solved: &Solved) -> Option<(SurveyInput, Solved, Mistake)> {
    let before = unexplained(solved);
    let minds: Vec<bool> = input.photos.iter().map(|p| off_px(&input.lenses[p.lens].lens) >= LEAST_OFF_PX).collect();
    if before == 0 || !minds.contains(&true) {
        return None;
    }
    let none = vec![false; minds.len()];
    // Where little is unexplained, it must be beyond doubt.
    let clearly = if before > ACCIDENTS { CLEARLY } else { BEYOND_DOUBT };
    let sorted = |first: &Survey, which: &[bool]| sorted(input, first, which.to_vec(), &minds, clearly);
    let explains = |tried: &Try| {
        tried.count() > 0
            && match before {
                usize::MAX => tried.left <= ACCIDENTS,
                _ => tried.left.saturating_mul(LEFT_OVER) <= before || (before > ACCIDENTS && tried.left <= ACCIDENTS),
            }
    };
    let best =
        |tried: Vec<Option<Try>>| tried.into_iter().flatten().filter(explains).min_by_key(|t| (t.left, t.count()));
    // A few are found from the others...
    let mut tried = vec![solved.as_ref().ok().and_then(|survey| sorted(survey, &none))];
    if before > ACCIDENTS {
        // ...and all but a few as well.
        let all = Try::of(input, minds.clone());
        let nearer = all.solved.as_ref().ok().filter(|_| all.left < before);
        tried.extend(nearer.map(|survey| sorted(survey, &all.which)));
        tried.push(Some(all));
    }
    let mut found = best(tried);
    if found.is_none() && solved.is_err() {
        // Where nothing can be tied together, a half may show only one way.
        found = best(halves(input).iter().map(|survey| sorted(survey, &none)).collect());
    }
    let best = found?;
    let mistake = mistake(input, &best.which, before);
    Some((best.input, best.solved, mistake))
}

/// Surveys of the earlier and of the later half of the photographs, and of every second one, as far as there are any.
pub(super) fn halves(input: &SurveyInput) -> Vec<Survey> {
    let n = input.photos.len();
    let of = |is: &dyn Fn(usize) -> bool| {
        let mut half = input.clone();
        half.photos.iter_mut().enumerate().filter(|(p, _)| !is(*p)).for_each(|(_, photo)| photo.tags.clear());
        adjust(&half, &SurveyOptions::default()).ok()
    };
    [of(&|p| 2 * p < n), of(&|p| 2 * p >= n), of(&|p| p % 2 == 0), of(&|p| p % 2 == 1)].into_iter().flatten().collect()
}

/// A choice of photographs turned back, and the survey of it.
struct Try {
    which: Vec<bool>,
    input: SurveyInput,
    solved: Solved,
    left: usize,
}

impl Try {
    fn of(input: &SurveyInput, which: Vec<bool>) -> Self {
        let input = with_turned(input, &which);
        let solved = adjust(&input, &SurveyOptions::default());
        Self { left: unexplained(&solved), which, input, solved }
    }

    fn count(&self) -> usize {
        self.which.iter().filter(|turn| **turn).count()
    }
}

/// Each photograph the way round in which it fits the survey of all better, again until nothing changes; `None` where nothing does at once.
fn sorted(input: &SurveyInput, first: &Survey, which: Vec<bool>, minds: &[bool], clearly: f64) -> Option<Try> {
    let mut last: Option<Try> = None;
    for _ in 0..ROUNDS {
        let (survey, known) = match &last {
            None => (first, &which),
            Some(t) => (t.solved.as_ref().ok()?, &t.which),
        };
        let fits = Fits::new(input, survey);
        let better = |(p, known): (usize, &bool)| match minds[p] {
            true => fits.turned(p, clearly).unwrap_or(*known),
            false => *known,
        };
        let next: Vec<bool> = known.iter().enumerate().map(better).collect();
        if next == *known {
            break;
        }
        last = Some(Try::of(input, next));
    }
    last
}

/// A tag of the survey: its id, the body (index into the survey's), its corners in the world, m.
type Standing = (u16, usize, [Vector3<f64>; 4]);

/// The survey as photographs are fitted to it.
pub(super) struct Fits<'a> {
    input: &'a SurveyInput,
    survey: &'a Survey,
    tags: Vec<Standing>,
}

impl<'a> Fits<'a> {
    pub(super) fn new(input: &'a SurveyInput, survey: &'a Survey) -> Self {
        let ground = survey.ground(&input.kit);
        let tags = ground.tags.iter().map(|tag| (tag.id, tag.body, ground.corners_in_world(tag).0)).collect();
        Self { input, survey, tags }
    }

    /// Whether a photograph fits turned (`true`) or as it is (`false`); `None` where that makes no clear difference.
    fn turned(&self, p: usize, clearly: f64) -> Option<bool> {
        let photo = &self.input.photos[p];
        let lens = &self.survey.lenses[photo.lens];
        let as_it_is = self.loss(lens, photo);
        let as_turned = self.loss(lens, &turned(photo, lens));
        match (as_it_is, as_turned) {
            (Some(a), Some(b)) if (a - b).abs() > clearly => Some(b < a),
            _ => None,
        }
    }

    /// What a photograph's own best place leaves of its views, for each; `None` where it shows too little.
    pub(super) fn loss_per_tag(&self, p: usize) -> Option<f64> {
        let photo = &self.input.photos[p];
        let known = photo.tags.iter().filter(|view| self.tags.iter().any(|(id, _, _)| *id == view.id)).count();
        Some(self.loss(&self.survey.lenses[photo.lens], photo)? / known.max(1) as f64)
    }

    /// What a photograph's own best place leaves of its views, summed.
    fn loss(&self, lens: &Lens, photo: &Photo) -> Option<f64> {
        let mut seen = Vec::new();
        let mut starts: Vec<Pose<Camera, World>> = Vec::new();
        for view in &photo.tags {
            let stands = |body: usize| {
                let body = &self.survey.bodies[body];
                body.position.is_none_or(|at| at == photo.position)
                    && body.station.is_none_or(|at| at == photo.station)
                    && body.hold.is_none_or(|hold| Some(hold) == photo.hold)
            };
            let Some((_, _, corners)) = self.tags.iter().find(|(id, body, _)| *id == view.id && stands(*body)) else {
                continue;
            };
            let side_m = (corners[1] - corners[0]).norm();
            if let Some(tag_from_world) = frame_of(corners) {
                let poses = planar_poses(lens, side_m, &view.corners);
                starts.extend(poses.into_iter().map(|camera_from_tag| camera_from_tag * tag_from_world));
            }
            seen.push(SeenTag { corners_m: *corners, pixels: view.corners });
        }
        // One tag fits anywhere.
        (seen.len() > 1).then(|| distinct_poses(lens, &starts, &seen, &LOSS).first().map(|pose| pose.cost))?
    }
}

/// The frame of a tag with these corners: its middle, its right and its up.
fn frame_of(corners: &[Vector3<f64>; 4]) -> Option<Pose<Tag, World>> {
    let middle = corners.iter().sum::<Vector3<f64>>() / 4.0;
    let right = (corners[1] - corners[0]).try_normalize(1e-9)?;
    let out = right.cross(&(corners[3] - corners[0])).try_normalize(1e-9)?;
    let turn = Rotation3::from_matrix_unchecked(Matrix3::from_columns(&[right, out.cross(&right), out]));
    let world_from_tag = Isometry3::from_parts(Translation3::from(middle), UnitQuaternion::from_rotation_matrix(&turn));
    Some(Pose::claim(world_from_tag.inverse()))
}

fn mistake(input: &SurveyInput, which: &[bool], before: usize) -> Mistake {
    let names: Vec<&str> =
        input.photos.iter().zip(which).filter(|(_, turn)| **turn).map(|(photo, _)| photo.name.as_str()).collect();
    let (n, of) = (names.len(), input.photos.len());
    let who = match names.as_slice() {
        [one] => format!("photograph {one}"),
        _ if n == of => format!("all {n} photographs"),
        [first, ..] if n > NAMED => format!("{n} of the {of} photographs (the first is {first})"),
        several => format!("photographs {}", several.join(", ")),
    };
    let against = if n == of { "the lens profile" } else { "the others and the lens profile" };
    let rest = match n {
        1 => {
            "is turned by half a turn against AGAINST: some program turned it and did not say so in the file. Turned back it fits, and so it was used here. Take the file as the camera wrote it, \
             or turn it back by half a turn."
        }
        _ => {
            "are turned by half a turn against AGAINST: some program turned them and did not say so in the files. Turned back they fit, and so they were used here. Take the files as the camera \
             wrote them, or turn them back by half a turn."
        }
    };
    let views: usize = input.photos.iter().map(|p| p.tags.len()).sum();
    Mistake {
        test: "photograph turned by half a turn",
        sentence: format!("{} {}", capital(&who), rest.replace("AGAINST", against)),
        subject: who,
        // Without a solution no view was explained.
        statistic: before.min(views) as f64,
        threshold: 0.0,
        unit: "failed tests and rejected views",
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::body::tag_corners_m;

    #[test]
    fn the_frame_of_a_tag_is_that_of_its_corners() {
        let turn = UnitQuaternion::from_euler_angles(0.3, -1.1, 2.0);
        let world_from_tag = Isometry3::from_parts(Translation3::new(1.0, -2.0, 0.5), turn);
        let corners = tag_corners_m(0.16).map(|c| (world_from_tag * nalgebra::Point3::from(c)).coords);
        let found = frame_of(&corners).unwrap();
        assert!((found.iso().inverse().to_homogeneous() - world_from_tag.to_homogeneous()).norm() < 1e-12);
        assert!(frame_of(&[Vector3::zeros(); 4]).is_none());
    }
}
