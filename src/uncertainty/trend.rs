//! Does something that is measured again and again stay what it was? A straight line and a jump at every possible moment, each tested against no change.
//!
//! Values come with their stated standard uncertainties, which are taken for independent of each other: what they share (the same profile, the same
//! print) makes a change known better than is said here, never worse. Where the values scatter more about the change than they state, that scatter
//! counts instead (Birge's ratio; R. T. Birge, Phys. Rev. 40, 1932, 207) and F takes the place of chi-square. Fewer than ten values cannot show that: there the
//! stated uncertainties are believed (with values that scatter twice as much, six give 6 false alarms in a hundred series where 1 is stated, twelve 1.4). The tests share one chance of a false
//! alarm (Bonferroni).

use crate::fit::chi_square::ln_tail;
use crate::fit::f_ratio::f_tail;
use crate::uncertainty::Estimate;

/// One value of a series.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Seen {
    /// When, in any unit and from any origin.
    pub at: f64,
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, more than 0.
    pub u: f64,
}

/// How a series changed.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Change {
    /// Not beyond its uncertainty.
    None,
    /// All of it between two values.
    Jump {
        /// Index of the first value after it, in the order of time.
        from: usize,
        /// How large.
        size: Estimate,
    },
    /// Evenly.
    Drift,
}

/// What a series shows.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Trend {
    /// Number of values.
    pub n: usize,
    /// Change from the first to the last moment along the straight line.
    pub drift: Estimate,
    /// How it changed.
    pub change: Change,
    /// Upper bound of the chance of so clear a change in a series without any.
    pub chance: f64,
    /// By how much the values scatter more about what they show than they state; 1 where they do not.
    pub scatter: f64,
}

/// A model with one number more than a mean, and how well it fits.
struct Fitted {
    size: f64,
    /// As stated.
    u: f64,
    scatter: f64,
    chance: f64,
}

/// Looks at a series in the order of time. `false_alarm`: the chance that a series without a change is said to have one, all of its tests together.
/// `None` of fewer than two moments, or where a number is not finite or an uncertainty is 0.
pub fn trend(series: &[Seen], false_alarm: f64) -> Option<Trend> {
    let (first, last) = (series.first()?, series.last()?);
    let span = last.at - first.at;
    let sound = |s: &Seen| s.at.is_finite() && s.value.is_finite() && s.u.is_finite() && s.u > 0.0;
    if !series.iter().all(sound) || span <= 0.0 {
        return None;
    }
    let n = series.len();
    // A line, and a jump before each value that is later than the one before it.
    let jumps: Vec<usize> = (1..n).filter(|k| series[*k].at > series[k - 1].at).collect();
    let tests = (jumps.len() + usize::from(jumps.len() > 1)) as f64;
    // Sums from both ends about a value near all of them, so that each jump costs the same and leading digits in common cost nothing.
    let centre = crate::fit::median(&series.iter().map(|s| s.value).collect::<Vec<_>>())?;
    let sums = |of: &mut dyn Iterator<Item = &Seen>| -> Vec<Sums> {
        of.scan(Sums::default(), |sum, s| {
            *sum = sum.and(s.value - centre, s.u.powi(-2));
            Some(*sum)
        })
        .collect()
    };
    let (before, after) = (sums(&mut series.iter()), sums(&mut series.iter().rev()));
    let line = line(series, centre, |s| (s.at - first.at) / span)?;
    let mut change = Change::Drift;
    let mut scatter = line.scatter;
    // A line through two moments is the jump between them.
    let mut best = if jumps.len() > 1 { line.chance } else { f64::INFINITY };
    for from in jumps {
        let Some(jump) = jump(&before[from - 1], &after[n - 1 - from], n) else { continue };
        // Beyond what numbers can hold, the better fit decides.
        if jump.chance < best || (jump.chance == best && jump.scatter < scatter) {
            (best, scatter) = (jump.chance, jump.scatter);
            change = Change::Jump { from, size: Estimate::new(jump.size, jump.u * jump.scatter) };
        }
    }
    let chance = (best * tests).min(1.0);
    if chance > false_alarm {
        change = Change::None;
        scatter = line.scatter;
    }
    Some(Trend { n, drift: Estimate::new(line.size, line.u * line.scatter), change, chance, scatter })
}

