//! What a watch comes to in the end: for how long, what it noticed, what it did not see.

use super::words::clock;
use super::{HoldReport, Lookout, NewsKind, Phase, Standing};
use crate::record::{CLOSED, HoldLine};
use std::time::Duration;

/// Time between two pictures from which on a watch has a gap: what a body may be hidden for, and several times the time between pictures before it began (photographs that
/// come into a folder one by one).
const SILENCE: (Duration, u32) = (Duration::from_secs(2), 3);

/// For how long, and in how many pictures, must be watched at least: a motion of the detectable size is found within a second, with a chance of 99 %
/// ([`super::BodyWatch::detectable_m`]), where so many pictures come in one.
const LEAST: (Duration, usize) = (Duration::from_secs(1), 5);

/// One camera's watch, counted.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    begun: Option<Duration>,
    last: Option<Duration>,
    /// The longest time between two pictures before it began.
    step: Duration,
    /// For how long something that is watched was not seen, or the watch had to begin anew.
    unseen: Duration,
    alarms: usize,
    /// Pictures since it began that showed everything.
    pictures: usize,
    /// Something was hidden for a while, or the watch had to begin anew.
    gap: bool,
    /// The last picture did not show everything.
    blind: bool,
    /// Why the last picture said nothing.
    trouble: Option<String>,
}

impl Tally {
    /// Counts a picture in.
    pub fn take(&mut self, report: &HoldReport) {
        let blind = report.trouble.is_some() || report.bodies.iter().any(|b| b.standing == Standing::NotSeen);
        let waits = matches!(report.phase, Phase::Settling { .. });
        if let Some(before) = self.last {
            let step = report.time.saturating_sub(before);
            match self.begun {
                None => self.step = self.step.max(step),
                Some(_) if blind || self.blind || waits => self.unseen += step,
                Some(_) => self.silent_for(step),
            }
        }
        for news in &report.news {
            self.gap |= matches!(news.kind, NewsKind::NotSeen | NewsKind::CameraMoved);
            self.alarms += usize::from(news.kind.is_alarm());
            if news.kind == NewsKind::Begins {
                self.begun = self.begun.or(Some(report.time));
            }
        }
        self.pictures += usize::from(self.begun.is_some() && !blind && !waits);
        self.blind = blind;
        self.trouble.clone_from(&report.trouble);
        self.last = Some(report.time);
    }

    /// No picture came for this long: between two, or since the last one when the watch ends.
    fn silent_for(&mut self, silence: Duration) {
        if self.begun.is_some() && self.is_silent(silence) {
            self.unseen += silence;
            self.gap = true;
        }
    }

    /// True where so long without a picture is a gap, in which nothing is watched.
    pub fn is_silent(&self, silence: Duration) -> bool {
        silence > SILENCE.0.max(self.step * SILENCE.1)
    }

    /// True where it began, went on for long enough that a motion could be found, and saw everything to the end.
    pub fn whole(&self) -> bool {
        let seen = self.watched().saturating_sub(self.unseen);
        self.begun.is_some() && !self.gap && !self.blind && seen >= LEAST.0 && self.pictures >= LEAST.1
    }

    /// For how long it was on watch.
    fn watched(&self) -> Duration {
        self.begun.zip(self.last).map_or(Duration::ZERO, |(begun, last)| last.saturating_sub(begun))
    }

    /// Alarms.
    pub fn alarms(&self) -> usize {
        self.alarms
    }

    /// The watch of a camera is over: its last line in the log, whose sentence is all of it in words.
    ///
    /// `silence`: how long ago the last picture of a live source came, which was not watched to the end if that is long; `None` for saved pictures that were played.
    /// `lookout`: the camera's, which knows what a watch waits for that never began.
    pub fn close(&mut self, camera: usize, silence: Option<Duration>, lookout: &Lookout) -> HoldLine {
        silence.into_iter().for_each(|silence| self.silent_for(silence));
        // Why it waits is the newest picture's own word where that had one.
        let waits_for = self.trouble.clone().unwrap_or_else(|| lookout.waits_for());
        HoldLine {
            camera: Some(camera),
            sentence: self.words(&waits_for),
            ..HoldLine::new(CLOSED, self.last.unwrap_or_default().as_secs_f64())
        }
    }

    /// All of it in a sentence. `waits_for`: why a watch that never began did not.
    fn words(&self, waits_for: &str) -> String {
        let (Some(begun), Some(last)) = (self.begun, self.last) else {
            return format!("The watch never began, so nothing is said. {waits_for}");
        };
        let alarms = match self.alarms {
            0 => "no alarm".to_owned(),
            1 => "1 ALARM".to_owned(),
            n => format!("{n} ALARMS"),
        };
        let seen = match (self.whole(), self.unseen) {
            (true, Duration::ZERO) => "everything was seen all the time".to_owned(),
            (true, _) => format!("something was out of sight for {:.1} s in all", self.unseen.as_secs_f64()),
            // Nothing else is wrong than that it was over too soon.
            (false, _) if !self.gap && !self.blind => match self.alarms {
                0 => format!(
                    "that is too short: finding a motion takes {} pictures and up to {} s, so it is not shown that nothing moved",
                    LEAST.1,
                    LEAST.0.as_secs()
                ),
                _ => "it was over soon after".to_owned(),
            },
            (false, _) => format!(
                "not everything was watched all the time ({:.1} s in all not), so it is not shown that nothing moved",
                self.unseen.as_secs_f64()
            ),
        };
        let (from, to) = (clock(begun), clock(last));
        format!("Watched for {}, from {from} to {to}: {alarms}; {seen}.", clock(self.watched()))
    }
}
