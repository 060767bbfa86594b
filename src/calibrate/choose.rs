//! From located points to a lens: a robust start, the noise that the points show, which terms earn their place, what contradicts the rest.

use crate::calibrate::model::{BEND, BoardView, Free, Model, N_MODEL, SIDE, SKEW, STRETCH};
use crate::calibrate::solve::{Solution, SolveError, SolveOptions, common_errors, group_d2, solve};
use crate::calibrate::start::{
    board_homography, mirrored_pose, pose_from_homography, shape, shape_distance, spans_an_area, start_lenses,
};
use crate::camera::{Lens, N_LENS};
use crate::fit::{chi_square_quantile, median, spd_inverse};
use crate::frames::{Body, Camera, Pose};
use nalgebra::{DMatrix, DVector, Matrix2, Matrix3, SMatrix};

/// Fewer photographs than this are not tried: with three the answer stands, but nothing checks it. Common practice, no source.
pub const FEWEST_VIEWS: usize = 4;

/// Standard normal quantile of the level at which a group of points contradicts the rest: 1 in 30 000. Common practice, no source.
const OUTLIER_Z: f64 = 4.0;

/// A photograph of whose groups more than this share contradicts the rest is left out as a whole. Common practice, no source.
const CONTRADICTING_SHARE: f64 = 0.4;

/// Standard normal quantile of the level (99 %) at which a term of the lens earns its place.
const TERM_Z: f64 = 2.3263;

/// The same (99.9 %) for what may be wrong with the board or the picture.
const EXTRA_Z: f64 = 3.0902;

/// Displacement that all points in one region of the picture have in common in every photograph, px: what blur, tone curve and compression leave, and no
/// comparison of photographs can show. Common practice, no source; a tenth of what a good corner is usually said to be worth.
const COMMON_PX: f64 = 0.01;

/// The regions of that: as fine as such errors change over a picture. Common practice, no source.
const COMMON_CELLS: (usize, usize) = (6, 4);

/// What [`calibrate`] is told besides the points.
#[derive(Clone, Copy, Debug)]
pub struct CalibrateOptions {
    /// Image width, pixels.
    pub width: usize,
    /// Image height, pixels.
    pub height: usize,
    /// Half the diagonal of the board, metres.
    pub half_diagonal_m: f64,
    /// The board has tags, whose side is declared beside their pitch.
    pub has_sides: bool,
    /// Every point's place on the board is known, not only the places of points of one photograph among each other.
    pub absolute: bool,
}

/// A term that was tested.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Term {
    /// Which.
    pub kind: TermKind,
    /// Wald's statistic: the squared estimate in units of its own covariance.
    pub statistic: f64,
    /// How many parameters it has.
    pub parameters: usize,
    /// What the statistic must exceed (chi-square).
    pub critical: f64,
    /// True where it does, and the term is part of the answer.
    pub kept: bool,
}

/// What is tested.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TermKind {
    /// k3.
    ThirdRadial,
    /// p1 and p2.
    Tangential,
    /// Image axes that are not square.
    Skew,
    /// The print is stretched in one direction.
    Stretch,
    /// The tags' side does not go with their pitch as declared.
    Side,
    /// The board is bent.
    Bend,
}

impl TermKind {
    /// Its parameters, as indices into [`crate::calibrate::model::MODEL_PARAMETERS`].
    pub fn parameters(self) -> &'static [usize] {
        match self {
            TermKind::ThirdRadial => &[8],
            TermKind::Tangential => &[6, 7],
            TermKind::Skew => &[SKEW],
            TermKind::Stretch => &[STRETCH],
            TermKind::Side => &[SIDE],
            TermKind::Bend => &[BEND, BEND + 1, BEND + 2],
        }
    }
}

/// A group of points that was left out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dropped {
    /// Index of the photograph.
    pub view: usize,
    /// Its label (tag id, or corner number).
    pub label: usize,
    /// Squared normalised residual.
    pub d2: f64,
}

