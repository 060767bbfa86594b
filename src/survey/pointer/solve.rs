//! The ties of a pointer's holds.
//!
//! ```text
//! R_i tip + t_i − point + e_i = 0     R_i, t_i: the pointer's pose in hold i, an observation with the survey's covariance
//!                                     e_i: touch, u_touch in each coordinate
//! tip = tip as measured               where it was measured
//! ```
//!
//! Conditions with unknowns (Gauss-Helmert), solved by repeated linearisation about the adjusted poses. To first order this is the joint adjustment of
//! photographs and ties. Source: W. Förstner and B. Wrobel, "Photogrammetric computer vision", 2016, section 4.8, from memory; with exact
//! poses it is the closed-form pivot calibration. A slip is tested as Baarda tests a blunder in several coordinates at once, with
//! correlated observations: k' Q_kk⁻ k of the hold's own three multipliers.

use super::{
    FEWEST_HOLDS, FEWEST_TILTS, HoldResult, LEAST_TILT_RAD, PointFound, TipFound, TouchFault, Touched, Touching,
};
use crate::fit::{chi_square_quantile, normal_quantile, spd_inverse};
use crate::frames::{Body, Point, Pose, World, skew};
use crate::survey::covariance::PoseMap;
use crate::survey::{CLEAR_MIRROR_MARGIN, Survey};
use crate::units::{deg_from_rad, mm_from_m};
use nalgebra::{DMatrix, DVector, Matrix3, Vector3, Vector6};

/// Chance that a sound set of holds loses one of them.
const FALSE_ALARM: f64 = 0.001;

/// Most linearisations, and the step (m) below which they end.
const MOST_ROUNDS: usize = 20;
const STILL_M: f64 = 1e-9;

/// Below this share of its own variance the other holds say next to nothing of a direction of a hold's error.
const CHECKED_SHARE: f64 = 0.02;

/// A tip more than this many holds of which are left out is no tip: one in so many.
const FEWEST_SOUND: usize = 3;

/// A hold that could be seen.
#[derive(Clone, Copy, Debug)]
struct Seen {
    hold: usize,
    point: usize,
    /// Index into the survey's bodies.
    at: usize,
    pose: Pose<World, Body>,
}

/// One solution of the ties.
struct Solution {
    tip: Vector3<f64>,
    /// Places of the points, in the order of `points`.
    places: Vec<Vector3<f64>>,
    /// Indices into [`Touching::points`].
    points: Vec<usize>,
    /// Covariance of tip and points: 3 + 3 n.
    cov: DMatrix<f64>,
    /// d (tip, points) / d (six-steps of the holds' poses).
    by_pose: DMatrix<f64>,
    /// d (tip, points) / d (touch errors).
    by_touch: DMatrix<f64>,
    /// For each hold: what the tip is off (m), test value and degrees of freedom.
    tests: Vec<(Vector3<f64>, f64, usize)>,
}

