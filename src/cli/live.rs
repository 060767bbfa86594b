//! `plumbsight live`: a camera, phone or folder against a surveyed job.

use crate::cli::cameras::{Ready, SourceArguments, no_camera, ready, run};
use crate::cli::report::{MARGIN, WIDTH, against as against_text, line_after};
use crate::cli::{EXIT_NOT_MEASURED, say};
use crate::record::{Problem, RigFile, photo_marks, read_hold_log};
use crate::session::Failure;
use crate::session::hold::{Against, note_elsewhere, said};
use crate::session::live::{
    ELSEWHERE_IN_A_ROW, Live, Motion, Mount, Reading, RigPlace, STALE_AFTER, StandReading, What,
};
use crate::session::replay::Go;
use crate::uncertainty::digits::LastDigit;
use crate::units::{deg_from_rad, mm_from_m};
use crate::verdict::State;
use clap::Args;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

pub(super) const HELP: &str = "\
The job is surveyed first, from its photographs. Then the stand is followed: a
camera on a tripod must see the stand and at least one floor sheet or plate of
the survey; one on the stand (--on-stand) looks back at sheets and plates, and
learns where it sits while the stand is where it was photographed. The camera
must be that of one of the job's lens profiles, at its focus, zoom and size.

Three lines a frame (a live source: two a second): seconds, verdict and what
to do; then deviation and U (95 %) of the six. The exit code is that of
`check` for the last reading; 2 where that is old at the end, or the stand
still moves.

A stand found elsewhere than photographed is noted in hold.jsonl in the job
folder: once it is where it should be, take all photographs again.

Several cameras: name --from once for each; --lens and --on-stand=1,3 set them
up by their order. Where a camera sits on the stand is kept with --rig FILE:
after the last photographs run it again on their job, and a camera that
slipped on the stand in between is named (exit code 1).

Examples:
  plumbsight live my-job --from \"camera 0\"
  plumbsight live my-job --from http://192.168.1.20:8080/video
  plumbsight live my-job --from frames --replay 10 --at-speed
  plumbsight live my-job --from frames --replay 10 --step
  plumbsight live my-job --from \"camera 0\" --on-stand --rig rig.json";

/// Lines a second of a live source.
const LINE_EVERY: Duration = Duration::from_millis(500);

#[derive(Args)]
pub(super) struct LiveArguments {
    #[command(flatten)]
    source: SourceArguments,
    /// Where the one camera on the stand sits: written once it is learned; where the file is there already, compared with it
    #[arg(long, value_name = "FILE", requires = "on_stand")]
    rig: Option<PathBuf>,
}

/// What became of the place of the camera on the stand: written, or compared with the file.
fn rig(live: &Live, camera: usize, file: &Path, ready: &Ready) -> Result<bool, Problem> {
    let Some(now) = live.rig(camera) else { return Ok(true) };
    let stand = &ready.job.placement.stations[ready.base.station()].name;
    let lens = &ready.job.lenses[ready.setups[camera].lens].file;
    match file.exists() {
        false => {
            RigFile::of(stand, lens, &now.camera_from_stand, &now.cov).write(file)?;
            say(&format!("            Kept in {}.\n", file.display()));
            Ok(true)
        }
        true => {
            let before = RigFile::read(file)?;
            let (camera_from_stand, cov) = before.place();
            let Some(check) = live.check_rig_against(camera, &RigPlace { camera_from_stand, cov }) else {
                return Ok(true);
            };
            let mut out = String::new();
            line_after(&mut out, MARGIN, MARGIN, &check.sentence);
            say(&out);
            Ok(check.passed())
        }
    }
}

