//! `plumbsight cameras` and `plumbsight try`: which cameras there are, and what a source of pictures really gives.

use crate::capture::address::{SourceAddress, cameras, shown};
use crate::capture::feed::{Feed, FeedOptions, FeedState, FeedStatus};
use crate::capture::formats::{CameraEntry, CameraWish, Format};
use crate::capture::replay::Pace;
use crate::capture::source::{Frame, Loss};
use crate::cli::interrupt::Interrupt;
use crate::cli::{EXIT_BAD_INPUT, EXIT_NOT_MEASURED, say, tell};
use crate::record::{LensProfile, Problem, read_lens_profile, write_atomically};
use crate::session::Failure;
use crate::sheets::id_ranges;
use crate::tags::{DetectOptions, Detector};
use clap::Args;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How often a line is printed.
const LINE_EVERY: Duration = Duration::from_secs(1);

/// Sources slower than this are shown picture by picture.
const SHOWN_ONE_BY_ONE_HZ: f64 = 2.0;

pub(super) const CAMERAS_HELP: &str = "\
For each webcam: its number, name, what it offers, and which format would be
used and why. The format of the lens profile's size wins; name the profile
with --lens.

Examples:
  plumbsight cameras
  plumbsight cameras --lens webcam.toml";

pub(super) const TRY_HELP: &str = "\
SOURCE is one of
  \"camera 0\"                     a webcam (see `plumbsight cameras`)
  http://192.168.1.20:8080/video a phone or network camera that sends MJPEG
  a folder                       photographs as they arrive in it

One line a second: time, size, pictures a second, tags. A source that is lost
is opened again until you stop it with Ctrl-C or --seconds runs out. --save
keeps the picture behind each line as it was taken: that is also the way to
photographs for `plumbsight lens` from a webcam or phone stream.

Exit code 0: pictures came. 4: none came. 3: the source cannot be used.

Examples:
  plumbsight try \"camera 0\" --lens webcam.toml
  plumbsight try http://192.168.1.20:8080/video --seconds 20
  plumbsight try incoming --save job/photos
  plumbsight try job/photos --replay 10";

#[derive(Args)]
pub(super) struct TryArguments {
    /// "camera 0", http://..., or a folder
    source: String,
    /// The lens profile the pictures will be used with: its size is asked for and compared
    #[arg(long, value_name = "FILE")]
    lens: Option<PathBuf>,
    /// Play a folder's pictures in the order of their names, so many a second
    #[arg(long, value_name = "RATE", num_args = 0..=1, default_missing_value = "10")]
    replay: Option<f64>,
    /// Hold a webcam's focus at this value of its driver
    #[arg(long, value_name = "VALUE")]
    focus: Option<i64>,
    /// Stop after so many seconds
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    seconds: Option<u32>,
    /// Keep the picture behind each line in this folder
    #[arg(long, value_name = "DIR")]
    save: Option<PathBuf>,
}

/// Lists the webcams.
pub(super) fn list(lens: Option<&Path>) -> Result<u8, Failure> {
    let size = profile(lens)?.map(|p| (p.lens.width, p.lens.height));
    let entries = cameras(CameraWish { size, focus: None }).map_err(|loss| problem("cameras", &loss))?;
    if entries.is_empty() {
        say("No webcam was found. Plug one in, or use a phone over http:// or a folder (plumbsight try --help).\n");
    }
    for entry in &entries {
        say(&describe(entry));
    }
    Ok(0)
}

/// A camera in words.
fn describe(entry: &CameraEntry) -> String {
    let mut text = format!("camera {}: {}\n", entry.number, entry.name);
    if let Some(trouble) = &entry.trouble {
        return text + &format!("  could not be asked: {trouble}\n");
    }
    for line in by_size(&entry.formats) {
        text += &format!("  {line}\n");
    }
    text + &match &entry.chosen {
        Some((format, why)) => format!("  would be used: {format} ({why})\n"),
        None => "  offers no pictures (cameras often have a second number for other data)\n".to_owned(),
    }
}

/// One line for each size and coding, with its rates.
fn by_size(formats: &[Format]) -> Vec<String> {
    let mut lines: Vec<(Format, Vec<u32>)> = Vec::new();
    for f in formats {
        match lines.iter_mut().find(|(g, _)| (g.width, g.height, g.coding) == (f.width, f.height, f.coding)) {
            Some((_, rates)) => rates.push(f.rate_hz),
            None => lines.push((*f, vec![f.rate_hz])),
        }
    }
    lines
        .into_iter()
        .map(|(f, rates)| {
            let rates: Vec<String> = rates.iter().map(u32::to_string).collect();
            format!("{:>4} x {:<4} {:<5} {} a second", f.width, f.height, f.coding.to_string(), rates.join(", "))
        })
        .collect()
}

