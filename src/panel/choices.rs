//! What the user chose: the place, the look, the units, the size.

use crate::panel::figures::Lengths;

/// The places of the work, in its order.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// What the job says about car, bay and placement, and what is missing.
    Bay,
    /// Photographs: which are used, what they tie together, U so far.
    Photographs,
    /// Where the stand is and what to move.
    Placing,
    /// Watching that nothing moves.
    Hold,
    /// The result and its files.
    Record,
}

impl Place {
    /// All, in the order of the work.
    pub const ALL: [Place; 5] = [Place::Bay, Place::Photographs, Place::Placing, Place::Hold, Place::Record];

    /// The name people read.
    pub fn name(self) -> &'static str {
        match self {
            Place::Bay => "Bay and car",
            Place::Photographs => "Photographs",
            Place::Placing => "Placing",
            Place::Hold => "Hold",
            Place::Record => "Record",
        }
    }

    /// Position in [`Place::ALL`]; its key is one more.
    pub fn index(self) -> usize {
        Place::ALL.iter().position(|p| *p == self).unwrap_or(0)
    }
}

/// Light, dark, or as the system says.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Look {
    /// As the system says.
    #[default]
    System,
    /// Dark on light.
    Light,
    /// Light on dark.
    Dark,
}

impl Look {
    /// The name people read.
    pub fn name(self) -> &'static str {
        match self {
            Look::System => "as the system",
            Look::Light => "light",
            Look::Dark => "dark",
        }
    }

    /// The next one.
    pub fn next(self) -> Self {
        match self {
            Look::System => Look::Light,
            Look::Light => Look::Dark,
            Look::Dark => Look::System,
        }
    }
}

/// Smallest and largest size of text against the usual one.
pub const TEXT_SCALE: (f32, f32) = (0.75, 2.5);

/// What the user chose for the screen.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Settings {
    /// Light or dark.
    pub look: Look,
    /// Millimetres or inches.
    pub lengths: Lengths,
    /// Size of everything against the usual.
    pub text_scale: f32,
    /// Check by itself when photographs or files change.
    pub by_itself: bool,
    /// A sound when the state changes.
    pub sound: bool,
    /// Length on this screen of a bar of 400 units, mm, as the user measured it; 105.8 (96 units an inch) where nobody did.
    pub bar_mm: f32,
    /// True where somebody measured it.
    pub bar_measured: bool,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            look: Look::System,
            lengths: Lengths::Millimetres,
            text_scale: 1.0,
            by_itself: true,
            sound: false,
            bar_mm: 105.8,
            bar_measured: false,
        }
    }
}