/// Follows the stand.
pub(super) fn live(arguments: &LiveArguments) -> Result<u8, Failure> {
    let file = arguments.rig.as_deref();
    let arguments = &arguments.source;
    let ready = ready(arguments)?;
    let riding: Vec<usize> = (0..ready.setups.len()).filter(|k| ready.setups[*k].mount == Mount::OnStand).collect();
    if file.is_some() && riding.len() != 1 {
        let what = format!("{} cameras ride on the stand", riding.len());
        return Err(Problem::of_file("--rig", what, "Keep the places of several cameras one at a time.").into());
    }
    let mut live = Live::new(ready.base.clone(), &ready.setups).map_err(|e| no_camera(&e))?;
    // What moved after the photographs may be the car, to which everything is related here; and a camera on the stand takes where that is now for where it was photographed.
    let marks = photo_marks(&ready.job);
    let alarms = || read_hold_log(&ready.job.folder).map(|log| said(&log, &marks)).unwrap_or_default();
    let against = alarms();
    say(&against_text(&against));
    let mut moved = against.doubts_the_bay() || (!riding.is_empty() && against.elsewhere.is_some());
    let every_frame = arguments.replay.is_some();
    let (mut last, mut measured): (Option<Instant>, Option<State>) = (None, None);
    let mut newest: Option<Reading> = None;
    let (mut slipped, mut failed, mut seen) = (false, None, None::<Instant>);
    let (mut current, mut found, mut noted) = (false, None::<String>, None::<String>);
    // Of each camera, how many of its readings in a row found the stand elsewhere.
    let mut rows = vec![0; ready.setups.len()];
    run(arguments, &ready, &mut |camera, frame| {
        let reading = live.see(camera, frame.time, &frame.gray);
        for happening in &reading.happenings {
            let mut out = String::new();
            let time = format!("{:8.2} s  ", happening.time.as_secs_f64());
            line_after(&mut out, &time, MARGIN, &happening.sentence);
            say(&out);
            if let (What::RigLearned, Some(file)) = (&happening.what, file) {
                match rig(&live, camera, file, &ready) {
                    Ok(sits) => slipped |= !sits,
                    Err(problem) => {
                        failed = Some(problem);
                        return Go::Stop;
                    }
                }
            }
        }
        let due = every_frame || last.is_none_or(|t| t.elapsed() >= LINE_EVERY);
        if due {
            last = Some(Instant::now());
            // A hold watch that runs beside this may raise an alarm meanwhile.
            let now = (!every_frame && !moved).then(alarms);
            if let Some(against) = now.filter(Against::doubts_the_bay) {
                say(&against_text(&Against { elsewhere: None, ..against }));
                moved = true;
            }
            say(&line(&reading, moved));
        }
        if let Some(stand) = reading.stand.as_ref().filter(|stand| !stand.stale) {
            found = stand.elsewhere.as_ref().map(|at| at.found(&stand.station));
            rows[camera] = if found.is_some() { rows[camera] + 1 } else { 0 };
        }
        // Pictures of once say nothing of where the stand is now; nor does a reading that counts from what may have moved.
        let counts = !every_frame && !moved && !slipped;
        if let Some(found) = found.as_ref().filter(|_| counts && noted.is_none() && rows[camera] >= ELSEWHERE_IN_A_ROW)
        {
            say(&note(&ready, &marks, found));
            noted = Some(found.clone());
        }
        seen = Some(Instant::now());
        // What is old or moves says nothing of where the stand is at the end.
        if let Some(stand) = &reading.stand {
            current = !stand.stale && !stand.camera_moves && stand.motion != Motion::Moving;
            measured = Some(if current { stand.station.verdict } else { State::NotProven });
        }
        newest = Some(reading);
        Go::On
    })?;
    if let Some(problem) = failed {
        return Err(problem.into());
    }
    // A camera that went silent leaves its last reading behind.
    if !every_frame && seen.is_none_or(|t| t.elapsed() > STALE_AFTER) {
        measured = measured.map(|_| State::NotProven);
        current = false;
    }
    if (moved || slipped) && measured == Some(State::InTolerance) {
        measured = Some(State::NotProven);
    }
    say(&closing(newest.as_ref(), measured, moved));
    // Where it was pushed on since, the last word counts.
    let last = newest.as_ref().map_or(0, |reading| rows[reading.camera]);
    let pushed_on = current && last >= ELSEWHERE_IN_A_ROW && noted.is_some() && noted != found;
    if let Some(found) = found.filter(|_| pushed_on && !moved && !slipped) {
        say(&note(&ready, &marks, &found));
    }
    if slipped {
        return Ok(1);
    }
    Ok(match measured {
        Some(State::InTolerance) => 0,
        Some(State::OutOfTolerance) => 1,
        Some(State::NotProven) => 2,
        None => EXIT_NOT_MEASURED,
    })
}

