//! Live reading beside the window: a thread that surveys the job, takes a camera's pictures and reads each; the newest view wins, nothing piles up.

use crate::body::Kit;
use crate::capture::address::{SourceAddress, shown};
use crate::capture::feed::{Feed, FeedOptions, FeedState, FeedStatus};
use crate::capture::formats::CameraWish;
use crate::capture::replay::Pace;
use crate::panel::seen::{Seen, SeenTag};
use crate::panel::standing::{Figure, Standing};
use crate::panel::watching::{HoldView, Watch};
use crate::panel::worker::Wake;
use crate::record::keep::Moment;
use crate::record::{Job, LensProfile};
use crate::session::hold::{HoldOptions, Lookout};
use crate::session::live::{
    Base, CameraSetup, Happening, Live, Motion, Mount, NoCamera, Reading, Role, STALE_AFTER, StandReading,
};
use crate::session::{Failure, Progress, station_part};
use std::collections::VecDeque;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

/// How long a picture is waited for before the view is told how old it is.
const WAIT: Duration = Duration::from_millis(200);

/// The same for each of several cameras.
const WAIT_IN_TURN: Duration = Duration::from_millis(15);

/// Happenings that are kept for the screen.
const KEPT: usize = 8;

/// Pictures in a second that a replayed folder is shown with.
pub const REPLAY_HZ: f64 = 10.0;

/// What to read from.
#[derive(Clone, Debug)]
pub struct LiveWish {
    /// The job whose survey is the ground.
    pub job: Arc<Job>,
    /// Its station.
    pub station: usize,
    /// The sources as the user wrote them: `camera 0`, `http://...`, a folder; their readings are taken together.
    pub sources: Vec<String>,
    /// The lens profile of each (index into the job's), in their order; for those beyond the job's only one.
    pub lenses: Vec<usize>,
    /// How each is mounted, in their order; those beyond stand on tripods.
    pub mounts: Vec<Mount>,
    /// A folder's pictures are played again instead of waited for.
    pub replay: bool,
    /// Also watch that nothing moves.
    pub hold: bool,
}

impl LiveWish {
    /// Index of a camera's lens profile, and the profile; `None` where the job has none of that number.
    fn lens(&self, camera: usize) -> (usize, Option<&LensProfile>) {
        let lens = self.lenses.get(camera).copied().unwrap_or(0);
        (lens, self.job.lenses.get(lens))
    }

    /// A camera as the session takes it.
    fn setup(&self, camera: usize) -> CameraSetup {
        CameraSetup::of(&self.job, self.lens(camera).0, self.mounts.get(camera).copied().unwrap_or(Mount::Apart))
    }
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

/// A camera and its newest picture.
#[derive(Clone, Debug)]
pub struct CameraView {
    /// The source as the user wrote it, but for a password.
    pub source: String,
    /// How it is, in words, its name among them.
    pub words: String,
    /// The picture with its tags.
    pub seen: Option<Arc<Seen>>,
    /// It gives pictures now.
    pub live: bool,
}

/// What is shown of one moment.
#[derive(Clone, Debug)]
pub struct LiveView {
    /// The cameras.
    pub cameras: Vec<CameraView>,
    /// Where the stand is; never without its U.
    pub standing: Option<Standing>,
    /// The one of the six that shows that the stand rests elsewhere than photographed, as the photographs have it.
    pub surveyed: Option<Figure>,
    /// Time of day; empty where it is not known.
    pub clock: String,
    /// How old that is.
    pub age: Duration,
    /// It may have changed since: shown greyed.
    pub stale: bool,
    /// The camera moves from picture to picture: nothing settles, and nothing is proven as in tolerance.
    pub camera_moves: bool,
    /// What the stand does, or the camera where it moves, in words.
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
    /// The hold watch, where one is kept.
    pub hold: Option<HoldView>,
}

impl LiveView {
    /// Before the first picture.
    pub fn nothing(cameras: Vec<CameraView>) -> Self {
        Self {
            cameras,
            standing: None,
            surveyed: None,
            clock: String::new(),
            age: Duration::ZERO,
            stale: true,
            camera_moves: false,
            motion: "not seen yet",
            frames: 0,
            sentence: String::new(),
            trouble: None,
            bodies: Vec::new(),
            happenings: Vec::new(),
            hold: None,
        }
    }

