//! `plumbsight live` and `plumbsight hold`: a camera, phone or folder against a surveyed job.

use crate::capture::address::{SourceAddress, shown};
use crate::capture::feed::{Feed, FeedOptions, FeedState};
use crate::capture::formats::CameraWish;
use crate::capture::replay::Pace;
use crate::capture::source::{Frame, FrameSource, Loss};
use crate::cli::interrupt::Interrupt;
use crate::cli::report::{WIDTH, against as against_text, line_after};
use crate::cli::{EXIT_NOT_MEASURED, ProgressLine, say, tell};
use crate::record::{HoldLine, HoldLog, Job, Problem, Purpose, RigFile, photo_marks, read_job};
use crate::session::Failure;
use crate::session::hold::{
    AFTER_ALARM, HoldOptions, Lookout, NewsKind, Tally, clock_tenths, line_of_news, line_of_start,
};
use crate::session::live::{
    Base, CameraSetup, Live, Motion, Mount, Reading, RigPlace, STALE_AFTER, StandReading, What,
};
use crate::session::replay::{Go, Played, play, step};
use crate::uncertainty::digits::LastDigit;
use crate::units::{deg_from_rad, mm_from_m};
use crate::verdict::State;
use clap::Args;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

pub(super) const LIVE_HELP: &str = "\
The job is surveyed first, from its photographs. Then the stand is followed: a
camera on a tripod must see the stand and at least one floor sheet or plate of
the survey; one on the stand (--on-stand) looks back at sheets and plates, and
learns where it sits while the stand is where it was photographed. The camera
must be that of one of the job's lens profiles, at its focus, zoom and size.

Three lines a frame (a live source: two a second): seconds, verdict and what
to do; then deviation and U (95 %) of the six. The exit code is that of
`check` for the last reading; 2 where that is old at the end, or the stand
still moves.

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

pub(super) const HOLD_HELP: &str = "\
After the verdict, while the routine runs: a camera on a tripod watches stand,
plates and floor sheets. When all rests the watch begins: a stand that is no
longer where it was judged is an alarm at once; what moves by more than its
detectable size is named, with time, size and direction, on the screen and in
hold.jsonl in the job folder. Hidden tags are \"not seen\", never \"moved\". Keep
people and metal out of the sensor's view while it is being calibrated.

Exit code 0: everything held. 1: something moved. 2: the watch never began.

Examples:
  plumbsight hold my-job --from \"camera 0\"
  plumbsight hold my-job --from frames --replay 10";

/// Below the time of a line.
const MARGIN: &str = "            ";

/// Lines a second of a live source.
const LINE_EVERY: Duration = Duration::from_millis(500);

#[derive(Args)]
pub(super) struct SourceArguments {
    /// The job folder (or its job.toml), with the photographs of the survey
    job: PathBuf,
    /// "camera 0", http://..., or a folder; once for each camera
    #[arg(long = "from", value_name = "SOURCE", required = true)]
    from: Vec<String>,
    /// Play a folder's pictures in the order of their names; their times are as if so many had been taken in a second
    #[arg(long, value_name = "RATE", num_args = 0..=1, default_missing_value = "10")]
    replay: Option<f64>,
    /// Play them at this rate instead of as fast as possible
    #[arg(long, requires = "replay")]
    at_speed: bool,
    /// Picture by picture: the Enter key shows the next, q and Enter ends
    #[arg(long, requires = "replay", conflicts_with_all = ["at_speed", "seconds"])]
    step: bool,
    /// The camera sits on the stand and looks back at sheets and plates; of several, those of these numbers (1,2)
    #[arg(long, value_name = "NUMBERS", num_args = 0..=1, require_equals = true, value_delimiter = ',', default_missing_value = "0")]
    on_stand: Vec<usize>,
    /// The station whose stand is followed, if the placement has several
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// The file of the camera's lens profile, where the job has several (a camera that took no photograph must be in its `lenses` too).
    /// Once for all cameras, or once for each in the order of --from
    #[arg(long, value_name = "NAME")]
    lens: Vec<String>,
    /// Stop after so many seconds
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    seconds: Option<u32>,
}

#[derive(Args)]
pub(super) struct LiveArguments {
    #[command(flatten)]
    source: SourceArguments,
    /// Where the one camera on the stand sits: written once it is learned; where the file is there already, compared with it
    #[arg(long, value_name = "FILE", requires = "on_stand")]
    rig: Option<PathBuf>,
}

/// A surveyed job with its cameras.
struct Ready {
    job: Job,
    base: Arc<Base>,
    setups: Vec<CameraSetup>,
}

/// `source`: as it was written.
fn wrong(source: &str, loss: &Loss) -> Failure {
    Problem::of_file(shown(source), &loss.what, &loss.remedy).into()
}

