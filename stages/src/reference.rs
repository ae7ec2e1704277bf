//! `Reference`: the phase of the reference, sample by sample, and how good it is.

mod told;

use std::f64::consts::TAU;
use std::sync::Arc;

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind, Port};
use phasemill_engine::lineage::stated;
use phasemill_engine::stage::{
    Checker, Configured, Fault, Linear, Stage, Told, Work, sampled_input,
};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::units::Unit;

use crate::math::clock::{StatedClock, harmonic};
use crate::math::places::most_lost;
use crate::math::sinefit::FreeSine;
use crate::math::square::SquareChannel;
use crate::math::tracker::Tracker;

mod found;
mod levels;
mod surveying;

use found::{Clock, Quality};
use surveying::{Look, Surveying, Telling};

/// Samples that three edges of one direction take at least, and that tell a sine from a line.
const FEWEST_OF_SQUARE: u64 = 6;
const FEWEST_OF_SINE: u64 = 5;

/// Samples per cycle below which edges that are known to half a sample matter: amplitudes then lose up to 0.4 %.
const FEW_PER_CYCLE: f64 = 20.0;

/// The stage.
pub struct Reference;

impl Stage for Reference {
    fn name(&self) -> &'static str {
        "Reference"
    }

    fn doc(&self) -> &'static str {
        "The phase of a reference in cycles; a whole number is its rising edge or rising zero crossing, so the \
         reference is sin(2*pi*phase). `Square`: edges are found with hysteresis and placed between samples by a \
         straight line; any duty will do; between edges the phase runs evenly. Up to nine missing pulses are \
         bridged, pulses that come between are left out, and a longer stop loses the phase until the next edge; \
         all are told. An edge that jumps from level to level within a sample (by four fifths of their distance, which is \
         not known where `threshold` and `hysteresis` are both stated) is known to half a sample: where sampling keeps \
         step with such a reference, all edges are off alike, and all phases relative to the clock have a type B \
         uncertainty, up to 360 deg*f/rate/sqrt(12) for edges that fall between the same samples in every cycle \
         (rectangular distribution; JCGM 100:2008, 4.3.7), independent from point to point; elsewhere their places are \
         spread, which averages, but lowers amplitudes, as is remarked on from 0.1 %. `Sine`: three-parameter fits (IEEE \
         Std 1057) over blocks of so many `periods`, joined by straight lines, so that drift is followed and noise averaged; \
         a variance s^2 in rad^2 that noise leaves in the phase of a block lowers an amplitude to exp(-s^2/3) of it \
         (derived: two thirds of the variance on the lines), remarked on likewise. Without `near` the largest sine is taken, which \
         may be a harmonic of the reference: a line of more than 10 % of it at its half or third is remarked on, and so is a \
         second harmonic of more than 5 %, since the edges of a square that is up for a part d of a cycle are |90 deg - 180 \
         deg*d| from the zero crossings of its fundamental (Fourier series). A clock that slips by a part of a \
         cycle from one period or block to the next, and then goes on as before, is told of, and its frequency, spread and \
         jitter are those of the stretches between slips. `Stated`: a frequency and phase, counted \
         exactly; through all points that are cut from one record. `Free`: one frequency fitted to the signal itself by a four-parameter sine fit (IEEE Std 1057); \
         the fitted sine then has phase zero. Beside the clock there are the frequency with its uncertainty, its \
         spread from period to period (from block to block for a sine), the jitter of an edge or block against \
         the line through its neighbours, and the numbers of missing and of extra pulses."
    }

    // 2: what edges are off by alike is an uncertainty of all that is relative to the clock; frequencies are not told
    // across slips.
    fn numeric_version(&self) -> u32 {
        2
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "How steady is the chopper?",
    inputs: { "chopper": Wave(unit: "V") },
    stages: { "clock": Reference(of: "chopper", shape: Square(), expect: "20 Hz") },
    results: ["clock.frequency", "clock.spread", "clock.jitter", "clock.missing", "clock.extra"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting(
            "of",
            "the reference channel; for `Stated`, any wave with the same samples",
        )
        .flow();
        let shape = r.setting("shape", "what the channel holds").choice(|c| {
            c.variant("Square", "a square or pulse train", |r| Shape::Square {
                threshold: r
                    .setting(
                        "threshold",
                        "where an edge is; by default midway between the levels",
                    )
                    .optional()
                    .map(|s| s.factor())
                    .map(|c| (c.value, c.unit)),
                hysteresis: r
                    .setting(
                        "hysteresis",
                        "width of the band to be crossed; by default a fifth of the step",
                    )
                    .optional()
                    .map(|s| s.factor())
                    .map(|c| (c.difference(), c.unit)),
                falling: r
                    .setting("edge", "which edge is the whole cycle")
                    .default("Rising")
                    .choice(|c| {
                        c.variant("Rising", "the rising edge", |_| false).variant(
                            "Falling",
                            "the falling edge",
                            |_| true,
                        );
                    })
                    .unwrap_or(false),
            })
            .variant("Sine", "a sine", |r| Shape::Sine {
                near: near(r),
                periods: r
                    .setting(
                        "periods",
                        "length of the blocks in periods: longer ones average more noise, shorter ones follow faster changes",
                    )
                    .default("10")
                    .integer(1, 1_000_000) as u32,
            })
            .variant("Stated", "a stated frequency", |r| Shape::Stated {
                frequency: r
                    .setting("frequency", "the frequency")
                    .quantity("Hz", Range::Positive),
                phase: r
                    .setting("phase", "phase at the first sample of the point, or of the record that it was cut from")
                    .default("\"0 deg\"")
                    .quantity("deg", Range::Any)
                    / TAU,
            })
            .variant(
                "Free",
                "no reference: the frequency is fitted to the signal",
                |r| Shape::Free { near: near(r) },
            );
        });
        let expect = r
            .setting("expect", "frequency expected; another one is a fault")
            .optional();
        let expect = expect.map(|s| s.quantity("Hz", Range::Positive));
        let tolerance = r.setting("tolerance", "how far from the expected frequency it may be");
        let tolerance = tolerance.default("\"2 %\"").quantity("1", Range::Positive);
        Box::new(Settings {
            shape: shape.unwrap_or(Shape::Free { near: None }),
            expect,
            tolerance,
        })
    }
}

