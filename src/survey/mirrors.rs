//! The adjusted network turned over again: does anything fit better in its mirror pose?

use super::grow::OPEN_GAP;
use super::network::{Board, Placed};
use super::unknowns::{Extent, State};
use crate::frames::{Body, Pose, World};

/// A pose that turned by more than this between adjustment and recheck has gone over to its mirror solution.
const TURNED_RAD: f64 = 0.02;

impl Board<'_> {
    /// The adjusted network as this module sees it.
    fn placed(&self, state: &State, extent: &Extent) -> Placed {
        let mut placed = Placed::empty(self);
        for &photo in &extent.photos {
            placed.camera[photo] = Some(state.camera_from_world[photo]);
        }
        for (n, node) in self.nodes.iter().enumerate() {
            let in_use = extent.views.iter().any(|&v| {
                let view = &self.problem.views[v];
                view.instance == node.instance && node.free_tag.is_none_or(|t| t == view.tag)
            });
            if !in_use {
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

    /// States in which one photograph or body has gone over to its second pose, those that cost least first; only where the decision is open.
    pub fn alternatives(&self, state: &State, extent: &Extent) -> Vec<State> {
        let placed = self.placed(state, extent);
        let mut found: Vec<(f64, State)> = Vec::new();
        for &photo in &extent.photos {
            if let [best, second, ..] = self.photo_hypotheses(photo, &placed).as_slice()
                && second.1 - best.1 < OPEN_GAP
            {
                let mut other = state.clone();
                other.camera_from_world[photo] = second.0;
                found.push((second.1 - best.1, other));
            }
        }
        for (n, node) in self.nodes.iter().enumerate() {
            if node.free_tag.is_some() || placed.node[n].is_none() {
                continue;
            }
            let [best, second, ..] = self.node_hypotheses(n, &placed)[..] else { continue };
            if second.1 - best.1 >= OPEN_GAP {
                continue;
            }
            let mut other = state.clone();
            if node.instance == extent.reference {
                // The reference is held: everything else moves instead.
                let old_from_new = second.0.iso() * best.0.iso().inverse();
                let moved = old_from_new.inverse();
                for (i, pose) in other.world_from_instance.iter_mut().enumerate() {
                    if i != extent.reference {
                        *pose = Pose::claim(moved * pose.iso());
                    }
                }
                for pose in &mut other.camera_from_world {
                    *pose = Pose::claim(pose.iso() * old_from_new);
                }
            } else {
                other.world_from_instance[node.instance] = second.0;
            }
            found.push((second.1 - best.1, other));
        }
        found.sort_by(|a, b| a.0.total_cmp(&b.0));
        found.into_iter().map(|(_, state)| state).collect()
    }

    /// Each instance's other pose in the adjusted network: the best hypothesis that is not where it stands now.
    pub fn mirror_poses(&self, state: &State, extent: &Extent) -> Vec<Option<Pose<World, Body>>> {
        let placed = self.placed(state, extent);
        let mut others = vec![None; self.problem.instances.len()];
        for (n, node) in self.nodes.iter().enumerate() {
            if let (None, Some(now)) = (node.free_tag, placed.node[n]) {
                others[node.instance] = self
                    .node_hypotheses(n, &placed)
                    .into_iter()
                    .map(|(pose, _)| pose)
                    .find(|pose| pose.difference(&now).0 > TURNED_RAD);
            }
        }
        others
    }
}
