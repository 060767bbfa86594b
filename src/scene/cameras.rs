//! From where a made bay is photographed, and which tags a photograph can show.

use crate::camera::Lens;
use crate::frames::{Camera, Point, Pose, World};
use crate::scene::draw::{Draw, Purpose};
use crate::scene::layout::{Layout, TrueTag};
use crate::scene::options::{BayError, BayOptions};
use crate::scene::scenery::paper_corners;
use crate::scene::solid::Solid;
use nalgebra::{Matrix3, Rotation3, Vector2, Vector3};

/// No tag is shown at a steeper angle between its normal and the line of sight: 75 degrees, rad.
pub const STEEPEST_RAD: f64 = crate::units::rad_from_deg(75.0);
/// No tag is shown with a side shorter than this, px.
pub const SMALLEST_PX: f64 = 14.0;
/// Corners keep this distance from the image's edge, px.
pub const IMAGE_EDGE_PX: f64 = 4.0;

/// Every photograph shows at least this many tags.
pub const FEWEST_TAGS: usize = 4;

/// How far in front of a print the view must be free, m.
const CLEAR_M: f64 = 0.004;

/// What decides whether a tag shows.
pub struct Viewer<'a> {
    lens: &'a Lens,
    solids: &'a [Solid],
    widest: f64,
}

impl<'a> Viewer<'a> {
    /// A viewer with this lens among these solid things.
    pub fn new(lens: &'a Lens, solids: &'a [Solid]) -> Self {
        let (w, h) = (lens.width as f64 - 1.0, lens.height as f64 - 1.0);
        let widest = [(0.0, 0.0), (w, 0.0), (0.0, h), (w, h)]
            .iter()
            .filter_map(|&(x, y)| lens.normalized_from_pixel(&Vector2::new(x, y)))
            .map(|n| n.norm())
            .fold(0.0, f64::max);
        Self { lens, solids, widest }
    }

    /// The pixel of a point, where it is in the image and `edge` px away from its border.
    fn pixel(&self, in_camera: &Vector3<f64>, edge: f64) -> Option<Vector2<f64>> {
        // Beyond the image the distortion polynomial may come back into it: judge by the undistorted direction first.
        if in_camera.z < 0.05 || in_camera.xy().norm() > self.widest * in_camera.z {
            return None;
        }
        let pixel = self.lens.project(&Point::claim(*in_camera))?;
        let (w, h) = (self.lens.width as f64 - 1.0, self.lens.height as f64 - 1.0);
        (pixel.x >= edge && pixel.y >= edge && pixel.x <= w - edge && pixel.y <= h - edge).then_some(pixel)
    }

    /// True corners of a tag in the image (px, counter-clockwise from the lower left as seen on the upright print), where the photograph
    /// shows it whole: from the front, not too steep, not too small, with its white margin inside the image, and nothing in front of it.
    pub fn corners(&self, camera_from_world: &Pose<Camera, World>, tag: &TrueTag) -> Option<[Vector2<f64>; 4]> {
        let eye = camera_from_world.inverse().translation();
        if !self.faces(&eye, tag) {
            return None;
        }
        let corners = self.in_picture(camera_from_world, tag)?;
        self.open_to(&eye, tag).then_some(corners)
    }

    /// True where a tag is seen from the front and not too steeply.
    pub fn faces(&self, eye: &Vector3<f64>, tag: &TrueTag) -> bool {
        let normal = tag.world_from_tag.rotation().column(2).into_owned();
        let sight = eye - tag.world_from_tag.translation();
        normal.dot(&sight) >= STEEPEST_RAD.cos() * sight.norm()
    }

    /// Corners of a tag that is large enough and in the image with its white margin, whatever stands in the way.
    pub fn in_picture(&self, camera_from_world: &Pose<Camera, World>, tag: &TrueTag) -> Option<[Vector2<f64>; 4]> {
        let to_camera = |p: Vector3<f64>| (*camera_from_world * Point::<World>::claim(p)).coords;
        let corners_in_world = true_corners(tag);
        let mut corners = [Vector2::zeros(); 4];
        for (pixel, corner) in corners.iter_mut().zip(corners_in_world) {
            *pixel = self.pixel(&to_camera(corner), IMAGE_EDGE_PX)?;
        }
        if (0..4).any(|k| (corners[k] - corners[(k + 1) % 4]).norm() < SMALLEST_PX) {
            return None;
        }
        for corner in paper_corners(tag) {
            self.pixel(&to_camera(corner), 1.0)?;
        }
        Some(corners)
    }

