//! What passes between the window, the model and the worker: commands of the user, tasks of the worker, events that it tells.

use crate::panel::choices::{Place, Settings};
use crate::panel::keeping::{RecordCommand, RecordEvent, RecordTask};
use crate::panel::live::{LiveState, LiveWish};
use crate::panel::outdated::Note;
use crate::panel::seen::Seen;
use crate::readiness::Readiness;
use crate::record::result::ResultFile;
use crate::record::{Change, Job, OutcomePart, Problem};
use crate::session::Progress;
use crate::session::hold::Against;
use crate::session::live::Mount;
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;
use std::sync::Arc;

/// What the user does.
#[derive(Clone, Debug, PartialEq)]
pub enum Command {
    /// Open a job folder.
    Open(PathBuf),
    /// Unpack the demonstration job there and open it.
    Demonstration(PathBuf),
    /// Write a new job's commented files into this folder and open it.
    NewJob(PathBuf),
    /// Close the job and choose another.
    Close,
    /// Check the job.
    Check,
    /// Give the running check up.
    Stop,
    /// Go to a place.
    Go(Place),
    /// So many stations on (or back).
    Station(isize),
    /// So many photographs on (or back) in the list.
    Photograph(isize),
    /// This photograph.
    ShowPhotograph(String),
    /// Plan or picture in the place of photographs.
    ShowPlan(bool),
    /// The far view on or off.
    Far(bool),
    /// The help on or off.
    Help(bool),
    /// The settings on or off.
    ShowSettings(bool),
    /// Other settings.
    Set(Settings),
    /// An answer to an item of the readiness list.
    Answer(Change),
    /// What the live reading is to read from.
    Camera(CameraChoice),
    /// The live reading on or off.
    Live(bool),
    /// The hold watch on or off; with it the camera is read live too.
    Hold(bool),
    /// Something about records.
    Record(RecordCommand),
}

/// The cameras of the live reading, as the user chose them.
#[derive(Clone, Debug, PartialEq)]
pub struct CameraChoice {
    /// `camera 0`, `http://...`, or a folder; several with a semicolon between them.
    pub source: String,
    /// The lens profile (index into the job's) chosen for each source as it is written there.
    pub lenses: BTreeMap<String, usize>,
    /// The sources (as written there) that ride on the stand; all others stand on tripods.
    pub riding: BTreeSet<String>,
    /// A folder's pictures are played again instead of waited for.
    pub replay: bool,
}

impl CameraChoice {
    /// The lens profile of a source, of a job with `of` profiles: the only one, else the one that was chosen. A wrong profile of the same size gives wrong
    /// numbers that look right, so none is guessed.
    pub fn lens(&self, source: &str, of: usize) -> Option<usize> {
        if of == 1 { Some(0) } else { self.lenses.get(source).copied().filter(|lens| *lens < of) }
    }

    /// The lens profile of each source, of a job with `of` profiles; `None` where one is still to be chosen.
    pub fn all_lenses(&self, of: usize) -> Option<Vec<usize>> {
        self.sources().iter().map(|source| self.lens(source, of)).collect()
    }

    /// How a source is mounted. One that nobody chose a mount for stands on a tripod: a camera there that is taken for one on the stand would call the stand still
    /// while it is moved.
    pub fn mount(&self, source: &str) -> Mount {
        if self.riding.contains(source) { Mount::OnStand } else { Mount::Apart }
    }

    /// Says how a source is mounted.
    pub fn set_mount(&mut self, source: &str, mount: Mount) {
        match mount {
            Mount::OnStand => self.riding.insert(source.to_owned()),
            Mount::Apart => self.riding.remove(source),
        };
    }

    /// How each source is mounted, in their order.
    pub fn all_mounts(&self) -> Vec<Mount> {
        self.sources().iter().map(|source| self.mount(source)).collect()
    }

    /// The sources that are named.
    pub fn sources(&self) -> Vec<String> {
        sources_of(&self.source)
    }
}

/// The sources in a text, with a semicolon between them.
pub fn sources_of(text: &str) -> Vec<String> {
    text.split(';').map(str::trim).filter(|s| !s.is_empty()).map(str::to_owned).collect()
}

impl Default for CameraChoice {
    fn default() -> Self {
        Self { source: "camera 0".into(), lenses: BTreeMap::new(), riding: BTreeSet::new(), replay: false }
    }
}

/// What the worker is to do.
#[derive(Clone, Debug)]
pub enum Task {
    /// Read the job in this folder.
    Read(PathBuf),
    /// Unpack the demonstration there, then read it.
    Demonstration(PathBuf),
    /// Write a new job's files there, then read it.
    NewJob(PathBuf),
    /// Check this job and write the result.
    Check(Arc<Job>),
    /// Give the running check up.
    Stop,
    /// Read this photograph (index into the job's) and find its tags.
    Look(Arc<Job>, usize),
    /// Forget the job: its folder is watched no more.
    Forget,
    /// Keep an answer to the readiness list in this job's folder.
    Answer(PathBuf, Change),
    /// Read live.
    Live(LiveWish),
    /// Read no longer.
    EndLive,
    /// Something about records.
    Record(RecordTask),
    /// Note beside the job in this folder that a live reading found the stand elsewhere.
    Note(PathBuf, Note),
    /// Write this result again: its readiness list changed.
    Keep(PathBuf, Arc<ResultFile>),
}

/// A job as it was opened.
#[derive(Clone, Debug)]
pub struct Opened {
    /// The job.
    pub job: Arc<Job>,
    /// The result that an earlier check left in its folder.
    pub earlier: Option<Arc<ResultFile>>,
    /// The readiness list with its answers; the shipped one where the folder has none.
    pub list: Option<Readiness>,
    /// What came of the routine, where that was typed in; or what is wrong with its file.
    pub came: Result<Option<OutcomePart>, Problem>,
    /// What the log of earlier hold watches says against its photographs.
    pub against: Against,
    /// A mark of each of its photographs, by which it is known again.
    pub marks: Vec<String>,
}

impl Opened {
    /// A job with its readiness list, and nothing from before.
    pub fn new(job: Arc<Job>, list: Readiness) -> Self {
        Self { job, earlier: None, list: Some(list), came: Ok(None), against: Against::default(), marks: Vec::new() }
    }
}

/// What the worker tells.
#[derive(Clone, Debug)]
#[expect(clippy::large_enum_variant, reason = "a few of them come a second, and a job is read now and then")]
pub enum Event {
    /// A job was read.
    Read(PathBuf, Result<Opened, Problem>),
    /// There is no job at all in this folder, or none could be made there, and why.
    NoJob(PathBuf, Problem),
    /// The readiness list as it is after an answer, or why the answer could not be kept.
    Answered(PathBuf, Result<Readiness, Problem>),
    /// What a live reading found could not be noted in this job's folder, and why.
    NotNoted(PathBuf, Problem),
    /// A result was written again, or could not be.
    Kept(Result<PathBuf, Problem>),
    /// A file in the folder changed, or a photograph came.
    Changed,
    /// How far the check has come.
    Progress(Progress),
    /// The check is done; the result was written there, or could not be.
    Checked(Arc<Job>, Arc<ResultFile>, Result<PathBuf, Problem>),
    /// The check was given up.
    Stopped,
    /// Something about records.
    Record(RecordEvent),
    /// The newest word of the live reading.
    Live(LiveState),
    /// A photograph was searched.
    Seen(Arc<Seen>),
    /// It could not be: name, why.
    NotSeen(String, String),
}
