//! Made bays: their truth hangs together, their randomness is what their options say, and what hides a tag hides it.

use nalgebra::{DMatrix, DVector, Matrix3, SMatrix, SVector, Vector2, Vector3};
use plumbsight::body::{BodyKind, TagPlace};
use plumbsight::frames::Point;
use plumbsight::raster::ToneCurve;
use plumbsight::scene::render::{LightImage, RenderOptions, light_image, photograph};
use plumbsight::scene::{
    Bay, BayError, BayOptions, CornerNoise, DistanceFrom, LensKnowledge, LimitLaw, Setup, SixOffsets, Wheel,
};
use plumbsight::scene::{cameras, corners, draw, layout, render};
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

/// How far the sides of the tags in an image of light lie outside their true places (px): one value for each side, by least squares on
/// the pixels around it, with both brightnesses free.
fn side_shifts(made: &Bay, photo: usize, image: &LightImage, blur_px: f64, smallest_px: f64) -> Vec<(u16, f64, f64)> {
    let camera = &made.camera_from_world[photo];
    let project = |p: Vector3<f64>| made.lens.project(&(*camera * Point::claim(p))).expect("in front of the camera");
    // A straight edge seen through a Gaussian blur and a square pixel: very nearly a normal distribution with the variances added; what
    // differs is even in the distance from the edge and moves nothing.
    let sigma = (blur_px * blur_px + 1.0 / 12.0).sqrt();
    let mut shifts = Vec::new();
    for view in &made.perfect_photos()[photo].tags {
        let tag = made.layout.tags.iter().find(|tag| tag.id == view.id).expect("a tag of the bay");
        let corners = cameras::true_corners(tag);
        let middle = view.corners.iter().sum::<Vector2<f64>>() / 4.0;
        for k in 0..4 {
            let (from, to) = (corners[k], corners[(k + 1) % 4]);
            if (project(to) - project(from)).norm() < smallest_px {
                continue;
            }
            // The way across the tag, square to the side, must leave room for the border cell: a slanted tag is a flat rhomb.
            let (a, b) = (view.corners[k], view.corners[(k + 1) % 4]);
            let across = |c: Vector2<f64>| ((b - a).perp(&(c - a)) / (b - a).norm()).abs();
            let next = across(view.corners[(k + 2) % 4]).min(across(view.corners[(k + 3) % 4]));
            if next < smallest_px {
                continue;
            }
            let (mut normal_matrix, mut right_side) = (Matrix3::<f64>::zeros(), Vector3::<f64>::zeros());
            // Neither the inner cells nor the end of the white margin may come into it.
            let reach = (3.0 * sigma + 1.0).min(next / 8.0 - 1.5 * sigma);
            let (low, high) = (a.inf(&b).add_scalar(-reach), a.sup(&b).add_scalar(reach));
            for y in low.y.ceil() as usize..=high.y as usize {
                for x in low.x.ceil() as usize..=high.x as usize {
                    let pixel = Vector2::new(x as f64, y as f64);
                    // Foot of the pixel on the side as the lens bows it.
                    let mut s = (pixel - a).dot(&(b - a)) / (b - a).norm_squared();
                    let mut along = Vector2::zeros();
                    for _ in 0..3 {
                        along = (project(from + (to - from) * (s + 0.01)) - project(from + (to - from) * (s - 0.01)))
                            / 0.02;
                        s += (pixel - project(from + (to - from) * s)).dot(&along) / along.norm_squared();
                    }
                    if !(0.15..0.85).contains(&s) {
                        continue;
                    }
                    let foot = project(from + (to - from) * s);
                    let mut outward = Vector2::new(along.y, -along.x).normalize();
                    if outward.dot(&(foot - middle)) < 0.0 {
                        outward = -outward;
                    }
                    let d = outward.dot(&(pixel - foot));
                    if d.abs() > reach {
                        continue;
                    }
                    let step = 0.5 + 0.5 * erf(d / (sigma * std::f64::consts::SQRT_2));
                    let slope = (-0.5 * (d / sigma).powi(2)).exp() / (sigma * (2.0 * std::f64::consts::PI).sqrt());
                    // light = black + contrast * step(d - shift) ~ black + contrast * step - (contrast * shift) * slope
                    let row = Vector3::new(1.0, step, -slope);
                    normal_matrix += row * row.transpose();
                    right_side += row * f64::from(image.data[y * image.width + x]);
                }
            }
            let found = normal_matrix.cholesky().expect("enough pixels around the side").solve(&right_side);
            let angle = (b - a).y.atan2((b - a).x);
            shifts.push((view.id, angle, found[2] / found[1]));
        }
    }
    shifts
}

