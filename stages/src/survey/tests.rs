//! Tests of the survey on made-up samples whose densities and lines are known.

use std::f64::consts::{PI, TAU};

use super::names::{Known, Origin, mains, origins};
use super::reference::Watch;
use super::*;

/// Numbers of unit variance, nearly Gaussian (sums of twelve), by a congruential generator whose constants are
/// common practice, from memory.
struct Normals(u64);

impl Normals {
    fn new(seed: u64) -> Self {
        let mut normals = Normals(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ 0x1234_5678);
        (0..10).for_each(|_| {
            normals.draw();
        });
        normals
    }

    fn draw(&mut self) -> f64 {
        let mut next = || {
            self.0 = self
                .0
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1_442_695_040_888_963_407);
            (self.0 >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..12).map(|_| next()).sum::<f64>() - 6.0
    }
}

/// White noise of unit density at a rate, and lines of peak amplitude.
fn samples(seed: u64, n: usize, rate: f64, lines: &[(f64, f64)]) -> Vec<f64> {
    let mut normals = Normals::new(seed);
    (0..n)
        .map(|i| {
            let t = i as f64 / rate;
            let tones = lines.iter().map(|(f, a)| a * (TAU * (f * t + 0.3)).sin());
            tones.sum::<f64>() + normals.draw() * (0.5 * rate).sqrt()
        })
        .collect()
}

fn survey(samples: &[f64], rate: f64) -> Result<Spectrum, SurveyError> {
    let mut survey = Survey::new(rate, samples.len() as u64)?;
    samples.chunks(777).for_each(|part| survey.push(part));
    survey.finish()
}

fn known(name: &str, frequency: f64) -> Known {
    Known {
        name: name.into(),
        frequency,
        frequency_u: 0.0,
        wander: 0.0,
    }
}

fn names(spectrum: &Spectrum, references: &[Known]) -> Vec<String> {
    let hum = mains(spectrum, references);
    let named = spectrum.lines.iter().map(|line| {
        let found = origins(line, spectrum, references, hum);
        found.first().map_or("?".to_owned(), Origin::to_string)
    });
    named.collect()
}

/// 200 records without a line, each of which may show one with a chance of 0.1 %: more than 3 has a chance
/// of 6e-5 (Poisson, 0.2). The mean of the white levels scatters by 1/sqrt(duration·rate/2·200) and the median
/// it rests on by π/2 more: 1.25·sqrt(2/(200·8192)) = 0.14 %, and Wilson and Hilferty are within 0.1 %.
#[test]
fn white_noise_has_its_density_and_no_lines() {
    let (mut levels, mut found, mut coloured, mut deviates) = (0.0, 0, 0, 0.0);
    for seed in 0..200 {
        let spectrum = survey(&samples(seed, 8192, 100.0, &[]), 100.0).expect("a spectrum");
        let (white, u) = spectrum.noise.white.expect("white noise");
        levels += white / 200.0;
        deviates += (white - 1.0) * (white - 1.0) / (u * u) / 200.0;
        found += spectrum.lines.len();
        coloured += usize::from(spectrum.noise.exponent.is_some());
    }
    assert!((levels - 1.0).abs() < 5.0 * 0.0014 + 0.001, "{levels}");
    assert!(
        found <= 3 && coloured <= 3,
        "{found} lines, {coloured} not white"
    );
    // The uncertainty holds the 3 % that are granted to the model, so deviates are smaller than 1.
    assert!(deviates < 1.3, "{deviates}");
}

/// Lines of several heights, at any place between two bins: deviations over their uncertainties have a mean
/// square of 1, within 1 ± 5·sqrt(2/320) for independent Gaussian deviates; the floor, found within some
/// 10 % and entering proportionally, is granted 20 %.
#[test]
fn lines_are_recovered_within_their_uncertainty() {
    let (rate, n) = (1000.0, 32768);
    let (mut off_f, mut off_a, mut count) = (0.0, 0.0, 0.0);
    for seed in 0..80 {
        let shift = 0.003 * seed as f64;
        let lines = [
            (61.7 + shift, 3.0),
            (150.1 + shift, 6.0),
            (233.3 + shift, 40.0),
            (401.9 - shift, 1000.0),
        ];
        let spectrum = survey(&samples(seed, n, rate, &lines), rate).expect("a spectrum");
        let found = &spectrum.lines;
        assert_eq!(found.len(), 4, "{seed}: {found:?}");
        for (line, (f, a)) in found.iter().zip(lines) {
            let peak_u = std::f64::consts::SQRT_2 * line.rms_u;
            off_f += ((line.frequency - f) / line.frequency_u).powi(2);
            off_a += ((line.peak() - a) / peak_u).powi(2);
            count += 1.0;
            assert!(!line.broad, "{line:?}");
        }
    }
    let scatter = 5.0 * (2.0f64 / count).sqrt();
    for mean in [off_f / count, off_a / count] {
        assert!(
            (0.8 - scatter..1.2 + scatter).contains(&mean),
            "{off_f} {off_a} of {count}"
        );
    }
}

