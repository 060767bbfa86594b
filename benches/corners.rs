//! The fit of the tag's picture alone, from starts that are wrong by half a pixel: corner errors, normalised errors, time for each tag.
//!
//! `cargo bench --bench corners -- [--lens fx,fy,cx,cy,k1,k2,p1,p2,k3] [--start PX] [--repeat N] FOLDER...`
//!
//! A folder holds photographs and a `truth.json`: either a list of tags with `id` and `corners` for each file name, or a traced bay's truth
//! (`fixtures/bay-a/README.md`), whose corners are projected with its own lens; there only tags that the detector finds are taken, since some are hidden.

#[path = "common/mod.rs"]
mod common;

use common::{Failure, each_argument};
use nalgebra::{Matrix3, SVector, Vector2, Vector3};
use plumbsight::camera::{Lens, N_LENS};
use plumbsight::raster::{Gray, ToneCurve};
use plumbsight::scene::draw::{Draw, Purpose};
use plumbsight::tags::{DetectOptions, detect, family, light::Tone, pattern::Pattern, refine::refine};
use serde_json::Value;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Instant;

/// What one group of photographs shows.
#[derive(Default)]
struct Group {
    wanted: usize,
    errors: Vec<f64>,
    outward: Vec<f64>,
    squares: Vec<f64>,
    sides: Vec<f64>,
    microseconds: Vec<f64>,
}

fn main() -> Result<(), Failure> {
    let mut folders = Vec::new();
    let (mut given, mut start_px, mut repeat, mut verbose) = (None, 0.5, 3, false);
    each_argument(|argument, value| {
        match argument {
            "--verbose" => verbose = true,
            "--lens" => {
                let numbers = value()?.split(',').map(str::parse).collect::<Result<Vec<f64>, _>>()?;
                given = Some(<[f64; N_LENS]>::try_from(numbers).map_err(|_| "--lens wants nine numbers")?);
            }
            "--start" => start_px = value()?.parse()?,
            "--repeat" => repeat = value()?.parse()?,
            path => folders.push(PathBuf::from(path)),
        }
        Ok(())
    })?;
    if folders.is_empty() {
        folders.push(Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a"));
    }
    for folder in &folders {
        run(folder, given, start_px, repeat, verbose)?;
    }
    Ok(())
}

fn run(
    folder: &Path,
    given: Option<[f64; N_LENS]>,
    start_px: f64,
    repeat: usize,
    verbose: bool,
) -> Result<(), Failure> {
    let truth: Value = serde_json::from_slice(&std::fs::read(folder.join("truth.json"))?)?;
    let traced = truth.get("photos").is_some();
    let (photos, lens) = if traced { bay(&truth) } else { (plain(&truth), None) };
    let tone = Tone::new(&ToneCurve::Srgb);
    let mut groups: BTreeMap<String, Group> = BTreeMap::new();
    let mut draw = Draw::new(1, Purpose::Corners);
    for (name, tags) in &photos {
        let path = [folder.join(name), folder.join("photos").join(name)].into_iter().find(|p| p.is_file());
        let picture = image::open(path.ok_or_else(|| format!("{name} is missing"))?)?.into_luma8();
        let (width, height) = (picture.width() as usize, picture.height() as usize);
        let gray = Gray::new(width, height, picture.into_raw()).ok_or("size")?;
        let mut used = lens.or(given).map(|p| Lens::pinhole(width, height, 1.0).with_parameters(&p.into()));
        let found = if traced {
            let options = DetectOptions { lens: used, ..Default::default() };
            detect(&gray, &options).iter().map(|d| d.id).collect()
        } else {
            Vec::new()
        };
        let kind = if traced { "bay" } else { name.split('_').next().unwrap_or("") };
        if given.is_some() && kind != "dist" && !traced {
            used = None;
        }
        let group = groups.entry(kind.to_owned()).or_default();
        for (id, corners) in tags.iter().filter(|(id, _)| !traced || found.contains(id)) {
            group.wanted += 1;
            let start = corners.map(|c| c + Vector2::new(draw.normal(start_px), draw.normal(start_px)));
            let Some(cells) = family::cells_of(*id) else { continue };
            let pattern = Pattern::new(cells);
            let mut best = f64::MAX;
            let mut fit = None;
            for _ in 0..repeat {
                let clock = Instant::now();
                fit = refine(&gray, &start, &pattern, &tone, used.as_ref());
                best = best.min(clock.elapsed().as_secs_f64() * 1e6);
            }
            group.microseconds.push(best);
            let side = (0..4).map(|k| (corners[k] - corners[(k + 1) % 4]).norm()).sum::<f64>() / 4.0;
            let Some(fit) = fit else {
                if verbose {
                    println!("{name} {id} side {side:.0} LOST");
                }
                continue;
            };
            let mut all = SVector::<f64, 8>::zeros();
            for k in 0..4 {
                let off = fit.corners[k] - corners[k];
                group.errors.push(off.norm());
                all.fixed_rows_mut::<2>(2 * k).copy_from(&off);
                let along = (corners[(k + 1) % 4] - corners[k]).normalize();
                let next = fit.corners[(k + 1) % 4] - corners[(k + 1) % 4];
                group.outward.push(((off + next) / 2.0).dot(&Vector2::new(-along.y, along.x)));
            }
            let square = fit.cov.cholesky().map_or(f64::NAN, |c| c.solve(&all).dot(&all) / 8.0);
            group.squares.push(square);
            group.sides.push(side);
            if verbose {
                println!(
                    "{name} {id} side {side:.0} worst {:.3} chi2 {square:.2} sigma {:.4} rms {:.2} contrast {:.0} blur {:.2} growth {:+.3} us {best:.0}",
                    (0..4).map(|k| (fit.corners[k] - corners[k]).norm()).fold(0.0, f64::max),
                    (fit.cov.trace() / 8.0).sqrt(),
                    fit.rms,
                    fit.contrast,
                    fit.blur_px,
                    fit.growth_px
                );
            }
        }
    }
    println!("{}", folder.display());
    println!("group      tags fitted  median    p95 px  outward px  chi2/dof mean  median  side px  us/tag  worst");
    let mut total = Group::default();
    for (name, group) in groups {
        show(&name, &group);
        total.wanted += group.wanted;
        total.errors.extend(&group.errors);
        total.outward.extend(&group.outward);
        total.squares.extend(&group.squares);
        total.sides.extend(&group.sides);
        total.microseconds.extend(&group.microseconds);
    }
    show("all", &total);
    Ok(())
}

fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted.get(((sorted.len() as f64 - 1.0) * share).round() as usize).copied().unwrap_or(f64::NAN)
}

