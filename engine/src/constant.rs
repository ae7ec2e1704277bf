//! Constants of a recipe: a quantity with its standard uncertainty, where it came from and until when
//! it holds; and tables of a gain against frequency.

mod table;

use std::sync::Arc;

use jiff::civil::Date;

use crate::diagnostic::{Code, Diagnostics};
use crate::text::{Choice, Piece, Range, Reader};
use crate::units::{Quantity, Unit};
use crate::value::{About, Quantified};

pub use table::{GainAndPhase, GainTable, TableUncertainty};

/// A constant, or a quantity written in its place.
#[derive(Clone, Debug, PartialEq)]
pub struct Constant {
    /// The name in the recipe; empty for a quantity written in place.
    pub name: String,
    /// The value in SI units; of a table, the first gain.
    pub value: f64,
    /// The unit it was written in.
    pub unit: Unit,
    /// The text it was written as.
    pub text: String,
    /// Whether it was written as a level in dB, and so is a ratio.
    pub is_level: bool,
    /// What was written, where that was in °C, whose zero is not that of K.
    pub celsius: Option<f64>,
    /// Standard uncertainty in SI units; `None` when the recipe states none.
    pub standard_uncertainty: Option<f64>,
    /// How the value is distributed within its uncertainty.
    pub distribution: Distribution,
    /// Degrees of freedom of the uncertainty; infinite when the recipe states none.
    pub degrees_of_freedom: f64,
    /// Where the value comes from, as the recipe says.
    pub source: String,
    /// When it was determined.
    pub date: Option<Date>,
    /// Last day of which it holds.
    pub valid_until: Option<Date>,
    /// Gain and phase against frequency, for a table.
    pub table: Option<Arc<GainTable>>,
}

/// How a value is distributed about its best estimate (JCGM 100:2008, 4.3).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Distribution {
    /// Normal.
    #[default]
    Normal,
    /// Alike between limits of half-width a: u = a/√3 (4.3.7).
    Rectangular,
    /// Falling to the limits on straight lines: u = a/√6 (4.3.9).
    Triangular,
    /// Where a sine of amplitude a is found at a time of no choice: u = a/√2 (JCGM 101:2008, 6.4.6).
    Arcsine,
}

impl Distribution {
    /// Half-width of the limits over the standard uncertainty; 1 for a normal distribution.
    pub fn divisor(self) -> f64 {
        match self {
            Distribution::Normal => 1.0,
            Distribution::Rectangular => 3.0f64.sqrt(),
            Distribution::Triangular => 6.0f64.sqrt(),
            Distribution::Arcsine => std::f64::consts::SQRT_2,
        }
    }
}

impl Constant {
    /// The pure number 1.
    pub fn one() -> Self {
        Self {
            name: String::new(),
            value: 1.0,
            unit: Unit::one(),
            text: "1".into(),
            is_level: false,
            celsius: None,
            standard_uncertainty: None,
            distribution: Distribution::Normal,
            degrees_of_freedom: f64::INFINITY,
            source: String::new(),
            date: None,
            valid_until: None,
            table: None,
        }
    }

    /// A quantity written in place, without a stated uncertainty.
    pub fn exact(quantity: Quantity) -> Self {
        // A level in dB is an amplitude ratio once it is a factor.
        let is_level = quantity.is_level();
        let difference = quantity.difference();
        let celsius = (!is_level && difference != quantity.value).then_some(difference);
        let (value, unit) = match is_level {
            true => (quantity.to_ratio_amplitude(), Unit::one()),
            false => (quantity.value, quantity.unit),
        };
        Self {
            value,
            celsius,
            unit,
            text: quantity.text,
            is_level,
            ..Self::one()
        }
    }

    /// The constant as a source of uncertainty; `None` for a quantity written in place, and where the
    /// recipe states no uncertainty.
    pub fn about(&self) -> Option<Arc<About>> {
        let stated = !self.name.is_empty() && self.states_uncertainty();
        let quantity = self.standard_uncertainty.map(|u| Quantified {
            value: self.value,
            standard_uncertainty: u,
            unit: self.unit.clone(),
        });
        stated.then(|| {
            Arc::new(About {
                degrees_of_freedom: self.degrees_of_freedom,
                distribution: self.distribution,
                ..Arc::unwrap_or_clone(About::constant(&self.name, quantity))
            })
        })
    }

