//! The far view: one state, one sentence, in letters that can be read from where the stand is pushed.

use crate::panel::model::{Settings, Shown};
use crate::panel::style;
use crate::panel::watching::HoldView;
use crate::record::result::Verdict;
use crate::session::hold::Standing;
use crate::units::rad_from_arc_minutes;
use eframe::egui;
use egui::{FontId, Sense, Ui, Vec2};

/// Capital letters read well from where they subtend this angle: ISO 9241-3 as quoted in secondary texts asks for 20 to 22 minutes of arc, 16 at least.
const READ_WELL_MINUTES: f64 = 20.0;

/// From where the sentence should be readable, m.
const FAR_M: f64 = 4.0;

/// Height of a capital letter of the panel's typeface (DejaVu Sans 2.37: 1493 of 2048 units).
const CAPITAL_EM: f32 = 1493.0 / 2048.0;

/// Units of the bar whose length on the screen the user can measure.
pub const BAR_UNITS: f32 = 400.0;

/// From how far capitals of this height can be read well, m.
pub fn readable_from_m(capital_mm: f64) -> f64 {
    crate::units::m_from_mm(capital_mm) / rad_from_arc_minutes(READ_WELL_MINUTES).tan()
}

/// Height of a capital letter in mm for type of this size in points.
pub fn capital_mm(points: f32, settings: &Settings) -> f32 {
    points * settings.text_scale * CAPITAL_EM * settings.bar_mm / BAR_UNITS
}

/// What the far view says.
#[derive(Clone, Debug, PartialEq)]
pub struct FarWords {
    /// The state's shape.
    pub verdict: Verdict,
    /// Its word.
    pub state: String,
    /// The sentence.
    pub sentence: String,
    /// Smaller: which station.
    pub below: String,
    /// What is open although the state is good; empty where nothing is.
    pub open: String,
}

impl FarWords {
    /// From what placing shows. A live reading that is old is said to be: from afar nobody could see a grey.
    pub fn of(shown: Option<&Shown>) -> Self {
        match shown {
            Some(shown) if shown.old => Self {
                verdict: Verdict::NotMeasured,
                state: "NOT SEEN".into(),
                sentence: "The camera does not see the stand with its surroundings.".into(),
                below: format!("{}.", shown.standing.station),
                open: String::new(),
            },
            Some(shown) => Self {
                verdict: shown.standing.verdict,
                state: shown.standing.verdict.words().to_uppercase(),
                sentence: shown.sentence.clone(),
                below: format!("{}.", shown.standing.station),
                open: String::new(),
            },
            None => Self {
                verdict: Verdict::NotMeasured,
                state: Verdict::NotMeasured.words().to_uppercase(),
                sentence: "Nothing to read from here: the screen says why.".into(),
                below: String::new(),
                open: String::new(),
            },
        }
    }

    /// From the hold watch.
    pub fn of_hold(hold: Option<&HoldView>) -> Self {
        let say = |verdict, state: &str, sentence: String| Self {
            verdict,
            state: state.into(),
            sentence,
            below: String::new(),
            open: String::new(),
        };
        match hold {
            None => say(Verdict::NotMeasured, "NOT WATCHING", "Nobody watches whether anything moves.".into()),
            Some(hold) if hold.broken => {
                let moved: Vec<&str> =
                    hold.bodies.iter().filter(|b| b.standing == Standing::Moved).map(|b| b.name.as_str()).collect();
                say(Verdict::Out, "MOVED", format!("{}. Measure again.", moved.join(", ")))
            }
            Some(hold) if hold.blind => {
                say(Verdict::NotMeasured, "NOT SEEN", "Not everything that is watched is in view.".into())
            }
            Some(hold) => match (&hold.trouble, hold.watching_for) {
                (Some(_), _) => say(Verdict::NotMeasured, "NOT SEEN", "The camera sees too little to watch.".into()),
                (None, None) => {
                    say(Verdict::NotProven, "SETTLING", "Hands off: everything must come to rest first.".into())
                }
                (None, Some(d)) => say(Verdict::In, "NOTHING MOVED", format!("Watching for {}.", minutes(d))),
            },
        }
    }

