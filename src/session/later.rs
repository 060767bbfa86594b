//! Corrections of a record: one that is about to be kept, and those that lie beside a record. A correction is kept beside what it corrects.

use crate::capture::read_file;
use crate::limits::LARGEST_WRITTEN_BYTES;
use crate::record::keep::manifest::{MANIFEST, read_manifest, sha256_hex, sha256_of, verify};
use crate::record::keep::sign::ShopKey;
use crate::record::keep::{
    CorrectsPart, JOB_FOLDER, RECORD_FILE, RecordFile, corrected_for_another_car, of_another_car, read_record,
    record_of,
};
use crate::record::{Job, Problem};
use crate::session::keep::signature_of;
use rayon::prelude::*;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Records beside one that are looked at for a correction of it, those with the latest names first: some years of a shop, and less than a second.
pub const MOST_BESIDE: usize = 10_000;

/// The record that a job is to correct.
pub(super) struct Before {
    folder: PathBuf,
    /// The folder's own name.
    name: String,
    /// What it says.
    pub record: RecordFile,
    /// Its manifest's sum.
    manifest_sha256: String,
    /// Its files with their sums.
    sums: BTreeMap<String, String>,
}

impl Before {
    /// Reads it. A damaged record cannot be corrected: what it said is no longer known.
    pub fn read(record: &Path, root: &Path) -> Result<Self, Problem> {
        let shown = record.display().to_string();
        if let Some(damage) = verify(record)?.first() {
            return Err(Problem::of_file(
                shown,
                format!("it cannot be corrected, because {} {}", damage.file, damage.what.words()),
                "Find an undamaged copy of it, or keep the job as a record of its own.",
            ));
        }
        let same_root = matches!(
            (record.canonicalize().ok().and_then(|p| p.parent().map(Path::to_owned)), root.canonicalize()),
            (Some(parent), Ok(root)) if parent == root
        );
        if !same_root {
            return Err(Problem::of_file(
                shown,
                "a correction belongs beside the record that it corrects",
                "Name that record's own folder with --into.",
            ));
        }
        let manifest = read_file(&record.join(MANIFEST), LARGEST_WRITTEN_BYTES)
            .map_err(|e| Problem::of_file(&shown, format!("its manifest: {e}"), "Check the folder."))?;
        let name = record.canonicalize().ok().and_then(|p| p.file_name().map(|n| n.to_string_lossy().into_owned()));
        Ok(Self {
            folder: record.to_owned(),
            name: name.unwrap_or(shown),
            record: read_record(record)?,
            manifest_sha256: sha256_hex(&manifest),
            sums: read_manifest(&manifest).unwrap_or_default(),
        })
    }

    /// Refuses a job that has nothing to do with it: from then on that job would stand in the lists in its place.
    pub fn must_be_of(&self, job: &Job) -> Result<(), Problem> {
        if self.shares_a_photograph(job) || self.is_of_the_same_car(job) && self.asks_the_same(job) {
            return Ok(());
        }
        let car = |vin: Option<&str>, name: Option<&str>, title: Option<&str>| match (vin, name.or(title)) {
            (Some(vin), _) => format!("VIN {vin}"),
            (None, Some(name)) => format!("\"{name}\""),
            (None, None) => "a car without a name".to_owned(),
        };
        let old = &self.record;
        let its = car(old.vin.as_deref(), old.vehicle.as_deref(), old.title.as_deref());
        let here = car(job.vin.as_deref(), job.vehicle.name.as_deref(), job.title.as_deref());
        Err(Problem::of_file(
            self.folder.display().to_string(),
            format!(
                "it is a record of another job ({its}, {}, from {}; here {here}, {}, from {}), and none of this job's photographs is in it",
                quoted(&old.placement.title),
                quoted(&old.placement.source),
                quoted(&job.placement.title),
                quoted(&job.placement.source)
            ),
            "Nothing was kept. Correct the record that was made of this job, or keep the job as a record of its own, which corrects none.",
        ))
    }

    fn shares_a_photograph(&self, job: &Job) -> bool {
        let inside = format!("{JOB_FOLDER}/");
        let known: Vec<&String> = self.sums.iter().filter(|(f, _)| f.starts_with(&inside)).map(|(_, s)| s).collect();
        job.photos.iter().any(|photo| sha256_of(&photo.path).is_ok_and(|sum| known.contains(&&sum)))
    }

