//! The photographs of a made bay, rolled or not, and faults put into them.

use nalgebra::{Vector3, Vector6};
use plumbsight::body::BodyKind;
use plumbsight::frames::{Camera, Point, Pose, Tag, World};
use plumbsight::scene::Bay;
use plumbsight::survey::integrity::{Fault, Suspect};
use plumbsight::survey::{Photo, TagView};

/// A fault as put into a bay, in the bay's world.
#[derive(Clone, Debug)]
pub struct Put {
    pub suspect: Suspect,
    pub fault: Fault,
    /// Shift (m) of what moves, or relative size.
    pub shift_m: Vector3<f64>,
    pub relative: f64,
    /// In minimal detectable sizes.
    pub factor: f64,
}

/// Photographs with the bay that each shows.
pub struct Shots<'a> {
    stops: &'a [Bay],
    /// With corner errors, or without.
    pub photos: Vec<Photo>,
    perfect: Vec<Photo>,
    cameras: Vec<Pose<Camera, World>>,
}

impl<'a> Shots<'a> {
    /// The photographs of all stops of the car, in their order; of one bay alone where it was not rolled.
    pub fn new(stops: &'a [Bay], noisy: bool) -> Self {
        let all = |photos: &dyn Fn(usize, &Bay) -> Vec<Photo>| -> Vec<Photo> {
            let mut out = Vec::new();
            for (position, bay) in stops.iter().enumerate() {
                let name = |photo: &Photo| {
                    if stops.len() > 1 { format!("{}/{}", position + 1, photo.name) } else { photo.name.clone() }
                };
                out.extend(photos(position, bay).into_iter().map(|p| Photo { name: name(&p), position, ..p }));
            }
            out
        };
        let perfect = all(&|_, bay| bay.perfect_photos());
        let photos = if noisy {
            all(&|position, bay| bay.noisy_photos((stops.len() - 1 - position) as u64))
        } else {
            perfect.clone()
        };
        let cameras = stops.iter().flat_map(|bay| bay.camera_from_world.iter().copied()).collect();
        Self { stops, photos, perfect, cameras }
    }

    fn concerns(&self, suspect: &Suspect, photo: usize, view: &TagView) -> bool {
        let kit = &self.stops[0].layout.kit;
        let Some((body, tag)) = kit.find_tag(view.id) else { return false };
        let at = |position: &Option<usize>| position.is_none_or(|p| p == self.photos[photo].position);
        match suspect {
            Suspect::Body { body: b, position, .. } => *b == body && at(position),
            Suspect::Car { position } => kit.bodies[body].kind == BodyKind::Plate && at(position),
            Suspect::Tag { id, .. } => *id == view.id,
            Suspect::Print(print) => kit.bodies[body].tags[tag].print == *print,
            Suspect::Photo(p) => *p == photo,
        }
    }

    /// The photographs with the fault in them: the same noise on corners that are where the fault put them.
    pub fn with(&self, put: &Put) -> Vec<Photo> {
        let mut photos = self.photos.clone();
        let shows: Vec<usize> =
            (0..photos.len()).filter(|&p| photos[p].tags.iter().any(|t| self.concerns(&put.suspect, p, t))).collect();
        let (first, last) = (shows[0], *shows.last().unwrap());
        for (p, photo) in photos.iter_mut().enumerate() {
            let bay = &self.stops[photo.position];
            for view in &mut photo.tags {
                if !self.concerns(&put.suspect, p, view) {
                    continue;
                }
                let tag = bay.layout.tags.iter().find(|other| other.id == view.id).unwrap();
                let (mut weight, mut grown, mut lens) = (0.0, 1.0, bay.lens);
                match put.fault {
                    Fault::Moved { from_photo } => weight = f64::from(u8::from(p >= from_photo)),
                    Fault::Crept => weight = (p - first) as f64 / (last - first) as f64,
                    Fault::Displaced => weight = 1.0,
                    Fault::Size => grown += put.relative,
                    Fault::Focal => {
                        (lens.fx, lens.fy) = (lens.fx * (1.0 + put.relative), lens.fy * (1.0 + put.relative));
                    }
                }
                let step = Vector6::new(0.0, 0.0, 0.0, put.shift_m.x, put.shift_m.y, put.shift_m.z) * weight;
                let place: Pose<World, Tag> = tag.world_from_tag.moved_left(&step);
                let truth = self.perfect[p].tags.iter().find(|other| other.id == view.id).unwrap();
                for (k, corner) in
                    plumbsight::body::rectangle_corners_m(tag.sides_m().map(|s| s * grown)).iter().enumerate()
                {
                    let in_camera = self.cameras[p] * (place * Point::<Tag>::claim(*corner));
                    let seen = lens.project(&in_camera).unwrap();
                    view.corners[k] += seen - truth.corners[k];
                }
            }
        }
        photos
    }
}
