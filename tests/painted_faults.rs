//! Painted photographs of a made bay through the command line: a stand that was pushed half way, and a sheet that is larger than declared, each named with
//! what, where and how much.

mod common;

use nalgebra::Vector6;
use plumbsight::body::{BodyKind, TagPlace};
use plumbsight::record::ResultFile;
use plumbsight::record::result::IntegrityPart;
use plumbsight::scene::render::{RenderOptions, photograph};
use plumbsight::scene::{Bay, BayOptions};
use plumbsight::units::{deg_from_rad, mm_from_m};
use rayon::prelude::*;
use std::fmt::Write;
use std::path::Path;
use std::process::Command;

const N_PHOTOS: usize = 18;
/// The first photograph after the push, and the push, m.
const PUSHED_FROM: usize = 9;
const PUSH_M: f64 = 0.012;

fn bay() -> Bay {
    let mut options = BayOptions { seed: 11, n_photos: N_PHOTOS, ..BayOptions::default() };
    let lens = &mut options.lens;
    (lens.width, lens.height) = (1280, 720);
    (lens.fx, lens.fy, lens.cx, lens.cy) = (920.0, 920.6, 636.3, 361.7);
    Bay::new(&options).expect("the options are possible")
}

fn bodies_text(bay: &Bay) -> String {
    let kit = &bay.layout.kit;
    let mut text = "format = \"plumbsight/bodies/1\"\n".to_owned();
    for print in &kit.prints {
        writeln!(text, "[[prints]]\nname = \"{}\"\nu_common_mm_per_m = 0.3\nu_each_mm_per_m = 0.1", print.name)
            .unwrap();
    }
    for body in &kit.bodies {
        if body.kind == BodyKind::FloorSheet {
            writeln!(text, "[[floor]]\nids = [{}]\nside_mm = {:.1}", body.tags[0].id, mm_from_m(body.tags[0].side_m))
                .unwrap();
            continue;
        }
        let kind = if body.kind == BodyKind::Plate { "plate" } else { "stand" };
        writeln!(text, "[[body]]\nname = \"{}\"\nkind = \"{kind}\"\nu_place_mm = 0", body.name).unwrap();
        for tag in &body.tags {
            let TagPlace::Known(place) = &tag.place else { panic!("exactly known places") };
            let (c, r) = (place.translation(), place.rotation());
            let axis = |k: usize| format!("[{}, {}, {}]", r[(0, k)], r[(1, k)], r[(2, k)]);
            writeln!(
                text,
                "[[body.tags]]\nid = {}\nside_mm = {}\ncentre_mm = [{}, {}, {}]\nright = {}\nup = {}",
                tag.id,
                mm_from_m(tag.side_m),
                mm_from_m(c.x),
                mm_from_m(c.y),
                mm_from_m(c.z),
                axis(0),
                axis(1)
            )
            .unwrap();
        }
    }
    text
}

/// The job somebody would write of this bay, without photographs.
fn write_job(bay: &Bay, folder: &Path) {
    let options = &bay.options;
    let mut job = format!(
        "format = \"plumbsight/job/1\"\nplacement = \"placement.toml\"\nbodies = \"bodies.toml\"\nlens = \"lens.toml\"\n[[photographs]]\nfiles = [\"photos/*\"]\n\
         [vehicle]\nwheelbase_mm = {}\nu_wheelbase_mm = {}\n",
        mm_from_m(options.wheelbase_m),
        mm_from_m(options.sigma_wheelbase_m)
    );
    for side in ["left", "right"] {
        writeln!(
            job,
            "[[vehicle.wheels]]\nat = \"rear-{side}\"\nplate = \"plate rear {side}\"\nstand_off_mm = {}\nrun_out_deg = {}\neccentricity_mm = {}",
            mm_from_m(options.stand_off_m),
            deg_from_rad(options.run_out_limit_rad),
            mm_from_m(options.eccentricity_limit_m)
        )
        .unwrap();
    }
    let setup = &options.setup;
    let placement = format!(
        "format = \"plumbsight/placement/1\"\ntitle = \"invented\"\nsource = \"invented for this test\"\nrevision = \"1\"\nreference = \"floor\"\n[[stations]]\nname = \"centre\"\n\
         target = \"stand\"\ndatum = \"front-axle\"\ndistance_mm = {}\nlateral_mm = {}\nheight_mm = {}\n[stations.tolerance]\ndistance_mm = 50\nlateral_mm = 60\nheight_mm = 30\n\
         yaw_deg = 2\npitch_deg = 2\nroll_deg = 2\n",
        mm_from_m(setup.distance_m),
        mm_from_m(setup.lateral_m),
        mm_from_m(setup.height_m)
    );
    let l = &bay.lens;
    let lens = format!(
        "format = \"plumbsight/lens/1\"\ncamera = \"made\"\nimage_size = [{}, {}]\nfx_px = {}\nfy_px = {}\ncx_px = {}\ncy_px = {}\nk1 = {}\nk2 = {}\np1 = {}\np2 = {}\n\
         sigma = [0.3, 0.3, 0.3, 0.3, 1e-4, 2e-4, 1e-5, 1e-5, 0.0]\n",
        l.width, l.height, l.fx, l.fy, l.cx, l.cy, l.k1, l.k2, l.p1, l.p2
    );
    for (name, text) in
        [("bodies.toml", &bodies_text(bay)), ("job.toml", &job), ("placement.toml", &placement), ("lens.toml", &lens)]
    {
        std::fs::write(folder.join(name), text).unwrap();
    }
}

