//! Photographs to tags: each is read, checked against its lens profile, searched and let go, several at a time.

use crate::capture::exif::mismatches;
use crate::capture::{CameraIdentity, ExifState, Picture, read_image};
use crate::limits::MOST_TAGS_PER_PHOTOGRAPH;
use crate::record::{Job, JobPhoto, LensProfile, Notice};
use crate::session::{Progress, Watch};
use crate::survey::{Photo, TagView};
use crate::tags::{DetectOptions, detect};
use rayon::prelude::*;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

/// What was seen in the photographs of a job.
#[derive(Clone, Debug)]
pub struct Look {
    /// The photographs that could be read, in the order in which they were taken where all say when, else in the job's. Tests for what moved take it as the order in time.
    pub photos: Vec<Photo>,
    /// The others: index into the job's photographs, and why.
    pub refused: Vec<(usize, String)>,
    /// What should be known about single files.
    pub notices: Vec<Notice>,
}

/// Reads and searches every photograph of a job. The pixels of only as many photographs as there are cores are in memory at a time.
pub fn look(job: &Job, watch: Watch) -> Look {
    gather(job, watch, &AtomicBool::new(false))
}

/// The same, but given up where `stop` becomes true meanwhile; then there is nothing to show.
pub fn look_until(job: &Job, watch: Watch, stop: &AtomicBool) -> Option<Look> {
    let look = gather(job, watch, stop);
    (!stop.load(Ordering::Relaxed)).then_some(look)
}

/// The photographs seen; once `stop` is true the rest is skipped, and what is given back means nothing.
fn gather(job: &Job, watch: Watch, stop: &AtomicBool) -> Look {
    let done = AtomicUsize::new(0);
    let of = job.photos.len();
    watch(Progress::Photographs { done: 0, of });
    let silent = AtomicUsize::new(0);
    let seen: Vec<Seen> = job
        .photos
        .par_iter()
        .map(|photo| {
            if stop.load(Ordering::Relaxed) {
                return Seen::refused(String::new());
            }
            let seen = look_at(photo, &job.lenses[photo.lens], &silent);
            watch(Progress::Photographs { done: done.fetch_add(1, Ordering::Relaxed) + 1, of });
            seen
        })
        .collect();
    let mut look = Look { photos: Vec::new(), refused: Vec::new(), notices: Vec::new() };
    match silent.into_inner() {
        0 => {}
        n => look.notices.push(Notice {
            about: "photographs".into(),
            text: format!(
                "{n} of {of} do not say which camera, lens and zoom took them (no EXIF), so that they were checked against the lens profile by their size alone. Use the files as the camera \
                 wrote them; messengers and picture editors take EXIF out."
            ),
        }),
    }
    // When those that count were taken.
    let mut taken = Vec::new();
    for (k, Seen { photo: seen, note, taken: when }) in seen.into_iter().enumerate() {
        let about = job.photos[k].name.clone();
        if let Some(note) = note {
            look.notices.push(Notice { about: about.clone(), text: format!("Note: {note}.") });
        }
        match seen {
            Ok(photo) => match look.photos.iter().find(|known| is_copy(known, &photo)) {
                Some(known) => {
                    let reason = format!(
                        "it is a copy of {}: one photograph counts once. Take another instead of copying one.",
                        known.name
                    );
                    look.notices.push(Notice { about, text: format!("Not used: {reason}") });
                    look.refused.push((k, reason));
                }
                None => {
                    look.photos.push(photo);
                    taken.push(when);
                }
            },
            Err(reason) => {
                look.notices.push(Notice { about, text: format!("Not used: {reason}") });
                look.refused.push((k, reason));
            }
        }
    }
    // The cameras' clocks tell to the second: within one the job's order stays.
    if let Some(taken) = taken.into_iter().collect::<Option<Vec<String>>>() {
        let mut both: Vec<(String, Photo)> = taken.into_iter().zip(look.photos).collect();
        both.sort_by(|(a, _), (b, _)| a.cmp(b));
        look.photos = both.into_iter().map(|(_, photo)| photo).collect();
    }
    look
}

/// One photograph, looked at.
struct Seen {
    /// Its tags, or why it is refused.
    photo: Result<Photo, String>,
    /// What should be known of it.
    note: Option<String>,
    /// When it was taken, where its camera says: texts that sort like the times.
    taken: Option<String>,
}

impl Seen {
    fn refused(why: String) -> Self {
        Seen { photo: Err(why), note: None, taken: None }
    }
}

