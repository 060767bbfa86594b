//! A job kept as a record, and a record measured again.

use crate::capture::read_file;
use crate::limits::{LARGEST_KEY_BYTES, LARGEST_WRITTEN_BYTES};
use crate::record::bodies::{PLACES_ASSUMED, USUAL_PLACE_DEG, USUAL_PLACE_MM};
use crate::record::keep::manifest::{Damage, MANIFEST, SIGNATURE, sha256_hex, verify};
use crate::record::keep::sign::{PUBLIC_KEY, ShopKey, is_signed_by, public_key_text};
use crate::record::keep::{
    JOB_FOLDER, KitPart, Moment, RECORD_FILE, RECORD_FORMAT, RESULT_FILE, RecordFile, SURVEY_FILE, Staging,
    contradictions, read_record, record_name,
};
use crate::record::result::{DeviationPart, NoticePart};
use crate::record::{
    Problem, Purpose, ResultFile, json_text, photo_marks, read_brief, read_hold_log, read_job, read_outcome,
    read_result,
};
use crate::session::hold::{Against, said};
use crate::session::later::{Before, corrects_another_car, said_beside};
use crate::session::{Extras, Failure, Watch, check, check_seen, look, survey_seen};
use std::path::{Path, PathBuf};

/// How a job is kept.
pub struct KeepOptions<'a> {
    /// Who keeps it.
    pub by: &'a str,
    /// What is to be said to it.
    pub note: Option<&'a str>,
    /// The record that it corrects, and why.
    pub corrects: Option<(&'a Path, &'a str)>,
    /// The shop's key, where it signs.
    pub key: Option<&'a ShopKey>,
    /// When.
    pub at: Moment,
}

/// A record that was written.
pub struct Kept {
    /// Its folder.
    pub folder: PathBuf,
    /// What it says.
    pub record: RecordFile,
    /// The measurement.
    pub result: ResultFile,
    /// What the log of the hold watch says against its photographs.
    pub against: Against,
    /// What should be known of the correction that it is: one of another car, of a record that was corrected already, an unsigned one of a signed record.
    pub noticed: Vec<String>,
}

/// Measures a job and keeps it below `root`.
///
/// Inputs and photographs are copied first and the copies are measured, so that the result belongs to exactly the bytes that are kept. A measurement
/// that failed is kept too: what was tried is part of what was done.
///
/// # Errors
/// An input is wrong, the record to be corrected is damaged, or nothing can be written; nothing is then left below `root`.
pub fn keep(job_folder: &Path, root: &Path, options: &KeepOptions, watch: Watch) -> Result<Kept, Failure> {
    let job = read_job(job_folder, Purpose::Verdict)?;
    if let Some(problem) = job.still_template() {
        return Err(problem.into());
    }
    // Of a folder that is not there yet, the nearest one above it that is.
    let there = root.ancestors().find(|a| a.as_os_str().is_empty() || a.exists()).unwrap_or(root);
    let there = if there.as_os_str().is_empty() { Path::new(".") } else { there };
    if there.canonicalize().is_ok_and(|r| job.folder.canonicalize().is_ok_and(|j| r.starts_with(j))) {
        return Err(Problem::of_file(
            root.display().to_string(),
            "records cannot be kept inside the job they are made from",
            "Name a folder elsewhere, the same for all records of the shop.",
        )
        .into());
    }
    crate::session::hold::answer(&job);
    let outcome = read_outcome(&job.folder)?;
    let before = options.corrects.map(|(record, _)| Before::read(record, root)).transpose()?;
    let mut noticed = Vec::new();
    if let Some(before) = &before {
        before.must_be_of(&job)?;
        noticed = before.noticed(&job, options.key)?;
    }
    let mut staging = Staging::begin(root)?;
    staging.copy(&format!("{JOB_FOLDER}/job.toml"), &job.file)?;
    for name in &job.inputs {
        staging.copy(&format!("{JOB_FOLDER}/{name}"), &job.folder.join(name))?;
    }
    for photo in &job.photos {
        staging.copy(&format!("{JOB_FOLDER}/{}", photo.name), &photo.path)?;
    }
    let kept_job = read_job(&staging.folder().join(JOB_FOLDER), Purpose::Verdict)?;
    let seen = look(&kept_job, watch);
    let result = check_seen(&kept_job, seen.clone(), Extras::default(), watch);
    staging.put(RESULT_FILE, json_text(&result, "the result")?.as_bytes())?;
    if let Ok((text, _)) = survey_seen(&kept_job, seen, &|_| {}) {
        staging.put(SURVEY_FILE, text.as_bytes())?;
    }
    let log = read_hold_log(&kept_job.folder);
    let against = log.as_ref().map(|log| said(log, &photo_marks(&kept_job))).unwrap_or_default();
    let record = RecordFile {
        format: RECORD_FORMAT.into(),
        program: result.program.clone(),
        machine: machine(),
        made_utc: options.at.utc.clone(),
        made_local: options.at.local.clone(),
        by: options.by.into(),
        note: options.note.map(str::to_owned),
        revision: before.as_ref().map_or(1, |before| before.record.revision + 1),
        corrects: before.zip(options.corrects).map(|(before, (_, reason))| before.corrected(reason)),
        title: result.title.clone(),
        vin: result.vin.clone(),
        vehicle: job.vehicle.name.clone(),
        vehicle_id: job.vehicle.id.clone(),
        verdict: result.verdict,
        placement: result.placement.clone(),
        photographs: job.photos.len(),
        kit: staging
            .sum_of(&format!("{JOB_FOLDER}/{}", job.bodies_file))
            .map(|sha256| KitPart { file: job.bodies_file.clone(), sha256 }),
        readiness_open: (!result.readiness.is_empty())
            .then(|| result.readiness.iter().filter(|r| r.state == "open").count()),
        hold_alarms: log.filter(|log| log.fault.is_none()).map(|_| against.in_all()),
        hold_doubt: against.doubt.clone(),
        outcome,
    };
    staging.put(RECORD_FILE, json_text(&record, "the record")?.as_bytes())?;
    let name = record_name(&options.at, &result, job.vehicle.id.as_deref().or(job.vehicle.name.as_deref()));
    let folder = match options.key {
        None => staging.finish(&name, None)?,
        Some(key) => {
            staging.put(PUBLIC_KEY, key.public_pem()?.as_bytes())?;
            let signature = key.sign(staging.manifest().as_bytes());
            staging.finish(&name, Some((SIGNATURE, &signature)))?
        }
    };
    Ok(Kept { folder, record, result, against, noticed })
}

