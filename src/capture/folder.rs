//! A folder that photographs arrive in: from a phone, a card reader, a camera's own program.
//!
//! It is looked at again and again instead of asking the system for notifications: those do not come from network drives and card readers, come before a
//! file is whole, and need a library for each system; a look at a thousand names costs milliseconds. A file counts once it has stopped growing **and** decodes to
//! its end. The same picture counts once, whatever it is called (SHA-256 of its bytes): a renamed or copied photograph is no new one, a name that is
//! written to again with other content is. What was there before and does not count is known by length and time alone, so that a card with thousands of
//! photographs need not be read.

use crate::capture::source::{Frame, FrameSource, Loss, Next};
use crate::capture::{CaptureError, LARGEST_IMAGE_BYTES};
use crate::limits::DEEPEST_FOLDERS;
use sha2::{Digest, Sha256};
use std::collections::{HashMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant, SystemTime};

/// How a folder is watched. The defaults are common practice, without a source.
#[derive(Clone, Copy, Debug)]
pub struct WatchOptions {
    /// Whether photographs that are there already count.
    pub with_present: bool,
    /// Shortest time between two looks.
    pub every: Duration,
    /// A file must have stopped growing for so long.
    pub settled: Duration,
    /// A file that does not decode is tried again for so long after its last change.
    pub patience: Duration,
}

impl Default for WatchOptions {
    fn default() -> Self {
        Self {
            with_present: false,
            every: Duration::from_millis(250),
            settled: Duration::from_millis(400),
            patience: Duration::from_secs(10),
        }
    }
}

/// Files that are looked at, at most: more is a whole disk.
const MOST_FILES: usize = 50_000;

/// Length and time of change: what tells that a file is another one now.
type Mark = (u64, Option<SystemTime>);

/// What is known of a file.
struct Known {
    /// At the last look.
    mark: Mark,
    /// When that was first seen.
    since: Instant,
    /// Not again before this, unless it changes.
    next_try: Instant,
    /// Taken, or given up: only a change makes it count again.
    done: bool,
}

/// What a watch knows; it outlives a folder that goes away and comes back.
#[derive(Default)]
struct Memory {
    files: HashMap<PathBuf, Known>,
    /// Lengths and times of change of what was there at the beginning and does not count: renaming keeps both.
    present: HashSet<Mark>,
    seen: HashSet<[u8; 32]>,
    twice: u64,
}

/// Where a watch leaves what it knows when it ends, for the next watch of the same folder: what arrived meanwhile then counts, and nothing counts twice.
#[derive(Clone, Default)]
pub struct WatchKeep(Arc<Mutex<Option<Memory>>>);

impl WatchKeep {
    fn lock(&self) -> MutexGuard<'_, Option<Memory>> {
        self.0.lock().unwrap_or_else(|poisoned| poisoned.into_inner())
    }
}

/// A running watch.
pub struct WatchedFolder {
    folder: PathBuf,
    options: WatchOptions,
    epoch: Instant,
    memory: Memory,
    keep: WatchKeep,
    /// Files that are ready to be read, oldest first.
    ready: Vec<PathBuf>,
    next_look: Instant,
    count: u64,
    too_many: bool,
}

impl Drop for WatchedFolder {
    fn drop(&mut self) {
        *self.keep.lock() = Some(std::mem::take(&mut self.memory));
    }
}

impl WatchedFolder {
    /// Begins to watch.
    pub fn open(folder: &Path, options: WatchOptions, epoch: Instant) -> Result<Self, Loss> {
        Self::resume(folder, options, epoch, &WatchKeep::default())
    }

    /// Begins to watch, or goes on where the last watch with this keep ended.
    pub fn resume(folder: &Path, options: WatchOptions, epoch: Instant, keep: &WatchKeep) -> Result<Self, Loss> {
        let known = keep.lock().take();
        let new = known.is_none();
        let mut watch = Self {
            folder: folder.to_owned(),
            options,
            epoch,
            memory: known.unwrap_or_default(),
            // Only a watch that has begun leaves something: see below.
            keep: WatchKeep::default(),
            ready: Vec::new(),
            next_look: Instant::now(),
            count: 0,
            too_many: false,
        };
        let now = Instant::now();
        let listed = watch.list();
        if !new || listed.is_ok() {
            watch.keep = keep.clone();
        }
        let listed = listed?;
        if new {
            for (path, mark) in listed {
                // What is still growing will change, and count then.
                watch.memory.files.insert(path, Known { mark, since: now, next_try: now, done: !options.with_present });
                if !options.with_present {
                    watch.memory.present.insert(mark);
                }
            }
        }
        Ok(watch)
    }

    /// The image files of the folder with their marks.
    fn list(&mut self) -> Result<Vec<(PathBuf, Mark)>, Loss> {
        let mut out = Vec::new();
        let mut folders = vec![(self.folder.clone(), 0)];
        self.too_many = false;
        while let Some((folder, depth)) = folders.pop() {
            let entries = match std::fs::read_dir(&folder) {
                Ok(entries) => entries,
                Err(e) if depth == 0 => {
                    return Err(Loss::passing(
                        format!("the folder cannot be read ({e})"),
                        "Check its name; connect the drive or the phone again.",
                    ));
                }
                // A folder that went away meanwhile.
                Err(_) => continue,
            };
            for entry in entries.flatten() {
                let name = entry.file_name();
                let name = name.to_string_lossy();
                if name.starts_with('.') {
                    continue;
                }
                let path = entry.path();
                // A folder is followed only where it is one itself: links may lead in circles.
                match entry.file_type() {
                    Ok(kind) if kind.is_dir() && depth < DEEPEST_FOLDERS => folders.push((path, depth + 1)),
                    Ok(kind) if !kind.is_dir() && is_picture_name(&name) => {
                        if out.len() >= MOST_FILES {
                            self.too_many = true;
                            return Ok(out);
                        }
                        if let Ok(meta) = std::fs::metadata(&path)
                            && meta.is_file()
                        {
                            out.push((path, (meta.len(), meta.modified().ok())));
                        }
                    }
                    _ => {}
                }
            }
        }
        Ok(out)
    }