/// Two photographs in which every corner lies on the same spot are one: two shots, even from a tripod, differ by their noise.
fn is_copy(a: &Photo, b: &Photo) -> bool {
    !a.tags.is_empty()
        && a.tags.len() == b.tags.len()
        && a.tags.iter().all(|tag| b.tags.iter().any(|other| other.id == tag.id && other.corners == tag.corners))
}

/// Looks at one photograph.
///
/// `silent` counts the photographs that could not be compared with a profile that names its camera.
fn look_at(photo: &JobPhoto, profile: &LensProfile, silent: &AtomicUsize) -> Seen {
    let picture = match read_image(&photo.path) {
        Ok(picture) => picture,
        Err(error) => return Seen::refused(error.to_string()),
    };
    let mut picture = picture;
    note_exif(&mut picture);
    let picture = picture;
    let note = picture.note.clone();
    let taken = picture.exif.facts().and_then(|f| f.taken.clone());
    let refused = |why: String| Seen { photo: Err(why), note: note.clone(), taken: None };
    if profile.identity != CameraIdentity::default()
        && picture.exif.facts().is_none_or(|f| f.identity == CameraIdentity::default())
    {
        silent.fetch_add(1, Ordering::Relaxed);
    }
    let (lens, gray) = (&profile.lens, &picture.gray);
    if (gray.width(), gray.height()) != (lens.width, lens.height) {
        let turned = (gray.width(), gray.height()) == (lens.height, lens.width);
        let remedy = if turned {
            "Its stored pixels are turned on their side: use the photograph as the camera wrote it, not a turned copy."
        } else {
            "Use the photograph as the camera wrote it, not a resized or cropped copy, or name the profile of the camera that took it."
        };
        let reason = format!(
            "it has {} x {} pixels and the lens profile {} is for {} x {}. {remedy}",
            gray.width(),
            gray.height(),
            profile.file,
            lens.width,
            lens.height
        );
        return refused(reason);
    }
    if let Some(reason) = other_camera(&picture.exif, profile) {
        return refused(reason);
    }
    let options = DetectOptions { lens: Some(*lens), tone: profile.tone.clone(), ..DetectOptions::default() };
    let found = detect(gray, &options);
    if found.len() > MOST_TAGS_PER_PHOTOGRAPH {
        let reason = format!(
            "it shows {} tags, and {MOST_TAGS_PER_PHOTOGRAPH} are the most that are used. Keep other printed tags out of the picture.",
            found.len()
        );
        return refused(reason);
    }
    let tags = found.into_iter().map(|d| TagView { id: d.id, corners: d.corners, cov: d.cov }).collect();
    let photo = Photo {
        name: photo.name.clone(),
        lens: photo.lens,
        station: photo.station,
        position: photo.position,
        hold: None,
        tags,
    };
    Seen { photo: Ok(photo), note, taken }
}

/// Why a photograph was not taken with the profile's camera, lens and zoom, with both values; `None` where nothing contradicts.
pub fn other_camera(exif: &ExifState, profile: &LensProfile) -> Option<String> {
    let found = mismatches(&profile.identity, &exif.facts()?.identity);
    let values: Vec<String> =
        found.iter().map(|m| format!("{} {} instead of {}", m.what, m.of_photo, m.of_profile)).collect();
    (!values.is_empty()).then(|| {
        format!(
            "it was not taken as the lens profile {} says: {}. Name the profile of this camera, lens and zoom, or make one with `plumbsight lens`.",
            profile.file,
            values.join("; ")
        )
    })
}

/// What the camera says about the picture that a measurement should know.
fn note_exif(picture: &mut Picture) {
    let said = match &picture.exif {
        ExifState::Missing => None,
        ExifState::Damaged(why) => Some(format!("its EXIF cannot be read ({why}); camera and zoom are taken as not known")),
        ExifState::Read(facts) if facts.composite => {
            Some("the camera put it together from several exposures, which may bend the picture: switch that off for measuring".into())
        }
        ExifState::Read(facts) if facts.orientation.is_some_and(|o| matches!(o, 2 | 4 | 5 | 7)) => {
            Some("the camera marks it as mirrored for display; the stored pixels are used as they are".into())
        }
        ExifState::Read(_) => None,
    };
    picture.note = match (picture.note.take(), said) {
        (Some(a), Some(b)) => Some(format!("{a}; {b}")),
        (a, b) => a.or(b),
    };
}
