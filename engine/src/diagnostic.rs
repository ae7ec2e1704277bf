//! Faults found in texts and headers: code, severity, place, message, cure; and how they are shown.

use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use annotate_snippets::{AnnotationKind, Level, Renderer, Snippet};

/// Most names that a suggestion lists.
const MOST_LISTED: usize = 20;

/// A named text that spans point into: a recipe or a wiring.
#[derive(Debug, PartialEq, Eq)]
pub struct SourceText {
    /// Where the text came from, as the user named it.
    pub name: String,
    /// The text itself.
    pub text: String,
}

/// A place in a [`SourceText`], in bytes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Place {
    /// The text.
    pub source: Arc<SourceText>,
    /// The bytes meant.
    pub range: Range<usize>,
}

impl Place {
    /// Line and column, both from 1, columns counted in characters.
    pub fn line_column(&self) -> (usize, usize) {
        let before = self.source.text.get(..self.range.start).unwrap_or("");
        let line = 1 + before.matches('\n').count();
        let column = 1 + before.rsplit('\n').next().map_or(0, |l| l.chars().count());
        (line, column)
    }

    /// The offending text.
    pub fn text(&self) -> &str {
        self.source.text.get(self.range.clone()).unwrap_or("")
    }
}

/// Whether a diagnostic stops the run.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// Stops the run.
    Error,
    /// Is shown, and does not stop the run unless the user asks for it.
    Warning,
}

macro_rules! codes {
    ($($(#[doc = $doc:literal])+ $variant:ident => $text:literal,)+) => {
        /// What kind of fault a diagnostic reports.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Code { $($(#[doc = $doc])+ $variant,)+ }

        impl Code {
            /// Every code, in the order of the documentation.
            pub const ALL: &[Code] = &[$(Code::$variant),+];

            /// The code as it is printed.
            pub fn text(self) -> &'static str {
                match self { $(Code::$variant => $text),+ }
            }

            /// Its page, as written; [`crate::explain::Page`] takes it apart.
            pub(crate) fn page(self) -> &'static str {
                match self {
                    $(Code::$variant => include_str!(concat!("diagnostic/pages/", $text, ".md")),)+
                }
            }

            /// What the code means.
            pub fn meaning(self) -> &'static str {
                match self { $(Code::$variant => concat!($($doc, "\n"),+).trim_ascii()),+ }
            }
        }
    };
}

codes! {
    /// The text is not RON, or it exceeds a limit on size or nesting.
    Syntax => "syntax",
    /// A name is used that nothing defines.
    UnknownName => "unknown-name",
    /// A setting is given that the stage does not have.
    UnknownSetting => "unknown-setting",
    /// A setting that has no default is missing.
    MissingSetting => "missing-setting",
    /// A setting holds something of the wrong type.
    WrongType => "wrong-type",
    /// A value lies outside its legal range.
    OutOfRange => "out-of-range",
    /// A name is empty or holds a character that names may not hold.
    IllegalName => "illegal-name",
    /// A name is given twice.
    Duplicate => "duplicate",
    /// A quantity cannot be read, or its unit does not fit.
    Unit => "unit",
    /// A stage is given a flow of a kind it cannot take.
    WrongFlow => "wrong-flow",
    /// Stages depend on each other in a circle.
    Cycle => "cycle",
    /// A stage, input or constant is defined but nothing reads it.
    Unused => "unused",
    /// Sample rates or lengths do not fit.
    Rate => "rate",
    /// A stage needs more time than the point has.
    Time => "time",
    /// A filter cannot be designed as asked.
    Design => "design",
    /// A limit on the size of a recipe is exceeded.
    Limit => "limit",
    /// Decimation folds noise or lines into the band of the signal.
    Folding => "folding",
    /// A multiple of the mains frequency lies in the band that is measured.
    Mains => "mains",
    /// What a chain leaves of an offset or of the signal's own image is larger than what is to be told.
    Ripple => "ripple",
    /// Filters change amplitude or phase of the signal itself.
    Gain => "gain",
    /// Phasors are compared that are relative to different references.
    Reference => "reference",
    /// An uncertainty will be stated that leaves something out or rests on little.
    Uncertainty => "uncertainty",
    /// A constant is used for what was recorded after the last day of which it holds.
    Expired => "expired",
    /// Stages stand in an order that costs range.
    Order => "order",
}

impl fmt::Display for Code {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// One fault.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnostic {
    /// What kind of fault.
    pub code: Code,
    /// Whether it stops the run.
    pub severity: Severity,
    /// Where in a text; `None` when the fault is in a recording.
    pub place: Option<Place>,
    /// What was found and what was expected.
    pub message: String,
    /// What it is about besides the place, as a recording.
    pub notes: Vec<String>,
    /// What to do about it.
    pub help: Vec<String>,
}

impl Diagnostic {
    /// All of it in one line, for a list: what is wrong, where in a recording, and what to do.
    pub fn in_a_line(&self) -> String {
        let noted = self.notes.iter().map(|n| format!(", {n}"));
        let helped = self.help.iter().map(|h| format!("; {h}"));
        let text = self.message.clone() + &noted.chain(helped).collect::<String>();
        text.replace('\n', " ")
    }

    /// An error.
    pub fn error(code: Code, place: Option<Place>, message: impl Into<String>) -> Self {
        Self {
            code,
            severity: Severity::Error,
            place,
            message: message.into(),
            notes: Vec::new(),
            help: Vec::new(),
        }
    }

