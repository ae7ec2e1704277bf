//! One point of a recording: its samples streamed through the stages, pass by pass.

mod ending;
mod looking;
mod streaming;
mod together;
mod working;

use std::time::Duration;

use streaming::Pass;

use crate::cache::Visit;
use crate::flow::Buffer;
use crate::fuse::{Kept, Shared};
use crate::graph::Node;
use crate::plan::{Plan, Scope};
use crate::run::reading::Seen;
use crate::run::{Job, Monitor};
use crate::stage::{Closing, Fault, Kernel, Survey, Work};
use crate::store::{ChannelHeader, ChannelReader, Counters, Hash, SampleSink, StoreError};
use crate::value::Value;

/// Kept samples of a point: node, port, and the hash of each column.
pub type KeptRows = (Node, usize, Vec<(&'static str, Hash)>);

/// What one point gave.
#[derive(Debug, Default)]
pub struct LaneOutcome {
    /// `values[node][port]`; `None` for ports that carry samples, and where a stage failed.
    pub values: Vec<Vec<Option<Value>>>,
    /// Stages that failed, and why; a stage behind a failed one is not listed.
    pub failures: Vec<(Node, LaneError)>,
    /// What stages and channels want the user to know.
    pub remarks: Vec<(Node, String)>,
    /// For every input that was read: hash of its stored samples.
    pub hashes: Vec<Option<blake3::Hash>>,
    /// Hashes of the kept samples.
    pub kept: Vec<KeptRows>,
    /// Whether the user stopped the run.
    pub interrupted: bool,
    /// Whether samples are missing where chains were to be computed together.
    pub halted: bool,
    /// Stages whose samples and values came from a cache.
    pub from_cache: Vec<Node>,
    /// Whether what a cache knew was of other samples, so that all of this counts for nothing.
    pub deceived: bool,
}

/// Why a stage gave nothing for a point.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum LaneError {
    /// The stage itself failed.
    #[error(transparent)]
    Stage(#[from] Fault),
    /// The samples could not be read, or what was computed could not be written.
    #[error(transparent)]
    Store(#[from] StoreError),
}

/// A channel of a point, opened for reading.
pub struct LaneInput<'l> {
    /// Its header.
    pub header: &'l ChannelHeader,
    /// Its reader.
    pub reader: ChannelReader,
    /// The point within the file.
    pub point: u64,
}

impl LaneInput<'_> {
    /// The hash of the stored samples, for which all are read.
    pub fn hash(&self, block: usize) -> Option<blake3::Hash> {
        let mut hasher = blake3::Hasher::new();
        let mut samples = [Buffer::Wave(Vec::new())];
        let mut counters = Counters::default();
        for start in (0..self.header.samples).step_by(block) {
            let hasher = Some(&mut hasher);
            read(self, start, block, &mut samples, &mut counters, hasher).ok()?;
        }
        Some(hasher.finalize())
    }
}

/// Room where kept samples of a point go: node, port, sink and index of the point.
pub struct LaneSink<'l> {
    pub node: Node,
    pub port: usize,
    pub sink: &'l SampleSink,
    pub point: u64,
}

/// The state of a node while a point runs.
enum State {
    Idle,
    Runs(Box<dyn Kernel>),
    /// Delivers what is held.
    Holds,
    Failed,
}

/// What is kept of a point from pass to pass.
struct Memory {
    failed: Vec<bool>,
    surveys: Vec<Option<Box<dyn Survey>>>,
    /// By node: the kept samples of a chain that is computed together.
    held: Vec<Option<Kept>>,
    /// By group of such chains: the mean of the samples, where that is taken before.
    means: Vec<Option<f64>>,
    /// What kernels left that are done.
    closings: Vec<(Node, Closing)>,
}

/// Why a pass ended early.
enum Stopped {
    ByUser,
    Missing,
}

pub(super) struct Lane<'l> {
    pub job: &'l Job<'l>,
    pub plan: &'l Plan,
    /// Chains that are computed together.
    pub shared: &'l [Shared],
    /// Whether several threads work on this point.
    pub apart: bool,
    pub recording: &'l str,
    pub inputs: Vec<Option<LaneInput<'l>>>,
    pub sinks: Vec<LaneSink<'l>>,
    pub label: String,
    pub monitor: &'l Monitor,
    /// What a cache knows of the point.
    pub visit: Option<Visit<'l>>,
}

