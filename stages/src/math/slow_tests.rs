//! Tests of what wanders within a record.

use std::f64::consts::PI;

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

use super::*;

/// Two normal numbers (Box and Muller 1958).
fn normal(random: &mut ChaCha8Rng) -> Complex64 {
    let mut unit = || ((random.next_u64() >> 11) as f64 + 0.5) / (1u64 << 53) as f64;
    let (r, angle) = ((-2.0 * libm::log(unit())).sqrt(), TAU * unit());
    Complex64::new(r * libm::cos(angle), r * libm::sin(angle))
}

/// Coefficients and variances against sums over all pieces, for noise that is correlated over three of them: with the
/// rounding of 40² products.
#[test]
fn waves_are_those_of_the_plain_sums() {
    let (n, apart) = (40usize, [3.0, 2.0, 1.0]);
    let mut random = ChaCha8Rng::seed_from_u64(1);
    let pieces: Vec<Complex64> = (0..n).map(|_| normal(&mut random)).collect();
    let given: Vec<_> = pieces.iter().copied().map(Some).collect();
    let waves = Waves::new(&given, &apart, usize::MAX, 0.1).expect("many");
    let wave = |k: usize, i: usize| {
        (2.0 / n as f64).sqrt() * libm::cos(PI * k as f64 * (i as f64 + 0.5) / n as f64)
    };
    for (k, expected) in (1..).zip(&waves.expected) {
        let sum: Complex64 = (0..n).map(|i| pieces[i] * wave(k, i)).sum();
        assert!((sum - waves.coefficients[k - 1]).norm() < 1e-12);
        let pairs = (0..n).flat_map(|i| (0..n).map(move |j| (i, j)));
        let near = pairs.filter(|(i, j)| i.abs_diff(*j) < apart.len());
        let variance: f64 = near
            .map(|(i, j)| wave(k, i) * wave(k, j) * apart[i.abs_diff(j)])
            .sum();
        assert!((variance - expected).abs() < 1e-12, "{k}");
    }
    // 3 + 4cos(x) + 2cos(2x), nine at zero, is below 0.9 from x = 1.61 on, of PI at 40.
    assert!(
        (19..=22).contains(&waves.expected.len()),
        "{}",
        waves.expected.len()
    );
}

/// White noise has as strong slow waves as often as told, for few waves and many: within four times sqrt(n·p) of n·p, and 5 %
/// of it for the saddle point.
#[test]
fn noise_is_taken_for_more_as_rarely_as_told() {
    let mut random = ChaCha8Rng::seed_from_u64(2);
    for n in [9usize, 15, 60, 126] {
        let records = 60_000;
        let mut below = [0u32; 3];
        for _ in 0..records {
            let each = (0..n).map(|_| normal(&mut random).re);
            let p = chance_of_slow(&each.map(|x| x * x).collect::<Vec<_>>());
            for (count, level) in below.iter_mut().zip([0.05, 0.005, 0.0005]) {
                *count += u32::from(p < level);
            }
        }
        for (found, level) in below.into_iter().zip([0.05, 0.005, 0.0005]) {
            let expected = f64::from(records) * level;
            let within = 4.0 * expected.sqrt() + 0.05 * expected;
            let off = (f64::from(found) - expected).abs();
            assert!(off < within, "{n} at {level}: {found} of {expected}");
        }
    }
}

/// Equal powers are no rare case; all power in the slowest wave is next to impossible; nothing at all is none.
#[test]
fn ends_of_the_chance() {
    assert_eq!(chance_of_slow(&[1.0; 20]), 1.0);
    let mut slow = [0.0; 20];
    slow[0] = 1.0;
    assert!(chance_of_slow(&slow) < 1e-10);
    assert_eq!(chance_of_slow(&[0.0; 20]), 1.0);
}

/// A line that rises by 6 along the mean in noise of variance 1/25 a piece: the waves of a line from -3 to 3 are odd, and
/// the slowest three rise by 6·(8/PI²)·(1 + 1/9) = 5.4 of it; the phase does not move.
#[test]
fn a_ramp_is_a_wander_along_the_mean() {
    let mut random = ChaCha8Rng::seed_from_u64(3);
    let n = 100;
    let ramp = |k: usize| 20.0 + 6.0 * (k as f64 + 0.5) / n as f64;
    let pieces: Vec<_> = (0..n)
        .map(|k| Some(0.2 * normal(&mut random) + ramp(k)))
        .collect();
    let waves = Waves::new(&pieces, &[1.0], usize::MAX, 0.1).expect("many");
    let white = 0.04 / n as f64;
    let variance = 1.0 / n as f64;
    let along = waves
        .wander(Complex64::ONE, variance, white)
        .expect("found");
    assert!(along.remarked);
    // Noise of the three waves moves each end by some 0.2·sqrt(6/100).
    let exact = 6.0 * 8.0 / (PI * PI) * (1.0 + 1.0 / 9.0);
    assert!((along.range - exact).abs() < 0.2, "{}", along.range);
    assert_eq!(waves.wander(Complex64::I, variance, white), None);
    let square: f64 = along.effects.iter().map(Complex64::norm_sqr).sum();
    let raised = (1.0 + square / white).sqrt();
    assert!((along.raised / raised - 1.0).abs() < 1e-12);
}

