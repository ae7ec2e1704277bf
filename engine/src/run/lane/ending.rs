//! What the stages of a point leave at its end.

use std::sync::Arc;

use super::{Lane, LaneOutcome, fail};
use crate::graph::Node;
use crate::stage::{Closing, Work};
use crate::value::{About, Reach, Value};

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
        for (node, closing) in closings {
            self.finished(node, closing, outcome);
        }
        outcome.remarks.sort_by_key(|(node, _)| place[*node]);
    }

    /// Takes how a node ended.
    pub(super) fn finished(&self, node: Node, closing: Closing, outcome: &mut LaneOutcome) {
        let remarks = closing.remarks.into_iter().map(|r| (node, r));
        outcome.remarks.extend(remarks);
        let ports = (0..self.job.ports(node)).filter(|&p| !self.job.is_sampled(node, p));
        for (port, mut value) in ports.zip(closing.values) {
            self.sign(node, port, &mut value);
            outcome.values[node][port] = Some(value);
        }
    }

    /// What varies from sample to sample is this point's own: its sources get this point's name. The
    /// constants that scaled the samples add their share.
    fn sign(&self, node: Node, port: usize, value: &mut Value) {
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
        for scaling in self
            .job
            .typed
            .flow(node, port)
            .iter()
            .flat_map(|f| &f.scalings)
        {
            parts.extend(scaling.part(estimate.value));
        }
    }

    /// A source with the name of the point, and of the stage if only its estimates share it.
    fn in_full(&self, node: Node, about: &About) -> About {
        let name = match about.reach {
            Reach::Node => format!(
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
