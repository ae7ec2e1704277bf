//! Runs a plan: points in parallel, each streamed; then what needs all points. The only module that
//! names `rayon`.
//!
//! Results depend on the plan and the samples alone: every point is computed by itself, and points
//! are gathered in their order, whatever thread ran them.

mod afterwards;
pub(crate) mod copies;
mod distributions;
mod drawing;
mod lane;
mod monte_carlo;
mod places;
mod reading;
mod slabs;
mod threads;
mod timings;
mod trials;

use std::collections::{BTreeMap, BTreeSet};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use rayon::prelude::*;

use crate::cache::{Attached, LaneSource, Visit, Way};
use crate::check::Typed;
use crate::diagnostic::{Code, Diagnostic, Diagnostics};
use crate::flow::{Buffer, Flow, Kind};
use crate::fuse::{self, Shared};
use crate::graph::Node;
use crate::joint::Joint;
use crate::plan::{Plan, Scope, plan, prepare};
use crate::recipe::Recipe;
use crate::recordings::{PointPlace, RecordingSet, paired, short, uneven};
use crate::stage::{PointWork, SeriesAxis, Work};
use crate::store::{ChannelHeader, Rows, SampleSink, StoreError};
use crate::value::Value;
use lane::{Lane, LaneInput, LaneSink};
pub use lane::{LaneError, LaneOutcome};
pub use monte_carlo::{Curved, Drawn, FEWEST_TRIALS, MOST_NUMBERS, Numbers, Simulation, TRIALS};
pub use threads::{MOST_THREADS, each, on_threads};
pub use timings::{Share, Timings, peak_memory};

/// Shared with whoever watches or stops a run.
#[derive(Debug, Default)]
pub struct Monitor {
    /// Samples to pass through, all points and passes together.
    pub total: AtomicU64,
    /// Samples passed through.
    pub done: AtomicU64,
    /// Trials to draw intervals from, of all jobs that have begun to.
    pub trials: AtomicU64,
    /// Trials drawn.
    pub drawn: AtomicU64,
    /// Set to stop the run.
    pub stop: AtomicBool,
    /// Points of all jobs that run at the same time; 0 for one job alone.
    pub points: AtomicU64,
    /// Where the time goes.
    pub timings: Timings,
}

impl Monitor {
    /// `None` once the run is to stop.
    fn goes_on(&self) -> Option<()> {
        (!self.stop.load(Ordering::Relaxed)).then_some(())
    }
}

/// One recording (with those it is combined with), checked and planned.
pub struct Job<'r> {
    /// The recipe.
    pub recipe: &'r Recipe,
    /// The recordings; the main one comes first.
    pub sets: Vec<RecordingSet>,
    /// The recipe's flows for these recordings.
    pub typed: Typed,
    /// The plan.
    pub plan: Plan,
    works: Vec<Option<Work>>,
    /// Where intermediate results are kept.
    pub(crate) cache: Option<Attached<'r>>,
    shared: Vec<Shared>,
    /// The plan that runs every stage by itself, for points of which samples are missing.
    apart: Plan,
    pub(crate) joint: Joint,
}

/// A stage or channel that gave nothing at a point, or something to remark on.
#[derive(Clone, Debug, PartialEq)]
pub struct Finding {
    /// The recording's name in the recipe; empty for the main one.
    pub recording: String,
    /// The point, counted from 0; `None` for all points together.
    pub point: Option<u64>,
    /// The stage or input; empty for the whole file.
    pub node: String,
    /// What happened.
    pub message: String,
}

impl Finding {
    /// What happened, and where in the recipe.
    pub fn without_point(&self) -> String {
        match self.node.as_str() {
            "" => self.message.clone(),
            node => format!("`{node}`: {}", self.message),
        }
    }
}

