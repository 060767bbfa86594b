//! `readiness.toml` and lists of items exactly as a person writes them.

use serde::Deserialize;

/// `readiness.toml`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ReadinessFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    pub checked_by: Option<String>,
    pub checked_at: Option<String>,
    pub list: Option<String>,
    pub floor_limit_mm_per_m: Option<f64>,
    pub tyres: Option<TyresTable>,
    #[serde(default)]
    pub item: Vec<EntryTable>,
}

/// `[tyres]`.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct TyresTable {
    pub unit: UnitName,
    pub placard_front: f64,
    pub placard_rear: f64,
    pub front_left: f64,
    pub front_right: f64,
    pub rear_left: f64,
    pub rear_right: f64,
    pub within: Option<f64>,
}

/// Unit of pressure.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
pub(crate) enum UnitName {
    #[serde(rename = "kPa")]
    Kpa,
    #[serde(rename = "bar")]
    Bar,
    #[serde(rename = "psi")]
    Psi,
}

impl UnitName {
    /// As it is written.
    pub(crate) fn name(self) -> &'static str {
        match self {
            UnitName::Kpa => "kPa",
            UnitName::Bar => "bar",
            UnitName::Psi => "psi",
        }
    }
}

/// One `[[item]]` table: a person's answer.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct EntryTable {
    pub id: String,
    pub state: StateName,
    pub note: Option<String>,
    pub reason: Option<String>,
}

/// An answer's name.
#[derive(Clone, Copy, Debug, Deserialize, PartialEq, Eq)]
pub(crate) enum StateName {
    #[serde(rename = "open")]
    Open,
    #[serde(rename = "done")]
    Done,
    #[serde(rename = "not applicable")]
    NotApplicable,
}

/// A list of items.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ListFile {
    #[allow(dead_code)] // checked by `Document`
    format: String,
    #[serde(default)]
    pub items: Vec<ItemTable>,
}

/// One `[[items]]` table.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct ItemTable {
    pub id: String,
    pub group: GroupName,
    pub text: String,
    pub answered_by: Option<AnsweredName>,
    pub note: Option<String>,
}

/// What an item is about.
#[derive(Clone, Copy, Debug, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum GroupName {
    Car,
    Bay,
    People,
}

/// What answers an item besides a person.
#[derive(Clone, Copy, Debug, Deserialize)]
pub(crate) enum AnsweredName {
    #[serde(rename = "tyre pressures")]
    TyrePressures,
    #[serde(rename = "floor level")]
    FloorLevel,
    #[serde(rename = "nothing moved")]
    NothingMoved,
}
