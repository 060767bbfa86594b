//! Live reading on a path-traced sequence with exact truth (`fixtures/live-a/README.md`), and on made ones.

mod common;

use common::repository;
use plumbsight::capture::read_image;
use plumbsight::placement::Component;
use plumbsight::record::{Purpose, read_job};
use plumbsight::session::live::{Base, CameraSetup, Live, Mount, Reading};
use plumbsight::tags::DetectOptions;
use plumbsight::units::{deg_from_rad, mm_from_m, rad_from_deg};
use std::sync::Arc;
use std::time::Duration;

/// The deviations of a frame's stand, m and rad, from its maker's truth: 4 x 4 matrix, and where the stand is asked to be.
fn truths() -> Vec<[f64; 6]> {
    let read = |path: &str| -> serde_json::Value {
        serde_json::from_str(&std::fs::read_to_string(repository(path)).unwrap()).unwrap()
    };
    let (truth, bay) = (read("fixtures/live-a/truth.json"), read("fixtures/bay-a/truth.json"));
    let front = |side: &str| -> f64 {
        let centre = &bay["positions"][0]["wheels"][side]["centre"];
        centre[0].as_f64().unwrap()
    };
    let front_x = (front("front_left") + front("front_right")) / 2.0;
    let asked = &bay["setup"];
    let at = |v: &serde_json::Value, i: usize, j: usize| v[i][j].as_f64().unwrap();
    truth["stand_poses"]
        .as_array()
        .unwrap()
        .iter()
        .map(|m| {
            let yaw = at(m, 1, 0).atan2(at(m, 0, 0));
            [
                at(m, 0, 3) - front_x - asked["distance_front_axle_m"].as_f64().unwrap(),
                at(m, 1, 3) - asked["lateral_m"].as_f64().unwrap(),
                at(m, 2, 3) - asked["height_m"].as_f64().unwrap(),
                yaw,
                0.0,
                0.0,
            ]
        })
        .collect()
}

#[test]
fn the_traced_sequence_is_followed_within_its_truth() {
    let job = read_job(&repository("fixtures/bay-a"), Purpose::Verdict).unwrap();
    let base = Arc::new(Base::of_job(&job, 0, &|_| {}).unwrap());
    let setup = CameraSetup { lens: 0, mount: Mount::Apart, detect: DetectOptions::default() };
    let mut live = Live::new(base, &[setup]).unwrap();
    let (mut covered, mut all) = (0, 0);
    for (k, truth) in truths().iter().enumerate().take(20) {
        let picture = read_image(&repository(&format!("fixtures/live-a/{:03}.jpg", k + 1))).unwrap();
        let reading: Reading = live.see(0, Duration::from_millis(100 * k as u64), &picture.gray);
        let stand = reading.stand.as_ref().unwrap_or_else(|| panic!("{k}: {:?}", reading.trouble));
        assert!(!stand.stale, "{k}: {:?}", reading.trouble);
        let mut line = format!("{k:2} {:2} {:?}", stand.frames, stand.motion);
        for component in Component::ALL {
            let i = component.index();
            let d = stand.station.deviations[i].deviation;
            let edge = if component.is_angle() { deg_from_rad } else { mm_from_m };
            let error = d.value - truth[i];
            line += &format!("  {:+.3} ({:.3})", edge(error), edge(d.expanded));
            all += 1;
            covered += usize::from(error.abs() <= d.expanded);
            let most = if component.is_angle() { rad_from_deg(0.08) } else { 0.0015 };
            assert!(error.abs() <= most, "frame {k}, {}: {:.3}", component.name(), edge(error));
        }
        println!("{line}  {}", stand.sentence);
    }
    println!("{covered} of {all} inside U");
    assert!(covered as f64 >= 0.95 * all as f64);
}