/// A lens and how well it is known.
#[derive(Clone, Debug)]
pub struct Calibration {
    /// The photographs and points that were used.
    pub views: Vec<BoardView>,
    /// For each of them, its index among the photographs given.
    pub index: Vec<usize>,
    /// The fit.
    pub solution: Solution,
    /// Covariance of the lens: of the fit, scaled by the a-posteriori variance and by [`Self::disagreement`], and what errors common to all photographs add.
    pub cov: SMatrix<f64, N_LENS, N_LENS>,
    /// What the residuals show beyond the points' own covariance, px for each coordinate.
    pub added_px: f64,
    /// By how much the photographs contradict one another beyond the scatter of their corners (ratio of standard deviations, at least 1); [`Self::cov`] holds it.
    pub disagreement: f64,
    /// A-posteriori standard deviation of unit weight; 1 where [`Self::added_px`] could account for everything.
    pub sigma0: f64,
    /// Every term tested, kept or not.
    pub terms: Vec<Term>,
    /// Groups left out.
    pub dropped: Vec<Dropped>,
    /// Photographs (indices among those given) left out as a whole: they contradict the rest.
    pub contradicting: Vec<usize>,
    /// How each view is foreshortened, whatever the lens.
    pub shapes: Vec<Matrix2<f64>>,
}

/// Why there is no lens.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CalibrateError {
    /// Too few photographs show enough of the board.
    #[error("{usable} photographs show enough of the board, and at least {needed} are needed")]
    TooFewViews {
        /// Usable ones.
        usable: usize,
        /// Needed.
        needed: usize,
    },
    /// The views are alike.
    #[error("all photographs show the board from one and the same direction")]
    OneDirection,
    /// The views are all square on.
    #[error("all photographs show the board square on")]
    SquareOn,
    /// No lens explains the photographs.
    #[error("no lens explains these photographs together")]
    NoLens,
    /// The photographs do not determine a parameter (index).
    #[error("the photographs do not determine {0}")]
    Undetermined(&'static str),
}

/// Directions that differ by less than this tell little about a lens, rad: 15 degrees. Common practice, no source.
const LEAST_TILT: f64 = std::f64::consts::PI / 12.0;

/// The same from the poses of a fit, however poor: the board's normals all along the line of sight, or all alike.
pub fn degenerate_poses(poses: &[Pose<Camera, Body>]) -> Option<CalibrateError> {
    let normals: Vec<_> = poses.iter().map(|p| p.rotation().column(2).into_owned()).collect();
    let angle = |cosine: f64| cosine.abs().clamp(0.0, 1.0).acos();
    if normals.iter().all(|n| angle(n.z) < LEAST_TILT) {
        return Some(CalibrateError::SquareOn);
    }
    let differ = normals.iter().enumerate().any(|(k, a)| normals[..k].iter().any(|b| angle(a.dot(b)) >= LEAST_TILT));
    (!differ).then_some(CalibrateError::OneDirection)
}

/// Why views cannot determine a lens, judged without knowing the lens; `None` where their directions differ.
pub fn degenerate(shapes: &[Matrix2<f64>]) -> Option<CalibrateError> {
    let least = -LEAST_TILT.cos().ln();
    if shapes.iter().all(|s| shape_distance(&Matrix2::identity(), s) < least) {
        return Some(CalibrateError::SquareOn);
    }
    let differ = shapes.iter().enumerate().any(|(k, a)| shapes[..k].iter().any(|b| shape_distance(a, b) >= least));
    (!differ).then_some(CalibrateError::OneDirection)
}

