//! Tests of a reference from a sine channel.

use super::*;

fn tracked(rate: f64, samples: &[f64], slice: usize) -> Tracked {
    let mut tracker = Tracker::new(rate, None, PERIODS);
    samples.chunks(slice).for_each(|part| tracker.push(part));
    tracker.finish().expect("a sine")
}

fn total(p: Phase) -> f64 {
    p.cycle as f64 + p.fraction
}

/// A pure sine leaves rounding only: phases of 20000/50000·173 cycles, of which a double holds
/// 1e-14, from sums of 2900 terms that round to about 1e-13.
#[test]
fn a_pure_sine_is_followed_exactly() {
    let samples: Vec<f64> = (0..20_000)
        .map(|i| 0.3 + 2.0 * libm::sin(TAU * (173.0 * f64::from(i) / 50e3) + 1.0))
        .collect();
    let mut found = tracked(50e3, &samples, 20_000);
    assert!((found.frequency - 173.0).abs() < 1e-9 && (found.amplitude - 2.0).abs() < 1e-10);
    for i in [0u64, 777, 10_000, 19_999] {
        let exact = 173.0 * i as f64 / 50e3 + 1.0 / TAU;
        assert!((total(found.clock.phase(i)) - exact).abs() < 1e-11, "{i}");
    }
    let mut cut = tracked(50e3, &samples, 7);
    assert_eq!(cut.clock.phase(12_345), found.clock.phase(12_345));
}

/// A frequency that drifts by 1 % over the record, so that blocks of 10 periods are off by up to
/// d = 0.05 cycles from end to end. The product at twice the frequency then does not cancel in a
/// block, d/(4π·10) = 4e-4 cycles; straight lines between blocks err by the curvature, 1e-9 cycles
/// per sample² · 1000²/8 = 1.25e-4, and a block's mean by 1000²/24 of it, 4e-5.
#[test]
fn drift_is_followed() {
    let (f, rate, n) = (100.0, 10e3, 100_000);
    let phase = |i: f64| f * i / rate * (1.0 + 0.005 * i / f64::from(n));
    let samples: Vec<f64> = (0..n)
        .map(|i| libm::sin(TAU * phase(f64::from(i))))
        .collect();
    let mut found = tracked(rate, &samples, 4096);
    let worst = (1000..99_000u64)
        .step_by(97)
        .map(|i| {
            let off = total(found.clock.phase(i)) - phase(i as f64);
            (off - off.round()).abs()
        })
        .fold(0.0, f64::max);
    assert!(worst < 5.7e-4, "{worst}");
}

#[test]
fn a_stop_is_lost_and_told() {
    let mut samples: Vec<f64> = (0..20_000)
        .map(|i| libm::sin(TAU * f64::from(i) / 50.0))
        .collect();
    samples[8_000..12_000].fill(0.0);
    let mut found = tracked(1e3, &samples, 1000);
    assert_eq!(found.lost, [(8_000.0, 12_000.0)]);
    assert!(found.clock.phase(10_000).fraction.is_nan());
    assert!((found.clock.phase(15_010).fraction - 0.2).abs() < 1e-9);
}

/// Worst deviation from the true phase, cycles counted, over the samples with a phase, from the
/// second block to the last but one.
fn worst(found: &mut Tracked, samples: u32, phase: impl Fn(f64) -> f64) -> f64 {
    let off = |i: u32| total(found.clock.phase(u64::from(i))) - phase(f64::from(i));
    (1500..samples - 1500)
        .step_by(97)
        .map(off)
        .filter(|off| !off.is_nan())
        .fold(0.0, |w, off| f64::max(w, off.abs()))
}

/// A frequency that rises by 20 % in a minute, c = 2·0.01·0.1/600000 = 3.3e-9 cycles per sample². Over
/// blocks of h = 1000 samples straight lines err by c·h²/8 = 4.2e-4 and a block's mean by c·h²/24 =
/// 1.4e-4, of which the product at twice the frequency, of 10 cycles, does not cancel one in 20: 0.3e-4.
/// A block is fitted at a frequency that is off by up to `RETUNE` and what two and a half blocks
/// move it, 0.018 cycles, which leaves 0.018/(4π·10) = 1.5e-4. Together 7.4e-4; a lost cycle would be 1.
#[test]
fn a_large_drift_is_followed() {
    let samples = 600_000;
    let phase = |i: f64| 0.01 * i * (1.0 + 0.1 * i / f64::from(samples));
    let record: Vec<f64> = (0..samples)
        .map(|i| libm::sin(TAU * phase(f64::from(i))))
        .collect();
    let mut found = tracked(10e3, &record, 4096);
    assert!(found.lost.is_empty());
    let worst = worst(&mut found, samples, phase);
    assert!(worst < 7.4e-4, "{worst}");
}

