//! The window: what surrounds the places, keys, and the way from worker to model and back.

use crate::panel::cue::{Cue, Heard};
use crate::panel::far::{FarWords, far_ui};
use crate::panel::keeping::Doing;
use crate::panel::kept::Kept;
use crate::panel::live::LiveState;
use crate::panel::model::{Command, Event, JobState, Model, Origin, Outcome, PictureState, Place, Task};
use crate::panel::picture_view::Screens;
use crate::panel::places::{
    bay::{Typed, bay_place},
    hold::hold_place,
    photographs::photographs_place,
    placing::placing_place,
    record::record_place,
};
use crate::panel::seen::Seen;
use crate::panel::start::{Start, start_place};
use crate::panel::worker::Worker;
use crate::panel::{help, keys, settings, style};
use crate::record::result::Verdict;
use crate::session::Progress;
use eframe::egui;
use egui::text::{LayoutJob, TextFormat};
use egui::{FontId, RichText, Ui};
use std::sync::Arc;

/// The program's window.
pub struct PanelApp {
    /// Everything that is shown.
    pub model: Model,
    worker: Option<Worker>,
    screens: Screens,
    start: Start,
    typed: Typed,
    applied: Option<crate::panel::model::Settings>,
    kept: Kept,
    /// Inner size of the window at the usual size of everything.
    window: Option<[f32; 2]>,
    /// What was last to be heard.
    heard: Heard,
}

impl PanelApp {
    /// With this model; without a worker its tasks are dropped (tests feed events by hand).
    pub fn new(ctx: &egui::Context, model: Model, worker: Option<Worker>) -> Self {
        style::set_up(ctx);
        Self {
            model,
            worker,
            screens: Screens::default(),
            start: Start::default(),
            typed: Typed::default(),
            applied: None,
            kept: Kept::default(),
            window: None,
            heard: Heard::default(),
        }
    }

    /// The same with what was kept from the last start; changes are kept in their turn.
    pub fn with_kept(mut self, kept: Kept) -> Self {
        self.start.folder = kept.last_job().unwrap_or_default().to_owned();
        kept.fill(&mut self.model);
        self.kept = kept;
        self
    }

    /// Does what the user asked for.
    pub fn command(&mut self, command: Command) {
        let tasks = self.model.apply(command);
        self.give(tasks);
    }

    /// Takes an event of the worker.
    pub fn receive(&mut self, event: Event) {
        // Where it was typed it can be put right.
        if let Event::NoJob(folder, _) = &event {
            self.start.folder = folder.display().to_string();
        }
        let tasks = self.model.receive(event);
        self.give(tasks);
    }

    /// Shows this picture in the place of photographs, whatever was asked for.
    pub fn show_picture(&mut self, seen: Arc<Seen>) {
        self.model.picture = PictureState::Seen(seen);
    }

    fn give(&self, tasks: Vec<Task>) {
        if let Some(worker) = &self.worker {
            tasks.into_iter().for_each(|task| worker.give(task));
        }
    }

    /// Everything that is not drawing.
    pub fn drain(&mut self) {
        let events = self.worker.as_ref().map(Worker::events).unwrap_or_default();
        events.into_iter().for_each(|event| self.receive(event));
        let now = Heard::of(&self.model, self.heard);
        let cue = now.cue(self.heard).filter(|_| self.model.settings.sound);
        self.heard = now;
        cue.into_iter().for_each(Cue::play);
    }

