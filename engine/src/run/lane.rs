//! One point of a recording: its samples streamed through the stages, pass by pass.

use std::sync::Arc;
use std::sync::atomic::Ordering;

use crate::flow::{Buffer, Samples};
use crate::graph::Node;
use crate::plan::{Plan, Scope};
use crate::run::{Job, Monitor};
use crate::stage::{Fault, Kernel, Survey, Work};
use crate::store::{ChannelHeader, ChannelReader, Counters, Hash, RowHash, SampleSink, StoreError};
use crate::value::{About, Reach, Value};

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
    Failed,
}

pub(super) struct Lane<'l> {
    pub job: &'l Job<'l>,
    pub recording: &'l str,
    pub inputs: Vec<Option<LaneInput<'l>>>,
    pub sinks: Vec<LaneSink<'l>>,
    pub label: String,
    pub monitor: &'l Monitor,
}

impl Lane<'_> {
    /// Runs all passes.
    pub fn run(mut self) -> LaneOutcome {
        let plan = &self.job.plan;
        let count = plan.names.len();
        let mut outcome = LaneOutcome {
            values: (0..count)
                .map(|node| vec![None; self.job.ports(node)])
                .collect(),
            hashes: vec![None; count],
            ..LaneOutcome::default()
        };
        let mut failed = vec![false; count];
        let mut surveys: Vec<Option<Box<dyn Survey>>> = (0..count).map(|_| None).collect();
        for pass in 0..plan.passes.len() {
            if !self.pass(pass, &mut surveys, &mut failed, &mut outcome) {
                outcome.interrupted = true;
                return outcome;
            }
        }
        self.point_work(&failed, &mut outcome);
        outcome
    }

    /// One pass; `false` when the user stopped the run.
    fn pass(
        &mut self,
        pass: usize,
        surveys: &mut [Option<Box<dyn Survey>>],
        failed: &mut [bool],
        outcome: &mut LaneOutcome,
    ) -> bool {
        let job = self.job;
        let plan = &job.plan;
        let last = pass + 1 == plan.passes.len();
        let nodes: Vec<Node> = plan
            .order
            .iter()
            .copied()
            .filter(|&n| (plan.passes[pass][n] || plan.looks(n, pass)) && self.belongs(n))
            .collect();
        let mut states: Vec<State> = plan.names.iter().map(|_| State::Idle).collect();
        for &node in &nodes {
            if failed[node] {
                states[node] = State::Failed;
                continue;
            }
            match &job.works[node] {
                Some(Work::Stream(make)) => states[node] = State::Runs(make()),
                Some(Work::Survey(make)) if plan.looks(node, pass) => surveys[node] = Some(make()),
                Some(Work::Survey(_)) => {
                    if let Some(survey) = &mut surveys[node] {
                        match survey.kernel() {
                            Ok(kernel) => states[node] = State::Runs(kernel),
                            Err(fault) => {
                                states[node] = State::Failed;
                                fail(failed, outcome, node, fault.into());
                            }
                        }
                    }
                }
                _ => {}
            }
        }
        let mut buffers: Vec<Vec<Buffer>> = (0..plan.names.len()).map(|n| job.buffers(n)).collect();
        let mut hashers: Vec<blake3::Hasher> =
            self.inputs.iter().map(|_| blake3::Hasher::new()).collect();
        let mut counters = vec![Counters::default(); self.inputs.len()];
        let mut written = vec![0u64; self.sinks.len()];
        let mut rows: Vec<Vec<RowHash>> = self.sinks.iter().map(|s| s.sink.hashes()).collect();
        let longest = nodes
            .iter()
            .filter_map(|&n| self.inputs.get(n)?.as_ref())
            .map(|i| i.header.samples)
            .max();
        let mut start = 0u64;
        while start < longest.unwrap_or(0) {
            if self.monitor.stop.load(Ordering::Relaxed) {
                return false;
            }
            for &node in &nodes {
                if failed[node] {
                    continue;
                }
                let mut own = std::mem::take(&mut buffers[node]);
                own.iter_mut().for_each(Buffer::clear);
                let done = match self.inputs.get_mut(node) {
                    Some(input) => {
                        let hasher = last.then_some(&mut hashers[node]);
                        read(
                            input,
                            start,
                            plan.block,
                            &mut own,
                            &mut counters[node],
                            hasher,
                        )
                        .map_err(LaneError::from)
                    }
                    None => step(
                        job,
                        node,
                        &mut states[node],
                        surveys,
                        failed,
                        &buffers,
                        &mut own,
                    )
                    .map_err(LaneError::from),
                };
                buffers[node] = own;
                if let Err(error) = done {
                    fail(failed, outcome, node, error);
                }
            }
            if last {
                for ((sink, written), rows) in self.sinks.iter().zip(&mut written).zip(&mut rows) {
                    let samples = buffers[sink.node][sink.port].samples();
                    if failed[sink.node] || samples.is_empty() {
                        continue;
                    }
                    match sink.sink.write(sink.point, *written, samples, rows) {
                        Ok(()) => *written += samples.len() as u64,
                        Err(error) => fail(failed, outcome, sink.node, error.into()),
                    }
                }
            }
            let step = (plan.block as u64).min(longest.unwrap_or(0) - start);
            self.monitor.done.fetch_add(step, Ordering::Relaxed);
            start += step;
        }
        if last {
            self.close(&nodes, &mut states, failed, outcome);
            for (sink, rows) in self.sinks.iter().zip(rows) {
                outcome
                    .kept
                    .push((sink.node, sink.port, sink.sink.rows(rows)));
            }
            for (node, (hasher, counters)) in hashers.iter().zip(&counters).enumerate() {
                if nodes.contains(&node) && !failed[node] {
                    outcome.hashes[node] = Some(hasher.finalize());
                    outcome
                        .remarks
                        .extend(remarks_on(counters).map(|r| (node, r)));
                }
            }
        }
        true
    }

    /// Whether the node depends on the recording that this lane reads.
    fn belongs(&self, node: Node) -> bool {
        self.job.plan.scope[node] == Scope::Lane
            && self.job.recording_of(node) == Some(self.recording)
    }

    fn close(
        &self,
        nodes: &[Node],
        states: &mut [State],
        failed: &mut [bool],
        outcome: &mut LaneOutcome,
    ) {
        for &node in nodes {
            let State::Runs(kernel) = &mut states[node] else {
                continue;
            };
            if failed[node] {
                continue;
            }
            match kernel.finish() {
                Ok(closing) => {
                    outcome
                        .remarks
                        .extend(closing.remarks.into_iter().map(|r| (node, r)));
                    let ports =
                        (0..self.job.ports(node)).filter(|&p| !self.job.is_sampled(node, p));
                    for (port, mut value) in ports.zip(closing.values) {
                        self.sign(node, port, &mut value);
                        outcome.values[node][port] = Some(value);
                    }
                }
                Err(fault) => fail(failed, outcome, node, fault.into()),
            }
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

    fn point_work(&self, failed: &[bool], outcome: &mut LaneOutcome) {
        let plan: &Plan = &self.job.plan;
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

fn fail(failed: &mut [bool], outcome: &mut LaneOutcome, node: Node, error: LaneError) {
    failed[node] = true;
    outcome.failures.push((node, error));
}

fn read(
    input: &mut Option<LaneInput<'_>>,
    start: u64,
    block: usize,
    own: &mut [Buffer],
    counters: &mut Counters,
    hasher: Option<&mut blake3::Hasher>,
) -> Result<(), StoreError> {
    let (Some(input), [Buffer::Wave(samples)]) = (input, own) else {
        return Ok(());
    };
    let length = input.header.samples.saturating_sub(start).min(block as u64) as usize;
    if length == 0 {
        return Ok(());
    }
    samples.resize(length, 0.0);
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

/// Gives one stage its next slices. A stage behind a failed one fails silently.
fn step(
    job: &Job<'_>,
    node: Node,
    state: &mut State,
    surveys: &mut [Option<Box<dyn Survey>>],
    failed: &mut [bool],
    buffers: &[Vec<Buffer>],
    own: &mut [Buffer],
) -> Result<(), Fault> {
    let reads = job.reads(node);
    if reads.iter().any(|&(source, _)| failed[source]) {
        failed[node] = true;
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
    match (state, &mut surveys[node]) {
        (State::Runs(kernel), _) => kernel.run(&inputs, own),
        (State::Idle, Some(survey)) => survey.look(&inputs),
        _ => Ok(()),
    }
}

fn remarks_on(counters: &Counters) -> impl Iterator<Item = String> {
    let clipped = counters.first_clipped.map(|first| {
        format!(
            "{} samples at full scale, the first at sample {first}: amplitudes are too small there",
            counters.clipped
        )
    });
    let missing = counters.first_missing.map(|first| {
        format!(
            "{} samples missing, the first at sample {first}",
            counters.missing
        )
    });
    clipped.into_iter().chain(missing)
}
