//! Checks of the sums against hand-worked values, exact integers and certified values.

use super::*;
use crate::math::reference_data::read;

fn moments(samples: &[f64]) -> Moments {
    let mut moments = Moments::default();
    moments.extend(samples);
    moments
}

/// The samples of a StRD file: the lines below the one that begins with `Data: Y`.
fn strd(name: &str) -> Option<Vec<f64>> {
    let text = read(name)?;
    let lines = text
        .lines()
        .skip_while(|line| !line.starts_with("Data:") || !line.trim_end().ends_with('Y'))
        .skip(1);
    let samples: Vec<f64> = lines.filter_map(|line| line.trim().parse().ok()).collect();
    assert!(!samples.is_empty(), "{name} holds no samples");
    Some(samples)
}

/// NIST StRD, certified values (15 digits, or exact). Half of the fifteenth digit is at most 5e-15. A
/// double holds a decimal to half an ulp, which relative to the scatter is 1.1e-16/0.1 for NumAcc2,
/// 2.2e-16/4.3e-4 = 5e-13 for Mavro, 2.8e-14/0.079 = 3.6e-13 for Michelso, 5.8e-11/0.1 for NumAcc3 and
/// 9.3e-10/0.1 for NumAcc4; the autocorrelation, a product over a square, may be off by twice that.
#[test]
fn certified_values_are_met() {
    let cases = [
        (
            "Lew.dat",
            -177.435,
            277.332168044316,
            -0.307304800605679,
            5e-15,
        ),
        (
            "Lottery.dat",
            518.958715596330,
            291.699727470969,
            -0.120948622967393,
            5e-15,
        ),
        (
            "Mavro.dat",
            2.00185600000000,
            0.000429123454003053,
            0.937989183438248,
            5e-13,
        ),
        (
            "Michelso.dat",
            299.852400000000,
            0.0790105478190518,
            0.535199668621283,
            5e-13,
        ),
        ("NumAcc1.dat", 10000002.0, 1.0, -0.5, 0.0),
        ("NumAcc2.dat", 1.2, 0.1, -0.999, 5e-15),
        ("NumAcc3.dat", 1000000.2, 0.1, -0.999, 1.2e-9),
        ("NumAcc4.dat", 10000000.2, 0.1, -0.999, 1.9e-8),
    ];
    for (name, mean, sd, correlation, tolerance) in cases {
        let Some(samples) = strd(name) else {
            return;
        };
        let found = moments(&samples);
        let near = |what: &str, found: f64, expected: f64, tolerance: f64| {
            assert!(
                (found / expected - 1.0).abs() <= tolerance,
                "{name} {what}: {found} {expected}"
            );
        };
        // One rounding, and half of the fifteenth digit.
        near("mean", found.mean(), mean, 1e-15);
        near("sd", found.sd(), sd, tolerance);
        near("lag 1", lag1(&samples), correlation, tolerance);
    }
}

/// 1, 2, 4, 9: mean 4, squares of deviations 9 + 4 + 0 + 25 = 38; Σdᵢdᵢ₊₁ = 6 + 0 + 0 = 6; by hand.
#[test]
fn four_numbers() {
    let samples = [1.0, f64::NAN, 2.0, 4.0, 9.0];
    let found = moments(&samples);
    assert_eq!(
        (found.count(), found.missing(), found.min(), found.max()),
        (4, 1, 1.0, 9.0)
    );
    assert_eq!((found.mean(), found.variance()), (4.0, 38.0 / 3.0));
    assert_eq!(lag1(&[1.0, 2.0, 4.0, 9.0]), 6.0 / 38.0);
    // Without the pair 1, 2 only 2·4 and 4·9 are left, both products of deviation 0.
    assert_eq!(lag1(&samples), 0.0);
}

/// (0, 0), (2, 1), (4, 5): variances 4 and 7, covariance (2·2 + 0 + 2·3)/2 = 5; by hand.
#[test]
fn three_complex_numbers() {
    let mut found = ComplexMoments::default();
    let z = Complex64::new;
    found.extend(&[z(0.0, 0.0), z(f64::NAN, 1.0), z(2.0, 1.0), z(4.0, 5.0)]);
    assert_eq!((found.count(), found.missing()), (3, 1));
    assert_eq!(
        (found.mean(), found.covariance()),
        (z(2.0, 2.0), [4.0, 7.0, 5.0])
    );
}