    /// The value as it enters a derivation key: in SI units, beside the unit that it was written in.
    pub fn canonical(&self) -> String {
        self.canonical_in(&self.unit)
    }

    /// The same, beside another unit.
    pub(crate) fn canonical_in(&self, unit: &Unit) -> String {
        if let Some(table) = &self.table {
            return table.canonical();
        }
        let u = self
            .standard_uncertainty
            .map_or("none".into(), |u| format!("{u:?}"));
        let shape = match self.distribution {
            Distribution::Normal => String::new(),
            other => format!(", {other:?}"),
        };
        let dof = match self.degrees_of_freedom.is_finite() {
            true => format!(", {:?} degrees of freedom", self.degrees_of_freedom),
            false => String::new(),
        };
        format!("{:?} (u {u}{shape}{dof}) {}", self.value, unit.ascii())
    }

    /// Its uncertainty as the lineage tells it.
    pub fn uncertainty_in_words(&self) -> String {
        let mut words = match (&self.table, self.standard_uncertainty) {
            (Some(table), _) => table.uncertainty_in_words(),
            (None, None) => return "not stated".into(),
            (None, Some(u)) => format!("{u:?} {}", self.unit.to_coherent().ascii()),
        };
        words += match self.distribution {
            Distribution::Normal => "",
            Distribution::Rectangular => ", from rectangular limits",
            Distribution::Triangular => ", from triangular limits",
            Distribution::Arcsine => ", from U-shaped limits",
        };
        if self.degrees_of_freedom.is_finite() {
            words += &format!(", {} degrees of freedom", self.degrees_of_freedom);
        }
        words
    }

    /// Where it comes from, from when it is and until when it holds, as far as the recipe says.
    pub fn origin(&self) -> String {
        let date = self.date.map(|d| d.to_string());
        let until = self.valid_until.map(|d| format!("valid until {d}"));
        let said = (!self.source.is_empty()).then(|| self.source.clone());
        let all: Vec<String> = [said, date, until].into_iter().flatten().collect();
        all.join(", ")
    }

    /// The value as a difference in SI units, such as an uncertainty or an amplitude: 0.5 K of `0.5 °C`.
    pub fn difference(&self) -> f64 {
        self.celsius.unwrap_or(self.value)
    }

    /// Whether its uncertainty is stated.
    pub fn states_uncertainty(&self) -> bool {
        match &self.table {
            Some(table) => table.uncertainty.is_some(),
            None => self.standard_uncertainty.is_some(),
        }
    }

    /// Reads `Constant(value: "1.000e8 V/A", standard_uncertainty: "0.5 %", source: "calibration")`, or a
    /// `Table(...)`.
    pub fn read(name: String, piece: &Piece) -> (Self, Diagnostics) {
        let read: fn(&mut Reader<'_>) -> Constant = match piece.name() {
            Some("Constant") => read_constant,
            Some("Table") => table::read,
            _ => {
                let mut diagnostics = Diagnostics::default();
                let expected =
                    "`Constant(value: \"...\")` or `Table(frequency: [...], gain: [...])`";
                diagnostics.push(piece.wrong_type(expected));
                return (
                    Self {
                        name,
                        ..Self::one()
                    },
                    diagnostics,
                );
            }
        };
        let (constant, found) = Reader::read(piece, &[], read);
        (Self { name, ..constant }, found.diagnostics)
    }
}

