//! From surveyed tags to a body's table: the target's frame from its marked corners, every tag's place in it, and one covariance of all of them.

use crate::body::{BodyModel, JointPlaces, PlaceSlope, ScaleOf};
use crate::fit::{chi_square_quantile, spd_inverse};
use crate::frames::{Body, Point, Pose, Tag};
use crate::placement::face::{FaceCorner, FaceError, FittedFace, fit_face};
use crate::survey::FoundPlaces;
use crate::uncertainty::{Estimate, Inputs, propagate};
use nalgebra::{DMatrix, DVector, Matrix6, Vector3, Vector6};

/// What is added to the variance of every step so that the covariance can always be inverted: a microradian, a micrometre.
const FLOOR: f64 = 1e-12;

/// Standard normal quantile of 99.9 %: a sound set of marks is refused once in a thousand.
const MISFIT_Z: f64 = 3.0902;

/// Where a corner of the target is, as told by a tag glued beside it.
#[derive(Clone, Debug, PartialEq)]
pub struct FaceMark {
    /// Index of the tag on its body.
    pub tag: usize,
    /// Which corner.
    pub corner: FaceCorner,
    /// Where the corner is, x and y in the tag's frame as meant to be printed, m. It grows with the print as the tag does.
    pub in_tag_m: [f64; 2],
    /// Standard uncertainty of how well that mark sits on the target's corner, for each of the two directions, m.
    pub u_m: f64,
    /// Standard uncertainty of the print's height above the face, m.
    pub u_flat_m: f64,
    /// True where the tag stays on for the measurements to come.
    pub stays: bool,
}

/// One tag of the learned body.
#[derive(Clone, Debug, PartialEq)]
pub struct LearnedTag {
    /// Index of the tag on the body as it was declared.
    pub tag: usize,
    /// Its place in the learned frame.
    pub body_from_tag: Pose<Body, Tag>,
    /// Standard uncertainty of the centre in its worst direction, m, print scale included.
    pub u_m: f64,
    /// Of the rotation about its worst axis, rad.
    pub u_rad: f64,
    /// Number of photographs that hold it.
    pub n_photos: usize,
}

/// The target's face as found.
#[derive(Clone, Debug, PartialEq)]
pub struct LearnedFace {
    /// Width, m.
    pub width: Estimate,
    /// Height, m.
    pub height: Estimate,
    /// By how much the angle between height and width differs from a right angle, rad.
    pub skew: Estimate,
    /// By mark: how far it is from the best rectangle, in the target's frame, m.
    pub off_m: Vec<Vector3<f64>>,
    /// Test of all of these together: chi-square where the marks are as good as stated.
    pub statistic: f64,
    /// Degrees of freedom.
    pub dof: usize,
    /// Beyond this the marks contradict each other.
    pub limit: f64,
    /// Standard uncertainty of the target's place as told by all tags that stay, were they seen without any error: position along the target's x, y, z (m),
    /// rotation about its x, y, z (rad).
    pub u_place: ([f64; 3], [f64; 3]),
    /// Marks whose print is not upright on the target (more than 60 degrees off).
    pub turned: Vec<usize>,
}

/// A body as learned. Its frame is the target's where a face was marked, else the first tag's as declared.
#[derive(Clone, Debug, PartialEq)]
pub struct LearnedBody {
    /// The tags that stay.
    pub tags: Vec<LearnedTag>,
    /// Their covariance; its tags are indices on the body as it was declared.
    pub joint: JointPlaces,
    /// The target's face, where one was marked.
    pub face: Option<LearnedFace>,
}

/// Why a body cannot be learned.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LearnError {
    /// The marks give no face.
    #[error(transparent)]
    Face(#[from] FaceError),
    /// The corners are named as seen from behind.
    #[error(
        "the corners are named as if seen from behind: left and right are as seen by somebody who looks at the target's face"
    )]
    Mirrored,
    /// The marks contradict each other.
    #[error(
        "the marked corners contradict each other (test value {statistic:.1}, limit {limit:.1}): the {corner} one, tag {id}, is {off_mm:.1} mm away from the \
         best rectangle"
    )]
    Misfit {
        /// Test value.
        statistic: f64,
        /// Its limit.
        limit: f64,
        /// The worst mark's corner.
        corner: &'static str,
        /// Its tag.
        id: u16,
        /// Its distance from the best rectangle.
        off_mm: f64,
    },
    /// Nothing would be left.
    #[error("no tag would be left on it once the target-corner sheets are taken off")]
    NothingStays,
    /// The covariance is unusable.
    #[error("the places' covariance is singular")]
    Singular,
}

