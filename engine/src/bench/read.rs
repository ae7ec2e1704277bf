//! Reads a bench from its text: every fault at its place, or what may be written there.

use std::sync::Arc;

use super::kinds::{KINDS, Units, optional};
use super::{Bench, Converter, MOST_SOURCES, Source};
use crate::diagnostic::{Code, Diagnostic, Diagnostics, SourceText};
use crate::flow::Convention;
use crate::recipe::{expect_text, unit};
use crate::text::{Doc, Name, Piece, Range, Reader, Shape, described, difference, quantity};
use crate::units::Unit;

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
            (
                "signal",
                "amplitude of the signal as recorded, such as \"2 mV\"",
            ),
            &units,
            difference,
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
                ("offset", "steady level under the signal, such as \"0.5 V\""),
                &units,
                quantity,
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
    let full_scale = optional(r, ("full_scale", doc), units, quantity, Range::Positive);
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
            let own = described(|r| {
                (kind.read)(r, &volts);
            });
            (kind.name, kind.doc, own)
        });
        noise.shape = Shape::Map(Box::new(Shape::Choice(kinds.collect())));
    }
    docs
}
