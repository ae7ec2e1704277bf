//! Points of unlike length, of which some are too short for the recipe: these fail, and the others do not.

use super::RecordingSet;
use crate::check::Typed;
use crate::diagnostic::{Diagnostic, Diagnostics, Severity, counted};
use crate::lineage::stated;
use crate::recipe::Recipe;
use crate::store::ChannelHeader;

/// Checks a recipe against recordings, and the headers that it was checked against. Where it does not fit the shortest points, and fits longer ones, the short ones are
/// left to fail, with a warning.
pub(crate) fn check(
    recipe: &Recipe,
    sets: &mut [RecordingSet],
    diagnostics: &mut Diagnostics,
) -> (Typed, Vec<Option<ChannelHeader>>) {
    let mut found = Diagnostics::default();
    let mut checked = check_all(recipe, sets, &mut found);
    if found.has_errors() {
        let shorter = longer(recipe, sets);
        if let (Some(fault), false) = (
            found.iter().find(|d| d.severity == Severity::Error),
            shorter.is_empty(),
        ) {
            let fault = fault.clone();
            found = Diagnostics::default();
            checked = check_all(recipe, sets, &mut found);
            shorter
                .iter()
                .for_each(|shorter| found.push(shorter.warning(&fault)));
        }
    }
    diagnostics.extend(found);
    checked
}

/// The headers that a check is about: of a single point of a sweep, it is one of all.
fn headers(recipe: &Recipe, sets: &[RecordingSet]) -> Vec<Option<ChannelHeader>> {
    let of_set = |set: &RecordingSet, input| {
        let points = set.recorded().len() as u64;
        set.header(input)
            .map(|header| ChannelHeader { points, ..header })
    };
    let inputs = 0..recipe.inputs.len();
    inputs
        .map(|input| sets.iter().find_map(|set| of_set(set, input)))
        .collect()
}

fn check_all(
    recipe: &Recipe,
    sets: &[RecordingSet],
    diagnostics: &mut Diagnostics,
) -> (Typed, Vec<Option<ChannelHeader>>) {
    let headers = headers(recipe, sets);
    let header = |role: &str| {
        let input = recipe.inputs.iter().position(|i| i.name.text == role)?;
        headers.get(input)?.as_ref()
    };
    let typed = crate::check::check(recipe, header, diagnostics);
    (typed, headers)
}

/// Points that are too short.
struct Shorter {
    /// Their recording; empty for the main one.
    recording: String,
    count: usize,
    of: usize,
    /// The shortest, and its length in seconds.
    shortest: (usize, f64),
}

impl Shorter {
    fn warning(&self, fault: &Diagnostic) -> Diagnostic {
        let (point, length) = self.shortest;
        let recording = match self.recording.as_str() {
            "" => String::new(),
            name => format!(" of `{name}`"),
        };
        let message = format!(
            "{} of {}{recording} will fail, since shorter than all that fit, the shortest of them point {point} of {}: {}",
            counted(self.count as u64, "point"),
            self.of,
            stated(length, "s"),
            fault.message
        );
        Diagnostic {
            severity: Severity::Warning,
            message,
            ..fault.clone()
        }
    }
}

/// Finds the shortest points of each recording that the recipe fits, and leaves shorter ones to fail; nothing where it
/// fits none, or their lengths are all the same.
fn longer(recipe: &Recipe, sets: &mut [RecordingSet]) -> Vec<Shorter> {
    let lengths: Vec<Vec<Option<f64>>> = sets.iter().map(RecordingSet::lengths).collect();
    let candidates = lengths.iter().map(|lengths| {
        let mut all: Vec<f64> = lengths.iter().flatten().copied().collect();
        all.sort_unstable_by(f64::total_cmp);
        all.dedup();
        all
    });
    let candidates: Vec<Vec<f64>> = candidates.collect();
    if candidates.iter().all(|lengths| lengths.len() < 2) {
        return Vec::new();
    }
    let before: Vec<f64> = sets.iter().map(|set| set.least).collect();
    for (set, candidates) in sets.iter_mut().zip(&candidates) {
        set.least = candidates.last().copied().unwrap_or(0.0);
    }
    let fits = |sets: &[RecordingSet]| {
        let mut found = Diagnostics::default();
        check_all(recipe, sets, &mut found);
        !found.has_errors()
    };
    if !fits(sets) {
        sets.iter_mut()
            .zip(before)
            .for_each(|(set, least)| set.least = least);
        return Vec::new();
    }
    let mut all = Vec::new();
    for (index, candidates) in candidates.iter().enumerate() {
        let mut with = |least: f64| {
            sets[index].least = least;
            fits(sets)
        };
        let at = candidates.partition_point(|least| !with(*least));
        let least = candidates.get(at).or(candidates.last()).copied();
        sets[index].least = least.unwrap_or(0.0);
        let short = (lengths[index].iter().enumerate())
            .filter_map(|(point, length)| Some((point, (*length)?)))
            .filter(|(_, length)| *length < sets[index].least);
        let shortest = short.clone().min_by(|a, b| a.1.total_cmp(&b.1));
        all.extend(shortest.map(|shortest| Shorter {
            recording: sets[index].name.clone(),
            count: short.count(),
            of: lengths[index].len(),
            shortest,
        }));
    }
    all
}
