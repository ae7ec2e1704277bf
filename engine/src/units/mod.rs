//! Physical units and quantities as text: read to SI with exact prefixes, and printed.
//!
//! Exponents are halves, so `nV/sqrt(Hz)` is a unit. An angle is a dimension of its own, and so is a
//! count of things, so that a phase in degrees cannot be taken for a number. `dB` stands alone: it is a
//! level, not a unit; and so does `°C`, whose zero is not that of `K`.

mod dimension;
mod parse;
mod print;
mod printed;
mod quantity;
mod scale;
mod table;

use std::fmt;

pub use dimension::Dimension;
pub use print::{format_beside, format_expanded, format_plain, format_quantity, format_uncertain};
pub use printed::Printed;
use scale::Scale;

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
    /// The number is too large or too small for a double.
    #[error("expected a value that a double can hold in SI units, found `{0}`; check its exponent")]
    OutOfRange(String),
    /// No such unit.
    #[error("expected a unit, found `{found}`{}", help(nearest))]
    UnknownUnit {
        /// The symbol.
        found: String,
        /// A symbol that is spelt alike.
        nearest: Option<String>,
    },
    /// Something that does not belong there.
    #[error("expected {expected}, found {found}")]
    Unexpected {
        /// What could stand there.
        expected: &'static str,
        /// What stands there, in back-ticks, or the end.
        found: String,
    },
    /// Exponents or sizes too large, or roots of roots.
    #[error(
        "expected exponents from -60 to 60 in steps of one half and an ordinary size, found a unit beyond them"
    )]
    Overflow,
    /// Levels and temperatures in degrees have no products.
    #[error("expected `{0}` only behind a number, found it as a unit; {1}")]
    Alone(&'static str, &'static str),
    /// Longer or more nested than any unit.
    #[error("expected at most 200 bytes and 8 nested parentheses, found a longer unit")]
    TooLong,
}

fn help(nearest: &Option<String>) -> String {
    match nearest {
        Some(nearest) => format!("; did you mean `{nearest}`?"),
        None => "; write it in SI units".to_owned(),
    }
}

impl UnitError {
    fn new(kind: UnitErrorKind, offset: usize, length: usize) -> Self {
        UnitError {
            kind,
            offset,
            length,
        }
    }

    /// The text that could not be read and why, as what a message found: without a semicolon, behind which messages have
    /// their cure.
    pub fn found_in(&self, text: &str) -> String {
        let told = self.to_string().replace("; ", ", ");
        match told.strip_prefix(&format!("expected a unit, found `{text}`")) {
            Some(cure) => format!("`{text}`{cure}"),
            None => format!("`{text}` ({told})"),
        }
    }

    /// What is wrong.
    pub fn kind(&self) -> &UnitErrorKind {
        &self.kind
    }

    /// Byte in the text where the fault begins; 0 when it came from arithmetic.
    pub fn offset(&self) -> usize {
        self.offset
    }

    /// Bytes of the fault; 0 where something is missing.
    pub fn length(&self) -> usize {
        self.length
    }
}

/// A unit: a dimension, and a size in SI units.
///
/// Units are equal when dimension and size are: `V/A` is `Ohm`, and `mV` is not `V`.
#[derive(Clone, Debug)]
pub struct Unit {
    dimension: Dimension,
    scale: Scale,
    /// As written, where it was.
    symbol: Option<String>,
}

impl PartialEq for Unit {
    fn eq(&self, other: &Self) -> bool {
        self.dimension == other.dimension && self.scale == other.scale
    }
}

impl Unit {
    /// The unit of a pure number.
    pub fn one() -> Self {
        Self::coherent(Dimension::ONE)
    }

    /// The SI unit of a dimension.
    pub(crate) fn coherent(dimension: Dimension) -> Self {
        Unit {
            dimension,
            scale: Scale::ONE,
            symbol: None,
        }
    }

