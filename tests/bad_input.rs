//! What people get wrong: every fault gets one message that names the file, the line where there is one, the thing and the remedy;
//! what can honestly be used still is.

mod common;

use common::{bay_with, edit, line_of, repository};
use plumbsight::record::result::{ResultFile, Verdict};
use plumbsight::record::{Problem, Purpose, read_job};
use plumbsight::units::mm_from_m;
use std::path::Path;

/// The template job with one edit must be refused: in `file`, at the line that holds `marker` first (where one is given), saying `says`.
#[track_caller]
fn refused(file: &str, from: &str, to: &str, marker: &str, says: &str) {
    let dir = tempfile::tempdir().unwrap();
    common::write_template(dir.path());
    std::fs::write(dir.path().join("photos/1.jpg"), "x").unwrap();
    let path = dir.path().join(file);
    edit(&path, from, to);
    let problem = match read_job(dir.path(), Purpose::Verdict) {
        Err(problem) => problem,
        Ok(_) => panic!("{to:?} was accepted"),
    };
    complete(&problem, file, says);
    if !marker.is_empty() {
        assert_eq!(problem.line, Some(line_of(&path, marker)), "{problem}");
    }
}

#[track_caller]
fn complete(problem: &Problem, file: &str, says: &str) {
    let text = problem.to_string();
    assert!(problem.file.ends_with(file), "{text}");
    assert!(text.contains(says), "{text}");
    assert!(problem.remedy.ends_with(['.', '"', ')']) && problem.remedy.len() > 10, "no remedy: {text}");
    assert!(!text.contains('\n'), "{text}");
}

#[test]
fn keys_and_kinds() {
    refused("job.toml", "title =", "titel =", "titel", "unknown key `titel`");
    refused("bodies.toml", "u_place_mm = 0.2 ", "u_place = 0.2 ", "u_place = 0.2", "unknown key `u_place`");
    refused("placement.toml", "revision = ", "# revision = ", "", "missing key `revision`");
    refused("placement.toml", "yaw_deg = 0.5\n", "yaw = 0.5\n", "yaw = 0.5", "unknown key `yaw`");
    refused("lens.toml", "fx_px = 1400.0", "fx = 1400.0", "fx = 1400.0", "unknown key `fx`");
    refused("job.toml", "format = \"plumbsight/job/1\"\n", "", "", "`format` is missing");
    refused(
        "lens.toml",
        "plumbsight/lens/1",
        "plumbsight/job/1",
        "format",
        "this is a job file and a lens file is needed",
    );
    refused("placement.toml", "placement/1", "placement/7", "format", "version 7");
    // What a person writes who does not write such files every day.
    refused("job.toml", "run_out_deg = 0.5 ", "run_ouut_deg = 0.5 ", "run_ouut_deg", "Did you mean `run_out_deg`?");
    refused(
        "placement.toml",
        "height_mm = 1000.0",
        "height_cm = 100",
        "height_cm",
        "write `height_mm`, with ten times the number",
    );
    refused("placement.toml", "height_mm = 1000.0", "height_mm = 1000 mm", "1000 mm", "has a unit behind the number");
    refused("placement.toml", "target = \"stand\"", "target = “stand”", "“stand”", "curly quotes");
    refused("job.toml", "at = \"rear-right\"", "at = \"rear right\"", "rear right", "Did you mean \"rear-right\"?");
    refused("job.toml", "run_out_deg = 0.5 ", "run_out_deg = 0,5 ", "0,5", "decimal comma");
    refused("bodies.toml", "side_mm = 160.0", "side_mm = \"160 mm\"", "160 mm", "\"160 mm\" and must be a number");
    refused("bodies.toml", "side_mm = 160.0", "side_mm = nan", "nan", "not a finite number");
    refused("bodies.toml", "kind = \"plate\" ", "kind = \"disc\" ", "disc", "disc");
    refused(
        "job.toml",
        "run_out_deg = 0.5 ",
        "# run_out_deg = 0.5 ",
        "[[vehicle.wheels]]",
        "missing key `run_out_deg`",
    );
}

