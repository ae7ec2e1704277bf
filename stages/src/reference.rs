//! `Reference`: the phase of the reference, sample by sample, and how good it is.

use std::f64::consts::TAU;

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Phase, Port, Samples};
use phasemill_engine::stage::{Checker, Closing, Configured, Fault, Kernel, Stage, Survey, Work};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::units::Unit;
use phasemill_engine::value::{Estimate, Part, Source, Value};

use crate::math::clock::{ClockModel, StatedClock};
use crate::math::edges::{EdgeFinder, EdgeTrain, Levels};
use crate::math::sinefit::{FreeSine, Parameter};
use crate::math::tracker::Tracker;

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
         all are told. `Sine`: three-parameter fits (IEEE Std 1057) over blocks of ten periods, joined by \
         straight lines, so that drift is followed and noise averaged. `Stated`: a frequency and phase, counted \
         exactly. `Free`: one frequency fitted to the signal itself by a four-parameter sine fit (IEEE Std 1057); \
         the fitted sine then has phase zero. Beside the clock there are the frequency with its uncertainty, its \
         spread from period to period (from block to block for a sine), the jitter of an edge or block against \
         the line through its neighbours, and the numbers of missing and of extra pulses."
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
                    .map(|c| (c.value, c.unit)),
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
            .variant("Sine", "a sine", |r| Shape::Sine { near: near(r) })
            .variant("Stated", "a stated frequency", |r| Shape::Stated {
                frequency: r
                    .setting("frequency", "the frequency")
                    .quantity("Hz", Range::Positive),
                phase: r
                    .setting("phase", "phase at the first sample")
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
enum Shape {
    /// Threshold and hysteresis in SI units, with their unit.
    Square {
        threshold: Option<(f64, Unit)>,
        hysteresis: Option<(f64, Unit)>,
        falling: bool,
    },
    /// Hz.
    Sine { near: Option<f64> },
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
            for (setting, value) in [
                ("shape.threshold", threshold),
                ("shape.hysteresis", hysteresis),
            ] {
                if let Some((_, unit)) = value
                    .as_ref()
                    .filter(|(_, unit)| !unit.same_dimension(&input.unit))
                {
                    let message =
                        format!("expected a level in {}, found one in {unit}", input.unit);
                    checker.error(
                        setting,
                        Code::Unit,
                        message,
                        "give it in the unit of the channel",
                    );
                }
            }
        }
        let (stated, setting) = match self.shape {
            Shape::Stated { frequency, .. } => (Some(frequency), "shape.frequency"),
            Shape::Sine { near } | Shape::Free { near } => (near, "shape.near"),
            Shape::Square { .. } => (None, "shape"),
        };
        for (frequency, setting) in [(stated, setting), (self.expect, "expect")] {
            if let (Some(f), Some(rate)) = (frequency, input.rate) {
                if f >= 0.5 * rate {
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
        }
        let frequency = if let Shape::Stated { frequency, .. } = self.shape {
            Some(frequency)
        } else {
            None
        };
        let clock = Flow {
            kind: Kind::Clock,
            unit: Unit::one(),
            clock: Some((checker.stage().to_owned(), 1, 1)),
            frequency,
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
            Port::new("missing", value(Unit::one())),
            Port::new("extra", value(Unit::one())),
        ]
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let rate = inputs.first().and_then(|f| f.rate);
        let rate = rate.ok_or(Fault::TooFew {
            what: "sample rates",
            needed: 1,
            found: 0,
        })?;
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
                    let look = Look::Square(SquareLook {
                        threshold,
                        hysteresis,
                        falling,
                        first: Vec::new(),
                        finder: None,
                    });
                    Box::new(Surveying {
                        settings: settings.clone(),
                        rate,
                        look: Some(look),
                        made: None,
                    })
                }))
            }
            Shape::Sine { near } => {
                let near = near.or(self.expect);
                Work::Survey(Box::new(move || {
                    let look = Look::Sine(Box::new(Tracker::new(rate, near)));
                    Box::new(Surveying {
                        settings: settings.clone(),
                        rate,
                        look: Some(look),
                        made: None,
                    })
                }))
            }
            Shape::Free { near } => {
                let near = near.or(self.expect);
                Work::Survey(Box::new(move || {
                    let look = Look::Free(Box::new(FreeSine::new(rate, near)));
                    Box::new(Surveying {
                        settings: settings.clone(),
                        rate,
                        look: Some(look),
                        made: None,
                    })
                }))
            }
        })
    }
}

/// Samples from which the levels of a square channel are found.
const FIRST: usize = 1 << 20;

struct SquareLook {
    threshold: Option<f64>,
    hysteresis: Option<f64>,
    falling: bool,
    first: Vec<f64>,
    finder: Option<EdgeFinder>,
}

