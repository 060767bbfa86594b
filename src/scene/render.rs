//! Photographs of a made bay: the light that a lens with this distortion and blur gathers on each pixel's whole area, then the sensor's noise,
//! exposure and coding.
//!
//! Steps, each over the rows of the image in parallel; no result depends on how the rows are shared out:
//! 1. Look along the centre and one corner of every pixel. Where all neighbours meet the same part of the same surface, one look is enough.
//! 2. Elsewhere 8 × 8 looks (16 × 16 near tags), one at a random place in each cell of a grid over the pixel's area ("jittered" sampling: no direction of edges is
//!    favoured, and the error of a covered area falls as n^(-3/4)), kept as 4 × 4 sub-pixels.
//! 3. Blur and pixel area together, as one filter over the sub-pixels. Everything is still light here, never coded grey.
//! 4. Vignetting, exposure, shot and read noise, sRGB code, 8 bits.

use crate::camera::Lens;
use crate::frames::{Camera, Pose, World};
use crate::raster::{Gray, srgb_to_light};
use crate::scene::Bay;
use crate::scene::draw::{Draw, Purpose, scramble};
use crate::scene::trace::{Candidates, Light, Meeting, Stage, camera_axes, returned};
use nalgebra::{Matrix2, Vector2, Vector3};
use rayon::prelude::*;

/// How a photograph is taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RenderOptions {
    /// Standard deviation of the Gaussian blur of lens and focus, px; the pixel's own area comes on top. 0 to 8.
    pub blur_px: f64,
    /// Mean of the exposed image, as a share of what saturates the sensor.
    pub mean_light: f64,
    /// Electrons that saturate a pixel: sets the shot noise. 0: no noise at all.
    pub electrons: f64,
    /// Standard deviation of the read noise, electrons.
    pub read_noise_e: f64,
    /// Loss of light in the image's corners (0.3 = 30 %), growing with the square of the distance from the centre.
    pub vignetting: f64,
    /// Share of the light that comes from the lamps: how uneven it is, 0 to 1.
    pub lamp_share: f64,
}

impl Default for RenderOptions {
    fn default() -> Self {
        Self { blur_px: 0.6, mean_light: 0.20, electrons: 4500.0, read_noise_e: 6.0, vignetting: 0.25, lamp_share: 0.6 }
    }
}

/// An image of light, not coded: 1 saturates the sensor once exposed.
#[derive(Clone, Debug, PartialEq)]
pub struct LightImage {
    /// Width, px.
    pub width: usize,
    /// Height, px.
    pub height: usize,
    /// Rows from the top.
    pub data: Vec<f32>,
}

/// Sub-pixels along a side of a pixel.
const SUB: usize = 4;
/// Looks along a side of a pixel that needs them, where no tag is near.
const LOOKS: usize = 8;
/// The same near tags. With 8 the looks' own scatter would be a third of the variance that the sensor's noise leaves in a careful fit of an
/// edge; with 16 it is a twentieth.
const LOOKS_AT_TAGS: usize = 16;
/// Side of the squares of pixels that share a list of candidates.
const TILE: usize = 16;

/// The photograph number `photo` of a bay; `None` if there is no such number.
pub fn photograph(bay: &Bay, photo: usize, options: &RenderOptions) -> Option<Gray> {
    let camera = bay.camera_from_world.get(photo)?;
    Some(view(bay, camera, options, photo as u32))
}

/// What a camera anywhere in the bay would see; `number` decides the noise.
pub fn view(bay: &Bay, camera_from_world: &Pose<Camera, World>, options: &RenderOptions, number: u32) -> Gray {
    let light = light_image(bay, camera_from_world, options, number);
    expose(&light, options, &mut Draw::new(bay.options.seed, Purpose::Photo(number)))
}

