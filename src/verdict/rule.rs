//! The decision rule.

/// In, out, or not proven: always three states (ISO 14253-1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum State {
    /// |deviation| + U <= tolerance.
    InTolerance,
    /// Neither: the uncertainty is too large to say.
    NotProven,
    /// |deviation| - U > tolerance.
    OutOfTolerance,
}