#[test]
fn impossible_numbers() {
    refused("bodies.toml", "side_mm = 160.0", "side_mm = 160000.0", "160000", "side_mm = 160000: that is 160 m");
    refused("bodies.toml", "side_mm = 200.0", "side_mm = 0.2", "side_mm = 0.2", "that is 0.0002 m");
    refused("bodies.toml", "\nu_uneven_mm = 0.5 ", "\nu_uneven_mm = 0.0005 ", "0.0005", "multiply metres by 1000");
    refused(
        "job.toml",
        "stand_off_mm = 185.0",
        "hub_mm = [0,4, 1,7, -184,8]",
        "hub_mm",
        "has 6 numbers here and needs 3",
    );
    refused("job.toml", "stand_off_mm = 185.0", "stand_off_mm = 0.185", "0.185", "in millimetres");
    refused("bodies.toml", "\nthickness_mm = 1.0 ", "\nthickness_mm = 0.001 ", "0.001", "multiply metres by 1000");
    refused("job.toml", "stand_off_mm = 185.0", "stand_off_mm = 7.28", "7.28", "inches by 25.4");
    refused("job.toml", "stand_off_mm = 185.0", "hub_mm = [0.0004, 0.0017, -0.1848]", "0.0017", "only 0.2 mm");
    refused("job.toml", "run_out_deg = 0.5", "run_out_deg = -0.5", "-0.5", "`run_out_deg = -0.5` is not possible");
    refused("job.toml", "wheelbase_mm = 2650.0", "wheelbase_mm = 2.65", "2.65", "Wheelbases are in millimetres");
    refused(
        "placement.toml",
        "distance_mm = 10.0",
        "distance_mm = 0.0",
        "distance_mm = 0.0",
        "tolerance distance_mm = 0",
    );
    refused("placement.toml", "yaw_deg = 0.5", "yaw_deg = -0.5", "-0.5", "greater than zero");
    refused("placement.toml", "yaw_deg = 0.5", "yaw_deg = 15", "= 15", "60 arc minutes are one degree");
    refused("placement.toml", "distance_mm = 1600.0", "distance_mm = 1600000.0", "1600000", "that is 1600 m");
    // Metres, radians.
    refused("placement.toml", "distance_mm = 1600.0", "distance_mm = 1.6", "= 1.6", "1.6 m would be 1600");
    refused("placement.toml", "height_mm = 1000.0", "height_mm = 1", "height_mm = 1 ", "1 m would be 1000");
    refused("placement.toml", "lateral_mm = 0.0", "lateral_mm = -0.45", "-0.45", "-0.45 m would be -450");
    refused("placement.toml", "distance_mm = 10.0", "distance_mm = 0.01", "0.01", "this looks like metres");
    refused("placement.toml", "yaw_deg = 0.5", "yaw_deg = 0.0087", "0.0087", "this looks like radians");
    refused(
        "placement.toml",
        "datum = \"front-axle\"",
        "datum = \"point\"\ndatum_point_mm = [3.6, 0.0, 0.5]\nu_datum_mm = 1.0",
        "[3.6",
        "these look like metres",
    );
    refused("bodies.toml", "u_common_mm_per_m = 0.5", "u_common_mm_per_m = -1", "-1", "not possible");
    refused("lens.toml", "cx_px = 959.5", "cx_px = 9595.0", "fx_px", "cannot be a lens");
    refused("lens.toml", "sigma = [2.0", "sigma = [-2.0", "sigma = [-2.0", "fx is negative");
}