/// What a job gave.
#[derive(Debug, Default)]
pub struct Outcome {
    /// `values[node][port][point]`.
    pub values: Vec<Vec<Vec<Option<Value>>>>,
    /// `hashes[input][point]`: hash of the stored samples.
    pub hashes: Vec<Vec<Option<blake3::Hash>>>,
    /// Hashes of the rows of kept samples, by node and port.
    pub rows: BTreeMap<(Node, usize), Rows>,
    /// What failed.
    pub failures: Vec<Finding>,
    /// What to remark on.
    pub remarks: Vec<Finding>,
    /// Kept results whose first-order uncertainty fails.
    pub curved: Vec<Curved>,
    /// Intervals by drawing, where they were asked for or first order fails.
    pub simulation: Option<Simulation>,
    /// Stages of which something came from a cache.
    pub from_cache: BTreeSet<Node>,
    /// Whether the user stopped it.
    pub interrupted: bool,
}

/// Values of a node, `[port][point]`, and what failed, at a point or altogether.
type Computed = (Vec<Vec<Option<Value>>>, Vec<(Option<usize>, String)>);

/// Trials that a user asks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Draws {
    /// How many.
    pub trials: u64,
    /// What they are made from.
    pub seed: u64,
}

/// A kept flow of samples and where it goes.
pub struct Sink {
    /// The node.
    pub node: Node,
    /// The port.
    pub port: usize,
    /// Where it goes.
    pub sink: SampleSink,
}

impl<'r> Job<'r> {
    /// Checks the recipe against the recordings and plans the run; `None` when there were errors.
    pub fn new(
        recipe: &'r Recipe,
        mut sets: Vec<RecordingSet>,
        diagnostics: &mut Diagnostics,
    ) -> Option<Self> {
        let (typed, headers) = short::check(recipe, &mut sets, diagnostics);
        let header = |role: &str| {
            let input = recipe.inputs.iter().position(|i| i.name.text == role)?;
            headers.get(input)?.as_ref()
        };
        if diagnostics.has_errors() {
            let told: Vec<String> = sets.iter().filter_map(RecordingSet::told).collect();
            diagnostics.note_errors(&told);
            return None;
        }
        sets.iter()
            .for_each(|set| set.cautions(recipe, diagnostics));
        paired::report(recipe, &typed, &sets, diagnostics);
        uneven::report(recipe, &sets, header, diagnostics);
        let wanted = typed.needed(typed.results.iter().map(|kept| kept.node));
        match prepare(recipe, &typed) {
            Ok(works) => {
                let (together, shared) = fuse::find(recipe, &typed, &wanted);
                Some(Job {
                    recipe,
                    sets,
                    joint: Joint::new(&typed, |node| wanted[node]),
                    plan: plan(recipe, &typed, &works, together),
                    apart: plan(recipe, &typed, &works, Vec::new()),
                    typed,
                    works,
                    shared,
                    cache: None,
                })
            }
            Err((stage, fault)) => {
                let place = recipe
                    .stages
                    .iter()
                    .find(|s| s.name.text == stage)
                    .map(|s| s.place.clone());
                diagnostics.push(Diagnostic::error(
                    Code::Design,
                    place,
                    format!("`{stage}`: {fault}"),
                ));
                None
            }
        }
    }

    /// The same job with every stage computed by itself: slower, and the same but for rounding.
    pub fn one_by_one(self) -> Self {
        Job {
            plan: self.apart.clone(),
            shared: Vec::new(),
            ..self
        }
    }

    /// By node: whether it needs all points of a sweep together, and not only its own one.
    pub fn need_all_points(&self) -> Vec<bool> {
        let mut needs = vec![false; self.works.len()];
        for &node in &self.typed.graph.order {
            needs[node] = matches!(self.works[node], Some(Work::Series(_)))
                || self.reads(node).iter().any(|&(source, _)| needs[source]);
        }
        needs
    }

    fn ports(&self, node: Node) -> usize {
        self.typed.ports[node].as_ref().map_or(0, Vec::len)
    }

