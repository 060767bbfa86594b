//! The unknowns of the adjustment, which of them takes part, and the state after a step.

use super::LensFreedom;
use super::allowed::Allowed;
use super::problem::{Problem, View};
use super::roll::{RollLayout, RollState};
use crate::body::TagPlace;
use crate::camera::{Lens, N_LENS};
use crate::frames::{Body, Camera, Pose, Tag, World};
use nalgebra::{DVector, Vector6};
use std::ops::Range;

/// All unknowns.
#[derive(Clone, Debug)]
pub(super) struct State {
    /// By photograph; meaningful only for those in the adjustment.
    pub camera_from_world: Vec<Pose<Camera, World>>,
    /// By instance; meaningful only for those in the adjustment.
    pub world_from_instance: Vec<Pose<World, Body>>,
    /// By body and tag.
    pub body_from_tag: Vec<Vec<Pose<Body, Tag>>>,
    /// Relative scale error by print group.
    pub common_scale: Vec<f64>,
    /// Relative scale error of one direction alone (the print's right, its up), by print group.
    pub axis_scale: Vec<[f64; 2]>,
    /// Relative scale error of each tag, by body and tag.
    pub tag_scale: Vec<Vec<f64>>,
    /// By lens.
    pub lenses: Vec<Lens>,
    /// The rolled car, once the plates' poses have given start values.
    pub roll: Option<RollState>,
    /// What may differ from the declaration because a fault was named.
    pub allowed: Allowed,
}

impl State {
    /// Where a view's body stood when its photograph was taken.
    pub fn world_from_body(&self, view: &View) -> Pose<World, Body> {
        let still = self.world_from_instance[view.instance];
        self.allowed.motion_of(view).map_or(still, |(k, weight)| self.allowed.motions[k].moved(weight, &still))
    }
}

/// Which unknown has which column among the unknowns that stay after the photographs are eliminated.
#[derive(Clone, Debug)]
pub(super) struct Layout {
    pub instance_at: Vec<Option<usize>>,
    pub place_at: Vec<Vec<Option<usize>>>,
    pub common_at: Vec<Option<usize>>,
    pub axis_at: Vec<[Option<usize>; 2]>,
    pub scale_at: Vec<Vec<Option<usize>>>,
    /// By lens: (parameter, column).
    pub lens_at: Vec<Vec<(usize, usize)>>,
    /// By motion that was allowed.
    pub motion_at: Vec<usize>,
    pub n_columns: usize,
    /// The rolled car, where it takes part; its columns come last.
    pub roll: Option<RollLayout>,
    /// Number of measured values besides the corners.
    pub n_measured: usize,
}

/// What takes part: the views, the photographs they are in (both in the order of the input), and the instance that is held.
#[derive(Clone, Debug)]
pub(super) struct Extent {
    pub views: Vec<usize>,
    pub photos: Vec<usize>,
    pub reference: usize,
}

impl Extent {
    /// For each photograph its views, as places in `views`.
    pub fn by_photo(&self, problem: &Problem) -> Vec<Range<usize>> {
        let mut at = 0;
        let of_photo = self.photos.iter().map(|photo| {
            let first = at;
            while self.views.get(at).is_some_and(|v| problem.views[*v].photo == *photo) {
                at += 1;
            }
            first..at
        });
        let ranges = of_photo.collect();
        debug_assert_eq!(at, self.views.len(), "views and photographs in the order of the input");
        ranges
    }
}