#[test]
fn tags_and_bodies() {
    refused("bodies.toml", "id = 42", "id = 587", "587", "no tag 587");
    refused("bodies.toml", "id = 42", "id = -1", "id = -1", "no tag -1");
    refused("bodies.toml", "ids = \"100-107\"", "ids = \"107-100\"", "107-100", "not a range");
    refused("bodies.toml", "ids = \"100-107\"", "ids = \"500-600\"", "500-600", "no tag 587");
    refused(
        "bodies.toml",
        "ids = \"100-107\"",
        "ids = [100, 101, 100]",
        "[100, 101, 100]",
        "tag 100 is declared twice",
    );
    refused("bodies.toml", "ids = \"100-107\"", "ids = []", "ids = []", "list of ids is empty");
    refused("bodies.toml", "ids = \"100-107\"", "ids = \"0-999999999999\"", "999999999999", "not a range");
    refused("bodies.toml", "name = \"plate rear right\"", "name = \"plate rear left\"", "", "declared twice");
    refused("bodies.toml", "side_mm = 200.0", "side_mm = 100.0", "side_mm = 100.0", "corners are 200.00 mm apart");
    refused("bodies.toml", "[100, 100, 0]", "[100, 130, 0]", "130", "mm from a square");
    refused("bodies.toml", "right = [1, 0, 0]", "right = [0, 1, 0]", "right = [0, 1, 0]", "right angle");
    refused("bodies.toml", "up = [0, 1, 0]\n", "", "id = 11", "belong together");
    refused("bodies.toml", "centre_mm = [0, 480, 220]", "place = \"free\"", "id = 40", "2 ways");
    refused(
        "bodies.toml",
        "[[prints]]\n",
        "[[prints]]\nname = \"other\"\nu_common_mm_per_m = 0\nu_each_mm_per_m = 0\n[[prints]]\n",
        "[[floor]]",
        "several print groups",
    );
    refused(
        "bodies.toml",
        "u_place_mm = 0.2 ",
        "print = \"kit 9\"\nu_place_mm = 0.2 ",
        "kit 9",
        "no print group \"kit 9\"",
    );
}

#[test]
fn car_and_placement() {
    refused(
        "job.toml",
        "plate = \"plate rear right\"",
        "plate = \"plate front\"",
        "plate front",
        "no body \"plate front\"",
    );
    refused("job.toml", "plate = \"plate rear right\"", "plate = \"stand\"", "plate = \"stand\"", "not a wheel plate");
    refused("job.toml", "plate = \"plate rear right\"", "plate = \"plate rear left\"", "", "rear left wheel already");
    refused("job.toml", "at = \"rear-right\"", "at = \"rear-left\"", "", "declared twice");
    // The centre of the wheel on the wrong side of the plate.
    refused(
        "job.toml",
        "stand_off_mm = 185.0 ",
        "hub_mm = [0.0, 0.0, 185.0] ",
        "hub_mm = [0.0, 0.0, 185.0]",
        "lies outside the car",
    );
    refused(
        "job.toml",
        "at = \"rear-right\"",
        "at = \"front-right\"",
        "[vehicle]",
        "no plate is declared on the rear right wheel",
    );
    refused("job.toml", "at = \"rear-right\"", "at = \"right\"", "at = \"right\"", "right");
    refused("job.toml", "u_wheelbase_mm = 2.0\n", "", "wheelbase_mm", "without its uncertainty");
    refused("placement.toml", "target = \"stand\"", "target = \"plate rear left\"", "target = \"plate", "not a stand");
    refused(
        "placement.toml",
        "source = \"replace: title and place of publication of the carmaker's procedure\"",
        "source = \" \"",
        "source = ",
        "`source` is empty",
    );
    refused(
        "placement.toml",
        "datum = \"front-axle\"",
        "datum = \"point\"",
        "datum = \"point\"",
        "`datum_point_mm` is missing",
    );
    refused(
        "placement.toml",
        "datum = \"front-axle\"",
        "datum = \"body\"\ndatum_body = \"bumper\"",
        "datum_body = \"bumper\"",
        "no body \"bumper\"",
    );
    refused(
        "placement.toml",
        "datum = \"front-axle\"",
        "datum = \"rear-axle\"\nlateral_from = \"datum\"",
        "lateral_from = \"datum\"",
        "needs a datum that is a point",
    );
    refused(
        "placement.toml",
        "[[stations]]",
        "[[stations]]\nname = \"centre\"\ntarget = \"stand\"\ndatum = \"rear-axle\"\ndistance_mm = 1500.0\nlateral_mm = 1.0\nheight_mm = 900.0\n[[stations]]",
        "",
        "used twice",
    );
}

#[test]
fn the_front_axle_must_be_somewhere() {
    let dir = tempfile::tempdir().unwrap();
    common::write_template(dir.path());
    std::fs::write(dir.path().join("photos/1.jpg"), "x").unwrap();
    edit(&dir.path().join("job.toml"), "\nwheelbase_mm = 2650.0\nu_wheelbase_mm = 2.0\n", "\n");
    complete(&read_job(dir.path(), Purpose::Verdict).unwrap_err(), "placement.toml", "wheelbase_mm");
}

