//! The pages behind the first one: what the verdict rests on.

use crate::record::result::{ResultFile, StationPart, Value, Verdict};
use crate::report::evidence::{Evidence, Kept, Shown};
use crate::report::figures::{Lengths, far_off, numbers_of, rounded, signed, signed_with_u, with_u};
use crate::report::flow::{Flow, number, words};
use crate::report::{first, hold, photographs, plan};
use crate::uncertainty::digits::{LastDigit, as_written};

/// Draws them.
pub fn draw(flow: &mut Flow, evidence: &Evidence, shown: &[Shown], lengths: Lengths) {
    flow.break_page();
    in_full(flow);
    if let Ok(result) = &evidence.result {
        let shown_first = first::worst(result).map(|s| s.name.clone());
        for station in &result.stations {
            station_page(flow, evidence, station, lengths, shown_first.as_deref() == Some(station.name.as_str()));
        }
        let viewpoints = result.advice.as_ref().map(|a| a.viewpoints.as_slice()).unwrap_or_default();
        let further = result.further_advice();
        if !viewpoints.is_empty() || !further.is_empty() {
            flow.heading("What would help most", 15.0);
            viewpoints.iter().for_each(|v| flow.item(&v.words));
            further.iter().for_each(|text| flow.item(text));
        }
        budget(flow, result);
        car(flow, result);
        integrity(flow, result);
        fit(flow, result);
        points(flow, result);
    }
    hold::draw(flow, evidence);
    if let Ok(result) = &evidence.result {
        readiness(flow, result);
    }
    outcome(flow, evidence);
    who(flow, evidence);
    checking(flow, evidence);
    if let Ok(result) = &evidence.result {
        remarks(flow, result);
        where_taken(flow, result);
        photographs::draw(flow, evidence, result, shown);
        in_full(flow);
        all_figures(flow, result);
    }
    in_full(flow);
}

/// What was cut short so far.
pub fn in_full(flow: &mut Flow) {
    let texts = flow.take_in_full();
    if texts.is_empty() {
        return;
    }
    flow.heading("In full", 12.0);
    flow.paragraph("What was too long for its place on another page:");
    for (what, text) in texts {
        flow.item(&format!("{what}: {text}"));
    }
}

fn station_page(flow: &mut Flow, evidence: &Evidence, station: &StationPart, lengths: Lengths, on_first_page: bool) {
    flow.heading(&format!("Station {}", station.name), 20.0);
    if on_first_page {
        flow.paragraph("Its six deviations are on the first page.");
    } else {
        flow.need(60.0);
        first::six(flow, evidence, station, lengths);
    }
    for (name, _, d) in station.deviations.each() {
        let said = d.words.trim_end_matches('.');
        flow.item(&format!("{name}: {said}.{}", d.probability_in_tolerance.map_or(String::new(), sure)));
    }
    for (remedy, names) in station.remedies() {
        flow.item(&format!("To prove {}: {remedy}", names.join(", ")));
    }
    if station.moves.is_empty() {
        flow.paragraph(station.nothing_to_move());
    } else {
        flow.subheading("What to move, in this order", 6.0);
        for (k, m) in station.moves.iter().enumerate() {
            flow.paragraph(&format!("{}. {}", k + 1, m.words));
        }
    }
    far_off(station, false).iter().for_each(|text| flow.item(text));
}

/// How probable it is that the true deviation lies within the tolerance; not said more exactly than a normal distribution's tails are known.
fn sure(p: f64) -> String {
    let percent = 100.0 * p;
    let said = match percent {
        v if v > 99.9 => "above 99.9 %".to_owned(),
        v if v < 0.1 => "below 0.1 %".to_owned(),
        v => format!("{} %", rounded(v, 1)),
    };
    format!(" Probability that it is within the tolerance: {said}.")
}

