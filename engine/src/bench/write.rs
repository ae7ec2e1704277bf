//! Writes a bench as the text that reads back as the same bench.

use std::fmt::Write;

use super::{Bench, Gain, Noise};
use crate::units::{Quantity, Unit, format_quantity};

/// Most digits that a double needs to be told from its neighbours.
const DIGITS: usize = 17;

impl Bench {
    /// The bench as RON. Every value reads back as the same double; a signal is stated as peak.
    pub fn to_ron(&self) -> String {
        let unit = self.unit.to_coherent();
        let mut text = format!("Bench(\n    title: {:?},\n", self.title);
        let _ = writeln!(text, "    unit: {:?},", self.unit.ascii());
        if let Some(signal) = self.signal {
            let _ = writeln!(text, "    signal: {},", written(signal, &unit));
        }
        let _ = writeln!(
            text,
            "    offset: {},\n    noise: {{",
            written(self.offset, &unit)
        );
        for source in &self.sources {
            let _ = writeln!(
                text,
                "        {:?}: {},",
                source.name,
                source.noise.to_ron(&unit)
            );
        }
        let _ = write!(
            text,
            "    }},\n    converter: Converter(rate: {}",
            written(self.converter.rate, &Unit::hertz())
        );
        if let Some(full_scale) = self.converter.full_scale {
            let _ = write!(text, ", full_scale: {}", written(full_scale, &unit));
        }
        if let Some(bits) = self.converter.bits {
            let _ = write!(text, ", bits: {bits}");
        }
        text.push_str("),\n");
        if let Some(mains) = self.mains {
            let _ = writeln!(text, "    mains: {},", written(mains, &Unit::hertz()));
        }
        text + ")\n"
    }
}

impl Noise {
    fn to_ron(&self, unit: &Unit) -> String {
        let hertz = |f: f64| written(f, &Unit::hertz());
        let density = |x: f64| written(x, &named(&format!("{}/sqrt(Hz)", unit.ascii())));
        let per = |x: f64, other: &str| {
            let quotient = unit.div(&named(other)).unwrap_or_else(|_| Unit::one());
            // A resistance by name is no gain, though it is the same unit.
            match quotient == named("V/A") {
                true => written(x, &named("V/A")),
                false => written(x, &quotient),
            }
        };
        match self {
            Noise::White { density: d } => format!("White(density: {})", density(*d)),
            Noise::Flicker {
                density: d,
                corner,
                exponent,
            } => format!(
                "Flicker(density: {}, corner: {}, exponent: {exponent:?})",
                density(*d),
                hertz(*corner)
            ),
            Noise::Johnson {
                resistance,
                temperature,
                gain,
            } => format!(
                "Johnson(resistance: {}, temperature: {}, gain: {})",
                written(*resistance, &named("Ohm")),
                written(*temperature, &named("K")),
                match gain {
                    Gain::Voltage(x) => per(*x, "V"),
                    Gain::Current(x) => per(*x, "A"),
                }
            ),
            Noise::Shot { current, gain } => format!(
                "Shot(current: {}, gain: {})",
                written(*current, &named("A")),
                per(*gain, "A")
            ),
            Noise::Line {
                frequency,
                amplitude,
            } => format!(
                "Line(frequency: {}, amplitude: {})",
                hertz(*frequency),
                written(*amplitude, unit)
            ),
        }
    }
}

fn named(unit: &str) -> Unit {
    Unit::parse(unit).unwrap_or_else(|_| Unit::one())
}

/// A value in SI units as a text in quotes: with a prefix where few digits tell it, and exactly.
fn written(value: f64, unit: &Unit) -> String {
    let ascii = Unit::parse(&unit.ascii()).unwrap_or_else(|_| unit.clone());
    let shown = |digits| {
        format_quantity(value, &ascii, digits)
            .replace('\u{b5}', "u")
            .replace('\u{3a9}', "Ohm")
    };
    let exact = |text: &String| {
        let number = text.split(' ').next().unwrap_or("");
        !number.contains('e') && Quantity::parse(text).is_ok_and(|q| q.value == value)
    };
    let short = (1..=DIGITS).map(shown).find(exact);
    let text = short.unwrap_or_else(|| match ascii.to_string().as_str() {
        "1" => format!("{value:?}"),
        symbol => format!("{value:?} {symbol}"),
    });
    format!("{text:?}")
}
