//! The result of a check as it is written to `result.json`: everything a reader needs, in mm and degrees, the unit in every name.
//!
//! These structs are the file format; the words in the README describe each. Besides them only `record::result_read` and `session::survey_file` know JSON.

pub use crate::record::result_more::{
    AdvicePart, BetterPart, DecidingPart, MonteCarloPart, MonteCarloStationPart, MonteCarloValuePart, TagPlacePart,
    ViewpointPart,
};
pub use crate::record::result_six::SixPart;
pub use crate::record::result_touch::{HoldPart, PointPart, PointerPart};
use serde::{Deserialize, Serialize};

/// What every verdict carries.
pub const CAUTION: &str = "This covers the place of the stand only. It does not calibrate, release or approve anything, and it does not \
prove that a sensor works. The carmaker's procedure, local rules and licensed practice decide.";

/// The format line of a result.
pub const RESULT_FORMAT: &str = "plumbsight/result/1";

/// A verdict in words.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum Verdict {
    /// |deviation| + U <= tolerance, for all that is asked.
    #[serde(rename = "in tolerance")]
    In,
    /// |deviation| - U > tolerance, for at least one.
    #[serde(rename = "out of tolerance")]
    Out,
    /// The uncertainty is too large to say.
    #[serde(rename = "not proven")]
    NotProven,
    /// There is no measurement to judge.
    #[serde(rename = "not measured")]
    NotMeasured,
}

impl Verdict {
    /// The words.
    pub fn words(self) -> &'static str {
        match self {
            Verdict::In => "in tolerance",
            Verdict::Out => "out of tolerance",
            Verdict::NotProven => "not proven",
            Verdict::NotMeasured => "not measured",
        }
    }

    /// The shape that stands for it wherever it is shown; colour never stands alone.
    pub fn shape(self) -> char {
        match self {
            Verdict::In => '●',
            Verdict::Out => '▲',
            Verdict::NotProven => '◆',
            Verdict::NotMeasured => '○',
        }
    }
}

/// `result.json`.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ResultFile {
    /// [`RESULT_FORMAT`].
    pub format: String,
    /// Name and version of the program that wrote it.
    pub program: String,
    /// [`CAUTION`].
    pub caution: String,
    /// The job's title.
    pub title: Option<String>,
    /// Worst of all stations.
    pub verdict: Verdict,
    /// Why there is no measurement, where there is none, and what to do.
    pub not_measured: Option<String>,
    /// How the verdict is made.
    pub rule: String,
    /// Coverage factor of every expanded uncertainty (95 %, normal).
    pub coverage_factor: f64,
    /// The car's identification number.
    #[serde(default)]
    pub vin: Option<String>,
    /// Why its check digit was not looked at.
    #[serde(default)]
    pub vin_unchecked: Option<String>,
    /// The readiness list as it stood; empty where the job has none.
    #[serde(default)]
    pub readiness: Vec<ReadinessPart>,
    /// What was asked, and by whom.
    pub placement: PlacementPart,
    /// The stations that could be judged.
    pub stations: Vec<StationPart>,
    /// The stations that could not.
    pub stations_not_measured: Vec<NotMeasuredPart>,
    /// The car.
    pub vehicle: Option<VehiclePart>,
    /// The touched points, in the vehicle frame.
    pub points: Vec<PointPart>,
    /// The pointer that touched them; `null` where there is none.
    pub pointer: Option<PointerPart>,
    /// Every body that was found.
    pub bodies: Vec<BodyPart>,
    /// The lenses.
    pub lenses: Vec<LensPart>,
    /// Every photograph of the job.
    pub photographs: Vec<PhotographPart>,
    /// Tag views that the survey's test rejected.
    pub outliers: Vec<OutlierPart>,
    /// How well everything fits together.
    pub survey: Option<SurveyPart>,
    /// Tests of the survey's own assumptions; faults that were found come first.
    #[serde(default)]
    pub integrity: Vec<IntegrityPart>,
    /// Where the tags sit on their bodies, as far as the survey tells it besides what is declared; for looking at many results over time.
    #[serde(default)]
    pub tag_places: Vec<TagPlacePart>,
    /// What would decide what is left open; only where something is not proven, or on request.
    #[serde(default)]
    pub advice: Option<AdvicePart>,
    /// Monte Carlo against the first order; only on request.
    #[serde(default)]
    pub monte_carlo: Option<MonteCarloPart>,
    /// What the reader should know about files, photographs and tags.
    pub notices: Vec<NoticePart>,
    /// What the reader should know about the measurement.
    pub notes: Vec<String>,
}

