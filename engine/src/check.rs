//! From a recipe and recording headers to a typed graph: every flow with kind, unit, rate and
//! convention, or every fault at its place. Reads no sample.

use std::collections::BTreeSet;

use crate::diagnostic::{Code, Diagnostic, Diagnostics, listed};
use crate::flow::{Amplitudes, Flow, Kind, Missing, Port};
use crate::graph::{Graph, Node, split};
use crate::joint::Origin;
use crate::recipe::{Input, Recipe};
use crate::stage::Checker;
use crate::store::ChannelHeader;
use crate::text::FlowName;
use crate::units::{Unit, format_quantity};

/// A recipe whose flows are known.
#[derive(Clone, Debug)]
pub struct Typed {
    /// The dependency graph.
    pub graph: Graph,
    /// For every node, its outputs; `None` where a fault kept them from being known.
    pub ports: Vec<Option<Vec<Port>>>,
    /// For every node, the node and port behind each input.
    pub reads: Vec<Vec<(Node, usize)>>,
    /// For every node, the recordings it depends on.
    pub recordings: Vec<BTreeSet<String>>,
    /// For every output of every node, what its samples follow from.
    pub origins: Vec<Vec<Origin>>,
    /// What is kept: name, node and port.
    pub results: Vec<Kept>,
}

/// A kept flow.
#[derive(Clone, Debug, PartialEq)]
pub struct Kept {
    /// Its name, as `stage` or `stage.port`.
    pub name: String,
    /// The node.
    pub node: Node,
    /// Index of the port.
    pub port: usize,
}

/// Checks a recipe. `headers` gives what is known of the channel behind an input, if a recording was
/// given. Faults are added to `diagnostics`.
pub fn check<'h>(
    recipe: &Recipe,
    headers: impl Fn(&str) -> Option<&'h ChannelHeader>,
    diagnostics: &mut Diagnostics,
) -> Typed {
    check_at(recipe, headers, None, diagnostics)
}

/// The same as if every reference ran at a frequency in Hz, whatever the recipe says of it.
pub fn check_at<'h>(
    recipe: &Recipe,
    headers: impl Fn(&str) -> Option<&'h ChannelHeader>,
    reference: Option<f64>,
    diagnostics: &mut Diagnostics,
) -> Typed {
    let graph = Graph::build(recipe, diagnostics);
    let count = recipe.inputs.len() + recipe.stages.len();
    let mut typed = Typed {
        ports: vec![None; count],
        reads: vec![Vec::new(); count],
        recordings: vec![BTreeSet::new(); count],
        origins: vec![Vec::new(); count],
        results: Vec::new(),
        graph,
    };
    for node in typed.graph.order.clone() {
        match node.checked_sub(recipe.inputs.len()) {
            None => {
                let input = &recipe.inputs[node];
                let header = headers(&input.name.text);
                let mut port = input_port(input.unit.as_ref(), header);
                port.flow.amplitudes = amplitudes(input, header, &port.flow.unit, diagnostics);
                typed.recordings[node].insert(input.recording.clone());
                port.flow.recordings = typed.recordings[node].clone();
                typed.ports[node] = Some(vec![port]);
                typed.origins[node] = vec![Origin::new(node, 0)];
            }
            Some(stage) => typed.check_stage(recipe, node, stage, reference, diagnostics),
        }
        typed.declare_units(recipe, node, diagnostics);
    }
    typed.collect_results(recipe, diagnostics);
    report_unknown_units(recipe, diagnostics);
    if !diagnostics.has_errors() {
        crate::joint::tell(&mut typed);
        crate::cautions::report(recipe, &typed, diagnostics);
        let started = |role: &str| headers(role)?.start_time.as_deref();
        crate::cautions::expired_constants(recipe, &typed, started, diagnostics);
    }
    typed
}