#[test]
fn files_stay_in_the_folder() {
    refused(
        "job.toml",
        "placement = \"placement.toml\"",
        "placement = \"../placement.toml\"",
        "../placement",
        "leads out of the job folder",
    );
    refused("job.toml", "lens = \"lens.toml\"", "lens = \"/etc/hostname\"", "/etc/hostname", "not relative");
    refused("job.toml", "bodies = \"bodies.toml\"", "bodies = \"body.toml\"", "body.toml", "no such file");
    refused("job.toml", "files = [\"photos/*\"]", "files = [\"../*.jpg\"]", "../*.jpg", "leads out of the job folder");
    refused("job.toml", "files = [\"photos/*\"]", "files = [\"pictures/*\"]", "[[photographs]]", "no photographs");
    refused("job.toml", "lens = \"lens.toml\"", "# lens", "", "no lens profile is named");
    refused(
        "job.toml",
        "files = [\"photos/*\"]",
        "files = [\"photos\\new.jpg\"]",
        "photos\\new",
        "between folders stands /",
    );
    refused("job.toml", "files = [\"photos/*\"]", "files = [\"photos\\u1.jpg\"]", "photos\\u1", "has a backslash");
    let problem = read_job(Path::new("no-such-job"), Purpose::Verdict).unwrap_err();
    complete(&problem, "no-such-job", "no such job folder");
    refused("job.toml", "files = [\"photos/*\"]", "files = [\"photos\\001.jpg\"]", "photos\\001", "has a backslash");
    // Where endings are hidden an editor's own stays unseen.
    for (name, missing) in [("job.toml.txt", "job.toml"), ("Bodies.TOML", "bodies.toml")] {
        let folder = tempfile::tempdir().unwrap();
        common::write_template(folder.path());
        std::fs::rename(folder.path().join(missing), folder.path().join(name)).unwrap();
        let problem = read_job(folder.path(), Purpose::Verdict).unwrap_err();
        assert!(problem.what.contains(name) && problem.remedy.contains("Rename"), "{problem}");
        if missing == "job.toml" {
            let problem = read_job(&folder.path().join(missing), Purpose::Verdict).unwrap_err();
            assert!(problem.what.contains(name) && problem.remedy.contains("Rename"), "{problem}");
        }
    }
    // A link whose goal is gone has the very name.
    #[cfg(unix)]
    {
        let folder = tempfile::tempdir().unwrap();
        common::write_template(folder.path());
        std::fs::remove_file(folder.path().join("bodies.toml")).unwrap();
        std::os::unix::fs::symlink("nowhere.toml", folder.path().join("bodies.toml")).unwrap();
        let problem = read_job(folder.path(), Purpose::Verdict).unwrap_err();
        assert!(problem.what.contains("no such file") && !problem.remedy.contains("Rename"), "{problem}");
    }
}

#[cfg(unix)]
#[test]
fn links_out_of_the_folder_are_refused() {
    let outside = tempfile::tempdir().unwrap();
    let dir = tempfile::tempdir().unwrap();
    common::write_template(dir.path());
    std::fs::write(dir.path().join("photos/1.jpg"), "x").unwrap();
    std::fs::write(outside.path().join("2.jpg"), "x").unwrap();
    std::os::unix::fs::symlink(outside.path().join("2.jpg"), dir.path().join("photos/2.jpg")).unwrap();
    // A photograph is left out with a notice, the others are used.
    let job = read_job(dir.path(), Purpose::Verdict).unwrap();
    assert_eq!(job.photos.len(), 1);
    assert!(job.notices[0].about.contains("2.jpg") && job.notices[0].text.contains("leads out"), "{:?}", job.notices);
    // A file of the job is refused.
    std::fs::rename(dir.path().join("lens.toml"), outside.path().join("lens.toml")).unwrap();
    std::os::unix::fs::symlink(outside.path().join("lens.toml"), dir.path().join("lens.toml")).unwrap();
    complete(&read_job(dir.path(), Purpose::Verdict).unwrap_err(), "job.toml", "a link that leads out");
}

