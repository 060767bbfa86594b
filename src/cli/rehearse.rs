//! `plumbsight rehearse`: made bays with known truth, for training.

use crate::cli::{ProgressLine, say};
use crate::record::Problem;
use crate::record::rehearsal::{read_answer, read_mark, rehearsal_names, shipped_rehearsal};
use crate::record::result::Verdict;
use crate::session::Failure;
use crate::session::rehearsal::{begin, mark_beside, truth_of};
use clap::Args;
use std::fmt::Write;
use std::path::PathBuf;

pub(super) const HELP: &str = "\
A rehearsal is an ordinary job folder with painted photographs of an invented
bay in which something may be wrong. Work it with the ordinary commands, fill
in answer.toml, and have it marked: the score, what was true, and why. The
same seed gives the same bay, so that a class can compare.

Examples:
  plumbsight rehearse                        the shipped rehearsals
  plumbsight rehearse wednesday practice        writes one into practice
  plumbsight rehearse wednesday practice --seed 7
  plumbsight rehearse --answered practice    marks the answer

Exit codes: 0 written or marked   3 an input is wrong";

#[derive(Args)]
pub(super) struct RehearseArguments {
    /// Which one; without it they are listed
    #[arg(requires = "dir")]
    name: Option<String>,
    /// The new folder
    dir: Option<PathBuf>,
    /// Another bay of the same kind
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Mark the answer in this folder
    #[arg(long, value_name = "DIR", conflicts_with = "name")]
    answered: Option<PathBuf>,
}

pub(super) fn run(arguments: &RehearseArguments) -> Result<u8, Failure> {
    if let Some(folder) = &arguments.answered {
        let which = read_mark(folder)?;
        let rehearsal = shipped_rehearsal(&which.name)?;
        let answer = read_answer(folder)?;
        let truth = truth_of(&rehearsal, which.seed)?;
        // What `check` said last; a folder that was never checked says nothing.
        let result = crate::record::read_result(&folder.join("result.json")).ok();
        let not_proven = result.filter(|r| r.verdict == Verdict::NotProven).and_then(|r| {
            Some(r.stations.first()?.deviations.each().map(|(_, _, d)| d.verdict == Some(Verdict::NotProven)))
        });
        let points = mark_beside(&rehearsal, &truth, &answer, not_proven);
        say(&marked(&rehearsal.title, &answer.trainee, which.seed, &points));
        return Ok(0);
    }
    let (Some(name), Some(folder)) = (&arguments.name, &arguments.dir) else {
        say(&list()?);
        return Ok(0);
    };
    let rehearsal = shipped_rehearsal(&name.to_lowercase())?;
    let bar = ProgressLine::of("painting photographs");
    let made = begin(&rehearsal, arguments.seed, folder, &|p| bar.show(p));
    bar.end();
    let made = made?;
    let shown = made.display();
    say(&format!(
        "{}\n{}\n\nEverything is in {shown}: invented bay, invented procedure. Work it:\n  plumbsight ready {shown}\n  plumbsight check {shown}\n\
         then fill in {} and run\n  plumbsight rehearse --answered {shown}\n",
        rehearsal.title,
        rehearsal.story.trim().replace("DIR", &shown.to_string()),
        made.join("answer.toml").display()
    ));
    Ok(0)
}

fn list() -> Result<String, Problem> {
    let mut out = String::from("Rehearsals (plumbsight rehearse NAME DIR):\n");
    for name in rehearsal_names() {
        // Writing to a text cannot fail; the results are dropped for that reason.
        let _ = writeln!(out, "  {name:<20} {}", shipped_rehearsal(name)?.title);
    }
    Ok(out)
}

fn marked(title: &str, trainee: &str, seed: u64, marked: &crate::session::rehearsal::Marked) -> String {
    let who = if trainee.trim().is_empty() { "nobody named" } else { trainee };
    let mut out = format!("{title} (seed {seed}), {who}: {:.0} of 100\n\n", marked.score());
    for p in &marked.points {
        super::report::line_after(
            &mut out,
            &format!("{:>3.0} of {:>2.0}  ", p.points, p.of),
            "           ",
            &format!("{}: {}", p.what, p.why),
        );
    }
    out.push('\n');
    for told in &marked.truth {
        super::report::line_after(&mut out, "", "", told);
    }
    out.push('\n');
    super::report::line_after(&mut out, "", "", &marked.teaches);
    out
}