/// The light on the sensor before exposure and noise.
pub fn light_image(
    bay: &Bay,
    camera_from_world: &Pose<Camera, World>,
    options: &RenderOptions,
    number: u32,
) -> LightImage {
    let stage = Stage::new(bay, options.lamp_share);
    let eye = Eye::new(&stage, &bay.lens, camera_from_world);
    let (w, h) = (bay.lens.width, bay.lens.height);
    let first = eye.first_looks();
    let filter = Filter::new(options.blur_px);
    let salt = scramble(bay.options.seed ^ u64::from(number) << 32);

    // Four rows of sub-pixels for each row of pixels, already filtered along the row.
    let mut across = vec![0f32; w * h * SUB];
    across.par_chunks_mut(w * SUB).enumerate().for_each(|(y, rows)| {
        let mut fine = vec![0f32; w * SUB * SUB];
        for x in 0..w {
            if first.is_even(x, y) {
                let light = first.centres[y * w + x].1;
                for sub_y in 0..SUB {
                    fine[(sub_y * w + x) * SUB..][..SUB].fill(light);
                }
            } else {
                let cells = eye.look_closely(x, y, salt);
                for sub_y in 0..SUB {
                    fine[(sub_y * w + x) * SUB..][..SUB].copy_from_slice(&cells[sub_y * SUB..][..SUB]);
                }
            }
        }
        for sub_y in 0..SUB {
            filter.along_row(&fine[sub_y * w * SUB..][..w * SUB], &mut rows[sub_y * w..][..w]);
        }
    });

    let mut data = vec![0f32; w * h];
    let reach = vignetting_reach(&bay.lens);
    data.par_chunks_mut(w).enumerate().for_each(|(y, row)| {
        filter.down_columns(&across, w, h, y, row);
        for (x, value) in row.iter_mut().enumerate() {
            let r2 = ((x as f64 - bay.lens.cx).powi(2) + (y as f64 - bay.lens.cy).powi(2)) / reach;
            *value *= (1.0 - options.vignetting * r2).max(0.0) as f32;
        }
    });
    LightImage { width: w, height: h, data }
}

/// Square of the distance of the farthest image corner from the principal point, px².
fn vignetting_reach(lens: &Lens) -> f64 {
    let far = |c: f64, size: usize| c.max(size as f64 - c);
    far(lens.cx, lens.width).powi(2) + far(lens.cy, lens.height).powi(2)
}

/// Exposes, adds the sensor's noise and codes: light to 8-bit sRGB.
pub fn expose(light: &LightImage, options: &RenderOptions, draw: &mut Draw) -> Gray {
    let mean = light.data.iter().map(|&v| f64::from(v)).sum::<f64>() / light.data.len().max(1) as f64;
    let gain = if mean > 0.0 { options.mean_light / mean } else { 1.0 };
    // The least light that each code stands for: rounding happens in coded values.
    let least: [f64; 255] = std::array::from_fn(|k| srgb_to_light((k as f64 + 0.5) / 255.0));
    let data = light.data.iter().map(|&v| {
        let mut value = f64::from(v) * gain;
        if options.electrons > 0.0 {
            let electrons = (value * options.electrons).max(0.0);
            // A Poisson number of so many electrons is as good as normal.
            value = (electrons + draw.normal((electrons + options.read_noise_e.powi(2)).sqrt())) / options.electrons;
        }
        least.partition_point(|&l| l <= value) as u8
    });
    let data: Vec<u8> = data.collect();
    Gray::new(light.width, light.height, data).unwrap_or_else(|| Gray::filled(light.width, light.height, 0))
}

/// A camera that looks at a stage.
struct Eye<'a> {
    stage: &'a Stage<'a>,
    lens: &'a Lens,
    place: Vector3<f64>,
    axes: [Vector3<f64>; 3],
    tiles_across: usize,
    tiles: Vec<Candidates>,
}

/// The first look at every pixel.
struct FirstLooks {
    width: usize,
    height: usize,
    /// Region and light at the centre of each pixel.
    centres: Vec<(u32, f32)>,
    /// Region at the upper left corner of each pixel, one more row and column than pixels.
    corners: Vec<u32>,
}

impl FirstLooks {
    /// True where nothing but one part of one surface is near: at the pixel and all around it.
    fn is_even(&self, x: usize, y: usize) -> bool {
        let region = self.centres[y * self.width + x].0;
        let (x0, x1) = (x.saturating_sub(1), (x + 1).min(self.width - 1));
        let (y0, y1) = (y.saturating_sub(1), (y + 1).min(self.height - 1));
        (y0..=y1).all(|j| self.centres[j * self.width..][x0..=x1].iter().all(|c| c.0 == region))
            && (y0..=y1 + 1).all(|j| self.corners[j * (self.width + 1)..][x0..=x1 + 1].iter().all(|&c| c == region))
    }
}

