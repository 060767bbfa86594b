//! Hostile files and a hostile machine: limits, links, pipes, nonsense numbers, faults of the program itself, and connections that nobody asked for. Nothing is
//! lost and nobody is fooled: every case ends in a message or in an honest result.

mod common;
#[path = "../fuzz/src/targets.rs"]
mod targets;

use common::{bay_with, edit, repository};
use plumbsight::limits::{DEEPEST_JSON, LARGEST_IMAGE_PIXELS, MOST_PHOTOGRAPHS, MOST_TAGS_PER_PHOTOGRAPH};
use plumbsight::record::result::Verdict;
use plumbsight::record::{Job, Purpose, ResultFile, read_job, read_result};
use plumbsight::scene::draw::scramble;
use plumbsight::session;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::time::Duration;

/// Photographs of the demonstration bay that alone give a measurement.
const FEW: [usize; 12] = [1, 3, 5, 8, 10, 13, 16, 18, 21, 23, 26, 29];

fn program() -> Command {
    Command::new(env!("CARGO_BIN_EXE_plumbsight"))
}

fn err(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// Runs a command that must end by itself; a hang is ended and is a failure.
#[track_caller]
fn ends(command: &mut Command) -> Output {
    let child = command
        .stdin(std::process::Stdio::null())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::piped())
        .spawn()
        .unwrap();
    let id = child.id();
    let (done, waiting) = std::sync::mpsc::channel();
    // Its output is taken meanwhile: a full pipe would look like a hang.
    std::thread::spawn(move || done.send(child.wait_with_output()));
    match waiting.recv_timeout(Duration::from_secs(120)) {
        Ok(output) => output.unwrap(),
        Err(_) => {
            let _ = Command::new("kill").args(["-9", &id.to_string()]).status();
            panic!("hangs: {command:?}");
        }
    }
}

/// Every file of a folder with its content.
fn contents(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut out = BTreeMap::new();
    let mut open = vec![folder.to_owned()];
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(folder).unwrap().flatten() {
            match entry.path() {
                path if path.is_dir() => open.push(path),
                path => drop(out.insert(path.clone(), std::fs::read(path).unwrap())),
            }
        }
    }
    out
}

#[test]
fn a_fault_of_the_program_is_reported_and_costs_nothing() {
    if !cfg!(debug_assertions) {
        return; // programs built for use cannot be made to fail on purpose
    }
    let dir = bay_with(&[1, 2, 3]);
    std::fs::write(dir.path().join("result.json"), "an older result").unwrap();
    let before = contents(dir.path());
    // In the thread of the command, and in one of those that search photographs.
    for stage in ["surveying", "photographs"] {
        let output = ends(program().arg("check").arg(dir.path()).env("PLUMBSIGHT_FAULT_AT", stage));
        assert_eq!(output.status.code(), Some(5), "{}", err(&output));
        assert!(output.stdout.is_empty());
        for says in ["fault of the program, not yours", "no verdict", "whole and as they were", "plumbsight-fault.txt"]
        {
            assert!(err(&output).contains(says), "{says}: {}", err(&output));
        }
        let mut after = contents(dir.path());
        let report = after.remove(&dir.path().join("plumbsight-fault.txt")).unwrap();
        assert_eq!(after, before);
        let report = String::from_utf8(report).unwrap();
        for holds in [env!("CARGO_PKG_VERSION"), stage, "provoked", "src/cli/fault.rs", "check"] {
            assert!(report.contains(holds), "{holds}: {report}");
        }
    }
    // No half record is left, and the next run is none the worse.
    let kept = tempfile::tempdir().unwrap();
    let record = || {
        let mut command = program();
        command.arg("record").arg(dir.path()).arg("--into").arg(kept.path()).args(["--by", "invented"]);
        command
    };
    let output = ends(record().env("PLUMBSIGHT_FAULT_AT", "surveying"));
    assert_eq!(output.status.code(), Some(5), "{}", err(&output));
    assert!(contents(kept.path()).keys().all(|p| !p.ends_with("record.json")), "{:?}", contents(kept.path()).keys());
    let output = ends(&mut record());
    assert!([0, 1, 2, 4].contains(&output.status.code().unwrap()), "{}", err(&output));
}

/// Families and kinds of the sockets that a run opens, and where it connects to, as the system saw it.
fn network_calls(arguments: &[&str]) -> (Option<i32>, Vec<String>) {
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("calls");
    let output = Command::new("strace")
        .args(["-f", "-qq", "-e", "trace=socket,connect,sendto,bind,listen", "-o"])
        .arg(&log)
        .arg(env!("CARGO_BIN_EXE_plumbsight"))
        .args(arguments)
        .output()
        .expect("strace is missing: `sh .ci/setup` installs it");
    let text = std::fs::read_to_string(&log).unwrap_or_default();
    let calls = text.lines().filter(|l| l.contains('(') && !l.contains("+++") && !l.contains("---"));
    (output.status.code(), calls.map(str::to_owned).collect())
}

