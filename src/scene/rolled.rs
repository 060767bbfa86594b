//! A made bay whose car was rolled: the same bay at earlier stops of the car, with every error that a rolled car has.

use crate::frames::{Direction, Point, Pose};
use crate::scene::Bay;
use crate::scene::cameras::walk_again;
use crate::scene::draw::{Draw, Purpose};
use crate::scene::layout::WheelTruth;
use crate::scene::options::BayError;
use crate::scene::scenery;
use crate::survey::{Photo, Steadiness};
use nalgebra::{Isometry3, Rotation3, Translation3, UnitQuaternion, Vector3};

/// How the car of a made bay came to where it stands.
#[derive(Clone, Debug, PartialEq)]
pub struct RollOptions {
    /// The earlier stops: how far along its way the car stood from where it stands now, m (negative: behind).
    pub stops_m: Vec<f64>,
    /// How unsteadily it rolls: everything here is drawn from these standard deviations.
    pub steadiness: Steadiness,
    /// Standard deviation of the angle between the way and the thrust line, rad.
    pub sigma_crab_rad: f64,
}

impl Default for RollOptions {
    /// Two earlier stops, a sixth and a third of a turn of the wheels behind; the rest as [`Steadiness`] has it.
    fn default() -> Self {
        Self {
            stops_m: vec![-0.65, -0.31],
            steadiness: Steadiness::default(),
            sigma_crab_rad: crate::units::rad_from_deg(0.03),
        }
    }
}

/// The stream of random numbers that the roll is drawn from: another seed of the bodies' stream.
const ROLL_STREAM: u64 = 0x7e11_5eed;

impl Bay {
    /// The bay at each earlier stop, in order, and last as it is: the car, its wheels and its plates stand elsewhere, the wheels have turned. The world stays
    /// the vehicle frame of the last.
    ///
    /// Fails where no places are found from which the plates can be photographed at a stop.
    pub fn rolled(&self, roll: &RollOptions) -> Result<Vec<Bay>, BayError> {
        let mut draw = Draw::new(self.options.seed ^ ROLL_STREAM, Purpose::Bodies);
        let steady = &roll.steadiness;
        let crab = draw.normal(roll.sigma_crab_rad);
        let curvature = draw.normal(steady.u_curvature);
        let slope = Vector3::new(draw.normal(steady.u_slope_rad), draw.normal(steady.u_slope_rad), 0.0);
        let mut unsteady = |_: &WheelTruth| Unsteady {
            hub: Vector3::new(
                draw.normal(steady.u_level_m),
                draw.normal(steady.u_level_m),
                draw.normal(steady.u_height_m),
            ),
            axis: Vector3::new(draw.normal(steady.u_toe_rad), 0.0, draw.normal(steady.u_camber_rad)),
        };
        // What the wheels have now is one draw of it as well.
        let now: Vec<Unsteady> = self.layout.wheels.iter().map(&mut unsteady).collect();
        let mut stops = Vec::new();
        for (k, way) in roll.stops_m.iter().enumerate() {
            let turn = curvature * way;
            let chord = if turn == 0.0 { *way } else { 2.0 * (turn / 2.0).sin() / curvature };
            let along = crab + turn / 2.0;
            let planar = Isometry3::from_parts(
                Translation3::new(chord * along.cos(), chord * along.sin(), 0.0),
                UnitQuaternion::from_scaled_axis(Vector3::z() * turn),
            );
            let tilt = Isometry3::from_parts(Translation3::identity(), UnitQuaternion::from_scaled_axis(slope));
            let moved = tilt * planar * tilt.inverse();
            let there: Vec<Unsteady> = self.layout.wheels.iter().map(&mut unsteady).collect();
            stops.push(self.at_stop(k as u64, *way, &moved, &now, &there)?);
        }
        stops.push(self.clone());
        Ok(stops)
    }

