//! What would prove it: the few more photographs that would shrink the deciding uncertainty most, computed from the network as it was found, or, where no
//! photograph can, what to measure better.
//!
//! [`advise`] tries places around car and stand that a person can reach ([`places`]), works out which tags a photograph from there would show
//! ([`sight`]) and how well their corners would be found ([`crate::survey::ExpectedCorners`]), adds its information to the survey's
//! ([`crate::survey::Planner`]), takes the best, and so on with what is then known. Where not U but a fault that could hide is the limit, [`checks`] plans
//! against that in the same way. Of each deviation one thing is said, the one that would do most; [`words`] says it. Pure and seedless: the same survey gives the same advice.

mod checks;
mod places;
mod sight;
mod words;

pub use checks::{CouldHide, Hiding};

use crate::frames::{Camera, Direction, Point, Pose, Vehicle, World};
use crate::placement::{Component, Placement};
use crate::survey::{Planner, Survey, SurveyInput};
use crate::uncertainty::K_95;
use crate::vehicle::{DecisionBodies, VehicleModel};
use crate::verdict::{Assessment, BudgetSource, State, StationResult, words::by_kind};
use nalgebra::DMatrix;
use places::{Candidate, Ground};

/// Photographs that lower U by less than this part do not help. Common practice, no source.
pub const LEAST_HELP: f64 = 0.05;

/// A photograph that lowers the sum of the deciding variances by less than this part is not asked for.
const LEAST_GAIN: f64 = 0.01;

/// How often the advised photographs are counted when it is asked what any number of them could do.
const MANY: f64 = 30.0;

/// Of the first round's places, so many are tried again in the later ones.
const KEPT: usize = 90;

/// A declared share below this part of the variance is not worth measuring better.
const LEAST_SHARE: f64 = 0.1;

/// A body is needed in a photograph where it would lose this part of its worth without it.
const NEEDED: f64 = 0.15;

/// What the advice is made from.
#[derive(Clone, Copy, Debug)]
pub struct AdviceInput<'a> {
    /// What was surveyed.
    pub input: &'a SurveyInput,
    /// The solution.
    pub survey: &'a Survey,
    /// What the decision was made from: which of the survey's bodies.
    pub from: &'a DecisionBodies,
    /// The decision.
    pub assessment: &'a Assessment,
    /// What is asked.
    pub placement: &'a Placement,
    /// The car as declared.
    pub vehicle: &'a VehicleModel,
    /// The roll position in which the car stands, where it was rolled.
    pub judged: Option<usize>,
    /// What faults that are just not found could do.
    pub could_hide: &'a [CouldHide<'a>],
}

/// One more photograph.
#[derive(Clone, Debug, PartialEq)]
pub struct Viewpoint {
    /// The camera's place, to draw or to compare with.
    pub camera_from_world: Pose<Camera, World>,
    /// Where the camera is.
    pub eye: Point<Vehicle>,
    /// Where it looks, length 1.
    pub looking: Direction<Vehicle>,
    /// True where the camera is held upright (turned by a quarter).
    pub upright: bool,
    /// Ids of the tags it is expected to show.
    pub tags: Vec<u16>,
    /// The bodies (indices into the kit's) that must be in it: without any of these it is worth much less.
    pub needed: Vec<usize>,
    /// The others that it shows.
    pub also: Vec<usize>,
    /// U (95 %) of the six deviations with this photograph and those before it; m and rad.
    pub expanded: [f64; 6],
    /// Where to stand, in words.
    pub words: String,
}

/// What a kind of declared thing costs, and what it would be worth to know it better.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Better {
    /// One source of the kind.
    pub source: BudgetSource,
    /// How many there are.
    pub count: usize,
    /// Its share of the variance, 0..1.
    pub share: f64,
    /// U if it were known twice as well; at most this where the survey shares it out anew.
    pub if_half: f64,
    /// U if it were known exactly; at most this, likewise.
    pub if_exact: f64,
}

/// A deviation that decides.
#[derive(Clone, Debug, PartialEq)]
pub struct Deciding {
    /// Which.
    pub component: Component,
    /// U (95 %) as it is; m or rad.
    pub now: f64,
    /// Largest U with which the deviation as measured would be decided; `None` where it is decided, or where nothing is asked.
    pub needed: Option<f64>,
    /// True where the deviation as measured exceeds its tolerance: decided, it is out.
    pub out: bool,
    /// U with the advised photographs.
    pub with_photographs: f64,
    /// About the least that any number of photographs like them could reach.
    pub at_best: f64,
    /// False where the advised photographs change little.
    pub photographs_help: bool,
    /// Declared things, largest share first, that could be measured better.
    pub better: Vec<Better>,
    /// Where U would prove it and too little checks it: what could hide.
    pub hiding: Option<Hiding>,
    /// What to do, in words; empty where no photograph helps against what could hide.
    pub words: String,
}