    /// After an alarm of a hold watch that no new photographs have answered.
    pub fn moved() -> Self {
        Self {
            verdict: Verdict::Out,
            state: "MOVED".into(),
            sentence: "Something moved during the hold watch. Photograph and measure again.".into(),
            below: String::new(),
            open: String::new(),
        }
    }

    /// After a live reading that found the stand elsewhere than the photographs.
    pub fn elsewhere() -> Self {
        Self {
            state: "OLD RESULT".into(),
            sentence: "The stand has moved since. Photograph and measure again.".into(),
            ..Self::old()
        }
    }

    /// With what is open although the state is good.
    pub fn with_open(self, open: Option<String>) -> Self {
        match open {
            Some(open) if self.verdict == Verdict::In => Self { open, ..self },
            _ => self,
        }
    }

    /// Where the log of the hold watch cannot be read.
    pub fn doubt() -> Self {
        Self { sentence: "The log of the hold watch cannot be read: an alarm may stand in it.".into(), ..Self::old() }
    }

    /// Where what was measured may no longer be so: from afar nobody could see that it is old, so it is not shown at all.
    pub fn old() -> Self {
        Self {
            verdict: Verdict::NotMeasured,
            state: "OLD RESULT".into(),
            sentence: "This was an earlier check. Measure again.".into(),
            below: String::new(),
            open: String::new(),
        }
    }
}

/// "0:42", "12:05" minutes.
pub fn minutes(d: std::time::Duration) -> String {
    format!("{}:{:02} min", d.as_secs() / 60, d.as_secs() % 60)
}

/// Fills the space with the state and the sentence.
pub fn far_ui(ui: &mut Ui, words: &FarWords, settings: &Settings) {
    let (rect, response) = ui.allocate_exact_size(ui.available_size(), Sense::hover());
    let palette = style::palette(ui.visuals());
    let state = &words.state;
    let spoken = [state, ". ", &words.sentence, " ", &words.open].concat();
    response.widget_info(|| egui::WidgetInfo::labeled(egui::Role::Image, true, spoken.trim_end()));
    let painter = ui.painter_at(rect);
    painter.rect_filled(rect, 0.0, palette.ground);
    let inner = rect.shrink(18.0);
    let open_size = (0.06 * rect.height()).clamp(20.0, 48.0);
    let open = (!words.open.is_empty()).then(|| {
        painter.layout(
            words.open.clone(),
            FontId::proportional(open_size),
            palette.ink,
            inner.width() - 1.2 * open_size,
        )
    });
    let foot = 26.0 + open.as_ref().map_or(0.0, |galley| galley.size().y + 8.0);
    let room = Vec2::new(inner.width(), inner.height() - foot);
    let mut sentence = words.sentence.clone();
    let mut size = largest(&painter, &sentence, state, room);
    if readable_from_m(f64::from(capital_mm(size, settings))) < FAR_M {
        sentence = without_aside(&sentence);
        size = largest(&painter, &sentence, state, room);
    }

    let head = head_of(&painter, state, size, room.x);
    let centre = inner.left_top() + Vec2::new(0.5 * head, 0.62 * head);
    painter.add(style::mark(words.verdict, centre, 0.42 * head, &palette));
    let state_at = inner.left_top() + Vec2::new(1.25 * head, 0.0);
    painter.text(state_at, egui::Align2::LEFT_TOP, state, FontId::proportional(head), palette.ink);
    let galley = painter.layout(sentence, FontId::proportional(size), palette.ink, room.x);
    painter.galley(inner.left_top() + Vec2::new(0.0, 1.35 * head), galley, palette.ink);

    let capital = capital_mm(size, settings);
    let metres = readable_from_m(f64::from(capital));
    let sure = if settings.bar_measured {
        ""
    } else {
        ", if this screen has 96 units to the inch (settings: measure the bar)"
    };
    let below = format!("{}  Capitals {capital:.0} mm: readable from {metres:.1} m{sure}.", words.below);
    let galley = painter.layout(below, FontId::proportional(13.0), palette.ink, inner.width());
    let bottom = inner.left_bottom() - Vec2::new(0.0, galley.size().y);
    painter.galley(bottom, galley, palette.ink);
    if let Some(open) = open {
        let at = bottom - Vec2::new(0.0, 8.0 + open.size().y);
        painter.add(style::mark(Verdict::NotProven, at + Vec2::new(0.5, 0.58) * open_size, 0.4 * open_size, &palette));
        painter.galley(at + Vec2::new(1.2 * open_size, 0.0), open, palette.ink);
    }
}

