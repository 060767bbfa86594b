//! The tag as a blurred picture: the grey values that a view of the printed cells predicts, with all derivatives, for a block of pixels at once.
//!
//! Blur is a Gaussian. The print is a sum of steps at the lines of its grid; each step becomes a normal distribution function, and each
//! corner of a cell the bivariate one: a view from the side turns a round blur into one that is correlated between the tag's axes (up to 0.9
//! at 75 degrees), and so does motion. With S the white share, Φ and φ the normal distribution function and density, `z` the distance
//! from a line in standard deviations of the blur, over the lines i across u and j across v near the pixel:
//!
//! ```text
//! S = w + Σ Δ_i Φ(z_i) + Σ Δ_j Φ(z_j) + Σ turn_ij Φ₂(z_i, z_j; ρ_ij)
//! ∂S  = Σ φ(z_i) A_i e_i + the same over j       A_i = Δ_i + Σ turn_ij Φ(z_j given z_i): how much of an edge there is at the line
//! ∂²S = - Σ z_i φ(z_i) A_i e_i e_iᵀ - ... + Σ turn_ij φ₂ (e_i e_jᵀ + e_j e_iᵀ - ρ_ij (e_i e_iᵀ + e_j e_jᵀ))
//! dS/dC = ½ ∂²S     (C the blur's covariance: a Gaussian obeys the equation of heat)
//! ```
//!
//! Derivatives are taken in an image in which the blur is round and of unit size; e is a line's unit normal there, and ρ_ij = e_i · e_j.
//!
//! Loops run over a block's pixels, one thing at a time, in single precision and without branches: they compile to vector instructions.
//! Single precision keeps places within 1e-5 px and grey values within 1e-3.

use crate::tags::gauss::{Nodes, arcsin, density_of_two, nodes_for, normal};
use crate::tags::light::Tone;
use crate::tags::pattern::WINDOW_ROW;
use crate::tags::widest::widest;
use nalgebra::{Matrix2, Matrix3};

/// Pixels of a block.
pub(super) const BLOCK: usize = 32;

/// Unknowns: 8 of the plane map, 3 of black, 3 of the step to white, 3 of the blur, 1 of growth, 3 of the tone curve.
pub(super) const N: usize = 21;
/// First unknown of the plane of light of black.
pub(super) const BLACK: usize = 8;
/// First unknown of the plane of light of the step to white.
pub(super) const STEP: usize = 11;
/// First unknown of the blur's covariance: xx, xy, yy, px² as seen.
pub(super) const BLUR: usize = 14;
/// The unknown of growth, px as seen.
pub(super) const GROWTH: usize = 17;
/// First unknown of how the camera's tone curve differs from the stated one: see [`Bent`].
pub(super) const TONE: usize = 18;

/// Largest correlation of the blur between the tag's axes; beyond it a tag is seen at more than 80 degrees.
const MOST_CORRELATION: f32 = 0.98;

type Row<T> = [T; BLOCK];

/// Pixels that are predicted together; all have the same number of lines near them.
#[derive(Clone)]
pub(super) struct Block {
    /// Lines across either axis, 1 to 4; 0 where there is one but no corner of a cell.
    pub lines: usize,
    /// Pixels in use; the rest is filled up with nothing.
    pub n: usize,
    /// Undistorted place from the centre of the fit, in units of its size.
    pub x: Row<f32>,
    pub y: Row<f32>,
    /// Grey value.
    pub code: Row<f32>,
    /// Place of the first line across u and across v, cells.
    pub line_u: Row<f32>,
    pub line_v: Row<f32>,
    /// The cells: see [`crate::tags::pattern::Window`].
    pub white: Row<u32>,
    /// Pixel as seen, x and y.
    pub seen: [(u16, u16); BLOCK],
}

impl Block {
    pub fn empty(lines: usize) -> Self {
        Block {
            lines,
            n: 0,
            x: [0.0; BLOCK],
            y: [0.0; BLOCK],
            code: [0.0; BLOCK],
            line_u: [0.0; BLOCK],
            line_v: [0.0; BLOCK],
            white: [0; BLOCK],
            seen: [(0, 0); BLOCK],
        }
    }
}

