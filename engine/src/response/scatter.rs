//! The variance that stationary noise leaves in the mean of a chain, for averages short and long against
//! the chain's own memory.
//!
//! With one-sided power density S of the recording, gain P before the mixing, G behind it and D of the mean
//! of n samples, in-phase and quadrature part each have the variance ∫ S(|f₀ + ν|)·|P|²·|G|²·|D|² dν over the
//! whole band of the mixing's rate, against the signal's own gain (the mixed phasor has the density 4·S/2, and
//! half of its power is in each part; derived). What is only averaged has half of that, with f₀ = 0.

use super::frequency::{element_gain, envelope, gain};
use super::settling::memory;
use super::{Chain, Element, Figures, folded, rate_at_start};

/// Most cells of the band that are summed over, for all exponents together.
const MOST_CELLS: f64 = (1u64 << 24) as f64;

/// Most products of taps with samples of their sine, some seconds of work.
const MOST_PRODUCTS: f64 = (1u64 << 32) as f64;

/// A gain that is only rounding.
const NOTHING: f64 = 1e-9;

/// Part of a step that may be left when the chain's memory is cut off.
const REST: f64 = 1e-6;

/// Periods of the line that the correlation of noise which is not white is followed for: its density
/// changes on the scale of the line's frequency.
const PERIODS: f64 = 32.0;

/// Highest odd harmonic that a product with a sign is followed to, one by one.
const ODD: u32 = 49;

/// A one-sided power density at_1_hz·f^-exponent.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PowerLaw {
    /// Density at 1 Hz, in squared units of the recording per Hz.
    pub at_1_hz: f64,
    /// Exponent; 0 for white noise.
    pub exponent: f64,
}

impl PowerLaw {
    /// The density at `f` Hz.
    pub fn density(&self, f: f64) -> f64 {
        match self.exponent {
            0.0 => self.at_1_hz,
            exponent => self.at_1_hz * libm::pow(f, -exponent),
        }
    }

    /// The power between two frequencies in Hz, which are in order.
    pub fn between(&self, low: f64, high: f64) -> f64 {
        let rest = 1.0 - self.exponent;
        let integral = if self.exponent == 0.0 {
            high - low
        } else if rest.abs() < 1e-9 {
            libm::log(high / low)
        } else {
            (libm::pow(high, rest) - libm::pow(low, rest)) / rest
        };
        self.at_1_hz * integral
    }

    /// The mean density in a cell of a width around `f`, which may be below zero, without what lies between
    /// -`lowest` and `lowest`.
    fn cell(&self, f: f64, width: f64, lowest: f64) -> f64 {
        if self.exponent == 0.0 {
            return self.at_1_hz;
        }
        let (low, high) = (f.abs() - 0.5 * width, f.abs() + 0.5 * width);
        let part = |from: f64, to: f64| {
            if to > from {
                self.between(from, to)
            } else {
                0.0
            }
        };
        let mirrored = if low < 0.0 { part(lowest, -low) } else { 0.0 };
        (part(low.max(lowest), high) + mirrored) / width
    }
}

/// Why the scatter of a result is not known.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum ScatterError {
    /// There is no mean at the end of the chain.
    #[error("it is no mean of samples; keep a result behind an average")]
    NotAveraged,
    /// The frequency of the signal is not known.
    #[error(
        "the frequency of its reference is not known; give it, or state `expect` in the reference"
    )]
    NoFrequency,
    /// A steady signal does not pass.
    #[error("a steady signal does not pass its chain")]
    NoSignal,
    /// The chain remembers for too long.
    #[error("its chain remembers more samples than are followed; decimate earlier, or filter less")]
    TooLong,
}

/// What becomes of noise in the mean of a chain.
#[derive(Clone, Debug)]
pub struct Scatter {
    chain: Chain,
    /// Samples per second that are averaged.
    rate: f64,
    /// Samples from which on the correlation is followed no further.
    memory: u64,
    /// For each exponent the variance in each cell of the averaged rate's band, for a density of 1 at 1 Hz.
    cells: Vec<Vec<f64>>,
    /// For each law its exponent's place and its own density at 1 Hz.
    laws: Vec<(usize, f64)>,
}

