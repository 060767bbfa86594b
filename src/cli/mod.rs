//! The command line: a thin front over `session`. Tables and moves go to the output, progress and errors to the error output.

mod cameras;
mod fault;
mod hand_over;
mod hold;
mod interrupt;
mod keep;
mod learn;
mod lengths;
mod lens;
mod live;
mod more;
#[cfg(feature = "panel")]
mod panel;
mod ready;
mod records;
mod rehearse;
mod repeat;
mod report;
mod sheets;
mod sources;
mod tags;
mod trace;

use crate::record::result::Verdict;
use crate::record::{
    Problem, Purpose, ResultFile, json_text, read_job, record_around, result_path, unpack_demo, write_atomically,
    write_template,
};
use crate::session::{self, Extras, Failure, Progress};
use clap::{Parser, Subcommand};
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicUsize, Ordering};

pub use fault::{EXIT_FAULT, FAULT_FILE};

/// Exit code where an input is wrong.
pub const EXIT_BAD_INPUT: u8 = 3;
/// Exit code where the photographs allow no measurement.
pub const EXIT_NOT_MEASURED: u8 = 4;

const ABOUT: &str = "Says where a calibration stand really is relative to a car's thrust line, from photographs of printed tags, \
how sure that is, what to move, and whether it stands within the tolerances of the published procedure.";

