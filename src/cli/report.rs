//! What a technician reads: the result file as text, 80 columns wide. Made from the result alone, so that it can be made again.

use crate::record::ResultFile;
use crate::record::result::{DeviationPart, StationPart, Value, VehiclePart, Verdict};
use crate::report::{Lengths, SixLine, far_off, signed_with_u, with_u};
use crate::session::hold::{AFTER_ALARM, Against};
use crate::uncertainty::digits::LastDigit;
use crate::verdict::rule::no_move_proves;
use crate::verdict::words::capital;
use std::fmt::Write;

pub(super) const WIDTH: usize = 80;

/// Below the time of a line.
pub(super) const MARGIN: &str = "            ";

/// Rejected views listed on the screen.
const REJECTED_SHOWN: usize = 5;

/// What the log of the hold watch says against the photographs; empty where nothing.
pub(super) fn against(against: &Against) -> String {
    let mut out = String::new();
    if let Some(doubt) = &against.doubt {
        line(&mut out, "", doubt);
    }
    if against.alarms > 0 {
        let s = if against.alarms == 1 { "" } else { "S" };
        let head = format!("THE HOLD WATCH RAISED {} ALARM{s} after these photographs (hold.jsonl):", against.alarms);
        line(&mut out, "", &head);
        against.newest.iter().for_each(|newest| line(&mut out, "  ", newest));
    }
    if let Some(found) = &against.elsewhere {
        line(&mut out, "", "A LIVE READING CONTRADICTS THESE PHOTOGRAPHS (hold.jsonl):");
        line(&mut out, "  ", found);
    }
    if against.in_all() > 0 {
        line(&mut out, "", AFTER_ALARM);
    }
    if !out.is_empty() {
        let _ = writeln!(out);
    }
    out
}

/// The whole report. `moved`: something moved after the photographs, or may have.
pub(super) fn report(result: &ResultFile, moved: bool) -> String {
    let mut out = String::new();
    // Writing to a text cannot fail; the results of `writeln!` are dropped for that reason.
    if let Some(title) = &result.title {
        line(&mut out, "", title);
    }
    line(&mut out, "", &format!("Asked: {}", placement(result)));
    let _ = writeln!(out);
    if result.verdict == Verdict::NotMeasured {
        let _ = writeln!(out, "{} NOT MEASURED", result.verdict.shape());
        line(&mut out, "  ", &why_not_measured(result));
        let _ = writeln!(out);
    }
    for station in &result.stations {
        station_text(&mut out, station, moved);
    }
    for missing in &result.stations_not_measured {
        if result.verdict != Verdict::NotMeasured {
            let _ = writeln!(out, "{} NOT MEASURED: {}", Verdict::NotMeasured.shape(), missing.name);
            line(&mut out, "  ", &format!("{}.", missing.reason));
            let _ = writeln!(out);
        }
    }
    // Figures of the car from a survey that gave no measurement would only mislead.
    if result.verdict != Verdict::NotMeasured {
        car(&mut out, result);
    }
    touched(&mut out, result);
    readiness(&mut out, result);
    fit(&mut out, result);
    integrity(&mut out, result);
    super::more::advice(&mut out, result);
    for (heading, lines) in [("Notes", result.notes.clone()), ("Notices", notices(result))] {
        if !lines.is_empty() {
            let _ = writeln!(out, "{heading}");
            lines.iter().for_each(|text| item(&mut out, text));
            let _ = writeln!(out);
        }
    }
    line(&mut out, "", &result.caution);
    let _ = writeln!(out);
    out
}

/// Why there is no measurement.
pub(super) fn why_not_measured(result: &ResultFile) -> String {
    result.not_measured.clone().unwrap_or_default()
}

fn placement(result: &ResultFile) -> String {
    let p = &result.placement;
    let title = if p.title.is_empty() { String::new() } else { format!("{}; ", p.title) };
    format!("{title}source: {}; revision: {}", p.source, p.revision)
}

