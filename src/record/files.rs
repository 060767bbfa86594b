//! The job folder's files exactly as a person writes them: one struct a table, the unit in every key.
//!
//! Nothing is checked here beyond the kind of each value; `crate::record::resolve` does that.

use serde::Deserialize;
use std::collections::BTreeMap;

/// `job.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct JobFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    pub title: Option<String>,
    pub placement: Option<String>,
    pub bodies: String,
    pub lens: Option<String>,
    #[serde(default)]
    pub lenses: BTreeMap<String, String>,
    #[serde(default)]
    pub photographs: Vec<PhotographSet>,
    pub vehicle: Option<VehicleTable>,
    pub level: Option<LevelTable>,
    #[serde(default)]
    pub adjustment: AdjustmentTable,
    pub learn: Option<LearnTable>,
}

/// `[learn]`: which body is to be learned.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LearnTable {
    pub body: String,
    #[serde(default)]
    pub face: Vec<FaceTable>,
}

/// One `[[learn.face]]` table: a tag beside a corner of the target.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FaceTable {
    pub tag: i64,
    pub corner: CornerName,
    pub mark_mm: [f64; 2],
    pub u_mark_mm: Option<f64>,
    pub u_flat_mm: Option<f64>,
    #[serde(default)]
    pub stays: bool,
}

/// Which corner of the target, as seen by somebody who looks at its face.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum CornerName {
    UpperLeft,
    UpperRight,
    LowerLeft,
    LowerRight,
}

/// One `[[photographs]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PhotographSet {
    pub files: Vec<String>,
    pub lens: Option<String>,
    pub station: Option<String>,
    pub roll_position: Option<RollName>,
    pub touching: Option<String>,
    pub pivoting: Option<String>,
    #[serde(default)]
    pub one_hold: bool,
}

/// Name of a roll position: text or a number.
#[derive(Debug, Deserialize)]
#[serde(untagged, expecting = "a roll position is a name in quotes or a whole number")]
pub(crate) enum RollName {
    Number(i64),
    Text(String),
}

/// `[vehicle]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct VehicleTable {
    pub name: Option<String>,
    pub id: Option<String>,
    pub vin: Option<String>,
    pub vin_unchecked: Option<String>,
    pub wheelbase_mm: Option<f64>,
    pub u_wheelbase_mm: Option<f64>,
    pub judged_at: Option<RollName>,
    #[serde(default)]
    pub on_car: Vec<String>,
    #[serde(default)]
    pub rolling: RollingTable,
    pub printout: Option<PrintoutTable>,
    #[serde(default)]
    pub wheels: Vec<WheelTable>,
}

/// One `[[vehicle.wheels]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct WheelTable {
    pub at: WheelName,
    pub plate: String,
    pub stand_off_mm: Option<f64>,
    pub hub_mm: Option<[f64; 3]>,
    pub u_stand_off_mm: Option<f64>,
    pub eccentricity_mm: Option<f64>,
    pub axis: Option<[f64; 3]>,
    pub run_out_deg: Option<f64>,
}

/// `[vehicle.rolling]`: how steadily the car rolls.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RollingTable {
    pub u_hub_height_mm: Option<f64>,
    pub u_hub_level_mm: Option<f64>,
    pub u_toe_deg: Option<f64>,
    pub u_camber_deg: Option<f64>,
    pub u_slope_mm_per_m: Option<f64>,
    pub u_crab_deg: Option<f64>,
    pub u_steer_deg: Option<f64>,
}

/// `[vehicle.printout]`: what an alignment printout says of the thrust line.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PrintoutTable {
    pub thrust_angle_deg: f64,
    pub u_thrust_angle_deg: f64,
    pub source: String,
}

/// `[level]`: the floor's slope as read off an instrument.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LevelTable {
    pub rises_forward_mm_per_m: f64,
    pub rises_left_mm_per_m: f64,
    pub u_mm_per_m: f64,
    #[allow(dead_code)] // for people; not part of the measurement
    pub source: String,
}

/// Which wheel.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq, PartialOrd, Ord)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum WheelName {
    RearLeft,
    RearRight,
    FrontLeft,
    FrontRight,
}

/// `[adjustment]`.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct AdjustmentTable {
    #[serde(default)]
    pub lens: LensUse,
}

