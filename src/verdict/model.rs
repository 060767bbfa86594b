//! The whole calculation as one function of its inputs: body poses as surveyed and declared quantities in, deviations and the car's own
//! angles out. [`crate::uncertainty::propagate`] steps every input of it.

use crate::body::BodyKind;
use crate::frames::{Body, Point, Pose, Target, Vehicle, World, rotation_from_yaw_pitch_roll, yaw_pitch_roll};
use crate::placement::{Component, Datum, LateralFrom, Reference, StandModel, Station};
use crate::uncertainty::{Group, Inputs, u_of_unknown_direction};
use crate::vehicle::geometry::{self, Floor, Wheel, WheelError};
use crate::vehicle::{Corner, Unmeasurable, WheelModel};
use crate::verdict::{AssessInput, BudgetSource};
use nalgebra::{DMatrix, DVector, Vector6};

/// How many outputs the car has besides its wheels'.
pub const CAR_OUTPUTS: usize = 10;

/// A station whose bodies were all measured.
#[derive(Clone, Copy, Debug)]
pub struct StationPlan<'a> {
    /// Index into the placement's stations.
    pub index: usize,
    /// The station.
    pub station: &'a Station,
    /// Its stand.
    pub stand: StandModel,
    /// Position, in the measured bodies, of the body that carries the target.
    target: usize,
    /// The same for a datum body.
    datum_body: Option<usize>,
    /// First of the target-place inputs (three angles, three coordinates).
    target_place: usize,
    /// First of the datum's inputs (three coordinates).
    datum_place: usize,
}

/// What belongs to the calculation, found once, and its inputs with their uncertainty.
#[derive(Clone, Debug)]
pub struct Model<'a> {
    input: AssessInput<'a>,
    /// Positions of the floor sheets in the measured bodies.
    pub sheets: Vec<usize>,
    /// The same for touched points.
    pub touched: Vec<usize>,
    /// Declared wheels whose plates were measured, each with its plate's position in the measured bodies.
    pub wheels: Vec<(&'a WheelModel, usize)>,
    plumb: Option<usize>,
    /// The stations that can be calculated.
    pub stations: Vec<StationPlan<'a>>,
    /// Index of the first of each wheel's five inputs.
    wheel_inputs: Vec<usize>,
    thickness: usize,
    sheet_heights: usize,
    level: usize,
    plumb_tilt: usize,
    wheelbase: Option<usize>,
    /// Rear left and right wheel, as positions in the measured bodies, at each roll position but the judged one.
    stops: Vec<[usize; 2]>,
    crab: usize,
    printout: Option<usize>,
    /// All inputs.
    pub inputs: Inputs<BudgetSource>,
}

/// One evaluation of the calculation.
#[derive(Clone, Debug)]
pub struct Evaluated {
    /// The vehicle frame.
    pub world_from_vehicle: Pose<World, Vehicle>,
    /// The wheels, in the order of [`Model::wheels`].
    pub wheels: Vec<Wheel<Vehicle>>,
    /// Midpoint of the front hubs, where both were measured.
    pub front: Option<Point<Vehicle>>,
    /// Heights of the sheets above the fitted plane, m.
    pub sheet_heights: Vec<f64>,
    /// Places of the touched points.
    pub touched: Vec<Point<Vehicle>>,
    /// Slope of the floor against the plumb line along X and Y, rad.
    pub floor_slope: Option<[f64; 2]>,
    /// The same minus what was read off an instrument (or minus none), rad.
    pub level_difference: Option<[f64; 2]>,
    /// Heading of the way the rear wheels went, rad, left positive; where the car was rolled.
    pub travel: Option<f64>,
    /// Of each station in [`Model::stations`]: the target's place and the six deviations.
    pub stations: Vec<(Pose<Vehicle, Target>, Vector6<f64>)>,
}

/// The measured body `body` that counts at `station`: its own estimate for that station, else the one for all stations.
fn at_station(input: &AssessInput, body: usize, station: usize) -> Option<usize> {
    let find = |s| input.bodies.iter().position(|b| b.body == body && b.station == s && b.position.is_none());
    find(Some(station)).or_else(|| find(None))
}

