//! Photographs that nobody has taken yet: what they would tell about the network as it was found, and by how much its covariance would shrink.
//!
//! With the whitened derivatives of a planned photograph's corners, J_c by its own pose and J_g by the columns that stay, its information with
//! the pose taken out is M = J_g'J_g − J_g'J_c (J_c'J_c)⁻¹ J_c'J_g. With the covariance C of the columns, and G the derivatives of what is
//! wanted by the columns, the covariance of what is wanted falls by (C G')' M (I + C M)⁻¹ (C G'): the same as adding M to the normal matrix.
//! Nothing need be observed for this; that residuals will come is taken into account nowhere.
//!
//! A fault that could hide is planned against in the same way ([`Survey::planner_against`]): its numbers join the columns as if they were found with
//! them, and of what it does to the outputs while it is not found, E = GR − A, the joint covariance keeps Cov(Gx + Aθ, θ) = −EF. The largest error that
//! goes unnoticed, √(λ E F E'), is read off before and after the photograph, which is taken after all others: what moved has moved then.

use super::allowed::Allowed;
use super::expected::ExpectedCorners;
use super::integrity::{Fault, Hidden, Suspect, suspicion};
use super::problem::{Problem, View};
use super::rows::view_row;
use super::unknowns::State;
use super::{Survey, SurveyInput, TagView};
use crate::body::{BodyKind, TagPlace};
use crate::frames::{Camera, Pose, Tag, World};
use nalgebra::{DMatrix, Matrix6, SMatrix, SVector, Vector2};

/// A tag as the survey found it, where a new photograph would see it.
#[derive(Clone, Debug, PartialEq)]
pub struct StandingTag {
    /// Index into [`Survey::bodies`].
    pub body: usize,
    /// Index of the tag on its body.
    pub tag: usize,
    /// Id in the 36h11 family.
    pub id: u16,
    /// Sides along the print's right and its up, as found, m.
    pub sides_m: [f64; 2],
    /// Where it is.
    pub world_from_tag: Pose<World, Tag>,
}

/// What a planned photograph adds, its own pose taken out.
#[derive(Clone, Debug)]
pub struct PlannedPhoto {
    columns: Vec<usize>,
    /// Square, one row for each of `columns`.
    information: DMatrix<f64>,
}

/// The network with the photographs planned so far.
pub struct Planner<'a> {
    survey: &'a Survey,
    problem: Problem<'a>,
    state: State,
    /// A photograph taken with the lens; its place in the state is borrowed for planned ones.
    donor: usize,
    /// m × n: what is wanted by the columns.
    wanted: DMatrix<f64>,
    /// n × n.
    columns: DMatrix<f64>,
    /// n × m: `columns` · `wanted`'.
    reach: DMatrix<f64>,
    /// What is planned against, the last columns being its numbers, with its noncentrality.
    against: Option<(Suspect, Fault, f64)>,
}

impl Survey {
    /// The tags of these bodies (indices into `bodies`) whose places are known, as found.
    pub fn standing_tags(&self, input: &SurveyInput, bodies: &[usize]) -> Vec<StandingTag> {
        let mut out = Vec::new();
        for &b in bodies {
            let found = &self.bodies[b];
            for (t, tag) in input.kit.bodies[found.body].tags.iter().enumerate() {
                let seen = self.views.iter().any(|v| v.used && v.body == b && v.id == tag.id);
                // A free tag that was never seen is nowhere.
                if !seen && matches!(tag.place, TagPlace::Free) {
                    continue;
                }
                let (body_from_tag, larger) = self.state.tag(found.body, t, tag.print);
                let [lower_left, _, upper_right, _] = tag.corners_m(larger);
                out.push(StandingTag {
                    body: b,
                    tag: t,
                    id: tag.id,
                    sides_m: [upper_right.x - lower_left.x, upper_right.y - lower_left.y],
                    world_from_tag: found.world_from_body * body_from_tag,
                });
            }
        }
        out
    }

    /// What the corners of a photograph with this lens are expected to be worth, from what the photographs so far achieved.
    pub fn expected_corners(&self, input: &SurveyInput) -> ExpectedCorners {
        let seen = |photo: usize, id: u16| input.photos[photo].tags.iter().find(|t| t.id == id);
        let used = self.views.iter().filter(|v| v.used).filter_map(|v| seen(v.photo, v.id));
        ExpectedCorners::new(used, self.unmodelled_px, self.spread)
    }

    /// Derivatives of the steps of bodies' poses and, after them, of wheels at roll positions (as in [`Survey::joint_with_wheels`]) by the
    /// columns of the adjustment: 6n × columns.
    pub fn steps_by_column(&self, bodies: &[usize], places: &[usize]) -> DMatrix<f64> {
        let mut maps: Vec<_> = bodies.iter().map(|b| self.covariance.map_of(self.instances[*b])).collect();
        maps.extend(places.iter().map(|p| self.wheel_maps[*p].clone()));
        self.covariance.stacked(&maps)
    }

