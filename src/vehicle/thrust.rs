//! Other ways to the thrust line than the rear wheels' planes: the way the rear wheels went while the car was rolled, and an alignment printout.
//! They take no part in the measurement; they must agree with it, or there is no verdict.

use crate::frames::{Point, Vehicle};
use crate::uncertainty::Estimate;
use crate::units::deg_from_rad;
use crate::vehicle::Unmeasurable;

/// Two thrust lines this many standard uncertainties of their difference apart disagree (two-sided 0.1 % of a normal distribution).
const DISAGREE_IN_U: f64 = 3.29;

/// A way shorter than this tells no direction, m. Common practice, no source.
const SHORTEST_WAY_M: f64 = 0.1;

/// What else is known of the thrust line.
#[derive(Clone, Debug, PartialEq)]
pub struct ThrustChecks {
    /// Standard uncertainty (rad) with which a car that is rolled by hand, steering straight, follows the bisector of its rear wheels.
    pub u_crab_rad: f64,
    /// The thrust angle of an alignment printout.
    pub printout: Option<Printout>,
}

impl Default for ThrustChecks {
    /// Common practice, no source: tyres that pull and steering that is not quite straight turn the way by 0.03 degrees.
    fn default() -> Self {
        Self { u_crab_rad: crate::units::rad_from_deg(0.03), printout: None }
    }
}

/// A thrust angle as an alignment printout states it.
#[derive(Clone, Debug, PartialEq)]
pub struct Printout {
    /// Angle from the geometric centreline (rear to front hubs' midpoints) to the thrust line, rad, **right positive**, as printouts count.
    pub right_rad: f64,
    /// Its standard uncertainty, rad.
    pub u_rad: f64,
    /// Which printout.
    pub source: String,
}

/// Another way to the thrust line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ThrustSource {
    /// The direction in which the middle between the rear wheels travelled.
    Travel,
    /// The alignment printout on the hub centres.
    Printout,
}

/// A thrust line found another way.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ThrustLine {
    /// How.
    pub source: ThrustSource,
    /// Its heading against the bisector of the rear wheels, rad, left positive. The uncertainty is of this difference.
    pub heading: Estimate,
}

impl ThrustLine {
    /// Size of the difference in its standard uncertainty.
    pub fn statistic(&self) -> f64 {
        if self.heading.u > 0.0 { self.heading.value.abs() / self.heading.u } else { 0.0 }
    }

    /// Largest statistic with which the two agree.
    pub fn limit(&self) -> f64 {
        DISAGREE_IN_U
    }

    /// True where nothing speaks against the two being one line.
    pub fn agrees(&self) -> bool {
        self.statistic() <= self.limit()
    }

    /// An error where the two disagree, with the likely causes.
    pub fn check(&self) -> Result<(), Unmeasurable> {
        if self.agrees() {
            return Ok(());
        }
        let (other, cause) = match self.source {
            ThrustSource::Travel => (
                "the way the rear wheels went while the car was rolled",
                "the steering was not straight, the car was pushed sideways, or a plate was touched between two roll positions. Roll it again",
            ),
            ThrustSource::Printout => (
                "the thrust angle of the alignment printout",
                "the printout is of another state of the car or counts its sign the other way (right is positive here), or a plate is not seated. Check both",
            ),
        };
        Err(Unmeasurable::ThrustLinesDisagree {
            other,
            by_deg: deg_from_rad(self.heading.value).abs(),
            side: if self.heading.value > 0.0 { "left" } else { "right" },
            expanded_deg: deg_from_rad(self.heading.expanded),
            cause,
        })
    }
}