impl Figures {
    /// What becomes of noise of these densities in the mean. Noise below `lowest` Hz is left out; a `switched`
    /// product lets that around the odd harmonics in as well.
    pub fn scatter(
        &self,
        laws: &[PowerLaw],
        lowest: f64,
        switched: bool,
    ) -> Result<Scatter, ScatterError> {
        let chain = self.chain.clone();
        let Some(Element::Average(_, rate)) = chain.average else {
            return Err(ScatterError::NotAveraged);
        };
        if self.needs_frequency || (self.mixed && chain.line.is_none()) {
            return Err(ScatterError::NoFrequency);
        }
        let (line, own) = chain.line.unwrap_or((0.0, 1.0));
        if !self.relative || own < NOTHING {
            return Err(ScatterError::NoSignal);
        }
        let start = rate_at_start(&chain.before, Some(chain.rate)).unwrap_or(chain.rate);
        let seconds = seconds(&chain.before).zip(seconds(&chain.behind));
        let seconds = seconds.map(|(a, b)| a + b).ok_or(ScatterError::TooLong)?;
        // Laws with the same exponent differ in size alone.
        let mut shapes: Vec<PowerLaw> = Vec::new();
        let mut members = Vec::new();
        for law in laws {
            let known = shapes.iter().position(|s| s.exponent == law.exponent);
            let place = known.unwrap_or(shapes.len());
            if known.is_none() {
                shapes.push(PowerLaw {
                    at_1_hz: 1.0,
                    ..*law
                });
            }
            members.push((place, law.at_1_hz));
        }
        let coloured = shapes.iter().any(|law| law.exponent != 0.0);
        let periods = match coloured && line > 0.0 {
            true => PERIODS / line,
            false => 0.0,
        };
        let memory = (rate * (seconds + periods)).ceil() + 2.0;
        let behind = (chain.rate / rate).round();
        let before = (start / chain.rate).round();
        let cells = memory * 2.0 * behind * before;
        let products = cells * (taps(&chain.behind) + taps(&chain.before) * before);
        if cells * shapes.len() as f64 > MOST_CELLS || products > MOST_PRODUCTS {
            return Err(ScatterError::TooLong);
        }
        let count = (2 * memory as usize).next_power_of_two().max(64);
        let width = rate / count as f64;
        let scale = width / (own * own * chain.steady * chain.steady);
        let scale = if self.mixed { scale } else { 0.5 * scale };
        let mut cells = vec![vec![0.0; count]; shapes.len()];
        for image in 0..behind as usize {
            for j in 0..count {
                let offset = image as f64 * rate + j as f64 * width;
                let passed = gain(&chain.behind, offset).norm_sqr() * scale;
                for k in 0..before as usize {
                    let f = line + offset + k as f64 * chain.rate;
                    let f = f - start * (f / start).round();
                    let passed = passed * gain(&chain.before, f).norm_sqr();
                    for (law, cells) in shapes.iter().zip(&mut cells) {
                        let density = match switched {
                            true => odd(law, line, f - line, width, lowest, start),
                            false => law.cell(f, width, lowest),
                        };
                        cells[j] += passed * density;
                    }
                }
            }
        }
        Ok(Scatter {
            rate,
            memory: memory as u64,
            cells,
            laws: members,
            chain,
        })
    }
}

/// Taps of the finite responses in a chain.
fn taps(elements: &[Element]) -> f64 {
    let each = elements.iter().map(|element| match element {
        Element::Taps(taps, _) => taps.len() as f64,
        _ => 0.0,
    });
    each.sum()
}

