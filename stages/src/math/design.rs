//! Recursive filter design: prototype → band → bilinear transformation → second-order sections.
//!
//! The corner frequencies are prewarped, so the digital filter meets its corners exactly. Source:
//! A. V. Oppenheim & R. W. Schafer, *Discrete-Time Signal Processing*, chapters 6 and 7 (bilinear
//! transformation, band transformations, pairing and ordering of sections).

use num_complex::Complex64;

use super::design_bands::Analog;
pub use super::design_error::DesignError;
use super::design_proto;
use super::design_proto::Prototype;
use super::elliptic;
use super::section::Section;

/// Highest order of a prototype. Band-pass and band-stop filters have twice as many poles.
pub const MAX_ORDER: u32 = 24;

/// Smallest pass-band ripple in dB.
pub const MIN_RIPPLE_DB: f64 = 1e-9;

/// Largest ripple or attenuation in dB.
pub const MAX_DECIBELS: f64 = 400.0;

/// What a Bessel filter's corner frequency means.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub enum BesselNorm {
    /// The phase far above the corner is that of a Butterworth filter with the same corner.
    #[default]
    Phase,
    /// The power gain at the corner is one half (−3.01 dB).
    Magnitude,
}

/// Family of recursive filters.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Family {
    /// Flattest pass band; power gain one half at the corner.
    Butterworth,
    /// Equal ripple in the pass band, which ends at the corner.
    Chebyshev1 {
        /// Depth of the ripple below the highest gain, in dB.
        ripple_db: f64,
    },
    /// Equal ripple in the stop band, which begins at the corner.
    Chebyshev2 {
        /// Least attenuation in the stop band, in dB.
        attenuation_db: f64,
    },
    /// Equal ripple in both bands; the corner ends the pass band.
    Elliptic {
        /// Depth of the pass-band ripple below the highest gain, in dB.
        ripple_db: f64,
        /// Least attenuation in the stop band, in dB; above `ripple_db`.
        attenuation_db: f64,
    },
    /// Flattest group delay (of the analog prototype; near Nyquist the transformation bends it).
    Bessel {
        /// Meaning of the corner.
        norm: BesselNorm,
    },
}

/// Band of a filter, by its corner frequencies in Hz.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Band {
    /// Passes below the corner.
    Low(f64),
    /// Passes above the corner.
    High(f64),
    /// Passes between the corners.
    Pass(f64, f64),
    /// Stops between the corners.
    Stop(f64, f64),
}

/// A digital filter by zeros, poles and gain: `H(z) = gain · Π(z − zero) / Π(z − pole)`.
#[derive(Clone, Debug, PartialEq)]
pub struct Zpk {
    /// Zeros in the z plane, conjugates included.
    pub zeros: Vec<Complex64>,
    /// Poles in the z plane, conjugates included.
    pub poles: Vec<Complex64>,
    /// Pure number.
    pub gain: f64,
}

/// Designs a filter as second-order sections for the sample rate `fs` in Hz.
///
/// Each pole pair is joined with the zeros nearest to it, beginning with the poles nearest the
/// unit circle, whose sections come last. Real zeros of a band-pass filter are joined as one at
/// 0 Hz and one at Nyquist, so that each section is itself a band-pass. Each section has gain one
/// at the reference of the band (0 Hz for low-pass and band-stop, Nyquist for high-pass, the
/// geometric centre of the warped corners for band-pass) apart from the first, which carries the
/// dip of an even-order ripple.
///
/// # Errors
/// [`DesignError`], if a setting is out of range or the filter too narrow for the sample rate.
pub fn design(
    family: Family,
    order: u32,
    band: Band,
    fs: f64,
) -> Result<Vec<Section>, DesignError> {
    analog(family, order, band, fs)?.sections()
}

/// Designs the same filter as [`design`], as zeros, poles and gain.
///
/// # Errors
/// [`DesignError`], if a setting is out of range.
pub fn zeros_poles_gain(
    family: Family,
    order: u32,
    band: Band,
    fs: f64,
) -> Result<Zpk, DesignError> {
    Ok(analog(family, order, band, fs)?.zpk())
}

fn analog(family: Family, order: u32, band: Band, fs: f64) -> Result<Analog, DesignError> {
    if !(1..=MAX_ORDER).contains(&order) {
        return Err(DesignError::Order { found: order });
    }
    band.check(fs)?;
    family.check()?;
    Ok(Analog::new(family.prototype(order), band, fs))
}

/// Checks a sample rate in Hz.
pub(super) fn check_rate(fs: f64) -> Result<(), DesignError> {
    if fs > 0.0 && fs.is_finite() {
        Ok(())
    } else {
        Err(DesignError::SampleRate { found: fs })
    }
}

