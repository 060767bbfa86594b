//! The tag as a blurred picture: what share of white a blurred view of the printed cells shows at a point, with all derivatives.
//!
//! Blur is a Gaussian. The print is a sum of steps; each step between a white and a black cell becomes a normal distribution function, and
//! each corner of a cell a product of two. A view from the side turns a round blur into one that is correlated between the tag's axes (up
//! to 0.9 at 75 degrees), which changes the corners of the cells but not their edges: the corners then follow the bivariate normal
//! distribution function, by its tetrachoric series (Pearson 1900). Beyond the black square everything is taken as white.

use crate::tags::family::Cells;

/// The printed cells as bits, with a white ring round them.
#[derive(Clone, Debug)]
pub struct Pattern {
    /// Row 0 is below the tag, row 9 above; bit 0 is left of the tag, bit 9 right. A set bit is white.
    rows: [u16; 10],
}

/// White share at a point and its derivatives.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Shade {
    /// White share, 0 (black) to 1.
    pub value: f64,
    /// Per cell to the right.
    pub d_u: f64,
    /// Per cell upwards.
    pub d_v: f64,
    /// Per cell by which black outgrows white at edges across u.
    pub d_grow_u: f64,
    /// Per cell by which black outgrows white at edges across v.
    pub d_grow_v: f64,
    /// Per cell of blur along u.
    pub d_blur_u: f64,
    /// Per cell of blur along v.
    pub d_blur_v: f64,
    /// Per unit of the blur's correlation between u and v.
    pub d_correlation: f64,
}

/// Most terms of the series for correlated blur.
const MOST_TERMS: usize = 16;

/// Correlations below this change no pixel by a grey value.
const LEAST_CORRELATION: f64 = 0.02;

/// How many standard deviations away an edge still counts.
const REACH: f64 = 3.6;

/// The edges near a coordinate: index of the first, their number, distribution function, density (per cell), and distance in sigmas.
struct Edges {
    first: usize,
    n: usize,
    below: [f64; 9],
    density: [f64; 9],
    z: [f64; 9],
}

impl Edges {
    #[inline]
    fn near(coordinate: f64, sigma: f64) -> Self {
        let at = coordinate + 4.0;
        let first = (at - REACH * sigma).ceil().clamp(0.0, 9.0) as usize;
        let end = ((at + REACH * sigma).floor() + 1.0).clamp(first as f64, 9.0) as usize;
        let mut edges = Edges { first, n: end - first, below: [0.0; 9], density: [0.0; 9], z: [0.0; 9] };
        let inverse = 1.0 / sigma;
        for k in 0..edges.n {
            let z = (at - (first + k) as f64) * inverse;
            let (below, density) = normal(z);
            edges.below[k] = below;
            edges.density[k] = density * inverse;
            edges.z[k] = z;
        }
        edges
    }
}

/// How many terms of the series leave less than a tenth of a grey value of a 200 grey values step.
fn terms_for(correlation: f64) -> usize {
    let mut power = correlation.abs();
    let mut terms = 1;
    while terms < MOST_TERMS && power * 0.16 / terms as f64 > 4e-4 {
        power *= correlation.abs();
        terms += 1;
    }
    terms
}

/// Square roots of 0, 1, 2, ...
const ROOTS: [f64; MOST_TERMS + 1] = [
    0.0,
    1.0,
    std::f64::consts::SQRT_2,
    1.732_050_807_568_877_2,
    2.0,
    2.236_067_977_499_79,
    2.449_489_742_783_178,
    2.645_751_311_064_590_7,
    2.828_427_124_746_190_3,
    3.0,
    3.162_277_660_168_379_5,
    3.316_624_790_355_4,
    3.464_101_615_137_754_6,
    3.605_551_275_463_989,
    3.741_657_386_773_941_3,
    3.872_983_346_207_417,
    4.0,
];

/// Hermite polynomials (probabilists') times the density at z, each divided by the root of its order's factorial.
#[inline]
fn hermite(z: f64, density: f64, count: usize) -> [f64; MOST_TERMS + 1] {
    let mut values = [0.0; MOST_TERMS + 1];
    values[0] = density;
    values[1] = z * density;
    for n in 1..count {
        values[n + 1] = (z * values[n] - ROOTS[n] * values[n - 1]) / ROOTS[n + 1];
    }
    values
}

/// Distribution function and density of the standard normal distribution.
///
/// Source: Abramowitz and Stegun 1964, 26.2.17 (error below 7.5e-8).
#[inline]
pub(super) fn normal(z: f64) -> (f64, f64) {
    let density = (-0.5 * z * z).exp() * 0.398_942_280_401_432_7;
    let t = 1.0 / (1.0 + 0.231_641_9 * z.abs());
    let tail = density
        * t
        * (0.319_381_530 + t * (-0.356_563_782 + t * (1.781_477_937 + t * (-1.821_255_978 + t * 1.330_274_429))));
    (if z > 0.0 { 1.0 - tail } else { tail }, density)
}

