//! Tables of a run as CSV: its estimates, and what their uncertainties are made of.

use std::path::{Path, PathBuf};

use crate::aspect::Aspect;
use crate::flow::Flow;
use crate::results::{is_bare, kept_values};
use crate::run::{Finding, Job, Outcome};
use crate::stage::SeriesAxis;
use crate::store::StoreError;
use crate::units::Unit;
use crate::value::{Contribution, Coverage, Estimate, Value};

/// A table, one row per list of cells.
#[derive(Debug, Default)]
pub struct Table {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
    /// Units of the kept estimates, as the first job states them.
    units: Vec<Unit>,
    /// Columns that are left out where no row has anything in them.
    companions: Vec<usize>,
    coverage: Coverage,
}

/// What was found at a point of the main recording as a cell. What is about all points together stands in every row, or
/// else in the first, where it is said to be so.
fn found_at(all: &[Finding], point: usize, of_all: Together) -> String {
    let own = all.iter().filter(|f| f.recording.is_empty());
    let words = own.filter_map(|finding| match (finding.point, of_all) {
        (None, Together::EveryRow) => Some(finding.to_string()),
        (None, Together::FirstRow) => (point == 0).then(|| format!("all points: {finding}")),
        (Some(at), _) => (at == point as u64).then(|| finding.to_string()),
    });
    words.collect::<Vec<_>>().join("; ")
}

/// Where it is told what is about all points together.
#[derive(Clone, Copy)]
enum Together {
    EveryRow,
    FirstRow,
}

/// A number as a cell; nothing for one that is not known.
fn cell(x: f64) -> String {
    if x.is_nan() {
        String::new()
    } else {
        format!("{x:?}")
    }
}

fn whole(n: Option<u64>) -> String {
    n.map_or(String::new(), |n| n.to_string())
}

fn axis_name(axis: &SeriesAxis) -> String {
    match (axis.name.as_str(), axis.unit.as_str()) {
        ("", _) => "axis".into(),
        (name, "") => name.to_owned(),
        (name, unit) => format!("{name} [{unit}]"),
    }
}

/// The unit of a number as a header has it, with how amplitudes are stated: `nA peak`.
fn stated_in(aspect: Aspect, flow: &Flow) -> String {
    let unit = unit_of(aspect, flow).0;
    match flow.convention {
        Some(convention) if aspect != Aspect::Phase => format!("{unit} {convention}"),
        _ => unit,
    }
}

/// The unit of a number of an estimate as tables show it, and its size in SI units.
fn unit_of(aspect: Aspect, flow: &Flow) -> (String, f64) {
    match aspect {
        Aspect::Phase => ("deg".into(), 1f64.to_radians()),
        _ => (flow.unit.ascii(), flow.unit.si_factor()),
    }
}

/// The name of a number of a result: that of the result itself for a real one.
fn full_name(result: &str, aspect: Aspect) -> String {
    match aspect {
        Aspect::Value => result.to_owned(),
        _ => format!("{result}.{}", aspect.name()),
    }
}

impl Table {
    /// A table of these cells.
    pub(crate) fn of(header: Vec<String>, rows: Vec<Vec<String>>) -> Self {
        Table {
            header,
            rows,
            ..Table::default()
        }
    }

