//! Prints units, quantities and values with their uncertainty.

use super::Unit;
use super::dimension::{BASES, COUNT, Dimension};
use super::parse::{in_symbol, raised_digit};
use super::scale::{Scale, shifted};
use super::table::{Named, Prefixes, UNITS, look_up, prefix};

/// Usual names for units that a search through pairs of symbols would name oddly.
const USUAL: &[&str] = &[
    "m/s",
    "m/s^2",
    "J/kg",
    "W/m^2",
    "N/m",
    "1/sqrt(Hz)",
    // Slopes against time, of which the first pair of symbols makes A/F.
    "V/s",
    "A/s",
    // What is made of phases is their variance, and no solid angle.
    "rad^2",
];

/// A name for the SI unit of a dimension: one symbol, or a few, or a quotient of bases.
pub(super) fn derived(dimension: Dimension) -> String {
    let usual = USUAL
        .iter()
        .find(|u| Unit::parse(u).is_ok_and(|u| u.dimension == dimension));
    if let Some(usual) = usual {
        return (*usual).to_owned();
    }
    let coherent = || UNITS.iter().filter(|u| u.scale == Scale::ONE);
    if let Some(unit) = coherent().find(|u| u.dimension == dimension) {
        return unit.symbol.to_owned();
    }
    // What is asked for at the bench first: densities, responses, squares.
    let hertz = Dimension::whole([0, 0, -1, 0, 0, 0, 0, 0, 0]);
    let root_hertz = hertz.root().unwrap_or(Dimension::ONE);
    for Named {
        symbol,
        dimension: unit,
        ..
    } in coherent().skip(1)
    {
        let square = unit.combine(*unit, 1);
        if unit.combine(root_hertz, -1) == Some(dimension) {
            return format!("{symbol}/sqrt(Hz)");
        }
        if square.and_then(|s| s.combine(hertz, -1)) == Some(dimension) {
            return format!("{symbol}^2/Hz");
        }
        if square == Some(dimension) {
            return format!("{symbol}^2");
        }
        if Dimension::ONE.combine(*unit, -1) == Some(dimension) {
            return format!("1/{symbol}");
        }
    }
    if dimension.0.iter().filter(|e| **e != 0).count() == 1 {
        return bases(dimension);
    }
    for sign in [-1, 1] {
        for first in coherent().skip(1) {
            let partner =
                |u: &&Named| first.dimension.combine(u.dimension, sign) == Some(dimension);
            if let Some(second) = coherent().skip(1).find(partner) {
                // The metre goes last, for `m V` would be taken for `mV`.
                return match sign {
                    -1 => format!("{}/{}", first.symbol, second.symbol),
                    _ => format!("{} {}", second.symbol, first.symbol),
                };
            }
        }
    }
    bases(dimension)
}

/// A quotient of the SI bases, such as `kg m/(s^2 A)`; the metre goes last.
fn bases(dimension: Dimension) -> String {
    let power = |base: &str, halves: u8| match halves {
        2 => base.to_owned(),
        1 => format!("sqrt({base})"),
        h if h % 2 == 0 => format!("{base}^{}", h / 2),
        h => format!("sqrt({base}^{h})"),
    };
    let side = |sign: i8| {
        let all = BASES.iter().zip(dimension.0).cycle().skip(1).take(COUNT);
        let here = all.filter(|(_, e)| e.signum() == sign);
        here.map(|(base, e)| power(base, e.unsigned_abs()))
            .collect::<Vec<_>>()
    };
    let (top, bottom) = (side(1), side(-1));
    let top = if top.is_empty() {
        "1".to_owned()
    } else {
        top.join(" ")
    };
    match bottom.as_slice() {
        [] => top,
        [one] => format!("{top}/{one}"),
        several => format!("{top}/({})", several.join(" ")),
    }
}

