//! The tracker on drawn videos with known corners: what it reports is what the whole detector reports on the same frame, in the very frame.

mod drawn;

use drawn::{Corners, NormalTable, Paper, draws, square};
use nalgebra::Vector2;
use plumbsight::raster::{Gray, light_to_srgb};
use plumbsight::tags::track::{Expected, FRAMES_PER_ROUND, Tracker};
use plumbsight::tags::{DetectOptions, Detection, Detector, detect};

const FPS: f64 = 30.0;

fn time(k: usize) -> f64 {
    k as f64 / FPS
}

fn frame(width: usize, height: usize, tags: &[(u16, Corners)], seed: u64, table: &NormalTable) -> Gray {
    let mut paper = Paper::new(width, height);
    for (id, corners) in tags {
        paper.add(*id, corners, 0.7, table);
    }
    paper.photograph(light_to_srgb, 2.0, &mut draws(seed))
}

fn ids(tags: &[Detection]) -> Vec<u16> {
    tags.iter().map(|t| t.id).collect()
}

/// Tags of a hand-held camera's frame: all move together, and each turns a little of its own accord.
fn moving(k: usize) -> Vec<(u16, Corners)> {
    let t = k as f64;
    let shift = Vector2::new(30.0 * (0.11 * t).sin() + 4.0 * (0.9 * t).cos(), 22.0 * (0.13 * t).cos());
    [(3, 110.0, 110.0, 70.0), (77, 290.0, 100.0, 34.0), (120, 480.0, 120.0, 90.0), (301, 120.0, 330.0, 24.0)]
        .into_iter()
        .chain([(400, 300.0, 320.0, 120.0), (586, 500.0, 340.0, 50.0), (77, 420.0, 400.0, 30.0)])
        .map(|(id, x, y, side): (u16, f64, f64, f64)| {
            (id, square(Vector2::new(x, y) + shift, side, 0.3 + 0.01 * t + 0.001 * x))
        })
        .collect()
}

#[test]
fn a_moving_camera_sees_what_the_whole_detector_sees() {
    let table = NormalTable::new();
    let (mut tracker, mut detector, options) = (Tracker::new(), Detector::new(), DetectOptions::default());
    let (mut followed, mut all, mut whole) = (0, 0, 0);
    let mut apart: Vec<f64> = Vec::new();
    for k in 0..40 {
        let mut tags = moving(k);
        match k {
            // One is covered for two frames, two leave for good.
            10 | 11 => drop(tags.remove(0)),
            25.. => tags.truncate(5),
            _ => {}
        }
        let image = frame(640, 480, &tags, k as u64, &table);
        let (seen, reference) = (tracker.follow(&image, time(k), &[], &options), detector.detect(&image, &options));
        let mut drawn: Vec<u16> = tags.iter().map(|(id, _)| *id).collect();
        drawn.sort_unstable();
        assert_eq!(ids(&reference), drawn, "frame {k}: the detector");
        if k == 12 {
            // The covered tag is back and still remembered.
            assert_eq!(ids(&seen.tags), drawn, "frame {k}");
        }
        assert_eq!(ids(&seen.tags), drawn, "frame {k}");
        let lost = match k {
            10 => vec![3],
            25 => vec![77, 586],
            _ => vec![],
        };
        assert_eq!(seen.lost, lost, "frame {k}");
        for a in &reference {
            let b = seen.tags.iter().find(|b| b.id == a.id && (b.corners[0] - a.corners[0]).norm() < 5.0).unwrap();
            for c in 0..8 {
                apart.push((a.corners[c / 2][c % 2] - b.corners[c / 2][c % 2]).abs() / a.cov[(c, c)].sqrt());
            }
            assert!((a.cov - b.cov).norm() < 0.1 * a.cov.norm(), "frame {k}, tag {}", a.id);
        }
        followed += seen.followed;
        all += seen.tags.len();
        whole += usize::from(seen.whole);
    }
    apart.sort_by(f64::total_cmp);
    let (median, most) = (apart[apart.len() / 2], apart[apart.len() - 1]);
    println!("{followed} of {all} where expected, whole image {whole} times");
    println!("corners apart in standard deviations: median {median:.4}, most {most:.3}");
    assert!(median < 0.03 && most < 1.0, "median {median}, most {most}");
    assert!(10 * followed > 8 * all, "{followed} of {all}");
    assert!(whole <= 2, "{whole}");
}

