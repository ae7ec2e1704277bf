//! What can only be said once there are values: what a check lacked the frequency of a reference for, and what a series
//! remarks on.

use super::{Finding, Job, Outcome, Work};
use crate::cautions;
use crate::check::Typed;
use crate::diagnostic::Diagnostics;
use crate::flow::Kind;
use crate::graph::Node;
use crate::units::{Unit, format_quantity};
use crate::value::Value;

/// Part by which found frequencies differ that are looked at apart.
const ALIKE: f64 = 1e-3;

/// Frequencies of one clock that are looked at.
const MOST: usize = 64;

impl Job<'_> {
    /// Adds the warnings that follow from the frequencies of references that were found.
    pub(super) fn said_afterwards(&self, outcome: &mut Outcome) {
        let nodes = 0..self.typed.ports.len();
        let clocks = nodes.filter_map(|node| Some((node, self.tells_frequency(node)?)));
        let clocks: Vec<_> = clocks.collect();
        if clocks.is_empty() {
            return;
        }
        let before = self.cautions(&self.typed);
        for (node, port) in clocks {
            let found = distinct(&outcome.values[node][port]);
            let alone = found.len() == 1;
            for (point, frequency) in found {
                let Some(typed) = self.typed.with_frequency(node, frequency) else {
                    continue;
                };
                let known = |message: &str| before.iter().any(|d| d.message == message);
                let all = self.cautions(&typed);
                let new = all.iter().filter(|d| !known(&d.message));
                outcome.remarks.extend(new.map(|d| Finding {
                    recording: String::new(),
                    point: (!alone).then_some(point),
                    node: self.plan.names[node].clone(),
                    message: format!(
                        "at the {} that was found, {}",
                        format_quantity(frequency, &Unit::hertz(), 6),
                        d.message
                    ),
                }));
            }
        }
    }

    /// What a stage that works on all points remarks on in what it gave.
    pub(super) fn remarks_on(&self, node: Node, values: &[Vec<Option<Value>>]) -> Vec<Finding> {
        let Some(Work::Series(work)) = &self.works[node] else {
            return Vec::new();
        };
        let finding = |message| Finding {
            recording: String::new(),
            point: None,
            node: self.plan.names[node].clone(),
            message,
        };
        work.remarks(values).into_iter().map(finding).collect()
    }

    fn cautions(&self, typed: &Typed) -> Diagnostics {
        let mut found = Diagnostics::default();
        cautions::report(self.recipe, typed, &mut found);
        found
    }

    /// The port at which a clock tells its frequency, where that was not known before the run.
    fn tells_frequency(&self, node: Node) -> Option<usize> {
        let clock = self.typed.flow(node, 0).filter(|f| f.kind == Kind::Clock)?;
        let open = clock.frequency.is_none() && clock.expected.is_none();
        let mut ports = self.typed.ports[node].iter().flatten();
        ports.position(|p| open && p.name() == "frequency")
    }
}

/// Values that are not alike, each with the first point at which it was found.
fn distinct(values: &[Option<Value>]) -> Vec<(u64, f64)> {
    let mut all: Vec<(u64, f64)> = Vec::new();
    for (point, value) in (0..).zip(values) {
        let Some(Value::Estimate(estimate)) = value else {
            continue;
        };
        let found = estimate.value.re;
        let alike = |(_, other): &(u64, f64)| (found - other).abs() <= ALIKE * other;
        if found > 0.0 && all.len() < MOST && !all.iter().any(alike) {
            all.push((point, found));
        }
    }
    all
}
