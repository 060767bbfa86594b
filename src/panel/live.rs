//! Live reading beside the window: a thread that surveys the job, takes a camera's pictures and reads each; the newest view wins, nothing piles up.

use crate::body::Kit;
use crate::capture::address::SourceAddress;
use crate::capture::feed::{Feed, FeedOptions, FeedState, FeedStatus};
use crate::capture::formats::CameraWish;
use crate::capture::replay::Pace;
use crate::panel::seen::{Seen, SeenTag};
use crate::panel::standing::Standing;
use crate::panel::worker::Wake;
use crate::raster::Gray;
use crate::record::{HoldLog, Job, Problem};
use crate::session::hold::{self, HoldOptions, HoldReport, Lookout, Phase, line_of_news, line_of_start};
use crate::session::live::{Base, CameraSetup, Happening, Live, Motion, Mount, NoCamera, Reading, Role, StandReading};
use crate::session::{Failure, Progress, station_part};
use crate::tags::DetectOptions;
use crate::uncertainty::Estimate;
use crate::units::mm_from_m;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant, SystemTime};

/// How long a picture is waited for before the view is told how old it is.
const WAIT: Duration = Duration::from_millis(200);

/// Happenings that are kept for the screen.
const KEPT: usize = 8;

/// News of the hold watch that are kept for the screen; alarms always.
const KEPT_NEWS: usize = 30;

/// Pictures in a second that a replayed folder is shown with.
pub const REPLAY_HZ: f64 = 10.0;

/// What to read from.
#[derive(Clone, Debug)]
pub struct LiveWish {
    /// The job whose survey is the ground.
    pub job: Arc<Job>,
    /// Its station.
    pub station: usize,
    /// The source as the user wrote it: `camera 0`, `http://...`, a folder.
    pub source: String,
    /// A folder's pictures are played again instead of waited for.
    pub replay: bool,
    /// How the camera is mounted.
    pub mount: Mount,
    /// Also watch that nothing moves.
    pub hold: bool,
}

/// A watched body, in words.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyLine {
    /// Its name.
    pub name: String,
    /// What it does.
    pub standing: hold::Standing,
    /// Shift along ahead, left, up, mm, each with its expanded uncertainty.
    pub shift_mm: [(f64, f64); 3],
    /// Shift that would be noticed within a second, mm; infinite before the watch began.
    pub detectable_mm: f64,
}

/// What the hold watch says.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldView {
    /// Since when it watches; `None` while things still settle.
    pub watching_for: Option<Duration>,
    /// Nothing is known just now: the camera is silent, or something that is watched is hidden.
    pub blind: bool,
    /// Something that was watched has moved.
    pub broken: bool,
    /// The bodies.
    pub bodies: Vec<BodyLine>,
    /// What was noticed, newest last: whether it is an alarm, and the sentence.
    pub news: Vec<(bool, String)>,
    /// Why the newest picture says nothing.
    pub trouble: Option<String>,
    /// Where the log is, or why it is not written.
    pub log: Result<PathBuf, String>,
}

/// A body in the picture.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LiveBody {
    /// Its name.
    pub name: String,
    /// The stand, or something that stands fast.
    pub stand: bool,
    /// Tags used.
    pub used: usize,
    /// Tags that contradict the others.
    pub rejected: usize,
}

/// What is shown of one moment.
#[derive(Clone, Debug)]
pub struct LiveView {
    /// The picture with its tags.
    pub seen: Option<Arc<Seen>>,
    /// Where the stand is; never without its U.
    pub standing: Option<Standing>,
    /// How old that is.
    pub age: Duration,
    /// It may have changed since: shown greyed.
    pub stale: bool,
    /// What the stand does, in words.
    pub motion: &'static str,
    /// Pictures averaged.
    pub frames: usize,
    /// The sentence to act on; millimetres in the words.
    pub sentence: String,
    /// Why the newest picture gives nothing, and what to do.
    pub trouble: Option<String>,
    /// The surveyed bodies in the picture.
    pub bodies: Vec<LiveBody>,
    /// What happened, newest last.
    pub happenings: Vec<String>,
    /// The camera, in words.
    pub camera: String,
    /// The hold watch, where one is kept.
    pub hold: Option<HoldView>,
}