    /// The pictures there are, with the number of their camera.
    pub fn pictures(&self) -> Vec<(usize, &Arc<Seen>)> {
        self.cameras.iter().enumerate().filter_map(|(k, c)| Some((k, c.seen.as_ref()?))).collect()
    }
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

/// The newest word of the thread; an older view that nobody fetched is replaced, but the last one is not lost to the word that all is over: it may hold an alarm.
/// A poisoned lock still holds good states.
#[derive(Default)]
pub struct Slot(Mutex<VecDeque<LiveState>>);

impl Slot {
    fn put(&self, state: LiveState) {
        let mut states = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if !matches!(state, LiveState::Over(_)) {
            states.clear();
        }
        states.push_back(state);
    }

    /// What has come since the last time; the older first.
    pub fn take(&self) -> Option<LiveState> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).pop_front()
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
            if let Err(why) = read(&wish, &stop, &tell)
                && !stop.load(Ordering::Relaxed)
            {
                tell(LiveState::Over(why));
            }
        });
        run
    }
}

/// Reads until it is stopped or no source is left; an error says why it ended.
fn read(wish: &LiveWish, stop: &AtomicBool, tell: &(dyn Fn(LiveState) + Sync)) -> Result<(), String> {
    let pace = wish.replay.then_some(Pace::Timed(REPLAY_HZ));
    let mut addresses = Vec::new();
    for source in &wish.sources {
        addresses.push(SourceAddress::parse(source, pace).map_err(|loss| format!("{}: {loss}", shown(source)))?);
    }
    tell(LiveState::Preparing(None));
    let base = Base::of_job(&wish.job, wish.station, &|p| tell(LiveState::Preparing(Some(p)))).map_err(why)?;
    if stop.load(Ordering::Relaxed) {
        return Ok(());
    }
    let setups: Vec<CameraSetup> = (0..addresses.len()).map(|camera| wish.setup(camera)).collect();
    let base = Arc::new(base);
    let no_camera = |e: NoCamera| crate::verdict::words::sentence(&e.to_string());
    let mut watch = match wish.hold {
        true => {
            let options = HoldOptions { cameras: setups.len(), ..HoldOptions::default() };
            let lookouts: Result<Vec<Lookout>, NoCamera> =
                (0..setups.len()).map(|k| Lookout::new(base.clone(), k, &setups[k], options)).collect();
            Some(Watch::start(lookouts.map_err(no_camera)?, &options, wish))
        }
        false => None,
    };
    let mut live = Live::new(base, &setups).map_err(no_camera)?;
    let epoch = Instant::now();
    let feeds: Vec<Feed> = addresses
        .into_iter()
        .enumerate()
        .map(|(k, address)| {
            // A picture that came is no news for the window: what it says is.
            Feed::start(address.opener(wish_of(wish.lens(k).1)), FeedOptions { epoch, ..FeedOptions::default() })
        })
        .collect();
    // One camera is waited for; of several each is asked in turn.
    let wait = if feeds.len() == 1 { WAIT } else { WAIT_IN_TURN };
    let mut happened: Vec<String> = Vec::new();
    let mut cameras: Vec<CameraView> = wish
        .sources
        .iter()
        .map(|source| CameraView { source: shown(source), words: String::new(), seen: None, live: false })
        .collect();
    let mut last: Option<(Instant, Duration, LiveView)> = None;
    let mut told: Option<Instant> = None;
    while !stop.load(Ordering::Relaxed) {
        let (mut over, mut lost, mut news) = (0, None, false);
        for (k, feed) in feeds.iter().enumerate() {
            let frame = feed.next(wait);
            let status = feed.status();
            cameras[k].words = camera_words(&cameras[k].source, &status);
            cameras[k].live = matches!(status.state, FeedState::Live);
            if let Some(frame) = frame {
                news = true;
                // A picture of another camera or zoom than the profile's would give confident wrong numbers.
                if let Some(profile) = wish.lens(k).1
                    && let Some(reason) = crate::session::other_camera(&frame.exif, profile)
                {
                    return Err(format!("{} cannot be used: {reason}", frame.name));
                }
                let reading = live.see(k, frame.time, &frame.gray);
                remember(&mut happened, &reading.happenings);
                let tags = tags(&reading, &wish.job.kit);
                cameras[k].seen = Some(Arc::new(Seen { name: frame.name.clone(), gray: frame.gray.clone(), tags }));
                if let Some(watch) = &mut watch {
                    watch.see(k, frame.time, &frame.gray);
                }
                let new = view(&reading, &happened);
                // Where one camera is blind and another sees, what that one says stays.
                let other = last.as_ref().is_some_and(|(at, _, v)| !v.stale && at.elapsed() < STALE_AFTER);
                if feeds.len() == 1 || !new.stale || !other {
                    last = Some((Instant::now(), frame.time, new));
                }
            }
            match status.state {
                FeedState::Lost(loss) => {
                    over += 1;
                    lost = lost.or(Some(format!("{}: {loss}", cameras[k].source)));
                }
                FeedState::Ended => over += 1,
                _ => {}
            }
        }
        // Between pictures only ages change, and states of cameras: the window is not woken for each look at them.
        if over < feeds.len() && !news && told.is_some_and(|at| at.elapsed() < WAIT) {
            continue;
        }
        told = Some(Instant::now());
        let silent: Vec<bool> = cameras.iter().map(|c| !c.live).collect();
        let now = match &last {
            Some((at, _, before)) if at.elapsed() < STALE_AFTER => before.clone(),
            // Nothing new: what is shown grows old.
            Some((at, time, before)) => older(before, live.stand_now(*time + at.elapsed()).as_ref()),
            None => LiveView::nothing(Vec::new()),
        };
        let hold = watch.as_ref().and_then(|w| w.view(&silent));
        tell(LiveState::On(Arc::new(LiveView { cameras: cameras.clone(), hold, ..now })));
        // One camera that is lost takes nothing from the others.
        if over == feeds.len() {
            let why = lost.unwrap_or_else(|| "All pictures of the folder have been played.".into());
            let closed = watch.as_mut().map(Watch::close).unwrap_or_default();
            return Err([vec![why], closed].concat().join(" "));
        }
    }
    feeds.iter().for_each(Feed::stop);
    watch.as_mut().map(Watch::close);
    Ok(())
}

