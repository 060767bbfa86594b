//! Photographs: which are used and why not, which bodies they tie together, how sure each deviation is so far.

use crate::panel::bay_plan::Viewpoint;
use crate::panel::bay_view::{Shown, bay_ui};
use crate::panel::model::{Command, Model, PictureState};
use crate::panel::picture_view::Screens;
use crate::panel::places::{beside_ui, check_ui, empty_ui, line_ui, origin_ui, part_ui};
use crate::panel::style;
use crate::record::Job;
use crate::record::result::{PhotographPart, ResultFile, Verdict};
use eframe::egui;
use egui::{RichText, ScrollArea, Ui};

/// Fewer photographs than this tie a body weakly: one of them then checks nothing. Common practice, no source.
const FEW: usize = 3;

/// Draws the place.
pub fn photographs_place(ui: &mut Ui, model: &Model, screens: &mut Screens, out: &mut Vec<Command>) {
    let Some(job) = model.ready() else {
        return empty_ui(
            ui,
            "No photographs yet",
            &[
                "Take 15 to 30 photographs from all around, with one camera at one focus and zoom.",
                "Each should show at least two bodies; several should show the stand together with floor sheets.",
                "Nothing may move meanwhile. Copy them into the job's folder: they are taken in as they arrive.",
            ],
        );
    };
    let list = 0.3 * ui.available_width();
    egui::Panel::left("list")
        .resizable(false)
        .exact_size(list.clamp(220.0, 340.0))
        .show(ui, |ui| list_ui(ui, model, job, out));
    egui::CentralPanel::default().show(ui, |ui| {
        ui.horizontal_wrapped(|ui| {
            if ui.add(egui::Button::selectable(model.show_plan, "Plan")).clicked() {
                out.push(Command::ShowPlan(true));
            }
            if ui.add(egui::Button::selectable(!model.show_plan, "Picture")).clicked() {
                out.push(Command::ShowPlan(false));
            }
            check_ui(ui, model, out);
        });
        origin_ui(ui, model);
        let below = (0.42 * ui.available_height()).clamp(150.0, 330.0);
        egui::Panel::bottom("coverage").resizable(false).exact_size(below).show(ui, |ui| coverage_ui(ui, model));
        egui::CentralPanel::no_frame().show(ui, |ui| {
            if model.show_plan {
                plan_ui(ui, model, &model.viewpoints(), out);
            } else {
                picture_ui(ui, model, screens);
            }
        });
    });
}

/// All photographs of the job with what became of them.
fn list_ui(ui: &mut Ui, model: &Model, job: &Job, out: &mut Vec<Command>) {
    let parts = model.result().map(|r| r.photographs.as_slice()).unwrap_or_default();
    let used = parts.iter().filter(|p| p.used).count();
    let heading = if parts.is_empty() {
        format!("{} photographs", job.photos.len())
    } else {
        format!("{used} of {} used", job.photos.len())
    };
    ui.label(RichText::new(heading).strong());
    let order = model.photographs();
    let height = ui.text_style_height(&egui::TextStyle::Body) + 2.0 * ui.spacing().button_padding.y;
    ScrollArea::vertical().auto_shrink(false).show_rows(ui, height, job.photos.len(), |ui, rows| {
        for k in order[rows].iter().copied() {
            let name = &job.photos[k].name;
            let part = parts.iter().find(|p| &p.name == name);
            photo_ui(ui, name, part, model.photograph == Some(k), out);
        }
    });
}

fn photo_ui(ui: &mut Ui, name: &str, part: Option<&PhotographPart>, chosen: bool, out: &mut Vec<Command>) {
    let short = name.rsplit('/').next().unwrap_or(name);
    let (verdict, says) = match part {
        None => (Verdict::NotMeasured, "not looked at yet".to_owned()),
        Some(p) if p.used => {
            let fit = p.rms_px.map(|v| format!(", {v:.2} px")).unwrap_or_default();
            (Verdict::In, format!("{} tags{fit}", p.tags.len()))
        }
        Some(_) => (Verdict::Out, "left out".to_owned()),
    };
    ui.horizontal(|ui| {
        style::mark_ui(ui, verdict, 11.0);
        let width = ui.available_width();
        let button = egui::Button::selectable(chosen, short).right_text(RichText::new(&says).small()).truncate();
        let response = ui.add(button.min_size(egui::vec2(width, 0.0))).accessible_name(format!("{short}: {says}"));
        if response.clicked() {
            out.push(Command::ShowPhotograph(name.to_owned()));
        }
        let why = part.and_then(|p| p.reason.clone()).unwrap_or_else(|| format!("{name}: {says}"));
        response.on_hover_text(why);
    });
}

fn plan_ui(ui: &mut Ui, model: &Model, viewpoints: &[Viewpoint], out: &mut Vec<Command>) {
    let Some(plan) = model.plan() else {
        return empty_ui(
            ui,
            "No plan yet",
            &[
                "The bay is drawn here once the photographs tie both rear plates and the floor together.",
                "Measure to see how far they reach.",
            ],
        );
    };
    let chosen = model.photograph.and_then(|k| model.ready()?.photos.get(k)).map(|p| p.name.as_str());
    let shown = Shown { photograph: chosen, station: None, old: model.outdated(), cameras: true, viewpoints };
    if let Some(name) = bay_ui(ui, plan, shown) {
        out.push(Command::ShowPhotograph(name));
    }
}