#[test]
fn no_connection_is_made_but_the_one_that_was_asked_for() {
    let dir = bay_with(&[1, 2, 3]);
    let job = dir.path().to_str().unwrap();
    let kept = tempfile::tempdir().unwrap();
    let kept = kept.path().to_str().unwrap();
    let photos = dir.path().join("photos");
    let photos = photos.to_str().unwrap();
    let photo = dir.path().join("photos/001.jpg");
    let sheets = dir.path().join("sheets");
    for arguments in [
        &["check", job][..],
        &["record", job, "--into", kept, "--by", "invented"],
        &["tags", photo.to_str().unwrap()],
        &["sheets", sheets.to_str().unwrap()],
        &["ready", job],
        &["try", photos, "--replay", "--seconds", "1"],
        &["rehearse"],
    ] {
        let (code, calls) = network_calls(arguments);
        assert!(code.is_some(), "{arguments:?} was killed");
        assert!(calls.is_empty(), "{arguments:?}: {calls:?}");
    }
    // The same look sees a connection where there is one: to the address that was typed and nowhere else.
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (_, calls) = network_calls(&["try", &format!("http://127.0.0.1:{port}/video"), "--seconds", "1"]);
    let connects: Vec<&String> = calls.iter().filter(|c| c.contains("connect(")).collect();
    assert!(!connects.is_empty(), "the look sees nothing: {calls:?}");
    let there = format!("sin_port=htons({port}), sin_addr=inet_addr(\"127.0.0.1\")");
    assert!(connects.iter().all(|c| c.contains(&there)), "{connects:?}");
    assert!(!calls.iter().any(|c| c.contains("bind(") || c.contains("listen(")), "{calls:?}");
}

