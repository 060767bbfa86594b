//! What stands in a made bay: the kit as the operator knows it, and where everything truly is.

use crate::body::{BodyKind, BodyModel, BodyTag, Kit, PrintScale, TagPlace};
use crate::frames::{Body, Direction, Point, Pose, Tag, Vehicle, World, rotation_from_yaw_pitch_roll};
use crate::scene::draw::{Draw, Purpose};
use crate::scene::options::{BayOptions, DistanceFrom, LimitLaw, SixOffsets};
use nalgebra::{Isometry3, Matrix3, Matrix6, Rotation3, Translation3, UnitQuaternion, Vector3, Vector6};

/// Side of floor and stand tags, m.
pub const SHEET_SIDE_M: f64 = 0.160;
/// Side of plate tags, m.
pub const PLATE_SIDE_M: f64 = 0.200;
/// Ids of the floor sheets.
pub const FLOOR_IDS: std::ops::RangeInclusive<u16> = 100..=113;
/// Paper and print stand off the board they are glued to by this much, m.
pub const PAPER_M: f64 = 0.0003;

/// The four wheels, in the order of every array of wheels.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Wheel {
    /// Rear left.
    RearLeft,
    /// Rear right.
    RearRight,
    /// Front left.
    FrontLeft,
    /// Front right.
    FrontRight,
}

impl Wheel {
    /// All four.
    pub const ALL: [Wheel; 4] = [Wheel::RearLeft, Wheel::RearRight, Wheel::FrontLeft, Wheel::FrontRight];

    /// +1 for a wheel on the car's left, -1 on its right: the Y component of its outward axis.
    pub fn side(self) -> f64 {
        if matches!(self, Wheel::RearLeft | Wheel::FrontLeft) { 1.0 } else { -1.0 }
    }

    /// True for the two rear wheels.
    pub fn is_rear(self) -> bool {
        matches!(self, Wheel::RearLeft | Wheel::RearRight)
    }

    fn plate_name(self) -> &'static str {
        match self {
            Wheel::RearLeft => "plate rear left",
            Wheel::RearRight => "plate rear right",
            Wheel::FrontLeft => "plate front left",
            Wheel::FrontRight => "plate front right",
        }
    }
}

/// A wheel as it truly is, and how its plate truly sits.
#[derive(Clone, Copy, Debug)]
pub struct WheelTruth {
    /// Which one.
    pub wheel: Wheel,
    /// Its centre.
    pub hub_in_vehicle: Point<Vehicle>,
    /// Its axis, unit, pointing out of the car.
    pub axis_in_vehicle: Direction<Vehicle>,
    /// Its plate.
    pub plate: Option<PlateTruth>,
}

/// How a plate truly sits on its wheel. The operator believes: axis = the plate's z, centre on the axis, the stated stand-off.
#[derive(Clone, Copy, Debug)]
pub struct PlateTruth {
    /// Index of the plate in the kit.
    pub body: usize,
    /// The wheel's outward axis, unit: the plate's z axis but for the run-out.
    pub axis_in_plate: Direction<Body>,
    /// The wheel's centre: (ex, ey, 0) - stand-off * axis, with the eccentricity (ex, ey).
    pub hub_in_plate: Point<Body>,
}

/// A tag as it truly is.
#[derive(Clone, Copy, Debug)]
pub struct TrueTag {
    /// Index of its body in the kit.
    pub body: usize,
    /// Index of the tag in the body.
    pub tag: usize,
    /// Id in the 36h11 family.
    pub id: u16,
    /// True side, m, but for the printer's stretch.
    pub side_m: f64,
    /// What the printer made of it, along the print's right and its up.
    pub stretch: [f64; 2],
    /// True place on its body.
    pub body_from_tag: Pose<Body, Tag>,
    /// True place in the bay.
    pub world_from_tag: Pose<World, Tag>,
}

impl TrueTag {
    /// True sides along the print's right and its up, m.
    pub fn sides_m(&self) -> [f64; 2] {
        self.stretch.map(|stretch| self.side_m * stretch)
    }
}

