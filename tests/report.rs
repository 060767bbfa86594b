//! The report: made from a written record alone, complete, on both papers, whatever people write into a job. The PDF is read by poppler (pdftotext, pdfinfo,
//! pdffonts: an independent PDF reader).

mod common;

use common::{bay_with, edit, repository};
use plumbsight::paper::{Item, Page, Paper, Typeface};
use plumbsight::record::keep::manifest::sha256_hex;
use plumbsight::record::result::Verdict;
use plumbsight::record::{HoldEntry, HoldRead};
use plumbsight::report::{
    Evidence, Kept, Lengths, Options, SixLine, csv_text, export_json, numbers_of, pages, photographs_of, read_evidence,
    short_text,
};
use plumbsight::session::keep::SignatureState;
use serde_json::Value;
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Photographs that give a measurement quickly.
const FEW: [usize; 8] = [1, 4, 8, 12, 16, 20, 24, 28];

/// Rows, texts and an unbroken string that no layout was made for.
const NASTY: &str = "WWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWWW";

fn plumbsight(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_plumbsight")).args(arguments).output().unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

/// The only record made from a job, signed.
fn record(job: &Path, root: &Path, by: &str) -> PathBuf {
    let key = root.with_extension("pem");
    assert_eq!(plumbsight(&["key", text(&key)]).status.code(), Some(0));
    let fixed =
        ["record", text(job), "--into", text(root), "--note", "kept for the report", "--key", text(&key), "--by"];
    let out = plumbsight(&[&fixed[..], &[by]].concat());
    // 2: kept, with an alarm of the hold watch.
    assert!(matches!(out.status.code(), Some(0 | 2)), "{}", said(&out));
    std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).next().unwrap()
}

fn report(record: &Path, to: &Path, more: &[&str]) -> i32 {
    let out = plumbsight(&[&["report", text(record), "-o", text(to)], more].concat());
    assert!(to.exists(), "{}", said(&out));
    out.status.code().unwrap()
}

fn pdftotext(pdf: &Path, more: &[&str]) -> String {
    let out = Command::new("pdftotext")
        .args(more)
        .args([text(pdf), "-"])
        .output()
        .expect("pdftotext is missing: install poppler-utils (`sh .ci/setup` does)");
    assert!(out.status.success(), "{}", said(&out));
    String::from_utf8(out.stdout).unwrap()
}

fn overwrite(path: &Path, bytes: &[u8]) {
    let mut rights = std::fs::metadata(path).unwrap().permissions();
    #[allow(clippy::permissions_set_readonly_false)] // a temporary folder of this test
    rights.set_readonly(false);
    std::fs::set_permissions(path, rights).unwrap();
    std::fs::write(path, bytes).unwrap();
}

/// What is clipped or overlaps on a page. Texts on a photograph (ids of tags) may lie on each other, as tags in it do.
fn faults(page: &Page) -> Vec<String> {
    let [width, height] = page.size_mm;
    let mut out = Vec::new();
    let pictures: Vec<[f64; 4]> =
        page.items.iter().filter(|i| matches!(i, Item::Picture { .. })).map(Item::bounds_mm).collect();
    let mut texts: Vec<(&str, [f64; 4])> = Vec::new();
    for item in &page.items {
        let b = item.bounds_mm();
        if b[0] < 7.9 || b[1] < 7.9 || b[2] > width - 7.9 || b[3] > height - 7.9 {
            out.push(format!("beyond the margin at {b:.1?}: {item:.80?}"));
        }
        if let Item::Text { text, .. } = item {
            let on_picture = pictures.iter().any(|p| {
                let middle = [(b[0] + b[2]) / 2.0, (b[1] + b[3]) / 2.0];
                p[0] <= middle[0] && middle[0] <= p[2] && p[1] <= middle[1] && middle[1] <= p[3]
            });
            if !on_picture && !text.trim().is_empty() {
                texts.push((text, b));
            }
        }
    }
    for (k, (a, p)) in texts.iter().enumerate() {
        for (b, q) in &texts[..k] {
            let over = (p[2].min(q[2]) - p[0].max(q[0])).min(p[3].min(q[3]) - p[1].max(q[1]));
            if over > 0.3 {
                out.push(format!("\"{a}\" lies on \"{b}\" by {over:.2} mm"));
            }
        }
    }
    out
}

