//! A gain that a table gives against frequency, as a factor of `Amplify`.

use std::sync::Arc;

use num_complex::Complex64;
use phasemill_engine::constant::{Constant, GainTable};
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind};
use phasemill_engine::stage::{Checker, Fault};
use phasemill_engine::units::Unit;
use phasemill_engine::value::{About, Estimate};

/// A table and the power with which it enters.
#[derive(Clone)]
pub(super) struct Tabulated {
    table: Arc<GainTable>,
    /// `None` where no uncertainty is stated.
    about: Option<Arc<About>>,
    /// 1 or -1.
    power: i32,
}

impl Tabulated {
    /// `None` for a constant that does not depend on frequency.
    pub(super) fn new(constant: &Constant, power: i32) -> Option<Self> {
        Some(Tabulated {
            table: constant.table.clone()?,
            about: constant.about(),
            power,
        })
    }

    /// Whether the frequency of the signal is known at the run, and lies in the table as far as it is known now.
    pub(super) fn check(&self, input: &Flow, measured: Option<&Flow>, checker: &mut Checker<'_>) {
        let setting = match self.power {
            1 => "multiply_by",
            _ => "divide_by",
        };
        let Some(harmonic) = harmonic(input) else {
            let message = "expected an estimate relative to a clock, found one without";
            let help = "a table needs the frequency of the signal; average what was mixed with a reference";
            return checker.error("of", Code::WrongFlow, message, help);
        };
        if let Some(measured) = measured {
            let is_frequency = measured.unit.same_dimension(&Unit::hertz());
            if checker.expect_kind(1, measured, &[Kind::Estimate]) && !is_frequency {
                let message = format!(
                    "expected a frequency, found an estimate in {}",
                    measured.unit
                );
                let help = "name the frequency of the reference, as in \"clock.frequency\"";
                checker.error("frequency", Code::Unit, message, help);
            }
        } else if input.frequency.is_none() {
            let message = "expected the frequency at which the table is taken, found none";
            let help = "name it, as in `frequency: \"clock.frequency\"`";
            checker.error(setting, Code::MissingSetting, message, help);
        }
        let (low, high) = self.table.range();
        let known = input.frequency.or(input.expected).map(|f| f * harmonic);
        if let Some(f) = known.filter(|f| !(low..=high).contains(f)) {
            let message = format!(
                "expected a frequency from {low} Hz to {high} Hz, which the table holds, found {f} Hz"
            );
            let help = "extend the table; nothing is known outside it";
            checker.error(setting, Code::OutOfRange, message, help);
        }
    }

    /// The factor at the frequency of the signal, and its relative change as an estimate around zero. A measured
    /// frequency without an evaluated uncertainty counts as exact.
    pub(super) fn at(
        &self,
        input: &Flow,
        measured: Option<&Estimate>,
    ) -> Result<(Complex64, Estimate), Fault> {
        let own = measured.map(|m| m.value.re).or(input.frequency);
        let frequency = own.unwrap_or(f64::NAN) * harmonic(input).unwrap_or(f64::NAN);
        let (low, high) = self.table.range();
        let found = self.table.at(frequency).ok_or_else(|| Fault::Numeric {
            what: "gain of the table",
            why: format!(
                "expected a frequency from {low} Hz to {high} Hz, found {frequency:.6} Hz"
            ),
        })?;
        let sign = f64::from(self.power);
        let listed = self.about.iter().flat_map(|a| self.table.parts(a, &found));
        let entries = Estimate {
            parts: Some(listed.collect()),
            ..Estimate::real(0.0)
        };
        let clock = Estimate {
            parts: Some(measured.and_then(|m| m.parts.clone()).unwrap_or_default()),
            ..Estimate::real(0.0)
        };
        let change = Estimate::propagate(&[&entries, &clock], 0.0.into(), |which, d| match which {
            0 => d * sign,
            _ => found.slope * (d.re / own.unwrap_or(f64::NAN) * sign),
        });
        let factor = match self.power {
            1 => found.gain,
            _ => found.gain.inv(),
        };
        Ok((factor, change))
    }
}

/// Frequency of the signal over that of its clock.
fn harmonic(input: &Flow) -> Option<f64> {
    let (_, n, m) = input.clock.as_ref()?;
    Some(f64::from(*n) / f64::from(*m))
}