fn budget(flow: &mut Flow, result: &ResultFile) {
    for station in &result.stations {
        flow.heading(&format!("Where the uncertainty comes from: {}", station.name), 25.0);
        let mut rows = Vec::new();
        for (name, unit, d) in station.deviations.each() {
            let unit = if unit == "mm" { " mm" } else { "°" };
            // One more digit than U is said with, so that the parts add up to it.
            let last = LastDigit::of(d.expanded / 10.0);
            let of_u = |u: f64| format!("{}{unit}", last.plain(u));
            rows.push(vec![
                name.to_uppercase(),
                "all together".into(),
                of_u(d.u),
                format!("U = {}{unit}", LastDigit::of(d.expanded).up(d.expanded)),
            ]);
            for s in d.shares.iter().filter(|s| s.percent_of_variance >= 0.05) {
                rows.push(vec![
                    String::new(),
                    s.source.clone(),
                    of_u(s.u),
                    format!("{} %", rounded(s.percent_of_variance, 1)),
                ]);
            }
        }
        let columns = [
            words("deviation", 1.0),
            words("source", 4.0),
            number("standard uncertainty", 1.4),
            number("share of the variance", 1.4),
        ];
        flow.table(&columns, &rows);
    }
}

fn car(flow: &mut Flow, result: &ResultFile) {
    let Some(v) = &result.vehicle else { return };
    flow.heading("Car and thrust line", 30.0);
    flow.paragraph(
        "The thrust line halves the angle between the rolling directions of the rear wheels; everything is measured from it. X is ahead along it, Y to the left, Z up from the floor below the middle of the rear axle.",
    );
    let deg = |v: &Value| signed_with_u(v, "°");
    let rows: Vec<Vec<String>> = v
        .wheels
        .iter()
        .map(|w| {
            let hub = w.hub_mm.map(|x| rounded(x, 1)).join(", ");
            let centreline = w.toe_centreline_deg.as_ref().map_or(String::new(), deg);
            vec![w.at.clone(), hub, deg(&w.toe_deg), centreline, deg(&w.camber_deg)]
        })
        .collect();
    let columns = [
        words("wheel", 1.0),
        words("hub X, Y, Z (mm)", 1.6),
        words("toe to the thrust line", 1.6),
        words("toe to the centreline", 1.6),
        words("camber", 1.6),
    ];
    flow.table(&columns, &rows);
    let mut facts = vec![("Rear track", with_u(&v.rear_track_mm, " mm"))];
    let mut add = |name, text: Option<String>| facts.extend(text.map(|t| (name, t)));
    add("Wheelbase", v.wheelbase_mm.as_ref().map(|w| with_u(w, " mm")));
    add("Thrust line to the centreline", v.thrust_heading_deg.as_ref().map(|w| format!("{}, left positive", deg(w))));
    add(
        "Front set-back",
        v.front_set_back_mm.as_ref().map(|w| format!("{}, left wheel ahead positive", with_u(w, " mm"))),
    );
    for other in &v.thrust_lines {
        let what = if other.from == "travel" { "the way the rear wheels went" } else { "the alignment printout" };
        let text = format!(
            "by {what}: {}; test value {}, limit {}",
            deg(&other.heading_deg),
            rounded(other.statistic, 2),
            rounded(other.limit, 2)
        );
        add("Thrust line found another way", Some(text));
    }
    if let Some(roll) = &v.roll {
        let places: Vec<String> = roll
            .positions
            .iter()
            .map(|p| {
                format!(
                    "{}: {} mm ahead, {} mm left, turned {}°",
                    p.name,
                    signed(p.ahead_mm, 1),
                    signed(p.left_mm, 1),
                    signed(p.turn_deg, 3)
                )
            })
            .collect();
        let text = format!(
            "judged at {}; {}; test value {} with {} degrees of freedom, limit {}",
            roll.judged_at,
            places.join("; "),
            rounded(roll.statistic, 1),
            roll.degrees_of_freedom,
            rounded(roll.limit, 1)
        );
        add("Rolled", Some(text));
    }
    for w in &v.wheels {
        let text = w
            .clamp
            .as_ref()
            .map(|c| format!("{}: run-out {}° found by rolling and taken out", w.at, rounded(c.run_out_deg, 3)));
        add("Plate", text);
    }
    add("Vertical from", Some(v.vertical_from.clone()));
    add(
        "Steepest floor",
        v.steepest_floor
            .as_ref()
            .map(|f| format!("from {} to {}: {}", f.low, f.high, with_u(&f.rises_mm_per_m, " mm/m"))),
    );
    add(
        "Floor to the plumb line",
        v.floor_slope_deg.as_ref().map(|[x, y]| format!("along X {}, along Y {}", deg(x), deg(y))),
    );
    for sheet in &v.sheet_heights {
        add("Sheet above the floor's plane", Some(format!("{}: {}", sheet.body, with_u(&sheet.height_mm, " mm"))));
    }
    flow.facts(&facts);
}