/// The rear wheels at every roll position but the judged one where both were measured.
fn stops(input: &AssessInput) -> Vec<[usize; 2]> {
    let rear = [Corner::RearLeft, Corner::RearRight]
        .map(|c| input.vehicle.wheels.iter().find(|w| w.corner == c).map(|w| w.plate));
    let [Some(left), Some(right)] = rear else { return Vec::new() };
    let find = |body, p| input.bodies.iter().position(|b| b.body == body && b.position == Some(p));
    let mut positions: Vec<usize> = input.bodies.iter().filter_map(|b| b.position).collect();
    positions.sort_unstable();
    positions.dedup();
    positions.into_iter().filter_map(|p| Some([find(left, p)?, find(right, p)?])).collect()
}

impl<'a> Model<'a> {
    /// Finds the bodies that the calculation needs and lists its inputs. Stations that lack a body are returned beside it.
    pub fn new(input: &AssessInput<'a>) -> Result<(Self, Vec<(usize, Unmeasurable)>), Unmeasurable> {
        check_numbers(input)?;
        let of_kind = |kind| {
            let positions = input.bodies.iter().enumerate().filter(move |(_, b)| b.kind == kind).map(|(p, _)| p);
            positions.collect::<Vec<_>>()
        };
        let sheets = of_kind(BodyKind::FloorSheet);
        let plumb = of_kind(BodyKind::PlumbLine).first().copied();
        for corner in Corner::ALL {
            let declared: Vec<_> = input.vehicle.wheels.iter().filter(|w| w.corner == corner).collect();
            match declared[..] {
                [] if corner.is_rear() => return Err(Unmeasurable::NoPlate(corner)),
                [] => {}
                [wheel] if corner.is_rear() && at_station(input, wheel.plate, 0).is_none() => {
                    return Err(Unmeasurable::PlateNotMeasured(corner));
                }
                [_] => {}
                _ => return Err(Unmeasurable::WheelTwice(corner)),
            }
        }
        let wheels: Vec<_> =
            input.vehicle.wheels.iter().filter_map(|w| Some((w, at_station(input, w.plate, 0)?))).collect();
        let mut model = Self {
            input: *input,
            sheets,
            touched: of_kind(BodyKind::TouchedPoint),
            wheels,
            plumb,
            stations: Vec::new(),
            wheel_inputs: Vec::new(),
            thickness: 0,
            sheet_heights: 0,
            level: 0,
            plumb_tilt: 0,
            wheelbase: None,
            stops: stops(input),
            crab: 0,
            printout: None,
            inputs: Inputs::new(),
        };
        model.list_survey();
        model.list_car_and_floor();
        let missing = model.list_stations();
        Ok((model, missing))
    }

    /// The survey's six steps for each body, with its covariance by parts.
    fn list_survey(&mut self) {
        for body in self.input.bodies {
            for step in ["turn x", "turn y", "turn z", "shift x", "shift y", "shift z"] {
                self.inputs.add_exact(format!("{} of {}", step, body.name), 0.0);
            }
        }
        let joint = self.input.joint;
        let mut rest = joint.cov.clone();
        for (source, part) in &joint.parts {
            rest -= part;
            self.inputs.groups.push(Group { source: BudgetSource::Survey(*source), first: 0, cov: part.clone() });
        }
        // Parts that add up leave only rounding behind.
        if rest.amax() > 1e-9 * joint.cov.amax() {
            self.inputs.groups.push(Group { source: BudgetSource::SurveyRest, first: 0, cov: rest });
        }
    }

