//! One camera of a live session: what it saw last, where it stands, and where it sees the stand.

use super::base::Base;
use super::start::{NoStart, start_of};
use super::steady::{Change, Motion, Sample, Steady, Window};
use super::view::{KnownTag, MOST_TAGS, Sight, Through, ViewFit, Weights, fit_view};
use super::{BodySeen, Happening, Mount, Role, TagSeen, What, words};
use crate::fit::chi_square;
use crate::frames::{Body, Camera, Pose, World, skew};
use crate::survey::TagView;
use crate::units::{deg_from_rad, mm_from_m};
use nalgebra::{Matrix3, Matrix6, Matrix6xX, Vector2, Vector6};
use std::time::Duration;

/// Frames over which the place of a riding camera is learned, at least. Common practice, no source.
const FRAMES_TO_LEARN: usize = 10;

/// Frames in a row in which a body must contradict the others before that is said. Common practice, no source.
const FRAMES_TO_NAME: usize = 3;

/// Frames for which a camera must have stood still for its being moved to be news. Common practice, no source.
const FRAMES_STOOD: usize = 5;

/// The middles of the stand's own tags stay within this in the picture of a camera that rides on it, px: light and blur move a tag's borders, but all to its outside or inside.
/// Common practice, no source.
const FIXED_PX: f64 = 1.0;

/// Where a riding camera sits on the stand.
#[derive(Clone, Debug)]
struct Rig {
    camera_from_stand: Pose<Camera, Body>,
    noise: Matrix6<f64>,
    gain: Matrix6xX<f64>,
    /// Covariance of its left step, the survey's part included.
    cov: Matrix6<f64>,
    /// The stand's own tags in the picture, where it shows some.
    stand_tags: Vec<(u16, [Vector2<f64>; 4])>,
}

/// Where a riding camera sits on the stand, with the covariance of its left step (turn rad, shift m), the survey's part included.
#[derive(Clone, Debug)]
pub struct RigPlace {
    /// Its place.
    pub camera_from_stand: Pose<Camera, Body>,
    /// Its covariance.
    pub cov: Matrix6<f64>,
}

/// Whether a riding camera sits where it sat.
#[derive(Clone, Debug, PartialEq)]
pub struct RigCheck {
    /// How far it is from where it was, m.
    pub shift_m: f64,
    /// And rad.
    pub turn_rad: f64,
    /// Chi-square with six degrees of freedom where it did not slip.
    pub statistic: f64,
    /// Its limit at 99.9 %.
    pub limit: f64,
    /// In words.
    pub sentence: String,
}

impl RigCheck {
    /// True where nothing says that it slipped.
    pub fn passed(&self) -> bool {
        self.statistic <= self.limit
    }
}

/// A camera.
pub(super) struct Eye {
    lens: usize,
    mount: Mount,
    last_camera: Option<Pose<Camera, World>>,
    last_stand: Option<Pose<Camera, Body>>,
    fast_weights: Option<Weights<World>>,
    stand_weights: Option<Weights<Body>>,
    camera: Window<World>,
    stand: Window<Body>,
    rig: Option<Rig>,
    /// A move of the camera that the next frame must confirm.
    suspected: Option<(Duration, Vector6<f64>)>,
    /// By the survey's bodies: frames in a row that contradict it; `usize::MAX` once that was said.
    against: Vec<usize>,
    /// When each body was last seen elsewhere, and where it was surveyed.
    seen_elsewhere: Vec<Duration>,
    seen_in_place: Vec<Option<Duration>>,
}

/// What a look gave.
pub(super) struct Looked {
    pub tags: Vec<TagSeen>,
    pub bodies: Vec<BodySeen>,
    pub trouble: Option<String>,
    pub happenings: Vec<Happening>,
}

/// The stand in the world as one camera has it.
#[derive(Clone, Debug)]
pub(super) struct Place {
    pub world_from_stand: Pose<World, Body>,
    /// Covariance of its right step apart from the survey's part.
    pub noise: Matrix6<f64>,
    /// 6 × n, its right step by what all pictures share: the ground's columns, and those of what lies beyond the margins.
    pub gain: Matrix6xX<f64>,
    pub motion: Motion,
    /// The camera moves, and the stand in its picture with it.
    pub camera_moves: bool,
    pub frames: usize,
}

