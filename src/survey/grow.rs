//! Putting the network together, the clearest decision first; open decisions are followed both ways.

use super::network::{Board, FEW, Network, Placed};
use super::pieces::each;
use crate::frames::{Body, Camera, Pose, World};

/// A hypothesis that beats its rival by this much cost is taken as decided (about 5.5 sigma).
const CLEAR_GAP: f64 = 30.0;

/// A decision with a smaller gap than this stays open. Wider than [`CLEAR_GAP`]: a lens that is not calibrated yet bends costs.
pub(super) const OPEN_GAP: f64 = 150.0;

/// More support than this counts no more.
const MOST_SUPPORT: usize = 100;

/// Seeds grown at most.
const MAX_SEEDS: usize = 3;

/// Combinations of open decisions followed at once.
const MAX_BEAM: usize = 24;

/// Finished networks handed on; the adjustment, which knows lens and covariance, chooses among them.
const MAX_KEPT: usize = 3;

/// The hypotheses for one item, best first, at most two.
#[derive(Clone, Debug)]
pub(super) struct Ways<T> {
    pub found: Vec<(T, f64)>,
    pub support: usize,
}

impl<T> Ways<T> {
    /// How far the best stands above the second.
    pub fn gap(&self) -> f64 {
        match self.found.as_slice() {
            [best, second, ..] => second.1 - best.1,
            _ => f64::INFINITY,
        }
    }
}

/// An item waiting to be placed.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(super) enum Item {
    Photo(usize),
    Node(usize),
}

