//! The recipe under challenge, with tones added: its text with a few names replaced and stages put in
//! front, so that what runs is a recipe like any other.

use std::collections::BTreeSet;
use std::ops::Range;

use num_complex::Complex64;

use super::{Options, Shape, Words};
use crate::check::{Typed, check};
use crate::diagnostic::{Diagnostics, Place, Severity};
use crate::flow::Kind;
use crate::graph::Node;
use crate::recipe::Recipe;
use crate::stage::Registry;
use crate::text::FlowName;
use crate::units::Unit;

/// What the tones follow.
#[derive(Clone, Debug, Default, PartialEq)]
pub enum Follow {
    /// The reference that the recipe's own result is relative to.
    #[default]
    Own,
    /// A clock of the recipe, by name.
    Clock(String),
    /// A stage that makes a clock, written as in a recipe; channels that it reads and the recipe does not
    /// name are taken from the recording.
    Stage(String),
    /// A frequency in Hz, phase zero at the first sample.
    Frequency(f64),
}

/// A tone to be added.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Tone {
    /// Amplitude and phase at the input, in SI units.
    pub phasor: Complex64,
    /// Hz from the line.
    pub offset: f64,
    /// Whether it follows the recipe's own reference whatever the others follow.
    pub own: bool,
}

/// The places of a recipe's text that are changed.
pub(super) struct Graft<'r> {
    recipe: &'r Recipe,
    words: Words,
    shape: Shape,
    /// The input that tones are added to.
    input: String,
    /// Unit of the samples, in SI units.
    unit: Unit,
    /// Where the input is read, but for what leads to a clock.
    input_places: Vec<Range<usize>>,
    /// The recipe's own clock and the harmonic, and where that clock is read.
    clock: Option<(String, u32, u32)>,
    clock_places: Vec<Range<usize>>,
    /// The clock that tones follow, and the harmonic.
    follow: (String, u32, u32),
    /// A stage that makes that clock, and inputs that it needs besides.
    followed: Option<String>,
    inputs: Vec<String>,
}

/// A name that the recipe does not use yet.
fn free(recipe: &Recipe, name: &str) -> String {
    let taken = |n: &str| {
        recipe.inputs.iter().any(|i| i.name.text == n)
            || recipe.stages.iter().any(|s| s.name.text == n)
    };
    let mut name = name.to_owned();
    while taken(&name) {
        name.push('\'');
    }
    name
}

impl<'r> Graft<'r> {
    /// Finds the places, for a result whose flow is relative to `clock`, with tones in `input`.
    ///
    /// # Errors
    /// A message that says what cannot be challenged and what to do.
    pub fn new(
        recipe: &'r Recipe,
        typed: &Typed,
        words: Words,
        options: &Options,
        shape: Shape,
        (input, clock): (Node, Option<(String, u32, u32)>),
    ) -> Result<Self, String> {
        let name = recipe.inputs[input].name.text.clone();
        let clocks = (0..typed.ports.len()).filter(|n| {
            let ports = typed.ports[*n].iter().flatten();
            ports.into_iter().any(|p| p.flow.kind == Kind::Clock)
        });
        let leads_to_clock = typed.needed(clocks);
        let readers = |name: &str, skip: &[bool]| -> Vec<Range<usize>> {
            let stages = recipe.stages.iter().enumerate();
            let kept = stages.filter(|(i, _)| !skip[recipe.inputs.len() + i]);
            kept.flat_map(|(_, s)| &s.described.flows)
                .filter(|f| f.text == name)
                .map(|f| f.place.range.clone())
                .collect()
        };
        let input_places = readers(&name, &leads_to_clock);
        if input_places.is_empty() {
            return Err(format!(
                "`{name}` is read only on the way to a reference, so that no tone can be added to it; let the reference read the channel itself, and the rest of the chain too"
            ));
        }
        let nothing = vec![false; typed.ports.len()];
        let clock_places = match &clock {
            Some((name, ..)) => readers(name, &nothing),
            None => Vec::new(),
        };
        let flow = typed.flow(input, 0);
        let mut graft = Graft {
            recipe,
            words,
            shape,
            unit: flow.map_or_else(Unit::one, |f| f.unit.to_coherent()),
            input: name,
            input_places,
            clock_places,
            follow: (String::new(), 1, 1),
            followed: None,
            inputs: Vec::new(),
            clock,
        };
        graft.choose_clock(options, typed)?;
        Ok(graft)
    }

