//! What a stage is to the engine: a name, settings, a check and work to do; and the list of stages.

use std::any::Any;
use std::sync::Arc;

use num_complex::Complex64;

use crate::diagnostic::{Code, Diagnostic, Diagnostics, Place};
use crate::flow::{Buffer, Flow, Kind, Phase, Port, Samples};
pub use crate::fuse::Linear;
use crate::text::{Described, Reader};
use crate::value::{Part, Value};

/// A kind of stage. One file implements it; one line in a list registers it.
pub trait Stage: Sync {
    /// The name in recipes.
    fn name(&self) -> &'static str;

    /// What it does, its formula, its conventions and their source, as text for the catalogue.
    fn doc(&self) -> &'static str;

    /// A complete small recipe that uses it.
    fn example(&self) -> &'static str;

    /// Reads the settings. Flows read here become the stage's inputs, in that order.
    fn read(&self, reader: &mut Reader<'_>) -> Box<dyn Configured>;

    /// Raised whenever the kernel's numbers change, so that derivation keys change with them.
    fn numeric_version(&self) -> u32 {
        1
    }
}

/// A stage with its settings.
pub trait Configured: Send + Sync {
    /// From what flows in to what flows out, or faults; no samples, no allocation in proportion to
    /// them. Rates and lengths may be unknown, and then what depends on them is not checked.
    fn check(&self, inputs: &[Flow], checker: &mut Checker<'_>) -> Vec<Port>;

    /// The work, once every input is known. Called only after a check without faults.
    fn prepare(&self, inputs: &[Flow]) -> Result<Work, Fault>;

    /// What it does to its first input, where that is linear and known before any sample is read; the engine may
    /// then compute it together with others. Asked only once every input is known.
    fn linear(&self, _inputs: &[Flow]) -> Option<Linear> {
        None
    }

    /// The work on the values of one point in trials in which they are drawn, given the values of the run; by default
    /// the same as in the run. For stages on values of one point whose results are not those of a value that is
    /// exactly known.
    fn drawn(&self, _inputs: &[Flow], _run: &[&Value]) -> Option<Box<PointWork>> {
        None
    }

    /// Seconds at the start of a point of which it uses nothing.
    fn leaves_out(&self, _inputs: &[Flow]) -> f64 {
        0.0
    }

    /// How the samples of its first output follow from those of its first input, beyond what their responses
    /// say. `None` unless they do so linearly and at all times alike; then what is averaged behind it counts as
    /// other samples than its input's.
    fn follows(&self, _inputs: &[Flow]) -> Option<Follows> {
        None
    }

    /// What to remark on at a point, once the clock that its first input is relative to was found there.
    fn beside(&self, _input: &Flow, _clock: &ClockFound) -> Option<String> {
        None
    }

    /// What it does to its inputs, as a whole sentence for the methods section of a paper, in the past
    /// tense, saying nothing that its settings and flows do not. By default the engine lists the settings.
    fn method(&self, _inputs: &[Told<'_>]) -> Option<String> {
        None
    }
}

/// How samples follow from others.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Follows {
    /// They are multiplied by this, in SI units.
    Times(Complex64),
    /// A level, or a line along time, was taken off, which nothing behind a mixing notices.
    WithoutLevel,
}

/// An input as a sentence speaks of it.
#[derive(Clone, Copy, Debug)]
pub struct Told<'t> {
    /// What to call it, in words or in quotes.
    pub name: &'t str,
    /// What is known of it.
    pub flow: &'t Flow,
}

/// What a stage does at run time.
pub enum Work {
    /// Samples in, samples out, values at the end; one kernel per point.
    Stream(Box<dyn Fn() -> Box<dyn Kernel> + Send + Sync>),
    /// As `Stream`, after a look at all the samples of the point.
    Survey(Box<dyn Fn() -> Box<dyn Survey> + Send + Sync>),
    /// Values of one point in, values of that point out.
    Point(Box<PointWork>),
    /// The values of all points in, the values of all points out.
    Series(Box<dyn Series>),
}

/// Values of one point in, values of that point out, one per port.
pub type PointWork = dyn Fn(&[&Value]) -> Result<Vec<Value>, Fault> + Send + Sync;

/// Works on the values of all points at once. A point that failed is `None`.
pub trait Series: Send + Sync {
    /// The values of all points in (`[input][point]`), the values of all points out (`[port][point]`).
    ///
    /// # Errors
    /// Why the series gives nothing.
    fn run(
        &self,
        inputs: &[&[Option<Value>]],
        axis: &SeriesAxis,
    ) -> Result<Vec<Vec<Option<Value>>>, Fault>;

