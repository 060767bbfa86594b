//! `plumbsight live` and `plumbsight hold`: a camera, phone or folder against a surveyed job.

use crate::capture::address::SourceAddress;
use crate::capture::feed::{Feed, FeedOptions, FeedState};
use crate::capture::formats::CameraWish;
use crate::capture::replay::Pace;
use crate::capture::source::{Frame, Loss};
use crate::cli::{EXIT_NOT_MEASURED, ProgressLine, say, tell};
use crate::record::{HoldLog, Job, Problem, Purpose, read_job};
use crate::session::Failure;
use crate::session::hold::{HoldOptions, Lookout, NewsKind, Standing, line_of_news, line_of_start};
use crate::session::live::{Base, CameraSetup, Live, Motion, Mount, Reading};
use crate::session::replay::{Go, play};
use crate::tags::DetectOptions;
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
must be that of a lens profile of the job, at its focus, zoom and picture size.

One line a frame (a live source: two a second): seconds, verdict, deviation and
U (95 %) of the six in mm and degrees, then what to do. The exit code is that of
`check` for the last reading.

Examples:
  plumbsight live my-job --from \"camera 0\"
  plumbsight live my-job --from http://192.168.1.20:8080/video
  plumbsight live my-job --from frames --replay 10
  plumbsight live my-job --from frames --replay 10 --at-speed";

pub(super) const HOLD_HELP: &str = "\
After the verdict, while the routine runs: a camera on a tripod watches stand,
plates and floor sheets. When all rests the watch begins; what moves by more than
its detectable size is named, with time, size and direction, on the screen and in
hold.jsonl in the job folder. Hidden tags are \"not seen\", never \"moved\".
Keep people and metal out of the sensor's view while it is being calibrated.

Exit code 0: everything held. 1: something moved. 2: the watch never began.

Examples:
  plumbsight hold my-job --from \"camera 0\"
  plumbsight hold my-job --from frames --replay 10";

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
    /// The camera sits on the stand and looks back at sheets and plates
    #[arg(long)]
    on_stand: bool,
    /// The station whose stand is followed, if the placement has several
    #[arg(long, value_name = "NAME")]
    station: Option<String>,
    /// The file of the camera's lens profile, where the job has several (a camera that took no photograph must be in its `lenses` too)
    #[arg(long, value_name = "NAME")]
    lens: Option<String>,
    /// Stop after so many seconds
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    seconds: Option<u32>,
}

/// A surveyed job with its cameras.
struct Ready {
    job: Job,
    base: Arc<Base>,
    setup: CameraSetup,
}

fn wrong(about: &str, loss: &Loss) -> Failure {
    Problem::of_file(about, &loss.what, &loss.remedy).into()
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
    let lens = match &arguments.lens {
        None => 0,
        Some(name) => {
            let is = |l: &crate::record::LensProfile| {
                let path = Path::new(&l.file);
                l.file == *name || path.file_name() == Some(name.as_ref()) || path.file_stem() == Some(name.as_ref())
            };
            let names = job.lenses.iter().map(|l| l.file.clone()).collect();
            job.lenses.iter().position(is).ok_or_else(|| no_such("lens profile", name, names))?
        }
    };
    let bar = ProgressLine::new();
    let base = Base::of_job(&job, station, &|p| bar.show(p));
    bar.end();
    let mount = if arguments.on_stand { Mount::OnStand } else { Mount::Apart };
    let detect = DetectOptions { tone: job.lenses[lens].tone.clone(), ..DetectOptions::default() };
    Ok(Ready { base: Arc::new(base?), setup: CameraSetup { lens, mount, detect }, job })
}

