//! The `plumbsight` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(plumbsight::cli::run(std::env::args_os()))
}
