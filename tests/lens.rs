//! A lens from published board data, to the published figures.

mod common;

use common::repository;
use nalgebra::{DMatrix, Matrix3, Vector2};
use plumbsight::calibrate::model::{BoardPoint, BoardView, Free, Group, Model, N_MODEL, SKEW};
use plumbsight::calibrate::solve::{Solution, SolveOptions, solve};
use plumbsight::calibrate::start::{board_homography, pose_from_homography, start_lenses};
use plumbsight::camera::Lens;

/// All numbers of a text file.
fn numbers(path: &str) -> Vec<f64> {
    let text = std::fs::read_to_string(repository(path)).unwrap();
    text.split_whitespace().map(|word| word.parse().unwrap()).collect()
}

/// One view of points that are all equally good and independent.
fn view(name: &str, board: &[Vector2<f64>], seen: &[f64]) -> BoardView {
    assert_eq!(2 * board.len(), seen.len());
    let group = |(k, centre): (usize, &Vector2<f64>)| Group {
        label: k,
        points: vec![BoardPoint { centre: *centre, offset: Vector2::zeros() }],
        pixels: vec![Vector2::new(seen[2 * k], seen[2 * k + 1])],
        cov: DMatrix::identity(2, 2),
    };
    BoardView { name: name.into(), groups: board.iter().enumerate().map(group).collect() }
}

/// From start values alone to the least-squares answer with these parameters free.
fn fit(views: &[BoardView], size: (usize, usize), free: &[usize]) -> Solution {
    let homographies: Vec<Matrix3<f64>> = views.iter().map(|v| board_homography(v).unwrap()).collect();
    let lens = start_lenses(&homographies, size.0, size.1)[0];
    let poses: Vec<_> = homographies.iter().map(|h| pose_from_homography(&lens, h).unwrap()).collect();
    let mut mask: Free = [false; N_MODEL];
    free.iter().for_each(|k| mask[*k] = true);
    let options = SolveOptions { free: mask, added_px: 0.0, limit: None, max_iterations: 200 };
    let solution = solve(&Model::new(lens, 1.0), &poses, views, &options).unwrap();
    assert!(solution.converged);
    solution
}

#[track_caller]
fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
}

/// Source: Z. Zhang, "A flexible new technique for camera calibration", PAMI 22(11), 2000, and the result file beside his data: a, skew, b, u0, v0, k1, k2.
/// Standard deviations and residuals: the same adjustment with a general-purpose optimiser (scipy.optimize.least_squares).
#[test]
fn zhangs_published_answer_comes_out() {
    let board = numbers("fixtures/boards/zhang/Model.txt");
    // The data's y axis points down on the board; the unit is an inch.
    let board: Vec<Vector2<f64>> = board.chunks(2).map(|c| Vector2::new(c[0], c[1]) * 0.0254).collect();
    assert_eq!(board.len(), 256);
    let views: Vec<BoardView> = (1..=5)
        .map(|k| view(&format!("view {k}"), &board, &numbers(&format!("fixtures/boards/zhang/data{k}.txt"))))
        .collect();
    let s = fit(&views, (640, 480), &[0, 1, 2, 3, 4, 5, SKEW]);
    let lens = s.model.lens;
    for (what, got, published, tolerance) in [
        ("a", lens.fx, 832.5, 0.01),
        ("b", lens.fy, 832.53, 0.01),
        ("u0", lens.cx, 303.959, 0.01),
        ("v0", lens.cy, 206.585, 0.01),
        ("skew", s.model.skew, 0.204494, 0.01),
        ("k1", lens.k1, -0.228601, 1e-4),
        ("k2", lens.k2, 0.190353, 1e-4),
    ] {
        near(what, got, published, tolerance);
    }
    near("sum of squares", s.cost, 144.880, 0.002);
    let scale = (s.cost / s.dof).sqrt();
    for (k, sd) in [(0, 1.41), (SKEW, 0.078), (1, 1.39), (2, 0.71), (3, 0.66), (4, 0.0041), (5, 0.0249)] {
        near("sd ratio", s.cov[(k, k)].sqrt() * scale / sd, 1.0, 0.02);
    }
}

