//! The hold watch on made sequences: bumps, creep, passers-by, a bumped camera, another light, and hours in which nothing happens.

mod bays;
mod common;

use bays::{base_of, tripod};
use nalgebra::{Isometry3, Translation3, UnitQuaternion, Vector2, Vector3};
use plumbsight::frames::{Camera, Pose, World};
use plumbsight::scene::draw::{Draw, Purpose};
use plumbsight::scene::sequence::disturbed;
use plumbsight::scene::{Bay, BayOptions};
use plumbsight::session::hold::{HoldOptions, HoldReport, Lookout, News, NewsKind, Phase, Standing};
use plumbsight::session::live::{CameraSetup, Mount};
use plumbsight::survey::TagView;
use plumbsight::tags::DetectOptions;
use plumbsight::units::{deg_from_rad, m_from_mm, mm_from_m, rad_from_deg};
use rayon::prelude::*;
use std::sync::Arc;
use std::time::Duration;

/// Frames a second of the made sequences.
const RATE: usize = 10;

fn time(k: usize) -> Duration {
    Duration::from_millis((1000 / RATE * k) as u64)
}

fn options() -> HoldOptions {
    HoldOptions { frames_per_s: RATE as f64, ..HoldOptions::default() }
}

fn bay(seed: u64) -> Bay {
    Bay::new(&BayOptions { seed, ..BayOptions::default() }).unwrap()
}

fn lookout(bay: &Bay, mount: Mount) -> Lookout {
    let base = Arc::new(base_of(bay, [Some(0.01); 6]));
    let setup = CameraSetup { lens: 0, mount, detect: DetectOptions::default() };
    Lookout::new(base, 0, &setup, options()).unwrap()
}

/// Runs frames through a watch: everything that was news, and the last report.
fn run(
    watch: &mut Lookout,
    draw: &mut Draw,
    frames: std::ops::Range<usize>,
    see: &mut dyn FnMut(usize) -> Vec<TagView>,
) -> (Vec<News>, HoldReport) {
    let mut news = Vec::new();
    let mut last = None;
    for k in frames {
        let report = watch.see_tags(time(k), &disturbed(&see(k), draw));
        news.extend(report.news.iter().cloned());
        last = Some(report);
    }
    (news, last.unwrap())
}

fn kinds(news: &[News]) -> Vec<NewsKind> {
    news.iter().map(|n| n.kind).collect()
}

/// A body turned about the vertical through its middle and shifted.
fn nudge(bay: &Bay, body: usize, shift: Vector3<f64>, yaw: f64) -> Bay {
    turned(bay, body, shift, Vector3::z() * yaw, bay.layout.world_from_body[body].translation())
}

/// A body turned about a point and shifted.
fn turned(bay: &Bay, body: usize, shift: Vector3<f64>, turn: Vector3<f64>, about: Vector3<f64>) -> Bay {
    let turn = UnitQuaternion::from_scaled_axis(turn);
    bay.moved(body, &Isometry3::from_parts(Translation3::from(about + shift - turn * about), turn))
}

/// A direction in space, all alike.
fn direction(draw: &mut Draw) -> Vector3<f64> {
    let (z, around) = (draw.uniform(-1.0, 1.0), draw.uniform(0.0, std::f64::consts::TAU));
    let flat = (1.0 - z * z).sqrt();
    Vector3::new(flat * around.cos(), flat * around.sin(), z)
}

/// Middle of the tags of a body that are seen.
fn middle(bay: &Bay, body: usize, seen: &[TagView]) -> Vector3<f64> {
    let tags = bay.layout.tags.iter().filter(|t| t.body == body && seen.iter().any(|v| v.id == t.id));
    let centres: Vec<Vector3<f64>> = tags.map(|t| t.world_from_tag.translation()).collect();
    centres.iter().sum::<Vector3<f64>>() / centres.len() as f64
}

fn bumped(camera: &Pose<Camera, World>, shift: [f64; 3], turn: [f64; 3]) -> Pose<Camera, World> {
    let turn = UnitQuaternion::from_scaled_axis(Vector3::from(turn));
    Pose::claim(Isometry3::from_parts(Translation3::from(Vector3::from(shift)), turn) * camera.iso())
}

