//! A record appears whole or not at all: written beside its place, synced, and then given its name.

use crate::record::keep::manifest::{MANIFEST, fits_manifest, manifest_text, sha256_hex};
use crate::record::problem::Problem;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

/// Head of the names of folders that are being written.
const UNFINISHED: &str = ".unfinished-";

/// Most records of one second and name; more is a loop gone wild.
const MOST_OF_A_NAME: usize = 10_000;

/// A record that is being written. What is not finished is removed again when this goes out of scope; what a crash left is removed by the next.
pub struct Staging {
    root: PathBuf,
    folder: PathBuf,
    /// Held while the folder is being written, so that another process can tell it from what a crash left.
    lock: Option<File>,
    lock_path: PathBuf,
    sums: BTreeMap<String, String>,
}

impl Staging {
    /// Begins a record below `root`, which is made if it is not there.
    ///
    /// # Errors
    /// Nothing can be written there.
    pub fn begin(root: &Path) -> Result<Self, Problem> {
        std::fs::create_dir_all(root).map_err(|e| cannot_write(root, &e))?;
        sweep(root);
        // Two machines on one share can have the same process number: whose the name is, the file system decides.
        let mut taken = None;
        for k in 0..MOST_OF_A_NAME {
            let name = format!("{UNFINISHED}{}-{k}", std::process::id());
            let lock_path = root.join(format!("{name}.lock"));
            match File::create_new(&lock_path) {
                Ok(lock) => {
                    taken = Some((root.join(name), lock_path, lock));
                    break;
                }
                Err(e) if e.kind() == std::io::ErrorKind::AlreadyExists => {}
                Err(e) => return Err(cannot_write(root, &e)),
            }
        }
        let Some((folder, lock_path, lock)) = taken else {
            let full = std::io::Error::other("too many unfinished records are there");
            return Err(cannot_write(root, &full));
        };
        // Where a file system knows no locks the sweep below finds none either and leaves everything alone.
        let _ = lock.try_lock();
        let staging = Self { root: root.to_owned(), folder, lock: Some(lock), lock_path, sums: BTreeMap::new() };
        std::fs::create_dir(&staging.folder).map_err(|e| cannot_write(root, &e))?;
        Ok(staging)
    }

    /// Where the files are while the record is being written.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// Writes a file of the record and notes its sum.
    ///
    /// # Errors
    /// The name cannot stand in a manifest, or the file cannot be written.
    pub fn put(&mut self, name: &str, bytes: &[u8]) -> Result<(), Problem> {
        if !fits_manifest(name) {
            return Err(Problem::of_file(
                name.escape_debug().to_string(),
                "a file with such a name cannot be kept in a record",
                "Rename it: no line breaks, control characters or backslashes.",
            ));
        }
        self.write(name, bytes)?;
        self.sums.insert(name.to_owned(), sha256_hex(bytes));
        Ok(())
    }

    /// Copies a file into the record byte by byte and notes its sum.
    ///
    /// # Errors
    /// It cannot be read, or as for [`Staging::put`].
    pub fn copy(&mut self, name: &str, from: &Path) -> Result<(), Problem> {
        let bytes = crate::capture::read_file(from, crate::limits::LARGEST_IMAGE_BYTES)
            .map_err(|e| Problem::of_file(from.display().to_string(), e.to_string(), "Check the file."))?;
        self.put(name, &bytes)
    }

    /// The sum of a file that was copied or put.
    pub fn sum_of(&self, name: &str) -> Option<String> {
        self.sums.get(name).cloned()
    }

    /// The manifest of all files so far.
    pub fn manifest(&self) -> String {
        manifest_text(&self.sums)
    }

    fn write(&self, name: &str, bytes: &[u8]) -> Result<(), Problem> {
        let path = self.folder.join(name);
        let write = || -> std::io::Result<()> {
            if let Some(folder) = path.parent() {
                std::fs::create_dir_all(folder)?;
            }
            let mut file = File::create_new(&path)?;
            file.write_all(bytes)?;
            file.sync_all()?;
            // A record is added to, never changed: the files say so. Where a file system knows no such thing, the manifest still does.
            let mut rights = file.metadata()?.permissions();
            rights.set_readonly(true);
            let _ = std::fs::set_permissions(&path, rights);
            Ok(())
        };
        write().map_err(|e| cannot_write(&self.root.join(name), &e))
    }

