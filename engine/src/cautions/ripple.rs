//! Warns of a ripple behind the mixing that is larger than the smallest signal that is to be told: what is
//! left at f of an offset, and at 2f of the signal itself.

use std::collections::BTreeSet;

use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::flow::{Amplitudes, Flow, Kind};
use crate::graph::Node;
use crate::recipe::Recipe;
use crate::response::Chain;
use crate::units::format_quantity;

/// Adds the warnings about a recipe without errors.
pub fn report(recipe: &Recipe, typed: &Typed, diagnostics: &mut Diagnostics) {
    let mut told = BTreeSet::new();
    for kept in &typed.results {
        for node in typed.chain(kept.node) {
            let Some(flow) = typed.flow(node, 0) else {
                continue;
            };
            let ends = is_value_of_samples(typed, node, flow)
                || node == kept.node && flow.kind == Kind::Phasor;
            if let (true, Some(stated)) = (ends && told.insert(node), &flow.amplitudes) {
                judge(recipe, typed, node, flow, stated, diagnostics);
            }
        }
    }
}

/// Whether samples end here in a value of the point.
fn is_value_of_samples(typed: &Typed, node: Node, flow: &Flow) -> bool {
    let sampled = |&(source, port): &(Node, usize)| {
        typed
            .flow(source, port)
            .is_some_and(|f| f.kind.is_sampled())
    };
    flow.kind.is_estimate() && typed.reads[node].iter().any(sampled)
}

fn judge(
    recipe: &Recipe,
    typed: &Typed,
    node: Node,
    flow: &Flow,
    stated: &Amplitudes,
    diagnostics: &mut Diagnostics,
) {
    let line = typed.signal_frequency(recipe, flow).map(|(f, _)| f);
    let Some(chain) = Chain::of(flow, line).filter(|c| c.mixed && c.relative) else {
        return;
    };
    let entry = node
        .checked_sub(recipe.inputs.len())
        .and_then(|stage| recipe.stages.get(stage));
    let Some(entry) = entry else { return };
    let mut warn = |message: String, help: &str| {
        let place = Some(entry.place.clone());
        diagnostics.push(Diagnostic::warning(Code::Ripple, place, message).help(help));
    };
    if line.is_none() {
        warn(
            format!(
                "the ripple in `{}` cannot be compared with the smallest signal, since the frequency of the reference is not known before the run",
                entry.name.text
            ),
            "give `expect` in `Reference`, or leave `smallest` out",
        );
        return;
    }
    let rejections = chain.rejections();
    let show = |x: f64| format_quantity(x, &stated.unit, 2);
    let level = stated.level.or(flow.full_scale);
    let largest = stated.largest.or(flow.full_scale);
    for (what, at, size, times, stated_as) in [
        ("offset", "f", level, 2.0, "level"),
        ("image of the signal", "2f", largest, 1.0, "largest"),
    ] {
        let left = rejections.iter().find(|r| r.what == what);
        let (Some(left), Some(size)) = (left, size) else {
            continue;
        };
        let db = left.value_at_most_db.unwrap_or(left.samples_db);
        let ripple = times * size * libm::pow(10.0, db / 20.0);
        if ripple <= stated.smallest {
            continue;
        }
        let cause = if times == 2.0 {
            "an offset"
        } else {
            "a signal"
        };
        warn(
            format!(
                "{cause} of up to {} leaves a ripple at {at} of up to {} in `{}`, more than the smallest signal, {}",
                show(size),
                show(ripple),
                entry.name.text,
                show(stated.smallest)
            ),
            &format!(
                "filter more, or average over whole periods of the reference; if the wave never reaches that, state its `{stated_as}`"
            ),
        );
    }
}
