//! Where a picture's pose may be, before it is fitted: from the tags alone, both solutions of a flat tag kept until one is clearly better.

use super::view::{Sight, Through};
use crate::body::spans_m;
use crate::frames::{Camera, Point, Pose, Tag};
use crate::pose::{SeenTag, ViewLoss, distinct_poses, planar_poses, refine_view_pose};
use crate::survey::CLEAR_MIRROR_MARGIN;
use nalgebra::Matrix3;

/// How tags count in a start: 0.3 px, and beyond three standard deviations less: χ² of the eight numbers of a tag up to 72 = 8 · 3². Common practice, no source.
const LOSS: ViewLoss = ViewLoss { sigma_px: 0.3, limit: 72.0 };

/// Standard deviation of a corner for the choice between two mirror poses, px: what sharp pictures are good for. Common practice, no source.
const MIRROR_PX: f64 = 0.1;

/// A picture in which no tag of the frame is more than this off is taken as continuing the last one, px: a fast pan from frame to frame; only where the fit begins depends on it. Common practice, no source.
const CONTINUES_PX: f64 = 60.0;

/// Why there is no start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum NoStart {
    /// The tags give no pose.
    None,
    /// Two poses fit almost equally well.
    Mirror,
}

/// A pose near the solution; `last`: where it was in the picture before.
pub(super) fn start_of<F>(
    through: &Through,
    sights: &[Sight],
    last: Option<&Pose<Camera, F>>,
) -> Result<Pose<Camera, F>, NoStart> {
    let lens = through.lens();
    let tags: Vec<SeenTag> =
        sights.iter().map(|s| SeenTag { corners_m: s.known.corners, pixels: s.seen.corners }).collect();
    if let Some(last) = last {
        let continues = sights.iter().all(|s| {
            s.known.corners.iter().zip(&s.seen.corners).all(|(corner, pixel)| {
                lens.project(&(*last * Point::<F>::claim(*corner))).is_some_and(|p| (p - pixel).norm() < CONTINUES_PX)
            })
        });
        if continues && let Some(found) = refine_view_pose(lens, last, &tags, &LOSS) {
            return Ok(found.camera_from_frame);
        }
    }
    let mut singles = Vec::new();
    for sight in sights {
        let corners = &sight.known.corners;
        let [right, up] = spans_m(corners);
        let side = 0.5 * (right + up);
        let x = (corners[1] - corners[0] + corners[2] - corners[3]).normalize();
        let up = corners[3] - corners[0] + corners[2] - corners[1];
        let z = x.cross(&up).normalize();
        let centre = corners.iter().sum::<nalgebra::Vector3<f64>>() / 4.0;
        let frame_from_tag: Pose<F, Tag> = Pose::claim_matrix(&Matrix3::from_columns(&[x, z.cross(&x), z]), centre);
        let tag_from_frame = frame_from_tag.inverse();
        singles.extend(planar_poses(lens, side, &sight.seen.corners).into_iter().map(|p| p * tag_from_frame));
    }
    let found = distinct_poses(lens, &singles, &tags, &LOSS);
    match found.as_slice() {
        [] => Err(NoStart::None),
        [one] => Ok(one.camera_from_frame),
        [one, two, ..] => {
            let margin = (two.cost - one.cost) * (LOSS.sigma_px / MIRROR_PX).powi(2);
            if margin < CLEAR_MIRROR_MARGIN { Err(NoStart::Mirror) } else { Ok(one.camera_from_frame) }
        }
    }
}