/// 6 × 6: the right step of `pose` that does what a left step does.
fn right_from_left<F>(pose: &Pose<Camera, F>) -> Matrix6<f64> {
    let back: Matrix3<f64> = pose.rotation().transpose();
    let mut a = Matrix6::zeros();
    a.fixed_view_mut::<3, 3>(0, 0).copy_from(&back);
    a.fixed_view_mut::<3, 3>(3, 0).copy_from(&(-back * skew(&pose.translation())));
    a.fixed_view_mut::<3, 3>(3, 3).copy_from(&back);
    a
}

/// 6 × 6: the left step of `pose` that does what a right step does.
fn left_from_right<F>(pose: &Pose<Camera, F>) -> Matrix6<f64> {
    let rotation = pose.rotation();
    let mut a = Matrix6::zeros();
    a.fixed_view_mut::<3, 3>(0, 0).copy_from(&rotation);
    a.fixed_view_mut::<3, 3>(3, 0).copy_from(&(skew(&pose.translation()) * rotation));
    a.fixed_view_mut::<3, 3>(3, 3).copy_from(&rotation);
    a
}

/// The views of known tags among those seen, the largest first where there are too many; ids seen twice are left out.
fn sights<'a>(known: &'a [KnownTag], seen: &'a [TagView]) -> Vec<Sight<'a>> {
    let once = |view: &&TagView| seen.iter().filter(|other| other.id == view.id).count() == 1;
    let sane =
        |view: &&TagView| view.corners.iter().all(|c| c.iter().all(|v| v.is_finite())) && view.cov.cholesky().is_some();
    let mut out: Vec<Sight> = seen
        .iter()
        .filter(once)
        .filter(sane)
        .filter_map(|view| Some(Sight { known: known.iter().find(|k| k.id == view.id)?, seen: view }))
        .collect();
    if out.len() > MOST_TAGS {
        let size = |s: &Sight| (s.seen.corners[2] - s.seen.corners[0]).norm();
        out.sort_by(|a, b| size(b).total_cmp(&size(a)));
        out.truncate(MOST_TAGS);
    }
    out
}

impl Eye {
    pub fn new(lens: usize, mount: Mount) -> Self {
        Self {
            lens,
            mount,
            last_camera: None,
            last_stand: None,
            fast_weights: None,
            stand_weights: None,
            camera: Window::default(),
            stand: Window::default(),
            rig: None,
            suspected: None,
            against: Vec::new(),
            seen_elsewhere: Vec::new(),
            seen_in_place: Vec::new(),
        }
    }

    /// The newest frame that gave a pose.
    pub fn newest(&self) -> Option<Duration> {
        match self.mount {
            Mount::Apart => self.stand.newest(),
            Mount::OnStand => self.camera.newest(),
        }
    }

    /// Where it sits on the stand, once that is learned.
    pub fn rig_place(&self) -> Option<RigPlace> {
        self.rig.as_ref().map(|r| RigPlace { camera_from_stand: r.camera_from_stand, cov: r.cov })
    }

    /// Where the camera is, averaged.
    pub fn camera_now(&self) -> Option<Steady<World>> {
        self.camera.now()
    }

    /// Takes in a frame.
    pub fn look(&mut self, base: &Base, camera: usize, time: Duration, seen: &[TagView]) -> Looked {
        let fast = sights(&base.fast, seen);
        let on_stand = sights(&base.on_stand, seen);
        let mut looked = Looked { tags: Vec::new(), bodies: Vec::new(), trouble: None, happenings: Vec::new() };
        let through = Through { ground: &base.ground, lens: self.lens, n_beyond: base.n_beyond };
        let fast_fit = self.fit_fast(&through, base, &fast, &mut looked);
        let stand_fit = match (self.mount, &looked.trouble) {
            (Mount::Apart, None) => self.fit_stand(&through, &on_stand, &mut looked),
            (Mount::OnStand, None) => {
                looked.trouble = self.does_not_ride(&on_stand);
                None
            }
            _ => None,
        };
        self.describe(base, seen, &fast, &on_stand, fast_fit.as_ref(), stand_fit.as_ref(), &mut looked);
        if let Some(fit) = &fast_fit {
            self.name_bodies(base, camera, time, &fast, fit, &mut looked);
        }
        // A frame that cannot be believed leaves everything as it was.
        if looked.trouble.is_some() {
            return looked;
        }
        if let Some(fit) = fast_fit {
            self.take_camera(camera, time, fit, &mut looked);
        }
        if let Some(fit) = stand_fit {
            self.last_stand = Some(fit.camera_from_frame);
            self.stand.add(Sample { time, camera_from_frame: fit.camera_from_frame, noise: fit.noise, gain: fit.gain });
        }
        if self.mount == Mount::OnStand && self.rig.is_none() {
            self.learn(base, camera, time, &on_stand, &mut looked);
        }
        looked
    }

