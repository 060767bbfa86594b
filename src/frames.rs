//! Frames in types. A [`Pose<To, From>`] maps coordinates of frame `From` to frame `To`; a product whose
//! inner frames differ does not compile.
//!
//! ```text
//! World    fixed by the survey: the reference body's own frame.          metres
//! Camera   x right, y down, z forward (along the line of sight).         metres
//! Tag      x right, y up as printed upright, z out of the paper.         metres
//! Body     whatever frame the body's file uses (a sheet: its tag's).     metres
//! Target   at its nominal placement parallel to Vehicle: x away from the car, y left, z up;
//!          its face looks along -x.                                      metres
//! Vehicle  ISO 8855: X forward along the thrust line, Y left, Z up; origin on the floor below the
//!          midpoint of the rear wheel centres.                           metres
//! ```
//!
//! A variable that holds a transform is named `target_from_source`: read aloud, inner names cancel
//! (`vehicle_from_world * world_from_stand`). What the types do *not* tell apart is one camera pose from another, or one
//! body from another: the name or index must (`camera_from_world[photo]`).

use nalgebra::{Isometry3, Matrix3, Point3, Rotation3, Translation3, UnitQuaternion, Vector3, Vector6};
use std::fmt;
use std::marker::PhantomData;
use std::ops::Mul;

macro_rules! frames {
    ($($(#[$doc:meta])* $name:ident),* $(,)?) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub struct $name;
    )*};
}

frames! {
    /// Fixed by the survey (the reference body's frame).
    World,
    /// x right, y down, z forward.
    Camera,
    /// x right, y up as printed, z out of the paper; origin at the tag's centre.
    Tag,
    /// The frame a body's file is written in.
    Body,
    /// What a placement places: parallel to `Vehicle` when it stands right.
    Target,
    /// ISO 8855, X along the thrust line.
    Vehicle,
}

/// A rigid transform that maps coordinates in `From` to coordinates in `To`.
pub struct Pose<To, From> {
    iso: Isometry3<f64>,
    frames: PhantomData<fn(From) -> To>,
}

// Written by hand: a derive would demand `To: Clone` and so on, which says nothing about a transform.
impl<To, From> Clone for Pose<To, From> {
    fn clone(&self) -> Self {
        *self
    }
}
impl<To, From> Copy for Pose<To, From> {}
impl<To, From> PartialEq for Pose<To, From> {
    fn eq(&self, other: &Self) -> bool {
        self.iso == other.iso
    }
}
impl<To, From> fmt::Debug for Pose<To, From> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let t = self.iso.translation.vector;
        let w = self.iso.rotation.scaled_axis();
        write!(f, "Pose(t = [{:.6}, {:.6}, {:.6}] m, rotvec = [{:.6}, {:.6}, {:.6}] rad)", t.x, t.y, t.z, w.x, w.y, w.z)
    }
}

impl<To, From> Pose<To, From> {
    /// Claims that `iso` links these two frames. This is the only way in from untyped numbers, so that every such
    /// claim can be found by searching for `claim`.
    pub fn claim(iso: Isometry3<f64>) -> Self {
        Self { iso, frames: PhantomData }
    }

    /// Claims a pose from a rotation vector (rad) and a translation (m).
    pub fn claim_rotvec(rotvec: Vector3<f64>, translation_m: Vector3<f64>) -> Self {
        Self::claim(Isometry3::from_parts(Translation3::from(translation_m), UnitQuaternion::from_scaled_axis(rotvec)))
    }

    /// Claims a pose from a rotation matrix (made orthonormal) and a translation (m).
    pub fn claim_matrix(rotation: &Matrix3<f64>, translation_m: Vector3<f64>) -> Self {
        let r = Rotation3::from_matrix_eps(rotation, 1e-15, 100, Rotation3::identity());
        Self::claim(Isometry3::from_parts(Translation3::from(translation_m), UnitQuaternion::from_rotation_matrix(&r)))
    }

    /// Claims that two frames coincide.
    pub fn coincident() -> Self {
        Self::claim(Isometry3::identity())
    }

    /// The untyped transform, for kernels that do their own arithmetic.
    pub fn iso(&self) -> &Isometry3<f64> {
        &self.iso
    }

    /// Rotation matrix, `To` from `From`.
    pub fn rotation(&self) -> Matrix3<f64> {
        self.iso.rotation.to_rotation_matrix().into_inner()
    }

    /// Origin of `From` in `To`, metres.
    pub fn translation(&self) -> Vector3<f64> {
        self.iso.translation.vector
    }

    /// The transform the other way round.
    pub fn inverse(&self) -> Pose<From, To> {
        Pose::claim(self.iso.inverse())
    }

    /// `exp(δ) · self`: a small motion in the axes of `To`; δ = [rotation (rad), translation (m)].
    pub fn moved_left(&self, delta: &Vector6<f64>) -> Self {
        Self::claim(step(delta) * self.iso)
    }

