//! `plumbsight tags --trace DIR`: one picture for each stage of the detector, and a list of what became of every candidate.

use crate::capture::encode_png;
use crate::raster::Gray;
use crate::record::{Problem, json_text, write_atomically};
use crate::tags::Detection;
use crate::tags::quads::Quad;
use crate::tags::trace::{Candidate, Outcome, Trace};
use nalgebra::Vector2;
use serde::Serialize;
use std::path::Path;

/// Pixels of the largest picture that is drawn enlarged.
const ENLARGED_PIXELS: usize = 600_000;

type Colour = [u8; 3];

// Okabe and Ito's colours, as on the other displays.
const ORANGE: Colour = [230, 159, 0];
const SKY: Colour = [86, 180, 233];
const GREEN: Colour = [0, 158, 115];
const BLUE: Colour = [0, 114, 178];
const VERMILION: Colour = [213, 94, 0];
const PURPLE: Colour = [204, 121, 167];

/// A candidate as it is listed in `candidates.json`; corners in pixels.
#[derive(Serialize)]
struct Listed {
    number: usize,
    outcome: &'static str,
    bounds: [i32; 4],
    id: Option<u16>,
    wrong_cells: Option<u32>,
    quad: Option<[[f64; 2]; 4]>,
    aligned: Option<[[f64; 2]; 4]>,
    fitted: Option<[[f64; 2]; 4]>,
}

/// Writes the pictures and the list into `folder`, which is made where it is missing.
pub(super) fn write(folder: &Path, image: &Gray, trace: &Trace, found: &[Detection]) -> Result<(), Problem> {
    std::fs::create_dir_all(folder).map_err(|e| {
        Problem::of_file(
            folder.display().to_string(),
            format!("the folder cannot be made ({e})"),
            "Name a folder that may be written to.",
        )
    })?;
    let save = |name: &str, canvas: Canvas| {
        let png = encode_png(canvas.width, canvas.height, &canvas.data).map_err(|why| {
            Problem::of_file(name, format!("the picture cannot be coded ({why})"), "Please report it.")
        })?;
        write_atomically(&folder.join(name), &png)
    };

    let mut canvas = Canvas::of(image);
    if let Some(dark) = &trace.dark {
        for y in 0..image.height() {
            for x in 0..image.width() {
                canvas.block(x, y, if dark.is_dark(x as i32, y as i32) { [0, 0, 0] } else { [255, 255, 255] });
            }
        }
    }
    save("1-dark.png", canvas)?;

    let mut canvas = Canvas::of(image);
    let mut with_quad = vec![false; trace.outlines.len()];
    for candidate in trace.candidates.iter().filter(|c| c.quad.is_some()) {
        with_quad[candidate.outline] = true;
    }
    for (outline, with_quad) in trace.outlines.iter().zip(with_quad) {
        for p in &outline.points {
            let colour = if with_quad { GREEN } else { VERMILION };
            canvas.dot(f64::from(p[0]) / 2.0 - 0.5, f64::from(p[1]) / 2.0 - 0.5, colour);
        }
    }
    save("2-outlines.png", canvas)?;

    let mut canvas = Canvas::of(image);
    for (number, candidate) in trace.candidates.iter().enumerate() {
        if let Some(quad) = &candidate.quad {
            canvas.polygon(quad, SKY);
        }
        if let Some(quad) = &candidate.aligned {
            canvas.polygon(quad, colour_of(candidate.outcome));
            canvas.number(number, quad[3], colour_of(candidate.outcome));
        }
    }
    save("3-quads.png", canvas)?;
    save("4-cells.png", cells(trace))?;

    let mut canvas = Canvas::of(image);
    for detection in found {
        canvas.polygon(&detection.corners, GREEN);
        // The first corner, lower left on the upright print, is marked.
        for k in -3..=3 {
            canvas.dot(detection.corners[0].x + f64::from(k) / 2.0, detection.corners[0].y, ORANGE);
            canvas.dot(detection.corners[0].x, detection.corners[0].y + f64::from(k) / 2.0, ORANGE);
        }
        canvas.number(usize::from(detection.id), detection.corners.iter().sum::<Vector2<f64>>() / 4.0, SKY);
    }
    save("5-corners.png", canvas)?;

    let pairs = |quad: Quad| quad.map(|c| [c.x, c.y]);
    let listed: Vec<Listed> = trace
        .candidates
        .iter()
        .enumerate()
        .map(|(number, c)| Listed {
            number,
            outcome: c.outcome.words(),
            bounds: trace.outlines.get(c.outline).map_or([0; 4], |o| o.bounds),
            id: c.read.map(|(id, _)| id),
            wrong_cells: c.read.map(|(_, wrong)| wrong),
            quad: c.quad.map(pairs),
            aligned: c.aligned.map(pairs),
            fitted: c.fitted.map(pairs),
        })
        .collect();
    write_atomically(&folder.join("candidates.json"), json_text(&listed, "the candidates")?.as_bytes())
}

/// What the README's table says.
fn colour_of(outcome: Outcome) -> Colour {
    match outcome {
        Outcome::Found => GREEN,
        Outcome::Repeat => BLUE,
        Outcome::NoQuad | Outcome::NotLike | Outcome::NoEdges => VERMILION,
        Outcome::Refused(_) => ORANGE,
        Outcome::NoFit | Outcome::Unlike => PURPLE,
    }
}