    /// Why a camera that is said to ride on the stand does not: the stand moves in its picture. Taken for a riding one it would call the stand still while that is moved.
    fn does_not_ride(&self, on_stand: &[Sight]) -> Option<String> {
        let before = &self.rig.as_ref()?.stand_tags;
        let moved = |s: &Sight| {
            let tag = before.iter().find(|(id, _)| *id == s.known.id);
            let middle = |corners: &[Vector2<f64>; 4]| corners.iter().sum::<Vector2<f64>>() / 4.0;
            tag.is_some_and(|(_, before)| (middle(&s.seen.corners) - middle(before)).norm() > FIXED_PX)
        };
        on_stand.iter().any(moved).then(|| {
            "The stand moves in the picture of this camera: it does not ride on the stand, or it slipped. Say that it stands on a tripod; or put the stand back where it was \
             photographed and begin the reading anew."
                .into()
        })
    }

    fn fit_fast(
        &mut self,
        through: &Through,
        base: &Base,
        fast: &[Sight],
        looked: &mut Looked,
    ) -> Option<ViewFit<World>> {
        if fast.is_empty() {
            looked.trouble = Some(
                "Nothing that was surveyed is in the picture besides the stand: turn the camera so that it also sees a floor sheet or a wheel plate of the survey.".into(),
            );
            return None;
        }
        let fit = match start_of(through, fast, self.last_camera.as_ref()) {
            Ok(start) => fit_view(through, fast, &start, &mut self.fast_weights),
            Err(NoStart::Mirror) => {
                looked.trouble = Some(
                    "The surveyed tags in the picture can be seen two ways that fit almost equally well: show one more floor sheet or plate, or go nearer.".into(),
                );
                return None;
            }
            Err(NoStart::None) => None,
        };
        let Some(fit) = fit else {
            self.last_camera = None;
            looked.trouble =
                Some("The tags in this frame give no place of the camera: hold it still and show more of them.".into());
            return None;
        };
        if fit.contradicted {
            let mut names: Vec<&str> = fast.iter().map(|s| base.name(s.known.body)).collect();
            names.sort_unstable();
            names.dedup();
            looked.trouble = Some(format!(
                "What the camera sees contradicts the survey: of {} at least one is not where it was, or the camera is not the one of the lens profile, or its picture \
                 comes turned by half a turn. Put it back, or take new photographs and check the job again; turn a phone the other way round.",
                listed(&names)
            ));
        }
        Some(fit)
    }

    fn fit_stand(&mut self, through: &Through, on_stand: &[Sight], looked: &mut Looked) -> Option<ViewFit<Body>> {
        if on_stand.is_empty() {
            looked.trouble = Some("The stand is not in the picture: no tag of it was read.".into());
            return None;
        }
        let fit = match start_of(through, on_stand, self.last_stand.as_ref()) {
            Ok(start) => fit_view(through, on_stand, &start, &mut self.stand_weights),
            Err(NoStart::Mirror) => {
                looked.trouble = Some(
                    "The stand can be seen two ways that fit almost equally well: show more of its tags, or go nearer."
                        .into(),
                );
                return None;
            }
            Err(NoStart::None) => None,
        };
        let Some(fit) = fit else {
            self.last_stand = None;
            looked.trouble = Some(
                "The stand's tags in this frame give no place: hold the camera still and show more of them.".into(),
            );
            return None;
        };
        if fit.contradicted {
            looked.trouble = Some(
                "The stand's tags contradict each other: one of them is loose, partly hidden or not where bodies.toml has it.".into(),
            );
        }
        Some(fit)
    }

