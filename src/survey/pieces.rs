//! Work cut into pieces that run in parallel. The pieces depend on the amount of work alone, so that no sum depends on the number of threads.

use rayon::prelude::*;
use std::ops::Range;

/// Most pieces: enough for as many threads as a bench computer has, few enough that a matrix for each is little memory.
const MOST_PIECES: usize = 16;

/// Cuts `0..n` into pieces of at least `least` and works on them in parallel; the results in order.
pub(super) fn in_pieces<T: Send>(n: usize, least: usize, work: impl Fn(Range<usize>) -> T + Sync) -> Vec<T> {
    let count = (n / least.max(1)).clamp(1, MOST_PIECES);
    let piece = |k: usize| work(n * k / count..n * (k + 1) / count);
    if count == 1 {
        return vec![piece(0)];
    }
    (0..count).into_par_iter().map(piece).collect()
}

/// The same for one result each.
pub(super) fn each<T: Send>(n: usize, least: usize, work: impl Fn(usize) -> T + Sync) -> Vec<T> {
    in_pieces(n, least, |piece| piece.map(&work).collect::<Vec<T>>()).into_iter().flatten().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pieces_cover_everything_once_and_in_order() {
        for n in [0, 1, 5, 63, 64, 100, 1000] {
            assert_eq!(each(n, 32, |k| k), (0..n).collect::<Vec<_>>());
            let pieces = in_pieces(n, 32, |piece| piece.len());
            assert!(pieces.len() <= MOST_PIECES && (n < 64 || pieces.iter().all(|len| *len >= 32)), "{n}: {pieces:?}");
        }
    }
}
