//! `plumbsight records`: records found again, one of them shown, and what changed over them.

use super::keep::not_as_recorded;
use super::report::{item, line_after, report};
use super::{say, tell};
use crate::index::{Found, Hit, Index, Kind, Place, Query, SeriesTrend, Trends, doubted};
use crate::limits::DEEPEST_FOLDERS;
use crate::record::keep::{JOB_FOLDER, RESULT_FILE};
use crate::record::result::Verdict;
use crate::record::{HoldRead, JOB_FILE, Problem, json_text, read_hold_log, read_result};
use crate::session::Failure;
use crate::session::keep::recheck;
use crate::uncertainty::trend::Change;
use crate::uncertainty::{Estimate, K_95};
use clap::{Args, ValueEnum};
use serde::Serialize;
use std::fmt::Write;
use std::path::{Path, PathBuf};

pub(super) const HELP: &str = "\
Looks through a folder of records (the one of `record --into`, or folders of
them, to four levels). The newest revision stands for its record. What is
damaged or gone is listed as such; `recheck` looks at every file.

An index (.plumbsight-index.sqlite in the folder; where that cannot be
written, among your cache files) makes it fast. It is refreshed each time,
holds nothing that is not in the records, and may be deleted.

Examples:
  plumbsight records kept
  plumbsight records kept --vin 4711 --from 2026-03 --to 2026-05-15
  plumbsight records kept --verdict not-proven --by \"A. Person\" --json
  plumbsight records kept --text \"fault code\" --all
  plumbsight records kept --damaged
  plumbsight records kept --open 2026-03-01_141530
  plumbsight records kept --trend floor

Exit codes: 0 found, and for --trend nothing changed
  1 nothing found, a record opened is not as it was recorded, or something
    changed   3 an input is wrong";

/// Exit code where nothing was found or something is not as it was.
const EXIT_NOT_AS_IT_WAS: u8 = 1;

/// The format line of the output as JSON.
const FORMAT: &str = "plumbsight/records/1";

#[derive(Args)]
pub(super) struct RecordsArguments {
    /// The folder in which all records are
    root: PathBuf,
    /// A part of the car's identification number
    #[arg(long, value_name = "PART")]
    vin: Option<String>,
    /// From this day, month or year on: 2026-03-01, 2026-03, 2026
    #[arg(long, value_name = "DATE", value_parser = date)]
    from: Option<String>,
    /// Up to and with this day, month or year
    #[arg(long, value_name = "DATE", value_parser = date)]
    to: Option<String>,
    /// A part of the placement's title
    #[arg(long, value_name = "TEXT")]
    placement: Option<String>,
    /// The verdict
    #[arg(long, value_name = "WORD")]
    verdict: Option<VerdictWord>,
    /// A part of the name of who kept it
    #[arg(long, value_name = "NAME")]
    by: Option<String>,
    /// A text anywhere in what was typed in: notes, car, placement, scan tool, road test
    #[arg(long, value_name = "TEXT")]
    text: Option<String>,
    /// Revisions that were corrected later, too
    #[arg(long, conflicts_with = "trend")]
    all: bool,
    /// Only records that are damaged or gone
    #[arg(long, conflicts_with = "trend")]
    damaged: bool,
    /// At most so many
    #[arg(long, conflicts_with = "trend", value_name = "N", default_value_t = 50, value_parser = clap::value_parser!(u32).range(1..))]
    limit: u32,
    /// Show one record: its folder's name, or how that begins
    #[arg(long, value_name = "RECORD", conflicts_with_all = ["vin", "from", "to", "placement", "verdict", "by", "text", "all", "damaged", "limit", "trend", "json"])]
    open: Option<String>,
    /// What changed from record to record, with its uncertainty
    #[arg(long, value_name = "OF")]
    trend: Option<TrendOf>,
    /// JSON instead of the table
    #[arg(long)]
    json: bool,
    /// Make the index anew; records that are gone are then forgotten
    #[arg(long)]
    rebuild: bool,
}

#[derive(Clone, Copy, ValueEnum)]
enum VerdictWord {
    InTolerance,
    OutOfTolerance,
    NotProven,
    NotMeasured,
}