fn integrity(flow: &mut Flow, result: &ResultFile) {
    if result.integrity.is_empty() {
        return;
    }
    let failed = result.integrity.iter().filter(|t| !t.passed).count();
    flow.heading("Tests of the measurement itself", 30.0);
    flow.paragraph(&match failed {
        0 => format!("{} tests for moved bodies, wrong sizes and other faults: nothing found.", result.integrity.len()),
        n => format!("{n} of {} tests for moved bodies, wrong sizes and other faults FAILED.", result.integrity.len()),
    });
    for test in result.integrity.iter().filter(|t| !t.passed) {
        flow.item(&test.sentence);
    }
    let rows: Vec<Vec<String>> = result
        .integrity
        .iter()
        .map(|t| {
            let least = t
                .minimal_detectable
                .map_or("none would show".into(), |m| up_to(m, || format!("{} {}", LastDigit::of(m).up(m), t.unit)));
            let state = if t.passed { "passed" } else { "▲ FOUND" };
            vec![
                t.test.clone(),
                t.subject.clone(),
                up_to(t.statistic, || rounded(t.statistic, 2)),
                up_to(t.threshold, || limit(t.threshold)),
                least,
                state.to_owned(),
            ]
        })
        .collect();
    let columns = [
        words("test", 2.2),
        words("of", 1.8),
        number("test value", 0.9),
        number("limit", 0.9),
        number("smallest fault found in 99.5 %", 1.3),
        words("outcome", 0.9),
    ];
    flow.table(&columns, &rows);
}

/// From here on a figure means "nothing bounds it": 10^9 mm is farther than anything stands, and a result that has no number keeps the largest there is.
const ENDLESS: f64 = 1e9;

/// A figure's text, or that nothing bounds it.
fn up_to(v: f64, text: impl Fn() -> String) -> String {
    if v.is_nan() || v.abs() >= ENDLESS { "without limit".into() } else { text() }
}

/// A limit: a tolerance as it was written, a bound of a distribution to two decimals.
fn limit(v: f64) -> String {
    let written = as_written(v);
    if written.len() <= 6 { written } else { rounded(v, 2) }
}

fn fit(flow: &mut Flow, result: &ResultFile) {
    if let Some(s) = &result.survey {
        flow.heading("How well everything fits", 25.0);
        let mut facts = vec![
            (
                "Tag views",
                format!(
                    "{} used, {} rejected, from {} of {} photographs",
                    s.views_used,
                    s.views_rejected,
                    result.photographs.iter().filter(|p| p.used).count(),
                    result.photographs.len()
                ),
            ),
            (
                "Residuals",
                format!(
                    "median {} px, root mean square {} px",
                    rounded(s.median_residual_px, 3),
                    rounded(s.rms_residual_px, 3)
                ),
            ),
            (
                "Unit weight",
                format!(
                    "{} (1 where the residuals are as large as stated), redundancy {}; {} px of noise added to explain them",
                    rounded(s.sigma0, 3),
                    rounded(s.redundancy, 1),
                    rounded(s.unmodelled_px, 3)
                ),
            ),
        ];
        for print in &s.print_scales {
            let [right, up] = print.found_mm_per_m.map(|v| signed(v, 2));
            facts.push((
                "Print size found",
                format!("{}: {right} mm/m along its right, {up} mm/m along its up", print.name),
            ));
        }
        for lens in &result.lenses {
            let [w, h] = lens.image_size;
            facts.push((
                "Lens",
                format!("{}; profile {}, {w} x {h} pixels, {}", lens.camera, lens.file, lens.adjustment),
            ));
        }
        for o in &result.outliers {
            let value = o.statistic.map_or("beyond any measure".into(), |v| rounded(v, 1));
            facts.push((
                "Rejected view",
                format!(
                    "tag {} ({}) in {}: {} px off, test value {value} with {} degrees of freedom",
                    o.tag,
                    o.body,
                    o.photograph,
                    rounded(o.largest_residual_px, 1),
                    o.degrees_of_freedom
                ),
            ));
        }
        flow.facts(&facts);
    }
    if result.bodies.is_empty() {
        return;
    }
    flow.subheading("Bodies as found, in the car's frame", 15.0);
    let rows: Vec<Vec<String>> = result
        .bodies
        .iter()
        .map(|b| {
            let at = b.vehicle_from_body.as_ref();
            let at = at.map_or("no car's frame".into(), |p| p.translation_mm.map(|v| rounded(v, 1)).join(", "));
            let more = [&b.station, &b.roll_position].into_iter().flatten().cloned().collect::<Vec<_>>().join(", ");
            vec![b.name.clone(), b.kind.clone(), more, b.photographs.to_string(), at]
        })
        .collect();
    let columns = [
        words("body", 2.0),
        words("kind", 1.2),
        words("station, roll position", 1.6),
        number("photographs", 1.0),
        words("X, Y, Z (mm)", 2.0),
    ];
    flow.table(&columns, &rows);
}

