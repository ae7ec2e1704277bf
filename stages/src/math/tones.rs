//! Tones of known frequency, a level and a slope, fitted together by least squares.
//!
//! The value of a tone A·sin(2πft + θ) is A·e^{iθ}. The phase of every sample is worked out anew from
//! its number, so it is as good at the end of a long record as at its start.

use num_complex::Complex64;

use super::lsq::{Fit, LeastSquares, LsqError, SMALLEST_ANGLE};
use super::sums::exact_product;

/// Samples that share one evaluation of sine and cosine per tone; the others are turned from it.
const SPAN: u64 = 64;

/// Operations that a trial of the terms may take, and samples that are enough for it.
const TRIED: usize = 1 << 27;
const MOST_TRIED: u64 = 1 << 14;

/// A term of the model.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Term {
    /// The level.
    Constant,
    /// The slope.
    Slope,
    /// Cosine of the tone of this index.
    Cosine(usize),
    /// Sine of the tone of this index.
    Sine(usize),
}

/// Why tones could not be fitted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum ToneError {
    /// A frequency is zero, or half the sample rate or more.
    #[error(
        "expected frequencies above 0 and below half the sample rate, {limit} Hz, found {found} Hz"
    )]
    Frequency {
        /// Index of the tone.
        tone: usize,
        /// Its frequency in Hz.
        found: f64,
        /// Half the sample rate in Hz.
        limit: f64,
    },
    /// A term cannot be told from those before it.
    #[error(
        "expected terms that differ over the record, found that {0:?} cannot be told from those before it"
    )]
    Dependent(Term),
    /// Too few samples, or too many or no terms.
    #[error(transparent)]
    Fit(LsqError),
}

/// Phase, in cycles, of a tone at sample n: f·n/rate - f·origin.
#[derive(Clone, Copy, Debug)]
pub struct SamplePhase {
    /// Cycles per sample and what rounding took from it.
    step: (f64, f64),
    /// Phase of sample 0.
    start: f64,
}

impl SamplePhase {
    /// For a frequency and a rate in Hz, and the time at which the phase is zero, in s after sample 0.
    pub fn new(frequency: f64, rate: f64, origin: f64) -> Self {
        let step = frequency / rate;
        let (product, low) = exact_product(step, rate);
        let lost = ((frequency - product) - low) / rate;
        let (cycles, low) = exact_product(frequency, -origin);
        SamplePhase {
            step: (step, lost),
            start: fraction(fraction(cycles) + low),
        }
    }

    /// The phase of sample `n` from 0 to below 1, within 1e-15 for any n up to 2^53.
    pub fn at(&self, n: u64) -> f64 {
        let n = n as f64;
        let (cycles, low) = exact_product(n, self.step.0);
        fraction(fraction(cycles) + (low + n * self.step.1) + self.start)
    }
}

fn fraction(x: f64) -> f64 {
    let part = x - x.floor();
    // A small negative number rounds up to 1.
    if part < 1.0 { part } else { 0.0 }
}

/// The unit vector e^{2πip} for a phase in cycles from 0 to below 1; exact at eighths of a cycle's
/// symmetry, so that sine and cosine are zero where they should be.
pub fn unit_vector(p: f64) -> Complex64 {
    let quarter = (4.0 * p + 0.5).floor();
    let (sin, cos) = libm::sincos(std::f64::consts::TAU * (p - 0.25 * quarter));
    match quarter as i64 & 3 {
        0 => Complex64::new(cos, sin),
        1 => Complex64::new(-sin, cos),
        2 => Complex64::new(-cos, -sin),
        _ => Complex64::new(sin, -cos),
    }
}

/// The unit vector of a tone at sample n: worked out anew for every span of samples and turned from
/// there, which costs two more roundings and saves most sines.
#[derive(Clone, Debug)]
pub struct Oscillator {
    phase: SamplePhase,
    turns: Vec<Complex64>,
    /// The span last worked out, and its first vector.
    span: Option<(u64, Complex64)>,
}

impl Oscillator {
    /// For a frequency and a rate in Hz, and the time at which the phase is zero, in s after sample 0.
    pub fn new(frequency: f64, rate: f64, origin: f64) -> Self {
        let turn = SamplePhase::new(frequency, rate, 0.0);
        let turns = (0..SPAN).map(|n| unit_vector(turn.at(n))).collect();
        Oscillator {
            phase: SamplePhase::new(frequency, rate, origin),
            turns,
            span: None,
        }
    }

