//! The two filters of the bench that need no prototype: RC poles and notches.

use core::f64::consts::PI;

use super::design::DesignError;
use super::design::MAX_ORDER;
use super::design::check_frequency;
use super::design::check_rate;
use super::section::Section;

/// `poles` equal RC low-pass poles of the time constant `tau` in s, for the sample rate `fs` in Hz.
///
/// The digital pole is the exact image `a = exp(−1/(fs·τ))` of the analog one, and each section
/// computes `y[k] = a·y[k−1] + (1 − a)·x[k]`: after a step it passes through the analog output
/// at the sample instants shifted by one sample, and its gain for a constant is exactly one.
///
/// # Errors
/// [`DesignError`], if `poles` is 0 or above [`MAX_ORDER`], `fs` or `tau` is not positive and
/// finite, or `tau` exceeds about 10¹³ samples.
pub fn rc_cascade(poles: u32, tau: f64, fs: f64) -> Result<Vec<Section>, DesignError> {
    check_rate(fs)?;
    if !(1..=MAX_ORDER).contains(&poles) {
        return Err(DesignError::Poles { found: poles });
    }
    if !(tau > 0.0 && tau.is_finite()) {
        return Err(DesignError::TimeConstant { found: tau });
    }
    let a = libm::exp(-1.0 / (fs * tau));
    let section = Section::resolved([1.0 - a, 0.0, 0.0], [-a, 0.0])?;
    Ok(vec![section; poles as usize])
}

/// One RC high-pass pole with its corner (power gain one half of the analog filter) in Hz.
///
/// The digital pole is `a = exp(−2π·corner/fs)`, and `y[k] = a·y[k−1] + (1+a)/2·(x[k] − x[k−1])`:
/// the gain is exactly zero for a constant and one at Nyquist. Where the corner is not small
/// against `fs` the response differs from the analog one; a first-order Butterworth design meets
/// the corner exactly.
///
/// # Errors
/// [`DesignError`], if `fs` is not positive and finite, or the corner not between 0 Hz and
/// Nyquist, or too small for the sample rate.
pub fn rc_highpass(corner: f64, fs: f64) -> Result<Section, DesignError> {
    check_rate(fs)?;
    check_frequency(corner, fs)?;
    let a = libm::exp(-2.0 * PI * (corner / fs));
    let b = 0.5 * (1.0 + a);
    Section::resolved([b, -b, 0.0], [-a, 0.0])
}

/// A notch at `f0` in Hz with the quality factor `q = f0 / width`, the width taken between the
/// points of half power, for the sample rate `fs` in Hz.
///
/// The second-order analog notch after the bilinear transformation (S. J. Orfanidis,
/// *Introduction to Signal Processing*, 1996, chapter 11); centre and width are exact. The gain is
/// exactly one for a constant and at Nyquist.
///
/// # Errors
/// [`DesignError`], if a frequency is out of range, or the width reaches `fs/2`.
pub fn notch(f0: f64, q: f64, fs: f64) -> Result<Section, DesignError> {
    check_rate(fs)?;
    check_frequency(f0, fs)?;
    let least = 2.0 * f0 / fs;
    if !(q > least && q.is_finite()) {
        return Err(DesignError::Quality { found: q, least });
    }
    let gain = 1.0 / (1.0 + libm::tan(PI * (f0 / fs) / q));
    let middle = -2.0 * gain * libm::cos(2.0 * PI * (f0 / fs));
    Section::resolved([gain, middle, gain], [middle, 2.0 * gain - 1.0])
}

