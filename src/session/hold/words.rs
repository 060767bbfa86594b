//! Sentences of the hold watch.

use crate::units::{deg_from_rad, mm_from_m};
use nalgebra::Vector6;
use std::time::Duration;

/// A turn below this is not said, rad: it would read as nothing.
const LEAST_SAID_RAD: f64 = crate::units::rad_from_deg(0.005);

/// A shift below this is not said, m.
const LEAST_SAID_M: f64 = crate::units::m_from_mm(0.05);

/// Where a motion leads, in the car's words: "2.1 mm towards the car's left, turned 0.10°".
pub(super) fn motion(m: &Vector6<f64>) -> String {
    let mut parts = Vec::new();
    for (k, plus, minus) in [
        (3, "in the direction the car faces", "against the direction the car faces"),
        (4, "to the car's left", "to the car's right"),
        (5, "up", "down"),
    ] {
        let largest = (3..6).map(|j| m[j].abs()).fold(0.0, f64::max);
        if m[k].abs() >= LEAST_SAID_M && m[k].abs() > 0.3 * largest {
            parts.push(format!("{:.1} mm {}", mm_from_m(m[k].abs()), if m[k] > 0.0 { plus } else { minus }));
        }
    }
    let turn = m.fixed_rows::<3>(0).norm();
    if turn >= LEAST_SAID_RAD {
        let about = if m[2].abs() > 0.8 * turn {
            if m[2] > 0.0 { " counter-clockwise seen from above" } else { " clockwise seen from above" }
        } else {
            ""
        };
        parts.push(format!("turned {:.2}°{about}", deg_from_rad(turn)));
    }
    if parts.is_empty() { "by less than can be said".into() } else { parts.join(", ") }
}

/// A time since the watch's first frame with tenths, as it stands before a line: "0:07.3".
pub fn clock_tenths(time: Duration) -> String {
    format!("{}.{}", clock(time), time.subsec_millis() / 100)
}

/// A time since the watch's first frame: "0:07", "12:31".
pub(super) fn clock(time: Duration) -> String {
    format!("{}:{:02}", time.as_secs() / 60, time.as_secs() % 60)
}