/// Everything in the bay but the photographs.
#[derive(Clone, Debug)]
pub struct Layout {
    /// The kit as the operator knows it.
    pub kit: Kit,
    /// True place of each body; the world of a made bay *is* its vehicle frame.
    pub world_from_body: Vec<Pose<World, Body>>,
    /// All tags, body by body.
    pub tags: Vec<TrueTag>,
    /// The wheels, in the order of [`Wheel::ALL`].
    pub wheels: [WheelTruth; 4],
    /// True distance of the axles along the thrust line, m.
    pub wheelbase_m: f64,
    /// Index of the stand in the kit.
    pub stand: usize,
    /// By how much the stand truly stands elsewhere than asked.
    pub stand_offsets: SixOffsets,
    /// Where the car's body is: its frame is the world's but where the car was rolled.
    pub world_from_car: Pose<World, Vehicle>,
}

/// A pose from the tag's right and up directions and its centre.
pub fn place(right: Vector3<f64>, up: Vector3<f64>, centre: Vector3<f64>) -> Pose<Body, Tag> {
    let z = right.cross(&up);
    Pose::claim_matrix(&Matrix3::from_columns(&[right, up, z]), centre)
}

/// Turn of the stand's wings out of its front, rad.
pub const WING_RAD: f64 = crate::units::rad_from_deg(70.0);

/// Nominal tags of the stand in its target frame (x away from the car, y left, z up; origin = the target's centre): five on the front
/// of two beams, two on wings, two on the back of the upper beam.
fn stand_tags() -> Vec<(u16, Pose<Body, Tag>)> {
    let up = Vector3::z();
    let front = |id, y: f64, z: f64| (id, place(-Vector3::y(), up, Vector3::new(-PAPER_M, y, z)));
    let back = |id, y: f64| (id, place(Vector3::y(), up, Vector3::new(0.0123, y, 0.22)));
    let wing = |id, side: f64| {
        // Seen from outside: a wing runs from the beam's end backwards and a little outwards.
        let right = Vector3::new(-side * WING_RAD.sin(), WING_RAD.cos(), 0.0);
        (id, place(right, up, Vector3::new(0.101, side * 0.623, 0.22)))
    };
    vec![
        front(40, 0.48, 0.22),
        front(41, 0.0, 0.22),
        front(42, -0.48, 0.22),
        front(43, 0.48, -0.36),
        front(44, -0.48, -0.36),
        wing(45, 1.0),
        wing(46, -1.0),
        back(47, 0.30),
        back(48, -0.30),
    ]
}

/// Where floor sheets lie: along both sides, in front, behind. x counts from the rear axle (0), the front axle (1) or the stand (2),
/// whichever the first element says.
const FLOOR_SPOTS: [(u8, f64, f64); 14] = [
    (0, -0.78, 1.53),
    (0, 0.74, 1.57),
    (1, -0.76, 1.54),
    (1, 0.35, 1.42),
    (2, -0.33, 1.00),
    (2, -0.43, 0.07),
    (2, -0.27, -0.97),
    (1, 0.39, -1.43),
    (1, -0.77, -1.55),
    (0, 0.75, -1.59),
    (0, -0.81, -1.56),
    (0, -1.32, -0.82),
    (0, -1.29, 0.05),
    (0, -1.25, 0.84),
];

fn draw_limited(draw: &mut Draw, limit: f64, law: LimitLaw) -> (f64, f64) {
    if law == LimitLaw::Normal {
        let sigma = limit / std::f64::consts::SQRT_2;
        return (draw.normal(sigma), draw.normal(sigma));
    }
    let radius = if law == LimitLaw::Rim { limit } else { limit * draw.unit().sqrt() };
    let (sin, cos) = draw.uniform(0.0, std::f64::consts::TAU).sin_cos();
    (radius * cos, radius * sin)
}

