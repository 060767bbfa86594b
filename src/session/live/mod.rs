//! Live reading: where the stand is now, frame by frame, against a bay that was surveyed before.
//!
//! [`Base`] is the surveyed job; [`Live`] takes frames of one or several cameras and gives a [`Reading`] for each. A camera stands on a tripod and
//! sees the stand and something that was surveyed, or it rides on the stand and looks back at plates and floor sheets ([`Mount`]). Each frame alone gives
//! the stand's place with its uncertainty; `steady.rs` averages as much as the motion allows; [`Base::judge`] is the decision of `check`.
//!
//! Nothing here reads a file or a clock: a frame's time comes with it, so that a replay gives what the live session gave.

mod base;
mod camera;
mod elsewhere;
mod fuse;
mod start;
pub(super) mod steady;
pub(super) mod view;
mod words;

pub use base::{Base, Declared, NoBase};
pub use camera::{RigCheck, RigPlace};
pub use elsewhere::{ELSEWHERE_IN_A_ROW, Elsewhere, words as elsewhere_words};
pub use steady::Motion;

use crate::frames::{Body, Camera, Pose, World};
use crate::raster::Gray;
use crate::record::Job;
use crate::survey::TagView;
use crate::tags::track::Tracker;
use crate::tags::{DetectOptions, Detection};
use crate::verdict::StationResult;
use camera::Eye;
use nalgebra::{Matrix6, Vector2, Vector6};
use std::sync::Arc;
use std::time::Duration;

/// A reading older than this is stale: what it says may have changed since. Common practice, no source.
pub const STALE_AFTER: Duration = Duration::from_millis(500);

/// How a camera is mounted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Mount {
    /// On a tripod, or in a hand: it must see the stand and at least one surveyed body in the same frame.
    Apart,
    /// Fixed to the stand, looking at wheel plates and floor sheets. Where it sits is learned first, while the stand is where it was surveyed.
    OnStand,
}

/// A camera of a live session.
#[derive(Clone, Debug)]
pub struct CameraSetup {
    /// Index into the job's lenses: it must be the camera of that profile, at the same focus and zoom.
    pub lens: usize,
    /// How it is mounted.
    pub mount: Mount,
    /// How to look for tags; the lens is filled in from the survey.
    pub detect: DetectOptions,
}

impl CameraSetup {
    /// A camera of a job: looked at with the tone curve of its lens profile, where there is one of that number.
    pub fn of(job: &Job, lens: usize, mount: Mount) -> Self {
        let mut detect = DetectOptions::default();
        if let Some(profile) = job.lenses.get(lens) {
            detect.tone = profile.tone.clone();
        }
        Self { lens, mount, detect }
    }
}

/// Why a camera cannot take part.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum NoCamera {
    /// No such lens.
    #[error("the job has no lens profile number {0}")]
    NoLens(usize),
}

/// A tag found in a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct TagSeen {
    /// Its id.
    pub id: u16,
    /// Its body, index into the kit's bodies; `None` where nothing declares it.
    pub body: Option<usize>,
    /// Corners, px.
    pub corners: [Vector2<f64>; 4],
    /// True where its body was surveyed and it took part in the reading.
    pub used: bool,
}

/// What a surveyed body is to a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The stand that is followed.
    Stand,
    /// It stands fast: the reading counts from it.
    Fast,
}

/// A surveyed body seen in a frame.
#[derive(Clone, Debug, PartialEq)]
pub struct BodySeen {
    /// Index into the kit's bodies.
    pub body: usize,
    /// The name people read.
    pub name: String,
    /// What it is here.
    pub role: Role,
    /// Its tags that were used.
    pub used: usize,
    /// Its tags that contradict the others and were left out.
    pub rejected: usize,
}

/// Where the stand is.
#[derive(Clone, Debug)]
pub struct StandReading {
    /// Time of the frame that it comes from.
    pub measured_at: Duration,
    /// How old that is at the reading's time.
    pub age: Duration,
    /// True where it is older than [`STALE_AFTER`] or the newest frame could not be used: show it greyed, with its age.
    pub stale: bool,
    /// What the stand does in the picture.
    pub motion: Motion,
    /// True where it is the camera that moves, from picture to picture: whether the stand does cannot be told, and nothing settles.
    pub camera_moves: bool,
    /// Frames averaged.
    pub frames: usize,
    /// The six deviations with U, verdict and moves: the same as `check` gives, at the place where the stand is now.
    pub station: StationResult,
    /// The one thing to do now, in one sentence.
    pub sentence: String,
    /// Where the photographs have it, where it rests and is clearly no longer there: what was judged from them does not hold for it.
    pub elsewhere: Option<Elsewhere>,
}

