//! A gain that a table gives against frequency, as a factor of `Amplify`.

use std::sync::Arc;

use num_complex::Complex64;
use phasemill_engine::constant::{Constant, GainTable};
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::Flow;
use phasemill_engine::lineage::stated;
use phasemill_engine::stage::{Checker, Fault};
use phasemill_engine::value::{About, Estimate};

use crate::math::signal;

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
        let known = signal::check(input, measured, (setting, "a table"), checker);
        let (low, high) = self.table.range();
        if let Some(f) = known.filter(|f| !(low..=high).contains(f)) {
            let message = format!(
                "expected a frequency from {} to {}, which the table holds, found {}",
                stated(low, "Hz"),
                stated(high, "Hz"),
                stated(f, "Hz")
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
        let own = signal::of_clock(input, measured);
        let frequency = own * signal::harmonic(input).unwrap_or(f64::NAN);
        let (low, high) = self.table.range();
        let found = self.table.at(frequency).ok_or_else(|| Fault::Numeric {
            what: "gain of the table",
            why: format!(
                "expected a frequency from {} to {}, found {}",
                stated(low, "Hz"),
                stated(high, "Hz"),
                stated(frequency, "Hz")
            ),
        })?;
        let sign = f64::from(self.power);
        let listed = self.about.iter().flat_map(|a| self.table.parts(a, &found));
        let entries = Estimate {
            parts: Some(listed.collect()),
            ..Estimate::real(0.0)
        };
        let clock = signal::change_of_clock(measured);
        let change = Estimate::propagate(&[&entries, &clock], 0.0.into(), |which, d| match which {
            0 => d * sign,
            _ => found.slope * (d.re / own * sign),
        });
        let factor = match self.power {
            1 => found.gain,
            _ => found.gain.inv(),
        };
        Ok((factor, change))
    }
}
