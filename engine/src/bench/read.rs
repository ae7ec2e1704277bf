//! Reads a bench from its text: every fault at its place, or what may be written there.

use std::sync::Arc;

use super::{Bench, Converter, Gain, MOST_SOURCES, Noise, Source};
use crate::diagnostic::{Code, Diagnostic, Diagnostics, SourceText};
use crate::flow::Convention;
use crate::recipe::{expect_text, unit};
use crate::text::{Doc, Name, Piece, Range, Reader, Shape, any_quantity, described, quantity};
use crate::units::{Quantity, Unit};

/// A kind of source: name, meaning, and how its settings are read.
struct Kind {
    name: &'static str,
    doc: &'static str,
    read: fn(&mut Reader<'_>, &Units) -> Noise,
}

const KINDS: &[Kind] = &[
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
struct Units(String);

impl Units {
    fn of(unit: &Unit) -> Self {
        Units(unit.to_coherent().ascii())
    }

    /// The unit per another.
    fn per(&self, other: &str) -> String {
        let parsed = Unit::parse(&self.0).and_then(|own| own.div(&Unit::parse(other)?));
        parsed.map_or_else(|_| format!("{}/{other}", self.0), |unit| unit.ascii())
    }
}

/// What stands at the top of a bench.
struct Top {
    title: String,
    unit: Unit,
    signal: Option<f64>,
    offset: f64,
    entries: Vec<(Name, Piece)>,
    converter: Option<Converter>,
    mains: Option<f64>,
}

impl Top {
    fn read(r: &mut Reader<'_>) -> Self {
        let title = r.setting("title", "what bench it is").text();
        let read = r
            .setting("unit", "unit of the recorded samples")
            .default("\"V\"")
            .text_at();
        let read = unit(read).map(|u| u.map_err(|d| r.report(d)));
        let unit = read.and_then(Result::ok).unwrap_or_else(Unit::volt);
        let units = Units::of(&unit);
        let signal = optional(
            r,
            "signal",
            "amplitude of the signal as recorded, such as \"2 mV\"",
            &units,
            Range::Positive,
        );
        let convention = r
            .setting("amplitude", "how the amplitude of the signal is stated")
            .default("Peak")
            .choice(|c| {
                c.variant("Peak", "peak amplitude of a sine", |_| Convention::Peak)
                    .variant("Rms", "root mean square of a sine", |_| Convention::Rms)
                    .variant(
                        "Step",
                        "full step of a square with equal times, of whose fundamental the peak is 2/pi of it",
                        |_| Convention::Step,
                    );
            });
        let to_peak = match convention {
            Some(Convention::Rms) => std::f64::consts::SQRT_2,
            Some(Convention::Step) => std::f64::consts::FRAC_2_PI,
            _ => 1.0,
        };
        Top {
            title,
            signal: signal.map(|s| s * to_peak),
            offset: optional(
                r,
                "offset",
                "steady level under the signal, such as \"0.5 V\"",
                &units,
                Range::Any,
            )
            .unwrap_or(0.0),
            entries: r
                .setting("noise", "sources of noise by name")
                .default("{}")
                .entries(),
            converter: r.setting("converter", "the converter").choice(|c| {
                c.variant("Converter", "rate, range and bits", |r| {
                    converter(r, &units)
                });
            }),
            mains: r
                .setting(
                    "mains",
                    "frequency of the mains, whose multiples are kept away from",
                )
                .optional()
                .map(|s| s.quantity("Hz", Range::Positive)),
            unit,
        }
    }
}

fn converter(r: &mut Reader<'_>, units: &Units) -> Converter {
    let rate = r
        .setting("rate", "samples per second")
        .quantity("Hz", Range::Positive);
    let doc = "largest absolute value that it converts, such as \"10 V\"";
    let full_scale = optional(r, "full_scale", doc, units, Range::Positive);
    let bits = r
        .setting("bits", "bits, which span twice the full scale")
        .optional()
        .map(|s| s.integer(1, 64));
    if bits.is_some() && full_scale.is_none() {
        r.fault(
            "bits",
            Code::MissingSetting,
            "missing setting `full_scale`: bits alone do not tell the step of the converter",
            "give it, as in `full_scale: \"10 V\"`, or leave `bits` out",
        );
    }
    Converter {
        rate,
        full_scale,
        bits: bits.and_then(|b| u32::try_from(b).ok()),
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
    quantity(&piece, &units.0, range)
        .map_err(|d| r.report(d))
        .ok()
}

/// The same, where it is given; one that cannot be read is a fault, and counts as given.
fn optional(
    r: &mut Reader<'_>,
    name: &'static str,
    doc: &'static str,
    units: &Units,
    range: Range,
) -> Option<f64> {
    let (_, piece) = r.setting(name, doc).optional()?.text_at()?;
    let read = quantity(&piece, &units.0, range).map_err(|d| r.report(d));
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

fn source(
    name: &Name,
    piece: &Piece,
    units: &Units,
    diagnostics: &mut Diagnostics,
) -> Option<Source> {
    let names = || KINDS.iter().map(|k| k.name);
    let Some(found) = piece.name() else {
        let expected = "a source of noise, as in `White(density: \"20 nV/sqrt(Hz)\")`";
        diagnostics.push(piece.wrong_type(expected));
        return None;
    };
    let Some(kind) = KINDS.iter().find(|k| k.name == found) else {
        let message = format!("unknown source of noise `{found}`");
        diagnostics.push(
            Diagnostic::error(Code::UnknownName, Some(piece.name_place()), message)
                .suggest(found, names())
                .help("`phasemill expect --settings` says what each of them is"),
        );
        return None;
    };
    if name.text.trim().is_empty() {
        let message = "expected a name for a source of noise, found an empty one";
        let place = Some(name.place.clone());
        let fault = Diagnostic::error(Code::IllegalName, place, message);
        diagnostics
            .push(fault.help("name what makes the noise, as in `\"amplifier\": White(...)`"));
    }
    let (noise, described) = Reader::read(piece, &[], |r| (kind.read)(r, units));
    diagnostics.extend(described.diagnostics);
    Some(Source {
        name: name.text.clone(),
        noise,
    })
}

impl Bench {
    /// Reads a bench; `None` where anything in the text is wrong, which is then among the diagnostics.
    pub fn parse(name: &str, text: &str) -> (Option<Bench>, Diagnostics) {
        let mut diagnostics = Diagnostics::default();
        let bench = Self::read(name, text, &mut diagnostics);
        let sound = !diagnostics.has_errors();
        (bench.filter(|_| sound), diagnostics.sorted())
    }

    fn read(name: &str, text: &str, diagnostics: &mut Diagnostics) -> Option<Bench> {
        let source_text = Arc::new(SourceText {
            name: name.into(),
            text: text.into(),
        });
        let whole = Piece::whole(source_text)
            .map_err(|d| diagnostics.push(d))
            .ok()?;
        let help = "name the bench first, then the recipe; `phasemill new --bench FILE` writes one to start from";
        if !expect_text(&whole, "Bench", help, diagnostics) {
            return None;
        }
        let (top, found) = Reader::read(&whole, &[], Top::read);
        diagnostics.extend(found.diagnostics);
        if top.entries.len() > MOST_SOURCES {
            let message = format!(
                "expected at most {MOST_SOURCES} sources of noise, found {}",
                top.entries.len()
            );
            let fault = Diagnostic::error(Code::Limit, Some(whole.name_place()), message);
            diagnostics.push(fault.help("put sources of one kind together"));
            return None;
        }
        let units = Units::of(&top.unit);
        let sources = top
            .entries
            .iter()
            .filter_map(|(name, piece)| source(name, piece, &units, diagnostics))
            .collect();
        Some(Bench {
            title: top.title,
            unit: top.unit,
            signal: top.signal,
            offset: top.offset,
            sources,
            converter: top.converter?,
            mains: top.mains,
        })
    }
}

/// The settings of a bench, those of each kind of source included.
pub fn settings() -> Vec<Doc> {
    let volts = Units::of(&Unit::volt());
    let mut docs = described(|r| drop(Top::read(r)));
    if let Some(noise) = docs.iter_mut().find(|d| d.name == "noise") {
        let kinds = KINDS.iter().map(|kind| {
            let own = described(|r| drop((kind.read)(r, &volts)));
            (kind.name, kind.doc, own)
        });
        noise.shape = Shape::Map(Box::new(Shape::Choice(kinds.collect())));
    }
    docs
}
