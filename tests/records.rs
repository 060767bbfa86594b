//! `plumbsight records`: records found again, damage and loss listed, an index that is never an authority, changes called with a stated chance.
//!
//! How fast it is: `cargo bench --bench records`.

mod common;
mod made;

use common::bay_with;
use nalgebra::Vector3;
use plumbsight::body::TagPlace;
use plumbsight::frames::Pose;
use plumbsight::index::{INDEX_FILE, Index, Kind, Place, Query};
use plumbsight::record::HoldRead;
use plumbsight::record::ResultFile;
use plumbsight::record::keep::CorrectsPart;
use plumbsight::record::keep::manifest::{MANIFEST, SIGNATURE, sha256_hex};
use plumbsight::record::keep::sign::{PUBLIC_KEY, ShopKey};
use plumbsight::record::result::{SheetHeightPart, TagPlacePart, Value as Stated, Verdict};
use plumbsight::record::{Purpose, read_job};
use plumbsight::scene::draw::{Draw, Purpose as Of};
use plumbsight::session;
use plumbsight::session::keep::{SignatureState, signature_of};
use plumbsight::uncertainty::trend::Change;
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use std::sync::OnceLock;

/// One real result, measured once for all tests.
fn result() -> &'static ResultFile {
    static ONCE: OnceLock<ResultFile> = OnceLock::new();
    ONCE.get_or_init(|| {
        let job = bay_with(&[1, 4, 8, 12, 16, 20, 24, 28]);
        let result = session::check(&read_job(job.path(), Purpose::Verdict).unwrap(), &|_| {});
        assert_ne!(result.verdict, Verdict::NotMeasured, "{:?}", result.not_measured);
        result
    })
}

fn plumbsight(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_plumbsight")).args(arguments).output().unwrap()
}

/// Exit code and output; `records` with these arguments after the root.
fn records(root: &Path, more: &[&str]) -> (i32, String) {
    let out = plumbsight(&[&["records", root.to_str().unwrap()], more].concat());
    let said = String::from_utf8(out.stdout).unwrap() + &String::from_utf8(out.stderr).unwrap();
    (out.status.code().unwrap(), said)
}

fn json(root: &Path, more: &[&str]) -> Value {
    let many: &[&str] = if more.contains(&"--trend") { &[] } else { &["--limit", "1000"] };
    let (_, said) = records(root, &[&["--json"], many, more].concat());
    serde_json::from_str(&said).unwrap_or_else(|e| panic!("{e}: {said}"))
}

#[track_caller]
fn found(root: &Path, more: &[&str], expected: usize) -> Vec<String> {
    let out = json(root, more);
    assert_eq!(out["found"], expected, "{more:?}");
    out["records"].as_array().unwrap().iter().map(|r| r["folder"].as_str().unwrap().to_owned()).collect()
}

#[test]
fn records_are_found_by_all_that_is_known_of_them() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    // Three a day from 2020-01-01 on; every third by each technician.
    let folders = made::many(&root.join("2020"), 300, result());
    assert_eq!(found(root, &[], 300).len(), 300);
    let newest = json(root, &[])["records"][0]["folder"].as_str().unwrap().to_owned();
    assert_eq!(root.join(newest), folders[299], "newest first");

    assert_eq!(root.join(&found(root, &["--vin", "1m8gdm9a000000117"], 1)[0]), folders[117]);
    // 29 and 290 to 299.
    found(root, &["--vin", "00000029"], 11);
    found(root, &["--from", "2020-02-01", "--to", "2020-02-03"], 9);
    found(root, &["--from", "2020-02", "--to", "2020-02"], 87);
    found(root, &["--to", "2019"], 0);
    found(
        root,
        &["--placement", "FRONT RADAR"],
        if result().placement.title.to_lowercase().contains("front radar") { 300 } else { 0 },
    );
    let not_proven = (0..300).filter(|k| k % 7 % 3 == 2).count();
    found(root, &["--verdict", "not-proven"], not_proven);
    // Quotes, percent, letters with marks: a name is a name, and nothing is a wildcard.
    found(root, &["--by", "o'neil \"chip\" 100%"], 100);
    found(root, &["--by", "MÜLLER-ØRSTED"], 100);
    found(root, &["--by", "%"], 100);
    found(root, &["--by", "_"], 0);
    found(root, &["--text", "'; DROP TABLE records; --"], 0);
    found(root, &["--text", "Note number 120"], 1);
    found(root, &["--by", "a. inv", "--verdict", "in-tolerance", "--from", "2020-03"], {
        (0..300).filter(|k| k % 3 == 0 && k % 7 % 3 == 0 && *k >= 60 * 3).count()
    });
    let (code, said) = records(root, &["--limit", "2"]);
    assert!(code == 0 && said.contains("300 records; shown are the newest 2"), "{said}");
    let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains(INDEX_FILE) && flat.contains("none of them read just now"), "{said}");
    assert_eq!(records(root, &["--vin", "nobody's"]).0, 1);
    for wrong in [["--from", "2020-13"], ["--from", "yesterday"], ["--to", "2020-02-30"], ["--limit", "0"]] {
        assert_eq!(records(root, &wrong).0, 3, "{wrong:?}");
    }
    assert_eq!(records(&root.join("none"), &[]).0, 3);
    assert_eq!(records(&folders[0], &[]).0, 3, "one record is no folder of records");

    // One opened: by the head of its name; one of several is refused.
    let name = folders[42].file_name().unwrap().to_str().unwrap();
    assert_eq!(records(root, &["--open", &name[..name.len() - 3]]).0, 0);
    let (code, said) = records(root, &["--open", name]);
    assert!(code == 0 && said.contains("A. Invented") && said.contains("Files: all as recorded"), "{said}");
    let (code, said) = records(root, &["--open", "2020-01-0"]);
    assert!(code == 3 && said.contains("Write more of the name"), "{said}");
    assert_eq!(records(root, &["--open", "1999"]).0, 3);
}

