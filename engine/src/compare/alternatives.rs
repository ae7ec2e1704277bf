//! The alternatives that a recipe carries: its text with some stages replaced, or settings stepped through a
//! list; each read and checked like a recipe, with faults at their place in the text as it was written.

use std::collections::BTreeSet;

use super::edited::{Edit, Edited};
use crate::check::check;
use crate::diagnostic::{Code, Diagnostic, Diagnostics, Place, listed};
use crate::recipe::Recipe;
use crate::recordings::RecordingSet;
use crate::stage::Registry;
use crate::store::ChannelHeader;
use crate::text::{Name, Piece, Reader};

/// Most chains that are compared at once.
pub const MOST_CHAINS: usize = 64;

/// Characters of a value that stand in the name of the alternative that it makes.
const LONGEST_NAME: usize = 32;

/// An alternative of a recipe.
pub struct Alternative {
    /// Its name; a stepped setting makes one for each value.
    pub name: String,
    /// What it changes, as it is written.
    pub said: String,
    /// The recipe with it, complete.
    pub recipe: Recipe,
    edited: Edited,
}

/// One change of the text, before it is made.
struct Change {
    name: String,
    said: String,
    place: Place,
    edits: Vec<Edit>,
}

/// The alternatives of a recipe that was read without errors, and what is wrong with them.
pub fn read(recipe: &Recipe, registry: &Registry) -> (Vec<Alternative>, Diagnostics) {
    let mut found = Diagnostics::default();
    let stages = super::section(recipe, "stages");
    let mut changes = Vec::new();
    for (name, piece) in &recipe.alternatives {
        match piece.name() {
            _ if !legal(name, &mut found) => {}
            Some("Replace") => changes.extend(replace(name, piece, &stages, &mut found)),
            Some("Step") => changes.extend(step(name, piece, &stages, &mut found)),
            _ => found.push(
                piece
                    .wrong_type("`Replace({...})` or `Step(set: [...], to: [...])`")
                    .help("as in `Replace({ \"smooth\": Filter(...) })` or `Step(set: [\"smooth.kind.time_constant\"], to: [\"100 ms\", \"1 s\"])`"),
            ),
        }
    }
    if let Some(beyond) = changes.get(MOST_CHAINS - 1) {
        let message = format!(
            "expected at most {} alternatives, found {}",
            MOST_CHAINS - 1,
            changes.len()
        );
        found.push(Diagnostic::error(
            Code::Limit,
            Some(beyond.place.clone()),
            message,
        ));
        changes.truncate(MOST_CHAINS - 1);
    }
    // What the recipe has wrong by itself was told.
    let (_, own) = Recipe::parse(&recipe.source.name, &recipe.source.text, registry);
    let mut names = BTreeSet::from([super::BASE.to_owned()]);
    let mut all = Vec::new();
    for change in changes {
        if !names.insert(change.name.clone()) {
            let message = format!("two chains would be named `{}`", change.name);
            found.push(
                Diagnostic::error(Code::Duplicate, Some(change.place), message)
                    .help("rename the alternative, or take the value out that comes again"),
            );
            continue;
        }
        let Some(edited) = Edited::new(&recipe.source, change.edits) else {
            let message = format!("`{}` changes the same text twice", change.name);
            found.push(
                Diagnostic::error(Code::Duplicate, Some(change.place), message)
                    .help("name a setting once, and not also the one that holds it"),
            );
            continue;
        };
        let (read, faults) = Recipe::parse(&recipe.source.name, &edited.text, registry);
        told(&change.name, &edited, &faults, &own, &mut found);
        if let Some(mut read) = read.filter(|_| !faults.has_errors()) {
            read.used_on = recipe.used_on;
            all.push(Alternative {
                name: change.name,
                said: change.said,
                recipe: read,
                edited,
            });
        }
    }
    (all, found)
}

/// Reads the alternatives of a recipe and checks each, against headers where these are given; how many there are. A
/// recipe that is at fault itself is left alone.
pub fn check_all(
    recipe: &Recipe,
    registry: &Registry,
    headers: &[ChannelHeader],
    diagnostics: &mut Diagnostics,
) -> usize {
    if diagnostics.has_errors() {
        return 0;
    }
    let (all, found) = read(recipe, registry);
    diagnostics.extend(found);
    let header = |role: &str| headers.iter().find(|h| h.role == role);
    for alternative in &all {
        alternative.check(recipe, header, diagnostics);
    }
    all.len()
}

