//! Places from which a person can take a photograph, and what it would show. Everything in the vehicle frame, which serves as the world here as it does in
//! a made bay, m.

use super::AdviceInput;
use super::sight::{CarShape, Line, Obstacles, camera};
use crate::frames::{Camera, Pose, Vehicle, World};
use crate::scene::TrueTag;
use crate::scene::cameras::Viewer;
use crate::survey::{ExpectedCorners, StandingTag};
use crate::vehicle::Corner;
use crate::verdict::StationResult;
use nalgebra::{SMatrix, Vector2, Vector3};

/// Heights at which a camera is held, from crouching to arms raised, m.
pub(super) const HEIGHTS_M: [f64; 4] = [0.45, 1.0, 1.55, 2.0];
/// A camera is not held lower or higher than this, m.
const REACH_M: [f64; 2] = [0.3, 2.0];
/// Places in plan, about; and the bounds of the distance between them, m.
const PLACES: f64 = 60.0;
const STEP_M: [f64; 2] = [0.5, 1.2];
/// People walk this far beyond where bodies stand and photographs were taken from, m. Common practice, no source.
const BEYOND_M: f64 = 0.4;
/// Nobody holds a camera nearer than this to a tag, or to the car, m.
const NEAREST_TAG_M: f64 = 0.45;
const BESIDE_CAR_M: f64 = 0.2;
/// Nobody aims exactly: tags nearer to the picture's edge than this share of its width are not counted on. Common practice, no source.
const AIM_MARGIN: f64 = 0.05;
/// Nor does anybody stand exactly: a tag counts only where it is to be seen from this far to each side as well, m. Common practice, no source.
const STAND_MARGIN_M: f64 = 0.08;
/// Directions to look in that are tried from each place.
const AIMS: usize = 3;

/// A tag with its corners' covariance, px².
type PlannedTag<'a> = (&'a StandingTag, SMatrix<f64, 8, 8>);

/// One way to take a photograph.
#[derive(Clone, Debug)]
pub(super) struct Candidate {
    pub eye: Vector3<f64>,
    pub at: Vector3<f64>,
    pub upright: bool,
    /// Tags it shows (index), each with its corners' covariance.
    shown: Vec<(usize, SMatrix<f64, 8, 8>)>,
}

impl Candidate {
    /// Direction of view, length 1.
    pub fn looking(&self) -> Vector3<f64> {
        (self.at - self.eye).normalize()
    }
}

/// The bay as far as a photographer is concerned.
pub(super) struct Ground<'a> {
    lens: &'a crate::camera::Lens,
    expected: ExpectedCorners,
    standing: Vec<StandingTag>,
    tags: Vec<TrueTag>,
    obstacles: Obstacles,
    vehicle_from_world: Pose<Vehicle, World>,
    /// Bounds in plan.
    low: [f64; 2],
    high: [f64; 2],
}

