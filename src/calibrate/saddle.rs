//! Corners of a chessboard: candidates on a ring, then a fit of the corner's picture to a fraction of a pixel.

use crate::fit::{FitOptions, Linearised, levenberg_marquardt};
use crate::raster::Gray;
use nalgebra::{Matrix2, SMatrix, SVector, SymmetricEigen, Vector2};

/// A corner where two edges cross.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Saddle {
    /// Where, pixels.
    pub at: Vector2<f64>,
    /// Covariance of the place from the fit's residuals, px².
    pub cov: Matrix2<f64>,
    /// Directions of the two edges, unit length; the second lies within half a turn clockwise as seen (image axes).
    pub edges: [Vector2<f64>; 2],
    /// Half the grey step; its sign says which pair of quarters is bright.
    pub step: f64,
    /// Standard deviation of the edges' blur, px.
    pub blur_px: f64,
    /// Root mean square of what the fit leaves, grey values.
    pub rms: f64,
}

impl Saddle {
    /// +1 where the picture is bright in this direction from the corner, −1 where dark.
    pub fn bright(&self, direction: &Vector2<f64>) -> f64 {
        let side = |edge: &Vector2<f64>| edge.x * direction.y - edge.y * direction.x;
        (self.step * side(&self.edges[0]) * side(&self.edges[1])).signum()
    }
}

/// The ring of 16 samples at radius 5, from the top clockwise.
const RING: [(isize, isize); 16] = [
    (0, -5),
    (2, -5),
    (3, -3),
    (5, -2),
    (5, 0),
    (5, 2),
    (3, 3),
    (2, 5),
    (0, 5),
    (-2, 5),
    (-3, 3),
    (-5, 2),
    (-5, 0),
    (-5, -2),
    (-3, -3),
    (-2, -5),
];

/// A response below this, grey values summed over the ring, is no corner. Common practice, no source.
const LEAST_RESPONSE: i32 = 60;

/// A response below this share of the tenth largest is no corner of the same board. Common practice, no source.
const LEAST_SHARE: f64 = 0.12;

/// More candidates than this come from texture, not from a board.
const MOST_CANDIDATES: usize = 3000;

/// Pixels where a chessboard's corner may be: local maxima of a ring response, best first.
///
/// Source: S. Bennett and J. Lasenby, "ChESS: quick and robust detection of chess-board features", CVIU 118, 2014 (the response; own code).
pub fn candidates(image: &Gray) -> Vec<(usize, usize)> {
    let (w, h) = (image.width(), image.height());
    if w < 16 || h < 16 {
        return Vec::new();
    }
    let data = image.data();
    let mut response = vec![0i32; w * h];
    for y in 6..h - 6 {
        for x in 6..w - 6 {
            let at = y * w + x;
            let v: [i32; 16] = std::array::from_fn(|k| {
                let (dx, dy) = RING[k];
                i32::from(data[at.wrapping_add_signed(dy * w as isize + dx)])
            });
            let mut sum = 0;
            let mut difference = 0;
            for n in 0..4 {
                sum += ((v[n] + v[n + 8]) - (v[n + 4] + v[n + 12])).abs();
            }
            if sum < LEAST_RESPONSE {
                continue;
            }
            for n in 0..8 {
                difference += (v[n] - v[n + 8]).abs();
            }
            let ring = v.iter().sum::<i32>();
            let middle: i32 = [at, at - 1, at + 1, at - w, at + w].iter().map(|k| i32::from(data[*k])).sum();
            let mean = (ring * 5 - middle * 16).abs() / 5; // 16 |ring mean − middle mean|
            response[at] = sum - difference - mean;
        }
    }
    let mut found = Vec::new();
    for y in 6..h - 6 {
        for x in 6..w - 6 {
            let r = response[y * w + x];
            if r < LEAST_RESPONSE {
                continue;
            }
            let largest = (y - 4..=y + 4).all(|j| {
                (x - 4..=x + 4).all(|i| {
                    let other = response[j * w + i];
                    other < r || (other == r && (j, i) >= (y, x))
                })
            });
            if largest {
                found.push((r, x, y));
            }
        }
    }
    found.sort_by_key(|f| (-f.0, f.2, f.1));
    let reference = found.get(9).or(found.last()).map_or(0, |f| f.0);
    found.retain(|f| f64::from(f.0) >= LEAST_SHARE * f64::from(reference));
    found.truncate(MOST_CANDIDATES);
    found.into_iter().map(|(_, x, y)| (x, y)).collect()
}

/// Parameters of a corner's picture: x, y, angle of one edge, angle of the other, ln blur, mean, half step, slope of the light in x and y.
type State = SVector<f64, 9>;

