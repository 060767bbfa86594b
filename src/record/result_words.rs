//! What the fronts say of a result in the same words.

use crate::record::result::{StationPart, Verdict};

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

impl Verdict {
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
