//! From a recipe and recording headers to a typed graph: every flow with kind, unit, rate and
//! convention, or every fault at its place. Reads no sample.

use std::collections::BTreeSet;

use crate::diagnostic::{Code, Diagnostic, Diagnostics, listed};
use crate::flow::{Flow, Kind, Port};
use crate::graph::{Graph, Node, split};
use crate::recipe::Recipe;
use crate::stage::Checker;
use crate::store::ChannelHeader;
use crate::text::FlowName;
use crate::units::Unit;

/// A recipe whose flows are known.
#[derive(Debug)]
pub struct Typed {
    /// The dependency graph.
    pub graph: Graph,
    /// For every node, its outputs; `None` where a fault kept them from being known.
    pub ports: Vec<Option<Vec<Port>>>,
    /// For every node, the node and port behind each input.
    pub reads: Vec<Vec<(Node, usize)>>,
    /// For every node, the recordings it depends on.
    pub recordings: Vec<BTreeSet<String>>,
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
    let graph = Graph::build(recipe, diagnostics);
    let count = recipe.inputs.len() + recipe.stages.len();
    let mut typed = Typed {
        ports: vec![None; count],
        reads: vec![Vec::new(); count],
        recordings: vec![BTreeSet::new(); count],
        results: Vec::new(),
        graph,
    };
    for node in typed.graph.order.clone() {
        match node.checked_sub(recipe.inputs.len()) {
            None => {
                let input = &recipe.inputs[node];
                typed.ports[node] = Some(vec![input_port(
                    input.unit.as_ref(),
                    headers(&input.name.text),
                )]);
                typed.recordings[node].insert(input.recording.clone());
            }
            Some(stage) => typed.check_stage(recipe, node, stage, diagnostics),
        }
    }
    typed.collect_results(recipe, diagnostics);
    typed
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
    Port::new("", flow)
}

impl Typed {
    fn check_stage(
        &mut self,
        recipe: &Recipe,
        node: Node,
        stage: usize,
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
        let ports = entry.configured.check(&inputs, &mut checker);
        if !checker.failed() {
            self.ports[node] = Some(ports);
        }
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
            return true;
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
                if self.results.iter().any(|k| k.name == name) {
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

    /// The flow of one port.
    pub fn flow(&self, node: Node, port: usize) -> Option<&Flow> {
        self.ports[node].as_ref()?.get(port).map(|p| &p.flow)
    }
}
