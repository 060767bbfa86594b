//! The error that views have in common ([`super::TagView::beyond`]): carried to the result beside the adjustment, not found by it.
//!
//! How dark it is beyond each side of each tag is not known, but is the same in all photographs: no number of them averages it away. As unknowns these would be found from what the photographs
//! hold of them, and that is next to nothing beside print scales, lens and distances, which all look like it. So the adjustment stays as it is, each view weighted by the whole of its own
//! covariance, and the covariance of its result grows by what the shared errors do to it, to first order: with d the change of the unknowns by one standard uncertainty of a shared error, d d'.
//! Source: correlated inputs, JCGM 100:2008, 5.2; in orbit determination called a consider covariance (Tapley, Schutz, Born, "Statistical Orbit Determination", 2004, chapter 6, from memory).

use super::Source;
use super::covariance::Covariance;
use super::problem::Problem;
use super::rows::Weights;
use super::unknowns::Extent;
use crate::tags::margin::{ALIKE, Beyond, UNLIKE};
use nalgebra::{DMatrix, SVector, Vector6};
use std::collections::BTreeMap;

/// Sum over all views of the shared errors' squares, in the views' own standard uncertainties, below which they are left out: no variance would grow by a larger part than this.
const NOTHING: f64 = 1e-4;

/// What lies beyond the sides of the tags seen.
pub(super) struct Shared {
    /// By view of the extent: what one standard uncertainty changes in it, whitened; a column for each side.
    whitened: Vec<Beyond>,
    /// By view of the extent: its tag, as a place in a list of all tags seen.
    tag_of: Vec<usize>,
    n_tags: usize,
}

impl Shared {
    /// `None` where it is nothing.
    pub fn new(problem: &Problem, weights: &Weights, extent: &Extent) -> Option<Self> {
        let whitened: Vec<Beyond> =
            extent.views.iter().map(|&v| weights.whiten[v] * problem.views[v].seen.beyond).collect();
        let mut places = BTreeMap::new();
        let mut tag_of = Vec::with_capacity(whitened.len());
        for view in extent.views.iter().map(|&v| &problem.views[v]) {
            let next = places.len();
            tag_of.push(*places.entry((view.body, view.tag)).or_insert(next));
        }
        (whitened.iter().map(|w| w.norm_squared()).sum::<f64>() > NOTHING).then_some(Self {
            whitened,
            tag_of,
            n_tags: places.len(),
        })
    }

    /// One draw of the errors of all views, whitened. `normal`: independent numbers from the standard normal distribution.
    pub fn draw(&self, normal: &mut dyn FnMut() -> f64) -> Vec<SVector<f64, 8>> {
        let alike = ALIKE * normal();
        let own: Vec<SVector<f64, 4>> =
            (0..self.n_tags).map(|_| SVector::from_fn(|_, _| alike + UNLIKE * normal())).collect();
        self.whitened.iter().zip(&self.tag_of).map(|(w, tag)| w * own[*tag]).collect()
    }
}

impl Covariance {
    /// By how much the columns change with what is alike beyond all sides and with what each side of each tag has for itself: one column of the result for each, independent of each other.
    pub fn by_shared(&self, problem: &Problem, weights: &Weights, extent: &Extent) -> Option<DMatrix<f64>> {
        let shared = Shared::new(problem, weights, extent)?;
        let n = self.layout.n_columns;
        let mut pull = DMatrix::<f64>::zeros(n, 4 * shared.n_tags);
        for ((block, inverse), range) in self.normal.photos.iter().zip(&self.inverses).zip(extent.by_photo(problem)) {
            for at in range {
                let (row, weight) = &self.normal.rows[at];
                for side in 0..4 {
                    let error = shared.whitened[at].column(side) * *weight;
                    let into = 4 * shared.tag_of[at] + side;
                    for (k, c) in row.columns.iter().enumerate() {
                        pull[(*c, into)] += row.by_column.column(k).dot(&error);
                    }
                    // The photograph's pose takes up its part.
                    let taken: Vector6<f64> = inverse * row.by_camera.tr_mul(&error);
                    for &c in &block.active {
                        pull[(c, into)] -= block.cross.column(c).dot(&taken);
                    }
                }
            }
        }
        let each = &self.columns * pull;
        let mut out = DMatrix::zeros(n, 1 + each.ncols());
        out.set_column(0, &(each.column_sum() * ALIKE));
        out.columns_mut(1, each.ncols()).copy_from(&(each * UNLIKE));
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