/// One item of the readiness list.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ReadinessPart {
    /// Its name.
    pub id: String,
    /// `people`, `bay` or `car`.
    pub group: String,
    /// What must be so.
    pub text: String,
    /// `done`, `not applicable` or `open`.
    pub state: String,
    /// True where the program's own measurement decided.
    pub measured: bool,
    /// The note, the reason, what was measured, what is missing.
    pub words: String,
}

/// What was asked.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlacementPart {
    /// Its title.
    pub title: String,
    /// Where the procedure is published.
    pub source: String,
    /// Which revision of it.
    pub revision: String,
    /// `floor` or `vertical`.
    pub reference: String,
}

/// A value with its standard uncertainty `u` and its expanded uncertainty `expanded` (95 %), in the unit of the name it stands under.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Value {
    /// The value.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Expanded uncertainty.
    pub expanded: f64,
}

/// One deviation, judged; every number is in the unit of the name it stands under.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DeviationPart {
    /// What the procedure asks.
    pub required: f64,
    /// What was measured.
    pub measured: f64,
    /// Measured minus required.
    pub deviation: f64,
    /// Its standard uncertainty.
    pub u: f64,
    /// Its expanded uncertainty (95 %).
    pub expanded: f64,
    /// Plus/minus; `null` where the procedure does not ask.
    pub tolerance: Option<f64>,
    /// `null` where the procedure does not ask.
    pub verdict: Option<Verdict>,
    /// Probability that the true deviation lies within the tolerance.
    pub probability_in_tolerance: Option<f64>,
    /// False where this set-up cannot show this component in tolerance, wherever the stand is.
    pub decidable: Option<bool>,
    /// The sign in words.
    pub words: String,
    /// What would prove an undecided one.
    pub remedy: Option<String>,
    /// The budget, largest share first.
    pub shares: Vec<SharePart>,
}

/// One source's share of an uncertainty.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SharePart {
    /// Where it comes from.
    pub source: String,
    /// Standard uncertainty from this source alone, in the deviation's unit.
    pub u: f64,
    /// Its share of the variance, percent.
    pub percent_of_variance: f64,
}

/// One station, judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StationPart {
    /// Its name.
    pub name: String,
    /// Worst of the six that are asked.
    pub verdict: Verdict,
    /// The six deviations.
    pub deviations: SixPart<DeviationPart>,
    /// Covariance of the six deviations in their order; mm and degrees.
    pub covariance_mm_deg: [[f64; 6]; 6],
    /// What to move, in this order.
    pub moves: Vec<MovePart>,
    /// What yaw and lateral mean at the sensor's range.
    pub at_range: Vec<AtRangePart>,
    /// Where the target stands.
    pub vehicle_from_target: PosePart,
}

/// One move.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MovePart {
    /// `level pitch`, `level roll`, `turn`, `slide sideways`, `slide along`, `raise or lower`.
    pub kind: String,
    /// How much, where the move is a slide or a lift; signed along the vehicle's axes.
    pub amount_mm: Option<f64>,
    /// How much, where the move is a turn or a tip; signed about the vehicle's axes.
    pub amount_deg: Option<f64>,
    /// Standard uncertainty of the amount, in its unit.
    pub u: f64,
    /// The sentence to act on.
    pub words: String,
}

/// What a deviation means at range.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct AtRangePart {
    /// True for the part that comes from yaw, false for the part that comes from the lateral deviation.
    pub from_yaw: bool,
    /// Range.
    pub range_m: f64,
    /// How far to the left of where it should look.
    pub offset_m: Value,
}

/// A station that could not be judged.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NotMeasuredPart {
    /// Its name.
    pub name: String,
    /// Why, and what to do.
    pub reason: String,
}

/// A rigid transform: maps coordinates of the second frame in its name to the first.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PosePart {
    /// Rotation matrix, row by row.
    pub rotation: [[f64; 3]; 3],
    /// Translation.
    pub translation_mm: [f64; 3],
}

