use super::*;
use crate::readiness::{Measured, State, complete};

const HEAD: &str = "format = \"plumbsight/readiness/1\"\n";

fn folder(text: &str) -> tempfile::TempDir {
    let dir = tempfile::tempdir().unwrap();
    std::fs::write(dir.path().join(READINESS_FILE), text).unwrap();
    dir
}

#[track_caller]
fn refused(text: &str, line: Option<usize>, says: &str) {
    let dir = folder(&format!("{HEAD}{text}"));
    let problem = read_readiness(dir.path()).unwrap_err();
    assert!(problem.to_string().contains(says), "{problem}");
    assert_eq!(problem.line, line, "{problem}");
}

#[test]
fn the_shipped_list_is_there_without_a_file_and_nothing_is_answered() {
    let dir = tempfile::tempdir().unwrap();
    let r = read_readiness(dir.path()).unwrap();
    assert!(r.items.len() >= 20, "{}", r.items.len());
    assert!(r.lines(&Measured::default()).iter().all(|l| l.state == State::Open));
    for group in Group::ALL {
        assert!(r.items.iter().any(|i| i.group == group));
    }
}

#[test]
fn faults_are_named_with_their_line() {
    refused("[[item]]\nid = \"doors\"\nstate = \"done\"\n", Some(3), "no item \"doors\"");
    refused("[[item]]\nid = \"light\"\nstate = \"not applicable\"\n", Some(4), "no reason");
    refused("[[item]]\nid = \"light\"\nstate = \"done\"\nreason = \"so\"\n", Some(5), "belongs to");
    refused("[[item]]\nid = \"light\"\nstate = \"yes\"\n", Some(4), "\"yes\" is no word for `state`");
    refused(
        "[[item]]\nid = \"light\"\nstate = \"done\"\n[[item]]\nid = \"light\"\nstate = \"open\"\n",
        Some(6),
        "answered twice",
    );
    refused("floor_limit_mm_per_m = -1\n", Some(2), "no limit");
    refused("list = \"../list.toml\"\n", Some(2), "out of the job folder");
    refused("list = \"list.toml\"\n", None, "list.toml");
    let tyres = "[tyres]\nunit = \"bar\"\nplacard_front = 2.3\nplacard_rear = 2.3\nfront_left = 230\nfront_right = 2.3\nrear_left = 2.3\nrear_right = 2.3\n";
    refused(tyres, Some(6), "no tyre pressure");
}

#[test]
fn tyres_may_be_in_any_of_three_units() {
    for (unit, value) in [("kPa", 230.0), ("bar", 2.3), ("psi", 33.36)] {
        let dir = folder(&format!(
            "{HEAD}[tyres]\nunit = \"{unit}\"\nplacard_front = {value}\nplacard_rear = {value}\nfront_left = {value}\nfront_right = {value}\nrear_left = {value}\nrear_right = {value}\n"
        ));
        let r = read_readiness(dir.path()).unwrap();
        let lines = r.lines(&Measured::default());
        let line = lines.iter().find(|l| l.item.id == "tyre-pressures").unwrap();
        assert_eq!((line.state, line.measured), (State::Done, true), "{unit}");
        assert!((r.tyres.unwrap().measured_pa[0] - 230e3).abs() < 100.0);
    }
}

#[test]
fn a_shop_adds_items_of_its_own() {
    let dir = folder(&format!("{HEAD}list = \"ours.toml\"\n[[item]]\nid = \"gate\"\nstate = \"done\"\n"));
    let list = |id: &str| {
        format!(
            "format = \"plumbsight/readiness-list/1\"\n[[items]]\nid = \"{id}\"\ngroup = \"bay\"\ntext = \"The gate is shut.\"\n"
        )
    };
    std::fs::write(dir.path().join("ours.toml"), list("gate")).unwrap();
    let r = read_readiness(dir.path()).unwrap();
    assert_eq!(r.items.last().unwrap().id, "gate");
    assert!(r.lines(&Measured::default()).iter().any(|l| l.item.id == "gate" && l.state == State::Done));
    for (bad, says) in [("light", "already"), ("The gate", "no name")] {
        std::fs::write(dir.path().join("ours.toml"), list(bad)).unwrap();
        assert!(read_readiness(dir.path()).unwrap_err().to_string().contains(says));
    }
}

fn change(id: &str, answer: Answer, note: Option<&str>) -> Change {
    Change { id: id.into(), answer, note: note.map(str::to_owned) }
}

#[test]
fn answers_are_written_and_everything_else_stays() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join(READINESS_FILE);
    // The first answer makes the file; all items can be answered.
    let items = read_readiness(dir.path()).unwrap().items;
    for item in &items {
        let note = item.note_needed.as_deref().map(|_| "written \"so\" \\ and\nso");
        apply_change(dir.path(), &change(&item.id, Answer::Done, note)).unwrap();
    }
    let r = read_readiness(dir.path()).unwrap();
    assert!(complete(&r.lines(&Measured::default())), "{:?}", r.entries);
    assert_eq!(
        r.entries.iter().find(|e| e.id == "alignment").unwrap().note.as_deref(),
        Some("written \"so\" \\ and so")
    );
    // A person's comment survives; a reason that no longer counts stays as a comment.
    let text = std::fs::read_to_string(&path).unwrap() + "# mine\n";
    std::fs::write(&path, &text).unwrap();
    apply_change(dir.path(), &change("light", Answer::NotApplicable("no lamps".into()), None)).unwrap();
    apply_change(dir.path(), &change("light", Answer::NotApplicable("outdoors".into()), Some("dusk"))).unwrap();
    let r = read_readiness(dir.path()).unwrap();
    let light = r.entries.iter().find(|e| e.id == "light").unwrap();
    assert_eq!((&light.answer, light.note.as_deref()), (&Answer::NotApplicable("outdoors".into()), Some("dusk")));
    apply_change(dir.path(), &change("light", Answer::Open, None)).unwrap();
    let after = std::fs::read_to_string(&path).unwrap();
    assert!(after.contains("# reason = \"outdoors\"") && after.contains("# mine"), "{after}");
    assert!(text.lines().filter(|l| *l != "state = \"done\"").all(|l| after.lines().any(|a| a == l)));
    assert_eq!(
        read_readiness(dir.path()).unwrap().entries.iter().find(|e| e.id == "light").unwrap().answer,
        Answer::Open
    );
}

#[test]
fn what_cannot_be_changed_safely_is_left() {
    let text = format!("{HEAD}item = [{{ id = \"light\", state = \"open\" }}]\n");
    let dir = folder(&text);
    let problem = apply_change(dir.path(), &change("light", Answer::Done, None)).unwrap_err();
    assert!(problem.to_string().contains("left to a person"), "{problem}");
    assert!(apply_change(dir.path(), &change("lights", Answer::Done, None)).unwrap_err().what.contains("no item"));
    assert_eq!(std::fs::read_to_string(dir.path().join(READINESS_FILE)).unwrap(), text);
    // An item that the file does not have yet is added behind the others.
    let dir = folder(&format!("{HEAD}[[item]]\nid = \"light\"\nstate = \"open\""));
    apply_change(dir.path(), &change("clear-zone", Answer::Done, None)).unwrap();
    assert_eq!(read_readiness(dir.path()).unwrap().entries.len(), 2);
}