fn paint(bay: &Bay, photos: std::ops::Range<usize>, folder: &Path) {
    std::fs::create_dir_all(folder.join("photos")).unwrap();
    photos.into_par_iter().for_each(|p| {
        let image = photograph(bay, p, &RenderOptions::default()).unwrap();
        let (w, h) = (image.width() as u32, image.height() as u32);
        let path = folder.join(format!("photos/{p:02}.png"));
        image::save_buffer(path, image.data(), w, h, image::ExtendedColorType::L8).unwrap();
    });
}

/// What the program says and writes: exit code, its text, the failed tests.
fn check(folder: &Path) -> (i32, String, Vec<IntegrityPart>) {
    let output = Command::new(env!("CARGO_BIN_EXE_plumbsight")).arg("check").arg(folder).output().unwrap();
    let text = String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr);
    let result: ResultFile =
        serde_json::from_slice(&std::fs::read(folder.join("result.json")).unwrap_or_else(|_| panic!("{text}")))
            .unwrap();
    let failed = result.integrity.into_iter().filter(|t| !t.passed && t.test != "fault that could hide");
    (output.status.code().unwrap(), text, failed.collect())
}

#[test]
fn a_pushed_stand_and_a_larger_sheet_are_named_from_painted_photographs() {
    let bay = bay();
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path();
    write_job(&bay, folder);
    paint(&bay, 0..N_PHOTOS, folder);
    let (_, text, failed) = check(folder);
    assert!(failed.is_empty(), "{failed:?}\n{text}");

    // A sheet that is declared 3 % smaller than it is.
    common::edit(&folder.join("bodies.toml"), "ids = [104]\nside_mm = 160.0", "ids = [104]\nside_mm = 155.3");
    let (code, text, failed) = check(folder);
    assert_eq!(code, 2, "{text}");
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert!(failed[0].subject.contains("104") && failed[0].test == "size of a tag", "{failed:?}");
    let percent = number_before(&failed[0].sentence, " % larger");
    let wanted = 100.0 * (160.0 / 155.3 - 1.0);
    assert!((percent - wanted).abs() < 0.2 * wanted, "{percent} for {wanted}");
    common::edit(&folder.join("bodies.toml"), "ids = [104]\nside_mm = 155.3", "ids = [104]\nside_mm = 160.0");

    // The stand pushed half way through.
    let mut pushed = bay.clone();
    let (stand, step) = (bay.layout.stand, Vector6::new(0.0, 0.0, 0.0, 0.0, PUSH_M, 0.0));
    pushed.layout.world_from_body[stand] = pushed.layout.world_from_body[stand].moved_left(&step);
    for tag in pushed.layout.tags.iter_mut().filter(|t| t.body == stand) {
        tag.world_from_tag = tag.world_from_tag.moved_left(&step);
    }
    paint(&pushed, PUSHED_FROM..N_PHOTOS, folder);
    let (code, text, failed) = check(folder);
    assert_eq!(code, 4, "{text}");
    assert_eq!(failed.len(), 1, "{failed:?}");
    assert!(failed[0].subject.contains("stand") && failed[0].test == "moved between photographs", "{failed:?}");
    // "between photographs photos/08.png and photos/10.png": the push lies between the two.
    let numbers: Vec<usize> = failed[0].sentence.split("photos/").skip(1).map(|s| s[..2].parse().unwrap()).collect();
    assert!(
        numbers.len() == 2 && numbers[0] < PUSHED_FROM && numbers[1] >= PUSHED_FROM && numbers[1] < PUSHED_FROM + 3,
        "{failed:?}"
    );
    let mm = number_before(&failed[0].sentence, " mm (u");
    assert!((mm - mm_from_m(PUSH_M)).abs() < 0.2 * mm_from_m(PUSH_M), "{mm} mm");
    assert!(text.contains("stand") && text.contains("moved between photographs"), "{text}");
}

/// The number that stands before `unit` in a sentence.
#[track_caller]
fn number_before(sentence: &str, unit: &str) -> f64 {
    let before = sentence.split(unit).next().unwrap();
    before.rsplit(' ').next().unwrap().parse().unwrap_or_else(|_| panic!("{sentence}"))
}