/// What the recordings say of the inputs of a recipe, but for points that are too short for it or one of its
/// alternatives.
pub fn headers(
    recipe: &Recipe,
    registry: &Registry,
    sets: &mut [RecordingSet],
) -> Vec<ChannelHeader> {
    let (all, _) = read(recipe, registry);
    for recipe in std::iter::once(recipe).chain(all.iter().map(|a| &a.recipe)) {
        RecordingSet::fit(recipe, sets);
    }
    let inputs = 0..recipe.inputs.len();
    let header = |input: usize| sets.iter().find_map(|s| s.header(input));
    inputs.filter_map(header).collect()
}

impl Alternative {
    /// Checks it against headers as [`check`] does a recipe. What `recipe` has wrong without it is left out.
    pub fn check<'h>(
        &self,
        recipe: &Recipe,
        headers: impl Fn(&str) -> Option<&'h ChannelHeader> + Copy,
        diagnostics: &mut Diagnostics,
    ) {
        let (mut own, mut faults) = (Diagnostics::default(), Diagnostics::default());
        check(recipe, headers, &mut own);
        check(&self.recipe, headers, &mut faults);
        told(&self.name, &self.edited, &faults, &own, diagnostics);
    }
}

/// Tells what is wrong with an alternative, where it was written, but for what is wrong without it.
fn told(
    name: &str,
    edited: &Edited,
    faults: &Diagnostics,
    own: &Diagnostics,
    out: &mut Diagnostics,
) {
    for fault in faults {
        let place = fault.place.as_ref().map(|p| edited.origin(p));
        let known = |d: &&Diagnostic| {
            let same_place = match (&d.place, &place) {
                (Some(a), Some(b)) => a.range == b.range,
                (a, b) => a.is_none() && b.is_none(),
            };
            d.code == fault.code && d.message == fault.message && same_place
        };
        if own.iter().find(known).is_none() {
            out.push(Diagnostic {
                place,
                message: format!("{}, in alternative `{name}`", fault.message),
                ..fault.clone()
            });
        }
    }
}

fn legal(name: &Name, found: &mut Diagnostics) -> bool {
    let message = match name.text.as_str() {
        "" => "expected a name, found an empty one".to_owned(),
        super::BASE => format!(
            "expected another name than that of the recipe's own chain, found `{}`",
            super::BASE
        ),
        text if text.contains(['.', '/', '(', ')']) => {
            format!("expected a name without `.`, `/` and parentheses, found `{text}`")
        }
        _ => return true,
    };
    let help = "use letters, digits, blanks and `_`";
    found.push(Diagnostic::error(Code::IllegalName, Some(name.place.clone()), message).help(help));
    false
}

fn stage_of<'s>(
    stages: &'s [(Name, Piece)],
    wanted: &str,
    place: Place,
    found: &mut Diagnostics,
) -> Option<&'s Piece> {
    let stage = stages.iter().find(|(n, _)| n.text == wanted);
    if stage.is_none() {
        let names = stages.iter().map(|(n, _)| n.text.as_str());
        let message = format!("the recipe has no stage `{wanted}`");
        found.push(
            Diagnostic::error(Code::UnknownName, Some(place), message).suggest(wanted, names),
        );
    }
    stage.map(|(_, piece)| piece)
}

fn replace(
    name: &Name,
    piece: &Piece,
    stages: &[(Name, Piece)],
    found: &mut Diagnostics,
) -> Option<Change> {
    let example = "a map of stages, as in `Replace({ \"smooth\": Filter(...) })`";
    let Some(entries) = piece.argument().and_then(|map| map.entries().ok()) else {
        found.push(piece.wrong_type(example));
        return None;
    };
    if entries.is_empty() {
        let message = "expected at least one stage, found none";
        let place = Some(piece.place());
        found.push(
            Diagnostic::error(Code::OutOfRange, place, message).help(format!("give {example}")),
        );
        return None;
    }
    let mut change = Change {
        name: name.text.clone(),
        said: String::new(),
        place: name.place.clone(),
        edits: Vec::new(),
    };
    for (stage, new) in entries {
        let old = stage_of(stages, &stage.text, stage.place.clone(), found)?;
        if !change.said.is_empty() {
            change.said += ", ";
        }
        change.said += &format!("{}: {}", stage.text, one_line(new.text()));
        change.edits.push(Edit {
            at: old.place().range,
            new: vec![(new.text().to_owned(), new.place())],
        });
    }
    Some(change)
}

