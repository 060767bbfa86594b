//! The one sentence of a live reading.

use super::Motion;
use crate::verdict::words::size;
use crate::verdict::{State, StationResult};

/// What to do now.
pub(super) fn sentence(station: &StationResult, motion: Motion) -> String {
    if let Some(first) = station.moves.first() {
        return first.words.clone();
    }
    match (station.verdict, motion) {
        (State::InTolerance, Motion::Still) => "Leave the stand as it is: in tolerance.".into(),
        (State::InTolerance, _) => "In tolerance: hold it there and let it come to rest.".into(),
        _ => {
            let open = station.deviations.iter().filter(|d| matches!(d.state, Some(s) if s != State::InTolerance));
            let worst = open.max_by(|a, b| {
                let share = |d: &crate::verdict::Deviation| d.deviation.expanded / d.tolerance.unwrap_or(f64::INFINITY);
                share(a).total_cmp(&share(b))
            });
            match worst {
                Some(d) => format!(
                    "Nothing to move, but {} is not proven: U is {}, the tolerance {}. See what `plumbsight check` advises.",
                    d.component.name(),
                    size(d.component, d.deviation.expanded),
                    size(d.component, d.tolerance.unwrap_or(0.0))
                ),
                None => "The placement asks for no tolerance here: nothing can be proven.".into(),
            }
        }
    }
}
