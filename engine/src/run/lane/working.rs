//! A block of samples on its way through the stages: those that do not wait for each other work side by side.

use std::ops::Range;
use std::time::{Duration, Instant};

use rayon::prelude::*;

use super::streaming::Pass;
use super::{Lane, LaneError, LaneOutcome, Memory, State, Stopped, fail};
use crate::flow::{Buffer, Samples};
use crate::fuse::Kept;
use crate::graph::Node;
use crate::stage::{Fault, Survey};
use crate::store::StoreError;

/// A stage with all that it needs for a block.
struct Task {
    node: Node,
    state: State,
    survey: Option<Box<dyn Survey>>,
    kept: Option<Kept>,
    own: Vec<Buffer>,
    done: Result<(), LaneError>,
    spent: Duration,
}

impl Lane<'_> {
    /// Nodes that run in one pass, by how many others they wait for.
    pub(super) fn levels(&self, nodes: &[Node]) -> Vec<Vec<Node>> {
        let mut waits = vec![0; self.plan.names.len()];
        let mut levels: Vec<Vec<Node>> = Vec::new();
        for &node in nodes {
            let reads = self.job.reads(node).iter();
            let before = reads
                .filter(|(from, _)| nodes.contains(from))
                .map(|(from, _)| waits[*from] + 1);
            waits[node] = before.max().unwrap_or(0);
            levels.resize_with(levels.len().max(waits[node] + 1), Vec::new);
            levels[waits[node]].push(node);
        }
        levels
    }

    /// Works on the samples from `start` to `end`.
    pub(super) fn work(
        &self,
        now: &mut Pass<'_>,
        start: u64,
        end: u64,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        for level in 0..now.levels.len() {
            let mut tasks = self.tasks(level, now, start..end, memory);
            let buffers = &now.buffers;
            let run = |task: &mut Task| {
                let began = Instant::now();
                task.done = self.run_task(task, start, end, buffers);
                task.spent = began.elapsed();
            };
            match self.apart && tasks.len() > 1 {
                true => tasks.par_iter_mut().for_each(run),
                false => tasks.iter_mut().for_each(run),
            }
            for task in tasks {
                let node = task.node;
                now.spent[node].0 += task.spent;
                now.spent[node].1 += end - start;
                now.buffers[node] = task.own;
                now.states[node] = task.state;
                memory.surveys[node] = task.survey;
                memory.held[node] = task.kept;
                if let Err(error) = task.done {
                    fail(&mut memory.failed, outcome, node, error);
                }
            }
        }
        self.push(now, start, end, memory, outcome)?;
        self.keep(now, end, memory, outcome);
        Ok(())
    }

    /// What is to be done for the nodes of a level. What was read or comes from a cache is there already, and a stage
    /// behind a failed one fails silently.
    fn tasks(
        &self,
        level: usize,
        now: &mut Pass<'_>,
        block: Range<u64>,
        memory: &mut Memory,
    ) -> Vec<Task> {
        let mut tasks = Vec::new();
        for &node in &now.levels[level] {
            if memory.failed[node] {
                continue;
            }
            if let Some(visit) = now.visit.as_mut().filter(|v| !v.runs(node)) {
                let own = &mut now.buffers[node];
                own.iter_mut().for_each(Buffer::clear);
                visit.replay(node, block.end, own);
                now.spent[node].1 += block.end - block.start;
                continue;
            }
            let holds = matches!(now.states[node], State::Holds);
            let mut reads = self.job.reads(node).iter();
            if !holds && reads.any(|&(source, _)| memory.failed[source]) {
                memory.failed[node] = true;
                continue;
            }
            if node < self.inputs.len() {
                now.spent[node].1 += block.end - block.start;
                continue;
            }
            let mut own = std::mem::take(&mut now.buffers[node]);
            own.iter_mut().for_each(Buffer::clear);
            tasks.push(Task {
                node,
                own,
                state: std::mem::replace(&mut now.states[node], State::Idle),
                survey: memory.surveys[node].take(),
                kept: memory.held[node].take(),
                done: Ok(()),
                spent: Duration::ZERO,
            });
        }
        tasks
    }

    /// Gives a stage its next slices, or has it deliver what it holds.
    fn run_task(
        &self,
        task: &mut Task,
        start: u64,
        end: u64,
        buffers: &[Vec<Buffer>],
    ) -> Result<(), LaneError> {
        if let State::Holds = task.state {
            let kept = task.kept.as_mut().zip(self.plan.every(task.node));
            if let (Some((kept, every)), Some(own)) = (kept, task.own.first_mut()) {
                // The kept samples that belong to these of the source.
                let due = start.div_ceil(every)..end.div_ceil(every);
                kept.deliver(due, own).map_err(|e| StoreError::aside(&e))?;
            }
            return Ok(());
        }
        let reads = self.job.reads(task.node).iter();
        let inputs: Vec<Samples<'_>> = reads
            .map(|&(source, port)| buffers[source][port].samples())
            .collect();
        if inputs.iter().all(Samples::is_empty) {
            return Ok(());
        }
        // The check knows the lengths that all files of a sweep have; a file of its own may differ.
        if inputs.windows(2).any(|w| w[0].len() != w[1].len()) {
            return Err(Fault::Lengths.into());
        }
        match (&mut task.state, &mut task.survey) {
            (State::Runs(kernel), _) => kernel.run(&inputs, &mut task.own)?,
            (State::Idle, Some(survey)) => survey.look(&inputs)?,
            _ => {}
        }
        Ok(())
    }

    /// Gives the chains that are computed together what they start from.
    fn push(
        &self,
        now: &mut Pass<'_>,
        start: u64,
        end: u64,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
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
        Ok(())
    }

    /// Writes what is kept, in the result file and in the cache.
    fn keep(&self, now: &mut Pass<'_>, end: u64, memory: &mut Memory, outcome: &mut LaneOutcome) {
        let (plan, pass) = (self.plan, now.pass);
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
    }
}