/// Sums over values, weighted by 1/u²: weight, values, squares.
#[derive(Clone, Copy, Default)]
struct Sums {
    w: f64,
    wy: f64,
    wyy: f64,
}

impl Sums {
    /// With one more value.
    fn and(self, y: f64, w: f64) -> Self {
        Self { w: self.w + w, wy: self.wy + w * y, wyy: self.wyy + w * y * y }
    }

    /// Sum of squares about their mean.
    fn about_mean(&self) -> f64 {
        (self.wyy - self.wy * self.wy / self.w).max(0.0)
    }
}

/// A mean and a straight line; `x` of each value in its order.
fn line(series: &[Seen], centre: f64, x: impl Fn(&Seen) -> f64) -> Option<Fitted> {
    let rows: Vec<(f64, f64, f64)> = series.iter().map(|s| (x(s), s.value - centre, s.u.powi(-2))).collect();
    let weight: f64 = rows.iter().map(|r| r.2).sum();
    let mean = |of: fn(&(f64, f64, f64)) -> f64| rows.iter().map(|r| r.2 * of(r)).sum::<f64>() / weight;
    let (x0, y0) = (mean(|r| r.0), mean(|r| r.1));
    let xx: f64 = rows.iter().map(|r| r.2 * (r.0 - x0).powi(2)).sum();
    let xy: f64 = rows.iter().map(|r| r.2 * (r.0 - x0) * (r.1 - y0)).sum();
    let rest = rows.iter().map(|r| r.2 * (r.1 - y0 - xy / xx * (r.0 - x0)).powi(2)).sum();
    fitted(xy / xx, xx, rest, rows.len())
}

/// A mean before and another after a moment.
fn jump(before: &Sums, after: &Sums, n: usize) -> Option<Fitted> {
    let size = after.wy / after.w - before.wy / before.w;
    fitted(size, before.w * after.w / (before.w + after.w), before.about_mean() + after.about_mean(), n)
}