    #[allow(clippy::too_many_arguments)]
    fn describe(
        &self,
        base: &Base,
        seen: &[TagView],
        fast: &[Sight],
        on_stand: &[Sight],
        fast_fit: Option<&ViewFit<World>>,
        stand_fit: Option<&ViewFit<Body>>,
        looked: &mut Looked,
    ) {
        let used =
            |id: u16| fast_fit.is_some_and(|f| f.used.contains(&id)) || stand_fit.is_some_and(|f| f.used.contains(&id));
        looked.tags = seen
            .iter()
            .map(|view| TagSeen {
                id: view.id,
                body: base.declared.kit.find_tag(view.id).map(|(body, _)| body),
                corners: view.corners,
                used: used(view.id),
            })
            .collect();
        for (sight, role) in fast.iter().map(|s| (s, Role::Fast)).chain(on_stand.iter().map(|s| (s, Role::Stand))) {
            let body = base.in_kit[sight.known.body];
            let known = looked.bodies.iter().position(|b: &BodySeen| b.body == body);
            let at = known.unwrap_or_else(|| {
                looked.bodies.push(BodySeen {
                    body,
                    name: base.name(sight.known.body).to_owned(),
                    role,
                    used: 0,
                    rejected: 0,
                });
                looked.bodies.len() - 1
            });
            match used(sight.known.id) {
                true => looked.bodies[at].used += 1,
                false => looked.bodies[at].rejected += 1,
            }
        }
    }

    /// The bodies (indices into the survey's) that were named as not being where they were surveyed, and that this camera has not seen there since; with when it saw them elsewhere last.
    pub(super) fn elsewhere(&self) -> impl Iterator<Item = (usize, Duration)> + '_ {
        let named = self.against.iter().enumerate().filter(|(_, count)| **count == usize::MAX);
        named.map(|(body, _)| (body, self.seen_elsewhere[body]))
    }

    /// When this camera saw a body where it was surveyed last.
    pub(super) fn seen_in_place(&self, body: usize) -> Option<Duration> {
        self.seen_in_place.get(body).copied().flatten()
    }

    /// Says once that a body contradicts the others, when it has done so for some frames.
    fn name_bodies(
        &mut self,
        base: &Base,
        camera: usize,
        time: Duration,
        fast: &[Sight],
        fit: &ViewFit<World>,
        looked: &mut Looked,
    ) {
        self.against.resize(base.in_kit.len(), 0);
        self.seen_elsewhere.resize(base.in_kit.len(), Duration::ZERO);
        self.seen_in_place.resize(base.in_kit.len(), None);
        for body in 0..base.in_kit.len() {
            let shown = fast.iter().filter(|s| s.known.body == body).count();
            let left_out = fit.rejected.iter().filter(|(_, b)| *b == body).count();
            let count = &mut self.against[body];
            if shown == 0 {
                continue;
            }
            match left_out < shown {
                true => self.seen_in_place[body] = Some(time),
                false => self.seen_elsewhere[body] = time,
            }
            if left_out < shown {
                *count = 0;
            } else if *count != usize::MAX {
                *count += 1;
                if *count >= FRAMES_TO_NAME {
                    *count = usize::MAX;
                    looked.happenings.push(Happening {
                        time,
                        camera,
                        what: What::BodyElsewhere { body: base.in_kit[body] },
                        sentence: format!("{} It is left out.", words::elsewhere(base.name(body))),
                    });
                }
            }
        }
    }

    fn take_camera(&mut self, camera: usize, time: Duration, fit: ViewFit<World>, looked: &mut Looked) {
        self.last_camera = Some(fit.camera_from_frame);
        let change = self.camera.add(Sample {
            time,
            camera_from_frame: fit.camera_from_frame,
            noise: fit.noise,
            gain: fit.gain,
        });
        if self.mount == Mount::OnStand {
            return;
        }
        match change {
            Change::Jumped { step, agreed, beyond } if beyond && agreed >= FRAMES_STOOD => {
                self.suspected = Some((time, step));
            }
            Change::Jumped { .. } => self.suspected = None,
            Change::Continues => {
                let Some((time, step)) = self.suspected.take() else { return };
                let moved = shift_of(&fit.camera_from_frame, &step);
                let turn_rad = step.fixed_rows::<3>(0).norm();
                looked.happenings.push(Happening {
                    time,
                    camera,
                    what: What::CameraMoved { shift_m: moved, turn_rad },
                    sentence: format!(
                        "The camera was moved ({:.1} mm, {:.2}°). The reading goes on from its new place; keep the tripod clear of feet and cables.",
                        mm_from_m(moved),
                        deg_from_rad(turn_rad)
                    ),
                });
            }
        }
    }

    /// Learns where a riding camera sits: while nothing moves the stand is where it was surveyed.
    fn learn(&mut self, base: &Base, camera: usize, time: Duration, on_stand: &[Sight], looked: &mut Looked) {
        let Some(now) = self.camera.now() else { return };
        if now.frames < FRAMES_TO_LEARN || now.motion != Motion::Still {
            looked.trouble = Some(format!(
                "Learning where the camera sits on the stand ({} of {FRAMES_TO_LEARN} frames): leave the stand where it was photographed.",
                now.frames.min(FRAMES_TO_LEARN)
            ));
            return;
        }
        let camera_from_stand = now.camera_from_frame * base.world_from_stand();
        let gain = now.gain + left_from_right(&camera_from_stand) * base.stand_by_ground();
        let cov = now.noise + base.spread(&gain);
        let stand_tags = on_stand.iter().map(|s| (s.known.id, s.seen.corners)).collect();
        self.rig = Some(Rig { camera_from_stand, noise: now.noise, gain, cov, stand_tags });
        looked.happenings.push(Happening {
            time,
            camera,
            what: What::RigLearned,
            sentence: "Where the camera sits on the stand is known now: the stand may be moved.".into(),
        });
    }

    /// The stand in the world as this camera has it now.
    pub fn place(&self) -> Option<Place> {
        let camera = self.camera.now()?;
        let stand = match self.mount {
            Mount::Apart => self.stand.now()?,
            Mount::OnStand => {
                let rig = self.rig.as_ref()?;
                Steady {
                    camera_from_frame: rig.camera_from_stand,
                    noise: rig.noise,
                    gain: rig.gain.clone(),
                    frames: camera.frames,
                    motion: camera.motion,
                }
            }
        };
        let a = right_from_left(&stand.camera_from_frame);
        let noise = a * (stand.noise + camera.noise) * a.transpose();
        Some(Place {
            world_from_stand: camera.camera_from_frame.inverse() * stand.camera_from_frame,
            noise: (noise + noise.transpose()) * 0.5,
            gain: a * (stand.gain - camera.gain),
            camera_moves: self.mount == Mount::Apart
                && stand.motion != Motion::Still
                && camera.motion == Motion::Moving,
            motion: stand.motion,
            frames: stand.frames,
        })
    }
}