impl SquareLook {
    fn push(&mut self, samples: &[f64]) {
        if let Some(finder) = &mut self.finder {
            return finder.push(samples);
        }
        let room = (FIRST - self.first.len()).min(samples.len());
        self.first.extend_from_slice(&samples[..room]);
        if self.first.len() == FIRST {
            self.begin();
            self.push_rest(&samples[room..]);
        }
    }

    fn push_rest(&mut self, samples: &[f64]) {
        if let Some(finder) = &mut self.finder {
            finder.push(samples);
        }
    }

    fn begin(&mut self) {
        let found = Levels::of(&self.first);
        let levels = match (self.threshold, found) {
            (Some(threshold), found) => Levels {
                threshold,
                hysteresis: found.map_or(0.0, |l| l.hysteresis),
            },
            (None, Some(levels)) => levels,
            // A channel that never moves has its threshold where no sample crosses it.
            (None, None) => Levels {
                threshold: f64::INFINITY,
                hysteresis: 0.0,
            },
        };
        let levels = Levels {
            hysteresis: self.hysteresis.unwrap_or(levels.hysteresis),
            ..levels
        };
        let mut finder = EdgeFinder::new(levels, self.falling);
        finder.push(&std::mem::take(&mut self.first));
        self.finder = Some(finder);
    }

    fn finish(mut self) -> (Vec<f64>, f64) {
        if self.finder.is_none() {
            self.begin();
        }
        self.finder.map_or((Vec::new(), 0.0), EdgeFinder::finish)
    }
}

enum Look {
    Square(SquareLook),
    Sine(Box<Tracker>),
    Free(Box<FreeSine>),
}

struct Surveying {
    settings: Settings,
    rate: f64,
    look: Option<Look>,
    made: Option<(Clock, Quality)>,
}

