//! Is the car ready, and the bay? A list of items, each done, not applicable with a reason, or open.
//!
//! The items are data: a shipped list and the shop's own. What the program can measure it answers itself (`Measured`), and a person's word for
//! such an item stands beside it. Tyre pressures are compared with the placard as they were entered.

pub mod vin;

use crate::uncertainty::Estimate;
use crate::units::{kpa_from_pa, mm_from_m};

/// How the words of an item begin that lacks its note.
pub const NOTE_ASKED: &str = "A note is asked";

/// What an item is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Group {
    /// The car.
    Car,
    /// The bay.
    Bay,
    /// People's safety.
    People,
}

impl Group {
    /// All, in the order in which they are shown.
    pub const ALL: [Group; 3] = [Group::People, Group::Bay, Group::Car];

    /// Its heading.
    pub fn name(self) -> &'static str {
        match self {
            Group::Car => "car",
            Group::Bay => "bay",
            Group::People => "people",
        }
    }
}

/// What answers an item besides a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AnsweredBy {
    /// A person only.
    Person,
    /// The tyre pressures as entered, against the placard.
    Tyres,
    /// The floor as measured, against the limit that the procedure states.
    FloorLevel,
    /// The survey's tests that nothing moved.
    NothingMoved,
}

/// One thing to see to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Item {
    /// Short name, unique in a list: `doors-closed`.
    pub id: String,
    /// What it is about.
    pub group: Group,
    /// What must be so, as a sentence.
    pub text: String,
    /// Who or what answers it.
    pub answered_by: AnsweredBy,
    /// The few words that are asked beside "done" (a date, a code); `None` where none are.
    pub note_needed: Option<String>,
}

/// What a person said of an item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// Nothing yet, or that it is not so.
    Open,
    /// It is so.
    Done,
    /// It does not apply here, for this reason.
    NotApplicable(String),
}

/// A person's answer to an item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// The item's id.
    pub id: String,
    /// The answer.
    pub answer: Answer,
    /// What was written to it.
    pub note: Option<String>,
}

/// Tyre pressures, Pa above the air around.
#[derive(Clone, Debug, PartialEq)]
pub struct Tyres {
    /// As measured: front left, front right, rear left, rear right.
    pub measured_pa: [f64; 4],
    /// As the placard asks: front, rear.
    pub placard_pa: [f64; 2],
    /// How far each may be off.
    pub within_pa: f64,
}

/// The list with the answers of one job.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Readiness {
    /// The items.
    pub items: Vec<Item>,
    /// The answers of persons, at most one for each item.
    pub entries: Vec<Entry>,
    /// Tyre pressures, where they were entered.
    pub tyres: Option<Tyres>,
    /// The steepest that the floor may be between two places, m per m, where the procedure says so.
    pub floor_limit: Option<f64>,
    /// Who went through the list.
    pub checked_by: Option<String>,
    /// When, in that person's words.
    pub checked_at: Option<String>,
}

/// What the program measured.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Measured {
    /// The steepest rise between two floor sheets, m per m.
    pub steepest_floor: Option<Estimate>,
    /// True where the survey's tests found nothing that moved; `None` without a survey.
    pub nothing_moved: Option<bool>,
}

/// How an item stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// It is so.
    Done,
    /// It does not apply.
    NotApplicable,
    /// Nobody has answered it, or it is not so.
    Open,
}

impl State {
    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            State::Done => "done",
            State::NotApplicable => "not applicable",
            State::Open => "open",
        }
    }
}

/// How one item stands, and why.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    /// The item.
    pub item: Item,
    /// How it stands.
    pub state: State,
    /// True where the program's own measurement decided.
    pub measured: bool,
    /// What there is to say: the note, the reason, what was measured, what is missing.
    pub words: String,
}

impl Readiness {
    /// Every item with how it stands, in the order of the groups and of the list.
    pub fn lines(&self, measured: &Measured) -> Vec<Line> {
        let line = |item: &Item| {
            let entry = self.entries.iter().find(|e| e.id == item.id);
            let (state, by_program, words) = self.stands(item, entry, measured);
            Line { item: item.clone(), state, measured: by_program, words }
        };
        let of = |group: Group| self.items.iter().filter(move |i| i.group == group).map(line);
        Group::ALL.into_iter().flat_map(of).collect()
    }

    fn stands(&self, item: &Item, entry: Option<&Entry>, measured: &Measured) -> (State, bool, String) {
        let note = entry.and_then(|e| e.note.clone()).unwrap_or_default();
        if let Some(Answer::NotApplicable(reason)) = entry.map(|e| &e.answer) {
            return (State::NotApplicable, false, reason.clone());
        }
        // What was measured outweighs what somebody says of it.
        if let Some((good, words)) = self.found(item.answered_by, measured) {
            let state = if good { State::Done } else { State::Open };
            return (state, true, if note.is_empty() { words } else { format!("{words} Note: {note}") });
        }
        match entry.map(|e| &e.answer) {
            Some(Answer::Done) => match &item.note_needed {
                Some(asked) if note.is_empty() => (State::Open, false, format!("{NOTE_ASKED}: {asked}.")),
                _ => (State::Done, false, note),
            },
            _ => (State::Open, false, note),
        }
    }