    fn choose_clock(&mut self, options: &Options, typed: &Typed) -> Result<(), String> {
        let (n, m) = options
            .harmonic
            .or_else(|| self.clock.as_ref().map(|(_, n, m)| (*n, *m)))
            .unwrap_or((1, 1));
        let made = free(self.recipe, "followed clock");
        match &options.follow {
            Follow::Own => {
                let Some((name, ..)) = &self.clock else {
                    return Err("the result is relative to no reference; say which frequency the tones have with `--frequency`".into());
                };
                self.follow = (name.clone(), n, m);
            }
            Follow::Clock(name) => {
                let inputs = self.recipe.inputs.len();
                let stage = self
                    .recipe
                    .stages
                    .iter()
                    .position(|s| s.name.text == *name)
                    .and_then(|s| typed.flow(inputs + s, 0));
                if stage.is_none_or(|f| f.kind != Kind::Clock) {
                    return Err(format!(
                        "expected the name of a reference of the recipe or a stage as in a recipe, found `{name}`"
                    ));
                }
                self.follow = (name.clone(), n, m);
            }
            Follow::Stage(text) => {
                self.followed = Some(text.clone());
                self.follow = (made, n, m);
            }
            Follow::Frequency(f) => {
                self.followed = Some((self.words.stated)(&self.input, *f));
                // The stated frequency is the tone's own.
                self.follow = (made, 1, 1);
            }
        }
        Ok(())
    }

    /// Makes the channels known that a stage text reads and the recipe does not name.
    ///
    /// # Errors
    /// A message with what is wrong with the stage.
    pub fn read_followed(&mut self, registry: &Registry) -> Result<(), String> {
        let Some(text) = &self.followed else {
            return Ok(());
        };
        let alone = |inputs: &str| {
            let alone = format!(
                "Recipe(title: \"\", inputs: {{ {inputs} }}, stages: {{ \"followed clock\": {text} }}, results: [\"followed clock\"])"
            );
            Recipe::parse("--follow", &alone, registry)
        };
        let (recipe, found) = alone("\"x\": Wave()");
        let Some(recipe) = recipe.filter(|_| !found.has_errors()) else {
            return Err(format!("`--follow {text}`: {}", without_places(&found)));
        };
        let flows = recipe.stages.iter().flat_map(|s| &s.described.flows);
        let read: BTreeSet<&str> = flows.map(|f| crate::graph::split(&f.text).0).collect();
        let waves: Vec<String> = read
            .iter()
            .map(|n| format!("{n:?}: Wave(unit: \"V\")"))
            .collect();
        if let (Some(of_waves), _) = alone(&waves.join(", ")) {
            let typed = check(&of_waves, |_| None, &mut Diagnostics::default());
            let made = typed.ports.last().and_then(Option::as_ref);
            if made.is_some_and(|p| !p.is_empty() && p.iter().all(|p| p.flow.kind != Kind::Clock)) {
                return Err(format!(
                    "`--follow {text}`: expected a stage that makes a reference, found one that makes none; write as in `Reference(of: \"chopper\", shape: Square())`"
                ));
            }
        }
        for node in read {
            if free(self.recipe, node) == node && !self.inputs.iter().any(|i| i == node) {
                self.inputs.push(node.to_owned());
            }
        }
        Ok(())
    }

    /// SI unit of the samples that tones are added to.
    pub fn unit(&self) -> &Unit {
        &self.unit
    }

    /// What the tones follow, in words.
    pub fn followed(&self) -> String {
        let (name, n, m) = &self.follow;
        let what = match &self.followed {
            Some(text) => format!("`{text}`"),
            None => format!("`{name}`"),
        };
        match (n, m) {
            (1, 1) => what,
            (n, 1) => format!("harmonic {n} of {what}"),
            (n, m) => format!("harmonic {n}/{m} of {what}"),
        }
    }

    /// The recipe with these tones, its own clock moved by `detuned` Hz at the signal's harmonic.
    ///
    /// # Errors
    /// What the changed text has wrong.
    pub fn recipe(
        &self,
        result: &str,
        tones: &[Tone],
        detuned: f64,
        registry: &Registry,
    ) -> Result<Recipe, String> {
        let text = self.text(tones, detuned);
        let (recipe, found) = Recipe::parse(&self.recipe.source.name, &text, registry);
        match recipe.filter(|_| !found.has_errors()) {
            Some(recipe) => Ok(keeping(recipe, result)),
            None => Err(without_places(&found)),
        }
    }

