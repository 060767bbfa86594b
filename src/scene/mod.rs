//! Made bays with known truth: for statistics, for photographs that nobody has to take, for practice.
//!
//! [`Bay::new`] draws a bay from its [`BayOptions`]: an invented car with plates on its wheels, a stand, floor sheets, and places to
//! photograph from. [`Bay::survey_input`] gives what a perfect detector with known errors would have found; [`render::photograph`] paints what a camera
//! would have seen. The world frame of a made bay is its vehicle frame. Everything follows from the seed.

pub mod cameras;
pub mod corners;
pub mod draw;
pub mod layout;
pub mod options;
pub mod paint;
pub mod render;
pub mod rolled;
pub mod scenery;
pub mod sequence;
pub mod solid;
pub mod stand;
pub mod trace;

pub use layout::{Layout, PlateTruth, TrueTag, Wheel, WheelTruth};
pub use options::{BayError, BayOptions, CornerNoise, DistanceFrom, LensKnowledge, LimitLaw, Setup, SixOffsets};
pub use rolled::RollOptions;

use crate::camera::Lens;
use crate::frames::{Body, Camera, Direction, Point, Pose, Vehicle, World, yaw_pitch_roll};
use crate::scene::draw::{Draw, Purpose};
use crate::scene::options::factor;
use crate::survey::{LensFreedom, LensInput, SurveyInput};
use nalgebra::{SVector, Vector3};

/// A made bay: everything about it is known.
#[derive(Clone, Debug)]
pub struct Bay {
    /// What it was made from.
    pub options: BayOptions,
    /// The kit as the operator knows it, and where everything truly is.
    pub layout: Layout,
    /// Solid things that hide tags.
    pub solids: Vec<solid::Solid>,
    /// Where each photograph was taken from.
    pub camera_from_world: Vec<Pose<Camera, World>>,
    /// The true lens.
    pub lens: Lens,
    /// The lens as it is stated to the survey.
    pub stated_lens: LensInput,
}

impl Bay {
    /// Makes a bay. Fails where the options are impossible, or no way around the car shows every tag twice.
    pub fn new(options: &BayOptions) -> Result<Self, BayError> {
        options.check()?;
        let layout = layout::lay_out(options);
        let solids = scenery::solids(options, &layout);
        let camera_from_world = cameras::walk_around(options, &layout, &solids)?;
        let stated_lens = state_lens(options)?;
        Ok(Self { options: options.clone(), layout, solids, camera_from_world, lens: options.lens, stated_lens })
    }

    /// What the survey works on: the kit as known, the lens as stated, corners with errors.
    pub fn survey_input(&self) -> SurveyInput {
        SurveyInput {
            kit: self.layout.kit.clone(),
            lenses: vec![self.stated_lens.clone()],
            photos: self.noisy_photos(0),
            moved_between_stations: Vec::new(),
            rolled: None,
        }
    }

    /// The vehicle frame in the world: they are one.
    pub fn vehicle_from_world(&self) -> Pose<Vehicle, World> {
        Pose::coincident()
    }

    /// True place of a body of the kit in the vehicle frame.
    pub fn vehicle_from_body(&self, body: usize) -> Pose<Vehicle, Body> {
        self.vehicle_from_world() * self.layout.world_from_body[body]
    }

    /// By how much the target truly stands elsewhere than asked.
    pub fn stand_offsets(&self) -> SixOffsets {
        self.layout.stand_offsets
    }

    /// The same, worked out from the true places of wheels and stand alone, by the words of the definition: the thrust line bisects the
    /// rear wheels' rolling directions, the vehicle's origin is on the floor below the midpoint of the rear wheel centres.
    pub fn stand_offsets_from_places(&self) -> SixOffsets {
        let [rear_left, rear_right, front_left, front_right] = &self.layout.wheels;
        let x_axis = thrust_direction(rear_left, rear_right).coords;
        let frame = nalgebra::Matrix3::from_columns(&[x_axis, Vector3::z().cross(&x_axis), Vector3::z()]);
        let middle = |a: &WheelTruth, b: &WheelTruth| (a.hub_in_vehicle.coords + b.hub_in_vehicle.coords) / 2.0;
        let mut origin = middle(rear_left, rear_right);
        origin.z = 0.0;
        let world_from_stand = &self.layout.world_from_body[self.layout.stand];
        let in_vehicle = frame.transpose() * (world_from_stand.translation() - origin);
        let from_x = match self.options.setup.from {
            DistanceFrom::RearAxle => 0.0,
            DistanceFrom::FrontAxle => (frame.transpose() * (middle(front_left, front_right) - origin)).x,
        };
        let (yaw_rad, pitch_rad, roll_rad) = yaw_pitch_roll(&(frame.transpose() * world_from_stand.rotation()));
        SixOffsets {
            distance_m: in_vehicle.x - from_x - self.options.setup.distance_m,
            lateral_m: in_vehicle.y - self.options.setup.lateral_m,
            height_m: in_vehicle.z - self.options.setup.height_m,
            yaw_rad,
            pitch_rad,
            roll_rad,
        }
    }

    /// True corners of a tag (m, in the order of the tag frame's corners), `None` for an id that is not in the bay.
    pub fn tag_corners(&self, id: u16) -> Option<[Point<World>; 4]> {
        let tag = self.layout.tags.iter().find(|tag| tag.id == id)?;
        Some(cameras::true_corners(tag).map(Point::claim))
    }
}

/// Unit direction of the thrust line: the bisector of the two rear wheels' rolling directions.
fn thrust_direction(rear_left: &WheelTruth, rear_right: &WheelTruth) -> Direction<Vehicle> {
    // Rolling direction: horizontal and square to the axis, forwards. (Left axis × up = forwards for an axis along +Y.)
    let rolling =
        |wheel: &WheelTruth| (wheel.axis_in_vehicle.coords * wheel.wheel.side()).cross(&Vector3::z()).normalize();
    Direction::claim((rolling(rear_left) + rolling(rear_right)).normalize())
}

fn state_lens(options: &BayOptions) -> Result<LensInput, BayError> {
    match &options.lens_knowledge {
        LensKnowledge::Exact => Ok(LensInput { lens: options.lens, freedom: LensFreedom::Held }),
        LensKnowledge::Measured(cov) => {
            let mut draw = Draw::new(options.seed, Purpose::Lens);
            let unit = SVector::from_fn(|_, _| draw.normal(1.0));
            let l =
                factor(&**cov).ok_or_else(|| BayError::Lens("its covariance is not positive semi-definite".into()))?;
            let lens = options.lens.with_parameters(&(options.lens.parameters() + l * unit));
            match lens.implausible() {
                Some(why) => Err(BayError::Lens(format!("as stated, with the error drawn for it: {why}"))),
                None => Ok(LensInput { lens, freedom: LensFreedom::Measured(cov.clone()) }),
            }
        }
    }
}