/// Processor and system.
fn machine() -> String {
    format!("{} {}", std::env::consts::ARCH, std::env::consts::OS)
}

/// What the signature of a record is worth.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SignatureState {
    /// The record carries none.
    None,
    /// It was made with the key that belongs to the public key given, or, where none was given, to the one in the record.
    Good,
    /// It does not belong to the manifest as it is, or to that key.
    Bad,
    /// It, the key or the manifest is there and cannot be read now: nothing is known of it.
    Unreadable,
}

/// What is said of a bad signature, everywhere.
pub const BAD_SIGNATURE: &str = "BAD SIGNATURE: it does not belong to this record and this key, or is missing";

/// What is said of a signature that cannot be read, everywhere.
pub const UNREADABLE_SIGNATURE: &str =
    "THE SIGNATURE CANNOT BE READ NOW: nothing is known of it; look again when the folder can be read";

impl SignatureState {
    /// A word for tables.
    pub fn word(self) -> &'static str {
        match self {
            SignatureState::None => "none",
            SignatureState::Good => "good",
            SignatureState::Bad => "BAD",
            SignatureState::Unreadable => "cannot be read",
        }
    }

    /// How it stands against the key in the record, behind the word "Signature"; without a full stop.
    pub fn words(self) -> &'static str {
        match self {
            SignatureState::None => "none",
            SignatureState::Good => "good for the key in the record; whose key that is, only the shop's own copy shows",
            SignatureState::Bad => BAD_SIGNATURE,
            SignatureState::Unreadable => UNREADABLE_SIGNATURE,
        }
    }

    /// What speaks against a record with it, in a sentence without its full stop.
    pub fn against(self) -> Option<&'static str> {
        match self {
            SignatureState::None | SignatureState::Good => None,
            SignatureState::Bad | SignatureState::Unreadable => Some(self.words()),
        }
    }
}

/// What came out of looking at a record again.
pub struct Recheck {
    /// What it says of itself; `None` where that is damaged.
    pub record: Option<RecordFile>,
    /// Files that are not as they were recorded.
    pub damage: Vec<Damage>,
    /// What it says otherwise than its own result.
    pub contradictions: Vec<String>,
    /// What should be known of it and says nothing against it: that it stands for a record of another car.
    pub noticed: Vec<String>,
    /// What records beside it say of it: that they correct it; empty until [`Recheck::with_later`] looked.
    pub later: Vec<String>,
    /// Its signature.
    pub signature: SignatureState,
    /// The measurement compared; `None` where it was not repeated.
    pub repeated: Option<Repeated>,
    /// Why it could not be repeated, where damage is to blame.
    pub unrepeatable: Option<String>,
}

