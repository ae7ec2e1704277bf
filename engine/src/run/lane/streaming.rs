//! The samples of a point on their way through the stages, block by block.

use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use super::{Lane, LaneInput, LaneOutcome, Memory, State, Stopped, fail, read};
use crate::cache::Visit;
use crate::flow::Buffer;
use crate::fuse::Shared;
use crate::graph::Node;
use crate::run::slabs::Course;
use crate::store::{Counters, RowHash, StoreError};

/// A pass on its way.
pub(super) struct Pass<'l> {
    pub pass: usize,
    /// What runs, in order.
    pub nodes: Vec<Node>,
    /// The same by how many others they wait for.
    pub levels: Vec<Vec<Node>>,
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
        if self.ended {
            self.samples.iter_mut().for_each(Buffer::clear);
        } else {
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

    /// Samples of a block. Where only samples come that were kept, there is room for more.
    fn block(&self, now: &Pass<'_>) -> u64 {
        let block = self.plan.block as u64;
        let begin = now.levels.first().into_iter().flatten();
        let every = begin.map(|n| match now.states[*n] {
            State::Holds => self.plan.every(*n).unwrap_or(1),
            _ => 1,
        });
        let every = every
            .min()
            .filter(|_| now.visit.is_none() && now.courses.is_empty());
        block.saturating_mul(every.unwrap_or(1))
    }

    /// Streams the samples of the point through the stages. While they work on a block the next one is read.
    pub(super) fn stream(
        &self,
        now: &mut Pass<'_>,
        readings: &mut [Reading],
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        let block = self.block(now);
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
        let lengths: Vec<u64> = readings
            .iter()
            .filter_map(|reading| Some(self.inputs[reading.node].as_ref()?.header.samples))
            .collect();
        read(readings, 0);
        for start in (0..longest).step_by(block as usize) {
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
            let of_channel = |length: &u64| end.min(*length) - start.min(*length);
            let done = lengths.iter().map(of_channel).sum();
            self.monitor.done.fetch_add(done, Ordering::Relaxed);
        }
        Ok(())
    }
}