fn near(r: &mut Reader<'_>) -> Option<f64> {
    let near = r.setting(
        "near",
        "frequency to look near; by default the strongest line is taken",
    );
    near.optional().map(|s| s.quantity("Hz", Range::Positive))
}

#[derive(Clone)]
#[allow(clippy::large_enum_variant, reason = "one per stage, never in bulk")]
enum Shape {
    /// Threshold and hysteresis in SI units, with their unit.
    Square {
        threshold: Option<(f64, Unit)>,
        hysteresis: Option<(f64, Unit)>,
        falling: bool,
    },
    /// Hz, and periods in a block.
    Sine { near: Option<f64>, periods: u32 },
    /// Hz, and phase in cycles.
    Stated { frequency: f64, phase: f64 },
    /// Hz.
    Free { near: Option<f64> },
}

#[derive(Clone)]
struct Settings {
    shape: Shape,
    /// Hz.
    expect: Option<f64>,
    tolerance: f64,
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let [input] = inputs else { return Vec::new() };
        if !checker.expect_kind(0, input, &[Kind::Wave]) {
            return Vec::new();
        }
        if let Shape::Square {
            threshold,
            hysteresis,
            ..
        } = &self.shape
        {
            levels::check(threshold.as_ref(), hysteresis.as_ref(), input, checker);
        }
        let (known, setting) = match self.shape {
            Shape::Stated { frequency, .. } => (Some(frequency), "shape.frequency"),
            Shape::Sine { near, .. } | Shape::Free { near } => (near, "shape.near"),
            Shape::Square { .. } => (None, "shape"),
        };
        for (frequency, setting) in [(known, setting), (self.expect, "expect")] {
            if let (Some(f), Some(rate)) = (frequency, input.rate)
                && f >= 0.5 * rate
            {
                let message = format!(
                    "expected a frequency below half the sample rate, {} Hz, found {f} Hz",
                    0.5 * rate
                );
                checker.error(
                    setting,
                    Code::Rate,
                    message,
                    "record faster, or state the right frequency",
                );
            }
        }
        let (fewest, what) = match self.shape {
            Shape::Square { .. } => (FEWEST_OF_SQUARE, "three edges"),
            Shape::Sine { .. } | Shape::Free { .. } => (FEWEST_OF_SINE, "a sine"),
            Shape::Stated { .. } => (0, ""),
        };
        if let Some(found) = input.length.filter(|found| *found < fewest) {
            checker.error(
                "of",
                Code::Time,
                format!("expected at least {fewest} samples for {what}, found {found}"),
                "record longer points",
            );
        }
        if let (Shape::Square { .. }, Some(f), Some(rate)) = (&self.shape, self.expect, input.rate)
            && f < 0.5 * rate
            && f * FEW_PER_CYCLE > rate
        {
            let message = format!(
                "{:.1} samples per cycle of the reference are few: an edge that jumps from level to level is known to half \
                 a sample, which lowers amplitudes by up to {:.1} %, or, where sampling keeps step with the reference, \
                 makes phases uncertain by {:.1} deg (standard uncertainty)",
                rate / f,
                100.0 * most_lost(f / rate),
                360.0 * f / rate / 12f64.sqrt()
            );
            let help = "record faster, or slow the edges down by a filter before the converter until each takes several \
                        samples";
            checker.warn("expect", Code::Rate, message, help);
        }
        let sought = (!matches!(self.shape, Shape::Stated { .. }))
            .then(|| known.or(self.expect))
            .flatten();
        if let (Some(f), Some(duration)) = (sought, input.duration())
            && f * duration < 2.0
        {
            checker.error(
                if known.is_some() { setting } else { "expect" },
                Code::Time,
                format!(
                    "expected at least 2 periods in a point, found {} of {} in {}",
                    stated(f * duration, "1"),
                    stated(f, "Hz"),
                    stated(duration, "s")
                ),
                "record longer points, or correct the frequency",
            );
        }
        let frequency = if let Shape::Stated { frequency, .. } = self.shape {
            Some(frequency)
        } else {
            None
        };
        if let Some((found, expected)) = frequency.zip(self.expect)
            && self.differs(found, expected)
        {
            let message = format!(
                "expected the stated frequency, {}, found {}",
                stated(found, "Hz"),
                stated(expected, "Hz")
            );
            checker.error(
                "expect",
                Code::Rate,
                message,
                "leave `expect` out, or correct it",
            );
        }
        let clock = Flow {
            kind: Kind::Clock,
            unit: Unit::one(),
            clock: Some((checker.stage().to_owned(), 1, 1)),
            frequency,
            expected: self.expect.or(known),
            square: matches!(self.shape, Shape::Square { .. }),
            rate: input.rate,
            length: input.length,
            ..Flow::new(Kind::Clock, Unit::one())
        };
        let value = |unit: Unit| Flow::new(Kind::Estimate, unit);
        vec![
            Port::new("", clock),
            Port::new("frequency", value(Unit::hertz())),
            Port::new("spread", value(Unit::hertz())),
            Port::new("jitter", value(Unit::degree())),
            Port::new("missing", value(Unit::one())).bare(),
            Port::new("extra", value(Unit::one())).bare(),
        ]
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        self.told(inputs)
    }

    fn linear(&self, inputs: &[Flow]) -> Option<Linear> {
        let Shape::Stated { frequency, phase } = self.shape else {
            return Some(Linear::Found);
        };
        let clock = StatedClock::new(frequency, inputs.first()?.rate?, phase);
        let cycles = move |sample, n, m| harmonic(clock.phase(sample), n, m);
        Some(Linear::Steady(Arc::new(cycles)))
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (_, rate) = sampled_input(inputs)?;
        let settings = self.clone();
        Ok(match &self.shape {
            Shape::Stated { frequency, phase } => {
                let clock = Clock::Stated(StatedClock::new(*frequency, rate, *phase));
                let quality = Quality {
                    frequency: *frequency,
                    ..Quality::default()
                };
                Work::Stream(Box::new(move || {
                    Box::new(Telling::new(clock.clone(), quality.clone()))
                }))
            }
            Shape::Square {
                threshold,
                hysteresis,
                falling,
            } => {
                let threshold = threshold.as_ref().map(|(v, _)| *v);
                let hysteresis = hysteresis.as_ref().map(|(v, _)| *v);
                let falling = *falling;
                Work::Survey(Box::new(move || {
                    let look = Look::Square(SquareChannel::new(threshold, hysteresis, falling));
                    Box::new(Surveying::new(settings.clone(), rate, look))
                }))
            }
            Shape::Sine { periods, .. } => {
                let (near, periods) = (self.near(), *periods);
                Work::Survey(Box::new(move || {
                    let look = Look::Sine(Box::new(Tracker::new(rate, near, periods)));
                    Box::new(Surveying::new(settings.clone(), rate, look))
                }))
            }
            Shape::Free { .. } => {
                let near = self.near();
                Work::Survey(Box::new(move || {
                    let look = Look::Free(Box::new(FreeSine::new(rate, near)));
                    Box::new(Surveying::new(settings.clone(), rate, look))
                }))
            }
        })
    }
}

