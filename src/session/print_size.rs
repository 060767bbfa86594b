//! What it costs that nobody measured the printed size of the tags.

use crate::record::{Job, Notice};
use crate::survey::{Source, Survey};
use crate::uncertainty::K_95;
use crate::verdict::words::uncertainty;
use crate::verdict::{Assessment, BudgetSource, Deviation};

/// Without a share of u as small as this, U would be smaller by less than a twentieth. Common practice, no source.
const LITTLE: f64 = 0.3;

/// A notice where tags in use belong to a print group without a measured size: how much of U that makes, at the deviation where it counts most.
pub(super) fn notice(job: &Job, survey: &Survey, judged: &Assessment) -> Option<Notice> {
    let used = |group: usize| {
        let mut views = survey.views.iter().filter(|v| v.used);
        views.any(|v| job.kit.find_tag(v.id).is_some_and(|(b, t)| job.kit.bodies[b].tags[t].print == group))
    };
    let groups: Vec<String> = job
        .kit
        .prints
        .iter()
        .enumerate()
        .filter(|(k, print)| !print.measured && used(*k))
        .map(|(_, print)| format!("\"{}\"", print.name))
        .collect();
    if groups.is_empty() {
        return None;
    }
    let scale_u = |d: &Deviation| {
        let shares = d.shares.iter().filter(|s| s.source == BudgetSource::Survey(Source::SheetScale));
        shares.map(|s| s.u * s.u).sum::<f64>().sqrt()
    };
    // Deviations that nobody asks for count only where none is asked.
    let all = || judged.stations.iter().flat_map(|s| s.deviations.iter().map(move |d| (&s.name, d)));
    let asked = all().any(|(_, d)| d.tolerance.is_some());
    let part = |d: &Deviation| scale_u(d) / d.deviation.u.max(f64::MIN_POSITIVE);
    let cost = all()
        .filter(|(_, d)| d.tolerance.is_some() || !asked)
        .max_by(|a, b| part(a.1).total_cmp(&part(b.1)))
        .map(|(station, d)| {
            if part(d) < LITTLE {
                return " Here it costs next to nothing: the known places of several tags on one body give the scale.".to_owned();
            }
            let rest = (d.deviation.u.powi(2) - scale_u(d).powi(2)).max(0.0).sqrt();
            format!(
                " Of the {} at \"{station}\", U is {} because of it; with the size known it would be {} ({:.0} % of the variance).",
                d.component.name(),
                uncertainty(d.component, d.deviation.expanded),
                uncertainty(d.component, K_95 * rest),
                100.0 * part(d).powi(2),
            )
        })
        .unwrap_or_default();
    Some(Notice {
        about: format!("print group {}", groups.join(", ")),
        text: format!(
            "Nobody measured how large the sheets came out of the printer. They are taken to be right within a standard uncertainty of {} mm per m in each \
             direction (common practice, no source); a page fitted to the paper is off by far more.{cost} Measure the two scale bars of one sheet and enter \
             bar_x_mm and bar_y_mm under [[prints]].",
            crate::record::UNMEASURED_MM_PER_M
        ),
    })
}
