//! Warns of known lines that fold onto the signal: harmonics of a square reference by sampling or by a
//! decimation, multiples of the mains by a decimation. What a converter lets through of mains
//! beyond half its rate is not known.

use std::collections::BTreeSet;

use super::{ENOUGH, hertz, result_place};
use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::recipe::Recipe;
use crate::response::{Chain, decibels};

/// Harmonics of a square that are looked at: those beyond are a hundredth of the first or less.
const HARMONICS: u32 = 100;

/// Multiples of the mains that are looked at.
const MULTIPLES: u32 = 40;

/// A line whose place is known.
struct Line {
    name: String,
    /// Hz.
    frequency: f64,
    /// Its amplitude against what it is measured by, in dB.
    level: f64,
    /// What it is measured by.
    against: &'static str,
}

/// Adds the warnings about a recipe without errors.
pub fn report(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    let mut told = BTreeSet::new();
    for kept in &typed.results {
        let Some(flow) = typed.flow(kept.node, kept.port) else {
            continue;
        };
        let Some((signal, _)) = typed.signal_frequency(recipe, flow) else {
            continue;
        };
        let Some(chain) = Chain::of(flow, Some(signal)).filter(|c| c.mixed && c.relative) else {
            continue;
        };
        let mut lines = harmonics(recipe, typed, flow.clock.as_ref(), signal);
        let nyquist = 0.5 * chain.input_rate();
        let sampled = multiples(recipe.mains).filter(|line| line.frequency < nyquist);
        lines.extend(sampled);
        if lines.is_empty() {
            continue;
        }
        let Some(band) = chain.noise_bandwidth() else {
            continue;
        };
        let folded = lines.into_iter().filter_map(|line| {
            let arrival = chain.arrival(line.frequency, band)?;
            let level = line.level + arrival.db;
            let seen = arrival.folded && level > -ENOUGH;
            seen.then_some((line, arrival.seen_at, level))
        });
        // Of equal ones the lowest, since the higher are weaker as a rule.
        let worst = folded.reduce(|a, b| if b.2 > a.2 { b } else { a });
        let Some((line, off, level)) = worst else {
            continue;
        };
        if !told.insert(flow.clock.clone()) {
            continue;
        }
        let message = format!(
            "{}, {}, folds to {} from the signal of `{}`, within its noise bandwidth of {}, with {} dB of {}",
            line.name,
            hertz(line.frequency),
            hertz(off),
            kept.name,
            hertz(band),
            level.round() + 0.0,
            line.against
        );
        diagnostics.push(
            Diagnostic::warning(Code::Folding, result_place(recipe, kept), message).help(
                "choose another sample rate or frequency of the reference, or filter more before the rate falls",
            ),
        );
    }
}

/// The harmonics of a square reference, which its signal may have as well, at most 1/n of the fundamental.
fn harmonics(
    recipe: &Recipe,
    typed: &Typed,
    clock: Option<&(String, u32, u32)>,
    signal: f64,
) -> Vec<Line> {
    let square = clock.and_then(|(name, n, m)| {
        let stage = recipe.stages.iter().position(|s| s.name.text == *name)?;
        let flow = typed.flow(recipe.inputs.len() + stage, 0)?;
        flow.square
            .then_some(signal * f64::from(*m) / f64::from(*n))
    });
    let Some(own) = square else { return Vec::new() };
    let line = |k: u32| Line {
        name: format!("harmonic {k} of the reference"),
        frequency: own * f64::from(k),
        level: decibels(1.0 / f64::from(k)),
        against: "the fundamental",
    };
    (2..=HARMONICS).map(line).collect()
}

/// The multiples of the mains.
fn multiples(mains: Option<f64>) -> impl Iterator<Item = Line> {
    let line = |mains: f64, k: u32| Line {
        name: format!("{k} times the mains"),
        frequency: mains * f64::from(k),
        level: 0.0,
        against: "its own height",
    };
    let all = mains.map(|mains| (1..=MULTIPLES).map(move |k| line(mains, k)));
    all.into_iter().flatten()
}
