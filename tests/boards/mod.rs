//! Made photographs of boards: rays through a lens onto a flat or bent board, averaged in light, blurred, with noise, coded as sRGB.

#![allow(dead_code)] // each test file uses its part

use nalgebra::{Vector2, Vector3};
use plumbsight::calibrate::{Board, Pattern};
use plumbsight::camera::Lens;
use plumbsight::frames::{Body, Camera, Point, Pose};
use plumbsight::raster::{Gray, light_to_srgb};
use plumbsight::tags::family::cells_of;
use rayon::prelude::*;

/// A board of 24 tags as it is shipped for A4.
pub fn a4() -> Board {
    let pattern = Pattern::Tags { first_id: 540, side_m: 0.032 };
    Board { name: "a4".into(), pattern, columns: 6, rows: 4, pitch_m: 0.042 }
}

/// A chessboard with 9 x 6 inner corners.
pub fn chess() -> Board {
    Board { name: "chess".into(), pattern: Pattern::Chessboard, columns: 9, rows: 6, pitch_m: 0.025 }
}

/// A lens with barrel distortion for 800 x 600 pixels.
pub fn lens() -> Lens {
    Lens { fx: 705.0, fy: 706.5, cx: 404.0, cy: 292.5, k1: -0.12, k2: 0.05, ..Lens::pinhole(800, 600, 700.0) }
}

/// Light of the board (0..1) at a place on it; `None` beside it.
pub fn light(board: &Board, x: f64, y: f64) -> Option<f64> {
    let (black, white) = (0.03, 0.75);
    let h = board.pitch_m;
    let (w, t) = (board.columns as f64 * h / 2.0, board.rows as f64 * h / 2.0);
    match board.pattern {
        Pattern::Chessboard => {
            // Squares beyond the outermost inner corners, then a white margin.
            let (cx, cy) = (x / h + (board.columns as f64 - 1.0) / 2.0, y / h + (board.rows as f64 - 1.0) / 2.0);
            let (i, j) = (cx.floor(), cy.floor());
            let inside = (-1.0..board.columns as f64).contains(&i) && (-1.0..board.rows as f64).contains(&j);
            let margin = x.abs() < w + 1.5 * h && y.abs() < t + 1.5 * h;
            match (inside, margin) {
                (true, _) => Some(if (i + j).rem_euclid(2.0) < 0.5 { black } else { white }),
                (false, true) => Some(white),
                _ => None,
            }
        }
        Pattern::Tags { first_id, side_m } => {
            if x.abs() > w + 0.3 * h || y.abs() > t + 0.3 * h {
                return None;
            }
            let column = (x / h + board.columns as f64 / 2.0).floor().clamp(0.0, board.columns as f64 - 1.0) as usize;
            let row = (board.rows as f64 / 2.0 - y / h).floor().clamp(0.0, board.rows as f64 - 1.0) as usize;
            let centre = board.cell_m(column, row);
            let (u, v) = ((x - centre.x) / side_m + 0.5, 0.5 - (y - centre.y) / side_m);
            if !(0.0..1.0).contains(&u) || !(0.0..1.0).contains(&v) {
                return Some(white);
            }
            let cells = cells_of(first_id + (row * board.columns + column) as u16).unwrap();
            Some(if cells >> (8 * (v * 8.0) as usize + (u * 8.0) as usize) & 1 == 1 { white } else { black })
        }
    }
}

/// One board in a made photograph.
#[derive(Clone)]
pub struct Placed {
    pub board: Board,
    pub camera_from_board: Pose<Camera, Body>,
    /// Radius of the cylinder that the board is bent to, about its y axis; `None` where it is flat.
    pub radius_m: Option<f64>,
}

/// A board seen from the front: its middle at `at` (m, camera frame), turned in its plane by `turn`, leaning by `tilt` with the side `towards` away (degrees; 0
/// right, 90 down).
pub fn pose(at: [f64; 3], turn: f64, tilt: f64, towards: f64) -> Pose<Camera, Body> {
    use nalgebra::{Rotation3, Unit};
    let front = Rotation3::from_axis_angle(&Vector3::x_axis(), std::f64::consts::PI);
    let roll = Rotation3::from_axis_angle(&Vector3::z_axis(), turn.to_radians());
    let t = towards.to_radians();
    let lean =
        Rotation3::from_axis_angle(&Unit::new_normalize(Vector3::new(t.sin(), -t.cos(), 0.0)), tilt.to_radians());
    Pose::claim_matrix((lean * roll * front).matrix(), Vector3::from(at))
}

/// Ten different ways to hold the board, enough for a lens.
pub fn good_poses() -> Vec<Pose<Camera, Body>> {
    [
        ([0.0, 0.0, 0.30], 0.0, 5.0, 0.0),
        ([-0.03, 0.02, 0.30], 0.0, 35.0, 0.0),
        ([0.03, -0.02, 0.30], 10.0, 35.0, 90.0),
        ([0.03, 0.02, 0.31], 90.0, 35.0, 180.0),
        ([-0.03, -0.03, 0.31], 0.0, 35.0, 270.0),
        ([-0.06, 0.04, 0.32], 90.0, 40.0, 45.0),
        ([0.06, 0.04, 0.32], -10.0, 40.0, 135.0),
        ([0.06, -0.04, 0.32], 180.0, 40.0, 225.0),
        ([-0.06, -0.04, 0.32], 20.0, 40.0, 315.0),
        ([0.02, 0.01, 0.40], 90.0, 30.0, 0.0),
    ]
    .into_iter()
    .map(|(at, turn, tilt, towards)| pose(at, turn, tilt, towards))
    .collect()
}