    /// One picture of the window.
    pub fn show(&mut self, ui: &mut Ui) {
        let ctx = ui.ctx().clone();
        if self.applied != Some(self.model.settings) {
            style::apply(&ctx, &self.model.settings);
            self.applied = Some(self.model.settings);
        }
        // The field of the path is gone with its place: keys are shortcuts again.
        if !matches!(self.model.job, JobState::None) && self.start.left() {
            ctx.memory_mut(|memory| memory.stop_text_input());
        }
        let mut commands = keys::pressed(&ctx, &self.model);
        commands.extend(dropped(&ctx));
        let model = &self.model;
        if model.far {
            egui::CentralPanel::no_frame().show(ui, |ui| {
                let words = match model.shown() {
                    // An alarm that is not answered outshouts a watch in which nothing moved.
                    _ if model.place == Place::Hold
                        && model.hold_view().is_some_and(|hold| hold.broken || model.alarms() == 0) =>
                    {
                        FarWords::of_hold(model.hold_view())
                    }
                    _ if model.alarms() > 0 => FarWords::moved(),
                    _ if model.place == Place::Hold => FarWords::of_hold(None),
                    Some(shown) if shown.old && model.later.doubt().is_some() => FarWords::doubt(),
                    Some(shown) if shown.old && !shown.live && model.later.is_elsewhere() => FarWords::elsewhere(),
                    Some(shown) if shown.old && !shown.live => FarWords::old(),
                    shown => FarWords::of(shown.as_ref()).with_open(model.still_open()),
                };
                far_ui(ui, &words, &model.settings);
            });
        } else {
            let bar = egui::Frame::side_top_panel(ui.style()).fill(egui::Color32::TRANSPARENT);
            egui::Panel::top("head").frame(bar).show(ui, |ui| head_ui(ui, model, &mut commands));
            egui::Panel::bottom("foot").frame(bar).show(ui, |ui| foot_ui(ui, model, &mut commands));
            let (screens, start) = (&mut self.screens, &mut self.start);
            let typed = &mut self.typed;
            middle(ui, |ui| {
                if matches!(model.job, JobState::None) {
                    start_place(ui, start, model.no_job.as_ref(), &mut commands);
                    return;
                }
                match model.place {
                    Place::Bay => bay_place(ui, model, typed, &mut commands),
                    Place::Photographs => photographs_place(ui, model, screens, &mut commands),
                    Place::Placing => placing_place(ui, model, screens, &mut commands),
                    Place::Hold => hold_place(ui, model, screens, &mut commands),
                    Place::Record => record_place(ui, model, &mut commands),
                }
            });
        }
        help::help_window(&ctx, model, &mut commands);
        settings::settings_window(&ctx, model, self.kept.problem.as_ref(), &mut commands);
        commands.into_iter().for_each(|command| self.command(command));
        // Not while something is being drawn out or typed.
        if !ctx.input(|i| i.pointer.any_down()) && !ctx.text_edit_focused() {
            self.kept.keep(&self.model, None);
        }
        self.window =
            ctx.input(|i| i.viewport().inner_rect).map(|r| (self.model.settings.text_scale * r.size()).into());
    }
}

/// The middle of the window. Its ground is the window's own ([`eframe::App::clear_color`]): filling the whole window twice is half of what a software renderer
/// does for a picture. What fades out at the edge of a list is told which colour it fades into.
fn middle(ui: &mut Ui, contents: impl FnOnce(&mut Ui)) {
    let frame = egui::Frame::central_panel(ui.style());
    let ground = egui::UiStackInfo::new(egui::UiKind::CentralPanel).with_frame(frame);
    egui::CentralPanel::default().frame(frame.fill(egui::Color32::TRANSPARENT)).show(ui, |ui| {
        ui.scope_builder(egui::UiBuilder::new().ui_stack_info(ground), contents);
    });
}

impl eframe::App for PanelApp {
    fn clear_color(&self, visuals: &egui::Visuals) -> [f32; 4] {
        visuals.panel_fill.to_normalized_gamma_f32()
    }

    fn logic(&mut self, _ctx: &egui::Context, _frame: &mut eframe::Frame) {
        self.drain();
    }

    fn ui(&mut self, ui: &mut Ui, _frame: &mut eframe::Frame) {
        self.show(ui);
    }

    fn on_exit(&mut self, _gl: Option<&eframe::glow::Context>) {
        self.kept.keep(&self.model, self.window);
    }
}

/// A folder that was dropped onto the window, or the folder of a file that was.
fn dropped(ctx: &egui::Context) -> Option<Command> {
    let path = ctx.input(|input| input.raw.dropped_files.first().map(|f| f.path().to_owned()))?;
    let folder = if path.is_file() { path.parent().map(ToOwned::to_owned).unwrap_or(path) } else { path };
    Some(Command::Open(folder))
}

