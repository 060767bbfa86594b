//! The least-squares core against certified answers: NIST statistical reference datasets, nonlinear regression (fixtures/nist/README.md).

mod common;

use common::repository;
use nalgebra::SVector;
use plumbsight::fit::{FitOptions, Linearised, levenberg_marquardt};
use std::ops::{Add, Div, Mul, Neg, Sub};

/// A number with its derivatives by N parameters, so that models are written once and differentiated exactly.
#[derive(Clone, Copy)]
struct Dual<const N: usize>(f64, SVector<f64, N>);

impl<const N: usize> Dual<N> {
    fn of(v: f64) -> Self {
        Dual(v, SVector::zeros())
    }
    fn map(self, value: f64, slope: f64) -> Self {
        Dual(value, self.1 * slope)
    }
    fn exp(self) -> Self {
        self.map(self.0.exp(), self.0.exp())
    }
    fn ln(self) -> Self {
        self.map(self.0.ln(), 1.0 / self.0)
    }
    fn atan(self) -> Self {
        self.map(self.0.atan(), 1.0 / (1.0 + self.0 * self.0))
    }
    fn pow(self, p: Self) -> Self {
        (p * self.ln()).exp()
    }
}
impl<const N: usize> Add for Dual<N> {
    type Output = Self;
    fn add(self, o: Self) -> Self {
        Dual(self.0 + o.0, self.1 + o.1)
    }
}
impl<const N: usize> Sub for Dual<N> {
    type Output = Self;
    fn sub(self, o: Self) -> Self {
        Dual(self.0 - o.0, self.1 - o.1)
    }
}
impl<const N: usize> Mul for Dual<N> {
    type Output = Self;
    fn mul(self, o: Self) -> Self {
        Dual(self.0 * o.0, self.1 * o.0 + o.1 * self.0)
    }
}
impl<const N: usize> Div for Dual<N> {
    type Output = Self;
    fn div(self, o: Self) -> Self {
        Dual(self.0 / o.0, (self.1 * o.0 - o.1 * self.0) / (o.0 * o.0))
    }
}
impl<const N: usize> Neg for Dual<N> {
    type Output = Self;
    fn neg(self) -> Self {
        Dual(-self.0, -self.1)
    }
}

/// A problem as published.
struct Problem<const N: usize> {
    starts: [SVector<f64, N>; 2],
    certified: SVector<f64, N>,
    sd: SVector<f64, N>,
    sum_of_squares: f64,
    data: Vec<(f64, f64)>,
}

fn read<const N: usize>(name: &str) -> Problem<N> {
    let text = std::fs::read_to_string(repository(&format!("fixtures/nist/{name}.dat"))).unwrap();
    let mut p = Problem {
        starts: [SVector::zeros(); 2],
        certified: SVector::zeros(),
        sd: SVector::zeros(),
        sum_of_squares: f64::NAN,
        data: Vec::new(),
    };
    let mut in_data = false;
    let mut parameters = 0;
    for line in text.lines() {
        let numbers = |from: &str| from.split_whitespace().map(|w| w.parse::<f64>()).collect::<Result<Vec<_>, _>>();
        if line.trim_start().starts_with("Data:") && line.contains('y') && line.contains('x') {
            in_data = true;
        } else if in_data {
            if let Ok([y, x]) = numbers(line).as_deref() {
                p.data.push((*x, *y));
            }
        } else if let Some(rest) = line.strip_prefix("Residual Sum of Squares:") {
            p.sum_of_squares = rest.trim().parse().unwrap();
        } else if let Some((left, right)) = line.split_once('=')
            && left.trim() == format!("b{}", parameters + 1)
            && let Ok([a, b, value, sd]) = numbers(right).as_deref()
        {
            p.starts[0][parameters] = *a;
            p.starts[1][parameters] = *b;
            p.certified[parameters] = *value;
            p.sd[parameters] = *sd;
            parameters += 1;
        }
    }
    assert_eq!(parameters, N, "{name}");
    assert!(p.data.len() > N && p.sum_of_squares > 0.0, "{name}");
    p
}

/// Correct decimal digits.
fn digits(got: f64, certified: f64) -> f64 {
    (-((got - certified).abs() / certified.abs()).log10()).min(11.0)
}

