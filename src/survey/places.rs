//! The places of a body's tags as the survey found them, with their covariance and that of the print scales they hang on.

use super::Survey;
use super::unknowns::State;
use crate::body::{BodyModel, ScaleOf};
use crate::frames::{Body, Pose, Tag};
use nalgebra::DMatrix;

impl State {
    /// A tag's place on its body and by how much its print is larger along its right and its up; `print`: its print group.
    pub fn tag(&self, body: usize, tag: usize, print: usize) -> (Pose<Body, Tag>, [f64; 2]) {
        let both = self.common_scale.get(print).copied().unwrap_or(0.0) + self.tag_scale[body][tag];
        let axes = self.axis_scale.get(print).copied().unwrap_or_default();
        (self.body_from_tag[body][tag], axes.map(|axis| both + axis))
    }
}

/// One tag of a body as found.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundPlace {
    /// Index of the tag on its body.
    pub tag: usize,
    /// Its place.
    pub body_from_tag: Pose<Body, Tag>,
    /// Number of photographs whose view of it was used.
    pub n_photos: usize,
}

/// The tags of a body as found.
#[derive(Clone, Debug, PartialEq)]
pub struct FoundPlaces {
    /// The tags that were used, in the body's order.
    pub places: Vec<FoundPlace>,
    /// The print scales that were unknown, and what was found for each.
    pub scales: Vec<(ScaleOf, f64)>,
    /// (6n + m) × (6n + m): for each of the n places the step δ of `body_from_tag · exp(δ)`, δ = [rotation (rad), translation (m)], zero where the
    /// place was given as known; then the m scales.
    pub cov: DMatrix<f64>,
}

impl Survey {
    /// The places of the tags of the body with this index in the kit.
    pub fn places(&self, index: usize, body: &BodyModel) -> FoundPlaces {
        let layout = &self.covariance.layout;
        let n_photos = |id: u16| self.views.iter().filter(|v| v.used && v.id == id).count();
        let places: Vec<FoundPlace> = body
            .tags
            .iter()
            .enumerate()
            .map(|(tag, declared)| FoundPlace {
                tag,
                body_from_tag: self.state.body_from_tag[index][tag],
                n_photos: n_photos(declared.id),
            })
            .filter(|place| place.n_photos > 0)
            .collect();
        let mut prints: Vec<usize> = places.iter().map(|p| body.tags[p.tag].print).collect();
        prints.sort_unstable();
        prints.dedup();
        let mut scales = Vec::new();
        let mut at: Vec<Option<usize>> =
            places.iter().flat_map(|p| (0..6).map(|k| layout.place_at[index][p.tag].map(|c| c + k))).collect();
        let mut add = |of: ScaleOf, column: Option<usize>, found: f64| {
            if column.is_some() {
                scales.push((of, found));
                at.push(column);
            }
        };
        for print in prints.into_iter().filter(|print| *print < layout.common_at.len()) {
            add(ScaleOf::Common(print), layout.common_at[print], self.state.common_scale[print]);
            for axis in 0..2 {
                add(ScaleOf::Axis(print, axis), layout.axis_at[print][axis], self.state.axis_scale[print][axis]);
            }
        }
        for place in &places {
            let tag = place.tag;
            add(ScaleOf::Tag(tag), layout.scale_at[index][tag], self.state.tag_scale[index][tag]);
        }
        let columns = &self.covariance.columns;
        let cov = DMatrix::from_fn(at.len(), at.len(), |i, j| match (at[i], at[j]) {
            (Some(r), Some(c)) => 0.5 * (columns[(r, c)] + columns[(c, r)]),
            _ => 0.0,
        });
        FoundPlaces { places, scales, cov }
    }
}
