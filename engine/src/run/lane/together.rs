//! Chains of a point that are computed together, pass by pass.

use std::sync::Arc;

use super::{Lane, LaneOutcome, Memory, Stopped, fail};
use crate::fuse::Shared;
use crate::graph::Node;
use crate::run::slabs::{self, Course, Halt};
use crate::stage::Phases;
use crate::store::StoreError;

impl<'l> Lane<'l> {
    /// Runs the chains that are computed together from a channel that no one else reads in this pass, and takes
    /// them off `nodes`; the others that look in this pass are given back.
    pub(super) fn together(
        &mut self,
        pass: usize,
        nodes: &mut Vec<Node>,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<Vec<(&'l Shared, Course<'l>)>, Stopped> {
        let plan = self.plan;
        self.means(pass, memory, outcome)?;
        let heads: Vec<Node> = plan.together.iter().map(|t| t.head).collect();
        let mut waiting: Vec<(&Shared, Course<'_>)> = Vec::new();
        for (index, shared) in self.shared.iter().enumerate() {
            let looks = |n: &Node| plan.looks(*n, pass) && nodes.contains(n);
            if !shared.heads.iter().any(looks) {
                continue;
            }
            let phases = match shared.clock {
                Some(clock) => match self.phases(clock, memory, outcome) {
                    Some(phases) => Some(phases),
                    None => {
                        let heads = shared.heads.iter();
                        heads.for_each(|n| memory.failed[*n] = true);
                        continue;
                    }
                },
                None => None,
            };
            let place = self.job.place_of_clock(|n| self.header(n), shared);
            let begins = place.unwrap_or(0.0) as u64;
            let course = Course::new(shared, (phases, begins), memory.means[index]);
            waiting.push((shared, course));
        }
        // A head that looks does nothing else in this pass.
        nodes.retain(|n| plan.passes[pass][*n] || !heads.contains(n));
        let inputs: Vec<Node> = nodes
            .iter()
            .copied()
            .filter(|n| *n < self.inputs.len())
            .collect();
        for node in inputs {
            let reads = |n: &Node| self.job.reads(*n).iter().any(|&(source, _)| source == node);
            let others = nodes.iter().any(|n| !heads.contains(n) && reads(n));
            let kept = self.sinks.iter().any(|s| s.node == node);
            let (own, rest) = waiting.into_iter().partition(|(s, _)| s.source.0 == node);
            waiting = rest;
            if others || kept || own.is_empty() {
                let own: Vec<(&Shared, Course<'_>)> = own;
                waiting.extend(own);
                continue;
            }
            nodes.retain(|n| *n != node);
            let Some(input) = &self.inputs[node] else {
                continue;
            };
            let (shared, mut courses): (Vec<&Shared>, Vec<Course<'_>>) = own.into_iter().unzip();
            let wanted = (outcome.hashes[node].is_none(), false);
            let told = (pass, plan.names[node].as_str());
            match slabs::over(input, &mut courses, wanted, told, self.apart, self.monitor) {
                Ok(seen) => {
                    self.seen_first(node, wanted.0, &seen, outcome);
                    for (shared, course) in shared.into_iter().zip(courses) {
                        self.hold(shared, course, memory, outcome)?;
                    }
                }
                Err(halt) => {
                    let error = halt.error()?;
                    fail(&mut memory.failed, outcome, node, error.into());
                    shared
                        .iter()
                        .flat_map(|s| &s.heads)
                        .for_each(|n| memory.failed[*n] = true);
                }
            }
        }
        Ok(waiting)
    }

    /// Takes the mean of channels of which it has to be known before a clock is.
    fn means(
        &mut self,
        pass: usize,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        let early: Vec<(usize, Node)> = (self.shared.iter().enumerate())
            .filter(|(_, s)| pass == 0 && s.takes_mean_first())
            .filter(|(_, s)| self.belongs(s.source.0))
            .filter(|(_, s)| {
                let visit = self.visit.as_ref();
                visit.is_none_or(|v| s.heads.iter().any(|head| v.runs(*head)))
            })
            .map(|(index, s)| (index, s.source.0))
            .collect();
        for &(index, node) in &early {
            let known = early
                .iter()
                .find(|(i, n)| *n == node && memory.means[*i].is_some());
            if let Some((known, _)) = known {
                memory.means[index] = memory.means[*known];
                continue;
            }
            let Some(input) = &self.inputs[node] else {
                continue;
            };
            let wanted = (outcome.hashes[node].is_none(), true);
            let told = (pass, self.plan.names[node].as_str());
            match slabs::over(input, &mut [], wanted, told, self.apart, self.monitor) {
                Ok(seen) if seen.mean.is_nan() => return Err(Stopped::Missing),
                Ok(seen) => {
                    self.seen_first(node, wanted.0, &seen, outcome);
                    memory.means[index] = Some(seen.mean);
                }
                Err(halt) => fail(&mut memory.failed, outcome, node, halt.error()?.into()),
            }
        }
        Ok(())
    }

    /// The phases that a clock was found to have; `None` when it failed.
    fn phases(
        &self,
        clock: Node,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Option<Arc<dyn Phases>> {
        if memory.failed[clock] {
            return None;
        }
        let survey = memory.surveys[clock].as_mut()?;
        if let Err(fault) = survey.kernel() {
            fail(&mut memory.failed, outcome, clock, fault.into());
            return None;
        }
        memory.surveys[clock].as_ref()?.phases()
    }

    /// Keeps what chains gave for the pass in which it is delivered.
    pub(super) fn hold(
        &self,
        shared: &Shared,
        course: Course<'_>,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        if memory.failed[shared.source.0] {
            shared.heads.iter().for_each(|n| memory.failed[*n] = true);
        }
        if shared.heads.iter().all(|n| memory.failed[*n]) {
            return Ok(());
        }
        match course.finish() {
            Ok(all) => all
                .into_iter()
                .for_each(|(node, kept)| memory.held[node] = Some(kept)),
            Err(halt) => self.halted(halt, shared, memory, outcome)?,
        }
        Ok(())
    }

    /// Takes note of why chains were not computed together: their last stages fail where that is not the end of the
    /// point.
    pub(super) fn halted(
        &self,
        halt: Halt,
        shared: &Shared,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        let error = halt.error()?;
        if let Some((first, others)) = shared.heads.split_first() {
            fail(&mut memory.failed, outcome, *first, error.into());
            others.iter().for_each(|n| memory.failed[*n] = true);
        }
        Ok(())
    }
}

impl Halt {
    /// Why samples could not be read or laid aside, where that is not the end of the point.
    pub(super) fn error(self) -> Result<StoreError, Stopped> {
        match self {
            Halt::Missing => Err(Stopped::Missing),
            Halt::Stopped => Err(Stopped::ByUser),
            Halt::Store(error) => Ok(error),
        }
    }
}
