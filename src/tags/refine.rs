//! Sixth stage: the corners, by fitting the tag's whole blurred picture in light.
//!
//! Unknown are the plane map (8), a plane of light for black and one for the step to white (6), the blur as a 2 × 2 matrix (3: motion blurs
//! more along than across), by how much black outgrows white at every edge (1), and by how much the camera's tone curve differs from the stated
//! one (3). The picture predicted from these is coded with the tone curve and compared with the grey values near edges, weighted by the noise that
//! the fit's own remainders show in the dark and in the bright. All edges take part: border and inner edges move alike with the corners, but oppositely with the growth of black, and so
//! whatever is left of a wrong tone curve, of ink spread or of blooming does not move the corners. Where the blur rounds the corners of cells, growth
//! alone does not stand for a wrong curve: the curve's own three unknowns do. They join at the end, where the remainders call for them and a corner would
//! move; whether it is a tag at all is judged without them, and by the white beside the border.
//!
//! Weighted least squares with all pixels near edges is the maximum-likelihood estimate for such noise, hence close to the Cramér-Rao bound.

use crate::raster::Gray;
use crate::tags::flatten::Flatten;
use crate::tags::homography::Homography;
use crate::tags::light::Tone;
use crate::tags::normal::Noise;
use crate::tags::pattern::Pattern;
use crate::tags::pixels::{Choice, Placed};
use crate::tags::predict::{BLACK, BLUR, GROWTH, N, Prediction, STEP, TONE, View, predict};
use crate::tags::quads::Quad;
use crate::tags::solve::{CURVE, Curve, Problem, inverse, minimise};
use crate::tags::state::{LEAST_BLUR, MOST_BENT, State, seen_corners, way};
use crate::tags::tied::tied_noise;
use crate::tags::unexplained::Unexplained;
use nalgebra::{Matrix2, SMatrix, SVector, Vector2};

/// Pixels near edges used until the corners rest, and for the answer.
const FEW_PIXELS: usize = 180;
const MANY_PIXELS: usize = 1800;

/// By how much the three unknowns of the tone curve have to lower the cost before they are believed, in units of what noise does. Noise alone gives 3 on
/// average, and more than 16.27 in one tag of a thousand (chi-square with three degrees of freedom: any table of its quantiles). That one in a thousand is the
/// level is common practice, no source.
const LEAST_GAIN: f64 = 16.3;

/// A factor of [`tied_noise`] that few tags reach.
const HARDLY_A_DOUBT: f64 = 4.0;

/// By how much they have to move a corner to be worth their time, px. Common practice, no source: a tenth of what a corner's place is good to in an ordinary
/// photograph, so that the linear step is as good as a whole new fit.
const LEAST_MOVE_PX: f64 = 0.01;

/// What noise alone lowers the cost by on average with the three unknowns of the tone curve.
const GAIN_OF_NOISE: f64 = CURVE as f64;

/// White cells beside the border may be this much darker than predicted (median, in steps from black to white). Common practice, no source: the
/// worst of 540 true tags in open photographs and rendered pictures is -0.10, the best of the borders of two cells that would be taken for a tag
/// otherwise (12 of 9000 drawn boards) is -0.18.
const LEAST_BESIDE: f64 = -0.14;

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