    /// The bay with the car moved by `moved` and its wheels turned by the way; each wheel loses its unsteadiness of now and gets that of then.
    fn at_stop(
        &self,
        k: u64,
        way_m: f64,
        moved: &Isometry3<f64>,
        now: &[Unsteady],
        there: &[Unsteady],
    ) -> Result<Bay, BayError> {
        let mut bay = self.clone();
        let turn = way_m / self.options.hub_height_m;
        let layout = &mut bay.layout;
        layout.world_from_car = Pose::claim(*moved);
        for ((wheel, now), there) in layout.wheels.iter_mut().zip(now).zip(there) {
            let (hub, axis) = (wheel.hub_in_vehicle.coords, wheel.axis_in_vehicle.coords);
            let new_hub = moved.rotation * (hub + there.hub - now.hub) + moved.translation.vector;
            let new_axis = moved.rotation * (axis + there.axis - now.axis).normalize();
            // A wheel on the left that rolls forward turns about +y, one on the right about +y too, which is against its outward axis.
            let spin = UnitQuaternion::from_scaled_axis(axis * (turn * wheel.wheel.side()));
            let tip =
                Rotation3::rotation_between(&(moved.rotation * axis), &new_axis).unwrap_or_else(Rotation3::identity);
            let turned = UnitQuaternion::from_rotation_matrix(&tip) * moved.rotation * spin;
            if let Some(plate) = wheel.plate {
                let old = *layout.world_from_body[plate.body].iso();
                let new = Isometry3::from_parts(
                    Translation3::from(new_hub + turned * (old.translation.vector - hub)),
                    turned * old.rotation,
                );
                layout.world_from_body[plate.body] = Pose::claim(new);
            }
            wheel.hub_in_vehicle = Point::claim(new_hub);
            wheel.axis_in_vehicle = Direction::claim(new_axis);
        }
        for tag in &mut layout.tags {
            tag.world_from_tag = layout.world_from_body[tag.body] * tag.body_from_tag;
        }
        bay.solids = scenery::solids(&bay.options, &bay.layout);
        bay.camera_from_world = walk_again(&bay.options, &bay.layout, &bay.solids, k)?;
        Ok(bay)
    }
}

/// What one wheel has at one stop that a rigid car on a plane would not have.
struct Unsteady {
    /// Shift of its centre, m.
    hub: Vector3<f64>,
    /// Change of its axis.
    axis: Vector3<f64>,
}

/// The photographs of all stops with corner errors, each with its roll position.
pub fn noisy_photos(stops: &[Bay]) -> Vec<Photo> {
    let mut all = Vec::new();
    for (position, bay) in stops.iter().enumerate() {
        // The last stop's noise is that of the bay itself.
        let noise = (stops.len() - 1 - position) as u64;
        all.extend(bay.noisy_photos(noise).into_iter().map(|photo| Photo {
            name: format!("{}/{}", position + 1, photo.name),
            position,
            ..photo
        }));
    }
    all
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scene::BayOptions;

    fn steady() -> RollOptions {
        let steadiness = Steadiness {
            u_height_m: 0.0,
            u_level_m: 0.0,
            u_toe_rad: 0.0,
            u_camber_rad: 0.0,
            u_curvature: 0.0,
            u_slope_rad: 0.0,
        };
        RollOptions { steadiness, sigma_crab_rad: 0.0, ..RollOptions::default() }
    }

    /// Rolling without slip on a plane: a wheel turns by way/radius about its own axis and its centre moves straight on.
    #[test]
    fn a_steady_car_rolls_on_round_wheels() {
        let options = BayOptions { seed: 5, ..BayOptions::default() };
        let bay = Bay::new(&options).unwrap();
        let stops = bay.rolled(&steady()).unwrap();
        assert_eq!(stops.len(), 3);
        for (stop, way) in stops.iter().zip([-0.65, -0.31, 0.0]) {
            for (then, now) in stop.layout.wheels.iter().zip(&bay.layout.wheels) {
                let moved = then.hub_in_vehicle.coords - now.hub_in_vehicle.coords;
                assert!((moved - Vector3::new(way, 0.0, 0.0)).norm() < 1e-12, "{moved}");
                let Some(plate) = now.plate else { continue };
                let before = stop.layout.world_from_body[plate.body];
                let turn = before.iso().rotation.inverse() * bay.layout.world_from_body[plate.body].iso().rotation;
                assert!((turn.angle() - way.abs() / options.hub_height_m).abs() < 1e-9);
                // The clamp is as it was: hub and axis in the plate.
                let hub = (before * plate.hub_in_plate).coords;
                assert!((hub - then.hub_in_vehicle.coords).norm() < 1e-12);
                let axis = (before * plate.axis_in_plate).coords;
                assert!((axis - then.axis_in_vehicle.coords).norm() < 1e-12);
                // A point of the tread that touches the floor now comes from behind and above: seen from the left, the wheel turns clockwise.
                if way != 0.0 && now.wheel.side() > 0.0 {
                    let forward = turn.scaled_axis().dot(&plate.axis_in_plate.coords);
                    assert!(forward > 0.0, "{forward}");
                }
            }
        }
    }

    #[test]
    fn an_unsteady_car_rolls_by_the_same_seed_alike() {
        let bay = Bay::new(&BayOptions { seed: 6, front_plates: true, ..BayOptions::default() }).unwrap();
        let (one, two) = (bay.rolled(&RollOptions::default()).unwrap(), bay.rolled(&RollOptions::default()).unwrap());
        assert_eq!(noisy_photos(&one), noisy_photos(&two));
        let hub = |bays: &[Bay], k: usize| bays[k].layout.wheels[0].hub_in_vehicle.coords;
        assert!((hub(&one, 0) - hub(&one, 2) - Vector3::new(-0.65, 0.0, 0.0)).norm() > 1e-5);
    }
}