/// From the size of a change, the weight it is known with, and the sum of squares that it leaves; `None` where it is not known at all.
fn fitted(size: f64, weight: f64, rest: f64, n: usize) -> Option<Fitted> {
    if weight.is_nan() || weight <= 0.0 {
        return None;
    }
    let free = n - 2;
    let birge = if free > 0 { rest / free as f64 } else { 0.0 };
    let statistic = size * size * weight;
    let chance = if birge > 1.0 { f_tail(statistic / birge, 1, free) } else { ln_tail(statistic, 1).exp() };
    Some(Fitted { size, u: weight.sqrt().recip(), scatter: birge.max(1.0).sqrt(), chance })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::draw::{Draw, Purpose};

    fn series(draw: &mut Draw, n: usize, noise: f64, change: impl Fn(f64) -> f64) -> Vec<Seen> {
        (0..n)
            .map(|k| {
                let (at, u) = (k as f64 * 7.0, 0.1 + 0.05 * (k % 3) as f64);
                Seen { at, value: 5.0 + change(at) + draw.normal(noise * u), u }
            })
            .collect()
    }

    /// Source: JCGM 100:2008 (GUM), H.3, a thermometer's corrections against temperature (readings of Table H.6): slope 0.002 183, its
    /// standard uncertainty 0.000 668, from residuals with s = 0.003 498 and 9 degrees of freedom.
    #[test]
    fn gum_h3_thermometer() {
        let at = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
        let thousandths = [-171.0, -169.0, -166.0, -159.0, -164.0, -165.0, -156.0, -157.0, -159.0, -161.0, -160.0];
        let seen: Vec<Seen> =
            at.iter().zip(thousandths).map(|(at, b)| Seen { at: *at, value: 0.001 * b, u: 1e-5 }).collect();
        let out = line(&seen, 0.0, |s| s.at).unwrap();
        assert!((out.size - 0.002183).abs() < 5e-7, "{}", out.size);
        assert!((out.u * out.scatter - 0.000668).abs() < 5e-7, "{}", out.u * out.scatter);
        assert!((out.scatter * 1e-5 - 0.003498).abs() < 5e-7, "{}", out.scatter);
        let whole = trend(&seen, 0.01).unwrap();
        assert!((whole.drift.value - 0.00218 * (26.511 - 21.521)).abs() < 3e-5, "{whole:?}");
    }

    const STUDIES: usize = 2000;

    /// Seeded series without a change: at most the stated share is said to have one, whether the stated uncertainties are right, too large, or (of
    /// twelve values and more) too small by three; U of the drift covers 95 % where they are right.
    #[test]
    fn what_did_not_change_is_seldom_said_to_have() {
        for (seed, noise, n) in [(1, 1.0, 4), (2, 1.0, 12), (3, 3.0, 12), (4, 3.0, 30), (5, 0.5, 12), (6, 1.0, 3)] {
            let mut draw = Draw::new(seed, Purpose::Bodies);
            let (mut alarms, mut covered) = (0, 0);
            for _ in 0..STUDIES {
                let out = trend(&series(&mut draw, n, noise, |_| 0.0), 0.05).unwrap();
                alarms += usize::from(out.change != Change::None);
                covered += usize::from(out.drift.value.abs() <= out.drift.expanded);
            }
            // 5 % of 2,000 and three standard deviations of a count.
            assert!(alarms <= 130, "{alarms} alarms, noise {noise}, n {n}");
            // Where the scatter is taken from a few values, 1.96 falls short of Student's factor.
            let least = if noise <= 1.0 { 1870 } else { 1780 };
            assert!(covered >= least, "{covered} covered, noise {noise}, n {n}");
        }
    }

    /// Jumps and drifts of known size: found, told apart, and of those called the size lies within U in 95 % (less what choosing the clearest moment costs).
    #[test]
    fn what_changed_is_found_with_its_size() {
        let mut draw = Draw::new(9, Purpose::Bodies);
        let (mut jumps, mut when, mut sized, mut drifts, mut covered) = (0, 0, 0, 0, 0);
        for _ in 0..STUDIES {
            let out = trend(&series(&mut draw, 12, 1.0, |at| if at >= 49.0 { 0.6 } else { 0.0 }), 0.01).unwrap();
            if let Change::Jump { from, size } = out.change {
                jumps += 1;
                when += usize::from(from == 7);
                sized += usize::from((size.value - 0.6).abs() <= size.expanded);
            }
            let out = trend(&series(&mut draw, 12, 1.0, |at| 0.9 * at / 77.0), 0.01).unwrap();
            drifts += usize::from(out.change == Change::Drift);
            covered += usize::from((out.drift.value - 0.9).abs() <= out.drift.expanded);
        }
        assert!(jumps > 1900 && when * 10 > jumps * 8, "{jumps} jumps found, {when} at the right moment");
        assert!(sized * 100 > jumps * 90, "{sized} of {jumps} sizes covered");
        assert!(drifts > 1300, "{drifts} drifts called drifts");
        assert!(covered > 1870, "{covered} covered");
    }

    #[test]
    fn what_is_no_series_is_none() {
        let one = Seen { at: 1.0, value: 2.0, u: 0.1 };
        assert_eq!(trend(&[], 0.01), None);
        assert_eq!(trend(&[one, one], 0.01), None, "two values of one moment");
        assert_eq!(trend(&[one, Seen { at: 2.0, u: 0.0, ..one }], 0.01), None);
        assert_eq!(trend(&[one, Seen { at: 2.0, value: f64::NAN, ..one }], 0.01), None);
        let two = trend(&[one, Seen { at: 2.0, value: 3.0, ..one }], 0.01).unwrap();
        assert!(matches!(two.change, Change::Jump { from: 1, size } if (size.value - 1.0).abs() < 1e-12), "{two:?}");
    }
}
