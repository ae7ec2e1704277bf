//! RON text as pieces that know their place; the only module that names `ron`.
//!
//! A [`Piece`] is a slice of the text. It is split one level at a time, so that every later check
//! can point at the value it means, and a fault in one value does not hide those in others.

mod canonical;
mod edit;
mod quantities;
mod reader;
mod shape;

use std::sync::Arc;

use ron::value::RawValue;
use serde::de::{self, Deserialize, Deserializer, MapAccess, SeqAccess, Visitor};

use crate::diagnostic::{Code, Diagnostic, Place, SourceText};
pub use canonical::canonical;
pub use edit::{replaced, value_at};
pub use quantities::{any_quantity, difference, quantity};
pub use reader::{Choice, Described, FlowName, Reader, Setting, described};
pub use shape::{Doc, Range, Shape};

/// Characters of a value that a message shows.
const LONGEST_SHOWN: usize = 40;
/// Longest text that is read, in bytes.
pub const LONGEST_TEXT: usize = 1 << 20;

/// A value in a RON text and where it stands.
#[derive(Clone, Debug)]
pub struct Piece {
    source: Arc<SourceText>,
    start: usize,
    end: usize,
}

/// A name and its place.
#[derive(Clone, Debug)]
pub struct Name {
    /// The name.
    pub text: String,
    /// Where it stands.
    pub place: Place,
}

impl Piece {
    /// The whole of a text, whose syntax is checked here.
    pub fn whole(source: Arc<SourceText>) -> Result<Piece, Diagnostic> {
        let end = source.text.len();
        if end > LONGEST_TEXT {
            let message = format!("expected at most {LONGEST_TEXT} bytes of text, found {end}");
            return Err(Diagnostic::error(
                Code::Limit,
                None,
                format!("{}: {message}", source.name),
            ));
        }
        // Some editors begin a text with a byte-order mark.
        let start = source.text.len() - source.text.trim_start_matches('\u{feff}').len();
        let whole = Piece { source, start, end };
        if first_word(whole.text()) == whole.text().len() {
            let message = "expected a recipe, a wiring or a bench, found nothing";
            let help = "`phasemill new FILE` writes a recipe to start from";
            let place = Some(whole.name_place());
            return Err(Diagnostic::error(Code::Syntax, place, message).help(help));
        }
        let raw = whole.parse::<&RawValue>()?;
        Ok(whole.inner(raw))
    }

    /// The text of the piece.
    pub fn text(&self) -> &str {
        self.source.text.get(self.start..self.end).unwrap_or("")
    }

    /// Where the piece stands.
    pub fn place(&self) -> Place {
        Place {
            source: self.source.clone(),
            range: self.start..self.end,
        }
    }

    /// The place of a part of the piece, in bytes from its start.
    pub fn part(&self, offset: usize, length: usize) -> Place {
        let start = (self.start + offset).min(self.end);
        Place {
            source: self.source.clone(),
            range: start..(start + length).min(self.end),
        }
    }

    /// A part of the text that the piece stands for, which is `text`, in bytes; the whole piece where
    /// it is written with escapes, so that nobody can tell.
    pub fn within(&self, text: &str, offset: usize, length: usize) -> Place {
        let inner = self.text().get(1..self.text().len() - 1);
        match inner == Some(text) && !text.is_empty() {
            true => self.part(1 + offset, length.max(1)),
            false => self.place(),
        }
    }

    /// Reads the piece as a plain value.
    pub fn parse<'p, T: Deserialize<'p>>(&'p self) -> Result<T, Diagnostic> {
        ron::from_str(self.text()).map_err(|e| self.syntax(&e))
    }

    /// What the parser found, where, and what to look for.
    fn syntax(&self, error: &ron::error::SpannedError) -> Diagnostic {
        let text = self.text();
        let at = offset_of(text, error.span.start.line, error.span.start.col);
        let rest = text.get(at..).unwrap_or("");
        let to = offset_of(text, error.span.end.line, error.span.end.col);
        let line = rest.find(['\r', '\n']).unwrap_or(rest.len());
        let one = rest.chars().next().map_or(1, char::len_utf8);
        let place = self.part(at, to.saturating_sub(at).min(line).max(one));
        match &error.code {
            ron::Error::ExceededRecursionLimit => Diagnostic::error(
                Code::Limit,
                Some(place),
                "expected values nested less deeply",
            )
            .help("take parentheses and brackets out that hold one value alone"),
            ron::Error::TrailingCharacters => Diagnostic::error(
                Code::Syntax,
                Some(place),
                "expected the end of the text, found more",
            )
            .help("take it out, or look for a closing bracket too many before it"),
            other => Diagnostic::error(Code::Syntax, Some(place), lower_first(&other.to_string()))
                .help("look also at what comes before: a comma, a quotation mark or a bracket may be missing"),
        }
    }

