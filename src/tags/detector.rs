//! The stages in their order: dark map, outlines, quadrilaterals, sides, cells, fit.

use crate::camera::Lens;
use crate::raster::Gray;
use crate::tags::components::{self, Component};
use crate::tags::hull::Hull;
use crate::tags::outline::{self, Outline};
use crate::tags::quads::{self, Quad};
use crate::tags::threshold::{self, DarkMap};
use crate::tags::trace::{Candidate, Outcome, Trace};
use crate::tags::{DetectOptions, Detection, align, calm, decode, family, glance, light, margin, pattern, refine};
use nalgebra::Vector2;

/// Least part of the hull that an outline encloses where something grew onto the tag.
const LEAST_FILLED: f64 = 0.6;

/// Most of the enclosed area that is dark where it is a tag's; the family's darkest tag has 10 bright cells of 64.
const MOST_DARK: f64 = 0.94;

/// How many times as long as its bounds an outline may be where something grew onto the tag; a convex figure's is as long.
const MOST_WINDING: f64 = 1.8;

/// Least extent of a tag with something grown onto it, pixels; a smaller one is not read.
const LEAST_GROWN: u32 = 8;

/// Areas that are followed at most: one for so many pixels. With 44 bytes for each, and lists that double as they grow, this keeps the memory below
/// four times the image's.
const PIXELS_PER_AREA: usize = 40;

/// Finds tags, image after image, and keeps its working memory in between.
#[derive(Clone, Debug, Default)]
pub struct Detector {
    map: DarkMap,
    map_scratch: threshold::Scratch,
    components: Vec<Component>,
    component_scratch: components::Scratch,
    outline: Outline,
    hull: Hull,
}

impl Detector {
    /// A detector without memory yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Finds every tag of the family in an image.
    pub fn detect(&mut self, image: &Gray, options: &DetectOptions) -> Vec<Detection> {
        self.run(image, options, None)
    }

    /// The same, and what every stage made of the image.
    pub fn detect_traced(&mut self, image: &Gray, options: &DetectOptions) -> (Vec<Detection>, Trace) {
        let mut trace = Trace::default();
        let found = self.run(image, options, Some(&mut trace));
        (found, trace)
    }

    /// What the stages before the fit make of an image: quadrilaterals that were read as tags, the same tag possibly several times.
    pub fn readings(&mut self, image: &Gray, options: &DetectOptions) -> Vec<decode::Reading> {
        self.read_all(image, options, &mut None).into_iter().map(|(reading, _)| reading).collect()
    }

    /// The readings, each with its place among the trace's candidates.
    fn read_all(
        &mut self,
        image: &Gray,
        options: &DetectOptions,
        trace: &mut Option<&mut Trace>,
    ) -> Vec<(decode::Reading, usize)> {
        let calmed = self.find_components(image, options.least_contrast);
        let read_quad = |quad: Quad, note: &mut Candidate| match &calmed {
            None => read_quad(image, quad, options, note),
            // Where the noise leaves it, the picture as it came says more of small cells.
            Some(calmed) => read_quad(calmed, quad, options, note).or_else(|_| read_quad(image, quad, options, note)),
        };
        let mut readings = Vec::new();
        for component in &self.components {
            let mut note = Candidate::of(trace.as_ref().map_or(0, |t| t.outlines.len()));
            if let Some(trace) = trace {
                outline::walk(&self.map, component, usize::MAX, &mut self.outline);
                trace.outlines.push(self.outline.clone());
            }
            // What has nothing bright inside is soon told apart.
            if !component.is_broken() {
                keep(trace, &note, &Err(Outcome::NoQuad));
                continue;
            }
            self.hull.wrap(component.bounds[1], self.component_scratch.ends(component));
            let bright_inside = f64::from(component.area) < MOST_DARK * f64::from(self.hull.filled);
            let quad = if bright_inside { self.hull.quad() } else { None };
            let mut read = quad.ok_or(Outcome::NoQuad).and_then(|quad| read_quad(quad, &mut note));
            // Something that grew onto the tag makes the hull larger than the tag.
            if read.is_err()
                && grown_outline(&self.map, component, &self.hull, &mut self.outline)
                && let Some(quad) = quads::quad_from_outline(&self.outline)
                && note.quad.is_none_or(|known| !same_place(&known, &quad))
            {
                keep(trace, &note, &read);
                note = Candidate::of(note.outline);
                read = read_quad(quad, &mut note);
            }
            if let Ok(reading) = read {
                readings.push((reading, trace.as_ref().map_or(0, |t| t.candidates.len())));
            }
            keep(trace, &note, &read);
        }
        if let Some(trace) = trace {
            trace.dark = Some(self.map.clone());
        }
        readings
    }