fn points(flow: &mut Flow, result: &ResultFile) {
    let Some(pointer) = &result.pointer else { return };
    flow.heading("Points by touch", 20.0);
    let mm = |v: &Value| with_u(v, "");
    for p in &result.points {
        let [x, y, z] = p.at_mm.each_ref().map(mm);
        flow.item(&format!("{}: X {x}, Y {y}, Z {z} mm; {} holds", p.name, p.holds));
    }
    if let Some(tip) = &pointer.tip_mm {
        let [x, y, z] = tip.each_ref().map(mm);
        flow.item(&format!("Tip of {} in its own frame: {x}, {y}, {z} mm", pointer.name));
    }
    if let Some(why) = &pointer.not_found {
        flow.item(&format!("{}: {why}", pointer.name));
    }
    for h in pointer.holds.iter().filter(|h| !h.used) {
        flow.item(&format!("{} on {}: left out. {}", h.photograph, h.point, h.reason.clone().unwrap_or_default()));
    }
}

fn readiness(flow: &mut Flow, result: &ResultFile) {
    flow.heading("Readiness of car, bay and people", 25.0);
    if result.readiness.is_empty() {
        flow.paragraph("No list was kept.");
        return;
    }
    let rows: Vec<Vec<String>> = result
        .readiness
        .iter()
        .map(|r| {
            let state = match r.state.as_str() {
                "open" => "▲ OPEN".to_owned(),
                other => other.to_owned(),
            };
            let words = match (r.measured, r.words.is_empty()) {
                (true, true) => "measured".to_owned(),
                (true, false) => format!("measured: {}", r.words),
                (false, _) => r.words.clone(),
            };
            vec![r.group.clone(), r.text.clone(), state, words]
        })
        .collect();
    flow.table(&[words("of", 0.7), words("what must be so", 4.0), words("state", 1.2), words("note", 2.2)], &rows);
}

fn outcome(flow: &mut Flow, evidence: &Evidence) {
    flow.heading("Scan tool and road test", 12.0);
    let Some(o) = &evidence.outcome else {
        flow.paragraph("Nothing was entered. The measurement says where the target stood; whether the sensor works, only the routine and the road test show.");
        return;
    };
    let driven = match (o.road_test_driven, &o.road_test) {
        (Some(true), Some(words)) => format!("driven: {words}"),
        (Some(false), Some(words)) => format!("NOT driven: {words}"),
        _ => "nothing was entered".to_owned(),
    };
    let mut facts = vec![("Scan tool", o.scan_tool.clone()), ("Routine", o.routine.clone())];
    for (name, text) in [("It said", &o.message), ("Fault codes afterwards", &o.fault_codes)] {
        facts.extend(text.clone().map(|t| (name, t)));
    }
    facts.push(("Road test", driven));
    facts.extend(o.note.clone().map(|t| ("Note", t)));
    flow.facts(&facts);
    flow.paragraph("Typed in by a person; plumbsight does not talk to the car.");
}