/// Values are combined point by point, so recordings need as many points as each other, or one.
fn points_fit(inputs: &[Flow], names: &[FlowName], diagnostics: &mut Diagnostics) -> bool {
    let several = inputs
        .iter()
        .zip(names)
        .filter_map(|(f, name)| Some((f.points.filter(|n| *n > 1)?, name)));
    let several: Vec<(u64, &FlowName)> = several.collect();
    let Some(((first, first_name), others)) = several.split_first() else {
        return true;
    };
    let Some((found, name)) = others.iter().find(|(n, _)| n != first) else {
        return true;
    };
    let message = format!(
        "expected as many points in each recording, or one, found {first} for `{}` and {found} for `{}`",
        first_name.text, name.text
    );
    diagnostics.push(
        Diagnostic::error(Code::Rate, Some(name.place.clone()), message)
            .help("give recordings of the same sweep, or one with a single point"),
    );
    false
}

fn name_of(recipe: &Recipe, node: Node) -> &str {
    match node.checked_sub(recipe.inputs.len()) {
        None => &recipe.inputs[node].name.text,
        Some(stage) => &recipe.stages[stage].name.text,
    }
}

fn report_unknown_units(recipe: &Recipe, diagnostics: &mut Diagnostics) {
    let names = || {
        let inputs = recipe.inputs.iter().map(|i| i.name.text.as_str());
        inputs.chain(recipe.stages.iter().map(|s| s.name.text.as_str()))
    };
    for declared in &recipe.units {
        let (node, _) = split(&declared.flow.text);
        if !names().any(|n| n == node) {
            let place = Some(declared.flow.place.clone());
            let message = format!("unknown flow `{node}`");
            diagnostics
                .push(Diagnostic::error(Code::UnknownName, place, message).suggest(node, names()));
        }
    }
}

fn input_port(unit: Option<&Unit>, header: Option<&ChannelHeader>) -> Port {
    // Samples are in SI units, whatever unit the channel states; the unit says how to show them.
    let unit = unit
        .cloned()
        .or_else(|| header.map(|h| h.unit.clone()))
        .unwrap_or_else(Unit::one);
    let mut flow = Flow::new(Kind::Wave, unit);
    flow.rate = header.map(|h| h.rate);
    flow.length = header.map(|h| h.samples);
    flow.points = header.map(|h| h.points);
    flow.axis = header.map(|h| h.has_axis);
    flow.missing = header.map_or(Missing::default(), known_gaps);
    flow.full_scale = header.and_then(|h| Some(h.full_scale? * h.unit.si_factor()));
    Port::new("", flow)
}

/// Whether the points of a stage lie along an axis: that of the first of its recordings that has the most
/// points, over which the others are spread.
fn axis(inputs: &[Flow]) -> Option<bool> {
    let most = inputs.iter().filter_map(|f| f.points).max();
    let longest = inputs.iter().filter(|f| f.points == most);
    longest
        .min_by_key(|f| f.recordings.first())
        .and_then(|f| f.axis)
}

/// The gaps in the sample times of a channel.
fn known_gaps(header: &ChannelHeader) -> Missing {
    let stretches = || header.stretches.iter();
    let end = stretches().next().map(|s| s.grid + s.length);
    Missing {
        gap: end.filter(|end| *end < header.samples),
        longest: stretches().map(|s| s.length).max(),
        ..Missing::default()
    }
}

/// What the recipe states of the size of an input's samples, if it fits their unit.
fn amplitudes(
    input: &Input,
    header: Option<&ChannelHeader>,
    unit: &Unit,
    diagnostics: &mut Diagnostics,
) -> Option<Amplitudes> {
    let known = input.unit.is_some() || header.is_some();
    for size in [&input.smallest, &input.level, &input.largest]
        .into_iter()
        .flatten()
    {
        if known && !size.unit.same_dimension(unit) {
            let message = format!(
                "expected a size in {}, the unit of `{}`, found one in {}",
                unit.ascii(),
                input.name.text,
                size.unit.ascii()
            );
            diagnostics.push(
                Diagnostic::error(Code::Unit, Some(size.place.clone()), message)
                    .help("give it as it is at this input, before any gain"),
            );
        }
    }
    let full = header.and_then(|h| Some(h.full_scale? * h.unit.si_factor()));
    for size in [&input.level, &input.largest].into_iter().flatten() {
        if let Some(full) = full.filter(|full| size.value > *full) {
            let show = |x| format_quantity(x, &size.unit, 3);
            let message = format!(
                "expected a size within the full scale of `{}`, {}, found {}",
                input.name.text,
                show(full),
                show(size.value)
            );
            diagnostics.push(
                Diagnostic::warning(Code::OutOfRange, Some(size.place.clone()), message)
                    .help("what goes beyond it is clipped; correct it, or turn the gain before the converter down"),
            );
        }
    }
    let smallest = input.smallest.as_ref()?;
    Some(Amplitudes {
        smallest: smallest.value,
        unit: smallest.unit.clone(),
        level: input.level.as_ref().map(|s| s.value),
        largest: input.largest.as_ref().map(|s| s.value),
    })
}

