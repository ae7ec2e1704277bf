//! Reads units: products, quotients, powers and roots of symbols.

use super::dimension::Dimension;
use super::scale::Scale;
use super::table::{look_up, nearest};
use super::{Unit, UnitError, UnitErrorKind};

/// Longest unit in bytes.
const LONGEST: usize = 200;
/// Deepest nesting of parentheses.
const DEEPEST: usize = 8;
/// Largest exponent, in halves; whatever is larger leaves the range of [`Dimension`] anyway.
const LARGEST: i32 = 120;

/// Reads a unit that begins at byte `at` of what the user wrote.
pub(super) fn unit(text: &str, at: usize) -> Result<Unit, UnitError> {
    let body = text.trim();
    let at = at + (text.len() - text.trim_start().len());
    if body.is_empty() {
        return Err(UnitError::new(UnitErrorKind::Empty("a unit"), at, 0));
    }
    if body.len() > LONGEST {
        return Err(UnitError::new(UnitErrorKind::TooLong, at, body.len()));
    }
    let mut parser = Parser {
        text: body,
        next: 0,
        at,
    };
    let size = parser.product(0)?;
    if parser.next < body.len() {
        return Err(parser.unexpected("`/`, `*` or the end of the unit"));
    }
    let words: Vec<&str> = body.split_whitespace().collect();
    Ok(Unit {
        dimension: size.0,
        scale: size.1,
        symbol: Some(words.join(" ")),
    })
}

/// Whether a character can be part of a unit's symbol.
pub(super) fn in_symbol(c: char) -> bool {
    c.is_alphabetic() || "%\u{b0}\u{2103}".contains(c)
}

/// The digit or sign that a raised one stands for.
pub(super) fn raised_digit(c: char) -> Option<char> {
    match c {
        '\u{207b}' => Some('-'),
        '\u{b9}' => Some('1'),
        '\u{b2}' => Some('2'),
        '\u{b3}' => Some('3'),
        '\u{2070}' | '\u{2074}'..='\u{2079}' => char::from_digit(c as u32 - 0x2070, 10),
        _ => None,
    }
}

/// Dimension and size.
type Size = (Dimension, Scale);

struct Parser<'t> {
    text: &'t str,
    next: usize,
    at: usize,
}

