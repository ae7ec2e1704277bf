//! A comparison as a table: a row for each chain at each point.

use super::report::Comparison;
use crate::table::Table;

/// The comparisons of all entries, one row for each chain at each point, in the units of the first.
pub(super) fn table(all: &[(String, Comparison)]) -> Table {
    let unit = match all.first().map(|(_, c)| (&c.unit, c.convention.as_str())) {
        None => "1".to_owned(),
        Some((unit, "")) => unit.clone(),
        Some((unit, convention)) => format!("{unit} {convention}"),
    };
    let axis = all
        .first()
        .map_or_else(String::new, |(_, c)| match c.axis.unit.as_str() {
            "" => c.axis.name.clone(),
            unit => format!("{} [{unit}]", c.axis.name),
        });
    let mut header: Vec<String> = ["recording", "chain", "point"].map(String::from).into();
    header.push(if axis.is_empty() { "axis".into() } else { axis });
    for name in ["in phase", "quadrature", "amplitude"] {
        header.push(format!("{name} [{unit}]"));
        header.push(format!("{name}.u [{unit}]"));
    }
    header.extend(["phase [deg]", "phase.u [deg]", "detected"].map(String::from));
    for name in ["in phase", "quadrature", "amplitude"] {
        header.push(format!("difference {name} [{unit}]"));
        header.push(format!("difference {name}.u [{unit}]"));
    }
    let cell = |x: Option<f64>| match x.filter(|x| x.is_finite()) {
        Some(x) => format!("{x:?}"),
        None => String::new(),
    };
    let mut rows = Vec::new();
    for (entry, comparison) in all {
        for chain in &comparison.chains {
            for point in 0..comparison.points {
                let mut row = vec![entry.clone(), chain.name.clone(), point.to_string()];
                row.push(cell(comparison.axis.values.get(point).copied()));
                let value = chain.values.get(point).and_then(Option::as_ref);
                let complex = comparison.complex;
                for part in 0..2 {
                    let there = value.filter(|_| part == 0 || complex);
                    row.push(cell(there.map(|v| v.value[part])));
                    row.push(cell(there.and_then(|v| Some(v.u?[part]))));
                }
                row.push(cell(value.map(|v| v.amplitude)));
                row.push(cell(value.and_then(|v| v.amplitude_u)));
                row.push(cell(value.and_then(|v| v.phase)));
                row.push(cell(value.and_then(|v| v.phase_u)));
                let detected = value.and_then(|v| v.detected);
                row.push(detected.map_or(String::new(), |d| u8::from(d).to_string()));
                let difference = chain.differences.get(point).and_then(Option::as_ref);
                for part in 0..2 {
                    let there = difference.filter(|_| part == 0 || complex);
                    row.push(cell(there.map(|d| d.value[part])));
                    row.push(cell(there.and_then(|d| Some(d.u?[part]))));
                }
                row.push(cell(difference.map(|d| d.amplitude)));
                row.push(cell(difference.and_then(|d| d.amplitude_u)));
                rows.push(row);
            }
        }
    }
    Table::of(header, rows)
}
