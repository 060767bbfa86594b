//! The panel: a window over the same measurement that the command line runs. Thin: it shows what `session` and `record` say and hands on what
//! the user wants.
//!
//! [`model`] is the whole panel without drawing (commands in, tasks out, events in: [`messages`]), [`worker`] does the work beside the window, [`app`] draws: one
//! file for each place ([`places`]) and for each drawing ([`bay_view`], [`window_view`], [`table`], [`picture_view`], [`far`]). What the drawings show
//! is worked out without them, in [`bay_plan`], [`stake`], [`standing`], [`basis`], [`figures`].

pub mod app;
pub mod basis;
pub mod bay_plan;
pub mod bay_view;
pub mod choices;
pub mod cue;
pub mod far;
pub mod figures;
pub mod help;
pub mod keeping;
pub mod kept;
pub mod keys;
pub mod live;
pub mod messages;
pub mod model;
pub mod outdated;
pub mod picture_view;
pub mod places;
pub mod seen;
pub mod settings;
pub mod settling_view;
pub mod stake;
pub mod standing;
pub mod start;
pub mod states;
pub mod style;
pub mod table;
pub mod watching;
pub mod window_view;
pub mod worker;

use crate::panel::app::PanelApp;
use crate::panel::figures::Lengths;
use crate::panel::kept::{Kept, kept_path};
use crate::panel::model::{Command, Look, Model, Settings, TEXT_SCALE};
use crate::panel::worker::Worker;
use crate::record::Problem;
use eframe::egui;
use std::path::PathBuf;
use std::sync::Arc;

/// Smallest window in which everything can be used, in units of 1/96 inch.
const SMALLEST: [f32; 2] = [640.0, 480.0];

/// What was wished for this start on the command line, before what was kept from the last one.
#[derive(Clone, Copy, Debug, Default)]
pub struct Wished {
    /// Light or dark.
    pub look: Option<Look>,
    /// Millimetres or inches.
    pub lengths: Option<Lengths>,
    /// Size of everything.
    pub text_scale: Option<f32>,
}

/// How a window of this inner size (points) is drawn: OpenGL, which software renderers do as well; and nothing that costs a calculation for each pixel without
/// being seen: no dithering, because there is no gradient in any of the drawings.
pub fn window_options(size: [f32; 2]) -> eframe::NativeOptions {
    eframe::NativeOptions {
        viewport: egui::ViewportBuilder::default().with_inner_size(size),
        renderer: eframe::Renderer::Glow,
        dithering: false,
        ..Default::default()
    }
}

/// Opens the window, with a job if one is named, and returns when it is closed.
pub fn run(job: Option<PathBuf>, wished: Wished) -> Result<(), Problem> {
    let kept = Kept::read(kept_path());
    let before = kept.settings();
    let settings = Settings {
        look: wished.look.unwrap_or(before.look),
        lengths: wished.lengths.unwrap_or(before.lengths),
        text_scale: wished.text_scale.map_or(before.text_scale, |s| s.clamp(TEXT_SCALE.0, TEXT_SCALE.1)),
        ..before
    };
    let mut options = window_options(kept.window().unwrap_or([1280.0, 860.0]));
    options.viewport = options.viewport.with_title("plumbsight").with_min_inner_size(SMALLEST).with_drag_and_drop(true);
    let made = move |created: &eframe::CreationContext<'_>| {
        let ctx = created.egui_ctx.clone();
        let worker = Worker::start(Arc::new(move || ctx.request_repaint()));
        let mut app = PanelApp::new(&created.egui_ctx, Model::with(settings), Some(worker)).with_kept(kept);
        if let Some(folder) = job {
            app.command(Command::Open(folder));
        }
        Ok::<Box<dyn eframe::App>, Box<dyn std::error::Error + Send + Sync>>(Box::new(app))
    };
    eframe::run_native("plumbsight", options, Box::new(made)).map_err(|error| {
        Problem::of_file(
            "the window",
            format!("it cannot be opened ({})", plainly(&error.to_string())),
            "The panel needs a screen and OpenGL 2.0 or newer; where there is none, `plumbsight check JOB` does the same work in the terminal.",
        )
    })
}

/// What a window library says, without the place in its source that it puts before the reason.
fn plainly(error: &str) -> &str {
    let place =
        error.split_once(".rs:").map(|(_, rest)| rest.trim_start_matches(|c: char| c.is_ascii_digit() || c == ':'));
    place.map(str::trim).filter(|reason| !reason.is_empty()).unwrap_or(error).trim_end_matches('.')
}

#[cfg(test)]
mod tests {
    use super::plainly;

    #[test]
    fn a_reason_comes_without_the_librarys_files() {
        let said = "winit EventLoopError: os error at /somewhere/registry/src/winit/mod.rs:765: neither WAYLAND_DISPLAY nor DISPLAY is set.";
        assert_eq!(plainly(said), "neither WAYLAND_DISPLAY nor DISPLAY is set");
        for whole in ["no suitable glutin config found", "os error at x.rs:12:", "3:4"] {
            assert_eq!(plainly(whole), whole);
        }
    }
}