/// Source: OpenCV test data calib1.dat with its published result; standard deviations and s0 from the same adjustment with scipy.optimize.least_squares.
#[test]
fn calib1s_published_answer_comes_out() {
    let all = numbers("fixtures/boards/calib1/image_points.txt");
    let board: Vec<Vector2<f64>> =
        (0..35).map(|k| Vector2::new(0.0254 * f64::from(k % 7), 0.0254 * f64::from(k / 7))).collect();
    let views: Vec<BoardView> =
        all.chunks(70).enumerate().map(|(k, seen)| view(&format!("view {k}"), &board, seen)).collect();
    assert_eq!(views.len(), 7);
    let s = fit(&views, (640, 480), &[0, 1, 2, 3, 4, 5, 6, 7]);
    let lens = s.model.lens;
    for (what, got, published, tolerance) in [
        ("fx", lens.fx, 809.94790, 0.02),
        ("fy", lens.fy, 806.55964, 0.02),
        ("cx", lens.cx, 361.99611, 0.02),
        ("cy", lens.cy, 214.39514, 0.02),
        ("k1", lens.k1, -0.12821, 1e-4),
        ("k2", lens.k2, -0.39441, 1e-3),
        ("p1", lens.p1, -0.00435, 1e-5),
        ("p2", lens.p2, -0.00732, 1e-5),
    ] {
        near(what, got, published, tolerance);
    }
    near("dof", s.dof, 440.0, 0.0);
    let scale = (s.cost / s.dof).sqrt();
    near("s0", scale, 0.10364, 1e-4);
    for (k, sd) in [6.31, 5.88, 5.68, 8.84, 0.0264, 0.347, 0.00211, 0.00161].into_iter().enumerate() {
        near("sd ratio", s.cov[(k, k)].sqrt() * scale / sd, 1.0, 0.01);
    }
    // The published pose of the first view: its translation (cm), as printed.
    let t = s.poses[0].translation() * 100.0;
    for (k, published) in [-3.26609, 2.16111, 76.72193].into_iter().enumerate() {
        near("translation of view 1", t[k], published, 0.01);
    }
}

/// The board views of the rendered photographs, located as `plumbsight lens` does it: once without a lens, once more with the lens that came out.
fn rendered() -> (Vec<BoardView>, plumbsight::calibrate::Calibration) {
    use plumbsight::calibrate::seen::{board_view, refine_with_lens};
    use plumbsight::calibrate::{CalibrateOptions, calibrate};
    use rayon::prelude::*;
    let folder = repository("fixtures/boards/rendered");
    let board = plumbsight::record::read_board(&folder.join("board.toml"), "board.toml").unwrap();
    let seen: Vec<_> = (1..=15)
        .into_par_iter()
        .map(|k| {
            let name = format!("{k:03}.jpg");
            let gray = plumbsight::capture::read_image(&folder.join(&name)).unwrap().gray;
            let found = plumbsight::tags::detect(&gray, &plumbsight::tags::DetectOptions::default());
            let view = board_view(&board, &name, &found).view;
            (gray, view)
        })
        .collect();
    let options = CalibrateOptions {
        width: 1920,
        height: 1080,
        half_diagonal_m: board.half_diagonal_m(),
        has_sides: true,
        absolute: true,
    };
    let (grays, mut views): (Vec<_>, Vec<_>) = seen.into_iter().unzip();
    let first = calibrate(&views, &options).unwrap();
    let tone = plumbsight::tags::light::Tone::new(&plumbsight::raster::ToneCurve::Srgb);
    views.par_iter_mut().zip(&grays).for_each(|(v, g)| refine_with_lens(g, v, &tone, &first.solution.model.lens));
    let second = calibrate(&views, &options).unwrap();
    (views, second)
}

