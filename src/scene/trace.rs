//! What a line of sight meets in a made bay, and how much light comes back along it.

use crate::frames::{Camera, Pose, World};
use crate::scene::Bay;
use crate::scene::draw::scramble;
use crate::scene::layout::TrueTag;
use crate::scene::paint::{INK, Look, PAPER, Painter};
use crate::scene::scenery::{PAPER_HALF_SHARE, Room, paper_corners, room};
use crate::scene::solid::Solid;
use crate::tags::family;
use nalgebra::Vector3;

/// A printed tag on its white paper.
#[derive(Clone, Copy, Debug)]
struct Paper {
    centre: Vector3<f64>,
    right: Vector3<f64>,
    up: Vector3<f64>,
    normal: Vector3<f64>,
    hull: [Vector3<f64>; 4],
    half: f64,
    sides: [f64; 2],
    cells: family::Cells,
}

impl Paper {
    /// `None` for an id that is not in the family.
    fn new(tag: &TrueTag) -> Option<Self> {
        let rotation = tag.world_from_tag.rotation();
        Some(Self {
            centre: tag.world_from_tag.translation(),
            right: rotation.column(0).into_owned(),
            up: rotation.column(1).into_owned(),
            normal: rotation.column(2).into_owned(),
            hull: paper_corners(tag),
            half: tag.side_m * PAPER_HALF_SHARE,
            sides: tag.sides_m(),
            cells: family::cells_of(tag.id)?,
        })
    }

    /// Whether the point (x to the right, y up, from the centre, m) is printed black.
    fn is_ink(&self, x: f64, y: f64) -> bool {
        let n = family::CELLS as f64;
        let (column, row) = ((x / self.sides[0] + 0.5) * n, (0.5 - y / self.sides[1]) * n);
        if column < 0.0 || row < 0.0 || column >= n || row >= n {
            return false;
        }
        (self.cells >> (8 * row as u32 + column as u32)) & 1 == 0
    }
}

/// Which things a bundle of lines of sight can meet at all.
#[derive(Clone, Debug, Default)]
pub struct Candidates {
    solids: Vec<u16>,
    papers: Vec<u16>,
}

impl Candidates {
    /// Whether a tag is among them.
    pub fn holds_tags(&self) -> bool {
        !self.papers.is_empty()
    }
}

/// What a line of sight meets.
#[derive(Clone, Copy, Debug)]
pub struct Meeting {
    /// Thing and face: light falls on it evenly, at the scale of a pixel.
    pub surface: u32,
    /// Thing, face and part: one part of one colour.
    pub region: u32,
    /// Where, world, m.
    pub point: Vector3<f64>,
    /// Unit normal there.
    pub normal: Vector3<f64>,
    /// What it looks like.
    pub look: Look,
}

/// Light at a point of a surface.
#[derive(Clone, Copy, Debug)]
pub struct Light {
    /// Falls in.
    pub falling: f32,
    /// Comes from where the surface would mirror the line of sight to, times how much a polished surface mirrors at this angle.
    pub mirrored: f32,
}

/// Six planes around everything, then solid things, then papers.
const FIRST_SOLID: u32 = 6;

/// A bay, ready to be looked at.
pub struct Stage<'a> {
    solids: &'a [Solid],
    papers: Vec<Paper>,
    painter: Painter,
    room: Room,
    lamps: Vec<(Vector3<f64>, f64)>,
    lamp_share: f64,
}

/// Height of the ceiling, m.
const CEILING: f64 = 3.4;

impl<'a> Stage<'a> {
    /// Sets the stage. `lamp_share` is the share of the light that comes from the lamps and not evenly from all around (0 to 1).
    pub fn new(bay: &'a Bay, lamp_share: f64) -> Self {
        let room = room(&bay.layout);
        // Two rows of tubes along the bay; no two are equally bright.
        let mut lamps = Vec::new();
        for (row, y) in [2.3, -2.6].into_iter().enumerate() {
            for k in 0..4u64 {
                let random = (scramble(bay.options.seed ^ (k + 10 * row as u64)) >> 11) as f64 / (1u64 << 53) as f64;
                let x = -2.2 + 2.4 * k as f64;
                lamps.push((Vector3::new(x, y, CEILING - 0.1), 0.8 + 0.4 * random));
            }
        }
        Self {
            solids: &bay.solids,
            papers: bay.layout.tags.iter().filter_map(Paper::new).collect(),
            painter: Painter::new(&bay.options, &bay.layout, room),
            room,
            lamps,
            lamp_share,
        }
    }

    /// What lines of sight from `eye` can meet that lie within the pyramid of these four directions (in order around it).
    pub fn candidates(&self, eye: &Vector3<f64>, pyramid: &[Vector3<f64>; 4]) -> Candidates {
        let inside = pyramid.iter().sum::<Vector3<f64>>();
        let outward: [Vector3<f64>; 4] = std::array::from_fn(|k| {
            let normal = pyramid[k].cross(&pyramid[(k + 1) % 4]);
            if normal.dot(&inside) > 0.0 { -normal } else { normal }
        });
        // A thing that lies outside of one side of the pyramid as a whole cannot be met.
        let may_meet = |hull: &[Vector3<f64>]| outward.iter().all(|n| hull.iter().any(|p| n.dot(&(p - eye)) <= 0.0));
        let index = |keep: &dyn Fn(usize) -> bool, n: usize| (0..n).filter(|&k| keep(k)).map(|k| k as u16).collect();
        Candidates {
            solids: index(&|k| may_meet(&self.solids[k].hull), self.solids.len()),
            papers: index(&|k| may_meet(&self.papers[k].hull), self.papers.len()),
        }
    }

