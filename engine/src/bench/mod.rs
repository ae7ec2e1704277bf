//! A bench before it measures: signal, offset, sources of noise and converter, as a text that is read and
//! written. What follows from it is in `expect`.

mod kinds;
mod read;
mod write;

pub use read::settings;

use crate::units::Unit;

/// Most sources of noise that a bench may have.
pub const MOST_SOURCES: usize = 1000;

/// A bench. Values are in SI units and, unless told otherwise, referred to what is recorded.
#[derive(Clone, Debug, PartialEq)]
pub struct Bench {
    /// What it is.
    pub title: String,
    /// Unit of the recorded samples.
    pub unit: Unit,
    /// Peak amplitude of the signal; `None` where none is stated.
    pub signal: Option<f64>,
    /// Steady level under the signal.
    pub offset: f64,
    /// Sources of noise, with names that differ.
    pub sources: Vec<Source>,
    /// The converter.
    pub converter: Converter,
    /// Frequency of the mains in Hz, where it is stated.
    pub mains: Option<f64>,
}

/// A source of noise.
#[derive(Clone, Debug, PartialEq)]
pub struct Source {
    /// Its name.
    pub name: String,
    /// What it does.
    pub noise: Noise,
}

/// What a source does. Densities are one-sided amplitude densities, in units of the recording per √Hz.
#[derive(Clone, Debug, PartialEq)]
pub enum Noise {
    /// The same density at all frequencies.
    White {
        /// Density.
        density: f64,
    },
    /// Density that falls with frequency: its square is density²·(corner/f)^exponent.
    Flicker {
        /// Density at the corner.
        density: f64,
        /// Frequency in Hz at which it has that density.
        corner: f64,
        /// Exponent of the power density, 1 for 1/f noise.
        exponent: f64,
    },
    /// Thermal noise of a resistor: √(4kTR) in V/√Hz, or √(4kT/R) in A/√Hz.
    Johnson {
        /// Resistance in Ω.
        resistance: f64,
        /// Temperature in K.
        temperature: f64,
        /// How it is recorded.
        gain: Gain,
    },
    /// Shot noise of a current: √(2qI) in A/√Hz.
    Shot {
        /// Mean current in A.
        current: f64,
        /// What is recorded, per ampere.
        gain: f64,
    },
    /// A steady tone, such as a multiple of the mains.
    Line {
        /// Frequency in Hz.
        frequency: f64,
        /// Peak amplitude.
        amplitude: f64,
    },
}

/// What is recorded of a resistor's noise.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Gain {
    /// Of its noise voltage, per volt.
    Voltage(f64),
    /// Of its noise current, per ampere.
    Current(f64),
}

/// A converter.
#[derive(Clone, Debug, PartialEq)]
pub struct Converter {
    /// Samples per second.
    pub rate: f64,
    /// Largest absolute value that it converts.
    pub full_scale: Option<f64>,
    /// Bits, which span twice the full scale; `None` where its steps do not count.
    pub bits: Option<u32>,
}

impl Converter {
    /// The step from code to code, 2·full scale/2^bits.
    pub fn step(&self) -> Option<f64> {
        Some(2.0 * self.full_scale? / libm::exp2(f64::from(self.bits?)))
    }
}

#[cfg(test)]
mod tests;
