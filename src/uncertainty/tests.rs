use super::*;
use std::convert::Infallible;

/// Runs a calculation that cannot fail.
fn run<S: Clone + PartialEq>(f: impl Fn(&[f64]) -> Vec<f64>, inputs: &Inputs<S>) -> Propagated<S> {
    propagate(|x| Ok::<_, Infallible>(DVector::from_vec(f(x))), inputs).unwrap()
}

fn near(what: &str, got: f64, expected: f64, tolerance: f64) {
    assert!((got - expected).abs() <= tolerance, "{what}: got {got}, expected {expected} +- {tolerance}");
}

/// Source: GUM (JCGM 100:2008), H.1, end-gauge calibration; inputs as in the documentation of the R package propagate 1.1-0. The first
/// order only: u_c 31.71 nm (printed 32).
#[test]
fn gum_h1_end_gauge_first_order() {
    let mut inputs = Inputs::new();
    inputs.add("l_s", 50_000_623.0, 25.0, "standard");
    inputs.add("d", 215.0, 9.7, "comparator");
    inputs.add("delta alpha", 0.0, 0.58e-6, "expansion difference");
    inputs.add("theta", -0.1, 0.41, "temperature");
    inputs.add("alpha_s", 11.5e-6, 1.2e-6, "expansion");
    inputs.add("delta theta", 0.0, 0.029, "temperature difference");
    let out = run(|x| vec![x[0] + x[1] - x[0] * (x[2] * x[3] + x[4] * x[5])], &inputs);
    near("l", out.values[0], 50_000_838.0, 0.5);
    near("u_c", out.estimate(0).u, 31.71, 0.01);
    for (source, term) in [
        ("standard", 25.0),
        ("comparator", 9.7),
        ("expansion difference", 2.90),
        ("temperature", 0.0),
        ("expansion", 0.0),
        ("temperature difference", 16.68),
    ] {
        let part = out.contributions.iter().find(|c| c.source == source).unwrap();
        near(source, part.cov[(0, 0)].sqrt(), term, 0.01);
    }
}

/// Five simultaneous readings of GUM H.2, Table H.2 (data as in the R package propagate): means and covariance of the means.
fn resistance_inputs(correlated: bool) -> Inputs<&'static str> {
    let readings = [
        [5.007, 4.994, 5.005, 4.990, 4.999],
        [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3],
        [1.0456, 1.0438, 1.0468, 1.0428, 1.0433],
    ];
    let mean = readings.map(|r| r.iter().sum::<f64>() / 5.0);
    let cov = DMatrix::from_fn(3, 3, |i, j| {
        if i != j && !correlated {
            return 0.0;
        }
        (0..5).map(|k| (readings[i][k] - mean[i]) * (readings[j][k] - mean[j])).sum::<f64>() / (5.0 * 4.0)
    });
    let mut inputs = Inputs::new();
    for (name, value) in ["V", "I", "phi"].iter().zip(mean) {
        inputs.add_exact(*name, value);
    }
    inputs.groups.push(Group { source: "readings", first: 0, cov });
    inputs
}

fn resistance(x: &[f64]) -> Vec<f64> {
    let z = x[0] / x[1];
    vec![z * x[2].cos(), z * x[2].sin(), z]
}

/// Source: GUM (JCGM 100:2008), H.2, Tables H.3 and H.4.
#[test]
fn gum_h2_several_outputs_with_correlated_inputs() {
    let out = run(resistance, &resistance_inputs(true));
    for (k, (value, u)) in [(127.732, 0.071), (219.847, 0.296), (254.260, 0.236)].iter().enumerate() {
        near("value", out.values[k], *value, 0.0006);
        near("u", out.estimate(k).u, *u, 0.0006);
    }
    let r = |i: usize, j: usize| out.cov[(i, j)] / (out.cov[(i, i)] * out.cov[(j, j)]).sqrt();
    near("r(R,X)", r(0, 1), -0.588, 0.0006);
    near("r(R,Z)", r(0, 2), -0.485, 0.0006);
    near("r(X,Z)", r(1, 2), 0.993, 0.0006);
}

/// The trap of GUM H.2: the same readings taken as uncorrelated give other, wrong, figures (0.195, 0.201, 0.204: recomputed independently).
#[test]
fn ignoring_the_correlation_gives_the_wrong_figures() {
    let wrong = run(resistance, &resistance_inputs(false));
    let right = run(resistance, &resistance_inputs(true));
    for (k, u) in [0.195, 0.201, 0.204].iter().enumerate() {
        near("u without correlation", wrong.estimate(k).u, *u, 0.0006);
    }
    assert!(wrong.estimate(0).u > 2.0 * right.estimate(0).u);
    assert!(wrong.estimate(1).u < 0.75 * right.estimate(1).u);
}

