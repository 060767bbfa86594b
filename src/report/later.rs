//! Corrections of a record: those that lie beside it, and those among records that are given together.

use crate::capture::read_file;
use crate::limits::LARGEST_WRITTEN_BYTES;
use crate::record::keep::manifest::{MANIFEST, read_manifest, sha256_hex};
use crate::record::keep::{RECORD_FILE, RecordFile, record_of};
use crate::report::evidence::{Evidence, Kept};
use crate::session::keep::{corrects_another_car, signature_of};
use rayon::prelude::*;
use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// Records beside one that are looked at for a correction of it, those with the latest names first: some years of a shop, and less than a second.
pub const MOST_BESIDE: usize = 10_000;

impl Evidence {
    /// The same with what the records beside `folder` say of it: that they correct it, or are of another car than it although it corrects them. A correction is kept beside
    /// what it corrects.
    #[must_use]
    pub fn with_later(mut self, folder: &Path) -> Self {
        if let Kept::Record { manifest_sha256, .. } = &self.kept {
            self.later = beside(folder, manifest_sha256, self.record.as_ref().and_then(|r| r.vin.as_deref()));
            self.later.extend(self.record.as_ref().and_then(|record| corrects_another_car(folder, record)));
        }
        self
    }
}

/// A record beside this one that names its manifest.
struct Correction {
    folder: PathBuf,
    /// `None` where it is not as it was recorded.
    record: Option<RecordFile>,
}

impl Correction {
    fn name(&self) -> String {
        self.folder.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
    }
}

fn beside(folder: &Path, manifest_sha256: &str, vin: Option<&str>) -> Vec<String> {
    let Some(folder) = folder.canonicalize().ok() else { return Vec::new() };
    let Some(Ok(entries)) = folder.parent().map(std::fs::read_dir) else {
        return vec!["The folder around this record cannot be read: a later correction of it may lie there.".into()];
    };
    let mut others: Vec<PathBuf> = entries.flatten().map(|e| e.path()).filter(|p| *p != folder).collect();
    others.sort_by(|a, b| b.cmp(a));
    let left = others.len().saturating_sub(MOST_BESIDE);
    others.truncate(MOST_BESIDE);
    let found: Vec<Correction> =
        others.into_par_iter().filter_map(|other| correction(other, manifest_sha256)).collect();
    let mut out = Vec::new();
    let sound = found.iter().filter_map(|c| Some((c.record.as_ref()?, c)));
    match sound.max_by(|a, b| (a.0.revision, &a.0.made_utc).cmp(&(b.0.revision, &b.0.made_utc))) {
        Some((record, newest)) => {
            let signer = |folder: &Path| signature_of(folder, None).ok().and_then(|(_, signer)| signer);
            let own = signer(&folder);
            let doubt = match signer(&newest.folder) {
                by if own.is_none() || by == own => "",
                None => " It is not signed, and this one is: ask who made it.",
                Some(_) => " It is signed with another key than this one: ask who made it.",
            };
            let reason = record.corrects.as_ref().map(|c| c.reason.trim_end_matches('.')).unwrap_or_default();
            out.push(format!(
                "CORRECTED LATER by {} ({reason}): that record stands for this one, whose verdict no longer counts.{doubt}",
                newest.name()
            ));
            if let (Some(own), Some(other)) = (vin, record.vin.as_deref())
                && !own.eq_ignore_ascii_case(other)
            {
                out.push(format!(
                    "THAT CORRECTION IS OF ANOTHER CAR: VIN {other} there, {own} here. Unless the number was mistyped, the wrong record was corrected: ask who made it before you rely on either."
                ));
            }
        }
        None => out.extend(found.first().map(|c| {
            format!(
                "A CORRECTION OF THIS RECORD, {}, is not as it was recorded: do not rely on either before that is cleared up.",
                c.name()
            )
        })),
    }
    if left > 0 {
        out.push(format!("Only {MOST_BESIDE} records beside this one were looked at for a correction of it; {left} were not (`plumbsight records` looks at all)."));
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
        record => Some(Correction { folder, record: record.filter(|_| vouched) }),
    }
}

fn names(record: &RecordFile, manifest_sha256: &str) -> bool {
    record.corrects.as_ref().is_some_and(|corrects| corrects.sums().any(|sum| sum == manifest_sha256))
}

/// For each of the given records the newest other one of them that corrects it, by name; with a word where that one is not as it was recorded.
pub fn corrected_by(all: &[Evidence]) -> Vec<Option<String>> {
    // The newest that is as it was recorded goes last, and so stays.
    let mut corrections: Vec<_> = all
        .iter()
        .filter_map(|e| {
            let record = e.record.as_ref()?;
            Some((e.against().is_empty(), record.revision, &record.made_utc, record.corrects.as_ref()?, &e.name))
        })
        .collect();
    corrections.sort_by(|a, b| (a.0, a.1, a.2).cmp(&(b.0, b.1, b.2)));
    let mut newest: HashMap<&str, String> = HashMap::new();
    for (sound, _, _, corrects, name) in corrections {
        let doubt = if sound { "" } else { " (not as it was recorded)" };
        newest.extend(corrects.sums().map(|sum| (sum.as_str(), format!("{name}{doubt}"))));
    }
    all.iter()
        .map(|e| match &e.kept {
            Kept::Record { manifest_sha256, .. } => newest.get(manifest_sha256.as_str()).cloned(),
            Kept::Job => None,
        })
        .collect()
}