fn station_text(out: &mut String, station: &StationPart, moved: bool) {
    let mark = station.verdict.mark_as_kept(false, moved).shape();
    let head = format!("{mark} {}: {}", station.verdict.as_kept(false, moved).to_uppercase(), station.name);
    line_after(out, "", "  ", &head);
    let _ = writeln!(out);
    let _ = writeln!(
        out,
        "{:<9}{:>10}{:>12}{:>11}{:>11}{:>11}",
        "", "required", "measured", "deviation", "U (95 %)", "tolerance"
    );
    for (name, unit, d) in station.deviations.each() {
        let _ = writeln!(out, "{}", row(name, unit, d));
    }
    if station.deviations.each().iter().any(|(_, _, d)| seems_out(d)) {
        line(
            out,
            "",
            "Judged with the unrounded figures: as shown here, |deviation| + U passes a tolerance by a last digit and does not.",
        );
    }
    let _ = writeln!(out);
    for (name, _, d) in station.deviations.each() {
        if d.verdict.is_some_and(|v| v != Verdict::In) {
            item(out, &format!("{}: {}", capital(name), d.words));
        }
    }
    for (remedy, names) in station.remedies() {
        item(out, &format!("To prove {}: {remedy}", names.join(", ")));
    }
    if station.moves.is_empty() {
        let _ = writeln!(out, "{}", station.nothing_to_move());
    } else {
        // A move proves nothing where U alone exceeds the tolerance.
        let hopeless = |d: &DeviationPart| no_move_proves(d.verdict.and_then(Verdict::state), d.expanded, d.tolerance);
        if station.deviations.each().iter().any(|(_, _, d)| hopeless(d)) {
            line_after(
                out,
                "",
                "",
                "First do what the lines above say: until then no move can prove the stand in tolerance.",
            );
            let _ = writeln!(out, "As far as is known now, in this order:");
        } else {
            let _ = writeln!(out, "Move, in this order:");
        }
        for (k, m) in station.moves.iter().enumerate() {
            line_after(out, &format!("  {}. ", k + 1), "     ", &m.words);
        }
    }
    let _ = writeln!(out);
    let far_off = far_off(station, true);
    far_off.iter().for_each(|text| line(out, "", text));
    if !far_off.is_empty() {
        let _ = writeln!(out);
    }
    largest_shares(out, station);
}

/// Where the uncertainty of each asked deviation comes from, largest first.
fn largest_shares(out: &mut String, station: &StationPart) {
    let _ = writeln!(out, "Where U comes from (share of the variance)");
    for (name, _, d) in station.deviations.each() {
        let shares: Vec<String> = d
            .shares
            .iter()
            .filter(|s| s.percent_of_variance >= 0.5)
            .take(3)
            .map(|s| format!("{} {:.0} %", s.source, s.percent_of_variance))
            .collect();
        if !shares.is_empty() {
            line_after(out, &format!("  {name:<9}"), "           ", &shares.join(", "));
        }
    }
    let _ = writeln!(out);
}

/// True where a deviation is in tolerance and what is shown of it adds up to more.
fn seems_out(d: &DeviationPart) -> bool {
    let last = LastDigit::of(d.expanded);
    let shown = |text: String| text.parse::<f64>().unwrap_or(0.0).abs();
    let sum = shown(last.plain(d.deviation)) + shown(last.up(d.expanded));
    // What differs by less than twelve digits is the same number.
    d.verdict == Some(Verdict::In) && d.tolerance.is_some_and(|tolerance| sum > tolerance * (1.0 + 1e-12))
}

/// One line of the table; every number with its unit, the state as a shape and a word.
fn row(name: &str, unit: &str, d: &DeviationPart) -> String {
    let SixLine { required, measured, deviation, expanded, tolerance } = SixLine::of(d, Lengths::Millimetres.of(unit));
    let tolerance = tolerance.unwrap_or_else(|| "not asked".into());
    let state = match d.verdict {
        Some(v) => {
            format!("  {} {}", v.shape(), v.words().trim_end_matches(" of tolerance").trim_end_matches(" tolerance"))
        }
        None => String::new(),
    };
    // Each ends where its column does, with a blank before it; where one is too long, those behind it take up what room they have.
    let mut out = format!("{name:<9}");
    for (text, end) in [required, measured, deviation, expanded, tolerance].iter().zip([19, 31, 42, 53, 64]) {
        let room = usize::saturating_sub(end, out.chars().count()).max(text.chars().count() + 1);
        let _ = write!(out, "{text:>room$}");
    }
    out + &state
}

/// A number that rounds to zero is shown as zero, not as minus zero.
fn settle(v: f64, digits: usize) -> f64 {
    if v.abs() < 0.5 * 10f64.powi(-(digits as i32)) { 0.0 } else { v }
}

fn car(out: &mut String, result: &ResultFile) {
    let Some(vehicle) = &result.vehicle else { return };
    let mm = |v: &Value| with_u(v, " mm");
    let deg = |v: &Value| signed_with_u(v, "°");
    let _ = writeln!(out, "Car");
    for wheel in &vehicle.wheels {
        let text = format!(
            "{}: toe against the thrust line {}, camber {}",
            wheel.at,
            deg(&wheel.toe_deg),
            deg(&wheel.camber_deg)
        );
        line(out, "  ", &text);
    }
    let mut text = format!("rear track {}", mm(&vehicle.rear_track_mm));
    if let Some(v) = &vehicle.wheelbase_mm {
        let _ = write!(text, ", wheelbase {}", mm(v));
    }
    if let Some(v) = &vehicle.thrust_heading_deg {
        let _ = write!(text, ", thrust line against the centreline {} (left positive)", deg(v));
    }
    line(out, "  ", &text);
    if let Some(v) = &vehicle.front_set_back_mm {
        line(out, "  ", &format!("front set-back {} (left wheel ahead positive)", mm(v)));
    }
    thrust_lines(out, vehicle);
    if let Some(floor) = &vehicle.steepest_floor {
        let text =
            format!("floor: steepest from {} to {}, {}", floor.low, floor.high, with_u(&floor.rises_mm_per_m, " mm/m"));
        line(out, "  ", &text);
    }
    let _ = writeln!(out);
}

