//! Finds the tags of images and prints them as JSON: `detect [--lens fx,fy,cx,cy,k1,k2,p1,p2,k3] [--gamma G] [--repeat N] IMAGE...`.

use plumbsight::camera::{Lens, N_LENS};
use plumbsight::raster::{Gray, ToneCurve};
use plumbsight::tags::{DetectOptions, detect};
use std::collections::BTreeMap;
use std::time::Instant;

type Failure = Box<dyn std::error::Error>;

fn main() -> Result<(), Failure> {
    let mut options = DetectOptions::default();
    let mut lens: Option<[f64; N_LENS]> = None;
    let mut repeat = 1;
    let mut all = BTreeMap::new();
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut value = || arguments.next().ok_or_else(|| format!("{argument} wants a value"));
        match argument.as_str() {
            "--lens" => {
                let numbers = value()?.split(',').map(str::parse).collect::<Result<Vec<f64>, _>>()?;
                lens = Some(numbers.try_into().map_err(|_| "--lens wants nine numbers")?);
            }
            "--gamma" => options.tone = ToneCurve::Gamma(value()?.parse()?),
            "--repeat" => repeat = value()?.parse()?,
            path => {
                let picture = image::open(path)?.into_luma8();
                let (width, height) = (picture.width() as usize, picture.height() as usize);
                let gray = Gray::new(width, height, picture.into_raw()).ok_or("size")?;
                options.lens = lens.map(|p| Lens::pinhole(width, height, 1.0).with_parameters(&p.into()));
                let mut ms = f64::MAX;
                let mut found = Vec::new();
                for _ in 0..repeat {
                    let start = Instant::now();
                    found = detect(&gray, &options);
                    ms = ms.min(start.elapsed().as_secs_f64() * 1e3);
                }
                let detections: Vec<_> = found
                    .iter()
                    .map(|d| {
                        serde_json::json!({
                            "id": d.id,
                            "wrong_cells": d.wrong_cells,
                            "corners": d.corners.map(|c| [c.x, c.y]),
                            "cov": d.cov.as_slice(),
                            "blur_px": d.blur_px,
                            "growth_px": d.growth_px,
                            "contrast": d.contrast,
                            "rms": d.rms,
                        })
                    })
                    .collect();
                all.insert(path.to_string(), serde_json::json!({"ms": ms, "detections": detections}));
            }
        }
    }
    println!("{}", serde_json::to_string(&all)?);
    Ok(())
}
