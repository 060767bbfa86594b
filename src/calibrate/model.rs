//! What a fit of a board's photographs adjusts: the lens, and what may be wrong with the picture or the board itself.

use crate::camera::{LENS_PARAMETERS, Lens, N_LENS};
use crate::frames::{Body, Camera, Point, Pose};
use crate::pose::left_step;
use nalgebra::{DMatrix, SMatrix, SVector, Vector2, Vector3};

/// Number of parameters of a [`Model`].
pub const N_MODEL: usize = N_LENS + 6;

/// Names of a model's parameters: the lens's in their own order, then the extras.
pub const MODEL_PARAMETERS: [&str; N_MODEL] = {
    let mut names = [""; N_MODEL];
    let mut k = 0;
    while k < N_LENS {
        names[k] = LENS_PARAMETERS[k];
        k += 1;
    }
    names[SKEW] = "skew";
    names[STRETCH] = "stretch";
    names[SIDE] = "side";
    names[BEND] = "bend xx";
    names[BEND + 1] = "bend xy";
    names[BEND + 2] = "bend yy";
    names
};

/// Index of the skew.
pub const SKEW: usize = N_LENS;
/// Index of the board's stretch.
pub const STRETCH: usize = N_LENS + 1;
/// Index of the tags' relative side.
pub const SIDE: usize = N_LENS + 2;
/// Index of the first of three bend parameters.
pub const BEND: usize = N_LENS + 3;

/// Which parameters are adjusted; the others stay as they are.
pub type Free = [bool; N_MODEL];

/// A lens with what else a fit can find out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Model {
    /// The lens.
    pub lens: Lens,
    /// u also gets skew · y' (pixels): image axes that are not square to each other. No camera has it; a scanned or stretched picture may.
    pub skew: f64,
    /// The print is longer in x than in y by this share.
    pub stretch: f64,
    /// The tags are larger than declared by this share, at the declared pitch.
    pub side: f64,
    /// Height of the board's surface, metres, at the half diagonal h: z = bend · [(x/h)², (x/h)(y/h), (y/h)²].
    pub bend: [f64; 3],
    /// The h above, metres.
    pub half_diagonal_m: f64,
}

impl Model {
    /// A lens and a perfect board.
    pub fn new(lens: Lens, half_diagonal_m: f64) -> Self {
        Model { lens, skew: 0.0, stretch: 0.0, side: 0.0, bend: [0.0; 3], half_diagonal_m }
    }

    /// All parameters in the order of [`MODEL_PARAMETERS`].
    pub fn parameters(&self) -> SVector<f64, N_MODEL> {
        let mut p = SVector::<f64, N_MODEL>::zeros();
        p.fixed_rows_mut::<N_LENS>(0).copy_from(&self.lens.parameters());
        p[SKEW] = self.skew;
        p[STRETCH] = self.stretch;
        p[SIDE] = self.side;
        p.fixed_rows_mut::<3>(BEND).copy_from_slice(&self.bend);
        p
    }

    /// The same with other parameters.
    pub fn with_parameters(&self, p: &SVector<f64, N_MODEL>) -> Self {
        Model {
            lens: self.lens.with_parameters(&p.fixed_rows::<N_LENS>(0).into_owned()),
            skew: p[SKEW],
            stretch: p[STRETCH],
            side: p[SIDE],
            bend: [p[BEND], p[BEND + 1], p[BEND + 2]],
            half_diagonal_m: self.half_diagonal_m,
        }
    }

    /// Where a point of the board really is in the board's frame (metres), with its derivative by the extras of the board
    /// (3 × 5: stretch, side, bend).
    fn board_point(&self, point: &BoardPoint) -> (Vector3<f64>, SMatrix<f64, 3, 5>) {
        let q = point.centre + point.offset * (1.0 + self.side);
        let (sx, sy) = (1.0 + self.stretch / 2.0, 1.0 - self.stretch / 2.0);
        let h = self.half_diagonal_m;
        let (x, y) = (q.x * sx / h, q.y * sy / h);
        let [a, b, c] = self.bend;
        let (dz_dx, dz_dy) = ((2.0 * a * x + b * y) / h, (b * x + 2.0 * c * y) / h);
        let stretch = Vector2::new(q.x / 2.0, -q.y / 2.0);
        let side = Vector2::new(point.offset.x * sx, point.offset.y * sy);
        #[rustfmt::skip]
        let d = SMatrix::<f64, 3, 5>::new(
            stretch.x, side.x, 0.0, 0.0, 0.0,
            stretch.y, side.y, 0.0, 0.0, 0.0,
            dz_dx * stretch.x + dz_dy * stretch.y, dz_dx * side.x + dz_dy * side.y, x * x, x * y, y * y,
        );
        (Vector3::new(x * h, y * h, a * x * x + b * x * y + c * y * y), d)
    }

