//! A turn by a phase or a time that the recipe states.

use std::f64::consts::TAU;
use std::sync::Arc;

use num_complex::Complex64;
use phasemill_engine::constant::Constant;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind};
use phasemill_engine::lineage::stated;
use phasemill_engine::stage::Checker;
use phasemill_engine::value::{About, Estimate, Part};

use super::unit;
use crate::math::signal;

/// What the recipe states.
#[derive(Clone)]
pub(super) struct Known {
    what: What,
    value: f64,
    /// The constant's; empty for a quantity written in place.
    name: String,
    /// `None` where no uncertainty is stated.
    about: Option<Arc<About>>,
}

#[derive(Clone, Copy, PartialEq)]
enum What {
    /// Radians.
    Phase,
    /// Seconds.
    Delay,
}

impl Known {
    /// A phase.
    pub(super) fn phase(constant: &Constant) -> Self {
        Self::new(What::Phase, constant)
    }

    /// A time by which the signal is late.
    pub(super) fn delay(constant: &Constant) -> Self {
        Self::new(What::Delay, constant)
    }

    fn new(what: What, constant: &Constant) -> Self {
        Known {
            what,
            value: constant.value,
            name: constant.name.clone(),
            about: constant.about(),
        }
    }

    /// Whether it is a time.
    pub(super) fn is_delay(&self) -> bool {
        self.what == What::Delay
    }

    /// The phase in radians; `None` for a time.
    pub(super) fn stated_phase(&self) -> Option<f64> {
        (!self.is_delay()).then_some(self.value)
    }

    /// Samples are turned by a phase that is exactly known; an estimate by any, whose frequency is known at the run.
    pub(super) fn check(&self, input: &Flow, measured: Option<&Flow>, checker: &mut Checker<'_>) {
        let of_samples = input.kind == Kind::Phasor;
        if of_samples && (self.is_delay() || self.about.is_some()) {
            let what = match self.what {
                What::Phase => "where the phase has an uncertainty",
                What::Delay => "that a time can turn",
            };
            checker.error(
                "of",
                Code::WrongFlow,
                format!("expected an estimate {what}, found samples"),
                "average first, and turn the average",
            );
        } else if self.is_delay() {
            signal::check(input, measured, ("by", "a delay"), checker);
        }
    }

    /// An estimate that is turned; `measured` is the frequency of its clock, where the recipe names one.
    pub(super) fn turned(
        &self,
        z: &Estimate,
        input: &Flow,
        measured: Option<&Estimate>,
    ) -> Estimate {
        // Radians per unit of what is stated, and per hertz of the clock.
        let (per_unit, per_hertz) = match self.what {
            What::Phase => (1.0, 0.0),
            What::Delay => {
                let cycles = signal::harmonic(input).unwrap_or(f64::NAN);
                let per_unit = TAU * cycles * signal::of_clock(input, measured);
                (per_unit, TAU * cycles * self.value)
            }
        };
        let turn = unit(per_unit * self.value);
        let value = z.value * turn;
        let alone = Estimate::propagate(&[z], value, |_, d| d * turn);
        let part = |about: &Arc<About>| {
            let known = about.quantity.as_ref()?;
            Some(Part::new(about, 0, known.standard_uncertainty))
        };
        let stated = Estimate {
            parts: Some(self.about.iter().filter_map(part).collect()),
            ..Estimate::real(0.0)
        };
        let clock = signal::change_of_clock(measured);
        let along = value * Complex64::I;
        let together =
            Estimate::propagate(&[&alone, &stated, &clock], value, |which, d| match which {
                0 => d,
                1 => along * (per_unit * d.re),
                _ => along * (per_hertz * d.re),
            });
        Estimate {
            parts: together.parts,
            ..alone
        }
    }

    /// What it did to a flow of this name, as a sentence.
    pub(super) fn told(&self, of: &str) -> String {
        let constant = match self.name.as_str() {
            "" => String::new(),
            name => format!(", the constant \"{name}\""),
        };
        match self.what {
            What::Phase => {
                let phase = stated(self.value, "deg");
                format!("The phase of {of} was turned by {phase}{constant}.")
            }
            What::Delay => {
                let time = stated(self.value, "s");
                format!(
                    "The phase of {of} was turned by what a delay of {time}{constant} makes at the frequency of the signal."
                )
            }
        }
    }
}
