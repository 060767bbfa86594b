//! Repeatability: what the same thing measured again and again says of the measurement, by analysis of variance in one factor.
//!
//! Measurements are made in series: within one nothing is changed but what the study is to show (the photographs are taken anew, say), between them
//! more is (another day, another technician, the stand set up anew at the same marks). Source of the method: JCGM 100:2008 (GUM), H.5; the names
//! repeatability and reproducibility as there, B.2.15 and B.2.16.

use crate::fit::chi_square;
use crate::fit::f_ratio::f_tail;
use crate::uncertainty::K_95;

/// Chance below which a scatter is not taken for chance. Common practice, no source.
pub const CLEAR_CHANCE: f64 = 0.01;

/// One-way analysis of variance.
#[derive(Clone, Debug, PartialEq)]
pub struct Repeat {
    /// Number of measurements.
    pub n: usize,
    /// Number of series.
    pub series: usize,
    /// Mean of all measurements.
    pub mean: f64,
    /// Sum of squares of the series' means about the mean of all, each as often as its series has measurements; `series − 1` degrees of freedom.
    pub square_between: f64,
    /// Sum of squares of the measurements about their series' means; `n − series` degrees of freedom.
    pub square_within: f64,
    /// Measurements in a series; where series differ, the number that makes the expectation of the variances right.
    pub per_series: f64,
}

impl Repeat {
    /// From the measurements of each series. `None` unless some series has two and all are finite; series without any are left out.
    pub fn new(series: &[Vec<f64>]) -> Option<Self> {
        let series: Vec<&Vec<f64>> = series.iter().filter(|s| !s.is_empty()).collect();
        let n: usize = series.iter().map(|s| s.len()).sum();
        if n <= series.len() || series.iter().any(|s| s.iter().any(|v| !v.is_finite())) {
            return None;
        }
        let mean_of = |values: &[f64]| {
            // Twice, so that values with many leading digits in common lose none.
            let rough = values.iter().sum::<f64>() / values.len() as f64;
            rough + values.iter().map(|v| v - rough).sum::<f64>() / values.len() as f64
        };
        let all: Vec<f64> = series.iter().flat_map(|s| s.iter().copied()).collect();
        let mean = mean_of(&all);
        let (mut square_between, mut square_within, mut lengths2) = (0.0, 0.0, 0.0);
        for values in &series {
            let own = mean_of(values);
            square_between += values.len() as f64 * (own - mean).powi(2);
            square_within += values.iter().map(|v| (v - own).powi(2)).sum::<f64>();
            lengths2 += (values.len() as f64).powi(2);
        }
        let per_series = match series.len() {
            1 => n as f64,
            k => (n as f64 - lengths2 / n as f64) / (k as f64 - 1.0),
        };
        Some(Self { n, series: series.len(), mean, square_between, square_within, per_series })
    }

    /// Degrees of freedom between and within.
    pub fn dof(&self) -> (usize, usize) {
        (self.series - 1, self.n - self.series)
    }

    /// Variance within a series.
    pub fn variance_within(&self) -> f64 {
        self.square_within / self.dof().1 as f64
    }

    /// Mean square between series; `None` of one series.
    pub fn mean_square_between(&self) -> Option<f64> {
        (self.series > 1).then(|| self.square_between / self.dof().0 as f64)
    }

    /// Repeatability: standard deviation of one measurement within a series.
    pub fn s_within(&self) -> f64 {
        self.variance_within().sqrt()
    }

    /// Standard deviation of what changes from series to series, 0 where the means scatter no more than their measurements explain; `None` of one
    /// series.
    pub fn s_between(&self) -> Option<f64> {
        Some(((self.mean_square_between()? - self.variance_within()) / self.per_series).max(0.0).sqrt())
    }

    /// Reproducibility: standard deviation of one measurement of any series; `None` of one series.
    pub fn s_all(&self) -> Option<f64> {
        Some(self.s_within().hypot(self.s_between()?))
    }

    /// F: mean square between over variance within; `None` of one series or without any scatter.
    pub fn ratio(&self) -> Option<f64> {
        Some(self.mean_square_between()? / self.variance_within()).filter(|f| f.is_finite())
    }

    /// Chance of so large a ratio where nothing changes from series to series.
    pub fn chance(&self) -> Option<f64> {
        let (between, within) = self.dof();
        Some(f_tail(self.ratio()?, between, within))
    }

    /// True where something changes from series to series.
    pub fn series_differ(&self) -> bool {
        // Without any scatter within the series, any difference between them is one.
        let only_between = self.variance_within() == 0.0 && self.mean_square_between().is_some_and(|b| b > 0.0);
        only_between || self.chance().is_some_and(|p| p < CLEAR_CHANCE)
    }

    /// Two measurements of one series differ by more than this once in twenty times: 1.96 √2 s (ISO 5725-6, repeatability limit; number from memory).
    pub fn limit_within(&self) -> f64 {
        K_95 * std::f64::consts::SQRT_2 * self.s_within()
    }

