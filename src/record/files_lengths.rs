//! `lengths.toml` exactly as a person writes it.

use serde::Deserialize;

/// `lengths.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LengthsFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    pub instrument: String,
    pub u_instrument_mm_per_m: Option<f64>,
    pub limit_mm: Option<f64>,
    pub volume_mm: Option<[f64; 3]>,
    pub length: Vec<LengthTable>,
}

/// One `[[length]]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct LengthTable {
    pub line: String,
    pub from: String,
    pub to: String,
    pub from_mm: Option<[f64; 3]>,
    pub to_mm: Option<[f64; 3]>,
    pub known_mm: f64,
    pub u_known_mm: f64,
}
