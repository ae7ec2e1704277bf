//! Tests of fits of tones: phases against whole-number arithmetic, and published fits.

use std::path::PathBuf;

use super::*;

/// Reference data; a note and `None` where they are absent.
fn reference(name: &str) -> Option<String> {
    let folder = std::env::var_os("PHASEMILL_REFERENCE_DATA").map_or_else(
        || {
            PathBuf::from(concat!(
                env!("CARGO_MANIFEST_DIR"),
                "/../../shared/reference-data"
            ))
        },
        PathBuf::from,
    );
    let text = std::fs::read_to_string(folder.join(name)).ok();
    if text.is_none() {
        eprintln!("skipped: reference data not found");
    }
    text
}

fn model(frequencies: &[f64], rate: f64) -> ToneModel {
    ToneModel {
        frequencies: frequencies.to_vec(),
        rate,
        origin: 0.0,
        constant: true,
        slope: false,
    }
}

fn fit(model: ToneModel, samples: &[f64]) -> Result<Tones, ToneError> {
    let mut solver = ToneSolver::new(model)?;
    solver.push(samples);
    solver.finish()
}

/// f = m/2^40 and the rate whole, so n·m mod rate·2^40 is exact in whole numbers. The two-part step
/// leaves n·2^-106 and three roundings below 1, together below 5e-16.
#[test]
fn phases_agree_with_whole_numbers() {
    for (m, rate) in [
        (3_141_592_653_589_793i128, 48_000i128),
        (1, 7),
        (109_951_162_777_601, 1_000_003),
    ] {
        let frequency = m as f64 / (1u64 << 40) as f64;
        let phase = SamplePhase::new(frequency, rate as f64, 0.0);
        for n in [
            0u64,
            1,
            2,
            63,
            12_345,
            999_999_937,
            9_999_999_967,
            10_000_000_000,
        ] {
            let whole = rate << 40;
            let expected = (i128::from(n) * m % whole) as f64 / whole as f64;
            let off = (phase.at(n) - expected).abs();
            assert!(off.min(1.0 - off) < 5e-16, "{m} {rate} {n}: {off}");
        }
    }
}

/// An origin of exactly 2.5 cycles of 0.5 Hz, and one of 1e9 s at 0.3 Hz, where 0.3·1e9 is not exact:
/// the double next to 0.3 is 0.3 - 1.11e-17, so the phase at zero is +1.11e-8 cycles.
#[test]
fn an_origin_shifts_the_phase() {
    assert_eq!(SamplePhase::new(0.5, 10.0, 5.0).at(0), 0.5);
    let expected = 1e9 * (5.551115123125783e-17 / 5.0);
    assert!((SamplePhase::new(0.3, 10.0, 1e9).at(0) - expected).abs() < 1e-12);
}

#[test]
fn unit_vectors_are_exact_on_the_axes() {
    let points = [
        (0.0, (1.0, 0.0)),
        (0.25, (0.0, 1.0)),
        (0.5, (-1.0, 0.0)),
        (0.75, (0.0, -1.0)),
    ];
    for (p, (re, im)) in points {
        assert_eq!(unit_vector(p), Complex64::new(re, im));
    }
    for k in 0..997 {
        let p = f64::from(k) / 997.0;
        let (sin, cos) = libm::sincos(std::f64::consts::TAU * p);
        // The argument TAU·p below 2π rounds by up to 4.5e-16, twice, and each result by 1.1e-16.
        assert!(
            (unit_vector(p) - Complex64::new(cos, sin)).norm() < 1.5e-15,
            "{p}"
        );
    }
}

/// Exact data of two tones, a level and a slope with a time origin. Columns of a condition below 1e3
/// and 500 rows: 500·1e3·1.1e-16 = 6e-11 at worst.
#[test]
fn an_exact_record_gives_back_its_terms() {
    let (rate, origin) = (100.0, 1.7);
    let tone =
        |f: f64, a: f64, theta: f64, t: f64| a * libm::sin(std::f64::consts::TAU * f * t + theta);
    let samples: Vec<f64> = (0..500)
        .map(|n| f64::from(n) / rate - origin)
        .map(|t| 2.0 - 0.5 * t + tone(7.3, 3.0, 0.4, t) + tone(12.0, 0.1, -2.0, t))
        .collect();
    let model = ToneModel {
        origin,
        slope: true,
        ..model(&[7.3, 12.0], rate)
    };
    let tones = fit(model, &samples).expect("tones");
    assert!((tones.tone(0).value - Complex64::from_polar(3.0, 0.4)).norm() < 6e-11);
    assert!((tones.tone(1).value - Complex64::from_polar(0.1, -2.0)).norm() < 6e-11);
    assert!((tones.constant().expect("a level").value.re - 2.0).abs() < 6e-11);
    assert!((tones.slope().expect("a slope").value.re + 0.5).abs() < 6e-11);
}

