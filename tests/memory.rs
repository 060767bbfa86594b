//! The detector's working memory, counted at the allocator: at most four times the grey image for the whole search, whatever is in the picture.
//!
//! One test only, so that nothing else allocates meanwhile. The image itself is not counted.

use plumbsight::capture::read_image;
use plumbsight::raster::Gray;
use plumbsight::tags::{DetectOptions, Detector};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::alloc::{GlobalAlloc, Layout, System};
use std::path::Path;
use std::sync::atomic::{AtomicUsize, Ordering};

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
