//! A recipe to be planned, with the headers of a recording, or with those that a bench would record.

use std::path::{Path, PathBuf};

use phasemill_engine::bench::Bench;
use phasemill_engine::check::{Typed, check_at};
use phasemill_engine::diagnostic::Diagnostics;
use phasemill_engine::recipe::{Recipe, Wiring};
use phasemill_engine::recordings::RecordingSet;
use phasemill_engine::session::{check_recordings, open_sets};
use phasemill_engine::store::ChannelHeader;

use crate::commands::Texts;

/// Length in s of a point that is not recorded yet: longer than any chain takes to settle.
const UNRECORDED: f64 = 1e6;

/// Why there is no answer.
pub enum Refusal {
    /// A fault that has no place in a text.
    Message(String),
    /// Faults in bench, recipe or wiring.
    Found(Diagnostics),
}

impl From<String> for Refusal {
    fn from(message: String) -> Self {
        Refusal::Message(message)
    }
}

/// A recording, and those that the recipe names.
pub struct Record<'a> {
    /// The recording, where there is one.
    pub recording: Option<&'a Path>,
    /// Further ones by name.
    pub with: &'a [(String, PathBuf)],
}

/// A recipe, and the headers of its inputs.
pub struct Planning {
    /// The recipe.
    pub recipe: Recipe,
    /// By input; as the bench would record it where there is no recording.
    headers: Vec<Option<ChannelHeader>>,
    /// Whether they are those of a recording.
    pub recorded: bool,
}

impl Planning {
    /// Reads them.
    pub fn read(texts: &Texts, record: &Record<'_>, bench: &Bench) -> Result<Self, Refusal> {
        let (recipe, wiring, alone) = texts.parse()?;
        let recipe = match recipe {
            Some(recipe) if !alone.has_errors() => recipe,
            _ => return Err(Refusal::Found(alone)),
        };
        let headers = match record.recording {
            Some(recording) => recorded(&recipe, &wiring, recording, record.with)?,
            None => assumed(&recipe, bench),
        };
        Ok(Planning {
            recipe,
            headers,
            recorded: record.recording.is_some(),
        })
    }

    /// Samples per second of the first input.
    pub fn rate(&self) -> Option<f64> {
        Some(self.headers.first()?.as_ref()?.rate)
    }

    /// The flows, with every reference at a frequency if one is given.
    pub fn check(&self, reference: Option<f64>) -> Result<Typed, Refusal> {
        let header = |role: &str| {
            let inputs = &self.recipe.inputs;
            let input = inputs.iter().position(|i| i.name.text == role)?;
            self.headers.get(input)?.as_ref()
        };
        let mut found = Diagnostics::default();
        let typed = check_at(&self.recipe, header, reference, &mut found);
        match found.has_errors() {
            true => Err(Refusal::Found(found.sorted())),
            false => Ok(typed),
        }
    }
}

fn recorded(
    recipe: &Recipe,
    wiring: &Wiring,
    recording: &Path,
    with: &[(String, PathBuf)],
) -> Result<Vec<Option<ChannelHeader>>, Refusal> {
    check_recordings(recipe, with).map_err(|e| format!("error: {e}"))?;
    let mut sets = open_sets(recipe, wiring, &[recording.to_owned()], with);
    let mut files = sets.iter().flat_map(|set| &set.files);
    if let Some(error) = files.find_map(|f| f.content.as_ref().err()) {
        let found = error.diagnostics();
        return Err(match found.is_empty() {
            true => Refusal::Message(format!("error: {error}")),
            false => Refusal::Found(found),
        });
    }
    RecordingSet::fit(recipe, &mut sets);
    let header = |input| sets.iter().find_map(|s| s.header(input));
    Ok((0..recipe.inputs.len()).map(header).collect())
}

fn assumed(recipe: &Recipe, bench: &Bench) -> Vec<Option<ChannelHeader>> {
    let rate = bench.converter.rate;
    let samples = (UNRECORDED * rate).max(1e7) as u64;
    let inputs = recipe.inputs.iter().map(|input| {
        let unit = input.unit.clone().unwrap_or_else(|| bench.unit.clone());
        Some(ChannelHeader::assumed(
            &input.name.text,
            rate,
            samples,
            unit,
        ))
    });
    inputs.collect()
}
