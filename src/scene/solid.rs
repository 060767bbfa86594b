//! Solid things that can hide a tag and that a photograph shows: convex pieces and cylinders, and where a line of sight meets them.
//!
//! All lengths in metres, in the world frame of the bay.

use nalgebra::{Isometry3, Vector3};

/// What a surface is made of; what it looks like is decided in [`crate::scene::paint`].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Material {
    /// Car body, painted.
    CarPaint,
    /// The car's cabin: windows with painted pillars and roof.
    Cabin,
    /// A wheel: tyre and rim, seen on its flat sides.
    Wheel,
    /// Lamps.
    Lamp,
    /// White board that carries tags.
    Board,
    /// The calibration target's panel.
    Panel,
    /// Bare metal: posts, clamps.
    Metal,
    /// Rubber feet, black plastic.
    Rubber,
    /// Painted cabinets along the walls, by number.
    Cabinet(u8),
}

/// The half-space `normal · x <= offset`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HalfSpace {
    /// Unit normal, pointing out of the solid.
    pub normal: Vector3<f64>,
    /// Distance of the plane from the origin along the normal.
    pub offset: f64,
}

/// The shape of a solid.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// What all of these half-spaces have in common.
    Convex(Vec<HalfSpace>),
    /// A cylinder with flat ends. Its side is face 0, the end at `centre + axis half_length` face 1, the other face 2.
    Cylinder {
        /// Its middle.
        centre: Vector3<f64>,
        /// Unit vector along it.
        axis: Vector3<f64>,
        /// Half its length.
        half_length: f64,
        /// Its radius.
        radius: f64,
    },
}

/// A solid thing.
#[derive(Clone, Debug, PartialEq)]
pub struct Solid {
    /// Its shape.
    pub shape: Shape,
    /// What it is made of.
    pub material: Material,
    /// Points whose convex hull holds all of it.
    pub hull: Vec<Vector3<f64>>,
}

/// Where a ray enters a solid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hit {
    /// Position along the ray, in lengths of its direction vector.
    pub t: f64,
    /// Unit normal of the surface there, outward.
    pub normal: Vector3<f64>,
    /// Which face.
    pub face: u16,
}

/// The corners of a cube.
const SIGNS: [[f64; 3]; 8] = [
    [-1.0, -1.0, -1.0],
    [1.0, -1.0, -1.0],
    [-1.0, 1.0, -1.0],
    [1.0, 1.0, -1.0],
    [-1.0, -1.0, 1.0],
    [1.0, -1.0, 1.0],
    [-1.0, 1.0, 1.0],
    [1.0, 1.0, 1.0],
];

impl Solid {
    /// A box with the given half extents in the frame of `world_from_box`. Faces 0 to 5: +x, -x, +y, -y, +z, -z.
    pub fn cuboid(world_from_box: &Isometry3<f64>, half: Vector3<f64>, material: Material) -> Self {
        let centre = world_from_box.translation.vector;
        let faces = (0..6).map(|k| {
            let mut normal = Vector3::zeros();
            normal[k / 2] = if k % 2 == 0 { 1.0 } else { -1.0 };
            let normal = world_from_box.rotation * normal;
            HalfSpace { normal, offset: normal.dot(&centre) + half[k / 2] }
        });
        let corner = |s: [f64; 3]| centre + world_from_box.rotation * half.component_mul(&Vector3::from(s));
        Self { shape: Shape::Convex(faces.collect()), material, hull: SIGNS.map(corner).to_vec() }
    }

    /// The same solid moved as a whole.
    pub fn moved(&self, by: &Isometry3<f64>) -> Self {
        let shape = match &self.shape {
            Shape::Convex(faces) => {
                let face = |f: &HalfSpace| {
                    let normal = by.rotation * f.normal;
                    HalfSpace { normal, offset: f.offset + normal.dot(&by.translation.vector) }
                };
                Shape::Convex(faces.iter().map(face).collect())
            }
            Shape::Cylinder { centre, axis, half_length, radius } => Shape::Cylinder {
                centre: by.rotation * centre + by.translation.vector,
                axis: by.rotation * axis,
                half_length: *half_length,
                radius: *radius,
            },
        };
        let hull = self.hull.iter().map(|p| by.rotation * p + by.translation.vector).collect();
        Self { shape, material: self.material, hull }
    }

