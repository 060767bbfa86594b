//! The budget.

/// Coverage factor for 95 %, normal.
pub const K_95: f64 = 1.959964;

/// A value with its standard and its expanded uncertainty.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// The value.
    pub value: f64,
    /// Standard uncertainty.
    pub u: f64,
    /// Expanded uncertainty U = k u, k = [`K_95`].
    pub expanded: f64,
}

impl Estimate {
    /// From a value and its standard uncertainty.
    pub fn new(value: f64, u: f64) -> Self {
        Self { value, u, expanded: K_95 * u }
    }
}
