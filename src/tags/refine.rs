//! Sixth stage: the corners, by fitting the tag's whole blurred picture in light.
//!
//! Unknown are the plane map (8), a plane of light for black and one for the step to white (6), the blur as a 2 × 2 matrix (3: motion blurs
//! more along than across), and by how much black outgrows white at every edge (1). The picture predicted from these is coded with the tone
//! curve and compared with the grey values near edges, weighted by the noise that the fit's own remainders show in the dark and in the
//! bright. All edges take part: border and inner edges move alike with the corners, but oppositely with the growth of black, and so
//! whatever is left of a wrong tone curve, of ink spread or of blooming does not move the corners.
//!
//! Weighted least squares with all pixels near edges is the maximum-likelihood estimate for such noise, hence close to the Cramér-Rao bound.

use crate::raster::Gray;
use crate::tags::flatten::Flatten;
use crate::tags::homography::{CORNERS, Homography};
use crate::tags::light::Tone;
use crate::tags::pattern::Pattern;
use crate::tags::quads::Quad;
use nalgebra::{Matrix3, SMatrix, SVector, Vector2};

/// Unknowns: 8 of the plane map, 3 of black, 3 of the step to white, 3 of the blur, 1 of growth.
const N: usize = 18;
const BLACK: usize = 8;
const STEP: usize = 11;
const BLUR: usize = 14;
const GROWTH: usize = 17;

/// Pixels used until the corners rest, and for the answer.
const FEW_PIXELS: usize = 500;
const MANY_PIXELS: usize = 4000;

/// Least variance of the blur, px²: a pixel's own area, 1/12, and next to no optics.
const LEAST_BLUR: f64 = 0.09;

/// Largest correlation of the blur between the tag's axes; beyond it (views at more than 77 degrees) the series would need more terms.
const MOST_CORRELATION: f64 = 0.95;

/// A fitted tag.
#[derive(Clone, Debug)]
pub struct Fit {
    /// Corners in pixels as seen.
    pub corners: Quad,
    /// Covariance of the corners, px².
    pub cov: SMatrix<f64, 8, 8>,
    /// Standard deviation of the blur, mean over directions, px.
    pub blur_px: f64,
    /// By how much black outgrows white at each edge, px; negative where white does.
    pub growth_px: f64,
    /// Root mean square of the remainders, grey values.
    pub rms: f64,
    /// Step from black to white at the centre, grey values.
    pub contrast: f64,
}

/// One pixel that takes part.
struct Pixel {
    /// Undistorted place, from the centre of the fit.
    x: f64,
    y: f64,
    code: f64,
    /// Which block of 8 × 8 image pixels it belongs to: compression ties the noise within one together.
    block: u32,
}

#[derive(Clone)]
struct State {
    p: SVector<f64, N>,
}

impl State {
    fn map(&self) -> Homography {
        let p = &self.p;
        Homography(Matrix3::new(p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], 1.0))
    }
}

/// Noise of a grey value: variance in the dark and in the bright, linear between.
#[derive(Clone, Copy)]
struct Noise {
    dark_code: f64,
    bright_code: f64,
    dark: f64,
    bright: f64,
}

impl Noise {
    #[inline]
    fn variance(&self, code: f64) -> f64 {
        let part = ((code - self.dark_code) / (self.bright_code - self.dark_code)).clamp(0.0, 1.0);
        self.dark + (self.bright - self.dark) * part
    }
}

struct Normal {
    matrix: SMatrix<f64, N, N>,
    right: SVector<f64, N>,
    cost: f64,
}

struct Problem<'a> {
    pixels: Vec<Pixel>,
    pattern: &'a Pattern,
    tone: &'a Tone,
    /// Half the tag's size in pixels: scale of the level planes.
    size: f64,
    /// 2 × 2 of undistorted per seen pixel, to carry the blur over; the same over the whole tag.
    flat_per_pixel: nalgebra::Matrix2<f64>,
}