impl<'a> Ground<'a> {
    /// `None` where there is nothing to photograph.
    pub fn new(about: &AdviceInput<'a>, station: &StationResult, lens: usize) -> Option<Self> {
        let survey = about.survey;
        let present: Vec<usize> = (0..survey.bodies.len())
            .filter(|b| {
                let body = &survey.bodies[*b];
                body.hold.is_none()
                    && body.station.is_none_or(|s| s == station.station)
                    && body.position.is_none_or(|p| Some(p) == about.judged)
            })
            .collect();
        let standing = survey.standing_tags(about.input, &present);
        let vehicle_from_world = about.assessment.vehicle.world_from_vehicle.inverse();
        let in_vehicle = |p: Vector3<f64>| (vehicle_from_world * crate::frames::Point::<World>::claim(p)).coords;
        let tags: Vec<TrueTag> = standing
            .iter()
            .map(|tag| TrueTag {
                body: tag.body,
                tag: tag.tag,
                id: tag.id,
                side_m: tag.sides_m[0],
                stretch: [1.0, tag.sides_m[1] / tag.sides_m[0]],
                body_from_tag: Pose::coincident(),
                world_from_tag: Pose::claim(*(vehicle_from_world * tag.world_from_tag).iso()),
            })
            .collect();
        let eyes: Vec<(usize, Vector3<f64>)> =
            survey.photos.iter().map(|p| (p.photo, in_vehicle(p.camera_from_world.inverse().translation()))).collect();
        // Of a rolled car, only lines from where it stands now say what it leaves open.
        let now = |photo: usize| about.judged.is_none_or(|judged| about.input.photos[photo].position == judged);
        let seen: Vec<Line> = survey
            .views
            .iter()
            .filter(|v| v.used && now(v.photo))
            .filter_map(|v| {
                let (_, eye) = eyes.iter().find(|(photo, _)| *photo == v.photo)?;
                let tag = tags.iter().find(|t| t.body == v.body && t.id == v.id)?;
                Some((*eye, tag.world_from_tag.translation()))
            })
            .collect();
        let plan = tags.iter().map(|t| t.world_from_tag.translation()).chain(eyes.iter().map(|(_, e)| *e));
        let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
        for p in plan {
            for k in 0..2 {
                low[k] = low[k].min(p[k] - BEYOND_M);
                high[k] = high[k].max(p[k] + BEYOND_M);
            }
        }
        if tags.is_empty() || !low.iter().chain(&high).all(|v| v.is_finite()) {
            return None;
        }
        let obstacles = Obstacles::new(&car_shape(about, station), &tags, &seen);
        let expected = survey.expected_corners(about.input);
        let lens = &survey.lenses[lens];
        Some(Self { lens, expected, standing, tags, obstacles, vehicle_from_world, low, high })
    }

    /// Distance between neighbouring places of the first round, m.
    pub fn step_m(&self) -> f64 {
        let area = (self.high[0] - self.low[0]) * (self.high[1] - self.low[1]);
        (area / PLACES).sqrt().clamp(STEP_M[0], STEP_M[1])
    }

    fn reachable(&self, eye: &Vector3<f64>) -> bool {
        (0..2).all(|k| (self.low[k]..=self.high[k]).contains(&eye[k]))
            && (REACH_M[0]..=REACH_M[1]).contains(&eye.z)
            // Whoever holds the camera stands beside the car, not over or under it.
            && !self.obstacles.car.iter().any(|block| block.holds(&Vector3::new(eye.x, eye.y, (block.low.z + block.high.z) / 2.0), BESIDE_CAR_M))
            && self.tags.iter().all(|t| (t.world_from_tag.translation() - eye).norm() > NEAREST_TAG_M)
    }

    /// The first round: places all around, each with the directions that show most.
    pub fn candidates(&self) -> Vec<Candidate> {
        let viewer = Viewer::new(self.lens, &self.obstacles.solids);
        let step = self.step_m();
        let mut out = Vec::new();
        let count = |k: usize| ((self.high[k] - self.low[k]) / step).ceil().max(1.0) as usize;
        let (nx, ny) = (count(0), count(1));
        for ix in 0..=nx {
            for iy in 0..=ny {
                for height in HEIGHTS_M {
                    let share =
                        |i: usize, n: usize, k: usize| self.low[k] + (self.high[k] - self.low[k]) * i as f64 / n as f64;
                    let eye = Vector3::new(share(ix, nx, 0), share(iy, ny, 1), height);
                    if self.reachable(&eye) {
                        out.extend(self.from(&viewer, eye, None));
                    }
                }
            }
        }
        out
    }

