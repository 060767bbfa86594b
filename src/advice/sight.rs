//! What stands in the way: the car as its wheels suggest it, and the boards that carry tags. Both give way to what the photographs so far have seen past
//! them. Everything in the vehicle frame, m.

use crate::frames::{Pose, Tag, World};
use crate::scene::TrueTag;
use crate::scene::solid::{Material, Solid};
use nalgebra::{Isometry3, Matrix3, Rotation3, Translation3, UnitQuaternion, Vector3};

/// A car reaches this far behind its rear and ahead of its front axle; body and cabin: lowest and highest point. Common practice, no source.
const REAR_OVERHANG_M: f64 = 0.95;
const FRONT_OVERHANG_M: f64 = 0.85;
const BODY_M: [f64; 2] = [0.2, 0.95];
const CABIN_TOP_M: f64 = 1.45;
/// A car is this much wider than its track on each side. Common practice, no source.
const BESIDE_TRACK_M: f64 = 0.1;
/// A wheelbase where none is known. Common practice, no source.
const WHEELBASE_M: f64 = 2.7;
/// Tags this nearly in one plane are on one board: rad, m.
const SAME_BOARD: (f64, f64) = (0.1, 0.03);
/// Half the thickness of a board, and how far it lies behind its prints, m.
const BOARD_M: (f64, f64) = (0.003, 0.004);
/// Paper reaches this share of a tag's side from its middle.
const PAPER: f64 = crate::scene::scenery::PAPER_HALF_SHARE;

/// A box along the vehicle's axes.
#[derive(Clone, Copy, Debug)]
pub(super) struct Block {
    pub low: Vector3<f64>,
    pub high: Vector3<f64>,
}

impl Block {
    /// True within `margin` of it.
    pub fn holds(&self, p: &Vector3<f64>, margin: f64) -> bool {
        (0..3).all(|k| p[k] > self.low[k] - margin && p[k] < self.high[k] + margin)
    }

    fn solid(&self) -> Option<Solid> {
        let half = (self.high - self.low) / 2.0;
        let centre = (self.high + self.low) / 2.0;
        (half.min() > 0.01)
            .then(|| Solid::cuboid(&Isometry3::translation(centre.x, centre.y, centre.z), half, Material::CarPaint))
    }

    /// Gives way to a line of sight: the side that has to move least moves until the line passes outside.
    fn give_way(&mut self, from: &Vector3<f64>, to: &Vector3<f64>) {
        // The part of the line inside.
        let (mut enter, mut leave) = (0.0f64, 1.0f64);
        let along = to - from;
        for k in 0..3 {
            if along[k].abs() < 1e-9 {
                if from[k] <= self.low[k] || from[k] >= self.high[k] {
                    return;
                }
                continue;
            }
            let (a, b) = ((self.low[k] - from[k]) / along[k], (self.high[k] - from[k]) / along[k]);
            enter = enter.max(a.min(b));
            leave = leave.min(a.max(b));
        }
        if enter >= leave {
            return;
        }
        let (a, b) = (from + along * enter, from + along * leave);
        // (how far, axis, whether the low side, where to)
        let mut least = (f64::INFINITY, 0, true, 0.0);
        for k in 0..3 {
            let (low, high) = (a[k].min(b[k]), a[k].max(b[k]));
            // Under a car there is always air; it is not opened from below.
            if k != 2 && high - self.low[k] < least.0 {
                least = (high - self.low[k], k, true, high);
            }
            if self.high[k] - low < least.0 {
                least = (self.high[k] - low, k, false, low);
            }
        }
        let (_, k, is_low, to) = least;
        if is_low {
            self.low[k] = to.min(self.high[k]);
        } else {
            self.high[k] = to.max(self.low[k]);
        }
    }
}

/// The car's wheels as found.
pub(super) struct CarShape {
    pub track_m: f64,
    pub hub_height_m: f64,
    /// Measured or declared.
    pub wheelbase_m: Option<f64>,
    /// Where the nearest target ahead of the rear axle stands.
    pub target_x_m: Option<f64>,
}

/// Everything that hides.
pub(super) struct Obstacles {
    /// Lower body and cabin.
    pub car: [Block; 2],
    pub solids: Vec<Solid>,
}

/// A line along which a tag was seen.
pub(super) type Line = (Vector3<f64>, Vector3<f64>);

