//! The decision rule: guard-banded on both sides, with the uncertainty counting against whoever claims something.

use crate::fit::normal_cdf;
use crate::uncertainty::Estimate;

/// In, out, or not proven: always three states (ISO 14253-1, known here from secondary texts). Ordered from best to worst for a job that
/// wants proof: one thing out makes the whole out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// |deviation| + U <= tolerance.
    InTolerance,
    /// Neither: the uncertainty is too large to say.
    NotProven,
    /// |deviation| - U > tolerance.
    OutOfTolerance,
}

impl State {
    /// The words people read.
    pub fn name(self) -> &'static str {
        match self {
            State::InTolerance => "in tolerance",
            State::NotProven => "not proven",
            State::OutOfTolerance => "out of tolerance",
        }
    }
}

/// Judges a deviation against a tolerance (plus/minus): in where |e| + U <= T, out where |e| - U > T, else not proven. Anything that
/// is not a number proves nothing.
pub fn judge(deviation: &Estimate, tolerance: f64) -> State {
    let (e, expanded) = (deviation.value.abs(), deviation.expanded);
    if expanded.is_nan() || expanded < 0.0 {
        State::NotProven
    } else if e + expanded <= tolerance {
        State::InTolerance
    } else if e - expanded > tolerance {
        State::OutOfTolerance
    } else {
        State::NotProven
    }
}

/// Whether the set-up can show a deviation in tolerance at all, wherever the stand is: U < T.
pub fn can_decide(deviation: &Estimate, tolerance: f64) -> bool {
    deviation.expanded < tolerance
}

/// True where no place of the stand would prove a deviation: it is not proven, and U alone is as large as the tolerance. It is to be measured better before a move is
/// worth making. In any unit.
pub fn no_move_proves(state: Option<State>, expanded: f64, tolerance: Option<f64>) -> bool {
    state == Some(State::NotProven) && tolerance.is_some_and(|tolerance| expanded >= tolerance)
}

/// Probability that a quantity lies between two limits (either may be infinite), given its estimate and standard uncertainty, normal.
///
/// Source: JCGM 106:2012, clause 7 (clause number from memory).
pub fn conformance_between(value: f64, u: f64, lower: f64, upper: f64) -> f64 {
    if u == 0.0 {
        return if value >= lower && value <= upper { 1.0 } else { 0.0 };
    }
    let (above, below) = ((upper - value) / u, (lower - value) / u);
    // Far on one side both terms are near 1: take the mirror image, which keeps the relative accuracy of small probabilities.
    if below > 0.0 { normal_cdf(-below) - normal_cdf(-above) } else { normal_cdf(above) - normal_cdf(below) }
}