/// Draws everything in the bay but the photographs. The options must have passed their check.
pub fn lay_out(options: &BayOptions) -> Layout {
    let mut draw = Draw::new(options.seed, Purpose::Bodies);
    let mut bodies: Vec<BodyModel> = Vec::new();
    let mut world_from_body: Vec<Pose<World, Body>> = Vec::new();

    let wheelbase_m = options.wheelbase_m + draw.normal(options.sigma_wheelbase_m);
    let stand_offsets = SixOffsets::from_array(std::array::from_fn(|k| {
        let spread = options.stand_spread.to_array()[k];
        options.stand.to_array()[k] + draw.uniform(-spread, spread)
    }));

    // The stand.
    let setup = &options.setup;
    let from_x = match setup.from {
        DistanceFrom::RearAxle => 0.0,
        DistanceFrom::FrontAxle => wheelbase_m,
    };
    let stand = bodies.len();
    let origin = Vector3::new(
        from_x + setup.distance_m + stand_offsets.distance_m,
        setup.lateral_m + stand_offsets.lateral_m,
        setup.height_m + stand_offsets.height_m,
    );
    let turn = rotation_from_yaw_pitch_roll(stand_offsets.yaw_rad, stand_offsets.pitch_rad, stand_offsets.roll_rad);
    world_from_body.push(Pose::claim_matrix(turn.matrix(), origin));
    bodies.push(rigid("stand", BodyKind::Stand, SHEET_SIDE_M, &stand_tags(), options));

    let wheels = draw_wheels(options, wheelbase_m, &mut draw, &mut bodies, &mut world_from_body);

    // Floor sheets.
    let thickness = options.thickness_m + draw.normal(options.sigma_thickness_m);
    for (id, (from, x, y)) in FLOOR_IDS.zip(FLOOR_SPOTS) {
        let from_x = [0.0, wheelbase_m, origin.x][usize::from(from)];
        let spot = Vector3::new(
            from_x + x + draw.uniform(-0.04, 0.04),
            y + draw.uniform(-0.04, 0.04),
            thickness + draw.normal(options.sigma_uneven_m),
        );
        let heading = draw.uniform(-std::f64::consts::PI, std::f64::consts::PI);
        let (tilt_x, tilt_y) = (draw.normal(options.sigma_sheet_tilt_rad), draw.normal(options.sigma_sheet_tilt_rad));
        let rotation = UnitQuaternion::from_scaled_axis(Vector3::new(tilt_x, tilt_y, 0.0))
            * UnitQuaternion::from_axis_angle(&Vector3::z_axis(), heading);
        world_from_body.push(Pose::claim(Isometry3::from_parts(Translation3::from(spot), rotation)));
        let place = TagPlace::Known(Pose::identity_place());
        let tag = BodyTag { id, side_m: SHEET_SIDE_M, stretch: [1.0; 2], print: 0, place };
        bodies.push(BodyModel { name: format!("floor {id}"), kind: BodyKind::FloorSheet, tags: vec![tag] });
    }

    let print = PrintScale {
        name: "made print".into(),
        sigma_common: options.sigma_print_common,
        sigma_axis: [0.0; 2],
        sigma_each: options.sigma_print_each,
        measured: true,
    };
    let kit = Kit { bodies, prints: vec![print], joint_places: Vec::new() };
    let tags = draw_tags(options, &kit, &world_from_body, &mut draw);
    Layout { kit, world_from_body, tags, wheels, wheelbase_m, stand, stand_offsets, world_from_car: Pose::coincident() }
}

/// The place of a tag that is its body's origin.
trait IdentityPlace {
    fn identity_place() -> Self;
}
impl IdentityPlace for Pose<Body, Tag> {
    fn identity_place() -> Self {
        Pose::claim(Isometry3::identity())
    }
}

fn rigid(name: &str, kind: BodyKind, side_m: f64, tags: &[(u16, Pose<Body, Tag>)], options: &BayOptions) -> BodyModel {
    let exact = options.sigma_place_m == 0.0 && options.sigma_place_rad == 0.0;
    let (r, t) = (options.sigma_place_rad.powi(2), options.sigma_place_m.powi(2));
    let cov = Matrix6::from_diagonal(&Vector6::new(r, r, r, t, t, t));
    let tags = tags.iter().map(|&(id, body_from_tag)| {
        let place = if exact {
            TagPlace::Known(body_from_tag)
        } else {
            TagPlace::Measured { body_from_tag, cov: Box::new(cov) }
        };
        BodyTag { id, side_m, stretch: [1.0; 2], print: 0, place }
    });
    BodyModel { name: name.into(), kind, tags: tags.collect() }
}

