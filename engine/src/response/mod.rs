//! The linear, time-invariant part of the way from an input to a flow, and what it does: from designed
//! coefficients alone, so that it is known before a sample is read.

mod chain;
mod figures;
mod frequency;
mod known;
mod noise;
mod scatter;
mod settling;
mod shape;
mod weights;

pub use chain::{Arrival, Chain, Image, Rejection, decibels};
use chain::{folded, rate_at_start};
pub use figures::Figures;
pub use scatter::{PowerLaw, Scatter, ScatterError};
pub use shape::NoiseShape;
pub(crate) use weights::{Weights, covariances};

/// One linear element.
#[derive(Clone, Debug, PartialEq)]
pub enum Element {
    /// Second-order sections `[b0, b1, b2, a1, a2]` at a rate in Hz.
    Sections(Vec<[f64; 5]>, f64),
    /// Finite impulse response at a rate in Hz.
    Taps(Vec<f64>, f64),
    /// Mean over whole periods of a clock, the samples joined by straight lines.
    Periods {
        /// Samples in those periods, not a whole number as a rule; `None` where the frequency is not
        /// known before the run.
        samples: Option<f64>,
        /// Rate in Hz.
        rate: f64,
        /// Whether the frequency is stated. One that is only expected does not count in the settling
        /// time: the output is missing until the periods are full.
        stated: bool,
    },
    /// Mean over this many samples at a rate in Hz that makes a value of a point. It takes no part in
    /// settling: what is averaged has settled before.
    Average(u64, f64),
    /// Every n-th sample is kept.
    KeepEvery(u64),
    /// From here on frequencies are relative to a harmonic of the reference.
    Mixed,
}

impl Element {
    /// Samples of a mean over periods that counts in the settling time.
    fn counted_periods(&self) -> Option<u64> {
        match self {
            Element::Periods {
                samples: Some(samples),
                stated: true,
                ..
            } => Some(samples.ceil().max(1.0) as u64),
            _ => None,
        }
    }
}

/// A chain of linear elements, in the order in which samples pass them.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Response {
    /// The elements.
    pub elements: Vec<Element>,
}

impl Element {
    /// Whether what it does depends on a frequency that only the run finds.
    pub(crate) fn awaits_frequency(&self) -> bool {
        matches!(self, Element::Periods { samples: None, .. })
    }
}

impl Response {
    /// Whether a part of it depends on a frequency that only the run finds, and is left out of what it says.
    pub fn awaits_frequency(&self) -> bool {
        self.elements.iter().any(Element::awaits_frequency)
    }

    /// The chain with one more element.
    pub fn then(mut self, element: Element) -> Self {
        self.elements.push(element);
        self
    }

    /// The two chains of a product or sum of flows: the slower one, as far as settling goes.
    pub fn slower(self, other: Response) -> Response {
        let settle = |r: &Response| r.settling_time(1e-4).unwrap_or(f64::INFINITY);
        if self != other && settle(&other) > settle(&self) {
            other
        } else {
            self
        }
    }

    /// Seconds after which the answer to a step stays within `fraction` of its end value.
    ///
    /// The step response of the chain behind the last mixing is computed from the coefficients. What
    /// lies before the mixing acts on the carrier; its settling to the same fraction is added, which
    /// is never too short. `None` when the chain would have to be followed for more than 2^28
    /// samples.
    pub fn settling_time(&self, fraction: f64) -> Option<f64> {
        let parts = self.elements.split(|e| *e == Element::Mixed);
        parts
            .map(|part| settling::settling_of(part, fraction))
            .sum()
    }

    /// How far from the signal, in Hz, noise is as flat as in front of filters before the mixing, whatever its frequency: what
    /// has settled to 1 % within a time has no structure much finer than the inverse of that.
    pub fn flat_around_signal(&self) -> f64 {
        /// At a tenth of it one pole of time constant τ, settled after 4.6 τ, has lost 2 % of the power.
        const PART: f64 = 0.1;
        let (before, _) = self.around_mixing();
        let settled = settling::settling_of(before, 0.01);
        settled.map_or(0.0, |seconds| PART / seconds)
    }

    /// By how much the mean from `skip` to `duration` seconds is too small, in parts, of a signal that is there from
    /// the start: what is left of the step there, behind the last mixing. `None` where the chain has no end value or
    /// cannot be followed for that long.
    pub fn left_of_step(&self, skip: f64, duration: f64) -> Option<f64> {
        let behind = self.elements.rsplit(|e| *e == Element::Mixed).next()?;
        settling::left_of_step(behind, skip, duration)
    }
}
