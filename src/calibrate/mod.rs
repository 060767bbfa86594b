//! A lens from photographs of a flat printed board: what the board is, where its points are in each photograph, and the camera that explains them.

pub mod advice;
pub mod board;
pub mod choose;
pub mod draw;
pub mod grid;
pub mod model;
pub mod quality;
pub mod saddle;
pub mod seen;
pub mod solve;
pub mod start;

pub use board::{Board, Pattern};
pub use choose::{CalibrateError, CalibrateOptions, Calibration, calibrate};
