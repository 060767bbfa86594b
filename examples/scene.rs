//! Paints one photograph of a made bay: `cargo run --release --example scene -- --out FILE.png [--seed N] [--photo K] [--width PX]`.

use plumbsight::scene::render::{RenderOptions, photograph};
use plumbsight::scene::{Bay, BayOptions, SixOffsets};
use plumbsight::units::rad_from_deg;
use std::time::Instant;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let value = |name: &str| arguments.iter().position(|a| a == name).and_then(|k| arguments.get(k + 1));
    let number = |name: &str, default: usize| value(name).map_or(Ok(default), |text| text.parse::<usize>());
    let out = value("--out").ok_or("usage: scene --out FILE.png [--seed N] [--photo K] [--width PX]")?;
    let (seed, photo, width) = (number("--seed", 1)?, number("--photo", 18)?, number("--width", 1920)?);

    let mut options = BayOptions { seed: seed as u64, ..Default::default() };
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
    let made = start.elapsed();
    let start = Instant::now();
    let image = photograph(&bay, photo, &RenderOptions::default()).ok_or("there is no photograph of that number")?;
    println!("bay made in {made:.2?}, photograph painted in {:.2?}", start.elapsed());
    for view in &bay.perfect_photos()[photo].tags {
        println!("tag {:3} at {:.2?}", view.id, view.corners.map(|c| [c.x, c.y]));
    }
    image::save_buffer(out, image.data(), image.width() as u32, image.height() as u32, image::ExtendedColorType::L8)?;
    Ok(())
}
