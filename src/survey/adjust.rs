//! The survey from start to end: network, adjustment, mirror check, noise level, outliers, covariance.

use super::allowed::Allowed;
use super::bundle::solve;
use super::covariance::Covariance;
use super::integrity::Named;
use super::network::{Board, Network};
use super::pieces::each;
use super::problem::Problem;
use super::rows::{MeasuredBlock, Weights, measured_blocks, view_residual};
use super::unknowns::{Extent, Layout, State};
use super::{LensFreedom, Stage, Survey, SurveyError, SurveyInput, SurveyOptions};
use crate::body::TagPlace;
use crate::camera::Lens;
use crate::fit::chi_square::ln_tail;
use crate::fit::{chi_square_quantile, normal_quantile};
use crate::frames::Pose;
use nalgebra::SVector;
use std::collections::BTreeSet;

/// Corner noise added while the adjustment may still hold gross errors, pixels.
const ROUGH_PX: f64 = 0.3;

/// d² at which a view starts to count less while the adjustment may still hold gross errors (8 numbers, 3 sigma each).
const ROUGH_LIMIT: f64 = 72.0;

/// Shares of the stated focal length that a free lens is started from besides the whole: a guess from a data sheet is good to about 5 %.
const FREE_LENS_STARTS: &[f64] = &[0.95, 1.05];

/// Times the network is put together again at most on what the last one says of a free lens.
const MAX_REBUILDS: usize = 3;

/// Rounds of turning mirror poses over, the most tried in a round, and the adjustment steps each gets.
const MAX_MIRROR_ROUNDS: usize = 4;
const MAX_MIRRORS: usize = 40;
/// A large network pins each of its poses better and costs more to adjust: fewer are tried, so that trying one after the other handles about this many
/// views, but never fewer than this.
const MIRROR_VIEWS: usize = 120_000;
const FEWEST_MIRRORS: usize = 6;
const MIRROR_STEPS: usize = 12;

/// An adjustment is done when a step lowers the cost by less than this share: while views may still go, and in the end.
const ROUGH_GAIN: f64 = 1e-6;
pub(super) const FINAL_GAIN: f64 = 1e-11;

/// Rounds at most until the noise level and the solution agree, before views are tested.
const MOST_UNSETTLED: usize = 4;

/// Among this many views of a body one bad one hardly shows in the test values of the others.
const VIEWS_PER_BAD_ONE: usize = 100;

/// Standard normal quantile of 99 %: noise is only added where chance alone would hardly explain the residuals.
const NOISE_Z: f64 = 2.3263;

/// Solves the survey.
///
/// The result is in the frame of the reference body (the one seen in most photographs), which is held; scale comes from the tags' sides. Views that
/// the test rejects are listed, not hidden. Errors: see [`SurveyError`]. Never panics on finite input; the order of photographs and tags does not
/// matter beyond rounding.
pub fn adjust(input: &SurveyInput, options: &SurveyOptions) -> Result<Survey, SurveyError> {
    adjust_watched(input, options, &mut |_| {})
}

/// The same; `watch` is called at the end of each stage.
pub fn adjust_watched(
    input: &SurveyInput,
    options: &SurveyOptions,
    watch: &mut dyn FnMut(Stage),
) -> Result<Survey, SurveyError> {
    let mut dropped = Vec::new();
    let problem = Problem::new(input, &mut dropped)?;
    let lens_free = input.lenses.iter().any(|l| matches!(l.freedom, LensFreedom::Free(_)));
    // A mirror pose is chosen by differences of a pixel, less than an uncalibrated lens bends. With a free lens the network is therefore built
    // on several focal lengths, then again on what the best says of the lens, as long as that helps.
    let mut board = Board::new(&problem, input.lenses.iter().map(|l| l.lens).collect());
    watch(Stage::Poses);
    let mut best = Rough::best_of(&problem, &mut board, watch);
    for scale in if lens_free { FREE_LENS_STARTS } else { &[] } {
        board = Board::new(&problem, scaled_lenses(input, *scale));
        best = best.into_iter().chain(Rough::best_of(&problem, &mut board, watch)).reduce(Rough::better);
    }
    for _ in 0..if lens_free { MAX_REBUILDS } else { 0 } {
        let Some(known) = best.take() else { break };
        let before = known.cost;
        board = Board::new(&problem, known.run.state.lenses.clone());
        let chosen = std::iter::once(known).chain(Rough::best_of(&problem, &mut board, watch)).reduce(Rough::better);
        let helped = chosen.as_ref().is_some_and(|c| c.cost < 0.99 * before);
        best = chosen;
        if !helped {
            break;
        }
    }
    let Some(Rough { mut run, network, .. }) = best else {
        return Err(SurveyError::NothingLinked { n_photos: input.photos.len(), n_views: problem.views.len() });
    };
    if lens_free {
        board = Board::new(&problem, run.state.lenses.clone());
        watch(Stage::Poses);
    } else {
        board.lenses.clone_from(&run.state.lenses);
    }
    let unmodelled_px = run.reject_outliers(options, watch)?;
    run.finish(unmodelled_px, &board, &network, dropped, watch)
}