#[test]
fn what_is_damaged_gone_or_corrected_is_said() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    let folders = made::many(root, 12, result());
    found(root, &[], 12);

    // One byte of record.json; a verdict made nicer with the sums made right again; no manifest; all gone.
    let flip = |path: &Path| {
        let mut bytes = std::fs::read(path).unwrap();
        let at = bytes.len() / 2;
        bytes[at] ^= 1;
        std::fs::write(path, bytes).unwrap();
    };
    flip(&folders[0].join("record.json"));
    flip(&folders[1].join("result.json"));
    let mut lying = made::record(2, result());
    lying.verdict = Verdict::Out;
    made::write(root, folders[2].file_name().unwrap().to_str().unwrap(), &lying, result());
    let text = std::fs::read_to_string(folders[2].join("record.json")).unwrap();
    let nicer = text.replacen("out of tolerance", "in tolerance", 1);
    let sums = std::fs::read_to_string(folders[2].join(MANIFEST)).unwrap();
    let lines = sums.split_once('\n').unwrap().1.replace(&sha256_hex(text.as_bytes()), &sha256_hex(nicer.as_bytes()));
    std::fs::write(folders[2].join("record.json"), &nicer).unwrap();
    std::fs::write(
        folders[2].join(MANIFEST),
        format!("# sha256 of the lines below: {}\n{lines}", sha256_hex(lines.as_bytes())),
    )
    .unwrap();
    std::fs::remove_file(folders[3].join(MANIFEST)).unwrap();
    std::fs::remove_dir_all(&folders[4]).unwrap();
    flip(&folders[5].join(MANIFEST));

    let out = json(root, &["--damaged"]);
    assert_eq!(out["found"], 6, "{out:#}");
    let says = |k: usize| -> String {
        let name = folders[k].file_name().unwrap().to_str().unwrap();
        let hit = out["records"].as_array().unwrap().iter().find(|r| r["folder"] == name).unwrap();
        format!("{} {}", hit["state"].as_str().unwrap(), hit["damage"].as_str().unwrap_or_default())
    };
    assert!(says(0).starts_with("damaged record.json was altered"), "{}", says(0));
    assert!(says(1).contains("result.json was altered"), "{}", says(1));
    assert!(says(2).contains("contradicts result.json: its verdict is \"in tolerance\""), "{}", says(2));
    assert!(says(3).contains("SHA256SUMS is missing"), "{}", says(3));
    assert!(says(4).starts_with("gone"), "{}", says(4));
    assert!(says(5).contains("SHA256SUMS was altered"), "{}", says(5));
    // recheck says the same of the lie, which no sum shows.
    let out = plumbsight(&["recheck", "--quick", folders[2].to_str().unwrap()]);
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(out.status.code() == Some(1) && said.contains("CONTRADICTION: record.json contradicts"), "{said}");

    // What is gone is forgotten when the index is made anew, and comes back when it is there again.
    assert_eq!(found(root, &["--rebuild", "--damaged"], 5).len(), 5);
    let again = made::record(4, result());
    made::write(root, folders[4].file_name().unwrap().to_str().unwrap(), &again, result());
    found(root, &["--damaged"], 5);
    found(root, &[], 12);

    // A correction stands for what it corrects, which stays findable; a correction of other bytes does not.
    let correct = |k: usize, of: usize, sum: Option<String>| {
        let old = std::fs::read(folders[of].join(MANIFEST)).unwrap();
        let mut record = made::record(k, result());
        record.revision = 2;
        record.corrects = Some(CorrectsPart {
            record: folders[of].file_name().unwrap().to_str().unwrap().into(),
            manifest_sha256: sum.unwrap_or_else(|| sha256_hex(&old)),
            reason: "outcome added".into(),
            earlier: Vec::new(),
        });
        made::write(root, &format!("correction-{k}"), &record, result())
    };
    let correction = correct(100, 7, None);
    let left = found(root, &[], 12);
    assert!(left.contains(&"correction-100".into()) && !left.iter().any(|f| root.join(f) == folders[7]), "{left:?}");
    let all = json(root, &["--all"]);
    assert_eq!(all["found"], 13);
    let old =
        all["records"].as_array().unwrap().iter().find(|r| root.join(r["folder"].as_str().unwrap()) == folders[7]);
    assert_eq!(old.unwrap()["corrected_later"], true);
    // The correction damaged: the old one is listed again, and says that nobody knows whether it stands; also where the index knows nothing of before.
    flip(&correction.join("record.json"));
    for rebuilt in [&[][..], &["--rebuild"]] {
        let out = json(root, rebuilt);
        assert_eq!(out["found"], 13);
        let doubted: Vec<&Value> =
            out["records"].as_array().unwrap().iter().filter(|r| !r["doubted_by"].is_null()).collect();
        assert_eq!(doubted.len(), 1, "{doubted:#?}");
        assert_eq!(doubted[0]["doubted_by"], "correction-100");
        assert_eq!(root.join(doubted[0]["folder"].as_str().unwrap()), folders[7]);
    }
    correct(101, 8, Some(sha256_hex(b"another")));
    let out = json(root, &[]);
    assert_eq!(out["found"], 14);
    assert!(out["notices"].to_string().contains("names another manifest"), "{:#}", out["notices"]);
}