/// 1/f noise as a sum of relaxations (see the demo data's noise for the formula), white noise with it.
fn flicker(seed: u64, n: usize, rate: f64, corner: f64) -> Vec<f64> {
    let mut normals = Normals::new(seed);
    let ratio = 4.0f64;
    let sigma = (corner * ratio.ln()).sqrt();
    let mut states: Vec<(f64, f64)> = (-8..3)
        .map(|k| {
            (
                (-TAU * corner * ratio.powi(k) / rate).exp(),
                sigma * normals.draw(),
            )
        })
        .collect();
    (0..n)
        .map(|_| {
            let mut sum = normals.draw() * (0.5 * rate).sqrt();
            for (keep, state) in &mut states {
                sum += *state;
                *state = *keep * *state + sigma * (1.0 - *keep * *keep).sqrt() * normals.draw();
            }
            sum
        })
        .collect()
}

/// The relaxations make 1/f within 0.3 %, but for those left out from 640 Hz on, which would have added
/// (2/π)·atan(f/640 Hz) of it: 2 % at the corner, and at most 2 % of the whole anywhere. Five standard
/// uncertainties on top.
#[test]
fn corner_and_exponent_of_flicker_noise_are_found() {
    for seed in 0..5 {
        let spectrum = survey(&flicker(seed, 1 << 18, 2000.0, 20.0), 2000.0).expect("a spectrum");
        let noise = &spectrum.noise;
        let (white, white_u) = noise.white.expect("a white level");
        let (corner, corner_u) = noise.corner.expect("a corner");
        let (exponent, exponent_u) = noise.exponent.expect("an exponent");
        assert!((white - 1.0).abs() < 0.02 + 5.0 * white_u, "{noise:?}");
        assert!((corner - 20.0).abs() < 0.4 + 5.0 * corner_u, "{noise:?}");
        assert!(
            (exponent - 1.0).abs() < 0.02 + 5.0 * exponent_u,
            "{noise:?}"
        );
        assert!(
            white_u < 0.05 && corner_u < 3.0 && exponent_u < 0.1,
            "{noise:?}"
        );
        assert_eq!(spectrum.lines, [], "{seed}");
    }
}

/// A random walk falls as 1/f² throughout: (rate·σ/2πf)²·2/rate for steps of σ, up to a tenth of the rate within
/// (πf/rate)²/3 = 3 %; no white level is seen, and the exponent is 2.
#[test]
fn a_density_that_falls_throughout_has_no_white_level() {
    let mut normals = Normals::new(3);
    let mut walk = 0.0;
    let mut smooth = 0.0;
    let samples: Vec<f64> = (0..1 << 17)
        .map(|_| {
            walk += normals.draw();
            // A mean of neighbours takes the rise towards half the rate away.
            let before = std::mem::replace(&mut smooth, walk);
            0.5 * (walk + before)
        })
        .collect();
    let noise = survey(&samples, 1.0).expect("a spectrum").noise;
    assert_eq!((noise.white, noise.corner), (None, None), "{noise:?}");
    let (exponent, _) = noise.exponent.expect("an exponent");
    assert!((exponent - 2.0).abs() < 0.2, "{noise:?}");
    let f = 0.01;
    let expected = 2.0 / (TAU * f * TAU * f);
    // Median of a band of a hundred independent bins or so, each of 20 % or less, and the model: 10 %.
    assert!(
        (noise.density(f) / expected - 1.0).abs() < 0.1,
        "{}",
        noise.density(f) / expected
    );
}

#[test]
fn mains_are_told_by_their_multiples() {
    let rate = 2000.0;
    for (nominal, f) in [(50.0, 50.02), (60.0, 59.98)] {
        let lines = [
            (f, 9.0),
            (3.0 * f, 5.0),
            (5.0 * f, 4.0),
            (173.1, 9.0),
            (346.2, 5.0),
        ];
        let spectrum = survey(&samples(1, 1 << 17, rate, &lines), rate).expect("a spectrum");
        let reference = known("chopper", 173.1);
        let found = mains(&spectrum, std::slice::from_ref(&reference)).expect("mains");
        assert_eq!((found.nominal, found.lines), (nominal, 3));
        assert!(
            (found.frequency - f).abs() < 5.0 * found.frequency_u,
            "{found:?}"
        );
        let mut expected = vec![
            (f, format!("1st harmonic of {nominal} Hz mains")),
            (3.0 * f, format!("3rd harmonic of {nominal} Hz mains")),
            (5.0 * f, format!("5th harmonic of {nominal} Hz mains")),
            (173.1, "1st harmonic of `chopper`".into()),
            (346.2, "2nd harmonic of `chopper`".into()),
        ];
        expected.sort_by(|a, b| a.0.total_cmp(&b.0));
        let expected: Vec<String> = expected.into_iter().map(|(_, name)| name).collect();
        assert_eq!(names(&spectrum, &[reference]), expected);
    }
}