/// How the live reading stands.
#[derive(Clone, Debug, Default)]
pub enum LiveState {
    /// None runs.
    #[default]
    Off,
    /// The job is being surveyed for it.
    Preparing(Option<Progress>),
    /// It runs, and this is the newest view.
    On(Arc<LiveView>),
    /// It ended by itself, and why; the last view stays to be looked at as old.
    Over(String),
}

/// The newest word of the thread; an older one that nobody fetched is replaced. A poisoned lock still holds a good state.
#[derive(Default)]
pub struct Slot(Mutex<Option<LiveState>>);

impl Slot {
    fn put(&self, state: LiveState) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = Some(state);
    }

    /// What has come since the last time.
    pub fn take(&self) -> Option<LiveState> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).take()
    }
}

/// A running live reading; dropping it ends it.
pub struct LiveRun {
    stop: Arc<AtomicBool>,
    /// The newest word of it.
    pub slot: Arc<Slot>,
}

impl Drop for LiveRun {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
    }
}

impl LiveRun {
    /// Starts the thread.
    pub fn start(wish: LiveWish, wake: Wake) -> Self {
        let stop = Arc::new(AtomicBool::new(false));
        let slot = Arc::new(Slot::default());
        let run = Self { stop: stop.clone(), slot: slot.clone() };
        std::thread::spawn(move || {
            let tell = |state: LiveState| {
                slot.put(state);
                wake();
            };
            if let Err(why) = read(&wish, &stop, &wake, &tell)
                && !stop.load(Ordering::Relaxed)
            {
                tell(LiveState::Over(why));
            }
        });
        run
    }
}

/// Reads until it is stopped or the source is gone for good; an error says why it ended.
fn read(wish: &LiveWish, stop: &AtomicBool, wake: &Wake, tell: &(dyn Fn(LiveState) + Sync)) -> Result<(), String> {
    let pace = wish.replay.then_some(Pace::Timed(REPLAY_HZ));
    let address = SourceAddress::parse(&wish.source, pace).map_err(|loss| loss.to_string())?;
    tell(LiveState::Preparing(None));
    let base = Base::of_job(&wish.job, wish.station, &|p| tell(LiveState::Preparing(Some(p)))).map_err(why)?;
    if stop.load(Ordering::Relaxed) {
        return Ok(());
    }
    let mut detect = DetectOptions::default();
    if let Some(profile) = wish.job.lenses.first() {
        detect.tone = profile.tone.clone();
    }
    let setup = CameraSetup { lens: 0, mount: wish.mount, detect };
    let base = Arc::new(base);
    let no_camera = |e: NoCamera| crate::verdict::words::sentence(&e.to_string());
    let mut watch = match wish.hold {
        true => {
            let options = HoldOptions::default();
            let lookout = Lookout::new(base.clone(), 0, &setup, options).map_err(no_camera)?;
            Some(Watch::start(lookout, &options, wish))
        }
        false => None,
    };
    let mut live = Live::new(base, &[setup]).map_err(no_camera)?;
    let quiet: Wake = wake.clone();
    let options = FeedOptions { wake: Some(quiet), ..FeedOptions::default() };
    let feed = Feed::start(address.opener(wish_of(&wish.job)), options);
    let mut happened: Vec<String> = Vec::new();
    let mut last: Option<(Instant, Duration, Arc<LiveView>)> = None;
    while !stop.load(Ordering::Relaxed) {
        let frame = feed.next(WAIT);
        let status = feed.status();
        let view = match frame {
            Some(frame) => {
                // A picture of another camera or zoom than the profile's would give confident wrong numbers.
                if let Some(profile) = wish.job.lenses.first()
                    && let Some(reason) = crate::session::other_camera(&frame.exif, profile)
                {
                    return Err(format!("{} cannot be used: {reason}", frame.name));
                }
                let reading = live.see(0, frame.time, &frame.gray);
                remember(&mut happened, &reading.happenings);
                let seen =
                    Seen { name: frame.name.clone(), gray: frame.gray.clone(), tags: tags(&reading, &wish.job.kit) };
                let hold = watch.as_mut().map(|w| w.see(frame.time, &frame.gray));
                let view = Arc::new(LiveView { hold, ..view(&reading, Some(Arc::new(seen)), &happened, &status) });
                last = Some((Instant::now(), frame.time, view.clone()));
                view
            }
            None => match &last {
                // Nothing new: what is shown grows old.
                Some((at, time, before)) => {
                    let now = live.stand_now(*time + at.elapsed());
                    Arc::new(older(before, now.as_ref(), &status))
                }
                None => Arc::new(waiting(&status)),
            },
        };
        tell(LiveState::On(view));
        match status.state {
            FeedState::Lost(loss) => return Err(loss.to_string()),
            FeedState::Ended => return Err("All pictures of the folder have been played.".into()),
            _ => {}
        }
    }
    feed.stop();
    Ok(())
}

