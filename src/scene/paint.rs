//! What surfaces look like: how much light they send back, and which parts of them are of one kind.
//!
//! Reflectances are of the invented bay; ink and paper as a laser printer leaves them (common practice, no source).

use crate::frames::{Pose, World};
use crate::scene::layout::Layout;
use crate::scene::options::BayOptions;
use crate::scene::scenery::Room;
use crate::scene::solid::{Hit, Material};
use nalgebra::{Isometry3, Vector3};

/// Reflectance of printed black.
pub const INK: f32 = 0.05;
/// Reflectance of paper.
pub const PAPER: f32 = 0.85;

/// The look of a surface at one point.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Look {
    /// Share of the light that is sent back evenly in all directions.
    pub reflectance: f32,
    /// Strength of the mirror image of the room, 0 for matt.
    pub gloss: f32,
    /// Which part of the surface: between two points of one part the look changes only slowly.
    pub part: u8,
}

fn matt(reflectance: f64, part: u8) -> Look {
    Look { reflectance: reflectance as f32, gloss: 0.0, part }
}

/// What the painter has to know about the bay.
pub struct Painter {
    hubs: Vec<Vector3<f64>>,
    wheel_axes: Vec<Vector3<f64>>,
    hub_height: f64,
    wheelbase: f64,
    half_width: f64,
    stand_from_world: Isometry3<f64>,
    room: Room,
}

impl Painter {
    /// A painter for a bay.
    pub fn new(options: &BayOptions, layout: &Layout, room: Room) -> Self {
        let world_from_stand: &Pose<World, _> = &layout.world_from_body[layout.stand];
        Self {
            hubs: layout.wheels.iter().map(|w| w.hub_in_vehicle.coords).collect(),
            wheel_axes: layout.wheels.iter().map(|w| w.axis_in_vehicle.coords).collect(),
            hub_height: options.hub_height_m,
            wheelbase: layout.wheelbase_m,
            half_width: options.track_m / 2.0 + 0.095,
            stand_from_world: world_from_stand.iso().inverse(),
            room,
        }
    }

    /// The floor at a point.
    pub fn floor(&self, p: &Vector3<f64>) -> Look {
        // Joints between slabs, and the painted lines of the bay.
        let joint = |v: f64| ((v / 2.4 - (v / 2.4).round()) * 2.4).abs() < 0.003;
        if joint(p.x - 0.9) || joint(p.y - 1.2) {
            return matt(0.16, 1);
        }
        if (p.y.abs() - 2.35).abs() < 0.04 && p.x > -2.0 && p.x < self.room.x_high - 2.5 {
            return matt(0.50, 2);
        }
        let cloud = 0.03 * smooth_noise(p.x * 1.1, p.y * 1.1) + 0.015 * smooth_noise(p.x * 4.3 + 7.0, p.y * 4.3);
        matt(0.27 + cloud, 0)
    }

    /// A wall at a point.
    pub fn wall(&self, p: &Vector3<f64>) -> Look {
        match p.z {
            z if z < 0.10 => matt(0.10, 0),
            z if z < 1.15 => matt(0.36 + 0.01 * smooth_noise(p.x + p.y, p.z), 1),
            z if z < 1.20 => matt(0.14, 2),
            _ => matt(0.56 + 0.015 * smooth_noise(p.x + p.y, p.z * 0.5), 3),
        }
    }

    /// A solid thing at a point of its surface.
    pub fn solid(&self, material: Material, hit: &Hit, p: &Vector3<f64>) -> Look {
        match material {
            Material::CarPaint => self.car_paint(hit, p),
            Material::Cabin => self.cabin(hit, p),
            Material::Wheel => self.wheel(hit, p),
            Material::Panel => self.panel(p),
            Material::Lamp => Look { reflectance: 0.75, gloss: 0.5, part: 0 },
            Material::Board => matt(0.70, 0),
            Material::Metal => Look { reflectance: 0.34, gloss: 0.25, part: 0 },
            Material::Rubber => matt(0.04, 0),
            Material::Cabinet(colour) => {
                let drawers = colour >= 2 && (p.z * 4.0 - (p.z * 4.0).round()).abs() < 0.02 && hit.normal.z.abs() < 0.5;
                let base = [0.11, 0.17, 0.58, 0.30][usize::from(colour.min(3))];
                if drawers { matt(base * 0.4, 1) } else { matt(base, 0) }
            }
        }
    }

    fn car_paint(&self, hit: &Hit, p: &Vector3<f64>) -> Look {
        let paint = Look { reflectance: 0.15, gloss: 1.0, part: 0 };
        if hit.normal.y.abs() > 0.9 {
            // Arches around the wheels, the sill, and the gaps around the doors.
            let arch =
                |hub: &Vector3<f64>| (p.x - hub.x).powi(2) + (p.z - hub.z).powi(2) < (self.hub_height + 0.045).powi(2);
            if self.hubs.iter().any(arch) {
                return matt(0.012, 1);
            }
            if p.z < 0.27 {
                return matt(0.03, 2);
            }
            let doors = [0.42, 1.32, self.wheelbase - 0.45];
            if p.z > 0.32 && doors.iter().any(|x| (p.x - x).abs() < 0.003) {
                return matt(0.02, 3);
            }
            if (p.z - 0.80).abs() < 0.012 && doors[..2].iter().any(|x| (p.x - x - 0.16).abs() < 0.08) {
                return Look { reflectance: 0.30, gloss: 0.5, part: 4 };
            }
        } else if hit.normal.x > 0.3 && p.z < 0.5 && p.z > 0.27 && p.y.abs() < 0.5 {
            // The grille.
            return matt(0.02, 5);
        } else if hit.normal.x.abs() > 0.3 && p.z < 0.42 {
            // Bumpers.
            return Look { reflectance: 0.05, gloss: 0.3, part: 6 };
        }
        paint
    }