#[test]
fn lenses_and_stations_of_photographs() {
    refused(
        "job.toml",
        "# station = \"centre\"           #",
        "station = \"left\" #",
        "\"left\"",
        "no station \"left\"",
    );
    refused("job.toml", "# station = \"centre\"           #", "lens = \"phone\" #", "phone", "no lens \"phone\"");
    refused(
        "job.toml",
        "lens = \"lens.toml\" ",
        "lenses = { a = \"lens.toml\", b = \"lens.toml\" } ",
        "[[photographs]]",
        "lens = one of \"a\", \"b\"",
    );
    let second = "[[stations]]\nname = \"right\"\ntarget = \"stand\"\ndatum = \"rear-axle\"\ndistance_mm = 1500.0\nlateral_mm = 1.0\nheight_mm = 900.0\n[[stations]]";
    let dir = tempfile::tempdir().unwrap();
    common::write_template(dir.path());
    std::fs::write(dir.path().join("photos/1.jpg"), "x").unwrap();
    edit(&dir.path().join("placement.toml"), "[[stations]]", second);
    complete(&read_job(dir.path(), Purpose::Verdict).unwrap_err(), "job.toml", "one stand serves several stations");
    edit(&dir.path().join("job.toml"), "# station = \"centre\"           #", "station = \"centre\" #");
    let job = read_job(dir.path(), Purpose::Verdict).unwrap();
    assert_eq!((job.photos[0].station, job.moved_between_stations.len()), (1, 1));
}

#[test]
fn a_tag_declared_twice_names_both_places() {
    let dir = tempfile::tempdir().unwrap();
    common::write_template(dir.path());
    std::fs::write(dir.path().join("photos/1.jpg"), "x").unwrap();
    let path = dir.path().join("bodies.toml");
    let first = line_of(&path, "id = 10");
    edit(&path, "id = 11", "id = 10");
    let problem = read_job(dir.path(), Purpose::Verdict).unwrap_err();
    complete(&problem, "bodies.toml", "tag 10 is declared twice");
    assert!(problem.what.contains("\"plate rear left\"") && problem.what.contains("\"plate rear right\""), "{problem}");
    assert!(problem.what.contains(&format!("(line {first})")), "{problem}");
    // A floor sheet against a body, named by its list.
    edit(&path, "id = 10", "id = 104");
    let problem = read_job(dir.path(), Purpose::Verdict).unwrap_err();
    complete(&problem, "bodies.toml", "floor sheet 104");
}

fn check(folder: &Path) -> ResultFile {
    plumbsight::session::check(&read_job(folder, Purpose::Verdict).unwrap(), &|_| ())
}

/// The notice about a file or thing.
#[track_caller]
fn notice<'a>(result: &'a ResultFile, about: &str) -> &'a str {
    let found = result.notices.iter().find(|n| n.about.contains(about));
    &found.unwrap_or_else(|| panic!("no notice about {about}: {:?}", result.notices)).text
}

