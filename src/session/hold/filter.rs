//! A body's apparent motion over time: a quick mean for bumps, a slow one for creep, and a gate that lets single odd frames pass by.

use super::apparent::Apparent;
use super::decide::{Evidence, chi2};
use crate::fit::chi_square;
use nalgebra::{Matrix6, Vector3, Vector6};
use std::collections::VecDeque;
use std::time::Duration;

/// Time constants of the two means, s: a bump must be seen within a second (three quick ones), a creep of minutes stand out. Common practice, no source.
const QUICK_S: f64 = 0.3;
const SLOW_S: f64 = 10.0;

/// Chance that a sound frame is held back until the next ones agree with it: in 8 h at 30 frames a second about once for each body, which only delays. Common practice, no source.
const HELD_BACK: f64 = 1e-6;

/// Frames that must agree with each other before they are believed against the mean: a single odd one, or two, may be a hand before a tag. Common practice, no source.
const AGREE: usize = 3;

/// Frames against the mean after which the newest is believed even where they do not agree with each other: the body is being moved. Common practice, no source.
const AT_LAST: usize = 6;

/// Odd frames farther apart than this have nothing to do with each other. Common practice, no source.
const TOGETHER: Duration = Duration::from_secs(1);

/// Weight of a frame in the scatter: known from about 50 frames, to a fifth (6 numbers a frame). Common practice, no source.
const SCATTER_WEIGHT: f64 = 0.02;

/// Past that is kept to tell a bump from a creep: one value in this time, s, for so many of them (20 minutes). Common practice, no source.
const PAST_EVERY_S: f64 = 0.5;
const PAST: usize = 2400;

/// Which of the two means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Pace {
    Quick,
    Slow,
}

/// An exponentially weighted mean with its covariance (S. W. Roberts, "Control chart tests based on geometric moving averages", 1959).
#[derive(Clone, Copy, Debug)]
struct Mean {
    value: Vector6<f64>,
    cov: Matrix6<f64>,
    frames: f64,
}

impl Mean {
    /// The first frames weigh alike, later ones as their time constant says.
    fn add(&mut self, motion: &Vector6<f64>, cov: &Matrix6<f64>, dt_s: f64, tau_s: f64) {
        self.frames += 1.0;
        let weight = (1.0 - (-dt_s / tau_s).exp()).max(1.0 / self.frames);
        self.value += (motion - self.value) * weight;
        self.cov = self.cov * (1.0 - weight).powi(2) + cov * (weight * weight);
    }
}

/// One body's filter.
#[derive(Clone, Debug, Default)]
pub(super) struct Filter {
    quick: Option<Mean>,
    slow: Option<Mean>,
    /// What does not average out, as of the newest frame.
    fixed: Matrix6<f64>,
    pending: Vec<Vector6<f64>>,
    /// When the newest of these came.
    pending_at: Duration,
    last: Option<(Duration, Vector6<f64>)>,
    /// How much larger the scatter from frame to frame is than stated; at least 1.
    scatter: f64,
    past: VecDeque<(Duration, Vector6<f64>)>,
    /// When the means last began anew.
    restarted: Duration,
}

impl Filter {
    /// Takes in a frame.
    pub fn add(&mut self, time: Duration, a: &Apparent) {
        let scatter = self.scatter.max(1.0);
        let cov = a.cov * scatter;
        self.fixed = a.light + a.before;
        let (Some(quick), Some(slow)) = (self.quick.as_mut(), self.slow.as_mut()) else {
            self.restart(time, a.motion, cov, 1);
            return;
        };
        let limit = chi_square::limit(f64::ln(HELD_BACK), 6);
        if chi2(&(a.motion - quick.value), &(cov + quick.cov + a.light)) > limit {
            if time.saturating_sub(self.pending_at) > TOGETHER {
                self.pending.clear();
            }
            self.pending_at = time;
            self.pending.push(a.motion);
            let n = self.pending.len();
            let newest = &self.pending[n.saturating_sub(AGREE)..];
            let agree = n >= AGREE && newest.iter().all(|m| chi2(&(m - a.motion), &(cov * 2.0)) <= limit);
            if agree {
                let mean = newest.iter().sum::<Vector6<f64>>() / AGREE as f64;
                self.restart(time, mean, cov / AGREE as f64, AGREE);
            } else if n >= AT_LAST {
                self.restart(time, a.motion, cov, 1);
            }
            return;
        }
        self.pending.clear();
        let dt = self.last.map_or(0.0, |(t, _)| time.saturating_sub(t).as_secs_f64());
        if let Some((_, before)) = self.last {
            let ratio = chi2(&(a.motion - before), &(a.cov * 2.0)) / 6.0;
            self.scatter = (scatter + SCATTER_WEIGHT * (ratio - scatter)).max(1.0);
        }
        quick.add(&a.motion, &cov, dt, QUICK_S);
        slow.add(&a.motion, &cov, dt, SLOW_S);
        self.last = Some((time, a.motion));
        self.remember(time);
    }

    fn restart(&mut self, time: Duration, motion: Vector6<f64>, cov: Matrix6<f64>, frames: usize) {
        let mean = Mean { value: motion, cov, frames: frames as f64 };
        (self.quick, self.slow) = (Some(mean), Some(mean));
        self.restarted = time;
        self.pending.clear();
        self.last = Some((time, motion));
        self.remember(time);
    }

    fn remember(&mut self, time: Duration) {
        let due = self.past.back().is_none_or(|(t, _)| time.saturating_sub(*t).as_secs_f64() >= PAST_EVERY_S);
        if let (true, Some(quick)) = (due, &self.quick) {
            if self.past.len() == PAST {
                self.past.pop_front();
            }
            self.past.push_back((time, quick.value));
        }
    }

    /// Time of the newest frame that counts.
    pub fn newest(&self) -> Option<Duration> {
        self.last.map(|(t, _)| t)
    }

    /// For how long the means have gone on without a jump.
    pub fn settled_for(&self) -> Duration {
        self.last.map_or(Duration::ZERO, |(t, _)| t.saturating_sub(self.restarted))
    }

    /// True where the frame of this time was held back: whatever happens is not over.
    pub fn unsettled(&self, time: Duration) -> bool {
        !self.pending.is_empty() && self.pending_at == time
    }

    /// What it says, relative to a motion that was told before.
    pub fn evidence(&self, pace: Pace, middle: &Vector3<f64>, told: &Vector6<f64>) -> Option<Evidence> {
        let mean = match pace {
            Pace::Quick => self.quick.as_ref()?,
            Pace::Slow => self.slow.as_ref()?,
        };
        Some(Evidence { middle: *middle, motion: mean.value - told, cov: mean.cov + self.fixed })
    }

    /// When a motion that is complete now was a quarter and three quarters done.
    pub fn course(&self, now: &Vector6<f64>, told: &Vector6<f64>) -> Option<(Duration, Duration)> {
        let done = |m: &Vector6<f64>| {
            let (turn, shift) = (now.fixed_rows::<3>(0), now.fixed_rows::<3>(3));
            let d = m - told;
            // Along whichever of the two is the larger, a turn counted at an arm of half a metre.
            if shift.norm() > 0.5 * turn.norm() {
                d.fixed_rows::<3>(3).dot(&shift) / shift.norm_squared()
            } else {
                d.fixed_rows::<3>(0).dot(&turn) / turn.norm_squared()
            }
        };
        let last_below = |share: f64| self.past.iter().rev().find(|(_, m)| done(m) < share).map(|(t, _)| *t);
        let quarter = last_below(0.25)?;
        Some((quarter, last_below(0.75).unwrap_or(quarter).max(quarter)))
    }
}
