//! Frame to reading, one thread: JPEG decoder, tags, pose against the survey, the decision with U and moves; the whole detector on the same frames in the same run.
//!
//! `cargo bench --bench live -- [--repeat N] [--frames N] [FOLDER]`
//!
//! Without a folder the 20 frames of `fixtures/live-a` are read, again and again (1920 x 1080, against the survey of `fixtures/bay-a`); a folder must hold frames
//! of that bay. "least" is the distribution of each frame's least time of all rounds, since other work on the machine only adds to it; "all" counts everything.
//! With `--frames N` it then plays N frames and says how the memory grew.

#[path = "common/mod.rs"]
mod common;

use common::{Failure, each_argument};
use plumbsight::capture::decode;
use plumbsight::fit::quantile_of;
use plumbsight::record::{Purpose, read_job};
use plumbsight::session::live::{Base, CameraSetup, Live, Mount};
use plumbsight::tags::track::Tracker;
use plumbsight::tags::{DetectOptions, Detector};
use plumbsight::units::ms_from_s;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

const STAGES: [&str; 4] = ["decoder", "decoder + tags", "decoder to reading", "whole detector alone"];

fn main() -> Result<(), Failure> {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    let (mut folder, mut repeat, mut frames) = (here.join("fixtures/live-a"), 10usize, 0u64);
    each_argument(|argument, value| {
        match argument {
            "--repeat" => repeat = value()?.parse()?,
            "--frames" => frames = value()?.parse()?,
            other => folder = PathBuf::from(other),
        }
        Ok(())
    })?;
    let mut paths: Vec<PathBuf> = std::fs::read_dir(&folder)?.flatten().map(|entry| entry.path()).collect();
    paths.retain(|p| p.extension().is_some_and(|e| e.eq_ignore_ascii_case("jpg")));
    paths.sort();
    let files: Vec<Vec<u8>> = paths.iter().map(std::fs::read).collect::<Result<_, _>>()?;
    if files.is_empty() {
        return Err(format!("{}: no frames", folder.display()).into());
    }
    let job = read_job(&here.join("fixtures/bay-a"), Purpose::Verdict)?;
    let start = Instant::now();
    let base = Arc::new(Base::of_job(&job, 0, &|_| {})?);
    println!("survey of the job and everything prepared: {:.2} s", start.elapsed().as_secs_f64());
    let options =
        DetectOptions { lens: Some(job.lenses[0].lens), tone: job.lenses[0].tone.clone(), ..DetectOptions::default() };
    let setup = CameraSetup { lens: 0, mount: Mount::Apart, detect: options.clone() };

    let mut least = vec![[f64::MAX; 4]; files.len()];
    let mut all: [Vec<f64>; 4] = Default::default();
    for _ in 0..repeat {
        let mut live = Live::new(base.clone(), std::slice::from_ref(&setup))?;
        let (mut tracker, mut detector) = (Tracker::new(), Detector::new());
        for (k, bytes) in files.iter().enumerate() {
            let time = Duration::from_millis(33 * k as u64);
            let mut times = [0.0; 4];
            let start = Instant::now();
            let gray = decode(bytes)?.gray;
            times[0] = ms(start);
            tracker.follow(&gray, time.as_secs_f64(), &[], &options);
            times[1] = ms(start);
            let start = Instant::now();
            let gray = decode(bytes)?.gray;
            let reading = live.see(0, time, &gray);
            times[2] = ms(start);
            if reading.trouble.is_some() {
                return Err(format!("frame {k}: {:?}", reading.trouble).into());
            }
            let start = Instant::now();
            std::hint::black_box(detector.detect(&gray, &options));
            times[3] = ms(start);
            for (stage, time) in times.into_iter().enumerate() {
                least[k][stage] = least[k][stage].min(time);
                all[stage].push(time);
            }
        }
    }
    println!(
        "{} frames, {repeat} rounds, ms a frame:          least: median   99 %   |   all: median   99 %",
        files.len()
    );
    for (stage, name) in STAGES.iter().enumerate() {
        let least: Vec<f64> = least.iter().map(|t| t[stage]).collect();
        let of = |v: &[f64], p: f64| quantile_of(v, p).unwrap_or(f64::NAN);
        println!(
            "  {name:22}                              {:6.2} {:6.2}   |       {:6.2} {:6.2}",
            of(&least, 0.5),
            of(&least, 0.99),
            of(&all[stage], 0.5),
            of(&all[stage], 0.99)
        );
    }
    if frames > 0 {
        let mut live = Live::new(base, &[setup])?;
        let grays: Vec<_> = files.iter().map(|b| decode(b).map(|p| p.gray)).collect::<Result<_, _>>()?;
        let mut before = None;
        for k in 0..frames {
            // There and back, so that the stand does not jump.
            let turn = k as usize % (2 * grays.len() - 1).max(1);
            let at = if turn < grays.len() { turn } else { 2 * grays.len() - 2 - turn };
            live.see(0, Duration::from_millis(33 * k), &grays[at]);
            if k == frames / 10 {
                before = resident_kib();
            }
        }
        println!("memory after a tenth of {frames} frames {before:?} KiB, at the end {:?} KiB", resident_kib());
    }
    Ok(())
}

fn ms(start: Instant) -> f64 {
    ms_from_s(start.elapsed().as_secs_f64())
}

/// Memory in use, where the system says.
fn resident_kib() -> Option<u64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    text.lines().find_map(|l| l.strip_prefix("VmRSS:"))?.trim().strip_suffix(" kB")?.trim().parse().ok()
}