/// One job with every fault a photograph can have: each is named, the rest is measured as if the faulty ones were not there.
#[test]
fn faulty_photographs_are_named_and_the_others_used() {
    let all: Vec<usize> = (1..=30).collect();
    let dir = bay_with(&all);
    let photo = |name: &str| dir.path().join("photos").join(name);
    // Cut off in the middle.
    let whole = std::fs::read(photo("004.jpg")).unwrap();
    std::fs::write(photo("004.jpg"), &whole[..whole.len() / 2]).unwrap();
    // Another size; turned; a text; a PNG with a .jpg name.
    let picture = image::open(photo("009.jpg")).unwrap().into_luma8();
    image::imageops::resize(&picture, 960, 540, image::imageops::FilterType::Triangle).save(photo("013.jpg")).unwrap();
    image::imageops::rotate90(&picture).save(photo("016.jpg")).unwrap();
    picture.save_with_format(photo("009.jpg"), image::ImageFormat::Png).unwrap();
    std::fs::write(photo("021.jpg"), "no picture at all").unwrap();
    // One photograph twice.
    std::fs::copy(photo("001.jpg"), photo("030-copy.jpg")).unwrap();
    // Listed and not there.
    edit(&dir.path().join("job.toml"), "[\"photos/*.jpg\"]", "[\"photos/*.jpg\", \"photos/031.jpg\", \"more/*.jpg\"]");
    // Declared and never seen.
    let bodies = std::fs::read_to_string(dir.path().join("bodies.toml")).unwrap();
    let never = "[[body]]\nname = \"post\"\nkind = \"other\"\n[[body.tags]]\nid = 300\nside_mm = 160.0\ncentre_mm = [0, 0, 0]\nright = [1, 0, 0]\nup = [0, 1, 0]\n";
    std::fs::write(dir.path().join("bodies.toml"), format!("{bodies}\n{never}")).unwrap();

    let result = check(dir.path());
    for (about, says) in [
        ("004.jpg", "cut off"),
        ("013.jpg", "960 x 540 pixels"),
        ("013.jpg", "1920 x 1080"),
        ("016.jpg", "turned on their side"),
        ("021.jpg", "neither a JPEG nor a PNG"),
        ("009.jpg", "content is PNG"),
        ("031.jpg", "no such file"),
        ("030-copy.jpg", "a copy of photos/001.jpg: one photograph counts once"),
        ("more/*.jpg", "No file matches"),
        ("post", "Not measured"),
    ] {
        let text = notice(&result, about);
        assert!(text.contains(says), "{about}: {text}");
        assert!(text.ends_with('.'), "{about}: {text}");
    }
    let used = |name: &str| result.photographs.iter().find(|p| p.name == name).unwrap().used;
    for refused in ["photos/004.jpg", "photos/013.jpg", "photos/016.jpg", "photos/021.jpg", "photos/031.jpg"] {
        assert!(!used(refused), "{refused}");
    }
    assert!(used("photos/009.jpg") && used("photos/001.jpg"));
    assert_eq!(result.photographs.iter().filter(|p| p.used).count(), 26);
    assert_ne!(result.verdict, Verdict::NotMeasured, "{:?}", result.not_measured);
}

/// What is wrong with all photographs is said once, and the verdict's line says it too.
#[test]
fn what_all_photographs_lack_is_said_once() {
    let dir = bay_with(&[1, 4, 8, 12]);
    let photo = |k: usize| dir.path().join(format!("photos/{k:03}.jpg"));
    let why = |result: &ResultFile| result.not_measured.clone().unwrap();
    // Nothing but grey: no tag anywhere.
    let grey = image::GrayImage::from_pixel(1920, 1080, image::Luma([90]));
    [1, 4, 8, 12].iter().for_each(|k| grey.save(photo(*k)).unwrap());
    let result = check(dir.path());
    let said = why(&result);
    assert!(
        said.contains("No tag at all")
            && said.contains("4 photographs")
            && said.contains("tags --trace DIR photos/001.jpg`, run in the job folder,"),
        "{said}"
    );
    // Turned, all of them: one notice that names all.
    [1, 4, 8, 12].iter().for_each(|k| image::imageops::rotate90(&grey).save(photo(*k)).unwrap());
    let result = check(dir.path());
    assert!(!result.notices.iter().any(|n| n.text.contains("turned on their side")), "{:?}", result.notices);
    assert!(
        why(&result).contains("None of the 4 photographs") && why(&result).contains("turned on their side"),
        "{}",
        why(&result)
    );
    // Most of them, and not all: one notice that names them.
    std::fs::copy(repository("fixtures/bay-a/photos/001.jpg"), photo(1)).unwrap();
    let result = check(dir.path());
    let turned: Vec<_> = result.notices.iter().filter(|n| n.text.contains("turned on their side")).collect();
    let [one] = turned.as_slice() else { panic!("{:?}", result.notices) };
    assert_eq!(one.about, "photos/004.jpg, photos/008.jpg, photos/012.jpg (3)");
    // What came off a phone: the first bytes are those of a HEIC file by ISO/IEC 23008-12.
    [1, 4, 8, 12]
        .iter()
        .for_each(|k| std::fs::write(photo(*k), b"\0\0\0\x18ftypheic\0\0\0\0mif1heic\0\0\x01\0meta").unwrap());
    let said = why(&check(dir.path()));
    assert!(said.contains("it is a HEIC image") && said.contains("Set the camera to JPEG"), "{said}");
    // Tags, and none that the kit declares.
    let dir = bay_with(&[1, 4, 8]);
    let bodies = dir.path().join("bodies.toml");
    let text = std::fs::read_to_string(&bodies).unwrap();
    let ids = text.lines().filter_map(|l| l.strip_prefix("id = ")).count();
    assert!(ids > 4, "{text}");
    let mut next = 500;
    let moved: Vec<String> = text
        .lines()
        .map(|l| match l {
            l if l.starts_with("id = ") => {
                next += 1;
                format!("id = {next}")
            }
            l if l.starts_with("ids = ") => "ids = [480, 481]".to_owned(),
            l => l.to_owned(),
        })
        .collect();
    std::fs::write(&bodies, moved.join("\n")).unwrap();
    let said = why(&check(dir.path()));
    assert!(
        said.contains("bodies.toml declares none of them") && said.ends_with("declare these in bodies.toml."),
        "{said}"
    );
}