#[track_caller]
fn laid_out(record: &Path, all: &[Paper]) -> Vec<Page> {
    let face = Typeface::shipped().unwrap();
    let evidence = read_evidence(record).unwrap();
    let shown = photographs_of(&evidence);
    let mut out = Vec::new();
    for paper in all {
        for lengths in [Lengths::Millimetres, Lengths::Inches] {
            let options = Options { paper: *paper, lengths, short: false };
            out = pages(&face, &evidence, &shown, &options);
            for (k, page) in out.iter().enumerate() {
                assert_eq!(page.size_mm, paper.upright_mm());
                let wrong = faults(page);
                assert!(wrong.is_empty(), "{} page {}:\n{}", paper.name(), k + 1, wrong.join("\n"));
            }
        }
    }
    out
}

#[test]
fn a_report_carries_every_number_of_its_record_and_is_kept_for_good() {
    let job = bay_with(&FEW);
    std::fs::write(
        job.path().join("outcome.toml"),
        "format = \"plumbsight/outcome/1\"\nscan_tool = \"invented tool\"\nroutine = \"completed\"\n[road_test]\ndriven = true\nwords = \"12 km, nothing odd\"\n",
    )
    .unwrap();
    let dir = tempfile::tempdir().unwrap();
    let kept = record(job.path(), &dir.path().join("records"), "Invented Person");
    let pdf = dir.path().join("a.pdf");
    assert_eq!(report(&kept, &pdf, &[]), 0);

    // Every number of the result, as the file writes it, and what people typed in.
    let words = pdftotext(&pdf, &["-raw"]);
    let found: BTreeSet<&str> = words.split(|c: char| c.is_whitespace() || "[];,:".contains(c)).collect();
    let json: Value = serde_json::from_slice(&std::fs::read(kept.join("result.json")).unwrap()).unwrap();
    fn each<'a>(json: &'a Value, out: &mut Vec<&'a serde_json::Number>) {
        match json {
            Value::Number(n) => out.push(n),
            Value::Array(all) => all.iter().for_each(|v| each(v, out)),
            Value::Object(all) => all.values().for_each(|v| each(v, out)),
            _ => {}
        }
    }
    let mut numbers = Vec::new();
    each(&json, &mut numbers);
    assert!(numbers.len() > 500, "{}", numbers.len());
    let missing: Vec<String> =
        numbers.iter().map(ToString::to_string).filter(|n| !found.contains(n.as_str())).collect();
    assert!(missing.is_empty(), "{} of {} numbers are missing: {missing:.300?}", missing.len(), numbers.len());
    assert_eq!(numbers_of(&json).iter().filter(|(_, n)| n.is_empty()).count(), 0);
    for typed in
        ["Invented Person", "kept for the report", "invented tool", "12 km, nothing odd", "sha256sum -c SHA256SUMS"]
    {
        assert!(words.contains(typed), "{typed}");
    }
    let sum = Command::new("sha256sum").arg("SHA256SUMS").current_dir(&kept).output().unwrap();
    assert!(words.contains(said(&sum).split(' ').next().unwrap()), "the manifest's sum is that of the standard tool");

    // Page one says what matters, with every figure of the six as it is rounded in the check's table.
    let first = pdftotext(&pdf, &["-l", "1", "-layout"]);
    let verdict = json["verdict"].as_str().unwrap().to_uppercase();
    assert!(first.contains(&verdict) && first.contains("No readiness list"), "{first}");
    // What was asked as it was written (fixtures/bay-a/placement.toml), the rest as far as U goes.
    for asked in ["1600 mm", "±10 mm", "±0.25°"] {
        assert!(first.contains(asked), "{asked}\n{first}");
    }
    let evidence = read_evidence(&kept).unwrap();
    for (name, unit, d) in evidence.result.as_ref().unwrap().stations[0].deviations.each() {
        let line = SixLine::of(d, Lengths::Millimetres.of(unit));
        for shown in [line.required, line.measured, line.deviation, line.expanded] {
            assert!(first.contains(&shown), "{name} {shown}\n{first}");
        }
    }
    for text in [json["placement"]["source"].as_str().unwrap(), "does not calibrate, release or approve anything"] {
        assert!(first.split_whitespace().collect::<Vec<_>>().join(" ").contains(text), "{text}");
    }

    // PDF/A-2b by its own marks (ISO 19005-2, 6.6.4: part and conformance in the XMP), fonts embedded, the date is the record's.
    let bytes = std::fs::read(&pdf).unwrap();
    let raw = String::from_utf8_lossy(&bytes);
    assert!(raw.contains("<pdfaid:part>2</pdfaid:part>") && raw.contains("<pdfaid:conformance>B</pdfaid:conformance>"));
    assert!(raw.contains("/OutputIntents") && !raw.contains("/Interpolate true"));
    let made: Value = serde_json::from_slice(&std::fs::read(kept.join("record.json")).unwrap()).unwrap();
    let stamp: String = made["made_utc"].as_str().unwrap().chars().filter(char::is_ascii_digit).collect();
    assert!(raw.contains(&format!("D:{stamp}")), "the record was made at {stamp}");
    let fonts = said(&Command::new("pdffonts").arg(&pdf).output().unwrap());
    assert!(fonts.lines().skip(2).count() > 0 && fonts.lines().skip(2).all(|l| l.contains(" yes yes yes ")), "{fonts}");

    // The same bytes again; nothing was written into the record; Letter as well.
    let again = dir.path().join("b.pdf");
    assert_eq!(report(&kept, &again, &[]), 0);
    assert!(std::fs::read(&again).unwrap() == bytes);
    assert_eq!(report(&kept, &dir.path().join("c.pdf"), &["--paper", "letter", "--inches"]), 0);
    let info = said(&Command::new("pdfinfo").arg(dir.path().join("c.pdf")).output().unwrap());
    assert!(info.contains("612 x 792 pts (letter)"), "{info}");
    let out = plumbsight(&["report", text(&kept), "-o", text(&kept.join("x.pdf"))]);
    assert!(out.status.code() == Some(3) && said(&out).contains("inside the record"), "{}", said(&out));
    let out = plumbsight(&["recheck", text(&kept), "--quick"]);
    assert_eq!(out.status.code(), Some(0), "{}", said(&out));
    let drawn = laid_out(&kept, &[Paper::A4, Paper::Letter]);
    let pictures = drawn.iter().flat_map(|p| &p.items).filter(|i| matches!(i, Item::Picture { .. })).count();
    assert_eq!(pictures, FEW.len());
    // Outlined in the photographs: every tag that the result counts.
    let tags: usize = json["photographs"].as_array().unwrap().iter().map(|p| p["tags"].as_array().unwrap().len()).sum();
    assert!(tags > 50);
    assert_eq!(evidence.tags.iter().filter(|t| t.used && t.corners_px.is_some()).count(), tags);

    // Short version and exports.
    let short = said(&plumbsight(&["report", text(&kept), "--short"]));
    assert!(short.contains(&verdict) && short.lines().all(|l| l.chars().count() <= 80), "{short}");
    assert_eq!(report(&kept, &dir.path().join("one.pdf"), &["--short"]), 0);
    // Page one, and behind it only what had no room on it: here the faults that were found.
    let one = close(&pdftotext(&dir.path().join("one.pdf"), &["-raw"]));
    let failed: Vec<&str> = json["integrity"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|t| t["passed"] == false)
        .map(|t| t["sentence"].as_str().unwrap())
        .collect();
    assert!(
        !failed.is_empty() && failed.iter().all(|sentence| one.contains(&close(sentence))) && one.contains("page1of2"),
        "{failed:?}\n{one}"
    );
    let exported: Value = serde_json::from_slice(&plumbsight(&["export", text(&kept), "--json"]).stdout).unwrap();
    assert_eq!((&exported["records"][0]["result"], &exported["records"][0]["record"]), (&json, &made));
    let table = said(&plumbsight(&["export", text(&kept), "--csv"]));
    let lines: Vec<&str> = table.split_terminator("\r\n").collect();
    assert_eq!(lines.len(), 7, "{table}");
    let yaw = &json["stations"][0]["deviations"]["yaw_deg"];
    let figures =
        format!(",yaw,deg,{},{},{},0.25,", yaw["required"].as_f64().unwrap(), yaw["deviation"], yaw["expanded"]);
    assert!(lines[4].contains(&figures), "{figures} in {}", lines[4]);

    what_speaks_against_it_is_said(evidence);
    what_was_corrected_since_says_so(job.path(), &kept, dir.path());
    damage_is_said(&kept, dir.path());
}