fn ready(arguments: &SourceArguments) -> Result<Ready, Failure> {
    let job = read_job(&arguments.job, Purpose::Verdict)?;
    if let Some(problem) = job.still_template() {
        return Err(problem.into());
    }
    let no_such = |what: &str, name: &str, names: Vec<String>| -> Failure {
        let remedy = format!("Name one of these: {}.", names.join(", "));
        Problem::of_file(name, format!("the job has no such {what}"), remedy).into()
    };
    let station =
        match &arguments.station {
            None => 0,
            Some(name) => job.placement.stations.iter().position(|s| s.name == *name).ok_or_else(|| {
                no_such("station", name, job.placement.stations.iter().map(|s| s.name.clone()).collect())
            })?,
        };
    let lens_of = |name: Option<&String>| -> Result<usize, Failure> {
        let Some(name) = name else {
            // One of the same size would be believed, and every number be wrong.
            let [first, others @ ..] = job.lenses.as_slice() else { return Ok(0) };
            if others.is_empty() {
                return Ok(0);
            }
            let names: Vec<&str> = job.lenses.iter().map(|l| l.file.as_str()).collect();
            let remedy = format!("Say it for each camera: --lens {} (there are {}).", first.file, names.join(", "));
            return Err(Problem::of_file(
                "--lens",
                "the job has several lens profiles, and which is this camera's is not said",
                remedy,
            )
            .into());
        };
        let is = |l: &crate::record::LensProfile| {
            let path = Path::new(&l.file);
            l.file == *name || path.file_name() == Some(name.as_ref()) || path.file_stem() == Some(name.as_ref())
        };
        let names = job.lenses.iter().map(|l| l.file.clone()).collect();
        job.lenses.iter().position(is).ok_or_else(|| no_such("lens profile", name, names))
    };
    let n = arguments.from.len();
    let lenses = match arguments.lens.as_slice() {
        [] => vec![lens_of(None)?; n],
        [one] => vec![lens_of(Some(one))?; n],
        each if each.len() == n => each.iter().map(|name| lens_of(Some(name))).collect::<Result<_, _>>()?,
        each => {
            let what = format!("{} lens profiles are named for {n} cameras", each.len());
            let remedy = "Name --lens once for all, or once for each --from in their order.";
            return Err(Problem::of_file("--lens", what, remedy).into());
        }
    };
    // A bare --on-stand is read as the number 0: all of them.
    if let Some(k) = arguments.on_stand.iter().find(|k| **k > n || (**k == 0 && arguments.on_stand.len() > 1)) {
        let remedy = format!("Number them in the order of --from, from 1 to {n}; --on-stand alone means all.");
        return Err(Problem::of_file("--on-stand", format!("there is no camera number {k}"), remedy).into());
    }
    let rides = |k: usize| arguments.on_stand.contains(&0) || arguments.on_stand.contains(&(k + 1));
    let bar = ProgressLine::new();
    let base = Base::of_job(&job, station, &|p| bar.show(p));
    bar.end();
    let mount = |k: usize| if rides(k) { Mount::OnStand } else { Mount::Apart };
    let setups = lenses.iter().enumerate().map(|(k, lens)| CameraSetup::of(&job, *lens, mount(k))).collect();
    Ok(Ready { base: Arc::new(base?), setups, job })
}

/// Gives every frame to `each`, which may stop it: a replay frame by frame, live sources the newest of each.
fn run(arguments: &SourceArguments, ready: &Ready, each: &mut dyn FnMut(usize, &Frame) -> Go) -> Result<(), Failure> {
    let mut other = None;
    // Of pictures shown one by one the Enter key is waited for: there Ctrl-C ends at once, as ever.
    let interrupt = (!arguments.step).then(Interrupt::listen);
    let until = arguments.seconds.map(|s| Instant::now() + Duration::from_secs(s.into()));
    let over = || interrupt.as_ref().is_some_and(Interrupt::came) || until.is_some_and(|t| Instant::now() >= t);
    let each = &mut |camera: usize, frame: &Frame| -> Go {
        if over() {
            return Go::Stop;
        }
        other = crate::session::other_camera(&frame.exif, &ready.job.lenses[ready.setups[camera].lens]);
        if other.is_some() { Go::Stop } else { each(camera, frame) }
    };
    frames(arguments, ready, &over, each)?;
    match other {
        Some(reason) => {
            Err(Failure::NotMeasurable { reason: format!("A frame cannot be used: {reason}"), notices: Vec::new() })
        }
        None => Ok(()),
    }
}

