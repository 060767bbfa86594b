//! The kit as `plumbsight sheets` writes it, filled in to the letter: it reaches a verdict, and where too few tags were measured the remedy that is said is
//! the one that helps. Photographs: the demonstration bay (invented, path-traced; fixtures/bay-a/README.md), whose stand carries nine tags.

mod common;

use common::bay_with;
use plumbsight::record::result::{ResultFile, Verdict};
use plumbsight::record::{MEASURED_TAGS, Purpose, read_job};
use std::path::Path;

/// Leaves only these tags of the demonstration's stand with their places, the first of them first, and says how well they were measured.
fn measured_only(folder: &Path, known: &[u16], u_place: &str) {
    let path = folder.join("bodies.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    let (before, stand) = text.split_once("name = \"stand\"\n").unwrap();
    let mut parts = stand.split("[[body.tags]]\n");
    let head = parts.next().unwrap();
    // What the bay itself states makes way for what is tried.
    let head: String = head
        .lines()
        .filter(|l| u_place.is_empty() || !l.starts_with("u_place_"))
        .fold(String::new(), |all, l| all + l + "\n");
    let head = head.as_str();
    let id = |part: &&str| part.lines().next().unwrap().trim_start_matches("id = ").parse::<u16>().unwrap();
    let mut tags: Vec<&str> = parts.collect();
    tags.sort_by_key(|t| !known.contains(&id(t)));
    let mut out = format!("{before}name = \"stand\"\n{}{u_place}\n", head.trim_end_matches('\n').to_owned() + "\n");
    for tag in tags {
        out += "\n[[body.tags]]\n";
        for line in tag.lines().filter(|l| !l.is_empty()) {
            out += if line.starts_with("corners_mm") && !known.contains(&id(&tag)) { "place = \"free\"" } else { line };
            out.push('\n');
        }
    }
    std::fs::write(&path, out).unwrap();
}

fn checked(known: &[u16], u_place: &str) -> ResultFile {
    let dir = bay_with(&(1..=30).collect::<Vec<_>>());
    measured_only(dir.path(), known, u_place);
    plumbsight::session::check(&read_job(dir.path(), Purpose::Verdict).unwrap(), &|_| ())
}

/// The uncertainty that the kit's bodies file states for places measured with a steel rule.
fn stated_in_the_kit() -> String {
    let kit = plumbsight::sheets::SheetKit::usual(plumbsight::paper::Paper::A4);
    let text = plumbsight::record::bodies_text(&kit);
    let stand = text.split_once("name = \"stand\"").unwrap().1;
    assert_eq!(stand.matches("centre_mm = MEASURE").count(), MEASURED_TAGS, "{stand}");
    let lines: Vec<&str> = stand.lines().filter(|l| l.starts_with("u_place_")).collect();
    assert_eq!(lines.len(), 2, "{stand}");
    lines.join("\n")
}

#[test]
fn as_many_tags_as_the_kit_asks_for_reach_a_verdict() {
    let result = checked(&[40, 42, 43, 44], &stated_in_the_kit());
    assert_eq!(result.verdict, Verdict::In, "{:?}", result.integrity.iter().find(|t| !t.passed));
}

#[test]
fn with_one_tag_the_remedy_is_to_measure_more_of_them() {
    for known in [&[41u16][..], &[40, 42]] {
        let result = checked(known, "");
        assert_eq!(result.verdict, Verdict::NotProven);
        let failed: Vec<&str> = result.integrity.iter().filter(|t| !t.passed).map(|t| t.sentence.as_str()).collect();
        assert!(!failed.is_empty());
        for sentence in failed {
            assert!(sentence.contains("More photographs do not help"), "{sentence}");
            assert!(
                sentence.contains(&format!("at least {MEASURED_TAGS}")) && sentence.contains("plumbsight learn"),
                "{sentence}"
            );
            assert!(sentence.contains(&format!("{} now", known.len())), "{sentence}");
        }
    }
}
