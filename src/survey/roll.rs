//! The rolled car: its wheels turned and the car moved between roll positions, everything else stood still.

use crate::frames::{Body, Direction, Point};

/// Where a wheel's centre is believed to be before the car is rolled.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HubBefore {
    /// This far (m) behind the plate's origin along the wheel's axis, whichever way that turns out to point.
    OnAxis(f64),
    /// At this point of the plate's frame, m.
    InPlate(Point<Body>),
}

/// A wheel whose plate turned with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RolledWheel {
    /// Index of the plate in the kit's bodies.
    pub plate: usize,
    /// The wheel's axis as declared, away from the car, in the plate's frame; only its side is used.
    pub axis_in_plate: Direction<Body>,
    /// The wheel's centre as declared.
    pub hub: HubBefore,
    /// Standard uncertainty (m) of the declared centre along each of two directions square to the axis.
    pub u_aside_m: f64,
    /// Standard uncertainty (m) of the declared centre along the axis: rolling cannot see it.
    pub u_along_m: f64,
}

/// How steadily a car rolls: standard uncertainties by which each wheel sits elsewhere at each roll position than a rigid car on a
/// plane would have it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Steadiness {
    /// Height of a wheel's centre: suspension, tyre out of round, floor under it, m.
    pub u_height_m: f64,
    /// Fore and aft, and sideways: rubber in the suspension, m.
    pub u_level_m: f64,
    /// Direction of the axis seen from above (toe), rad.
    pub u_toe_rad: f64,
    /// Tilt of the axis against the floor (camber), rad.
    pub u_camber_rad: f64,
    /// Slope of the floor under the wheels against the floor through all sheets, for each of two directions, rad.
    pub u_slope_rad: f64,
}

/// A car that was rolled between roll positions.
#[derive(Clone, Debug, PartialEq)]
pub struct RolledCar {
    /// The wheels with plates.
    pub wheels: Vec<RolledWheel>,
    /// Other bodies (indices into the kit's) that ride on the car.
    pub riders: Vec<usize>,
    /// How steadily it rolls.
    pub steadiness: Steadiness,
}

impl RolledCar {
    /// True for a body that moves with the car.
    pub fn carries(&self, body: usize) -> bool {
        self.riders.contains(&body) || self.wheels.iter().any(|w| w.plate == body)
    }
}