/// All texts of the pages, a line each.
fn texts(pages: &[Page]) -> String {
    let items = pages.iter().flat_map(|p| &p.items);
    items.filter_map(|i| if let Item::Text { text, .. } = i { Some(format!("{text}\n")) } else { None }).collect()
}

fn drawn(evidence: &Evidence, short: bool) -> Vec<Page> {
    let face = Typeface::shipped().unwrap();
    let options = Options { paper: Paper::Letter, lengths: Lengths::Millimetres, short };
    let out = pages(&face, evidence, &[], &options);
    for (k, page) in out.iter().enumerate() {
        let wrong = faults(page);
        assert!(wrong.is_empty(), "page {}:\n{}", k + 1, wrong.join("\n"));
    }
    out
}

/// Without what a line's end does to it.
fn close(text: &str) -> String {
    text.chars().filter(|c| !c.is_whitespace()).collect()
}

/// A sound record that something else speaks against: its signature, itself, the hold watch, more than the first page holds.
fn what_speaks_against_it_is_said(sound: Evidence) {
    let first = |e: &Evidence| texts(&drawn(e, false)[..1]);
    let Evidence { result: Ok(result), .. } = &sound else { panic!() };
    let calm = first(&sound);
    assert!(
        !calm.contains("SAID TO BE") && !calm.contains("WHEN MEASURED") && !calm.contains("cannot be read"),
        "{calm}"
    );
    let with = |change: &dyn Fn(&mut Evidence)| {
        let mut out = sound.clone();
        change(&mut out);
        out
    };

    // A bad signature, and a record that contradicts itself: on page one, in the text, in both exports.
    let bad = with(&|e| {
        if let Kept::Record { signature, .. } = &mut e.kept {
            *signature = SignatureState::Bad;
        }
    });
    let lying = with(&|e| {
        if let Kept::Record { contradictions, .. } = &mut e.kept {
            contradictions.push("record.json contradicts result.json: its VIN is \"A\"".into());
        }
    });
    for (evidence, says) in [(&bad, "BAD SIGNATURE"), (&lying, "THIS RECORD CONTRADICTS ITSELF")] {
        let page = first(evidence);
        assert!(page.contains("SAID TO BE") && page.contains(says), "{page}");
        let short = short_text(evidence, Lengths::Millimetres);
        assert!(short.contains("SAID TO BE") && short.contains(says), "{short}");
        assert!(csv_text(std::slice::from_ref(evidence)).contains(",NO,"));
    }
    assert!(
        csv_text(std::slice::from_ref(&bad)).contains(",NO,BAD,")
            && csv_text(std::slice::from_ref(&sound)).contains(",yes,good,")
    );
    let json: Value = serde_json::from_str(&export_json(&[bad, lying]).unwrap()).unwrap();
    assert_eq!((&json["records"][0]["signature"], &json["records"][1]["signature"]), (&"BAD".into(), &"good".into()));
    assert_eq!(json["records"][1]["contradictions"].as_array().unwrap().len(), 1);

    // A log that cannot be read is not the same as none, and a torn line may have been an alarm.
    for (log, says) in [
        (
            HoldRead { fault: Some("it is no file but a folder".into()), ..HoldRead::default() },
            "The log of the hold watch cannot be read",
        ),
        (HoldRead { unreadable: 2, ..HoldRead::default() }, "2 lines of the log of the hold watch cannot be read"),
    ] {
        let mut evidence = with(&|e| e.hold = Some(log.clone()));
        let page = first(&evidence);
        assert!(close(&page).contains(&close(says)), "{page}");
        assert!(!texts(&drawn(&evidence, false)).contains("No hold watch was kept"));
        assert!(csv_text(std::slice::from_ref(&evidence)).contains("0 and lines that cannot be read"));
        if let Ok(result) = &mut evidence.result {
            (result.verdict, result.stations[0].verdict) = (Verdict::In, Verdict::In);
        }
        assert!(first(&evidence).contains("IN TOLERANCE WHEN MEASURED"));
    }

    // Alarms far down a long log are listed each, and what was in tolerance then is said everywhere to have been so when it was measured.
    let entry = |k: usize, alarm: bool| HoldEntry {
        event: if alarm { "moved" } else { "not seen" }.into(),
        time_s: k as f64,
        alarm,
        sentence: format!("sentence-{k}-of-the-log"),
        ..HoldEntry::default()
    };
    let entries: Vec<HoldEntry> = (0..200).map(|k| entry(k, k >= 100 && k % 10 == 0)).collect();
    let mut alarmed = with(&|e| e.hold = Some(HoldRead { entries: entries.clone(), ..HoldRead::default() }));
    if let Ok(result) = &mut alarmed.result {
        (result.verdict, result.stations[0].verdict) = (Verdict::In, Verdict::In);
    }
    let all = texts(&drawn(&alarmed, false));
    for k in (100..200).step_by(10) {
        assert!(all.contains(&format!("sentence-{k}-of-the-log")), "{k}");
    }
    assert!(
        all.contains("sentence-59-")
            && !all.contains("sentence-61-")
            && all.contains("And 130 more lines without an alarm")
    );
    let short = short_text(&alarmed, Lengths::Millimetres);
    for said in [&texts(&drawn(&alarmed, true)[..1]), &short] {
        assert_eq!(said.to_lowercase().matches("in tolerance when measured").count(), 2, "{said}");
    }

    // Nothing checks a figure: it has no limit, and no 309 digits.
    let unchecked = with(&|e| {
        if let Ok(result) = &mut e.result {
            let test = &mut result.integrity[0];
            (test.statistic, test.minimal_detectable) = (f64::MAX, Some(f64::MAX));
        }
    });
    let face = Typeface::shipped().unwrap();
    let options = Options { paper: Paper::A4, lengths: Lengths::Millimetres, short: false };
    let [before, all] = [&sound, &unchecked].map(|e| texts(&pages(&face, e, &[], &options)));
    // Its cell may be broken into lines.
    let without = |text: &str| text.split_whitespace().filter(|w| *w == "without").count();
    assert!(all.contains("without") && without(&all) == without(&before) + 2, "{all}");
    assert!(all.split_whitespace().all(|w| w != "inf") && !all.contains("179769313486"), "{all}");

    // More warnings and longer texts than the first page holds: the short PDF has them behind it.
    let faulty = with(&|e| {
        if let Ok(result) = &mut e.result {
            let mut failed = result.integrity[0].clone();
            failed.passed = false;
            for k in 0..9 {
                failed.sentence = format!("Invented fault number {k}: {}.", "very long words ".repeat(20));
                result.integrity.push(failed.clone());
            }
        }
    });
    let short = drawn(&faulty, true);
    let all = close(&texts(&short));
    assert!(short.len() > 1);
    for k in 0..9 {
        let whole = close(&format!("Invented fault number {k}: {}.", "very long words ".repeat(20)));
        assert!(all.contains(&whole), "{k}");
    }
    let calm = with(&|e| {
        if let Ok(result) = &mut e.result {
            result.integrity.clear();
        }
    });
    assert_eq!(drawn(&calm, true).len(), 1);

    // A second station whose name no line holds, and a result that judged stations but measured nothing to rely on.
    let long = format!("{NASTY}{NASTY}end");
    let mut second = result.stations[0].clone();
    second.name.clone_from(&long);
    let two = with(&|e| {
        if let Ok(result) = &mut e.result {
            result.stations.push(second.clone());
            result.verdict = Verdict::NotMeasured;
            result.not_measured = Some("An invented reason why not".into());
        }
    });
    let all = drawn(&two, false);
    assert!(close(&texts(&all)).contains(&long));
    assert!(texts(&all[..1]).contains("An invented reason why not"), "{}", texts(&all[..1]));
}