/// The sum by which a correction names a record.
fn sum_of(record: &Path) -> String {
    sha256_hex(&std::fs::read(record.join(MANIFEST)).unwrap())
}

#[test]
fn chains_of_corrections_are_followed() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    // r1 <- r2 <- r3, each in a folder of its own.
    let write = |folder: &str, k: usize, corrects: Option<(&Path, Vec<String>)>| {
        let mut record = made::record(k, result());
        record.vin = Some("1M8GDM9AXKP042788".into());
        let revision =
            corrects.as_ref().map_or(1, |_| 2) + corrects.as_ref().map_or(0, |_| u32::from(folder.contains("r3")));
        record.revision = revision;
        record.corrects = corrects.map(|(old, earlier)| CorrectsPart {
            record: old.file_name().unwrap().to_str().unwrap().into(),
            manifest_sha256: sum_of(old),
            reason: "again".into(),
            earlier,
        });
        made::write(root, folder, &record, result())
    };
    let r1 = write("a/r1", 1, None);
    let r2 = write("b/r2", 2, Some((&r1, Vec::new())));
    let r3 = write("c/r3", 3, Some((&r2, Vec::new())));
    assert_eq!(found(root, &[], 1), ["c/r3"]);
    let (code, said) = records(root, &["--open", "r1"]);
    assert!(code == 0 && said.matches("CORRECTED LATER by c/r3").count() == 2, "{said}");
    assert!(!records(root, &["--open", "r3"]).1.contains("CORRECTED"));
    let by = |folder: &str| {
        let all = json(root, &["--all"]);
        let all = all["records"].as_array().unwrap().clone();
        all.iter().find(|r| r["folder"] == folder).unwrap()["corrected_by"].clone()
    };
    assert_eq!([by("a/r1"), by("b/r2"), by("c/r3")], ["c/r3".into(), "c/r3".into(), Value::Null]);

    // The middle one damaged, then gone: the first is not the newest for that.
    let whole = std::fs::read(r2.join("result.json")).unwrap();
    std::fs::write(r2.join("result.json"), b"{").unwrap();
    assert_eq!(found(root, &[], 1), ["c/r3"]);
    std::fs::write(r2.join("result.json"), whole).unwrap();
    std::fs::rename(&r2, dir.path().join(".elsewhere")).unwrap();
    assert_eq!(found(root, &[], 1), ["c/r3"]);
    // Forgotten by the index: a record of before the chain was kept cannot tell, and that is said.
    let out = json(root, &["--rebuild"]);
    assert!(out["found"] == 2 && out["notices"].to_string().contains("damaged or not here"), "{out:#}");
    write("c/r3", 3, Some((&dir.path().join(".elsewhere"), vec![sum_of(&r1)])));
    let out = json(root, &["--rebuild"]);
    assert!(out["found"] == 1 && out["notices"].as_array().unwrap().is_empty(), "{out:#}");
    std::fs::rename(dir.path().join(".elsewhere"), &r2).unwrap();
    let _ = r3;

    // What a damaged record claims to correct counts for nothing, though a sound one corrects it.
    let other = write("d/other", 4, None);
    let text = std::fs::read_to_string(r2.join("record.json")).unwrap();
    std::fs::write(r2.join("record.json"), text.replace(&sum_of(&r1), &sum_of(&other))).unwrap();
    assert_eq!(by("d/other"), Value::Null);

    // Two records of one name in two folders: a correction means the one whose sum it names. The folder's whole name goes before that of one below.
    let (same, below) = (write("same", 5, None), write("x/same", 6, None));
    write("y/new", 7, Some((&below, Vec::new())));
    assert_eq!([by("same"), by("x/same")], [Value::Null, "y/new".into()]);
    let out = json(root, &[]);
    assert!(out["notices"].as_array().unwrap().is_empty(), "{:#}", out["notices"]);
    let (code, said) = records(root, &["--open", "same"]);
    assert!(code == 0 && said.contains(same.to_str().unwrap()) && !said.contains("CORRECTED"), "{said}");
    assert!(records(root, &["--open", "x/same"]).1.contains("CORRECTED LATER by y/new"));
    // Copies of a correction are one correction; two different ones of one record are said.
    write("z/new", 7, Some((&below, Vec::new())));
    assert!(json(root, &[])["notices"].as_array().unwrap().is_empty());
    write("z/newer", 8, Some((&below, Vec::new())));
    assert!(json(root, &[])["notices"].to_string().contains("corrected 2 times over"));

    for (asked, with) in [("--all", ""), ("--damaged", ""), ("--limit", "3")] {
        let more: Vec<&str> = ["--trend", "floor", asked, with].into_iter().filter(|a| !a.is_empty()).collect();
        assert_eq!(records(root, &more).0, 3, "{more:?}: what is not done is not passed over in silence");
    }
}

