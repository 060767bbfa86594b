//! How steeply a tag may be seen: drawn sheets in front of a rough background, tilted by 50 to 85 degrees, and how many of their tags are found and how well.
//!
//! `cargo bench --no-default-features --bench steep -- [--out FOLDER] [--photographs N]` draws N photographs (12 sheets each) of every tilt. With `--out` they
//! and a `truth.json` (id and corners of every tag, by file name) are written there, so that any other detector can be tried on them.

#[path = "common/mod.rs"]
mod common;
#[path = "../tests/drawn/mod.rs"]
mod drawn;

use common::{Failure, each_argument};
use drawn::steep::{HEIGHT, WIDTH, photograph};
use drawn::{Corners, NormalTable, draws};
use plumbsight::tags::{DetectOptions, Detector};
use serde_json::{Map, Value, json};
use std::path::PathBuf;

/// Each tilt's group goes from here to the next, degrees.
const TILTS: [f64; 8] = [50.0, 55.0, 60.0, 65.0, 70.0, 75.0, 80.0, 85.0];

fn main() -> Result<(), Failure> {
    let (mut out, mut photographs) = (None, 5);
    each_argument(|argument, value| {
        match argument {
            "--out" => out = Some(PathBuf::from(value()?)),
            "--photographs" => photographs = value()?.parse()?,
            other => return Err(format!("{other} is not known").into()),
        }
        Ok(())
    })?;
    let table = NormalTable::new();
    let mut detector = Detector::new();
    let mut truth = Map::new();
    println!(
        "{:>10} {:>6} {:>6} {:>8} {:>14} {:>14}",
        "tilt deg", "tags", "found", "strange", "median error px", "95 % px"
    );
    for band in TILTS.windows(2) {
        let (mut wanted, mut found, mut strange, mut errors) = (0, 0, 0, Vec::new());
        for number in 0..photographs {
            let mut draw = draws(1000 * band[0] as u64 + number);
            let (image, sheets) = photograph(&mut draw, [band[0], band[1]], &table);
            let mut seen = detector.detect(&image, &DetectOptions::default());
            for sheet in &sheets {
                wanted += 1;
                let near =
                    |corners: &Corners| -> [f64; 4] { std::array::from_fn(|k| (corners[k] - sheet.corners[k]).norm()) };
                let hit = seen.iter().position(|d| d.id == sheet.id && near(&d.corners).iter().all(|e| *e < 5.0));
                if let Some(hit) = hit {
                    errors.extend(near(&seen.remove(hit).corners));
                    found += 1;
                }
            }
            strange += seen.len();
            if let Some(folder) = &out {
                let name = format!("tilt{:.0}_{number:02}.png", band[0]);
                std::fs::create_dir_all(folder)?;
                image::GrayImage::from_raw(WIDTH as u32, HEIGHT as u32, image.data().to_vec())
                    .ok_or("a photograph of another size")?
                    .save(folder.join(&name))?;
                let tags = sheets.iter().map(|s| json!({"id": s.id, "corners": s.corners.map(|c| [c.x, c.y])}));
                truth.insert(name, Value::Array(tags.collect()));
            }
        }
        errors.sort_by(f64::total_cmp);
        let part = |share: f64| errors.get((share * errors.len() as f64) as usize).copied().unwrap_or(f64::NAN);
        println!(
            "{:>4.0} to {:.0} {wanted:>6} {found:>6} {strange:>8} {:>14.3} {:>14.3}",
            band[0],
            band[1],
            part(0.5),
            part(0.95)
        );
    }
    if let Some(folder) = &out {
        std::fs::write(folder.join("truth.json"), serde_json::to_vec(&Value::Object(truth))?)?;
    }
    Ok(())
}