/// A network after its first, robust adjustment.
struct Rough<'a> {
    run: Run<'a>,
    network: Network,
    cost: f64,
}

/// The lenses with the focal lengths of the free ones scaled.
fn scaled_lenses(input: &SurveyInput, scale: f64) -> Vec<Lens> {
    let scaled = |l: &super::LensInput| match l.freedom {
        LensFreedom::Free(_) => Lens { fx: l.lens.fx * scale, fy: l.lens.fy * scale, ..l.lens },
        _ => l.lens,
    };
    input.lenses.iter().map(scaled).collect()
}

impl<'a> Rough<'a> {
    /// The best of the networks that the board's present lenses suggest.
    fn best_of(problem: &'a Problem<'a>, board: &mut Board, watch: &mut dyn FnMut(Stage)) -> Option<Self> {
        let networks = board.build();
        watch(Stage::Network);
        networks.into_iter().filter_map(|network| Rough::new(problem, board, network, watch)).reduce(Rough::better)
    }

    fn new(
        problem: &'a Problem<'a>,
        board: &mut Board,
        network: Network,
        watch: &mut dyn FnMut(Stage),
    ) -> Option<Self> {
        let extent = tied(problem, &network).ok()?;
        let tied = extent.views.clone();
        let state = start(problem, &network, &extent);
        let mut run =
            Run { problem, state, extent, iterations: 0, tied, named: Vec::new(), named_all: false, namings: 0 };
        run.state.lenses.clone_from(board.lenses());
        let cost = run.rough(board, watch).ok()?;
        Some(Self { run, network, cost })
    }

    /// The one that explains more views, or as many at less cost.
    fn better(self, other: Self) -> Self {
        let (a, b) = (self.run.extent.views.len(), other.run.extent.views.len());
        if b > a || (b == a && other.cost < self.cost) { other } else { self }
    }
}

/// What takes part: views between tied-in photographs and bodies, without photographs that tie nothing.
fn tied(problem: &Problem, network: &Network) -> Result<Extent, SurveyError> {
    let mut views = Vec::new();
    let mut photos = Vec::new();
    let placed = |instance: usize| network.world_from_instance[instance].is_some();
    for (p, list) in problem.views_of_photo.iter().enumerate() {
        let usable: Vec<usize> = list
            .iter()
            .copied()
            .filter(|&v| {
                let view = &problem.views[v];
                let free = matches!(problem.input.kit.bodies[view.body].tags[view.tag].place, TagPlace::Free);
                placed(view.instance) && (!free || network.free_place(view.body, view.tag, problem).is_some())
            })
            .collect();
        // One tag alone in a photograph takes six unknowns to place the camera and ties nothing.
        if network.camera_from_world[p].is_some() && usable.len() >= 2 {
            photos.push(p);
            views.extend(usable);
        }
    }
    let mut count = vec![0usize; problem.instances.len()];
    for &v in &views {
        count[problem.views[v].instance] += 1;
    }
    let reference = (0..count.len()).max_by_key(|&i| (count[i], usize::MAX - i)).unwrap_or(0);
    if photos.is_empty() || n_linked(problem, &views) < 2 {
        return Err(SurveyError::NothingLinked { n_photos: problem.input.photos.len(), n_views: problem.views.len() });
    }
    Ok(Extent { views, photos, reference })
}

/// How many things these views link: bodies as they stand, and tags of free place, which only photographs link to their own body.
fn n_linked(problem: &Problem, views: &[usize]) -> usize {
    let views = || views.iter().map(|&v| &problem.views[v]);
    let bodies: BTreeSet<usize> = views().map(|v| v.instance).collect();
    let free: BTreeSet<(usize, usize)> =
        views().filter(|v| problem.place(v).is_none()).map(|v| (v.body, v.tag)).collect();
    bodies.len() + free.len()
}

