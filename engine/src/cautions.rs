//! Warnings about a whole recipe: what no stage sees by itself.

mod beats;
mod gain;
mod lines;
mod ripple;

use std::collections::BTreeSet;

use jiff::civil::Date;

use crate::check::{Kept, Typed};
use crate::diagnostic::{Code, Diagnostic, Diagnostics, Place, listed};
use crate::graph::{Node, split};
use crate::recipe::Recipe;
use crate::response::{Chain, Element, Image};
use crate::text::FlowName;
use crate::units::{Unit, format_quantity};

/// How far down in dB what folds onto the signal has to be: a hundredth of the amplitude (common
/// practice, no source).
const ENOUGH: f64 = 40.0;

/// Adds the warnings about a recipe without errors.
pub fn report(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    constants_without_uncertainty(recipe, typed, diagnostics);
    for (stage, entry) in recipe.stages.iter().enumerate() {
        if let Some(image) = folded(recipe, typed, recipe.inputs.len() + stage) {
            let at = hertz(image.worst_at);
            let message = format!(
                "what lies {} folds onto it, with a gain of {:.0} dB against its own",
                match image.before_mixing {
                    true => format!("at {at}, beside the signal,"),
                    false => format!("{at} from the signal"),
                },
                image.worst_db.round() + 0.0
            );
            diagnostics.push(
                Diagnostic::warning(Code::Folding, Some(entry.place.clone()), message).help(
                    format!(
                        "filter more before it, or keep a higher rate, for {ENOUGH} dB or more"
                    ),
                ),
            );
        }
    }
    lines::report(recipe, typed, diagnostics);
    ripple::report(recipe, typed, diagnostics);
    gain::report(recipe, typed, diagnostics);
    crate::joint::report(recipe, typed, diagnostics);
    beats::report(recipe, typed, diagnostics);
    if let Some(mains) = recipe.mains {
        mains_in_the_band(recipe, typed, mains, diagnostics);
    }
}

/// A frequency in Hz, to a microhertz.
fn hertz(f: f64) -> String {
    format!("{} Hz", (f * 1e6).round() / 1e6)
}

/// What a decimating stage folds onto the signal, when that is not held down enough.
fn folded(recipe: &Recipe, typed: &Typed, node: Node) -> Option<Image> {
    let own = typed.flow(node, 0)?;
    let elements = &own.response.elements;
    let Some(Element::KeepEvery(2..)) = elements.last() else {
        return None;
    };
    // Other stages hand the chain of their input on.
    let inherits = |&(source, port): &(Node, usize)| {
        typed
            .flow(source, port)
            .is_some_and(|f| f.response.elements.len() == elements.len())
    };
    if typed.reads[node].iter().any(inherits) {
        return None;
    }
    // Before a mixing the signal lies at its own frequency, which only what is mixed knows.
    let later = (0..typed.ports.len())
        .filter_map(|n| typed.flow(n, 0))
        .find(|f| {
            f.response.elements.starts_with(elements)
                && f.response.elements.get(elements.len()) == Some(&Element::Mixed)
        });
    let flow = later.unwrap_or(own);
    let line = typed.signal_frequency(recipe, flow).map(|(f, _)| f);
    let chain = Chain::of(flow, line).filter(|chain| chain.relative)?;
    let images = chain.images().into_iter();
    let mut images = images.filter(|i| i.before_mixing || later.is_none());
    images.next_back().filter(|i| i.worst_db > -ENOUGH)
}