    /// The candidate itself turned, and places a step beside, above and below it.
    pub fn near(&self, centre: &Candidate, step: f64) -> Vec<Candidate> {
        let viewer = Viewer::new(self.lens, &self.obstacles.solids);
        let mut out = Vec::new();
        for by in [
            [0.0; 3],
            [step, 0.0, 0.0],
            [-step, 0.0, 0.0],
            [0.0, step, 0.0],
            [0.0, -step, 0.0],
            [0.0, 0.0, 0.6 * step],
            [0.0, 0.0, -0.6 * step],
        ] {
            let eye = centre.eye + Vector3::from(by);
            if self.reachable(&eye) {
                out.extend(self.from(&viewer, eye, Some(centre)));
            }
        }
        out
    }

    /// Corners of a tag that is in the picture, not too near to its edge.
    fn safely_in(&self, viewer: &Viewer, pose: &Pose<Camera, World>, tag: usize) -> Option<[Vector2<f64>; 4]> {
        let corners = viewer.in_picture(pose, &self.tags[tag])?;
        let (w, h) = (self.lens.width as f64, self.lens.height as f64);
        let margin = AIM_MARGIN * w;
        let inside = |c: &Vector2<f64>| c.x > margin && c.y > margin && c.x < w - margin && c.y < h - margin;
        corners.iter().all(inside).then_some(corners)
    }

    /// The best few ways to look from a place; `beside`: a candidate whose aim (and its quarter turn) is tried as well.
    fn from(&self, viewer: &Viewer, eye: Vector3<f64>, beside: Option<&Candidate>) -> Vec<Candidate> {
        let open: Vec<usize> = (0..self.tags.len()).filter(|t| plainly_open(viewer, &eye, &self.tags[*t])).collect();
        if open.len() < 2 {
            return Vec::new();
        }
        let mut bodies: Vec<usize> = open.iter().map(|t| self.tags[*t].body).collect();
        bodies.sort_unstable();
        bodies.dedup();
        let towards: Vec<Vector3<f64>> = bodies
            .iter()
            .map(|b| {
                let of: Vec<Vector3<f64>> = open
                    .iter()
                    .filter(|t| self.tags[**t].body == *b)
                    .map(|t| self.tags[*t].world_from_tag.translation())
                    .collect();
                let middle = of.iter().sum::<Vector3<f64>>() / of.len() as f64;
                (middle - eye).normalize()
            })
            .collect();
        let mut aims = towards.clone();
        for i in 0..towards.len() {
            for j in i + 1..towards.len() {
                if towards[i].dot(&towards[j]) > 0.2 {
                    aims.push((towards[i] + towards[j]).normalize());
                }
            }
        }
        let framed: Vec<(Vector3<f64>, Vec<usize>)> = aims
            .into_iter()
            .map(|aim| {
                let pose = camera(eye, eye + aim, false);
                let shown = open.iter().copied().filter(|t| self.safely_in(viewer, &pose, *t).is_some());
                (aim, shown.collect())
            })
            .collect();
        let mut covered = vec![false; self.tags.len()];
        let mut chosen: Vec<(Vector3<f64>, bool)> = Vec::new();
        for _ in 0..AIMS {
            // A new body counts more than another tag of one that is in already.
            let worth = |shown: &[usize]| -> f64 {
                let mut of: Vec<usize> = shown.iter().map(|t| self.tags[*t].body).collect();
                of.sort_unstable();
                of.dedup();
                let fresh = shown.iter().filter(|t| !covered[**t]).count();
                if fresh == 0 { 0.0 } else { of.len() as f64 + 0.2 * shown.len() as f64 + fresh as f64 }
            };
            let best = framed.iter().map(|(aim, shown)| (worth(shown), aim, shown)).max_by(|a, b| a.0.total_cmp(&b.0));
            let Some((_, aim, shown)) = best.filter(|(worth, _, _)| *worth > 0.0) else { break };
            chosen.push((*aim, false));
            shown.iter().for_each(|t| covered[*t] = true);
        }
        if let Some(centre) = beside {
            let aim = (centre.at - eye).normalize();
            chosen.extend([(aim, centre.upright), (aim, !centre.upright)]);
        }
        chosen
            .into_iter()
            .filter_map(|(aim, upright)| {
                let at = eye + aim;
                let pose = camera(eye, at, upright);
                let shown: Vec<_> = open
                    .iter()
                    .filter_map(|t| Some((*t, self.expected.of(&self.safely_in(viewer, &pose, *t)?)?)))
                    .collect();
                let first = self.tags[shown.first()?.0].body;
                let two = shown.iter().any(|(t, _)| self.tags[*t].body != first);
                two.then_some(Candidate { eye, at, upright, shown })
            })
            .collect()
    }

