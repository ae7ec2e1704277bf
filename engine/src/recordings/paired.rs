//! Points of two recordings that are combined: one with one, by their numbers. Where both have an axis, that tells
//! whether the same points meet.

use super::RecordingSet;
use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::graph::Node;
use crate::recipe::Recipe;
use crate::units::Unit;

/// Part of the way to the next point by which places may differ without a word.
const NEAR: f64 = 0.1;

/// Places of two recordings' points that are not the same: of the point with the largest difference.
struct Apart<'s> {
    sets: [&'s RecordingSet; 2],
    point: usize,
    places: [f64; 2],
    /// Whether another point of the second recording is nearer.
    crossed: bool,
}

/// Warns of points that are combined and lie elsewhere along their axes.
pub fn report(
    recipe: &Recipe,
    typed: &Typed,
    sets: &[RecordingSet],
    diagnostics: &mut Diagnostics,
) {
    let mut told: Vec<[&str; 2]> = Vec::new();
    for node in typed.graph.order.iter().copied() {
        let names = &typed.recordings[node];
        let own: Vec<_> = sets.iter().filter(|s| names.contains(&s.name)).collect();
        for (at, first) in own.iter().copied().enumerate() {
            for second in own[at + 1..].iter().copied() {
                let pair = [first.name.as_str(), second.name.as_str()];
                if told.contains(&pair) {
                    continue;
                }
                told.push(pair);
                if let Some(apart) = apart(first, second) {
                    diagnostics.push(apart.warning(recipe, node));
                }
            }
        }
    }
}

/// The point at which two axes differ most, if that is more than a little.
fn apart<'s>(first: &'s RecordingSet, second: &'s RecordingSet) -> Option<Apart<'s>> {
    let (a, b) = (&first.axis, &second.axis);
    let unit = |text: &str| Unit::parse(text).ok();
    let factor = match (unit(&a.unit), unit(&b.unit)) {
        (Some(ours), Some(theirs)) => theirs.factor_to(&ours)?,
        _ => 1.0,
    };
    if a.values.len() < 2 || a.values.len() != b.values.len() {
        return None;
    }
    let others: Vec<f64> = b.values.iter().map(|x| x * factor).collect();
    let step = |at: usize| {
        let beside = [at.checked_sub(1), Some(at + 1)].into_iter().flatten();
        let steps = beside.filter_map(|n| Some((a.values.get(n)? - a.values[at]).abs()));
        steps.filter(|s| *s > 0.0).fold(f64::INFINITY, f64::min)
    };
    let differences = a.values.iter().zip(&others).map(|(x, y)| (x - y).abs());
    let (point, difference) = differences
        .enumerate()
        .filter(|(point, difference)| *difference > NEAR * step(*point))
        .rev()
        .max_by(|(_, x), (_, y)| x.total_cmp(y))?;
    let nearer = |y: &f64| (a.values[point] - y).abs() < difference;
    Some(Apart {
        sets: [first, second],
        point,
        places: [a.values[point], b.values[point]],
        crossed: others.iter().any(nearer),
    })
}

impl Apart<'_> {
    fn warning(&self, recipe: &Recipe, node: Node) -> Diagnostic {
        let stage = node.checked_sub(recipe.inputs.len());
        let entry = stage.and_then(|stage| recipe.stages.get(stage));
        let [first, second] = [0, 1].map(|n| {
            let (set, place) = (self.sets[n], self.places[n]);
            let unit = match set.axis.unit.as_str() {
                "" | "1" => String::new(),
                unit => format!(" {unit}"),
            };
            let name = match set.name.as_str() {
                "" => "the first recording".to_owned(),
                name => format!("`{name}`"),
            };
            format!("at `{}` {place}{unit} in {name}", set.axis.name)
        });
        let message = format!(
            "points of two recordings are combined by their numbers and lie elsewhere along their axes: point {} is {first}, \
             and {second}",
            self.point
        );
        let help = match self.crossed {
            true => {
                "bring the points of one recording into the order of the other, or record it again"
            }
            false => "record both at the same places, or correct the axis",
        };
        Diagnostic::warning(Code::WrongFlow, entry.map(|e| e.place.clone()), message).help(help)
    }
}