    /// The name in front of the parenthesis, as `Filter` in `Filter(of: "x")` or in `Filter`.
    pub fn name(&self) -> Option<&str> {
        let text = self.text();
        let end = text
            .find(|c: char| !(c.is_ascii_alphanumeric() || c == '_'))
            .unwrap_or(text.len());
        let name = text.get(..end)?;
        name.starts_with(|c: char| c.is_ascii_alphabetic())
            .then_some(name)
    }

    /// Where [`Piece::name`] stands; the first line of the piece when it has none.
    pub fn name_place(&self) -> Place {
        let line = || self.text().lines().next().unwrap_or("");
        self.part(0, self.name().unwrap_or_else(line).len())
    }

    /// What stands in the parentheses.
    fn body(&self) -> Piece {
        let skip = self.name().map_or(0, str::len);
        let rest = self.text().get(skip..).unwrap_or("");
        Piece {
            start: self.start + skip + (rest.len() - rest.trim_start().len()),
            ..self.clone()
        }
    }

    /// The named values of `Name(a: 1, b: 2)`; empty for a bare `Name` or `Name()`.
    pub fn fields(&self) -> Result<Vec<(Name, Piece)>, Diagnostic> {
        let body = self.body();
        if body.text().is_empty() {
            return Ok(Vec::new());
        }
        self.split::<Fields<'_>>(&body, "named settings, as in `Name(setting: value)`")
            .map(|f| self.named(&body, f.0))
    }

    /// The named values of a map, `{ "a": 1 }`.
    pub fn entries(&self) -> Result<Vec<(Name, Piece)>, Diagnostic> {
        if !self.text().starts_with('{') {
            return Err(self.wrong_type("a map, as in `{ \"name\": value }`"));
        }
        self.split::<Fields<'_>>(
            self,
            "a map with texts as names, as in `{ \"name\": value }`",
        )
        .map(|f| self.named(self, f.0))
    }

    /// The values of a list, `[1, 2]`.
    pub fn items(&self) -> Result<Vec<Piece>, Diagnostic> {
        if !self.text().starts_with('[') {
            return Err(self.wrong_type("a list, as in `[a, b]`"));
        }
        self.split::<Vec<&RawValue>>(self, "a list")
            .map(|v| v.into_iter().map(|r| self.inner(r)).collect())
    }

    /// The one unnamed value of `Name(value)`, if the piece has that form.
    pub fn argument(&self) -> Option<Piece> {
        let body = self.body();
        match ron::from_str::<Sequence<'_>>(body.text())
            .ok()?
            .0
            .as_slice()
        {
            [raw] => Some(body.inner(raw)),
            _ => None,
        }
    }

    /// A diagnostic that the piece is of the wrong type.
    pub fn wrong_type(&self, expected: &str) -> Diagnostic {
        let line = self.text().lines().next().unwrap_or("").trim_end();
        let mut found: String = line.chars().take(LONGEST_SHOWN).collect();
        if found.len() < self.text().len() {
            found += "...";
        }
        Diagnostic::error(
            Code::WrongType,
            Some(self.place()),
            format!("expected {expected}, found `{found}`"),
        )
    }

    fn split<'p, T: Deserialize<'p>>(
        &self,
        of: &'p Piece,
        expected: &str,
    ) -> Result<T, Diagnostic> {
        ron::from_str(of.text()).map_err(|_| self.wrong_type(expected))
    }

    /// The piece that a raw value borrowed from this piece's text covers.
    fn inner(&self, raw: &RawValue) -> Piece {
        let text = raw.trim().get_ron();
        let start = text.as_ptr() as usize - self.source.text.as_ptr() as usize;
        Piece {
            source: self.source.clone(),
            start,
            end: start + text.len(),
        }
    }

    /// Finds the places of the names, which `ron` does not tell, in the text between the values.
    fn named(&self, body: &Piece, fields: Vec<(String, &RawValue)>) -> Vec<(Name, Piece)> {
        let mut from = body.start;
        let mut named = Vec::with_capacity(fields.len());
        for (text, raw) in fields {
            let value = self.inner(raw);
            let between = self.source.text.get(from..value.start).unwrap_or("");
            let name = name_between(between);
            let place = Place {
                source: self.source.clone(),
                range: from + name.start..from + name.end,
            };
            from = value.end;
            named.push((Name { text, place }, value));
        }
        named
    }
}

