//! Symbols and names of units and prefixes (BIPM, The International System of Units, 9th edition, 2019,
//! with the prefixes of 2022, tables 2 to 8).

use super::dimension::{COUNT, Dimension};
use super::scale::Scale;

/// Which prefixes a unit takes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Prefixes {
    /// None.
    None,
    /// All are read; only those below one are printed (nobody says kiloseconds).
    Down,
    /// All.
    All,
}

/// A unit with a symbol of its own.
pub(super) struct Named {
    pub symbol: &'static str,
    pub dimension: Dimension,
    pub scale: Scale,
    pub prefixes: Prefixes,
    /// Its symbol in the Unified Code for Units of Measure, 2.1.
    pub ucum: &'static str,
}

const fn coherent(symbol: &'static str, exponents: [i8; COUNT], prefixes: Prefixes) -> Named {
    Named {
        symbol,
        dimension: Dimension::whole(exponents),
        scale: Scale::ONE,
        prefixes,
        ucum: symbol,
    }
}

const fn decimal(
    symbol: &'static str,
    ucum: &'static str,
    exponents: [i8; COUNT],
    power: i32,
    prefixes: Prefixes,
) -> Named {
    Named {
        scale: Scale::ten_to(power),
        ucum,
        ..coherent(symbol, exponents, prefixes)
    }
}

const fn sized(
    symbol: &'static str,
    ucum: &'static str,
    exponents: [i8; COUNT],
    numerator: u128,
    denominator: u128,
    other: f64,
) -> Named {
    let scale = Scale {
        numerator,
        denominator,
        power: 0,
        other,
    };
    Named {
        scale,
        ucum,
        ..coherent(symbol, exponents, Prefixes::None)
    }
}

const NONE: [i8; COUNT] = [0; COUNT];
const TIME: [i8; COUNT] = [0, 0, 1, 0, 0, 0, 0, 0, 0];
const PER_TIME: [i8; COUNT] = [0, 0, -1, 0, 0, 0, 0, 0, 0];
const ENERGY: [i8; COUNT] = [2, 1, -2, 0, 0, 0, 0, 0, 0];
const PRESSURE: [i8; COUNT] = [-1, 1, -2, 0, 0, 0, 0, 0, 0];
const RESISTANCE: [i8; COUNT] = [2, 1, -3, -2, 0, 0, 0, 0, 0];
const DOSE: [i8; COUNT] = [2, 0, -2, 0, 0, 0, 0, 0, 0];
const ANGLE: [i8; COUNT] = [0, 0, 0, 0, 0, 0, 0, 1, 0];
const THINGS: [i8; COUNT] = [0, 0, 0, 0, 0, 0, 0, 0, 1];
const PI: f64 = std::f64::consts::PI;