#[test]
fn a_bump_of_the_stand_is_noticed_within_a_second() {
    let n: u64 = std::env::var("PLUMBSIGHT_BUMPS").ok().and_then(|n| n.parse().ok()).unwrap_or(40);
    // 2 mm in some direction of space, or 0.1° about some axis, in bays of their own.
    let missed: Vec<String> = (1..=n)
        .into_par_iter()
        .filter_map(|seed| {
            let bay = bay(seed);
            let mut draw = Draw::new(seed, Purpose::Photo(20));
            let mut watch = lookout(&bay, Mount::Apart);
            let camera = tripod(&bay);
            let axis = direction(&mut draw);
            let shift = axis * m_from_mm(2.0);
            let after = match seed % 2 {
                0 => nudge(&bay, bay.layout.stand, shift, 0.0),
                _ => {
                    // About its foot, as a stand is tipped or turned.
                    let stand = bay.layout.world_from_body[bay.layout.stand].translation();
                    let foot = Vector3::new(stand.x, stand.y, 0.0);
                    turned(&bay, bay.layout.stand, Vector3::zeros(), axis * rad_from_deg(0.1), foot)
                }
            };
            let (quiet, loud) = (bay.seen_from(&camera), after.seen_from(&camera));
            let (news, _) = run(&mut watch, &mut draw, 0..60, &mut |_| quiet.clone());
            if kinds(&news) != [NewsKind::Begins] {
                return Some(format!("{seed}: {news:?}"));
            }
            let (news, last) = run(&mut watch, &mut draw, 60..70, &mut |_| loud.clone());
            let alarm = news.iter().find(|n| n.kind == NewsKind::Moved);
            let right = alarm.is_some_and(|a| a.body.as_ref().is_some_and(|(b, _)| *b == bay.layout.stand));
            let stand = last.bodies.iter().find(|b| b.body == bay.layout.stand).unwrap();
            let found = Vector3::from(stand.shift_m.map(|(v, _)| v));
            let close = seed % 2 == 1 || (found - shift).norm() < m_from_mm(0.8);
            (!right || news.len() != 1 || stand.standing != Standing::Moved || !last.moved || !close)
                .then(|| format!("{seed}: {news:?}, found {found:?} mm of {shift:?}"))
        })
        .collect();
    println!("{} of {n} bumps missed or called something else", missed.len());
    // 99 % asked: of 40 not one, of more one in a hundred.
    assert!(missed.len() as f64 <= 0.01 * n as f64, "{missed:#?}");
}

/// What is stated as detectable is found with a chance of 99 %: moves of just that size, in the body's worst direction unknown, so in any.
#[test]
fn the_detectable_size_is_detected() {
    // The first half is shifted in some direction of space, the other turned about some axis through the middle of its tags.
    let found: Vec<(u64, bool, f64)> = (1..=48u64)
        .into_par_iter()
        .map(|seed| {
            let bay = bay(seed);
            let mut draw = Draw::new(seed, Purpose::Photo(21));
            let mut watch = lookout(&bay, Mount::Apart);
            let quiet = bay.seen_from(&tripod(&bay));
            let (_, report) = run(&mut watch, &mut draw, 0..45, &mut |_| quiet.clone());
            assert!(matches!(report.phase, Phase::Watching { .. }));
            let sheets: Vec<_> = report.bodies.iter().filter(|b| b.body != bay.layout.stand).collect();
            let target = sheets[seed as usize % sheets.len()];
            assert!(target.detectable_m < m_from_mm(40.0), "{} mm", mm_from_m(target.detectable_m));
            let axis = direction(&mut draw);
            let (shift, turn) = match seed <= 24 {
                true => (axis * target.detectable_m, Vector3::zeros()),
                false => (Vector3::zeros(), axis * target.detectable_rad),
            };
            let about = middle(&bay, target.body, &quiet);
            let loud = turned(&bay, target.body, shift, turn, about).seen_from(&tripod(&bay));
            let (news, _) = run(&mut watch, &mut draw, 45..45 + RATE, &mut |_| loud.clone());
            let named = news.iter().any(|n| n.kind.is_alarm() && n.body.as_ref().is_some_and(|b| b.0 == target.body));
            (seed, named, mm_from_m(target.detectable_m))
        })
        .collect();
    println!("{found:?}");
    // 99 % is stated; of 48 three missed would have a chance of 1 %.
    assert!(found.iter().filter(|f| f.1).count() >= 46, "{found:?}");
}

#[test]
fn hours_without_a_move_give_no_alarm() {
    let minutes: usize = std::env::var("PLUMBSIGHT_HOLD_MINUTES").ok().and_then(|n| n.parse().ok()).unwrap_or(24);
    let each = minutes * 60 * RATE / 8;
    let alarms: Vec<Vec<News>> = (1..=8u64)
        .into_par_iter()
        .map(|seed| {
            let bay = bay(seed);
            let mut draw = Draw::new(seed, Purpose::Photo(22));
            let mut watch = lookout(&bay, Mount::Apart);
            let quiet = bay.seen_from(&tripod(&bay));
            let (news, _) = run(&mut watch, &mut draw, 0..each, &mut |_| quiet.clone());
            news
        })
        .collect();
    let false_ones: Vec<&News> = alarms.iter().flatten().filter(|n| n.kind != NewsKind::Begins).collect();
    println!("{} frames in all, {} false alarms", 8 * each, false_ones.len());
    assert!(alarms.iter().all(|n| n.first().is_some_and(|n| n.kind == NewsKind::Begins)), "each watch begins");
    let hours = minutes as f64 / 60.0;
    // Half of one in 8 h is stated; three standard deviations of a Poisson count of that are allowed.
    let stated = 0.5 * hours / 8.0;
    assert!(false_ones.len() as f64 <= stated + 3.0 * stated.sqrt(), "{false_ones:#?}");
}