/// What the survey may do to the lens.
#[derive(Clone, Copy, Debug, Default, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum LensUse {
    #[default]
    Profile,
    Held,
    Free,
}

/// `bodies.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BodiesFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    #[serde(default)]
    pub prints: Vec<PrintTable>,
    #[serde(default)]
    pub floor: Vec<FloorTable>,
    #[serde(default)]
    pub floor_contact: FloorContactTable,
    #[serde(default)]
    pub body: Vec<BodyTable>,
}

/// One `[[prints]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PrintTable {
    pub name: String,
    pub bar_x_nominal_mm: Option<f64>,
    pub bar_x_mm: Option<f64>,
    pub bar_y_nominal_mm: Option<f64>,
    pub bar_y_mm: Option<f64>,
    pub u_bar_mm: Option<f64>,
    pub u_common_mm_per_m: Option<f64>,
    pub u_each_mm_per_m: Option<f64>,
}

/// One `[[floor]]` table: loose sheets, one tag each.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FloorTable {
    pub ids: Ids,
    pub side_mm: f64,
    pub print: Option<String>,
}

/// Tag ids as a list or as a range in quotes.
#[derive(Debug, Deserialize)]
#[serde(untagged, expecting = "ids are a list such as [100, 101] or a range in quotes such as \"100-113\"")]
pub(crate) enum Ids {
    List(Vec<i64>),
    Range(String),
}

/// `[floor_contact]`.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct FloorContactTable {
    pub thickness_mm: Option<f64>,
    pub u_thickness_mm: Option<f64>,
    pub u_uneven_mm: Option<f64>,
    pub u_level_mm_per_m: Option<f64>,
    pub u_plumb_mm_per_m: Option<f64>,
}

/// One `[[body]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BodyTable {
    pub name: String,
    pub kind: BodyKindName,
    pub print: Option<String>,
    pub u_place_mm: Option<f64>,
    pub u_place_deg: Option<f64>,
    pub places_covariance: Option<String>,
    #[serde(default)]
    pub tags: Vec<TagTable>,
    pub target: Option<TargetTable>,
    pub tip: Option<TipTable>,
}

/// What a body is for.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum BodyKindName {
    Stand,
    Plate,
    PlumbLine,
    Pointer,
    Other,
}

/// One `[[body.tags]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TagTable {
    pub id: i64,
    pub side_mm: f64,
    pub print: Option<String>,
    pub corners_mm: Option<[[f64; 3]; 4]>,
    pub centre_mm: Option<[f64; 3]>,
    pub right: Option<[f64; 3]>,
    pub up: Option<[f64; 3]>,
    pub place: Option<PlaceName>,
}

/// The only word that `place` takes.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum PlaceName {
    Free,
}

/// `[body.tip]`: the pointer's tip.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TipTable {
    pub at_mm: Option<[f64; 3]>,
    pub u_mm: Option<f64>,
    pub u_touch_mm: Option<f64>,
    pub radius_mm: Option<f64>,
}

/// `[body.target]`.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TargetTable {
    #[serde(default)]
    pub origin_mm: [f64; 3],
    #[serde(default)]
    pub yaw_deg: f64,
    #[serde(default)]
    pub pitch_deg: f64,
    #[serde(default)]
    pub roll_deg: f64,
    #[serde(default)]
    pub u_origin_mm: f64,
    #[serde(default)]
    pub u_angle_deg: f64,
    pub pivot_mm: Option<[f64; 3]>,
}

/// `placement.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PlacementFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    pub title: Option<String>,
    pub source: String,
    pub revision: String,
    pub reference: Option<ReferenceName>,
    #[serde(default)]
    pub stations: Vec<StationTable>,
}

/// What height, pitch and roll are measured against.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum ReferenceName {
    Floor,
    Vertical,
}

/// One `[[stations]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct StationTable {
    pub name: String,
    pub target: String,
    pub datum: DatumName,
    pub datum_point_mm: Option<[f64; 3]>,
    pub u_datum_mm: Option<f64>,
    pub datum_body: Option<String>,
    pub datum_touched: Option<String>,
    pub lateral_from: Option<LateralName>,
    pub sensor_to_target_mm: Option<f64>,
    pub distance_mm: f64,
    pub lateral_mm: f64,
    pub height_mm: f64,
    #[serde(default)]
    pub yaw_deg: f64,
    #[serde(default)]
    pub pitch_deg: f64,
    #[serde(default)]
    pub roll_deg: f64,
    #[serde(default)]
    pub tolerance: ToleranceTable,
}

