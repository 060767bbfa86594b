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
use crate::tags::normal::{Noise, Normal, Sums};
use crate::tags::pattern::Pattern;
use crate::tags::pixels::{Choice, Placed};
use crate::tags::predict::{BLACK, BLUR, Block, GROWTH, N, Prediction, STEP, View, predict};
use crate::tags::quads::Quad;
use crate::tags::tied::tied_noise;
use nalgebra::{Matrix2, Matrix3, SMatrix, SVector, Vector2};

/// Pixels near edges used until the corners rest, and for the answer.
const FEW_PIXELS: usize = 180;
const MANY_PIXELS: usize = 1800;

/// Least variance of the blur, px²: a pixel's own area, 1/12, and next to no optics.
const LEAST_BLUR: f64 = 0.09;

/// Corners that moved less than this in a step (px) are at rest.
const REST_PX: f64 = 0.06;

/// A first step with all pixels that is longer than this (px) is followed by more.
const LONG_STEP_PX: f64 = 0.2;

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
    /// Covariance of the blur, px².
    pub blur: Matrix2<f64>,
}

/// The unknowns.
#[derive(Clone)]
struct State {
    p: [f64; N],
}

impl State {
    /// From tag coordinates in half sides to places.
    fn map(&self) -> Matrix3<f64> {
        let p = &self.p;
        Matrix3::new(p[0], p[1], p[2], p[3], p[4], p[5], p[6], p[7], 1.0)
    }

    /// Places of the corners, if all lie on the near side of the tag's horizon.
    fn corners(&self) -> Option<[Vector2<f64>; 4]> {
        let map = self.map();
        let mut places = [Vector2::zeros(); 4];
        for (place, [u, v]) in places.iter_mut().zip(CORNERS) {
            let q = map * nalgebra::Vector3::new(u / 4.0, v / 4.0, 1.0);
            *place = if q.z > 0.05 { q.xy() / q.z } else { return None };
        }
        places.iter().all(|p| p.iter().all(|v| v.is_finite())).then_some(places)
    }

    /// What is known beforehand, weakly: blur near 0.6 px² and about the same in all directions, growth within half a pixel. For each such unknown how far
    /// off it is and with what weight that counts. Common practice, no source; it only decides where the pixels say nothing.
    fn beforehand(&self) -> [(usize, f64, f64); 4] {
        let p = &self.p;
        let mean = ((p[BLUR] + p[BLUR + 2]) / 2.0).max(0.3);
        let known = |index: usize, value: f64, sigma: f64| (index, value - p[index], 1.0 / (sigma * sigma));
        [
            known(BLUR, 0.6, 4.0 * mean),
            known(BLUR + 1, 0.0, 0.5 * mean),
            known(BLUR + 2, 0.6, 4.0 * mean),
            known(GROWTH, 0.0, 0.5),
        ]
    }

    /// The state a step away. The blur stays a blur: at least the pixel's own area in every direction.
    fn moved(&self, step: &SVector<f64, N>) -> State {
        let mut next = self.clone();
        for (value, step) in next.p.iter_mut().zip(step) {
            *value += step;
        }
        for i in [BLUR, BLUR + 2] {
            next.p[i] = next.p[i].max(LEAST_BLUR);
        }
        let limit = 0.9 * ((next.p[BLUR] - 0.5 * LEAST_BLUR) * (next.p[BLUR + 2] - 0.5 * LEAST_BLUR)).sqrt();
        next.p[BLUR + 1] = next.p[BLUR + 1].clamp(-limit, limit);
        next
    }

    fn blur(&self) -> Matrix2<f64> {
        Matrix2::new(self.p[BLUR], self.p[BLUR + 1], self.p[BLUR + 1], self.p[BLUR + 2])
    }
}

struct Problem<'a> {
    blocks: Vec<Block>,
    tone: &'a Tone,
    place_per_pixel: Matrix2<f64>,
}

