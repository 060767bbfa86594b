//! The survey as ground for later pictures: where the corners of every tag are, and how each hangs on the survey's unknowns, so that a picture taken
//! afterwards can be measured against it with all correlations.

use super::network::right_step;
use super::{Source, Survey, Touched};
use crate::body::Kit;
use crate::camera::{Lens, N_LENS};
use crate::frames::{Body, Point, Pose, Tag, World};
use nalgebra::{DMatrix, SMatrix, Vector3};

/// A tag as surveyed.
#[derive(Clone, Debug)]
pub struct GroundTag {
    /// Id in the 36h11 family.
    pub id: u16,
    /// Index into [`Survey::bodies`].
    pub body: usize,
    /// Corners in the frame of its body, m.
    pub corners_in_body: [Vector3<f64>; 4],
    /// The unknowns (columns) that these corners hang on: the tag's place on its body, print scales.
    pub columns: Vec<usize>,
    /// 12 × k: derivative of the corners' coordinates by them.
    pub by_column: DMatrix<f64>,
}

/// What the survey found, ready to be measured against.
#[derive(Clone, Debug)]
pub struct Ground {
    /// Every tag of a surveyed body that was used.
    pub tags: Vec<GroundTag>,
    /// Pose of each of [`Survey::bodies`].
    pub world_from_body: Vec<Pose<World, Body>>,
    /// First of the six unknowns of each body's pose (step on the right); `None` for the body that is held.
    pub body_at: Vec<Option<usize>>,
    /// The lenses as corrected.
    pub lenses: Vec<Lens>,
    /// Of each lens: (parameter, column) of those that were corrected.
    pub lens_at: Vec<Vec<(usize, usize)>>,
    /// Joint covariance of all unknowns (columns), n × n.
    pub cov: DMatrix<f64>,
    /// The same by source; the parts add up.
    pub parts: Vec<(Source, DMatrix<f64>)>,
    /// What had to be added to the corners' own covariance to explain the survey's residuals: standard deviation of each coordinate, px.
    pub unmodelled_px: f64,
}

impl Ground {
    /// Number of unknowns.
    pub fn n_columns(&self) -> usize {
        self.cov.nrows()
    }

    /// Corners of a tag in the world (m), with the columns that they hang on and the derivative by these (12 × k): its body's pose first.
    pub fn corners_in_world(&self, tag: &GroundTag) -> ([Vector3<f64>; 4], Vec<usize>, DMatrix<f64>) {
        let world_from_body = self.world_from_body[tag.body];
        let rotation = world_from_body.rotation();
        let at = self.body_at[tag.body];
        let first = if at.is_some() { 6 } else { 0 };
        let mut columns: Vec<usize> = at.iter().flat_map(|at| *at..*at + 6).collect();
        columns.extend(&tag.columns);
        let mut by_column = DMatrix::zeros(12, columns.len());
        for (k, corner) in tag.corners_in_body.iter().enumerate() {
            if at.is_some() {
                by_column.view_mut((3 * k, 0), (3, 6)).copy_from(&right_step(&rotation, corner));
            }
            let own = rotation * tag.by_column.rows(3 * k, 3);
            by_column.view_mut((3 * k, first), (3, tag.columns.len())).copy_from(&own);
        }
        (tag.corners_in_body.map(|c| (world_from_body * Point::claim(c)).coords), columns, by_column)
    }

    /// Gives a lens that no photograph of the survey used unknowns of its own, with the covariance that its profile states: they come last and hang together
    /// with nothing else.
    pub fn add_lens(&mut self, lens: usize, cov: &SMatrix<f64, N_LENS, N_LENS>) {
        let moving: Vec<usize> = (0..N_LENS).filter(|k| cov[(*k, *k)] > 0.0).collect();
        let first = self.n_columns();
        let n = first + moving.len();
        let grown = |m: &DMatrix<f64>, own: bool| {
            let mut all = m.clone().resize(n, n, 0.0);
            for (i, a) in moving.iter().enumerate().filter(|_| own) {
                for (j, b) in moving.iter().enumerate() {
                    all[(first + i, first + j)] = 0.5 * (cov[(*a, *b)] + cov[(*b, *a)]);
                }
            }
            all
        };
        self.cov = grown(&self.cov, true);
        if !self.parts.iter().any(|(source, _)| *source == Source::Lens) {
            self.parts.push((Source::Lens, DMatrix::zeros(first, first)));
        }
        for (source, part) in &mut self.parts {
            *part = grown(part, *source == Source::Lens);
        }
        self.lens_at[lens] = moving.iter().enumerate().map(|(i, k)| (*k, first + i)).collect();
    }

