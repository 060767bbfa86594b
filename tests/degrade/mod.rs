//! Photographs made worse on purpose: what a dark, dirty, busy bay does to them, in steps from harmless to hopeless, and what the program then says.
#![allow(dead_code)] // test and bench use their own parts

pub mod scenes;
pub mod worse;

use plumbsight::placement::{Component, Placement};
use plumbsight::raster::Gray;
use plumbsight::record::result::Verdict;
use plumbsight::record::{Job, ResultFile};
use plumbsight::scene::draw::{Draw, Purpose};
use plumbsight::session::{Extras, Look, check_seen};
use plumbsight::survey::{Photo, TagView};
use plumbsight::tags::{DetectOptions, Detection, detect};
use plumbsight::units::{deg_from_rad, m_from_mm, mm_from_m, rad_from_deg};
use rayon::prelude::*;
use worse::{Worse, made_worse};

/// A bay with its photographs and its truth.
pub struct Scene {
    /// What it is called in the table.
    pub name: String,
    /// The job as a careful person declares it, with a placement in which the stand truly stands.
    pub job: Job,
    /// The photographs, in the job's order.
    pub pictures: Vec<Gray>,
    /// What is found in them as they are.
    pub clean: Vec<Vec<Detection>>,
    /// True deviations from the placement, mm and degrees.
    pub truth: [f64; 6],
}

/// What came of one step.
pub struct Outcome {
    pub verdict: Verdict,
    /// Verdict where one of the six (another one in each case) is truly out of a tolerance by a third of the clean U.
    pub just_out: Verdict,
    /// Error and U of each of the six, mm and degrees; `None`: not measured.
    pub six: Option<[[f64; 2]; 6]>,
    /// Tags found in all photographs.
    pub tags: usize,
    /// Of these, the ones that no print explains: an id that no body has, or one that the clean photograph shows elsewhere.
    pub strange: Vec<String>,
    /// Corners found against those of the photographs as they are.
    pub corners: Vec<CornerError>,
    /// Why there is no measurement, or the first thing that keeps it from proof.
    pub reason: String,
}

/// How far a tag's corners lie from where the photograph as it was shows them.
#[derive(Clone, Copy, Debug)]
pub struct CornerError {
    /// Shorter side of a cell, px.
    pub cell_px: f64,
    /// Standard deviation of the blur as fitted, px.
    pub blur_px: f64,
    /// Root mean square over the four corners, px.
    pub error_px: f64,
    /// d² by the stated covariance of both, over its 8 degrees of freedom: 1 where what is stated is true.
    pub d2: f64,
}

fn corner_error(clean: &Detection, worse: &Detection) -> CornerError {
    let [a, b, c, d] = worse.corners;
    let side = (b - a).norm().min((c - b).norm()).min((d - c).norm()).min((a - d).norm());
    let off = nalgebra::SVector::<f64, 8>::from_fn(|k, _| (worse.corners[k / 2] - clean.corners[k / 2])[k % 2]);
    let d2 = (worse.cov + clean.cov).cholesky().map_or(f64::NAN, |l| off.dot(&l.solve(&off)) / 8.0);
    CornerError { cell_px: side / 8.0, blur_px: worse.blur_px, error_px: off.norm() / 2.0, d2 }
}

impl Outcome {
    /// Root mean square of the corners' errors by their stated uncertainty: 1 where that is true.
    pub fn corner_ratio(&self) -> Option<f64> {
        let n = self.corners.len();
        (n > 0).then(|| (self.corners.iter().map(|c| c.d2).sum::<f64>() / n as f64).sqrt())
    }

    /// Largest |error| / U.
    pub fn worst(&self) -> Option<f64> {
        self.six.map(|six| six.iter().map(|[e, u]| e.abs() / u).fold(0.0, f64::max))
    }

    /// How many times U is as large as in the clean photographs: the least and the largest of the six.
    pub fn growth(&self, clean: &Outcome) -> Option<[f64; 2]> {
        let (now, then) = (self.six?, clean.six?);
        let ratios = std::array::from_fn::<f64, 6, _>(|k| now[k][1] / then[k][1]);
        Some([ratios.iter().copied().fold(f64::MAX, f64::min), ratios.iter().copied().fold(0.0, f64::max)])
    }
}

impl Scene {
    pub fn new(name: &str, job: Job, pictures: Vec<Gray>, truth: [f64; 6]) -> Self {
        let clean = pictures.par_iter().map(|p| detect(p, &options(&job))).collect();
        let truth = std::array::from_fn(|k| {
            if Component::ALL[k].is_angle() { deg_from_rad(truth[k]) } else { mm_from_m(truth[k]) }
        });
        let mut scene = Self { name: name.to_owned(), job, pictures, clean, truth };
        // Tolerances that the clean photographs prove with some room.
        let clean = scene.outcome(Worse::Nothing, None, 0).six.expect("a clean bay is measured");
        let edge = |k: usize| if Component::ALL[k].is_angle() { rad_from_deg(1.0) } else { m_from_mm(1.0) };
        scene.job.placement.stations[0].tolerance = std::array::from_fn(|k| {
            let usual = if Component::ALL[k].is_angle() { 1.0 } else { 20.0 };
            Some(edge(k) * (truth[k].abs() + 3.0 * clean[k][1]).max(usual))
        });
        scene
    }

