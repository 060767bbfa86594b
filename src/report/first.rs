//! The first page: the verdict, what speaks against it, what was measured, where it stood, and what a verdict does not say.

use crate::paper::{Align, Ink, Look};
use crate::record::HoldRead;
use crate::record::result::{ResultFile, StationPart, Verdict};
use crate::report::evidence::{Evidence, Kept};
use crate::report::figures::{Lengths, SixLine};
use crate::report::flow::{Flow, SMALL_MM, number, panel, words};
use crate::report::page_parts::{inks, shape};
use crate::report::{plan, windows};
use crate::verdict::words::capital;

/// Lines that a warning may take on this page, and how many warnings are written out.
const WARNING_LINES: usize = 2;
const MOST_WARNINGS: usize = 5;

/// Draws it.
pub fn draw(flow: &mut Flow, evidence: &Evidence, lengths: Lengths) {
    let result = evidence.result.as_ref().ok();
    let verdict = result.map_or(Verdict::NotMeasured, |r| r.verdict);
    banner(flow, evidence, verdict);
    warn(flow, &warnings(evidence));
    facts(flow, evidence);
    let Some(result) = result else {
        let why = evidence.result.as_ref().err().cloned().unwrap_or_default();
        flow.paragraph(&format!("The result cannot be read: {why}"));
        cautions(flow, None);
        return;
    };
    if let Some(why) = &result.not_measured {
        let width = flow.width();
        flow.canvas.bold([flow.left(), flow.y + 3.0], 3.2, Align::Left, Ink::BLACK, WHY_NOT);
        flow.y += 5.0;
        let most = if result.stations.is_empty() { 12 } else { 3 };
        flow.y += flow.short([flow.left(), flow.y], 3.0, width, most, WHY_NOT, why) + 4.0;
    }
    if let Some(station) = worst(result) {
        let below = TABLE_MM + caution_height(flow, result);
        let room = flow.bottom() - flow.y - below;
        drawings(flow, result, station, room.clamp(52.0, 118.0));
        six(flow, evidence, station, lengths);
    }
    cautions(flow, Some(result));
}

/// Heads why nothing was measured.
const WHY_NOT: &str = "Why there is no measurement";

/// Height kept for the table of the six with its title, mm.
const TABLE_MM: f64 = 44.0;

/// The station that decides the verdict.
pub fn worst(result: &ResultFile) -> Option<&StationPart> {
    result.stations.iter().find(|s| s.verdict == result.verdict).or_else(|| result.stations.first())
}

fn banner(flow: &mut Flow, evidence: &Evidence, verdict: Verdict) {
    let mark = evidence.mark(verdict);
    let (fill, ink) = inks(mark);
    let (left, width, y) = (flow.left(), flow.width(), flow.y);
    let text = evidence.meaning(verdict);
    let (lines, _) = flow.lines(text, 3.1, width - 28.0, 4);
    let height = 15.0 + 4.0 * lines.len() as f64;
    panel(&mut flow.canvas, [left, y], [width, height], Look::both(fill, Ink::BLACK, 0.3));
    shape(&mut flow.canvas, [left + 12.0, y + height / 2.0], 6.5, mark, ink);
    let said = evidence.said(verdict).to_uppercase();
    // The longest of them in a size that stays within the banner.
    let em = (7.6f64).min((width - 28.0) / flow.width_em(&said));
    flow.canvas.bold([left + 24.0, y + 10.0], em, Align::Left, ink, &said);
    for (k, line) in lines.iter().enumerate() {
        flow.canvas.text([left + 24.0, y + 15.5 + 4.0 * k as f64], 3.1, Align::Left, ink, line);
    }
    flow.y += height + 3.0;
}

/// What speaks against the verdict or limits it, most serious first.
pub fn warnings(evidence: &Evidence) -> Vec<String> {
    let mut out = evidence.later.clone();
    out.extend(evidence.against());
    if let Kept::Job = &evidence.kept {
        out.push(
            "This is no record: it was made from a job folder whose files can still change, and nothing guards them. `plumbsight record` keeps a job.".into(),
        );
    }
    match evidence.hold_alarms() {
        0 => {}
        _ if evidence.hold.as_ref().is_some_and(HoldRead::is_without_a_watch) => {
            out.push("A LIVE READING FOUND THE STAND ELSEWHERE: what was judged before it no longer holds.".into())
        }
        1 => out.push(
            "THE HOLD WATCH RAISED AN ALARM: something moved, and what was judged before it no longer holds.".into(),
        ),
        n => out.push(format!(
            "THE HOLD WATCH RAISED {n} ALARMS: something moved, and what was judged before them no longer holds."
        )),
    }
    out.extend(evidence.hold.as_ref().and_then(HoldRead::doubt));
    let Ok(result) = &evidence.result else { return out };
    for failed in result.integrity.iter().filter(|t| !t.passed) {
        out.push(format!("A fault was found: {}", failed.sentence));
    }
    let open: Vec<&str> = result.readiness.iter().filter(|r| r.state == "open").map(|r| r.id.as_str()).collect();
    match (result.readiness.len(), open.len()) {
        (0, _) => out.push("No readiness list of car and bay was there when this was measured.".into()),
        (_, 0) => {}
        (n, k) => out.push(format!("Readiness: {k} of {n} items are open ({}).", open.join(", "))),
    }
    for missing in &result.stations_not_measured {
        if result.verdict != Verdict::NotMeasured {
            out.push(format!("Station {} was not measured: {}.", missing.name, missing.reason));
        }
    }
    match &evidence.outcome {
        None => out.push("Nothing was entered of what the scan tool said and how the road test went.".into()),
        Some(o) if o.routine != "completed" => out.push(format!("The scan tool's routine: {}.", o.routine)),
        Some(_) => {}
    }
    out
}

