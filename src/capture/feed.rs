//! A source on a thread of its own, watched from outside: the newest picture wins, a silent or hanging source is noticed, a lost one is opened again.
//!
//! A driver may hang inside a read for ever, so nothing here waits for it: what the reader sees is a state made from the clock. A worker thread that does not
//! come back is left behind (its pictures are ignored from then on) and another opens the source anew. Memory is bounded: one picture waits, one more was taken.
//! Two cameras are two feeds with one epoch; `wake` may be the same for both.
//!
//! A camera's own noise makes every picture another one. One that equals the picture before it to the last grey value shows that the stream hangs (a driver, an app or a
//! recorder sends its last picture again): it is no new picture, and where nothing else comes the feed says [`FeedState::Frozen`]. After opening again the first
//! picture counts in any case.

use crate::capture::source::{Frame, FrameSource, Loss, Next, Opener};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread;
use std::time::{Duration, Instant};

/// The longest a worker asks its source to wait at a time, so that it sees the stop flag. Common practice, no source.
const SLICE: Duration = Duration::from_millis(200);

/// How often the watching thread looks, at least.
const LOOK: Duration = Duration::from_millis(50);

/// Workers that may hang at the same time before the feed gives up: each keeps memory and perhaps the camera.
const MOST_HANGING: usize = 4;

/// Arrival times that the picture rate is worked out from.
const RATE_OVER: usize = 30;

/// How a feed behaves.
#[derive(Clone)]
pub struct FeedOptions {
    /// What frame times count from; the same for all feeds of a session.
    pub epoch: Instant,
    /// Silence after which a steady source counts as stalled.
    pub stalled_after: Duration,
    /// A read that has not come back for so long is given up, and the source opened again.
    pub hung_after: Duration,
    /// Pause before a lost source is opened again.
    pub retry_after: Duration,
    /// Called from the feed's threads whenever there is a new picture or another state; must be quick.
    pub wake: Option<Arc<dyn Fn() + Send + Sync>>,
}

impl Default for FeedOptions {
    /// Stalled after 2 s, given up after 10 s, opened again after 1 s (common practice, no source); the epoch is now.
    fn default() -> Self {
        Self {
            epoch: Instant::now(),
            stalled_after: Duration::from_secs(2),
            hung_after: Duration::from_secs(10),
            retry_after: Duration::from_secs(1),
            wake: None,
        }
    }
}

/// How a feed is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum FeedState {
    /// Being opened for the first time, or opened and not yet sending; for how long.
    Starting(Duration),
    /// Well: pictures arrive (or may arrive, where silence is no fault).
    Live,
    /// No picture for this long although the source is open.
    Stalled(Duration),
    /// For this long nothing but the same picture again.
    Frozen(Duration),
    /// Lost, and being opened again: why it was lost, how often it has been tried since.
    Retrying(Loss, u32),
    /// Gone for good.
    Lost(Loss),
    /// A replay that is over.
    Ended,
    /// Stopped by its owner.
    Stopped,
}

impl FeedState {
    /// Whether a picture may still come.
    pub fn goes_on(&self) -> bool {
        !matches!(self, FeedState::Lost(_) | FeedState::Ended | FeedState::Stopped)
    }

    /// What is said of a source that is open and gives no new picture, and what to do; the same words everywhere. `None` in every other state.
    pub fn hangs(&self) -> Option<&'static str> {
        match self {
            FeedState::Stalled(_) => Some("no picture arrives: look at the camera, its cable and its app"),
            FeedState::Frozen(_) => Some(
                "the same picture comes again and again, to the last grey value: its stream hangs, and nothing is read from it. Start its app again, or unplug the camera and plug it in",
            ),
            _ => None,
        }
    }
}

/// What a feed knows of itself.
#[derive(Clone, Debug)]
pub struct FeedStatus {
    /// How it is.
    pub state: FeedState,
    /// [`FrameSource::about`]; empty before the source was opened.
    pub about: String,
    /// [`FrameSource::notes`].
    pub notes: Vec<String>,
    /// Pictures that arrived.
    pub arrived: u64,
    /// Pictures that were the same as the one before them to the last grey value; they count as none.
    pub repeated: u64,
    /// Of those that arrived, pictures that nobody took before a newer one came.
    pub left_out: u64,
    /// Pictures that could not be used.
    pub spoiled: u64,
    /// The last of them: its name, and why.
    pub last_spoiled: Option<(String, String)>,
    /// How often the source was opened.
    pub opened: u32,
    /// Pictures in a second over the last ones (by their frame times); `None` before the second, or where they stopped.
    pub rate_hz: Option<f64>,
    /// How long ago the last picture arrived.
    pub age: Option<Duration>,
}

