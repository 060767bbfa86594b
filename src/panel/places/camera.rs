//! The line with which a live reading is started and ended.

use crate::capture::address::shown;
use crate::panel::live::LiveState;
use crate::panel::model::{CameraChoice, Command, Model};
use crate::panel::style;
use crate::record::Job;
use crate::record::result::Verdict;
use crate::session::Progress;
use crate::session::live::Mount;
use eframe::egui;
use egui::Ui;

/// What is said of a mount.
fn mount_words(mount: Mount) -> &'static str {
    match mount {
        Mount::Apart => "on a tripod",
        Mount::OnStand => "riding on the stand",
    }
}

/// How the one camera is mounted.
fn mount_ui(ui: &mut Ui, source: &str, choice: &mut CameraChoice) {
    let mut mount = choice.mount(source);
    for one in [Mount::Apart, Mount::OnStand] {
        ui.radio_value(&mut mount, one, mount_words(one));
    }
    choice.set_mount(source, mount);
}

/// How one of several cameras is mounted.
fn mount_of_ui(ui: &mut Ui, k: usize, source: &str, choice: &mut CameraChoice) {
    let mut mount = choice.mount(source);
    let label = ui.label(format!("{} is", short(&shown(source))));
    let list =
        egui::ComboBox::from_id_salt(("mount of camera", k)).selected_text(mount_words(mount)).show_ui(ui, |ui| {
            for one in [Mount::Apart, Mount::OnStand] {
                ui.selectable_value(&mut mount, one, mount_words(one));
            }
        });
    list.response.labelled_by(label.id).on_hover_text(
        "A camera on a tripod sees the stand together with floor sheets or plates; one that rides on the stand looks back at them.",
    );
    choice.set_mount(source, mount);
}

/// Which lens profile a camera has, where the job has several.
fn lens_ui(ui: &mut Ui, job: &Job, k: usize, source: &str, alone: bool, choice: &mut CameraChoice) {
    let now = choice.lens(source, job.lenses.len());
    let label = ui.label(if alone { "lens".to_owned() } else { format!("lens of {}", short(&shown(source))) });
    let mut chosen = now;
    let list = egui::ComboBox::from_id_salt(("lens of camera", k))
        .selected_text(now.map_or_else(|| "choose it".to_owned(), |lens| profile_words(job, lens)))
        .show_ui(ui, |ui| {
            for lens in 0..job.lenses.len() {
                ui.selectable_value(&mut chosen, Some(lens), profile_words(job, lens));
            }
        });
    list.response.labelled_by(label.id).on_hover_text(
        "The profile of the camera that these pictures come from: with another one's the numbers would be wrong.",
    );
    if let Some(chosen) = chosen {
        choice.lenses.insert(source.to_owned(), chosen);
    }
}

/// A profile by its file, which is what the job names.
fn profile_words(job: &Job, lens: usize) -> String {
    job.lenses.get(lens).map_or_else(String::new, |profile| {
        let file = std::path::Path::new(&profile.file);
        file.file_name().map_or_else(|| profile.file.clone(), |name| name.to_string_lossy().into_owned())
    })
}

/// The end of a long source tells it apart.
fn short(source: &str) -> String {
    const SHOWN: usize = 18;
    let n = source.chars().count();
    if n <= SHOWN { source.to_owned() } else { format!("…{}", source.chars().skip(n - SHOWN).collect::<String>()) }
}

/// Sources, how each is mounted, start or end; and how it is going.
/// `hold`: started with the watch.
pub(super) fn camera_ui(ui: &mut Ui, model: &Model, hold: bool, out: &mut Vec<Command>) {
    let running = matches!(model.live, LiveState::Preparing(_) | LiveState::On(_));
    let mut choice = model.camera.clone();
    let several = model.ready().filter(|job| job.lenses.len() > 1);
    ui.horizontal_wrapped(|ui| {
        let label = ui.label("Camera");
        ui.add_enabled_ui(!running, |ui| {
            let hint = "camera 0; http://...; a folder";
            let field = egui::TextEdit::singleline(&mut choice.source).desired_width(250.0).hint_text(hint);
            ui.add(field).labelled_by(label.id).on_hover_text(
                "camera 0 is the first webcam, http://... a phone. Several, with a semicolon between them, are read together.",
            );
            ui.checkbox(&mut choice.replay, "play a saved folder again");
            if let [source] = choice.sources().as_slice() {
                mount_ui(ui, source, &mut choice);
                if let Some(job) = several {
                    lens_ui(ui, job, 0, source, true, &mut choice);
                }
            }
        });
        let lenses = model.ready().and_then(|job| choice.all_lenses(job.lenses.len()));
        let can = lenses.as_ref().is_some_and(|lenses| !lenses.is_empty());
        let missing = if model.ready().is_some() && lenses.is_none() { "First choose the lens of each camera." } else { "" };
        let start = |ui: &mut Ui, button: egui::Button<'_>| {
            let button = ui.add_enabled(can, button);
            if missing.is_empty() { button } else { button.on_disabled_hover_text(missing) }.clicked()
        };
        if running {
            if ui.add(egui::Button::new("End the reading").shortcut_text(if hold { "H" } else { "C" })).clicked() {
                out.push(Command::Live(false));
            }
        } else if hold {
            if start(ui, egui::Button::new("Watch").shortcut_text("H")) {
                out.push(Command::Hold(true));
            }
        } else if start(ui, egui::Button::new("Read live").shortcut_text("C")) {
            out.push(Command::Live(true));
        }
        if !running && !missing.is_empty() {
            ui.label(missing);
        }
    });
    // Of several cameras each has a line of its own, which is not needed once they are read.
    let sources = choice.sources();
    if sources.len() > 1 && !running {
        for (k, source) in sources.iter().enumerate() {
            ui.horizontal_wrapped(|ui| {
                mount_of_ui(ui, k, source, &mut choice);
                if let Some(job) = several {
                    lens_ui(ui, job, k, source, false, &mut choice);
                }
            });
        }
    }
    if choice != model.camera {
        // Before anything that uses it.
        out.insert(0, Command::Camera(choice));
    }
    let text = match &model.live {
        LiveState::Off => return,
        LiveState::Preparing(progress) => match progress {
            None => "Preparing: the job is surveyed once more, as the ground for the live reading.".to_owned(),
            Some(Progress::Photographs { done, of }) => {
                format!("Preparing: finding tags in photographs, {done} of {of}.")
            }
            Some(Progress::Surveying) => "Preparing: tying the photographs together.".to_owned(),
            Some(Progress::Judging) => "Preparing: working out the deviations.".to_owned(),
        },
        LiveState::On(view) => {
            for camera in &view.cameras {
                ui.horizontal_wrapped(|ui| {
                    style::mark_ui(ui, if camera.live { Verdict::In } else { Verdict::NotMeasured }, 11.0);
                    ui.label(&camera.words);
                });
            }
            return;
        }
        LiveState::Over(why) => {
            ui.horizontal_wrapped(|ui| {
                style::mark_ui(ui, Verdict::Out, 13.0);
                ui.label(format!("The live reading ended. {}", crate::verdict::words::capital(why)));
            });
            return;
        }
    };
    ui.label(text);
}
