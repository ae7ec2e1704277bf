//! Reads quantities: a number, perhaps its uncertainty, and a unit.

use super::parse::unit;
use super::{Quantity, Unit, UnitError, UnitErrorKind};

/// What kind of number stands before a unit.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Plain,
    /// In dB.
    Level,
    /// In °C, which have a zero of their own.
    Celsius,
}

/// A part of the text, and the byte where it begins.
#[derive(Clone, Copy)]
struct Piece<'t> {
    text: &'t str,
    at: usize,
}

impl<'t> Piece<'t> {
    /// From byte `start` to byte `end`, without the space around.
    fn part(self, start: usize, end: usize) -> Self {
        let text = self.text.get(start..end).unwrap_or("");
        let inner = text.trim_start();
        Piece {
            text: inner.trim_end(),
            at: self.at + start + (text.len() - inner.len()),
        }
    }

    fn after(self, start: usize) -> Self {
        self.part(start, self.text.len())
    }

    fn fault(self, kind: UnitErrorKind) -> UnitError {
        UnitError::new(kind, self.at, self.text.len())
    }

    fn unexpected(self, expected: &'static str) -> UnitError {
        self.fault(UnitErrorKind::Unexpected {
            expected,
            found: format!("`{}`", shortened(self.text)),
        })
    }
}

/// A number as it is written, with the sign in ASCII.
struct Number<'t> {
    decimal: String,
    piece: Piece<'t>,
}

/// A unit, and what its numbers mean.
struct Meaning {
    unit: Unit,
    kind: Kind,
    written: bool,
}

/// Reads a quantity.
pub(super) fn quantity(text: &str) -> Result<Quantity, UnitError> {
    let whole = Piece { text, at: 0 }.after(0);
    let (number, rest) = number(whole)?;
    let meaning = meaning(rest)?;
    finished(whole, &number, meaning)
}

/// Reads a quantity that may state its standard uncertainty.
pub(super) fn uncertain(text: &str) -> Result<(Quantity, Option<f64>), UnitError> {
    let whole = Piece { text, at: 0 }.after(0);
    let sign = ["\u{b1}", "+/-", "+-"]
        .iter()
        .find_map(|s| text.find(s).map(|i| (i, s.len())));
    if let Some((at, length)) = sign {
        let all = Piece { text, at: 0 };
        return plus_minus(whole, all.part(0, at), all.after(at + length));
    }
    let (mut value, rest) = number(whole)?;
    let Some(length) = parenthesis(rest) else {
        return Ok((finished(whole, &value, meaning(rest)?)?, None));
    };
    // The exponent, if there is one, is behind the parenthesis and holds for both numbers.
    let exponent = exponent_length(rest.text.get(length..).unwrap_or(""));
    let power = rest.text.get(length..length + exponent).unwrap_or("");
    let digits = rest.part(1, length - 1);
    if value.decimal.contains(['e', 'E']) {
        return Err(digits.unexpected("the exponent behind the parenthesis, as in 3.42(5)e-9,"));
    }
    let decimals = value.decimal.split_once('.').map_or(0, |(_, d)| d.len());
    let spread = if digits.text.contains('.') {
        format!("{}{power}", digits.text)
    } else {
        // Digits without a point count in the last place of the value (JCGM 100:2008, 7.2.2).
        let power = power.get(1..).unwrap_or("0").parse::<i64>().unwrap_or(0);
        format!("{}e{}", digits.text, power.saturating_sub(decimals as i64))
    };
    value.decimal.push_str(power);
    let meaning = meaning(rest.after(length + exponent))?;
    let spread = si(
        &Number {
            decimal: spread,
            piece: digits,
        },
        &meaning.unit,
    )?;
    Ok((finished(whole, &value, meaning)?, Some(spread)))
}

/// Reads `3.42 nA ± 0.10 nA`, `(3.42 ± 0.10) nA`, `3.42 nA ± 3 %`, each perhaps with ` (k = 2)`.
fn plus_minus<'t>(
    whole: Piece<'t>,
    left: Piece<'t>,
    right: Piece<'t>,
) -> Result<(Quantity, Option<f64>), UnitError> {
    let (right, coverage) = coverage(right)?;
    let enclosed = left.text.starts_with('(');
    let (value, left_unit) = number(if enclosed { left.after(1) } else { left })?;
    let (spread, mut right_unit) = number(right)?;
    let left_unit = if enclosed {
        if !left_unit.text.is_empty() {
            return Err(left_unit.unexpected("the unit behind the parenthesis"));
        }
        if !right_unit.text.starts_with(')') {
            return Err(right.unexpected("an uncertainty that ends with `)`"));
        }
        right_unit = right_unit.after(1);
        right_unit
    } else {
        left_unit
    };
    let (stated, spread_in) = (meaning(left_unit)?, meaning(right_unit)?);
    if spread.decimal.starts_with('-') {
        return Err(spread.piece.unexpected("an uncertainty of zero or more"));
    }
    let relative =
        spread_in.kind == Kind::Plain && spread_in.unit.is_dimensionless() && spread_in.written;
    let own = stated.kind == spread_in.kind && stated.unit.same_dimension(&spread_in.unit);
    if stated.written != spread_in.written || !(own || relative && stated.kind == Kind::Plain) {
        return Err(right.unexpected("an uncertainty in the unit of the value, or in %"));
    }
    let spread = si(&spread, &spread_in.unit)? / coverage;
    let value = finished(whole, &value, stated)?;
    let spread = if own {
        spread
    } else {
        spread * value.value.abs()
    };
    Ok((value, Some(spread)))
}