    /// Whether a channel is the reference of clocks, and nothing else is made of it.
    fn is_reference(&self, node: Node) -> bool {
        let kind = |n: Node| self.typed.flow(n, 0).map(|f| f.kind);
        let readers = |n: &Node| self.reads(*n).iter().any(|&(source, _)| source == node);
        let mut readers = self.plan.order.iter().filter(|n| readers(n)).peekable();
        readers.peek().is_some() && readers.all(|n| kind(*n) == Some(Kind::Clock))
    }

    fn is_sampled(&self, node: Node, port: usize) -> bool {
        self.typed
            .flow(node, port)
            .is_some_and(|f| f.kind.is_sampled())
    }

    fn buffers(&self, node: Node) -> Vec<Buffer> {
        self.typed.ports[node]
            .iter()
            .flatten()
            .map(|p| Buffer::new(p.flow.kind))
            .collect()
    }

    /// The flows that a node reads.
    pub fn flows_into(&self, node: Node) -> Vec<Flow> {
        self.reads(node)
            .iter()
            .filter_map(|&(source, port)| self.typed.flow(source, port).cloned())
            .collect()
    }

    fn reads(&self, node: Node) -> &[(Node, usize)] {
        &self.typed.reads[node]
    }

    /// The recording that a node of lane scope depends on.
    fn recording_of(&self, node: Node) -> Option<&str> {
        self.typed.recordings[node].first().map(String::as_str)
    }

    /// Kept flows of samples, which need a place to go before the run.
    pub fn sampled_results(&self) -> impl Iterator<Item = &crate::check::Kept> {
        self.typed
            .results
            .iter()
            .filter(|k| self.is_sampled(k.node, k.port))
    }

    /// The set that a node's points belong to.
    pub fn set_of(&self, node: Node) -> Option<&RecordingSet> {
        let names = &self.typed.recordings[node];
        let mut sets = self.sets.iter().filter(|s| names.contains(&s.name));
        let first = sets.next()?;
        // A single-point recording is spread over the points of the others.
        Some(sets.fold(first, |longest, s| {
            if s.points().len() > longest.points().len() {
                s
            } else {
                longest
            }
        }))
    }

    /// The axis of a node's points.
    pub fn axis_of(&self, node: Node) -> SeriesAxis {
        self.set_of(node)
            .map(|s| s.axis.clone())
            .unwrap_or_default()
    }

    /// The most samples that a kept flow can have at any point.
    pub fn longest(&self, node: Node, flow: &Flow) -> u64 {
        let Some(set) = self.set_of(node) else {
            return 0;
        };
        let of_input = |input: usize| {
            let header = set.header(input)?;
            // Rates only fall, and by whole factors; rounding must not make room for one sample more.
            let factor = (header.rate / flow.rate.unwrap_or(header.rate)).round();
            Some(set.longest(input).div_ceil((factor as u64).max(1)))
        };
        (0..self.recipe.inputs.len())
            .filter_map(of_input)
            .max()
            .unwrap_or(0)
    }

    /// Points of all recordings.
    pub fn points(&self) -> u64 {
        self.sets.iter().map(|set| set.points().len() as u64).sum()
    }

    /// Samples that a run reads, for the progress shown.
    pub fn work(&self) -> u64 {
        let of_set = |set: &RecordingSet| {
            let of_point = |place: PointPlace| {
                let content = set.files[place.file].content.as_ref().ok()?;
                let headers = content.of_point(place.within).ok()?;
                Some(self.reads_of(&headers, self.goes_together(&headers)))
            };
            set.points().into_iter().filter_map(of_point).sum::<u64>()
        };
        self.sets.iter().map(of_set).sum()
    }

    /// Samples that are read of a point, each channel by itself in every pass that needs it.
    fn reads_of(&self, headers: &[Option<ChannelHeader>], together: bool) -> u64 {
        let plan = if together { &self.plan } else { &self.apart };
        // Some means are taken before, as by `Lane::means`.
        let averaged = |input: Node| {
            let mut first = self.shared.iter().filter(|s| s.takes_mean_first());
            together && first.any(|s| s.source.0 == input)
        };
        let headers = headers.iter().enumerate();
        let channels = headers.filter_map(|(input, header)| Some((input, header.as_ref()?)));
        let read = channels.map(|(input, header)| {
            let passes = plan.passes.iter().filter(|needed| needed[input]);
            header.samples * (passes.count() as u64 + u64::from(averaged(input)))
        });
        read.sum()
    }