    /// A unit of the table.
    fn known(symbol: &str) -> Self {
        let named = table::look_up(symbol)
            .and_then(|(u, _)| Some((u.dimension, Scale::ONE.times(u.scale, 1)?)));
        let (dimension, scale) = named.unwrap_or((Dimension::ONE, Scale::ONE));
        Unit {
            dimension,
            scale,
            symbol: Some(symbol.into()),
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

    /// Volt.
    pub fn volt() -> Self {
        Self::known("V")
    }

    /// Radian.
    pub fn radian() -> Self {
        Self::known("rad")
    }

    /// Degree of angle.
    pub fn degree() -> Self {
        Self::known("deg")
    }

    /// Reads a unit, such as `V/A`, `m s^-2`, `V^2/Hz` or `nV/sqrt(Hz)`, of at most 200 bytes.
    ///
    /// Products and quotients are taken from left to right, and a product behind a quotient needs
    /// parentheses. A prefix goes before a symbol, and a symbol of its own before a prefixed one: `min`
    /// is a minute. English names (`volts`, `milliseconds`) are read too.
    ///
    /// # Errors
    /// [`UnitError`] with the place of the fault.
    pub fn parse(text: &str) -> Result<Self, UnitError> {
        parse::unit(text, 0)
    }

    /// The SI unit of the same dimension; keeps its symbol when it is one already.
    pub fn to_coherent(&self) -> Self {
        if self.scale == Scale::ONE {
            self.clone()
        } else {
            Self::coherent(self.dimension)
        }
    }

    /// The size in SI units.
    pub fn si_factor(&self) -> f64 {
        self.scale.number()
    }

    /// The unit with the prefix that brings a value in SI units of this size between 1 and 1000, where it takes one.
    pub fn for_size(&self, size: f64) -> Self {
        print::prefixed(self, size)
    }

    /// A value in SI units as a number in this unit.
    pub fn number_of(&self, value: f64) -> f64 {
        self.scale.divide(value)
    }

    /// The dimension.
    pub fn dimension(&self) -> Dimension {
        self.dimension
    }

    /// Whether it is a unit of a pure number, `%` included and `rad` not.
    pub fn is_dimensionless(&self) -> bool {
        self.dimension == Dimension::ONE
    }

    /// Whether quantities in the two units can be added.
    pub fn same_dimension(&self, other: &Unit) -> bool {
        self.dimension == other.dimension
    }

    /// Whether quantities in the two units can be added when angles and counts are taken as pure numbers,
    /// as the SI does: `rad/s` with `1/s`, `samples/s` with `Hz`.
    pub fn compatible(&self, other: &Unit) -> bool {
        self.dimension.without_tags() == other.dimension.without_tags()
    }

    /// What a number in this unit is multiplied by to be in `other`; `None` for another dimension.
    pub fn factor_to(&self, other: &Unit) -> Option<f64> {
        let ratio = self.scale.times(other.scale, -1)?;
        self.same_dimension(other).then(|| ratio.number())
    }

    /// The unit of a product of values in SI units: an SI unit, whatever the sizes of the two.
    ///
    /// # Errors
    /// [`UnitErrorKind::Overflow`] when an exponent leaves the range.
    pub fn mul(&self, other: &Unit) -> Result<Unit, UnitError> {
        self.joined(other, 1)
    }

    /// The unit of a quotient of values in SI units: an SI unit, whatever the sizes of the two.
    ///
    /// # Errors
    /// [`UnitErrorKind::Overflow`] when an exponent leaves the range.
    pub fn div(&self, other: &Unit) -> Result<Unit, UnitError> {
        self.joined(other, -1)
    }

    fn joined(&self, other: &Unit, sign: i8) -> Result<Unit, UnitError> {
        // Multiplying by a pure number keeps the name.
        if other.is_dimensionless() {
            return Ok(self.to_coherent());
        }
        if self.is_dimensionless() && sign > 0 {
            return Ok(other.to_coherent());
        }
        Self::made(self.dimension.combine(other.dimension, sign))
    }

    /// The unit of a power of a value in SI units: an SI unit.
    ///
    /// # Errors
    /// [`UnitErrorKind::Overflow`] when an exponent leaves the range.
    pub fn pow(&self, exponent: i8) -> Result<Unit, UnitError> {
        Self::made(Dimension::ONE.combine(self.dimension, exponent))
    }

    /// The unit of the square root of a value in SI units: an SI unit.
    ///
    /// # Errors
    /// [`UnitErrorKind::Overflow`] when an exponent would be a quarter.
    pub fn sqrt(&self) -> Result<Unit, UnitError> {
        Self::made(self.dimension.root())
    }

    fn made(dimension: Option<Dimension>) -> Result<Unit, UnitError> {
        dimension
            .map(Self::coherent)
            .ok_or_else(|| UnitError::new(UnitErrorKind::Overflow, 0, 0))
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
        print::ascii(&self.to_string())
    }

    /// The unit in the Unified Code for Units of Measure (version 2.1, case sensitive); `None` for roots,
    /// which it cannot say. Counts are annotations there: `{count}`.
    pub fn to_ucum(&self) -> Option<String> {
        print::ucum(self)
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

/// A number with a unit, as text and in SI units.
#[derive(Clone, Debug, PartialEq)]
pub struct Quantity {
    /// The value in SI units; of a level, in dB.
    pub value: f64,
    /// The unit it was written in; K for °C, one for a level.
    pub unit: Unit,
    /// The text.
    pub text: String,
    level: bool,
    /// The number without the zero of its unit.
    difference: f64,
}

impl Quantity {
    /// Reads a quantity such as `300 ms`, `1.000e8 V/A`, `0.5 %`, `21 °C` or `-3 dB`; a bare number is
    /// dimensionless. Prefixes and `%` move the decimal point of the text, so `300 ms` is the double
    /// nearest to 0.3.
    ///
    /// # Errors
    /// [`UnitError`] with the place of the fault; NaN and infinities are no numbers here.
    pub fn parse(text: &str) -> Result<Self, UnitError> {
        quantity::quantity(text)
    }

    /// Reads a quantity and its standard uncertainty in SI units, where it states one (notations of
    /// JCGM 100:2008, 7.2.2 and 7.2.4): `3.42(5) nA` with the digits in the last place, `3.4(0.5) nA` in
    /// the unit, `3.42(5)e-9 A`, `3.42 nA ± 0.05 nA`, `(3.42 ± 0.05) nA`, `3.42 nA ± 2 %` as a part of
    /// the value, `3.42 nA ± 0.10 nA (k = 2)`. Without a coverage factor k, it is taken as 1.
    ///
    /// # Errors
    /// [`UnitError`] with the place of the fault, also when the two units do not go together.
    pub fn parse_with_uncertainty(text: &str) -> Result<(Self, Option<f64>), UnitError> {
        quantity::uncertain(text)
    }

    /// Whether it is a level in dB.
    pub fn is_level(&self) -> bool {
        self.level
    }

    /// The value in SI units as a difference, such as an uncertainty or an amplitude: 0.5 K of `0.5 °C`, whose value is
    /// 273.65 K.
    pub fn difference(&self) -> f64 {
        self.difference
    }

    /// The amplitude ratio of a level, 10^(x/20).
    pub fn to_ratio_amplitude(&self) -> f64 {
        libm::pow(10.0, self.value / 20.0)
    }
}

#[cfg(test)]
mod tests;
