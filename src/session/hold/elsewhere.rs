//! A live reading against the photographs' verdict.

/// Which of the six contradicts most: further apart than both U together, whatever both have in common; `None` where none does. Each of the six with its U (95 %), both in one unit.
pub fn most_apart(before: [(f64, f64); 6], now: [(f64, f64); 6]) -> Option<usize> {
    let times = |k: usize| (before[k].0 - now[k].0).abs() / (before[k].1 + now[k].1);
    let most = (0..6).max_by(|a, b| times(*a).total_cmp(&times(*b)))?;
    (times(most) > 1.0).then_some(most)
}

/// What it found, with U: the name of the one that contradicts most, as it reads now and as the photographs had it.
pub fn elsewhere_words(name: &str, now: &str, before: &str) -> String {
    format!("found the stand elsewhere than the photographs: {name} {now} instead of {before}.")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_is_further_apart_than_both_u_contradicts() {
        let mut before = [(0.0, 1.0); 6];
        let mut now = [(2.0, 1.0); 6];
        assert_eq!(most_apart(before, now), None, "as far apart as both U allow");
        now[1].0 = -2.1;
        now[4].0 = 2.3;
        assert_eq!(most_apart(before, now), Some(4));
        before[4].1 = 9.0;
        assert_eq!(most_apart(before, now), Some(1));
    }
}
