//! A lens that changed after its profile was made is noticed by the survey; a profile that still fits raises no alarm.

mod common;

use common::{bay_with, edit};
use plumbsight::record::result::Verdict;
use plumbsight::record::{Purpose, read_job};

fn notices(dir: &std::path::Path) -> Vec<String> {
    let job = read_job(dir, Purpose::Verdict).unwrap();
    let measured = plumbsight::session::measure(&job, &|_| {}).unwrap();
    measured
        .notices
        .iter()
        .filter(|n| n.text.contains("no longer fits"))
        .map(|n| format!("{}: {}", n.about, n.text))
        .collect()
}

#[test]
fn a_lens_that_changed_is_noticed() {
    let half: Vec<usize> = (1..=30).step_by(2).collect();
    let dir = bay_with(&half);
    let said = notices(dir.path());
    assert!(said.is_empty(), "{said:?}");
    let lens = dir.path().join("lens.toml");
    // The profile says 1 % more than the camera has now, 27 times its standard uncertainty.
    edit(&lens, "fx_px = 1371.4", "fx_px = 1385.1");
    edit(&lens, "fy_px = 1372.1", "fy_px = 1385.8");
    let said = notices(dir.path());
    println!("{said:?}");
    assert_eq!(said.len(), 1, "{said:?}");
    let check = || plumbsight::session::check(&read_job(dir.path(), Purpose::Verdict).unwrap(), &|_| {});
    let doubted = check();
    assert!(!matches!(doubted.verdict, Verdict::In | Verdict::Out), "{:?}", doubted.verdict);
    assert!(doubted.integrity.iter().any(|t| !t.passed && t.sentence.contains("no longer fits")));
    assert!(
        said[0].contains("lens.toml") && said[0].contains("px at the edge") && said[0].contains("limit"),
        "{said:?}"
    );
    // The same for a profile that is taken as exact.
    let text = std::fs::read_to_string(&lens).unwrap();
    let exact: String = text.lines().filter(|l| !l.starts_with("sigma")).map(|l| format!("{l}\n")).collect();
    std::fs::write(&lens, exact).unwrap();
    let said = notices(dir.path());
    println!("{said:?}");
    assert_eq!(said.len(), 1, "{said:?}");
    // The focal length comes back down by about a hundredth.
    assert!(said[0].contains("focal length -"), "{said:?}");
    // The lens is named, not the bodies that a wrong lens seems to move.
    let refused = check();
    assert_eq!(refused.verdict, Verdict::NotMeasured);
    assert!(
        refused.not_measured.as_deref().is_some_and(|why| why.contains("no longer fits")),
        "{:?}",
        refused.not_measured
    );
}

/// Without a profile: the survey finds the lens, and nothing is in tolerance.
#[test]
fn a_job_without_a_profile_is_never_proven() {
    let dir = bay_with(&(1..=30).step_by(2).collect::<Vec<_>>());
    let with = plumbsight::session::check(&read_job(dir.path(), Purpose::Verdict).unwrap(), &|_| {});
    let job = dir.path().join("job.toml");
    edit(&job, "lens = \"lens.toml\"", "lens = \"unknown\"");
    let without = plumbsight::session::check(&read_job(dir.path(), Purpose::Verdict).unwrap(), &|_| {});
    let open = |v: Verdict| !matches!(v, Verdict::In | Verdict::Out);
    assert!(open(without.verdict), "{:?}", without.verdict);
    assert!(without.stations.iter().all(|s| open(s.verdict)));
    assert!(without.stations.iter().all(|s| s.deviations.each().iter().all(|(_, _, d)| d.verdict.is_none_or(open))));
    let said = without.notices.iter().find(|n| n.about == "(no lens profile)").unwrap();
    assert!(said.text.contains("a guess") && said.text.contains("plumbsight lens"), "{}", said.text);
    // It is a measurement all the same: the lens comes out near the true one, and so does the stand.
    let (a, b) = (&with.stations[0].deviations.distance_mm, &without.stations[0].deviations.distance_mm);
    assert!((a.measured - b.measured).abs() < 20.0, "{} {}", a.measured, b.measured);
    assert!(b.u >= a.u, "{} {}", a.u, b.u);
}