/// What a prediction needs to know, the same for all pixels of a tag.
pub(super) struct View<'a> {
    /// Tag (cells) from place (units of size), so scaled that its third coordinate is 1 over the plane map's.
    tag_from_place: [f32; 9],
    /// 2 × 2: d place / d pixel as seen.
    place_per_pixel: [f32; 4],
    /// L with L Lᵀ = C, the blur's covariance in pixels as seen: l11, l21, l22.
    blur: [f32; 3],
    /// 2 × 2: place per unit where the blur is round, and its inverse transposed: takes ∂S (see above) to the derivative by place.
    place_per_blur: [f32; 4],
    by_place: [f32; 4],
    /// L⁻¹: 1/l11, -l21/(l11 l22), 1/l22.
    inverse_blur: [f32; 3],
    black: [f32; 3],
    step: [f32; 3],
    growth: f32,
    bent: Bent,
    /// Whether the curve's unknowns are looked for: their derivatives are left as they are otherwise, and the curve is the stated one.
    pub curve: bool,
    nodes: Nodes,
    tone: &'a Tone,
}

impl<'a> View<'a> {
    /// A view for the unknowns' present values. `map` is the plane map from tag coordinates in half sides (-1 to 1) to places; the last are about the
    /// grey values of black and white.
    ///
    /// Returns `None` where a matrix can't be inverted.
    pub fn new(
        p: &[f64; N],
        map: &Matrix3<f64>,
        place_per_pixel: &Matrix2<f64>,
        tone: &'a Tone,
        [black, white]: [f64; 2],
    ) -> Option<Self> {
        let inverse = map.try_inverse()?;
        let mut tag_from_place = [0.0; 9];
        for (k, value) in tag_from_place.iter_mut().enumerate() {
            *value = (inverse[(k / 3, k % 3)] * if k < 6 { 4.0 } else { 1.0 }) as f32;
        }
        let l = Matrix2::new(p[BLUR], p[BLUR + 1], p[BLUR + 1], p[BLUR + 2]).cholesky()?.l();
        let back = l.try_inverse()?;
        let by_place = (back * place_per_pixel.try_inverse()?).transpose();
        let f = |k: usize| p[k] as f32;
        let four = |m: &Matrix2<f64>| [m.m11, m.m12, m.m21, m.m22].map(|v| v as f32);
        let mut view = View {
            tag_from_place,
            place_per_pixel: four(place_per_pixel),
            blur: [l.m11, l.m21, l.m22].map(|v| v as f32),
            place_per_blur: four(&(place_per_pixel * l)),
            by_place: four(&by_place),
            inverse_blur: [back.m11, back.m21, back.m22].map(|v| v as f32),
            black: [f(BLACK), f(BLACK + 1), f(BLACK + 2)],
            step: [f(STEP), f(STEP + 1), f(STEP + 2)],
            growth: f(GROWTH),
            bent: Bent {
                dark: black as f32,
                contrast: ((white - black) as f32).max(1.0),
                by: [f(TONE), f(TONE + 1), f(TONE + 2)],
            },
            curve: true,
            nodes: &[],
            tone,
        };
        let correlation = |s: f64, t: f64| {
            let q = map * nalgebra::Vector3::new(s, t, 1.0);
            let local = view.local((q.x / q.z) as f32, (q.y / q.z) as f32);
            let (px, py) = view.round(local.pixel[0], local.pixel[1]);
            let (qx, qy) = view.round(local.pixel[2], local.pixel[3]);
            f64::from((px * qx + py * qy) / ((px * px + py * py) * (qx * qx + qy * qy)).sqrt()).abs()
        };
        let most = [(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)].map(|(s, t)| correlation(s, t));
        view.nodes = nodes_for(most.into_iter().fold(0.0, f64::max));
        tag_from_place.iter().chain(&view.by_place).all(|v| v.is_finite()).then_some(view)
    }

