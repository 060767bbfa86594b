//! Live reading on a path-traced sequence with exact truth (`fixtures/live-a/README.md`), and on made ones.

mod common;

use common::{live_truths, repository};
use plumbsight::capture::read_image;
use plumbsight::placement::Component;
use plumbsight::record::{Purpose, read_job};
use plumbsight::session::live::{Base, CameraSetup, Live, Mount, Reading};
use plumbsight::tags::DetectOptions;
use plumbsight::units::{deg_from_rad, mm_from_m, rad_from_deg};
use std::sync::Arc;
use std::time::Duration;

#[test]
fn the_traced_sequence_is_followed_within_its_truth() {
    let job = read_job(&repository("fixtures/bay-a"), Purpose::Verdict).unwrap();
    let base = Arc::new(Base::of_job(&job, 0, &|_| {}).unwrap());
    let setup = CameraSetup { lens: 0, mount: Mount::Apart, detect: DetectOptions::default() };
    let mut live = Live::new(base, &[setup]).unwrap();
    let (mut covered, mut all) = (0, 0);
    for (k, truth) in live_truths().iter().enumerate().take(20) {
        let picture = read_image(&repository(&format!("fixtures/live-a/{:03}.jpg", k + 1))).unwrap();
        let reading: Reading = live.see(0, Duration::from_millis(100 * k as u64), &picture.gray);
        let stand = reading.stand.as_ref().unwrap_or_else(|| panic!("{k}: {:?}", reading.trouble));
        assert!(!stand.stale, "{k}: {:?}", reading.trouble);
        let mut line = format!("{k:2} {:2} {:?}", stand.frames, stand.motion);
        for component in Component::ALL {
            let i = component.index();
            let d = stand.station.deviations[i].deviation;
            let edge = if component.is_angle() { deg_from_rad } else { mm_from_m };
            let error = d.value - truth[i];
            line += &format!("  {:+.3} ({:.3})", edge(error), edge(d.expanded));
            all += 1;
            covered += usize::from(error.abs() <= d.expanded);
            let most = if component.is_angle() { rad_from_deg(0.08) } else { 0.0015 };
            assert!(error.abs() <= most, "frame {k}, {}: {:.3}", component.name(), edge(error));
        }
        println!("{line}  {}", stand.sentence);
    }
    println!("{covered} of {all} inside U");
    assert!(covered as f64 >= 0.95 * all as f64);
}

