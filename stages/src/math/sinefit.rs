//! Fits a sine of unknown frequency, amplitude, phase and offset (IEEE Std 1057, four parameters).
//!
//! Up to 2^20 samples are kept: the peak of a padded, windowed spectrum starts a Gauss-Newton
//! iteration on the samples themselves. A longer record is reduced, at the frequency found in its first
//! 2^20 samples, to sums over at most 4096 blocks, on which the same iteration runs.

use std::f64::consts::TAU;

use num_complex::Complex64;
use phasemill_engine::lineage::stated;
use rustfft::FftPlannerScalar;

use super::lsq::{Fit, LeastSquares, LsqError};
use super::sinefit_blocks::Blocks;
use super::tones::{Oscillator, SamplePhase};

/// Samples that are kept before the record is reduced to blocks.
const KEPT: usize = 1 << 20;

/// Iterations after which a fit is given up; from the peak of a spectrum it takes about six.
pub(super) const MOST_ITERATIONS: usize = 60;

/// Why a sine could not be fitted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum SineError {
    /// Too few samples for four unknowns and their uncertainty.
    #[error("expected at least 5 samples, found {0}")]
    TooFew(u64),
    /// No frequency may be looked for, or nothing but a constant was found.
    #[error(
        "expected a sine between {} and {}, found none; give another frequency to look near",
        stated(*.low, "Hz"),
        stated(*.high, "Hz")
    )]
    NoTone {
        /// Lowest frequency looked for.
        low: f64,
        /// Highest frequency looked for.
        high: f64,
    },
    /// The iteration did not settle on a frequency.
    #[error(
        "expected a frequency that settles, found {} still moving; the record may hold no steady sine",
        stated(*.0, "Hz")
    )]
    Unsettled(f64),
}

/// The parameters of a fitted sine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parameter {
    /// Offset, in the unit of the samples.
    Offset,
    /// Peak amplitude, in the unit of the samples.
    Amplitude,
    /// Frequency in Hz.
    Frequency,
    /// Phase in rad at sample 0.
    Phase,
}

/// The fit offset + amplitude·sin(2π·frequency·t + phase), with t in s from sample 0.
#[derive(Clone, Debug, PartialEq)]
pub struct SineFit {
    /// Frequency in Hz.
    pub frequency: f64,
    /// Peak amplitude, positive, in the unit of the samples.
    pub amplitude: f64,
    /// Phase at sample 0 in rad, from -π to π.
    pub phase: f64,
    /// Offset in the unit of the samples.
    pub offset: f64,
    /// Standard deviation of the residuals, with four degrees of freedom taken off.
    pub residual_sd: f64,
    /// Samples behind the fit.
    pub count: u64,
    /// Samples that were missing.
    pub missing: u64,
    /// Change of each [`Parameter`] with four independent sources of unit variance.
    effects: [[f64; 4]; 4],
}

impl SineFit {
    /// Standard error of a parameter, for residuals that are independent of each other.
    pub fn standard_error(&self, parameter: Parameter) -> f64 {
        length(self.effects(parameter))
    }

    /// Change of a parameter with each of four independent sources of unit variance, shared by all.
    pub fn effects(&self, parameter: Parameter) -> [f64; 4] {
        self.effects[parameter as usize]
    }

    /// Phase in rad at `t` s after sample 0, and its standard error.
    pub fn phase_at(&self, t: f64) -> (f64, f64) {
        let with_phase = self.effects(Parameter::Phase);
        let with_frequency = self.effects(Parameter::Frequency);
        let effect: [f64; 4] = std::array::from_fn(|k| with_phase[k] + TAU * t * with_frequency[k]);
        (self.phase + TAU * self.frequency * t, length(effect))
    }
}

fn length(effects: [f64; 4]) -> f64 {
    effects.iter().map(|e| e * e).sum::<f64>().sqrt()
}

/// What an iteration ends with: the model offset + a·cos + b·sin around the middle of the record.
pub(super) struct Settled {
    pub offset: f64,
    pub cos: f64,
    pub sin: f64,
    /// Hz.
    pub frequency: f64,
    /// Phase of the cosine at sample 0, in rad.
    pub start: f64,
    /// Time in s of the point about which the frequency turns the phase.
    pub middle: f64,
    pub residual_sd: f64,
    pub count: u64,
    /// Unscaled root of the covariance of offset, cos, sin and frequency.
    pub root: [[f64; 4]; 4],
}

