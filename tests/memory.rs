//! The detector's working memory, counted at the allocator: at most four times the grey image for the whole search, whatever is in the picture.
//!
//! And of live reading and hold watch: what they keep does not grow with the frames. `PLUMBSIGHT_REPLAY_FRAMES=54000 cargo test --test memory -- --nocapture` is half an hour at 30 frames
//! a second.
//!
//! One test at a time, so that nothing else allocates meanwhile. The image itself is not counted.

mod common;

use plumbsight::capture::read_image;
use plumbsight::raster::Gray;
use plumbsight::session::hold::{HoldOptions, Lookout, NewsKind};
use plumbsight::session::live::{Base, CameraSetup, Live, Mount};
use plumbsight::tags::{DetectOptions, Detector};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::alloc::{GlobalAlloc, Layout, System};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

/// Held by whichever test runs.
static ALONE: Mutex<()> = Mutex::new(());

/// Bytes in use, and the most that were.
static USED: AtomicUsize = AtomicUsize::new(0);
static PEAK: AtomicUsize = AtomicUsize::new(0);

/// The system's allocator, which counts. An allocation that grows counts twice while it is copied.
struct Counting;

// SAFETY: every call is handed on to the system's allocator as it came.
unsafe impl GlobalAlloc for Counting {
    unsafe fn alloc(&self, layout: Layout) -> *mut u8 {
        let used = USED.fetch_add(layout.size(), Ordering::Relaxed) + layout.size();
        PEAK.fetch_max(used, Ordering::Relaxed);
        unsafe { System.alloc(layout) }
    }

    unsafe fn dealloc(&self, place: *mut u8, layout: Layout) {
        USED.fetch_sub(layout.size(), Ordering::Relaxed);
        unsafe { System.dealloc(place, layout) }
    }
}

#[global_allocator]
static COUNTING: Counting = Counting;

/// The most bytes that were in use during `work` beyond those in use before.
fn peak_of(work: impl FnOnce()) -> usize {
    let before = USED.load(Ordering::Relaxed);
    PEAK.store(before, Ordering::Relaxed);
    work();
    PEAK.load(Ordering::Relaxed) - before
}

/// Times the grey image.
const MOST: f64 = 4.0;

/// Noise all over: as many separate dark areas as there can be.
fn noise(width: usize, height: usize) -> Gray {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let mut data = vec![0u8; width * height];
    random.fill_bytes(&mut data);
    Gray::new(width, height, data).expect("as many values as pixels")
}

/// Squares of 3 pixels on a grid of 6: more areas than are followed.
fn squares(width: usize, height: usize) -> Gray {
    let dark = |i: usize| (i % width) % 6 < 3 && (i / width) % 6 < 3;
    let data = (0..width * height).map(|i| if dark(i) { 20 } else { 220 }).collect();
    Gray::new(width, height, data).expect("as many values as pixels")
}

#[test]
fn the_whole_search_needs_at_most_four_times_the_image() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let photo = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a/photos/001.jpg");
    let photo = read_image(&photo).expect("the shipped photograph").gray;
    let pictures = [("photograph", photo), ("noise", noise(1280, 960)), ("squares", squares(1280, 960))];
    for (name, image) in pictures {
        let mut found = 0;
        let peak = peak_of(|| found = Detector::new().detect(&image, &DetectOptions::default()).len());
        let times = peak as f64 / image.data().len() as f64;
        println!("{name}: {times:.2} times the image at most, {found} tags");
        assert!(times > 0.1, "nothing was counted");
        assert!(times <= MOST, "{name}: {times:.2} times the image");
        assert!(name != "photograph" || found > 0, "no tag in the shipped photograph");
    }
}

/// Resident memory of this process, MB, where the system tells it (Linux).
fn resident_mb() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = text.lines().find(|l| l.starts_with("VmRSS:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1024.0)
}

/// Decoding, tracking, reading and watching, frame after frame: the stand rests, moves and rests again.
#[test]
fn what_live_reading_and_hold_watch_keep_does_not_grow_with_the_frames() {
    let _alone = ALONE.lock().unwrap_or_else(std::sync::PoisonError::into_inner);
    let frames: u64 = std::env::var("PLUMBSIGHT_REPLAY_FRAMES").ok().and_then(|n| n.parse().ok()).unwrap_or(360);
    let job = plumbsight::record::read_job(&common::repository("fixtures/bay-a"), plumbsight::record::Purpose::Verdict);
    let base = Arc::new(Base::of_job(&job.unwrap(), 0, &|_| {}).unwrap());
    let setup = CameraSetup { lens: 0, mount: Mount::Apart, detect: DetectOptions::default() };
    let mut live = Live::new(base.clone(), std::slice::from_ref(&setup)).unwrap();
    let mut watch = Lookout::new(base, 0, &setup, HoldOptions::default()).unwrap();
    let pictures: Vec<_> = (1..=3).map(|k| common::repository(&format!("fixtures/live-a/{k:03}.jpg"))).collect();
    // What is kept for minutes (the past of each body, for telling a creep) fills up in the first twenty of them; the short run stays within the first seconds.
    let settled = (frames / 3).max(100);
    // What is in use goes up and down by half a megabyte while pictures are gathered and given up; the least of one picture's stretch is what stays.
    let stretch = 120;
    let (mut before, mut after) = (usize::MAX, usize::MAX);
    let (mut readings, mut begun) = (0u64, false);
    for k in 0..frames {
        // Four seconds each: the watch begins and sees moves.
        let picture = read_image(&pictures[(k / stretch) as usize % pictures.len()]).unwrap().gray;
        let time = Duration::from_secs_f64(k as f64 / 30.0);
        readings += u64::from(live.see(0, time, &picture).stand.is_some_and(|s| !s.stale));
        begun |= watch.see(time, &picture).news.iter().any(|n| n.kind == NewsKind::Begins);
        drop(picture);
        let used = USED.load(Ordering::Relaxed);
        if (settled..settled + stretch).contains(&k) {
            before = before.min(used);
        }
        if k + stretch >= frames {
            after = after.min(used);
        }
        if k % (frames / 6).max(1) == 0 || k + 1 == frames {
            let mb = USED.load(Ordering::Relaxed) as f64 / 1e6;
            let resident = resident_mb().map_or(String::new(), |r| format!(", resident {r:.1} MB"));
            println!("frame {k:6} ({:5.1} min): in use {mb:.3} MB{resident}", time.as_secs_f64() / 60.0);
        }
    }
    let grown = after as f64 - before as f64;
    println!("{frames} frames, {readings} readings: grown by {:.1} kB since frame {settled}", grown / 1e3);
    assert!(begun && readings > frames * 9 / 10, "{readings} readings of {frames} frames");
    // Twice 2400 values of 64 bytes for each of some ten bodies is what the watch may still fill; nothing that grows with every frame fits into it in the long run.
    assert!(grown < 3e6, "{grown} bytes");
    assert!(frames > 1000 || grown < 1e5, "{grown} bytes in a few seconds");
}