/// In ASCII, which every reader of data files shows; reads back as the same unit.
pub(super) fn ascii(symbol: &str) -> String {
    let mut text = String::new();
    let mut raised = false;
    let mut rest = symbol.chars().peekable();
    while let Some(c) = rest.next() {
        let digit = raised_digit(c);
        if digit.is_some() && !raised {
            text.push('^');
        }
        raised = digit.is_some();
        match c {
            '\u{3a9}' | '\u{2126}' => text.push_str("Ohm"),
            '\u{b5}' | '\u{3bc}' => text.push('u'),
            '\u{b0}' => text.push_str("deg"),
            '\u{b7}' | '\u{22c5}' | '\u{d7}' => text.push('*'),
            '\u{221a}' if rest.peek() == Some(&'(') => text.push_str("sqrt"),
            '\u{221a}' => {
                // One is a unit, too.
                let inside = |c: &char| in_symbol(*c) || *c == '1';
                let inner: String = std::iter::from_fn(|| rest.next_if(inside)).collect();
                text.push_str(&format!("sqrt({})", ascii(&inner)));
            }
            c => text.push(digit.unwrap_or(c)),
        }
    }
    text
}

/// A single symbol as it is in the UCUM, anything else as a number and SI bases.
pub(super) fn ucum(unit: &Unit) -> Option<String> {
    let symbol = unit.to_string();
    if let Some((named, power)) = look_up(&symbol) {
        return Some(format!("{}{}", ascii(prefix(power)?), named.ucum));
    }
    let Scale {
        numerator,
        denominator,
        power,
        other,
    } = unit.scale;
    if other != 1.0 {
        return None;
    }
    let mut factors = Vec::new();
    if numerator != 1 {
        factors.push(numerator.to_string());
    }
    if power != 0 {
        factors.push(format!("10*{power}"));
    }
    for (base, halves) in BASES.iter().zip(unit.dimension.0) {
        let base = if *base == "count" { "{count}" } else { base };
        match halves {
            0 => {}
            2 => factors.push(base.to_owned()),
            e if e % 2 == 0 => factors.push(format!("{base}{}", e / 2)),
            _ => return None,
        }
    }
    let divisor = if denominator == 1 {
        String::new()
    } else {
        format!("/{denominator}")
    };
    let product = if factors.is_empty() {
        "1".to_owned()
    } else {
        factors.join(".")
    };
    Some(product + &divisor)
}

/// The unit with a prefix that brings a value in SI units of this size between 1 and 1000, where its
/// first symbol takes one: nV/sqrt(Hz) for V/sqrt(Hz).
pub(super) fn prefixed(unit: &Unit, size: f64) -> Unit {
    let symbol = unit.to_string();
    let end = symbol.find(|c| !in_symbol(c)).unwrap_or(symbol.len());
    let (head, tail) = symbol.split_at(end);
    let linear =
        tail.is_empty() || tail.starts_with(['/', ' ', '*', '.', '\u{b7}', '\u{22c5}', '\u{d7}']);
    let found = look_up(head)
        .filter(|(u, _)| linear && u.prefixes != Prefixes::None && head.ends_with(u.symbol));
    let Some((named, now)) = found.filter(|_| size != 0.0 && size.is_finite()) else {
        return unit.clone();
    };
    let plain = unit.scale.times(Scale::ten_to(now), -1);
    let wanted = plain.map_or(0, |p| decade(p.divide(size)).div_euclid(3) * 3);
    let wanted = if named.prefixes == Prefixes::Down {
        wanted.min(0)
    } else {
        wanted
    };
    let made = plain
        .and_then(|p| p.times(Scale::ten_to(wanted), 1))
        .zip(prefix(wanted));
    made.map_or_else(
        || unit.clone(),
        |(scale, prefix)| Unit {
            scale,
            symbol: Some(format!("{prefix}{}{tail}", named.symbol)),
            ..unit.clone()
        },
    )
}