    /// A convex side profile (x, z), counter-clockwise when seen with x to the right and z up, between two sides that stand
    /// at ±`half_width` at height `z_side` and lean in by `lean_rad`. The last two faces are the left (+y) and the right side.
    pub fn profile(profile: &[[f64; 2]], half_width: f64, z_side: f64, lean_rad: f64, material: Material) -> Self {
        let mut faces: Vec<HalfSpace> = Vec::with_capacity(profile.len() + 2);
        for (k, a) in profile.iter().enumerate() {
            let b = profile[(k + 1) % profile.len()];
            let along = Vector3::new(b[0] - a[0], 0.0, b[1] - a[1]).normalize();
            // Outward is to the right of the way round: along turned by -90 degrees in the x-z plane.
            let normal = Vector3::new(along.z, 0.0, -along.x);
            faces.push(HalfSpace { normal, offset: normal.x * a[0] + normal.z * a[1] });
        }
        for side in [1.0, -1.0] {
            let normal = Vector3::new(0.0, side * lean_rad.cos(), lean_rad.sin());
            faces.push(HalfSpace { normal, offset: half_width * lean_rad.cos() + z_side * lean_rad.sin() });
        }
        let y_at = |z: f64| half_width + (z_side - z) * lean_rad.tan();
        let hull = profile.iter().flat_map(|&[x, z]| [1.0, -1.0].map(|side| Vector3::new(x, side * y_at(z), z)));
        Self { shape: Shape::Convex(faces), material, hull: hull.collect() }
    }

    /// A cylinder between two points.
    pub fn rod(from: Vector3<f64>, to: Vector3<f64>, radius: f64, material: Material) -> Self {
        let (centre, along) = ((from + to) / 2.0, to - from);
        let half_length = along.norm() / 2.0;
        let axis = along / (2.0 * half_length);
        // Any two directions square to the axis and to each other.
        let aside = if axis.z.abs() < 0.9 { Vector3::z() } else { Vector3::x() }.cross(&axis).normalize();
        let other = axis.cross(&aside);
        let corner = |s: [f64; 3]| centre + axis * (s[0] * half_length) + (aside * s[1] + other * s[2]) * radius;
        Self {
            shape: Shape::Cylinder { centre, axis, half_length, radius },
            material,
            hull: SIGNS.map(corner).to_vec(),
        }
    }

    /// Where the ray `origin + t direction` enters this solid at `0 < t < t_max`. A ray that starts inside does not enter.
    pub fn hit(&self, origin: &Vector3<f64>, direction: &Vector3<f64>, t_max: f64) -> Option<Hit> {
        match &self.shape {
            Shape::Convex(faces) => hit_convex(faces, origin, direction, t_max),
            Shape::Cylinder { centre, axis, half_length, radius } => {
                hit_cylinder(centre, axis, *half_length, *radius, origin, direction, t_max)
            }
        }
    }
}

fn hit_convex(faces: &[HalfSpace], origin: &Vector3<f64>, direction: &Vector3<f64>, t_max: f64) -> Option<Hit> {
    let (mut enter, mut leave, mut entry) = (0.0, t_max, None);
    for (k, face) in faces.iter().enumerate() {
        let outside = face.normal.dot(origin) - face.offset;
        let rate = face.normal.dot(direction);
        if rate < 0.0 {
            let t = outside / -rate;
            if t > enter {
                (enter, entry) = (t, Some(k));
            }
        } else if rate > 0.0 {
            leave = f64::min(leave, outside / -rate);
        } else if outside > 0.0 {
            return None;
        }
        if enter >= leave {
            return None;
        }
    }
    entry.map(|k| Hit { t: enter, normal: faces[k].normal, face: k as u16 })
}