/// Checks that a frequency lies strictly between 0 Hz and half of the (checked) sample rate.
pub(super) fn check_frequency(f: f64, fs: f64) -> Result<(), DesignError> {
    let nyquist = 0.5 * fs;
    if f > 0.0 && f < nyquist {
        Ok(())
    } else {
        Err(DesignError::Frequency { found: f, nyquist })
    }
}

impl Band {
    /// Checks the corners against the sample rate in Hz.
    pub(super) fn check(self, fs: f64) -> Result<(), DesignError> {
        check_rate(fs)?;
        match self {
            Self::Low(f) | Self::High(f) => check_frequency(f, fs),
            Self::Pass(low, high) | Self::Stop(low, high) => {
                check_frequency(low, fs)?;
                check_frequency(high, fs)?;
                if low < high {
                    Ok(())
                } else {
                    Err(DesignError::Corners { low, high })
                }
            }
        }
    }
}

impl Family {
    fn check(self) -> Result<(), DesignError> {
        let ripple = |db: f64| match db {
            MIN_RIPPLE_DB..=MAX_DECIBELS => Ok(()),
            _ => Err(DesignError::Ripple { found: db }),
        };
        let attenuation = |db: f64, above: f64| {
            if db > above && db <= MAX_DECIBELS {
                Ok(())
            } else {
                Err(DesignError::Attenuation { found: db, above })
            }
        };
        match self {
            Self::Butterworth | Self::Bessel { .. } => Ok(()),
            Self::Chebyshev1 { ripple_db } => ripple(ripple_db),
            Self::Chebyshev2 { attenuation_db } => attenuation(attenuation_db, MIN_RIPPLE_DB),
            Self::Elliptic {
                ripple_db,
                attenuation_db,
            } => {
                ripple(ripple_db)?;
                attenuation(attenuation_db, ripple_db)
            }
        }
    }