fn profile(lens: Option<&Path>) -> Result<Option<LensProfile>, Failure> {
    Ok(lens.map(|path| read_lens_profile(path, &path.display().to_string())).transpose()?)
}

fn problem(about: &str, loss: &Loss) -> Problem {
    Problem::of_file(about, &loss.what, &loss.remedy)
}

/// Shows what a source gives.
pub(super) fn run(arguments: &TryArguments) -> Result<u8, Failure> {
    let profile = profile(arguments.lens.as_deref())?;
    let wish = CameraWish { size: profile.as_ref().map(|p| (p.lens.width, p.lens.height)), focus: arguments.focus };
    let address = SourceAddress::parse(&arguments.source, arguments.replay.map(Pace::Timed))
        .map_err(|loss| problem(&shown(&arguments.source), &loss))?;
    let name = address.to_string();
    // Photographs that arrive in a folder are shown one by one.
    let every = if matches!(address, SourceAddress::Watched(_)) { Duration::ZERO } else { LINE_EVERY };
    if let Some(folder) = &arguments.save {
        std::fs::create_dir_all(folder).map_err(|e| {
            Problem::of_file(folder.display().to_string(), format!("the folder cannot be made ({e})"), "Name another.")
        })?;
    }
    let feed = Feed::start(address.opener(wish), FeedOptions::default());
    let until = arguments.seconds.map(|s| Instant::now() + Duration::from_secs(s.into()));
    let interrupt = Interrupt::listen();
    let shown = show(&interrupt, &feed, profile.as_ref(), arguments.save.as_deref(), until, every);
    let status = feed.status();
    feed.stop_and_wait(Duration::from_secs(2));
    shown?;
    if let FeedState::Lost(loss) = &status.state {
        tell(&format!("plumbsight: {}\n", problem(&name, loss)));
        return Ok(EXIT_BAD_INPUT);
    }
    say(&format!(
        "{} pictures, {} left out for newer ones, {} not usable{}; opened {} times.\n",
        status.arrived,
        status.left_out,
        status.spoiled,
        if status.repeated > 0 { format!(", {} the same again", status.repeated) } else { String::new() },
        status.opened
    ));
    Ok(if status.arrived > 0 { 0 } else { EXIT_NOT_MEASURED })
}

/// What the loop has said already.
#[derive(Default)]
struct Said {
    about: String,
    notes: Vec<String>,
    state: Option<String>,
    spoiled: u64,
    /// That the pictures have the lens profile's size.
    fits: bool,
}

/// Prints until the feed is over or the time is up.
///
/// `every` is the least time between two lines; slow sources are shown picture by picture.
fn show(
    interrupt: &Interrupt,
    feed: &Feed,
    profile: Option<&LensProfile>,
    save: Option<&Path>,
    until: Option<Instant>,
    every: Duration,
) -> Result<(), Failure> {
    let options = match profile {
        Some(p) => DetectOptions { lens: Some(p.lens), tone: p.tone.clone(), ..DetectOptions::default() },
        None => DetectOptions::default(),
    };
    let mut detector = Detector::new();
    let mut said = Said::default();
    let mut next_line = Instant::now();
    loop {
        let frame = feed.next(Duration::from_millis(200));
        let status = feed.status();
        said.changes(&status);
        if let Some(frame) = &frame
            && (status.rate_hz.is_none_or(|hz| hz < SHOWN_ONE_BY_ONE_HZ) || Instant::now() >= next_line)
        {
            next_line = Instant::now() + every;
            let found = detector.detect(&frame.gray, &options);
            let mut ids: Vec<u16> = found.iter().map(|d| d.id).collect();
            ids.sort_unstable();
            ids.dedup();
            let rate = status.rate_hz.map(|hz| format!("{hz:.1} a second")).unwrap_or_default();
            let tags = match ids.len() {
                0 => "no tags".to_owned(),
                n => format!("{n} {}: {}", if n == 1 { "tag" } else { "tags" }, id_ranges(&ids)),
            };
            let (w, h) = (frame.gray.width(), frame.gray.height());
            let other = match profile {
                Some(p) if (p.lens.width, p.lens.height) != (w, h) => {
                    format!("; NOT the lens profile's {} x {}", p.lens.width, p.lens.height)
                }
                Some(_) if !std::mem::replace(&mut said.fits, true) => "; the lens profile's size".to_owned(),
                _ => String::new(),
            };
            let kept = match save {
                Some(folder) => format!("; kept as {}", keep(folder, frame)?),
                None => String::new(),
            };
            say(&format!(
                "{:7.1} s  {}  {w} x {h}  {rate:<15}  {tags}{other}{kept}\n",
                frame.time.as_secs_f64(),
                frame.name
            ));
        }
        if interrupt.came() || frame.is_none() && !status.state.goes_on() || until.is_some_and(|u| Instant::now() >= u)
        {
            return Ok(());
        }
    }
}