/// Title, places, settings, help.
fn head_ui(ui: &mut Ui, model: &Model, out: &mut Vec<Command>) {
    ui.add_space(4.0);
    ui.horizontal(|ui| {
        let title = match &model.job {
            JobState::None => "plumbsight".to_owned(),
            JobState::Reading(folder) | JobState::Refused(folder, _) => folder.display().to_string(),
            JobState::Ready(job) => job.title.clone().unwrap_or_else(|| job.folder.display().to_string()),
        };
        ui.with_layout(egui::Layout::right_to_left(egui::Align::Center), |ui| {
            if ui.add(egui::Button::new("Help").shortcut_text("?")).clicked() {
                out.push(Command::Help(!model.help));
            }
            if ui.button("Settings").clicked() {
                out.push(Command::ShowSettings(!model.settings_open));
            }
            if !matches!(model.job, JobState::None) && ui.button("Other job").clicked() {
                out.push(Command::Close);
            }
            ui.with_layout(egui::Layout::left_to_right(egui::Align::Center), |ui| {
                ui.add(egui::Label::new(RichText::new(title).strong().size(17.0)).truncate());
            });
        });
    });
    if !matches!(model.job, JobState::None) {
        ui.columns(Place::ALL.len(), |columns| {
            for (column, place) in columns.iter_mut().zip(Place::ALL) {
                place_ui(column, model, place, out);
            }
        });
    }
    ui.add_space(2.0);
}

/// One place of the work: its key and name, and how it stands.
fn place_ui(ui: &mut Ui, model: &Model, place: Place, out: &mut Vec<Command>) {
    let (verdict, says) = stands(model, place);
    let ink = ui.visuals().text_color();
    let palette = style::palette(ui.visuals());
    let width = ui.available_width();
    // Where it gets narrow the words get smaller rather than broken.
    let (large, small) = if width < 150.0 { (12.0, 10.5) } else { (15.0, 12.5) };
    if width < 150.0 {
        ui.spacing_mut().button_padding.x = 4.0;
    }
    let mut job = LayoutJob::default();
    let plain = |size: f32, colour| TextFormat::simple(FontId::proportional(size), colour);
    job.append(&format!("{} {}\n", place.index() + 1, place.name()), 0.0, plain(large, ink));
    if let Some(verdict) = verdict {
        job.append(&format!("{} ", verdict.shape()), 0.0, plain(small, palette.verdict(verdict)));
    }
    job.append(&says, 0.0, plain(small, ink));
    let button = egui::Button::selectable(model.place == place, job).wrap().min_size(egui::vec2(width, 44.0));
    let name = format!("{}: {says}", place.name());
    if ui.add(button).accessible_name(name).clicked() {
        out.push(Command::Go(place));
    }
}