impl Layout {
    /// `lenses_may_move`: false holds all lenses, whatever the input allows.
    pub fn new(problem: &Problem, extent: &Extent, allowed: &Allowed, lenses_may_move: bool) -> Self {
        let kit = &problem.input.kit;
        let mut used_tags: Vec<Vec<bool>> = kit.bodies.iter().map(|b| vec![false; b.tags.len()]).collect();
        let mut used_instances = vec![false; problem.instances.len()];
        let mut used_prints = vec![false; kit.prints.len()];
        let mut used_lenses = vec![false; problem.input.lenses.len()];
        for &v in &extent.views {
            let view = &problem.views[v];
            used_tags[view.body][view.tag] = true;
            used_instances[view.instance] = true;
            used_lenses[problem.input.photos[view.photo].lens] = true;
            let print = kit.bodies[view.body].tags[view.tag].print;
            if let Some(used) = used_prints.get_mut(print) {
                *used = true;
            }
        }
        let mut next = 0;
        let mut n_measured = 0;
        let mut take = |count: usize| {
            next += count;
            next - count
        };
        let instance_at = used_instances
            .iter()
            .enumerate()
            .map(|(i, used)| (*used && i != extent.reference).then(|| take(6)))
            .collect();
        let mut place_at: Vec<Vec<Option<usize>>> = kit.bodies.iter().map(|b| vec![None; b.tags.len()]).collect();
        let mut scale_at = place_at.clone();
        for (b, body) in kit.bodies.iter().enumerate() {
            for (t, tag) in body.tags.iter().enumerate() {
                if !used_tags[b][t] {
                    continue;
                }
                match &tag.place {
                    TagPlace::Known(_) => {}
                    TagPlace::Measured { .. } => {
                        place_at[b][t] = Some(take(6));
                        n_measured += 6;
                    }
                    TagPlace::Free => place_at[b][t] = Some(take(6)),
                }
                let measured = kit.prints.get(tag.print).is_some_and(|p| p.sigma_each > 0.0);
                let free = allowed.tags.contains(&(b, t));
                if measured || free {
                    scale_at[b][t] = Some(take(1));
                    n_measured += usize::from(!free);
                }
            }
        }
        let common_at = kit
            .prints
            .iter()
            .zip(&used_prints)
            .enumerate()
            .map(|(k, (print, used))| {
                let free = allowed.prints.contains(&k);
                (*used && (free || print.sigma_common > 0.0)).then(|| {
                    n_measured += usize::from(!free);
                    take(1)
                })
            })
            .collect();
        let axis_at = kit
            .prints
            .iter()
            .zip(&used_prints)
            .map(|(print, used)| {
                print.sigma_axis.map(|sigma| {
                    (*used && sigma > 0.0).then(|| {
                        n_measured += 1;
                        take(1)
                    })
                })
            })
            .collect();
        let lens_at = problem
            .input
            .lenses
            .iter()
            .zip(&used_lenses)
            .map(|(lens, used)| {
                if !*used || !lenses_may_move {
                    return Vec::new();
                }
                match &lens.freedom {
                    LensFreedom::Held => Vec::new(),
                    LensFreedom::Measured(cov) => {
                        let moving: Vec<usize> = (0..N_LENS).filter(|&k| cov[(k, k)] > 0.0).collect();
                        n_measured += moving.len();
                        moving.into_iter().map(|k| (k, take(1))).collect()
                    }
                    LensFreedom::Free(free) => (0..N_LENS).filter(|&k| free[k]).map(|k| (k, take(1))).collect(),
                }
            })
            .collect();
        let motion_at = allowed.motions.iter().map(|_| take(6)).collect();
        Self {
            instance_at,
            place_at,
            common_at,
            axis_at,
            scale_at,
            lens_at,
            motion_at,
            n_columns: next,
            roll: None,
            n_measured,
        }
    }

    /// With the rolled car's columns added.
    pub fn with_roll(mut self, roll: RollLayout) -> Self {
        self.n_columns += roll.n_columns();
        self.n_measured += roll.n_measured();
        self.roll = Some(roll);
        self
    }
}

/// The state after a step.
pub(super) fn moved(problem: &Problem, layout: &Layout, state: &State, extent: &Extent, step: &Step) -> State {
    let mut next = state.clone();
    let columns = &step.columns;
    let six = |at: usize| Vector6::from_fn(|k, _| columns[at + k]);
    for (photo, delta) in extent.photos.iter().zip(&step.photos) {
        next.camera_from_world[*photo] = state.camera_from_world[*photo].moved_left(delta);
    }
    for (i, at) in layout.instance_at.iter().enumerate() {
        if let Some(at) = at {
            next.world_from_instance[i] = state.world_from_instance[i].moved_right(&six(*at));
        }
    }
    for (b, tags) in layout.place_at.iter().enumerate() {
        for (t, at) in tags.iter().enumerate() {
            if let Some(at) = at {
                next.body_from_tag[b][t] = state.body_from_tag[b][t].moved_right(&six(*at));
            }
            if let Some(at) = layout.scale_at[b][t] {
                next.tag_scale[b][t] += columns[at];
            }
        }
    }
    for (print, at) in layout.common_at.iter().enumerate() {
        if let Some(at) = at {
            next.common_scale[print] += columns[*at];
        }
    }
    for (print, axes) in layout.axis_at.iter().enumerate() {
        for (axis, at) in axes.iter().enumerate() {
            if let Some(at) = at {
                next.axis_scale[print][axis] += columns[*at];
            }
        }
    }
    for (motion, at) in next.allowed.motions.iter_mut().zip(&layout.motion_at) {
        motion.step += six(*at);
    }
    for (l, list) in layout.lens_at.iter().enumerate() {
        let mut p = state.lenses[l].parameters();
        for (parameter, at) in list {
            p[*parameter] += columns[*at];
        }
        next.lenses[l] = problem.input.lenses[l].lens.with_parameters(&p);
    }
    if let (Some(columns_of), Some(roll)) = (&layout.roll, &state.roll) {
        next.roll = Some(roll.stepped(columns_of, &|column| columns[column]));
    }
    next
}

/// A step of all unknowns.
#[derive(Clone, Debug)]
pub(super) struct Step {
    pub columns: DVector<f64>,
    /// In the order of [`Extent::photos`].
    pub photos: Vec<Vector6<f64>>,
}