/// Error function to 1.5e-7. Source: Abramowitz and Stegun 1964, 7.1.26, coefficients from memory (checked below).
fn erf(x: f64) -> f64 {
    let t = 1.0 / (1.0 + 0.3275911 * x.abs());
    let p = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))));
    (1.0 - p * (-x * x).exp()).copysign(x)
}

/// The default bay from nearby: stand, floor sheets and a plate large in the image, the camera turned every way.
fn close_bay() -> Bay {
    let made = bay(BayOptions::default());
    let stand = made.layout.world_from_body[made.layout.stand].translation();
    let look = |eye: [f64; 3], at: Vector3<f64>, roll| cameras::look(Vector3::from(eye), at, roll);
    let camera_from_world = vec![
        look([stand.x - 1.5, 0.3, 1.1], stand + Vector3::new(0.0, 0.0, -0.05), 0.05),
        look([stand.x - 1.4, -0.9, 1.3], stand, 0.6),
        look([1.2, 2.7, 0.9], Vector3::new(1.3, 1.55, 0.0), -0.3),
        look([0.4, 2.0, 0.5], Vector3::new(0.1, 0.95, 0.3), 0.2),
        look([-2.3, 0.2, 1.0], Vector3::new(-1.25, 0.0, 0.0), 1.1),
    ];
    Bay { camera_from_world, ..made }
}

#[test]
fn painted_edges_are_where_they_belong() {
    // Source: erf(1) = 0.842700793, tables of the error function, value from memory.
    assert!((erf(1.0) - 0.842_700_793).abs() < 2e-7 && (erf(-1.0) + erf(1.0)).abs() < 1e-12);
    let made = close_bay();
    let (mut all, mut angles) = (Vec::new(), Vec::new());
    for (photo, blur_px) in [(0, 0.3), (1, 0.6), (2, 1.0), (3, 0.0), (4, 0.6)] {
        let options = RenderOptions { blur_px, vignetting: 0.0, ..Default::default() };
        let image = light_image(&made, &made.camera_from_world[photo], &options, photo as u32);
        let shifts = side_shifts(&made, photo, &image, blur_px, 60.0);
        assert!(shifts.len() >= 4, "photograph {photo}: only {} long sides", shifts.len());
        for &(id, angle, shift) in &shifts {
            assert!(shift.abs() < 0.01, "photograph {photo}, tag {id}, angle {angle:.2}: side is off by {shift:.4} px");
            all.push(shift);
            angles.push(angle);
        }
        let (mean, spread) = moments(&shifts.iter().map(|s| s.2).collect::<Vec<_>>());
        println!("blur {blur_px}: {} sides, mean {mean:.5}, spread {spread:.5} px", shifts.len());
        assert!(mean.abs() < 0.004, "blur {blur_px}: sides are off outwards by {mean:.4} px");
    }
    // From where photographs are usually taken: small tags, seen at a slant.
    let usual = bay(BayOptions::default());
    let (options, mut small) = (RenderOptions { vignetting: 0.0, ..Default::default() }, Vec::new());
    for photo in [0, 4, 8] {
        let image = light_image(&usual, &usual.camera_from_world[photo], &options, photo as u32);
        small.extend(side_shifts(&usual, photo, &image, options.blur_px, 34.0));
    }
    for &(id, angle, shift) in &small {
        assert!(shift.abs() < 0.015, "tag {id}, angle {angle:.2}: side is off by {shift:.4} px");
    }
    let (mean, spread) = moments(&small.iter().map(|s| s.2).collect::<Vec<_>>());
    println!("small tags: {} sides, mean {mean:.5}, spread {spread:.5} px", small.len());
    assert!(small.len() >= 20 && mean.abs() < 0.002 && spread < 0.005, "{} sides: {mean:.5}, {spread:.5}", small.len());

    let (mean, spread) = moments(&all);
    assert!(mean.abs() < 0.002 && spread < 0.005, "{} sides: mean {mean:.5}, spread {spread:.5} px", all.len());
    assert!(moments(&angles).1 > 1.0, "the sides must point every way");
}

#[test]
fn blur_and_pixel_area_are_as_wide_as_stated() {
    let made = close_bay();
    // Without blur the step is a box (or a trapezoid), which the normal step that is fitted takes for a little wider.
    for (blur_px, allowed) in [(0.0, 0.05), (0.4, 0.02), (0.8, 0.02), (1.5, 0.02)] {
        let options = RenderOptions { blur_px, vignetting: 0.0, ..Default::default() };
        let image = light_image(&made, &made.camera_from_world[0], &options, 7);
        let width = edge_width(&made, 0, &image);
        let stated = (blur_px * blur_px + 1.0 / 12.0).sqrt();
        assert!((width - stated).abs() < allowed, "blur {blur_px}: edges are {width:.3} px wide for {stated:.3}");
    }
}

