//! Sheets with a tag each, seen steeply in front of a rough background.

use super::{Corners, NormalTable, Print, compressed};
use nalgebra::{Rotation3, Vector2, Vector3};
use plumbsight::raster::{Gray, light_to_srgb};
use plumbsight::scene::draw::Draw;

/// Size of a photograph, pixels.
pub const WIDTH: usize = 1280;
pub const HEIGHT: usize = 960;
/// Sheets along the photograph's width and height.
const SHEETS: [usize; 2] = [4, 3];
/// Focal length, pixels.
const FOCAL_PX: f64 = 1000.0;
/// White around a tag, cells.
const MARGIN_CELLS: f64 = 1.5;

pub struct Sheet {
    pub id: u16,
    pub corners: Corners,
}

/// One photograph of sheets tilted by so many degrees, and where their tags are.
pub fn photograph(draw: &mut Draw, [least, most]: [f64; 2], table: &NormalTable) -> (Gray, Vec<Sheet>) {
    let mut light = background(draw);
    let blur = draw.uniform(0.35, 0.7);
    let mut sheets = Vec::new();
    for place in 0..SHEETS[0] * SHEETS[1] {
        let step = [WIDTH / SHEETS[0], HEIGHT / SHEETS[1]];
        let middle = Vector2::new((step[0] * (place % SHEETS[0])) as f64, (step[1] * (place / SHEETS[0])) as f64)
            + Vector2::new(step[0] as f64, step[1] as f64) / 2.0
            + Vector2::new(draw.uniform(-20.0, 20.0), draw.uniform(-20.0, 20.0));
        let id = (draw.uniform(0.0, 587.0) as u16).min(586);
        let side_px = draw.uniform(60.0, 150.0);
        let tilt = draw.uniform(least, most).to_radians();
        let turns = [draw.uniform(0.0, std::f64::consts::TAU), draw.uniform(0.0, std::f64::consts::TAU)];
        let view = |half: f64| corners(middle, side_px, tilt, turns, half);
        let tag = view(0.5);
        let (white, black) = (draw.uniform(0.35, 0.8), draw.uniform(0.02, 0.06));
        // What the black cells cover and what the sheet covers, blurred; black lies within the sheet, so that both are simply added up.
        let covered = |print: &Print, corners: &Corners| {
            let low = corners.iter().fold(corners[0], |a, b| a.inf(b)).map(|v| (v - 6.0).floor().max(0.0));
            let high = corners.iter().fold(corners[0], |a, b| a.sup(b)).map(|v| (v + 6.0).ceil());
            let high = [high.x.min(WIDTH as f64 - 1.0), high.y.min(HEIGHT as f64 - 1.0)];
            let size = [(high[0] - low.x) as usize, (high[1] - low.y) as usize];
            let share = print.share(&corners.map(|c| c - low), blur, size, table);
            let place = move |k: usize| (low.y as usize + k / size[0]) * WIDTH + low.x as usize + k % size[0];
            share.into_iter().enumerate().map(move |(k, bright)| (place(k), 1.0 - bright)).collect::<Vec<_>>()
        };
        for (k, share) in covered(&Print::new(1, |_, _| false), &view(0.5 + MARGIN_CELLS / 8.0)) {
            light[k] += (white - light[k]) * share;
        }
        for (k, share) in covered(&Print::of_tag(id), &tag) {
            light[k] -= (white - black) * share;
        }
        sheets.push(Sheet { id, corners: tag });
    }
    let noise = draw.uniform(0.5, 2.5);
    let data = light.iter().map(|l| (255.0 * light_to_srgb(*l) + draw.normal(noise)).round().clamp(0.0, 255.0) as u8);
    let image = Gray::new(WIDTH, HEIGHT, data.collect()).expect("as many values as pixels");
    (compressed(&image, 92), sheets)
}

/// Corners of a square about a sheet's middle, `half` a tag's side from it, seen under a tilt by a camera as far away as makes the side so many pixels.
fn corners(middle: Vector2<f64>, side_px: f64, tilt: f64, [turn, towards]: [f64; 2], half: f64) -> Corners {
    let turned = Rotation3::from_axis_angle(&Vector3::z_axis(), towards)
        * Rotation3::from_axis_angle(&Vector3::x_axis(), tilt)
        * Rotation3::from_axis_angle(&Vector3::z_axis(), turn);
    [[-half, -half], [half, -half], [half, half], [-half, half]].map(|[a, b]| {
        let p = turned * Vector3::new(a, b, 0.0);
        middle + Vector2::new(p.x, -p.y) * (FOCAL_PX / (FOCAL_PX / side_px - p.z))
    })
}

/// Rough light: lattice noise of several sizes, smooth in between.
fn background(draw: &mut Draw) -> Vec<f64> {
    let mut light = vec![draw.uniform(0.1, 0.3); WIDTH * HEIGHT];
    for (cell, strength) in [(96, 0.08), (32, 0.05), (12, 0.04), (5, 0.02)] {
        let columns = WIDTH / cell + 2;
        let lattice: Vec<f64> = (0..columns * (HEIGHT / cell + 2)).map(|_| draw.uniform(-1.0, 1.0)).collect();
        for (k, value) in light.iter_mut().enumerate() {
            let (x, y) = (k % WIDTH, k / WIDTH);
            let (fx, fy) = ((x % cell) as f64 / cell as f64, (y % cell) as f64 / cell as f64);
            let at = (y / cell) * columns + x / cell;
            let row = |at: usize| lattice[at] + (lattice[at + 1] - lattice[at]) * fx;
            *value += strength * (row(at) + (row(at + columns) - row(at)) * fy);
        }
    }
    light.iter().map(|l| l.clamp(0.005, 0.95)).collect()
}
