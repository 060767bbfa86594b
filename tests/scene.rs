//! Made bays: their truth hangs together, their randomness is what their options say, and what hides a tag hides it.

use nalgebra::{DMatrix, SMatrix, SVector, Vector3};
use plumbsight::body::{BodyKind, TagPlace};
use plumbsight::frames::Point;
use plumbsight::scene::{
    Bay, BayError, BayOptions, CornerNoise, DistanceFrom, LensKnowledge, LimitLaw, Setup, SixOffsets, Wheel,
};
use plumbsight::scene::{cameras, corners, layout};
use plumbsight::units::rad_from_deg;

fn bay(options: BayOptions) -> Bay {
    Bay::new(&options).unwrap_or_else(|e| panic!("{e}"))
}

/// Mean and standard deviation.
fn moments(values: &[f64]) -> (f64, f64) {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (mean, (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt())
}

#[test]
fn the_seed_decides_everything() {
    let one = bay(BayOptions { seed: 5, ..Default::default() });
    let same = bay(BayOptions { seed: 5, ..Default::default() });
    assert_eq!(one.survey_input(), same.survey_input());
    assert_eq!(one.camera_from_world, same.camera_from_world);
    let other = bay(BayOptions { seed: 6, ..Default::default() });
    assert_ne!(one.camera_from_world, other.camera_from_world);
    assert_ne!(one.layout.world_from_body, other.layout.world_from_body);
    // Another noise for the same bay: same tags, other corners.
    let (a, b) = (one.noisy_photos(0), one.noisy_photos(1));
    assert_eq!(a.iter().map(|p| p.tags.len()).collect::<Vec<_>>(), b.iter().map(|p| p.tags.len()).collect::<Vec<_>>());
    assert_ne!(a, b);
    // Less noise leaves bay and cameras as they were.
    let noise = CornerNoise { sigma_px: 0.0, outward_px: 0.0 };
    let quiet = bay(BayOptions { seed: 5, noise, ..Default::default() });
    assert_eq!(quiet.camera_from_world, one.camera_from_world);
    assert_eq!(quiet.layout.world_from_body, one.layout.world_from_body);
}

#[test]
fn the_true_offsets_are_those_asked_for() {
    for (seed, from, distance_m) in
        [(1, DistanceFrom::FrontAxle, 1.6), (2, DistanceFrom::RearAxle, 4.4), (3, DistanceFrom::FrontAxle, 2.1)]
    {
        let stand =
            SixOffsets::from_array([0.012, -0.031, 0.004, rad_from_deg(0.8), rad_from_deg(-0.3), rad_from_deg(0.5)]);
        let setup = Setup { from, distance_m, lateral_m: 0.05, height_m: 0.9 };
        let made = bay(BayOptions { seed, stand, setup, ..Default::default() });
        let found = made.stand_offsets_from_places().to_array();
        for (k, (found, asked)) in found.iter().zip(stand.to_array()).enumerate() {
            assert!((found - asked).abs() < 1e-9, "seed {seed}, component {k}: {found} for {asked}");
        }
    }
    // With a spread they differ from the asked ones by up to it, and the truth says by how much.
    let stand_spread = SixOffsets::from_array([0.01; 6]);
    let made = bay(BayOptions { stand_spread, ..Default::default() });
    let (told, found) = (made.stand_offsets().to_array(), made.stand_offsets_from_places().to_array());
    for k in 0..6 {
        assert!(
            (found[k] - told[k]).abs() < 1e-9 && told[k].abs() <= 0.01 && told[k] != 0.0,
            "{k}: {} {}",
            told[k],
            found[k]
        );
    }
}

#[test]
fn plates_sit_on_their_wheels_with_the_stated_errors() {
    let made = bay(BayOptions { front_plates: true, ..Default::default() });
    assert_eq!(made.layout.kit.bodies.iter().filter(|b| b.kind == BodyKind::Plate).count(), 4);
    for wheel in &made.layout.wheels {
        let plate = wheel.plate.expect("every wheel carries a plate here");
        let vehicle_from_plate = made.vehicle_from_body(plate.body);
        let hub = vehicle_from_plate * plate.hub_in_plate;
        let axis = vehicle_from_plate * plate.axis_in_plate;
        assert!((hub.coords - wheel.hub_in_vehicle.coords).norm() < 1e-12);
        assert!((axis.coords - wheel.axis_in_vehicle.coords).norm() < 1e-12);
        assert!(wheel.axis_in_vehicle.coords.y * wheel.wheel.side() > 0.99, "the axis points out of the car");
        // The default law puts run-out and eccentricity exactly at their limits.
        let tilt = plate.axis_in_plate.coords.angle(&Vector3::z());
        assert!((tilt.tan() - made.options.run_out_limit_rad).abs() < 1e-12, "{tilt}");
        let along = plate.hub_in_plate.coords.z / plate.axis_in_plate.coords.z;
        let across = plate.hub_in_plate.coords - plate.axis_in_plate.coords * along;
        assert!((across.norm() - made.options.eccentricity_limit_m).abs() < 1e-12);
        assert!((-along - made.options.stand_off_m).abs() < 5.0 * made.options.sigma_stand_off_m);
    }
    let [rear_left, rear_right, ..] = &made.layout.wheels;
    let middle = (rear_left.hub_in_vehicle.coords + rear_right.hub_in_vehicle.coords) / 2.0;
    assert!((middle - Vector3::new(0.0, 0.0, made.options.hub_height_m)).norm() < 1e-12);
    assert_eq!(Wheel::ALL.map(Wheel::side), [1.0, -1.0, 1.0, -1.0]);
}

/// Over many seeds every random quantity has the standard deviation that its option states.
#[test]
fn drawn_quantities_have_the_stated_spread() {
    let n = 600;
    for law in [LimitLaw::Rim, LimitLaw::Normal, LimitLaw::Disc] {
        let options = |seed| BayOptions {
            seed,
            limit_law: law,
            sigma_place_m: 0.0002,
            sigma_place_rad: 0.001,
            ..Default::default()
        };
        let layouts: Vec<_> = (0..n).map(|seed| layout::lay_out(&options(seed))).collect();
        let stated = options(0);
        let share = if law == LimitLaw::Disc { 0.5 } else { std::f64::consts::FRAC_1_SQRT_2 };
        let plate = |l: &layout::Layout| l.wheels[1].plate.expect("rear plates are always there");
        let height =
            |l: &layout::Layout| l.tags.last().expect("the last tag is a floor sheet's").world_from_tag.translation().z;
        let side = |l: &layout::Layout| l.tags[3].side_m / layout::SHEET_SIDE_M - 1.0;
        let both = |a: f64, b: f64| a.hypot(b);
        type Quantity<'a> = (&'a str, f64, f64, &'a dyn Fn(&layout::Layout) -> f64);
        let quantities: [Quantity; 7] = [
            ("run-out", 0.0, share * stated.run_out_limit_rad, &|l| plate(l).axis_in_plate.coords.x),
            ("wheelbase", stated.wheelbase_m, stated.sigma_wheelbase_m, &|l| l.wheelbase_m),
            ("height", stated.thickness_m, both(stated.sigma_thickness_m, stated.sigma_uneven_m), &height),
            ("print", 0.0, both(stated.sigma_print_common, stated.sigma_print_each), &side),
            ("place", 0.0, both(stated.sigma_place_m, 0.48 * stated.sigma_place_rad), &place_shift),
            ("eccentricity", 0.0, share * stated.eccentricity_limit_m, &|l| {
                let (hub, axis) = (plate(l).hub_in_plate.coords, plate(l).axis_in_plate.coords);
                hub.x - axis.x * hub.z / axis.z
            }),
            ("sheet tilt", 0.0, stated.sigma_sheet_tilt_rad, &|l| l.tags[15].world_from_tag.rotation()[(0, 2)]),
        ];
        for (name, mean, sigma, of) in quantities {
            let (got_mean, got) = moments(&layouts.iter().map(of).collect::<Vec<_>>());
            // Standard error of a normal sample's deviation: 1/sqrt(2n) = 2.9 %; of its mean: 4.1 % of sigma. Four and a half of each.
            assert!((got / sigma - 1.0).abs() < 0.13, "{law:?} {name}: {got:.3e}, stated {sigma:.3e}");
            assert!((got_mean - mean).abs() < 0.185 * sigma, "{law:?} {name}: mean {got_mean:.3e} for {mean:.3e}");
        }
    }
}

/// How far a point half a metre above a stand tag moves sideways because the tag's place is off: its own shift and its turn about z over 0.48 m.
fn place_shift(l: &layout::Layout) -> f64 {
    let TagPlace::Measured { body_from_tag, .. } = &l.kit.bodies[l.stand].tags[2].place else {
        panic!("stated as measured")
    };
    let off = l.tags[2].body_from_tag.inverse() * (*body_from_tag * Point::claim(Vector3::new(0.0, 0.48, 0.0)));
    off.coords.x
}

#[test]
fn corner_errors_follow_the_stated_covariance() {
    let noise = CornerNoise { sigma_px: 0.2, outward_px: 0.15 };
    let made = bay(BayOptions { noise, ..Default::default() });
    let perfect = made.perfect_photos();
    let (mut chi, mut n_views, mut normalised) = (0.0, 0usize, SMatrix::<f64, 8, 8>::zeros());
    for noise_seed in 0..40 {
        for (seen, truth) in made.noisy_photos(noise_seed).iter().zip(&perfect) {
            for (a, b) in seen.tags.iter().zip(&truth.tags) {
                assert_eq!((a.id, &a.cov), (b.id, &b.cov));
                let error = SVector::<f64, 8>::from_fn(|i, _| a.corners[i / 2][i % 2] - b.corners[i / 2][i % 2]);
                let l = a.cov.cholesky().expect("a stated covariance is positive definite").l();
                let unit = l.solve_lower_triangular(&error).expect("its factor has no zero on the diagonal");
                chi += unit.norm_squared();
                normalised += unit * unit.transpose();
                n_views += 1;
            }
        }
    }
    // Chi-square with 8 n degrees of freedom: mean 8 n, standard deviation sqrt(16 n). Four and a half of it.
    let n = n_views as f64;
    assert!(n > 5000.0, "{n}");
    assert!((chi - 8.0 * n).abs() < 4.5 * (16.0 * n).sqrt(), "chi-square {chi} for {} degrees of freedom", 8.0 * n);
    // And every covariance of two normalised errors: 0 or 1, standard error 1/sqrt(n) (sqrt(2/n) on the diagonal).
    let off = (normalised / n - SMatrix::identity()).abs().max();
    assert!(off < 5.0 * (2.0 / n).sqrt(), "{off}");
}

#[test]
fn the_stated_lens_is_off_by_its_stated_covariance() {
    let sigma = SVector::<f64, 9>::from([1.2, 1.2, 0.8, 0.8, 2e-3, 4e-3, 1e-4, 1e-4, 1e-3]);
    let mut cov = SMatrix::<f64, 9, 9>::from_diagonal(&sigma.component_mul(&sigma));
    // Focal lengths go together, as in any calibration.
    cov[(0, 1)] = 0.95 * 1.2 * 1.2;
    cov[(1, 0)] = cov[(0, 1)];
    let (mut chi, n) = (0.0, 60);
    for seed in 0..n {
        let made =
            bay(BayOptions { seed, lens_knowledge: LensKnowledge::Measured(Box::new(cov)), ..Default::default() });
        let off = made.stated_lens.lens.parameters() - made.lens.parameters();
        chi += off.dot(&cov.cholesky().expect("positive definite").solve(&off));
    }
    let dof = 9.0 * n as f64;
    assert!((chi - dof).abs() < 4.5 * (2.0 * dof).sqrt(), "chi-square {chi} for {dof}");
}

#[test]
fn every_default_bay_is_one_network() {
    for seed in 0..40 {
        let made = bay(BayOptions {
            seed,
            n_photos: 20 + (seed as usize % 11),
            front_plates: seed % 2 == 1,
            ..Default::default()
        });
        let n = made.layout.kit.bodies.len();
        let photos = made.perfect_photos();
        assert_eq!(photos.len(), made.options.n_photos);
        // Photographs tie bodies together: the graph's Laplacian has one zero eigenvalue for each piece of the network.
        let (mut laplacian, mut seen) = (DMatrix::<f64>::zeros(n, n), vec![0usize; n]);
        for photo in &photos {
            assert!(photo.tags.len() >= 4, "seed {seed}, photograph {}: {} tags", photo.name, photo.tags.len());
            let mut bodies: Vec<usize> =
                photo.tags.iter().map(|t| made.layout.kit.find_tag(t.id).expect("a tag of the kit").0).collect();
            bodies.dedup();
            for (i, &a) in bodies.iter().enumerate() {
                seen[a] += 1;
                for &b in &bodies[i + 1..] {
                    laplacian[(a, a)] += 1.0;
                    laplacian[(b, b)] += 1.0;
                    laplacian[(a, b)] -= 1.0;
                    laplacian[(b, a)] -= 1.0;
                }
            }
        }
        assert!(seen.iter().all(|&k| k >= 2), "seed {seed}: {seen:?}");
        let pieces = laplacian.symmetric_eigenvalues().iter().filter(|v| v.abs() < 1e-9).count();
        assert_eq!(pieces, 1, "seed {seed}");
    }
}

#[test]
fn what_is_hidden_is_not_seen() {
    let made = bay(BayOptions { front_plates: true, n_photos: 40, ..Default::default() });
    let (mut shown, mut hidden) = (0, 0);
    for (camera, photo) in made.camera_from_world.iter().zip(made.perfect_photos()) {
        let eye = camera.inverse().translation();
        for tag in &made.layout.tags {
            let view = photo.tags.iter().find(|view| view.id == tag.id);
            let centre = tag.world_from_tag.translation();
            // Does the line of sight pass through the core of the car? Found by walking along it, not by the scene's own geometry.
            let through_car = (1..400).any(|k| {
                let p = eye + (centre - eye) * (f64::from(k) / 400.0);
                p.x > -0.7 && p.x < made.layout.wheelbase_m + 0.6 && p.y.abs() < 0.8 && p.z > 0.3 && p.z < 0.65
            });
            let Some(view) = view else {
                hidden += usize::from(through_car);
                continue;
            };
            shown += 1;
            assert!(!through_car, "photograph {}, tag {}: seen through the car", photo.name, tag.id);
            let normal = tag.world_from_tag.rotation().column(2).into_owned();
            assert!(normal.angle(&(eye - centre)) < cameras::STEEPEST_RAD + 1e-9);
            // Counter-clockwise on the print is counter-clockwise to the eye: with y down the area comes out negative.
            let area: f64 = (0..4).map(|k| view.corners[k].perp(&view.corners[(k + 1) % 4])).sum();
            assert!(area < -cameras::SMALLEST_PX, "photograph {}, tag {}: turned over", photo.name, tag.id);
            for (corner, pixel) in cameras::true_corners(tag).iter().zip(&view.corners) {
                let again = made.lens.project(&(*camera * Point::claim(*corner))).expect("in front of the camera");
                assert!((again - pixel).norm() < 1e-9);
                assert!(
                    pixel.x > 0.0
                        && pixel.y > 0.0
                        && pixel.x < made.lens.width as f64
                        && pixel.y < made.lens.height as f64
                );
            }
        }
    }
    assert!(shown > 200 && hidden > 50, "{shown} shown, {hidden} behind the car");
}

#[test]
fn the_covariance_of_a_view_depends_on_its_size_as_stated() {
    let noise = CornerNoise { sigma_px: 0.1, outward_px: 0.0 };
    let square = |side: f64| [[0.0, side], [side, side], [side, 0.0], [0.0, 0.0]].map(nalgebra::Vector2::from);
    let variance = |side| corners::corner_cov(&noise, &square(side))[(3, 3)];
    assert!((variance(corners::NOISE_SIDE_PX) - 0.01).abs() < 1e-7);
    assert!((variance(4.0 * corners::NOISE_SIDE_PX) - 0.0025).abs() < 1e-7);
}

#[test]
fn a_walk_that_shows_too_little_is_refused_with_the_reason() {
    let mut lens = BayOptions::default().lens;
    (lens.fx, lens.fy) = (9000.0, 9000.0);
    let error = Bay::new(&BayOptions { lens, n_photos: 8, ..Default::default() }).unwrap_err();
    assert!(matches!(error, BayError::Unlinked { n_photos: 8, .. }), "{error}");
    assert!(error.to_string().contains("wider lens"), "{error}");
}