/// The power of ten of the leading digit.
fn decade(x: f64) -> i32 {
    exponent(&format!("{x:e}"))
}

/// The power of ten of the leading digit once rounded to so many significant digits.
fn decade_at(x: f64, digits: usize) -> i32 {
    exponent(&format!("{x:.*e}", digits.saturating_sub(1)))
}

fn exponent(text: &str) -> i32 {
    let exponent = text.split_once('e').and_then(|(_, e)| e.parse().ok());
    exponent.unwrap_or(0)
}

/// Rounded to a number of significant digits, unless that leaves the range of doubles.
fn rounded(x: f64, digits: usize) -> f64 {
    let near: f64 = format!("{x:.*e}", digits.saturating_sub(1))
        .parse()
        .unwrap_or(x);
    if near.is_finite() { near } else { x }
}

/// Most digits that a double can tell.
const DIGITS: usize = 17;

/// A value in SI units, to so many significant digits (1 to 17), in `unit` with a fitting prefix:
/// `3.42 nA`. Very large and very small numbers have a power of ten.
pub fn format_quantity(value: f64, unit: &Unit, digits: usize) -> String {
    let digits = digits.clamp(1, DIGITS);
    let unit = prefixed(unit, rounded(value, digits));
    joined(&in_digits(unit.number_of(value), digits), &unit)
}

/// A number to so many significant digits.
fn in_digits(number: f64, digits: usize) -> String {
    if number == 0.0 || !number.is_finite() {
        return format!("{}", number + 0.0);
    }
    let exponent = decade_at(number, digits);
    let places = digits as i32 - 1 - exponent;
    match usize::try_from(places) {
        Ok(places) if exponent >= SMALLEST => format!("{number:.places$}"),
        _ => format!("{number:.*e}", digits - 1),
    }
}

/// The same, but whole numbers without a unit, such as numbers of things, without idle digits: `2`.
pub fn format_plain(value: f64, unit: &Unit, digits: usize) -> String {
    let is_whole = *unit == Unit::one() && value.fract() == 0.0 && value.abs() < LARGEST_WHOLE;
    match is_whole {
        true => format!("{}", value + 0.0),
        false => format_quantity(value, unit, digits),
    }
}

/// Whole numbers from here on are written with a power of ten.
const LARGEST_WHOLE: f64 = 1e15;

/// Numbers below this power of ten are written with one.
const SMALLEST: i32 = -4;

/// A value and its uncertainty, rounded to one place.
struct Rounded {
    value: String,
    spread: String,
    /// Power of ten of both.
    exponent: i32,
    unit: Unit,
}

/// The power of ten of the last digit of an uncertainty that is kept.
fn last_place(u: f64) -> i32 {
    // Two digits tell the leading one even where 0.0996 becomes 0.10.
    let two = format!("{u:.1e}");
    decade_at(u, 2) - i32::from(two.starts_with(['1', '2']))
}

/// A number in SI units with at least `digits`, and more where a value of this uncertainty is told to a later place
/// ([`format_uncertain`]).
pub fn format_beside(value: f64, uncertainty: f64, unit: &Unit, digits: usize) -> String {
    let usable = uncertainty > 0.0 && uncertainty.is_finite() && value.is_finite() && value != 0.0;
    let needed = match usable {
        true => decade(value.abs()) - last_place(uncertainty) + 1,
        false => 0,
    };
    format_quantity(
        value,
        unit,
        digits.max(usize::try_from(needed).unwrap_or(0)),
    )
}

