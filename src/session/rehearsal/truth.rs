//! What is true in a rehearsal: drawn from its limits by the seed.

use crate::camera::Lens;
use crate::frames::{Camera, Pose, World};
use crate::record::Problem;
use crate::record::rehearsal::{Decision, Fault, FaultKind, Rehearsal};
use crate::scene::cameras::look;
use crate::scene::draw::{Draw, Purpose, scramble};
use crate::scene::layout::FLOOR_IDS;
use crate::scene::{Bay, BayOptions, SixOffsets, scenery};
use crate::units::{m_from_mm, rad_from_deg};
use nalgebra::{Isometry3, Vector3};

/// Tolerances of the invented procedure, in the order of the six: m and rad.
pub const TOLERANCES: [f64; 6] =
    [m_from_mm(10.0), m_from_mm(10.0), m_from_mm(8.0), rad_from_deg(0.3), rad_from_deg(0.3), rad_from_deg(0.3)];

/// What happened, with what, and from where on.
#[derive(Clone, Debug, PartialEq)]
pub struct Happened {
    /// The kind.
    pub kind: FaultKind,
    /// The tag's id or the item's name, where there is one.
    pub culprit: Option<String>,
    /// Index of the first photograph or frame after it.
    pub from: Option<usize>,
    /// How much: m, a share, or Pa.
    pub size: f64,
    /// The same in words.
    pub words: String,
}

/// A rehearsal's truth.
pub struct Truth {
    /// The bay before anything happened.
    bay: Bay,
    /// The bay after it, where something in it moved.
    after: Option<Bay>,
    /// The tripod camera of the hold watch.
    tripod: Pose<Camera, World>,
    /// How far the stand is off when the photographs begin.
    pub stand: SixOffsets,
    /// What happened.
    pub happened: Happened,
    /// What is right to do.
    pub decision: Decision,
}

/// Bays that are tried for one seed.
const MOST_TRIES: u64 = 30;

/// The lens of the photographs: 1280 px wide.
fn lens() -> Lens {
    Lens {
        width: 1280,
        height: 720,
        fx: 920.0,
        fy: 920.7,
        cx: 636.4,
        cy: 361.8,
        k1: -0.10,
        k2: 0.03,
        p1: 0.0005,
        p2: -0.0003,
        k3: 0.0,
    }
}

/// What the bay is drawn from.
fn options(rehearsal: &Rehearsal, seed: u64, stand: SixOffsets) -> BayOptions {
    BayOptions {
        seed,
        n_photos: rehearsal.photographs,
        lens: lens(),
        stand,
        run_out_limit_rad: rehearsal.run_out_rad,
        eccentricity_limit_m: m_from_mm(0.3),
        sigma_stand_off_m: m_from_mm(0.3),
        sigma_wheelbase_m: m_from_mm(1.0),
        sigma_thickness_m: m_from_mm(0.3),
        sigma_uneven_m: m_from_mm(0.3),
        ..BayOptions::default()
    }
}

/// Works out the truth of a rehearsal with a seed.
///
/// # Errors
/// No such bay can be made; the seed is to blame.
pub fn truth_of(rehearsal: &Rehearsal, seed: u64) -> Result<Truth, Problem> {
    let mut draw = Draw::new(seed, Purpose::Rehearsal);
    let stand = SixOffsets::from_array(rehearsal.stand.map(|limits| signed(&mut draw, limits)));
    let mut bay = some_bay(rehearsal, seed, stand)?;
    let mut after = None;
    let n = bay.camera_from_world.len();
    let happened = match rehearsal.fault {
        Fault::None => {
            Happened { kind: FaultKind::None, culprit: None, from: None, size: 0.0, words: "Nothing was wrong.".into() }
        }
        Fault::StandMoved(limits) => {
            let size = draw.uniform(limits[0], limits[1]);
            // Away from the ends, so that there is something on both sides of it.
            let from = n / 3 + (draw.unit() * (n / 3) as f64) as usize;
            after = Some(pushed(&bay, size, &mut draw));
            let words = format!(
                "The stand was moved by {:.0} mm before photograph {}.",
                crate::units::mm_from_m(size),
                from + 1
            );
            Happened { kind: FaultKind::StandMoved, culprit: Some("stand".into()), from: Some(from), size, words }
        }
        Fault::Bumped(limits) => {
            let size = draw.uniform(limits[0], limits[1]);
            let frames = rehearsal.hold_frames;
            // The watch begins only after some seconds of rest: the first half is for that.
            let from = frames / 2 + (draw.unit() * (frames / 4) as f64) as usize;
            after = Some(pushed(&bay, size, &mut draw));
            let words =
                format!("The stand was bumped by {:.0} mm before frame {}.", crate::units::mm_from_m(size), from + 1);
            Happened { kind: FaultKind::Bumped, culprit: Some("stand".into()), from: Some(from), size, words }
        }
        Fault::SheetSize(limits) => {
            let size = -draw.uniform(limits[0], limits[1]);
            let id = FLOOR_IDS.start() + (draw.unit() * FLOOR_IDS.count() as f64) as u16;
            for tag in bay.layout.tags.iter_mut().filter(|t| t.id == id) {
                tag.side_m *= 1.0 + size;
            }
            let words = format!("Tag {id} was printed {:.1} % too small.", -100.0 * size);
            Happened { kind: FaultKind::SheetSize, culprit: Some(id.to_string()), from: None, size, words }
        }
        Fault::TyreLow(limits) => {
            let size = draw.uniform(limits[0], limits[1]);
            let words = format!(
                "The rear left tyre was {:.0} kPa below its placard; everything else on the list was as it should be.",
                crate::units::kpa_from_pa(size)
            );
            Happened { kind: FaultKind::NotReady, culprit: Some("tyre-pressures".into()), from: None, size, words }
        }
    };
    let out = stand.to_array().iter().zip(TOLERANCES).any(|(v, t)| v.abs() > t);
    let decision = match (happened.kind, out) {
        (FaultKind::None, _) if rehearsal.not_provable => Decision::ProveMore,
        (FaultKind::None, true) => Decision::Move,
        (FaultKind::None, false) => Decision::Calibrate,
        _ => Decision::Stop,
    };
    let tripod = tripod(&bay);
    Ok(Truth { bay, after, tripod, stand, happened, decision })
}

