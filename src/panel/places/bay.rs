//! Bay and car: the readiness list with its answers, what the job's files say and lack, what the procedure asks, the cautions.

use crate::panel::basis::{Strength, asked, datum_words};
use crate::panel::model::{Command, JobState, Model};
use crate::panel::places::{beside_ui, check_ui, empty_ui, line_ui, part_ui};
use crate::panel::style;
use crate::readiness::{Answer, AnsweredBy};
use crate::record::result::{ReadinessPart, Verdict};
use crate::record::{Change, Job};
use eframe::egui;
use egui::{RichText, ScrollArea, Ui};
use std::collections::BTreeMap;

/// What is being typed to an item of the list.
#[derive(Debug, Default)]
pub struct Typed {
    /// Notes by item.
    notes: BTreeMap<String, String>,
    /// The item that does not apply, and why.
    reason: Option<(String, String)>,
}

/// Draws the place.
pub fn bay_place(ui: &mut Ui, model: &Model, typed: &mut Typed, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| match &model.job {
        JobState::None => empty_ui(ui, "No job", &["Open a job folder first."]),
        JobState::Reading(folder) => empty_ui(ui, "Reading the job", &[&folder.display().to_string()]),
        JobState::Refused(folder, problem) => {
            ui.add_space(8.0);
            ui.horizontal(|ui| {
                style::mark_ui(ui, style::shape_of(Strength::Missing), 18.0);
                ui.heading("This job cannot be read yet");
            });
            let line = problem.line.map(|l| format!(", line {l}")).unwrap_or_default();
            ui.label(RichText::new(format!("{}{line}", problem.file)).strong());
            ui.label(format!("{}.", crate::verdict::words::capital(&problem.what)));
            ui.label(&problem.remedy);
            ui.add_space(6.0);
            ui.label("Correct the file and save it: the panel reads the folder again by itself.");
            belongs_ui(ui, folder);
        }
        JobState::Ready(job) => {
            check_ui(ui, model, out);
            let list = |ui: &mut Ui| list_ui(ui, model, typed, out);
            beside_ui(ui, 860.0, 0.5, list, |ui| {
                basis_ui(ui, model);
                asked_ui(ui, model, job);
            });
        }
    });
}

/// What belongs into a job folder, for somebody whose first one it is.
fn belongs_ui(ui: &mut Ui, folder: &std::path::Path) {
    part_ui(ui, "What belongs into a job folder");
    for (file, what) in [
        ("job.toml", "the car, its wheels with their plates, the floor, which photographs"),
        ("bodies.toml", "which tag is on what; `plumbsight sheets FOLDER` writes one with the sheets to print"),
        (
            "placement.toml",
            "where the target must stand, from the published procedure: source, revision, figures, tolerances",
        ),
        ("lens.toml", "the profile of the camera; `plumbsight lens` makes it from photographs of a printed board"),
        ("photos", "the photographs, as the camera wrote them: 15 to 30 from all around"),
    ] {
        ui.label(format!("{file}: {what}"));
    }
    ui.label("Every key is explained in its file. ENTER and MEASURE stand where a value of your own is needed; figures behind \"e.g.\" are examples and count for nothing.");
    ui.horizontal_wrapped(|ui| {
        ui.label(RichText::new(folder.display().to_string()).strong());
        if ui.button("Copy the path").clicked() {
            ui.ctx().copy_text(folder.display().to_string());
        }
    });
}

/// The list of what must be seen to, by groups.
fn list_ui(ui: &mut Ui, model: &Model, typed: &mut Typed, out: &mut Vec<Command>) {
    let parts = model.answers();
    let open = parts.iter().filter(|p| p.state == "open").count();
    ui.heading(match open {
        0 => "Nothing is open".to_owned(),
        1 => "One thing is open".to_owned(),
        n => format!("{n} of {} things are open", parts.len()),
    });
    ui.label("The carmaker's procedure comes first: where it asks more, or less, it is right.");
    if let Some(problem) = &model.not_kept {
        line_ui(
            ui,
            |ui| style::mark_ui(ui, Verdict::Out, 13.0),
            |ui| {
                ui.label(format!("The answer could not be kept. {problem}"));
            },
        );
    }
    let mut group = "";
    for part in &parts {
        if part.group != group {
            group = &part.group;
            part_ui(ui, &crate::verdict::words::capital(group));
        }
        item_ui(ui, model, part, typed, out);
    }
}

