//! The survey tests its own assumptions and names what does not hold: a body that moved between photographs or crept, a tag that was printed
//! in another size or sits elsewhere than declared, a photograph from another lens.
//!
//! [`score`] tests every such hypothesis on the one solution there is; [`scan`] lists the hypotheses; [`name`] takes the clearest fault, lets the
//! adjustment estimate it, and looks again, until nothing is left that chance does not explain.

mod name;
mod scan;
mod score;

pub(super) use name::Named;
pub(super) use scan::{Report, Solution, report};
pub(super) use score::suspicion;

use nalgebra::{DMatrix, Vector3};

/// Chance that any of the tests of a sound job fails, over the whole job; shared out evenly over the tests (Bonferroni). Change points next to
/// each other test nearly the same, so that the real chance is smaller. The test of single views has its own
/// ([`super::SurveyOptions::false_alarm`]); both together stay below 1 %.
pub const FALSE_ALARM: f64 = 0.004;

/// Chance with which a fault of the minimal detectable size is found. Baarda's 0.80 would let one in five such faults pass.
pub const POWER: f64 = 0.995;

/// What a test is about.
#[derive(Clone, Debug, PartialEq)]
pub enum Suspect {
    /// A body, where it has several places at one of them.
    Body {
        /// Index into the kit's bodies.
        body: usize,
        /// The station, where it has a pose at each.
        station: Option<usize>,
        /// The roll position, where it moves with the car.
        position: Option<usize>,
    },
    /// All plates together: the car.
    Car {
        /// The roll position.
        position: Option<usize>,
    },
    /// A tag on its body.
    Tag {
        /// Index into the kit's bodies.
        body: usize,
        /// Id in the 36h11 family.
        id: u16,
    },
    /// A print group (index into the kit's).
    Print(usize),
    /// A photograph (index into the survey's input).
    Photo(usize),
}

/// What may be wrong with it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// It stood elsewhere from a photograph on.
    Moved {
        /// The first photograph after the move.
        from_photo: usize,
    },
    /// It moved a little all the time.
    Crept,
    /// It sits elsewhere on its body than declared.
    Displaced,
    /// It is larger or smaller than declared.
    Size,
    /// It was taken with another focal length.
    Focal,
}

/// Smallest fault that a test finds with the chance [`POWER`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Detectable {
    /// Shift in the direction in which it shows least, m.
    pub shift_m: Option<f64>,
    /// Turn about the axis about which it shows least, rad.
    pub turn_rad: Option<f64>,
    /// Relative size or focal length.
    pub relative: Option<f64>,
}

/// How large a named fault is.
#[derive(Clone, Debug, PartialEq)]
pub struct Size {
    /// Earliest and latest photograph that can have been the first one after a move (within what chance leaves open).
    pub from_photos: Option<(usize, usize)>,
    /// How far it moved, in the world's axes, at the body's origin, m; of all the creep from the first to the last photograph.
    pub shift_m: Option<Vector3<f64>>,
    /// How far it turned: rotation vector in the world's axes, rad.
    pub turn_rad: Option<Vector3<f64>>,
    /// Relative size error (0.03: 3 % larger than declared).
    pub relative: Option<f64>,
    /// Standard uncertainty of the length of the shift (m), or of the relative error.
    pub u: f64,
}

/// One test with its outcome.
#[derive(Clone, Debug, PartialEq)]
pub struct Tested {
    /// About what.
    pub suspect: Suspect,
    /// Against which fault; of all change points of a body the one that comes nearest to failing.
    pub fault: Fault,
    /// Chi-square with `dof` degrees of freedom where nothing is wrong.
    pub statistic: f64,
    /// Degrees of freedom.
    pub dof: usize,
    /// The test fails above this.
    pub limit: f64,
    /// Smallest fault that it finds; `None` where it cannot find any.
    pub detectable: Option<Detectable>,
    /// How large the fault is, where the test failed.
    pub found: Option<Size>,
    /// How far a tag seems to sit from its declared place, whether its test fails or not; only of a body with one pose, where every direction is checked.
    pub displaced: Option<Displaced>,
}

/// Where a tag sits against its declared place, in its body's axes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Displaced {
    /// Of its centre, m.
    pub shift_m: Vector3<f64>,
    /// Standard uncertainties, m: of the corners, of everything else adjusted, and of the place as declared.
    pub u_m: Vector3<f64>,
}

