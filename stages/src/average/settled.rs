//! Whether what `Average` averages has settled.

use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::Flow;
use phasemill_engine::stage::Checker;
use phasemill_engine::units::{Unit, format_quantity};

use super::{Settings, seconds};

/// Part of a signal by which the start of a point may make its mean wrong without a word.
const SETTLED: f64 = 1e-3;

impl Settings {
    /// Warns where what is skipped leaves so much of the step at the start of a point that the mean is off.
    pub(super) fn check_settled(&self, input: &Flow, checker: &mut Checker<'_>) {
        let times = self.skipped_time(input).zip(input.duration());
        let Some((skip, duration)) = times.filter(|(skip, duration)| skip < duration) else {
            return;
        };
        let left = input.response.left_of_step(skip, duration).unwrap_or(0.0);
        if left.abs() < SETTLED {
            return;
        }
        let settled = input.response.settling_time(1e-4);
        checker.warn(
            "skip",
            Code::Time,
            format!(
                "the mean begins before the chain has settled: of a signal that is there from the start of a point it is \
                 {} % too {}",
                format_quantity(100.0 * left.abs(), &Unit::one(), 2),
                if left > 0.0 { "small" } else { "large" }
            ),
            match settled {
                Some(time) if time < duration => format!(
                    "leave `skip` out: the chain settles to 0.01 % in {}",
                    seconds(time)
                ),
                _ => "record longer points, or filter less".into(),
            },
        );
    }

    /// Whether no stretch between gaps is long enough for the filters to settle, and the first is skipped.
    pub(super) fn never_settles(&self, input: &Flow, skip: f64) -> bool {
        let skipped = input.rate.map_or(0.0, |rate| skip * rate);
        let first = input.missing.gap.is_some_and(|gap| gap as f64 <= skipped);
        first && input.missing.longest == Some(0)
    }
}