#[test]
fn what_cannot_be_read_now_is_not_called_missing_and_tried_again() {
    let dir = tempfile::tempdir().unwrap();
    let folders = made::many(dir.path(), 3, result());
    found(dir.path(), &[], 3);
    // A folder in a file's place: there, and not to be read.
    let path = folders[1].join("result.json");
    let bytes = std::fs::read(&path).unwrap();
    std::fs::remove_file(&path).unwrap();
    std::fs::create_dir(&path).unwrap();
    for _ in 0..2 {
        let index = Index::open(dir.path(), false).unwrap();
        assert_eq!((index.refreshed.read, index.refreshed.there), (1, 3), "tried again each time");
        let hits = index.search(&Query { damaged: true, ..Query::default() }).unwrap().hits;
        let damage = hits[0].damage.as_deref().unwrap();
        assert!(
            hits.len() == 1 && damage.contains("result.json: it is no file") && !damage.contains("missing"),
            "{damage}"
        );
    }
    std::fs::remove_dir(&path).unwrap();
    std::fs::write(&path, bytes).unwrap();
    found(dir.path(), &["--damaged"], 0);
    assert_eq!(Index::open(dir.path(), false).unwrap().refreshed.read, 0);
}

/// A record of a car in a folder that is named as the program names it, and one that corrects it.
fn corrected(root: &Path) -> (PathBuf, PathBuf, String) {
    let mut record = made::record(1, result());
    let vin = record.vin.clone().unwrap();
    let old = made::write(root, &format!("2020-01-01_080000_{vin}"), &record, result());
    record.revision = 2;
    record.corrects = Some(CorrectsPart {
        record: old.file_name().unwrap().to_str().unwrap().into(),
        manifest_sha256: sum_of(&old),
        reason: "it was the other stand".into(),
        earlier: Vec::new(),
    });
    record.verdict = Verdict::Out;
    let new = made::write(root, &format!("2020-01-02_080000_{vin}"), &record, result());
    (old, new, vin)
}

#[test]
fn a_correction_that_cannot_be_read_is_not_forgotten() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    let (old, new, vin) = corrected(root);
    let name = |folder: &Path| folder.file_name().unwrap().to_str().unwrap().to_owned();
    assert_eq!(found(root, &["--vin", &vin], 1), [name(&new)]);
    // Not to be read now; missing; gone with its folder; and missing with an index that never saw it.
    let (file, aside) = (new.join("record.json"), root.join(".aside"));
    let said_to_be_in_doubt = |more: &[&str]| {
        let (_, said) = records(root, &[&["--vin", &vin], more].concat());
        let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains("2 records.") && flat.contains("A CORRECTION OF IT CANNOT BE RELIED ON"), "{said}");
        let out = json(root, &["--vin", &vin]);
        let of = |folder: &Path| {
            let all = out["records"].as_array().unwrap();
            all.iter().find(|r| r["folder"] == name(folder).as_str()).unwrap()["doubted_by"].clone()
        };
        assert_eq!((of(&old), of(&new)), (name(&new).into(), Value::Null));
        let (code, said) = records(root, &["--open", &name(&old)]);
        assert!(code == 0 && said.matches("A CORRECTION OF IT").count() == 2, "{said}");
    };
    std::fs::rename(&file, &aside).unwrap();
    std::fs::create_dir(&file).unwrap();
    said_to_be_in_doubt(&[]);
    said_to_be_in_doubt(&[]);
    std::fs::remove_dir(&file).unwrap();
    said_to_be_in_doubt(&[]);
    std::fs::rename(&aside, &file).unwrap();
    assert_eq!(found(root, &["--vin", &vin], 1), [name(&new)]);
    std::fs::rename(&new, &aside).unwrap();
    said_to_be_in_doubt(&[]);
    std::fs::rename(&aside, &new).unwrap();
    std::fs::rename(&file, &aside).unwrap();
    said_to_be_in_doubt(&["--rebuild"]);
    // Nothing at all can be read of it but its name.
    for lost in ["result.json", MANIFEST] {
        std::fs::write(new.join(lost), "?").unwrap();
    }
    said_to_be_in_doubt(&["--rebuild"]);
    std::fs::remove_dir_all(&new).unwrap();
    let out = json(root, &["--rebuild"]);
    assert!(out["found"] == 1 && out["records"][0]["doubted_by"].is_null(), "what is gone and forgotten: {out:#}");
}