pub(super) fn solve(survey: &Survey, touching: &Touching) -> Touched {
    let (mut used, mut results) = seen_holds(survey, touching);
    let n_seen = used.len();
    let z = -normal_quantile(FALSE_ALARM / n_seen.max(1) as f64);
    let mut not_found: Vec<(usize, TouchFault)> = Vec::new();
    loop {
        // A point that too few holds touch says nothing and takes no part.
        let count = |used: &[Seen], point: usize| used.iter().filter(|s| s.point == point).count();
        for point in 0..touching.points.len() {
            let got = count(&used, point);
            if got < FEWEST_HOLDS && !not_found.iter().any(|(p, _)| *p == point) {
                not_found.push((point, TouchFault::TooFewHolds { got, needed: FEWEST_HOLDS }));
            }
        }
        used.retain(|s| !not_found.iter().any(|(p, _)| *p == s.point));
        let moved_rad = least_movement_rad(&used);
        let solution = match tip_fault(touching, &used, moved_rad, &results) {
            Some(fault) => Err(fault),
            None => solve_ties(survey, touching, &used),
        };
        let solution = match solution {
            Ok(solution) => solution,
            Err(fault) => return nothing(touching, not_found, results, fault),
        };
        let worst = (0..used.len())
            .filter(|k| solution.tests[*k].2 > 0)
            .map(|k| (solution.tests[k].1 / chi_square_quantile(z, solution.tests[k].2 as f64), k))
            .max_by(|a, b| a.0.total_cmp(&b.0));
        for (seen, (off, statistic, dof)) in used.iter().zip(&solution.tests) {
            let limit = chi_square_quantile(z, (*dof).max(1) as f64);
            results[seen.hold] =
                HoldResult { hold: seen.hold, off_m: *off, statistic: *statistic, dof: *dof, limit, left_out: None };
        }
        let Some((_, k)) = worst.filter(|(ratio, _)| *ratio > 1.0) else {
            not_found.sort_by_key(|(point, _)| *point);
            return found(survey, touching, &used, solution, moved_rad, not_found, results);
        };
        let bad = used[k];
        let result = results[bad.hold].clone();
        let off_mm = mm_from_m(result.off_m.norm());
        // Of two holds that contradict each other nobody can tell which is wrong, nor where every third one had to go.
        if count(&used, bad.point) > FEWEST_HOLDS && FEWEST_SOUND * (n_seen - used.len() + 1) <= n_seen {
            let reason = format!(
                "its tip is {off_mm:.1} mm beside the point that the other holds touch: it slipped or touched another place"
            );
            results[bad.hold].left_out = Some(reason);
            used.remove(k);
        } else {
            let fault = TouchFault::HoldsDisagree {
                off_mm,
                photograph: touching.holds[bad.hold].photograph.clone(),
                statistic: result.statistic,
                limit: result.limit,
            };
            for seen in used.iter().filter(|s| s.point == bad.point) {
                results[seen.hold].left_out = Some("the holds of this point contradict each other".into());
            }
            not_found.retain(|(p, _)| *p != bad.point);
            not_found.push((bad.point, fault));
        }
    }
}

/// The holds whose pointer was found, and a result for every hold: why it is left out, where it is.
fn seen_holds(survey: &Survey, touching: &Touching) -> (Vec<Seen>, Vec<HoldResult>) {
    let mut used = Vec::new();
    let mut results = Vec::new();
    for (k, hold) in touching.holds.iter().enumerate() {
        let at = survey.bodies.iter().position(|b| b.body == touching.pointer.body && b.hold == Some(k));
        let open = at.is_some_and(|b| survey.bodies[b].mirror_margin.is_some_and(|m| m < CLEAR_MIRROR_MARGIN));
        let left_out = match at {
            None => Some(
                "the pointer was not found together with other tags in it: photograph it with at least two tags of other bodies".to_owned(),
            ),
            Some(_) if open => Some(
                "two poses of the pointer fit it almost equally well: photograph this hold from another side, or use a pointer with two \
                 sheets that stand at an angle"
                    .to_owned(),
            ),
            Some(b) => {
                used.push(Seen { hold: k, point: hold.point, at: b, pose: survey.bodies[b].world_from_body });
                None
            }
        };
        results.push(HoldResult { hold: k, off_m: Vector3::zeros(), statistic: 0.0, dof: 0, limit: 0.0, left_out });
    }
    (used, results)
}

/// Over the holds of each point: root mean square movement (rad) of the direction on the pointer that moves least, the square root of the smallest
/// eigenvalue of Σ (R − R̄)' (R − R̄) / n.
fn least_movement_rad(used: &[Seen]) -> f64 {
    let mut scatter = Matrix3::<f64>::zeros();
    for first in used {
        let own: Vec<Matrix3<f64>> =
            used.iter().filter(|s| s.point == first.point).map(|s| s.pose.rotation()).collect();
        let mean = own.iter().sum::<Matrix3<f64>>() / own.len() as f64;
        let r = first.pose.rotation() - mean;
        scatter += r.transpose() * r;
    }
    (scatter / used.len().max(1) as f64).symmetric_eigenvalues().min().max(0.0).sqrt()
}

