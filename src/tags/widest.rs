//! Runs loops over many pixels in the widest registers that the processor at hand has, not just in those that every processor has.

use fearless_simd::{Level, Simd};

/// Runs `work` as compiled for this processor. What it calls takes part where it is inlined.
///
/// Every sum and product is the same in wide registers as in narrow ones: nothing is fused or put in another order, so that results do not depend on the processor.
#[inline(always)]
pub(super) fn widest<R>(work: impl FnOnce() -> R) -> R {
    #[cfg(any(target_arch = "x86", target_arch = "x86_64"))]
    {
        let level = Level::new();
        if let Some(wide) = level.as_avx512() {
            return wide.vectorize(work);
        }
        if let Some(wide) = level.as_avx2() {
            return wide.vectorize(work);
        }
    }
    work()
}