/// The good set of each board, photographed once.
pub fn good_set(board: &Board) -> Vec<Gray> {
    use std::sync::OnceLock;
    static SETS: [OnceLock<Vec<Gray>>; 2] = [OnceLock::new(), OnceLock::new()];
    let which = usize::from(matches!(board.pattern, Pattern::Chessboard));
    let make = || {
        let one = |(k, p): (usize, &Pose<Camera, Body>)| {
            let placed = Placed { board: board.clone(), camera_from_board: *p, radius_m: None };
            photograph(&lens(), &[placed], 0.6, k as u32)
        };
        good_poses().iter().enumerate().map(one).collect()
    };
    SETS[which].get_or_init(make).clone()
}

/// Where a ray from the camera meets the board: its coordinates on the paper.
fn meets(placed: &Placed, direction: &Vector3<f64>) -> Option<Vector2<f64>> {
    let board_from_camera = placed.camera_from_board.inverse();
    let origin = (board_from_camera * Point::<Camera>::claim(Vector3::zeros())).coords;
    let d = board_from_camera.rotation() * direction;
    match placed.radius_m {
        None => {
            let s = -origin.z / d.z;
            (s > 0.0).then(|| Vector2::new(origin.x + s * d.x, origin.y + s * d.y))
        }
        Some(r) => {
            // The cylinder x² + (z + r)² = r²; the nearer meeting point; length along the arc.
            let (ox, oz) = (origin.x, origin.z + r);
            let (a, b, c) = (d.x * d.x + d.z * d.z, ox * d.x + oz * d.z, ox * ox + oz * oz - r * r);
            let root = b * b - a * c;
            let s = (root > 0.0).then(|| (-b - root.sqrt()) / a)?;
            (s > 0.0).then(|| Vector2::new(r * (ox + s * d.x).atan2(oz + s * d.z), origin.y + s * d.y))
        }
    }
}

/// A photograph: everything beside the boards is grey; `blur_px`: Gaussian; seeded noise of two grey values.
pub fn photograph(lens: &Lens, boards: &[Placed], blur_px: f64, seed: u32) -> Gray {
    // A lattice in each pixel: every x and every y once, their mean exactly the middle, so that edges in any direction are averaged finely and unbiased.
    const N: usize = 13;
    let (w, h) = (lens.width, lens.height);
    let part = |k: usize| (k as f64 + 0.5) / N as f64;
    let places: Vec<(f64, f64)> = (0..N).map(|k| (part(k), part(k * 5 % N))).collect();
    // Rays through the pixels' corners; between them they change so little that straight interpolation is right to a millionth of a pixel.
    let corner = |k: usize| {
        lens.normalized_from_pixel(&Vector2::new((k % (w + 1)) as f64 - 0.5, (k / (w + 1)) as f64 - 0.5)).unwrap()
    };
    let corners: Vec<Vector2<f64>> = (0..(w + 1) * (h + 1)).into_par_iter().map(corner).collect();
    let mut light_of: Vec<f64> = (0..w * h)
        .into_par_iter()
        .map(|k| {
            let at = k / w * (w + 1) + k % w;
            let (a, b, c, d) = (corners[at], corners[at + 1], corners[at + w + 1], corners[at + w + 2]);
            let mut sum = 0.0;
            for (u, v) in &places {
                let n = (a * (1.0 - u) + b * *u) * (1.0 - v) + (c * (1.0 - u) + d * *u) * *v;
                let ray = n.push(1.0);
                let seen = boards.iter().find_map(|b| meets(b, &ray).and_then(|p| light(&b.board, p.x, p.y)));
                sum += seen.unwrap_or(0.2);
            }
            sum / N as f64
        })
        .collect();
    if blur_px > 0.0 {
        light_of = blurred(&light_of, w, h, blur_px);
    }
    let mut state = seed.wrapping_mul(2654435761).wrapping_add(12345);
    let mut noise = || {
        // Sum of four uniform numbers: nearly normal, standard deviation 2.
        (0..4).fold(0.0, |sum, _| {
            state = state.wrapping_mul(1664525).wrapping_add(1013904223);
            sum + (f64::from(state >> 8) / f64::from(1u32 << 24) - 0.5) * 2.0 * 3f64.sqrt()
        })
    };
    let data = light_of.iter().map(|l| (255.0 * light_to_srgb(*l) + noise()).round().clamp(0.0, 255.0) as u8).collect();
    Gray::new(w, h, data).unwrap()
}

fn blurred(light: &[f64], w: usize, h: usize, sigma: f64) -> Vec<f64> {
    let r = (3.0 * sigma).ceil() as isize;
    let kernel: Vec<f64> = (-r..=r).map(|k| (-(k * k) as f64 / (2.0 * sigma * sigma)).exp()).collect();
    let sum: f64 = kernel.iter().sum();
    let pass = |from: &[f64], across: bool| -> Vec<f64> {
        (0..w * h)
            .into_par_iter()
            .map(|k| {
                let (x, y) = ((k % w) as isize, (k / w) as isize);
                let at = |d: isize| match across {
                    true => (y as usize) * w + (x + d).clamp(0, w as isize - 1) as usize,
                    false => (y + d).clamp(0, h as isize - 1) as usize * w + x as usize,
                };
                kernel.iter().enumerate().map(|(i, g)| g * from[at(i as isize - r)]).sum::<f64>() / sum
            })
            .collect()
    };
    pass(&pass(light, true), false)
}

/// Writes an image as PNG.
pub fn write_png(path: &std::path::Path, gray: &Gray) {
    image::save_buffer(path, gray.data(), gray.width() as u32, gray.height() as u32, image::ExtendedColorType::L8)
        .unwrap();
}
