//! A made bay as the files of a job, as the operator of that bay would write them.

use crate::body::{BodyKind, TagPlace};
use crate::capture::CameraIdentity;
use crate::raster::ToneCurve;
use crate::record::rehearsal::{Fault, Rehearsal};
use crate::record::{LensProfile, profile_text, shipped_items};
use crate::scene::options::DistanceFrom;
use crate::session::rehearsal::Truth;
use crate::session::rehearsal::truth::TOLERANCES;
use crate::units::{deg_from_rad, kpa_from_pa, mm_from_m};
use nalgebra::{SMatrix, Vector3};
use std::fmt::Write;

const INVENTED: &str = "# Invented for a rehearsal: no real workshop, car or procedure.\n";

/// Pressure on the invented placard, kPa.
const PLACARD_KPA: f64 = 230.0;

/// Names and texts of the job's files.
pub(super) fn files(rehearsal: &Rehearsal, truth: &Truth) -> Vec<(String, String)> {
    vec![
        ("job.toml".into(), job(rehearsal, truth)),
        ("bodies.toml".into(), bodies(truth)),
        ("placement.toml".into(), placement(truth)),
        ("lens.toml".into(), lens(truth)),
        ("readiness.toml".into(), readiness(rehearsal, truth)),
    ]
}

fn job(rehearsal: &Rehearsal, truth: &Truth) -> String {
    let o = &truth.bay().options;
    let mut out = format!(
        "{INVENTED}format = \"plumbsight/job/1\"\ntitle = \"Rehearsal: {}\"\nplacement = \"placement.toml\"\nbodies = \"bodies.toml\"\nlens = \"lens.toml\"\n\n\
         [[photographs]]\nfiles = [\"photos/*.jpg\"]\n\n[vehicle]\nname = \"invented car\"\nwheelbase_mm = {:.1}\nu_wheelbase_mm = {:.2}\n",
        rehearsal.title,
        mm_from_m(o.wheelbase_m),
        mm_from_m(o.sigma_wheelbase_m)
    );
    for side in ["left", "right"] {
        // Writing to a text cannot fail; the results are dropped for that reason.
        let _ = write!(
            out,
            "\n[[vehicle.wheels]]\nat = \"rear-{side}\"\nplate = \"plate rear {side}\"\nstand_off_mm = {:.1}\nu_stand_off_mm = {:.2}\n\
             eccentricity_mm = {:.2}\nrun_out_deg = {:.3}\n",
            mm_from_m(o.stand_off_m),
            mm_from_m(o.sigma_stand_off_m),
            mm_from_m(o.eccentricity_limit_m),
            deg_from_rad(o.run_out_limit_rad)
        );
    }
    out
}

fn bodies(truth: &Truth) -> String {
    let bay = truth.bay();
    let o = &bay.options;
    let kit = &bay.layout.kit;
    let mut out = format!(
        "{INVENTED}format = \"plumbsight/bodies/1\"\n\n[[prints]]\nname = \"kit\"\nu_common_mm_per_m = {:.2}\nu_each_mm_per_m = {:.2}\n\n\
         [floor_contact]\nthickness_mm = {:.2}\nu_thickness_mm = {:.2}\nu_uneven_mm = {:.2}\n",
        mm_from_m(o.sigma_print_common),
        mm_from_m(o.sigma_print_each),
        mm_from_m(o.thickness_m),
        mm_from_m(o.sigma_thickness_m),
        mm_from_m(o.sigma_uneven_m)
    );
    let floor: Vec<&crate::body::BodyTag> =
        kit.bodies.iter().filter(|b| b.kind == BodyKind::FloorSheet).flat_map(|b| &b.tags).collect();
    if let (Some(first), Some(last)) = (floor.first(), floor.last()) {
        let _ =
            write!(out, "\n[[floor]]\nids = \"{}-{}\"\nside_mm = {:.1}\n", first.id, last.id, mm_from_m(first.side_m));
    }
    let list =
        |v: &Vector3<f64>, unit: fn(f64) -> f64| format!("[{:.6}, {:.6}, {:.6}]", unit(v.x), unit(v.y), unit(v.z));
    for body in kit.bodies.iter().filter(|b| matches!(b.kind, BodyKind::Stand | BodyKind::Plate)) {
        let kind = if body.kind == BodyKind::Stand { "stand" } else { "plate" };
        // Made bays have their tags exactly where they are declared.
        let _ = write!(out, "\n[[body]]\nname = \"{}\"\nkind = \"{kind}\"\nu_place_mm = 0\n", body.name);
        for tag in &body.tags {
            let (TagPlace::Known(place) | TagPlace::Measured { body_from_tag: place, .. }) = &tag.place else {
                continue;
            };
            let r = place.rotation();
            let _ = write!(
                out,
                "\n[[body.tags]]\nid = {}\nside_mm = {:.1}\ncentre_mm = {}\nright = {}\nup = {}\n",
                tag.id,
                mm_from_m(tag.side_m),
                list(&place.translation(), mm_from_m),
                list(&r.column(0).into_owned(), |v| v),
                list(&r.column(1).into_owned(), |v| v)
            );
        }
    }
    out
}

