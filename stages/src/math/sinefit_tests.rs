//! Tests of the sine fit: a measured record, exact records, and the bound on the error of the frequency.

use super::*;

/// Numbers of unit variance, nearly Gaussian (sums of twelve), by a congruential generator.
fn noise(n: usize, mut state: u64) -> Vec<f64> {
    let mut next = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    (0..n)
        .map(|_| (0..12).map(|_| next()).sum::<f64>() - 6.0)
        .collect()
}

/// 2 + 3·sin(2πft + 0.7) at 1000 Hz with noise of this size.
fn record(n: usize, f: f64, sd: f64, seed: u64) -> Vec<f64> {
    let phase = SamplePhase::new(f, 1000.0, 0.0);
    let sine = |i: usize| libm::sin(TAU * phase.at(i as u64) + 0.7);
    noise(n, seed)
        .iter()
        .enumerate()
        .map(|(i, e)| 2.0 + 3.0 * sine(i) + sd * e)
        .collect()
}

fn blocks(
    samples: &[f64],
    near: Option<f64>,
    kept: usize,
    slice: usize,
) -> Result<SineFit, SineError> {
    let mut sine = FreeSine::keeping(1000.0, near, kept);
    samples.chunks(slice).for_each(|part| sine.push(part));
    sine.finish()
}

/// Lowest variance of a real tone's frequency in Hz (Rife & Boorstyn, *IEEE Trans. Inf. Theory* 20, 591
/// (1974)): 24σ²/(A²N(N² - 1)) in (rad per sample)².
fn least_sd(n: f64, amplitude: f64, sd: f64) -> f64 {
    (24.0 / (n * (n * n - 1.0))).sqrt() * sd / amplitude * 1000.0 / TAU
}

/// NIST StRD "Lew", t = 1 to 200: the minimum computed with 40 digits (in the notes beside the data),
/// not the sinusoid printed in the NIST/SEMATECH e-Handbook, which is none. Standard errors are given
/// to five digits. The iteration stops within 1e-11 cycles, so the frequency is good to 5e-14 of 0.3
/// and the others to 1e-10.
#[test]
fn the_lew_record_meets_its_minimum() {
    let folder = std::env::var("PHASEMILL_REFERENCE_DATA").unwrap_or_else(|_| {
        concat!(env!("CARGO_MANIFEST_DIR"), "/../../shared/reference-data").into()
    });
    let Ok(text) = std::fs::read_to_string(format!("{folder}/Lew.dat")) else {
        eprintln!("skipped: reference data not found");
        return;
    };
    let samples: Vec<f64> = text
        .lines()
        .skip_while(|l| !l.starts_with("---"))
        .skip(1)
        .filter_map(|l| l.trim().parse().ok())
        .collect();
    let fit = fit(&samples, 1.0, None).expect("a sine");
    // Sample 0 is t = 1.
    let (phase, phase_error) = fit.phase_at(-1.0);
    for (found, expected) in [
        (fit.offset, -178.768157514633),
        (fit.amplitude, 343.288565420),
        (fit.frequency, 0.301807036138662),
        (libm::remainder(phase, TAU), -1.31392205097224),
        (fit.residual_sd, 134.066400936),
    ] {
        assert!((found / expected - 1.0).abs() < 1e-9, "{found} {expected}");
    }
    for (found, expected) in [
        (fit.standard_error(Parameter::Offset), 9.4803),
        (fit.standard_error(Parameter::Amplitude), 13.4078),
        (fit.standard_error(Parameter::Frequency), 1.0764e-4),
        (phase_error, 0.078191),
    ] {
        assert!((found / expected - 1.0).abs() < 1e-5, "{found} {expected}");
    }
    assert_eq!(fit.count, 200);
}

/// Without noise the fit is exact up to the stop at 1e-11 cycles over the record, which is 2π·1e-11 rad
/// at its ends, and rounding of 20 000 rows, 2e-12. In blocks the sums round alike; their normal equations
/// and the turn of whole blocks add what the first 4096 samples leave of the frequency, nothing.
#[test]
fn an_exact_record_gives_back_its_parameters() {
    let samples = record(20_000, 123.456, 0.0, 1);
    for fit in [
        fit(&samples, 1000.0, None),
        blocks(&samples, None, 4096, 20_000),
    ] {
        let fit = fit.expect("a sine");
        let near = |a: f64, b: f64, bound: f64| assert!((a - b).abs() < bound, "{a} {b}");
        near(fit.frequency, 123.456, 1e-11 / 20.0 + 1e-13);
        near(fit.amplitude, 3.0, 1e-10);
        near(fit.offset, 2.0, 1e-10);
        near(fit.phase, 0.7, 1e-10);
    }
}

