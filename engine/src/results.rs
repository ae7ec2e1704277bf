//! What a run leaves: groups in the result file, the table of estimates, and lines that sum up.

use crate::aspect::Aspect;
use crate::check::Kept;
use crate::companions;
use crate::diagnostic::Diagnostics;
use crate::flow::{Flow, Kind};
use crate::recipe::{Recipe, Wiring};
use crate::run::{Drawn, Finding, Job, Outcome, Share, Sink, peak_memory};
use crate::saved::{SUPERSEDES, Supersedes};
use crate::session::Sweep;
use crate::store::{ResultWriter, StoreError};
use crate::units::{Unit, format_expanded, format_plain, format_uncertain};
use crate::value::{Coverage, Estimate, Table, Value};

/// Makes the entry of a job and room for its kept samples.
pub fn open(
    writer: &mut ResultWriter,
    entry: &str,
    job: &Job<'_>,
) -> Result<Vec<Sink>, StoreError> {
    writer.entry(entry, &job.recipe.title)?;
    let mut sinks = Vec::new();
    for kept in job.sampled_results() {
        let (Some(flow), Some(set)) = (job.typed.flow(kept.node, kept.port), job.set_of(kept.node))
        else {
            continue;
        };
        let points = set.points().len() as u64;
        let longest = job.longest(kept.node, flow);
        let rate = flow.rate.unwrap_or(1.0);
        let sink = writer.samples(
            entry, &kept.name, flow.kind, &flow.unit, rate, &set.axis, points, longest,
        )?;
        sinks.push(Sink {
            node: kept.node,
            port: kept.port,
            sink,
        });
    }
    Ok(sinks)
}

/// Writes the kept values of a job.
pub fn write(
    writer: &mut ResultWriter,
    entry: &str,
    job: &Job<'_>,
    outcome: &Outcome,
) -> Result<(), StoreError> {
    for (kept, flow, values) in kept_values(job, outcome) {
        let axis = job.axis_of(kept.node);
        if flow.kind.is_estimate() {
            let estimates: Vec<Option<&Estimate>> = values
                .iter()
                .map(|v| v.as_ref().and_then(Value::estimate))
                .collect();
            let complex = flow.kind.is_complex();
            writer.series(entry, &kept.name, flow, &axis, &estimates)?;
            let here = |d: &&Drawn| (d.node, d.port) == (kept.node, kept.port);
            if let Some(simulation) = &outcome.simulation
                && let Some(drawn) = simulation.results.iter().find(here)
            {
                let points = &drawn.points;
                writer.drawn(entry, &kept.name, &flow.unit, complex, simulation, points)?;
            }
        } else if let Some((name, unit)) = &flow.abscissa {
            let tables: Vec<Option<&Table>> = values
                .iter()
                .map(|v| match v {
                    Some(Value::Table(table)) => Some(table),
                    _ => None,
                })
                .collect();
            writer.table(entry, &kept.name, name, unit, &flow.unit, &axis, &tables)?;
        }
    }
    Ok(())
}

/// Kept flows that are values, with the values of all points.
pub(crate) fn kept_values<'o>(
    job: &'o Job<'_>,
    outcome: &'o Outcome,
) -> impl Iterator<Item = (&'o Kept, &'o Flow, &'o [Option<Value>])> {
    job.typed.results.iter().filter_map(|kept| {
        let flow = job.typed.flow(kept.node, kept.port)?;
        let values = outcome.values[kept.node][kept.port].as_slice();
        (!flow.kind.is_sampled()).then_some((kept, flow, values))
    })
}

