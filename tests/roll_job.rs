//! A job folder with roll positions: what it is read as, and every fault with the file, the line, the thing and the remedy.

mod common;

use common::{edit, line_of};
use plumbsight::placement::Reference;
use plumbsight::record::{Job, Problem, Purpose, read_job};
use plumbsight::units::{deg_from_rad, mm_from_m, rad_from_deg};

const SETS: &str = "[[photographs]]\nfiles = [\"photos/1.jpg\"]\nroll_position = \"first\"\n\n[[photographs]]\nfiles = [\"photos/2.jpg\"]\n\
roll_position = 2\n";

/// The template's job with two roll positions, then edited.
fn read(edits: &[(&str, &str)]) -> (tempfile::TempDir, Result<Job, Problem>) {
    let dir = tempfile::tempdir().unwrap();
    common::write_template(dir.path());
    for photo in ["1.jpg", "2.jpg"] {
        std::fs::write(dir.path().join("photos").join(photo), "x").unwrap();
    }
    let path = dir.path().join("job.toml");
    edit(&path, "[[photographs]]\nfiles = [\"photos/*\"]\n", SETS);
    for (from, to) in edits {
        edit(&path, from, to);
    }
    let job = read_job(dir.path(), Purpose::Verdict);
    (dir, job)
}

#[track_caller]
fn refused(edits: &[(&str, &str)], marker: &str, says: &str) {
    let (dir, job) = read(edits);
    let problem = match job {
        Err(problem) => problem,
        Ok(_) => panic!("{edits:?} was accepted"),
    };
    let text = problem.to_string();
    assert!(problem.file.ends_with("job.toml") && text.contains(says), "{text}");
    assert!(problem.remedy.len() > 10 && !text.contains('\n'), "{text}");
    if marker.is_empty() {
        // The table, whose header is not unique in the file: some line at least.
        assert!(problem.line.is_some(), "{text}");
    } else {
        assert_eq!(problem.line, Some(line_of(&dir.path().join("job.toml"), marker)), "{text}");
    }
}

#[test]
fn two_roll_positions_need_no_run_out() {
    let without = [
        ("run_out_deg = 0.5 ", "# run_out_deg = 0.5 "),
        ("run_out_deg = 0.5\n", ""),
        ("eccentricity_mm = 1.0\nrun", "run"),
    ];
    let (_, job) = read(&without[..2]);
    let job = job.unwrap();
    let rolled = job.rolled.expect("two positions");
    assert_eq!((rolled.car.positions.clone(), rolled.judged), (vec!["first".to_owned(), "2".to_owned()], 1));
    assert_eq!(job.photos.iter().map(|p| p.position).collect::<Vec<_>>(), [0, 1]);
    assert_eq!(rolled.car.wheels.len(), 2);
    // A declared limit counts as the limit it is; u of an unknown direction is limit / sqrt 2.
    assert!((mm_from_m(rolled.car.wheels[0].u_aside_m) - 1.0 / 2f64.sqrt()).abs() < 1e-12);
    // With one position it is needed.
    let (_, one) = read(&[without[0], ("roll_position = 2", "roll_position = \"first\"")]);
    let problem = one.unwrap_err().to_string();
    assert!(
        problem.contains("missing key `run_out_deg`") && problem.contains("two or more roll positions"),
        "{problem}"
    );
}

#[test]
fn without_a_stated_centring_the_clamp_may_sit_anywhere() {
    let (_, job) = read(&[("eccentricity_mm = 1.0 ", "# eccentricity_mm = 1.0 ")]);
    let car = job.unwrap().rolled.expect("two positions").car;
    assert!((mm_from_m(car.wheels[0].u_aside_m) - 5.0 / 2f64.sqrt()).abs() < 1e-12, "{:?}", car.wheels[0]);
}