/// Seconds that a chain remembers.
fn seconds(elements: &[Element]) -> Option<f64> {
    let each = elements.iter().map(|element| {
        let rate = match element {
            Element::Sections(_, rate)
            | Element::Taps(_, rate)
            | Element::Average(_, rate)
            | Element::Periods { rate, .. } => *rate,
            Element::KeepEvery(_) | Element::Mixed => return Some(0.0),
        };
        Some(memory(element, REST)? / rate)
    });
    each.sum()
}

/// The density that a product with the sign of a sine lets in at an offset from the line: that around each
/// odd harmonic k with weight 1/k² (Fourier series of a square wave), folded as samples fold it.
fn odd(law: &PowerLaw, line: f64, offset: f64, width: f64, lowest: f64, rate: f64) -> f64 {
    let at = |k: u32| {
        let f = f64::from(k) * line + offset;
        law.cell(f - rate * (f / rate).round(), width, lowest)
    };
    let weight = |k: u32| 1.0 / f64::from(k * k);
    let followed = (1..=ODD).step_by(2);
    let sum: f64 = followed.clone().map(|k| at(k) * weight(k)).sum();
    // All odd 1/k² together are π²/8.
    let rest =
        std::f64::consts::PI * std::f64::consts::PI / 8.0 - followed.map(weight).sum::<f64>();
    sum + rest * at(ODD + 2)
}

impl Scatter {
    /// Samples that a mean over a time in s has, at least one.
    pub fn samples(&self, seconds: f64) -> f64 {
        (seconds * self.rate).round().max(1.0)
    }

    /// Samples per second that are averaged.
    pub fn rate(&self) -> f64 {
        self.rate
    }

    /// Variance that each of the laws leaves in each part of the mean over a time in s, which is taken for
    /// the nearest number of samples.
    pub fn variances(&self, seconds: f64) -> Vec<f64> {
        let n = self.samples(seconds);
        let each = self.cells.iter().map(|cells| self.variance(cells, n));
        let shapes: Vec<f64> = each.collect();
        let sized = |(place, size): &(usize, f64)| shapes.get(*place).map_or(0.0, |v| v * size);
        self.laws.iter().map(sized).collect()
    }

    /// The correlation R(k) of samples ends within the memory M, so that the variance of the mean of n > M is
    /// ΣR/n - Σ|k|R/n², and the two sums follow from the cell at zero and from the mean of M.
    fn variance(&self, cells: &[f64], n: f64) -> f64 {
        let memory = self.memory as f64;
        if n <= memory {
            return self.summed(cells, n as u64);
        }
        let sum = cells.first().copied().unwrap_or(0.0) * cells.len() as f64;
        let moment = (sum - self.summed(cells, self.memory) * memory) * memory;
        (sum - moment / n) / n
    }

    fn summed(&self, cells: &[f64], n: u64) -> f64 {
        let mean = Element::Average(n, self.rate);
        let width = self.rate / cells.len() as f64;
        let each = cells.iter().enumerate();
        each.map(|(j, power)| power * element_gain(&mean, j as f64 * width).norm_sqr())
            .sum()
    }

    /// Largest root mean square, in each part of the mean over a time in s, of a tone of `f` Hz and peak
    /// amplitude one whose phase is not known. The zeros of the mean count as filled, since mains wander across
    /// them.
    pub fn tone(&self, f: f64, seconds: f64) -> f64 {
        let chain = &self.chain;
        let mean = Element::Average(self.samples(seconds) as u64, self.rate);
        let (line, own) = chain.line.unwrap_or((0.0, 1.0));
        let start = rate_at_start(&chain.before, Some(chain.rate)).unwrap_or(chain.rate);
        let arrives = folded(&chain.before, start, f);
        let carrier = gain(&chain.before, f).norm() / own;
        let side = |at: f64| {
            let passed = gain(&chain.behind, at).norm() / chain.steady * envelope(&mean, at);
            passed * passed
        };
        carrier * (0.5 * (side(arrives - line) + side(arrives + line))).sqrt()
    }
}

#[cfg(test)]
mod tests;