/// What one pixel's prediction is made of.
struct Prediction {
    code: f64,
    gradient: [f64; N],
}

impl Problem<'_> {
    /// The predicted grey value and its derivatives.
    #[inline]
    fn predict(&self, state: &State, inverse: &Matrix3<f64>, pixel: &Pixel) -> Prediction {
        let p = &state.p;
        let (x, y) = (pixel.x, pixel.y);
        let g = inverse;
        let q3 = 1.0 / (g.m31 * x + g.m32 * y + g.m33);
        let u = (g.m11 * x + g.m12 * y + g.m13) * q3;
        let v = (g.m21 * x + g.m22 * y + g.m23) * q3;
        // d (u, v) / d (x, y), undistorted
        let (ux, uy) = ((g.m11 - u * g.m31) * q3, (g.m12 - u * g.m32) * q3);
        let (vx, vy) = ((g.m21 - v * g.m31) * q3, (g.m22 - v * g.m32) * q3);
        // ... and per seen pixel, in which the blur is given
        let f = &self.flat_per_pixel;
        let (us, ut) = (ux * f.m11 + uy * f.m21, ux * f.m12 + uy * f.m22);
        let (vs, vt) = (vx * f.m11 + vy * f.m21, vx * f.m12 + vy * f.m22);
        let (a, b, c) = (p[BLUR], p[BLUR + 1], p[BLUR + 2]);
        let blur_u = (a * us * us + 2.0 * b * us * ut + c * ut * ut).max(1e-8).sqrt();
        let blur_v = (a * vs * vs + 2.0 * b * vs * vt + c * vt * vt).max(1e-8).sqrt();
        let both = a * us * vs + b * (us * vt + ut * vs) + c * ut * vt;
        let product = blur_u * blur_v;
        let correlation = (both / product).clamp(-MOST_CORRELATION, MOST_CORRELATION);
        let shade = self.pattern.shade(u, v, blur_u, blur_v, correlation);
        let (gu, gv) = ((us * us + ut * ut).sqrt(), (vs * vs + vt * vt).sqrt());
        let d_growth = shade.d_grow_u * gu + shade.d_grow_v * gv;
        let white = shade.value + p[GROWTH] * d_growth;
        let (px, py) = (x / self.size, y / self.size);
        let black = p[BLACK] + p[BLACK + 1] * px + p[BLACK + 2] * py;
        let step = p[STEP] + p[STEP + 1] * px + p[STEP + 2] * py;
        let (code, slope) = self.tone.code(black + step * white);
        let s = slope * step;
        // Moving the pattern by (dx, dy) takes away its gradient there.
        let w = 1.0 / (p[6] * u + p[7] * v + 1.0);
        let (gx, gy) = (-s * (shade.d_u * ux + shade.d_v * vx) * w, -s * (shade.d_u * uy + shade.d_v * vy) * w);
        let along = gx * x + gy * y;
        // By the blur's variance along u and along v and by its covariance between both.
        let by_both = s * shade.d_correlation / product;
        let bu = s * (shade.d_blur_u - shade.d_correlation * correlation / blur_u) / (2.0 * blur_u);
        let bv = s * (shade.d_blur_v - shade.d_correlation * correlation / blur_v) / (2.0 * blur_v);
        let gradient = [
            gx * u,
            gx * v,
            gx,
            gy * u,
            gy * v,
            gy,
            -along * u,
            -along * v,
            slope,
            slope * px,
            slope * py,
            slope * white,
            slope * white * px,
            slope * white * py,
            bu * us * us + bv * vs * vs + by_both * us * vs,
            2.0 * (bu * us * ut + bv * vs * vt) + by_both * (us * vt + ut * vs),
            bu * ut * ut + bv * vt * vt + by_both * ut * vt,
            s * d_growth,
        ];
        Prediction { code, gradient }
    }

    /// Normal equations from every `stride`-th pixel.
    fn normal(&self, state: &State, noise: &Noise, stride: usize) -> Option<Normal> {
        let inverse = state.map().inverse()?;
        let mut upper = [[0.0f64; N]; N];
        let mut right = [0.0f64; N];
        let mut cost = 0.0;
        for pixel in self.pixels.iter().step_by(stride) {
            let prediction = self.predict(state, &inverse, pixel);
            let remainder = pixel.code - prediction.code;
            let variance = noise.variance(prediction.code);
            // Huber's weight: beyond three sigmas a remainder counts linearly (glare, dirt, a neighbour).
            let size = remainder.abs() / variance.sqrt();
            let (weight, loss) = if size <= 3.0 { (1.0, size * size) } else { (3.0 / size, 6.0 * size - 9.0) };
            cost += loss;
            let weight = weight / variance;
            let g = &prediction.gradient;
            for i in 0..N {
                let gi = g[i] * weight;
                right[i] += gi * remainder;
                for (sum, value) in upper[i].iter_mut().zip(g) {
                    *sum += gi * value;
                }
            }
        }
        let mut matrix = SMatrix::<f64, N, N>::zeros();
        for i in 0..N {
            for j in i..N {
                matrix[(i, j)] = upper[i][j];
                matrix[(j, i)] = upper[i][j];
            }
        }
        let mut right = SVector::<f64, N>::from(right);
        // What is known beforehand, weakly: blur near 0.6 px² and about the same in all directions, growth within half a pixel.
        // Common practice, no source; it only decides where the pixels say nothing.
        let mut known = |index: usize, value: f64, sigma: f64| {
            let off = value - state.p[index];
            matrix[(index, index)] += 1.0 / (sigma * sigma);
            right[index] += off / (sigma * sigma);
            cost += off * off / (sigma * sigma);
        };
        let mean = ((state.p[BLUR] + state.p[BLUR + 2]) / 2.0).max(0.3);
        known(BLUR, 0.6, 4.0 * mean);
        known(BLUR + 1, 0.0, 0.5 * mean);
        known(BLUR + 2, 0.6, 4.0 * mean);
        known(GROWTH, 0.0, 0.5);
        Some(Normal { matrix, right, cost })
    }

    /// By what the noise's ties within compression blocks multiply the variances of the plane map; at least 1.
    ///
    /// Compression keeps the slow part of the noise and drops the fast part, so that neighbours err alike and a sum over them errs more than
    /// independent noise would. The scores (weighted gradient times remainder) are summed per block; the scatter of these sums against the
    /// one that independent noise gives is the factor. Source of the method: the cluster-robust covariance of Liang and Zeger 1986.
    fn tied_noise(
        &self,
        state: &State,
        noise: &Noise,
        stride: usize,
        cov: &SMatrix<f64, N, N>,
        normal: &Normal,
    ) -> Option<f64> {
        let inverse = state.map().inverse()?;
        let mut scores: Vec<(u32, SVector<f64, 8>)> = Vec::new();
        for pixel in self.pixels.iter().step_by(stride) {
            let prediction = self.predict(state, &inverse, pixel);
            let variance = noise.variance(prediction.code);
            let sigma = variance.sqrt();
            let g = SVector::<f64, N>::from(prediction.gradient);
            let remainder = (pixel.code - prediction.code).clamp(-3.0 * sigma, 3.0 * sigma);
            scores.push((pixel.block, g.fixed_rows::<8>(0) * (remainder / variance)));
        }
        scores.sort_by_key(|(block, _)| *block);
        let information = cov.fixed_view::<8, 8>(0, 0).into_owned();
        let total: f64 = scores
            .chunk_by(|a, b| a.0 == b.0)
            .map(|block| block.iter().map(|(_, s)| s).sum::<SVector<f64, 8>>())
            .map(|s| s.dot(&(information * s)))
            .sum();
        // The same scatter if every pixel were a block of its own.
        let independent = information.component_mul(&normal.matrix.fixed_view::<8, 8>(0, 0)).sum();
        Some((total / independent.max(1e-9)).max(1.0))
    }

    /// Mean square remainder in the dark and in the bright half; also over all.
    fn noise(&self, state: &State, before: &Noise, stride: usize) -> Option<(Noise, f64)> {
        let inverse = state.map().inverse()?;
        let middle = (before.dark_code + before.bright_code) / 2.0;
        let mut sums = [[0.0f64; 2]; 2];
        for pixel in self.pixels.iter().step_by(stride) {
            let prediction = self.predict(state, &inverse, pixel);
            let remainder = pixel.code - prediction.code;
            let limit = 3.0 * before.variance(prediction.code).sqrt();
            let group = &mut sums[usize::from(prediction.code > middle)];
            group[0] += 1.0;
            group[1] += (remainder * remainder).min(limit * limit);
        }
        // Grey values are whole numbers: a sixth of a grey value squared is the least that rounding leaves.
        let mean = |g: [f64; 2]| {
            (g[1] / (g[0] - 0.5 * N as f64 * g[0] / self.pixels.len().div_ceil(stride) as f64).max(1.0)).max(1.0 / 6.0)
        };
        let all = mean([sums[0][0] + sums[1][0], sums[0][1] + sums[1][1]]);
        // A group with few pixels takes over what all show.
        let of = |g: [f64; 2]| if g[0] < 30.0 { all } else { mean(g) };
        Some((Noise { dark: of(sums[0]), bright: of(sums[1]), ..*before }, all))
    }
}