impl Typed {
    fn check_stage(
        &mut self,
        recipe: &Recipe,
        node: Node,
        stage: usize,
        reference: Option<f64>,
        diagnostics: &mut Diagnostics,
    ) {
        let entry = &recipe.stages[stage];
        let mut inputs = Vec::new();
        let mut complete = entry.usable;
        for (flow, source) in entry
            .described
            .flows
            .iter()
            .zip(self.graph.reads[node].clone())
        {
            match source.and_then(|source| self.resolve(flow, source, diagnostics)) {
                Some((source, port)) => {
                    self.reads[node].push((source, port));
                    let recordings = self.recordings[source].clone();
                    self.recordings[node].extend(recordings);
                    if let Some(ports) = &self.ports[source] {
                        inputs.push(ports[port].flow.clone());
                    }
                }
                None => complete = false,
            }
        }
        if !complete {
            return;
        }
        if !self.consistent(
            recipe,
            node,
            &inputs,
            entry.described.flows.as_slice(),
            diagnostics,
        ) {
            return;
        }
        let mut checker = Checker {
            stage: &entry.name.text,
            place: &entry.place,
            described: &entry.described,
            diagnostics,
            failed: false,
        };
        let mut ports = entry.configured.check(&inputs, &mut checker);
        let failed = checker.failed();
        for port in &mut ports {
            port.flow.recordings = self.recordings[node].clone();
            let points = inputs.iter().filter_map(|f| f.points).max();
            port.flow.points = points.map(|n| if port.single { 1 } else { n });
            port.flow.axis = axis(&inputs).map(|along| along && !port.single);
            if let Some(f) = reference {
                port.flow.run_at(f);
            }
        }
        let follows = entry.configured.follows(&inputs);
        self.origins[node] = (0..ports.len())
            .map(|port| {
                let first = self.reads[node].first().filter(|_| port == 0);
                let from = first.and_then(|&(source, p)| self.origins[source].get(p));
                match (from, follows) {
                    (Some(from), Some(follows)) => from.then(follows, &ports[port].flow),
                    _ => Origin::new(node, port),
                }
            })
            .collect();
        if !failed {
            self.ports[node] = Some(ports);
        }
    }

    /// Gives the outputs of a node the units that the recipe declares for them, if they fit.
    fn declare_units(&mut self, recipe: &Recipe, node: Node, diagnostics: &mut Diagnostics) {
        let declared = recipe
            .units
            .iter()
            .filter(|d| name_of(recipe, node) == split(&d.flow.text).0);
        for declared in declared {
            let Some((_, port)) = self.resolve(&declared.flow, node, diagnostics) else {
                continue;
            };
            let Some(found) = self.flow(node, port).map(|f| f.unit.clone()) else {
                continue;
            };
            if found.same_dimension(&declared.unit) {
                let Some(ports) = self.ports[node].as_mut() else {
                    continue;
                };
                let own = ports.get(port).and_then(|p| p.companions);
                let with_it = own.map(|c| [Some(c.low), Some(c.high), c.limit]);
                for at in with_it.into_iter().flatten().flatten().chain([port]) {
                    if let Some(port) = ports.get_mut(at) {
                        port.flow.unit = declared.unit.clone();
                    }
                }
                continue;
            }
            let name = &declared.flow.text;
            let message = format!(
                "expected a unit that fits `{name}`, which comes out in {}, found {}",
                found.ascii(),
                declared.unit.ascii()
            );
            let place = Some(declared.place.clone());
            let mut diagnostic = Diagnostic::error(Code::Unit, place, message);
            for help in self.cures_of_unit(recipe, node, &found, &declared.unit) {
                diagnostic = diagnostic.help(help);
            }
            diagnostics.push(diagnostic);
        }
    }

