//! A pose followed from picture to picture: averaged as far as its own motion allows, and no further.
//!
//! The last pictures lie in a window. Where a straight line through them has a slope beyond doubt, its end is the pose now; where it has none, the mean
//! is; in between something in between. A pose that moves evenly is so followed without lag, and one that jumps throws the older
//! pictures out at once. The uncertainty is that of the line's end throughout: a creep too slow to be seen is covered.
//!
//! Errors of corners need not be new in every picture (a tag before the same pixels errs the same way again). How much of the stated scatter is really new is
//! counted from the pictures; only that part is averaged down. A picture that shows what the one before it showed, to far less than any noise, is the same picture once more
//! (a stream that repeats itself, a still that is sent as a video): it says nothing of the scatter.

use crate::fit::chi_square;
use crate::frames::{Camera, Pose};
use nalgebra::{Matrix6, Matrix6xX, Vector6};
use std::collections::VecDeque;
use std::time::Duration;

/// Pictures in the window at most: about a second of a webcam, as long as a hand pushes evenly. Common practice, no source.
const WINDOW: usize = 24;

/// Chance that a picture of an evenly moving pose is taken for a change: once in about five minutes at 30 a second, which costs the window once. Common practice, no source.
const FALSE_CHANGE: f64 = 1e-4;

/// Weight of a new picture in the share of scatter that is new, once many were seen: that of about the last 50. Common practice, no source.
const LEARNING: f64 = 0.02;

/// Least share of the stated scatter that counts in tests: common practice, no source; a share near 0 would turn rounding into motion.
const LEAST_SHARE: f64 = 0.05;

/// χ² (six degrees of freedom) of the step from one picture to the next below which they are the same picture: chance brings two of a camera so close once in 10¹⁰ ((χ²/2)³/6,
/// the distribution's beginning).
const SAME: f64 = 1e-3;

/// Fewest pictures of which a pose is called still. Common practice, no source.
const FEWEST_STILL: usize = 5;

/// A pose in one picture.
#[derive(Clone, Debug)]
pub(super) struct Sample<F> {
    pub time: Duration,
    pub camera_from_frame: Pose<Camera, F>,
    pub noise: Matrix6<f64>,
    pub gain: Matrix6xX<f64>,
}

/// What the newest picture said of the motion.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Motion {
    /// Too few pictures to say.
    Unknown,
    /// It moves, or moved just now.
    Moving,
    /// It stands still as far as can be seen.
    Still,
}

/// The pose now.
#[derive(Clone, Debug)]
pub(super) struct Steady<F> {
    pub camera_from_frame: Pose<Camera, F>,
    /// Covariance of its left step but for the survey's part.
    pub noise: Matrix6<f64>,
    /// 6 × n, by what all pictures share.
    pub gain: Matrix6xX<f64>,
    pub frames: usize,
    pub motion: Motion,
}

/// What adding a picture did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum Change {
    /// It continues what was there.
    Continues,
    /// It does not: everything older was thrown out. The step from there to here (left step), how many pictures had agreed before, and whether it is beyond the whole
    /// of the stated scatter: pictures that agreed better than that may have shared their errors.
    Jumped { step: Vector6<f64>, agreed: usize, beyond: bool },
}

/// The window.
#[derive(Clone, Debug)]
pub(super) struct Window<F> {
    samples: VecDeque<Sample<F>>,
    /// So many before the newest are the same picture as it.
    again: usize,
    /// Share of the stated variance that is new in each picture, and from how many pictures that is known.
    share: f64,
    counted: f64,
    /// It moved before the window begins.
    moved: bool,
}

impl<F> Default for Window<F> {
    fn default() -> Self {
        Self { samples: VecDeque::new(), again: 0, share: 1.0, counted: 0.0, moved: false }
    }
}

/// Weights of values at `times` whose sum is the value at `at` of the straight line through them; of their mean where no line can be laid.
fn line_weights(times: &[f64], at: f64) -> Vec<f64> {
    let n = times.len() as f64;
    let mean = times.iter().sum::<f64>() / n;
    let spread: f64 = times.iter().map(|t| (t - mean).powi(2)).sum();
    times
        .iter()
        .map(|t| if times.len() >= 3 && spread > 0.0 { 1.0 / n + (at - mean) * (t - mean) / spread } else { 1.0 / n })
        .collect()
}

fn squares(weights: &[f64]) -> f64 {
    weights.iter().map(|w| w * w).sum()
}

