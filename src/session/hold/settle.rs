//! Before the watch begins: everything must come to rest, then the corners of all tags are taken as those before.

use super::apparent::{Apparent, Watched, sizes};
use super::decide::chi2;
use super::filter::Filter;
use super::lookout::{Held, Lookout, STILL_SETTLING};
use super::{HoldReport, News, NewsKind, Phase, Standing, words};
use crate::fit::chi_square;
use crate::session::live::{Motion, Mount, What};
use crate::survey::TagView;
use nalgebra::{Matrix3, Matrix6, Vector6};
use std::time::Duration;

/// Fewest frames from which the corners before are taken. Common practice, no source.
const FEWEST_FRAMES: usize = 10;

/// Frames kept while settling at most: ten seconds at 30 a second. Common practice, no source.
const MOST_FRAMES: usize = 300;

/// Chance with which a motion of the detectable size is found: what is asked of a bump.
const POWER: f64 = 0.99;

/// Frames a second that a bump needs to be found within one. Common practice, no source.
const FEWEST_FRAMES_A_SECOND: f64 = 5.0;

/// A frame kept while settling.
pub(super) struct Kept {
    time: Duration,
    tags: Vec<TagView>,
    apparent: Vec<Option<Apparent>>,
}

impl Lookout {
    pub(super) fn settle(&mut self, time: Duration, tags: &[TagView]) -> HoldReport {
        let reading = self.live.see_tags(0, time, tags);
        if reading.happenings.iter().any(|h| matches!(h.what, What::CameraMoved { .. })) {
            self.begin_again(time);
        }
        for happening in &reading.happenings {
            if let What::BodyElsewhere { body } = happening.what
                && !self.elsewhere.iter().any(|(b, _)| *b == body)
            {
                self.elsewhere.push((body, happening.sentence.clone()));
            }
        }
        let unknown = match self.mount {
            Mount::Apart => reading.trouble,
            // Where it sits on the stand does not matter here.
            Mount::OnStand => reading.trouble.filter(|_| self.live.camera_place(0).is_none()),
        };
        if let Some(trouble) = unknown {
            return self.report(time, Vec::new(), Some(trouble));
        }
        if self.held.is_empty() && !self.set_up(&[tags]) {
            return self.report(time, Vec::new(), Some("The camera's place is not known yet.".into()));
        }
        if self.kept.is_empty() {
            self.phase = Phase::Settling { since: time };
        }
        let apparent = self.apparent(tags);
        self.note_seen(time, &apparent);
        self.kept.push_back(Kept { time, tags: tags.to_vec(), apparent });
        while self.kept.len() > MOST_FRAMES
            || self.kept.get(1).is_some_and(|second| time.saturating_sub(second.time) >= self.options.rest)
        {
            self.kept.pop_front();
        }
        let spanned = self.kept.front().is_some_and(|first| time.saturating_sub(first.time) >= self.options.rest);
        let camera_rests =
            self.mount == Mount::OnStand || self.live.camera_place(0).is_some_and(|c| c.motion == Motion::Still);
        if !(spanned && self.kept.len() >= FEWEST_FRAMES && camera_rests && self.all_rest()) {
            return self.report(time, Vec::new(), None);
        }
        let kept = std::mem::take(&mut self.kept);
        let frames: Vec<&[TagView]> = kept.iter().map(|k| k.tags.as_slice()).collect();
        let lasting = |held: &Held| {
            let seen = |k: &&[TagView]| held.watched.tags.iter().any(|t| k.iter().any(|v| v.id == t.id));
            2 * frames.iter().filter(|k| seen(k)).count() >= frames.len()
        };
        let jumps = self.jumps(time);
        let bodies: Vec<usize> = self.held.iter().filter(|h| lasting(h)).map(|h| h.watched.body).collect();
        let before = std::mem::take(&mut self.held);
        if !self.set_up(&frames) {
            self.held = before;
            return self.report(time, Vec::new(), None);
        }
        self.held.retain(|h| bodies.contains(&h.watched.body));
        for held in &mut self.held {
            let known = before.iter().find(|b| b.watched.body == held.watched.body);
            held.last_seen = known.and_then(|b| b.last_seen).or(Some(time));
        }
        let span = kept.front().map_or(0.0, |first| time.saturating_sub(first.time).as_secs_f64());
        let rate = if span > 0.0 { (kept.len() - 1) as f64 / span } else { self.options.frames_per_s };
        self.begin(time, rate);
        let (compared, judged) = self.judged_place(time);
        let sentence = format!(
            "At rest: watching {} from {} on. {compared}{} Keep out of the camera's view and clear of its tripod.",
            match self.held.len() {
                1 => "one body".to_owned(),
                n => format!("{n} bodies"),
            },
            words::clock(time),
            // The quick mean needs a handful of frames.
            if rate < FEWEST_FRAMES_A_SECOND {
                format!(
                    " Only {rate:.1} pictures come in a second: a move is found after about {:.0} s.",
                    (FEWEST_FRAMES_A_SECOND / rate.max(1e-3)).ceil()
                )
            } else {
                String::new()
            }
        );
        let news = News {
            time,
            camera: self.camera,
            kind: NewsKind::Begins,
            body: None,
            since: time,
            shift_m: None,
            turn_rad: None,
            sentence,
        };
        let mut all = vec![news];
        let known = judged.as_ref().and_then(|n| n.body.as_ref()).map(|(body, _)| *body);
        all.extend(judged);
        all.extend(self.tell_jumps(time, jumps.into_iter().filter(|j| Some(j.0) != known).collect()));
        self.report(time, all, None)
    }

