//! `Filter`: the causal filters, from one RC pole to whole periods of the reference.

mod told;

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Buffer, Flow, Kind, Port, Samples};
use phasemill_engine::lineage::stated;
use phasemill_engine::response::{Element, Response};
use phasemill_engine::stage::{
    Checker, Configured, Fault, Follows, Kernel, Linear, Stage, Told, Work, sampled_input,
};
use phasemill_engine::text::{Choice, Range, Reader};

use crate::math::design::{Band, BesselNorm, DesignError, Family, design};
use crate::math::fir::{Fir, FirError, KaiserSpec, kaiser_fir};
use crate::math::gaps::{Gaps, Guard, read_gaps};
use crate::math::periods::{LONGEST, PeriodMean};
use crate::math::rc_notch::{notches, rc_cascade};
use crate::math::section::Section;
use crate::math::sos::{Cascade, Sample};

/// The stage.
pub struct Filter;

impl Stage for Filter {
    fn name(&self) -> &'static str {
        "Filter"
    }

    fn doc(&self) -> &'static str {
        "Filters a wave, or both parts of a phasor, causally and from rest. `RcCascade`: n equal poles, each \
         y[k] = a*y[k-1] + (1 - a)*x[k] with a = exp(-1/(rate*tau)), which has the RC's step response at the \
         samples. `Butterworth`, `Chebyshev1`, `Chebyshev2`, `Elliptic`, `Bessel`: analogue prototypes through the \
         bilinear transform with the corners kept, as second-order sections (Oppenheim & Schafer, Discrete-Time \
         Signal Processing, ch. 7); Bessel corners are where the phase is that of the prototype. `Kaiser`: a \
         linear-phase finite impulse response by Kaiser's formulas (Kaiser 1974), delayed by half its length; its \
         corners are pass-band edges. `Notch`: second-order notches at a line and its harmonics, of quality q = \
         frequency over 3 dB width. `WholePeriods`: the mean over the last n periods of a clock, which removes the \
         ripple at the reference's harmonics; a period's ends are interpolated between samples, and the output is \
         missing until n periods have passed. A missing sample is refused, or the filter restarts behind the gap and \
         its output stays missing until it has settled to 0.01 %."
    }

    fn example(&self) -> &'static str {
        r#"Recipe(
    title: "Demodulated and smoothed, kept slow",
    inputs: { "detector": Wave(unit: "V"), "chopper": Wave(unit: "V") },
    stages: {
        "clock": Reference(of: "chopper", shape: Square()),
        "product": Mix(of: "detector", with: "clock"),
        "smooth": Filter(of: "product", kind: RcCascade(poles: 4, time_constant: "300 ms")),
        "slow": Decimate(of: "smooth", by: 2500),
    },
    results: ["slow"],
)"#
    }

    fn read(&self, r: &mut Reader<'_>) -> Box<dyn Configured> {
        r.setting("of", "the wave or phasor to be filtered").flow();
        let kind = r.setting("kind", "which filter").choice(read_kind);
        let gaps = read_gaps(r);
        Box::new(Settings {
            kind: kind.unwrap_or(Design::Rc { poles: 1, tau: 1.0 }),
            gaps,
        })
    }
}

#[derive(Clone)]
enum Design {
    /// Time constant in s.
    Rc {
        poles: u32,
        tau: f64,
    },
    Sections {
        family: Family,
        order: u32,
        band: Band,
    },
    Kaiser {
        spec: KaiserSpec,
        band: Band,
    },
    /// Line in Hz.
    Notch {
        line: f64,
        harmonics: u32,
        q: f64,
    },
    Periods(u32),
}