fn frames(
    arguments: &SourceArguments,
    ready: &Ready,
    over: &dyn Fn() -> bool,
    each: &mut dyn FnMut(usize, &Frame) -> Go,
) -> Result<(), Failure> {
    let pace = arguments.replay.map(|rate| if arguments.at_speed { Pace::Timed(rate) } else { Pace::AsAsked(rate) });
    let epoch = Instant::now();
    let mut openers = Vec::new();
    for (from, setup) in arguments.from.iter().zip(&ready.setups) {
        let lens = &ready.job.lenses[setup.lens].lens;
        let wish = CameraWish { size: Some((lens.width, lens.height)), focus: None };
        let address = SourceAddress::parse(from, pace).map_err(|loss| wrong(from, &loss))?;
        openers.push((from.as_str(), matches!(address, SourceAddress::Saved(..)), address.opener(wish)));
    }
    if let [(from, true, opener)] = openers.as_mut_slice() {
        let mut source = opener(epoch).map_err(|loss| wrong(from, &loss))?;
        let played = match arguments.step {
            true => by_hand(&mut *source, &mut |frame| each(0, frame)),
            false => play(&mut *source, &mut |frame| each(0, frame)),
        };
        let played = played.map_err(|loss| wrong(from, &loss))?;
        for (name, why) in played.spoiled {
            tell(&format!("  {name}: not used: {why}\n"));
        }
        return Ok(());
    }
    if arguments.step {
        let remedy = "Name one folder with --from, or leave --step out.";
        return Err(Problem::of_file("--step", "only one saved folder is played by hand", remedy).into());
    }
    for (from, _, _) in openers.iter().filter(|(_, saved, _)| !saved) {
        let folder = match Path::new(from).is_dir() {
            true => "; those already in the folder are not read, --replay plays them",
            false => "",
        };
        tell(&format!("  {}: waiting for the first picture{folder}\n", shown(from)));
    }
    let feeds: Vec<Feed> = openers
        .into_iter()
        .map(|(_, _, opener)| Feed::start(opener, FeedOptions { epoch, ..FeedOptions::default() }))
        .collect();
    let mut said: Vec<Option<String>> = vec![None; feeds.len()];
    let mut noted: Vec<Noted> = vec![Noted::default(); feeds.len()];
    loop {
        for (k, feed) in feeds.iter().enumerate() {
            if let Some(frame) = feed.next(Duration::from_millis(if feeds.len() == 1 { 100 } else { 10 }))
                && each(k, &frame) == Go::Stop
            {
                return Ok(());
            }
            let state = feed.status().state;
            let text = state_words(&state);
            if said[k] != text {
                if let Some(text) = &text {
                    tell(&format!("  {}: {text}\n", shown(&arguments.from[k])));
                }
                said[k] = text;
            }
            noted[k].changes(&arguments.from[k], &feed.status().notes, false);
        }
        if over() || feeds.iter().all(|f| !f.status().state.goes_on()) {
            noted
                .iter_mut()
                .zip(&arguments.from)
                .zip(&feeds)
                .for_each(|((n, from), f)| n.changes(from, &f.status().notes, true));
            return Ok(());
        }
    }
}

/// What was said of a source's notes: copies that are not read again, a focus that could not be held.
#[derive(Clone, Default)]
struct Noted(Vec<String>);

impl Noted {
    /// Says what is new. A note whose number alone has changed (so many copies) is said again at the end only.
    fn changes(&mut self, from: &str, notes: &[String], at_the_end: bool) {
        let without_number = |note: &str| note.replace(|c: char| c.is_ascii_digit(), "");
        for note in notes {
            let known = self.0.iter().any(|n| n == note || (!at_the_end && without_number(n) == without_number(note)));
            if !known {
                tell(&format!("  {}: {note}\n", shown(from)));
                self.0.push(note.clone());
            }
        }
    }
}

/// What is to be said of a source that gives nothing.
fn state_words(state: &FeedState) -> Option<String> {
    match state {
        FeedState::Stalled(_) | FeedState::Frozen(_) => state.hangs().map(str::to_owned),
        FeedState::Retrying(loss, _) => Some(format!("{loss} (trying again)")),
        FeedState::Lost(loss) => Some(loss.to_string()),
        FeedState::Starting(_) | FeedState::Live | FeedState::Ended | FeedState::Stopped => None,
    }
}

