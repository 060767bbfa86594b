//! Thousands of records found again: an index over a folder of records, and what changes from record to record.
//!
//! The index is a cache and never an authority: it lies outside the records, is refreshed from them before every use, and where it is broken, foreign or
//! held by another program it is made anew or done without, with a word. Only [`store`] knows SQL.

mod chains;
mod read;
mod store;
mod trends;

pub use trends::{SeriesTrend, Trends};

use crate::limits::DEEPEST_FOLDERS;
use crate::record::keep::manifest::sha256_hex;
use crate::record::keep::{RECORD_FILE, RecordFile};
use crate::record::result::Verdict;
use crate::record::{Notice, Problem};
use rayon::prelude::*;
use serde::{Deserialize, Serialize};
use std::path::{Path, PathBuf};
use store::{Fault, Row, Store};

/// The index's name in the folder of records.
pub const INDEX_FILE: &str = ".plumbsight-index.sqlite";

/// Records that are read before they are written to the index, so that their content never fills the memory.
const PIECE: usize = 256;

/// Notices of one kind that are shown.
const MOST_NOTICES: usize = 20;

/// Where an index is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Place {
    /// In this file.
    File(PathBuf),
    /// Nowhere: made for this once.
    Memory,
}

/// What may change from record to record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Focal length of each lens profile, px.
    Lens,
    /// Where each tag sits on its wheel plate, mm.
    Plates,
    /// Height of each floor sheet against the plane through all, mm.
    Floor,
    /// Where each tag sits on its stand, mm.
    Stand,
}

impl Kind {
    /// All of them.
    pub const ALL: [Kind; 4] = [Kind::Lens, Kind::Plates, Kind::Floor, Kind::Stand];

    /// Its word.
    pub fn word(self) -> &'static str {
        match self {
            Kind::Lens => "lens",
            Kind::Plates => "plates",
            Kind::Floor => "floor",
            Kind::Stand => "stand",
        }
    }

    /// Unit of its values.
    pub fn unit(self) -> &'static str {
        match self {
            Kind::Lens => "px",
            Kind::Plates | Kind::Floor | Kind::Stand => "mm",
        }
    }
}

/// One value that may change.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct SeriesValue {
    name: String,
    part: String,
    value: f64,
    u: f64,
}

/// What is looked for; `None` is not asked. Texts are looked for in any place, small and capital letters alike.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Query {
    /// A part of the car's identification number.
    pub vin: Option<String>,
    /// First day, month or year: `2026-03-01`, `2026-03`, `2026`.
    pub since: Option<String>,
    /// Last day, month or year.
    pub until: Option<String>,
    /// A part of the placement's title.
    pub placement: Option<String>,
    /// The verdict.
    pub verdict: Option<Verdict>,
    /// A part of the name of who kept it.
    pub by: Option<String>,
    /// Anywhere in what was typed in.
    pub text: Option<String>,
    /// Revisions that were corrected too.
    pub all: bool,
    /// Only records that are damaged or gone.
    pub damaged: bool,
    /// At most so many.
    pub limit: usize,
}

impl Default for Query {
    fn default() -> Self {
        Self {
            vin: None,
            since: None,
            until: None,
            placement: None,
            verdict: None,
            by: None,
            text: None,
            all: false,
            damaged: false,
            limit: usize::MAX,
        }
    }
}

/// One record that was found.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Hit {
    /// Its folder below the root, `/` between the parts.
    pub folder: String,
    /// The day it was made, local time.
    pub day: String,
    /// `sound`, `damaged` or `gone`.
    pub state: &'static str,
    /// What is wrong with it.
    pub damage: Option<String>,
    /// True where a later revision corrects it.
    pub corrected_later: bool,
    /// The newest sound revision of it, where that is another record: its folder below the root.
    pub corrected_by: Option<String>,
    /// A correction of it that is damaged or gone, so that nobody knows whether this record stands; its folder below the root. Never where a sound one stands for it.
    pub doubted_by: Option<String>,
    /// Its `record.json`; `null` where that cannot be read.
    pub record: Option<RecordFile>,
}

impl Hit {
    /// True where nobody knows whether it says what was recorded, or whether it stands.
    pub fn doubted(&self) -> bool {
        self.state != "sound" || self.doubted_by.is_some()
    }
}