    /// Whether chains are computed together: a channel that ends before another, and gaps, are for the stages to deal with
    /// one by one.
    fn goes_together(&self, headers: &[Option<ChannelHeader>]) -> bool {
        let all = || headers.iter().flatten();
        let first = all().next().map(|h| h.samples);
        // They count whole samples of a record, which a slower clock need not begin at.
        let at = |input: Node| headers.get(input)?.as_ref();
        let is_whole = |shared: &Shared| {
            let place = self.place_of_clock(at, shared);
            place.is_none_or(|place| place.fract() == 0.0)
        };
        let fits = |h: &ChannelHeader| Some(h.samples) == first && !h.has_gaps();
        !self.shared.is_empty() && all().all(fits) && self.shared.iter().all(is_whole)
    }

    /// Runs the job on the current pool of threads.
    ///
    /// Intervals are drawn when `draws` asks for it, and by itself where first order fails.
    pub fn run(&self, sinks: &[Sink], draws: Option<Draws>, monitor: &Monitor) -> Outcome {
        let lanes: Vec<(usize, u64, PointPlace)> = self
            .sets
            .iter()
            .enumerate()
            .flat_map(|(s, set)| {
                set.points()
                    .into_iter()
                    .enumerate()
                    .map(move |(p, place)| (s, p as u64, place))
            })
            .collect();
        // Many points keep all threads busy by themselves.
        let points = monitor
            .points
            .load(Ordering::Relaxed)
            .max(lanes.len() as u64);
        let apart = points < 4 * rayon::current_num_threads() as u64;
        let lane = |&(set, point, place)| self.lane(set, point, place, sinks, apart, monitor);
        let outcomes: Vec<(LaneOutcome, Option<String>)> = lanes.par_iter().map(lane).collect();
        let mut outcome = self.gather(&lanes, outcomes, sinks);
        if !outcome.interrupted {
            self.gathered_work(&mut outcome);
            self.said_afterwards(&mut outcome);
            self.draw(&mut outcome, draws, monitor);
        }
        outcome
    }