/// Something that happened.
#[derive(Clone, Debug, PartialEq)]
pub struct Happening {
    /// When.
    pub time: Duration,
    /// Which camera noticed.
    pub camera: usize,
    /// What.
    pub what: What,
    /// In words.
    pub sentence: String,
}

/// Kinds of things that happen.
#[derive(Clone, Debug, PartialEq)]
pub enum What {
    /// A camera that stood still was moved. Readings go on: its place is found anew in every frame.
    CameraMoved {
        /// By how much, m.
        shift_m: f64,
        /// And rad.
        turn_rad: f64,
    },
    /// A body that stands fast is not where it was surveyed, index into the kit's bodies.
    BodyElsewhere {
        /// Which.
        body: usize,
    },
    /// Where a camera sits on the stand is known now.
    RigLearned,
}

/// Where a camera is.
#[derive(Clone, Debug)]
pub struct CameraPlace {
    /// Its place.
    pub camera_from_world: Pose<Camera, World>,
    /// Covariance of its left step apart from what the survey's errors do.
    pub noise: Matrix6<f64>,
    /// Frames averaged.
    pub frames: usize,
    /// Whether it stands still.
    pub motion: Motion,
}

/// What one frame says.
#[derive(Clone, Debug)]
pub struct Reading {
    /// The frame's time.
    pub time: Duration,
    /// The camera that took it.
    pub camera: usize,
    /// All tags in it.
    pub tags: Vec<TagSeen>,
    /// The surveyed bodies in it.
    pub bodies: Vec<BodySeen>,
    /// Where the stand is, or was when it was last measured; `None` before the first time.
    pub stand: Option<StandReading>,
    /// Why this frame gives nothing new, and what to do.
    pub trouble: Option<String>,
    /// What happened.
    pub happenings: Vec<Happening>,
}

/// A live session: a surveyed job, its cameras, and what they have seen so far.
pub struct Live {
    base: Arc<Base>,
    eyes: Vec<Eye>,
    trackers: Vec<(Tracker, DetectOptions)>,
    last: Option<StandReading>,
    /// The stand judged where it was surveyed.
    surveyed: Option<Arc<StationResult>>,
}

impl Live {
    /// A session with these cameras.
    ///
    /// Errors: a camera whose lens the survey does not know.
    pub fn new(base: Arc<Base>, cameras: &[CameraSetup]) -> Result<Self, NoCamera> {
        let mut eyes = Vec::new();
        let mut trackers = Vec::new();
        for camera in cameras {
            let lens = *base.ground.lenses.get(camera.lens).ok_or(NoCamera::NoLens(camera.lens))?;
            eyes.push(Eye::new(camera.lens, camera.mount));
            trackers.push((Tracker::new(), DetectOptions { lens: Some(lens), ..camera.detect.clone() }));
        }
        let surveyed = base.judge_surveyed().ok().map(Arc::new);
        Ok(Self { base, eyes, trackers, last: None, surveyed })
    }

    /// The base it measures against.
    pub fn base(&self) -> &Base {
        &self.base
    }

    /// Finds the tags of a frame and reads. Frames of a camera must come in the order of their times.
    pub fn see(&mut self, camera: usize, time: Duration, image: &Gray) -> Reading {
        let Some((tracker, options)) = self.trackers.get_mut(camera) else {
            return self.nothing(camera, time, "There is no such camera in this session.".into());
        };
        if let Some(lens) = &options.lens
            && (lens.width, lens.height) != (image.width(), image.height())
        {
            let text = format!(
                "The frame has {} x {} pixels and the lens profile is for {} x {}: set the camera to that size, or make a profile for this one.",
                image.width(),
                image.height(),
                lens.width,
                lens.height
            );
            return self.nothing(camera, time, text);
        }
        let found = tracker.follow(image, time.as_secs_f64(), &[], options);
        self.see_detections(camera, time, found.tags)
    }

    /// Reads from tags that were found by somebody else.
    pub fn see_detections(&mut self, camera: usize, time: Duration, found: Vec<Detection>) -> Reading {
        let tags: Vec<TagView> = found.into_iter().map(TagView::from).collect();
        self.see_tags(camera, time, &tags)
    }

