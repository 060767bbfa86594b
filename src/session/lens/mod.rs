//! A lens profile from photographs of a board: read, find, fit, find again with the lens known, fit again, judge whether it can be trusted.

mod shots;
mod words;

pub use words::{advice_words, place_words, term_words};

use crate::calibrate::advice::{Advice, two_more};
use crate::calibrate::choose::{degenerate, degenerate_poses};
use crate::calibrate::quality::{RayGrid, RayQuality, Region, ViewEffect, regions, rms_px, view_effects};
use crate::calibrate::seen::{is_absolute, refine_with_lens};
use crate::calibrate::{Board, CalibrateError, CalibrateOptions, Calibration, calibrate};
use crate::camera::Lens;
use crate::raster::ToneCurve;
use crate::record::{BoardPhoto, LensProfile, MadeFrom, Notice};
use crate::session::{Failure, Progress, Watch};
use crate::tags::light::Tone;
use rayon::prelude::*;
use shots::{Shot, read_shots};
use std::path::PathBuf;

/// What a lens profile is to be made from.
#[derive(Clone, Debug)]
pub struct LensRequest {
    /// Photographs of the board.
    pub photos: Vec<PathBuf>,
    /// The board.
    pub board: Board,
    /// How messages call the board's file.
    pub board_file: String,
    /// SHA-256 of the board's file, hexadecimal.
    pub board_sha256: String,
    /// The camera, in the user's words; otherwise what the photographs say.
    pub camera: Option<String>,
    /// When, in the user's words; otherwise what the photographs or their files say.
    pub made: Option<String>,
    /// How it was focused, in the user's words.
    pub focus: Option<String>,
}

/// A lens profile with all that is known about it.
#[derive(Clone, Debug)]
pub struct LensResult {
    /// The profile.
    pub profile: LensProfile,
    /// The fit behind it.
    pub calibration: Calibration,
    /// What each photograph contributes, in the order of [`Calibration::views`].
    pub effects: Vec<ViewEffect>,
    /// The residual map.
    pub regions: Vec<Region>,
    /// How well rays are known over the picture.
    pub rays: Vec<RayQuality>,
    /// Photographs that would help most.
    pub advice: Vec<Advice>,
    /// What should be known.
    pub notices: Vec<Notice>,
    /// Why the profile must not be used; `None` where it may.
    pub untrusted: Option<String>,
}

/// A ray's standard uncertainty (px, median over the picture) above which a profile is not written. Common practice, no source.
const LARGEST_RAY_PX: f64 = 0.7;
/// The same of the focal length, relative: a millimetre in 200. Common practice, no source.
const LARGEST_FOCAL: f64 = 0.005;
/// Corner noise beyond the detector's own above which no lens explains the photographs, px. Common practice, no source.
const LARGEST_NOISE_PX: f64 = 1.0;
/// A mean residual of a region above this, px, and this many times its standard deviation, is a pattern. Common practice, no source.
const PATTERN_PX: f64 = 0.15;
const PATTERN_SIGMA: f64 = 5.0;
/// A board bent by more than this share of its half diagonal is no plane any more, and what is left beyond a parabola is not known. Common practice, no source.
const LARGEST_BEND: f64 = 0.02;

/// Makes a lens profile. Photographs that cannot be used are named in the notices; what makes the whole set unusable is a failure that says what to do.
pub fn lens(request: &LensRequest, watch: Watch) -> Result<LensResult, Failure> {
    let (mut shots, mut notices) = read_shots(request, watch)?;
    watch(Progress::Surveying);
    let (width, height) = (shots[0].gray.width(), shots[0].gray.height());
    let square = request.board.columns == request.board.rows;
    let options = CalibrateOptions {
        width,
        height,
        half_diagonal_m: request.board.half_diagonal_m(),
        has_sides: is_absolute(&request.board),
        absolute: is_absolute(&request.board) || (!square && shots.iter().all(|s| s.whole)),
    };
    let fit = |shots: &[Shot]| {
        let views: Vec<_> = shots.iter().map(|s| s.seen.view.clone()).collect();
        calibrate(&views, &options)
    };
    let tone = ToneCurve::Srgb;
    let mut calibration = fit(&shots).map_err(|e| refused(&e, &notices))?;
    if options.has_sides {
        // The lens is known now, and with it the tags' sides are straight: locate them once more.
        let first = calibration.solution.model.lens;
        let table = Tone::new(&tone);
        shots.par_iter_mut().for_each(|s| refine_with_lens(&s.gray, &mut s.seen.view, &table, &first));
        calibration = fit(&shots).map_err(|e| refused(&e, &notices))?;
    }
    let lens = calibration.solution.model.lens;
    let effects = view_effects(&calibration);
    let regions = regions(&calibration);
    let rays = RayGrid::new(&lens, 9, 7).quality(&calibration.cov);
    let names: Vec<String> = shots.iter().map(|s| s.name.clone()).collect();
    notices.extend(words::notices(&calibration, &effects, &regions, &rays, &names, request));
    let untrusted = untrusted(&calibration, &regions, &rays);
    let advice = two_more(&calibration, &request.board);
    let profile = profile(request, &shots, &calibration, &effects, &regions, tone);
    Ok(LensResult { profile, calibration, effects, regions, rays, advice, notices, untrusted })
}