/// Warns of a multiple of the mains that is seen within the noise bandwidth around a kept signal.
fn mains_in_the_band(recipe: &Recipe, typed: &Typed, mains: f64, diagnostics: &mut Diagnostics) {
    let mut told = BTreeSet::new();
    for kept in &typed.results {
        let Some(flow) = typed.flow(kept.node, kept.port) else {
            continue;
        };
        let Some((signal, _)) = typed.signal_frequency(recipe, flow) else {
            continue;
        };
        let chain = Chain::of(flow, Some(signal)).filter(|chain| chain.mixed);
        let Some(band) = chain.and_then(|chain| chain.noise_bandwidth()) else {
            continue;
        };
        let multiple = (signal / mains).round().max(1.0);
        let distance = (signal - multiple * mains).abs();
        if distance > band || !told.insert(flow.clock.clone()) {
            continue;
        }
        let message = format!(
            "{multiple} times the mains, {}, lies {} from the signal of `{}`, within its noise bandwidth of {}",
            hertz(multiple * mains),
            hertz(distance),
            kept.name,
            format_quantity(band, &Unit::hertz(), 4)
        );
        diagnostics.push(
            Diagnostic::warning(Code::Mains, result_place(recipe, kept), message).help(
                "choose a reference away from the multiples of the mains, or filter more narrowly",
            ),
        );
    }
}

/// Where a kept flow is named among the results.
fn result_place(recipe: &Recipe, kept: &Kept) -> Option<Place> {
    let name = |f: &&FlowName| split(&f.text).0 == split(&kept.name).0;
    recipe.results.iter().find(name).map(|f| f.place.clone())
}

/// A constant that states no uncertainty counts as exact, and what it scales claims too much.
fn constants_without_uncertainty(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    for (name, constant) in &recipe.constants {
        if constant.states_uncertainty() {
            continue;
        }
        let claims = typed.results.iter().filter(|kept| {
            typed
                .flow(kept.node, kept.port)
                .is_some_and(|f| f.evaluated && scales(recipe, typed, kept.node, &name.text))
        });
        let claims: BTreeSet<&str> = claims.map(|kept| kept.name.as_str()).collect();
        if claims.is_empty() {
            continue;
        }
        let message = format!(
            "`{}` states no standard uncertainty and counts as exact in that of {}",
            name.text,
            listed(claims)
        );
        diagnostics.push(
            Diagnostic::warning(Code::Uncertainty, Some(name.place.clone()), message).help(
                "state it, as in `standard_uncertainty: \"0.5 %\"`; \"0 %\" says that the value is exact",
            ),
        );
    }
}

/// Warns of constants used for what was recorded after the last day of which they hold. `started` gives the
/// start time of the channel behind an input, where it is stated.
pub fn expired_constants<'h>(
    recipe: &Recipe,
    typed: &Typed,
    started: impl Fn(&str) -> Option<&'h str>,
    diagnostics: &mut Diagnostics,
) {
    let day = |node: Node| {
        // Date and time begin with the date (RFC 3339).
        let stated = started(&recipe.inputs.get(node)?.name.text);
        stated.and_then(|t| t.get(..10)?.parse::<Date>().ok())
    };
    for (name, constant) in &recipe.constants {
        let Some(until) = constant.valid_until else {
            continue;
        };
        let kept = typed.results.iter().map(|kept| kept.node);
        let users: Vec<Node> = kept
            .filter(|node| scales(recipe, typed, *node, &name.text))
            .collect();
        let recorded = users.iter().flat_map(|node| typed.chain(*node));
        let recorded = recorded.filter_map(day).max();
        let used = recipe.used_on.filter(|_| !users.is_empty());
        let Some(day) = recorded.or(used).filter(|day| *day > until) else {
            continue;
        };
        let message = format!(
            "`{}` holds until {until}, and is used for what was recorded on {day}",
            name.text
        );
        diagnostics.push(
            Diagnostic::warning(Code::Expired, Some(name.place.clone()), message)
                .help("calibrate again, or state value and uncertainty of that day"),
        );
    }
}

/// Whether a stage on the way to a node names the constant.
fn scales(recipe: &Recipe, typed: &Typed, node: Node, constant: &str) -> bool {
    typed.chain(node).into_iter().any(|n| {
        let entry = n
            .checked_sub(recipe.inputs.len())
            .and_then(|s| recipe.stages.get(s));
        entry.is_some_and(|e| e.described.constants.iter().any(|c| c == constant))
    })
}
