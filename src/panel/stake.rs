//! Geometry of the stake-out drawings, without any drawing: the placement as a window, the stand's 95 % ellipse in it, the face's lean.
//!
//! Two windows: seen from above (lateral and distance, yaw) and from the car's right side (distance and height, pitch). Millimetres from the required place.

use crate::panel::standing::Standing;
use crate::uncertainty::ellipse_95;

/// Indices of the six.
const DISTANCE: usize = 0;
const LATERAL: usize = 1;
const HEIGHT: usize = 2;
const YAW: usize = 3;
const PITCH: usize = 4;

/// The face's lean is drawn so many times as large that its tolerance fills this angle, degrees. Chosen for the eye.
const LEAN_SHOWN_DEG: f64 = 12.0;

/// From where a window is looked at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum View {
    /// Right is the car's right, up is ahead.
    Above,
    /// Right is ahead, up is up.
    Side,
}

/// One window, ready to be drawn: x to the right, y up, mm from the required place.
#[derive(Clone, Debug, PartialEq)]
pub struct Window {
    /// From where it is seen.
    pub view: View,
    /// Half width and half height of the tolerance window; `None` where the procedure does not ask.
    pub half: [Option<f64>; 2],
    /// Where the target's centre is.
    pub at: [f64; 2],
    /// Its 95 % ellipse.
    pub ellipse: Vec<[f64; 2]>,
    /// How far the drawing reaches from the required place, mm.
    pub reach: f64,
    /// The face's lean against what is required, in degrees, counter-clockwise as drawn.
    pub lean_deg: f64,
    /// Its U.
    pub lean_expanded_deg: f64,
    /// Its tolerance.
    pub lean_tolerance_deg: Option<f64>,
    /// By how much the lean is drawn larger.
    pub lean_times: f64,
}

impl Window {
    /// The window of a station, seen so.
    pub fn of(standing: &Standing, view: View) -> Self {
        // Screen axes as indices of the six with their signs: right is the car's right, that is minus lateral.
        let (axes, lean, lean_sign) = match view {
            View::Above => ([(LATERAL, -1.0), (DISTANCE, 1.0)], YAW, 1.0),
            // Positive pitch tips the top ahead: clockwise where ahead is to the right.
            View::Side => ([(DISTANCE, 1.0), (HEIGHT, 1.0)], PITCH, -1.0),
        };
        let at = axes.map(|(k, sign)| sign * standing.six[k].deviation);
        let half = axes.map(|(k, _)| standing.six[k].tolerance);
        let cov = [0, 1].map(|i| [0, 1].map(|j| axes[i].1 * axes[j].1 * standing.cov[axes[i].0][axes[j].0]));
        let ellipse: Vec<[f64; 2]> = ellipse_95(cov).into_iter().map(|[x, y]| [at[0] + x, at[1] + y]).collect();
        let farthest = ellipse.iter().chain([&at]).flatten().fold(0.0_f64, |most, v| most.max(v.abs()));
        let window = half.iter().flatten().fold(0.0_f64, |most, v| most.max(*v));
        let reach = (1.5 * window).max(1.2 * farthest);
        let face = &standing.six[lean];
        let widest = face.tolerance.unwrap_or(2.0 * face.expanded).max(f64::MIN_POSITIVE);
        Self {
            view,
            half,
            at,
            ellipse,
            reach: if reach > 0.0 && reach.is_finite() { reach } else { 1.0 },
            lean_deg: lean_sign * face.deviation,
            lean_expanded_deg: face.expanded,
            lean_tolerance_deg: face.tolerance,
            lean_times: round_factor(LEAN_SHOWN_DEG / widest),
        }
    }

    /// The lean as drawn, kept below a quarter turn.
    pub fn drawn_deg(&self, deg: f64) -> f64 {
        (deg * self.lean_times).clamp(-60.0, 60.0)
    }

    /// A length for the scale bar: 1, 2 or 5 times a power of ten of a unit of so many mm, about a third of the reach; mm.
    pub fn scale_bar_mm(&self, unit_mm: f64) -> f64 {
        let third = self.reach / (3.0 * unit_mm);
        let decade = 10f64.powf(third.log10().floor());
        let steps = [5.0, 2.0, 1.0];
        unit_mm * steps.iter().map(|s| s * decade).find(|s| *s <= third).unwrap_or(decade)
    }
}

/// A factor that can be said: whole numbers, at least 1.
fn round_factor(times: f64) -> f64 {
    if times >= 10.0 { (times / 5.0).round() * 5.0 } else { times.round().max(1.0) }
}

#[cfg(test)]
pub(in crate::panel) mod tests {
    use super::*;
    use crate::panel::standing::Figure;
    use crate::record::result::Verdict;

    pub(in crate::panel) fn standing() -> Standing {
        let figure = |name, angle, deviation, tolerance| Figure {
            name,
            angle,
            required: 0.0,
            measured: deviation,
            deviation,
            expanded: 1.0,
            tolerance,
            verdict: Some(Verdict::In),
            words: String::new(),
        };
        Standing {
            station: "centre".into(),
            verdict: Verdict::In,
            six: [
                figure("distance", false, 3.0, Some(10.0)),
                figure("lateral", false, 2.0, Some(5.0)),
                figure("height", false, -4.0, None),
                figure("yaw", true, 0.2, Some(0.5)),
                figure("pitch", true, 0.1, Some(1.0)),
                figure("roll", true, 0.0, None),
            ],
            cov: std::array::from_fn(|i| std::array::from_fn(|j| if i == j { 1.0 } else { 0.0 })),
            moves: Vec::new(),
            remedies: Vec::new(),
        }
    }

    #[test]
    fn from_above_the_cars_left_is_on_the_left_and_ahead_is_up() {
        let window = Window::of(&standing(), View::Above);
        // 2 mm to the car's left, 3 mm too far ahead.
        assert_eq!(window.at, [-2.0, 3.0]);
        assert_eq!(window.half, [Some(5.0), Some(10.0)]);
        // Yaw is positive counter-clockwise seen from above.
        assert!(window.lean_deg > 0.0);
        assert_eq!(window.lean_times, 25.0);
        assert!(window.reach >= 15.0);
    }

    #[test]
    fn from_the_side_the_top_leans_ahead_where_pitch_is_positive() {
        let window = Window::of(&standing(), View::Side);
        assert_eq!(window.at, [3.0, -4.0]);
        assert_eq!(window.half, [Some(10.0), None]);
        assert!(window.lean_deg < 0.0, "clockwise as drawn, ahead being to the right");
    }

    #[test]
    fn scale_bars_are_round() {
        let mut window = Window::of(&standing(), View::Above);
        for (reach, bar) in [(15.0, 5.0), (7.0, 2.0), (100.0, 20.0), (0.4, 0.1)] {
            window.reach = reach;
            assert!((window.scale_bar_mm(1.0) - bar).abs() < 1e-9, "{reach}: {}", window.scale_bar_mm(1.0));
        }
        window.reach = 15.0;
        assert!((window.scale_bar_mm(25.4) - 2.54).abs() < 1e-9, "a tenth of an inch");
    }
}