/// Why the tip cannot be had from these holds.
fn tip_fault(touching: &Touching, used: &[Seen], moved_rad: f64, results: &[HoldResult]) -> Option<TouchFault> {
    if used.is_empty() {
        let why = results.iter().find_map(|r| r.left_out.clone()).unwrap_or_else(|| "no hold is usable".into());
        return Some(TouchFault::NotSolved(why));
    }
    if touching.pointer.tip.is_some() {
        return None;
    }
    let mut points: Vec<usize> = used.iter().map(|s| s.point).collect();
    points.sort_unstable();
    points.dedup();
    let beyond = used.len() - points.len();
    if beyond < FEWEST_TILTS {
        return Some(TouchFault::TooFewTilts {
            got: used.len(),
            needed: FEWEST_TILTS + 1,
            short: FEWEST_TILTS - beyond,
        });
    }
    (moved_rad < LEAST_TILT_RAD).then(|| TouchFault::TiltedTooLittle {
        n: used.len(),
        tilt_deg: deg_from_rad(moved_rad),
        least_deg: deg_from_rad(LEAST_TILT_RAD),
    })
}

fn nothing(
    touching: &Touching,
    mut not_found: Vec<(usize, TouchFault)>,
    holds: Vec<HoldResult>,
    fault: TouchFault,
) -> Touched {
    for point in 0..touching.points.len() {
        if !not_found.iter().any(|(p, _)| *p == point) {
            not_found.push((point, fault.clone()));
        }
    }
    not_found.sort_by_key(|(point, _)| *point);
    Touched { tip: Err(fault), points: Vec::new(), not_found, holds, maps: Vec::new(), own: DMatrix::zeros(0, 0) }
}

/// The Gauss-Helmert solution for the holds in use.
fn solve_ties(survey: &Survey, touching: &Touching, used: &[Seen]) -> Result<Solution, TouchFault> {
    let mut points: Vec<usize> = used.iter().map(|s| s.point).collect();
    points.sort_unstable();
    points.dedup();
    let column = |s: &Seen| 3 + 3 * points.iter().position(|p| *p == s.point).unwrap_or(0);
    let (n, m) = (used.len(), 3 + 3 * points.len());
    let pointer = &touching.pointer;
    let poses_cov = survey.joint(&used.iter().map(|s| s.at).collect::<Vec<_>>()).cov;
    let touch = DMatrix::<f64>::identity(3 * n, 3 * n) * (pointer.u_touch_m * pointer.u_touch_m);
    let (start, weight) = pointer.tip.map_or((Vector3::zeros(), 0.0), |t| (t.at.coords, 1.0 / (t.u_m * t.u_m)));
    let not_solved = |_| TouchFault::NotSolved("their covariance is singular".into());

    let mut x = DVector::<f64>::zeros(m);
    x.fixed_rows_mut::<3>(0).copy_from(&start);
    for s in used {
        x.fixed_rows_mut::<3>(column(s)).copy_from(&(s.pose.rotation() * start + s.pose.translation()));
    }
    let mut v = DVector::<f64>::zeros(6 * n);
    for _ in 0..MOST_ROUNDS {
        let tip = Vector3::new(x[0], x[1], x[2]);
        let mut a = DMatrix::<f64>::zeros(3 * n, m);
        let mut b = DMatrix::<f64>::zeros(3 * n, 6 * n);
        let mut w = DVector::<f64>::zeros(3 * n);
        for (k, s) in used.iter().enumerate() {
            let own: Vector6<f64> = v.fixed_rows::<6>(6 * k).into_owned();
            let pose = s.pose.moved_right(&own);
            let (r, c) = (pose.rotation(), column(s));
            a.fixed_view_mut::<3, 3>(3 * k, 0).copy_from(&r);
            a.fixed_view_mut::<3, 3>(3 * k, c).copy_from(&-Matrix3::identity());
            // By the step of the observed pose: to first order in v the same as by a further step.
            b.fixed_view_mut::<3, 3>(3 * k, 6 * k).copy_from(&(-r * skew(&tip)));
            b.fixed_view_mut::<3, 3>(3 * k, 6 * k + 3).copy_from(&r);
            let off = r * tip + pose.translation() - x.fixed_rows::<3>(c);
            w.fixed_rows_mut::<3>(3 * k).copy_from(&off);
        }
        w -= &b * &v;
        let q_inverse = spd_inverse(&(&b * &poses_cov * b.transpose() + &touch)).map_err(not_solved)?;
        let weighted = a.tr_mul(&q_inverse); // m × 3n
        let mut normal = &weighted * &a;
        let mut pull = &weighted * &w;
        for k in 0..3 {
            normal[(k, k)] += weight;
            pull[k] += weight * (x[k] - start[k]);
        }
        let cov = spd_inverse(&normal)
            .map_err(|_| TouchFault::NotSolved("they leave the tip or a point undetermined".into()))?;
        let step = -(&cov * pull);
        let multipliers = &q_inverse * (&w + &a * &step);
        v = -(&poses_cov * b.transpose() * &multipliers);
        x += &step;
        if step.amax() < STILL_M {
            let by_touch = -(&cov * &weighted);
            let cofactor = &q_inverse - weighted.tr_mul(&cov) * &weighted;
            let tests = (0..n).map(|k| test(&multipliers, &cofactor, &q_inverse, k)).collect();
            return Ok(Solution {
                tip: Vector3::new(x[0], x[1], x[2]),
                places: (1..m / 3).map(|k| Vector3::new(x[3 * k], x[3 * k + 1], x[3 * k + 2])).collect(),
                points,
                cov,
                by_pose: &by_touch * &b,
                by_touch,
                tests,
            });
        }
    }
    Err(TouchFault::NotSolved("they contradict each other too strongly".into()))
}