/// What a record says stands in the list only as far as it may stand: by its word and by the shape before it.
#[test]
fn a_verdict_that_may_not_stand_is_said_so_by_word_and_sign() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    let named = |name: &str, change: &dyn Fn(&mut plumbsight::record::keep::RecordFile)| {
        let mut record = made::record(0, result());
        // Stands where the car does.
        record.vin = Some(name.into());
        record.verdict = Verdict::In;
        change(&mut record);
        made::write(root, name, &record, result())
    };
    named("sound", &|_| {});
    named("alarm", &|r| r.hold_alarms = Some(2));
    named("doubt", &|r| r.hold_doubt = Some("The log could not be read to its end".into()));
    named("out", &|r| (r.verdict, r.hold_alarms) = (Verdict::Out, Some(1)));
    let bad = named("damaged", &|_| {});
    std::fs::remove_file(bad.join("result.json")).unwrap();
    let (code, said) = records(root, &[]);
    assert_eq!(code, 0, "{said}");
    for (name, verdict) in [
        ("sound", "● in tolerance"),
        ("alarm", "◆ in tolerance when measured"),
        ("doubt", "◆ in tolerance when measured"),
        ("out", "▲ out of tolerance"),
        ("damaged", "○ said to be in tolerance"),
    ] {
        let line = said.lines().find(|line| line.trim_end().ends_with(&format!(" {name}"))).unwrap();
        // The day, then the verdict, then the car.
        let shown = line.split_once("  ").unwrap().1.trim_end().strip_suffix(name).unwrap().trim();
        assert_eq!(shown, verdict, "{said}");
    }
    let recheck = |name: &str| {
        let out = plumbsight(&["recheck", "--quick", root.join(name).to_str().unwrap()]);
        String::from_utf8(out.stdout).unwrap()
    };
    assert!(recheck("sound").contains(": ● in tolerance\n"), "{}", recheck("sound"));
    assert!(recheck("alarm").contains(": ◆ in tolerance when measured\n"), "{}", recheck("alarm"));
    assert!(recheck("damaged").contains(": ○ said to be in tolerance\n"), "{}", recheck("damaged"));
}

/// A correction for another car than the record that it corrects is noticed wherever one of the two is looked at.
#[test]
fn a_correction_of_another_car_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    let mut record = made::record(1, result());
    let old = made::write(root, "old", &record, result());
    record.revision = 2;
    let correct = |record: &mut plumbsight::record::keep::RecordFile, vin: &str, name: &str| {
        record.vin = Some(vin.into());
        record.corrects = Some(CorrectsPart {
            record: "old".into(),
            manifest_sha256: sum_of(&old),
            reason: "it was the other stand".into(),
            earlier: Vec::new(),
        });
        made::write(root, name, record, result())
    };
    let own = record.vin.clone().unwrap();
    let flat = |out: Output| {
        let said = String::from_utf8(out.stdout).unwrap() + &String::from_utf8(out.stderr).unwrap();
        said.split_whitespace().collect::<Vec<_>>().join(" ")
    };
    let ways = |new: &Path| {
        let of = |words: &[&str]| flat(plumbsight(words));
        let (old, new, root) = (old.to_str().unwrap(), new.to_str().unwrap(), root.to_str().unwrap());
        [
            ("list", of(&["records", root])),
            ("list of the old car", of(&["records", root, "--vin", &own])),
            ("opened", of(&["records", root, "--open", "new"])),
            ("recheck", of(&["recheck", "--quick", new])),
            ("its report", of(&["report", new, "--short"])),
            ("report of the old", of(&["report", old, "--short"])),
            ("recheck of the old", of(&["recheck", "--quick", old])),
        ]
    };
    // Of the same car, by however it was typed: nothing.
    let new = correct(&mut record, &own.to_lowercase(), "new");
    for (way, said) in ways(&new) {
        assert!(!said.contains("ANOTHER CAR"), "{way}: {said}");
    }
    std::fs::remove_dir_all(&new).unwrap();
    let new = correct(&mut record, "1M8GDM9AXKP042788", "new");
    for (way, said) in ways(&new) {
        assert!(
            said.contains("ANOTHER CAR") && said.contains(&own) && said.contains("1M8GDM9AXKP042788"),
            "{way}: {said}"
        );
    }
    // It is no fault of the record: the number may have been mistyped before.
    assert_eq!(plumbsight(&["recheck", "--quick", new.to_str().unwrap()]).status.code(), Some(0));
    // What a record says of others leads nowhere else.
    let aside = tempfile::tempdir().unwrap();
    std::fs::rename(&old, aside.path().join("old")).unwrap();
    std::fs::remove_dir_all(&new).unwrap();
    record.corrects.as_mut().unwrap().record = aside.path().join("old").display().to_string();
    let new = made::write(root, "new", &record, result());
    let said = flat(plumbsight(&["recheck", "--quick", new.to_str().unwrap()]));
    assert!(!said.contains("ANOTHER CAR"), "{said}");
}