/// Standard deviation of the edge spread over all long sides, px: the width for which the normal step fits best.
fn edge_width(made: &Bay, photo: usize, image: &LightImage) -> f64 {
    let camera = &made.camera_from_world[photo];
    let project = |p: Vector3<f64>| made.lens.project(&(*camera * Point::claim(p))).expect("in front of the camera");
    let mut best = Vec::new();
    for view in &made.perfect_photos()[photo].tags {
        if (0..4).any(|k| (view.corners[(k + 1) % 4] - view.corners[k]).norm() < 60.0) {
            continue;
        }
        let corners =
            cameras::true_corners(made.layout.tags.iter().find(|tag| tag.id == view.id).expect("a tag of the bay"));
        let (from, to) = (corners[0], corners[1]);
        // Chords so short that the lens bows them by nothing.
        let mut samples: Vec<(f64, f64)> = Vec::new();
        let (a, b) = (project(from + (to - from) * 0.3), project(from + (to - from) * 0.7));
        let along = (b - a).normalize();
        let middle = view.corners.iter().sum::<Vector2<f64>>() / 4.0;
        let mut outward = Vector2::new(along.y, -along.x);
        if outward.dot(&(a - middle)) < 0.0 {
            outward = -outward;
        }
        for y in 0..image.height {
            for x in 0..image.width {
                let pixel = Vector2::new(x as f64, y as f64) - a;
                let (s, d) = (along.dot(&pixel), outward.dot(&pixel));
                if s > 0.0 && s < (b - a).norm() && d.abs() < 6.0 {
                    samples.push((d, f64::from(image.data[y * image.width + x])));
                }
            }
        }
        let left_over = |sigma: f64| {
            let rows = samples.iter().map(|(d, _)| [1.0, 0.5 + 0.5 * erf(d / (sigma * std::f64::consts::SQRT_2))]);
            let a = DMatrix::from_row_iterator(samples.len(), 2, rows.flatten());
            let light = DVector::from_iterator(samples.len(), samples.iter().map(|s| s.1));
            let fit = (a.transpose() * &a).cholesky().expect("two levels").solve(&(a.transpose() * &light));
            (&light - a * fit).norm_squared()
        };
        let widths: Vec<f64> = (20..200).map(|k| 0.01 * f64::from(k)).collect();
        best.push(widths.into_iter().min_by(|&u, &v| left_over(u).total_cmp(&left_over(v))).expect("there are widths"));
    }
    assert!(best.len() >= 2, "too few large tags");
    best.iter().sum::<f64>() / best.len() as f64
}

#[test]
fn photographs_do_not_depend_on_the_number_of_threads() {
    let mut lens = BayOptions::default().lens;
    (lens.width, lens.height, lens.fx, lens.fy, lens.cx, lens.cy) = (480, 270, 345.0, 345.0, 239.0, 135.0);
    let made = bay(BayOptions { n_photos: 30, ..Default::default() });
    let small = Bay { lens, ..made };
    let painted = |threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("threads");
        pool.install(|| photograph(&small, 4, &RenderOptions::default())).expect("photograph 4 exists")
    };
    let one = painted(1);
    assert_eq!(one, painted(3));
    assert_eq!((one.width(), one.height()), (480, 270));
    assert!(photograph(&small, 30, &RenderOptions::default()).is_none(), "there are 30 photographs, 0 to 29");
    // Another number, another noise; no noise, no difference between numbers but in the places of sub-samples.
    let camera = small.camera_from_world[4];
    assert_ne!(render::view(&small, &camera, &RenderOptions::default(), 5), one);
}

#[test]
fn the_sensor_adds_the_stated_noise() {
    let options = RenderOptions { mean_light: 0.3, electrons: 2000.0, read_noise_e: 8.0, ..Default::default() };
    let even = LightImage { width: 300, height: 200, data: vec![0.07; 60_000] };
    let image = render::expose(&even, &options, &mut draw::Draw::new(1, draw::Purpose::Photo(0)));
    let light = ToneCurve::Srgb.light_table();
    let values: Vec<f64> = image.data().iter().map(|&code| f64::from(light[usize::from(code)])).collect();
    let (mean, spread) = moments(&values);
    // Variance in electrons: 600 + 64, and the rounding to codes: one code is 0.0044 of light here, variance 1/12 of its square.
    let stated = ((600.0 + 64.0) / 2000f64.powi(2) + 0.0044f64.powi(2) / 12.0).sqrt();
    assert!((mean - 0.3).abs() < 5.0 * stated / 60_000f64.sqrt() + 1e-4, "{mean}");
    assert!((spread / stated - 1.0).abs() < 0.02, "{spread} for {stated}");
}