/// Where the name stands between two values: behind brackets, commas and comments, without its
/// quotation marks unless they are all there is.
fn name_between(text: &str) -> std::ops::Range<usize> {
    let start = first_word(text);
    let rest = text.get(start..).unwrap_or("");
    let quoted = rest.strip_prefix('"').and_then(|rest| {
        let mut escaped = false;
        rest.find(|c| {
            let ends = c == '"' && !escaped;
            escaped = c == '\\' && !escaped;
            ends
        })
    });
    match quoted {
        Some(0) => start..start + 2,
        Some(length) => start + 1..start + 1 + length,
        None => {
            let ends = |c: char| c.is_whitespace() || ":/".contains(c);
            start..start + rest.find(ends).unwrap_or(rest.len())
        }
    }
}

/// Skips white space, brackets, commas and comments, which may hold comments.
fn first_word(text: &str) -> usize {
    let mut at = 0;
    let mut depth = 0;
    while let Some(rest) = text.get(at..).filter(|r| !r.is_empty()) {
        let next = rest.chars().next().map_or(1, char::len_utf8);
        match depth {
            _ if rest.starts_with("/*") => (at, depth) = (at + 2, depth + 1),
            1.. if rest.starts_with("*/") => (at, depth) = (at + 2, depth - 1),
            1.. => at += next,
            _ if rest.starts_with("//") => at += rest.find('\n').unwrap_or(rest.len()),
            _ if rest.starts_with(|c: char| c.is_whitespace() || "({,".contains(c)) => at += next,
            _ => break,
        }
    }
    at
}

fn offset_of(text: &str, line: usize, column: usize) -> usize {
    let before: usize = text
        .split_inclusive('\n')
        .take(line.saturating_sub(1))
        .map(str::len)
        .sum();
    let within: usize = text
        .get(before..)
        .unwrap_or("")
        .chars()
        .take(column.saturating_sub(1))
        .map(char::len_utf8)
        .sum();
    before + within
}

fn lower_first(text: &str) -> String {
    let mut chars = text.chars();
    let first = chars
        .next()
        .map(|c| c.to_lowercase().to_string())
        .unwrap_or_default();
    first + chars.as_str().trim_end_matches('.')
}

/// Named values in the order of the text, duplicates included.
struct Fields<'a>(Vec<(String, &'a RawValue)>);

impl<'de> Deserialize<'de> for Fields<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct FieldsVisitor;
        impl<'de> Visitor<'de> for FieldsVisitor {
            type Value = Fields<'de>;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("named values")
            }
            fn visit_map<A: MapAccess<'de>>(self, mut map: A) -> Result<Self::Value, A::Error> {
                let mut fields = Vec::new();
                while let Some(Key(key)) = map.next_key::<Key>()? {
                    fields.push((key, map.next_value::<&RawValue>()?));
                }
                Ok(Fields(fields))
            }
            fn visit_unit<E: de::Error>(self) -> Result<Self::Value, E> {
                Ok(Fields(Vec::new()))
            }
        }
        deserializer.deserialize_any(FieldsVisitor)
    }
}

struct Key(String);

impl<'de> Deserialize<'de> for Key {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct KeyVisitor;
        impl Visitor<'_> for KeyVisitor {
            type Value = Key;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a name")
            }
            fn visit_str<E: de::Error>(self, text: &str) -> Result<Key, E> {
                Ok(Key(text.to_owned()))
            }
        }
        deserializer.deserialize_any(KeyVisitor)
    }
}

/// Unnamed values in parentheses.
struct Sequence<'a>(Vec<&'a RawValue>);

impl<'de> Deserialize<'de> for Sequence<'de> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct SequenceVisitor;
        impl<'de> Visitor<'de> for SequenceVisitor {
            type Value = Sequence<'de>;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("values in parentheses")
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Self::Value, A::Error> {
                let mut items = Vec::new();
                while let Some(item) = seq.next_element::<&RawValue>()? {
                    items.push(item);
                }
                Ok(Sequence(items))
            }
        }
        deserializer.deserialize_tuple(1, SequenceVisitor)
    }
}