/// A measurement repeated.
pub struct Repeated {
    /// True where the same version of the program measured on the same kind of machine, so that every figure must be the same.
    pub same_version: bool,
    /// True where every figure is the same.
    pub identical: bool,
    /// Largest difference of a deviation in its standard uncertainty.
    pub largest_in_u: f64,
    /// What differs more than it may, in words; empty where the record is confirmed.
    pub differences: Vec<String>,
}

impl Recheck {
    /// The same with what the records beside it say of it: that one of them corrects it.
    #[must_use]
    pub fn with_later(mut self, folder: &Path) -> Self {
        self.later = said_beside(folder, self.record.as_ref());
        self
    }

    /// True where nothing speaks against the record.
    pub fn confirmed(&self) -> bool {
        self.damage.is_empty()
            && self.record.is_some()
            && self.contradictions.is_empty()
            && self.signature.against().is_none()
            && self.repeated.as_ref().is_none_or(|r| r.differences.is_empty())
    }
}

/// Between versions and machines a deviation may differ by this share of its standard uncertainty: a tenth changes U by half a percent. Common
/// practice, no source.
pub const MOST_IN_U: f64 = 0.1;

/// Looks at a record again: every file against the manifest, the signature, and, unless `quick`, the whole measurement from the photographs.
///
/// # Errors
/// The folder is no record, or the public key cannot be read.
pub fn recheck(folder: &Path, public_key: Option<&Path>, quick: bool, watch: Watch) -> Result<Recheck, Failure> {
    let damage = verify(folder)?;
    let (signature, _) = signature_of(folder, public_key)?;
    // What is damaged is named in any case; it must not hide behind the first thing that cannot be read for it.
    let record = match read_record(folder) {
        Ok(record) => Some(record),
        Err(_) if !damage.is_empty() => None,
        Err(problem) => return Err(problem.into()),
    };
    let contradictions = match (&record, read_brief(&folder.join(RESULT_FILE))) {
        (Some(record), Ok(result)) => contradictions(record, &result),
        _ => Vec::new(),
    };
    let mut unrepeatable = None;
    let repeated = match record.as_ref().filter(|_| !quick).map(|record| repeat(folder, record, watch)) {
        None => None,
        Some(Ok(repeated)) => Some(repeated),
        Some(Err(failure)) if !damage.is_empty() => {
            unrepeatable = Some(failure.to_string());
            None
        }
        Some(Err(failure)) => return Err(failure),
    };
    let noticed = record.as_ref().and_then(|record| corrects_another_car(folder, record)).into_iter().collect();
    Ok(Recheck { record, damage, contradictions, noticed, later: Vec::new(), signature, repeated, unrepeatable })
}

/// The signature of a record, against the public key given or else the one in the record; and, where it is good, which key made it: the sum of that key's text.
///
/// # Errors
/// The public key given cannot be read.
pub fn signature_of(folder: &Path, public_key: Option<&Path>) -> Result<(SignatureState, Option<String>), Problem> {
    let given = public_key.map(public_key_text).transpose()?;
    Ok(match signing_key(folder, given) {
        Ok(key) => (SignatureState::Good, Some(sha256_hex(key.trim().as_bytes()))),
        Err(state) => (state, None),
    })
}

/// The key that made a good signature, else how the signature stands.
fn signing_key(folder: &Path, given: Option<String>) -> Result<String, SignatureState> {
    let signature = match read_file(&folder.join(SIGNATURE), LARGEST_KEY_BYTES) {
        Ok(signature) => signature,
        Err(fault) if !fault.is_missing() => return Err(SignatureState::Unreadable),
        // A signature that somebody expects and that is not there is not a good one.
        Err(_) if given.is_some() => return Err(SignatureState::Bad),
        Err(_) => {
            return Err(match std::fs::symlink_metadata(folder.join(PUBLIC_KEY)) {
                Ok(_) => SignatureState::Bad,
                Err(e) if e.kind() == std::io::ErrorKind::NotFound => SignatureState::None,
                Err(_) => SignatureState::Unreadable,
            });
        }
    };
    // What is missing is a fault of the record; what cannot be read now says nothing of it.
    let bytes_of = |name: &str, most: u64| match read_file(&folder.join(name), most) {
        Ok(bytes) => Ok(bytes),
        Err(fault) if fault.is_missing() => Ok(Vec::new()),
        Err(_) => Err(SignatureState::Unreadable),
    };
    let manifest = bytes_of(MANIFEST, LARGEST_WRITTEN_BYTES)?;
    let key = given.map_or_else(|| bytes_of(PUBLIC_KEY, LARGEST_KEY_BYTES), |text| Ok(text.into_bytes()))?;
    String::from_utf8(key).ok().filter(|key| is_signed_by(key, &manifest, &signature)).ok_or(SignatureState::Bad)
}

