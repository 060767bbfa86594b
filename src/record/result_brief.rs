//! The few parts of a result that are looked at in thousands of records; everything else in the file is passed over without being kept.

use crate::record::problem::Problem;
use crate::record::result::{LensPart, PlacementPart, RESULT_FORMAT, SheetHeightPart, TagPlacePart, Verdict};
use serde::Deserialize;
use serde::de::IgnoredAny;
use std::path::Path;

/// What a result says of itself, and what may change from year to year.
#[derive(Debug, Deserialize)]
pub struct ResultBrief {
    format: String,
    /// Name and version of the program that wrote it.
    pub program: String,
    /// The job's title.
    pub title: Option<String>,
    /// The verdict.
    pub verdict: Verdict,
    /// The car's identification number.
    #[serde(default)]
    pub vin: Option<String>,
    /// What was asked.
    pub placement: PlacementPart,
    /// The car.
    pub vehicle: Option<VehicleBrief>,
    /// Every body that was found.
    pub bodies: Vec<BodyBrief>,
    /// The lenses.
    pub lenses: Vec<LensPart>,
    /// Where the tags sit on their bodies.
    #[serde(default)]
    pub tag_places: Vec<TagPlacePart>,
    photographs: Vec<IgnoredAny>,
}

/// A car in brief.
#[derive(Debug, Deserialize)]
pub struct VehicleBrief {
    /// As the job names it.
    pub name: Option<String>,
    /// As the job names it.
    pub id: Option<String>,
    /// Each floor sheet's height against the plane through all of them.
    pub sheet_heights: Vec<SheetHeightPart>,
}

/// A body in brief.
#[derive(Debug, Deserialize)]
pub struct BodyBrief {
    /// Its name.
    pub name: String,
    /// Its kind, as in the result.
    pub kind: String,
}

impl ResultBrief {
    /// Number of photographs of the job.
    pub fn photographs(&self) -> usize {
        self.photographs.len()
    }
}

/// The brief of a result's bytes; `name` is the file's name for messages.
///
/// # Errors
/// They are no result of a version that this program knows.
pub fn brief_of(bytes: &[u8], name: &str) -> Result<ResultBrief, Problem> {
    let remedy = "Look at the record with `plumbsight recheck`.";
    let brief: ResultBrief = serde_json::from_slice(bytes)
        .map_err(|e| Problem::of_file(name, format!("it is not a result of this version ({e})"), remedy))?;
    if brief.format != RESULT_FORMAT {
        return Err(Problem::of_file(name, format!("\"{}\" is not the format of a result", brief.format), remedy));
    }
    Ok(brief)
}

/// The brief of a result file.
///
/// # Errors
/// It cannot be read, or is no result.
pub fn read_brief(path: &Path) -> Result<ResultBrief, Problem> {
    let name = path.display().to_string();
    let bytes = crate::capture::read_file(path, crate::limits::LARGEST_RESULT_BYTES)
        .map_err(|e| Problem::of_file(&name, e.to_string(), "Check the record's folder."))?;
    brief_of(&bytes, &name)
}
