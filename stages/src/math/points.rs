//! How a setting names one point of a series.

use num_complex::Complex64;
use phasemill_engine::diagnostic::Code;
use phasemill_engine::flow::Flow;
use phasemill_engine::stage::{Checker, Fault, SeriesAxis, TrialWork};
use phasemill_engine::text::{Range, Reader};
use phasemill_engine::value::{Estimate, Value};

/// One point of a series.
#[derive(Clone, Debug, PartialEq)]
pub enum PointChoice {
    /// Counted from 0, or from the end with -1 the last.
    Index(i64),
    /// The point nearest to a place on the axis, in the axis' unit.
    Nearest(f64),
}

/// Reads a setting that names a point: `Index(0)`, `Index(-1)` or `Nearest(415.0)`.
pub fn read_point(r: &mut Reader<'_>, name: &'static str) -> PointChoice {
    let choice = r.setting(name, "which point").choice(|c| {
        c.variant("Index", "counted from 0; -1 is the last", |r| {
            PointChoice::Index(r.setting("", "index").integer(-(1 << 40), 1 << 40))
        })
        .variant(
            "Nearest",
            "nearest to a place on the sweep axis, in the axis' unit",
            |r| PointChoice::Nearest(r.setting("", "place on the axis").number(Range::Any)),
        );
    });
    choice.unwrap_or(PointChoice::Index(0))
}

impl PointChoice {
    /// Reports a point that the recordings do not have, at the setting with this path.
    pub fn check(&self, setting: &str, input: &Flow, checker: &mut Checker<'_>) {
        if matches!(self, PointChoice::Nearest(_)) && input.axis == Some(false) {
            checker.error(
                setting,
                Code::OutOfRange,
                "expected points along an axis, found a recording without one",
                "name the axis in the recording or the wiring, or choose the point by its index",
            );
        }
        let (PointChoice::Index(index), Some(points)) = (self, input.points) else {
            return;
        };
        let absent = match *index < 0 {
            true => index.unsigned_abs() > points,
            false => index.unsigned_abs() >= points,
        };
        if absent {
            checker.error(
                setting,
                Code::OutOfRange,
                format!(
                    "expected a point from -{points} to {}, found {index}",
                    points as i64 - 1
                ),
                "points count from 0, or from the end with -1 the last",
            );
        }
    }

    /// The index of this point, counted from 0, and the estimate there.
    ///
    /// # Errors
    /// A point that is not there or has no value.
    pub fn find<'s>(
        &self,
        series: &'s [Option<Value>],
        axis: &SeriesAxis,
    ) -> Result<(usize, &'s Estimate), Fault> {
        let index = self.index(series.len(), axis)?;
        series
            .get(index)
            .and_then(|v| Some((index, v.as_ref()?.estimate()?)))
            .ok_or_else(|| Fault::Point {
                wanted: self.in_words(axis),
                found: format!("that point {index} gave no value"),
            })
    }

    /// What is done to all points of a series in a trial, by what the value of this point there tells; `None` where it
    /// tells nothing.
    ///
    /// # Errors
    /// A point that is not there or had no value in the run.
    pub fn trial<F: Fn(Complex64) -> Complex64>(
        &self,
        run: &[&[Option<Value>]],
        axis: &SeriesAxis,
        by: impl Fn(Complex64) -> Option<F> + Send + Sync + 'static,
    ) -> Result<Box<TrialWork>, Fault> {
        let (index, _) = self.find(run.first().copied().unwrap_or(&[]), axis)?;
        Ok(Box::new(move |inputs| {
            let series = inputs.first()?;
            let change = by((*series.get(index)?)?)?;
            Some(vec![series.iter().map(|z| z.map(&change)).collect()])
        }))
    }

    fn index(&self, length: usize, axis: &SeriesAxis) -> Result<usize, Fault> {
        let absent = |found: String| Fault::Point {
            wanted: self.in_words(axis),
            found,
        };
        match self {
            PointChoice::Index(index) => {
                let from_start = if *index < 0 {
                    *index + length as i64
                } else {
                    *index
                };
                let fits = (0..length as i64).contains(&from_start);
                fits.then_some(from_start as usize)
                    .ok_or_else(|| absent(format!("{length} points")))
            }
            PointChoice::Nearest(place) => {
                let finite = axis
                    .values
                    .iter()
                    .enumerate()
                    .filter(|(_, x)| x.is_finite());
                let nearest =
                    finite.min_by(|a, b| (a.1 - place).abs().total_cmp(&(b.1 - place).abs()));
                nearest
                    .map(|(i, _)| i)
                    .ok_or_else(|| absent("a series without an axis".into()))
            }
        }
    }

    /// As a sentence speaks of it.
    pub fn told(&self) -> String {
        match self {
            PointChoice::Index(-1) => "at the end".into(),
            PointChoice::Index(index @ ..0) => format!("{} before the last", -1 - index),
            PointChoice::Index(index) => format!("of index {index} (counted from 0)"),
            PointChoice::Nearest(place) => format!("nearest to {place} on the axis"),
        }
    }

    fn in_words(&self, axis: &SeriesAxis) -> String {
        match self {
            PointChoice::Index(index) => format!("of index {index}"),
            PointChoice::Nearest(place) => format!("near {} = {place} {}", axis.name, axis.unit),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn points_are_found_from_both_ends_and_by_place() {
        let series: Vec<Option<Value>> = (0..3)
            .map(|i| Some(Value::Estimate(Estimate::real(f64::from(i)))))
            .collect();
        let axis = SeriesAxis {
            name: "x".into(),
            unit: "nm".into(),
            values: vec![10.0, 20.0, f64::NAN],
        };
        let value = |choice: PointChoice| choice.find(&series, &axis).map(|(_, e)| e.value.re);
        assert_eq!(value(PointChoice::Index(1)), Ok(1.0));
        assert_eq!(value(PointChoice::Index(-1)), Ok(2.0));
        assert_eq!(value(PointChoice::Nearest(16.0)), Ok(1.0));
        assert!(value(PointChoice::Index(3)).is_err() && value(PointChoice::Index(-4)).is_err());
    }
}