impl Settled {
    pub(super) fn fit(&self, missing: u64) -> SineFit {
        let (a, b) = (self.cos, self.sin);
        let amplitude = libm::hypot(a, b);
        let [offset, cos, sin, frequency] = self.root;
        let each = |f: &dyn Fn(usize) -> f64| std::array::from_fn(|k| self.residual_sd * f(k));
        // a·cos + b·sin = A·sin(x + θ) with A·sin θ = a and A·cos θ = b.
        let turn = libm::atan2(a, b) + self.start;
        SineFit {
            frequency: self.frequency,
            amplitude,
            phase: libm::remainder(turn, TAU),
            offset: self.offset,
            residual_sd: self.residual_sd,
            count: self.count,
            missing,
            effects: [
                each(&|k| offset[k]),
                each(&|k| (a * cos[k] + b * sin[k]) / amplitude),
                each(&|k| frequency[k]),
                each(&|k| {
                    (b * cos[k] - a * sin[k]) / (amplitude * amplitude)
                        - TAU * self.middle * frequency[k]
                }),
            ],
        }
    }
}

/// Fits a sine to samples that stream by. Missing (NaN) samples are left out and counted.
pub struct FreeSine {
    rate: f64,
    near: Option<f64>,
    kept: usize,
    state: State,
}

enum State {
    Short(Vec<f64>),
    Long(Box<Blocks>),
    Failed(SineError),
}

impl FreeSine {
    /// For samples at `rate` per second. The frequency in Hz is looked for within 20 % of `near`, or
    /// wherever at least one cycle fits the record.
    pub fn new(rate: f64, near: Option<f64>) -> Self {
        Self::keeping(rate, near, KEPT)
    }