/// What was found.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    /// Newest first; at most as many as were asked for.
    pub hits: Vec<Hit>,
    /// How many there are.
    pub total: usize,
}

/// What a refresh did.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Refreshed {
    /// Records that are there.
    pub there: usize,
    /// Of them read, because they are new or changed.
    pub read: usize,
    /// Records that were there before and are gone.
    pub gone: usize,
}

/// An index that is as the records are.
pub struct Index {
    store: Store,
    root: PathBuf,
    /// Where it is kept.
    pub place: Place,
    /// What the refresh did.
    pub refreshed: Refreshed,
    /// What should be known: an index made anew or done without, folders that cannot be read, corrections that do not fit.
    pub notices: Vec<Notice>,
}

impl Index {
    /// Opens the index of a folder of records and brings it up to date. It is kept in the folder itself, else among the user's cache files, else nowhere.
    ///
    /// # Errors
    /// The folder cannot be read. What is wrong with an index is never an error.
    pub fn open(root: &Path, rebuild: bool) -> Result<Self, Problem> {
        let folders = Folders::below(root)?;
        let mut notices = Vec::new();
        let mut places = vec![Place::File(root.join(INDEX_FILE))];
        places.extend(cache_file(root).map(Place::File));
        // A folder that never held a record is left as it is.
        if folders.records.is_empty() {
            places.retain(|place| matches!(place, Place::File(path) if path.exists()));
        }
        for place in places {
            match Self::at(root, &folders, place.clone(), rebuild, &mut notices) {
                Ok(index) => return Ok(index.with(notices, folders)),
                Err(fault) => notices.push(passed_by(&place, &fault)),
            }
        }
        match Self::at(root, &folders, Place::Memory, true, &mut notices) {
            Ok(index) => Ok(index.with(notices, folders)),
            Err(fault) => Err(Problem::of_file(
                root.display().to_string(),
                format!("its records cannot be indexed, not even in memory ({})", words(&fault)),
                "Free some memory and try again.",
            )),
        }
    }

    fn at(
        root: &Path,
        folders: &Folders,
        place: Place,
        rebuild: bool,
        notices: &mut Vec<Notice>,
    ) -> Result<Self, Fault> {
        let filled = |rebuild: bool| -> Result<Self, Fault> {
            let (mut store, _) = Store::open(&place, rebuild)?;
            let refreshed = refresh(&mut store, root, folders)?;
            // Whatever is broken in it shows here and not in the middle of a search.
            store.search(&Query { limit: 1, ..Query::default() })?;
            Ok(Self { store, root: root.to_owned(), place: place.clone(), refreshed, notices: Vec::new() })
        };
        match (filled(rebuild), &place) {
            (Err(Fault::Broken(why)), Place::File(path)) if store::may_replace(path) => {
                let mut journal = path.clone().into_os_string();
                journal.push("-journal");
                let _ = std::fs::remove_file(journal);
                std::fs::remove_file(path).map_err(|e| Fault::NoAccess(e.to_string()))?;
                notices.push(Notice {
                    about: path.display().to_string(),
                    text: format!("The index was broken ({why}) and was made anew from the records."),
                });
                filled(true)
            }
            (done, _) => done,
        }
    }

    fn with(mut self, mut notices: Vec<Notice>, folders: Folders) -> Self {
        // An index in memory or elsewhere is worth a word only together with why.
        notices.extend(folders.unreadable.into_iter().map(|(about, why)| Notice {
            about,
            text: format!("This folder cannot be read ({why}): records in it are not found, and not called gone."),
        }));
        let odd = self.store.odd_corrections().unwrap_or_default();
        let left = odd.len().saturating_sub(MOST_NOTICES);
        notices.extend(odd.into_iter().take(MOST_NOTICES).map(|(about, text)| Notice { about, text }));
        if left > 0 {
            notices
                .push(Notice { about: "corrections".into(), text: format!("{left} more do not fit their records.") });
        }
        self.notices = notices;
        self
    }

