//! One thing for each of the six deviations, as it stands in the result.

use crate::placement::Component;
use serde::{Deserialize, Serialize};

/// The six deviations of one station.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SixPart<T> {
    /// Target ahead of the datum along the thrust line.
    pub distance_mm: T,
    /// Target to the left of the thrust line (or of the datum).
    pub lateral_mm: T,
    /// Target above the floor.
    pub height_mm: T,
    /// About the vehicle's Z, counter-clockwise seen from above.
    pub yaw_deg: T,
    /// About the vehicle's Y.
    pub pitch_deg: T,
    /// About the vehicle's X.
    pub roll_deg: T,
}

impl<T> SixPart<T> {
    /// Each from its component.
    pub fn of(make: impl Fn(Component) -> T) -> Self {
        Self {
            distance_mm: make(Component::Distance),
            lateral_mm: make(Component::Lateral),
            height_mm: make(Component::Height),
            yaw_deg: make(Component::Yaw),
            pitch_deg: make(Component::Pitch),
            roll_deg: make(Component::Roll),
        }
    }

    /// The six with their names, units and whether they are angles, in order.
    pub fn each(&self) -> [(&'static str, &'static str, &T); 6] {
        [
            ("distance", "mm", &self.distance_mm),
            ("lateral", "mm", &self.lateral_mm),
            ("height", "mm", &self.height_mm),
            ("yaw", "deg", &self.yaw_deg),
            ("pitch", "deg", &self.pitch_deg),
            ("roll", "deg", &self.roll_deg),
        ]
    }
}