impl Fit {
    /// Moves the corners a part of the way to where another curve would have them: `shift` (px), where `more` (px²) comes to their covariance.
    ///
    /// Both answers are possible, and the part is how far the second is believed. The covariance is that of the mixture of the two: the mean of
    /// theirs, and the scatter of their places about the mean.
    fn lean(&mut self, part: f64, shift: &SVector<f64, 8>, more: &SMatrix<f64, 8, 8>) {
        for (k, corner) in self.corners.iter_mut().enumerate() {
            *corner += shift.fixed_rows::<2>(2 * k) * part;
        }
        self.cov += more * part + shift * shift.transpose() * (part * (1.0 - part));
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
    let mut problem = Problem { blocks: Vec::new(), tone, place_per_pixel, levels: [black, white], unknowns: TONE };
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
        let view = View::new(&state.p, &state.map(), &place_per_pixel, tone, [black, white])?;
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
    let view = View::new(&state.p, &state.map(), &place_per_pixel, tone, [black, white])?;
    problem.blocks = placed.choose(&state.map(), &view, &blur, &choice);
    let n: usize = problem.blocks.iter().map(|b| b.n).sum();
    if n < 60 {
        return None;
    }
    finish(&mut problem, state, &noise, &placed, corners, cell_px)
}

/// The answer from all pixels, from a state whose corners are at rest for few; `corners` is where the fit began.
fn finish(
    problem: &mut Problem<'_>,
    mut state: State,
    noise: &Noise,
    placed: &Placed<'_>,
    corners: &Quad,
    cell_px: f64,
) -> Option<Fit> {
    // One step with the normal equations of all pixels; should it be a long one, few pixels were too few and more steps are taken. Then one more
    // with the same equations and the pulls at the new state, which also show the noise.
    problem.unknowns = N;
    let mut normal = problem.normal(&state, noise)?;
    let mut by = inverse(&normal, TONE)?;
    let mut next = state.moved(&(by * normal.right));
    if way(&state.corners()?, &next.corners()?) * placed.size > LONG_STEP_PX {
        problem.unknowns = TONE;
        minimise(problem, &mut state, noise, placed.size, 4, REST_PX)?;
        problem.unknowns = N;
        normal = problem.normal(&state, noise)?;
        by = inverse(&normal, TONE)?;
        next = state.moved(&(by * normal.right));
    }
    // Judged by the stated curve: with more unknowns a picture that is no tag comes nearer to one.
    let (shown, square) = normal.noise(noise);
    let rms = square.sqrt();
    if !white_beside_border(problem, &next, placed, shown.bright.sqrt())? {
        return None;
    }
    let curve = Curve::new(&normal, &by)?;
    let gain = curve.pull.dot(&(curve.inverse * curve.pull));
    let (_, per_unknown) = seen_corners(&state, placed);
    let per_curve = per_unknown * curve.unknowns;
    let shift = per_curve * (curve.inverse * curve.pull);
    let called_for = |factor: f64| gain > LEAST_GAIN * factor && shift.amax() > LEAST_MOVE_PX;
    let (plain_corners, _) = seen_corners(&next, placed);
    let bent = || {
        // The linear step, if it is as good as it promised and the next one is short; else step by step from the plain answer.
        let whole = by + curve.unknowns * curve.inverse * curve.unknowns.transpose();
        let linear = state.moved(&(whole * normal.right));
        let mut settled = settle(problem, &linear, &whole, N, noise, placed)?;
        let short = way(&linear.corners()?, &settled.state.corners()?) * placed.size < REST_PX / 2.0;
        if !short || settled.cost > normal.cost - 0.5 * gain {
            let mut state = next.clone();
            let (normal, _) = minimise(problem, &mut state, noise, placed.size, 6, REST_PX / 4.0)?;
            let whole = inverse(&normal, N)?;
            settled = settle(problem, &state.moved(&(whole * normal.right)), &whole, N, noise, placed)?;
        }
        let most = settled.state.p[TONE..].iter().fold(0.0, |most: f64, v| most.max(v.abs()));
        let mut fit = answer(&settled, problem, placed, corners, cell_px, rms)?;
        // A curve at its limit is not known: the corners may be off by as much as it has moved them.
        let moved = SVector::<f64, 8>::from_fn(|k, _| fit.corners[k / 2][k % 2] - plain_corners[k / 2][k % 2]);
        let unsure = moved * (most / MOST_BENT).powi(4);
        fit.cov += unsure * unsure.transpose();
        Some((fit, settled.factor))
    };
    // Where so much is to be gained that there is hardly a doubt, the plain answer is not worked out first.
    let tried = called_for(HARDLY_A_DOUBT);
    if tried
        && let Some((fit, factor)) = bent()
        && called_for(factor)
    {
        return Some(fit);
    }
    let plain = settle(problem, &next, &by, TONE, noise, placed)?;
    let mut fit = answer(&plain, problem, placed, corners, cell_px, rms)?;
    if !called_for(plain.factor) {
        let more = per_curve * curve.inverse * per_curve.transpose() * plain.factor;
        fit.lean((1.0 - GAIN_OF_NOISE * plain.factor / gain.max(1e-9)).max(0.0), &shift, &more);
        return Some(fit);
    }
    if !tried && let Some((fit, _)) = bent() {
        return Some(fit);
    }
    // Without a new fit the plain one may be off by what was to be gained.
    fit.cov += shift * shift.transpose();
    Some(fit)
}

/// Whether the white cells beside the border are as bright as predicted, as they are not where the border is wider than a cell: the median of what they are darker by is to
/// be as little as [`LEAST_BESIDE`] says, or what noise makes of that.
///
/// Noise is what the fit's remainders show in the bright, `noise` grey values, or less: what neighbours in the same cell differ by. Where a picture is no tag remainders are large, but
/// neighbours err alike. Three standard deviations of the median by noise, and [`LEAST_BESIDE`], which is what pictures without noise come to, are independent of each
/// other: their squares add up.
fn white_beside_border(problem: &Problem<'_>, state: &State, placed: &Placed<'_>, noise: f64) -> Option<bool> {
    let pixels = placed.beside_border(&state.map());
    let step = problem.levels[1] - problem.levels[0];
    // No prediction is brighter than the white of the brightest corner: where the cells are about as bright as that there is nothing to work out.
    let p = &state.p;
    let light =
        |x: f64, y: f64| p[BLACK] + p[STEP] + (p[BLACK + 1] + p[STEP + 1]) * x + (p[BLACK + 2] + p[STEP + 2]) * y;
    let white = state.corners()?.iter().map(|at| problem.tone.code(light(at.x, at.y)).0).fold(0.0, f64::max);
    let mut seen: Vec<u8> = pixels.iter().map(|(x, y)| placed.image.at(usize::from(*x), usize::from(*y))).collect();
    seen.sort_unstable();
    if seen.get(seen.len() / 2).is_some_and(|middle| f64::from(*middle) - white > 0.5 * LEAST_BESIDE * step) {
        return Some(true);
    }
    let view = View::new(&state.p, &state.map(), &problem.place_per_pixel, problem.tone, problem.levels)?;
    let mut prediction = Prediction::EMPTY;
    let mut off = vec![None; pixels.len()];
    for block in placed.blocks(&pixels, &view, 4.0) {
        predict(&block, &view, &mut prediction);
        for (k, pixel) in block.seen[..block.n].iter().enumerate() {
            if let Some(place) = pixels.iter().position(|p| p == pixel) {
                off[place] = Some(f64::from(block.code[k] - prediction.code[k]));
            }
        }
    }
    let pairs: Vec<[f64; 2]> = off.as_chunks::<2>().0.iter().filter_map(|[a, b]| Some([(*a)?, (*b)?])).collect();
    let mut all: Vec<f64> = off.into_iter().flatten().collect();
    all.sort_by(f64::total_cmp);
    let middle = all.get(all.len() / 2).copied().unwrap_or(0.0);
    // Of a normal distribution: the median of n scatters by √(π/2n) of one, and the difference of two by √2.
    let neighbours = pairs.iter().map(|[a, b]| (a - b).powi(2)).sum::<f64>() / (2 * pairs.len().max(1)) as f64;
    let sigma = if pairs.len() < LEAST_PAIRS { noise } else { noise.min(neighbours.sqrt()) };
    let scatter = sigma * (std::f64::consts::FRAC_PI_2 / all.len().max(1) as f64).sqrt();
    Some(middle > -(LEAST_BESIDE * step).hypot(3.0 * scatter))
}

/// So many pairs of neighbours tell the noise to a quarter of itself. Common practice, no source.
const LEAST_PAIRS: usize = 6;

/// Where the last step ends.
struct Settled {
    state: State,
    /// Covariance of the corners, px².
    cov: SMatrix<f64, 8, 8>,
    /// That of [`tied_noise`].
    factor: f64,
    /// The cost where the last step began.
    cost: f64,
}

/// The last step, with the first `unknowns`.
fn settle(
    problem: &Problem<'_>,
    next: &State,
    inverse: &SMatrix<f64, N, N>,
    unknowns: usize,
    noise: &Noise,
    placed: &Placed<'_>,
) -> Option<Settled> {
    let (_, per_unknown) = seen_corners(next, placed);
    let by_score = per_unknown * inverse;
    let cov = by_score * per_unknown.transpose();
    let standard = cov.cholesky()?.l().solve_lower_triangular(&by_score)?;
    let mut view = View::new(&next.p, &next.map(), &problem.place_per_pixel, problem.tone, problem.levels)?;
    view.curve = unknowns == N;
    let tied = tied_noise(&problem.blocks, &view, noise, &standard, unknowns)?;
    let cov = cov * tied.factor;
    let (mut right, mut cost) = (tied.right, tied.cost);
    for (index, off, weight) in next.beforehand() {
        right[index] += off * weight;
        cost += off * off * weight;
    }
    let state = next.moved(&(inverse * right));
    Some(Settled { state, cov, factor: tied.factor, cost })
}

/// What is handed out, if it is sound.
fn answer(
    Settled { state, cov, .. }: &Settled,
    problem: &Problem<'_>,
    placed: &Placed<'_>,
    corners: &Quad,
    cell_px: f64,
    rms: f64,
) -> Option<Fit> {
    state.corners()?;
    let (seen, _) = seen_corners(state, placed);
    let moved = seen.iter().zip(corners).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max);
    let (code_black, _) = problem.tone.code(state.p[BLACK]);
    let (code_white, _) = problem.tone.code(state.p[BLACK] + state.p[STEP]);
    let contrast = code_white - code_black;
    let sound = seen.iter().all(|c| c.iter().all(|v| v.is_finite()))
        && moved < (1.2 * cell_px).max(2.5)
        && contrast > 0.0
        && rms < 0.3 * contrast
        && state.p[GROWTH].abs() < 1.0
        && cov.diagonal().iter().all(|v| v.is_finite() && *v > 0.0);
    let mean_blur = (state.p[BLUR] + state.p[BLUR + 2]) / 2.0;
    let open = Unexplained::new(&seen, state.p[GROWTH], state.most_growth(), mean_blur / LEAST_BLUR);
    sound.then(|| Fit {
        corners: seen,
        cov: cov + open.cov(),
        blur_px: (state.blur().trace() / 2.0).max(0.0).sqrt(),
        growth_px: state.p[GROWTH],
        rms,
        contrast,
        blur: state.blur(),
    })
}
