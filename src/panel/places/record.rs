//! Record: what is kept, the result, what it rests on, and where its files are.

use crate::panel::model::{Command, Model, Origin};
use crate::panel::places::keep::keep_ui;
use crate::panel::places::{beside_ui, check_ui, empty_ui, origin_ui, part_ui};
use crate::panel::style;
use crate::panel::table::six_ui;
use crate::record::result::{ResultFile, Verdict};
use crate::session::hold::AFTER_ALARM;
use eframe::egui;
use egui::{RichText, ScrollArea, Ui};

/// Draws the place.
pub fn record_place(ui: &mut Ui, model: &Model, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        origin_ui(ui, model);
        let result = model.result();
        ui.horizontal_wrapped(|ui| {
            match result {
                Some(result) if model.later.is() => {
                    style::mark_ui(ui, Verdict::NotMeasured, 18.0);
                    ui.label(RichText::new(format!("old: {}", result.verdict.as_kept(false, true))).size(22.0).weak());
                }
                Some(result) => style::verdict_ui(ui, result.verdict, 22.0),
                None => {
                    ui.heading("No result yet");
                }
            }
            check_ui(ui, model, out);
        });
        if let Some(reason) = result.and_then(|r| r.not_measured.as_deref()) {
            ui.label(model.settings.lengths.sentence(reason));
        }
        alarms_ui(ui, model);
        let mut asked = Vec::new();
        beside_ui(ui, 900.0, 0.5, |ui| keep_ui(ui, model, &mut asked), |ui| match result {
            Some(result) => result_ui(ui, model, result),
            None => empty_ui(
                ui,
                "What is kept",
                &[
                    "After each check the result is written into the job's folder as result.json: every number with its uncertainty, what it rests on, and what was noticed.",
                    "A record is that and all it was made from, in a folder of its own that is never changed.",
                ],
            ),
        });
        out.extend(asked);
    });
}

/// What the log of the hold watch says against the verdict.
fn alarms_ui(ui: &mut Ui, model: &Model) {
    if let Some(doubt) = model.later.doubt() {
        ui.horizontal_wrapped(|ui| {
            style::mark_ui(ui, Verdict::Out, 16.0);
            ui.label(RichText::new(doubt).strong());
        });
    }
    let text = match model.alarms() {
        0 => return,
        1 => "The log of the hold watch names one move: the verdict no longer holds. Measure again.".to_owned(),
        n => format!("The log of the hold watch names {n} moves: the verdict no longer holds. Measure again."),
    };
    ui.horizontal_wrapped(|ui| {
        style::mark_ui(ui, Verdict::Out, 16.0);
        ui.label(RichText::new(text).strong().size(17.0));
    });
    ui.label(AFTER_ALARM);
}

fn result_ui(ui: &mut Ui, model: &Model, result: &ResultFile) {
    for k in 0..result.stations.len() {
        let standing = crate::panel::standing::Standing::of_check(&result.stations[k]);
        ui.horizontal_wrapped(|ui| {
            ui.label(RichText::new(&standing.station).strong().size(16.0));
            match model.outdated() {
                true => {
                    style::mark_ui(ui, Verdict::NotMeasured, 12.0);
                    ui.label(RichText::new(format!("old: {}", standing.verdict.as_kept(false, true))).weak());
                }
                false => style::verdict_ui(ui, standing.verdict, 15.0),
            }
        });
        ui.push_id(k, |ui| six_ui(ui, &standing, model.settings.lengths, model.outdated()));
        ui.add_space(8.0);
    }
    for missing in &result.stations_not_measured {
        ui.horizontal_wrapped(|ui| {
            style::mark_ui(ui, Verdict::NotMeasured, 13.0);
            ui.label(format!("{}: not measured. {}.", missing.name, missing.reason));
        });
    }
    files_ui(ui, model);
    checks_ui(ui, model, result);
    rests_on_ui(ui, result);
    noticed_ui(ui, model, result);
    ui.add_space(6.0);
    ui.label(RichText::new(&result.caution).small());
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

fn checks_ui(ui: &mut Ui, model: &Model, result: &ResultFile) {
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
        ui.label(model.settings.lengths.sentence(&test.sentence));
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