    /// The vector at sample `n`, which does not depend on what was asked for before.
    pub fn at(&mut self, n: u64) -> Complex64 {
        let span = n / SPAN;
        let base = match self.span {
            Some((known, base)) if known == span => base,
            _ => {
                let base = unit_vector(self.phase.at(span * SPAN));
                self.span = Some((span, base));
                base
            }
        };
        self.turns
            .get((n % SPAN) as usize)
            .map_or(base, |turn| base * turn)
    }
}

/// What is fitted: tones and what they stand on.
#[derive(Clone, Debug, PartialEq)]
pub struct ToneModel {
    /// Frequencies in Hz.
    pub frequencies: Vec<f64>,
    /// Samples per second.
    pub rate: f64,
    /// Time at which the phases are zero, in s after sample 0.
    pub origin: f64,
    /// Whether a level is fitted.
    pub constant: bool,
    /// Whether a slope is fitted.
    pub slope: bool,
}

impl ToneModel {
    /// Whether a fit to so many samples, none of them missing, can tell the terms apart with ten times what the
    /// fit itself asks for. A long record is tried at some of its samples, spread unevenly, which span the
    /// same times.
    ///
    /// # Errors
    /// [`ToneError`] as [`ToneSolver`] gives it.
    pub fn told_apart(&self, samples: u64) -> Result<(), ToneError> {
        let unknowns = self.terms().len();
        let most = (TRIED / (unknowns * unknowns).max(1)).max(4 * unknowns) as u64;
        let tried = samples.min(most.min(MOST_TRIED));
        let mut solver = ToneSolver::new(self.clone())?;
        for k in 0..tried {
            // The golden ratio's multiples spread most evenly (Weyl 1916).
            let place = (k as f64 * 0.618_033_988_749_894_9).fract();
            let n = match tried == samples {
                true => k,
                false => ((k as f64 + place) * (samples as f64 / tried as f64)) as u64,
            };
            solver.put(n.min(samples - 1), 0.0);
        }
        match solver.squares.dependent(10.0 * SMALLEST_ANGLE) {
            Some(column) => Err(self.dependent(column)),
            None => Ok(()),
        }
    }

    /// That the term of a column cannot be told.
    fn dependent(&self, column: usize) -> ToneError {
        let term = self.terms().get(column).copied();
        term.map_or(
            ToneError::Fit(LsqError::Dependent { column }),
            ToneError::Dependent,
        )
    }

    fn terms(&self) -> Vec<Term> {
        let base = [(self.constant, Term::Constant), (self.slope, Term::Slope)];
        let tones = (0..self.frequencies.len()).flat_map(|i| [Term::Cosine(i), Term::Sine(i)]);
        base.into_iter()
            .filter(|(wanted, _)| *wanted)
            .map(|(_, term)| term)
            .chain(tones)
            .collect()
    }
}

/// Fits a [`ToneModel`] to samples that stream by. Missing (NaN) samples are left out and counted.
#[derive(Clone, Debug)]
pub struct ToneSolver {
    model: ToneModel,
    oscillators: Vec<Oscillator>,
    next: u64,
    missing: u64,
    squares: LeastSquares,
}

impl ToneSolver {
    /// A fit of this model.
    ///
    /// # Errors
    /// [`ToneError::Frequency`] out of range; [`ToneError::Fit`] for too many or no terms.
    pub fn new(model: ToneModel) -> Result<Self, ToneError> {
        let limit = 0.5 * model.rate;
        for (tone, found) in model.frequencies.iter().copied().enumerate() {
            if !(found > 0.0 && found < limit) {
                return Err(ToneError::Frequency { tone, found, limit });
            }
        }
        let squares = LeastSquares::new(model.terms().len()).map_err(ToneError::Fit)?;
        let oscillator = |f: &f64| Oscillator::new(*f, model.rate, model.origin);
        let oscillators = model.frequencies.iter().map(oscillator).collect();
        Ok(ToneSolver {
            oscillators,
            model,
            next: 0,
            missing: 0,
            squares,
        })
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        for x in samples {
            self.take(*x);
        }
    }