impl Problem<'_> {
    /// Normal equations from all pixels.
    fn normal(&self, state: &State, noise: &Noise) -> Option<Normal> {
        let view = View::new(&state.p, &state.map(), &self.place_per_pixel, self.tone)?;
        let mut sums = Sums::new();
        let mut prediction = Prediction::EMPTY;
        for block in &self.blocks {
            predict(block, &view, &mut prediction);
            sums.add(block, &prediction, noise);
        }
        let mut normal = sums.normal();
        for (index, off, weight) in state.beforehand() {
            normal.matrix[(index, index)] += weight;
            normal.right[index] += off * weight;
            normal.cost += off * off * weight;
        }
        normal.cost.is_finite().then_some(normal)
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
    let low = corners.iter().fold(corners[0], |a, b| a.inf(b));
    let high = corners.iter().fold(corners[0], |a, b| a.sup(b));
    let room = Vector2::new(3.0, 3.0) + (high - low) * 0.08;
    let flatten = Flatten::new(lens, low - room, high + room);
    let flat_corners = corners.map(|c| flatten.apply(c));
    let centre = flat_corners.iter().sum::<Vector2<f64>>() / 4.0;
    let size = (high - low).norm() / 3.0;
    let map = Homography::from_corners(&flat_corners.map(|c| (c - centre) / size))?;
    let placed = Placed { image, pattern, flatten: &flatten, centre, size };
    let mut p = [0.0; N];
    for (k, value) in p.iter_mut().enumerate().take(8) {
        // From cells to half sides.
        *value = map.0[(k / 3, k % 3)] * if k % 3 < 2 { 4.0 } else { 1.0 };
    }
    let mut state = State { p };
    let (black, white) = placed.levels(&state.map())?;
    let light = |code: f64| f64::from(tone.light[code.round().clamp(0.0, 255.0) as usize]);
    state.p[BLACK] = light(black);
    state.p[STEP] = light(white) - light(black);
    (state.p[BLUR], state.p[BLUR + 2]) = (0.6, 0.6);
    let seen_centre = corners.iter().sum::<Vector2<f64>>() / 4.0;
    let place_per_pixel = {
        let h = 0.5;
        let d = |step: Vector2<f64>| flatten.apply(seen_centre + step) - flatten.apply(seen_centre - step);
        Matrix2::from_columns(&[d(Vector2::new(h, 0.0)), d(Vector2::new(0.0, h))]) / size
    };
    let mut problem = Problem { blocks: Vec::new(), tone, place_per_pixel };
    let first = (0.1 * (white - black)).powi(2).max(1.0);
    let mut noise = Noise { dark_code: black, bright_code: white, dark: first, bright: first };
    // Room for the blur on the outside, but not where another tag or the background may begin.
    let reach = |blur: f64| 4.0 + ((2.5 * blur).max(2.5) / cell_px).min(0.7);

    // First with few pixels until the corners rest, then with all that are worth their time.
    for round in 0..3 {
        let blur = state.blur();
        let wide = if round == 0 { 1.0 } else { 0.2 };
        let choice =
            Choice { near: (1.6, wide), far: (2.6, wide), most: FEW_PIXELS, reach: reach((blur.trace() / 2.0).sqrt()) };
        let view = View::new(&state.p, &state.map(), &place_per_pixel, tone)?;
        problem.blocks = placed.choose(&state.map(), &view, &blur, &choice);
        let (normal, moved) = minimise(&problem, &mut state, &noise, size, if round == 0 { 6 } else { 4 }, REST_PX)?;
        (noise, _) = normal.noise(&noise);
        if round > 0 && moved < 0.3 {
            break;
        }
        if moved < 1.0 && (state.blur().trace() / blur.trace() - 1.0).abs() < 0.4 {
            break;
        }
    }
    let blur = state.blur();
    let choice =
        Choice { near: (1.3, 0.0), far: (3.0, 0.0), most: MANY_PIXELS, reach: reach((blur.trace() / 2.0).sqrt()) };
    let view = View::new(&state.p, &state.map(), &place_per_pixel, tone)?;
    problem.blocks = placed.choose(&state.map(), &view, &blur, &choice);
    let n: usize = problem.blocks.iter().map(|b| b.n).sum();
    if n < 60 {
        return None;
    }
    // One step with the normal equations of all pixels; should it be a long one, few pixels were too few and more steps are taken. Then one more
    // with the same equations and the pulls at the new state, which also show the noise.
    let mut normal = problem.normal(&state, &noise)?;
    let mut inverse = normal.matrix.cholesky()?.inverse();
    let mut next = state.moved(&(inverse * normal.right));
    if way(&state.corners()?, &next.corners()?) * size > LONG_STEP_PX {
        (normal, _) = minimise(&problem, &mut state, &noise, size, 4, REST_PX)?;
        inverse = normal.matrix.cholesky()?.inverse();
        next = state.moved(&(inverse * normal.right));
    }
    let (_, all) = normal.noise(&noise);
    let rms = all.sqrt();
    let (_, per_unknown) = seen_corners(&next, &placed);
    let by_score = per_unknown * inverse;
    let cov = by_score * per_unknown.transpose();
    let standard = cov.cholesky()?.l().solve_lower_triangular(&by_score)?;
    let view = View::new(&next.p, &next.map(), &place_per_pixel, tone)?;
    let tied = tied_noise(&problem.blocks, &view, &noise, &standard)?;
    let cov = cov * tied.factor;
    let mut right = tied.right;
    for (index, off, weight) in next.beforehand() {
        right[index] += off * weight;
    }
    let state = next.moved(&(inverse * right));
    state.corners()?;
    let (seen, _) = seen_corners(&state, &placed);
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
        blur_px: (state.blur().trace() / 2.0).max(0.0).sqrt(),
        growth_px: state.p[GROWTH],
        rms,
        contrast,
        blur: state.blur(),
    })
}