/// Finds the lens that explains what the photographs show of a board.
///
/// Start by Zhang's closed form; robust fit; noise level estimated; contradicting points left out; k3 and the tangential terms kept only where Wald's test at
/// 99 % says they are needed (with hundreds of redundant observations its distribution and that of the F test agree); skew, stretch, side and bend are tested at
/// 99.9 % and kept, so that they do not distort the lens.
pub fn calibrate(given: &[BoardView], options: &CalibrateOptions) -> Result<Calibration, CalibrateError> {
    let usable: Vec<usize> = (0..given.len()).filter(|k| spans_an_area(&given[*k])).collect();
    let mut views: Vec<BoardView> = Vec::new();
    let mut index = Vec::new();
    let mut maps = Vec::new();
    for k in usable {
        if let Some(h) = board_homography(&given[k]) {
            views.push(given[k].clone());
            index.push(k);
            maps.push(h);
        }
    }
    if views.len() < FEWEST_VIEWS {
        return Err(CalibrateError::TooFewViews { usable: views.len(), needed: FEWEST_VIEWS });
    }
    let shapes: Vec<Matrix2<f64>> = maps.iter().map(shape).collect();
    let cause = degenerate(&shapes);
    let fail = |other: CalibrateError| cause.clone().unwrap_or(other);
    let mut fit = Fit { views: views.clone(), added_px: 1.0, free: [false; N_MODEL] };
    (0..6).for_each(|k| fit.free[k] = true);
    let start = fit.start(&maps, options).ok_or_else(|| fail(CalibrateError::NoLens))?;
    let mut sorted = Sorted { poses: start.poses.clone(), keep: (0..views.len()).collect(), dropped: Vec::new() };
    let mut solution = start;
    // What contradicts the rest is judged by a lens with all its terms: a missing term must not look like bad corners.
    fit.free[6] = true;
    fit.free[7] = true;
    let whole = [8].into_iter().chain(crooked(options)).fold(fit.free, |mut f, k| {
        f[k] = true;
        f
    });
    for round in 0..6 {
        fit.added_px = fit.noise(&solution, round == 0);
        // Few or weak photographs may not carry all terms: fewer then.
        solution = fit
            .with(whole, &solution, round == 0)
            .or_else(|_| fit.with(fit.free, &solution, round == 0))
            .map_err(|e| fail(undetermined(e)))?;
        fit.added_px = fit.noise(&solution, round == 0);
        let before = (sorted.keep.clone(), sorted.dropped.len());
        // What was left out before may come back.
        fit.sort_out(&views, &mut solution, &mut sorted);
        if fit.views.len() < FEWEST_VIEWS {
            return Err(fail(CalibrateError::TooFewViews { usable: fit.views.len(), needed: FEWEST_VIEWS }));
        }
        if round > 0 && before == (sorted.keep.clone(), sorted.dropped.len()) {
            break;
        }
    }
    let Sorted { keep, dropped, .. } = sorted;
    let dropped: Vec<Dropped> = dropped.into_iter().map(|d| Dropped { view: index[d.view], ..d }).collect();
    let contradicting = (0..views.len()).filter(|k| !keep.contains(k)).map(|k| index[k]).collect();
    let (solution, terms) = fit.select(solution, options).map_err(|e| fail(undetermined(e)))?;
    let variance = if solution.dof > 0.0 { (solution.cost / solution.dof).max(1.0) } else { 1.0 };
    let disagreement = disagreement(&solution);
    let common = common_errors(&solution, &fit.views, fit.added_px, COMMON_CELLS, COMMON_PX);
    let own = solution.cov * variance * disagreement.powi(2);
    let cov = (own + common).fixed_view::<N_LENS, N_LENS>(0, 0).into_owned();
    Ok(Calibration {
        index: keep.iter().map(|k| index[*k]).collect(),
        shapes: keep.iter().map(|k| shapes[*k]).collect(),
        views: fit.views,
        solution,
        cov,
        added_px: fit.added_px,
        disagreement,
        sigma0: variance.sqrt(),
        terms,
        dropped,
        contradicting,
    })
}

fn undetermined(error: SolveError) -> CalibrateError {
    match error {
        SolveError::BadStart => CalibrateError::NoLens,
        SolveError::Undetermined(k) => CalibrateError::Undetermined(crate::calibrate::model::MODEL_PARAMETERS[k]),
    }
}

/// The extras that this board and these photographs allow to be tested.
fn crooked(options: &CalibrateOptions) -> Vec<usize> {
    extras(options).into_iter().flat_map(|t| t.parameters().iter().copied()).collect()
}

fn extras(options: &CalibrateOptions) -> Vec<TermKind> {
    let mut out = vec![TermKind::Skew];
    if options.has_sides {
        out.push(TermKind::Side);
    }
    if options.absolute {
        out.extend([TermKind::Stretch, TermKind::Bend]);
    }
    out
}

/// Which points go together.
struct Sorted {
    /// The last known pose of every photograph.
    poses: Vec<Pose<Camera, Body>>,
    /// The photographs in use.
    keep: Vec<usize>,
    /// Groups left out of these.
    dropped: Vec<Dropped>,
}

/// The state of a calibration on its way.
struct Fit {
    views: Vec<BoardView>,
    added_px: f64,
    free: Free,
}

impl Fit {
    fn with(&self, free: Free, at: &Solution, robust: bool) -> Result<Solution, SolveError> {
        let options = SolveOptions { free, added_px: self.added_px, limit: robust.then_some(20.0), max_iterations: 60 };
        solve(&at.model, &at.poses, &self.views, &options)
    }

    /// The best robust fit from several starts, with every board's pose on the right side of its mirror image.
    fn start(&self, maps: &[Matrix3<f64>], options: &CalibrateOptions) -> Option<Solution> {
        let mut best: Option<Solution> = None;
        for lens in start_lenses(maps, options.width, options.height) {
            let Some(found) = self.trial(lens, maps, options) else { continue };
            if best.as_ref().is_none_or(|b| found.cost < b.cost) {
                best = Some(found);
            }
        }
        let mut best = best?;
        let mut turned = false;
        for k in 0..self.views.len() {
            let one = std::slice::from_ref(&self.views[k]);
            let held = SolveOptions { free: [false; N_MODEL], added_px: 1.0, limit: Some(20.0), max_iterations: 30 };
            let here = solve(&best.model, &best.poses[k..=k], one, &held);
            let there = solve(&best.model, &[mirrored_pose(&best.poses[k])], one, &held);
            if let (Ok(here), Ok(there)) = (here, there)
                && there.cost < 0.9 * here.cost
            {
                best.poses[k] = there.poses[0];
                turned = true;
            }
        }
        if turned { self.with(self.free, &best, true).ok() } else { Some(best) }
    }

