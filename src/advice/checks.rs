//! Photographs against faults that could hide: those after which the largest error that goes unnoticed is least.
//!
//! Each fault that could change a deviation by about its tolerance or more has a planner of its own ([`crate::survey::Survey::planner_against`]); in each round
//! the photograph is taken that helps most against the worst of them. The new photographs come after all others.

use super::places::{Candidate, Ground};
use super::{AdviceInput, KEPT, MANY, Search};
use crate::placement::Component;
use crate::survey::Planner;
use crate::survey::integrity::Hidden;
use crate::verdict::{State, StationResult};
use nalgebra::DMatrix;

/// Faults that could change a deviation by this part of its tolerance are watched as well: with one mended another is the worst.
const WATCHED: f64 = 0.5;

/// Photographs are asked for until what could hide is this part of the tolerance. Common practice, no source.
const COMFORT: f64 = 0.8;

/// Photographs that lower what could hide by less than this part do not help against it. Common practice, no source.
const LEAST_HELP: f64 = 0.3;

/// What a fault that is just not found could do to a station.
#[derive(Clone, Debug)]
pub struct CouldHide<'a> {
    /// Index into [`crate::verdict::Assessment::stations`].
    pub station: usize,
    /// The fault.
    pub hidden: &'a Hidden,
    /// By how much each unit of it changes what the six are to say, where that is how things stand after it; as in [`Hidden::effect`].
    pub after: Option<DMatrix<f64>>,
    /// By deviation: the largest error that it makes unnoticed, m and rad.
    pub effect: Vec<f64>,
}

/// What could hide in one deviation, m or rad.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hiding {
    /// The largest error that goes unnoticed, as it is.
    pub now: f64,
    /// With the advised photographs; as it is, where none is advised. Never said to be less than [`WATCHED`] of the tolerance.
    pub with_photographs: f64,
    /// With many like them.
    pub at_best: f64,
    /// The tolerance, which it must not exceed.
    pub limit: f64,
}

impl Hiding {
    /// True where nothing more is foretold than that it comes below what is planned against: half the tolerance.
    pub fn below_watched(&self) -> bool {
        self.with_photographs <= WATCHED * self.limit
    }

    /// True where the photographs make it clearly smaller, and they or more like them small enough.
    pub fn mended(&self) -> bool {
        self.with_photographs <= (1.0 - LEAST_HELP) * self.now && self.at_best <= self.limit
    }
}

/// The deviations of a station that U would prove in tolerance and that are checked too little.
pub(super) fn weak(about: &AdviceInput, at: usize) -> Vec<Component> {
    let station = &about.assessment.stations[at];
    let is_weak = |c: &Component| {
        let d = &station.deviations[c.index()];
        // What is no number proves nothing.
        let hides = |t: f64| of_station(about, at).any(|h| h.effect[c.index()].is_nan() || h.effect[c.index()] > t);
        d.state == Some(State::InTolerance) && d.tolerance.is_some_and(hides)
    };
    Component::ALL.into_iter().filter(is_weak).collect()
}

fn of_station<'a>(about: &'a AdviceInput, at: usize) -> impl Iterator<Item = &'a CouldHide<'a>> {
    about.could_hide.iter().filter(move |h| h.station == at)
}

/// Numbers that all planners hold together at most (half a gigabyte): the faults with the largest effects are planned against. Common practice, no source.
const MOST_NUMBERS: usize = 1 << 26;

/// So many planners at most, one at least, each with two square matrices of the adjustment's columns and the fault's numbers (six at most).
fn planners_at_most(columns: usize) -> usize {
    (MOST_NUMBERS / (2 * (columns + 6).pow(2))).max(1)
}

/// The larger of two; what is no number could be anything.
fn larger(a: f64, b: f64) -> f64 {
    if a.is_nan() || b.is_nan() { f64::INFINITY } else { a.max(b) }
}