// No doc comments on the variants: they would give this command's help another layout than all others have.
#[derive(Clone, Copy, ValueEnum)]
enum TrendOf {
    Lens,
    Plates,
    Floor,
    Stand,
}

/// A day, month or year that there is.
fn date(written: &str) -> Result<String, String> {
    let whole = match written.len() {
        4 => format!("{written}-01-01"),
        7 => format!("{written}-01"),
        _ => written.to_owned(),
    };
    let plain = whole.len() == 10 && whole.bytes().all(|b| b.is_ascii_digit() || b == b'-');
    match whole.parse::<jiff::civil::Date>() {
        Ok(_) if plain => Ok(written.to_owned()),
        _ => Err("write a day, a month or a year that there is: 2026-03-01, 2026-03, 2026".into()),
    }
}

pub(super) fn run(arguments: &RecordsArguments) -> Result<u8, Failure> {
    let index = Index::open(&arguments.root, arguments.rebuild)?;
    if !arguments.json && index.refreshed.there + index.refreshed.gone == 0 {
        say(&none_there(&arguments.root, &index));
        return Ok(EXIT_NOT_AS_IT_WAS);
    }
    let query = Query {
        vin: arguments.vin.clone(),
        since: arguments.from.clone(),
        until: arguments.to.clone(),
        placement: arguments.placement.clone(),
        verdict: arguments.verdict.map(|v| match v {
            VerdictWord::InTolerance => Verdict::In,
            VerdictWord::OutOfTolerance => Verdict::Out,
            VerdictWord::NotProven => Verdict::NotProven,
            VerdictWord::NotMeasured => Verdict::NotMeasured,
        }),
        by: arguments.by.clone(),
        text: arguments.text.clone(),
        all: arguments.all,
        damaged: arguments.damaged,
        limit: arguments.limit as usize,
    };
    if let Some(name) = &arguments.open {
        index.notices.iter().for_each(|n| tell(&format!("  {}: {}\n", n.about, n.text)));
        let hit = index.record_named(name)?;
        return open(&index.path_of(&hit), &hit);
    }
    if let Some(of) = arguments.trend {
        let kind = match of {
            TrendOf::Lens => Kind::Lens,
            TrendOf::Plates => Kind::Plates,
            TrendOf::Floor => Kind::Floor,
            TrendOf::Stand => Kind::Stand,
        };
        let trends = index.trends(kind, &query)?;
        say(&if arguments.json { trends_json(&index, &trends)? } else { trend_table(&index, &trends) });
        let changed = trends.series.iter().any(|s| s.trend.change != Change::None);
        return Ok(if changed { EXIT_NOT_AS_IT_WAS } else { 0 });
    }
    let found = index.search(&query)?;
    say(&if arguments.json { found_json(&index, &found)? } else { table(&index, &found) });
    Ok(if found.total == 0 { EXIT_NOT_AS_IT_WAS } else { 0 })
}

/// What is said of a folder without a record.
fn none_there(root: &Path, index: &Index) -> String {
    let mut out = String::new();
    let shown = root.display();
    let text = if root.join(JOB_FILE).is_file() {
        format!(
            "{shown} is a job folder, and there are no records in it: name the folder that records were kept in (`record --into DIR`)."
        )
    } else {
        format!(
            "There are no records in {shown}, nor in folders in it ({DEEPEST_FOLDERS} levels were looked into). `plumbsight record JOB --into {shown} --by NAME` keeps one there."
        )
    };
    line_after(&mut out, "", "", &text);
    for n in &index.notices {
        item(&mut out, &format!("{}: {}", n.about, n.text));
    }
    out
}

fn where_words(index: &Index) -> String {
    match &index.place {
        Place::File(path) => format!("Index: {}", path.display()),
        Place::Memory => "Index: made for this once and kept nowhere".into(),
    }
}

fn foot(out: &mut String, index: &Index) {
    let r = &index.refreshed;
    let gone = if r.gone > 0 { format!(", {} gone", r.gone) } else { String::new() };
    let _ = writeln!(out);
    line_after(
        out,
        "",
        "",
        &format!(
            "{}; {} {}, {} of them read just now{gone}.",
            where_words(index),
            r.there,
            if r.there == 1 { "record" } else { "records" },
            if r.read == 0 { "none".to_owned() } else { r.read.to_string() }
        ),
    );
    for n in &index.notices {
        item(out, &format!("{}: {}", n.about, n.text));
    }
}

