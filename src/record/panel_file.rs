//! `panel.toml`: what the panel keeps from one start to the next. No number of a measurement depends on it: cameras and how they are mounted are only offered, and shown, before a
//! reading begins.

use crate::record::document::Document;
use crate::record::problem::Problem;
use crate::record::write::write_atomically;
use serde::{Deserialize, Serialize};
use std::path::Path;

const FORMAT: &str = "plumbsight/panel/1";

/// The file. All but `format` may be left out.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PanelFile {
    /// `plumbsight/panel/1`.
    pub format: String,
    /// `system`, `light` or `dark`.
    pub look: Option<String>,
    /// `mm` or `inch`.
    pub lengths: Option<String>,
    /// Size of everything against the usual.
    pub text_scale: Option<f64>,
    /// Check by itself when photographs or files change.
    pub check_by_itself: Option<bool>,
    /// A sound at changes of state.
    pub sound: Option<bool>,
    /// Length of the bar in the settings on this screen, mm; only where somebody measured it.
    pub bar_mm: Option<f64>,
    /// Inner size of the window at the usual size of everything, in units of 1/96 inch.
    pub window: Option<[f64; 2]>,
    /// The job that was open last.
    pub last_job: Option<String>,
    /// The cameras of the live reading.
    pub cameras: Option<String>,
    /// Those of them that ride on the stand.
    pub on_stand: Option<String>,
    /// The folder of all records.
    pub records: Option<String>,
    /// Who keeps them.
    pub kept_by: Option<String>,
    /// The file of the shop's private key.
    pub key_file: Option<String>,
}

impl Default for PanelFile {
    fn default() -> Self {
        Self {
            format: FORMAT.into(),
            look: None,
            lengths: None,
            text_scale: None,
            check_by_itself: None,
            sound: None,
            bar_mm: None,
            window: None,
            last_job: None,
            cameras: None,
            on_stand: None,
            records: None,
            kept_by: None,
            key_file: None,
        }
    }
}

impl PanelFile {
    /// Reads it; the default where there is none.
    ///
    /// # Errors
    /// It is not in order.
    pub fn read(path: &Path) -> Result<Self, Problem> {
        if !path.exists() {
            return Ok(Self::default());
        }
        Document::read(path, &path.display().to_string(), "panel")?.typed()
    }

    /// Writes it whole or not at all, with the folders above it.
    ///
    /// # Errors
    /// It cannot be written.
    pub fn write(&self, path: &Path) -> Result<(), Problem> {
        let fault = |what: String| {
            Problem::of_file(
                path.display().to_string(),
                what,
                "The panel works without it; it starts as new each time.",
            )
        };
        if let Some(folder) = path.parent() {
            std::fs::create_dir_all(folder).map_err(|e| fault(format!("its folder cannot be made ({e})")))?;
        }
        let text = toml::to_string(self).map_err(|e| fault(format!("it cannot be written as TOML ({e})")))?;
        write_atomically(path, text.as_bytes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_kept_is_read_again_and_slips_are_named() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("deeper/panel.toml");
        assert_eq!(PanelFile::read(&path).unwrap(), PanelFile::default());
        let file = PanelFile {
            look: Some("dark".into()),
            text_scale: Some(1.25),
            window: Some([1280.0, 860.0]),
            last_job: Some("C:\\jobs\\\"one\"".into()),
            ..PanelFile::default()
        };
        file.write(&path).unwrap();
        assert_eq!(PanelFile::read(&path).unwrap(), file);
        std::fs::write(&path, "format = \"plumbsight/panel/1\"\ncolour = \"green\"\n").unwrap();
        assert_eq!(PanelFile::read(&path).unwrap_err().line, Some(2));
        assert!(PanelFile::default().write(dir.path()).is_err(), "a folder is in its place");
    }
}