impl Survey for Surveying {
    fn look(&mut self, inputs: &[Samples<'_>]) -> Result<(), Fault> {
        let samples = inputs.first().map_or(&[][..], |s| s.wave());
        match &mut self.look {
            Some(Look::Square(look)) => look.push(samples),
            Some(Look::Sine(tracker)) => tracker.push(samples),
            Some(Look::Free(sine)) => sine.push(samples),
            None => {}
        }
        Ok(())
    }

    fn kernel(&mut self) -> Result<Box<dyn Kernel>, Fault> {
        if let Some(look) = self.look.take() {
            let made = match look {
                Look::Square(look) => from_edges(look, self.rate)?,
                Look::Sine(tracker) => from_sine(*tracker)?,
                Look::Free(sine) => from_signal(*sine, self.rate)?,
            };
            self.made = Some(self.settings.accept(made, self.rate)?);
        }
        match &self.made {
            Some((clock, quality)) => Ok(Box::new(Telling::new(clock.clone(), quality.clone()))),
            None => Err(Fault::Reference {
                found: "nothing was looked at".into(),
                remedy: "check the channel",
            }),
        }
    }
}

impl Settings {
    /// Refuses a frequency other than the one expected, and remarks on one that is hard to sample.
    fn accept(&self, made: (Clock, Quality), rate: f64) -> Result<(Clock, Quality), Fault> {
        let (clock, mut quality) = made;
        let found = quality.frequency;
        if let Some(expected) = self
            .expect
            .filter(|f| (found - f).abs() > self.tolerance * f)
        {
            return Err(Fault::Reference {
                found: format!(
                    "expected {expected} Hz within {} %, found {found:.6} Hz",
                    100.0 * self.tolerance
                ),
                remedy: "check the reference's cable and setting, or correct `expect`",
            });
        }
        if found > 0.25 * rate {
            quality.remarks.push(format!(
                "fewer than four samples per cycle of the reference, {found:.3} Hz at {rate} Hz"
            ));
        }
        Ok((clock, quality))
    }
}

fn from_edges(look: SquareLook, rate: f64) -> Result<(Clock, Quality), Fault> {
    let falling = look.falling;
    let (edges, above) = look.finish();
    // A falling edge is sought in the channel turned over.
    let high = if falling { 1.0 - above } else { above };
    let no_train = |found: String| Fault::Reference {
        found,
        remedy: "check that this channel holds the reference, or give its `threshold` and `hysteresis`",
    };
    let train = EdgeTrain::analyse(&edges)
        .ok_or_else(|| no_train(format!("{} edges, too few to tell a period", edges.len())))?;
    // Edges anywhere in the period, or a phase that is lost again and again, are noise: at least one
    // edge in thirteen loses it there, and fewer than one in a hundred in a bad but usable train.
    if 20 * train.lost.len() > edges.len() || train.jitter > 0.15 {
        return Err(no_train(format!(
            "{} edges without a steady period: {} missing, {} extra, {} stops, jitter {:.3} cycles",
            edges.len(),
            train.missing.len(),
            train.extra.len(),
            train.lost.len(),
            train.jitter
        )));
    }
    let mut remarks = Vec::new();
    let pulses: u64 = train.missing.iter().map(|(_, n)| n).sum();
    if let Some((at, _)) = train.missing.first() {
        remarks.push(format!(
            "{pulses} pulses missing, the first near sample {at:.0}; bridged"
        ));
    }
    if let Some(at) = train.extra.first() {
        remarks.push(format!(
            "{} pulses between the others, the first at sample {at:.0}; left out",
            train.extra.len()
        ));
    }
    remarks.extend(train.lost.iter().take(3).map(|(a, b)| {
        format!("no pulses from sample {a:.0} to {b:.0}; the phase is unknown there")
    }));
    if !(0.02..=0.98).contains(&high) {
        remarks.push(format!("up for {:.2} % of the time only", 100.0 * high));
    }
    let quality = Quality {
        frequency: train.frequency * rate,
        frequency_u: Some(train.frequency_u * rate),
        spread: train.spread * rate,
        jitter: train.jitter,
        missing: pulses,
        extra: train.extra.len() as u64,
        remarks,
    };
    Ok((Clock::Model(train.clock), quality))
}

fn from_sine(tracker: Tracker) -> Result<(Clock, Quality), Fault> {
    let tracked = tracker.finish().map_err(|e| Fault::Reference {
        found: e.to_string(),
        remedy: "check that this channel holds a sine, or say where to look with `near`",
    })?;
    if tracked.jitter > 0.15 {
        return Err(Fault::Reference {
            found: format!(
                "a phase that jumps by {:.3} cycles from block to block",
                tracked.jitter
            ),
            remedy: "check that this channel holds a sine, or say where to look with `near`",
        });
    }
    let told = tracked.lost.iter().take(3);
    let remarks = told
        .map(|(a, b)| format!("no sine from sample {a:.0} to {b:.0}; the phase is unknown there"))
        .collect();
    let quality = Quality {
        frequency: tracked.frequency,
        frequency_u: Some(tracked.frequency_u),
        spread: tracked.spread,
        jitter: tracked.jitter,
        remarks,
        ..Quality::default()
    };
    Ok((Clock::Model(tracked.clock), quality))
}

fn from_signal(sine: FreeSine, rate: f64) -> Result<(Clock, Quality), Fault> {
    let fit = sine.finish().map_err(|e| Fault::Reference {
        found: e.to_string(),
        remedy: "record longer, or say where to look with `near`",
    })?;
    let quality = Quality {
        frequency: fit.frequency,
        frequency_u: Some(fit.standard_error(Parameter::Frequency)),
        ..Quality::default()
    };
    Ok((
        Clock::Stated(StatedClock::new(fit.frequency, rate, fit.phase / TAU)),
        quality,
    ))
}

#[derive(Clone, Debug)]
enum Clock {
    Model(ClockModel),
    Stated(StatedClock),
}

impl Clock {
    fn phase(&mut self, i: u64) -> Phase {
        match self {
            Clock::Model(model) => model.phase(i),
            Clock::Stated(stated) => stated.phase(i),
        }
    }
}

#[derive(Clone, Debug, Default)]
struct Quality {
    /// Hz.
    frequency: f64,
    /// Hz.
    frequency_u: Option<f64>,
    /// Hz.
    spread: f64,
    /// Cycles.
    jitter: f64,
    missing: u64,
    extra: u64,
    remarks: Vec<String>,
}

struct Telling {
    clock: Clock,
    quality: Quality,
    next: u64,
}

impl Telling {
    fn new(clock: Clock, quality: Quality) -> Self {
        Telling {
            clock,
            quality,
            next: 0,
        }
    }
}

impl Kernel for Telling {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        let length = inputs.first().map_or(0, Samples::len) as u64;
        if let Some(out) = outputs.first_mut().and_then(Buffer::clock) {
            out.extend((self.next..self.next + length).map(|i| self.clock.phase(i)));
        }
        self.next += length;
        Ok(())
    }

