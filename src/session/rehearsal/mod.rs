//! Rehearsals: a bay with known truth is made, a trainee works it with the ordinary commands, answers, and is shown the truth.
//!
//! Everything follows from the rehearsal and the seed, so that a class that uses one seed can compare, and so that the truth need not lie in the
//! trainee's folder: it is worked out again when the answer is marked.

mod job_text;
mod mark;
mod truth;
mod walk;

pub use mark::{Marked, Point, mark, mark_beside};
pub use truth::{Happened, Truth, truth_of};

use crate::capture::write_jpeg;
use crate::raster::Gray;
use crate::record::rehearsal::{ANSWER_FILE, ANSWER_TEXT, MARK_FORMAT, REHEARSAL_FILE, Rehearsal, RehearsalMark};
use crate::record::{Problem, json_text, make_folder, write_atomically};
use crate::scene::draw::{Draw, Purpose};
use crate::scene::render::{LightImage, RenderOptions, expose, light_image, view};
use crate::session::{Failure, Progress, Watch};
use std::path::{Path, PathBuf};

/// Quality of the photographs, percent, as webcams use it. Common practice, no source.
const JPEG_QUALITY: u8 = 92;

/// Number of the first photograph of the hold watch, so that its noise is its own.
const HOLD_FIRST: u32 = 10_000;

/// Makes a rehearsal's folder: an ordinary job with painted photographs, the story, and an answer sheet.
///
/// # Errors
/// The folder holds something already, or cannot be written.
pub fn begin(rehearsal: &Rehearsal, seed: u64, folder: &Path, watch: Watch) -> Result<PathBuf, Failure> {
    if walk::holds_something(folder) {
        return Err(Problem::of_file(
            folder.display().to_string(),
            "the folder holds something already",
            "Nothing was written. Name a new folder: a rehearsal never overwrites an answer.",
        )
        .into());
    }
    let truth = truth_of(rehearsal, seed)?;
    let unfinished = walk::unfinished(folder)?;
    paint(rehearsal, &truth, seed, &unfinished, watch)?;
    walk::finish(&unfinished, folder)?;
    Ok(folder.to_owned())
}

/// Writes everything into the folder `folder`.
fn paint(rehearsal: &Rehearsal, truth: &Truth, seed: u64, folder: &Path, watch: Watch) -> Result<(), Failure> {
    make_folder(&folder.join("photos"))?;
    let jpeg = |picture: &Gray| {
        write_jpeg(picture, JPEG_QUALITY).map_err(|e| {
            Problem::of_file("picture", e.to_string(), "This is a fault of the program: please report it.")
        })
    };
    let put = |name: &str, bytes: &[u8]| write_atomically(&folder.join(name), bytes);
    for (name, text) in job_text::files(rehearsal, truth) {
        put(&name, text.as_bytes())?;
    }
    put("story.txt", format!("{}\n\n{}\n", rehearsal.title, rehearsal.story.trim()).as_bytes())?;
    put(ANSWER_FILE, ANSWER_TEXT.as_bytes())?;
    let of = truth.photographs() + rehearsal.hold_frames;
    let options = RenderOptions { blur_px: 0.55, ..RenderOptions::default() };
    for photo in 0..truth.photographs() {
        watch(Progress::Photographs { done: photo, of });
        let (bay, camera) = truth.photograph(photo);
        put(&truth.photo_file(photo), &jpeg(&view(bay, &camera, &options, photo as u32))?)?;
    }
    if rehearsal.hold_frames > 0 {
        make_folder(&folder.join("hold"))?;
    }
    // Camera and bay stand still but for the bump: the light on the sensor is the same in all frames before it, and in all after it; their noise is not.
    let mut light: Option<(bool, LightImage)> = None;
    for frame in 0..rehearsal.hold_frames {
        watch(Progress::Photographs { done: truth.photographs() + frame, of });
        let (bay, camera, moved) = truth.hold_frame(frame);
        let number = HOLD_FIRST + frame as u32;
        let (_, now) = match light.take() {
            Some(same) if same.0 == moved => light.insert(same),
            _ => light.insert((moved, light_image(bay, &camera, &options, number))),
        };
        let picture = expose(now, &options, &mut Draw::new(bay.options.seed, Purpose::Photo(number)));
        put(&truth.hold_file(frame), &jpeg(&picture)?)?;
    }
    // Last, so that a folder that was cut off is no rehearsal.
    let mark = RehearsalMark { format: MARK_FORMAT.into(), name: rehearsal.name.clone(), seed };
    put(REHEARSAL_FILE, json_text(&mark, "the rehearsal")?.as_bytes())?;
    Ok(())
}