fn placement(truth: &Truth) -> String {
    let setup = &truth.bay().options.setup;
    let datum = match setup.from {
        DistanceFrom::RearAxle => "rear-axle",
        DistanceFrom::FrontAxle => "front-axle",
    };
    let [distance, lateral, height, yaw, pitch, roll] = TOLERANCES;
    format!(
        "{INVENTED}format = \"plumbsight/placement/1\"\ntitle = \"Invented procedure for a forward radar\"\nsource = \"invented for this rehearsal\"\nrevision = \"1\"\n\n\
         [[stations]]\nname = \"centre\"\ntarget = \"stand\"\ndatum = \"{datum}\"\ndistance_mm = {:.1}\nlateral_mm = {:.1}\nheight_mm = {:.1}\n\n[stations.tolerance]\n\
         distance_mm = {:.1}\nlateral_mm = {:.1}\nheight_mm = {:.1}\nyaw_deg = {:.2}\npitch_deg = {:.2}\nroll_deg = {:.2}\n",
        mm_from_m(setup.distance_m),
        mm_from_m(setup.lateral_m),
        mm_from_m(setup.height_m),
        mm_from_m(distance),
        mm_from_m(lateral),
        mm_from_m(height),
        deg_from_rad(yaw),
        deg_from_rad(pitch),
        deg_from_rad(roll)
    )
}

fn lens(truth: &Truth) -> String {
    // As a board would give it: small, and not nothing.
    let sigma = [0.05, 0.05, 0.05, 0.05, 1e-5, 3e-5, 1e-6, 1e-6, 0.0f64];
    let cov = SMatrix::from_fn(|i, j| if i == j { sigma[i].powi(2) } else { 0.0 });
    let profile = LensProfile {
        file: "lens.toml".into(),
        camera: "invented webcam of the rehearsals, 1280 x 720".into(),
        made: Some("invented".into()),
        lens: truth.bay().lens,
        cov: Some(Box::new(cov)),
        tone: ToneCurve::Srgb,
        focus: None,
        identity: CameraIdentity::default(),
        made_from: None,
    };
    profile_text(&profile, "Invented for a rehearsal: no real camera.")
}

fn readiness(rehearsal: &Rehearsal, truth: &Truth) -> String {
    let mut out =
        format!("{INVENTED}format = \"plumbsight/readiness/1\"\nchecked_by = \"the apprentice (invented)\"\n");
    let low = if matches!(rehearsal.fault, Fault::TyreLow(_)) { kpa_from_pa(truth.happened.size) } else { 0.0 };
    let _ = write!(
        out,
        "\n[tyres]\nunit = \"kPa\"\nplacard_front = {PLACARD_KPA:.0}\nplacard_rear = {PLACARD_KPA:.0}\nfront_left = {:.0}\nfront_right = {:.0}\nrear_left = {:.0}\nrear_right = {:.0}\n",
        PLACARD_KPA + 3.0,
        PLACARD_KPA - 2.0,
        PLACARD_KPA - low,
        PLACARD_KPA + 1.0
    );
    for item in shipped_items().unwrap_or_default() {
        let _ = write!(out, "\n# {}\n[[item]]\nid = \"{}\"\nstate = \"done\"\n", item.text, item.id);
        if item.note_needed.is_some() {
            out.push_str("note = \"seen to (invented)\"\n");
        }
    }
    out
}
