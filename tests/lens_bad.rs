//! What can go wrong with photographs of a board: each is named with its remedy, and a profile that cannot be trusted is not written.

mod boards;
mod common;

use boards::{Placed, a4, chess, good_poses, good_set, lens, photograph, pose, write_png};
use plumbsight::calibrate::{Board, Pattern};
use plumbsight::camera::Lens;
use plumbsight::frames::{Body, Camera, Pose};
use plumbsight::raster::Gray;
use plumbsight::record::Notice;
use plumbsight::session::Failure;
use plumbsight::session::lens::{LensRequest, LensResult};
use std::path::Path;

fn flat(board: &Board, camera_from_board: Pose<Camera, Body>) -> Placed {
    Placed { board: board.clone(), camera_from_board, radius_m: None }
}

/// Photographs of one board at these poses.
fn shots(board: &Board, lens: &Lens, poses: &[Pose<Camera, Body>]) -> Vec<Gray> {
    poses.iter().enumerate().map(|(k, p)| photograph(lens, &[flat(board, *p)], 0.6, k as u32)).collect()
}

/// Writes the pictures into a folder and makes a profile from them.
fn made(pictures: &[Gray], board: &Board) -> Result<LensResult, Failure> {
    let dir = tempfile::tempdir().unwrap();
    for (k, gray) in pictures.iter().enumerate() {
        write_png(&dir.path().join(format!("{k:02}.png")), gray);
    }
    from_folder(dir.path(), board)
}

fn from_folder(folder: &Path, board: &Board) -> Result<LensResult, Failure> {
    let mut photos: Vec<_> = std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()).collect();
    photos.sort();
    let request = LensRequest {
        photos,
        board: board.clone(),
        board_file: "board.toml".into(),
        board_sha256: String::new(),
        camera: None,
        made: None,
        focus: None,
    };
    plumbsight::session::lens::lens(&request, &|_| {})
}

fn said(notices: &[Notice], about: &str, text: &str) -> bool {
    notices.iter().any(|n| n.about.contains(about) && n.text.contains(text))
}

#[track_caller]
fn refused(result: Result<LensResult, Failure>, text: &str) {
    match result {
        Err(failure) => assert!(failure.to_string().contains(text), "{failure}"),
        Ok(result) => {
            let why = result.untrusted.expect("a profile was made of it");
            assert!(why.contains(text), "{why}");
        }
    }
}

/// Root mean square error of rays over the picture, px.
fn ray_error(got: &Lens, truth: &Lens) -> f64 {
    let change = got.parameters() - truth.parameters();
    plumbsight::calibrate::quality::RayGrid::new(truth, 17, 13).rms_shift(&change)
}

#[test]
fn a_good_set_gives_the_lens() {
    for board in [a4(), chess()] {
        let result = made(&good_set(&board), &board).unwrap();
        assert_eq!(result.untrusted, None);
        let off = ray_error(&result.profile.lens, &lens());
        println!("{}: rays off by {off:.4} px rms, {:?}", board.name, result.notices);
        assert!(off < 0.1, "{}: rays are off by {off} px", board.name);
        let c = &result.calibration;
        let error = result.profile.lens.parameters() - lens().parameters();
        for k in 0..4 {
            let sd = c.cov[(k, k)].sqrt();
            assert!(error[k].abs() < 4.0 * sd, "{}: parameter {k} off by {} +- {sd}", board.name, error[k]);
        }
        assert!(said(&result.notices, "photographs", "no EXIF"), "{:?}", result.notices);
        assert_eq!(result.advice.len(), 2);
        assert!(result.advice.iter().all(|a| a.gain < 1.0) && result.advice[1].gain < result.advice[0].gain);
    }
}