/// What a worker is at.
#[derive(Clone)]
enum Phase {
    Opening,
    Running,
    Waiting(Loss),
    Lost(Loss),
    Ended,
}

struct Inside {
    phase: Phase,
    /// Rises with each worker; what an older one brings is ignored.
    generation: u64,
    /// When the current worker last went into its source.
    busy_since: Instant,
    /// When pictures were last expected to begin: the opening.
    quiet_since: Instant,
    attempts: u32,
    steady: bool,
    waiting: Option<Arc<Frame>>,
    latest: Option<Arc<Frame>>,
    latest_at: Option<Instant>,
    repeated: u64,
    repeated_at: Option<Instant>,
    arrivals: Vec<Duration>,
    next_number: u64,
    about: String,
    notes: Vec<String>,
    arrived: u64,
    left_out: u64,
    spoiled: u64,
    last_spoiled: Option<(String, String)>,
    opened: u32,
}

struct Shared {
    inside: Mutex<Inside>,
    changed: Condvar,
    stop: AtomicBool,
    workers: AtomicUsize,
    opener: Mutex<Opener>,
    options: FeedOptions,
}

/// A running source. Dropping it stops it without waiting.
pub struct Feed {
    shared: Arc<Shared>,
}

impl Feed {
    /// Starts a source; returns at once.
    pub fn start(opener: Opener, options: FeedOptions) -> Feed {
        let now = Instant::now();
        let shared = Arc::new(Shared {
            inside: Mutex::new(Inside {
                phase: Phase::Opening,
                generation: 0,
                busy_since: now,
                quiet_since: now,
                attempts: 0,
                steady: true,
                waiting: None,
                latest: None,
                latest_at: None,
                repeated: 0,
                repeated_at: None,
                arrivals: Vec::new(),
                next_number: 0,
                about: String::new(),
                notes: Vec::new(),
                arrived: 0,
                left_out: 0,
                spoiled: 0,
                last_spoiled: None,
                opened: 0,
            }),
            changed: Condvar::new(),
            stop: AtomicBool::new(false),
            workers: AtomicUsize::new(0),
            opener: Mutex::new(opener),
            options,
        });
        spawn_worker(&shared, 0);
        let watched = shared.clone();
        if let Err(e) = thread::Builder::new().name("feed watch".into()).spawn(move || watch(&watched)) {
            shared.lock().phase = Phase::Lost(no_thread(&e));
        }
        Feed { shared }
    }

    /// The newest picture that was not yet taken, waited for up to `wait`. `None`: there was none in that time, or the feed is over ([`Feed::status`] says which).
    pub fn next(&self, wait: Duration) -> Option<Arc<Frame>> {
        let until = Instant::now() + wait;
        let mut inside = self.shared.lock();
        loop {
            if let Some(frame) = inside.waiting.take() {
                // A replay waits for its picture to be taken.
                self.shared.changed.notify_all();
                return Some(frame);
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() || !self.shared.state_of(&inside).goes_on() {
                return None;
            }
            inside = self.shared.wait(inside, left);
        }
    }

    /// The newest picture, taken or not.
    pub fn latest(&self) -> Option<Arc<Frame>> {
        self.shared.lock().latest.clone()
    }

    /// How the feed is now.
    pub fn status(&self) -> FeedStatus {
        let inside = self.shared.lock();
        let state = self.shared.state_of(&inside);
        let age = inside.latest_at.map(|at| at.elapsed());
        FeedStatus {
            rate_hz: rate(&inside.arrivals).filter(|_| state == FeedState::Live || state == FeedState::Ended),
            state,
            about: inside.about.clone(),
            notes: inside.notes.clone(),
            arrived: inside.arrived,
            repeated: inside.repeated,
            left_out: inside.left_out,
            spoiled: inside.spoiled,
            last_spoiled: inside.last_spoiled.clone(),
            opened: inside.opened,
            age,
        }
    }

    /// Stops the source; its threads end as soon as their source lets them.
    pub fn stop(&self) {
        self.shared.stop.store(true, Ordering::Relaxed);
        self.shared.tell();
    }

    /// Stops the source and waits until it is closed, but no longer than `limit`; says whether it is.
    pub fn stop_and_wait(&self, limit: Duration) -> bool {
        self.stop();
        let until = Instant::now() + limit;
        let mut inside = self.shared.lock();
        while self.shared.workers.load(Ordering::Acquire) > 0 {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return false;
            }
            inside = self.shared.wait(inside, left.min(LOOK));
        }
        true
    }
}

impl Drop for Feed {
    fn drop(&mut self) {
        self.stop();
    }
}

