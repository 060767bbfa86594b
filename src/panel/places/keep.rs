//! The form of a record: what came of the routine, who keeps it, a correction; and the records that are there.

use crate::index::doubted;
use crate::panel::keeping::{Doing, Form, FoundRecord, FoundRecords, KeptRecord, RecordCommand, Routine};
use crate::panel::model::{Command, Model};
use crate::panel::places::{line_ui, part_ui};
use crate::panel::style;
use crate::record::result::Verdict;
use eframe::egui;
use egui::{RichText, Ui};
use std::path::Path;

/// Draws the form and the list.
pub(super) fn keep_ui(ui: &mut Ui, model: &Model, out: &mut Vec<Command>) {
    let keeping = &model.keeping;
    let mut form = keeping.form.clone();
    let mut asked = Vec::new();
    ui.add_enabled_ui(keeping.kept != Doing::Running, |ui| {
        came_ui(ui, model, &mut form, &mut asked);
        record_ui(ui, model, &mut form, &mut asked);
    });
    let line = match &keeping.kept {
        Doing::Idle => None,
        Doing::Running => Some((Verdict::NotMeasured, "Being copied and measured once more.".to_owned())),
        Doing::Done(kept) => Some((Verdict::In, format!("Kept in {}", kept.folder.display()))),
        Doing::Failed(why) => Some((Verdict::Out, format!("Not kept. {why}"))),
    };
    line.into_iter().for_each(|(verdict, text)| marked_ui(ui, verdict, &text));
    if let Doing::Done(KeptRecord { folder, noticed }) = &keeping.kept {
        noticed.iter().for_each(|words| marked_ui(ui, Verdict::NotProven, words));
        ui.horizontal_wrapped(|ui| record_buttons(ui, folder, &mut asked));
        // Where it is listed below, what came of it is said there.
        if !keeping.matching().0.iter().any(|r| r.folder == *folder) {
            rechecked_ui(ui, model, folder);
        }
    }
    found_ui(ui, model, &mut form, &mut asked);
    // The form comes before what uses it.
    if form != keeping.form {
        out.push(Command::Record(RecordCommand::Fill(Box::new(form))));
    }
    out.extend(asked.into_iter().map(Command::Record));
}

fn marked_ui(ui: &mut Ui, verdict: Verdict, text: &str) {
    line_ui(
        ui,
        |ui| style::mark_ui(ui, verdict, 13.0),
        |ui| {
            ui.label(text);
        },
    );
}

/// A field with its name before it, as wide as the space left.
fn field_ui(ui: &mut Ui, name: &str, text: &mut String, hint: &str) {
    ui.horizontal(|ui| {
        let label = ui.allocate_ui_with_layout(
            egui::vec2(140.0, ui.spacing().interact_size.y),
            egui::Layout::left_to_right(egui::Align::Center),
            |ui| {
                ui.set_width(140.0);
                ui.label(name)
            },
        );
        let width = (ui.available_width() - 4.0).max(80.0);
        ui.add(egui::TextEdit::singleline(text).desired_width(width).hint_text(hint)).labelled_by(label.inner.id);
    });
}

/// What the scan tool said and how the road test went.
fn came_ui(ui: &mut Ui, model: &Model, form: &mut Form, asked: &mut Vec<RecordCommand>) {
    part_ui(ui, "What came of it");
    if let Some(problem) = &model.came_wrong {
        marked_ui(ui, Verdict::Out, &problem.to_string());
    }
    let came = &mut form.outcome;
    field_ui(ui, "Scan tool", &mut came.scan_tool, "which one, in the shop's words");
    ui.horizontal_wrapped(|ui| {
        ui.label("The routine");
        for routine in Routine::ALL {
            let chosen = came.routine == Some(routine);
            if ui.add(egui::RadioButton::new(chosen, routine.word())).clicked() {
                came.routine = Some(routine);
            }
        }
    });
    field_ui(ui, "What it said", &mut came.message, "");
    field_ui(ui, "Fault codes after", &mut came.fault_codes, "none, or which");
    ui.horizontal_wrapped(|ui| {
        ui.label("Road test");
        for (value, word) in [(Some(true), "driven"), (Some(false), "not driven"), (None, "nothing to say yet")] {
            ui.radio_value(&mut came.driven, value, word);
        }
    });
    field_ui(ui, "How it went", &mut came.road_test, "or why there was none");
    field_ui(ui, "Anything else", &mut came.note, "");
    ui.horizontal_wrapped(|ui| {
        let part = came.part();
        let can = matches!(part, Ok(Some(_)));
        if ui.add_enabled(can, egui::Button::new("Write it into the job")).clicked() {
            asked.push(RecordCommand::WriteOutcome);
        }
        match (&model.keeping.written, part) {
            (_, Err(lacks)) => {
                ui.label(lacks);
            }
            (Doing::Failed(why), _) => marked_ui(ui, Verdict::Out, &format!("Not written. {why}")),
            (Doing::Done(()), Ok(Some(_))) => {
                ui.label("Written. A record that is kept now holds it.");
            }
            _ => {}
        }
    });
}

