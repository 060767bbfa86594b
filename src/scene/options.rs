//! What a made bay should be like, and the distribution of everything random in it.

use crate::camera::{Lens, N_LENS};
use crate::units::{m_from_mm, rad_from_deg};
use nalgebra::SMatrix;

/// Six numbers that say where a target stands: measured against what was asked, or asked themselves.
#[derive(Clone, Copy, Debug, PartialEq, Default)]
pub struct SixOffsets {
    /// Along the thrust line, positive away from the car, m.
    pub distance_m: f64,
    /// Positive towards the car's left, m.
    pub lateral_m: f64,
    /// Positive up, m.
    pub height_m: f64,
    /// About the vehicle's Z, rad.
    pub yaw_rad: f64,
    /// About the vehicle's Y, rad.
    pub pitch_rad: f64,
    /// About the vehicle's X, rad.
    pub roll_rad: f64,
}

impl SixOffsets {
    /// In the order distance, lateral, height, yaw, pitch, roll.
    pub fn to_array(&self) -> [f64; 6] {
        [self.distance_m, self.lateral_m, self.height_m, self.yaw_rad, self.pitch_rad, self.roll_rad]
    }

    /// From the order distance, lateral, height, yaw, pitch, roll.
    pub fn from_array(v: [f64; 6]) -> Self {
        Self { distance_m: v[0], lateral_m: v[1], height_m: v[2], yaw_rad: v[3], pitch_rad: v[4], roll_rad: v[5] }
    }
}

/// From where the asked distance counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DistanceFrom {
    /// The midpoint of the rear wheel centres.
    RearAxle,
    /// The midpoint of the front wheel centres.
    FrontAxle,
}

/// Where the target is asked to stand; its asked attitude is parallel to the vehicle frame.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Setup {
    /// From where the distance counts.
    pub from: DistanceFrom,
    /// Distance of the target's origin, along the thrust line, m.
    pub distance_m: f64,
    /// Sideways, positive towards the car's left, m.
    pub lateral_m: f64,
    /// Above the floor, m.
    pub height_m: f64,
}

/// How a pair of errors is drawn of which only a limit and no direction is known: the tilt of a plate, its eccentricity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum LimitLaw {
    /// Exactly the limit, every direction as likely: each component follows the arcsine distribution with the standard deviation
    /// limit/√2 (JCGM 101:2008, 6.4.6). The most careful reading of a limit.
    Rim,
    /// Both components independent and normal with the standard deviation limit/√2: the same variances and a shape for which a first-order
    /// U95 covers 95 %, so that a coverage test judges the propagation and not the shape of one input.
    Normal,
    /// Every place within the limit as likely: standard deviation limit/2. A job that claims limit/√2 is then on the safe side.
    Disc,
}

/// The errors of the corners that a detector would report, and that it would state with its covariance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CornerNoise {
    /// Standard deviation of each coordinate of a corner of a tag 60 px wide, px; other sizes: times √(60 px / side), as the fit of
    /// straight lines to more or fewer edge pixels behaves.
    pub sigma_px: f64,
    /// Standard deviation of one outward shift that all four sides of a tag share (what is left of tone curve and ink spread), px.
    pub outward_px: f64,
}

/// What the survey is told about the lens.
#[derive(Clone, Debug, PartialEq)]
pub enum LensKnowledge {
    /// The true lens, held.
    Exact,
    /// The true lens plus one draw from the normal distribution with this covariance, stated together with it; order of
    /// [`crate::camera::LENS_PARAMETERS`]. Must be positive semi-definite.
    Measured(Box<SMatrix<f64, N_LENS, N_LENS>>),
}