/// A record that another one corrects, in the report of the first and in a table of both.
fn what_was_corrected_since_says_so(job: &Path, kept: &Path, dir: &Path) {
    let root = kept.parent().unwrap();
    let short = |record: &Path| said(&plumbsight(&["report", text(record), "--short"]));
    assert!(!short(kept).contains("CORRECTED"));
    let fixed = ["record", text(job), "--into", text(root), "--by", "Invented Person", "--corrects", text(kept)];
    let out = plumbsight(&[&fixed[..], &["--reason", "the other plate"]].concat());
    assert_eq!(out.status.code(), Some(0), "{}", said(&out));
    let new = std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).find(|p| p.is_dir() && p != kept).unwrap();
    let name = new.file_name().unwrap().to_str().unwrap();

    let says = format!("CORRECTED LATER by {name} (the other plate)");
    let pdf = dir.join("corrected.pdf");
    assert_eq!(report(kept, &pdf, &[]), 0);
    let first = pdftotext(&pdf, &["-l", "1", "-raw"]);
    assert!(close(&first).contains(&close(&says)), "{first}");
    if let Ok(to) = std::env::var("PLUMBSIGHT_CORRECTED_PDF") {
        std::fs::copy(&pdf, to).unwrap();
    }
    // The first is signed, the correction is not.
    for said in [says.as_str(), "It is not signed, and this one is"] {
        assert!(close(&short(kept)).contains(&close(said)), "{}", short(kept));
    }
    assert!(!short(&new).contains("CORRECTED"));
    let evidence = read_evidence(kept).unwrap().with_later(kept);
    drawn(&evidence, true);

    let table = said(&plumbsight(&["export", text(kept), text(&new), "--csv"]));
    let column = table.lines().next().unwrap().split(',').position(|c| c == "corrected_by").unwrap();
    let cells: Vec<&str> = table.lines().skip(1).map(|l| l.split(',').nth(column).unwrap()).collect();
    assert!(cells.len() == 12 && cells[..6].iter().all(|c| *c == name) && cells[6..].iter().all(|c| c.is_empty()));
    let json: Value =
        serde_json::from_slice(&plumbsight(&["export", text(kept), text(&new), "--json"]).stdout).unwrap();
    assert_eq!(
        (&json["records"][0]["corrected_by"], &json["records"][1]["corrected_by"]),
        (&name.into(), &Value::Null)
    );

    // The correction damaged: neither is to be relied on.
    let file = new.join("record.json");
    let whole = std::fs::read_to_string(&file).unwrap();
    overwrite(&file, whole.replace("Invented Person", "Another Person").as_bytes());
    assert!(short(kept).contains("A CORRECTION OF THIS RECORD"), "{}", short(kept));
    let table = said(&plumbsight(&["export", text(kept), text(&new), "--csv"]));
    assert!(table.contains(&format!(",{name} (not as it was recorded),")), "{table}");
    std::fs::rename(&new, dir.join("elsewhere")).unwrap();
    assert!(!short(kept).contains("CORRECTION"));
}

