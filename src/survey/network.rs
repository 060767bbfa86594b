//! The first network: from single planar poses, each with its mirror solution, to one place for every photograph and body.
//!
//! Growth is best first: of all photographs and bodies that touch what is already placed, the one whose best hypothesis stands clearest
//! above its second is placed next; where it does not stand clear, both are followed until later views decide. Nothing is final: once everything is placed, every photograph and every body tries all its hypotheses again
//! against the whole network, until none changes. Several seeds are grown, and the network that explains the views best is kept.

use super::problem::{Problem, seen_tag};
use crate::body::tag_corners_m;
use crate::camera::Lens;
use crate::fit::{FitOptions, Linearised, levenberg_marquardt};
use crate::frames::{Body, Camera, Point, Pose, Tag, World, skew};
use crate::pose::{MAX_STARTS, SeenTag, ViewLoss, ViewPose, distinct_poses, planar_poses, residuals, tag_loss};
use nalgebra::{Matrix3, Matrix3x6};

/// Corner noise assumed while the network is only being put together, and the d² at which a view starts to count less.
const LOSS: ViewLoss = ViewLoss { sigma_px: 0.5, limit: 60.0 };

/// A hypothesis that beats its rival by this much cost is taken as decided (about 5.5 sigma).
const CLEAR_GAP: f64 = 30.0;

/// A pose that turned by more than this between adjustment and recheck has gone over to its mirror solution.
const TURNED_RAD: f64 = 0.02;

/// A decision with a smaller gap than this stays open. Wider than [`CLEAR_GAP`]: a lens that is not calibrated yet bends costs.
const OPEN_GAP: f64 = 150.0;

/// Seeds grown at most.
const MAX_SEEDS: usize = 3;

/// Combinations of open decisions followed at once.
const MAX_BEAM: usize = 24;

/// Finished networks handed on; the adjustment, which knows lens and covariance, chooses among them.
const MAX_KEPT: usize = 3;

/// What moves as one while the network is built: a body's tags of known place, or one tag of unknown place.
#[derive(Clone, Debug)]
struct Node {
    instance: usize,
    /// The free tag, where the node is one.
    free_tag: Option<usize>,
}

/// One node seen in one photograph.
#[derive(Clone, Debug)]
struct Sight {
    photo: usize,
    node: usize,
    tags: Vec<SeenTag>,
    /// Up to two poses, best first.
    poses: Vec<Pose<Camera, Body>>,
}

/// The network as first put together.
#[derive(Clone, Debug)]
pub(super) struct Network {
    pub camera_from_world: Vec<Option<Pose<Camera, World>>>,
    pub world_from_instance: Vec<Option<Pose<World, Body>>>,
    /// Places found for tags declared free: (instance, tag, place).
    pub free_places: Vec<(usize, usize, Pose<Body, Tag>)>,
}

impl Network {
    /// The place found for a tag declared free, at whichever station it was seen first.
    pub fn free_place(&self, body: usize, tag: usize, problem: &Problem) -> Option<Pose<Body, Tag>> {
        self.free_places
            .iter()
            .find(|(instance, t, _)| problem.instances[*instance].body == body && *t == tag)
            .map(|(_, _, place)| *place)
    }
}

fn sights(problem: &Problem, lenses: &[Lens]) -> (Vec<Node>, Vec<Sight>) {
    let mut nodes: Vec<Node> = Vec::new();
    let mut sights: Vec<Sight> = Vec::new();
    for views in &problem.views_of_photo {
        let first = sights.len();
        // (sight index, closed-form poses of the node that single tags suggest)
        let mut starts: Vec<Vec<Pose<Camera, Body>>> = Vec::new();
        for &v in views {
            let view = &problem.views[v];
            let place = problem.place(view);
            let free_tag = if place.is_none() { Some(view.tag) } else { None };
            let node =
                nodes.iter().position(|n| n.instance == view.instance && n.free_tag == free_tag).unwrap_or_else(|| {
                    nodes.push(Node { instance: view.instance, free_tag });
                    nodes.len() - 1
                });
            let at = match sights[first..].iter().position(|s| s.node == node) {
                Some(k) => k,
                None => {
                    sights.push(Sight { photo: view.photo, node, tags: Vec::new(), poses: Vec::new() });
                    starts.push(Vec::new());
                    sights.len() - 1 - first
                }
            };
            let node_from_tag: Pose<Body, Tag> = place.unwrap_or_else(|| Pose::claim(nalgebra::Isometry3::identity()));
            let side_m = problem.side_m(view);
            sights[first + at].tags.push(seen_tag(&node_from_tag, side_m, &view.seen.corners));
            let lens = &lenses[problem.input.photos[view.photo].lens];
            let tag_from_node = node_from_tag.inverse();
            starts[at].extend(
                planar_poses(lens, side_m, &view.seen.corners)
                    .into_iter()
                    .map(|camera_from_tag| camera_from_tag * tag_from_node),
            );
        }
        for (sight, starts) in sights[first..].iter_mut().zip(&starts) {
            let lens = &lenses[problem.input.photos[sight.photo].lens];
            sight.poses =
                distinct_poses(lens, starts, &sight.tags, &LOSS).iter().map(|found| found.camera_from_frame).collect();
        }
    }
    sights.retain(|s| !s.poses.is_empty());
    (nodes, sights)
}