/// The window talks to the screen and to the desktop's own bus (for screen readers), through sockets of this machine's file system and no other.
#[test]
fn the_window_opens_no_network_socket() {
    if !cfg!(feature = "panel") {
        println!("not looked at: built without the feature `panel`");
        return;
    }
    let screen = Command::new("Xvfb")
        .args(["-displayfd", "1", "-screen", "0", "1000x700x24", "-nolisten", "tcp"])
        .stdin(std::process::Stdio::null())
        .stdout(std::process::Stdio::piped())
        .stderr(std::process::Stdio::null())
        .spawn();
    let Ok(mut screen) = screen else {
        println!("not looked at: Xvfb is not installed, and without a screen there is no window");
        return;
    };
    let mut number = String::new();
    std::io::BufRead::read_line(&mut std::io::BufReader::new(screen.stdout.take().unwrap()), &mut number).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let log = dir.path().join("calls");
    // It would stay open: a while after it has found the screen it is closed, with what it started.
    let mut window = Command::new("timeout")
        .args(["-k", "5", "60", "strace", "-f", "-qq", "-e", "trace=socket,connect,bind,listen", "-o"])
        .arg(&log)
        .args([env!("CARGO_BIN_EXE_plumbsight"), "panel"])
        .envs(
            ["HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME", "XDG_CACHE_HOME", "XDG_RUNTIME_DIR"].map(|k| (k, dir.path())),
        )
        .env("DISPLAY", format!(":{}", number.trim()))
        .env("LIBGL_ALWAYS_SOFTWARE", "1")
        .env_remove("WAYLAND_DISPLAY")
        .env_remove("DBUS_SESSION_BUS_ADDRESS")
        .spawn()
        .expect("`timeout` is part of every Linux");
    let calls = || std::fs::read_to_string(&log).unwrap_or_default();
    for _ in 0..300 {
        if calls().contains(".X11-unix/") || window.try_wait().is_ok_and(|ended| ended.is_some()) {
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    std::thread::sleep(Duration::from_secs(4));
    let _ = Command::new("kill").arg(window.id().to_string()).status();
    let status = window.wait();
    let _ = screen.kill();
    let _ = screen.wait();
    assert!(!number.trim().is_empty(), "Xvfb names no screen");
    let text = calls();
    // A thread that is killed on its way into a call is written down as a call without a name.
    let nameless = |line: &str| line.contains("---") || line.contains("???(");
    let calls: Vec<&str> = text.lines().filter(|l| l.contains('(') && !nameless(l)).collect();
    assert!(calls.iter().any(|c| c.contains(".X11-unix/")), "no window was opened: {status:?} {calls:?}");
    for call in &calls {
        let local = call.contains("AF_UNIX") || call.contains("resumed>");
        assert!(local && !call.contains("listen("), "{call}");
    }
}

#[test]
fn only_the_network_camera_names_the_network() {
    let mut open = vec![repository("src")];
    let mut named = Vec::new();
    while let Some(folder) = open.pop() {
        for entry in std::fs::read_dir(folder).unwrap().flatten() {
            let path = entry.path();
            if path.is_dir() {
                open.push(path);
                continue;
            }
            let text = std::fs::read_to_string(&path).unwrap_or_default();
            let words = ["std::net", "TcpStream", "UdpSocket", "UnixStream", "std::os::unix::net"];
            if path.extension().is_some_and(|e| e == "rs") && words.iter().any(|w| text.contains(w)) {
                named.push(path);
            }
        }
    }
    let http = repository("src/capture/http");
    assert!(!named.is_empty() && named.iter().all(|p| p.starts_with(&http)), "{named:?}");
}

/// The demonstration job must be refused or go on without the file; never a hang, never what lies outside. Gives the words.
#[track_caller]
fn refused(folder: &Path, says: &str) {
    let output = ends(program().arg("survey").arg(folder));
    let words = err(&output);
    assert!([3, 4].contains(&output.status.code().unwrap()), "{words}");
    assert!(words.contains(says), "{says}: {words}");
    assert!(
        !words.contains("TOP SECRET") && !String::from_utf8_lossy(&output.stdout).contains("TOP SECRET"),
        "{words}"
    );
}

#[cfg(unix)]
#[test]
fn nothing_leads_out_of_the_job_folder() {
    use std::os::unix::fs::symlink;
    let outside = tempfile::tempdir().unwrap();
    let secret = outside.path().join("secret.toml");
    std::fs::write(&secret, "TOP SECRET\n").unwrap();
    for (key, file) in [("bodies", "bodies.toml"), ("placement", "placement.toml"), ("lens", "lens.toml")] {
        for written in ["../secret.toml", secret.to_str().unwrap(), "photos/../../secret.toml", "a\\..\\b", "C:x", ""] {
            let dir = bay_with(&[1, 2]);
            let written = written.replace('\\', "\\\\");
            edit(&dir.path().join("job.toml"), &format!("{key} = \"{file}\""), &format!("{key} = \"{written}\""));
            refused(dir.path(), "job.toml, line");
        }
        let dir = bay_with(&[1, 2]);
        std::fs::remove_file(dir.path().join(file)).unwrap();
        symlink(&secret, dir.path().join(file)).unwrap();
        refused(dir.path(), "is a link that leads out of the job folder");
    }
    // Photographs: named, by pattern, and through a linked folder.
    for written in ["../*.jpg", "/elsewhere/*.jpg", "photos/../../x.jpg"] {
        let dir = bay_with(&[1, 2]);
        edit(&dir.path().join("job.toml"), "photos/*.jpg", written);
        refused(dir.path(), "the photograph name");
    }
    let dir = bay_with(&[]);
    std::fs::remove_dir(dir.path().join("photos")).unwrap();
    symlink(repository("fixtures/bay-a/photos"), dir.path().join("photos")).unwrap();
    refused(dir.path(), "a link that leads out of the job folder");
    // Files beside it, which a record would copy and the hold watch would write into.
    for name in ["readiness.toml", "outcome.toml", "hold.jsonl"] {
        let dir = bay_with(&[1, 2]);
        symlink(&secret, dir.path().join(name)).unwrap();
        let kept = tempfile::tempdir().unwrap();
        let output =
            ends(program().arg("record").arg(dir.path()).arg("--into").arg(kept.path()).args(["--by", "invented"]));
        assert_eq!(output.status.code(), Some(3), "{name}: {}", err(&output));
        let copied = contents(kept.path()).into_values().any(|b| b.windows(10).any(|w| w == b"TOP SECRET"));
        assert!(!copied, "{name} was copied");
        assert!(plumbsight::record::HoldLog::open(dir.path()).is_err() == (name == "hold.jsonl"), "{name}");
    }
    assert_eq!(std::fs::read_to_string(&secret).unwrap(), "TOP SECRET\n");
}

#[cfg(unix)]
#[test]
fn pipes_devices_and_giants_are_refused_at_once() {
    use std::os::unix::fs::symlink;
    for name in ["job.toml", "bodies.toml", "placement.toml", "lens.toml", "readiness.toml", "photos/001.jpg"] {
        let dir = bay_with(&[1, 2]);
        let path = dir.path().join(name);
        let _ = std::fs::remove_file(&path);
        assert!(Command::new("mkfifo").arg(&path).status().unwrap().success());
        // A pattern matches files only: one photograph is left.
        let says = if name.ends_with("jpg") { "Only one photograph" } else { "no file but a pipe" };
        refused(dir.path(), says);
        // A giant that takes no room on the disk.
        let dir = bay_with(&[1, 2]);
        let file = std::fs::File::create(dir.path().join(name)).unwrap();
        file.set_len(1 << 40).unwrap();
        drop(file);
        refused(dir.path(), if name.ends_with("jpg") { "001.jpg" } else { "too large to be meant" });
    }
    // What states no length and never ends.
    let dir = tempfile::tempdir().unwrap();
    symlink("/dev/zero", dir.path().join("result.json")).unwrap();
    assert!(read_result(&dir.path().join("result.json")).unwrap_err().to_string().contains("device"));
    assert!(plumbsight::capture::read_file(&dir.path().join("result.json"), 10).is_err());
    let path = dir.path().join("ten");
    std::fs::write(&path, "0123456789").unwrap();
    assert_eq!(plumbsight::capture::read_file(&path, 10).unwrap().len(), 10);
    assert!(plumbsight::capture::read_file(&path, 9).unwrap_err().to_string().contains("more than 9 bytes"));
}

/// A PNG file that states this size and holds a few bytes (ISO/IEC 15948: IHDR, IDAT, IEND).
fn png_of(width: u32, height: u32, depth: u8, colour: u8) -> Vec<u8> {
    fn crc(bytes: &[u8]) -> u32 {
        // ISO/IEC 15948, annex D.
        !bytes.iter().fold(!0, |mut c, b| {
            c ^= u32::from(*b);
            (0..8).for_each(|_| c = if c & 1 == 1 { 0xedb8_8320 ^ (c >> 1) } else { c >> 1 });
            c
        })
    }
    let mut out = b"\x89PNG\r\n\x1a\n".to_vec();
    let head = [&width.to_be_bytes()[..], &height.to_be_bytes(), &[depth, colour, 0, 0, 0]].concat();
    for (kind, data) in [(b"IHDR", head), (b"IDAT", vec![0x78, 0x9c, 0x03, 0, 0, 0, 0, 1]), (b"IEND", Vec::new())] {
        out.extend((data.len() as u32).to_be_bytes());
        let body = [&kind[..], &data].concat();
        out.extend(&body);
        out.extend(crc(&body).to_be_bytes());
    }
    out
}

#[test]
fn bombs_are_refused_before_memory_is_taken() {
    for (width, height) in [(10_001, 10_000), (65_535, 65_535), (u32::MAX, 1), (1, u32::MAX), (u32::MAX, u32::MAX)] {
        for (depth, colour) in [(1, 0), (16, 6)] {
            let error = plumbsight::capture::decode(&png_of(width, height, depth, colour)).unwrap_err().to_string();
            assert!(error.contains(&format!("{width} x {height} pixels")), "{error}");
        }
    }
    assert_eq!(LARGEST_IMAGE_PIXELS, 100_000_000);
    // Of a size that is allowed, with next to nothing in it.
    assert!(plumbsight::capture::decode(&png_of(10_000, 10_000, 8, 0)).is_err());
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("result.json");
    for depth in [DEEPEST_JSON + 1, 1_000_000] {
        std::fs::write(&path, "[".repeat(depth)).unwrap();
        assert!(read_result(&path).unwrap_err().to_string().contains("recursion limit"));
    }
    // A table in a table, and so on, in TOML; and a file of nothing but keys.
    for text in [
        "a = ".to_owned() + &"[".repeat(100_000),
        "[a".to_owned() + &".a".repeat(200_000) + "]",
        "a = {".repeat(50_000),
    ] {
        targets::run("job", text.as_bytes());
        targets::run("kit", text.as_bytes());
    }
}

#[test]
fn too_many_photographs_are_refused_before_they_are_compared() {
    let dir = bay_with(&[]);
    for k in 0..=MOST_PHOTOGRAPHS {
        std::fs::File::create(dir.path().join(format!("photos/{k}.jpg"))).unwrap();
    }
    let problem = read_job(dir.path(), Purpose::Survey).unwrap_err().to_string();
    assert!(problem.contains(&format!("{} photographs", MOST_PHOTOGRAPHS + 1)), "{problem}");
}

/// The numbers of a TOML text: where each begins and ends.
fn numbers(text: &str) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let mut at = 0;
    for line in text.split_inclusive('\n') {
        let code = line.split('#').next().unwrap_or("");
        let mut quoted = false;
        let mut begin = None;
        for (k, c) in code.char_indices().chain([(code.len(), ' ')]) {
            quoted ^= c == '"';
            let part = !quoted && (c.is_ascii_digit() || "+-.eE".contains(c));
            match begin {
                None if part && !code[..k].ends_with(|b: char| b.is_alphanumeric() || b == '_') => begin = Some(k),
                Some(b) if !part => {
                    let follows = c.is_alphanumeric() || c == '_';
                    if !follows && code[b..k].parse::<f64>().is_ok() && code[..b].contains(['=', '[']) {
                        out.push((at + b, at + k));
                    }
                    begin = None;
                }
                _ => {}
            }
        }
        at += line.len();
    }
    out
}

/// What a number can be that nobody meant.
const NONSENSE: [&str; 14] = [
    "nan",
    "-inf",
    "1e308",
    "-1e308",
    "1e400",
    "5e-324",
    "1e-12",
    "0",
    "-0.0",
    "-1",
    "1e9",
    "1e18",
    "9223372036854775807",
    "\"12,5\"",
];

/// A result says no nonsense: every number in it is one, U is never negative, and "in tolerance" is said only where |e| + U is within the tolerance.
#[track_caller]
fn sane(result: &ResultFile, what: &str) {
    // JSON has no NaN and no infinity: one that is in there does not come back.
    let text = serde_json::to_string(result).unwrap();
    let back = serde_json::from_str::<ResultFile>(&text);
    assert!(back.is_ok_and(|back| &back == result), "{what}: a number is none");
    for station in &result.stations {
        for (name, _, d) in station.deviations.each() {
            assert!(d.expanded >= 0.0 && d.u >= 0.0, "{what}: U of {name} is {}", d.expanded);
            if let (Some(tolerance), Some(Verdict::In)) = (d.tolerance, d.verdict) {
                assert!(d.deviation.abs() + d.expanded <= tolerance, "{what}: {name} is called in tolerance");
            }
        }
    }
    assert!(result.verdict != Verdict::NotMeasured || result.not_measured.is_some(), "{what}: no reason");
}

/// Every number of the job's files replaced by nonsense: refused with a reason, or a result without nonsense in which nothing passes that should not.
/// `PLUMBSIGHT_NUMBERS=all` checks every one that is accepted; otherwise a seeded share of them.
#[test]
fn nonsense_numbers_give_a_reason() {
    let dir = bay_with(&FEW);
    let sound = read_job(dir.path(), Purpose::Verdict).unwrap();
    let look = session::look(&sound, &|_| {});
    let judge = |job: &Job| session::check_seen(job, look.clone(), session::Extras::default(), &|_| {});
    let honest = judge(&sound);
    assert_ne!(honest.verdict, Verdict::NotMeasured, "{:?}", honest.not_measured);
    sane(&honest, "the sound job");
    let share = if std::env::var_os("PLUMBSIGHT_NUMBERS").is_some() { 1 } else { 6 };
    let (mut place, mut tried, mut refused, mut checked) = (0, 0, 0, 0);
    for file in ["job.toml", "bodies.toml", "placement.toml", "lens.toml"] {
        let path = dir.path().join(file);
        let text = std::fs::read_to_string(&path).unwrap();
        let places = numbers(&text);
        assert!(places.len() >= 5, "{file}: {places:?}");
        for (begin, end) in places {
            place += 1;
            for (n, nonsense) in NONSENSE.into_iter().enumerate() {
                if share > 1 && !(n + place).is_multiple_of(4) {
                    continue;
                }
                let line = 1 + text[..begin].matches('\n').count();
                let what = format!("{file}, line {line}: {} became {nonsense}", &text[begin..end]);
                std::fs::write(&path, format!("{}{nonsense}{}", &text[..begin], &text[end..])).unwrap();
                tried += 1;
                match read_job(dir.path(), Purpose::Verdict) {
                    Err(problem) => {
                        refused += 1;
                        assert!(problem.remedy.len() > 10 && !problem.what.is_empty(), "{what}: {problem}");
                        assert!(!problem.to_string().contains("NaN"), "{what}: {problem}");
                    }
                    Ok(job) => {
                        let finite = ["nan", "-inf", "1e400", "\"12,5\""];
                        assert!(!finite.contains(&nonsense), "{what}: accepted");
                        if scramble(tried).is_multiple_of(share) {
                            checked += 1;
                            sane(&judge(&job), &what);
                        }
                    }
                }
            }
        }
        std::fs::write(&path, text).unwrap();
    }
    println!("{tried} nonsense numbers: {refused} refused, {} accepted, {checked} of these judged", tried - refused);
    assert!(tried > 500 && checked > 3);
}

#[test]
fn threads_language_and_order_change_nothing() {
    let dir = bay_with(&FEW);
    let run = |threads: &str, language: &str| {
        let output = ends(
            program()
                .args(["check", "--json", "-"])
                .arg(dir.path())
                .env("RAYON_NUM_THREADS", threads)
                .env("LC_ALL", language)
                .env("LANG", language),
        );
        assert!(output.status.code().is_some_and(|c| c <= 2), "{}", err(&output));
        output.stdout
    };
    let one = run("1", "C");
    assert!(one.len() > 1000);
    assert!(one == run("4", "C"), "four threads give another result than one");
    assert!(one == run("2", "de_DE.UTF-8"), "another language gives another result");
    // Listed backwards, or as they come: not a bit of the result is another one.
    let mut names: Vec<String> = FEW.iter().map(|k| format!("\"photos/{k:03}.jpg\"")).collect();
    names.reverse();
    edit(&dir.path().join("job.toml"), "\"photos/*.jpg\"", &names.join(", "));
    assert!(one == run("2", "C"), "photographs listed backwards give another result");
    let listed = names.join(", ");
    names.sort_by_key(|name| scramble(name.bytes().map(u64::from).sum()));
    assert!(names.join(", ") != listed && !names.is_sorted());
    edit(&dir.path().join("job.toml"), &listed, &names.join(", "));
    assert!(one == run("2", "C"), "shuffled photographs give another result");
}

/// A block of EXIF with the moment when a photograph was taken and nothing else (CIPA DC-008, TIFF 6.0), in the first segment of a JPEG.
fn taken_at(jpeg: &[u8], moment: &str) -> Vec<u8> {
    assert!(jpeg.starts_with(&[0xff, 0xd8]) && moment.len() == 19);
    let field = |tag: u16, kind: u16, count: u32, value: u32| {
        [&tag.to_be_bytes()[..], &kind.to_be_bytes(), &count.to_be_bytes(), &value.to_be_bytes()].concat()
    };
    // The main directory at 8 points to the camera's own at 26, whose text is at 44.
    let directory = |field: Vec<u8>| [&1u16.to_be_bytes()[..], &field, &[0; 4]].concat();
    let block = [
        b"MM\0\x2a\0\0\0\x08".to_vec(),
        directory(field(0x8769, 4, 1, 26)),
        directory(field(0x9003, 2, 20, 44)),
        moment.bytes().chain([0]).collect(),
    ]
    .concat();
    let length = (2 + 6 + block.len()) as u16;
    [&jpeg[..2], &[0xff, 0xe1], &length.to_be_bytes()[..], b"Exif\0\0", &block, &jpeg[2..]].concat()
}

#[test]
fn photographs_are_in_the_order_of_their_times_and_else_of_their_names() {
    let dir = bay_with(&[1, 3]);
    let photos = dir.path().join("photos");
    for (from, to) in [("001.jpg", "p10.jpg"), ("003.jpg", "p9.jpg")] {
        std::fs::rename(photos.join(from), photos.join(to)).unwrap();
    }
    std::fs::copy(repository("fixtures/bay-a/photos/005.jpg"), photos.join("p2.jpg")).unwrap();
    edit(&dir.path().join("job.toml"), "\"photos/*.jpg\"", "\"photos/p9.jpg\", \"photos/*.jpg\"");
    let seen = || {
        let job = read_job(dir.path(), Purpose::Survey).unwrap();
        let look = session::look(&job, &|_| {});
        assert!(look.refused.is_empty(), "{:?}", look.refused);
        let doubt = look.notices.iter().any(|n| n.text.contains("in another order than their names"));
        let names: Vec<String> = look.photos.iter().map(|p| p.name.trim_start_matches("photos/").to_owned()).collect();
        assert_eq!(doubt, names != ["p2.jpg", "p9.jpg", "p10.jpg"], "{:?}", look.notices);
        names
    };
    assert_eq!(seen(), ["p2.jpg", "p9.jpg", "p10.jpg"]);
    // Where one says nothing of its time the names decide.
    let stamp = |name: &str, moment: &str| {
        let bytes = std::fs::read(photos.join(name)).unwrap();
        std::fs::write(photos.join(name), taken_at(&bytes, moment)).unwrap();
    };
    stamp("p10.jpg", "2026:11:25 15:04:05");
    stamp("p2.jpg", "2026:11:25 15:04:06");
    assert_eq!(seen(), ["p2.jpg", "p9.jpg", "p10.jpg"]);
    stamp("p9.jpg", "2026:11:25 15:04:05");
    assert_eq!(seen(), ["p9.jpg", "p10.jpg", "p2.jpg"]);
}

/// A wall of tags: more in one photograph than are used. It is refused by name, through the loader and the search of real jobs.
#[test]
fn too_many_tags_in_a_photograph_are_refused() {
    let dir = bay_with(&[1, 2]);
    let cell = 4;
    let (columns, rows) = (1920 / (10 * cell), 1080 / (10 * cell));
    assert!(columns * rows > MOST_TAGS_PER_PHOTOGRAPH);
    let mut wall = image::GrayImage::from_pixel(1920, 1080, image::Luma([225]));
    for k in 0..columns * rows {
        let cells = plumbsight::tags::family::cells_of((k % 587) as u16).unwrap();
        let (x0, y0) = ((k % columns * 10 + 1) * cell, (k / columns * 10 + 1) * cell);
        for y in 0..8 * cell {
            for x in 0..8 * cell {
                if cells >> (8 * (y / cell) + x / cell) & 1 == 0 {
                    wall.put_pixel((x0 + x) as u32, (y0 + y) as u32, image::Luma([30]));
                }
            }
        }
    }
    wall.save(dir.path().join("photos/001.jpg")).unwrap();
    let job = read_job(dir.path(), Purpose::Survey).unwrap();
    let look = session::look(&job, &|_| {});
    assert_eq!((look.photos.len(), look.refused.len()), (1, 1));
    let (k, why) = &look.refused[0];
    assert_eq!(job.photos[*k].name, "photos/001.jpg");
    let found = columns * rows;
    assert!(why.contains(&format!("{found} tags, and {MOST_TAGS_PER_PHOTOGRAPH} are the most")), "{why}");
    assert!(why.contains("Keep other printed tags out of the picture"), "{why}");
    assert!(look.notices.iter().any(|n| n.about == "photos/001.jpg" && n.text.contains(why.as_str())));
}

/// The kept inputs: seeds and what fuzzing found. Each is read as it came, cut, and with single bytes changed, and none makes a reader panic or hang.
#[test]
fn the_kept_inputs_harm_nothing() {
    let mut n = 0;
    for target in targets::NAMES {
        let folder = repository("fuzz/corpus").join(target);
        let mut files: Vec<PathBuf> = std::fs::read_dir(&folder).unwrap().flatten().map(|e| e.path()).collect();
        files.sort();
        assert!(!files.is_empty(), "{target}: no inputs are kept");
        for file in files {
            let bytes = std::fs::read(&file).unwrap();
            assert!(targets::run(target, &bytes), "{}", file.display());
            n += 1;
            // Slow ones have few variants.
            let variants = match target {
                "stream" => 0,
                "image" | "tags" => 4,
                _ => 12,
            };
            for k in 0..variants {
                let mut other = bytes.clone();
                if other.is_empty() {
                    break;
                }
                let draw = scramble(n * 1000 + k);
                let at = (draw >> 16) as usize % other.len();
                match k % 4 {
                    0 => other.truncate(at),
                    1 => other[at] ^= 1 << (draw % 8),
                    2 => drop(other.splice(at..at, bytes[at / 2..at].iter().copied())),
                    _ => drop(other.drain(at / 2..at)),
                }
                targets::run(target, &other);
            }
        }
    }
    println!("{n} kept inputs");
}

/// True where a licence expression (SPDX, annex D; a slash is the older "or") can be met with the allowed licences.
fn is_allowed(expression: &str, allowed: &[String]) -> bool {
    let text = expression.replace('/', " OR ").replace(['(', ')'], " ");
    let met = |one: &str| allowed.iter().any(|a| a == one.trim());
    // Without the brackets "and" must hold for every part that stands beside one: stricter than the expression, never laxer.
    text.split(" AND ").all(|part| part.split(" OR ").any(met))
}

#[test]
fn what_it_is_built_from_is_allowed() {
    let lists: toml::Table = std::fs::read_to_string(repository("deny.toml")).unwrap().parse().unwrap();
    let allowed: Vec<String> =
        lists["licenses"]["allow"].as_array().unwrap().iter().map(|v| v.as_str().unwrap().to_owned()).collect();
    let banned: Vec<&str> =
        lists["bans"]["deny"].as_array().unwrap().iter().map(|v| v["name"].as_str().unwrap()).collect();
    assert!(is_allowed("MIT/Apache-2.0", &allowed) && is_allowed("(MIT OR GPL-3.0-only) AND Zlib", &allowed));
    assert!(!is_allowed("GPL-3.0-only", &allowed) && !is_allowed("MIT AND GPL-3.0-only", &allowed));
    // Every version that the lock file names, for every system and feature: from the one registry, none that is banned.
    let lock: toml::Table = std::fs::read_to_string(repository("Cargo.lock")).unwrap().parse().unwrap();
    let packages = lock["package"].as_array().unwrap();
    assert!(packages.len() > 100);
    let mut sources = std::collections::BTreeSet::new();
    for package in packages {
        let name = package["name"].as_str().unwrap();
        assert!(!banned.contains(&name), "{name} is banned");
        let source = package.get("source").map(|s| s.as_str().unwrap());
        assert!(source.is_some_and(|s| s.starts_with("registry+")) || name == "plumbsight", "{name}: {source:?}");
        sources.extend(source);
        assert!(source.is_none() || package.get("checksum").is_some(), "{name} has no checksum");
    }
    assert_eq!(sources.len(), 1, "{sources:?}");
    // The licences of what is built here.
    let version = Command::new("rustc").arg("-vV").output().unwrap();
    let version = String::from_utf8(version.stdout).unwrap();
    let host = version.lines().find_map(|l| l.strip_prefix("host: ")).unwrap();
    let mut metadata = Command::new(env!("CARGO"));
    metadata.args(["metadata", "--offline", "--locked", "--format-version", "1", "--filter-platform", host]);
    if !cfg!(feature = "panel") {
        metadata.arg("--no-default-features");
    }
    let output = metadata.current_dir(repository("")).output().unwrap();
    assert!(output.status.success(), "{}", err(&output));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 50);
    for package in packages {
        let licence = package["license"].as_str().unwrap_or("none stated");
        assert!(is_allowed(licence, &allowed), "{}: {licence}", package["name"]);
    }
}