fn statistic(step: &Vector6<f64>, cov: &Matrix6<f64>) -> f64 {
    cov.cholesky().map_or(f64::INFINITY, |c| step.dot(&c.solve(step)))
}

impl<F> Window<F> {
    /// The newest picture's time.
    pub fn newest(&self) -> Option<Duration> {
        self.samples.back().map(|s| s.time)
    }

    fn times(&self, base: Duration) -> Vec<f64> {
        self.samples.iter().map(|s| s.time.as_secs_f64() - base.as_secs_f64()).collect()
    }

    /// Steps of all samples from `base`.
    fn steps(&self, base: &Pose<Camera, F>) -> Vec<Vector6<f64>> {
        self.samples.iter().map(|s| base.left_step_to(&s.camera_from_frame)).collect()
    }

    fn share_for_tests(&self) -> f64 {
        // Before anything was counted the stated scatter stands.
        self.share.max(LEAST_SHARE)
    }

    /// Takes in the next picture.
    pub fn add(&mut self, sample: Sample<F>) -> Change {
        let same = |last: &Sample<F>| {
            let step = last.camera_from_frame.left_step_to(&sample.camera_from_frame);
            statistic(&step, &(sample.noise * 2.0)) < SAME
        };
        if self.samples.back().is_some_and(same) {
            if self.samples.len() == WINDOW {
                self.samples.pop_front();
            }
            self.samples.push_back(sample);
            self.again = (self.again + 1).min(self.samples.len() - 1);
            return Change::Continues;
        }
        // One picture however often it came: the last time counts.
        if let Some(last) = self.samples.pop_back() {
            self.samples.truncate(self.samples.len() - self.again);
            self.samples.push_back(last);
            self.again = 0;
        }
        let n = self.samples.len();
        if n == 0 {
            self.samples.push_back(sample);
            return Change::Continues;
        }
        let base = sample.camera_from_frame;
        let at = 0.0;
        let times = self.times(sample.time);
        let steps = self.steps(&base);
        let limit = chi_square::limit(f64::ln(FALSE_CHANGE), 6);
        let share = self.share_for_tests();
        let tested = |weights: &[f64]| {
            let predicted: Vector6<f64> = weights.iter().zip(&steps).map(|(w, s)| s * *w).sum();
            let one = statistic(&predicted, &(sample.noise * (1.0 + squares(weights))));
            (one, predicted)
        };
        let (mean, off) = tested(&vec![1.0 / n as f64; n]);
        let (line, _) = tested(&line_weights(&times, at));
        let least = mean.min(line);
        if least / share > limit {
            self.samples.clear();
            self.samples.push_back(sample);
            self.moved = true;
            return Change::Jumped { step: -off, agreed: n, beyond: least > limit };
        }
        if n >= 3 {
            self.counted += 1.0;
            let weight = (1.0 / (self.counted + 1.0)).max(LEARNING);
            self.share += weight * (line / 6.0 - self.share);
        }
        if n == WINDOW {
            self.samples.pop_front();
        }
        self.samples.push_back(sample);
        self.drop_bent();
        Change::Continues
    }

    /// Chi-square of the window about the straight line through it, at the stated scatter.
    fn bend(&self, times: &[f64], steps: &[Vector6<f64>]) -> f64 {
        let about = |(k, s): (usize, &Sample<F>)| {
            let weights = line_weights(times, times[k]);
            let fitted: Vector6<f64> = weights.iter().zip(steps).map(|(w, s)| s * *w).sum();
            statistic(&(steps[k] - fitted), &s.noise)
        };
        self.samples.iter().enumerate().map(about).sum()
    }

    /// Throws the older half out while the window is no straight line.
    fn drop_bent(&mut self) {
        while self.samples.len() >= 6 {
            let Some(newest) = self.samples.back() else { return };
            let times = self.times(newest.time);
            let steps = self.steps(&newest.camera_from_frame);
            let dof = 6 * (times.len() - 2);
            let limit = chi_square::limit(f64::ln(FALSE_CHANGE), dof);
            if self.bend(&times, &steps) / self.share_for_tests() <= limit {
                return;
            }
            let keep = self.samples.len() / 2;
            self.samples.drain(..self.samples.len() - keep);
        }
    }

