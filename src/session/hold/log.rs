//! What the watch noticed as lines of the job's log.

use super::{HoldOptions, News};
use crate::record::HoldLine;
use crate::units::{deg_from_rad, mm_from_m};

/// The line that a watch begins with.
pub fn line_of_start(options: &HoldOptions, sources: &[String], started_unix_s: Option<u64>) -> HoldLine {
    HoldLine {
        started_unix_s,
        sentence: format!(
            "Watch over {}: at most {} false alarms are to be expected in {} h; a shift alone below {} mm, or a turn alone below {}°, is no alarm.",
            sources.join(" and "),
            options.false_alarms,
            options.hours,
            mm_from_m(options.least_m),
            deg_from_rad(options.least_rad)
        ),
        ..HoldLine::new("opened", 0.0)
    }
}

/// The line of something noticed.
pub fn line_of_news(news: &News) -> HoldLine {
    let values = |three: &Option<[(f64, f64); 3]>, edge: fn(f64) -> f64| three.map(|t| t.map(|(v, _)| edge(v)));
    let us = |three: &Option<[(f64, f64); 3]>, edge: fn(f64) -> f64| three.map(|t| t.map(|(_, u)| edge(u)));
    HoldLine {
        since_s: Some(news.since.as_secs_f64()),
        camera: Some(news.camera),
        alarm: news.kind.is_alarm(),
        body: news.body.as_ref().map(|(_, name)| name.clone()),
        shift_mm: values(&news.shift_m, mm_from_m),
        u_shift_mm: us(&news.shift_m, mm_from_m),
        turn_deg: values(&news.turn_rad, deg_from_rad),
        u_turn_deg: us(&news.turn_rad, deg_from_rad),
        sentence: news.sentence.clone(),
        ..HoldLine::new(news.kind.word(), news.time.as_secs_f64())
    }
}