    /// Bytes of working memory that the detector holds on to.
    pub fn bytes(&self) -> usize {
        self.map.bytes()
            + self.map_scratch.bytes()
            + self.component_scratch.bytes()
            + self.components.capacity() * size_of::<Component>()
            + self.outline.points.capacity() * size_of::<[i32; 2]>()
            + self.hull.bytes()
    }

    /// The first two stages. Where nearly every pixel is an area of its own (noise), a calmer picture is searched, which is given back for the next stages; where that does not help,
    /// only what has more contrast is followed.
    fn find_components(&mut self, image: &Gray, least_contrast: u8) -> Option<Gray> {
        let most = 1000 + image.data().len() / PIXELS_PER_AREA;
        let mut contrast = least_contrast.max(1);
        let mut calmed: Option<Gray> = None;
        loop {
            threshold::fill(&mut self.map, calmed.as_ref().unwrap_or(image), contrast, &mut self.map_scratch);
            let found = components::find(&self.map, most, &mut self.component_scratch, &mut self.components);
            if found.is_ok() || contrast == u8::MAX {
                return calmed;
            }
            if calmed.is_none() {
                let mut calmer = image.clone();
                calm::smooth(&mut calmer);
                calmed = Some(calmer);
            } else {
                contrast = contrast.saturating_mul(2);
            }
        }
    }

    fn run(&mut self, image: &Gray, options: &DetectOptions, mut trace: Option<&mut Trace>) -> Vec<Detection> {
        let mut readings = self.read_all(image, options, &mut trace);
        let lens = options.lens.as_ref().filter(|l| (l.width, l.height) == (image.width(), image.height()));
        let tone = if readings.is_empty() { None } else { Some(light::Tone::new(&options.tone)) };
        // The clearest reading of a tag first: where it is fitted, the others of the same tag are not.
        readings.sort_by(|(a, _), (b, _)| {
            (a.id, a.wrong_cells).cmp(&(b.id, b.wrong_cells)).then(b.margin.total_cmp(&a.margin))
        });
        let mut found: Vec<Detection> = Vec::new();
        for ((reading, candidate), tone) in readings.iter().zip(tone.iter().cycle()) {
            let known = found.iter().any(|d| d.id == reading.id && near(&d.corners, &reading.corners));
            let fitted = if known { Err(Outcome::Repeat) } else { fit(image, reading, tone, lens) };
            if let Some(note) = trace.as_mut().map(|t| &mut t.candidates[*candidate]) {
                (note.outcome, note.fitted) = match &fitted {
                    Ok(detection) => (Outcome::Found, Some(detection.corners)),
                    Err(outcome) => (*outcome, None),
                };
            }
            found.extend(fitted.ok());
        }
        found
    }
}

/// Walks around an area that may be a tag and something that touches it: no more winding than that, mostly filled, with bright cells inside. Says
/// whether it may.
fn grown_outline(map: &DarkMap, component: &Component, hull: &Hull, outline: &mut Outline) -> bool {
    let may_be = |area: f64| area > LEAST_FILLED * hull.area && f64::from(component.area) < MOST_DARK * area;
    let [left, top, right, bottom] = component.bounds;
    let longest = (MOST_WINDING * f64::from(2 * (right - left + bottom - top))) as usize;
    // Bright cells are holes. Across corners they are not counted, and what hangs together there and has something grown onto it besides was never a tag.
    let holes = !component.across_corners && component.holes() > 0;
    let large = (right - left).min(bottom - top) >= LEAST_GROWN;
    holes
        && large
        && may_be(f64::from(hull.filled))
        && outline::walk(map, component, longest, outline)
        && may_be(outline.area as f64)
}