    /// Plans photographs with a lens of the input. `wanted`: derivatives of what is wanted by the columns, m × columns
    /// ([`Survey::steps_by_column`]). `None` where no photograph was taken with this lens.
    pub fn planner<'a>(&'a self, input: &'a SurveyInput, lens: usize, wanted: DMatrix<f64>) -> Option<Planner<'a>> {
        let donor = self.photos.iter().map(|p| p.photo).find(|p| input.photos[*p].lens == lens)?;
        let columns = self.covariance.columns.clone();
        let reach = &columns * wanted.transpose();
        // What a named fault allows is not wanted of a photograph that is still to come.
        let state = State { allowed: Allowed::default(), ..self.state.clone() };
        let problem = Problem { input, instances: Vec::new(), views: Vec::new(), views_of_photo: Vec::new() };
        Some(Planner { survey: self, problem, state, donor, wanted, columns, reach, against: None })
    }

    /// Plans photographs against a fault that could hide. `by_column` and `after` as in [`Hidden::effect`]. `None` as in [`Survey::planner`].
    pub fn planner_against<'a>(
        &'a self,
        input: &'a SurveyInput,
        lens: usize,
        hidden: &Hidden,
        by_column: &DMatrix<f64>,
        after: Option<&DMatrix<f64>>,
    ) -> Option<Planner<'a>> {
        let plain = self.planner(input, lens, by_column.clone())?;
        let (m, n, q) = (by_column.nrows(), by_column.ncols(), hidden.numbers());
        let columns = hidden.with_columns(&plain.columns, self.spread)?;
        let mut wanted = DMatrix::zeros(m + q, n + q);
        wanted.view_mut((0, 0), (m, n)).copy_from(by_column);
        if let Some(after) = after {
            wanted.view_mut((0, n), (m, q)).copy_from(after);
        }
        wanted.view_mut((m, n), (q, q)).fill_with_identity();
        let reach = &columns * wanted.transpose();
        let against = Some((hidden.suspect.clone(), hidden.fault, hidden.noncentrality(self.spread)));
        Some(Planner { wanted, columns, reach, against, ..plain })
    }
}