/// The planners of the faults that matter to the weak deviations.
pub(super) struct Checks<'a> {
    planners: Vec<Planner<'a>>,
    /// By deviation: the largest error that the faults that matter and have no planner make unnoticed; it stays as it is.
    unplanned: [f64; 6],
    /// (deviation, tolerance).
    limits: Vec<(usize, f64)>,
    pub compared: usize,
}

impl<'a> Checks<'a> {
    pub fn new(about: &AdviceInput<'a>, at: usize, weak: &[Component], lens: usize) -> Self {
        let station = &about.assessment.stations[at];
        let limits: Vec<(usize, f64)> =
            weak.iter().filter_map(|c| Some((c.index(), station.deviations[c.index()].tolerance?))).collect();
        let by_column = &station.by_body_step * &about.from.by_column;
        let matters = |h: &&CouldHide| limits.iter().any(|(k, t)| h.effect[*k].is_nan() || h.effect[*k] > WATCHED * t);
        let mut all: Vec<&CouldHide> = about.could_hide.iter().filter(|h| h.station == at).filter(matters).collect();
        let share = |h: &CouldHide| limits.iter().map(|(k, t)| h.effect[*k] / t).fold(0.0, larger);
        all.sort_by(|a, b| share(b).total_cmp(&share(a)));
        let most = planners_at_most(by_column.ncols());
        let mut planners = Vec::new();
        let mut unplanned = [0.0; 6];
        for (n, h) in all.into_iter().enumerate() {
            let planner = (n < most)
                .then(|| about.survey.planner_against(about.input, lens, h.hidden, &by_column, h.after.as_ref()))
                .flatten();
            match planner {
                Some(planner) => planners.push(planner),
                None => unplanned = std::array::from_fn(|k| larger(unplanned[k], h.effect[k])),
            }
        }
        Self { planners, unplanned, limits, compared: 0 }
    }

    /// The largest of what could hide, in tolerances.
    fn worst_of(&self, unnoticed: &[f64]) -> f64 {
        self.limits.iter().map(|(k, t)| unnoticed[*k] / t).fold(0.0, larger)
    }

    /// By deviation: the largest error that any of the faults makes unnoticed.
    pub fn unnoticed(&self) -> [f64; 6] {
        let all: Vec<Vec<f64>> = self.planners.iter().map(|p| p.unnoticed(None)).collect();
        std::array::from_fn(|k| all.iter().map(|one| one[k]).fold(self.unplanned[k], larger))
    }

    /// Counts a photograph as taken, `times` times.
    pub fn take(&mut self, ground: &Ground, candidate: &Candidate, times: f64) {
        let (camera, tags) = ground.planned(candidate);
        for planner in &mut self.planners {
            if let Some(photo) = planner.photo(&camera, &tags) {
                planner.take(&photo, times);
            }
        }
    }

    /// What would be left of the fault of planner `which` with this photograph, in tolerances.
    fn left(&mut self, which: usize, ground: &Ground, candidate: &Candidate) -> Option<f64> {
        let (camera, tags) = ground.planned(candidate);
        let planner = &mut self.planners[which];
        let photo = planner.photo(&camera, &tags)?;
        let gain = planner.gain(&photo, 1.0);
        let unnoticed = planner.unnoticed(Some(&gain));
        self.compared += 1;
        Some(self.worst_of(&unnoticed))
    }

    /// The photograph that helps most against the worst fault, and the bodies (indices into the survey's) without which it would not; `None` where what could hide
    /// is small enough, or nothing helps.
    pub fn next(&mut self, ground: &Ground, candidates: &mut Vec<Candidate>) -> Option<(Candidate, Vec<usize>)> {
        let of_each: Vec<f64> = self.planners.iter().map(|p| self.worst_of(&p.unnoticed(None))).collect();
        let (which, now) = of_each.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))?;
        if now <= COMFORT {
            return None;
        }
        let mut ranked: Vec<(f64, Candidate)> = Vec::new();
        for candidate in candidates.drain(..) {
            ranked.extend(self.left(which, ground, &candidate).map(|left| (left, candidate)));
        }
        ranked.sort_by(|a, b| a.0.total_cmp(&b.0));
        ranked.truncate(KEPT);
        *candidates = ranked.iter().map(|(_, c)| c.clone()).collect();
        let (left, best) = ranked.first().cloned()?;
        if left >= now * (1.0 - 1e-3) {
            return None;
        }
        let lost = |checks: &mut Self, body: usize| {
            let without = checks.left(which, ground, &ground.without(&best, body)).unwrap_or(now);
            now - without < (1.0 - super::NEEDED) * (now - left)
        };
        let needed = ground.bodies(&best).into_iter().filter(|b| lost(self, *b)).collect();
        Some((best, needed))
    }
}