    /// Covariance of the parameters of a lens, in the order of [`crate::camera::LENS_PARAMETERS`]; zero for those held.
    pub fn lens_cov(&self, lens: usize) -> SMatrix<f64, N_LENS, N_LENS> {
        let mut cov = SMatrix::zeros();
        for (a, at_a) in &self.lens_at[lens] {
            for (b, at_b) in &self.lens_at[lens] {
                cov[(*a, *b)] = self.cov[(*at_a, *at_b)];
            }
        }
        cov
    }
}

impl Survey {
    /// The survey as ground for later pictures. `kit` is the one it was made with.
    pub fn ground(&self, kit: &Kit) -> Ground {
        let layout = &self.covariance.layout;
        let symmetric = |m: &DMatrix<f64>| (m + m.transpose()) * 0.5;
        let mut tags = Vec::new();
        for (k, body) in self.bodies.iter().enumerate() {
            for (t, tag) in kit.bodies[body.body].tags.iter().enumerate() {
                // A tag that was in no photograph has the place that was declared; where that is not known either, it tells nothing.
                let used = self.views.iter().any(|v| v.used && v.id == tag.id);
                if !used {
                    continue;
                }
                tags.push(self.ground_tag(k, body.body, t, tag));
            }
        }
        Ground {
            tags,
            world_from_body: self.bodies.iter().map(|b| b.world_from_body).collect(),
            body_at: self.instances.iter().map(|i| layout.instance_at[*i]).collect(),
            lenses: self.lenses.clone(),
            lens_at: layout.lens_at.clone(),
            cov: symmetric(&self.covariance.columns),
            parts: self.covariance.parts.iter().map(|(source, part)| (*source, symmetric(part))).collect(),
            unmodelled_px: self.unmodelled_px,
        }
    }

    fn ground_tag(&self, body: usize, in_kit: usize, t: usize, tag: &crate::body::BodyTag) -> GroundTag {
        let layout = &self.covariance.layout;
        let (body_from_tag, scale) = self.state.tag(in_kit, t, tag.print);
        let corners = tag.corners_m(scale);
        let declared = tag.corners_m([0.0; 2]);
        let rotation = body_from_tag.rotation();
        let place_at = layout.place_at[in_kit][t];
        let scales = [layout.common_at.get(tag.print).copied().flatten(), layout.scale_at[in_kit][t]];
        let axes = layout.axis_at.get(tag.print).copied().unwrap_or_default();
        let mut columns: Vec<usize> = place_at.iter().flat_map(|at| *at..*at + 6).collect();
        columns.extend(scales.iter().flatten());
        columns.extend(axes.iter().flatten());
        let mut by_column = DMatrix::zeros(12, columns.len());
        for k in 0..4 {
            let mut at = 0;
            if place_at.is_some() {
                by_column.view_mut((3 * k, 0), (3, 6)).copy_from(&right_step(&rotation, &corners[k]));
                at += 6;
            }
            for _ in scales.iter().flatten() {
                by_column.view_mut((3 * k, at), (3, 1)).copy_from(&(rotation * declared[k]));
                at += 1;
            }
            for (axis, column) in axes.iter().enumerate() {
                if column.is_some() {
                    let mut along = Vector3::zeros();
                    along[axis] = declared[k][axis];
                    by_column.view_mut((3 * k, at), (3, 1)).copy_from(&(rotation * along));
                    at += 1;
                }
            }
        }
        let corners_in_body = corners.map(|c| (body_from_tag * Point::<Tag>::claim(c)).coords);
        GroundTag { id: tag.id, body, corners_in_body, columns, by_column }
    }

    /// How the steps of bodies (indices into `bodies`), wheels at roll positions (indices into [`super::Roll::places`]) and touched points follow from the
    /// columns of [`Ground`]: 6 rows each, in this order, as in the joint covariances.
    pub fn by_ground(&self, bodies: &[usize], places: &[usize], touched: Option<(&Touched, &[usize])>) -> DMatrix<f64> {
        let mut maps: Vec<_> = bodies.iter().map(|b| self.covariance.map_of(self.instances[*b])).collect();
        maps.extend(places.iter().map(|p| self.wheel_maps[*p].clone()));
        if let Some((touched, points)) = touched {
            maps.extend(touched.point_maps(points));
        }
        self.covariance.stacked(&maps)
    }
}
