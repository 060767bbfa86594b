//! One camera on watch.

use super::apparent::{Apparent, Watched, motion_of};
use super::decide::{Evidence, Explanation, chi2, explain, without};
use super::filter::{Filter, Pace};
use super::settle::Kept;
use super::turns::Turns;
use super::{BodyWatch, HoldOptions, HoldReport, News, NewsKind, Phase, Standing, words};
use crate::fit::chi_square;
use crate::frames::{Camera, Pose, Vehicle};
use crate::raster::Gray;
use crate::session::live::{Base, CameraSetup, Live, Mount, NoCamera};
use crate::survey::TagView;
use crate::tags::DetectOptions;
use crate::tags::track::Tracker;
use nalgebra::{Isometry3, Matrix6, Vector3, Vector6};
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

/// Chance that something at rest is taken to be settling still, for each body and frame. Common practice, no source.
pub(super) const STILL_SETTLING: f64 = 1e-4;

/// A body that was not seen for so long is said to be hidden. Common practice, no source.
const HIDDEN_AFTER: Duration = Duration::from_secs(2);

/// A mean older than this is no evidence, but of what was seen last. Common practice, no source.
const FRESH: Duration = Duration::from_millis(1500);

/// Tests in a row that must be explained alike. Common practice, no source.
const ALIKE: usize = 2;

/// A quarter to three quarters of a motion in more than this is a creep. Common practice, no source.
const CREEP: Duration = Duration::from_secs(3);

/// A body must have rested for so long where it was before it is said to be back: ten of the quick mean's time constants. Common practice, no source.
const BACK_AFTER: Duration = Duration::from_secs(3);

/// What is known of one body's hold.
pub(super) struct Held {
    pub(super) watched: Watched,
    pub(super) filter: Filter,
    pub(super) standing: Standing,
    pub(super) last_seen: Option<Duration>,
    /// The motion that was told last.
    pub(super) told: Vector6<f64>,
    pub(super) detectable: (f64, f64),
}

/// A camera on watch.
pub struct Lookout {
    pub(super) camera: usize,
    pub(super) base: Arc<Base>,
    pub(super) live: Live,
    pub(super) mount: Mount,
    pub(super) options: HoldOptions,
    pub(super) tracker: Tracker,
    pub(super) detect: DetectOptions,
    pub(super) lens: usize,
    pub(super) phase: Phase,
    pub(super) camera_from_vehicle: Option<Pose<Camera, Vehicle>>,
    pub(super) held: Vec<Held>,
    pub(super) kept: VecDeque<Kept>,
    pub(super) limit: f64,
    /// Something moved and is not back.
    pub(super) moved: bool,
    /// The last explanation, and how many tests gave it in a row.
    pub(super) alike: Option<(Explanation, usize)>,
    turns: Turns,
    /// What contradicted the survey before the watch began, in words.
    pub(super) elsewhere: Vec<(usize, String)>,
}

impl Lookout {
    /// A camera that begins to watch the bay of a base; `camera`: the number it has in the session.
    ///
    /// Errors: a camera whose lens the survey does not know.
    pub fn new(base: Arc<Base>, camera: usize, setup: &CameraSetup, options: HoldOptions) -> Result<Self, NoCamera> {
        let live = Live::new(base.clone(), std::slice::from_ref(setup))?;
        let detect = DetectOptions { lens: Some(*live.base().lens(setup.lens)), ..setup.detect.clone() };
        Ok(Self {
            camera,
            base,
            live,
            mount: setup.mount,
            options,
            tracker: Tracker::new(),
            detect,
            lens: setup.lens,
            phase: Phase::Settling { since: Duration::ZERO },
            camera_from_vehicle: None,
            held: Vec::new(),
            kept: VecDeque::new(),
            limit: f64::INFINITY,
            moved: false,
            alike: None,
            turns: Turns::new(options.frames_per_s),
            elsewhere: Vec::new(),
        })
    }

