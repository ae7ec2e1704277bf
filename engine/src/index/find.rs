//! Finding a printed number: the outputs whose values round to it.

use std::path::PathBuf;

use rusqlite::{OptionalExtension, params};
use serde::Serialize;

use super::query::origin;
use super::{Index, IndexError};
use crate::aspect::Aspect;
use crate::saved::Part;
use crate::units::{Printed, Unit, format_quantity, format_uncertain};

/// A printed number, and where on the axis it is said to be.
#[derive(Clone, Debug, PartialEq)]
pub struct Wanted {
    /// The number.
    pub number: Printed,
    /// The place on the axis.
    pub at: Option<Printed>,
}

/// A value that rounds to a printed number.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Hit {
    /// The result file, or where it was last.
    pub file: PathBuf,
    /// Whether it is there no more.
    pub gone: bool,
    /// The file that supersedes it.
    pub superseded_by: Option<PathBuf>,
    /// When the run began.
    pub began: String,
    /// The entry of the file.
    pub entry: String,
    /// The output.
    pub output: String,
    /// Which number of it.
    pub part: String,
    /// The point.
    pub point: u64,
    /// The place on the axis, with name and unit; empty where points are only numbered.
    pub at: String,
    /// The value in SI units.
    pub value: f64,
    /// Its standard uncertainty in SI units, where it was evaluated.
    pub uncertainty: Option<f64>,
    /// The SI unit of both.
    pub unit: String,
    /// The value as it is printed.
    pub printed: String,
    /// Whether the printed uncertainty fits as well; `None` where none is printed.
    pub uncertainty_fits: Option<bool>,
}

/// What a search gave.
#[derive(Clone, Debug, Default, PartialEq, Serialize)]
pub struct Hits {
    /// The values. Where any fits a printed uncertainty, only those that do.
    pub hits: Vec<Hit>,
    /// Whether there are more.
    pub more: bool,
}

impl Wanted {
    /// Reads a number as printed, and a place on the axis.
    ///
    /// # Errors
    /// [`IndexError::Quantity`].
    pub fn parse(number: &str, at: Option<&str>) -> Result<Self, IndexError> {
        let read = |text: &str| {
            Printed::parse(text).map_err(|error| IndexError::Quantity {
                text: text.into(),
                error,
            })
        };
        Ok(Wanted {
            number: read(number)?,
            at: at.map(read).transpose()?,
        })
    }
}

impl Index {
    /// The values that a printed number may stand for, at most `limit`. The phase of a complex value is
    /// looked for in all its turns.
    ///
    /// # Errors
    /// [`IndexError::Unusable`].
    pub fn find(&self, wanted: &Wanted, limit: usize) -> Result<Hits, IndexError> {
        let uncertain = wanted.number.uncertainty_range();
        let found = self.search(wanted, uncertain, limit)?;
        match (found.hits.is_empty(), uncertain) {
            (true, Some(_)) => self.search(wanted, None, limit),
            _ => Ok(found),
        }
    }

    fn search(
        &self,
        wanted: &Wanted,
        uncertain: Option<(f64, f64)>,
        limit: usize,
    ) -> Result<Hits, IndexError> {
        let unit = match wanted.number.quantity.is_level() {
            true => Unit::one(),
            false => wanted.number.quantity.unit.clone(),
        };
        let (low, high) = wanted.number.range();
        let turns: &[f64] = match unit.same_dimension(&Unit::radian()) {
            true => &[0.0, -1.0, 1.0],
            false => &[0.0],
        };
        let (u_low, u_high) = uncertain.unzip();
        let (at_low, at_high) = wanted.at.as_ref().map(Printed::range).unzip();
        let asked = wanted.number.uncertainty.is_some();
        self.read(|c| {
            let mut found = Hits::default();
            let dimension: Option<i64> = c
                .query_row("SELECT id FROM dimension WHERE unit = ?1", [Unit::si_name(&unit.ascii())], |r| r.get(0))
                .optional()?;
            for turn in turns {
                let shift = turn * std::f64::consts::TAU;
                let mut statement = c.prepare_cached(
                    "SELECT run.id, entry.name, output.name, output.unit,
                            output.axis, output.axis_unit, number.part, number.point, number.axis,
                            number.value, number.uncertainty
                     FROM number CROSS JOIN output ON output.id = number.output
                     CROSS JOIN entry ON entry.id = output.entry CROSS JOIN run ON run.id = entry.run
                     WHERE number.dimension = ?1 AND number.value BETWEEN ?2 AND ?3
                       AND (?4 IS NULL OR number.uncertainty BETWEEN ?4 AND ?5)
                       AND (?6 IS NULL OR number.axis BETWEEN ?6 AND ?7)",
                )?;
                let mut rows = statement.query(params![
                    dimension, low + shift, high + shift, u_low, u_high, at_low, at_high
                ])?;
                while let Some(row) = rows.next()? {
                    let (axis, axis_unit): (String, String) = (row.get(4)?, row.get(5)?);
                    let place: Option<f64> = row.get(8)?;
                    if wanted.at.as_ref().is_some_and(|at| !fits_axis(at, &axis_unit)) {
                        continue;
                    }
                    if found.hits.len() == limit {
                        found.more = true;
                        return Ok(found);
                    }
                    let origin = origin(c, row.get(0)?)?;
                    let part: i64 = row.get(6)?;
                    let part = Part::ALL.get(part as usize).copied().unwrap_or(Part::Number(Aspect::Value));
                    let own: String = row.get(3)?;
                    let shown = match part {
                        Part::Number(Aspect::Phase) => Unit::degree(),
                        _ => Unit::parse(&own).unwrap_or_else(|_| unit.clone()),
                    };
                    let (value, uncertainty): (f64, Option<f64>) = (row.get(9)?, row.get(10)?);
                    found.hits.push(Hit {
                        gone: origin.place.gone,
                        file: origin.place.file,
                        superseded_by: origin.superseded_by.map(|l| l.file),
                        began: origin.began,
                        entry: row.get(1)?,
                        output: row.get(2)?,
                        part: part.words().into(),
                        point: row.get::<_, i64>(7)?.unsigned_abs(),
                        at: place.map_or(String::new(), |x| in_words(x, &axis, &axis_unit)),
                        value,
                        uncertainty,
                        unit: Unit::si_name(&unit.ascii()),
                        printed: match uncertainty {
                            Some(u) => format_uncertain(value, u, &shown),
                            None => format_quantity(value, &shown, 6),
                        },
                        uncertainty_fits: asked.then_some(uncertain.is_some()),
                    });
                }
            }
            Ok(found)
        })
    }
}

/// Whether a place is stated in a unit of the axis; a bare number is, where the axis has none.
fn fits_axis(at: &Printed, unit: &str) -> bool {
    match Unit::parse(unit) {
        Ok(unit) => unit.same_dimension(&at.quantity.unit),
        Err(_) => at.quantity.unit.is_dimensionless(),
    }
}

fn in_words(x: f64, axis: &str, unit: &str) -> String {
    match Unit::parse(unit) {
        Ok(unit) => format!("{axis} {}", format_quantity(x, &unit, 6)),
        Err(_) => format!("{axis} {x}"),
    }
}