    /// As [`FreeSine::new`], but with this many samples kept before the record is reduced to blocks.
    pub(super) fn keeping(rate: f64, near: Option<f64>, kept: usize) -> Self {
        FreeSine {
            rate,
            near,
            kept,
            state: State::Short(Vec::new()),
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, mut samples: &[f64]) {
        if let State::Short(record) = &mut self.state {
            let (now, later) = samples.split_at(samples.len().min(self.kept - record.len()));
            record.extend_from_slice(now);
            samples = later;
            if samples.is_empty() {
                return;
            }
            self.state = match fit(record, self.rate, self.near) {
                Ok(found) => {
                    let mut blocks = Blocks::new(self.rate, &found, self.kept);
                    blocks.push(record);
                    State::Long(Box::new(blocks))
                }
                Err(error) => State::Failed(error),
            };
        }
        if let State::Long(blocks) = &mut self.state {
            blocks.push(samples);
        }
    }

    /// The fit.
    ///
    /// # Errors
    /// [`SineError`] when there is no sine to be found.
    pub fn finish(self) -> Result<SineFit, SineError> {
        match self.state {
            State::Short(record) => fit(&record, self.rate, self.near),
            State::Long(blocks) => blocks.finish(),
            State::Failed(error) => Err(error),
        }
    }
}

/// Fits a sine to a record in memory; see [`FreeSine::new`] for `near`.
///
/// # Errors
/// [`SineError`] when there is no sine to be found.
pub fn fit(samples: &[f64], rate: f64, near: Option<f64>) -> Result<SineFit, SineError> {
    let count = samples.iter().filter(|x| !x.is_nan()).count() as u64;
    if count < 5 {
        return Err(SineError::TooFew(count));
    }
    let settled = settle(samples, rate, coarse_frequency(samples, rate, near)?)?;
    Ok(settled.fit(samples.len() as u64 - count))
}

/// The frequency in Hz at which a padded spectrum through a Hann window is largest.
fn coarse_frequency(samples: &[f64], rate: f64, near: Option<f64>) -> Result<f64, SineError> {
    let (sum, count) = samples
        .iter()
        .filter(|x| !x.is_nan())
        .fold((0.0, 0u64), |(s, n), x| (s + x, n + 1));
    let mean = sum / count as f64;
    let size = (2 * samples.len()).next_power_of_two().max(16);
    let mut spectrum = vec![Complex64::default(); size];
    let turn = 1.0 / samples.len() as f64;
    for (i, (z, x)) in spectrum
        .iter_mut()
        .zip(samples)
        .enumerate()
        .filter(|(_, (_, x))| !x.is_nan())
    {
        let sine = libm::sin(0.5 * TAU * (i as f64 + 0.5) * turn);
        z.re = (x - mean) * sine * sine;
    }
    FftPlannerScalar::new()
        .plan_fft_forward(size)
        .process(&mut spectrum);
    let bin = rate / size as f64;
    let (low, high) = near.map_or((rate * turn, 0.5 * rate), |f| (0.8 * f, 1.2 * f));
    let first = ((low / bin).floor() as usize).max(1);
    let last = ((high / bin).ceil() as usize).min(size / 2 - 1);
    let power = |k: usize| spectrum.get(k).map_or(0.0, Complex64::norm_sqr);
    let peak = (first..=last).reduce(|best, k| if power(k) > power(best) { k } else { best });
    let Some(peak) = peak.filter(|k| power(*k) > 0.0) else {
        return Err(SineError::NoTone { low, high });
    };
    // The logarithm of a Hann window's main lobe is nearly a parabola.
    let [left, top, right] =
        [peak - 1, peak, peak + 1].map(|k| libm::log(power(k).max(f64::MIN_POSITIVE)));
    let shift = 0.5 * (left - right) / (left - 2.0 * top + right);
    let shift = if shift.abs() <= 1.0 { shift } else { 0.0 };
    Ok((peak as f64 + shift) * bin)
}

/// Gauss-Newton from a frequency near the minimum; the phase turns about the middle of the record, which
/// makes frequency and phase nearly independent.
fn settle(samples: &[f64], rate: f64, start: f64) -> Result<Settled, SineError> {
    let middle = (samples.len() / 2) as f64;
    let step = |frequency: f64, slope: Option<(f64, f64)>| -> Result<Fit, LsqError> {
        let mut oscillator = Oscillator::new(frequency, rate, middle / rate);
        let mut squares = LeastSquares::new(if slope.is_some() { 4 } else { 3 })?;
        for (n, x) in samples.iter().enumerate().filter(|(_, x)| !x.is_nan()) {
            let v = oscillator.at(n as u64);
            squares.push(*x, |row| {
                row[..3].copy_from_slice(&[1.0, v.re, v.im]);
                if let Some((a, b)) = slope {
                    row[3] = TAU * ((n as f64 - middle) / rate) * (b * v.re - a * v.im);
                }
            });
        }
        squares.solve()
    };
    let duration = samples.len() as f64 / rate;
    let mut frequency = start;
    let unsettled = |f: f64| move |_: LsqError| SineError::Unsettled(f);
    let first = step(frequency, None).map_err(unsettled(frequency))?;
    let mut slope = (first.coefficients[1], first.coefficients[2]);
    for _ in 0..MOST_ITERATIONS {
        let fit = step(frequency, Some(slope)).map_err(unsettled(frequency))?;
        let change = fit.coefficients[3];
        slope = (fit.coefficients[1], fit.coefficients[2]);
        let before = frequency;
        frequency += change;
        if !(frequency > 0.0 && frequency < 0.5 * rate) {
            break;
        }
        if change.abs() <= settled_change(frequency, duration) {
            return Ok(Settled {
                offset: fit.coefficients[0],
                cos: slope.0,
                sin: slope.1,
                frequency,
                start: TAU * SamplePhase::new(before, rate, middle / rate).at(0)
                    - TAU * change * (middle / rate),
                middle: middle / rate,
                residual_sd: fit.residual_sd().unwrap_or(f64::NAN),
                count: fit.rows,
                root: std::array::from_fn(|i| std::array::from_fn(|k| fit.root(i)[k])),
            });
        }
    }
    Err(SineError::Unsettled(frequency))
}

/// A change of frequency that no longer matters: 1e-11 cycles over the record, or rounding.
pub(super) fn settled_change(frequency: f64, duration: f64) -> f64 {
    (1e-11 / duration).max(4.0 * f64::EPSILON * frequency)
}

#[cfg(test)]
#[path = "sinefit_tests.rs"]
mod tests;