impl Planner<'_> {
    /// What a photograph from here that shows these tags would add; `None` where they do not determine its place.
    ///
    /// Each tag with its covariance (x0, y0, x1, y1, ..., px²).
    pub fn photo(
        &mut self,
        camera_from_world: &Pose<Camera, World>,
        tags: &[(&StandingTag, SMatrix<f64, 8, 8>)],
    ) -> Option<PlannedPhoto> {
        self.state.camera_from_world[self.donor] = *camera_from_world;
        let layout = &self.survey.covariance.layout;
        let mut rows = Vec::with_capacity(tags.len());
        let mut by_fault: Vec<Option<DMatrix<f64>>> = Vec::with_capacity(tags.len());
        for (tag, cov) in tags {
            let view = View {
                photo: self.donor,
                instance: self.survey.instances[tag.body],
                body: self.survey.bodies[tag.body].body,
                tag: tag.tag,
                seen: TagView::new(tag.id, [Vector2::zeros(); 4], *cov),
                axes: SMatrix::identity(),
                variances: SVector::repeat(1.0),
            };
            let whiten = cov.cholesky()?.l().solve_lower_triangular(&SMatrix::<f64, 8, 8>::identity())?;
            rows.push(view_row(&self.problem, layout, &self.state, &whiten, &view)?);
            by_fault.push(match self.concerns(tag) {
                true => {
                    let by = suspicion(&self.problem, &self.state, &whiten, &view)?;
                    Some(match self.against {
                        Some((_, Fault::Size, _)) => DMatrix::from_column_slice(8, 1, by.by_scale.as_slice()),
                        _ => DMatrix::from_column_slice(8, 6, by.by_motion.as_slice()),
                    })
                }
                false => None,
            });
        }
        let n_plain = self.survey.covariance.columns.nrows();
        let mut columns: Vec<usize> = rows.iter().flat_map(|row| row.columns.iter().copied()).collect();
        if by_fault.iter().any(Option::is_some) {
            columns.extend(n_plain..self.columns.nrows());
        }
        columns.sort_unstable();
        columns.dedup();
        let mut information = DMatrix::<f64>::zeros(columns.len(), columns.len());
        let mut cross = DMatrix::<f64>::zeros(6, columns.len());
        let mut own = Matrix6::<f64>::zeros();
        for (row, by_fault) in rows.iter().zip(&by_fault) {
            let at: Vec<usize> = row.columns.iter().filter_map(|c| columns.binary_search(c).ok()).collect();
            own += row.by_camera.tr_mul(&row.by_camera);
            let with_camera = row.by_camera.tr_mul(&row.by_column);
            let square = row.by_column.tr_mul(&row.by_column);
            for (i, &ci) in at.iter().enumerate() {
                let mut target = cross.column_mut(ci);
                target += with_camera.column(i);
                for (j, &cj) in at.iter().enumerate() {
                    information[(ci, cj)] += square[(i, j)];
                }
            }
            let Some(by) = by_fault else { continue };
            let first = columns.len() - by.ncols();
            let mut into_cross = cross.columns_mut(first, by.ncols());
            into_cross += row.by_camera.tr_mul(by);
            let mut own = information.view_mut((first, first), (by.ncols(), by.ncols()));
            own += by.tr_mul(by);
            for (i, &ci) in at.iter().enumerate() {
                for q in 0..by.ncols() {
                    let value = row.by_column.column(i).dot(&by.column(q));
                    information[(ci, first + q)] += value;
                    information[(first + q, ci)] += value;
                }
            }
        }
        let inverse = own.cholesky()?.inverse();
        information -= cross.tr_mul(&(inverse * &cross));
        Some(PlannedPhoto { columns, information })
    }

    /// True where the fault that is planned against would change how a later photograph shows this tag.
    fn concerns(&self, tag: &StandingTag) -> bool {
        let found = &self.survey.bodies[tag.body];
        let model = &self.problem.input.kit.bodies[found.body];
        match &self.against {
            None | Some((Suspect::Photo(_), ..)) => false,
            Some((Suspect::Body { body, station, position }, ..)) => {
                (found.body, found.station, found.position) == (*body, *station, *position)
            }
            Some((Suspect::Car { position }, ..)) => model.kind == BodyKind::Plate && found.position == *position,
            Some((Suspect::Tag { body, id }, ..)) => found.body == *body && tag.id == *id,
            Some((Suspect::Print(print), ..)) => model.tags[tag.tag].print == *print,
        }
    }

    /// By output: the largest error that the fault planned against makes unnoticed, with the photographs taken so far and, with `gain`
    /// ([`Planner::gain`]), one more. Empty of a planner that plans against none.
    pub fn unnoticed(&self, gain: Option<&DMatrix<f64>>) -> Vec<f64> {
        let Some((.., noncentrality)) = &self.against else { return Vec::new() };
        let mut cov = self.covariance();
        if let Some(gain) = gain {
            cov -= gain;
        }
        let q = self.columns.nrows() - self.survey.covariance.columns.nrows();
        let m = cov.nrows() - q;
        let own = cov.view((m, m), (q, q)).into_owned();
        let across = cov.view((0, m), (m, q)).into_owned();
        let scale = own.diagonal().map(|v| v.max(1e-300).sqrt().recip());
        let balanced = DMatrix::from_fn(q, q, |i, j| own[(i, j)] * scale[i] * scale[j]);
        let Some(factor) = balanced.cholesky() else { return vec![f64::INFINITY; m] };
        let across = DMatrix::from_fn(m, q, |i, j| across[(i, j)] * scale[j]);
        let answer = factor.solve(&across.transpose());
        (0..m).map(|r| (noncentrality * across.row(r).transpose().dot(&answer.column(r)).max(0.0)).sqrt()).collect()
    }

    /// By how much the covariance of what is wanted falls with this photograph, taken `times` times: m × m.
    pub fn gain(&self, photo: &PlannedPhoto, times: f64) -> DMatrix<f64> {
        let m = self.wanted.nrows();
        let reach = self.reach.select_rows(&photo.columns); // a × m
        match self.answer(photo, times, &reach) {
            Some(answer) => {
                let gain = (&photo.information * &reach).tr_mul(&answer) * times;
                (&gain + gain.transpose()) * 0.5
            }
            None => DMatrix::zeros(m, m),
        }
    }

    /// (I + C M)⁻¹ · right, of the photograph's columns.
    fn answer(&self, photo: &PlannedPhoto, times: f64, right: &DMatrix<f64>) -> Option<DMatrix<f64>> {
        let own = self.columns.select_rows(&photo.columns).select_columns(&photo.columns);
        let mut system = own * &photo.information * times;
        for k in 0..system.nrows() {
            system[(k, k)] += 1.0;
        }
        system.lu().solve(right)
    }

    /// Counts the photograph, taken `times` times, as taken.
    pub fn take(&mut self, photo: &PlannedPhoto, times: f64) {
        let rows = self.columns.select_rows(&photo.columns); // a × n
        let Some(answer) = self.answer(photo, times, &rows) else { return };
        let less = (&photo.information * &rows).tr_mul(&answer) * times;
        self.columns -= (&less + less.transpose()) * 0.5;
        self.reach = &self.columns * self.wanted.transpose();
    }

    /// Covariance of what is wanted as far as it comes from the survey, with the photographs taken so far: m × m.
    pub fn covariance(&self) -> DMatrix<f64> {
        &self.wanted * &self.reach
    }
}