    /// True where nothing stands between an eye and a tag's paper: a 5 x 5 grid of points over it must be free to see.
    pub fn open_to(&self, eye: &Vector3<f64>, tag: &TrueTag) -> bool {
        let normal = tag.world_from_tag.rotation().column(2).into_owned();
        let paper = paper_corners(tag);
        let share = |k: usize| (k % 5) as f64 / 4.0;
        (0..25).all(|k| {
            let (u, v) = (share(k), share(k / 5));
            // A little in front of the paper: a tag drawn a few tenths of a millimetre deep into its board is not hidden by it.
            let point = paper[0] + (paper[1] - paper[0]) * u + (paper[3] - paper[0]) * v + normal * CLEAR_M;
            let direction = point - eye;
            self.solids.iter().all(|solid| solid.hit(eye, &direction, 1.0).is_none())
        })
    }
}

/// Corners of a tag's black square as it truly is, world, m.
pub fn true_corners(tag: &TrueTag) -> [Vector3<f64>; 4] {
    crate::body::rectangle_corners_m(tag.sides_m()).map(|c| (tag.world_from_tag * Point::claim(c)).coords)
}

/// A camera at `eye` that looks at `at`, turned by `roll_rad` about its line of sight.
pub fn look(eye: Vector3<f64>, at: Vector3<f64>, roll_rad: f64) -> Pose<Camera, World> {
    let z = (at - eye).normalize();
    let x = z.cross(&Vector3::z()).normalize();
    let y = z.cross(&x);
    let turned = Matrix3::from_columns(&[x, y, z]) * Rotation3::from_axis_angle(&Vector3::z_axis(), roll_rad).matrix();
    Pose::<World, Camera>::claim_matrix(&turned, eye).inverse()
}

/// Draws the places to photograph from: a walk around car and stand, camera in the hand.
///
/// A photograph that shows fewer than four tags is taken again. As a careful person would, the walker then looks for tags that are in fewer than
/// two photographs and takes a nearby one again so that it shows them. The whole round is walked again where that does not help or the network
/// falls apart.
pub fn walk_around(
    options: &BayOptions,
    layout: &Layout,
    solids: &[Solid],
) -> Result<Vec<Pose<Camera, World>>, BayError> {
    let mut draw = Draw::new(options.seed, Purpose::Cameras);
    let viewer = Viewer::new(&options.lens, solids);
    let mut reason = String::new();
    for _ in 0..60 {
        let mut cameras: Vec<_> =
            (0..options.n_photos).filter_map(|k| photograph(options, layout, &viewer, k, &mut draw)).collect();
        if cameras.len() < options.n_photos {
            reason = "a place on the way shows fewer than four tags".into();
            continue;
        }
        look_again(layout, &viewer, &mut cameras, &mut draw);
        match missing_link(layout, &viewer, &cameras) {
            None => return Ok(cameras),
            Some(why) => reason = why,
        }
    }
    Err(BayError::Unlinked { n_photos: options.n_photos, reason })
}

/// Places to photograph from with the car at another roll position: as [`walk_around`], but only the plates must be in two photographs (the car may
/// hide a sheet it did not hide before).
pub fn walk_again(
    options: &BayOptions,
    layout: &Layout,
    solids: &[Solid],
    position: u64,
) -> Result<Vec<Pose<Camera, World>>, BayError> {
    // Another stream for each position, far from those of neighbouring seeds.
    let mut draw = Draw::new(options.seed ^ (position + 1).wrapping_mul(0xd1b5_4a32_d192_ed03), Purpose::Cameras);
    let viewer = Viewer::new(&options.lens, solids);
    let plate = |tag: &&TrueTag| layout.wheels.iter().any(|w| w.plate.is_some_and(|p| p.body == tag.body));
    for _ in 0..60 {
        let mut cameras: Vec<_> =
            (0..options.n_photos).filter_map(|k| photograph(options, layout, &viewer, k, &mut draw)).collect();
        if cameras.len() < options.n_photos {
            continue;
        }
        look_again(layout, &viewer, &mut cameras, &mut draw);
        let seen = |tag: &TrueTag| cameras.iter().filter(|camera| viewer.corners(camera, tag).is_some()).count();
        if layout.tags.iter().filter(plate).all(|tag| seen(tag) >= 2) {
            return Ok(cameras);
        }
    }
    Err(BayError::Unlinked { n_photos: options.n_photos, reason: "a plate of the rolled car hides".into() })
}

