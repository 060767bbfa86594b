//! The adjusted network turned over again: does anything fit better in its mirror pose?

use super::grow::OPEN_GAP;
use super::network::{Board, FEW, Placed};
use super::pieces::each;
use super::unknowns::{Extent, State};
use crate::frames::{Body, Camera, Pose, World};
use std::collections::BTreeSet;

/// A pose that turned by more than this between adjustment and recheck has gone over to its mirror solution.
const TURNED_RAD: f64 = 0.02;

impl Board<'_> {
    /// The adjusted network as this module sees it.
    fn placed(&self, state: &State, extent: &Extent) -> Placed {
        let mut placed = Placed::empty(self);
        for &photo in &extent.photos {
            placed.camera[photo] = Some(state.camera_from_world[photo]);
        }
        // (instance, tag) of every view in the adjustment.
        let used: BTreeSet<(usize, usize)> =
            extent.views.iter().map(|&v| &self.problem.views[v]).map(|view| (view.instance, view.tag)).collect();
        for (n, node) in self.nodes.iter().enumerate() {
            let tags = node.free_tag.map_or(0..=usize::MAX, |t| t..=t);
            if used.range((node.instance, *tags.start())..=(node.instance, *tags.end())).next().is_none() {
                continue;
            }
            let world_from_body = state.world_from_instance[node.instance];
            placed.node[n] = Some(match node.free_tag {
                None => world_from_body,
                Some(tag) => {
                    let body = self.problem.instances[node.instance].body;
                    Pose::claim(*(world_from_body * state.body_from_tag[body][tag]).iso())
                }
            });
        }
        placed
    }

    /// Lets every photograph and body try its mirror poses again in the adjusted network.
    ///
    /// Returns whether anything turned over; if so `state` holds the better poses, to be adjusted again.
    pub fn mirror_check(&mut self, state: &mut State, extent: &Extent) -> bool {
        self.lenses.clone_from(&state.lenses);
        let before = self.placed(state, extent);
        let mut after = before.clone();
        self.settle(&mut after);
        let mut turned = false;
        for &photo in &extent.photos {
            if let (Some(old), Some(new)) = (before.camera[photo], after.camera[photo])
                && old.difference(&new).0 > TURNED_RAD
            {
                state.camera_from_world[photo] = new;
                turned = true;
            }
        }
        for (n, node) in self.nodes.iter().enumerate() {
            let (Some(old), Some(new)) = (before.node[n], after.node[n]) else { continue };
            if old.difference(&new).0 <= TURNED_RAD {
                continue;
            }
            match node.free_tag {
                // The reference body is held; its photographs move instead.
                None if node.instance == extent.reference => continue,
                None => state.world_from_instance[node.instance] = new,
                Some(tag) => {
                    let body = self.problem.instances[node.instance].body;
                    let world_from_body = state.world_from_instance[node.instance];
                    state.body_from_tag[body][tag] = Pose::claim(*(world_from_body.inverse() * new).iso());
                }
            }
            turned = true;
        }
        turned
    }

    /// States in which one photograph or body has gone over to its second pose, those that cost least first, at most so many; only where the decision
    /// is open.
    pub fn alternatives(&self, state: &State, extent: &Extent, most: usize) -> Vec<State> {
        let placed = self.placed(state, extent);
        let photos = each(extent.photos.len(), FEW, |k| {
            open_second(&self.photo_hypotheses(extent.photos[k], &placed))
                .map(|(gap, _, second)| (gap, Turned::Photo(extent.photos[k], second)))
        });
        let nodes = each(self.nodes.len(), FEW, |n| {
            let wanted = self.nodes[n].free_tag.is_none() && placed.node[n].is_some();
            let (gap, best, second) = if wanted { open_second(&self.node_hypotheses(n, &placed)) } else { None }?;
            Some((gap, Turned::Body(self.nodes[n].instance, best, second)))
        });
        let mut found: Vec<(f64, Turned)> = photos.into_iter().chain(nodes).flatten().collect();
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        found.truncate(most);
        let turned = |(_, turned)| match turned {
            Turned::Photo(photo, second) => {
                let mut other = state.clone();
                other.camera_from_world[photo] = second;
                other
            }
            Turned::Body(instance, best, second) => with_body_turned(state, extent, instance, &best, second),
        };
        found.into_iter().map(turned).collect()
    }

    /// Each instance's other pose in the adjusted network: the best hypothesis that is not where it stands now.
    pub fn mirror_poses(&self, state: &State, extent: &Extent) -> Vec<Option<Pose<World, Body>>> {
        let placed = self.placed(state, extent);
        let found = each(self.nodes.len(), FEW, |n| {
            let (None, Some(now)) = (self.nodes[n].free_tag, placed.node[n]) else { return None };
            let mut poses = self.node_hypotheses(n, &placed).into_iter().map(|(pose, _)| pose);
            poses.find(|pose| pose.difference(&now).0 > TURNED_RAD)
        });
        let mut others = vec![None; self.problem.instances.len()];
        for (node, pose) in self.nodes.iter().zip(found).filter(|(node, _)| node.free_tag.is_none()) {
            others[node.instance] = pose;
        }
        others
    }
}

/// What goes over to its second pose.
enum Turned {
    Photo(usize, Pose<Camera, World>),
    /// Instance, its best pose, the second.
    Body(usize, Pose<World, Body>, Pose<World, Body>),
}

/// By how much the second way costs more, and both, where the decision is open.
fn open_second<T: Copy>(ways: &[(T, f64)]) -> Option<(f64, T, T)> {
    match ways {
        [best, second, ..] if second.1 - best.1 < OPEN_GAP => Some((second.1 - best.1, best.0, second.0)),
        _ => None,
    }
}

fn with_body_turned(
    state: &State,
    extent: &Extent,
    instance: usize,
    best: &Pose<World, Body>,
    second: Pose<World, Body>,
) -> State {
    let mut other = state.clone();
    if instance != extent.reference {
        other.world_from_instance[instance] = second;
        return other;
    }
    // The reference is held: everything else moves instead.
    let old_from_new = second.iso() * best.iso().inverse();
    let moved = old_from_new.inverse();
    for (i, pose) in other.world_from_instance.iter_mut().enumerate() {
        if i != extent.reference {
            *pose = Pose::claim(moved * pose.iso());
        }
    }
    for pose in &mut other.camera_from_world {
        *pose = Pose::claim(pose.iso() * old_from_new);
    }
    other
}