#[test]
fn any_slicing_gives_the_same_bits() {
    let samples: Vec<f64> = (0..1000u64)
        .map(|n| {
            if n % 17 == 3 {
                f64::NAN
            } else {
                (n * n % 101) as f64 / 7.0
            }
        })
        .collect();
    let whole = fit(model(&[0.1, 0.33], 1.0), &samples).expect("tones");
    assert_eq!((whole.missing(), whole.fit().rows), (59, 941));
    for slice in [1, 3, 7, 64, 999] {
        let mut solver = ToneSolver::new(model(&[0.1, 0.33], 1.0)).expect("a solver");
        samples.chunks(slice).for_each(|part| solver.push(part));
        assert_eq!(
            solver.finish().expect("tones").fit(),
            whole.fit(),
            "{slice}"
        );
    }
}

/// The shared sources give the covariance of the solution between tones as well as within one.
#[test]
fn sources_reproduce_the_covariance() {
    let samples: Vec<f64> = (0..40u64).map(|n| (n * n % 13) as f64).collect();
    let tones = fit(model(&[0.1, 0.12], 1.0), &samples).expect("tones");
    let (first, second) = (tones.tone(0).effects, tones.tone(1).effects);
    let across: f64 = first.iter().zip(&second).map(|(a, b)| a.re * b.im).sum();
    let expected = tones.fit().covariance(2, 3).expect("degrees of freedom");
    // Five products of numbers below 10: 1e-14.
    assert!((across - expected).abs() < 1e-14, "{across} {expected}");
    assert!(expected.abs() > 1e-3);
}

#[test]
fn what_cannot_be_fitted_is_named() {
    assert_eq!(
        fit(model(&[0.2, 0.5], 1.0), &[0.0; 9]).err(),
        Some(ToneError::Frequency {
            tone: 1,
            found: 0.5,
            limit: 0.5
        })
    );
    let samples: Vec<f64> = (0..100u8).map(f64::from).collect();
    assert_eq!(
        fit(model(&[0.2, 0.2], 1.0), &samples).err(),
        Some(ToneError::Dependent(Term::Cosine(1)))
    );
    assert_eq!(
        fit(model(&[0.2], 1.0), &samples[..2]).err(),
        Some(ToneError::Fit(LsqError::TooFew {
            needed: 3,
            found: 2
        }))
    );
}

/// NIST StRD "ENSO": with the two free periods held at their certified values, the other seven
/// parameters of the certified minimum are the linear solution. Certified to 11 digits; the periods'
/// last digit, 5e-9 of 44.3, moves the coefficients in second order of the held ones only through
/// d(coefficient)/d(period) below 1 per month, so by 5e-9.
#[test]
fn the_enso_record_meets_its_certified_values() {
    let Some(text) = reference("ENSO.dat") else {
        return;
    };
    let samples: Vec<f64> = text
        .lines()
        .skip(60)
        .filter_map(|l| l.split_whitespace().next()?.parse().ok())
        .collect();
    assert_eq!(samples.len(), 168);
    // Month 1 is sample 0, so the phases are zero one sample before it.
    let model = ToneModel {
        origin: -1.0,
        ..model(&[1.0 / 12.0, 1.0 / 44.311088700, 1.0 / 26.887614440], 1.0)
    };
    let tones = fit(model, &samples).expect("tones");
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-8, "{a} {b}");
    near(tones.constant().expect("a level").value.re, 10.510749193);
    let certified = [
        (3.0762128085, 0.53280138227),
        (-1.6231428586, 0.52554493756),
        (0.21232288488, 1.4966870418),
    ];
    for (i, (cos, sin)) in certified.into_iter().enumerate() {
        near(tones.tone(i).value.im, cos);
        near(tones.tone(i).value.re, sin);
    }
    // Certified to 11 digits, so within 5e-9 of 788.5.
    near(tones.fit().residual, 788.53978668);
}