/// Steady for the first 2^18 samples, then rising by 10 %: more than half a cycle in a block, so that
/// a fixed carrier would lose one cycle per block. As above with c = 0.001/337856 = 3e-9: 6.6e-4.
#[test]
fn a_late_drift_loses_no_cycle() {
    let (samples, bend) = (600_000, 262_144.0);
    let phase =
        |i: f64| 0.01 * i + 0.005 * 0.1 * (i - bend).max(0.0).powi(2) / (f64::from(samples) - bend);
    let record: Vec<f64> = (0..samples)
        .map(|i| libm::sin(TAU * phase(f64::from(i))))
        .collect();
    let mut found = tracked(10e3, &record, 4096);
    let worst = worst(&mut found, samples, phase);
    assert!(found.lost.is_empty() && worst < 6.6e-4, "{worst}");
}

/// White noise of σ = A: the phase of a block of 1000 samples is known to sqrt(2/1000) rad (Rife &
/// Boorstyn 1974), 7.1e-3 cycles, and the jitter of 300 blocks, two in three of whose squares are
/// independent, scatters by 1/sqrt(2·200) = 5 %; four times that is allowed. The last block is shorter.
#[test]
fn the_jitter_is_that_of_the_noise() {
    let mut state = 9u64;
    let mut random = || {
        state = state
            .wrapping_mul(6364136223846793005)
            .wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut noise = || (0..12).map(|_| random()).sum::<f64>() - 6.0;
    let record: Vec<f64> = (0..300_600)
        .map(|i| libm::sin(TAU * 0.01 * f64::from(i)) + noise())
        .collect();
    let found = tracked(10e3, &record, 4096);
    let expected = libm::sqrt(2.0 / 1000.0) / TAU;
    assert!(
        (found.jitter / expected - 1.0).abs() < 0.2,
        "{}",
        found.jitter / expected
    );
}

/// Without noise there is no jitter, however short the last block: rounding only.
#[test]
fn a_short_last_block_is_no_jitter() {
    let record: Vec<f64> = (0..20_700)
        .map(|i| libm::sin(TAU * 0.01 * f64::from(i)))
        .collect();
    let found = tracked(10e3, &record, 4096);
    assert!(found.jitter < 1e-12, "{}", found.jitter);
}

#[test]
fn a_drift_is_followed_alike_in_any_slicing() {
    let phase = |i: f64| 0.01 * i * (1.0 + 0.05 * i / 3e5);
    let record: Vec<f64> = (0..300_000)
        .map(|i| libm::sin(TAU * phase(f64::from(i))))
        .collect();
    let mut whole = tracked(10e3, &record, record.len());
    let mut cut = tracked(10e3, &record, 777);
    for i in (0..300_000).step_by(997) {
        assert_eq!(whole.clock.phase(i), cut.clock.phase(i));
    }
}

/// Sums of twelve uniform numbers: nearly normal, of unit variance.
fn noise(mut state: u64) -> impl FnMut() -> f64 {
    move || {
        let uniform = |_| {
            state = state
                .wrapping_mul(6364136223846793005)
                .wrapping_add(1442695040888963407);
            (state >> 11) as f64 / (1u64 << 53) as f64
        };
        (0..12).map(uniform).sum::<f64>() - 6.0
    }
}

/// A chance of 1e-4 for each of the parts that are tried, some five per record: in 40 records fewer than
/// one in fifty runs would take noise for a sine, and these seeds do not.
#[test]
fn white_noise_is_no_sine() {
    for seed in 0..40u64 {
        let mut noise = noise(77 * seed + 1);
        let record: Vec<f64> = (0..2000).map(|_| noise()).collect();
        let mut tracker = Tracker::new(1e4, None, PERIODS);
        tracker.push(&record);
        let error = tracker.finish().expect_err("no sine");
        assert!(!matches!(error, SineError::TooFew(_)), "{seed}: {error}");
    }
}

/// The chance worked by hand: 104 samples, ratio 50, so (1 + 2*50/100)^-50 = 2^-50 = 8.9e-16, times 52
/// frequencies; at ratio 10 it is 1.2^-50 * 52 = 5.7e-3, at which a line does not stand out.
#[test]
fn what_stands_out_worked_by_hand() {
    let mut random = noise(3);
    let at = |ratio: f64, random: &mut dyn FnMut() -> f64| {
        let amplitude = (4.0 * ratio / 104.0).sqrt();
        let record: Vec<f64> = (0..104)
            .map(|i| amplitude * libm::sin(0.7 * f64::from(i)) + 1e-9 * random())
            .collect();
        let mut fit = sinefit::fit(&record, 1.0, None).expect("a sine");
        fit.residual_sd = 1.0;
        stands_out(&fit, 1.0, None)
    };
    assert!(at(50.0, &mut random));
    assert!(!at(10.0, &mut random));
    // 1.36^-50 * 52 = 1.1e-5, and 1.3^-50 * 52 = 1.04e-4: the border is between 15 and 18.
    assert!(at(18.0, &mut random) && !at(15.0, &mut random));
}

/// Noise of a thousandth for the first 300 000 samples, more than a window; then the sine. From the
/// second block on its phase is known to rounding and noise, 1e-3·sqrt(2/1000)/2π = 7e-6 cycles; six times that.
#[test]
fn a_sine_that_begins_late_is_found() {
    for hum in [0.0, 1e-3] {
        let mut noise = noise(5);
        let record: Vec<f64> = (0..700_000)
            .map(|i| {
                let on = f64::from(u8::from(i >= 300_000));
                let hum = hum * libm::sin(TAU * 0.003 * f64::from(i));
                on * libm::sin(TAU * 0.01 * f64::from(i)) + hum + 1e-3 * noise()
            })
            .collect();
        let mut found = tracked(10e3, &record, record.len());
        assert!(
            (found.frequency - 100.0).abs() < 1e-4,
            "{}",
            found.frequency
        );
        let (from, to) = found.clock.told();
        assert!(
            (298_000.0..301_000.0).contains(&from) && to >= 699_999.0,
            "{from} {to}"
        );
        for i in (302_000..700_000u64).step_by(4999) {
            let off = found.clock.phase(i).fraction - 0.01 * i as f64;
            assert!((off - off.round()).abs() < 4.2e-5, "{i}: {off}");
        }
        assert!(found.clock.phase(200_000).fraction.is_nan());
        let mut cut = tracked(10e3, &record, 54_321);
        assert_eq!(found.clock.phase(500_000), cut.clock.phase(500_000));
    }
}

#[test]
fn a_sine_that_is_on_for_a_third_of_the_time_is_known_there_only() {
    let mut noise = noise(8);
    let record: Vec<f64> = (0..60_000)
        .map(|i| {
            let on = f64::from(u8::from(i < 20_000));
            on * libm::sin(TAU * 0.02 * f64::from(i)) + 0.01 * noise()
        })
        .collect();
    let mut found = tracked(10e3, &record, 4096);
    assert_eq!(found.lost, [(20_000.0, 60_000.0)]);
    assert!((found.amplitude - 1.0).abs() < 0.01);
    assert!(found.clock.phase(40_000).fraction.is_nan());
}

#[test]
fn infinite_samples_are_left_out() {
    let mut record: Vec<f64> = (0..20_000)
        .map(|i| libm::sin(TAU * 0.02 * f64::from(i)))
        .collect();
    record[7_777] = f64::INFINITY;
    let found = tracked(10e3, &record, 4096);
    assert!((found.frequency - 200.0).abs() < 1e-9 && found.lost.is_empty());
}

/// Phases of variance s² on lines between blocks: the mean of exp(-((1 - w)² + w²)s²/2) over w, summed slowly, against
/// the exponential of the mean exponent; by Jensen's inequality they differ in the second order, by var(w)·s⁴/8, and
/// (1 - w)² + w² has the variance 1/45.
#[test]
fn noise_of_blocks_lowers_amplitudes_as_told() {
    let mut tracker = Tracker::new(1e4, None, PERIODS);
    tracker.push(
        &(0..5000)
            .map(|i| libm::sin(0.06 * f64::from(i)))
            .collect::<Vec<_>>(),
    );
    let tracked = tracker.finish().expect("a sine");
    for jitter in [0.01, 0.03, 0.05] {
        let s = TAU * jitter;
        let lines = (0..1000).map(|k| {
            let w = (f64::from(k) + 0.5) / 1000.0;
            libm::exp(-0.5 * s * s * ((1.0 - w) * (1.0 - w) + w * w))
        });
        let slow = 1.0 - lines.sum::<f64>() / 1000.0;
        let told = Tracked {
            jitter,
            ..tracked.clone()
        }
        .loss();
        let second = s * s * s * s / 45.0 / 8.0;
        assert!(
            (told - slow - second).abs() < 0.1 * second + 1e-7,
            "{jitter}: {told} {slow}"
        );
    }
}