impl Tested {
    /// True where nothing was found.
    pub fn passed(&self) -> bool {
        self.found.is_none()
    }
}

/// What a fault that just escapes a test could do.
#[derive(Clone, Debug)]
pub struct Hidden {
    /// About what.
    pub suspect: Suspect,
    /// Which fault.
    pub fault: Fault,
    /// n × q: change of the adjustment's columns for each unit of the fault's q numbers.
    reach: DMatrix<f64>,
    /// q × q: how well the residuals tell the q numbers; as good as infinite in directions that nothing checks.
    reachable: DMatrix<f64>,
    /// Its inverse.
    info: DMatrix<f64>,
    tested: bool,
    noncentrality: f64,
}

impl Hidden {
    /// How far a fault along `direction` (its q numbers: turn about the world's origin and shift in the world's axes, or one relative size) must go to
    /// be found with the chance [`POWER`], in lengths of `direction`.
    pub fn smallest_along(&self, direction: &[f64]) -> f64 {
        let d = nalgebra::DVector::from_column_slice(direction);
        (self.noncentrality / (&self.info * &d).dot(&d).max(0.0)).sqrt()
    }

    /// Number of a fault's numbers: 6 for a motion, 1 for a size.
    pub fn numbers(&self) -> usize {
        self.info.nrows()
    }

    /// True where a test of its own looks for it; else only the tests of single views do, or nothing.
    pub fn is_tested(&self) -> bool {
        self.tested
    }

    /// Joint covariance of the adjustment's columns and of the fault's numbers, were these found with the rest: with the columns' covariance C, the
    /// fault's F and what it does to them R, [C + RFR', −RF; −FR', F]. `spread` as in [`super::Survey::spread`]. A direction that nothing checks counts
    /// with a standard uncertainty of a metre or a radian at most, so that later photographs can be added without loss of digits.
    pub(super) fn with_columns(&self, columns: &DMatrix<f64>, spread: f64) -> Option<DMatrix<f64>> {
        let (n, q) = (columns.nrows(), self.numbers());
        let found = &self.reachable * spread;
        let own = (DMatrix::identity(q, q) + &found).lu().solve(&found)?;
        let across = -(&self.reach * &own);
        let mut joint = DMatrix::zeros(n + q, n + q);
        joint.view_mut((0, 0), (n, n)).copy_from(&(columns - &across * self.reach.transpose()));
        joint.view_mut((0, n), (n, q)).copy_from(&across);
        joint.view_mut((n, 0), (q, n)).copy_from(&across.transpose());
        joint.view_mut((n, n), (q, q)).copy_from(&own);
        Some(joint)
    }

    /// Noncentrality of a fault that is found with the chance [`POWER`], in the corners' covariances as widened by `spread`.
    pub(super) fn noncentrality(&self, spread: f64) -> f64 {
        self.noncentrality / spread
    }

    /// By output: the error of a fault of this size (its q numbers, as [`Hidden::smallest_along`] takes them) that is neither found nor corrected, to
    /// first order. `by_column` as in [`Hidden::effect`].
    pub fn error_of(&self, by_column: &DMatrix<f64>, size: &[f64]) -> Vec<f64> {
        let size = nalgebra::DVector::from_column_slice(size);
        (by_column * (&self.reach * size)).iter().copied().collect()
    }

    /// By output: the largest error that a fault which is found with the chance [`POWER`] can make unnoticed (external reliability, Baarda
    /// 1968); metres where nothing checks it. `by_column`: m × n, derivatives of the outputs by the adjustment's columns
    /// ([`super::Survey::steps_by_column`]); `after`: m × q, by how much each unit of the fault changes what the outputs are to say, where that is
    /// how things stand after it and not before.
    pub fn effect(&self, by_column: &DMatrix<f64>, after: Option<&DMatrix<f64>>) -> Vec<f64> {
        let mut error = by_column * &self.reach;
        if let Some(after) = after {
            error -= after;
        }
        let spread = &error * &self.reachable;
        (0..error.nrows()).map(|r| (self.noncentrality * spread.row(r).dot(&error.row(r)).max(0.0)).sqrt()).collect()
    }
}