impl<'l> Lane<'l> {
    /// Runs all passes, but for what a cache knows.
    pub fn run(mut self) -> LaneOutcome {
        let plan = self.plan;
        let count = plan.names.len();
        let mut outcome = LaneOutcome {
            values: (0..count)
                .map(|node| vec![None; self.job.ports(node)])
                .collect(),
            hashes: vec![None; count],
            ..LaneOutcome::default()
        };
        let mut memory = Memory {
            failed: vec![false; count],
            surveys: (0..count).map(|_| None).collect(),
            held: (0..count).map(|_| None).collect(),
            means: vec![None; self.shared.len()],
            closings: Vec::new(),
        };
        for pass in 0..plan.passes.len() {
            match self.pass(pass, &mut memory, &mut outcome) {
                Ok(()) => {}
                Err(Stopped::ByUser) => {
                    outcome.interrupted = true;
                    return outcome;
                }
                Err(Stopped::Missing) => {
                    outcome.halted = true;
                    return outcome;
                }
            }
        }
        self.recall(&mut memory.closings, &mut outcome);
        self.take_over(memory.closings, &mut outcome);
        self.point_work(&memory.failed, &mut outcome);
        if let Some(visit) = self.visit.take() {
            outcome.from_cache = visit.known_stages();
            outcome.deceived = !visit.keep(&outcome.hashes);
        }
        outcome
    }

    /// Takes what a cache knows of nodes that did not run.
    fn recall(&self, closings: &mut Vec<(Node, Closing)>, outcome: &mut LaneOutcome) {
        for (node, closing) in self.visit.iter().flat_map(Visit::closings) {
            if let (Some(hash), Some(visit)) = (outcome.hashes.get_mut(node), &self.visit) {
                *hash = visit.hash(node).or(*hash);
            }
            closings.push((node, closing.clone()));
        }
    }

    /// What of the nodes of a pass is needed beside what a cache knows.
    fn needed(&self, pass: usize, nodes: Vec<Node>, outcome: &LaneOutcome) -> Vec<Node> {
        let Some(visit) = &self.visit else {
            return nodes;
        };
        let plan = self.plan;
        let mut read = vec![false; plan.names.len()];
        let mut needed = Vec::new();
        for &node in nodes.iter().rev() {
            let looks = plan.looks(node, pass);
            let closes = plan.closes[node] == pass && plan.passes[pass][node];
            let own = match (visit.runs(node), outcome.hashes[node]) {
                (false, _) => closes && self.sinks.iter().any(|s| s.node == node),
                (true, hash) if node < self.inputs.len() => closes && hash.is_none(),
                (true, _) => looks || closes,
            };
            if !own && !read[node] {
                continue;
            }
            needed.push(node);
            // The last stage of a chain that is computed together delivers what it holds.
            if visit.runs(node) && (looks || plan.every(node).is_none()) {
                let sources = plan.sources(node, self.job.reads(node));
                sources.iter().for_each(|(source, _)| read[*source] = true);
            }
        }
        needed.reverse();
        needed
    }

    /// Takes note of how a node that ran ended.
    fn ended(&mut self, node: Node, closing: &Closing) {
        if let Some(visit) = self.visit.as_mut().filter(|v| v.runs(node)) {
            visit.ended(node, closing);
        }
    }

    /// Takes what there is to say of an input that was read.
    fn seen(&mut self, node: Node, counters: &Counters, outcome: &mut LaneOutcome) {
        let Some(input) = &self.inputs[node] else {
            return;
        };
        let is_reference = self.job.is_reference(node);
        let closing = Closing {
            remarks: counters.remarks(input.header, is_reference),
            ..Closing::default()
        };
        self.ended(node, &closing);
        self.finished(node, closing, outcome);
    }

    /// Takes note of what was seen of a channel, when it was seen for the first time.
    fn seen_first(&mut self, node: Node, first: bool, seen: &Seen, outcome: &mut LaneOutcome) {
        if first {
            outcome.hashes[node] = Some(seen.hash);
            self.seen(node, &seen.counters, outcome);
        }
    }

