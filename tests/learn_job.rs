//! `plumbsight learn` as people run it: photographs of a painted stand to a table that a later job reads; and what is refused, by name.

mod common;

use common::edit;
use plumbsight::body::TagPlace;
use plumbsight::frames::{Body, Pose, Tag};
use plumbsight::record::{Purpose, read_job};
use plumbsight::scene::render::{RenderOptions, photograph};
use plumbsight::scene::stand::{StandOptions, StandScene};
use plumbsight::scene::{Bay, BayOptions};
use plumbsight::units::mm_from_m;
use std::fmt::Write;
use std::path::Path;
use std::process::{Command, Output};

fn scene() -> StandScene {
    let mut options = BayOptions { seed: 5, sigma_place_m: 0.0002, sigma_place_rad: 0.001, ..Default::default() };
    let lens = &mut options.lens;
    (lens.width, lens.height) = (1280, 720);
    (lens.fx, lens.fy, lens.cx, lens.cy) = (920.0, 920.6, 636.3, 361.7);
    let bay = Bay::new(&options).expect("the options are possible");
    let stand = StandOptions { n_photos: 14, face_m: [0.56, 0.18], ..Default::default() };
    StandScene::new(&bay, &stand).expect("the stand can be photographed")
}

/// The job somebody would write: nothing is known of the stand but what is on it.
fn write_job(scene: &StandScene, folder: &Path, paint: bool) {
    let body = &scene.bay.layout.kit.bodies[0];
    let kit = &scene.bay.layout.kit;
    let mut bodies = "format = \"plumbsight/bodies/1\"\n".to_owned();
    for print in &kit.prints {
        writeln!(bodies, "[[prints]]\nname = \"{}\"\nu_common_mm_per_m = 0.3\nu_each_mm_per_m = 0.1", print.name)
            .unwrap();
    }
    writeln!(bodies, "[[body]]\nname = \"stand\"\nkind = \"stand\"").unwrap();
    let mut job = "format = \"plumbsight/job/1\"\nbodies = \"bodies.toml\"\nlens = \"lens.toml\"\n[[photographs]]\nfiles = [\"photos/*\"]\n[learn]\nbody = \"stand\"\n"
        .to_owned();
    for (t, tag) in body.tags.iter().enumerate() {
        let place =
            if t == 0 { "centre_mm = [0, 0, 0]\nright = [1, 0, 0]\nup = [0, 1, 0]" } else { "place = \"free\"" };
        let side_mm = mm_from_m(tag.side_m);
        let print = &kit.prints[tag.print].name;
        writeln!(bodies, "[[body.tags]]\nid = {}\nside_mm = {side_mm}\nprint = \"{print}\"\n{place}", tag.id).unwrap();
    }
    for mark in &scene.marks {
        let [x, y] = mark.in_tag_m.map(mm_from_m);
        let corner = mark.corner.name().replace(' ', "-");
        let (id, u, flat) = (body.tags[mark.tag].id, mm_from_m(mark.u_m), mm_from_m(mark.u_flat_m));
        writeln!(
            job,
            "[[learn.face]]\ntag = {id}\ncorner = \"{corner}\"\nmark_mm = [{x}, {y}]\nu_mark_mm = {u}\nu_flat_mm = {flat}"
        )
        .unwrap();
    }
    let l = &scene.bay.lens;
    let lens = format!(
        "format = \"plumbsight/lens/1\"\ncamera = \"made\"\nimage_size = [{}, {}]\nfx_px = {}\nfy_px = {}\ncx_px = {}\ncy_px = {}\nk1 = {}\nk2 = {}\np1 = {}\np2 = {}\n\
         sigma = [0.3, 0.3, 0.3, 0.3, 1e-4, 2e-4, 1e-5, 1e-5, 0.0]\n",
        l.width, l.height, l.fx, l.fy, l.cx, l.cy, l.k1, l.k2, l.p1, l.p2
    );
    for (name, text) in [("bodies.toml", &bodies), ("job.toml", &job), ("lens.toml", &lens)] {
        std::fs::write(folder.join(name), text).unwrap();
    }
    std::fs::create_dir(folder.join("photos")).unwrap();
    for photo in 0..scene.bay.camera_from_world.len() {
        let path = folder.join(format!("photos/{photo:02}.png"));
        if !paint {
            std::fs::write(path, "x").unwrap();
            continue;
        }
        let image = photograph(&scene.bay, photo, &RenderOptions::default()).unwrap();
        let (w, h) = (image.width() as u32, image.height() as u32);
        image::save_buffer(path, image.data(), w, h, image::ExtendedColorType::L8).unwrap();
    }
}

fn learn(folder: &Path, more: &[&str]) -> Output {
    let out = folder.join("stand.toml");
    let mut command = Command::new(env!("CARGO_BIN_EXE_plumbsight"));
    command.arg("learn").arg(folder).arg("--out").arg(out).args(more).output().unwrap()
}

fn place(tag: &TagPlace) -> (Pose<Body, Tag>, f64) {
    match tag {
        TagPlace::Measured { body_from_tag, cov } => {
            (*body_from_tag, cov.fixed_view::<3, 3>(3, 3).into_owned().symmetric_eigenvalues().max().sqrt())
        }
        other => panic!("{other:?} is not measured"),
    }
}

