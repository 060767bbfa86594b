//! `plumbsight lens`: a lens profile from photographs of a board; `lens show`: a drawing of one.

use crate::calibrate::draw::{LensDrawing, svg};
use crate::calibrate::quality::RayGrid;
use crate::camera::LENS_PARAMETERS;
use crate::cli::{EXIT_NOT_MEASURED, ProgressLine, say, tell};
use crate::record::{
    BOARD_NAMES, Problem, parse_board, profile_text, read_board, read_lens_profile, shipped_board, write_atomically,
};
use crate::session::Failure;
use crate::session::lens::{LensRequest, LensResult, advice_words, lens, term_words};
use clap::{Args, Subcommand};
use std::fmt::Write;
use std::path::{Path, PathBuf};

pub(super) const HELP: &str = "\
Print the lens board (or take a chessboard), mount it flat, and photograph it
10 to 20 times with the camera at the focus and zoom of the later measurement:
tilted by 30 to 45 degrees to every side, some with the camera turned by a
quarter, together covering the picture out to its corners. A profile that
cannot be trusted is not written; the exit code is then 4, and the text says
what to do.

Examples:
  plumbsight lens photos/*.jpg --board a4 --out lens.toml
  plumbsight lens photos/*.jpg --board my-board.toml --camera \"bay webcam\"
  plumbsight lens show lens.toml --out lens.svg

The size of the board's print does not matter for a lens; whether it is flat
does matter.";

#[derive(Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub(super) struct LensArguments {
    #[command(subcommand)]
    command: Option<LensCommand>,
    /// Photographs of the board, JPEG or PNG, as the camera wrote them
    #[arg(required = true)]
    photos: Vec<PathBuf>,
    /// The board's file, or one of the shipped ones: a4, a3, chessboard-9x6
    #[arg(long, value_name = "FILE", required = true)]
    board: Option<String>,
    /// Where the profile goes; never overwritten
    #[arg(long, value_name = "FILE", default_value = "lens.toml")]
    out: PathBuf,
    /// What to call the camera; otherwise what it calls itself
    #[arg(long, value_name = "TEXT")]
    camera: Option<String>,
    /// When the photographs were taken; otherwise what they or their files say
    #[arg(long, value_name = "DATE")]
    made: Option<String>,
    /// How the camera was focused, for people
    #[arg(long, value_name = "TEXT")]
    focus: Option<String>,
}

#[derive(Subcommand)]
enum LensCommand {
    /// Draw a profile: distortion, residuals, how well rays are known
    Show {
        /// The profile
        profile: PathBuf,
        /// Where the drawing goes; otherwise beside the profile, ending in .svg
        #[arg(long, value_name = "FILE")]
        out: Option<PathBuf>,
    },
}

/// Runs the command; returns the exit code.
pub(super) fn run(arguments: LensArguments) -> Result<u8, Failure> {
    match arguments.command {
        Some(LensCommand::Show { profile, out }) => show(&profile, out.as_deref()),
        None => make(arguments),
    }
}

fn make(arguments: LensArguments) -> Result<u8, Failure> {
    let out = arguments.out;
    if out.exists() {
        return Err(Problem::of_file(
            out.display().to_string(),
            "this file is there already",
            "Name another with --out, or move the old profile away: jobs that used it need it.",
        )
        .into());
    }
    let (board_file, text) = board_text(&arguments.board.unwrap_or_default())?;
    let request = LensRequest {
        photos: arguments.photos,
        board: parse_board(&text, &board_file)?,
        board_sha256: crate::record::keep::manifest::sha256_hex(text.as_bytes()),
        board_file,
        camera: arguments.camera,
        made: arguments.made,
        focus: arguments.focus,
    };
    let bar = ProgressLine::new();
    let result = lens(&request, &|p| bar.show(p));
    bar.end();
    let result = result?;
    let text = summary(&result);
    for notice in &result.notices {
        tell(&format!("  {}: {}\n", notice.about, notice.text));
    }
    if let Some(why) = &result.untrusted {
        tell(&text);
        tell(&format!("plumbsight: no profile is written: {why}\n"));
        return Ok(EXIT_NOT_MEASURED);
    }
    say(&text);
    let note = "A lens profile made by plumbsight from photographs of a board; the README explains every key.";
    write_atomically(&out, profile_text(&result.profile, note).as_bytes())?;
    say(&format!("Profile written to {}\n", out.display()));
    Ok(0)
}

/// The name and the text of the board's file.
fn board_text(named: &str) -> Result<(String, String), Problem> {
    let path = Path::new(named);
    if let (Some(text), false) = (shipped_board(named), path.exists()) {
        return Ok((format!("board {named}"), text.to_owned()));
    }
    // Read once to check it and to name its faults, then for its text.
    read_board(path, named).map_err(|p| {
        let shipped = BOARD_NAMES.join(", ");
        Problem { remedy: format!("{} Shipped boards: {shipped}.", p.remedy), ..p }
    })?;
    crate::capture::read_text(path, crate::limits::LARGEST_WRITTEN_BYTES)
        .map(|text| (named.to_owned(), text))
        .map_err(|e| Problem::of_file(named, e.to_string(), "Check the file and its permissions."))
}

/// The result as a page of text.
fn summary(result: &LensResult) -> String {
    let mut out = String::new();
    let lens = result.profile.lens.parameters();
    let c = &result.calibration;
    // Writing to a string cannot fail.
    let _ = writeln!(out, "{}\n", result.profile.camera);
    let _ = writeln!(out, "{:<4}{:>14}{:>13}", "", "value", "U (95 %)");
    for (k, name) in LENS_PARAMETERS.iter().enumerate() {
        let u = crate::uncertainty::K_95 * c.cov[(k, k)].sqrt();
        let _ = match (u > 0.0, k < 4) {
            (false, _) => writeln!(out, "{name:<4}{:>14}{:>13}", lens[k], "not needed"),
            (true, true) => writeln!(out, "{name:<4}{:>11.3} px{u:>10.3} px", lens[k]),
            (true, false) => writeln!(out, "{name:<4}{:>14.6}{u:>13.6}", lens[k]),
        };
    }
    let worst = result.rays.iter().map(|r| r.sd_px).fold(0.0, f64::max);
    let sds: Vec<f64> = result.rays.iter().map(|r| r.sd_px).collect();
    let median = crate::fit::median(&sds).unwrap_or(0.0);
    let from = result.profile.made_from.as_ref();
    let _ = writeln!(
        out,
        "\nRays are known to {median:.3} px over the picture, {worst:.3} px at worst (standard uncertainty). Residuals {:.3} px rms, {:.3} px beyond the detector's own.",
        from.map_or(0.0, |f| f.rms_px),
        c.added_px
    );
    let _ = writeln!(out, "\nTested terms");
    for term in &c.terms {
        let _ = writeln!(out, "  {}", term_words(c, term));
    }
    let _ = writeln!(out, "\nPhotographs     points  rms px  share %  without it");
    for (view, effect) in c.views.iter().zip(&result.effects) {
        let name = Path::new(&view.name).file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let moved = if effect.removal_px.is_finite() {
            format!("rays move {:.3} px", effect.removal_px)
        } else {
            "no lens".to_owned()
        };
        let mark = if effect.hurts { "  pulls its own way" } else { "" };
        let _ = writeln!(
            out,
            "  {name:<14}{:>6}{:>8.3}{:>9.1}  {moved}{mark}",
            effect.n_points,
            effect.rms_px,
            100.0 * effect.share
        );
    }
    if !result.advice.is_empty() {
        let _ = writeln!(out, "\nWhat would help most: one photograph like each of these");
        for a in &result.advice {
            let _ = writeln!(out, "  {} (rays then known to {:.0} % of now)", advice_words(a), 100.0 * a.gain);
        }
    }
    out.push('\n');
    out
}

fn show(path: &Path, out: Option<&Path>) -> Result<u8, Failure> {
    let profile = read_lens_profile(path, &path.display().to_string())?;
    let out = out.map(Path::to_owned).unwrap_or_else(|| path.with_extension("svg"));
    let rays = profile.cov.as_ref().map(|cov| RayGrid::new(&profile.lens, 9, 7).quality(cov)).unwrap_or_default();
    let regions = profile.made_from.as_ref().map(|m| m.regions.clone()).unwrap_or_default();
    let made = profile.made.as_deref().map(|m| format!(", {m}")).unwrap_or_default();
    let title = format!("{}{made}", profile.camera);
    let text = svg(&LensDrawing { title: &title, lens: &profile.lens, regions: &regions, rays: &rays });
    write_atomically(&out, text.as_bytes())?;
    say(&format!("Drawing written to {}\n", out.display()));
    Ok(0)
}
