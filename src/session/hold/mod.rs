//! Hold watch: after the verdict, whether stand, plates and floor sheets stay where they are until the routine is over.
//!
//! A camera on a tripod (or on the stand) looks on. First everything must come to rest: a car settles on its suspension for minutes, which shows as a curve. Then
//! the corners of all tags are taken as those before, and each frame says how every body seems to have moved since ([`Lookout`]). What is more than chance is
//! explained by the simplest set of things that moved, the camera among them (`decide.rs`). A body that is hidden is *not seen*, never *moved*.
//!
//! When the watch begins, the stand is compared with where it was judged, by the survey and its uncertainty, and every body with where it was when the camera first saw it
//! (`onset.rs`): what happened between the verdict and the watch is an alarm as well.
//!
//! **False alarms.** Every test looks at every body's quick and slow mean, each with the chance `false_alarms / (hours · tests an hour · bodies · 2 · cameras)`; of frames that come faster
//! than `frames_per_s` some are averaged in without being tested. By the union bound, whatever the tests have in common, no more than `false_alarms` are to be expected in so many
//! hours from all cameras together, as long as corners scatter as they are stated to; where they scatter more, that is seen from frame to frame and allowed for.

mod answer;
mod apparent;
mod decide;
mod filter;
mod log;
mod lookout;
mod onset;
mod settle;
mod tally;
mod turns;
mod words;

pub use answer::{AFTER_ALARM, Against, against, answer, answer_marked, note_elsewhere, said};

pub use log::{line_of_news, line_of_start};
pub use lookout::Lookout;
pub use tally::Tally;
pub use words::clock_tenths;

use crate::body::BodyKind;
use std::time::Duration;

/// How the watch is kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HoldOptions {
    /// False alarms to be expected at most...
    pub false_alarms: f64,
    /// ...in so many hours.
    pub hours: f64,
    /// How often is tested at most, in a second: of frames that come faster, only so many.
    pub frames_per_s: f64,
    /// Cameras that watch at once; `false_alarms` is for all of them together.
    pub cameras: usize,
    /// A seen shift alone that is smaller than this is no alarm, however sure it is, m...
    pub least_m: f64,
    /// ...nor a seen turn alone, rad. Of both together, as shares of these, the sum of squares counts.
    pub least_rad: f64,
    /// What another light, exposure or reflection does to a corner, px, for each coordinate: it does not average out.
    pub light_px: f64,
    /// For how long everything must have been at rest before the watch begins.
    pub rest: Duration,
}

impl Default for HoldOptions {
    /// At most half an alarm to be expected in 8 h at 30 frames a second; 0.5 mm, 0.03° and 0.02 px: common practice, no source.
    fn default() -> Self {
        Self {
            false_alarms: 0.5,
            hours: 8.0,
            frames_per_s: 30.0,
            cameras: 1,
            least_m: crate::units::m_from_mm(0.5),
            least_rad: crate::units::rad_from_deg(0.03),
            light_px: 0.02,
            rest: Duration::from_secs(3),
        }
    }
}

/// How far the watch is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Phase {
    /// Something still moves, or too few frames were seen.
    Settling {
        /// Since when frames have been collected.
        since: Duration,
    },
    /// On watch.
    Watching {
        /// Since when.
        since: Duration,
    },
}

/// What a body does.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Standing {
    /// It is where it was, as far as can be seen.
    Holds,
    /// It moved.
    Moved,
    /// It is hidden, or out of the picture.
    NotSeen,
}

/// A watched body.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyWatch {
    /// Index into the kit's bodies.
    pub body: usize,
    /// The name people read.
    pub name: String,
    /// What it is.
    pub kind: BodyKind,
    /// What it does.
    pub standing: Standing,
    /// When it was last seen.
    pub last_seen: Option<Duration>,
    /// How it moved since the watch (or the settling) began: shift of its tags' middle along the car's X, Y, Z, m, with standard uncertainty.
    pub shift_m: [(f64, f64); 3],
    /// And turn about these axes, rad.
    pub turn_rad: [(f64, f64); 3],
    /// Shift that is found within a second with a chance of 99 %, in the worst direction, m; infinite before the watch began.
    pub detectable_m: f64,
    /// The same for a turn about the worst axis, rad.
    pub detectable_rad: f64,
}

/// Kinds of news.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NewsKind {
    /// Everything is at rest: the watch begins.
    Begins,
    /// When it began, a body was not where it was judged, or not where it was when it was first seen.
    MovedBefore,
    /// A body moved.
    Moved,
    /// A body moved slowly.
    Crept,
    /// The camera was moved, and nothing else: the watch begins anew.
    CameraMoved,
    /// Only one body is in view: it moved, or the camera did.
    BodyOrCamera,
    /// A body has not been seen for a while.
    NotSeen,
    /// It is seen again.
    SeenAgain,
    /// A body that had moved is back where it was.
    Back,
}

impl NewsKind {
    /// The word in the log.
    pub fn word(self) -> &'static str {
        match self {
            NewsKind::Begins => "begins",
            NewsKind::MovedBefore => "moved before",
            NewsKind::Moved => "moved",
            NewsKind::Crept => "crept",
            NewsKind::CameraMoved => "camera moved",
            NewsKind::BodyOrCamera => "body or camera moved",
            NewsKind::NotSeen => "not seen",
            NewsKind::SeenAgain => "seen again",
            NewsKind::Back => "back",
        }
    }

    /// True where the verdict may no longer hold.
    pub fn is_alarm(self) -> bool {
        matches!(self, NewsKind::MovedBefore | NewsKind::Moved | NewsKind::Crept | NewsKind::BodyOrCamera)
    }
}

/// Something that the watch noticed.
#[derive(Clone, Debug, PartialEq)]
pub struct News {
    /// Time of the frame in which it was sure.
    pub time: Duration,
    /// Which camera.
    pub camera: usize,
    /// What.
    pub kind: NewsKind,
    /// The body it is about, index into the kit's bodies, and its name.
    pub body: Option<(usize, String)>,
    /// When it began.
    pub since: Duration,
    /// Shift along the car's X, Y, Z, m, each with its standard uncertainty.
    pub shift_m: Option<[(f64, f64); 3]>,
    /// Turn about them, rad.
    pub turn_rad: Option<[(f64, f64); 3]>,
    /// In words, with what to do.
    pub sentence: String,
}

/// What a frame says.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldReport {
    /// The frame's time.
    pub time: Duration,
    /// The camera.
    pub camera: usize,
    /// How far the watch is.
    pub phase: Phase,
    /// Every body that this camera has ever seen in this watch.
    pub bodies: Vec<BodyWatch>,
    /// True once something moved that the verdict hangs on, until everything is seen to be back.
    pub moved: bool,
    /// What is new.
    pub news: Vec<News>,
    /// Why this frame says nothing.
    pub trouble: Option<String>,
}
