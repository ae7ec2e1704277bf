//! What the stages of a point leave at its end.

use std::collections::BTreeMap;
use std::f64::consts::TAU;
use std::sync::Arc;

use num_complex::Complex64;

use super::{Lane, LaneOutcome, fail};
use crate::flow::Kind;
use crate::graph::Node;
use crate::stage::{ClockFound, Closing, Work};
use crate::value::{About, Part, Reach, Value};

/// Clocks of a point by name, what is uncertain of them under its full name.
type Clocks<'l> = BTreeMap<&'l str, ClockFound>;

impl Lane<'_> {
    /// Takes the values of all passes, once means of the same samples know of each other. They come in the order of
    /// the nodes, and so do remarks, whoever made them.
    pub(super) fn take_over(&self, mut closings: Vec<(Node, Closing)>, outcome: &mut LaneOutcome) {
        let mut place = vec![0; self.plan.names.len()];
        let order = (0..).zip(&self.plan.order);
        order.for_each(|(at, node)| place[*node] = at);
        closings.sort_by_key(|(node, _)| place[*node]);
        let name = |node: Node| self.plan.names[node].clone();
        self.job.joint.join(&mut closings, name);
        let mut clocks: Clocks<'_> = (closings.iter())
            .filter_map(|(node, closing)| {
                let mut found = closing.clock.clone()?;
                if let Some(part) = &mut found.phase {
                    part.source.about = Arc::new(self.in_full(*node, &part.source.about));
                }
                Some((self.plan.names[*node].as_str(), found))
            })
            .collect();
        self.follow(&mut clocks);
        for (node, closing) in closings {
            self.ends(node, closing, &clocks, outcome);
        }
        self.beside(&clocks, outcome);
        outcome.remarks.sort_by_key(|(node, _)| place[*node]);
    }

    /// Adds the clocks that are made of others, whose phase they are off by too.
    fn follow<'l>(&'l self, clocks: &mut Clocks<'l>) {
        let typed = &self.job.typed;
        for &node in self.plan.order.iter().filter(|n| self.belongs(**n)) {
            let source = self.job.reads(node).first();
            let source = source.and_then(|&(source, port)| typed.flow(source, port));
            let (Some(own), Some(source)) = (typed.flow(node, 0), source) else {
                continue;
            };
            let Some((name, n, m)) = &source.clock else {
                continue;
            };
            let made = own.kind == Kind::Clock && source.kind == Kind::Clock;
            let Some(found) = clocks.get(name.as_str()).filter(|_| made) else {
                continue;
            };
            let times = f64::from(*n) / f64::from(*m);
            let mut phase = found.phase.clone();
            phase.iter_mut().for_each(|p| p.effect *= times);
            let followed = ClockFound { phase, up: None };
            let name = self.plan.names[node].as_str();
            clocks.entry(name).or_insert(followed);
        }
    }

    /// Takes how a node ended that is relative to no clock.
    pub(super) fn finished(&self, node: Node, closing: Closing, outcome: &mut LaneOutcome) {
        self.ends(node, closing, &Clocks::new(), outcome);
    }

    /// Takes what stages remark on once the clocks that they are relative to were found.
    fn beside(&self, clocks: &Clocks<'_>, outcome: &mut LaneOutcome) {
        let inputs = self.job.recipe.inputs.len();
        for &node in self.plan.order.iter().filter(|n| self.belongs(**n)) {
            let input = self.job.reads(node).first();
            let input = input.and_then(|&(source, port)| self.job.typed.flow(source, port));
            let clock = input.and_then(|flow| clocks.get(flow.clock.as_ref()?.0.as_str()));
            let (Some(input), Some(clock), Some(stage)) = (input, clock, node.checked_sub(inputs))
            else {
                continue;
            };
            let remark = self.job.recipe.stages[stage]
                .configured
                .beside(input, clock);
            outcome.remarks.extend(remark.map(|text| (node, text)));
        }
    }

    /// Takes how a node ended, once the clocks of the point are known.
    fn ends(&self, node: Node, closing: Closing, clocks: &Clocks<'_>, outcome: &mut LaneOutcome) {
        let remarks = closing.remarks.into_iter().map(|r| (node, r));
        outcome.remarks.extend(remarks);
        let ports = (0..self.job.ports(node)).filter(|&p| !self.job.is_sampled(node, p));
        for (port, mut value) in ports.zip(closing.values) {
            self.sign(node, port, clocks, &mut value);
            outcome.values[node][port] = Some(value);
        }
    }

    /// What varies from sample to sample is this point's own: its sources get this point's name. The
    /// constants that scaled the samples add their share, and so does the clock that they are relative to.
    fn sign(&self, node: Node, port: usize, clocks: &Clocks<'_>, value: &mut Value) {
        let Value::Estimate(estimate) = value else {
            return;
        };
        let Some(parts) = &mut estimate.parts else {
            return;
        };
        let mut named: Vec<(Arc<About>, Arc<About>)> = Vec::new();
        for part in parts.iter_mut() {
            let about = &part.source.about;
            let known = named.iter().find(|(plain, _)| Arc::ptr_eq(plain, about));
            let full = match known {
                Some((_, full)) => full.clone(),
                None => {
                    let full = Arc::new(self.in_full(node, about));
                    named.push((about.clone(), full.clone()));
                    full
                }
            };
            part.source.about = full;
        }
        let Some(flow) = self.job.typed.flow(node, port) else {
            return;
        };
        parts.extend(flow.scalings.iter().filter_map(|s| s.part(estimate.value)));
        let Some((clock, n, m)) = &flow.clock else {
            return;
        };
        if let Some(turn) = clocks.get(clock.as_str()).and_then(|c| c.phase.as_ref()) {
            let turned = TAU * f64::from(*n) / f64::from(*m) * turn.effect.re;
            let effect = match flow.kind.is_complex() {
                true => estimate.value * Complex64::new(0.0, turned),
                // The mean of phases is off as they are; what has no phase is not turned.
                false if flow.zero_of_phase().is_some() => Complex64::new(flow.gain * turned, 0.0),
                false => return,
            };
            parts.push(Part::new(&turn.source.about, turn.source.index, effect));
        }
    }

    /// A source with the name of the point, and of the stage if only its estimates share it.
    fn in_full(&self, node: Node, about: &About) -> About {
        let name = match about.reach {
            Reach::Node | Reach::Clock => format!(
                "{}, {}: {}",
                self.job.plan.names[node], self.label, about.name
            ),
            Reach::Point => format!("{}: {}", self.label, about.name),
            Reach::Everywhere => about.name.clone(),
        };
        About {
            name,
            ..about.clone()
        }
    }

    pub(super) fn point_work(&self, failed: &[bool], outcome: &mut LaneOutcome) {
        let plan = self.plan;
        let mut failed = failed.to_vec();
        for &node in &plan.order {
            let Some(Work::Point(work)) = &self.job.works[node] else {
                continue;
            };
            if !self.belongs(node) {
                continue;
            }
            let inputs: Option<Vec<&Value>> = self
                .job
                .reads(node)
                .iter()
                .map(|&(source, port)| outcome.values[source][port].as_ref())
                .collect();
            let Some(inputs) = inputs else { continue };
            match work(&inputs) {
                Ok(values) => outcome.values[node] = values.into_iter().map(Some).collect(),
                Err(fault) => fail(&mut failed, outcome, node, fault.into()),
            }
        }
    }
}