/// The true lens of the rendered photographs.
fn truth() -> Lens {
    let text = std::fs::read_to_string(repository("fixtures/boards/rendered/truth.json")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    let at = |key: &str| json["intrinsics"][key].as_f64().unwrap();
    let parameters = plumbsight::camera::LENS_PARAMETERS.map(at);
    Lens::pinhole(1920, 1080, 1.0).with_parameters(&parameters.into())
}

/// How far rays of `lens` are off, px: root mean square over a grid over the whole picture, nothing taken out.
fn ray_error_px(lens: &Lens, truth: &Lens) -> f64 {
    let (mut sum, mut n) = (0.0, 0.0);
    for i in 0..=32 {
        for j in 0..=18 {
            let pixel = Vector2::new(f64::from(i) * 1919.0 / 32.0, f64::from(j) * 1079.0 / 18.0);
            let ray = truth.normalized_from_pixel(&pixel).unwrap();
            sum += (lens.pixel_from_normalized(&ray) - pixel).norm_squared();
            n += 1.0;
        }
    }
    f64::sqrt(sum / n)
}

/// Source: path-traced photographs of an independent renderer with exact truth (fixtures/boards/README.md).
#[test]
fn rendered_truth_is_inside_the_stated_uncertainty() {
    let (views, c) = rendered();
    let (lens, truth) = (c.solution.model.lens, truth());
    let off = ray_error_px(&lens, &truth);
    println!("rays off by {off:.4} px rms; added {:.4} px; {:?}", c.added_px, c.terms);
    assert!(off < 0.05, "rays are off by {off} px rms");
    // Tangential terms are there and k3 is not: the choice of terms must find that.
    assert_eq!(lens.k3, 0.0);
    assert!(lens.p1 != 0.0 && lens.p2 != 0.0);
    // The 95 % ellipsoid of the eight parameters: chi-square 15.507 (NIST/SEMATECH e-Handbook, 1.3.6.7.4).
    let error = (lens.parameters() - truth.parameters()).fixed_rows::<8>(0).into_owned();
    let cov = c.cov.fixed_view::<8, 8>(0, 0).into_owned();
    let d2 = (error.transpose() * cov.try_inverse().unwrap() * error)[(0, 0)];
    println!("d2 {d2:.2} of 15.5; fx {:.3} +- {:.3}", lens.fx, c.cov[(0, 0)].sqrt());
    assert!(d2 < 15.507, "the truth lies outside the ellipsoid: {d2}");
    // And the ellipsoid is not won by being vague.
    assert!(c.cov[(0, 0)].sqrt() < 0.1 && c.cov[(2, 2)].sqrt() < 0.2);
    assert!(c.contradicting.is_empty() && c.dropped.len() < 15, "{:?} {:?}", c.contradicting, c.dropped);
    assert_eq!(views.len(), c.views.len());
    let effects = plumbsight::calibrate::quality::view_effects(&c);
    near("sum of the shares", effects.iter().map(|e| e.share).sum(), 1.0, 1e-9);
    // What is said about leaving a photograph out is what leaving it out does.
    let strongest =
        (0..effects.len()).max_by(|a, b| effects[*a].removal_px.total_cmp(&effects[*b].removal_px)).unwrap();
    let mut fewer = c.views.clone();
    fewer.remove(strongest);
    let mut poses = c.solution.poses.clone();
    poses.remove(strongest);
    let options = SolveOptions { free: c.solution.free, added_px: c.added_px, limit: None, max_iterations: 50 };
    let without = solve(&c.solution.model, &poses, &fewer, &options).unwrap();
    let change = without.model.lens.parameters() - lens.parameters();
    let moved = plumbsight::calibrate::quality::RayGrid::new(&lens, 9, 7).largest_shift(&change);
    near("predicted removal", effects[strongest].removal_px / moved, 1.0, 0.1);
}

/// Source: opencv/opencv, samples/data/left_intrinsics.yml (published lens of these photographs); the root mean square of the same photographs through
/// OpenCV's own corner finder and calibration with all five terms is 0.1954 px with a window of 5 px and 0.4088 px with 11 px
/// (tests/referee/chessboard.py).
#[test]
fn chessboard_photographs_give_the_published_lens() {
    use plumbsight::calibrate::choose::TermKind;
    use plumbsight::calibrate::grid::{GridMatch, chessboard_view};
    use plumbsight::calibrate::{CalibrateOptions, calibrate, quality};
    let board = plumbsight::record::read_board(&repository("calib/chessboard-9x6.toml"), "board").unwrap();
    let folder = repository("fixtures/boards/chessboard");
    let mut views = Vec::new();
    for k in [1, 2, 3, 4, 5, 6, 7, 8, 9, 11, 12, 13, 14] {
        let name = format!("left{k:02}.jpg");
        let gray = plumbsight::capture::read_image(&folder.join(&name)).unwrap().gray;
        let (seen, matched) = chessboard_view(&board, &name, &gray).unwrap();
        assert_eq!((matched, seen.view.n_points()), (GridMatch::Whole, 54), "{name}");
        assert!(seen.twice.is_empty(), "{name}");
        views.push(seen.view);
    }
    let options = CalibrateOptions {
        width: 640,
        height: 480,
        half_diagonal_m: board.half_diagonal_m(),
        has_sides: false,
        absolute: true,
    };
    let c = calibrate(&views, &options).unwrap();
    let lens = c.solution.model.lens;
    let rms = quality::rms_px(&c);
    println!("{lens:?}, rms {rms:.4} px, disagreement {:.2}", c.disagreement);
    for (k, what, got, published) in [
        (0, "fx", lens.fx, 535.91573),
        (1, "fy", lens.fy, 535.91573),
        (2, "cx", lens.cx, 342.28315),
        (3, "cy", lens.cy, 235.57083),
    ] {
        let sd = c.cov[(k, k)].sqrt();
        println!("{what} {got:.3} +- {sd:.3}, published {published}");
        near(what, got, published, 3.0 * sd);
        assert!(sd < 1.5, "{what}: {sd} px says too little");
    }
    assert!(rms < 0.1954, "rms {rms}");
    assert_eq!(c.views.iter().map(BoardView::n_points).sum::<usize>() + c.dropped.len(), 13 * 54);
    // This board is bent, by about half a millimetre at its corners: the residuals of every photograph say so.
    assert!(c.terms.iter().any(|t| t.kind == TermKind::Bend && t.kept), "{:?}", c.terms);
}