/// The touched points and the pointer.
fn touched(out: &mut String, result: &ResultFile) {
    let Some(pointer) = &result.pointer else { return };
    let _ = writeln!(out, "Points by touch (mm in the vehicle frame: forward, left, above the floor)");
    let mm = |v: &Value| with_u(v, "");
    for point in &result.points {
        let [x, y, z] = point.at_mm.each_ref().map(mm);
        let position = point.roll_position.as_ref().map(|p| format!(", touched at {p}")).unwrap_or_default();
        line(out, "  ", &format!("{}: {x}, {y}, {z}; {} holds{position}", point.name, point.holds));
    }
    match (&pointer.tip_mm, &pointer.not_found) {
        (Some(tip), _) => {
            let [x, y, z] = tip.each_ref().map(mm);
            let used = pointer.holds.iter().filter(|h| h.used).count();
            let text = format!("tip of \"{}\", in its own frame: {x}, {y}, {z}; {used} holds", pointer.name);
            line(out, "  ", &text);
        }
        (None, Some(why)) => line(out, "  ", &format!("{}: {why}.", pointer.name)),
        (None, None) => {}
    }
    let _ = writeln!(out);
}

/// How the car was rolled, and the thrust lines beside each other.
fn thrust_lines(out: &mut String, vehicle: &VehiclePart) {
    let deg = |v: &Value| signed_with_u(v, "°");
    if let Some(roll) = &vehicle.roll {
        let ways: Vec<String> =
            roll.positions.iter().map(|p| format!("{} {:+.0} mm", p.name, settle(p.ahead_mm, 0))).collect();
        let text = format!(
            "rolled: {}; judged at {}; all fit together (test value {:.1}, limit {:.1})",
            ways.join(", "),
            roll.judged_at,
            roll.statistic,
            roll.limit
        );
        line(out, "  ", &text);
        for wheel in &vehicle.wheels {
            if let Some(clamp) = &wheel.clamp {
                let text = format!("{}: run-out of the plate found {:.2}°, taken out", wheel.at, clamp.run_out_deg);
                line(out, "  ", &text);
            }
        }
    }
    for other in &vehicle.thrust_lines {
        let what = if other.from == "travel" { "the way the rear wheels went" } else { "the printout" };
        let text =
            format!("thrust line by {what}: {} against the rear wheels' planes: agrees", deg(&other.heading_deg));
        line(out, "  ", &text);
    }
}

fn fit(out: &mut String, result: &ResultFile) {
    let Some(s) = &result.survey else { return };
    let used = result.photographs.iter().filter(|p| p.used).count();
    let _ = writeln!(out, "Survey");
    let text = format!(
        "{used} of {} photographs, {} tag views used, {} rejected; corner residuals {:.2} px median, {:.2} px rms; sigma0 {:.2}, \
         redundancy {:.0}",
        result.photographs.len(),
        s.views_used,
        s.views_rejected,
        s.median_residual_px,
        s.rms_residual_px,
        s.sigma0,
        s.redundancy
    );
    line(out, "  ", &text);
    for o in result.outliers.iter().take(REJECTED_SHOWN) {
        let text =
            format!("rejected: tag {} ({}) in {}, {:.1} px off", o.tag, o.body, o.photograph, o.largest_residual_px);
        line(out, "  ", &text);
    }
    if result.outliers.len() > REJECTED_SHOWN {
        line(out, "  ", &format!("and {} more (result.json lists all)", result.outliers.len() - REJECTED_SHOWN));
    }
    let _ = writeln!(out);
}

/// What the tests of the survey's assumptions found; one line where they found nothing.
/// What is open of the readiness list; a line where nothing is.
fn readiness(out: &mut String, result: &ResultFile) {
    let open: Vec<_> = result.readiness.iter().filter(|r| r.state == "open").collect();
    let n = result.readiness.len();
    match (n, open.len()) {
        (0, _) => line(out, "", "Readiness: no list was kept (`plumbsight ready JOB` starts one)."),
        (_, 0) => line(out, "", &format!("Readiness: nothing open of {n} items.")),
        (_, k) => {
            line(out, "", &format!("Readiness: {k} of {n} items OPEN. Do not calibrate before they are seen to:"));
            for part in open {
                let words = if part.words.is_empty() { String::new() } else { format!(" ({})", part.words) };
                item(out, &format!("{}: {}{words}", part.id, part.text));
            }
        }
    }
    let _ = writeln!(out);
}

