//! The samples of a point on their way through the stages, block by block.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::{Lane, LaneError, LaneInput, LaneOutcome, Memory, State, Stopped, fail, read};
use crate::cache::Visit;
use crate::flow::{Buffer, Samples};
use crate::fuse::Shared;
use crate::graph::Node;
use crate::run::Job;
use crate::run::slabs::Course;
use crate::stage::Fault;
use crate::store::{Counters, RowHash, StoreError};

/// A pass on its way.
pub(super) struct Pass<'l> {
    pub pass: usize,
    /// What runs, in order.
    pub nodes: Vec<Node>,
    pub states: Vec<State>,
    /// By node and port: the samples of the block at hand.
    pub buffers: Vec<Vec<Buffer>>,
    /// Chains that are computed together from what the stages give.
    pub courses: Vec<(&'l Shared, Course<'l>)>,
    /// By sink: samples written, and their hashes.
    pub written: Vec<u64>,
    pub rows: Vec<Vec<RowHash>>,
    /// By node: time and samples.
    pub spent: Vec<(Duration, u64)>,
    pub visit: Option<Visit<'l>>,
}

/// A channel that is read in a pass.
pub(super) struct Reading {
    /// Its node.
    pub node: Node,
    /// Hash of what was read, where it is read for the first time.
    pub hasher: Option<blake3::Hasher>,
    /// What was seen.
    pub counters: Counters,
    /// Time that reading took.
    pub spent: Duration,
    samples: Vec<Buffer>,
    failed: Option<StoreError>,
    /// Whether nothing more is read.
    ended: bool,
}

impl Reading {
    /// A channel of which nothing was read yet.
    pub fn new(node: Node, first: bool) -> Self {
        Reading {
            node,
            hasher: first.then(blake3::Hasher::new),
            counters: Counters::default(),
            spent: Duration::ZERO,
            samples: vec![Buffer::Wave(Vec::new())],
            failed: None,
            ended: false,
        }
    }

    /// Reads the block of samples that begins at `start`.
    pub fn read(&mut self, input: &LaneInput<'_>, start: u64, block: usize) {
        let began = Instant::now();
        self.samples.iter_mut().for_each(Buffer::clear);
        if !self.ended {
            let (samples, hasher) = (&mut self.samples, self.hasher.as_mut());
            let read = read(input, start, block, samples, &mut self.counters, hasher);
            self.failed = read.err();
            self.ended = self.failed.is_some();
        }
        self.spent += began.elapsed();
    }

    /// Hands over the block that was read, in exchange for room.
    pub fn take(&mut self, room: &mut Vec<Buffer>) -> Result<(), StoreError> {
        std::mem::swap(&mut self.samples, room);
        self.failed.take().map_or(Ok(()), Err)
    }
}