impl<'a> Eye<'a> {
    fn new(stage: &'a Stage<'a>, lens: &'a Lens, camera_from_world: &Pose<Camera, World>) -> Self {
        let (place, axes) = camera_axes(camera_from_world);
        let (tiles_across, tiles_down) = (lens.width.div_ceil(TILE), lens.height.div_ceil(TILE));
        let mut eye = Self { stage, lens, place, axes, tiles_across, tiles: Vec::new() };
        eye.tiles = (0..tiles_across * tiles_down)
            .into_par_iter()
            .map(|k| eye.tile(k % tiles_across, k / tiles_across))
            .collect();
        eye
    }

    fn tile(&self, column: usize, row: usize) -> Candidates {
        // Two pixels more on every side: distortion bows the sides of so small a square by far less.
        let low = |k: usize| (k * TILE) as f64 - 2.5;
        let high = |k: usize| ((k + 1) * TILE) as f64 + 1.5;
        let (x0, x1, y0, y1) = (low(column), high(column), low(row), high(row));
        let toward = |x: f64, y: f64| self.normalized(x, y).map(|n| self.direction(&n));
        let (Some(a), Some(b), Some(c), Some(d)) = (toward(x0, y0), toward(x1, y0), toward(x1, y1), toward(x0, y1))
        else {
            return self.stage.everything();
        };
        self.stage.candidates(&self.place, &[a, b, c, d])
    }

    fn normalized(&self, x: f64, y: f64) -> Option<Vector2<f64>> {
        self.lens.normalized_from_pixel(&Vector2::new(x, y))
    }

    fn direction(&self, n: &Vector2<f64>) -> Vector3<f64> {
        self.axes[0] * n.x + self.axes[1] * n.y + self.axes[2]
    }

    /// Undistorted place of a pixel's centre, and how it changes with the pixel: within one pixel the lens is as good as affine (the
    /// curvature of a strong webcam lens over half a pixel is below 0.0001 px).
    fn pixel(&self, x: usize, y: usize) -> Option<(Vector2<f64>, Matrix2<f64>)> {
        let n = self.normalized(x as f64, y as f64)?;
        Some((n, self.lens.pixel_per_normalized(&n).try_inverse()?))
    }

    fn tile_of(&self, x: usize, y: usize) -> &Candidates {
        &self.tiles[y / TILE * self.tiles_across + x / TILE]
    }

    fn look(&self, n: &Vector2<f64>, candidates: &Candidates) -> (Meeting, Vector3<f64>) {
        let direction = self.direction(n);
        (self.stage.meet(&self.place, &direction, candidates), direction)
    }

    fn first_looks(&self) -> FirstLooks {
        let (w, h) = (self.lens.width, self.lens.height);
        let mut centres = vec![(u32::MAX, 0f32); w * h];
        let mut corners = vec![u32::MAX; (w + 1) * (h + 1)];
        let corner = |x: usize, y: usize| {
            // The last row and column are the far corners of the last pixels.
            let (px, py) = (x.min(w - 1), y.min(h - 1));
            let (n, spread) = self.pixel(px, py)?;
            let off = Vector2::new(x as f64 - 0.5 - px as f64, y as f64 - 0.5 - py as f64);
            Some((self.look(&(n + spread * off), self.tile_of(px, py)).0.region, n))
        };
        centres.par_chunks_mut(w).zip(corners.par_chunks_mut(w + 1)).enumerate().for_each(|(y, (centres, corners))| {
            for x in 0..=w {
                let Some((region, n)) = corner(x, y) else { continue };
                corners[x] = region;
                if x < w {
                    let (meeting, direction) = self.look(&n, self.tile_of(x, y));
                    centres[x] = (meeting.region, returned(&meeting.look, &self.stage.light(&meeting, &direction)));
                }
            }
        });
        for x in 0..=w {
            if let Some((region, _)) = corner(x, h) {
                corners[h * (w + 1) + x] = region;
            }
        }
        FirstLooks { width: w, height: h, centres, corners }
    }

