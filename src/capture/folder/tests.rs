//! The watched folder with files that arrive slowly, under another name, twice, damaged. What is waited for comes, however late; nothing depends on speed.

use super::*;
use crate::capture::encode_gray_png;
use crate::raster::Gray;
use std::fs;
use std::io::Write;

fn quick() -> WatchOptions {
    WatchOptions {
        with_present: false,
        every: Duration::from_millis(5),
        settled: Duration::from_millis(30),
        patience: Duration::from_millis(400),
    }
}

/// A picture whose content and length depend on `k`.
fn picture(k: u8) -> Vec<u8> {
    let width = 64 + u32::from(k);
    let values = (0..width * 48).map(|i| (i.wrapping_mul(2654435761) >> 24) as u8 ^ k).collect();
    encode_gray_png(&Gray::new(width as usize, 48, values).unwrap()).unwrap()
}

fn open(folder: &Path, options: WatchOptions) -> WatchedFolder {
    WatchedFolder::open(folder, options, Instant::now()).unwrap()
}

/// The next thing that happens, within 20 s.
#[track_caller]
fn next(watch: &mut WatchedFolder) -> Next {
    let until = Instant::now() + Duration::from_secs(20);
    while Instant::now() < until {
        match watch.next(Duration::from_millis(20)) {
            Next::Nothing => {}
            other => return other,
        }
    }
    panic!("nothing came");
}

#[track_caller]
fn next_name(watch: &mut WatchedFolder) -> String {
    match next(watch) {
        Next::Frame(frame) => frame.name,
        other => panic!("{other:?}"),
    }
}

/// Nothing comes although ten times the settling time passes.
#[track_caller]
fn nothing(watch: &mut WatchedFolder) {
    let next = watch.next(Duration::from_millis(300));
    assert!(matches!(next, Next::Nothing), "{next:?}");
}

#[test]
fn new_photographs_count_and_old_ones_only_if_asked() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("old.png"), picture(0)).unwrap();
    let mut watch = open(dir.path(), quick());
    fs::create_dir_all(dir.path().join("DCIM/100")).unwrap();
    fs::write(dir.path().join("DCIM/100/new.png"), picture(1)).unwrap();
    fs::write(dir.path().join("notes.txt"), "no picture").unwrap();
    fs::write(dir.path().join(".hidden.png"), picture(2)).unwrap();
    match next(&mut watch) {
        Next::Frame(frame) => {
            assert_eq!(PathBuf::from(&frame.name), Path::new("DCIM").join("100").join("new.png"));
            assert_eq!(frame.file().unwrap().0.as_ref(), picture(1), "kept as taken");
        }
        other => panic!("{other:?}"),
    }
    nothing(&mut watch);
    let mut watch = open(dir.path(), WatchOptions { with_present: true, ..quick() });
    let mut both = [next_name(&mut watch), next_name(&mut watch)];
    both.sort();
    assert!(both[0].ends_with("new.png") && both[1] == "old.png", "{both:?}");
}

#[test]
fn a_file_that_is_written_slowly_counts_once_and_whole() {
    let dir = tempfile::tempdir().unwrap();
    let mut watch = open(dir.path(), quick());
    let bytes = picture(3);
    let mut file = fs::File::create(dir.path().join("slow.png")).unwrap();
    for piece in bytes.chunks(bytes.len() / 5 + 1) {
        file.write_all(piece).unwrap();
        file.flush().unwrap();
        // Long enough that each piece counts as settled by size alone.
        let got = watch.next(Duration::from_millis(80));
        if let Next::Frame(frame) = got {
            // Only the last piece can complete it.
            assert_eq!(frame.file().unwrap().0.as_ref(), bytes);
            return nothing(&mut watch);
        }
        assert!(matches!(got, Next::Nothing), "{got:?}");
    }
    assert_eq!(next_name(&mut watch), "slow.png");
    nothing(&mut watch);
}