impl Pattern {
    /// The pattern of a tag's cells.
    pub fn new(cells: Cells) -> Self {
        let mut rows = [0b11_1111_1111; 10];
        for (row, bits) in cells.to_le_bytes().into_iter().enumerate() {
            rows[8 - row] = 0b10_0000_0001 | u16::from(bits) << 1;
        }
        Pattern { rows }
    }

    /// Whether the cell that holds a point is white.
    pub fn is_white(&self, u: f64, v: f64) -> bool {
        let index = |c: f64| (c + 5.0).clamp(0.0, 9.0) as usize;
        (self.rows[index(v)] >> index(u)) & 1 != 0
    }

    /// The white share at tag point (u, v) under a blur of `blur_u`, `blur_v` (standard deviations, cells) with a correlation between both.
    pub fn shade(&self, u: f64, v: f64, blur_u: f64, blur_v: f64, correlation: f64) -> Shade {
        let across = Edges::near(u, blur_u);
        let up = Edges::near(v, blur_v);
        let mut shade = Shade::default();
        let mut row_before = (0u16, 0.0);
        for r in 0..=up.n {
            let bits = self.rows[up.first + r] >> across.first;
            let share = (if r == 0 { 1.0 } else { up.below[r - 1] }) - (if r == up.n { 0.0 } else { up.below[r] });
            let mut value = f64::from(bits & 1);
            let (mut d_u, mut grow, mut d_blur) = (0.0, 0.0, 0.0);
            let changes = bits ^ (bits >> 1);
            for k in 0..across.n {
                if (changes >> k) & 1 != 0 {
                    let step = if (bits >> k) & 1 != 0 { -1.0 } else { 1.0 };
                    let density = across.density[k];
                    value += step * across.below[k];
                    d_u += step * density;
                    grow -= density;
                    d_blur -= step * across.z[k] * density;
                }
            }
            shade.value += share * value;
            shade.d_u += share * d_u;
            shade.d_grow_u += share * grow;
            shade.d_blur_u += share * d_blur;
            if r > 0 {
                let density = up.density[r - 1];
                let step = value - row_before.1;
                shade.d_v += density * step;
                shade.d_blur_v -= density * up.z[r - 1] * step;
                // The edge between the two rows is there only over the columns where they differ.
                let differs = bits ^ row_before.0;
                let mut length = f64::from(differs & 1);
                let turns = differs ^ (differs >> 1);
                for k in 0..across.n {
                    if (turns >> k) & 1 != 0 {
                        length += if (differs >> k) & 1 != 0 { -across.below[k] } else { across.below[k] };
                    }
                }
                shade.d_grow_v -= density * length;
            }
            row_before = (bits, value);
        }
        if correlation.abs() > LEAST_CORRELATION && across.n > 0 && up.n > 0 {
            self.correlate(&across, &up, (blur_u, blur_v), correlation, &mut shade);
        }
        shade
    }

