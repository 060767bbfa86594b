//! The job folder: files that people write, read into checked working types; the result that the program writes.

mod board;
pub(crate) mod bodies;
pub(crate) mod car;
pub(crate) mod document;
pub(crate) mod files;
mod job;
mod kit;
mod kit_text;
mod learn;
mod lens_profile;
mod lens_write;
pub(crate) mod paths;
pub(crate) mod placement;
mod places;
mod prints;
mod problem;
pub mod result;
mod roll;
mod template;
mod write;

pub use board::{BOARD_NAMES, parse_board, read_board, shipped_board};
pub use bodies::{Bodies, HIGHEST_TAG_ID};
pub use job::{Job, JobPhoto, LensChoice, Notice, Purpose, read_job};
pub use kit::{MOST_PAGES, parse_kit, read_kit};
pub use kit_text::{board_text, bodies_text, kit_text};
pub use learn::JobLearn;
pub use lens_profile::{BoardPhoto, LensProfile, MadeFrom, read_lens_profile};
pub use lens_write::profile_text;
pub use places::{PLACES_FORMAT, learned_texts};
pub use prints::UNMEASURED_MM_PER_M;
pub use problem::Problem;
pub use result::ResultFile;
pub use roll::JobRoll;
pub use template::{TEMPLATE, make_folder, write_template};
pub use write::{json_text, write_atomically};