    fn finish(&mut self) -> Result<Closing, Fault> {
        let quality = &self.quality;
        let frequency = Estimate {
            parts: quality.frequency_u.map(|u| {
                let source = Source {
                    name: "phase noise".into(),
                    index: 0,
                    degrees_of_freedom: f64::INFINITY,
                };
                vec![Part {
                    source,
                    effect: u.into(),
                }]
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
        Ok(Closing {
            values,
            remarks: quality.remarks.clone(),
        })
    }
}

#[cfg(test)]
mod tests {
    use phasemill_engine::testing::{self, Given};

    use super::*;

    const RATE: f64 = 10e3;

    fn given(text: &str, samples: &[f64]) -> Result<Given, Fault> {
        let flow = Flow {
            rate: Some(RATE),
            ..Flow::new(Kind::Wave, Unit::parse("V").expect("a unit"))
        };
        testing::run_every_way(&Reference, text, &[], &[flow], &[Samples::Wave(samples)])
    }

    fn value(given: &Given, k: usize) -> f64 {
        given.closing.values[k]
            .estimate()
            .expect("a value")
            .value
            .re
    }

    fn square(frequency: f64, duty: f64, samples: u32) -> Vec<f64> {
        (0..samples)
            .map(|i| {
                if (f64::from(i) * frequency / RATE + 0.3) % 1.0 < duty {
                    5.0
                } else {
                    0.0
                }
            })
            .collect()
    }

    /// An edge between two samples is placed midway, so a phase is right within half a sample; up to 1.5
    /// periods beyond the outermost edges the slope over eight periods adds 1.5/8 of a sample.
    #[test]
    fn a_square_of_any_duty_gives_its_phase() {
        for duty in [0.5, 0.1, 0.8] {
            let given = given(
                r#"Reference(of: "x", shape: Square())"#,
                &square(123.0, duty, 5000),
            )
            .expect("a clock");
            assert!(
                (value(&given, 0) - 123.0).abs() < 0.02,
                "{}",
                value(&given, 0)
            );
            let off = |(i, p): (usize, &Phase)| {
                let exact = i as f64 * 123.0 / RATE + 0.3;
                let off = p.cycle as f64 + p.fraction - exact;
                (off - off.round()).abs()
            };
            let worst = given.buffers[0]
                .samples()
                .clock()
                .iter()
                .enumerate()
                .map(off)
                .fold(0.0, f64::max);
            assert!(worst <= 0.69 * 123.0 / RATE, "{duty}: {worst}");
        }
    }

    #[test]
    fn a_falling_edge_is_where_the_pulse_ends() {
        let text = r#"Reference(of: "x", shape: Square(edge: Falling))"#;
        let given = given(text, &square(100.0, 0.25, 5000)).expect("a clock");
        // The pulse ends at phase 0.25 of the square, which begins at 0.3: whole cycles at 0.95 periods.
        let phase = given.buffers[0].samples().clock()[95];
        let off = phase.fraction - phase.fraction.round();
        assert!(off.abs() <= 0.0051, "{phase:?}");
    }

    #[test]
    fn a_sine_a_stated_and_a_free_reference_agree() {
        let samples: Vec<f64> = (0..5000)
            .map(|i| libm::sin(TAU * (100.0 * f64::from(i) / RATE + 0.2)))
            .collect();
        for text in [
            r#"Reference(of: "x", shape: Sine())"#,
            r#"Reference(of: "x", shape: Stated(frequency: "100 Hz", phase: "72 deg"))"#,
            r#"Reference(of: "x", shape: Free(near: "95 Hz"))"#,
        ] {
            let given = given(text, &samples).expect("a clock");
            for i in [0usize, 1234, 4999] {
                let p = given.buffers[0].samples().clock()[i];
                let off = p.fraction - (100.0 * i as f64 / RATE + 0.2);
                // Fits of exact samples leave rounding only.
                assert!((off - off.round()).abs() < 1e-9, "{text}: {off}");
            }
        }
    }

    #[test]
    fn what_is_no_reference_is_refused() {
        let mut state = 1u64;
        let noise: Vec<f64> = (0..5000)
            .map(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1_442_695_040_888_963_407);
                (state >> 33) as f64
            })
            .collect();
        let text = r#"Reference(of: "x", shape: Square())"#;
        for samples in [&vec![1.0; 5000], &vec![f64::NAN; 5000], &noise] {
            let fault = given(text, samples).expect_err("no reference");
            assert!(matches!(fault, Fault::Reference { .. }), "{fault}");
        }
        let text = r#"Reference(of: "x", shape: Square(), expect: "150 Hz")"#;
        let fault = given(text, &square(123.0, 0.5, 5000)).expect_err("another frequency");
        assert!(fault.to_string().contains("found 123"), "{fault}");
    }

    #[test]
    fn a_frequency_above_half_the_rate_is_refused() {
        let flow = Flow {
            rate: Some(RATE),
            ..Flow::new(Kind::Wave, Unit::one())
        };
        let text = r#"Reference(of: "x", shape: Stated(frequency: "6 kHz"))"#;
        let (found, _) = testing::check(&Reference, text, &[], &[flow]);
        assert_eq!(
            found.iter().map(|d| d.code).collect::<Vec<_>>(),
            [Code::Rate]
        );
    }
}
