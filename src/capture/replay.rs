//! Saved pictures played again, in the order of their names, through the same code as live ones.

use crate::capture::source::{Frame, FrameSource, Loss, Next};
use std::cmp::Ordering;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How fast saved pictures are given.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Pace {
    /// As fast as they are asked for; their times are as if they had been taken at this rate (pictures in a second).
    AsAsked(f64),
    /// At this rate, as if a camera sent them.
    Timed(f64),
}

impl Pace {
    /// Pictures in a second.
    pub fn rate_hz(self) -> f64 {
        match self {
            Pace::AsAsked(rate) | Pace::Timed(rate) => rate,
        }
    }
}

/// A folder of saved pictures.
pub struct SavedFolder {
    folder: PathBuf,
    files: Vec<PathBuf>,
    next: usize,
    pace: Pace,
    start: Instant,
}

impl SavedFolder {
    /// Reads the names. Fails where there are none, or where the rate is no rate.
    pub fn open(folder: &Path, pace: Pace) -> Result<Self, Loss> {
        let rate = pace.rate_hz();
        if !(rate.is_finite() && (1e-3..=1e4).contains(&rate)) {
            return Err(Loss::lasting(
                format!("{rate} pictures a second is no rate for a replay"),
                "Give a number from 0.001 to 10000.",
            ));
        }
        let entries = std::fs::read_dir(folder)
            .map_err(|e| Loss::lasting(format!("the folder cannot be read ({e})"), "Check its name."))?;
        let mut files: Vec<PathBuf> = entries
            .flatten()
            .map(|e| e.path())
            .filter(|p| {
                let ending = p.extension().map(|e| e.to_string_lossy().to_ascii_lowercase()).unwrap_or_default();
                let hidden = p.file_name().is_some_and(|n| n.to_string_lossy().starts_with('.'));
                !hidden && ["jpg", "jpeg", "jpe", "jfif", "png"].contains(&ending.as_str()) && p.is_file()
            })
            .collect();
        if files.is_empty() {
            return Err(Loss::lasting(
                "the folder holds no JPEG or PNG pictures",
                "Name the folder the pictures are in; folders inside it are not searched.",
            ));
        }
        files.sort_by(|a, b| in_number_order(&name_of(a), &name_of(b)));
        Ok(Self { folder: folder.to_owned(), files, next: 0, pace, start: Instant::now() })
    }

    /// How many pictures there are.
    pub fn len(&self) -> usize {
        self.files.len()
    }

    /// Never: a folder without pictures is refused.
    pub fn is_empty(&self) -> bool {
        self.files.is_empty()
    }
}

fn name_of(path: &Path) -> String {
    path.file_name().unwrap_or_default().to_string_lossy().into_owned()
}

/// Names by their letters, numbers in them by their value: `p2` before `p10`.
pub(crate) fn in_number_order(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a.as_bytes(), b.as_bytes());
    loop {
        let digits = |s: &[u8]| s.iter().take_while(|c| c.is_ascii_digit()).count();
        match (digits(a), digits(b)) {
            (0, _) | (_, 0) => match (a.first(), b.first()) {
                (Some(x), Some(y)) if x == y => (a, b) = (&a[1..], &b[1..]),
                (x, y) => return x.cmp(&y),
            },
            (m, n) => {
                let [x, y] = [&a[..m], &b[..n]].map(|s| s.iter().skip_while(|c| **c == b'0').collect::<Vec<_>>());
                // As many leading zeros as there may be: the longer of equal numbers comes later.
                match x.len().cmp(&y.len()).then(x.cmp(&y)).then(m.cmp(&n)) {
                    Ordering::Equal => (a, b) = (&a[m..], &b[n..]),
                    other => return other,
                }
            }
        }
    }
}

impl FrameSource for SavedFolder {
    fn about(&self) -> String {
        let how = match self.pace {
            Pace::AsAsked(_) => "one after the other".to_owned(),
            Pace::Timed(rate) => format!("{rate} a second"),
        };
        format!("{} saved pictures of {}, {how}", self.files.len(), self.folder.display())
    }

