//! The hold watch beside the window: one lookout for each camera, their words put together, the log, and how things come to rest.

use crate::capture::address::shown;
use crate::panel::live::LiveWish;
use crate::raster::Gray;
use crate::record::{HoldLine, HoldLog, Problem, photo_marks};
use crate::session::hold::{self, HoldOptions, HoldReport, Lookout, Phase, Tally, line_of_news, line_of_start};
use crate::uncertainty::Estimate;
use crate::units::mm_from_m;
use std::collections::BTreeMap;
use std::path::PathBuf;
use std::time::{Duration, Instant, SystemTime};

/// News of the hold watch that are kept for the screen; alarms always.
const KEPT_NEWS: usize = 30;

/// Shortest time between two points of a curve, s.
const CURVE_STEP_S: f64 = 0.25;

/// Points of a curve at most: then every other one goes.
const CURVE_POINTS: usize = 400;

/// A watched body, in words.
#[derive(Clone, Debug, PartialEq)]
pub struct BodyLine {
    /// Its name; with its camera where there are several.
    pub name: String,
    /// What it does.
    pub standing: hold::Standing,
    /// Shift along ahead, left, up, mm, each with its expanded uncertainty.
    pub shift_mm: [(f64, f64); 3],
    /// Shift that would be noticed within a second, mm; infinite before the watch began.
    pub detectable_mm: f64,
}

/// How a body came to rest.
#[derive(Clone, Debug, PartialEq)]
pub struct Curve {
    /// Its name.
    pub name: String,
    /// Points: seconds, then its shift along ahead, left, up, mm, each with its expanded uncertainty.
    pub points: Vec<(f64, [(f64, f64); 3])>,
}

impl Curve {
    /// The direction in which it moved most: 0 ahead, 1 left, 2 up.
    pub fn liveliest(&self) -> usize {
        let range = |k: usize| {
            let values = self.points.iter().map(|(_, s)| s[k].0);
            values.clone().fold(f64::MIN, f64::max) - values.fold(f64::MAX, f64::min)
        };
        (0..3).max_by(|a, b| range(*a).total_cmp(&range(*b))).unwrap_or(2)
    }

    fn add(&mut self, time_s: f64, shift_mm: [(f64, f64); 3]) {
        let known = shift_mm.iter().all(|(value, u)| value.is_finite() && u.is_finite());
        if !known || self.points.last().is_some_and(|(t, _)| time_s - t < CURVE_STEP_S) {
            return;
        }
        self.points.push((time_s, shift_mm));
        if self.points.len() > CURVE_POINTS {
            let mut k = 0;
            self.points.retain(|_| {
                k += 1;
                k % 2 == 1
            });
        }
    }
}

/// What the hold watch says.
#[derive(Clone, Debug, PartialEq)]
pub struct HoldView {
    /// Since when all cameras watch; `None` while things still settle.
    pub watching_for: Option<Duration>,
    /// Nothing is known just now: no camera shows something that is watched.
    pub blind: bool,
    /// Something that was watched has moved.
    pub broken: bool,
    /// The bodies.
    pub bodies: Vec<BodyLine>,
    /// How they came to rest, as long as they did.
    pub curves: Vec<Curve>,
    /// What was noticed, newest last: whether it is an alarm, and the sentence.
    pub news: Vec<(bool, String)>,
    /// Why the newest picture says nothing.
    pub trouble: Option<String>,
    /// What it comes to if it ends now, a sentence for each camera: `true` where all of it was watched and nothing moved.
    pub so_far: Vec<(bool, String)>,
    /// Where the log is, or why it is not written.
    pub log: Result<PathBuf, String>,
}

/// A hold watch with its log and what it has noticed so far.
pub(super) struct Watch {
    lookouts: Vec<Lookout>,
    reports: Vec<Option<HoldReport>>,
    log: Result<HoldLog, Problem>,
    noticed: Vec<(bool, String)>,
    curves: BTreeMap<(usize, usize), Curve>,
    tallies: Vec<Tally>,
    /// When the last picture of each camera came.
    seen: Vec<Option<Instant>>,
    /// Saved pictures are played: between and after them nobody is to be watched.
    replay: bool,
    /// When each camera's settling began: a new one begins its curves anew.
    settling: Vec<Option<Duration>>,
}