impl Lane<'_> {
    /// The channels that are read in a pass; they are hashed when that is for the first time.
    pub(super) fn readings(&self, now: &Pass<'_>, outcome: &LaneOutcome) -> Vec<Reading> {
        let replayed = |n: &Node| now.visit.as_ref().is_some_and(|v| !v.runs(*n));
        let inputs = now.nodes.iter().copied().filter(|n| *n < self.inputs.len());
        let read = inputs.filter(|n| self.inputs[*n].is_some() && !replayed(n));
        read.map(|n| Reading::new(n, outcome.hashes[n].is_none()))
            .collect()
    }

    /// Streams the samples of the point through the stages. While they work on a block the next one is read.
    pub(super) fn stream(
        &self,
        now: &mut Pass<'_>,
        readings: &mut [Reading],
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        let block = self.plan.block as u64;
        let longest = match now.nodes.is_empty() {
            true => 0,
            false => self.longest(),
        };
        let read = |readings: &mut [Reading], start: u64| {
            for reading in readings.iter_mut().filter(|_| start < longest) {
                if let Some(input) = &self.inputs[reading.node] {
                    reading.read(input, start, self.plan.block);
                }
            }
        };
        let reads = now.nodes.iter().any(|n| *n < self.inputs.len());
        read(readings, 0);
        for start in (0..longest).step_by(self.plan.block) {
            if self.monitor.stop.load(Ordering::Relaxed) {
                return Err(Stopped::ByUser);
            }
            let end = longest.min(start + block);
            for reading in &mut *readings {
                let node = reading.node;
                if let Err(error) = reading.take(&mut now.buffers[node]) {
                    fail(&mut memory.failed, outcome, node, error.into());
                }
            }
            let mut work = || self.work(now, start, end, memory, outcome);
            match self.apart {
                true => rayon::join(work, || read(readings, end)).0?,
                false => {
                    work()?;
                    read(readings, end);
                }
            }
            if reads {
                self.monitor.done.fetch_add(end - start, Ordering::Relaxed);
            }
        }
        Ok(())
    }

    /// Works on the samples from `start` to `end`.
    fn work(
        &self,
        now: &mut Pass<'_>,
        start: u64,
        end: u64,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        let (job, plan, pass) = (self.job, self.plan, now.pass);
        for &node in &now.nodes {
            if memory.failed[node] {
                continue;
            }
            let began = Instant::now();
            let mut own = std::mem::take(&mut now.buffers[node]);
            let replays = now.visit.as_mut().filter(|v| !v.runs(node));
            if replays.is_some() || node >= self.inputs.len() {
                own.iter_mut().for_each(Buffer::clear);
            }
            let done = match &mut now.states[node] {
                _ if replays.is_some() => {
                    replays
                        .into_iter()
                        .for_each(|v| v.replay(node, end, &mut own));
                    Ok(())
                }
                // What was read is there.
                _ if node < self.inputs.len() => Ok(()),
                State::Holds => {
                    let kept = memory.held[node].as_mut().zip(plan.every(node));
                    match (kept, own.first_mut()) {
                        (Some((kept, every)), Some(own)) => {
                            // The kept samples that belong to these of the source.
                            let due = start.div_ceil(every)..end.div_ceil(every);
                            let delivered = kept.deliver(due, own);
                            delivered.map_err(|e| StoreError::aside(&e).into())
                        }
                        _ => Ok(()),
                    }
                }
                state => step_of(job, node, state, memory, &now.buffers, &mut own)
                    .map_err(LaneError::from),
            };
            now.buffers[node] = own;
            if let Err(error) = done {
                fail(&mut memory.failed, outcome, node, error);
            }
            now.spent[node].0 += began.elapsed();
            now.spent[node].1 += end - start;
        }
        for (shared, course) in &mut now.courses {
            let (source, port) = shared.source;
            let samples = now.buffers[source][port].samples();
            let began = Instant::now();
            let failed = |n: &Node| memory.failed[*n];
            if !failed(&source)
                && !shared.heads.iter().all(failed)
                && let Err(halt) = course.push(samples.wave())
            {
                self.halted(halt, shared, memory, outcome)?;
            }
            if let Some(head) = shared.heads.first() {
                now.spent[*head].0 += began.elapsed();
                now.spent[*head].1 += end - start;
            }
        }
        let sinks = self.sinks.iter().zip(&mut now.written);
        for ((sink, written), rows) in sinks.zip(&mut now.rows) {
            let samples = now.buffers[sink.node][sink.port].samples();
            let done = plan.closes[sink.node] != pass || memory.failed[sink.node];
            if done || samples.is_empty() {
                continue;
            }
            match sink.sink.write(sink.point, *written, samples, rows) {
                Ok(()) => *written += samples.len() as u64,
                Err(error) => fail(&mut memory.failed, outcome, sink.node, error.into()),
            }
        }
        if let Some(visit) = &mut now.visit {
            let ends = |node: Node| plan.closes[node] == pass;
            visit.take(ends, end, &now.buffers, &memory.failed);
        }
        Ok(())
    }
}

/// Gives one stage its next slices. A stage behind a failed one fails silently.
fn step_of(
    job: &Job<'_>,
    node: Node,
    state: &mut State,
    memory: &mut Memory,
    buffers: &[Vec<Buffer>],
    own: &mut [Buffer],
) -> Result<(), Fault> {
    let reads = job.reads(node);
    if reads.iter().any(|&(source, _)| memory.failed[source]) {
        memory.failed[node] = true;
        return Ok(());
    }
    let inputs: Vec<Samples<'_>> = reads
        .iter()
        .map(|&(source, port)| buffers[source][port].samples())
        .collect();
    if inputs.iter().all(Samples::is_empty) {
        return Ok(());
    }
    // The check knows the lengths that all files of a sweep have; a file of its own may differ.
    if inputs.windows(2).any(|w| w[0].len() != w[1].len()) {
        return Err(Fault::Lengths);
    }
    match (state, &mut memory.surveys[node]) {
        (State::Runs(kernel), _) => kernel.run(&inputs, own),
        (State::Idle, Some(survey)) => survey.look(&inputs),
        _ => Ok(()),
    }
}