/// What the distance counts from.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum DatumName {
    RearAxle,
    FrontAxle,
    Point,
    Body,
    Touched,
}

/// What the sideways position counts from.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum LateralName {
    ThrustLine,
    Datum,
}

/// `[stations.tolerance]`.
#[derive(Clone, Copy, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ToleranceTable {
    pub distance_mm: Option<f64>,
    pub lateral_mm: Option<f64>,
    pub height_mm: Option<f64>,
    pub yaw_deg: Option<f64>,
    pub pitch_deg: Option<f64>,
    pub roll_deg: Option<f64>,
}

/// A lens profile.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LensFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    pub camera: String,
    pub made: Option<String>,
    #[allow(dead_code)] // for people
    pub source: Option<String>,
    #[allow(dead_code)] // for people
    pub note: Option<String>,
    pub image_size: [u32; 2],
    pub fx_px: f64,
    pub fy_px: f64,
    pub cx_px: f64,
    pub cy_px: f64,
    #[serde(default)]
    pub k1: f64,
    #[serde(default)]
    pub k2: f64,
    #[serde(default)]
    pub p1: f64,
    #[serde(default)]
    pub p2: f64,
    #[serde(default)]
    pub k3: f64,
    pub sigma: Option<[f64; 9]>,
    pub covariance: Option<[[f64; 9]; 9]>,
    pub tone: Option<ToneName>,
    pub focus: Option<String>,
    pub taken_with: Option<TakenWithTable>,
    pub made_from: Option<MadeFromTable>,
}

/// What the camera itself writes into its photographs.
#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TakenWithTable {
    pub make: Option<String>,
    pub model: Option<String>,
    pub lens: Option<String>,
    pub focal_mm: Option<f64>,
    pub focal_35mm: Option<f64>,
    pub digital_zoom: Option<f64>,
}

/// What a profile was made from, so that it can be made again and compared.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct MadeFromTable {
    pub board: String,
    pub board_sha256: String,
    pub rms_px: f64,
    pub unmodelled_px: f64,
    pub disagreement: f64,
    pub redundancy: f64,
    #[serde(default)]
    pub terms: Vec<String>,
    #[serde(default)]
    pub regions: Vec<[f64; 6]>,
    pub photographs: Vec<BoardPhotoTable>,
}

/// One photograph of a board.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BoardPhotoTable {
    pub name: String,
    pub sha256: String,
    pub points: usize,
    pub rms_px: f64,
    pub share: f64,
}

/// A calibration board.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct BoardFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    pub name: String,
    pub pattern: PatternName,
    pub columns: Option<usize>,
    pub rows: Option<usize>,
    pub first_id: Option<u16>,
    pub side_mm: Option<f64>,
    pub pitch_mm: Option<f64>,
    pub inner_columns: Option<usize>,
    pub inner_rows: Option<usize>,
    pub square_mm: Option<f64>,
}

/// What a board's grid consists of.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum PatternName {
    Tags,
    Chessboard,
}

/// How grey values code light.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum ToneName {
    Srgb,
    Linear,
    Gamma(f64),
}

/// `kit.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct KitFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    pub name: String,
    pub paper: String,
    #[serde(default)]
    pub sheets: Vec<SheetsTable>,
    pub board: Option<KitBoardTable>,
}

/// One `[[sheets]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SheetsTable {
    pub kind: SheetKindName,
    pub ids: Ids,
    pub side_mm: f64,
    pub body: Option<String>,
    pub paper: Option<String>,
    pub target_mm: Option<[f64; 2]>,
}

/// What sheets are for.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum SheetKindName {
    Floor,
    Plate,
    Stand,
    TargetCorner,
    PlumbLine,
}

/// `[board]` of a kit.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct KitBoardTable {
    pub name: Option<String>,
    pub columns: usize,
    pub rows: usize,
    pub first_id: u16,
    pub side_mm: f64,
    pub pitch_mm: f64,
    pub paper: Option<String>,
}