const EXAMPLES: &str = "\
Examples:
  plumbsight demo                      the whole job on a shipped, invented bay
  plumbsight sheets my-sheets          sheets to print, and how to use them
  plumbsight new my-job                a commented job folder to fill in
  plumbsight ready my-job              what must be seen to before measuring
  plumbsight check my-job              six deviations, what to move, the verdict
  plumbsight check my-job --json -     the result as JSON instead of the table
  plumbsight record my-job --into kept --by NAME   the job kept as a record
  plumbsight recheck kept/RECORD       a record measured again and compared
  plumbsight records kept --vin 4711   records found again, trends of the kit
  plumbsight report kept/RECORD        the report as PDF, to hand over
  plumbsight export kept/* --csv       records as a table for spreadsheets
  plumbsight rehearse                  made bays to practise on
  plumbsight survey my-job > s.json    bodies, residuals, covariance as JSON
  plumbsight tags photo.jpg            the tags found in single photographs
  plumbsight lens cam/*.jpg --board a4 a lens profile from pictures of a board
  plumbsight learn stand-job           a stand's tags and target, learned
  plumbsight cameras                   the webcams, and the format to be used
  plumbsight try http://phone:8080/    what a phone, webcam or folder gives
  plumbsight live my-job --from DIR    the stand while it is pushed
  plumbsight hold my-job --from DIR    whether all stays put in the routine
  plumbsight repeat day-1 day-2        scatter of repeated checks against U
  plumbsight lengths my-job            known lengths against the photographs

Exit codes of check and demo:
  0 in tolerance   1 out of tolerance   2 not proven
  3 an input is wrong   4 the photographs allow no measurement
  5 a fault of the program itself

The stand's place only: plumbsight calibrates nothing and releases nothing.
The carmaker's procedure, local rules and licensed practice decide.";

const CHECK_HELP: &str = "\
A job is a folder with job.toml, bodies.toml, placement.toml, a lens profile
and the photographs; `plumbsight new DIR` writes one with every key explained.

The table shows, for each of the six deviations, what is required, what was
measured, the difference, its expanded uncertainty U (95 %), the tolerance and
one of three verdicts:
  ● in           |deviation| + U <= tolerance
  ▲ out          |deviation| - U >  tolerance
  ◆ not proven   neither: U is too large to say; the text below says why

Examples:
  plumbsight check my-job
  plumbsight check my-job --json result.json
  plumbsight check my-job --advice     where more photographs would help most
  plumbsight check my-job --budget     what each source adds to each U
  plumbsight check my-job --monte-carlo 2000
  plumbsight check my-job --json - | jq .stations[0].deviations.yaw_deg";

/// Trials of Monte Carlo where no number is given; [`session::USUAL_TRIALS`] in words.
const USUAL_TRIALS: &str = "1000";

#[derive(Parser)]
#[command(name = "plumbsight", version, about = ABOUT, after_help = EXAMPLES, max_term_width = 80)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Measure a job and judge it: table, moves, verdict, and result.json
    #[command(after_help = CHECK_HELP)]
    Check {
        /// The job folder (or its job.toml)
        job: PathBuf,
        /// Where the result goes instead of result.json in the job folder; - prints it instead of the table
        #[arg(long, value_name = "FILE")]
        json: Option<PathBuf>,
        /// Say which photographs would help most even where everything is proven
        #[arg(long)]
        advice: bool,
        /// Show what each source adds to the uncertainty of each deviation
        #[arg(long)]
        budget: bool,
        /// Check U by Monte Carlo: so many surveys drawn and adjusted again (1000 where no number is given)
        #[arg(long, value_name = "N", num_args = 0..=1, default_missing_value = USUAL_TRIALS, value_parser = clap::value_parser!(u32).range(100..=1_000_000))]
        monte_carlo: Option<u32>,
    },
    /// Measure a job without judging it: bodies, photographs, residuals and covariance as JSON
    #[command(
        after_help = "Example:\n  plumbsight survey my-job > survey.json\n\nPoses map the second frame in their name to the first; lengths in metres."
    )]
    Survey {
        /// The job folder (or its job.toml)
        job: PathBuf,
    },
    /// Find the tags in single images, as JSON
    #[command(after_help = tags::HELP)]
    Tags {
        /// JPEG or PNG files
        #[arg(required = true)]
        images: Vec<PathBuf>,
        /// The lens profile of the camera: sides are then straight after undoing its distortion
        #[arg(long, value_name = "FILE")]
        lens: Option<PathBuf>,
        /// A folder for pictures of what each stage of the search made of the images
        #[arg(long, value_name = "DIR")]
        trace: Option<PathBuf>,
        /// A line for each image instead of JSON: how many tags, and which
        #[arg(long)]
        list: bool,
    },
    /// Make a lens profile from photographs of a printed board, or draw one
    #[command(after_help = lens::HELP)]
    Lens(lens::LensArguments),
    /// Learn a stand or plate from photographs: its table for bodies.toml, with covariance
    #[command(after_help = learn::HELP)]
    Learn(learn::LearnArguments),
    /// Is car and bay ready: the list, shown and answered
    #[command(after_help = ready::HELP)]
    Ready(ready::ReadyArguments),
    /// Measure a job and keep it: photographs, inputs, result, who and when, in one folder with sums
    #[command(after_help = keep::RECORD_HELP)]
    Record(keep::RecordArguments),
    /// Look at a record again: every file, the signature, and the whole measurement
    #[command(after_help = keep::RECHECK_HELP)]
    Recheck(keep::RecheckArguments),
    /// Find records again in a folder of thousands, and see what changed over them
    #[command(after_help = records::HELP)]
    Records(records::RecordsArguments),
    /// A report as PDF from a record: verdict, plan, six numbers, evidence; or a short text to mail
    #[command(after_help = hand_over::REPORT_HELP)]
    Report(hand_over::ReportArguments),
    /// Records as a table for spreadsheets, or as JSON
    #[command(after_help = hand_over::EXPORT_HELP)]
    Export(hand_over::ExportArguments),
    /// Make the shop's key pair, with which records are signed
    #[command(
        after_help = "Example:\n  plumbsight key shop.pem\n\nWrites shop.pem, which is secret and stays in the shop, and shop.pub.pem, which\nmay be given to anyone who is to check records. Nothing is ever overwritten."
    )]
    Key {
        /// The file of the private key
        file: PathBuf,
    },
    /// List the webcams, what they offer, and which format would be used
    #[command(after_help = sources::CAMERAS_HELP)]
    Cameras {
        /// The lens profile they will be used with
        #[arg(long, value_name = "FILE")]
        lens: Option<PathBuf>,
    },
    /// Try a source of pictures: webcam, phone over HTTP, folder. Shows size, rate and tags
    #[command(after_help = sources::TRY_HELP)]
    Try(sources::TryArguments),
    /// Follow the stand live: where it is, frame by frame, with U and what to do
    #[command(after_help = live::HELP)]
    Live(live::LiveArguments),
    /// Watch that stand, plates and sheets stay where they are while the routine runs
    #[command(after_help = hold::HELP)]
    Hold(cameras::SourceArguments),
    /// Open the window: the same work place by place, with drawings
    #[cfg(feature = "panel")]
    #[command(after_help = panel::HELP)]
    Panel(panel::PanelArguments),
    /// Compare repeated checks of the same stand with the uncertainty they state
    #[command(after_help = repeat::HELP)]
    Repeat {
        /// Job folders or result files (one series), or folders of job folders (a series each)
        #[arg(required = true)]
        results: Vec<PathBuf>,
    },
    /// Compare known lengths with what the photographs of a job measure
    #[command(after_help = lengths::HELP)]
    Lengths {
        /// The job folder, with lengths.toml in it
        job: PathBuf,
    },
    /// Write printable sheets, lens board, field guide and the bodies file that goes with them
    #[command(after_help = sheets::HELP)]
    Sheets {
        /// Where everything goes; kit.toml is read there, or written with the usual kit
        dir: PathBuf,
        /// Another kit file
        #[arg(long, value_name = "FILE")]
        kit: Option<PathBuf>,
        /// Paper of a new kit: A4 (if nothing is said), Letter, A3, Tabloid
        #[arg(long, value_name = "NAME")]
        paper: Option<String>,
        /// Replace files that are there and differ (never a filled-in bodies.toml)
        #[arg(long)]
        replace: bool,
    },
    /// Made bays with known truth, for training: begin one, have the answer marked
    #[command(after_help = rehearse::HELP)]
    Rehearse(rehearse::RehearseArguments),
    /// Write a commented job folder to start from
    #[command(
        after_help = "Example:\n  plumbsight new my-job\n  cp /media/camera/*.jpg my-job/photos/\n\nThen fill in the four files and run `plumbsight check my-job`. Nothing is ever\noverwritten."
    )]
    New {
        /// The new folder
        dir: PathBuf,
    },
    /// Unpack the shipped demonstration bay (invented) and run the whole check on it
    #[command(
        after_help = "Example:\n  plumbsight demo --into bay\n\nThe folder is an ordinary job: change its files and run `plumbsight check` on\nit again."
    )]
    Demo {
        /// Where to unpack it
        #[arg(long, value_name = "DIR", default_value = "plumbsight-demo")]
        into: PathBuf,
    },
}

/// Runs one command; returns the exit code.
pub fn run(arguments: impl IntoIterator<Item = std::ffi::OsString>) -> u8 {
    let arguments: Vec<std::ffi::OsString> = arguments.into_iter().collect();
    fault::guarded(&arguments, || run_unguarded(&arguments))
}

fn run_unguarded(arguments: &[std::ffi::OsString]) -> u8 {
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version are answers; everything else is a wrong input (clap's own code 2 means "not proven" here).
            let _ = error.print();
            return if error.use_stderr() { EXIT_BAD_INPUT } else { 0 };
        }
    };
    let done = match arguments.command {
        Command::Check { job, json, advice, budget, monte_carlo } => {
            let extras = Extras { advice, monte_carlo: monte_carlo.map(|n| n as usize) };
            check(&job, &Wanted { json: json.as_deref(), extras, budget })
        }
        Command::Survey { job } => survey(&job),
        Command::Tags { images, lens, trace, list } => tags::run(&images, lens.as_deref(), trace.as_deref(), list),
        Command::Lens(arguments) => lens::run(arguments),
        Command::Learn(arguments) => learn::run(arguments),
        Command::Cameras { lens } => sources::list(lens.as_deref()),
        Command::Try(arguments) => sources::run(&arguments),
        Command::Live(arguments) => live::live(&arguments),
        Command::Hold(arguments) => hold::hold(&arguments),
        Command::Ready(arguments) => ready::run(arguments),
        Command::Record(arguments) => keep::record(&arguments),
        Command::Records(arguments) => records::run(&arguments),
        Command::Recheck(arguments) => keep::recheck(&arguments),
        Command::Report(arguments) => hand_over::report(&arguments),
        Command::Export(arguments) => hand_over::export(&arguments),
        Command::Rehearse(arguments) => rehearse::run(&arguments),
        Command::Key { file } => keep::key(&file),
        #[cfg(feature = "panel")]
        Command::Panel(arguments) => panel::run(arguments),
        Command::Repeat { results } => repeat::run(&results),
        Command::Lengths { job } => lengths::run(&job),
        Command::Sheets { dir, kit, paper, replace } => {
            sheets::run(&sheets::Request { folder: &dir, kit: kit.as_deref(), paper: paper.as_deref(), replace })
        }
        Command::New { dir } => new(&dir),
        Command::Demo { into } => unpack_demo(&into).map_err(Failure::from).and_then(|()| {
            say(&format!(
                "The demonstration job is in {}: invented car, invented procedure, made photographs.\n",
                into.display()
            ));
            check(&into, &Wanted::default())
        }),
    };
    done.unwrap_or_else(|failure| {
        tell(&format!("plumbsight: {failure}\n"));
        match failure {
            Failure::Problem(_) => EXIT_BAD_INPUT,
            Failure::NotMeasurable { notices, .. } => {
                for notice in notices {
                    tell(&format!("  {}: {}\n", notice.about, notice.text));
                }
                EXIT_NOT_MEASURED
            }
        }
    })
}

/// What a check is asked for besides the table.
#[derive(Clone, Copy, Default)]
struct Wanted<'a> {
    json: Option<&'a Path>,
    extras: Extras,
    budget: bool,
}

fn check(folder: &Path, wanted: &Wanted) -> Result<u8, Failure> {
    let json = wanted.json;
    let job = read_job(folder, Purpose::Verdict).and_then(|job| match job.still_template() {
        Some(problem) => Err(problem),
        None => Ok(job),
    });
    let job = job.inspect_err(|_| tell_of_older_result(folder))?;
    // Said before anything is measured.
    if let Some(parent) = json.and_then(Path::parent).filter(|p| !p.as_os_str().is_empty() && !p.is_dir()) {
        let remedy = "Make the folder, or name another file. Nothing was measured.";
        return Err(Problem::of_file(parent.display().to_string(), "there is no such folder for --json", remedy).into());
    }
    let bar = ProgressLine::new();
    let result = session::check_with(&job, wanted.extras, &|p| bar.show(p));
    bar.end();
    let against = session::hold::answer(&job);
    let text = json_text(&result, "the result")?;
    let measured = result.verdict != Verdict::NotMeasured;
    if json == Some(Path::new("-")) {
        say(&text);
        tell(&report::against(&against));
        if !measured {
            tell(&format!("plumbsight: {}\n", report::why_not_measured(&result)));
        }
    } else {
        let path = json.map(Path::to_owned).unwrap_or_else(|| job.result_path());
        // Shown before it is written: a folder that cannot be written to costs the file, not the measurement. Without a measurement the report
        // is an error message.
        let show = if measured { say } else { tell };
        show(&report::against(&against));
        show(&report::report(&result, against.speaks()));
        if wanted.budget {
            show(&more::budget(&result));
        }
        show(&more::monte_carlo(&result));
        match record_around(&path) {
            Some(record) => show(&format!(
                "Nothing was written: {} lies in the record {}, which is never changed. `plumbsight recheck` compares a record with what it says.\n",
                path.display(),
                record.display()
            )),
            None => {
                write_atomically(&path, text.as_bytes())?;
                show(&format!("Result written to {}\n", path.display()));
            }
        }
    }
    Ok(match result.verdict {
        Verdict::In if against.speaks() => 2,
        _ => exit_code(&result),
    })
}

/// A result that lies in the folder must not be taken for one of the inputs that were just refused.
fn tell_of_older_result(folder: &Path) {
    let older = result_path(folder);
    if older.is_file() {
        tell(&format!(
            "plumbsight: {} is from an earlier check and says nothing of the job as it is now\n",
            older.display()
        ));
    }
}

/// The exit code that says the verdict.
fn exit_code(result: &ResultFile) -> u8 {
    match result.verdict {
        Verdict::In => 0,
        Verdict::Out => 1,
        Verdict::NotProven => 2,
        Verdict::NotMeasured => EXIT_NOT_MEASURED,
    }
}

fn survey(folder: &Path) -> Result<u8, Failure> {
    let job = read_job(folder, Purpose::Survey)?;
    let bar = ProgressLine::new();
    let text = session::survey(&job, &|p| bar.show(p));
    bar.end();
    let (text, notices) = text?;
    for notice in notices {
        tell(&format!("  {}: {}\n", notice.about, notice.text));
    }
    say(&text);
    Ok(0)
}

fn new(folder: &Path) -> Result<u8, Failure> {
    let written = write_template(folder)?;
    for path in written {
        say(&format!("wrote {}\n", path.display()));
    }
    say(&format!(
        "Next: copy the photographs into {}, fill in the four files (every key is explained there)\nand run: plumbsight check {}\nWhat must be seen to before measuring: plumbsight ready {}\n\
         Sheets to print, with the bodies.toml that goes with them: plumbsight sheets DIR\n",
        folder.join("photos").display(),
        folder.display(),
        folder.display()
    ));
    Ok(0)
}

/// Prints to the output. A reader that has gone away (`| head`) is no fault.
fn say(text: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

/// Prints to the error output; nothing is lost where nobody can read it.
fn tell(text: &str) {
    let mut out = std::io::stderr().lock();
    let _ = out.write_all(text.as_bytes()).and_then(|()| out.flush());
}

/// So many photographs take long enough to be told of on the way.
const MANY: usize = 100;

/// One line of progress on the error output, rewritten in place on a terminal; elsewhere a line for each stage, and of many photographs one for each tenth.
struct ProgressLine {
    terminal: bool,
    /// What is done with each photograph.
    doing: &'static str,
    shown: AtomicUsize,
}

impl ProgressLine {
    fn new() -> Self {
        Self::of("reading photographs and finding tags")
    }

    fn of(doing: &'static str) -> Self {
        Self { terminal: std::io::stderr().is_terminal(), doing, shown: AtomicUsize::new(0) }
    }

    fn show(&self, progress: Progress) {
        let stage = match progress {
            Progress::Photographs { done: 0, .. } => "beginning",
            Progress::Photographs { .. } => "photographs",
            Progress::Surveying => "surveying",
            Progress::Judging => "judging",
        };
        fault::note(&format!("{stage}: {progress:?}"));
        fault::provoke(stage);
        let text = match progress {
            Progress::Photographs { done, of } => {
                // Photographs finish in any order: never count backwards.
                let before = self.shown.fetch_max(done, Ordering::Relaxed);
                let most = before.max(done);
                let tenths = |n: usize| 10 * n / of.max(1);
                let due = most == of || of >= MANY && tenths(most) > tenths(before);
                if !self.terminal && (most == before || !due) {
                    return;
                }
                format!("{}: {most} of {of}", self.doing)
            }
            Progress::Surveying => "tying the photographs together".to_owned(),
            Progress::Judging => "working out the deviations".to_owned(),
        };
        if self.terminal {
            tell(&format!("\r{text:<60}"));
        } else {
            tell(&format!("{text}\n"));
        }
    }

    fn end(&self) {
        if self.terminal {
            tell(&format!("\r{:<60}\r", ""));
        }
    }
}
