//! Paints photographs of a made bay:
//! `cargo run --release --example scene -- (--out FILE.png [--photo K] | --dir DIR) [--seed N] [--width PX] [--photos N]`.
//!
//! With `--dir` every photograph is painted, and `truth.json` beside them says where everything is (metres, radians, pixels).

use plumbsight::raster::Gray;
use plumbsight::scene::render::{RenderOptions, photograph};
use plumbsight::scene::{Bay, BayOptions, SixOffsets};
use plumbsight::units::rad_from_deg;
use serde_json::json;
use std::path::Path;
use std::time::Instant;

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let arguments: Vec<String> = std::env::args().collect();
    let value = |name: &str| arguments.iter().position(|a| a == name).and_then(|k| arguments.get(k + 1));
    let number = |name: &str, default: usize| value(name).map_or(Ok(default), |text| text.parse::<usize>());
    let (seed, width) = (number("--seed", 1)?, number("--width", 1920)?);

    let mut options = BayOptions { seed: seed as u64, n_photos: number("--photos", 26)?, ..Default::default() };
    options.stand = SixOffsets { lateral_m: 0.014, yaw_rad: rad_from_deg(0.6), ..Default::default() };
    let scale = width as f64 / options.lens.width as f64;
    let lens = &mut options.lens;
    (lens.width, lens.height) = (width, (lens.height as f64 * scale).round() as usize);
    for v in [&mut lens.fx, &mut lens.fy] {
        *v *= scale;
    }
    // Pixel centres are at whole numbers: the image's edge, not its first centre, is what scales.
    for v in [&mut lens.cx, &mut lens.cy] {
        *v = (*v + 0.5) * scale - 0.5;
    }
    let start = Instant::now();
    let bay = Bay::new(&options)?;
    let views = bay.perfect_photos();
    let counts: Vec<usize> = views.iter().map(|view| view.tags.len()).collect();
    println!("bay made in {:.2?}; tags in the photographs: {counts:?}", start.elapsed());

    let paint =
        |photo| photograph(&bay, photo, &RenderOptions::default()).ok_or("there is no photograph of that number");
    if let Some(dir) = value("--dir") {
        std::fs::create_dir_all(dir)?;
        for (photo, view) in views.iter().enumerate() {
            save(&paint(photo)?, &Path::new(dir).join(format!("{}.png", view.name)))?;
        }
        std::fs::write(Path::new(dir).join("truth.json"), serde_json::to_string_pretty(&truth(&bay))?)?;
    } else if let Some(out) = value("--out") {
        let start = Instant::now();
        let image = paint(number("--photo", 18)?)?;
        println!("photograph painted in {:.2?}", start.elapsed());
        save(&image, Path::new(out))?;
    } else {
        return Err("say where to: --out FILE.png or --dir DIR".into());
    }
    Ok(())
}

fn save(image: &Gray, path: &Path) -> Result<(), Failure> {
    image::save_buffer(path, image.data(), image.width() as u32, image.height() as u32, image::ExtendedColorType::L8)?;
    Ok(())
}

fn truth(bay: &Bay) -> serde_json::Value {
    let bodies = bay.layout.kit.bodies.iter().zip(&bay.layout.world_from_body).map(|(body, pose)| {
        json!({ "name": body.name, "translation_m": pose.translation().as_slice(),
                "rotvec_rad": pose.iso().rotation.scaled_axis().as_slice() })
    });
    let photos = bay.perfect_photos().into_iter().map(|photo| {
        let tags = photo.tags.iter().map(|t| json!({ "id": t.id, "corners": t.corners.map(|c| [c.x, c.y]) }));
        json!({ "file": format!("{}.png", photo.name), "tags": tags.collect::<Vec<_>>() })
    });
    json!({
        "lens": bay.lens.parameters().as_slice(),
        "stand_offsets": bay.stand_offsets().to_array(),
        "bodies": bodies.collect::<Vec<_>>(),
        "photos": photos.collect::<Vec<_>>(),
    })
}
