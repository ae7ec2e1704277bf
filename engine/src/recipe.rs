//! A recipe and a wiring as written: names, settings and places, nothing computed yet.

mod wiring;

use std::sync::Arc;

use crate::constant::Constant;
use crate::diagnostic::{Code, Diagnostic, Diagnostics, Place, SourceText};
use crate::flow::{Flow, Port};
use crate::stage::{Checker, Configured, Fault, Registry, Stage, Work};
use crate::text::{Described, FlowName, Name, Piece, Range, Reader, any_quantity};
use crate::units::{Quantity, Unit};

pub use wiring::{Axis, Channel, Marker, Origin, Points, RateOrigin, Wiring};

/// Most stages, inputs or results that a recipe may have.
pub const MOST_STAGES: usize = 2000;

/// A recipe.
pub struct Recipe {
    /// What it is for.
    pub title: String,
    /// Inputs by role.
    pub inputs: Vec<Input>,
    /// Constants by name.
    pub constants: Vec<(Name, Constant)>,
    /// Stages in the order of the text.
    pub stages: Vec<StageEntry>,
    /// Flows to keep.
    pub results: Vec<FlowName>,
    /// Units that flows are declared to have: checked for their dimension, and shown.
    pub units: Vec<DeclaredUnit>,
    /// Frequency of the mains in Hz, where the recipe states it.
    pub mains: Option<f64>,
    /// Alternatives by name, as written: [`crate::compare`] reads them, and a run passes them over.
    pub alternatives: Vec<(Name, Piece)>,
    /// Day on which recordings that do not state their own start time count as made; `None` where that
    /// is of no interest.
    pub used_on: Option<jiff::civil::Date>,
    /// The text.
    pub source: Arc<SourceText>,
}

/// The unit that a flow is declared to have.
#[derive(Clone, Debug)]
pub struct DeclaredUnit {
    /// The flow, as `stage` or `stage.port`.
    pub flow: FlowName,
    /// The unit.
    pub unit: Unit,
    /// Where the unit stands.
    pub place: Place,
}

/// An input of a recipe.
#[derive(Clone, Debug)]
pub struct Input {
    /// The role.
    pub name: Name,
    /// The unit that the recipe expects.
    pub unit: Option<Unit>,
    /// Which recording it comes from; empty for the one that the run is about.
    pub recording: String,
    /// Where in the recording, where the recipe says so itself.
    pub channel: Channel,
    /// Smallest peak amplitude of a signal that is to be told.
    pub smallest: Option<Size>,
    /// Largest steady level that the samples have.
    pub level: Option<Size>,
    /// Largest peak amplitude of the signal.
    pub largest: Option<Size>,
}

/// A size that a recipe states of an input.
#[derive(Clone, Debug, PartialEq)]
pub struct Size {
    /// The size in SI units.
    pub value: f64,
    /// Its unit.
    pub unit: Unit,
    /// Where it stands.
    pub place: Place,
}

impl Size {
    fn read(
        r: &mut Reader<'_>,
        name: &'static str,
        doc: &'static str,
        (size, range): (fn(&Quantity) -> f64, Range),
    ) -> Option<Size> {
        let (text, piece) = r.setting(name, doc).optional()?.text_at()?;
        let place = piece.place();
        let found = match any_quantity(&piece, &text) {
            Ok(found) if range.holds(size(&found)) && !found.is_level() => found,
            Ok(_) => {
                let message = format!("expected a size {range} with a unit, found `{text}`");
                let fault = Diagnostic::error(Code::OutOfRange, Some(place), message);
                r.report(fault.help("give it in the unit of the wave, as in \"1 uV\""));
                return None;
            }
            Err(fault) => {
                r.report(fault);
                return None;
            }
        };
        let (value, unit) = (size(&found), found.unit);
        Some(Size { value, unit, place })
    }
}

/// A stage of a recipe.
pub struct StageEntry {
    /// The name in the recipe.
    pub name: Name,
    /// The kind of stage.
    pub stage: &'static dyn Stage,
    /// The stage with its settings.
    pub configured: Box<dyn Configured>,
    /// What reading its settings left behind.
    pub described: Described,
    /// Where it stands.
    pub place: Place,
    /// Whether its settings could be read.
    pub usable: bool,
}

/// A unit, where its text is given.
pub(crate) fn unit(given: Option<(String, Piece)>) -> Option<Result<Unit, Diagnostic>> {
    let (text, piece) = given?;
    Some(Unit::parse(&text).map_err(|e| {
        let place = piece.within(&text, e.offset(), e.length());
        Diagnostic::error(Code::Unit, Some(place), e.to_string())
            .help("write the unit's symbol, as in \"V\", \"mV\" or \"m/s^2\"")
    }))
}

