//! Placing: where the stand is, how sure that is, what to move; from the last check, or live from a camera.

use crate::panel::bay_view::{Shown as ShownInBay, bay_ui};
use crate::panel::figures::Lengths;
use crate::panel::live::{LiveState, LiveView};
use crate::panel::model::{Command, Model, Place, Shown};
use crate::panel::picture_view::Screens;
use crate::panel::places::camera::camera_ui;
use crate::panel::places::{beside_ui, check_ui, empty_ui, line_ui, not_measured_ui, origin_ui, part_ui};
use crate::panel::stake::View;
use crate::panel::style::{self, SENTENCE};
use crate::panel::table::six_ui;
use crate::panel::window_view::window_ui;
use crate::record::result::{CAUTION, Verdict};
use crate::verdict::words::capital;
use eframe::egui;
use egui::{RichText, ScrollArea, Ui, Vec2};

/// Draws the place.
pub fn placing_place(ui: &mut Ui, model: &Model, screens: &mut Screens, out: &mut Vec<Command>) {
    ScrollArea::vertical().auto_shrink(false).show(ui, |ui| {
        camera_ui(ui, model, false, out);
        let live = matches!(model.live, LiveState::Preparing(_) | LiveState::On(_));
        if !live || model.later.doubts_the_bay() {
            origin_ui(ui, model);
        }
        if !live && not_measured_ui(ui, model) {
            check_ui(ui, model, out);
            return;
        }
        match model.shown() {
            Some(shown) => shown_ui(ui, model, &shown, screens, out),
            None => nothing_ui(ui, model, screens, out),
        }
        ui.add_space(6.0);
        ui.label(RichText::new(CAUTION).small());
    });
}

/// Nothing to show a number from: why, and the picture where there is one.
fn nothing_ui(ui: &mut Ui, model: &Model, screens: &mut Screens, out: &mut Vec<Command>) {
    match model.live_view() {
        Some(view) => {
            trouble_ui(ui, view);
            picture_ui(ui, view, screens, ui.available_height().max(240.0));
        }
        None => {
            empty_ui(
                ui,
                "Nothing is measured yet",
                &[
                    "Here you will see where the stand is against the placement that the procedure asks for: a window to scale, the stand's 95 % ellipse in it, and one move at a time.",
                    "First measure: the six numbers come from all photographs together.",
                    "Then, with a camera that sees the stand and floor sheets, follow the stand live while it is pushed.",
                ],
            );
            check_ui(ui, model, out);
        }
    }
}

fn shown_ui(ui: &mut Ui, model: &Model, shown: &Shown, screens: &mut Screens, out: &mut Vec<Command>) {
    head_ui(ui, model, shown, out);
    let lengths = model.settings.lengths;
    let windows = |ui: &mut Ui, size: Vec2| {
        for view in [View::Above, View::Side] {
            ui.scope(|ui| {
                if shown.old {
                    ui.multiply_opacity(0.5);
                }
                window_ui(ui, &shown.standing, view, size, lengths);
            });
        }
    };
    if ui.available_width() <= 900.0 {
        numbers_ui(ui, model, shown);
        let side = 0.5 * (ui.available_width() - 10.0);
        ui.horizontal(|ui| windows(ui, Vec2::new(side, 0.9 * side)));
        if let Some(view) = model.live_view() {
            picture_ui(ui, view, screens, 0.6 * ui.available_width());
        }
        return;
    }
    let side = (0.42 * ui.available_width()).min(520.0);
    let tall = (ui.clip_rect().height() - 190.0).max(380.0);
    let share = side / ui.available_width();
    let drawings = |ui: &mut Ui| {
        let wide = ui.available_width();
        match model.live_view() {
            Some(view) => {
                picture_ui(ui, view, screens, (0.58 * tall).min(0.62 * wide));
                let half = 0.5 * (wide - 8.0);
                ui.horizontal(|ui| windows(ui, Vec2::new(half, half.min(0.44 * tall))));
            }
            None => windows(ui, Vec2::new(wide, (0.5 * tall).min(0.8 * wide))),
        }
    };
    let numbers = |ui: &mut Ui| {
        let top = ui.cursor().top();
        numbers_ui(ui, model, shown);
        // The bay itself where there is room left for it.
        let left = tall - (ui.cursor().top() - top);
        if let Some(plan) = model.plan().filter(|_| left > 170.0) {
            ui.allocate_ui(Vec2::new(ui.available_width(), left), |ui| {
                ui.set_max_height(left);
                // It shows the stand where the photographs had it, also while the reading goes on.
                let (station, old) = (Some(shown.standing.station.as_str()), model.outdated());
                bay_ui(ui, plan, ShownInBay { station, old, ..ShownInBay::default() });
            });
        }
    };
    beside_ui(ui, 0.0, share, drawings, numbers);
}