/// What a bay should be like. Every `sigma_*` is the standard deviation of a normal distribution, every `*_spread` the half width of a
/// uniform one, every `*_limit` follows [`BayOptions::limit_law`]. What the job states about a quantity is the very distribution it is
/// drawn from, so that the coverage of stated uncertainties can be counted over many seeds.
#[derive(Clone, Debug, PartialEq)]
pub struct BayOptions {
    /// Everything random follows from this.
    pub seed: u64,
    /// Number of photographs; at least 8, or the way around the car has holes.
    pub n_photos: usize,
    /// The true lens.
    pub lens: Lens,
    /// What the survey is told about it.
    pub lens_knowledge: LensKnowledge,
    /// Errors of the corners.
    pub noise: CornerNoise,
    /// Where the target is asked to stand.
    pub setup: Setup,
    /// By how much it stands elsewhere.
    pub stand: SixOffsets,
    /// Added to `stand`: each component evenly distributed within plus or minus this.
    pub stand_spread: SixOffsets,
    /// Stated distance of the axles, m.
    pub wheelbase_m: f64,
    /// The true one differs by this.
    pub sigma_wheelbase_m: f64,
    /// Distance of the wheel centres of an axle, m.
    pub track_m: f64,
    /// Height of the wheel centres, m.
    pub hub_height_m: f64,
    /// Toe of each rear wheel: the same left and right (the thrust line is their bisector), rad.
    pub toe_spread_rad: f64,
    /// Camber of each wheel, rad.
    pub camber_spread_rad: f64,
    /// Direction of the line from axle to axle against the thrust line, rad.
    pub crab_spread_rad: f64,
    /// Whether the front wheels carry plates too.
    pub front_plates: bool,
    /// Plate's printed face to wheel centre along the wheel axis, m.
    pub stand_off_m: f64,
    /// The true one differs by this for each plate.
    pub sigma_stand_off_m: f64,
    /// Tilt of each plate against its wheel, rad.
    pub run_out_limit_rad: f64,
    /// Distance of each plate's centre from the wheel axis, m.
    pub eccentricity_limit_m: f64,
    /// How run-out and eccentricity are drawn.
    pub limit_law: LimitLaw,
    /// Common relative error of the printed size of everything.
    pub sigma_print_common: f64,
    /// Each tag's own relative error of printed size.
    pub sigma_print_each: f64,
    /// What the printer made of every length, along the print's right and its up; the kit is told nothing of it.
    pub print_stretch: [f64; 2],
    /// Place of each tag on stand and plates: each of three shifts in the tag's axes, m. 0 together with the next: known exactly.
    pub sigma_place_m: f64,
    /// Place of each tag on stand and plates: each of three rotations about the tag's axes, rad.
    pub sigma_place_rad: f64,
    /// Stated height of the print above the floor, m.
    pub thickness_m: f64,
    /// Common error of it. A draw can put prints below the floor, as the stated normal distribution says.
    pub sigma_thickness_m: f64,
    /// Each sheet's own height against the mean floor, m.
    pub sigma_uneven_m: f64,
    /// Each of the two tilts of each sheet against the mean floor, rad.
    pub sigma_sheet_tilt_rad: f64,
}

impl Default for BayOptions {
    /// An invented hatchback and stand, photographed with a webcam-like lens; every error that a careful person would have.
    fn default() -> Self {
        Self {
            seed: 1,
            n_photos: 26,
            lens: Lens {
                width: 1920,
                height: 1080,
                fx: 1380.0,
                fy: 1381.0,
                cx: 955.0,
                cy: 543.0,
                k1: -0.10,
                k2: 0.03,
                p1: 0.0005,
                p2: -0.0003,
                k3: 0.0,
            },
            lens_knowledge: LensKnowledge::Exact,
            noise: CornerNoise { sigma_px: 0.05, outward_px: 0.02 },
            setup: Setup { from: DistanceFrom::FrontAxle, distance_m: 1.6, lateral_m: 0.0, height_m: 1.0 },
            stand: SixOffsets::default(),
            stand_spread: SixOffsets::default(),
            wheelbase_m: 2.65,
            sigma_wheelbase_m: m_from_mm(2.0),
            track_m: 1.54,
            hub_height_m: 0.312,
            toe_spread_rad: rad_from_deg(0.15),
            camber_spread_rad: rad_from_deg(1.5),
            crab_spread_rad: rad_from_deg(0.1),
            front_plates: false,
            stand_off_m: 0.185,
            sigma_stand_off_m: m_from_mm(0.5),
            run_out_limit_rad: rad_from_deg(0.3),
            eccentricity_limit_m: m_from_mm(1.0),
            limit_law: LimitLaw::Rim,
            sigma_print_common: 0.0003,
            sigma_print_each: 0.0001,
            print_stretch: [1.0; 2],
            sigma_place_m: 0.0,
            sigma_place_rad: 0.0,
            thickness_m: m_from_mm(1.0),
            sigma_thickness_m: m_from_mm(0.6),
            sigma_uneven_m: m_from_mm(0.5),
            sigma_sheet_tilt_rad: 0.0015,
        }
    }
}