    fn trial(&self, lens: Lens, maps: &[Matrix3<f64>], options: &CalibrateOptions) -> Option<Solution> {
        let poses: Option<Vec<Pose<Camera, Body>>> = maps.iter().map(|h| pose_from_homography(&lens, h)).collect();
        // First the focal length and one radial term alone, so that a rough start does not send the others astray.
        let mut few = [false; N_MODEL];
        [0, 1, 4].into_iter().for_each(|k| few[k] = true);
        let rough = SolveOptions { free: few, added_px: 1.0, limit: Some(20.0), max_iterations: 30 };
        let model = Model::new(lens, options.half_diagonal_m);
        let first = solve(&model, &poses?, &self.views, &rough).ok()?;
        let sane = |s: &Solution| s.model.lens.fx > 0.0 && s.model.lens.fy > 0.0;
        self.with(self.free, &first, true).ok().filter(sane)
    }

    /// The standard deviation to add to every coordinate so that the residuals are as large as they should be.
    ///
    /// `robust`: by the median of the groups; otherwise by their sum, which must be the redundancy.
    fn noise(&self, at: &Solution, robust: bool) -> f64 {
        let share = (at.dof / (at.dof + self.unknowns(at))).max(0.1);
        let measure = |added: f64| -> f64 {
            let d2 = self.views.iter().zip(&at.poses).flat_map(|(v, p)| {
                v.groups.iter().map(move |g| (group_d2(&at.model, p, g, added), 2.0 * g.points.len() as f64))
            });
            if robust {
                // The median of chi-square with m degrees of freedom is near m (1 - 2/(9m))³.
                let ratios: Vec<f64> = d2.map(|(d2, m)| d2 / (m * (1.0 - 2.0 / (9.0 * m)).powi(3) * share)).collect();
                median(&ratios).unwrap_or(0.0)
            } else {
                let (sum, n) = d2.fold((0.0, 0.0), |(s, n), (d2, m)| (s + d2, n + m));
                sum / (n * share)
            }
        };
        if measure(0.0) <= 1.0 {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, 1.0);
        while measure(high) > 1.0 && high < 1e4 {
            high *= 2.0;
        }
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if measure(middle) > 1.0 { low = middle } else { high = middle }
        }
        0.5 * (low + high)
    }

    fn unknowns(&self, at: &Solution) -> f64 {
        (6 * self.views.len() + at.free.iter().filter(|f| **f).count()) as f64
    }

    /// Sorts all points anew into those that go together with the fit and those that contradict it, and whole photographs of which too many do.
    fn sort_out(&mut self, all: &[BoardView], at: &mut Solution, sorted: &mut Sorted) {
        for (k, pose) in sorted.keep.iter().zip(&at.poses) {
            sorted.poses[*k] = *pose;
        }
        let held =
            SolveOptions { free: [false; N_MODEL], added_px: self.added_px, limit: Some(20.0), max_iterations: 20 };
        let (mut views, mut poses, mut keep) = (Vec::new(), Vec::new(), Vec::new());
        sorted.dropped.clear();
        for (k, view) in all.iter().enumerate() {
            if !sorted.keep.contains(&k)
                && let Ok(alone) = solve(&at.model, &sorted.poses[k..=k], std::slice::from_ref(view), &held)
            {
                sorted.poses[k] = alone.poses[0];
            }
            let (mut good, mut wrong) = (Vec::new(), Vec::new());
            for group in &view.groups {
                let d2 = group_d2(&at.model, &sorted.poses[k], group, self.added_px);
                if d2 <= chi_square_quantile(OUTLIER_Z, 2.0 * group.points.len() as f64) {
                    good.push(group.clone());
                } else {
                    wrong.push(Dropped { view: k, label: group.label, d2 });
                }
            }
            let rest = BoardView { name: view.name.clone(), groups: good };
            if wrong.len() as f64 > CONTRADICTING_SHARE * view.groups.len() as f64 || !spans_an_area(&rest) {
                continue;
            }
            sorted.dropped.extend(wrong);
            views.push(rest);
            poses.push(sorted.poses[k]);
            keep.push(k);
        }
        self.views = views;
        at.poses = poses;
        sorted.keep = keep;
    }

    /// Keeps the terms that earn their place.
    fn select(&mut self, at: Solution, options: &CalibrateOptions) -> Result<(Solution, Vec<Term>), SolveError> {
        let lens_terms = [TermKind::ThirdRadial, TermKind::Tangential];
        let mut free: Free = [false; N_MODEL];
        (0..N_LENS).for_each(|k| free[k] = true);
        let mut terms = Vec::new();
        // The extras first, beside a lens with all its terms; only those that the photographs can tell at all.
        let extra = extras(options);
        let mut with_extras = free;
        crooked(options).into_iter().for_each(|k| with_extras[k] = true);
        let mut solution = at;
        match self.with(with_extras, &solution, false) {
            Ok(whole) => {
                for kind in extra {
                    let term = wald(&whole, kind, EXTRA_Z);
                    if term.kept {
                        kind.parameters().iter().for_each(|k| free[*k] = true);
                    }
                    terms.push(term);
                }
                solution = whole;
            }
            Err(_) => solution = self.with(free, &solution.held(&free), false)?,
        }
        solution = self.with(free, &solution.held(&free), false)?;
        self.added_px = self.noise(&solution, false);
        solution = self.with(free, &solution, false)?;
        // Then the lens's own terms, the least needed first.
        loop {
            let tested: Vec<Term> = lens_terms
                .into_iter()
                .filter(|t| free[t.parameters()[0]])
                .map(|t| wald(&solution, t, TERM_Z))
                .collect();
            let weakest = tested
                .iter()
                .filter(|t| !t.kept)
                .min_by(|a, b| (a.statistic / a.critical).total_cmp(&(b.statistic / b.critical)));
            let Some(out) = weakest else {
                terms.extend(tested);
                break;
            };
            terms.push(*out);
            out.kind.parameters().iter().for_each(|k| free[*k] = false);
            solution = self.with(free, &solution.held(&free), false)?;
        }
        self.added_px = self.noise(&solution, false);
        solution = self.with(free, &solution, false)?;
        Ok((solution, terms))
    }
}

