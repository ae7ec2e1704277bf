//! A point and a cache: what of it is known, what must be computed for the rest, and what is kept afterwards.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

use num_complex::Complex64;

use super::folder::{self, Entry, Found};
use super::keys::{self, FilePrint};
use super::{Attached, SLOWEST, Served, closing};
use crate::flow::{Buffer, Kind, Phase, Samples};
use crate::fuse::Shared;
use crate::graph::Node;
use crate::plan::Plan;
use crate::run::Job;
use crate::stage::Closing;
use crate::store::{ChannelHeader, RecordingFile};

/// An input of a point.
pub(crate) struct LaneSource<'v> {
    pub file: &'v RecordingFile,
    pub header: &'v ChannelHeader,
    /// The point in its file.
    pub point: u64,
    /// The hash of the stored samples, where they were read for it.
    pub read: Option<blake3::Hash>,
}

/// How a point is computed.
#[derive(Clone, Copy)]
pub(crate) struct Way<'v> {
    pub job: &'v Job<'v>,
    pub plan: &'v Plan,
    /// Chains that are computed together.
    pub shared: &'v [Shared],
    /// Chains of which that was tried, and of which samples are missing.
    pub halted: Option<&'v Vec<Shared>>,
}

/// What a cache knows of a point, while it runs.
pub(crate) struct Visit<'v> {
    to: &'v Attached<'v>,
    way: Way<'v>,
    job: &'v Job<'v>,
    sources: Vec<Option<LaneSource<'v>>>,
    prints: Vec<Option<FilePrint>>,
    hashes: Vec<Option<blake3::Hash>>,
    /// What is known of how nodes ended.
    known: Vec<Option<Closing>>,
    /// Nodes that are run or read.
    runs: Vec<bool>,
    replays: BTreeMap<(Node, usize), Replay>,
    captures: Vec<Capture>,
    /// How nodes ended that ran.
    ended: Vec<(Node, Closing)>,
    /// Whether kept samples could not be read after all.
    lost: bool,
}

/// Kept samples that take the place of what a node would deliver.
struct Replay {
    file: BufReader<File>,
    /// Samples of the recording for each of these.
    factor: u64,
    count: u64,
    done: u64,
}

/// Samples that are kept while they come.
struct Capture {
    node: Node,
    port: usize,
    factor: u64,
    count: u64,
    entry: Entry,
}

/// Bytes before the samples of an entry: factor and length of the recording.
const AHEAD: u64 = 16;