/// The car.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct VehiclePart {
    /// As the job names it.
    pub name: Option<String>,
    /// As the job names it.
    pub id: Option<String>,
    /// The wheels that carry plates.
    pub wheels: Vec<WheelPart>,
    /// Distance between the rear hub centres.
    pub rear_track_mm: Value,
    /// Distance between the axles, where front plates show it.
    pub wheelbase_mm: Option<Value>,
    /// Heading of the thrust line against the geometric centreline, positive to the car's left, where front plates show it.
    pub thrust_heading_deg: Option<Value>,
    /// How far the front left hub is ahead of the front right one along the centreline, where front plates show it.
    pub front_set_back_mm: Option<Value>,
    /// The thrust line found in other ways; each agrees with the rear wheels' planes.
    pub thrust_lines: Vec<ThrustLinePart>,
    /// The roll, where the car was rolled.
    pub roll: Option<RollPart>,
    /// Where the vertical comes from that the placement may refer to: `plumb line`, `inclinometer` or `declared levelness`.
    pub vertical_from: String,
    /// The two floor sheets between which the floor rises most steeply.
    pub steepest_floor: Option<SteepestPart>,
    /// Slope of the floor against the plumb line, along X (positive: rises forward) and along Y (positive: rises to the left), where there is one.
    pub floor_slope_deg: Option<[Value; 2]>,
    /// Each floor sheet's height against the plane through all of them.
    pub sheet_heights: Vec<SheetHeightPart>,
}

/// One wheel.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WheelPart {
    /// Which wheel.
    pub at: String,
    /// Hub centre in the vehicle frame.
    pub hub_mm: [f64; 3],
    /// Axis away from the car, in the vehicle frame, length 1.
    pub axis: [f64; 3],
    /// Toe against the thrust line, toe-in positive.
    pub toe_deg: Value,
    /// Toe against the geometric centreline, where front plates show it.
    pub toe_centreline_deg: Option<Value>,
    /// Camber, positive when the wheel's top leans outward.
    pub camber_deg: Value,
    /// The clamp as rolling found it, where the car was rolled.
    pub clamp: Option<ClampPart>,
}

/// How a plate sits on its wheel, as found by rolling.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ClampPart {
    /// Angle between the wheel's axis as found and as declared.
    pub run_out_deg: f64,
    /// The wheel's axis in the plate's frame, away from the car.
    pub axis_in_plate: [f64; 3],
    /// The wheel's centre in the plate's frame.
    pub hub_in_plate_mm: [f64; 3],
    /// By how much the wheel had turned at each roll position, counter-clockwise seen from outside, within half a turn; `null` where its
    /// plate was not measured.
    pub turned_deg: Vec<Option<f64>>,
}

/// A thrust line found another way.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ThrustLinePart {
    /// `travel` (the way the rear wheels went) or `printout`.
    pub from: String,
    /// Its heading against the bisector of the rear wheels, positive to the car's left; the uncertainty is of this difference.
    pub heading_deg: Value,
    /// Size of the difference in its standard uncertainty.
    pub statistic: f64,
    /// Largest statistic with which the two agree.
    pub limit: f64,
}

/// How the car was rolled.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RollPart {
    /// The roll positions, in the job's order.
    pub positions: Vec<RollPositionPart>,
    /// Name of the one that the stand is judged against.
    pub judged_at: String,
    /// Chi-square of the test that the car rolled as one rigid thing and no plate slipped.
    pub statistic: f64,
    /// Its degrees of freedom.
    pub degrees_of_freedom: usize,
    /// Its limit.
    pub limit: f64,
}

/// One roll position.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RollPositionPart {
    /// Its name.
    pub name: String,
    /// How far the car stood ahead of where it is judged.
    pub ahead_mm: f64,
    /// How far to the left of it.
    pub left_mm: f64,
    /// By how much it was turned against it, counter-clockwise seen from above.
    pub turn_deg: f64,
}

/// The steepest part of the floor between two sheets.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SteepestPart {
    /// The lower sheet.
    pub low: String,
    /// The higher one.
    pub high: String,
    /// How steeply the floor rises between them, against the floor through all sheets.
    pub rises_mm_per_m: Value,
}

