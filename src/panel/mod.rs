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
pub mod far;
pub mod figures;
pub mod help;
pub mod keeping;
pub mod keys;
pub mod live;
pub mod messages;
pub mod model;
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
use crate::panel::model::{Command, Model, Settings};
use crate::panel::worker::Worker;
use crate::record::Problem;
use eframe::egui;
use std::path::PathBuf;
use std::sync::Arc;

/// Smallest window in which everything can be used, in units of 1/96 inch.
const SMALLEST: [f32; 2] = [640.0, 480.0];

/// Opens the window, with a job if one is named, and returns when it is closed.
pub fn run(job: Option<PathBuf>, settings: Settings) -> Result<(), Problem> {
    let options = eframe::NativeOptions {
        viewport: egui::ViewportBuilder::default()
            .with_title("plumbsight")
            .with_inner_size([1280.0, 860.0])
            .with_min_inner_size(SMALLEST)
            .with_drag_and_drop(true),
        renderer: eframe::Renderer::Glow,
        ..Default::default()
    };
    let made = move |created: &eframe::CreationContext<'_>| {
        let ctx = created.egui_ctx.clone();
        let worker = Worker::start(Arc::new(move || ctx.request_repaint()));
        let mut app = PanelApp::new(&created.egui_ctx, Model::with(settings), Some(worker));
        if let Some(folder) = job {
            app.command(Command::Open(folder));
        }
        Ok::<Box<dyn eframe::App>, Box<dyn std::error::Error + Send + Sync>>(Box::new(app))
    };
    eframe::run_native("plumbsight", options, Box::new(made)).map_err(|error| {
        Problem::of_file(
            "the window",
            format!("it cannot be opened ({error})"),
            "The panel needs a screen and OpenGL 2.0 or newer; where there is none, `plumbsight check JOB` does the same work in the terminal.",
        )
    })
}
