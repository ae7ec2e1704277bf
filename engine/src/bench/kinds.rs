//! The kinds of sources of noise, and how their settings are read.

use super::{Gain, Noise};
use crate::diagnostic::{Code, Diagnostic};
use crate::text::{Piece, Range, Reader, any_quantity, difference, quantity};
use crate::units::{Quantity, Unit};

/// A kind of source: name, meaning, and how its settings are read.
pub(super) struct Kind {
    /// The name.
    pub name: &'static str,
    /// What it is.
    pub doc: &'static str,
    /// Reads its settings.
    pub read: fn(&mut Reader<'_>, &Units) -> Noise,
}

/// All kinds.
pub(super) const KINDS: &[Kind] = &[
    Kind {
        name: "White",
        doc: "the same density at all frequencies",
        read: |r, units| Noise::White {
            density: density(r, units),
        },
    },
    Kind {
        name: "Flicker",
        doc: "power density that falls as 1/f^exponent",
        read: |r, units| Noise::Flicker {
            density: density(r, units),
            corner: r
                .setting("corner", "frequency at which it has the density")
                .quantity("Hz", Range::Positive),
            exponent: r
                .setting("exponent", "exponent of the power density")
                .default("1.0")
                .number(Range::Between(0.1, 3.0)),
        },
    },
    Kind {
        name: "Johnson",
        doc: "thermal noise of a resistor, sqrt(4kTR)",
        read: |r, units| Noise::Johnson {
            resistance: r
                .setting("resistance", "its resistance")
                .quantity("Ohm", Range::Positive),
            temperature: r
                .setting("temperature", "its temperature")
                .default("\"295 K\"")
                .quantity("K", Range::Positive),
            gain: resistor_gain(r, units),
        },
    },
    Kind {
        name: "Shot",
        doc: "shot noise of a current, sqrt(2qI)",
        read: |r, units| Noise::Shot {
            current: r
                .setting("current", "mean current")
                .quantity("A", Range::NotNegative),
            gain: {
                let doc = "what is recorded per ampere, such as \"1e6 V/A\"";
                let gain = r.setting("gain", doc).text_at();
                let read = gain.map(|(_, piece)| {
                    quantity(&piece, &units.per("A"), Range::Any).map_err(|d| r.report(d))
                });
                read.and_then(Result::ok).unwrap_or(1.0).abs()
            },
        },
    },
    Kind {
        name: "Line",
        doc: "a steady tone, such as a multiple of the mains",
        read: |r, units| Noise::Line {
            frequency: r
                .setting("frequency", "its frequency")
                .quantity("Hz", Range::Positive),
            amplitude: sized(
                r,
                "amplitude",
                "peak amplitude as recorded, such as \"8 mV\"",
                units,
                Range::NotNegative,
            )
            .unwrap_or(0.0),
        },
    },
];

/// The unit of the recording in SI units, as text.
pub(super) struct Units(String);

impl Units {
    pub fn of(unit: &Unit) -> Self {
        Units(unit.to_coherent().ascii())
    }

