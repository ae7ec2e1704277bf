//! Physical units and quantities as text: read to SI with exact prefixes, and printed.
//!
//! Exponents are halves, so `nV/sqrt(Hz)` is a unit. An angle is a dimension of its own, so that a
//! phase in degrees cannot be taken for a number. `dB` stands alone: it is a level, not a unit.

mod dimension;
mod parse;
mod print;
mod table;

use std::fmt;

pub use dimension::Dimension;
pub use print::{format_quantity, format_uncertain};

/// Why a text is not a quantity or a unit, and where.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{kind}")]
pub struct UnitError {
    kind: UnitErrorKind,
    offset: usize,
    length: usize,
}

/// Why a text is not a quantity or a unit.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum UnitErrorKind {
    /// Nothing is there.
    #[error("expected {0}, found nothing")]
    Empty(&'static str),
    /// The number cannot be read.
    #[error("expected a finite number such as 1.5e-3, found `{0}`")]
    BadNumber(String),
    /// No such unit.
    #[error("unknown unit `{found}`{}", nearest.as_ref().map_or(String::new(), |n| format!("; did you mean `{n}`?")))]
    UnknownUnit {
        /// The symbol.
        found: String,
        /// A symbol that is spelt alike.
        nearest: Option<String>,
    },
    /// Something that does not belong in a unit.
    #[error("expected {expected}, found `{found}`")]
    Unexpected {
        /// What could stand there.
        expected: &'static str,
        /// What stands there.
        found: String,
    },
    /// Exponents too large, or roots of roots.
    #[error("expected exponents from -60 to 60 in steps of one half, found a unit beyond them")]
    Overflow,
    /// Levels and temperatures in degrees have no products.
    #[error("expected `{0}` alone, found it in a product; {1}")]
    Alone(&'static str, &'static str),
    /// Longer or more nested than any unit.
    #[error("expected a unit of at most 200 bytes, with at most 8 nested parentheses")]
    TooLong,
}

impl UnitError {
    pub(in crate::units) fn new(kind: UnitErrorKind, offset: usize, length: usize) -> Self {
        UnitError {
            kind,
            offset,
            length,
        }
    }

    /// What is wrong.
    pub fn kind(&self) -> &UnitErrorKind {
        &self.kind
    }

    /// Byte in the text where the fault begins.
    pub fn offset(&self) -> usize {
        self.offset
    }

    /// Bytes of the fault.
    pub fn length(&self) -> usize {
        self.length
    }
}

/// A unit: a dimension, and a size in SI units of `ratio`·10^`power`.
#[derive(Clone, Debug)]
pub struct Unit {
    dimension: Dimension,
    ratio: f64,
    power: i32,
    /// As written, where it was.
    symbol: Option<String>,
}

impl PartialEq for Unit {
    fn eq(&self, other: &Self) -> bool {
        self.dimension == other.dimension && self.si_factor() == other.si_factor()
    }
}

impl Unit {
    /// The unit of a pure number.
    pub fn one() -> Self {
        Unit {
            dimension: Dimension::ONE,
            ratio: 1.0,
            power: 0,
            symbol: None,
        }
    }

    /// The SI unit of a dimension.
    pub(crate) fn coherent(dimension: Dimension) -> Self {
        Unit {
            dimension,
            ..Self::one()
        }
    }

    fn known(symbol: &str) -> Self {
        let dimension = table::look_up(symbol).map_or(Dimension::ONE, |(u, _)| u.dimension);
        Unit {
            symbol: Some(symbol.into()),
            ..Self::coherent(dimension)
        }
    }

    /// Hertz.
    pub fn hertz() -> Self {
        Self::known("Hz")
    }

    /// Second.
    pub fn second() -> Self {
        Self::known("s")
    }

    /// Radian.
    pub fn radian() -> Self {
        Self::known("rad")
    }

    /// Degree of angle.
    pub fn degree() -> Self {
        Unit {
            ratio: std::f64::consts::PI / 180.0,
            ..Self::known("deg")
        }
    }

    /// Reads a unit, such as `V/A` or `nV/sqrt(Hz)`.
    pub fn parse(text: &str) -> Result<Self, UnitError> {
        parse::unit(text, 0)
    }

