//! Corrections of a record: what those that lie beside it say, and which of the records that are given together corrects which.

use crate::report::evidence::{Evidence, Kept};
use crate::session::later::{corrects_another_car, said_beside};
use std::collections::HashMap;
use std::path::Path;

impl Evidence {
    /// The same with what the records beside `folder` say of it: that they correct it, or are of another car than it although it corrects them. A correction is kept beside
    /// what it corrects.
    #[must_use]
    pub fn with_later(mut self, folder: &Path) -> Self {
        if let Kept::Record { .. } = &self.kept {
            self.later = said_beside(folder, self.record.as_ref());
            self.later.extend(self.record.as_ref().and_then(|record| corrects_another_car(folder, record)));
        }
        self
    }
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