/// Why a bay could not be made.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum BayError {
    /// A number of the options is out of its range.
    #[error("{name} = {value} is not possible: {remedy}")]
    Option {
        /// Which.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What it must be.
        remedy: &'static str,
    },
    /// The lens cannot be used.
    #[error("the lens cannot be used: {0}")]
    Lens(String),
    /// No way around the car was found on which every body is seen twice.
    #[error(
        "no {n_photos} places to photograph from were found that show every tag twice (last reason: {reason}); use more photographs or a wider lens"
    )]
    Unlinked {
        /// How many photographs were asked for.
        n_photos: usize,
        /// What the last try lacked.
        reason: String,
    },
}

impl BayOptions {
    /// Checks every number against its range.
    pub fn check(&self) -> Result<(), BayError> {
        let bad = |name, value, remedy| Err(BayError::Option { name, value, remedy });
        if !(8..=500).contains(&self.n_photos) {
            return bad("n_photos", self.n_photos as f64, "8 to 500 photographs");
        }
        if let Some(why) = self.lens.implausible() {
            return Err(BayError::Lens(why));
        }
        if let LensKnowledge::Measured(cov) = &self.lens_knowledge
            && factor(&**cov).is_none()
        {
            return Err(BayError::Lens("its covariance is not positive semi-definite".into()));
        }
        let not_negative = [
            ("noise.sigma_px", self.noise.sigma_px),
            ("noise.outward_px", self.noise.outward_px),
            ("sigma_wheelbase_m", self.sigma_wheelbase_m),
            ("toe_spread_rad", self.toe_spread_rad),
            ("camber_spread_rad", self.camber_spread_rad),
            ("crab_spread_rad", self.crab_spread_rad),
            ("sigma_stand_off_m", self.sigma_stand_off_m),
            ("run_out_limit_rad", self.run_out_limit_rad),
            ("eccentricity_limit_m", self.eccentricity_limit_m),
            ("sigma_print_common", self.sigma_print_common),
            ("sigma_print_each", self.sigma_print_each),
            ("sigma_place_m", self.sigma_place_m),
            ("sigma_place_rad", self.sigma_place_rad),
            ("sigma_thickness_m", self.sigma_thickness_m),
            ("sigma_uneven_m", self.sigma_uneven_m),
            ("sigma_sheet_tilt_rad", self.sigma_sheet_tilt_rad),
        ];
        for (name, value) in not_negative {
            // Half a metre or half a radian: beyond any bay, and tags would pass through each other.
            let most = if name.ends_with("_px") { 20.0 } else { 0.5 };
            if !(0.0..=most).contains(&value) {
                return bad(name, value, "0 to 0.5 (pixels: 0 to 20)");
            }
        }
        for (name, value, low, high, remedy) in [
            ("wheelbase_m", self.wheelbase_m, 1.5, 4.5, "1.5 to 4.5 m"),
            ("track_m", self.track_m, 1.1, 2.2, "1.1 to 2.2 m"),
            ("hub_height_m", self.hub_height_m, 0.2, 0.6, "0.2 to 0.6 m"),
            ("stand_off_m", self.stand_off_m, 0.05, 0.5, "0.05 to 0.5 m"),
            ("thickness_m", self.thickness_m, 0.0, 0.05, "0 to 0.05 m"),
            ("setup.lateral_m", self.setup.lateral_m, -1.0, 1.0, "within 1 m of the thrust line"),
            ("setup.height_m", self.setup.height_m, 0.55, 2.0, "0.55 to 2 m above the floor"),
            ("setup.distance_m", self.distance_from_front_m(), 1.4, 4.0, "1.4 to 4 m in front of the front axle"),
        ] {
            if !(low..=high).contains(&value) {
                return bad(name, value, remedy);
            }
        }
        for offsets in [self.stand, self.stand_spread] {
            if let Some(value) = offsets.to_array().into_iter().find(|v| !(-0.3..=0.3).contains(v)) {
                return bad("stand or stand_spread", value, "within 0.3 m and 0.3 rad");
            }
        }
        Ok(())
    }

