//! A lens from photographs of a flat printed board: what the board is, where its points are in each photograph, and the camera that explains them.

pub mod board;
pub mod model;
pub mod solve;
pub mod start;

pub use board::{Board, Pattern};