#[test]
fn photographs_of_a_stand_become_a_table_that_a_later_job_reads() {
    let scene = scene();
    let folder = tempfile::tempdir().unwrap();
    write_job(&scene, folder.path(), true);
    let output = learn(folder.path(), &[]);
    let text = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{text}");
    assert!(text.contains("width") && text.contains("Written:"), "{text}");
    println!("{text}");
    // Never over a file that is there.
    let again = learn(folder.path(), &[]);
    assert_eq!(again.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&again.stderr).contains("there already"));

    // The later job: the same prints, the learned table in place of the declared one.
    let bodies = folder.path().join("bodies.toml");
    let declared = std::fs::read_to_string(&bodies).unwrap();
    let prints = declared.split("[[body]]").next().unwrap();
    let table = std::fs::read_to_string(folder.path().join("stand.toml")).unwrap();
    std::fs::write(&bodies, format!("{prints}{table}")).unwrap();
    let job = folder.path().join("job.toml");
    let without = std::fs::read_to_string(&job).unwrap().split("[learn]").next().unwrap().to_owned();
    std::fs::write(&job, without).unwrap();
    let later = read_job(folder.path(), Purpose::Survey).unwrap_or_else(|p| panic!("{p}"));
    let body = &later.kit.bodies[0];
    assert_eq!(later.kit.joint_places.len(), 1);
    // The five before the face at least; those on the wings and the back as the photographs show them.
    assert!(body.tags.len() >= 5, "{text}");
    let declared = &scene.bay.layout.kit.bodies[0].tags;
    let truths: Vec<_> = declared.iter().zip(scene.true_places()).map(|(tag, place)| (tag.id, place)).collect();
    for tag in &body.tags {
        let (_, truth) = truths.iter().find(|(id, _)| *id == tag.id).expect("a tag of the stand");
        let (found, u_m) = place(&tag.place);
        let (angle, distance) = found.difference(truth);
        println!("tag {}: {:.3} mm, {:.4} rad off; u {:.3} mm", tag.id, mm_from_m(distance), angle, mm_from_m(u_m));
        // Three dimensions: 3.5 u of the worst direction is beyond 99.9 %.
        assert!(distance < 3.5 * u_m && distance < 0.0015, "tag {}: {distance} m, u {u_m} m", tag.id);
        assert!(angle < 0.006, "tag {}: {angle} rad", tag.id);
    }

    // A table that was edited, and a covariance that is none.
    let complete = |text: &str| {
        let problem = read_job(folder.path(), Purpose::Survey).unwrap_err();
        assert!(problem.to_string().contains(text) && !problem.remedy.is_empty(), "{problem}");
    };
    edit(&bodies, "side_mm = 160", "side_mm = 161");
    complete("was learned with sides of");
    edit(&bodies, "side_mm = 161", "side_mm = 160");
    edit(&bodies, "kind = \"stand\"", "kind = \"stand\"\nu_place_mm = 0.1");
    complete("Keep one of them");
    edit(&bodies, "u_place_mm = 0.1", "");
    let places = folder.path().join("stand-places.json");
    let good = std::fs::read_to_string(&places).unwrap();
    std::fs::write(&places, good.replacen("\"body\": \"stand\"", "\"body\": \"plate\"", 1)).unwrap();
    complete("it is of the body \"plate\"");
    std::fs::write(&places, &good[..good.len() / 2]).unwrap();
    complete("this is no places file");
    std::fs::remove_file(&places).unwrap();
    complete("no such file");
}

#[test]
fn what_cannot_be_learned_is_refused_with_line_and_remedy() {
    let scene = scene();
    let cases: [(&str, &str, &str, &str); 6] = [
        ("job.toml", "body = \"stand\"", "body = \"trolley\"", "has no body \"trolley\""),
        ("job.toml", "corner = \"upper-right\"", "corner = \"upper-left\"", "there twice"),
        ("job.toml", "tag = 60", "tag = 99", "has no tag 99"),
        ("job.toml", "u_mark_mm = 0.3", "u_mark_mm = -1.0", "is not possible"),
        ("bodies.toml", "centre_mm = [0, 0, 0]\nright = [1, 0, 0]\nup = [0, 1, 0]", "place = \"free\"", "is \"free\""),
        ("bodies.toml", "kind = \"stand\"", "kind = \"plate\"", "is no stand and has [[learn.face]]"),
    ];
    for (file, from, to, expected) in cases {
        let folder = tempfile::tempdir().unwrap();
        write_job(&scene, folder.path(), false);
        edit(&folder.path().join(file), from, to);
        let problem = read_job(folder.path(), Purpose::Learn).unwrap_err();
        assert!(problem.to_string().contains(expected), "{expected}: {problem}");
        // What does not go together is named where the [learn] table asks for it.
        let named = if from.contains("kind") { "job.toml" } else { file };
        assert!(problem.line.is_some() && problem.file.contains(named) && !problem.remedy.is_empty(), "{problem:?}");
    }
    // Two corners only; no [learn] table at all.
    let folder = tempfile::tempdir().unwrap();
    write_job(&scene, folder.path(), false);
    let job = folder.path().join("job.toml");
    let text = std::fs::read_to_string(&job).unwrap();
    let two: Vec<&str> = text.split("[[learn.face]]").take(3).collect();
    std::fs::write(&job, two.join("[[learn.face]]")).unwrap();
    let problem = read_job(folder.path(), Purpose::Learn).unwrap_err();
    assert!(problem.to_string().contains("2 of its target's corners"), "{problem}");
    std::fs::write(&job, text.split("[learn]").next().unwrap()).unwrap();
    let problem = read_job(folder.path(), Purpose::Learn).unwrap_err();
    assert!(problem.to_string().contains("no [learn] table"), "{problem}");
}
