//! Record: the result, what it rests on, and where its files are.

use crate::panel::model::{Command, KeepState, Model, Origin};
use crate::panel::places::{check_ui, empty_ui, not_measured_ui, origin_ui, part_ui};
use crate::panel::style;
use crate::panel::table::six_ui;
use crate::record::result::{ResultFile, Verdict};
use eframe::egui;
use egui::{RichText, ScrollArea, Ui};

/// Draws the place.
pub fn record_place(ui: &mut Ui, model: &Model, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        let Some(result) = model.result() else {
            empty_ui(
                ui,
                "No result yet",
                &[
                    "After each check the result is written into the job's folder as result.json: every number with its uncertainty, what it rests on, and what was noticed.",
                    "The folder is complete in itself: keep it, photographs and all, and the result can be worked out again.",
                ],
            );
            check_ui(ui, model, out);
            return;
        };
        origin_ui(ui, model);
        if !not_measured_ui(ui, model) {
            style::verdict_ui(ui, result.verdict, 22.0);
        }
        ui.label(RichText::new(&result.caution).small());
        files_ui(ui, model);
        rests_on_ui(ui, result);
        for k in 0..result.stations.len() {
            let standing = crate::panel::standing::Standing::of_check(&result.stations[k]);
            ui.add_space(8.0);
            ui.horizontal_wrapped(|ui| {
                ui.label(RichText::new(&standing.station).strong().size(16.0));
                style::verdict_ui(ui, standing.verdict, 15.0);
            });
            ui.push_id(k, |ui| six_ui(ui, &standing, model.settings.lengths, model.outdated()));
        }
        for missing in &result.stations_not_measured {
            ui.horizontal_wrapped(|ui| {
                style::mark_ui(ui, Verdict::NotMeasured, 13.0);
                ui.label(format!("{}: not measured. {}.", missing.name, missing.reason));
            });
        }
        checks_ui(ui, result);
        noticed_ui(ui, model, result);
        ui.add_space(6.0);
        check_ui(ui, model, out);
        keep_ui(ui, model, out);
    });
}

/// A record for years: the job copied and measured once more, in a folder of its own.
fn keep_ui(ui: &mut Ui, model: &Model, out: &mut Vec<Command>) {
    part_ui(ui, "Keep a record");
    ui.label(
        "Copies inputs and photographs byte by byte, measures the copies and keeps all of it in a new folder that is never changed. \
         `plumbsight recheck` looks at it again; with a key of the shop `plumbsight record` signs it.",
    );
    let mut keeper = model.keeper.clone();
    let running = model.keeping == KeepState::Running;
    ui.add_enabled_ui(!running, |ui| {
        ui.horizontal_wrapped(|ui| {
            let label = ui.label("Folder of all records");
            ui.add(egui::TextEdit::singleline(&mut keeper.into).desired_width(300.0)).labelled_by(label.id);
            let label = ui.label("kept by");
            ui.add(egui::TextEdit::singleline(&mut keeper.by).desired_width(180.0)).labelled_by(label.id);
            let can = !keeper.into.trim().is_empty() && !keeper.by.trim().is_empty();
            if ui.add_enabled(can, egui::Button::new("Keep a record")).clicked() {
                out.push(Command::Keep);
            }
        });
    });
    if keeper != model.keeper {
        // Before what uses it.
        out.insert(0, Command::Keeper(keeper));
    }
    let (verdict, text) = match &model.keeping {
        KeepState::Idle => return,
        KeepState::Running => (Verdict::NotMeasured, "being copied and measured".to_owned()),
        KeepState::Kept(folder) => (Verdict::In, format!("Kept in {}", folder.display())),
        KeepState::Failed(why) => (Verdict::Out, format!("Not kept. {why}")),
    };
    ui.horizontal_wrapped(|ui| {
        style::mark_ui(ui, verdict, 13.0);
        ui.label(text);
    });
}

fn files_ui(ui: &mut Ui, model: &Model) {
    let Some(outcome) = &model.outcome else { return };
    let path = match &outcome.origin {
        Origin::Checked(Ok(path)) | Origin::Earlier(path) => path,
        Origin::Checked(Err(_)) => return,
    };
    ui.horizontal_wrapped(|ui| {
        ui.label("Result:");
        ui.label(RichText::new(path.display().to_string()).strong());
        if ui.button("Copy the path").clicked() {
            ui.ctx().copy_text(path.display().to_string());
        }
    });
}

fn rests_on_ui(ui: &mut Ui, result: &ResultFile) {
    part_ui(ui, "What it rests on");
    let p = &result.placement;
    let used = result.photographs.iter().filter(|photo| photo.used).count();
    let mut lines = vec![
        format!("placement: {}; source: {}; revision: {}", p.title, p.source, p.revision),
        format!("rule: {}", result.rule),
        format!("photographs: {used} of {} used", result.photographs.len()),
    ];
    if let Some(s) = &result.survey {
        lines.push(format!(
            "survey: {} tag views, {} rejected; residuals {:.2} px median; {:.0} redundant measurements",
            s.views_used, s.views_rejected, s.median_residual_px, s.redundancy
        ));
    }
    lines.extend(result.lenses.iter().map(|l| format!("lens: {} ({}), {}", l.camera, l.file, l.adjustment)));
    lines.push(format!("program: {}", result.program));
    for line in lines {
        ui.label(line);
    }
}

fn checks_ui(ui: &mut Ui, result: &ResultFile) {
    if result.integrity.is_empty() {
        return;
    }
    part_ui(ui, "Its own checks");
    let failed: Vec<_> = result.integrity.iter().filter(|t| !t.passed).collect();
    let (verdict, text) = match failed.len() {
        0 => (
            Verdict::In,
            format!("{} tests for moved bodies, wrong sizes and other faults: nothing found", result.integrity.len()),
        ),
        n => (
            Verdict::Out,
            format!("{n} of {} tests for moved bodies, wrong sizes and other faults failed", result.integrity.len()),
        ),
    };
    ui.horizontal_wrapped(|ui| {
        style::mark_ui(ui, verdict, 13.0);
        ui.label(text);
    });
    for test in failed {
        ui.label(&test.sentence);
    }
}

fn noticed_ui(ui: &mut Ui, model: &Model, result: &ResultFile) {
    if result.notices.is_empty() && result.notes.is_empty() {
        return;
    }
    part_ui(ui, "Noticed");
    let lengths = model.settings.lengths;
    for note in &result.notes {
        ui.label(lengths.sentence(note));
    }
    for notice in &result.notices {
        ui.label(lengths.sentence(&format!("{}: {}", notice.about, notice.text)));
    }
}