/// Heading (rad, left positive, against the vehicle's X) of the way that the middle between the rear wheels went, as it belongs to the car
/// where it is judged: for two stops the direction of the chord less the mean turn of the car at its ends (an arc's chord points along the mean
/// of its tangents), for several the mean of all pairs, weighted by the chord's length squared.
///
/// `stops`: left and right hub at each roll position in the vehicle frame of the judged one; `judged` is that one's index. `None` where no two
/// stops are apart.
pub fn travel_heading(stops: &[[Point<Vehicle>; 2]], judged: usize) -> Option<f64> {
    let middle = |k: usize| (stops[k][0].coords + stops[k][1].coords) / 2.0;
    // Direction square to the line from the right hub to the left one, forward.
    let axle = |k: usize| {
        let across = stops[k][0].coords - stops[k][1].coords;
        (-across.x).atan2(across.y)
    };
    let at_judged = axle(judged);
    let (mut sum, mut weight, mut longest) = (0.0, 0.0, 0.0f64);
    for a in 0..stops.len() {
        for b in a + 1..stops.len() {
            let way = middle(b) - middle(a);
            // Rolled backwards, the way still lies along the car.
            let way = if way.x < 0.0 { -way } else { way };
            let length = way.xy().norm();
            let turned = (axle(a) + axle(b)) / 2.0 - at_judged;
            sum += length * length * (way.y.atan2(way.x) - turned);
            weight += length * length;
            longest = longest.max(length);
        }
    }
    (longest >= SHORTEST_WAY_M).then(|| sum / weight)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::rad_from_deg;
    use nalgebra::{Rotation3, Vector3};

    /// Stops of a car with a thrust line at `thrust` to its axle's square, on a circle of this curvature (1/m).
    fn stops(thrust: f64, curvature: f64, ways: &[f64]) -> Vec<[Point<Vehicle>; 2]> {
        ways.iter()
            .map(|s| {
                let turn = curvature * s;
                // Along an arc that starts along `thrust`: chord 2 sin(turn/2)/curvature at half the turn.
                let chord = if curvature == 0.0 { *s } else { 2.0 * (turn / 2.0).sin() / curvature };
                let along = thrust + turn / 2.0;
                let middle = Vector3::new(chord * along.cos(), chord * along.sin(), 0.3);
                let r = Rotation3::from_axis_angle(&Vector3::z_axis(), turn);
                [0.77, -0.77].map(|y| Point::claim(middle + r * Vector3::new(0.0, y, 0.0)))
            })
            .collect()
    }

    /// Source: circle geometry (the chord of an arc points along the mean of the tangents at its ends).
    #[test]
    fn the_way_of_a_car_that_crabs_and_turns() {
        let thrust = rad_from_deg(0.21);
        for curvature in [0.0, 0.02, -0.01] {
            for ways in [[0.0, 0.34, 0.65], [0.65, 0.2, 0.0], [0.1, -0.5, 0.3]] {
                for judged in 0..3 {
                    // In the frame of the judged stop's axle.
                    let all = stops(thrust, curvature, &ways);
                    let back = Rotation3::from_axis_angle(&Vector3::z_axis(), -curvature * ways[judged]);
                    let all: Vec<_> = all.iter().map(|s| s.map(|p| Point::claim(back * p.coords))).collect();
                    let heading = travel_heading(&all, judged).unwrap();
                    assert!((heading - thrust).abs() < 1e-9, "{curvature} {ways:?}: {heading} for {thrust}");
                }
            }
        }
        assert_eq!(travel_heading(&stops(thrust, 0.0, &[0.0, 0.05]), 0), None);
        assert_eq!(travel_heading(&stops(thrust, 0.0, &[0.0]), 0), None);
    }

    #[test]
    fn lines_that_disagree_are_said_with_size_and_side() {
        let line = |deg: f64| ThrustLine {
            source: ThrustSource::Travel,
            heading: Estimate::new(rad_from_deg(deg), rad_from_deg(0.03)),
        };
        assert!(line(0.09).check().is_ok());
        let told = line(-0.15).check().unwrap_err().to_string();
        assert!(told.contains("0.15 deg to the right") && told.contains("steering"), "{told}");
    }
}