/// The test of one hold: by how much its tip is off if this hold alone is wrong, test value, degrees of freedom.
fn test(
    multipliers: &DVector<f64>,
    cofactor: &DMatrix<f64>,
    weight: &DMatrix<f64>,
    hold: usize,
) -> (Vector3<f64>, f64, usize) {
    let k: Vector3<f64> = multipliers.fixed_rows::<3>(3 * hold).into_owned();
    let own: Matrix3<f64> = cofactor.fixed_view::<3, 3>(3 * hold, 3 * hold).into_owned();
    let most = weight.fixed_view::<3, 3>(3 * hold, 3 * hold).trace() / 3.0;
    let eigen = ((own + own.transpose()) * 0.5).symmetric_eigen();
    let (mut off, mut statistic, mut dof) = (Vector3::zeros(), 0.0, 0);
    for axis in 0..3 {
        let (value, direction) = (eigen.eigenvalues[axis], eigen.eigenvectors.column(axis));
        if value > CHECKED_SHARE * most {
            let along = direction.dot(&k);
            statistic += along * along / value;
            off += direction * (along / value);
            dof += 1;
        }
    }
    (off, statistic, dof)
}

fn found(
    survey: &Survey,
    touching: &Touching,
    used: &[Seen],
    solution: Solution,
    moved_rad: f64,
    not_found: Vec<(usize, TouchFault)>,
    holds: Vec<HoldResult>,
) -> Touched {
    let n = solution.points.len();
    let pointer = &touching.pointer;
    let maps = (0..n)
        .map(|p| {
            let mut map = PoseMap { columns: Vec::new(), by_column: DMatrix::zeros(6, 0) };
            for (k, s) in used.iter().enumerate() {
                // The reference body is held: its pose has no columns.
                let pose = survey.covariance.map_of(survey.instances[s.at]);
                let through = solution.by_pose.view((3 + 3 * p, 6 * k), (3, 6)) * &pose.by_column;
                let first = map.columns.len();
                map.columns.extend(&pose.columns);
                map.by_column.resize_mut(6, map.columns.len(), 0.0);
                map.by_column.view_mut((3, first), (3, pose.columns.len())).copy_from(&through);
            }
            map
        })
        .collect();
    let places = solution.by_touch.rows(3, 3 * n);
    let mut own = places * places.transpose() * pointer.u_touch_m.powi(2);
    if let Some(tip) = &pointer.tip {
        let by_tip = solution.cov.view((3, 0), (3 * n, 3));
        own += by_tip * by_tip.transpose() / (tip.u_m * tip.u_m);
    }
    own += DMatrix::identity(3 * n, 3 * n) * pointer.u_radius_m().powi(2);
    let u = |k: usize| solution.cov[(k, k)].max(0.0).sqrt();
    Touched {
        tip: Ok(TipFound {
            at: Point::claim(solution.tip),
            u_m: Vector3::new(u(0), u(1), u(2)),
            n_holds: used.len(),
            least_tilt_rad: moved_rad,
        }),
        points: solution
            .points
            .iter()
            .zip(&solution.places)
            .map(|(point, at)| PointFound {
                point: *point,
                in_world: Point::claim(*at),
                n_holds: used.iter().filter(|s| s.point == *point).count(),
            })
            .collect(),
        not_found,
        holds,
        maps,
        own,
    }
}
