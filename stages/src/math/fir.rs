//! Linear-phase filters of finite length: Kaiser's design, and a streaming kernel.
//!
//! Source: J. F. Kaiser, "Nonrecursive digital filter design using the I₀-sinh window function",
//! *Proc. IEEE Int. Symp. Circuits and Systems* (1974); his formulas for shape and length are also in
//! A. V. Oppenheim & R. W. Schafer, *Discrete-Time Signal Processing*, section 7.5.3 (2nd ed. 7.4).

use core::f64::consts::PI;

use num_complex::Complex64;
use thiserror::Error;

use super::design::Band;
use super::design::DesignError;
use super::sos::Sample;

/// Most taps that a design may have.
pub const MAX_TAPS: usize = 1 << 20;

/// Least and greatest attenuation in dB. Kaiser's length formula needs more than 7.95 dB; beyond
/// 250 dB the rounding of the taps is in the way.
pub const ATTENUATION_DB: core::ops::RangeInclusive<f64> = 8.0..=250.0;

/// What a Kaiser design must achieve beside its band.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KaiserSpec {
    /// Width in Hz of the transition outside each pass-band edge.
    pub transition: f64,
    /// Attenuation of the stop band in dB, in [`ATTENUATION_DB`]. The pass band deviates from one
    /// by the same amount: by at most `10^(−attenuation/20)`.
    pub attenuation_db: f64,
}

/// Why a finite-length filter cannot be made.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum FirError {
    /// The band is not possible at this sample rate.
    #[error(transparent)]
    Band(#[from] DesignError),
    /// The attenuation is out of range.
    #[error(
        "expected an attenuation from {} dB to {} dB, found {found} dB",
        ATTENUATION_DB.start(),
        ATTENUATION_DB.end()
    )]
    Attenuation {
        /// The attenuation, in dB.
        found: f64,
    },
    /// The transition width is not positive, or leaves no stop band.
    #[error(
        "expected a transition above 0 Hz and below {most} Hz, so that it ends inside the band \
         that is stopped, found {found} Hz"
    )]
    Transition {
        /// The width, in Hz.
        found: f64,
        /// The bound, in Hz.
        most: f64,
    },
    /// The filter would be too long.
    #[error("expected at most {MAX_TAPS} taps, found {found:.0}; widen the transition or decimate")]
    Taps {
        /// The number of taps that the settings need.
        found: f64,
    },
}

/// Taps of a linear-phase filter by Kaiser's window method, for the sample rate `fs` in Hz.
///
/// The corners of `band` are the *pass-band edges*; the transition lies outside the pass band. The
/// number of taps is the smallest odd one that satisfies Kaiser's estimate (type I, so that every
/// band is possible and the delay is a whole number of samples), and the taps are scaled to gain one
/// at 0 Hz (low-pass, band-stop), Nyquist (high-pass), or the middle of the pass band.
///
/// # Errors
/// [`FirError`], if a setting is out of range or more than [`MAX_TAPS`] taps are needed.
pub fn kaiser_fir(spec: KaiserSpec, band: Band, fs: f64) -> Result<Vec<f64>, FirError> {
    band.check(fs)?;
    let KaiserSpec {
        transition,
        attenuation_db,
    } = spec;
    if !ATTENUATION_DB.contains(&attenuation_db) {
        return Err(FirError::Attenuation {
            found: attenuation_db,
        });
    }
    let nyquist = 0.5 * fs;
    let most = match band {
        Band::Low(f) => nyquist - f,
        Band::High(f) => f,
        Band::Pass(low, high) => low.min(nyquist - high),
        Band::Stop(low, high) => 0.5 * (high - low),
    };
    if !(transition > 0.0 && transition < most) {
        return Err(FirError::Transition {
            found: transition,
            most,
        });
    }
    // N − 1 = (A − 7.95) / (2.285·Δω), Δω in radians per sample.
    let needed = (attenuation_db - 7.95) / (2.285 * 2.0 * PI * (transition / fs)) + 1.0;
    if needed > MAX_TAPS as f64 {
        return Err(FirError::Taps { found: needed });
    }
    let half = (0.5 * (needed - 1.0)).ceil() as usize;
    if 2 * half + 1 > MAX_TAPS {
        return Err(FirError::Taps { found: needed });
    }

    // The ideal filter's corners lie in the middle of the transitions; as fractions of Nyquist.
    let out = 0.5 * transition;
    let ideal = match band {
        Band::Low(f) => [(f + out) / nyquist, 0.0],
        Band::High(f) => [1.0, (f - out) / nyquist],
        Band::Pass(low, high) => [(high + out) / nyquist, (low - out) / nyquist],
        Band::Stop(low, high) => [(low + out) / nyquist, (high - out) / nyquist],
    };
    let all_pass = if matches!(band, Band::Stop(..)) {
        1.0
    } else {
        0.0
    };
    // Where the gain is made one: cosines at multiples of this fraction of Nyquist.
    let reference = match band {
        Band::Low(_) | Band::Stop(..) => 0.0,
        Band::High(_) => 1.0,
        Band::Pass(..) => 0.5 * (ideal[0] + ideal[1]),
    };

    let beta = kaiser_beta(attenuation_db);
    let peak = bessel_i0(beta);
    let span = half.max(1) as f64;
    // The right half, from the middle outwards.
    let mut right: Vec<f64> = (0..=half)
        .map(|m| {
            let m = m as f64;
            let x = m / span;
            let window = bessel_i0(beta * ((1.0 - x) * (1.0 + x)).sqrt()) / peak;
            let whole = if m == 0.0 { all_pass } else { 0.0 };
            (whole + low_pass(ideal[0], m) - low_pass(ideal[1], m)) * window
        })
        .collect();
    // Smallest terms first.
    let outer: f64 = right
        .iter()
        .enumerate()
        .skip(1)
        .rev()
        .map(|(m, tap)| tap * cos_pi(reference * m as f64))
        .sum();
    let gain = right[0] + 2.0 * outer;
    for tap in &mut right {
        *tap /= gain;
    }
    Ok(right.iter().skip(1).rev().chain(&right).copied().collect())
}