/// One item: a box to tick, what was said or measured, a way to say that it does not apply.
fn item_ui(ui: &mut Ui, model: &Model, part: &ReadinessPart, typed: &mut Typed, out: &mut Vec<Command>) {
    let item = model.list.as_ref().and_then(|list| list.items.iter().find(|i| i.id == part.id));
    let answer = |answer, note| Command::Answer(Change { id: part.id.clone(), answer, note });
    let asked = item.and_then(|i| i.note_needed.as_deref());
    let applies = part.state != "not applicable";
    let mut done = part.state == "done";
    let asks = matches!(&typed.reason, Some((id, _)) if *id == part.id);
    ui.horizontal_top(|ui| {
        let room = 170.0;
        let width = (ui.available_width() - room).max(120.0);
        ui.allocate_ui_with_layout(egui::vec2(width, 0.0), egui::Layout::top_down(egui::Align::LEFT), |ui| {
            ui.set_width(width);
            ui.add_enabled_ui(applies && !part.measured, |ui| {
                if ui.checkbox(&mut done, &part.text).changed() {
                    let note = typed.notes.get(&part.id).cloned().filter(|n| !n.trim().is_empty());
                    out.push(answer(if done { Answer::Done } else { Answer::Open }, note));
                }
            });
        });
        if !applies {
            let button = ui.small_button("Applies").accessible_name(format!("{}: it does apply", part.text));
            if button.clicked() {
                out.push(answer(Answer::Open, None));
            }
        } else if part.state == "open" && !asks {
            let button = ui.small_button("Does not apply").accessible_name(format!("{}: does not apply", part.text));
            if button.clicked() {
                typed.reason = Some((part.id.clone(), String::new()));
            }
        }
    });
    // What the program could answer itself, and does not yet: a person's word counts until then.
    let could = match item.map(|i| i.answered_by).filter(|_| applies && !part.measured) {
        None | Some(AnsweredBy::Person) => None,
        Some(AnsweredBy::Tyres) => Some("Compared by the program once the pressures are entered in readiness.toml."),
        Some(AnsweredBy::FloorLevel) => {
            Some("Judged by the program once measured, if readiness.toml states floor_limit_mm_per_m.")
        }
        Some(AnsweredBy::NothingMoved) => Some("Answered by the survey's tests once measured."),
    };
    if part.words.is_empty() && !asks && could.is_none() && (asked.is_none() || part.state != "open") {
        return;
    }
    ui.indent(&part.id, |ui| {
        if !part.words.is_empty() {
            let who = if part.measured { "measured: " } else { "" };
            ui.label(RichText::new(format!("{who}{}", part.words)).italics());
        }
        if let Some(why) = could {
            ui.label(RichText::new(why).italics());
        }
        if let Some(asked) = asked.filter(|_| part.state == "open") {
            ui.horizontal(|ui| {
                let label = ui.label(RichText::new(format!("{asked}:")).small());
                let note = typed.notes.entry(part.id.clone()).or_default();
                let field = ui.add(egui::TextEdit::singleline(note).desired_width(220.0)).labelled_by(label.id);
                let entered = field.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
                if entered && !note.trim().is_empty() {
                    out.push(answer(Answer::Done, Some(note.trim().to_owned())));
                }
            });
        }
        if let Some((id, reason)) = &mut typed.reason
            && *id == part.id
        {
            let mut close = false;
            ui.horizontal_wrapped(|ui| {
                let label = ui.label("Does not apply, because");
                let field = ui.add(egui::TextEdit::singleline(reason).desired_width(200.0)).labelled_by(label.id);
                // It was asked for: what is typed goes into it, and is no shortcut.
                let entered = field.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
                if ui.memory(|memory| memory.focused().is_none()) {
                    field.request_focus();
                }
                let can = !reason.trim().is_empty();
                let clicked = ui.add_enabled(can, egui::Button::new("Keep")).clicked();
                if can && (clicked || entered) {
                    out.push(answer(Answer::NotApplicable(reason.trim().to_owned()), None));
                    close = true;
                }
                close |= ui.button("Never mind").clicked();
            });
            if close {
                typed.reason = None;
            }
        }
    });
}

/// What the job's files say.
fn basis_ui(ui: &mut Ui, model: &Model) {
    ui.heading(match model.missing() {
        0 => "The job's files lack nothing".to_owned(),
        1 => "The job's files lack one thing".to_owned(),
        n => format!("The job's files lack {n} things"),
    });
    for line in &model.basis {
        let mark = |ui: &mut Ui| style::mark_ui(ui, style::shape_of(line.state), 12.0);
        line_ui(ui, mark, |ui| {
            ui.spacing_mut().item_spacing.y = 2.0;
            let state = match line.state {
                Strength::There => String::new(),
                weak => format!(" ({})", weak.word()),
            };
            ui.label(format!("{}{state}: {}", line.about, model.settings.lengths.sentence(&line.text)));
            if let Some(remedy) = &line.remedy {
                ui.label(RichText::new(remedy).italics());
            }
        });
    }
}

fn asked_ui(ui: &mut Ui, model: &Model, job: &Job) {
    for (k, (station, lines)) in asked(job, model.settings.lengths).into_iter().enumerate() {
        part_ui(ui, &format!("Asked at {station}"));
        ui.label(format!("Distance counts {}.", datum_words(job, k)));
        egui::Grid::new(("asked", k)).num_columns(3).striped(true).spacing([24.0, 4.0]).show(ui, |ui| {
            for heading in ["", "required", "tolerance"] {
                ui.label(RichText::new(heading).small());
            }
            ui.end_row();
            for [name, required, tolerance] in lines {
                ui.label(name);
                ui.label(required);
                ui.label(tolerance);
                ui.end_row();
            }
        });
    }
}