impl Settings {
    /// Whether a frequency is farther from the expected one than the tolerance, both in Hz.
    fn differs(&self, found: f64, expected: f64) -> bool {
        (found - expected).abs() > self.tolerance * expected
    }

    /// The frequency in Hz to look near.
    fn near(&self) -> Option<f64> {
        match self.shape {
            Shape::Sine { near, .. } | Shape::Free { near } => near.or(self.expect),
            _ => None,
        }
    }

    /// Refuses a frequency other than the one expected; remarks on one that is hard to sample, and on a
    /// reference that begins late or ends early in a point of `seen` samples.
    fn accept(
        &self,
        made: (Clock, Quality),
        rate: f64,
        seen: u64,
    ) -> Result<(Clock, Quality), Fault> {
        let (clock, mut quality) = made;
        let found = quality.frequency;
        if let Some(expected) = self.expect.filter(|f| self.differs(found, *f)) {
            return Err(Fault::Reference {
                found: format!(
                    "expected {} within {}, found {}",
                    stated(expected, "Hz"),
                    stated(self.tolerance, "%"),
                    stated(found, "Hz")
                ),
                remedy: "check the reference's cable and setting, or correct `expect`",
            });
        }
        if found > 0.25 * rate {
            quality.remarks.push(format!(
                "fewer than four samples per cycle of the reference, {} at {}",
                stated(found, "Hz"),
                stated(rate, "Hz")
            ));
        }
        if let Clock::Model(model) = &clock {
            let (from, to) = model.told();
            if from > 0.0 || to < seen.saturating_sub(1) as f64 {
                quality.up = None;
            }
            if from > 0.0 {
                quality.remarks.push(format!(
                    "no reference before sample {from:.0}; the phase is unknown there"
                ));
            }
            if to < seen.saturating_sub(1) as f64 {
                quality.remarks.push(format!(
                    "no reference after sample {to:.0}; the phase is unknown there"
                ));
            }
        }
        Ok((clock, quality))
    }
}

#[cfg(test)]
mod tests;
