//! A bay's stand alone, before the job: with sheets at its target's corners, photographed from all around, to be learned.

use crate::body::{BodyModel, BodyTag, Kit, PrintScale, TagPlace};
use crate::camera::Lens;
use crate::frames::{Body, Camera, Point, Pose, Tag, World};
use crate::placement::{FaceCorner, FaceMark};
use crate::scene::cameras::{Viewer, look};
use crate::scene::draw::{Draw, Purpose};
use crate::scene::layout::{Layout, TrueTag, place};
use crate::scene::options::BayError;
use crate::scene::{Bay, scenery};
use crate::units::{m_from_mm, rad_from_deg};
use nalgebra::{Vector2, Vector3, Vector6};

/// Ids of the target-corner sheets, in the order of [`FaceCorner::ALL`].
pub const CORNER_IDS: [u16; 4] = [60, 61, 62, 63];

/// Every tag is in this many photographs at least.
const FEWEST_PHOTOS: usize = 3;

/// The name of the corner sheets' print group.
const CORNER_PRINT: &str = "made corner print";

/// How a stand is prepared and photographed for learning. What is stated of each quantity is the distribution it is drawn from.
#[derive(Clone, Debug, PartialEq)]
pub struct StandOptions {
    /// Everything random follows from this and the bay's own seed.
    pub seed: u64,
    /// Photographs, at least 6.
    pub n_photos: usize,
    /// Width and height of the target, centred on its frame's origin, m. Painted photographs show all of it up to a height of 0.18 m.
    pub face_m: [f64; 2],
    /// Side of the corner sheets' tags, m.
    pub side_m: f64,
    /// From the middle of a corner sheet's tag to the two edges that go on the target's edges, m.
    pub to_edge_m: f64,
    /// Error of each mark on its corner, for each direction in the face.
    pub sigma_mark_m: f64,
    /// Error of its height above the face.
    pub sigma_flat_m: f64,
}

impl Default for StandOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            n_photos: 18,
            face_m: [0.56, 0.30],
            side_m: 0.060,
            to_edge_m: 0.0375,
            sigma_mark_m: m_from_mm(0.3),
            sigma_flat_m: m_from_mm(0.1),
        }
    }
}

/// The prepared stand.
#[derive(Clone, Debug)]
pub struct StandScene {
    /// The stand alone; its kit knows nothing of where the tags are. The first tag's place is set to be its body's frame.
    pub bay: Bay,
    /// What is said of the target's corners.
    pub marks: Vec<FaceMark>,
}

