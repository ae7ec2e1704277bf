//! The record of version 1, from before points had hashes of their own, read as the present one.

use serde::Deserialize;

use super::{ConstantFacts, Entry, FlowFacts, InputFacts, Lineage, Node, Output};
use super::{RecordedFile, Recording};

/// The lineage of a result file, version 1.
#[derive(Deserialize)]
pub(super) struct First {
    program: String,
    began: String,
    entries: Vec<FirstEntry>,
}

#[derive(Deserialize)]
struct FirstEntry {
    name: String,
    title: String,
    recordings: Vec<FirstRecording>,
    nodes: Vec<FirstNode>,
    outputs: Vec<FirstOutput>,
    failures: Vec<String>,
    remarks: Vec<String>,
}

#[derive(Deserialize)]
struct FirstRecording {
    name: String,
    files: Vec<(String, u64)>,
}

#[derive(Deserialize)]
struct FirstNode {
    name: String,
    stage: String,
    numeric_version: u32,
    reads: Vec<String>,
    settings: Vec<(String, String)>,
    flows: Vec<(String, String)>,
    key: String,
    #[serde(default)]
    samples: Vec<String>,
    #[serde(default)]
    constants: Vec<[String; 4]>,
}

#[derive(Deserialize)]
struct FirstOutput {
    name: String,
    node: String,
    key: String,
    content: String,
}

impl From<First> for Lineage {
    fn from(first: First) -> Self {
        Lineage {
            version: 1,
            program: first.program,
            began: first.began,
            entries: first.entries.into_iter().map(Entry::from).collect(),
            ..Lineage::default()
        }
    }
}

impl From<FirstEntry> for Entry {
    fn from(first: FirstEntry) -> Self {
        let file = |(path, points): (String, u64)| RecordedFile {
            path,
            points,
            ..RecordedFile::default()
        };
        let recording = |r: FirstRecording| Recording {
            name: r.name,
            files: r.files.into_iter().map(file).collect(),
            axis: None,
        };
        let points = |node: &FirstNode| node.samples.len() as u64;
        let points = first.nodes.iter().map(points).max().unwrap_or(0);
        let output = |o: FirstOutput| Output {
            port: o
                .name
                .strip_prefix(&format!("{}.", o.node))
                .unwrap_or("")
                .into(),
            name: o.name,
            node: o.node,
            key: o.key,
            content: o.content,
            points,
            from: 0.0,
        };
        Entry {
            name: first.name,
            title: first.title,
            recordings: first.recordings.into_iter().map(recording).collect(),
            outputs: first.outputs.into_iter().map(output).collect(),
            nodes: first.nodes.into_iter().map(Node::from).collect(),
            checks: Vec::new(),
            failures: first.failures,
            remarks: first.remarks,
            from_cache: Vec::new(),
        }
    }
}

impl From<FirstNode> for Node {
    fn from(first: FirstNode) -> Self {
        let said = |path: &str| {
            let found = first.settings.iter().find(|(p, _)| p == path);
            found.map(|(_, v)| v.clone()).unwrap_or_default()
        };
        let input = (first.stage == "input").then(|| InputFacts {
            dataset: said("dataset"),
            stored: said("stored"),
            header: said("header"),
            points: first.samples.len() as u64,
            points_in_text: first.samples.clone(),
            ..InputFacts::default()
        });
        let flow = |(port, words): (String, String)| FlowFacts {
            kind: words.split([',']).next().unwrap_or("").into(),
            port,
            words,
            ..FlowFacts::default()
        };
        let constant = |[name, value, standard_uncertainty, source]: [String; 4]| ConstantFacts {
            name,
            value,
            standard_uncertainty,
            source,
            ..ConstantFacts::default()
        };
        Node {
            settings: match input {
                Some(_) => Vec::new(),
                None => first.settings,
            },
            name: first.name,
            stage: first.stage,
            numeric_version: first.numeric_version,
            reads: first.reads,
            flows: first.flows.into_iter().map(flow).collect(),
            key: first.key,
            method: String::new(),
            input,
            constants: first.constants.into_iter().map(constant).collect(),
        }
    }
}