impl Shared {
    /// The lock; a worker that panicked while it held it left nothing half done.
    fn lock(&self) -> MutexGuard<'_, Inside> {
        self.inside.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }

    fn wait<'a>(&self, inside: MutexGuard<'a, Inside>, limit: Duration) -> MutexGuard<'a, Inside> {
        match self.changed.wait_timeout(inside, limit) {
            Ok((inside, _)) => inside,
            Err(poisoned) => poisoned.into_inner().0,
        }
    }

    fn stopped(&self) -> bool {
        self.stop.load(Ordering::Relaxed)
    }

    /// Says that something is new. Never called with the lock held.
    fn tell(&self) {
        self.changed.notify_all();
        if let Some(wake) = &self.options.wake {
            wake();
        }
    }

    /// The state as the clock makes it.
    fn state_of(&self, inside: &Inside) -> FeedState {
        match &inside.phase {
            Phase::Lost(loss) => FeedState::Lost(loss.clone()),
            Phase::Ended if inside.waiting.is_none() => FeedState::Ended,
            _ if self.stopped() => FeedState::Stopped,
            Phase::Ended => FeedState::Live,
            Phase::Waiting(loss) => FeedState::Retrying(loss.clone(), inside.attempts),
            Phase::Opening => FeedState::Starting(inside.quiet_since.elapsed()),
            Phase::Running if !inside.steady => FeedState::Live,
            Phase::Running => match inside.latest_at.filter(|at| *at >= inside.quiet_since) {
                Some(at) if at.elapsed() < self.options.stalled_after => FeedState::Live,
                Some(at) if inside.repeated_at.is_some_and(|again| again.elapsed() < self.options.stalled_after) => {
                    FeedState::Frozen(at.elapsed())
                }
                Some(at) => FeedState::Stalled(at.elapsed()),
                None if inside.quiet_since.elapsed() < self.options.stalled_after => {
                    FeedState::Starting(inside.quiet_since.elapsed())
                }
                None => FeedState::Stalled(inside.quiet_since.elapsed()),
            },
        }
    }
}

/// Pictures in a second over the last ones.
fn rate(arrivals: &[Duration]) -> Option<f64> {
    let (first, last) = (arrivals.first()?, arrivals.last()?);
    let span = last.checked_sub(*first)?.as_secs_f64();
    (span > 0.0).then(|| (arrivals.len() - 1) as f64 / span)
}

fn no_thread(e: &std::io::Error) -> Loss {
    Loss::lasting(format!("the system gives no thread for it ({e})"), "Close other programs and start again.")
}

/// Looks at the clock: hands a hanging worker's place to another, and wakes the owner when the state has changed.
fn watch(shared: &Arc<Shared>) {
    let mut known = None;
    loop {
        let inside = shared.lock();
        let mut inside = shared.wait(inside, LOOK);
        if shared.stopped() || matches!(inside.phase, Phase::Lost(_) | Phase::Ended) {
            return;
        }
        let hung = matches!(inside.phase, Phase::Running) && inside.busy_since.elapsed() > shared.options.hung_after;
        let mut next = None;
        if hung {
            inside.generation += 1;
            let loss = Loss::passing(
                format!("no read came back for {} s: its driver hangs", shared.options.hung_after.as_secs()),
                "Unplug the camera and plug it in again; close other programs that use it.",
            );
            if shared.workers.load(Ordering::Acquire) >= MOST_HANGING {
                inside.phase = Phase::Lost(Loss { again: false, ..loss });
            } else {
                inside.phase = Phase::Waiting(loss);
                next = Some(inside.generation);
            }
        }
        let state = std::mem::discriminant(&shared.state_of(&inside));
        drop(inside);
        if let Some(generation) = next {
            spawn_worker(shared, generation);
        }
        if known.replace(state) != Some(state) {
            shared.tell();
        }
    }
}

/// Counts a worker out however it ends, and says so where it ended by a panic.
struct Leave {
    shared: Arc<Shared>,
    generation: u64,
}

impl Drop for Leave {
    fn drop(&mut self) {
        self.shared.workers.fetch_sub(1, Ordering::Release);
        if thread::panicking() {
            let mut inside = self.shared.lock();
            if inside.generation == self.generation {
                inside.phase = Phase::Lost(Loss::lasting(
                    "the part of the program that reads it failed",
                    "Please report this; then choose the source again.",
                ));
            }
        }
        self.shared.tell();
    }
}

fn spawn_worker(shared: &Arc<Shared>, generation: u64) {
    shared.workers.fetch_add(1, Ordering::Release);
    let leave = Leave { shared: shared.clone(), generation };
    let worked = shared.clone();
    let spawned = thread::Builder::new().name("feed".into()).spawn(move || {
        let leave = leave;
        work(&worked, generation);
        drop(leave);
    });
    if let Err(e) = spawned {
        shared.lock().phase = Phase::Lost(no_thread(&e));
        shared.tell();
    }
}