fn photograph(
    options: &BayOptions,
    layout: &Layout,
    viewer: &Viewer,
    k: usize,
    draw: &mut Draw,
) -> Option<Pose<Camera, World>> {
    let stand_x = layout.world_from_body[layout.stand].translation().x;
    let (x_low, x_high) = (-2.9, stand_x + 2.1);
    let stand_middle = Vector3::new(stand_x, 0.0, 0.55);
    let mut best: Option<(usize, Pose<Camera, World>)> = None;
    let mut good = 0;
    for _ in 0..60 {
        let angle = (k as f64 + 0.5 + draw.uniform(-0.4, 0.4)) / options.n_photos as f64 * std::f64::consts::TAU;
        let (sin, cos) = angle.sin_cos();
        let eye = Vector3::new(
            (x_low + x_high) / 2.0 + (x_high - x_low) / 2.0 * cos + draw.uniform(-0.25, 0.25),
            3.0 * sin + draw.uniform(-0.25, 0.25),
            draw.uniform(1.2, 1.7),
        );
        // Who takes the photograph aims at the near side of the car, at the stand, or at something in between.
        let near = if eye.x < -0.9 && eye.y.abs() < 1.6 {
            Vector3::new(-1.1, eye.y * 0.3, 0.1)
        } else if eye.x > stand_x + 0.7 {
            Vector3::new(stand_x - 0.3, eye.y * 0.2, 0.5)
        } else {
            let x = (eye.x * 0.7 + draw.uniform(0.0, 1.2)).clamp(0.0, stand_x - 0.6);
            Vector3::new(x, eye.y.signum() * 1.3, 0.3)
        };
        let mix = draw.unit().powi(2);
        let at = near * (1.0 - mix)
            + stand_middle * mix
            + Vector3::new(draw.uniform(-0.2, 0.2), draw.uniform(-0.2, 0.2), draw.uniform(-0.1, 0.2));
        let pose = look(eye, at, draw.normal(0.05));
        let shown = layout.tags.iter().filter(|tag| viewer.corners(&pose, tag).is_some()).count();
        if shown < FEWEST_TAGS {
            continue;
        }
        if best.is_none_or(|(most, _)| shown > most) {
            best = Some((shown, pose));
        }
        // A person frames with care: the best of three.
        good += 1;
        if good == 3 {
            break;
        }
    }
    best.map(|(_, pose)| pose)
}

/// Takes photographs again until every tag is in two of them, as far as that is possible.
fn look_again(layout: &Layout, viewer: &Viewer, cameras: &mut [Pose<Camera, World>], draw: &mut Draw) {
    let mut retaken = vec![false; cameras.len()];
    for tag in &layout.tags {
        let seen = cameras.iter().filter(|camera| viewer.corners(camera, tag).is_some()).count();
        for _ in seen..2 {
            let Some(pose) = towards(layout, viewer, tag, draw) else { continue };
            let eye = pose.inverse().translation();
            let nearest = (0..cameras.len()).filter(|&k| !retaken[k]).min_by(|&a, &b| {
                let away = |k: usize| (cameras[k].inverse().translation() - eye).norm();
                away(a).total_cmp(&away(b))
            });
            if let Some(k) = nearest {
                cameras[k] = pose;
                retaken[k] = true;
            }
        }
    }
}

/// A photograph that shows this tag well, and of a few tries the one that shows most others beside it.
fn towards(layout: &Layout, viewer: &Viewer, tag: &TrueTag, draw: &mut Draw) -> Option<Pose<Camera, World>> {
    let centre = tag.world_from_tag.translation();
    let normal = tag.world_from_tag.rotation().column(2).into_owned();
    let mut best: Option<(usize, Pose<Camera, World>)> = None;
    for _ in 0..80 {
        let sideways = Vector3::new(draw.uniform(-1.0, 1.0), draw.uniform(-1.0, 1.0), 0.0);
        let mut eye = centre + (normal + sideways * 0.7).normalize() * draw.uniform(1.4, 2.6);
        eye.z = draw.uniform(1.2, 1.7);
        let at = centre + Vector3::new(draw.uniform(-0.5, 0.5), draw.uniform(-0.5, 0.5), draw.uniform(-0.3, 0.1));
        let pose = look(eye, at, draw.normal(0.05));
        if viewer.corners(&pose, tag).is_none() {
            continue;
        }
        let shown = layout.tags.iter().filter(|other| viewer.corners(&pose, other).is_some()).count();
        if shown >= FEWEST_TAGS && best.is_none_or(|(most, _)| shown > most) {
            best = Some((shown, pose));
        }
    }
    best.map(|(_, pose)| pose)
}

/// What keeps these photographs from being one well-tied network, in words.
fn missing_link(layout: &Layout, viewer: &Viewer, cameras: &[Pose<Camera, World>]) -> Option<String> {
    let n_bodies = layout.kit.bodies.len();
    let mut group: Vec<usize> = (0..n_bodies).collect();
    let mut photos_of_tag = vec![0usize; layout.tags.len()];
    for camera in cameras {
        let mut first: Option<usize> = None;
        for (t, tag) in layout.tags.iter().enumerate() {
            if viewer.corners(camera, tag).is_none() {
                continue;
            }
            photos_of_tag[t] += 1;
            match first {
                None => first = Some(tag.body),
                Some(body) => {
                    let (from, to) = (group[tag.body], group[body]);
                    group.iter_mut().filter(|g| **g == from).for_each(|g| *g = to);
                }
            }
        }
    }
    if let Some(t) = photos_of_tag.iter().position(|&n| n < 2) {
        return Some(format!("tag {} is in fewer than two photographs", layout.tags[t].id));
    }
    if group.iter().any(|&g| g != group[0]) {
        return Some("the network is in pieces".into());
    }
    None
}
