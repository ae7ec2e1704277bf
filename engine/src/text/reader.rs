//! Reads named settings out of a piece of text, and describes them for the catalogue.
//!
//! One function per stage says what settings there are; run on a text it reads them, run on nothing
//! it documents them. Every fault is collected and reading goes on with a placeholder; what was read
//! is thrown away if there was any fault.

use std::sync::Arc;

use super::quantities::{any_quantity, in_range, in_unit, of_dimension, quantity, string};
use super::shape::{Doc, Range, Shape};
use super::{Name, Piece};
use crate::constant::Constant;
use crate::diagnostic::{Code, Diagnostic, Diagnostics, Place, SourceText};
use crate::units::Unit;

/// Name of the text that a default stands in.
const DEFAULT: &str = "";

/// The name of a flow, in the setting that gave it.
#[derive(Clone, Debug)]
pub struct FlowName {
    /// The flow's name, `stage` or `stage.port`.
    pub text: String,
    /// Where it stands.
    pub place: Place,
}

/// What reading a stage's settings left behind besides the settings.
#[derive(Clone, Debug, Default)]
pub struct Described {
    /// Flows named, in the order in which the stage reads them: the stage's inputs.
    pub flows: Vec<FlowName>,
    /// Every setting read, defaults included: path and canonical value.
    pub settings: Vec<(String, String)>,
    /// Where each setting stands.
    pub places: Vec<(String, Place)>,
    /// Constants named.
    pub constants: Vec<String>,
    /// Factors given as levels in dB, as they were written.
    pub levels: Vec<String>,
    /// The faults found.
    pub diagnostics: Diagnostics,
}

/// Reads the settings of one stage or one section of a recipe.
pub struct Reader<'c> {
    /// `None` while documenting.
    fields: Option<Vec<(Name, Piece, bool)>>,
    place: Option<Place>,
    path: String,
    docs: Vec<Doc>,
    known: &'c [Constant],
    found: Described,
}