/// The camera must give the pictures that its lens profile was made for.
fn wish_of(profile: Option<&LensProfile>) -> CameraWish {
    CameraWish { size: profile.map(|p| (p.lens.width, p.lens.height)), ..CameraWish::default() }
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

fn view(reading: &Reading, happened: &[String]) -> LiveView {
    let stand = reading.stand.as_ref();
    LiveView {
        cameras: Vec::new(),
        standing: stand.map(|s| Standing::of_check(&station_part(&s.station))),
        surveyed: stand.and_then(|s| s.elsewhere.as_ref()).and_then(|at| {
            let before = Standing::of_check(&station_part(&at.before));
            before.six.into_iter().nth(at.component.index())
        }),
        clock: Moment::now().time_of_day().to_owned(),
        age: stand.map(|s| s.age).unwrap_or_default(),
        stale: stand.is_none_or(|s| s.stale),
        camera_moves: stand.is_some_and(|s| s.camera_moves),
        motion: match stand {
            None => "not seen yet",
            Some(s) if s.camera_moves => "the camera moves",
            Some(s) => motion_words(s.motion),
        },
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
        hold: None,
    }
}

/// The same view, grown old.
fn older(before: &LiveView, stand: Option<&StandReading>) -> LiveView {
    LiveView { age: stand.map_or(before.age, |s| s.age), stale: stand.is_none_or(|s| s.stale), ..before.clone() }
}

/// How the camera is, for people.
fn camera_words(source: &str, status: &FeedStatus) -> String {
    let state = match &status.state {
        FeedState::Starting(d) => format!("being opened for {:.0} s", d.as_secs_f64()),
        FeedState::Live => match status.rate_hz {
            Some(hz) => format!("{hz:.0} pictures a second"),
            None => "open".into(),
        },
        FeedState::Stalled(d) | FeedState::Frozen(d) => {
            format!("for {:.0} s {}", d.as_secs_f64(), status.state.hangs().unwrap_or_default())
        }
        FeedState::Retrying(loss, n) => format!("lost ({}), tried {n} times again", loss.what),
        FeedState::Lost(loss) => format!("lost: {loss}"),
        FeedState::Ended => "over".into(),
        FeedState::Stopped => "stopped".into(),
    };
    // Before it was opened only its name is known.
    let about = if status.about.is_empty() { source } else { &status.about };
    let notes: String = status.notes.iter().map(|note| format!(" {note}")).collect();
    if notes.is_empty() { format!("{about}: {state}") } else { format!("{about}: {state}.{notes}") }
}