/// The limit is what it is said to be: with thousands of false alarms allowed there are some, and not more than allowed.
#[test]
fn the_stated_rate_of_false_alarms_is_an_upper_bound_and_not_an_empty_one() {
    let bay = bay(9);
    let base = Arc::new(base_of(&bay, [Some(0.01); 6]));
    let setup = CameraSetup { lens: 0, mount: Mount::Apart, detect: DetectOptions::default() };
    let loose =
        HoldOptions { false_alarms: 400.0, hours: 1.0 / 6.0, least_m: 0.0, least_rad: 0.0, light_px: 0.0, ..options() };
    let mut watch = Lookout::new(base, 0, &setup, loose).unwrap();
    let mut draw = Draw::new(9, Purpose::Photo(23));
    let quiet = bay.seen_from(&tripod(&bay));
    let (news, _) = run(&mut watch, &mut draw, 0..10 * 60 * RATE, &mut |_| quiet.clone());
    let false_ones = news.iter().filter(|n| n.kind.is_alarm() || n.kind == NewsKind::CameraMoved).count();
    println!("{false_ones} false alarms where 400 are allowed");
    assert!((1..=400).contains(&false_ones), "{false_ones}");
}

#[test]
fn a_creep_is_called_one_with_its_beginning_and_size() {
    let bay = bay(6);
    let mut draw = Draw::new(6, Purpose::Photo(24));
    let mut watch = lookout(&bay, Mount::Apart);
    let camera = tripod(&bay);
    let stand = bay.layout.stand;
    // From second 10 on, 0.1 mm a second to the car's right, down to 3 mm.
    let creep = |k: usize| (k.saturating_sub(10 * RATE) as f64 / RATE as f64 * m_from_mm(0.1)).min(m_from_mm(3.0));
    let (news, _) = run(&mut watch, &mut draw, 0..60 * RATE, &mut |k| {
        nudge(&bay, stand, Vector3::new(0.0, -creep(k), 0.0), 0.0).seen_from(&camera)
    });
    let crept: Vec<&News> = news.iter().filter(|n| n.kind == NewsKind::Crept).collect();
    assert!(!crept.is_empty(), "{news:#?}");
    assert!(crept.iter().all(|n| n.body.as_ref().is_some_and(|b| b.0 == stand)), "{news:#?}");
    assert!(crept[0].since >= time(9 * RATE) && crept[0].time <= time(30 * RATE), "{:?}", crept[0]);
    assert!(crept[0].sentence.contains("to the car's right"), "{}", crept[0].sentence);
    assert!(!kinds(&news).contains(&NewsKind::CameraMoved), "{news:#?}");
}

#[test]
fn a_passer_by_hides_and_moves_nothing() {
    let bay = bay(7);
    let mut draw = Draw::new(7, Purpose::Photo(25));
    let mut watch = lookout(&bay, Mount::Apart);
    let camera = tripod(&bay);
    let all = bay.seen_from(&camera);
    let hidden = |k: usize, x: f64| {
        // A person 500 px wide walks through the picture in 6 s and stops for 5 s in the middle.
        let at = match k {
            0..=99 => -1e9,
            100..=129 => -300.0 + 38.0 * (k - 100) as f64,
            130..=179 => 840.0,
            180..=209 => 840.0 + 60.0 * (k - 180) as f64,
            _ => 1e9,
        };
        (x - at).abs() < 250.0
    };
    let (news, last) = run(&mut watch, &mut draw, 0..400, &mut |k| {
        let clear = |v: &&TagView| !v.corners.iter().any(|c| hidden(k, c.x));
        let mut seen: Vec<TagView> = all.iter().filter(clear).cloned().collect();
        // Where the person's edge cuts a tag, a careless detector may read it with corners off by some pixels, for a frame.
        if let Some(v) = all.iter().find(|v| v.corners.iter().any(|c| hidden(k, c.x)) && (k == 110 || k == 115)) {
            let mut v = v.clone();
            v.corners[0] += Vector2::new(4.0, -3.0);
            seen.push(v);
        }
        seen
    });
    let what = kinds(&news);
    assert!(what.contains(&NewsKind::NotSeen) && what.contains(&NewsKind::SeenAgain), "{what:?}");
    assert!(what.iter().all(|k| !k.is_alarm() && *k != NewsKind::CameraMoved), "{news:#?}");
    assert!(last.bodies.iter().all(|b| b.standing == Standing::Holds), "{:#?}", last.bodies);
    // An odd frame of a body that is hidden right after it does not keep the watch from the others.
    let cut = all.iter().find(|v| bay.layout.kit.find_tag(v.id).is_some_and(|(b, _)| b != bay.layout.stand)).unwrap();
    let (body_cut, _) = bay.layout.kit.find_tag(cut.id).unwrap();
    let others: Vec<TagView> =
        all.iter().filter(|v| bay.layout.kit.find_tag(v.id).is_none_or(|(b, _)| b != body_cut)).cloned().collect();
    let mut blind = lookout(&bay, Mount::Apart);
    let (news, _) = run(&mut blind, &mut draw, 0..90, &mut |k| match k {
        0..=59 => all.clone(),
        60 => {
            let mut odd = nudge(&bay, body_cut, Vector3::new(m_from_mm(30.0), 0.0, 0.0), 0.0).seen_from(&camera);
            odd.retain(|v| v.id == cut.id);
            odd.into_iter().chain(others.iter().cloned()).collect()
        }
        61..=69 => others.clone(),
        _ => {
            let pushed = nudge(&bay, bay.layout.stand, Vector3::new(0.0, m_from_mm(5.0), 0.0), 0.0).seen_from(&camera);
            pushed.into_iter().filter(|v| others.iter().any(|o| o.id == v.id)).collect()
        }
    });
    let stand_moved = news.iter().find(|n| n.kind == NewsKind::Moved).expect("the stand's move is seen");
    assert_eq!(stand_moved.body.as_ref().unwrap().0, bay.layout.stand, "{news:#?}");
    // What is moved while it is hidden is found when it is seen again.
    let body = last.bodies.iter().find(|b| b.body != bay.layout.stand).unwrap().body;
    let after = nudge(&bay, body, Vector3::new(m_from_mm(6.0), 0.0, 0.0), 0.0).seen_from(&camera);
    let its = |v: &TagView| bay.layout.kit.find_tag(v.id).is_some_and(|(b, _)| b == body);
    let (news, _) = run(&mut watch, &mut draw, 400..480, &mut |k| match k {
        400..=439 => all.iter().filter(|v| !its(v)).cloned().collect(),
        _ => after.clone(),
    });
    assert_eq!(kinds(&news), [NewsKind::NotSeen, NewsKind::SeenAgain, NewsKind::Moved], "{news:#?}");
    assert_eq!(news[2].body.as_ref().unwrap().0, body);
}

