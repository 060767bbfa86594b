//! The one sentence of a live reading.

use super::Motion;
use crate::verdict::rule::{judge, no_move_proves};
use crate::verdict::words::{asked, uncertainty};
use crate::verdict::{Deviation, State, StationResult};

/// A deviation that is not proven and whose U is larger than its tolerance: no place of the stand would prove it.
fn unmeasured(station: &StationResult) -> Option<&Deviation> {
    station.deviations.iter().find(|d| no_move_proves(d.state, d.deviation.expanded, d.tolerance))
}

/// A body that stood fast and is not where it was surveyed any more.
pub(super) fn elsewhere(name: &str) -> String {
    format!(
        "\"{name}\" is not where it was surveyed: put it back where the camera sees it, or take new photographs and check the job again."
    )
}

/// What to do now. `camera_moves`: nothing settles, so that what is not proven by this very picture is not worth a move.
pub(super) fn sentence(station: &StationResult, motion: Motion, camera_moves: bool) -> String {
    if camera_moves && station.verdict != State::OutOfTolerance {
        let so_far = match station.verdict {
            State::InTolerance => "In tolerance in this picture, but the",
            _ => "The",
        };
        return format!(
            "{so_far} camera moves, and readings cannot settle: set it down where it sees the stand and a floor sheet."
        );
    }
    if let Some(first) = station.moves.first() {
        return match (station.verdict, unmeasured(station)) {
            (State::NotProven, Some(d)) => format!(
                "Measure {} better first: its U is {}, the tolerance only {}; no move can prove it. See what `plumbsight check` advises.",
                d.component.name(),
                uncertainty(d.component, d.deviation.expanded),
                asked(d.component, d.tolerance.unwrap_or(0.0))
            ),
            _ => first.words.clone(),
        };
    }
    match (station.verdict, motion) {
        (State::InTolerance, Motion::Still) => "Leave the stand as it is: in tolerance.".into(),
        (State::InTolerance, _) => "In tolerance: hold it there and let it come to rest.".into(),
        _ => {
            let open = station.deviations.iter().filter(|d| matches!(d.state, Some(s) if s != State::InTolerance));
            let worst = open.max_by(|a, b| {
                let share = |d: &Deviation| d.deviation.expanded / d.tolerance.unwrap_or(f64::INFINITY);
                share(a).total_cmp(&share(b))
            });
            match worst {
                // U leaves room: it is the survey that checks too little.
                Some(d) if judge(&d.deviation, d.tolerance.unwrap_or(0.0)) == State::InTolerance => format!(
                    "Nothing to move, but {} is not proven: too little checks the survey. See what `plumbsight check` advises.",
                    d.component.name()
                ),
                Some(d) => format!(
                    "Nothing to move, but {} is not proven: U is {}, the tolerance {}. See what `plumbsight check` advises.",
                    d.component.name(),
                    uncertainty(d.component, d.deviation.expanded),
                    asked(d.component, d.tolerance.unwrap_or(0.0))
                ),
                None => "The placement asks for no tolerance here: nothing can be proven.".into(),
            }
        }
    }
}
