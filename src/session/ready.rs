//! Is the car ready, and the bay: the list with what the measurement itself has to say of it.

use crate::readiness::{Measured, Readiness};
use crate::record::ResultFile;
use crate::record::result::{ReadinessPart, Value};
use crate::uncertainty::Estimate;
use crate::units::m_from_mm;

/// The tests of the survey that speak of things that moved.
const MOTION_TESTS: [&str; 2] = ["moved between photographs", "crept"];

/// What a result says of the items that the program answers itself.
pub fn measured(result: &ResultFile) -> Measured {
    let metres = |v: &Value| Estimate::new(m_from_mm(v.value), m_from_mm(v.u));
    let mut motion = result.integrity.iter().filter(|t| MOTION_TESTS.contains(&t.test.as_str())).peekable();
    Measured {
        steepest_floor: result
            .vehicle
            .as_ref()
            .and_then(|v| v.steepest_floor.as_ref())
            .map(|floor| metres(&floor.rises_mm_per_m)),
        nothing_moved: motion.peek().is_some().then(|| motion.all(|t| t.passed)),
    }
}

/// The list as it stands, with what the last result says where there is one.
pub fn parts(list: &Readiness, result: Option<&ResultFile>) -> Vec<ReadinessPart> {
    let measured = result.map(measured).unwrap_or_default();
    list.lines(&measured)
        .into_iter()
        .map(|line| ReadinessPart {
            id: line.item.id,
            group: line.item.group.name().into(),
            text: line.item.text,
            state: line.state.words().into(),
            measured: line.measured,
            words: line.words,
        })
        .collect()
}