    /// Adds what the blur's correlation changes at the corners of cells.
    fn correlate(&self, across: &Edges, up: &Edges, blur: (f64, f64), correlation: f64, shade: &mut Shade) {
        let terms = terms_for(correlation);
        let mut columns = [None; 9];
        for r in 0..up.n {
            let (lower, upper) = (self.rows[up.first + r] >> across.first, self.rows[up.first + r + 1] >> across.first);
            let mut row = None;
            for (k, column) in columns.iter_mut().enumerate().take(across.n) {
                let bit = |bits: u16, k: usize| i32::from((bits >> k) & 1);
                let turn = bit(upper, k + 1) - bit(upper, k) - bit(lower, k + 1) + bit(lower, k);
                if turn == 0 {
                    continue;
                }
                let (za, zb) = (across.z[k], up.z[r]);
                let a = column.get_or_insert_with(|| hermite(za, across.density[k] * blur.0, terms));
                let b = row.get_or_insert_with(|| hermite(zb, up.density[r] * blur.1, terms));
                let (mut sum, mut by_a, mut by_b, mut by_correlation) = (0.0, 0.0, 0.0, 0.0);
                let mut power = 1.0;
                for n in 0..terms {
                    let product = a[n] * b[n];
                    by_correlation += power * product;
                    power *= correlation;
                    let part = power / (n + 1) as f64;
                    sum += part * product;
                    by_a -= part * ROOTS[n + 1] * a[n + 1] * b[n];
                    by_b -= part * ROOTS[n + 1] * a[n] * b[n + 1];
                }
                let turn = f64::from(turn);
                shade.value += turn * sum;
                shade.d_u += turn * by_a / blur.0;
                shade.d_v += turn * by_b / blur.1;
                shade.d_blur_u -= turn * by_a * za / blur.0;
                shade.d_blur_v -= turn * by_b * zb / blur.1;
                shade.d_correlation += turn * by_correlation;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tags::family::cells_of;
    use approx::assert_abs_diff_eq;

    #[test]
    fn normal_distribution() {
        // Source: the normal table, Phi(1) = 0.841344746, Phi(-2) = 0.022750132.
        assert_abs_diff_eq!(normal(1.0).0, 0.841_344_746, epsilon = 1e-7);
        assert_abs_diff_eq!(normal(-2.0).0, 0.022_750_132, epsilon = 1e-7);
        assert_abs_diff_eq!(normal(0.0).0, 0.5, epsilon = 1e-7);
    }

    #[test]
    fn the_upright_print_has_its_cells_where_the_family_says() {
        let cells = cells_of(3).unwrap();
        let pattern = Pattern::new(cells);
        for row in 0..8 {
            for column in 0..8 {
                let (u, v) = (f64::from(column) - 3.5, 3.5 - f64::from(row));
                let white = (cells >> (8 * row + column)) & 1 != 0;
                assert_eq!(pattern.is_white(u, v), white);
                assert_abs_diff_eq!(
                    pattern.shade(u, v, 0.05, 0.05, 0.0).value,
                    f64::from(u8::from(white)),
                    epsilon = 1e-9
                );
            }
        }
        assert!(pattern.is_white(-4.5, 0.0) && pattern.is_white(9.0, 9.0) && !pattern.is_white(-3.9, 3.9));
    }

    #[test]
    fn derivatives_match_differences() {
        let pattern = Pattern::new(cells_of(77).unwrap());
        // Small enough for the differences, large enough for the distribution function's own error of 1e-7. No edge may enter within it.
        let h = 1e-4;
        for (u, v, a, b, c) in [
            (0.3, -1.2, 0.3, 0.2, 0.0),
            (-3.83, 4.13, 0.51, 0.61, 0.3),
            (2.02, 2.9, 0.1, 0.15, -0.6),
            (-4.3, 0.1, 0.71, 0.41, 0.8),
        ] {
            let at = |u, v, a, b, c| pattern.shade(u, v, a, b, c).value;
            let got = pattern.shade(u, v, a, b, c);
            assert_abs_diff_eq!((at(u + h, v, a, b, c) - at(u - h, v, a, b, c)) / (2.0 * h), got.d_u, epsilon = 2e-3);
            assert_abs_diff_eq!((at(u, v + h, a, b, c) - at(u, v - h, a, b, c)) / (2.0 * h), got.d_v, epsilon = 2e-3);
            assert_abs_diff_eq!(
                (at(u, v, a + h, b, c) - at(u, v, a - h, b, c)) / (2.0 * h),
                got.d_blur_u,
                epsilon = 2e-3
            );
            assert_abs_diff_eq!(
                (at(u, v, a, b + h, c) - at(u, v, a, b - h, c)) / (2.0 * h),
                got.d_blur_v,
                epsilon = 2e-3
            );
            if c != 0.0 {
                let numeric = (at(u, v, a, b, c + h) - at(u, v, a, b, c - h)) / (2.0 * h);
                assert_abs_diff_eq!(numeric, got.d_correlation, epsilon = 2e-3);
            }
        }
    }

    #[test]
    fn correlated_blur_matches_a_sum_over_the_blur() {
        // The blur by brute force: the print averaged over a fine grid of normally distributed offsets.
        let pattern = Pattern::new(cells_of(19).unwrap());
        let (blur_u, blur_v) = (0.45, 0.3);
        for correlation in [-0.9f64, -0.5, 0.25, 0.8] {
            let rest = (1.0 - correlation * correlation).sqrt();
            for (u, v) in [(-3.9, -3.8), (0.1, 1.05), (2.3, -1.4), (3.8, 4.2)] {
                let (mut white, mut total) = (0.0, 0.0);
                let steps = 400;
                for i in 0..steps {
                    for j in 0..steps {
                        let [x, y] = [i, j].map(|k| 8.0 * (f64::from(k) + 0.5) / f64::from(steps) - 4.0);
                        let weight = (-0.5 * (x * x + y * y)).exp();
                        let (du, dv) = (blur_u * x, blur_v * (correlation * x + rest * y));
                        white += if pattern.is_white(u + du, v + dv) { weight } else { 0.0 };
                        total += weight;
                    }
                }
                let got = pattern.shade(u, v, blur_u, blur_v, correlation).value;
                assert_abs_diff_eq!(got, white / total, epsilon = 4e-3);
            }
        }
    }

    #[test]
    fn growth_of_black_moves_every_edge_into_white() {
        // At a lone vertical edge, growth by g is a shift of the edge by g towards white.
        let pattern = Pattern::new(cells_of(0).unwrap());
        let left = pattern.shade(-4.0, 0.5, 0.1, 0.1, 0.0);
        assert_abs_diff_eq!(left.d_grow_u, left.d_u, epsilon = 1e-9); // white left of black: value falls along u
        assert!(left.d_grow_u < 0.0);
        let right = pattern.shade(4.0, 0.5, 0.1, 0.1, 0.0);
        assert_abs_diff_eq!(right.d_grow_u, -right.d_u, epsilon = 1e-9);
        let top = pattern.shade(-3.5, 4.0, 0.1, 0.1, 0.0);
        assert_abs_diff_eq!(top.d_grow_v, -top.d_v, epsilon = 1e-9);
    }
}