    /// Light of the sub-pixels of a pixel, row by row, from many looks.
    fn look_closely(&self, x: usize, y: usize, salt: u64) -> [f32; SUB * SUB] {
        let mut cells = [0f32; SUB * SUB];
        let Some((n, spread)) = self.pixel(x, y) else { return cells };
        let candidates = self.tile_of(x, y);
        // The light that falls on a surface is the same all over a pixel: reckoned once for each surface that is met.
        let mut known: [(u32, Light); 4] = [(u32::MAX, Light { falling: 0.0, mirrored: 0.0 }); 4];
        let mut n_known = 0;
        let place = salt ^ (y as u64) << 32 ^ (x as u64) << 8;
        let looks = if candidates.holds_tags() { LOOKS_AT_TAGS } else { LOOKS };
        for a in 0..looks {
            for b in 0..looks {
                let random = scramble(place ^ (a * looks + b) as u64);
                let jitter = |bits: u64| (bits & 0xffff_ffff) as f64 / (1u64 << 32) as f64;
                let off = Vector2::new(
                    (b as f64 + jitter(random)) / looks as f64 - 0.5,
                    (a as f64 + jitter(random >> 32)) / looks as f64 - 0.5,
                );
                let (meeting, direction) = self.look(&(n + spread * off), candidates);
                let light = match known[..n_known].iter().find(|(surface, _)| *surface == meeting.surface) {
                    Some((_, light)) => *light,
                    None => {
                        let light = self.stage.light(&meeting, &direction);
                        if n_known < known.len() {
                            known[n_known] = (meeting.surface, light);
                            n_known += 1;
                        }
                        light
                    }
                };
                cells[a * SUB / looks * SUB + b * SUB / looks] += returned(&meeting.look, &light);
            }
        }
        let share = (SUB * SUB) as f32 / (looks * looks) as f32;
        cells.map(|v| v * share)
    }
}

/// Gaussian blur and the pixel's area, as weights of sub-pixels along one direction; the two directions are independent.
struct Filter {
    /// Weights of sub-pixels from `-pad * SUB` before the pixel's first to `pad * SUB` after its last.
    weights: Vec<f32>,
    pad: usize,
}

impl Filter {
    fn new(blur_px: f64) -> Self {
        let sub = 1.0 / SUB as f64;
        // A sub-pixel is an average over its width already: that much less is left to blur.
        let sigma = (blur_px.clamp(0.0, 8.0).powi(2) - sub * sub / 12.0).max(0.0).sqrt();
        let pad = (4.0 * sigma).ceil() as usize;
        // Many thin slices of the pixel, each spread as a Gaussian sampled in thin slices of the sub-pixel.
        const SLICES: usize = 32;
        let weight = |k: usize| {
            let start = (k as f64 - (pad * SUB) as f64) * sub - 0.5;
            let mut sum = 0.0;
            for i in 0..SLICES {
                let x = start + (i as f64 + 0.5) / SLICES as f64 * sub;
                for j in 0..SLICES * SUB {
                    let u = (j as f64 + 0.5) / (SLICES * SUB) as f64 - 0.5;
                    sum +=
                        if sigma > 0.0 { (-0.5 * ((x - u) / sigma).powi(2)).exp() } else { f64::from(x.abs() < 0.5) };
                }
            }
            sum
        };
        let weights: Vec<f64> = (0..(2 * pad + 1) * SUB).map(weight).collect();
        let total: f64 = weights.iter().sum();
        Self { weights: weights.iter().map(|v| (v / total) as f32).collect(), pad }
    }

    /// Filters one row of sub-pixels to pixels. Beyond the border the image goes on as at its border.
    fn along_row(&self, fine: &[f32], row: &mut [f32]) {
        let last = fine.len() as isize - 1;
        for (x, value) in row.iter_mut().enumerate() {
            let start = (x * SUB) as isize - (self.pad * SUB) as isize;
            let end = start + self.weights.len() as isize;
            *value = if start >= 0 && end <= last + 1 {
                fine[start as usize..end as usize].iter().zip(&self.weights).map(|(a, b)| a * b).sum()
            } else {
                self.weights
                    .iter()
                    .enumerate()
                    .map(|(k, b)| fine[(start + k as isize).clamp(0, last) as usize] * b)
                    .sum()
            };
        }
    }

    /// Filters the columns of `across` (w wide, h * SUB rows) to the row `y` of pixels.
    fn down_columns(&self, across: &[f32], w: usize, h: usize, y: usize, row: &mut [f32]) {
        let last = (h * SUB) as isize - 1;
        for (k, weight) in self.weights.iter().enumerate() {
            let from = ((y * SUB) as isize - (self.pad * SUB) as isize + k as isize).clamp(0, last) as usize;
            for (value, fine) in row.iter_mut().zip(&across[from * w..][..w]) {
                *value += weight * fine;
            }
        }
    }
}