/// Writes the texts that a result file carries: recipe, wiring and plans.
pub fn write_texts(
    writer: &mut ResultWriter,
    recipe: &Recipe,
    wiring: &Wiring,
    jobs: &[(String, Job<'_>, Diagnostics)],
) -> Result<(), StoreError> {
    writer.text("/provenance/recipe", &recipe.source.text)?;
    writer.text("/provenance/recipe_name", &recipe.source.name)?;
    if let Some(source) = &wiring.source {
        writer.text("/provenance/wiring", &source.text)?;
        writer.text("/provenance/wiring_name", &source.name)?;
    }
    for (name, job, _) in jobs {
        writer.text(&format!("/provenance/plan/{name}"), &job.plan.to_string())?;
    }
    Ok(())
}

/// Writes where the time of the run went.
pub fn write_timings(writer: &mut ResultWriter, shares: &[Share]) -> Result<(), StoreError> {
    let account = serde_json::json!({
        "shares": shares,
        "peak_memory_bytes": peak_memory(),
    });
    writer.text("/provenance/timings", &account.to_string())
}

/// Writes which older results these take the place of.
pub fn write_supersedes(
    writer: &mut ResultWriter,
    supersedes: &Supersedes,
) -> Result<(), StoreError> {
    // Texts and lists of texts always have a JSON form.
    let record = serde_json::to_string_pretty(supersedes).unwrap_or_default();
    writer.text(SUPERSEDES, &record)
}

/// One line per kept estimate: its value, or its range over the points.
pub fn answers(job: &Job<'_>, outcome: &Outcome) -> Vec<String> {
    let mut lines = Vec::new();
    for (kept, flow, values) in kept_values(job, outcome) {
        if companions::told_elsewhere(job, kept) {
            continue;
        }
        let estimates: Vec<&Estimate> = values
            .iter()
            .flatten()
            .filter_map(Value::estimate)
            .collect();
        let convention = flow.convention.map_or(String::new(), |c| format!(" ({c})"));
        match estimates.as_slice() {
            [] if flow.kind.is_estimate() => lines.push(format!("{}: no value", kept.name)),
            [] => lines.push(format!(
                "{}: {} of {} points",
                kept.name,
                values.iter().flatten().count(),
                values.len()
            )),
            [one] => {
                let point = values.iter().position(Option::is_some).unwrap_or(0);
                let told = companions::of_one(job, outcome, kept, point, one);
                let told = told.unwrap_or_else(|| in_words(flow, is_bare(job, kept), one));
                lines.push(format!("{}{convention}: {told}", kept.name));
            }
            several => {
                let size = |e: &&Estimate| {
                    if flow.kind == Kind::ComplexEstimate {
                        libm::hypot(e.value.re, e.value.im)
                    } else {
                        e.value.re
                    }
                };
                let low = several.iter().map(size).fold(f64::INFINITY, f64::min);
                let high = several.iter().map(size).fold(f64::NEG_INFINITY, f64::max);
                let what = if flow.kind.is_complex() {
                    "amplitude "
                } else {
                    ""
                };
                lines.push(format!(
                    "{}{convention}: {} of {} points, {what}{} to {}{}",
                    kept.name,
                    several.len(),
                    values.len(),
                    format_plain(low, &flow.unit, 5),
                    format_plain(high, &flow.unit, 5),
                    companions::of_several(job, outcome, kept, values)
                ));
                if let (Some(flagged), Some(line)) = (
                    flagged_in(job, outcome, kept, values.len()),
                    lines.last_mut(),
                ) {
                    *line += &format!("; {flagged}");
                }
            }
        }
    }
    lines
}

/// The points that failed or carry a remark in the chain of a kept estimate, in words.
fn flagged_in(job: &Job<'_>, outcome: &Outcome, kept: &Kept, points: usize) -> Option<String> {
    let chain = job.typed.chain(kept.node);
    let behind = |f: &&Finding| {
        let mut names = chain.iter().map(|n| &job.plan.names[*n]);
        f.recording.is_empty() && (f.node.is_empty() || names.any(|n| *n == f.node))
    };
    let told = |all: &[Finding]| -> Vec<String> {
        all.iter().filter(behind).map(ToString::to_string).collect()
    };
    let (failures, remarks) = (told(&outcome.failures), told(&outcome.remarks));
    crate::lineage::flagged(
        points as u64,
        failures.iter().map(String::as_str),
        remarks.iter().map(String::as_str),
    )
}

/// The first kept estimate, where it has values at several points.
pub fn sweep(job: &Job<'_>, outcome: &Outcome) -> Option<Sweep> {
    let mut estimates = kept_values(job, outcome).filter(|(_, flow, _)| flow.kind.is_estimate());
    let (kept, flow, values) = estimates.next()?;
    let axis = job.axis_of(kept.node);
    let aspect = match flow.kind.is_complex() {
        true => Aspect::Amplitude,
        false => Aspect::Value,
    };
    let point = |(k, value): (usize, &Option<Value>)| {
        let place = axis.values.get(k).copied().unwrap_or(k as f64);
        let estimate = value.as_ref().and_then(Value::estimate);
        (place, estimate.map_or(f64::NAN, |e| aspect.of(e)))
    };
    let points: Vec<(f64, f64)> = values.iter().enumerate().map(point).collect();
    (points.len() > 1).then(|| Sweep {
        name: kept.name.clone(),
        unit: flow.unit.clone(),
        axis: (axis.name.clone(), axis.unit.clone()),
        points,
    })
}

/// How far the intervals that were drawn lie from those of first order: one line per kept estimate.
pub fn compared(job: &Job<'_>, outcome: &Outcome) -> Vec<String> {
    let Some(simulation) = &outcome.simulation else {
        return Vec::new();
    };
    let mut coverage = Coverage::default();
    let lines = simulation.results.iter().map(|drawn| {
        let kept = job.typed.results.iter();
        let mut kept = kept.filter(|k| (k.node, k.port) == (drawn.node, drawn.port));
        let name = kept.next().map_or("", |k| k.name.as_str());
        let values = &outcome.values[drawn.node][drawn.port];
        let mut worst = 0.0f64;
        for (value, numbers) in values.iter().zip(&drawn.points) {
            let (Some(Value::Estimate(estimate)), Some(numbers)) = (value, numbers) else {
                continue;
            };
            let plain = Estimate {
                drawn: None,
                ..estimate.clone()
            };
            let aspects = Aspect::all(numbers.aspects.len() > 1);
            for (aspect, (_, drawn)) in aspects.iter().zip(&numbers.aspects) {
                let Some(computed) = aspect.interval(&plain, &mut coverage) else {
                    continue;
                };
                let apart = (drawn.low - computed.low)
                    .abs()
                    .max((drawn.high - computed.high).abs());
                worst = worst.max(apart / computed.u);
            }
        }
        format!(
            "{name}: {} trials give 95 % intervals whose ends lie within {worst:.2} standard uncertainties of those \
             computed",
            simulation.trials
        )
    });
    lines.collect()
}

/// Whether a kept output has no uncertainty of its own.
pub(crate) fn is_bare(job: &Job<'_>, kept: &Kept) -> bool {
    let ports = job.typed.ports[kept.node].as_ref();
    ports.and_then(|p| p.get(kept.port)).is_some_and(|p| p.bare)
}

/// The numbers of an estimate with their standard uncertainties, and of a real one the 95 % interval.
fn in_words(flow: &Flow, bare: bool, estimate: &Estimate) -> String {
    let complex = flow.kind.is_complex();
    let degree = Unit::degree();
    let mut coverage = Coverage::default();
    let mut show = |&aspect: &Aspect| {
        let x = aspect.of(estimate);
        let unit = if aspect == Aspect::Phase {
            &degree
        } else {
            &flow.unit
        };
        let digits = |x: f64| format_plain(x, unit, 6);
        match aspect.interval(estimate, &mut coverage) {
            None if bare => digits(x),
            None => format!("{} (uncertainty not evaluated)", digits(x)),
            Some(i) if i.degrees_of_freedom.is_nan() => {
                format!(
                    "{} (drawn: 95 % from {} to {})",
                    digits(x),
                    digits(i.low),
                    digits(i.high)
                )
            }
            Some(i) if !complex && i.u > 0.0 => {
                let factor = (100.0 * (i.high - x) / i.u).round() / 100.0;
                format!(
                    "{}; at 95 % {}",
                    format_uncertain(x, i.u, unit),
                    format_expanded(x, i.u, factor, unit)
                )
            }
            Some(i) => format_uncertain(x, i.u, unit),
        }
    };
    let named = |aspect: &Aspect| match aspect {
        Aspect::Value => show(aspect),
        _ => format!("{} {}", aspect.words(), show(aspect)),
    };
    let all: Vec<String> = Aspect::all(complex).iter().map(named).collect();
    all.join(", ")
}
