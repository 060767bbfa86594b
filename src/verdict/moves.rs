//! What to move, by how much, in which order: level, turn, slide sideways, slide along, then height.
//!
//! A stand that is levelled or turned swings about its pivot, which carries the target's origin along; the slides that follow include
//! that. Amounts are rounded to what hands can do, and every later amount counts with the rounded earlier ones.

use crate::frames::{Point, Pose, Target, Vehicle, rotation_from_yaw_pitch_roll};
use crate::placement::{Component, Station};
use crate::uncertainty::K_95;
use crate::units::{m_from_mm, rad_from_deg};
use crate::verdict::words::{End, move_sentence};
use nalgebra::{Matrix3, Matrix6, Vector3, Vector6};

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

/// The order of moves.
const ORDER: [MoveKind; 6] = [
    MoveKind::LevelPitch,
    MoveKind::LevelRoll,
    MoveKind::Turn,
    MoveKind::SlideSideways,
    MoveKind::SlideAlong,
    MoveKind::RaiseLower,
];

impl MoveKind {
    /// The component that it brings to what is required.
    pub fn brings(self) -> Component {
        match self {
            MoveKind::LevelPitch => Component::Pitch,
            MoveKind::LevelRoll => Component::Roll,
            MoveKind::Turn => Component::Yaw,
            MoveKind::SlideSideways => Component::Lateral,
            MoveKind::SlideAlong => Component::Distance,
            MoveKind::RaiseLower => Component::Height,
        }
    }
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

/// Where a stand is and how it can swing.
#[derive(Clone, Copy, Debug)]
pub struct Swing {
    /// Nominal attitude, vehicle from target.
    pub nominal: Matrix3<f64>,
    /// From the target's origin to the pivot, in the target's frame, m.
    pub pivot: Vector3<f64>,
}

impl Swing {
    /// The swing of a stand that stands at `vehicle_from_target`; without a stated pivot it turns on the floor right below the target's origin.
    pub fn new(station: &Station, vehicle_from_target: &Pose<Vehicle, Target>, pivot: Option<Point<Target>>) -> Self {
        let [.., yaw, pitch, roll] = station.required;
        let below = Vector3::new(0.0, 0.0, -vehicle_from_target.translation().z);
        Self {
            nominal: rotation_from_yaw_pitch_roll(yaw, pitch, roll).into_inner(),
            pivot: pivot.map_or_else(|| vehicle_from_target.rotation().transpose() * below, |p| p.coords),
        }
    }

    /// The deviations after turning and tipping to other angles about the pivot: [distance, lateral, height, yaw, pitch, roll].
    fn to_angles(self, from: &Vector6<f64>, angles: [f64; 3]) -> Vector6<f64> {
        let arm =
            |yaw, pitch, roll| rotation_from_yaw_pitch_roll(yaw, pitch, roll).into_inner() * self.nominal * self.pivot;
        let moved = arm(from[3], from[4], from[5]) - arm(angles[0], angles[1], angles[2]);
        Vector6::new(from[0] + moved.x, from[1] + moved.y, from[2] + moved.z, angles[0], angles[1], angles[2])
    }

    /// The deviations after one move by `amount`.
    pub fn after(self, from: &Vector6<f64>, kind: MoveKind, amount: f64) -> Vector6<f64> {
        let [_, _, _, yaw, pitch, roll] = (*from).into();
        let mut slid = *from;
        match kind {
            MoveKind::LevelPitch => return self.to_angles(from, [yaw, pitch + amount, roll]),
            MoveKind::LevelRoll => return self.to_angles(from, [yaw, pitch, roll + amount]),
            MoveKind::Turn => return self.to_angles(from, [yaw + amount, pitch, roll]),
            MoveKind::SlideSideways => slid[1] += amount,
            MoveKind::SlideAlong => slid[0] += amount,
            MoveKind::RaiseLower => slid[2] += amount,
        }
        slid
    }

    /// Deviations after the first moves of [`ORDER`] that are in `made`, each taking its component exactly to zero.
    fn after_exact(self, from: &Vector6<f64>, made: &[usize]) -> Vector6<f64> {
        made.iter().fold(*from, |at, k| {
            let kind = ORDER[*k];
            self.after(&at, kind, -at[kind.brings().index()])
        })
    }

    /// Covariance of the deviations after these moves, by central differences in the deviations.
    fn cov_after(self, from: &Vector6<f64>, cov: &Matrix6<f64>, made: &[usize]) -> Matrix6<f64> {
        const STEP: f64 = 1e-6;
        let mut jacobian = Matrix6::zeros();
        for k in 0..6 {
            let mut offset = Vector6::zeros();
            offset[k] = STEP;
            let slope =
                (self.after_exact(&(from + offset), made) - self.after_exact(&(from - offset), made)) / (2.0 * STEP);
            jacobian.set_column(k, &slope);
        }
        jacobian * cov * jacobian.transpose()
    }
}

/// The moves that bring a stand to where it belongs, in order.
///
/// A component is moved where its tolerance is asked and it is not shown in tolerance once the earlier moves are made, unless the move would be
/// smaller than its own standard uncertainty. `deviations` and `cov` in the order of [`Component::ALL`].
pub fn plan(station: &Station, deviations: &Vector6<f64>, cov: &Matrix6<f64>, swing: Swing) -> Vec<Move> {
    let end = End::of(station.required[Component::Distance.index()]);
    let mut at = *deviations; // with the rounded amounts
    let mut made: Vec<usize> = Vec::new();
    let mut moves = Vec::new();
    for (k, kind) in ORDER.into_iter().enumerate() {
        let component = kind.brings();
        let Some(tolerance) = station.tolerance[component.index()] else {
            continue;
        };
        let i = component.index();
        let u = swing.cov_after(deviations, cov, &made)[(i, i)].max(0.0).sqrt();
        if at[i].abs() + K_95 * u <= tolerance || at[i].abs() < u {
            continue;
        }
        let amount = rounded(component, -at[i], tolerance);
        if amount == 0.0 {
            continue;
        }
        at = swing.after(&at, kind, amount);
        made.push(k);
        moves.push(Move { kind, amount, u, words: move_sentence(kind, amount, end) });
    }
    moves
}

/// Rounds an amount to what hands can do: 1 mm and 0.05°, finer (0.1 mm, 0.01°) where the tolerance is below 2 mm or 0.1°. Common practice, no source.
fn rounded(component: Component, amount: f64, tolerance: f64) -> f64 {
    // A hair above the limits, so that a tolerance of exactly 2 mm or 0.1° stays coarse whatever the rounding of its conversion.
    let step = if component.is_angle() {
        rad_from_deg(if tolerance < rad_from_deg(0.0999) { 0.01 } else { 0.05 })
    } else {
        m_from_mm(if tolerance < m_from_mm(1.999) { 0.1 } else { 1.0 })
    };
    (amount / step).round() * step
}

#[cfg(test)]
mod tests;
