//! The keyboard: every key the panel knows, what it does, and the words the help shows. One table for both.

use crate::panel::keeping::RecordCommand;
use crate::panel::live::LiveState;
use crate::panel::model::{Command, Model, Place, Settings};
use eframe::egui;
use egui::{Key, Modifiers};

/// A step of the text's size.
const STEP: f32 = 1.1;

/// What a key does to the model; `None` where it means nothing there.
type Act = fn(&Model) -> Option<Command>;

/// One line of the help.
pub struct Shortcut {
    /// As printed in the help.
    pub shown: &'static str,
    /// What it does.
    pub does: &'static str,
    keys: &'static [Key],
    act: Act,
}

fn go(place: Place) -> Option<Command> {
    Some(Command::Go(place))
}

fn set(model: &Model, change: impl FnOnce(&mut Settings)) -> Option<Command> {
    let mut settings = model.settings;
    change(&mut settings);
    Some(Command::Set(settings))
}

/// All of them.
pub const SHORTCUTS: [Shortcut; 20] = [
    Shortcut { shown: "1", does: "Bay and car", keys: &[Key::Num1], act: |_| go(Place::Bay) },
    Shortcut { shown: "2", does: "Photographs", keys: &[Key::Num2], act: |_| go(Place::Photographs) },
    Shortcut { shown: "3", does: "Placing", keys: &[Key::Num3], act: |_| go(Place::Placing) },
    Shortcut { shown: "4", does: "Hold", keys: &[Key::Num4], act: |_| go(Place::Hold) },
    Shortcut { shown: "5", does: "Record", keys: &[Key::Num5], act: |_| go(Place::Record) },
    Shortcut { shown: "M", does: "Measure and check", keys: &[Key::M], act: |_| Some(Command::Check) },
    Shortcut { shown: "F", does: "Far view on and off", keys: &[Key::F], act: |m| Some(Command::Far(!m.far)) },
    Shortcut {
        shown: "H",
        does: "Hold watch, on and off",
        keys: &[Key::H],
        act: |m| Some(Command::Hold(!(m.holding && matches!(m.live, LiveState::Preparing(_) | LiveState::On(_))))),
    },
    Shortcut {
        shown: "C",
        does: "Live reading from the camera, on and off",
        keys: &[Key::C],
        act: |m| Some(Command::Live(!matches!(m.live, LiveState::Preparing(_) | LiveState::On(_)))),
    },
    Shortcut { shown: "S", does: "Next station", keys: &[Key::S], act: |_| Some(Command::Station(1)) },
    Shortcut { shown: "N", does: "Next photograph", keys: &[Key::N], act: |_| Some(Command::Photograph(1)) },
    Shortcut { shown: "B", does: "Photograph before", keys: &[Key::B], act: |_| Some(Command::Photograph(-1)) },
    Shortcut { shown: "P", does: "Plan or picture", keys: &[Key::P], act: |m| Some(Command::ShowPlan(!m.show_plan)) },
    Shortcut {
        shown: "K",
        does: "Keep a record, once the form is filled in",
        keys: &[Key::K],
        act: |m| (m.place == Place::Record).then_some(Command::Record(RecordCommand::Keep)),
    },
    Shortcut {
        shown: "L",
        does: "Light, dark, or as the system",
        keys: &[Key::L],
        act: |m| set(m, |s| s.look = s.look.next()),
    },
    Shortcut {
        shown: "U",
        does: "Millimetres or inches",
        keys: &[Key::U],
        act: |m| set(m, |s| s.lengths = s.lengths.other()),
    },
    Shortcut { shown: "+", does: "Larger", keys: &[Key::Plus, Key::Equals], act: |m| set(m, |s| s.text_scale *= STEP) },
    Shortcut { shown: "-", does: "Smaller", keys: &[Key::Minus], act: |m| set(m, |s| s.text_scale /= STEP) },
    Shortcut {
        shown: "F1 or ?",
        does: "This help",
        keys: &[Key::F1, Key::Questionmark],
        act: |m| Some(Command::Help(!m.help)),
    },
    Shortcut {
        shown: "Esc",
        does: "Close what is open, leave the far view, stop a running check",
        keys: &[Key::Escape],
        act: escape,
    },
];

/// Keys that egui itself knows, for the help.
pub const OF_THE_WINDOW: [(&str, &str); 3] = [
    ("Tab, Shift+Tab", "Next and previous button or field"),
    ("Enter or Space", "Press it"),
    ("Page up, page down", "Scroll"),
];

fn escape(model: &Model) -> Option<Command> {
    if model.help {
        Some(Command::Help(false))
    } else if model.settings_open {
        Some(Command::ShowSettings(false))
    } else if model.far {
        Some(Command::Far(false))
    } else {
        model.work.map(|_| Command::Stop)
    }
}

/// The commands of the keys pressed since the last picture. While somebody types into a field only F1 and Esc count.
pub fn pressed(ctx: &egui::Context, model: &Model) -> Vec<Command> {
    let typing = ctx.text_edit_focused();
    ctx.input_mut(|input| {
        let mut out = Vec::new();
        for shortcut in &SHORTCUTS {
            for key in shortcut.keys {
                if typing && !matches!(key, Key::F1 | Key::Escape) {
                    continue;
                }
                // A shifted key is the same key here: "?" and "+" need Shift on many keyboards.
                if input.consume_key(Modifiers::NONE, *key) || input.consume_key(Modifiers::SHIFT, *key) {
                    out.extend((shortcut.act)(model));
                }
            }
        }
        out
    })
}