    /// One pass over the samples of the point.
    fn pass(
        &mut self,
        pass: usize,
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Result<(), Stopped> {
        let job = self.job;
        let plan = self.plan;
        let active = |n: &Node| plan.passes[pass][*n] || plan.looks(*n, pass);
        let nodes = plan.order.iter().copied();
        let nodes = nodes.filter(|n| active(n) && self.belongs(*n)).collect();
        let mut nodes = self.needed(pass, nodes, outcome);
        if let Some(visit) = &mut self.visit {
            visit.rewind();
        }
        let courses = self.together(pass, &mut nodes, memory, outcome)?;
        self.look(pass, &mut nodes, &courses, memory, outcome)?;
        let mut now = Pass {
            pass,
            states: self.states(pass, &nodes, memory, outcome),
            buffers: (0..plan.names.len()).map(|n| job.buffers(n)).collect(),
            courses,
            written: vec![0; self.sinks.len()],
            rows: self.sinks.iter().map(|s| s.sink.hashes()).collect(),
            spent: vec![(Duration::ZERO, 0); plan.names.len()],
            visit: self.visit.take(),
            levels: self.levels(&nodes),
            nodes,
        };
        let mut readings = self.readings(&now, outcome);
        let streamed = self.stream(&mut now, &mut readings, memory, outcome);
        self.visit = now.visit.take();
        streamed?;
        let Pass {
            nodes,
            mut states,
            courses,
            rows,
            mut spent,
            ..
        } = now;
        for reading in &readings {
            spent[reading.node].0 += reading.spent;
        }
        for (node, (time, samples)) in spent.into_iter().enumerate() {
            if samples > 0 {
                let input = self.inputs.get(node).and_then(Option::as_ref);
                let bytes = input.map_or(0, |i| samples.min(i.header.samples) * i.header.bytes());
                let timings = &self.monitor.timings;
                timings.add(pass, &plan.names[node], time, samples, bytes);
            }
        }
        for (shared, course) in courses {
            self.hold(shared, course, memory, outcome)?;
        }
        let closing: Vec<Node> = (nodes.iter().copied())
            .filter(|n| plan.closes[*n] == pass && plan.passes[pass][*n])
            .collect();
        self.close(&closing, &mut states, memory, outcome);
        for (sink, rows) in self.sinks.iter().zip(rows) {
            if plan.closes[sink.node] == pass {
                let rows = sink.sink.rows(rows);
                outcome.kept.push((sink.node, sink.port, rows));
            }
        }
        for reading in readings {
            let node = reading.node;
            if let Some(hasher) = reading.hasher.filter(|_| !memory.failed[node]) {
                outcome.hashes[node] = Some(hasher.finalize());
                self.seen(node, &reading.counters, outcome);
            }
        }
        Ok(())
    }

    /// Samples of the longest channel of the point.
    fn longest(&self) -> u64 {
        let used = |n: &usize| self.plan.passes.iter().any(|needed| needed[*n]);
        let inputs = self.inputs.iter().enumerate();
        let lengths = inputs
            .filter(|(n, _)| used(n))
            .filter_map(|(_, i)| Some(i.as_ref()?.header.samples));
        lengths.max().unwrap_or(0)
    }

    /// What every node does in this pass.
    fn states(
        &self,
        pass: usize,
        nodes: &[Node],
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) -> Vec<State> {
        let plan = self.plan;
        let mut states: Vec<State> = plan.names.iter().map(|_| State::Idle).collect();
        for &node in nodes {
            if memory.failed[node] {
                states[node] = State::Failed;
                continue;
            }
            if memory.held[node].is_some() {
                states[node] = State::Holds;
                continue;
            }
            match &self.job.works[node] {
                Some(Work::Stream(make)) => {
                    let mut kernel = make();
                    let wave = self.job.reads(node).first();
                    let place = wave.and_then(|wave| self.job.place(|n| self.header(n), *wave));
                    place.into_iter().for_each(|place| kernel.begin(place));
                    states[node] = State::Runs(kernel);
                }
                Some(Work::Survey(make)) if plan.looks(node, pass) => {
                    memory.surveys[node] = Some(make());
                }
                Some(Work::Survey(_)) => {
                    if let Some(survey) = &mut memory.surveys[node] {
                        match survey.kernel() {
                            Ok(kernel) => states[node] = State::Runs(kernel),
                            Err(fault) => {
                                states[node] = State::Failed;
                                fail(&mut memory.failed, outcome, node, fault.into());
                            }
                        }
                    }
                }
                _ => {}
            }
        }
        states
    }

    /// The header of an input at this point.
    fn header(&self, input: Node) -> Option<&ChannelHeader> {
        Some(self.inputs.get(input)?.as_ref()?.header)
    }

    /// Whether the node depends on the recording that this lane reads.
    fn belongs(&self, node: Node) -> bool {
        self.plan.scope[node] == Scope::Lane && self.job.recording_of(node) == Some(self.recording)
    }

    fn close(
        &mut self,
        nodes: &[Node],
        states: &mut [State],
        memory: &mut Memory,
        outcome: &mut LaneOutcome,
    ) {
        for &node in nodes {
            let finished = match &mut states[node] {
                _ if memory.failed[node] => continue,
                State::Runs(kernel) => kernel.finish(),
                State::Holds => Ok(Closing::default()),
                _ => continue,
            };
            match finished {
                Ok(closing) => {
                    self.ended(node, &closing);
                    memory.closings.push((node, closing));
                }
                Err(fault) => fail(&mut memory.failed, outcome, node, fault.into()),
            }
        }
    }
}

fn fail(failed: &mut [bool], outcome: &mut LaneOutcome, node: Node, error: LaneError) {
    // What is read again, as after its mean was looked for, fails again.
    if !std::mem::replace(&mut failed[node], true) {
        outcome.failures.push((node, error));
    }
}

fn read(
    input: &LaneInput<'_>,
    start: u64,
    block: usize,
    own: &mut [Buffer],
    counters: &mut Counters,
    hasher: Option<&mut blake3::Hasher>,
) -> Result<(), StoreError> {
    let [Buffer::Wave(samples)] = own else {
        return Ok(());
    };
    let length = input.header.samples.saturating_sub(start).min(block as u64) as usize;
    // What is there from before is written over.
    samples.resize(length, 0.0);
    if length == 0 {
        return Ok(());
    }
    match hasher {
        Some(hasher) => {
            let mut update = |bytes: &[u8]| {
                hasher.update(bytes);
            };
            input
                .reader
                .read(input.point, start, samples, counters, Some(&mut update))
        }
        None => input
            .reader
            .read(input.point, start, samples, counters, None),
    }
}