    /// The SI unit of the same dimension.
    pub fn to_coherent(&self) -> Self {
        if self.si_factor() == 1.0 {
            self.clone()
        } else {
            Self::coherent(self.dimension)
        }
    }

    /// The size in SI units.
    pub fn si_factor(&self) -> f64 {
        scaled(self.ratio, self.power)
    }

    /// The dimension.
    pub fn dimension(&self) -> Dimension {
        self.dimension
    }

    /// Whether it is a unit of a pure number, `%` included.
    pub fn is_dimensionless(&self) -> bool {
        self.dimension == Dimension::ONE
    }

    /// Whether quantities in the two units can be added.
    pub fn same_dimension(&self, other: &Unit) -> bool {
        self.dimension == other.dimension
    }

    /// What a number in this unit is multiplied by to be in `other`; `None` for another dimension.
    pub fn factor_to(&self, other: &Unit) -> Option<f64> {
        self.same_dimension(other)
            .then(|| scaled(self.ratio / other.ratio, self.power - other.power))
    }

    /// The product of two units, as an SI unit where either has a size other than one.
    pub fn mul(&self, other: &Unit) -> Result<Unit, UnitError> {
        self.joined(other, 1)
    }

    /// The quotient of two units, as an SI unit where either has a size other than one.
    pub fn div(&self, other: &Unit) -> Result<Unit, UnitError> {
        self.joined(other, -1)
    }

    fn joined(&self, other: &Unit, sign: i8) -> Result<Unit, UnitError> {
        let dimension = self.dimension.combine(other.dimension, sign);
        let dimension = dimension.ok_or_else(|| UnitError::new(UnitErrorKind::Overflow, 0, 0))?;
        // Multiplying by a pure number keeps the name.
        Ok(if other.is_dimensionless() {
            self.to_coherent()
        } else {
            Self::coherent(dimension)
        })
    }

    /// The square root.
    pub fn sqrt(&self) -> Result<Unit, UnitError> {
        let root = self
            .dimension
            .root()
            .ok_or_else(|| UnitError::new(UnitErrorKind::Overflow, 0, 0))?;
        Ok(Self::coherent(root))
    }

    /// The name of the SI unit of the dimension of `unit`, for canonical texts.
    pub fn si_name(unit: &str) -> String {
        match Unit::parse(unit) {
            Ok(unit) => Self::coherent(unit.dimension).ascii(),
            Err(_) => unit.to_owned(),
        }
    }

    /// The unit in ASCII, as data files state it.
    pub fn ascii(&self) -> String {
        self.to_string()
            .replace(['\u{3a9}', '\u{2126}'], "Ohm")
            .replace(['\u{b5}', '\u{3bc}'], "u")
            .replace('\u{b0}', "deg")
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.symbol {
            Some(symbol) => f.write_str(symbol),
            None => f.write_str(&print::derived(self.dimension)),
        }
    }
}

/// x·10^power, with one rounding for powers up to 22, which f64 holds exactly.
fn scaled(x: f64, power: i32) -> f64 {
    match power {
        0 => x,
        1..=22 => x * ten_to(power),
        -22..=-1 => x / ten_to(-power),
        _ => format!("{x:e}")
            .parse::<f64>()
            .map_or(x, |_| parse::decimal(&format!("{x:?}"), power).unwrap_or(x)),
    }
}

fn ten_to(power: i32) -> f64 {
    (0..power).fold(1.0, |t, _| t * 10.0)
}

/// A number with a unit, as text and in SI units.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// The value in SI units; of a level, in dB.
    pub value: f64,
    /// The unit it was written in.
    pub unit: Unit,
    /// The text.
    pub text: String,
    level: bool,
}

impl Quantity {
    /// Reads a quantity such as `300 ms`, `1.000e8 V/A`, `0.5 %` or `-3 dB`; a bare number is dimensionless.
    pub fn parse(text: &str) -> Result<Self, UnitError> {
        parse::quantity(text)
    }

    /// Whether it is a level in dB.
    pub fn is_level(&self) -> bool {
        self.level
    }

    /// The amplitude ratio of a level, 10^(x/20).
    pub fn to_ratio_amplitude(&self) -> f64 {
        libm::pow(10.0, self.value / 20.0)
    }
}

#[cfg(test)]
mod tests;