    /// Finds the tags of a frame and watches. Frames must come in the order of their times.
    pub fn see(&mut self, time: Duration, image: &Gray) -> HoldReport {
        let lens = self.base.lens(self.lens);
        if (lens.width, lens.height) != (image.width(), image.height()) {
            let text = format!(
                "The frame has {} x {} pixels and the lens profile is for {} x {}: set the camera to that size.",
                image.width(),
                image.height(),
                lens.width,
                lens.height
            );
            return self.report(time, Vec::new(), Some(text));
        }
        let found = self.tracker.follow(image, time.as_secs_f64(), &[], &self.detect).tags;
        let tags: Vec<TagView> = found.into_iter().map(TagView::from).collect();
        self.see_tags(time, &tags)
    }

    /// Watches by the tags of a frame. Frames must come in the order of their times.
    pub fn see_tags(&mut self, time: Duration, tags: &[TagView]) -> HoldReport {
        match self.phase {
            Phase::Settling { .. } => self.settle(time, tags),
            Phase::Watching { .. } => self.watch(time, tags),
        }
    }

    pub(super) fn apparent(&self, tags: &[TagView]) -> Vec<Option<Apparent>> {
        let Some(camera) = &self.camera_from_vehicle else { return Vec::new() };
        let lens = self.base.lens(self.lens);
        self.held.iter().map(|h| h.watched.apparent(lens, camera, tags, self.options.light_px)).collect()
    }

    pub(super) fn note_seen(&mut self, time: Duration, apparent: &[Option<Apparent>]) {
        for (held, a) in self.held.iter_mut().zip(apparent) {
            if let Some(a) = a {
                held.last_seen = Some(time);
                held.filter.add(time, a);
            }
        }
    }

    fn watch(&mut self, time: Duration, tags: &[TagView]) -> HoldReport {
        let apparent = self.apparent(tags);
        let mut news = self.hidden(time, &apparent);
        self.note_seen(time, &apparent);
        if !self.turns.due(time) {
            return self.report(time, news, None);
        }
        // While frames are held back nobody knows yet what they mean.
        if self.held.iter().any(|h| h.filter.unsettled(time)) {
            return self.report(time, news, None);
        }
        match self.suspicious(time) {
            None => {
                self.alike = None;
                news.extend(self.back(time));
            }
            Some(pace) => {
                let (places, all) = self.evidence(time, pace);
                let all: Vec<Evidence> = all.iter().map(|e| self.floored(e)).collect();
                let found = explain(&all);
                let same = self
                    .alike
                    .as_ref()
                    .filter(|(e, _)| e.bodies == found.bodies && e.camera.is_some() == found.camera.is_some());
                let count = same.map_or(1, |(_, n)| n + 1);
                self.alike = Some((found.clone(), count));
                if count >= ALIKE {
                    self.alike = None;
                    news.extend(self.tell(time, &places, &all, &found));
                }
            }
        }
        self.report(time, news, None)
    }

    /// Bodies that are hidden for some time, or seen again.
    fn hidden(&mut self, time: Duration, apparent: &[Option<Apparent>]) -> Vec<News> {
        let mut news = Vec::new();
        let Phase::Watching { since: begun } = self.phase else { return news };
        for (k, seen) in apparent.iter().map(Option::is_some).enumerate() {
            let held = &mut self.held[k];
            let since = held.last_seen.unwrap_or(begun);
            let was_moved = held.told != Vector6::zeros();
            if seen && held.standing == Standing::NotSeen {
                held.standing = if was_moved { Standing::Moved } else { Standing::Holds };
                news.push(self.news_of(k, NewsKind::SeenAgain, time, since, None, &|name| {
                    format!("{name} is seen again, after {} of being hidden.", words::clock(time.saturating_sub(since)))
                }));
            } else if !seen && held.standing != Standing::NotSeen && time.saturating_sub(since) > HIDDEN_AFTER {
                held.standing = Standing::NotSeen;
                news.push(self.news_of(k, NewsKind::NotSeen, time, since, None, &|name| {
                    format!(
                        "{name} has not been seen since {}: nothing is said of it until it is.",
                        words::clock(since)
                    )
                }));
            }
        }
        news
    }

