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
    /// The photographs that could be read, in the order in which they were taken where one camera took them all and says when, else in the job's. Tests for what moved take it as the
    /// order in time.
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
    // Of those that count, which camera and when.
    let mut shots = Vec::new();
    let mut copies = Vec::new();
    for (k, Seen { photo: seen, note, shot }) in seen.into_iter().enumerate() {
        let about = job.photos[k].name.clone();
        if let Some(note) = note {
            look.notices.push(Notice { about: about.clone(), text: format!("Note: {note}.") });
        }
        match seen {
            Ok(mut photo) => match look.photos.iter().position(|known| is_copy(known, &photo)) {
                Some(known) => {
                    // Programs make names of copies longer: "003 (1).jpg".
                    let (mut k, mut about) = (k, about);
                    if photo.name.len() < look.photos[known].name.len() {
                        std::mem::swap(&mut look.photos[known], &mut photo);
                        shots[known] = shot;
                        about = photo.name.clone();
                        k = job.photos.iter().position(|p| p.name == about).unwrap_or(k);
                    }
                    copies.push((k, about, known));
                }
                None => {
                    look.photos.push(photo);
                    shots.push(shot);
                }
            },
            Err(reason) => {
                look.notices.push(Notice { about, text: format!("Not used: {reason}") });
                look.refused.push((k, reason));
            }
        }
    }
    for (k, about, known) in copies {
        let reason = format!(
            "it is a copy of {}: one photograph counts once. Take another instead of copying one.",
            look.photos[known].name
        );
        look.notices.push(Notice { about, text: format!("Not used: {reason}") });
        look.refused.push((k, reason));
    }
    let names: Vec<&str> = look.photos.iter().map(|p| p.name.as_str()).collect();
    let (order, said) = in_time(&shots, &names);
    look.notices.extend(said.map(|text| Notice { about: "photographs".into(), text }));
    let mut both: Vec<(usize, Photo)> = order.into_iter().zip(look.photos).collect();
    both.sort_by_key(|(place, _)| *place);
    look.photos = both.into_iter().map(|(_, photo)| photo).collect();
    look
}

/// Which camera took a photograph, and when by its clock.
#[derive(Clone, Debug, Default, PartialEq)]
struct Shot {
    /// Index of its lens in the job.
    lens: usize,
    /// Maker and model, where the camera writes them.
    camera: Option<String>,
    /// Texts that sort like the times.
    taken: Option<String>,
}

/// The place of each photograph in the order in time, and what is to be said of that. They come in the job's order (roll positions, stations, names).
///
/// The clock of one camera puts its photographs in order (to the second: within one the job's order stays). Clocks of two cameras need not agree, and by them a body that was moved once might seem to go to and
/// fro: then the job's order stays.
fn in_time(shots: &[Shot], names: &[&str]) -> (Vec<usize>, Option<String>) {
    let as_listed: Vec<usize> = (0..shots.len()).collect();
    let mut cameras = shots.iter().filter_map(|shot| shot.camera.as_ref());
    let first = cameras.next();
    let several = shots.iter().any(|shot| shot.lens != shots[0].lens) || cameras.any(|camera| Some(camera) != first);
    if several && shots.iter().any(|shot| shot.taken.is_some()) {
        let said = "several cameras took them, whose clocks need not agree: they are taken to be in the order of roll positions, stations and names. If anything may have moved between photographs, name the \
                    files in the order in which they were taken, those of all cameras together.";
        return (as_listed, Some(said.into()));
    }
    if several || shots.iter().any(|shot| shot.taken.is_none()) {
        return (as_listed, None);
    }
    let mut by_time = as_listed.clone();
    by_time.sort_by(|a, b| shots[*a].taken.cmp(&shots[*b].taken));
    let mut places = vec![0; shots.len()];
    for (place, k) in by_time.iter().enumerate() {
        places[*k] = place;
    }
    let back = (1..shots.len()).find(|k| places[*k] < places[k - 1]);
    let said = back.map(|k| {
        let when = |k: usize| shots[k].taken.as_deref().unwrap_or_default();
        format!(
            "their times are in another order than their names: {} was taken at {}, and {} before it, at {}. The times count. If the camera's clock was set in between, or two cameras of one kind were at work, name \
             the files in the order in which they were taken and take the times out.",
            names[k - 1],
            when(k - 1),
            names[k],
            when(k)
        )
    });
    (places, said.or_else(|| several_days(shots, names, &by_time)))
}

