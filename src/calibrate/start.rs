//! Where a fit starts: homographies of the board, and the focal length and principal point that make all of them possible.

use crate::calibrate::model::BoardView;
use crate::camera::Lens;
use crate::frames::{Body, Camera, Pose};
use nalgebra::{DMatrix, Matrix2, Matrix3, SMatrix, SVector, SymmetricEigen, Vector2, Vector3};

/// The plane map (3 × 3) that takes board points (metres) to pixels best, by the normalised direct linear transform; `None` where the points are too few
/// or on one line.
///
/// Source: Hartley and Zisserman, "Multiple View Geometry", algorithm 4.2.
pub fn board_homography(view: &BoardView) -> Option<Matrix3<f64>> {
    let pairs: Vec<(Vector2<f64>, Vector2<f64>)> = view.points().map(|(p, s)| (p.centre + p.offset, *s)).collect();
    if pairs.len() < 4 {
        return None;
    }
    let from = normaliser(pairs.iter().map(|p| &p.0))?;
    let to = normaliser(pairs.iter().map(|p| &p.1))?;
    let mut normal = SMatrix::<f64, 9, 9>::zeros();
    for (a, b) in &pairs {
        let (a, b) = (from * a.push(1.0), to * b.push(1.0));
        let one = SVector::<f64, 9>::from([a.x, a.y, 1.0, 0.0, 0.0, 0.0, -b.x * a.x, -b.x * a.y, -b.x]);
        let two = SVector::<f64, 9>::from([0.0, 0.0, 0.0, a.x, a.y, 1.0, -b.y * a.x, -b.y * a.y, -b.y]);
        normal += one * one.transpose() + two * two.transpose();
    }
    let eigen = SymmetricEigen::new(normal);
    let mut order: Vec<usize> = (0..9).collect();
    order.sort_by(|i, j| eigen.eigenvalues[*i].total_cmp(&eigen.eigenvalues[*j]));
    // A second direction without weight: points on a line determine no map.
    if eigen.eigenvalues[order[1]] < 1e-10 * eigen.eigenvalues[order[8]] {
        return None;
    }
    let h = eigen.eigenvectors.column(order[0]);
    let h = Matrix3::new(h[0], h[1], h[2], h[3], h[4], h[5], h[6], h[7], h[8]);
    let map = to.try_inverse()? * h * from;
    let scale = map[(2, 2)];
    (scale.abs() > 1e-300 && map.iter().all(|v| v.is_finite())).then(|| map / scale)
}

/// Similarity that moves points to mean zero and mean distance √2.
fn normaliser<'a>(points: impl Iterator<Item = &'a Vector2<f64>> + Clone) -> Option<Matrix3<f64>> {
    let n = points.clone().count() as f64;
    let mean = points.clone().sum::<Vector2<f64>>() / n;
    let distance = points.map(|p| (p - mean).norm()).sum::<f64>() / n;
    let s = std::f64::consts::SQRT_2 / distance;
    s.is_finite().then(|| Matrix3::new(s, 0.0, -s * mean.x, 0.0, s, -s * mean.y, 0.0, 0.0, 1.0))
}

/// Rows of the two constraints that a homography puts on B = K⁻ᵀK⁻¹ without skew, unknowns B11 B22 B13 B23 B33.
///
/// Source: Z. Zhang, "A flexible new technique for camera calibration", PAMI 22(11), 2000, section 3.1.
fn constraints(h: &Matrix3<f64>) -> [SVector<f64, 5>; 2] {
    let v = |i: usize, j: usize| {
        let (a, b) = (h.column(i), h.column(j));
        SVector::<f64, 5>::from([
            a[0] * b[0],
            a[1] * b[1],
            a[2] * b[0] + a[0] * b[2],
            a[2] * b[1] + a[1] * b[2],
            a[2] * b[2],
        ])
    };
    [v(0, 1), v(0, 0) - v(1, 1)]
}