/// The settings that `read` would read, for the catalogue.
pub fn described(read: impl FnOnce(&mut Reader<'_>)) -> Vec<Doc> {
    let mut reader = Reader {
        fields: None,
        place: None,
        path: String::new(),
        docs: Vec::new(),
        known: &[],
        found: Described::default(),
    };
    read(&mut reader);
    reader.docs
}

impl<'c> Reader<'c> {
    /// Reads `piece`, which has the form `Name(setting: value, ...)`, with `read`.
    pub fn read<T>(
        piece: &Piece,
        known: &'c [Constant],
        read: impl FnOnce(&mut Reader<'_>) -> T,
    ) -> (T, Described) {
        let mut reader = Reader::on(piece, known, String::new());
        let value = read(&mut reader);
        reader.finish();
        (value, reader.found)
    }

    fn on(piece: &Piece, known: &'c [Constant], path: String) -> Self {
        let mut found = Described::default();
        let mut fields = Vec::new();
        match piece.argument() {
            Some(argument) => {
                let name = Name {
                    text: String::new(),
                    place: argument.place(),
                };
                fields.push((name, argument, false));
            }
            None => match piece.fields() {
                Ok(pairs) => {
                    for (name, value) in pairs {
                        if fields
                            .iter()
                            .any(|(n, ..): &(Name, Piece, bool)| n.text == name.text)
                        {
                            found.diagnostics.push(twice(&name));
                        } else {
                            fields.push((name, value, false));
                        }
                    }
                }
                Err(diagnostic) => found.diagnostics.push(diagnostic),
            },
        }
        let place = Some(piece.name_place());
        Reader {
            fields: Some(fields),
            place,
            path,
            docs: Vec::new(),
            known,
            found,
        }
    }

    /// Reports settings that nothing asked for.
    fn finish(&mut self) {
        let legal: Vec<&str> = self
            .docs
            .iter()
            .map(|d| d.name)
            .filter(|n| !n.is_empty())
            .collect();
        for (name, value, taken) in self.fields.iter().flatten() {
            if *taken {
                continue;
            }
            let diagnostic = if name.text.is_empty() {
                value.wrong_type("named settings, as in `setting: value`")
            } else {
                Diagnostic::error(
                    Code::UnknownSetting,
                    Some(name.place.clone()),
                    format!("unknown setting `{}`", name.text),
                )
            };
            self.found
                .diagnostics
                .push(diagnostic.suggest(&name.text, legal.iter().copied()));
        }
    }

    /// A setting of this name; what follows says of which type it is.
    pub fn setting<'r>(&'r mut self, name: &'static str, doc: &'static str) -> Setting<'r, 'c> {
        Setting {
            reader: self,
            name,
            doc,
            default: None,
            optional: false,
        }
    }

    /// Reports a fault in a setting that was read.
    pub fn fault(
        &mut self,
        setting: &str,
        code: Code,
        message: impl Into<String>,
        help: impl Into<String>,
    ) {
        let path = self.path_of(setting);
        let place = self
            .found
            .places
            .iter()
            .find(|(p, _)| *p == path)
            .map(|(_, place)| place.clone());
        let place = place.or_else(|| self.place.clone());
        self.found
            .diagnostics
            .push(Diagnostic::error(code, place, message).help(help));
    }

    /// Reports a fault found by the caller.
    pub fn report(&mut self, diagnostic: Diagnostic) {
        self.found.diagnostics.push(diagnostic);
    }

    fn path_of(&self, name: &str) -> String {
        match (self.path.is_empty(), name.is_empty()) {
            (true, _) => name.to_owned(),
            (_, true) => self.path.clone(),
            _ => format!("{}.{name}", self.path),
        }
    }
}

/// One setting, not yet read.
pub struct Setting<'r, 'c> {
    reader: &'r mut Reader<'c>,
    name: &'static str,
    doc: &'static str,
    default: Option<&'static str>,
    optional: bool,
}

impl<'r, 'c> Setting<'r, 'c> {
    /// What the setting is when it is left out, as the user would write it in RON.
    pub fn default(mut self, default: &'static str) -> Self {
        self.default = Some(default);
        self
    }

    /// The setting, if it is given.
    pub fn optional(mut self) -> Option<Self> {
        self.optional = true;
        match &self.reader.fields {
            None => Some(self),
            Some(fields) if fields.iter().any(|(n, ..)| n.text == self.name) => Some(self),
            Some(_) => {
                self.document(Shape::Flag);
                None
            }
        }
    }

    /// Enters the setting among the legal ones, so that a slip in another can be matched to it.
    fn document(&mut self, shape: Shape) {
        let doc = Doc {
            name: self.name,
            doc: self.doc,
            shape,
            default: self.default,
            optional: self.optional,
        };
        self.reader.docs.push(doc);
    }

    /// The text to read: as given, or the default; a fault and `None` when there is neither.
    fn piece(&mut self) -> Option<Piece> {
        let fields = self.reader.fields.as_mut()?;
        if let Some((_, piece, taken)) = fields.iter_mut().find(|(n, ..)| n.text == self.name) {
            *taken = true;
            let piece = piece.clone();
            // A default stands in no text that the user has.
            if piece.place().source.name != DEFAULT {
                let path = self.reader.path_of(self.name);
                self.reader.found.places.push((path, piece.place()));
            }
            return Some(piece);
        }
        if let Some(default) = self.default {
            let source = SourceText {
                name: DEFAULT.into(),
                text: default.into(),
            };
            return Piece::whole(Arc::new(source))
                .map_err(|d| self.reader.found.diagnostics.push(d))
                .ok();
        }
        let message = if self.name.is_empty() {
            format!("expected {} in parentheses, found nothing", self.doc)
        } else {
            format!("missing setting `{}`: {}", self.name, self.doc)
        };
        let place = self.reader.place.clone();
        self.reader
            .found
            .diagnostics
            .push(Diagnostic::error(Code::MissingSetting, place, message));
        None
    }

    fn record(&mut self, canonical: impl Into<String>) {
        let path = self.reader.path_of(self.name);
        self.reader.found.settings.push((path, canonical.into()));
    }

    /// Documents, finds and converts; a fault gives the placeholder.
    fn take<T>(
        mut self,
        shape: Shape,
        placeholder: T,
        convert: impl FnOnce(&mut Self, &Piece) -> Result<T, Diagnostic>,
    ) -> T {
        self.document(shape);
        let Some(piece) = self.piece() else {
            return placeholder;
        };
        convert(&mut self, &piece).unwrap_or_else(|diagnostic| {
            self.reader.found.diagnostics.push(diagnostic);
            placeholder
        })
    }

    /// The name of a flow, which becomes the stage's next input.
    pub fn flow(self) {
        self.take(Shape::Flow, (), |setting, piece| {
            let text = string(piece, "the name of a flow, as a text")?;
            setting.reader.found.flows.push(FlowName {
                text,
                place: piece.place(),
            });
            Ok(())
        });
    }

    /// Names of flows, which become the stage's next inputs; returns how many.
    pub fn flows(self) -> usize {
        self.take(Shape::Flows, 0, |setting, piece| {
            let items = piece.items()?;
            for item in &items {
                let text = string(item, "the name of a flow, as a text")?;
                setting.reader.found.flows.push(FlowName {
                    text,
                    place: item.place(),
                });
            }
            Ok(items.len())
        })
    }

    /// A quantity in SI units (dB, when `unit` is "dB"); `unit` says which dimension is expected.
    pub fn quantity(self, unit: &'static str, range: Range) -> f64 {
        self.take(Shape::Quantity(unit, range), 1.0, |setting, piece| {
            let value = quantity(piece, unit, range)?;
            setting.record(format!("{value:?}{}", in_unit(unit)));
            Ok(value)
        })
    }

    /// A list of quantities in SI units.
    pub fn quantities(self, unit: &'static str, range: Range) -> Vec<f64> {
        self.take(
            Shape::Quantities(unit, range),
            Vec::new(),
            |setting, piece| {
                let mut values = Vec::new();
                for item in piece.items()? {
                    match quantity(&item, unit, range) {
                        Ok(value) => values.push(value),
                        Err(diagnostic) => setting.reader.found.diagnostics.push(diagnostic),
                    }
                }
                setting.record(format!("{values:?}{}", in_unit(unit)));
                Ok(values)
            },
        )
    }

    /// Quantities by name, in SI units, in the order of the text.
    pub fn named_quantities(self, unit: &'static str, range: Range) -> Vec<(Name, f64)> {
        self.take(
            Shape::Map(Box::new(Shape::Quantity(unit, range))),
            Vec::new(),
            |setting, piece| {
                let mut values: Vec<(Name, f64)> = Vec::new();
                for (name, item) in setting.distinct(piece)? {
                    match quantity(&item, unit, range) {
                        Ok(value) => values.push((name, value)),
                        Err(diagnostic) => setting.reader.found.diagnostics.push(diagnostic),
                    }
                }
                let text: Vec<String> = values
                    .iter()
                    .map(|(n, v)| format!("{}: {v:?}", n.text))
                    .collect();
                setting.record(format!("{{{}}}{}", text.join(", "), in_unit(unit)));
                Ok(values)
            },
        )
    }

    /// Named entries, each a piece that the caller reads.
    pub fn entries(self) -> Vec<(Name, Piece)> {
        self.take(
            Shape::Map(Box::new(Shape::Text)),
            Vec::new(),
            |setting, piece| setting.distinct(piece),
        )
    }

    /// The values of a list, each a piece that the caller reads.
    pub fn items(self) -> Vec<Piece> {
        self.take(Shape::Text, Vec::new(), |_, piece| piece.items())
    }

    /// The entries of a map; a name that comes again is a fault and left out.
    fn distinct(&mut self, piece: &Piece) -> Result<Vec<(Name, Piece)>, Diagnostic> {
        let mut entries: Vec<(Name, Piece)> = Vec::new();
        for (name, item) in piece.entries()? {
            if entries.iter().any(|(n, _)| n.text == name.text) {
                self.reader.found.diagnostics.push(twice(&name));
            } else {
                entries.push((name, item));
            }
        }
        Ok(entries)
    }

    /// A whole number from `low` to `high`.
    pub fn integer(self, low: i64, high: i64) -> i64 {
        self.take(Shape::Integer(low, high), low, |setting, piece| {
            let value: i64 = piece
                .parse()
                .map_err(|_| piece.wrong_type("a whole number"))?;
            if !(low..=high).contains(&value) {
                let message =
                    format!("expected a whole number from {low} to {high}, found {value}");
                return Err(Diagnostic::error(
                    Code::OutOfRange,
                    Some(piece.place()),
                    message,
                ));
            }
            setting.record(value.to_string());
            Ok(value)
        })
    }

    /// A pure number.
    pub fn number(self, range: Range) -> f64 {
        self.take(Shape::Number(range), 1.0, |setting, piece| {
            let value: f64 = piece
                .parse()
                .map_err(|_| piece.wrong_type("a number without unit"))?;
            in_range(piece, value, range)?;
            setting.record(format!("{value:?}"));
            Ok(value)
        })
    }

    /// `true` or `false`.
    pub fn flag(self) -> bool {
        self.take(Shape::Flag, false, |setting, piece| {
            let value: bool = piece
                .parse()
                .map_err(|_| piece.wrong_type("`true` or `false`"))?;
            setting.record(value.to_string());
            Ok(value)
        })
    }

    /// A text.
    pub fn text(self) -> String {
        self.take(Shape::Text, String::new(), |setting, piece| {
            let value = string(piece, "a text in quotes")?;
            setting.record(format!("{value:?}"));
            Ok(value)
        })
    }

    /// A text with its piece, so that the caller can point into it.
    pub fn text_at(self) -> Option<(String, Piece)> {
        self.take(Shape::Text, None, |setting, piece| {
            let value = string(piece, "a text in quotes")?;
            setting.record(format!("{value:?}"));
            Ok(Some((value, piece.clone())))
        })
    }

    /// A constant by name, or a quantity in any unit.
    pub fn factor(self) -> Constant {
        self.take(Shape::Factor, Constant::one(), |setting, piece| {
            let text = string(piece, "a constant's name or a quantity, as a text")?;
            let constant = match setting.named(piece, &text)? {
                Some(constant) => constant,
                None => Constant::exact(any_quantity(piece, &text)?),
            };
            if constant.is_level {
                setting.reader.found.levels.push(constant.text.clone());
            }
            setting.record(constant.canonical());
            Ok(constant)
        })
    }

    /// A constant by name, or a quantity; `unit` says which dimension is expected.
    pub fn constant(self, unit: &'static str, range: Range) -> Constant {
        let shape = Shape::Constant(unit, range);
        self.take(shape, Constant::one(), |setting, piece| {
            let text = string(piece, "a constant's name or a quantity, as a text")?;
            let Some(constant) = setting.named(piece, &text)? else {
                let quantity = of_dimension(piece, any_quantity(piece, &text)?, unit)?;
                in_range(piece, quantity.value, range)?;
                setting.record(format!("{:?}{}", quantity.value, in_unit(unit)));
                return Ok(Constant::exact(quantity));
            };
            let fits = Unit::parse(unit).is_ok_and(|u| constant.unit.same_dimension(&u));
            if !fits || constant.is_level || constant.table.is_some() {
                let found = match constant.table {
                    Some(_) => "a table".into(),
                    None => format!("`{}`", constant.text),
                };
                let message =
                    format!("expected a constant with a unit such as {unit}, found {found}");
                return Err(
                    Diagnostic::error(Code::Unit, Some(piece.place()), message).help(format!(
                        "state the constant `{text}` in {unit}, or name another"
                    )),
                );
            }
            in_range(piece, constant.value, range)?;
            setting.record(constant.canonical_in(&constant.unit.to_coherent()));
            Ok(constant)
        })
    }

    /// The constant of that name; `None` where the text is no name but begins as a number does.
    fn named(&mut self, piece: &Piece, text: &str) -> Result<Option<Constant>, Diagnostic> {
        if let Some(constant) = self.reader.known.iter().find(|c| c.name == text) {
            self.reader.found.constants.push(text.to_owned());
            return Ok(Some(constant.clone()));
        }
        if text.starts_with(|c: char| c.is_ascii_digit() || "+-.".contains(c)) {
            return Ok(None);
        }
        let names = self.reader.known.iter().map(|c| c.name.as_str());
        let message = format!("unknown constant `{text}`");
        let fault = Diagnostic::error(Code::UnknownName, Some(piece.place()), message);
        Err(fault
            .suggest(text, names)
            .help("name a constant of the recipe, or give a quantity such as \"1e6 V/A\""))
    }

    /// A list of quantities in any unit.
    pub fn factors(self) -> Vec<Constant> {
        self.take(Shape::Factors, Vec::new(), |setting, piece| {
            let mut values = Vec::new();
            for item in piece.items()? {
                let text = string(&item, "a quantity, as a text");
                match text.and_then(|text| any_quantity(&item, &text)) {
                    Ok(value) => values.push(Constant::exact(value)),
                    Err(diagnostic) => setting.reader.found.diagnostics.push(diagnostic),
                }
            }
            let canonical: Vec<String> = values.iter().map(Constant::canonical).collect();
            setting.record(format!("[{}]", canonical.join(", ")));
            Ok(values)
        })
    }

    /// One of several variants; `variants` calls [`Choice::variant`] for each.
    pub fn choice<T>(mut self, variants: impl FnOnce(&mut Choice<'c, T>)) -> Option<T> {
        let documenting = self.reader.fields.is_none();
        let piece = if documenting { None } else { self.piece() };
        let (known, path) = (self.reader.known, self.reader.path_of(self.name));
        let mut choice = Choice {
            piece,
            known,
            path,
            chosen: None,
            named: false,
            docs: Vec::new(),
            found: Described::default(),
        };
        variants(&mut choice);
        let Choice {
            piece,
            chosen,
            named,
            docs,
            found,
            ..
        } = choice;
        let names: Vec<&str> = docs.iter().map(|(name, ..)| *name).collect();
        let unknown = piece.filter(|_| !named).map(|piece| match piece.name() {
            Some(name) => Diagnostic::error(
                Code::UnknownName,
                Some(piece.name_place()),
                format!("unknown choice `{name}` for `{}`", self.name),
            )
            .suggest(name, names.iter().copied()),
            None => piece
                .wrong_type(&format!(
                    "one of {}",
                    crate::diagnostic::listed(names.iter().copied())
                ))
                .help(format!(
                    "choose one by its name, as in `{}(...)`",
                    names.first().unwrap_or(&"")
                )),
        });
        self.document(Shape::Choice(docs));
        let all = &mut self.reader.found;
        all.flows.extend(found.flows);
        all.settings.extend(found.settings);
        all.places.extend(found.places);
        all.constants.extend(found.constants);
        all.levels.extend(found.levels);
        all.diagnostics.extend(found.diagnostics);
        if let Some(diagnostic) = unknown {
            all.diagnostics.push(diagnostic);
        }
        chosen
    }
}

/// The variants of a setting while it is read.
pub struct Choice<'c, T> {
    piece: Option<Piece>,
    known: &'c [Constant],
    path: String,
    chosen: Option<T>,
    named: bool,
    docs: Vec<(&'static str, &'static str, Vec<Doc>)>,
    found: Described,
}

impl<'c, T> Choice<'c, T> {
    /// A variant of this name, read by `read` if it is the one given.
    pub fn variant(
        &mut self,
        name: &'static str,
        doc: &'static str,
        read: impl FnOnce(&mut Reader<'_>) -> T,
    ) -> &mut Self {
        match &self.piece {
            Some(piece) if piece.name() == Some(name) => {
                let mut reader = Reader::on(piece, self.known, self.path.clone());
                reader
                    .found
                    .settings
                    .push((self.path.clone(), name.to_owned()));
                self.chosen = Some(read(&mut reader));
                self.named = true;
                reader.finish();
                self.found = reader.found;
                self.docs.push((name, doc, reader.docs));
            }
            Some(_) => self.docs.push((name, doc, Vec::new())),
            None => self.docs.push((name, doc, described(|r| drop(read(r))))),
        }
        self
    }
}

/// A diagnostic that a name is given again.
fn twice(name: &Name) -> Diagnostic {
    let message = format!("expected `{}` once, found it again", name.text);
    Diagnostic::error(Code::Duplicate, Some(name.place.clone()), message)
        .help("remove one of the two, or rename it")
}
