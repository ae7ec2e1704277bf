//! The frequency of the signal that an estimate tells, n/m times that of its clock, where a stage needs it.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::{Flow, Kind};
use phasemill_engine::stage::Checker;
use phasemill_engine::units::Unit;
use phasemill_engine::value::Estimate;

/// Frequency of the signal over that of its clock; `None` for a flow without a clock.
pub fn harmonic(input: &Flow) -> Option<f64> {
    let (_, n, m) = input.clock.as_ref()?;
    Some(f64::from(*n) / f64::from(*m))
}

/// Checks that the frequency of the signal will be known at the run: the recipe states that of the clock, or names an
/// estimate of it in `frequency`, the second input. What is known of it now, in Hz. `setting` needs it, and `what` says
/// for what.
pub fn check(
    input: &Flow,
    measured: Option<&Flow>,
    (setting, what): (&'static str, &str),
    checker: &mut Checker<'_>,
) -> Option<f64> {
    let Some(harmonic) = harmonic(input) else {
        let message = "expected an estimate relative to a clock, found one without";
        let help = format!(
            "{what} needs the frequency of the signal; average what was mixed with a reference"
        );
        checker.error("of", Code::WrongFlow, message, help);
        return None;
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
        let message =
            format!("expected the frequency of the signal, which {what} needs, found none");
        let help = "name that of the reference, as in `frequency: \"clock.frequency\"`";
        checker.error(setting, Code::MissingSetting, message, help);
    }
    input.frequency.or(input.expected).map(|f| f * harmonic)
}

/// The frequency of the clock in Hz: the measured one, or else what the recipe states; NaN where neither is there.
pub fn of_clock(input: &Flow, measured: Option<&Estimate>) -> f64 {
    let own = measured.map(|m| m.value.re).or(input.frequency);
    own.unwrap_or(f64::NAN)
}

/// What is uncertain of a measured frequency, as an estimate around zero; one without an evaluated uncertainty counts as
/// exact.
pub fn change_of_clock(measured: Option<&Estimate>) -> Estimate {
    Estimate {
        parts: Some(measured.and_then(|m| m.parts.clone()).unwrap_or_default()),
        ..Estimate::real(0.0)
    }
}