/// One worker: opens, reads, opens again, until it is stopped, replaced, or there is nothing more.
fn work(shared: &Shared, generation: u64) {
    let epoch = shared.options.epoch;
    // A worker that replaces a hanging one gives the driver the usual pause.
    let mut pause = generation > 0;
    loop {
        if pause && !rest(shared, generation) {
            return;
        }
        pause = true;
        if shared.stopped() || shared.lock().generation != generation {
            return;
        }
        let opened = {
            // Where an older worker hangs in opening, this one waits behind it; the state says so.
            let mut opener = shared.opener.lock().unwrap_or_else(|poisoned| poisoned.into_inner());
            opener(epoch)
        };
        match opened {
            Err(loss) => {
                if !lose(shared, generation, loss) {
                    return;
                }
            }
            Ok(mut source) => {
                let base = {
                    let mut inside = shared.lock();
                    if inside.generation != generation {
                        return;
                    }
                    inside.phase = Phase::Running;
                    inside.quiet_since = Instant::now();
                    inside.busy_since = inside.quiet_since;
                    inside.steady = source.is_steady();
                    inside.about = source.about();
                    inside.notes = source.notes();
                    inside.opened += 1;
                    inside.arrivals.clear();
                    inside.next_number
                };
                shared.tell();
                let Some(loss) = read(shared, generation, source.as_mut(), base) else { return };
                drop(source);
                if !lose(shared, generation, loss) {
                    return;
                }
            }
        }
    }
}

/// Notes a loss; says whether to open again.
fn lose(shared: &Shared, generation: u64, loss: Loss) -> bool {
    let mut inside = shared.lock();
    if inside.generation != generation {
        return false;
    }
    let again = loss.again;
    inside.attempts += 1;
    inside.phase = if again { Phase::Waiting(loss) } else { Phase::Lost(loss) };
    drop(inside);
    shared.tell();
    again
}

/// The pause before opening again; `false` where the worker is to end.
fn rest(shared: &Shared, generation: u64) -> bool {
    let until = Instant::now() + shared.options.retry_after;
    let mut inside = shared.lock();
    loop {
        if shared.stopped() || inside.generation != generation {
            return false;
        }
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return true;
        }
        inside = shared.wait(inside, left.min(LOOK));
    }
}

/// Reads until the source is lost (`Some`), or the worker is to end (`None`).
fn read(shared: &Shared, generation: u64, source: &mut dyn FrameSource, base: u64) -> Option<Loss> {
    loop {
        let next = source.next(SLICE);
        let mut inside = shared.lock();
        if shared.stopped() || inside.generation != generation {
            return None;
        }
        inside.busy_since = Instant::now();
        match next {
            Next::Nothing => continue,
            Next::Spoiled { name, why } => {
                inside.spoiled += 1;
                inside.last_spoiled = Some((name, why));
            }
            Next::Lost(loss) => return Some(loss),
            Next::End => {
                inside.phase = Phase::Ended;
                drop(inside);
                shared.tell();
                return None;
            }
            Next::Frame(mut frame) => {
                frame.number += base;
                let hangs = !source.keeps_all() && inside.steady;
                // A picture from before this opening says nothing of it.
                let before = inside.latest.as_ref().filter(|_| inside.latest_at >= Some(inside.quiet_since));
                if hangs && before.is_some_and(|before| before.gray == frame.gray) {
                    inside.repeated += 1;
                    inside.repeated_at = Some(Instant::now());
                    inside.attempts = 0;
                    continue;
                }
                if source.keeps_all() {
                    while inside.waiting.is_some() {
                        if shared.stopped() {
                            return None;
                        }
                        inside = shared.wait(inside, LOOK);
                        inside.busy_since = Instant::now();
                    }
                }
                inside.next_number = frame.number + 1;
                inside.attempts = 0;
                inside.arrived += 1;
                let before = inside.latest_at.replace(Instant::now());
                // A silence is no part of the rate.
                if before.is_some_and(|at| at.elapsed() > shared.options.stalled_after) {
                    inside.arrivals.clear();
                }
                if inside.arrivals.len() == RATE_OVER {
                    inside.arrivals.remove(0);
                }
                inside.arrivals.push(frame.time);
                let frame: Arc<Frame> = Arc::from(frame);
                inside.latest = Some(frame.clone());
                inside.left_out += u64::from(inside.waiting.replace(frame).is_some());
                inside.about = source.about();
                inside.notes = source.notes();
            }
        }
        drop(inside);
        shared.tell();
    }
}

#[cfg(test)]
mod tests;
