//! Quantities of a piece of text, and what is said where it holds none, or another one than expected.

use super::Piece;
use super::shape::Range;
use crate::diagnostic::{Code, Diagnostic};
use crate::units::{Quantity, Unit};

/// The SI unit behind a canonical value; nothing for a pure number.
pub(super) fn in_unit(unit: &str) -> String {
    match Unit::si_name(unit).as_str() {
        "1" => String::new(),
        name => format!(" {name}"),
    }
}

pub(super) fn string(piece: &Piece, expected: &str) -> Result<String, Diagnostic> {
    piece
        .parse::<String>()
        .map_err(|_| piece.wrong_type(expected))
}

pub(super) fn in_range(piece: &Piece, value: f64, range: Range) -> Result<(), Diagnostic> {
    if range.holds(value) {
        return Ok(());
    }
    let message = format!("expected a value {range}, found {}", piece.text());
    Err(Diagnostic::error(
        Code::OutOfRange,
        Some(piece.place()),
        message,
    ))
}

/// Reads a quantity in any unit from the piece, whose string value is `text`.
pub fn any_quantity(piece: &Piece, text: &str) -> Result<Quantity, Diagnostic> {
    Quantity::parse(text).map_err(|e| {
        let place = piece.within(text, e.offset(), e.length());
        Diagnostic::error(Code::Unit, Some(place), e.to_string())
            .help("write a number and a unit's symbol, as in \"1.5 ms\" or \"2 nV/sqrt(Hz)\"")
    })
}

/// Reads a quantity whose unit must have the dimension of `unit`; the value in SI units.
pub fn quantity(piece: &Piece, unit: &str, range: Range) -> Result<f64, Diagnostic> {
    read(piece, unit, range, |found| found.value)
}

/// The same of what is a difference, such as an amplitude: 0.5 K of `0.5 °C`.
pub fn difference(piece: &Piece, unit: &str, range: Range) -> Result<f64, Diagnostic> {
    read(piece, unit, range, Quantity::difference)
}

fn read(
    piece: &Piece,
    unit: &str,
    range: Range,
    size: impl Fn(&Quantity) -> f64,
) -> Result<f64, Diagnostic> {
    let text = string(piece, &format!("a quantity as a text, {}", example(unit)))?;
    let found = of_dimension(piece, any_quantity(piece, &text)?, unit)?;
    in_range(piece, size(&found), range)?;
    Ok(size(&found))
}

/// The quantity that was read from a piece, if it has the dimension of `unit`.
pub(super) fn of_dimension(
    piece: &Piece,
    found: Quantity,
    unit: &str,
) -> Result<Quantity, Diagnostic> {
    let fits = if unit == "dB" {
        found.is_level()
    } else {
        Unit::parse(unit).is_ok_and(|u| found.unit.same_dimension(&u)) && !found.is_level()
    };
    if fits {
        return Ok(found);
    }
    let message = format!(
        "expected a quantity {}, found `{}`",
        example(unit),
        found.text
    );
    let fault = Diagnostic::error(Code::Unit, Some(piece.place()), message);
    Err(match cure(&found, unit) {
        Some(help) => fault.help(help),
        None => fault,
    })
}

/// How a quantity in a unit is written.
fn example(unit: &str) -> String {
    match unit {
        "1" => "as in \"0.5\" or \"50 %\"".to_owned(),
        _ => format!("with a unit such as {unit}"),
    }
}

/// What to write in place of a quantity that was mistaken for another.
fn cure(found: &Quantity, unit: &str) -> Option<String> {
    if found.is_level() {
        let ratio = found.to_ratio_amplitude();
        return Some(format!(
            "a level in dB is a ratio of amplitudes, here {ratio:.6}; give a quantity with its unit"
        ));
    }
    if unit == "dB" {
        return Some("give 20 lg of the ratio of amplitudes, as in \"-3 dB\"".into());
    }
    let wanted = Unit::parse(unit).ok()?;
    if !wanted.compatible(&found.unit) {
        return None;
    }
    // The dimension differs, and without angles and counts it does not: one of the two is left out.
    Some(match found.unit.is_dimensionless() {
        true => format!(
            "a bare number may mean any unit; add the one that is meant, as in \"{} {unit}\"",
            found.text
        ),
        false => format!("an angle or a count is no pure number; give it in {unit}"),
    })
}
