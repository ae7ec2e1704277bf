//! The lineage of a result file in the terms of PROV.
//!
//! Recordings, recipe, wiring, constants, channels, flows and the result file are entities; the run and
//! every stage of it are activities; the program is an agent, which acts on behalf of the operator where
//! that is told. What a stage uses and generates are flows; what was kept is a member of the result file.

use std::collections::BTreeMap;

use super::document::{
    Attributes, Document, Element, RUN, Relation, TERMS, TERMS_IRI, Value, count, kind, label,
    number, own, standard_kind, text,
};
use super::{Names, uuid};
use crate::graph::split;
use crate::lineage::{Entry, InputFacts, Lineage, Node};
use crate::saved::{Saved, recipe_version};

/// The document for a result file, whose lineage is told as `lineage`.
pub fn document(lineage: &Lineage, saved: &Saved) -> Document {
    let mut made = Made {
        document: Document::default(),
        names: Names::default(),
        run: String::new(),
        program: String::new(),
        results: String::new(),
    };
    made.document.prefixes = vec![
        (RUN.into(), format!("{}#", uuid(saved.identity()))),
        (TERMS.into(), TERMS_IRI.into()),
    ];
    made.whole(lineage, saved);
    for entry in &lineage.entries {
        made.entry(entry);
    }
    made.document
}

struct Made {
    document: Document,
    names: Names,
    run: String,
    program: String,
    results: String,
}

fn all<const N: usize>(attributes: [Option<(String, Value)>; N]) -> Attributes {
    attributes.into_iter().flatten().collect()
}

impl Made {
    fn entity(&mut self, name: &str, attributes: Attributes) -> String {
        let name = self.names.of(name);
        self.document.add(Element::Entity, &name, attributes)
    }

    /// What concerns the whole run.
    fn whole(&mut self, lineage: &Lineage, saved: &Saved) {
        let titles: Vec<&str> = lineage.entries.iter().map(|e| e.title.as_str()).collect();
        let title = titles.first().copied().unwrap_or("");
        let name = self.names.of("run");
        let times = [lineage.began.clone(), lineage.ended.clone()];
        let attributes = all([label(title), kind("Run")]);
        self.run = self
            .document
            .activity(Element::Activity, &name, times, attributes);
        let libraries: Vec<String> = lineage
            .libraries
            .iter()
            .map(|(name, version)| format!("{name} {version}"))
            .collect();
        let machine = lineage.machine.as_ref();
        let machine = machine.map_or(String::new(), |m| format!("{}, {}", m.os, m.architecture));
        let name = self.names.of("phasemill");
        self.program = self.document.add(
            Element::Agent,
            &name,
            all([
                label("phasemill"),
                standard_kind("prov:SoftwareAgent"),
                own("version", &lineage.program),
                own("libraries", &libraries.join(", ")),
                own("machine", &machine),
            ]),
        );
        let recipe = self.entity(
            "recipe",
            all([
                label(title),
                standard_kind("prov:Plan"),
                kind("Recipe"),
                own("file", &lineage.recipe),
                own("canonicalBlake3", &recipe_version(&saved.recipe.text)),
            ]),
        );
        let associated = [self.run.clone(), self.program.clone(), recipe];
        self.document.link(
            Relation::WasAssociatedWith,
            &associated.each_ref().map(String::as_str),
        );
        if saved.wiring.is_some() {
            let attributes = all([
                label("wiring"),
                kind("Wiring"),
                own("file", &lineage.wiring),
            ]);
            let wiring = self.entity("wiring", attributes);
            self.document.link(Relation::Used, &[&self.run, &wiring]);
        }
        if let Some(operator) = &lineage.operator {
            let name = self.names.of("operator");
            let attributes = all([label(operator), standard_kind("prov:Person")]);
            let operator = self.document.add(Element::Agent, &name, attributes);
            self.document
                .link(Relation::WasAssociatedWith, &[&self.run, &operator]);
            self.document
                .link(Relation::ActedOnBehalfOf, &[&self.program, &operator]);
        }
        self.results = self.entity(
            "results",
            all([
                label("results"),
                standard_kind("prov:Collection"),
                kind("Results"),
                own("recordBlake3", saved.identity()),
            ]),
        );
        let (results, run) = (self.results.clone(), self.run.clone());
        self.document
            .link(Relation::WasGeneratedBy, &[&results, &run, &lineage.ended]);
        self.document
            .link(Relation::WasAttributedTo, &[&results, &self.program]);
        if let Some(old) = &saved.supersedes {
            let attributes = all([
                label(&old.file),
                kind("Results"),
                own("recordBlake3", &old.identity),
            ]);
            let before = self.entity("superseded", attributes);
            let mut why = all([standard_kind("prov:Revision")]);
            why.extend(old.reasons.iter().filter_map(|r| own("reason", r)));
            self.document
                .link_as(Relation::WasDerivedFrom, &[&results, &before], why);
        }
    }

