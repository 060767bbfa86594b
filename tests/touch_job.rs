//! A job folder with a pointer: what it is read as, and every fault with the file, the line, the thing and the remedy.

mod common;

use common::{edit, line_of};
use plumbsight::body::BodyKind;
use plumbsight::placement::{Datum, LateralFrom};
use plumbsight::record::{Job, Problem, Purpose, read_job};
use plumbsight::units::mm_from_m;

const SETS: &str = "[[photographs]]\nfiles = [\"photos/1.jpg\"]\n\n[[photographs]]\nfiles = [\"photos/2.jpg\", \"photos/3.jpg\"]\npivoting = \"hollow\"\n\n\
[[photographs]]\nfiles = [\"photos/4.jpg\", \"photos/5.jpg\"]\ntouching = \"bumper\"\n\n[[photographs]]\nfiles = [\"photos/6.jpg\", \"photos/7.jpg\"]\ntouching = \
\"bumper\"\none_hold = true\n";
const POINTER: &str = "[[body]]\nname = \"rod\"\nkind = \"pointer\"\n[[body.tags]]\nid = 60\nside_mm = 60.0\ncentre_mm = [0, 0, 0]\nright = [1, 0, 0]\nup = [0, 1, 0]\n\n";

/// The template's job with a pointer, then edited: (file, from, to).
fn read(edits: &[(&str, &str, &str)]) -> (tempfile::TempDir, Result<Job, Problem>) {
    let dir = tempfile::tempdir().unwrap();
    common::write_template(dir.path());
    for k in 1..8 {
        std::fs::write(dir.path().join(format!("photos/{k}.jpg")), "x").unwrap();
    }
    edit(&dir.path().join("job.toml"), "[[photographs]]\nfiles = [\"photos/*\"]\n", SETS);
    let bodies = dir.path().join("bodies.toml");
    let text = std::fs::read_to_string(&bodies).unwrap();
    std::fs::write(&bodies, format!("{text}\n{POINTER}")).unwrap();
    for (file, from, to) in edits {
        edit(&dir.path().join(file), from, to);
    }
    let job = read_job(dir.path(), Purpose::Verdict);
    (dir, job)
}

#[track_caller]
fn refused(edits: &[(&str, &str, &str)], file: &str, marker: &str, says: &str) {
    let (dir, job) = read(edits);
    let problem = match job {
        Err(problem) => problem,
        Ok(_) => panic!("{edits:?} was accepted"),
    };
    let text = problem.to_string();
    assert!(problem.file.ends_with(file) && text.contains(says), "{text}");
    assert!(problem.remedy.len() > 10 && !text.contains('\n'), "{text}");
    if !marker.is_empty() {
        assert_eq!(problem.line, Some(line_of(&dir.path().join(file), marker)), "{text}");
    }
}

#[test]
fn sets_with_a_pointer_become_holds() {
    let (_dir, job) = read(&[]);
    let job = job.unwrap();
    let touch = job.touch.expect("sets with a pointer");
    assert_eq!(touch.hold_of, [None, Some(0), Some(1), Some(2), Some(3), Some(4), Some(4)]);
    let points: Vec<_> = touch.touching.points.iter().map(|p| (p.name.as_str(), p.body.is_some())).collect();
    assert_eq!(points, [("hollow", false), ("bumper", true)]);
    assert_eq!(touch.touching.holds.iter().map(|h| h.point).collect::<Vec<_>>(), [0, 0, 1, 1, 1]);
    let pointer = touch.touching.pointer;
    assert_eq!(job.kit.bodies[pointer.body].kind, BodyKind::Pointer);
    assert!(pointer.tip.is_none() && mm_from_m(pointer.u_touch_m) == 0.5 && mm_from_m(pointer.radius_m) == 0.5);
}

#[test]
fn a_tip_and_a_datum_are_read() {
    let (_dir, job) = read(&[
        (
            "bodies.toml",
            "name = \"rod\"\n",
            "name = \"rod\"\ntip = { at_mm = [1.0, -300.0, 2.0], u_mm = 0.2, u_touch_mm = 0.3, radius_mm = 1.5 }\n",
        ),
        (
            "placement.toml",
            "datum = \"front-axle\"",
            "datum = \"touched\"\ndatum_touched = \"bumper\"\nlateral_from = \"datum\"",
        ),
    ]);
    let job = job.unwrap();
    let touch = job.touch.as_ref().unwrap();
    let tip = touch.touching.pointer.tip.expect("as measured");
    assert!((mm_from_m(tip.at.coords.y) + 300.0).abs() < 1e-9 && (mm_from_m(tip.u_m) - 0.2).abs() < 1e-12);
    // A ball of radius r: r/sqrt 3 in each coordinate (JCGM 100:2008, 4.3.7).
    assert!((mm_from_m(touch.touching.pointer.u_radius_m()) - 1.5 / 3f64.sqrt()).abs() < 1e-12);
    let station = &job.placement.stations[0];
    let Datum::Body { body, .. } = station.datum else { panic!("{:?}", station.datum) };
    assert_eq!((touch.touching.points[1].body, station.lateral_from), (Some(body), LateralFrom::Datum));
}

#[test]
fn what_does_not_fit_is_said() {
    let job = "job.toml";
    refused(
        &[("bodies.toml", "name = \"rod\"\nkind = \"pointer\"", "name = \"rod\"\nkind = \"other\"")],
        job,
        "pivoting = \"hollow\"",
        "no pointer is declared",
    );
    refused(
        &[("bodies.toml", "name = \"rod\"\n", "name = \"rod\"\ntip = { at_mm = [0, 1, 2] }\n")],
        "bodies.toml",
        "",
        "one of at_mm and u_mm is missing",
    );
    refused(
        &[("bodies.toml", "name = \"rod\"\n", "name = \"rod\"\ntip = { u_touch_mm = 0 }\n")],
        "bodies.toml",
        "tip = {",
        "smaller than anything",
    );
    refused(
        &[("bodies.toml", "name = \"stand\"\n", "name = \"stand\"\ntip = { }\n")],
        "bodies.toml",
        "",
        "is no pointer",
    );
    refused(
        &[(job, "pivoting = \"hollow\"", "pivoting = \" \"")],
        job,
        "pivoting = \" \"",
        "name of the point is empty",
    );
    refused(&[(job, "pivoting = \"hollow\"", "pivoting = \"bumper\"")], job, "", "`pivoting` in another");
    refused(&[(job, "pivoting = \"hollow\"", "one_hold = true")], job, "", "belongs to a set that is `touching`");
    refused(&[(job, "\"photos/3.jpg\"", "\"photos/4.jpg\"")], job, "", "differ in what the pointer does");
    refused(
        &[("placement.toml", "datum = \"front-axle\"", "datum = \"touched\"\ndatum_touched = \"emblem\"")],
        "placement.toml",
        "datum_touched",
        "no photographs touch a point \"emblem\"",
    );
    refused(
        &[("placement.toml", "datum = \"front-axle\"", "datum = \"touched\"")],
        "placement.toml",
        "",
        "`datum_touched` is missing",
    );
}