/// Through the command, from a folder of saved frames: a line for each with U and what to do; the watch says that a stand that is pushed never rests.
#[test]
fn the_commands_play_a_folder() {
    let job = repository("fixtures/bay-a");
    let copy = tempfile::tempdir().unwrap();
    for name in ["job.toml", "bodies.toml", "placement.toml", "lens.toml"] {
        std::fs::copy(job.join(name), copy.path().join(name)).unwrap();
    }
    std::fs::create_dir(copy.path().join("photos")).unwrap();
    for entry in std::fs::read_dir(job.join("photos")).unwrap().flatten() {
        std::fs::copy(entry.path(), copy.path().join("photos").join(entry.file_name())).unwrap();
    }
    let run = |command: &str, from: &std::path::Path| {
        std::process::Command::new(env!("CARGO_BIN_EXE_plumbsight"))
            .args([command.as_ref(), copy.path().as_os_str(), "--from".as_ref(), from.as_os_str()])
            .args(["--replay", "10"])
            .output()
            .unwrap()
    };
    let frames = repository("fixtures/live-a");
    let rest_folder = tempfile::tempdir().unwrap();
    let out = run("live", &frames);
    let text = String::from_utf8(out.stdout).unwrap();
    let readings = |text: &str| -> Vec<String> {
        // A reading begins with its time; the lines below it are indented further.
        let mut all: Vec<String> = Vec::new();
        for line in text.lines() {
            assert!(line.chars().count() <= 80, "too long for a terminal: {line}");
        }
        // The last word is no reading.
        for line in text.lines().take_while(|line| !line.starts_with("Ended")) {
            match all.last_mut() {
                Some(last) if line.starts_with("         ") => *last += line,
                _ => all.push(line.to_owned()),
            }
        }
        all
    };
    let all = readings(&text);
    assert_eq!(all.len(), 20, "{text}{}", String::from_utf8_lossy(&out.stderr));
    assert!(text.contains("Ended. The last reading"), "{text}");
    assert!(all.iter().all(|r| r.contains("distance") && r.matches(" U ").count() == 6), "{text}");
    assert!(all[0].contains("Turn the stand") && all[19].contains("In tolerance"), "{text}");
    // In every picture it stands elsewhere: what it did last is no place to rely upon.
    assert!(all[19].contains("moving"), "{text}");
    assert_eq!(out.status.code(), Some(2), "{text}");
    // Where it rests, the last reading counts.
    let still = tempfile::tempdir().unwrap();
    for k in 0..12 {
        std::fs::copy(frames.join("020.jpg"), still.path().join(format!("{k:03}.jpg"))).unwrap();
    }
    let out = run("live", still.path());
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stdout));
    // By hand: a picture for each key, until q.
    let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_plumbsight"))
        .args(["live".as_ref(), copy.path().as_os_str(), "--from".as_ref(), frames.as_os_str()])
        .args(["--replay", "10", "--step"])
        .stdin(std::process::Stdio::piped())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    std::io::Write::write_all(&mut child.stdin.take().unwrap(), b"\n\nq\n").unwrap();
    let out = child.wait_with_output().unwrap();
    assert_eq!(readings(&String::from_utf8(out.stdout).unwrap()).len(), 3);
    assert!(String::from_utf8_lossy(&out.stderr).contains("Enter: the next picture"));
    // A watched folder in which nothing arrives: what it waits for is said at once.
    let out = std::process::Command::new(env!("CARGO_BIN_EXE_plumbsight"))
        .args(["live".as_ref(), copy.path().as_os_str(), "--from".as_ref(), still.path().as_os_str()])
        .args(["--seconds", "1", "--lens", "lens.toml", "--lens", "lens.toml", "--from"])
        .arg(rest_folder.path())
        .output()
        .unwrap();
    let words = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(
        words.matches("waiting for the first picture; those already in the folder are not read").count(),
        2,
        "{words}"
    );
    assert_eq!(out.status.code(), Some(4), "{words}");
    let wrong: [(&[&str], &str); 2] =
        [(&["--lens", "lens.toml", "--lens", "lens.toml"], "once for all"), (&["--on-stand=3"], "from 1 to 1")];
    for (wrong, remedy) in wrong {
        let out = std::process::Command::new(env!("CARGO_BIN_EXE_plumbsight"))
            .args(["live".as_ref(), copy.path().as_os_str(), "--from".as_ref(), frames.as_os_str()])
            .args(wrong)
            .output()
            .unwrap();
        let words = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(out.status.code() == Some(3) && words.contains(remedy), "{words}");
    }
    // Of several profiles none is guessed.
    let path = copy.path().join("job.toml");
    let one = std::fs::read_to_string(&path).unwrap();
    let two = one
        .replace("lens = \"lens.toml\"", "lenses = { phone = \"lens.toml\", other = \"other.toml\" }")
        .replace("files = [\"photos/*.jpg\"]", "files = [\"photos/*.jpg\"]\nlens = \"phone\"");
    std::fs::write(&path, two).unwrap();
    std::fs::copy(copy.path().join("lens.toml"), copy.path().join("other.toml")).unwrap();
    let out = run("live", still.path());
    let words = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(out.status.code() == Some(3) && words.contains("several lens profiles"), "{words}");
    std::fs::write(&path, one).unwrap();

    let out = run("hold", &frames);
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(2), "{text}{}", String::from_utf8_lossy(&out.stderr));
    // The stand rests in the first frame for a while, then stands as in the fifth.
    let rest = tempfile::tempdir().unwrap();
    for k in 0..60 {
        let from = frames.join(if k < 45 { "001.jpg" } else { "005.jpg" });
        std::fs::copy(from, rest.path().join(format!("{k:03}.jpg"))).unwrap();
    }
    let out = run("hold", rest.path());
    let text = String::from_utf8(out.stdout).unwrap();
    assert_eq!(out.status.code(), Some(1), "{text}{}", String::from_utf8_lossy(&out.stderr));
    assert!(text.contains("\"stand\" moved at 0:04"), "{text}");
    // The time before a line and that in it are of one clock.
    let line = text.lines().find(|l| l.contains("\"stand\" moved at 0:04")).unwrap();
    assert!(line.trim_start().starts_with("0:04."), "{line}");
    let log = std::fs::read_to_string(copy.path().join("hold.jsonl")).unwrap();
    let events: Vec<String> = log
        .lines()
        .map(|l| serde_json::from_str::<serde_json::Value>(l).unwrap()["event"].as_str().unwrap().to_owned())
        .collect();
    let wanted = ["opened", "closed", "opened", "begins", "moved before", "moved", "closed"];
    assert_eq!(events, wanted);

    // With the alarm open, what is read from a bay in which something moved is no verdict: said first, in each line, at the end and by the exit code.
    let heeds = |words: &str| {
        let out = run("live", still.path());
        let text = String::from_utf8(out.stdout).unwrap();
        assert_eq!(out.status.code(), Some(2), "{text}");
        let whole = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(whole.starts_with(words) && !text.contains("● in") && text.contains("◆ not proven, still"), "{text}");
        assert!(whole.contains("is not proven, because something moved after the photographs"), "{text}");
    };
    heeds("THE HOLD WATCH RAISED 2 ALARMS after these photographs");
    // Nor where an alarm may stand in a log that cannot be read.
    std::fs::write(copy.path().join("hold.jsonl"), "{\"event\":\"opened\"}\n{\"event\":\"mov").unwrap();
    heeds("A line of the log of the hold watch cannot be read");

    let out = run("live", &copy.path().join("nothing"));
    assert_eq!(out.status.code(), Some(3));
    assert!(String::from_utf8(out.stderr).unwrap().contains("is no folder"), "the source is named");
}

