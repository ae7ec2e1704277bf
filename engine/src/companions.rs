//! How a person is told of an output together with those that say how far it can be trusted.

use crate::check::Kept;
use crate::flow::Companions;
use crate::run::{Job, Outcome};
use crate::units::{format_beside, format_quantity, format_uncertain};
use crate::value::{Estimate, Value};

/// Whether a kept output is told together with another one that is kept too.
pub fn told_elsewhere(job: &Job<'_>, kept: &Kept) -> bool {
    let others = job.typed.results.iter();
    others.filter(|o| o.node == kept.node).any(|o| {
        of(job, o).is_some_and(|c| {
            let all = [Some(c.low), Some(c.high), Some(c.detected), c.limit];
            all.contains(&Some(kept.port))
        })
    })
}

fn of(job: &Job<'_>, kept: &Kept) -> Option<Companions> {
    job.typed.ports[kept.node]
        .as_ref()?
        .get(kept.port)?
        .companions
}

fn number(outcome: &Outcome, node: usize, port: usize, point: usize) -> Option<f64> {
    let value = outcome.values[node].get(port)?.get(point)?.as_ref()?;
    Some(value.estimate()?.value.re)
}

/// What is told of an estimate at a point; `None` where it has no companions, or they say nothing.
pub fn of_one(
    job: &Job<'_>,
    outcome: &Outcome,
    kept: &Kept,
    point: usize,
    estimate: &Estimate,
) -> Option<String> {
    let companions = of(job, kept)?;
    let unit = &job.typed.flow(kept.node, kept.port)?.unit;
    let number = |port| number(outcome, kept.node, port, point);
    let detected = number(companions.detected).filter(|d| !d.is_nan())?;
    if let Some(limit) = companions
        .limit
        .and_then(number)
        .filter(|_| detected == 0.0)
    {
        return Some(format!(
            "not detected, below {} at 95 %",
            format_quantity(limit, unit, 3)
        ));
    }
    let (low, high) = (number(companions.low)?, number(companions.high)?);
    if low.is_nan() || high.is_nan() {
        return Some("undetermined".into());
    }
    let u = estimate.standard_uncertainty()?.re;
    let value = format_uncertain(estimate.value.re, u, unit);
    // An interval is as wide as the uncertainty, and must not look empty beside a value that is told to more digits.
    let show = |x: f64| format_beside(x, u, unit, 3);
    Some(format!("{value}; at 95 % {} to {}", show(low), show(high)))
}

/// At how many points of several nothing was detected, as the end of a line.
pub fn of_several(
    job: &Job<'_>,
    outcome: &Outcome,
    kept: &Kept,
    values: &[Option<Value>],
) -> String {
    let Some(companions) = of(job, kept) else {
        return String::new();
    };
    let missed = (0..values.len())
        .filter(|point| number(outcome, kept.node, companions.detected, *point) == Some(0.0))
        .count();
    match missed {
        0 => String::new(),
        n => format!(", {n} not detected"),
    }
}