    /// `self · exp(δ)`: a small motion in the axes of `From`; δ = [rotation (rad), translation (m)].
    pub fn moved_right(&self, delta: &Vector6<f64>) -> Self {
        Self::claim(self.iso * step(delta))
    }

    /// The step δ with which [`Pose::moved_left`] leads from this pose to another.
    pub fn left_step_to(&self, other: &Self) -> Vector6<f64> {
        step_of(&(other.iso * self.iso.inverse()))
    }

    /// The step δ with which [`Pose::moved_right`] leads from this pose to another.
    pub fn right_step_to(&self, other: &Self) -> Vector6<f64> {
        step_of(&(self.iso.inverse() * other.iso))
    }

    /// Rotation angle (rad) and distance (m) between two poses, for comparisons.
    pub fn difference(&self, other: &Self) -> (f64, f64) {
        let d = self.iso.inverse() * other.iso;
        (d.rotation.angle(), d.translation.vector.norm())
    }

    /// True where every number is finite.
    pub fn is_finite(&self) -> bool {
        self.iso.translation.vector.iter().all(|v| v.is_finite())
            && self.iso.rotation.coords.iter().all(|v| v.is_finite())
    }
}

impl<F> Pose<F, F> {
    /// The pose of a frame in itself.
    pub fn identity() -> Self {
        Self::claim(Isometry3::identity())
    }
}

/// Rotation `exp(ω)` followed by the translation `ν`: the step that both `moved_left` and `moved_right` take.
///
/// Not the exponential of SE(3): its translation is taken as given, which has the same derivative at zero and keeps
/// rotation and translation easy to read.
fn step(delta: &Vector6<f64>) -> Isometry3<f64> {
    Isometry3::from_parts(
        Translation3::new(delta[3], delta[4], delta[5]),
        UnitQuaternion::from_scaled_axis(Vector3::new(delta[0], delta[1], delta[2])),
    )
}

/// The step [rotation vector (rad), translation (m)] that a motion is: the inverse of what [`Pose::moved_left`] does with one.
pub(crate) fn step_of(motion: &Isometry3<f64>) -> Vector6<f64> {
    let (turn, shift) = (motion.rotation.scaled_axis(), motion.translation.vector);
    Vector6::new(turn.x, turn.y, turn.z, shift.x, shift.y, shift.z)
}

impl<A, B, C> Mul<Pose<B, C>> for Pose<A, B> {
    type Output = Pose<A, C>;
    fn mul(self, rhs: Pose<B, C>) -> Pose<A, C> {
        Pose::claim(self.iso * rhs.iso)
    }
}

impl<A, B> Mul<Point<B>> for Pose<A, B> {
    type Output = Point<A>;
    fn mul(self, rhs: Point<B>) -> Point<A> {
        Point::claim((self.iso * Point3::from(rhs.coords)).coords)
    }
}

impl<A, B> Mul<Direction<B>> for Pose<A, B> {
    type Output = Direction<A>;
    fn mul(self, rhs: Direction<B>) -> Direction<A> {
        Direction::claim(self.iso.rotation * rhs.coords)
    }
}

/// A place, in the frame `F`, metres.
pub struct Point<F> {
    /// Coordinates, metres.
    pub coords: Vector3<f64>,
    frame: PhantomData<F>,
}

/// A direction (a vector that translations leave alone), in the frame `F`.
pub struct Direction<F> {
    /// Components; length 1 where the name says unit.
    pub coords: Vector3<f64>,
    frame: PhantomData<F>,
}

macro_rules! vector_like {
    ($name:ident) => {
        impl<F> Clone for $name<F> {
            fn clone(&self) -> Self {
                *self
            }
        }
        impl<F> Copy for $name<F> {}
        impl<F> PartialEq for $name<F> {
            fn eq(&self, other: &Self) -> bool {
                self.coords == other.coords
            }
        }
        impl<F> fmt::Debug for $name<F> {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(
                    f,
                    concat!(stringify!($name), "[{:.6}, {:.6}, {:.6}]"),
                    self.coords.x, self.coords.y, self.coords.z
                )
            }
        }
        impl<F> $name<F> {
            /// Claims that these coordinates are in the frame `F`.
            pub fn claim(coords: Vector3<f64>) -> Self {
                Self { coords, frame: PhantomData }
            }
        }
    };
}
vector_like!(Point);
vector_like!(Direction);

/// The skew-symmetric matrix of `v`: `skew(v) w = v × w`.
pub fn skew(v: &Vector3<f64>) -> Matrix3<f64> {
    Matrix3::new(0.0, -v.z, v.y, v.z, 0.0, -v.x, -v.y, v.x, 0.0)
}