    /// Adds one row per point of a job: every kept estimate with standard uncertainty (`.u`), ends of the
    /// 95 % interval (`.low`, `.high`) and degrees of freedom (`.dof`), then what failed there and what was remarked on.
    /// What has no uncertainty of its own, as a probability, is a column by itself, and what no row has is left out.
    /// All jobs of a run have the same
    /// recipe and so the same columns, in the units of the first, with how amplitudes are stated; a value of another dimension is left out.
    pub fn add_estimates(&mut self, entry: &str, job: &Job<'_>, outcome: &Outcome) {
        let mut kept: Vec<_> = kept_values(job, outcome)
            .filter(|(_, flow, _)| flow.kind.is_estimate())
            .map(|(kept, flow, values)| (kept, flow.clone(), values))
            .collect();
        let points = kept.iter().map(|(.., v)| v.len()).max().unwrap_or(0);
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
        self.header = vec!["recording".into(), "point".into(), axis_name(&axis)];
        self.companions.clear();
        for (kept, flow, _) in &kept {
            if is_bare(job, kept) {
                let (name, unit) = (&kept.name, stated_in(Aspect::Value, flow));
                self.header.push(format!("{name} [{unit}]"));
                continue;
            }
            for &aspect in Aspect::all(flow.kind.is_complex()) {
                let (name, unit) = (full_name(&kept.name, aspect), stated_in(aspect, flow));
                self.header.extend([
                    format!("{name} [{unit}]"),
                    format!("{name}.u [{unit}]"),
                    format!("{name}.low [{unit}]"),
                    format!("{name}.high [{unit}]"),
                    format!("{name}.dof [1]"),
                ]);
                let end = self.header.len();
                self.companions.extend(end - 4..end);
            }
            self.companions.push(self.header.len());
            self.header.push(format!("{}.count", kept.name));
            self.header.push(format!("{}.missing", kept.name));
        }
        self.header.extend(["failed", "remarks"].map(String::from));
        for point in 0..points {
            let at = axis.values.get(point);
            let mut row = vec![entry.to_owned(), point.to_string()];
            row.push(at.map_or(String::new(), |x| format!("{x:?}")));
            for (kept, flow, values) in &kept {
                let value = values.get(if values.len() == 1 { 0 } else { point });
                let estimate = value.and_then(|v| v.as_ref()?.estimate());
                if is_bare(job, kept) {
                    row.push(cell(self.numbers(Aspect::Value, flow, estimate)[0]));
                    continue;
                }
                for &aspect in Aspect::all(flow.kind.is_complex()) {
                    row.extend(self.numbers(aspect, flow, estimate).map(cell));
                }
                row.push(whole(estimate.and_then(|e| e.count)));
                row.push(whole(estimate.map(|e| e.missing)));
            }
            row.push(found_at(&outcome.failures, point, Together::EveryRow));
            row.push(found_at(&outcome.remarks, point, Together::FirstRow));
            self.rows.push(row);
        }
    }

    /// Value, standard uncertainty, 95 % interval and degrees of freedom.
    fn numbers(&mut self, aspect: Aspect, flow: &Flow, estimate: Option<&Estimate>) -> [f64; 5] {
        let (_, factor) = unit_of(aspect, flow);
        let value = estimate.map_or(f64::NAN, |e| aspect.of(e) / factor);
        match estimate.and_then(|e| aspect.interval(e, &mut self.coverage)) {
            Some(i) => [
                value,
                i.u / factor,
                i.low / factor,
                i.high / factor,
                i.degrees_of_freedom,
            ],
            None => [value, f64::NAN, f64::NAN, f64::NAN, f64::NAN],
        }
    }

    /// Adds the budgets of a job's kept estimates: one row for each source that contributes to a number of a
    /// result at a point, with its type (A or B), degrees of freedom, value, standard uncertainty and
    /// sensitivity where it is a quantity, what it contributes to the standard uncertainty, and its share of
    /// the variance.
    pub fn add_budgets(&mut self, entry: &str, job: &Job<'_>, outcome: &Outcome) {
        self.header = [
            "recording",
            "result",
            "point",
            "source",
            "type",
            "dof",
            "value",
            "standard uncertainty",
            "unit of the source",
            "sensitivity",
            "contribution",
            "unit",
            "share [%]",
        ]
        .map(String::from)
        .to_vec();
        for (kept, flow, values) in kept_values(job, outcome) {
            let estimates = values.iter().enumerate();
            let estimates =
                estimates.filter_map(|(i, v)| Some((i, v.as_ref().and_then(Value::estimate)?)));
            for (point, estimate) in estimates {
                let lines = estimate.contributions();
                for &aspect in Aspect::all(flow.kind.is_complex()) {
                    let Some((total, _)) = aspect.uncertainty(estimate) else {
                        continue;
                    };
                    let (unit, factor) = unit_of(aspect, flow);
                    for line in &lines {
                        let own = aspect.contribution(estimate, line);
                        let mut row = vec![entry.to_owned(), full_name(&kept.name, aspect)];
                        row.push(point.to_string());
                        row.extend(source(line, |effect| {
                            aspect.change(estimate, effect) / factor
                        }));
                        let share = 100.0 * own * own / (total * total);
                        row.extend([cell(own / factor), unit.clone(), cell(share)]);
                        self.rows.push(row);
                    }
                }
            }
        }
    }
}

