//! The pointer's part of the result file.

use crate::record::result::Value;
use serde::{Deserialize, Serialize};

/// A touched point.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PointPart {
    /// Its name.
    pub name: String,
    /// x forward, y left, z up from the floor, in the vehicle frame.
    pub at_mm: [Value; 3],
    /// Number of holds that it comes from.
    pub holds: usize,
    /// The roll position at which it was touched, where the car was rolled.
    pub roll_position: Option<String>,
}

/// The pointer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PointerPart {
    /// The body's name.
    pub name: String,
    /// Its tip in the body's frame, as found; `null` where it was not.
    pub tip_mm: Option<[Value; 3]>,
    /// Why not.
    pub not_found: Option<String>,
    /// Root mean square movement of the direction on the pointer that moved least.
    pub least_tilt_deg: Option<f64>,
    /// Every hold.
    pub holds: Vec<HoldPart>,
}

/// One hold of the pointer.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct HoldPart {
    /// Its photograph (the first where it has several).
    pub photograph: String,
    /// The point that the tip sat on.
    pub point: String,
    /// False where it was left out.
    pub used: bool,
    /// Why it was left out.
    pub reason: Option<String>,
    /// How far the tip sat beside the point, if this hold alone is wrong.
    pub off_mm: f64,
    /// Test value.
    pub statistic: f64,
    /// Degrees of freedom of the test.
    pub degrees_of_freedom: usize,
    /// Limit of the test value.
    pub limit: f64,
}
