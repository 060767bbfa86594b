//! How often is tested: no more often than the stated chance of a false alarm counts with, however fast frames come.

use std::time::Duration;

/// Tests that may be made up for, so that frames that do not come evenly are tested all the same. Common practice, no source.
const MOST_SAVED: f64 = 2.0;

/// The tests that may be made.
#[derive(Clone, Copy, Debug)]
pub(super) struct Turns {
    saved: f64,
    at: Duration,
    per_s: f64,
}

impl Turns {
    /// At most `per_s` tests in a second.
    pub fn new(per_s: f64) -> Self {
        Self { saved: MOST_SAVED, at: Duration::ZERO, per_s }
    }

    /// Whether the frame of this time is tested.
    pub fn due(&mut self, time: Duration) -> bool {
        let earned = time.saturating_sub(self.at).as_secs_f64() * self.per_s;
        self.saved = (self.saved + earned).min(MOST_SAVED);
        self.at = self.at.max(time);
        // A thousandth below one: frames at just the stated rate must not fail by rounding.
        let due = self.saved >= 0.999;
        if due {
            self.saved -= 1.0;
        }
        due
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tests_in(rate_hz: f64, jitter: f64) -> usize {
        let mut turns = Turns::new(30.0);
        let n = (100.0 * rate_hz) as usize;
        let at = |k: usize| (k as f64 + if k % 2 == 1 { jitter } else { 0.0 }) / rate_hz;
        (0..n).filter(|k| turns.due(Duration::from_secs_f64(at(*k)))).count()
    }

    #[test]
    fn every_frame_at_the_stated_rate_and_no_more_than_that_above() {
        assert_eq!(tests_in(30.0, 0.0), 3000);
        assert_eq!(tests_in(29.97, 0.6), 2997);
        assert_eq!(tests_in(10.0, 0.3), 1000);
        for rate in [31.0, 60.0, 120.0, 240.0] {
            let tests = tests_in(rate, 0.4);
            assert!((2900..=3010).contains(&tests), "{rate}: {tests}");
        }
    }
}