    /// The changed text.
    fn text(&self, tones: &[Tone], detuned: f64) -> String {
        let mut stages: Vec<(String, String)> = Vec::new();
        let mut edits: Vec<(Range<usize>, String)> = Vec::new();
        let mut inputs = String::new();
        if tones.iter().any(|t| !t.own)
            && let Some(text) = &self.followed
        {
            stages.push((self.follow.0.clone(), text.clone()));
            let new = self.inputs.iter().map(|i| format!("{i:?}: Wave(), "));
            inputs = new.collect();
        }
        let mut wave = self.input.clone();
        for (k, tone) in tones.iter().enumerate() {
            let own = self.clock.as_ref().filter(|_| tone.own);
            let (clock, n, m) = own.unwrap_or(&self.follow);
            let clock = match tone.offset {
                0.0 => clock.clone(),
                offset => {
                    let by = offset * f64::from(*m) / f64::from(*n);
                    let name = free(self.recipe, &format!("clock of tone {}", k + 1));
                    stages.push((name.clone(), (self.words.detuned)(clock, by)));
                    name
                }
            };
            let name = free(self.recipe, &format!("{} with tone {}", self.input, k + 1));
            let text = (self.words.tone)(&ToneText {
                to: &wave,
                follow: &clock,
                amplitude: &written(tone.phasor.norm(), &self.unit),
                phase: tone.phasor.arg().to_degrees(),
                harmonic: (*n, *m),
                square: self.shape == Shape::Square,
            });
            stages.push((name.clone(), text));
            wave = name;
        }
        let renamed = |places: &[Range<usize>], name: &str| -> Vec<(Range<usize>, String)> {
            places
                .iter()
                .map(|p| (p.clone(), format!("{name:?}")))
                .collect()
        };
        if !tones.is_empty() {
            edits.extend(renamed(&self.input_places, &wave));
        }
        if let (Some((clock, n, m)), true) = (&self.clock, detuned != 0.0) {
            let name = free(self.recipe, "detuned clock");
            let by = detuned * f64::from(*m) / f64::from(*n);
            stages.push((name.clone(), (self.words.detuned)(clock, by)));
            edits.extend(renamed(&self.clock_places, &name));
        }
        let mut front = |name: Option<&Place>, text: String| {
            let at = name.map(|place| before_quotes(&self.recipe.source.text, place.range.start));
            edits.extend(at.map(|at| (at..at, text)));
        };
        let new = stages
            .iter()
            .map(|(name, text)| format!("{name:?}: {text}, "));
        let (first_input, first_stage) = (self.recipe.inputs.first(), self.recipe.stages.first());
        front(first_input.map(|i| &i.name.place), inputs);
        front(first_stage.map(|s| &s.name.place), new.collect());
        edits.sort_by_key(|(range, _)| std::cmp::Reverse(range.start));
        let mut text = self.recipe.source.text.clone();
        for (range, new) in edits {
            text.replace_range(range, &new);
        }
        text
    }
}

/// What is wrong with a text that the user has not written, in words.
pub(super) fn without_places(found: &Diagnostics) -> String {
    let errors = found.iter().filter(|d| d.severity == Severity::Error);
    let told = errors.map(|d| {
        let words: Vec<&str> = std::iter::once(&d.message)
            .chain(&d.help)
            .map(String::as_str)
            .collect();
        words.join(", ")
    });
    told.collect::<Vec<_>>().join("; ")
}

/// A tone as it is to be written.
pub struct ToneText<'t> {
    /// The wave it is added to.
    pub to: &'t str,
    /// The clock that it follows.
    pub follow: &'t str,
    /// Its amplitude with unit.
    pub amplitude: &'t str,
    /// Its phase in degrees.
    pub phase: f64,
    /// n and m of the harmonic n/m.
    pub harmonic: (u32, u32),
    /// Whether it is a square.
    pub square: bool,
}

fn written(value: f64, unit: &Unit) -> String {
    match unit.ascii().as_str() {
        "1" => format!("{value:e}"),
        unit => format!("{value:e} {unit}"),
    }
}

/// Where a quoted name begins that is known by its first letter; `r#"raw"#` texts are names too.
fn before_quotes(text: &str, start: usize) -> usize {
    let before = text.get(..start).unwrap_or("");
    let before = before.strip_suffix('"').unwrap_or(before);
    let bare = before.trim_end_matches('#');
    bare.strip_suffix('r').unwrap_or(before).len()
}

/// The recipe with one result only.
pub(super) fn keeping(mut recipe: Recipe, result: &str) -> Recipe {
    recipe.results.truncate(1);
    for kept in &mut recipe.results {
        *kept = FlowName {
            text: result.to_owned(),
            place: kept.place.clone(),
        };
    }
    recipe
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn stages_go_before_the_first_name_with_its_quotes() {
        for (text, at) in [
            (r#"{ "a": X }"#, 2),
            (r##"{ r"a": X }"##, 2),
            (r###"{ r##"a"##: X }"###, 2),
        ] {
            let name = text.find('a').expect("a name");
            assert_eq!(before_quotes(text, name), at, "{text}");
        }
    }

    #[test]
    fn amplitudes_are_written_so_that_they_are_read_again() {
        let volt = Unit::volt();
        for x in [1.0 / 3.0, 4e-17, 2.5e9] {
            let text = written(x, &volt);
            let read = crate::units::Quantity::parse(&text).expect("a quantity");
            assert_eq!(read.value, x, "{text}");
        }
        assert_eq!(written(0.25, &Unit::one()), "2.5e-1");
    }
}
