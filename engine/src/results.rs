//! What a run leaves: groups in the result file, the table of estimates, and lines that sum up.

use std::path::{Path, PathBuf};

use crate::diagnostic::Diagnostics;
use crate::flow::{Flow, Kind};
use crate::lineage::Lineage;
use crate::recipe::{Recipe, Wiring};
use crate::run::{Job, Outcome, Sink};
use crate::store::{ResultWriter, StoreError};
use crate::units::{Unit, format_uncertain};
use crate::value::{Estimate, Table, Value};

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
            writer.series(
                entry,
                &kept.name,
                &flow.unit,
                &axis,
                flow.convention,
                &estimates,
                complex,
            )?;
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
fn kept_values<'o>(
    job: &'o Job<'_>,
    outcome: &'o Outcome,
) -> impl Iterator<Item = (&'o crate::check::Kept, &'o Flow, &'o [Option<Value>])> {
    job.typed.results.iter().filter_map(|kept| {
        let flow = job.typed.flow(kept.node, kept.port)?;
        let values = outcome.values[kept.node][kept.port].as_slice();
        (!flow.kind.is_sampled()).then_some((kept, flow, values))
    })
}

/// Writes the texts that a result file carries: recipe, wiring, plans and lineage.
pub fn write_texts(
    writer: &mut ResultWriter,
    recipe: &Recipe,
    wiring: &Wiring,
    jobs: &[(String, Job<'_>, Diagnostics)],
    lineage: &Lineage,
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
    // Texts, numbers and lists always have a JSON form.
    let record = serde_json::to_string_pretty(lineage).unwrap_or_default();
    writer.text("/provenance/lineage", &record)
}

/// Names and values of the real columns that an estimate is shown as, in the flow's unit.
fn columns(flow: &Flow, estimate: Option<&Estimate>) -> Vec<(&'static str, f64)> {
    let factor = flow.unit.si_factor();
    let value = estimate.map(|e| e.value / factor);
    let u = estimate
        .and_then(Estimate::standard_uncertainty)
        .map(|u| u / factor);
    let part = |z: Option<num_complex::Complex64>, imaginary: bool| {
        z.map_or(f64::NAN, |z| if imaginary { z.im } else { z.re })
    };
    if !flow.kind.is_complex() {
        return vec![("", part(value, false)), ("u", part(u, false))];
    }
    vec![
        ("in_phase", part(value, false)),
        ("in_phase.u", part(u, false)),
        ("quadrature", part(value, true)),
        ("quadrature.u", part(u, true)),
        (
            "amplitude",
            value.map_or(f64::NAN, |z| libm::hypot(z.re, z.im)),
        ),
        (
            "phase",
            value.map_or(f64::NAN, |z| libm::atan2(z.im, z.re).to_degrees()),
        ),
    ]
}

/// A table of all estimates of a run, one row per recording and point.
#[derive(Debug, Default)]
pub struct Estimates {
    header: Vec<String>,
    /// Units of the kept estimates, as the first job states them.
    units: Vec<Unit>,
    rows: Vec<Vec<String>>,
}

impl Estimates {
    /// Adds the rows of one job. All jobs of a run have the same recipe and so the same columns, in the
    /// units of the first; a value of another dimension is left out.
    pub fn add(&mut self, entry: &str, job: &Job<'_>, outcome: &Outcome) {
        let mut kept: Vec<_> = kept_values(job, outcome)
            .filter(|(_, flow, _)| flow.kind.is_estimate())
            .map(|(kept, flow, values)| (kept, flow.clone(), values))
            .collect();
        let points = kept
            .iter()
            .map(|(.., values)| values.len())
            .max()
            .unwrap_or(0);
        if self.units.is_empty() {
            self.units = kept.iter().map(|(_, flow, _)| flow.unit.clone()).collect();
        }
        for ((_, flow, values), unit) in kept.iter_mut().zip(&self.units) {
            if !flow.unit.same_dimension(unit) {
                *values = &[];
            }
            flow.unit = unit.clone();
        }
        let axis = kept
            .iter()
            .map(|(k, ..)| job.axis_of(k.node))
            .find(|a| a.values.len() == points)
            .unwrap_or_default();
        self.header = vec!["recording".into(), "point".into()];
        self.header
            .push(match (axis.name.as_str(), axis.unit.as_str()) {
                ("", _) => "axis".into(),
                (name, "") => name.to_owned(),
                (name, unit) => format!("{name} [{unit}]"),
            });
        for (kept, flow, _) in &kept {
            for (column, _) in columns(flow, None) {
                let unit = if column == "phase" {
                    "deg".into()
                } else {
                    flow.unit.ascii()
                };
                let dot = if column.is_empty() { "" } else { "." };
                self.header
                    .push(format!("{}{dot}{column} [{unit}]", kept.name));
            }
            self.header.push(format!("{}.count", kept.name));
        }
        self.header.push("failed".into());
        for point in 0..points {
            let mut row = vec![entry.to_owned(), point.to_string()];
            row.push(
                axis.values
                    .get(point)
                    .map_or(String::new(), |x| format!("{x:?}")),
            );
            for (_, flow, values) in &kept {
                let value = values.get(if values.len() == 1 { 0 } else { point });
                let estimate = value.and_then(|v| v.as_ref()?.estimate());
                let cells = columns(flow, estimate).into_iter().map(|(_, x)| x);
                row.extend(cells.map(|x| {
                    if x.is_nan() {
                        String::new()
                    } else {
                        format!("{x:?}")
                    }
                }));
                row.push(
                    estimate
                        .and_then(|e| e.count)
                        .map_or(String::new(), |n| n.to_string()),
                );
            }
            let here = outcome
                .failures
                .iter()
                .filter(|f| f.recording.is_empty() && f.point.is_none_or(|p| p == point as u64));
            row.push(here.map(ToString::to_string).collect::<Vec<_>>().join("; "));
            self.rows.push(row);
        }
    }
}

/// A table on its way to its file, as CSV (RFC 4180); complete or absent.
pub struct CsvFile {
    path: PathBuf,
    file: tempfile::NamedTempFile,
}

impl CsvFile {
    /// Makes room beside `path`, which must not exist unless it may be replaced.
    pub fn create(path: &Path, overwrite: bool) -> Result<Self, StoreError> {
        if path.exists() && !overwrite {
            return Err(StoreError::Exists { file: path.into() });
        }
        Ok(CsvFile {
            path: path.into(),
            file: crate::store::beside(path)?,
        })
    }

    /// Writes the table, not yet under its name.
    pub fn write(&mut self, table: &Estimates) -> Result<(), StoreError> {
        let failed = |why: String| StoreError::Write {
            file: self.path.clone(),
            why,
        };
        let mut csv = csv::Writer::from_writer(&self.file);
        let mut rows = std::iter::once(&table.header).chain(&table.rows);
        rows.try_for_each(|row| csv.write_record(row))
            .map_err(|e| failed(e.to_string()))?;
        csv.flush().map_err(|e| failed(e.to_string()))
    }

    /// Gives the table its name.
    pub fn publish(self) -> Result<(), StoreError> {
        crate::store::publish(self.file, &self.path)
    }
}

/// One line per kept estimate: its value, or its range over the points.
pub fn answers(job: &Job<'_>, outcome: &Outcome) -> Vec<String> {
    let mut lines = Vec::new();
    for (kept, flow, values) in kept_values(job, outcome) {
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
            [one] => lines.push(format!(
                "{}{convention}: {}",
                kept.name,
                in_words(flow, one)
            )),
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
                    "{}{convention}: {} of {} points, {what}{} to {}",
                    kept.name,
                    several.len(),
                    values.len(),
                    crate::units::format_quantity(low, &flow.unit, 5),
                    crate::units::format_quantity(high, &flow.unit, 5)
                ));
            }
        }
    }
    lines
}

fn in_words(flow: &Flow, estimate: &Estimate) -> String {
    let u = estimate.standard_uncertainty();
    let show = |x: f64, u: Option<f64>| match u {
        Some(u) => format_uncertain(x, u, &flow.unit),
        None => format!(
            "{} (uncertainty not evaluated)",
            crate::units::format_quantity(x, &flow.unit, 6)
        ),
    };
    if !flow.kind.is_complex() {
        return show(estimate.value.re, u.map(|u| u.re));
    }
    let (x, y) = (estimate.value.re, estimate.value.im);
    format!(
        "in phase {}, quadrature {}, amplitude {}, phase {:.3} deg",
        show(x, u.map(|u| u.re)),
        show(y, u.map(|u| u.im)),
        crate::units::format_quantity(libm::hypot(x, y), &flow.unit, 6),
        libm::atan2(y, x).to_degrees()
    )
}