    /// The evidence of all bodies seen just now, with their places in `held`.
    pub(super) fn evidence(&self, time: Duration, pace: Pace) -> (Vec<usize>, Vec<Evidence>) {
        let fresh = |h: &Held| h.filter.newest().is_some_and(|t| time.saturating_sub(t) <= FRESH);
        let all = self.held.iter().enumerate().filter(|(_, h)| fresh(h));
        all.filter_map(|(k, h)| Some((k, h.filter.evidence(pace, &h.watched.middle, &h.told)?))).unzip()
    }

    /// The evidence with what is too small to matter counted as scatter: a motion of just the least size passes the limit only without any scatter.
    pub(super) fn floored(&self, e: &Evidence) -> Evidence {
        let (turn, shift) = (self.options.least_rad.powi(2), self.options.least_m.powi(2));
        let floor = Matrix6::from_diagonal(&Vector6::new(turn, turn, turn, shift, shift, shift)) / self.limit;
        Evidence { cov: e.cov + floor, ..*e }
    }

    /// Which mean says that something moved.
    fn suspicious(&self, time: Duration) -> Option<Pace> {
        [Pace::Quick, Pace::Slow].into_iter().find(|pace| {
            let (_, all) = self.evidence(time, *pace);
            all.iter().any(|e| chi2(&e.motion, &self.floored(e).cov) > self.limit)
        })
    }

    /// Turns an explanation into news, and takes what was told as known from here on.
    fn tell(&mut self, time: Duration, places: &[usize], all: &[Evidence], found: &Explanation) -> Vec<News> {
        let mut news = Vec::new();
        for k in &found.bodies {
            let (e, place) = (&all[*k], places[*k]);
            let motion = without(found.camera.as_ref(), e);
            let held = &mut self.held[place];
            let course = held.filter.course(&e.motion, &held.told);
            let (since, three_quarters) = course.unwrap_or((time, time));
            held.told += motion;
            held.standing = Standing::Moved;
            let crept = three_quarters.saturating_sub(since) > CREEP;
            let kind = match (found.open, crept) {
                (true, _) => NewsKind::BodyOrCamera,
                (false, true) => NewsKind::Crept,
                (false, false) => NewsKind::Moved,
            };
            let by = words::motion(&motion);
            let at = words::clock(since);
            let verdict = "What was judged before no longer holds: stop the routine, check the job again.";
            news.push(self.news_of(place, kind, time, since, Some((motion, e.cov)), &|name| match kind {
                NewsKind::BodyOrCamera => format!(
                    "{name} moved at {at}, {by}, or the camera did: it is the only thing in view. {verdict} Let the camera see a second body."
                ),
                NewsKind::Crept => format!("{name} crept since {at}: {by}. {verdict}"),
                _ => format!("{name} moved at {at}: {by}. {verdict}"),
            }));
        }
        if let Some(g) = &found.camera {
            news.push(self.camera_news(time, g));
            if self.mount == Mount::Apart {
                self.begin_again(time);
            }
        }
        news
    }

    /// The camera moved; one that rides on the stand has the stand moved.
    fn camera_news(&mut self, time: Duration, apparent: &Isometry3<f64>) -> News {
        // All that stands fast seems to move by `apparent`: the camera itself went the other way.
        let own = apparent.inverse();
        let middle = match (&self.camera_from_vehicle, self.mount) {
            (Some(camera), Mount::Apart) => camera.inverse().translation(),
            _ => {
                let stand = self.base.vehicle.world_from_vehicle.inverse() * self.base.world_from_stand();
                stand.translation()
            }
        };
        let motion = motion_of(&middle, &own);
        let by = words::motion(&motion);
        let at = words::clock(time);
        let (kind, sentence) = match self.mount {
            Mount::Apart => (
                NewsKind::CameraMoved,
                format!(
                    "The camera was moved at {at} ({by}); nothing else was, as far as it sees. The watch begins anew as soon as everything rests: what \
                     happens until then is not watched."
                ),
            ),
            Mount::OnStand => (
                NewsKind::Moved,
                format!(
                    "The stand (or the camera on it) moved at {at}: {by}. What was judged before no longer holds: stop the routine, check the job again."
                ),
            ),
        };
        if self.mount == Mount::OnStand {
            // From here on the bodies count from where they seem to be now.
            for held in &mut self.held {
                held.told = motion_of(&held.watched.middle, apparent);
            }
        }
        News {
            time,
            camera: self.camera,
            kind,
            body: (self.mount == Mount::OnStand).then(|| self.base.stand_name()),
            since: time,
            shift_m: Some(std::array::from_fn(|k| (motion[3 + k], 0.0))),
            turn_rad: Some(std::array::from_fn(|k| (motion[k], 0.0))),
            sentence,
        }
    }