impl Watch {
    /// A log that cannot be written costs the log, not the watch; the screen says so.
    pub(super) fn start(lookouts: Vec<Lookout>, options: &HoldOptions, wish: &LiveWish) -> Self {
        let since_epoch = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).ok().map(|d| d.as_secs());
        let started = since_epoch.filter(|_| !wish.replay);
        let log = HoldLog::open(&wish.job.folder).and_then(|mut log| {
            let sources: Vec<String> = wish.sources.iter().map(|source| shown(source)).collect();
            log.add(&HoldLine { photographs: photo_marks(&wish.job), ..line_of_start(options, &sources, started) })?;
            Ok(log)
        });
        let n = lookouts.len();
        Self {
            lookouts,
            reports: vec![None; n],
            log,
            noticed: Vec::new(),
            curves: BTreeMap::new(),
            tallies: vec![Tally::default(); n],
            seen: vec![None; n],
            replay: wish.replay,
            settling: vec![None; n],
        }
    }

    /// Takes a picture of one camera in.
    pub(super) fn see(&mut self, camera: usize, time: Duration, image: &Gray) {
        let Some(lookout) = self.lookouts.get_mut(camera) else { return };
        let report = lookout.see(time, image);
        self.tallies[camera].take(&report);
        self.seen[camera] = Some(Instant::now());
        for news in &report.news {
            let fault = self.log.as_mut().ok().and_then(|log| log.add(&line_of_news(news)).err());
            if let Some(problem) = fault {
                self.log = Err(problem);
            }
            self.noticed.push((news.kind.is_alarm(), format!("{}: {}", hold::clock_tenths(news.time), news.sentence)));
        }
        // Alarms stay; the rest makes room.
        while self.noticed.len() > KEPT_NEWS {
            let Some(at) = self.noticed.iter().position(|(alarm, _)| !alarm) else { break };
            self.noticed.remove(at);
        }
        if let Phase::Settling { since } = report.phase {
            // The oldest picture that is kept moves on while things settle; only a jump to now is a new beginning.
            let anew = self.settling[camera].is_some_and(|before| since < before) || report.bodies.is_empty();
            if anew {
                self.curves.retain(|(of, _), _| *of != camera);
            }
            self.settling[camera] = Some(since);
            let several = self.lookouts.len() > 1;
            for body in report.bodies.iter().filter(|b| b.standing != hold::Standing::NotSeen) {
                let name = named(&body.name, camera, several);
                let curve =
                    self.curves.entry((camera, body.body)).or_insert_with(|| Curve { name, points: Vec::new() });
                curve.add(time.as_secs_f64(), body.shift_m.map(mm));
            }
        }
        self.reports[camera] = Some(report);
    }

    /// For how long nothing has come from a camera that gives pictures of now.
    fn silence(&self, camera: usize) -> Option<Duration> {
        self.seen[camera].filter(|_| !self.replay).map(|at| at.elapsed())
    }

    /// The watch is over: its last lines go into the log, and what it comes to is given back.
    pub(super) fn close(&mut self) -> Vec<String> {
        let mut out = Vec::new();
        for k in 0..self.tallies.len() {
            let silence = self.silence(k);
            let last = self.tallies[k].close(k, silence, &self.lookouts[k]);
            if let Ok(log) = &mut self.log {
                // A watch that is over has no screen to say that its last line is missing; a reader sees that it is.
                let _ = log.add(&last);
            }
            out.push(last.sentence);
        }
        out
    }

    /// What the watch says, for the screen. `silent`: the cameras whose sources give nothing now. `None` before the first picture.
    pub(super) fn view(&self, silent: &[bool]) -> Option<HoldView> {
        let reports: Vec<(usize, &HoldReport)> =
            self.reports.iter().enumerate().filter_map(|(k, r)| Some((k, r.as_ref()?))).collect();
        let several = self.lookouts.len() > 1;
        // A folder into which nothing comes is as silent as a stream that stalls.
        let silent = |k: usize| {
            silent.get(k).copied().unwrap_or(false) || self.silence(k).is_some_and(|s| self.tallies[k].is_silent(s))
        };
        let sees = |k: usize, r: &HoldReport| r.trouble.is_none() && !silent(k);
        let seen = |body: usize| {
            reports.iter().any(|(k, r)| {
                sees(*k, r) && r.bodies.iter().any(|b| b.body == body && b.standing != hold::Standing::NotSeen)
            })
        };
        let blind = !reports.iter().any(|(k, r)| sees(*k, r))
            || reports.iter().any(|(_, r)| r.bodies.iter().any(|b| !seen(b.body)));
        let since = |r: &HoldReport| match r.phase {
            Phase::Watching { since } => Some(r.time.saturating_sub(since)),
            Phase::Settling { .. } => None,
        };
        let all_watch = reports.len() == self.lookouts.len() && reports.iter().all(|(_, r)| since(r).is_some());
        let shortest = reports.iter().filter_map(|(_, r)| since(r)).min();
        (!reports.is_empty()).then(|| HoldView {
            watching_for: shortest.filter(|_| all_watch),
            blind,
            broken: reports.iter().any(|(_, r)| r.moved),
            bodies: reports
                .iter()
                .flat_map(|(k, r)| {
                    let quiet = silent(*k);
                    r.bodies.iter().map(move |b| BodyLine {
                        name: named(&b.name, *k, several),
                        standing: if quiet { hold::Standing::NotSeen } else { b.standing },
                        shift_mm: b.shift_m.map(mm),
                        detectable_mm: mm_from_m(b.detectable_m),
                    })
                })
                .collect(),
            curves: self.curves.values().filter(|c| c.points.len() > 1).cloned().collect(),
            news: self.noticed.clone(),
            trouble: reports.iter().find_map(|(k, r)| {
                r.trouble.as_ref().map(|t| if several { format!("Camera {}: {t}", k + 1) } else { t.clone() })
            }),
            so_far: (0..self.tallies.len())
                .map(|k| {
                    let mut tally = self.tallies[k].clone();
                    let words = tally.close(k, self.silence(k), &self.lookouts[k]).sentence;
                    (tally.whole() && tally.alarms() == 0, words)
                })
                .collect(),
            log: self.log.as_ref().map(|log| log.path().to_owned()).map_err(ToString::to_string),
        })
    }
}

