//! Tests of the uncertainty from stretches.

use phasemill_engine::response::{Element, Response};
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::*;

fn white() -> Grid {
    Grid {
        base: 1.0,
        settling: 0.0,
        rate: 1.0,
        shape: Response::default().noise_shape(1.0).expect("short"),
        known: f64::INFINITY,
    }
}

/// One pole of time constant `tau` seconds at 1 sample per second.
fn one_pole(tau: f64) -> Grid {
    let a = libm::exp(-1.0 / tau);
    let chain =
        Response::default().then(Element::Sections(vec![[1.0 - a, 0.0, 0.0, -a, 0.0]], 1.0));
    Grid {
        settling: chain.settling_time(0.01).expect("settles"),
        shape: chain.noise_shape(1.0).expect("short"),
        ..white()
    }
}

fn pieces(base: f64, samples: impl IntoIterator<Item = Complex64>) -> Pieces {
    let mut pieces = Pieces::new(base);
    samples.into_iter().for_each(|z| pieces.extend(&[z]));
    pieces
}

/// 3, 5, 10 behind nothing: mean 6, deviations -3, -1, 4, u = sqrt(26/(3·2)), by hand.
#[test]
fn few_independent_samples_by_hand() {
    let samples = [3.0, 5.0, 10.0].map(|x| Complex64::new(x, 0.0));
    for method in [Method::Automatic, Method::Stretches, Method::Neighbours] {
        let found = white()
            .evaluate(&pieces(1.0, samples), 3, method)
            .expect("enough");
        assert_eq!((found.freedom, found.cut.count), (2.0, 3));
        let square: f64 = found.effects.iter().map(|(_, e)| e.norm_sqr()).sum();
        assert!((square - 26.0 / 6.0).abs() < 1e-14, "{square}");
    }
    assert!(
        white()
            .evaluate(
                &pieces(1.0, samples[..2].iter().copied()),
                2,
                Method::Stretches
            )
            .is_none()
    );
}

/// However long the record, pieces stay below their number and hold the means of equal stretches; a
/// stretch of which less than half is there is left out.
#[test]
fn pieces_are_joined_in_pairs() {
    let ramp = |i: u32| Complex64::new(f64::from(i), -f64::from(i));
    let all = pieces(1.0, (0..1000).map(ramp));
    assert_eq!((all.length, all.whole.len()), (4.0, 250));
    for stretch in all.stretches(25, 1.0) {
        let middle = 40.0 * f64::from(stretch.place) + 19.5;
        assert!((stretch.mean - Complex64::new(middle, -middle)).norm() < 1e-11);
    }
    let nan = Complex64::new(f64::NAN, f64::NAN);
    let some = pieces(2.0, (0..8).map(|i| if i < 3 { nan } else { ramp(i) }));
    let places: Vec<u32> = some.stretches(2, 1.0).iter().map(|s| s.place).collect();
    assert_eq!(places, [1]);
    let some = pieces(2.5, (0..10).map(ramp));
    assert_eq!(
        some.whole.iter().map(|(_, n)| *n).collect::<Vec<_>>(),
        [3, 2, 3, 2]
    );
}

/// Where few stretches longer than the settling time fit, shorter ones serve; where not even those fit,
/// nothing does. The settling time to 1 % of one pole is 4.6 time constants.
#[test]
fn the_record_decides_on_the_method() {
    let grid = one_pole(100.0);
    let cut = |samples| {
        grid.cut(samples, Method::Automatic)
            .map(|c| (c.method, c.count))
    };
    assert!(matches!(cut(100_000), Some((Method::Stretches, 20..=32))));
    assert!(matches!(cut(6_000), Some((Method::Stretches, 10..=13))));
    assert!(matches!(cut(2_000), Some((Method::Neighbours, 10..=20))));
    assert_eq!(cut(300), None);
    assert_eq!(grid.cut(1_000, Method::Stretches), None);
}