#[test]
fn a_bumped_camera_is_named_as_the_camera_and_the_watch_begins_anew() {
    for seed in 1..=6 {
        let bay = bay(seed);
        let mut draw = Draw::new(seed, Purpose::Photo(26));
        let mut watch = lookout(&bay, Mount::Apart);
        let camera = tripod(&bay);
        let other = bumped(&camera, [0.003, -0.001, 0.002], [0.002, 0.004, -0.001]);
        let (quiet, loud) = (bay.seen_from(&camera), bay.seen_from(&other));
        let (news, last) =
            run(&mut watch, &mut draw, 0..200, &mut |k| if k < 80 { quiet.clone() } else { loud.clone() });
        assert_eq!(kinds(&news), [NewsKind::Begins, NewsKind::CameraMoved, NewsKind::Begins], "{seed}: {news:#?}");
        assert!(!last.moved);
        let turn = news[1].turn_rad.unwrap().map(|(v, _)| v);
        assert!((deg_from_rad(Vector3::from(turn).norm()) - 0.263).abs() < 0.02, "{turn:?}");
    }
}

#[test]
fn a_camera_on_the_stand_says_that_the_stand_moved() {
    let bay = bay(8);
    let at = bay.layout.world_from_body[bay.layout.stand].translation();
    let camera =
        plumbsight::scene::cameras::look(at + Vector3::new(-0.1, 0.55, 0.6), Vector3::new(at.x - 1.9, 1.45, 0.0), 0.02);
    let push = Isometry3::translation(0.0, m_from_mm(4.0), 0.0);
    let moved = Pose::<Camera, World>::claim(camera.iso() * push.inverse());
    let mut watch = lookout(&bay, Mount::OnStand);
    let mut draw = Draw::new(8, Purpose::Photo(27));
    let (quiet, loud) = (bay.seen_from(&camera), bay.seen_from(&moved));
    let (news, last) = run(&mut watch, &mut draw, 0..120, &mut |k| if k < 80 { quiet.clone() } else { loud.clone() });
    assert_eq!(kinds(&news), [NewsKind::Begins, NewsKind::Moved], "{news:#?}");
    assert!(last.moved);
    assert!(
        news[1].sentence.contains("The stand") && news[1].sentence.contains("to the car's left"),
        "{}",
        news[1].sentence
    );
    assert!((mm_from_m(news[1].shift_m.unwrap()[1].0) - 4.0).abs() < 0.6, "{:?}", news[1]);
}

/// A car that settles: the plates and whatever is on the car sink; the watch begins when they rest.
#[test]
fn a_settling_body_is_a_curve_and_the_watch_waits_for_it() {
    let bay = bay(10);
    let mut draw = Draw::new(10, Purpose::Photo(28));
    let mut watch = lookout(&bay, Mount::Apart);
    let camera = tripod(&bay);
    let stand = bay.layout.stand;
    // 6 mm, with a time constant of 4 s.
    let sunk = |k: usize| m_from_mm(6.0) * (1.0 - (-(k as f64) / (4.0 * RATE as f64)).exp());
    let mut curve = Vec::new();
    let mut begun = None;
    for k in 0..60 * RATE {
        let seen = nudge(&bay, stand, Vector3::new(0.0, 0.0, -sunk(k)), 0.0).seen_from(&camera);
        let report = watch.see_tags(time(k), &disturbed(&seen, &mut draw));
        if begun.is_none()
            && let Some(b) = report.bodies.iter().find(|b| b.body == stand)
        {
            curve.push((k, b.shift_m[2].0));
        }
        if report.news.iter().any(|n| n.kind == NewsKind::Begins) {
            begun = Some(k);
        }
        // It no longer is where it was judged: that is said once, when it rests.
        let said: Vec<NewsKind> = kinds(&report.news);
        assert!(said.is_empty() || said == [NewsKind::Begins, NewsKind::MovedBefore], "{:?}", report.news);
        if let Some(before) = report.news.get(1) {
            assert_eq!(before.body.as_ref().unwrap().0, stand);
            assert!((mm_from_m(before.shift_m.unwrap()[2].0) + 6.0).abs() < 1.0, "{before:?}");
            assert!(before.kind.is_alarm() && report.moved && before.sentence.contains("down"), "{}", before.sentence);
        }
    }
    let begun = begun.expect("the watch begins");
    // What is still to come when the watch begins must be too little to matter.
    assert!((8 * RATE..45 * RATE).contains(&begun), "{begun}");
    assert!(m_from_mm(6.0) - sunk(begun) < m_from_mm(0.3), "{begun}");
    let at = |k: usize| curve.iter().find(|c| c.0 == k).unwrap().1;
    for k in [2 * RATE, 6 * RATE, 12 * RATE] {
        assert!((at(k) + sunk(k)).abs() < m_from_mm(0.9), "{k}: {} of {}", mm_from_m(at(k)), mm_from_m(-sunk(k)));
    }
}

