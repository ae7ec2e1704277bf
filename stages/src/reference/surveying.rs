//! A reference channel as it is looked at, and its clock as it is told.

use std::any::Any;
use std::f64::consts::TAU;
use std::sync::Arc;

use phasemill_engine::constant::Distribution;
use phasemill_engine::flow::{Buffer, Phase, Samples};
use phasemill_engine::stage::{Apart, ClockFound, Closing, Fault, Kernel, Phases, Survey};
use phasemill_engine::value::{About, Estimate, Evaluation, Part, Reach, Value};

use super::Settings;
use super::found::{Clock, Quality, from_edges, from_signal, from_sine};
use crate::math::sinefit::FreeSine;
use crate::math::square::{SquareChannel, SquareSlab};
use crate::math::tracker::Tracker;

/// What looks at the channel.
pub enum Look {
    /// For edges.
    Square(SquareChannel),
    /// For a sine that may drift.
    Sine(Box<Tracker>),
    /// For one frequency.
    Free(Box<FreeSine>),
}

/// Looks at a channel, and then knows the clock.
pub struct Surveying {
    settings: Settings,
    rate: f64,
    look: Option<Look>,
    /// Samples looked at.
    seen: u64,
    made: Option<(Clock, Quality)>,
}

impl Surveying {
    /// A look at a channel of so many samples per second.
    pub fn new(settings: Settings, rate: f64, look: Look) -> Self {
        Surveying {
            settings,
            rate,
            look: Some(look),
            seen: 0,
            made: None,
        }
    }
}

impl Survey for Surveying {
    fn look(&mut self, inputs: &[Samples<'_>]) -> Result<(), Fault> {
        let samples = inputs.first().map_or(&[][..], |s| s.wave());
        self.seen += samples.len() as u64;
        match &mut self.look {
            Some(Look::Square(look)) => look.push(samples),
            Some(Look::Sine(tracker)) => tracker.push(samples),
            Some(Look::Free(sine)) => sine.push(samples),
            None => {}
        }
        Ok(())
    }

    fn is_apart(&self) -> bool {
        matches!(self.look, Some(Look::Square(_)))
    }

    fn apart(&self, start: u64) -> Option<Box<dyn Apart>> {
        match &self.look {
            Some(Look::Square(look)) => Some(Box::new(look.slab(start)?)),
            _ => None,
        }
    }

    fn take(&mut self, slab: Box<dyn Apart>) -> bool {
        let slab: Box<dyn Any> = slab;
        let (Some(Look::Square(look)), Ok(slab)) = (&mut self.look, slab.downcast::<SquareSlab>())
        else {
            return false;
        };
        let seen = slab.seen();
        let taken = look.take(*slab);
        self.seen += if taken { seen } else { 0 };
        taken
    }

    fn kernel(&mut self) -> Result<Box<dyn Kernel>, Fault> {
        if let Some(look) = self.look.take() {
            let made = match look {
                Look::Square(look) => from_edges(look, self.rate)?,
                Look::Sine(tracker) => from_sine(*tracker, self.settings.near().is_some())?,
                Look::Free(sine) => from_signal(*sine, self.rate, self.settings.near())?,
            };
            self.made = Some(self.settings.accept(made, self.rate, self.seen)?);
        }
        match &self.made {
            Some((clock, quality)) => Ok(Box::new(Telling::new(clock.clone(), quality.clone()))),
            None => Err(Fault::Reference {
                found: "nothing was looked at".into(),
                remedy: "check the channel",
            }),
        }
    }

    fn phases(&self) -> Option<Arc<dyn Phases>> {
        let (clock, _) = self.made.as_ref()?;
        Some(match clock {
            Clock::Model(model) => Arc::new(model.clone()),
            Clock::Stated(stated) => Arc::new(*stated),
        })
    }
}

impl Apart for SquareSlab {
    fn look(&mut self, samples: &[f64]) {
        self.push(samples);
    }
}

/// Tells the phase sample by sample, and in the end how good it is.
pub struct Telling {
    clock: Clock,
    quality: Quality,
    next: u64,
    /// What a stated clock is ahead by, in cycles.
    ahead: f64,
}

impl Telling {
    /// Tells of a clock.
    pub fn new(clock: Clock, quality: Quality) -> Self {
        Telling {
            clock,
            quality,
            next: 0,
            ahead: 0.0,
        }
    }
}

impl Kernel for Telling {
    /// A stated clock goes on from the first sample of a record; it is the only one that is not looked for in the point.
    fn begin(&mut self, place: f64) {
        self.next = place as u64;
        if let Clock::Stated(stated) = &self.clock {
            self.ahead = place.fract() * stated.line(0).slope;
        }
    }

    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let length = inputs.first().map_or(0, Samples::len) as u64;
        if let Some(out) = outputs.first_mut().and_then(Buffer::clock) {
            let ahead = self.ahead;
            let phases = (self.next..self.next + length).map(|i| self.clock.phase(i));
            out.extend(phases.map(|phase| match phase.fraction + ahead {
                _ if ahead == 0.0 => phase,
                fraction => Phase {
                    cycle: phase.cycle + i64::from(fraction >= 1.0),
                    fraction: fraction - fraction.floor(),
                },
            }));
        }
        self.next += length;
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let quality = &self.quality;
        let frequency = Estimate {
            parts: quality.frequency_u.map(|u| {
                let noise = About::scatter("phase noise", Reach::Node, f64::INFINITY);
                vec![Part::new(&noise, 0, u)]
            }),
            ..Estimate::real(quality.frequency)
        };
        let plain = [
            quality.spread,
            quality.jitter * TAU,
            quality.missing as f64,
            quality.extra as f64,
        ];
        let values = std::iter::once(frequency)
            .chain(plain.map(Estimate::real))
            .map(Value::Estimate)
            .collect();
        let places = About {
            evaluation: Evaluation::Stated,
            distribution: Distribution::Rectangular,
            ..About::new(
                "places of edges between samples",
                Reach::Clock,
                f64::INFINITY,
            )
        };
        let places = Arc::new(places);
        Ok(Closing {
            values,
            clock: Some(ClockFound {
                phase: quality.phase_u.map(|u| Part::new(&places, 0, u)),
                up: quality.up,
            }),
            remarks: quality.remarks.clone(),
            ..Closing::default()
        })
    }
}