    fn cabin(&self, hit: &Hit, p: &Vector3<f64>) -> Look {
        let paint = Look { reflectance: 0.15, gloss: 1.0, part: 0 };
        let glass = Look { reflectance: 0.025, gloss: 1.6, part: 1 };
        let pillar = |x: f64| (p.x - x).abs() < 0.03;
        match hit.face {
            // Windscreen and rear window.
            1 | 4 if p.z > 1.0 && p.z < 1.34 && p.y.abs() < self.half_width - 0.18 => glass,
            // The sides: windows with pillars between, and within the slanting outline of the cabin.
            5 | 6 if p.z > 1.01 && p.z < 1.33 && !pillar(1.28) && !pillar(0.40) => {
                let front = self.wheelbase - 0.62 - 1.6 * (p.z - 0.95);
                let rear = -0.38 + 0.85 * (p.z - 0.95);
                if p.x > rear && p.x < front { glass } else { paint }
            }
            _ => paint,
        }
    }

    fn wheel(&self, hit: &Hit, p: &Vector3<f64>) -> Look {
        if hit.face == 0 {
            return matt(0.028, 0);
        }
        // Of the four hubs the nearest is this wheel's.
        let nearest =
            (0..self.hubs.len()).min_by(|&a, &b| (self.hubs[a] - p).norm().total_cmp(&(self.hubs[b] - p).norm()));
        let Some(k) = nearest else { return matt(0.028, 0) };
        let from_hub = p - self.hubs[k];
        let across = from_hub - self.wheel_axes[k] * self.wheel_axes[k].dot(&from_hub);
        let r = across.norm() / self.hub_height;
        let spoke = (across.z.atan2(across.x) * 5.0).cos();
        match r {
            r if r > 0.66 => matt(0.030 + 0.008 * (40.0 * r).sin(), 1),
            r if !(0.18..=0.60).contains(&r) => Look { reflectance: 0.42, gloss: 0.3, part: 2 },
            r if r > 0.24 && r < 0.54 && spoke < -0.2 => matt(0.03, 3),
            _ => Look { reflectance: 0.36, gloss: 0.3, part: 2 },
        }
    }

    /// The target: a plain panel of no meaning with a ring and a cross.
    fn panel(&self, p: &Vector3<f64>) -> Look {
        let local = self.stand_from_world * nalgebra::Point3::from(*p);
        let (y, z) = (local.y, local.z + 0.07);
        let r = y.hypot(z);
        let drawn = (r > 0.10 && r < 0.115) || (r < 0.14 && y.abs().min(z.abs()) < 0.004);
        if drawn { matt(0.80, 1) } else { matt(0.09, 0) }
    }

    /// How much of the light from above reaches a point that faces `normal`: less under and beside the car, and under the stand.
    pub fn open_sky(&self, p: &Vector3<f64>, normal: &Vector3<f64>) -> f64 {
        // Distance from the footprint of the car, negative inside.
        let middle = (self.wheelbase - 0.1) / 2.0;
        let (dx, dy) = ((p.x - middle).abs() - (middle + 0.85), p.y.abs() - (self.half_width - 0.04));
        let outside = dx.max(0.0).hypot(dy.max(0.0)) + dx.max(dy).min(0.0);
        let low = (-p.z.max(0.0) / 0.25).exp();
        let car = (0.62 / (1.0 + (outside / 0.07).exp()) + 0.30 / (1.0 + (outside / 0.30).exp())) * low;
        let local = self.stand_from_world * nalgebra::Point3::from(*p);
        let foot = (local.x - 0.034).abs().max(0.34).hypot((local.y.abs() - 0.45).abs().max(0.03)) - 0.3413;
        let stand = 0.5 * (-foot.max(0.0) / 0.04).exp() * (-p.z.max(0.0) / 0.06).exp();
        let up = normal.z.max(0.0);
        (1.0 - car * (0.6 + 0.4 * up)) * (1.0 - stand * up)
    }
}

/// Smooth noise between -1 and 1 with features about one unit wide; the same everywhere and always.
fn smooth_noise(x: f64, y: f64) -> f64 {
    let (i, j) = (x.floor(), y.floor());
    let (u, v) = (x - i, y - j);
    let ease = |t: f64| t * t * (3.0 - 2.0 * t);
    let at = |di: i64, dj: i64| {
        let h = crate::scene::draw::scramble(((i as i64 + di) as u64) << 32 ^ ((j as i64 + dj) as u64 & 0xffff_ffff));
        (h >> 11) as f64 / (1u64 << 52) as f64 - 1.0
    };
    let (a, b) = (ease(u), ease(v));
    (at(0, 0) * (1.0 - a) + at(1, 0) * a) * (1.0 - b) + (at(0, 1) * (1.0 - a) + at(1, 1) * a) * b
}
