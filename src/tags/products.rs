//! Sums of products, each in eight parts that one register holds.

use fearless_simd::{Simd, SimdBase, f32x8};

/// Parts of a sum.
const LANES: usize = 8;

/// A sum in parts.
pub(super) type Parts = [f32; LANES];

/// Nothing summed yet.
pub(super) const NOTHING: Parts = [0.0; LANES];

/// The whole of a sum.
#[inline(always)]
pub(super) fn total([a, b, c, d, e, f, g, h]: Parts) -> f64 {
    f64::from(((a + e) + (c + g)) + ((b + f) + (d + h)))
}

/// Eight numbers of a row.
#[inline(always)]
fn load<S: Simd, const M: usize>(simd: S, row: &[f32; M], part: usize) -> f32x8<S> {
    f32x8::from_slice(simd, &row[LANES * part..LANES * part + LANES])
}

/// Adds the products of two rows, whose length is a multiple of eight.
#[inline(always)]
pub(super) fn add<S: Simd, const M: usize>(simd: S, sum: &mut Parts, a: &[f32; M], b: &[f32; M]) {
    let mut parts = f32x8::from_slice(simd, sum);
    for part in 0..M / LANES {
        parts += load(simd, a, part) * load(simd, b, part);
    }
    parts.store_slice(sum);
}

/// Adds the products of three rows with three others: 3 × 3 sums, as many as the registers hold.
#[inline(always)]
pub(super) fn add_tile<S: Simd, const M: usize>(
    simd: S,
    sums: &mut [[Parts; 3]; 3],
    a: [&[f32; M]; 3],
    b: [&[f32; M]; 3],
) {
    // Plain loops: what a closure holds is not compiled for the wide registers.
    let mut parts = [[f32x8::splat(simd, 0.0); 3]; 3];
    for part in 0..M / LANES {
        let a = [load(simd, a[0], part), load(simd, a[1], part), load(simd, a[2], part)];
        let b = [load(simd, b[0], part), load(simd, b[1], part), load(simd, b[2], part)];
        for i in 0..3 {
            for j in 0..3 {
                parts[i][j] += a[i] * b[j];
            }
        }
    }
    for i in 0..3 {
        for j in 0..3 {
            (f32x8::from_slice(simd, &sums[i][j]) + parts[i][j]).store_slice(&mut sums[i][j]);
        }
    }
}

/// Products of a row of factors with rows of eight (a multiple of three of them), summed: what each factor's eight add up to.
#[inline(always)]
pub(super) fn mix<S: Simd>(simd: S, factors: impl Fn(usize) -> f32, rows: &[Parts]) -> f32x8<S> {
    // Three sums at a time: one alone would wait for itself.
    let mut sums = [f32x8::splat(simd, 0.0); 3];
    for (k, three) in rows.as_chunks::<3>().0.iter().enumerate() {
        for (i, (sum, row)) in sums.iter_mut().zip(three).enumerate() {
            *sum += f32x8::splat(simd, factors(3 * k + i)) * f32x8::from_slice(simd, row);
        }
    }
    let [a, b, c] = sums;
    a + b + c
}

#[cfg(test)]
mod tests {
    use super::*;
    use fearless_simd::{Level, dispatch};

    #[test]
    fn sums_of_products_are_those_of_a_plain_loop() {
        let row = |n: usize| -> [f32; 16] { std::array::from_fn(|k| ((7 * n + 3 * k) % 11) as f32 - 4.0) };
        let plain = |a: &[f32; 16], b: &[f32; 16]| a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum::<f64>();
        let rows: Vec<[f32; 16]> = (0..6).map(row).collect();
        // Small whole numbers: every order of adding gives the same.
        let mut sum = NOTHING;
        let simd = Level::baseline();
        dispatch!(simd, simd => add(simd, &mut sum, &rows[0], &rows[4]));
        dispatch!(simd, simd => add(simd, &mut sum, &rows[1], &rows[2]));
        assert_eq!(total(sum), plain(&rows[0], &rows[4]) + plain(&rows[1], &rows[2]));
        let mut tile = [[NOTHING; 3]; 3];
        for _ in 0..2 {
            let (a, b) = ([&rows[0], &rows[1], &rows[2]], [&rows[3], &rows[4], &rows[5]]);
            dispatch!(Level::new(), simd => add_tile(simd, &mut tile, a, b));
        }
        for i in 0..3 {
            for j in 0..3 {
                assert_eq!(total(tile[i][j]), 2.0 * plain(&rows[i], &rows[3 + j]), "{i} {j}");
            }
        }
    }
}
