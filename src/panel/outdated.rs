//! What speaks against the photographs' verdict although no file changed: a later live reading that found the stand elsewhere, and alarms of the hold watch.
//! It stays until the job has other photographs, also where the program ends meanwhile: the log of the hold watch keeps it.

use crate::panel::figures::Lengths;
use crate::panel::live::LiveView;
use crate::panel::standing::{Figure, Standing};
use crate::session::hold::Against;
use crate::session::live::{ELSEWHERE_IN_A_ROW, elsewhere_words};

/// A live reading that found the stand elsewhere.
#[derive(Clone, Debug, PartialEq)]
pub struct Elsewhere {
    /// Time of day, where it is known.
    clock: String,
    /// The one of the six that differs most, as the photographs had it.
    before: Figure,
    /// As the reading had it.
    now: Figure,
}

impl Elsewhere {
    /// What was found.
    fn found(&self, lengths: Lengths, at: &str) -> String {
        let one = |f: &Figure| format!("{} {}", f.deviation_text(lengths), f.expanded_text(lengths));
        format!("A live reading{at} {}", elsewhere_words(self.now.name, &one(&self.now), &one(&self.before)))
    }

    /// Why the photographs no longer count, and what to do.
    pub fn words(&self, lengths: Lengths) -> String {
        let at = if self.clock.is_empty() { String::new() } else { format!(" at {}", self.clock) };
        format!("{} Take the photographs again.", self.found(lengths, &at))
    }
}

/// What is to be noted in the log beside the job, so that it is known at the next start.
#[derive(Clone, Debug, PartialEq)]
pub struct Note {
    /// Marks of the photographs that it speaks against.
    pub marks: Vec<String>,
    /// What was found; millimetres in the words.
    pub sentence: String,
}

/// All that speaks against them.
#[derive(Clone, Debug, Default)]
pub struct Outdated {
    /// The reading that settled it.
    elsewhere: Option<Elsewhere>,
    /// What the log was told of it last, and whether it is to be told again.
    noted: Option<Elsewhere>,
    to_note: bool,
    /// Why it could not be put there.
    not_noted: Option<String>,
    /// The newest reading, when it was, which of the six contradicts the photographs as they have it, and how many in a row do.
    newest: Option<(Standing, String, Option<Figure>)>,
    row: usize,
    /// A camera on the stand learned where it sits while the stand was no longer where it was photographed: what it says counts from there.
    learned_elsewhere: bool,
    /// The log of hold watches before the running one.
    before: Against,
    /// Alarms of the running watch, and the newest of them.
    running: (usize, Option<String>),
    /// Marks of the photographs; those from before the reading that found the stand elsewhere.
    marks: Vec<String>,
    /// Marks of those in the job now.
    now: Vec<String>,
}

impl Outdated {
    /// Takes a view of the live reading in. `replay`: its pictures are of once, and say nothing of where the stand is now.
    pub(super) fn see(&mut self, view: &LiveView, replay: bool) {
        if let Some(hold) = &view.hold {
            let alarms: Vec<&String> = hold.news.iter().filter(|(alarm, _)| *alarm).map(|(_, words)| words).collect();
            self.running = (alarms.len(), alarms.last().map(|words| (*words).clone()));
        }
        let Some(now) = view.standing.as_ref().filter(|_| !view.stale && !replay) else { return };
        // The same reading shown again is no second one.
        if self.newest.as_ref().is_some_and(|(before, _, _)| before == now) {
            return;
        }
        self.newest = Some((now.clone(), view.clock.clone(), view.surveyed.clone()));
        let found = self.found();
        self.row = if found.is_some() { self.row + 1 } else { 0 };
        if self.row >= ELSEWHERE_IN_A_ROW {
            self.settle(found, self.row == ELSEWHERE_IN_A_ROW);
        }
    }

    /// Takes a reading that contradicts as what counts. Noted are the first of a live reading, at once, and its last word.
    fn settle(&mut self, found: Option<Elsewhere>, note: bool) {
        self.elsewhere = found.or(self.elsewhere.take());
        self.to_note |= note && self.elsewhere.is_some() && self.noted != self.elsewhere;
    }

    /// What is to be noted now; once.
    pub(super) fn note(&mut self) -> Option<Note> {
        let found = self.elsewhere.as_ref().filter(|_| std::mem::take(&mut self.to_note))?;
        self.noted = Some(found.clone());
        let sentence = found.found(Lengths::Millimetres, "");
        Some(Note { marks: self.now.clone(), sentence })
    }

    /// It could not be noted.
    pub(super) fn not_noted(&mut self, why: String) {
        self.not_noted = Some(why);
    }

