//! What a record holds, gathered for a report: files against the manifest first, then what can be read.

use crate::capture::preview::preview;
use crate::capture::read_file;
use crate::capture::source::Frame;
use crate::limits::{LARGEST_REPORTED_BYTES, LARGEST_WRITTEN_BYTES};
use crate::paper::Moment;
use crate::record::keep::manifest::{Damage, MANIFEST, sha256_hex};
use crate::record::keep::{JOB_FOLDER, RESULT_FILE, RecordFile, SURVEY_FILE};
use crate::record::result::Verdict;
use crate::record::{
    HOLD_LOG, HoldRead, OUTCOME_FILE, OutcomePart, Problem, Purpose, READINESS_FILE, ResultFile, folder_of,
    photo_marks, read_hold_log, read_job, read_outcome, read_result, result_path,
};
use crate::report::page_parts::meaning;
use crate::session::hold::said;
use crate::session::keep::{SignatureState, recheck};
use crate::session::{Failure, SeenTag, seen_tags};
use crate::verdict::words::capital;
use rayon::prelude::*;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

/// What the report is made from.
#[derive(Clone, Debug)]
pub enum Kept {
    /// A record with its manifest.
    Record {
        /// SHA-256 of the manifest.
        manifest_sha256: String,
        /// Files that are not as they were recorded.
        damage: Vec<Damage>,
        /// What `record.json` says otherwise than the result beside it.
        contradictions: Vec<String>,
        /// The signature.
        signature: SignatureState,
    },
    /// A job folder that was checked: its files can still change, and nothing guards them.
    Job,
}

/// Everything that a report says, and where the photographs are.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// Name of the folder.
    pub name: String,
    /// What the report is made from.
    pub kept: Kept,
    /// `record.json`; `None` for a job, and where it cannot be read.
    pub record: Option<RecordFile>,
    /// `result.json`, or why it cannot be read.
    pub result: Result<ResultFile, String>,
    /// What records beside it say: that they correct it, in sentences; empty until [`Evidence::with_later`] looked, and where none does.
    pub later: Vec<String>,
    /// The log of the hold watch, where there is one.
    pub hold: Option<HoldRead>,
    /// Marks of the photographs, by which it is known which alarms speak against them; empty where there are no alarms.
    pub marks: Vec<String>,
    /// What came after the measurement, where that was typed in.
    pub outcome: Option<OutcomePart>,
    /// The tags in the photographs, as the survey saw them.
    pub tags: Vec<SeenTag>,
    /// When the record was made; for a job, when its result was written. Universal time.
    pub made: Moment,
    /// The folder that holds the photographs.
    pub job_folder: PathBuf,
}

impl Evidence {
    /// Files that are not as they were recorded.
    pub fn damage(&self) -> &[Damage] {
        match &self.kept {
            Kept::Record { damage, .. } => damage,
            Kept::Job => &[],
        }
    }

    /// The signature; `None` for a job, which has none.
    pub fn signature(&self) -> Option<SignatureState> {
        match &self.kept {
            Kept::Record { signature, .. } => Some(*signature),
            Kept::Job => None,
        }
    }

    /// What speaks against the record itself, most serious first, in sentences: damaged files, contradictions, a bad signature. Empty where it is as it was recorded.
    pub fn against(&self) -> Vec<String> {
        let Kept::Record { damage, contradictions, signature, .. } = &self.kept else { return Vec::new() };
        let mut out = Vec::new();
        if !damage.is_empty() {
            let named: Vec<String> = damage.iter().map(|d| format!("{} {}", d.file, d.what.words())).collect();
            out.push(format!("THIS RECORD IS DAMAGED. Do not rely on anything in this report: {}.", named.join("; ")));
        }
        out.extend(contradictions.iter().map(|c| format!("THIS RECORD CONTRADICTS ITSELF. {}.", capital(c))));
        out.extend(signature.against().map(|words| format!("{words}. Do not rely on anything in this report.")));
        out
    }

    /// The verdict in words, as far as the record may be believed and the hold watch lets it stand.
    pub fn said(&self, verdict: Verdict) -> String {
        verdict.as_kept(!self.against().is_empty(), self.moved())
    }

    /// The state whose mark and colour stand beside those words: none where records beside this one speak against relying on it either.
    pub fn mark(&self, verdict: Verdict) -> Verdict {
        verdict.mark_as_kept(!self.against().is_empty() || !self.later.is_empty(), self.moved())
    }

