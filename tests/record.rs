//! The record: kept whole or not at all, confirmed when measured again, every change named.

mod common;

use common::{bay_with, edit};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};
use std::time::{Duration, Instant};

fn plumbsight(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_plumbsight")).args(arguments).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

/// Photographs that give a measurement quickly: enough to tie everything, few enough for many runs.
const FEW: [usize; 8] = [1, 4, 8, 12, 16, 20, 24, 28];

/// A number whose check digit is right.
const VIN: &str = "11111111111111111";

fn keep(job: &Path, root: &Path, more: &[&str]) -> Output {
    let fixed = ["record", job.to_str().unwrap(), "--into", root.to_str().unwrap(), "--by", "Invented Person"];
    plumbsight(&[&fixed[..], more].concat())
}

/// The records below a root: what is shown, without what is being written.
fn records(root: &Path) -> Vec<PathBuf> {
    let mut out: Vec<PathBuf> =
        std::fs::read_dir(root).map(|entries| entries.map(|e| e.unwrap().path()).collect()).unwrap_or_default();
    out.retain(|p: &PathBuf| !p.file_name().unwrap().to_string_lossy().starts_with('.'));
    out.sort();
    out
}

fn json(path: &Path) -> Value {
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

#[track_caller]
fn confirmed(record: &Path, more: &[&str]) -> String {
    let out = plumbsight(&[&["recheck", record.to_str().unwrap()], more].concat());
    assert_eq!(out.status.code(), Some(0), "{}", said(&out));
    said(&out)
}

/// Writable again, to play the vandal.
fn overwrite(path: &Path, bytes: &[u8]) {
    let mut rights = std::fs::metadata(path).unwrap().permissions();
    #[allow(clippy::permissions_set_readonly_false)] // a temporary folder of this test
    rights.set_readonly(false);
    std::fs::set_permissions(path, rights).unwrap();
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn a_record_is_complete_measures_the_same_again_and_names_every_change() {
    let job = bay_with(&FEW);
    std::fs::write(
        job.path().join("outcome.toml"),
        "format = \"plumbsight/outcome/1\"\nscan_tool = \"invented\"\nroutine = \"completed\"\n",
    )
    .unwrap();
    edit(
        &job.path().join("job.toml"),
        "name = \"invented car\"",
        "name = \"invented car\"\nvin = \"11111111111111111\"",
    );
    let log = "{\"format\":\"plumbsight/hold/1\"}\n{\"alarm\":false}\n{\"alarm\":true}\n";
    std::fs::write(job.path().join("hold.jsonl"), log).unwrap();
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("records");
    let key = dir.path().join("shop.pem");
    assert_eq!(plumbsight(&["key", key.to_str().unwrap()]).status.code(), Some(0));
    assert_eq!(plumbsight(&["key", key.to_str().unwrap()]).status.code(), Some(3), "a key is never overwritten");
    let out = keep(job.path(), &root, &["--key", key.to_str().unwrap(), "--note", "first"]);
    assert_eq!(out.status.code(), Some(2), "kept, and not to be calibrated on: {}", said(&out));
    assert!(said(&out).contains("RAISED 1 ALARM") && said(&out).contains("To go on:"), "{}", said(&out));
    let [record] = records(&root).try_into().unwrap();
    assert_eq!(std::fs::read_to_string(record.join("job/hold.jsonl")).unwrap(), log);
    assert!(record.to_string_lossy().ends_with("_11111111111111111"), "{}", record.display());

    // Complete: the original job may go.
    let original = std::fs::read(job.path().join("photos/004.jpg")).unwrap();
    assert_eq!(std::fs::read(record.join("job/photos/004.jpg")).unwrap(), original);
    drop(job);
    let public = dir.path().join("shop.pub.pem");
    let words = confirmed(&record, &["--public-key", public.to_str().unwrap()]);
    assert!(words.contains("every figure is the same") && words.contains("good, made with the key given"), "{words}");
    // The ordinary commands write nothing into it.
    let inside = record.join("job");
    let out = plumbsight(&["check", inside.to_str().unwrap()]);
    assert!(said(&out).contains("Nothing was written") && out.status.code() != Some(3), "{}", said(&out));
    for folder in [&inside, &record] {
        let out = plumbsight(&["ready", folder.to_str().unwrap(), "--done", "light"]);
        assert!(out.status.code() == Some(3) && said(&out).contains("never changed"), "{}", said(&out));
    }
    confirmed(&record, &[]);
    let file = json(&record.join("record.json"));
    assert_eq!(
        (&file["by"], &file["revision"], &file["photographs"]),
        (&"Invented Person".into(), &1.into(), &8.into())
    );
    assert_eq!(file["outcome"]["routine"], "completed");
    // The kit is told by its file, which standard tools can sum too.
    let sum = Command::new("sha256sum").arg(record.join("job/bodies.toml")).output().unwrap();
    assert!(said(&sum).starts_with(file["kit"]["sha256"].as_str().unwrap()), "{}", file["kit"]);
    assert_eq!(file["verdict"], json(&record.join("result.json"))["verdict"]);

    // The record may move, and standard tools confirm sums and signature.
    let moved = dir.path().join("elsewhere");
    std::fs::rename(&record, &moved).unwrap();
    confirmed(&moved, &[]);
    let sums = Command::new("sha256sum").args(["--quiet", "-c", "SHA256SUMS"]).current_dir(&moved).output().unwrap();
    assert!(sums.status.success(), "{}", said(&sums));
    if let Ok(openssl) = Command::new("openssl")
        .args([
            "pkeyutl",
            "-verify",
            "-pubin",
            "-inkey",
            "public-key.pem",
            "-rawin",
            "-in",
            "SHA256SUMS",
            "-sigfile",
            "SHA256SUMS.sig",
        ])
        .current_dir(&moved)
        .output()
    {
        assert!(openssl.status.success(), "{}", said(&openssl));
    }
    let another = dir.path().join("other.pem");
    plumbsight(&["key", another.to_str().unwrap()]);
    let out = plumbsight(&[
        "recheck",
        moved.to_str().unwrap(),
        "--quick",
        "--public-key",
        dir.path().join("other.pub.pem").to_str().unwrap(),
    ]);
    assert!(out.status.code() == Some(1) && said(&out).contains("BAD SIGNATURE"), "{}", said(&out));

    // The private key in place of the public one, and a file that is no key, are named as such.
    for (file, says) in [(key.to_str().unwrap(), "this is a private key"), ("Cargo.toml", "holds no public key")] {
        let out = plumbsight(&["recheck", moved.to_str().unwrap(), "--quick", "--public-key", file]);
        assert!(out.status.code() == Some(3) && said(&out).contains(says), "{}", said(&out));
    }

    // One byte anywhere.
    let mut files = vec![
        "record.json",
        "result.json",
        "survey.json",
        "public-key.pem",
        "job/job.toml",
        "job/lens.toml",
        "job/photos/012.jpg",
    ];
    files.extend(["SHA256SUMS", "SHA256SUMS.sig"]);
    for name in files {
        let path = moved.join(name);
        let bytes = std::fs::read(&path).unwrap();
        let mut flipped = bytes.clone();
        flipped[bytes.len() / 2] ^= 4;
        overwrite(&path, &flipped);
        let out = plumbsight(&["recheck", moved.to_str().unwrap(), "--quick"]);
        let words = said(&out);
        let named = if name.ends_with(".sig") { words.contains("BAD SIGNATURE") } else { words.contains(name) };
        assert!(out.status.code() == Some(1) && named, "{name}: {words}");
        std::fs::write(&path, &bytes).unwrap();
    }
    // A photograph that is lost is named although the measurement cannot be repeated without it.
    let photo = moved.join("job/photos/016.jpg");
    let bytes = std::fs::read(&photo).unwrap();
    std::fs::remove_file(&photo).unwrap();
    let out = plumbsight(&["recheck", moved.to_str().unwrap()]);
    let words = said(&out);
    assert!(out.status.code() == Some(1) && words.contains("job/photos/016.jpg is missing"), "{words}");
    std::fs::write(&photo, &bytes).unwrap();
    // A figure polished together with its sum: the measurement itself gives it away, and so does the signature.
    let result = moved.join("result.json");
    let mut value = json(&result);
    let number = &mut value["stations"][0]["deviations"]["lateral_mm"]["deviation"];
    *number = (number.as_f64().unwrap() + 1.0).into();
    let polished = serde_json::to_string_pretty(&value).unwrap() + "\n";
    let old = plumbsight::record::keep::manifest::sha256_hex(&std::fs::read(&result).unwrap());
    let new = plumbsight::record::keep::manifest::sha256_hex(polished.as_bytes());
    overwrite(&result, polished.as_bytes());
    let manifest = std::fs::read_to_string(moved.join("SHA256SUMS")).unwrap().replace(&old, &new);
    let (_, lines) = manifest.split_once('\n').unwrap();
    let own = plumbsight::record::keep::manifest::sha256_hex(lines.as_bytes());
    overwrite(&moved.join("SHA256SUMS"), format!("# sha256 of the lines below: {own}\n{lines}").as_bytes());
    let out = plumbsight(&["recheck", moved.to_str().unwrap()]);
    let words = said(&out);
    assert_eq!(out.status.code(), Some(1));
    assert!(
        words.contains("all as recorded")
            && words.contains("BAD SIGNATURE")
            && words.contains("DIFFERENT: ")
            && words.contains("lateral"),
        "{words}"
    );
}

#[test]
fn a_correction_names_the_record_before() {
    let job = bay_with(&FEW);
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("records");
    let key = dir.path().join("shop.pem");
    assert_eq!(plumbsight(&["key", key.to_str().unwrap()]).status.code(), Some(0));
    edit(&job.path().join("job.toml"), "name = \"invented car\"", &format!("name = \"invented car\"\nvin = \"{VIN}\""));
    assert_eq!(keep(job.path(), &root, &["--key", key.to_str().unwrap()]).status.code(), Some(0));
    let [first] = records(&root).try_into().unwrap();
    let before = std::fs::read(first.join("SHA256SUMS")).unwrap();
    let correct =
        |record: &Path| keep(job.path(), &root, &["--corrects", record.to_str().unwrap(), "--reason", "outcome added"]);
    let out = correct(&first);
    assert_eq!(out.status.code(), Some(0), "{}", said(&out));
    let second = records(&root).into_iter().find(|r| *r != first).unwrap();
    let file = json(&second.join("record.json"));
    assert_eq!(file["revision"], 2);
    assert_eq!(file["corrects"]["record"], first.file_name().unwrap().to_str().unwrap());
    assert_eq!(file["corrects"]["manifest_sha256"], plumbsight::record::keep::manifest::sha256_hex(&before));
    assert_eq!(std::fs::read(first.join("SHA256SUMS")).unwrap(), before, "the old one stays as it is");
    assert_eq!(file["corrects"]["earlier"], serde_json::json!([]));
    // A correction of the correction names the whole chain.
    let out = correct(&second);
    assert_eq!(out.status.code(), Some(0), "{}", said(&out));
    let third_folder = records(&root).into_iter().find(|r| *r != first && *r != second).unwrap();
    let third = json(&third_folder.join("record.json"));
    assert_eq!(
        (&third["revision"], &third["corrects"]["earlier"][0]),
        (&3.into(), &file["corrects"]["manifest_sha256"])
    );
    // The first record once more, unsigned, for another car: each is said at once, and nothing is refused, because the photographs are the same.
    assert!(!said(&out).contains("was corrected before") && !said(&out).contains("ANOTHER CAR"), "{}", said(&out));
    edit(&job.path().join("job.toml"), VIN, "1M8GDM9AXKP042788");
    let out = correct(&first);
    let flat = said(&out).split_whitespace().collect::<Vec<_>>().join(" ");
    for part in [
        "ANOTHER CAR: VIN 11111111111111111 there, 1M8GDM9AXKP042788 here",
        "was corrected before, by",
        "stands for it as before: this record does not",
        "is not signed: whoever",
    ] {
        assert!(out.status.code() == Some(0) && flat.contains(part), "{part}: {flat}");
    }
    // Whoever looks at the first again hears of it, and that nothing was measured.
    let out = plumbsight(&["recheck", "--quick", first.to_str().unwrap()]);
    let flat = said(&out).split_whitespace().collect::<Vec<_>>().join(" ");
    for part in ["CORRECTED LATER by", "It is not signed, and this one is", "Nothing was measured again (--quick)"] {
        assert!(out.status.code() == Some(0) && flat.contains(part), "{part}: {flat}");
    }
    assert!(!flat.contains("confirmed."), "{flat}");
    let out = plumbsight(&["recheck", "--quick", third_folder.to_str().unwrap()]);
    assert!(
        said(&out).contains("The record's files are confirmed.") && !said(&out).contains("CORRECTED"),
        "{}",
        said(&out)
    );
    // The second corrected once more has two newest revisions, and whoever looks at it is told so.
    edit(&job.path().join("job.toml"), "1M8GDM9AXKP042788", VIN);
    let out = correct(&second);
    let flat = said(&out).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(out.status.code() == Some(0) && flat.contains("there is no one newest revision now"), "{flat}");
    let out = plumbsight(&["recheck", "--quick", second.to_str().unwrap()]);
    let flat = said(&out).split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("CORRECTED LATER 2 times over") && !flat.contains("stands for this one"), "{flat}");
    // Another job altogether is refused; the same car again, asked the same, is not, whatever its photographs.
    let other = bay_with(&[2, 5, 9, 13, 17, 21, 25, 29]);
    let of_other = |from: &str, to: &str| {
        edit(&other.path().join("job.toml"), from, to);
        keep(other.path(), &root, &["--corrects", third_folder.to_str().unwrap(), "--reason", "typing error"])
    };
    let out = of_other("name = \"invented car\"", "name = \"another invented car\"");
    let flat = said(&out).split_whitespace().collect::<Vec<_>>().join(" ");
    for part in ["a record of another job (VIN 11111111111111111", "here \"another invented car\"", "Nothing was kept."]
    {
        assert!(out.status.code() == Some(3) && flat.contains(part), "{part}: {flat}");
    }
    assert_eq!(records(&root).len(), 5);
    let out = of_other("name = \"another invented car\"", "name = \"invented car\"");
    assert_eq!(out.status.code(), Some(0), "{}", said(&out));
    // What is damaged cannot be corrected, and nothing is written then.
    overwrite(&first.join("job/job.toml"), b"x");
    let out = correct(&first);
    assert!(out.status.code() == Some(3) && said(&out).contains("job/job.toml was altered"), "{}", said(&out));
    assert_eq!(records(&root).len(), 6);
}

/// Nothing of a job is lost, and no folder but whole records is shown, wherever the writing is cut off.
#[test]
fn killed_at_any_moment_a_record_is_there_whole_or_not_at_all() {
    let runs: u32 = std::env::var("PLUMBSIGHT_KILLS").ok().and_then(|n| n.parse().ok()).unwrap_or(12);
    let job = bay_with(&FEW[..4]);
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("records");
    let start = Instant::now();
    assert_eq!(keep(job.path(), &root, &[]).status.code(), Some(0));
    let whole = start.elapsed();
    let files = |folder: &Path| plumbsight::record::keep::manifest::files_below(folder).unwrap();
    let (mut kept, mut cut) = (1, 0);
    for k in 0..runs {
        let mut child = Command::new(env!("CARGO_BIN_EXE_plumbsight"))
            .args(["record", job.path().to_str().unwrap(), "--into", root.to_str().unwrap(), "--by", "x"])
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        // Moments spread evenly over the whole run and a little beyond, out of order (multiples of the golden ratio).
        let part = (f64::from(k + 1) * 0.618_033_988_749_895).fract() * 1.2;
        std::thread::sleep(Duration::from_secs_f64(part * whole.as_secs_f64()));
        let _ = child.kill();
        child.wait().unwrap();
        let now = records(&root);
        assert!(now.len() == kept || now.len() == kept + 1, "{now:?}");
        cut += usize::from(now.len() == kept);
        kept = now.len();
        for record in &now {
            assert_eq!(plumbsight::record::keep::manifest::verify(record).unwrap(), [], "{}", record.display());
            assert!(
                files(record).iter().any(|f| f == "record.json")
                    && files(record).iter().any(|f| f == "job/photos/001.jpg")
            );
        }
    }
    println!("{runs} kills: {cut} cut off, {} records whole", kept);
    assert!(cut > 0, "no kill came in time: the test shows nothing");
    // The next one sweeps up.
    assert_eq!(keep(job.path(), &root, &[]).status.code(), Some(0));
    let left: Vec<_> = std::fs::read_dir(&root).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert!(left.iter().all(|n| !n.to_string_lossy().starts_with('.')), "{left:?}");
    assert_eq!(left.len(), kept + 1);
}

/// Runs `script` with a shell in which the program, the job and the root are `$1 $2 $3`.
fn shell(script: &str, job: &Path, root: &Path) -> Output {
    let paths = [env!("CARGO_BIN_EXE_plumbsight"), job.to_str().unwrap(), root.to_str().unwrap()];
    Command::new("sh").args(["-c", script, "sh"]).args(paths).output().unwrap()
}

/// A file that cannot be written to its end, as on a full disk: the limit on file size gives the same kind of error without a mount.
#[test]
fn where_writing_fails_nothing_is_left_and_the_old_records_stay() {
    let job = bay_with(&FEW[..4]);
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path().join("records");
    assert_eq!(keep(job.path(), &root, &[]).status.code(), Some(0));
    let before = records(&root);
    // In blocks of 512 bytes: smaller than a photograph, larger than the job's files.
    let out = shell("trap '' XFSZ; ulimit -f 40; exec \"$1\" record \"$2\" --into \"$3\" --by x", job.path(), &root);
    assert_eq!(out.status.code(), Some(3), "{}", said(&out));
    assert!(said(&out).contains("cannot be written") && said(&out).contains("Nothing was kept"), "{}", said(&out));
    assert_eq!(records(&root), before);
    confirmed(&before[0], &["--quick"]);
    // A file where the folder should be.
    std::fs::write(dir.path().join("file"), "x").unwrap();
    assert_eq!(keep(job.path(), &dir.path().join("file"), &[]).status.code(), Some(3));
    // Inside the job itself.
    let out = keep(job.path(), &job.path().join("records"), &[]);
    assert!(out.status.code() == Some(3) && said(&out).contains("inside the job"), "{}", said(&out));
}

/// A disk that is really full, and one that cannot be written to: a small file system of its own, which the system may not allow to an ordinary person.
#[test]
fn on_a_full_or_read_only_disk_nothing_is_left_and_the_old_records_stay() {
    let job = bay_with(&FEW[..4]);
    let dir = tempfile::tempdir().unwrap();
    let run = |mount: &str, between: &str| {
        let script = format!(
            "{mount} \"$3\" || exit 99\n\"$1\" record \"$2\" --into \"$3/records\" --by first >/dev/null 2>&1 || exit 98\n{between}\n\
             \"$1\" record \"$2\" --into \"$3/records\" --by second; echo code $?\nls -A \"$3/records\"\n\"$1\" recheck --quick \"$3\"/records/2*\numount \"$3\"\n"
        );
        let paths = [env!("CARGO_BIN_EXE_plumbsight"), job.path().to_str().unwrap(), dir.path().to_str().unwrap()];
        Command::new("unshare").args(["-rm", "sh", "-c", &script, "sh"]).args(paths).output()
    };
    // Room for one record and a half.
    let bytes: u64 =
        FEW[..4].iter().map(|k| std::fs::metadata(job.path().join(format!("photos/{k:03}.jpg"))).unwrap().len()).sum();
    let full = format!("mount -t tmpfs -o size={}k tmpfs", (bytes * 3 / 2 + 400_000) / 1024);
    for (mount, between) in [(full.as_str(), ":"), ("mount -t tmpfs tmpfs", "mount -o remount,ro \"$3\"")] {
        let out = match run(mount, between) {
            Ok(out) if out.status.code() != Some(99) && !said(&out).contains("unshare failed") => out,
            _ => {
                println!("this system allows no file system of its own here: not shown");
                return;
            }
        };
        let words = said(&out);
        assert!(words.contains("code 3") && words.contains("cannot be written"), "{words}");
        assert!(words.contains("The record's files are confirmed") && !words.contains("unfinished"), "{words}");
    }
}