/// One floor sheet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SheetHeightPart {
    /// Its name.
    pub body: String,
    /// Height of its print above the plane through all.
    pub height_mm: Value,
}

/// One body as found.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BodyPart {
    /// Its name.
    pub name: String,
    /// `floor sheet`, `plate`, `stand`, `plumb line`, `pointer`, `touched point` or `other`.
    pub kind: String,
    /// The station, where it was moved between stations.
    pub station: Option<String>,
    /// The roll position, where it moved with the car.
    pub roll_position: Option<String>,
    /// Number of photographs that hold it.
    pub photographs: usize,
    /// Where it is; `null` where there is no vehicle frame.
    pub vehicle_from_body: Option<PosePart>,
}

/// The parameters of a lens.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)] // named as in the lens profile
pub struct LensNumbers {
    pub fx_px: f64,
    pub fy_px: f64,
    pub cx_px: f64,
    pub cy_px: f64,
    pub k1: f64,
    pub k2: f64,
    pub p1: f64,
    pub p2: f64,
    pub k3: f64,
}

/// One lens.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LensPart {
    /// The profile's file.
    pub file: String,
    /// The camera, in the profile's words.
    pub camera: String,
    /// Image size.
    pub image_size: [usize; 2],
    /// `within profile`, `held` or `free`.
    pub adjustment: String,
    /// The profile's parameters.
    pub profile: LensNumbers,
    /// As corrected by the survey; `null` where there is none.
    pub corrected: Option<LensNumbers>,
    /// Standard uncertainties after the survey.
    pub u: Option<LensNumbers>,
}

/// One photograph.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PhotographPart {
    /// Its name relative to the job folder.
    pub name: String,
    /// True where the survey uses it.
    pub used: bool,
    /// Why not, where it is not.
    pub reason: Option<String>,
    /// Root mean square length of its corner residuals.
    pub rms_px: Option<f64>,
    /// Tags used.
    pub tags: Vec<u16>,
    /// Where the camera was, in the vehicle frame.
    pub camera_mm: Option<[f64; 3]>,
}

/// A rejected tag view.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct OutlierPart {
    /// The photograph.
    pub photograph: String,
    /// The tag's id.
    pub tag: u16,
    /// The body it is on.
    pub body: String,
    /// Largest corner residual against the network without it.
    pub largest_residual_px: f64,
    /// Test value (chi-square); `null` where it is beyond any measure.
    pub statistic: Option<f64>,
    /// Degrees of freedom.
    pub degrees_of_freedom: usize,
}

/// One test of the survey's assumptions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct IntegrityPart {
    /// What was tested.
    pub test: String,
    /// On what.
    pub subject: String,
    /// Test value; the test fails where it exceeds `threshold`.
    pub statistic: f64,
    /// Its limit.
    pub threshold: f64,
    /// Smallest fault that the test finds with a chance of 99.5 %, in `unit`; `null` where none would show.
    pub minimal_detectable: Option<f64>,
    /// `mm`, `deg`, `%`, `px`, or what is counted.
    pub unit: String,
    /// False where a fault was found.
    pub passed: bool,
    /// The outcome in words, with the remedy.
    pub sentence: String,
}

/// How well everything fits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SurveyPart {
    /// A-posteriori standard deviation of unit weight.
    pub sigma0: f64,
    /// Corner noise that had to be added to explain the residuals.
    pub unmodelled_px: f64,
    /// Observed values minus unknowns.
    pub redundancy: f64,
    /// Median length of the corner residuals.
    pub median_residual_px: f64,
    /// Root mean square length of the corner residuals.
    pub rms_residual_px: f64,
    /// Tag views used.
    pub views_used: usize,
    /// Tag views rejected.
    pub views_rejected: usize,
    /// Print groups with the scale error found, mm per metre.
    pub print_scales: Vec<PrintScalePart>,
}

/// One print group.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PrintScalePart {
    /// Its name.
    pub name: String,
    /// Scale error found, along the print's right and its up, beyond what was measured.
    pub found_mm_per_m: [f64; 2],
}

/// Something to know about a file, photograph or tag.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NoticePart {
    /// The file or thing.
    pub about: String,
    /// One or more sentences.
    pub text: String,
}
