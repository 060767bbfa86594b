//! What the solution is worth: covariance of everything that stays, its parts, and the test of every view.

use super::bundle::{Normal, PIECE, eliminated, linearise, photo_half};
use super::pieces::{each, in_pieces};
use super::problem::Problem;
use super::rows::Weights;
use super::unknowns::{Extent, Layout, State};
use super::{JointCovariance, Source, SurveyError};
use crate::fit::spd_inverse;
use nalgebra::{DMatrix, Matrix6, Matrix6xX, SMatrix, SVector};

/// Covariance of all columns, with what it takes to reach any function of the unknowns.
#[derive(Clone, Debug)]
pub(super) struct Covariance {
    pub layout: Layout,
    pub(super) normal: Normal,
    /// By photograph: the inverse of its own block.
    pub(super) inverses: Vec<Matrix6<f64>>,
    /// By photograph: `inverse · cross · columns`, 6 × n_columns: minus its covariance with the columns.
    pub(super) toward: Vec<Matrix6xX<f64>>,
    /// By photograph: `toward · cross'`.
    pub(super) through: Vec<Matrix6<f64>>,
    /// n_columns × n_columns.
    pub columns: DMatrix<f64>,
    /// Parts of `columns` by source; they add up to it.
    pub parts: Vec<(Source, DMatrix<f64>)>,
}

/// How a pose's step `pose · exp(δ)` follows from columns: 6 × n.
#[derive(Clone, Debug)]
pub(super) struct PoseMap {
    pub columns: Vec<usize>,
    pub by_column: DMatrix<f64>,
}

/// The test of one view.
#[derive(Clone, Copy, Debug)]
pub(super) struct ViewTest {
    /// Σ of the redundancy numbers of its eight coordinates, 0..8.
    pub redundancy: f64,
    /// r' Q⁺ r, chi-square with `dof` degrees of freedom where the view is as good as its covariance says.
    pub statistic: f64,
    /// Number of its coordinates' directions that the other views check.
    pub dof: usize,
}

impl Covariance {
    pub fn new(
        problem: &Problem,
        layout: &Layout,
        state: &State,
        weights: &Weights,
        extent: &Extent,
    ) -> Result<Self, SurveyError> {
        let normal = linearise(problem, layout, state, weights, extent, true).ok_or(SurveyError::BehindCamera)?;
        let mut halves = Vec::with_capacity(normal.photos.len());
        for block in &normal.photos {
            let half = photo_half(block, 0.0).ok_or_else(|| SurveyError::Undetermined {
                what: format!("the place of photograph {}", problem.input.photos[block.photo].name),
            })?;
            halves.push(half);
        }
        let taken = eliminated(&normal, &halves);
        let columns = spd_inverse(&(normal.columns() - &taken))
            .map_err(|k| SurveyError::Undetermined { what: name_of(problem, layout, k) })?;
        let mut parts = vec![(Source::Corners, &columns * (&normal.corners - taken) * &columns)];
        for (source, measured) in &normal.measured {
            parts.push((*source, &columns * measured * &columns));
        }
        let inverses: Vec<Matrix6<f64>> = halves.iter().map(|half| half.tr_mul(half)).collect();
        let toward = toward(&normal, &inverses, &columns);
        let through = normal
            .photos
            .iter()
            .zip(&toward)
            .map(|(block, toward)| {
                let own = |sum, &c: &usize| sum + toward.column(c) * block.cross.column(c).transpose();
                block.active.iter().fold(Matrix6::zeros(), own)
            })
            .collect();
        Ok(Self { layout: layout.clone(), normal, inverses, toward, through, columns, parts })
    }

    /// Makes the corners' part of every variance larger by this factor.
    pub fn widen_corners(&mut self, factor: f64) {
        for (_, part) in self.parts.iter_mut().filter(|(source, _)| *source == Source::Corners) {
            self.columns += &*part * (factor - 1.0);
            *part *= factor;
        }
    }

    /// Joint covariance of the poses of several instances; zero for the reference.
    pub fn joint(&self, instances: &[usize]) -> JointCovariance {
        let at: Vec<Option<usize>> =
            instances.iter().flat_map(|i| (0..6).map(|k| self.layout.instance_at[*i].map(|c| c + k))).collect();
        let pick = |from: &DMatrix<f64>| {
            DMatrix::from_fn(at.len(), at.len(), |i, j| match (at[i], at[j]) {
                (Some(r), Some(c)) => 0.5 * (from[(r, c)] + from[(c, r)]),
                _ => 0.0,
            })
        };
        JointCovariance {
            cov: pick(&self.columns),
            parts: self.parts.iter().map(|(source, part)| (*source, pick(part))).collect(),
        }
    }

    /// Several poses' six-step changes as one linear map of all columns: 6 rows each.
    pub fn stacked(&self, maps: &[PoseMap]) -> DMatrix<f64> {
        let mut all = DMatrix::<f64>::zeros(6 * maps.len(), self.layout.n_columns);
        for (k, map) in maps.iter().enumerate() {
            for (c, column) in map.columns.iter().enumerate() {
                let mut target = all.view_mut((6 * k, *column), (6, 1));
                target += map.by_column.column(c);
            }
        }
        all
    }