    fn list_car_and_floor(&mut self) {
        let inputs = &mut self.inputs;
        for (wheel, _) in &self.wheels {
            let corner = wheel.corner;
            let name = |what: &str| format!("{what} of the {} plate", corner.name());
            let tilt = u_of_unknown_direction(wheel.run_out_rad);
            let shift = u_of_unknown_direction(wheel.eccentricity_m);
            self.wheel_inputs.push(inputs.add(name("tilt 1"), 0.0, tilt, BudgetSource::RunOut(corner)));
            inputs.add(name("tilt 2"), 0.0, tilt, BudgetSource::RunOut(corner));
            inputs.add(name("shift 1"), 0.0, shift, BudgetSource::PlateCentre(corner));
            inputs.add(name("shift 2"), 0.0, shift, BudgetSource::PlateCentre(corner));
            inputs.add(name("stand-off"), 0.0, wheel.u_stand_off_m, BudgetSource::StandOff(corner));
        }
        let floor = self.input.floor;
        self.thickness =
            inputs.add("height of all prints", floor.thickness_m, floor.u_thickness_m, BudgetSource::SheetThickness);
        self.sheet_heights = inputs.values.len();
        for position in &self.sheets {
            let name = format!("own height of {}", self.input.bodies[*position].name);
            inputs.add(name, 0.0, floor.u_uneven_m, BudgetSource::FloorUneven);
        }
        let [along, across, u] = match floor.level_reading {
            Some(read) => [read.rises_forward_rad, read.rises_left_rad, read.u_rad],
            None => [0.0, 0.0, floor.u_level_rad],
        };
        self.level = inputs.add("floor level 1", along, u, BudgetSource::FloorLevel);
        inputs.add("floor level 2", across, u, BudgetSource::FloorLevel);
        self.plumb_tilt = inputs.add("plumb line tilt 1", 0.0, floor.u_plumb_rad, BudgetSource::PlumbLine);
        inputs.add("plumb line tilt 2", 0.0, floor.u_plumb_rad, BudgetSource::PlumbLine);
        self.wheelbase =
            self.input.vehicle.wheelbase.map(|w| inputs.add("wheelbase", w.value_m, w.u_m, BudgetSource::Wheelbase));
        // These two enter only the comparison of thrust lines, never a deviation.
        let checks = &self.input.vehicle.checks;
        let rolling = BudgetSource::Survey(crate::survey::Source::Rolling);
        self.crab = inputs.add("crab of the rolled car", 0.0, checks.u_crab_rad, rolling);
        let printout = checks.printout.as_ref();
        self.printout = printout.map(|p| inputs.add("printout's thrust angle", -p.right_rad, p.u_rad, rolling));
    }

    fn list_stations(&mut self) -> Vec<(usize, Unmeasurable)> {
        let has_front =
            [Corner::FrontLeft, Corner::FrontRight].iter().all(|c| self.wheels.iter().any(|(w, _)| w.corner == *c));
        let mut missing = Vec::new();
        let mut places: Vec<(usize, usize)> = Vec::new(); // stand body, first input
        for (index, station) in self.input.placement.stations.iter().enumerate() {
            let name = || station.name.clone();
            let Some(target) = at_station(&self.input, station.target, index) else {
                missing.push((index, Unmeasurable::TargetNotMeasured { station: name() }));
                continue;
            };
            let (mut datum_body, mut u_datum) = (None, 0.0);
            match station.datum {
                Datum::RearAxle => {}
                Datum::FrontAxle if has_front || self.wheelbase.is_some() => {}
                Datum::FrontAxle => {
                    missing.push((index, Unmeasurable::NoFrontAxle { station: name() }));
                    continue;
                }
                Datum::Point { u_m, .. } => u_datum = u_m,
                Datum::Body { body, u_m } => {
                    datum_body = at_station(&self.input, body, index);
                    u_datum = u_m;
                    if datum_body.is_none() {
                        missing.push((index, Unmeasurable::DatumNotMeasured { station: name() }));
                        continue;
                    }
                }
            }
            let stands = self.input.stands;
            let stand = stands.iter().find(|s| s.body == station.target).copied();
            let stand = stand.unwrap_or_else(|| StandModel::plain(station.target));
            // One stand's own error is the same wherever it stands.
            let known = places.iter().find(|(body, _)| *body == stand.body).map(|(_, first)| *first);
            let target_place = known.unwrap_or_else(|| {
                let first = self.inputs.values.len();
                for k in 0..6 {
                    let u = if k < 3 { stand.u_angle_rad } else { stand.u_origin_m };
                    self.inputs.add(format!("target place {}", k + 1), 0.0, u, BudgetSource::TargetPlace);
                }
                places.push((stand.body, first));
                first
            });
            let datum_place = self.inputs.values.len();
            for axis in ["x", "y", "z"] {
                self.inputs.add(format!("datum {axis} of {}", station.name), 0.0, u_datum, BudgetSource::DatumPoint);
            }
            self.stations.push(StationPlan { index, station, stand, target, datum_body, target_place, datum_place });
        }
        missing
    }