/// Possible starts of the lens, without distortion: Zhang's closed form, the focal length alone with the principal point in the middle, and a few guesses
/// for photographs from which neither can be had.
pub fn start_lenses(homographies: &[Matrix3<f64>], width: usize, height: usize) -> Vec<Lens> {
    let size = width.max(height) as f64;
    let centred = Lens::pinhole(width, height, size);
    // Pixels from the middle in units of the image size: the equations are well scaled then.
    let into = Matrix3::new(1.0 / size, 0.0, -centred.cx / size, 0.0, 1.0 / size, -centred.cy / size, 0.0, 0.0, 1.0);
    let mut rows = Vec::new();
    for h in homographies {
        let scaled = into * h;
        let scaled = scaled / scaled.norm();
        rows.extend(constraints(&scaled));
    }
    let mut out = Vec::new();
    if homographies.len() >= 3 {
        let normal = rows.iter().fold(SMatrix::<f64, 5, 5>::zeros(), |m, r| m + r * r.transpose());
        let eigen = SymmetricEigen::new(normal);
        let b = eigen.eigenvectors.column(eigen.eigenvalues.imin());
        let (b11, b22, b13, b23, b33) = (b[0], b[1], b[2], b[3], b[4]);
        let (cx, cy) = (-b13 / b11, -b23 / b22);
        let lambda = b33 - b13 * b13 / b11 - b23 * b23 / b22;
        let (fx, fy) = ((lambda / b11).sqrt(), (lambda / b22).sqrt());
        let lens =
            Lens { fx: fx * size, fy: fy * size, cx: cx * size + centred.cx, cy: cy * size + centred.cy, ..centred };
        if lens.implausible().is_none() {
            out.push(lens);
        }
    }
    // With the principal point in the middle and square pixels: (x1 x2 + y1 y2)/f² + z1 z2 = 0 and so on.
    let (mut top, mut bottom) = (0.0, 0.0);
    for r in &rows {
        let a = r[0] + r[1];
        top -= a * r[4];
        bottom += a * a;
    }
    if top > 0.0 && bottom > 0.0 {
        let lens = Lens::pinhole(width, height, size * (bottom / top).sqrt());
        if lens.implausible().is_none() {
            out.push(lens);
        }
    }
    if out.is_empty() {
        // From a wide webcam to a short telephoto lens. Common practice, no source.
        out.extend([0.6, 0.9, 1.4, 2.5].map(|f| Lens::pinhole(width, height, f * size)));
    }
    out
}

/// The pose of the board that a homography and a lens without distortion suggest; in front of the camera.
pub fn pose_from_homography(lens: &Lens, h: &Matrix3<f64>) -> Option<Pose<Camera, Body>> {
    let m = lens.matrix().try_inverse()? * h;
    let scale = 2.0 / (m.column(0).norm() + m.column(1).norm());
    // The board's origin lies in front of the camera.
    let scale = if m[(2, 2)] < 0.0 { -scale } else { scale };
    let (a, b, t) = (m.column(0) * scale, m.column(1) * scale, m.column(2) * scale);
    let r = Matrix3::from_columns(&[a.into_owned(), b.into_owned(), a.cross(&b)]);
    let svd = r.svd(true, true);
    let (u, v) = (svd.u?, svd.v_t?);
    let rotation = u * Matrix3::from_diagonal(&Vector3::new(1.0, 1.0, (u * v).determinant().signum())) * v;
    let pose = Pose::claim_matrix(&rotation, t.into_owned());
    pose.is_finite().then_some(pose)
}

/// The pose with the board's tilt mirrored at the line of sight: the other of the two that nearly fit a distant board.
pub fn mirrored_pose(pose: &Pose<Camera, Body>) -> Pose<Camera, Body> {
    let t = pose.translation();
    let sight = t.normalize();
    let r = pose.rotation();
    let normal = r.column(2).into_owned();
    // Turn by twice the tilt about the axis square to the normal and the line of sight.
    let flipped = sight * (2.0 * normal.dot(&sight)) - normal;
    let rotation =
        nalgebra::Rotation3::rotation_between(&normal, &flipped).unwrap_or_else(nalgebra::Rotation3::identity);
    Pose::claim_matrix(&(rotation.into_inner() * r), t)
}

/// How a view is foreshortened, whatever the lens: the symmetric 2 × 2 shape (determinant 1) of a small circle in the board's middle as seen.
pub fn shape(h: &Matrix3<f64>) -> Matrix2<f64> {
    let (u, v) = (h[(0, 2)], h[(1, 2)]);
    let a = Matrix2::new(
        h[(0, 0)] - h[(2, 0)] * u,
        h[(0, 1)] - h[(2, 1)] * u,
        h[(1, 0)] - h[(2, 0)] * v,
        h[(1, 1)] - h[(2, 1)] * v,
    );
    let m = a * a.transpose();
    m / m.determinant().abs().sqrt()
}

/// How far two shapes differ: the logarithm of the foreshortening that takes one to the other (a tilt of t from square on: -ln cos t).
pub fn shape_distance(a: &Matrix2<f64>, b: &Matrix2<f64>) -> f64 {
    let half_trace = a.try_inverse().map_or(f64::INFINITY, |i| 0.5 * (i * b).trace());
    // The eigenvalues of a⁻¹b are the squares of the foreshortening.
    0.5 * half_trace.max(1.0).acosh()
}

/// Directions of all points of a view, as a matrix of their pixels' spread: used to see whether they span an area.
pub fn spans_an_area(view: &BoardView) -> bool {
    let points: Vec<Vector2<f64>> = view.points().map(|(p, _)| p.centre + p.offset).collect();
    let n = points.len();
    if n < 4 {
        return false;
    }
    let mean = points.iter().sum::<Vector2<f64>>() / n as f64;
    let m = DMatrix::from_fn(n, 2, |i, j| points[i][j] - mean[j]);
    let s = m.singular_values();
    s[1] > 0.05 * s[0]
}
