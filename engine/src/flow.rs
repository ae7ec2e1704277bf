//! What flows between stages: kinds, units, rates, conventions; and the samples themselves.

use std::collections::BTreeSet;
use std::fmt;
use std::sync::Arc;

use num_complex::Complex64;

use crate::response::Response;
use crate::units::Unit;
use crate::value::{About, Part};

/// The kinds of flow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Real samples at a uniform rate.
    Wave,
    /// Reference phase against time.
    Clock,
    /// In-phase and quadrature samples relative to a clock.
    Phasor,
    /// A real value.
    Estimate,
    /// A complex value: in-phase and quadrature part.
    ComplexEstimate,
    /// Spectral density against frequency.
    Density,
    /// Points (x, y).
    Curve,
}

impl Kind {
    /// Whether the flow is a stream of samples rather than one value per point.
    pub fn is_sampled(self) -> bool {
        matches!(self, Kind::Wave | Kind::Clock | Kind::Phasor)
    }

    /// Whether the flow is one real or complex value per point.
    pub fn is_estimate(self) -> bool {
        matches!(self, Kind::Estimate | Kind::ComplexEstimate)
    }

    /// Whether its values have an in-phase and a quadrature part.
    pub fn is_complex(self) -> bool {
        matches!(self, Kind::Phasor | Kind::ComplexEstimate)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Kind::Wave => "wave",
            Kind::Clock => "clock",
            Kind::Phasor => "phasor",
            Kind::Estimate => "real estimate",
            Kind::ComplexEstimate => "complex estimate",
            Kind::Density => "density",
            Kind::Curve => "curve",
        })
    }
}

/// How an amplitude is stated.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Convention {
    /// Peak amplitude: A of A·sin(2πft).
    Peak,
    /// Root mean square: A/√2 of A·sin(2πft).
    Rms,
    /// The full step between two states, of which a chopped signal's fundamental is a part.
    Step,
}

impl fmt::Display for Convention {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Convention::Peak => "peak",
            Convention::Rms => "rms",
            Convention::Step => "full step",
        })
    }
}

/// A constant that scales a flow, and whose uncertainty its estimates inherit.
#[derive(Clone, Debug, PartialEq)]
pub struct Scaling {
    /// The constant's name.
    pub constant: String,
    /// Its uncertainty; `None` when the recipe states none.
    pub source: Option<Arc<About>>,
    /// The power with which it enters: 1 for a gain, -1 for a division.
    pub power: i32,
}

impl Scaling {
    /// What the constant's uncertainty does to a value that it scales; nothing when the recipe states none.
    pub fn part(&self, value: Complex64) -> Option<Part> {
        let about = self.source.as_ref()?;
        let known = about.quantity.as_ref()?;
        let relative = known.standard_uncertainty / known.value.abs() * f64::from(self.power);
        Some(Part::new(about, 0, value * relative))
    }
}

/// What a recipe states of the samples behind a flow, in SI units of the input they come from.
#[derive(Clone, Debug, PartialEq)]
pub struct Amplitudes {
    /// Smallest peak amplitude of a signal that is to be told.
    pub smallest: f64,
    /// Its unit.
    pub unit: Unit,
    /// Largest steady level: zero once it was taken off; `None` where the full scale is all that is known.
    pub level: Option<f64>,
    /// Largest peak amplitude of the signal; `None` likewise.
    pub largest: Option<f64>,
}

/// What headers tell of samples that will be missing.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Missing {
    /// Seconds at the start of a point in which no sample can be there.
    pub held: f64,
    /// Whether samples at the start will be missing, however many.
    pub late: bool,
    /// Index of the first sample missing behind one that is there.
    pub gap: Option<u64>,
    /// Samples of the longest stretch without a gap, where there are gaps.
    pub longest: Option<u64>,
}