    /// What that means, in a sentence.
    pub fn meaning(&self, verdict: Verdict) -> &'static str {
        if !self.against().is_empty() {
            "What lies here is not as it was recorded, or contradicts itself: what it says of the target is not to be relied on. What is wrong stands below."
        } else if !self.later.is_empty() && matches!(self.kept, Kept::Job) {
            "This is what an earlier check found. The job may have changed since: what speaks for that stands below."
        } else if !self.later.is_empty() {
            "This is what was recorded then. What lies beside this record speaks against relying on it: what that is stands below."
        } else if verdict == Verdict::In && self.moved() {
            "The target stood where the procedure asks when it was measured. Something moved afterwards, or may have moved: that it still stands there is not proven."
        } else {
            meaning(verdict)
        }
    }

    /// Whether something moved after the measurement, or may have.
    fn moved(&self) -> bool {
        self.hold_alarms() > 0 || self.hold.as_ref().is_some_and(|log| log.doubt().is_some())
    }

    /// Alarms of the hold watch that speak against its photographs, as `check` counts them.
    pub fn hold_alarms(&self) -> usize {
        let kept = self.record.as_ref().and_then(|r| r.hold_alarms).unwrap_or(0);
        self.hold.as_ref().map_or(0, |log| said(log, &self.marks).in_all()).max(kept)
    }
}

/// Reads a record, or a job folder that was checked.
///
/// # Errors
/// The folder is neither, or a job without a result.
pub fn read_evidence(folder: &Path) -> Result<Evidence, Failure> {
    let name = folder.canonicalize().ok().and_then(|p| p.file_name().map(|n| n.to_string_lossy().into_owned()));
    let name = name.unwrap_or_else(|| folder.display().to_string());
    if folder.join(MANIFEST).exists() { of_record(folder, name) } else { of_job(folder, name) }
}

/// Marks of a job's photographs, where there are alarms that they could answer; empty where there are none, and where the job cannot be read any more: then the log alone is asked.
fn marks(job: &Path, hold: Option<&HoldRead>) -> Vec<String> {
    if !hold.is_some_and(|log| log.entries.iter().any(|e| e.alarm)) {
        return Vec::new();
    }
    read_job(job, Purpose::Verdict).map(|job| photo_marks(&job)).unwrap_or_default()
}

fn of_record(folder: &Path, name: String) -> Result<Evidence, Failure> {
    let seen = recheck(folder, None, true, &|_| {})?;
    let manifest = read_file(&folder.join(MANIFEST), LARGEST_WRITTEN_BYTES).unwrap_or_default();
    let job_folder = folder.join(JOB_FOLDER);
    let hold = read_hold_log(&job_folder);
    let made = seen.record.as_ref().and_then(|r| r.made_utc.parse().ok().map(moment));
    Ok(Evidence {
        name,
        made: made.unwrap_or_else(|| written_at(&folder.join(MANIFEST))),
        kept: Kept::Record {
            manifest_sha256: sha256_hex(&manifest),
            damage: seen.damage,
            contradictions: seen.contradictions,
            signature: seen.signature,
        },
        outcome: seen.record.as_ref().and_then(|r| r.outcome.clone()),
        record: seen.record,
        result: read_result(&folder.join(RESULT_FILE)).map_err(|p| p.to_string()),
        later: Vec::new(),
        marks: marks(&job_folder, hold.as_ref()),
        hold,
        // A measurement that failed keeps no survey; its photographs are then shown as they are.
        tags: seen_tags(&folder.join(SURVEY_FILE)).unwrap_or_default(),
        job_folder,
    })
}

fn of_job(job: &Path, name: String) -> Result<Evidence, Failure> {
    let path = result_path(job);
    let of_its_own = job.is_file();
    if !path.exists() || of_its_own && job.extension().is_none_or(|e| e != "toml") {
        let (what, remedy) = match of_its_own {
            true => (
                format!(
                    "there is no {} beside it, so that there is nothing to report",
                    path.file_name().unwrap_or_default().display()
                ),
                format!("Name the folder of a record, or a job after `plumbsight check {}`.", job.display()),
            ),
            false if holds_records(job) => (
                "it is a folder of records, not one of them".to_owned(),
                format!("Name one of those in it, or several: {}/*.", job.display()),
            ),
            false => (
                format!("it holds neither {MANIFEST} nor {RESULT_FILE}, so that there is nothing to report"),
                "Name the folder of a record, or a job folder after `plumbsight check`.".to_owned(),
            ),
        };
        return Err(Problem::of_file(job.display().to_string(), what, remedy).into());
    }
    // Beside a job file of its own name there may be others: each has a report of its own.
    let folder = if of_its_own { folder_of(job) } else { job };
    let hold = read_hold_log(folder);
    let result = read_result(&path)?;
    Ok(Evidence {
        name: name.trim_end_matches(".toml").to_owned(),
        made: written_at(&path),
        kept: Kept::Job,
        record: None,
        later: changed_since(job, &path, &result).into_iter().collect(),
        result: Ok(result),
        marks: marks(job, hold.as_ref()),
        hold,
        outcome: read_outcome(folder)?,
        tags: Vec::new(),
        job_folder: folder.to_owned(),
    })
}