    /// The pose at the newest picture.
    pub fn now(&self) -> Option<Steady<F>> {
        let newest = self.samples.back()?;
        let n = self.samples.len();
        let times = self.times(newest.time);
        let weights = if n < 3 {
            // Two pictures make no line: the newest alone.
            (0..n).map(|k| if k + 1 == n { 1.0 } else { 0.0 }).collect()
        } else {
            line_weights(&times, 0.0)
        };
        let steps = self.steps(&newest.camera_from_frame);
        // How far the line's end is believed over the mean: the surer the slope, the further (Stein's shrinking of six numbers: 1 - 6/χ²).
        let believed = if n < 3 { 1.0 } else { (1.0 - 6.0 / self.slope(&times, &steps)).max(0.0) };
        let blended: Vec<f64> = weights.iter().map(|w: &f64| believed * w + (1.0 - believed) / n as f64).collect();
        let step: Vector6<f64> = blended.iter().zip(&steps).map(|(w, s)| s * *w).sum();
        let mut gain = Matrix6xX::zeros(newest.gain.ncols());
        let mut averaged = Matrix6::zeros();
        let mut single = Matrix6::zeros();
        for ((weight, value), sample) in weights.iter().zip(&blended).zip(&self.samples) {
            gain += &sample.gain * *value;
            averaged += sample.noise * (weight * weight);
            single += sample.noise / n as f64;
        }
        // Share of the scatter that is new in every picture, as this window shows it; six degrees of freedom without any scatter are added, so that few
        // pictures are not averaged down on the strength of chance.
        let share = if n < 3 { 0.0 } else { self.bend(&times, &steps) / (6.0 * (n as f64 - 1.0)) };
        let noise = if share >= 1.0 { averaged * share } else { single * (1.0 - share) + averaged * share };
        Some(Steady {
            camera_from_frame: newest.camera_from_frame.moved_left(&step),
            noise,
            gain,
            frames: n,
            motion: self.motion(&times, &steps),
        })
    }

    fn motion(&self, times: &[f64], steps: &[Vector6<f64>]) -> Motion {
        let n = times.len();
        if n < FEWEST_STILL {
            // After a change the pose counts as moving until it has stood still for some pictures.
            return if self.moved { Motion::Moving } else { Motion::Unknown };
        }
        match self.slope(times, steps) > chi_square::limit(f64::ln(FALSE_CHANGE), 6) {
            true => Motion::Moving,
            false => Motion::Still,
        }
    }

