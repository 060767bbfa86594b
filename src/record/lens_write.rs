//! A lens profile as the text of its file.

use crate::camera::N_LENS;
use crate::capture::CameraIdentity;
use crate::raster::ToneCurve;
use crate::record::lens_profile::{LensProfile, MadeFrom};
use std::fmt::Write;

/// The text of a profile's file. What is read from it again is the same profile (a measured tone table cannot be written and becomes sRGB).
///
/// `note`: one comment line that says where it comes from.
pub fn profile_text(profile: &LensProfile, note: &str) -> String {
    let mut out = String::new();
    let lens = &profile.lens;
    let note: String = note.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    // Writing to a string cannot fail.
    let _ = writeln!(out, "# {note}");
    let _ = writeln!(out, "format = \"plumbsight/lens/1\"\ncamera = {}", quoted(&profile.camera));
    for (key, value) in [("made", &profile.made), ("focus", &profile.focus)] {
        if let Some(value) = value {
            let _ = writeln!(out, "{key} = {}", quoted(value));
        }
    }
    let _ = writeln!(out, "image_size = [{}, {}]", lens.width, lens.height);
    for (key, value) in [
        ("fx_px", lens.fx),
        ("fy_px", lens.fy),
        ("cx_px", lens.cx),
        ("cy_px", lens.cy),
        ("k1", lens.k1),
        ("k2", lens.k2),
        ("p1", lens.p1),
        ("p2", lens.p2),
        ("k3", lens.k3),
    ] {
        let _ = writeln!(out, "{key} = {value:?}");
    }
    if let Some(cov) = &profile.cov {
        out.push_str("# Of fx fy cx cy k1 k2 p1 p2 k3, in px and pure numbers.\ncovariance = [\n");
        for i in 0..N_LENS {
            let row: Vec<String> = (0..N_LENS).map(|j| format!("{:?}", cov[(i, j)])).collect();
            let _ = writeln!(out, "  [{}],", row.join(", "));
        }
        out.push_str("]\n");
    }
    match profile.tone {
        ToneCurve::Srgb | ToneCurve::Table(_) => out.push_str("tone = \"srgb\"\n"),
        ToneCurve::Linear => out.push_str("tone = \"linear\"\n"),
        ToneCurve::Gamma(gamma) => {
            let _ = writeln!(out, "tone = {{ gamma = {gamma:?} }}");
        }
    }
    write_identity(&mut out, &profile.identity);
    if let Some(from) = &profile.made_from {
        write_made_from(&mut out, from);
    }
    out
}

/// A text in quotes as TOML wants it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn write_identity(out: &mut String, identity: &CameraIdentity) {
    if *identity == CameraIdentity::default() {
        return;
    }
    out.push_str(
        "\n# What the camera writes into its photographs; a photograph that says otherwise is refused.\n[taken_with]\n",
    );
    for (key, value) in [("make", &identity.make), ("model", &identity.model), ("lens", &identity.lens)] {
        if let Some(value) = value {
            let _ = writeln!(out, "{key} = {}", quoted(value));
        }
    }
    for (key, value) in
        [("focal_mm", identity.focal_mm), ("focal_35mm", identity.focal_35mm), ("digital_zoom", identity.digital_zoom)]
    {
        if let Some(value) = value {
            let _ = writeln!(out, "{key} = {value:?}");
        }
    }
}

fn write_made_from(out: &mut String, from: &MadeFrom) {
    let _ = writeln!(
        out,
        "\n# What it was made from: with these photographs and this board it can be made again.\n[made_from]"
    );
    let _ = writeln!(out, "board = {}\nboard_sha256 = {}", quoted(&from.board), quoted(&from.board_sha256));
    for (key, value) in [
        ("rms_px", from.rms_px),
        ("unmodelled_px", from.unmodelled_px),
        ("disagreement", from.disagreement),
        ("redundancy", from.redundancy),
    ] {
        let _ = writeln!(out, "{key} = {value:?}");
    }
    let terms: Vec<String> = from.terms.iter().map(|t| quoted(t)).collect();
    let _ = writeln!(out, "terms = [{}]", terms.join(", "));
    out.push_str("# Middle x y (px), points, mean residual x y (px), rms (px) of each region.\nregions = [\n");
    for r in &from.regions {
        let (c, m) = (r.centre, r.mean);
        let _ = writeln!(out, "  [{:?}, {:?}, {:?}, {:?}, {:?}, {:?}],", c.x, c.y, r.n as f64, m.x, m.y, r.rms);
    }
    out.push_str("]\n");
    for p in &from.photographs {
        let _ = writeln!(
            out,
            "\n[[made_from.photographs]]\nname = {}\nsha256 = {}\npoints = {}\nrms_px = {:?}\nshare = {:?}",
            quoted(&p.name),
            quoted(&p.sha256),
            p.points,
            p.rms_px,
            p.share
        );
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calibrate::quality::Region;
    use crate::camera::Lens;
    use crate::record::lens_profile::{BoardPhoto, read_lens_profile};
    use nalgebra::{SMatrix, Vector2};

    #[test]
    fn what_is_written_is_read_again() {
        let mut cov = SMatrix::<f64, N_LENS, N_LENS>::from_diagonal_element(0.25);
        cov[(0, 1)] = 0.1;
        cov[(1, 0)] = 0.1;
        for k in 0..N_LENS {
            cov[(k, 8)] = 0.0;
            cov[(8, k)] = 0.0;
        }
        let profile = LensProfile {
            file: "p.toml".into(),
            camera: "a \"quoted\" camera \\ with\ntwo lines".into(),
            made: Some("2026-11-25".into()),
            lens: Lens { k1: -1.0 / 30.0, p1: 1e-7, ..Lens::pinhole(1920, 1080, 1371.4408893949233) },
            cov: Some(Box::new(cov)),
            tone: ToneCurve::Gamma(2.2),
            focus: Some("fixed".into()),
            identity: CameraIdentity {
                model: Some("made up".into()),
                focal_mm: Some(4.25),
                ..CameraIdentity::default()
            },
            made_from: Some(MadeFrom {
                board: "board.toml".into(),
                board_sha256: "00ff".into(),
                rms_px: 0.1,
                unmodelled_px: 0.0,
                disagreement: 1.0,
                redundancy: 812.0,
                terms: vec!["k3: left out".into()],
                regions: vec![Region {
                    centre: Vector2::new(160.0, 134.5),
                    n: 12,
                    mean: Vector2::new(-0.01, 0.02),
                    rms: 0.05,
                    significance: 0.0,
                }],
                photographs: vec![BoardPhoto {
                    name: "a b.jpg".into(),
                    sha256: "ab".into(),
                    points: 96,
                    rms_px: 0.04,
                    share: 1.0,
                }],
            }),
        };
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("p.toml");
        std::fs::write(&path, profile_text(&profile, "made by\na test")).unwrap();
        let read = read_lens_profile(&path, "p.toml").unwrap();
        // The reader adds a millionth to the diagonal of a covariance.
        let difference = (read.cov.as_deref().unwrap() - cov).amax();
        assert!(difference < 1e-6, "{difference}");
        assert_eq!(LensProfile { cov: profile.cov.clone(), ..read }, profile);
    }
}