/// The advice.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// Which station it is about: index into [`Assessment::stations`].
    pub station: usize,
    /// The deviations that decide: those not proven, else the one whose U is largest against its tolerance.
    pub deciding: Vec<Deciding>,
    /// The photographs that help most, best first, each with those before it taken. Empty where none helps.
    pub photographs: Vec<Viewpoint>,
    /// How many ways to take a photograph were compared.
    pub compared: usize,
}

/// Works out what would help most. `most`: photographs advised at most.
///
/// `None` where no station was judged. Nothing is random; the time is a few tenths of a second.
pub fn advise(about: &AdviceInput, most: usize) -> Option<Advice> {
    let at = deciding_station(about)?;
    let station = &about.assessment.stations[at];
    let weak = checks::weak(about, at);
    let components = deciding_components(station, &weak);
    let judged_by_u = components.iter().filter(|c| !weak.contains(c));
    let weights: Vec<(usize, f64)> = judged_by_u
        .map(|c| {
            let d = &station.deviations[c.index()];
            let unit = d.tolerance.unwrap_or(d.deviation.expanded).max(1e-12);
            (c.index(), 1.0 / (unit * unit))
        })
        .collect();
    let now: [f64; 6] = std::array::from_fn(|k| station.deviations[k].deviation.expanded);
    let lens = most_used(about.input, about.survey);
    let mut search = lens.and_then(|lens| Search::new(about, station, lens, weights.clone()));
    let (mut taken, mut best) = match &mut search {
        Some(search) if !weights.is_empty() => search.run(most),
        _ => (Vec::new(), now),
    };
    let last = taken.last().map_or(now, |t| t.viewpoint.expanded);
    if !weights.iter().any(|(k, _)| helps(last[*k], now[*k])) {
        taken.clear();
        best = now;
    }
    let mut compared = search.as_ref().map_or(0, |s| s.compared);
    let against = lens.filter(|_| !weak.is_empty()).and_then(|l| against_hidden(about, at, &weak, l, most, &mut taken));
    let (hiding, more_compared) = against.unwrap_or_default();
    compared += more_compared;
    let last = taken.last().map_or(now, |t| t.viewpoint.expanded);
    let mut deciding: Vec<Deciding> = components
        .iter()
        .map(|component| {
            let k = component.index();
            let d = &station.deviations[k];
            let open = d.tolerance.filter(|_| d.state == Some(State::NotProven));
            Deciding {
                component: *component,
                now: now[k],
                needed: open.map(|t| (t - d.deviation.value.abs()).abs()),
                out: open.is_some_and(|t| d.deviation.value.abs() > t),
                with_photographs: last[k],
                at_best: best[k].min(last[k]),
                photographs_help: helps(last[k], now[k]),
                better: better(station, *component),
                hiding: hiding.iter().find(|(c, _)| c == component).map(|(_, h)| *h),
                words: String::new(),
            }
        })
        .collect();
    let photographs: Vec<Viewpoint> = taken.into_iter().map(|t| t.viewpoint).collect();
    deciding.iter_mut().for_each(|d| d.words = words::deciding(station, d, photographs.len()));
    Some(Advice { station: at, deciding, photographs, compared })
}

/// Photographs against what could hide in the weak deviations, from where those for U leave off: what could hide, and how many candidates were compared. Those that mend
/// something join `taken`.
fn against_hidden(
    about: &AdviceInput,
    at: usize,
    weak: &[Component],
    lens: usize,
    most: usize,
    taken: &mut Vec<Taken>,
) -> Option<(Vec<(Component, Hiding)>, usize)> {
    let mut search = Search::new(about, &about.assessment.stations[at], lens, Vec::new())?;
    let mut checks = checks::Checks::new(about, at, weak, lens);
    let begun: Vec<Candidate> = taken.iter().map(|t| t.candidate.clone()).collect();
    for candidate in &begun {
        search.take(candidate);
        checks.take(&search.ground, candidate, 1.0);
    }
    let with_begun = checks.unnoticed();
    let more = checks::against(&search, &mut checks, most.saturating_sub(begun.len()));
    let all: Vec<Candidate> = begun.iter().cloned().chain(more.iter().map(|(c, _)| c.clone())).collect();
    let mut hiding = checks::hiding(about, at, weak, &mut checks, &search.ground, &all);
    // Photographs that mend nothing are not asked for.
    if hiding.iter().any(|(_, h)| h.mended()) {
        for (candidate, needed) in more {
            search.take(&candidate);
            let viewpoint = search.viewpoint(&candidate, needed);
            taken.push(Taken { candidate, viewpoint });
        }
    } else {
        for (c, h) in &mut hiding {
            h.with_photographs =
                if begun.is_empty() { h.now } else { h.with_photographs.max(with_begun[c.index()]).min(h.now) };
        }
    }
    Some((hiding, checks.compared))
}