/// A record that was tampered with, an alarm of the hold watch, lost files.
fn damage_is_said(kept: &Path, dir: &Path) {
    let result = kept.join("result.json");
    let bytes = std::fs::read(&result).unwrap();
    let altered = String::from_utf8(bytes.clone()).unwrap().replacen("\"verdict\": \"", "\"verdict\":  \"", 1);
    overwrite(&result, altered.as_bytes());
    let pdf = dir.join("damaged.pdf");
    assert_eq!(report(kept, &pdf, &[]), 1);
    let first = pdftotext(&pdf, &["-l", "1"]);
    assert!(first.contains("THIS RECORD IS DAMAGED") && first.contains("result.json was altered"), "{first}");
    assert!(first.contains("SAID TO BE"), "{first}");
    let out = plumbsight(&["export", text(kept), "--csv"]);
    assert!(out.status.code() == Some(1) && said(&out).contains(",NO,"), "{}", said(&out));
    assert!(said(&plumbsight(&["report", text(kept), "--short"])).contains("THIS RECORD IS DAMAGED"));
    overwrite(&result, b"{");
    assert_eq!(report(kept, &pdf, &[]), 1);
    let first = pdftotext(&pdf, &["-l", "1"]);
    assert!(first.contains("cannot be read") && first.contains("THIS RECORD IS DAMAGED"), "{first}");
    overwrite(&result, &bytes);
    // The signature alone.
    let signature = kept.join("SHA256SUMS.sig");
    let good = std::fs::read(&signature).unwrap();
    let mut flipped = good.clone();
    flipped[20] ^= 1;
    overwrite(&signature, &flipped);
    assert_eq!(report(kept, &pdf, &[]), 1);
    let first = pdftotext(&pdf, &["-l", "1"]);
    assert!(first.contains("BAD SIGNATURE") && first.contains("SAID TO BE"), "{first}");
    let name = kept.file_name().unwrap().to_str().unwrap();
    for arguments in [
        &["report", text(kept), "--short"][..],
        &["export", text(kept), "--csv"],
        &["records", text(kept.parent().unwrap()), "--open", name],
    ] {
        let out = plumbsight(arguments);
        assert!(out.status.code() == Some(1) && said(&out).contains("BAD"), "{}", said(&out));
    }
    let out = plumbsight(&["records", text(kept.parent().unwrap()), "--damaged"]);
    assert!(said(&out).contains("DAMAGED: BAD SIGNATURE"), "{}", said(&out));
    overwrite(&signature, &good);
    assert_eq!(report(kept, &pdf, &[]), 0);
    std::fs::remove_file(kept.join("job/photos/004.jpg")).unwrap();
    assert_eq!(report(kept, &pdf, &[]), 1);
    let words = pdftotext(&pdf, &[]);
    assert!(words.contains("004.jpg is missing") && words.contains("It cannot be shown"), "{words}");
}