impl<'v> Visit<'v> {
    /// Looks up what is known. `streams` are the nodes that samples flow through in their order; `sinks` what is
    /// kept as a result, node and port.
    pub fn new(
        to: &'v Attached<'v>,
        way: Way<'v>,
        sources: Vec<Option<LaneSource<'v>>>,
        streams: &[Node],
        sinks: Vec<(Node, usize)>,
    ) -> Self {
        let job = way.job;
        let count = way.plan.names.len();
        let print = |s: &Option<LaneSource<'v>>| {
            let source = s.as_ref().filter(|_| !to.cache.reads_first())?;
            to.print(source.file, source.header)
        };
        let prints: Vec<_> = sources.iter().map(print).collect();
        let mut visit = Visit {
            to,
            way,
            job,
            hashes: sources
                .iter()
                .map(|s| s.as_ref().and_then(|s| s.read))
                .collect(),
            sources,
            prints,
            known: vec![None; count],
            runs: vec![false; count],
            replays: BTreeMap::new(),
            captures: Vec::new(),
            ended: Vec::new(),
            lost: false,
        };
        visit.look_up(streams);
        visit.settle(streams, sinks);
        visit
    }

    /// The name of the entry that tells the hash of an input's samples.
    fn print_of(&self, input: Node) -> Option<String> {
        let (print, source) = self.prints[input]
            .as_ref()
            .zip(self.sources[input].as_ref())?;
        Some(in_file(
            &print.at_point(source.header, source.point),
            "print",
        ))
    }

    fn keys(&self, shared: &[Shared]) -> Vec<Option<blake3::Hash>> {
        keys::at_point(self.job, shared, &self.to.stages, |input| {
            let source = self.sources.get(input)?.as_ref()?;
            Some((source.header, self.hashes[input]?))
        })
    }

    /// The name of the entry that tells that samples are missing for chains to be computed together.
    fn halt(&self, shared: &[Shared]) -> Option<String> {
        let keys = self.keys(shared);
        let heads = shared.iter().flat_map(|s| &s.heads);
        let heads: Vec<_> = heads.filter_map(|head| keys[*head]).collect();
        let mut hasher = blake3::Hasher::new();
        heads.iter().for_each(|key| {
            hasher.update(key.as_bytes());
        });
        (!heads.is_empty()).then(|| in_file(&hasher.finalize(), "halt"))
    }

    /// Whether samples are known to be missing for chains that were to be computed together.
    pub fn halts(&self) -> bool {
        let name = self.halt(self.way.shared);
        let entry = name.and_then(|name| self.found(self.to.cache.folder.read(&name)));
        entry.is_some()
    }

    fn found<T>(&self, found: Found<T>) -> Option<T> {
        match found {
            Found::Whole(what) => Some(what),
            Found::Nothing => None,
            Found::Damaged => {
                self.to.cache.count(Served {
                    damaged: 1,
                    ..Served::default()
                });
                None
            }
        }
    }

    fn look_up(&mut self, streams: &[Node]) {
        let folder = &self.to.cache.folder;
        for input in 0..self.prints.len() {
            let name = self.print_of(input);
            let bytes = name.and_then(|name| self.found(folder.read(&name)));
            if let Some(hash) = bytes.and_then(|b| <[u8; 32]>::try_from(b).ok()) {
                self.hashes[input] = Some(blake3::Hash::from_bytes(hash));
            }
        }
        let keys = self.keys(self.way.shared);
        for &node in streams {
            let Some(key) = keys[node] else { continue };
            let bytes = self.found(folder.read(&in_file(&key, "end")));
            self.known[node] = bytes.and_then(|b| closing::from_bytes(&b));
            if self.known[node].is_none() || node < self.sources.len() {
                continue;
            }
            for port in 0..self.job.typed.ports[node].as_ref().map_or(0, Vec::len) {
                if self.factor(node, port).is_none() {
                    continue;
                }
                let entry = self.found(folder.open(&in_file(&key, &samples_of(port))));
                let width = self.width(node, port);
                if let Some(replay) = entry.and_then(|(file, n)| Replay::new(file, n, width)) {
                    self.replays.insert((node, port), replay);
                }
            }
        }
    }

    /// What must run: what is not known, and whatever delivers samples to that; what is kept as a result is
    /// delivered too.
    fn settle(&mut self, streams: &[Node], sinks: Vec<(Node, usize)>) {
        let mut wanted = sinks;
        let mut asked: Vec<Node> = Vec::new();
        for &node in streams.iter().rev() {
            let of_node = wanted.iter().filter(|(n, _)| *n == node);
            let mut of_node = of_node.map(|(_, port)| (node, *port));
            let here = of_node.all(|flow| self.replays.contains_key(&flow));
            let here = here && self.known[node].is_some();
            let here = here && !asked.contains(&node);
            // An input that is not read must have a hash.
            if !here || (node < self.sources.len() && self.hashes[node].is_none()) {
                self.runs[node] = true;
                let reads = &self.job.typed.reads[node];
                wanted.extend(self.way.plan.sources(node, reads));
                // A chain asks its clock for the phase itself, which only one that looked can tell.
                let mut together = self.way.plan.together.iter();
                asked.extend(together.find(|t| t.head == node).and_then(|t| t.clock));
            }
        }
        // What nobody reads is not replayed.
        let runs = &self.runs;
        self.replays
            .retain(|flow, _| !runs[flow.0] && wanted.contains(flow));
        self.captures = self.begun(streams);
    }

    fn begun(&self, streams: &[Node]) -> Vec<Capture> {
        let longest = self.longest_source();
        let mut captures = Vec::new();
        for &node in streams {
            if !self.runs[node] || node < self.sources.len() {
                continue;
            }
            for port in 0..self.job.typed.ports[node].as_ref().map_or(0, Vec::len) {
                let entry = || {
                    let factor = self.factor(node, port)?;
                    let mut entry = self.to.cache.folder.begin()?;
                    entry.write(&factor.to_le_bytes())?;
                    entry.write(&longest.to_le_bytes())?;
                    Some(Capture {
                        node,
                        port,
                        factor,
                        count: 0,
                        entry,
                    })
                };
                captures.extend(entry());
            }
        }
        captures
    }

    fn longest_source(&self) -> u64 {
        let sources = self.sources.iter().flatten();
        sources.map(|s| s.header.samples).max().unwrap_or(0)
    }

    /// Samples of the recording for each sample of a flow that is slow enough to be kept.
    fn factor(&self, node: Node, port: usize) -> Option<u64> {
        let flow = self.job.typed.flow(node, port)?;
        let rate = flow.rate.filter(|_| flow.kind.is_sampled())?;
        let rates = self.sources.iter().flatten().map(|s| s.header.rate);
        let factor = (rates.fold(0.0, f64::max) / rate).round();
        (factor >= SLOWEST as f64).then_some(factor as u64)
    }

    fn width(&self, node: Node, port: usize) -> u64 {
        match self.job.typed.flow(node, port).map(|f| f.kind) {
            Some(Kind::Wave) => 8,
            _ => 16,
        }
    }

    /// Whether a node is run or read.
    pub fn runs(&self, node: Node) -> bool {
        self.runs[node]
    }

    /// How nodes ended that do not run.
    pub fn closings(&self) -> impl Iterator<Item = (Node, &Closing)> {
        let all = self.known.iter().enumerate();
        all.filter_map(|(node, known)| Some((node, known.as_ref().filter(|_| !self.runs[node])?)))
    }

    /// The hash of the samples of an input that is not read.
    pub fn hash(&self, input: Node) -> Option<blake3::Hash> {
        let known = self.hashes.get(input).copied().flatten();
        known.filter(|_| !self.runs[input])
    }

    /// Begins a pass.
    pub fn rewind(&mut self) {
        for replay in self.replays.values_mut() {
            replay.done = 0;
            let start = SeekFrom::Start(folder::AHEAD + AHEAD);
            self.lost |= replay.file.seek(start).is_err();
        }
    }

    /// Gives what a node that does not run delivers up to a sample of the recording.
    pub fn replay(&mut self, node: Node, upto: u64, own: &mut [Buffer]) {
        for ((_, port), replay) in self.replays.range_mut((node, 0)..(node + 1, 0)) {
            if let Some(buffer) = own.get_mut(*port) {
                self.lost |= replay.give(upto, buffer).is_err();
            }
        }
    }

    /// Takes what was delivered up to a sample of the recording by nodes in the pass in which each ends.
    pub fn take(
        &mut self,
        ends: impl Fn(Node) -> bool,
        upto: u64,
        buffers: &[Vec<Buffer>],
        failed: &[bool],
    ) {
        self.captures.retain_mut(|capture| {
            if !ends(capture.node) {
                return true;
            }
            let samples = buffers[capture.node][capture.port].samples();
            capture.count += samples.len() as u64;
            // What does not come in step with the recording could not be given in step with it.
            let in_step = capture.count == upto.div_ceil(capture.factor);
            in_step && !failed[capture.node] && capture.entry.write(&bytes_of(samples)).is_some()
        });
    }

    /// Takes note of how a node ended that ran.
    pub fn ended(&mut self, node: Node, closing: &Closing) {
        self.ended.push((node, closing.clone()));
    }

    /// Keeps what is new; `false` when something was not as it was taken to be, and all must be computed.
    pub fn keep(mut self, hashes: &[Option<blake3::Hash>]) -> bool {
        if self.lost {
            return false;
        }
        let cache = self.to.cache;
        let read: Vec<Node> = (0..self.sources.len()).filter(|i| self.runs[*i]).collect();
        for &input in &read {
            if let (Some(taken), Some(found)) = (self.hashes[input], hashes[input])
                && taken != found
            {
                // The print is of no more use.
                self.print_of(input)
                    .iter()
                    .for_each(|name| cache.folder.forget(name));
                cache.count(Served {
                    deceived: 1,
                    ..Served::default()
                });
                return false;
            }
            self.hashes[input] = hashes[input];
            let (print, source) = (&self.prints[input], &self.sources[input]);
            let print = print.as_ref().zip(source.as_ref());
            let same = print.is_some_and(|(print, s)| print.still_holds(s.file.path()));
            if let (Some(name), Some(hash), true) = (self.print_of(input), hashes[input], same) {
                cache.folder.keep_bytes(&name, hash.as_bytes());
            }
        }
        if let Some(name) = self.way.halted.and_then(|shared| self.halt(shared)) {
            cache.folder.keep_bytes(&name, &[]);
        }
        let keys = self.keys(self.way.shared);
        let mut kept = 0;
        for (node, closing) in self.ended.iter().filter(|(n, _)| self.known[*n].is_none()) {
            let bytes = keys[*node].zip(closing::to_bytes(closing));
            if let Some((key, bytes)) = bytes {
                let new = cache.folder.keep_bytes(&in_file(&key, "end"), &bytes);
                kept += u64::from(new && *node >= self.sources.len());
            }
        }
        for capture in self.captures.drain(..) {
            let ended = self.ended.iter().any(|(node, _)| *node == capture.node);
            if let Some(key) = keys[capture.node].filter(|_| ended) {
                let name = in_file(&key, &samples_of(capture.port));
                cache.folder.keep(capture.entry, &name);
            }
        }
        cache.count(Served {
            found: self.known_stages().len() as u64,
            kept,
            ..Served::default()
        });
        true
    }

    /// Stages whose values or samples come from the cache.
    pub fn known_stages(&self) -> Vec<Node> {
        let inputs = self.sources.len();
        let nodes = self.closings().map(|(node, _)| node);
        nodes.filter(|node| *node >= inputs).collect()
    }
}