/// A bay of this seed. A walk with few photographs does not always show every tag twice: the next of the seed's own row of bays is tried then.
fn some_bay(rehearsal: &Rehearsal, seed: u64, stand: SixOffsets) -> Result<Bay, Problem> {
    let mut last = None;
    for k in 0..MOST_TRIES {
        match Bay::new(&options(rehearsal, scramble(seed.wrapping_add(k << 40)), stand)) {
            Ok(mut bay) => {
                bay.camera_from_world = super::walk::in_two_rounds(&bay.camera_from_world);
                return Ok(bay);
            }
            Err(e) => last = Some(e.to_string()),
        }
    }
    let why = last.unwrap_or_default();
    Err(Problem::of_file(format!("seed {seed}"), format!("no bay can be made from it ({why})"), "Take another seed."))
}

/// A size between two limits with either sign.
fn signed(draw: &mut Draw, [low, high]: [f64; 2]) -> f64 {
    let size = draw.uniform(low, high);
    if draw.unit() < 0.5 { -size } else { size }
}

/// The bay with its stand pushed sideways and turned a little, as a foot or a door does it.
fn pushed(bay: &Bay, size_m: f64, draw: &mut Draw) -> Bay {
    let mut out = bay.clone();
    let stand = bay.layout.stand;
    let along = draw.uniform(-0.5, 0.5);
    let side = if draw.unit() < 0.5 { -1.0 } else { 1.0 };
    let push = Vector3::new(along, side * (1.0 - along * along).sqrt(), 0.0) * size_m;
    let turn = Vector3::z() * rad_from_deg(draw.uniform(-0.3, 0.3));
    let before = bay.layout.world_from_body[stand];
    let moved = Isometry3::new(push, turn);
    let iso = before.iso();
    let about = Isometry3::from_parts(
        (moved.translation.vector + iso.translation.vector).into(),
        moved.rotation * iso.rotation,
    );
    out.layout.world_from_body[stand] = Pose::claim(about);
    for tag in out.layout.tags.iter_mut().filter(|t| t.body == stand) {
        tag.world_from_tag = out.layout.world_from_body[stand] * tag.body_from_tag;
    }
    out.solids = scenery::solids(&out.options, &out.layout);
    out
}

/// A camera on a tripod beside the car's front that sees the stand and floor sheets before it.
fn tripod(bay: &Bay) -> Pose<Camera, World> {
    let stand = bay.layout.world_from_body[bay.layout.stand].translation();
    look(Vector3::new(stand.x - 2.6, 1.55, 1.35), Vector3::new(stand.x - 0.15, 0.05, 0.75), 0.0)
}

impl Truth {
    /// Number of photographs.
    pub fn photographs(&self) -> usize {
        self.bay.camera_from_world.len()
    }

    /// The bay as photograph `photo` shows it, and where it is taken from.
    pub(super) fn photograph(&self, photo: usize) -> (&Bay, Pose<Camera, World>) {
        let moved = self.happened.kind == FaultKind::StandMoved && self.happened.from.is_some_and(|from| photo >= from);
        let bay = self.after.as_ref().filter(|_| moved).unwrap_or(&self.bay);
        (bay, self.bay.camera_from_world[photo])
    }

    /// The same for a frame of the hold watch, and whether it comes after the bump.
    pub(super) fn hold_frame(&self, frame: usize) -> (&Bay, Pose<Camera, World>, bool) {
        let bumped = self.happened.kind == FaultKind::Bumped && self.happened.from.is_some_and(|from| frame >= from);
        (self.after.as_ref().filter(|_| bumped).unwrap_or(&self.bay), self.tripod, bumped)
    }

    /// The bay as it was made.
    pub(super) fn bay(&self) -> &Bay {
        &self.bay
    }

    /// Name of a photograph's file in the folder.
    pub(super) fn photo_file(&self, photo: usize) -> String {
        format!("photos/{:03}.jpg", photo + 1)
    }

    /// Name of a frame's file in the folder.
    pub(super) fn hold_file(&self, frame: usize) -> String {
        format!("hold/{:03}.jpg", frame + 1)
    }
}
