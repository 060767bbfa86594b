//! Tags in live video: looks first where they should be, and at the rest of the image a part in every frame.
//!
//! 1. Where a tag is expected (from its own motion, `motion.rs`, or from corners that the caller predicts), its sides are aligned and its cells read there,
//!    exactly as the whole detector does with a quadrilateral that it found.
//! 2. Where that reads another pattern or none, the place is tried that the nearest tag found so far suggests (a camera that was turned moves all tags
//!    alike), and then a window around the place is searched by the detector's own stages.
//! 3. A part of the image, another one in every frame, is searched the same way for tags that are new: strips across the image, which overlap by
//!    [`OVERLAP`] rows, and once in a round the whole image at half its height, for tags that are taller than the overlap. In
//!    [`FRAMES_PER_ROUND`] frames all has been searched.
//! 4. Where no tag is known, or most of them are missing after all this, the whole image is searched in that frame.
//!
//! Every reading, wherever it came from, is read again in the whole image and fitted by the same code as in [`crate::tags::detect`]: a tracker
//! reports what is seen in this very frame, with the same tests and the same covariance, or nothing. A prediction is never reported.

use crate::raster::{Gray, ToneCurve};
use crate::tags::decode::Reading;
use crate::tags::detector::{Detector, fit, near, read_at};
use crate::tags::light::Tone;
use crate::tags::motion::Motion;
use crate::tags::quads::Quad;
use crate::tags::sights::{Area, Look, Sights, add, farthest, is_view, size, window};
use crate::tags::{DetectOptions, Detection};
use nalgebra::Vector2;

/// Strips that the image is cut into.
const STRIPS: usize = 7;

/// Rows that two neighbouring strips share; a tag that is less tall lies whole in one of them.
const OVERLAP: usize = 104;

/// A new tag that stands in the picture is found within so many frames: every strip once, and once the image at half its height.
pub const FRAMES_PER_ROUND: usize = STRIPS + 1;

/// Frames for which a tag that is no longer seen is still looked for where it should be.
const FRAMES_MISSED: usize = 3;

/// Windows of one frame cover no larger a part of the image than this.
const MOST_IN_WINDOWS: f64 = 0.4;

/// Least variance of a corner coordinate in the motion's eyes, px²: the fit is better than any model of motion.
const LEAST_VARIANCE: f64 = 1e-4;

/// A tag that the caller expects in a frame, say because the camera's place is known from an earlier one.
#[derive(Clone, Debug, PartialEq)]
pub struct Expected {
    /// Id in the family.
    pub id: u16,
    /// Corners in the order of [`Detection::corners`], pixels as seen.
    pub corners: Quad,
    /// Standard deviation of each coordinate, px.
    pub sigma_px: f64,
}

/// What was seen in one frame.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Followed {
    /// All tags seen in this frame, by rising id.
    pub tags: Vec<Detection>,
    /// Ids that were seen in the frame before and are not in this one, in rising order.
    pub lost: Vec<u16>,
    /// How many of `tags` were read at once where they were expected.
    pub followed: usize,
    /// Whether the whole image was searched.
    pub whole: bool,
}

/// A known tag.
#[derive(Clone, Debug)]
struct Track {
    id: u16,
    motion: Motion,
    last_seen: Quad,
    /// Frames since it was seen: 0 if in the last one.
    missed: usize,
}

/// Follows tags from frame to frame. One tracker for each camera.
#[derive(Clone, Debug, Default)]
pub struct Tracker {
    detector: Detector,
    tracks: Vec<Track>,
    size: (usize, usize),
    time_s: Option<f64>,
    /// Which part of the image is next.
    turn: usize,
    /// Frames since the whole image was searched.
    since_whole: usize,
    tone: Option<(ToneCurve, Tone)>,
    /// Grey values of the part being searched.
    part: Vec<u8>,
}

impl Tracker {
    /// A tracker that knows no tag yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Forgets all tags, as after another camera was chosen.
    pub fn forget(&mut self) {
        self.tracks.clear();
        self.time_s = None;
    }