impl Replay {
    /// Samples of this many bytes each.
    fn new(mut file: BufReader<File>, length: u64, width: u64) -> Option<Self> {
        let mut ahead = [[0; 8]; 2];
        for number in &mut ahead {
            file.read_exact(number).ok()?;
        }
        let [factor, longest] = ahead.map(u64::from_le_bytes);
        let count = length.checked_sub(AHEAD)? / width;
        (factor > 0 && count == longest.div_ceil(factor)).then_some(Replay {
            file,
            factor,
            count,
            done: 0,
        })
    }

    fn give(&mut self, upto: u64, buffer: &mut Buffer) -> std::io::Result<()> {
        let end = upto.div_ceil(self.factor).min(self.count);
        let some = end.saturating_sub(self.done);
        for _ in 0..some {
            let mut word = || {
                let mut bytes = [0; 8];
                self.file.read_exact(&mut bytes).map(|()| bytes)
            };
            match buffer {
                Buffer::Wave(to) => to.push(f64::from_le_bytes(word()?)),
                Buffer::Clock(to) => to.push(Phase {
                    cycle: i64::from_le_bytes(word()?),
                    fraction: f64::from_le_bytes(word()?),
                }),
                Buffer::Phasor(to) => {
                    let (re, im) = (f64::from_le_bytes(word()?), f64::from_le_bytes(word()?));
                    to.push(Complex64::new(re, im));
                }
                Buffer::Value => {}
            }
        }
        self.done += some;
        Ok(())
    }
}

fn bytes_of(samples: Samples<'_>) -> Vec<u8> {
    let two = |a: [u8; 8], b: [u8; 8]| [a, b].concat();
    match samples {
        Samples::Wave(all) => all.iter().flat_map(|x| x.to_le_bytes()).collect(),
        Samples::Clock(all) => all
            .iter()
            .flat_map(|p| two(p.cycle.to_le_bytes(), p.fraction.to_le_bytes()))
            .collect(),
        Samples::Phasor(all) => all
            .iter()
            .flat_map(|z| two(z.re.to_le_bytes(), z.im.to_le_bytes()))
            .collect(),
    }
}

/// The name of an entry.
fn in_file(key: &blake3::Hash, what: &str) -> String {
    format!("{}-{what}", key.to_hex())
}

fn samples_of(port: usize) -> String {
    format!("samples-{port}")
}