/// What a record is planned to be cut into is what it is cut into.
#[test]
fn the_plan_is_kept() {
    let grid = one_pole(20.0);
    for samples in [150u64, 640, 1000, 12_345] {
        let planned = grid.cut(samples, Method::Automatic);
        let noise = (0..samples).map(|i| Complex64::new((i % 7) as f64, 0.0));
        let found = grid.evaluate(&pieces(1.0, noise), samples, Method::Automatic);
        assert_eq!(planned, found.map(|f| f.cut), "{samples}");
    }
}

/// Gaussian noise (Box and Muller 1958).
fn gauss(random: &mut ChaCha8Rng) -> f64 {
    let mut unit = || (random.next_u64() >> 11) as f64 * 2f64.powi(-53);
    let (a, b) = (1.0 - unit(), unit());
    (-2.0 * libm::log(a)).sqrt() * libm::cos(std::f64::consts::TAU * b)
}

/// Noise through one pole: the mean of u² is the variance of the mean, and u² scatters as its degrees of
/// freedom say, 2/n of its square. Over m records of two components the mean square is known to
/// sqrt(2/(n·2m)), the variance of the means to sqrt(2/2m): within 4 of these.
#[test]
fn the_variance_of_the_mean_is_found() {
    let tau = 25.0;
    let a = libm::exp(-1.0 / tau);
    let mut random = ChaCha8Rng::seed_from_u64(20261125);
    for (samples, method) in [
        (4000u64, Method::Stretches),
        (400, Method::Neighbours),
        (200, Method::Neighbours),
    ] {
        let grid = one_pole(tau);
        let records = 1500;
        let (mut squares, mut means, mut freedom) = (0.0, 0.0, 0.0);
        for _ in 0..records {
            let mut state = Complex64::default();
            let mut step = || {
                state =
                    state * a + Complex64::new(gauss(&mut random), gauss(&mut random)) * (1.0 - a);
                state
            };
            (0..500).for_each(|_| {
                step();
            });
            let record: Vec<Complex64> = (0..samples).map(|_| step()).collect();
            let found = grid
                .evaluate(&pieces(1.0, record.iter().copied()), samples, method)
                .expect("enough");
            squares += found.effects.iter().map(|(_, e)| e.norm_sqr()).sum::<f64>();
            means += (record.iter().sum::<Complex64>() / samples as f64).norm_sqr();
            freedom = found.freedom;
        }
        let ratio = squares / means;
        let m = f64::from(records);
        let within = 4.0 * ((1.0 + 1.0 / freedom) / m).sqrt();
        assert!(
            (ratio - 1.0).abs() < within,
            "{samples} {method:?}: {ratio}, {freedom}"
        );
    }
}

/// Whatever its length, stretches fill a record, so that each sample of the mean counts in its scatter: weighted with their
/// lengths they have the mean of everything, and a disturbance of the last sample moves the uncertainty too.
#[test]
fn the_end_of_a_record_counts_in_the_scatter() {
    let mut random = ChaCha8Rng::seed_from_u64(8);
    for samples in [40u32, 127, 128, 1000, 1003, 1055] {
        let noise: Vec<f64> = (0..samples).map(|_| gauss(&mut random)).collect();
        let of = |last: f64| {
            let mut x: Vec<Complex64> = noise.iter().map(|x| Complex64::new(*x, 0.0)).collect();
            x[samples as usize - 1] += last;
            pieces(1.0, x)
        };
        let (plain, disturbed) = (of(0.0), of(1000.0));
        let cut = white()
            .cut(u64::from(samples), Method::Automatic)
            .expect("enough");
        let stretches = plain.stretches(cut.count, 1.0);
        let ends = stretches
            .windows(2)
            .all(|s| s[0].seconds[1] == s[1].seconds[0]);
        assert!(ends && stretches[cut.count - 1].seconds[1] == f64::from(samples));
        let mean: f64 = stretches.iter().map(|s| s.mean.re * s.length()).sum();
        let exact: f64 = noise.iter().sum();
        // A thousand sums of numbers of size 1.
        assert!((mean - exact).abs() < 1e-12, "{samples}");
        let [u, v] = [plain, disturbed].map(|pieces| {
            let found = white().evaluate(&pieces, u64::from(samples), Method::Automatic);
            let square = found
                .expect("enough")
                .effects
                .iter()
                .map(|(_, e)| e.norm_sqr())
                .sum::<f64>();
            square.sqrt()
        });
        // Of a share s of the record, it deviates by (1 - s)/s of the shift of the mean, all others by that shift.
        let share = stretches[cut.count - 1].length() / f64::from(samples);
        let shift = 1000.0 / f64::from(samples);
        let one = shift * ((1.0 - share) / share / (cut.count as f64 - 1.0)).sqrt();
        assert!(
            u < 0.3 && (v / one - 1.0).abs() < 0.05,
            "{samples}: {u} {v} {one}"
        );
    }
}