/// Start values in the reference body's frame.
fn start(problem: &Problem, network: &Network, extent: &Extent) -> State {
    let kit = &problem.input.kit;
    // The network's world becomes the reference body's frame.
    let new_from_old = network.world_from_instance[extent.reference]
        .map_or(Pose::coincident(), |world_from_body| Pose::claim(*world_from_body.inverse().iso()));
    let old_from_new = new_from_old.inverse();
    State {
        camera_from_world: network
            .camera_from_world
            .iter()
            .map(|camera| camera.map_or(Pose::coincident(), |c| c * old_from_new))
            .collect(),
        world_from_instance: network
            .world_from_instance
            .iter()
            .map(|body| body.map_or(Pose::coincident(), |b| new_from_old * b))
            .collect(),
        body_from_tag: kit
            .bodies
            .iter()
            .enumerate()
            .map(|(b, body)| {
                body.tags
                    .iter()
                    .enumerate()
                    .map(|(t, tag)| match &tag.place {
                        TagPlace::Known(pose) | TagPlace::Measured { body_from_tag: pose, .. } => *pose,
                        TagPlace::Free => network.free_place(b, t, problem).unwrap_or(Pose::coincident()),
                    })
                    .collect()
            })
            .collect(),
        common_scale: vec![0.0; kit.prints.len()],
        axis_scale: vec![[0.0; 2]; kit.prints.len()],
        tag_scale: kit.bodies.iter().map(|b| vec![0.0; b.tags.len()]).collect(),
        lenses: problem.input.lenses.iter().map(|l| l.lens).collect(),
        roll: None,
        allowed: Allowed::default(),
    }
}

/// The adjustment under way.
pub(super) struct Run<'a> {
    pub problem: &'a Problem<'a>,
    pub state: State,
    pub extent: Extent,
    pub iterations: usize,
    /// The views tied in at first, before any was rejected.
    pub tied: Vec<usize>,
    /// Faults found and allowed for.
    pub named: Vec<Named>,
    /// True once no more are looked for.
    pub named_all: bool,
    /// How often a fault was named, those that a later one overruled among them.
    pub namings: usize,
}

type Spread = (SVector<f64, 8>, SVector<f64, 8>);