fn who(flow: &mut Flow, evidence: &Evidence) {
    flow.heading("Who, when, which revision", 20.0);
    let Some(r) = &evidence.record else {
        flow.paragraph(match evidence.kept {
            Kept::Job => "Made from a job folder: nobody is named, and nothing says when.",
            Kept::Record { .. } => "record.json cannot be read: who and when is not known.",
        });
        return;
    };
    let mut facts = vec![
        ("Record", evidence.name.clone()),
        ("Kept by", r.by.clone()),
        ("Kept at", format!("{} local, {} universal time", r.made_local, r.made_utc)),
        ("Measured with", format!("{} on {}", r.program, r.machine)),
        ("Photographs", r.photographs.to_string()),
    ];
    facts.extend(r.note.clone().map(|n| ("Note", n)));
    match &r.corrects {
        None => facts.push(("Revision", format!("{}; it corrects no earlier record", r.revision))),
        Some(c) => {
            facts.push(("Revision", format!("{}; it corrects the record {}", r.revision, c.record)));
            facts.push(("Reason", c.reason.clone()));
            facts.push(("That record's manifest", format!("SHA-256 {}", c.manifest_sha256)));
        }
    }
    flow.facts(&facts);
}

fn checking(flow: &mut Flow, evidence: &Evidence) {
    flow.heading("How to check this", 25.0);
    let Kept::Record { manifest_sha256, damage, contradictions, signature } = &evidence.kept else {
        flow.paragraph(
            "There is no manifest and no signature: this report was made from a job folder, not from a record.",
        );
        return;
    };
    flow.facts(&[
        ("SHA-256 of the manifest", manifest_sha256.clone()),
        (
            "Files when this was made",
            if damage.is_empty() { "all as recorded".into() } else { format!("{} NOT as recorded", damage.len()) },
        ),
        ("Signature", signature.words().into()),
    ]);
    damage.iter().for_each(|d| flow.item(&format!("{} {}", d.file, d.what.words())));
    contradictions.iter().for_each(|c| flow.item(c));
    flow.paragraph(
        "In the record's folder `sha256sum -c SHA256SUMS` compares every file, and `sha256sum SHA256SUMS` must give the sum above. `plumbsight recheck RECORD` does both, checks the signature, and measures again from the photographs. This report was written from the record alone; nothing was measured for it.",
    );
}

fn remarks(flow: &mut Flow, result: &ResultFile) {
    if result.notes.is_empty() && result.notices.is_empty() {
        return;
    }
    flow.heading("Notes", 10.0);
    result.notes.iter().for_each(|n| flow.item(n));
    result.notices.iter().for_each(|n| flow.item(&format!("{}: {}", n.about, n.text)));
}

/// The plan with cameras and sheets.
fn where_taken(flow: &mut Flow, result: &ResultFile) {
    if result.vehicle.is_none() || result.verdict == Verdict::NotMeasured {
        return;
    }
    let height = 105.0;
    flow.heading("Where the photographs were taken", height + 8.0);
    let (left, width, y) = (flow.left(), flow.width(), flow.y);
    plan::draw(&mut flow.canvas, result, [left, y], [width, height], true);
    flow.y += height + 2.0;
    flow.block(
        "Dots: the camera. Upright rectangles: floor sheets. Dark wheels carried plates; the outline of the car is for orientation only.",
        2.6,
        0.0,
        crate::paper::Ink::GREY,
    );
}

/// Every number of the result, as it is written there.
fn all_figures(flow: &mut Flow, result: &ResultFile) {
    let Ok(json) = serde_json::to_value(result) else { return };
    flow.heading("Every number of the result", 20.0);
    flow.paragraph(
        "As result.json has them, in full and by name (the README says what each is); for engineers, and so that this paper can be compared with the file.",
    );
    for (path, numbers) in numbers_of(&json) {
        let path = if path.is_empty() { "result" } else { &path };
        flow.block(&format!("{path}: {numbers}"), 2.2, 0.0, crate::paper::Ink::BLACK);
    }
}