/// Rotation `Rz(yaw) Ry(pitch) Rx(roll)`, angles in radians: the order used for every target attitude.
pub fn rotation_from_yaw_pitch_roll(yaw: f64, pitch: f64, roll: f64) -> Rotation3<f64> {
    // nalgebra's own order is roll, pitch, yaw applied in this order about fixed axes, which is the same product.
    Rotation3::from_euler_angles(roll, pitch, yaw)
}

/// Yaw, pitch, roll (rad) of a rotation matrix `Rz(yaw) Ry(pitch) Rx(roll)`; pitch within ±90°.
pub fn yaw_pitch_roll(r: &Matrix3<f64>) -> (f64, f64, f64) {
    let yaw = r[(1, 0)].atan2(r[(0, 0)]);
    let pitch = (-r[(2, 0)]).atan2(r[(2, 1)].hypot(r[(2, 2)]));
    let roll = r[(2, 1)].atan2(r[(2, 2)]);
    (yaw, pitch, roll)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::rad_from_deg;
    use approx::assert_abs_diff_eq;

    fn some_pose<A, B>(k: f64) -> Pose<A, B> {
        Pose::claim_rotvec(Vector3::new(0.3 * k, -0.2, 0.5 - k), Vector3::new(1.0, 2.0 * k, -0.7))
    }

    #[test]
    fn inverse_and_composition() {
        let world_from_body: Pose<World, Body> = some_pose(1.0);
        let camera_from_world: Pose<Camera, World> = some_pose(0.4);
        let p = Point::<Body>::claim(Vector3::new(0.1, -0.4, 2.0));
        let one = (camera_from_world * world_from_body) * p;
        let two = camera_from_world * (world_from_body * p);
        assert_abs_diff_eq!(one.coords, two.coords, epsilon = 1e-14);
        let (angle, distance) = (world_from_body * world_from_body.inverse()).difference(&Pose::identity());
        assert!(angle < 1e-12 && distance < 1e-14, "{angle} {distance}");
    }

    #[test]
    fn left_and_right_steps_have_the_stated_derivative() {
        let t: Pose<Camera, World> = some_pose(0.7);
        let p = Point::<World>::claim(Vector3::new(0.2, 0.5, -1.1));
        for axis in 0..6 {
            let h = 1e-6;
            let mut delta = Vector6::zeros();
            delta[axis] = h;
            let plus = (t.moved_left(&delta) * p).coords;
            let plus_right = (t.moved_right(&delta) * p).coords;
            delta[axis] = -h;
            let numeric = (plus - (t.moved_left(&delta) * p).coords) / (2.0 * h);
            let numeric_right = (plus_right - (t.moved_right(&delta) * p).coords) / (2.0 * h);
            let x = (t * p).coords;
            let mut unit = Vector3::zeros();
            unit[axis % 3] = 1.0;
            let (left, right) = if axis < 3 {
                (unit.cross(&x), t.rotation() * unit.cross(&p.coords))
            } else {
                (unit, t.rotation() * unit)
            };
            assert_abs_diff_eq!(numeric, left, epsilon = 1e-9);
            assert_abs_diff_eq!(numeric_right, right, epsilon = 1e-9);
        }
    }

    /// Source: Rz Ry Rx at yaw 30, pitch 20, roll 10 degrees, recomputed independently with a general-purpose rotation library.
    #[test]
    fn yaw_pitch_roll_matrix() {
        let r = rotation_from_yaw_pitch_roll(rad_from_deg(30.0), rad_from_deg(20.0), rad_from_deg(10.0)).into_inner();
        let expected = Matrix3::new(
            0.813797681,
            -0.440969611,
            0.378522306, //
            0.469846310,
            0.882564119,
            0.018028311, //
            -0.342020143,
            0.163175911,
            0.925416578,
        );
        assert_abs_diff_eq!(r, expected, epsilon = 1e-9);
        let (yaw, pitch, roll) = yaw_pitch_roll(&r);
        assert_abs_diff_eq!(yaw, rad_from_deg(30.0), epsilon = 1e-12);
        assert_abs_diff_eq!(pitch, rad_from_deg(20.0), epsilon = 1e-12);
        assert_abs_diff_eq!(roll, rad_from_deg(10.0), epsilon = 1e-12);
    }

    /// Source: rotation vector (.1, .2, .3), recomputed independently with a general-purpose rotation library.
    #[test]
    fn rotation_vector_matrix() {
        let pose: Pose<World, Body> = Pose::claim_rotvec(Vector3::new(0.1, 0.2, 0.3), Vector3::zeros());
        let expected = Matrix3::new(
            0.935754803,
            -0.283164961,
            0.210191706, //
            0.302932713,
            0.950580618,
            -0.068031316, //
            -0.180540077,
            0.127334575,
            0.975290309,
        );
        assert_abs_diff_eq!(pose.rotation(), expected, epsilon = 1e-9);
    }
}