/// What is known of a flow before any sample is read.
#[derive(Clone, Debug, PartialEq)]
pub struct Flow {
    /// Its kind.
    pub kind: Kind,
    /// Its unit. Samples are in the unit's SI form.
    pub unit: Unit,
    /// Samples per second; `None` when no recording was given, or for values.
    pub rate: Option<f64>,
    /// Samples per point; `None` when not known.
    pub length: Option<u64>,
    /// How amplitudes are stated, where that has a meaning.
    pub convention: Option<Convention>,
    /// The clock a phasor is relative to: stage name and harmonic n/m.
    pub clock: Option<(String, u32, u32)>,
    /// Frequency of the clock, where stated, in Hz.
    pub frequency: Option<f64>,
    /// Frequency that the clock is expected to have or be near, in Hz.
    pub expected: Option<f64>,
    /// What a density or curve is plotted against: name and unit.
    pub abscissa: Option<(&'static str, Unit)>,
    /// Whether odd harmonics of the reference answer too, as behind a product with its sign.
    pub switched: bool,
    /// Constants that scale the samples.
    pub scalings: Vec<Scaling>,
    /// Points of the recordings it comes from; `None` when no recording was given.
    pub points: Option<u64>,
    /// Whether those points lie along an axis; `None` when no recording was given.
    pub axis: Option<bool>,
    /// Samples that are known to be missing.
    pub missing: Missing,
    /// Whether a clock comes from a square, whose signal has harmonics.
    pub square: bool,
    /// Largest absolute value that the converter behind it gives, in SI units, where that is known.
    pub full_scale: Option<f64>,
    /// How small a signal is to be told, where the recipe states it.
    pub amplitudes: Option<Amplitudes>,
    /// Pure numbers by which the samples were multiplied since their offset was last removed.
    pub gain: f64,
    /// Whether its values come with an evaluated uncertainty.
    pub evaluated: bool,
    /// What the uncertainty of its average will come from, in words, as far as headers tell.
    pub evaluation: Option<String>,
    /// Seconds of the stretches whose scatter tells that uncertainty, where it is told by stretches.
    pub stretches: Option<f64>,
    /// The recordings it depends on.
    pub recordings: BTreeSet<String>,
    /// The linear, time-invariant part of the way here.
    pub response: Response,
}

impl Flow {
    /// A flow of this kind and unit of which nothing else is known.
    pub fn new(kind: Kind, unit: Unit) -> Self {
        Flow {
            kind,
            unit,
            rate: None,
            length: None,
            convention: None,
            clock: None,
            frequency: None,
            expected: None,
            abscissa: None,
            switched: false,
            scalings: Vec::new(),
            points: None,
            axis: None,
            missing: Missing::default(),
            square: false,
            full_scale: None,
            amplitudes: None,
            gain: 1.0,
            evaluated: false,
            evaluation: None,
            stretches: None,
            recordings: BTreeSet::new(),
            response: Response::default(),
        }
    }

    /// Has a clock run at a frequency in Hz, stated where one was stated and expected where not.
    pub(crate) fn run_at(&mut self, f: f64) {
        if self.kind == Kind::Clock {
            self.frequency = self.frequency.map(|_| f);
            self.expected = Some(f);
        }
    }

    /// Whether its values are phases relative to a clock, which are the same a turn further on.
    pub fn is_phase(&self) -> bool {
        self.kind == Kind::Estimate && self.zero_of_phase().is_some()
    }

    /// What zero and sign of its phase are, of phasors and complex estimates and of phases taken of them; `None` where
    /// that has no meaning, as for a ratio of two.
    pub fn zero_of_phase(&self) -> Option<String> {
        let has_amplitude = self.convention.is_some();
        let has_phase = match self.kind.is_complex() {
            true => has_amplitude,
            false => !has_amplitude && self.unit.same_dimension(&Unit::radian()),
        };
        let clock = self.clock.as_ref().filter(|_| has_phase)?;
        Some(zero_of_phase(clock))
    }

