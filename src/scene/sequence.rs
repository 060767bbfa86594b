//! Frames of a camera that looks on while something in a made bay is moved.

use crate::frames::{Body, Camera, Pose, World};
use crate::scene::Bay;
use crate::scene::cameras::Viewer;
use crate::scene::corners::corner_cov;
use crate::scene::draw::Draw;
use crate::scene::options::factor;
use crate::survey::TagView;
use nalgebra::{Isometry3, SVector, Vector2};

impl Bay {
    /// The same bay with a body elsewhere: `motion` maps where its points were to where they are, in the world.
    pub fn moved(&self, body: usize, motion: &Isometry3<f64>) -> Bay {
        let mut bay = self.clone();
        let place: Pose<World, Body> = Pose::claim(motion * bay.layout.world_from_body[body].iso());
        bay.layout.world_from_body[body] = place;
        for tag in bay.layout.tags.iter_mut().filter(|t| t.body == body) {
            tag.world_from_tag = place * tag.body_from_tag;
        }
        bay
    }

    /// The tags that a camera shows: true corners, and the covariance that a detector would state.
    pub fn seen_from(&self, camera_from_world: &Pose<Camera, World>) -> Vec<TagView> {
        let viewer = Viewer::new(&self.lens, &self.solids);
        let view = |tag| {
            let corners = viewer.corners(camera_from_world, tag)?;
            Some(TagView::new(tag.id, corners, corner_cov(&self.options.noise, &corners)))
        };
        self.layout.tags.iter().filter_map(view).collect()
    }
}

/// Views with an error added to every corner, drawn from the covariance that is stated with it.
pub fn disturbed(views: &[TagView], draw: &mut Draw) -> Vec<TagView> {
    let disturb = |view: &TagView| {
        let unit = SVector::<f64, 8>::from_fn(|_, _| draw.normal(1.0));
        let error = match view.cov.cholesky() {
            Some(c) => c.l() * unit,
            None => factor(&view.cov).map_or_else(SVector::zeros, |l| l * unit),
        };
        let corners = std::array::from_fn(|k| view.corners[k] + Vector2::new(error[2 * k], error[2 * k + 1]));
        TagView { corners, ..view.clone() }
    };
    views.iter().map(disturb).collect()
}
