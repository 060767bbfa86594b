//! `plumbsight repeat`: what repeated checks of the same stand say of the measurement.

use super::report::{item, line_after};
use super::say;
use crate::session::Failure;
use crate::session::repeat::{RepeatStudy, read_series, study};
use std::fmt::Write;
use std::path::PathBuf;

pub(super) const HELP: &str = "\
Check the same stand again and again with nothing moved (new photographs each
time, a job folder each), then let this command compare the results with the
uncertainty that was stated. Job folders and result files together are one
series. A folder of job folders is a series of its own: another day, another
technician, the stand set up anew at the same marks; what differs between
series is found by analysis of variance.

Examples:
  plumbsight repeat check-1 check-2 check-3
  plumbsight repeat monday tuesday wednesday

Columns: mean deviation, standard deviation within a series, standard
deviation from series to series, chance of so large a difference between
series if there is none, what two checks differ by once in twenty times,
stated standard uncertainty.

Exit codes: 0 nothing contradicts the stated uncertainties   1 something does
  3 an input is wrong";

/// Exit code where the checks scatter more than they say.
const EXIT_SCATTERS: u8 = 1;

pub(super) fn run(paths: &[PathBuf]) -> Result<u8, Failure> {
    let done = study(&read_series(paths)?)?;
    say(&table(&done));
    let faults = done.stations.iter().flat_map(|s| &s.components).any(|c| c.fault().is_some());
    Ok(if faults { EXIT_SCATTERS } else { 0 })
}

fn table(done: &RepeatStudy) -> String {
    let mut out = String::new();
    let n: usize = done.checks.iter().sum();
    let each: Vec<String> = done.checks.iter().map(usize::to_string).collect();
    let series = if done.checks.len() == 1 { "1 series".into() } else { format!("{} series", done.checks.len()) };
    line_after(&mut out, "", "", &format!("{n} checks in {series} ({}) of {}", each.join(", "), done.placement));
    for station in &done.stations {
        let _ = writeln!(out, "\nStation {}", station.name);
        let _ = writeln!(
            out,
            "  {:<14} {:>9} {:>8} {:>8} {:>7} {:>9} {:>8}",
            "", "mean", "within", "between", "chance", "1 in 20", "stated"
        );
        for c in &station.components {
            let r = &c.repeat;
            let or_dash = |value: Option<String>| value.unwrap_or_else(|| "-".into());
            let _ = writeln!(
                out,
                "  {:<14} {:>+9.3} {:>8.3} {:>8} {:>7} {:>9.3} {:>8.3}{}",
                format!("{} ({})", c.name, c.unit),
                r.mean,
                r.s_within(),
                or_dash(r.s_between().map(|s| format!("{s:.3}"))),
                or_dash(r.chance().map(|p| format!("{:.1} %", 100.0 * p))),
                r.limit_within(),
                c.mean_u(),
                if c.fault().is_some() { " ▲" } else { "" }
            );
        }
    }
    let faults: Vec<String> =
        done.stations.iter().flat_map(|s| s.components.iter().filter_map(|c| c.fault())).collect();
    let _ = writeln!(out);
    if faults.is_empty() {
        line_after(
            &mut out,
            "",
            "",
            "The checks do not scatter more than their stated uncertainties. That they may scatter less is as it should be: what is the same in all of them \
             (print, lens, clamps left on) does not show by repeating.",
        );
    }
    faults.iter().for_each(|text| item(&mut out, &format!("{}.", crate::verdict::words::capital(text))));
    done.notices.iter().for_each(|n| item(&mut out, &format!("{}: {}", n.about, n.text)));
    out
}