/// Fits a tag's picture, starting from corners that are good to a pixel or so.
///
/// `corners` in pixels as seen, in the order of [`crate::tags::Detection::corners`]. Returns `None` where no fit is found or where it ends somewhere else
/// than it began: then it is not this tag.
pub fn refine(
    image: &Gray,
    corners: &Quad,
    pattern: &Pattern,
    tone: &Tone,
    lens: Option<&crate::camera::Lens>,
) -> Option<Fit> {
    let start = Homography::from_corners(corners)?;
    let cell_px = {
        let j = start.jacobian(0.0, 0.0);
        j.column(0).norm().min(j.column(1).norm())
    };
    // Room for the blur on the outside, but not where another tag or the background may begin.
    let outside = (2.5 / cell_px).min(0.7);
    let reach = 4.0 + outside;
    let outer = [[-reach, -reach], [reach, -reach], [reach, reach], [-reach, reach]].map(|[u, v]| start.apply(u, v));
    let low = outer.iter().fold(outer[0], |a, b| a.inf(b));
    let high = outer.iter().fold(outer[0], |a, b| a.sup(b));
    let flatten = Flatten::new(lens, low, high);
    let flat_corners = corners.map(|c| flatten.apply(c));
    let centre = flat_corners.iter().sum::<Vector2<f64>>() / 4.0;
    let map = Homography::from_corners(&flat_corners.map(|c| c - centre))?;
    let (pixels, levels) = gather(image, &map, pattern, &flatten, centre, (low, high), reach, cell_px);
    if pixels.len() < 60 {
        return None;
    }
    let (black, white) = levels?;
    let light = |code: f64| f64::from(tone.light[code.round().clamp(0.0, 255.0) as usize]);
    let mut p = SVector::<f64, N>::zeros();
    for k in 0..8 {
        p[k] = map.0[(k / 3, k % 3)];
    }
    p[BLACK] = light(black);
    p[STEP] = light(white) - light(black);
    (p[BLUR], p[BLUR + 2]) = (0.6, 0.6);
    let seen_centre = corners.iter().sum::<Vector2<f64>>() / 4.0;
    let problem = Problem {
        pixels,
        pattern,
        tone,
        size: (high - low).norm() / 3.0,
        flat_per_pixel: {
            let h = 0.5;
            let dx =
                flatten.apply(seen_centre + Vector2::new(h, 0.0)) - flatten.apply(seen_centre - Vector2::new(h, 0.0));
            let dy =
                flatten.apply(seen_centre + Vector2::new(0.0, h)) - flatten.apply(seen_centre - Vector2::new(0.0, h));
            nalgebra::Matrix2::from_columns(&[dx, dy])
        },
    };
    let mut noise = Noise { dark_code: black, bright_code: white, dark: 0.0, bright: 0.0 };
    let first = (0.1 * (white - black)).powi(2).max(1.0);
    (noise.dark, noise.bright) = (first, first);

    let mut state = State { p };
    let mut rms = f64::MAX;
    // First with few pixels until the corners rest, then with all that are worth their time.
    let n = problem.pixels.len();
    let stride = |wanted: usize| (n / wanted).max(1) | 1;
    for most in [8, 3] {
        minimise(&problem, &mut state, &noise, stride(FEW_PIXELS), most, 1e-2)?;
        let (better, all) = problem.noise(&state, &noise, stride(FEW_PIXELS))?;
        (noise, rms) = (better, all.sqrt());
    }
    // One step with all from there: what is left is far inside the region where the problem is linear.
    let used = stride(MANY_PIXELS);
    let normal = minimise(&problem, &mut state, &noise, used, 1, 1e-2)?;
    let cov = normal.matrix.cholesky()?.inverse();
    let cov = cov * problem.tied_noise(&state, &noise, used, &cov, &normal)?;
    let fitted = state.map();
    // 8 × N: d corner / d unknown
    let mut per_unknown = SMatrix::<f64, 8, N>::zeros();
    let mut seen = [Vector2::zeros(); 4];
    for (k, [u, v]) in CORNERS.into_iter().enumerate() {
        let local = fitted.apply(u, v);
        let w = 1.0 / fitted.depth(u, v);
        let x_row = [u * w, v * w, w, 0.0, 0.0, 0.0, -local.x * u * w, -local.x * v * w];
        let y_row = [0.0, 0.0, 0.0, u * w, v * w, w, -local.y * u * w, -local.y * v * w];
        let (pixel, per_flat) = flatten.undo(&(local + centre));
        seen[k] = pixel;
        for i in 0..8 {
            per_unknown[(2 * k, i)] = per_flat.m11 * x_row[i] + per_flat.m12 * y_row[i];
            per_unknown[(2 * k + 1, i)] = per_flat.m21 * x_row[i] + per_flat.m22 * y_row[i];
        }
    }
    // The normal equations are already weighted with the noise that the remainders show.
    let cov = per_unknown * cov * per_unknown.transpose();
    let moved = seen.iter().zip(corners).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
    let (code_black, _) = tone.code(state.p[BLACK]);
    let (code_white, _) = tone.code(state.p[BLACK] + state.p[STEP]);
    let contrast = code_white - code_black;
    let sound = seen.iter().all(|c| c.iter().all(|v| v.is_finite()))
        && moved < (1.2 * cell_px).max(2.5)
        && contrast > 0.0
        && rms < 0.3 * contrast
        && state.p[GROWTH].abs() < 1.0
        && cov.diagonal().iter().all(|v| v.is_finite() && *v > 0.0);
    sound.then(|| Fit {
        corners: seen,
        cov,
        blur_px: ((state.p[BLUR] + state.p[BLUR + 2]) / 2.0).max(0.0).sqrt(),
        growth_px: state.p[GROWTH],
        rms,
        contrast,
    })
}

