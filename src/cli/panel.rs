//! `plumbsight panel`: opens the window.

use crate::panel::figures::Lengths;
use crate::panel::model::{Look, Settings};
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
    /// light, dark, or system (if nothing is said)
    #[arg(long, value_name = "NAME", default_value = "system", value_parser = ["system", "light", "dark"])]
    look: String,
    /// Lengths in inches instead of millimetres
    #[arg(long)]
    inch: bool,
    /// Size of everything against the usual, 0.75 to 2.5
    #[arg(long, value_name = "TIMES", default_value_t = 1.0)]
    size: f32,
}

pub(super) fn run(arguments: PanelArguments) -> Result<u8, Failure> {
    let settings = Settings {
        look: match arguments.look.as_str() {
            "light" => Look::Light,
            "dark" => Look::Dark,
            _ => Look::System,
        },
        lengths: if arguments.inch { Lengths::Inches } else { Lengths::Millimetres },
        text_scale: arguments.size.clamp(crate::panel::model::TEXT_SCALE.0, crate::panel::model::TEXT_SCALE.1),
        ..Settings::default()
    };
    crate::panel::run(arguments.job, settings)?;
    Ok(0)
}