fn table(index: &Index, found: &Found) -> String {
    let mut out = String::new();
    for hit in &found.hits {
        row(&mut out, hit);
    }
    let shown = found.hits.len();
    let _ = match found.total {
        0 => writeln!(out, "No record is like that."),
        1 => writeln!(out, "\n1 record."),
        n if n > shown => writeln!(out, "\n{n} records; shown are the newest {shown} (--limit)."),
        n => writeln!(out, "\n{n} records."),
    };
    foot(&mut out, index);
    out
}

fn row(out: &mut String, hit: &Hit) {
    let indent = " ".repeat(12);
    match &hit.record {
        Some(r) => {
            let revision = if r.revision > 1 { format!("  revision {}", r.revision) } else { String::new() };
            let (doubted, moved) = (hit.doubted(), r.moved_since());
            let sign = r.verdict.mark_as_kept(doubted, moved).shape();
            let verdict = format!("{sign} {}", r.verdict.as_kept(doubted, moved));
            let vin = r.vin.as_deref().or(r.vehicle_id.as_deref()).or(r.vehicle.as_deref()).unwrap_or("-");
            let _ = writeln!(out, "{:<10}  {verdict:<18} {vin}{revision}", hit.day);
            line_after(out, &indent, &indent, &format!("{}, by {}", r.placement.title, r.by));
            let _ = writeln!(out, "{indent}{}", hit.folder);
            if let Some(by) = &hit.corrected_by {
                line_after(out, &indent, &indent, &format!("corrected later by {by}"));
            }
            if let Some(n) = r.hold_alarms.filter(|n| *n > 0) {
                line_after(out, &indent, &indent, &alarms(n));
            }
            if let Some(doubt) = &r.hold_doubt {
                line_after(out, &indent, &indent, doubt);
            }
        }
        None => {
            let _ = writeln!(out, "{:<10}  ○ cannot be read", hit.day);
            let _ = writeln!(out, "{indent}{}", hit.folder);
        }
    }
    if hit.state == "gone" {
        line_after(out, &indent, &indent, "GONE: it was there before and is not there now.");
    }
    if let Some(by) = &hit.doubted_by {
        line_after(out, &indent, &indent, &format!("{}.", doubted(by)));
    }
    if let Some(damage) = &hit.damage {
        line_after(out, &indent, &indent, &format!("DAMAGED: {damage}."));
    }
}

/// What the hold watch, or a live reading, says against a verdict, for a record.
fn alarms(n: usize) -> String {
    let s = if n == 1 { "" } else { "S" };
    format!(
        "{n} ALARM{s} OF THE HOLD WATCH OR A LIVE READING: what was judged before no longer holds; see job/hold.jsonl"
    )
}

