//! The panel without its drawing: plain state, commands in, tasks for the worker out, events of the worker in.
//!
//! Knows no window, no thread and no clock, so that every way through the work can be tested.

use crate::panel::basis::{Line, basis};
use crate::panel::bay_plan::BayPlan;
use crate::panel::keeping::Keeping;
use crate::panel::live::{LiveState, LiveWish};
use crate::panel::outdated::Outdated;
use crate::readiness::Readiness;
use crate::record::{Job, Problem};
use crate::session::live::Mount;
use crate::session::{Progress, ready};
use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use crate::panel::choices::{Look, Place, Settings, TEXT_SCALE};
pub use crate::panel::messages::{CameraChoice, Command, Event, Opened, Task};
pub use crate::panel::states::{JobState, Origin, Outcome, PictureState, Shown, Work};

/// Everything that is shown.
#[derive(Clone, Debug)]
pub struct Model {
    /// Where the user is.
    pub place: Place,
    /// The far view covers the place.
    pub far: bool,
    /// The help is open.
    pub help: bool,
    /// The settings are open.
    pub settings_open: bool,
    /// What the user chose for the screen.
    pub settings: Settings,
    /// The job.
    pub job: JobState,
    /// Why there is no job where one was to be opened or made.
    pub no_job: Option<Problem>,
    /// Lines about what the job's files say and what is missing.
    pub basis: Vec<Line>,
    /// The readiness list with the answers.
    pub list: Option<Readiness>,
    /// Why an answer could not be kept.
    pub not_kept: Option<Problem>,
    /// Records: kept, looked at again, found.
    pub keeping: Keeping,
    /// What is wrong with the file that says what came of the routine.
    pub came_wrong: Option<Problem>,
    /// What speaks against the photographs' verdict although no file changed.
    pub later: Outdated,
    /// The camera of the live reading.
    pub camera: CameraChoice,
    /// The live reading.
    pub live: LiveState,
    /// The live reading also watches that nothing moves.
    pub holding: bool,
    /// What the last watch came to, a sentence for each camera: `true` where all of it was watched and nothing moved.
    pub watched: Vec<(bool, String)>,
    /// The running check.
    pub work: Option<Work>,
    /// The last result.
    pub outcome: Option<Outcome>,
    /// Which station is shown.
    pub station: usize,
    /// Which photograph of the job is chosen.
    pub photograph: Option<usize>,
    /// The chosen photograph.
    pub picture: PictureState,
    /// Plan rather than picture in the place of photographs.
    pub show_plan: bool,
    /// The folder that is being read.
    wanted: Option<PathBuf>,
    /// The folder whose outcome is in the form.
    opened: Option<PathBuf>,
    /// A check is due once the running one ends.
    again: bool,
}

impl Default for Model {
    fn default() -> Self {
        Self {
            place: Place::Bay,
            far: false,
            help: false,
            settings_open: false,
            settings: Settings::default(),
            job: JobState::None,
            no_job: None,
            basis: Vec::new(),
            list: None,
            not_kept: None,
            keeping: Keeping::default(),
            came_wrong: None,
            later: Outdated::default(),
            camera: CameraChoice::default(),
            live: LiveState::Off,
            holding: false,
            watched: Vec::new(),
            work: None,
            outcome: None,
            station: 0,
            photograph: None,
            picture: PictureState::None,
            show_plan: true,
            wanted: None,
            opened: None,
            again: false,
        }
    }
}

impl Model {
    /// Nothing opened yet, with these settings.
    pub fn with(settings: Settings) -> Self {
        Self { settings, ..Self::default() }
    }

    /// The job, where it could be read.
    pub fn ready(&self) -> Option<&Arc<Job>> {
        match &self.job {
            JobState::Ready(job) => Some(job),
            _ => None,
        }
    }