    /// The live reading ended: its last word counts by itself.
    pub(super) fn live_ended(&mut self) {
        self.settle(self.found(), true);
        self.learned_elsewhere = false;
        self.newest = None;
        self.row = 0;
    }

    /// What the newest reading has against the photographs.
    fn found(&self) -> Option<Elsewhere> {
        let (now, clock, before) = self.newest.as_ref()?;
        let before = before.as_ref()?;
        let now = now.six.iter().find(|figure| figure.name == before.name)?;
        Some(Elsewhere { clock: clock.clone(), before: before.clone(), now: now.clone() })
    }

    /// A live reading begins; what the last one found stays. `riding`: a camera sits on the stand.
    pub(super) fn live_begins(&mut self, riding: bool) {
        self.live_ended();
        self.learned_elsewhere = riding && self.is_elsewhere();
        self.before.alarms += self.running.0;
        let newest = std::mem::take(&mut self.running).1;
        self.before.newest = newest.or(self.before.newest.take());
    }

    /// The job was read; true where it has other photographs, none of those from before.
    pub(super) fn opened(&mut self, log: Against, marks: Vec<String>, live: bool) -> bool {
        let others = !marks.is_empty() && !self.marks.is_empty() && !marks.iter().any(|m| self.marks.contains(m));
        if others {
            *self = Self::default();
        }
        // The running watch's own alarms are in the log as well.
        let own = if live { self.running.0 } else { 0 };
        if !live {
            self.running = (0, None);
        }
        self.before = Against { alarms: log.alarms.saturating_sub(own), ..log };
        self.now.clone_from(&marks);
        if !marks.is_empty() && self.elsewhere.is_none() {
            self.marks = marks;
        }
        others
    }

    /// Alarms of the hold watch that new photographs have not answered.
    pub fn alarms(&self) -> usize {
        self.before.alarms + self.running.0
    }

    /// Why more may stand in the log of the hold watch than was read.
    pub fn doubt(&self) -> Option<&str> {
        self.before.doubt.as_deref()
    }

    /// True where something other than the stand may have moved: no live reading counts from it any more.
    pub fn doubts_the_bay(&self) -> bool {
        self.learned_elsewhere || self.running.0 > 0 || self.before.doubts_the_bay()
    }

    /// The newest alarm in words.
    pub fn alarm(&self) -> Option<&str> {
        self.running.1.as_deref().or(self.before.newest.as_deref()).filter(|_| self.alarms() > 0)
    }

    /// True where the photographs' verdict no longer holds.
    pub fn is(&self) -> bool {
        self.running.0 > 0 || self.before.speaks() || self.is_elsewhere()
    }

    /// True where a live reading found the stand elsewhere, now or before the program was started.
    pub fn is_elsewhere(&self) -> bool {
        self.elsewhere.is_some() || self.before.elsewhere.is_some()
    }

    /// That reading in words, and what to do.
    fn elsewhere_words(&self, lengths: Lengths) -> Option<String> {
        let found = match (&self.elsewhere, &self.before.elsewhere) {
            (Some(found), _) => found.words(lengths),
            (None, Some(logged)) => format!("{} Take the photographs again.", lengths.sentence(logged)),
            (None, None) => return None,
        };
        let not_noted = self.not_noted.as_ref().map(|why| {
            format!(
                " This could not be noted in the job folder, so that it is forgotten when the window is closed. {why}"
            )
        });
        Some(found + &not_noted.unwrap_or_default())
    }

    /// In a word or two, for the head of a place.
    pub fn short(&self) -> Option<&'static str> {
        match (self.alarms(), self.is_elsewhere()) {
            (0, _) if self.before.doubt.is_some() => Some("hold log unreadable"),
            (0, false) => None,
            (0, true) => Some("old: stand elsewhere"),
            _ => Some("moved during hold"),
        }
    }

    /// Why, and what to do.
    pub fn why(&self, lengths: Lengths) -> Option<String> {
        match self.alarm() {
            None if self.alarms() == 0 => {
                let doubt = self.before.doubt.as_ref();
                let doubt = doubt.map(|doubt| {
                    format!("{doubt} Look into hold.jsonl in the job folder, and take the photographs again.")
                });
                let both: Vec<String> = doubt.into_iter().chain(self.elsewhere_words(lengths)).collect();
                (!both.is_empty()).then(|| both.join(" "))
            }
            None => Some("Something moved during the hold watch. Take the photographs again.".into()),
            Some(alarm) => {
                Some(format!("Moved during the hold watch. {} Take the photographs again.", lengths.sentence(alarm)))
            }
        }
    }
}