/// Probability that the true deviation lies within plus/minus the tolerance.
pub fn conformance(deviation: &Estimate, tolerance: f64) -> f64 {
    conformance_between(deviation.value, deviation.u, -tolerance, tolerance)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::normal_quantile;
    use crate::uncertainty::K_95;

    fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
        assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
    }

    /// Source: JCGM 106:2012, 7.4 examples 1 (breakdown voltage, printed 0.92) and 2 (oil viscosity, printed 0.66); inputs from memory,
    /// figures recomputed.
    #[test]
    fn jcgm_106_conformance_examples() {
        near("voltage", conformance_between(-5.47, 0.05, f64::NEG_INFINITY, -5.40), 0.919, 0.0005);
        near("viscosity", conformance_between(13.6, 1.8, 12.5, 16.3), 0.6626, 0.0005);
    }

    /// Source: JCGM 106:2012, 8.3.3.2 (speed limit 100 km/h, u 2 % of the reading, 99.9 %: printed 107 km/h); inputs from memory, figure recomputed.
    #[test]
    fn jcgm_106_speed_limit_with_relative_uncertainty() {
        let z = normal_quantile(0.999);
        let v = 100.0 / (1.0 - 0.02 * z);
        near("v", v, 106.59, 0.01);
        let p = |v: f64| conformance_between(v, 0.02 * v, 100.0, f64::INFINITY);
        near("p at the acceptance limit", p(v), 0.999, 1e-9);
        assert!(p(v - 0.1) < 0.999 && p(v + 0.1) > 0.999);
    }

    /// Worked switch points, tolerance 0.50, u 0.10 (own derivation, probabilities recomputed with a general-purpose library): the probability
    /// passes 95 % at 0.50 - 0.16449 and 5 % at 0.50 + 0.16449.
    #[test]
    fn conformance_probability_switch_points() {
        for (y, p) in
            [(0.300, 0.97725), (0.335, 0.95053), (0.336, 0.94950), (0.450, 0.69146), (0.664, 0.05050), (0.665, 0.04947)]
        {
            near("p", conformance(&Estimate::new(y, 0.10), 0.50), p, 0.00001);
            near("mirror", conformance(&Estimate::new(-y, 0.10), 0.50), p, 0.00001);
        }
        for (y, p) in [(0.50 - 0.164485, 0.95), (0.50 + 0.164485, 0.05)] {
            near("switch", conformance(&Estimate::new(y, 0.10), 0.50), p, 0.000001);
        }
    }

    /// Guard factors g/u for 95 % conformance where the tolerance is narrow (two limits; own derivation, recomputed): below T/u = 1.960 no
    /// reading can reach 95 %.
    #[test]
    fn narrow_tolerances_need_wider_guards_or_cannot_be_decided() {
        for (ratio, guard) in [(3.0, 1.645), (2.5, 1.649), (2.2, 1.677), (2.0, 1.796)] {
            let estimate = Estimate::new((ratio - guard) * 0.1, 0.1);
            near("p", conformance(&estimate, ratio * 0.1), 0.95, 0.0002);
        }
        for (ratio, decidable) in [(1.959, false), (1.9600, true), (2.0, true)] {
            let centred = Estimate::new(0.0, 0.1);
            assert_eq!(can_decide(&centred, ratio * 0.1), decidable, "{ratio}");
            assert_eq!(judge(&centred, ratio * 0.1) == State::InTolerance, decidable, "{ratio}");
            assert_eq!(conformance(&centred, ratio * 0.1) >= 0.95, decidable, "{ratio}");
        }
    }

    #[test]
    fn three_states_with_their_exact_edges() {
        // u such that U is exactly representable in the comparison: T = 5, U = 1.
        let at = |value: f64| judge(&Estimate { value, u: 1.0 / K_95, expanded: 1.0 }, 5.0);
        assert_eq!(at(4.0), State::InTolerance);
        assert_eq!(at(-4.0), State::InTolerance);
        assert_eq!(at(4.0 + 1e-9), State::NotProven);
        assert_eq!(at(6.0), State::NotProven);
        assert_eq!(at(-6.0 - 1e-9), State::OutOfTolerance);
        assert_eq!(at(6.0 + 1e-9), State::OutOfTolerance);
        assert_eq!(judge(&Estimate::new(0.0, 2.0), 3.0), State::NotProven);
        assert_eq!(judge(&Estimate::new(0.5, 0.0), 0.5), State::InTolerance);
        assert_eq!(judge(&Estimate::new(0.51, 0.0), 0.5), State::OutOfTolerance);
    }

    #[test]
    fn what_is_no_number_proves_nothing() {
        for estimate in [Estimate::new(f64::NAN, 0.1), Estimate::new(0.0, f64::NAN), Estimate::new(0.0, -1.0)] {
            assert_eq!(judge(&estimate, 1.0), State::NotProven);
        }
        assert_eq!(judge(&Estimate::new(0.0, 0.1), f64::NAN), State::NotProven);
    }

    #[test]
    fn conformance_without_uncertainty_is_yes_or_no() {
        assert_eq!(conformance(&Estimate::new(1.0, 0.0), 1.0), 1.0);
        assert_eq!(conformance(&Estimate::new(-1.1, 0.0), 1.0), 0.0);
        // Far out, tiny but not negative.
        let p = conformance(&Estimate::new(2.0, 0.1), 1.0);
        near("log10 p", p.log10(), -23.12, 0.01);
    }
}