    /// A gradient per pixel as seen, carried to the image in which the blur is round and of unit size.
    #[inline(always)]
    fn round(&self, x: f32, y: f32) -> (f32, f32) {
        (self.blur[0] * x + self.blur[1] * y, self.blur[2] * y)
    }

    /// Where a place lies on the tag, and what the plane map is there.
    #[inline(always)]
    fn local(&self, x: f32, y: f32) -> Local {
        let g = &self.tag_from_place;
        let f = &self.place_per_pixel;
        let depth = g[6] * x + g[7] * y + g[8];
        let w = 1.0 / depth;
        let u = (g[0] * x + g[1] * y + g[2]) * w;
        let v = (g[3] * x + g[4] * y + g[5]) * w;
        let (ux, uy) = ((g[0] - u * g[6]) * w, (g[1] - u * g[7]) * w);
        let (vx, vy) = ((g[3] - v * g[6]) * w, (g[4] - v * g[7]) * w);
        let (fx, fy) = (g[6] * w, g[7] * w);
        Local {
            depth,
            u,
            v,
            pixel: [ux * f[0] + uy * f[2], ux * f[1] + uy * f[3], vx * f[0] + vy * f[2], vx * f[1] + vy * f[3]],
            fading: [fx * f[0] + fy * f[2], fx * f[1] + fy * f[3]],
        }
    }
}

/// How the camera's tone curve differs from the stated one between black and white.
///
/// With q the stated curve's grey value from 0 (black) to 1 (white), m = 2q - 1 and C the step from black to white, the camera's is higher by
/// `C q (1 - q) (t₁ + t₂ m + t₃ m²)`: black and white are where they are, between them the curve is bent up, to an S, and both ends apart from the middle.
struct Bent {
    dark: f32,
    contrast: f32,
    /// t₁, t₂, t₃.
    by: [f32; 3],
}

/// What the difference is at one grey value.
struct BentAt {
    /// By t₁, t₂, t₃.
    shapes: [f32; 3],
    more: f32,
    /// By what the curve's slope has to be multiplied.
    steeper: f32,
}

/// How far beyond black and white (noise, shade) the shapes go on, in steps from black to white. Common practice, no source: light that falls off over a tag
/// changes its ends by about as much.
const BEYOND: f32 = 0.1;

/// A bent curve's slope counts at least this much of the stated one's: every curve rises. Common practice, no source; small enough that no curve within the
/// limits that a camera has comes there.
const LEAST_SLOPE: f32 = 0.05;

impl Bent {
    #[inline(always)]
    fn at(&self, code: f32) -> BentAt {
        let q = (code - self.dark) / self.contrast;
        let q = if q > -BEYOND { q } else { -BEYOND };
        let q = if q < 1.0 + BEYOND { q } else { 1.0 + BEYOND };
        let (w, m) = (q * (1.0 - q), 2.0 * q - 1.0);
        let [a, b, c] = self.by;
        let high = self.contrast * w;
        let steeper = 1.0 - m * (a + (b + c * m) * m) + 2.0 * w * (b + 2.0 * c * m);
        BentAt {
            shapes: [high, high * m, high * m * m],
            more: high * (a + (b + c * m) * m),
            steeper: if steeper > LEAST_SLOPE { steeper } else { LEAST_SLOPE },
        }
    }
}

/// The surroundings of one pixel.
struct Local {
    depth: f32,
    u: f32,
    v: f32,
    pixel: [f32; 4],
    fading: [f32; 2],
}

/// What a block's pixels see around them.
pub(super) struct Around {
    /// 1 over the plane map's third coordinate.
    pub depth: Row<f32>,
    /// Tag coordinates, cells.
    pub u: Row<f32>,
    pub v: Row<f32>,
    /// d (u, v) / d pixel as seen: u by x, u by y, v by x, v by y.
    pixel: [Row<f32>; 4],
    /// How that changes with the distance from a line, per cell.
    fading: [Row<f32>; 2],
}