    /// What may bring a flow to the declared unit: the factor that is missing, and gains in dB on its way.
    fn cures_of_unit(
        &self,
        recipe: &Recipe,
        node: Node,
        found: &Unit,
        declared: &Unit,
    ) -> Vec<String> {
        let mut cures = Vec::new();
        for node in self.chain(node).into_iter().rev() {
            let Some(entry) = node
                .checked_sub(recipe.inputs.len())
                .and_then(|s| recipe.stages.get(s))
            else {
                continue;
            };
            for level in &entry.described.levels {
                cures.push(format!(
                    "`{level}` in `{}` is a gain in dB, a ratio without a unit; give the gain with its unit",
                    entry.name.text
                ));
            }
        }
        cures.push(match declared.div(found) {
            Ok(_) if found.compatible(declared) => {
                "an angle and a count are not pure numbers here; declare the unit it comes out in"
                    .to_owned()
            }
            Ok(missing) => format!(
                "declare a unit such as {}, or multiply by a constant in {}",
                found.ascii(),
                missing.ascii()
            ),
            Err(_) => format!("declare a unit such as {}", found.ascii()),
        });
        cures
    }

    /// For every node, whether it is one of `roots` or one of them depends on it.
    pub fn needed(&self, roots: impl IntoIterator<Item = Node>) -> Vec<bool> {
        let mut needed = vec![false; self.reads.len()];
        roots.into_iter().for_each(|node| needed[node] = true);
        for &node in self.graph.order.iter().rev() {
            if needed[node] {
                self.reads[node]
                    .iter()
                    .for_each(|&(source, _)| needed[source] = true);
            }
        }
        needed
    }

    /// A node and all that it depends on, in the order in which they run.
    pub fn chain(&self, node: Node) -> Vec<Node> {
        let needed = self.needed([node]);
        self.graph
            .order
            .iter()
            .copied()
            .filter(|n| needed[*n])
            .collect()
    }

    /// The port that a flow's name means.
    fn resolve(
        &self,
        flow: &FlowName,
        node: Node,
        diagnostics: &mut Diagnostics,
    ) -> Option<(Node, usize)> {
        let ports = self.ports[node].as_ref()?;
        let (stage, wanted) = split(&flow.text);
        let found = match wanted {
            None if ports.len() == 1 || ports.first().is_some_and(|p| p.name().is_empty()) => {
                Some(0)
            }
            None => None,
            Some(wanted) => ports.iter().position(|p| p.name() == wanted),
        };
        if found.is_none() {
            let names: Vec<String> = ports
                .iter()
                .filter(|p| !p.name().is_empty())
                .map(|p| format!("{stage}.{}", p.name()))
                .collect();
            let message = match wanted {
                None => format!("expected one output of `{stage}`, which has several"),
                Some(wanted) => format!("`{stage}` has no output `{wanted}`"),
            };
            let mut diagnostic =
                Diagnostic::error(Code::UnknownName, Some(flow.place.clone()), message);
            diagnostic = match names.is_empty() {
                true => diagnostic.help(format!("write `{stage}`")),
                false => diagnostic.help(format!(
                    "write one of {}",
                    listed(names.iter().map(String::as_str))
                )),
            };
            diagnostics.push(diagnostic);
        }
        found.map(|port| (node, port))
    }

