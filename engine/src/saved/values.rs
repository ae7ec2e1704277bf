//! The values of a result file, in SI units, as numbers that somebody may have printed.

use crate::aspect::Aspect;
use crate::store::{ResultReader, StoreError};
use crate::units::Unit;

/// Most values of a density or a curve that are looked at; longer ones are data, not numbers to print.
const LONGEST_TABLE: usize = 4096;

/// Which real number of a value.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// A number of an estimate.
    Number(Aspect),
    /// A value of a density or a curve.
    Ordinate,
}

impl Part {
    /// All of them.
    pub const ALL: [Part; 6] = [
        Part::Number(Aspect::Value),
        Part::Number(Aspect::InPhase),
        Part::Number(Aspect::Quadrature),
        Part::Number(Aspect::Amplitude),
        Part::Number(Aspect::Phase),
        Part::Ordinate,
    ];

    /// The name of its dataset.
    pub fn dataset(self) -> &'static str {
        match self {
            Part::Number(aspect) => aspect.name(),
            Part::Ordinate => Aspect::Value.name(),
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Part::Number(aspect) => aspect.words(),
            Part::Ordinate => "ordinate",
        }
    }
}

/// A real number of a result file.
#[derive(Clone, Debug, PartialEq)]
pub struct SavedValue {
    /// Which number.
    pub part: Part,
    /// The point; of a density or curve, the bin.
    pub point: u64,
    /// Place on the axis, in SI units where its unit is known; `None` where points are only numbered.
    pub axis: Option<f64>,
    /// The number in SI units; never NaN.
    pub value: f64,
    /// Its standard uncertainty in SI units.
    pub uncertainty: Option<f64>,
}

/// The values of an output.
#[derive(Clone, Debug, PartialEq, Default)]
pub struct Column {
    /// The unit in which the file states them.
    pub unit: String,
    /// Name of the axis; empty where points are only numbered.
    pub axis: String,
    /// The unit in which the file states the axis; empty where none is.
    pub axis_unit: String,
    /// The values.
    pub values: Vec<SavedValue>,
}

/// Reads the values of the group of an output.
pub(super) fn read(reader: &ResultReader, group: &str) -> Result<Column, StoreError> {
    let names = reader.names(group);
    let has = |name: &str| names.iter().any(|n| n == name);
    // Estimates count what was missing; densities and curves do not.
    let parts: Vec<Part> = match (has("in_phase"), has("missing")) {
        (false, false) => vec![Part::Ordinate],
        (complex, _) => Aspect::all(complex)
            .iter()
            .map(|a| Part::Number(*a))
            .collect(),
    };
    let axes = reader.attribute(group, "axes").unwrap_or_default();
    let axis = match axes.as_str() {
        "point" => String::new(),
        one => one.to_owned(),
    };
    let axis_unit = match axis.as_str() {
        "" => String::new(),
        axis => reader
            .attribute(&format!("{group}/{axis}"), "units")
            .unwrap_or_default(),
    };
    let mut column = Column {
        unit: String::new(),
        axis,
        axis_unit,
        values: Vec::new(),
    };
    let places = match column.axis.as_str() {
        // A table over several points lies on two axes, and is no number to print.
        axis if axis.starts_with('[') => return Ok(column),
        "" => Vec::new(),
        axis => reader.floats(&format!("{group}/{axis}"))?,
    };
    let axis_factor = Unit::parse(&column.axis_unit).map_or(1.0, |u| u.si_factor());
    for part in parts.iter().filter(|p| has(p.dataset())) {
        let path = format!("{group}/{}", part.dataset());
        let unit = reader.attribute(&path, "units").unwrap_or_default();
        let factor = Unit::parse(&unit).map_or(1.0, |u| u.si_factor());
        if column.unit.is_empty() {
            column.unit = unit;
        }
        let numbers = reader.floats(&path)?;
        if *part == Part::Ordinate && numbers.len() > LONGEST_TABLE {
            continue;
        }
        let errors = match has(&format!("{}_errors", part.dataset())) {
            true => reader.floats(&format!("{path}_errors"))?,
            false => Vec::new(),
        };
        let finite = |x: &f64| x.is_finite();
        for (point, value) in numbers.iter().enumerate().filter(|(_, x)| finite(x)) {
            column.values.push(SavedValue {
                part: *part,
                point: point as u64,
                axis: places
                    .get(point)
                    .copied()
                    .filter(finite)
                    .map(|x| x * axis_factor),
                value: value * factor,
                uncertainty: errors
                    .get(point)
                    .copied()
                    .filter(finite)
                    .map(|u| u * factor),
            });
        }
    }
    Ok(column)
}