impl Around {
    #[inline(always)]
    pub fn new(x: &Row<f32>, y: &Row<f32>, view: &View<'_>) -> Self {
        let zero = [0.0f32; BLOCK];
        let mut at = Around { depth: zero, u: zero, v: zero, pixel: [zero; 4], fading: [zero; 2] };
        for k in 0..BLOCK {
            let local = view.local(x[k], y[k]);
            (at.depth[k], at.u[k], at.v[k]) = (local.depth, local.u, local.v);
            (at.pixel[0][k], at.pixel[1][k]) = (local.pixel[0], local.pixel[1]);
            (at.pixel[2][k], at.pixel[3][k]) = (local.pixel[2], local.pixel[3]);
            (at.fading[0][k], at.fading[1][k]) = (local.fading[0], local.fading[1]);
        }
        at
    }

    /// The blur's standard deviation across u and across v, cells.
    #[inline(always)]
    pub fn blurs(&self, view: &View<'_>) -> [Row<f32>; 2] {
        let mut blurs = [[0.0f32; BLOCK]; 2];
        for (axis, blur) in blurs.iter_mut().enumerate() {
            for ((blur, x), y) in blur.iter_mut().zip(&self.pixel[2 * axis]).zip(&self.pixel[2 * axis + 1]) {
                let (x, y) = view.round(*x, *y);
                *blur = (x * x + y * y).sqrt();
            }
        }
        blurs
    }
}

/// Predicted grey values of a block and their derivatives by the unknowns.
#[derive(Clone)]
pub(super) struct Prediction {
    pub code: Row<f32>,
    pub gradient: [Row<f32>; N],
}

impl Prediction {
    pub const EMPTY: Prediction = Prediction { code: [0.0; BLOCK], gradient: [[0.0; BLOCK]; N] };
}

/// Predicts a block.
pub(super) fn predict(block: &Block, view: &View<'_>, out: &mut Prediction) {
    widest(
        #[inline(always)]
        || match (block.lines, view.nodes.is_empty()) {
            (0, _) => with_lines::<1, NONE>(block, view, out),
            (1, true) => with_lines::<1, SERIES>(block, view, out),
            (2, true) => with_lines::<2, SERIES>(block, view, out),
            (3, true) => with_lines::<3, SERIES>(block, view, out),
            (_, true) => with_lines::<4, SERIES>(block, view, out),
            (1, false) => with_lines::<1, QUADRATURE>(block, view, out),
            (2, false) => with_lines::<2, QUADRATURE>(block, view, out),
            (3, false) => with_lines::<3, QUADRATURE>(block, view, out),
            (_, false) => with_lines::<4, QUADRATURE>(block, view, out),
        },
    )
}

/// How the corners of cells are worked out: there are none; by the tetrachoric series (Pearson 1900), which is quick and good for small
/// correlations; by quadrature over the correlation.
const NONE: u8 = 0;
const SERIES: u8 = 1;
const QUADRATURE: u8 = 2;

/// The lines across one axis.
struct Lines<const K: usize> {
    z: [Row<f32>; K],
    /// Distribution function, with what the pixel's shape adds.
    below: [Row<f32>; K],
    density: [Row<f32>; K],
    /// Unit normal where the blur is round.
    normal: [[Row<f32>; 2]; K],
    /// How many standard deviations of the blur a pixel is across the line.
    per_pixel: [Row<f32>; K],
}

/// Least variance of the blur along a line's normal, square cells.
const LEAST_VARIANCE: f32 = 1e-6;

/// A pixel averages light over a square. Its second moment counts as blur; the fourth cumulant of a side of one pixel, -1/120, over -4!, is what
/// the first term of Edgeworth's series adds to the distribution function: `F = Φ - κ/4! He₃ φ`.
const BOX_FLATNESS: f32 = 1.0 / 2880.0;

