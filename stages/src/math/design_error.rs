//! Why a recursive filter cannot be designed.

use thiserror::Error;

use super::design::MAX_DECIBELS;
use super::design::MAX_ORDER;
use super::design::MIN_RIPPLE_DB;

/// Why a filter cannot be made.
#[derive(Clone, Debug, Error, PartialEq)]
pub enum DesignError {
    /// The order is zero or too high.
    #[error("expected a filter order from 1 to {MAX_ORDER}, found {found}")]
    Order {
        /// The order asked for.
        found: u32,
    },
    /// The sample rate is not a positive number.
    #[error("expected a sample rate above 0 Hz, found {found} Hz")]
    SampleRate {
        /// The rate, in Hz.
        found: f64,
    },
    /// A corner or notch frequency lies outside the range the sample rate allows.
    #[error(
        "expected a frequency above 0 Hz and below half the sample rate, {nyquist} Hz, \
         found {found} Hz"
    )]
    Frequency {
        /// The frequency, in Hz.
        found: f64,
        /// Half the sample rate, in Hz.
        nyquist: f64,
    },
    /// The corners of a band are not in rising order.
    #[error("expected the lower corner below the upper one, found {low} Hz and {high} Hz")]
    Corners {
        /// First corner, in Hz.
        low: f64,
        /// Second corner, in Hz.
        high: f64,
    },
    /// The ripple is out of range.
    #[error("expected a ripple from {MIN_RIPPLE_DB} dB to {MAX_DECIBELS} dB, found {found} dB")]
    Ripple {
        /// The ripple, in dB.
        found: f64,
    },
    /// The attenuation is out of range.
    #[error("expected an attenuation above {above} dB, up to {MAX_DECIBELS} dB, found {found} dB")]
    Attenuation {
        /// The attenuation, in dB.
        found: f64,
        /// Bound it must exceed, in dB: the ripple, or the least ripple.
        above: f64,
    },
    /// The number of poles of a cascade is out of range.
    #[error("expected from 1 to {MAX_ORDER} poles, found {found}")]
    Poles {
        /// The number asked for.
        found: u32,
    },
    /// The time constant is not a positive number.
    #[error("expected a time constant above 0 s, found {found} s")]
    TimeConstant {
        /// The time constant, in s.
        found: f64,
    },
    /// The quality factor is not a positive number, or the notch is wider than the band.
    #[error(
        "expected a quality factor above {least} for this notch and sample rate, found {found}"
    )]
    Quality {
        /// The quality factor.
        found: f64,
        /// The bound: the notch must be narrower than half the sample rate.
        least: f64,
    },
    /// A harmonic to be removed cannot be represented at this sample rate.
    #[error(
        "expected every harmonic below half the sample rate, {nyquist} Hz, found harmonic \
         {harmonic} at {frequency} Hz; ask for fewer harmonics"
    )]
    Harmonic {
        /// Number of the harmonic; 1 is the fundamental.
        harmonic: u32,
        /// Its frequency, in Hz.
        frequency: f64,
        /// Half the sample rate, in Hz.
        nyquist: f64,
    },
    /// No notch was asked for.
    #[error("expected at least 1 harmonic, the fundamental, found 0")]
    NoHarmonic,
    /// The coefficients describe an unstable section.
    #[error("expected poles inside the unit circle, found b = {b:?}, a = [1, {a:?}]")]
    Unstable {
        /// Numerator.
        b: [f64; 3],
        /// Denominator without its leading one.
        a: [f64; 2],
    },
    /// The filter is so narrow for its sample rate that its coefficients cannot express it.
    #[error(
        "expected a filter that double precision can express, found a pole at radius {radius}, \
         too close to 1; decimate first, or widen the filter"
    )]
    Unresolved {
        /// Modulus of the pole in the z plane.
        radius: f64,
    },
}