    /// Does what the user asked; gives what the worker is to do.
    pub fn apply(&mut self, command: Command) -> Vec<Task> {
        match command {
            Command::Open(folder) => self.open(folder),
            Command::Demonstration(folder) => {
                self.forget();
                self.want(&folder);
                vec![Task::Stop, Task::EndLive, Task::Demonstration(folder)]
            }
            Command::NewJob(folder) => {
                self.forget();
                self.want(&folder);
                vec![Task::Stop, Task::EndLive, Task::NewJob(folder)]
            }
            Command::Close => {
                self.forget();
                self.job = JobState::None;
                vec![Task::Stop, Task::EndLive, Task::Forget]
            }
            Command::Check => self.check(),
            Command::Stop => match &mut self.work {
                Some(work) if !work.stopping => {
                    work.stopping = true;
                    self.again = false;
                    vec![Task::Stop]
                }
                _ => Vec::new(),
            },
            Command::Go(place) => {
                self.place = place;
                self.far = false;
                Vec::new()
            }
            Command::Station(by) => {
                let n = self.stations().max(1) as isize;
                let before = self.station;
                self.station = (self.station as isize + by).rem_euclid(n) as usize;
                // A live reading is of one station.
                if self.station != before && !matches!(self.live, LiveState::Off) {
                    return self.read_live(self.holding);
                }
                Vec::new()
            }
            Command::Photograph(by) => {
                let order = self.photographs();
                let Some(last) = order.len().checked_sub(1) else { return Vec::new() };
                let now = self.photograph.and_then(|k| order.iter().position(|o| *o == k));
                let next = now.map_or(0, |at| (at as isize + by).clamp(0, last as isize) as usize);
                self.choose(order[next])
            }
            Command::ShowPhotograph(name) => {
                let at = self.ready().and_then(|job| job.photos.iter().position(|p| p.name == name));
                at.map_or_else(Vec::new, |k| {
                    self.show_plan = false;
                    self.choose(k)
                })
            }
            Command::ShowPlan(plan) => {
                self.show_plan = plan;
                match (plan, self.photograph) {
                    (false, None) => self.apply(Command::Photograph(0)),
                    _ => Vec::new(),
                }
            }
            Command::Far(on) => {
                self.far = on;
                Vec::new()
            }
            Command::Help(on) => {
                self.help = on;
                Vec::new()
            }
            Command::ShowSettings(on) => {
                self.settings_open = on;
                Vec::new()
            }
            Command::Answer(change) => match self.ready() {
                Some(job) => vec![Task::Answer(job.folder.clone(), change)],
                None => Vec::new(),
            },
            Command::Record(command) => {
                let job = self.ready().map(|job| job.folder.clone());
                self.keeping.apply(command, job.as_ref()).map(Task::Record).into_iter().collect()
            }
            Command::Camera(camera) => {
                self.camera = camera;
                Vec::new()
            }
            Command::Live(true) => self.read_live(false),
            Command::Hold(true) => self.read_live(true),
            Command::Live(false) | Command::Hold(false) => {
                self.later.live_ended();
                self.watched = self.hold_view().map(|hold| hold.so_far.clone()).unwrap_or_default();
                self.live = LiveState::Off;
                self.note().into_iter().chain([Task::EndLive]).collect()
            }
            Command::Set(settings) => {
                self.settings = settings;
                self.settings.text_scale = settings.text_scale.clamp(TEXT_SCALE.0, TEXT_SCALE.1);
                Vec::new()
            }
        }
    }

