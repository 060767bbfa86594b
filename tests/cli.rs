//! The program from outside: exit codes, what goes to which output, the files it writes.

mod common;

use common::{bay_with, edit, repository};
use plumbsight::record::ResultFile;
use plumbsight::record::result::Verdict;
use std::path::Path;
use std::process::{Command, Output};

fn plumbsight(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_plumbsight")).args(arguments).output().unwrap()
}

fn out(output: &Output) -> String {
    String::from_utf8(output.stdout.clone()).unwrap()
}

fn err(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

fn code(output: &Output) -> i32 {
    output.status.code().unwrap()
}

#[test]
fn help_teaches_and_wrong_use_is_not_a_verdict() {
    let help = plumbsight(&["--help"]);
    assert_eq!(code(&help), 0);
    for part in ["Examples:", "plumbsight new my-job", "Exit codes", "calibrates nothing"] {
        assert!(out(&help).contains(part), "{part}");
    }
    for command in ["check", "survey", "tags", "new", "demo"] {
        let help = plumbsight(&[command, "--help"]);
        assert!(code(&help) == 0 && out(&help).contains("Example"), "{command}");
        assert!(out(&help).lines().all(|l| l.chars().count() <= 80), "{command}: {}", out(&help));
    }
    // 2 would say "not proven".
    for wrong in [&["chek", "x"][..], &["check"][..], &["tags"][..], &[][..]] {
        let output = plumbsight(wrong);
        assert_eq!(code(&output), 3, "{wrong:?}");
        assert!(out(&output).is_empty() && !err(&output).is_empty(), "{wrong:?}");
    }
}

/// Every command's help in a terminal of 80 columns: no line is longer, none is broken twice, every example stands on a line of its own (or ends in a backslash).
#[test]
fn helps_are_laid_out_for_80_columns() {
    let help = |arguments: &[&str]| {
        let out = Command::new(env!("CARGO_BIN_EXE_plumbsight"))
            .args(arguments)
            .arg("--help")
            .env("COLUMNS", "80")
            .output()
            .unwrap();
        assert_eq!(code(&out), 0, "{arguments:?}");
        String::from_utf8(out.stdout).unwrap()
    };
    let whole = help(&[]);
    let (_, list) = whole.split_once("Commands:\n").unwrap();
    let (list, _) = list.split_once("\n\n").unwrap();
    let names: Vec<&str> = list
        .lines()
        .filter(|l| l.starts_with("  ") && !l[2..].starts_with(' '))
        .filter_map(|l| l.split_whitespace().next())
        .filter(|name| *name != "help")
        .collect();
    assert!(names.len() >= 22, "{names:?}");
    let mut wrong = Vec::new();
    let all = names.iter().map(|name| vec![*name]).chain([vec![], vec!["lens", "show"]]);
    for arguments in all {
        let text = help(&arguments);
        let mut say = |what: &str, line: &str| wrong.push(format!("{arguments:?}: {what}: {line}"));
        assert!(text.contains("Example") || arguments == ["lens", "show"], "{arguments:?}");
        let lines: Vec<&str> = text.lines().collect();
        let options = lines.iter().position(|l| l.starts_with("Options:")).unwrap();
        // Behind the options: what this program laid out itself.
        let own = options + lines[options..].iter().position(|l| l.is_empty()).unwrap_or(lines.len() - options);
        let mut in_examples = false;
        for (k, line) in lines.iter().enumerate() {
            if line.chars().count() > 80 {
                say("longer than 80", line);
            }
            if line.contains("possible values:") && line.trim_start().starts_with("Possible")
                || line.trim() == "-h, --help"
            {
                say("another layout than the other commands", line);
            }
            if k < own {
                continue;
            }
            in_examples = line.starts_with("Example") || in_examples && !line.is_empty();
            let continued = lines[k - 1].ends_with('\\');
            if in_examples
                && !line.starts_with("Example")
                && !continued
                && !["  plumbsight ", "  cp "].iter().any(|c| line.starts_with(c))
            {
                say("a broken example", line);
            }
            // The next line's first word would have had room.
            let next = lines.get(k + 1).and_then(|l| l.split_whitespace().next()).unwrap_or_default();
            let plain = |l: &&str| !l.is_empty() && !l.starts_with(' ') && !l.ends_with(':');
            if !in_examples
                && plain(line)
                && lines.get(k + 1).is_some_and(|l| !l.is_empty() && !l.starts_with(' '))
                && line.chars().count() + 1 + next.chars().count() <= 64
            {
                say("broken twice", line);
            }
            // A line of one short word at the end of a paragraph was pushed there.
            if k > own && !in_examples && plain(line) && plain(&lines[k - 1]) && line.chars().count() < 6 {
                say("a lone word", line);
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_wrong_job_is_said_once_on_the_error_output() {
    let output = plumbsight(&["check", "no-such-folder"]);
    assert_eq!(code(&output), 3);
    assert!(out(&output).is_empty());
    assert_eq!(err(&output).matches("no such job folder").count(), 1);
    let dir = bay_with(&[]);
    edit(&dir.path().join("bodies.toml"), "side_mm = 160.0", "side_mm = 160000.0");
    let output = plumbsight(&["check", dir.path().to_str().unwrap()]);
    assert_eq!(code(&output), 3);
    assert!(err(&output).contains("bodies.toml, line 11: side_mm = 160000: that is 160 m"), "{}", err(&output));
}

#[test]
fn new_writes_a_job_and_never_overwrites() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    let folder = folder.to_str().unwrap();
    let output = plumbsight(&["new", folder]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert!(out(&output).contains("plumbsight check"));
    let output = plumbsight(&["new", folder]);
    assert!(code(&output) == 3 && err(&output).contains("already"), "{}", err(&output));
    // Nothing of the examples counts, and all that waits is named at once.
    let output = plumbsight(&["check", folder]);
    assert!(code(&output) == 3 && err(&output).contains("wheelbase_mm = ENTER` waits"), "{}", err(&output));
    assert!(err(&output).contains("run_out_deg (line"), "{}", err(&output));
    // Without photographs the next step is said.
    for (name, text) in plumbsight::record::TEMPLATE {
        std::fs::write(std::path::Path::new(folder).join(name), plumbsight::record::with_examples(text)).unwrap();
    }
    let output = plumbsight(&["check", folder]);
    assert!(code(&output) == 3 && err(&output).contains("no photographs"), "{}", err(&output));
}

#[test]
fn a_kit_beside_a_job_says_which_line_uses_it() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("job");
    let folder = folder.to_str().unwrap();
    assert_eq!(code(&plumbsight(&["new", folder])), 0);
    let output = plumbsight(&["sheets", folder]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    assert!(out(&output).contains("`bodies = \"bodies-from-kit.toml\"`") && out(&output).contains("job.toml"));
}

#[test]
fn tags_are_printed_as_documented() {
    let image = repository("fixtures/bay-a/photos/001.jpg");
    let lens = repository("calib/invented-webcam.toml");
    let (image, lens) = (image.to_str().unwrap(), lens.to_str().unwrap());
    let dir = tempfile::tempdir().unwrap();
    let small = dir.path().join("small.png");
    image::GrayImage::from_pixel(64, 48, image::Luma([128])).save(&small).unwrap();
    let small = small.to_str().unwrap();

    let output = plumbsight(&["tags", "--lens", lens, image]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let found = &json[image];
    assert!(found["ms"].as_f64().unwrap() > 0.0);
    let tags = found["detections"].as_array().unwrap();
    let ids: Vec<u64> = tags.iter().map(|t| t["id"].as_u64().unwrap()).collect();
    // Source: the scene's own list of visible tags in this photograph.
    for id in [10, 100, 101, 102, 110, 111, 112, 113] {
        assert!(ids.contains(&id), "tag {id} is missing: {ids:?}");
    }
    for tag in tags {
        assert_eq!((tag["corners"].as_array().unwrap().len(), tag["covariance"].as_array().unwrap().len()), (4, 8));
    }
    // An image of another size than the profile, and one that is not there: named, while the others are searched.
    let output = plumbsight(&["tags", "--lens", lens, small, "missing.jpg", image]);
    assert_eq!(code(&output), 3);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert!(json[small]["error"].as_str().unwrap().contains("64 x 48"));
    assert!(json["missing.jpg"]["error"].as_str().unwrap().contains("no such file"));
    assert_eq!(json[image]["detections"].as_array().unwrap().len(), tags.len());
    // Without a lens a blank image is an answer, not an error.
    let output = plumbsight(&["tags", small]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((code(&output), json[small]["detections"].as_array().unwrap().len()), (0, 0));
}

/// What `--trace` writes can be opened, is of the image's size, and its list tells found tags from refused quadrilaterals.
/// Which tags are in each picture, a line for each; a folder is not taken for a picture.
#[test]
fn tags_are_listed_in_a_line() {
    let dir = bay_with(&[5]);
    let photo = dir.path().join("photos/005.jpg");
    let output = plumbsight(&["tags", "--list", photo.to_str().unwrap()]);
    let json = plumbsight(&["tags", photo.to_str().unwrap()]);
    let json: serde_json::Value = serde_json::from_str(&out(&json)).unwrap();
    let n = json[photo.to_str().unwrap()]["detections"].as_array().unwrap().len();
    assert!(n > 5 && out(&output).contains(&format!("005.jpg: {n} tags: ")), "{}", out(&output));
    let output = plumbsight(&["tags", dir.path().join("photos").to_str().unwrap()]);
    assert!(
        code(&output) == 3 && err(&output).contains("Name the photographs in it: FOLDER/*.jpg"),
        "{}",
        err(&output)
    );
}

#[test]
fn a_trace_shows_every_stage() {
    let image = repository("fixtures/bay-a/photos/001.jpg");
    let dir = tempfile::tempdir().unwrap();
    let look = dir.path().join("look");
    let output = plumbsight(&["tags", "--trace", look.to_str().unwrap(), image.to_str().unwrap()]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let tags = json[image.to_str().unwrap()]["detections"].as_array().unwrap().len();
    for name in ["1-dark.png", "2-outlines.png", "3-quads.png", "5-corners.png"] {
        assert_eq!(image::image_dimensions(look.join("001.jpg").join(name)).unwrap(), (1920, 1080), "{name}");
    }
    assert!(image::open(look.join("001.jpg/4-cells.png")).unwrap().width() > 60);
    let listed = std::fs::read(look.join("001.jpg/candidates.json")).unwrap();
    let listed: Vec<serde_json::Value> = serde_json::from_slice(&listed).unwrap();
    let with = |outcome: &str| listed.iter().filter(|c| c["outcome"] == outcome).count();
    assert!(tags >= 8 && with("found") == tags && with("at a glance no tag") > 0, "{tags} tags");
}

fn result_of(folder: &Path) -> ResultFile {
    serde_json::from_slice(&std::fs::read(folder.join("result.json")).unwrap()).unwrap()
}

/// The shipped demonstration: the whole job, then the same folder with a tighter and with a shifted demand.
#[test]
fn demo_runs_the_whole_job_and_the_exit_code_says_the_verdict() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("bay");
    let path = folder.to_str().unwrap();
    let output = plumbsight(&["demo", "--into", path]);
    let text = out(&output);
    assert_eq!(code(&output), 0, "{text}{}", err(&output));
    for part in ["● IN TOLERANCE: centre", "U (95 %)", "thrust line", "30 of 30 photographs", "does not calibrate"] {
        assert!(text.contains(part), "{part}: {text}");
    }
    assert!(text.lines().filter(|l| !l.contains(path)).all(|l| l.chars().count() <= 80), "{text}");
    // Into a pipe the photographs are told of when all are done, and nothing stays at its beginning.
    assert!(
        err(&output).contains("30 of 30\ntying the photographs together") && !err(&output).contains(": 0 of"),
        "{}",
        err(&output)
    );
    assert!(!text.contains("\n\n\n"), "two empty lines: {text}");
    // What the README shows of it is what comes out.
    let readme = std::fs::read_to_string(common::repository("README.md")).unwrap();
    let shown: Vec<&str> =
        readme.lines().filter(|l| l.starts_with("distance   ") || l.contains("required    measured")).collect();
    assert!(shown.len() == 2 && shown.iter().all(|l| text.contains(l)), "{shown:?}\n{text}");
    let result = result_of(&folder);
    assert_eq!(result.verdict, Verdict::In);
    assert!(result.caution.contains("does not calibrate"));

    // The truth lies within U of what was found. Source: the maker of the scene (fixtures/bay-a/README.md).
    let d = &result.stations[0].deviations;
    for (found, truth) in d.each().into_iter().zip([-0.5, 0.7, 0.0, 0.015, 0.0, 0.0]) {
        let (name, _, found) = found;
        assert!(
            (found.deviation - truth).abs() <= found.expanded,
            "{name}: {} against {truth}, U {}",
            found.deviation,
            found.expanded
        );
        assert!(
            (found.measured - found.required - found.deviation).abs() < 1e-6
                || name == "yaw"
                || name == "pitch"
                || name == "roll"
        );
        let percent: f64 = found.shares.iter().map(|s| s.percent_of_variance).sum();
        assert!((95.0..=100.1).contains(&percent), "{name}: the shares make {percent} %");
    }
    // The same again: the same result, bit by bit.
    let first = std::fs::read(folder.join("result.json")).unwrap();
    let again = plumbsight(&["check", path, "--json", "-"]);
    assert_eq!(again.stdout, first);

    // A demand 40 mm to the side: out, and the move says so.
    edit(&folder.join("placement.toml"), "lateral_mm = 0.0", "lateral_mm = 40.0");
    let output = plumbsight(&["check", path]);
    assert_eq!(code(&output), 1, "{}", out(&output));
    assert!(
        out(&output).contains("▲ OUT OF TOLERANCE") && out(&output).contains("towards the car's left"),
        "{}",
        out(&output)
    );
    // A tolerance below what this set-up can show: not proven, with a remedy.
    edit(&folder.join("placement.toml"), "lateral_mm = 40.0", "lateral_mm = 0.0");
    edit(&folder.join("placement.toml"), "yaw_deg = 0.25", "yaw_deg = 0.02");
    let output = plumbsight(&["check", path]);
    assert_eq!(code(&output), 2, "{}", out(&output));
    assert!(out(&output).contains("◆ NOT PROVEN") && out(&output).contains("To prove yaw"), "{}", out(&output));
    // The demonstration does not overwrite what was changed.
    let output = plumbsight(&["demo", "--into", path]);
    assert!(code(&output) == 3 && err(&output).contains("placement.toml"), "{}", err(&output));
}

#[test]
fn without_a_measurement_the_code_is_4_and_the_result_says_so() {
    let dir = bay_with(&[5]);
    let path = dir.path().to_str().unwrap();
    let output = plumbsight(&["check", path]);
    assert_eq!(code(&output), 4);
    assert!(out(&output).is_empty(), "{}", out(&output));
    assert_eq!(err(&output).matches("Only one photograph can be used").count(), 1, "{}", err(&output));
    assert_eq!(result_of(dir.path()).verdict, Verdict::NotMeasured);
    let output = plumbsight(&["survey", path]);
    assert!(
        code(&output) == 4 && out(&output).is_empty() && err(&output).contains("Only one photograph"),
        "{}",
        err(&output)
    );
}

/// Two jobs in one folder: each has a result of its own, and a report.
#[test]
fn a_second_job_in_the_folder_has_its_own_result() {
    let dir = bay_with(&[5]);
    let first = dir.path().join("job.toml");
    let second = dir.path().join("job-b.toml");
    let text = std::fs::read_to_string(&first).unwrap();
    std::fs::write(&second, text.replacen("title = \"", "title = \"Second: ", 1)).unwrap();
    assert_eq!(code(&plumbsight(&["check", dir.path().to_str().unwrap()])), 4);
    let before = std::fs::read(dir.path().join("result.json")).unwrap();
    let output = plumbsight(&["report", second.to_str().unwrap(), "--short"]);
    assert!(code(&output) == 3 && err(&output).contains("plumbsight check"), "not the other one's: {}", err(&output));
    assert!(err(&output).contains("no result-job-b.json beside it"), "{}", err(&output));
    let output = plumbsight(&["check", second.to_str().unwrap()]);
    assert!(code(&output) == 4 && err(&output).contains("result-job-b.json"), "{}", err(&output));
    assert_eq!(std::fs::read(dir.path().join("result.json")).unwrap(), before);
    for (job, title) in [(first.as_path(), false), (dir.path(), false), (&second, true)] {
        let output = plumbsight(&["report", job.to_str().unwrap(), "--short"]);
        assert!(code(&output) == 0 && out(&output).contains("Second: ") == title, "{}{}", out(&output), err(&output));
    }
    // The readiness list is the folder's, by whichever job it is asked; what is measured is each job's own.
    let output = plumbsight(&["ready", second.to_str().unwrap(), "--done", "doors-closed"]);
    assert!(code(&output) == 2 && out(&output).contains("[x] doors-closed"), "{}{}", out(&output), err(&output));
    let shown = |job: &Path| out(&plumbsight(&["ready", job.to_str().unwrap()])).to_owned();
    assert!(shown(dir.path()).contains("[x] doors-closed"));
    let output = plumbsight(&["ready", dir.path().join("photos").join("005.jpg").to_str().unwrap()]);
    assert!(code(&output) == 3 && err(&output).contains("no such job folder"), "{}", err(&output));
}

#[test]
fn survey_writes_bodies_photographs_and_covariance() {
    let all: Vec<usize> = (1..=30).collect();
    let dir = bay_with(&all);
    let output = plumbsight(&["survey", dir.path().to_str().unwrap()]);
    assert_eq!(code(&output), 0, "{}", err(&output));
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let n = json["bodies"].as_array().unwrap().len();
    assert_eq!((json["format"].as_str().unwrap(), n), ("plumbsight/survey/1", 17));
    assert_eq!(json["photographs"].as_array().unwrap().len(), 30);
    let rows = json["covariance"]["matrix_rad_m"].as_array().unwrap();
    assert_eq!(rows.len(), 6 * n);
    let at = |i: usize, j: usize| rows[i][j].as_f64().unwrap();
    for i in 0..6 * n {
        assert!(at(i, i) >= 0.0);
        for j in 0..i {
            assert!((at(i, j) - at(j, i)).abs() <= 1e-9 * (at(i, i) * at(j, j)).sqrt() + 1e-30);
        }
    }
    assert!(json["views"].as_array().unwrap().len() > 200);
}