/// Notches at `f0` in Hz and its harmonics up to number `harmonics` (1 is the fundamental alone).
///
/// All have the same quality factor: the widths grow with the harmonic, as the wander of a line's
/// harmonics does.
///
/// # Errors
/// [`DesignError`], as for [`notch`]; also if `harmonics` is 0 or a harmonic reaches Nyquist.
pub fn notches(f0: f64, harmonics: u32, q: f64, fs: f64) -> Result<Vec<Section>, DesignError> {
    check_rate(fs)?;
    check_frequency(f0, fs)?;
    if harmonics == 0 {
        return Err(DesignError::NoHarmonic);
    }
    let nyquist = 0.5 * fs;
    (1..=harmonics)
        .map(|harmonic| {
            let frequency = f64::from(harmonic) * f0;
            if frequency < nyquist {
                notch(frequency, q, fs)
            } else {
                Err(DesignError::Harmonic {
                    harmonic,
                    frequency,
                    nyquist,
                })
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::section::frequency_response;
    use super::super::sos::Cascade;
    use super::*;

    #[test]
    fn step_response_is_that_of_the_analog_poles() -> Result<(), DesignError> {
        let (fs, tau) = (1000.0, 0.02);
        let mut step = [1.0; 200];
        Cascade::new(&rc_cascade(1, tau, fs)?).process(&mut step);
        for (k, y) in step.iter().enumerate() {
            let t = (k + 1) as f64 / fs;
            // Up to 20 samples' roundings accumulate before the pole forgets them.
            assert!((y - (1.0 - libm::exp(-t / tau))).abs() < 20.0 * f64::EPSILON);
        }
        Ok(())
    }

    #[test]
    fn a_constant_passes_unchanged_however_slow_the_pole() -> Result<(), DesignError> {
        for samples in [0.1, 3.0, 777.0, 1e5, 3.3e8] {
            for section in rc_cascade(2, samples, 1.0)? {
                assert_eq!(section.dc_gain(), 1.0, "{samples}");
            }
        }
        Ok(())
    }

    #[test]
    fn noise_bandwidth_is_that_of_the_analog_cascade() -> Result<(), DesignError> {
        // ENBW = fs·Σh²/(2(Σh)²). One digital pole has (1 − a)²/(1 − a²) = (1 − a)/(1 + a) for the
        // sum, exactly; n equal poles have 1/(4τ), 1/(8τ), 3/(32τ), 5/(64τ) as fs·τ grows, from
        // Γ(n − ½)/(4√π·Γ(n)·τ).
        let (fs, tau) = (1e4, 0.02);
        for (n, exact) in [(1, 0.25), (2, 0.125), (3, 3.0 / 32.0), (4, 5.0 / 64.0)] {
            let mut impulse = vec![0.0; 20_000];
            impulse[0] = 1.0;
            Cascade::new(&rc_cascade(n, tau, fs)?).process(&mut impulse);
            let sum: f64 = impulse.iter().sum();
            let squares: f64 = impulse.iter().map(|h| h * h).sum();
            let bandwidth = fs * squares / (2.0 * sum * sum) * tau;
            // Σh² of samples against its integral: the pole's (1 − a)/(1 + a) is tanh(1/2fsτ),
            // 1/(2fsτ) to (fsτ)⁻²/12; a sum of hⁿ has n such factors, and (fsτ)⁻² is 2.5e-5.
            assert!(
                (bandwidth / exact - 1.0).abs() < f64::from(n) * 2.5e-5,
                "{n}: {bandwidth}"
            );
        }
        Ok(())
    }

    #[test]
    fn highpass_by_hand() -> Result<(), DesignError> {
        let section = [rc_highpass(libm::log(2.0) / (2.0 * PI), 1.0)?];
        // a = exp(−ln 2) = 1/2: H = 3/4 (1 − z⁻¹)/(1 − z⁻¹/2), one at Nyquist, zero at 0 Hz.
        assert!((section[0].a()[0] + 0.5).abs() < 2e-16);
        assert_eq!(section[0].b()[0] + section[0].b()[1], 0.0);
        assert!((frequency_response(&section, 0.5, 1.0).re - 1.0).abs() < 5e-16);
        Ok(())
    }

    #[test]
    fn notch_has_its_centre_and_its_width() -> Result<(), DesignError> {
        let (f0, q, fs) = (50.0, 25.0, 1000.0);
        let section = [notch(f0, q, fs)?];
        assert_eq!(section[0].dc_gain(), 1.0);
        // The zero lies on the circle to a rounding of its cosine, the pole is 0.006 away.
        assert!(frequency_response(&section, f0, fs).norm() < 1e-13);
        // The points of half power, found by bisection, are f0/q apart.
        let half_power = |mut inner: f64, mut outer: f64| {
            for _ in 0..60 {
                let middle = 0.5 * (inner + outer);
                if frequency_response(&section, middle, fs).norm_sqr() < 0.5 {
                    inner = middle;
                } else {
                    outer = middle;
                }
            }
            inner
        };
        let width = half_power(f0, 60.0) - half_power(f0, 40.0);
        // The power is known to 1e-14 and changes by about one per Hz there.
        assert!((width - f0 / q).abs() < 1e-12, "{width}");
        Ok(())
    }

    #[test]
    fn harmonics_are_all_removed_or_refused() -> Result<(), DesignError> {
        let sections = notches(50.0, 9, 30.0, 1000.0)?;
        assert_eq!(sections.len(), 9);
        for k in 1..=9 {
            let gain = frequency_response(&sections, 50.0 * f64::from(k), 1000.0).norm();
            // As above; the other notches only make it smaller.
            assert!(gain < 1e-13, "{k}");
        }
        assert_eq!(
            notches(50.0, 10, 30.0, 1000.0),
            Err(DesignError::Harmonic {
                harmonic: 10,
                frequency: 500.0,
                nyquist: 500.0
            })
        );
        assert_eq!(notches(50.0, 0, 30.0, 1000.0), Err(DesignError::NoHarmonic));
        Ok(())
    }

    #[test]
    fn bad_settings_are_refused() {
        assert_eq!(
            rc_cascade(0, 1.0, 1.0),
            Err(DesignError::Poles { found: 0 })
        );
        for tau in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(
                rc_cascade(1, tau, 1.0),
                Err(DesignError::TimeConstant { .. })
            ));
        }
        assert!(matches!(
            rc_cascade(1, 1e14, 1.0),
            Err(DesignError::Unresolved { .. })
        ));
        assert!(matches!(
            rc_highpass(0.5, 1.0),
            Err(DesignError::Frequency { .. })
        ));
        for q in [0.0, 0.2, -1.0, f64::NAN] {
            assert!(matches!(
                notch(10.0, q, 100.0),
                Err(DesignError::Quality { .. })
            ));
        }
    }
}