#[test]
fn signatures_are_compared_and_one_that_cannot_be_read_is_no_forgery() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    let (old, new, _) = corrected(root);
    let sign = |record: &Path, key: &ShopKey| {
        std::fs::write(record.join(PUBLIC_KEY), key.public_pem().unwrap()).unwrap();
        std::fs::write(record.join(SIGNATURE), key.sign(&std::fs::read(record.join(MANIFEST)).unwrap())).unwrap();
    };
    let (shop, other) = (ShopKey::generate().unwrap(), ShopKey::generate().unwrap());
    sign(&old, &shop);
    let notices = || json(root, &[])["notices"].to_string();
    assert!(notices().contains("which is signed, and is itself not signed"), "{}", notices());
    sign(&new, &other);
    assert!(notices().contains("which is signed, and is itself signed with another key"), "{}", notices());
    sign(&new, &shop);
    assert_eq!(notices(), "[]");

    for name in [SIGNATURE, PUBLIC_KEY] {
        let bytes = std::fs::read(new.join(name)).unwrap();
        std::fs::remove_file(new.join(name)).unwrap();
        std::fs::create_dir(new.join(name)).unwrap();
        assert_eq!(signature_of(&new, None).unwrap().0, SignatureState::Unreadable, "{name}");
        for _ in 0..2 {
            let index = Index::open(root, false).unwrap();
            assert_eq!(index.refreshed.read, 1, "{name} is tried again each time");
            let hits = index.search(&Query { damaged: true, ..Query::default() }).unwrap().hits;
            let damage = hits[0].damage.as_deref().unwrap();
            assert!(damage.contains("CANNOT BE READ NOW") && !damage.contains("BAD"), "{damage}");
        }
        let (code, said) = records(root, &["--open", new.file_name().unwrap().to_str().unwrap()]);
        assert!(code == 1 && said.contains("THE SIGNATURE CANNOT BE READ NOW"), "{said}");
        std::fs::remove_dir(new.join(name)).unwrap();
        std::fs::write(new.join(name), bytes).unwrap();
        found(root, &["--damaged"], 0);
        assert_eq!(signature_of(&new, None).unwrap().0, SignatureState::Good);
    }
    // Missing is another thing: the key says that there was one.
    std::fs::remove_file(new.join(SIGNATURE)).unwrap();
    assert_eq!(signature_of(&new, None).unwrap().0, SignatureState::Bad);
    std::fs::remove_file(new.join(PUBLIC_KEY)).unwrap();
    assert_eq!(signature_of(&new, None).unwrap().0, SignatureState::None);
}

#[test]
fn doubt_about_the_log_of_the_hold_watch_is_in_the_list() {
    let dir = tempfile::tempdir().unwrap();
    let mut record = made::record(0, result());
    record.hold_alarms = Some(0);
    record.hold_doubt = HoldRead { unreadable: 1, ..HoldRead::default() }.doubt();
    made::write(dir.path(), "torn", &record, result());
    let (_, said) = records(dir.path(), &[]);
    let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("A line of the log of the hold watch cannot be read: an alarm may stand in it."), "{said}");
    assert!(json(dir.path(), &[])["records"][0]["record"]["hold_doubt"].is_string());
}

/// A folder that was named by mistake is left as it is, and told from one in which nothing matches.
#[test]
fn a_folder_without_records_is_said_to_have_none_and_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    let root = dir.path();
    for more in [&[][..], &["--trend", "floor"], &["--vin", "4711"], &["--open", "2026"]] {
        let (code, said) = records(root, more);
        assert!(
            code == 1 && said.contains("There are no records in") && !said.contains("like that"),
            "{more:?}: {said}"
        );
    }
    assert_eq!(json(root, &[])["found"], 0);
    std::fs::write(root.join("job.toml"), "").unwrap();
    assert!(records(root, &[]).1.contains("is a job folder"), "{}", records(root, &[]).1);
    let there: Vec<_> = std::fs::read_dir(root).unwrap().map(|e| e.unwrap().file_name()).collect();
    assert_eq!(there, ["job.toml"]);
    // What was there and is gone is another thing.
    let folders = made::many(root, 1, result());
    let (_, said) = records(root, &["--vin", "nobody's"]);
    assert!(said.contains("No record is like that.") && said.contains("1 record,"), "{said}");
    std::fs::remove_dir_all(&folders[0]).unwrap();
    let (_, said) = records(root, &[]);
    assert!(said.contains("GONE") && root.join(INDEX_FILE).exists(), "{said}");
}

