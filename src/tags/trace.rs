//! What each stage of the detector made of an image, kept on request, to be looked at when a tag was not found.
//!
//! The detector fills a [`Trace`] only when asked ([`crate::tags::Detector::detect_traced`]); nothing here is drawn or written.

use crate::tags::decode::{Grid, Refusal};
use crate::tags::outline::Outline;
use crate::tags::quads::Quad;
use crate::tags::threshold::DarkMap;

/// How far one candidate came, in the order of the stages.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The outline is no quadrilateral.
    NoQuad,
    /// A glance shows no dark border in bright surroundings, or nothing in it.
    NotLike,
    /// The sides show no change from dark to bright.
    NoEdges,
    /// It was not read as a tag.
    Refused(Refusal),
    /// No picture of the tag could be fitted to the image.
    NoFit,
    /// The fitted picture of the tag leaves too much unexplained.
    Unlike,
    /// The same tag at the same place was found better.
    Repeat,
    /// It is one of the detections.
    Found,
}

impl Outcome {
    /// The words for people.
    pub fn words(self) -> &'static str {
        match self {
            Outcome::NoQuad => "outline is no quadrilateral",
            Outcome::NotLike => "at a glance no tag",
            Outcome::NoEdges => "sides not found in the image",
            Outcome::Refused(Refusal::Shape) => "no perspective view of a square inside the image",
            Outcome::Refused(Refusal::Contrast) => "black and white cannot be told apart",
            Outcome::Refused(Refusal::Border) => "border is not black all round",
            Outcome::Refused(Refusal::Surround) => "surround is not white",
            Outcome::Refused(Refusal::Pattern) => "pattern is not one of the family",
            Outcome::NoFit => "picture of the tag could not be fitted",
            Outcome::Unlike => "picture does not fit the tag that was read",
            Outcome::Repeat => "found better elsewhere",
            Outcome::Found => "found",
        }
    }
}

/// One outline of a plausible size and what became of it.
#[derive(Clone, Debug)]
pub struct Candidate {
    /// The outline it comes from: index into [`Trace::outlines`].
    pub outline: usize,
    /// The quadrilateral drawn from the outline, px, counter-clockwise on the screen.
    pub quad: Option<Quad>,
    /// The quadrilateral with its sides moved onto the edges, px.
    pub aligned: Option<Quad>,
    /// What was read on and around the cells.
    pub grid: Option<Grid>,
    /// The id that was read and how many cells differ from it.
    pub read: Option<(u16, u32)>,
    /// The corners after the fit, px, in the order of [`crate::tags::Detection::corners`].
    pub fitted: Option<Quad>,
    /// How far it came.
    pub outcome: Outcome,
}

/// The stages' products for one image.
#[derive(Clone, Debug, Default)]
pub struct Trace {
    /// First stage: what is dark against its surroundings.
    pub dark: Option<DarkMap>,
    /// Second stage: outlines of plausible size and shape.
    pub outlines: Vec<Outline>,
    /// Later stages: what became of them.
    pub candidates: Vec<Candidate>,
}
