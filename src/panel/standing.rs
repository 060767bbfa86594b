//! What the placing views show of one station, wherever it comes from: a check of photographs or a live reading.

use crate::panel::figures::Lengths;
use crate::record::NO_TOLERANCE;
use crate::record::result::{StationPart, Verdict};
use crate::verdict::rule::no_move_proves;

/// One of the six, mm or degrees.
#[derive(Clone, Debug, PartialEq)]
pub struct Figure {
    /// `distance`, `lateral`, `height`, `yaw`, `pitch`, `roll`.
    pub name: &'static str,
    /// Degrees rather than mm.
    pub angle: bool,
    /// What the procedure asks.
    pub required: f64,
    /// What was measured.
    pub measured: f64,
    /// Measured minus required.
    pub deviation: f64,
    /// Expanded uncertainty of the deviation (95 %).
    pub expanded: f64,
    /// Plus/minus; `None` where the procedure does not ask.
    pub tolerance: Option<f64>,
    /// `None` where the procedure does not ask.
    pub verdict: Option<Verdict>,
    /// The sign in words.
    pub words: String,
}

impl Figure {
    /// The deviation with its sign and unit.
    pub fn deviation_text(&self, lengths: Lengths) -> String {
        lengths.edge(self.angle).signed(self.deviation, self.expanded)
    }

    /// U with its unit.
    pub fn expanded_text(&self, lengths: Lengths) -> String {
        lengths.edge(self.angle).expanded(self.expanded)
    }

    /// The tolerance with its unit.
    pub fn tolerance_text(&self, lengths: Lengths) -> String {
        self.tolerance.map_or_else(|| "not asked".into(), |t| lengths.edge(self.angle).within(t))
    }

    /// What was required, with its unit.
    pub fn required_text(&self, lengths: Lengths) -> String {
        lengths.edge(self.angle).asked(self.required)
    }

    /// What was measured, with its unit.
    pub fn measured_text(&self, lengths: Lengths) -> String {
        lengths.edge(self.angle).measured(self.measured, self.expanded)
    }

    /// The whole line for somebody who cannot see it.
    pub fn spoken(&self, lengths: Lengths) -> String {
        let verdict = self.verdict.map_or("not asked", Verdict::words);
        format!(
            "{}: deviation {}, U {}, tolerance {}, {verdict}",
            self.name,
            self.deviation_text(lengths),
            self.expanded_text(lengths),
            self.tolerance_text(lengths)
        )
    }
}

/// One station as it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct Standing {
    /// The station's name.
    pub station: String,
    /// Worst of the six that are asked.
    pub verdict: Verdict,
    /// The six.
    pub six: [Figure; 6],
    /// Their covariance in the same order, mm and degrees.
    pub cov: [[f64; 6]; 6],
    /// What to move, in this order; millimetres in the words.
    pub moves: Vec<String>,
    /// What would prove what is not proven.
    pub remedies: Vec<String>,
}

impl Standing {
    /// From a check.
    pub fn of_check(station: &StationPart) -> Self {
        let six = station.deviations.each().map(|(name, unit, d)| Figure {
            name,
            angle: unit == "deg",
            required: d.required,
            measured: d.measured,
            deviation: d.deviation,
            expanded: d.expanded,
            tolerance: d.tolerance,
            verdict: d.verdict,
            words: d.words.clone(),
        });
        let remedies = station
            .remedies()
            .into_iter()
            .map(|(text, names)| format!("To prove {}: {text}", names.join(", ")))
            .collect();
        Self {
            station: station.name.clone(),
            verdict: station.verdict,
            six,
            cov: station.covariance_mm_deg,
            moves: station.moves.iter().map(|m| m.words.clone()).collect(),
            remedies,
        }
    }

    /// The one sentence to act on now.
    pub fn sentence(&self, lengths: Lengths) -> String {
        match (self.moves.first(), self.verdict) {
            (_, Verdict::In) => "Move nothing. Lock the stand.".into(),
            // A move smaller than what is known of the place would be a guess.
            (_, Verdict::NotProven) if self.too_coarse().is_some() => {
                format!(
                    "Measure {} better first: its U is as large as its tolerance.",
                    self.too_coarse().unwrap_or_default()
                )
            }
            (Some(first), _) => lengths.sentence(first),
            (None, _) if self.six.iter().all(|f| f.tolerance.is_none()) => NO_TOLERANCE.into(),
            (None, verdict) => verdict.nothing_to_move().replace("the lines above say", "the list says"),
        }
    }

    /// The first of the six that no move can prove: its U alone is as large as its tolerance.
    pub fn too_coarse(&self) -> Option<&'static str> {
        let coarse = |f: &&Figure| no_move_proves(f.verdict.and_then(Verdict::state), f.expanded, f.tolerance);
        self.six.iter().find(coarse).map(|f| f.name)
    }

    /// Everything in words, for somebody who cannot see the drawing.
    pub fn spoken(&self, lengths: Lengths) -> String {
        let lines: Vec<String> = self.six.iter().map(|f| f.spoken(lengths)).collect();
        format!("{}, {}. {}", self.station, self.verdict.words(), lines.join("; "))
    }
}