/// Rounds both numbers; `None` where no double has the digits.
fn rounded_pair(value: f64, spread: f64, unit: &Unit) -> Option<Rounded> {
    let last = last_place;
    let size = value.abs().max(spread);
    let digits = usize::try_from(decade(size) - last(spread))
        .ok()
        .filter(|d| *d < DIGITS)?;
    let size = rounded(size, digits + 1);
    let mut unit = unit.clone();
    // A last digit before the point calls for the next larger unit.
    for step in [1.0, 1e3] {
        unit = prefixed(&unit, size * step);
        if last(unit.number_of(spread)) <= 0 {
            break;
        }
    }
    let (value, spread, size) = (
        unit.number_of(value),
        unit.number_of(spread),
        unit.number_of(size),
    );
    let (last, exponent) = (last(spread), decade(size));
    let exponent = if last <= 0 && exponent >= SMALLEST {
        0
    } else {
        exponent
    };
    let places = usize::try_from(exponent - last).unwrap_or(0);
    let text = |x: f64| format!("{:.places$}", shifted(x, -exponent));
    let signed = text(value);
    let nothing = signed.chars().all(|c| "-0.".contains(c));
    let value = if nothing {
        signed.trim_start_matches('-').to_owned()
    } else {
        signed
    };
    Some(Rounded {
        value,
        spread: text(spread),
        exponent,
        unit,
    })
}

/// A value with its standard uncertainty, both in SI units, as `3.42(5) nA` (JCGM 100:2008, 7.2.2).
///
/// The uncertainty is rounded to one digit, or to two where its first digit is 1 or 2, and the value to
/// the same place (common practice, no source). Digits in parentheses without a point count in the last
/// place; with one they are in the unit, as in `12.0(1.4) V`. An uncertainty that is zero, unknown (NaN
/// or infinite) or beyond the digits of a double is told in words or as `±`.
pub fn format_uncertain(value: f64, uncertainty: f64, unit: &Unit) -> String {
    if !(uncertainty > 0.0 && uncertainty.is_finite() && value.is_finite()) {
        let plain = format_quantity(value, unit, 6);
        return if uncertainty == 0.0 {
            format!("{plain} (exact)")
        } else {
            format!("{plain} (uncertainty unknown)")
        };
    }
    let Some(Rounded {
        value: text,
        spread,
        exponent,
        unit: shown,
    }) = rounded_pair(value, uncertainty, unit)
    else {
        // Beyond the digits of a double the uncertainty shows no place of the value; in one unit they compare.
        let shared = prefixed(unit, value.abs().max(uncertainty));
        let spread = format!("{:.1e}", shared.number_of(uncertainty));
        return format!(
            "{} \u{b1} {}",
            joined(&in_digits(shared.number_of(value), DIGITS), &shared),
            joined(&spread, &shared)
        );
    };
    let below_one = spread.starts_with("0.");
    let digits = if below_one {
        spread.trim_start_matches(['0', '.'])
    } else {
        spread.as_str()
    };
    let power = if exponent == 0 {
        String::new()
    } else {
        format!("e{exponent}")
    };
    joined(&format!("{text}({digits}){power}"), &shown)
}

/// A value with its expanded uncertainty, as `3.42 nA ± 0.10 nA (k = 2)` (JCGM 100:2008, 7.2.4), from the
/// standard uncertainty and the coverage factor. Rounded like [`format_uncertain`].
pub fn format_expanded(value: f64, uncertainty: f64, coverage: f64, unit: &Unit) -> String {
    let expanded = uncertainty * coverage;
    let usable = expanded > 0.0 && expanded.is_finite() && value.is_finite();
    match usable
        .then(|| rounded_pair(value, expanded, unit))
        .flatten()
    {
        Some(Rounded {
            value,
            spread,
            exponent,
            unit,
        }) => {
            let power = if exponent == 0 {
                String::new()
            } else {
                format!("e{exponent}")
            };
            let number = |text: String| joined(&format!("{text}{power}"), &unit);
            format!(
                "{} \u{b1} {} (k = {coverage})",
                number(value),
                number(spread)
            )
        }
        None => format_uncertain(value, uncertainty, unit),
    }
}

fn joined(number: &str, unit: &Unit) -> String {
    match unit.to_string().as_str() {
        "1" => number.to_owned(),
        symbol => format!("{number} {symbol}"),
    }
}