/// Every symbol that is understood. Of those with one dimension and size one, the first is printed.
#[rustfmt::skip]
pub(super) const UNITS: &[Named] = &[
    coherent("1", NONE, Prefixes::None),
    coherent("m", [1, 0, 0, 0, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("kg", [0, 1, 0, 0, 0, 0, 0, 0, 0], Prefixes::None),
    decimal("g", "g", [0, 1, 0, 0, 0, 0, 0, 0, 0], -3, Prefixes::All),
    coherent("s", TIME, Prefixes::Down),
    coherent("A", [0, 0, 0, 1, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("K", [0, 0, 0, 0, 1, 0, 0, 0, 0], Prefixes::Down),
    coherent("mol", [0, 0, 0, 0, 0, 1, 0, 0, 0], Prefixes::Down),
    coherent("cd", [0, 0, 0, 0, 0, 0, 1, 0, 0], Prefixes::Down),
    coherent("rad", ANGLE, Prefixes::Down),
    coherent("sr", [0, 0, 0, 0, 0, 0, 0, 2, 0], Prefixes::Down),
    coherent("Hz", PER_TIME, Prefixes::All),
    coherent("V", [2, 1, -3, -1, 0, 0, 0, 0, 0], Prefixes::All),
    decimal("\u{3a9}", "Ohm", RESISTANCE, 0, Prefixes::All),
    decimal("\u{2126}", "Ohm", RESISTANCE, 0, Prefixes::All),
    coherent("Ohm", RESISTANCE, Prefixes::All),
    decimal("ohm", "Ohm", RESISTANCE, 0, Prefixes::All),
    coherent("S", [-2, -1, 3, 2, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("W", [2, 1, -3, 0, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("J", ENERGY, Prefixes::All),
    coherent("N", [1, 1, -2, 0, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("Pa", PRESSURE, Prefixes::All),
    coherent("C", [0, 0, 1, 1, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("F", [-2, -1, 4, 2, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("H", [2, 1, -2, -2, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("T", [0, 1, -2, -1, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("Wb", [2, 1, -2, -1, 0, 0, 0, 0, 0], Prefixes::All),
    coherent("lm", [0, 0, 0, 0, 0, 0, 1, 2, 0], Prefixes::All),
    coherent("lx", [-2, 0, 0, 0, 0, 0, 1, 2, 0], Prefixes::All),
    coherent("kat", [0, 0, -1, 0, 0, 1, 0, 0, 0], Prefixes::All),
    coherent("Bq", PER_TIME, Prefixes::All),
    coherent("Gy", DOSE, Prefixes::All),
    coherent("Sv", DOSE, Prefixes::All),
    decimal("bar", "bar", PRESSURE, 5, Prefixes::Down),
    // The elementary charge is exactly 1.602176634e-19 C.
    Named { scale: Scale { numerator: 1_602_176_634, denominator: 1, power: -28, other: 1.0 }, ..coherent("eV", ENERGY, Prefixes::All) },
    sized("min", "min", TIME, 60, 1, 1.0),
    sized("h", "h", TIME, 3600, 1, 1.0),
    sized("d", "d", TIME, 86_400, 1, 1.0),
    sized("day", "d", TIME, 86_400, 1, 1.0),
    sized("deg", "deg", ANGLE, 1, 180, PI),
    sized("\u{b0}", "deg", ANGLE, 1, 180, PI),
    sized("cycle", "circ", ANGLE, 2, 1, PI),
    decimal("%", "%", NONE, -2, Prefixes::None),
    decimal("ppm", "[ppm]", NONE, -6, Prefixes::None),
    decimal("ppb", "[ppb]", NONE, -9, Prefixes::None),
    decimal("count", "{count}", THINGS, 0, Prefixes::None),
    decimal("sample", "{sample}", THINGS, 0, Prefixes::None),
];

/// English names, as many data files write units; a plural `s` may follow.
const NAMES: &[(&str, &str)] = &[
    ("metre", "m"),
    ("meter", "m"),
    ("gram", "g"),
    ("second", "s"),
    ("ampere", "A"),
    ("kelvin", "K"),
    ("mole", "mol"),
    ("candela", "cd"),
    ("radian", "rad"),
    ("hertz", "Hz"),
    ("volt", "V"),
    ("siemens", "S"),
    ("watt", "W"),
    ("joule", "J"),
    ("newton", "N"),
    ("pascal", "Pa"),
    ("coulomb", "C"),
    ("farad", "F"),
    ("henry", "H"),
    ("tesla", "T"),
    ("weber", "Wb"),
    ("minute", "min"),
    ("hour", "h"),
    ("degree", "deg"),
    ("percent", "%"),
];

/// What people write for units that have another symbol.
const SLIPS: &[(&str, &str)] = &[
    ("sec", "s"),
    ("secs", "s"),
    ("mins", "min"),
    ("hr", "h"),
    ("hrs", "h"),
    ("amp", "A"),
    ("amps", "A"),
    ("micron", "um"),
    ("celsius", "degC"),
    ("pct", "%"),
    ("cps", "Hz"),
    ("mhz", "MHz"),
    ("samp", "sample"),
];

/// Prefixes: symbol, name, power of ten.
#[rustfmt::skip]
const PREFIXES: &[(&str, &str, i32)] = &[
    ("da", "deca", 1), ("q", "quecto", -30), ("r", "ronto", -27), ("y", "yocto", -24), ("z", "zepto", -21),
    ("a", "atto", -18), ("f", "femto", -15), ("p", "pico", -12), ("n", "nano", -9), ("\u{b5}", "micro", -6),
    ("\u{3bc}", "micro", -6), ("u", "micro", -6), ("m", "milli", -3), ("c", "centi", -2), ("d", "deci", -1),
    ("h", "hecto", 2), ("k", "kilo", 3), ("M", "mega", 6), ("G", "giga", 9), ("T", "tera", 12),
    ("P", "peta", 15), ("E", "exa", 18), ("Z", "zetta", 21), ("Y", "yotta", 24), ("R", "ronna", 27),
    ("Q", "quetta", 30),
];

fn by_symbol(symbol: &str) -> Option<&'static Named> {
    UNITS.iter().find(|u| u.symbol == symbol)
}

fn by_name(name: &str) -> Option<&'static Named> {
    let named = |n: &str| {
        NAMES
            .iter()
            .find(|(name, _)| *name == n)
            .and_then(|(_, symbol)| by_symbol(symbol))
    };
    named(name).or_else(|| named(name.strip_suffix('s')?))
}

/// The unit of a symbol or a name, and the power of ten of its prefix. A symbol of its own goes before
/// a prefixed one, so that `min` is a minute and `cd` a candela.
pub(super) fn look_up(word: &str) -> Option<(&'static Named, i32)> {
    let plural = || {
        by_symbol(word.strip_suffix('s')?)
            .filter(|u| ["cycle", "count", "sample", "ohm", "day"].contains(&u.symbol))
    };
    let whole = by_symbol(word).or_else(|| by_name(word)).or_else(plural);
    whole.map(|u| (u, 0)).or_else(|| {
        PREFIXES.iter().find_map(|(symbol, name, power)| {
            let short = word.strip_prefix(symbol).and_then(by_symbol);
            let unit = short.or_else(|| by_name(word.strip_prefix(name)?))?;
            (unit.prefixes != Prefixes::None).then_some((unit, *power))
        })
    })
}

/// The symbol of the prefix that stands for 10^`power`; empty for 0.
pub(super) fn prefix(power: i32) -> Option<&'static str> {
    match power {
        0 => Some(""),
        _ => PREFIXES
            .iter()
            .find(|(.., p)| *p == power)
            .map(|(symbol, ..)| *symbol),
    }
}

/// A unit that was perhaps meant.
pub(super) fn nearest(word: &str) -> Option<String> {
    if let Some((_, symbol)) = SLIPS
        .iter()
        .find(|(slip, _)| slip.eq_ignore_ascii_case(word))
    {
        return Some((*symbol).to_owned());
    }
    // Wrong capitals are the commonest slip: the spelling that keeps most letters as they are.
    let prefixes = PREFIXES.iter().map(|(symbol, ..)| *symbol).chain([""]);
    let spellings = prefixes.flat_map(|p| {
        let takes = move |u: &&Named| p.is_empty() || u.prefixes != Prefixes::None;
        UNITS
            .iter()
            .filter(takes)
            .map(move |u| format!("{p}{}", u.symbol))
    });
    let kept = |s: &String| s.chars().zip(word.chars()).filter(|(a, b)| a == b).count();
    let same = spellings
        .filter(|s| s.eq_ignore_ascii_case(word))
        .max_by_key(kept);
    let longer = UNITS
        .iter()
        .map(|u| u.symbol)
        .filter(|s| s.chars().count() > 1)
        .chain(["dB", "degC"]);
    same.or_else(|| {
        let words = longer.chain(NAMES.iter().map(|(name, _)| *name));
        // Of two letters, one wrong is half the unit: the other has to be the first.
        let fits =
            |found: &&str| word.chars().count() > 2 || found.chars().next() == word.chars().next();
        crate::diagnostic::nearest(word, words)
            .filter(fits)
            .map(str::to_owned)
    })
}