/// Wherever a new tag of whatever size appears, it is reported within a round; here on and between the borders of the strips.
#[test]
fn a_new_tag_is_found_within_a_round() {
    let table = NormalTable::new();
    let options = DetectOptions::default();
    let known = (9, square(Vector2::new(560.0, 60.0), 60.0, 0.1));
    let alone = frame(640, 480, &[known], 1, &table);
    for (y, side) in [
        (30.0, 30.0),
        (96.0, 16.0),
        (128.0, 22.0),
        (144.0, 80.0),
        (240.0, 90.0),
        (290.0, 140.0),
        (330.0, 200.0),
        (455.0, 26.0),
    ] {
        let both = frame(640, 480, &[known, (200, square(Vector2::new(230.0, y), side, 0.4))], 2, &table);
        let wanted = ids(&detect(&both, &options));
        assert_eq!(wanted, [9, 200], "the whole detector, side {side} at {y}");
        // It appears in each frame of a round once.
        let after: Vec<Option<usize>> = (0..FRAMES_PER_ROUND)
            .map(|start| {
                let mut tracker = Tracker::new();
                for k in 0..=start {
                    assert_eq!(ids(&tracker.follow(&alone, time(k), &[], &options).tags), [9]);
                }
                (0..FRAMES_PER_ROUND).position(|k| {
                    let seen = tracker.follow(&both, time(start + 1 + k), &[], &options);
                    assert!(!seen.whole);
                    ids(&seen.tags) == wanted
                })
            })
            .collect();
        println!("side {side} at row {y}: frames until it is reported {after:?}");
        assert!(after.iter().all(Option::is_some), "side {side} at row {y}: {after:?}");
    }
}

#[test]
fn what_is_gone_is_gone_in_the_very_frame() {
    let table = NormalTable::new();
    let options = DetectOptions::default();
    let mut tracker = Tracker::new();
    let image = frame(640, 480, &moving(0), 1, &table);
    assert_eq!(tracker.follow(&image, 0.0, &[], &options).tags.len(), 7);
    let blank = Gray::filled(640, 480, 200);
    let seen = tracker.follow(&blank, time(1), &[], &options);
    assert_eq!((seen.tags.len(), seen.lost), (0, vec![3, 77, 77, 120, 301, 400, 586]));
    for k in 2..20 {
        let seen = tracker.follow(&blank, time(k), &[], &options);
        assert!(seen.tags.is_empty() && seen.lost.is_empty(), "frame {k}");
    }
    // Nothing is known any more: the whole image is searched, and all is back at once.
    let seen = tracker.follow(&image, time(20), &[], &options);
    assert!(seen.whole && seen.tags.len() == 7);
    // Another tag stands exactly where one was.
    let mut swapped = moving(0);
    swapped[0].0 = 4;
    let seen = tracker.follow(&frame(640, 480, &swapped, 1, &table), time(21), &[], &options);
    assert!(seen.lost == [3] && !ids(&seen.tags).contains(&3), "{:?} {:?}", seen.lost, ids(&seen.tags));
}