/// A stand that is bumped after the check: what `live` finds is noted beside the job, and `check` says it too; a log that cannot be written hides nothing.
#[test]
fn a_reading_that_contradicts_the_photographs_is_noted() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    plumbsight::record::unpack_demo(&folder).unwrap();
    let run = |command: &str, more: &[&std::ffi::OsStr]| {
        let mut it = std::process::Command::new(env!("CARGO_BIN_EXE_plumbsight"));
        it.arg(command)
            .arg(&folder)
            .args(more)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::null());
        it
    };
    let words = |out: &[u8]| String::from_utf8_lossy(out).split_whitespace().collect::<Vec<_>>().join(" ");
    assert_eq!(run("check", &[]).output().unwrap().status.code(), Some(0));
    // Each picture has bytes of its own behind its end.
    let live = |n: u8, frame: &str| {
        let frame = std::fs::read(repository(frame)).unwrap();
        let pictures = dir.path().join(format!("pictures {n}"));
        std::fs::create_dir(&pictures).unwrap();
        let from: [&std::ffi::OsStr; 4] = ["--from".as_ref(), pictures.as_ref(), "--seconds".as_ref(), "5".as_ref()];
        let mut child = run("live", &from).spawn().unwrap();
        let mut count = 0u16;
        while child.try_wait().unwrap().is_none() {
            let path = pictures.join(format!("{count:04}.part"));
            std::fs::write(&path, [frame.as_slice(), &count.to_le_bytes()].concat()).unwrap();
            std::fs::rename(&path, path.with_extension("jpg")).unwrap();
            count += 1;
            std::thread::sleep(Duration::from_millis(100));
        }
        let out = child.wait_with_output().unwrap();
        (out.status.code(), words(&out.stdout))
    };
    let noted = "found the stand elsewhere than the photographs: ";
    let path = folder.join("hold.jsonl");
    let log = || std::fs::read_to_string(&path).unwrap_or_default();
    // Said where no note can be written, too.
    #[cfg(unix)]
    {
        std::os::unix::fs::symlink(dir.path().join("nowhere/log"), &path).unwrap();
        let (code, text) = live(0, "fixtures/live-a/001.jpg");
        assert!(code == Some(1) && text.contains(noted) && text.contains("could not be noted: "), "{text}");
        std::fs::remove_file(&path).unwrap();
    }
    let (code, text) = live(1, "fixtures/live-a/001.jpg");
    assert!(code == Some(1) && text.contains(noted) && text.contains("It is noted in hold.jsonl"), "{text}");
    assert!(log().lines().count() == 1 && log().contains("\"event\":\"stand elsewhere\""), "{}", log());
    let out = run("check", &[]).output().unwrap();
    let text = words(&out.stdout);
    assert!(out.status.code() == Some(2) && text.contains(noted), "{text}");
    // A camera on the stand would take where it is now for where it was photographed.
    let ride: [&std::ffi::OsStr; 4] = [
        "--on-stand".as_ref(),
        "--from".as_ref(),
        dir.path().join("pictures 1").into_os_string().leak(),
        "--replay".as_ref(),
    ];
    let out = run("live", &ride).output().unwrap();
    assert!(out.status.code() != Some(0), "{}", words(&out.stdout));
    // Saved pictures say nothing of where it stands now.
    let played = run("live", &ride[1..]).output().unwrap();
    let text = words(&played.stdout);
    assert!(text.contains("Ended") && !text.contains("It is noted") && log().lines().count() == 1, "{text}");
}