/// The camera must give the pictures that its lens profile was made for.
fn wish_of(job: &Job) -> CameraWish {
    CameraWish { size: job.lenses.first().map(|l| (l.lens.width, l.lens.height)), ..CameraWish::default() }
}

fn why(failure: Failure) -> String {
    failure.to_string()
}

fn remember(happened: &mut Vec<String>, new: &[Happening]) {
    for h in new {
        happened.push(format!("{:.1} s: {}", h.time.as_secs_f64(), h.sentence));
    }
    let surplus = happened.len().saturating_sub(KEPT);
    happened.drain(..surplus);
}

fn tags(reading: &Reading, kit: &Kit) -> Vec<SeenTag> {
    reading
        .tags
        .iter()
        .map(|t| SeenTag {
            id: t.id,
            body: t.body.and_then(|b| kit.bodies.get(b)).map(|b| b.name.clone()),
            corners: t.corners.map(|c| [c.x as f32, c.y as f32]),
        })
        .collect()
}

fn motion_words(motion: Motion) -> &'static str {
    match motion {
        Motion::Still => "standing still",
        Motion::Moving => "moving",
        Motion::Unknown => "too few pictures to say whether it moves",
    }
}

fn view(reading: &Reading, seen: Option<Arc<Seen>>, happened: &[String], status: &FeedStatus) -> LiveView {
    let stand = reading.stand.as_ref();
    LiveView {
        seen,
        standing: stand.map(|s| Standing::of_check(&station_part(&s.station))),
        age: stand.map(|s| s.age).unwrap_or_default(),
        stale: stand.is_none_or(|s| s.stale),
        motion: stand.map_or("not seen yet", |s| motion_words(s.motion)),
        frames: stand.map_or(0, |s| s.frames),
        sentence: stand.map(|s| s.sentence.clone()).unwrap_or_default(),
        trouble: reading.trouble.clone(),
        bodies: reading
            .bodies
            .iter()
            .map(|b| LiveBody {
                name: b.name.clone(),
                stand: b.role == Role::Stand,
                used: b.used,
                rejected: b.rejected,
            })
            .collect(),
        happenings: happened.to_vec(),
        camera: camera_words(status),
        hold: None,
    }
}

/// A hold watch with its log and what it has noticed so far.
struct Watch {
    lookout: Lookout,
    log: Result<HoldLog, Problem>,
    noticed: Vec<(bool, String)>,
}