impl<const K: usize> Lines<K> {
    /// Lines across u (`axis` 0) or v (1).
    ///
    /// A line of the grid is straight in the image and its blur constant along it: the distance counts in standard deviations along the line's own
    /// normal, which in a view from the side is not quite the gradient of the coordinate at the pixel.
    #[inline(always)]
    fn new(at: &Around, axis: usize, first: &Row<f32>, view: &View<'_>) -> Self {
        let zero = [[0.0; BLOCK]; K];
        let mut lines = Lines { z: zero, below: zero, density: zero, normal: [[[0.0; BLOCK]; 2]; K], per_pixel: zero };
        let coordinate = if axis == 0 { &at.u } else { &at.v };
        let (along_x, along_y) = (&at.pixel[2 * axis], &at.pixel[2 * axis + 1]);
        for i in 0..K {
            for k in 0..BLOCK {
                let off = coordinate[k] - first[k] - i as f32;
                let x = along_x[k] + off * at.fading[0][k];
                let y = along_y[k] + off * at.fading[1][k];
                let (p, q) = view.round(x, y);
                let variance = p * p + q * q;
                let inverse2 = 1.0 / if variance > LEAST_VARIANCE { variance } else { LEAST_VARIANCE };
                let inverse = inverse2.sqrt();
                let z = off * inverse;
                let (below, density) = normal(z);
                let (x2, y2) = (x * x * inverse2, y * y * inverse2);
                lines.z[i][k] = z;
                lines.below[i][k] = below + BOX_FLATNESS * (x2 * x2 + y2 * y2) * (z * z - 3.0) * z * density;
                lines.density[i][k] = density;
                lines.normal[i][0][k] = p * inverse;
                lines.normal[i][1][k] = q * inverse;
                lines.per_pixel[i][k] = (x2 + y2).sqrt();
            }
        }
        lines
    }
}

/// Whether a cell of a window is white, 0 or 1.
#[inline(always)]
fn cell(white: u32, row: usize, column: usize) -> f32 {
    ((white >> (WINDOW_ROW * row + column)) & 1) as i32 as f32
}

/// White share and its derivatives where the blur is round.
struct Share {
    value: Row<f32>,
    /// By the plane map's unknowns, but for the sign and the map's third coordinate.
    map: [Row<f32>; 8],
    /// Twice: xx, xy, yy.
    bend: [Row<f32>; 3],
    /// By growth, per pixel.
    growth: Row<f32>,
}

