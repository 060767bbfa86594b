//! Printed pages: a page is a list of shapes and texts in millimetres, which [`pdf`] writes as vector PDF at exact scale.
//!
//! Coordinates on a page are millimetres, x to the right and y **down** from the upper left corner, as everything here is at the edge where people
//! measure. Angles are radians, counter-clockwise as seen.

mod canvas;
mod face;
pub mod pdf;

pub use canvas::{Align, Canvas, Frame, Ink, LINE_EMS, Look, Outline, Step};
pub use face::Typeface;
pub use pdf::Moment;

/// What an ordinary office printer cannot print on, at each edge, and a little more. Common practice, no source.
pub const MARGIN_MM: f64 = 8.0;

/// A size of paper.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Paper {
    /// 210 × 297 mm (ISO 216).
    A4,
    /// 8.5 × 11 in (ANSI/ASME Y14.1, size A).
    Letter,
    /// 297 × 420 mm (ISO 216).
    A3,
    /// 11 × 17 in (ANSI/ASME Y14.1, size B).
    Tabloid,
}

impl Paper {
    /// All of them.
    pub const ALL: [Paper; 4] = [Paper::A4, Paper::Letter, Paper::A3, Paper::Tabloid];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Paper::A4 => "A4",
            Paper::Letter => "Letter",
            Paper::A3 => "A3",
            Paper::Tabloid => "Tabloid",
        }
    }

    /// The paper of this name, in any case of letters.
    pub fn named(name: &str) -> Option<Self> {
        Paper::ALL.into_iter().find(|p| p.name().eq_ignore_ascii_case(name.trim()))
    }

    /// Width and height when it stands upright, mm.
    pub fn upright_mm(self) -> [f64; 2] {
        match self {
            Paper::A4 => [210.0, 297.0],
            Paper::Letter => [215.9, 279.4],
            Paper::A3 => [297.0, 420.0],
            Paper::Tabloid => [279.4, 431.8],
        }
    }

    /// Width and height when it lies on its long side, mm.
    pub fn lying_mm(self) -> [f64; 2] {
        let [width, height] = self.upright_mm();
        [height, width]
    }
}

/// One printed page.
#[derive(Clone, Debug, PartialEq)]
pub struct Page {
    /// Width and height, mm.
    pub size_mm: [f64; 2],
    /// What is on it, from the bottom layer to the top one.
    pub items: Vec<Item>,
}

/// Something on a page.
#[derive(Clone, Debug, PartialEq)]
pub enum Item {
    /// A filled or drawn outline.
    Shape {
        /// Its outline in page coordinates.
        outline: Outline,
        /// How it is painted.
        look: Look,
    },
    /// A photograph.
    Picture {
        /// Its upper left corner.
        at_mm: [f64; 2],
        /// Width and height on the page.
        size_mm: [f64; 2],
        /// A baseline JPEG file.
        jpeg: std::sync::Arc<Vec<u8>>,
    },
    /// One line of text.
    Text {
        /// Left end of the baseline.
        at_mm: [f64; 2],
        /// Direction of the baseline, counter-clockwise from "to the right".
        angle_rad: f64,
        /// Size of the type (its em).
        em_mm: f64,
        /// Length of the line.
        width_mm: f64,
        /// How it is painted.
        ink: Ink,
        /// Stroked as well, so that it stands out.
        bold: bool,
        /// The text.
        text: String,
    },
}

/// What a page cannot be made from.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum PaperError {
    /// The font that is carried inside the program.
    #[error("the font carried inside the program cannot be read")]
    Font,
    /// The writer of the file.
    #[error("the PDF cannot be written: {0}")]
    Pdf(String),
}