impl Said {
    /// Says what has changed about the source.
    fn changes(&mut self, status: &FeedStatus) {
        if status.about != self.about {
            self.about = status.about.clone();
            say(&format!("{}\n", self.about));
        }
        for note in &status.notes {
            if !self.notes.contains(note) {
                self.notes.push(note.clone());
                say(&format!("  Note: {note}\n"));
            }
        }
        if status.spoiled > self.spoiled {
            self.spoiled = status.spoiled;
            if let Some((name, why)) = &status.last_spoiled {
                tell(&format!("  {name}: not usable: {why}\n"));
            }
        }
        let hangs =
            |word: &str| format!("  {word}: {}. What was shown last is old.", status.state.hangs().unwrap_or_default());
        let (key, text) = match &status.state {
            FeedState::Starting(_) => return,
            FeedState::Live => ("live".to_owned(), "  Pictures are coming.".to_owned()),
            FeedState::Stalled(_) => ("stalled".to_owned(), hangs("STALLED")),
            FeedState::Frozen(_) => ("frozen".to_owned(), hangs("FROZEN")),
            FeedState::Retrying(loss, _) => (loss.to_string(), "  LOST, being opened again:".to_owned()),
            FeedState::Lost(_) | FeedState::Ended | FeedState::Stopped => return,
        };
        if self.state.as_ref() == Some(&key) {
            return;
        }
        match &status.state {
            FeedState::Live => {
                if self.state.is_some() {
                    say(&format!("{text}\n"));
                }
            }
            FeedState::Retrying(loss, _) => tell(&format!("{text} {loss}\n")),
            _ => tell(&format!("{text}\n")),
        }
        self.state = Some(key);
    }
}

/// Writes a picture as it was taken under a name that is free; gives the name.
fn keep(folder: &Path, frame: &Frame) -> Result<String, Problem> {
    let (bytes, ending) = frame.file().map_err(|why| {
        Problem::of_file(&frame.name, format!("it cannot be written as a picture ({why})"), "Please report this.")
    })?;
    for number in frame.number.. {
        let name = format!("picture-{number:06}.{ending}");
        let path = folder.join(&name);
        if !path.exists() {
            write_atomically(&path, &bytes)?;
            return Ok(name);
        }
    }
    Err(Problem::of_file(folder.display().to_string(), "it has no free name left", "Name another folder."))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::formats::{Coding, choose};

    #[test]
    fn a_camera_is_described_with_its_choice() {
        let f = |width, height, coding, rate_hz| Format { width, height, coding, rate_hz };
        let mut entry = CameraEntry {
            number: 2,
            name: "An invented webcam".into(),
            formats: vec![
                f(640, 480, Coding::Yuyv, 15),
                f(640, 480, Coding::Yuyv, 30),
                f(1920, 1080, Coding::Mjpeg, 30),
                f(3840, 2160, Coding::Mjpeg, 15),
            ],
            chosen: None,
            trouble: None,
        };
        entry.chosen = choose(&entry.formats, None);
        let text = describe(&entry);
        for part in [
            "camera 2: An invented webcam\n",
            " 640 x 480  YUYV  15, 30 a second\n",
            "would be used: 1920 x 1080 MJPEG at 30 a second (the most pixels",
        ] {
            assert!(text.contains(part), "{part}\n{text}");
        }
        entry.chosen = None;
        assert!(describe(&entry).contains("offers no pictures"));
        entry.trouble = Some("camera 2: it is in use.".into());
        assert!(describe(&entry).contains("could not be asked: camera 2: it is in use."));
    }
}
