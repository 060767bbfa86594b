//! plumbsight: where a calibration stand really is relative to a car's thrust line, from photographs of printed tags.
//!
//! A job runs from top to bottom through these modules: [`record`] reads what people wrote; [`session`] is the whole measurement as named
//! steps: [`capture`] reads each photograph, [`tags`] finds the tags, [`survey`] ties all of them together, [`vehicle`] and [`placement`]
//! turn bodies into a thrust line and six deviations, [`uncertainty`] carries every contribution along, [`verdict`] decides, and [`advice`] says what
//! would decide what is left open.

#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod advice;
pub mod body;
pub mod calibrate;
pub mod camera;
pub mod capture;
pub mod cli;
pub mod fit;
pub mod frames;
pub mod index;
pub mod limits;
#[cfg(feature = "panel")]
pub mod panel;
pub mod paper;
pub mod placement;
pub mod pose;
pub mod raster;
pub mod readiness;
pub mod record;
pub mod report;
pub mod scene;
pub mod session;
pub mod sheets;
pub mod survey;
pub mod tags;
pub mod uncertainty;
pub mod units;
pub mod vehicle;
pub mod verdict;