fn warn(flow: &mut Flow, warnings: &[String]) {
    let width = flow.width() - 6.0;
    for text in warnings.iter().take(MOST_WARNINGS) {
        let at = [flow.left(), flow.y];
        flow.canvas.bold([at[0] + 0.5, at[1] + 2.4], 3.0, Align::Left, Ink::BLACK, "▲");
        flow.y += flow.short([at[0] + 5.0, at[1]], 2.8, width, WARNING_LINES, "Warning", text) + 0.6;
    }
    let more = &warnings[warnings.len().min(MOST_WARNINGS)..];
    if !more.is_empty() {
        let at = [flow.left() + 5.0, flow.y];
        let text = format!("And {} more: see \"In full\".", more.len());
        flow.y += flow.short(at, 2.8, width, 1, "Warning", &text);
        flow.in_full.extend(more.iter().map(|text| ("Warning".to_owned(), text.clone())));
    }
    flow.y += 2.0;
}

/// Names and what they are, in two columns.
fn facts(flow: &mut Flow, evidence: &Evidence) {
    let result = evidence.result.as_ref().ok();
    let record = evidence.record.as_ref();
    let none = || "not stated".to_owned();
    let vehicle = result.and_then(|r| r.vehicle.as_ref());
    let name = vehicle.and_then(|v| v.name.clone()).or_else(|| record.and_then(|r| r.vehicle.clone()));
    let id = vehicle.and_then(|v| v.id.clone()).or_else(|| record.and_then(|r| r.vehicle_id.clone()));
    let vin = result.and_then(|r| match (&r.vin, &r.vin_unchecked) {
        (Some(vin), Some(why)) => Some(format!("{vin} (check digit not looked at: {why})")),
        (Some(vin), None) => Some(format!("{vin} (check digit right)")),
        (None, _) => None,
    });
    let placement = result.map(|r| &r.placement).or(record.map(|r| &r.placement));
    let title = result.and_then(|r| r.title.clone());
    let when = match record {
        Some(r) => format!("{} (universal time {})", spaced(&r.made_local), spaced(&r.made_utc)),
        None => "no record was kept".into(),
    };
    let kept = match record {
        Some(r) => format!("{}, revision {}", evidence.name, r.revision),
        None => format!("folder {}", evidence.name),
    };
    let of = |text: Option<&String>| text.filter(|t| !t.trim().is_empty()).cloned().unwrap_or_else(none);
    let vehicle_text = match (name, id) {
        (Some(name), Some(id)) => format!("{name}; {id}"),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => none(),
    };
    let pairs = [
        [("Vehicle", vehicle_text), ("Procedure asks", of(placement.map(|p| &p.title)))],
        [("VIN", vin.unwrap_or_else(none)), ("Published in", of(placement.map(|p| &p.source)))],
        [("Job", title.unwrap_or_else(none)), ("Revision of it", of(placement.map(|p| &p.revision)))],
        [("Kept by", record.map_or_else(none, |r| r.by.clone())), ("Kept at", when)],
    ];
    // A record's name is one long word: over the whole width.
    let wide = [[("Heights from", placement.map_or_else(none, |p| p.reference.clone()))], [("Record", kept)]];
    let (column, label) = (flow.width() / 2.0, 23.0);
    let rows =
        pairs.iter().map(|pair| (pair.as_slice(), column)).chain(wide.iter().map(|one| (one.as_slice(), flow.width())));
    for (row, column) in rows.collect::<Vec<_>>() {
        let mut tall: f64 = 0.0;
        for (k, (what, text)) in row.iter().enumerate() {
            let x = flow.left() + column * k as f64;
            flow.canvas.text([x, flow.y + 0.8 * SMALL_MM], SMALL_MM, Align::Left, Ink::GREY, what);
            let room = column - label - 3.0;
            tall = tall.max(flow.short([x + label, flow.y], SMALL_MM, room, 2, what, text));
        }
        flow.y += tall + 0.5;
    }
    flow.y += 2.5;
}