/// Edge profile: from −1 to 1 over a distance d with Gaussian blur s, and its derivative by d. The logistic curve with the same slope in the middle
/// follows the error function to 1 % and costs a tenth.
fn edge(d: f64, s: f64) -> (f64, f64) {
    let k = (2.0 / std::f64::consts::PI).sqrt() / s;
    let e = (k * d).tanh();
    (e, k * (1.0 - e * e))
}

/// Locates the corner near (x, y) by fitting two blurred edges that cross, within `reach` pixels.
///
/// `None` where no such corner is there or the picture ends too near. The covariance comes from the residuals.
pub fn locate(image: &Gray, near: &Vector2<f64>, reach: usize) -> Option<Saddle> {
    let (cx, cy) = (near.x.round(), near.y.round());
    let r = reach as f64;
    if !image.holds(cx - r, cy - r) || !image.holds(cx + r, cy + r) {
        return None;
    }
    let (x0, y0) = (cx as usize - reach, cy as usize - reach);
    let n = 2 * reach + 1;
    let mut samples = Vec::with_capacity(n * n);
    for j in 0..n {
        for i in 0..n {
            let (x, y) = (i as f64 - r, j as f64 - r);
            // A round window: its corners would belong to other squares first.
            if x * x + y * y <= (r + 0.5) * (r + 0.5) {
                samples.push((x, y, f64::from(image.at(x0 + i, y0 + j))));
            }
        }
    }
    let start = start(&samples, r)?;
    let linearise = |p: &State| {
        let (c, s) = (SVector::<f64, 2>::new(p[0], p[1]), p[4].exp());
        if !(0.2..=r).contains(&s) || c.norm() > r {
            return None;
        }
        let (d1, d2) = (Vector2::new(p[2].cos(), p[2].sin()), Vector2::new(p[3].cos(), p[3].sin()));
        let mut sum = Linearised::<9>::zero();
        for (x, y, v) in &samples {
            let (dx, dy) = (x - c.x, y - c.y);
            let (a, b) = (d1.x * dy - d1.y * dx, d2.x * dy - d2.y * dx);
            let ((ea, da), (eb, db)) = (edge(a, s), edge(b, s));
            let residual = p[5] + p[6] * ea * eb + p[7] * x + p[8] * y - v;
            let (ga, gb) = (p[6] * da * eb, p[6] * ea * db);
            // d a / d c = (d1.y, −d1.x); d a / d angle = −(d1 · (dx, dy)).
            let j = State::from([
                ga * d1.y + gb * d2.y,
                -ga * d1.x - gb * d2.x,
                -ga * (d1.x * dx + d1.y * dy),
                -gb * (d2.x * dx + d2.y * dy),
                -ga * a - gb * b,
                1.0,
                ea * eb,
                *x,
                *y,
            ]);
            sum.cost += residual * residual;
            sum.gradient += j * residual;
            sum.normal += j * j.transpose();
        }
        Some(sum)
    };
    let options = FitOptions { max_iterations: 30, relative_gain: 1e-7 };
    let (p, at) = levenberg_marquardt(&start, &options, linearise, |p, d| p + d)?;
    let variance = at.cost / (samples.len() as f64 - 9.0);
    let (mut d1, mut d2) = (Vector2::new(p[2].cos(), p[2].sin()), Vector2::new(p[3].cos(), p[3].sin()));
    let cross = d1.x * d2.y - d1.y * d2.x;
    let whole: SMatrix<f64, 9, 9> = at.normal.try_inverse()? * variance;
    if cross < 0.0 {
        std::mem::swap(&mut d1, &mut d2);
    }
    let contrast = p[6].abs();
    let good = cross.abs() > 0.25 // edges that cross at less than 15 degrees cannot be told apart
        && contrast > 6.0
        && variance.sqrt() < 0.35 * contrast
        && p[0].hypot(p[1]) < 0.7 * r;
    let cov = whole.fixed_view::<2, 2>(0, 0).into_owned();
    (good && cov.iter().all(|v| v.is_finite())).then(|| Saddle {
        at: Vector2::new(cx + p[0], cy + p[1]),
        cov,
        edges: [d1, d2],
        step: p[6],
        blur_px: p[4].exp(),
        rms: variance.sqrt(),
    })
}

