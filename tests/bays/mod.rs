//! What several tests share: from a made bay to its verdict, the way the program goes.
#![allow(dead_code)] // each test binary uses its own part

pub mod job;
pub mod shots;

use nalgebra::Vector3;
use plumbsight::frames::Direction;
use plumbsight::placement::{Datum, LateralFrom, Placement, Reference, Station};
use plumbsight::scene::{Bay, BayOptions, DistanceFrom};
use plumbsight::survey::{Survey, SurveyError, SurveyOptions, adjust};
use plumbsight::vehicle::{Corner, DeclaredLength, FloorModel, HubPlace, VehicleModel, WheelModel, measured_bodies};
use plumbsight::verdict::{AssessInput, Assessment, assess};

/// The car as somebody would declare it who knows exactly the distributions the bay was drawn from.
pub fn vehicle_of(bay: &Bay) -> VehicleModel {
    let options: &BayOptions = &bay.options;
    let wheel = |corner: Corner, plate: &str| WheelModel {
        corner,
        plate: bay.layout.kit.find_body(plate).expect("a plate of the bay"),
        axis_in_plate: Direction::claim(Vector3::z()),
        run_out_rad: options.run_out_limit_rad,
        hub: HubPlace::StandOff(options.stand_off_m),
        eccentricity_m: options.eccentricity_limit_m,
        u_stand_off_m: options.sigma_stand_off_m,
    };
    let mut wheels = vec![wheel(Corner::RearLeft, "plate rear left"), wheel(Corner::RearRight, "plate rear right")];
    if options.front_plates {
        wheels.extend([wheel(Corner::FrontLeft, "plate front left"), wheel(Corner::FrontRight, "plate front right")]);
    }
    VehicleModel {
        name: None,
        id: None,
        wheels,
        wheelbase: Some(DeclaredLength { value_m: options.wheelbase_m, u_m: options.sigma_wheelbase_m }),
        checks: Default::default(),
    }
}

/// The floor, likewise.
pub fn floor_of(bay: &Bay) -> FloorModel {
    FloorModel {
        thickness_m: bay.options.thickness_m,
        u_thickness_m: bay.options.sigma_thickness_m,
        u_uneven_m: bay.options.sigma_uneven_m,
        ..FloorModel::default()
    }
}

/// The placement that the bay's stand was set up for.
pub fn placement_of(bay: &Bay, tolerance: [Option<f64>; 6]) -> Placement {
    let setup = &bay.options.setup;
    Placement {
        title: "invented".into(),
        source: "invented for this test".into(),
        revision: "1".into(),
        reference: Reference::Floor,
        stations: vec![Station {
            name: "centre".into(),
            target: bay.layout.stand,
            datum: match setup.from {
                DistanceFrom::RearAxle => Datum::RearAxle,
                DistanceFrom::FrontAxle => Datum::FrontAxle,
            },
            lateral_from: LateralFrom::ThrustLine,
            required: [setup.distance_m, setup.lateral_m, setup.height_m, 0.0, 0.0, 0.0],
            tolerance,
            sensor_to_target_m: None,
        }],
    }
}

/// Surveys a made bay from its noisy corners.
pub fn survey_of(bay: &Bay) -> Result<Survey, SurveyError> {
    adjust(&bay.survey_input(), &SurveyOptions::default())
}

/// Judges it.
pub fn assessment_of(bay: &Bay, survey: &Survey, placement: &Placement) -> Assessment {
    let bodies = measured_bodies(&bay.layout.kit, survey);
    let all: Vec<usize> = (0..bodies.len()).collect();
    assess(&AssessInput {
        bodies: &bodies,
        joint: &survey.joint(&all),
        vehicle: &vehicle_of(bay),
        floor: &floor_of(bay),
        stands: &[plumbsight::placement::StandModel::plain(bay.layout.stand)],
        placement,
    })
    .expect("a made bay can be judged")
}

/// The base for live readings of a made bay's stand.
pub fn base_of(bay: &Bay, tolerance: [Option<f64>; 6]) -> plumbsight::session::live::Base {
    base_for(bay, tolerance, Vec::new())
}

/// The same for cameras whose lenses took no photograph of the survey.
pub fn base_for(
    bay: &Bay,
    tolerance: [Option<f64>; 6],
    other_lenses: Vec<(usize, nalgebra::SMatrix<f64, 9, 9>)>,
) -> plumbsight::session::live::Base {
    let survey = survey_of(bay).expect("a made bay can be surveyed");
    let bodies = measured_bodies(&bay.layout.kit, &survey);
    let kept: Vec<usize> = (0..bodies.len()).collect();
    let from = plumbsight::vehicle::DecisionBodies {
        joint: survey.joint(&kept),
        by_column: survey.steps_by_column(&kept, &[]),
        bodies,
        kept,
        vehicle: vehicle_of(bay),
    };
    let declared = plumbsight::session::live::Declared {
        kit: bay.layout.kit.clone(),
        floor: floor_of(bay),
        stands: vec![plumbsight::placement::StandModel::plain(bay.layout.stand)],
        placement: placement_of(bay, tolerance),
        other_lenses,
    };
    plumbsight::session::live::Base::new(declared, &survey, from, None, None, 0).expect("a made bay is a base")
}

/// A tripod beside the front wheel that sees the stand and the sheets around it.
pub fn tripod(bay: &Bay) -> plumbsight::frames::Pose<plumbsight::frames::Camera, plumbsight::frames::World> {
    let stand = bay.layout.world_from_body[bay.layout.stand].translation();
    let eye = Vector3::new(stand.x - 1.6, 3.4, 1.4);
    plumbsight::scene::cameras::look(eye, Vector3::new(stand.x - 1.3, 0.6, 0.4), 0.0)
}