/// Where, who, signed or not, a correction; and the button.
fn record_ui(ui: &mut Ui, model: &Model, form: &mut Form, asked: &mut Vec<RecordCommand>) {
    part_ui(ui, "Keep a record");
    ui.label("Inputs and photographs are copied byte by byte and measured once more, into a new folder that is never changed.");
    field_ui(ui, "Folder of records", &mut form.into, "the same for all records of the shop");
    field_ui(ui, "Kept by", &mut form.by, "your name");
    field_ui(ui, "Note", &mut form.note, "");
    field_ui(ui, "Shop's key file", &mut form.key, "empty: not signed; `plumbsight key FILE` makes one");
    if let Some(record) = form.corrects.clone() {
        ui.horizontal_wrapped(|ui| {
            let name = record.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
            ui.label(format!("Corrects {name}"));
            if ui.small_button("No correction").clicked() {
                form.corrects = None;
            }
        });
        field_ui(ui, "Because", &mut form.reason, "what was wrong, or what was added");
    }
    ui.horizontal_wrapped(|ui| {
        let lacks = if model.ready().is_none() { Some("The job cannot be read.") } else { form.lacks() };
        let name = if form.corrects.is_some() { "Keep the correction" } else { "Keep a record" };
        if ui.add_enabled(lacks.is_none(), egui::Button::new(name).shortcut_text("K")).clicked() {
            asked.push(RecordCommand::Keep);
        }
        if let Some(lacks) = lacks {
            ui.label(lacks);
        } else if form.key.trim().is_empty() {
            ui.label("It will not be signed.");
        }
    });
}

/// The records that are there: search, check again, correct.
fn found_ui(ui: &mut Ui, model: &Model, form: &mut Form, asked: &mut Vec<RecordCommand>) {
    part_ui(ui, "Records kept before");
    let keeping = &model.keeping;
    ui.horizontal_wrapped(|ui| {
        let label = ui.label("Find");
        let mut query = keeping.query.clone();
        let field = egui::TextEdit::singleline(&mut query)
            .desired_width((0.5 * ui.available_width()).max(120.0))
            .hint_text("VIN, date, name, verdict");
        let field = ui.add(field).labelled_by(label.id);
        if query != keeping.query {
            asked.push(RecordCommand::Query(query));
        }
        let can = !form.into.trim().is_empty() && keeping.found != Doing::Running;
        let entered = field.lost_focus() && ui.input(|i| i.key_pressed(egui::Key::Enter));
        let clicked = ui.add_enabled(can, egui::Button::new("List the records")).clicked();
        if can && (clicked || entered) {
            asked.push(RecordCommand::Find);
        }
        if form.into.trim().is_empty() {
            ui.label("Name the folder of records first.");
        }
    });
    match &keeping.found {
        Doing::Idle => {}
        Doing::Running => {
            ui.label("Looking through the folder.");
        }
        Doing::Failed(why) => marked_ui(ui, Verdict::Out, why),
        Doing::Done(FoundRecords { records, unread, notices }) => {
            let (shown, matching) = keeping.matching();
            let s = if records.len() == 1 { "" } else { "s" };
            let mut text = format!("{matching} of {} record{s}", records.len());
            if shown.len() < matching {
                text.push_str(&format!(", the newest {} shown", shown.len()));
            }
            ui.label(text);
            if *unread > 0 {
                let holds = if *unread == 1 { "folder holds" } else { "folders hold" };
                let text = format!(
                    "{unread} {holds} a record.json that cannot be read: `plumbsight recheck` names what is wrong."
                );
                marked_ui(ui, Verdict::Out, &text);
            }
            notices.iter().for_each(|notice| marked_ui(ui, Verdict::NotProven, notice));
            for record in shown {
                one_ui(ui, model, record, form, asked);
            }
        }
    }
}

fn one_ui(ui: &mut Ui, model: &Model, record: &FoundRecord, form: &mut Form, asked: &mut Vec<RecordCommand>) {
    let (mark, said) = record.said();
    line_ui(
        ui,
        |ui| style::mark_ui(ui, mark, 13.0),
        |ui| {
            let alarms = if record.alarms { "; the hold watch raised an alarm" } else { "" };
            ui.label(format!("{}: {said}{alarms}", record.line));
            if let Some(damage) = &record.damage {
                marked_ui(ui, Verdict::Out, &format!("Not as it was recorded: {damage}."));
            }
            if let Some(doubt) = &record.hold_doubt {
                marked_ui(ui, Verdict::Out, doubt);
            }
            if let Some(by) = &record.doubted_by {
                marked_ui(ui, Verdict::Out, &format!("{}.", doubted(by)));
            }
            record.noticed.iter().for_each(|text| marked_ui(ui, Verdict::NotProven, text));
            ui.horizontal_wrapped(|ui| {
                record_buttons(ui, &record.folder, asked);
                let correct = ui.small_button("Correct");
                if correct.on_hover_text("Keep this job as a new revision that names that record").clicked() {
                    form.corrects = Some(record.folder.clone());
                }
            });
            rechecked_ui(ui, model, &record.folder);
        },
    );
}

/// What can be done with a record that is there.
fn record_buttons(ui: &mut Ui, folder: &Path, asked: &mut Vec<RecordCommand>) {
    let again = ui.small_button("Check again");
    if again.on_hover_text("Every file, the signature, and the measurement from the photographs").clicked() {
        asked.push(RecordCommand::Recheck(folder.to_owned()));
    }
    let report = ui.small_button("Report");
    if report.on_hover_text("A PDF for customer, insurer and engineer, beside the record").clicked() {
        asked.push(RecordCommand::Report(folder.to_owned()));
    }
    if ui.small_button("Copy the path").clicked() {
        ui.ctx().copy_text(folder.display().to_string());
    }
}

/// What came of looking at this record again, or of its report.
fn rechecked_ui(ui: &mut Ui, model: &Model, folder: &Path) {
    let Some((_, doing)) = model.keeping.rechecked.as_ref().filter(|(of, _)| of == folder) else { return };
    match doing {
        Doing::Idle => {}
        Doing::Running => {
            ui.label(RichText::new("At work on it.").italics());
        }
        Doing::Failed(why) => marked_ui(ui, Verdict::Out, why),
        Doing::Done(lines) => lines.iter().for_each(|(verdict, text)| marked_ui(ui, *verdict, text)),
    }
}