    /// Reads from the tags of a frame. Frames of a camera must come in the order of their times.
    pub fn see_tags(&mut self, camera: usize, time: Duration, tags: &[TagView]) -> Reading {
        if self.eyes.get(camera).is_none() {
            return self.nothing(camera, time, "There is no such camera in this session.".into());
        }
        let base = self.base.clone();
        let looked = self.eyes[camera].look(&base, camera, time, tags);
        let mut trouble = looked.trouble;
        let place = match trouble {
            Some(_) => None,
            None => fuse::place(&base, &self.eyes, camera, time).unwrap_or_else(|why| {
                trouble = Some(why);
                None
            }),
        };
        if let Some(place) = place {
            match base.judge(&place.world_from_stand, &place.noise, &place.gain) {
                Ok(mut station) => {
                    let mut sentence = words::sentence(&station, place.motion, place.camera_moves);
                    let before = self.surveyed.as_ref();
                    let mut elsewhere = before.and_then(|at| elsewhere::elsewhere(&base, &place, at, &station));
                    // Where the car was rolled, say, the stand is no longer where it should be to it, wherever it is to the floor.
                    let back = |body: usize, since: Duration| {
                        self.eyes.iter().any(|eye| eye.seen_in_place(body).is_some_and(|at| at > since))
                    };
                    let mut moved = self.eyes.iter().flat_map(Eye::elsewhere);
                    let moved = moved.find(|(body, since)| base.carries_the_answer(*body) && !back(*body, *since));
                    if let Some((body, _)) = moved {
                        sentence = words::elsewhere(base.name(body));
                        Base::doubt(&mut station, &sentence);
                        elsewhere = None;
                    }
                    self.last = Some(StandReading {
                        measured_at: time,
                        age: Duration::ZERO,
                        stale: false,
                        motion: place.motion,
                        camera_moves: place.camera_moves,
                        frames: place.frames,
                        station,
                        sentence,
                        elsewhere,
                    });
                }
                Err(reason) => trouble = Some(crate::verdict::words::sentence(&reason.to_string())),
            }
        }
        Reading {
            time,
            camera,
            tags: looked.tags,
            bodies: looked.bodies,
            stand: self.stand_at(time, trouble.is_some()),
            trouble,
            happenings: looked.happenings,
        }
    }

    /// Where a camera is in the world and how its place scatters (covariance of its left step, survey's part left out), with the frames averaged.
    pub fn camera_place(&self, camera: usize) -> Option<CameraPlace> {
        let now = self.eyes.get(camera)?.camera_now()?;
        Some(CameraPlace {
            camera_from_world: now.camera_from_frame,
            noise: now.noise,
            frames: now.frames,
            motion: now.motion,
        })
    }

    /// Where the stand is in the world, as one camera has it.
    pub fn world_from_stand(&self, camera: usize) -> Option<Pose<World, Body>> {
        self.eyes.get(camera)?.place().map(|p| p.world_from_stand)
    }

    /// The last reading as old as it is now: for a screen while no frame comes.
    pub fn stand_now(&self, time: Duration) -> Option<StandReading> {
        self.stand_at(time, false)
    }

    fn stand_at(&self, time: Duration, blind: bool) -> Option<StandReading> {
        let mut last = self.last.clone()?;
        last.age = time.saturating_sub(last.measured_at);
        last.stale = blind || last.age > STALE_AFTER;
        Some(last)
    }

    fn nothing(&self, camera: usize, time: Duration, trouble: String) -> Reading {
        Reading {
            time,
            camera,
            tags: Vec::new(),
            bodies: Vec::new(),
            stand: self.stand_at(time, true),
            trouble: Some(trouble),
            happenings: Vec::new(),
        }
    }

    /// Compares where a riding camera sits on the stand with where another session, with a survey made afterwards, finds it: whether it slipped in between.
    /// `None` where either has not learned it.
    pub fn check_rig(&self, camera: usize, later: &Live, later_camera: usize) -> Option<RigCheck> {
        Some(camera::check_rig(&self.rig(camera)?, &later.rig(later_camera)?))
    }

    /// Where a riding camera sits on the stand, once it is learned: to be kept, and compared with what a later session learns from a survey of its own.
    pub fn rig(&self, camera: usize) -> Option<RigPlace> {
        self.eyes.get(camera)?.rig_place()
    }

    /// [`Self::check_rig`] against a place that was kept; `None` where this session has not learned it.
    pub fn check_rig_against(&self, camera: usize, before: &RigPlace) -> Option<RigCheck> {
        Some(camera::check_rig(before, &self.rig(camera)?))
    }

    /// How far the stand is from where it was surveyed, as one camera on a tripod has it: step on the right of the surveyed pose (turn rad, shift m, in the stand's
    /// axes), and its covariance with what both places share through the survey.
    pub(in crate::session) fn off_from_survey(&self, camera: usize) -> Option<(Vector6<f64>, Matrix6<f64>)> {
        Some(elsewhere::off(&self.base, &self.eyes.get(camera)?.place()?))
    }
}
