//! A made bay as a whole job whose photographs have been searched: for tests of the verdict as people get it.

use plumbsight::camera::N_LENS;
use plumbsight::capture::CameraIdentity;
use plumbsight::placement::{Placement, StandModel};
use plumbsight::raster::ToneCurve;
use plumbsight::record::{Job, JobPhoto, JobRoll, LensChoice, LensProfile, ResultFile};
use plumbsight::scene::rolled::noisy_photos;
use plumbsight::scene::{Bay, RollOptions};
use plumbsight::session::{Extras, Look, check_seen};
use plumbsight::survey::{LensFreedom, Photo, RolledCar};
use plumbsight::units::rad_from_deg;
use plumbsight::vehicle::rolled_wheels;

/// The bay as somebody would declare it who knows the distributions it was drawn from; `photos` names the photographs.
pub fn job_of(bay: &Bay, photos: &[Photo], placement: Placement) -> Job {
    let cov = match &bay.stated_lens.freedom {
        LensFreedom::Measured(cov) => Some(cov.clone()),
        _ => None,
    };
    assert_eq!(cov.as_ref().map_or(N_LENS, |c| c.nrows()), N_LENS);
    let photo = |p: &Photo| JobPhoto {
        name: p.name.clone(),
        path: p.name.clone().into(),
        lens: 0,
        station: p.station,
        position: p.position,
    };
    Job {
        folder: "made".into(),
        title: None,
        kit: bay.layout.kit.clone(),
        stands: vec![StandModel::plain(bay.layout.stand)],
        floor: super::floor_of(bay),
        vehicle: super::vehicle_of(bay),
        vin: None,
        vin_unchecked: None,
        readiness: None,
        file: "job.toml".into(),
        bodies_file: String::new(),
        inputs: Vec::new(),
        placement,
        lenses: vec![LensProfile {
            file: "lens.toml".into(),
            camera: "made".into(),
            made: None,
            lens: bay.stated_lens.lens,
            cov,
            tone: ToneCurve::Linear,
            focus: None,
            identity: CameraIdentity::default(),
            made_from: None,
        }],
        lens_choice: LensChoice::WithinProfile,
        rough_lens: false,
        photos: photos.iter().map(photo).collect(),
        moved_between_stations: Vec::new(),
        rolled: None,
        learn: None,
        touch: None,
        notices: Vec::new(),
    }
}

/// The same with a car that was rolled through these stops to where it stands; nothing is known of the clamps.
pub fn rolled_job(stops: &[Bay], roll: &RollOptions, placement: Placement) -> (Job, Vec<Photo>) {
    let photos = noisy_photos(stops);
    let mut job = job_of(&stops[stops.len() - 1], &photos, placement);
    for wheel in &mut job.vehicle.wheels {
        wheel.run_out_rad = rad_from_deg(10.0);
    }
    job.vehicle.checks.u_crab_rad = roll.sigma_crab_rad;
    let car = RolledCar {
        positions: (1..=stops.len()).map(|k| k.to_string()).collect(),
        wheels: rolled_wheels(&job.vehicle),
        riders: Vec::new(),
        steadiness: roll.steadiness,
    };
    job.rolled = Some(JobRoll { car, judged: stops.len() - 1 });
    (job, photos)
}

/// The whole judgement of photographs that were searched.
pub fn judged(job: &Job, photos: &[Photo]) -> ResultFile {
    let look = Look { photos: photos.to_vec(), refused: Vec::new(), notices: Vec::new() };
    check_seen(job, look, Extras::default(), &|_| ())
}