/// The grids that were read, side by side: grey values stretched from the darkest to the brightest, a frame in the colour of the outcome, the candidate's number.
fn cells(trace: &Trace) -> Canvas {
    const CELL: usize = 6;
    const STEP: usize = 10 * CELL + 12;
    let read: Vec<(usize, &Candidate)> =
        trace.candidates.iter().enumerate().filter(|(_, c)| c.grid.is_some()).collect();
    let columns = (read.len() as f64).sqrt().ceil().clamp(1.0, 24.0) as usize;
    let rows = read.len().div_ceil(columns).max(1);
    let mut canvas = Canvas::blank(columns * STEP, rows * STEP);
    for (k, (number, candidate)) in read.iter().enumerate() {
        let Some(grid) = &candidate.grid else { continue };
        let (left, top) = ((k % columns) * STEP + 2, (k / columns) * STEP + 9);
        let all = || grid.iter().flatten().copied().filter(|v| v.is_finite());
        let (low, high) = (all().fold(f64::MAX, f64::min), all().fold(f64::MIN, f64::max));
        let colour = colour_of(candidate.outcome);
        for y in 0..10 * CELL + 2 {
            for x in 0..10 * CELL + 2 {
                canvas.set((left + x) as i32 - 1, (top + y) as i32 - 1, colour);
            }
        }
        for (row, values) in grid.iter().enumerate() {
            for (column, value) in values.iter().enumerate() {
                let grey = ((value - low) / (high - low).max(1.0) * 255.0) as u8;
                for y in 0..CELL {
                    for x in 0..CELL {
                        canvas.set((left + column * CELL + x) as i32, (top + row * CELL + y) as i32, [grey; 3]);
                    }
                }
            }
        }
        canvas.digits(*number, left as i32, top as i32 - 7, colour);
    }
    canvas
}

/// A picture to draw on; image pixels are drawn as blocks of `zoom` pixels where the image is small.
struct Canvas {
    width: usize,
    height: usize,
    zoom: usize,
    data: Vec<u8>,
}

impl Canvas {
    fn blank(width: usize, height: usize) -> Self {
        Canvas { width, height, zoom: 1, data: vec![0; 3 * width * height] }
    }

    /// The image, paler so that lines show: its darkest and brightest hundredth become dark and light grey, so that a dark photograph shows something too.
    fn of(image: &Gray) -> Self {
        let zoom = if image.data().len() <= ENLARGED_PIXELS { 2 } else { 1 };
        let mut counts = [0usize; 256];
        for &code in image.data() {
            counts[usize::from(code)] += 1;
        }
        let hundredth = image.data().len() / 100;
        let mut below = 0;
        let upto = counts.map(|n| {
            below += n;
            below
        });
        let low = upto.iter().position(|&n| n > hundredth).unwrap_or(0);
        let high = upto.iter().position(|&n| n >= image.data().len() - hundredth).unwrap_or(255).max(low + 1);
        let paler: [u8; 256] =
            std::array::from_fn(|code| (64 + 127 * (code.clamp(low, high) - low) / (high - low)) as u8);
        let mut canvas = Canvas::blank(image.width() * zoom, image.height() * zoom);
        canvas.zoom = zoom;
        for y in 0..image.height() {
            for x in 0..image.width() {
                canvas.block(x, y, [paler[usize::from(image.at(x, y))]; 3]);
            }
        }
        canvas
    }

    fn set(&mut self, x: i32, y: i32, colour: Colour) {
        if x >= 0 && y >= 0 && (x as usize) < self.width && (y as usize) < self.height {
            let at = 3 * (y as usize * self.width + x as usize);
            self.data[at..at + 3].copy_from_slice(&colour);
        }
    }

    /// One image pixel.
    fn block(&mut self, x: usize, y: usize, colour: Colour) {
        for dy in 0..self.zoom {
            for dx in 0..self.zoom {
                self.set((x * self.zoom + dx) as i32, (y * self.zoom + dy) as i32, colour);
            }
        }
    }

    /// The canvas pixel of an image point.
    fn place(&self, x: f64, y: f64) -> (i32, i32) {
        let zoom = self.zoom as f64;
        (((x + 0.5) * zoom) as i32, ((y + 0.5) * zoom) as i32)
    }

    fn dot(&mut self, x: f64, y: f64, colour: Colour) {
        let (x, y) = self.place(x, y);
        self.set(x, y, colour);
    }

    fn polygon(&mut self, quad: &Quad, colour: Colour) {
        for s in 0..4 {
            let (a, b) = (quad[s], quad[(s + 1) % 4]);
            // A corner may lie far outside the picture; what is drawn stays bounded.
            let steps = (((b - a).norm() * 2.0) as usize).clamp(1, 20_000);
            for k in 0..=steps {
                let p = a + (b - a) * (k as f64 / steps as f64);
                self.dot(p.x, p.y, colour);
            }
        }
    }

    fn number(&mut self, number: usize, at: Vector2<f64>, colour: Colour) {
        let (x, y) = self.place(at.x, at.y);
        self.digits(number, x, y, colour);
    }

    /// A whole number in digits of 3 × 5 pixels.
    fn digits(&mut self, number: usize, x: i32, y: i32, colour: Colour) {
        // Five rows of three bits each, top row in the highest bits.
        const SHAPES: [u16; 10] = [
            0b111_101_101_101_111,
            0b010_110_010_010_111,
            0b111_001_111_100_111,
            0b111_001_111_001_111,
            0b101_101_111_001_001,
            0b111_100_111_001_111,
            0b111_100_111_101_111,
            0b111_001_001_001_001,
            0b111_101_111_101_111,
            0b111_101_111_001_111,
        ];
        for (k, digit) in number.to_string().bytes().enumerate() {
            let shape = SHAPES[usize::from(digit - b'0') % 10];
            for row in 0..5 {
                for column in 0..3 {
                    if (shape >> (14 - 3 * row - column)) & 1 != 0 {
                        self.set(x + 4 * k as i32 + column, y + row, colour);
                    }
                }
            }
        }
    }
}
