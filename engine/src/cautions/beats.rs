//! Warns of what beats with the signal and is left in the stretches whose scatter tells the uncertainty of a mean: multiples
//! of the mains, and a level in front of the mixing. It widens intervals more than it shifts the mean, or less.

use super::hertz;
use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::flow::Flow;
use crate::recipe::{Recipe, StageEntry};
use crate::response::Chain;

/// Part of a line in the means of stretches from which on it is told: intervals are too wide where the line is as strong
/// as the noise of a sample, by simulation (`tests/COVERAGE.md`).
const MUCH: f64 = 0.1;

/// The same of a level, which drifts by more than the noise of a sample as a rule.
const MUCH_OF_A_LEVEL: f64 = 0.05;

/// Multiples of the mains that are looked at.
const MULTIPLES: u32 = 40;

/// A mean whose uncertainty comes from stretches.
struct Mean<'t> {
    flow: &'t Flow,
    input: &'t Flow,
    /// Length of a stretch.
    seconds: f64,
    /// Frequency of the signal in Hz.
    signal: f64,
}

/// Adds the warnings about a recipe without errors.
pub fn report(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    for (stage, entry) in recipe.stages.iter().enumerate() {
        let Some(mean) = mean(recipe, typed, recipe.inputs.len() + stage) else {
            continue;
        };
        level(&mean, entry, diagnostics);
        if let Some(mains) = recipe.mains {
            multiples(&mean, mains, entry, diagnostics);
        }
    }
}

fn mean<'t>(recipe: &Recipe, typed: &'t Typed, node: usize) -> Option<Mean<'t>> {
    let &(source, port) = typed.reads[node].first()?;
    let (flow, input) = (typed.flow(node, 0)?, typed.flow(source, port)?);
    Some(Mean {
        flow,
        input,
        seconds: flow.stretches.filter(|_| input.kind.is_sampled())?,
        signal: typed.signal_frequency(recipe, input)?.0,
    })
}

/// Warns of a level that nothing behind the mixing removes: behind it, it lies at the frequency of the signal.
fn level(mean: &Mean<'_>, entry: &StageEntry, diagnostics: &mut Diagnostics) {
    let left = mean
        .input
        .response
        .beside(mean.signal, -mean.signal, mean.seconds);
    let Some(part) = left.filter(|part| *part > MUCH_OF_A_LEVEL) else {
        return;
    };
    let name = &entry.name.text;
    let message = format!(
        "nothing keeps a level in front of the mixing out of `{name}`: where it drifts, or noise rises towards zero frequency, \
         its ripple at {} shifts the mean, and up to {:.0} % of it is left in the stretches of {:.3} s whose scatter tells the \
         uncertainty, so that intervals do not hold what they say",
        hertz(mean.signal),
        100.0 * part,
        mean.seconds
    );
    diagnostics.push(
        Diagnostic::warning(Code::Ripple, Some(entry.place.clone()), message)
            .help("filter behind the mixing, average over whole periods, or record longer points"),
    );
}

/// Warns of multiples of the mains.
fn multiples(mean: &Mean<'_>, mains: f64, entry: &StageEntry, diagnostics: &mut Diagnostics) {
    let Mean {
        flow,
        input,
        seconds,
        signal,
    } = *mean;
    // What lies within the noise bandwidth is told of as such.
    let chain = Chain::of(flow, Some(signal));
    let band = chain.and_then(|c| c.noise_bandwidth()).unwrap_or(0.0);
    let left = |k: u32| {
        let off = Some(mains * f64::from(k) - signal).filter(|off| off.abs() > band)?;
        let part = input.response.beside(signal, off, seconds)?;
        Some((k, off.abs(), part))
    };
    let all = (1..=MULTIPLES).filter_map(left);
    let worst = all.reduce(|a, b| if b.2 > a.2 { b } else { a });
    let Some((k, off, part)) = worst.filter(|(.., part)| *part > MUCH) else {
        return;
    };
    let message = format!(
        "{k} times the mains, {}, lies {} from the signal, and up to {:.0} % of it is left in the stretches of {:.3} \
         s whose scatter tells the uncertainty of `{}`: where it stands out of the noise, intervals come out too wide",
        hertz(mains * f64::from(k)),
        hertz(off),
        100.0 * part,
        seconds,
        entry.name.text
    );
    diagnostics.push(
        Diagnostic::warning(Code::Mains, Some(entry.place.clone()), message).help(
            "filter more narrowly behind the mixing, average over whole periods of which the mains make whole beats, or \
             record longer points",
        ),
    );
}