    /// Asked distance of the target from the front axle, m.
    pub fn distance_from_front_m(&self) -> f64 {
        match self.setup.from {
            DistanceFrom::FrontAxle => self.setup.distance_m,
            DistanceFrom::RearAxle => self.setup.distance_m - self.wheelbase_m,
        }
    }
}

/// A matrix `L` with `L Lᵀ = cov`, for draws from a normal distribution. `None` unless `cov` is positive semi-definite.
///
/// From the eigenvectors and not by Cholesky: a covariance may have directions without any spread.
pub fn factor<const N: usize>(cov: &SMatrix<f64, N, N>) -> Option<SMatrix<f64, N, N>> {
    if !cov.iter().all(|v| v.is_finite()) {
        return None;
    }
    // Scaled to ones on the diagonal first: focal lengths and distortion coefficients differ by six orders of magnitude.
    let scale = cov.diagonal().map(|v| if v > 0.0 { v.sqrt() } else { 1.0 });
    let scaled = nalgebra::DMatrix::from_fn(N, N, |i, j| (cov[(i, j)] + cov[(j, i)]) / 2.0 / (scale[i] * scale[j]));
    let eigen = scaled.symmetric_eigen();
    if eigen.eigenvalues.iter().any(|&v| v < -1e-9) {
        return None;
    }
    Some(SMatrix::from_fn(|i, j| scale[i] * eigen.eigenvectors[(i, j)] * eigen.eigenvalues[j].max(0.0).sqrt()))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_abs_diff_eq;

    #[test]
    fn the_default_is_possible_and_nonsense_is_named() {
        assert_eq!(BayOptions::default().check(), Ok(()));
        let told = |options: BayOptions| options.check().unwrap_err().to_string();
        assert!(told(BayOptions { n_photos: 1, ..Default::default() }).contains("n_photos"));
        assert!(told(BayOptions { track_m: f64::NAN, ..Default::default() }).contains("track_m"));
        assert!(told(BayOptions { sigma_uneven_m: -0.1, ..Default::default() }).contains("sigma_uneven_m"));
        let mut lens = BayOptions::default().lens;
        lens.k1 = -3.0;
        assert!(told(BayOptions { lens, ..Default::default() }).contains("folds back"));
        let cov = Box::new(-SMatrix::<f64, 9, 9>::identity());
        let lens_knowledge = LensKnowledge::Measured(cov);
        assert!(told(BayOptions { lens_knowledge, ..Default::default() }).contains("semi-definite"));
    }

    #[test]
    fn the_factor_rebuilds_the_covariance_also_a_singular_one() {
        let a = SMatrix::<f64, 3, 3>::new(2e3, 0.0, 0.0, 1.0, 1e-3, 0.0, 3e3, 1e-3, 0.0);
        let cov = a * a.transpose();
        let l = factor(&cov).unwrap();
        assert_abs_diff_eq!(l * l.transpose(), cov, epsilon = 1e-6);
        assert!(factor(&SMatrix::<f64, 2, 2>::new(1.0, 2.0, 2.0, 1.0)).is_none());
    }
}
