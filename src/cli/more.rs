//! What a technician reads beside the verdict: advice, the whole budget, Monte Carlo.

use super::report::{item, line, line_after};
use crate::record::ResultFile;
use crate::record::result::{DeviationPart, StationPart};
use crate::uncertainty::digits::LastDigit;
use std::fmt::Write;

/// Width of a source's name in the budget.
const NAME: usize = 36;

/// What would decide what is left open.
pub(super) fn advice(out: &mut String, result: &ResultFile) {
    let Some(advice) = &result.advice else { return };
    let further = result.further_advice();
    if advice.viewpoints.is_empty() && further.is_empty() {
        return;
    }
    let _ = writeln!(out, "What would help most ({})", advice.station);
    for (k, viewpoint) in advice.viewpoints.iter().enumerate() {
        line_after(out, &format!("  {}. ", k + 1), "     ", &viewpoint.words);
    }
    further.iter().for_each(|text| item(out, text));
    if !advice.viewpoints.is_empty() {
        line(out, "  ", "Add these photographs to the others with nothing moved meanwhile, and check again.");
    }
    let _ = writeln!(out);
}

/// Every source's standard uncertainty in each of the six.
pub(super) fn budget(result: &ResultFile) -> String {
    let mut out = String::new();
    for station in &result.stations {
        budget_of(&mut out, station);
    }
    out
}

fn budget_of(out: &mut String, station: &StationPart) {
    let six = station.deviations.each();
    let mut sources: Vec<(&str, f64)> = Vec::new();
    for (_, _, d) in &six {
        for share in &d.shares {
            match sources.iter_mut().find(|(name, _)| *name == share.source) {
                Some(known) => known.1 = known.1.max(share.percent_of_variance),
                None => sources.push((&share.source, share.percent_of_variance)),
            }
        }
    }
    sources.sort_by(|a, b| b.1.total_cmp(&a.1));
    let _ = writeln!(out, "Budget of {}: standard uncertainty from each source", station.name);
    let row = |name: &str, cells: Vec<String>| -> String {
        let cells: String = cells.iter().map(|c| format!("{c:>7}")).collect();
        format!("{name:<NAME$}{cells}")
    };
    let _ =
        writeln!(out, "{}", row("", ["dist.", "lateral", "height", "yaw", "pitch", "roll"].map(String::from).into()));
    let _ = writeln!(out, "{}", row("", six.iter().map(|(_, unit, _)| (*unit).to_owned()).collect()));
    // One digit more than U is said with: small parts show, and the squares add up.
    let number = |v: f64, d: &DeviationPart| LastDigit::of(d.expanded / 10.0).plain(v);
    for (source, _) in sources {
        let cell = |d: &DeviationPart| {
            let u = d.shares.iter().find(|s| s.source == source).map_or(0.0, |s| s.u);
            let text = number(u, d);
            if text.trim_matches(['0', '.']).is_empty() { "-".to_owned() } else { text }
        };
        let _ = writeln!(out, "{}", row(source, six.iter().map(|(_, _, d)| cell(d)).collect()));
    }
    let _ = writeln!(out, "{}", row("together: u", six.iter().map(|(_, _, d)| number(d.u, d)).collect()));
    let stated = six.iter().map(|(_, _, d)| LastDigit::of(d.expanded).up(d.expanded)).collect();
    let _ = writeln!(out, "{}", row("U (95 %)", stated));
    let _ = writeln!(out);
    line(out, "", "-: rounds to nothing. The squares of a column add up to the square of its u.");
    let _ = writeln!(out);
}

/// Monte Carlo beside the first order.
pub(super) fn monte_carlo(result: &ResultFile) -> String {
    let mut out = String::new();
    let Some(found) = &result.monte_carlo else { return out };
    for station in &found.stations {
        let _ = writeln!(out, "Monte Carlo of {} (JCGM 101)", station.name);
        let _ = writeln!(
            out,
            "{:<9}{:>7}{:>7}{:>20}{:>20}{:>7}",
            "", "u", "u MC", "95 % first order", "95 % Monte Carlo", "apart"
        );
        for (name, unit, d) in station.deviations.each() {
            let (digits, sign) = if unit == "mm" { (2, " mm") } else { (4, "°") };
            let ends = |a: f64, b: f64| format!("{a:+.digits$} {b:+.digits$}{sign}");
            let _ = writeln!(
                out,
                "{name:<9}{:>7.digits$}{:>7.digits$}{:>20}{:>20}{:>7.digits$} {}",
                d.first_order_u,
                d.u,
                ends(d.first_order_low, d.first_order_high),
                ends(d.low, d.high),
                d.apart,
                d.agreement
            );
        }
        let _ = writeln!(out);
    }
    let how = if found.survey_redrawn {
        "every corner and every value known beforehand drawn anew, the survey adjusted again each time"
    } else {
        "the survey drawn from its covariance, because a pointer was used"
    };
    let text = format!(
        "{} trials ({how}), {} failed; counted from the first order's own distribution ({} cheap trials) by the difference of pairs. \"agrees\": both ends \
         within half a unit of u's second digit.",
        found.trials, found.failed, found.cheap_trials
    );
    line(&mut out, "", &text);
    let _ = writeln!(out);
    out
}