impl Run<'_> {
    pub fn solve(&mut self, layout: &Layout, weights: &Weights, most: usize, gain: f64) -> Result<f64, SurveyError> {
        let (state, cost, steps) = solve(self.problem, layout, &self.state, weights, &self.extent, most, gain)
            .ok_or(SurveyError::BehindCamera)?;
        self.state = state;
        self.iterations += steps;
        Ok(cost)
    }

    /// Robust rounds with generous noise; after each, every mirror pose is tried again in the adjusted network.
    fn rough(&mut self, board: &mut Board, watch: &mut dyn FnMut(Stage)) -> Result<f64, SurveyError> {
        let weights = Weights::new(self.problem, ROUGH_PX, Some(ROUGH_LIMIT));
        let held = Layout::new(self.problem, &self.extent, &self.state.allowed, false);
        let full = Layout::new(self.problem, &self.extent, &self.state.allowed, true);
        self.solve(&held, &weights, 12, ROUGH_GAIN)?;
        let mut cost = self.solve(&full, &weights, 15, ROUGH_GAIN)?;
        watch(Stage::Rough);
        for _ in 0..3 {
            if !board.mirror_check(&mut self.state, &self.extent) {
                break;
            }
            cost = self.solve(&full, &weights, 15, ROUGH_GAIN)?;
        }
        let cost = self.try_mirrors(board, &full, &weights, cost)?;
        watch(Stage::Mirrors);
        Ok(cost)
    }

    /// Turns over, one at a time, everything whose mirror pose is still possible, adjusts again, and keeps what lowers the cost.
    ///
    /// A tag seen nearly square on keeps a mirror solution of nearly equal cost that no single view can exclude; only the whole network can.
    fn try_mirrors(
        &mut self,
        board: &Board,
        layout: &Layout,
        weights: &Weights,
        start: f64,
    ) -> Result<f64, SurveyError> {
        let mut cost = start;
        for _ in 0..MAX_MIRROR_ROUNDS {
            let before = cost;
            let most = (MIRROR_VIEWS / self.extent.views.len().max(1)).clamp(FEWEST_MIRRORS, MAX_MIRRORS);
            for other in board.alternatives(&self.state, &self.extent, most) {
                let Some((state, other_cost, steps)) =
                    solve(self.problem, layout, &other, weights, &self.extent, MIRROR_STEPS, ROUGH_GAIN)
                else {
                    continue;
                };
                self.iterations += steps;
                if other_cost < 0.998 * cost {
                    self.state = state;
                    cost = other_cost;
                }
            }
            if cost > 0.995 * before {
                break;
            }
        }
        Ok(cost)
    }

    /// For every view in the adjustment: its squared residuals along the axes of its covariance, and the variances there.
    fn spread(&self) -> Vec<Spread> {
        each(self.extent.views.len(), 500, |at| {
            let view = &self.problem.views[self.extent.views[at]];
            let along = view_residual(self.problem, &self.state, view)
                .map_or_else(|| SVector::<f64, 8>::repeat(f64::INFINITY), |r| view.axes.tr_mul(&r));
            (along.component_mul(&along), view.variances)
        })
    }

    /// Observed values minus unknowns.
    pub fn redundancy(&self, layout: &Layout) -> f64 {
        (8 * self.extent.views.len() + layout.n_measured) as f64
            - (6 * self.extent.photos.len() + layout.n_columns) as f64
    }

    /// The noise level that makes the a-posteriori variance 1, by bisection; 0 where chance explains the residuals without it.
    fn noise_level(&self, layout: &Layout) -> f64 {
        let redundancy = self.redundancy(layout).max(1.0);
        let spread = self.spread();
        // The redundancy counts the values known beforehand, so their share of the chi-square belongs to it.
        let measured: f64 = measured_blocks(self.problem, layout, &self.state).iter().map(MeasuredBlock::cost).sum();
        let chi2 = |noise: f64| -> f64 {
            let views: f64 = spread
                .iter()
                .map(|(squares, variances)| squares.component_div(&variances.add_scalar(noise * noise)).sum())
                .sum();
            measured + views
        };
        if chi2(0.0) <= chi_square_quantile(NOISE_Z, redundancy) {
            return 0.0;
        }
        let (mut low, mut high) = (0.0, 0.01);
        while chi2(high) > redundancy && high < 100.0 {
            low = high;
            high *= 2.0;
        }
        for _ in 0..40 {
            let middle = 0.5 * (low + high);
            if chi2(middle) > redundancy {
                low = middle;
            } else {
                high = middle;
            }
        }
        high
    }

    /// Rejects the worst views one after the other until the test accepts the rest; returns the noise level.
    ///
    /// The noise level of each round comes from all views still in, the bad ones included (as in Pope's tau test): a level from the better half
    /// would condemn half of a network whose photographs differ in quality. At most one view of a photograph and few of a body go in each
    /// round, since one bad view spoils its neighbours' test values.
    fn reject_outliers(&mut self, options: &SurveyOptions, watch: &mut dyn FnMut(Stage)) -> Result<f64, SurveyError> {
        let n_views = self.extent.views.len();
        let limit = (options.max_rejected * n_views as f64).ceil() as usize;
        let z = -normal_quantile(options.false_alarm / n_views.max(1) as f64);
        let mut rejected = 0;
        let mut rounds_settling = 0;
        let mut unsettled = 0;
        loop {
            let layout = Layout::new(self.problem, &self.extent, &self.state.allowed, true);
            let noise = self.noise_level(&layout);
            self.solve(&layout, &Weights::new(self.problem, noise, None), 12, ROUGH_GAIN)?;
            // The weights depend on the level and the level on the residuals; once nothing is left to reject, it has to settle.
            let next = self.noise_level(&layout);
            let settled = (next - noise).abs() <= 0.02 * noise.max(0.005);
            let noise = next;
            watch(Stage::Weighing);
            // The tests hold at the minimum only, and the minimum moves with the weights.
            if !settled && unsettled < MOST_UNSETTLED {
                unsettled += 1;
                continue;
            }
            unsettled = 0;
            let weights = Weights::new(self.problem, noise, None);
            let covariance = Covariance::new(self.problem, &layout, &self.state, &weights, &self.extent)?;
            watch(Stage::Covariance);
            let tests = covariance.tests(self.problem, &self.extent);
            watch(Stage::ViewTests);
            let mut worst: Vec<(f64, usize)> = tests
                .iter()
                .filter(|(_, t)| t.dof > 0)
                .map(|(v, t)| (t.statistic / chi_square_quantile(z, t.dof as f64), *v))
                .filter(|(ratio, _)| *ratio > 1.0)
                .collect();
            worst.sort_by(|a, b| b.0.total_cmp(&a.0));
            let chances = tests.iter().filter(|(_, t)| t.dof > 0).map(|(_, t)| ln_tail(t.statistic, t.dof));
            let named = self.name_fault(&weights, &covariance, chances.fold(0.0, f64::min));
            watch(Stage::FaultTests);
            if named {
                rounds_settling = 0;
                continue;
            }
            if worst.is_empty() && settled && self.withdraw_faults(&layout, &weights, &covariance) {
                continue;
            }
            if worst.is_empty() {
                rounds_settling += 1;
                if settled || rounds_settling > 4 {
                    return Ok(noise);
                }
                continue;
            }
            let gone = self.worst_apart(&worst);
            rejected += gone.len();
            if rejected > limit {
                return Err(SurveyError::Contradiction { rejected, views: n_views });
            }
            self.extent.views.retain(|v| !gone.contains(v));
            self.drop_doubtful();
            self.drop_untied();
            let left = &self.extent.views;
            let holds = left.iter().any(|&v| self.problem.views[v].instance == self.extent.reference);
            if n_linked(self.problem, left) < 2 || !holds {
                return Err(SurveyError::Contradiction { rejected, views: n_views });
            }
        }
    }

    /// Of the views that fail (ratio to their limit, worst first) those that go in this round: one of each photograph, and of a body one for each
    /// [`VIEWS_PER_BAD_ONE`] views of it.
    fn worst_apart(&self, worst: &[(f64, usize)]) -> BTreeSet<usize> {
        let mut n_views = vec![0usize; self.problem.instances.len()];
        for &v in &self.extent.views {
            n_views[self.problem.views[v].instance] += 1;
        }
        let mut photos = BTreeSet::new();
        let mut n_gone = vec![0usize; n_views.len()];
        let mut gone = BTreeSet::new();
        for &(ratio, v) in worst {
            let (photo, instance) = (self.problem.views[v].photo, self.problem.views[v].instance);
            let room = n_gone[instance] < 1 + n_views[instance] / VIEWS_PER_BAD_ONE && !photos.contains(&photo);
            // Only the clearly worst go in company; borderline ones wait for a cleaner network.
            if room && (gone.is_empty() || ratio > 2.0) {
                gone.insert(v);
                photos.insert(photo);
                n_gone[instance] += 1;
            }
        }
        gone
    }

    /// A body of whose views more than half were rejected is not where, or not what, it is said to be: the few views that still fit are chance, so
    /// all of it leaves the adjustment. Likewise a photograph.
    fn drop_doubtful(&mut self) {
        let problem = self.problem;
        let count = |views: &[usize], of: &dyn Fn(usize) -> usize, n: usize| {
            let mut counts = vec![0usize; n];
            for &v in views {
                counts[of(v)] += 1;
            }
            counts
        };
        let instance = |v: usize| problem.views[v].instance;
        let photo = |v: usize| problem.views[v].photo;
        let (n_instances, n_photos) = (problem.instances.len(), problem.input.photos.len());
        let was = count(&self.tied, &instance, n_instances);
        let is = count(&self.extent.views, &instance, n_instances);
        let was_in_photo = count(&self.tied, &photo, n_photos);
        let is_in_photo = count(&self.extent.views, &photo, n_photos);
        let reference = self.extent.reference;
        self.extent.views.retain(|&v| {
            (instance(v) == reference || 2 * is[instance(v)] >= was[instance(v)])
                && 2 * is_in_photo[photo(v)] >= was_in_photo[photo(v)]
        });
    }

    /// After rejections: photographs and bodies that no longer hang on anything leave the adjustment.
    fn drop_untied(&mut self) {
        loop {
            let before = self.extent.views.len();
            let mut in_photo = vec![0usize; self.problem.input.photos.len()];
            for &v in &self.extent.views {
                in_photo[self.problem.views[v].photo] += 1;
            }
            self.extent.views.retain(|v| in_photo[self.problem.views[*v].photo] >= 2);
            self.extent.photos.retain(|p| in_photo[*p] >= 2);
            // What no longer connects to the reference.
            let mut reached = vec![false; self.problem.instances.len()];
            let mut reached_photo = vec![false; self.problem.input.photos.len()];
            reached[self.extent.reference] = true;
            loop {
                let mut grew = false;
                for &v in &self.extent.views {
                    let view = &self.problem.views[v];
                    if reached[view.instance] != reached_photo[view.photo] {
                        reached[view.instance] = true;
                        reached_photo[view.photo] = true;
                        grew = true;
                    }
                }
                if !grew {
                    break;
                }
            }
            self.extent.views.retain(|v| reached_photo[self.problem.views[*v].photo]);
            self.extent.photos.retain(|p| reached_photo[*p]);
            if self.extent.views.len() == before {
                return;
            }
        }
    }
}
