//! The work beside the window: reading jobs, checking them, looking at photographs, watching the folder. Nothing here draws.
//!
//! One thread for jobs and checks, one for single photographs (the newest wish wins), one that looks at the folder once a second. All end when the
//! [`Worker`] is dropped; a running check is given up then.

use crate::index::{Hit, Index, Query};
use crate::limits::DEEPEST_FOLDERS;
use crate::panel::keeping::{
    Form, FoundRecord, FoundRecords, KeptRecord, Lines, RecordEvent, RecordTask, recheck_lines,
};
use crate::panel::live::LiveRun;
use crate::panel::model::{Event, Opened, Task};
use crate::panel::seen::see;
use crate::paper::Paper;
use crate::record::keep::Moment;
use crate::record::keep::sign::ShopKey;
use crate::record::result::Verdict;
use crate::record::{
    JOB_FILE, Job, OUTCOME_FILE, Problem, Purpose, READINESS_FILE, ResultFile, apply_change, json_text, photo_marks,
    read_job, read_outcome, read_readiness, read_result, unpack_demo, write_atomically, write_outcome, write_template,
};
use crate::report::{Lengths, Options, read_evidence, write_pdf};
use crate::session::keep::{KeepOptions, keep, recheck};
use crate::session::{self, Extras};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::mpsc::{Receiver, Sender, channel};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, SystemTime};

/// How often the folder is looked at. A photograph counts as arrived once it stayed the same from one look to the next.
const LOOK_EVERY: Duration = Duration::from_millis(1000);

/// Called after each event, from the thread that sent it: the window then draws again.
pub type Wake = Arc<dyn Fn() + Send + Sync>;

/// The threads, and the way to them.
pub struct Worker {
    jobs: Sender<Task>,
    looks: Sender<Task>,
    events: Receiver<Event>,
    stop: Arc<AtomicBool>,
    watched: Arc<Watched>,
    live: Mutex<Option<LiveRun>>,
    wake: Wake,
    alive: Arc<AtomicBool>,
}

/// The folder that is watched, and what was in it when its job was read. A poisoned lock still holds good data.
#[derive(Default)]
struct Watched(Mutex<Option<(PathBuf, Signature)>>);

impl Watched {
    fn set(&self, folder: Option<&Path>) {
        *self.0.lock().unwrap_or_else(PoisonError::into_inner) = folder.map(|f| (f.to_owned(), signature(f)));
    }

    fn get(&self) -> Option<(PathBuf, Signature)> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }
}

/// Sends events and wakes the window.
#[derive(Clone)]
struct Post {
    events: Sender<Event>,
    wake: Wake,
}

impl Post {
    /// A window that is gone needs no events.
    fn send(&self, event: Event) {
        let _ = self.events.send(event);
        (self.wake)();
    }
}

impl Worker {
    /// Starts the threads.
    pub fn start(wake: Wake) -> Self {
        let (event_sender, events) = channel();
        let post = Post { events: event_sender, wake: wake.clone() };
        let (jobs, job_tasks) = channel();
        let (looks, look_tasks) = channel();
        let stop = Arc::new(AtomicBool::new(false));
        let watched = Arc::new(Watched::default());
        let alive = Arc::new(AtomicBool::new(true));
        {
            let (post, stop, watched) = (post.clone(), stop.clone(), watched.clone());
            std::thread::spawn(move || work(&job_tasks, &post, &stop, &watched));
        }
        {
            let post = post.clone();
            std::thread::spawn(move || look(&look_tasks, &post));
        }
        {
            let (watched, alive) = (watched.clone(), alive.clone());
            std::thread::spawn(move || watch(&watched, &alive, &post));
        }
        Self { jobs, looks, events, stop, watched, live: Mutex::new(None), wake, alive }
    }

    /// Hands a task over; it is done in its turn.
    pub fn give(&self, task: Task) {
        match &task {
            Task::Stop => {
                self.stop.store(true, Ordering::Relaxed);
                return;
            }
            Task::Forget => return self.watched.set(None),
            Task::Live(wish) => return self.set_live(Some(LiveRun::start(wish.clone(), self.wake.clone()))),
            Task::EndLive => return self.set_live(None),
            Task::Look(..) => {
                let _ = self.looks.send(task);
                return;
            }
            // What is asked for now is not what was to be stopped before.
            Task::Check(_) => self.stop.store(false, Ordering::Relaxed),
            Task::Read(_)
            | Task::Demonstration(_)
            | Task::NewJob(_)
            | Task::Answer(..)
            | Task::Keep(..)
            | Task::Note(..)
            | Task::Record(_) => {}
        }
        let _ = self.jobs.send(task);
    }

    /// The events that have come since.
    pub fn events(&self) -> Vec<Event> {
        let live = self.live.lock().unwrap_or_else(PoisonError::into_inner);
        let states = std::iter::from_fn(|| live.as_ref().and_then(|run| run.slot.take()));
        self.events.try_iter().chain(states.map(Event::Live)).collect()
    }

    fn set_live(&self, run: Option<LiveRun>) {
        *self.live.lock().unwrap_or_else(PoisonError::into_inner) = run;
    }
}