    /// The unit per another.
    fn per(&self, other: &str) -> String {
        let parsed = Unit::parse(&self.0).and_then(|own| own.div(&Unit::parse(other)?));
        parsed.map_or_else(|_| format!("{}/{other}", self.0), |unit| unit.ascii())
    }
}

/// A quantity in the unit of the recording.
fn sized(
    r: &mut Reader<'_>,
    name: &'static str,
    doc: &'static str,
    units: &Units,
    range: Range,
) -> Option<f64> {
    let (_, piece) = r.setting(name, doc).text_at()?;
    difference(&piece, &units.0, range)
        .map_err(|d| r.report(d))
        .ok()
}

/// How a quantity in a unit is read.
pub(super) type Reading = fn(&Piece, &str, Range) -> Result<f64, Diagnostic>;

/// The same, where it is given; one that cannot be read is a fault, and counts as given.
pub(super) fn optional(
    r: &mut Reader<'_>,
    (name, doc): (&'static str, &'static str),
    units: &Units,
    read: Reading,
    range: Range,
) -> Option<f64> {
    let (_, piece) = r.setting(name, doc).optional()?.text_at()?;
    let read = read(&piece, &units.0, range).map_err(|d| r.report(d));
    Some(read.unwrap_or(1.0))
}

/// A factor, where one is given; a level in dB is a ratio of amplitudes.
fn factor(r: &mut Reader<'_>, doc: &'static str) -> Option<Quantity> {
    let (text, piece) = r.setting("gain", doc).optional()?.text_at()?;
    any_quantity(&piece, &text).map_err(|d| r.report(d)).ok()
}

/// Size and unit of a factor.
fn sized_factor(factor: &Quantity) -> (f64, Unit) {
    match factor.is_level() {
        true => (factor.to_ratio_amplitude(), Unit::one()),
        false => (factor.value.abs(), factor.unit.clone()),
    }
}

/// A density, perhaps times a gain that refers it to the recording.
fn density(r: &mut Reader<'_>, units: &Units) -> f64 {
    let doc = "one-sided amplitude density as recorded, such as \"20 nV/sqrt(Hz)\", or in another unit that `gain` refers to it";
    let given = r.setting("density", doc).text_at();
    let gain = factor(
        r,
        "what is recorded per unit of the density, such as \"1e6 V/A\" for a current",
    );
    let Some((text, piece)) = given else {
        return 0.0;
    };
    let own = match any_quantity(&piece, &text) {
        Ok(own) => own,
        Err(diagnostic) => {
            r.report(diagnostic);
            return 0.0;
        }
    };
    let (gain_size, gain_unit) = gain.as_ref().map_or((1.0, Unit::one()), sized_factor);
    let wanted = format!("{}/sqrt(Hz)", units.0);
    let wanted_unit = Unit::parse(&wanted).unwrap_or_else(|_| Unit::one());
    let product = own.unit.mul(&gain_unit);
    if own.is_level() || !product.is_ok_and(|u| u.same_dimension(&wanted_unit)) {
        let message = match gain {
            Some(gain) => format!(
                "expected a density that times the gain `{}` is in {wanted}, found `{text}`",
                gain.text
            ),
            None => format!("expected a density in {wanted}, found `{text}`"),
        };
        let help = match wanted_unit.div(&own.unit) {
            Ok(missing) if !own.is_level() && is_density(&own.unit) => format!(
                "give a density in {wanted}, or a `gain` in {} that refers it to the recording",
                missing.ascii()
            ),
            _ => format!("give a density such as \"2e-8 {wanted}\""),
        };
        r.fault("density", Code::Unit, message, help);
        return 0.0;
    }
    if own.value < 0.0 {
        let message = format!("expected a density >= 0, found `{text}`");
        r.fault(
            "density",
            Code::OutOfRange,
            message,
            "give it without its sign",
        );
    }
    own.value * gain_size
}

/// Whether a unit is one per √Hz.
fn is_density(unit: &Unit) -> bool {
    let root = Unit::hertz().sqrt().and_then(|root| unit.mul(&root));
    root.is_ok_and(|numerator| numerator.sqrt().is_ok())
}

/// The gain of a resistor's noise, whose unit tells whether it is that of its voltage or its current.
fn resistor_gain(r: &mut Reader<'_>, units: &Units) -> Gain {
    let given = factor(
        r,
        "what is recorded per volt of its noise voltage, such as \"10\", or per ampere of its noise current, such as \"1e6 V/A\"; by default 1",
    );
    let (per_volt, per_ampere) = (units.per("V"), units.per("A"));
    let fits =
        |unit: &Unit, wanted: &str| Unit::parse(wanted).is_ok_and(|w| w.same_dimension(unit));
    let (size, unit) = given.as_ref().map_or((1.0, Unit::one()), sized_factor);
    if fits(&unit, &per_volt) {
        return Gain::Voltage(size);
    }
    if fits(&unit, &per_ampere) {
        return Gain::Current(size);
    }
    let expected = match per_volt.as_str() {
        "1" => {
            format!("a pure number for its noise voltage, or {per_ampere} for its noise current")
        }
        _ => format!("{per_volt} for its noise voltage, or {per_ampere} for its noise current"),
    };
    let (code, found) = match &given {
        Some(gain) => (Code::Unit, format!("found `{}`", gain.text)),
        None => (Code::MissingSetting, "found none".to_owned()),
    };
    r.fault(
        "gain",
        code,
        format!("expected a gain in {expected}, {found}"),
        "leave it out where the resistor's own voltage is recorded in V",
    );
    Gain::Voltage(1.0)
}