/// Works out a body's table from the places that a survey found.
///
/// `found` holds the tags of `body` that are to be used. Propagation is to first order (JCGM 100, 5.1 and 5.2). The covariance of the result is conditional on
/// the print scales, which [`JointPlaces`] explains.
pub fn learn_body(
    index: usize,
    body: &BodyModel,
    found: &FoundPlaces,
    marks: &[FaceMark],
) -> Result<LearnedBody, LearnError> {
    let sum = Sum { body, found, marks };
    let kept = sum.kept();
    if kept.is_empty() {
        return Err(LearnError::NothingStays);
    }
    let (n_steps, n_scales) = (6 * found.places.len(), found.scales.len());
    let inputs = sum.inputs();
    let (places, face) = sum.at(&inputs.values)?;
    if let Some(face) = &face {
        let x = face.body_from_target.rotation().column(0).into_owned();
        let out_of_prints: Vector3<f64> =
            sum.marked().map(|(_, at)| found.places[at].body_from_tag.rotation().column(2).into_owned()).sum();
        if out_of_prints.dot(&x) > 0.0 {
            return Err(LearnError::Mirrored);
        }
    }
    let outputs = |values: &[f64]| -> Result<DVector<f64>, LearnError> {
        let (now, face) = sum.at(values)?;
        let mut out: Vec<f64> = Vec::new();
        for &k in &kept {
            let d = places[k].inverse().iso() * now[k].iso();
            out.extend(d.rotation.scaled_axis().iter().chain(d.translation.vector.iter()));
        }
        if let Some(face) = face {
            out.extend([face.width_m, face.height_m, face.skew_rad]);
            out.extend(face.off_m.iter().flat_map(|off| off.iter().copied()));
        }
        Ok(DVector::from_vec(out))
    };
    let result = propagate(outputs, &inputs)?;

    // Places for given scales: C_pp − C_ps C_ss⁻¹ C_sp, and the slope C_ps C_ss⁻¹.
    let n_kept = 6 * kept.len();
    let c_pp = found.cov.view((0, 0), (n_steps, n_steps));
    let c_ps = found.cov.view((0, n_steps), (n_steps, n_scales));
    let c_ss = found.cov.view((n_steps, n_steps), (n_scales, n_scales)).into_owned();
    let slope = c_ps * spd_inverse(&c_ss).map_err(|_| LearnError::Singular)?;
    let given = c_pp - &slope * c_ps.transpose();
    let by = |first: usize, n: usize| result.jacobian.view((0, first), (n_kept, n));
    let by_steps = by(0, n_steps);
    let mut cov: DMatrix<f64> = by_steps * given * by_steps.transpose();
    if let Some(group) = inputs.groups.get(1) {
        let by_marks = by(group.first, group.cov.nrows());
        cov += by_marks * &group.cov * by_marks.transpose();
    }
    cov = (&cov + cov.transpose()) * 0.5 + DMatrix::identity(n_kept, n_kept) * FLOOR;
    let slope = by_steps * slope + by(n_steps, n_scales);
    let slopes = found.scales.iter().enumerate().map(|(k, (of, value))| PlaceSlope {
        of: *of,
        found: *value,
        slope: slope.column(k).into_owned(),
    });
    // A scale of a tag or of a print group that is taken off is of no use later: what it leaves open belongs to the covariance.
    let print_of = |k: &usize| body.tags[found.places[*k].tag].print;
    let (slopes, gone): (Vec<PlaceSlope>, Vec<PlaceSlope>) = slopes.partition(|s| match s.of {
        ScaleOf::Tag(tag) => kept.iter().any(|k| found.places[*k].tag == tag),
        ScaleOf::Common(print) | ScaleOf::Axis(print, _) => kept.iter().any(|k| print_of(k) == print),
    });
    let at_scale = |of: ScaleOf| found.scales.iter().position(|(s, _)| *s == of);
    let gone_at: Vec<usize> = gone.iter().filter_map(|s| at_scale(s.of)).collect();
    let (cov, slopes) = absorb(cov, slopes, &gone, &gone_at, &c_ss, &at_scale)?;

    let joint = JointPlaces { body: index, tags: kept.iter().map(|k| found.places[*k].tag).collect(), cov, slopes };
    let worst = |cov: &Matrix6<f64>, at: usize| {
        cov.fixed_view::<3, 3>(at, at).into_owned().symmetric_eigenvalues().max().max(0.0).sqrt()
    };
    let tags = kept
        .iter()
        .enumerate()
        .map(|(n, &k)| {
            let own = Matrix6::from_fn(|i, j| result.cov[(6 * n + i, 6 * n + j)]);
            LearnedTag {
                tag: found.places[k].tag,
                body_from_tag: places[k],
                u_m: worst(&own, 3),
                u_rad: worst(&own, 0),
                n_photos: found.places[k].n_photos,
            }
        })
        .collect::<Vec<_>>();
    let face = match face {
        Some(face) => Some(sum.face(&face, &result.cov, n_kept, target_cov(&tags, &joint.cov)?, &result.values)?),
        None => None,
    };
    Ok(LearnedBody { tags, joint, face })
}