    /// What everything is made from.
    pub fn input(&self) -> &AssessInput<'a> {
        &self.input
    }

    /// True where a printout's thrust angle is declared.
    pub fn has_printout(&self) -> bool {
        self.printout.is_some()
    }

    /// Distance (m) of two measured bodies' origins.
    pub fn apart_m(&self, a: usize, b: usize) -> f64 {
        let at = |k: usize| self.input.bodies[k].world_from_body.translation();
        (at(a) - at(b)).norm()
    }

    /// The kit's index of a measured body.
    pub fn body_of(&self, position: usize) -> usize {
        self.input.bodies[position].body
    }

    /// The calculation on one set of inputs.
    pub fn evaluate(&self, x: &[f64]) -> Result<Evaluated, Unmeasurable> {
        let body = |position: usize| -> Pose<World, Body> {
            let step = Vector6::from_column_slice(&x[6 * position..6 * position + 6]);
            self.input.bodies[position].world_from_body.moved_right(&step)
        };
        // The floor and which way is up.
        let sheets: Vec<_> = self.sheets.iter().map(|p| (self.input.bodies[*p].name.as_str(), body(*p))).collect();
        let heights: Vec<f64> = (0..sheets.len()).map(|k| x[self.thickness] + x[self.sheet_heights + k]).collect();
        let floor = geometry::floor(&sheets, &heights)?;
        let plumb = match self.plumb {
            Some(position) => {
                let vertical = geometry::plumb(&self.input.bodies[position].name, &body(position), &floor)?;
                Some(geometry::tipped(&vertical, [x[self.plumb_tilt], x[self.plumb_tilt + 1]]))
            }
            None => None,
        };
        let wheels: Vec<Wheel<World>> = self
            .wheels
            .iter()
            .zip(&self.wheel_inputs)
            .map(|((model, plate), first)| {
                let e = &x[*first..*first + 5];
                let error = WheelError { tilt: [e[0], e[1]], shift: [e[2], e[3]], stand_off_m: e[4] };
                geometry::wheel(model, &error, &body(*plate))
            })
            .collect();
        let slopes = [x[self.level], x[self.level + 1]];
        let up = match (self.input.placement.reference, plumb, self.input.floor.level_reading) {
            (Reference::Vertical, None, Some(_)) => geometry::level(&wheels, &floor, slopes[0], slopes[1])?,
            (reference, plumb, _) => geometry::up(reference, &floor, plumb, slopes),
        };
        let world_from_vehicle = geometry::vehicle_frame(&wheels, &floor, &up)?;
        let vehicle_from_world = world_from_vehicle.inverse();
        let origin_at = |position: usize| vehicle_from_world * Point::<World>::claim(body(position).translation());
        let mut all_stops: Vec<[Point<Vehicle>; 2]> = self.stops.iter().map(|s| s.map(origin_at)).collect();
        if !all_stops.is_empty() {
            let rear = [Corner::RearLeft, Corner::RearRight].map(|c| wheels.iter().find(|w| w.corner == c));
            if let [Some(left), Some(right)] = rear {
                all_stops.push([left, right].map(|w| vehicle_from_world * w.hub));
            }
        }
        let travel = all_stops.len().checked_sub(1).and_then(|last| crate::vehicle::travel_heading(&all_stops, last));
        let travel = travel.map(|heading| heading + x[self.crab]);
        let wheels: Vec<_> = wheels.iter().map(|w| geometry::in_vehicle(w, &vehicle_from_world)).collect();
        let front = geometry::front_middle(&wheels)?;
        let floor_slope = plumb.map(|vertical| slope(&floor, vertical.coords, &world_from_vehicle));
        let origins = sheets.iter().zip(&heights).map(|((_, s), h)| floor.height_m(&Point::claim(s.translation())) - h);
        let sheet_heights = origins.collect();
        let touched = self.touched.iter().map(|p| origin_at(*p)).collect();
        let stations = self
            .stations
            .iter()
            .map(|plan| {
                let place = Vector6::from_column_slice(&x[plan.target_place..plan.target_place + 6]);
                let body_from_target = plan.stand.body_from_target.moved_right(&place);
                let vehicle_from_target = vehicle_from_world * body(plan.target) * body_from_target;
                let datum = self.datum(plan, x, front, &vehicle_from_world, &body);
                (vehicle_from_target, deviations(plan.station, &vehicle_from_target, &datum))
            })
            .collect();
        let level_difference = floor_slope.map(|s| [s[0] - slopes[0], s[1] - slopes[1]]);
        Ok(Evaluated {
            world_from_vehicle,
            wheels,
            front,
            sheet_heights,
            touched,
            floor_slope,
            level_difference,
            travel,
            stations,
        })
    }

    /// The point that a station's distance (and lateral, if so asked) counts from.
    fn datum(
        &self,
        plan: &StationPlan,
        x: &[f64],
        front: Option<Point<Vehicle>>,
        vehicle_from_world: &Pose<Vehicle, World>,
        body: &impl Fn(usize) -> Pose<World, Body>,
    ) -> Point<Vehicle> {
        let own = nalgebra::Vector3::from_column_slice(&x[plan.datum_place..plan.datum_place + 3]);
        let at = match (plan.station.datum, plan.datum_body) {
            (Datum::Point { in_vehicle, .. }, _) => in_vehicle.coords + own,
            (Datum::Body { .. }, Some(position)) => (*vehicle_from_world * body(position)).translation() + own,
            (Datum::FrontAxle, _) => match (front, self.wheelbase) {
                (Some(middle), _) => middle.coords,
                (None, Some(wheelbase)) => nalgebra::Vector3::new(x[wheelbase], 0.0, 0.0),
                (None, None) => nalgebra::Vector3::zeros(),
            },
            (Datum::RearAxle | Datum::Body { .. }, _) => nalgebra::Vector3::zeros(),
        };
        Point::claim(at)
    }

    /// [`Model::evaluate`] as one vector: six deviations a station, then what [`Model::car_outputs`] lists, then the sheets' heights, then
    /// three a touched point.
    pub fn outputs(&self, x: &[f64]) -> Result<DVector<f64>, Unmeasurable> {
        let at = self.evaluate(x)?;
        let mut all: Vec<f64> = at.stations.iter().flat_map(|(_, d)| d.iter().copied()).collect();
        let centreline = at.front.map(|p| p.coords.y.atan2(p.coords.x));
        for wheel in &at.wheels {
            let (toe, camber) = geometry::toe_and_camber(wheel);
            // Against a centreline that points further left, the left wheel toes in more.
            let side = if wheel.corner.is_left() { 1.0 } else { -1.0 };
            all.extend([toe, camber, toe + side * centreline.unwrap_or(0.0)]);
        }
        let hub = |corner| at.wheels.iter().find(|w| w.corner == corner).map(|w| w.hub.coords);
        let track = match (hub(Corner::RearLeft), hub(Corner::RearRight)) {
            (Some(left), Some(right)) => (left - right).norm(),
            _ => f64::NAN,
        };
        let [rise_x, rise_y] = at.floor_slope.unwrap_or([0.0; 2]);
        let wheelbase = at.front.map_or(0.0, |p| p.coords.x);
        let thrust_heading = -centreline.unwrap_or(0.0);
        let set_back = match (at.front, hub(Corner::FrontLeft), hub(Corner::FrontRight)) {
            (Some(front), Some(left), Some(right)) => (left - right).xy().dot(&front.coords.xy().normalize()),
            _ => 0.0,
        };
        let printed = self.printout.map_or(0.0, |at| x[at]) - thrust_heading;
        let [level_x, level_y] = at.level_difference.unwrap_or([0.0; 2]);
        let rest: [f64; CAR_OUTPUTS] = [
            track,
            wheelbase,
            thrust_heading,
            rise_x,
            rise_y,
            set_back,
            at.travel.unwrap_or(0.0),
            printed,
            level_x,
            level_y,
        ];
        all.extend(rest);
        all.extend(at.sheet_heights);
        all.extend(at.touched.iter().flat_map(|p| [p.coords.x, p.coords.y, p.coords.z]));
        Ok(DVector::from_vec(all))
    }

    /// Where the car's outputs begin: three a wheel (toe, camber, toe against the centreline), then [`CAR_OUTPUTS`]: track, wheelbase, thrust heading,
    /// floor slope along X and Y, front set-back, headings of travel and printout against the bisector, slope by plumb line minus by instrument.
    pub fn car_outputs(&self) -> usize {
        6 * self.stations.len()
    }
}