    /// A warning.
    pub fn warning(code: Code, place: Option<Place>, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Warning,
            ..Self::error(code, place, message)
        }
    }

    /// Adds what it is about.
    pub fn note(mut self, note: impl Into<String>) -> Self {
        self.notes.push(note.into());
        self
    }

    /// Adds what to do about it.
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help.push(help.into());
        self
    }

    /// Adds the nearest of `legal` as a suggestion, or else the list of them.
    pub fn suggest<'n>(self, found: &str, legal: impl IntoIterator<Item = &'n str>) -> Self {
        let legal: Vec<&str> = legal.into_iter().collect();
        match (nearest(found, legal.iter().copied()), legal.as_slice()) {
            (Some(name), _) => self.help(format!("did you mean `{name}`?")),
            (None, []) => self,
            (None, [one]) => self.help(format!("expected `{one}`")),
            (None, legal) => {
                let shown = listed(legal.iter().copied().take(MOST_LISTED));
                let more = match legal.len().saturating_sub(MOST_LISTED) {
                    0 => String::new(),
                    n => format!(" and {n} more"),
                };
                self.help(format!("expected one of {shown}{more}"))
            }
        }
    }

    /// The diagnostic as a person reads it, the source line underlined.
    pub fn render(&self, styled: bool) -> String {
        let level = match self.severity {
            Severity::Error => Level::ERROR,
            Severity::Warning => Level::WARNING,
        };
        let title = level
            .primary_title(self.message.as_str())
            .id(self.code.text());
        let mut groups = Vec::new();
        let mut first = match &self.place {
            Some(place) => title.element(
                Snippet::source(place.source.text.as_str())
                    .path(place.source.name.as_str())
                    .annotation(AnnotationKind::Primary.span(place.range.clone())),
            ),
            None => annotate_snippets::Group::with_title(title),
        };
        for note in &self.notes {
            first = first.element(Level::NOTE.message(note.as_str()));
        }
        for help in &self.help {
            first = first.element(Level::HELP.message(help.as_str()));
        }
        groups.push(first);
        let renderer = if styled {
            Renderer::styled()
        } else {
            Renderer::plain()
        };
        renderer.render(&groups)
    }
}

/// The name of `legal` nearest to `found`, when it is near enough to be a slip.
pub fn nearest<'n>(found: &str, legal: impl IntoIterator<Item = &'n str>) -> Option<&'n str> {
    let first = found.chars().next();
    let found = found.to_lowercase();
    legal
        .into_iter()
        .map(|name| {
            (
                strsim::damerau_levenshtein(&found, &name.to_lowercase()),
                name,
            )
        })
        // Names that share no character are no slips of each other, however short.
        .filter(|(distance, name)| {
            let length = name.chars().count();
            *distance <= 1.max(length.min(12) / 3) && *distance < length.min(found.chars().count())
        })
        // Of equally near ones, slips rarely change the first letter.
        .min_by_key(|(distance, name)| (*distance, name.chars().next() != first))
        .map(|(_, name)| name)
}

/// Names in back-ticks, as a list in a sentence.
pub fn listed<'n>(names: impl IntoIterator<Item = &'n str>) -> String {
    names
        .into_iter()
        .map(|n| format!("`{n}`"))
        .collect::<Vec<_>>()
        .join(", ")
}

/// "1 point", "2 points".
pub fn counted(n: u64, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// All the faults of one check, in the order of the text.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Diagnostics(Vec<Diagnostic>);

impl Diagnostics {
    /// Adds one.
    pub fn push(&mut self, diagnostic: Diagnostic) {
        if !self.0.contains(&diagnostic) {
            self.0.push(diagnostic);
        }
    }

    /// Adds those of another check.
    pub fn extend(&mut self, other: Diagnostics) {
        other.0.into_iter().for_each(|d| self.push(d));
    }

    /// Whether any of them stops the run.
    pub fn has_errors(&self) -> bool {
        self.0.iter().any(|d| d.severity == Severity::Error)
    }

    /// Adds to each error what it is about besides its place.
    pub fn note_errors(&mut self, notes: &[String]) {
        let errors = self.0.iter_mut().filter(|d| d.severity == Severity::Error);
        errors.for_each(|d| d.notes.extend_from_slice(notes));
    }

    /// In the order of the texts; those without a place come last.
    pub fn sorted(mut self) -> Self {
        self.0.sort_by_key(|d| {
            d.place.as_ref().map_or((1, String::new(), 0), |p| {
                (0, p.source.name.clone(), p.range.start)
            })
        });
        self
    }

    /// Walks over them.
    pub fn iter(&self) -> std::slice::Iter<'_, Diagnostic> {
        self.0.iter()
    }

    /// How many.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl<'d> IntoIterator for &'d Diagnostics {
    type Item = &'d Diagnostic;
    type IntoIter = std::slice::Iter<'d, Diagnostic>;
    fn into_iter(self) -> Self::IntoIter {
        self.0.iter()
    }
}

impl fmt::Display for Diagnostics {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, d) in self.0.iter().enumerate() {
            if i > 0 {
                f.write_str("\n\n")?;
            }
            f.write_str(&d.render(false))?;
        }
        Ok(())
    }
}