impl<'t> Parser<'t> {
    fn rest(&self) -> &'t str {
        self.text.get(self.next..).unwrap_or("")
    }

    fn peek(&self) -> Option<char> {
        self.rest().chars().next()
    }

    /// Steps over a text if it comes next.
    fn eat(&mut self, text: &str) -> bool {
        let found = self.rest().starts_with(text);
        self.next += if found { text.len() } else { 0 };
        found
    }

    fn skip_spaces(&mut self) {
        self.next += self.rest().len() - self.rest().trim_start().len();
    }

    fn unexpected(&self, expected: &'static str) -> UnitError {
        let found = self
            .peek()
            .map_or("the end".to_owned(), |c| format!("`{c}`"));
        let length = self.peek().map_or(0, char::len_utf8);
        UnitError::new(
            UnitErrorKind::Unexpected { expected, found },
            self.at + self.next,
            length,
        )
    }

    /// The unit is fine as a text, and no size can hold it.
    fn overflow(&self) -> UnitError {
        UnitError::new(UnitErrorKind::Overflow, self.at, self.text.len())
    }

    /// factor { ( "/" | "*" | "." | "·" | " " ) factor }, from left to right.
    fn product(&mut self, depth: usize) -> Result<Size, UnitError> {
        let mut size = self.factor(depth)?;
        let mut divided = false;
        loop {
            let before = self.next;
            self.skip_spaces();
            let sign = match self.peek() {
                None | Some(')') => return Ok(size),
                Some('/') => -1,
                Some('*' | '.' | '\u{b7}' | '\u{22c5}' | '\u{d7}') => 1,
                Some(c) if self.next > before && (in_symbol(c) || "1(\u{221a}".contains(c)) => 0,
                Some(_) => return Ok(size),
            };
            // Whether V/A s means V/(A s) is anyone's guess.
            if sign >= 0 && divided {
                return Err(self.unexpected("parentheses round all that divides, as in `V/(A s)`"));
            }
            if sign != 0 {
                self.next += self.peek().map_or(0, char::len_utf8);
                self.skip_spaces();
            }
            divided = sign < 0;
            let factor = self.factor(depth)?;
            size =
                times(size, factor, if divided { -1 } else { 1 }).ok_or_else(|| self.overflow())?;
        }
    }

    /// `( symbol | "(" product ")" | "sqrt(" product ")" | "√" ( symbol | "(" product ")" ) ) [ exponent ]`
    fn factor(&mut self, depth: usize) -> Result<Size, UnitError> {
        let root = self.eat("\u{221a}") || self.rest().starts_with("sqrt(") && self.eat("sqrt");
        let base = if self.peek() == Some('(') {
            if depth >= DEEPEST {
                return Err(UnitError::new(
                    UnitErrorKind::TooLong,
                    self.at,
                    self.text.len(),
                ));
            }
            self.eat("(");
            self.skip_spaces();
            let inner = self.product(depth + 1)?;
            if !self.eat(")") {
                return Err(self.unexpected("`)`"));
            }
            inner
        } else {
            self.symbol()?
        };
        let base = if root {
            root_of(base).ok_or_else(|| self.overflow())?
        } else {
            base
        };
        let halves = self.exponent()?;
        power(base, halves).ok_or_else(|| self.overflow())
    }

    fn symbol(&mut self) -> Result<Size, UnitError> {
        if self.eat("1") {
            return Ok((Dimension::ONE, Scale::ONE));
        }
        let rest = self.rest();
        let length = rest.find(|c| !in_symbol(c)).unwrap_or(rest.len());
        let symbol = rest.get(..length).unwrap_or("");
        if symbol.is_empty() {
            return Err(self.unexpected("a unit's symbol"));
        }
        let wrong = |kind| UnitError::new(kind, self.at + self.next, length);
        match symbol {
            "dB" => {
                return Err(wrong(UnitErrorKind::Alone(
                    "dB",
                    "a gain in dB is a pure ratio; state the unit apart from it",
                )));
            }
            "\u{b0}C" | "degC" | "\u{2103}" => {
                return Err(wrong(UnitErrorKind::Alone("degC", "use K")));
            }
            _ => {}
        }
        let unknown = || {
            wrong(UnitErrorKind::UnknownUnit {
                found: symbol.into(),
                nearest: nearest(symbol),
            })
        };
        let (named, prefix) = look_up(symbol).ok_or_else(unknown)?;
        let scale = named
            .scale
            .times(Scale::ten_to(prefix), 1)
            .ok_or_else(|| self.overflow())?;
        self.next += length;
        Ok((named.dimension, scale))
    }

    /// An exponent in halves; 2 when there is none. `^2`, `2`, `²`, `^-1`, `-1`, `⁻¹`, `^0.5`, `^(1/2)`.
    fn exponent(&mut self) -> Result<i32, UnitError> {
        let rest = self.rest();
        let length = rest
            .find(|c| raised_digit(c).is_none())
            .unwrap_or(rest.len());
        if length > 0 {
            let plain: String = rest
                .get(..length)
                .unwrap_or("")
                .chars()
                .filter_map(raised_digit)
                .collect();
            let halves = self.halves(&plain);
            self.next += length;
            return halves;
        }
        let caret = self.eat("^");
        if caret && self.peek() == Some('(') {
            let length = self.rest().find(')').unwrap_or(self.rest().len());
            let halves = self.halves(self.rest().get(1..length).unwrap_or(""))?;
            self.next += length;
            return if self.eat(")") {
                Ok(halves)
            } else {
                Err(self.unexpected("`)`"))
            };
        }
        let rest = self.rest();
        let whole = |from: usize| {
            let digits = rest.get(from..).unwrap_or("");
            digits.bytes().take_while(u8::is_ascii_digit).count()
        };
        let sign = usize::from(rest.starts_with(['-', '+']));
        let mut length = whole(sign);
        // The point of m^2.s is a product, and that of Hz^0.5 is not.
        let point = sign + length;
        if caret && rest.get(point..).is_some_and(|r| r.starts_with('.')) && whole(point + 1) > 0 {
            length += 1 + whole(point + 1);
        }
        if length == 0 {
            return if caret {
                Err(self.unexpected("an exponent such as `2` or `-1`"))
            } else {
                Ok(2)
            };
        }
        let halves = self.halves(self.rest().get(..sign + length).unwrap_or(""));
        self.next += sign + length;
        halves
    }

    /// The exponent in halves that a text states.
    fn halves(&self, text: &str) -> Result<i32, UnitError> {
        let text = text.trim();
        let (number, factor) = match text.strip_suffix("/2") {
            Some(top) => (top, 1.0),
            None => (text, 2.0),
        };
        let legal = number
            .chars()
            .all(|c| c.is_ascii_digit() || "+-.".contains(c));
        let halves = number
            .parse::<f64>()
            .ok()
            .filter(|_| legal)
            .map(|n| n * factor);
        match halves {
            Some(h) if h.fract() == 0.0 && h.abs() <= f64::from(LARGEST) => Ok(h as i32),
            Some(_) => Err(self.overflow()),
            None => Err(self.unexpected("an exponent such as `2` or `-1`")),
        }
    }
}

fn times(a: Size, b: Size, sign: i8) -> Option<Size> {
    Some((a.0.combine(b.0, sign)?, a.1.times(b.1, i32::from(sign))?))
}

fn root_of(a: Size) -> Option<Size> {
    Some((a.0.root()?, a.1.root()?))
}

/// The base to a power given in halves.
fn power(base: Size, halves: i32) -> Option<Size> {
    match halves {
        2 => Some(base),
        _ if halves % 2 != 0 => root_of(power(base, 2 * halves)?),
        _ => {
            let sign = if halves < 0 { -1 } else { 1 };
            let one = (Dimension::ONE, Scale::ONE);
            (0..halves.abs() / 2).try_fold(one, |product, _| times(product, base, sign))
        }
    }
}