fn spaced(moment: &str) -> String {
    moment.replacen('T', " ", 1)
}

fn drawings(flow: &mut Flow, result: &ResultFile, station: &StationPart, height: f64) {
    let (left, width, y) = (flow.left(), flow.width(), flow.y);
    // Below each window its scale bar and, below both, what the marks mean.
    let each = ((width - 6.0) / 3.0).min(height - 20.0).max(30.0);
    let plan_width = width - 2.0 * each - 6.0;
    flow.canvas.bold([left, y + 2.4], 2.5, Align::Left, Ink::BLACK, "The bay from above, to scale");
    plan::draw(&mut flow.canvas, result, [left, y + 4.0], [plan_width, height - 4.5], false);
    let x = left + plan_width + 4.0;
    windows::draw(&mut flow.canvas, station, windows::View::Above, [x, y], [each, height]);
    windows::draw(&mut flow.canvas, station, windows::View::Side, [x + each + 2.0, y], [each, height]);
    let mut legend_y = y + 4.0 + each.min(height - 11.0) + 9.5;
    for text in [
        "Grey field: the tolerance. Cross: the required place. Mark: the place found,",
        "with the ellipse that holds the true place with 95 %. Dashed: the thrust line.",
    ] {
        flow.canvas.text([x, legend_y], 2.2, Align::Left, Ink::GREY, text);
        legend_y += 3.0;
    }
    flow.y += height + 1.5;
}

/// The table of the six deviations of a station.
pub fn six(flow: &mut Flow, evidence: &Evidence, station: &StationPart, lengths: Lengths) {
    // The verdict first: where a name is too long for the line, the name is cut and not the verdict.
    let title = format!(
        "{} {}: station {}",
        evidence.mark(station.verdict).shape(),
        capital(&evidence.said(station.verdict)),
        station.name
    );
    let (lines, cut) = flow.lines(&title, 3.2, flow.width(), 1);
    if cut {
        flow.in_full.push(("Station".into(), station.name.clone()));
    }
    for line in lines {
        flow.canvas.bold([flow.left(), flow.y + 3.0], 3.2, Align::Left, Ink::BLACK, &line);
    }
    flow.y += 5.0;
    let rows: Vec<Vec<String>> = station
        .deviations
        .each()
        .iter()
        .map(|(name, unit, d)| {
            let line = SixLine::of(d, lengths.of(unit));
            let state = d.verdict.map_or(String::new(), |v| format!("{} {}", v.shape(), v.words()));
            vec![
                (*name).to_owned(),
                line.required,
                line.measured,
                line.deviation,
                line.expanded,
                line.tolerance.unwrap_or_else(|| "not asked".into()),
                state,
            ]
        })
        .collect();
    let columns = [
        words("", 0.9),
        number("required", 1.2),
        number("measured", 1.2),
        number("deviation", 1.2),
        number("U (95 %)", 1.2),
        number("tolerance", 1.2),
        words("", 1.4),
    ];
    flow.table(&columns, &rows);
}

fn caution_text(result: Option<&ResultFile>) -> String {
    let own = result.map_or(crate::record::result::CAUTION, |r| r.caution.as_str());
    let rule = result.map_or(String::new(), |r| {
        format!(
            "Rule: {}. U is the expanded uncertainty with coverage factor {}; judged with the unrounded figures. ",
            r.rule, r.coverage_factor
        )
    });
    format!(
        "{rule}{own} Where the procedure differs from this report, the procedure wins. A measured stand shortens no road test. Airbag and high-voltage parts are for qualified staff."
    )
}

fn caution_height(flow: &mut Flow, result: &ResultFile) -> f64 {
    let text = caution_text(Some(result));
    flow.lines(&text, 2.5, flow.width() - 6.0, 7).0.len() as f64 * 2.5 * 1.3 + 7.0
}

fn cautions(flow: &mut Flow, result: Option<&ResultFile>) {
    let text = caution_text(result);
    let (lines, cut) = flow.lines(&text, 2.5, flow.width() - 6.0, 7);
    if cut {
        flow.in_full.push(("Cautions".into(), text));
    }
    let height = lines.len() as f64 * 2.5 * 1.3 + 4.0;
    flow.need(height);
    let (left, y, width) = (flow.left(), flow.y, flow.width());
    panel(&mut flow.canvas, [left, y], [width, height], Look::line(Ink::BLACK, 0.25));
    for (k, line) in lines.iter().enumerate() {
        let y = y + 2.0 + 2.5 * (0.8 + 1.3 * k as f64);
        flow.canvas.text([left + 3.0, y], 2.5, Align::Left, Ink::BLACK, line);
    }
    flow.y += height + 2.0;
}