/// Value and expanded uncertainty, mm.
fn mm((value, u): (f64, f64)) -> (f64, f64) {
    (mm_from_m(value), mm_from_m(Estimate::new(value, u).expanded))
}

fn named(name: &str, camera: usize, several: bool) -> String {
    if several { format!("{name} (camera {})", camera + 1) } else { name.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_curve_is_thinned_and_knows_where_it_moved() {
        let mut curve = Curve { name: "plate".into(), points: Vec::new() };
        for k in 0..2000 {
            let t = 0.1 * f64::from(k);
            curve.add(t, [(0.0, 0.1), (0.0, 0.1), (3.0 * (-0.1 * t).exp(), 0.1)]);
        }
        assert!(curve.points.len() <= CURVE_POINTS && curve.points.len() > CURVE_POINTS / 4, "{}", curve.points.len());
        assert!(curve.points.windows(2).all(|p| p[1].0 - p[0].0 >= CURVE_STEP_S));
        assert_eq!(curve.liveliest(), 2);
        let before = curve.points.len();
        curve.add(900.0, [(f64::NAN, 0.1); 3]);
        assert_eq!(curve.points.len(), before, "what is not known is no point");
    }

    /// A camera that went silent at the end did not watch to the end: the panel's last line says so as the command's does.
    #[test]
    fn silence_at_the_end_is_in_the_last_line() {
        use crate::record::{CLOSED, Purpose, read_hold_log, read_job};
        use crate::session::hold::{News, NewsKind};
        use crate::session::live::{Base, CameraSetup, Mount};
        let job =
            read_job(&PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a"), Purpose::Verdict).unwrap();
        let base = std::sync::Arc::new(Base::of_job(&job, 0, &|_| {}).unwrap());
        let lookout =
            || Lookout::new(base.clone(), 0, &CameraSetup::of(&job, 0, Mount::Apart), HoldOptions::default()).unwrap();
        let at = |s: u64, kind: Option<NewsKind>| HoldReport {
            time: Duration::from_secs(s),
            camera: 0,
            phase: Phase::Watching { since: Duration::from_secs(1) },
            bodies: Vec::new(),
            moved: false,
            news: kind
                .map(|kind| News {
                    time: Duration::from_secs(s),
                    camera: 0,
                    kind,
                    body: None,
                    since: Duration::from_secs(s),
                    shift_m: None,
                    turn_rad: None,
                    sentence: String::new(),
                })
                .into_iter()
                .collect(),
            trouble: None,
        };
        for (replay, silent) in [(false, true), (true, false)] {
            let dir = tempfile::tempdir().unwrap();
            let mut tally = Tally::default();
            [at(0, None), at(1, Some(NewsKind::Begins))].iter().for_each(|report| tally.take(report));
            (2..8).for_each(|s| tally.take(&at(s, None)));
            let mut watch = Watch {
                lookouts: vec![lookout()],
                reports: vec![None],
                log: HoldLog::open(dir.path()),
                noticed: Vec::new(),
                curves: BTreeMap::new(),
                tallies: vec![tally],
                seen: vec![Instant::now().checked_sub(Duration::from_secs(30))],
                replay,
                settling: vec![None],
            };
            // Nor is nothing said to move meanwhile.
            watch.reports = vec![Some(at(8, None))];
            let view = watch.view(&[false]).unwrap();
            assert!(view.blind == silent && view.so_far.len() == 1 && view.so_far[0].0 != silent, "{:?}", view.so_far);
            let said = watch.close().join(" ");
            assert_eq!(said.contains("not everything was watched all the time (30."), silent, "{said}");
            let last = read_hold_log(dir.path()).unwrap().entries.pop().unwrap();
            assert_eq!((last.event.as_str(), last.sentence), (CLOSED, said));
        }
    }
}
