//! Prints units, quantities and values with their uncertainty.

use super::dimension::{BASES, Dimension};
use super::table::{PREFIXES, UNITS};
use super::{Unit, scaled};

/// A name for the SI unit of a dimension: one symbol, or a quotient of two, or a product of bases.
pub(super) fn derived(dimension: Dimension) -> String {
    let coherent = || {
        UNITS
            .iter()
            .filter(|u| u.power == 0 && u.numerator == u.denominator && u.symbol.is_ascii())
    };
    if let Some(unit) = coherent().find(|u| u.dimension == dimension) {
        return unit.symbol.into();
    }
    // What is asked for at the bench first: densities, responses, squares.
    let hertz = Dimension::whole([0, 0, -1, 0, 0, 0, 0, 0]);
    let root_hertz = hertz.root().unwrap_or(Dimension::ONE);
    for unit in coherent().skip(1) {
        let square = unit.dimension.combine(unit.dimension, 1);
        let over = |d: Option<Dimension>, by: Dimension| d.and_then(|d| d.combine(by, -1));
        if over(Some(unit.dimension), root_hertz) == Some(dimension) {
            return format!("{}/sqrt(Hz)", unit.symbol);
        }
        if over(square, hertz) == Some(dimension) {
            return format!("{}^2/Hz", unit.symbol);
        }
        if square == Some(dimension) {
            return format!("{}^2", unit.symbol);
        }
        if Dimension::ONE.combine(unit.dimension, -1) == Some(dimension) {
            return format!("1/{}", unit.symbol);
        }
    }
    for top in coherent().skip(1) {
        for bottom in coherent().skip(1) {
            if top.dimension.combine(bottom.dimension, -1) == Some(dimension) {
                return format!("{}/{}", top.symbol, bottom.symbol);
            }
        }
    }
    bases(dimension)
}

fn bases(dimension: Dimension) -> String {
    let factors = BASES
        .iter()
        .zip(dimension.0)
        .filter(|(_, e)| *e != 0)
        .map(|(base, e)| match e {
            2 => (*base).to_owned(),
            e if e % 2 == 0 => format!("{base}^{}", e / 2),
            e => format!("sqrt({base})^{e}"),
        });
    factors.collect::<Vec<_>>().join(" ")
}

/// The number and the symbol with an SI prefix, for a unit that is a single symbol that takes one.
fn with_prefix(size: f64, unit: &Unit) -> (i32, String) {
    let symbol = unit.to_string();
    let plain = UNITS
        .iter()
        .any(|u| u.prefixed && u.symbol == symbol && u.symbol != "K" && u.power == 0);
    if !plain || size == 0.0 || !size.is_finite() {
        return (0, symbol);
    }
    let power = decade(size).div_euclid(3) * 3;
    match PREFIXES.iter().find(|(_, p)| *p == power) {
        Some((prefix, _)) => (power, format!("{prefix}{symbol}")),
        None => (0, symbol),
    }
}

/// The power of ten of the leading digit.
fn decade(x: f64) -> i32 {
    format!("{:e}", x.abs())
        .split_once('e')
        .and_then(|(_, e)| e.parse().ok())
        .unwrap_or(0)
}

/// A value in SI units, to so many significant digits, in `unit` with a fitting prefix.
pub fn format_quantity(value: f64, unit: &Unit, digits: usize) -> String {
    let shown = value / unit.si_factor();
    let rounded: f64 = format!("{shown:.*e}", digits.saturating_sub(1))
        .parse()
        .unwrap_or(shown);
    let (power, symbol) = with_prefix(rounded, unit);
    let number = scaled(shown, -power);
    let text = if number == 0.0 || !number.is_finite() {
        format!("{number}")
    } else {
        let places = digits as i32 - 1 - decade(scaled(rounded, -power));
        if (0..=12).contains(&places) {
            format!("{number:.*}", places as usize)
        } else {
            format!("{number:.*e}", digits.saturating_sub(1))
        }
    };
    joined(&text, &symbol)
}

/// A value with its standard uncertainty, as `3.42(5) nA` (JCGM 100:2008, 7.2.2).
///
/// The uncertainty is rounded to one digit, or to two where its first digit is 1 or 2, and the value to
/// the same place (common practice, no source).
pub fn format_uncertain(value: f64, uncertainty: f64, unit: &Unit) -> String {
    if !(uncertainty > 0.0 && uncertainty.is_finite() && value.is_finite()) {
        let plain = format_quantity(value, unit, 6);
        return if uncertainty == 0.0 {
            format!("{plain} (exact)")
        } else {
            format!("{plain} (uncertainty unknown)")
        };
    }
    let factor = unit.si_factor();
    let (value, u) = (value / factor, uncertainty / factor);
    let (power, symbol) = with_prefix(if value.abs() > u { value } else { u }, unit);
    let (value, u) = (scaled(value, -power), scaled(u, -power));
    // Rounding to two digits tells the leading digits even where 0.0996 becomes 0.10.
    let two = format!("{u:.1e}");
    let leading = two.starts_with(['1', '2']);
    let last = decade(two.parse().unwrap_or(u)) - i32::from(leading);
    let one: f64 = format!("{u:.0e}").parse().unwrap_or(u);
    let last = if leading { last } else { last.max(decade(one)) };
    if last <= 0 && last >= -12 {
        let places = -last as usize;
        let digits = format!("{u:.places$}");
        // Below one the uncertainty is told in units of the last place.
        let digits = if u < 1.0 {
            digits.trim_start_matches(['0', '.']).to_owned()
        } else {
            digits
        };
        let digits = if digits.is_empty() {
            "1".into()
        } else {
            digits
        };
        let text = format!("{value:.places$}");
        let text = if text
            .trim_start_matches('-')
            .chars()
            .all(|c| "0.".contains(c))
        {
            text.trim_start_matches('-').to_owned()
        } else {
            text
        };
        return joined(&format!("{text}({digits})"), &symbol);
    }
    // A value that does not reach its last digit is told with a power of ten.
    let exponent = decade(if value.abs() > u { value } else { u });
    let places = (exponent - last).max(0) as usize;
    let (m, d) = (scaled(value, -exponent), scaled(u, -last));
    joined(&format!("{m:.places$}({d:.0})e{exponent}"), &symbol)
}

fn joined(number: &str, symbol: &str) -> String {
    if symbol == "1" {
        number.to_owned()
    } else {
        format!("{number} {symbol}")
    }
}