#[test]
fn the_index_is_only_a_cache() {
    let dir = tempfile::tempdir().unwrap();
    let root = &dir.path().join("kept");
    made::many(root, 20, result());
    let file = root.join(INDEX_FILE);
    found(root, &[], 20);
    let good = std::fs::read(&file).unwrap();
    // Garbage, cut short, zeros but for its first page, empty: made anew, with a word where something was broken.
    let mut holed = good.clone();
    holed[4096..].fill(0);
    for broken in
        [b"no database at all, but long enough to be looked at".to_vec(), good[..good.len() / 2].to_vec(), holed]
    {
        std::fs::write(&file, &broken).unwrap();
        let out = json(root, &[]);
        assert_eq!(out["found"], 20, "{out:#}");
        assert!(out["notices"].to_string().contains("made anew"), "{:#}", out["notices"]);
        assert_eq!(json(root, &[])["notices"].as_array().unwrap().len(), 0);
    }
    std::fs::write(&file, b"").unwrap();
    found(root, &[], 20);

    // Somebody else's database of this name is left alone.
    let other = {
        std::fs::remove_file(&file).unwrap();
        let mut bytes = good.clone();
        // Offset 68: the application id of a database (SQLite file format, 1.3).
        bytes[68..72].copy_from_slice(b"othr");
        std::fs::write(&file, &bytes).unwrap();
        bytes
    };
    let cache = dir.path().join("cache");
    let elsewhere = || {
        let out = Command::new(env!("CARGO_BIN_EXE_plumbsight"))
            .args(["records", root.to_str().unwrap(), "--json"])
            .env("XDG_CACHE_HOME", &cache)
            .output()
            .unwrap();
        serde_json::from_slice::<Value>(&out.stdout).unwrap()
    };
    let out = elsewhere();
    assert_eq!(out["found"], 20);
    assert!(out["notices"].to_string().contains("database of another program"), "{:#}", out["notices"]);
    assert!(Path::new(out["index"].as_str().unwrap()).starts_with(&cache), "{}", out["index"]);
    assert_eq!(std::fs::read(&file).unwrap(), other);

    // The cache's own journal goes with a broken index there, and nobody else's.
    let cached = std::path::PathBuf::from(out["index"].as_str().unwrap());
    std::fs::write(&cached, b"no database at all, but long enough to be looked at").unwrap();
    let beside = |name: &str| cached.with_file_name(name);
    let own = beside(&format!("{}-journal", cached.file_name().unwrap().to_str().unwrap()));
    let another = beside(&format!("{INDEX_FILE}-journal"));
    for journal in [&own, &another] {
        std::fs::write(journal, "a journal").unwrap();
    }
    let out = elsewhere();
    assert!(out["found"] == 20 && out["notices"].to_string().contains("made anew"), "{:#}", out["notices"]);
    assert!(!own.exists() && another.exists());

    // Neither there nor in the cache: in memory.
    std::fs::remove_dir_all(&cache).unwrap();
    std::fs::write(&cache, "a file where a folder should be").unwrap();
    let out = elsewhere();
    assert_eq!((&out["found"], &out["index"]), (&20.into(), &Value::Null));
    std::fs::remove_file(&cache).unwrap();

    // Held by somebody who writes: done without.
    std::fs::write(&file, &good).unwrap();
    let holder = rusqlite::Connection::open(&file).unwrap();
    holder.execute_batch("BEGIN EXCLUSIVE").unwrap();
    let out = elsewhere();
    assert_eq!(out["found"], 20);
    assert!(out["notices"].to_string().contains("another program holds it"), "{:#}", out["notices"]);
    drop(holder);

    // A link is not followed.
    #[cfg(unix)]
    {
        let precious = dir.path().join("precious");
        std::fs::write(&precious, "precious").unwrap();
        std::fs::remove_file(&file).unwrap();
        std::os::unix::fs::symlink(&precious, &file).unwrap();
        assert_eq!(elsewhere()["found"], 20);
        assert_eq!(std::fs::read(&precious).unwrap(), b"precious");
        std::fs::remove_file(&file).unwrap();
    }
    let index = Index::open(root, false).unwrap();
    assert_eq!(index.place, Place::File(file));
    // Only what changed is read again.
    drop(index);
    let one = made::record(500, result());
    made::write(root, "new", &one, result());
    let index = Index::open(root, false).unwrap();
    assert_eq!((index.refreshed.read, index.refreshed.there), (1, 21));
}

/// A result of one kit whose sheets, tags and lens have these values, u being stated and drawn.
fn shifted(draw: &mut Draw, sinks: f64, lens: f64, bent: f64) -> ResultFile {
    let mut out = result().clone();
    let stated = |value: f64, u: f64| Stated { value, u, expanded: 2.0 * u };
    if let Some(v) = &mut out.vehicle {
        v.sheet_heights = (0..6)
            .map(|k| SheetHeightPart {
                body: format!("floor sheet {k}"),
                height_mm: stated(draw.normal(0.2) - if k == 3 { sinks } else { 0.0 }, 0.2),
            })
            .collect();
    }
    for part in &mut out.lenses {
        let (mut found, mut u) = (part.profile, part.profile);
        found.fx_px += lens + draw.normal(0.5);
        u.fx_px = 0.5;
        (part.corrected, part.u) = (Some(found), Some(u));
    }
    let plate = out.bodies.iter().find(|b| b.kind == "plate").unwrap().name.clone();
    let stand = out.bodies.iter().find(|b| b.kind == "stand").unwrap().name.clone();
    out.tag_places = [(plate, 7, 0.0), (stand, 8, bent)]
        .map(|(body, tag, off)| TagPlacePart {
            body,
            tag,
            shift_mm: [draw.normal(0.1) + off, draw.normal(0.1), draw.normal(0.3)],
            u_shift_mm: [0.1, 0.1, 0.3],
        })
        .to_vec();
    out
}

