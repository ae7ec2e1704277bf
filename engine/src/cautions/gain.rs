//! Warns of filters that change amplitude or phase of the signal itself: figures of a chain are against the signal's, and
//! do not show it.

use std::collections::BTreeSet;

use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::recipe::Recipe;
use crate::response::Chain;
use crate::units::{Unit, format_quantity};

/// What may become of an amplitude without a word, in parts.
const AMPLITUDE: f64 = 0.01;

/// What may be added to a phase without a word, in degrees.
const PHASE: f64 = 1.0;

/// Adds the warnings about a recipe without errors, one for each way to a mixing.
pub fn report(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    let mut told = BTreeSet::new();
    for kept in &typed.results {
        let Some(flow) = typed.flow(kept.node, kept.port) else {
            continue;
        };
        let line = typed.signal_frequency(recipe, flow).map(|(f, _)| f);
        let Some(chain) = Chain::of(flow, line).filter(|c| c.mixed) else {
            continue;
        };
        let found = match chain.gain_of_signal() {
            Some(gain) => changed(gain.norm(), gain.arg().to_degrees()),
            None if chain.carrier_left_out() => Some(
                "what is filtered before the mixing changes amplitude and phase at its frequency, which is not known \
                 before the run"
                    .into(),
            ),
            None => None,
        };
        if let Some(message) = found
            && told.insert(message.clone())
        {
            let message = format!("the signal of `{}`: {message}", kept.name);
            let help = match line {
                Some(_) => {
                    "filter behind the mixing, or further away from the signal; else correct for it, with `Amplify` and \
                     `Rotate`"
                }
                None => {
                    "filter behind the mixing, or give `expect` in `Reference` to learn by how much"
                }
            };
            diagnostics.push(
                Diagnostic::warning(Code::Gain, super::result_place(recipe, kept), message)
                    .help(help),
            );
        }
    }
}

/// What a gain does that is not nearly one, in words.
fn changed(size: f64, degrees: f64) -> Option<String> {
    if (size - 1.0).abs() <= AMPLITUDE && degrees.abs() <= PHASE {
        return None;
    }
    Some(format!(
        "filters multiply its amplitude by {} and add {degrees:.1} deg to its phase, which nothing takes back",
        format_quantity(size, &Unit::one(), 3)
    ))
}