/// Plays a source picture by picture, as the person at the keyboard asks for them.
fn by_hand(source: &mut dyn FrameSource, each: &mut dyn FnMut(&Frame) -> Go) -> Result<Played, Loss> {
    let mut played = Played::default();
    while step(source, &mut played, each)? == Go::On {
        tell("  Enter: the next picture; q and Enter: the end\n");
        let mut line = String::new();
        // Without a keyboard (or at its end) there is nobody to ask.
        let read = std::io::stdin().read_line(&mut line);
        if !read.is_ok_and(|n| n > 0) || line.trim().eq_ignore_ascii_case("q") {
            break;
        }
    }
    Ok(played)
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
    // What moved after the photographs may be the car, to which everything is related here.
    let against = crate::session::hold::against(&ready.job);
    say(&against_text(&against));
    let moved = against.doubts_the_bay();
    let every_frame = arguments.replay.is_some();
    let (mut last, mut measured): (Option<Instant>, Option<State>) = (None, None);
    let mut newest: Option<Reading> = None;
    let (mut slipped, mut failed, mut seen) = (false, None, None::<Instant>);
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
            say(&line(&reading, moved));
        }
        seen = Some(Instant::now());
        // What is old or moves says nothing of where the stand is at the end.
        if let Some(stand) = &reading.stand {
            let now = !stand.stale && !stand.camera_moves && stand.motion != Motion::Moving;
            measured = Some(if now { stand.station.verdict } else { State::NotProven });
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
    }
    if (moved || slipped) && measured == Some(State::InTolerance) {
        measured = Some(State::NotProven);
    }
    say(&closing(newest.as_ref(), measured, moved));
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

fn no_camera(error: &crate::session::live::NoCamera) -> Failure {
    Failure::NotMeasurable { reason: format!("{error}."), notices: Vec::new() }
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

/// Watches that nothing moves.
pub(super) fn hold(arguments: &SourceArguments) -> Result<u8, Failure> {
    let ready = ready(arguments)?;
    let frames_per_s = arguments.replay.unwrap_or(HoldOptions::default().frames_per_s);
    let options = HoldOptions { frames_per_s, cameras: arguments.from.len(), ..HoldOptions::default() };
    let mut lookouts = Vec::new();
    for k in 0..arguments.from.len() {
        lookouts.push(Lookout::new(ready.base.clone(), k, &ready.setups[k], options).map_err(|e| no_camera(&e))?);
    }
    let mut log = HoldLog::open(&ready.job.folder)?;
    let started = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).ok().map(|d| d.as_secs());
    let sources: Vec<String> = arguments.from.iter().map(|from| shown(from)).collect();
    log.add(&HoldLine {
        photographs: photo_marks(&ready.job),
        ..line_of_start(&options, &sources, started.filter(|_| arguments.replay.is_none()))
    })?;
    say("Keep people and metal out of the sensor's view. Waiting until everything rests.\n");
    let mut failed = None;
    // What is said at the end must hold for every camera, to the end, and without a gap.
    let mut watched = vec![Tally::default(); arguments.from.len()];
    let mut trouble: Vec<Option<String>> = vec![None; arguments.from.len()];
    let mut seen: Vec<Option<Instant>> = vec![None; arguments.from.len()];
    run(arguments, &ready, &mut |camera, frame| {
        let report = lookouts[camera].see(frame.time, &frame.gray);
        watched[camera].take(&report);
        seen[camera] = Some(Instant::now());
        for news in &report.news {
            let mut out = String::new();
            line_after(&mut out, &format!("{:>10}  ", clock_tenths(news.time)), MARGIN, &news.sentence);
            say(&out);
            if news.kind == NewsKind::Begins {
                for body in &report.bodies {
                    say(&format!(
                        "            {}: a shift of {:.1} mm or a turn of {:.2}° is found in any direction\n",
                        body.name,
                        mm_from_m(body.detectable_m),
                        deg_from_rad(body.detectable_rad)
                    ));
                }
            }
            if let Err(problem) = log.add(&line_of_news(news)) {
                failed = Some(problem);
                return Go::Stop;
            }
        }
        if report.trouble != trouble[camera] {
            if let Some(text) = &report.trouble {
                say(&format!("{:>10}  {text}\n", clock_tenths(report.time)));
            }
            trouble[camera] = report.trouble;
        }
        Go::On
    })?;
    if let Some(problem) = failed {
        return Err(problem.into());
    }
    for (k, tally) in watched.iter_mut().enumerate() {
        let silence = seen[k].filter(|_| arguments.replay.is_none()).map(|t| t.elapsed());
        let last = tally.close(k, silence, &lookouts[k]);
        log.add(&last)?;
        let mut out = String::new();
        line_after(&mut out, "", "  ", &format!("{}: {}", shown(&arguments.from[k]), last.sentence));
        say(&out);
    }
    if watched.iter().any(|t| t.alarms() > 0) {
        let mut out = String::new();
        line_after(&mut out, "", "  ", AFTER_ALARM);
        say(&out);
    }
    say(&format!("Log written to {}\n", log.path().display()));
    Ok(match watched.iter().any(|t| t.alarms() > 0) {
        true => 1,
        false if watched.iter().all(Tally::whole) => 0,
        false => 2,
    })
}