    fn lane(
        &self,
        set: usize,
        point: u64,
        place: PointPlace,
        sinks: &[Sink],
        apart: bool,
        monitor: &Monitor,
    ) -> (LaneOutcome, Option<String>) {
        let set = &self.sets[set];
        let entry = &set.files[place.file];
        let content = match &entry.content {
            Ok(content) => content,
            Err(error) => return (LaneOutcome::default(), Some(error.to_string())),
        };
        let headers = match content.of_point(place.within) {
            Ok(headers) => headers,
            Err(error) => return (LaneOutcome::default(), Some(error.to_string())),
        };
        if let Some(why) = set.too_short(&headers) {
            return (LaneOutcome::default(), Some(why));
        }
        let ways = match self.goes_together(&headers) {
            true => &[true, false][..],
            false => &[false],
        };
        let recording = set.name.as_str();
        let attempt = |together: bool, halted: bool, cached: bool| {
            let mut inputs = (headers.iter())
                .map(|header| match header {
                    Some(header) => Ok(Some(LaneInput {
                        header,
                        reader: content.file.reader(header)?,
                        point: place.within,
                    })),
                    None => Ok(None),
                })
                .collect::<Result<Vec<_>, StoreError>>()?;
            let sinks: Vec<LaneSink<'_>> = sinks
                .iter()
                .filter(|s| self.recording_of(s.node) == Some(recording))
                .map(|s| LaneSink {
                    node: s.node,
                    port: s.port,
                    sink: &s.sink,
                    point,
                })
                .collect();
            let plan = if together { &self.plan } else { &self.apart };
            let shared: &[Shared] = if together { &self.shared } else { &[] };
            let visit = self.cache.as_ref().filter(|_| cached).map(|to| {
                let sources = headers.iter().zip(&mut inputs).map(|(header, input)| {
                    let input = input.as_mut()?;
                    let first = to.cache.reads_first().then(|| input.hash(plan.block));
                    Some(LaneSource {
                        file: &content.file,
                        header: header.as_ref()?,
                        point: place.within,
                        read: first.flatten(),
                    })
                });
                let sources = sources.collect();
                let way = Way {
                    job: self,
                    plan,
                    shared,
                    halted: halted.then_some(&self.shared),
                };
                let kept: Vec<(Node, usize)> = sinks.iter().map(|s| (s.node, s.port)).collect();
                Visit::new(to, way, sources, &self.streams(plan, recording), kept)
            });
            if visit.as_ref().is_some_and(Visit::halts) {
                return Ok(LaneOutcome {
                    halted: true,
                    ..LaneOutcome::default()
                });
            }
            let lane = Lane {
                job: self,
                plan,
                shared,
                apart,
                recording,
                inputs,
                sinks,
                label: match recording {
                    "" => format!("point {point}"),
                    name => format!("{name} point {point}"),
                },
                monitor,
                visit,
            };
            Ok(lane.run())
        };
        let mut outcome = Ok(LaneOutcome::default());
        for &way in ways {
            let halted = outcome.as_ref().is_ok_and(|o| o.halted);
            outcome = attempt(way, halted, true);
            if outcome.as_ref().is_ok_and(|o| o.deceived) {
                outcome = attempt(way, halted, false);
            }
            if outcome.as_ref().is_ok_and(|o| !o.halted) {
                break;
            }
            if way {
                let again = self.reads_of(&headers, false);
                monitor.total.fetch_add(again, Ordering::Relaxed);
            }
        }
        match outcome {
            Ok(outcome) => (outcome, None),
            Err(error) => (LaneOutcome::default(), Some(StoreError::to_string(&error))),
        }
    }

    /// The nodes of a recording that samples flow through, in their order.
    fn streams(&self, plan: &Plan, recording: &str) -> Vec<Node> {
        let here = |node: &Node| {
            plan.passes.iter().any(|needed| needed[*node])
                && plan.scope[*node] == Scope::Lane
                && self.recording_of(*node) == Some(recording)
        };
        plan.order.iter().copied().filter(here).collect()
    }

    fn gather(
        &self,
        lanes: &[(usize, u64, PointPlace)],
        outcomes: Vec<(LaneOutcome, Option<String>)>,
        sinks: &[Sink],
    ) -> Outcome {
        let count = self.plan.names.len();
        let mut all = Outcome {
            values: (0..count)
                .map(|n| vec![Vec::new(); self.ports(n)])
                .collect(),
            hashes: vec![Vec::new(); self.recipe.inputs.len()],
            ..Outcome::default()
        };
        for (&(set, point, place), (lane, broken)) in lanes.iter().zip(outcomes) {
            let set = &self.sets[set];
            let finding = |node: &str, message: String| Finding {
                recording: set.name.clone(),
                point: Some(point),
                node: node.into(),
                message,
            };
            all.interrupted |= lane.interrupted;
            all.from_cache.extend(lane.from_cache);
            let own = |s: &&Sink| self.recording_of(s.node) == Some(set.name.as_str());
            for sink in sinks.iter().filter(own) {
                let here =
                    |(node, port, _): &&lane::KeptRows| (*node, *port) == (sink.node, sink.port);
                let columns = match lane.kept.iter().find(here) {
                    Some((.., columns)) => columns.clone(),
                    // Of a point that could not be read nothing was written.
                    None => sink.sink.rows(sink.sink.hashes()),
                };
                let rows = all.rows.entry((sink.node, sink.port)).or_default();
                for (column, hash) in columns {
                    rows.entry(column.to_owned()).or_default().push(hash);
                }
            }
            if let Some(message) = broken {
                let file = set.files[place.file].path.display().to_string();
                let message = if message.contains(&file) {
                    message
                } else {
                    format!("{file}: {message}")
                };
                all.failures.push(finding("", message));
            }
            for node in 0..count {
                if self.plan.scope[node] == Scope::Lane
                    && self.recording_of(node) == Some(set.name.as_str())
                {
                    for port in 0..self.ports(node) {
                        let value = lane.values.get(node).and_then(|v| v[port].clone());
                        all.values[node][port].push(value);
                    }
                    if let Some(hashes) = all.hashes.get_mut(node) {
                        hashes.push(lane.hashes.get(node).copied().flatten());
                    }
                }
            }
            let named = |node: Node| self.plan.names[node].as_str();
            all.failures.extend(
                lane.failures
                    .iter()
                    .map(|(n, e)| finding(named(*n), e.to_string())),
            );
            all.remarks
                .extend(lane.remarks.into_iter().map(|(n, r)| finding(named(n), r)));
        }
        all
    }