    /// Adds the manifest and, where there is one, its signature, and gives the record its name: `name`, or `name-2`, `name-3` where that is
    /// taken. Returns the record's folder.
    ///
    /// # Errors
    /// It cannot be written; nothing is then left behind.
    pub fn finish(mut self, name: &str, signature: Option<(&str, &[u8])>) -> Result<PathBuf, Problem> {
        self.write(MANIFEST, self.manifest().as_bytes())?;
        if let Some((file, bytes)) = signature {
            self.write(file, bytes)?;
        }
        sync_folders(&self.folder);
        for k in 1..MOST_OF_A_NAME {
            let target = self.root.join(if k == 1 { name.to_owned() } else { format!("{name}-{k}") });
            // A rename replaces an empty folder and nothing else, so that two writers cannot share a name.
            if target.exists() {
                continue;
            }
            match std::fs::rename(&self.folder, &target) {
                Ok(()) => {
                    sync_folder(&self.root);
                    self.clear_lock();
                    return Ok(target);
                }
                Err(_) if target.exists() => {}
                Err(e) => return Err(cannot_write(&target, &e)),
            }
        }
        Err(Problem::of_file(
            self.root.join(name).display().to_string(),
            "too many records have this name",
            "Choose another folder.",
        ))
    }

    fn clear_lock(&mut self) {
        if self.lock.take().is_some() {
            let _ = std::fs::remove_file(&self.lock_path);
        }
    }
}

impl Drop for Staging {
    fn drop(&mut self) {
        if self.lock.is_some() {
            let _ = std::fs::remove_dir_all(&self.folder);
            self.clear_lock();
        }
    }
}

/// Removes what a crash left: unfinished folders whose lock nobody holds.
fn sweep(root: &Path) {
    for entry in std::fs::read_dir(root).into_iter().flatten().flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let Some(folder) = name.strip_suffix(".lock").filter(|n| n.starts_with(UNFINISHED)) else { continue };
        let free = File::open(entry.path()).is_ok_and(|lock| lock.try_lock().is_ok());
        if free {
            let _ = std::fs::remove_dir_all(root.join(folder));
            let _ = std::fs::remove_file(entry.path());
        }
    }
}

fn sync_folders(folder: &Path) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        if entry.file_type().is_ok_and(|t| t.is_dir()) {
            sync_folders(&entry.path());
        }
    }
    sync_folder(folder);
}

/// Names are safe on disk only once their folder is; where a system cannot sync folders, go without.
fn sync_folder(folder: &Path) {
    if let Ok(folder) = File::open(folder) {
        let _ = folder.sync_all();
    }
}

fn cannot_write(path: &Path, e: &std::io::Error) -> Problem {
    Problem::of_file(
        path.display().to_string(),
        format!("the record cannot be written ({e})"),
        "Nothing was kept and nothing was lost. Check that you may write there and that the disk is not full.",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::keep::manifest::verify;

    fn entries(root: &Path) -> Vec<String> {
        let mut names: Vec<String> =
            std::fs::read_dir(root).unwrap().map(|e| e.unwrap().file_name().to_string_lossy().into_owned()).collect();
        names.sort();
        names
    }

    #[test]
    fn a_record_is_whole_or_not_there() {
        let dir = tempfile::tempdir().unwrap();
        let root = dir.path().join("records");
        for k in 0..3 {
            let mut staging = Staging::begin(&root).unwrap();
            staging.put("job/a.toml", format!("{k}").as_bytes()).unwrap();
            assert_eq!(entries(&root).iter().filter(|n| !n.starts_with('.')).count(), k);
            let folder = staging.finish("one", Some(("SHA256SUMS.sig", b"s"))).unwrap();
            assert_eq!(verify(&folder).unwrap(), []);
        }
        assert_eq!(entries(&root), ["one", "one-2", "one-3"]);
        // Given up: nothing is left.
        let mut staging = Staging::begin(&root).unwrap();
        staging.put("a", b"x").unwrap();
        assert!(staging.put("a\nb", b"x").unwrap_err().what.contains("name"));
        drop(staging);
        assert_eq!(entries(&root), ["one", "one-2", "one-3"]);
    }

    #[test]
    fn what_a_crash_left_is_swept_and_what_is_being_written_is_not() {
        let dir = tempfile::tempdir().unwrap();
        let left = dir.path().join(".unfinished-1-0");
        std::fs::create_dir(&left).unwrap();
        std::fs::write(left.join("half"), "x").unwrap();
        std::fs::write(dir.path().join(".unfinished-1-0.lock"), "").unwrap();
        let first = Staging::begin(dir.path()).unwrap();
        assert!(!left.exists());
        let second = Staging::begin(dir.path()).unwrap();
        assert!(first.folder().exists() && second.folder().exists() && first.folder() != second.folder());
    }
}