    /// The tags in the next frame.
    ///
    /// `time_s` is when the frame was taken, seconds from any fixed moment; it only serves the prediction. A time that does not advance, or by
    /// more than a second, is taken as a pause after which speeds are forgotten. `expected` may be empty. An image of another size than
    /// the last one begins anew.
    pub fn follow(&mut self, image: &Gray, time_s: f64, expected: &[Expected], options: &DetectOptions) -> Followed {
        if self.size != (image.width(), image.height()) {
            self.forget();
            self.size = (image.width(), image.height());
        }
        let dt = self.time_s.map_or(0.0, |before| time_s - before);
        self.time_s = Some(time_s);
        self.tracks.iter_mut().for_each(|track| track.motion.advance(dt));

        let looks = self.looks(expected);
        let mut sights = Sights::default();
        let missing = sights.read(image, looks.iter().collect(), options);
        let followed = sights.readings.clone();
        let missing = self.search_windows(image, missing, options, &mut sights);
        let mut readings = sights.readings;
        // While tags stay missing (somebody stands before them) this happens once in a round.
        let whole = looks.is_empty() || (self.since_whole >= FRAMES_PER_ROUND && 2 * missing > looks.len());
        if whole {
            for reading in self.detector.readings(image, options) {
                add(&mut readings, reading);
            }
            self.since_whole = 0;
        } else {
            let (area, step) = self.next_part(image);
            self.search(image, area, step, options, &mut readings);
            self.since_whole += 1;
        }
        let tags = self.fit_all(image, &readings, options);
        let at_once = |tag: &&Detection| followed.iter().any(|r| r.id == tag.id && near(&r.corners, &tag.corners));
        let followed = tags.iter().filter(at_once).count();
        let lost = self.remember(&tags, dt);
        Followed { tags, lost, followed, whole }
    }

    /// Where tags should be: those that are known, and those that the caller expects.
    fn looks(&self, expected: &[Expected]) -> Vec<Look> {
        let mut looks: Vec<Look> = Vec::new();
        for track in &self.tracks {
            let mut tries = vec![*track.motion.corners()];
            if farthest(&tries[0], &track.last_seen) > 1.0 {
                tries.push(track.last_seen);
            }
            looks.push(Look { id: track.id, tries, sigma: track.motion.sigma(), seen: track.missed == 0 });
        }
        for expected in expected.iter().filter(|e| e.sigma_px.is_finite() && is_view(&e.corners)) {
            let known = looks.iter_mut().find(|l| l.id == expected.id && near(&l.tries[0], &expected.corners));
            match known {
                // The surer of the two first.
                Some(look) if expected.sigma_px < look.sigma => {
                    look.tries.insert(0, expected.corners);
                    look.sigma = expected.sigma_px;
                }
                Some(look) => look.tries.push(expected.corners),
                None => {
                    looks.push(Look {
                        id: expected.id,
                        tries: vec![expected.corners],
                        sigma: expected.sigma_px,
                        seen: false,
                    });
                }
            }
        }
        looks
    }

    /// Searches around the places of missing tags, as many as a frame's time allows, first those that were seen in the last frame, of these the
    /// largest; how many are still missing then.
    fn search_windows(
        &mut self,
        image: &Gray,
        mut missing: Vec<&Look>,
        options: &DetectOptions,
        sights: &mut Sights,
    ) -> usize {
        let mut left = (MOST_IN_WINDOWS * image.data().len() as f64) as usize;
        let mut in_vain = Vec::new();
        missing = sights.read_shifted(image, missing, options);
        missing.sort_by(|a, b| a.seen.cmp(&b.seen).then(size(&a.tries[0]).total_cmp(&size(&b.tries[0]))));
        while let Some(look) = missing.pop() {
            let area = window(image, look).filter(|[l, t, r, b]| (r - l) * (b - t) <= left);
            if let Some([l, t, r, b]) = area {
                left -= (r - l) * (b - t);
                self.search(image, [l, t, r, b], 1, options, &mut sights.readings);
            }
            if sights.note(look) {
                missing = sights.read_shifted(image, missing, options);
            } else {
                in_vain.push(look);
            }
        }
        sights.read_shifted(image, in_vain, options).len()
    }