fn read_kind(c: &mut Choice<'_, Design>) {
    c.variant("RcCascade", "equal RC low-pass poles", |r| Design::Rc {
        poles: r
            .setting("poles", "number of poles")
            .default("1")
            .integer(1, 8) as u32,
        tau: r
            .setting("time_constant", "time constant of each pole")
            .quantity("s", Range::Positive),
    })
    .variant("Butterworth", "flattest pass band", |r| {
        sections(r, |_| Family::Butterworth)
    })
    .variant("Chebyshev1", "ripple in the pass band", |r| {
        sections(r, |r| Family::Chebyshev1 {
            ripple_db: ripple(r),
        })
    })
    .variant("Chebyshev2", "ripple in the stop band", |r| {
        sections(r, |r| Family::Chebyshev2 {
            attenuation_db: attenuation(r),
        })
    })
    .variant("Elliptic", "ripple in both bands, steepest", |r| {
        sections(r, |r| Family::Elliptic {
            ripple_db: ripple(r),
            attenuation_db: attenuation(r),
        })
    })
    .variant("Bessel", "flattest delay", |r| {
        sections(r, |_| Family::Bessel {
            norm: BesselNorm::Phase,
        })
    })
    .variant("Kaiser", "linear-phase finite impulse response", |r| {
        let band = read_band(r);
        let transition = r
            .setting("transition", "width of each transition band")
            .quantity("Hz", Range::Positive);
        let attenuation_db = r
            .setting("attenuation", "attenuation in the stop band")
            .default("\"60 dB\"");
        let attenuation_db = attenuation_db.quantity("dB", Range::Between(8.0, 250.0));
        Design::Kaiser {
            spec: KaiserSpec {
                transition,
                attenuation_db,
            },
            band,
        }
    })
    .variant("Notch", "notches at a line and its harmonics", |r| {
        Design::Notch {
            line: r
                .setting("line", "frequency of the line")
                .quantity("Hz", Range::Positive),
            harmonics: r
                .setting(
                    "harmonics",
                    "how many multiples of the line, itself included",
                )
                .default("1")
                .integer(1, 1000) as u32,
            q: r.setting("q", "frequency over 3 dB width")
                .default("30")
                .number(Range::Positive),
        }
    })
    .variant("WholePeriods", "mean over whole periods of a clock", |r| {
        r.setting("clock", "the clock").flow();
        Design::Periods(
            r.setting("periods", "number of periods")
                .default("1")
                .integer(1, 1_000_000) as u32,
        )
    });
}

fn sections(r: &mut Reader<'_>, family: impl FnOnce(&mut Reader<'_>) -> Family) -> Design {
    let order = r.setting("order", "order of the prototype").integer(1, 24) as u32;
    Design::Sections {
        family: family(r),
        order,
        band: read_band(r),
    }
}

fn ripple(r: &mut Reader<'_>) -> f64 {
    r.setting("ripple", "ripple in the pass band")
        .quantity("dB", Range::Positive)
}

fn attenuation(r: &mut Reader<'_>) -> f64 {
    r.setting("attenuation", "attenuation in the stop band")
        .quantity("dB", Range::Positive)
}

fn read_band(r: &mut Reader<'_>) -> Band {
    let corner = |r: &mut Reader<'_>| {
        r.setting("", "corner frequency")
            .quantity("Hz", Range::Positive)
    };
    let edges = |r: &mut Reader<'_>| {
        let from = r
            .setting("from", "lower corner")
            .quantity("Hz", Range::Positive);
        (
            from,
            r.setting("to", "upper corner")
                .quantity("Hz", Range::Positive),
        )
    };
    let band = r.setting("band", "what passes").choice(|c| {
        c.variant("Low", "below a corner", |r| Band::Low(corner(r)))
            .variant("High", "above a corner", |r| Band::High(corner(r)))
            .variant("Pass", "between two corners", |r| {
                let (from, to) = edges(r);
                Band::Pass(from, to)
            })
            .variant("Stop", "outside two corners", |r| {
                let (from, to) = edges(r);
                Band::Stop(from, to)
            });
    });
    band.unwrap_or(Band::Low(1.0))
}

struct Settings {
    kind: Design,
    gaps: Gaps,
}

/// A designed filter.
#[derive(Clone)]
enum Designed {
    Sections(Vec<Section>),
    Taps(Vec<f64>),
}

