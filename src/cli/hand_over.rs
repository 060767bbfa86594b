//! `plumbsight report` and `export`: what is handed over, from a written record.

use crate::cli::say;
use crate::paper::Paper;
use crate::record::{Problem, folder_of, write_atomically};
use crate::report::{Evidence, Lengths, Options, csv_text, export_json, read_evidence, short_text, write_pdf};
use crate::session::Failure;
use clap::Args;
use std::path::{Path, PathBuf};

pub(super) const REPORT_HELP: &str = "\
From the record alone; nothing is measured again. Files are compared with the
manifest first; what is damaged, a bad signature, alarms of the hold watch and
a later correction that lies beside the record are said on the first page. The
PDF is PDF/A-2b, for keeping; the same record, not corrected since, gives the
same bytes. Photographs are made smaller.

Examples:
  plumbsight report records/2026-03-01_141530_X
  plumbsight report records/2026-03-01_141530_X --paper letter -o report.pdf
  plumbsight report records/2026-03-01_141530_X --short        text to mail
  plumbsight report records/2026-03-01_141530_X --short -o one-page.pdf

Exit codes: 0 written   1 written, but the record is not as it was recorded
  3 this is no record and no checked job";

pub(super) const EXPORT_HELP: &str = "\
CSV: a line for each deviation of each station. JSON: everything that the
records say, with their manifests' sums. Both name damaged records, and beside
each record the one of those given that corrects it (corrected_by): count only
lines where that is empty.

Examples:
  plumbsight export kept/* --csv -o all.csv
  plumbsight export kept/2026-03-01_141530_X --json | jq .records[].name

Exit codes: 0 written   1 written, but a record is not as it was recorded
  3 an input is wrong";

/// Exit code where a record is not as it was recorded.
const EXIT_DAMAGED: u8 = 1;

#[derive(Args)]
pub(super) struct ReportArguments {
    /// The record's folder, or a job folder after a check
    record: PathBuf,
    /// Paper: A4 or Letter
    #[arg(long, value_name = "NAME", default_value = "A4")]
    paper: String,
    /// Lengths of the six deviations in inches
    #[arg(long)]
    inches: bool,
    /// The short version: text to mail, or with -o FILE.pdf the first page, and behind it only what is too long for it
    #[arg(long)]
    short: bool,
    /// The file to write; report-NAME.pdf here where nothing is said, - for the short text on the output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

pub(super) fn report(arguments: &ReportArguments) -> Result<u8, Failure> {
    let paper = Paper::named(&arguments.paper).filter(|p| matches!(p, Paper::A4 | Paper::Letter)).ok_or_else(|| {
        Problem::of_file("--paper", format!("\"{}\" is no paper for a report", arguments.paper), "Say A4 or Letter.")
    })?;
    let lengths = if arguments.inches { Lengths::Inches } else { Lengths::Millimetres };
    let evidence = read_evidence(&arguments.record)?.with_later(&arguments.record);
    let to = arguments.output.as_deref().filter(|p| *p != Path::new("-"));
    let is_pdf = to.is_some_and(|p| p.extension().is_some_and(|e| e.eq_ignore_ascii_case("pdf")));
    if arguments.short && !is_pdf {
        put(std::slice::from_ref(&arguments.record), to, &short_text(&evidence, lengths))?;
        return Ok(code(&[evidence]));
    }
    if arguments.output.is_some() && to.is_none() {
        return Err(Problem::of_file("-o", "a PDF does not go to the output", "Name a file.").into());
    }
    if let Some(to) = to.filter(|_| !is_pdf) {
        let remedy = "End its name with .pdf; --short writes a text.";
        return Err(Problem::of_file(to.display().to_string(), "a report is a PDF", remedy).into());
    }
    let usual = PathBuf::from(format!("report-{}.pdf", evidence.name));
    let to = to.unwrap_or(&usual);
    let done = verb(to);
    outside(&arguments.record, to)?;
    let options = Options { paper, lengths, short: arguments.short };
    write_pdf(&evidence, &options, to)?;
    say(&format!("{done} {}\n", to.display()));
    Ok(code(&[evidence]))
}

#[derive(Args)]
pub(super) struct ExportArguments {
    /// Folders of records, or job folders after a check
    #[arg(required = true)]
    records: Vec<PathBuf>,
    /// As a table for spreadsheets
    #[arg(long, conflicts_with = "json")]
    csv: bool,
    /// As JSON
    #[arg(long)]
    json: bool,
    /// The file to write instead of the output
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

pub(super) fn export(arguments: &ExportArguments) -> Result<u8, Failure> {
    if !arguments.csv && !arguments.json {
        let remedy = "Add --csv (a table for spreadsheets) or --json (everything).";
        return Err(Problem::of_file("export", "nothing says in which form", remedy).into());
    }
    let all = arguments.records.iter().map(|r| read_evidence(r)).collect::<Result<Vec<_>, _>>()?;
    let text = if arguments.csv { csv_text(&all) } else { export_json(&all)? };
    let to = arguments.output.as_deref().filter(|p| *p != Path::new("-"));
    put(&arguments.records, to, &text)?;
    Ok(code(&all))
}

/// To the output, or into a file that lies in none of the records.
fn put(records: &[PathBuf], to: Option<&Path>, text: &str) -> Result<(), Problem> {
    let Some(to) = to else {
        say(text);
        return Ok(());
    };
    records.iter().try_for_each(|record| outside(record, to))?;
    let done = verb(to);
    write_atomically(to, text.as_bytes())?;
    say(&format!("{done} {}\n", to.display()));
    Ok(())
}

/// What is done to a file that is about to be written.
fn verb(to: &Path) -> &'static str {
    if to.exists() { "replaced" } else { "wrote" }
}

fn code(all: &[Evidence]) -> u8 {
    if all.iter().all(|e| e.against().is_empty()) { 0 } else { EXIT_DAMAGED }
}

/// A file inside a record would damage it.
fn outside(record: &Path, file: &Path) -> Result<(), Problem> {
    let is_record = record.join(crate::record::keep::manifest::MANIFEST).exists();
    let inside = matches!((folder_of(file).canonicalize(), record.canonicalize()), (Ok(f), Ok(r)) if f.starts_with(&r));
    if is_record && inside {
        return Err(Problem::of_file(
            file.display().to_string(),
            "it lies inside the record, which would no longer be as it was recorded",
            "Name a file elsewhere with -o.",
        ));
    }
    Ok(())
}
