//! What to move, by how much, in which order.

/// A kind of move, in the order in which moves are made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum MoveKind {
    /// Tip the stand about the car's Y axis (pitch), about its pivot.
    LevelPitch,
    /// Tip the stand about the car's X axis (roll), about its pivot.
    LevelRoll,
    /// Turn the stand about the vertical through its pivot.
    Turn,
    /// Slide it along the car's Y axis.
    SlideSideways,
    /// Slide it along the car's X axis.
    SlideAlong,
    /// Raise or lower the target.
    RaiseLower,
}

/// One move.
#[derive(Clone, Debug, PartialEq)]
pub struct Move {
    /// What kind.
    pub kind: MoveKind,
    /// How much, rounded to what hands can do, m or rad, signed along the vehicle's axes (slide: +X, +Y; raise: +Z; turn and tip: about
    /// +Z, +Y, +X).
    pub amount: f64,
    /// Standard uncertainty of the amount before rounding, m or rad.
    pub u: f64,
    /// The sentence to show: "Slide the stand 14 mm towards the car's right."
    pub words: String,
}
