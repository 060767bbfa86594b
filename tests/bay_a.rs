//! The shipped path-traced bay (made by an independent physically based renderer, `fixtures/bay-a/README.md`) against its exact truth.

mod traced;

use plumbsight::placement::Component;
use plumbsight::units::{deg_from_rad, mm_from_m};
use std::path::Path;
use traced::{Clamps, Traced, run};

fn bay(clamps: Clamps) -> Traced {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/bay-a");
    run(&folder, &folder.join("photos"), 0, clamps)
}

/// Error of a deviation and the U it is stated with, in mm or degrees.
fn error(bay: &Traced, component: Component) -> (f64, f64) {
    let k = component.index();
    let edge = if component.is_angle() { deg_from_rad } else { mm_from_m };
    let estimate = bay.assessment.stations[0].deviations[k].deviation;
    (edge(estimate.value - bay.truth[k]), edge(estimate.expanded))
}

#[test]
fn all_six_truths_lie_inside_u_with_clamps_that_wobble() {
    let bay = bay(Clamps::Limits);
    for component in Component::ALL {
        let (error, u) = error(&bay, component);
        assert!(error.abs() <= u, "{}: error {error:.3}, U {u:.3}", component.name());
    }
}

#[test]
fn with_the_clamps_known_the_photographs_are_as_good_as_promised() {
    let bay = bay(Clamps::Known);
    // Millimetres and degrees: what is asked of the photogrammetry alone.
    for (component, most) in Component::ALL.into_iter().zip([1.0, 1.0, 1.0, 0.05, 0.03, 0.03]) {
        let (error, u) = error(&bay, component);
        assert!(error.abs() <= most, "{}: error {error:.3}", component.name());
        assert!(error.abs() <= u, "{}: error {error:.3}, U {u:.3}", component.name());
    }
    for (k, off) in bay.stand_on_sheets.iter().enumerate() {
        let (off, most) = if k < 3 { (mm_from_m(*off), 0.6) } else { (deg_from_rad(*off), 0.02) };
        assert!(off.abs() <= most, "stand against the sheets, component {k}: {off:.3}");
    }
}