    /// The pixel of a point of the board, `None` where it lies behind the camera.
    pub fn pixel(&self, camera_from_board: &Pose<Camera, Body>, point: &BoardPoint) -> Option<Vector2<f64>> {
        let (p, _) = self.board_point(point);
        let in_camera = *camera_from_board * Point::<Body>::claim(p);
        let pixel = self.lens.project(&in_camera)?;
        Some(pixel + Vector2::new(self.skew * (pixel.y - self.lens.cy) / self.lens.fy, 0.0))
    }

    /// The same with derivatives: 2 × (6 + [`N_MODEL`]): by the step `exp(δ) · camera_from_board` (rotation rad, translation m),
    /// then by the parameters.
    pub fn pixel_with_derivatives(
        &self,
        camera_from_board: &Pose<Camera, Body>,
        point: &BoardPoint,
    ) -> Option<(Vector2<f64>, SMatrix<f64, 2, { 6 + N_MODEL }>)> {
        let (p, d_board) = self.board_point(point);
        let in_camera = *camera_from_board * Point::<Body>::claim(p);
        let seen = self.lens.project_with_derivatives(&in_camera)?;
        let mut pixel = seen.pixel;
        let y = (pixel.y - self.lens.cy) / self.lens.fy;
        let mut d = SMatrix::<f64, 2, { 6 + N_MODEL }>::zeros();
        d.fixed_view_mut::<2, 6>(0, 0).copy_from(&(seen.d_point * left_step(&in_camera.coords)));
        d.fixed_view_mut::<2, N_LENS>(0, 6).copy_from(&seen.d_lens);
        let by_board = seen.d_point * camera_from_board.rotation() * d_board;
        d.fixed_view_mut::<2, 5>(0, 6 + STRETCH).copy_from(&by_board);
        if self.skew != 0.0 {
            // u gains skew · y', and y' depends on all but the focal lengths and the principal point.
            let share = self.skew / self.lens.fy;
            for k in (0..6).chain(6 + 4..6 + N_MODEL) {
                d[(0, k)] += share * d[(1, k)];
            }
            pixel.x += self.skew * y;
        }
        d[(0, 6 + SKEW)] = y;
        Some((pixel, d))
    }
}

/// A point of the board: where the cell is, and where the point lies in its cell (zero for a chessboard's corner), metres.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BoardPoint {
    /// The tag's centre, or the corner.
    pub centre: Vector2<f64>,
    /// From the tag's centre to its corner as declared.
    pub offset: Vector2<f64>,
}

/// Points that were located together and whose errors go together: a tag's four corners, or one corner of a chessboard.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// The tag's id, or the corner's number row by row.
    pub label: usize,
    /// Where they are on the board.
    pub points: Vec<BoardPoint>,
    /// Where they were seen, pixels (distorted).
    pub pixels: Vec<Vector2<f64>>,
    /// Covariance of the pixels, x0 y0 x1 y1 ..., px².
    pub cov: DMatrix<f64>,
}

/// What one photograph shows of the board.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardView {
    /// What people call the photograph.
    pub name: String,
    /// What was located; never empty.
    pub groups: Vec<Group>,
}

impl BoardView {
    /// Number of points seen.
    pub fn n_points(&self) -> usize {
        self.groups.iter().map(|g| g.points.len()).sum()
    }

    /// Every point with its pixel.
    pub fn points(&self) -> impl Iterator<Item = (&BoardPoint, &Vector2<f64>)> {
        self.groups.iter().flat_map(|g| g.points.iter().zip(&g.pixels))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn derivatives_match_differences() {
        let lens =
            Lens { k1: -0.2, k2: 0.1, p1: 1e-3, p2: -2e-3, k3: 0.02, fy: 905.0, ..Lens::pinhole(1280, 720, 900.0) };
        let model =
            Model { skew: 2.0, stretch: 0.01, side: -0.02, bend: [0.004, -0.003, 0.002], ..Model::new(lens, 0.3) };
        let pose = Pose::<Camera, Body>::claim_rotvec(Vector3::new(2.9, 0.3, -0.2), Vector3::new(0.05, -0.1, 0.6));
        let point = BoardPoint { centre: Vector2::new(0.1, -0.15), offset: Vector2::new(0.02, 0.02) };
        let (pixel, d) = model.pixel_with_derivatives(&pose, &point).unwrap();
        assert_abs_diff_eq!(pixel, model.pixel(&pose, &point).unwrap(), epsilon = 1e-10);
        let h = 1e-6;
        for k in 0..6 {
            let mut step = nalgebra::Vector6::zeros();
            step[k] = h;
            let at = |s: f64| model.pixel(&pose.moved_left(&(step * s)), &point).unwrap();
            assert_abs_diff_eq!((at(1.0) - at(-1.0)) / (2.0 * h), d.column(k).into_owned(), epsilon = 1e-4);
        }
        for k in 0..N_MODEL {
            let at = |s: f64| {
                let mut p = model.parameters();
                p[k] += s;
                model.with_parameters(&p).pixel(&pose, &point).unwrap()
            };
            assert_abs_diff_eq!((at(h) - at(-h)) / (2.0 * h), d.column(6 + k).into_owned(), epsilon = 1e-4);
        }
    }
}