    fn prototype(self, order: u32) -> Prototype {
        match self {
            Self::Butterworth => design_proto::butterworth(order),
            Self::Chebyshev1 { ripple_db } => design_proto::chebyshev1(order, ripple_db),
            Self::Chebyshev2 { attenuation_db } => design_proto::chebyshev2(order, attenuation_db),
            Self::Elliptic {
                ripple_db,
                attenuation_db,
            } => elliptic::elliptic(order, ripple_db, attenuation_db),
            Self::Bessel {
                norm: BesselNorm::Phase,
            } => design_proto::bessel_phase(order),
            Self::Bessel {
                norm: BesselNorm::Magnitude,
            } => design_proto::bessel_magnitude(order),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::section::HalfAngle;
    use super::super::section::frequency_response;
    use super::*;

    const FAMILIES: [Family; 6] = [
        Family::Butterworth,
        Family::Chebyshev1 { ripple_db: 0.5 },
        Family::Chebyshev2 {
            attenuation_db: 60.0,
        },
        Family::Elliptic {
            ripple_db: 0.5,
            attenuation_db: 60.0,
        },
        Family::Bessel {
            norm: BesselNorm::Phase,
        },
        Family::Bessel {
            norm: BesselNorm::Magnitude,
        },
    ];

    const BANDS: [Band; 6] = [
        Band::Low(30.0),
        Band::High(120.0),
        Band::Pass(20.0, 300.0),
        Band::Pass(99.0, 101.0),
        Band::Stop(45.0, 55.0),
        Band::Stop(2.0, 400.0),
    ];

    /// Σ (|c0| + |c1| + |c2|)/|c(z)| over all numerators and denominators: what a relative change
    /// of the coefficients does to the response at most, for each unit of that change.
    fn condition(sections: &[Section], f: f64, fs: f64) -> f64 {
        let z = HalfAngle::of(f, fs);
        let weight = |c: [f64; 3]| c.iter().map(|v| v.abs()).sum::<f64>() / z.quadratic(c).norm();
        sections
            .iter()
            .map(|s| weight(s.b()) + weight([1.0, s.a()[0], s.a()[1]]))
            .sum()
    }

    /// Where the gain is stated, in Hz, at a sample rate of 1000 Hz.
    fn reference(band: Band) -> f64 {
        let warp = |f: f64| libm::tan(core::f64::consts::PI * f / 1000.0);
        match band {
            Band::Low(_) | Band::Stop(..) => 0.0,
            Band::High(_) => 500.0,
            Band::Pass(a, b) => {
                libm::atan((warp(a) * warp(b)).sqrt()) / core::f64::consts::PI * 1000.0
            }
        }
    }

    #[test]
    fn first_order_low_pass_by_hand() -> Result<(), DesignError> {
        // Corner at fs/4: tan(π/4) = 1, H(s) = 1/(s + 1), s = (z − 1)/(z + 1): H = (1 + z⁻¹)/2.
        let sections = design(Family::Butterworth, 1, Band::Low(1.0), 4.0)?;
        let ([b0, b1, b2], [a1, a2]) = (sections[0].b(), sections[0].a());
        // tan(π/4) in doubles is 1 − 1.1e-16.
        assert!((b0 - 0.5).abs() < 2e-16 && (b1 - 0.5).abs() < 2e-16 && a1.abs() < 2e-16);
        assert_eq!((b2, a2, sections.len()), (0.0, 0.0, 1));
        Ok(())
    }

    #[test]
    fn butterworth_bands_follow_the_formula() -> Result<(), DesignError> {
        // |H|² = 1/(1 + x²ⁿ), x the prewarped frequency carried back to the prototype.
        let fs = 1000.0;
        let warp = |f: f64| libm::tan(core::f64::consts::PI * f / fs);
        for order in 1..=MAX_ORDER {
            for band in BANDS {
                let sections = design(Family::Butterworth, order, band, fs)?;
                for step in 1..200 {
                    let f = 2.49 * f64::from(step);
                    let w = warp(f);
                    let x = match band {
                        Band::Low(corner) => w / warp(corner),
                        Band::High(corner) => warp(corner) / w,
                        Band::Pass(a, b) | Band::Stop(a, b) => {
                            let (a, b) = (warp(a), warp(b));
                            let pass = ((w * w - a * b) / (w * (b - a))).abs();
                            if matches!(band, Band::Pass(..)) {
                                pass
                            } else {
                                1.0 / pass
                            }
                        }
                    };
                    let expected = 1.0 / (1.0 + libm::pow(x, 2.0 * f64::from(order))).sqrt();
                    let found = frequency_response(&sections, f, fs).norm();
                    // Some eight roundings in each coefficient, seen here and at the reference;
                    // x is good to 1e-14 where the warped frequencies nearly cancel, and enters
                    // n times.
                    let at = reference(band);
                    let worst = condition(&sections, f, fs) + condition(&sections, at, fs);
                    let bound = (8.0 * f64::EPSILON * worst + 1e-14 * f64::from(order)) * expected;
                    assert!(
                        (found - expected).abs() <= bound.max(f64::MIN_POSITIVE),
                        "{order} {band:?} {f} Hz: {found:e}, {expected:e}"
                    );
                }
            }
        }
        Ok(())
    }

    #[test]
    fn every_section_has_gain_one_at_the_reference() -> Result<(), DesignError> {
        for family in FAMILIES {
            for order in 1..=12 {
                for band in BANDS {
                    let sections = design(family, order, band, 1000.0)?;
                    let at = reference(band);
                    let dip = family.prototype(order).dc_gain;
                    for (i, section) in sections.iter().enumerate() {
                        let gain = frequency_response(&[*section], at, 1000.0).norm();
                        let expected = if i == 0 { dip } else { 1.0 };
                        // At 0 Hz and Nyquist only the last digit of b can be wrong; in between
                        // the frequency itself is rounded, by some ulp of 1000 Hz.
                        let condition = condition(&[*section], at, 1000.0);
                        assert!(
                            (gain - expected).abs() < 8.0 * f64::EPSILON * condition,
                            "{family:?} {order} {band:?}: {gain}"
                        );
                    }
                }
            }
        }
        Ok(())
    }

    #[test]
    fn sections_and_roots_are_the_same_filter() -> Result<(), DesignError> {
        for family in FAMILIES {
            for order in 1..=9 {
                for band in BANDS {
                    let sections = design(family, order, band, 1000.0)?;
                    let zpk = zeros_poles_gain(family, order, band, 1000.0)?;
                    let poles = zpk.poles.len();
                    assert_eq!(zpk.zeros.len(), poles);
                    assert_eq!(sections.len(), poles.div_ceil(2));
                    for f in [7.0, 52.5, 99.5, 160.0, 433.0] {
                        let (sin, cos) = libm::sincos(2.0 * core::f64::consts::PI * f / 1000.0);
                        let z = Complex64::new(cos, sin);
                        let zeros = zpk.zeros.iter().map(|r| z - r);
                        let over = zpk.poles.iter().map(|r| (z - r).inv());
                        let slow = zeros.zip(over).map(|(a, b)| a * b).product::<Complex64>();
                        let slow = slow * zpk.gain;
                        let fast = frequency_response(&sections, f, 1000.0);
                        // Eight roundings in every coefficient and root; the roots' condition is
                        // Σ 1/|z − r|, and the reference has its own.
                        let roots = zpk.zeros.iter().chain(&zpk.poles);
                        let all = roots.map(|r| 1.0 / (z - r).norm()).sum::<f64>()
                            + condition(&sections, f, 1000.0)
                            + condition(&sections, reference(band), 1000.0);
                        let bound = 8.0 * f64::EPSILON * all * slow.norm();
                        assert!(
                            (fast - slow).norm() <= bound,
                            "{family:?} {order} {band:?} {f}"
                        );
                    }
                }
            }
        }
        Ok(())
    }

    #[test]
    fn poles_nearest_the_circle_come_last() -> Result<(), DesignError> {
        let sections = design(FAMILIES[3], 8, Band::Low(50.0), 1000.0)?;
        assert!(sections.is_sorted_by(|s, t| s.a()[1] <= t.a()[1]));
        // They have the zeros nearest to them: those of the highest sum b0 + b1 + b2 over b0 lie
        // farthest from 0 Hz, and belong to the first section.
        let angle = |s: &Section| s.b()[1] / s.b()[0];
        assert!(sections.is_sorted_by(|s, t| angle(s) >= angle(t)));
        Ok(())
    }

    #[test]
    fn one_hertz_at_a_hundred_kilohertz() -> Result<(), DesignError> {
        for family in FAMILIES {
            let sections = design(family, 8, Band::Low(1.0), 1e5)?;
            let dip = family.prototype(8).dc_gain;
            let at_dc = frequency_response(&sections, 0.0, 1e5).norm();
            // The gain for a constant is exact but for a rounding in each section. Only the dip of
            // a ripple with zeros near 0 Hz is rounded as a sum of b, by 1.1e-16 b0 at most, which
            // for zeros at the distance d from 1 weighs 1.1e-16/d², and d is above 2π·10⁻⁵.
            let elliptic = matches!(family, Family::Elliptic { .. });
            let bound = if elliptic { 2.8e-8 } else { 2e-15 };
            assert!((at_dc / dip - 1.0).abs() < bound, "{family:?}: {at_dc}");
            if family == Family::Butterworth {
                let corner = frequency_response(&sections, 1.0, 1e5).norm_sqr();
                // Rounding a2 by 1.1e-16 moves a pole at the distance w = 2π·10⁻⁵ from 1 by
                // 1.1e-16/2w², 1.4e-8 of w, and four sections add up with their slopes.
                assert!((corner - 0.5).abs() < 1e-7, "{corner}");
            }
        }
        Ok(())
    }

    #[test]
    fn bessel_corner_has_half_the_power() -> Result<(), DesignError> {
        let sections = design(FAMILIES[5], 7, Band::Low(100.0), 1000.0)?;
        let power = frequency_response(&sections, 100.0, 1000.0).norm_sqr();
        assert!((power - 0.5).abs() < 8.0 * f64::EPSILON * condition(&sections, 100.0, 1000.0));
        Ok(())
    }

    #[test]
    fn bad_settings_are_refused() {
        let low = Band::Low(10.0);
        let order = |n| design(Family::Butterworth, n, low, 100.0);
        assert_eq!(order(0), Err(DesignError::Order { found: 0 }));
        assert_eq!(order(25), Err(DesignError::Order { found: 25 }));
        let band = |band, fs| design(Family::Butterworth, 2, band, fs).map(|_| ());
        for fs in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(band(low, fs), Err(DesignError::SampleRate { .. })));
        }
        for f in [0.0, -1.0, 50.0, 60.0, f64::NAN] {
            for wrong in [
                Band::Low(f),
                Band::High(f),
                Band::Pass(1.0, f),
                Band::Stop(f, 49.0),
            ] {
                assert!(matches!(
                    band(wrong, 100.0),
                    Err(DesignError::Frequency { .. })
                ));
            }
        }
        for (low, high) in [(20.0, 20.0), (30.0, 20.0)] {
            let found = band(Band::Pass(low, high), 100.0);
            assert_eq!(found, Err(DesignError::Corners { low, high }));
        }
        let family = |family| design(family, 4, low, 100.0).map(|_| ());
        for db in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            let found = family(Family::Chebyshev1 { ripple_db: db });
            assert!(matches!(found, Err(DesignError::Ripple { .. })));
            let found = family(Family::Chebyshev2 { attenuation_db: db });
            assert!(matches!(found, Err(DesignError::Attenuation { .. })));
        }
        let (ripple_db, attenuation_db) = (3.0, 3.0);
        let found = family(Family::Elliptic {
            ripple_db,
            attenuation_db,
        });
        assert!(matches!(
            found,
            Err(DesignError::Attenuation { above: 3.0, .. })
        ));
        // A corner of 1 µHz at 1 MHz is beyond doubles in this form.
        let found = band(Band::Low(1e-6), 1e6);
        assert!(matches!(found, Err(DesignError::Unresolved { .. })));
    }
}