impl Settings {
    /// The filter at a sample rate in Hz; `None` for a mean over periods, which needs no design.
    fn design(&self, rate: f64) -> Result<Option<Designed>, FirError> {
        let sections = match &self.kind {
            Design::Rc { poles, tau } => rc_cascade(*poles, *tau, rate),
            Design::Sections {
                family,
                order,
                band,
            } => design(*family, *order, *band, rate),
            Design::Notch { line, harmonics, q } => notches(*line, *harmonics, *q, rate),
            Design::Kaiser { spec, band } => {
                return kaiser_fir(*spec, *band, rate).map(|taps| Some(Designed::Taps(taps)));
            }
            Design::Periods(_) => return Ok(None),
        };
        Ok(Some(Designed::Sections(sections?)))
    }
}

impl Designed {
    fn element(&self, rate: f64) -> Element {
        match self {
            Designed::Sections(sections) => {
                Element::Sections(sections.iter().map(Section::coefficients).collect(), rate)
            }
            Designed::Taps(taps) => Element::Taps(taps.clone(), rate),
        }
    }

    /// Samples until the filter alone has settled to 0.01 %.
    fn settling(&self, rate: f64) -> u64 {
        let alone = Response::default().then(self.element(rate));
        // What never settles is held back for good.
        alone
            .settling_time(1e-4)
            .map_or(u64::MAX, |t| (t * rate).ceil() as u64)
    }
}

impl Configured for Settings {
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port> {
        let Some(input) = inputs.first() else {
            return Vec::new();
        };
        if !checker.expect_kind(0, input, &[Kind::Wave, Kind::Phasor]) {
            return Vec::new();
        }
        self.gaps.check(input, checker);
        let mut flow = input.clone();
        match (&self.kind, inputs.get(1), input.rate) {
            (Design::Periods(periods), Some(clock), rate) => {
                if !checker.expect_kind(1, clock, &[Kind::Clock]) {
                    return Vec::new();
                }
                let known = clock.frequency.or(clock.expected);
                flow.missing.late = true;
                if let Some(frequency) = known {
                    flow.missing.held += f64::from(*periods) / frequency;
                }
                if let (Some(frequency), Some(rate)) = (known, rate)
                    && rate * f64::from(*periods) / frequency > LONGEST as f64
                {
                    checker.error(
                        "kind.periods",
                        Code::Limit,
                        format!(
                            "expected whole periods of at most {LONGEST} samples, found {periods} of {} at {}",
                            stated(frequency, "Hz"),
                            stated(rate, "Hz")
                        ),
                        "average over fewer periods, or decimate first",
                    );
                }
                if let (Some(frequency), Some(duration)) = (known, input.duration()) {
                    let needed = f64::from(*periods) / frequency;
                    if needed >= duration {
                        checker.error(
                            "kind.periods",
                            Code::Time,
                            format!(
                                "expected whole periods that fit a point of {}, found {periods} of {}, {}",
                                stated(duration, "s"),
                                stated(frequency, "Hz"),
                                stated(needed, "s")
                            ),
                            "average over fewer periods, or record longer points",
                        );
                    }
                }
                if let Some(rate) = rate {
                    let samples = |frequency| rate * f64::from(*periods) / frequency;
                    let samples = known.map(samples);
                    flow.response = flow.response.then(Element::Periods {
                        samples,
                        rate,
                        stated: clock.frequency.is_some() && samples.is_some_and(|n| n < 1e7),
                    });
                }
            }
            (_, _, Some(rate)) => match self.design(rate) {
                Ok(Some(designed)) => {
                    flow.response = flow.response.then(designed.element(rate));
                    flow.missing.longest = flow
                        .missing
                        .longest
                        .map(|stretch| stretch.saturating_sub(designed.settling(rate)));
                }
                Ok(None) => {}
                Err(error) => {
                    let cure = match error {
                        FirError::Band(DesignError::Corners { .. }) => "exchange the two corners",
                        _ => "change the filter, or the rate before it",
                    };
                    checker.error("kind", Code::Design, error.to_string(), cure);
                }
            },
            _ => {}
        }
        vec![Port::new("", flow)]
    }

