//! The budget of one point of an output, read back from a result file.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::store::{ResultReader, StoreError};
use crate::units::{Unit, format_uncertain};

/// What one source contributes to an estimate.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct BudgetLine {
    /// The source.
    pub source: String,
    /// How it was evaluated: `A` or `B` (JCGM 100:2008, 2.3.2 and 2.3.3).
    pub evaluation: String,
    /// Degrees of freedom; `None` where they are infinite.
    pub degrees_of_freedom: Option<f64>,
    /// Value of the quantity behind it with its standard uncertainty and unit, where there is one.
    pub quantity: Option<(f64, f64, String)>,
    /// Change of in-phase and quadrature part with that quantity, in the unit of the output per that of the quantity.
    pub sensitivity: Option<[f64; 2]>,
    /// What it contributes to the standard uncertainties of in-phase and quadrature part, in the unit of the
    /// output; of a real estimate the second is 0.
    pub contribution: [f64; 2],
    /// Its share of the variance, of both parts together.
    pub share: f64,
}

impl BudgetLine {
    /// The quantity behind the source as a person reads it, `100.0(1.2) µs`.
    pub fn told_quantity(&self) -> Option<String> {
        let (value, u, unit) = self.quantity.as_ref()?;
        let unit = Unit::parse(unit).ok()?;
        let size = unit.si_factor();
        Some(format_uncertain(value * size, u * size, &unit))
    }
}

/// The budget of a point of the output in a group, the largest share first; empty where no uncertainty was
/// evaluated.
///
/// # Errors
/// [`StoreError`] when the file holds something else there.
pub fn budget(
    reader: &ResultReader,
    group: &str,
    point: u64,
) -> Result<Vec<BudgetLine>, StoreError> {
    let group = format!("{group}/uncertainty");
    if !reader.names(&group).iter().any(|name| name == "parts_of") {
        return Ok(Vec::new());
    }
    let column = |name: &str| reader.floats(&format!("{group}/{name}"));
    let words = |name: &str| reader.texts(&format!("{group}/{name}"));
    let (of, effects) = (column("parts_of")?, column("parts_effect")?);
    let mut parts: BTreeMap<usize, Vec<[f64; 2]>> = BTreeMap::new();
    for (of, effect) in of.chunks_exact(3).zip(effects.chunks_exact(2)) {
        if of[2] == point as f64 {
            let own = parts.entry(of[0] as usize).or_default();
            own.push([effect[0], effect[1]]);
        }
    }
    let all: f64 = parts.values().flatten().flatten().map(|e| e * e).sum();
    let (names, types, units) = (
        words("source")?,
        words("source_type")?,
        words("source_unit")?,
    );
    let freedom = column("source_degrees_of_freedom")?;
    let (values, uncertainties) = (
        column("source_value")?,
        column("source_standard_uncertainty")?,
    );
    let text = |list: &[String], i: usize| list.get(i).cloned().unwrap_or_default();
    let number = |list: &[f64], i: usize| list.get(i).copied().filter(|x| x.is_finite());
    let line = |(i, effects): (usize, Vec<[f64; 2]>)| {
        let square = [0, 1].map(|k| effects.iter().map(|e| e[k] * e[k]).sum::<f64>());
        let quantity = number(&values, i).zip(number(&uncertainties, i));
        let sensitivity = match (quantity, &effects[..]) {
            (Some((_, u)), [effect]) => Some(effect.map(|e| e / u)),
            _ => None,
        };
        BudgetLine {
            source: text(&names, i),
            evaluation: text(&types, i),
            degrees_of_freedom: number(&freedom, i),
            quantity: quantity.map(|(value, u)| (value, u, text(&units, i))),
            sensitivity,
            contribution: square.map(f64::sqrt),
            share: (square[0] + square[1]) / all,
        }
    };
    let mut lines: Vec<BudgetLine> = parts.into_iter().map(line).collect();
    lines.sort_by(|a, b| b.share.total_cmp(&a.share));
    Ok(lines)
}