    fn take(&mut self, x: f64) {
        let n = self.next;
        self.next += 1;
        match x.is_nan() {
            true => self.missing += 1,
            false => self.put(n, x),
        }
    }

    /// Takes sample `n`.
    fn put(&mut self, n: u64, x: f64) {
        let (oscillators, model) = (&mut self.oscillators, &self.model);
        self.squares.push(x, |row| {
            let mut columns = row.iter_mut();
            let mut put = |value| columns.next().into_iter().for_each(|c| *c = value);
            if model.constant {
                put(1.0);
            }
            if model.slope {
                put(n as f64 / model.rate);
            }
            for oscillator in oscillators {
                let v = oscillator.at(n);
                put(v.re);
                put(v.im);
            }
        });
    }

    /// Samples that were missing so far.
    pub fn missing(&self) -> u64 {
        self.missing
    }

    /// The fit.
    ///
    /// # Errors
    /// [`ToneError::Dependent`] names a term that the record does not tell from those before it;
    /// [`ToneError::Fit`] for fewer samples than unknowns.
    pub fn finish(self) -> Result<Tones, ToneError> {
        let fit = self.squares.solve().map_err(|error| match error {
            LsqError::Dependent { column } => self.model.dependent(column),
            _ => ToneError::Fit(error),
        })?;
        Ok(Tones {
            model: self.model,
            fit,
            missing: self.missing,
        })
    }
}

/// A quantity that was fitted: its value, and its change with each of the independent sources of
/// uncertainty that all quantities of one fit share (empty without degrees of freedom). Sources with
/// which it does not change have effect 0, so that all lists are of the same length.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    /// The value.
    pub value: Complex64,
    /// One per source, each of unit variance.
    pub effects: Vec<Complex64>,
}

/// Fitted tones.
#[derive(Clone, Debug)]
pub struct Tones {
    model: ToneModel,
    fit: Fit,
    missing: u64,
}

impl Tones {
    /// The underlying solution; its columns are level, slope, then cosine and sine of each tone.
    pub fn fit(&self) -> &Fit {
        &self.fit
    }

    /// Samples that were missing.
    pub fn missing(&self) -> u64 {
        self.missing
    }

    fn column(&self, column: usize) -> (f64, Vec<f64>) {
        let value = self
            .fit
            .coefficients
            .get(column)
            .copied()
            .unwrap_or(f64::NAN);
        let effects = self
            .fit
            .residual_sd()
            .map(|s| self.fit.root(column).iter().map(|g| s * g).collect());
        (value, effects.unwrap_or_default())
    }

    /// Tone `i` as A·e^{iθ} in the unit of the samples; NaN if there is no such tone.
    pub fn tone(&self, i: usize) -> Fitted {
        let first = usize::from(self.model.constant) + usize::from(self.model.slope) + 2 * i;
        let ((cos, with_cos), (sin, with_sin)) = (self.column(first), self.column(first + 1));
        // a·cos + b·sin = A·sin(2πft + θ) with A·cos θ = b and A·sin θ = a.
        let effects = with_sin
            .iter()
            .zip(&with_cos)
            .map(|(b, a)| Complex64::new(*b, *a))
            .collect();
        Fitted {
            value: Complex64::new(sin, cos),
            effects,
        }
    }

    /// The level at the origin of time, in the unit of the samples, if one was fitted.
    pub fn constant(&self) -> Option<Fitted> {
        self.model.constant.then(|| {
            let (mut value, mut effects) = self.column(0);
            if self.model.slope {
                let (slope, changes) = self.column(1);
                value += slope * self.model.origin;
                effects
                    .iter_mut()
                    .zip(changes)
                    .for_each(|(e, change)| *e += change * self.model.origin);
            }
            Fitted {
                value: value.into(),
                effects: effects.into_iter().map(Complex64::from).collect(),
            }
        })
    }

    /// The slope in the unit of the samples per s, if one was fitted.
    pub fn slope(&self) -> Option<Fitted> {
        self.model.slope.then(|| {
            let (value, effects) = self.column(usize::from(self.model.constant));
            Fitted {
                value: value.into(),
                effects: effects.into_iter().map(Complex64::from).collect(),
            }
        })
    }
}

#[cfg(test)]
#[path = "tones_tests.rs"]
mod tests;