#[test]
fn thirty_photographs_stay_below_three_megabytes_and_nasty_texts_on_the_page() {
    let job = bay_with(&(1..=30).collect::<Vec<_>>());
    let path = job.path().join("job.toml");
    edit(&path, "name = \"invented car\"", &format!("name = \"{NASTY} Čápek & Söhne 漢字 مرحبا\"\nid = \"{NASTY}\""));
    let placement = job.path().join("placement.toml");
    let lines = std::fs::read_to_string(&placement).unwrap();
    let nasty: String = lines
        .lines()
        .map(|l| match l.split_once(" = ") {
            Some((key @ ("source" | "revision" | "title"), _)) => format!("{key} = \"{key} {}\"\n", NASTY.repeat(3)),
            _ => format!("{l}\n"),
        })
        .collect();
    std::fs::write(&placement, nasty).unwrap();
    let log = "{\"format\":\"plumbsight/hold/1\",\"event\":\"opened\",\"time_s\":0.0,\"started_unix_s\":1772374530,\"alarm\":false,\"sentence\":\"Watch.\"}\n\
        {\"event\":\"moved\",\"time_s\":31.5,\"alarm\":true,\"body\":\"stand\",\"shift_mm\":[0.0,2.1,0.0],\"u_shift_mm\":[0.1,0.1,0.2],\"sentence\":\"stand moved 2.1 mm to the car's left\"}\n\
        {\"event\":\"torn";
    std::fs::write(job.path().join("hold.jsonl"), log).unwrap();
    std::fs::write(
        job.path().join("outcome.toml"),
        format!(
            "format = \"plumbsight/outcome/1\"\nscan_tool = \"{NASTY}\"\nroutine = \"failed\"\nnote = \"{}\"\n",
            "longish wordlets ".repeat(2000)
        ),
    )
    .unwrap();
    let dir = tempfile::tempdir().unwrap();
    let kept = record(job.path(), &dir.path().join("records"), &format!("A. Person {NASTY}"));
    let json: Value = serde_json::from_slice(&std::fs::read(kept.join("record.json")).unwrap()).unwrap();
    assert_eq!(json["hold_alarms"], 1);
    assert!(json["hold_doubt"].as_str().unwrap().contains("an alarm may stand in it"), "{}", json["hold_doubt"]);
    let drawn = laid_out(&kept, &[Paper::Letter, Paper::A4]);
    let all = texts(&drawn);
    // Nothing is lost: what is cut short is there in full elsewhere, what cannot be written by its code.
    let close = close(&all);
    for whole in [
        format!("{NASTY}Čápek&Söhne[U+6F22][U+5B57]"),
        format!("source{}", NASTY.repeat(3)),
        format!("A.Person{NASTY}"),
    ] {
        assert!(close.contains(&whole), "{whole:.40} is not there in full");
    }
    // A line may end between the two, and a page.
    for word in ["longish", "wordlets"] {
        assert_eq!(all.split_whitespace().filter(|w| *w == word).count(), 2000, "{word}");
    }
    assert!(all.contains("A line of the log of the hold watch cannot be read") && all.contains("stand moved 2.1 mm"));
    let pdf = dir.path().join("a.pdf");
    assert_eq!(report(&kept, &pdf, &["--paper", "letter"]), 0);
    let size = std::fs::metadata(&pdf).unwrap().len();
    println!("30 photographs: {size} bytes, {} pages", drawn.len());
    assert!(size <= 3_000_000, "{size} bytes");
    let first = pdftotext(&pdf, &["-l", "1"]);
    assert!(first.contains("THE HOLD WATCH RAISED AN ALARM"), "{first}");
    assert!(first.contains("moved afterwards") && !first.contains("sure enough to say so"), "{first}");
    let images = said(&Command::new("pdfimages").args(["-list", text(&pdf)]).output().unwrap());
    assert_eq!(images.lines().filter(|l| l.contains(" jpeg ")).count(), 30, "{images}");
}

