//! Symbols of units and prefixes (BIPM, The International System of Units, 9th edition, 2019).

use super::dimension::Dimension;

/// A named unit: its size in SI units is `numerator / denominator`, times 10^`power`.
pub(super) struct Named {
    pub symbol: &'static str,
    pub dimension: Dimension,
    pub numerator: f64,
    pub denominator: f64,
    pub power: i32,
    /// Whether SI prefixes may go before it.
    pub prefixed: bool,
}

const fn named(symbol: &'static str, e: [i8; 8], power: i32, prefixed: bool) -> Named {
    Named {
        symbol,
        dimension: Dimension::whole(e),
        numerator: 1.0,
        denominator: 1.0,
        power,
        prefixed,
    }
}

const fn sized(symbol: &'static str, e: [i8; 8], numerator: f64, denominator: f64) -> Named {
    Named {
        numerator,
        denominator,
        ..named(symbol, e, 0, false)
    }
}

const ANGLE: [i8; 8] = [0, 0, 0, 0, 0, 0, 0, 1];
const NONE: [i8; 8] = [0; 8];
const TIME: [i8; 8] = [0, 0, 1, 0, 0, 0, 0, 0];

/// Every symbol that is understood. Of those with one dimension, the first is used for printing.
pub(super) const UNITS: &[Named] = &[
    named("1", NONE, 0, false),
    named("m", [1, 0, 0, 0, 0, 0, 0, 0], 0, true),
    named("kg", [0, 1, 0, 0, 0, 0, 0, 0], 0, false),
    named("g", [0, 1, 0, 0, 0, 0, 0, 0], -3, true),
    named("s", TIME, 0, true),
    named("A", [0, 0, 0, 1, 0, 0, 0, 0], 0, true),
    named("K", [0, 0, 0, 0, 1, 0, 0, 0], 0, true),
    named("mol", [0, 0, 0, 0, 0, 1, 0, 0], 0, true),
    named("cd", [0, 0, 0, 0, 0, 0, 1, 0], 0, true),
    named("rad", ANGLE, 0, true),
    named("Hz", [0, 0, -1, 0, 0, 0, 0, 0], 0, true),
    named("V", [2, 1, -3, -1, 0, 0, 0, 0], 0, true),
    named("Ohm", [2, 1, -3, -2, 0, 0, 0, 0], 0, true),
    named("ohm", [2, 1, -3, -2, 0, 0, 0, 0], 0, true),
    named("\u{3a9}", [2, 1, -3, -2, 0, 0, 0, 0], 0, true),
    named("\u{2126}", [2, 1, -3, -2, 0, 0, 0, 0], 0, true),
    named("S", [-2, -1, 3, 2, 0, 0, 0, 0], 0, true),
    named("W", [2, 1, -3, 0, 0, 0, 0, 0], 0, true),
    named("J", [2, 1, -2, 0, 0, 0, 0, 0], 0, true),
    named("N", [1, 1, -2, 0, 0, 0, 0, 0], 0, true),
    named("Pa", [-1, 1, -2, 0, 0, 0, 0, 0], 0, true),
    named("C", [0, 0, 1, 1, 0, 0, 0, 0], 0, true),
    named("F", [-2, -1, 4, 2, 0, 0, 0, 0], 0, true),
    named("H", [2, 1, -2, -2, 0, 0, 0, 0], 0, true),
    named("T", [0, 1, -2, -1, 0, 0, 0, 0], 0, true),
    named("Wb", [2, 1, -2, -1, 0, 0, 0, 0], 0, true),
    named("lx", [-2, 0, 0, 0, 0, 0, 1, 0], 0, true),
    named("bar", [-1, 1, -2, 0, 0, 0, 0, 0], 5, true),
    // 2019 SI: the elementary charge is exactly 1.602176634e-19 C.
    Named {
        prefixed: true,
        power: -28,
        ..sized("eV", [2, 1, -2, 0, 0, 0, 0, 0], 1_602_176_634.0, 1.0)
    },
    sized("min", TIME, 60.0, 1.0),
    sized("h", TIME, 3600.0, 1.0),
    sized("d", TIME, 86_400.0, 1.0),
    sized("day", TIME, 86_400.0, 1.0),
    sized("deg", ANGLE, std::f64::consts::PI, 180.0),
    sized("\u{b0}", ANGLE, std::f64::consts::PI, 180.0),
    named("%", NONE, -2, false),
    named("ppm", NONE, -6, false),
];

/// Prefixes and their powers of ten.
pub(super) const PREFIXES: &[(&str, i32)] = &[
    ("da", 1),
    ("q", -30),
    ("r", -27),
    ("y", -24),
    ("z", -21),
    ("a", -18),
    ("f", -15),
    ("p", -12),
    ("n", -9),
    ("u", -6),
    ("\u{b5}", -6),
    ("\u{3bc}", -6),
    ("m", -3),
    ("c", -2),
    ("d", -1),
    ("h", 2),
    ("k", 3),
    ("M", 6),
    ("G", 9),
    ("T", 12),
    ("P", 15),
    ("E", 18),
    ("Z", 21),
    ("Y", 24),
    ("R", 27),
    ("Q", 30),
];

/// The unit of a symbol, and the power of ten of its prefix. A symbol of its own goes before a
/// prefixed one, so that `min` is a minute and `cd` a candela.
pub(super) fn look_up(symbol: &str) -> Option<(&'static Named, i32)> {
    if let Some(named) = UNITS.iter().find(|u| u.symbol == symbol) {
        return Some((named, 0));
    }
    PREFIXES.iter().find_map(|(prefix, power)| {
        let rest = symbol.strip_prefix(prefix)?;
        UNITS
            .iter()
            .find(|u| u.prefixed && u.symbol == rest)
            .map(|u| (u, *power))
    })
}