#[test]
fn one_photograph_is_not_enough() {
    let dir = bay_with(&[5]);
    let result = check(dir.path());
    assert_eq!(result.verdict, Verdict::NotMeasured);
    let why = result.not_measured.unwrap();
    assert!(why.contains("photos/005.jpg") && why.contains("Take more"), "{why}");
    // None at all that can be read.
    std::fs::write(dir.path().join("photos/005.jpg"), "x").unwrap();
    let result = check(dir.path());
    let why = result.not_measured.unwrap();
    assert!(why.contains("The only photograph, photos/005.jpg") && why.contains("neither a JPEG nor a PNG"), "{why}");
}

#[test]
fn a_network_in_two_pieces_says_what_is_missing() {
    // Photographs from behind the car and from before the stand, none that ties the two.
    let dir = bay_with(&[1, 2, 3, 16, 17]);
    let result = check(dir.path());
    assert_eq!(result.verdict, Verdict::NotMeasured);
    let why = result.not_measured.clone().unwrap();
    assert!(why.len() > 20 && why.ends_with('.'), "{why}");
    // What is not tied in is named, with what to do.
    assert!(
        result.notices.iter().any(|n| n.text.contains("Not measured") || n.text.contains("Not used")),
        "{:?}",
        result.notices
    );
}

#[test]
fn the_shipped_job_itself_is_read_without_a_word() {
    let job = read_job(&repository("fixtures/bay-a"), Purpose::Verdict).unwrap();
    assert_eq!((job.photos.len(), job.notices.len()), (30, 0));
}

/// Where nobody states how well the places of several tags are known they do not count as exact: a steel rule's uncertainty counts, is said, and can be stated.
#[test]
fn places_of_unstated_uncertainty_are_no_exact_ones() {
    use plumbsight::body::TagPlace;
    let dir = bay_with(&[1]);
    let bodies = dir.path().join("bodies.toml");
    let text = std::fs::read_to_string(&bodies).unwrap();
    for (stated, u_mm, said) in
        [("", Some(0.3), true), ("u_place_mm = 0", None, false), ("u_place_mm = 1.0", Some(1.0), false)]
    {
        std::fs::write(&bodies, text.replace("u_place_mm = 0 ", &format!("{stated} "))).unwrap();
        let job = read_job(dir.path(), Purpose::Verdict).unwrap();
        let stand = &job.kit.bodies[job.kit.find_body("stand").unwrap()];
        for tag in &stand.tags {
            match (&tag.place, u_mm) {
                (TagPlace::Measured { cov, .. }, Some(u_mm)) => {
                    assert!((mm_from_m(cov[(3, 3)].sqrt()) - u_mm).abs() < 1e-9, "{stated}: {cov}");
                }
                (TagPlace::Known(_), None) => {}
                (place, _) => panic!("{stated}: {place:?}"),
            }
        }
        // A plate with one tag has its frame from it.
        let plate = &job.kit.bodies[job.kit.find_body("plate rear left").unwrap()];
        assert!(matches!(plate.tags[0].place, TagPlace::Known(_)));
        let notices: Vec<_> = job.notices.iter().filter(|n| n.text.contains("a steel rule")).collect();
        assert_eq!(notices.len(), usize::from(said), "{stated}: {notices:?}");
        assert!(notices.iter().all(|n| n.about.contains("\"stand\"")), "{notices:?}");
    }
}