/// Expects a piece to begin with `name`; whether it does.
fn expect_name(piece: &Piece, name: &str, diagnostics: &mut Diagnostics) -> bool {
    let expected = format!("`{name}(...)`");
    match piece.name() {
        Some(found) if found == name => return true,
        Some(found) => diagnostics.push(Diagnostic::error(
            Code::WrongType,
            Some(piece.name_place()),
            format!("expected {expected}, found `{found}`"),
        )),
        None => {
            let place = Some(piece.name_place());
            let fault = piece.wrong_type(&expected);
            diagnostics.push(Diagnostic { place, ..fault });
        }
    }
    false
}

/// Expects a text to be of a kind; where it is of another, what it lacks is beside the point.
pub(crate) fn expect_text(
    whole: &Piece,
    name: &str,
    help: &str,
    diagnostics: &mut Diagnostics,
) -> bool {
    let mut found = Diagnostics::default();
    let fits = expect_name(whole, name, &mut found);
    found
        .iter()
        .for_each(|d| diagnostics.push(d.clone().help(help)));
    fits
}

impl Recipe {
    /// Reads a recipe; every fault that the text has by itself is among the diagnostics.
    pub fn parse(name: &str, text: &str, registry: &Registry) -> (Option<Recipe>, Diagnostics) {
        let mut diagnostics = Diagnostics::default();
        let source = Arc::new(SourceText {
            name: name.into(),
            text: text.into(),
        });
        let whole = match Piece::whole(source.clone()) {
            Ok(whole) => whole,
            Err(diagnostic) => {
                diagnostics.push(diagnostic);
                return (None, diagnostics);
            }
        };
        let help = match whole.name() {
            Some("Bench") => "a bench is for `phasemill expect`; name a recipe here",
            _ => "name the recipe first and give a wiring with `--wiring FILE`",
        };
        if !expect_text(&whole, "Recipe", help, &mut diagnostics) {
            return (None, diagnostics);
        }
        let ((title, inputs, constants, pieces, declared, mains, alternatives), top) =
            Reader::read(&whole, &[], |r| {
                let title = r.setting("title", "what the recipe is for").text();
                let inputs = r.setting("inputs", "inputs by role").entries();
                let constants = r
                    .setting("constants", "constants by name")
                    .default("{}")
                    .entries();
                let stages = r.setting("stages", "stages by name").entries();
                r.setting("results", "names of the flows to keep").flows();
                let units = r
                    .setting("units", "units of flows by name")
                    .default("{}")
                    .entries();
                let mains = r
                    .setting("mains", "frequency of the mains")
                    .optional()
                    .map(|s| s.quantity("Hz", Range::Positive));
                let alternatives = r
                    .setting("alternatives", "what to compare the recipe with")
                    .default("{}")
                    .entries();
                (title, inputs, constants, stages, units, mains, alternatives)
            });
        let kept = top.places.iter().find(|(path, _)| path == "results");
        if let (Some((_, place)), true) = (kept, top.flows.is_empty()) {
            // A list that could not be read was reported as such.
            if place.text().starts_with('[') {
                let message = "expected at least one result, found none";
                diagnostics.push(
                    Diagnostic::error(Code::Unused, Some(place.clone()), message)
                        .help("name the flows to keep, as in `results: [\"answer\"]`"),
                );
            }
        }
        diagnostics.extend(top.diagnostics);
        for (what, count) in [
            ("inputs", inputs.len()),
            ("stages", pieces.len()),
            ("results", top.flows.len()),
        ] {
            if count > MOST_STAGES {
                let message = format!("expected at most {MOST_STAGES} {what}, found {count}");
                diagnostics.push(Diagnostic::error(
                    Code::Limit,
                    Some(whole.name_place()),
                    message,
                ));
                return (None, diagnostics);
            }
        }
        let inputs: Vec<Input> = inputs
            .into_iter()
            .map(|(name, piece)| Input::read(name, &piece, &mut diagnostics))
            .collect();
        let constants: Vec<(Name, Constant)> = constants
            .into_iter()
            .map(|(name, piece)| {
                let (constant, found) = Constant::read(name.text.clone(), &piece);
                diagnostics.extend(found);
                (name, constant)
            })
            .collect();
        let known: Vec<Constant> = constants.iter().map(|(_, c)| c.clone()).collect();
        let mut stages = Vec::new();
        for (name, piece) in pieces {
            let known_stage = piece.name().and_then(|n| registry.get(n));
            let (stage, (configured, described)) = match known_stage {
                Some(stage) => (stage, Reader::read(&piece, &known, |r| stage.read(r))),
                None => {
                    diagnostics.push(unknown_stage(&piece, registry));
                    let nothing: (Box<dyn Configured>, _) =
                        (Box::new(Unknown), Described::default());
                    (&Unknown as &'static dyn Stage, nothing)
                }
            };
            let usable = known_stage.is_some() && !described.diagnostics.has_errors();
            diagnostics.extend(described.diagnostics.clone());
            let place = piece.name_place();
            stages.push(StageEntry {
                name,
                stage,
                configured,
                described,
                place,
                usable,
            });
        }
        check_names(&inputs, &stages, &mut diagnostics);
        let units = declared
            .into_iter()
            .filter_map(|(name, piece)| DeclaredUnit::read(name, &piece, &mut diagnostics))
            .collect();
        (
            Some(Recipe {
                title,
                inputs,
                constants,
                stages,
                results: top.flows,
                units,
                mains,
                alternatives,
                used_on: None,
                source,
            }),
            diagnostics,
        )
    }
}

/// Stands for a stage of unknown kind, so that its readers are not faulted as well.
struct Unknown;

impl Stage for Unknown {
    fn name(&self) -> &'static str {
        "unknown"
    }