#[inline(always)]
fn share<const K: usize, const CORNERS: u8>(block: &Block, at: &Around, view: &View<'_>) -> Share {
    let zero = [0.0f32; BLOCK];
    let across = Lines::<K>::new(at, 0, &block.line_u, view);
    let up = Lines::<K>::new(at, 1, &block.line_v, view);
    let mut share = Share { value: zero, map: [zero; 8], bend: [zero; 3], growth: zero };
    // How much of an edge there is at each line, and the same without regard to its sign.
    let (mut edge_u, mut edge_v) = ([zero; K], [zero; K]);
    let (mut length_u, mut length_v) = ([zero; K], [zero; K]);
    for k in 0..BLOCK {
        share.value[k] = cell(block.white[k], 0, 0);
    }
    for i in 0..K {
        for k in 0..BLOCK {
            let w = block.white[k];
            let du = cell(w, 0, i + 1) - cell(w, 0, i);
            let dv = cell(w, i + 1, 0) - cell(w, i, 0);
            share.value[k] += du * across.below[i][k] + dv * up.below[i][k];
            (edge_u[i][k], edge_v[i][k]) = (du, dv);
            (length_u[i][k], length_v[i][k]) = (du.abs(), dv.abs());
        }
    }
    for i in 0..if CORNERS == NONE { 0 } else { K } {
        for j in 0..K {
            let (mut more, mut turn, mut angle) = (zero, zero, zero);
            for k in 0..BLOCK {
                let w = block.white[k];
                let lower = cell(w, j, i + 1) - cell(w, j, i);
                let upper = cell(w, j + 1, i + 1) - cell(w, j + 1, i);
                turn[k] = upper - lower;
                let left = cell(w, j + 1, i) - cell(w, j, i);
                let right = cell(w, j + 1, i + 1) - cell(w, j, i + 1);
                let (za, zb) = (across.z[i][k], up.z[j][k]);
                let (ax, ay) = (across.normal[i][0][k], across.normal[i][1][k]);
                let (bx, by) = (up.normal[j][0][k], up.normal[j][1][k]);
                let r = ax * bx + ay * by;
                let r = if r < MOST_CORRELATION { r } else { MOST_CORRELATION };
                let r = if r > -MOST_CORRELATION { r } else { -MOST_CORRELATION };
                // Each variable's distribution where the other one is known, and the density of both.
                let (below_v, below_u, joint);
                if CORNERS == SERIES {
                    let (a2, b2) = (za * za - 1.0, zb * zb - 1.0);
                    let (a3, b3) = ((za * za - 3.0) * za, (zb * zb - 3.0) * zb);
                    let (r2, r3) = (r * r / 2.0, r * r * r / 6.0);
                    below_v = up.below[j][k] - up.density[j][k] * (r * za + r2 * a2 * zb + r3 * a3 * b2);
                    below_u = across.below[i][k] - across.density[i][k] * (r * zb + r2 * b2 * za + r3 * b3 * a2);
                    let both = across.density[i][k] * up.density[j][k];
                    more[k] = both * (r + r2 * za * zb + r3 * a2 * b2 + r3 * r / 4.0 * a3 * b3);
                    joint = turn[k] * both * (1.0 + r * za * zb + r2 * a2 * b2 + r3 * a3 * b3);
                } else {
                    let rest = 1.0 / (1.0 - r * r).sqrt();
                    let density_v;
                    (below_v, density_v) = normal((zb - r * za) * rest);
                    (below_u, _) = normal((za - r * zb) * rest);
                    joint = turn[k] * across.density[i][k] * density_v * rest;
                    angle[k] = arcsin(r);
                }
                edge_u[i][k] += turn[k] * below_v;
                edge_v[j][k] += turn[k] * below_u;
                length_u[i][k] += (upper.abs() - lower.abs()) * below_v;
                length_v[j][k] += (right.abs() - left.abs()) * below_u;
                share.bend[0][k] += joint * (2.0 * ax * bx - r * (ax * ax + bx * bx));
                share.bend[1][k] += joint * (ax * by + ay * bx - r * (ax * ay + bx * by));
                share.bend[2][k] += joint * (2.0 * ay * by - r * (ay * ay + by * by));
            }
            if CORNERS == QUADRATURE {
                for (place, weight) in view.nodes {
                    for k in 0..BLOCK {
                        let (a, b) = (across.z[i][k], up.z[j][k]);
                        more[k] += weight * angle[k] * density_of_two(a, b, place * angle[k]);
                    }
                }
            }
            for k in 0..BLOCK {
                share.value[k] += turn[k] * (across.below[i][k] * up.below[j][k] + more[k]);
            }
        }
    }
    for axis in 0..2 {
        let (lines, edge, length, first) = if axis == 0 {
            (&across, &edge_u, &length_u, &block.line_u)
        } else {
            (&up, &edge_v, &length_v, &block.line_v)
        };
        let other = if axis == 0 { &at.v } else { &at.u };
        let (other_x, other_y) = (&at.pixel[2 - 2 * axis], &at.pixel[3 - 2 * axis]);
        let (m, b) = (&view.place_per_blur, &view.by_place);
        for i in 0..K {
            for k in 0..BLOCK {
                let (x, y, z) = (lines.normal[i][0][k], lines.normal[i][1][k], lines.z[i][k]);
                let (edge, length, density) = (edge[i][k], length[i][k], lines.density[i][k]);
                // Black outgrows white: the line moves by γ, towards white. Taylor's series in γ of the distribution function there, whose
                // derivatives are Hermite's polynomials; edges of either sign move to either side.
                let per_pixel = lines.per_pixel[i][k];
                let g = view.growth * per_pixel;
                let (g2, h2) = (0.5 * g * g, z * z - 1.0);
                let (g3, h3) = (g2 * g / 3.0, (h2 - 2.0) * z);
                let (g4, h4) = (g3 * g / 4.0, h3 * z - 3.0 * h2);
                let even = 1.0 + g2 * h2 + g4 * h4;
                let odd = g * z + g3 * h3;
                share.value[k] -= density * (length * (g + g3 * h2 + g4 * g / 5.0 * h4) + edge * (g2 * z + g4 * h3));
                share.growth[k] -= density * per_pixel * (length * even + edge * odd);
                let steep = density * (edge * even + length * odd);
                let bend = density * (edge * (z + g2 * h3) + length * (g * h2 + g3 * h4));
                share.bend[0][k] -= bend * x * x;
                share.bend[1][k] -= bend * x * y;
                share.bend[2][k] -= bend * y * y;
                // What the plane map does to a line counts at the line's point nearest to the pixel: its tag point and its place.
                let (to_x, to_y) = view.round(other_x[k], other_y[k]);
                let own = 0.25 * (first[k] + i as f32);
                let along = 0.25 * (other[k] - z * (to_x * x + to_y * y));
                let (s, t) = if axis == 0 { (own, along) } else { (along, own) };
                let place_x = block.x[k] - z * (m[0] * x + m[1] * y);
                let place_y = block.y[k] - z * (m[2] * x + m[3] * y);
                let (gx, gy) = (steep * (b[0] * x + b[1] * y), steep * (b[2] * x + b[3] * y));
                let out = gx * place_x + gy * place_y;
                share.map[0][k] += gx * s;
                share.map[1][k] += gx * t;
                share.map[2][k] += gx;
                share.map[3][k] += gy * s;
                share.map[4][k] += gy * t;
                share.map[5][k] += gy;
                share.map[6][k] -= out * s;
                share.map[7][k] -= out * t;
            }
        }
    }
    share
}