fn repeat(folder: &Path, record: &RecordFile, watch: Watch) -> Result<Repeated, Failure> {
    let before = read_result(&folder.join(RESULT_FILE))?;
    let job = read_job(&folder.join(JOB_FOLDER), Purpose::Verdict)?;
    let now = check(&job, watch);
    let same_version = before.program == now.program && record.machine == machine();
    let (largest_in_u, mut differences) = compare(&before, &now);
    let identical = before == now;
    if !differences.is_empty() && assumed_since(&before.notices, &now.notices) {
        differences.push(format!(
            "It was kept by a version that took places of tags whose uncertainty nobody states as exact; this one assumes {USUAL_PLACE_MM} mm and \
             {USUAL_PLACE_DEG}°. That alone can make these differences, and what was recorded states U too small for it."
        ));
    }
    if same_version && !identical && differences.is_empty() {
        differences.push(
            "The verdict and all deviations are within bounds, but not every figure is the same, and the same version on the same kind of \
             machine must give the same."
                .into(),
        );
    }
    Ok(Repeated { same_version, identical, largest_in_u, differences })
}

/// True where places of tags are taken as uncertain now, because nothing says how well they are known, that were taken as exact before.
fn assumed_since(before: &[NoticePart], now: &[NoticePart]) -> bool {
    let assumes = |all: &[NoticePart]| all.iter().any(|notice| notice.text.contains(PLACES_ASSUMED));
    assumes(now) && !assumes(before)
}

/// The largest difference of a deviation in its standard uncertainty, and what differs more than it may.
fn compare(before: &ResultFile, now: &ResultFile) -> (f64, Vec<String>) {
    let mut out = Vec::new();
    let mut largest = 0.0f64;
    if before.verdict != now.verdict {
        out.push(format!("The verdict was \"{}\" and is now \"{}\".", before.verdict.words(), now.verdict.words()));
    }
    let names = |r: &ResultFile| r.stations.iter().map(|s| s.name.clone()).collect::<Vec<_>>();
    if names(before) != names(now) {
        out.push("The stations that could be judged are not the same.".into());
    }
    for old in &before.stations {
        let Some(new) = now.stations.iter().find(|s| s.name == old.name) else { continue };
        for ((name, unit, a), (_, _, b)) in old.deviations.each().into_iter().zip(new.deviations.each()) {
            let in_u = difference_in_u(a, b);
            largest = largest.max(in_u);
            if in_u > MOST_IN_U {
                out.push(format!(
                    "{}, {name}: {:+.4} {unit} with U {:.4} was recorded, {:+.4} with U {:.4} comes out now.",
                    old.name, a.deviation, a.expanded, b.deviation, b.expanded
                ));
            }
        }
    }
    (largest, out)
}

/// By how much value or standard uncertainty differ, in the recorded standard uncertainty; infinite where a number is none.
fn difference_in_u(a: &DeviationPart, b: &DeviationPart) -> f64 {
    let difference = (a.deviation - b.deviation).abs().max((a.u - b.u).abs());
    let in_u = if difference == 0.0 { 0.0 } else { difference / a.u };
    if in_u.is_nan() { f64::INFINITY } else { in_u }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_that_were_exact_and_are_assumed_now_are_known() {
        let notice = |text: String| NoticePart { about: "bodies.toml, body \"stand\"".into(), text };
        let assumed = [notice("Something else.".into()), notice(format!("{PLACES_ASSUMED}: 0.3 mm are assumed."))];
        assert!(assumed_since(&assumed[..1], &assumed));
        for (before, now) in
            [(&assumed[..], &assumed[..]), (&assumed[..], &assumed[..1]), (&assumed[..1], &assumed[..1])]
        {
            assert!(!assumed_since(before, now));
        }
    }
}