fn hit_cylinder(
    centre: &Vector3<f64>,
    axis: &Vector3<f64>,
    half_length: f64,
    radius: f64,
    origin: &Vector3<f64>,
    direction: &Vector3<f64>,
    t_max: f64,
) -> Option<Hit> {
    let from = origin - centre;
    let (h0, h1) = (axis.dot(&from), axis.dot(direction));
    let (across0, across1) = (from - axis * h0, direction - axis * h1);
    let (a, b, c) = (across1.norm_squared(), across0.dot(&across1), across0.norm_squared() - radius * radius);
    // The stretch inside the endless cylinder, then the stretch between the end planes; the later entry counts.
    let (mut enter, mut leave, mut face) = (f64::NEG_INFINITY, f64::INFINITY, 0u16);
    if a > 1e-18 {
        let square = b * b - a * c;
        if square <= 0.0 {
            return None;
        }
        let root = square.sqrt();
        (enter, leave) = ((-b - root) / a, (-b + root) / a);
    } else if c > 0.0 {
        return None;
    }
    if h1.abs() > 1e-12 {
        let (t1, t2) = ((half_length - h0) / h1, (-half_length - h0) / h1);
        let (near, far) = if t1 < t2 { (t1, t2) } else { (t2, t1) };
        if near > enter {
            (enter, face) = (near, if t1 < t2 { 1 } else { 2 });
        }
        leave = leave.min(far);
    } else if h0.abs() > half_length {
        return None;
    }
    if enter >= leave || enter <= 0.0 || enter >= t_max {
        return None;
    }
    let normal = match face {
        0 => (across0 + across1 * enter) / radius,
        1 => *axis,
        _ => -axis,
    };
    Some(Hit { t: enter, normal, face })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moved_solid_is_met_where_it_was_moved_to() {
        let at = Isometry3::translation(0.3, -0.2, 0.5);
        let by = Isometry3::new(Vector3::new(1.0, 2.0, -0.4), Vector3::new(0.1, -0.3, 0.7));
        let half = Vector3::new(0.2, 0.1, 0.3);
        let rod = Solid::rod(Vector3::new(0.0, 0.1, 0.2), Vector3::new(0.5, 0.3, 0.2), 0.15, Material::Metal);
        let moved_rod = rod.moved(&by);
        assert_eq!(Solid::cuboid(&at, half, Material::Board).moved(&by).hull.len(), 8);
        let pairs = [
            (Solid::cuboid(&at, half, Material::Board), Solid::cuboid(&(by * at), half, Material::Board)),
            (rod, moved_rod),
        ];
        for (still, moved) in pairs {
            let moved_by = still.moved(&by);
            for (from, to) in [([2.0, 1.5, 1.0], [0.3, -0.1, 0.5]), ([-1.0, -1.2, 0.9], [0.2, 0.2, 0.2])] {
                let (from, to) = (Vector3::from(from), Vector3::from(to));
                let before = still.hit(&from, &(to - from), 9.0);
                let after =
                    moved_by.hit(&(by * nalgebra::Point3::from(from)).coords, &(by.rotation * (to - from)), 9.0);
                let direct = moved.hit(&(by * nalgebra::Point3::from(from)).coords, &(by.rotation * (to - from)), 9.0);
                assert_eq!(before.is_some(), after.is_some());
                if let (Some(before), Some(after), Some(direct)) = (before, after, direct) {
                    assert!((before.t - after.t).abs() < 1e-12 && (before.t - direct.t).abs() < 1e-12);
                    assert!((by.rotation * before.normal - after.normal).norm() < 1e-12);
                }
            }
        }
    }
    use approx::assert_abs_diff_eq;

    #[test]
    fn a_box_is_met_on_its_near_face() {
        let place = Isometry3::translation(2.0, 0.0, 1.0);
        let solid = Solid::cuboid(&place, Vector3::new(0.5, 1.0, 0.25), Material::Board);
        let eye = Vector3::new(0.0, 0.2, 1.1);
        let hit = solid.hit(&eye, &Vector3::x(), 10.0).unwrap();
        assert_abs_diff_eq!(hit.t, 1.5, epsilon = 1e-12);
        assert_eq!((hit.face, hit.normal), (1, -Vector3::x()));
        assert!(solid.hit(&eye, &Vector3::x(), 1.4).is_none(), "beyond the end of the line of sight");
        assert!(solid.hit(&eye, &-Vector3::x(), 10.0).is_none(), "behind the eye");
        assert!(solid.hit(&Vector3::new(0.0, 1.1, 1.0), &Vector3::x(), 10.0).is_none(), "passes beside it");
    }

    #[test]
    fn a_cylinder_is_met_on_side_and_end() {
        let solid = Solid::rod(Vector3::new(0.0, 0.0, 0.0), Vector3::new(0.0, 0.2, 0.0), 0.3, Material::Wheel);
        let side = solid.hit(&Vector3::new(-1.0, 0.1, 0.0), &Vector3::x(), 9.0).unwrap();
        assert_abs_diff_eq!(side.t, 0.7, epsilon = 1e-12);
        assert_abs_diff_eq!(side.normal, -Vector3::x(), epsilon = 1e-12);
        let end = solid.hit(&Vector3::new(0.1, 2.0, 0.1), &-Vector3::y(), 9.0).unwrap();
        assert_abs_diff_eq!(end.t, 1.8, epsilon = 1e-12);
        assert_eq!((end.face, end.normal), (1, Vector3::y()));
        assert!(solid.hit(&Vector3::new(0.4, 2.0, 0.0), &-Vector3::y(), 9.0).is_none());
    }

    #[test]
    fn a_profile_is_met_where_its_polygon_says() {
        // A wedge: 2 m long, 1 m high in front, vertical sides.
        let solid = Solid::profile(&[[0.0, 0.0], [2.0, 0.0], [2.0, 1.0]], 0.5, 0.0, 0.0, Material::CarPaint);
        let top = solid.hit(&Vector3::new(1.0, 0.0, 3.0), &-Vector3::z(), 9.0).unwrap();
        assert_abs_diff_eq!(top.t, 2.5, epsilon = 1e-12);
        let left = solid.hit(&Vector3::new(1.5, 3.0, 0.2), &-Vector3::y(), 9.0).unwrap();
        assert_eq!((left.face, left.normal), (3, Vector3::y()));
        assert!(solid.hit(&Vector3::new(0.5, 3.0, 0.6), &-Vector3::y(), 9.0).is_none(), "above the slope");
        assert!(solid.hull.contains(&Vector3::new(2.0, -0.5, 1.0)) && solid.hull.len() == 6);
    }
}
