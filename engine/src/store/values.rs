//! Estimates and tables in a result file.

use std::collections::BTreeMap;

use hdf5::Group;

use super::StoreError;
use super::noted::Noted;
use super::write::{ResultWriter, points_axis};
use crate::aspect::{Aspect, Interval};
use crate::flow::Flow;
use crate::run::{Numbers, Simulation};
use crate::stage::SeriesAxis;
use crate::units::Unit;
use crate::value::{About, Coverage, Estimate, Table};

/// Names that a group of estimates or tables may hold beside its axes.
const TAKEN: [&str; 9] = [
    "value",
    "in_phase",
    "quadrature",
    "amplitude",
    "phase",
    "scatter",
    "count",
    "missing",
    "uncertainty",
];

/// Points up to which the covariance of a series is written out.
const MOST_COVARIANCES: usize = 256;

impl ResultWriter {
    /// Writes estimates of a flow along the points of an entry, in its unit; a point that failed is NaN.
    ///
    /// A real one is the dataset `value`; a complex one is `in_phase`, `quadrature`, `amplitude` and
    /// `phase` (rad). How amplitudes are stated is the attribute `amplitude_convention`, what zero and sign of a phase
    /// are is `phase_convention`. Standard uncertainties are in `<name>_errors`, those of amplitude and phase to
    /// first order (JCGM 100:2008, 5.2.2), their effective degrees of freedom in
    /// `<name>_degrees_of_freedom`, and the ends of the 95 % interval in `<name>_low` and `<name>_high`;
    /// what was drawn, where first order fails, has no degrees of freedom. The
    /// group `uncertainty` is the budget: the sources with their type (A or B), degrees of freedom, and
    /// value and standard uncertainty where they are quantities (in `source_unit`); `parts_of` holds the
    /// number of the source, of its component and of the point of each part, `parts_effect` its in-phase
    /// and quadrature effect. The covariance of two points is the sum of products of what they share; up
    /// to 256 points it is written out, as `covariance`, of the shape `[point, point]`, or
    /// `[point, part, point, part]` with in-phase and quadrature part.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn series(
        &mut self,
        entry: &str,
        name: &str,
        flow: &Flow,
        axis: &SeriesAxis,
        values: &[Option<&Estimate>],
    ) -> Result<(), StoreError> {
        let group = self.data(entry, name)?;
        let complex = flow.kind.is_complex();
        self.attempt(|_| {
            let series = Series {
                group: &group,
                unit: &flow.unit,
                name,
                flow,
                values,
                complex,
            };
            let signal = series.numbers()?;
            let axis = points_axis(&group, axis, values.len(), &TAKEN)?;
            plot(&group, signal, &[&axis])?;
            if complex {
                group.set_texts("auxiliary_signals", &["in_phase", "quadrature"])?;
            }
            series.parts()
        })
    }

    /// Writes what drawing gave beside the estimates of the same name, as the group `monte_carlo`: for each
    /// number `<name>_mean`, its standard deviation `<name>_errors` and the ends of the 95 % interval,
    /// `<name>_low` and `<name>_high`; and `failed`, the trials in which a stage failed.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    pub fn drawn(
        &mut self,
        entry: &str,
        name: &str,
        unit: &Unit,
        complex: bool,
        simulation: &Simulation,
        points: &[Option<Numbers>],
    ) -> Result<(), StoreError> {
        let output = self.more_data(entry, name)?;
        self.attempt(|_| {
            let group = output.collection("monte_carlo")?;
            for (name, value) in [("trials", simulation.trials), ("seed", simulation.seed)] {
                group.set_number(name, value)?;
            }
            let shape = [points.len()];
            for &aspect in Aspect::all(complex) {
                let (unit, factor) = match aspect {
                    Aspect::Phase => ("rad".into(), 1.0),
                    _ => (unit.ascii(), unit.si_factor()),
                };
                let found = |n: &Option<Numbers>| n.as_ref().and_then(|n| n.of(aspect));
                let found: Vec<Option<(f64, Interval)>> = points.iter().map(found).collect();
                let write = |name: &str, of: fn((f64, Interval)) -> f64| {
                    let column = found.iter().map(|f| f.map_or(f64::NAN, of) / factor);
                    let column: Vec<f64> = column.collect();
                    let name = format!("{}_{name}", aspect.name());
                    group.numbers(&name, &shape, &column, &unit).map(drop)
                };
                write("mean", |(mean, _)| mean)?;
                write("errors", |(_, i)| i.u)?;
                write("low", |(_, i)| i.low)?;
                write("high", |(_, i)| i.high)?;
            }
            let failed = points.iter().map(|n| n.as_ref().map_or(0, |n| n.failed));
            group
                .array("failed", &shape, &failed.collect::<Vec<u64>>())
                .map(drop)
        })
    }

    /// Writes tables along the points of an entry: `value` of the shape `[point, bin]`, or `[bin]` for
    /// one point that lies on no axis.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    #[allow(
        clippy::too_many_arguments,
        reason = "each says one thing about the one table written"
    )]
    pub fn table(
        &mut self,
        entry: &str,
        name: &str,
        x_name: &str,
        x_unit: &Unit,
        y_unit: &Unit,
        axis: &SeriesAxis,
        tables: &[Option<&Table>],
    ) -> Result<(), StoreError> {
        let group = self.data(entry, name)?;
        self.attempt(|_| {
            let bins = tables
                .iter()
                .flatten()
                .map(|t| t.x.len())
                .max()
                .unwrap_or(0);
            let alone = tables.len() == 1 && axis.values.is_empty();
            let shape = if alone {
                vec![bins]
            } else {
                vec![tables.len(), bins]
            };
            let rows = |column: &dyn Fn(&Table) -> Vec<f64>, factor: f64| -> Vec<f64> {
                let row = |table: &Option<&Table>| {
                    let mut row: Vec<f64> = table
                        .map_or(Vec::new(), column)
                        .iter()
                        .map(|v| v / factor)
                        .collect();
                    row.resize(bins, f64::NAN);
                    row
                };
                tables.iter().flat_map(row).collect()
            };
            let (x_factor, y_factor) = (x_unit.si_factor(), y_unit.si_factor());
            let y_name = y_unit.ascii();
            let value =
                group.numbers("value", &shape, &rows(&|t| t.y.clone(), y_factor), &y_name)?;
            value.set_text("long_name", &label(name, &y_name))?;
            if tables.iter().flatten().any(|t| t.u.is_some()) {
                group.numbers(
                    "value_errors",
                    &shape,
                    &rows(&|t| t.u.clone().unwrap_or_default(), y_factor),
                    &y_name,
                )?;
            }
            let mut all = tables.iter().flatten().map(|t| &t.x);
            let longest = tables
                .iter()
                .flatten()
                .map(|t| &t.x)
                .find(|x| x.len() == bins);
            let x_label = if TAKEN.contains(&x_name) {
                format!("{x_name}_axis")
            } else {
                x_name.to_owned()
            };
            match longest {
                // Points usually share one abscissa.
                Some(x) if all.all(|other| other == x) => {
                    let x: Vec<f64> = x.iter().map(|x| x / x_factor).collect();
                    group.numbers(&x_label, &[bins], &x, &x_unit.ascii())?
                }
                _ => group.numbers(
                    &x_label,
                    &shape,
                    &rows(&|t| t.x.clone(), x_factor),
                    &x_unit.ascii(),
                )?,
            };
            match alone {
                true => plot(&group, "value", &[&x_label]),
                false => {
                    let axis = points_axis(
                        &group,
                        axis,
                        tables.len(),
                        &[&TAKEN[..], &[x_label.as_str()]].concat(),
                    )?;
                    plot(&group, "value", &[&axis, &x_label])
                }
            }
        })
    }
}

