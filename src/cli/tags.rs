//! `plumbsight tags`: the detector on single images, as JSON.

use super::report::line_after;
use crate::capture::read_image;
use crate::cli::{EXIT_BAD_INPUT, say, trace};
use crate::record::{LensProfile, Problem, json_text, read_lens_profile};
use crate::session::Failure;
use crate::sheets::id_ranges;
use crate::tags::{DetectOptions, Detector};
use serde::Serialize;
use serde::ser::{SerializeMap, Serializer};
use std::path::{Path, PathBuf};
use std::time::Instant;

pub(super) const HELP: &str = "\
Prints, for each image:
  {\"PATH\": {\"ms\": 3.1, \"width\": ..., \"height\": ..., \"detections\": [
    {\"id\": 7, \"corners\": [[x, y], 4 times], \"covariance\": 8 x 8,
     \"wrong_cells\": 0}]}}

ms is the detection alone; corners are pixels with the centre of the top-left
pixel at (0, 0), lower left, lower right, upper right, upper left as seen on
the upright print; covariance is of x0 y0 x1 y1 ..., in px^2. Pixels are
counted as stored in the file, whatever its EXIF orientation note says. An
image that cannot be read has \"error\" instead; the exit code is then 3.

Examples:
  plumbsight tags photo.jpg
  plumbsight tags --lens lens.toml photos/*.jpg > tags.json
  plumbsight tags --list photos/*.jpg
  plumbsight tags --trace look photo.jpg";

#[derive(Serialize)]
#[serde(untagged)]
enum Found {
    Tags { ms: f64, width: usize, height: usize, detections: Vec<Tag> },
    Refused { error: String },
}

#[derive(Serialize)]
struct Tag {
    id: u16,
    corners: [[f64; 2]; 4],
    covariance: [[f64; 8]; 8],
    wrong_cells: u32,
}

/// A JSON object in the order the images were named.
struct ByPath(Vec<(String, Found)>);

impl Serialize for ByPath {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut map = serializer.serialize_map(Some(self.0.len()))?;
        for (path, found) in &self.0 {
            map.serialize_entry(path, found)?;
        }
        map.end()
    }
}

/// Finds the tags in each image and prints them; returns the exit code.
pub(super) fn run(images: &[PathBuf], lens: Option<&Path>, trace: Option<&Path>, list: bool) -> Result<u8, Failure> {
    let profile = lens.map(|path| read_lens_profile(path, &path.display().to_string())).transpose()?;
    let mut all: Vec<(String, Found)> = Vec::new();
    let mut code = 0;
    let mut detector = Detector::new();
    for image in images {
        let name = image.to_string_lossy().into_owned();
        // JSON holds a key once, and the same image twice is the same answer.
        if all.iter().any(|(seen, _)| *seen == name) {
            continue;
        }
        let found = search(&mut detector, image, profile.as_ref(), trace).unwrap_or_else(|problem| {
            super::tell(&format!("plumbsight: {problem}\n"));
            code = EXIT_BAD_INPUT;
            Found::Refused { error: problem.to_string() }
        });
        all.push((name, found));
    }
    if list {
        say(&listed(&all));
        return Ok(code);
    }
    say(&json_text(&ByPath(all), "the tags")?);
    Ok(code)
}

/// A line for each image: which tags are in it.
fn listed(all: &[(String, Found)]) -> String {
    let mut out = String::new();
    for (name, found) in all {
        let Found::Tags { detections, .. } = found else { continue };
        let ids: Vec<u16> = detections.iter().map(|d| d.id).collect();
        let text = match ids.len() {
            0 => "no tag".to_owned(),
            1 => format!("1 tag: {}", ids[0]),
            n => format!("{n} tags: {}", id_ranges(&ids)),
        };
        line_after(&mut out, &format!("{name}: "), "    ", &text);
    }
    out
}

fn search(
    detector: &mut Detector,
    path: &Path,
    profile: Option<&LensProfile>,
    trace: Option<&Path>,
) -> Result<Found, Problem> {
    let name = path.display().to_string();
    let picture = read_image(path).map_err(|e| {
        let text = e.to_string();
        let (what, remedy) = text.split_once(". ").unwrap_or((&text, ""));
        Problem::of_file(&name, what, remedy)
    })?;
    if let Some(note) = &picture.note {
        super::tell(&format!("plumbsight: {name}: {note}.\n"));
    }
    let gray = &picture.gray;
    if let Some(p) = profile
        && (gray.width(), gray.height()) != (p.lens.width, p.lens.height)
    {
        return Err(Problem::of_file(
            &name,
            format!(
                "it has {} x {} pixels and the lens profile {} is for {} x {}",
                gray.width(),
                gray.height(),
                p.file,
                p.lens.width,
                p.lens.height
            ),
            "Use the photograph as the camera wrote it, name its own profile, or leave --lens out.",
        ));
    }
    let options = match profile {
        Some(p) => DetectOptions { lens: Some(p.lens), tone: p.tone.clone(), ..DetectOptions::default() },
        None => DetectOptions::default(),
    };
    let start = Instant::now();
    let detections = detector.detect(gray, &options);
    let seconds = start.elapsed().as_secs_f64();
    if let Some(folder) = trace {
        // Searched once more, so that the time above is that of the search alone.
        let (found, stages) = detector.detect_traced(gray, &options);
        let name = path.file_name().unwrap_or_default();
        trace::write(&folder.join(name), gray, &stages, &found)?;
    }
    Ok(Found::Tags {
        // Milliseconds from seconds is the same factor as millimetres from metres.
        ms: crate::units::ms_from_s(seconds),
        width: gray.width(),
        height: gray.height(),
        detections: detections
            .into_iter()
            .map(|d| Tag {
                id: d.id,
                corners: d.corners.map(|c| [c.x, c.y]),
                covariance: std::array::from_fn(|i| std::array::from_fn(|j| d.cov[(i, j)])),
                wrong_cells: d.wrong_cells,
            })
            .collect(),
    })
}