    /// Records that match, newest first. The newest revision stands for its record; one whose correction is damaged or gone is found again, and says so.
    ///
    /// # Errors
    /// The index broke since it was opened.
    pub fn search(&self, query: &Query) -> Result<Found, Problem> {
        let (matches, total) = self.store.search(query).map_err(|fault| self.broke(&fault))?;
        let hits = matches.into_iter().map(|m| Hit {
            state: match (m.vanished, &m.damage) {
                (true, _) => "gone",
                (false, Some(_)) => "damaged",
                (false, None) => "sound",
            },
            folder: m.folder,
            day: m.day,
            damage: m.damage,
            corrected_later: m.replaced_by.is_some(),
            corrected_by: m.replaced_by,
            doubted_by: m.doubted_by,
            record: m.record,
        });
        Ok(Found { hits: hits.collect(), total })
    }

    /// How something changed from record to record, over all sound records that match, each measurement once.
    ///
    /// # Errors
    /// The index broke since it was opened.
    pub fn trends(&self, kind: Kind, query: &Query) -> Result<Trends, Problem> {
        let rows = self.store.series(kind, query).map_err(|fault| self.broke(&fault))?;
        Ok(trends::of_series(kind, rows))
    }

    /// Where a record that was found is.
    pub fn path_of(&self, hit: &Hit) -> PathBuf {
        hit.folder.split('/').fold(self.root.clone(), |path, part| path.join(part))
    }

    /// The one record whose folder below the root is `name`, else whose folder's own name is it, else one of which begins with it.
    ///
    /// # Errors
    /// There is none, it is gone, or there are several.
    pub fn record_named(&self, name: &str) -> Result<Hit, Problem> {
        let all = self.search(&Query { all: true, ..Query::default() })?.hits;
        let name = name.trim_end_matches('/');
        let last = |hit: &Hit| hit.folder.rsplit('/').next().unwrap_or_default().to_owned();
        let fits: [&dyn Fn(&Hit) -> bool; 3] =
            [&|h| h.folder == name, &|h| last(h) == name, &|h| h.folder.starts_with(name) || last(h).starts_with(name)];
        let like: Vec<&Hit> = fits
            .iter()
            .map(|fits| all.iter().filter(|h| fits(h)).collect::<Vec<_>>())
            .find(|like| !like.is_empty())
            .unwrap_or_default();
        let of_file = |what: String, remedy: &str| Err(Problem::of_file(self.root.display().to_string(), what, remedy));
        match like.as_slice() {
            [one] if one.state == "gone" => of_file(
                format!("the record {} was there and is gone", one.folder),
                "Look for it in a copy of the records.",
            ),
            [one] => Ok((*one).clone()),
            [] => of_file(
                format!("there is no record \"{name}\" in it"),
                "Search for it: `plumbsight records ROOT --text WORD`.",
            ),
            several => {
                let some: Vec<&str> = several.iter().take(3).map(|h| h.folder.as_str()).collect();
                let more = if several.len() > some.len() { ", ..." } else { "" };
                of_file(
                    format!("{} records are called or begin with \"{name}\": {}{more}", several.len(), some.join(", ")),
                    "Write more of the name, or its whole folder below the root.",
                )
            }
        }
    }

    fn broke(&self, fault: &Fault) -> Problem {
        Problem::of_file(
            match &self.place {
                Place::File(path) => path.display().to_string(),
                Place::Memory => "the index".into(),
            },
            format!("the index cannot be used ({})", words(fault)),
            "Ask again; --rebuild makes it anew. The records themselves are not touched by it.",
        )
    }
}

/// What is said of a record whose correction in this folder is damaged or gone; without its full stop.
pub fn doubted(by: &str) -> String {
    format!(
        "A CORRECTION OF IT CANNOT BE RELIED ON: {by}, which is or may be one, is damaged or gone; until that is cleared up, do not rely on this record either"
    )
}

fn words(fault: &Fault) -> String {
    match fault {
        Fault::NoAccess(why) | Fault::Broken(why) => why.clone(),
        Fault::Locked => "another program holds it".into(),
        Fault::Foreign => "it is a database of another program".into(),
    }
}

fn passed_by(place: &Place, fault: &Fault) -> Notice {
    let about = match place {
        Place::File(path) => path.display().to_string(),
        Place::Memory => "memory".into(),
    };
    Notice { about, text: format!("The index cannot be kept there ({}).", words(fault)) }
}