/// The sentence without what stands in brackets (what an angle makes at the end of an arm).
fn without_aside(sentence: &str) -> String {
    match (sentence.find(" ("), sentence.rfind(')')) {
        (Some(from), Some(to)) if from < to => format!("{}{}", &sentence[..from], &sentence[to + 1..]),
        _ => sentence.to_owned(),
    }
}

/// Size of the state's letters: those of the sentence, or less where the line would be too long.
fn head_of(painter: &egui::Painter, state: &str, size: f32, room: f32) -> f32 {
    let galley = painter.layout_no_wrap(state.to_owned(), FontId::proportional(100.0), egui::Color32::WHITE);
    size.min(100.0 * room / (galley.size().x + 125.0))
}

/// The largest type in which the state on one line and the sentence below it fit.
fn largest(painter: &egui::Painter, sentence: &str, state: &str, room: Vec2) -> f32 {
    let fits = |size: f32| {
        let head = head_of(painter, state, size, room.x);
        let text = painter.layout(sentence.to_owned(), FontId::proportional(size), egui::Color32::WHITE, room.x);
        // A word that is wider than the space would be broken: that is not fitting.
        let widest = sentence.split_whitespace().max_by_key(|w| w.len()).unwrap_or("").to_owned();
        let word = painter.layout_no_wrap(widest, FontId::proportional(size), egui::Color32::WHITE);
        word.size().x <= room.x && text.size().y + 1.4 * head <= room.y
    };
    // Whole steps, so that the type does not tremble while a window is resized and few sizes are drawn into the glyph atlas.
    let mut size = 240.0;
    while size > 20.0 && !fits(size) {
        size *= 0.94;
    }
    size
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Capital heights from NUREG-0700 rev. 2, 1.3.1-4 (height = 6.283 D MA / 21600), worked: 23.3 mm at 4 m for 20 minutes, 11.6 mm at 2 m.
    #[test]
    fn letters_for_four_metres() {
        assert!((readable_from_m(23.27) - 4.0).abs() < 0.005);
        assert!((readable_from_m(11.64) - 2.0).abs() < 0.005);
    }

    #[test]
    fn what_an_angle_makes_at_an_arm_can_be_left_out() {
        let turn = "Turn the stand 0.46° clockwise seen from above (8 mm at the end of a 1 m arm).";
        assert_eq!(without_aside(turn), "Turn the stand 0.46° clockwise seen from above.");
        assert_eq!(without_aside("Slide the stand 3 mm."), "Slide the stand 3 mm.");
    }

    #[test]
    fn capitals_grow_with_the_type_and_the_screen() {
        let settings = Settings::default();
        // 96 units an inch: 105.8 mm for 400 units; 100 points have capitals of 72.9 units.
        assert!((capital_mm(100.0, &settings) - 72.9 * 105.8 / 400.0).abs() < 0.02);
        let large = Settings { text_scale: 2.0, ..settings };
        assert!((capital_mm(100.0, &large) / capital_mm(100.0, &settings) - 2.0).abs() < 1e-6);
    }
}