/// Start values from a parabola through the window: its saddle has the directions of the edges where it neither rises nor falls.
fn start(samples: &[(f64, f64, f64)], r: f64) -> Option<State> {
    let mut normal = SMatrix::<f64, 6, 6>::zeros();
    let mut right = SVector::<f64, 6>::zeros();
    for (x, y, v) in samples {
        let row = SVector::<f64, 6>::from([1.0, *x, *y, x * x, x * y, y * y]);
        normal += row * row.transpose();
        right += row * *v;
    }
    let q = normal.cholesky()?.solve(&right);
    let hessian = Matrix2::new(2.0 * q[3], q[4], q[4], 2.0 * q[5]);
    if hessian.determinant() >= 0.0 {
        return None;
    }
    let middle = -(hessian.try_inverse()? * Vector2::new(q[1], q[2]));
    let eigen = SymmetricEigen::new(hessian);
    let (up, down) = if eigen.eigenvalues[0] > 0.0 { (0, 1) } else { (1, 0) };
    let (rise, fall) = (eigen.eigenvalues[up].sqrt(), (-eigen.eigenvalues[down]).sqrt());
    let (e_up, e_down) = (eigen.eigenvectors.column(up), eigen.eigenvectors.column(down));
    let d1 = e_up * fall + e_down * rise;
    let d2 = e_up * fall - e_down * rise;
    let mean = samples.iter().map(|s| s.2).sum::<f64>() / samples.len() as f64;
    let spread = (samples.iter().map(|s| (s.2 - mean).powi(2)).sum::<f64>() / samples.len() as f64).sqrt();
    // The sign of the step: bright along the rising direction.
    let side = |d: &SVector<f64, 2>| d.x * e_up.y - d.y * e_up.x;
    let step = spread.max(1.0) * (side(&d1) * side(&d2)).signum();
    let c = if middle.norm() < 0.6 * r { middle } else { Vector2::zeros() };
    Some(State::from([c.x, c.y, d1.y.atan2(d1.x), d2.y.atan2(d2.x), 0.0, mean, step, 0.0, 0.0]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::normal_cdf;

    /// Two edges that cross at `at`, blurred by a Gaussian (exact for edges at right angles), a little noise from a counter.
    fn corner(at: Vector2<f64>, angle: f64, blur: f64) -> Gray {
        let (n1, n2) = (Vector2::new(-angle.sin(), angle.cos()), Vector2::new(-angle.cos(), -angle.sin()));
        let mut noise = 12345u32;
        let data = (0..41 * 41)
            .map(|k| {
                let p = Vector2::new(f64::from(k % 41), f64::from(k / 41)) - at;
                let e = |n: &Vector2<f64>| 2.0 * normal_cdf(n.dot(&p) / blur) - 1.0;
                noise = noise.wrapping_mul(1664525).wrapping_add(1013904223);
                (120.0 + 80.0 * e(&n1) * e(&n2) + f64::from(noise >> 16) / 65536.0 * 6.0 - 3.0).round() as u8
            })
            .collect();
        Gray::new(41, 41, data).unwrap()
    }

    #[test]
    fn a_corner_is_found_to_a_hundredth_of_a_pixel_and_says_so() {
        let (mut sum, mut n) = (0.0, 0.0);
        for k in 0..24 {
            let truth = Vector2::new(20.0 + 0.037 * f64::from(k), 20.4 - 0.051 * f64::from(k));
            let image = corner(truth, 0.13 * f64::from(k), 0.7 + 0.03 * f64::from(k));
            let (x, y) = candidates(&image)[0];
            let found = locate(&image, &Vector2::new(x as f64, y as f64), 7).unwrap();
            let error = found.at - truth;
            assert!(error.norm() < 0.05, "{k}: {error}");
            sum += (error.transpose() * found.cov.try_inverse().unwrap() * error)[(0, 0)];
            n += 2.0;
            let inside = found.edges[0] + found.edges[1];
            let at = found.at + inside.normalize() * 6.0;
            let grey = f64::from(image.at(at.x.round() as usize, at.y.round() as usize));
            assert_eq!(found.bright(&inside), (grey - 120.0).signum(), "{k}");
        }
        // Mean of chi-square over its degrees of freedom (48; 99.9 %: 1.8), and not vague either.
        assert!((0.3..1.8).contains(&(sum / n)), "{}", sum / n);
    }

    #[test]
    fn an_edge_or_nothing_is_no_corner() {
        assert!(candidates(&Gray::filled(60, 60, 90)).is_empty());
        let edge = Gray::new(41, 41, (0..41 * 41).map(|k| if k % 41 < 20 { 30 } else { 200 }).collect()).unwrap();
        assert!(candidates(&edge).is_empty());
        assert!(locate(&edge, &Vector2::new(20.0, 20.0), 7).is_none());
        assert!(locate(&edge, &Vector2::new(2.0, 2.0), 7).is_none());
        assert!(candidates(&Gray::filled(3, 3, 0)).is_empty());
    }
}