/// How far the camera itself moved with a left step of its pose, m.
fn shift_of(after: &Pose<Camera, World>, step: &Vector6<f64>) -> f64 {
    let before = after.moved_left(&-step);
    (after.inverse().translation() - before.inverse().translation()).norm()
}

/// Names in a sentence.
fn listed(names: &[&str]) -> String {
    let quoted: Vec<String> = names.iter().map(|n| format!("\"{n}\"")).collect();
    match quoted.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Compares two rigs, from surveys of their own.
pub(super) fn check_rig(a: &RigPlace, b: &RigPlace) -> RigCheck {
    let step = a.camera_from_stand.left_step_to(&b.camera_from_stand);
    let cov = a.cov + b.cov;
    let statistic = cov.cholesky().map_or(f64::INFINITY, |c| step.dot(&c.solve(&step)));
    let limit = chi_square::limit(f64::ln(0.001), 6);
    let d = a.camera_from_stand.inverse().iso() * b.camera_from_stand.iso();
    // How far the camera's own centre went, seen from the stand.
    let shift_m = (a.camera_from_stand.inverse().translation() - b.camera_from_stand.inverse().translation()).norm();
    let turn_rad = d.rotation.angle();
    let by = format!("{:.1} mm and {:.2}°", mm_from_m(shift_m), deg_from_rad(turn_rad));
    let sentence = if statistic <= limit {
        format!("The camera sits on the stand as it did before: the difference of {by} is within its uncertainty.")
    } else {
        format!(
            "The camera slipped on the stand by {by} since its place was learned: do not rely on the readings in between; only the new photographs count."
        )
    };
    RigCheck { shift_m, turn_rad, statistic, limit, sentence }
}
