//! How things stand: the job, its result, a running check, a picture, what placing shows.

use crate::panel::bay_plan::BayPlan;
use crate::panel::seen::Seen;
use crate::panel::standing::Standing;
use crate::record::result::ResultFile;
use crate::record::{Job, Problem};
use crate::session::Progress;
use std::path::PathBuf;
use std::sync::Arc;

/// The job, as far as it could be read.
#[derive(Clone, Debug, Default)]
pub enum JobState {
    /// None was chosen.
    #[default]
    None,
    /// This folder is being read.
    Reading(PathBuf),
    /// It cannot be read, and why.
    Refused(PathBuf, Problem),
    /// Read.
    Ready(Arc<Job>),
}

/// Where a result comes from.
#[derive(Clone, Debug, PartialEq)]
pub enum Origin {
    /// Checked now, and whether it could be written.
    Checked(Result<PathBuf, Problem>),
    /// Read from a file that an earlier check wrote; the job may have changed since.
    Earlier(PathBuf),
}

/// A result and where it comes from.
#[derive(Clone, Debug)]
pub struct Outcome {
    /// The result.
    pub result: Arc<ResultFile>,
    /// The bay as it was found; `None` where there is no car to draw.
    pub plan: Option<Arc<BayPlan>>,
    /// Where it comes from.
    pub origin: Origin,
    /// True where photographs or files changed after it was made.
    pub outdated: bool,
}

/// What placing shows.
#[derive(Clone, Debug, PartialEq)]
pub struct Shown {
    /// The numbers.
    pub standing: Standing,
    /// The sentence to act on, in the unit in use.
    pub sentence: String,
    /// It may have changed since.
    pub old: bool,
    /// It is a live reading.
    pub live: bool,
}

/// A check that runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Work {
    /// How far it has come; `None` before the first word of it.
    pub progress: Option<Progress>,
    /// The user asked to stop it.
    pub stopping: bool,
}

/// A photograph to look at.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum PictureState {
    /// None.
    #[default]
    None,
    /// Being read and searched.
    Reading(String),
    /// Read.
    Seen(Arc<Seen>),
    /// It cannot be shown, and why.
    Refused(String, String),
}