    /// Every thing as a candidate.
    pub fn everything(&self) -> Candidates {
        Candidates { solids: (0..self.solids.len() as u16).collect(), papers: (0..self.papers.len() as u16).collect() }
    }

    /// What the line of sight from `eye` along `direction` meets first.
    pub fn meet(&self, eye: &Vector3<f64>, direction: &Vector3<f64>, candidates: &Candidates) -> Meeting {
        let (mut t, mut plane) = self.meet_room(eye, direction);
        let mut solid = None;
        for &k in &candidates.solids {
            if let Some(hit) = self.solids[usize::from(k)].hit(eye, direction, t) {
                t = hit.t;
                solid = Some((k, hit));
            }
        }
        let mut paper = None;
        for &k in &candidates.papers {
            let p = &self.papers[usize::from(k)];
            let rate = p.normal.dot(direction);
            if rate >= 0.0 {
                continue;
            }
            let at = p.normal.dot(&(p.centre - eye)) / rate;
            if at <= 0.0 || at >= t {
                continue;
            }
            let from_centre = eye + direction * at - p.centre;
            let (x, y) = (p.right.dot(&from_centre), p.up.dot(&from_centre));
            if x.abs() <= p.half && y.abs() <= p.half {
                t = at;
                paper = Some((k, x, y));
            }
        }
        let point = eye + direction * t;
        let (thing, face, normal, look) = if let Some((k, x, y)) = paper {
            let p = &self.papers[usize::from(k)];
            let ink = p.is_ink(x, y);
            let look = Look { reflectance: if ink { INK } else { PAPER }, gloss: 0.0, part: u8::from(ink) };
            (FIRST_SOLID + self.solids.len() as u32 + u32::from(k), 0, p.normal, look)
        } else if let Some((k, hit)) = solid {
            let look = self.painter.solid(self.solids[usize::from(k)].material, &hit, &point);
            (FIRST_SOLID + u32::from(k), u32::from(hit.face), hit.normal, look)
        } else {
            plane = plane.min(5);
            let mut normal = Vector3::zeros();
            normal[2 - plane / 2] = if plane % 2 == 0 { 1.0 } else { -1.0 };
            let look = match plane {
                0 => self.painter.floor(&point),
                1 => Look { reflectance: 0.6, gloss: 0.0, part: 0 },
                _ => self.painter.wall(&point),
            };
            (plane as u32, 0, normal, look)
        };
        let surface = thing << 8 | face;
        Meeting { surface, region: surface << 4 | u32::from(look.part), point, normal, look }
    }

    /// The room's planes, seen from inside: floor 0, ceiling 1, walls at +/- y 2, 3 (normals +y, -y) and x 4, 5.
    fn meet_room(&self, eye: &Vector3<f64>, direction: &Vector3<f64>) -> (f64, usize) {
        let mut nearest = (1e4, 1);
        let room = &self.room;
        for (plane, at) in
            [room.floor, CEILING, -room.y_high, room.y_high, room.x_low, room.x_high].into_iter().enumerate()
        {
            let axis = 2 - plane / 2;
            let outward = if plane % 2 == 0 { -direction[axis] } else { direction[axis] };
            let t = (at - eye[axis]) / direction[axis];
            if outward > 0.0 && t > 0.0 && t < nearest.0 {
                nearest = (t, plane);
            }
        }
        nearest
    }

    /// The light where a line of sight along `direction` met something.
    pub fn light(&self, meeting: &Meeting, direction: &Vector3<f64>) -> Light {
        let (p, n) = (&meeting.point, &meeting.normal);
        let sky = self.painter.open_sky(p, n);
        let even = (0.70 + 0.30 * n.z) * sky;
        let lamps: f64 = self
            .lamps
            .iter()
            .map(|(lamp, strength)| {
                let to = lamp - p;
                let square = to.norm_squared().max(0.25);
                strength * n.dot(&to).max(0.0) * to.z.max(0.0) / (square * square)
            })
            .sum();
        // The lamps' sum is about 0.35 on the floor in the middle of the bay: scaled to 1.
        let falling = even * (1.0 - self.lamp_share) + lamps / 0.35 * self.lamp_share * (0.25 + 0.75 * sky);
        let along = direction.normalize();
        let facing = -along.dot(n);
        let mirror = along + n * (2.0 * facing);
        // Schlick 1994, for a refractive index of 1.5 (4 % at normal incidence).
        let share = 0.04 + 0.96 * (1.0 - facing.clamp(0.0, 1.0)).powi(5);
        let bright = (0.22 + 0.40 / (1.0 + ((0.35 - mirror.z) / 0.12).exp())) * (0.3 + 0.7 * sky);
        Light { falling: falling as f32, mirrored: (share * bright) as f32 }
    }
}

/// Light that comes back: from below the surface, and mirrored.
pub fn returned(look: &Look, light: &Light) -> f32 {
    look.reflectance * light.falling + look.gloss * light.mirrored
}

/// Eye and axes of a camera in the world: (eye, x, y, z).
pub fn camera_axes(camera_from_world: &Pose<Camera, World>) -> (Vector3<f64>, [Vector3<f64>; 3]) {
    let world_from_camera = camera_from_world.inverse();
    let r = world_from_camera.rotation();
    (world_from_camera.translation(), [0, 1, 2].map(|k| r.column(k).into_owned()))
}