#[test]
fn positions_that_do_not_fit_are_said() {
    refused(&[("roll_position = 2\n", "")], "", "these photographs name no roll position");
    refused(
        &[("roll_position = 2", "roll_position = \" \"")],
        "roll_position = \" \"",
        "name of the roll position is empty",
    );
    refused(
        &[("roll_position = 2", "roll_position = 2.5")],
        "roll_position = 2.5",
        "a name in quotes or a whole number",
    );
    refused(
        &[("[vehicle]\n", "[vehicle]\njudged_at = 3\n")],
        "judged_at = 3",
        "no photographs name the roll position \"3\"",
    );
    refused(
        &[("files = [\"photos/2.jpg\"]", "files = [\"photos/*.jpg\"]")],
        "files = [\"photos/*.jpg\"]",
        "is in two sets that differ in lens, station or roll position",
    );
    refused(
        &[("[vehicle]\n", "[vehicle]\non_car = [\"plate rear left\"]\n")],
        "on_car",
        "\"plate rear left\" is not a body that can ride on the car",
    );
    refused(&[("[vehicle]\n", "[vehicle]\non_car = [\"bumper\"]\n")], "on_car", "there is no body \"bumper\"");
}

#[test]
fn how_steadily_it_rolls_is_declared_with_units() {
    let table = "[vehicle.rolling]\nu_hub_height_mm = 0.2\nu_hub_level_mm = 0.3\nu_toe_deg = 0.01\nu_camber_deg = 0.04\nu_slope_mm_per_m = 2.0\nu_crab_deg = 0.05\n\n";
    let with = |text: &str| [("# [adjustment]", format!("{text}# [adjustment]"))];
    let read_with = |text: &str| {
        let [(from, to)] = with(text);
        read(&[(from, to.as_str())]).1
    };
    let job = read_with(table).unwrap();
    let s = job.rolled.expect("rolled").car.steadiness;
    for (got, wanted) in [
        (mm_from_m(s.u_height_m), 0.2),
        (mm_from_m(s.u_level_m), 0.3),
        (deg_from_rad(s.u_toe_rad), 0.01),
        (deg_from_rad(s.u_camber_rad), 0.04),
        (mm_from_m(s.u_slope_rad), 2.0),
        (deg_from_rad(job.vehicle.checks.u_crab_rad), 0.05),
    ] {
        assert!((got - wanted).abs() < 1e-12, "{got} for {wanted}");
    }
    let refused_with = |text: &str, marker: &str, says: &str| {
        let [(from, to)] = with(text);
        refused(&[(from, to.as_str())], marker, says);
    };
    refused_with("[vehicle.rolling]\nu_toe_deg = 0.0\n", "u_toe_deg = 0.0", "`u_toe_deg` is zero");
    refused_with("[vehicle.rolling]\nu_toe_deg = -0.1\n", "u_toe_deg = -0.1", "not possible");
    refused_with("[vehicle.rolling]\nu_settle = 1\n", "u_settle", "unknown key `u_settle`");
}

#[test]
fn a_printout_and_a_level_are_read_with_their_signs() {
    let tables = "[vehicle.printout]\nthrust_angle_deg = 0.12\nu_thrust_angle_deg = 0.03\nsource = \"printout 7\"\n\n[level]\nrises_forward_mm_per_m = \
                  2.0\nrises_left_mm_per_m = -1.0\nu_mm_per_m = 0.3\nsource = \"inclinometer on the floor\"\n\n";
    let edit = format!("{tables}# [adjustment]");
    let job = read(&[("# [adjustment]", &edit)]).1.unwrap();
    let printout = job.vehicle.checks.printout.expect("declared");
    assert!((printout.right_rad - rad_from_deg(0.12)).abs() < 1e-15 && printout.source == "printout 7");
    let level = job.floor.level_reading.expect("declared");
    assert!(
        (level.rises_forward_rad.tan() - 0.002).abs() < 1e-15 && (level.rises_left_rad.tan() + 0.001).abs() < 1e-15
    );
    assert_eq!(job.placement.reference, Reference::Floor);
    let wrong = |from: &str, to: &str, says: &str| {
        let edit = format!("{}# [adjustment]", tables.replace(from, to));
        refused(&[("# [adjustment]", &edit)], to, says);
    };
    wrong("thrust_angle_deg = 0.12", "thrust_angle_deg = 12", "is not a thrust angle that cars have");
    wrong("rises_forward_mm_per_m = 2.0", "rises_forward_mm_per_m = 200", "is no workshop floor");
    wrong("u_mm_per_m = 0.3", "u_mm_per_m = -0.3", "not possible");
}