/// The index among the user's cache files, for folders in which nothing can be written; one for each folder.
fn cache_file(root: &Path) -> Option<PathBuf> {
    let set =
        |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from).filter(|p| p.is_absolute());
    let cache = set("XDG_CACHE_HOME")
        .or_else(|| set("LOCALAPPDATA"))
        .or_else(|| set("HOME").map(|home| home.join(".cache")))?
        .join("plumbsight");
    std::fs::create_dir_all(&cache).ok()?;
    let whole = root.canonicalize().ok()?;
    let name = sha256_hex(whole.as_os_str().as_encoded_bytes());
    Some(cache.join(format!("records-{}.sqlite", &name[..16])))
}

/// The records below a root, as the file system shows them.
struct Folders {
    /// Folder below the root, and stamp.
    records: Vec<(String, String)>,
    /// Folders that cannot be read, with why.
    unreadable: Vec<(String, String)>,
}

impl Folders {
    fn below(root: &Path) -> Result<Self, Problem> {
        if root.join(RECORD_FILE).is_file() {
            return Err(Problem::of_file(
                root.display().to_string(),
                "this is one record",
                "Name the folder in which all records are; `plumbsight recheck` looks at one.",
            ));
        }
        let mut out = Self { records: Vec::new(), unreadable: Vec::new() };
        let mut open = subfolders(root, "").map_err(|e| {
            Problem::of_file(
                root.display().to_string(),
                format!("it cannot be read ({e})"),
                "Name the folder in which all records are, the one of `record --into`; a share must be connected.",
            )
        })?;
        for _ in 0..DEEPEST_FOLDERS {
            let looked: Vec<_> = open.par_iter().map(|folder| (folder, read::stamp(&root.join(folder)))).collect();
            let mut next = Vec::new();
            for (folder, stamp) in looked {
                match stamp {
                    Err(e) => out.unreadable.push((folder.clone(), e.to_string())),
                    Ok(Some(stamp)) => out.records.push((folder.clone(), stamp)),
                    Ok(None) => match subfolders(&root.join(folder), folder) {
                        Ok(below) => next.extend(below),
                        Err(e) => out.unreadable.push((folder.clone(), e.to_string())),
                    },
                }
            }
            open = next;
        }
        out.records.sort();
        Ok(out)
    }
}

/// Folders in `path`, named after `prefix`; hidden ones (records that are being written) and links are passed over.
fn subfolders(path: &Path, prefix: &str) -> std::io::Result<Vec<String>> {
    let mut out = Vec::new();
    for entry in std::fs::read_dir(path)? {
        let entry = entry?;
        // A name that is no text cannot be given on a command line either.
        let Ok(name) = entry.file_name().into_string() else { continue };
        if entry.file_type()?.is_dir() && !name.starts_with('.') {
            out.push(if prefix.is_empty() { name } else { format!("{prefix}/{name}") });
        }
    }
    Ok(out)
}

/// Reads what is new or changed, and notes what is gone. All or nothing.
fn refresh(store: &mut Store, root: &Path, folders: &Folders) -> Result<Refreshed, Fault> {
    let known = store.known()?;
    let changed: Vec<&(String, String)> =
        folders.records.iter().filter(|(f, stamp)| known.get(f).is_none_or(|(k, gone)| k != stamp || *gone)).collect();
    let there: std::collections::HashSet<&str> = folders.records.iter().map(|(f, _)| f.as_str()).collect();
    // What lies below a folder that cannot be read now may well be there.
    let hidden =
        |folder: &str| folders.unreadable.iter().any(|(f, _)| folder == f || folder.starts_with(&format!("{f}/")));
    let gone: Vec<&String> = known
        .iter()
        .filter(|(folder, (_, gone))| !*gone && !there.contains(folder.as_str()) && !hidden(folder))
        .map(|(folder, _)| folder)
        .collect();
    let already_gone = known.iter().filter(|(f, (_, gone))| *gone && !there.contains(f.as_str())).count();
    let out = Refreshed { there: folders.records.len(), read: changed.len(), gone: gone.len() + already_gone };
    if changed.is_empty() && gone.is_empty() {
        return Ok(out);
    }
    let writing = store.begin()?;
    for piece in changed.chunks(PIECE) {
        let rows: Vec<Row> = piece
            .par_iter()
            .map(|(folder, stamp)| read::read(&root.join(folder), folder.clone(), stamp.clone()))
            .collect();
        for row in &rows {
            store::put(&writing, row)?;
        }
    }
    for folder in gone {
        store::set_vanished(&writing, folder, true)?;
    }
    store::link(&writing)?;
    writing.commit().map_err(Fault::from)?;
    Ok(out)
}