    fn next(&mut self, wait: Duration) -> Next {
        let Some(path) = self.files.get(self.next) else { return Next::End };
        let time = Duration::from_secs_f64(self.next as f64 / self.pace.rate_hz());
        if let Pace::Timed(_) = self.pace {
            let due = self.start + time;
            let left = due.saturating_duration_since(Instant::now());
            if left > wait {
                std::thread::sleep(wait);
                return Next::Nothing;
            }
            std::thread::sleep(left);
        }
        let number = self.next as u64;
        self.next += 1;
        let name = name_of(path);
        let read = crate::capture::read_image_file(path);
        match read.and_then(|bytes| Frame::from_file(number, time, name.clone(), bytes)) {
            Ok(frame) => Next::Frame(Box::new(frame)),
            Err(error) => Next::Spoiled { name, why: error.to_string() },
        }
    }

    fn is_steady(&self) -> bool {
        false
    }

    fn keeps_all(&self) -> bool {
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::encode_gray_png;
    use crate::raster::Gray;

    fn save(folder: &Path, name: &str, value: u8) {
        std::fs::write(folder.join(name), encode_gray_png(&Gray::filled(8, 8, value)).unwrap()).unwrap();
    }

    #[test]
    fn numbers_in_names_count_as_numbers() {
        let mut names = vec!["p10.png", "p2.png", "p1.png", "q1.png", "p02.png", "p2b.png", "p.png"];
        names.sort_by(|a, b| in_number_order(a, b));
        assert_eq!(names, ["p.png", "p1.png", "p2.png", "p2b.png", "p02.png", "p10.png", "q1.png"]);
    }

    #[test]
    fn every_picture_comes_once_in_order_and_a_bad_one_is_named() {
        let dir = tempfile::tempdir().unwrap();
        for (k, name) in ["a1.png", "a2.png", "a10.png"].iter().enumerate() {
            save(dir.path(), name, k as u8);
        }
        std::fs::write(dir.path().join("a3.png"), "no picture").unwrap();
        std::fs::write(dir.path().join("notes.txt"), "no picture").unwrap();
        let mut saved = SavedFolder::open(dir.path(), Pace::AsAsked(4.0)).unwrap();
        let mut seen = Vec::new();
        loop {
            match saved.next(Duration::ZERO) {
                Next::Frame(f) => seen.push(format!("{} {} {:?} {}", f.number, f.name, f.time, f.gray.at(0, 0))),
                Next::Spoiled { name, why } => {
                    assert!(why.contains("neither"), "{why}");
                    seen.push(name);
                }
                Next::End => break,
                other => panic!("{other:?}"),
            }
        }
        assert_eq!(seen, ["0 a1.png 0ns 0", "1 a2.png 250ms 1", "a3.png", "3 a10.png 750ms 2"]);
    }

    #[test]
    fn timed_pictures_are_not_early() {
        let dir = tempfile::tempdir().unwrap();
        (0..4).for_each(|k| save(dir.path(), &format!("{k}.png"), k));
        let start = Instant::now();
        let mut saved = SavedFolder::open(dir.path(), Pace::Timed(20.0)).unwrap();
        let mut seen = 0;
        while seen < 4 {
            if let Next::Frame(frame) = saved.next(Duration::from_millis(7)) {
                assert!(start.elapsed() >= frame.time, "{} came too early", frame.name);
                seen += 1;
            }
        }
        assert!(matches!(saved.next(Duration::ZERO), Next::End));
    }

    #[test]
    fn what_cannot_be_played_is_said() {
        let dir = tempfile::tempdir().unwrap();
        let says = |pace, folder: &Path| SavedFolder::open(folder, pace).err().unwrap().to_string();
        assert!(says(Pace::AsAsked(1.0), dir.path()).contains("no JPEG or PNG"));
        assert!(says(Pace::AsAsked(1.0), &dir.path().join("none")).contains("cannot be read"));
        for rate in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(says(Pace::Timed(rate), dir.path()).contains("no rate"));
        }
    }
}
