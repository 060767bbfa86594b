//! `plumbsight panel`: opens the window.

use crate::panel::Wished;
use crate::panel::figures::Lengths;
use crate::panel::model::Look;
use crate::session::Failure;
use std::path::PathBuf;

/// What `--help` adds.
pub(super) const HELP: &str = "\
Examples:
  plumbsight panel                     choose a job, or unpack the demonstration
  plumbsight panel my-job
  plumbsight panel my-job --look dark --size 1.5

F1 or ? lists the keys. Results are written as `plumbsight check` writes them.";

/// The arguments.
#[derive(clap::Args)]
pub(super) struct PanelArguments {
    /// The job folder (or its job.toml)
    job: Option<PathBuf>,
    /// light, dark, or system; as at the last start if nothing is said
    #[arg(long, value_name = "NAME", value_parser = ["system", "light", "dark"])]
    look: Option<String>,
    /// Lengths in inches
    #[arg(long, conflicts_with = "mm")]
    inch: bool,
    /// Lengths in millimetres
    #[arg(long)]
    mm: bool,
    /// Size of everything against the usual, 0.75 to 2.5
    #[arg(long, value_name = "TIMES")]
    size: Option<f32>,
}

pub(super) fn run(arguments: PanelArguments) -> Result<u8, Failure> {
    let wished = Wished {
        look: arguments.look.as_deref().map(|name| match name {
            "light" => Look::Light,
            "dark" => Look::Dark,
            _ => Look::System,
        }),
        lengths: match (arguments.inch, arguments.mm) {
            (true, _) => Some(Lengths::Inches),
            (_, true) => Some(Lengths::Millimetres),
            _ => None,
        },
        text_scale: arguments.size.filter(|s| s.is_finite()),
    };
    crate::panel::run(arguments.job, wished)?;
    Ok(0)
}