fn draw_wheels(
    options: &BayOptions,
    wheelbase_m: f64,
    draw: &mut Draw,
    bodies: &mut Vec<BodyModel>,
    world_from_body: &mut Vec<Pose<World, Body>>,
) -> [WheelTruth; 4] {
    let rear_toe = draw.uniform(-options.toe_spread_rad, options.toe_spread_rad);
    let crab = draw.uniform(-options.crab_spread_rad, options.crab_spread_rad);
    // How far the left wheel of an axle sits ahead of the right one: a few tenths of a millimetre each way.
    let setback = [draw.uniform(-0.0004, 0.0004), draw.uniform(-0.001, 0.001)];
    std::array::from_fn(|k| {
        let wheel = Wheel::ALL[k];
        let side = wheel.side();
        let front_toe = draw.uniform(-options.toe_spread_rad, options.toe_spread_rad);
        let camber = draw.uniform(-options.camber_spread_rad, options.camber_spread_rad);
        // Toe-in turns the left wheel to the right (yaw negative). Both rear wheels have the same, so that X stays their bisector.
        let yaw = -side * if wheel.is_rear() { rear_toe } else { front_toe };
        // Outward axis at yaw 0: ±Y. Positive camber leans the top outward: the outward axis points down.
        let level = Rotation3::from_axis_angle(&Vector3::z_axis(), yaw) * Vector3::new(0.0, side, 0.0);
        let axis = level * camber.cos() - Vector3::z() * camber.sin();
        let ahead = side * setback[usize::from(!wheel.is_rear())];
        let hub = if wheel.is_rear() {
            Vector3::new(ahead, side * options.track_m / 2.0, options.hub_height_m)
        } else {
            let middle = wheelbase_m * crab.tan();
            Vector3::new(wheelbase_m + ahead, middle + side * options.track_m / 2.0, options.hub_height_m)
        };
        // Drawn for wheels without a plate as well, so that front plates leave car and stand as they are.
        let (tilt_x, tilt_y) = draw_limited(draw, options.run_out_limit_rad, options.limit_law);
        let (ex, ey) = draw_limited(draw, options.eccentricity_limit_m, options.limit_law);
        let stand_off = options.stand_off_m + draw.normal(options.sigma_stand_off_m);
        let spin = draw.uniform(-0.26, 0.26);
        let plate = (wheel.is_rear() || options.front_plates).then(|| {
            let axis_in_plate = Vector3::new(tilt_x, tilt_y, 1.0).normalize();
            let hub_in_plate = Vector3::new(ex, ey, 0.0) - axis_in_plate * stand_off;
            // Wheel frame: z out of the car, y up but for the camber, x to the right of who looks at the wheel.
            let up = (Vector3::z() - axis * axis.z).normalize();
            let wheel_frame = Rotation3::from_basis_unchecked(&[up.cross(&axis), up, axis]);
            let tilt = Rotation3::rotation_between(&axis_in_plate, &Vector3::z()).unwrap_or_else(Rotation3::identity);
            let turn = wheel_frame * Rotation3::from_axis_angle(&Vector3::z_axis(), spin) * tilt;
            world_from_body.push(Pose::claim_matrix(turn.matrix(), hub - turn * hub_in_plate));
            let id = 10 + k as u16;
            bodies.push(rigid(
                wheel.plate_name(),
                BodyKind::Plate,
                PLATE_SIDE_M,
                &[(id, Pose::identity_place())],
                options,
            ));
            PlateTruth {
                body: bodies.len() - 1,
                axis_in_plate: Direction::claim(axis_in_plate),
                hub_in_plate: Point::claim(hub_in_plate),
            }
        });
        WheelTruth { wheel, hub_in_vehicle: Point::claim(hub), axis_in_vehicle: Direction::claim(axis), plate }
    })
}

fn draw_tags(options: &BayOptions, kit: &Kit, world_from_body: &[Pose<World, Body>], draw: &mut Draw) -> Vec<TrueTag> {
    let common = draw.normal(options.sigma_print_common);
    let mut tags = Vec::new();
    for (b, body) in kit.bodies.iter().enumerate() {
        for (t, tag) in body.tags.iter().enumerate() {
            let side_m = tag.side_m * (1.0 + common) * (1.0 + draw.normal(options.sigma_print_each));
            let (body_from_tag, loose) = match &tag.place {
                TagPlace::Known(place) => (*place, false),
                TagPlace::Measured { body_from_tag, .. } => (*body_from_tag, true),
                // No made kit has free tags.
                TagPlace::Free => continue,
            };
            let step: [f64; 6] = std::array::from_fn(|k| {
                draw.normal(if k < 3 { options.sigma_place_rad } else { options.sigma_place_m })
            });
            let body_from_tag = if loose { body_from_tag.moved_right(&Vector6::from(step)) } else { body_from_tag };
            let world_from_tag = world_from_body[b] * body_from_tag;
            let stretch = options.print_stretch;
            tags.push(TrueTag { body: b, tag: t, id: tag.id, side_m, stretch, body_from_tag, world_from_tag });
        }
    }
    tags
}
