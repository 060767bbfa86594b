//! Putting the network together, the clearest decision first; open decisions are followed both ways.

use super::network::{Board, Network, Placed};
use crate::frames::{Body, Camera, Pose, World};

/// A hypothesis that beats its rival by this much cost is taken as decided (about 5.5 sigma).
const CLEAR_GAP: f64 = 30.0;

/// A decision with a smaller gap than this stays open. Wider than [`CLEAR_GAP`]: a lens that is not calibrated yet bends costs.
pub(super) const OPEN_GAP: f64 = 150.0;

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
        while let Some(item) = self.next_item(&mut beam[0]) {
            let mut next: Vec<Placed> = Vec::new();
            for mut state in beam.drain(..) {
                match item {
                    Item::Photo(photo) => {
                        let Some(ways) = self.photo_ways(photo, &mut state).cloned() else { continue };
                        fork(&mut next, &state, &ways, |placed, pose| placed.camera[photo] = Some(pose));
                    }
                    Item::Node(node) => {
                        let Some(ways) = self.node_ways(node, &mut state).cloned() else { continue };
                        fork(&mut next, &state, &ways, |placed, pose| placed.node[node] = Some(pose));
                    }
                }
            }
            next.sort_by(|a, b| a.cost.total_cmp(&b.cost));
            next.truncate(MAX_BEAM);
            beam = next;
        }
        beam
    }

    /// The clearest item that touches what is placed; `None` when nothing is left.
    fn next_item(&self, state: &mut Placed) -> Option<Item> {
        let mut best: Option<(f64, Item)> = None;
        let mut consider = |value: f64, item: Item| {
            if best.as_ref().is_none_or(|(b, _)| value > *b) {
                best = Some((value, item));
            }
        };
        for photo in 0..self.of_photo.len() {
            if state.camera[photo].is_none()
                && let Some(ways) = self.photo_ways(photo, state)
            {
                consider(priority(ways.gap(), ways.support), Item::Photo(photo));
            }
        }
        for node in 0..self.nodes.len() {
            if state.node[node].is_none()
                && let Some(ways) = self.node_ways(node, state)
            {
                consider(priority(ways.gap(), ways.support), Item::Node(node));
            }
        }
        best.map(|(_, item)| item)
    }

    /// The hypotheses for a photograph that is not placed yet; `None` where nothing placed is seen in it.
    fn photo_ways<'s>(&self, photo: usize, state: &'s mut Placed) -> Option<&'s Ways<Pose<Camera, World>>> {
        let support = self.of_photo[photo].iter().filter(|&&s| state.node[self.sights[s].node].is_some()).count();
        if state.photo_ways[photo].as_ref().is_none_or(|ways| ways.support != support) {
            let found = if support == 0 { Vec::new() } else { self.photo_hypotheses(photo, state) };
            state.photo_ways[photo] = Some(Ways { found, support });
        }
        state.photo_ways[photo].as_ref().filter(|ways| !ways.found.is_empty())
    }

    /// The hypotheses for a node that is not placed yet; `None` where no placed photograph sees it.
    fn node_ways<'s>(&self, node: usize, state: &'s mut Placed) -> Option<&'s Ways<Pose<World, Body>>> {
        let support = self.of_node[node].iter().filter(|&&s| state.camera[self.sights[s].photo].is_some()).count();
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
    clear + 1e3 * support.min(100) as f64 + gap.min(900.0)
}

/// Adds a state for the best hypothesis, and one for the second where the decision is still open.
fn fork<T: Copy>(next: &mut Vec<Placed>, state: &Placed, ways: &Ways<T>, mut place: impl FnMut(&mut Placed, T)) {
    let open = if ways.gap() < OPEN_GAP { 2 } else { 1 };
    for (pose, cost) in ways.found.iter().take(open) {
        let mut placed = state.clone();
        place(&mut placed, *pose);
        placed.cost += cost;
        next.push(placed);
    }
}