/// A stand that was bumped between the verdict and the watch, and a sheet that is pushed while the camera waits for rest.
#[test]
fn what_moved_before_the_watch_began_is_said() {
    let bay = bay(31);
    let camera = tripod(&bay);
    let stand = bay.layout.stand;
    let mut draw = Draw::new(31, Purpose::Photo(30));
    let bumped = nudge(&bay, stand, Vector3::new(0.0, m_from_mm(6.0), 0.0), 0.0).seen_from(&camera);
    let mut watch = lookout(&bay, Mount::Apart);
    let (news, last) = run(&mut watch, &mut draw, 0..60, &mut |_| bumped.clone());
    assert_eq!(kinds(&news), [NewsKind::Begins, NewsKind::MovedBefore], "{news:#?}");
    assert!(last.moved && news[1].body.as_ref().unwrap().0 == stand);
    let shift = news[1].shift_m.unwrap();
    assert!((shift[1].0 - m_from_mm(6.0)).abs() < 4.0 * shift[1].1 && shift[1].1 < m_from_mm(2.0), "{shift:?}");
    assert!(news[1].sentence.contains("to the car's left"), "{}", news[1].sentence);
    // 8 mm, in the second second, of a sheet that is seen well.
    let quiet = bay.seen_from(&camera);
    let seen =
        |body: usize| quiet.iter().filter(|v| bay.layout.kit.find_tag(v.id).is_some_and(|(b, _)| b == body)).count();
    let sheet = (0..bay.layout.kit.bodies.len()).filter(|b| *b != stand).max_by_key(|b| seen(*b)).unwrap();
    let pushed = nudge(&bay, sheet, Vector3::new(m_from_mm(8.0), 0.0, 0.0), 0.0).seen_from(&camera);
    let mut watch = lookout(&bay, Mount::Apart);
    let (news, last) = run(&mut watch, &mut draw, 0..90, &mut |k| if k < 15 { quiet.clone() } else { pushed.clone() });
    let before: Vec<&News> = news.iter().filter(|n| n.kind == NewsKind::MovedBefore).collect();
    assert!(last.moved && before.iter().any(|n| n.body.as_ref().is_some_and(|b| b.0 == sheet)), "{news:#?}");
    assert!(!before.iter().any(|n| n.body.as_ref().is_some_and(|b| b.0 == stand)), "{news:#?}");
}

/// "Back" is a place where the body has rested, not a mean on its way through it; and a body that is hidden right away was last seen when the watch began.
#[test]
fn back_is_said_of_a_settled_place_only() {
    let bay = bay(32);
    let camera = tripod(&bay);
    let stand = bay.layout.stand;
    let mut draw = Draw::new(32, Purpose::Photo(31));
    let mut watch = lookout(&bay, Mount::Apart);
    let off = |mm: f64| nudge(&bay, stand, Vector3::new(m_from_mm(mm), 0.0, 0.0), 0.0).seen_from(&camera);
    let (quiet, far, near) = (bay.seen_from(&camera), off(6.0), off(2.0));
    // Pushed at second 6; at second 10 almost back, at second 18 really.
    let (news, last) = run(&mut watch, &mut draw, 0..30 * RATE, &mut |k| match k / RATE {
        0..6 => quiet.clone(),
        6..10 => far.clone(),
        10..18 => near.clone(),
        _ => quiet.clone(),
    });
    let back: Vec<&News> = news.iter().filter(|n| n.kind == NewsKind::Back).collect();
    assert_eq!(back.len(), 1, "{news:#?}");
    assert!(back[0].time >= time(21 * RATE - 2) && last.moved, "{news:#?}");
    let hidden: Vec<TagView> =
        quiet.iter().filter(|v| bay.layout.kit.find_tag(v.id).is_none_or(|(b, _)| b == stand)).cloned().collect();
    let mut watch = lookout(&bay, Mount::Apart);
    let (begins, _) = run(&mut watch, &mut draw, 0..45, &mut |_| quiet.clone());
    let begun = begins.iter().find(|n| n.kind == NewsKind::Begins).unwrap().time;
    let (news, _) = run(&mut watch, &mut draw, 45..90, &mut |_| hidden.clone());
    let unseen: Vec<&News> = news.iter().filter(|n| n.kind == NewsKind::NotSeen).collect();
    assert!(!unseen.is_empty() && unseen.iter().all(|n| n.since >= begun && n.since <= time(45)), "{news:#?}");
}