    /// Joint covariance of several poses' six-step changes, each a linear map of columns.
    pub fn joint_of(&self, maps: &[PoseMap]) -> JointCovariance {
        let all = self.stacked(maps);
        let through = |from: &DMatrix<f64>| {
            let cov = &all * from * all.transpose();
            (&cov + cov.transpose()) * 0.5
        };
        JointCovariance {
            cov: through(&self.columns),
            parts: self.parts.iter().map(|(source, part)| (*source, through(part))).collect(),
        }
    }

    /// The map of an instance's own pose.
    pub fn map_of(&self, instance: usize) -> PoseMap {
        let columns: Vec<usize> = self.layout.instance_at[instance].iter().flat_map(|at| *at..*at + 6).collect();
        PoseMap { by_column: DMatrix::identity(6, columns.len()), columns }
    }

    /// Tests every view of the adjustment against the rest of it.
    ///
    /// In whitened units the residual's cofactor is Q = I − A C A'; its trace is the view's redundancy. Source: W. Baarda, "A testing procedure
    /// for use in geodetic networks", 1968, for several coordinates at once.
    pub fn tests(&self, problem: &Problem, extent: &Extent) -> Vec<(usize, ViewTest)> {
        let by_photo = extent.by_photo(problem);
        let of_photo = |k: usize| -> Vec<(usize, ViewTest)> {
            // Photograph against columns: C_pc = − toward, only needed at the columns its views use.
            let toward = &self.toward[k];
            let own = self.inverses[k] + self.through[k] * self.inverses[k];
            let tested = by_photo[k].clone().map(|at| {
                let (row, _) = &self.normal.rows[at];
                let n = row.columns.len();
                let jc = &row.by_camera;
                let jg = row.by_column.columns(0, n);
                let cgg = DMatrix::from_fn(n, n, |i, j| self.columns[(row.columns[i], row.columns[j])]);
                let ccg = Matrix6xX::from_fn(n, |i, j| -toward[(i, row.columns[j])]);
                let mixed: SMatrix<f64, 8, 8> = jc * &ccg * jg.transpose();
                let fitted: SMatrix<f64, 8, 8> =
                    jc * own * jc.transpose() + jg * &cgg * jg.transpose() + mixed + mixed.transpose();
                (extent.views[at], test(&row.residual, &(SMatrix::<f64, 8, 8>::identity() - fitted)))
            });
            tested.collect()
        };
        each(by_photo.len(), PIECE, of_photo).into_iter().flatten().collect()
    }
}

/// By photograph `inverse · cross · columns`; a piece of them at a time as one product of two large matrices.
fn toward(normal: &Normal, inverses: &[Matrix6<f64>], columns: &DMatrix<f64>) -> Vec<Matrix6xX<f64>> {
    let n = columns.nrows();
    let pieces = in_pieces(normal.photos.len(), PIECE, |piece| -> Vec<Matrix6xX<f64>> {
        // Transposed, so that each photograph's part is a run of columns.
        let mut gains = DMatrix::<f64>::zeros(n, 6 * piece.len());
        for (at, k) in piece.clone().enumerate() {
            let block = &normal.photos[k];
            for &c in &block.active {
                let gain = inverses[k] * block.cross.column(c);
                for r in 0..6 {
                    gains[(c, 6 * at + r)] = gain[r];
                }
            }
        }
        let product = columns * gains;
        (0..piece.len()).map(|at| Matrix6xX::from_fn(n, |r, c| product[(c, 6 * at + r)])).collect()
    });
    pieces.into_iter().flatten().collect()
}

fn test(residual: &SVector<f64, 8>, cofactor: &SMatrix<f64, 8, 8>) -> ViewTest {
    let eigen = ((cofactor + cofactor.transpose()) * 0.5).symmetric_eigen();
    let mut statistic = 0.0;
    let mut dof = 0;
    for k in 0..8 {
        // Below this share the other views say next to nothing about this direction.
        if eigen.eigenvalues[k] > 0.02 {
            let along = eigen.eigenvectors.column(k).dot(residual);
            statistic += along * along / eigen.eigenvalues[k];
            dof += 1;
        }
    }
    ViewTest { redundancy: cofactor.trace(), statistic, dof }
}

/// What a column stands for, in words.
fn name_of(problem: &Problem, layout: &Layout, column: usize) -> String {
    let kit = &problem.input.kit;
    let within = |at: &Option<usize>, n: usize| at.is_some_and(|at| (at..at + n).contains(&column));
    if let Some(i) = layout.instance_at.iter().position(|at| within(at, 6)) {
        return format!("the place of body \"{}\"", kit.bodies[problem.instances[i].body].name);
    }
    for (b, body) in kit.bodies.iter().enumerate() {
        for (t, tag) in body.tags.iter().enumerate() {
            if within(&layout.place_at[b][t], 6) || within(&layout.scale_at[b][t], 1) {
                return format!("the place or size of tag {} on body \"{}\"", tag.id, body.name);
            }
        }
    }
    if let Some(roll) = &layout.roll
        && let Some(name) = roll.name_of(column, |instance| kit.bodies[problem.instances[instance].body].name.clone())
    {
        return name;
    }
    for list in &layout.lens_at {
        if let Some((k, _)) = list.iter().find(|(_, at)| *at == column) {
            return format!("lens parameter {}", crate::camera::LENS_PARAMETERS[*k]);
        }
    }
    "a print scale".into()
}