/// State, the one sentence, and what can be done from here.
fn head_ui(ui: &mut Ui, model: &Model, shown: &Shown, out: &mut Vec<Command>) {
    ui.horizontal_wrapped(|ui| {
        if shown.old {
            style::mark_ui(ui, Verdict::NotMeasured, 18.0);
            ui.label(RichText::new(format!("old: {}", shown.standing.verdict.words())).size(22.0).weak());
        } else {
            style::verdict_ui(ui, shown.standing.verdict, 22.0);
        }
        ui.label(RichText::new(&shown.standing.station).size(18.0));
        if model.stations() > 1 {
            if ui.add(egui::Button::new("Next station").shortcut_text("S")).clicked() {
                out.push(Command::Station(1));
            }
            ui.label(format!("{} of {}", model.station + 1, model.stations()));
        }
        if ui.add(egui::Button::new("Far view").shortcut_text("F")).clicked() {
            out.push(Command::Far(true));
        }
        check_ui(ui, model, out);
    });
    if let Some(view) = model.live_view() {
        trouble_ui(ui, view);
        let age = if view.stale {
            format!("old: {:.1} s, shown greyed", view.age.as_secs_f64())
        } else {
            let pictures =
                if view.frames == 1 { "one picture".to_owned() } else { format!("{} pictures averaged", view.frames) };
            format!("{}, {pictures}", view.motion)
        };
        ui.label(format!("Live. {}", capital(&age)));
    }
    let text = RichText::new(&shown.sentence).size(SENTENCE);
    ui.label(if shown.old { text.weak() } else { text.strong() });
    // A stand that is right is not all that is asked; one that is being pushed needs the room.
    if !shown.old
        && shown.standing.verdict == Verdict::In
        && let Some(open) = model.still_open()
    {
        ui.horizontal_wrapped(|ui| {
            style::mark_ui(ui, Verdict::NotProven, 13.0);
            ui.label(open);
            if ui.small_button("Show them").clicked() {
                out.push(Command::Go(Place::Bay));
            }
        });
    }
    ui.add_space(2.0);
}

/// Why the newest picture gives nothing.
fn trouble_ui(ui: &mut Ui, view: &LiveView) {
    if let Some(trouble) = &view.trouble {
        line_ui(
            ui,
            |ui| style::mark_ui(ui, Verdict::NotProven, 13.0),
            |ui| {
                ui.label(trouble);
            },
        );
    }
}

fn picture_ui(ui: &mut Ui, view: &LiveView, screens: &mut Screens, height: f32) {
    let pictures = view.pictures();
    if pictures.is_empty() {
        ui.label("No picture yet.");
        return;
    }
    screens.pictures_ui(ui, &pictures, height);
}

fn numbers_ui(ui: &mut Ui, model: &Model, shown: &Shown) {
    let lengths = model.settings.lengths;
    let standing = &shown.standing;
    six_ui(ui, standing, lengths, shown.old);
    if !standing.moves.is_empty() {
        // A move proves nothing where U alone is as large as the tolerance.
        if standing.too_coarse().is_some() {
            ui.label("First measure better what is not proven: until then no move can prove the stand in tolerance.");
            part_ui(ui, "As far as is known now, in this order");
        } else {
            part_ui(ui, "Move, in this order");
        }
        for (k, words) in standing.moves.iter().enumerate() {
            let number = |ui: &mut Ui| {
                ui.label(format!("{}.", k + 1));
            };
            line_ui(ui, number, |ui| {
                ui.label(lengths.sentence(words));
            });
        }
        let after = if shown.live { "" } else { " After moving, photograph and measure again." };
        ui.label(format!(
            "Levelling and turning come first: they displace the target, and the slides that follow make up for it.{after}"
        ));
    }
    for figure in standing.six.iter().filter(|f| f.verdict.is_some_and(|v| v != Verdict::In)) {
        ui.label(format!("{}: {}", capital(figure.name), lengths.sentence(&figure.words)));
    }
    if !standing.remedies.is_empty() {
        part_ui(ui, "To prove what is not proven");
        for remedy in &standing.remedies {
            ui.label(lengths.sentence(remedy));
        }
    }
    if let Some(view) = model.live_view() {
        live_ui(ui, view, lengths);
    }
}

/// What the camera sees, and what happened.
fn live_ui(ui: &mut Ui, view: &LiveView, lengths: Lengths) {
    part_ui(ui, "In the picture");
    let used: Vec<String> = view
        .bodies
        .iter()
        .map(|b| format!("{} ({})", b.name, if b.used == 1 { "1 tag".into() } else { format!("{} tags", b.used) }))
        .collect();
    ui.label(if used.is_empty() { "nothing that was surveyed".to_owned() } else { used.join(", ") });
    for body in view.bodies.iter().filter(|b| b.rejected > 0) {
        ui.label(format!("{}: {} of its tags contradict the others", body.name, body.rejected));
    }
    for line in view.happenings.iter().rev() {
        ui.label(RichText::new(lengths.sentence(line)).small());
    }
}