    /// Seconds per point, where known.
    pub fn duration(&self) -> Option<f64> {
        Some(self.length? as f64 / self.rate?)
    }
}

/// What zero and sign of phases are that are relative to the harmonic n/m of a clock.
fn zero_of_phase((clock, n, m): &(String, u32, u32)) -> String {
    let times = match (n, m) {
        (1, 1) => String::new(),
        (n, 1) => format!("{n}*"),
        (n, m) => format!("({n}/{m})*"),
    };
    let cycles = match clock.as_str() {
        "" => "the reference".to_owned(),
        name => format!("\"{name}\""),
    };
    format!(
        "relative to sin(2*pi*{times}p), p the cycles of {cycles}, whole at its rising edge or zero crossing unless its \
         stage states otherwise; positive where the signal leads; stages that turn phases move the zero"
    )
}

/// One output of a stage.
#[derive(Clone, Debug, PartialEq)]
pub struct Port {
    /// The name behind the dot in `stage.port`; the first port also goes by the stage's name alone.
    pub name: &'static str,
    /// A name that the recipe gave, which goes before `name`.
    pub given: Option<String>,
    /// What flows.
    pub flow: Flow,
    /// Outputs of the same stage that say how far this one can be trusted.
    pub companions: Option<Companions>,
    /// Whether there is one value for all points.
    pub single: bool,
    /// Whether it says something of other outputs or counts, as a probability, an end of an interval or a number of
    /// things, and so has no uncertainty of its own.
    pub bare: bool,
}

/// Outputs of a stage, by their places, that go with another: they are in its unit, and a person is told of them
/// together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Companions {
    /// Lower end of the 95 % coverage interval.
    pub low: usize,
    /// Upper end.
    pub high: usize,
    /// Whether a signal is detected: 1 or 0.
    pub detected: usize,
    /// What is not exceeded at 95 %.
    pub limit: Option<usize>,
}

impl Port {
    /// A port of this name.
    pub fn new(name: &'static str, flow: Flow) -> Self {
        Port {
            name,
            given: None,
            flow,
            companions: None,
            single: false,
            bare: false,
        }
    }

    /// A port whose name the recipe gave.
    pub fn given(name: impl Into<String>, flow: Flow) -> Self {
        Port {
            name: "",
            given: Some(name.into()),
            flow,
            companions: None,
            single: false,
            bare: false,
        }
    }

    /// The same with one value for all points.
    pub fn single(self) -> Self {
        Port {
            single: true,
            ..self
        }
    }

    /// The same without an uncertainty of its own.
    pub fn bare(self) -> Self {
        Port { bare: true, ..self }
    }

    /// The same with companions.
    pub fn with(self, companions: Companions) -> Self {
        Port {
            companions: Some(companions),
            ..self
        }
    }

    /// The name.
    pub fn name(&self) -> &str {
        self.given.as_deref().unwrap_or(self.name)
    }
}

/// Reference phase in whole cycles and a fraction from 0 to below 1; the fraction is NaN where the
/// phase is not known.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Phase {
    /// Whole cycles since the first.
    pub cycle: i64,
    /// Part of a cycle, 0 to below 1.
    pub fraction: f64,
}

impl Phase {
    /// A phase that is not known.
    pub const UNKNOWN: Phase = Phase {
        cycle: 0,
        fraction: f64::NAN,
    };
}

/// Phase of the harmonic n/m of a clock in cycles, from 0 to below 1.
pub fn harmonic(phase: Phase, n: u32, m: u32) -> f64 {
    let (n, m) = (f64::from(n), i64::from(m));
    // Whole cycles of the reference count modulo m only, which is exact.
    let p = (phase.cycle.rem_euclid(m) as f64 + phase.fraction) * n / m as f64;
    p - p.floor()
}

/// A slice of a sampled flow.
#[derive(Clone, Copy, Debug)]
pub enum Samples<'s> {
    /// Real samples.
    Wave(&'s [f64]),
    /// Phases.
    Clock(&'s [Phase]),
    /// In-phase (real) and quadrature (imaginary) samples.
    Phasor(&'s [Complex64]),
}

impl<'s> Samples<'s> {
    /// How many.
    pub fn len(&self) -> usize {
        match self {
            Samples::Wave(s) => s.len(),
            Samples::Clock(s) => s.len(),
            Samples::Phasor(s) => s.len(),
        }
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The real samples; none for another kind, which the check of a recipe rules out.
    pub fn wave(&self) -> &'s [f64] {
        match self {
            Samples::Wave(s) => s,
            _ => &[],
        }
    }

    /// The phases; none for another kind, which the check of a recipe rules out.
    pub fn clock(&self) -> &'s [Phase] {
        match self {
            Samples::Clock(s) => s,
            _ => &[],
        }
    }

    /// The complex samples; none for another kind, which the check of a recipe rules out.
    pub fn phasor(&self) -> &'s [Complex64] {
        match self {
            Samples::Phasor(s) => s,
            _ => &[],
        }
    }
}