#[test]
fn a_job_is_reported_as_what_it_is_and_what_is_neither_is_refused() {
    let job = bay_with(&FEW);
    let out = plumbsight(&["report", text(job.path())]);
    assert!(out.status.code() == Some(3) && said(&out).contains("plumbsight check"), "{}", said(&out));
    // Too few photographs: a measurement that failed is reported too.
    for k in FEW.iter().skip(1) {
        std::fs::remove_file(job.path().join(format!("photos/{k:03}.jpg"))).unwrap();
    }
    assert_eq!(plumbsight(&["check", text(job.path())]).status.code(), Some(4));
    let dir = tempfile::tempdir().unwrap();
    let pdf = dir.path().join("a.pdf");
    assert_eq!(report(job.path(), &pdf, &[]), 0);
    let first = pdftotext(&pdf, &["-l", "1"]);
    assert!(first.contains("NOT MEASURED") && first.contains("This is no record"), "{first}");
    let old = || said(&plumbsight(&["report", text(job.path()), "--short"])).contains("OLD RESULT: ");
    assert!(!old());
    // A photograph more, a file that is newer: the result may not be of this job any more.
    let more = job.path().join("photos/more.jpg");
    std::fs::copy(job.path().join(format!("photos/{:03}.jpg", FEW[0])), &more).unwrap();
    assert!(old());
    std::fs::remove_file(&more).unwrap();
    assert!(!old());
    let placement = job.path().join("placement.toml");
    let written = std::fs::File::options().write(true).open(&placement).unwrap();
    let before = written.metadata().unwrap().modified().unwrap();
    written.set_modified(std::time::SystemTime::now() + std::time::Duration::from_secs(60)).unwrap();
    assert!(old());
    written.set_modified(before).unwrap();
    laid_out(job.path(), &[Paper::A4]);
    // An alarm counts as `check` counts it: over other photographs it says nothing of these.
    let own = sha256_hex(&std::fs::read(job.path().join(format!("photos/{:03}.jpg", FEW[0]))).unwrap());
    for (mark, alarms) in [("0000000000000000", false), (&own[..16], true)] {
        let log = format!(
            "{{\"event\":\"opened\",\"photographs\":[\"{mark}\"]}}\n{{\"event\":\"moved\",\"time_s\":2.5,\"alarm\":true,\"sentence\":\"It moved.\"}}\n"
        );
        std::fs::write(job.path().join("hold.jsonl"), log).unwrap();
        let short = said(&plumbsight(&["report", text(job.path()), "--short"]));
        assert_eq!(short.contains("THE HOLD WATCH RAISED"), alarms, "{mark}: {short}");
        let all = texts(&drawn(&read_evidence(job.path()).unwrap(), false));
        assert_eq!(all.contains("1 ALARM"), alarms, "{mark}: {all}");
    }
    // A live reading is heeded as well, and called what it is.
    let log = format!(
        "{{\"event\":\"stand elsewhere\",\"alarm\":true,\"photographs\":[\"{}\"],\"sentence\":\"It stands 22 mm off.\"}}\n",
        &own[..16]
    );
    std::fs::write(job.path().join("hold.jsonl"), log).unwrap();
    let short = said(&plumbsight(&["report", text(job.path()), "--short"]));
    assert!(
        short.contains("A LIVE READING FOUND THE STAND ELSEWHERE") && !short.contains("THE HOLD WATCH RAISED"),
        "{short}"
    );
    let all = texts(&drawn(&read_evidence(job.path()).unwrap(), false));
    assert!(all.contains("1 ALARM") && all.contains("It stands 22 mm off.") && !all.contains("0.0 s"), "{all}");
    let out = plumbsight(&["report", text(&repository("fixtures/bay-a")), "--paper", "A0"]);
    assert!(out.status.code() == Some(3) && said(&out).contains("Say A4 or Letter"), "{}", said(&out));
    assert_eq!(
        plumbsight(&["export", text(job.path())]).status.code(),
        Some(3),
        "neither table nor JSON was asked for"
    );
}
