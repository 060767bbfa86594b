//! The survey's input in the form the solver works on: who sees what, with everything unusable named and set aside.

use super::pieces::each;
use super::{Dropped, LensFreedom, NO_BODY, SurveyError, SurveyInput, TagView};
use crate::body::{BodyKind, BodyTag, TagPlace, tag_corners_m};
use crate::camera::N_LENS;
use crate::frames::{Body, Pose, Tag};
use crate::pose::SeenTag;
use nalgebra::{DMatrix, SMatrix, SVector, Vector2, Vector3};

/// A body at a station, a roll position or in a hold: what has one pose of its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Instance {
    pub body: usize,
    pub station: Option<usize>,
    pub position: Option<usize>,
    pub hold: Option<usize>,
}

/// One usable tag view.
#[derive(Clone, Debug)]
pub(super) struct View {
    pub photo: usize,
    pub instance: usize,
    pub body: usize,
    /// Index of the tag on its body.
    pub tag: usize,
    pub seen: TagView,
    /// The axes of its covariance (columns) and the variances along them, px².
    pub axes: SMatrix<f64, 8, 8>,
    pub variances: SVector<f64, 8>,
}

/// Everything usable.
#[derive(Clone, Debug)]
pub(super) struct Problem<'a> {
    pub input: &'a SurveyInput,
    pub instances: Vec<Instance>,
    pub views: Vec<View>,
    /// For each photograph the indices of its views.
    pub views_of_photo: Vec<Vec<usize>>,
}

impl<'a> Problem<'a> {
    /// Sorts the views; what can't be used comes back in `dropped`.
    pub fn new(input: &'a SurveyInput, dropped: &mut Vec<Dropped>) -> Result<Self, SurveyError> {
        let mut instances: Vec<Instance> = Vec::new();
        let mut views: Vec<View> = Vec::new();
        let mut views_of_photo = vec![Vec::new(); input.photos.len()];
        check_covariances(input)?;
        for (p, photo) in input.photos.iter().enumerate() {
            let lens = input.lenses.get(photo.lens).ok_or(SurveyError::NoSuchLens { photo: photo.name.clone() })?;
            if let Some(reason) = lens.lens.implausible() {
                return Err(SurveyError::Lens { reason });
            }
            for seen in &photo.tags {
                let twice = photo.tags.iter().filter(|other| other.id == seen.id).count() > 1;
                let reason = if twice {
                    Some("the same id is in this photograph twice: neither is used")
                } else if !seen.corners.iter().all(|c| c.iter().all(|v| v.is_finite())) || seen.cov.cholesky().is_none()
                {
                    Some("its corners or their covariance are not usable numbers")
                } else {
                    None
                };
                if let Some(reason) = reason {
                    dropped.push(Dropped { photo: p, id: seen.id, reason: reason.into() });
                    continue;
                }
                let Some((body, tag)) = input.kit.find_tag(seen.id) else {
                    dropped.push(Dropped { photo: p, id: seen.id, reason: NO_BODY.into() });
                    continue;
                };
                let is_pointer = input.kit.bodies[body].kind == BodyKind::Pointer;
                if is_pointer && photo.hold.is_none() {
                    let reason =
                        "the pointer counts only in photographs that say what it touches (touching or pivoting)";
                    dropped.push(Dropped { photo: p, id: seen.id, reason: reason.into() });
                    continue;
                }
                let station = input.moved_between_stations.contains(&body).then_some(photo.station);
                let rides = input.rolled.as_ref().is_some_and(|car| car.carries(body));
                let (position, hold) = (rides.then_some(photo.position), photo.hold.filter(|_| is_pointer));
                let wanted = Instance { body, station, position, hold };
                let instance = instances.iter().position(|i| *i == wanted).unwrap_or_else(|| {
                    instances.push(wanted);
                    instances.len() - 1
                });
                views_of_photo[p].push(views.len());
                let (axes, variances) = (SMatrix::zeros(), SVector::zeros());
                views.push(View { photo: p, instance, body, tag, seen: seen.clone(), axes, variances });
            }
        }
        let eigen = each(views.len(), 200, |v| views[v].seen.cov.symmetric_eigen());
        for (view, eigen) in views.iter_mut().zip(eigen) {
            (view.axes, view.variances) = (eigen.eigenvectors, eigen.eigenvalues);
        }
        Ok(Self { input, instances, views, views_of_photo })
    }

    /// A view's tag as declared.
    pub fn tag(&self, view: &View) -> &'a BodyTag {
        &self.input.kit.bodies[view.body].tags[view.tag]
    }

    /// Side of a view's tag before the survey, metres; the mean of both where the print was stretched.
    pub fn side_m(&self, view: &View) -> f64 {
        self.tag(view).mean_side_m()
    }

    /// Where a view's tag sits on its body, if that is known beforehand.
    pub fn place(&self, view: &View) -> Option<Pose<Body, Tag>> {
        match &self.input.kit.bodies[view.body].tags[view.tag].place {
            TagPlace::Known(pose) | TagPlace::Measured { body_from_tag: pose, .. } => Some(*pose),
            TagPlace::Free => None,
        }
    }
}

/// A stated covariance that can't be inverted would silently count as nothing stated at all.
fn check_covariances(input: &SurveyInput) -> Result<(), SurveyError> {
    for body in &input.kit.bodies {
        for tag in &body.tags {
            if let TagPlace::Measured { cov, .. } = &tag.place
                && cov.cholesky().is_none()
            {
                return Err(SurveyError::Undetermined {
                    what: format!(
                        "the place of tag {} on body \"{}\": its stated covariance is singular",
                        tag.id, body.name
                    ),
                });
            }
        }
    }
    for joint in &input.kit.joint_places {
        if crate::fit::spd_inverse(&joint.cov).is_err() {
            return Err(SurveyError::Undetermined {
                what: format!(
                    "the tags' places on body \"{}\": their stated joint covariance is singular",
                    input.kit.bodies[joint.body].name
                ),
            });
        }
    }
    for lens in &input.lenses {
        if let LensFreedom::Measured(cov) = &lens.freedom {
            let moving: Vec<usize> = (0..N_LENS).filter(|&k| cov[(k, k)] > 0.0).collect();
            let sub = DMatrix::from_fn(moving.len(), moving.len(), |i, j| cov[(moving[i], moving[j])]);
            if !sub.iter().all(|v| v.is_finite()) || crate::fit::spd_inverse(&sub).is_err() {
                return Err(SurveyError::Lens { reason: "its covariance is singular or not finite".into() });
            }
        }
    }
    Ok(())
}

/// Corners of a tag in the frame it is placed in, with what was seen of it.
pub(super) fn seen_tag<F>(frame_from_tag: &Pose<F, Tag>, side_m: f64, pixels: &[Vector2<f64>; 4]) -> SeenTag {
    let corners_m: [Vector3<f64>; 4] =
        tag_corners_m(side_m).map(|c| frame_from_tag.iso().rotation * c + frame_from_tag.translation());
    SeenTag { corners_m, pixels: *pixels }
}