#[test]
fn nothing_has_no_mean() {
    let found = moments(&[f64::NAN]);
    assert!(found.mean().is_nan() && found.variance() == 0.0 && found.sd() == 0.0);
    assert!(ComplexMoments::default().mean().re.is_nan());
    let one = moments(&[3.0]);
    assert_eq!((one.mean(), one.variance(), one.sd()), (3.0, 0.0, 0.0));
    assert!(lag1(&[]).is_nan() && lag1(&[2.0, 2.0]).is_nan());
}

/// 1e16 + 1 - 1e16 and products that cancel: exact where plain sums give 0 or 2.
#[test]
fn what_rounding_takes_is_kept() {
    let mut sum = Sum::default();
    [1e16, 1.0, -1e16].iter().for_each(|x| sum.add(*x));
    assert_eq!(sum.value(), 1.0);
    let mut sum = Sum::default();
    // (2^27 + 1)² - 2^54 - 2^28 = 1.
    sum.add_product(134_217_729.0, 134_217_729.0);
    sum.add_product(-134_217_728.0, 134_217_728.0);
    sum.add(-268_435_456.0);
    assert_eq!(sum.value(), 1.0);
}

#[test]
fn a_line_is_found_again_behind_gaps() {
    let mut sums = LineSums::default();
    for i in 0..1000 {
        let missing = i < 5 || i % 7 == 0;
        sums.push(if missing {
            f64::NAN
        } else {
            1e6 + 0.25 * f64::from(i)
        });
    }
    // All numbers are multiples of 1/4 below 2^53, so only the last division rounds.
    let (start, slope) = sums.line().expect("a line");
    assert!(
        (start - 1e6).abs() < 1e-9 && (slope - 0.25).abs() < 1e-14,
        "{start} {slope}"
    );
}

proptest::proptest! {
    /// Integers up to 2^40: mean and covariance by exact integer arithmetic, rounded at the end. Sums of squares stay below 2^88, so that all sums are exact; the three divisions and the
    /// last addition round by 4 · 2^-53 at most.
    #[test]
    fn integers_agree_with_exact_arithmetic(values in proptest::collection::vec((-1i64 << 40..1 << 40, -1i64 << 40..1 << 40), 2..60)) {
        let mut found = ComplexMoments::default();
        values.iter().for_each(|(x, y)| found.push(Complex64::new(*x as f64, *y as f64)));
        let n = values.len() as i128;
        let sum = |f: &dyn Fn(i128, i128) -> i128| values.iter().map(|(x, y)| f(i128::from(*x), i128::from(*y))).sum::<i128>();
        let (x, y) = (sum(&|x, _| x), sum(&|_, y| y));
        let exact = |products: i128, a: i128, b: i128| (n * products - a * b) as f64 / (n * (n - 1)) as f64;
        let expected = [
            exact(sum(&|x, _| x * x), x, x),
            exact(sum(&|_, y| y * y), y, y),
            exact(sum(&|x, y| x * y), x, y),
        ];
        for (a, b) in found.covariance().iter().zip(expected) {
            proptest::prop_assert!((a - b).abs() <= 4.5e-16 * b.abs(), "{} {}", a, b);
        }
        let mean = found.mean();
        proptest::prop_assert!((mean.re - x as f64 / n as f64).abs() <= 4.5e-16 * (x as f64 / n as f64).abs());
        proptest::prop_assert!((mean.im - y as f64 / n as f64).abs() <= 4.5e-16 * (y as f64 / n as f64).abs());
    }

    /// A first sample far from all others, the worst case for the shift: the scatter of integers about
    /// 0 with one at 1e12 removed by hand must not lose digits: 12 of 32 digits go, 20 remain.
    #[test]
    fn a_wild_first_sample_costs_nothing(values in proptest::collection::vec(-1000i64..1000, 2..60)) {
        let mut found = moments(&[1e12]);
        values.iter().for_each(|x| found.push(*x as f64));
        let n = values.len() as i128 + 1;
        let first = 1_000_000_000_000i128;
        let sum = first + values.iter().map(|x| i128::from(*x)).sum::<i128>();
        let squares = first * first + values.iter().map(|x| i128::from(x * x)).sum::<i128>();
        let expected = (n * squares - sum * sum) as f64 / (n * (n - 1)) as f64;
        proptest::prop_assert!((found.variance() / expected - 1.0).abs() <= 4.5e-16);
    }
}
