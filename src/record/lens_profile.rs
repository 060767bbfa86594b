//! Lens profiles: one camera's lens with what is known about its uncertainty.

use crate::calibrate::quality::Region;
use crate::camera::{LENS_PARAMETERS, Lens, N_LENS};
use crate::capture::CameraIdentity;
use crate::raster::ToneCurve;
use crate::record::document::Document;
use crate::record::files::{BoardPhotoTable, LensFile, MadeFromTable, TakenWithTable, ToneName};
use crate::record::problem::Problem;
use nalgebra::{SMatrix, SymmetricEigen, Vector2};
use std::path::Path;

/// A lens profile, checked.
#[derive(Clone, Debug, PartialEq)]
pub struct LensProfile {
    /// The file it was read from, as a person would name it.
    pub file: String,
    /// The camera, in the profile's words.
    pub camera: String,
    /// When or how it was made, in the profile's words.
    pub made: Option<String>,
    /// The lens.
    pub lens: Lens,
    /// Covariance in the order of [`LENS_PARAMETERS`]; `None` where the profile states none and the lens is taken as exact.
    pub cov: Option<Box<SMatrix<f64, N_LENS, N_LENS>>>,
    /// How grey values code light.
    pub tone: ToneCurve,
    /// How the camera was focused, in the profile's words.
    pub focus: Option<String>,
    /// What the camera writes into its photographs; all `None` where the profile does not say.
    pub identity: CameraIdentity,
    /// What the profile was made from, where this program made it.
    pub made_from: Option<MadeFrom>,
}

/// What a profile was made from: with these photographs and this board it can be made again.
#[derive(Clone, Debug, PartialEq)]
pub struct MadeFrom {
    /// The board's file.
    pub board: String,
    /// SHA-256 of that file, hexadecimal.
    pub board_sha256: String,
    /// Root mean square length of the residuals, px.
    pub rms_px: f64,
    /// Corner noise beyond the detector's own, px for each coordinate.
    pub unmodelled_px: f64,
    /// By how much photographs contradict each other beyond the scatter of their corners; at least 1.
    pub disagreement: f64,
    /// Observations less unknowns.
    pub redundancy: f64,
    /// Every term that was tested, in words.
    pub terms: Vec<String>,
    /// The residual map.
    pub regions: Vec<Region>,
    /// The photographs used.
    pub photographs: Vec<BoardPhoto>,
}

/// One photograph that a profile was made from.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardPhoto {
    /// Its name.
    pub name: String,
    /// SHA-256 of the file, hexadecimal.
    pub sha256: String,
    /// Points used.
    pub points: usize,
    /// Root mean square length of its residuals, px.
    pub rms_px: f64,
    /// Its share of what is known; all shares sum to 1.
    pub share: f64,
}

/// A larger standard uncertainty (pixels, or a pure number) says nothing about a lens.
const LARGEST_SIGMA: f64 = 1e4;

/// Reads and checks a lens profile. `name` is how messages call the file.
pub fn read_lens_profile(path: &Path, name: &str) -> Result<LensProfile, Problem> {
    resolve(&Document::read(path, name, "lens")?)
}

fn resolve(document: &Document) -> Result<LensProfile, Problem> {
    let file: LensFile = document.typed()?;
    let lens = Lens {
        width: file.image_size[0] as usize,
        height: file.image_size[1] as usize,
        fx: file.fx_px,
        fy: file.fy_px,
        cx: file.cx_px,
        cy: file.cy_px,
        k1: file.k1,
        k2: file.k2,
        p1: file.p1,
        p2: file.p2,
        k3: file.k3,
    };
    if let Some(why) = lens.implausible() {
        return Err(document.problem(
            "fx_px",
            format!("these numbers cannot be a lens: {why}"),
            "Copy the profile again from where it was made; focal lengths and the principal point are in pixels of image_size.",
        ));
    }
    let tone = match file.tone {
        None | Some(ToneName::Srgb) => ToneCurve::Srgb,
        Some(ToneName::Linear) => ToneCurve::Linear,
        Some(ToneName::Gamma(gamma)) if (0.2..=5.0).contains(&gamma) => ToneCurve::Gamma(gamma),
        Some(ToneName::Gamma(gamma)) => {
            return Err(document.problem(
                "tone",
                format!("a gamma of {gamma} is not a camera's"),
                "Use tone = \"srgb\" unless the camera's tone curve was measured.",
            ));
        }
    };
    Ok(LensProfile {
        file: document.name().into(),
        camera: file.camera,
        made: file.made,
        lens,
        cov: covariance(document, file.sigma, file.covariance)?.map(Box::new),
        tone,
        focus: file.focus,
        identity: identity(file.taken_with.unwrap_or_default()),
        made_from: file.made_from.map(made_from),
    })
}

fn identity(written: TakenWithTable) -> CameraIdentity {
    CameraIdentity {
        make: written.make,
        model: written.model,
        lens: written.lens,
        focal_mm: written.focal_mm,
        focal_35mm: written.focal_35mm,
        digital_zoom: written.digital_zoom,
    }
}

fn made_from(written: MadeFromTable) -> MadeFrom {
    let region = |[x, y, n, dx, dy, rms]: [f64; 6]| Region {
        centre: Vector2::new(x, y),
        n: n.max(0.0) as usize,
        mean: Vector2::new(dx, dy),
        rms,
        significance: 0.0,
    };
    let photo = |p: BoardPhotoTable| BoardPhoto {
        name: p.name,
        sha256: p.sha256,
        points: p.points,
        rms_px: p.rms_px,
        share: p.share,
    };
    MadeFrom {
        board: written.board,
        board_sha256: written.board_sha256,
        rms_px: written.rms_px,
        unmodelled_px: written.unmodelled_px,
        disagreement: written.disagreement,
        redundancy: written.redundancy,
        terms: written.terms,
        regions: written.regions.into_iter().map(region).collect(),
        photographs: written.photographs.into_iter().map(photo).collect(),
    }
}

