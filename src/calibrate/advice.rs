//! "Take two more like this": of many ways to hold the board, those that would make the rays best known.

use crate::calibrate::board::{Board, Pattern};
use crate::calibrate::choose::Calibration;
use crate::calibrate::model::{BoardPoint, N_MODEL};
use crate::calibrate::quality::{RayGrid, typical_variance};
use crate::camera::N_LENS;
use crate::fit::spd_inverse;
use crate::frames::{Body, Camera, Pose};
use crate::units::rad_from_deg;
use nalgebra::{DMatrix, Rotation3, SMatrix, Vector2, Vector3};

/// One more photograph that would help.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Advice {
    /// Where the board's middle should appear, as a share of width and height.
    pub place: Vector2<f64>,
    /// Tilt of the board from square on, rad.
    pub tilt: f64,
    /// Towards which side of the picture the board's far edge lies, rad: 0 right, a quarter turn down, and so on; of no meaning without tilt.
    pub towards: f64,
    /// True where the camera (or the board) should be turned by a quarter against most photographs.
    pub quarter_turn: bool,
    /// The board's diagonal as a share of the picture's.
    pub size: f64,
    /// Root mean square uncertainty of a ray with this photograph (and those advised before), as a share of what it is now.
    pub gain: f64,
}

/// The two photographs that would help most, best first. Each candidate is a real pose: only what falls into the picture counts.
pub fn two_more(c: &Calibration, board: &Board) -> Vec<Advice> {
    let lens = &c.solution.model.lens;
    let grid = RayGrid::new(lens, 9, 7);
    let free: Vec<usize> = (0..N_MODEL).filter(|k| c.solution.free[*k]).collect();
    let scale = (c.sigma0 * c.disagreement).powi(2);
    let now: SMatrix<f64, N_MODEL, N_MODEL> = c.solution.shares.iter().sum();
    let variance_of = |whole: &SMatrix<f64, N_MODEL, N_MODEL>| -> Option<f64> {
        let small = DMatrix::from_fn(free.len(), free.len(), |i, j| whole[(free[i], free[j])]);
        let inverse = spd_inverse(&small).ok()?;
        let mut cov = SMatrix::<f64, N_LENS, N_LENS>::zeros();
        for (i, a) in free.iter().enumerate().filter(|(_, a)| **a < N_LENS) {
            for (j, b) in free.iter().enumerate().filter(|(_, b)| **b < N_LENS) {
                cov[(*a, *b)] = inverse[(i, j)] * scale;
            }
        }
        Some(grid.mean_variance(&cov))
    };
    let Some(before) = variance_of(&now) else { return Vec::new() };
    let mut whole = now;
    let mut out = Vec::new();
    let tries = candidates(c, board);
    for _ in 0..2 {
        let best = tries
            .iter()
            .filter_map(|(advice, share)| Some((variance_of(&(whole + share))?, advice, share)))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let Some((after, advice, share)) = best else { break };
        whole += share;
        out.push(Advice { gain: (after / before).sqrt(), ..*advice });
    }
    out
}

/// Ways to hold the board, each with what its photograph would say about the model (its pose eliminated).
fn candidates(c: &Calibration, board: &Board) -> Vec<(Advice, SMatrix<f64, N_MODEL, N_MODEL>)> {
    let lens = &c.solution.model.lens;
    let points = all_points(board);
    let picture = (lens.width as f64).hypot(lens.height as f64);
    let noise = typical_variance(&c.views) + c.added_px * c.added_px;
    let mut out = Vec::new();
    for size in [0.45, 0.75] {
        let distance = 2.0 * board.half_diagonal_m() * lens.fx / (size * picture);
        for (px, py) in [
            (0.25, 0.25),
            (0.5, 0.25),
            (0.75, 0.25),
            (0.25, 0.5),
            (0.5, 0.5),
            (0.75, 0.5),
            (0.25, 0.75),
            (0.5, 0.75),
            (0.75, 0.75),
        ] {
            let pixel = Vector2::new(px * (lens.width as f64 - 1.0), py * (lens.height as f64 - 1.0));
            let Some(n) = lens.normalized_from_pixel(&pixel) else { continue };
            for turn in [0.0, 90.0] {
                for (tilt, towards) in [
                    (0.0, 0.0),
                    (35.0, 0.0),
                    (35.0, 90.0),
                    (35.0, 180.0),
                    (35.0, 270.0),
                    (50.0, 45.0),
                    (50.0, 135.0),
                    (50.0, 225.0),
                    (50.0, 315.0),
                ] {
                    let (tilt, towards, turn_rad) = (rad_from_deg(tilt), rad_from_deg(towards), rad_from_deg(turn));
                    // Seen from the front: x right, y up, z towards the camera; then the far edge away from it.
                    let front = Rotation3::from_axis_angle(&Vector3::x_axis(), std::f64::consts::PI);
                    let axis = nalgebra::Unit::new_normalize(Vector3::new(towards.sin(), -towards.cos(), 0.0));
                    let lean = Rotation3::from_axis_angle(&axis, tilt);
                    let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), turn_rad);
                    let rotation = lean * roll * front;
                    let pose = Pose::claim_matrix(rotation.matrix(), n.push(1.0) * distance);
                    if let Some(share) = share_of(c, &pose, &points, noise) {
                        let advice = Advice {
                            place: Vector2::new(px, py),
                            tilt,
                            towards,
                            quarter_turn: turn != 0.0,
                            size,
                            gain: 1.0,
                        };
                        out.push((advice, share));
                    }
                }
            }
        }
    }
    out
}

fn all_points(board: &Board) -> Vec<BoardPoint> {
    let mut out = Vec::new();
    for row in 0..board.rows {
        for column in 0..board.columns {
            let centre = board.cell_m(column, row);
            match board.pattern {
                Pattern::Chessboard => out.push(BoardPoint { centre, offset: Vector2::zeros() }),
                Pattern::Tags { side_m, .. } => {
                    let corner = |[x, y]: [f64; 2]| BoardPoint { centre, offset: Vector2::new(x, y) * side_m };
                    out.extend(crate::body::UNIT_CORNERS.map(corner));
                }
            }
        }
    }
    out
}

/// What a photograph from here would say, or `None` where too little of the board falls into the picture.
fn share_of(
    c: &Calibration,
    pose: &Pose<Camera, Body>,
    points: &[BoardPoint],
    variance: f64,
) -> Option<SMatrix<f64, N_MODEL, N_MODEL>> {
    let model = &c.solution.model;
    let lens = &model.lens;
    let mut normal = SMatrix::<f64, { 6 + N_MODEL }, { 6 + N_MODEL }>::zeros();
    let mut n = 0;
    for point in points {
        let Some((pixel, d)) = model.pixel_with_derivatives(pose, point) else { continue };
        // The folded outside of the distortion may map far points back into the picture.
        let inside =
            pixel.x > 0.0 && pixel.y > 0.0 && pixel.x < lens.width as f64 - 1.0 && pixel.y < lens.height as f64 - 1.0;
        if inside {
            normal += d.transpose() * d / variance;
            n += 1;
        }
    }
    if 5 * n < 3 * points.len() {
        return None;
    }
    let inverse = normal.fixed_view::<6, 6>(0, 0).into_owned().cholesky()?.inverse();
    let cross = normal.fixed_view::<6, N_MODEL>(0, 6);
    Some(normal.fixed_view::<N_MODEL, N_MODEL>(6, 6) - cross.transpose() * inverse * cross)
}
