//! The detector, stage by stage and whole, one thread.
//!
//! `cargo bench --bench detector` runs a shipped photograph (1920 x 1080); with the environment variable `PLUMBSIGHT_IMAGES` set to a folder, every image in it,
//! all of them in one go. `cargo bench --bench detector -- whole` runs only what has that word in its name.
//! The stages' figures are those of the stage alone, on what the stage before gave; "front end" is everything before the fit. "elem/s" is images a second.
//! Beside them stands what decoding the same image files takes (zune-jpeg for JPEG): a figure of the same machine in the same run by which others can be judged.

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use plumbsight::capture::decode as decode_image;
use plumbsight::raster::Gray;
use plumbsight::tags::trace::Outcome;
use plumbsight::tags::{
    DetectOptions, Detector, align, components, decode, family, glance, hull::Hull, light, pattern::Pattern, refine,
    threshold,
};
use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The images with their files, and the name under which their figures appear.
fn images() -> (String, Vec<(Vec<u8>, Gray)>) {
    let (name, paths): (String, Vec<PathBuf>) = match std::env::var_os("PLUMBSIGHT_IMAGES") {
        Some(folder) => {
            let mut paths: Vec<PathBuf> =
                std::fs::read_dir(&folder).expect("a folder of images").map(|entry| entry.unwrap().path()).collect();
            paths.sort();
            (Path::new(&folder).file_name().unwrap_or_default().to_string_lossy().into_owned(), paths)
        }
        None => ("bay".into(), vec![Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a/photos/001.jpg")]),
    };
    let files = paths.iter().filter_map(|path| std::fs::read(path).ok());
    let images: Vec<_> = files.filter_map(|file| decode_image(&file).ok().map(|p| (file, p.gray))).collect();
    assert!(!images.is_empty(), "no image could be read");
    (format!("{name}, {} images", images.len()), images)
}

fn stages(c: &mut Criterion) {
    let (name, all) = images();
    let (files, images): (Vec<Vec<u8>>, Vec<Gray>) = all.into_iter().unzip();
    let options = DetectOptions::default();
    let contrast = options.least_contrast;
    let mut detector = Detector::new();
    let memory = images.iter().map(|image| {
        let mut fresh = Detector::new();
        fresh.readings(image, &options);
        fresh.bytes() as f64 / image.data().len() as f64
    });
    println!("{name}: the search's own memory, times the image's: {:.2}", memory.fold(0.0, f64::max));

    let mut group = c.benchmark_group(name);
    group.throughput(Throughput::Elements(images.len() as u64));
    group.sample_size(10).warm_up_time(Duration::from_millis(300)).measurement_time(Duration::from_secs(2));
    group.bench_function("0 for comparison: decoding the files", |b| {
        b.iter(|| files.iter().filter(|file| decode_image(black_box(file)).is_ok()).count());
    });

    let (mut map, mut scratch) = (threshold::DarkMap::default(), threshold::Scratch::default());
    group.bench_function("1 dark map", |b| {
        b.iter(|| images.iter().for_each(|image| threshold::fill(&mut map, black_box(image), contrast, &mut scratch)));
    });

    let maps: Vec<threshold::DarkMap> = images.iter().map(|image| threshold::dark_map(image, contrast)).collect();
    let (mut scratch, mut areas) = (components::Scratch::default(), Vec::new());
    group.bench_function("2 dark areas", |b| {
        b.iter(|| {
            for map in &maps {
                // An image of noise is given up, which is then the figure.
                let _ = components::find(black_box(map), map.width() * map.height(), &mut scratch, &mut areas);
            }
        });
    });

    let all_areas: Vec<(components::Scratch, Vec<components::Component>)> = maps
        .iter()
        .map(|map| {
            let (mut scratch, mut areas) = Default::default();
            let _ = components::find(map, map.width() * map.height(), &mut scratch, &mut areas);
            (scratch, areas)
        })
        .collect();
    let mut hull = Hull::default();
    group.bench_function("3 quadrilaterals", |b| {
        b.iter(|| {
            for (scratch, areas) in &all_areas {
                for area in areas {
                    hull.wrap(area.bounds[1], scratch.ends(area));
                    black_box(hull.quad());
                }
            }
        });
    });

    let candidates: Vec<_> = images.iter().map(|image| detector.detect_traced(image, &options).1.candidates).collect();
    let quads: Vec<Vec<_>> = candidates.iter().map(|all| all.iter().filter_map(|c| c.quad).collect()).collect();
    group.bench_function("4 glance", |b| {
        b.iter(|| {
            for (image, quads) in images.iter().zip(&quads) {
                quads.iter().filter(|quad| glance::may_be_a_tag(image, quad, f32::from(contrast))).count();
            }
        });
    });
    let passed: Vec<Vec<_>> = candidates
        .iter()
        .map(|all| all.iter().filter(|c| c.outcome != Outcome::NotLike).filter_map(|c| c.quad).collect())
        .collect();
    group.bench_function("5 sides and cells", |b| {
        b.iter(|| {
            for (image, quads) in images.iter().zip(&passed) {
                for quad in quads.iter().filter_map(|quad| align::align_sides(image, quad)) {
                    black_box(decode::read(image, &quad, f64::from(contrast)).1.is_ok());
                }
            }
        });
    });

    let tone = light::Tone::new(&options.tone);
    let readings: Vec<Vec<_>> = images
        .iter()
        .map(|image| {
            let readings = detector.readings(image, &options).into_iter();
            readings.filter_map(|r| family::cells_of(r.id).map(|cells| (r.corners, Pattern::new(cells)))).collect()
        })
        .collect();
    let count: usize = readings.iter().map(Vec::len).sum();
    println!("the fit alone is timed on {count} readings; the whole detector leaves out those that repeat a tag");
    group.bench_function("6 fit in light", |b| {
        b.iter(|| {
            for (image, readings) in images.iter().zip(&readings) {
                for (corners, pattern) in readings {
                    black_box(refine::refine(image, corners, pattern, &tone, None));
                }
            }
        });
    });
    group.bench_function("front end", |b| {
        b.iter(|| images.iter().map(|image| detector.readings(image, &options).len()).sum::<usize>());
    });
    group.bench_function("whole", |b| {
        b.iter(|| images.iter().map(|image| detector.detect(image, &options).len()).sum::<usize>());
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
