//! What the fronts say of a result in the same words.

use crate::record::ResultFile;
use crate::record::result::{StationPart, Verdict};
use crate::verdict::State;

impl StationPart {
    /// What would prove the deviations, each remedy once with the names of all that it is for.
    pub fn remedies(&self) -> Vec<(&str, Vec<&'static str>)> {
        let mut out: Vec<(&str, Vec<&'static str>)> = Vec::new();
        for (name, _, d) in self.deviations.each() {
            let Some(remedy) = d.remedy.as_deref() else { continue };
            match out.iter_mut().find(|(known, _)| *known == remedy) {
                Some((_, names)) => names.push(name),
                None => out.push((remedy, vec![name])),
            }
        }
        out
    }
}

impl ResultFile {
    /// What is advised and does not stand behind "To prove" already.
    pub fn further_advice(&self) -> Vec<&str> {
        let said: Vec<&str> = self.stations.iter().flat_map(|s| s.remedies()).map(|(remedy, _)| remedy).collect();
        let advised = self.advice.iter().flat_map(|a| &a.deciding).map(|d| d.sentence.as_str());
        advised.filter(|text| !text.is_empty() && !said.iter().any(|s| s.contains(text))).collect()
    }
}

/// What of two things that must be the same is not, in words; `None` where it is.
pub fn differs(what: &str, here: Option<&str>, there: Option<&str>) -> Option<String> {
    let shown = |text: Option<&str>| text.map_or("nothing".to_owned(), |t| format!("\"{t}\""));
    (here != there).then(|| format!("its {what} is {}, and {} there", shown(here), shown(there)))
}

impl Verdict {
    /// The state that it says; `None` where nothing was measured.
    pub fn state(self) -> Option<State> {
        match self {
            Verdict::In => Some(State::InTolerance),
            Verdict::Out => Some(State::OutOfTolerance),
            Verdict::NotProven => Some(State::NotProven),
            Verdict::NotMeasured => None,
        }
    }

    /// The verdict as it may be said of a record: `doubted` where the record itself is not as it was recorded, `moved` where something moved, or may have moved,
    /// after the measurement.
    pub fn as_kept(self, doubted: bool, moved: bool) -> String {
        let said = if doubted { "said to be " } else { "" };
        let then = if moved && self == Verdict::In { " when measured" } else { "" };
        format!("{said}{}{then}", self.words())
    }

    /// The state whose mark stands before those words: none where the record is not as it was recorded, not proven where "in tolerance" held only when measured. An alarm
    /// says nothing against what was out of tolerance before it.
    pub fn mark_as_kept(self, doubted: bool, moved: bool) -> Verdict {
        match (doubted, moved, self) {
            (true, ..) => Verdict::NotMeasured,
            (false, true, Verdict::In) => Verdict::NotProven,
            _ => self,
        }
    }

    /// What a list of moves that is empty means: something else where nothing is proven.
    pub fn nothing_to_move(self) -> &'static str {
        match self {
            Verdict::In => "Move nothing.",
            Verdict::Out => {
                "Out of tolerance, but no move is larger than its own uncertainty: photograph and check again."
            }
            _ => "Not proven: nothing says what to move. Do not calibrate on this; do what the lines above say.",
        }
    }
}

/// What is said of a station of which nothing is asked.
pub const NO_TOLERANCE: &str =
    "The placement asks for no tolerance here, so there is no verdict: write in what the published procedure allows.";

impl StationPart {
    /// What its list of moves that is empty means.
    pub fn nothing_to_move(&self) -> &'static str {
        match self.deviations.each().iter().all(|(_, _, d)| d.tolerance.is_none()) {
            true => NO_TOLERANCE,
            false => self.verdict.nothing_to_move(),
        }
    }
}