    fn follows(&self, _: &[Flow]) -> Option<Follows> {
        Some(Follows::Times(Complex64::ONE))
    }

    fn method(&self, inputs: &[Told<'_>]) -> Option<String> {
        self.told(inputs)
    }

    fn linear(&self, inputs: &[Flow]) -> Option<Linear> {
        Some(match self.design(inputs.first()?.rate?).ok()?? {
            Designed::Sections(sections) => {
                Linear::Sections(sections.iter().map(Section::coefficients).collect())
            }
            Designed::Taps(taps) => Linear::Taps(taps),
        })
    }

    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault> {
        let (input, rate) = sampled_input(inputs)?;
        let designed = self.design(rate).map_err(|error| Fault::Numeric {
            what: "filter",
            why: error.to_string(),
        })?;
        let gaps = self.gaps;
        // Of use where the filter runs by itself, which it need not.
        let guard = move |designed: Option<&Designed>| {
            Guard::new(gaps, designed.map_or(0, |d| d.settling(rate)))
        };
        let periods = if let Design::Periods(periods) = self.kind {
            periods
        } else {
            1
        };
        Ok(Work::Stream(match input.kind {
            Kind::Phasor => Box::new(move || {
                let engine = Engine::<Complex64>::new(designed.as_ref(), periods);
                Box::new(Filtering {
                    guard: guard(designed.as_ref()),
                    engine,
                })
            }),
            _ => Box::new(move || {
                let engine = Engine::<f64>::new(designed.as_ref(), periods);
                Box::new(Filtering {
                    guard: guard(designed.as_ref()),
                    engine,
                })
            }),
        }))
    }
}

enum Engine<S: Sample> {
    Sections(Cascade<S>),
    Taps(Box<Fir<S>>),
    Periods(PeriodMean<S>),
}

impl<S: Sample> Engine<S> {
    fn new(designed: Option<&Designed>, periods: u32) -> Self {
        match designed {
            Some(Designed::Sections(sections)) => Engine::Sections(Cascade::new(sections)),
            Some(Designed::Taps(taps)) => Engine::Taps(Box::new(Fir::new(taps))),
            None => Engine::Periods(PeriodMean::new(periods)),
        }
    }

    fn reset(&mut self) {
        match self {
            Engine::Sections(cascade) => cascade.reset(),
            Engine::Taps(fir) => fir.reset(),
            Engine::Periods(mean) => mean.reset(),
        }
    }
}

struct Filtering<S: Sample> {
    guard: Guard,
    engine: Engine<S>,
}

impl<S: Sample> Filtering<S> {
    fn filter(
        &mut self,
        inputs: &[Samples<'_>],
        samples: &[S],
        out: &mut Vec<S>,
    ) -> Result<(), Fault> {
        let engine = &mut self.engine;
        if let Engine::Periods(mean) = engine {
            let clock = inputs.get(1).map_or(&[][..], |c| c.clock());
            return mean.process(samples, clock, &self.guard, out);
        }
        self.guard
            .run(samples, out, |event, part| match (event, &mut *engine) {
                (crate::math::gaps::Event::Restart, engine) => engine.reset(),
                (_, Engine::Sections(cascade)) => cascade.process(part),
                (_, Engine::Taps(fir)) => fir.process(part),
                (_, Engine::Periods(_)) => {}
            })
    }
}

impl Kernel for Filtering<f64> {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        match (inputs.first(), outputs.first_mut()) {
            (Some(Samples::Wave(samples)), Some(Buffer::Wave(out))) => {
                self.filter(inputs, samples, out)
            }
            _ => Ok(()),
        }
    }
}

impl Kernel for Filtering<Complex64> {
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault> {
        match (inputs.first(), outputs.first_mut()) {
            (Some(Samples::Phasor(samples)), Some(Buffer::Phasor(out))) => {
                self.filter(inputs, samples, out)
            }
            _ => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests;