/// The pixels that take part, and the mean grey of black and of white cells.
#[allow(clippy::too_many_arguments)]
fn gather(
    image: &Gray,
    map: &Homography,
    pattern: &Pattern,
    flatten: &Flatten,
    centre: Vector2<f64>,
    (low, high): (Vector2<f64>, Vector2<f64>),
    reach: f64,
    cell_px: f64,
) -> (Vec<Pixel>, Option<(f64, f64)>) {
    let mut pixels = Vec::new();
    let mut means = [[0.0f64; 2]; 2];
    let Some(inverse) = map.inverse() else { return (pixels, None) };
    let clamp = |v: f64, size: usize| v.clamp(0.0, size as f64 - 1.0) as usize;
    let (x0, x1) = (clamp(low.x.floor(), image.width()), clamp(high.x.ceil(), image.width()));
    let (y0, y1) = (clamp(low.y.floor(), image.height()), clamp(high.y.ceil(), image.height()));
    // Farther than this from every line of the grid (cells) a pixel tells only about the levels: few of those will do.
    let near = 3.2 / cell_px;
    for y in y0..=y1 {
        let row = image.row(y);
        for (x, &code) in row.iter().enumerate().take(x1 + 1).skip(x0) {
            let flat = flatten.apply(Vector2::new(x as f64, y as f64)) - centre;
            let q = inverse * flat.push(1.0);
            let (u, v) = (q.x / q.z, q.y / q.z);
            if q.z <= 0.0 || u.abs() > reach || v.abs() > reach {
                continue;
            }
            let off = |c: f64| (c - c.round()).abs();
            let (off_u, off_v) = (off(u), off(v));
            if off_u.min(off_v) > near && (x % 4 != 0 || y % 4 != 0) {
                continue;
            }
            if off_u.min(off_v) > 0.3 {
                let group = &mut means[usize::from(pattern.is_white(u, v))];
                group[0] += 1.0;
                group[1] += f64::from(code);
            }
            pixels.push(Pixel {
                x: flat.x,
                y: flat.y,
                code: f64::from(code),
                block: (((y / 8) << 16) | (x / 8)) as u32,
            });
        }
    }
    let levels = (means[0][0] > 0.0 && means[1][0] > 0.0)
        .then(|| (means[0][1] / means[0][0], means[1][1] / means[1][0]))
        .filter(|(black, white)| white > black);
    (pixels, levels)
}