    /// Takes what the worker tells; gives what it is to do next.
    pub fn receive(&mut self, event: Event) -> Vec<Task> {
        match event {
            Event::Read(folder, read) => {
                // Another folder was chosen meanwhile.
                if self.wanted.as_ref() != Some(&folder) {
                    return Vec::new();
                }
                self.wanted = None;
                match read {
                    Ok(opened) => self.take_job(opened),
                    Err(problem) => {
                        self.basis.clear();
                        self.job = JobState::Refused(folder, problem);
                        Vec::new()
                    }
                }
            }
            Event::NoJob(folder, problem) => {
                if self.wanted.as_ref() != Some(&folder) {
                    return Vec::new();
                }
                self.wanted = None;
                // A job that was there is said to be unreadable; a wrong path leads back to where it was typed.
                if !matches!(self.job, JobState::Reading(_)) {
                    self.basis.clear();
                    self.job = JobState::Refused(folder, problem);
                    return Vec::new();
                }
                self.job = JobState::None;
                self.no_job = Some(problem);
                vec![Task::Forget]
            }
            Event::Changed => {
                let folder = match &self.job {
                    JobState::Ready(job) => job.folder.clone(),
                    JobState::Refused(folder, _) => folder.clone(),
                    _ => return Vec::new(),
                };
                if let Some(outcome) = &mut self.outcome {
                    outcome.outdated = true;
                }
                // The job as it was stays on the screen until the new one is read.
                self.wanted = Some(folder.clone());
                vec![Task::Read(folder)]
            }
            Event::Progress(progress) => {
                if let Some(work) = &mut self.work {
                    work.progress = Some(forward(work.progress, progress));
                }
                Vec::new()
            }
            Event::Checked(job, result, written) => {
                self.work = None;
                // A check of a job that was closed meanwhile is nobody's.
                if self.ready().is_some_and(|now| now.folder == job.folder) {
                    self.station = self.station.min(result.stations.len().saturating_sub(1));
                    let plan = BayPlan::of(&result, Some(&job)).map(Arc::new);
                    let outdated = self.again || self.wanted.is_some();
                    self.outcome = Some(Outcome { result, plan, origin: Origin::Checked(written), outdated });
                    // Answers that came while the check ran.
                    let mut tasks = self.keep_list();
                    tasks.extend(self.go_on());
                    return tasks;
                }
                self.go_on()
            }
            Event::Record(event) => self.keeping.receive(event).map(Task::Record).into_iter().collect(),
            Event::Live(state) => {
                // A word that was on its way when the reading was ended.
                if !matches!(self.live, LiveState::Off) {
                    match &state {
                        LiveState::On(view) => self.later.see(view, self.camera.replay),
                        LiveState::Over(_) => self.later.live_ended(),
                        LiveState::Off | LiveState::Preparing(_) => {}
                    }
                    self.live = state;
                    return self.note().into_iter().collect();
                }
                Vec::new()
            }
            Event::NotNoted(folder, problem) => {
                if self.ready().is_some_and(|job| job.folder == folder) {
                    self.later.not_noted(problem.to_string());
                }
                Vec::new()
            }
            Event::Answered(folder, answered) => {
                if self.ready().is_none_or(|job| job.folder != folder) {
                    return Vec::new();
                }
                match answered {
                    Ok(list) => {
                        self.list = Some(list);
                        self.not_kept = None;
                        self.keep_list()
                    }
                    Err(problem) => {
                        self.not_kept = Some(problem);
                        Vec::new()
                    }
                }
            }
            Event::Kept(written) => {
                if let Some(outcome) = &mut self.outcome
                    && matches!(outcome.origin, Origin::Checked(_))
                {
                    outcome.origin = Origin::Checked(written);
                }
                Vec::new()
            }
            Event::Stopped => {
                self.work = None;
                self.go_on()
            }
            Event::Seen(seen) => {
                if matches!(&self.picture, PictureState::Reading(name) if *name == seen.name) {
                    self.picture = PictureState::Seen(seen);
                }
                Vec::new()
            }
            Event::NotSeen(name, why) => {
                if matches!(&self.picture, PictureState::Reading(wanted) if *wanted == name) {
                    self.picture = PictureState::Refused(name, why);
                }
                Vec::new()
            }
        }
    }

    fn open(&mut self, folder: PathBuf) -> Vec<Task> {
        self.forget();
        self.want(&folder);
        vec![Task::Stop, Task::EndLive, Task::Read(folder)]
    }

    fn want(&mut self, folder: &Path) {
        self.job = JobState::Reading(folder.to_owned());
        self.wanted = Some(folder.to_owned());
    }

    fn read_live(&mut self, hold: bool) -> Vec<Task> {
        let Some(job) = self.ready().filter(|job| job.still_template().is_none()).cloned() else { return Vec::new() };
        let lenses = self.camera.all_lenses(job.lenses.len()).filter(|lenses| !lenses.is_empty());
        let Some(lenses) = lenses else { return Vec::new() };
        let (sources, mounts, replay) = (self.camera.sources(), self.camera.all_mounts(), self.camera.replay);
        self.later.live_begins(mounts.contains(&Mount::OnStand));
        self.live = LiveState::Preparing(None);
        self.holding = hold;
        self.watched.clear();
        let wish = LiveWish { job, station: self.station, sources, lenses, mounts, replay, hold };
        self.note().into_iter().chain([Task::Live(wish)]).collect()
    }

    /// What a live reading found is noted beside the job: at the next start the photographs' verdict is old too.
    fn note(&mut self) -> Option<Task> {
        let folder = self.ready()?.folder.clone();
        self.later.note().map(|note| Task::Note(folder, note))
    }