fn show(name: &str, g: &Group) {
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    // The median of a chi-square variable of 8 degrees of freedom is 7.344.
    println!(
        "{name:10} {:4} {:6} {:8.4} {:8.3} {:+11.4} {:14.2} {:7.2} {:8.0} {:7.0} {:6.0}",
        g.wanted,
        g.squares.len(),
        quantile(&g.errors, 0.5),
        quantile(&g.errors, 0.95),
        mean(&g.outward),
        mean(&g.squares),
        quantile(&g.squares, 0.5) * 8.0 / 7.344,
        mean(&g.sides),
        mean(&g.microseconds),
        quantile(&g.microseconds, 1.0)
    );
}

type Photos = Vec<(String, Vec<(u16, [Vector2<f64>; 4])>)>;

fn number(v: &Value) -> f64 {
    v.as_f64().unwrap_or(f64::NAN)
}

/// Tags listed for each file name, their corners clockwise from the upper left of a bitmap that is turned by 180 degrees, as a general-purpose vision
/// library has it.
fn plain(truth: &Value) -> Photos {
    let tag = |t: &Value| {
        let corner = |k: usize| Vector2::new(number(&t["corners"][k][0]), number(&t["corners"][k][1]));
        (number(&t["id"]) as u16, [1, 0, 3, 2].map(corner))
    };
    let tags = |list: &Value| list.as_array().into_iter().flatten().map(tag).collect();
    truth.as_object().into_iter().flatten().map(|(name, list)| (name.clone(), tags(list))).collect()
}

/// A traced bay: its tags' corners projected into each photograph, those wholly inside, and the lens.
fn bay(truth: &Value) -> (Photos, Option<[f64; N_LENS]>) {
    let i = &truth["intrinsics"];
    let parameters = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"].map(|k| number(&i[k]));
    let (width, height) = (number(&i["width"]), number(&i["height"]));
    let lens = Lens::pinhole(width as usize, height as usize, 1.0).with_parameters(&parameters.into());
    let vector = |v: &Value| Vector3::new(number(&v[0]), number(&v[1]), number(&v[2]));
    let list = |v: &Value| v.as_array().cloned().unwrap_or_default();
    let photos = list(&truth["photos"]).into_iter().map(|photo| {
        let r = Matrix3::from_fn(|row, column| number(&photo["R"][row][column]));
        let t = vector(&photo["t"]);
        let states = list(&truth["states"]);
        let state = states
            .iter()
            .find(|s| s["position"] == photo["position"] && s["stand_state"] == photo["stand_state"])
            .cloned()
            .unwrap_or_default();
        let tags = list(&state["tags"]).into_iter().filter_map(|tag| {
            let mut corners = [Vector2::zeros(); 4];
            for (k, c) in corners.iter_mut().enumerate() {
                let p = r * vector(&tag["corners_world"][k]) + t;
                if p.z < 0.1 {
                    return None;
                }
                *c = lens.pixel_from_normalized(&(p.xy() / p.z));
                if !(c.x > 2.0 && c.y > 2.0 && c.x < width - 3.0 && c.y < height - 3.0) {
                    return None;
                }
            }
            Some((number(&tag["id"]) as u16, corners))
        });
        (photo["file"].as_str().unwrap_or("").to_owned(), tags.collect())
    });
    (photos.collect(), Some(parameters))
}