    /// Whether the measurements scatter more within their series than their stated standard uncertainties (one for each measurement, any order) allow,
    /// by a chi-square test against the mean stated variance. They may well scatter less: a part of each uncertainty is the same every time.
    pub fn scatters_more_than(&self, stated_u: &[f64]) -> bool {
        let variance = stated_u.iter().map(|u| u * u).sum::<f64>() / stated_u.len().max(1) as f64;
        let statistic = self.square_within / variance;
        if variance.is_nan() || variance <= 0.0 {
            return self.square_within > 0.0;
        }
        statistic > chi_square::limit(CLEAR_CHANCE.ln(), self.dof().1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
        assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
    }

    /// Source: NIST Statistical Reference Datasets, analysis of variance, Si_Resistivity (SiRstv): certified values.
    #[test]
    fn nist_silicon_resistivity() {
        let instruments = [
            vec![196.3052, 196.1240, 196.1890, 196.2569, 196.3403],
            vec![196.3042, 196.3825, 196.1669, 196.3257, 196.0422],
            vec![196.1303, 196.2005, 196.2889, 196.0343, 196.1811],
            vec![196.2795, 196.1748, 196.1494, 196.1485, 195.9885],
            vec![196.2119, 196.1051, 196.1850, 196.0052, 196.2090],
        ];
        let out = Repeat::new(&instruments).unwrap();
        assert_eq!(out.dof(), (4, 20));
        near("square between", out.square_between / 5.11462616000000e-02, 1.0, 1e-9);
        near("square within", out.square_within / 2.16636560000000e-01, 1.0, 1e-9);
        near("mean square between", out.mean_square_between().unwrap() / 1.27865654000000e-02, 1.0, 1e-9);
        near("F", out.ratio().unwrap() / 1.18046237440255, 1.0, 1e-9);
        near("residual standard deviation", out.s_within() / 1.04076068334656e-01, 1.0, 1e-9);
        assert!(!out.series_differ());
    }

    /// Source: JCGM 100:2008 (GUM), H.5, Table H.9 (a voltage standard, five readings on each of ten days): mean 10.000 097 V, s of the days' means
    /// 57 µV, s_a 128 µV, s_b 85 µV, F 2.25, between days 43 µV. Days' means and standard deviations from memory; they give the printed figures. Here
    /// in µV above 10 V; each day's readings made so that they have exactly that mean and standard deviation.
    #[test]
    fn gum_h5_voltage_standard() {
        let means = [172.0, 116.0, 13.0, 144.0, 106.0, 31.0, 60.0, 125.0, 163.0, 41.0];
        let spreads = [60.0, 77.0, 111.0, 101.0, 67.0, 93.0, 80.0, 73.0, 88.0, 86.0];
        let day = |mean: f64, s: f64| {
            let pattern = [-2.0, -1.0, 0.0, 1.0, 2.0].map(|p: f64| p / 2.5f64.sqrt());
            pattern.iter().map(|p| mean + s * p).collect::<Vec<f64>>()
        };
        let days: Vec<Vec<f64>> = means.iter().zip(spreads).map(|(m, s)| day(*m, s)).collect();
        let out = Repeat::new(&days).unwrap();
        assert_eq!(out.dof(), (9, 40));
        near("mean", out.mean, 97.0, 0.5);
        near("s_a", out.mean_square_between().unwrap().sqrt(), 128.0, 0.5);
        near("s_b", out.s_within(), 85.0, 0.5);
        near("F", out.ratio().unwrap(), 2.25, 0.02);
        near("between days", out.s_between().unwrap(), 43.0, 0.5);
        // H.5.2.2: at 5 % the days differ, F 0.95 (9, 40) = 2.12; at our 1 % they do not.
        near("F at 5 %", crate::fit::f_ratio::f_tail(2.12, 9, 40), 0.05, 0.001);
        assert!(out.chance().unwrap() < 0.05 && !out.series_differ());
    }

    #[test]
    fn one_series_has_no_between_and_unequal_ones_are_weighed() {
        let one = Repeat::new(&[vec![1.0, 2.0, 3.0], vec![]]).unwrap();
        assert_eq!((one.s_between(), one.ratio(), one.chance(), one.series_differ()), (None, None, None, false));
        near("s", one.s_within(), 1.0, 1e-12);
        near("limit", one.limit_within(), 2.772, 1e-3);
        // By hand: means 1 and 4, of 2 and 4; mean of all 3; between 2·4 + 4·1 = 12; n0 = (6 − 20/6) / 1.
        let two = Repeat::new(&[vec![0.0, 2.0], vec![3.0, 5.0, 3.0, 5.0]]).unwrap();
        near("between", two.square_between, 12.0, 1e-12);
        near("within", two.square_within, 6.0, 1e-12);
        near("per series", two.per_series, 6.0 - 20.0 / 6.0, 1e-12);
        near("s between", two.s_between().unwrap().powi(2), (12.0 - 1.5) / (6.0 - 20.0 / 6.0), 1e-12);
        for nothing in [vec![], vec![vec![1.0]], vec![vec![1.0], vec![2.0]], vec![vec![1.0, f64::NAN]]] {
            assert_eq!(Repeat::new(&nothing), None, "{nothing:?}");
        }
    }

    /// Seeded draws: the test of the stated uncertainty fails a sound statement in about one of a hundred studies, and in nine of ten one that is half
    /// of the truth (chi-square: 0.89).
    #[test]
    fn a_stated_uncertainty_that_is_too_small_shows() {
        let mut draw = crate::scene::draw::Draw::new(5, crate::scene::draw::Purpose::Bodies);
        let (mut wrong, mut found) = (0, 0);
        for _ in 0..1000 {
            let series: Vec<Vec<f64>> = (0..3).map(|_| (0..5).map(|_| draw.normal(2.0)).collect()).collect();
            let out = Repeat::new(&series).unwrap();
            wrong += usize::from(out.scatters_more_than(&[2.0; 15]));
            found += usize::from(out.scatters_more_than(&[1.0; 15]));
        }
        assert!((2..=22).contains(&wrong), "{wrong} of 1000 sound studies");
        assert!((850..930).contains(&found), "{found} of 1000");
    }
}