/// How a place stands, in a word or two.
fn stands(model: &Model, place: Place) -> (Option<Verdict>, String) {
    let waiting = (Some(Verdict::NotMeasured), "not measured".to_owned());
    match place {
        Place::Bay => match &model.job {
            JobState::Refused(..) => (Some(Verdict::Out), "cannot be read".into()),
            JobState::Ready(_) => {
                let open = model.answers().iter().filter(|p| p.state == "open").count();
                match (model.missing(), open) {
                    (0, 0) => (Some(Verdict::In), "nothing open".into()),
                    (0, n) => (Some(Verdict::NotProven), format!("{n} open")),
                    (n, _) => (Some(Verdict::Out), format!("{n} missing")),
                }
            }
            _ => (Some(Verdict::NotMeasured), "being read".into()),
        },
        Place::Photographs => match (model.result(), model.ready()) {
            (Some(result), _) if !result.photographs.is_empty() => {
                let used = result.photographs.iter().filter(|p| p.used).count();
                let n = result.photographs.len();
                let verdict = if used == n { Verdict::In } else { Verdict::NotProven };
                (Some(verdict), format!("{used} of {n} used"))
            }
            (_, Some(job)) => (Some(Verdict::NotMeasured), format!("{} in the job", job.photos.len())),
            _ => waiting,
        },
        Place::Placing if model.alarms() > 0 => (Some(Verdict::Out), "moved during hold".into()),
        Place::Placing if model.live_view().is_some() && model.later.doubts_the_bay() => {
            (Some(Verdict::NotMeasured), model.later.short().unwrap_or_default().to_owned())
        }
        Place::Placing if model.live_view().is_some() => match model.shown() {
            Some(shown) if !shown.old => {
                (Some(shown.standing.verdict), format!("live: {}", shown.standing.verdict.words()))
            }
            _ => (Some(Verdict::NotMeasured), "live: not seen".into()),
        },
        Place::Placing if model.later.is() => {
            (Some(Verdict::NotMeasured), model.later.short().unwrap_or_default().to_owned())
        }
        Place::Placing if model.outdated() => (Some(Verdict::NotMeasured), "from an earlier check".into()),
        Place::Placing => match (model.standing(), model.result()) {
            (Some(standing), _) => (Some(standing.verdict), standing.verdict.words().into()),
            (None, Some(result)) => (Some(result.verdict), result.verdict.words().into()),
            (None, None) => waiting,
        },
        Place::Hold => match model.hold_view() {
            Some(hold) if hold.broken => (Some(Verdict::Out), "moved".into()),
            Some(_) if model.alarms() > 0 => (Some(Verdict::Out), "moved during hold".into()),
            Some(hold) if hold.blind => (Some(Verdict::NotMeasured), "not seen".into()),
            Some(hold) if hold.watching_for.is_some() => (Some(Verdict::In), "nothing moved".into()),
            Some(_) => (Some(Verdict::NotProven), "settling".into()),
            None if model.holding && matches!(model.live, LiveState::Preparing(_)) => {
                (Some(Verdict::NotMeasured), "starting".into())
            }
            None if model.alarms() > 0 => (Some(Verdict::Out), "moved during hold".into()),
            None => (None, "not watching".into()),
        },
        Place::Record => record_stands(model),
    }
}

/// How the record stands: a result that is written is no record yet.
fn record_stands(model: &Model) -> (Option<Verdict>, String) {
    match (&model.outcome, &model.keeping.kept) {
        _ if model.alarms() > 0 => (Some(Verdict::Out), "moved during hold".into()),
        _ if model.later.doubt().is_some() => (Some(Verdict::Out), "hold log unreadable".into()),
        (Some(_), _) if model.later.is() => (Some(Verdict::NotMeasured), "old: stand elsewhere".into()),
        (_, Doing::Running) => (None, "being kept".into()),
        (_, Doing::Failed(_)) => (Some(Verdict::Out), "not kept".into()),
        (_, Doing::Done(_)) => (None, "record kept".into()),
        (Some(Outcome { origin: Origin::Checked(Err(_)), .. }), _) => (Some(Verdict::Out), "not written".into()),
        (Some(_), Doing::Idle) => (None, "no record kept".into()),
        (None, Doing::Idle) => (None, "nothing yet".into()),
    }
}

/// What runs, how far it is, and how to stop it.
fn foot_ui(ui: &mut Ui, model: &Model, out: &mut Vec<Command>) {
    ui.add_space(2.0);
    ui.horizontal(|ui| match &model.work {
        Some(work) => {
            let (share, text) = match work.progress {
                _ if work.stopping => (None, "stopping".to_owned()),
                None => (None, "starting".to_owned()),
                Some(Progress::Photographs { done, of }) => (
                    Some(done as f32 / of.max(1) as f32),
                    format!("reading photographs and finding tags: {done} of {of}"),
                ),
                Some(Progress::Surveying) => (None, "tying the photographs together".to_owned()),
                Some(Progress::Judging) => (None, "working out the deviations".to_owned()),
            };
            if ui.add_enabled(!work.stopping, egui::Button::new("Stop").shortcut_text("Esc")).clicked() {
                out.push(Command::Stop);
            }
            match share {
                Some(share) => ui.add(egui::ProgressBar::new(share).desired_width(220.0)).accessible_name("progress"),
                None => ui.spinner(),
            };
            ui.label(text);
        }
        None => {
            let text = "The stand's place only: the carmaker's procedure, local rules and licensed practice decide.";
            ui.add(egui::Label::new(RichText::new(text).small()).truncate());
        }
    });
    ui.add_space(2.0);
}