/// Source: GUM (JCGM 100:2008), H.3, Table H.6, calibration of a thermometer by a line. The eleven corrections are the inputs, each with the
/// residual standard deviation; the line's coefficients and its value at 30 degrees are outputs.
#[test]
fn gum_h3_calibration_line() {
    let t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511];
    let b = [-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160];
    let line = |b: &[f64]| {
        let n = t.len() as f64;
        let theta: Vec<f64> = t.iter().map(|t| t - 20.0).collect();
        let (st, sb) = (theta.iter().sum::<f64>(), b.iter().sum::<f64>());
        let stt: f64 = theta.iter().map(|t| t * t).sum();
        let stb: f64 = theta.iter().zip(b).map(|(t, b)| t * b).sum();
        let slope = (n * stb - st * sb) / (n * stt - st * st);
        let start = (sb - slope * st) / n;
        vec![start, slope, start + slope * 10.0]
    };
    let fitted = line(&b);
    let square: f64 = t.iter().zip(b).map(|(t, b)| (b - fitted[0] - fitted[1] * (t - 20.0)).powi(2)).sum();
    let s = (square / 9.0).sqrt();
    near("s", s, 0.003498, 0.0000006);
    let mut inputs = Inputs::new();
    for value in b {
        inputs.add("b", value, s, ());
    }
    let out = run(line, &inputs);
    near("y1", out.values[0], -0.17120, 0.00001);
    near("s(y1)", out.estimate(0).u, 0.00288, 0.00001);
    near("y2", out.values[1], 0.002183, 0.000001);
    near("s(y2)", out.estimate(1).u, 0.000668, 0.000001);
    near("r", out.cov[(0, 1)] / (out.estimate(0).u * out.estimate(1).u), -0.9304, 0.0001);
    near("b(30)", out.values[2], -0.14938, 0.00001);
    near("u(b(30))", out.estimate(2).u, 0.00414, 0.00001);
}

/// Source: JCGM 101:2008, 9.2.2 (sum of four standard normal quantities: u 2, 95 % interval +-3.92).
#[test]
fn jcgm_101_additive_model() {
    let mut inputs = Inputs::new();
    for name in ["x1", "x2", "x3", "x4"] {
        inputs.add(name, 0.0, 1.0, name);
    }
    let out = run(|x| vec![x.iter().sum()], &inputs);
    near("u", out.estimate(0).u, 2.0, 1e-12);
    near("U", out.estimate(0).expanded, 3.92, 0.0005);
    assert_eq!(out.contributions.len(), 4);
    near("curvature", out.second_order[0], 0.0, 1e-10);
}

/// Source: JCGM 101:2008, 9.4 (comparison loss y = x1² + x2², u 0.005 each, inputs as in the R package propagate; exact moments recomputed). The
/// first order is wrong near the minimum, and `second_order` says so: together they give the exact standard deviation.
#[test]
fn jcgm_101_comparison_loss_shows_where_first_order_lies() {
    for (x1, first, exact) in [(0.0, 0.0, 50e-6), (0.010, 100e-6, 111.8e-6), (0.050, 500e-6, 502.5e-6)] {
        let mut inputs = Inputs::new();
        inputs.add("x1", x1, 0.005, ());
        inputs.add("x2", 0.0, 0.005, ());
        let out = run(|x| vec![x[0] * x[0] + x[1] * x[1]], &inputs);
        near("first order", out.estimate(0).u, first, 1e-9);
        near("second order", out.second_order[0], 50e-6, 1e-9);
        near("both", out.estimate(0).u.hypot(out.second_order[0]), exact, 0.05e-6);
    }
}

#[test]
fn parts_of_one_covariance_add_up_and_zero_variance_is_held() {
    let mut inputs = Inputs::new();
    inputs.add_exact("a", 1.0);
    inputs.add_exact("b", 2.0);
    inputs.add_exact("held", 3.0);
    let part = DMatrix::from_row_slice(2, 2, &[4.0, 1.0, 1.0, 2.0]) * 1e-4;
    inputs.groups.push(Group { source: 'p', first: 0, cov: part.clone() });
    inputs.groups.push(Group { source: 'q', first: 0, cov: part * 2.0 });
    inputs.groups.push(Group { source: 'p', first: 1, cov: DMatrix::from_element(1, 1, 1e-4) });
    let out = run(|x| vec![x[0] * x[1], x[0] - x[1] + x[2]], &inputs);
    assert_eq!(out.contributions.len(), 2);
    let sum = &out.contributions[0].cov + &out.contributions[1].cov;
    assert!((sum - &out.cov).amax() < 1e-18);
    assert_eq!(out.jacobian[(1, 2)], 0.0, "an input without uncertainty is not stepped");
    // Var(ab) = b² 3·4e-4 + a² (3·2 + 1)e-4 + 2ab 3e-4, by hand.
    near("variance", out.cov[(0, 0)], (4.0 * 12.0 + 7.0 + 2.0 * 2.0 * 3.0) * 1e-4, 1e-12);
}

#[test]
fn an_error_of_the_calculation_is_passed_on() {
    let mut inputs = Inputs::new();
    inputs.add("x", 1.0, 0.1, ());
    let answer =
        propagate(|x| if x[0] > 1.0 { Err("out of range") } else { Ok(DVector::from_element(1, x[0])) }, &inputs);
    assert_eq!(answer.unwrap_err(), "out of range");
}