    /// One look at all names: what has settled becomes ready.
    fn look(&mut self) -> Result<(), Loss> {
        let start = Instant::now();
        let found = self.list()?;
        let now = Instant::now();
        let mut ready = Vec::new();
        for (path, mark) in &found {
            match self.memory.files.get_mut(path) {
                None => {
                    let done = mark.1.is_some() && self.memory.present.contains(mark);
                    self.memory.twice += u64::from(done);
                    self.memory.files.insert(path.clone(), Known { mark: *mark, since: now, next_try: now, done });
                }
                Some(known) if known.mark != *mark => {
                    *known = Known { mark: *mark, since: now, next_try: now, done: false };
                }
                Some(known) => {
                    if !known.done && known.next_try <= now && now - known.since >= self.options.settled {
                        ready.push((mark.1, path.clone()));
                    }
                }
            }
        }
        if self.memory.files.len() > found.len() {
            let there: HashSet<&PathBuf> = found.iter().map(|(path, _)| path).collect();
            self.memory.files.retain(|path, _| there.contains(path));
        }
        ready.sort();
        self.ready = ready.into_iter().map(|(_, path)| path).rev().collect();
        // A slow drive is not asked without pause.
        self.next_look = now + self.options.every.max(4 * (now - start));
        Ok(())
    }

    /// Reads one file that seems to be whole.
    fn read(&mut self, path: &Path) -> Option<Next> {
        let name = path.strip_prefix(&self.folder).unwrap_or(path).to_string_lossy().into_owned();
        let known = self.memory.files.get_mut(path)?;
        let now = Instant::now();
        let waited = now - known.since;
        let result = if is_other_camera_format(&name) {
            Err((
                format!(
                    "pictures of this kind are not read. Set the phone or camera to JPEG (\"most compatible\") and take it again: {name}"
                ),
                true,
            ))
        } else if known.mark.0 > LARGEST_IMAGE_BYTES {
            Err((CaptureError::TooLarge(format!("it has {} bytes", known.mark.0)).to_string(), true))
        } else {
            match crate::capture::read_file(path, LARGEST_IMAGE_BYTES) {
                Err(e) => Err((CaptureError::Unreadable(e.to_string()).to_string(), false)),
                Ok(bytes) => {
                    let hash: [u8; 32] = Sha256::digest(&bytes).into();
                    if self.memory.seen.contains(&hash) {
                        known.done = true;
                        self.memory.twice += 1;
                        return None;
                    }
                    match Frame::from_file(self.count, self.epoch.elapsed(), name.clone(), bytes) {
                        Ok(frame) => {
                            self.memory.seen.insert(hash);
                            Ok(frame)
                        }
                        Err(e) => Err((e.to_string(), matches!(e, CaptureError::TooLarge(_)))),
                    }
                }
            }
        };
        match result {
            Ok(frame) => {
                known.done = true;
                self.count += 1;
                Some(Next::Frame(Box::new(frame)))
            }
            Err((why, at_once)) => {
                if at_once || waited >= self.options.patience {
                    known.done = true;
                    return Some(Next::Spoiled { name, why });
                }
                // Tried again at growing distances: it may be on its way still.
                known.next_try = now + (waited / 2).max(self.options.every);
                None
            }
        }
    }
}

impl FrameSource for WatchedFolder {
    fn about(&self) -> String {
        format!("the folder {}, photographs as they arrive", self.folder.display())
    }

    fn notes(&self) -> Vec<String> {
        let mut notes = Vec::new();
        if self.too_many {
            notes.push(format!(
                "It holds more than {MOST_FILES} pictures, and not all are looked at: choose the folder of this job."
            ));
        }
        if self.memory.twice > 0 {
            notes.push(format!("{} copies or renamed photographs were not counted again.", self.memory.twice));
        }
        notes
    }

    fn next(&mut self, wait: Duration) -> Next {
        let until = Instant::now() + wait;
        loop {
            while let Some(path) = self.ready.pop() {
                if let Some(next) = self.read(&path) {
                    return next;
                }
            }
            let now = Instant::now();
            if self.next_look > now {
                if self.next_look >= until {
                    std::thread::sleep(until.saturating_duration_since(now));
                    return Next::Nothing;
                }
                std::thread::sleep(self.next_look - now);
            }
            if let Err(loss) = self.look() {
                return Next::Lost(loss);
            }
            if self.ready.is_empty() && Instant::now() >= until {
                return Next::Nothing;
            }
        }
    }

    fn is_steady(&self) -> bool {
        false
    }

    fn keeps_all(&self) -> bool {
        true
    }
}

/// Whether a file's name is that of a picture, readable or not.
fn is_picture_name(name: &str) -> bool {
    ["jpg", "jpeg", "jpe", "jfif", "png"].contains(&ending(name).as_str()) || is_other_camera_format(name)
}

/// Formats that phones and cameras write and this program does not read: said instead of passed over.
fn is_other_camera_format(name: &str) -> bool {
    ["heic", "heif", "avif", "webp", "dng", "tif", "tiff"].contains(&ending(name).as_str())
}

fn ending(name: &str) -> String {
    name.rsplit_once('.').map(|(_, e)| e.to_ascii_lowercase()).unwrap_or_default()
}

#[cfg(test)]
mod tests;
