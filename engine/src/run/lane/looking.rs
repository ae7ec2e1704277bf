//! Surveys that look at slabs of a channel by themselves.
//!
//! Slabs are read, hashed and looked at by whatever thread is free, several at a time; what was seen is taken in their
//! order. What a survey does not take, since samples before showed it something new, it looks at again.

use std::sync::atomic::Ordering;

use rayon::prelude::*;

use super::{Lane, LaneOutcome, Memory, Stopped, fail};
use crate::flow::Samples;
use crate::fuse::Shared;
use crate::fuse::group::SLAB;
use crate::graph::Node;
use crate::run::reading::{Channel, Digest, Seen, joined};
use crate::run::slabs::{Course, Halt};
use crate::stage::{Apart, Fault, Survey, Work};
use crate::store::Counters;

/// Slabs that are looked at between two looks at whether the user wants to stop.
const AT_ONCE: u64 = 64;

impl Lane<'_> {
    /// Has surveys that look at slabs by themselves do so at channels that no one else reads in this pass, and takes both
    /// off `nodes`.
    pub(super) fn look(
        &mut self,
        pass: usize,
        nodes: &mut Vec<Node>,
        courses: &[(&Shared, Course<'_>)],
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        for node in nodes.clone() {
            let (Some(Work::Survey(make)), &[(source, _)]) =
                (&self.job.works[node], self.job.reads(node))
            else {
                continue;
            };
            let runs = |n: Node| self.visit.as_ref().is_none_or(|v| v.runs(n));
            let reads = |n: &Node| *n != node && self.job.reads(*n).iter().any(|r| r.0 == source);
            let shared = courses.iter().any(|(s, _)| s.source.0 == source)
                || self.sinks.iter().any(|s| s.node == source)
                || nodes.iter().any(reads);
            let here = self.plan.looks(node, pass) && nodes.contains(&source);
            let Some(input) = self.inputs.get(source).and_then(Option::as_ref) else {
                continue;
            };
            if shared || !here || !runs(node) || !runs(source) {
                continue;
            }
            let survey = make();
            if !survey.is_apart() {
                continue;
            }
            nodes.retain(|n| *n != node && *n != source);
            let first = outcome.hashes[source].is_none();
            let channel = Channel {
                input,
                pass,
                names: [source, node].map(|n| self.plan.names[n].clone()),
                monitor: self.monitor,
            };
            let mut surveyed = Surveyed {
                survey,
                fault: None,
            };
            match surveyed.look_at(&channel, first, self.apart) {
                Ok(seen) => {
                    memory.surveys[node] = Some(surveyed.survey);
                    self.seen_first(source, first, &seen, outcome);
                    if let Some(fault) = surveyed.fault {
                        fail(&mut memory.failed, outcome, node, fault.into());
                    }
                }
                Err(halt) => {
                    fail(&mut memory.failed, outcome, source, halt.error()?.into());
                    memory.failed[node] = true;
                }
            }
        }
        Ok(())
    }
}

/// A survey, and why it could not use the samples.
struct Surveyed {
    survey: Box<dyn Survey>,
    fault: Option<Fault>,
}

impl Surveyed {
    /// Looks at all samples of a channel, slabs side by side where `apart` says so; they are hashed where that is asked
    /// for.
    fn look_at(&mut self, channel: &Channel<'_>, hashed: bool, apart: bool) -> Result<Seen, Halt> {
        let samples = channel.samples();
        let count = samples.div_ceil(SLAB);
        let mut seen = Counters::default();
        let mut digests = Vec::new();
        let mut next = 0;
        while next < count {
            if channel.monitor.stop.load(Ordering::Relaxed) {
                return Err(Halt::Stopped);
            }
            let at = next * SLAB;
            let now = next..count.min(next + AT_ONCE);
            let begun = now.map_while(|index| Some((index, self.survey.apart(index * SLAB)?)));
            let begun: Vec<_> = begun.collect();
            if begun.is_empty() {
                let (counters, digest) = self.slab(channel, next, hashed)?;
                seen.merge(&counters);
                digests.push(digest);
                next += 1;
            }
            let alone = |(index, mut slab): (u64, Box<dyn Apart>)| -> Result<_, Halt> {
                let read = channel.slab(index, hashed, |x| slab.look(x));
                Ok((index, read.map_err(Halt::Store)?, slab))
            };
            let found: Vec<_> = match apart {
                true => begun.into_par_iter().map(alone).collect(),
                false => begun.into_iter().map(alone).collect(),
            };
            for found in found {
                let (index, (counters, digest), slab) = found?;
                seen.merge(&counters);
                digests.push(digest);
                if !self.survey.take(slab) {
                    self.slab(channel, index, false)?;
                }
                next = index + 1;
            }
            let done = samples.min(next * SLAB);
            channel.monitor.done.fetch_add(done - at, Ordering::Relaxed);
        }
        Ok(Seen {
            counters: seen,
            hash: joined(&digests),
            mean: f64::NAN,
        })
    }

    /// Looks at the next slab in its order.
    fn slab(
        &mut self,
        channel: &Channel<'_>,
        index: u64,
        hashed: bool,
    ) -> Result<(Counters, Digest), Halt> {
        let look = |samples: &[f64]| {
            if self.fault.is_none() {
                self.fault = self.survey.look(&[Samples::Wave(samples)]).err();
            }
        };
        channel.slab(index, hashed, look).map_err(Halt::Store)
    }
}