/// Shows one record from its result, and what speaks against it.
fn open(folder: &Path, hit: &Hit) -> Result<u8, Failure> {
    let seen = recheck(folder, None, true, &|_| {})?;
    let mut against: Vec<String> = not_as_recorded(&seen).collect();
    against.extend(seen.signature.against().map(|words| format!("{words}.")));
    let later = hit
        .corrected_by
        .as_ref()
        .map(|by| format!("CORRECTED LATER by {by}: that record stands for this one; open it (`--open {by}`)."))
        .or_else(|| hit.doubted_by.as_deref().map(|by| format!("{}.", doubted(by))));
    let mut out = String::new();
    let _ = writeln!(out, "Record {}", folder.display());
    // What is wrong stands before and behind: the table between is longer than a screen.
    for text in later.iter().chain(&against).chain(&seen.noticed) {
        line_after(&mut out, "", "", text);
    }
    let mut say_of = |what: &str, text: Option<&str>| {
        if let Some(text) = text {
            line_after(&mut out, &format!("  {what:<10} "), &" ".repeat(13), text);
        }
    };
    if let Some(record) = &seen.record {
        say_of("made", Some(&format!("{} ({})", record.made_local, record.made_utc)));
        say_of("by", Some(&record.by));
        say_of("vehicle", record.vehicle.as_deref());
        say_of("VIN", record.vin.as_deref());
        say_of("revision", Some(&record.revision.to_string()));
        if let Some(before) = &record.corrects {
            say_of("corrects", Some(&format!("{}: {}", before.record, before.reason)));
        }
        say_of("note", record.note.as_deref());
        if let Some(outcome) = &record.outcome {
            say_of("scan tool", Some(&format!("{}: {}", outcome.scan_tool, outcome.routine)));
            say_of("message", outcome.message.as_deref());
            say_of("codes", outcome.fault_codes.as_deref());
            say_of("road test", outcome.road_test.as_deref());
        }
        if let Some(n) = record.hold_alarms.filter(|n| *n > 0) {
            say_of("hold", Some(&alarms(n)));
        }
    }
    let doubt = read_hold_log(&folder.join(JOB_FOLDER)).as_ref().and_then(HoldRead::doubt);
    say_of("hold", doubt.as_deref());
    let moved = doubt.is_some() || seen.record.as_ref().is_some_and(|r| r.moved_since());
    match read_result(&folder.join(RESULT_FILE)) {
        Ok(result) => {
            let _ = writeln!(out, "\n{}\n", report(&result, moved).trim_end());
        }
        Err(problem) => line_after(&mut out, "", "", &format!("There is no result to show. {problem}")),
    }
    for text in later.iter().chain(&against).chain(&seen.noticed) {
        line_after(&mut out, "", "", text);
    }
    if against.is_empty() {
        out.push_str("Files: all as recorded. `plumbsight recheck` measures again.\n");
    }
    say(&out);
    Ok(if against.is_empty() { 0 } else { EXIT_NOT_AS_IT_WAS })
}

#[derive(Serialize)]
struct FoundJson<'a> {
    format: &'static str,
    /// `null` where the index is kept nowhere.
    index: Option<String>,
    found: usize,
    records: &'a [Hit],
    notices: Vec<NoticeJson>,
}

#[derive(Serialize)]
struct NoticeJson {
    about: String,
    text: String,
}

fn head(index: &Index) -> (Option<String>, Vec<NoticeJson>) {
    let kept = match &index.place {
        Place::File(path) => Some(path.display().to_string()),
        Place::Memory => None,
    };
    (kept, index.notices.iter().map(|n| NoticeJson { about: n.about.clone(), text: n.text.clone() }).collect())
}

fn found_json(index: &Index, found: &Found) -> Result<String, Problem> {
    let (kept, notices) = head(index);
    json_text(
        &FoundJson { format: FORMAT, index: kept, found: found.total, records: &found.hits, notices },
        "the list of records",
    )
}

#[derive(Serialize)]
struct TrendsJson {
    format: &'static str,
    index: Option<String>,
    trend: &'static str,
    unit: &'static str,
    measurements: usize,
    series: Vec<SeriesJson>,
    notices: Vec<NoticeJson>,
}

#[derive(Serialize)]
struct SeriesJson {
    kit: String,
    name: String,
    part: String,
    values: usize,
    first_day: String,
    last_day: String,
    last: f64,
    u_last: f64,
    drift: f64,
    u_drift: f64,
    /// `none`, `drift` or `jump`.
    change: &'static str,
    jump: Option<f64>,
    u_jump: Option<f64>,
    jump_on: Option<String>,
    chance: f64,
    scatter: f64,
}

fn trends_json(index: &Index, trends: &Trends) -> Result<String, Problem> {
    let (kept, notices) = head(index);
    let one = |s: &SeriesTrend| {
        let jump = match s.trend.change {
            Change::Jump { size, .. } => Some(size),
            Change::Drift | Change::None => None,
        };
        SeriesJson {
            kit: s.kit.clone(),
            name: s.name.clone(),
            part: s.part.clone(),
            values: s.trend.n,
            first_day: s.days[0].clone(),
            last_day: s.days[1].clone(),
            last: s.last.0,
            u_last: s.last.1,
            drift: s.trend.drift.value,
            u_drift: s.trend.drift.u,
            change: match s.trend.change {
                Change::None => "none",
                Change::Drift => "drift",
                Change::Jump { .. } => "jump",
            },
            jump: jump.map(|j| j.value),
            u_jump: jump.map(|j| j.u),
            jump_on: s.jump_on.clone(),
            chance: s.trend.chance,
            scatter: s.trend.scatter,
        }
    };
    json_text(
        &TrendsJson {
            format: FORMAT,
            index: kept,
            trend: trends.kind.word(),
            unit: trends.kind.unit(),
            measurements: trends.measurements,
            series: trends.series.iter().map(one).collect(),
            notices,
        },
        "the trends",
    )
}