/// The fixed facts of network building.
pub(super) struct Board<'a> {
    problem: &'a Problem<'a>,
    /// The lenses as far as they are known by now.
    lenses: Vec<Lens>,
    nodes: Vec<Node>,
    sights: Vec<Sight>,
    of_photo: Vec<Vec<usize>>,
    of_node: Vec<Vec<usize>>,
}

/// One way of placing what is placed so far.
#[derive(Clone, Debug)]
struct Placed {
    camera: Vec<Option<Pose<Camera, World>>>,
    node: Vec<Option<Pose<World, Body>>>,
    /// Summed loss at the time each thing was placed.
    cost: f64,
    /// Hypotheses already worked out, by photograph and by node, with the support they were worked out at.
    photo_ways: Vec<Option<Ways<Pose<Camera, World>>>>,
    node_ways: Vec<Option<Ways<Pose<World, Body>>>>,
}

impl Placed {
    fn empty(board: &Board) -> Self {
        let (photos, nodes) = (board.of_photo.len(), board.nodes.len());
        Self {
            camera: vec![None; photos],
            node: vec![None; nodes],
            cost: 0.0,
            photo_ways: vec![None; photos],
            node_ways: vec![None; nodes],
        }
    }
}

/// The hypotheses for one item, best first, at most two.
#[derive(Clone, Debug)]
struct Ways<T> {
    found: Vec<(T, f64)>,
    support: usize,
}

impl<T> Ways<T> {
    /// How far the best stands above the second.
    fn gap(&self) -> f64 {
        match self.found.as_slice() {
            [best, second, ..] => second.1 - best.1,
            _ => f64::INFINITY,
        }
    }
}

/// An item waiting to be placed.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Item {
    Photo(usize),
    Node(usize),
}

impl<'a> Board<'a> {
    pub fn new(problem: &'a Problem<'a>) -> Self {
        let lenses: Vec<Lens> = problem.input.lenses.iter().map(|l| l.lens).collect();
        let (nodes, sights) = sights(problem, &lenses);
        let mut of_photo = vec![Vec::new(); problem.input.photos.len()];
        let mut of_node = vec![Vec::new(); nodes.len()];
        for (s, sight) in sights.iter().enumerate() {
            of_photo[sight.photo].push(s);
            of_node[sight.node].push(s);
        }
        Self { problem, lenses, nodes, sights, of_photo, of_node }
    }

    fn lens(&self, photo: usize) -> &Lens {
        &self.lenses[self.problem.input.photos[photo].lens]
    }

    /// The lenses as far as they are known by now.
    pub fn lenses(&self) -> &Vec<Lens> {
        &self.lenses
    }

    /// Takes better knowledge of the lenses into account: single-view poses are found anew.
    pub fn set_lenses(&mut self, lenses: &[Lens]) {
        self.lenses = lenses.to_vec();
        let (_, sights) = sights(self.problem, lenses);
        self.sights = sights;
    }

