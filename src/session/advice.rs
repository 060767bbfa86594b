//! Advice for a job: what the calculation needs from it, and the result's part.

use super::result::{outside, vector_mm};
use crate::advice::{Advice, AdviceInput, Better, CouldHide, Deciding, Viewpoint};
use crate::placement::Component;
use crate::record::Job;
use crate::record::ResultFile;
use crate::record::result::{AdvicePart, BetterPart, DecidingPart, SixPart, ViewpointPart};
use crate::vehicle::DecisionBodies;
use crate::verdict::words::{kind_name, remedy};
use crate::verdict::{Assessment, BudgetSource};

/// Photographs advised at most.
pub const MOST_PHOTOGRAPHS: usize = 3;

/// What would decide what is left open; `None` where no station was judged. A few tenths of a second.
pub(super) fn advise(
    job: &Job,
    measured: &super::Measured,
    from: &DecisionBodies,
    judged: &Assessment,
    could_hide: &[CouldHide],
) -> Option<Advice> {
    let about = AdviceInput {
        input: &measured.input,
        survey: &measured.survey,
        could_hide,
        from,
        assessment: judged,
        placement: &job.placement,
        vehicle: &job.vehicle,
        judged: job.rolled.as_ref().map(|r| r.judged),
    };
    crate::advice::advise(&about, MOST_PHOTOGRAPHS)
}

/// Makes it the one remedy of each deviation that it is about.
pub(super) fn say(result: &mut ResultFile, advice: &Advice) {
    for d in advice.deciding.iter().filter(|d| !d.words.is_empty()) {
        match (d.hiding, d.needed) {
            (Some(_), _) => super::integrity::do_instead(result, advice.station, d.component, &d.words),
            (None, Some(_)) => super::integrity::do_this(result, advice.station, d.component, &d.words),
            // U decides it: whatever else keeps it from being proven has a remedy of its own.
            (None, None) => {}
        }
    }
}

/// As it goes into the result.
pub(super) fn part(job: &Job, judged: &Assessment, advice: &Advice) -> AdvicePart {
    AdvicePart {
        station: judged.stations[advice.station].name.clone(),
        deciding: advice.deciding.iter().map(deciding).collect(),
        viewpoints: advice.photographs.iter().map(|v| viewpoint(job, v)).collect(),
        compared: advice.compared,
    }
}

fn deciding(d: &Deciding) -> DecidingPart {
    let unit = |v| outside(d.component, v);
    DecidingPart {
        component: d.component.name().into(),
        unit: if d.component.is_angle() { "deg" } else { "mm" }.into(),
        expanded_now: unit(d.now),
        expanded_needed: d.needed.map(unit),
        expanded_with_photographs: unit(d.with_photographs),
        expanded_at_best: unit(d.at_best),
        photographs_help: d.photographs_help,
        better: d.better.iter().map(|b| better(d.component, b)).collect(),
        could_hide: d.hiding.map(|h| unit(h.now)),
        could_hide_with_photographs: d.hiding.map(|h| unit(h.with_photographs)),
        sentence: d.words.clone(),
    }
}

fn better(component: Component, b: &Better) -> BetterPart {
    let source: BudgetSource = b.source;
    BetterPart {
        what: kind_name(source, b.count),
        percent_of_variance: 100.0 * b.share,
        expanded_if_half: outside(component, b.if_half),
        expanded_if_exact: outside(component, b.if_exact),
        remedy: remedy(source).into(),
    }
}

fn viewpoint(job: &Job, v: &Viewpoint) -> ViewpointPart {
    let names = |of: &[usize]| of.iter().map(|b| job.kit.bodies[*b].name.clone()).collect();
    let of = |c: Component| outside(c, v.expanded[c.index()]);
    ViewpointPart {
        words: v.words.clone(),
        camera_mm: vector_mm(&v.eye.coords),
        looking: v.looking.coords.into(),
        upright: v.upright,
        needed: names(&v.needed),
        also: names(&v.also),
        tags: v.tags.clone(),
        expanded: SixPart::of(of),
    }
}