fn what(kind: Kind) -> &'static str {
    match kind {
        Kind::Lens => "Focal length of each lens profile, as each survey corrected it (px)",
        Kind::Plates => {
            "Each tag's place on its wheel plate against the declared one, along the plate's axes, as the plate's other tags show it (mm)"
        }
        Kind::Floor => {
            "Height of each floor sheet against the plane through all of them (mm); it tells of the floor only where sheets stay glued down"
        }
        Kind::Stand => {
            "Each tag's place on its stand against the declared one, along the stand's axes, as its other tags show it (mm)"
        }
    }
}

fn remedy(kind: Kind) -> &'static str {
    match kind {
        Kind::Lens => "make a new profile of that camera (`plumbsight lens`) before it measures again",
        Kind::Plates => "look at that plate: a bent arm, a tag that comes off; measure it again or take another",
        Kind::Floor => {
            "look at that sheet and the floor below it; have the floor levelled or measured again where it sinks"
        }
        Kind::Stand => "look at that stand: a bent panel, a tag that comes off; learn it again (`plumbsight learn`)",
    }
}

fn trend_table(index: &Index, trends: &Trends) -> String {
    let mut out = String::new();
    line_after(&mut out, "", "", &format!("{}.", what(trends.kind)));
    let _ = writeln!(out);
    let unit = trends.kind.unit();
    let sized = |e: &Estimate| format!("{:+.3} {unit} (U {:.3})", e.value, e.expanded);
    let mut kit = "";
    for s in &trends.series {
        if s.kit != kit {
            kit = &s.kit;
            let of = if trends.kind == Kind::Lens { "Profile" } else { "Kit" };
            let _ = writeln!(out, "{of} {kit}");
        }
        let shape = if s.trend.change == Change::None { ' ' } else { '▲' };
        let text = format!(
            "{}, {}: {:.3} {unit} (U {:.3}) on {}; over {} measurements since {}: {} along a line",
            s.name,
            s.part,
            s.last.0,
            K_95 * s.last.1,
            s.days[1],
            s.trend.n,
            s.days[0],
            sized(&s.trend.drift)
        );
        line_after(&mut out, &format!(" {shape} "), "     ", &text);
        match (&s.trend.change, &s.jump_on) {
            (Change::Jump { size, .. }, Some(day)) => {
                let text =
                    format!("CHANGED: a jump of {} between the measurement before and that of {day}.", sized(size));
                line_after(&mut out, "     ", "     ", &text);
            }
            (Change::None, _) => {}
            _ => line_after(&mut out, "     ", "     ", "CHANGED: evenly over the time."),
        }
        if s.trend.scatter > 1.5 {
            let text = format!(
                "The values scatter {:.1} times as much as their uncertainties say; U here is enlarged by that.",
                s.trend.scatter
            );
            line_after(&mut out, "     ", "     ", &text);
        }
    }
    let changed = trends.series.iter().filter(|s| s.trend.change != Change::None).count();
    if !trends.series.is_empty() {
        let _ = writeln!(out);
    }
    let words = match (trends.series.len(), changed) {
        (0, _) => "No two measurements of one kit can be compared yet.".to_owned(),
        (n, 0) => format!("None of {n} series changed beyond its uncertainty."),
        (n, k) => format!("{k} of {n} series changed beyond their uncertainty: {}.", remedy(trends.kind)),
    };
    line_after(&mut out, "", "", &words);
    line_after(
        &mut out,
        "",
        "",
        "A change is called where chance explains none as clear in more than one of a hundred such lists. Another kit file, or another profile, begins \
         a series of its own.",
    );
    if trends.single > 0 {
        let text = match trends.series.len() {
            0 => format!("{} things were measured, each only once so far.", trends.single),
            _ => format!("{} more were measured only once.", trends.single),
        };
        line_after(&mut out, "", "", &text);
    }
    foot(&mut out, index);
    out
}