fn step(
    name: &Name,
    piece: &Piece,
    stages: &[(Name, Piece)],
    found: &mut Diagnostics,
) -> Vec<Change> {
    let ((paths, values), read) = Reader::read(piece, &[], |r| {
        let paths = r.setting("set", "the settings, each as \"stage.setting\"");
        let paths = paths.items();
        let values = r.setting("to", "the values, as they would stand there");
        (paths, values.items())
    });
    let faulty = read.diagnostics.has_errors();
    found.extend(read.diagnostics);
    for (what, list) in [("setting", &paths), ("value", &values)] {
        if list.is_empty() && !faulty {
            let message = format!("expected at least one {what}, found an empty list");
            let help = "write as in `Step(set: [\"smooth.kind.time_constant\"], to: [\"100 ms\", \"1 s\"])`";
            let place = Some(piece.name_place());
            found.push(Diagnostic::error(Code::OutOfRange, place, message).help(help));
        }
    }
    let places: Option<Vec<Setting>> = paths
        .iter()
        .map(|path| Setting::find(path, stages, found))
        .collect();
    let Some(places) = places.filter(|p| !p.is_empty()) else {
        return Vec::new();
    };
    let named: Vec<&str> = places.iter().map(|p| p.path.as_str()).collect();
    let change = |(k, value): (usize, &Piece)| {
        let shown = value.parse::<String>();
        let shown = shown.unwrap_or_else(|_| one_line(value.text()));
        // The name becomes part of the names of stages, which hold no dot and no slash.
        let short = match shown.chars().count() > LONGEST_NAME {
            true => format!("no {}", k + 1),
            false => one_line(
                &shown
                    .replace('.', ",")
                    .replace('/', " per ")
                    .replace(['(', ')', '"'], " "),
            ),
        };
        Change {
            name: format!("{} {short}", name.text),
            said: format!("{} set to {shown}", listed(named.iter().copied())),
            place: value.place(),
            edits: places.iter().map(|p| p.edit(value)).collect(),
        }
    };
    values.iter().enumerate().map(change).collect()
}

/// A text without line ends and what indents it.
fn one_line(text: &str) -> String {
    text.split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Where a setting stands, or would stand if it were written.
struct Setting {
    path: String,
    place: Place,
    at: std::ops::Range<usize>,
    /// Its name, where it is not written.
    missing: Option<String>,
}

impl Setting {
    fn find(path: &Piece, stages: &[(Name, Piece)], found: &mut Diagnostics) -> Option<Setting> {
        let example = "a setting, as a text such as \"smooth.kind.time_constant\"";
        let Ok(text) = path.parse::<String>() else {
            found.push(path.wrong_type(example));
            return None;
        };
        let Some((stage, rest)) = text.split_once('.').filter(|(_, rest)| !rest.is_empty()) else {
            let message = format!("expected {example}, found `{text}`");
            found.push(
                Diagnostic::error(Code::UnknownSetting, Some(path.place()), message)
                    .help("name the stage, a dot, and the setting"),
            );
            return None;
        };
        let place = path.within(&text, 0, text.len());
        let mut piece = stage_of(stages, stage, place.clone(), found)?.clone();
        let names: Vec<&str> = rest.split('.').collect();
        for (k, name) in names.iter().enumerate() {
            let fields = piece.fields().unwrap_or_default();
            if let Some((_, inner)) = fields.iter().find(|(n, _)| n.text == *name) {
                piece = inner.clone();
                continue;
            }
            return match fields.first() {
                // One that has its default is written in front of the others.
                Some((first, _)) if k + 1 == names.len() => Some(Setting {
                    at: first.place.range.start..first.place.range.start,
                    missing: Some((*name).to_owned()),
                    path: text,
                    place,
                }),
                _ => {
                    let message = format!("`{stage}` has no setting `{rest}`");
                    let known = fields.iter().map(|(n, _)| n.text.as_str());
                    found.push(
                        Diagnostic::error(Code::UnknownSetting, Some(place), message)
                            .suggest(name, known)
                            .help("`phasemill stages` says what settings each stage has; one without a name is set together with what holds it"),
                    );
                    None
                }
            };
        }
        Some(Setting {
            at: piece.place().range,
            missing: None,
            path: text,
            place,
        })
    }

    fn edit(&self, value: &Piece) -> Edit {
        let new = (value.text().to_owned(), value.place());
        let new = match &self.missing {
            None => vec![new],
            Some(name) => vec![
                (format!("{name}: "), self.place.clone()),
                new,
                (", ".into(), self.place.clone()),
            ],
        };
        Edit {
            at: self.at.clone(),
            new,
        }
    }
}