/// The chance of a false alarm is shared by all cameras: each then has to be surer, and finds a little less.
#[test]
fn more_cameras_make_each_of_them_surer() {
    let bay = bay(33);
    let base = Arc::new(base_of(&bay, [Some(0.01); 6]));
    let setup = CameraSetup { lens: 0, mount: Mount::Apart, detect: DetectOptions::default() };
    let quiet = bay.seen_from(&tripod(&bay));
    let detectable = |cameras: usize| {
        let mut watch = Lookout::new(base.clone(), 0, &setup, HoldOptions { cameras, ..options() }).unwrap();
        let mut draw = Draw::new(33, Purpose::Photo(32));
        let (_, report) = run(&mut watch, &mut draw, 0..45, &mut |_| quiet.clone());
        report.bodies.iter().map(|b| b.detectable_m).fold(0.0, f64::max)
    };
    let ratio = detectable(8) / detectable(1);
    assert!(ratio > 1.005 && ratio < 1.1, "{ratio}");
}

/// Another light shifts corners by hundredths of a pixel for good and changes how they scatter.
#[test]
fn another_light_is_no_move() {
    for seed in 11..=16 {
        let bay = bay(seed);
        let mut draw = Draw::new(seed, Purpose::Photo(29));
        let mut watch = lookout(&bay, Mount::Apart);
        let quiet = bay.seen_from(&tripod(&bay));
        let mut lit = quiet.clone();
        for corner in lit.iter_mut().flat_map(|v| v.corners.iter_mut()) {
            *corner += Vector2::new(draw.normal(0.02), draw.normal(0.02));
        }
        lit.iter_mut().for_each(|v| v.cov *= 2.0);
        let (news, _) = run(&mut watch, &mut draw, 0..300, &mut |k| if k < 100 { quiet.clone() } else { lit.clone() });
        assert_eq!(kinds(&news), [NewsKind::Begins], "{seed}: {news:#?}");
    }
}

/// Path-traced frames (`fixtures/live-a/README.md`): the stand rests in the first, then stands as in another one; the true motion is its maker's.
#[test]
fn a_traced_stand_is_found_to_have_moved_as_it_did() {
    let job = plumbsight::record::read_job(&common::repository("fixtures/bay-a"), plumbsight::record::Purpose::Verdict);
    let base = Arc::new(plumbsight::session::live::Base::of_job(&job.unwrap(), 0, &|_| {}).unwrap());
    let setup = CameraSetup { lens: 0, mount: Mount::Apart, detect: DetectOptions::default() };
    let text = std::fs::read_to_string(common::repository("fixtures/live-a/truth.json")).unwrap();
    let truth: serde_json::Value = serde_json::from_str(&text).unwrap();
    let place = |k: usize| -> nalgebra::Matrix4<f64> {
        nalgebra::Matrix4::from_fn(|i, j| truth["stand_poses"][k - 1][i][j].as_f64().unwrap())
    };
    let frame = |k: usize| {
        plumbsight::capture::read_image(&common::repository(&format!("fixtures/live-a/{k:03}.jpg"))).unwrap().gray
    };
    let (first, other) = (frame(1), frame(3));
    let mut watch = Lookout::new(base, 0, &setup, options()).unwrap();
    let mut news = Vec::new();
    for k in 0..60 {
        news.extend(watch.see(time(k), if k < 45 { &first } else { &other }).news);
    }
    assert_eq!(kinds(&news), [NewsKind::Begins, NewsKind::MovedBefore, NewsKind::Moved], "{news:#?}");
    // Where it stands at first is not where it was photographed: the truth of both is in the files beside the pictures.
    let text = std::fs::read_to_string(common::repository("fixtures/bay-a/truth.json")).unwrap();
    let bay: serde_json::Value = serde_json::from_str(&text).unwrap();
    let judged = nalgebra::Matrix4::from_fn(|i, j| bay["stand_poses"][0][i][j].as_f64().unwrap());
    let off = place(1) * judged.try_inverse().unwrap() * judged.column(3) - judged.column(3);
    for k in 0..3 {
        let (found, u) = news[1].shift_m.unwrap()[k];
        assert!((found - off[k]).abs() < (4.0 * u).max(m_from_mm(0.5)), "axis {k}: {found} u {u}, truly {}", off[k]);
    }
    let moved = &news[2];
    assert_eq!(moved.body.as_ref().unwrap().1, "stand");
    assert!(moved.time <= time(45 + RATE), "{moved:?}");
    let motion = place(3) * place(1).try_inverse().unwrap();
    let yaw = motion[(1, 0)].atan2(motion[(0, 0)]);
    // Middle of the front tags that this camera sees: between the two beams.
    let middle = place(1) * nalgebra::Vector4::new(0.0, 0.0, -0.01, 1.0);
    let shift = motion * middle - middle;
    let (found, turn) = (moved.shift_m.unwrap(), moved.turn_rad.unwrap());
    for k in 0..3 {
        let error = mm_from_m(found[k].0 - shift[k]);
        assert!(
            error.abs() < 0.8,
            "axis {k}: {error:.2} mm off of {:.2}, u {:.2}",
            mm_from_m(shift[k]),
            mm_from_m(found[k].1)
        );
    }
    assert!(deg_from_rad(turn[2].0 - yaw).abs() < 0.05, "{} {}", deg_from_rad(turn[2].0), deg_from_rad(yaw));
    assert!(moved.sentence.contains("to the car's right"), "{}", moved.sentence);
}

