//! How steady a channel is that may be a reference, by the edges or the sine in it.

use crate::math::edges::EdgeTrain;
use crate::math::square::SquareChannel;
use crate::math::tracker::{PERIODS, Tracker};

/// A channel looked at as a reference, as its samples stream by.
pub struct Watch {
    rate: f64,
    look: Look,
}

enum Look {
    Square(SquareChannel),
    Sine(Box<Tracker>),
}

/// What a reference was found to be.
#[derive(Clone, Debug, PartialEq)]
pub struct Steadiness {
    /// Whether it is a square or a pulse train; else a sine.
    pub square: bool,
    /// Mean frequency in Hz.
    pub frequency: f64,
    /// Its standard uncertainty in Hz.
    pub frequency_u: f64,
    /// Standard deviation of the frequency in Hz: from period to period for a square, from block to block
    /// of ten periods for a sine.
    pub spread: f64,
    /// Root mean square deviation of an edge, or of the phase of a block, from the line through its
    /// neighbours, in cycles.
    pub jitter: f64,
    /// Part of the time that a square is up.
    pub duty: Option<f64>,
    /// Pulses that are missing.
    pub missing: u64,
    /// Edges that come between.
    pub extra: u64,
    /// Stretches without a reference, in samples.
    pub lost: Vec<(f64, f64)>,
}

impl Watch {
    /// For samples at a rate in Hz, of a square or pulse train, or else of a sine near a frequency in Hz.
    pub fn new(rate: f64, square: bool, near: f64) -> Self {
        Watch {
            rate,
            look: match square {
                true => Look::Square(SquareChannel::new(None, None, false)),
                false => Look::Sine(Box::new(Tracker::new(rate, Some(near), PERIODS))),
            },
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, samples: &[f64]) {
        match &mut self.look {
            Look::Square(square) => square.push(samples),
            Look::Sine(tracker) => tracker.push(samples),
        }
    }

    /// What was found; `None` where nothing is steady enough for a reference.
    pub fn finish(self) -> Option<Steadiness> {
        match self.look {
            Look::Square(square) => {
                let found = square.finish();
                let train = EdgeTrain::analyse(&found.at).filter(EdgeTrain::is_steady)?;
                Some(Steadiness {
                    square: true,
                    frequency: train.frequency * self.rate,
                    frequency_u: train.frequency_u * self.rate,
                    spread: train.spread * self.rate,
                    jitter: train.jitter,
                    duty: Some(found.up),
                    missing: train.missing.iter().map(|(_, n)| n).sum(),
                    extra: train.extra.len() as u64,
                    lost: train.lost,
                })
            }
            Look::Sine(tracker) => {
                let found = tracker.finish().ok().filter(|t| t.jitter <= 0.15)?;
                Some(Steadiness {
                    square: false,
                    frequency: found.frequency,
                    frequency_u: found.frequency_u,
                    spread: found.spread,
                    jitter: found.jitter,
                    duty: None,
                    missing: 0,
                    extra: 0,
                    lost: found.lost,
                })
            }
        }
    }
}
