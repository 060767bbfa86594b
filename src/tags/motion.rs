//! How one tag moves through a video: where its corners will be in the next frame, and how sure that is.
//!
//! Each of the eight corner coordinates moves at a constant speed but for an acceleration that is drawn anew for every frame, of one size for all
//! of the tag (the piecewise constant white acceleration of Bar-Shalom, Li and Kirubarajan, "Estimation with applications to tracking and
//! navigation", 2001, section 6.3.2, cited from memory). One 2 × 2 covariance of place and speed holds for all eight coordinates, so that a
//! prediction mixes earlier quadrilaterals as wholes and never tears one apart. The size of the acceleration follows from how far predictions were off.

use crate::tags::quads::Quad;
use nalgebra::Vector2;

/// Least and most acceleration, px/s²: a camera on a tripod; a camera turned by hand.
const ACCELERATION: std::ops::RangeInclusive<f64> = 30.0..=30_000.0;

/// Acceleration and speed that a tag may have of which one sight is known, px/s² and px/s.
const FIRST_ACCELERATION: f64 = 1000.0;
const FIRST_SPEED: f64 = 200.0;

/// A longer time between frames than this (s), or none, says nothing about speed.
const LONGEST_STEP_S: f64 = 1.0;

/// How far a tag may be off after such a time, px.
const AFTER_A_PAUSE_PX: f64 = 12.0;

/// How fast the acceleration follows what the last frame showed, upwards and downwards.
const RISE: f64 = 0.5;
const FALL: f64 = 0.15;

/// A tag's corners and their speed.
#[derive(Clone, Debug)]
pub(super) struct Motion {
    /// Corners, px.
    corners: Quad,
    /// Their speeds, px/s.
    speed: Quad,
    /// Variance of a coordinate, px²; its covariance with the speed, px²/s; variance of the speed, px²/s².
    cov: [f64; 3],
    /// Variance of a coordinate before the acceleration since the last sight was added, px².
    without_acceleration: f64,
    /// Acceleration, px/s².
    acceleration: f64,
}

impl Motion {
    /// From the first sight of a tag, whose corner coordinates have a variance of `variance`.
    pub(super) fn new(corners: Quad, variance: f64) -> Self {
        Motion {
            corners,
            speed: [Vector2::zeros(); 4],
            cov: [variance, 0.0, FIRST_SPEED * FIRST_SPEED],
            without_acceleration: variance,
            acceleration: FIRST_ACCELERATION,
        }
    }

    /// Corners as last predicted or seen, px.
    pub(super) fn corners(&self) -> &Quad {
        &self.corners
    }

    /// Standard deviation of a coordinate, px.
    pub(super) fn sigma(&self) -> f64 {
        self.cov[0].max(0.0).sqrt()
    }

    /// Moves on by a time, s.
    pub(super) fn advance(&mut self, dt: f64) {
        if !(dt > 0.0 && dt <= LONGEST_STEP_S) {
            self.speed = [Vector2::zeros(); 4];
            self.cov = [self.cov[0] + AFTER_A_PAUSE_PX * AFTER_A_PAUSE_PX, 0.0, FIRST_SPEED * FIRST_SPEED];
            self.without_acceleration = self.cov[0];
            return;
        }
        for (corner, speed) in self.corners.iter_mut().zip(&self.speed) {
            *corner += speed * dt;
        }
        let [place, both, speed] = self.cov;
        let a = self.acceleration * self.acceleration;
        let (dt2, dt3) = (dt * dt, dt * dt * dt);
        self.without_acceleration = place + 2.0 * dt * both + dt2 * speed;
        self.cov =
            [self.without_acceleration + a * dt2 * dt2 / 4.0, both + dt * speed + a * dt3 / 2.0, speed + a * dt2];
    }

