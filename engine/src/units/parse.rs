//! Reads quantities and units.

use super::table::{UNITS, look_up};
use super::{Dimension, Quantity, Unit, UnitError, UnitErrorKind, scaled};

const LONGEST: usize = 200;
const DEEPEST: usize = 8;

/// Reads a quantity.
pub(super) fn quantity(text: &str) -> Result<Quantity, UnitError> {
    let start = text.len() - text.trim_start().len();
    let body = text.trim();
    if body.is_empty() {
        return Err(UnitError::new(
            UnitErrorKind::Empty("a number with a unit"),
            0,
            text.len(),
        ));
    }
    let number = body.get(..number_length(body)).unwrap_or("");
    let bad = || {
        let found = body.split_whitespace().next().unwrap_or(body);
        UnitError::new(UnitErrorKind::BadNumber(found.into()), start, found.len())
    };
    let plain: f64 = number.parse().map_err(|_| bad())?;
    if !plain.is_finite() {
        return Err(bad());
    }
    let rest = body.get(number.len()..).unwrap_or("");
    let at = start + number.len() + (rest.len() - rest.trim_start().len());
    let symbol = rest.trim();
    let whole = |value, unit, level| Quantity {
        value,
        unit,
        text: text.trim().into(),
        level,
    };
    match symbol {
        "" => Ok(whole(plain, Unit::one(), false)),
        "dB" => Ok(whole(plain, Unit::one(), true)),
        "\u{b0}C" | "degC" => Ok(whole(plain + 273.15, Unit::known("K"), false)),
        _ => {
            let unit = unit(symbol, at)?;
            // The power of ten goes into the decimal text, so that 300 ms is the nearest double to 0.3.
            let decimal = decimal(number, unit.power).unwrap_or(plain);
            let value = decimal * unit.ratio;
            value.is_finite().then_some(()).ok_or_else(bad)?;
            Ok(whole(value, unit, false))
        }
    }
}

/// Length of the decimal number that a text begins with.
fn number_length(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digits = |mut i: usize| {
        while bytes.get(i).is_some_and(u8::is_ascii_digit) {
            i += 1;
        }
        i
    };
    let mut end = usize::from(matches!(bytes.first(), Some(b'+' | b'-')));
    end = digits(end);
    if bytes.get(end) == Some(&b'.') {
        end = digits(end + 1);
    }
    if matches!(bytes.get(end), Some(b'e' | b'E')) {
        let sign = usize::from(matches!(bytes.get(end + 1), Some(b'+' | b'-')));
        let exponent = digits(end + 1 + sign);
        // `1 eV` has no exponent, and `1e` is no number.
        if exponent > end + 1 + sign {
            end = exponent;
        }
    }
    end
}

/// The double nearest to a decimal text times 10^power.
pub(super) fn decimal(number: &str, power: i32) -> Option<f64> {
    let (mantissa, exponent) = match number.split_once(['e', 'E']) {
        Some((mantissa, exponent)) => (mantissa, exponent.parse::<i32>().ok()?),
        None => (number, 0),
    };
    format!("{mantissa}e{}", exponent.checked_add(power)?)
        .parse()
        .ok()
}

/// Reads a unit that begins at byte `at` of what the user wrote.
pub(super) fn unit(text: &str, at: usize) -> Result<Unit, UnitError> {
    let body = text.trim();
    let at = at + (text.len() - text.trim_start().len());
    if body.is_empty() {
        return Err(UnitError::new(
            UnitErrorKind::Empty("a unit"),
            at,
            text.len(),
        ));
    }
    if body.len() > LONGEST {
        return Err(UnitError::new(UnitErrorKind::TooLong, at, body.len()));
    }
    let mut parser = Parser {
        text: body,
        next: 0,
        at,
    };
    let mut unit = parser.product(0)?;
    if parser.next < body.len() {
        return Err(parser.unexpected("`/`, `*` or the end of the unit"));
    }
    unit.symbol = Some(body.into());
    Ok(unit)
}

struct Parser<'t> {
    text: &'t str,
    next: usize,
    at: usize,
}