/// True where photographs that lower U so far help.
fn helps(with: f64, now: f64) -> bool {
    with <= (1.0 - LEAST_HELP) * now
}

/// A photograph that is advised.
struct Taken {
    candidate: Candidate,
    viewpoint: Viewpoint,
}

/// The station that most needs it: the first that is not proven, then the first that is checked too little, else the one with the largest U against its
/// tolerance.
fn deciding_station(about: &AdviceInput) -> Option<usize> {
    let assessment = about.assessment;
    let open = assessment.stations.iter().position(|s| s.verdict == State::NotProven);
    let open = open.or_else(|| (0..assessment.stations.len()).find(|at| !checks::weak(about, *at).is_empty()));
    let need = |s: &StationResult| {
        let parts = s.deviations.iter().filter_map(|d| Some(d.deviation.expanded / d.tolerance?));
        parts.fold(0.0, f64::max)
    };
    open.or_else(|| {
        (0..assessment.stations.len())
            .max_by(|a, b| need(&assessment.stations[*a]).total_cmp(&need(&assessment.stations[*b])))
    })
}

fn deciding_components(station: &StationResult, weak: &[Component]) -> Vec<Component> {
    let of = |c: &Component| &station.deviations[c.index()];
    let is_open = |c: &Component| of(c).state == Some(State::NotProven) || weak.contains(c);
    let open: Vec<Component> = Component::ALL.into_iter().filter(is_open).collect();
    if !open.is_empty() {
        return open;
    }
    let need = |c: &Component| of(c).tolerance.map(|t| of(c).deviation.expanded / t);
    match Component::ALL
        .into_iter()
        .filter(|c| need(c).is_some())
        .max_by(|a, b| need(a).unwrap_or(0.0).total_cmp(&need(b).unwrap_or(0.0)))
    {
        Some(largest) => vec![largest],
        None => Component::ALL.to_vec(),
    }
}

/// The declared kinds of a deviation's budget, largest first.
fn better(station: &StationResult, component: Component) -> Vec<Better> {
    let d = &station.deviations[component.index()];
    let variance = d.deviation.u * d.deviation.u;
    let from_photographs = |source: &BudgetSource| {
        matches!(source, BudgetSource::Survey(crate::survey::Source::Corners) | BudgetSource::SurveyRest)
    };
    by_kind(&d.shares)
        .into_iter()
        .filter(|(source, part, _)| !from_photographs(source) && *part > LEAST_SHARE * variance)
        .map(|(source, part, count)| Better {
            source,
            count,
            share: part / variance,
            if_half: K_95 * (variance - 0.75 * part).max(0.0).sqrt(),
            if_exact: K_95 * (variance - part).max(0.0).sqrt(),
        })
        .collect()
}

/// The search for photographs.
struct Search<'a> {
    about: &'a AdviceInput<'a>,
    station: &'a StationResult,
    planner: Planner<'a>,
    ground: Ground<'a>,
    /// Covariance of the six as it is.
    cov: DMatrix<f64>,
    /// The same of the survey's part.
    survey_part: DMatrix<f64>,
    /// (deviation, weight of its variance).
    weights: Vec<(usize, f64)>,
    compared: usize,
}

impl<'a> Search<'a> {
    fn new(
        about: &'a AdviceInput<'a>,
        station: &'a StationResult,
        lens: usize,
        weights: Vec<(usize, f64)>,
    ) -> Option<Self> {
        let AdviceInput { input, survey, from, .. } = *about;
        let points = from.bodies.iter().filter(|b| b.kind == crate::body::BodyKind::TouchedPoint).count();
        let wheels: Vec<usize> = (0..from.bodies.len() - from.kept.len() - points).collect();
        let steps = survey.steps_by_column(&from.kept, &wheels);
        // Touched points come last; what they hang on is taken as it is.
        let wanted = station.by_body_step.columns(0, steps.nrows()) * steps;
        let planner = survey.planner(input, lens, wanted)?;
        let ground = Ground::new(about, station, lens)?;
        let cov = DMatrix::from_fn(6, 6, |i, j| station.cov[(i, j)]);
        let survey_part = planner.covariance();
        Some(Self { about, station, planner, ground, cov, survey_part, weights, compared: 0 })
    }

    fn score(&self, gain: &DMatrix<f64>) -> f64 {
        self.weights.iter().map(|(k, w)| w * gain[(*k, *k)]).sum()
    }

