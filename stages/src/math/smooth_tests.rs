//! Tests of smooth means.

use phasemill_engine::response::{Element, Response};

use super::*;

/// The cubic B-spline over 0 to 4, by the recursion of de Boor (1972) for whole knots.
fn spline(order: u32, x: f64) -> f64 {
    match order {
        1 => f64::from(u8::from((0.0..1.0).contains(&x))),
        n => {
            let n = f64::from(n);
            (x * spline(order - 1, x) + (n - x) * spline(order - 1, x - 1.0)) / (n - 1.0)
        }
    }
}

fn smooth(base: f64, samples: impl IntoIterator<Item = Complex64>) -> Smooth {
    let mut smooth = Smooth::new(base);
    samples.into_iter().for_each(|z| smooth.extend(&[z]));
    smooth
}

/// However often pieces were joined, and whether they are a whole number of samples or not, means are sums over all samples
/// with the spline's weights; what is missing has no weight. Within the rounding of some thousand products.
#[test]
fn means_are_plain_weighted_sums() {
    for (base, samples) in [(1.0, 300u32), (1.0, 5000), (2.7, 999), (3.3, 20_000)] {
        let sample = |i: u32| match i % 7 == 3 && i < 100 {
            true => Complex64::new(f64::NAN, f64::NAN),
            false => Complex64::new(f64::from(i * i % 1013) - 500.0, f64::from(i % 11)),
        };
        let found = smooth(base, (0..samples).map(sample));
        let length = found.apart();
        let joined = (length / base).log2();
        assert!(joined.fract() == 0.0 && found.means().len() < MOST);
        let whole = (f64::from(samples) / length + 1e-9).floor() as usize;
        assert!(found.means().len().abs_diff(whole - 3) <= 1, "{base}");
        for (k, mean) in found.means().into_iter().enumerate() {
            let each = (0..samples).map(|i| {
                let weight = spline(4, (f64::from(i) + 0.5) / length - k as f64);
                (sample(i), weight)
            });
            let there = each.filter(|(z, _)| !z.re.is_nan());
            let sums = there.fold((Complex64::ZERO, 0.0), |(s, w), (z, own)| {
                (s + z * own, w + own)
            });
            let exact = sums.0 / sums.1;
            let off = (mean.expect("there") - exact).norm();
            assert!(off < 1e-9, "{base} {samples} {k}: {off}");
        }
    }
}

/// Slices change nothing.
#[test]
fn slices_give_the_same_bits() {
    let samples: Vec<Complex64> = (0..3000u32)
        .map(|i| Complex64::new(f64::from(i % 17).sqrt(), f64::from(i)))
        .collect();
    let one = smooth(1.3, samples.iter().copied());
    let mut other = Smooth::new(1.3);
    samples.chunks(113).for_each(|some| other.extend(some));
    assert_eq!(one.means(), other.means());
}

/// Half the samples of a mean, by weight, or it is missing.
#[test]
fn a_mean_without_samples_is_missing() {
    let sample = |i: u32| match (10..14).contains(&i) {
        true => Complex64::new(f64::NAN, f64::NAN),
        false => Complex64::ONE,
    };
    let means = smooth(1.0, (0..40).map(sample)).means();
    // Over single samples a spline weighs 1/48, 23/48, 23/48 and 1/48, so that one inner sample is not enough.
    let missing: Vec<usize> = (0..means.len()).filter(|k| means[*k].is_none()).collect();
    assert_eq!(missing, [8, 9, 10, 11, 12]);
}

/// A ripple at any frequency beyond three quarters of the rate of means leaves (sin(x)/x)⁴ of it, x being π times the frequency
/// over that rate, in each mean; the plain mean over a piece leaves sin(x)/x, up to 4 % here. Whole samples are too fine to
/// matter: 64 of them in a piece.
#[test]
fn a_ripple_leaves_next_to_nothing() {
    let samples = 500 * 64u32;
    for turns in [0.8, 1.3, 2.5, 7.5] {
        let ripple = |i: u32| {
            let (sin, cos) = libm::sincos(std::f64::consts::TAU * turns * f64::from(i) / 64.0);
            Complex64::new(cos, sin)
        };
        let found = smooth(1.0, (0..samples).map(ripple));
        assert_eq!(found.apart(), 64.0);
        let x = std::f64::consts::PI * turns;
        let left = (libm::sin(x) / x).powi(4);
        for mean in found.means() {
            let size = mean.expect("there").norm();
            assert!((size - left).abs() < 1e-4, "{turns}: {size} {left}");
        }
    }
}

/// The covariances of means of a few samples behind a decimation to twice the corner, which folds a third of the noise: plain
/// sums over all pairs, with the autocorrelation of the kept samples of one pole, a^(50 k)·(1 - a)/(1 + a) for white noise
/// of variance 1 or of density 2/rate two-sided 1/rate. Kept samples are 3.5 times the time constant apart; the places at
/// which the engine keeps the response are 1 % of that, with an error of their square.
#[test]
fn covariances_are_those_of_kept_samples() {
    let (tau, rate, every) = (1.0 / 70.0, 1000.0, 50u64);
    let a = libm::exp(-1.0 / (tau * rate));
    let chain = Response::default()
        .then(Element::Sections(vec![[1.0 - a, 0.0, 0.0, -a, 0.0]], rate))
        .then(Element::KeepEvery(every));
    let kept = rate / every as f64;
    let shape = chain.noise_shape(kept).expect("short");
    for base in [1.0, 3.0] {
        let found = smooth(base, (0..200).map(|_| Complex64::ONE));
        let length = found.apart();
        let covariances = found.covariances(&shape, kept);
        let own = |k: i32| rate * (1.0 - a) / (1.0 + a) * libm::pow(a, f64::from(50 * k.abs()));
        let weight = |i: i32| spline(4, (f64::from(i) + 0.5) / length) / length;
        for (lag, covariance) in (0..3).zip(covariances) {
            let far = lag * length as i32;
            let pairs = (0..16).flat_map(|i| (0..16).map(move |j| (i, j)));
            let exact: f64 = pairs
                .map(|(i, j)| weight(i) * weight(j) * own(i - j - far))
                .sum();
            let off = (covariance / exact - 1.0).abs();
            assert!(off < 5e-3, "{base} {lag}: {covariance} {exact}");
        }
    }
}