/// How many inputs are drawn for a property; `PLUMBSIGHT_PROPERTIES` sets another number.
fn properties(usual: u32) -> proptest::test_runner::Config {
    let cases = std::env::var("PLUMBSIGHT_PROPERTIES").ok().and_then(|n| n.parse().ok()).unwrap_or(usual);
    // The same draws in every run; a failure is shrunk and printed, and becomes a kept input.
    let rng_seed = proptest::test_runner::RngSeed::Fixed(20_260_301);
    proptest::test_runner::Config {
        cases,
        rng_seed,
        failure_persistence: None,
        ..proptest::test_runner::Config::default()
    }
}

/// Networks of any shape and any disturbance give a result in which every number is a number, or a reason (the target itself looks).
#[test]
fn any_network_gives_numbers_or_a_reason() {
    use proptest::prelude::*;
    let byte = prop_oneof![3 => any::<u8>(), 1 => Just(0u8), 1 => Just(255u8)];
    let bytes = proptest::collection::vec(byte, 0..400);
    let mut runner = proptest::test_runner::TestRunner::new(properties(40));
    let result = runner.run(&bytes, |bytes| {
        prop_assert!(targets::run("survey", &bytes));
        Ok(())
    });
    result.unwrap();
}

/// A value of any kind in place of any value of any file that is read, and any bytes in the middle of any kept input: read or refused with file, thing and remedy
/// (the targets themselves look).
#[test]
fn any_value_in_any_place_is_read_or_refused() {
    use proptest::prelude::*;
    let kept: Vec<(&str, Vec<u8>)> = targets::NAMES
        .into_iter()
        .filter(|target| !matches!(*target, "survey" | "stream"))
        .flat_map(|target| {
            let mut files: Vec<PathBuf> = std::fs::read_dir(repository("fuzz/corpus").join(target))
                .unwrap()
                .flatten()
                .map(|e| e.path())
                .collect();
            files.sort();
            files.into_iter().map(move |file| (target, std::fs::read(file).unwrap()))
        })
        .collect();
    let number = proptest::num::f64::ANY.prop_map(|v| format!("{v:e}"));
    let whole = any::<i64>().prop_map(|v| v.to_string());
    let text = ".{0,12}".prop_map(|v| format!("{v:?}"));
    let list = proptest::collection::vec(proptest::num::f64::ANY, 0..5).prop_map(|v| format!("{v:?}"));
    let odd = proptest::sample::select(vec![
        "", "nan", "-inf", "true", "{}", "[[]]", "1,5", "1 mm", "'", "\"", "MEASURE", "0x10",
    ]);
    let value = prop_oneof![number, whole, text, list, odd.prop_map(str::to_owned)];
    let drawn = (any::<proptest::sample::Index>(), any::<proptest::sample::Index>(), value, any::<bool>());
    let mut runner = proptest::test_runner::TestRunner::new(properties(400));
    let result = runner.run(&drawn, |(which, place, value, splice)| {
        let (target, bytes) = which.get(&kept);
        let text = String::from_utf8_lossy(bytes);
        // Behind `key =` (TOML) or `"key":` (JSON); where there is none, anywhere.
        let places: Vec<usize> = text.match_indices(['=', ':']).map(|(at, _)| at + 1).collect();
        let other = match (places.is_empty() || splice, bytes.len()) {
            (true, 0) => value.into_bytes(),
            (true, n) => {
                let at = place.index(n);
                [&bytes[..at], value.as_bytes(), &bytes[at..]].concat()
            }
            (false, _) => {
                let at = *place.get(&places);
                let end = text[at..].find(['\n', ',', '}']).map_or(text.len(), |k| at + k);
                format!("{} {value}{}", &text[..at], &text[end..]).into_bytes()
            }
        };
        prop_assert!(targets::run(target, &other));
        Ok(())
    });
    result.unwrap();
}