    /// What the program itself has to say of an item; `None` where it does not know.
    fn found(&self, by: AnsweredBy, measured: &Measured) -> Option<(bool, String)> {
        match by {
            AnsweredBy::Person => None,
            AnsweredBy::Tyres => self.tyres.as_ref().map(Tyres::compared),
            AnsweredBy::NothingMoved => measured.nothing_moved.map(|still| match still {
                true => (true, "The survey's tests found nothing that moved.".into()),
                false => (false, "The survey found that something moved: see its integrity tests.".into()),
            }),
            AnsweredBy::FloorLevel => {
                let steepest = measured.steepest_floor?;
                let (rise, u) = (mm_from_m(steepest.value.abs()), mm_from_m(steepest.expanded));
                let found = format!("Steepest between two floor sheets: {rise:.1} mm/m (U {u:.1} mm/m).");
                let limit = mm_from_m(self.floor_limit?);
                Some(match rise + u <= limit {
                    true => (true, format!("{found} Allowed: {limit:.1} mm/m.")),
                    false => (false, format!("{found} Allowed: {limit:.1} mm/m, so it is not shown to be level.")),
                })
            }
        }
    }
}

/// True where nothing is open.
pub fn complete(lines: &[Line]) -> bool {
    lines.iter().all(|l| l.state != State::Open)
}

impl Tyres {
    /// Whether all are as the placard asks, in words.
    fn compared(&self) -> (bool, String) {
        const NAMES: [&str; 4] = ["front left", "front right", "rear left", "rear right"];
        let off: Vec<String> = (0..4)
            .filter_map(|k| {
                let difference = self.measured_pa[k] - self.placard_pa[k / 2];
                let side = if difference > 0.0 { "above" } else { "below" };
                (difference.abs() > self.within_pa)
                    .then(|| format!("{} {:.0} kPa {side} the placard", NAMES[k], kpa_from_pa(difference.abs())))
            })
            .collect();
        match off.is_empty() {
            true => (true, format!("All within {:.0} kPa of the placard.", kpa_from_pa(self.within_pa))),
            false => (false, format!("{}: set the pressures, cold.", off.join(", "))),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn item(id: &str, group: Group, answered_by: AnsweredBy) -> Item {
        Item {
            id: id.into(),
            group,
            text: format!("{id}."),
            answered_by,
            note_needed: id.ends_with('!').then(|| "the date".into()),
        }
    }

    fn list() -> Readiness {
        Readiness {
            items: vec![
                item("tyres", Group::Car, AnsweredBy::Tyres),
                item("date!", Group::Car, AnsweredBy::Person),
                item("level", Group::Bay, AnsweredBy::FloorLevel),
                item("still", Group::Bay, AnsweredBy::NothingMoved),
                item("chocks", Group::People, AnsweredBy::Person),
            ],
            ..Readiness::default()
        }
    }

    fn say(r: &mut Readiness, id: &str, answer: Answer, note: Option<&str>) {
        r.entries.retain(|e| e.id != id);
        r.entries.push(Entry { id: id.into(), answer, note: note.map(str::to_owned) });
    }

    fn state(r: &Readiness, measured: &Measured, id: &str) -> (State, bool) {
        let lines = r.lines(measured);
        let line = lines.iter().find(|l| l.item.id == id).unwrap();
        (line.state, line.measured)
    }

    #[test]
    fn nothing_said_is_open_and_people_come_first() {
        let lines = list().lines(&Measured::default());
        assert_eq!(lines.len(), 5);
        assert_eq!(lines[0].item.id, "chocks");
        assert!(lines.iter().all(|l| l.state == State::Open) && !complete(&lines));
    }

    #[test]
    fn a_note_that_is_needed_is_asked_for() {
        let mut r = list();
        say(&mut r, "date!", Answer::Done, None);
        assert_eq!(state(&r, &Measured::default(), "date!"), (State::Open, false));
        say(&mut r, "date!", Answer::Done, Some("2026-03-01, rear toe set"));
        assert_eq!(state(&r, &Measured::default(), "date!"), (State::Done, false));
    }

    #[test]
    fn what_was_measured_outweighs_what_was_said() {
        let mut r = list();
        say(&mut r, "still", Answer::Done, None);
        say(&mut r, "level", Answer::Done, None);
        let moved = Measured { nothing_moved: Some(false), ..Measured::default() };
        assert_eq!(state(&r, &moved, "still"), (State::Open, true));
        // Without a limit the floor's figure decides nothing: a person's word stands.
        let floor =
            |rise: f64| Measured { steepest_floor: Some(Estimate::new(rise, 0.0002)), nothing_moved: Some(true) };
        assert_eq!(state(&r, &floor(0.002), "level"), (State::Done, false));
        r.floor_limit = Some(0.003);
        assert_eq!(state(&r, &floor(0.002), "level"), (State::Done, true));
        // 2.8 mm/m with U 0.4 mm/m is not shown to keep 3 mm/m.
        assert_eq!(state(&r, &floor(0.0028), "level"), (State::Open, true));
        // Not applicable stays so.
        say(&mut r, "level", Answer::NotApplicable("as the procedure says".into()), None);
        assert_eq!(state(&r, &floor(0.0028), "level"), (State::NotApplicable, false));
    }

    #[test]
    fn tyres_are_compared_with_their_axle() {
        let mut r = list();
        let tyres = |rear_right: f64| Tyres {
            measured_pa: [230e3, 232e3, 250e3, rear_right],
            placard_pa: [230e3, 250e3],
            within_pa: 10e3,
        };
        r.tyres = Some(tyres(241e3));
        assert_eq!(state(&r, &Measured::default(), "tyres"), (State::Done, true));
        r.tyres = Some(tyres(239e3));
        let lines = r.lines(&Measured::default());
        let line = lines.iter().find(|l| l.item.id == "tyres").unwrap();
        assert_eq!(line.state, State::Open);
        assert!(line.words.contains("rear right 11 kPa below"), "{}", line.words);
    }
}
