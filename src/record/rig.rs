//! Where a camera sits on the stand, kept from one survey to the next: `--rig FILE` of the live reading.

use crate::capture::read_text;
use crate::frames::{Body, Camera, Pose};
use crate::limits::LARGEST_RIG_BYTES;
use crate::record::problem::Problem;
use crate::record::write::{json_text, write_atomically};
use crate::units::{deg_from_rad, m_from_mm, mm_from_m, rad_from_deg};
use nalgebra::{Matrix6, Vector3};
use serde::{Deserialize, Serialize};
use std::path::Path;

/// The format of the file.
pub const RIG_FORMAT: &str = "plumbsight/rig/1";

/// The file.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RigFile {
    /// [`RIG_FORMAT`].
    pub format: String,
    /// The station whose stand carries the camera.
    pub station: String,
    /// The camera's lens profile.
    pub lens: String,
    /// Origin of the stand's body in the camera's frame.
    pub stand_in_camera_mm: [f64; 3],
    /// Turn of the camera from the stand: rotation vector.
    pub camera_from_stand_turn_deg: [f64; 3],
    /// Covariance of the place's step on the left: three turns (rad), three shifts (m), row by row.
    pub cov_rad_m: [[f64; 6]; 6],
}

impl RigFile {
    /// From what was learned; `cov`: covariance of the left step of the pose.
    pub fn of(station: &str, lens: &str, camera_from_stand: &Pose<Camera, Body>, cov: &Matrix6<f64>) -> Self {
        let turn = camera_from_stand.iso().rotation.scaled_axis();
        let at = camera_from_stand.translation();
        Self {
            format: RIG_FORMAT.into(),
            station: station.into(),
            lens: lens.into(),
            stand_in_camera_mm: [at.x, at.y, at.z].map(mm_from_m),
            camera_from_stand_turn_deg: [turn.x, turn.y, turn.z].map(deg_from_rad),
            cov_rad_m: std::array::from_fn(|r| std::array::from_fn(|c| cov[(r, c)])),
        }
    }

    /// The pose and the covariance of its left step.
    pub fn place(&self) -> (Pose<Camera, Body>, Matrix6<f64>) {
        let turn = Vector3::from(self.camera_from_stand_turn_deg.map(rad_from_deg));
        let at = Vector3::from(self.stand_in_camera_mm.map(m_from_mm));
        (Pose::claim_rotvec(turn, at), Matrix6::from_fn(|r, c| self.cov_rad_m[r][c]))
    }

    /// Writes it, whole or not at all. Errors: the file cannot be written.
    pub fn write(&self, file: &Path) -> Result<(), Problem> {
        write_atomically(file, json_text(self, "the camera's place on the stand")?.as_bytes())
    }

    /// Reads it. Errors: it cannot be read, is no such file, or holds what no place can be.
    pub fn read(file: &Path) -> Result<Self, Problem> {
        let fail = |what: String| {
            let remedy = "Name the file that an earlier `live --rig` wrote, or a new one to write to.";
            Problem::of_file(file.display().to_string(), what, remedy)
        };
        let text = read_text(file, LARGEST_RIG_BYTES).map_err(|e| fail(e.to_string()))?;
        let rig: Self =
            serde_json::from_str(&text).map_err(|e| fail(format!("this is no camera's place on a stand ({e})")))?;
        if rig.format != RIG_FORMAT {
            return Err(fail(format!("\"{}\" is not the format {RIG_FORMAT}", rig.format)));
        }
        let (_, cov) = rig.place();
        let sane = |v: &f64| v.is_finite() && v.abs() < 1e5;
        let numbers = rig.stand_in_camera_mm.iter().chain(&rig.camera_from_stand_turn_deg);
        if !numbers.chain(cov.iter()).all(sane) || cov.cholesky().is_none() {
            return Err(fail("its numbers are no place with a covariance".into()));
        }
        Ok(rig)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_and_what_was_changed_is_refused() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("rig.json");
        let place = Pose::claim_rotvec(Vector3::new(0.3, -1.2, 0.4), Vector3::new(0.1, 0.2, 0.9));
        let cov = Matrix6::from_fn(|r, c| if r == c { 1e-6 * (r + 1) as f64 } else { 1e-8 * (r + c) as f64 });
        RigFile::of("front", "lens.toml", &place, &cov).write(&file).unwrap();
        let (again, cov_again) = RigFile::read(&file).unwrap().place();
        assert!(place.left_step_to(&again).norm() < 1e-12 && (cov - cov_again).norm() < 1e-18);
        let text = std::fs::read_to_string(&file).unwrap();
        for (from, to) in [("rig/1", "rig/9"), ("\"front\"", "7"), ("1e-6", "-1e-6"), ("{", "{ \"more\": 1,")] {
            let at = text.find(from).unwrap_or_else(|| panic!("{from} in {text}"));
            std::fs::write(&file, format!("{}{to}{}", &text[..at], &text[at + from.len()..])).unwrap();
            let problem = RigFile::read(&file).unwrap_err().to_string();
            assert!(problem.contains("rig.json") && problem.contains("live --rig"), "{problem}");
        }
    }
}
