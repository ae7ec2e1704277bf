//! Points of unlike length, of which some are too short for the recipe: these fail, and the others do not.

use super::RecordingSet;
use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics, Severity, counted};
use crate::lineage::stated;
use crate::recipe::Recipe;
use crate::store::ChannelHeader;

/// Checks a recipe against recordings. Where it does not fit the shortest points of the main one, and fits longer ones,
/// the short ones are left to fail, with a warning.
pub(crate) fn check(
    recipe: &Recipe,
    sets: &mut [RecordingSet],
    diagnostics: &mut Diagnostics,
) -> Typed {
    let mut found = Diagnostics::default();
    let mut typed = check_all(recipe, sets, &mut found);
    if found.has_errors()
        && let Some(fitting) = longer(recipe, sets)
    {
        let first = found
            .iter()
            .find(|d| d.severity == Severity::Error)
            .cloned();
        found = Diagnostics::default();
        typed = check_all(recipe, sets, &mut found);
        first
            .into_iter()
            .for_each(|fault| found.push(fitting.warning(fault)));
    }
    diagnostics.extend(found);
    typed
}

/// The headers that a check is about: of a single point of a sweep, it is one of all.
pub(crate) fn headers(recipe: &Recipe, sets: &[RecordingSet]) -> Vec<Option<ChannelHeader>> {
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

fn check_all(recipe: &Recipe, sets: &[RecordingSet], diagnostics: &mut Diagnostics) -> Typed {
    let headers = headers(recipe, sets);
    let header = |role: &str| {
        let input = recipe.inputs.iter().position(|i| i.name.text == role)?;
        headers.get(input)?.as_ref()
    };
    crate::check::check(recipe, header, diagnostics)
}

/// Points that are too short.
struct Shorter {
    count: u64,
    of: u64,
    /// The first, and its length in seconds.
    first: (usize, f64),
}

impl Shorter {
    fn warning(&self, fault: Diagnostic) -> Diagnostic {
        let Shorter { count, of, first } = self;
        let message = format!(
            "{} of {of} will fail, since shorter than all that fit, the first of them point {} of {}: {}",
            counted(*count, "point"),
            first.0,
            stated(first.1, "s"),
            fault.message
        );
        let code = if fault.code == Code::Limit {
            Code::Time
        } else {
            fault.code
        };
        Diagnostic {
            severity: Severity::Warning,
            code,
            message,
            ..fault
        }
    }
}

/// Finds the shortest points that the recipe fits, and has the main recording leave shorter ones to fail; `None` where
/// it fits none, or their lengths are all the same.
fn longer(recipe: &Recipe, sets: &mut [RecordingSet]) -> Option<Shorter> {
    let main = sets.iter().position(|set| set.name.is_empty())?;
    let lengths = sets[main].lengths();
    let mut candidates: Vec<f64> = lengths.iter().flatten().copied().collect();
    candidates.sort_unstable_by(f64::total_cmp);
    candidates.dedup();
    let mut fits = |least: f64| {
        sets[main].least = least;
        let mut found = Diagnostics::default();
        check_all(recipe, sets, &mut found);
        !found.has_errors()
    };
    let (_, longer) = candidates.split_first()?;
    if longer.last().is_none_or(|longest| !fits(*longest)) {
        sets[main].least = 0.0;
        return None;
    }
    let index = longer.partition_point(|least| !fits(*least));
    let least = longer[index.min(longer.len() - 1)];
    sets[main].least = least;
    let short = |length: &Option<f64>| length.is_some_and(|length| length < least);
    let first = lengths.iter().position(short)?;
    Some(Shorter {
        count: lengths.iter().filter(|length| short(length)).count() as u64,
        of: lengths.len() as u64,
        first: (first, lengths[first]?),
    })
}
