//! Live video, one thread: the tracker against the whole detector on the same frames, in one run.
//!
//! `cargo bench --bench track -- [--repeat N] [--fps N] [FOLDER...]`
//!
//! A folder holds the frames of a video in the order of their names (for a path-traced one see `fixtures/bay-a/README.md`). Without one a video is made from a
//! shipped photograph (1920 x 1080): a hand-held camera's shake, as shifts by whole pixels. Every frame is searched by both, one after the other; a frame's
//! time is the least of the repeats, since other work on the machine only ever adds to it.

#[path = "common/mod.rs"]
mod common;

use common::{Failure, each_argument};
use plumbsight::capture::read_image;
use plumbsight::raster::Gray;
use plumbsight::tags::track::Tracker;
use plumbsight::tags::{DetectOptions, Detection, Detector};
use std::path::{Path, PathBuf};
use std::time::Instant;

fn main() -> Result<(), Failure> {
    let (mut folders, mut repeat, mut fps): (Vec<PathBuf>, usize, f64) = (Vec::new(), 5, 30.0);
    each_argument(|argument, value| {
        match argument {
            "--repeat" => repeat = value()?.parse()?,
            "--fps" => fps = value()?.parse()?,
            folder => folders.push(folder.into()),
        }
        Ok(())
    })?;
    if folders.is_empty() {
        let photo = read_image(&Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a/photos/001.jpg"))?.gray;
        let frames: Vec<Gray> = (0..40).map(|k| shaken(&photo, k)).collect();
        compare("shaken photograph", &frames, repeat, fps);
    }
    for folder in folders {
        let mut paths: Vec<PathBuf> = std::fs::read_dir(&folder)?.flatten().map(|entry| entry.path()).collect();
        paths.sort();
        let frames: Vec<Gray> = paths.iter().filter_map(|path| read_image(path).ok()).map(|p| p.gray).collect();
        if frames.is_empty() {
            return Err(format!("{}: no image could be read", folder.display()).into());
        }
        compare(&folder.display().to_string(), &frames, repeat, fps);
    }
    Ok(())
}

/// The photograph as frame `k` of a shaking camera sees it; what lies outside is repeated from its edge.
fn shaken(photo: &Gray, k: usize) -> Gray {
    let t = k as f64;
    let shift = |a: f64, b: f64| (12.0 * (a * t).sin() + 5.0 * (b * t).cos()).round() as i64;
    let (dx, dy) = (shift(0.31, 0.83), shift(0.23, 0.67));
    let (width, height) = (photo.width(), photo.height());
    let at = |v: usize, d: i64, size: usize| (v as i64 + d).clamp(0, size as i64 - 1) as usize;
    let data = (0..width * height).map(|i| photo.at(at(i % width, dx, width), at(i / width, dy, height)));
    Gray::new(width, height, data.collect()).expect("as many values as pixels")
}

fn compare(name: &str, frames: &[Gray], repeat: usize, fps: f64) {
    let options = DetectOptions::default();
    let mut times = vec![[f64::MAX; 2]; frames.len()];
    let mut detector = Detector::new();
    let (mut found, mut followed, mut both, mut at_once, mut whole) = (0, 0, 0, 0, 0);
    let (mut apart, mut in_sigmas) = (Vec::new(), Vec::new());
    for round in 0..repeat {
        let mut tracker = Tracker::new();
        for (k, frame) in frames.iter().enumerate() {
            let start = Instant::now();
            let reference = detector.detect(frame, &options);
            times[k][0] = times[k][0].min(milliseconds(start));
            let start = Instant::now();
            let seen = tracker.follow(frame, k as f64 / fps, &[], &options);
            times[k][1] = times[k][1].min(milliseconds(start));
            if round > 0 {
                continue;
            }
            found += reference.len();
            followed += seen.tags.len();
            at_once += seen.followed;
            whole += usize::from(seen.whole);
            for (a, b) in reference.iter().filter_map(|a| Some((a, same(a, &seen.tags)?))) {
                both += 1;
                for c in 0..8 {
                    let off = (a.corners[c / 2][c % 2] - b.corners[c / 2][c % 2]).abs();
                    apart.push(off);
                    in_sigmas.push(off / a.cov[(c, c)].sqrt());
                }
            }
        }
    }
    println!("{name}: {} frames of {} x {}", frames.len(), frames[0].width(), frames[0].height());
    println!(
        "  tags: detector {found}, tracker {followed}, the same {both}; {at_once} read where expected; whole image searched in {whole} frames"
    );
    println!(
        "  corner coordinates apart: median {:.5} px, 99 % {:.5}, most {:.5}; in standard deviations: median {:.3}, 99 % {:.3}, most {:.3}",
        part(&mut apart, 0.5),
        part(&mut apart, 0.99),
        part(&mut apart, 1.0),
        part(&mut in_sigmas, 0.5),
        part(&mut in_sigmas, 0.99),
        part(&mut in_sigmas, 1.0)
    );
    for (k, who) in ["whole detector", "tracker"].into_iter().enumerate() {
        let mut all: Vec<f64> = times.iter().map(|t| t[k]).collect();
        println!(
            "  {who}: ms per frame median {:.2}, 95 % {:.2}, most {:.2}",
            part(&mut all, 0.5),
            part(&mut all, 0.95),
            part(&mut all, 1.0)
        );
    }
}

fn milliseconds(start: Instant) -> f64 {
    start.elapsed().as_secs_f64() * 1e3
}

/// The tag among others that is the same one.
fn same<'a>(tag: &Detection, others: &'a [Detection]) -> Option<&'a Detection> {
    others.iter().find(|o| o.id == tag.id && (o.corners[0] - tag.corners[0]).norm() < 5.0)
}

/// The value that a part of all values does not exceed.
fn part(values: &mut [f64], share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values
        .get(((values.len() as f64 * share) as usize).min(values.len().saturating_sub(1)))
        .copied()
        .unwrap_or(f64::NAN)
}
