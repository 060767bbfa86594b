//! The first network: from single planar poses, each with its mirror solution, to one place for every photograph and body.
//!
//! This file holds what is known of single views and what a pose explains; `grow` puts the network together, `mirrors` turns it over again.
//!
//! Growth is best first: of all photographs and bodies that touch what is already placed, the one whose best hypothesis stands clearest
//! above its second is placed next; where it does not stand clear, both are followed until later views decide. Nothing is final: once everything is placed, every photograph and every body tries all its hypotheses again
//! against the whole network, until none changes. Several seeds are grown, and the network that explains the views best is kept.

use super::grow::Ways;
use super::pieces::{each, in_pieces};
use super::problem::{Problem, seen_tag};
use crate::camera::Lens;
use crate::fit::{FitOptions, Linearised, levenberg_marquardt};
use crate::frames::{Body, Camera, Point, Pose, Tag, World, skew};
use crate::pose::{MAX_STARTS, SeenTag, ViewLoss, ViewPose, distinct_poses, planar_poses, residuals, tag_d2, tag_loss};
use nalgebra::{Matrix3, Matrix3x6};

/// Corner noise assumed while the network is only being put together, and the d² at which a view starts to count less.
const LOSS: ViewLoss = ViewLoss { sigma_px: 0.5, limit: 60.0 };

/// Sights from which a pose is started at most, and those by which starts are compared: with more, nearly all would lead to the same few poses, at a cost that
/// grows with the square of their number.
const MOST_STARTING: usize = 24;
const MOST_JUDGES: usize = 32;

/// Things that are worth a piece of work of their own.
pub(super) const FEW: usize = 12;

/// What moves as one while the network is built: a body's tags of known place, or one tag of unknown place.
#[derive(Clone, Debug)]
pub(super) struct Node {
    pub instance: usize,
    /// The free tag, where the node is one.
    pub free_tag: Option<usize>,
}

/// One node seen in one photograph.
#[derive(Clone, Debug)]
pub(super) struct Sight {
    pub photo: usize,
    pub node: usize,
    pub tags: Vec<SeenTag>,
    /// Up to two poses, best first.
    pub poses: Vec<Pose<Camera, Body>>,
    /// Area of its largest tag in the image, px².
    pub largest_px2: f64,
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
    // By sight and tag: where the tag sits on the node, and its side.
    let mut places: Vec<Vec<(Pose<Body, Tag>, f64)>> = Vec::new();
    for views in &problem.views_of_photo {
        let first = sights.len();
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
                Some(k) => first + k,
                None => {
                    sights.push(Sight {
                        photo: view.photo,
                        node,
                        tags: Vec::new(),
                        poses: Vec::new(),
                        largest_px2: 0.0,
                    });
                    places.push(Vec::new());
                    sights.len() - 1
                }
            };
            let node_from_tag: Pose<Body, Tag> = place.unwrap_or_else(Pose::coincident);
            let side_m = problem.side_m(view);
            let corners = &view.seen.corners;
            let area_px2 = 0.5 * (corners[2] - corners[0]).perp(&(corners[3] - corners[1])).abs();
            sights[at].tags.push(seen_tag(&node_from_tag, side_m, corners));
            sights[at].largest_px2 = sights[at].largest_px2.max(area_px2);
            places[at].push((node_from_tag, side_m));
        }
    }
    let poses = each(sights.len(), 100, |s| {
        let sight = &sights[s];
        let lens = &lenses[problem.input.photos[sight.photo].lens];
        // Closed-form poses of the node that single tags suggest.
        let of_tag = |((node_from_tag, side_m), tag): (&(Pose<Body, Tag>, f64), &SeenTag)| {
            let tag_from_node = node_from_tag.inverse();
            planar_poses(lens, *side_m, &tag.pixels)
                .into_iter()
                .map(move |camera_from_tag| camera_from_tag * tag_from_node)
        };
        let starts: Vec<Pose<Camera, Body>> = places[s].iter().zip(&sight.tags).flat_map(of_tag).collect();
        distinct_poses(lens, &starts, &sight.tags, &LOSS).iter().map(|found| found.camera_from_frame).collect()
    });
    for (sight, poses) in sights.iter_mut().zip(poses) {
        sight.poses = poses;
    }
    sights.retain(|s| !s.poses.is_empty());
    (nodes, sights)
}

/// Those of some sights from which a pose is started: the ones whose tags are largest in the image, in their order.
fn largest<'a>(sights: &[&'a Sight]) -> Vec<&'a Sight> {
    let mut areas: Vec<f64> = sights.iter().map(|s| s.largest_px2).collect();
    areas.sort_by(|a, b| b.total_cmp(a));
    let least = areas.get(MOST_STARTING - 1).copied().unwrap_or(0.0);
    sights.iter().copied().filter(|s| s.largest_px2 >= least).collect()
}

/// The fixed facts of network building.
pub(super) struct Board<'a> {
    pub(super) problem: &'a Problem<'a>,
    /// The lenses as far as they are known by now.
    pub(super) lenses: Vec<Lens>,
    pub(super) nodes: Vec<Node>,
    pub(super) sights: Vec<Sight>,
    pub(super) of_photo: Vec<Vec<usize>>,
    pub(super) of_node: Vec<Vec<usize>>,
}