/// Gives every frame to `each`, which may stop it: a replay frame by frame, live sources the newest of each.
fn run(arguments: &SourceArguments, ready: &Ready, each: &mut dyn FnMut(usize, &Frame) -> Go) -> Result<(), Failure> {
    let profile = &ready.job.lenses[ready.setup.lens];
    let mut other = None;
    let each = &mut |camera: usize, frame: &Frame| -> Go {
        other = crate::session::other_camera(&frame.exif, profile);
        if other.is_some() { Go::Stop } else { each(camera, frame) }
    };
    frames(arguments, ready, each)?;
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
    each: &mut dyn FnMut(usize, &Frame) -> Go,
) -> Result<(), Failure> {
    let pace = arguments.replay.map(|rate| if arguments.at_speed { Pace::Timed(rate) } else { Pace::AsAsked(rate) });
    let lens = &ready.job.lenses[ready.setup.lens].lens;
    let wish = CameraWish { size: Some((lens.width, lens.height)), focus: None };
    if arguments.from.len() > 1 {
        tell(
            "  All sources are taken for the same kind of camera with the same lens profile: name cameras of another kind one at a time.\n",
        );
    }
    let epoch = Instant::now();
    let mut openers = Vec::new();
    for from in &arguments.from {
        let address = SourceAddress::parse(from, pace).map_err(|loss| wrong(from, &loss))?;
        openers.push((from.as_str(), matches!(address, SourceAddress::Saved(..)), address.opener(wish)));
    }
    if let [(from, true, opener)] = openers.as_mut_slice() {
        let mut source = opener(epoch).map_err(|loss| wrong(from, &loss))?;
        let played = play(&mut *source, &mut |frame| each(0, frame)).map_err(|loss| wrong(from, &loss))?;
        for (name, why) in played.spoiled {
            tell(&format!("  {name}: not used: {why}\n"));
        }
        return Ok(());
    }
    let feeds: Vec<Feed> = openers
        .into_iter()
        .map(|(_, _, opener)| Feed::start(opener, FeedOptions { epoch, ..FeedOptions::default() }))
        .collect();
    let until = arguments.seconds.map(|s| epoch + Duration::from_secs(s.into()));
    let mut shown: Vec<Option<String>> = vec![None; feeds.len()];
    loop {
        for (k, feed) in feeds.iter().enumerate() {
            if let Some(frame) = feed.next(Duration::from_millis(if feeds.len() == 1 { 100 } else { 10 }))
                && each(k, &frame) == Go::Stop
            {
                return Ok(());
            }
            let state = feed.status().state;
            let text = state_words(&state);
            if shown[k] != text {
                if let Some(text) = &text {
                    tell(&format!("  {}: {text}\n", arguments.from[k]));
                }
                shown[k] = text;
            }
        }
        if feeds.iter().all(|f| !f.status().state.goes_on()) || until.is_some_and(|t| Instant::now() >= t) {
            return Ok(());
        }
    }
}

/// What is to be said of a source that gives nothing.
fn state_words(state: &FeedState) -> Option<String> {
    match state {
        FeedState::Stalled(_) => Some("no picture arrives: look at the camera, its cable and its app".into()),
        FeedState::Retrying(loss, _) => Some(format!("{loss} (trying again)")),
        FeedState::Lost(loss) => Some(loss.to_string()),
        FeedState::Starting(_) | FeedState::Live | FeedState::Ended | FeedState::Stopped => None,
    }
}

/// Follows the stand.
pub(super) fn live(arguments: &SourceArguments) -> Result<u8, Failure> {
    let ready = ready(arguments)?;
    let setups = vec![ready.setup.clone(); arguments.from.len()];
    let mut live = Live::new(ready.base.clone(), &setups).map_err(|e| no_camera(&e))?;
    let every_frame = arguments.replay.is_some();
    let (mut last, mut measured): (Option<Instant>, Option<State>) = (None, None);
    run(arguments, &ready, &mut |camera, frame| {
        let reading = live.see(camera, frame.time, &frame.gray);
        for happening in &reading.happenings {
            say(&format!("{:8.2} s  {}\n", happening.time.as_secs_f64(), happening.sentence));
        }
        let due = every_frame || last.is_none_or(|t| t.elapsed() >= LINE_EVERY);
        if due {
            last = Some(Instant::now());
            say(&line(&reading));
        }
        if let Some(stand) = reading.stand.filter(|s| !s.stale) {
            measured = Some(stand.station.verdict);
        }
        Go::On
    })?;
    Ok(match measured {
        Some(State::InTolerance) => 0,
        Some(State::OutOfTolerance) => 1,
        Some(State::NotProven) => 2,
        None => EXIT_NOT_MEASURED,
    })
}

fn no_camera(error: &crate::session::live::NoCamera) -> Failure {
    Failure::NotMeasurable { reason: format!("{error}."), notices: Vec::new() }
}