    /// Bodies that are back where they were.
    fn back(&mut self, time: Duration) -> Vec<News> {
        let mut news = Vec::new();
        let rest = chi_square::limit(f64::ln(STILL_SETTLING), 6);
        for k in 0..self.held.len() {
            let held = &mut self.held[k];
            if held.standing != Standing::Moved || self.mount == Mount::OnStand {
                continue;
            }
            // The quick mean alone is too coarse to say so: the slow one, that has begun anew where the body jumped, must agree.
            let there = |pace| {
                let e = held.filter.evidence(pace, &held.watched.middle, &Vector6::zeros());
                e.filter(|e| chi2(&e.motion, &e.cov) <= rest)
            };
            let long = held.filter.settled_for() >= BACK_AFTER;
            if let (true, Some(_), Some(e)) = (long, there(Pace::Quick), there(Pace::Slow)) {
                held.told = Vector6::zeros();
                held.standing = Standing::Holds;
                news.push(self.news_of(k, NewsKind::Back, time, time, Some((e.motion, e.cov)), &|name| {
                    format!("{name} is back where it was; what was done in between was done with it elsewhere.")
                }));
            }
        }
        news
    }

    pub(super) fn news_of(
        &self,
        place: usize,
        kind: NewsKind,
        time: Duration,
        since: Duration,
        motion: Option<(Vector6<f64>, Matrix6<f64>)>,
        say: &dyn Fn(&str) -> String,
    ) -> News {
        let body = self.held[place].watched.body;
        let name = self.base.kit_name(body);
        let pair = |k: usize| motion.map(|(m, cov)| (m[k], cov[(k, k)].max(0.0).sqrt()));
        let three = |from: usize| -> Option<[(f64, f64); 3]> { Some([pair(from)?, pair(from + 1)?, pair(from + 2)?]) };
        News {
            time,
            camera: self.camera,
            kind,
            body: Some((body, name.to_owned())),
            since,
            shift_m: three(3),
            turn_rad: three(0),
            sentence: say(&format!("\"{name}\"")),
        }
    }

    pub(super) fn report(&mut self, time: Duration, news: Vec<News>, trouble: Option<String>) -> HoldReport {
        self.moved |= news.iter().any(|n| n.kind.is_alarm());
        // It stays so: what was done while a body stood elsewhere is not undone by its coming back.
        let bodies = self.held.iter().map(|h| self.body_watch(h)).collect();
        HoldReport { time, camera: self.camera, phase: self.phase, bodies, moved: self.moved, news, trouble }
    }

    fn body_watch(&self, held: &Held) -> BodyWatch {
        let none = Evidence { middle: Vector3::zeros(), motion: Vector6::zeros(), cov: Matrix6::identity() };
        let e = held.filter.evidence(Pace::Quick, &held.watched.middle, &Vector6::zeros()).unwrap_or(none);
        let pair = |k: usize| (e.motion[k], e.cov[(k, k)].max(0.0).sqrt());
        BodyWatch {
            body: held.watched.body,
            name: self.base.kit_name(held.watched.body).to_owned(),
            kind: self.base.kit_kind(held.watched.body),
            standing: held.standing,
            last_seen: held.last_seen,
            shift_m: [pair(3), pair(4), pair(5)],
            turn_rad: [pair(0), pair(1), pair(2)],
            detectable_m: held.detectable.0,
            detectable_rad: held.detectable.1,
        }
    }
}