fn read_constant(r: &mut Reader<'_>) -> Constant {
    let mut constant = r.setting("value", "value with unit").factor();
    let stated = r
        .setting(
            "standard_uncertainty",
            "standard uncertainty, in the unit of the value, or a part of it in % or ppm",
        )
        .optional()
        .map(|s| s.factor());
    let limits = r
        .setting(
            "limits",
            "limits of the value on either side, and how it is distributed between them",
        )
        .optional()
        .and_then(|s| s.choice(read_limits));
    if stated.is_some() && limits.is_some() {
        r.fault(
            "limits",
            Code::Duplicate,
            "expected one of `standard_uncertainty` and `limits`, found both",
            "state the uncertainty once",
        );
    }
    let (setting, spread) = match (stated, limits) {
        (Some(spread), _) => ("standard_uncertainty", Some((spread, 1.0))),
        (None, Some((distribution, spread, factor))) => {
            constant.distribution = distribution;
            ("limits", Some((spread, distribution.divisor() * factor)))
        }
        (None, None) => ("", None),
    };
    constant.standard_uncertainty = spread.and_then(|(spread, divisor)| {
        let absolute = absolute(&spread, &constant).filter(|u| *u >= 0.0);
        if absolute.is_none() {
            let (or, help) = match constant.celsius.is_some() {
                true => ("", "for example \"0.5 K\"; a part of a temperature in °C has no meaning"),
                false => (
                    " or in %",
                    "for example \"0.5 %\" or \"20 ppm\", which are parts of the value; anything else is in its unit",
                ),
            };
            let message = format!(
                "expected an uncertainty of zero or more in {}{or}, found `{}`",
                constant.unit, spread.text
            );
            r.fault(setting, Code::Unit, message, help);
        }
        absolute.map(|u| u / divisor)
    });
    read_origin(r, &mut constant);
    constant
}

fn read_limits(c: &mut Choice<'_, (Distribution, Constant, f64)>) {
    let plain = |distribution: Distribution| {
        move |r: &mut Reader<'_>| (distribution, r.setting("", "half-width").factor(), 1.0)
    };
    c.variant(
        "Rectangular",
        "anywhere between them alike; u is the half-width over sqrt(3)",
        plain(Distribution::Rectangular),
    )
    .variant(
        "Triangular",
        "rarer towards them; u is the half-width over sqrt(6)",
        plain(Distribution::Triangular),
    )
    .variant(
        "UShaped",
        "most often near them, as a sine; u is the half-width over sqrt(2)",
        plain(Distribution::Arcsine),
    )
    .variant(
        "Normal",
        "an expanded uncertainty; u is the half-width over the coverage factor",
        |r| {
            let half = r.setting("half_width", "half-width").factor();
            let k = r.setting("coverage_factor", "coverage factor");
            (Distribution::Normal, half, k.number(Range::Positive))
        },
    );
}

/// A spread in SI units of the value. One written in a unit of pure numbers with a size, as % and ppm,
/// is a part of the value, also where that is a pure number itself; so is a level, to first order
/// x·ln(10)/20. Anything else is in the value's unit. A value in °C has no parts, since its zero is where it is by
/// convention.
fn absolute(spread: &Constant, constant: &Constant) -> Option<f64> {
    let is_part = spread.is_level || spread.unit.is_dimensionless() && spread.unit != Unit::one();
    if is_part && constant.celsius.is_some() {
        return None;
    }
    if spread.is_level {
        return Some(libm::log(spread.value) * constant.value.abs());
    }
    if is_part {
        return Some(spread.value * constant.value.abs());
    }
    let fits = spread.unit.same_dimension(&constant.unit) && !constant.is_level;
    fits.then(|| spread.difference())
}