impl Parser<'_> {
    fn rest(&self) -> &str {
        self.text.get(self.next..).unwrap_or("")
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    fn skip_spaces(&mut self) {
        self.next += self.rest().len() - self.rest().trim_start().len();
    }

    fn unexpected(&self, expected: &'static str) -> UnitError {
        let found: String = self.peek().map_or("the end".into(), String::from);
        let length = self.peek().map_or(1, char::len_utf8);
        UnitError::new(
            UnitErrorKind::Unexpected { expected, found },
            self.at + self.next,
            length,
        )
    }

    fn overflow(&self) -> UnitError {
        UnitError::new(UnitErrorKind::Overflow, self.at, self.text.len())
    }

    /// factor { ( "/" | "*" | "." | " " ) factor }
    fn product(&mut self, depth: usize) -> Result<Unit, UnitError> {
        let mut unit = self.factor(depth)?;
        loop {
            let spaces = self.next;
            self.skip_spaces();
            let sign = match self.peek() {
                Some('/') => -1,
                Some('*' | '.' | '\u{b7}' | '\u{22c5}') => 1,
                None | Some(')') => return Ok(unit),
                Some(_) if self.next > spaces => 0,
                Some(_) => return Ok(unit),
            };
            if sign != 0 {
                self.next += self.peek().map_or(0, char::len_utf8);
                self.skip_spaces();
            }
            let factor = self.factor(depth)?;
            unit = times(&unit, &factor, if sign == 0 { 1 } else { sign })
                .ok_or_else(|| self.overflow())?;
        }
    }

    /// ( symbol | "(" product ")" | "sqrt(" product ")" ) [ "^" ] [ exponent ]
    fn factor(&mut self, depth: usize) -> Result<Unit, UnitError> {
        let root = self.rest().starts_with("sqrt(");
        let base = if root || self.peek() == Some('(') {
            if depth >= DEEPEST {
                return Err(UnitError::new(
                    UnitErrorKind::TooLong,
                    self.at,
                    self.text.len(),
                ));
            }
            self.next += if root { 5 } else { 1 };
            self.skip_spaces();
            let inner = self.product(depth + 1)?;
            if self.peek() != Some(')') {
                return Err(self.unexpected("`)`"));
            }
            self.next += 1;
            if root {
                square_root(&inner).ok_or_else(|| self.overflow())?
            } else {
                inner
            }
        } else {
            self.symbol()?
        };
        match self.exponent()? {
            1 => Ok(base),
            exponent => {
                let start = Unit::one();
                let sign = if exponent < 0 { -1 } else { 1 };
                let power =
                    (0..exponent.unsigned_abs()).try_fold(start, |p, _| times(&p, &base, sign));
                power.ok_or_else(|| self.overflow())
            }
        }
    }

    fn symbol(&mut self) -> Result<Unit, UnitError> {
        let rest = self.rest();
        if rest.starts_with('1') {
            self.next += 1;
            return Ok(Unit::one());
        }
        let part = |c: char| c.is_alphabetic() || "%\u{b0}\u{b5}\u{2126}".contains(c);
        let length = rest.find(|c| !part(c)).unwrap_or(rest.len());
        let symbol = rest.get(..length).unwrap_or("");
        if symbol.is_empty() {
            return Err(self.unexpected("a unit's symbol"));
        }
        let place = self.at + self.next;
        let alone = |name, help| UnitError::new(UnitErrorKind::Alone(name, help), place, length);
        match symbol {
            "dB" => {
                return Err(alone(
                    "dB",
                    "a gain in dB is a pure ratio; give the unit's factor on its own",
                ));
            }
            "\u{b0}C" | "degC" => return Err(alone("degC", "use K")),
            _ => {}
        }
        let (named, prefix) = look_up(symbol).ok_or_else(|| {
            let nearest = crate::diagnostic::nearest(symbol, UNITS.iter().map(|u| u.symbol))
                .map(str::to_owned);
            UnitError::new(
                UnitErrorKind::UnknownUnit {
                    found: symbol.into(),
                    nearest,
                },
                place,
                length,
            )
        })?;
        self.next += length;
        let ratio = named.numerator / named.denominator;
        Ok(Unit {
            dimension: named.dimension,
            ratio,
            power: named.power + prefix,
            symbol: None,
        })
    }

    fn exponent(&mut self) -> Result<i32, UnitError> {
        let superscript = match self.peek() {
            Some('\u{b2}') => 2,
            Some('\u{b3}') => 3,
            _ => 0,
        };
        if superscript > 0 {
            self.next += self.peek().map_or(0, char::len_utf8);
            return Ok(superscript);
        }
        let caret = self.peek() == Some('^');
        if caret {
            self.next += 1;
        }
        let rest = self.rest();
        let sign = usize::from(
            rest.starts_with(['-', '+'])
                && rest
                    .get(1..)
                    .is_some_and(|r| r.starts_with(|c: char| c.is_ascii_digit())),
        );
        let digits = rest.get(sign..).unwrap_or("");
        let length = digits
            .find(|c: char| !c.is_ascii_digit())
            .unwrap_or(digits.len());
        if length == 0 {
            return if caret {
                Err(self.unexpected("a whole exponent"))
            } else {
                Ok(1)
            };
        }
        let exponent = rest
            .get(..sign + length)
            .and_then(|e| e.parse::<i32>().ok())
            .filter(|e| e.abs() <= 60);
        self.next += sign + length;
        exponent.ok_or_else(|| self.overflow())
    }
}

fn times(a: &Unit, b: &Unit, sign: i8) -> Option<Unit> {
    let dimension = a.dimension.combine(b.dimension, sign)?;
    let ratio = if sign > 0 {
        a.ratio * b.ratio
    } else {
        a.ratio / b.ratio
    };
    let power = a
        .power
        .checked_add(i32::from(sign) * b.power)
        .filter(|p| p.abs() < 300)?;
    (ratio.is_finite() && ratio > 0.0).then_some(Unit {
        dimension,
        ratio,
        power,
        symbol: None,
    })
}

fn square_root(a: &Unit) -> Option<Unit> {
    let dimension: Dimension = a.dimension.root()?;
    // An odd power of ten leaves a factor of ten under the root.
    let ratio = scaled(a.ratio, a.power.rem_euclid(2)).sqrt();
    Some(Unit {
        dimension,
        ratio,
        power: a.power.div_euclid(2),
        symbol: None,
    })
}