    /// Builds the network of the largest connected piece: the few best ways to put it together, best first.
    pub fn build(&self) -> Vec<Network> {
        let mut all: Vec<(usize, f64, Placed)> = Vec::new();
        for seed in self.seeds() {
            let mut start = Placed::empty(self);
            start.node[seed] = Some(Pose::claim(nalgebra::Isometry3::identity()));
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

    /// The adjusted network as this module sees it.
    fn placed(&self, state: &super::bundle::State, extent: &super::bundle::Extent) -> Placed {
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
    pub fn mirror_check(&mut self, state: &mut super::bundle::State, extent: &super::bundle::Extent) -> bool {
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
    pub fn alternatives(
        &self,
        state: &super::bundle::State,
        extent: &super::bundle::Extent,
    ) -> Vec<super::bundle::State> {
        let placed = self.placed(state, extent);
        let mut found: Vec<(f64, super::bundle::State)> = Vec::new();
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

    /// How much worse each instance's second pose fits in the adjusted network; `None` where it has no second.
    pub fn mirror_margins(&self, state: &super::bundle::State, extent: &super::bundle::Extent) -> Vec<Option<f64>> {
        let placed = self.placed(state, extent);
        let mut margins = vec![None; self.problem.instances.len()];
        for (n, node) in self.nodes.iter().enumerate() {
            if node.free_tag.is_none() && placed.node[n].is_some() {
                margins[node.instance] = match self.node_hypotheses(n, &placed).as_slice() {
                    [best, second, ..] => Some(second.1 - best.1),
                    _ => None,
                };
            }
        }
        margins
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

    /// Lets every photograph and node try all its hypotheses again, until none improves.
    fn settle(&self, state: &mut Placed) {
        for _ in 0..6 {
            let before = self.score(state).1;
            for photo in 0..self.of_photo.len() {
                if state.camera[photo].is_some()
                    && let Some((pose, _)) = self.photo_hypotheses(photo, state).first()
                {
                    state.camera[photo] = Some(*pose);
                }
            }
            for node in 0..self.nodes.len() {
                if state.node[node].is_some()
                    && let Some((pose, _)) = self.node_hypotheses(node, state).first()
                {
                    state.node[node] = Some(*pose);
                }
            }
            let after = self.score(state).1;
            if before - after < 1e-3 * before {
                return;
            }
        }
    }

    /// Number of sights explained and the summed loss over all sights between placed things.
    fn score(&self, state: &Placed) -> (usize, f64) {
        let mut explained = 0;
        let mut cost = 0.0;
        for sight in &self.sights {
            let (Some(camera), Some(node)) = (&state.camera[sight.photo], &state.node[sight.node]) else { continue };
            let camera_from_node = *camera * *node;
            for tag in &sight.tags {
                let in_camera = tag.corners_m.map(|c| (camera_from_node * Point::<Body>::claim(c)).coords);
                // A tag behind its camera is as wrong as can be.
                let d2 = residuals(self.lens(sight.photo), &in_camera, &tag.pixels)
                    .map_or(1e12, |(r, _)| r.norm_squared() / (LOSS.sigma_px * LOSS.sigma_px));
                cost += LOSS.at(d2).0;
                if d2 < 20.0 * LOSS.limit {
                    explained += 1;
                }
            }
        }
        (explained, cost)
    }

    fn photo_hypotheses(&self, photo: usize, state: &Placed) -> Vec<(Pose<Camera, World>, f64)> {
        let mut starts: Vec<Pose<Camera, World>> = state.camera[photo].into_iter().collect();
        let mut tags: Vec<SeenTag> = Vec::new();
        for &s in &self.of_photo[photo] {
            let sight = &self.sights[s];
            let Some(world_from_node) = &state.node[sight.node] else { continue };
            let node_from_world = world_from_node.inverse();
            starts.extend(sight.poses.iter().map(|camera_from_node| *camera_from_node * node_from_world));
            tags.extend(sight.tags.iter().map(|tag| SeenTag {
                corners_m: tag.corners_m.map(|c| (*world_from_node * Point::<Body>::claim(c)).coords),
                pixels: tag.pixels,
            }));
        }
        let found: Vec<ViewPose<World>> = distinct_poses(self.lens(photo), &starts, &tags, &LOSS);
        found.iter().map(|way| (way.camera_from_frame, way.cost)).collect()
    }

    fn node_hypotheses(&self, node: usize, state: &Placed) -> Vec<(Pose<World, Body>, f64)> {
        let placed: Vec<&Sight> =
            self.of_node[node].iter().map(|&s| &self.sights[s]).filter(|s| state.camera[s.photo].is_some()).collect();
        let mut starts: Vec<Pose<World, Body>> = state.node[node].into_iter().collect();
        for sight in &placed {
            if let Some(camera_from_world) = &state.camera[sight.photo] {
                let world_from_camera = camera_from_world.inverse();
                starts.extend(sight.poses.iter().map(|camera_from_node| world_from_camera * *camera_from_node));
            }
        }
        let mut ranked: Vec<(f64, Pose<World, Body>)> = starts
            .into_iter()
            .filter_map(|start| self.node_cost(&start, &placed, state).map(|cost| (cost, start)))
            .collect();
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut found: Vec<(Pose<World, Body>, f64)> = Vec::new();
        for (_, start) in ranked.iter().take(MAX_STARTS) {
            // Most starts lead to one of few places; those already close to a found one need no refining of their own.
            if found.iter().any(|(pose, _)| near(pose, start, 0.03)) {
                continue;
            }
            let Some((pose, cost)) = self.refine_node(start, &placed, state) else { continue };
            match found.iter_mut().find(|(other, _)| near(other, &pose, 2e-3)) {
                Some(twin) if cost < twin.1 => *twin = (pose, cost),
                Some(_) => {}
                None => found.push((pose, cost)),
            }
        }
        found.sort_by(|a, b| a.1.total_cmp(&b.1));
        found.truncate(2);
        found
    }

    /// Summed loss of a node at a pose, cameras held; `None` where it lies behind one.
    fn node_cost(&self, world_from_node: &Pose<World, Body>, placed: &[&Sight], state: &Placed) -> Option<f64> {
        let mut cost = 0.0;
        for sight in placed {
            let camera_from_node = state.camera[sight.photo]? * *world_from_node;
            for tag in &sight.tags {
                cost += tag_loss(self.lens(sight.photo), &camera_from_node, tag, &LOSS)?;
            }
        }
        Some(cost)
    }

    /// Refines a node's pose against all placed photographs that see it, cameras held.
    fn refine_node(
        &self,
        start: &Pose<World, Body>,
        placed: &[&Sight],
        state: &Placed,
    ) -> Option<(Pose<World, Body>, f64)> {
        let inverse_variance = 1.0 / (LOSS.sigma_px * LOSS.sigma_px);
        let (pose, at) = levenberg_marquardt(
            start,
            &FitOptions { max_iterations: 30, relative_gain: 1e-6 },
            |world_from_node: &Pose<World, Body>| {
                let mut sum = Linearised::<6>::zero();
                for sight in placed {
                    let camera_from_node = state.camera[sight.photo]? * *world_from_node;
                    let rotation = camera_from_node.rotation();
                    for tag in &sight.tags {
                        let in_camera = tag.corners_m.map(|c| (camera_from_node * Point::<Body>::claim(c)).coords);
                        let (r, d) = residuals(self.lens(sight.photo), &in_camera, &tag.pixels)?;
                        let (value, weight) = LOSS.at(r.norm_squared() * inverse_variance);
                        sum.cost += value;
                        for k in 0..4 {
                            let j = d[k] * right_step(&rotation, &tag.corners_m[k]);
                            sum.gradient += j.transpose() * r.fixed_rows::<2>(2 * k) * (weight * inverse_variance);
                            sum.normal += j.transpose() * j * (weight * inverse_variance);
                        }
                    }
                }
                Some(sum)
            },
            |pose, delta| pose.moved_right(delta),
        )?;
        pose.is_finite().then_some((pose, at.cost))
    }

    fn network(&self, state: &Placed) -> Network {
        let mut world_from_instance = vec![None; self.problem.instances.len()];
        for (node, pose) in self.nodes.iter().zip(&state.node) {
            if node.free_tag.is_none() {
                world_from_instance[node.instance] = *pose;
            }
        }
        let mut free_places = Vec::new();
        for (node, pose) in self.nodes.iter().zip(&state.node) {
            if let (Some(tag), Some(world_from_tag), Some(world_from_body)) =
                (node.free_tag, pose, &world_from_instance[node.instance])
            {
                // A free tag's node frame is the tag's own frame.
                let place = Pose::<Body, Tag>::claim(*(world_from_body.inverse() * *world_from_tag).iso());
                free_places.push((node.instance, tag, place));
            }
        }
        Network { camera_from_world: state.camera.clone(), world_from_instance, free_places }
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

fn near(a: &Pose<World, Body>, b: &Pose<World, Body>, limit: f64) -> bool {
    let (angle, distance) = a.difference(b);
    angle < limit && distance < limit
}

/// 3 × 6: d (T exp(δ) x) / d δ at δ = 0, for a rotation `T` takes to the camera.
pub(super) fn right_step(rotation: &Matrix3<f64>, x: &nalgebra::Vector3<f64>) -> Matrix3x6<f64> {
    let mut j = Matrix3x6::zeros();
    j.fixed_view_mut::<3, 3>(0, 0).copy_from(&(-rotation * skew(x)));
    j.fixed_view_mut::<3, 3>(0, 3).copy_from(rotation);
    j
}

/// Corners of a tag in its own frame; kept here so that both network and adjustment scale them the same way.
pub(super) fn scaled_corners(side_m: f64, scale_error: f64) -> [nalgebra::Vector3<f64>; 4] {
    tag_corners_m(side_m * (1.0 + scale_error))
}
