//! The log of the hold watch as a drawing over time and as a list.

use crate::paper::{Align, Frame, Ink, Look, Outline};
use crate::record::{HoldEntry, HoldRead};
use crate::report::evidence::Evidence;
use crate::report::figures::rounded;
use crate::report::flow::{Flow, SMALL_MM, number, words};
use crate::uncertainty::K_95;

/// Lines without an alarm that are listed; the record has all. Alarms are all listed.
const MOST_LINES: usize = 60;

/// Draws it.
pub fn draw(flow: &mut Flow, evidence: &Evidence) {
    flow.heading("Hold watch", 20.0);
    let none = "No hold watch was kept: nothing is known of whether anything moved between the measurement and the end of the routine.";
    let Some(log) = &evidence.hold else {
        flow.paragraph(none);
        return;
    };
    if log.is_without_a_watch() {
        flow.paragraph(&format!("{none} What follows is what a live reading found."));
    }
    if let Some(doubt) = log.doubt() {
        flow.paragraph(&format!("▲ {doubt}"));
    }
    if log.entries.is_empty() {
        return;
    }
    flow.paragraph(&said(log, evidence.hold_alarms()));
    let kept = log.watches().into_iter().filter(|watch| watch.iter().any(HoldEntry::is_of_a_watch));
    for (k, watch) in kept.enumerate() {
        let text = watch.first().and_then(|e| e.started_unix_s).and_then(|s| i64::try_from(s).ok());
        let opened = text.and_then(|s| jiff::Timestamp::from_second(s).ok());
        let opened = opened.map_or("at a time that was not kept".to_owned(), |t| format!("{t} (universal time)"));
        flow.subheading(&format!("Watch {}, opened {opened}", k + 1), 45.0);
        curve(flow, watch);
    }
    let listed = |(k, e): &(usize, &HoldEntry)| *k < MOST_LINES || e.alarm;
    let rows: Vec<Vec<String>> = log
        .entries
        .iter()
        .enumerate()
        .filter(listed)
        .map(|(_, e)| e)
        .map(|e| {
            let mark = if e.alarm { format!("▲ {}", e.event) } else { e.event.clone() };
            // A live reading is no part of a watch: its sentence says when it was.
            let time = if e.is_of_a_watch() { format!("{} s", rounded(e.time_s, 1)) } else { String::new() };
            vec![time, mark, e.body.clone().unwrap_or_default(), e.sentence.clone()]
        })
        .collect();
    flow.table(
        &[number("time", 0.7), words("event (▲ alarm)", 1.1), words("what", 1.1), words("in words", 4.5)],
        &rows,
    );
    let more = log.entries.len() - rows.len();
    if more > 0 {
        flow.paragraph(&format!("And {more} more lines without an alarm: job/hold.jsonl has all."));
    }
}

fn said(log: &HoldRead, alarms: usize) -> String {
    let alarms = match alarms {
        0 => "no alarm that new photographs have not answered.".to_owned(),
        1 => "1 ALARM: what was judged before it no longer holds.".to_owned(),
        n => format!("{n} ALARMS: what was judged before them no longer holds."),
    };
    format!("Lines in the log: {}; {alarms}", log.entries.len())
}

/// Length of the shift, and its U along it.
fn shift(e: &HoldEntry) -> Option<(f64, f64)> {
    let s = e.shift_mm?;
    let size = s.iter().map(|v| v * v).sum::<f64>().sqrt();
    let u = e.u_shift_mm.unwrap_or([0.0; 3]);
    // First order along the shift; at no shift the largest of the three stands for all.
    let along = match size > 0.0 {
        true => s.iter().zip(&u).map(|(v, u)| (v / size * u).powi(2)).sum::<f64>().sqrt(),
        false => u.iter().fold(0.0_f64, |most, v| most.max(*v)),
    };
    (size.is_finite() && along.is_finite()).then_some((size, K_95 * along))
}

/// What was noticed over time: the size of each shift with its U, alarms as triangles.
fn curve(flow: &mut Flow, watch: &[HoldEntry]) {
    let (height, label) = (30.0, 14.0);
    flow.need(height + 12.0);
    let width = flow.width() - label - 4.0;
    let last = watch.iter().map(|e| e.time_s).filter(|t| t.is_finite()).fold(1.0_f64, f64::max);
    let most = watch.iter().filter_map(shift).map(|(s, u)| s + u).fold(0.0_f64, f64::max);
    let most = if most > 0.0 { 1.15 * most } else { 1.0 };
    let at = [flow.left() + label, flow.y + height];
    let c = &mut flow.canvas;
    let on = |t: f64, mm: f64| {
        [at[0] + width * (t / last).clamp(0.0, 1.0), at[1] - (height - 2.0) * (mm / most).clamp(0.0, 1.0)]
    };
    c.line([at[0], at[1]], [at[0] + width, at[1]], Ink::BLACK, 0.25);
    c.line([at[0], at[1]], [at[0], at[1] - height + 2.0], Ink::BLACK, 0.25);
    c.text([at[0] - 1.5, at[1] - height + 4.0], 2.2, Align::Right, Ink::BLACK, &format!("{} mm", rounded(most, 1)));
    c.text([at[0] - 1.5, at[1]], 2.2, Align::Right, Ink::BLACK, "0 mm");
    c.text([at[0], at[1] + 3.5], 2.2, Align::Left, Ink::BLACK, "0 s");
    c.text([at[0] + width, at[1] + 3.5], 2.2, Align::Right, Ink::BLACK, &format!("{} s", rounded(last, 0)));
    for e in watch.iter().filter(|e| e.time_s.is_finite()) {
        let [x, y] = on(e.time_s, shift(e).map_or(0.0, |(s, _)| s));
        if let Some((size, u)) = shift(e) {
            c.line(on(e.time_s, (size - u).max(0.0)), on(e.time_s, size + u), Ink::GREY, 0.25);
        }
        c.within(Frame::at(x, y, 1.0), |c| match e.alarm {
            true => c.paint(
                &Outline::polygon(&[[0.0, -1.4], [1.3, 0.9], [-1.3, 0.9]]),
                Look::both(Ink::VERMILION, Ink::BLACK, 0.15),
            ),
            false => c.paint(&Outline::circle([0.0, 0.0], 0.7), Look::both(Ink::WHITE, Ink::BLACK, 0.2)),
        });
    }
    flow.y += height + 5.0;
    flow.block("Size of each shift that was noticed, with its U (95 %), over the time since the watch was opened. ▲ alarm, ○ anything else.", SMALL_MM, 0.0, Ink::GREY);
    flow.y += 2.0;
}
