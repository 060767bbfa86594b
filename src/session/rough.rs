//! A job without a lens profile: measured, but never proven, neither way.

use crate::record::ResultFile;
use crate::record::result::{DeviationPart, Verdict};

/// What would prove a deviation that only the missing profile leaves open.
const REMEDY: &str = "Make a lens profile with `plumbsight lens` and name it in job.toml.";

/// Neither in nor out is proven: a lens found from the bay's own photographs can be wrong in ways that they cannot show.
pub(super) fn cap(result: &mut ResultFile) {
    let lower = |verdict: &mut Verdict| {
        if matches!(*verdict, Verdict::In | Verdict::Out) {
            *verdict = Verdict::NotProven;
        }
    };
    lower(&mut result.verdict);
    for station in &mut result.stations {
        lower(&mut station.verdict);
        let d = &mut station.deviations;
        for part in
            [&mut d.distance_mm, &mut d.lateral_mm, &mut d.height_mm, &mut d.yaw_deg, &mut d.pitch_deg, &mut d.roll_deg]
        {
            cap_part(part);
        }
    }
}

fn cap_part(part: &mut DeviationPart) {
    if matches!(part.verdict, Some(Verdict::In | Verdict::Out)) {
        part.verdict = Some(Verdict::NotProven);
        part.decidable = Some(false);
        part.remedy = Some(REMEDY.into());
    }
}
