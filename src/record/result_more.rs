//! The parts of the result file that say how well it is known and how it could be known better: advice, Monte Carlo, places of tags.

use crate::record::result::SixPart;
use serde::{Deserialize, Serialize};

/// What would decide what is left open.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AdvicePart {
    /// Name of the station it is about.
    pub station: String,
    /// The deviations that decide.
    pub deciding: Vec<DecidingPart>,
    /// The photographs that would help most, best first, each with those before it taken; empty where none helps.
    pub viewpoints: Vec<ViewpointPart>,
    /// How many ways to take a photograph were compared.
    pub compared: usize,
}

/// A deviation that decides; every U is the expanded uncertainty (95 %) in `unit`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DecidingPart {
    /// Its name.
    pub component: String,
    /// `mm` or `deg`.
    pub unit: String,
    /// U as it is.
    pub expanded_now: f64,
    /// Largest U that would decide the deviation as it was measured; `null` where it is decided.
    pub expanded_needed: Option<f64>,
    /// U with the advised photographs.
    pub expanded_with_photographs: f64,
    /// About the least U that any number of photographs like them could reach.
    pub expanded_at_best: f64,
    /// False where the advised photographs change little.
    pub photographs_help: bool,
    /// Declared things that could be measured better, largest share first.
    pub better: Vec<BetterPart>,
    /// Where U would prove it and too little checks it: the largest error that a fault could make and not be found, in `unit`; `null` elsewhere.
    pub could_hide: Option<f64>,
    /// The same with the advised photographs.
    pub could_hide_with_photographs: Option<f64>,
    /// What to do, in words; empty where the test that failed says it.
    pub sentence: String,
}

/// A declared thing that could be measured better.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BetterPart {
    /// What.
    pub what: String,
    /// Its share of the variance, percent.
    pub percent_of_variance: f64,
    /// U if it were known twice as well (at most, where the survey shares it out anew).
    pub expanded_if_half: f64,
    /// U if it were known exactly (likewise).
    pub expanded_if_exact: f64,
    /// What to do.
    pub remedy: String,
}

/// One more photograph.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ViewpointPart {
    /// Where to stand, in words.
    pub words: String,
    /// Where the camera is, in the vehicle frame.
    pub camera_mm: [f64; 3],
    /// Where it looks, in the vehicle frame, length 1.
    pub looking: [f64; 3],
    /// True where the camera is held upright.
    pub upright: bool,
    /// The bodies that must be in the picture.
    pub needed: Vec<String>,
    /// The others that it is expected to show.
    pub also: Vec<String>,
    /// Ids of the tags that it is expected to show.
    pub tags: Vec<u16>,
    /// U of the six deviations with this photograph and those before it.
    pub expanded: SixPart<f64>,
}

/// Monte Carlo against the first order.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MonteCarloPart {
    /// Surveys drawn, each with everything that is declared.
    pub trials: usize,
    /// Draws that gave no measurement.
    pub failed: usize,
    /// True where the observations were drawn and adjusted again; false where the survey's covariance was drawn (with a pointer).
    pub survey_redrawn: bool,
    /// Cheap trials of the first order, which the ends are counted from.
    pub cheap_trials: usize,
    /// The stations.
    pub stations: Vec<MonteCarloStationPart>,
}

/// One station.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MonteCarloStationPart {
    /// Its name.
    pub name: String,
    /// The six deviations.
    pub deviations: SixPart<MonteCarloValuePart>,
}

/// One deviation; every number in the unit of the name it stands under.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MonteCarloValuePart {
    /// Lower end by the first order: deviation − U.
    pub first_order_low: f64,
    /// Upper end: deviation + U.
    pub first_order_high: f64,
    /// Its standard uncertainty.
    pub first_order_u: f64,
    /// Mean of the trials.
    pub mean: f64,
    /// Their standard deviation.
    pub u: f64,
    /// Lower end of the symmetric 95 % interval.
    pub low: f64,
    /// Its upper end.
    pub high: f64,
    /// How well the ends stand (95 %).
    pub numerical: f64,
    /// Larger of the two differences between the ends.
    pub apart: f64,
    /// Half a unit of the second significant digit of u: more than this apart is not validated (JCGM 101, 8).
    pub tolerance: f64,
    /// `agrees`, `U is larger`, `U is too small`, or `open` where more trials are needed to say.
    pub agreement: String,
}

/// Where a tag sits on its body against its declared place, as the other tags of the body show it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct TagPlacePart {
    /// The body.
    pub body: String,
    /// The tag's id.
    pub tag: u16,
    /// How far its centre is from where it is declared, along the body's axes.
    pub shift_mm: [f64; 3],
    /// Standard uncertainties.
    pub u_shift_mm: [f64; 3],
}
