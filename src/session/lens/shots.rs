//! Photographs of a board, read and searched several at a time; what does not belong together is named.

use crate::calibrate::Pattern;
use crate::calibrate::grid::{GridMatch, chessboard_view};
use crate::calibrate::seen::{SeenBoard, board_view, mirrored};
use crate::capture::ExifState;
use crate::capture::exif::mismatches;
use crate::raster::Gray;
use crate::record::keep::manifest::sha256_hex;
use crate::record::{Notice, Problem};
use crate::session::lens::LensRequest;
use crate::session::{Failure, Progress, Watch};
use crate::tags::{DetectOptions, detect};
use rayon::prelude::*;
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Edges blurred by more than this (standard deviation) are not sharp, px. Common practice, no source.
const BLURRED_PX: f64 = 2.5;

/// One photograph of the board.
pub(super) struct Shot {
    /// As the user named it.
    pub name: String,
    /// Its file name alone.
    pub file_name: String,
    /// SHA-256 of the file.
    pub sha256: String,
    /// Its pixels.
    pub gray: Gray,
    /// What the camera wrote.
    pub exif: ExifState,
    /// The day it was taken, from EXIF or from the file.
    pub date: Option<String>,
    /// The board in it.
    pub seen: SeenBoard,
    /// Every point of the board is seen.
    pub whole: bool,
}

/// A photograph, or why it is left out; and what should be known about it.
type Read = (Result<Shot, String>, Vec<String>);

/// Reads and searches all photographs. Fails where they do not belong together or none shows the board.
pub(super) fn read_shots(request: &LensRequest, watch: Watch) -> Result<(Vec<Shot>, Vec<Notice>), Failure> {
    let done = AtomicUsize::new(0);
    let of = request.photos.len();
    watch(Progress::Photographs { done: 0, of });
    let read: Vec<Read> = request
        .photos
        .par_iter()
        .map(|path| {
            let shot = read_shot(path, request);
            watch(Progress::Photographs { done: done.fetch_add(1, Ordering::Relaxed) + 1, of });
            shot
        })
        .collect();
    let mut notices = Vec::new();
    let mut shots: Vec<Shot> = Vec::new();
    let mut sizes: Vec<(String, (usize, usize))> = Vec::new();
    for (path, (shot, notes)) in request.photos.iter().zip(read) {
        let about = path.display().to_string();
        notices.extend(notes.into_iter().map(|text| Notice { about: about.clone(), text }));
        match shot {
            Ok(shot) => {
                sizes.push((about, (shot.gray.width(), shot.gray.height())));
                let same = shots.iter().find(|s| s.sha256 == shot.sha256).map(|s| {
                    format!("it is the same file as {}, and twice the same picture says nothing new.", s.name)
                });
                match same.or_else(|| unusable(&shot, request)) {
                    None => shots.push(shot),
                    Some(why) => notices.push(Notice { about: shot.name, text: format!("Not used: {why}") }),
                }
            }
            Err(why) => notices.push(Notice { about, text: format!("Not used: {why}") }),
        }
    }
    one_size(&sizes)?;
    one_camera(&shots)?;
    if shots.is_empty() {
        let which = if of == 1 {
            "The only photograph does not show".to_owned()
        } else {
            format!("None of the {of} photographs shows")
        };
        let reason =
            format!("{which} the board \"{}\". The notices say why; is it the right board file?", request.board.name);
        return Err(Failure::NotMeasurable { reason, notices });
    }
    if shots.iter().all(|s| s.exif == ExifState::Missing) {
        notices.push(Notice {
            about: "photographs".into(),
            text: "They hold no EXIF, so nothing says which camera, lens and zoom took them: the profile cannot be checked against later photographs by name. Webcams \
                   write none; a phone's do unless they were sent through a messenger."
                .into(),
        });
    }
    Ok((shots, notices))
}

/// Photographs of different sizes do not belong to one lens.
fn one_size(sizes: &[(String, (usize, usize))]) -> Result<(), Problem> {
    let Some((first, size)) = sizes.first() else { return Ok(()) };
    match sizes.iter().find(|(_, other)| other != size) {
        None => Ok(()),
        Some((name, other)) => Err(Problem::of_file(
            name,
            format!("it has {} x {} pixels and {first} has {} x {}", other.0, other.1, size.0, size.1),
            "A profile belongs to one image size and one way of holding the sensor: use photographs as the camera wrote them, all of one size, none turned.",
        )),
    }
}

/// Photographs of different cameras, lenses or zooms do not belong to one lens.
fn one_camera(shots: &[Shot]) -> Result<(), Problem> {
    let mut with_facts = shots.iter().filter_map(|s| Some((&s.name, &s.exif.facts()?.identity)));
    let Some((first, identity)) = with_facts.next() else { return Ok(()) };
    for (name, other) in with_facts {
        if let Some(m) = mismatches(identity, other).first() {
            return Err(Problem::of_file(
                name,
                format!("its {} is {} and that of {first} is {}", m.what, m.of_photo, m.of_profile),
                "A profile belongs to one camera with one lens at one zoom: sort the photographs and make one profile for each.",
            ));
        }
    }
    Ok(())
}