    /// Nothing of the last job stays; a running check still ends with its own event.
    fn forget(&mut self) {
        if let Some(work) = &mut self.work {
            work.stopping = true;
        }
        self.watched.clear();
        self.live = LiveState::Off;
        self.no_job = None;
        // What was kept of one job is no word on another, nor on a path where there is none.
        self.keeping.begin(None);
        self.outcome = None;
        self.wanted = None;
        self.list = None;
        self.not_kept = None;
        self.opened = None;
        self.came_wrong = None;
        self.later = Outdated::default();
        self.basis.clear();
        // Another job has other profiles.
        self.camera.lenses.clear();
        self.station = 0;
        self.photograph = None;
        self.picture = PictureState::None;
        self.again = false;
        self.far = false;
        self.place = Place::Bay;
    }

    fn take_job(&mut self, opened: Opened) -> Vec<Task> {
        let Opened { job, earlier, list, came, against, marks } = opened;
        self.list = list;
        let runs = matches!(self.live, LiveState::Preparing(_) | LiveState::On(_));
        let mut tasks = Vec::new();
        if self.later.opened(against, marks, runs) && runs {
            self.live = LiveState::Over("The job has new photographs: start again, to read against them.".into());
            tasks.push(Task::EndLive);
        }
        // Read anew because a photograph came: what is being typed stays.
        let another = self.opened.as_ref() != Some(&job.folder);
        self.came_wrong = came.as_ref().err().cloned();
        if another {
            self.keeping.begin(came.ok().flatten().as_ref());
            self.opened = Some(job.folder.clone());
        }
        self.basis = basis(&job);
        if let (None, Some(result)) = (&self.outcome, earlier) {
            let origin = Origin::Earlier(job.result_path());
            let plan = BayPlan::of(&result, Some(&job)).map(Arc::new);
            self.outcome = Some(Outcome { result, plan, origin, outdated: false });
        }
        self.photograph = self.photograph.filter(|k| *k < job.photos.len());
        self.job = JobState::Ready(job);
        if self.settings.by_itself {
            tasks.extend(self.check());
        }
        tasks
    }

    fn check(&mut self) -> Vec<Task> {
        let Some(job) = self.ready().cloned() else { return Vec::new() };
        // The example placement is nobody's procedure: nothing is judged against it.
        if job.still_template().is_some() {
            return Vec::new();
        }
        if self.work.is_some() {
            // One check at a time: the running one is given up for what is newer.
            self.again = true;
            if let Some(work) = &mut self.work {
                work.stopping = true;
            }
            return vec![Task::Stop];
        }
        self.again = false;
        self.work = Some(Work { progress: None, stopping: false });
        vec![Task::Check(job)]
    }

    /// Puts the list with its answers into a result of the job as it is now, where that has another one.
    fn keep_list(&mut self) -> Vec<Task> {
        let (Some(list), Some(outcome)) = (&self.list, &mut self.outcome) else { return Vec::new() };
        let Origin::Checked(Ok(path)) = &outcome.origin else { return Vec::new() };
        let parts = ready::parts(list, Some(&outcome.result));
        // A list that nobody has answered is not in the job, and not in its result.
        if outcome.outdated || list.entries.is_empty() || parts == outcome.result.readiness {
            return Vec::new();
        }
        let path = path.clone();
        let mut result = (*outcome.result).clone();
        result.readiness = parts;
        outcome.result = Arc::new(result);
        vec![Task::Keep(path, outcome.result.clone())]
    }

    fn go_on(&mut self) -> Vec<Task> {
        if self.again { self.check() } else { Vec::new() }
    }

    fn choose(&mut self, k: usize) -> Vec<Task> {
        let Some(job) = self.ready().cloned() else { return Vec::new() };
        let Some(photo) = job.photos.get(k) else { return Vec::new() };
        self.photograph = Some(k);
        self.picture = PictureState::Reading(photo.name.clone());
        vec![Task::Look(job, k)]
    }
}

/// Photographs finish in any order: their number never runs backwards.
fn forward(before: Option<Progress>, now: Progress) -> Progress {
    match (before, now) {
        (Some(Progress::Photographs { done: most, .. }), Progress::Photographs { done, of }) => {
            Progress::Photographs { done: done.max(most), of }
        }
        _ => now,
    }
}

mod shown;
#[cfg(test)]
mod tests;