/// Slope of the floor against the vertical along the vehicle's X and Y (positive: rises that way), rad.
fn slope(floor: &Floor, vertical: nalgebra::Vector3<f64>, world_from_vehicle: &Pose<World, Vehicle>) -> [f64; 2] {
    let r = world_from_vehicle.rotation();
    [0, 1].map(|axis| {
        // A direction in the floor above or below this axis of the vehicle, and how far it climbs.
        let level = r.column(axis) - vertical * vertical.dot(&r.column(axis));
        let n = floor.normal.coords;
        (-n.dot(&level)).atan2(n.dot(&vertical) * level.norm())
    })
}

/// Measured minus required: place along the vehicle's axes, angles of `R_dev` in vehicle_from_target = R_dev · R_required, with R_dev = Rz Ry Rx.
fn deviations(station: &Station, vehicle_from_target: &Pose<Vehicle, Target>, datum: &Point<Vehicle>) -> Vector6<f64> {
    let [distance, lateral, height, yaw, pitch, roll] = station.required;
    let t = vehicle_from_target.translation();
    let beside = if station.lateral_from == LateralFrom::Datum { datum.coords.y } else { 0.0 };
    let required = rotation_from_yaw_pitch_roll(yaw, pitch, roll).into_inner();
    let (yaw, pitch, roll) = yaw_pitch_roll(&(vehicle_from_target.rotation() * required.transpose()));
    Vector6::new(t.x - datum.coords.x - distance, t.y - beside - lateral, t.z - height, yaw, pitch, roll)
}