/// What was changed in a job after its result was written, so that this may not speak of it as it is now.
fn changed_since(job: &Path, path: &Path, result: &ResultFile) -> Option<String> {
    let changed = |file: &Path| std::fs::metadata(file).and_then(|data| data.modified()).ok();
    let written = changed(path)?;
    let of = |what: String| {
        format!(
            "OLD RESULT: {what}, so that this may not be what is in the job now. Check it again (`plumbsight check {}`).",
            job.display()
        )
    };
    let Ok(now) = read_job(job, Purpose::Verdict) else {
        return Some(of("the job cannot be read as it is now".into()));
    };
    let photographs = |names: &mut dyn Iterator<Item = &String>| names.cloned().collect::<BTreeSet<_>>();
    let measured = photographs(&mut result.photographs.iter().map(|p| &p.name));
    if measured != photographs(&mut now.photos.iter().map(|p| &p.name)) {
        return Some(of("the job has other photographs than those that were measured".into()));
    }
    // Answers to the list, the outcome and the log of the hold watch change no number.
    let beside = [READINESS_FILE, OUTCOME_FILE, HOLD_LOG];
    let inputs = now.inputs.iter().filter(|name| !beside.contains(&name.as_str())).map(|name| now.folder.join(name));
    let mut all = inputs.chain([now.file.clone()]).chain(now.photos.iter().map(|photo| photo.path.clone()));
    let newer = all.find(|file| changed(file).is_some_and(|at| at > written))?;
    Some(of(format!("{} is newer than it", newer.strip_prefix(&now.folder).unwrap_or(&newer).display())))
}

/// True where a folder in it is a record.
fn holds_records(folder: &Path) -> bool {
    std::fs::read_dir(folder).into_iter().flatten().flatten().any(|entry| entry.path().join(MANIFEST).is_file())
}

fn moment(at: jiff::Timestamp) -> Moment {
    let t = jiff::ZonedDateTime::new(at, jiff::tz::TimeZone::UTC);
    // Within a year's bounds each of these is small and not negative.
    let small = |v: i8| u8::try_from(v).unwrap_or(0);
    let rest = [t.month(), t.day(), t.hour(), t.minute(), t.second()].map(small);
    (u16::try_from(t.year()).unwrap_or(1970), rest)
}

fn written_at(path: &Path) -> Moment {
    let time = std::fs::metadata(path).and_then(|m| m.modified()).ok();
    time.and_then(|t| jiff::Timestamp::try_from(t).ok()).map_or((1970, [1, 1, 0, 0, 0]), moment)
}

/// A photograph as the report shows it.
#[derive(Clone, Debug)]
pub struct Shown {
    /// Its name in the job.
    pub name: String,
    /// The smaller JPEG, or why there is none.
    pub jpeg: Result<Arc<Vec<u8>>, String>,
    /// Width and height of the original, pixels.
    pub size_px: [usize; 2],
}

/// Photographs that are painted; of more, the report names the rest.
pub const MOST_SHOWN: usize = 120;

/// What one photograph may take, bytes: 30 of them stay below 2.6 MB.
const BYTES_EACH: usize = 85_000;

/// Widths and qualities that are tried until a photograph is small enough.
const STEPS: [(usize, u8); 6] = [(1040, 78), (1040, 66), (900, 58), (760, 55), (640, 50), (480, 45)];

/// The photographs of a record, made smaller, in the order of the result.
pub fn photographs_of(evidence: &Evidence) -> Vec<Shown> {
    let Ok(result) = &evidence.result else { return Vec::new() };
    let names: Vec<&str> = result.photographs.iter().take(MOST_SHOWN).map(|p| p.name.as_str()).collect();
    names
        .par_iter()
        .map(|name| match small(&evidence.job_folder, name) {
            Ok((jpeg, size_px)) => Shown { name: (*name).into(), jpeg: Ok(Arc::new(jpeg)), size_px },
            Err(why) => Shown { name: (*name).into(), jpeg: Err(why), size_px: [4, 3] },
        })
        .collect()
}

fn small(folder: &Path, name: &str) -> Result<(Vec<u8>, [usize; 2]), String> {
    if let Some(why) = crate::record::paths::leaves_folder(name) {
        return Err(format!("its name {why}"));
    }
    let path = folder.join(name);
    let bytes = read_file(&path, LARGEST_REPORTED_BYTES).map_err(|e| e.to_string())?;
    let frame = Frame::from_file(0, Duration::ZERO, name.into(), bytes).map_err(|e| e.to_string())?;
    let size_px = [frame.gray.width(), frame.gray.height()];
    let mut out = Vec::new();
    for (widest, quality) in STEPS {
        let picture = preview(&frame, widest).map_err(|e| e.to_string())?;
        out.clear();
        image::codecs::jpeg::JpegEncoder::new_with_quality(&mut out, quality)
            .encode(&picture.rgb, picture.width as u32, picture.height as u32, image::ExtendedColorType::Rgb8)
            .map_err(|e| e.to_string())?;
        if out.len() <= BYTES_EACH {
            break;
        }
    }
    Ok((out, size_px))
}
