//! Sums of products, the one loop that the compiler does not turn into vector instructions by itself.

use wide::f32x4;

/// Numbers in a register.
const LANES: usize = 4;

/// Four numbers of a row from place `LANES * part`.
#[inline(always)]
fn load(row: &[f32], part: usize) -> f32x4 {
    let at = LANES * part;
    f32x4::new([row[at], row[at + 1], row[at + 2], row[at + 3]])
}

#[inline(always)]
fn total(sum: f32x4) -> f64 {
    let [a, b, c, d] = sum.to_array();
    f64::from((a + c) + (b + d))
}

/// Sum of products of two rows, whose length is a multiple of four.
#[inline(always)]
pub(super) fn dot<const M: usize>(a: &[f32; M], b: &[f32; M]) -> f64 {
    let mut sum = f32x4::ZERO;
    for part in 0..M / LANES {
        sum += load(a, part) * load(b, part);
    }
    total(sum)
}

/// Products of three rows with three others: 3 × 3 sums, as many as the registers hold.
#[inline(always)]
pub(super) fn dot_tile<const M: usize>(a: [&[f32; M]; 3], b: [&[f32; M]; 3]) -> [[f64; 3]; 3] {
    let mut sums = [[f32x4::ZERO; 3]; 3];
    for part in 0..M / LANES {
        let a = [load(a[0], part), load(a[1], part), load(a[2], part)];
        let b = [load(b[0], part), load(b[1], part), load(b[2], part)];
        for i in 0..3 {
            for j in 0..3 {
                sums[i][j] += a[i] * b[j];
            }
        }
    }
    let mut totals = [[0.0; 3]; 3];
    for i in 0..3 {
        for j in 0..3 {
            totals[i][j] = total(sums[i][j]);
        }
    }
    totals
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sums_of_products_are_those_of_a_plain_loop() {
        let row = |n: usize| -> [f32; 16] { std::array::from_fn(|k| ((7 * n + 3 * k) % 11) as f32 - 4.0) };
        let plain = |a: &[f32; 16], b: &[f32; 16]| a.iter().zip(b).map(|(a, b)| f64::from(a * b)).sum::<f64>();
        let rows: Vec<[f32; 16]> = (0..6).map(row).collect();
        // Small whole numbers: every order of adding gives the same.
        assert_eq!(dot(&rows[0], &rows[4]), plain(&rows[0], &rows[4]));
        let tile = dot_tile([&rows[0], &rows[1], &rows[2]], [&rows[3], &rows[4], &rows[5]]);
        for i in 0..3 {
            for j in 0..3 {
                assert_eq!(tile[i][j], plain(&rows[i], &rows[3 + j]), "{i} {j}");
            }
        }
    }
}