/// Turns the scatter that some scales leave into covariance, and their correlation with the others into slope.
fn absorb(
    cov: DMatrix<f64>,
    slopes: Vec<PlaceSlope>,
    gone: &[PlaceSlope],
    gone_at: &[usize],
    c_ss: &DMatrix<f64>,
    at_scale: &dyn Fn(ScaleOf) -> Option<usize>,
) -> Result<(DMatrix<f64>, Vec<PlaceSlope>), LearnError> {
    if gone.is_empty() {
        return Ok((cov, slopes));
    }
    let stay_at: Vec<usize> = slopes.iter().filter_map(|s| at_scale(s.of)).collect();
    let pick = |rows: &[usize], columns: &[usize]| c_ss.select_rows(rows).select_columns(columns);
    let gone_by_stay =
        pick(gone_at, &stay_at) * spd_inverse(&pick(&stay_at, &stay_at)).map_err(|_| LearnError::Singular)?;
    let left = pick(gone_at, gone_at) - &gone_by_stay * pick(&stay_at, gone_at);
    let slope_of_gone = DMatrix::from_columns(&gone.iter().map(|s| s.slope.clone()).collect::<Vec<_>>());
    let cov = cov + &slope_of_gone * left * slope_of_gone.transpose();
    let more = slope_of_gone * gone_by_stay;
    let slopes = slopes.into_iter().enumerate().map(|(k, s)| PlaceSlope { slope: s.slope + more.column(k), ..s });
    Ok(((&cov + cov.transpose()) * 0.5, slopes.collect()))
}

/// Covariance of a common step of all tags in the target's axes, where each tag were seen without error: how well the tags tell the target's place.
fn target_cov(tags: &[LearnedTag], cov: &DMatrix<f64>) -> Result<DMatrix<f64>, LearnError> {
    let mut by_step = DMatrix::zeros(6 * tags.len(), 6);
    for (n, tag) in tags.iter().enumerate() {
        let (r, t) = (tag.body_from_tag.rotation().transpose(), tag.body_from_tag.translation());
        by_step.view_mut((6 * n, 0), (3, 3)).copy_from(&r);
        by_step.view_mut((6 * n + 3, 0), (3, 3)).copy_from(&(-r * crate::frames::skew(&t)));
        by_step.view_mut((6 * n + 3, 3), (3, 3)).copy_from(&r);
    }
    let weight = spd_inverse(cov).map_err(|_| LearnError::Singular)?;
    spd_inverse(&(by_step.transpose() * weight * &by_step)).map_err(|_| LearnError::Singular)
}

/// Places of the tags in the learned frame, and the face where one is marked.
type PlacesAndFace = (Vec<Pose<Body, Tag>>, Option<FittedFace>);

/// The calculation's parts.
struct Sum<'a> {
    body: &'a BodyModel,
    found: &'a FoundPlaces,
    marks: &'a [FaceMark],
}