/// One way of placing what is placed so far.
#[derive(Clone, Debug)]
pub(super) struct Placed {
    pub camera: Vec<Option<Pose<Camera, World>>>,
    pub node: Vec<Option<Pose<World, Body>>>,
    /// Summed loss at the time each thing was placed.
    pub cost: f64,
    /// Hypotheses already worked out, by photograph and by node, with the support they were worked out at.
    pub photo_ways: Vec<Option<Ways<Pose<Camera, World>>>>,
    pub node_ways: Vec<Option<Ways<Pose<World, Body>>>>,
}

impl Placed {
    pub fn empty(board: &Board) -> Self {
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

impl<'a> Board<'a> {
    /// What the views say with these lenses.
    pub fn new(problem: &'a Problem<'a>, lenses: Vec<Lens>) -> Self {
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

    /// Lets every photograph and node try all its hypotheses again, until none improves.
    pub(super) fn settle(&self, state: &mut Placed) {
        for _ in 0..6 {
            let before = self.score(state).1;
            // Photographs hang on nodes alone and nodes on photographs alone: the order within each does not matter.
            let placed = |pose: &Pose<Camera, World>, photo| {
                self.photo_hypotheses(photo, state).first().map_or(*pose, |(best, _)| *best)
            };
            state.camera = each(self.of_photo.len(), FEW, |p| state.camera[p].as_ref().map(|pose| placed(pose, p)));
            let placed = |pose: &Pose<World, Body>, node| {
                self.node_hypotheses(node, state).first().map_or(*pose, |(best, _)| *best)
            };
            state.node = each(self.nodes.len(), FEW, |n| state.node[n].as_ref().map(|pose| placed(pose, n)));
            let after = self.score(state).1;
            if before - after < 1e-3 * before {
                return;
            }
        }
    }

    /// Number of sights explained and the summed loss over all sights between placed things.
    pub(super) fn score(&self, state: &Placed) -> (usize, f64) {
        let pieces = in_pieces(self.sights.len(), 500, |piece| {
            let mut explained = 0;
            let mut cost = 0.0;
            for sight in &self.sights[piece] {
                let (Some(camera), Some(node)) = (&state.camera[sight.photo], &state.node[sight.node]) else {
                    continue;
                };
                let camera_from_node = *camera * *node;
                for tag in &sight.tags {
                    // A tag behind its camera is as wrong as can be.
                    let d2 = tag_d2(self.lens(sight.photo), &camera_from_node, tag)
                        .map_or(1e12, |d2| d2 / (LOSS.sigma_px * LOSS.sigma_px));
                    cost += LOSS.at(d2).0;
                    if d2 < 20.0 * LOSS.limit {
                        explained += 1;
                    }
                }
            }
            (explained, cost)
        });
        pieces.into_iter().fold((0, 0.0), |(n, sum), (explained, cost)| (n + explained, sum + cost))
    }

    pub(super) fn photo_hypotheses(&self, photo: usize, state: &Placed) -> Vec<(Pose<Camera, World>, f64)> {
        let mut starts: Vec<Pose<Camera, World>> = state.camera[photo].into_iter().collect();
        let mut tags: Vec<SeenTag> = Vec::new();
        let sights = self.of_photo[photo].iter().map(|&s| &self.sights[s]).filter(|s| state.node[s.node].is_some());
        let sights: Vec<&Sight> = sights.collect();
        for sight in largest(&sights) {
            let Some(node_from_world) = state.node[sight.node].as_ref().map(Pose::inverse) else { continue };
            starts.extend(sight.poses.iter().map(|camera_from_node| *camera_from_node * node_from_world));
        }
        for sight in sights {
            let Some(world_from_node) = &state.node[sight.node] else { continue };
            tags.extend(sight.tags.iter().map(|tag| SeenTag {
                corners_m: tag.corners_m.map(|c| (*world_from_node * Point::<Body>::claim(c)).coords),
                pixels: tag.pixels,
            }));
        }
        let found: Vec<ViewPose<World>> = distinct_poses(self.lens(photo), &starts, &tags, &LOSS);
        found.iter().map(|way| (way.camera_from_frame, way.cost)).collect()
    }

    pub(super) fn node_hypotheses(&self, node: usize, state: &Placed) -> Vec<(Pose<World, Body>, f64)> {
        let placed: Vec<&Sight> =
            self.of_node[node].iter().map(|&s| &self.sights[s]).filter(|s| state.camera[s.photo].is_some()).collect();
        let mut starts: Vec<Pose<World, Body>> = state.node[node].into_iter().collect();
        for sight in largest(&placed) {
            if let Some(camera_from_world) = &state.camera[sight.photo] {
                let world_from_camera = camera_from_world.inverse();
                starts.extend(sight.poses.iter().map(|camera_from_node| world_from_camera * *camera_from_node));
            }
        }
        let judges: Vec<&Sight> = placed.iter().step_by(placed.len().div_ceil(MOST_JUDGES).max(1)).copied().collect();
        let mut ranked: Vec<(f64, Pose<World, Body>)> = starts
            .into_iter()
            .filter_map(|start| self.node_cost(&start, &judges, state).map(|cost| (cost, start)))
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
                        for (k, by_point) in d.iter().enumerate() {
                            let j = by_point * right_step(&rotation, &tag.corners_m[k]);
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

    pub(super) fn network(&self, state: &Placed) -> Network {
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
