//! What stays from one start to the next: settings, window, last job, cameras, where records go. It lies with the user's other settings.

use crate::panel::figures::Lengths;
use crate::panel::messages::sources_of;
use crate::panel::model::{JobState, Look, Model, Settings, TEXT_SCALE};
use crate::record::{PanelFile, Problem};
use std::path::{Path, PathBuf};

/// Where the file is: `plumbsight/panel.toml` below the user's folder for settings (XDG Base Directory Specification on Linux); `None` where there is none.
pub fn kept_path() -> Option<PathBuf> {
    let folder = |name: &str| std::env::var_os(name).filter(|v| !v.is_empty()).map(PathBuf::from);
    let home = || folder("HOME");
    let settings = if cfg!(windows) {
        folder("APPDATA")
    } else if cfg!(target_os = "macos") {
        home().map(|h| h.join("Library/Application Support"))
    } else {
        folder("XDG_CONFIG_HOME").filter(|p| p.is_absolute()).or_else(|| home().map(|h| h.join(".config")))
    };
    settings.map(|folder| folder.join("plumbsight/panel.toml"))
}

/// The file as it is on the disk, and where.
#[derive(Debug, Default)]
pub struct Kept {
    path: Option<PathBuf>,
    file: PanelFile,
    /// Why it could not be read or written.
    pub problem: Option<Problem>,
}

impl Kept {
    /// Reads it. What is not in order is said, left as it is, and not used.
    pub fn read(path: Option<PathBuf>) -> Self {
        match path.as_deref().map(PanelFile::read) {
            None => Self::default(),
            Some(Ok(file)) => Self { path, file, problem: None },
            Some(Err(problem)) => Self { path: None, file: PanelFile::default(), problem: Some(problem) },
        }
    }

    /// The inner size of the window.
    pub fn window(&self) -> Option<[f32; 2]> {
        self.file.window.map(|[w, h]| [w as f32, h as f32]).filter(|s| s.iter().all(|v| (200.0..20_000.0).contains(v)))
    }

    /// The job that was open last, where it still is.
    pub fn last_job(&self) -> Option<&str> {
        self.file.last_job.as_deref().filter(|job| Path::new(job).exists())
    }

    /// The settings.
    pub fn settings(&self) -> Settings {
        let usual = Settings::default();
        let file = &self.file;
        let size = |v: f64| (v as f32).clamp(TEXT_SCALE.0, TEXT_SCALE.1);
        Settings {
            look: match file.look.as_deref() {
                Some("light") => Look::Light,
                Some("dark") => Look::Dark,
                _ => Look::System,
            },
            lengths: if file.lengths.as_deref() == Some("inch") { Lengths::Inches } else { Lengths::Millimetres },
            text_scale: file.text_scale.filter(|v| v.is_finite()).map_or(usual.text_scale, size),
            by_itself: file.check_by_itself.unwrap_or(usual.by_itself),
            sound: file.sound.unwrap_or(usual.sound),
            bar_mm: file.bar_mm.filter(|v| (1.0..2000.0).contains(v)).map_or(usual.bar_mm, |v| v as f32),
            bar_measured: file.bar_mm.is_some(),
        }
    }

    /// Puts cameras and what is known of records into a new model.
    pub fn fill(&self, model: &mut Model) {
        let file = &self.file;
        if let Some(cameras) = &file.cameras {
            model.camera.source.clone_from(cameras);
        }
        // Of a source that is no longer named nothing is kept.
        let named = model.camera.sources();
        let riding = file.on_stand.as_deref().map(sources_of).unwrap_or_default();
        model.camera.riding = riding.into_iter().filter(|source| named.contains(source)).collect();
        let form = &mut model.keeping.form;
        for (field, kept) in
            [(&mut form.into, &file.records), (&mut form.by, &file.kept_by), (&mut form.key, &file.key_file)]
        {
            field.clone_from(kept.as_ref().unwrap_or(&String::new()));
        }
    }

    /// Writes what changed. `window`: the inner size now, where it is to be kept too.
    pub fn keep(&mut self, model: &Model, window: Option<[f32; 2]>) {
        let Some(path) = &self.path else { return };
        let settings = &model.settings;
        let said = |text: &str| Some(text.trim().to_owned()).filter(|t| !t.is_empty());
        // Short numbers: the file is for people too.
        let short = |v: f32| (f64::from(v) * 100.0).round() / 100.0;
        let camera = &model.camera;
        let riding: Vec<String> = camera.sources().into_iter().filter(|s| camera.riding.contains(s)).collect();
        let mut file = PanelFile {
            look: Some(
                match settings.look {
                    Look::System => "system",
                    Look::Light => "light",
                    Look::Dark => "dark",
                }
                .into(),
            ),
            lengths: Some(if settings.lengths == Lengths::Inches { "inch" } else { "mm" }.into()),
            text_scale: Some(short(settings.text_scale)),
            check_by_itself: Some(settings.by_itself),
            sound: Some(settings.sound),
            bar_mm: settings.bar_measured.then(|| short(settings.bar_mm)),
            window: window.map(|size| size.map(short)).or(self.file.window),
            cameras: said(&model.camera.source),
            on_stand: said(&riding.join("; ")),
            records: said(&model.keeping.form.into),
            kept_by: said(&model.keeping.form.by),
            key_file: said(&model.keeping.form.key),
            ..self.file.clone()
        };
        if let JobState::Ready(job) = &model.job {
            let folder = job.folder.canonicalize().unwrap_or_else(|_| job.folder.clone());
            file.last_job = Some(folder.display().to_string());
        }
        if file == self.file {
            return;
        }
        self.problem = file.write(path).err();
        // Not tried again in every frame where it failed.
        self.file = file;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::panel::model::{CameraChoice, Command};
    use crate::session::live::Mount;

    #[test]
    fn what_was_chosen_is_there_at_the_next_start() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("panel.toml");
        let mut kept = Kept::read(Some(path.clone()));
        assert_eq!(kept.settings(), Settings::default());
        let mut model = Model::default();
        let chosen = Settings { look: Look::Dark, lengths: Lengths::Inches, text_scale: 1.35, ..Settings::default() };
        model.apply(Command::Set(chosen));
        model.keeping.form.by = "A. Person".into();
        let camera = CameraChoice { source: "camera 0; camera 1".into(), ..CameraChoice::default() };
        model.apply(Command::Camera(camera.clone()));
        model.camera.set_mount("camera 1", Mount::OnStand);
        model.camera.set_mount("camera 7", Mount::OnStand);
        kept.keep(&model, Some([1024.0, 700.0]));
        assert!(kept.problem.is_none());
        let next = Kept::read(Some(path.clone()));
        assert_eq!((next.settings(), next.window()), (chosen, Some([1024.0, 700.0])));
        let mut model = Model::default();
        next.fill(&mut model);
        assert_eq!(model.keeping.form.by, "A. Person");
        // One mount each, and none of a camera that is not named.
        assert_eq!(model.camera.all_mounts(), [Mount::Apart, Mount::OnStand]);
        assert_eq!(model.camera.riding.len(), 1);

        // A file that somebody spoilt is said to be, and is not written over.
        std::fs::write(&path, "format = \"plumbsight/panel/1\"\nlook = 3\n").unwrap();
        let mut spoilt = Kept::read(Some(path.clone()));
        assert!(spoilt.problem.is_some() && spoilt.settings() == Settings::default());
        spoilt.keep(&model, None);
        assert!(std::fs::read_to_string(&path).unwrap().contains("look = 3"));
    }
}
