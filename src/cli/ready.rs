//! `plumbsight ready`: the readiness list of a job, shown and answered.

use crate::cli::say;
use crate::readiness::{Answer, NOTE_ASKED};
use crate::record::result::ReadinessPart;
use crate::record::{Change, Problem, ResultFile, apply_change, folder_of, read_readiness, read_result, result_path};
use crate::session::{Failure, ready};
use clap::Args;
use std::fmt::Write;
use std::path::{Path, PathBuf};

pub(super) const HELP: &str = "\
Lists what must be seen to before a target is placed, and how each item
stands. The carmaker's procedure comes first: where it asks more, or less, it
is right. Answers are kept in readiness.toml in the job folder; `check` puts
the list into its result and answers what it measures itself (level floor,
nothing moved).

Examples:
  plumbsight ready my-job
  plumbsight ready my-job --done doors-closed --done light
  plumbsight ready my-job --done alignment --note \"2026-03-01, printout 1234\"
  plumbsight ready my-job --not-applicable lift-locked --reason \"no lift used\"

Exit codes: 0 nothing open   2 something is open   3 an input is wrong";

#[derive(Args)]
pub(super) struct ReadyArguments {
    /// The job folder (or its job.toml, or another job file in it)
    job: PathBuf,
    /// These items are as they must be
    #[arg(long, value_name = "ITEM", value_delimiter = ',')]
    done: Vec<String>,
    /// These items do not apply; needs --reason
    #[arg(long, value_name = "ITEM", value_delimiter = ',')]
    not_applicable: Vec<String>,
    /// These items are open again
    #[arg(long, value_name = "ITEM", value_delimiter = ',')]
    open: Vec<String>,
    /// Why they do not apply
    #[arg(long, value_name = "TEXT", requires = "not_applicable")]
    reason: Option<String>,
    /// What is worth keeping with the answer
    #[arg(long, value_name = "TEXT")]
    note: Option<String>,
}

/// Exit code where something is open.
const EXIT_OPEN: u8 = 2;

pub(super) fn run(arguments: ReadyArguments) -> Result<u8, Failure> {
    // The list is the folder's; what was measured is the job's.
    let is_job = arguments.job.is_file() && arguments.job.extension().is_some_and(|e| e == "toml");
    let folder = if is_job { folder_of(&arguments.job) } else { &arguments.job };
    if !folder.is_dir() {
        return Err(Problem::of_file(
            folder.display().to_string(),
            "there is no such job folder",
            "Name the folder that holds job.toml; `plumbsight new DIR` writes one to start from.",
        )
        .into());
    }
    if let (Some(id), None) = (arguments.not_applicable.first(), &arguments.reason) {
        return Err(Problem::of_file(
            "the command line",
            format!("nothing says why {id} does not apply, and nothing was written"),
            "Add the reason: --not-applicable ITEM --reason TEXT.",
        )
        .into());
    }
    let reason = arguments.reason.clone().unwrap_or_default();
    let answers = [
        (&arguments.done, Answer::Done),
        (&arguments.not_applicable, Answer::NotApplicable(reason)),
        (&arguments.open, Answer::Open),
    ];
    let all: Vec<&String> = answers.iter().flat_map(|(ids, _)| ids.iter()).collect();
    let refused = |what: String, remedy: &str| Err(Problem::of_file("the command line", what, remedy).into());
    if let Some(twice) = all.iter().enumerate().find(|(k, id)| all[..*k].contains(id)).map(|(_, id)| id) {
        return refused(format!("{twice} is answered twice, and nothing was written"), "Give each item one answer.");
    }
    if arguments.note.is_some() && all.len() != 1 {
        return refused(
            format!("--note belongs to one item, and {} are answered; nothing was written", all.len()),
            "Answer the item that the note is for alone: --done ITEM --note TEXT.",
        );
    }
    for (ids, answer) in answers {
        for id in ids {
            apply_change(folder, &Change { id: id.clone(), answer: answer.clone(), note: arguments.note.clone() })?;
        }
    }
    let list = read_readiness(folder)?;
    let parts = ready::parts(&list, last_result(&arguments.job).as_ref());
    say(&table(&parts));
    for id in &arguments.done {
        if let Some(part) = parts.iter().find(|p| p.id == *id && p.state == "open") {
            let how = if part.words.starts_with(NOTE_ASKED) { " Give it with --note TEXT." } else { "" };
            say(&format!("{id} stays open: {}{how}\n", part.words));
        }
    }
    Ok(if parts.iter().any(|p| p.state == "open") { EXIT_OPEN } else { 0 })
}

/// The last check's result; a job without one, or with one that cannot be read, says nothing of what was measured.
fn last_result(job: &Path) -> Option<ResultFile> {
    read_result(&result_path(job)).ok()
}

fn table(parts: &[ReadinessPart]) -> String {
    let mut out = String::new();
    let mut group = "";
    for part in parts {
        if part.group != group {
            group = &part.group;
            let _ = writeln!(out, "{}{}", if out.is_empty() { "" } else { "\n" }, group.to_uppercase());
        }
        let mark = match part.state.as_str() {
            "done" => "[x]",
            "not applicable" => "[-]",
            _ => "[ ]",
        };
        super::report::line_after(&mut out, &format!("{mark} {:<22}", part.id), &" ".repeat(26), &part.text);
        if !part.words.is_empty() {
            let who = if part.measured { "measured: " } else { "" };
            super::report::line_after(&mut out, &" ".repeat(26), &" ".repeat(26), &format!("{who}{}", part.words));
        }
    }
    let open = parts.iter().filter(|p| p.state == "open").count();
    let _ = match open {
        0 => writeln!(out, "\nNothing is open."),
        n => writeln!(out, "\n{n} of {} items are open.", parts.len()),
    };
    out
}