    /// What concerns one recording or sweep.
    fn entry(&mut self, entry: &Entry) {
        let mut recordings: BTreeMap<&str, Vec<String>> = BTreeMap::new();
        for recording in &entry.recordings {
            for file in &recording.files {
                let name = file.path.rsplit(['/', '\\']).next().unwrap_or(&file.path);
                let attributes = all([
                    label(name),
                    kind("Recording"),
                    own("file", &file.path),
                    own("role", &recording.name),
                    count("points", file.points),
                    count("bytes", file.bytes).filter(|_| file.bytes > 0),
                ]);
                let id = self.entity(&format!("{}.recording.{name}", entry.name), attributes);
                self.document.link(Relation::Used, &[&self.run, &id]);
                recordings.entry(&recording.name).or_default().push(id);
            }
        }
        let mut flows: BTreeMap<String, String> = BTreeMap::new();
        let mut constants: BTreeMap<&str, String> = BTreeMap::new();
        for node in &entry.nodes {
            match &node.input {
                Some(facts) => {
                    let id = self.channel(entry, node, facts);
                    for recording in recordings
                        .get(facts.recording.as_str())
                        .into_iter()
                        .flatten()
                    {
                        self.document
                            .link(Relation::WasDerivedFrom, &[&id, recording]);
                    }
                    flows.insert(node.name.clone(), id);
                }
                None => self.stage(entry, node, &mut flows, &mut constants),
            }
        }
        for output in &entry.outputs {
            let key = match output.port.as_str() {
                "" => output.node.clone(),
                port => format!("{}.{port}", output.node),
            };
            let Some(flow) = flows.get(&key) else {
                continue;
            };
            let attributes = all([
                label(&format!("{}: {}", entry.name, output.name)),
                kind("Output"),
                own("path", &format!("/{}/{}", entry.name, output.name)),
                own("contentBlake3", &output.content),
                count("points", output.points),
            ]);
            let id = self.entity(
                &format!("{}.output.{}", entry.name, output.name),
                attributes,
            );
            self.document
                .link(Relation::HadMember, &[&self.results, &id]);
            self.document.link(Relation::WasDerivedFrom, &[&id, flow]);
            self.document
                .link(Relation::WasGeneratedBy, &[&id, &self.run, ""]);
        }
    }

    fn channel(&mut self, entry: &Entry, node: &Node, facts: &InputFacts) -> String {
        let attributes = all([
            label(&format!("{}: channel {}", entry.name, node.name)),
            kind("Channel"),
            own("dataset", &facts.dataset),
            own("stored", &facts.stored),
            number("sampleRateInHertz", facts.rate).filter(|_| facts.rate > 0.0),
            own("unit", &facts.unit),
            text(
                &format!("{TERMS}:startTime"),
                facts.start_time.as_deref().unwrap_or(""),
            ),
            count("points", facts.points),
            own("samplesBlake3", &facts.samples),
            own("key", &node.key),
        ]);
        self.entity(&format!("{}.{}", entry.name, node.name), attributes)
    }

    fn stage<'e>(
        &mut self,
        entry: &'e Entry,
        node: &'e Node,
        flows: &mut BTreeMap<String, String>,
        constants: &mut BTreeMap<&'e str, String>,
    ) {
        let name = self
            .names
            .of(&format!("{}.stage.{}", entry.name, node.name));
        let mut attributes = all([
            label(&format!("{}: {} ({})", entry.name, node.name, node.stage)),
            kind("Stage"),
            own("stage", &node.stage),
            count("kernelVersion", node.numeric_version.into()),
            own("method", &node.method),
            own("key", &node.key),
            Some((format!("{TERMS}:partOf"), Value::Name(self.run.clone()))),
        ]);
        attributes.extend(
            node.told_settings()
                .filter_map(|(path, value)| own("setting", &format!("{path} = {value}"))),
        );
        let times = [String::new(), String::new()];
        let stage = self
            .document
            .activity(Element::Activity, &name, times, attributes);
        self.document
            .link(Relation::WasAssociatedWith, &[&stage, &self.program, ""]);
        let mut sources: Vec<String> = Vec::new();
        for read in &node.reads {
            // A name without a port means the first one.
            let flow = flows
                .get(read)
                .or_else(|| flows.get(split(read).0))
                .cloned();
            sources.extend(flow.filter(|f| !sources.contains(f)));
        }
        for constant in &node.constants {
            let id = match constants.get(constant.name.as_str()) {
                Some(id) => id.clone(),
                None => {
                    let attributes = all([
                        label(&format!("{} = {}", constant.name, constant.value)),
                        kind("Constant"),
                        own("value", &constant.value),
                        own("standardUncertainty", &constant.uncertainty_as_written()),
                        own("source", &constant.source),
                        own("date", &constant.date),
                        own("validUntil", &constant.valid_until),
                    ]);
                    let name = format!("{}.constant.{}", entry.name, constant.name);
                    let id = self.entity(&name, attributes);
                    constants.insert(&constant.name, id.clone());
                    id
                }
            };
            sources.push(id);
        }
        for source in &sources {
            self.document.link(Relation::Used, &[&stage, source]);
        }
        for flow in &node.flows {
            let (dot, port) = match flow.port.as_str() {
                "" => ("", ""),
                port => (".", port),
            };
            let key = format!("{}{dot}{port}", node.name);
            let attributes = all([
                label(&format!("{}: {key}", entry.name)),
                kind("Flow"),
                own("is", &flow.words),
                own("unit", &flow.unit),
            ]);
            let id = self.entity(&format!("{}.{key}", entry.name), attributes);
            self.document
                .link(Relation::WasGeneratedBy, &[&id, &stage, ""]);
            for source in &sources {
                self.document.link(Relation::WasDerivedFrom, &[&id, source]);
            }
            flows.entry(node.name.clone()).or_insert_with(|| id.clone());
            flows.insert(key, id);
        }
    }
}