fn picture_ui(ui: &mut Ui, model: &Model, screens: &mut Screens) {
    match &model.picture {
        PictureState::None => {
            empty_ui(ui, "No photograph chosen", &["Choose one in the list, or press the down arrow."])
        }
        PictureState::Reading(name) => empty_ui(ui, "Looking for tags", &[name]),
        PictureState::Refused(name, why) => empty_ui(ui, name, &[why]),
        PictureState::Seen(seen) => {
            let part = model.result().and_then(|r| r.photographs.iter().find(|p| p.name == seen.name));
            let mut words = format!("{}: {} tags", seen.name, seen.tags.len());
            match seen.strangers() {
                0 => {}
                n => words.push_str(&format!(", {n} belong to nothing in the job (orange)")),
            }
            if let Some(reason) = part.and_then(|p| p.reason.as_deref()) {
                words.push_str(&format!(". Not used: {reason}"));
            }
            ui.label(words);
            screens.of(0).picture_ui(ui, seen);
        }
    }
}

/// Which bodies are tied how well, and U of each deviation so far.
fn coverage_ui(ui: &mut Ui, model: &Model) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        let Some(result) = model.result() else {
            ui.label(
                "Once measured: which bodies are tied by how many photographs, and how sure each deviation is so far.",
            );
            return;
        };
        beside_ui(ui, 660.0, 0.45, |ui| bodies_ui(ui, model), |ui| sure_ui(ui, model, result));
    });
}

/// U of each deviation so far against what the procedure leaves.
fn sure_ui(ui: &mut Ui, model: &Model, result: &ResultFile) {
    part_ui(ui, "How sure so far");
    let Some(standing) = model.standing() else {
        ui.label(result.not_measured.as_deref().unwrap_or("Not measured yet."));
        return;
    };
    let lengths = model.settings.lengths;
    egui::Grid::new("sure").num_columns(4).min_col_width(0.0).striped(true).spacing([14.0, 4.0]).show(ui, |ui| {
        for heading in ["", "U (95 %)", "tolerance", ""] {
            ui.label(RichText::new(heading).small());
        }
        ui.end_row();
        for figure in &standing.six {
            ui.label(figure.name);
            ui.label(figure.expanded_text(lengths));
            ui.label(figure.tolerance_text(lengths));
            enough_ui(ui, figure.expanded, figure.tolerance);
            ui.end_row();
        }
    });
    for remedy in &standing.remedies {
        ui.label(lengths.sentence(remedy));
    }
    advice_ui(ui, model, result);
}

/// Which photographs would help most, and what else; numbered as in the plan.
fn advice_ui(ui: &mut Ui, model: &Model, result: &ResultFile) {
    let Some(advice) = result.advice.as_ref().filter(|_| !model.outdated()) else { return };
    let lengths = model.settings.lengths;
    part_ui(ui, "What would help most");
    for (k, viewpoint) in advice.viewpoints.iter().enumerate() {
        let number = |ui: &mut Ui| {
            ui.label(format!("{}", k + 1));
        };
        line_ui(ui, number, |ui| {
            ui.label(lengths.sentence(&viewpoint.words));
        });
    }
    for deciding in &advice.deciding {
        ui.label(lengths.sentence(&deciding.sentence));
    }
}

/// Whether U leaves room for a verdict, wherever the stand is.
fn enough_ui(ui: &mut Ui, expanded: f64, tolerance: Option<f64>) {
    let Some(t) = tolerance else {
        ui.label("");
        return;
    };
    let (verdict, word) = if expanded <= 0.5 * t {
        (Verdict::In, "enough")
    } else if expanded < t {
        (Verdict::NotProven, "narrow")
    } else {
        (Verdict::Out, "too large")
    };
    ui.horizontal(|ui| {
        style::mark_ui(ui, verdict, 11.0);
        ui.label(word);
    });
}

fn bodies_ui(ui: &mut Ui, model: &Model) {
    part_ui(ui, "Bodies, least seen first");
    let (Some(result), Some(job)) = (model.result(), model.ready()) else { return };
    egui::Grid::new("bodies").num_columns(3).min_col_width(0.0).striped(true).spacing([14.0, 4.0]).show(ui, |ui| {
        // What is hardly tied comes first: that is what the next photographs are for.
        let mut rows: Vec<(usize, String)> = result
            .bodies
            .iter()
            .map(|b| {
                let at = b.station.iter().chain(&b.roll_position).map(|s| format!(" ({s})")).collect::<String>();
                (b.photographs, format!("{}{at}", b.name))
            })
            .collect();
        let unseen = job
            .kit
            .bodies
            .iter()
            .filter(|b| !b.tags.is_empty() && !result.bodies.iter().any(|found| found.name == b.name));
        rows.extend(unseen.map(|b| (0, b.name.clone())));
        rows.sort();
        for (n, name) in rows {
            let (verdict, word) = match n {
                0 => (Verdict::Out, "not measured".to_owned()),
                1 => (Verdict::NotProven, "1 photograph: weak".to_owned()),
                n if n < FEW => (Verdict::NotProven, format!("{n} photographs: weak")),
                n => (Verdict::In, format!("{n} photographs")),
            };
            style::mark_ui(ui, verdict, 11.0);
            ui.label(name);
            ui.label(word);
            ui.end_row();
        }
    });
}