/// Neighbours in time that were taken on two days: what moved overnight (tyres, floor, stand) looks like one state of the bay.
fn several_days(shots: &[Shot], names: &[&str], by_time: &[usize]) -> Option<String> {
    let when = |k: usize| shots[k].taken.as_deref().unwrap_or_default();
    let day = |k: usize| when(k).get(..10);
    let pair = by_time.windows(2).find(|pair| day(pair[0]) != day(pair[1]))?;
    Some(format!(
        "they were not taken on one day: {} at {}, and the next, {}, at {}. Whatever moved a little in between, tyres and floor among it, is in the result: take all of them again in one go, unless the bay was left \
         untouched.",
        names[pair[0]],
        when(pair[0]),
        names[pair[1]],
        when(pair[1])
    ))
}

/// One photograph, looked at.
struct Seen {
    /// Its tags, or why it is refused.
    photo: Result<Photo, String>,
    /// What should be known of it.
    note: Option<String>,
    /// Which camera took it, and when.
    shot: Shot,
}

impl Seen {
    fn refused(why: String) -> Self {
        Seen { photo: Err(why), note: None, shot: Shot::default() }
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
    let facts = picture.exif.facts();
    let camera =
        facts.map(|f| [&f.identity.make, &f.identity.model].map(|t| t.as_deref().unwrap_or_default()).join(" "));
    let shot =
        Shot { lens: photo.lens, camera: camera.filter(|c| c.len() > 1), taken: facts.and_then(|f| f.taken.clone()) };
    let refused = |why: String| Seen { photo: Err(why), note: note.clone(), shot: Shot::default() };
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
    let tags = found.into_iter().map(TagView::from).collect();
    let photo = Photo {
        name: photo.name.clone(),
        lens: photo.lens,
        station: photo.station,
        position: photo.position,
        hold: None,
        tags,
    };
    Seen { photo: Ok(photo), note, shot }
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

#[cfg(test)]
mod tests {
    use super::*;

    fn shot(lens: usize, model: &str, taken: &str) -> Shot {
        Shot {
            lens,
            camera: (!model.is_empty()).then(|| model.into()),
            taken: (!taken.is_empty()).then(|| format!("2026-11-25 {taken}")),
        }
    }

    #[test]
    fn one_clock_orders_and_two_do_not() {
        let names = ["p1", "p2", "p3"];
        let order = |shots: [Shot; 3]| in_time(&shots, &names);
        let in_names = [shot(0, "a", "15:04:05"), shot(0, "a", "15:04:05"), shot(0, "a", "15:04:07")];
        assert_eq!(order(in_names), (vec![0, 1, 2], None));
        let (places, said) = order([shot(0, "a", "15:04:06"), shot(0, "a", "15:04:07"), shot(0, "a", "15:04:05")]);
        assert_eq!(places, [1, 2, 0]);
        let said = said.unwrap();
        assert!(said.contains("p2 was taken at 2026-11-25 15:04:07") && said.contains("p3 before it"), "{said}");
        // One says nothing of its time.
        assert_eq!(
            order([shot(0, "a", "15:04:06"), shot(0, "a", ""), shot(0, "a", "15:04:05")]),
            (vec![0, 1, 2], None)
        );
        // One says nothing at all: it is no other camera.
        assert_eq!(order([shot(0, "a", "15:04:06"), shot(0, "", ""), shot(0, "a", "15:04:05")]), (vec![0, 1, 2], None));
        // Two cameras, by lens or by what they write: an hour between their clocks must not shuffle what was taken in turn.
        for other in [shot(1, "a", "14:04:06"), shot(0, "b", "14:04:06")] {
            let (places, said) = order([shot(0, "a", "15:04:05"), other, shot(0, "a", "15:04:07")]);
            assert_eq!(places, [0, 1, 2]);
            assert!(said.unwrap().contains("clocks need not agree"));
        }
        assert_eq!(in_time(&[], &[]), (vec![], None));
        // Two days of one camera.
        let overnight = Shot { taken: Some("2026-11-26 08:00:01".into()), ..shot(0, "a", "15:04:05") };
        let (places, said) = order([shot(0, "a", "15:04:05"), overnight, shot(0, "a", "15:04:07")]);
        assert_eq!(places, [0, 2, 1]);
        assert!(said.unwrap().contains("p2 was taken at"), "the order is in doubt first");
        let overnight = Shot { taken: Some("2026-11-26 08:00:01".into()), ..shot(0, "a", "15:04:05") };
        let said = order([shot(0, "a", "15:04:05"), shot(0, "a", "15:04:07"), overnight]).1.unwrap();
        assert!(said.contains("not taken on one day") && said.contains("p2 at 2026-11-25 15:04:07"), "{said}");
    }
}