impl Watch {
    /// A log that cannot be written costs the log, not the watch; the screen says so.
    fn start(lookout: Lookout, options: &HoldOptions, wish: &LiveWish) -> Self {
        let since_epoch = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).ok().map(|d| d.as_secs());
        let started = since_epoch.filter(|_| !wish.replay);
        let log = HoldLog::open(&wish.job.folder).and_then(|mut log| {
            log.add(&line_of_start(options, std::slice::from_ref(&wish.source), started))?;
            Ok(log)
        });
        Self { lookout, log, noticed: Vec::new() }
    }

    fn see(&mut self, time: Duration, image: &Gray) -> HoldView {
        let report = self.lookout.see(time, image);
        for news in &report.news {
            let fault = self.log.as_mut().ok().and_then(|log| log.add(&line_of_news(news)).err());
            if let Some(problem) = fault {
                self.log = Err(problem);
            }
            self.noticed.push((news.kind.is_alarm(), format!("{:.1} s: {}", news.time.as_secs_f64(), news.sentence)));
        }
        // Alarms stay; the rest makes room.
        while self.noticed.len() > KEPT_NEWS {
            let Some(at) = self.noticed.iter().position(|(alarm, _)| !alarm) else { break };
            self.noticed.remove(at);
        }
        self.view(&report)
    }

    /// What the watch says, for the screen.
    fn view(&self, report: &HoldReport) -> HoldView {
        let mm = |(value, u): (f64, f64)| (mm_from_m(value), mm_from_m(Estimate::new(value, u).expanded));
        HoldView {
            watching_for: match report.phase {
                Phase::Watching { since } => Some(report.time.saturating_sub(since)),
                Phase::Settling { .. } => None,
            },
            blind: report.trouble.is_some() || report.bodies.iter().any(|b| b.standing == hold::Standing::NotSeen),
            broken: report.moved,
            bodies: report
                .bodies
                .iter()
                .map(|b| BodyLine {
                    name: b.name.clone(),
                    standing: b.standing,
                    shift_mm: b.shift_m.map(mm),
                    detectable_mm: mm_from_m(b.detectable_m),
                })
                .collect(),
            news: self.noticed.clone(),
            trouble: report.trouble.clone(),
            log: self.log.as_ref().map(|log| log.path().to_owned()).map_err(ToString::to_string),
        }
    }
}

/// The same view, grown old.
fn older(before: &LiveView, stand: Option<&StandReading>, status: &FeedStatus) -> LiveView {
    LiveView {
        age: stand.map_or(before.age, |s| s.age),
        stale: stand.is_none_or(|s| s.stale),
        camera: camera_words(status),
        // A camera that gives nothing watches nothing.
        hold: before
            .hold
            .clone()
            .map(|hold| HoldView { blind: hold.blind || !matches!(status.state, FeedState::Live), ..hold }),
        ..before.clone()
    }
}

/// Before the first picture.
fn waiting(status: &FeedStatus) -> LiveView {
    LiveView {
        seen: None,
        standing: None,
        age: Duration::ZERO,
        stale: true,
        motion: "not seen yet",
        frames: 0,
        sentence: String::new(),
        trouble: None,
        bodies: Vec::new(),
        happenings: Vec::new(),
        camera: camera_words(status),
        hold: None,
    }
}

/// How the camera is, for people.
fn camera_words(status: &FeedStatus) -> String {
    let state = match &status.state {
        FeedState::Starting(d) => format!("being opened for {:.0} s", d.as_secs_f64()),
        FeedState::Live => match status.rate_hz {
            Some(hz) => format!("{hz:.0} pictures a second"),
            None => "open".into(),
        },
        FeedState::Stalled(d) => format!("silent for {:.0} s", d.as_secs_f64()),
        FeedState::Retrying(loss, n) => format!("lost ({}), tried {n} times again", loss.what),
        FeedState::Lost(loss) => format!("lost: {loss}"),
        FeedState::Ended => "over".into(),
        FeedState::Stopped => "stopped".into(),
    };
    if status.about.is_empty() { state } else { format!("{}: {state}", status.about) }
}