    /// What to remark on in the values that it gave (`[port][point]`), about all points together.
    fn remarks(&self, _values: &[Vec<Option<Value>>]) -> Vec<String> {
        Vec::new()
    }

    /// What it does to values alone, in trials in which they are drawn, given the inputs of the run. Uncertainties are
    /// those of the run in every trial, so what rests on them is made here, once. A point that failed in the run has
    /// no part in trials.
    ///
    /// # Errors
    /// Why the series gave nothing in the run.
    fn trials(&self, run: &[&[Option<Value>]], axis: &SeriesAxis) -> Result<Box<TrialWork>, Fault>;
}

/// Values of all points in a trial, in SI units: those in (`[input][point]`), those out (`[port][point]`); `None` where
/// the series gives nothing.
pub type TrialWork =
    dyn Fn(&[Vec<Option<Complex64>>]) -> Option<Vec<Vec<Option<Complex64>>>> + Send + Sync;

/// The axis along which points lie.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct SeriesAxis {
    /// Its name.
    pub name: String,
    /// Its unit, as text.
    pub unit: String,
    /// One value per point, in that unit; empty where the points have no axis.
    pub values: Vec<f64>,
}

/// Works on samples. Any cutting of the samples into slices must give the same bits.
pub trait Kernel: Send {
    /// The first sample of the point is at this place of the record that it was cut from, in samples of the inputs, which
    /// need not be whole. Comes before all others, where there is such a record. By default it does not matter.
    fn begin(&mut self, _place: f64) {}