/// Up to `most` photographs against what could hide, with the search that counts U.
pub(super) fn against<'a>(search: &Search<'a>, checks: &mut Checks<'a>, most: usize) -> Vec<(Candidate, Vec<usize>)> {
    let mut candidates = search.ground.candidates();
    let mut out = Vec::new();
    for _ in 0..most {
        let Some((best, needed)) = checks.next(&search.ground, &mut candidates) else { break };
        checks.take(&search.ground, &best, 1.0);
        out.push((best, needed));
    }
    out
}

/// What could hide now, with the photographs, and with many like them, of each weak deviation. `checks` as it is with the photographs taken.
pub(super) fn hiding(
    about: &AdviceInput,
    at: usize,
    weak: &[Component],
    checks: &mut Checks,
    ground: &Ground,
    taken: &[Candidate],
) -> Vec<(Component, Hiding)> {
    let station: &StationResult = &about.assessment.stations[at];
    let with = checks.unnoticed();
    taken.iter().for_each(|c| checks.take(ground, c, MANY));
    let best = checks.unnoticed();
    let now = |k: usize| of_station(about, at).map(|h| h.effect[k]).fold(0.0, larger);
    let of = |c: &Component| {
        let k = c.index();
        // Faults that are not planned against because they are small stay so.
        let unwatched = WATCHED * station.deviations[k].tolerance?;
        let (now, with) = (now(k), with[k].max(unwatched));
        let with = with.min(now);
        Some((
            *c,
            Hiding {
                now,
                with_photographs: with,
                at_best: best[k].max(unwatched).min(with),
                limit: station.deviations[k].tolerance?,
            },
        ))
    };
    weak.iter().filter_map(of).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_number_could_be_anything() {
        assert_eq!([f64::NAN, 1.0].into_iter().fold(0.0, larger), f64::INFINITY);
        assert_eq!([1.0, f64::NAN].into_iter().fold(0.0, larger), f64::INFINITY);
        assert_eq!([1.0, 3.0, 2.0].into_iter().fold(0.0, larger), 3.0);
    }

    #[test]
    fn planners_of_any_network_fit_into_memory() {
        for columns in [1, 100, 800, 4000] {
            let n = planners_at_most(columns);
            assert!(n >= 1 && 2 * n * (columns + 6).pow(2) <= MOST_NUMBERS, "{columns}: {n}");
        }
        // Usual networks lose none: some hundred faults over some hundred columns.
        assert!(planners_at_most(200) > 500 && planners_at_most(100_000) == 1);
    }

    /// Faults that matter and have no planner (of a lens that took no photograph there is none) stay as large as they are.
    #[test]
    fn a_fault_without_a_planner_stays() {
        let checks = |unplanned| Checks { planners: Vec::new(), unplanned, limits: vec![(1, 0.01)], compared: 0 };
        assert_eq!(checks([0.0, 0.02, 0.0, 0.0, 0.0, 0.0]).unnoticed()[1], 0.02);
        let hiding = |with: f64| Hiding { now: 0.02, with_photographs: with, at_best: with, limit: 0.01 };
        assert!(!hiding(0.02).mended() && hiding(0.005).mended());
        assert!(hiding(0.005).below_watched() && !hiding(0.0051).below_watched());
    }
}