    /// Sets bodies and camera up with these frames as those before; false while the camera's or the stand's place is not known.
    fn set_up(&mut self, frames: &[&[TagView]]) -> bool {
        let Some(camera) = self.live.camera_place(0) else { return false };
        let world_from_vehicle = self.base.vehicle.world_from_vehicle;
        let camera_from_vehicle = camera.camera_from_world * world_from_vehicle;
        let stand = match self.mount {
            Mount::Apart => match self.live.world_from_stand(0) {
                Some(stand) => Some(stand),
                None => return false,
            },
            Mount::OnStand => None,
        };
        let mut held = Vec::new();
        for (body, world_from_body, tags) in self.base.watchable(stand.as_ref()) {
            let vehicle_from_body = world_from_vehicle.inverse() * world_from_body;
            let mut watched = Watched::new(body, &vehicle_from_body, &tags);
            watched.learn(self.base.lens(self.lens), &camera_from_vehicle, frames);
            if !watched.keep_seen() {
                continue;
            }
            held.push(Held {
                watched,
                filter: Filter::default(),
                standing: Standing::Holds,
                last_seen: None,
                told: Vector6::zeros(),
                detectable: (f64::INFINITY, f64::INFINITY),
            });
        }
        self.camera_from_vehicle = Some(camera_from_vehicle);
        let any = !held.is_empty();
        self.held = held;
        any
    }

    /// Why the watch has not begun, and what to do; after the last picture.
    pub fn waits_for(&self) -> String {
        let rest_s = self.options.rest.as_secs_f64();
        let (Some(first), Some(last)) = (self.kept.front(), self.kept.back()) else {
            return "No picture showed the stand's surroundings well enough: let the camera see the stand and two sheets or plates, large and sharp.".into();
        };
        let span_s = last.time.saturating_sub(first.time).as_secs_f64();
        let enough = last.time.saturating_sub(first.time) >= self.options.rest && self.kept.len() >= FEWEST_FRAMES;
        let camera_rests =
            self.mount == Mount::OnStand || self.live.camera_place(0).is_none_or(|c| c.motion != Motion::Moving);
        if !enough {
            format!(
                "Only {} pictures over {span_s:.1} s were seen: everything must be seen at rest for {rest_s:.0} s, in {FEWEST_FRAMES} pictures or more. Watch for longer.",
                self.kept.len()
            )
        } else if !camera_rests {
            "The camera itself was moving: put it on a tripod, and let nobody touch it.".into()
        } else {
            format!(
                "Something was still moving, or the camera was: everything must have been at rest for {rest_s:.0} s. Hands off stand, car and camera; a car on its springs takes minutes to settle."
            )
        }
    }

    /// Whether the bodies' first and last thirds of the kept frames agree.
    fn all_rest(&self) -> bool {
        let third = self.kept.len() / 3;
        let limit = chi_square::limit(f64::ln(STILL_SETTLING), 6);
        (0..self.held.len()).all(|b| {
            let mean = |frames: &mut dyn Iterator<Item = &Kept>| {
                let all: Vec<Apparent> = frames.filter_map(|k| k.apparent.get(b).copied().flatten()).collect();
                let n = all.len() as f64;
                let value = all.iter().map(|a| a.motion).sum::<Vector6<f64>>() / n;
                let cov = all.iter().map(|a| a.cov).sum::<Matrix6<f64>>() / (n * n);
                (!all.is_empty()).then_some((value, cov))
            };
            let early = mean(&mut self.kept.iter().take(third));
            let late = mean(&mut self.kept.iter().skip(self.kept.len() - third));
            let (Some((early, cov_early)), Some((late, cov_late))) = (early, late) else { return true };
            let (turn, shift) = sizes(&(late - early));
            // A third of what would be an alarm later is rest enough.
            let small = turn < self.options.least_rad / 3.0 && shift < self.options.least_m / 3.0;
            small || chi2(&(late - early), &(cov_early + cov_late)) <= limit
        })
    }

    /// Begins to watch; `rate`: how many frames came in a second lately.
    fn begin(&mut self, time: Duration, rate: f64) {
        self.phase = Phase::Watching { since: time };
        self.alike = None;
        let o = &self.options;
        let tests = o.hours * 3600.0 * o.frames_per_s * 2.0 * (self.held.len().max(1) * o.cameras.max(1)) as f64;
        self.limit = chi_square::limit((o.false_alarms / tests).ln(), 6);
        let lambda = chi_square::noncentrality(self.limit, 6, POWER);
        let Some(camera) = &self.camera_from_vehicle else { return };
        let lens = self.base.lens(self.lens);
        for held in &mut self.held {
            // What one frame like those before says of a body at rest, and the quick mean of a second of them.
            let like_before = held.watched.as_before(lens, camera);
            let averaged = 1.0 / (rate * 0.3).max(1.0);
            let Some(a) = held.watched.apparent(lens, camera, &like_before, o.light_px) else { continue };
            let cov = a.cov * averaged + a.light + a.before;
            let (turn, shift) = (o.least_rad.powi(2), o.least_m.powi(2));
            let floor = Matrix6::from_diagonal(&Vector6::new(turn, turn, turn, shift, shift, shift)) / self.limit;
            let Some(weight) = (cov + floor).try_inverse() else { continue };
            let worst = |at: usize| {
                let block: Matrix3<f64> = weight.fixed_view::<3, 3>(at, at).into_owned();
                let least = ((block + block.transpose()) * 0.5).symmetric_eigenvalues().min();
                (lambda / least.max(f64::MIN_POSITIVE)).sqrt()
            };
            held.detectable = (worst(3), worst(0));
        }
    }

    pub(super) fn begin_again(&mut self, time: Duration) {
        self.phase = Phase::Settling { since: time };
        self.held.clear();
        self.kept.clear();
        self.alike = None;
    }
}