impl StandScene {
    /// Prepares the stand of a bay. Fails where no photographs were found that show every tag often enough.
    pub fn new(bay: &Bay, options: &StandOptions) -> Result<Self, BayError> {
        let mut draw = Draw::new(bay.options.seed ^ options.seed.wrapping_mul(0xa076_1d64_78bd_642f), Purpose::Bodies);
        let stand = bay.layout.stand;
        let world_from_body = bay.layout.world_from_body[stand];
        let declared = &bay.layout.kit.bodies[stand];
        let mut tags: Vec<TrueTag> = bay.layout.tags.iter().filter(|t| t.body == stand).copied().collect();
        tags.iter_mut().for_each(|t| t.body = 0);
        let mut kit_tags: Vec<BodyTag> =
            declared.tags.iter().map(|t| BodyTag { place: TagPlace::Free, ..t.clone() }).collect();
        // Whatever frame: the first tag's own.
        kit_tags[0].place = TagPlace::Known(Pose::coincident());

        let print = bay.layout.kit.prints.len();
        let larger = draw.normal(bay.options.sigma_print_common);
        let mut marks = Vec::new();
        for (id, corner) in CORNER_IDS.into_iter().zip(FaceCorner::ALL) {
            let (left, top) = (if corner.left { 1.0 } else { -1.0 }, if corner.top { 1.0 } else { -1.0 });
            let each = draw.normal(bay.options.sigma_print_each);
            let in_tag_m = [-left * options.to_edge_m, top * options.to_edge_m];
            let grown = (1.0 + larger) * (1.0 + each);
            let upright = place(-Vector3::y(), Vector3::z(), Vector3::zeros());
            let tilt = Vector6::new(draw.normal(0.003), draw.normal(0.003), draw.normal(0.01), 0.0, 0.0, 0.0);
            let turned: Pose<Body, Tag> = upright.moved_right(&tilt);
            // Where the mark is in the tag's frame, errors included; it lies on the target's corner.
            let mark = Vector3::new(
                in_tag_m[0] * grown + draw.normal(options.sigma_mark_m),
                in_tag_m[1] * grown + draw.normal(options.sigma_mark_m),
                draw.normal(options.sigma_flat_m),
            );
            let at = Vector3::new(0.0, left * options.face_m[0] / 2.0, top * options.face_m[1] / 2.0);
            let body_from_tag = Pose::claim_matrix(&turned.rotation(), at - turned.rotation() * mark);
            marks.push(FaceMark {
                tag: kit_tags.len(),
                corner,
                in_tag_m,
                u_m: options.sigma_mark_m,
                u_flat_m: options.sigma_flat_m,
                stays: false,
            });
            tags.push(TrueTag {
                body: 0,
                tag: kit_tags.len(),
                id,
                side_m: options.side_m * grown,
                stretch: [1.0; 2],
                body_from_tag,
                world_from_tag: world_from_body * body_from_tag,
            });
            kit_tags.push(BodyTag { id, side_m: options.side_m, stretch: [1.0; 2], print, place: TagPlace::Free });
        }
        let mut prints = bay.layout.kit.prints.clone();
        prints.push(PrintScale { name: CORNER_PRINT.into(), ..prints[0].clone() });
        let body = BodyModel { name: declared.name.clone(), kind: declared.kind, tags: kit_tags };
        let kit = Kit { bodies: vec![body], prints, joint_places: Vec::new() };
        let layout = Layout { kit, world_from_body: vec![world_from_body], tags, stand: 0, ..bay.layout.clone() };
        let mut solids = Vec::new();
        scenery::stand(&layout, &mut solids);
        let camera_from_world = walk(options, &bay.lens, &layout, &solids, &mut draw)?;
        let bay = Bay { layout, solids, camera_from_world, ..bay.clone() };
        Ok(Self { bay, marks })
    }

    /// True places of the stand's own tags (the corner sheets left out), in the target's frame.
    pub fn true_places(&self) -> Vec<Pose<Body, Tag>> {
        let own = |t: &&TrueTag| !CORNER_IDS.contains(&t.id);
        self.bay.layout.tags.iter().filter(own).map(|t| t.body_from_tag).collect()
    }
}

/// Places all around the stand, two thirds of them before its face.
fn walk(
    options: &StandOptions,
    lens: &Lens,
    layout: &Layout,
    solids: &[crate::scene::solid::Solid],
    draw: &mut Draw,
) -> Result<Vec<Pose<Camera, World>>, BayError> {
    let viewer = Viewer::new(lens, solids);
    let world_from_stand = layout.world_from_body[layout.stand];
    let mut least = 0;
    for _ in 0..60 {
        let n_front = options.n_photos * 2 / 3;
        let cameras: Vec<_> = (0..options.n_photos)
            .map(|k| {
                let (from, to, k, n) = if k < n_front {
                    (-75.0, 75.0, k, n_front)
                } else {
                    (90.0, 270.0, k - n_front, options.n_photos - n_front)
                };
                let azimuth = rad_from_deg(from + (to - from) * (k as f64 + draw.unit()) / n as f64);
                let distance = draw.uniform(1.35, 2.0);
                let eye = Vector3::new(-azimuth.cos() * distance, azimuth.sin() * distance, draw.uniform(-0.35, 0.7));
                let at = Vector3::new(0.0, draw.uniform(-0.08, 0.08), draw.uniform(-0.1, 0.1));
                let in_world = |p: Vector3<f64>| (world_from_stand * Point::<Body>::claim(p)).coords;
                look(in_world(eye), in_world(at), draw.uniform(-0.2, 0.2))
            })
            .collect();
        let seen = |tag: &TrueTag| -> usize {
            let found: Vec<[Vector2<f64>; 4]> =
                cameras.iter().filter_map(|camera| viewer.corners(camera, tag)).collect();
            found.len()
        };
        least = layout.tags.iter().map(seen).min().unwrap_or(0);
        if least >= FEWEST_PHOTOS {
            return Ok(cameras);
        }
    }
    Err(BayError::Unlinked { n_photos: options.n_photos, reason: format!("a tag of the stand is in {least} of them") })
}
