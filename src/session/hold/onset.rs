//! What happened before the watch began: whether the stand is where it was judged, and whether anything moved while all was coming to rest.
//!
//! The watch itself compares with the corners before, and would take a stand that was bumped on the way for one at rest.

use super::decide::{Evidence, chi2, explain, without};
use super::filter::Pace;
use super::lookout::Lookout;
use super::{News, NewsKind, words};
use crate::fit::chi_square;
use crate::session::live::Mount;
use crate::units::mm_from_m;
use nalgebra::{Matrix3, Matrix6, Vector6};
use std::time::Duration;

/// Chance that a stand that is where it was judged is said not to be: one test for each beginning of a watch. Common practice, no source.
const ELSEWHERE: f64 = 1e-5;

/// Chance with which a shift of the size that is said to be seen is seen.
const POWER: f64 = 0.99;

/// A body that moved while all was coming to rest: index into the kit's bodies, motion, covariance.
pub(super) type Jump = (usize, Vector6<f64>, Matrix6<f64>);

const REMEDY: &str = "What was judged before no longer holds: do not run the routine, check the job again.";

impl Lookout {
    /// The bodies that are no longer where they were when the camera first saw them.
    pub(super) fn jumps(&self, time: Duration) -> Vec<Jump> {
        let limit = chi_square::limit(ELSEWHERE.ln(), 6);
        let (places, all) = self.evidence(time, Pace::Quick);
        let all: Vec<Evidence> = all.iter().map(|e| Evidence { cov: e.cov + self.floor(limit), ..*e }).collect();
        if !all.iter().any(|e| chi2(&e.motion, &e.cov) > limit) {
            return Vec::new();
        }
        let found = explain(&all);
        // A single body in view may as well be the camera, and one that rides on the stand has the stand in all it sees.
        if found.open {
            return Vec::new();
        }
        let of =
            |k: &usize| (self.held[places[*k]].watched.body, without(found.camera.as_ref(), &all[*k]), all[*k].cov);
        found.bodies.iter().map(of).collect()
    }

    /// What is too small to matter, as scatter.
    fn floor(&self, limit: f64) -> Matrix6<f64> {
        let (turn, shift) = (self.options.least_rad.powi(2), self.options.least_m.powi(2));
        Matrix6::from_diagonal(&Vector6::new(turn, turn, turn, shift, shift, shift)) / limit
    }

    /// News of the bodies that jumped, and of those that contradict the survey; the stand is compared with its judged place besides.
    pub(super) fn tell_jumps(&mut self, time: Duration, jumps: Vec<Jump>) -> Vec<News> {
        let mut news = Vec::new();
        self.elsewhere.retain(|(body, _)| jumps.iter().all(|j| j.0 != *body));
        for (body, motion, cov) in jumps {
            let by = words::motion(&motion);
            let name = self.base.kit_name(body);
            let sentence = format!("\"{name}\" moved before the watch began, since it was first seen: {by}. {REMEDY}");
            news.push(self.news_before(time, Some((body, name.to_owned())), Some((motion, cov)), sentence));
        }
        for (body, sentence) in std::mem::take(&mut self.elsewhere) {
            let name = self.base.kit_name(body).to_owned();
            news.push(self.news_before(time, Some((body, name)), None, sentence));
        }
        news
    }

    /// Compares the stand with where it was judged: what is to be said of it, and the alarm.
    pub(super) fn judged_place(&self, time: Duration) -> (String, Option<News>) {
        if self.mount == Mount::OnStand {
            let text = "Whether the stand is still where it was judged, a camera on the stand does not show.";
            return (text.into(), None);
        }
        let Some((step, cov)) = self.live.off_from_survey(0) else {
            return ("Whether the stand is still where it was judged is not known.".into(), None);
        };
        // In the car's axes, about the stand's origin.
        let world_from_vehicle = self.base.vehicle.world_from_vehicle;
        let rotation: Matrix3<f64> = (world_from_vehicle.inverse() * self.base.world_from_stand()).rotation();
        let mut turn = Matrix6::zeros();
        turn.fixed_view_mut::<3, 3>(0, 0).copy_from(&rotation);
        turn.fixed_view_mut::<3, 3>(3, 3).copy_from(&rotation);
        let (motion, cov) = (turn * step, turn * cov * turn.transpose());
        let limit = chi_square::limit(ELSEWHERE.ln(), 6);
        let whole = cov + self.floor(limit);
        let lambda = chi_square::noncentrality(limit, 6, POWER);
        let least = whole.try_inverse().map_or(0.0, |weight| {
            let block: Matrix3<f64> = weight.fixed_view::<3, 3>(3, 3).into_owned();
            ((block + block.transpose()) * 0.5).symmetric_eigenvalues().min()
        });
        let detectable = (lambda / least.max(f64::MIN_POSITIVE)).sqrt();
        if chi2(&motion, &whole) <= limit {
            let text = format!(
                "The stand is where it was judged, as far as this camera sees (a shift of {:.1} mm would be found).",
                mm_from_m(detectable)
            );
            return (text, None);
        }
        let (body, name) = self.base.stand_name();
        let sentence = format!(
            "\"{name}\" is not where it was judged, it had moved before the watch began: {}. {REMEDY}",
            words::motion(&motion)
        );
        let news = self.news_before(time, Some((body, name)), Some((motion, cov)), sentence);
        ("The stand is not where it was judged.".into(), Some(news))
    }

    fn news_before(
        &self,
        time: Duration,
        body: Option<(usize, String)>,
        motion: Option<(Vector6<f64>, Matrix6<f64>)>,
        sentence: String,
    ) -> News {
        let pair = |k: usize| motion.map(|(m, cov)| (m[k], cov[(k, k)].max(0.0).sqrt()));
        let three = |from: usize| -> Option<[(f64, f64); 3]> { Some([pair(from)?, pair(from + 1)?, pair(from + 2)?]) };
        News {
            time,
            camera: self.camera,
            kind: NewsKind::MovedBefore,
            body,
            since: Duration::ZERO,
            shift_m: three(3),
            turn_rad: three(0),
            sentence,
        }
    }
}
