//! `plumbsight lengths`: known lengths against what the photographs measure.

use super::report::{item, line_after};
use super::{ProgressLine, say};
use crate::record::{KnownLengths, Purpose, read_job, read_lengths};
use crate::session::Failure;
use crate::session::lengths::{LengthsChecked, consistency, lengths};
use crate::units::mm_from_m;
use crate::verdict::State;
use std::fmt::Write;
use std::path::Path;

pub(super) const HELP: &str = "\
Compares lengths that are known better (a calibrated tape, a bar, a laser)
with what the photographs of the job measure: a check of everything at once,
prints, lens and survey. The lengths are in lengths.toml in the job folder;
both ends are points of bodies. What counts is the largest error, as in
VDI/VDE 2634 part 1.

Example:
  plumbsight lengths my-job

Exit codes: 0 within the limit, or no limit stated   1 beyond it
  2 not proven: the known lengths are not known well enough
  3 an input is wrong   4 the photographs allow no measurement";

pub(super) fn run(folder: &Path) -> Result<u8, Failure> {
    let job = read_job(folder, Purpose::Survey)?;
    let known = read_lengths(&job.folder, &job.kit)?;
    let bar = ProgressLine::new();
    let done = lengths(&job, &known, &|p| bar.show(p));
    bar.end();
    let done = done?;
    say(&table(&known, &done));
    Ok(match done.check.state {
        None | Some(State::InTolerance) => 0,
        Some(State::OutOfTolerance) => 1,
        Some(State::NotProven) => 2,
    })
}

fn shape(state: Option<State>) -> char {
    match state {
        Some(State::InTolerance) => '●',
        Some(State::OutOfTolerance) => '▲',
        Some(State::NotProven) => '◆',
        None => ' ',
    }
}

fn table(known: &KnownLengths, done: &LengthsChecked) -> String {
    let mut out = String::new();
    let _ = writeln!(out, "Known lengths, by {} (mm)\n", known.instrument);
    let _ = writeln!(out, "   {:<34} {:>9} {:>10} {:>7} {:>6}", "", "known", "measured", "error", "U");
    let mut line = "";
    for ((length, error), [from, to]) in done.lengths.iter().zip(&done.check.errors).zip(&done.names) {
        if length.line != line {
            line = &length.line;
            let _ = writeln!(out, "{line}");
        }
        let name: String = format!("{from} - {to}").chars().take(34).collect();
        let _ = writeln!(
            out,
            " {} {name:<34} {:>9.2} {:>10.2} {:>+7.2} {:>6.2}",
            shape(error.state),
            mm_from_m(length.known_m),
            mm_from_m(length.measured_m),
            mm_from_m(error.error.value),
            mm_from_m(error.error.expanded)
        );
    }
    let _ = writeln!(out);
    if let (Some(limit), Some(state)) = (known.limit_m, done.check.state) {
        let worst = mm_from_m(done.check.errors[done.check.worst].error.value);
        let words = match state {
            State::InTolerance => "within the limit",
            State::OutOfTolerance => "beyond the limit",
            State::NotProven => "not proven: the known length's own uncertainty leaves it open",
        };
        let text = format!("Largest error {worst:+.2} mm, limit {:.2} mm: {words}.", mm_from_m(limit));
        line_after(&mut out, &format!("{} ", shape(Some(state))), "  ", &text);
    }
    line_after(&mut out, "", "", &consistency(&done.check));
    if known.u_instrument == 0.0 && done.lengths.len() > 1 {
        line_after(
            &mut out,
            "",
            "",
            "The known lengths count as independent of each other: state what one instrument does to all of them alike as u_instrument_mm_per_m.",
        );
    }
    if !done.check.missing.is_empty() {
        let _ = writeln!(out, "\nVDI/VDE 2634 part 1 asks for more than was done here:");
        done.check.missing.iter().for_each(|text| item(&mut out, text));
    }
    if !done.notices.is_empty() {
        let _ = writeln!(out, "\nNotices");
        done.notices.iter().for_each(|n| item(&mut out, &format!("{}: {}", n.about, n.text)));
    }
    out
}