impl Obstacles {
    /// `seen`: lines from cameras to the tags they found.
    pub fn new(shape: &CarShape, tags: &[TrueTag], seen: &[Line]) -> Self {
        let wheelbase = shape.wheelbase_m.unwrap_or(WHEELBASE_M);
        let mut front = wheelbase + FRONT_OVERHANG_M;
        if let Some(x) = shape.target_x_m.filter(|x| *x > wheelbase) {
            front = front.min(x - 0.5);
        }
        let half = shape.track_m / 2.0 + BESIDE_TRACK_M;
        let mut car = [
            Block { low: Vector3::new(-REAR_OVERHANG_M, -half, BODY_M[0]), high: Vector3::new(front, half, BODY_M[1]) },
            Block {
                low: Vector3::new(-0.5, 0.1 - half, BODY_M[1]),
                high: Vector3::new(wheelbase - 0.8, half - 0.1, CABIN_TOP_M),
            },
        ];
        for (from, to) in seen {
            car.iter_mut().for_each(|block| block.give_way(from, to));
        }
        let mut solids: Vec<Solid> = car.iter().filter_map(Block::solid).collect();
        let radius = 0.9 * shape.hub_height_m;
        for x in [0.0, wheelbase] {
            for side in [-1.0, 1.0] {
                let hub = Vector3::new(x, side * (shape.track_m / 2.0 - 0.1), shape.hub_height_m);
                solids.push(Solid::rod(hub, hub + Vector3::new(0.0, side * 0.18, 0.0), radius, Material::Wheel));
            }
        }
        solids.extend(boards(tags, seen));
        Self { car, solids }
    }
}

/// The boards that carry tags: where several lie in one plane the rectangle around them, unless a tag was seen through it; else each tag's own paper.
fn boards(tags: &[TrueTag], seen: &[Line]) -> Vec<Solid> {
    let mut out = Vec::new();
    let mut done = vec![false; tags.len()];
    for k in 0..tags.len() {
        if done[k] {
            continue;
        }
        let normal = tags[k].world_from_tag.rotation().column(2).into_owned();
        let at = tags[k].world_from_tag.translation();
        let same = |other: &TrueTag| {
            let n = other.world_from_tag.rotation().column(2).into_owned();
            other.body == tags[k].body
                && n.angle(&normal) < SAME_BOARD.0
                && normal.dot(&(other.world_from_tag.translation() - at)).abs() < SAME_BOARD.1
        };
        let group: Vec<usize> = (k..tags.len()).filter(|i| !done[*i] && same(&tags[*i])).collect();
        group.iter().for_each(|i| done[*i] = true);
        let whole = board(&group.iter().map(|i| &tags[*i]).collect::<Vec<_>>());
        // Lines stop a little before the print they lead to.
        let open = seen.iter().any(|(from, to)| whole.hit(from, &((to - from) * 0.97), 1.0).is_some());
        if group.len() > 1 && open {
            out.extend(group.iter().map(|i| board(&[&tags[*i]])));
        } else {
            out.push(whole);
        }
    }
    out
}

/// A thin box just behind the prints, as large as their paper, along the first one's sides.
fn board(tags: &[&TrueTag]) -> Solid {
    let frame: &Pose<World, Tag> = &tags[0].world_from_tag;
    let (mut low, mut high) = ([f64::INFINITY; 2], [f64::NEG_INFINITY; 2]);
    for tag in tags {
        let reach = PAPER * tag.side_m;
        for [x, y] in [[-reach, -reach], [reach, -reach], [reach, reach], [-reach, reach]] {
            let corner = tag.world_from_tag.iso() * nalgebra::Point3::new(x, y, 0.0);
            let in_frame = frame.iso().inverse() * corner;
            for axis in 0..2 {
                low[axis] = low[axis].min(in_frame[axis]);
                high[axis] = high[axis].max(in_frame[axis]);
            }
        }
    }
    let centre = Vector3::new((low[0] + high[0]) / 2.0, (low[1] + high[1]) / 2.0, -BOARD_M.1);
    let place = frame.iso() * Isometry3::from_parts(Translation3::from(centre), UnitQuaternion::identity());
    Solid::cuboid(&place, Vector3::new((high[0] - low[0]) / 2.0, (high[1] - low[1]) / 2.0, BOARD_M.0), Material::Board)
}

/// A camera at `eye` (vehicle frame, z up) that looks at `at`, held level or upright.
pub(super) fn camera(eye: Vector3<f64>, at: Vector3<f64>, upright: bool) -> Pose<crate::frames::Camera, World> {
    let z = (at - eye).try_normalize(1e-9).unwrap_or_else(Vector3::x);
    let x = z.cross(&Vector3::z()).try_normalize(1e-6).unwrap_or_else(|| -Vector3::y());
    let level = Matrix3::from_columns(&[x, z.cross(&x), z]);
    let turn = if upright { std::f64::consts::FRAC_PI_2 } else { 0.0 };
    let turned = level * Rotation3::from_axis_angle(&Vector3::z_axis(), turn).matrix();
    Pose::<World, crate::frames::Camera>::claim_matrix(&turned, eye).inverse()
}