impl Board<'_> {
    /// Builds the network of the largest connected piece: the few best ways to put it together, best first.
    pub fn build(&self) -> Vec<Network> {
        let mut all: Vec<(usize, f64, Placed)> = Vec::new();
        for seed in self.seeds() {
            let mut start = Placed::empty(self);
            start.node[seed] = Some(Pose::coincident());
            let mut done = false;
            for (k, mut state) in self.grow(start).into_iter().take(MAX_KEPT).enumerate() {
                self.settle(&mut state);
                let (explained, cost) = self.score(&state);
                // A network in which every view fits as well as noise allows needs no rival.
                let n_views: usize = self.sights.iter().map(|s| s.tags.len()).sum();
                done |= k == 0 && explained == n_views && cost < 8.0 * explained as f64;
                if !all.iter().any(|(n, c, _)| *n == explained && (c - cost).abs() < 1e-3 * cost) {
                    all.push((explained, cost, state));
                }
                if done {
                    break;
                }
            }
            if done {
                break;
            }
        }
        all.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.total_cmp(&b.1)));
        // Whatever explains clearly less is no rival to the best.
        let rivals = all.iter().take_while(|(n, c, _)| *n == all[0].0 && *c < 2.0 * all[0].1 + 50.0).count();
        all.truncate(rivals.min(MAX_KEPT));
        all.iter().map(|(_, _, state)| self.network(state)).collect()
    }

    /// Nodes to start from: in the largest piece, those seen in most photographs, multi-tag nodes first.
    fn seeds(&self) -> Vec<usize> {
        let mut piece = vec![usize::MAX; self.nodes.len()];
        let mut sizes: Vec<usize> = Vec::new();
        for start in 0..self.nodes.len() {
            if piece[start] != usize::MAX {
                continue;
            }
            let mut stack = vec![start];
            let mut size = 0;
            piece[start] = sizes.len();
            while let Some(node) = stack.pop() {
                for &s in &self.of_node[node] {
                    size += 1;
                    for &other in &self.of_photo[self.sights[s].photo] {
                        let next = self.sights[other].node;
                        if piece[next] == usize::MAX {
                            piece[next] = sizes.len();
                            stack.push(next);
                        }
                    }
                }
            }
            sizes.push(size);
        }
        let Some((largest, _)) = sizes.iter().enumerate().max_by_key(|(k, size)| (**size, usize::MAX - k)) else {
            return Vec::new();
        };
        let mut seeds: Vec<usize> = (0..self.nodes.len()).filter(|&n| piece[n] == largest).collect();
        let weight = |n: usize| -> usize {
            let linked = self.of_node[n].iter().filter(|&&s| self.of_photo[self.sights[s].photo].len() > 1);
            linked.map(|&s| self.sights[s].tags.len()).sum()
        };
        seeds.sort_by_key(|&n| (std::cmp::Reverse(weight(n)), n));
        seeds.truncate(MAX_SEEDS);
        seeds
    }

    /// Places everything that can be placed. While a decision is open both ways are followed, the best few of all combinations kept; all hold
    /// the same things at any time, so their costs can be compared. Best first.
    fn grow(&self, start: Placed) -> Vec<Placed> {
        let mut beam = vec![start];
        loop {
            if beam[0].node.iter().all(Option::is_some) {
                beam.iter_mut().for_each(|state| self.place_photos(state));
                beam.sort_by(|a, b| a.cost.total_cmp(&b.cost));
                return beam;
            }
            let Some(item) = self.next_item(&mut beam[0]) else { return beam };
            let mut next: Vec<Placed> = Vec::new();
            for mut state in beam.drain(..) {
                match item {
                    Item::Photo(photo) => {
                        let Some(ways) = self.photo_ways(photo, &mut state).cloned() else { continue };
                        // Nothing hangs on a photograph all of whose bodies are placed: its second way stays behind for ever.
                        let leaf = self.of_photo[photo].iter().all(|&s| state.node[self.sights[s].node].is_some());
                        fork(&mut next, &state, &ways, leaf, |placed, pose| placed.camera[photo] = Some(pose));
                    }
                    Item::Node(node) => {
                        let Some(ways) = self.node_ways(node, &mut state).cloned() else { continue };
                        let leaf = self.of_node[node].iter().all(|&s| state.camera[self.sights[s].photo].is_some());
                        fork(&mut next, &state, &ways, leaf, |placed, pose| placed.node[node] = Some(pose));
                    }
                }
            }
            next.sort_by(|a, b| a.cost.total_cmp(&b.cost));
            next.truncate(MAX_BEAM);
            beam = next;
        }
    }

    /// Places every photograph that is left, once all nodes are placed.
    fn place_photos(&self, state: &mut Placed) {
        let ways = each(self.of_photo.len(), FEW, |photo| {
            let open = state.camera[photo].is_none() && !self.of_photo[photo].is_empty();
            if open { self.photo_hypotheses(photo, state).first().copied() } else { None }
        });
        for (camera, way) in state.camera.iter_mut().zip(ways) {
            if let Some((pose, cost)) = way {
                *camera = Some(pose);
                state.cost += cost;
            }
        }
    }

    /// The clearest item that touches what is placed; `None` when nothing is left.
    ///
    /// Working out hypotheses is dear and most of a priority is known without them: the most promising item comes first, and once the best so far
    /// cannot be beaten the others keep theirs for later.
    fn next_item(&self, state: &mut Placed) -> Option<Item> {
        let mut open: Vec<(usize, Item)> = Vec::new();
        for photo in (0..self.of_photo.len()).filter(|&p| state.camera[p].is_none()) {
            open.push((self.photo_support(photo, state), Item::Photo(photo)));
        }
        for node in (0..self.nodes.len()).filter(|&n| state.node[n].is_none()) {
            open.push((self.node_support(node, state), Item::Node(node)));
        }
        open.retain(|(support, _)| *support > 0);
        // Stable: photographs before nodes, in their order, where the support is the same.
        open.sort_by_key(|(support, _)| std::cmp::Reverse((*support).min(MOST_SUPPORT)));
        let mut best: Option<(f64, Item)> = None;
        for (support, item) in open {
            if best.as_ref().is_some_and(|(value, _)| *value >= priority(f64::INFINITY, support)) {
                break;
            }
            let gap = match item {
                Item::Photo(photo) => self.photo_ways(photo, state).map(Ways::gap),
                Item::Node(node) => self.node_ways(node, state).map(Ways::gap),
            };
            let value = gap.map(|gap| priority(gap, support));
            if let Some(value) = value.filter(|value| best.as_ref().is_none_or(|(b, _)| value > b)) {
                best = Some((value, item));
            }
        }
        best.map(|(_, item)| item)
    }

    /// Number of placed nodes that a photograph shows.
    fn photo_support(&self, photo: usize, state: &Placed) -> usize {
        self.of_photo[photo].iter().filter(|&&s| state.node[self.sights[s].node].is_some()).count()
    }

    /// Number of placed photographs that show a node.
    fn node_support(&self, node: usize, state: &Placed) -> usize {
        self.of_node[node].iter().filter(|&&s| state.camera[self.sights[s].photo].is_some()).count()
    }

    /// The hypotheses for a photograph that is not placed yet; `None` where nothing placed is seen in it.
    fn photo_ways<'s>(&self, photo: usize, state: &'s mut Placed) -> Option<&'s Ways<Pose<Camera, World>>> {
        let support = self.photo_support(photo, state);
        if state.photo_ways[photo].as_ref().is_none_or(|ways| ways.support != support) {
            let found = if support == 0 { Vec::new() } else { self.photo_hypotheses(photo, state) };
            state.photo_ways[photo] = Some(Ways { found, support });
        }
        state.photo_ways[photo].as_ref().filter(|ways| !ways.found.is_empty())
    }

    /// The hypotheses for a node that is not placed yet; `None` where no placed photograph sees it.
    fn node_ways<'s>(&self, node: usize, state: &'s mut Placed) -> Option<&'s Ways<Pose<World, Body>>> {
        let support = self.node_support(node, state);
        if state.node_ways[node].as_ref().is_none_or(|ways| ways.support != support) {
            let found = if support == 0 { Vec::new() } else { self.node_hypotheses(node, state) };
            state.node_ways[node] = Some(Ways { found, support });
        }
        state.node_ways[node].as_ref().filter(|ways| !ways.found.is_empty())
    }
}

/// Clear hypotheses first, then those with more support, then the wider gap.
fn priority(gap: f64, support: usize) -> f64 {
    let clear = if gap >= CLEAR_GAP { 1e6 } else { 0.0 };
    clear + 1e3 * support.min(MOST_SUPPORT) as f64 + gap.min(900.0)
}

/// Adds a state for the best hypothesis, and one for the second where the decision is still open and something hangs on it (no `leaf`).
fn fork<T: Copy>(
    next: &mut Vec<Placed>,
    state: &Placed,
    ways: &Ways<T>,
    leaf: bool,
    mut place: impl FnMut(&mut Placed, T),
) {
    let open = if ways.gap() < OPEN_GAP && !leaf { 2 } else { 1 };
    for (pose, cost) in ways.found.iter().take(open) {
        let mut placed = state.clone();
        place(&mut placed, *pose);
        placed.cost += cost;
        next.push(placed);
    }
}