impl Drop for Worker {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        self.alive.store(false, Ordering::Relaxed);
    }
}

/// Jobs and checks, one after the other.
fn work(tasks: &Receiver<Task>, post: &Post, stop: &AtomicBool, watched: &Watched) {
    for task in tasks {
        match task {
            Task::Read(folder) if !is_job(&folder) => {
                // It is looked at all the same: a job that went away may come back.
                watched.set(Some(&folder));
                let problem = Problem::of_file(
                    folder.display().to_string(),
                    if folder.is_dir() {
                        "there is no job in this folder: it holds no job.toml"
                    } else {
                        "there is no such folder"
                    },
                    "Name the folder that holds job.toml, or press \"New job folder\" to make one there.",
                );
                post.send(Event::NoJob(folder, problem));
            }
            Task::NewJob(folder) => match write_template(&folder) {
                Ok(_) => {
                    watched.set(Some(&folder));
                    post.send(Event::Read(folder.clone(), read(&folder)));
                }
                Err(problem) => post.send(Event::NoJob(folder, problem)),
            },
            Task::Read(folder) => {
                // What was there before reading is what was read: anything later counts as a change.
                watched.set(Some(&folder));
                let read = read(&folder);
                post.send(Event::Read(folder, read));
            }
            Task::Demonstration(folder) => {
                let unpacked = unpack_demo(&folder);
                watched.set(Some(&folder));
                let read = unpacked.and_then(|()| read(&folder));
                post.send(Event::Read(folder, read));
            }
            Task::Check(job) => post.send(check(&job, post, stop)),
            Task::Answer(folder, change) => {
                let answered = apply_change(&folder, &change).and_then(|()| read_readiness(&folder));
                post.send(Event::Answered(folder, answered));
            }
            Task::Record(task) => post.send(Event::Record(records(task))),
            Task::Note(folder, note) => {
                let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).ok().map(|d| d.as_secs());
                if let Err(problem) = session::hold::note_elsewhere(&folder, &note.marks, &note.sentence, now) {
                    post.send(Event::NotNoted(folder, problem));
                }
            }
            Task::Keep(path, result) => post.send(Event::Kept(write(&result, path))),
            Task::Stop | Task::Forget | Task::Look(..) | Task::Live(_) | Task::EndLive => {}
        }
    }
}

/// Whether there is something to be read as a job, in order or not.
fn is_job(path: &Path) -> bool {
    path.is_file() || path.join(JOB_FILE).exists()
}

fn read(folder: &Path) -> Result<Opened, Problem> {
    let job = read_job(folder, Purpose::Verdict)?;
    // An older result that cannot be read is of no use and no harm: the next check replaces it.
    let earlier = read_result(&job.result_path()).ok();
    let list = read_readiness(&job.folder)?;
    let came = read_outcome(&job.folder);
    let marks = photo_marks(&job);
    let against = session::hold::answer_marked(&job, &marks);
    let earlier = earlier.map(Arc::new);
    Ok(Opened { earlier, came, against, marks, ..Opened::new(Arc::new(job), list) })
}

fn write(result: &ResultFile, path: PathBuf) -> Result<PathBuf, Problem> {
    let text = json_text(result, "the result")?;
    write_atomically(&path, text.as_bytes())?;
    Ok(path)
}

/// What is asked for about records, done.
fn records(task: RecordTask) -> RecordEvent {
    match task {
        RecordTask::WriteOutcome(folder, part) => {
            RecordEvent::OutcomeWritten(write_outcome(&folder, &part).map_err(|p| p.to_string()))
        }
        RecordTask::Keep(folder, form) => {
            RecordEvent::Recorded(keep_record(&folder, &form).map_err(|failure| failure.to_string()))
        }
        RecordTask::Find(root) => RecordEvent::Found(find_records(&root)),
        RecordTask::Recheck(record) => {
            let done = recheck(&record, None, false, &|_| {});
            let lines = done.map(|d| recheck_lines(&d.with_later(&record))).map_err(|failure| failure.to_string());
            RecordEvent::Rechecked(record, lines)
        }
        RecordTask::Report(record) => {
            let lines = write_report(&record).map_err(|failure| failure.to_string());
            RecordEvent::Rechecked(record, lines)
        }
    }
}

/// A record is whole or not there at all, so that it is never given up half way.
fn keep_record(folder: &Path, form: &Form) -> Result<KeptRecord, session::Failure> {
    if let Ok(Some(part)) = form.outcome.part() {
        write_outcome(folder, &part)?;
    }
    let said = |text: &str| Some(text.trim().to_owned()).filter(|t| !t.is_empty());
    let key = said(&form.key).map(|file| ShopKey::read(Path::new(&file))).transpose()?;
    let note = said(&form.note);
    let options = KeepOptions {
        by: form.by.trim(),
        note: note.as_deref(),
        corrects: form.corrects.as_deref().map(|record| (record, form.reason.trim())),
        key: key.as_ref(),
        at: Moment::now(),
    };
    let kept = keep(folder, Path::new(form.into.trim()), &options, &|_| {})?;
    Ok(KeptRecord { folder: kept.folder, noticed: kept.noticed })
}