fn refused(error: &CalibrateError, notices: &[Notice]) -> Failure {
    Failure::NotMeasurable { reason: words::why_no_lens(error), notices: notices.to_vec() }
}

/// Why a lens must not be used although there is a fit.
fn untrusted(c: &Calibration, regions: &[Region], rays: &[RayQuality]) -> Option<String> {
    let lens = &c.solution.model.lens;
    if let Some(why) = lens.implausible() {
        return Some(format!("what came out cannot be a lens: {why}. {}", words::TAKE_MORE));
    }
    if c.added_px > LARGEST_NOISE_PX {
        return Some(format!(
            "the photographs fit together only to {:.1} px. Is the board flat, is it the board that its file describes, and were all photographs taken with one \
             camera at one focus and zoom?",
            c.added_px
        ));
    }
    let bend = words::bend_m(c);
    if bend > LARGEST_BEND * c.solution.model.half_diagonal_m {
        return Some(format!(
            "the board is not flat: its residuals follow a surface that is bent by {:.1} mm. Mount it on glass, aluminium or thick board and photograph it again.",
            crate::units::mm_from_m(bend)
        ));
    }
    let sds: Vec<f64> = rays.iter().map(|r| r.sd_px).collect();
    let ray = crate::fit::median(&sds).unwrap_or(f64::INFINITY);
    let focal = (c.cov[(0, 0)].sqrt() / lens.fx).max(c.cov[(1, 1)].sqrt() / lens.fy);
    let weak = !(ray <= LARGEST_RAY_PX && focal <= LARGEST_FOCAL);
    if weak && let Some(cause) = degenerate(&c.shapes).or_else(|| degenerate_poses(&c.solution.poses)) {
        return Some(words::why_no_lens(&cause));
    }
    if weak {
        return Some(format!(
            "the photographs leave the lens too uncertain: rays to {ray:.2} px, the focal length to {:.2} % (standard uncertainty; {LARGEST_RAY_PX} px and \
             {:.1} % are allowed). {}",
            100.0 * focal,
            100.0 * LARGEST_FOCAL,
            words::TAKE_MORE
        ));
    }
    let pattern = regions.iter().filter(|r| r.significance > PATTERN_SIGMA && r.mean.norm() > 2.0 * PATTERN_PX).count();
    (pattern >= 3).then(|| {
        format!(
            "in {pattern} regions of the picture the residuals point the same way in every photograph: this lens, or this board, is not what the model says. A board on a \
             curved surface does that, and so do pictures that were straightened, cropped or stabilised by the camera: switch that off."
        )
    })
}

fn profile(
    request: &LensRequest,
    shots: &[Shot],
    c: &Calibration,
    effects: &[ViewEffect],
    regions: &[Region],
    tone: ToneCurve,
) -> LensProfile {
    let facts = shots.iter().find_map(|s| s.exif.facts());
    let identity = facts.map(|f| f.identity.clone()).unwrap_or_default();
    let written = [identity.make.clone(), identity.model.clone()].into_iter().flatten().collect::<Vec<_>>().join(" ");
    let unnamed = if written.is_empty() { "camera that does not name itself".to_owned() } else { written };
    let lens: Lens = c.solution.model.lens;
    let photographs = c
        .index
        .iter()
        .zip(effects)
        .map(|(k, e)| BoardPhoto {
            name: shots[*k].file_name.clone(),
            sha256: shots[*k].sha256.clone(),
            points: e.n_points,
            rms_px: e.rms_px,
            share: e.share,
        })
        .collect();
    LensProfile {
        file: String::new(),
        camera: request.camera.clone().unwrap_or_else(|| format!("{unnamed}, {} x {}", lens.width, lens.height)),
        made: request.made.clone().or_else(|| shots.iter().filter_map(|s| s.date.clone()).max()),
        lens,
        cov: Some(Box::new(c.cov)),
        tone,
        focus: request.focus.clone(),
        identity,
        made_from: Some(MadeFrom {
            board: request.board_file.clone(),
            board_sha256: request.board_sha256.clone(),
            rms_px: rms_px(c),
            unmodelled_px: c.added_px,
            disagreement: c.disagreement,
            redundancy: c.solution.dof,
            terms: c.terms.iter().map(|t| term_words(c, t)).collect(),
            regions: regions.iter().filter(|r| r.n > 0).copied().collect(),
            photographs,
        }),
    }
}