    /// The stages that need several points or recordings, in order.
    fn gathered_work(&self, all: &mut Outcome) {
        // Of a single point of a sweep nobody asks for what needs all of it.
        let wanted = self
            .typed
            .needed(self.typed.results.iter().map(|kept| kept.node));
        for &node in &self.plan.order {
            if self.plan.scope[node] != Scope::Gathered || !wanted[node] {
                continue;
            }
            let inputs: Vec<&[Option<Value>]> = self
                .reads(node)
                .iter()
                .map(|&(source, port)| all.values[source][port].as_slice())
                .collect();
            let (values, failures) = self.computed(node, &inputs, &[]);
            all.remarks.extend(self.remarks_on(node, &values));
            all.values[node] = values;
            let failures = failures.into_iter().map(|(point, message)| Finding {
                recording: String::new(),
                point: point.map(|p| p as u64),
                node: self.plan.names[node].clone(),
                message,
            });
            all.failures.extend(failures);
        }
    }

    /// What a stage that works on values makes of those of all points, and what failed at which point. Points may have
    /// other work `instead`.
    fn computed(
        &self,
        node: Node,
        inputs: &[&[Option<Value>]],
        instead: &[Option<Box<PointWork>>],
    ) -> Computed {
        let points = inputs.iter().map(|v| v.len()).max().unwrap_or(0);
        let mut values = vec![vec![None; points]; self.ports(node)];
        let mut failures = Vec::new();
        match &self.works[node] {
            Some(Work::Series(work)) => match work.run(inputs, &self.axis_of(node)) {
                Ok(series) => values = series,
                Err(fault) => failures.push((None, fault.to_string())),
            },
            Some(Work::Point(work)) => {
                let fits = inputs.iter().all(|v| v.len() == points || v.len() == 1);
                if !fits {
                    let lengths: Vec<String> = inputs.iter().map(|v| v.len().to_string()).collect();
                    let message = format!(
                        "expected recordings with as many points as each other, or one, found {}",
                        lengths.join(" and ")
                    );
                    failures.push((None, message));
                }
                for point in (0..points).filter(|_| fits) {
                    let here: Option<Vec<&Value>> = inputs
                        .iter()
                        .map(|v| v[if v.len() == 1 { 0 } else { point }].as_ref())
                        .collect();
                    let other = instead.get(point).and_then(Option::as_ref);
                    match here.map(|here| other.unwrap_or(work)(&here)) {
                        Some(Ok(found)) => found
                            .into_iter()
                            .enumerate()
                            .for_each(|(port, v)| values[port][point] = Some(v)),
                        Some(Err(fault)) => failures.push((Some(point), fault.to_string())),
                        None => {}
                    }
                }
            }
            _ => {}
        }
        (values, failures)
    }
}

impl Outcome {
    /// Hashes of the rows of kept samples; none for values.
    pub fn rows_of(&self, node: Node, port: usize) -> Rows {
        self.rows.get(&(node, port)).cloned().unwrap_or_default()
    }
}