/// The newest revision of each record below a folder.
fn find_records(root: &Path) -> Result<FoundRecords, String> {
    let why = |problem: Problem| problem.to_string();
    let index = Index::open(root, false).map_err(why)?;
    let hits = index.search(&Query::default()).map_err(why)?.hits;
    let unread = hits.iter().filter(|hit| hit.state == "damaged" && hit.record.is_none()).count();
    let of = |hit: &Hit| {
        let mut found = FoundRecord::of(index.path_of(hit), hit.record.as_ref()?);
        found.damage.clone_from(&hit.damage);
        found.doubted_by.clone_from(&hit.doubted_by);
        found.noticed = index.notices.iter().filter(|n| n.about == hit.folder).map(|n| n.text.clone()).collect();
        Some(found)
    };
    // What is about a record that is shown stands beside it.
    let shown = |about: &str| hits.iter().any(|hit| hit.folder == about && hit.state != "gone" && hit.record.is_some());
    let notices =
        index.notices.iter().filter(|n| !shown(&n.about)).map(|n| format!("{}: {}", n.about, n.text)).collect();
    let records = hits.iter().filter(|hit| hit.state != "gone").filter_map(of).collect();
    Ok(FoundRecords { records, unread, notices })
}

/// The report of a record as PDF, in the folder beside it; a line says where.
fn write_report(record: &Path) -> Result<Lines, session::Failure> {
    let evidence = read_evidence(record)?.with_later(record);
    let to = record.with_file_name(format!("report-{}.pdf", evidence.name));
    let options = Options { paper: Paper::A4, lengths: Lengths::Millimetres, short: false };
    write_pdf(&evidence, &options, &to)?;
    let mut lines = vec![(Verdict::In, format!("The report is in {}", to.display()))];
    for against in evidence.later.iter().cloned().chain(evidence.against()) {
        lines.push((Verdict::Out, against));
    }
    Ok(lines)
}

/// One check; its result is written before it is shown, so that nothing is lost.
fn check(job: &Arc<Job>, post: &Post, stop: &AtomicBool) -> Event {
    let tell = |progress| post.send(Event::Progress(progress));
    let Some(look) = session::look_until(job, &tell, stop) else { return Event::Stopped };
    let result = session::check_seen(job, look, Extras { advice: true, ..Extras::default() }, &tell);
    if stop.load(Ordering::Relaxed) {
        return Event::Stopped;
    }
    let written = write(&result, job.result_path());
    Event::Checked(job.clone(), Arc::new(result), written)
}

/// Single photographs: only the newest wish counts.
fn look(tasks: &Receiver<Task>, post: &Post) {
    for task in tasks {
        let newest = tasks.try_iter().last().unwrap_or(task);
        let Task::Look(job, k) = newest else { continue };
        let name = job.photos.get(k).map(|p| p.name.clone()).unwrap_or_default();
        post.send(match see(&job, k) {
            Ok(seen) => Event::Seen(Arc::new(seen)),
            Err(why) => Event::NotSeen(name, why),
        });
    }
}

/// What is in a folder that matters for a measurement: names, sizes and times of photographs and TOML files. Answers to the readiness list and what came of
/// the routine change no number; they have their own way.
type Signature = Vec<(PathBuf, u64, Option<SystemTime>)>;

/// Tells of a change once the folder looks the same twice in a row and differs from what was read or told last.
fn watch(watched: &Watched, alive: &AtomicBool, post: &Post) {
    let mut told: Option<(PathBuf, Signature)> = None;
    let mut before = Signature::new();
    while alive.load(Ordering::Relaxed) {
        std::thread::sleep(LOOK_EVERY);
        let Some((folder, read)) = watched.get() else { continue };
        let now = signature(&folder);
        let known = told.as_ref().is_some_and(|(of, what)| *of == folder && *what == now);
        if now != read && now == before && !known {
            told = Some((folder, now.clone()));
            post.send(Event::Changed);
        }
        before = now;
    }
}

fn signature(path: &Path) -> Signature {
    let folder = if path.is_file() { path.parent().unwrap_or(path) } else { path };
    let mut out = Vec::new();
    gather(folder, DEEPEST_FOLDERS, &mut out);
    out.sort();
    out
}

fn gather(folder: &Path, deeper: usize, out: &mut Signature) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        let Ok(kind) = entry.file_type() else { continue };
        if kind.is_dir() {
            if deeper > 0 {
                gather(&path, deeper - 1, out);
            }
            continue;
        }
        let ending = path.extension().map(|e| e.to_string_lossy().to_lowercase()).unwrap_or_default();
        if matches!(ending.as_str(), "toml" | "jpg" | "jpeg" | "png")
            && !path.ends_with(READINESS_FILE)
            && !path.ends_with(OUTCOME_FILE)
            && let Ok(data) = std::fs::metadata(&path)
        {
            out.push((path, data.len(), data.modified().ok()));
        }
    }
}