    fn is_of_the_same_car(&self, job: &Job) -> bool {
        let old = &self.record;
        let same = |a: &Option<String>, b: &Option<String>| match (a, b) {
            (Some(a), Some(b)) => Some(a.trim().eq_ignore_ascii_case(b.trim())),
            _ => None,
        };
        // The best that both say decides: the number, the job's own id, the name.
        same(&old.vin, &job.vin)
            .or(same(&old.vehicle_id, &job.vehicle.id))
            .or(same(&old.vehicle, &job.vehicle.name))
            .unwrap_or(false)
    }

    fn asks_the_same(&self, job: &Job) -> bool {
        let (old, new) = (&self.record.placement, &job.placement);
        old.title.trim() == new.title.trim() && old.source.trim() == new.source.trim()
    }

    /// What should be known before anybody relies on the correction, in sentences.
    pub fn noticed(&self, job: &Job, key: Option<&ShopKey>) -> Result<Vec<String>, Problem> {
        let mut out = Vec::new();
        out.extend(of_another_car(job.vin.as_deref(), &self.name, self.record.vin.as_deref()));
        let beside = Beside::of(&self.folder, &self.manifest_sha256);
        if let Some((newer, newest)) = beside.as_ref().ok().and_then(Beside::newest) {
            let stands = match newer.revision > self.record.revision + 1 {
                true => {
                    "which is a later revision and stands for it as before: this record does not. Correct that one."
                }
                false => {
                    "so that there is no one newest revision now: neither stands alone. Where it was that one that you meant to correct, keep the job once more and name it."
                }
            };
            out.push(format!("{} was corrected before, by {}, {stands}", self.name, newest.name()));
        }
        let signer = signature_of(&self.folder, None)?.1;
        let own = key.map(|key| key.public_pem()).transpose()?.map(|text| sha256_hex(text.trim().as_bytes()));
        if signer.is_some() && signer != own {
            let how = if own.is_none() { "not signed" } else { "signed with another key" };
            out.push(format!(
                "{} is signed, and this record, which stands for it, is {how}: whoever looks at either is told to ask who made it. With the shop's key (--key) it would be signed.",
                self.name
            ));
        }
        Ok(out)
    }

    /// What the correction says of it.
    pub fn corrected(self, reason: &str) -> CorrectsPart {
        CorrectsPart {
            record: self.name,
            manifest_sha256: self.manifest_sha256,
            reason: reason.into(),
            earlier: self.record.corrects.map(|c| c.sums().cloned().collect()).unwrap_or_default(),
        }
    }
}

fn quoted(title: &str) -> String {
    if title.is_empty() { "a placement without one".into() } else { format!("\"{title}\"") }
}

/// What is to be said of a correction of a record of another car, as far as that very record lies beside it.
pub fn corrects_another_car(folder: &Path, record: &RecordFile) -> Option<String> {
    let corrects = record.corrects.as_ref()?;
    let name = Path::new(&corrects.record);
    // What a record says of others leads nowhere else.
    if name.file_name() != Some(name.as_os_str()) {
        return None;
    }
    let before = folder.canonicalize().ok()?.with_file_name(name);
    let manifest = read_file(&before.join(MANIFEST), LARGEST_WRITTEN_BYTES).ok()?;
    if sha256_hex(&manifest) != corrects.manifest_sha256 {
        return None;
    }
    let its_vin = read_record(&before).ok()?.vin;
    of_another_car(record.vin.as_deref(), &corrects.record, its_vin.as_deref())
}

/// A record beside another one that names its manifest.
struct Correction {
    folder: PathBuf,
    /// `None` where it is not as it was recorded.
    record: Option<RecordFile>,
    /// Of its own manifest.
    manifest_sha256: String,
}

impl Correction {
    fn name(&self) -> String {
        self.folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
    }
}

/// The corrections that lie beside a record.
struct Beside {
    found: Vec<Correction>,
    /// So many records were not looked at.
    left: usize,
}

impl Beside {
    /// Looks at the records beside `folder`; an error where their folder cannot be read.
    fn of(folder: &Path, manifest_sha256: &str) -> std::io::Result<Self> {
        let folder = folder.canonicalize()?;
        let Some(parent) = folder.parent() else { return Ok(Self { found: Vec::new(), left: 0 }) };
        let entries = std::fs::read_dir(parent)?;
        let mut others: Vec<PathBuf> = entries.flatten().map(|e| e.path()).filter(|p| *p != folder).collect();
        others.sort_by(|a, b| b.cmp(a));
        let left = others.len().saturating_sub(MOST_BESIDE);
        others.truncate(MOST_BESIDE);
        let found = others.into_par_iter().filter_map(|other| correction(other, manifest_sha256)).collect();
        Ok(Self { found, left })
    }

