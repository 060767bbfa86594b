//! Monte Carlo of a job: the survey drawn anew from its observations, with everything that is declared, against the first order.

use super::judge::assess_input;
use crate::body::BodyKind;
use crate::placement::Component;
use crate::record::Job;
use crate::record::result::{MonteCarloPart, MonteCarloStationPart, MonteCarloValuePart, NoticePart, SixPart};
use crate::scene::draw::{Draw, Purpose};
use crate::survey::{Survey, SurveyInput};
use crate::uncertainty::monte_carlo::{Paired, Summary, numerical_tolerance, paired};
use crate::units::{m_from_mm, rad_from_deg};
use crate::vehicle::DecisionBodies;
use crate::verdict::monte_carlo::{Trial, Trials};
use crate::verdict::{Assessment, Deviation};
use rayon::prelude::*;

/// Surveys drawn and adjusted again where nothing is said.
pub const USUAL_TRIALS: usize = 1000;

/// Cheap trials of the first order at most.
const MOST_CHEAP: usize = 1_000_000;

/// Significant digits of u that are to stand (JCGM 101, 7.9.2).
const DIGITS: u32 = 2;

/// The same job gives the same figures.
const SEED: u64 = 0x706c_756d;

/// Draws `n` surveys and everything declared; `None` where there is nothing to compare.
pub(super) fn run(
    job: &Job,
    input: &SurveyInput,
    survey: &Survey,
    from: &DecisionBodies,
    judged: &Assessment,
    n: usize,
) -> Option<MonteCarloPart> {
    let assess = assess_input(job, from);
    let trials = Trials::new(&assess).ok()?;
    // What a pointer touched is solved after the survey; such a survey is drawn from its joint covariance.
    let points = from.bodies.iter().filter(|b| b.kind == BodyKind::TouchedPoint).count();
    let redraw = if points == 0 { Some(survey.redraw(input).ok()?) } else { None };
    let wheels: Vec<usize> = (0..from.bodies.len() - from.kept.len() - points).collect();
    let drawing = match &redraw {
        Some(redraw) => Some(redraw.of(&from.kept, &wheels)?),
        None => None,
    };
    let one = |k: usize| -> Option<Trial> {
        let mut draw = Draw::new(SEED + 1 + k as u64, Purpose::Trials);
        match &drawing {
            Some(drawing) => {
                let drawn = drawing.draw(&mut || draw.normal(1.0))?;
                trials.trial(&mut draw, &drawn.steps, &drawn.first_order)
            }
            None => {
                let steps = trials.from_joint(&mut draw);
                trials.trial(&mut draw, &steps, &steps)
            }
        }
    };
    let all: Vec<Option<Trial>> = (0..n).into_par_iter().map(one).collect();
    let good: Vec<Trial> = all.into_iter().flatten().collect();
    // Few draws show nothing, and draws that fail are not just any: what is left of many failures would pass for the whole.
    if good.len() < FEWEST_DRAWS || (n - good.len()) as f64 > MOST_FAILED * n as f64 {
        return None;
    }
    let m = good.first()?.full.len();
    let units: Vec<f64> = (0..m).map(|k| if k % 6 < 3 { m_from_mm(1.0) } else { rad_from_deg(1.0) }).collect();
    let reference = trials.first_order(SEED, &units, DIGITS, MOST_CHEAP);
    let mut draw = Draw::new(SEED, Purpose::Trials);
    let columns: Vec<MonteCarloColumn> = (0..m)
        .map(|k| {
            let of = |pick: fn(&Trial) -> &Vec<f64>| good.iter().map(|t| pick(t)[k]).collect::<Vec<f64>>();
            let pick = |n: usize| ((draw.unit() * n as f64) as usize).min(n.saturating_sub(1));
            let found = paired(&of(|t| &t.full), &of(|t| &t.first_order), &reference.outputs[k], pick);
            MonteCarloColumn { found, reference: reference.numerical[k], unit: units[k] }
        })
        .collect();
    // The stations that could be calculated, in the placement's order; those judged are among them.
    let index_of =
        crate::verdict::model::Model::new(&assess).ok()?.0.stations.iter().map(|s| s.index).collect::<Vec<_>>();
    let stations = judged
        .stations
        .iter()
        .filter_map(|station| {
            let at = index_of.iter().position(|i| *i == station.station)?;
            let of = |c: Component| part(&station.deviations[c.index()], &columns[6 * at + c.index()]);
            Some(MonteCarloStationPart { name: station.name.clone(), deviations: SixPart::of(of) })
        })
        .collect();
    Some(MonteCarloPart {
        trials: good.len(),
        failed: n - good.len(),
        survey_redrawn: drawing.is_some(),
        cheap_trials: reference.trials,
        stations,
    })
}

/// Fewer draws show no 95 % interval. Common practice, no source.
const FEWEST_DRAWS: usize = 40;

/// Share of the draws that may give no measurement. Common practice, no source.
const MOST_FAILED: f64 = 0.02;

/// What is said where the draws reach further than U.
const TOO_SMALL: &str = "U is too small";

/// What the reader must know of it: a U that is too small, or no answer.
pub(super) fn notice(found: Option<&MonteCarloPart>) -> Option<NoticePart> {
    let about = "Monte Carlo".to_owned();
    let Some(found) = found else {
        let text =
            "It was asked for, but too few draws of the survey gave a measurement: U stands on its first order alone.";
        return Some(NoticePart { about, text: text.into() });
    };
    let mut small = Vec::new();
    for station in &found.stations {
        for (name, _, d) in station.deviations.each() {
            if d.agreement == TOO_SMALL {
                small.push(format!("{name} of {}", station.name));
            }
        }
    }
    let text = format!(
        "U of {} is too small: the interval that the draws show reaches further. Compare that interval with the tolerance instead, or measure the largest \
         contribution better.",
        small.join(", ")
    );
    (!small.is_empty()).then_some(NoticePart { about, text })
}

struct MonteCarloColumn {
    found: Paired,
    /// Numerical tolerance (twice the standard deviation) of the reference.
    reference: Summary,
    unit: f64,
}

fn part(d: &Deviation, column: &MonteCarloColumn) -> MonteCarloValuePart {
    let unit = column.unit;
    let (full, scatter, reference) = (&column.found.full, &column.found.scatter, &column.reference);
    let (value, u, expanded) = (d.deviation.value / unit, d.deviation.u / unit, d.deviation.expanded / unit);
    let (low, high) = (full.low / unit, full.high / unit);
    let apart = (value - expanded - low).abs().max((value + expanded - high).abs());
    let numerical = (2.0 * scatter.low).hypot(reference.low).max((2.0 * scatter.high).hypot(reference.high)) / unit;
    let tolerance = numerical_tolerance(u, DIGITS);
    let agreement = if apart + numerical <= tolerance {
        "agrees"
    } else if apart - numerical > tolerance {
        // Both ends inside: U says no less than it should.
        if low >= value - expanded - tolerance && high <= value + expanded + tolerance {
            "U is larger"
        } else {
            TOO_SMALL
        }
    } else {
        "open"
    };
    MonteCarloValuePart {
        first_order_low: value - expanded,
        first_order_high: value + expanded,
        first_order_u: u,
        mean: full.mean / unit,
        u: full.u / unit,
        low,
        high,
        numerical,
        apart,
        tolerance,
        agreement: agreement.into(),
    }
}
