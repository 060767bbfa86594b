//! Series made from the records' values, and what each shows.

use super::Kind;
use super::store::Measurement;
use crate::uncertainty::trend::{Change, Seen, Trend, trend};
use std::collections::BTreeMap;

/// Chance that any series of a kind is said to change although none does; shared out evenly. Common practice, no source.
pub const FALSE_ALARM: f64 = 0.01;

/// Seconds of a day.
const DAY_S: f64 = 86_400.0;

/// One series.
#[derive(Clone, Debug, PartialEq)]
pub struct SeriesTrend {
    /// Which kit or profile: the head of its sum.
    pub kit: String,
    /// Of what.
    pub name: String,
    /// Which number of it: `focal length`, `height`, `x`, ...
    pub part: String,
    /// First and last day.
    pub days: [String; 2],
    /// The last value and its standard uncertainty, in the kind's unit.
    pub last: (f64, f64),
    /// What it shows.
    pub trend: Trend,
    /// The day of the first value after a jump.
    pub jump_on: Option<String>,
}

/// All series of a kind.
#[derive(Clone, Debug, PartialEq)]
pub struct Trends {
    /// The kind.
    pub kind: Kind,
    /// Those of two moments or more: clearest change first, then by name.
    pub series: Vec<SeriesTrend>,
    /// Series of one moment, which show nothing yet.
    pub single: usize,
    /// Measurements that they come from.
    pub measurements: usize,
}

/// Kit, name, part.
type Key = (String, String, String);

pub(super) fn of_series(kind: Kind, rows: Vec<Measurement>) -> Trends {
    let measurements = rows.len();
    let mut all: BTreeMap<Key, Vec<(Seen, String)>> = BTreeMap::new();
    for Measurement { made_utc, day, kit, values } in rows {
        let Ok(moment) = made_utc.parse::<jiff::Timestamp>() else { continue };
        let at = moment.as_second() as f64 / DAY_S;
        let kit: String = kit.chars().take(8).collect();
        for v in values.into_iter().filter(|v| v.u > 0.0 && v.u.is_finite() && v.value.is_finite()) {
            let seen = Seen { at, value: v.value, u: v.u };
            all.entry((kit.clone(), v.name, v.part)).or_default().push((seen, day.clone()));
        }
    }
    let total = all.len();
    for series in all.values_mut() {
        series.sort_by(|a, b| a.0.at.total_cmp(&b.0.at));
    }
    all.retain(|_, series| series.first().zip(series.last()).is_some_and(|(a, b)| b.0.at > a.0.at));
    let each = FALSE_ALARM / all.len().max(1) as f64;
    let single = total - all.len();
    let mut series: Vec<SeriesTrend> = all
        .into_iter()
        .filter_map(|((kit, name, part), values)| {
            let seen: Vec<Seen> = values.iter().map(|v| v.0).collect();
            let trend = trend(&seen, each)?;
            let (first, last) = (values.first()?, values.last()?);
            let jump_on = match trend.change {
                Change::Jump { from, .. } => values.get(from).map(|v| v.1.clone()),
                Change::Drift | Change::None => None,
            };
            let days = [first.1.clone(), last.1.clone()];
            Some(SeriesTrend { kit, name, part, days, last: (last.0.value, last.0.u), trend, jump_on })
        })
        .collect();
    let steady = |s: &SeriesTrend| s.trend.change == Change::None;
    series.sort_by(|a, b| {
        let by_chance = if steady(a) { std::cmp::Ordering::Equal } else { a.trend.chance.total_cmp(&b.trend.chance) };
        steady(a).cmp(&steady(b)).then(by_chance)
    });
    Trends { kind, series, single, measurements }
}
