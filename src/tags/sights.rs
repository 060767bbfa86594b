//! What the tracker has read in a frame: tags where they were expected, and where the others must then be.

use crate::raster::Gray;
use crate::tags::DetectOptions;
use crate::tags::decode::Reading;
use crate::tags::detector::{near, read_at};
use crate::tags::quads::Quad;
use nalgebra::Vector2;

/// Standard deviations to each side that a window allows for.
const WINDOW_SIGMAS: f64 = 4.0;

/// Least room around a tag in its window, px: its white surround and a neighbourhood for the thresholds.
const LEAST_ROOM: f64 = 16.0;

/// A shift that is shorter than this (px) was within reach of the sides' alignment already.
const WORTH_A_TRY_PX: f64 = 0.7;

/// A place to look at.
pub(super) struct Look {
    pub id: u16,
    /// Corners to try, the likeliest first.
    pub tries: Vec<Quad>,
    /// Standard deviation of their coordinates, px.
    pub sigma: f64,
    /// Whether it was seen in the last frame.
    pub seen: bool,
}

/// A rectangle of the image: left, top, right, bottom, px; the right and the bottom ones are not part of it.
pub(super) type Area = [usize; 4];

/// What has been read in a frame so far, and by how much it was off its prediction.
#[derive(Default)]
pub(super) struct Sights {
    pub readings: Vec<Reading>,
    shifts: Vec<Shift>,
}

/// By how much a tag was off its prediction.
struct Shift {
    predicted: Quad,
    /// Mean over the corners, px.
    shift: Vector2<f64>,
    /// Which of the readings it is.
    reading: usize,
}

impl Sights {
    /// Reads tags where they are expected; those that are not there.
    pub fn read<'a>(&mut self, image: &Gray, looks: Vec<&'a Look>, options: &DetectOptions) -> Vec<&'a Look> {
        looks.into_iter().filter(|look| !self.read_one(image, look, &look.tries, options)).collect()
    }

    /// Reads tags where they must be if they moved like the nearest one that was found; those that are not there.
    pub fn read_shifted<'a>(&mut self, image: &Gray, looks: Vec<&'a Look>, options: &DetectOptions) -> Vec<&'a Look> {
        let moved = |shifts: &[Shift], quad: &Quad| {
            let nearest = shifts.iter().min_by(|a, b| apart(&a.predicted, quad).total_cmp(&apart(&b.predicted, quad)));
            nearest.filter(|n| n.shift.norm() > WORTH_A_TRY_PX).map(|n| quad.map(|c| c + n.shift))
        };
        looks
            .into_iter()
            .filter(|look| {
                let place = moved(&self.shifts, &look.tries[0]);
                place.is_none_or(|quad| !self.read_one(image, look, &[quad], options))
            })
            .collect()
    }

    fn read_one(&mut self, image: &Gray, look: &Look, tries: &[Quad], options: &DetectOptions) -> bool {
        let read = tries.iter().find_map(|quad| read_at(image, quad, options).filter(|r| r.id == look.id));
        read.map(|reading| add(&mut self.readings, reading)).is_some() && self.note(look)
    }

    /// Notes how far a tag was off its prediction, if it was read. A reading stands for one expected tag only: an id may be there twice.
    pub fn note(&mut self, look: &Look) -> bool {
        let taken = |k: usize| self.shifts.iter().any(|s| s.reading == k);
        let nearest = (0..self.readings.len())
            .filter(|&k| self.readings[k].id == look.id && !taken(k))
            .map(|k| (k, apart(&self.readings[k].corners, &look.tries[0])))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        let Some((reading, _)) = nearest else { return false };
        let shift = middle(&self.readings[reading].corners) - middle(&look.tries[0]);
        self.shifts.push(Shift { predicted: look.tries[0], shift, reading });
        true
    }
}

fn middle(quad: &Quad) -> Vector2<f64> {
    quad.iter().sum::<Vector2<f64>>() / 4.0
}

/// Distance between the middles of two quadrilaterals, px.
fn apart(a: &Quad, b: &Quad) -> f64 {
    (middle(a) - middle(b)).norm()
}

/// The shorter diagonal, px.
pub(super) fn size(quad: &Quad) -> f64 {
    (quad[2] - quad[0]).norm().min((quad[3] - quad[1]).norm())
}

/// The window in which a missing tag is searched; `None` where it has left the image. It begins at a whole tile of the detector's first stage.
pub(super) fn window(image: &Gray, look: &Look) -> Option<Area> {
    let points = || look.tries.iter().flatten();
    let low = points().fold(look.tries[0][0], |a, b| a.inf(b));
    let high = points().fold(look.tries[0][0], |a, b| a.sup(b));
    let room = LEAST_ROOM + WINDOW_SIGMAS * look.sigma + 0.15 * (high - low).amax();
    let clamp = |v: f64, most: usize| v.clamp(0.0, most as f64) as usize;
    let (width, height) = (image.width(), image.height());
    let (left, top) = (clamp(low.x - room, width) / 4 * 4, clamp(low.y - room, height) / 4 * 4);
    let (right, bottom) = (clamp(high.x + room, width), clamp(high.y + room, height));
    (left + 8 <= right && top + 8 <= bottom).then_some([left, top, right, bottom])
}

/// Adds a reading unless the same tag is among them already.
pub(super) fn add(readings: &mut Vec<Reading>, reading: Reading) {
    if !readings.iter().any(|r| r.id == reading.id && near(&r.corners, &reading.corners)) {
        readings.push(reading);
    }
}

/// How far the farthest of four corners is from where it was.
pub(super) fn farthest(a: &Quad, b: &Quad) -> f64 {
    a.iter().zip(b).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max)
}

/// Whether four points can be a tag's corners at all: counter-clockwise on the screen and finite.
pub(super) fn is_view(quad: &Quad) -> bool {
    (0..4).all(|s| {
        let (a, b, c) = (quad[s], quad[(s + 1) % 4], quad[(s + 2) % 4]);
        (b - a).perp(&(c - b)) < 0.0
    })
}