fn covariance(
    document: &Document,
    sigma: Option<[f64; N_LENS]>,
    rows: Option<[[f64; N_LENS]; N_LENS]>,
) -> Result<Option<SMatrix<f64, N_LENS, N_LENS>>, Problem> {
    match (sigma, rows) {
        (None, None) => Ok(None),
        (Some(_), Some(_)) => Err(document.problem(
            "sigma",
            "both `sigma` and `covariance` are given",
            "Keep one: `covariance` where the profile was made from photographs, `sigma` where only nine standard uncertainties are known.",
        )),
        (Some(sigma), None) if sigma.iter().any(|s| *s > LARGEST_SIGMA) => Err(document.problem(
            "sigma",
            format!("a standard uncertainty is above {LARGEST_SIGMA}, which no lens profile can have"),
            "Write the nine numbers in pixels and as pure numbers, in the order fx fy cx cy k1 k2 p1 p2 k3.",
        )),
        (Some(sigma), None) => match sigma.iter().position(|s| *s < 0.0) {
            Some(k) => Err(document.problem(
                "sigma",
                format!("the standard uncertainty of {} is negative ({})", LENS_PARAMETERS[k], sigma[k]),
                "Standard uncertainties are zero or positive.",
            )),
            None => Ok(Some(SMatrix::from_diagonal(&nalgebra::SVector::from(sigma.map(|s| s * s))))),
        },
        (None, Some(rows)) => {
            let cov = SMatrix::<f64, N_LENS, N_LENS>::from_fn(|i, j| rows[i][j]);
            // In units of the standard uncertainties, so that pixels and pure numbers can be judged alike.
            let scale = cov.diagonal().map(|v| if v > 0.0 { 1.0 / v.sqrt() } else { 1.0 });
            let correlation = SMatrix::<f64, N_LENS, N_LENS>::from_fn(|i, j| cov[(i, j)] * scale[i] * scale[j]);
            let lopsided = (correlation - correlation.transpose()).amax() > 1e-6;
            let wild = correlation.iter().any(|v| v.is_nan() || v.abs() > 1.0 + 1e-6) || cov.diagonal().max() > LARGEST_SIGMA.powi(2);
            if wild || lopsided || SymmetricEigen::new(correlation).eigenvalues.min() < -1e-9 {
                return Err(document.problem(
                    "covariance",
                    "this 9 x 9 table is not a covariance (it is not symmetric, or it promises less than nothing)",
                    "Copy it again from where the profile was made, with all digits.",
                ));
            }
            // Parameters that go together exactly (a fixed aspect ratio) make the table singular; a millionth more keeps it invertible.
            let mut whole = (cov + cov.transpose()) / 2.0;
            for k in 0..N_LENS {
                whole[(k, k)] *= 1.0 + 1e-6;
            }
            Ok(Some(whole))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PROFILE: &str = "format = \"plumbsight/lens/1\"\ncamera = \"made up\"\nimage_size = [752, 480]\nfx_px = 458.0\nfy_px = 457.0\ncx_px = 367.0\ncy_px = 248.0\nk1 = -0.28\nk2 = 0.07\n";

    fn read(extra: &str) -> Result<LensProfile, Problem> {
        resolve(&Document::parse(format!("{PROFILE}{extra}"), "lens.toml", "lens")?)
    }

    #[test]
    fn a_profile_without_uncertainty_is_exact() {
        let profile = read("").unwrap();
        assert_eq!(profile.cov, None);
        assert_eq!(profile.tone, ToneCurve::Srgb);
        assert_eq!((profile.lens.width, profile.lens.fx, profile.lens.k1), (752, 458.0, -0.28));
    }

    #[test]
    fn sigma_becomes_a_diagonal_in_the_order_of_the_parameters() {
        let profile = read("sigma = [1, 2, 3, 4, 0.5, 0, 0, 0, 0.25]\ntone = { gamma = 2.2 }").unwrap();
        let cov = profile.cov.unwrap();
        assert_eq!((cov[(1, 1)], cov[(4, 4)], cov[(8, 8)], cov[(0, 1)]), (4.0, 0.25, 0.0625, 0.0));
        assert_eq!(profile.tone, ToneCurve::Gamma(2.2));
    }

    #[test]
    fn nonsense_is_refused_with_its_line() {
        for (extra, line, says) in [
            ("sigma = [1, 2, 3, 4, 0.5, 0, -1, 0, 0]", 10, "p1 is negative"),
            ("sigma = [1, 2, 3]", 10, ""),
            ("tone = { gamma = 50.0 }", 10, "gamma of 50"),
            ("tone = \"film\"", 10, "film"),
            ("k3 = -9.0", 4, "folds back"),
        ] {
            let problem = read(extra).unwrap_err();
            assert_eq!(problem.line, Some(line), "{problem}");
            assert!(problem.to_string().contains(says), "{problem}");
        }
        let mut rows = vec![vec![0.0; 9]; 9];
        (0..9).for_each(|k| rows[k][k] = 1.0);
        assert!(read(&format!("covariance = {rows:?}")).unwrap().cov.is_some());
        rows[0][1] = 2.0;
        rows[1][0] = 2.0;
        assert!(read(&format!("covariance = {rows:?}")).unwrap_err().what.contains("not a covariance"));
    }
}