    /// Samples can only be combined one by one when they lie on the same grid of times.
    fn consistent(
        &self,
        recipe: &Recipe,
        node: Node,
        inputs: &[Flow],
        names: &[FlowName],
        diagnostics: &mut Diagnostics,
    ) -> bool {
        let sampled: Vec<usize> = (0..inputs.len())
            .filter(|i| inputs[*i].kind.is_sampled())
            .collect();
        let Some((&first, others)) = sampled.split_first() else {
            return points_fit(inputs, names, diagnostics);
        };
        let mut good = true;
        let mut report = |i: usize, code, message: String, help: &str| {
            let place = names.get(i).map(|n| n.place.clone());
            diagnostics.push(Diagnostic::error(code, place, message).help(help));
            good = false;
        };
        for &i in others {
            let (a, b) = (&inputs[first], &inputs[i]);
            let (name_a, name_b) = (&names[first].text, &names[i].text);
            if let (Some(ra), Some(rb)) = (a.rate, b.rate)
                && ra != rb
            {
                let message = format!(
                    "expected one sample rate, found {ra} Hz in `{name_a}` and {rb} Hz in `{name_b}`"
                );
                report(
                    i,
                    Code::Rate,
                    message,
                    "decimate one of them, or combine averages instead of samples",
                );
                continue;
            }
            if let (Some(la), Some(lb)) = (a.length, b.length)
                && la != lb
            {
                let message = format!(
                    "expected equal lengths, found {la} samples in `{name_a}` and {lb} in `{name_b}`"
                );
                report(
                    i,
                    Code::Rate,
                    message,
                    "record both channels for the same time",
                );
            }
        }
        if self.recordings[node].len() > 1 {
            let stage = &recipe.stages[node - recipe.inputs.len()].name.text;
            let message = format!("`{stage}` combines samples of different recordings");
            report(
                first,
                Code::WrongFlow,
                message,
                "average each recording first, then combine the averages",
            );
        }
        good
    }

    fn collect_results(&mut self, recipe: &Recipe, diagnostics: &mut Diagnostics) {
        for (flow, node) in recipe.results.iter().zip(self.graph.results.clone()) {
            let Some((node, ports)) = node.and_then(|n| Some((n, self.ports[n].as_ref()?))) else {
                continue;
            };
            let (stage, wanted) = split(&flow.text);
            let kept: Vec<usize> = match wanted {
                None => (0..ports.len()).collect(),
                Some(_) => self
                    .resolve(flow, node, diagnostics)
                    .map(|(_, p)| p)
                    .into_iter()
                    .collect(),
            };
            for port in kept {
                let name = match ports[port].name() {
                    "" => stage.to_owned(),
                    port => format!("{stage}.{port}"),
                };
                if name == "title" {
                    let message = "`title` is the name of the title in a result file";
                    let place = Some(flow.place.clone());
                    diagnostics.push(
                        Diagnostic::error(Code::Duplicate, place, message).help("rename the stage"),
                    );
                } else if self.results.iter().any(|k| k.name == name) {
                    let message = format!("`{name}` is kept twice");
                    let place = Some(flow.place.clone());
                    diagnostics.push(
                        Diagnostic::warning(Code::Duplicate, place, message)
                            .help("remove one of the two"),
                    );
                } else {
                    self.results.push(Kept { name, node, port });
                }
            }
        }
    }

    /// Frequency in Hz of the signal that a flow is relative to, and whether it is stated rather than
    /// expected: the harmonic of its clock. `None` where it is not known before the run.
    pub fn signal_frequency(&self, recipe: &Recipe, flow: &Flow) -> Option<(f64, bool)> {
        let (clock, n, m) = flow.clock.as_ref()?;
        let stage = recipe.stages.iter().position(|s| s.name.text == *clock)?;
        let clock = self.flow(recipe.inputs.len() + stage, 0)?;
        let own = clock.frequency.or(clock.expected)?;
        Some((
            own * f64::from(*n) / f64::from(*m),
            clock.frequency.is_some(),
        ))
    }

    /// The same where a clock was found to run at a frequency in Hz; `None` for a node that is none.
    pub fn with_frequency(&self, clock: Node, frequency: f64) -> Option<Self> {
        let mut typed = self.clone();
        let port = typed.ports.get_mut(clock)?.as_mut()?.first_mut()?;
        port.flow.expected = Some(frequency);
        Some(typed)
    }

    /// The flow of one port.
    pub fn flow(&self, node: Node, port: usize) -> Option<&Flow> {
        self.ports[node].as_ref()?.get(port).map(|p| &p.flow)
    }
}