/// An alarm speaks against the photographs that the watch was kept over, until none of them is left in the job; then the log says so itself.
#[test]
fn new_photographs_alone_answer_an_alarm() {
    use plumbsight::record::{HoldLine, HoldLog, Purpose, photo_marks, read_hold_log, read_job};
    use plumbsight::session::hold::{against, answer};
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    plumbsight::record::unpack_demo(&folder).unwrap();
    let job = |purpose| read_job(&folder, purpose).unwrap();
    let before = job(Purpose::Verdict);
    assert!(!against(&before).speaks());
    let mut log = HoldLog::open(&folder).unwrap();
    log.add(&HoldLine {
        photographs: photo_marks(&before),
        started_unix_s: Some(1_900_000_000),
        ..HoldLine::new("opened", 0.0)
    })
    .unwrap();
    let sentence = "\"stand\" moved at 0:09.".to_owned();
    log.add(&HoldLine { alarm: true, sentence, ..HoldLine::new("moved", 9.0) }).unwrap();
    drop(log);
    answer(&before);
    let said = against(&before);
    assert!(
        said.alarms == 1 && said.newest.unwrap().ends_with("moved at 0:09."),
        "the same photographs answer nothing"
    );
    // Another name makes no other photograph; another byte does.
    let photos = before.photos.clone();
    std::fs::rename(&photos[0].path, photos[0].path.with_file_name("zz.jpg")).unwrap();
    for photo in &photos[1..] {
        let mut bytes = std::fs::read(&photo.path).unwrap();
        bytes.push(0);
        std::fs::write(&photo.path, bytes).unwrap();
    }
    answer(&job(Purpose::Verdict));
    assert_eq!(against(&job(Purpose::Verdict)).alarms, 1, "an old one is left");
    std::fs::remove_file(photos[0].path.with_file_name("zz.jpg")).unwrap();
    let new = job(Purpose::Verdict);
    answer(&new);
    assert!(!against(&new).speaks());
    let log = read_hold_log(&folder).unwrap();
    assert_eq!((log.alarms(), log.entries.last().unwrap().event.as_str()), (0, "new photographs"));
    answer(&new);
    assert_eq!(read_hold_log(&folder).unwrap().entries.len(), log.entries.len(), "said once");
    // Old ones that come back bring the alarm back.
    let mut bytes = std::fs::read(&photos[1].path).unwrap();
    bytes.truncate(bytes.len() - 1);
    let back = photos[1].path.with_file_name("back.jpg");
    std::fs::write(&back, bytes).unwrap();
    assert_eq!(against(&job(Purpose::Verdict)).alarms, 1);
    std::fs::remove_file(back).unwrap();

    // The watch was never closed: an alarm that it raises after the new photographs came speaks against them.
    assert!(!against(&job(Purpose::Verdict)).speaks());
    let alarm = || HoldLine { alarm: true, sentence: "\"stand\" moved.".into(), ..HoldLine::new("moved", 20.0) };
    HoldLog::open(&folder).unwrap().add(&alarm()).unwrap();
    assert_eq!(against(&job(Purpose::Verdict)).alarms, 1);
    let n = read_hold_log(&folder).unwrap().entries.len();
    answer(&job(Purpose::Verdict));
    assert_eq!(
        read_hold_log(&folder).unwrap().entries.len(),
        n,
        "it is not answered by the photographs it speaks against"
    );

    // And so it does where no alarm came before.
    std::fs::remove_file(folder.join("hold.jsonl")).unwrap();
    let mut log = HoldLog::open(&folder).unwrap();
    log.add(&HoldLine { photographs: vec!["0123456789abcdef".into()], ..HoldLine::new("opened", 0.0) }).unwrap();
    answer(&job(Purpose::Verdict));
    log.add(&alarm()).unwrap();
    assert_eq!(against(&job(Purpose::Verdict)).alarms, 1);
}