#[test]
fn one_direction_or_square_on_determines_no_lens() {
    let board = a4();
    let leaning: Vec<_> =
        (0..6).map(|k| pose([0.01 * f64::from(k) - 0.03, 0.0, 0.3 + 0.01 * f64::from(k)], 0.0, 35.0, 0.0)).collect();
    refused(made(&shots(&board, &lens(), &leaning), &board), "one and the same direction");
    let square: Vec<_> =
        (0..6).map(|k| pose([0.01 * f64::from(k) - 0.03, 0.0, 0.3], 15.0 * f64::from(k), 2.0, 0.0)).collect();
    refused(made(&shots(&board, &lens(), &square), &board), "square on");
    refused(made(&good_set(&board)[..3], &board), "at least 4 are needed");
}

#[test]
fn a_board_half_outside_counts_for_what_it_shows() {
    for board in [a4(), chess()] {
        let mut pictures = good_set(&board);
        // Its middle lies on the left edge of the picture.
        let outside = flat(&board, pose([-0.19, 0.0, 0.32], 0.0, 30.0, 90.0));
        pictures.push(photograph(&lens(), &[outside], 0.6, 10));
        let result = made(&pictures, &board).unwrap();
        assert_eq!(result.untrusted, None);
        assert!(
            said(&result.notices, "10.png", &format!("of the board's {} points are in it", board.n_points())),
            "{:?}",
            result.notices
        );
        let off = ray_error(&result.profile.lens, &lens());
        assert!(off < 0.1, "{}: rays are off by {off} px", board.name);
        assert!(result.calibration.index.contains(&10));
    }
}

#[test]
fn photographs_that_spoil_the_set_are_named_and_left_out() {
    let board = a4();
    let mut pictures = good_set(&board);
    // 10: two boards. 11: a mirror image. 12: blurred. 13: nothing. 14: another zoom, and nothing says so.
    let two =
        [flat(&board, pose([-0.12, 0.0, 0.6], 0.0, 20.0, 0.0)), flat(&board, pose([0.16, 0.0, 0.6], 0.0, 20.0, 0.0))];
    pictures.push(photograph(&lens(), &two, 0.6, 70));
    let one = photograph(&lens(), &[flat(&board, good_poses()[2])], 0.6, 71);
    let mirrored: Vec<u8> = (0..600).flat_map(|y| one.row(y).iter().rev().copied().collect::<Vec<_>>()).collect();
    pictures.push(Gray::new(800, 600, mirrored).unwrap());
    pictures.push(photograph(&lens(), &[flat(&board, good_poses()[3])], 3.2, 72));
    pictures.push(photograph(&lens(), &[], 0.0, 73));
    let zoomed = Lens { fx: 820.0, fy: 820.0, ..lens() };
    pictures.push(photograph(&zoomed, &[flat(&board, pose([0.02, 0.0, 0.34], 0.0, 40.0, 200.0))], 0.6, 74));
    // 15: the first once more.
    pictures.push(pictures[0].clone());
    let result = made(&pictures, &board).unwrap();
    for (name, text) in [
        ("15.png", "the same file as"),
        ("10.png", "two boards"),
        ("11.png", "mirror image"),
        ("12.png", "lurred"),
        ("13.png", "no tag was found"),
        ("14.png", "nother zoom"),
    ] {
        assert!(said(&result.notices, name, text), "{name}: {:?}", result.notices);
    }
    assert_eq!(result.untrusted, None);
    let off = ray_error(&result.profile.lens, &lens());
    assert!(off < 0.1, "rays are off by {off} px");
}

#[test]
fn two_chessboards_and_a_wrong_count_are_named() {
    let board = chess();
    let mut pictures = good_set(&board);
    let two = [
        flat(&board, pose([-0.15, 0.0, 0.6], 0.0, 20.0, 0.0)),
        flat(&board, pose([0.16, 0.02, 0.65], 8.0, 20.0, 90.0)),
    ];
    pictures.push(photograph(&lens(), &two, 0.6, 70));
    let result = made(&pictures, &board).unwrap();
    assert!(said(&result.notices, "10.png", "two chessboards"), "{:?}", result.notices);
    let smaller = Board { columns: 8, ..board };
    match made(&pictures[..5], &smaller).unwrap_err() {
        Failure::NotMeasurable { notices, .. } => {
            assert!(said(&notices, "00.png", "9 x 6 inner corners and the board file says 8 x 6"), "{notices:?}")
        }
        other => panic!("{other}"),
    }
}