    /// Those that are as they were recorded.
    fn sound(&self) -> impl Iterator<Item = (&RecordFile, &Correction)> {
        self.found.iter().filter_map(|c| Some((c.record.as_ref()?, c)))
    }

    /// The newest of them.
    fn newest(&self) -> Option<(&RecordFile, &Correction)> {
        self.sound().max_by(|a, b| (a.0.revision, &a.0.made_utc).cmp(&(b.0.revision, &b.0.made_utc)))
    }

    /// Names of those of the newest revision that no other of them corrects: of more than one nobody knows which stands.
    fn last(&self) -> Vec<String> {
        let newest = self.sound().map(|(record, _)| record.revision).max();
        let corrected = |c: &Correction| self.sound().any(|(other, _)| names(other, &c.manifest_sha256));
        self.sound().filter(|(r, c)| Some(r.revision) == newest && !corrected(c)).map(|(_, c)| c.name()).collect()
    }
}

/// What the records beside one say of it, in sentences: that they correct it, or that one which does cannot be relied on. Empty where none does.
pub fn said_beside(folder: &Path, record: Option<&RecordFile>) -> Vec<String> {
    let Ok(manifest) = read_file(&folder.join(MANIFEST), LARGEST_WRITTEN_BYTES) else { return Vec::new() };
    let Ok(beside) = Beside::of(folder, &sha256_hex(&manifest)) else {
        return vec!["The folder around this record cannot be read: a later correction of it may lie there.".into()];
    };
    let mut out = Vec::new();
    match beside.newest() {
        Some((newer, newest)) => {
            let signer = |folder: &Path| signature_of(folder, None).ok().and_then(|(_, signer)| signer);
            let own = signer(folder);
            let doubt = match signer(&newest.folder) {
                by if own.is_none() || by == own => "",
                None => " It is not signed, and this one is: ask who made it.",
                Some(_) => " It is signed with another key than this one: ask who made it.",
            };
            let reason = newer.corrects.as_ref().map(|c| c.reason.trim_end_matches('.')).unwrap_or_default();
            out.push(match beside.last().as_slice() {
                last @ [_, _, ..] => format!(
                    "CORRECTED LATER {} times over, so that there is no one newest revision: compare {} before you rely on either. The verdict of this record no longer counts.{doubt}",
                    last.len(),
                    last.join(" and ")
                ),
                _ => format!(
                    "CORRECTED LATER by {} ({reason}): that record stands for this one, whose verdict no longer counts.{doubt}",
                    newest.name()
                ),
            });
            let vin = record.and_then(|r| r.vin.as_deref());
            out.extend(corrected_for_another_car(vin, newer.vin.as_deref()));
        }
        None => out.extend(beside.found.first().map(|c| {
            format!(
                "A CORRECTION OF THIS RECORD, {}, is not as it was recorded: do not rely on either before that is cleared up.",
                c.name()
            )
        })),
    }
    if beside.left > 0 {
        out.push(format!(
            "Only {MOST_BESIDE} records beside this one were looked at for a correction of it; {} were not (`plumbsight records` looks at all).",
            beside.left
        ));
    }
    out
}

/// The record in a folder, where it names that manifest among those before it.
fn correction(folder: PathBuf, manifest_sha256: &str) -> Option<Correction> {
    let bytes = read_file(&folder.join(RECORD_FILE), LARGEST_WRITTEN_BYTES).ok()?;
    // Most name none: they are not taken apart.
    if !bytes.windows(manifest_sha256.len()).any(|w| w == manifest_sha256.as_bytes()) {
        return None;
    }
    let manifest = read_file(&folder.join(MANIFEST), LARGEST_WRITTEN_BYTES).unwrap_or_default();
    let vouched = read_manifest(&manifest).is_some_and(|sums| sums.get(RECORD_FILE) == Some(&sha256_hex(&bytes)));
    let record = record_of(&bytes, RECORD_FILE).ok();
    match record {
        // The sum may stand in it for another reason, in its note, say.
        Some(record) if !names(&record, manifest_sha256) => None,
        record => {
            Some(Correction { folder, record: record.filter(|_| vouched), manifest_sha256: sha256_hex(&manifest) })
        }
    }
}

fn names(record: &RecordFile, manifest_sha256: &str) -> bool {
    record.corrects.as_ref().is_some_and(|corrects| corrects.sums().any(|sum| sum == manifest_sha256))
}
