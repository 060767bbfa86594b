//! Real photographs: the survey of a room with one phone camera whose lens is not known (`fixtures/room/README.md`).

use plumbsight::fit::median;
use plumbsight::record::{Purpose, read_job};
use plumbsight::session::measure;
use std::path::Path;

/// Focal length that the same camera's chessboard photographs give, px (source: `fixtures/room/README.md`).
const CHESSBOARD_F_PX: f64 = 768.4;

/// Its standard uncertainty, px (GUM 5.1.2): 2.2 px, which the calibration itself states where it fits best, and 3.2 px of scatter between 32 calibrations of the same
/// photographs with other windows of corner refinement and other distortion terms (763.6 to 773.5 px, mean 769.3; `tests/referee/room_chessboard.py`). Not counted:
/// an autofocus lens stands farther from its sensor for a board at arm's length than for a room, which makes f larger there by up to 1 % (from memory: f²/(s − f)).
const CHESSBOARD_U_PX: f64 = 3.9;

/// Median length of a corner residual that a plain adjustment of the best general-purpose detector's corners reaches on these photographs is
/// 0.43 to 0.52 px (own run of general-purpose libraries); the survey must be no worse than the best of it.
const MEDIAN_PX: f64 = 0.45;

#[test]
fn every_photograph_ties_in_and_no_mirror_solution_is_left() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/room");
    let job = read_job(&folder, Purpose::Survey).unwrap();
    let measured = measure(&job, &|_| ()).unwrap();
    let survey = &measured.survey;

    for (photo, seen) in measured.look.photos.iter().enumerate() {
        let linked = seen.tags.len() >= 2;
        let tied = survey.photos.iter().any(|p| p.photo == photo);
        assert!(!linked || tied, "{} shows {} tags and is not tied in", seen.name, seen.tags.len());
    }
    assert_eq!(survey.photos.len(), 32);
    assert!(survey.untied_bodies.is_empty(), "{:?}", survey.untied_bodies);

    let lengths = survey.residual_lengths_px();
    let rejected = survey.views.iter().filter(|v| !v.used).count();
    let rms = (lengths.iter().map(|l| l * l).sum::<f64>() / lengths.len() as f64).sqrt();
    let middle = median(&lengths).unwrap();
    let (f, u) = (survey.lenses[0].fx, survey.lens_sigma[0][0]);
    println!(
        "{} views, {rejected} rejected ({:.1} %), corner residual median {middle:.3} px, rms {rms:.3} px, f {f:.1} px (U {:.1})",
        survey.views.len(),
        100.0 * rejected as f64 / survey.views.len() as f64,
        1.96 * u
    );
    assert!(middle <= MEDIAN_PX, "median {middle}");
    assert!(rejected * 10 <= survey.views.len(), "{rejected} views rejected");
    assert!((f - CHESSBOARD_F_PX).abs() <= 1.96 * u.hypot(CHESSBOARD_U_PX), "f {f} with u {u}");
    // An uncertainty that covers everything would be no agreement.
    assert!(1.96 * u < 0.02 * f, "u {u}");

    // The room decides what a mirror solution would be: the tags hang upright on four vertical walls at right angles, so each tag's up is every
    // other's up, and the normals fall into four directions. A tag or photograph turned over stands out by far more than taped-up paper does.
    let up = survey.bodies[survey.reference].world_from_body.rotation().column(1).into_owned();
    let normal = survey.bodies[survey.reference].world_from_body.rotation().column(2).into_owned();
    let across = up.cross(&normal);
    for body in &survey.bodies {
        let r = body.world_from_body.rotation();
        let name = &job.kit.bodies[body.body].name;
        let tilt = r.column(1).dot(&up).clamp(-1.0, 1.0).acos().to_degrees();
        assert!(tilt < 10.0, "{name} hangs {tilt:.1} degrees from upright");
        let z = r.column(2);
        let heading = z.dot(&across).atan2(z.dot(&normal)).to_degrees();
        let off = (heading / 90.0 - (heading / 90.0).round()) * 90.0;
        // Only the last sheet of the chain hangs in a single photograph, where its two poses cannot be told apart for certain.
        let wanted = if body.n_photos == 1 { 15.0 } else { 9.0 };
        assert!(off.abs() < wanted, "{name} faces {heading:.1} degrees, {off:.1} from the nearest wall");
    }
}