/// Over 300 records the root mean square error of the frequency scatters by 1/sqrt(600) = 4 % about its
/// expectation, so within 1.2 times the lowest one is five times that; below 0.8 times would be a mistake
/// in the bound. Signal-to-noise (peak over σ) of 2 over 500 samples is far above the threshold of that paper.
#[test]
fn the_frequency_is_as_good_as_it_can_be() {
    for kept in [1 << 20, 256] {
        let (mut error, mut stated) = (0.0, 0.0);
        for seed in 0..300 {
            let f = 100.0 + seed as f64;
            let fit = blocks(&record(500, f, 1.5, 1000 + seed), None, kept, 500).expect("a sine");
            error += (fit.frequency - f) * (fit.frequency - f);
            stated += fit.standard_error(Parameter::Frequency);
        }
        let least = least_sd(500.0, 3.0, 1.5);
        let ratio = (error / 300.0).sqrt() / least;
        assert!((0.8..1.2).contains(&ratio), "{kept} {ratio}");
        // The stated error scatters with the residuals, by 1/sqrt(2·496) a record, and amplitude, 7 %.
        assert!(
            (stated / 300.0 / least - 1.0).abs() < 0.03,
            "{kept} {}",
            stated / 300.0 / least
        );
    }
}

/// Blocks against the iteration on all samples, gaps included: the estimates agree within a thousandth
/// of their errors, since blocks lose (1/2048)² of the information and turn rigidly; the standard errors
/// within 1e-4.
#[test]
fn blocks_agree_with_the_whole_record() {
    let mut samples = record(70_000, 37.3, 1.0, 5);
    samples
        .iter_mut()
        .enumerate()
        .filter(|(i, _)| i % 97 < 5 || (20_000..21_000).contains(i))
        .for_each(|(_, x)| *x = f64::NAN);
    let whole = fit(&samples, 1000.0, Some(40.0)).expect("a sine");
    let reduced = blocks(&samples, Some(40.0), 4096, 999).expect("a sine");
    assert_eq!(
        (whole.count, whole.missing),
        (reduced.count, reduced.missing)
    );
    for (parameter, a, b) in [
        (Parameter::Offset, whole.offset, reduced.offset),
        (Parameter::Amplitude, whole.amplitude, reduced.amplitude),
        (Parameter::Frequency, whole.frequency, reduced.frequency),
        (Parameter::Phase, whole.phase, reduced.phase),
    ] {
        let (u, v) = (
            whole.standard_error(parameter),
            reduced.standard_error(parameter),
        );
        assert!((a - b).abs() < 1e-3 * u, "{parameter:?} {a} {b} {u}");
        assert!((u / v - 1.0).abs() < 1e-4, "{parameter:?} {u} {v}");
    }
    assert!((whole.residual_sd / reduced.residual_sd - 1.0).abs() < 1e-6);
}

#[test]
fn any_slicing_gives_the_same_bits() {
    let samples = record(20_001, 250.1, 0.5, 3);
    let whole = blocks(&samples, None, 1000, samples.len()).expect("a sine");
    for slice in [1, 7, 999, 1000, 1001] {
        assert_eq!(
            blocks(&samples, None, 1000, slice).as_ref(),
            Ok(&whole),
            "{slice}"
        );
    }
}

/// Of two tones the smaller is found when it is asked for. In first order the larger one moves its
/// frequency by Σg·y/Σg², g being the model's change with frequency; what is left out is 1/(Δω·T), below
/// 0.1 %, of that. The other way the move is 36 times less, the square of the ratio of the amplitudes.
#[test]
fn a_range_leads_to_the_smaller_tone() {
    let large = |t: f64| 3.0 * libm::sin(TAU * 350.0 * t + 0.7);
    let (mut along, mut square) = (0.0, 0.0);
    let mut samples = Vec::new();
    for i in 0..2000 {
        let t = f64::from(i) / 1000.0;
        samples.push(2.0 + large(t) + 0.5 * libm::sin(TAU * 30.0 * t));
        let g = 0.5 * TAU * (t - 1.0) * libm::cos(TAU * 30.0 * t);
        along += g * large(t);
        square += g * g;
    }
    let moved = along / square;
    let small = fit(&samples, 1000.0, Some(33.0)).expect("a sine").frequency;
    assert!(
        (small - 30.0 - moved).abs() < 1e-3 * moved.abs(),
        "{small} {moved}"
    );
    assert!(
        (fit(&samples, 1000.0, None).expect("a sine").frequency - 350.0).abs() < moved.abs() / 30.0
    );
}

#[test]
fn no_sine_is_a_fault() {
    assert_eq!(
        fit(&[1.0, 2.0, 1.0, f64::NAN, 3.0], 1.0, None),
        Err(SineError::TooFew(4))
    );
    assert!(matches!(
        fit(&[2.0; 100], 1.0, None),
        Err(SineError::NoTone { .. })
    ));
    assert!(matches!(
        fit(&record(100, 30.0, 0.0, 1), 1000.0, Some(900.0)),
        Err(SineError::NoTone { .. })
    ));
}

#[test]
fn frequencies_are_told_with_digits_that_one_reads() {
    let error = SineError::Unsettled(112.96588379132947);
    let told = "expected a frequency that settles, found 112.966 Hz still moving; the record may hold no steady sine";
    assert_eq!(error.to_string(), told);
    let error = SineError::NoTone {
        low: 80.0,
        high: 125e3,
    };
    assert!(error.to_string().contains("between 80 Hz and 125 kHz,"));
}
