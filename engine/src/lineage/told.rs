//! The record as a reader is to have it: numbers beside the unit that they are in. On record a constant among settings is
//! as it enters a key, in SI units beside the unit that it was written in, and its uncertainty is in SI units beside its
//! value as written.

use super::{ConstantFacts, Entry, Node, spoken};
use crate::units::{Quantity, Unit};

impl Entry {
    /// The entry with every number in the unit that stands beside it.
    pub fn told(&self) -> Entry {
        let mut told = self.clone();
        for node in &mut told.nodes {
            for (_, value) in &mut node.settings {
                *value = in_si(value);
            }
            for constant in &mut node.constants {
                constant.standard_uncertainty = constant.uncertainty_as_written();
            }
        }
        told
    }
}

impl Node {
    /// Settings by path, as a person is to read them.
    pub fn told_settings(&self) -> impl Iterator<Item = (&str, String)> {
        let settings = self.settings.iter();
        settings.map(|(path, value)| (path.as_str(), in_si(value)))
    }
}

impl ConstantFacts {
    /// Its standard uncertainty in the unit in which its value is written, as `0.1 deg`, or `1.154700538379 us, from
    /// rectangular limits`; without the digits that conversion left.
    pub fn uncertainty_as_written(&self) -> String {
        let short = |x: f64| -> f64 { format!("{x:.12e}").parse().unwrap_or(x) };
        if let Some((level, kind)) = self.level() {
            return format!("{} dB{kind}", short(level));
        }
        let Some((value, u, kind)) = self.numbers() else {
            return self.standard_uncertainty.clone();
        };
        let number = short(value.unit.number_of(u.value));
        match value.unit.ascii().as_str() {
            "1" => format!("{number}{kind}"),
            unit => format!("{number} {unit}{kind}"),
        }
    }

    /// Its standard uncertainty as a person reads it, in the unit of its value with at most four digits: `0.1 deg`,
    /// `1.155 µs, from rectangular limits`.
    pub fn told_uncertainty(&self) -> String {
        if let Some((level, kind)) = self.level() {
            return format!("{} dB{kind}", spoken(level, "1"));
        }
        match self.numbers() {
            Some((value, u, kind)) => spoken(u.value, &value.unit.ascii()) + &kind,
            None => self.standard_uncertainty.clone(),
        }
    }

    /// The standard uncertainty of a level in dB, which is on record as that of the ratio, and what kind of limits it is
    /// from.
    fn level(&self) -> Option<(f64, String)> {
        let (value, u, kind) = self.stated()?;
        let part = u.value / value.to_ratio_amplitude();
        value
            .is_level()
            .then(|| (20.0 / std::f64::consts::LN_10 * part, kind))
    }

    /// Value, standard uncertainty and what kind of limits it is from; `None` where it is not stated, or entry by entry as
    /// that of a table.
    pub(super) fn numbers(&self) -> Option<(Quantity, Quantity, String)> {
        self.stated().filter(|(value, ..)| !value.is_level())
    }

    /// The same, also of a level, whose uncertainty is that of the ratio.
    fn stated(&self) -> Option<(Quantity, Quantity, String)> {
        let words = self.standard_uncertainty.as_str();
        let (number, kind) = match words.split_once(", ") {
            Some((number, kind)) => (number, format!(", {kind}")),
            None => (words, String::new()),
        };
        let value = Quantity::parse(&self.value).ok()?;
        let u = Quantity::parse(number).ok()?;
        let fits = u.unit.same_dimension(&value.unit);
        fits.then_some((value, u, kind))
    }
}

/// A setting as it enters a key, where a constant's number in SI units may stand beside the unit that it was written in.
pub(super) fn in_si(value: &str) -> String {
    let parts = value
        .rsplit_once(") ")
        .filter(|(number, _)| number.contains(" (u "));
    match parts.map(|(number, unit)| (number, Unit::parse(unit))) {
        Some((number, Ok(unit))) => format!("{number}) {}", unit.to_coherent().ascii()),
        _ => value.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_stand_beside_their_units() {
        let constant = |value: &str, u: &str| ConstantFacts {
            value: value.into(),
            standard_uncertainty: u.into(),
            ..ConstantFacts::default()
        };
        let setting = |value: &str| (String::new(), value.to_owned());
        let node = Node {
            settings: vec![
                setting("100.0 (u 0.5) mV"),
                setting("1000000.0 (u none, 5.0 degrees of freedom) kOhm"),
                setting("1000.0 (u 5.0, Rectangular) V/mA"),
                setting("2.0 (u none) 1"),
                setting("Low (of a band)"),
            ],
            constants: vec![
                constant("30 deg", "0.0017453292519943296 rad"),
                constant(
                    "20.0 us",
                    "1.1547005383792516e-6 s, from rectangular limits",
                ),
                constant("0.1", "0.001"),
                constant("-20 dB", "0.0011512925464970296 1"),
                constant("1 V", "not stated"),
            ],
            ..Node::default()
        };
        let entry = Entry {
            nodes: vec![node],
            ..Entry::default()
        };
        let told = &entry.told().nodes[0];
        let settings: Vec<&str> = told.settings.iter().map(|(_, v)| v.as_str()).collect();
        assert_eq!(
            settings,
            [
                "100.0 (u 0.5) V",
                "1000000.0 (u none, 5.0 degrees of freedom) Ohm",
                "1000.0 (u 5.0, Rectangular) Ohm",
                "2.0 (u none) 1",
                "Low (of a band)"
            ]
        );
        let uncertainties = told.constants.iter().map(|c| &c.standard_uncertainty);
        assert_eq!(
            uncertainties.collect::<Vec<_>>(),
            [
                "0.1 deg",
                "1.154700538379 us, from rectangular limits",
                "0.001",
                "0.1 dB",
                "not stated"
            ]
        );
    }
}