    fn doc(&self) -> &'static str {
        ""
    }

    fn example(&self) -> &'static str {
        ""
    }

    fn read(&self, _: &mut Reader<'_>) -> Box<dyn Configured> {
        Box::new(Unknown)
    }
}

impl Configured for Unknown {
    fn check(&self, _: &[Flow], _: &mut Checker<'_>) -> Vec<Port> {
        Vec::new()
    }

    fn prepare(&self, _: &[Flow]) -> Result<Work, Fault> {
        let why = "there is no such stage".to_owned();
        Err(Fault::Numeric { what: "stage", why })
    }
}

fn unknown_stage(piece: &Piece, registry: &Registry) -> Diagnostic {
    let Some(found) = piece.name() else {
        return piece.wrong_type("a stage, as in `Average(of: \"detector\")`");
    };
    let message = format!("unknown stage `{found}`");
    Diagnostic::error(Code::UnknownName, Some(piece.name_place()), message)
        .suggest(found, registry.iter().map(|s| s.name()))
        .help("`phasemill stages` says what each of them does")
}

fn check_names(inputs: &[Input], stages: &[StageEntry], diagnostics: &mut Diagnostics) {
    let stage_names = stages.iter().map(|s| &s.name);
    for name in stage_names.clone().chain(inputs.iter().map(|i| &i.name)) {
        let message = match name.text.as_str() {
            "" => "expected a name, found an empty one".to_owned(),
            text if text.contains(['.', '/']) => {
                format!("expected a name without `.` and `/`, found `{text}`")
            }
            _ => continue,
        };
        diagnostics.push(
            Diagnostic::error(Code::IllegalName, Some(name.place.clone()), message).help(
                "use letters, digits, blanks and `_`; a dot stands before the name of an output",
            ),
        );
    }
    for name in stage_names {
        if inputs.iter().any(|i| i.name.text == name.text) {
            let message = format!("`{}` is both an input and a stage", name.text);
            let diagnostic = Diagnostic::error(Code::Duplicate, Some(name.place.clone()), message);
            diagnostics.push(diagnostic.help("rename one of them"));
        }
    }
}

impl DeclaredUnit {
    fn read(name: Name, piece: &Piece, diagnostics: &mut Diagnostics) -> Option<Self> {
        let text = piece
            .parse::<String>()
            .map_err(|_| piece.wrong_type("a unit, as a text such as \"nA\""))
            .map_err(|d| diagnostics.push(d))
            .ok()?;
        let unit = unit(Some((text, piece.clone())))?;
        let unit = unit.map_err(|d| diagnostics.push(d)).ok()?;
        Some(DeclaredUnit {
            flow: FlowName {
                text: name.text,
                place: name.place,
            },
            unit,
            place: piece.place(),
        })
    }
}

impl Input {
    fn read(name: Name, piece: &Piece, diagnostics: &mut Diagnostics) -> Self {
        if !expect_name(piece, "Wave", diagnostics) && piece.name().is_none() {
            return Input {
                name,
                unit: None,
                recording: String::new(),
                channel: Channel::default(),
                smallest: None,
                level: None,
                largest: None,
            };
        }
        let ((recording, channel, [smallest, level, largest]), found) =
            Reader::read(piece, &[], |r| {
                let recording = r
                    .setting("recording", "which recording, if not the main one")
                    .default("\"\"")
                    .text();
                let smallest = "smallest peak amplitude of a signal that is to be told";
                let level = "largest steady level; by default the full scale";
                let largest = "largest peak amplitude; by default the full scale";
                let sizes = [
                    Size::read(
                        r,
                        "smallest",
                        smallest,
                        (Quantity::difference, Range::Positive),
                    ),
                    Size::read(r, "level", level, (|level| level.value, Range::NotNegative)),
                    Size::read(
                        r,
                        "largest",
                        largest,
                        (Quantity::difference, Range::Positive),
                    ),
                ];
                (recording, Channel::read(r, piece), sizes)
            });
        diagnostics.extend(found.diagnostics);
        Input {
            name,
            unit: channel.unit.clone(),
            recording,
            channel,
            smallest,
            level,
            largest,
        }
    }
}