/// Room for a slice of a sampled flow, which a kernel appends to.
#[derive(Clone, Debug)]
pub enum Buffer {
    /// Real samples.
    Wave(Vec<f64>),
    /// Phases.
    Clock(Vec<Phase>),
    /// Complex samples.
    Phasor(Vec<Complex64>),
    /// A port that carries a value at the end, not samples.
    Value,
}

impl Buffer {
    /// Empty room for a flow of this kind.
    pub fn new(kind: Kind) -> Self {
        match kind {
            Kind::Wave => Buffer::Wave(Vec::new()),
            Kind::Clock => Buffer::Clock(Vec::new()),
            Kind::Phasor => Buffer::Phasor(Vec::new()),
            _ => Buffer::Value,
        }
    }

    /// The samples in it.
    pub fn samples(&self) -> Samples<'_> {
        match self {
            Buffer::Wave(v) => Samples::Wave(v),
            Buffer::Clock(v) => Samples::Clock(v),
            Buffer::Phasor(v) => Samples::Phasor(v),
            Buffer::Value => Samples::Wave(&[]),
        }
    }

    /// Empties it, keeping the room.
    pub fn clear(&mut self) {
        match self {
            Buffer::Wave(v) => v.clear(),
            Buffer::Clock(v) => v.clear(),
            Buffer::Phasor(v) => v.clear(),
            Buffer::Value => {}
        }
    }

    /// The room for real samples; `None` for another kind.
    pub fn wave(&mut self) -> Option<&mut Vec<f64>> {
        match self {
            Buffer::Wave(v) => Some(v),
            _ => None,
        }
    }

    /// The room for phases; `None` for another kind.
    pub fn clock(&mut self) -> Option<&mut Vec<Phase>> {
        match self {
            Buffer::Clock(v) => Some(v),
            _ => None,
        }
    }

    /// The room for complex samples; `None` for another kind.
    pub fn phasor(&mut self) -> Option<&mut Vec<Complex64>> {
        match self {
            Buffer::Phasor(v) => Some(v),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Phasors have a zero, phases that were taken of them too; ratios of two phasors, amplitudes and times have none.
    #[test]
    fn what_has_a_phase_says_where_its_zero_is() {
        let with = |kind, unit: Unit, convention, clock: Option<(u32, u32)>| Flow {
            convention,
            clock: clock.map(|(n, m)| ("chopper".into(), n, m)),
            ..Flow::new(kind, unit)
        };
        let peak = Some(Convention::Peak);
        let zero =
            |kind, unit, convention, clock| with(kind, unit, convention, clock).zero_of_phase();
        let own = zero(Kind::Phasor, Unit::volt(), peak, Some((1, 1))).expect("a zero");
        assert!(own.starts_with("relative to sin(2*pi*p), p the cycles of \"chopper\", whole"));
        let third = zero(Kind::ComplexEstimate, Unit::volt(), peak, Some((3, 1)));
        assert!(third.is_some_and(|text| text.contains("sin(2*pi*3*p)")));
        let half = zero(Kind::Estimate, Unit::degree(), None, Some((1, 2)));
        assert!(half.is_some_and(|text| text.contains("sin(2*pi*(1/2)*p)")));
        for (kind, unit, convention, clock) in [
            (Kind::ComplexEstimate, Unit::one(), None, Some((1, 1))),
            (Kind::ComplexEstimate, Unit::volt(), peak, None),
            (Kind::Estimate, Unit::volt(), peak, Some((1, 1))),
            (Kind::Estimate, Unit::second(), None, Some((1, 1))),
        ] {
            assert_eq!(zero(kind, unit, convention, clock), None);
        }
    }
}
