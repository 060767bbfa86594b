//! The job folder: files that people write, read into checked working types; the result that the program writes.

pub(crate) mod bodies;
pub(crate) mod document;
pub(crate) mod files;
mod lens_profile;
pub(crate) mod paths;
mod problem;
mod write;

pub use bodies::{Bodies, FloorContact, HIGHEST_TAG_ID, TargetOnBody};
pub use lens_profile::{LensProfile, read_lens_profile};
pub use problem::Problem;
pub use write::write_atomically;