impl Solution {
    /// The same with every parameter that is not free set to zero.
    fn held(&self, free: &Free) -> Solution {
        let mut p = self.model.parameters();
        (0..N_MODEL).filter(|k| !free[*k]).for_each(|k| p[k] = 0.0);
        Solution { model: self.model.with_parameters(&p), ..self.clone() }
    }
}

/// By how much photographs contradict one another beyond the scatter of their corners: ratio of standard deviations, at least 1.
///
/// At the solution the photographs' pulls g (reduced gradients) sum to zero; with independent corners the covariance of one is S - S C S (S its share of the
/// normal matrix, C the covariance of the answer). What photographs have in common in themselves (a board bent differently, a picture blurred one way) makes
/// the pulls larger: Σ gᵀ C g over its expectation tells by how much. The idea is that of covariance estimates clustered by group, with one factor for all
/// parameters, because a dozen photographs carry no more.
fn disagreement(s: &Solution) -> f64 {
    let variance = if s.dof > 0.0 { (s.cost / s.dof).max(1.0) } else { 1.0 };
    let (mut seen, mut expected) = (0.0, 0.0);
    for (pull, share) in s.pulls.iter().zip(&s.shares) {
        seen += (pull.transpose() * s.cov * pull)[(0, 0)];
        let known = s.cov * share;
        expected += (known - known * known).trace();
    }
    if expected > 1e-9 { (seen / (expected * variance)).max(1.0).sqrt() } else { 1.0 }
}

/// Wald's test of a term: its squared estimate in units of its covariance, against the chi-square quantile at the level with normal quantile `z`.
fn wald(solution: &Solution, kind: TermKind, z: f64) -> Term {
    let at = kind.parameters();
    let n = at.len();
    let p = solution.model.parameters();
    let value = DVector::from_fn(n, |i, _| p[at[i]]);
    let variance = if solution.dof > 0.0 { (solution.cost / solution.dof).max(1.0) } else { 1.0 };
    let scale = variance * disagreement(solution).powi(2);
    let cov = DMatrix::from_fn(n, n, |i, j| solution.cov[(at[i], at[j])] * scale);
    let statistic = spd_inverse(&cov).map_or(0.0, |i| (value.transpose() * i * &value)[(0, 0)]);
    let critical = chi_square_quantile(z, n as f64);
    Term { kind, statistic, parameters: n, critical, kept: statistic > critical }
}