/// Reads what is said of how much is known and until when.
fn read_origin(r: &mut Reader<'_>, constant: &mut Constant) {
    if let Some(s) = r
        .setting(
            "degrees_of_freedom",
            "degrees of freedom of the uncertainty",
        )
        .optional()
    {
        constant.degrees_of_freedom = s.number(Range::Positive);
    }
    constant.source = r
        .setting("source", "where the value comes from")
        .default("\"\"")
        .text();
    let mut date = |name, doc| {
        let (text, _) = r.setting(name, doc).optional()?.text_at()?;
        let date = text.parse::<Date>().ok();
        if date.is_none() {
            let message = format!("expected a date such as \"2026-03-31\", found `{text}`");
            r.fault(name, Code::WrongType, message, "write year, month and day");
        }
        date
    };
    constant.date = date("date", "day on which it was determined");
    constant.valid_until = date("valid_until", "last day of which it holds");
    if let (Some(date), Some(until)) = (constant.date, constant.valid_until)
        && until < date
    {
        let message = format!("expected a day from {date} on, found {until}");
        r.fault("valid_until", Code::OutOfRange, message, "check both dates");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::diagnostic::SourceText;

    #[test]
    fn degrees_of_freedom_go_with_the_source() {
        let text =
            "Constant(value: \"2 V\", standard_uncertainty: \"1 %\", degrees_of_freedom: 12)";
        let about = read(text).0.about().expect("stated");
        assert_eq!(about.degrees_of_freedom, 12.0);
        let unstated = read("Constant(value: \"2 V\")").0;
        assert_eq!(unstated.about(), None);
    }

    fn read(text: &str) -> (Constant, Diagnostics) {
        let source = SourceText {
            name: "test".into(),
            text: text.into(),
        };
        Constant::read("c".into(), &Piece::whole(source.into()).expect("RON"))
    }

    /// JCGM 100:2008, 4.3.7 and 4.3.9, and the standard deviation a/√2 of a sine, worked by hand.
    #[test]
    fn limits_become_standard_uncertainties() {
        for (limits, u) in [
            ("Rectangular(\"0.6 V\")", 0.6 / 3.0f64.sqrt()),
            ("Triangular(\"0.6 V\")", 0.6 / 6.0f64.sqrt()),
            ("UShaped(\"0.6 V\")", 0.6 / 2.0f64.sqrt()),
            ("Normal(half_width: \"0.6 V\", coverage_factor: 2)", 0.3),
            ("Rectangular(\"10 %\")", 0.4 / 3.0f64.sqrt()),
        ] {
            let (constant, found) = read(&format!("Constant(value: \"-4 V\", limits: {limits})"));
            assert!(found.is_empty(), "{found}");
            let made = constant.standard_uncertainty.expect("stated");
            // Two roundings: the text's value and the division.
            assert!((made / u - 1.0).abs() < 4e-16, "{limits}: {made} {u}");
        }
    }

    /// 20 with 5 ppm, 0.0005 % or 0.0001 is 20.0000(1) each time.
    #[test]
    fn parts_are_parts_of_pure_numbers_too() {
        for spread in ["5 ppm", "0.0005 %", "0.0001", "5000 ppb"] {
            let text = format!("Constant(value: \"20\", standard_uncertainty: \"{spread}\")");
            let made = read(&text).0.standard_uncertainty.expect("stated");
            assert!((made / 1e-4 - 1.0).abs() < 4e-16, "{spread}: {made}");
        }
    }

    /// An uncertainty of 0.5 °C is one of 0.5 K, and not the temperature 273.65 K; 1 % of 20 °C is 0.2 K or 2.9 K.
    #[test]
    fn an_uncertainty_in_celsius_is_a_difference() {
        for (uncertainty, u) in [
            ("standard_uncertainty: \"0.5 °C\"", Some(0.5)),
            ("standard_uncertainty: \"0.5 K\"", Some(0.5)),
            (
                "limits: Normal(half_width: \"1 degC\", coverage_factor: 2)",
                Some(0.5),
            ),
            ("standard_uncertainty: \"1 %\"", None),
            ("standard_uncertainty: \"-0.5 °C\"", None),
        ] {
            let text = format!("Constant(value: \"20 °C\", {uncertainty})");
            let (constant, found) = read(&text);
            assert_eq!(constant.value, 293.15);
            assert_eq!(constant.standard_uncertainty, u, "{text}");
            assert_eq!(found.is_empty(), u.is_some(), "{found}");
        }
        let text = "Constant(value: \"293 K\", standard_uncertainty: \"1 %\")";
        assert_eq!(read(text).0.standard_uncertainty, Some(2.93));
    }

    #[test]
    fn what_does_not_fit_is_told() {
        for (text, code) in [
            ("value: \"1 V\", standard_uncertainty: \"0.01\"", Code::Unit),
            ("value: \"1 V\", standard_uncertainty: \"1 A\"", Code::Unit),
            (
                "value: \"20 dB\", standard_uncertainty: \"0.1\"",
                Code::Unit,
            ),
            (
                "value: \"1 V\", standard_uncertainty: \"1 %\", limits: Rectangular(\"1 %\")",
                Code::Duplicate,
            ),
            (
                "value: \"1 V\", valid_until: \"31.3.2026\"",
                Code::WrongType,
            ),
            (
                "value: \"1 V\", date: \"2026-03-31\", valid_until: \"2025-03-31\"",
                Code::OutOfRange,
            ),
        ] {
            let found = read(&format!("Constant({text})")).1;
            let codes: Vec<Code> = found.iter().map(|d| d.code).collect();
            assert_eq!(codes, [code], "{text}");
        }
    }
}