/// Solves from these published starts; fails where one does not lead to `least` digits of every parameter.
#[track_caller]
fn check_from<const N: usize>(starts: &[usize], name: &str, least: f64, model: impl Fn(&[Dual<N>; N], f64) -> Dual<N>) {
    let p = read::<N>(name);
    for start in starts.iter().map(|k| &p.starts[*k]) {
        let linearise = |b: &SVector<f64, N>| {
            let b: [Dual<N>; N] = std::array::from_fn(|k| {
                let mut d = SVector::zeros();
                d[k] = 1.0;
                Dual(b[k], d)
            });
            let mut l = Linearised::<N>::zero();
            for (x, y) in &p.data {
                let f = model(&b, *x);
                let r = f.0 - y;
                l.cost += r * r;
                l.gradient += f.1 * r;
                l.normal += f.1 * f.1.transpose();
            }
            l.cost.is_finite().then_some(l)
        };
        let options = FitOptions { max_iterations: 20_000, relative_gain: 0.0 };
        let (found, at) = levenberg_marquardt(start, &options, linearise, |b, d| b + d).unwrap();
        let worst = (0..N).map(|k| digits(found[k], p.certified[k])).fold(f64::INFINITY, f64::min);
        let s2 = at.cost / (p.data.len() - N) as f64;
        let cov = plumbsight::fit::spd_inverse(&nalgebra::DMatrix::from_fn(N, N, |i, j| at.normal[(i, j)]));
        let sd_worst =
            cov.map_or(0.0, |c| (0..N).map(|k| digits((c[(k, k)] * s2).sqrt(), p.sd[k])).fold(f64::INFINITY, f64::min));
        let sum = digits(at.cost, p.sum_of_squares);
        println!(
            "{name:<9} parameters {worst:4.1} digits, standard deviations {sd_worst:4.1}, sum of squares {sum:4.1}"
        );
        assert!(worst >= least, "{name}: {worst:.1} digits, {found} instead of {}", p.certified);
        assert!(sum >= least.min(9.0), "{name}: sum of squares {} instead of {}", at.cost, p.sum_of_squares);
        assert!(sd_worst >= 5.0, "{name}: standard deviations to {sd_worst:.1} digits");
    }
}

/// The same from both.
#[track_caller]
fn check<const N: usize>(name: &str, least: f64, model: impl Fn(&[Dual<N>; N], f64) -> Dual<N>) {
    check_from(&[0, 1], name, least, model);
}

#[test]
fn certified_digits() {
    fn c<const N: usize>(v: f64) -> Dual<N> {
        Dual::of(v)
    }
    check::<2>("Misra1a", 8.0, |b, x| b[0] * (c(1.0) - (-b[1] * c(x)).exp()));
    check::<2>("Misra1b", 8.0, |b, x| {
        let d = c(1.0) + b[1] * c(x / 2.0);
        b[0] * (c(1.0) - c(1.0) / (d * d))
    });
    check::<2>("Misra1c", 8.0, |b, x| b[0] * (c(1.0) - (c(1.0) + c(2.0 * x) * b[1]).pow(c(-0.5))));
    check::<2>("Misra1d", 8.0, |b, x| b[0] * b[1] * c(x) / (c(1.0) + b[1] * c(x)));
    for name in ["Chwirut1", "Chwirut2"] {
        check::<3>(name, 8.0, |b, x| (-b[0] * c(x)).exp() / (b[1] + b[2] * c(x)));
    }
    check::<2>("DanWood", 8.0, |b, x| b[0] * c::<2>(x).pow(b[1]));
    for name in ["Gauss1", "Gauss2"] {
        check::<8>(name, 8.0, |b, x| {
            let bell = |a: Dual<8>, m: Dual<8>, s: Dual<8>| a * (-(c(x) - m) * (c(x) - m) / (s * s)).exp();
            b[0] * (-b[1] * c(x)).exp() + bell(b[2], b[3], b[4]) + bell(b[5], b[6], b[7])
        });
    }
    check::<5>("Kirby2", 8.0, |b, x| (b[0] + b[1] * c(x) + b[2] * c(x * x)) / (c(1.0) + b[3] * c(x) + b[4] * c(x * x)));
    check::<3>("Rat42", 8.0, |b, x| b[0] / (c(1.0) + (b[1] - b[2] * c(x)).exp()));
    check::<4>("Rat43", 8.0, |b, x| b[0] / (c(1.0) + (b[1] - b[2] * c(x)).exp()).pow(c(1.0) / b[3]));
    check::<3>("Eckerle4", 8.0, |b, x| {
        let z = (c(x) - b[2]) / b[1];
        b[0] / b[1] * (c(-0.5) * z * z).exp()
    });
    check::<4>("Roszman1", 8.0, |b, x| b[0] - b[1] * c(x) - (b[2] / (c(x) - b[3])).atan() / c(std::f64::consts::PI));
    check::<7>("Thurber", 7.0, |b, x| {
        (b[0] + b[1] * c(x) + b[2] * c(x * x) + b[3] * c(x * x * x))
            / (c(1.0) + b[4] * c(x) + b[5] * c(x * x) + b[6] * c(x * x * x))
    });
    check::<4>("MGH09", 7.0, |b, x| b[0] * (c(x * x) + c(x) * b[1]) / (c(x * x) + c(x) * b[2] + b[3]));
    // The far starts of these two lead a plain Levenberg-Marquardt astray; a lens or a pose is never started that far off.
    check_from::<5>(&[1], "MGH17", 8.0, |b, x| {
        b[0] + b[1] * (-c::<5>(x) * b[3]).exp() + b[2] * (-c::<5>(x) * b[4]).exp()
    });
    check_from::<3>(&[1], "MGH10", 8.0, |b, x| b[0] * (b[1] / (c(x) + b[2])).exp());
}
