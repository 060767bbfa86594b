//! The decision: six deviations with their uncertainty against six tolerances, what to move, and what would prove an undecided one.
//!
//! [`assess`] is the whole way from the survey's bodies to the [`Assessment`]; [`rule`] holds the decision rule, [`moves`] what to
//! move in which order, [`words`] every sentence.

pub mod assess;
pub mod model;
pub mod monte_carlo;
pub mod moves;
pub mod rule;
pub mod words;

#[cfg(test)]
mod test_bay;

pub use assess::{AssessInput, assess};
pub use moves::{Move, MoveKind};
pub use rule::State;

use crate::frames::{Pose, Target, Vehicle};
use crate::placement::Component;
use crate::uncertainty::Estimate;
use crate::vehicle::{Corner, Unmeasurable, VehicleResult};
use nalgebra::{DMatrix, Matrix6};

/// Where a share of a deviation's uncertainty comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum BudgetSource {
    /// The survey, by its own parts.
    Survey(crate::survey::Source),
    /// What the survey's covariance holds beyond its stated parts.
    SurveyRest,
    /// Tilt of the plate against this wheel.
    RunOut(Corner),
    /// How far the plate's centre sits from this wheel's axis.
    PlateCentre(Corner),
    /// Hub centre along this wheel's axis.
    StandOff(Corner),
    /// Height of all prints above the floor.
    SheetThickness,
    /// Each sheet's own height.
    FloorUneven,
    /// The floor's slope against level.
    FloorLevel,
    /// The plumb line's own tilt.
    PlumbLine,
    /// The stated wheelbase.
    Wheelbase,
    /// The datum point, or how well a body marks it.
    DatumPoint,
    /// The target's place on its stand.
    TargetPlace,
}

/// One source's share of an uncertainty: the shares' squares add up to u².
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    /// Where it comes from.
    pub source: BudgetSource,
    /// Standard uncertainty from this source alone, m or rad.
    pub u: f64,
}

/// One of the six deviations, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct Deviation {
    /// Which one.
    pub component: Component,
    /// Required value, m or rad.
    pub required: f64,
    /// Measured value, m or rad.
    pub measured: f64,
    /// Measured minus required (angles: of the rotation from the nominal attitude), with u and U, m or rad.
    pub deviation: Estimate,
    /// Tolerance, plus/minus, m or rad; `None` = not asked.
    pub tolerance: Option<f64>,
    /// The verdict; `None` = not asked.
    pub state: Option<State>,
    /// Probability that the true deviation lies within the tolerance (JCGM 106:2012, normal, two limits).
    pub conformance: Option<f64>,
    /// False where U >= tolerance: this set-up cannot show the component in tolerance, wherever the stand is.
    pub decidable: Option<bool>,
    /// The whole budget, largest share first: every source that touches any of the six. The squares add up to u².
    pub shares: Vec<Share>,
    /// The sign in words: "14 mm too far to the car's left".
    pub words: String,
    /// Only where not proven: what would prove it.
    pub remedy: Option<String>,
}

/// What a deviation means at the sensor's range.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct AtRange {
    /// [`Component::Yaw`]: a sensor aimed square to the target looks this far off; [`Component::Lateral`]: a sensor aimed at the
    /// target's centre does.
    pub component: Component,
    /// Range, m.
    pub range_m: f64,
    /// How far to the left of where it should look (m), with u and U.
    pub offset: Estimate,
}

/// One station, judged.
#[derive(Clone, Debug, PartialEq)]
pub struct StationResult {
    /// Index into the placement's stations.
    pub station: usize,
    /// Its name.
    pub name: String,
    /// Where the target stands.
    pub vehicle_from_target: Pose<Vehicle, Target>,
    /// The six, in the order of [`Component::ALL`].
    pub deviations: [Deviation; 6],
    /// Covariance of the six deviations (m, m, m, rad, rad, rad).
    pub cov: Matrix6<f64>,
    /// Worst of the six that are asked; not proven where none is.
    pub verdict: State,
    /// What to move, in this order. Empty where nothing needs moving.
    pub moves: Vec<Move>,
    /// Derivatives of the six deviations by the steps of the measured bodies' poses: 6 × 6n, in the order of the bodies.
    pub by_body_step: DMatrix<f64>,
    /// Yaw and, where the sensor's distance is known, lateral at 50 and 100 m.
    pub at_range: Vec<AtRange>,
}

/// A station that could not be judged.
#[derive(Clone, Debug, PartialEq)]
pub struct UnmeasuredStation {
    /// Index into the placement's stations.
    pub station: usize,
    /// Its name.
    pub name: String,
    /// Why.
    pub reason: Unmeasurable,
}

/// Everything the decision step has to say.
#[derive(Clone, Debug)]
pub struct Assessment {
    /// The car.
    pub vehicle: VehicleResult,
    /// The stations that could be judged.
    pub stations: Vec<StationResult>,
    /// The others.
    pub unmeasured: Vec<UnmeasuredStation>,
    /// Worst of all stations; never *in tolerance* while one is unmeasured.
    pub verdict: State,
    /// What the reader should know beside the numbers, one sentence each.
    pub notes: Vec<String>,
}