/// The last stage for one reading: the picture of the tag fitted in light, or why it is not believed.
pub(super) fn fit(
    image: &Gray,
    reading: &decode::Reading,
    tone: &light::Tone,
    lens: Option<&Lens>,
) -> Result<Detection, Outcome> {
    let cells = family::cells_of(reading.id).ok_or(Outcome::NoFit)?;
    let pattern = pattern::Pattern::new(cells);
    let fit = refine::refine(image, &reading.corners, &pattern, tone, lens).ok_or(Outcome::NoFit)?;
    // A pattern with wrong cells is believed only where the picture fits well otherwise: the inside of a wider border does not.
    let most_unexplained = [0.3, 0.15, 0.1][reading.wrong_cells.min(2) as usize];
    if fit.rms > most_unexplained * fit.contrast {
        return Err(Outcome::Unlike);
    }
    let beyond = margin::beyond(&fit.corners, &fit.blur);
    Ok(Detection {
        id: reading.id,
        wrong_cells: reading.wrong_cells,
        corners: fit.corners,
        cov: fit.cov + margin::cov(&beyond),
        beyond,
        blur_px: fit.blur_px,
        growth_px: fit.growth_px,
        contrast: fit.contrast,
        rms: fit.rms,
    })
}

/// Reads the tag whose corners are about these, counter-clockwise on the screen; `None` where no tag is.
pub(super) fn read_at(image: &Gray, quad: &Quad, options: &DetectOptions) -> Option<decode::Reading> {
    read_quad(image, *quad, options, &mut Candidate::of(0)).ok()
}

/// Reads the tag in a quadrilateral.
fn read_quad(
    image: &Gray,
    quad: Quad,
    options: &DetectOptions,
    note: &mut Candidate,
) -> Result<decode::Reading, Outcome> {
    note.quad = Some(quad);
    if !glance::may_be_a_tag(image, &quad, f32::from(options.least_contrast)) {
        return Err(Outcome::NotLike);
    }
    let quad = align::align_sides(image, &quad).ok_or(Outcome::NoEdges)?;
    note.aligned = Some(quad);
    let (grid, read) = decode::read(image, &quad, f64::from(options.least_contrast));
    note.grid = grid;
    let reading = read.map_err(Outcome::Refused)?;
    note.read = Some((reading.id, reading.wrong_cells));
    Ok(reading)
}

/// Adds a candidate to the trace, if there is one.
fn keep(trace: &mut Option<&mut Trace>, candidate: &Candidate, read: &Result<decode::Reading, Outcome>) {
    if let Some(trace) = trace {
        let outcome = read.as_ref().err().copied().unwrap_or(Outcome::NoFit);
        trace.candidates.push(Candidate { outcome, ..candidate.clone() });
    }
}

/// Whether two quadrilaterals are so near each other that aligning their sides gives the same.
fn same_place(a: &Quad, b: &Quad) -> bool {
    a.iter().all(|p| b.iter().any(|q| (p - q).norm() < 1.0))
}

/// Whether two views of a tag are of the same one: their centres are nearer than half its size.
pub(super) fn near(a: &Quad, b: &Quad) -> bool {
    let centre = |q: &Quad| q.iter().sum::<Vector2<f64>>() / 4.0;
    let size = (b[2] - b[0]).norm().min((b[3] - b[1]).norm());
    (centre(a) - centre(b)).norm() < 0.5 * size
}

impl Candidate {
    /// A candidate of which nothing is known but its outline.
    fn of(outline: usize) -> Self {
        Candidate { outline, quad: None, aligned: None, grid: None, read: None, fitted: None, outcome: Outcome::NoQuad }
    }
}