/// Refuses what would spoil every number: shapes that do not fit, numbers that are none, negative uncertainties.
fn check_numbers(input: &AssessInput) -> Result<(), Unmeasurable> {
    let n = 6 * input.bodies.len();
    let fits = |m: &DMatrix<f64>| m.nrows() == n && m.ncols() == n;
    let joint = input.joint;
    if let Some(bad) = std::iter::once(&joint.cov).chain(joint.parts.iter().map(|p| &p.1)).find(|m| !fits(m)) {
        return Err(Unmeasurable::CovarianceShape { got: bad.nrows(), bodies: input.bodies.len() });
    }
    let mut checks: Vec<(String, bool)> =
        vec![("the survey's covariance".into(), joint.cov.iter().all(|v| v.is_finite()))];
    for body in input.bodies {
        checks.push((format!("the pose of \"{}\"", body.name), body.world_from_body.is_finite()));
    }
    let size = |v: f64| v.is_finite() && v >= 0.0;
    for wheel in &input.vehicle.wheels {
        let name = |what: &str| format!("{what} of the {} wheel", wheel.corner.name());
        let length = wheel.axis_in_plate.coords.norm();
        checks.push((name("the axis"), length.is_finite() && length > 1e-6));
        checks.push((name("the run-out limit"), size(wheel.run_out_rad)));
        checks.push((name("the eccentricity"), size(wheel.eccentricity_m)));
        checks.push((name("the stand-off's uncertainty"), size(wheel.u_stand_off_m)));
        let hub_is_finite = match wheel.hub {
            crate::vehicle::HubPlace::StandOff(s) => s.is_finite(),
            crate::vehicle::HubPlace::InPlate(p) => p.coords.iter().all(|v| v.is_finite()),
        };
        checks.push((name("the hub's place"), hub_is_finite));
    }
    let checks_of = &input.vehicle.checks;
    checks.push(("how straight the car rolls".into(), size(checks_of.u_crab_rad)));
    if let Some(p) = &checks_of.printout {
        checks.push(("the printout's thrust angle".into(), p.right_rad.is_finite() && size(p.u_rad)));
    }
    if let Some(read) = input.floor.level_reading {
        let fine = read.rises_forward_rad.is_finite() && read.rises_left_rad.is_finite() && size(read.u_rad);
        checks.push(("the inclinometer reading".into(), fine));
    }
    if let Some(w) = input.vehicle.wheelbase {
        checks.push(("the wheelbase".into(), w.value_m.is_finite() && size(w.u_m)));
    }
    let f = input.floor;
    checks.push(("the prints' height above the floor".into(), f.thickness_m.is_finite() && size(f.u_thickness_m)));
    checks.push((
        "the floor's unevenness or levelness".into(),
        [f.u_uneven_m, f.u_level_rad, f.u_plumb_rad].into_iter().all(size),
    ));
    for stand in input.stands {
        let pivot = stand.pivot.is_none_or(|p| p.coords.iter().all(|v| v.is_finite()));
        let fine = pivot && stand.body_from_target.is_finite() && size(stand.u_origin_m) && size(stand.u_angle_rad);
        checks.push(("the target's place on its stand".into(), fine));
    }
    for station in &input.placement.stations {
        for c in Component::ALL {
            let fine = station.required[c.index()].is_finite()
                && station.tolerance[c.index()].is_none_or(|t| t.is_finite() && t > 0.0);
            checks.push((format!("station \"{}\": {} or its tolerance", station.name, c.name()), fine));
        }
        let fine = match station.datum {
            Datum::Point { in_vehicle, u_m } => in_vehicle.coords.iter().all(|v| v.is_finite()) && size(u_m),
            Datum::Body { u_m, .. } => size(u_m),
            _ => true,
        };
        checks.push((format!("station \"{}\": its datum", station.name), fine));
    }
    match checks.into_iter().find(|(_, fine)| !fine) {
        Some((what, _)) => Err(Unmeasurable::BadNumber { what }),
        None => Ok(()),
    }
}