    /// The photographs made worse, and what the program says of them. `clean`: what it says of the photographs as they are, where known.
    pub fn outcome(&self, worse: Worse, clean: Option<&Outcome>, case: usize) -> Outcome {
        let options = options(&self.job);
        let n = self.pictures.len();
        let plate_ids: Vec<u16> = self.ids_of(|kind| kind == plumbsight::body::BodyKind::Plate);
        let floor_ids: Vec<u16> = self.ids_of(|kind| kind == plumbsight::body::BodyKind::FloorSheet);
        let found: Vec<Option<Vec<Detection>>> = (0..n)
            .into_par_iter()
            .map(|p| {
                let mut draw = Draw::new(7 + case as u64, Purpose::Photo(p as u32));
                let ids = worse::Ids { plates: &plate_ids, floor: &floor_ids };
                let picture = made_worse(worse, &self.pictures[p], &self.clean[p], p, ids, &mut draw)?;
                Some(detect(&picture, &options))
            })
            .collect();
        let known = |id: u16| self.job.kit.bodies.iter().any(|b| b.tags.iter().any(|t| t.id == id));
        let mut strange = Vec::new();
        let mut corners = Vec::new();
        for (p, (found, clean)) in found.iter().zip(&self.clean).enumerate() {
            for tag in found.iter().flatten() {
                // A tag that only the worse photograph shows (glare can lift it out of the dark) is no stranger.
                let twin = clean.iter().find(|c| c.id == tag.id);
                corners.extend(twin.map(|c| corner_error(c, tag)));
                if !known(tag.id) || twin.is_some_and(|c| !near(c, tag, worse.shift_px())) {
                    let off = twin.map_or(f64::NAN, |c| farthest(c, tag));
                    strange.push(format!("{}: tag {} ({off:.1} px off)", self.job.photos[p].name, tag.id));
                }
            }
        }
        Outcome { corners, ..self.judge(found, strange, clean, case) }
    }

    /// What the program says of these tags.
    pub fn judge(
        &self,
        found: Vec<Option<Vec<Detection>>>,
        strange: Vec<String>,
        clean: Option<&Outcome>,
        case: usize,
    ) -> Outcome {
        let tags = found.iter().flatten().map(Vec::len).sum();
        let mut job = self.job.clone();
        let mut keep = found.iter().map(Option::is_some);
        job.photos.retain(|_| keep.next().unwrap());
        let photos: Vec<Photo> = job.photos.iter().zip(found.into_iter().flatten()).map(photo_of).collect();
        let result = said(&job, &photos);
        let six = six(&result, &self.truth);
        let mut out = Outcome {
            verdict: result.verdict,
            just_out: Verdict::NotMeasured,
            six,
            tags,
            strange,
            corners: Vec::new(),
            reason: reason(&result),
        };
        if let Some(clean) = clean.and_then(|c| c.six).or(six) {
            job.placement = just_out(&self.job.placement, case % 6, self.truth[case % 6], clean[case % 6][1]);
            out.just_out = said(&job, &photos).verdict;
        }
        out
    }

    fn ids_of(&self, wanted: impl Fn(plumbsight::body::BodyKind) -> bool) -> Vec<u16> {
        let bodies = self.job.kit.bodies.iter().filter(|b| wanted(b.kind));
        bodies.flat_map(|b| b.tags.iter().map(|t| t.id)).collect()
    }
}

fn options(job: &Job) -> DetectOptions {
    let profile = &job.lenses[0];
    DetectOptions { lens: Some(profile.lens), tone: profile.tone.clone(), ..DetectOptions::default() }
}

fn photo_of((photo, tags): (&plumbsight::record::JobPhoto, Vec<Detection>)) -> Photo {
    Photo {
        name: photo.name.clone(),
        lens: photo.lens,
        station: photo.station,
        position: photo.position,
        hold: None,
        tags: tags.into_iter().map(TagView::from).collect(),
    }
}

fn said(job: &Job, photos: &[Photo]) -> ResultFile {
    let look = Look { photos: photos.to_vec(), refused: Vec::new(), notices: Vec::new() };
    check_seen(job, look, Extras::default(), &|_| ())
}

fn six(result: &ResultFile, truth: &[f64; 6]) -> Option<[[f64; 2]; 6]> {
    let station = result.stations.first()?;
    let parts: Vec<[f64; 2]> = station
        .deviations
        .each()
        .into_iter()
        .zip(truth)
        .map(|((_, _, d), truth)| [d.deviation - truth, d.expanded])
        .collect();
    parts.try_into().ok()
}

fn reason(result: &ResultFile) -> String {
    let failed = result.integrity.iter().find(|t| !t.passed).map(|t| format!("{}: {}", t.test, t.subject));
    result.not_measured.clone().or(failed).unwrap_or_default()
}

/// The same placement, but the stand is truly out in one of the six, by a third of `u` (mm or degrees).
fn just_out(placement: &Placement, k: usize, truth: f64, u: f64) -> Placement {
    let mut placement = placement.clone();
    let station = &mut placement.stations[0];
    let edge = if Component::ALL[k].is_angle() { rad_from_deg(1.0) } else { m_from_mm(1.0) };
    let tolerance = 4.0 * u;
    // Deviation = place - required: the required place moves so that the true deviation becomes tolerance + u/3.
    station.required[k] += edge * (truth - (tolerance + u / 3.0));
    station.tolerance[k] = Some(edge * tolerance);
    placement
}

fn near(a: &Detection, b: &Detection, allowed_px: f64) -> bool {
    farthest(a, b) < 6.0 + allowed_px
}

/// Largest distance of corners, px.
fn farthest(a: &Detection, b: &Detection) -> f64 {
    a.corners.iter().zip(&b.corners).map(|(a, b)| (a - b).norm()).fold(0.0, f64::max)
}