fn integrity(out: &mut String, result: &ResultFile) {
    if result.integrity.is_empty() {
        return;
    }
    let _ = writeln!(out, "Checks");
    let failed: Vec<_> = result.integrity.iter().filter(|t| !t.passed).collect();
    let text = match failed.len() {
        0 => format!("{} tests for moved bodies, wrong sizes and other faults: nothing found", result.integrity.len()),
        n => format!("{n} of {} tests for moved bodies, wrong sizes and other faults failed:", result.integrity.len()),
    };
    line(out, "  ", &text);
    // What stands under a station as its remedy is not said a second time.
    let said: Vec<&str> = result.stations.iter().flat_map(|s| s.remedies()).map(|(remedy, _)| remedy.trim()).collect();
    let new = failed.iter().filter(|t| !said.iter().any(|s| s.contains(t.sentence.as_str())));
    let listed = new.clone().count();
    new.for_each(|t| item(out, &t.sentence));
    if listed < failed.len() {
        line(out, "  ", "What failed and is not listed here stands above, behind \"To prove\".");
    }
    let _ = writeln!(out);
}

fn notices(result: &ResultFile) -> Vec<String> {
    // What failed among the checks stands there.
    let said = |text: &str| result.integrity.iter().any(|t| !t.passed && t.sentence == text);
    result.notices.iter().filter(|n| !said(&n.text)).map(|n| format!("{}: {}", n.about, n.text)).collect()
}

pub(super) fn item(out: &mut String, text: &str) {
    line_after(out, "  - ", "    ", text);
}

pub(super) fn line(out: &mut String, indent: &str, text: &str) {
    line_after(out, indent, indent, text);
}

/// Text broken at spaces to the width of a terminal.
pub(super) fn line_after(out: &mut String, first: &str, rest: &str, text: &str) {
    let mut current = first.to_owned();
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && current.chars().count() + 1 + word.chars().count() > WIDTH {
            let _ = writeln!(out, "{current}");
            current = rest.to_owned();
            empty = true;
        }
        if !empty {
            current.push(' ');
        }
        current.push_str(word);
        empty = false;
    }
    let _ = writeln!(out, "{current}");
}

#[cfg(test)]
mod tests {
    use super::*;

    fn deviation(verdict: Option<Verdict>) -> DeviationPart {
        DeviationPart {
            required: 1600.0,
            measured: 1599.96,
            deviation: -0.04,
            u: 0.4,
            expanded: 0.784,
            tolerance: verdict.map(|_| 5.0),
            verdict,
            probability_in_tolerance: None,
            decidable: None,
            words: String::new(),
            remedy: None,
            shares: Vec::new(),
        }
    }

    #[test]
    fn rows_fit_the_width_and_carry_shape_and_word() {
        let text = row("distance", "mm", &deviation(Some(Verdict::NotProven)));
        assert_eq!(text, "distance    1600 mm  1599.96 mm   -0.04 mm   ±0.79 mm      ±5 mm  ◆ not proven");
        assert!(text.chars().count() <= WIDTH);
        assert!(row("distance", "mm", &deviation(Some(Verdict::In))).ends_with("● in"));
        assert!(row("distance", "mm", &deviation(Some(Verdict::Out))).ends_with("▲ out"));
        assert!(row("yaw", "deg", &deviation(None)).ends_with("not asked"));
        let long = DeviationPart { required: 1599.99934, ..deviation(Some(Verdict::NotProven)) };
        let text = row("distance", "mm", &long);
        assert_eq!(text, "distance  1599.99934 mm 1599.96 mm -0.04 mm  ±0.79 mm      ±5 mm  ◆ not proven");
        // Its judgement was made with all digits.
        let close = DeviationPart { deviation: 4.2101, expanded: 0.7898, ..deviation(Some(Verdict::In)) };
        assert!(seems_out(&DeviationPart { deviation: 4.2151, expanded: 0.7845, ..close.clone() }));
        assert!(!seems_out(&close) && !seems_out(&deviation(Some(Verdict::In))) && !seems_out(&long));
    }

    #[test]
    fn long_text_is_broken_at_spaces() {
        let mut out = String::new();
        item(&mut out, &"word ".repeat(40));
        assert!(out.lines().count() == 3 && out.lines().all(|l| l.chars().count() <= WIDTH), "{out}");
        assert!(out.lines().skip(1).all(|l| l.starts_with("    word")));
    }
}