/// Stretches of three pieces and of four, of samples that are independent: the mean square of deviations, weighted with
/// lengths, is what it is for equal ones.
#[test]
fn stretches_of_unequal_length_tell_the_same() {
    let mut random = ChaCha8Rng::seed_from_u64(9);
    let (records, samples) = (4000, 110u64);
    let mut squares = 0.0;
    for _ in 0..records {
        let record = (0..samples).map(|_| Complex64::new(gauss(&mut random), gauss(&mut random)));
        let found = white()
            .evaluate(&pieces(1.0, record), samples, Method::Automatic)
            .expect("enough");
        assert_eq!((found.cut.count, found.freedom), (27, 26.0));
        squares += found.effects.iter().map(|(_, e)| e.norm_sqr()).sum::<f64>();
    }
    let ratio = squares / f64::from(records) / 2.0 * samples as f64;
    // Of 2·26·4000 degrees of freedom, four times sqrt(2/(2·26·4000)).
    assert!((ratio - 1.0).abs() < 0.0125, "{ratio}");
}

/// Steps from stretch to stretch that add up are told from noise, and raise the uncertainty.
#[test]
fn a_drift_is_noticed() {
    let mut random = ChaCha8Rng::seed_from_u64(7);
    let noise: Vec<Complex64> = (0..3200)
        .map(|_| Complex64::new(gauss(&mut random), 0.0))
        .collect();
    let of = |record: Vec<Complex64>| {
        let found = white().evaluate(&pieces(1.0, record), 3200, Method::Automatic);
        found.expect("enough")
    };
    let plain = of(noise.clone());
    assert!(plain.wander.is_empty() && plain.slow.is_empty());
    let walk = noise.iter().scan(Complex64::default(), |at, step| {
        *at += step;
        Some(*at)
    });
    let found = of(walk.collect());
    let [wander] = found.wander.as_slice() else {
        panic!("{:?}", found.wander)
    };
    assert!(wander.remarked && wander.direction.im == 0.0);
    let square =
        |effects: &[(u32, Complex64)]| effects.iter().map(|(_, e)| e.norm_sqr()).sum::<f64>();
    let (white, slow) = (square(&found.effects), square(&found.slow));
    // By construction, within rounding.
    assert!(((white + slow) / white / (wander.raised * wander.raised) - 1.0).abs() < 1e-12);
    assert!(wander.raised > 2.0, "{}", wander.raised);
}

/// A ripple of amplitude 20 at 0.37 cycles a sample, as a strong signal makes one behind a filter of one pole, is no slow line,
/// though means over 16 or 32 samples hold up to 1/(PI*0.37*32) = 2.7 % of it, folded to where it is not, and noise of 1 in
/// each part only sqrt(2/8000) = 0.016 in a line.
#[test]
fn a_fast_ripple_is_no_line_beside_the_signal() {
    let mut random = ChaCha8Rng::seed_from_u64(12);
    for turns in [0.37, 0.1493, 0.455] {
        let record = (0..8000u32).map(|i| {
            let (sin, cos) = libm::sincos(std::f64::consts::TAU * turns * f64::from(i));
            let noise = Complex64::new(gauss(&mut random), gauss(&mut random));
            Complex64::new(cos, sin) * 20.0 + noise + 3.0
        });
        let found = white().evaluate(&pieces(1.0, record), 8000, Method::Automatic);
        let found = found.expect("enough");
        assert_eq!((found.beside, found.wander), (None, Vec::new()), "{turns}");
    }
}