/// Kaiser's shape parameter β for an attenuation in dB.
fn kaiser_beta(attenuation_db: f64) -> f64 {
    if attenuation_db > 50.0 {
        0.1102 * (attenuation_db - 8.7)
    } else if attenuation_db > 21.0 {
        let excess = attenuation_db - 21.0;
        0.5842 * libm::pow(excess, 0.4) + 0.07886 * excess
    } else {
        0.0
    }
}

/// Modified Bessel function I₀ by its power series (DLMF 10.25.2): all terms are positive, so
/// each of the sum's digits is right, and for the β in use some fifty terms suffice.
fn bessel_i0(x: f64) -> f64 {
    let quarter_sq = 0.25 * x * x;
    let (mut sum, mut term, mut k) = (1.0, 1.0, 1.0);
    loop {
        term *= quarter_sq / (k * k);
        if sum + term == sum {
            return sum;
        }
        sum += term;
        k += 1.0;
    }
}

/// Impulse response `sin(π c m)/(π m)` of the ideal low-pass with its corner at the fraction
/// `c` of Nyquist.
fn low_pass(c: f64, m: f64) -> f64 {
    if m == 0.0 {
        c
    } else if c == 1.0 {
        0.0
    } else {
        sin_pi(c * m) / (PI * m)
    }
}

/// `sin(πx)` for x ≥ 0, whole turns removed first.
fn sin_pi(x: f64) -> f64 {
    libm::sin(PI * (x - 2.0 * (0.5 * x).floor()))
}

/// `cos(πx)` for x ≥ 0, whole turns removed first.
fn cos_pi(x: f64) -> f64 {
    libm::cos(PI * (x - 2.0 * (0.5 * x).floor()))
}

/// Complex gain of a finite-length filter at the frequency `f` for the sample rate `fs`, in Hz.
pub fn fir_response(taps: &[f64], f: f64, fs: f64) -> Complex64 {
    let cycles = f / fs;
    let mut gain = Complex64::default();
    for (k, tap) in taps.iter().enumerate() {
        let turns = cycles * k as f64;
        let (sin, cos) = libm::sincos(2.0 * PI * (turns - turns.floor()));
        gain += Complex64::new(tap * cos, -tap * sin);
    }
    gain
}

/// Outputs computed side by side; each has its own sum, in the order of the taps.
const LANES: usize = 8;

/// Samples taken into the buffer at once.
const BLOCK: usize = 4096;

/// A causal finite-length filter with its state: `y[n] = Σ taps[k]·x[n−k]`.
///
/// The sum runs from the oldest sample to the newest for every output, however the stream is
/// cut, so the output is the same to the bit.
#[derive(Clone, Debug)]
pub struct Fir<S> {
    reversed: Vec<f64>,
    /// The last `taps − 1` samples, and during a call the new ones behind them.
    buffer: Vec<S>,
}

impl<S: Sample> Fir<S> {
    /// The filter at rest (all earlier samples zero). Without taps the output is zero.
    pub fn new(taps: &[f64]) -> Self {
        Self {
            reversed: taps.iter().rev().copied().collect(),
            buffer: vec![S::default(); taps.len().saturating_sub(1)],
        }
    }

    /// Delay in samples, `(N − 1)/2`; the group delay at every frequency if the taps are symmetric.
    pub fn group_delay(&self) -> f64 {
        0.5 * self.history() as f64
    }