#[test]
fn a_bumped_camera_loses_nothing() {
    let table = NormalTable::new();
    let options = DetectOptions::default();
    let mut tracker = Tracker::new();
    for k in 0..8 {
        tracker.follow(&frame(640, 480, &moving(0), k, &table), time(k as usize), &[], &options);
    }
    // Bump after bump, some within reach of a window and some not, all tags alike.
    for (k, (x, y)) in [(37.0, -26.0), (0.0, 0.0), (-60.0, -50.0), (25.0, 12.0), (90.0, -40.0)].into_iter().enumerate()
    {
        let moved: Vec<_> = moving(0).into_iter().map(|(id, c)| (id, c.map(|p| p + Vector2::new(x, y)))).collect();
        let mut seen = Vec::new();
        for j in 0..FRAMES_PER_ROUND {
            let image = frame(640, 480, &moved, (10 * k + j) as u64, &table);
            seen.push(tracker.follow(&image, time(8 + FRAMES_PER_ROUND * k + j), &[], &options));
        }
        println!(
            "bump to {x} {y}: {} of 7 in the very frame, whole image searched: {}",
            seen[0].tags.len(),
            seen[0].whole
        );
        assert!(seen[0].tags.len() >= 6, "{x} {y}: {:?}", ids(&seen[0].tags));
        assert_eq!(seen.last().map(|s| s.tags.len()), Some(7), "{x} {y}");
    }
}

/// Corners that the caller predicts are looked at in the same frame; predictions of what is not there do no harm.
#[test]
fn expected_tags_are_looked_at_and_wrong_expectations_do_no_harm() {
    let table = NormalTable::new();
    let options = DetectOptions::default();
    let all = moving(0);
    let mut tracker = Tracker::new();
    tracker.follow(&frame(640, 480, &all[..2], 1, &table), 0.0, &[], &options);
    let about = |corners: &Corners, by: f64| corners.map(|c| c + Vector2::new(by, -0.5 * by));
    let expected: Vec<Expected> = vec![
        Expected { id: all[5].0, corners: about(&all[5].1, 1.0), sigma_px: 1.0 },
        Expected { id: all[4].0, corners: about(&all[4].1, 12.0), sigma_px: 8.0 },
        // Not there; outside; mirrored; not numbers; a tag that is there under another id.
        Expected { id: 15, corners: about(&all[5].1, 100.0), sigma_px: 1.0 },
        Expected { id: 16, corners: about(&all[5].1, 9000.0), sigma_px: 2.0 },
        Expected { id: 586, corners: [3, 2, 1, 0].map(|k: usize| all[5].1[k]), sigma_px: 2.0 },
        Expected { id: 17, corners: all[5].1.map(|_| Vector2::repeat(f64::NAN)), sigma_px: 2.0 },
        Expected { id: 18, corners: all[5].1, sigma_px: f64::INFINITY },
        Expected { id: 19, corners: all[5].1, sigma_px: 1.0 },
        Expected { id: 9999, corners: all[0].1, sigma_px: 1e300 },
    ];
    let image = frame(640, 480, &all, 2, &table);
    let seen = tracker.follow(&image, time(1), &expected, &options);
    assert!(!seen.whole);
    let found = ids(&seen.tags);
    assert!([3, 77, 400, 586].iter().all(|id| found.contains(id)), "{found:?}");
    assert!(found.iter().all(|id| all.iter().any(|(known, _)| known == id)), "{found:?}");
    let reference = detect(&image, &options);
    for tag in &seen.tags {
        let same = reference.iter().find(|r| r.id == tag.id && (r.corners[0] - tag.corners[0]).norm() < 0.02);
        assert!(same.is_some(), "{}", tag.id);
    }
}

#[test]
fn no_clock_and_no_size_upsets_it() {
    let table = NormalTable::new();
    let options = DetectOptions::default();
    let mut tracker = Tracker::new();
    let times = [0.0, 0.0, -5.0, f64::NAN, 1.0, f64::INFINITY, f64::NEG_INFINITY, 1e300, 2.0, 2.0 + 1e-12, 2.5, 1e6];
    for (k, time) in times.into_iter().enumerate() {
        let image = frame(640, 480, &moving(k), k as u64, &table);
        let seen = tracker.follow(&image, time, &[], &options);
        assert_eq!(seen.tags.len(), 7, "time {time}");
        for (width, height) in if k == 4 { vec![(0, 0), (1, 1), (7, 300), (300, 3), (64, 64)] } else { vec![] } {
            let seen = tracker.follow(&Gray::filled(width, height, 90), time, &[], &options);
            assert!(seen.tags.is_empty() && seen.whole, "{width} x {height}");
        }
    }
}