/// Takes ` (k = 2)` off the end; the coverage factor is 1 where none is stated.
fn coverage(right: Piece<'_>) -> Result<(Piece<'_>, f64), UnitError> {
    let Some(start) = right.text.rfind("(k") else {
        return Ok((right, 1.0));
    };
    let stated = right.after(start);
    let factor = stated
        .text
        .trim_start_matches("(k")
        .trim_start()
        .strip_prefix('=')
        .and_then(|t| t.strip_suffix(')'));
    match factor.and_then(|f| f.trim().parse::<f64>().ok()) {
        Some(k) if k.is_finite() && k > 0.0 => Ok((right.part(0, start), k)),
        _ => Err(stated.unexpected("a coverage factor such as `(k = 2)`")),
    }
}

/// Splits a number off the front of a piece.
fn number(piece: Piece<'_>) -> Result<(Number<'_>, Piece<'_>), UnitError> {
    if piece.text.is_empty() {
        return Err(piece.fault(UnitErrorKind::Empty("a number with a unit")));
    }
    let (sign, skip) = match piece.text.strip_prefix('\u{2212}') {
        // The minus sign of typeset text.
        Some(_) => ("-", '\u{2212}'.len_utf8()),
        None => ("", 0),
    };
    let body = piece.text.get(skip..).unwrap_or("");
    let length = number_length(body, skip > 0);
    let rest = piece.after(skip + length);
    let decimal = format!("{sign}{}", body.get(..length).unwrap_or(""));
    if decimal.parse::<f64>().is_err()
        || rest.text.starts_with(',') && rest.at == piece.at + skip + length
    {
        let word = piece.part(
            0,
            piece
                .text
                .find(char::is_whitespace)
                .unwrap_or(piece.text.len()),
        );
        return Err(word.fault(UnitErrorKind::BadNumber(shortened(word.text))));
    }
    Ok((
        Number {
            decimal,
            piece: piece.part(0, skip + length),
        },
        rest,
    ))
}

/// Length of the decimal number that a text begins with.
fn number_length(text: &str, signed: bool) -> usize {
    let digits = |from: usize| {
        let rest = text.as_bytes().get(from..).unwrap_or(&[]);
        from + rest.iter().take_while(|b| b.is_ascii_digit()).count()
    };
    let mut end = digits(usize::from(!signed && text.starts_with(['+', '-'])));
    if text.as_bytes().get(end) == Some(&b'.') {
        end = digits(end + 1);
    }
    end + exponent_length(text.get(end..).unwrap_or(""))
}

/// Length of the exponent that a text begins with; `1 eV` has none.
fn exponent_length(text: &str) -> usize {
    let Some(rest) = text.strip_prefix(['e', 'E']) else {
        return 0;
    };
    let sign = usize::from(rest.starts_with(['+', '-']));
    let digits = rest
        .bytes()
        .skip(sign)
        .take_while(u8::is_ascii_digit)
        .count();
    if digits == 0 { 0 } else { 1 + sign + digits }
}

/// Length of a parenthesis of digits that a piece begins with.
fn parenthesis(piece: Piece<'_>) -> Option<usize> {
    let inner = piece.text.strip_prefix('(')?;
    let end = inner.find(|c: char| !c.is_ascii_digit() && c != '.')?;
    let number = inner.get(..end)?;
    (inner.get(end..)?.starts_with(')') && number.parse::<f64>().is_ok()).then_some(end + 2)
}

fn meaning(piece: Piece<'_>) -> Result<Meaning, UnitError> {
    let (unit, kind) = match piece.text {
        "" => (Unit::one(), Kind::Plain),
        "dB" => (Unit::one(), Kind::Level),
        "\u{b0}C" | "degC" | "\u{2103}" => (Unit::known("K"), Kind::Celsius),
        text => (unit(text, piece.at)?, Kind::Plain),
    };
    Ok(Meaning {
        unit,
        kind,
        written: !piece.text.is_empty(),
    })
}

/// The number in SI units.
fn si(number: &Number<'_>, unit: &Unit) -> Result<f64, UnitError> {
    let value = unit.scale.of(&number.decimal);
    let mantissa = number.decimal.split(['e', 'E']).next().unwrap_or("");
    let lost = value == 0.0 && mantissa.contains(|c: char| ('1'..='9').contains(&c));
    if !value.is_finite() || lost {
        let found = shortened(number.piece.text);
        return Err(number.piece.fault(UnitErrorKind::OutOfRange(found)));
    }
    Ok(value)
}

fn finished(
    whole: Piece<'_>,
    number: &Number<'_>,
    meaning: Meaning,
) -> Result<Quantity, UnitError> {
    let plain = si(number, &meaning.unit)?;
    let value = match meaning.kind {
        Kind::Celsius => plain + 273.15,
        _ => plain,
    };
    Ok(Quantity {
        value,
        unit: meaning.unit,
        text: whole.text.to_owned(),
        level: meaning.kind == Kind::Level,
        difference: plain,
    })
}

/// A text for a message, which nobody wants to be a page long.
fn shortened(text: &str) -> String {
    const LONGEST: usize = 40;
    match text.char_indices().nth(LONGEST) {
        Some((end, _)) => format!("{}...", text.get(..end).unwrap_or("")),
        None => text.to_owned(),
    }
}