    /// A candidate in the survey's words.
    pub fn planned(&self, c: &Candidate) -> (Pose<Camera, World>, Vec<PlannedTag<'_>>) {
        let camera_from_vehicle = camera(c.eye, c.at, c.upright);
        let camera_from_world = Pose::claim(camera_from_vehicle.iso() * self.vehicle_from_world.iso());
        (camera_from_world, c.shown.iter().map(|(t, cov)| (&self.standing[*t], *cov)).collect())
    }

    /// The bodies (indices into the survey's) that it shows, those nearest to the middle of the picture first.
    pub fn bodies(&self, c: &Candidate) -> Vec<usize> {
        let looking = c.looking();
        let aside = |t: usize| looking.angle(&(self.tags[t].world_from_tag.translation() - c.eye));
        let mut tags: Vec<usize> = c.shown.iter().map(|(t, _)| *t).collect();
        tags.sort_by(|a, b| aside(*a).total_cmp(&aside(*b)));
        let mut out: Vec<usize> = Vec::new();
        for t in tags {
            if !out.contains(&self.tags[t].body) {
                out.push(self.tags[t].body);
            }
        }
        out
    }

    /// Ids of the tags that it shows.
    pub fn ids(&self, c: &Candidate) -> Vec<u16> {
        c.shown.iter().map(|(t, _)| self.tags[*t].id).collect()
    }

    /// The same photograph with one body (index into the survey's) not in it.
    pub fn without(&self, c: &Candidate, body: usize) -> Candidate {
        let shown = c.shown.iter().filter(|(t, _)| self.tags[*t].body != body).copied().collect();
        Candidate { shown, ..c.clone() }
    }

    /// Where the car ends in front.
    pub fn front_x_m(&self) -> f64 {
        self.obstacles.car[0].high.x
    }
}

/// True where a tag is to be seen from an eye and from a little to each side of it.
fn plainly_open(viewer: &Viewer, eye: &Vector3<f64>, tag: &TrueTag) -> bool {
    let open = |eye: &Vector3<f64>| viewer.faces(eye, tag) && viewer.open_to(eye, tag);
    let sight = tag.world_from_tag.translation() - eye;
    let aside = sight.cross(&Vector3::z()).try_normalize(1e-6).unwrap_or_else(Vector3::x) * STAND_MARGIN_M;
    let above = sight.cross(&aside).normalize() * STAND_MARGIN_M;
    open(eye) && [aside, -aside, above, -above].iter().all(|off| open(&(eye + off)))
}

fn car_shape(about: &AdviceInput, station: &StationResult) -> CarShape {
    let vehicle = &about.assessment.vehicle;
    let rear = vehicle.wheels.iter().filter(|w| matches!(w.corner, Corner::RearLeft | Corner::RearRight));
    let heights: Vec<f64> = rear.map(|w| w.hub.coords.z).collect();
    let declared = about.vehicle.wheelbase.map(|w| w.value_m);
    let x = station.vehicle_from_target.translation().x;
    CarShape {
        track_m: vehicle.rear_track.value,
        hub_height_m: heights.iter().sum::<f64>() / heights.len().max(1) as f64,
        wheelbase_m: vehicle.wheelbase.map(|w| w.value).or(declared),
        target_x_m: (x > 0.0).then_some(x),
    }
}