/// Name, type, degrees of freedom, value, standard uncertainty, unit and sensitivity of a source.
fn source(line: &Contribution, change: impl Fn(num_complex::Complex64) -> f64) -> [String; 7] {
    let about = &line.about;
    let freedom = about.degrees_of_freedom;
    let mut cells = [
        about.name.clone(),
        about.evaluation.to_string(),
        cell(freedom),
        String::new(),
        String::new(),
        String::new(),
        String::new(),
    ];
    if let Some(known) = &about.quantity {
        let u = known.standard_uncertainty / known.unit.si_factor();
        cells[3] = cell(known.unit.number_of(known.value));
        cells[4] = cell(u);
        cells[5] = known.unit.ascii();
        cells[6] = cell(line.effect.map_or(f64::NAN, |effect| change(effect) / u));
    }
    cells
}

/// A table on its way to its file, as CSV (RFC 4180); complete or absent.
pub struct CsvFile {
    path: PathBuf,
    file: tempfile::NamedTempFile,
}

impl CsvFile {
    /// Makes room beside `path`, which must not exist unless it may be replaced.
    ///
    /// # Errors
    /// [`StoreError::Exists`]; [`StoreError::Write`] where the folder cannot be written to.
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
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn write(&mut self, table: &Table) -> Result<(), StoreError> {
        let failed = |why: String| StoreError::Write {
            file: self.path.clone(),
            why,
        };
        let mut csv = csv::Writer::from_writer(&self.file);
        let empty = |column: &usize| table.rows.iter().all(|row| row[*column].is_empty());
        let idle: Vec<usize> = table.companions.iter().copied().filter(empty).collect();
        let mut rows = std::iter::once(&table.header).chain(&table.rows);
        rows.try_for_each(|row| {
            let cells = row.iter().enumerate();
            csv.write_record(
                cells
                    .filter(|(k, _)| !idle.contains(k))
                    .map(|(_, cell)| cell),
            )
        })
        .map_err(|e| failed(e.to_string()))?;
        csv.flush().map_err(|e| failed(e.to_string()))
    }

    /// Gives the table its name.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn publish(self) -> Result<(), StoreError> {
        crate::store::publish(self.file, &self.path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flow::{Convention, Kind};

    /// A remark on a series says nothing of any one point, and a failure of it is why every one has no value.
    #[test]
    fn what_is_about_all_points_is_remarked_on_once() {
        let finding = |point: Option<u64>, recording: &str, message: &str| Finding {
            recording: recording.into(),
            point,
            node: "fit".into(),
            message: message.into(),
        };
        let all = [
            finding(None, "", "bends"),
            finding(Some(1), "", "clipped"),
            finding(Some(1), "blocked", "elsewhere"),
        ];
        let told = |point: usize, of_all| found_at(&all, point, of_all);
        assert_eq!(told(0, Together::FirstRow), "all points: `fit`: bends");
        assert_eq!(told(1, Together::FirstRow), "point 1, `fit`: clipped");
        assert_eq!(told(2, Together::FirstRow), "");
        assert_eq!(told(2, Together::EveryRow), "`fit`: bends");
    }

    #[test]
    fn headers_say_how_amplitudes_are_stated() {
        let unit = Unit::parse("nA").expect("a unit");
        let flow = |convention| Flow {
            convention,
            ..Flow::new(Kind::ComplexEstimate, unit.clone())
        };
        let step = flow(Some(Convention::Step));
        assert_eq!(stated_in(Aspect::Amplitude, &step), "nA full step");
        assert_eq!(stated_in(Aspect::InPhase, &step), "nA full step");
        assert_eq!(stated_in(Aspect::Phase, &step), "deg");
        assert_eq!(stated_in(Aspect::Amplitude, &flow(None)), "nA");
    }
}