impl Sum<'_> {
    /// Marks with the index of their tag's place; marks of tags that were not found are left out.
    fn marked(&self) -> impl Iterator<Item = (&FaceMark, usize)> {
        self.marks.iter().filter_map(|m| Some((m, self.found.places.iter().position(|p| p.tag == m.tag)?)))
    }

    /// Indices of the places that stay.
    fn kept(&self) -> Vec<usize> {
        let leaves = |tag: usize| self.marks.iter().any(|m| m.tag == tag && !m.stays);
        (0..self.found.places.len()).filter(|&k| !leaves(self.found.places[k].tag)).collect()
    }

    /// Steps of the places, scales, and x, y, z of each mark's error; in this order.
    fn inputs(&self) -> Inputs<()> {
        let mut inputs = Inputs::new();
        for place in &self.found.places {
            for axis in 0..6 {
                inputs.add_exact(format!("tag {} step {axis}", self.body.tags[place.tag].id), 0.0);
            }
        }
        for (of, found) in &self.found.scales {
            inputs.add_exact(format!("{of:?}"), *found);
        }
        inputs.groups.push(crate::uncertainty::Group { source: (), first: 0, cov: self.found.cov.clone() });
        let first = inputs.values.len();
        let mut variances = Vec::new();
        for (mark, _) in self.marked() {
            for (axis, u) in [mark.u_m, mark.u_m, mark.u_flat_m].into_iter().enumerate() {
                inputs.add_exact(format!("mark {} axis {axis}", mark.corner.name()), 0.0);
                variances.push(u * u);
            }
        }
        if !variances.is_empty() {
            let cov = DMatrix::from_diagonal(&DVector::from_vec(variances));
            inputs.groups.push(crate::uncertainty::Group { source: (), first, cov });
        }
        inputs
    }

    /// All places in the learned frame and the face, at these inputs.
    fn at(&self, values: &[f64]) -> Result<PlacesAndFace, LearnError> {
        let old: Vec<Pose<Body, Tag>> = self
            .found
            .places
            .iter()
            .enumerate()
            .map(|(k, p)| p.body_from_tag.moved_right(&Vector6::from_fn(|i, _| values[6 * k + i])))
            .collect();
        if self.marks.is_empty() {
            return Ok((old, None));
        }
        let scales = &values[6 * old.len()..];
        let errors = &scales[self.found.scales.len()..];
        let points: Vec<(FaceCorner, Vector3<f64>)> = self
            .marked()
            .enumerate()
            .map(|(n, (mark, place))| {
                let tag = &self.body.tags[mark.tag];
                let larger = |axis: usize| -> f64 {
                    let counts = |of: &ScaleOf| match of {
                        ScaleOf::Common(print) => *print == tag.print,
                        ScaleOf::Axis(print, a) => *print == tag.print && *a == axis,
                        ScaleOf::Tag(t) => *t == mark.tag,
                    };
                    let sum = self.found.scales.iter().zip(scales).filter(|((of, _), _)| counts(of)).map(|(_, v)| v);
                    tag.stretch[axis] * (1.0 + sum.sum::<f64>())
                };
                let error = &errors[3 * n..3 * n + 3];
                let at = Point::<Tag>::claim(Vector3::new(
                    mark.in_tag_m[0] * larger(0) + error[0],
                    mark.in_tag_m[1] * larger(1) + error[1],
                    error[2],
                ));
                (mark.corner, (old[place] * at).coords)
            })
            .collect();
        let face = fit_face(&points)?;
        let target_from_body = face.body_from_target.inverse();
        // The learned body's frame *is* the target's.
        let new = old.iter().map(|place| Pose::claim(*(target_from_body * *place).iso())).collect();
        Ok((new, Some(face)))
    }

    /// The face with its uncertainties, or which mark contradicts the others.
    fn face(
        &self,
        face: &FittedFace,
        cov: &DMatrix<f64>,
        first: usize,
        place: DMatrix<f64>,
        values: &DVector<f64>,
    ) -> Result<LearnedFace, LearnError> {
        let estimate = |k: usize| Estimate::new(values[first + k], cov[(first + k, first + k)].max(0.0).sqrt());
        // Eight numbers (place, width, height) are taken from three times as many as there are marks.
        let n = 3 * face.off_m.len();
        let dof = n.saturating_sub(8);
        let off = values.rows(first + 3, n);
        let eigen = cov.view((first + 3, first + 3), (n, n)).into_owned().symmetric_eigen();
        let mut order: Vec<usize> = (0..n).collect();
        order.sort_by(|a, b| eigen.eigenvalues[*b].total_cmp(&eigen.eigenvalues[*a]));
        let statistic = order
            .iter()
            .take(dof)
            .filter(|&&k| eigen.eigenvalues[k] > 0.0)
            .map(|&k| eigen.eigenvectors.column(k).dot(&off).powi(2) / eigen.eigenvalues[k])
            .sum::<f64>();
        let limit = chi_square_quantile(MISFIT_Z, dof as f64);
        let u = |k: usize| place[(k, k)].max(0.0).sqrt();
        if statistic > limit {
            let worst = self.marked().zip(&face.off_m).max_by(|a, b| a.1.norm().total_cmp(&b.1.norm()));
            if let Some(((mark, _), off)) = worst {
                return Err(LearnError::Misfit {
                    statistic,
                    limit,
                    corner: mark.corner.name(),
                    id: self.body.tags[mark.tag].id,
                    off_mm: crate::units::mm_from_m(off.norm()),
                });
            }
        }
        let z = face.body_from_target.rotation().column(2).into_owned();
        let turned = |at: usize| self.found.places[at].body_from_tag.rotation().column(1).dot(&z) < 0.5;
        Ok(LearnedFace {
            width: estimate(0),
            height: estimate(1),
            skew: estimate(2),
            off_m: face.off_m.clone(),
            statistic,
            dof,
            limit,
            u_place: ([u(3), u(4), u(5)], [u(0), u(1), u(2)]),
            turned: self.marked().enumerate().filter(|(_, (_, at))| turned(*at)).map(|(n, _)| n).collect(),
        })
    }
}
