//! Chains that were made in the same way from different channels, so that a paragraph tells of the first alone.

use std::collections::BTreeMap;

use super::Node;
use crate::graph::split;

/// What comes from the main recording alone goes first, so that what stands beside it is told as being like it.
pub(super) fn main_first(nodes: &mut [&Node]) {
    let mut others: Vec<&str> = Vec::new();
    for node in nodes.iter() {
        let own = node.input.as_ref().is_some_and(|i| !i.recording.is_empty());
        let of_other = |r: &String| others.contains(&split(r).0);
        if own || node.reads.iter().any(of_other) {
            others.push(&node.name);
        }
    }
    nodes.sort_by_key(|n| others.contains(&n.name.as_str()));
}

/// What was told so far, and what is like it.
pub(super) struct Alike<'n> {
    /// For each node, the first that was made in the same way.
    first: BTreeMap<&'n str, &'n str>,
    nodes: BTreeMap<&'n str, &'n Node>,
}

impl<'n> Alike<'n> {
    /// Looks through nodes, each of which comes after what it reads.
    pub fn among(nodes: &[&'n Node]) -> Self {
        let mut ways: BTreeMap<String, &'n str> = BTreeMap::new();
        let mut first: BTreeMap<&'n str, &'n str> = BTreeMap::new();
        for node in nodes {
            let way = match &node.input {
                Some(input) => format!("{} {}", input.unit, input.rate),
                None => {
                    let like = |read: &'n String| {
                        let (node, port) = split(read);
                        (first.get(node).copied(), port)
                    };
                    let reads: Vec<_> = node.reads.iter().map(like).collect();
                    let mut told = node.method.clone();
                    for (k, read) in node.reads.iter().enumerate() {
                        told = told.replace(&format!("\"{read}\""), &format!("\"{k}\""));
                    }
                    let (settings, constants) = (&node.settings, &node.constants);
                    format!("{} {settings:?} {constants:?} {reads:?} {told}", node.stage)
                }
            };
            let name: &'n str = &node.name;
            first.insert(name, ways.entry(way).or_insert(name));
        }
        Alike {
            first,
            nodes: nodes.iter().map(|n| (n.name.as_str(), *n)).collect(),
        }
    }

    /// The stage that was made in the same way as this one, and told before it.
    pub fn told(&self, node: &Node) -> Option<&'n str> {
        let first = self.first.get(node.name.as_str()).copied();
        first.filter(|first| *first != node.name && node.input.is_none())
    }

    /// Where the part of a chain begins that need not be told: its channels, and stages that nothing is like.
    pub fn from(&self, node: &Node) -> Vec<&'n str> {
        let mut found: Vec<&'n str> = Vec::new();
        for read in &node.reads {
            let Some(read) = self.nodes.get(split(read).0) else {
                continue;
            };
            let own = match self.told(read) {
                Some(_) => self.from(read),
                None => vec![read.name.as_str()],
            };
            for name in own {
                if !found.contains(&name) {
                    found.push(name);
                }
            }
        }
        found
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lineage::{Chosen, Entry, FlowFacts, InputFacts, Lineage, Output, methods};

    fn node(name: &str, stage: &str, reads: &[&str], method: &str) -> Node {
        let recording = if name.starts_with("dark") { "dark" } else { "" };
        let input = InputFacts {
            recording: recording.into(),
            unit: "V".into(),
            rate: 100.0,
            length: 200,
            points: 1,
            ..InputFacts::default()
        };
        Node {
            name: name.into(),
            stage: stage.into(),
            reads: reads.iter().map(|r| (*r).to_owned()).collect(),
            flows: vec![FlowFacts {
                evaluated: (stage == "Combine").then_some(true),
                ..FlowFacts::default()
            }],
            method: method.into(),
            input: method.is_empty().then_some(input),
            ..Node::default()
        }
    }

    /// Two chains of the same stages, of which the one beside the main recording is not told again; a third differs in
    /// its last stage, and is.
    #[test]
    fn what_was_done_twice_is_told_once() {
        let filtered = |of: &str| format!("\"{of}\" was filtered.");
        let averaged = |of: &str| format!("\"{of}\" was averaged.");
        let nodes = vec![
            node("dark", "input", &[], ""),
            node("dark smooth", "Filter", &["dark"], &filtered("dark")),
            node(
                "dark level",
                "Average",
                &["dark smooth"],
                &averaged("dark smooth"),
            ),
            node("light", "input", &[], ""),
            node("smooth", "Filter", &["light"], &filtered("light")),
            node("level", "Average", &["smooth"], &averaged("smooth")),
            node(
                "other",
                "Median",
                &["smooth"],
                "The median of \"smooth\" was taken.",
            ),
            node(
                "net",
                "Combine",
                &["level", "dark level", "other"],
                "\"dark level\" was subtracted from \"level\", and \"other\" too.",
            ),
        ];
        let entry = Entry {
            nodes,
            outputs: vec![Output {
                name: "net".into(),
                node: "net".into(),
                ..Output::default()
            }],
            ..Entry::default()
        };
        let lineage = Lineage {
            program: "0".into(),
            ..Lineage::default()
        };
        let chosen: Vec<Chosen<'_>> = entry.everything().collect();
        assert_eq!(
            methods(&lineage, &entry, &chosen),
            "The channel \"light\" (in V) was recorded at 100 Hz, 200 samples (2 s). \
             The channel \"dark\" (in V) of the recording \"dark\" was recorded at 100 Hz, 200 samples (2 s). \
             \"light\" was filtered (\"smooth\"). \"smooth\" was averaged (\"level\"). \
             The median of \"smooth\" was taken (\"other\"). \
             \"dark level\" was obtained from \"dark\" in the same way as \"level\". \
             \"dark level\" was subtracted from \"level\", and \"other\" too (\"net\"). \
             Standard uncertainties of \"net\" were combined to first order from independent sources (JCGM 100:2008, 5.2.2). \
             Computed with phasemill 0."
        );
    }
}
