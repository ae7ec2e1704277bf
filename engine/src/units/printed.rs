//! A quantity as printed, and which values it can stand for.

use super::{Quantity, UnitError};

/// A quantity as printed, with the place of its last digit.
#[derive(Clone, Debug, PartialEq)]
pub struct Printed {
    /// The quantity.
    pub quantity: Quantity,
    /// Half a unit of its last printed digit, in SI units; of a level, in dB.
    pub half_digit: f64,
    /// The standard uncertainty and half a unit of its last printed digit, in SI units, where one is
    /// printed. One digit in parentheses counts in the last place of the value.
    pub uncertainty: Option<(f64, f64)>,
}

impl Printed {
    /// Reads whatever [`Quantity::parse_with_uncertainty`] reads. Trailing zeros count as printed: the
    /// last digit of `3400 nA` is that of 1 nA.
    ///
    /// # Errors
    /// [`UnitError`] with the place of the fault.
    pub fn parse(text: &str) -> Result<Self, UnitError> {
        let (quantity, uncertainty) = Quantity::parse_with_uncertainty(text)?;
        let (one, end) = last_digit(text, 0);
        let (_, zero) = (end, last_digit_is(text, 0, '0'));
        // The difference takes the zero of °C out.
        let step = value_of(&one)? - value_of(&zero)?;
        let behind = ["\u{b1}", "+/-", "+-"]
            .iter()
            .find_map(|sign| text.find(sign).map(|at| at + sign.len()))
            .unwrap_or(end);
        let uncertainty = match uncertainty {
            Some(u) => {
                let (one, _) = last_digit(text, behind);
                let step = Quantity::parse_with_uncertainty(&one)?.1.unwrap_or(0.0);
                Some((u, step / 2.0))
            }
            None => None,
        };
        Ok(Printed {
            quantity,
            half_digit: step.abs() / 2.0,
            uncertainty,
        })
    }

    /// The values in SI units that round to what is printed, both ends included; of a level, those of the
    /// amplitude ratio.
    pub fn range(&self) -> (f64, f64) {
        // The ends are decimal numbers; a file's double may be a few units in the last place off.
        let slack = 8.0 * f64::EPSILON * self.quantity.value.abs();
        let low = self.quantity.value - self.half_digit - slack;
        let high = self.quantity.value + self.half_digit + slack;
        match self.quantity.is_level() {
            true => (libm::pow(10.0, low / 20.0), libm::pow(10.0, high / 20.0)),
            false => (low, high),
        }
    }

    /// The standard uncertainties in SI units that round to what is printed, both ends included.
    pub fn uncertainty_range(&self) -> Option<(f64, f64)> {
        let (u, half) = self.uncertainty?;
        let slack = 8.0 * f64::EPSILON * u;
        Some((u - half - slack, u + half + slack))
    }
}

fn value_of(text: &str) -> Result<f64, UnitError> {
    Quantity::parse_with_uncertainty(text).map(|(q, _)| q.value)
}

/// The text with the first decimal number behind byte `from` replaced by one unit of its last digit, and
/// where the number ends.
fn last_digit(text: &str, from: usize) -> (String, usize) {
    let (start, end) = mantissa(text, from);
    let (head, number, tail) = parts(text, start, end);
    let last = number.rfind(|c: char| c.is_ascii_digit());
    let one: String = number
        .char_indices()
        .map(|(at, c)| match c {
            '.' => '.',
            _ if Some(at) == last => '1',
            _ => '0',
        })
        .collect();
    (format!("{head}{one}{tail}"), end)
}

/// As [`last_digit`], with every digit replaced.
fn last_digit_is(text: &str, from: usize, digit: char) -> String {
    let (start, end) = mantissa(text, from);
    let (head, number, tail) = parts(text, start, end);
    let all: String = number
        .chars()
        .map(|c| if c == '.' { '.' } else { digit })
        .collect();
    format!("{head}{all}{tail}")
}

fn parts(text: &str, start: usize, end: usize) -> (&str, &str, &str) {
    let part = |range: std::ops::Range<usize>| text.get(range).unwrap_or("");
    (part(0..start), part(start..end), part(end..text.len()))
}

/// Where the first run of digits, perhaps with a point, is.
fn mantissa(text: &str, from: usize) -> (usize, usize) {
    let bytes = text.as_bytes();
    let of_number = |b: &u8| b.is_ascii_digit() || *b == b'.';
    let rest = bytes.get(from..).unwrap_or(&[]);
    let start = from + rest.iter().position(of_number).unwrap_or(rest.len());
    let rest = bytes.get(start..).unwrap_or(&[]);
    let length = rest
        .iter()
        .position(|b| !of_number(b))
        .unwrap_or(rest.len());
    (start, start + length)
}

#[cfg(test)]
mod tests {
    use super::Printed;

    /// Decimal texts are read to the nearest double, and a step is the difference of two of them.
    fn near(found: f64, expected: f64) -> bool {
        (found - expected).abs() <= 4.0 * f64::EPSILON * expected.abs()
    }

    #[test]
    fn the_last_digit_is_half_as_wide_as_it_counts() {
        for (text, half, u) in [
            ("3.42 nA", 0.005e-9, None),
            ("-3.42 nA", 0.005e-9, None),
            ("3400 nA", 0.5e-9, None),
            ("3.42(5) nA", 0.005e-9, Some((0.05e-9, 0.005e-9))),
            ("3.42(12)e-9 A", 0.005e-9, Some((0.12e-9, 0.005e-9))),
            ("3.42(0.05) nA", 0.005e-9, Some((0.05e-9, 0.005e-9))),
            ("3.42 nA \u{b1} 0.1 nA", 0.005e-9, Some((0.1e-9, 0.05e-9))),
            (
                "3.42 nA +/- 0.10 nA (k = 2)",
                0.005e-9,
                Some((0.05e-9, 0.0025e-9)),
            ),
            ("(3.42 \u{b1} 0.05) nA", 0.005e-9, Some((0.05e-9, 0.005e-9))),
            ("0.5 mV \u{b1} 20 %", 0.05e-3, Some((0.1e-3, 0.0025e-3))),
            ("-3.0 dB", 0.05, None),
        ] {
            let printed = Printed::parse(text).unwrap();
            assert!(near(printed.half_digit, half), "{text}: {printed:?}");
            assert_eq!(printed.uncertainty.is_some(), u.is_some(), "{text}");
            if let Some(((found, found_half), (u, half))) = printed.uncertainty.zip(u) {
                assert!(
                    near(found, u) && near(found_half, half),
                    "{text}: {printed:?}"
                );
            }
        }
    }

    #[test]
    fn the_zero_of_celsius_is_no_part_of_a_digit() {
        let half = Printed::parse("21.50 \u{b0}C").unwrap().half_digit;
        // A difference of two doubles near 273.15, each half a unit in the last place off.
        assert!((half - 0.005).abs() <= 273.2 * f64::EPSILON, "{half}");
    }

    #[test]
    fn the_range_holds_its_ends() {
        let (low, high) = Printed::parse("0.3 s").unwrap().range();
        assert!(low <= 0.25 && high >= 0.35 && low > 0.249 && high < 0.351);
        let (low, high) = Printed::parse("6.0 dB").unwrap().range();
        assert!(low < 1.99 && high > 1.99 && high < 2.01, "{low} {high}");
    }

    #[test]
    fn faults_are_told() {
        assert!(Printed::parse("3.4.2 nA").is_err());
        assert!(Printed::parse("nA").is_err());
    }
}
