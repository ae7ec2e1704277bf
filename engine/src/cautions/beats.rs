//! Warns of multiples of the mains that beat with the signal slowly against the stretches whose scatter tells an
//! uncertainty: they widen it more than they shift the mean.

use super::hertz;
use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::recipe::Recipe;
use crate::response::Figures;

/// Part of a line in the means of stretches from which on it is told: intervals are too wide where the line is as strong
/// as the noise of a sample, by simulation (`tests/COVERAGE.md`).
const MUCH: f64 = 0.1;

/// Multiples of the mains that are looked at.
const MULTIPLES: u32 = 40;

/// Adds the warnings about a recipe without errors.
pub fn report(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    let Some(mains) = recipe.mains else { return };
    for (stage, entry) in recipe.stages.iter().enumerate() {
        let node = recipe.inputs.len() + stage;
        let Some(&(source, port)) = typed.reads[node].first() else {
            continue;
        };
        let (Some(mean), Some(input)) = (typed.flow(node, 0), typed.flow(source, port)) else {
            continue;
        };
        let stretches = mean.stretches.filter(|_| input.kind.is_sampled());
        let signal = typed.signal_frequency(recipe, input);
        let (Some(seconds), Some((signal, _))) = (stretches, signal) else {
            continue;
        };
        // What lies within the noise bandwidth is told of as such.
        let figures = Figures::of(mean, Some(signal));
        let band = figures.and_then(|f| f.noise_bandwidth).unwrap_or(0.0);
        let left = |k: u32| {
            let off = Some(mains * f64::from(k) - signal).filter(|off| off.abs() > band)?;
            let part = input.response.beside(signal, off, seconds)?;
            Some((k, off.abs(), part))
        };
        let all = (1..=MULTIPLES).filter_map(left);
        let worst = all.reduce(|a, b| if b.2 > a.2 { b } else { a });
        let Some((k, off, part)) = worst.filter(|(.., part)| *part > MUCH) else {
            continue;
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
}