#[test]
fn names_come_and_go_but_a_picture_counts_once() {
    let dir = tempfile::tempdir().unwrap();
    let at = |name: &str| dir.path().join(name);
    fs::write(at("present.png"), picture(9)).unwrap();
    let mut watch = open(dir.path(), quick());
    // Written under a passing name, then renamed, as browsers and phones do.
    fs::write(at("a.png.part"), picture(4)).unwrap();
    nothing(&mut watch);
    fs::rename(at("a.png.part"), at("a.png")).unwrap();
    assert_eq!(next_name(&mut watch), "a.png");
    fs::rename(at("a.png"), at("b.png")).unwrap();
    fs::copy(at("b.png"), at("c.png")).unwrap();
    fs::rename(at("present.png"), at("d.png")).unwrap();
    nothing(&mut watch);
    assert!(watch.notes().iter().any(|n| n.contains("not counted again")), "{:?}", watch.notes());
    // The same name with another picture is a new one.
    fs::write(at("b.png"), picture(5)).unwrap();
    assert_eq!(next_name(&mut watch), "b.png");
}

#[test]
fn what_is_no_picture_is_named_once_after_some_patience() {
    let dir = tempfile::tempdir().unwrap();
    let mut watch = open(dir.path(), quick());
    let bytes = picture(6);
    fs::write(dir.path().join("half.png"), &bytes[..bytes.len() / 2]).unwrap();
    match next(&mut watch) {
        Next::Spoiled { name, why } => assert!(name == "half.png" && why.contains("cut off"), "{name}: {why}"),
        other => panic!("{other:?}"),
    }
    nothing(&mut watch);
    // It may become whole later.
    fs::write(dir.path().join("half.png"), &bytes).unwrap();
    assert_eq!(next_name(&mut watch), "half.png");
    fs::write(dir.path().join("phone.HEIC"), "whatever").unwrap();
    match next(&mut watch) {
        Next::Spoiled { name, why } => assert!(name == "phone.HEIC" && why.contains("JPEG"), "{why}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_file_of_full_length_that_is_filled_later_is_waited_for() {
    let dir = tempfile::tempdir().unwrap();
    let bytes = picture(7);
    let path = dir.path().join("reserved.png");
    let mut watch = open(dir.path(), WatchOptions { patience: Duration::from_secs(20), ..quick() });
    // Some programs reserve the whole length before they copy.
    fs::write(&path, vec![0; bytes.len()]).unwrap();
    nothing(&mut watch);
    fs::write(&path, &bytes).unwrap();
    assert_eq!(next_name(&mut watch), "reserved.png");
}

#[test]
fn a_folder_that_goes_away_is_a_passing_loss() {
    let dir = tempfile::tempdir().unwrap();
    let inner = dir.path().join("card");
    assert!(matches!(WatchedFolder::open(&inner, quick(), Instant::now()), Err(loss) if loss.again));
    fs::create_dir(&inner).unwrap();
    let mut watch = open(&inner, quick());
    fs::remove_dir(&inner).unwrap();
    match next(&mut watch) {
        Next::Lost(loss) => assert!(loss.again && loss.what.contains("cannot be read"), "{loss}"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn what_arrives_while_the_folder_is_away_counts_when_it_is_back() {
    let dir = tempfile::tempdir().unwrap();
    let (card, away) = (dir.path().join("card"), dir.path().join("away"));
    fs::create_dir(&card).unwrap();
    fs::write(card.join("old.png"), picture(1)).unwrap();
    let keep = WatchKeep::default();
    let resume = || WatchedFolder::resume(&card, quick(), Instant::now(), &keep);
    let mut watch = resume().unwrap();
    fs::write(card.join("a.png"), picture(2)).unwrap();
    assert_eq!(next_name(&mut watch), "a.png");
    fs::rename(&card, &away).unwrap();
    assert!(matches!(next(&mut watch), Next::Lost(_)));
    drop(watch);
    // Tried in vain meanwhile.
    assert!(resume().is_err() && resume().is_err());
    fs::write(away.join("b.png"), picture(3)).unwrap();
    fs::rename(&away, &card).unwrap();
    let mut watch = resume().unwrap();
    match next(&mut watch) {
        Next::Frame(frame) => assert_eq!((frame.name.as_str(), frame.number), ("b.png", 0)),
        other => panic!("{other:?}"),
    }
    nothing(&mut watch);
}
