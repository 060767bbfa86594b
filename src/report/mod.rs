//! A report from a written record alone: nothing is measured again, and what is wrong with the record is said on its first page.
//!
//! [`read_evidence`] gathers what the record holds, its files checked against the manifest; [`pages`] lays it out on A4 or Letter, [`pdf_of`] writes it as
//! PDF/A-2b. [`short_text`] is the same in a few lines to mail, [`csv_text`] and [`export_json`] are for spreadsheets and other programs.

mod evidence;
mod export;
mod figures;
mod first;
mod flow;
mod hold;
mod later;
mod page_parts;
mod photographs;
mod plan;
mod proof;
mod short;
mod windows;

pub use evidence::{Evidence, Kept, Shown, photographs_of, read_evidence};
pub use export::{EXPORT_FORMAT, csv_text, export_json};
pub use figures::{Edge, Lengths, SixLine, far_off, numbers_of, signed_with_u, with_u};
pub use short::short_text;

use crate::paper::{Page, Paper, PaperError, Typeface, pdf};
use crate::record::{Problem, write_atomically};
use std::path::Path;

/// What the reader of a report wants.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Options {
    /// A4 or Letter; other sizes work as well.
    pub paper: Paper,
    /// Unit of the lengths in the table of the six deviations.
    pub lengths: Lengths,
    /// The first page only, with what is too long for it behind it.
    pub short: bool,
}

/// The pages of a report.
pub fn pages(face: &Typeface, evidence: &Evidence, photographs: &[Shown], options: &Options) -> Vec<Page> {
    let mut flow = flow::Flow::new(face, options.paper, &evidence.name);
    first::draw(&mut flow, evidence, options.lengths);
    match options.short {
        true => proof::in_full(&mut flow),
        false => proof::draw(&mut flow, evidence, photographs, options.lengths),
    }
    flow.finish()
}

/// Writes the report as PDF; the short one carries no photographs.
///
/// # Errors
/// It cannot be made or written.
pub fn write_pdf(evidence: &Evidence, options: &Options, to: &Path) -> Result<(), Problem> {
    let photographs = if options.short { Vec::new() } else { photographs_of(evidence) };
    let bytes = pdf_of(evidence, &photographs, options).map_err(|e| {
        Problem::of_file(to.display().to_string(), e.to_string(), "This is a fault of the program: please report it.")
    })?;
    write_atomically(to, &bytes)
}

/// The report as PDF/A-2b. The same record gives the same bytes: the date in the file is the record's.
///
/// # Errors
/// The typeface cannot be used, or what was drawn cannot be kept as PDF/A.
pub fn pdf_of(evidence: &Evidence, photographs: &[Shown], options: &Options) -> Result<Vec<u8>, PaperError> {
    let face = Typeface::shipped()?;
    let title = format!("Report of a target's place: {}", evidence.name);
    pdf::write_archival(&pages(&face, evidence, photographs, options), &title, evidence.made, &face)
}