/// A line that 50 Hz and 60 Hz share tells nothing by itself.
#[test]
fn three_hundred_hertz_alone_are_no_mains() {
    let spectrum =
        survey(&samples(2, 1 << 16, 2000.0, &[(300.0, 3.0)]), 2000.0).expect("a spectrum");
    assert_eq!(mains(&spectrum, &[]), None);
    assert_eq!(names(&spectrum, &[]), ["?"]);
}

/// At 80 Hz, 50 Hz are seen at 30 Hz; a reference of 31 Hz has its 2nd harmonic, 62 Hz, at 18 Hz, by hand.
#[test]
fn folded_harmonics_are_named() {
    let lines = [(50.0, 3.0), (31.0, 5.0), (62.0, 3.0)];
    let spectrum = survey(&samples(4, 1 << 15, 80.0, &lines), 80.0).expect("a spectrum");
    assert_eq!(
        names(&spectrum, &[known("wheel", 31.0)]),
        [
            "2nd harmonic of `wheel`, folded by sampling",
            "1st harmonic of 50 Hz mains, folded by sampling",
            "1st harmonic of `wheel`",
        ]
    );
}

/// Mains that a switch or a non-linear detector puts beside the reference: 173 - 50, 173 + 50, 2·173 - 50.
#[test]
fn sums_and_differences_are_named() {
    let lines = [
        (50.0, 3.0),
        (123.0, 2.0),
        (173.0, 9.0),
        (223.0, 2.0),
        (296.0, 2.0),
    ];
    let spectrum = survey(&samples(5, 1 << 17, 1000.0, &lines), 1000.0).expect("a spectrum");
    assert_eq!(
        names(&spectrum, &[known("chopper", 173.0)]),
        [
            "1st harmonic of 50 Hz mains",
            "1st harmonic of `chopper` minus 1st harmonic of 50 Hz mains",
            "1st harmonic of `chopper`",
            "1st harmonic of `chopper` plus 1st harmonic of 50 Hz mains",
            "2nd harmonic of `chopper` minus 1st harmonic of 50 Hz mains",
        ]
    );
}

#[test]
fn short_constant_and_gappy_samples_are_told() {
    assert_eq!(survey(&[0.0; 40], 1.0), Err(SurveyError::TooShort(40)));
    assert_eq!(survey(&[2.0; 4000], 1.0), Err(SurveyError::Constant));
    let mut gappy = samples(6, 4096, 10.0, &[]);
    gappy.iter_mut().step_by(300).for_each(|x| *x = f64::NAN);
    let mut first = Survey::new(10.0, 4096).expect("a survey");
    first.push(&gappy);
    let skipped = SpectrumError::Empty { skipped: 22 };
    assert_eq!(first.finish(), Err(SurveyError::Spectrum(skipped)));
    let mut second = first.shorter().expect("shorter segments");
    second.push(&gappy);
    let spectrum = second.finish().expect("a spectrum");
    assert_eq!(spectrum.density.density.len(), 33);
    assert!(second.shorter().is_none());
}

/// Steps between points would put a line of their own into segments that held both.
#[test]
fn no_segment_holds_two_points() {
    let mut survey = Survey::new(100.0, 1000).expect("a survey");
    let mut alone = Survey::new(100.0, 1000).expect("a survey");
    for point in 0..20 {
        let own = samples(point, 1000, 100.0, &[]);
        let shifted: Vec<f64> = own.iter().map(|x| x + 1e6 * point as f64).collect();
        survey.push(&shifted);
        survey.next_point();
        alone.push(&own);
        alone.next_point();
    }
    let (a, b) = (survey.finish().expect("one"), alone.finish().expect("two"));
    // Levels of up to 2e7 leave roundings of 4e-9, which are 1e-9 of the noise or less.
    for (x, y) in a
        .density
        .density
        .iter()
        .zip(&b.density.density)
        .skip(FIRST_BIN)
    {
        assert!((x - y).abs() < 1e-7 * y, "{x} {y}");
    }
}

/// A square of 50 samples, 20 of them up, with one pulse left out; a sine of 20.3 Hz.
#[test]
fn a_reference_is_watched() {
    let mut watch = Watch::new(1000.0, true, 20.0);
    let square: Vec<f64> = (0..10_000)
        .map(|i| {
            if i % 50 < 20 && i / 50 != 70 {
                5.0
            } else {
                0.0
            }
        })
        .collect();
    watch.push(&square);
    let found = watch.finish().expect("a reference");
    assert_eq!((found.square, found.missing, found.extra), (true, 1, 0));
    assert_eq!(found.duty, Some(0.4 - 0.002));
    // Edges are exact but for rounding of places up to 1e4.
    assert!(
        (found.frequency - 20.0).abs() < 1e-9 && found.jitter < 1e-9,
        "{found:?}"
    );
    let mut watch = Watch::new(1000.0, false, 20.0);
    let sine: Vec<f64> = (0..10_000)
        .map(|i| (2.0 * PI * 20.3 * f64::from(i) / 1000.0).sin())
        .collect();
    watch.push(&sine);
    let found = watch.finish().expect("a reference");
    assert!(
        (found.frequency - 20.3).abs() < 1e-6 && !found.square,
        "{found:?}"
    );
}
