//! Webcams for real: kernel driver, camera library, thread, detector, in an emulated machine (see `tests/webcam/README.md`). Takes about two minutes and needs
//! packages, so it runs on request: `cargo test --features webcam --test webcam -- --ignored --nocapture`.
#![cfg(all(feature = "webcam", target_os = "linux"))]

mod common;

use common::repository;
use plumbsight::capture::{decode, read_image_bytes};
use plumbsight::raster::Gray;
use plumbsight::tags::{DetectOptions, detect};
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const PHOTOGRAPHS: [&str; 3] = ["001.jpg", "009.jpg", "017.jpg"];

/// The part of the console between one step's line and the next.
fn step<'a>(console: &'a str, name: &str) -> &'a str {
    let marker = format!("== {name}\n");
    let start = console.find(&marker).unwrap_or_else(|| panic!("the guest did not reach {name}:\n{console}"));
    let rest = &console[start + marker.len()..];
    &rest[..rest.find("\n== ").unwrap_or(rest.len())]
}

fn saved(folder: &Path) -> Vec<Vec<u8>> {
    let mut paths: Vec<PathBuf> = fs::read_dir(folder).into_iter().flatten().flatten().map(|e| e.path()).collect();
    paths.sort();
    paths.iter().map(|p| fs::read(p).unwrap()).collect()
}

/// The tags that a printed line names.
fn ids(gray: &Gray) -> String {
    let mut ids: Vec<u16> = detect(gray, &DetectOptions::default()).iter().map(|d| d.id).collect();
    ids.sort_unstable();
    ids.dedup();
    let n = ids.len();
    format!("{n} tags: {}", plumbsight::sheets::id_ranges(&ids))
}

#[test]
#[ignore = "boots an emulated machine: two minutes, and packages that an ordinary machine does not have"]
fn a_virtual_webcam_from_driver_to_tags() {
    let work = tempfile::tempdir().unwrap();
    let (pictures, out) = (work.path().join("pictures"), work.path().join("out"));
    fs::create_dir_all(pictures.join("raw")).unwrap();
    fs::create_dir_all(pictures.join("jpeg")).unwrap();
    let mut sent = Vec::new();
    for name in PHOTOGRAPHS {
        let (picture, bytes) = read_image_bytes(&repository("fixtures/bay-a/photos").join(name)).unwrap();
        let yuyv: Vec<u8> = picture.gray.data().iter().flat_map(|y| [*y, 128]).collect();
        fs::write(pictures.join("raw").join(name), yuyv).unwrap();
        fs::write(pictures.join("jpeg").join(name), &bytes).unwrap();
        fs::write(pictures.join("size"), format!("{} {}\n", picture.gray.width(), picture.gray.height())).unwrap();
        sent.push((picture.gray, bytes));
    }
    let status = Command::new("sh")
        .arg(repository("tests/webcam/guest.sh"))
        .arg(env!("CARGO_BIN_EXE_plumbsight"))
        .args([&pictures, &out, &repository("target/webcam-guest")])
        .status()
        .unwrap();
    assert!(status.success(), "the guest did not run");
    let console = fs::read_to_string(out.join("console.txt")).unwrap().replace('\r', "");
    println!("{console}");
    assert!(!console.contains("== failed") && !console.contains("panicked"));
    step(&console, "done");

    // Raw pixels: what was saved is, byte for byte, what the driver was given, and the tags are those of the photographs.
    let raw = step(&console, "raw");
    assert!(raw.contains("camera 0: Invented") && raw.contains("would be used: 1920 x 1080 YUYV"), "{raw}");
    let mut seen = BTreeSet::new();
    for bytes in saved(&out.join("raw")) {
        let gray = decode(&bytes).unwrap().gray;
        seen.insert(sent.iter().position(|(y, _)| *y == gray).expect("a picture that was not sent"));
    }
    assert!(seen.len() >= 2, "only the pictures {seen:?} were seen");
    for k in &seen {
        assert!(raw.contains(&ids(&sent[*k].0)), "the tags of {} are not in\n{raw}", PHOTOGRAPHS[*k]);
    }

    // The sender stops and goes on: it is said, and pictures come again.
    let stalled = step(&console, "stalled");
    let (before, after) = stalled.split_once("STALLED").expect(stalled);
    let (first, second) = after.split_once("LOST").expect(stalled);
    for part in [before, first, second] {
        assert!(part.contains("tags:"), "{stalled}");
    }
    // After the second, longer silence the read is given up; the camera can be opened again once the driver lets go of it.
    assert!(first.contains("Pictures are coming.") && second.contains("Pictures are coming."), "{stalled}");
    assert!(second.contains("sent nothing for 8 s") && second.contains("opened 2 times"), "{stalled}");

    // JPEG: the files are the camera's own, cut at their end.
    let jpeg = step(&console, "jpeg");
    assert!(jpeg.contains("MJPEG"), "{jpeg}");
    let mut seen = BTreeSet::new();
    for bytes in saved(&out.join("jpeg")) {
        seen.insert(sent.iter().position(|(_, b)| *b == bytes).expect("a file that was not sent"));
    }
    assert!(seen.len() >= 2, "only the pictures {seen:?} were seen");

    // Unplugged and plugged in again.
    let unplugged = step(&console, "unplugged");
    let (before, after) = unplugged.split_once("LOST").expect(unplugged);
    assert!(
        before.contains("no tags") && after.contains("Pictures are coming.") && after.contains("no tags"),
        "{unplugged}"
    );
    assert!(after.contains("opened 2 times") || after.contains("opened 3 times"), "{unplugged}");
    // Never "the highest", which this driver offers at 2 a second, nor the 25 that the library makes of 2/25 s.
    assert!(unplugged.contains("1280 x 720 YUYV at 10 a second") && !unplugged.contains("3840"), "{unplugged}");

    // Two at once.
    let two = step(&console, "two");
    for number in 0..2 {
        assert!(two.contains(&format!("camera {number}, picture")), "{two}");
    }

    // None at all, then one that is plugged in while it is being waited for.
    let none = step(&console, "none");
    assert!(none.contains("No webcam was found") && none.contains("there is no camera 0"), "{none}");
    assert!(none.contains("Pictures are coming.") && none.contains("opened 1 times"), "{none}");
}