    /// Filters the next samples of the stream in place.
    pub fn process(&mut self, samples: &mut [S]) {
        for block in samples.chunks_mut(BLOCK) {
            self.buffer.extend_from_slice(block);
            let whole = block.len() - block.len() % LANES;
            let (lanes, rest) = block.split_at_mut(whole);
            for (i, out) in lanes.chunks_exact_mut(LANES).enumerate() {
                out.copy_from_slice(&self.sums::<LANES>(i * LANES));
            }
            for (i, out) in rest.iter_mut().enumerate() {
                [*out] = self.sums(whole + i);
            }
            self.buffer.drain(..block.len());
        }
    }

    /// Puts the filter back to rest, as new.
    pub fn reset(&mut self) {
        self.start_filled(S::default());
    }

    /// Sets all earlier samples to `x0`, so that a stream which begins there begins without a
    /// step.
    pub fn start_filled(&mut self, x0: S) {
        self.buffer.fill(x0);
    }

    fn history(&self) -> usize {
        self.reversed.len().saturating_sub(1)
    }

    /// `L` outputs next to each other, the first of which has its oldest sample at `from`.
    fn sums<const L: usize>(&self, from: usize) -> [S; L] {
        let mut sums = [S::default(); L];
        let windows = self.buffer[from..].windows(L);
        for (&tap, window) in self.reversed.iter().zip(windows) {
            for (sum, &x) in sums.iter_mut().zip(window) {
                *sum = *sum + x * tap;
            }
        }
        sums
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    const SPEC: KaiserSpec = KaiserSpec {
        transition: 20.0,
        attenuation_db: 70.0,
    };

    const BANDS: [Band; 4] = [
        Band::Low(100.0),
        Band::High(100.0),
        Band::Pass(100.0, 200.0),
        Band::Stop(100.0, 200.0),
    ];

    fn samples(count: usize) -> Vec<f64> {
        let fraction = |n: usize| (n as f64 * 0.618_033_988_749_894_9).fract();
        (0..count).map(|n| 2.0 * fraction(n * n) - 1.0).collect()
    }

    #[test]
    fn bessel_function_against_tables() {
        // Abramowitz & Stegun, table 9.8, from memory: e^(−x) I₀(x) at x = 1 and 10, ten digits.
        for (x, scaled) in [(1.0, 0.465_759_607_6), (10.0, 0.127_833_337_2)] {
            assert!((libm::exp(-x) * bessel_i0(x) - scaled).abs() < 1e-10, "{x}");
        }
        // I₀(x) = (1/π) ∫₀^π exp(x cos θ) dθ; for a periodic integrand the plain sum is exact.
        for x in [0.0, 0.5, 7.0, 26.6] {
            let term = |i: u32| libm::exp(x * libm::cos(PI * f64::from(2 * i + 1) / 256.0));
            let mean = (0..128).map(term).sum::<f64>() / 128.0;
            // The exponent is rounded, by 26.6 U at most; half as much again for the series.
            assert!(
                (bessel_i0(x) / mean - 1.0).abs() < 40.0 * f64::EPSILON,
                "{x}"
            );
        }
    }

    #[test]
    fn length_and_shape_follow_kaiser() -> Result<(), FirError> {
        // A = 70 dB, Δω = 2π·20/1000: (70 − 7.95)/(2.285·0.12566) = 216.1, so 219 taps (odd);
        // β = 0.1102·61.3 = 6.75526.
        assert_eq!(kaiser_fir(SPEC, BANDS[0], 1000.0)?.len(), 219);
        assert!((kaiser_beta(70.0) - 6.755_26).abs() < 1e-15 * 10.0);
        // 0.5842·10^0.4 + 0.7886 = 2.256 06 …, with 10^0.4 = 2.511 886 431 509 58.
        assert!((kaiser_beta(31.0) - (0.5842 * 2.511_886_431_509_58 + 0.7886)).abs() < 1e-14);
        assert_eq!(kaiser_beta(20.0), 0.0);
        Ok(())
    }

    #[test]
    fn bands_keep_their_promise() -> Result<(), FirError> {
        // Kaiser gives his formulas as estimates, good to a few parts in a hundred of the
        // attenuation; two decibels are allowed here.
        let ripple = libm::pow(10.0, -68.0 / 20.0);
        for band in BANDS {
            let taps = kaiser_fir(SPEC, band, 1000.0)?;
            assert!(taps.iter().eq(taps.iter().rev()), "{band:?}");
            for step in 0..=1000 {
                let f = 0.5 * f64::from(step);
                let beyond = |edge: f64| f - edge;
                // Distance outside the pass band, negative inside.
                let outside = match band {
                    Band::Low(edge) => beyond(edge),
                    Band::High(edge) => -beyond(edge),
                    Band::Pass(low, high) => beyond(high).max(-beyond(low)),
                    Band::Stop(low, high) => beyond(low).min(-beyond(high)),
                };
                let gain = fir_response(&taps, f, 1000.0).norm();
                if outside <= 0.0 {
                    assert!((gain - 1.0).abs() < ripple, "{band:?} {f}: {gain}");
                } else if outside >= SPEC.transition {
                    assert!(gain < ripple, "{band:?} {f}: {gain:e}");
                }
            }
        }
        Ok(())
    }

    #[test]
    fn gain_at_the_reference_is_one() -> Result<(), FirError> {
        for (band, f) in BANDS.into_iter().zip([0.0, 500.0, 150.0, 0.0]) {
            let taps = kaiser_fir(SPEC, band, 1000.0)?;
            let gain = fir_response(&taps, f, 1000.0).norm();
            // 219 terms below one, each with a few roundings.
            assert!(
                (gain - 1.0).abs() < 219.0 * f64::EPSILON,
                "{band:?}: {gain}"
            );
        }
        Ok(())
    }

    #[test]
    fn hand_worked_outputs_and_delay() {
        let mut fir = Fir::new(&[1.0, 2.0, 4.0]);
        let mut x = [1.0, 0.0, 10.0, 0.0, 0.0];
        fir.process(&mut x);
        assert_eq!(x, [1.0, 2.0, 14.0, 20.0, 40.0]);
        assert_eq!(fir.group_delay(), 1.0);
        fir.start_filled(1.0);
        let mut ones = [1.0; 3];
        fir.process(&mut ones);
        assert_eq!(ones, [7.0; 3]);
        fir.reset();
        let mut x = [1.0];
        fir.process(&mut x);
        assert_eq!(x, [1.0]);
        let mut x = [5.0; 9];
        Fir::new(&[]).process(&mut x);
        assert_eq!(x, [0.0; 9]);
    }

    #[test]
    fn equals_the_sum_it_is() -> Result<(), FirError> {
        let taps = kaiser_fir(SPEC, BANDS[0], 1000.0)?;
        // More than two blocks.
        let input = samples(9001);
        let mut output = input.clone();
        Fir::new(&taps).process(&mut output);
        for (n, y) in output.iter().enumerate() {
            // In the kernel's order: from the oldest sample to the newest.
            let slow = (0..taps.len()).rev().fold(0.0, |sum, k| {
                sum + taps[k] * if n >= k { input[n - k] } else { 0.0 }
            });
            assert_eq!(y.to_bits(), slow.to_bits(), "{n}");
        }
        Ok(())
    }

    proptest! {
        #[test]
        fn any_chunking_gives_the_same_bits(cuts in prop::collection::vec(0..300usize, 0..12)) {
            let taps = samples(37);
            let parts = samples(1000).into_iter().zip(samples(1100).split_off(100));
            let mut whole: Vec<Complex64> = parts.map(|(re, im)| Complex64::new(re, im)).collect();
            let (mut cut, mut real) = (whole.clone(), samples(1000));
            Fir::new(&taps).process(&mut whole);
            Fir::new(&taps).process(&mut real);
            let mut fir = Fir::new(&taps);
            let mut rest = &mut cut[..];
            for size in cuts {
                let (now, later) = rest.split_at_mut(size.min(rest.len()));
                fir.process(now);
                rest = later;
            }
            fir.process(rest);
            prop_assert_eq!(&whole, &cut);
            // The real part of a complex stream is the real stream.
            prop_assert!(whole.iter().zip(&real).all(|(z, x)| z.re.to_bits() == x.to_bits()));
        }
    }

    #[test]
    fn bad_settings_are_refused() {
        let design = |transition, attenuation_db, band| {
            let spec = KaiserSpec {
                transition,
                attenuation_db,
            };
            kaiser_fir(spec, band, 1000.0).map(|taps| taps.len())
        };
        for db in [0.0, 7.9, 251.0, f64::NAN] {
            assert!(matches!(
                design(10.0, db, BANDS[0]),
                Err(FirError::Attenuation { .. })
            ));
        }
        for width in [0.0, -1.0, f64::NAN, 400.0] {
            for band in BANDS {
                let found = design(width, 60.0, band);
                assert!(
                    matches!(found, Err(FirError::Transition { .. })),
                    "{found:?}"
                );
            }
        }
        assert!(matches!(
            design(50.0, 60.0, BANDS[3]),
            Err(FirError::Transition { most: 50.0, .. })
        ));
        assert!(matches!(
            design(1e-4, 60.0, BANDS[0]),
            Err(FirError::Taps { .. })
        ));
        assert!(matches!(
            design(10.0, 60.0, Band::Low(500.0)),
            Err(FirError::Band(_))
        ));
        // One tap would pass everything; the formula asks for at least three.
        assert_eq!(design(399.0, 8.0, BANDS[0]), Ok(3));
    }
}
