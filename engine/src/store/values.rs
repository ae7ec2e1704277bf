//! Estimates and tables in a result file.

use std::collections::BTreeMap;

use hdf5::Group;
use num_complex::Complex64;

use super::StoreError;
use super::write::{ResultWriter, array, numbers, points_axis, set_text, set_texts, texts};
use crate::flow::Convention;
use crate::stage::SeriesAxis;
use crate::units::Unit;
use crate::value::{About, Estimate, Table};

/// Names that a group of estimates or tables may hold beside its axes.
const TAKEN: [&str; 8] = [
    "value",
    "in_phase",
    "quadrature",
    "amplitude",
    "phase",
    "scatter",
    "count",
    "missing",
];

impl ResultWriter {
    /// Writes estimates along the points of an entry, in `unit`; a point that failed is NaN.
    ///
    /// A real one is the dataset `value`; a complex one is `in_phase`, `quadrature`, `amplitude` and
    /// `phase` (rad). Standard uncertainties are in `<name>_errors`, those of amplitude and phase to
    /// first order (JCGM 100:2008, 5.2.2). The group `uncertainty` lists the parts: `parts_of` holds
    /// the number of the source, of its component and of the point of each, `parts_effect` its in-phase
    /// and quadrature effect; the covariance of two points is the sum of products of what they share.
    ///
    /// # Errors
    /// [`StoreError::Write`].
    #[allow(
        clippy::too_many_arguments,
        reason = "each says one thing about the one series written"
    )]
    pub fn series(
        &mut self,
        entry: &str,
        name: &str,
        unit: &Unit,
        axis: &SeriesAxis,
        convention: Option<Convention>,
        values: &[Option<&Estimate>],
        complex: bool,
    ) -> Result<(), StoreError> {
        let group = self.data(entry, name)?;
        self.attempt(|_| {
            let series = Series {
                group: &group,
                unit,
                name,
                convention,
                values,
            };
            let signal = if complex {
                series.complex()?
            } else {
                series.real()?
            };
            let axis = points_axis(&group, axis, values.len(), &TAKEN)?;
            plot(&group, signal, &[&axis])?;
            if complex {
                set_texts(&group, "auxiliary_signals", &["in_phase", "quadrature"])?;
            }
            series.parts()
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
            let value = numbers(
                &group,
                "value",
                &shape,
                &rows(&|t| t.y.clone(), y_factor),
                &y_name,
            )?;
            set_text(&value, "long_name", &label(name, &y_name))?;
            if tables.iter().flatten().any(|t| t.u.is_some()) {
                numbers(
                    &group,
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
                    numbers(&group, &x_label, &[bins], &x, &x_unit.ascii())?
                }
                _ => numbers(
                    &group,
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
pub(super) fn plot(group: &Group, signal: &str, axes: &[&str]) -> hdf5::Result<()> {
    set_text(group, "signal", signal)?;
    set_texts(group, "axes", axes)
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
    group: &'s Group,
    unit: &'s Unit,
    name: &'s str,
    convention: Option<Convention>,
    values: &'s [Option<&'s Estimate>],
}

impl Series<'_> {
    /// One column, where any point has it.
    fn column(
        &self,
        name: &str,
        unit: &str,
        of: impl Fn(&Estimate) -> Option<f64>,
    ) -> hdf5::Result<()> {
        let values: Vec<Option<f64>> = self.values.iter().map(|e| e.and_then(&of)).collect();
        if values.iter().all(Option::is_none) && name.ends_with("_errors") {
            return Ok(());
        }
        let filled: Vec<f64> = values.iter().map(|v| v.unwrap_or(f64::NAN)).collect();
        let dataset = numbers(self.group, name, &[filled.len()], &filled, unit)?;
        if !name.ends_with("_errors") {
            let what = if name == "value" {
                self.name.to_owned()
            } else {
                format!("{} {}", self.name, name.replace('_', " "))
            };
            set_text(&dataset, "long_name", &label(&what, unit))?;
            if let Some(convention) = self.convention.filter(|_| name != "phase") {
                set_text(&dataset, "amplitude_convention", &convention.to_string())?;
            }
        }
        Ok(())
    }

    fn real(&self) -> hdf5::Result<&'static str> {
        let (unit, factor) = (self.unit.ascii(), self.unit.si_factor());
        self.column("value", &unit, |e| Some(e.value.re / factor))?;
        self.column("value_errors", &unit, |e| {
            Some(e.standard_uncertainty()?.re / factor)
        })?;
        self.counts(false)?;
        Ok("value")
    }

    fn complex(&self) -> hdf5::Result<&'static str> {
        let (unit, factor) = (self.unit.ascii(), self.unit.si_factor());
        self.column("in_phase", &unit, |e| Some(e.value.re / factor))?;
        self.column("in_phase_errors", &unit, |e| {
            Some(e.standard_uncertainty()?.re / factor)
        })?;
        self.column("quadrature", &unit, |e| Some(e.value.im / factor))?;
        self.column("quadrature_errors", &unit, |e| {
            Some(e.standard_uncertainty()?.im / factor)
        })?;
        self.column("amplitude", &unit, |e| Some(amplitude(e) / factor))?;
        self.column("amplitude_errors", &unit, |e| {
            Some(radial_uncertainty(e, e.value)? / factor)
        })?;
        self.column("phase", "rad", |e| {
            Some(libm::atan2(e.value.im, e.value.re))
        })?;
        let across = |e: &Estimate| {
            Some(radial_uncertainty(e, Complex64::new(-e.value.im, e.value.re))? / amplitude(e))
        };
        self.column("phase_errors", "rad", across)?;
        self.counts(true)?;
        Ok("amplitude")
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
            numbers(self.group, "scatter", shape, &scatter, &unit)?;
        }
        let whole = |of: &dyn Fn(&Estimate) -> u64| -> Vec<u64> {
            self.values.iter().map(|e| e.map_or(0, of)).collect()
        };
        if self.values.iter().flatten().any(|e| e.count.is_some()) {
            let counts = whole(&|e| e.count.unwrap_or(0));
            array(self.group, "count", &[points], &counts)?;
        }
        let missing = whole(&|e| e.missing);
        array(self.group, "missing", &[points], &missing).map(drop)
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
        let group = self.group.create_group("uncertainty")?;
        set_text(&group, "NX_class", "NXcollection")?;
        let words = |of: &dyn Fn(&About) -> String| -> Vec<String> {
            sources.iter().map(|about| of(about)).collect()
        };
        texts(&group, "source", &words(&|a| a.name.clone()))?;
        texts(&group, "source_type", &words(&|a| a.evaluation.to_string()))?;
        let freedom: Vec<f64> = sources.iter().map(|a| a.degrees_of_freedom).collect();
        let name = "source_degrees_of_freedom";
        numbers(&group, name, &[freedom.len()], &freedom, "1")?;
        let rows = of.len() / 3;
        array(&group, "parts_of", &[rows, 3], &of)?;
        numbers(&group, "parts_effect", &[rows, 2], &effects, &unit).map(drop)
    }
}

fn amplitude(estimate: &Estimate) -> f64 {
    libm::hypot(estimate.value.re, estimate.value.im)
}

/// Standard uncertainty along a direction of the length of the value; NaN at 0, where there is none.
fn radial_uncertainty(estimate: &Estimate, along: Complex64) -> Option<f64> {
    let [rr, ii, ri] = estimate.covariance()?;
    let unit = along / amplitude(estimate);
    Some(
        (unit.re * unit.re * rr + unit.im * unit.im * ii + 2.0 * unit.re * unit.im * ri)
            .max(0.0)
            .sqrt(),
    )
}
