//! Tests of generalised least squares against the formula written out with an inverse.

use phasemill_engine::value::Part;

use super::*;

/// Inverse by Gauss-Jordan elimination.
fn inverse(mut m: Vec<Vec<f64>>) -> Vec<Vec<f64>> {
    let n = m.len();
    for (i, row) in m.iter_mut().enumerate() {
        row.extend((0..n).map(|j| if i == j { 1.0 } else { 0.0 }));
    }
    for i in 0..n {
        let pivot = m[i][i];
        m[i].iter_mut().for_each(|x| *x /= pivot);
        for k in (0..n).filter(|k| *k != i) {
            let (factor, row) = (m[k][i], m[i].clone());
            m[k].iter_mut().zip(row).for_each(|(x, y)| *x -= factor * y);
        }
    }
    m.into_iter().map(|row| row[n..].to_vec()).collect()
}

/// Four points with noise of their own and a shared one, and a line through them.
#[test]
fn the_formula_written_out_agrees() {
    let x = [0.0, 1.0, 2.5, 4.0];
    let y = [1.0, 2.2, 2.9, 5.1];
    let (u, shared) = ([0.1, 0.2, 0.15, 0.3], [0.1, 0.05, -0.1, 0.2]);
    let common = About::scatter("background", Reach::Node, 9.0);
    let series: Vec<Option<Value>> = (0..4)
        .map(|k| {
            let about = About::scatter(format!("point {k}"), Reach::Node, 9.0);
            let parts = vec![Part::new(&about, 0, u[k]), Part::new(&common, 0, shared[k])];
            Some(Value::Estimate(Estimate {
                parts: Some(parts),
                ..Estimate::real(y[k])
            }))
        })
        .collect();
    let observed = Observations::new(&series, &[Complex64::ONE]);
    let found = observed
        .solve(2, own, |row, terms| terms.copy_from_slice(&[1.0, x[row]]))
        .expect("a line");

    let v = (0..4).map(|i| {
        let own = |j: usize| if i == j { u[i] * u[i] } else { 0.0 };
        (0..4).map(|j| own(j) + shared[i] * shared[j]).collect()
    });
    let w = inverse(v.collect());
    let column = |p: i32, k: usize| x[k].powi(p);
    let quadratic = |a: &dyn Fn(usize) -> f64, b: &dyn Fn(usize) -> f64| {
        let pairs = (0..16).map(|m| (m / 4, m % 4));
        pairs.map(|(i, j)| a(i) * w[i][j] * b(j)).sum::<f64>()
    };
    let normal = (0..2).map(|p| {
        let other = |q| quadratic(&|k| column(p, k), &|k| column(q, k));
        vec![other(0), other(1)]
    });
    let covariance = inverse(normal.collect());
    let right: Vec<f64> = (0..2)
        .map(|p| quadratic(&|k| column(p, k), &|k| y[k]))
        .collect();
    for i in 0..2 {
        let expected: f64 = (0..2).map(|j| covariance[i][j] * right[j]).sum();
        // Matrices of condition below 100, and some 50 roundings.
        assert!((found.solved.coefficients[i] / expected - 1.0).abs() < 1e-12);
        let mut weights = [Complex64::ZERO; 2];
        weights[i] = Complex64::ONE;
        let [variance, ..] = found.estimate(&weights).covariance().expect("evaluated");
        assert!((variance / covariance[i][i] - 1.0).abs() < 1e-12);
    }
    let residual =
        |k: usize| y[k] - found.solved.coefficients[0] - found.solved.coefficients[1] * x[k];
    let chi_square = quadratic(&residual, &residual);
    assert!((found.solved.chi_square / chi_square - 1.0).abs() < 1e-11);
}

/// Two points with one and the same source have no difference to tell.
#[test]
fn fully_shared_noise_is_told() {
    let about = About::scatter("s", Reach::Node, 9.0);
    let point = |value: f64| {
        Some(Value::Estimate(Estimate {
            parts: Some(vec![Part::new(&about, 0, 0.1)]),
            ..Estimate::real(value)
        }))
    };
    let series = [point(1.0), point(2.0)];
    let observed = Observations::new(&series, &[Complex64::ONE]);
    let solved = observed.solve(1, own, |_, terms| terms[0] = 1.0);
    let fault = solved.err().map(|e| e.to_string());
    assert_eq!(
        fault.as_deref(),
        Some(
            "least squares: the value of point 1 follows from the points before it, with no uncertainty of its own, as where a \
             phase or a mean that was found from all points was taken out of them; do that behind this stage"
        )
    );
}

/// A point without any uncertainty has no weight, complex or not; a constant makes none.
#[test]
fn a_point_without_uncertainty_is_told() {
    let gain = About::constant("gain", None);
    let own = About::scatter("s", Reach::Node, 9.0);
    let point = |about, effect: Complex64| {
        Some(Value::Estimate(Estimate {
            parts: Some(vec![Part::new(about, 0, effect)]),
            ..Estimate::real(1.0)
        }))
    };
    let series = [point(&own, Complex64::ONE), point(&gain, Complex64::ONE)];
    let observed = Observations::new(&series, &[Complex64::ONE]);
    let solved = observed.solve(1, super::own, |_, terms| terms[0] = 1.0);
    assert_eq!(
        solved.err().map(|e| e.to_string()).as_deref(),
        Some(
            "least squares: the value of point 1 has no uncertainty of its own, from which its weight would follow"
        )
    );
}
