//! Surveys that look at slabs of a channel by themselves.
//!
//! Slabs are read, hashed and looked at by whatever thread is free, several at a time; what was seen is taken in their
//! order. What a survey does not take, since samples before showed it something new, it looks at again.

use std::sync::atomic::Ordering;

use blake3::hazmat::{ChainingValue, HasherExt};
use rayon::prelude::*;

use super::{Lane, LaneInput, LaneOutcome, Memory, Stopped, fail};
use crate::flow::Samples;
use crate::fuse::Shared;
use crate::fuse::group::SLAB;
use crate::graph::Node;
use crate::run::Monitor;
use crate::run::slabs::{Course, Digest, Halt, NEAR, PIECE, Seen, Watch, joined};
use crate::stage::{Apart, Fault, Survey, Work};
use crate::store::{Counters, StoredSamples};

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
                told: (pass, [source, node].map(|n| self.plan.names[n].as_str())),
                apart: self.apart,
                monitor: self.monitor,
            };
            let mut surveyed = Surveyed {
                survey,
                fault: None,
            };
            match channel.look(&mut surveyed, first) {
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
    /// Looks at the next samples in their order.
    fn look(&mut self, samples: &[f64]) {
        if self.fault.is_none() {
            self.fault = self.survey.look(&[Samples::Wave(samples)]).err();
        }
    }
}

/// A channel that a survey looks at.
struct Channel<'c> {
    input: &'c LaneInput<'c>,
    /// The pass, and the names of the channel and the survey.
    told: (usize, [&'c str; 2]),
    apart: bool,
    monitor: &'c Monitor,
}

impl Channel<'_> {
    /// Has a survey look at all samples; they are hashed where that is asked for.
    fn look(&self, surveyed: &mut Surveyed, hashed: bool) -> Result<Seen, Halt> {
        let samples = self.input.header.samples;
        let count = samples.div_ceil(SLAB);
        let mut seen = Counters::default();
        let mut digests = Vec::new();
        let mut next = 0;
        while next < count {
            if self.monitor.stop.load(Ordering::Relaxed) {
                return Err(Halt::Stopped);
            }
            let at = next * SLAB;
            let now = next..count.min(next + AT_ONCE);
            let begun = now.map_while(|index| Some((index, surveyed.survey.apart(index * SLAB)?)));
            let begun: Vec<_> = begun.collect();
            if begun.is_empty() {
                let (counters, digest) = self.slab(next, hashed, |x| surveyed.look(x))?;
                seen.merge(&counters);
                digests.push(digest);
                next += 1;
            }
            let alone = |(index, mut slab): (u64, Box<dyn Apart>)| -> Result<_, Halt> {
                Ok((index, self.slab(index, hashed, |x| slab.look(x))?, slab))
            };
            let found: Vec<_> = match self.apart {
                true => begun.into_par_iter().map(alone).collect(),
                false => begun.into_iter().map(alone).collect(),
            };
            for found in found {
                let (index, (counters, digest), slab) = found?;
                seen.merge(&counters);
                digests.push(digest);
                if !surveyed.survey.take(slab) {
                    self.slab(index, false, |x| surveyed.look(x))?;
                }
                next = index + 1;
            }
            let done = samples.min(next * SLAB);
            self.monitor.done.fetch_add(done - at, Ordering::Relaxed);
        }
        Ok(Seen {
            counters: seen,
            hash: joined(&digests),
            mean: f64::NAN,
        })
    }

    /// Reads a slab and gives its samples, piece by piece, to whoever takes them.
    fn slab(
        &self,
        index: u64,
        hashed: bool,
        mut take: impl FnMut(&[f64]),
    ) -> Result<(Counters, Digest), Halt> {
        let LaneInput {
            header,
            reader,
            point,
        } = self.input;
        let start = index * SLAB;
        let end = header.samples.min(start + SLAB);
        let mut hasher = blake3::Hasher::new();
        hasher.set_input_offset(start * header.bytes());
        let mut seen = Counters::default();
        let mut stored = StoredSamples::default();
        let mut values = vec![0.0; NEAR];
        let mut watch = Watch::default();
        for at in (start..end).step_by(PIECE) {
            let length = PIECE.min((end - at) as usize);
            let read = reader.read_stored(*point, at, length, &mut stored);
            read.map_err(Halt::Store)?;
            watch.lap(0);
            if hashed {
                hasher.update(stored.bytes());
            }
            watch.lap(1);
            for from in (0..length).step_by(NEAR) {
                let values = &mut values[..NEAR.min(length - from)];
                reader.convert(&stored, from, values, &mut seen);
                watch.lap(2);
                take(values);
                watch.lap(3);
            }
        }
        let (pass, [channel, survey]) = self.told;
        let of_channel = |what| format!("{channel}: {what}");
        let work = ["read", "hashed", "converted"].map(of_channel);
        let bytes = [(end - start) * header.bytes(), 0, 0, 0];
        let work = work.into_iter().chain([survey.to_owned()]);
        for ((what, time), bytes) in work.zip(watch.spent).zip(bytes) {
            let timings = &self.monitor.timings;
            timings.add(pass, &what, time, end - start, bytes);
        }
        let digest = match hashed {
            // In a later pass nothing is hashed again, and nothing has no digest.
            false => Digest::Part(ChainingValue::default()),
            true if header.samples <= SLAB => Digest::Whole(hasher.finalize()),
            true => Digest::Part(hasher.finalize_non_root()),
        };
        Ok((seen, digest))
    }
}
