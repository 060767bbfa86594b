//! The bays whose photographs are made worse.

use super::Scene;
use crate::bays;
use crate::traced::{Clamps, job_of, true_deviation};
use nalgebra::{Isometry3, Vector3};
use plumbsight::capture::read_image;
use plumbsight::frames::{Pose, Tag, World};
use plumbsight::raster::Gray;
use plumbsight::scene::render::{RenderOptions, photograph};
use plumbsight::scene::{Bay, BayOptions, SixOffsets};
use plumbsight::units::rad_from_deg;
use rayon::prelude::*;
use std::path::Path;

/// A bay whose drawn errors (run-out, thickness, prints: the same however the photographs are) leave all six well inside U, so that what the
/// photographs add shows.
pub const SEED: u64 = 21;

/// An invented bay, painted with the project's own renderer.
pub fn made_bay(seed: u64) -> Bay {
    let stand = SixOffsets { lateral_m: 0.004, yaw_rad: rad_from_deg(0.2), ..SixOffsets::default() };
    let mut options = BayOptions { seed, n_photos: 18, stand, ..BayOptions::default() };
    let lens = &mut options.lens;
    (lens.width, lens.height) = (1280, 720);
    (lens.fx, lens.fy, lens.cx, lens.cy) = (920.0, 920.6, 636.3, 361.7);
    Bay::new(&options).expect("the options are possible")
}

/// Photographs of a made bay.
pub fn painted(bay: &Bay) -> Vec<Gray> {
    let paint = |p| photograph(bay, p, &RenderOptions::default()).expect("a photograph of the bay");
    (0..bay.camera_from_world.len()).into_par_iter().map(paint).collect()
}

pub fn made(seed: u64) -> (Bay, Scene) {
    let bay = made_bay(seed);
    let pictures = painted(&bay);
    let photos = bay.noisy_photos(0);
    let mut job = bays::job::job_of(&bay, &photos, bays::placement_of(&bay, [None; 6]));
    job.lenses[0].tone = plumbsight::raster::ToneCurve::Srgb;
    let truth = bay.stand_offsets_from_places().to_array();
    (bay, Scene::new("made bay", job, pictures, truth))
}

/// The same bay while a second car stands beside it, with plates and sheets of its own.
///
/// `other_ids`: its prints have ids that this kit does not have; otherwise it is a second print of the very same kit, and each of its tags stands in
/// for one that this bay has lost or stands beside it.
pub fn with_second_car(bay: &Bay, other_ids: bool) -> Bay {
    let mut bay = bay.clone();
    let plates: Vec<_> = bay.layout.wheels.iter().filter_map(|w| w.plate.as_ref().map(|p| p.body)).collect();
    let mut more = Vec::new();
    for tag in &bay.layout.tags {
        if !plates.contains(&tag.body) && tag.id % 3 != 0 {
            continue;
        }
        let mut copy = *tag;
        let beside =
            Isometry3::translation(0.4, if copy.world_from_tag.translation().y > 0.0 { 2.6 } else { 3.3 }, 0.0);
        copy.world_from_tag = Pose::<World, Tag>::claim(beside * tag.world_from_tag.iso());
        if other_ids {
            copy.id += 300;
        }
        more.push(copy);
    }
    assert!(more.iter().any(|t| t.world_from_tag.translation() != Vector3::zeros()));
    bay.layout.tags.extend(more);
    bay
}

/// A path-traced bay: one position of the car, or all.
pub fn traced(folder: &Path, position: Option<usize>) -> Scene {
    let photos = folder.join("photos");
    let photos = if photos.is_dir() { photos } else { folder.to_owned() };
    let mut job = job_of(folder, &photos, position, Clamps::Limits);
    let last = job.rolled.as_ref().map_or(position.unwrap_or(0), |r| r.judged);
    let truth = true_deviation(&job, last);
    // The stand is asked for where it truly stands, but for a little: as somebody who has finished.
    let station = &mut job.placement.stations[0];
    let off = [0.002, -0.003, 0.001, 0.003, 0.001, -0.001];
    for k in 0..6 {
        station.required[k] += truth[k] - off[k];
    }
    let pictures = job
        .photos
        .par_iter()
        .map(|p| read_image(&p.path).unwrap_or_else(|e| panic!("{}: {e}", p.path.display())).gray)
        .collect();
    let name = folder.file_name().map_or("traced".into(), |n| n.to_string_lossy().into_owned());
    Scene::new(&name, job, pictures, off)
}