/// One reading in one line.
fn line(reading: &Reading) -> String {
    let time = reading.time.as_secs_f64();
    let Some(stand) = &reading.stand else {
        return format!("{time:8.2} s  {}\n", reading.trouble.as_deref().unwrap_or("no reading yet"));
    };
    let sign = match stand.station.verdict {
        State::InTolerance => "● in        ",
        State::OutOfTolerance => "▲ out       ",
        State::NotProven => "◆ not proven",
    };
    let six: Vec<String> = stand
        .station
        .deviations
        .iter()
        .map(|d| {
            let (name, value, expanded) = (d.component.name(), d.deviation.value, d.deviation.expanded);
            match d.component.is_angle() {
                true => format!("{name} {:+.2} U {:.2}°", deg_from_rad(value), deg_from_rad(expanded)),
                false => format!("{name} {:+.1} U {:.1} mm", mm_from_m(value), mm_from_m(expanded)),
            }
        })
        .collect();
    let motion = match stand.motion {
        Motion::Moving => "moving",
        Motion::Still => "still",
        Motion::Unknown => "",
    };
    let state = if stand.stale {
        let why = reading.trouble.as_deref().unwrap_or("no newer frame could be used");
        format!("{:.1} s old: {why}", stand.age.as_secs_f64())
    } else {
        stand.sentence.clone()
    };
    format!("{time:8.2} s  {sign} {}  {motion:6}  {state}\n", six.join("  "))
}

/// What became of one camera's watch.
#[derive(Clone, Default)]
struct Watched {
    begun: bool,
    /// Something was hidden for a while, or the watch had to begin anew.
    gap: bool,
    /// The last picture did not show everything.
    blind: bool,
}

/// Watches that nothing moves.
pub(super) fn hold(arguments: &SourceArguments) -> Result<u8, Failure> {
    let ready = ready(arguments)?;
    let frames_per_s = arguments.replay.unwrap_or(HoldOptions::default().frames_per_s);
    let options = HoldOptions { frames_per_s, ..HoldOptions::default() };
    let mut lookouts = Vec::new();
    for k in 0..arguments.from.len() {
        lookouts.push(Lookout::new(ready.base.clone(), k, &ready.setup, options).map_err(|e| no_camera(&e))?);
    }
    let mut log = HoldLog::open(&ready.job.folder)?;
    let started = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).ok().map(|d| d.as_secs());
    log.add(&line_of_start(&options, &arguments.from, started.filter(|_| arguments.replay.is_none())))?;
    say("Keep people and metal out of the sensor's view. Waiting until everything rests.\n");
    let (mut moved, mut failed) = (false, None);
    // What is said at the end must hold for every camera, to the end, and without a gap.
    let mut watched = vec![Watched::default(); arguments.from.len()];
    let mut trouble: Option<String> = None;
    run(arguments, &ready, &mut |camera, frame| {
        let report = lookouts[camera].see(frame.time, &frame.gray);
        for news in &report.news {
            let seen = &mut watched[camera];
            seen.gap |= matches!(news.kind, NewsKind::NotSeen | NewsKind::CameraMoved);
            seen.begun |= news.kind == NewsKind::Begins;
            moved |= news.kind.is_alarm();
            say(&format!("{:8.2} s  {}\n", news.time.as_secs_f64(), news.sentence));
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
        watched[camera].blind =
            report.trouble.is_some() || report.bodies.iter().any(|b| b.standing == Standing::NotSeen);
        if report.trouble != trouble {
            if let Some(text) = &report.trouble {
                say(&format!("{:8.2} s  {text}\n", report.time.as_secs_f64()));
            }
            trouble = report.trouble;
        }
        Go::On
    })?;
    if let Some(problem) = failed {
        return Err(problem.into());
    }
    say(&format!("Log written to {}\n", log.path().display()));
    if moved {
        return Ok(1);
    }
    let unsure = watched.iter().position(|w| !w.begun || w.gap || w.blind);
    if let Some(k) = unsure {
        let from = &arguments.from[k];
        say(&match watched[k].begun {
            false => format!("{from}: the watch never began, so nothing is said.\n"),
            true => {
                format!("{from}: not everything was watched all the time, so it is not shown that nothing moved.\n")
            }
        });
        return Ok(2);
    }
    Ok(0)
}
