//! The error that all views have in common ([`super::TagView::outward`]): carried to the result beside the adjustment, not found by it.
//!
//! As an unknown it would be found from what the photographs hold of it, and that is next to nothing beside the print scales, the lens and the distances, which all look like it. So the adjustment stays as
//! it is, each view weighted by the whole of its own covariance, and the covariance of its result grows by what the shared error does to it, to first order: with d the change of the unknowns by one standard uncertainty of the
//! shared error, d d'. Source: "consider" covariance, e.g. Tapley, Schutz, Born, "Statistical Orbit Determination", 2004, 6.2 (from memory); the same as correlated inputs in JCGM 100:2008, 5.2.

use super::Source;
use super::covariance::Covariance;
use super::problem::Problem;
use super::rows::Weights;
use super::unknowns::Extent;
use nalgebra::{DMatrix, SVector, Vector6};

/// What is alike for all tags has the standard uncertainty 1 (in units of [`super::TagView::outward`]). What each body has for itself has this one: of an even distribution from 0 to 1 the mean is 1/2 and the
/// standard deviation 1/√12, see `tags::margin`.
pub(super) const OF_ONE_BODY: f64 = 0.577_350_269_189_625_8;

/// Sum over all views of the shared error's square, in their own standard uncertainties, below which it is left out: no variance would grow by a larger part than this.
const NOTHING: f64 = 1e-4;

/// By view of the extent: the shared error's one standard uncertainty, whitened; `None` where it is nothing.
pub(super) fn whitened(problem: &Problem, weights: &Weights, extent: &Extent) -> Option<Vec<SVector<f64, 8>>> {
    let all: Vec<_> = extent.views.iter().map(|&v| weights.whiten[v] * problem.views[v].seen.outward).collect();
    (all.iter().map(|w| w.norm_squared()).sum::<f64>() > NOTHING).then_some(all)
}

impl Covariance {
    /// By how much the columns change with the error that all views share, and with what each body has of it for itself: one column of the result for each, independent of each other.
    pub fn by_shared(&self, problem: &Problem, weights: &Weights, extent: &Extent) -> Option<DMatrix<f64>> {
        let errors = whitened(problem, weights, extent)?;
        let n = self.layout.n_columns;
        let n_bodies = problem.input.kit.bodies.len();
        let mut pull = DMatrix::<f64>::zeros(n, n_bodies);
        for ((block, inverse), range) in self.normal.photos.iter().zip(&self.inverses).zip(extent.by_photo(problem)) {
            let mut on_photo: Vec<(usize, Vector6<f64>)> = Vec::new();
            for at in range {
                let (row, weight) = &self.normal.rows[at];
                let body = problem.views[extent.views[at]].body;
                let error = errors[at] * *weight;
                for (k, c) in row.columns.iter().enumerate() {
                    pull[(*c, body)] += row.by_column.column(k).dot(&error);
                }
                let own = row.by_camera.tr_mul(&error);
                match on_photo.iter_mut().find(|(known, _)| *known == body) {
                    Some((_, sum)) => *sum += own,
                    None => on_photo.push((body, own)),
                }
            }
            // The photograph's pose takes up its part.
            for (body, own) in on_photo {
                let taken = inverse * own;
                for &c in &block.active {
                    pull[(c, body)] -= block.cross.column(c).dot(&taken);
                }
            }
        }
        let each = &self.columns * pull;
        let mut out = DMatrix::zeros(n, 1 + n_bodies);
        out.set_column(0, &each.column_sum());
        out.columns_mut(1, n_bodies).copy_from(&(each * OF_ONE_BODY));
        Some(out)
    }

    /// Adds independent changes of all columns, each of one standard uncertainty, to the corners' part.
    pub fn add_to_corners(&mut self, changes: &DMatrix<f64>) {
        let more = changes * changes.transpose();
        self.columns += &more;
        for (_, part) in self.parts.iter_mut().filter(|(source, _)| *source == Source::Corners) {
            *part += &more;
        }
    }
}