/// Foreman (1977), appendices 7.2 and 7.3: every line but K1 and S2, which are published with P1 and
/// K2 inferred, agrees within half of the last printed digit and the rounding of both: 5.1e-5 m, 0.0075°.
#[test]
fn the_tide_of_tuktoyaktuk_meets_its_published_constants() {
    let (Some(heights), Some(constants)) = (
        reference("tide_hourly_1975.csv"),
        reference("tide_constituents.csv"),
    ) else {
        return;
    };
    let rows = heights
        .lines()
        .filter(|l| l.starts_with(|c: char| c.is_ascii_digit()));
    let samples: Vec<f64> = rows
        .map(|l| {
            l.rsplit(',')
                .next()
                .and_then(|x| x.parse().ok())
                .unwrap_or(f64::NAN)
        })
        .collect();
    let lines: Vec<(String, [f64; 3])> = constants
        .lines()
        .filter(|l| !l.starts_with('#') && !l.starts_with("P1,") && !l.starts_with("K2,"))
        .map(|l| {
            let cells: Vec<&str> = l.split(',').collect();
            (
                cells[0].to_owned(),
                [1, 3, 4].map(|i| cells[i].parse().expect("a number")),
            )
        })
        .collect();
    let (level, lines) = lines.split_first().expect("a level");
    let frequencies: Vec<f64> = lines.iter().map(|(_, [f, ..])| *f).collect();
    assert_eq!(
        (level.0.as_str(), lines.len(), samples.len()),
        ("Z0", 36, 1584)
    );
    let tones = fit(
        ToneModel {
            origin: 794.0,
            ..model(&frequencies, 1.0)
        },
        &samples,
    )
    .expect("tones");
    // 49 gaps within the record, and 25 empty hours before and after it.
    assert_eq!((tones.missing(), tones.fit().rows), (74, 1510));
    assert!((tones.constant().expect("a level").value.re - level.1[1]).abs() < 5.1e-5);
    for (i, (name, [_, amplitude, lag])) in lines
        .iter()
        .enumerate()
        .filter(|(_, (n, _))| n != "K1" && n != "S2")
    {
        // AL·cos(2πft - GL) is AL·sin(2πft + 90° - GL).
        let z = tones.tone(i).value;
        let off =
            (90.0 - libm::atan2(z.im, z.re).to_degrees() - lag + 540.0).rem_euclid(360.0) - 180.0;
        assert!(
            (z.norm() - amplitude).abs() < 5.1e-5,
            "{name}: {}",
            z.norm()
        );
        assert!(off.abs() < 0.0075, "{name}: {off}");
    }
}

/// NIST StRD "Lew" with f held at 0.3025 cycles per sample and t = 1 to 200; solved with 40 digits
/// (computed, in the notes beside the data). 15 digits are given; 200 rows round to 1e-12 relative.
#[test]
fn the_lew_record_at_a_held_frequency() {
    let Some(text) = reference("Lew.dat") else {
        return;
    };
    let samples: Vec<f64> = text
        .lines()
        .skip_while(|l| !l.starts_with("---"))
        .skip(1)
        .filter_map(|l| l.trim().parse().ok())
        .collect();
    assert_eq!(samples.len(), 200);
    let tones = fit(
        ToneModel {
            origin: -1.0,
            ..model(&[0.3025], 1.0)
        },
        &samples,
    )
    .expect("a tone");
    let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-12, "{a} {b}");
    near(
        tones.constant().expect("a level").value.re,
        -178.823561490182,
    );
    near(tones.tone(0).value.im, -326.776146616147);
    near(tones.tone(0).value.re, -68.6581640150749);
    near(
        tones.fit().residual_sd().expect("degrees of freedom"),
        145.253837456503,
    );
}

/// Lines `apart` cycles from each other over the record differ by an angle near 2π·apart/√12: the fit refuses one
/// of 1e-12, the trial one of 1e-11, and both let pass one of 1e-9.
#[test]
fn a_trial_tells_what_the_fit_will_say() {
    let samples = 2000;
    for (apart, fits, told) in [(1e-13, false, false), (1e-9, true, true), (1.0, true, true)] {
        let model = model(&[3.0, 3.0 + apart / 20.0], 100.0);
        assert_eq!(model.told_apart(samples).is_ok(), told, "{apart}");
        assert_eq!(
            fit(model, &vec![1.0; samples as usize]).is_ok(),
            fits,
            "{apart}"
        );
    }
    // A slope over two samples is a level; a long record is tried in parts.
    let slow = ToneModel {
        slope: true,
        ..model(&[1e-9], 1.0)
    };
    assert_eq!(
        slow.told_apart(1000),
        Err(ToneError::Dependent(Term::Cosine(0)))
    );
    let begun = std::time::Instant::now();
    let many: Vec<f64> = (1..100).map(f64::from).collect();
    assert_eq!(model(&many, 1000.0).told_apart(1 << 40), Ok(()));
    // 2^27 operations take a fraction of a second; without the limit they would take years.
    assert!(begun.elapsed().as_secs() < 20);
}