fn read_shot(path: &Path, request: &LensRequest) -> Read {
    let mut notes = Vec::new();
    let (picture, bytes) = match crate::capture::read_image_bytes(path) {
        Ok(read) => read,
        Err(error) => return (Err(error.to_string()), notes),
    };
    notes.extend(picture.note.as_ref().map(|n| format!("Note: {n}.")));
    match &picture.exif {
        ExifState::Damaged(why) => {
            notes.push(format!("Its EXIF cannot be read ({why}); camera and zoom are taken as not known."))
        }
        ExifState::Read(facts) => {
            if facts.orientation.is_some_and(|o| matches!(o, 2 | 4 | 5 | 7)) {
                notes.push(
                    "The camera marks it as mirrored for display; the stored pixels are used as they are.".into(),
                );
            }
            if facts.composite {
                notes.push("The camera put it together from several exposures, which may bend the picture: switch that off for measuring.".into());
            }
        }
        ExifState::Missing => {}
    }
    let name = path.display().to_string();
    let gray = picture.gray;
    let (seen, whole) = match request.board.pattern {
        Pattern::Tags { .. } => {
            let found = detect(&gray, &DetectOptions::default());
            let seen = board_view(&request.board, &name, &found);
            if seen.view.groups.is_empty() && seen.twice.is_empty() {
                return (Err(nothing_seen(&gray, &seen, request)), notes);
            }
            let whole = seen.view.n_points() == request.board.n_points();
            (seen, whole)
        }
        Pattern::Chessboard => match chessboard_view(&request.board, &name, &gray) {
            None => {
                return (
                    Err("no chessboard was found in it. Blurred, dark, too far away, or not in view?".into()),
                    notes,
                );
            }
            Some((_, GridMatch::Larger(columns, rows))) => {
                return (
                    Err(format!(
                        "its chessboard has {columns} x {rows} inner corners and the board file says {} x {}. Count the inner corners, where four squares meet; or are two chessboards in it? Keep one in view.",
                        request.board.columns, request.board.rows
                    )),
                    notes,
                );
            }
            Some((seen, matched)) => (seen, matched == GridMatch::Whole),
        },
    };
    let date = picture_date(&picture.exif, path);
    let file_name = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_else(|| name.clone());
    (Ok(Shot { name, file_name, sha256: sha256_hex(&bytes), gray, exif: picture.exif, date, seen, whole }), notes)
}

/// Why a photograph holds no tag of the board.
fn nothing_seen(gray: &Gray, seen: &SeenBoard, request: &LensRequest) -> String {
    if !seen.foreign.is_empty() {
        return format!(
            "none of its tags ({}) is on the board \"{}\". Name the file of the board that was photographed.",
            listed(&seen.foreign),
            request.board.name
        );
    }
    let found = mirrored(gray).map(|m| board_view(&request.board, "", &detect(&m, &DetectOptions::default())));
    if found.is_some_and(|m| m.view.groups.len() >= 2) {
        return "it is a mirror image (the tags can be read only after exchanging left and right), as selfie cameras store it. Switch mirroring off or use the camera on the back."
            .into();
    }
    "no tag was found in it. Blurred, dark, too far away, or not in view?".into()
}

/// Why a photograph in which the board was seen is left out.
fn unusable(shot: &Shot, request: &LensRequest) -> Option<String> {
    let seen = &shot.seen;
    if let [id, ..] = seen.twice.as_slice() {
        return Some(match request.board.pattern {
            Pattern::Tags { .. } => format!(
                "tag {id} is in it more than once ({} ids are): two boards, or a reflection. Keep one board in view.",
                seen.twice.len()
            ),
            Pattern::Chessboard => "two chessboards are in it. Keep one board in view.".into(),
        });
    }
    if let Some(blur) = seen.blur_px
        && blur > BLURRED_PX
    {
        return Some(format!(
            "it is blurred (edges spread over {blur:.1} px). Hold still, give more light, and let it focus."
        ));
    }
    let least = match request.board.pattern {
        Pattern::Tags { .. } => 16,
        Pattern::Chessboard => 9,
    };
    let (n, all) = (seen.view.n_points(), request.board.n_points());
    (n < least).then(|| format!("only {n} of the board's {all} points are in it. Bring more of the board into view."))
}

/// Ids in a sentence: the first few.
fn listed(ids: &[u16]) -> String {
    let first: Vec<String> = ids.iter().take(4).map(u16::to_string).collect();
    match ids.len() {
        n if n > 4 => format!("{} and {} more", first.join(", "), n - 4),
        _ => first.join(", "),
    }
}

/// The day of a photograph: as the camera wrote it, else the file's.
fn picture_date(exif: &ExifState, path: &Path) -> Option<String> {
    let written = exif.facts().and_then(|f| f.taken.as_deref()).and_then(|t| t.get(..10)).map(str::to_owned);
    written.or_else(|| {
        let modified = std::fs::metadata(path).and_then(|m| m.modified()).ok()?;
        let seconds = modified.duration_since(std::time::UNIX_EPOCH).ok()?.as_secs();
        Some(day_from_seconds(seconds))
    })
}

/// `2026-11-25` from seconds since 1970-01-01 (UTC), by counting years and months.
fn day_from_seconds(seconds: u64) -> String {
    let leap = |y: u64| (y.is_multiple_of(4) && !y.is_multiple_of(100)) || y.is_multiple_of(400);
    let mut days = seconds / 86_400;
    let mut year = 1970;
    while days >= 365 + u64::from(leap(year)) {
        days -= 365 + u64::from(leap(year));
        year += 1;
    }
    let months = [31, 28 + u64::from(leap(year)), 31, 30, 31, 30, 31, 31, 30, 31, 30, 31];
    let mut month = 1;
    for length in months {
        if days < length {
            break;
        }
        days -= length;
        month += 1;
    }
    format!("{year:04}-{month:02}-{:02}", days + 1)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: `date -u -d @N +%F` (GNU coreutils).
    #[test]
    fn days_are_calendar_days() {
        for (seconds, day) in [
            (0, "1970-01-01"),
            (951_782_400, "2000-02-29"),
            (1_709_164_799, "2024-02-28"),
            (1_795_564_800, "2026-11-25"),
        ] {
            assert_eq!(day_from_seconds(seconds), day);
        }
    }
}