    /// Takes the next slice of every input, all of the same length, and appends to the outputs.
    fn run(&mut self, inputs: &[Samples<'_>], outputs: &mut [Buffer]) -> Result<(), Fault>;

    /// At the end of the point: the values of the ports that are not sampled, in order.
    fn finish(&mut self) -> Result<Closing, Fault> {
        Ok(Closing::default())
    }
}

/// Looks at the samples of a point before the kernel runs over them again.
pub trait Survey: Send {
    /// Takes the next slice of every input.
    fn look(&mut self, inputs: &[Samples<'_>]) -> Result<(), Fault>;

    /// Whether it is a survey of one wave that looks at most slabs of it by themselves. By default it is not.
    fn is_apart(&self) -> bool {
        false
    }

    /// What looks at the slab of samples that begins at `start` while others look at those before it; nothing where it
    /// has to know more of those.
    fn apart(&self, _start: u64) -> Option<Box<dyn Apart>> {
        None
    }

    /// Takes what was seen of the next slab, unless a look at its samples now sees more; whether it did. If it did
    /// not, the samples come in slices.
    fn take(&mut self, _slab: Box<dyn Apart>) -> bool {
        false
    }

    /// A fresh kernel for what was seen; called once for every later pass over the point.
    fn kernel(&mut self) -> Result<Box<dyn Kernel>, Fault>;

    /// Of a clock, the phase that was found, once a kernel could be made.
    fn phases(&self) -> Option<Arc<dyn Phases>> {
        None
    }
}

/// Looks at a slab of a wave by itself.
pub trait Apart: Any + Send {
    /// Takes the next samples of the slab.
    fn look(&mut self, samples: &[f64]);
}

/// A clock whose phase is known at every sample.
pub trait Phases: Send + Sync {
    /// The phase at a sample, and how it goes on from there.
    fn line(&self, sample: u64) -> PhaseLine;

    /// The same for whoever goes from line to line and holds for the clock at which place of its own it was found last,
    /// at first 0, so that it need not be looked for.
    fn line_behind(&self, sample: u64, _place: &mut usize) -> PhaseLine {
        self.line(sample)
    }
}

/// A stretch of samples over which a phase grows evenly.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct PhaseLine {
    /// The phase at the first sample; unknown where there is none, for this sample alone.
    pub phase: Phase,
    /// Cycles from sample to sample.
    pub slope: f64,
    /// The first sample behind it.
    pub end: u64,
}

/// What a kernel leaves at the end of a point.
#[derive(Clone, Debug, Default)]
pub struct Closing {
    /// The values of the ports that are not sampled, in order.
    pub values: Vec<Value>,
    /// What the user should know about this point.
    pub remarks: Vec<String>,
    /// What the first value is the mean of, with equal weights, where it is one.
    pub span: Option<Span>,
    /// Of a clock, what it was found to be.
    pub clock: Option<ClockFound>,
}

/// What a clock was found to be at a point, for what is relative to it.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct ClockFound {
    /// What its phase is off by over the whole point, as a source of uncertainty whose effect is in cycles. It turns all
    /// that is relative to the clock, n/m times as far at the harmonic n/m.
    pub phase: Option<Part>,
    /// Part of a cycle for which a square is up, and how far that may be off.
    pub up: Option<(f64, f64)>,
}

/// Samples that follow each other, counted from 0 at the rate of a stage's input.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Span {
    /// The first.
    pub first: u64,
    /// How many.
    pub samples: u64,
}

impl Closing {
    /// Values and nothing to remark.
    pub fn values(values: Vec<Value>) -> Self {
        Closing {
            values,
            ..Closing::default()
        }
    }
}

/// Why a stage could not do its work on one point.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Fault {
    /// Samples are missing where none may be.
    #[error(
        "expected every sample, found one missing at sample {sample} (counted at the rate of this stage); {remedy}"
    )]
    Gap {
        /// Index of the first missing sample, at the rate of the stage's input.
        sample: u64,
        /// What to do.
        remedy: &'static str,
    },
    /// Too few samples.
    #[error("expected {}{what}, found {}", match needed { 1 => String::new(), n => format!("at least {n} ") }, match found { 0 => "none".to_owned(), n => n.to_string() })]
    TooFew {
        /// What is counted.
        what: &'static str,
        /// How many are needed.
        needed: u64,
        /// How many there are.
        found: u64,
    },
    /// Samples that are combined one by one are not equally many.
    #[error(
        "expected inputs with equally many samples, found one that ends before another at this point; cut the longer channel, or leave the point out"
    )]
    Lengths,
    /// No usable reference.
    #[error("reference not usable: {found}; {remedy}")]
    Reference {
        /// What was found.
        found: String,
        /// What to do.
        remedy: &'static str,
    },
    /// A computation has no answer.
    #[error("{what}: {why}")]
    Numeric {
        /// What was computed.
        what: &'static str,
        /// Why it failed.
        why: String,
    },
    /// A stage named a point that is not there or failed.
    #[error("expected a usable point {wanted}, found {found}")]
    Point {
        /// The point asked for.
        wanted: String,
        /// What there is.
        found: String,
    },
}

/// The first input, and its sample rate in Hz, which a check against a recording has made sure of.
///
/// # Errors
/// A fault when the work is prepared without such a check.
pub fn sampled_input(inputs: &[Flow]) -> Result<(&Flow, f64), Fault> {
    let known = inputs.first().and_then(|input| Some((input, input.rate?)));
    known.ok_or(Fault::TooFew {
        what: "inputs with a sample rate",
        needed: 1,
        found: 0,
    })
}

