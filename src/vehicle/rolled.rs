//! A rolled car on its way through survey and decision: what the survey is told, and its answer as bodies that the decision step takes.
//!
//! Each wheel becomes a body of its own whose z axis is the wheel's axis and whose origin is its centre, so that nothing declared about
//! the clamps is left for the decision to add: the survey's covariance holds all of it.

use crate::body::Kit;
use crate::frames::{Direction, Point};
use crate::survey::{HubBefore, JointCovariance, Roll, RollSuspect, RolledCar, RolledWheel, Survey};
use crate::uncertainty::u_of_unknown_direction;
use crate::units::{deg_from_rad, mm_from_m};
use crate::vehicle::{HubPlace, MeasuredBody, Unmeasurable, VehicleModel, WheelModel};
use nalgebra::Vector3;

/// The declared wheels in the survey's words. The declared run-out is left out: rolling finds the axis without it.
pub fn rolled_wheels(vehicle: &VehicleModel) -> Vec<RolledWheel> {
    let rolled = |wheel: &WheelModel| RolledWheel {
        plate: wheel.plate,
        axis_in_plate: Direction::claim(wheel.axis_in_plate.coords.normalize()),
        hub: match wheel.hub {
            HubPlace::StandOff(m) => HubBefore::OnAxis(m),
            HubPlace::InPlate(point) => HubBefore::InPlate(point),
        },
        u_aside_m: u_of_unknown_direction(wheel.eccentricity_m),
        u_along_m: wheel.u_stand_off_m,
    };
    vehicle.wheels.iter().map(rolled).collect()
}

/// What the decision step is made from: bodies, their covariance, and the car that goes with them.
#[derive(Clone, Debug)]
pub struct DecisionBodies {
    /// The bodies as found. Of a rolled car: everything that stood still, what rides on the car, and each wheel at each roll position; those at the
    /// position that is judged have no position.
    pub bodies: Vec<MeasuredBody>,
    /// Their joint covariance.
    pub joint: JointCovariance,
    /// Which of the survey's bodies the first of them are; of a rolled car the wheels at all of [`Roll::places`] follow.
    pub kept: Vec<usize>,
    /// Derivatives of their steps by the adjustment's columns ([`Survey::steps_by_column`]).
    pub by_column: nalgebra::DMatrix<f64>,
    /// The car as declared; of a rolled one, with wheels whose axis and centre are their frames'.
    pub vehicle: VehicleModel,
}

/// The survey's bodies for a car that was rolled and is judged at one of its positions.
///
/// Errors: the roll positions do not give the wheels, or contradict each other.
pub fn rolled_bodies(
    kit: &Kit,
    vehicle: &VehicleModel,
    car: &RolledCar,
    survey: &Survey,
    judged: usize,
) -> Result<DecisionBodies, Unmeasurable> {
    let roll = match &survey.roll {
        Some(Ok(roll)) => roll,
        Some(Err(fault)) => return Err(Unmeasurable::Roll(fault.clone())),
        None => return Err(Unmeasurable::Roll(crate::survey::RollFault::NotSolved("it was not asked for".into()))),
    };
    if !roll.check.passed() {
        return Err(contradiction(kit, vehicle, car, roll));
    }
    let elsewhere = |position: usize| (position != judged).then_some(position);
    let is_plate = |body: usize| vehicle.wheels.iter().any(|w| w.plate == body);
    let keep = |k: &usize| !is_plate(survey.bodies[*k].body) && survey.bodies[*k].hold.is_none();
    let kept: Vec<usize> = (0..survey.bodies.len()).filter(keep).collect();
    let all: Vec<usize> = (0..roll.places.len()).collect();
    let mut bodies: Vec<MeasuredBody> = kept
        .iter()
        .map(|k| {
            let estimate = &survey.bodies[*k];
            MeasuredBody {
                body: estimate.body,
                name: kit.bodies[estimate.body].name.clone(),
                kind: kit.bodies[estimate.body].kind,
                station: estimate.station,
                position: estimate.position.and_then(elsewhere),
                world_from_body: estimate.world_from_body,
            }
        })
        .collect();
    bodies.extend(roll.places.iter().map(|place| MeasuredBody {
        body: place.plate,
        name: kit.bodies[place.plate].name.clone(),
        kind: kit.bodies[place.plate].kind,
        station: None,
        position: elsewhere(place.position),
        world_from_body: place.world_from_wheel,
    }));
    let exact = |wheel: &WheelModel| WheelModel {
        axis_in_plate: Direction::claim(Vector3::z()),
        run_out_rad: 0.0,
        hub: HubPlace::InPlate(Point::claim(Vector3::zeros())),
        eccentricity_m: 0.0,
        u_stand_off_m: 0.0,
        ..*wheel
    };
    Ok(DecisionBodies {
        bodies,
        joint: survey.joint_with_wheels(&kept, &all),
        by_column: survey.steps_by_column(&kept, &all),
        kept,
        vehicle: VehicleModel { wheels: vehicle.wheels.iter().map(exact).collect(), ..vehicle.clone() },
    })
}

/// What the failed test of the roll most likely means.
fn contradiction(kit: &Kit, vehicle: &VehicleModel, car: &RolledCar, roll: &Roll) -> Unmeasurable {
    let cause = match roll.check.suspects.as_slice() {
        [] => "which of them cannot be told".to_owned(),
        [first, ..] => cause(kit, vehicle, car, first),
    };
    Unmeasurable::RollContradicts { statistic: roll.check.statistic, limit: roll.check.limit, cause }
}

fn cause(kit: &Kit, vehicle: &VehicleModel, car: &RolledCar, suspect: &RollSuspect) -> String {
    let name = &kit.bodies[suspect.body].name;
    let position = &car.positions[suspect.position];
    let [turn, x, y, z] = suspect.off;
    let off = format!(
        "it is {:.2} deg and {:.1} mm off at position \"{position}\"",
        deg_from_rad(turn).abs(),
        mm_from_m(Vector3::new(x, y, z).norm())
    );
    match vehicle.wheels.iter().find(|w| w.plate == suspect.body) {
        Some(wheel) if !wheel.corner.is_rear() => format!(
            "most likely the steering was turned while rolling, or \"{name}\" ({} wheel) slipped: {off}",
            wheel.corner.name()
        ),
        Some(wheel) => {
            format!("most likely \"{name}\" slipped on the {} wheel or was touched: {off}", wheel.corner.name())
        }
        None => format!("most likely \"{name}\" moved on the car: {off}"),
    }
}