    /// U of the six with everything that was taken.
    fn expanded(&self) -> [f64; 6] {
        let now = self.planner.covariance();
        std::array::from_fn(|k| {
            let less = self.survey_part[(k, k)] - now[(k, k)];
            K_95 * (self.cov[(k, k)] - less).max(0.0).sqrt()
        })
    }

    /// A candidate with what it would gain.
    fn weigh(&mut self, candidate: Candidate) -> Option<(f64, Candidate)> {
        let (camera, tags) = self.ground.planned(&candidate);
        let photo = self.planner.photo(&camera, &tags)?;
        self.compared += 1;
        let gain = self.score(&self.planner.gain(&photo, 1.0));
        Some((gain, candidate))
    }

    /// Counts a photograph as taken.
    fn take(&mut self, candidate: &Candidate) {
        let (camera, tags) = self.ground.planned(candidate);
        if let Some(photo) = self.planner.photo(&camera, &tags) {
            self.planner.take(&photo, 1.0);
        }
    }

    /// Up to `most` photographs for U, and U with many like them.
    fn run(&mut self, most: usize) -> (Vec<Taken>, [f64; 6]) {
        let mut ranked: Vec<(f64, Candidate)> = Vec::new();
        for candidate in self.ground.candidates() {
            ranked.extend(self.weigh(candidate));
        }
        ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
        ranked.truncate(KEPT);
        let whole: f64 = self.weights.iter().map(|(k, w)| w * self.cov[(*k, *k)]).sum();
        let mut out = Vec::new();
        let mut taken = Vec::new();
        for round in 0..most {
            if round > 0 {
                let again: Vec<Candidate> = ranked.drain(..).map(|(_, c)| c).collect();
                ranked = again.into_iter().filter_map(|c| self.weigh(c)).collect();
                ranked.sort_by(|a, b| b.0.total_cmp(&a.0));
            }
            let Some((gain, first)) = ranked.first().cloned() else { break };
            let (gain, best) = self.refine(gain, first);
            if gain < LEAST_GAIN * whole {
                break;
            }
            let (camera, tags) = self.ground.planned(&best);
            let Some(photo) = self.planner.photo(&camera, &tags) else { break };
            let needed = self.needed(&best, gain);
            self.planner.take(&photo, 1.0);
            let viewpoint = self.viewpoint(&best, needed);
            out.push(Taken { candidate: best, viewpoint });
            taken.push(photo);
        }
        for photo in &taken {
            self.planner.take(photo, MANY);
        }
        (out, self.expanded())
    }

    /// Climbs from a candidate to the best place near it.
    fn refine(&mut self, gain: f64, start: Candidate) -> (f64, Candidate) {
        let mut best = (gain, start);
        let mut step = 0.5 * self.ground.step_m();
        for _ in 0..5 {
            let near = self.ground.near(&best.1, step);
            let better = near.into_iter().filter_map(|c| self.weigh(c)).max_by(|a, b| a.0.total_cmp(&b.0));
            match better {
                Some(better) if better.0 > 1.005 * best.0 => best = better,
                _ => step *= 0.5,
            }
        }
        best
    }

    /// The bodies (indices into the survey's) without which the photograph would be worth much less.
    fn needed(&mut self, best: &Candidate, gain: f64) -> Vec<usize> {
        let bodies = self.ground.bodies(best);
        let lost = |search: &mut Self, body: usize| {
            let less = search.ground.without(best, body);
            let left = search.weigh(less).map_or(0.0, |(gain, _)| gain);
            left < (1.0 - NEEDED) * gain
        };
        bodies.into_iter().filter(|b| lost(self, *b)).collect()
    }

    fn viewpoint(&self, best: &Candidate, needed: Vec<usize>) -> Viewpoint {
        let kit = |b: usize| self.about.survey.bodies[b].body;
        let also: Vec<usize> = self.ground.bodies(best).into_iter().filter(|b| !needed.contains(b)).map(kit).collect();
        let needed: Vec<usize> = needed.into_iter().map(kit).collect();
        let landmarks = words::landmarks(self.about, self.station, &self.ground);
        let words = words::place(self.about, best, &landmarks, &needed, &also);
        Viewpoint {
            camera_from_world: self.ground.planned(best).0,
            eye: Point::claim(best.eye),
            looking: Direction::claim(best.looking()),
            upright: best.upright,
            tags: self.ground.ids(best),
            needed,
            also,
            expanded: self.expanded(),
            words,
        }
    }
}

/// The lens that most photographs were taken with.
fn most_used(input: &SurveyInput, survey: &Survey) -> Option<usize> {
    let count = |lens: usize| survey.photos.iter().filter(|p| input.photos[p.photo].lens == lens).count();
    (0..input.lenses.len()).max_by_key(|l| (count(*l), usize::MAX - l)).filter(|l| count(*l) > 0)
}