    /// Takes in where the tag was seen in this frame, to which it was advanced by `dt`; `variance` is that of a corner coordinate, px².
    pub(super) fn seen(&mut self, corners: &Quad, variance: f64, dt: f64) {
        let off: Quad = std::array::from_fn(|k| corners[k] - self.corners[k]);
        let square = off.iter().map(|o| o.norm_squared()).sum::<f64>() / 8.0;
        if dt > 0.0 && dt <= LONGEST_STEP_S {
            let shown = (square - self.without_acceleration - variance).max(0.0) * 4.0 / dt.powi(4);
            let now = self.acceleration * self.acceleration;
            let share = if shown > now { RISE } else { FALL };
            self.acceleration = (now + share * (shown - now)).sqrt().clamp(*ACCELERATION.start(), *ACCELERATION.end());
        }
        let [place, both, speed] = self.cov;
        let (gain, speed_gain) = (place / (place + variance), both / (place + variance));
        for ((corner, speed), off) in self.corners.iter_mut().zip(&mut self.speed).zip(&off) {
            *corner += off * gain;
            *speed += off * speed_gain;
        }
        self.cov = [place * (1.0 - gain), both * (1.0 - gain), speed - speed_gain * both];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square(x: f64, y: f64) -> Quad {
        [[0.0, 40.0], [40.0, 40.0], [40.0, 0.0], [0.0, 0.0]].map(|[a, b]| Vector2::new(a + x, b + y))
    }

    /// A seeded number between -1 and 1 (Lehmer 1951 with the constants of Park and Miller 1988).
    fn random(seed: &mut u64) -> f64 {
        *seed = *seed * 48271 % 0x7fff_ffff;
        *seed as f64 / f64::from(0x7fff_ffff_u32) * 2.0 - 1.0
    }

    #[test]
    fn a_steady_motion_is_predicted_and_a_still_tag_stays() {
        let dt = 1.0 / 30.0;
        for speed in [0.0, 240.0] {
            let mut motion = Motion::new(square(100.0, 50.0), 1e-4);
            let mut off = f64::MAX;
            for k in 1..30 {
                motion.advance(dt);
                let now = square(100.0 + speed * dt * f64::from(k), 50.0);
                off = (motion.corners()[2] - now[2]).norm();
                motion.seen(&now, 1e-4, dt);
            }
            assert!(off < 0.02, "{speed}: {off}");
            motion.advance(dt);
            assert!(motion.sigma() < 0.5, "{speed}: {}", motion.sigma());
        }
    }

    /// Predictions of a tag that is accelerated at random lie within the stated standard deviation about as often as they should.
    #[test]
    fn the_stated_spread_covers_the_errors() {
        let (dt, mut seed) = (1.0 / 30.0, 48271);
        for acceleration in [200.0, 3000.0] {
            let (mut inside, mut n) = (0, 0);
            let (mut place, mut speed) = (Vector2::new(100.0, 100.0), Vector2::zeros());
            let mut motion = Motion::new(square(place.x, place.y), 1e-4);
            for k in 0..2000 {
                // Three evenly distributed numbers add up to a variance of 1.
                let mut normal = || (0..3).map(|_| random(&mut seed)).sum::<f64>();
                let a = Vector2::new(normal(), normal()) * acceleration;
                place += speed * dt + a * (dt * dt / 2.0);
                speed += a * dt;
                motion.advance(dt);
                let off = motion.corners()[3] - place;
                if k > 50 {
                    inside += usize::from(off.x.abs() < 2.0 * motion.sigma());
                    inside += usize::from(off.y.abs() < 2.0 * motion.sigma());
                    n += 2;
                }
                motion.seen(&square(place.x, place.y), 1e-4, dt);
            }
            let share = inside as f64 / f64::from(n);
            println!("acceleration {acceleration}: {share:.3} within two standard deviations");
            // 95.4 % if the acceleration were known; it is estimated from few frames.
            assert!((0.88..0.995).contains(&share), "{acceleration}: {share}");
        }
    }

    #[test]
    fn a_pause_or_a_clock_that_runs_backwards_forgets_the_speed() {
        for dt in [0.0, -1.0, 5.0, f64::NAN, f64::INFINITY] {
            let mut motion = Motion::new(square(0.0, 0.0), 1e-4);
            motion.advance(0.1);
            motion.seen(&square(10.0, 0.0), 1e-4, 0.1);
            let before = *motion.corners();
            motion.advance(dt);
            assert_eq!(*motion.corners(), before);
            assert!(motion.sigma() > 10.0 && motion.sigma().is_finite());
            motion.seen(&square(12.0, 0.0), 1e-4, dt);
            assert!(motion.corners().iter().all(|c| c.iter().all(|v| v.is_finite())));
        }
    }
}
