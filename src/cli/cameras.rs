//! The cameras, phones and folders that `live` and `hold` follow, and the surveyed job they are held against.

use crate::capture::address::{SourceAddress, shown};
use crate::capture::feed::{Feed, FeedOptions, FeedState};
use crate::capture::formats::CameraWish;
use crate::capture::replay::Pace;
use crate::capture::source::{Frame, FrameSource, Loss};
use crate::cli::interrupt::Interrupt;
use crate::cli::{ProgressLine, tell};
use crate::record::{Job, Problem, Purpose, read_job};
use crate::session::Failure;
use crate::session::live::{Base, CameraSetup, Mount, NoCamera};
use crate::session::replay::{Go, Played, play, step};
use clap::Args;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, Instant};

#[derive(Args)]
pub(super) struct SourceArguments {
    /// The job folder (or its job.toml), with the photographs of the survey
    job: PathBuf,
    /// "camera 0", http://..., or a folder; once for each camera
    #[arg(long = "from", value_name = "SOURCE", required = true)]
    pub from: Vec<String>,
    /// Play a folder's pictures in the order of their names; their times are as if so many had been taken in a second
    #[arg(long, value_name = "RATE", num_args = 0..=1, default_missing_value = "10")]
    pub replay: Option<f64>,
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

/// A source that gave pictures and has given none for so long is said to be silent. Common practice, no source.
const QUIET: Duration = Duration::from_secs(2);

/// A surveyed job with its cameras.
pub(super) struct Ready {
    pub job: Job,
    pub base: Arc<Base>,
    pub setups: Vec<CameraSetup>,
}

/// `source`: as it was written.
fn wrong(source: &str, loss: &Loss) -> Failure {
    Problem::of_file(shown(source), &loss.what, &loss.remedy).into()
}

pub(super) fn ready(arguments: &SourceArguments) -> Result<Ready, Failure> {
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
pub(super) fn run(
    arguments: &SourceArguments,
    ready: &Ready,
    each: &mut dyn FnMut(usize, &Frame) -> Go,
) -> Result<(), Failure> {
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
    let mut came: Vec<Option<Instant>> = vec![None; feeds.len()];
    loop {
        for (k, feed) in feeds.iter().enumerate() {
            if let Some(frame) = feed.next(Duration::from_millis(if feeds.len() == 1 { 100 } else { 10 })) {
                came[k] = Some(Instant::now());
                if each(k, &frame) == Go::Stop {
                    return Ok(());
                }
            }
            let state = feed.status().state;
            // A folder into which nothing comes any more is as silent as a stream that stalls, and knows nothing of it.
            let quiet = came[k].is_some_and(|at| at.elapsed() > QUIET).then(|| "no new picture comes".to_owned());
            let text = state_words(&state).or(quiet);
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

/// No camera can be read against this job.
pub(super) fn no_camera(error: &NoCamera) -> Failure {
    Failure::NotMeasurable { reason: format!("{error}."), notices: Vec::new() }
}