    /// Chi-square (six degrees of freedom where it stands still) of the straight line's slope; 0 where there is none.
    fn slope(&self, times: &[f64], steps: &[Vector6<f64>]) -> f64 {
        let Some(newest) = self.samples.back() else { return 0.0 };
        let mean = times.iter().sum::<f64>() / times.len() as f64;
        let spread: f64 = times.iter().map(|t| (t - mean).powi(2)).sum();
        if spread <= 0.0 {
            return 0.0;
        }
        let slope: Vector6<f64> = times.iter().zip(steps).map(|(t, s)| s * ((t - mean) / spread)).sum();
        statistic(&slope, &(newest.noise * (self.share_for_tests() / spread)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frames::World;
    use crate::scene::draw::{Draw, Purpose};

    /// Standard deviation of each of the six in one picture: 1 mrad and 1 mm, in round numbers.
    const SIGMA: f64 = 1e-3;

    fn sample(k: usize, pose: &Pose<Camera, World>, error: Vector6<f64>) -> Sample<World> {
        Sample {
            time: Duration::from_millis(40 * k as u64),
            camera_from_frame: pose.moved_left(&error),
            noise: Matrix6::identity() * (SIGMA * SIGMA),
            gain: Matrix6xX::zeros(1),
        }
    }

    fn noise(draw: &mut Draw, sigma: f64) -> Vector6<f64> {
        Vector6::from_fn(|_, _| draw.normal(sigma))
    }

    fn at(shift: f64) -> Pose<Camera, World> {
        Pose::claim_rotvec(nalgebra::Vector3::new(0.1, -0.2, 0.3), nalgebra::Vector3::new(shift, 0.4, 2.0))
    }

    /// Root mean square error of `now` in units of what it states, over many windows; and the mean stated standard deviation.
    fn play(motion: impl Fn(usize) -> f64, repeated: f64, pictures: usize) -> (f64, f64, Vec<Motion>) {
        let (mut sum, mut stated, mut motions) = (0.0, 0.0, Vec::new());
        let n = 200;
        for seed in 0..n {
            let mut draw = Draw::new(seed, Purpose::Photo(40));
            let mut window = Window::default();
            // The part of the error that is the same in every picture; both together are as stated.
            let fixed = noise(&mut draw, SIGMA * repeated);
            for k in 0..pictures {
                let new = noise(&mut draw, SIGMA * (1.0 - repeated * repeated).sqrt());
                window.add(sample(k, &at(motion(k)), fixed + new));
            }
            let now = window.now().unwrap();
            let off = at(motion(pictures - 1)).left_step_to(&now.camera_from_frame);
            sum += statistic(&off, &now.noise) / 6.0;
            stated += (now.noise.trace() / 6.0).sqrt();
            motions.push(now.motion);
        }
        ((sum / n as f64).sqrt(), stated / n as f64, motions)
    }

    #[test]
    fn errors_that_are_new_in_every_picture_are_averaged_down() {
        let (rms, stated, motions) = play(|_| 0.0, 0.0, 24);
        // A line's end through 24 points: sqrt((4·24 - 2) / (24·25)) = 0.396 (textbook regression), a little more for the few degrees of freedom.
        assert!((0.36..0.50).contains(&(stated / SIGMA)), "{}", stated / SIGMA);
        assert!((0.5..1.0).contains(&rms), "{rms}");
        assert!(motions.iter().filter(|m| **m == Motion::Still).count() >= 198);
    }

    #[test]
    fn errors_that_repeat_are_not() {
        let (rms, stated, _) = play(|_| 0.0, 0.95, 24);
        assert!(stated / SIGMA > 0.85, "{}", stated / SIGMA);
        assert!((0.8..1.2).contains(&rms), "{rms}");
    }

    #[test]
    fn an_even_motion_is_followed_without_lag_and_called_one() {
        let (rms, stated, motions) = play(|k| 0.4 * SIGMA * k as f64, 0.0, 40);
        assert!((0.7..1.15).contains(&rms), "{rms}");
        assert!(stated / SIGMA < 0.6, "{}", stated / SIGMA);
        assert!(motions.iter().filter(|m| **m == Motion::Moving).count() >= 190);
    }

    #[test]
    fn a_creep_too_slow_to_be_seen_is_covered() {
        // A tenth of the scatter in the whole window, and ten times that.
        for in_window in [0.1, 0.5, 1.0, 2.0] {
            let (rms, _, _) = play(|k| in_window * SIGMA * k as f64 / 24.0, 0.0, 48);
            assert!(rms < 1.05, "{in_window}: {rms}");
        }
    }

    /// The same picture a hundred times, then others of the same scene: nothing jumps, and nothing was averaged down on the strength of one picture.
    #[test]
    fn the_same_picture_again_says_nothing_of_the_scatter() {
        for seed in 0..50 {
            let mut draw = Draw::new(seed, Purpose::Photo(42));
            let mut window = Window::default();
            let one = noise(&mut draw, SIGMA);
            for k in 0..100 {
                // To a ten-thousandth of the scatter: where a fit ends depends on where it began.
                let end = noise(&mut draw, 1e-4 * SIGMA);
                assert_eq!(window.add(sample(k, &at(0.0), one + end)), Change::Continues);
            }
            let now = window.now().unwrap();
            assert!((now.noise.trace() / 6.0).sqrt() > 0.99 * SIGMA && now.motion == Motion::Still);
            assert_eq!(now.frames, WINDOW);
            for k in 100..110 {
                let change = window.add(sample(k, &at(0.0), noise(&mut draw, SIGMA)));
                assert_eq!(change, Change::Continues, "{seed} {k}");
            }
        }
    }

    #[test]
    fn a_jump_throws_the_past_out_at_once() {
        let mut draw = Draw::new(1, Purpose::Photo(41));
        let mut window = Window::default();
        for k in 0..20 {
            window.add(sample(k, &at(0.0), noise(&mut draw, SIGMA)));
        }
        let change = window.add(sample(20, &at(12.0 * SIGMA), noise(&mut draw, SIGMA)));
        let Change::Jumped { step, agreed, beyond } = change else { panic!("{change:?}") };
        assert!(agreed >= 18 && beyond && (step[3] / SIGMA - 12.0).abs() < 5.0, "{agreed} {step}");
        let now = window.now().unwrap();
        assert_eq!((now.frames, now.motion), (1, Motion::Moving));
        let off = at(12.0 * SIGMA).left_step_to(&now.camera_from_frame);
        assert!(off.norm() < 5.0 * SIGMA, "{off}");
    }
}