/// The corners in pixels as seen, and 8 × N: d corner / d unknown.
fn seen_corners(state: &State, placed: &Placed<'_>) -> ([Vector2<f64>; 4], SMatrix<f64, 8, N>) {
    let map = state.map();
    let size = placed.size;
    let mut per_unknown = SMatrix::<f64, 8, N>::zeros();
    let mut seen = [Vector2::zeros(); 4];
    for (k, [u, v]) in CORNERS.into_iter().enumerate() {
        let (s, t) = (u / 4.0, v / 4.0);
        let q = map * nalgebra::Vector3::new(s, t, 1.0);
        let w = 1.0 / q.z;
        let local = q.xy() * w;
        let x_row = [s * w, t * w, w, 0.0, 0.0, 0.0, -local.x * s * w, -local.x * t * w];
        let y_row = [0.0, 0.0, 0.0, s * w, t * w, w, -local.y * s * w, -local.y * t * w];
        let (pixel, per_flat) = placed.flatten.undo(&(local * size + placed.centre));
        seen[k] = pixel;
        for i in 0..8 {
            per_unknown[(2 * k, i)] = size * (per_flat.m11 * x_row[i] + per_flat.m12 * y_row[i]);
            per_unknown[(2 * k + 1, i)] = size * (per_flat.m21 * x_row[i] + per_flat.m22 * y_row[i]);
        }
    }
    (seen, per_unknown)
}

/// How far four places are from four others at most.
fn way(a: &[Vector2<f64>; 4], b: &[Vector2<f64>; 4]) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max)
}

/// Levenberg-Marquardt from `state`, at most `most` steps, until no corner moves by more than `rest` px; leaves the best state there.
///
/// Returns the normal equations there and how far the corners are from where they began, px.
fn minimise(
    problem: &Problem<'_>,
    state: &mut State,
    noise: &Noise,
    size: f64,
    most: usize,
    rest: f64,
) -> Option<(Normal, f64)> {
    let mut damping = 1e-3;
    let began = state.corners()?;
    let mut corners = began;
    let mut normal = problem.normal(state, noise)?;
    for _ in 0..most {
        let mut damped = normal.matrix;
        for i in 0..N {
            damped[(i, i)] *= 1.0 + damping;
        }
        let step = damped.cholesky()?.solve(&normal.right);
        let next = state.moved(&step);
        let trial = next.corners().and_then(|c| Some((c, problem.normal(&next, noise)?)));
        match trial {
            Some((places, trial)) if trial.cost <= normal.cost => {
                let moved = way(&corners, &places) * size;
                *state = next;
                corners = places;
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
    let moved = way(&began, &corners) * size;
    Some((normal, moved))
}