/// Collects faults of one stage while it is checked, and knows where its settings stand.
pub struct Checker<'c> {
    pub(crate) stage: &'c str,
    pub(crate) place: &'c Place,
    pub(crate) described: &'c Described,
    pub(crate) diagnostics: &'c mut Diagnostics,
    pub(crate) failed: bool,
}

impl Checker<'_> {
    /// The name the recipe gave the stage.
    pub fn stage(&self) -> &str {
        self.stage
    }

    fn place(&self, setting: &str) -> Place {
        let places = &self.described.places;
        places
            .iter()
            .find(|(p, _)| p == setting)
            .map_or_else(|| self.place.clone(), |(_, place)| place.clone())
    }

    /// Reports a fault at the setting with this path, as `of` or `kind.corner`.
    pub fn error(
        &mut self,
        setting: &str,
        code: Code,
        message: impl Into<String>,
        help: impl Into<String>,
    ) {
        self.failed = true;
        self.diagnostics
            .push(Diagnostic::error(code, Some(self.place(setting)), message).help(help));
    }

    /// Warns at the setting with this path.
    pub fn warn(
        &mut self,
        setting: &str,
        code: Code,
        message: impl Into<String>,
        help: impl Into<String>,
    ) {
        self.diagnostics
            .push(Diagnostic::warning(code, Some(self.place(setting)), message).help(help));
    }

    /// Reports input `index` unless it is of one of these kinds; whether it is.
    pub fn expect_kind(&mut self, index: usize, input: &Flow, kinds: &[Kind]) -> bool {
        if kinds.contains(&input.kind) {
            return true;
        }
        let expected = kinds
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(" or ");
        let (name, place) = self.described.flows.get(index).map_or_else(
            || ("", self.place.clone()),
            |f| (f.text.as_str(), f.place.clone()),
        );
        self.failed = true;
        let message = format!(
            "expected a {expected}, found `{name}`, which is a {}",
            input.kind
        );
        self.diagnostics.push(
            Diagnostic::error(Code::WrongFlow, Some(place), message)
                .help(way_to(input.kind, kinds)),
        );
        false
    }

    /// Whether this stage has had a fault reported.
    pub fn failed(&self) -> bool {
        self.failed
    }
}

/// How a flow of one kind becomes one of another.
fn way_to(found: Kind, wanted: &[Kind]) -> &'static str {
    let has = |test: fn(Kind) -> bool| wanted.iter().any(|k| test(*k));
    match found {
        _ if wanted == [Kind::Clock] => "make a clock of the reference channel, and name it here",
        Kind::Clock => "name the channel that the clock was made of, or a flow made with the clock",
        Kind::Phasor if has(|k| k == Kind::Wave) => {
            "take its amplitude or phase, or do this before the mixing"
        }
        Kind::Wave if has(|k| k == Kind::Phasor) => "mix it with a reference first",
        Kind::Wave | Kind::Phasor if has(Kind::is_estimate) => {
            "average the samples of a point first"
        }
        Kind::ComplexEstimate if has(|k| k == Kind::Estimate) => {
            "take its amplitude or phase first"
        }
        Kind::Estimate if has(|k| k == Kind::ComplexEstimate) => {
            "name the phasor's average, before its amplitude is taken"
        }
        Kind::Estimate | Kind::ComplexEstimate => "name the samples from before they were averaged",
        _ => "keep it as a result; nothing more can be computed from it",
    }
}

/// The stages that recipes may use.
#[derive(Clone, Copy)]
pub struct Registry {
    stages: &'static [&'static dyn Stage],
}

impl Registry {
    /// A registry of these stages, in the order of the catalogue.
    pub const fn new(stages: &'static [&'static dyn Stage]) -> Self {
        Registry { stages }
    }

    /// The stage of this name.
    pub fn get(&self, name: &str) -> Option<&'static dyn Stage> {
        self.stages.iter().copied().find(|s| s.name() == name)
    }

    /// All stages, in the order of the catalogue.
    pub fn iter(&self) -> impl Iterator<Item = &'static dyn Stage> {
        self.stages.iter().copied()
    }
}