#[inline(always)]
fn with_lines<const K: usize, const CORNERS: u8>(block: &Block, view: &View<'_>, out: &mut Prediction) {
    let zero = [0.0f32; BLOCK];
    let at = Around::new(&block.x, &block.y, view);
    let share = share::<K, CORNERS>(block, &at, view);
    let (mut white, mut step, mut root, mut slope) = (zero, zero, zero, zero);
    for k in 0..BLOCK {
        let (x, y) = (block.x[k], block.y[k]);
        white[k] = share.value[k];
        let [b, bx, by] = view.black;
        let [s, sx, sy] = view.step;
        step[k] = s + sx * x + sy * y;
        root[k] = Tone::root(b + bx * x + by * y + step[k] * white[k]);
    }
    for k in 0..BLOCK {
        (out.code[k], slope[k]) = view.tone.code_of_root(root[k]);
    }
    let g = &mut out.gradient;
    if view.curve {
        for k in 0..BLOCK {
            let bent = view.bent.at(out.code[k]);
            for (row, shape) in g[TONE..].iter_mut().zip(bent.shapes) {
                row[k] = shape;
            }
            out.code[k] += bent.more;
            slope[k] *= bent.steeper;
        }
    }
    for (row, map) in g.iter_mut().zip(&share.map) {
        for k in 0..BLOCK {
            // Moving the picture takes away its gradient.
            row[k] = -slope[k] * step[k] * at.depth[k] * map[k];
        }
    }
    for k in 0..BLOCK {
        g[GROWTH][k] = slope[k] * step[k] * share.growth[k];
    }
    for k in 0..BLOCK {
        let (x, y) = (block.x[k], block.y[k]);
        (g[BLACK][k], g[BLACK + 1][k], g[BLACK + 2][k]) = (slope[k], slope[k] * x, slope[k] * y);
        let bright = slope[k] * white[k];
        (g[STEP][k], g[STEP + 1][k], g[STEP + 2][k]) = (bright, bright * x, bright * y);
    }
    // ∂²S by pixel as seen = L⁻ᵀ (∂²S where the blur is round) L⁻¹
    let [a, b, c] = view.inverse_blur;
    for k in 0..BLOCK {
        let scale = 0.5 * slope[k] * step[k];
        let (xx, xy, yy) = (share.bend[0][k], share.bend[1][k], share.bend[2][k]);
        g[BLUR][k] = scale * (a * a * xx + 2.0 * a * b * xy + b * b * yy);
        g[BLUR + 1][k] = 2.0 * scale * (a * c * xy + b * c * yy);
        g[BLUR + 2][k] = scale * c * c * yy;
    }
}

#[cfg(test)]
mod tests;