/// The last word of a live reading: what the exit code says, and why.
fn closing(newest: Option<&Reading>, measured: Option<State>, moved: bool) -> String {
    let mut out = String::new();
    let Some((reading, stand)) = newest.and_then(|r| Some((r, r.stand.as_ref()?))) else {
        let why = newest.and_then(|r| r.trouble.as_deref()).unwrap_or("No picture came.");
        line_after(&mut out, "", "  ", &format!("Ended without a reading of the stand. {why}"));
        return out;
    };
    let state = match (measured, stand.stale, stand.motion) {
        (Some(State::InTolerance), ..) => "in tolerance".to_owned(),
        (Some(State::OutOfTolerance), ..) => "out of tolerance".to_owned(),
        (_, true, _) => format!("not proven, because it is {:.1} s old", stand.age.as_secs_f64()),
        (..) if stand.camera_moves => "not proven, because the camera was still moving".to_owned(),
        (_, _, Motion::Moving) => "not proven, because the stand was still moving".to_owned(),
        _ if moved => "not proven, because something moved after the photographs".to_owned(),
        (..) => "not proven".to_owned(),
    };
    let age = (reading.time.saturating_sub(stand.age)).as_secs_f64();
    line_after(&mut out, "", "  ", &format!("Ended. The last reading, at {age:.2} s, is {state}:"));
    out += &six(stand);
    line_after(
        &mut out,
        "",
        "  ",
        "`plumbsight check` on photographs of the stand at its final place has the last word.",
    );
    out
}

/// What was found against the photographs, noted beside the job, and in words.
fn note(ready: &Ready, marks: &[String], found: &str) -> String {
    let at = SystemTime::now().duration_since(UNIX_EPOCH).ok().map(|d| d.as_secs());
    let noted = match note_elsewhere(&ready.job.folder, marks, &format!("A live reading {found}"), at) {
        Ok(()) => "It is noted in hold.jsonl and speaks against them: once the stand is where it should be, take all photographs again.".into(),
        Err(problem) => format!("Take all photographs again. This could not be noted: {problem}"),
    };
    let mut out = String::new();
    line_after(&mut out, MARGIN, MARGIN, &format!("This reading {found} {noted}"));
    out
}

/// The six with U, in two lines.
fn six(stand: &StandReading) -> String {
    let six: Vec<String> = stand
        .station
        .deviations
        .iter()
        .map(|d| {
            let (name, value, expanded) = (d.component.name(), d.deviation.value, d.deviation.expanded);
            let (edge, unit) =
                if d.component.is_angle() { (deg_from_rad as fn(f64) -> f64, "°") } else { (mm_from_m as _, "") };
            let (value, expanded) = (edge(value), edge(expanded));
            let last = LastDigit::of(expanded);
            format!("{name} {}{unit} U {}{unit}", last.signed(value), last.up(expanded))
        })
        .collect();
    let mut out = String::new();
    for (three, unit) in [(&six[..3], " mm"), (&six[3..], "")] {
        let whole = three.join("  ") + unit;
        // With an unusually small U there are more digits than fit on a line; a number and its U stay together.
        let lines = match MARGIN.len() + whole.chars().count() <= WIDTH {
            true => vec![whole],
            false => vec![three[..2].join("  ") + unit, three[2].clone() + unit],
        };
        lines.iter().for_each(|line| out += &format!("{MARGIN}{line}\n"));
    }
    out
}

/// One reading in three lines that fit a terminal of 80 columns: what to do, then places, then angles.
///
/// `moved`: something moved after the photographs, so that nothing is proven by them.
fn line(reading: &Reading, moved: bool) -> String {
    let time = reading.time.as_secs_f64();
    let mut out = String::new();
    let Some(stand) = &reading.stand else {
        let why = reading.trouble.as_deref().unwrap_or("no reading yet");
        line_after(&mut out, &format!("{time:8.2} s  "), MARGIN, why);
        return out;
    };
    let sign = match stand.station.verdict {
        // What is old is no verdict.
        _ if stand.stale => "○ old",
        State::InTolerance if moved => "◆ not proven",
        State::InTolerance => "● in",
        State::OutOfTolerance => "▲ out",
        State::NotProven => "◆ not proven",
    };
    let motion = match stand.motion {
        _ if stand.stale => "",
        _ if stand.camera_moves => ", camera moving",
        Motion::Moving => ", moving",
        Motion::Still => ", still",
        Motion::Unknown => "",
    };
    let state = if stand.stale {
        let why = reading.trouble.as_deref().unwrap_or("no newer frame could be used");
        format!("{:.1} s old: {why}", stand.age.as_secs_f64())
    } else {
        stand.sentence.clone()
    };
    line_after(&mut out, &format!("{time:8.2} s  {sign}{motion}: "), MARGIN, &state);
    out += &six(stand);
    out
}