    /// The part of the image whose turn it is, and how many of its rows are averaged into one.
    fn next_part(&mut self, image: &Gray) -> (Area, usize) {
        let turn = self.turn;
        self.turn = (self.turn + 1) % FRAMES_PER_ROUND;
        let (width, height) = (image.width(), image.height());
        if turn == STRIPS {
            return ([0, 0, width, height], 2);
        }
        let row = |k: usize| k * height / STRIPS;
        let top = row(turn).saturating_sub(OVERLAP / 2);
        ([0, top / 4 * 4, width, (row(turn + 1) + OVERLAP.div_ceil(2)).min(height)], 1)
    }

    /// Adds what the detector reads in a part of the image, `step` rows of which are averaged into one, and what is then read at the same
    /// place in the image itself.
    fn search(&mut self, image: &Gray, area: Area, step: usize, options: &DetectOptions, readings: &mut Vec<Reading>) {
        let [left, top, right, bottom] = area;
        let mut data = std::mem::take(&mut self.part);
        data.clear();
        let rows = (bottom - top) / step;
        for k in 0..rows {
            let row = &image.row(top + k * step)[left..right];
            if step == 1 {
                data.extend_from_slice(row);
            } else {
                let next = &image.row(top + k * step + 1)[left..right];
                data.extend(row.iter().zip(next).map(|(&a, &b)| ((u16::from(a) + u16::from(b)) / 2) as u8));
            }
        }
        let Some(part) = Gray::new(right - left, rows, data) else { return };
        for found in self.detector.readings(&part, options) {
            // The centre of a row that was averaged from `step` rows.
            let shift = (step as f64 - 1.0) / 2.0;
            let corners =
                found.corners.map(|c| Vector2::new(c.x + left as f64, c.y * step as f64 + shift + top as f64));
            if readings.iter().any(|r| r.id == found.id && near(&r.corners, &corners)) {
                continue;
            }
            if let Some(reading) = read_at(image, &corners, options) {
                add(readings, reading);
            }
        }
        self.part = part.into_data();
    }

    /// Fits every reading; of those that are the same tag the first that succeeds counts.
    fn fit_all(&mut self, image: &Gray, readings: &[Reading], options: &DetectOptions) -> Vec<Detection> {
        if self.tone.as_ref().is_none_or(|(curve, _)| *curve != options.tone) {
            self.tone = Some((options.tone.clone(), Tone::new(&options.tone)));
        }
        let lens = options.lens.as_ref().filter(|l| (l.width, l.height) == self.size);
        let mut tags: Vec<Detection> = Vec::new();
        for (reading, (_, tone)) in readings.iter().zip(self.tone.iter().cycle()) {
            if tags.iter().any(|t| t.id == reading.id && near(&t.corners, &reading.corners)) {
                continue;
            }
            tags.extend(fit(image, reading, tone, lens).ok());
        }
        tags.sort_by_key(|tag| tag.id);
        tags
    }

    /// Takes in what was seen; the ids that were seen one frame ago and are not now.
    fn remember(&mut self, tags: &[Detection], dt: f64) -> Vec<u16> {
        let mut unseen: Vec<usize> = (0..self.tracks.len()).collect();
        let mut new = Vec::new();
        for tag in tags {
            let variance = (tag.cov.trace() / 8.0).max(LEAST_VARIANCE);
            let nearest = unseen
                .iter()
                .enumerate()
                .filter(|(_, k)| self.tracks[**k].id == tag.id)
                .map(|(place, k)| (place, farthest(self.tracks[*k].motion.corners(), &tag.corners)))
                .min_by(|a, b| a.1.total_cmp(&b.1));
            match nearest {
                Some((place, _)) => {
                    let track = &mut self.tracks[unseen.swap_remove(place)];
                    track.motion.seen(&tag.corners, variance, dt);
                    track.last_seen = tag.corners;
                    track.missed = 0;
                }
                None => new.push(Track {
                    id: tag.id,
                    motion: Motion::new(tag.corners, variance),
                    last_seen: tag.corners,
                    missed: 0,
                }),
            }
        }
        let mut lost: Vec<u16> =
            unseen.iter().filter(|k| self.tracks[**k].missed == 0).map(|k| self.tracks[*k].id).collect();
        lost.sort_unstable();
        for k in unseen {
            self.tracks[k].missed += 1;
        }
        self.tracks.retain(|track| track.missed <= FRAMES_MISSED);
        self.tracks.extend(new);
        lost
    }
}