/// Levenberg-Marquardt from `state`, at most `most` steps, until no corner moves by more than `rest` px; leaves the best state there.
fn minimise(
    problem: &Problem<'_>,
    state: &mut State,
    noise: &Noise,
    stride: usize,
    most: usize,
    rest: f64,
) -> Option<Normal> {
    let mut damping = 1e-3;
    let mut normal = problem.normal(state, noise, stride)?;
    for _ in 0..most {
        let mut damped = normal.matrix;
        for i in 0..N {
            damped[(i, i)] *= 1.0 + damping;
        }
        let step = damped.cholesky()?.solve(&normal.right);
        let mut next = state.clone();
        next.p += step;
        // The blur stays a blur: at least the pixel's own area in every direction.
        for i in [BLUR, BLUR + 2] {
            next.p[i] = next.p[i].max(LEAST_BLUR);
        }
        let limit = 0.9 * ((next.p[BLUR] - 0.5 * LEAST_BLUR) * (next.p[BLUR + 2] - 0.5 * LEAST_BLUR)).sqrt();
        next.p[BLUR + 1] = next.p[BLUR + 1].clamp(-limit, limit);
        let usable =
            next.p.iter().all(|v| v.is_finite()) && CORNERS.iter().all(|[u, v]| next.map().depth(*u, *v) > 0.05);
        let trial = if usable { problem.normal(&next, noise, stride) } else { None };
        match trial {
            Some(trial) if trial.cost <= normal.cost => {
                let moved = CORNERS
                    .iter()
                    .map(|[u, v]| (next.map().apply(*u, *v) - state.map().apply(*u, *v)).norm())
                    .fold(0.0, f64::max);
                *state = next;
                normal = trial;
                damping *= 0.1;
                if moved < rest {
                    break;
                }
            }
            _ => {
                damping *= 10.0;
                if damping > 1e6 {
                    break;
                }
            }
        }
    }
    Some(normal)
}