#[test]
fn another_size_or_another_board_is_refused() {
    let board = a4();
    let mut pictures = good_set(&board)[..4].to_vec();
    let half = Lens { fx: 350.0, fy: 350.0, ..Lens::pinhole(640, 480, 560.0) };
    pictures.push(photograph(&half, &[flat(&board, good_poses()[0])], 0.6, 9));
    refused(made(&pictures, &board), "640 x 480 pixels");
    refused(made(&pictures, &board), "800 x 600");
    let other = Board { pattern: Pattern::Tags { first_id: 100, side_m: 0.032 }, ..board };
    match made(&pictures[..4], &other).unwrap_err() {
        Failure::NotMeasurable { reason, notices } => {
            assert!(reason.contains("right board file"), "{reason}");
            assert!(
                said(&notices, "00.png", "none of its tags (540, 541, 542, 543 and 20 more) is on the board"),
                "{notices:?}"
            );
        }
        failure => panic!("{failure}"),
    }
}

#[test]
fn a_curved_board_is_said_and_a_rolled_one_refused() {
    let board = a4();
    let bent = |radius: f64| -> Vec<Gray> {
        let placed =
            |p: &Pose<Camera, Body>| Placed { board: board.clone(), camera_from_board: *p, radius_m: Some(radius) };
        good_poses().iter().enumerate().map(|(k, p)| photograph(&lens(), &[placed(p)], 0.6, k as u32)).collect()
    };
    // Half the width is 121 mm: 4 m radius is a bend of 1.8 mm there, 0.5 m one of 15 mm.
    let result = made(&bent(4.0), &board).unwrap();
    assert!(said(&result.notices, "board", "The board is bent"), "{:?}", result.notices);
    let off = ray_error(&result.profile.lens, &lens());
    println!("bent by 1.8 mm: rays off by {off:.3} px; {:?}", result.untrusted);
    assert!(off < 0.15, "rays are off by {off} px");
    refused(made(&bent(0.5), &board), "not flat");
}

/// The absolute size cannot be seen and does not matter; side against pitch can be, and is.
#[test]
fn a_wrong_size_does_no_harm_and_a_wrong_ratio_is_said() {
    let board = a4();
    let pictures = good_set(&board);
    let right = made(&pictures, &board).unwrap();
    let twice = Board { pattern: Pattern::Tags { first_id: 540, side_m: 0.064 }, pitch_m: 0.084, ..board.clone() };
    let wrong = made(&pictures, &twice).unwrap();
    let change = (wrong.profile.lens.parameters() - right.profile.lens.parameters()).amax();
    assert!(change < 1e-3, "{change}");
    let ratio = Board { pattern: Pattern::Tags { first_id: 540, side_m: 0.0315 }, ..board };
    let said_it = made(&pictures, &ratio).unwrap();
    assert!(said(&said_it.notices, "board.toml", "% larger than declared"), "{:?}", said_it.notices);
    let text =
        said_it.notices.iter().find_map(|n| n.text.split(" % larger").next().filter(|_| n.text.contains(" % larger")));
    let found: f64 = text.and_then(|t| t.rsplit(' ').next()).and_then(|t| t.parse().ok()).expect("a number");
    // 32 mm were declared as 31.5.
    assert!((found - 1.587).abs() < 0.03, "{found} %");
    let off = ray_error(&said_it.profile.lens, &lens());
    assert!(off < 0.1, "rays are off by {off} px");
}