/// Made shops of 40 measurements in which one sheet sinks evenly, one lens jumps and one stand's tag is bent, against shops in which nothing happens.
#[test]
fn what_changed_over_the_records_is_called_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let mut draw = Draw::new(17, Of::Bodies);
    let (changed, steady) = (dir.path().join("changed"), dir.path().join("steady"));
    for k in 0..40 {
        let share = k as f64 / 39.0;
        let record = made::record(3 * k, result());
        let late = if k >= 25 { 1.0 } else { 0.0 };
        made::write(&changed, &format!("r{k}"), &record, &shifted(&mut draw, 1.2 * share, 3.0 * late, 0.4 * late));
        made::write(&steady, &format!("r{k}"), &record, &shifted(&mut draw, 0.0, 0.0, 0.0));
    }
    let index = Index::open(&changed, false).unwrap();
    let of = |kind| index.trends(kind, &Query::default()).unwrap();
    let floor = of(Kind::Floor);
    assert_eq!((floor.series.len(), floor.measurements, floor.single), (6, 40, 0));
    let called: Vec<_> = floor.series.iter().filter(|s| s.trend.change != Change::None).collect();
    let [sheet] = called.as_slice() else { panic!("{called:?}") };
    assert_eq!((sheet.name.as_str(), sheet.trend.change), ("floor sheet 3", Change::Drift));
    assert!((sheet.trend.drift.value + 1.2).abs() < 1.5 * sheet.trend.drift.expanded, "{:?}", sheet.trend);
    let lens = of(Kind::Lens);
    let Change::Jump { size, .. } = lens.series[0].trend.change else { panic!("{lens:?}") };
    assert!((size.value - 3.0).abs() < 1.5 * size.expanded, "{size:?}");
    // Record 25 is of day 25 after 2020-01-01.
    assert_eq!(lens.series[0].jump_on.as_deref(), Some("2020-01-26"));
    let stand = of(Kind::Stand);
    assert!(matches!(stand.series[0].trend.change, Change::Jump { .. }) && stand.series[0].part == "x", "{stand:?}");
    assert!(stand.series[1..].iter().all(|s| s.trend.change == Change::None));
    assert!(of(Kind::Plates).series.iter().all(|s| s.trend.change == Change::None));
    drop(index);

    let (code, said) = records(&changed, &["--trend", "floor"]);
    let flat = said.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(code == 1 && flat.contains("1 of 6 series changed") && flat.contains("▲ floor sheet 3"), "{said}");
    for kind in ["lens", "plates", "floor", "stand"] {
        let (code, said) = records(&steady, &["--trend", kind]);
        assert!(code == 0 && said.contains("changed beyond its uncertainty"), "{said}");
    }
    let out = json(&changed, &["--trend", "lens"]);
    assert_eq!((&out["series"][0]["change"], &out["series"][0]["jump_on"]), (&"jump".into(), &"2020-01-26".into()));
    // A search narrows the series too: before the jump there is none.
    assert_eq!(records(&changed, &["--trend", "lens", "--to", "2020-01-25"]).0, 0);
    assert!(records(&changed, &["--trend", "lens", "--to", "2020-01-01"]).1.contains("No two measurements"));
}

/// The shipped bay is exact (fixtures/bay-a/README.md): its tags are said to lie where they are declared, within what is stated. One declared two standard uncertainties to
/// the side of where it is (too little for a fault) is said to sit that much on the other side.
#[test]
fn a_survey_says_where_its_tags_sit() {
    let places = &result().tag_places;
    assert!(places.len() >= 4, "{places:?}");
    let off: Vec<f64> = places.iter().flat_map(|p| (0..3).map(|k| (p.shift_mm[k] / p.u_shift_mm[k]).abs())).collect();
    let covered = off.iter().filter(|t| **t <= 1.96).count();
    assert!(off.iter().all(|t| *t < 4.0) && covered * 100 >= off.len() * 80, "{covered} of {}: {places:?}", off.len());

    let folder = bay_with(&[1, 4, 8, 12, 16, 20, 24, 28]);
    let mut job = read_job(folder.path(), Purpose::Verdict).unwrap();
    // The best known of those that are declared without uncertainty.
    let mut known: Vec<_> = places.iter().collect();
    known.sort_by(|a, b| a.u_shift_mm[0].total_cmp(&b.u_shift_mm[0]));
    let before = known
        .iter()
        .find(|p| {
            let Some(body) = job.kit.find_body(&p.body) else { return false };
            let Some(tag) = job.kit.bodies[body].tags.iter_mut().find(|t| t.id == p.tag) else { return false };
            let TagPlace::Known(place) = &mut tag.place else { return false };
            *place = Pose::claim_matrix(
                &place.rotation(),
                place.translation() + Vector3::new(0.002 * p.u_shift_mm[0], 0.0, 0.0),
            );
            true
        })
        .unwrap();
    let after = session::check(&job, &|_| {});
    let after = after.tag_places.iter().find(|p| p.tag == before.tag && p.body == before.body).unwrap();
    let change = after.shift_mm[0] - before.shift_mm[0];
    let declared = 2.0 * before.u_shift_mm[0];
    assert!((change / declared + 1.0).abs() < 0.1, "{change} mm, {declared} mm: {before:?}, {after:?}");
}

/// The bench in small: what it prints is found in it too. No time is asserted; `PLUMBSIGHT_RECORDS=10000` for as many.
#[test]
fn timed() {
    let n = std::env::var("PLUMBSIGHT_RECORDS").ok().and_then(|n| n.parse().ok()).unwrap_or(300);
    made::timed(n, result());
}
