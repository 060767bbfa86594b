//! The readiness list through the command line, on a job that is measured.

mod common;

use common::bay_with;
use serde_json::Value;
use std::process::{Command, Output};

fn plumbsight(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_plumbsight")).args(arguments).output().unwrap()
}

#[test]
fn answers_reach_the_result_and_the_measurement_answers_its_own() {
    let dir = bay_with(&(1..=30).collect::<Vec<_>>());
    let job = dir.path();
    let folder = job.to_str().unwrap();
    let run = |arguments: &[&str]| plumbsight(&[&["ready", folder][..], arguments].concat());
    let out = run(&[]);
    assert_eq!(out.status.code(), Some(2));
    assert!(!job.join("readiness.toml").exists(), "looking writes nothing");
    let out = run(&["--done", "light", "--done", "doors-closed"]);
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stdout).contains("[x] light"));
    let out = run(&["--not-applicable", "lift-locked", "--reason", "no lift used"]);
    assert!(String::from_utf8_lossy(&out.stdout).contains("[-] lift-locked"));
    let out = run(&["--done", "lights"]);
    assert_eq!(out.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&out.stderr).contains("no item \"lights\""));
    // One note for two items, two answers to one item: refused before anything is written.
    let before = std::fs::read(job.join("readiness.toml")).unwrap();
    for (wrong, says) in [
        (&["--done", "light", "--done", "alignment", "--note", "x"][..], "--note belongs to one item, and 2"),
        (&["--note", "x"][..], "--note belongs to one item, and 0"),
        (&["--done", "alignment", "--open", "alignment"][..], "alignment is answered twice"),
        (&["--done", "ignition", "--done", "ignition"][..], "ignition is answered twice"),
    ] {
        let out = run(wrong);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(out.status.code() == Some(3) && said.contains(says), "{said}");
        assert_eq!(std::fs::read(job.join("readiness.toml")).unwrap(), before);
    }
    let out = run(&["--done", "alignment", "--note", "2026-03-01, printout 1"]);
    assert!(String::from_utf8_lossy(&out.stdout).contains("printout 1"));
    // The limit is one the invented procedure could state; the bay's floor is flat by construction.
    let file = job.join("readiness.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    let key = text.lines().find(|l| l.starts_with("# floor_limit_mm_per_m")).unwrap();
    std::fs::write(&file, text.replace(key, "floor_limit_mm_per_m = 10.0")).unwrap();
    // A number whose check digit is wrong stops the check, with line and both digits.
    let job_file = job.join("job.toml");
    let declared = std::fs::read_to_string(&job_file).unwrap();
    let with =
        |vin: &str| std::fs::write(&job_file, declared.replace("[vehicle]\n", &format!("[vehicle]\n{vin}\n"))).unwrap();
    with("vin = \"11111111211111111\"");
    let out = plumbsight(&["check", folder]);
    assert_eq!(out.status.code(), Some(3));
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(said.contains("check digit") && said.contains("line "), "{said}");
    with("vin = \"11111111211111111\"\nvin_unchecked = \"invented market\"");
    let out = plumbsight(&["check", folder]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    assert!(String::from_utf8_lossy(&out.stdout).contains("items OPEN"));
    assert!(!String::from_utf8_lossy(&out.stdout).contains("HOLD WATCH"));
    // An alarm of the hold watch in the job's folder is said by the check too.
    std::fs::write(job.join("hold.jsonl"), "{\"alarm\":false}\n{\"alarm\":true}\n{\"alarm\":true}\n").unwrap();
    let out = plumbsight(&["check", folder]);
    assert!(String::from_utf8_lossy(&out.stdout).contains("THE HOLD WATCH RAISED 2 ALARMS"));
    let result: Value = serde_json::from_slice(&std::fs::read(job.join("result.json")).unwrap()).unwrap();
    assert_eq!(result["vin"], "11111111211111111");
    let state = |id: &str| {
        let item = result["readiness"].as_array().unwrap().iter().find(|r| r["id"] == id).unwrap().clone();
        (item["state"].as_str().unwrap().to_owned(), item["measured"].as_bool().unwrap())
    };
    assert_eq!(state("light"), ("done".into(), false));
    assert_eq!(state("lift-locked"), ("not applicable".into(), false));
    assert_eq!(state("nothing-moves"), ("done".into(), true));
    assert_eq!(state("floor-level"), ("done".into(), true));
    assert_eq!(state("battery-support"), ("open".into(), false));
}