/// What viewers plot, against what.
pub(super) fn plot(group: &Noted<Group>, signal: &str, axes: &[&str]) -> hdf5::Result<()> {
    group.set_text("signal", signal)?;
    group.set_texts("axes", axes)
}

/// A name with its unit, as on the axis of a plot.
pub(super) fn label(name: &str, unit: &str) -> String {
    if unit == "1" {
        name.to_owned()
    } else {
        format!("{name} ({unit})")
    }
}

struct Series<'s> {
    group: &'s Noted<Group>,
    unit: &'s Unit,
    name: &'s str,
    flow: &'s Flow,
    values: &'s [Option<&'s Estimate>],
    complex: bool,
}

impl Series<'_> {
    /// One column.
    fn column(
        &self,
        name: &str,
        unit: &str,
        of: impl Fn(&Estimate) -> Option<f64>,
    ) -> hdf5::Result<()> {
        let values = self.values.iter().map(|e| e.and_then(&of));
        let filled: Vec<f64> = values.map(|v| v.unwrap_or(f64::NAN)).collect();
        let dataset = self.group.numbers(name, &[filled.len()], &filled, unit)?;
        let what = if name == "value" {
            self.name.to_owned()
        } else {
            format!("{} {}", self.name, name.replace('_', " "))
        };
        dataset.set_text("long_name", &label(&what, unit))?;
        let is_phase = name == "phase" || !self.complex;
        if let Some(convention) = self.flow.convention.filter(|_| name != "phase") {
            dataset.set_text("amplitude_convention", &convention.to_string())?;
        }
        if let Some(zero) = self.flow.zero_of_phase().filter(|_| is_phase) {
            dataset.set_text("phase_convention", &zero)?;
        }
        Ok(())
    }

    /// Standard uncertainty, degrees of freedom and 95 % interval of a column, where any point has them.
    fn intervals(
        &self,
        aspect: Aspect,
        unit: &str,
        factor: f64,
        coverage: &mut Coverage,
    ) -> hdf5::Result<()> {
        let of = |e: &Option<&Estimate>| aspect.interval((*e)?, coverage);
        let found: Vec<Option<Interval>> = self.values.iter().map(of).collect();
        if found.iter().all(Option::is_none) {
            return Ok(());
        }
        let write = |name: &str, unit: &str, factor: f64, of: fn(&Interval) -> f64| {
            let column = found
                .iter()
                .map(|i| i.as_ref().map_or(f64::NAN, of) / factor);
            let column: Vec<f64> = column.collect();
            let name = format!("{}_{name}", aspect.name());
            self.group.numbers(&name, &[column.len()], &column, unit)
        };
        write("errors", unit, factor, |i| i.u)?;
        write("degrees_of_freedom", "1", 1.0, |i| i.degrees_of_freedom)?;
        let ends = [
            write("low", unit, factor, |i| i.low)?,
            write("high", unit, factor, |i| i.high)?,
        ];
        for end in ends {
            end.set_number("coverage_probability", Coverage::PROBABILITY)?;
        }
        Ok(())
    }

    /// Every number of the estimates; the name of the one to be plotted.
    fn numbers(&self) -> hdf5::Result<&'static str> {
        let (own, factor) = (self.unit.ascii(), self.unit.si_factor());
        let mut coverage = Coverage::default();
        for &aspect in Aspect::all(self.complex) {
            let (unit, factor) = match aspect {
                Aspect::Phase => ("rad", 1.0),
                _ => (own.as_str(), factor),
            };
            self.column(aspect.name(), unit, |e| Some(aspect.of(e) / factor))?;
            self.intervals(aspect, unit, factor, &mut coverage)?;
        }
        self.counts(self.complex)?;
        Ok(if self.complex { "amplitude" } else { "value" })
    }

    /// Scatter, number of samples behind each value, and samples missing.
    fn counts(&self, complex: bool) -> hdf5::Result<()> {
        let (unit, factor) = (self.unit.ascii(), self.unit.si_factor());
        let points = self.values.len();
        if self.values.iter().flatten().any(|e| e.scatter.is_some()) {
            let parts = |e: &Option<&Estimate>| {
                let scatter = e
                    .and_then(|e| e.scatter)
                    .map_or([f64::NAN; 2], |s| [s.re / factor, s.im / factor]);
                scatter.into_iter().take(if complex { 2 } else { 1 })
            };
            let scatter: Vec<f64> = self.values.iter().flat_map(parts).collect();
            let shape: &[usize] = if complex { &[points, 2] } else { &[points] };
            self.group.numbers("scatter", shape, &scatter, &unit)?;
        }
        let whole = |of: &dyn Fn(&Estimate) -> u64| -> Vec<u64> {
            self.values.iter().map(|e| e.map_or(0, of)).collect()
        };
        if self.values.iter().flatten().any(|e| e.count.is_some()) {
            let counts = whole(&|e| e.count.unwrap_or(0));
            self.group.array("count", &[points], &counts)?;
        }
        let missing = whole(&|e| e.missing);
        self.group.array("missing", &[points], &missing).map(drop)
    }

    /// The parts of the uncertainties; what shares a source is correlated.
    fn parts(&self) -> hdf5::Result<()> {
        if self.values.iter().flatten().all(|e| e.parts.is_none()) {
            return Ok(());
        }
        let (unit, factor) = (self.unit.ascii(), self.unit.si_factor());
        let mut known: BTreeMap<&str, u64> = BTreeMap::new();
        let mut sources: Vec<&About> = Vec::new();
        let (mut of, mut effects) = (Vec::new(), Vec::new());
        for (point, estimate) in (0u64..).zip(self.values) {
            for part in estimate.iter().flat_map(|e| e.parts.iter().flatten()) {
                let about = &*part.source.about;
                let source = *known.entry(&about.name).or_insert_with(|| {
                    sources.push(about);
                    sources.len() as u64 - 1
                });
                of.extend([source, u64::from(part.source.index), point]);
                effects.extend([part.effect.re / factor, part.effect.im / factor]);
            }
        }
        let group = self.group.collection("uncertainty")?;
        let words = |of: &dyn Fn(&About) -> String| -> Vec<String> {
            sources.iter().map(|about| of(about)).collect()
        };
        group.texts("source", &words(&|a| a.name.clone()))?;
        group.texts("source_type", &words(&|a| a.evaluation.to_string()))?;
        let write = |name: &str, of: fn(&About) -> f64| {
            let column: Vec<f64> = sources.iter().map(|about| of(about)).collect();
            group.numbers(name, &[column.len()], &column, "1").map(drop)
        };
        write("source_degrees_of_freedom", |a| a.degrees_of_freedom)?;
        write("source_value", |a| {
            let known = a.quantity.as_ref();
            known.map_or(f64::NAN, |q| q.unit.number_of(q.value))
        })?;
        write("source_standard_uncertainty", |a| {
            let known = a.quantity.as_ref();
            known.map_or(f64::NAN, |q| q.standard_uncertainty / q.unit.si_factor())
        })?;
        let unit_of = |a: &About| {
            a.quantity
                .as_ref()
                .map_or(String::new(), |q| q.unit.ascii())
        };
        group.texts("source_unit", &words(&unit_of))?;
        let rows = of.len() / 3;
        group.array("parts_of", &[rows, 3], &of)?;
        group.numbers("parts_effect", &[rows, 2], &effects, &unit)?;
        if self.values.len() <= MOST_COVARIANCES {
            self.covariance(&group, &of, &effects)?;
        }
        Ok(())
    }

    /// The covariance of all points, from the parts; NaN where a point has none.
    fn covariance(&self, group: &Noted<Group>, of: &[u64], effects: &[f64]) -> hdf5::Result<()> {
        let points = self.values.len();
        let width = if self.complex { 2 } else { 1 };
        let side = points * width;
        let mut matrix = vec![0.0; side * side];
        let mut by_source: BTreeMap<[u64; 2], Vec<usize>> = BTreeMap::new();
        for (part, of) in of.chunks_exact(3).enumerate() {
            by_source.entry([of[0], of[1]]).or_default().push(part);
        }
        for parts in by_source.values() {
            for (&a, &b) in parts.iter().flat_map(|a| parts.iter().map(move |b| (a, b))) {
                let [row, column] = [a, b].map(|part| of[3 * part + 2] as usize * width);
                for (i, j) in (0..width).flat_map(|i| (0..width).map(move |j| (i, j))) {
                    matrix[(row + i) * side + column + j] +=
                        effects[2 * a + i] * effects[2 * b + j];
                }
            }
        }
        let unknown =
            |point: usize| self.values[point].is_none_or(|estimate| estimate.parts.is_none());
        for (i, cell) in matrix.iter_mut().enumerate() {
            if unknown(i / side / width) || unknown(i % side / width) {
                *cell = f64::NAN;
            }
        }
        let shape: &[usize] = if self.complex {
            &[points, 2, points, 2]
        } else {
            &[points, points]
        };
        let square = self.unit.pow(2).map_or(String::new(), |unit| unit.ascii());
        group
            .numbers("covariance", shape, &matrix, &square)
            .map(drop)
    }
}