/// What sends no picture is not watched: a gap, between two pictures or at the end.
#[test]
fn a_source_that_falls_silent_leaves_a_gap() {
    use plumbsight::session::hold::{HoldReport, News, NewsKind, Phase, Tally};
    let at = Duration::from_secs;
    let report = |s: u64, news: Vec<News>| HoldReport {
        time: at(s),
        camera: 0,
        phase: Phase::Watching { since: at(1) },
        bodies: Vec::new(),
        moved: false,
        news,
        trouble: None,
    };
    let begins = || News {
        time: at(1),
        camera: 0,
        kind: NewsKind::Begins,
        body: None,
        since: at(1),
        shift_m: None,
        turn_rad: None,
        sentence: String::new(),
    };
    let mut tally = Tally::default();
    tally.take(&report(0, vec![]));
    tally.take(&report(1, vec![begins()]));
    // Within a second, or in a few pictures, a motion need not be found yet: what is over so soon has shown nothing.
    let lookout = lookout(&bay(1), Mount::Apart);
    let at_ms = |ms: u64| HoldReport { time: Duration::from_millis(ms), ..report(1, vec![]) };
    for times in [&[1300, 1600, 1700, 1800, 1900][..], &[1500, 2000, 2500], &[]] {
        let mut short = tally.clone();
        times.iter().for_each(|ms| short.take(&at_ms(*ms)));
        let last = short.close(0, None, &lookout);
        assert!(!short.whole() && last.sentence.contains("no alarm; that is too short"), "{}", last.sentence);
    }
    // Silence is the better reason where there is one.
    let mut silent = tally.clone();
    let last = silent.close(0, Some(at(60)), &lookout);
    assert!(!silent.whole() && last.sentence.contains("60.0 s in all not"), "{}", last.sentence);
    [1200, 1400, 1600, 1800, 2000].into_iter().for_each(|ms| tally.take(&at_ms(ms)));
    assert!(tally.whole());
    let (mut at_the_end, mut played) = (tally.clone(), tally.clone());
    tally.take(&report(62, vec![]));
    // However the watch is kept, it ends here: a live source's silence at the end counts, that after saved pictures does not.
    for (silent, silence) in [(&mut tally, None), (&mut at_the_end, Some(at(60)))] {
        let last = silent.close(0, silence, &lookout);
        assert!(!silent.whole() && last.sentence.contains("60.0 s in all not"), "{}", last.sentence);
        assert_eq!(last.event, "closed");
    }
    let last = played.close(0, None, &lookout);
    assert!(played.whole() && last.sentence.contains("everything was seen all the time"), "{}", last.sentence);
}

/// The command says what a watch comes to, with the exit code that goes with it, also at Ctrl-C; and an open alarm makes no clean check.
#[test]
fn a_watch_ends_in_order_and_an_open_alarm_is_no_clean_check() {
    use plumbsight::record::{HoldLine, HoldLog, read_hold_log};
    use std::process::{Command, Stdio};
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    plumbsight::record::unpack_demo(&folder).unwrap();
    let run = |command: &str, more: &[&str]| {
        let mut it = Command::new(env!("CARGO_BIN_EXE_plumbsight"));
        it.arg(command).arg(&folder).args(more).stdout(Stdio::piped()).stderr(Stdio::piped());
        it
    };
    let frames = common::repository("fixtures/live-a");
    let hold = ["--from", frames.to_str().unwrap(), "--replay", "10"];
    let out = run("hold", &hold).output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap().split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(out.status.code(), Some(2), "{text}");
    assert!(
        text.contains("The watch never began, so nothing is said.") && text.contains("everything must be seen at rest"),
        "{text}"
    );
    let closed = read_hold_log(&folder).unwrap().entries.pop().unwrap();
    assert!(closed.event == "closed" && closed.sentence.contains("never began"), "{closed:?}");
    let out = run("live", &hold).output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert!(text.contains("Ended. The last reading, at "), "{text}");
    // A folder in which no picture comes, ended by Ctrl-C.
    let none = dir.path().join("none");
    std::fs::create_dir(&none).unwrap();
    for command in ["hold", "live"] {
        let mut child = run(command, &["--from", none.to_str().unwrap(), "--seconds", "60"]).spawn().unwrap();
        // It listens once it waits for pictures; before, Ctrl-C ends it as ever.
        use std::io::{BufRead, BufReader, Read};
        let mut err = BufReader::new(child.stderr.take().unwrap());
        let mut line = String::new();
        while !line.contains("waiting for the first picture") {
            line.clear();
            assert!(err.read_line(&mut line).unwrap() > 0, "it waits for pictures");
        }
        assert!(Command::new("kill").args(["-INT", &child.id().to_string()]).status().unwrap().success());
        let mut text = String::new();
        child.stdout.take().unwrap().read_to_string(&mut text).unwrap();
        let code = child.wait().unwrap().code();
        match command {
            "hold" => assert!(code == Some(2) && text.contains("The watch never began"), "{code:?} {text}"),
            _ => assert!(code == Some(4) && text.contains("Ended without a reading"), "{code:?} {text}"),
        }
    }
    let mut log = HoldLog::open(&folder).unwrap();
    log.add(&HoldLine { alarm: true, sentence: "It moved.".into(), ..HoldLine::new("moved", 9.0) }).unwrap();
    let out = run("check", &[]).output().unwrap();
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(2), "{text}");
    assert!(text.starts_with("THE HOLD WATCH RAISED 1 ALARM") && text.contains("IN TOLERANCE WHEN MEASURED"), "{text}");
    assert!(!text.contains("● IN TOLERANCE"), "{text}");
}
