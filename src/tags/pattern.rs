//! The tag as a blurred picture: what share of white a blurred view of the printed cells shows at a point, with all derivatives.
//!
//! Blur is a Gaussian along each tag axis. The print is a sum of steps; each step between a white and a black cell becomes a normal
//! distribution function. Beyond the black square everything is taken as white.

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
}

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

/// Distribution function and density of the standard normal distribution.
///
/// Source: Abramowitz and Stegun 1964, 26.2.17 (error below 7.5e-8).
#[inline]
fn normal(z: f64) -> (f64, f64) {
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

    /// The white share at tag point (u, v) under a blur of `blur_u`, `blur_v` (standard deviations, cells).
    pub fn shade(&self, u: f64, v: f64, blur_u: f64, blur_v: f64) -> Shade {
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
        shade
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
                assert_abs_diff_eq!(pattern.shade(u, v, 0.05, 0.05).value, f64::from(u8::from(white)), epsilon = 1e-9);
            }
        }
        assert!(pattern.is_white(-4.5, 0.0) && pattern.is_white(9.0, 9.0) && !pattern.is_white(-3.9, 3.9));
    }

    #[test]
    fn derivatives_match_differences() {
        let pattern = Pattern::new(cells_of(77).unwrap());
        // Wide enough that the edges cut off at the reach (density below 7e-4) do not show.
        let h = 5e-3;
        for (u, v, a, b) in
            [(0.3, -1.2, 0.3, 0.2), (-3.8, 4.1, 0.5, 0.6), (2.02, 2.9, 0.25, 0.3), (-4.3, 0.1, 0.7, 0.4)]
        {
            let at = |u, v, a, b| pattern.shade(u, v, a, b).value;
            let got = pattern.shade(u, v, a, b);
            assert_abs_diff_eq!((at(u + h, v, a, b) - at(u - h, v, a, b)) / (2.0 * h), got.d_u, epsilon = 4e-2);
            assert_abs_diff_eq!((at(u, v + h, a, b) - at(u, v - h, a, b)) / (2.0 * h), got.d_v, epsilon = 4e-2);
            assert_abs_diff_eq!((at(u, v, a + h, b) - at(u, v, a - h, b)) / (2.0 * h), got.d_blur_u, epsilon = 4e-2);
            assert_abs_diff_eq!((at(u, v, a, b + h) - at(u, v, a, b - h)) / (2.0 * h), got.d_blur_v, epsilon = 4e-2);
        }
    }

    #[test]
    fn growth_of_black_moves_every_edge_into_white() {
        // At a lone vertical edge, growth by g is a shift of the edge by g towards white.
        let pattern = Pattern::new(cells_of(0).unwrap());
        let left = pattern.shade(-4.0, 0.5, 0.1, 0.1);
        assert_abs_diff_eq!(left.d_grow_u, left.d_u, epsilon = 1e-9); // white left of black: value falls along u
        assert!(left.d_grow_u < 0.0);
        let right = pattern.shade(4.0, 0.5, 0.1, 0.1);
        assert_abs_diff_eq!(right.d_grow_u, -right.d_u, epsilon = 1e-9);
        let top = pattern.shade(-3.5, 4.0, 0.1, 0.1);
        assert_abs_diff_eq!(top.d_grow_v, -top.d_v, epsilon = 1e-9);
    }
}
