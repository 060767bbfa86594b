//! plumbsight: where a calibration stand really is relative to a car's thrust line, from photographs of printed tags.

#![forbid(unsafe_code)]
#![warn(missing_docs)]

pub mod body;
pub mod camera;
pub mod capture;
pub mod frames;
pub mod placement;
pub mod raster;
pub mod record;
pub mod survey;
pub mod tags;
pub mod uncertainty;
pub mod units;
pub mod vehicle;
pub mod verdict;