/// Of 20 000 records of white noise some 10 have a line as chance has it once in 2000, within four times sqrt(10), and none, as
/// a rule, one that is told.
#[test]
fn noise_has_a_line_beside_as_rarely_as_told() {
    let mut random = ChaCha8Rng::seed_from_u64(11);
    let (mut found, mut told) = (0, 0);
    for _ in 0..20_000 {
        let pieces: Vec<_> = (0..40).map(|_| Some(normal(&mut random))).collect();
        let waves = Waves::new(&pieces, &[1.0], usize::MAX, 0.1).expect("many");
        let (_, chance) = waves.strongest().expect("waves");
        found += u32::from(chance < 1.0 / 2000.0);
        told += u32::from(waves.beside(&pieces, 1.0).is_some());
    }
    // Two or more of 0.2 come once in 60 cases.
    assert!((1..=22).contains(&found) && told <= 1, "{found} {told}");
}

/// A line of amplitude 2 in noise of variance 1 in each part, on either side, at a wave and between two, is found to an
/// eighth of half a turn in the record, and its amplitude to four times sqrt(2/n) and the 6 % that a line between two of the
/// frequencies that are tried loses at most (sinc of a sixteenth and an eighth: derived).
#[test]
fn a_line_beside_is_found_where_it_is() {
    let mut random = ChaCha8Rng::seed_from_u64(12);
    let n = 120;
    for turns in [0.1, -0.1, 0.2521, -0.3333] {
        let piece = |i: u32| {
            let (sin, cos) = libm::sincos(TAU * turns * f64::from(i) + 0.7);
            2.0 * Complex64::new(cos, sin) + 1.5 + normal(&mut random)
        };
        let pieces: Vec<_> = (0..n).map(piece).map(Some).collect();
        let waves = Waves::new(&pieces, &[1.0], usize::MAX, 0.1).expect("many");
        let found = waves.beside(&pieces, 10.0).expect("a line");
        let step = 10.0 / (16.0 * f64::from(n));
        assert!(
            (found.frequency - 10.0 * turns).abs() < 2.0 * step,
            "{turns}: {found:?}"
        );
        let loose = 4.0 * (2.0 / f64::from(n)).sqrt() + 0.12;
        assert!((found.amplitude - 2.0).abs() < loose, "{turns}: {found:?}");
    }
    // What runs over into the waves of one beyond them is not where it is.
    let beyond = |i: u32| {
        let (sin, cos) = libm::sincos(TAU * 0.2563 * f64::from(i));
        30.0 * Complex64::new(cos, sin) + normal(&mut random)
    };
    let pieces: Vec<_> = (0..n).map(beyond).map(Some).collect();
    let waves = Waves::new(&pieces, &[1.0], 60, 0.1).expect("many");
    let (_, chance) = waves.strongest().expect("waves");
    assert!(chance < BESIDE, "{chance}");
    assert_eq!(waves.beside(&pieces, 1.0), None);
    // Behind a gap it comes back at another phase, and a slow one is what wanders.
    let mut gap: Vec<_> = (0..n).map(|_| Some(normal(&mut random))).collect();
    gap[5] = None;
    let waves = Waves::new(&gap, &[1.0], usize::MAX, 0.1).expect("many");
    assert_eq!(waves.beside(&gap, 1.0), None);
}

/// Two records with one ramp in common and noise of their own: what is left of it in their difference is that of noise, as by
/// one factor for both it must be, 3 waves of twice the variance of one; below six times that, which chi-square of 3 degrees of
/// freedom exceeds once in 2000 cases.
#[test]
fn what_two_records_wander_by_alike_leaves_their_difference() {
    let mut random = ChaCha8Rng::seed_from_u64(4);
    let n = 100;
    let variance = 1.0 / n as f64;
    let mut effects = || {
        let ramp = |k: usize| 20.0 + 600.0 * (k as f64 + 0.5) / n as f64;
        let pieces: Vec<_> = (0..n)
            .map(|k| Some(Complex64::from(normal(&mut random).re + ramp(k))))
            .collect();
        let waves = Waves::new(&pieces, &[1.0], usize::MAX, 0.1).expect("many");
        let found = waves.wander(Complex64::ONE, variance, variance);
        found.expect("a ramp").effects
    };
    let (one, other) = (effects(), effects());
    let square: f64 = one
        .iter()
        .zip(&other)
        .map(|(a, b)| (a - b).norm_sqr())
        .sum();
    let noise = 2.0 * FLICKER * variance;
    assert!(square < 6.0 * noise, "{square} {noise}");
    let whole: f64 = one.iter().map(Complex64::norm_sqr).sum();
    assert!(whole > 1e4 * noise, "{whole}");
}
